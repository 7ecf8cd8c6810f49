//! Iso-lines of a node grid: where a surface passes through a level, by marching squares.
//!
//! Values are indexed `[[iy, ix]]`; node (ix, iy) lies at (ix·step, iy·step). The lines are
//! straight between the points where they cross the grid's edges, so their length converges with
//! the square of the step.

use ndarray::Array2;

/// One line along which the surface stands at the level.
#[derive(Clone, Debug, PartialEq)]
pub struct IsoLine {
    /// Points (x, y) in mm. The first point of a closed line is not repeated at its end.
    pub points: Vec<[f64; 2]>,
    /// Whether the last point joins the first.
    pub closed: bool,
}

impl IsoLine {
    /// Length in mm, the closing side included.
    pub fn length_mm(&self) -> f64 {
        let along: f64 = self.points.windows(2).map(|p| distance(p[0], p[1])).sum();
        match (self.closed, self.points.first(), self.points.last()) {
            (true, Some(first), Some(last)) => along + distance(*last, *first),
            _ => along,
        }
    }

    /// Area inside a closed line in mm²: positive round a high, negative round a low; 0 for an open
    /// line.
    pub fn signed_area_mm2(&self) -> f64 {
        if !self.closed {
            return 0.0;
        }
        let next = self.points.iter().cycle().skip(1);
        self.points
            .iter()
            .zip(next)
            .map(|(p, q)| p[0] * q[1] - q[0] * p[1])
            .sum::<f64>()
            / 2.0
    }
}

/// Length of all the lines together, mm.
pub fn length_mm(lines: &[IsoLine]) -> f64 {
    lines.iter().map(IsoLine::length_mm).sum()
}

fn distance(p: [f64; 2], q: [f64; 2]) -> f64 {
    (p[0] - q[0]).hypot(p[1] - q[1])
}

/// The lines along which `values` passes through `level`, joined as far as they go.
///
/// - A node counts as above when its value is greater than the level; a node exactly on it counts
///   as below.
/// - On each grid edge between a node above and one below, the crossing is found by straight-line
///   interpolation.
/// - A cell with two opposite corners above (a saddle) is decided by its centre, the mean of the
///   four corners: if that is above, the two highs are joined, otherwise the two lows are.
/// - Lines run with the higher ground on their left, x to the right and y upwards: anticlockwise
///   round a high, clockwise round a low.
/// - A cell with a corner that is NaN or infinite holds no line; a line that meets one, or the edge
///   of the grid, is open.
/// - Open lines come first, then closed ones; each kind in the order of the grid edge they start on
///   (edges along x row by row, then edges along y), so that the same values always give the same
///   lines in the same order.
/// - Points that fall together are kept once, and a line that shrinks to one point is left out.
///
/// ```
/// let cone = ndarray::Array2::from_shape_fn((21, 21), |(iy, ix)| {
///     10.0 - (ix as f64 - 10.0).hypot(iy as f64 - 10.0)
/// });
/// let lines = lowspot::judge::contour::iso_lines(&cone, 1.0, 5.0);
/// assert_eq!(lines.len(), 1);
/// assert!((lines[0].length_mm() - 10.0 * std::f64::consts::PI).abs() < 0.3);
/// ```
pub fn iso_lines(values: &Array2<f64>, step_mm: f64, level: f64) -> Vec<IsoLine> {
    let crossings = Crossings::find(values, level);
    let mut lines = Vec::new();
    let mut seen = vec![false; crossings.next.len()];
    for closed in [false, true] {
        for &start in &crossings.starts {
            if seen[start] || !closed && crossings.arrived[start] {
                continue;
            }
            let edges = crossings.walk(start, &mut seen);
            let points = edges
                .into_iter()
                .map(|edge| crossing_point(values, step_mm, level, edge))
                .collect();
            lines.extend(without_repeats(points, closed));
        }
    }
    lines
}

/// For each grid edge the edge that the line through it goes on to. Edges along x are numbered
/// iy·nx + ix (from node (ix, iy) to (ix+1, iy)), edges along y the same, after all those along x.
/// Lines keep the higher ground on their left, so at most one line leaves an edge and at most one
/// arrives at it.
struct Crossings {
    /// One more than the edge that the line goes on to; 0 where it does not go on.
    next: Vec<usize>,
    arrived: Vec<bool>,
    /// Edges that a line leaves, in order.
    starts: Vec<usize>,
}

/// Where a node stands to the level.
#[derive(Clone, Copy, PartialEq)]
enum Side {
    Below,
    Above,
    NotANumber,
}

impl Crossings {
    fn find(values: &Array2<f64>, level: f64) -> Self {
        let (ny, nx) = values.dim();
        let mut found = Crossings {
            next: vec![0; 2 * nx * ny],
            arrived: vec![false; 2 * nx * ny],
            starts: Vec::new(),
        };
        let side = values.mapv(|v| match v.is_finite() {
            false => Side::NotANumber,
            true if v > level => Side::Above,
            true => Side::Below,
        });
        for iy in 0..ny.saturating_sub(1) {
            for ix in 0..nx.saturating_sub(1) {
                let corners = [[iy, ix], [iy, ix + 1], [iy + 1, ix + 1], [iy + 1, ix]];
                let sides = corners.map(|c| side[c]);
                // Most cells hold no line.
                if sides.contains(&Side::NotANumber) || sides.iter().all(|s| *s == sides[0]) {
                    continue;
                }
                let edges = [
                    iy * nx + ix,
                    nx * ny + iy * nx + ix + 1,
                    (iy + 1) * nx + ix,
                    nx * ny + iy * nx + ix,
                ];
                found.cross_cell(corners.map(|c| values[c]), edges, level);
            }
        }
        found.starts.sort_unstable();
        found
    }

    /// Links the edges of one cell. Corners anticlockwise from the datum side; edge i runs from
    /// corner i to the next.
    fn cross_cell(&mut self, corners: [f64; 4], edges: [usize; 4], level: f64) {
        let above = corners.map(|v| v > level);
        let falls = |i: usize| above[i % 4] && !above[(i + 1) % 4];
        let rises = |i: usize| !above[i % 4] && above[(i + 1) % 4];
        let saddle = falls(0) == falls(2) && falls(1) == falls(3) && falls(0) != falls(1);
        let centre_above = corners.iter().map(|v| v / 4.0).sum::<f64>() > level;
        for from in (0..4).filter(|&i| falls(i)) {
            // In a saddle the line goes round the low corner ahead, or back round the high corner
            // behind.
            let to = match (saddle, centre_above) {
                (true, true) => Some((from + 1) % 4),
                (true, false) => Some((from + 3) % 4),
                (false, _) => (0..4).find(|&i| rises(i)),
            };
            if let Some(to) = to {
                self.next[edges[from]] = edges[to] + 1;
                self.starts.push(edges[from]);
                self.arrived[edges[to]] = true;
            }
        }
    }

    /// The edges along one line from `start` on, each marked as seen.
    fn walk(&self, start: usize, seen: &mut [bool]) -> Vec<usize> {
        let mut edges = Vec::new();
        let mut goes_on = Some(start);
        while let Some(edge) = goes_on.filter(|&e| !seen[e]) {
            seen[edge] = true;
            edges.push(edge);
            goes_on = self.next[edge].checked_sub(1);
        }
        edges
    }
}

/// Where the surface passes through the level on a grid edge, mm.
fn crossing_point(values: &Array2<f64>, step_mm: f64, level: f64, edge: usize) -> [f64; 2] {
    let (ny, nx) = values.dim();
    let along_x = edge < nx * ny;
    let (iy, ix) = ((edge % (nx * ny)) / nx, edge % nx);
    let here = values[[iy, ix]];
    let there = match along_x {
        true => values[[iy, ix + 1]],
        false => values[[iy + 1, ix]],
    };
    // Halved so that the difference of two huge values does not overflow.
    let share = (level / 2.0 - here / 2.0) / (there / 2.0 - here / 2.0);
    let share = if share.is_finite() {
        share.clamp(0.0, 1.0)
    } else {
        0.5
    };
    match along_x {
        true => [(ix as f64 + share) * step_mm, iy as f64 * step_mm],
        false => [ix as f64 * step_mm, (iy as f64 + share) * step_mm],
    }
}

/// The line with points that fall together kept once; `None` when nothing but one point is left.
fn without_repeats(mut points: Vec<[f64; 2]>, closed: bool) -> Option<IsoLine> {
    points.dedup();
    while closed && points.len() > 1 && points.first() == points.last() {
        points.pop();
    }
    (points.len() > 1).then_some(IsoLine { points, closed })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::arr2;
    use proptest::prelude::*;

    proptest! {
        /// Whole numbers with some nodes not measured, levels between them: turned or upside down,
        /// the lines are as long, as many, and each line that ends does so at the rim or beside an
        /// unmeasured node.
        #[test]
        fn turning_the_grid_or_the_surface_changes_no_length(
            nx in 2_usize..9,
            cells in proptest::collection::vec(prop_oneof![8 => (-3_i32..4).prop_map(f64::from), 1 => Just(f64::NAN)], 4..60),
            level in (-3_i32..4).prop_map(|v| f64::from(v) + 0.4),
        ) {
            let ny = cells.len() / nx;
            let z = Array2::from_shape_fn((ny, nx), |(y, x)| cells[y * nx + x]);
            let lines = iso_lines(&z, 2.0, level);
            let others = [
                iso_lines(&z.t().to_owned(), 2.0, level),
                iso_lines(&z.mapv(|v| -v), 2.0, -level),
            ];
            for other in others {
                prop_assert!((length_mm(&other) - length_mm(&lines)).abs() < 1e-9);
                prop_assert_eq!(other.len(), lines.len());
            }
            // A crossing in the middle of four measured cells' nodes goes on; an end must have a
            // cell missing beside it.
            let whole = |y: usize, x: usize| {
                y + 1 < ny && x + 1 < nx && (0..4).all(|k| z[[y + k / 2, x + k % 2]].is_finite())
            };
            for line in lines.iter().filter(|l| !l.closed) {
                for end in [line.points.first(), line.points.last()].into_iter().flatten() {
                    let (x, y) = ((end[0] / 2.0).floor() as usize, (end[1] / 2.0).floor() as usize);
                    let on_x_edge = end[1] % 2.0 == 0.0;
                    let beside = match on_x_edge {
                        true => (y > 0 && whole(y - 1, x), whole(y, x)),
                        false => (x > 0 && whole(y, x - 1), whole(y, x)),
                    };
                    prop_assert!(beside.0 != beside.1, "{end:?} {beside:?}");
                }
            }
        }
    }

    #[test]
    fn a_lone_high_is_ringed_anticlockwise_and_a_lone_low_clockwise() {
        let high = arr2(&[[0.0, 0.0, 0.0], [0.0, 2.0, 0.0], [0.0, 0.0, 0.0]]);
        let ring = iso_lines(&high, 10.0, 1.0);
        assert_eq!(ring.len(), 1);
        assert!(ring[0].closed);
        assert!((ring[0].signed_area_mm2() - 50.0).abs() < 1e-12);
        assert!((ring[0].length_mm() - 4.0 * 50.0_f64.sqrt()).abs() < 1e-12);
        let low = iso_lines(&high.mapv(|v| -v), 10.0, -1.0);
        assert!((low[0].signed_area_mm2() + 50.0).abs() < 1e-12);
    }

    #[test]
    fn the_mean_of_the_corners_decides_a_saddle() {
        // Centre above: the two lows are cut off, each by a short line of its own.
        let joined_highs = iso_lines(&arr2(&[[3.0, 0.0], [0.0, 3.0]]), 1.0, 1.0);
        assert_eq!(joined_highs.len(), 2);
        assert!((length_mm(&joined_highs) - 2.0 * 2.0_f64.sqrt() / 3.0).abs() < 1e-12);
        // Centre below: the two highs are cut off.
        let joined_lows = iso_lines(&arr2(&[[3.0, 0.0], [0.0, 3.0]]), 1.0, 2.0);
        assert_eq!(joined_lows.len(), 2);
        assert!((length_mm(&joined_lows) - 2.0 * 2.0_f64.sqrt() / 3.0).abs() < 1e-12);
        for line in joined_highs.iter().chain(&joined_lows) {
            assert!(!line.closed);
            assert_eq!(line.points.len(), 2);
        }
    }

    #[test]
    fn an_unmeasured_node_opens_the_line_that_runs_past_it() {
        let mut bump = Array2::from_shape_fn((9, 9), |(iy, ix)| {
            4.0 - (ix as f64 - 4.0).hypot(iy as f64 - 4.0)
        });
        assert!(iso_lines(&bump, 1.0, 1.5).iter().all(|l| l.closed));
        bump[[4, 6]] = f64::NAN;
        let broken = iso_lines(&bump, 1.0, 1.5);
        assert_eq!(broken.len(), 1);
        assert!(!broken[0].closed);
    }

    #[test]
    fn nodes_on_the_level_leave_no_line_of_no_length() {
        let pit = arr2(&[[2.0, 2.0, 2.0], [2.0, 1.0, 2.0], [2.0, 2.0, 2.0]]);
        assert!(iso_lines(&pit, 1.0, 1.0).is_empty());
        assert!(iso_lines(&pit, 1.0, 2.0).is_empty());
        assert!(iso_lines(&pit, 1.0, f64::NAN).is_empty());
        let on_level = arr2(&[[1.0, 1.0, 2.0], [1.0, 1.0, 2.0]]);
        assert_eq!(length_mm(&iso_lines(&on_level, 1.0, 1.0)), 1.0);
    }

    #[test]
    fn grids_too_small_for_a_cell_hold_no_line() {
        assert!(iso_lines(&Array2::zeros((0, 0)), 1.0, 0.0).is_empty());
        assert!(iso_lines(&Array2::zeros((1, 7)), 1.0, 0.0).is_empty());
    }

    #[test]
    fn huge_values_do_not_overflow_into_points_that_are_no_numbers() {
        let huge = arr2(&[[f64::MAX, -f64::MAX], [-f64::MAX, f64::MAX]]);
        for line in iso_lines(&huge, 1.0, 0.0) {
            assert!(line.points.iter().flatten().all(|v| v.is_finite()));
        }
    }
}
