# Detection by OpenCV on the photos that the ignored test `targets_are_found_in_two_hundred_spoilt_photos` writes.
import cv2, csv, sys, collections, math, time, os
folder = sys.argv[1]
truth = collections.defaultdict(dict)
for r in csv.DictReader(open(os.path.join(folder, "truth.csv"))):
    truth[r["photo"]][int(r["number"])] = (float(r["column"]), float(r["row"]))
d = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_ARUCO_MIP_36h12)
for name in ("as it comes", "corners refined"):
    p = cv2.aruco.DetectorParameters()
    if name == "corners refined":
        p.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    det = cv2.aruco.ArucoDetector(d, p)
    found = wrong = total = placed = 0
    sq = 0.0
    secs = 0.0
    cv2.setNumThreads(1)
    for photo, marks in truth.items():
        g = cv2.imread(os.path.join(folder, photo + ".png"), cv2.IMREAD_GRAYSCALE)
        t = time.time()
        corners, ids, _ = det.detectMarkers(g)
        secs += time.time() - t
        here = 0
        for c, i in zip(corners, [] if ids is None else ids.flatten()):
            a, b, cc, dd = [tuple(map(float, q)) for q in c[0]]
            # crossing of the diagonals; OpenCV's pixel middles are whole numbers
            ac = (cc[0]-a[0], cc[1]-a[1]); bd = (dd[0]-b[0], dd[1]-b[1])
            k = ((b[0]-a[0])*bd[1]-(b[1]-a[1])*bd[0])/(ac[0]*bd[1]-ac[1]*bd[0])
            x, y = a[0]+k*ac[0]+0.5, a[1]+k*ac[1]+0.5
            m = marks.get(int(i))
            if m and math.hypot(m[0]-x, m[1]-y) < 10:
                here += 1; sq += (m[0]-x)**2+(m[1]-y)**2
            else:
                wrong += 1
        total += len(marks); found += here; placed += here >= 4
    print(f"{name}: {len(truth)} photos, {placed} with four or more; {found} of {total}, {wrong} wrong; rms {math.sqrt(sq/max(found,1)):.3f} px; {secs/len(truth):.2f} s a photo")
