//! Two surveys of the book laid onto one another by what was not touched, from their nodes alone.
//!
//! [`compare::difference`](crate::compare::difference) does it from both surfaces and their draws,
//! and takes seconds; a trend of ten cycles must not. So the height after less that before is taken
//! at the nodes which both surveys measured; a plane, constant curvature and twist are free, fitted
//! robustly ([`align`](crate::compare::align)); and a shift of the grid of some mm shows as the
//! surface's slope. The book keeps a standard deviation at each node but no draws: how far errors
//! hang together is taken from simulated surveys ([`SAME_MM`]).

use crate::compare::align::{Columns, quadratics, untouched};
use crate::compare::difference::{MOST_SHIFT_MM, Shift};
use crate::keep::{Field, SurveyResult};

/// Errors of a found surface are about the same over a square of this side, mm (worked out on
/// simulated surveys, straightedge on lines each 100 to 160 mm: tests/aligned.rs).
pub const SAME_MM: f64 = 150.0;
/// For the shift of the grid the same, mm: slopes hang together less far.
const SLOPE_SAME_MM: f64 = 80.0;
/// A smaller shift is of no use, mm.
const LEAST_SHIFT_MM: f64 = 1.0;
/// A shift is used where s'Σ⁻¹s passes this: chance 1 in 3,000 (χ² with 2 degrees of freedom:
/// exp(−16/2)).
const SHIFT_PASSES: f64 = 16.0;
/// A reading's place is taped to this, standard deviation, mm (common practice, no source): on a
/// slope it is an error of height.
const PLACE_MM: f64 = 2.0;
/// Short waves are smoothed by each survey in its own way: by about half the curvature times the
/// square of this, mm (docs/method.md §9).
const SMOOTHED_MM: f64 = 20.0;
/// Nodes that are enough to lay one survey onto another by.
const ENOUGH_NODES: usize = 800;
/// Least share of the panel that both must have measured.
const LEAST_SHARE: f64 = 0.1;
/// Fewest nodes that both must have measured.
const FEWEST_NODES: usize = 100;

/// What two surveys differ by once one lies on the other, at the nodes that both measured.
#[derive(Clone, Debug)]
pub struct Laid {
    /// Nodes along x.
    pub nx: usize,
    /// Nodes along y.
    pub ny: usize,
    /// Spacing, mm.
    pub step_mm: f64,
    /// Index of each common node in the grid.
    pub nodes: Vec<usize>,
    /// Area of each, mm².
    pub areas_mm2: Vec<f64>,
    /// After less before, mm, up positive.
    pub moved_mm: Vec<f64>,
    /// Its standard deviation, mm.
    pub sd_mm: Vec<f64>,
    /// Share of the panel that both measured, 0 to 1.
    pub common_share: f64,
    /// Share of what either measured that both did, 0 to 1.
    pub overlap_share: f64,
    /// Area that each measured, mm²: before, after.
    pub measured_mm2: [f64; 2],
    /// Curvature taken out, mm over the panel: along x, twist, along y.
    pub bent_mm: [f64; 3],
    /// How the second grid lies on the first; `None` where the panel has too little shape to tell.
    pub shift: Option<Shift>,
}

/// Lay the later of two surveys onto the earlier.
///
/// # Errors
/// Why they cannot be laid onto one another, in words.
pub fn lay(before: &SurveyResult, after: &SurveyResult) -> Result<Laid, &'static str> {
    let common = Common::of(before, after)?;
    let frame = quadratics(&common.places, common.size_mm);
    let thin = Thin::of(&common, &frame);
    let slopes = common.slopes();
    let shift = thin.taped_aside(&common, &slopes);
    let mut moved = common.difference.clone();
    if let Some(s) = shift.filter(|s| s.used) {
        // after(p) = before(p + s), to first order.
        for (k, m) in moved.iter_mut().enumerate() {
            *m -= s.mm[0] * slopes.before[0][k] + s.mm[1] * slopes.before[1][k];
        }
    }
    let terms = thin.terms(&moved);
    for (column, term) in frame.iter().zip(&terms) {
        moved
            .iter_mut()
            .zip(column)
            .for_each(|(m, c)| *m -= term * c);
    }
    let sd_mm = common.sd_with(&slopes, &frame);
    Ok(Laid {
        nx: common.after.nx,
        ny: common.after.ny,
        step_mm: common.after.step_mm,
        common_share: common.share,
        overlap_share: common.overlap,
        measured_mm2: common.measured_mm2,
        bent_mm: [3, 4, 5].map(|k| terms.get(k).copied().unwrap_or(0.0)),
        nodes: common.nodes,
        areas_mm2: common.areas_mm2,
        moved_mm: moved,
        sd_mm,
        shift,
    })
}

/// Nodes that both surveys measured, and the raw difference there.
struct Common<'a> {
    before: &'a Field,
    after: &'a Field,
    size_mm: [f64; 2],
    nodes: Vec<usize>,
    /// Column and row of each.
    cells: Vec<[usize; 2]>,
    places: Vec<[f64; 2]>,
    areas_mm2: Vec<f64>,
    share: f64,
    overlap: f64,
    measured_mm2: [f64; 2],
    difference: Vec<f64>,
    /// By both surveys' own standard deviations, mm.
    sd: Vec<f64>,
}

/// Whether a survey measured a node: near readings, and known to within the node limit.
pub fn measured(result: &SurveyResult, field: &Field, node: usize) -> bool {
    let of = |list: &[f32]| list.get(node).copied().unwrap_or(f32::NAN);
    let sd = f64::from(of(&field.sd));
    of(&field.height).is_finite() && sd > 0.0 && sd <= result.summary.node_limit_mm
}

/// Area that a node stands for, mm²: half a cell along each side of the grid.
pub fn area_mm2(field: &Field, node: usize) -> f64 {
    let half = |i: usize, n: usize| if i == 0 || i + 1 == n { 0.5 } else { 1.0 };
    let nx = field.nx.max(1);
    field.step_mm * field.step_mm * half(node % nx, field.nx) * half(node / nx, field.ny)
}

impl<'a> Common<'a> {
    fn of(before: &'a SurveyResult, after: &'a SurveyResult) -> Result<Self, &'static str> {
        let (Some(old), Some(new)) = (&before.field, &after.field) else {
            return Err("one of the two surveys has no readings");
        };
        let same_grid = (old.nx, old.ny) == (new.nx, new.ny)
            && (old.step_mm - new.step_mm).abs() < 1e-6 * new.step_mm;
        if !same_grid {
            return Err("the panel's size was another then");
        }
        let (mut on_panel, mut either) = (0.0, 0.0);
        let mut measured_mm2 = [0.0; 2];
        let mut nodes = Vec::new();
        for node in 0..new.nx * new.ny {
            let area = area_mm2(new, node);
            if new.fairness.get(node).is_some_and(|v| v.is_finite()) {
                on_panel += area;
            }
            let [was, is] = [measured(before, old, node), measured(after, new, node)];
            if was || is {
                either += area;
            }
            for (sum, it) in measured_mm2.iter_mut().zip([was, is]) {
                *sum += if it { area } else { 0.0 };
            }
            if was && is {
                nodes.push(node);
            }
        }
        let areas_mm2: Vec<f64> = nodes.iter().map(|k| area_mm2(new, *k)).collect();
        let common: f64 = areas_mm2.iter().sum();
        if nodes.len() < FEWEST_NODES || common < LEAST_SHARE * on_panel {
            return Err("the two surveys have too little of the panel in common");
        }
        let at = |list: &[f32], node: usize| f64::from(list[node]);
        let cells: Vec<[usize; 2]> = nodes.iter().map(|k| [k % new.nx, k / new.nx]).collect();
        let side = |n: usize| n.saturating_sub(1).max(1) as f64 * new.step_mm;
        Ok(Common {
            before: old,
            after: new,
            size_mm: [side(new.nx), side(new.ny)],
            places: (cells.iter())
                .map(|at| at.map(|i| i as f64 * new.step_mm))
                .collect(),
            cells,
            share: (common / f64::max(on_panel, 1e-9)).min(1.0),
            overlap: common / f64::max(either, 1e-9),
            measured_mm2,
            difference: nodes
                .iter()
                .map(|k| at(&new.height, *k) - at(&old.height, *k))
                .collect(),
            sd: nodes
                .iter()
                .map(|k| (at(&old.sd, *k).powi(2) + at(&new.sd, *k).powi(2)).sqrt())
                .collect(),
            nodes,
            areas_mm2,
        })
    }

    fn slopes(&self) -> Slopes {
        let of = |field: &Field| [0, 1].map(|axis| self.slope(field, axis));
        Slopes {
            before: of(self.before),
            after: of(self.after),
        }
    }

    /// Slope along an axis, by differences of fourth order where five nodes in a row are known, of
    /// second or first order at their ends.
    fn slope(&self, field: &Field, axis: usize) -> Vec<f64> {
        let h = field.step_mm;
        let one = |cell: &[usize; 2]| {
            let at = |by| beside(field, *cell, axis, by);
            match (at(-2), at(-1), at(1), at(2)) {
                (Some(a), Some(b), Some(c), Some(d)) => (8.0 * (c - b) - (d - a)) / (12.0 * h),
                (_, Some(b), Some(c), _) => (c - b) / (2.0 * h),
                (_, Some(b), None, _) => at(0).map_or(0.0, |o| (o - b) / h),
                (_, None, Some(c), _) => at(0).map_or(0.0, |o| (c - o) / h),
                _ => 0.0,
            }
        };
        self.cells.iter().map(one).collect()
    }

    /// Curvature of the mean of both along an axis; 0 where a neighbour is not known.
    fn curvature(&self, axis: usize) -> Vec<f64> {
        let h = self.after.step_mm;
        let one = |field: &Field, cell: [usize; 2]| {
            let at = |by| beside(field, cell, axis, by);
            match (at(-1), at(0), at(1)) {
                (Some(a), Some(b), Some(c)) => (a - 2.0 * b + c) / (h * h),
                _ => 0.0,
            }
        };
        self.cells
            .iter()
            .map(|at| (one(self.before, *at) + one(self.after, *at)) / 2.0)
            .collect()
    }

    /// The standard deviations, with what no fit knows of: on slopes a reading's place, in short
    /// lows what each survey smooths. The same parts as in a difference of two surfaces.
    fn sd_with(&self, slopes: &Slopes, frame: &[Vec<f64>]) -> Vec<f64> {
        // The slopes of a quadratic are planes, its curvature is a constant: no error of theirs is
        // left.
        let [plane, level] = [3, 1].map(|free| Columns::new(&frame[..free], &self.areas_mm2));
        let without = |mut values: Vec<f64>, free: &Columns| {
            free.remove(&mut values);
            values
        };
        let [x, y] = [0, 1].map(|axis| without(slopes.mean(axis), &plane));
        let [xx, yy] = [0, 1].map(|axis| without(self.curvature(axis), &level));
        (0..self.nodes.len())
            .map(|k| {
                let placed = PLACE_MM * PLACE_MM * (x[k] * x[k] + y[k] * y[k]);
                let smoothed = SMOOTHED_MM * SMOOTHED_MM / 2.0 * (xx[k] + yy[k]);
                (self.sd[k] * self.sd[k] + placed + smoothed * smoothed).sqrt()
            })
            .collect()
    }
}

/// Slopes along x and y of both surveys at the common nodes.
struct Slopes {
    before: [Vec<f64>; 2],
    after: [Vec<f64>; 2],
}

impl Slopes {
    fn mean(&self, axis: usize) -> Vec<f64> {
        let both = self.before[axis].iter().zip(&self.after[axis]);
        both.map(|(a, b)| (a + b) / 2.0).collect()
    }
}

/// Height so many nodes further along an axis; `None` off the grid or where it is not known.
fn beside(field: &Field, [ix, iy]: [usize; 2], axis: usize, by: isize) -> Option<f64> {
    let (ix, iy) = match axis {
        0 => (ix.checked_add_signed(by)?, iy),
        _ => (ix, iy.checked_add_signed(by)?),
    };
    let value = f64::from(*field.height.get(field.at(ix, iy)?)?);
    value.is_finite().then_some(value)
}

/// Every so manieth common node: enough to lay by, and quick.
struct Thin {
    /// Which of the common nodes.
    of: Vec<usize>,
    frame: Vec<Vec<f64>>,
    sd: Vec<f64>,
    /// Area that each stands for, mm².
    area_mm2: f64,
}

impl Thin {
    fn of(common: &Common, frame: &[Vec<f64>]) -> Self {
        let count = common.nodes.len();
        let stride = ((count as f64 / ENOUGH_NODES as f64).sqrt().ceil() as usize).max(1);
        let kept = |k: &usize| {
            let node = common.nodes[*k];
            (node % common.after.nx).is_multiple_of(stride)
                && (node / common.after.nx).is_multiple_of(stride)
        };
        let of: Vec<usize> = (0..count).filter(kept).collect();
        let pick = |list: &[f64]| of.iter().map(|k| list[*k]).collect::<Vec<f64>>();
        Thin {
            frame: frame.iter().map(|c| pick(c)).collect(),
            sd: pick(&common.sd),
            area_mm2: (common.after.step_mm * stride as f64).powi(2),
            of,
        }
    }

    fn pick(&self, list: &[f64]) -> Vec<f64> {
        self.of.iter().map(|k| list[*k]).collect()
    }

    /// Terms of plane, curvature and twist that what was not touched differs by.
    fn terms(&self, moved: &[f64]) -> Vec<f64> {
        let moved = self.pick(moved);
        let weights = untouched(&self.frame, &moved, &self.sd);
        Columns::new(&self.frame, &weights).coefficients(&moved)
    }

    /// How far aside the second grid was taped, from the slopes: after(p) = before(p + s), so that
    /// after less before is s times the slope.
    ///
    /// The covariance has no draws to come from: it is that of the weighted fit with errors that
    /// are one over a square of [`SLOPE_SAME_MM`] and independent from square to square. What the
    /// residuals themselves show over such squares tells too little: eight terms are fitted to few
    /// squares.
    fn taped_aside(&self, common: &Common, slopes: &Slopes) -> Option<Shift> {
        let along = [0, 1].map(|axis| self.pick(&slopes.mean(axis)));
        let mut columns = self.frame.clone();
        columns.extend(along.iter().cloned());
        let moved = self.pick(&common.difference);
        let weights = untouched(&columns, &moved, &self.sd);
        let terms = Columns::new(&columns, &weights).coefficients(&moved);
        let mm = [*terms.get(6)?, *terms.get(7)?];
        let own = {
            let free = Columns::new(&self.frame, &weights);
            along.map(|mut column| {
                free.remove(&mut column);
                column
            })
        };
        let gram = Square::sum((0..self.of.len()).map(|k| ([own[0][k], own[1][k]], weights[k])));
        let cover = gram
            .inverse()?
            .times(SLOPE_SAME_MM * SLOPE_SAME_MM / self.area_mm2);
        let passes = cover.inverse()?.square(mm);
        let size = mm[0].hypot(mm[1]);
        Some(Shift {
            mm,
            sd_mm: [0, 1].map(|k| cover.diagonal(k).sqrt()),
            used: passes > SHIFT_PASSES && (LEAST_SHIFT_MM..=MOST_SHIFT_MM).contains(&size),
        })
    }
}

/// A symmetric 2 × 2 matrix: xx, xy, yy.
#[derive(Clone, Copy, Debug)]
struct Square([f64; 3]);

impl Square {
    /// Σ w v v'.
    fn sum(vectors: impl Iterator<Item = ([f64; 2], f64)>) -> Self {
        let mut out = [0.0; 3];
        for (v, w) in vectors {
            out[0] += w * v[0] * v[0];
            out[1] += w * v[0] * v[1];
            out[2] += w * v[1] * v[1];
        }
        Square(out)
    }

    fn diagonal(&self, k: usize) -> f64 {
        self.0[2 * k]
    }

    fn times(self, by: f64) -> Self {
        Square(self.0.map(|v| v * by))
    }

    /// `None` where it has none, or next to none.
    fn inverse(&self) -> Option<Self> {
        let [a, b, c] = self.0;
        let det = a * c - b * b;
        (det > 1e-12 * a * c && det.is_finite()).then(|| Square([c / det, -b / det, a / det]))
    }

    /// v' M v.
    fn square(&self, v: [f64; 2]) -> f64 {
        let [a, b, c] = self.0;
        a * v[0] * v[0] + 2.0 * b * v[0] * v[1] + c * v[1] * v[1]
    }
}
