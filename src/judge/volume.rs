//! Volumes and areas above and below a level on a node grid, and the share of the panel each node
//! stands for.
//!
//! Two roads to a volume. [`about_level`] integrates a stated surface between the nodes exactly,
//! cell by cell.
//! [`node_weights_mm2`] gives each node its part of the panel's area, so that a sum over nodes of
//! weight × value is an integral; on whole cells it equals the bilinear surface's integral, and for
//! the part above or below zero it differs from it only in the cells that the zero line crosses (by
//! the square of the step in all).

use crate::judge::Grid;
use crate::panel::{Panel, Polygon};
use ndarray::Array2;
use rayon::prelude::*;
use std::ops::AddAssign;

/// The surface that is laid through the four nodes of a cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CellModel {
    /// The bilinear patch z = a + bx + cy + dxy.
    Bilinear,
    /// Two flat triangles, parted by the diagonal from node (ix, iy) to (ix+1, iy+1).
    MainDiagonal,
    /// Two flat triangles, parted by the other diagonal.
    OtherDiagonal,
}

/// What lies above and below a level.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Volumes {
    /// Area where the surface is above the level, mm².
    pub area_above_mm2: f64,
    /// Volume between surface and level there, mm³ (1000 mm³ are 1 cc).
    pub above_mm3: f64,
    /// Area where the surface is below the level, mm².
    pub area_below_mm2: f64,
    /// Volume between level and surface there, mm³.
    pub below_mm3: f64,
}

impl AddAssign for Volumes {
    fn add_assign(&mut self, other: Self) {
        self.area_above_mm2 += other.area_above_mm2;
        self.above_mm3 += other.above_mm3;
        self.area_below_mm2 += other.area_below_mm2;
        self.below_mm3 += other.below_mm3;
    }
}

/// Volumes and areas of `values` above and below `level`, exact for the surface that `model` names.
///
/// Values in mm, indexed `[[iy, ix]]`, nodes `step_mm` apart. To compare two surfaces pass their
/// difference and level 0. A cell with a corner that is NaN is left out: set the nodes outside a
/// mask to NaN. Above less below equals the integral over the cells taken in. A cell or triangle
/// that lies all on the level counts to neither area.
///
/// Triangles: the tip of height h over a level cuts off the share h²/((h−l)(h−m)) of the triangle's
/// area (similar triangles). Bilinear: across x the patch is a straight line from e(x) to f(x);
/// where they differ in sign the part above has area ∫e/(e−f) and volume ∫e²/2(e−f), taken in
/// closed form.
pub fn about_level(values: &Array2<f64>, step_mm: f64, level: f64, model: CellModel) -> Volumes {
    let (ny, nx) = values.dim();
    let mut sum = Volumes::default();
    for iy in 0..ny.saturating_sub(1) {
        for ix in 0..nx.saturating_sub(1) {
            // Corners: here, along x, along y, opposite.
            let h = [[0, 0], [0, 1], [1, 0], [1, 1]].map(|[y, x]| values[[iy + y, ix + x]] - level);
            if h.iter().all(|v| v.is_finite()) {
                sum += cell(h, model);
            }
        }
    }
    let area = step_mm * step_mm;
    Volumes {
        area_above_mm2: sum.area_above_mm2 * area,
        above_mm3: sum.above_mm3 * area,
        area_below_mm2: sum.area_below_mm2 * area,
        below_mm3: sum.below_mm3 * area,
    }
}

/// One cell of unit area.
fn cell(h: [f64; 4], model: CellModel) -> Volumes {
    let part = |h: [f64; 4]| match model {
        CellModel::Bilinear => bilinear_above(h),
        CellModel::MainDiagonal => add(
            triangle_above([h[0], h[1], h[3]]),
            triangle_above([h[0], h[3], h[2]]),
        ),
        CellModel::OtherDiagonal => add(
            triangle_above([h[0], h[1], h[2]]),
            triangle_above([h[3], h[2], h[1]]),
        ),
    };
    let (area_above_mm2, above_mm3) = part(h);
    let (area_below_mm2, below_mm3) = part(h.map(|v| -v));
    Volumes {
        area_above_mm2,
        above_mm3,
        area_below_mm2,
        below_mm3,
    }
}

fn add(p: (f64, f64), q: (f64, f64)) -> (f64, f64) {
    (p.0 + q.0, p.1 + q.1)
}

/// Area and volume above zero of a flat triangle of plan area ½.
fn triangle_above(mut h: [f64; 3]) -> (f64, f64) {
    h.sort_by(f64::total_cmp);
    let [low, middle, high] = h;
    let mean = (low + middle + high) / 3.0;
    if high <= 0.0 {
        return (0.0, 0.0);
    }
    if low >= 0.0 {
        return (0.5, 0.5 * mean);
    }
    if middle <= 0.0 {
        let share = (high / (high - low)) * (high / (high - middle));
        return (0.5 * share, 0.5 * share * high / 3.0);
    }
    let share = (low / (low - high)) * (low / (low - middle));
    (0.5 * (1.0 - share), 0.5 * (mean - share * low / 3.0))
}

/// Area and volume above zero of the bilinear patch over the unit square.
fn bilinear_above(h: [f64; 4]) -> (f64, f64) {
    let mean = h.iter().map(|v| v / 4.0).sum();
    if h.iter().all(|v| *v >= 0.0) {
        let flat = h.iter().all(|v| *v == 0.0);
        return (if flat { 0.0 } else { 1.0 }, mean);
    }
    if h.iter().all(|v| *v <= 0.0) {
        return (0.0, 0.0);
    }
    // e runs along the near side, f along the far side; both straight in u.
    let e = |u: f64| h[0] + (h[1] - h[0]) * u;
    let f = |u: f64| h[2] + (h[3] - h[2]) * u;
    let mut cuts = vec![0.0, 1.0];
    for (start, end) in [(h[0], h[1]), (h[2], h[3])] {
        let root = start / (start - end);
        if root > 0.0 && root < 1.0 {
            cuts.push(root);
        }
    }
    cuts.sort_by(f64::total_cmp);
    cuts.windows(2)
        .map(|c| {
            let (area, volume) = strip_above([e(c[0]), e(c[1])], [f(c[0]), f(c[1])]);
            ((c[1] - c[0]) * area, (c[1] - c[0]) * volume)
        })
        .fold((0.0, 0.0), add)
}

/// Area and volume above zero of a strip of unit width whose sides e and f keep their signs along
/// it.
fn strip_above(e: [f64; 2], f: [f64; 2]) -> (f64, f64) {
    match (e[0] + e[1] > 0.0, f[0] + f[1] > 0.0) {
        (true, true) => (1.0, (e[0] + e[1] + f[0] + f[1]) / 4.0),
        (false, false) => (0.0, 0.0),
        (true, false) => one_side_above(e, f),
        (false, true) => one_side_above(f, e),
    }
}

/// ∫e/g and ∫e²/2g over 0…1 with g = e − f, for e above and f below zero, all straight.
fn one_side_above(e: [f64; 2], f: [f64; 2]) -> (f64, f64) {
    let e = e.map(|v| v.max(0.0));
    let g = [e[0] - f[0].min(0.0), e[1] - f[1].min(0.0)];
    let (sum, change) = (g[0] + g[1], g[1] - g[0]);
    if sum <= 0.0 {
        return (0.0, 0.0);
    }
    if change.abs() < sum / 4.0 {
        // g is nearly constant: the quadrature is right to rounding, the logarithm below would lose
        // digits.
        return gauss(|s| {
            let above = e[0] + (e[1] - e[0]) * s;
            let across = g[0] + change * s;
            (above / across, above * above / across / 2.0)
        });
    }
    // e = alpha + beta·g along the strip, so both integrals are powers of g and its logarithm.
    let beta = (e[1] - e[0]) / change;
    let alpha = e[0] - beta * g[0];
    let log = if alpha == 0.0 || g[0] <= 0.0 || g[1] <= 0.0 {
        0.0
    } else {
        (g[1] / g[0]).ln() / change
    };
    let area = alpha * log + beta;
    let volume = (alpha * alpha * log + 2.0 * alpha * beta + beta * beta * sum / 2.0) / 2.0;
    (area.clamp(0.0, 1.0), volume.max(0.0))
}

/// Gauss-Legendre quadrature over 0…1 with eight points (Abramowitz and Stegun, 1964, table 25.4;
/// digits computed).
fn gauss(f: impl Fn(f64) -> (f64, f64)) -> (f64, f64) {
    const POINTS: [[f64; 2]; 4] = [
        [0.1834346424956498, 0.362683783378362],
        [0.525532409916329, 0.3137066458778873],
        [0.7966664774136267, 0.2223810344533745],
        [0.9602898564975363, 0.1012285362903763],
    ];
    POINTS
        .iter()
        .flat_map(|&[at, weight]| {
            [
                (0.5 - at / 2.0, weight / 2.0),
                (0.5 + at / 2.0, weight / 2.0),
            ]
        })
        .map(|(at, weight)| {
            let (p, q) = f(at);
            (weight * p, weight * q)
        })
        .fold((0.0, 0.0), add)
}

/// The part of the panel's area that each node stands for, mm²: a sum over nodes of weight × value
/// is an integral over the panel.
///
/// Each spot of the panel belongs to the node nearest to it (the nodes along the grid's rim reach
/// out as far as the panel does). Cells that one outline or opening cuts are clipped exactly
/// (Sutherland and Hodgman, Comm. ACM 17, 1974); the rare cell that two of them cut is sampled at
/// 16 × 16 spots. The part of a cell whose own node lies off the panel goes in equal shares to
/// those of its eight neighbours that lie on it, so every node with a weight is on the panel.
/// Indexed `[[iy, ix]]`; nodes off the panel have weight 0.
pub fn node_weights_mm2(grid: &Grid, panel: &Panel) -> Array2<f64> {
    let polygons: Vec<&Polygon> = std::iter::once(&panel.outline)
        .chain(&panel.cutouts)
        .collect();
    let nodes: Vec<(bool, f64)> = (0..grid.nx * grid.ny)
        .into_par_iter()
        .map(|n| {
            let (ix, iy) = (n % grid.nx, n / grid.nx);
            let area = area_in_box(panel, &polygons, node_box(grid, panel, ix, iy));
            (panel.contains(grid.x(ix), grid.y(iy)), area)
        })
        .collect();
    let on = |n: [usize; 2]| nodes.get(n[0] * grid.nx + n[1]).is_some_and(|n| n.0);
    let mut weights = Array2::zeros((grid.ny, grid.nx));
    for (n, &(here, part)) in nodes.iter().enumerate() {
        let (ix, iy) = (n % grid.nx, n / grid.nx);
        if here {
            weights[[iy, ix]] += part;
            continue;
        }
        if part <= 0.0 {
            continue;
        }
        let near: Vec<[usize; 2]> = neighbours(grid, ix, iy).filter(|n| on(*n)).collect();
        for n in &near {
            weights[*n] += part / near.len() as f64;
        }
    }
    weights
}

/// The eight nodes around one, as far as the grid goes.
fn neighbours(grid: &Grid, ix: usize, iy: usize) -> impl Iterator<Item = [usize; 2]> + use<> {
    let (nx, ny) = (grid.nx, grid.ny);
    (-1_i64..=1)
        .flat_map(|dy| (-1_i64..=1).map(move |dx| (dx, dy)))
        .filter(|d| *d != (0, 0))
        .filter_map(move |(dx, dy)| {
            let x = ix.checked_add_signed(dx as isize).filter(|x| *x < nx)?;
            let y = iy.checked_add_signed(dy as isize).filter(|y| *y < ny)?;
            Some([y, x])
        })
}

/// The spots nearest to a node, `[x0, y0, x1, y1]`; along the rim as far out as the panel goes.
fn node_box(grid: &Grid, panel: &Panel, ix: usize, iy: usize) -> [f64; 4] {
    let half = grid.step_mm / 2.0;
    let (x, y) = (grid.x(ix), grid.y(iy));
    let rim = panel.outline.bounds();
    let mut b = [x - half, y - half, x + half, y + half];
    if ix == 0 {
        b[0] = b[0].min(rim[0]);
    }
    if iy == 0 {
        b[1] = b[1].min(rim[1]);
    }
    if ix + 1 == grid.nx {
        b[2] = b[2].max(rim[2]);
    }
    if iy + 1 == grid.ny {
        b[3] = b[3].max(rim[3]);
    }
    b
}

/// Area of the panel inside a box, mm².
fn area_in_box(panel: &Panel, polygons: &[&Polygon], b: [f64; 4]) -> f64 {
    let whole = (b[2] - b[0]) * (b[3] - b[1]);
    let centre = [(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0];
    let reach = (b[2] - b[0]).hypot(b[3] - b[1]) / 2.0;
    let cutting: Vec<usize> = (0..polygons.len())
        .filter(|&k| polygons[k].distance_to_edge(centre[0], centre[1]) <= reach)
        .collect();
    // The polygons that do not cut the box hold all of it or nothing.
    let elsewhere_on = (0..polygons.len())
        .filter(|k| !cutting.contains(k))
        .all(|k| (k == 0) == polygons[k].contains(centre[0], centre[1]));
    match (elsewhere_on, cutting.as_slice()) {
        (false, _) => 0.0,
        (true, []) => whole,
        (true, [0]) => clipped_area_mm2(polygons[0], b),
        (true, [k]) => whole - clipped_area_mm2(polygons[*k], b),
        (true, _) => sampled_share(panel, b) * whole,
    }
}

/// Area of a polygon inside a box: the polygon cut along each side in turn, then the shoelace
/// formula.
fn clipped_area_mm2(polygon: &Polygon, b: [f64; 4]) -> f64 {
    let mut corners = polygon.0.clone();
    for (axis, limit, keep_below) in [
        (0, b[0], false),
        (1, b[1], false),
        (0, b[2], true),
        (1, b[3], true),
    ] {
        corners = cut(&corners, axis, limit, keep_below);
    }
    Polygon(corners).area_mm2()
}

/// What is left of a polygon on one side of a line across `axis`.
fn cut(corners: &[[f64; 2]], axis: usize, limit: f64, keep_below: bool) -> Vec<[f64; 2]> {
    let inside = |p: &[f64; 2]| (p[axis] <= limit) == keep_below || p[axis] == limit;
    let mut kept = Vec::with_capacity(corners.len() + 4);
    for (p, q) in corners.iter().zip(corners.iter().cycle().skip(1)) {
        if inside(p) {
            kept.push(*p);
        }
        if inside(p) != inside(q) {
            let t = (limit - p[axis]) / (q[axis] - p[axis]);
            let mut at = [p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])];
            at[axis] = limit;
            kept.push(at);
        }
    }
    kept
}

/// Share of a box that lies on the panel, from 16 × 16 spots.
fn sampled_share(panel: &Panel, b: [f64; 4]) -> f64 {
    const N: usize = 16;
    let at = |k: usize, low: f64, high: f64| low + (k as f64 + 0.5) / N as f64 * (high - low);
    let on = (0..N * N)
        .filter(|k| panel.contains(at(k % N, b[0], b[2]), at(k / N, b[1], b[3])))
        .count();
    on as f64 / (N * N) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::arr2;

    const MODELS: [CellModel; 3] = [
        CellModel::Bilinear,
        CellModel::MainDiagonal,
        CellModel::OtherDiagonal,
    ];

    #[test]
    fn a_tilted_plane_gives_the_wedge_in_every_model() {
        // z = x − 3 over 0…8 × 0…2: a wedge of height 5 above, one of height 3 below.
        let plane = Array2::from_shape_fn((3, 9), |(_, ix)| ix as f64);
        for model in MODELS {
            let v = about_level(&plane, 1.0, 3.0, model);
            assert!((v.above_mm3 - 25.0).abs() < 1e-12, "{model:?} {v:?}");
            assert!((v.below_mm3 - 9.0).abs() < 1e-12, "{model:?} {v:?}");
            assert!((v.area_above_mm2 - 10.0).abs() < 1e-12, "{model:?} {v:?}");
            assert!((v.area_below_mm2 - 6.0).abs() < 1e-12, "{model:?} {v:?}");
        }
    }

    #[test]
    fn the_bilinear_saddle_xy_has_the_volumes_of_its_closed_form() {
        // z = (x − a)(y − b) on the unit square: above over two rectangles, where it is a product
        // of two wedges.
        let (a, b): (f64, f64) = (0.3, 0.45);
        let z = |x: f64, y: f64| (x - a) * (y - b);
        let corners = arr2(&[[z(0.0, 0.0), z(1.0, 0.0)], [z(0.0, 1.0), z(1.0, 1.0)]]);
        let v = about_level(&corners, 1.0, 0.0, CellModel::Bilinear);
        let (c, d) = (1.0 - a, 1.0 - b);
        assert!((v.above_mm3 - (a * a * b * b + c * c * d * d) / 4.0).abs() < 1e-15);
        assert!((v.below_mm3 - (a * a * d * d + c * c * b * b) / 4.0).abs() < 1e-15);
        assert!((v.area_above_mm2 - (a * b + c * d)).abs() < 1e-14);
        assert!((v.area_below_mm2 - (a * d + c * b)).abs() < 1e-14);
    }

    #[test]
    fn above_and_below_come_to_the_whole_area_and_the_whole_integral() {
        let wave = Array2::from_shape_fn((7, 8), |(iy, ix)| {
            (1.7 * ix as f64).sin() + (2.3 * iy as f64 + 0.4).cos()
        });
        let corners =
            |iy: usize, ix: usize| [[iy, ix], [iy, ix + 1], [iy + 1, ix], [iy + 1, ix + 1]];
        let integral: f64 = (0..6)
            .flat_map(|iy| (0..7).flat_map(move |ix| corners(iy, ix)))
            .map(|n| wave[n] / 4.0)
            .sum();
        let v = about_level(&wave, 1.0, 0.0, CellModel::Bilinear);
        assert!((v.above_mm3 - v.below_mm3 - integral).abs() < 1e-12);
        assert!((v.area_above_mm2 + v.area_below_mm2 - 42.0).abs() < 1e-12);
    }

    #[test]
    fn cells_with_an_unmeasured_corner_are_left_out() {
        let mut flat = Array2::from_elem((3, 3), 2.0);
        flat[[0, 0]] = f64::NAN;
        for model in MODELS {
            let v = about_level(&flat, 10.0, 0.0, model);
            assert!((v.above_mm3 - 600.0).abs() < 1e-9);
            assert_eq!(v.area_below_mm2, 0.0);
        }
    }

    #[test]
    fn cutting_keeps_the_right_side() {
        let square = Polygon::rectangle(10.0, 10.0);
        assert!((clipped_area_mm2(&square, [2.0, 3.0, 7.0, 20.0]) - 35.0).abs() < 1e-12);
        assert_eq!(clipped_area_mm2(&square, [11.0, 0.0, 12.0, 1.0]), 0.0);
        let triangle = Polygon(vec![[0.0, 0.0], [4.0, 0.0], [0.0, 4.0]]);
        assert!((clipped_area_mm2(&triangle, [1.0, 1.0, 9.0, 9.0]) - 2.0).abs() < 1e-12);
    }
}
