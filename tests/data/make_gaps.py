"""Expected straightedge gaps on the mirror profiles, by Qhull (SciPy, BSD-3-Clause): for every placing of an edge the upper
hull of the samples under it, the largest height of that hull above the profile, the largest of these over all placings.
Run from this folder: python3 make_gaps.py > profile_gaps.csv
A least-squares parabola is taken off first. Heights in nm; a base of 0 stands for an edge longer than the profile.
"""
from pathlib import Path

import numpy as np
import scipy
from scipy.spatial import ConvexHull

print(f"# numpy {np.__version__}, scipy {scipy.__version__}; gaps in nm")
print("profile,base_mm,largest_gap_nm")
for path in sorted(Path("profiles").glob("*.csv")):
    x, z = np.loadtxt(path, delimiter=",", skiprows=1).T
    t = (x - x.mean()) / 100
    z = z - np.polyval(np.polyfit(t, z, 2), t)
    for base in (25.0, 50.0, 100.0, 200.0, 0.0):
        steps = int(np.floor(base / np.diff(x).mean() + 1e-9)) if base else len(x) - 1
        worst = 0.0
        for s in range(len(x) - steps):
            u, v = x[s:s + steps + 1], z[s:s + steps + 1]
            hull = ConvexHull(np.column_stack([(u - u[0]) / np.ptp(u), v / np.ptp(v)]))
            top = np.unique(np.append(hull.simplices[hull.equations[:, 1] > 1e-12].ravel(), (0, steps)))
            worst = max(worst, (np.interp(u, u[top], v[top]) - v).max())
        print(f"{path.stem},{base:g},{worst:.12g}")
