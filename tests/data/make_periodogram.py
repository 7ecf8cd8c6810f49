"""Least-squares periodogram of an uneven, noisy series by SciPy, for tests/moved.rs.

The series is made up: three waves, a constant and pseudo-random noise at 120 uneven places. Power is SciPy's
scipy.signal.lombscargle with the mean taken out and fitted along (floating_mean=True), not normalised: half the sum of squares
that the wave explains, here doubled.
"""
import sys
import numpy as np
import scipy
from scipy.signal import lombscargle

rng = np.random.default_rng(20261126)
x = np.sort(rng.uniform(0.0, 1200.0, 120))
z = 0.3 + 0.05 * np.cos(2 * np.pi * x / 80 + 1) + 0.2 * np.cos(2 * np.pi * x / 310) + 0.03 * np.sin(2 * np.pi * x / 47)
z = np.round(z + rng.normal(0.0, 0.02, x.size), 4)
x = np.round(x, 2)
f = np.linspace(1 / 400, 1 / 30, 60)
power = lombscargle(x, z - z.mean(), 2 * np.pi * f, floating_mean=True)
# What the definition gives by plain least squares, so that the scale is sure.
def explained(fr):
    a = np.column_stack([np.ones_like(x), np.cos(2 * np.pi * fr * x), np.sin(2 * np.pi * fr * x)])
    r = z - a @ np.linalg.lstsq(a, z, rcond=None)[0]
    return ((z - z.mean()) ** 2).sum() - (r ** 2).sum()
scale = explained(f[10]) / power[10]
assert np.allclose([explained(v) for v in f], scale * power, rtol=1e-9), scale
print(f"scale {scale}, scipy {scipy.__version__}", file=sys.stderr)
with open("periodogram.csv", "w") as out:
    out.write("kind,a,b\n")
    for a, b in zip(x, z):
        out.write(f"reading,{a},{b}\n")
    for a, b in zip(f, scale * power):
        out.write(f"power,{a:.15g},{b:.15g}\n")
