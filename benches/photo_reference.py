"""Guide-coat photo to coat cells in OpenCV: decode, warp, even the light, threshold, shares in cells. The yardstick of benches/photo.rs.

    python benches/photo_reference.py PHOTO.jpg h11 h12 h13 h21 h22 h23 h31 h32 h33 LENGTH_MM WIDTH_MM

Prints the milliseconds of the best of seven runs and the mean share of coat. The light is evened the common way, by dividing by a wide
blur (which eats broad lows: ours is slower and does not).
"""
import sys
import time

import cv2
import numpy as np

photo = sys.argv[1]
h = np.array([float(v) for v in sys.argv[2:11]]).reshape(3, 3)  # photo from panel, mm
length, width = (float(v) for v in sys.argv[11:13])
size = (int(length), int(width))  # 1 mm a pixel


def run():
    image = cv2.imread(photo)
    warped = cv2.warpPerspective(image, h, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    grey = cv2.cvtColor(warped, cv2.COLOR_BGR2GRAY)
    small = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(small, (0, 0), 60)
    light = cv2.resize(light, size, interpolation=cv2.INTER_LINEAR)
    flat = cv2.divide(grey, light, scale=128)
    _, coat = cv2.threshold(flat, 0, 255, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU)
    coat = cv2.medianBlur(coat, 5)
    return cv2.resize(coat, (size[0] // 10, size[1] // 10), interpolation=cv2.INTER_AREA) / 255.0


times = []
for _ in range(7):
    start = time.perf_counter()
    cells = run()
    times.append(1000 * (time.perf_counter() - start))
print(f"OpenCV {cv2.__version__}: {min(times):.0f} ms (median {sorted(times)[3]:.0f}), coat {cells.mean():.3f}")
