#!/usr/bin/env python3
"""Find a panel's surface and its fair reference from hand readings, in NumPy and SciPy.

The same mathematics as `lowspot map`, written a second time by other means: SciPy's B-splines, CHOLMOD
for the sparse factors, array products for the reference. It serves as an oracle for numbers and as a
yardstick for time. It reads sound input only, says nothing about bad input, and draws no pictures.

    python3 map_reference.py PANEL.toml READINGS... --out DIR [--timings FILE]
    python3 map_reference.py --simulate KIND SEED SPACING --out DIR      (a simulated panel and survey)

Lengths are mm, volumes cc. Arrays over nodes are indexed [ix, iy]; spline coefficients likewise.
"""

import argparse
import csv
import json
import math
import os
import sys
import time
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

# Every matrix here is small: threads of the linear algebra cost more than they bring. Set before numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import scipy.linalg as sla
import scipy.sparse as sp
import scipy.sparse.linalg as spla
from scipy import ndimage, optimize
from scipy.interpolate import BSpline, CubicSpline
from scipy.stats import norm

try:
    from sksparse.cholmod import CholmodNotPositiveDefiniteError, analyze

    NOT_POSITIVE = (CholmodNotPositiveDefiniteError, sla.LinAlgError)
except ImportError:
    analyze, NOT_POSITIVE = None, (sla.LinAlgError, RuntimeError)


# ---------------------------------------------------------------------------------------------
# Settings


@dataclass
class Settings:
    """Everything that may be switched; the defaults are those of `lowspot map`."""

    alpha: int = 2  # order of the Matérn operator; smoothness alpha - 1
    knot_mm: float = 40.0  # knot spacing of the deviation field
    range_mm: float = 300.0  # median of the prior on the range
    range_log_sd: float = 0.8
    range_bounds_mm: tuple = (60.0, 3000.0)
    range_factor: float = math.sqrt(8.0)  # range = factor / kappa
    weed: bool = True
    tobit: bool = False  # treat zeros as censored (expectation imputed)
    quadratic_sd_mm: float = 1000.0
    cubic_sd_mm: float = 1.0
    fairness_h0_mm: float = 0.25
    node_limit_mm: float = 0.15
    grid_mm: float = 10.0
    sd_draws: int = 200
    filler_draws: int = 32
    reference: str = "best-fit"
    sand_price: float = 0.25
    seed: int = 1


WEED_RANGE_MM, WEED_AMPLITUDE_MM, WEED_SIGMA_MM = 300.0, 0.5, 0.05
WEED_SDS = 5.0
WEED_AGAIN_SDS = 6.0
WEED_LEAST_MM = 0.1
ASSUMED_ALLOWANCE_MM = 0.05
LOW_EDGE_MM = 0.05
WAVELENGTHS = {"flat": (1500.0, 1500.0), "crowned": (1200.0, 1200.0),
               "ruled-x": (3000.0, 500.0), "ruled-y": (500.0, 3000.0)}
PURPOSES = {"laminar-wing": (0.10, 0.15, 0.25, 0.4), "wing-aft": (0.20, 0.4, 0.7, 1.0), "dark-gloss": (0.05, 0.15, 0.3, 0.5),
            "everyday-light": (0.10, 0.3, 0.6, 1.0), "racing-hull": (0.10, 0.2, 0.35, 0.5), "yacht-dark": (0.10, 0.25, 0.4, 0.6),
            "yacht-light": (0.15, 0.4, 0.8, 1.2), "cruiser-bottom": (0.3, 0.8, 1.5, 2.0), "work-boat": (0.5, 1.5, 3.0, 4.0)}
UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8, "thou": 0.0254, "hundredths": 0.01}


# ---------------------------------------------------------------------------------------------
# Panel and readings


@dataclass
class Panel:
    name: str
    length: float
    width: float
    form: str
    outline: list
    cutouts: list = field(default_factory=list)
    no_sand: list = field(default_factory=list)
    allowance: float = ASSUMED_ALLOWANCE_MM
    limits: list = field(default_factory=list)  # (quantity, base, max)
    wavelengths: tuple = (1200.0, 1200.0)

    def contains(self, x, y):
        on = inside(self.outline, x, y)
        for hole in self.cutouts:
            on &= ~inside(hole, x, y, edge=False)
        return on

    def allowance_at(self, x, y):
        al = np.full(np.shape(x), self.allowance)
        for area in self.no_sand:
            al[inside(area, x, y)] = 0.0
        return al


@dataclass
class Placing:
    name: str
    tool: str
    base: float
    xy: np.ndarray  # (n, 2)
    value: np.ndarray
    sd: np.ndarray  # relative standard uncertainty, 1 unless given
    toward: np.ndarray


def length_mm(value):
    """A length with or without a unit, in mm."""
    if isinstance(value, (int, float)):
        return float(value)
    parts = value.split()
    if len(parts) == 1:
        for unit in sorted(UNITS, key=len, reverse=True):
            if parts[0].endswith(unit):
                return float(parts[0][: -len(unit)]) * UNITS[unit]
        return float(parts[0])
    return float(parts[0]) * UNITS[parts[1]]


def inside(polygon, x, y, edge=True):
    """Whether points lie in a polygon; points on its sides count as `edge` says."""
    p = np.asarray(polygon, float)
    x, y = np.asarray(x, float), np.asarray(y, float)
    result, on_edge = np.zeros(x.shape, bool), np.zeros(x.shape, bool)
    for (ax, ay), (bx, by) in zip(p, np.roll(p, -1, axis=0)):
        if ay != by:
            cross = (ay > y) != (by > y)
            result ^= cross & (x < ax + (y - ay) / (by - ay) * (bx - ax))
        span2 = max((bx - ax) ** 2 + (by - ay) ** 2, 1e-300)
        t = np.clip(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / span2, 0, 1)
        on_edge |= np.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay)) <= 1e-9
    return np.where(on_edge, edge, result)


def read_panel(path):
    """panel.toml as a Panel."""
    with open(path, "rb") as f:
        raw = tomllib.load(f)
    length, width = length_mm(raw["length"]), length_mm(raw["width"])
    form = raw.get("form", "crowned")

    def corners(item):
        points = item.get("outline", item) if isinstance(item, dict) else item
        return [[length_mm(a), length_mm(b)] for a, b in points]

    limits = [("gap", base, most) for base, most in zip((50.0, 300.0, 600.0, 1000.0), PURPOSES.get(raw.get("purpose"), ()))]
    for item in raw.get("limit", []):
        for quantity in ("gap", "swing", "slope"):
            if quantity in item:
                limits.append((quantity, length_mm(item["base"]), length_mm(item[quantity])))
    given = raw.get("form_wavelength")
    if given is None:
        waves = WAVELENGTHS[form]
    elif isinstance(given, list):
        waves = tuple(length_mm(v) for v in given)
    else:
        waves = (length_mm(given),) * 2
    return Panel(
        name=raw.get("name", ""), length=length, width=width, form=form,
        outline=corners(raw.get("outline", [[0, 0], [length, 0], [length, width], [0, width]])),
        cutouts=[corners(c) for c in raw.get("cutouts", [])],
        no_sand=[corners(c) for c in raw.get("no_sand", [])],
        allowance=length_mm(raw.get("sand_allowance", ASSUMED_ALLOWANCE_MM)),
        limits=limits, wavelengths=waves)


def read_notes(path):
    """A readings file in the notes form: one placing a line, header lines hold until changed."""
    tool, base, step, unit = "straightedge", 600.0, 50.0, 1.0
    placings, ends_of = [], {}
    for line in Path(path).read_text(encoding="utf-8").splitlines():
        line = line.split("#")[0].strip()
        if not line:
            continue
        head, colon, tail = line.partition(":")
        words = head.split()
        if not colon:
            if "tool" in words:
                at = words.index("tool")
                tool = words[at + 1]
                if at + 2 < len(words) and words[at + 2][0].isdigit():
                    base = length_mm(words[at + 2])
            if "step" in words:
                step = length_mm(words[words.index("step") + 1])
            if "unit" in words:
                unit = UNITS[words[words.index("unit") + 1]]
            continue
        name, spec = words[0], words[1:]
        if spec and spec[0] in ("again", "turned"):
            start, end = ends_of[name]  # turned: the edge end for end, the readings stay in panel order
        else:
            start, end = notes_ends(spec)
            ends_of[name] = (start, end)
        values = np.array([np.nan if v == "?" else float(v.replace(",", ".")) for v in tail.split()])
        span = float(np.hypot(*(end - start)))
        count = round(span / step) + 1
        if count != len(values):
            raise SystemExit(f"{path}: {name}: {len(values)} readings, {count} expected")
        along = (end - start) / span
        xy = start + np.outer(np.arange(count) * (span / (count - 1)), along)
        taken = ~np.isnan(values)
        placings.append(Placing(name, tool, base, xy[taken], values[taken] * unit, np.ones(taken.sum()), along))
    return placings


def notes_ends(spec):
    """Start and end of a placing from the words `x 0 to 600 y 100`."""
    ends, i = {"x": (0.0, 0.0), "y": (0.0, 0.0)}, 0
    while i < len(spec):
        axis, first = spec[i], length_mm(spec[i + 1])
        if i + 3 < len(spec) and spec[i + 2] == "to":
            ends[axis], i = (first, length_mm(spec[i + 3])), i + 4
        else:
            ends[axis], i = (first, first), i + 2
    return (np.array([ends["x"][0], ends["y"][0]]), np.array([ends["x"][1], ends["y"][1]]))


def read_table(path):
    """A readings file in the table form: placing,tool,x,y,reading and optional base,toward,sd."""
    text = [t for t in Path(path).read_text(encoding="utf-8").splitlines() if t.strip() and not t.startswith("#")]
    mark = max(";\t,", key=text[0].count)
    number = lambda v: float(v if mark == "," else v.replace(",", "."))
    groups, last = {}, {"placing": "", "tool": ""}
    for row in csv.DictReader(text, delimiter=mark):
        row = {k.strip(): (v or "").strip() for k, v in row.items() if k}
        for key in last:
            last[key] = row.get(key) or last[key]
        if row["reading"] in ("", "?"):
            continue
        groups.setdefault((last["placing"], last["tool"]), []).append(row)
    placings = []
    for (name, tool), rows in groups.items():
        xy = np.array([[number(r["x"]), number(r["y"])] for r in rows])
        sd = np.array([number(r["sd"]) if r.get("sd") else np.nan for r in rows])
        span = xy[-1] - xy[0]
        angle = rows[0].get("toward", "")
        along = np.array([1.0, 0.0]) if angle == "x" else np.array([0.0, 1.0]) if angle == "y" else span / max(np.hypot(*span), 1e-9)
        base = number(rows[0]["base"]) if rows[0].get("base") else 600.0
        placings.append(Placing(name, tool, base, xy, np.array([number(r["reading"]) for r in rows]), sd, along))
    known = np.concatenate([p.sd for p in placings])
    typical = np.nanmedian(known) if np.isfinite(known).any() else 1.0
    for p in placings:
        p.sd = np.where(np.isnan(p.sd), 1.0, p.sd / typical)
    return placings


def rounding_step(values):
    """The coarsest usual step of which every reading is a multiple, mm."""
    for step in (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.0254, 0.02, 0.01, 0.005):
        if np.all(np.abs(values / step - np.round(values / step)) < 1e-6):
            return step
    return 0.001


# ---------------------------------------------------------------------------------------------
# Splines


class Axis:
    """Uniform cubic B-splines over [0, length], knots at most `spacing` apart."""

    def __init__(self, length, spacing):
        self.length = length
        self.cells = max(1, math.ceil(length / spacing - 1e-9))
        self.h = length / self.cells
        self.n = self.cells + 3
        self.knots = (np.arange(self.cells + 7) - 3) * self.h

    def design(self, x):
        """Sparse values of the basis at x, one row a point."""
        return BSpline.design_matrix(np.clip(x, 0, self.length), self.knots, 3).tocsr()

    def gram(self, order):
        """∫ B_i^(order) B_j^(order), by Gauss quadrature exact for cubics."""
        at, weight = np.polynomial.legendre.leggauss(4)
        x = (np.arange(self.cells)[:, None] * self.h + (at + 1) * self.h / 2).ravel()
        w = np.tile(weight * self.h / 2, self.cells)
        degree = 3 - order
        knots = self.knots[order : len(self.knots) - order]
        basis = BSpline.design_matrix(x, knots, degree).toarray()
        differences = np.diff(np.eye(self.n), n=order, axis=0) / self.h**order
        values = basis @ differences
        return (values.T * w) @ values


class Tensor:
    """Tensor-product splines over the bounding rectangle; coefficient (i, j) is number i·ny + j."""

    def __init__(self, length, width, spacing_x, spacing_y):
        self.x, self.y = Axis(length, spacing_x), Axis(width, spacing_y)
        self.shape = (self.x.n, self.y.n)
        self.n = self.x.n * self.y.n

    def rows(self, points):
        """Sparse values at scattered points, one row a point (16 entries)."""
        bx, by = self.x.design(points[:, 0]), self.y.design(points[:, 1])
        nx, ny = bx.data.reshape(-1, 4), by.data.reshape(-1, 4)
        ix, iy = bx.indices.reshape(-1, 4), by.indices.reshape(-1, 4)
        data = (nx[:, :, None] * ny[:, None, :]).ravel()
        column = (ix[:, :, None] * self.y.n + iy[:, None, :]).ravel()
        return sp.csr_matrix((data, column, np.arange(0, 16 * len(points) + 1, 16)), (len(points), self.n))

    def smoothness(self, order):
        """Σ_i C(order, i) Gx^(i) ⊗ Gy^(order−i): the Gram matrix of all derivatives of that order."""
        return sum(math.comb(order, i) * sp.kron(sp.csr_matrix(self.x.gram(i)), sp.csr_matrix(self.y.gram(order - i)))
                   for i in range(order + 1)).tocsc()


# ---------------------------------------------------------------------------------------------
# Sparse factors


class CholmodFactor:
    """CHOLMOD behind the few calls that are needed here; the symbolic part is done once."""

    def __init__(self, matrix):
        self.factor = analyze(matrix)

    def update(self, matrix):
        self.factor.cholesky_inplace(matrix)

    def solve(self, b):
        return self.factor(b)

    def logdet(self):
        return self.factor.logdet()

    def half_solve(self, e):
        """L⁻ᵀ e in the original order: covariance A⁻¹ when e is white."""
        return self.factor.apply_Pt(self.factor.solve_Lt(e, use_LDLt_decomposition=False))

    def whiten(self, b):
        """L⁻¹ b, so that its squared columns sum to bᵀ A⁻¹ b."""
        return self.factor.solve_L(self.factor.apply_P(b), use_LDLt_decomposition=False)


class SpluFactor:
    """SuperLU in symmetric mode, where CHOLMOD is not to be had."""

    def __init__(self, matrix):
        self.lu = None

    def update(self, matrix):
        self.lu = spla.splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})

    def solve(self, b):
        return self.lu.solve(b)

    def logdet(self):
        return float(np.log(np.abs(self.lu.U.diagonal())).sum())

    def half_solve(self, e):
        root = np.sqrt(self.lu.U.diagonal())[:, None]
        return spla.spsolve_triangular(self.lu.U.tocsr(), root * e, lower=False)[self.lu.perm_c]

    def whiten(self, b):
        permuted = np.empty_like(b)
        permuted[self.lu.perm_r] = b
        return spla.spsolve_triangular(self.lu.L.tocsr(), permuted, unit_diagonal=True) / np.sqrt(self.lu.U.diagonal())[:, None]


Factor = CholmodFactor if analyze is not None else SpluFactor


# ---------------------------------------------------------------------------------------------
# The rows of the tools


@dataclass
class System:
    """reading = spline·c + rests·r + shape·g + noise; one row a reading."""

    placing: np.ndarray  # number of the placing of each row
    xy: np.ndarray
    y: np.ndarray
    weight: np.ndarray
    gap: np.ndarray  # whether the reading is a gap
    spline: sp.csr_matrix
    rests: sp.csr_matrix
    shape: np.ndarray
    step: float


def shape_columns(panel, points):
    """Quadratics (planes are seen by no tool) and cubics in coordinates scaled to ±1."""
    u = points[:, 0] / (panel.length / 2) - 1
    v = points[:, 1] / (panel.width / 2) - 1
    return np.column_stack([u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3])


def placing_rows(p):
    """One placing as (functional over points, points, columns of its rest, rows kept)."""
    n = len(p.value)
    along = (p.xy - p.xy.mean(axis=0)) @ p.toward / 100.0
    line = np.column_stack([np.ones(n), along])
    eye = np.eye(n)
    every = np.arange(n)
    if p.tool == "straightedge":
        return -eye, p.xy, line, every
    if p.tool == "profile-gauge":
        return eye, p.xy, line, every
    if p.tool == "batten":
        contact = np.flatnonzero(p.value == 0)
        free = np.flatnonzero(p.value != 0)
        s = along
        if len(contact) == 2:
            t = (s - s[contact[0]]) / (s[contact[1]] - s[contact[0]])
            through = np.column_stack([1 - t, t])
        else:
            through = CubicSpline(s[contact], np.eye(len(contact)), bc_type="natural")(s)
        functional = -eye
        functional[:, contact] += through
        return functional[free], p.xy, np.zeros((len(free), 0)), free
    if p.tool == "wave-gauge":
        half = p.toward * p.base / 2
        return np.hstack([eye, -eye / 2, -eye / 2]), np.vstack([p.xy, p.xy - half, p.xy + half]), line[:, :1], every
    if p.tool == "bridge":
        plane = np.column_stack([np.ones(n), (p.xy - p.xy.mean(axis=0)) / 100.0])
        u, d, _ = np.linalg.svd(plane, full_matrices=False)
        return eye, p.xy, u[:, d > 1e-9 * d[0]], every
    raise SystemExit(f"unknown tool {p.tool}")


def build_system(panel, placings, tensor):
    """All placings as one sparse system."""
    functionals, points, rests, kept, number = [], [], [], [], []
    for i, p in enumerate(placings):
        functional, at, rest, rows = placing_rows(p)
        functionals.append(sp.csr_matrix(functional))
        points.append(at)
        rests.append(rest)
        kept.append(rows)
        number.append(np.full(len(rows), i))
    functional = sp.block_diag(functionals, format="csr")
    at = np.vstack(points)
    values = np.concatenate([p.value[k] for p, k in zip(placings, kept)])
    return System(
        placing=np.concatenate(number),
        xy=np.vstack([p.xy[k] for p, k in zip(placings, kept)]),
        y=values,
        weight=np.concatenate([1 / p.sd[k] ** 2 for p, k in zip(placings, kept)]),
        gap=np.concatenate([np.full(len(k), p.tool in ("straightedge", "batten")) for p, k in zip(placings, kept)]),
        spline=(functional @ tensor.rows(at)).tocsr(),
        rests=sp.block_diag([sp.csr_matrix(r) for r in rests], format="csr"),
        shape=functional @ shape_columns(panel, at),
        step=rounding_step(np.concatenate([p.value for p in placings])))


# ---------------------------------------------------------------------------------------------
# The found surface


class Fit:
    """The linear model of §3 at given (range, λ = τσ²): solve, likelihood, draws.

    Unknowns: spline coefficients of d and the rests (sparse), the shape columns (a dense border)."""

    def __init__(self, panel, system, tensor, settings):
        self.panel, self.system, self.tensor, self.settings = panel, system, tensor, settings
        self.columns = sp.hstack([system.spline, system.rests], format="csr")
        self.n_d, self.n_u = tensor.n, self.columns.shape[1]
        sd = np.array([settings.quadratic_sd_mm] * 3 + [settings.cubic_sd_mm] * 4)
        self.shape_precision = np.diag((WEED_SIGMA_MM / sd) ** 2)
        self.orders = [sp.block_diag([tensor.smoothness(m), sp.csr_matrix((self.n_u - self.n_d,) * 2)], format="csc")
                       for m in range(settings.alpha + 1)]
        pattern = abs(self.columns).T @ abs(self.columns) + sum(abs(k) for k in self.orders)
        self.pattern = (pattern + sp.identity(self.n_u)).tocsc()
        self.pattern.sort_indices()
        self.positions = np.repeat(np.arange(self.n_u), np.diff(self.pattern.indptr)) * self.n_u + self.pattern.indices
        self.order_data = [self.on_pattern(k) for k in self.orders]
        self.factor = Factor(self.pattern + sp.identity(self.n_u, format="csc") * abs(self.pattern).sum(axis=1).max())
        self.evaluations = 0
        self.set_weights(system.weight)

    def on_pattern(self, matrix):
        """The values of a matrix spread over the common pattern (scipy's own sums drop zeros)."""
        coordinates = matrix.tocoo()
        data = np.zeros(self.pattern.nnz)
        data[np.searchsorted(self.positions, coordinates.col.astype(np.int64) * self.n_u + coordinates.row)] = coordinates.data
        return data

    def set_weights(self, weight, y=None):
        """Normal equations for these weights (0 leaves a reading out)."""
        self.weight = weight
        self.y = self.system.y if y is None else y
        scaled = self.columns.multiply(weight[:, None]).tocsr()
        self.data_part = self.on_pattern((self.columns.T @ scaled).tocsc())
        weighted = self.system.shape * weight[:, None]
        self.border = self.columns.T @ weighted
        self.corner = self.system.shape.T @ weighted + self.shape_precision
        self.set_readings(self.y)

    def set_readings(self, y):
        self.y = y
        self.rhs_u = self.columns.T @ (self.weight * y)
        self.rhs_s = self.system.shape.T @ (self.weight * y)
        self.yy = float(y @ (self.weight * y))

    def kappa(self, range_mm):
        return self.settings.range_factor / range_mm

    def field_data(self, range_mm):
        a, k = self.settings.alpha, self.kappa(range_mm)
        return sum(math.comb(a, m) * k ** (2 * (a - m)) * data for m, data in enumerate(self.order_data))

    def amplitude(self, range_mm, tau):
        """Standard deviation of d far from the edges (Lindgren, Rue and Lindström 2011, after eq. 2)."""
        a, k = self.settings.alpha, self.kappa(range_mm)
        return math.sqrt(math.gamma(a - 1) / (math.gamma(a) * 4 * math.pi * k ** (2 * (a - 1)) * tau))

    def tau(self, range_mm, amplitude):
        return self.amplitude(range_mm, 1.0) ** 2 / amplitude**2

    def tabulate_logdet(self):
        """log|Q(κ)| of the field on a log grid of ranges, as a spline."""
        grid = np.linspace(*np.log(self.settings.range_bounds_mm), 12)
        parts = [k[: self.n_d, : self.n_d].tocsc() for k in self.orders]
        a, factor, values = self.settings.alpha, None, []
        for log_range in grid:
            k = self.kappa(math.exp(log_range))
            q = sum(math.comb(a, m) * k ** (2 * (a - m)) * part for m, part in enumerate(parts)).tocsc()
            factor = factor or Factor(q)
            factor.update(q)
            values.append(factor.logdet())
        self.field_logdet = CubicSpline(grid, values)

    def solve(self, range_mm, lam):
        """Factorise at (range, λ) and solve; keeps what draws and the likelihood need."""
        self.evaluations += 1
        h = self.pattern
        h.data = self.data_part + lam * self.field_data(range_mm)
        self.factor.update(h)
        solved = self.factor.solve(np.column_stack([self.rhs_u, self.border]))
        self.border_solved = solved[:, 1:]
        self.schur = self.corner - self.border.T @ self.border_solved
        self.schur_chol = sla.cholesky(self.schur, lower=True)
        self.shape_value = sla.cho_solve((self.schur_chol, True), self.rhs_s - self.border.T @ solved[:, 0])
        self.u = solved[:, 0] - self.border_solved @ self.shape_value
        self.rss = self.yy - self.rhs_u @ self.u - self.rhs_s @ self.shape_value
        return self.u

    def minus_two_log_reml(self, log_range, log_lam):
        """−2 log marginal likelihood, rests and quadratics integrated out, σ profiled, prior on the range."""
        s = self.settings
        self.solve(math.exp(log_range), math.exp(log_lam))
        free = int((self.weight > 0).sum()) - self.system.rests.shape[1] - 3
        sigma2 = max(self.rss / free, (self.system.step / 2 / math.sqrt(3)) ** 2)
        self.sigma = math.sqrt(sigma2)
        value = free * math.log(sigma2) + self.rss / sigma2
        value += self.factor.logdet() + 2 * np.log(np.diag(self.schur_chol)).sum()
        value -= self.n_d * log_lam + float(self.field_logdet(log_range))
        return value + (log_range - math.log(s.range_mm)) ** 2 / s.range_log_sd**2

    def maximise(self, start=None, spread=0.7):
        """Find range and λ by REML."""
        low, high = np.log(self.settings.range_bounds_mm)
        if start is None:
            start = (math.log(WEED_RANGE_MM), math.log(self.tau(WEED_RANGE_MM, 0.3) * 0.03**2))

        def value(p):
            if not (low <= p[0] <= high and -20 <= p[1] <= 20):
                return math.inf
            try:
                return self.minus_two_log_reml(*p)
            except NOT_POSITIVE:
                return math.inf

        start = np.array(start)
        simplex = np.vstack([start, start + [spread, 0], start + [0, 1.4 * spread]])
        found = optimize.minimize(value, start, method="Nelder-Mead",
                                  options={"initial_simplex": simplex, "xatol": 0.01, "fatol": 0.005, "maxfev": 120})
        self.log_range, self.log_lam = map(float, found.x)
        self.minus_two_log_reml(*found.x)
        self.range_mm = math.exp(self.log_range)

    def residuals(self):
        return self.y - self.columns @ self.u - self.system.shape @ self.shape_value

    def leverages(self):
        """Diagonal of A (AᵀWA + prior)⁻¹ Aᵀ: variance of each fitted reading, in units of σ²."""
        half = self.factor.whiten(self.columns.T.toarray())
        rest = self.system.shape.T - self.border_solved.T @ self.columns.T
        return (half**2).sum(axis=0) + (sla.solve_triangular(self.schur_chol, rest, lower=True) ** 2).sum(axis=0)

    def weed(self):
        """Readings that do not agree with their neighbours (Student-t weights, then each left out in turn)."""
        lam = self.tau(WEED_RANGE_MM, WEED_AMPLITUDE_MM) * WEED_SIGMA_MM**2
        base = self.system.weight
        nu, weight = 4.0, base
        for _ in range(8):
            self.set_weights(weight)
            self.solve(WEED_RANGE_MM, lam)
            share = (nu + 1) / (nu + (self.residuals() / WEED_SIGMA_MM) ** 2 * base)
            done = np.max(np.abs(base * share - weight)) < 0.02
            weight = base * share
            if done:
                break
        out = weight < 0.15 * base
        flagged = np.zeros(len(base), bool)
        for _ in range(5):
            self.set_weights(np.where(out, 0.0, base))
            self.solve(WEED_RANGE_MM, lam)
            r, v = self.residuals(), self.leverages()
            # left out already: predicted with variance v + 1/w; still in: the usual leave-one-out form
            inside_ = np.maximum(1 - v * base, 1e-6)
            left = np.where(out, r, r / inside_)
            sd = WEED_SIGMA_MM * np.sqrt(np.where(out, v + 1 / base, 1 / base / inside_))
            flagged = np.abs(left) > WEED_SDS * sd
            if np.array_equal(flagged, out):
                break
            # let in those that agree; leave out the worst of each placing only, it may have spoilt the others
            worst = np.zeros(len(base), bool)
            score = np.where(flagged & ~out, np.abs(left) / sd, 0)
            for k in np.unique(self.system.placing[score > 0]):
                rows = np.flatnonzero(self.system.placing == k)
                worst[rows[np.argmax(score[rows])]] = True
            out = (out & flagged) | worst
        self.flagged = out
        self.expected = np.where(out, self.y - left, np.nan)
        self.set_weights(np.where(out, 0.0, base))

    def weed_again(self):
        """Leave-one-out once more with the numbers found: small slips show only when noise is known. Worst of each placing."""
        r, v = self.residuals(), self.leverages()
        inside_ = np.maximum(1 - v * self.weight, 1e-6)
        left = np.where(self.weight > 0, r / inside_, 0)
        score = np.abs(left) * np.sqrt(self.weight * inside_) / self.sigma
        score[np.abs(left) < max(WEED_LEAST_MM, 2 * self.system.step)] = 0  # too small to be a slip of the pen
        worst = np.zeros(len(score), bool)
        for k in np.unique(self.system.placing[score > WEED_AGAIN_SDS]):
            rows = np.flatnonzero(self.system.placing == k)
            worst[rows[np.argmax(score[rows])]] = True
        self.flagged |= worst
        self.expected = np.where(worst, self.y - left, self.expected)
        self.set_weights(np.where(self.flagged, 0.0, self.system.weight))
        return bool(worst.any())

    def impute_zeros(self):
        """Censored zeros: expectation of the unrounded reading given that it is at most half a step."""
        zero = self.system.gap & (self.system.y == 0) & (self.weight > 0)
        for _ in range(6):
            mean = self.y - self.residuals()
            v = np.minimum(self.leverages(), 1.0)
            sd = self.sigma * np.ones_like(mean)
            edge = self.system.step / 2
            t = (edge - mean) / sd
            expected = mean - sd * np.exp(norm.logpdf(t) - norm.logcdf(t))
            y = np.where(zero, expected, self.system.y)
            change = np.max(np.abs(y - self.y))
            self.set_readings(y)
            self.solve(self.range_mm, math.exp(self.log_lam))
            if change < 1e-3:
                break

    def draws(self, count, rng):
        """Posterior draws of (d coefficients, shape), as columns; the mean is not added."""
        e = self.sigma * rng.standard_normal((self.n_u, count))
        g = sla.solve_triangular(self.schur_chol, self.sigma * rng.standard_normal((7, count)), lower=True, trans="T")
        u = self.factor.half_solve(e) - self.border_solved @ g
        return u[: self.n_d], g


def find_surface(panel, placings, settings, clock):
    """Readings → fitted model."""
    tensor = Tensor(panel.length, panel.width, settings.knot_mm, settings.knot_mm)
    system = build_system(panel, placings, tensor)
    fit = Fit(panel, system, tensor, settings)
    fit.flagged = np.zeros(len(system.y), bool)
    fit.expected = np.full(len(system.y), np.nan)
    clock("build")
    if settings.weed:
        fit.weed()
    clock("weed")
    fit.tabulate_logdet()
    fit.maximise()
    for _ in range(3 if settings.weed else 0):
        if not fit.weed_again():
            break
        fit.maximise((fit.log_range, fit.log_lam), 0.2)
    if settings.tobit:
        for _ in range(2):
            fit.impute_zeros()
            fit.maximise((fit.log_range, fit.log_lam), 0.2)
    clock("reml")
    return fit


class Nodes:
    """A grid of nodes with the multiples of its spacing, and the splines' values there."""

    def __init__(self, panel, tensor, step):
        self.step = step
        self.x = np.arange(0, panel.length + 1e-6, step)
        self.y = np.arange(0, panel.width + 1e-6, step)
        self.xx, self.yy = np.meshgrid(self.x, self.y, indexing="ij")
        self.points = np.column_stack([self.xx.ravel(), self.yy.ravel()])
        self.on = panel.contains(self.xx, self.yy)
        self.cell = np.outer(cells(self.x, panel.length), cells(self.y, panel.width)) * self.on
        self.bx, self.by = tensor.x.design(self.x), tensor.y.design(self.y)
        self.shape_columns = shape_columns(panel, self.points)
        basis = np.column_stack([np.ones(len(self.points)), 2 * self.points[:, 0] / panel.length - 1,
                                 2 * self.points[:, 1] / panel.width - 1, self.shape_columns[:, :3]])
        self.quadratics = np.linalg.qr(basis[self.on.ravel()])[0]
        self.all_quadratics = basis

    def heights(self, d, g, tensor):
        """Heights at the nodes, one column of (d, g) a layer: (layers, nx, ny)."""
        c = np.ascontiguousarray(d.reshape(tensor.x.n, -1))
        half = (self.bx @ c).reshape(len(self.x), tensor.y.n, -1).transpose(1, 0, 2).reshape(tensor.y.n, -1)
        z = (self.by @ half).reshape(len(self.y), len(self.x), -1).transpose(2, 1, 0)
        return z + (self.shape_columns @ g).T.reshape(-1, len(self.x), len(self.y))

    def without_quadratics(self, z):
        """z at the nodes on the panel less its best quadratic: (layers, nodes on)."""
        flat = z.reshape(z.shape[0], -1)[:, self.on.ravel()]
        return flat - (flat @ self.quadratics) @ self.quadratics.T


def cells(at, length):
    """Width of the strip each node stands for (half cells at the ends)."""
    edges = np.concatenate([[0], (at[1:] + at[:-1]) / 2, [length]])
    return np.diff(edges)


def node_sd(fit, nodes, settings, rng):
    """Standard deviation of the deviation, plane, constant curvature and twist taken out."""
    d, g = fit.draws(settings.sd_draws, rng)
    spread = nodes.without_quadratics(nodes.heights(d, g, fit.tensor))
    sd = np.full(nodes.xx.shape, np.nan)
    sd[nodes.on] = np.sqrt((spread**2).mean(axis=0))
    return sd


# ---------------------------------------------------------------------------------------------
# The reference surface


class ReferenceProblem:
    """The convex problem of §4 on one grid of nodes, by Mehrotra's predictor–corrector method.

    Variables: spline coefficients c of T and n = (z − T)₊; with r = T − z the conditions are
    n ≥ 0, r + n ≥ 0 and r + allowance ≥ 0. Eliminating n leaves one small dense system in c.
    Products over the grid use its tensor form (Currie, Durban and Eilers, J. R. Stat. Soc. B 68, 2006)."""

    def __init__(self, panel, nodes, settings):
        wx, wy = panel.wavelengths
        self.tensor = Tensor(panel.length, panel.width, wx / 8, wy / 8)
        x, y = self.tensor.x, self.tensor.y
        self.bx, self.by = x.design(nodes.x).toarray(), y.design(nodes.y).toarray()
        self.gx = (self.bx[:, :, None] * self.bx[:, None, :]).reshape(len(nodes.x), -1)
        self.gy = (self.by[:, :, None] * self.by[:, None, :]).reshape(len(nodes.y), -1)
        a, b = wx / (2 * math.pi), wy / (2 * math.pi)
        penalty = sum(math.comb(3, i) * a ** (2 * i) * b ** (6 - 2 * i) * np.kron(x.gram(i), y.gram(3 - i)) for i in range(4))
        area = nodes.cell.sum()
        self.penalty = penalty / (settings.fairness_h0_mm * area)
        self.weight = nodes.cell / area
        self.nodes = nodes

    def product(self, c):
        return self.bx @ c.reshape(self.tensor.shape) @ self.by.T

    def transposed(self, v):
        return (self.bx.T @ v @ self.by).ravel()

    def gram(self, d):
        """Bᵀ diag(d) B."""
        nx, ny = self.tensor.shape
        g = (self.gx.T @ d @ self.gy).reshape(nx, nx, ny, ny)
        return g.transpose(0, 2, 1, 3).reshape(nx * ny, nx * ny)

    def solve(self, z, w_fill, w_sand, allowance):
        """Coefficients of T; `allowance` (mm at each node) may be inf. z must be finite on the panel."""
        scale = float(self.nodes.on.sum())
        w = np.where(self.nodes.on, self.weight * scale, 0.0)
        on = self.nodes.on
        z = np.where(on, z, 0.0)
        bounded = on & np.isfinite(allowance)
        al = np.where(bounded, allowance, 0.0)
        penalty = self.penalty * scale
        c = np.linalg.solve(self.gram(w) + 1e-3 * penalty + 1e-12 * np.eye(self.tensor.n), self.transposed(w * z))
        r = self.product(c) - z
        n = np.maximum(-r, 0) + 0.05
        p = np.maximum(r + n, 0.05)
        q = np.maximum(r + al, 0.05)
        total = np.where(on, (w_fill + w_sand) * w, 1.0)
        u1, u2 = total / 2, total / 2
        u3 = np.where(bounded, 0.5 * w, 0.0)
        count = 2 * on.sum() + bounded.sum()
        self.iterations = 0
        for self.iterations in range(1, 61):
            r = self.product(c) - z
            rho_p, rho_q = np.where(on, r + n - p, 0), np.where(bounded, r + al - q, 0)
            r_n = np.where(on, total - u1 - u2, 0)
            r_c = penalty @ c + self.transposed(np.where(on, w_fill * w - u2 - u3, 0))
            gap = (np.sum((u1 * n + u2 * p)[on]) + np.sum((u3 * q)[bounded])) / count
            if gap < 1e-6 and max(np.abs(rho_p).max(), np.abs(rho_q).max(), np.abs(r_c).max() / scale) < 1e-6:
                break
            d1, d2 = u1 / n, u2 / p
            d3 = np.where(bounded, u3 / q, 0)
            e = np.where(on, d1 * d2 / (d1 + d2), 0)
            chol = sla.cho_factor(penalty + self.gram(e + d3), lower=True, check_finite=False)

            def step(m1, m2, m3):
                known = np.where(on, (m2 / p * d1 - d2 * (m1 / n - r_n)) / (d1 + d2) - e * rho_p, 0)
                known += np.where(bounded, m3 / q - d3 * rho_q, 0)
                dc = sla.cho_solve(chol, self.transposed(known) - r_c, check_finite=False)
                t = self.product(dc)
                dn = (m1 / n + m2 / p - d2 * (t + rho_p) - r_n) / (d1 + d2)
                dp = t + dn + rho_p
                dq = t + rho_q
                return dc, dn, dp, dq, (m1 - u1 * dn) / n, (m2 - u2 * dp) / p, np.where(bounded, (m3 - u3 * dq) / q, 0)

            def room(values, steps, where):
                v, s = values[where], steps[where]
                s = np.minimum(s, -1e-300)
                return min(1.0, float(np.min(-v / s, initial=1e30)))

            def lengths(delta):
                _, dn, dp, dq, e1, e2, e3 = delta
                primal = min(room(n, dn, on), room(p, dp, on), room(q, dq, bounded))
                dual = min(room(u1, e1, on), room(u2, e2, on), room(u3, e3, bounded))
                return primal, dual

            first = step(-u1 * n, -u2 * p, -u3 * q)
            ap, ad = lengths(first)
            _, dn, dp, dq, e1, e2, e3 = first
            ahead = np.sum(((u1 + ad * e1) * (n + ap * dn) + (u2 + ad * e2) * (p + ap * dp))[on])
            ahead = (ahead + np.sum(((u3 + ad * e3) * (q + ap * dq))[bounded])) / count
            mu = gap * min(1.0, max(ahead / gap, 0.0)) ** 3
            delta = step(mu - u1 * n - e1 * dn, mu - u2 * p - e2 * dp, mu - u3 * q - e3 * dq)
            ap, ad = lengths(delta)
            # one common length keeps the quadratic objective's stationarity residual shrinking
            along = min(1.0, 0.99 * min(ap, ad)) if min(ap, ad) < 1 else 1.0
            dc, dn, dp, dq, e1, e2, e3 = delta
            c = c + along * dc
            n, p = np.where(on, n + along * dn, 1.0), np.where(on, p + along * dp, 1.0)
            q = np.where(bounded, q + along * dq, 1.0)
            u1, u2 = np.where(on, u1 + along * e1, 1.0), np.where(on, u2 + along * e2, 1.0)
            u3 = u3 + along * e3
        return c

    def at(self, c, nodes):
        """T at the nodes of another grid."""
        return self.tensor.x.design(nodes.x) @ c.reshape(self.tensor.shape) @ self.tensor.y.design(nodes.y).toarray().T


def reference_on(problem, z, kind, allowance, settings):
    """One of the references for heights z at the problem's nodes."""
    nodes = problem.nodes
    flat = nodes.quadratics.T @ z[nodes.on]
    back = np.zeros(z.shape)
    back[nodes.on] = nodes.quadratics @ flat
    w_sand = settings.sand_price if kind == "least-filler" else 1.0
    limit = np.zeros_like(z) if kind == "fill-only" else np.full_like(z, np.inf) if kind == "free" else allowance
    c = problem.solve(z - back, 1.0, w_sand, limit)
    return c, np.linalg.lstsq(nodes.all_quadratics[nodes.on.ravel()], back[nodes.on], rcond=None)[0]


# ---------------------------------------------------------------------------------------------
# Judging


def regions_of(deviation, sd, limit, sign=-1.0):
    """Numbered regions beyond 0.05 mm that somewhere pass the node limit and twice the sd there."""
    depth = np.nan_to_num(sign * deviation, nan=-1.0)
    label, count = ndimage.label(depth > LOW_EDGE_MM)
    if count == 0:
        return label, np.zeros(0, int)
    real = (depth > limit) & (depth > 2 * np.nan_to_num(sd, nan=np.inf))
    return label, np.unique(label[real & (label > 0)])


def level_cc(deviation, sd, cell, limit):
    """Filler to level: the volume of the regions to be filled, cc."""
    label, real = regions_of(deviation, sd, limit)
    kept = np.isin(label, real) & (label > 0)
    return float(np.sum(-deviation[kept] * cell[kept]) / 1000)


DIRECTIONS = [(1, 0), (0, 1), (1, 1), (1, -1), (2, 1), (2, -1), (1, 2), (1, -2)]


def worst_gap(deviation, step, base):
    """Largest gap under an edge of this base laid anywhere in eight directions, and where it is.

    The gap at k is the largest chord over i < k < j, no further apart than the base, less the height. From a
    fixed i the best chord over k is the steepest one to any j beyond k, so one running maximum of slopes,
    from the far end inwards, serves all k at once: the upper concave envelope without building it."""
    z = np.where(np.isnan(deviation), -np.inf, deviation)
    nx, ny = z.shape
    best = np.full(z.shape, -np.inf)
    for dx, dy in DIRECTIONS:
        most = int(base / (step * math.hypot(dx, dy)) + 1e-9)
        flipped = z if dy >= 0 else z[:, ::-1]
        over = best if dy >= 0 else best[:, ::-1]
        ey = abs(dy)
        start = np.where(np.isfinite(flipped), flipped, np.nan)
        steepest = np.full(z.shape, -np.inf)
        for d in range(min(most, (nx - 1) // dx if dx else most, (ny - 1) // ey if ey else most), 1, -1):
            ix, iy = nx - d * dx, ny - d * ey
            i, j = np.s_[:ix, :iy], np.s_[d * dx :, d * ey :]
            steepest[i] = np.fmax(steepest[i], (flipped[j] - start[i]) / d)
            # chords from i over k = i + d − 1; those whose j lay off the grid have no slope yet
            k = np.s_[(d - 1) * dx : nx - dx, (d - 1) * ey : ny - ey]
            over[k] = np.fmax(over[k], start[i] + (d - 1) * steepest[i])
    best = np.where(np.isfinite(z), best - np.where(np.isfinite(z), z, 0), -np.inf)
    at = np.unravel_index(np.argmax(best), best.shape)
    return max(float(best[at]), 0.0), at


def texture(deviation, nodes):
    """Sa, Sq, Sz (mm) and Sdq (mm/mm) of the deviation, after ISO 25178-2."""
    d = deviation[nodes.on]
    d = d - d.mean()
    gx, gy = np.gradient(deviation, nodes.step)
    slope2 = (gx**2 + gy**2)[nodes.on]
    return {"Sa_mm": float(np.abs(d).mean()), "Sq_mm": float(np.sqrt((d**2).mean())),
            "Sz_mm": float(d.max() - d.min()), "Sdq": float(np.sqrt(np.nanmean(slope2)))}


def node_states(deviation, sd, limit):
    low, high = deviation - 1.96 * sd, deviation + 1.96 * sd
    state = np.full(deviation.shape, "unsure", dtype="<U10")
    state[(low >= -limit) & (high <= limit)] = "fair"
    state[high < -limit] = "low"
    state[low > limit] = "high"
    state[sd > limit] = "unmeasured"
    return state


# ---------------------------------------------------------------------------------------------
# The whole way


@dataclass
class Result:
    fit: Fit
    nodes: Nodes
    height: np.ndarray
    sd: np.ndarray
    references: dict
    deviation: np.ndarray
    fairness: np.ndarray
    filler: dict
    draws_cc: np.ndarray


def references_at(panel, problem, coarse, nodes, height_coarse, kinds, settings):
    """Each reference asked for, at the nodes of the fine grid."""
    allowance = panel.allowance_at(coarse.xx, coarse.yy)
    found = {}
    for kind in kinds:
        c, quadratic = reference_on(problem, height_coarse, kind, allowance, settings)
        found[kind] = problem.at(c, nodes) + (nodes.all_quadratics @ quadratic).reshape(nodes.xx.shape)
    return found


def map_panel(panel, placings, settings, clock):
    """Readings → everything the report needs."""
    rng = np.random.default_rng(settings.seed)
    fit = find_surface(panel, placings, settings, clock)
    nodes = Nodes(panel, fit.tensor, settings.grid_mm)
    mean_d, mean_g = fit.u[: fit.n_d, None], fit.shape_value[:, None]
    height = nodes.heights(mean_d, mean_g, fit.tensor)[0]
    sd = node_sd(fit, nodes, settings, rng)
    clock("sd")
    coarse = Nodes(panel, fit.tensor, 20.0)
    problem = ReferenceProblem(panel, coarse, settings)
    kinds = ["best-fit", "least-filler", "fill-only", "free"]
    references = references_at(panel, problem, coarse, nodes, coarse.heights(mean_d, mean_g, fit.tensor)[0], kinds, settings)
    clock("references")
    deviation = height - references[settings.reference]
    deviation[~nodes.on] = np.nan
    fairness = np.where(nodes.on, height - references["free"], np.nan)
    filler = {k: level_cc(np.where(nodes.on, height - references[k], np.nan), sd, nodes.cell, settings.node_limit_mm) for k in kinds}
    rough = Nodes(panel, fit.tensor, 40.0)
    rough_problem = ReferenceProblem(panel, rough, settings)
    d, g = fit.draws(settings.filler_draws, rng)
    d, g = d + mean_d, g + mean_g
    rough_z, fine_z = rough.heights(d, g, fit.tensor), nodes.heights(d, g, fit.tensor)
    amounts = []
    for k in range(settings.filler_draws):
        t = references_at(panel, rough_problem, rough, nodes, rough_z[k], [settings.reference], settings)[settings.reference]
        amounts.append(level_cc(np.where(nodes.on, fine_z[k] - t, np.nan), sd, nodes.cell, settings.node_limit_mm))
    clock("filler draws")
    return Result(fit, nodes, height, sd, references, deviation, fairness, filler, np.array(amounts))


def report_of(panel, placings, result, settings):
    """report.json, as far as this script goes."""
    fit, nodes = result.fit, result.nodes
    system = fit.system
    chosen = result.filler[settings.reference]
    spread = np.quantile(result.draws_cc, [0.025, 0.975]) if len(result.draws_cc) else [chosen, chosen]
    limits = []
    for quantity, base, most in panel.limits:
        if quantity == "gap":
            worst, at = worst_gap(result.fairness, nodes.step, base)
            limits.append({"base_mm": base, "gap_mm": most, "worst_mm": worst, "x_mm": float(nodes.x[at[0]]), "y_mm": float(nodes.y[at[1]])})
    regions = []
    for kind, sign in (("low", -1.0), ("high", 1.0)):
        label, real = regions_of(result.deviation, result.sd, settings.node_limit_mm, sign)
        for k in real:
            here = label == k
            depth = np.where(here, sign * result.deviation, -np.inf)
            at = np.unravel_index(np.argmax(depth), depth.shape)
            regions.append({"kind": kind, "x_mm": float(nodes.x[at[0]]), "y_mm": float(nodes.y[at[1]]),
                            "area_cm2": float(nodes.cell[here].sum() / 100), "worst_mm": float(sign * depth[at]),
                            "volume_cc": float((sign * result.deviation[here] * nodes.cell[here]).sum() / 1000)})
    regions.sort(key=lambda r: (r["kind"] != "low", -r["volume_cc"]))
    for letter, kind in (("L", "low"), ("H", "high")):
        for i, r in enumerate([r for r in regions if r["kind"] == kind], 1):
            r["name"] = f"{letter}{i}"
    lows = -np.where(nodes.on, result.deviation, 0)
    return {
        "schema": 1,
        "panel": {"name": panel.name, "length_mm": panel.length, "width_mm": panel.width, "form": panel.form,
                  "form_wavelength_mm": list(panel.wavelengths), "sand_allowance_mm": panel.allowance},
        "survey": {"placings": len(placings), "readings": int(len(system.y)),
                   "flagged": [{"placing": placings[system.placing[i]].name, "x_mm": float(system.xy[i, 0]), "y_mm": float(system.xy[i, 1]),
                                "value_mm": float(system.y[i]), "expected_mm": float(fit.expected[i])} for i in np.flatnonzero(fit.flagged)]},
        "fit": {"range_mm": fit.range_mm, "sigma_mm": fit.sigma, "amplitude_mm": fit.amplitude(fit.range_mm, math.exp(fit.log_lam) / fit.sigma**2),
                "evaluations": fit.evaluations, "median_sd_mm": float(np.nanmedian(result.sd))},
        "limits": limits,
        "filler": {"to_level_cc": chosen, "low_cc": float(min(spread[0], chosen)), "high_cc": float(max(spread[1], chosen))},
        "regions": regions,
        "height": texture(result.fairness, nodes),
        "references": {k: {"to_level_cc": result.filler[k],
                           "below_cc": volume(result.references[k] - result.height, nodes), "sand_cc": volume(result.height - result.references[k], nodes)}
                       for k in result.references},
    }


def volume(depth, nodes):
    return float((np.maximum(depth, 0) * nodes.cell)[nodes.on].sum() / 1000)


def write_surface(path, result, settings):
    """surface.csv: one row a node."""
    nodes = result.nodes
    state = node_states(result.deviation, result.sd, settings.node_limit_mm)
    columns = [nodes.xx, nodes.yy, result.height, result.height - result.deviation, result.deviation, result.sd]
    table = np.column_stack([c.T.ravel() for c in columns]).tolist()
    on, words = nodes.on.T.ravel(), state.T.ravel()
    with open(path, "w", encoding="utf-8") as f:
        f.write("x_mm,y_mm,height_mm,reference_mm,deviation_mm,sd_mm,state\n")
        f.writelines("%g,%g,%.4f,%.4f,%.4f,%.4f,%s\n" % (*row, word) if here else "%g,%g,,,,,\n" % (row[0], row[1])
                     for row, here, word in zip(table, on, words))


# ---------------------------------------------------------------------------------------------
# Simulated panels (§10): the truth is known everywhere


SIZES = {"crowned": (1800.0, 1200.0), "flat": (1500.0, 900.0), "ruled-x": (2400.0, 1000.0)}


class Truth:
    """Form + eight lows + three highs; `fair` scales lows and highs down."""

    def __init__(self, kind, seed, size=None, scale=1.0, highs=3):
        rng = np.random.default_rng([seed, 7])
        self.kind, (self.length, self.width) = kind, size or SIZES[kind]
        self.bumps = []
        for sign, count in ((-1, 8), (1, highs)):
            for _ in range(count):
                x, y = rng.uniform(0.08, 0.92) * self.length, rng.uniform(0.08, 0.92) * self.width
                angle = rng.uniform(0, math.pi)
                if sign < 0:
                    s1, ratio, h = rng.uniform(40, 105), rng.uniform(0.6, 1.6), rng.uniform(0.25, 1.3)
                else:
                    s1, ratio, h = rng.uniform(25, 55), rng.uniform(1, 3.5), rng.uniform(0.15, 0.45)
                self.bumps.append((x, y, angle, s1, s1 * ratio, sign * h * scale))

    def height(self, x, y):
        u, v, t = x / self.length - 0.5, y / self.width - 0.5, y / self.width
        if self.kind == "crowned":
            z = -136 * u**2 - 60 * v**2 + 5 * u**2 * v
        elif self.kind == "flat":
            z = 0.0 * u * v
        else:
            z = 45 * np.sqrt(t + 0.15) - 38 * t + 0 * u
        for cx, cy, angle, s1, s2, h in self.bumps:
            p = (x - cx) * math.cos(angle) + (y - cy) * math.sin(angle)
            q = -(x - cx) * math.sin(angle) + (y - cy) * math.cos(angle)
            z = z + h * np.exp(-((p / s1) ** 2 + (q / s2) ** 2) / 2)
        return z


def resting_line(s, z):
    """The line above all points with the least mean gap: the side of the upper hull over the middle."""
    hull = []
    for i in range(len(s)):
        while len(hull) > 1 and (z[hull[-1]] - z[hull[-2]]) * (s[i] - s[hull[-2]]) <= (z[i] - z[hull[-2]]) * (s[hull[-1]] - s[hull[-2]]):
            hull.pop()
        hull.append(i)
    k = max(1, int(np.searchsorted(s[hull], s.mean())))
    i, j = hull[k - 1], hull[k]
    slope = (z[j] - z[i]) / (s[j] - s[i])
    return z[i] - slope * s[i], slope


def straightedge_survey(truth, spacing, seed, edge=600.0, move=450.0, step=50.0, noise=0.03, rounding=0.05, directions="xy"):
    """Placings along both axes, as §10 has it."""
    rng = np.random.default_rng([seed, 11])
    placings = []
    for axis in directions:
        length, across = (truth.length, truth.width) if axis == "x" else (truth.width, truth.length)
        starts = list(np.arange(0, length - edge + 1e-6, move))
        if starts[-1] < length - edge - 1e-6:
            starts.append(length - edge)
        for line in np.arange(spacing / 2, across, spacing):
            for start in starts:
                fine, s = np.arange(0, edge + 1e-6, 5.0), np.arange(0, edge + 1e-6, step)
                place = lambda q: (start + q, line + 0 * q) if axis == "x" else (line + 0 * q, start + q)
                a, b = resting_line(fine, truth.height(*place(fine)))
                gap = a + b * s - truth.height(*place(s)) + noise * rng.standard_normal(len(s))
                value = np.round(np.maximum(gap, 0) / rounding) * rounding
                toward = np.array([1.0, 0.0] if axis == "x" else [0.0, 1.0])
                placings.append(Placing(f"{axis.upper()}{len(placings) + 1}", "straightedge", edge, np.column_stack(place(s)), value, np.ones(len(s)), toward))
    return placings


def write_simulated(kind, seed, spacing, out):
    """panel.toml, readings.txt and truth.csv of a simulated survey."""
    out.mkdir(parents=True, exist_ok=True)
    truth = Truth(kind, seed)
    placings = straightedge_survey(truth, spacing, seed)
    (out / "panel.toml").write_text(
        f'# simulated panel, seed {seed}\nname = "simulated {kind}"\nlength = {truth.length:g}\nwidth = {truth.width:g}\nform = "{kind}"\n'
        'sand_allowance = "0.3 mm"\n\n[[limit]]\nbase = "300 mm"\ngap = "0.3 mm"\n', encoding="utf-8")
    lines = [f"panel simulated {kind}", "tool straightedge 600  step 50  unit mm"]
    for p in placings:
        (x0, y0), (x1, y1) = p.xy[0], p.xy[-1]
        spec = f"x {x0:g} to {x1:g}  y {y0:g}" if x1 > x0 else f"x {x0:g}  y {y0:g} to {y1:g}"
        lines.append(f"{p.name}  {spec} : " + " ".join(f"{v:.2f}" for v in p.value))
    (out / "readings.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    xx, yy = np.meshgrid(np.arange(0, truth.length + 1e-6, 10), np.arange(0, truth.width + 1e-6, 10))
    np.savetxt(out / "truth.csv", np.column_stack([xx.ravel(), yy.ravel(), truth.height(xx, yy).ravel()]),
               fmt=["%g", "%g", "%.5f"], delimiter=",", header="x_mm,y_mm,height_mm", comments="")


# ---------------------------------------------------------------------------------------------


class Clock:
    """Seconds since the last call, by name: by the wall clock and of the processor (the one to trust on a busy machine)."""

    def __init__(self):
        self.last, self.last_cpu = time.perf_counter(), time.process_time()
        self.steps, self.cpu = {}, {}

    def __call__(self, name):
        now, now_cpu = time.perf_counter(), time.process_time()
        self.steps[name] = self.steps.get(name, 0.0) + now - self.last
        self.cpu[name] = self.cpu.get(name, 0.0) + now_cpu - self.last_cpu
        self.last, self.last_cpu = now, now_cpu

    def as_json(self):
        """One line: each step, the total, the same in processor seconds, and which factor was used."""
        def rounded(steps):
            return {**{k: round(v, 4) for k, v in steps.items()}, "total": round(sum(steps.values()), 4)}

        return json.dumps({**rounded(self.steps), "cpu": rounded(self.cpu), "factor": Factor.__name__})


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("panel", nargs="?")
    parser.add_argument("readings", nargs="*")
    parser.add_argument("--out", required=True, type=Path)
    parser.add_argument("--reference", default="best-fit", choices=["best-fit", "least-filler", "fill-only"])
    parser.add_argument("--grid", default=10.0, type=float)
    parser.add_argument("--timings", type=Path, help="write the timings here instead of standard error")
    parser.add_argument("--simulate", nargs=3, metavar=("KIND", "SEED", "SPACING"))
    args = parser.parse_args()
    if args.simulate:
        kind, seed, spacing = args.simulate
        write_simulated(kind, int(seed), float(spacing), args.out)
        return
    clock = Clock()
    settings = Settings(reference=args.reference, grid_mm=args.grid)
    panel = read_panel(args.panel)
    placings = [p for path in args.readings for p in (read_table(path) if path.endswith(".csv") else read_notes(path))]
    clock("read")
    result = map_panel(panel, placings, settings, clock)
    report = report_of(panel, placings, result, settings)
    clock("judge")
    args.out.mkdir(parents=True, exist_ok=True)
    write_surface(args.out / "surface.csv", result, settings)
    (args.out / "report.json").write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    clock("write")
    text = clock.as_json()
    if args.timings:
        args.timings.write_text(text + "\n", encoding="utf-8")
    else:
        print(text, file=sys.stderr)


if __name__ == "__main__":
    main()
