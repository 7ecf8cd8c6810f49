"""Guide-coat photo to coat cells in OpenCV and NumPy, twice: the yardsticks of benches/photo.rs.

    python benches/photo_reference.py PHOTO.jpg h11 h12 h13 h21 h22 h23 h31 h32 h33 LENGTH_MM WIDTH_MM

`plain` decodes, warps, evens the light by a wide blur (which eats broad lows), thresholds and takes
shares in cells. `same steps` does what lowspot does, each step the quickest way OpenCV or NumPy has
for it: linear light, grain at three scales, classes of colour and grain with a Markov field and the
light fitted again as they form, light by steps, colours as peaks of density, two tones with the
light fitted again, the majority in 5 mm, marks, shares in cells, connected areas, pinholes, pitch.
It is no second opinion on the coat: it names no pairs and hides nothing. Prints the best of seven
runs and the mean share of coat of each.
"""
import sys
import time

import cv2
import numpy as np

photo = sys.argv[1]
h = np.array([float(v) for v in sys.argv[2:11]]).reshape(3, 3)  # photo from panel, mm
length, width = (float(v) for v in sys.argv[11:13])
size = (int(length), int(width))  # 1 mm a pixel


def warped():
    image = cv2.imread(photo)
    return cv2.warpPerspective(image, h, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def plain():
    grey = cv2.cvtColor(warped(), cv2.COLOR_BGR2GRAY)
    small = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(small, (0, 0), 60)
    light = cv2.resize(light, size, interpolation=cv2.INTER_LINEAR)
    flat = cv2.divide(grey, light, scale=128)
    _, coat = cv2.threshold(flat, 0, 255, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU)
    coat = cv2.medianBlur(coat, 5)
    return cv2.resize(coat, (size[0] // 10, size[1] // 10), interpolation=cv2.INTER_AREA) / 255.0


values = np.arange(256) / 255.0
LINEAR = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
LINEAR = LINEAR.astype(np.float32)
UNIT = np.array([0.30, 0.09, 0.09, 0.5], np.float32)
LEAST_SD = np.array([0.10, 0.03, 0.03, 0.22], np.float32)


def basis(shape, degree):
    """Chebyshev products up to a total degree, a row for each block."""
    v, u = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    p = np.polynomial.chebyshev.chebvander(u.ravel(), degree)
    q = np.polynomial.chebyshev.chebvander(v.ravel(), degree)
    return np.stack([p[:, i] * q[:, t - i] for t in range(degree + 1) for i in range(t + 1)], 1)


def least_squares(a, d, w=None):
    weighted = a if w is None else a * w[:, None]
    normal = weighted.T @ a
    normal[np.diag_indices_from(normal)] += 1e-6 * normal.diagonal().max()
    return np.linalg.solve(normal, weighted.T @ d)


def box(image, side):
    return cv2.boxFilter(image, -1, (side, side), borderType=cv2.BORDER_REFLECT)


def square(a, b):
    """Squared distance over the last axis: NumPy's own sum over so short an axis is slow."""
    d = [a[..., i] - b[..., i] for i in range(a.shape[-1])]
    return sum(x * x for x in d)


def features(log, spread, light):
    c = log - light
    grain = np.log(np.sqrt((spread[..., 0] + 2 * spread[..., 1] + 2 * spread[..., 2]) / 3) + 0.004)
    b, g, r = c[..., 0], c[..., 1], c[..., 2]
    return np.stack([(r + g + b) / 3, (r - b) / 2, (2 * g - r - b) / 4, grain], -1)


def mixture(f, chances, weak):
    """Eight rounds of EM with a mean field over the eight neighbours."""
    flat = f.reshape(-1, 4)
    unit = np.array([weak, 1, 1, 1], np.float32)
    for _ in range(8):
        n = chances.reshape(-1, chances.shape[-1])
        share = n.sum(0)
        mean = (n.T @ flat) / share[:, None]
        sd = np.maximum(np.sqrt(np.maximum((n.T @ flat**2) / share[:, None] - mean**2, 0)), LEAST_SD)
        keep = share / len(n) > 0.004
        chances, mean, sd, share = chances[..., keep], mean[keep], sd[keep], share[keep] / len(n)
        field = np.stack(
            [9 * box(np.ascontiguousarray(chances[..., m]), 3) - chances[..., m] for m in range(len(mean))], -1
        )
        score = np.empty_like(field)
        for m in range(len(mean)):
            d2 = square(f / (sd[m] * unit), mean[m] / (sd[m] * unit))
            score[..., m] = np.log(share[m]) - np.log(sd[m]).sum() - 5 * np.log1p(d2 / 6)
        score += 0.35 * field
        score -= score.max(-1, keepdims=True)
        chances = np.exp(score)
        chances /= chances.sum(-1, keepdims=True)
    return chances


def seeds(f):
    sample = f.reshape(-1, 4)
    sample = sample[:: max(1, len(sample) // 4000)]
    centres = np.median(sample, 0)[None]
    while len(centres) < 7:
        d = square(sample[:, None] / UNIT, centres / UNIT).min(1)
        order = np.argsort(d)
        if d[order[len(order) * 995 // 1000]] < 1.5:
            break
        centres = np.vstack([centres, sample[order[len(order) * 995 // 1000]]])
        for _ in range(4):
            near = square(sample[:, None] / UNIT, centres / UNIT).argmin(1)
            for m in range(len(centres)):
                if (near == m).any():
                    centres[m] = sample[near == m].mean(0)
    near = square(f[..., None, :] / UNIT, centres / UNIT).argmin(-1)
    return np.eye(len(centres), dtype=np.float32)[near]


def classes(log, spread):
    f_log, f_spread = log[::2, ::2], spread[::2, ::2]
    a = basis(f_log.shape[:2], 4)
    light = np.zeros_like(f_log)
    for round_ in range(4):
        f = features(f_log, f_spread, light).astype(np.float32)
        chances = seeds(f) if round_ < 2 else chances
        chances = mixture(f, chances, 3.0 if round_ == 0 else 1.0)
        if round_ < 3:
            of = chances.argmax(-1)
            colours = np.stack([(f_log - light)[of == m].mean(0) if (of == m).any() else np.zeros(3)
                                for m in range(chances.shape[-1])])
            left = (f_log - colours[of]).reshape(-1, 3)
            light = (a @ least_squares(a[::2], left[::2])).reshape(light.shape)
    return cv2.resize(chances.argmax(-1).astype(np.uint8), log.shape[1::-1], interpolation=cv2.INTER_NEAREST)


def by_steps(log):
    a = basis(log.shape[:2], 3).reshape(*log.shape[:2], -1)
    across = (a[::3, 2::3] - a[::3, :-2:3])[..., 1:].reshape(-1, 9)
    down = (a[2::3, ::3] - a[:-2:3, ::3])[..., 1:].reshape(-1, 9)
    rows = np.vstack([across, down])
    steps = np.vstack([(log[::3, 2::3] - log[::3, :-2:3]).reshape(-1, 3),
                       (log[2::3, ::3] - log[:-2:3, ::3]).reshape(-1, 3)])
    found = np.zeros((9, 3))
    for _ in range(15):
        left = np.sqrt(square(steps, rows @ found))
        reach = 4.7 * max(np.median(left) / 1.54, 1e-3)
        found = least_squares(rows, steps, np.maximum(1 - (left / reach) ** 2, 0) ** 2)
    return (a[..., 1:].reshape(-1, 9) @ found).reshape(log.shape)


def peaks(log, light):
    own = (log - light).reshape(-1, 3).astype(np.float32)
    sample = own[:: max(1, len(own) // 1800)]
    length2 = (sample**2).sum(1)
    d2 = np.maximum(length2[:, None] + length2 - 2 * sample @ sample.T, 0) / 3
    density = np.exp(-d2 / (2 * 0.08**2)).sum(1)
    denser = density[None] > density[:, None]
    top = (density >= 3) & ~((d2 <= 0.2**2) & denser).any(1)
    colours = sample[top]
    for _ in range(3):
        d = square(own[:, None], colours) / 3
        near, best = d.argmin(1), d.min(1) < 0.14**2
        image = np.where(best, near, 255).reshape(log.shape[:2])
        counts = []
        for m in range(len(colours)):
            mine = (image == m).astype(np.uint8)
            amid = (cv2.filter2D(mine, -1, np.ones((3, 3))) >= 8) & (mine == 1)
            counts.append(amid.sum())
            if amid.any():
                colours[m] = own[amid.ravel()].mean(0)
    first, second = np.argsort(counts)[::-1][:2]
    return colours[first], colours[second]


def tones(light_of_pixels, log, light, pair):
    a = basis(log.shape[:2], 4)
    pair = np.array(sorted(pair, key=lambda c: -c.sum()))
    for round_ in range(5):
        d = square((log - light)[..., None, :], pair) / 3
        kind = d.argmin(-1)
        plainly = d.min(-1) < (0.35 * np.sqrt(((pair[0] - pair[1]) ** 2).mean())) ** 2
        left = log - pair[kind]
        flat = plainly.ravel()
        found = least_squares(a[flat][::5], left.reshape(-1, 3)[flat][::5])
        light = (a @ found).reshape(log.shape)
        if round_ >= 3:
            rest = np.where(plainly[..., None], np.clip(left - light, -0.5, 0.5), 0).astype(np.float32)
            weight = plainly.astype(np.float32)
            for _ in range(3):
                rest, weight = box(rest, 15), box(weight, 15)
            light = light + rest / (weight + 0.1)[..., None]
        pair = np.stack([(log - light)[plainly & (kind == m)].mean(0) for m in range(2)])
    gain = cv2.resize(np.exp(-light).astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    even = cv2.multiply(light_of_pixels, gain)
    mask = cv2.resize((plainly * (kind + 1)).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    groups = [even[::3, ::3][mask[::3, ::3] == m + 1] for m in range(2)]
    means = [g.mean(0) for g in groups]
    way = means[1] - means[0]
    axis = np.linalg.solve(sum(np.cov(g.T) for g in groups) + np.eye(3) * 1e-4 * way @ way, way)
    axis /= axis @ way
    return cv2.transform(even, np.array([[*axis, -axis @ means[0]]], np.float32))


def same_steps():
    image = warped()
    light = cv2.LUT(image, LINEAR)
    burnt = (image.min(-1) >= 250).astype(np.uint8)
    cv2.dilate(burnt, np.ones((9, 9), np.uint8))
    blocks = (size[0] // 5, size[1] // 5)

    def in_blocks(x):
        return cv2.resize(x, blocks, interpolation=cv2.INTER_AREA)

    log = np.log(in_blocks(light) + 0.002)
    root = cv2.sqrt(cv2.transform(light, np.full((1, 3), 1 / 3, np.float32)))
    about = box(root, 13)
    spread = []
    for side in (1, 3, 5):
        d = cv2.subtract(root if side == 1 else box(root, side), about)
        square = cv2.multiply(d, d)
        spread.append(cv2.medianBlur(in_blocks(square), 5))
        if side == 1:
            box(in_blocks(cv2.multiply(square, d)), 5)  # the skew
    log_wide = np.log(box(np.exp(log), 5))
    classes(log_wide, np.stack(spread, -1))
    start = by_steps(log)
    tone = tones(light, log, start, peaks(log, start))
    votes = np.where(tone > 0.5, 1, -1).astype(np.int16)
    dark = (cv2.boxFilter(votes, cv2.CV_16S, (5, 5), normalize=False) > 0).astype(np.uint8)
    share = in_blocks(dark.astype(np.float32))
    near = cv2.resize(box(share, 9), size, interpolation=cv2.INTER_NEAREST)
    ((tone > 0.4) & (near < 1e-6)).sum(), ((tone < 0.6) & (near > 1 - 1e-6)).sum()  # the marks
    cells = cv2.resize(dark.astype(np.float32), (size[0] // 10, size[1] // 10), interpolation=cv2.INTER_AREA)
    cv2.connectedComponentsWithStats(dark)
    mean = box(tone, 3)  # pinholes
    top = (mean > 0.06) & (mean >= cv2.dilate(mean, np.ones((3, 3)))) & (dark == 0)
    rows, columns = np.nonzero(top[3:-3, 3:-3])
    angles = np.arange(19) / 19 * 2 * np.pi
    ring = [mean[rows + 3 + int(round(3 * np.sin(t))), columns + 3 + int(round(3 * np.cos(t)))] for t in angles]
    np.median(np.array(ring), 0)
    cv2.dft(cells - cells.mean(), flags=cv2.DFT_COMPLEX_OUTPUT)  # the pitch
    return cells


for name, run in (("plain", plain), ("same steps", same_steps)):
    times = []
    for _ in range(7):
        start = time.perf_counter()
        cells = run()
        times.append(1000 * (time.perf_counter() - start))
    print(f"{name}, OpenCV {cv2.__version__}: {min(times):.0f} ms (median {sorted(times)[3]:.0f}), coat {cells.mean():.3f}")
