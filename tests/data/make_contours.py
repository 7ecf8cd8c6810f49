"""Expected lengths of iso-lines on the probed beds, by contourpy (BSD-3-Clause), algorithm "serial" (a saddle is decided
by the mean of its corners). Run from this folder: python3 make_contours.py > contour_lengths.csv
Levels end in 5 in the fourth decimal, the heights have three, so no node lies on a level.
"""
from pathlib import Path

import contourpy
import numpy as np

print(f"# contourpy {contourpy.__version__}, numpy {np.__version__}; lengths in mm")
print("bed,level_mm,length_mm,lines,closed")
for path in sorted(Path("beds").glob("*.csv")):
    lines = path.read_text().splitlines()
    head = dict(zip(lines[1].split(","), lines[2].split(",")))
    step = float(head.get("spacing0") or head["xspacing"])
    z = np.array([[float(v) for v in line.split(",")] for line in lines[3:] if line.strip()])
    x, y = (np.arange(n) * step for n in z.shape[::-1])
    generator = contourpy.contour_generator(x=x, y=y, z=z, name="serial")
    for level in (-0.0505, -0.0205, 0.0005, 0.0305, 0.1005):
        found = generator.lines(level)
        length = sum(np.hypot(*np.diff(p, axis=0).T).sum() for p in found)
        closed = sum(bool((p[0] == p[-1]).all()) for p in found)
        print(f"{path.name},{level},{length:.12g},{len(found)},{closed}")
