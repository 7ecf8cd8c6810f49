//! The virtual tools: a straightedge, a wave gauge and a slope gauge laid on a node grid
//! everywhere, in eight directions.
//!
//! All of them judge along the grid's own lines, so nothing is interpolated under the straightedge.
//! A node that is no number breaks the line: no tool is laid across an opening or a place that was
//! not measured. Values are indexed `[[iy, ix]]`; directions are steps (along x, along y) from node
//! to node.

use ndarray::Array2;
use rayon::prelude::*;

/// The directions the tools are laid in, as steps along x and along y between nodes.
pub const DIRECTIONS: [(i32, i32); 8] = [
    (1, 0),
    (0, 1),
    (1, 1),
    (1, -1),
    (2, 1),
    (2, -1),
    (1, 2),
    (1, -2),
];

/// In [`EdgeMap::direction`] and [`GaugeMap::direction`]: no tool could be laid here.
pub const NO_DIRECTION: u8 = u8::MAX;

/// Direction in degrees from x towards y, −90…90; `None` for [`NO_DIRECTION`].
pub fn direction_deg(index: u8) -> Option<f64> {
    let (dx, dy) = DIRECTIONS.get(usize::from(index))?;
    Some(f64::from(*dy).atan2(f64::from(*dx)).to_degrees())
}

/// The worst gap at each node.
#[derive(Clone, Debug)]
pub struct EdgeMap {
    /// Largest gap over all directions, mm, never below 0. NaN where no edge can be laid across:
    /// off the panel, not measured, or without a measured node on both sides.
    pub gap: Array2<f64>,
    /// Index into [`DIRECTIONS`] of the direction it was found in; [`NO_DIRECTION`] where the gap
    /// is NaN.
    pub direction: Array2<u8>,
    /// Base used in each direction, mm: the largest whole number of steps not above the base; 0
    /// where that is less than two steps and the direction was left out.
    pub base_mm: [f64; 8],
}

/// The worst reading of a gauge at each node.
#[derive(Clone, Debug)]
pub struct GaugeMap {
    /// Largest value over all directions (swing in mm, slope in mm/m), never below 0. NaN where the
    /// gauge cannot stand.
    pub value: Array2<f64>,
    /// Index into [`DIRECTIONS`] of the direction it was found in; [`NO_DIRECTION`] where the value
    /// is NaN.
    pub direction: Array2<u8>,
}

/// The gap under a straightedge of length `base_mm` laid anywhere in the eight directions.
///
/// At node k on a grid line the gap is the largest chord − z over all pairs i < k < j on that line,
/// no further apart than the base, with every node from i to j measured: the upper concave envelope
/// of the heights under each placing of the edge. A plane added to the heights changes nothing.
/// Along an axis the base is cut down to whole steps; askew to whole diagonal steps, so at 10 mm
/// nodes a 50 mm base counts as 42-45 mm there ([`EdgeMap::base_mm`]): take a step of a tenth of
/// the base, or finer.
///
/// Time: about n per line, whatever the base, where the surface is wavy (see [`highest_chords`]).
///
/// `None` when the base is less than two steps, or base or step is no positive number: a limit on
/// such a base cannot be checked on this grid.
pub fn gaps(deviation: &Array2<f64>, step_mm: f64, base_mm: f64) -> Option<EdgeMap> {
    let reach = DIRECTIONS.map(|d| whole_steps(base_mm / step_length(d, step_mm)));
    if !sound(step_mm, base_mm) || reach[0] < 2 {
        return None;
    }
    let (gap, direction) = worst_over_directions(deviation, |d, line| {
        gaps_along(line, reach[d]);
    });
    let base_mm = std::array::from_fn(|d| match reach[d] {
        0 | 1 => 0.0,
        steps => steps as f64 * step_length(DIRECTIONS[d], step_mm),
    });
    Some(EdgeMap {
        gap,
        direction,
        base_mm,
    })
}

/// The swing of a centre dial between two feet `base_mm` apart, slid along the eight directions.
///
/// The dial at node k reads r(k) = z(k) − (z(k − b/2) + z(k + b/2))/2; feet between nodes stand on
/// a cubic through the four nearest (two at the ends of a line). The swing at k is the largest
/// difference between r(k) and r anywhere within two bases of it on the same slide. Two bases hold
/// a crest and a trough of every wave up to four bases long, for which the swing is H(1 −
/// cos(πb/λ)), H from crest to trough; parts of the slide further apart are not compared, since
/// what changes over such a distance is shape.
///
/// `None` when the base is less than two steps, or base or step is no positive number.
pub fn swings(deviation: &Array2<f64>, step_mm: f64, base_mm: f64) -> Option<GaugeMap> {
    if !sound(step_mm, base_mm) || whole_steps(base_mm / step_mm) < 2 {
        return None;
    }
    let (value, direction) = worst_over_directions(deviation, |d, line| {
        let step = step_length(DIRECTIONS[d], step_mm);
        let readings = with_feet(line, base_mm / 2.0 / step, |z, back, ahead| {
            z - (back + ahead) / 2.0
        });
        let window = whole_steps(2.0 * base_mm / step);
        swings_along(line, &readings, window.min(line.len()));
    });
    Some(GaugeMap { value, direction })
}

/// The slope over `base_mm`, in mm per metre, laid along the eight directions.
///
/// At node k: |z(k + b/2) − z(k − b/2)|/b, the base centred on the node, ends between nodes as in
/// [`swings`]. Nodes nearer than half a base to the end of a line carry no value in that direction.
///
/// `None` when the base is less than two steps, or base or step is no positive number.
pub fn slopes(deviation: &Array2<f64>, step_mm: f64, base_mm: f64) -> Option<GaugeMap> {
    if !sound(step_mm, base_mm) || whole_steps(base_mm / step_mm) < 2 {
        return None;
    }
    let (value, direction) = worst_over_directions(deviation, |d, line| {
        let step = step_length(DIRECTIONS[d], step_mm);
        let rises = with_feet(line, base_mm / 2.0 / step, |_, back, ahead| {
            (ahead - back).abs() / base_mm * 1000.0
        });
        line.copy_from_slice(&rises);
    });
    Some(GaugeMap { value, direction })
}

fn sound(step_mm: f64, base_mm: f64) -> bool {
    step_mm.is_finite() && step_mm > 0.0 && base_mm.is_finite() && base_mm > 0.0
}

/// Length of one step in a direction, mm.
fn step_length((dx, dy): (i32, i32), step_mm: f64) -> f64 {
    f64::from(dx).hypot(f64::from(dy)) * step_mm
}

/// Whole steps in a length, forgiving rounding.
fn whole_steps(steps: f64) -> usize {
    (steps * (1.0 + 1e-12)).floor() as usize
}

/// Runs `along` over every grid line in every direction (the direction's index, the heights, which
/// it replaces by its values or NaN), and keeps the largest value at each node. Directions run side
/// by side; the first of equals wins, so the result does not depend on which was ready first.
fn worst_over_directions(
    deviation: &Array2<f64>,
    along: impl Fn(usize, &mut [f64]) + Sync,
) -> (Array2<f64>, Array2<u8>) {
    let (ny, nx) = deviation.dim();
    let heights: Vec<f64> = deviation.iter().copied().collect();
    let found: Vec<Vec<f64>> = DIRECTIONS
        .par_iter()
        .enumerate()
        .map(|(index, &direction)| {
            let mut values = vec![f64::NAN; heights.len()];
            for line in grid_lines(nx, ny, direction) {
                let mut z: Vec<f64> = line.nodes().map(|n| heights[n]).collect();
                for run in z.chunk_by_mut(|a, b| a.is_finite() == b.is_finite()) {
                    if run.first().is_some_and(|v| v.is_finite()) {
                        along(index, run);
                    }
                }
                for (n, value) in line.nodes().zip(z) {
                    values[n] = value;
                }
            }
            values
        })
        .collect();
    let mut worst = Array2::from_elem((ny, nx), f64::NAN);
    let mut direction = Array2::from_elem((ny, nx), NO_DIRECTION);
    for (index, values) in (0_u8..).zip(&found) {
        let nodes = worst.iter_mut().zip(direction.iter_mut());
        for ((worst, direction), &value) in nodes.zip(values) {
            if value > *worst || (worst.is_nan() && value.is_finite()) {
                (*worst, *direction) = (value, index);
            }
        }
    }
    (worst, direction)
}

/// A grid line: its first node in row order, the jump to the next one, how many there are.
struct GridLine {
    first: usize,
    jump: isize,
    count: usize,
}

impl GridLine {
    fn nodes(&self) -> impl Iterator<Item = usize> + use<> {
        let (first, jump) = (self.first, self.jump);
        (0..self.count).map(move |k| first.wrapping_add_signed(jump.wrapping_mul(k as isize)))
    }
}

/// All lines in a direction (dx ≥ 0), of three nodes at least: each begins at a node with none
/// before it on the grid.
fn grid_lines(nx: usize, ny: usize, (dx, dy): (i32, i32)) -> Vec<GridLine> {
    let (width, height) = (nx as i64, ny as i64);
    let (dx, dy) = (i64::from(dx), i64::from(dy));
    let mut lines = Vec::new();
    for y in 0..height {
        // A line begins where one step back lies off the grid: in a first or last row anywhere,
        // else near the left edge.
        let starts = if y - dy >= 0 && y - dy < height {
            dx.min(width)
        } else {
            width
        };
        for x in 0..starts {
            let along_x = if dx > 0 {
                (width - 1 - x) / dx
            } else {
                i64::MAX
            };
            let along_y = match dy {
                0 => i64::MAX,
                1.. => (height - 1 - y) / dy,
                _ => y / -dy,
            };
            let count = along_x.min(along_y) as usize + 1;
            if count >= 3 {
                lines.push(GridLine {
                    first: (y * width + x) as usize,
                    jump: (dy * width + dx) as isize,
                    count,
                });
            }
        }
    }
    lines
}

/// Replaces the heights of an unbroken line by the largest gaps under an edge `reach` steps long;
/// NaN at its ends, and everywhere when it is too short for an edge.
fn gaps_along(z: &mut [f64], reach: usize) {
    if z.len() < 3 || reach < 2 {
        z.fill(f64::NAN);
        return;
    }
    let envelope = highest_chords(z, reach.min(z.len()));
    for (z, envelope) in z.iter_mut().zip(envelope) {
        *z = envelope - *z;
    }
    if let [first, .., last] = z {
        (*first, *last) = (f64::NAN, f64::NAN);
    }
}

/// For each point k of a line, the largest height at k of a chord between two points i ≤ k ≤ j at
/// most `reach` apart: its own height where it touches every edge laid over it.
///
/// Over k the highest chord from i is the steepest one that ends beyond k. So ends are taken from
/// the farthest in: with the steepest slope of those met so far, each i lifts the point one step
/// short of the end. The inner loop runs along the line, side by side for all i.
fn highest_chords(z: &[f64], reach: usize) -> Vec<f64> {
    let mut highest = z.to_vec();
    let mut steepest = vec![f64::NEG_INFINITY; z.len()];
    let larger = |a: f64, b: f64| if b > a { b } else { a };
    for apart in (2..=reach.min(z.len().saturating_sub(1))).rev() {
        let (step, short) = (1.0 / apart as f64, (apart - 1) as f64);
        let ends = z[apart..].iter().zip(&mut highest[apart - 1..]);
        for ((from, steepest), (to, under)) in z.iter().zip(&mut steepest).zip(ends) {
            *steepest = larger(*steepest, (to - from) * step);
            *under = larger(*under, from + short * *steepest);
        }
    }
    highest
}

/// What a gauge shows at each point of an unbroken line: `read(z, back, ahead)` with its feet
/// `half` steps back and ahead; NaN where a foot would stand off the line.
fn with_feet(line: &[f64], half: f64, read: impl Fn(f64, f64, f64) -> f64) -> Vec<f64> {
    let backwards: Vec<f64> = line.iter().rev().copied().collect();
    let last = line.len().saturating_sub(1);
    (0..line.len())
        .map(|k| {
            let ahead = height_at(line, k, half);
            let back = height_at(&backwards, last - k, half);
            match (back, ahead) {
                (Some(back), Some(ahead)) => read(line[k], back, ahead),
                _ => f64::NAN,
            }
        })
        .collect()
}

/// Height a distance of `steps` ahead of point k: the node's own, or between nodes the cubic
/// through the four nearest (Lagrange), the straight line where there are not four.
fn height_at(line: &[f64], k: usize, steps: f64) -> Option<f64> {
    let whole = (steps + 1e-9).floor();
    let t = steps - whole;
    if whole >= line.len() as f64 {
        return None;
    }
    let i = k + whole as usize;
    let near = *line.get(i)?;
    if t <= 1e-9 {
        return Some(near);
    }
    let next = *line.get(i + 1)?;
    let outer = i
        .checked_sub(1)
        .and_then(|b| Some((*line.get(b)?, *line.get(i + 2)?)));
    Some(match outer {
        Some((before, after)) => {
            let (p, q, r) = (t + 1.0, t - 1.0, t - 2.0);
            -before * t * q * r / 6.0 + near * p * q * r / 2.0 - next * p * t * r / 2.0
                + after * p * t * q / 6.0
        }
        None => near + t * (next - near),
    })
}

/// Writes into `swing` the largest difference between each reading and those within `window` steps
/// of it.
fn swings_along(swing: &mut [f64], readings: &[f64], window: usize) {
    let highest = sliding(readings, window, |a, b| a >= b);
    let lowest = sliding(readings, window, |a, b| a <= b);
    for (k, swing) in swing.iter_mut().enumerate() {
        *swing = (highest[k] - readings[k]).max(readings[k] - lowest[k]);
    }
}

/// The most extreme value within `window` steps of each place, NaN passed over (monotone queue, one
/// pass).
fn sliding(values: &[f64], window: usize, beats: impl Fn(f64, f64) -> bool) -> Vec<f64> {
    let mut queue = std::collections::VecDeque::new();
    let mut coming = values.iter().copied().enumerate().peekable();
    (0..values.len())
        .map(|k| {
            while let Some((j, value)) = coming.next_if(|(j, _)| *j <= k + window) {
                if value.is_nan() {
                    continue;
                }
                while queue.back().is_some_and(|&(_, v)| beats(value, v)) {
                    queue.pop_back();
                }
                queue.push_back((j, value));
            }
            while queue.front().is_some_and(|&(j, _)| j + window < k) {
                queue.pop_front();
            }
            queue.front().map_or(f64::NAN, |&(_, v)| v)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The definition, pair by pair.
    fn gaps_by_definition(z: &Array2<f64>, step: f64, base: f64) -> Array2<f64> {
        let (ny, nx) = z.dim();
        let at = |x: i64, y: i64| match (usize::try_from(y), usize::try_from(x)) {
            (Ok(y), Ok(x)) => z.get((y, x)).copied().filter(|v| v.is_finite()),
            _ => None,
        };
        Array2::from_shape_fn((ny, nx), |(iy, ix)| {
            let mut worst = f64::NAN;
            let Some(here) = at(ix as i64, iy as i64) else {
                return worst;
            };
            for (dx, dy) in DIRECTIONS {
                let reach = whole_steps(base / step_length((dx, dy), step)) as i64;
                let spot =
                    |k: i64| at(ix as i64 + k * i64::from(dx), iy as i64 + k * i64::from(dy));
                let ends = |sign: i64| {
                    (1..reach)
                        .map_while(move |k| spot(sign * k).map(|v| (k, v)))
                        .collect::<Vec<_>>()
                };
                for (p, zp) in ends(-1) {
                    for (q, zq) in ends(1).into_iter().filter(|(q, _)| p + q <= reach) {
                        let chord = (zp * q as f64 + zq * p as f64) / (p + q) as f64;
                        worst = worst.max((chord - here).max(0.0));
                    }
                }
            }
            worst
        })
    }

    fn same(a: &Array2<f64>, b: &Array2<f64>, within: f64) -> bool {
        a.dim() == b.dim()
            && a.iter()
                .zip(b)
                .all(|(p, q)| (p.is_nan() && q.is_nan()) || (p - q).abs() <= within)
    }

    /// Grids of readings written to 0.05 (ties and points in line), some nodes not measured.
    fn grids() -> impl Strategy<Value = Array2<f64>> {
        (1_usize..14, 1_usize..16).prop_flat_map(|(ny, nx)| {
            let node = prop_oneof![
                6 => (-20_i32..20).prop_map(|v| f64::from(v) * 0.05),
                6 => -1.0..1.0_f64,
                1 => Just(f64::NAN),
            ];
            proptest::collection::vec(node, nx * ny)
                .prop_map(move |v| Array2::from_shape_fn((ny, nx), |(y, x)| v[y * nx + x]))
        })
    }

    fn gap(z: &Array2<f64>, base: f64) -> Array2<f64> {
        match gaps(z, 10.0, base) {
            Some(map) => map.gap,
            None => Array2::zeros((0, 0)),
        }
    }

    proptest! {
        #[test]
        fn the_two_stacks_give_the_largest_chord_of_the_definition(z in grids(), base in 20.0..200.0_f64) {
            prop_assert!(same(&gap(&z, base), &gaps_by_definition(&z, 10.0, base), 1e-12));
        }

        #[test]
        fn a_plane_changes_no_gap(z in grids(), base in 20.0..200.0_f64, a in -5.0..5.0_f64, b in -5.0..5.0_f64) {
            let tilted = Array2::from_shape_fn(z.dim(), |(y, x)| z[[y, x]] + 3.0 + a * x as f64 + b * y as f64);
            prop_assert!(same(&gap(&z, base), &gap(&tilted, base), 1e-11));
        }

        #[test]
        fn turning_and_mirroring_the_panel_turns_and_mirrors_the_gaps(z in grids(), base in 20.0..200.0_f64) {
            let mirror = |mut g: Array2<f64>| {
                g.invert_axis(ndarray::Axis(1));
                g
            };
            prop_assert!(same(&gap(&z, base), &mirror(gap(&mirror(z.clone()), base)), 1e-12));
            let turned = gap(&z.t().to_owned(), base);
            prop_assert!(same(&gap(&z, base), &turned.t().to_owned(), 1e-12));
        }

        #[test]
        fn a_longer_edge_never_shows_a_smaller_gap(z in grids(), base in 20.0..150.0_f64, more in 0.0..100.0_f64) {
            let (short, long) = (gap(&z, base), gap(&z, base + more));
            for (s, l) in short.iter().zip(&long) {
                prop_assert!(s.is_nan() || *s <= l + 1e-12);
            }
        }

        #[test]
        fn the_swing_is_that_of_the_readings_within_two_bases(z in proptest::collection::vec(-1.0..1.0_f64, 5..60), half in 1_usize..4) {
            let n = z.len();
            let row = Array2::from_shape_fn((1, n), |(_, x)| z[x]);
            let reading = |k: usize| (k >= half && k + half < n).then(|| z[k] - (z[k - half] + z[k + half]) / 2.0);
            let map = swings(&row, 10.0, 20.0 * half as f64).map(|m| m.value);
            for k in 0..n {
                let around = k.saturating_sub(4 * half)..(k + 4 * half + 1).min(n);
                let expected = reading(k).map(|r| around.filter_map(reading).map(|q| (q - r).abs()).fold(0.0, f64::max));
                let got = map.as_ref().map(|m| m[[0, k]]);
                match expected {
                    Some(e) => prop_assert!(got.is_some_and(|g| (g - e).abs() < 1e-12)),
                    None => prop_assert!(got.is_none_or(f64::is_nan)),
                }
            }
        }
    }

    #[test]
    fn a_base_under_two_steps_is_not_judged() {
        let z = Array2::zeros((9, 9));
        for base in [19.9, 0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(gaps(&z, 10.0, base).is_none());
            assert!(swings(&z, 10.0, base).is_none());
            assert!(slopes(&z, 10.0, base).is_none());
        }
        assert!(gaps(&z, 0.0, 100.0).is_none());
        let used = gaps(&z, 10.0, 25.0).map(|m| m.base_mm);
        assert!(used.is_some_and(|b| b[0] == 20.0 && b[2] == 0.0 && b[4] == 0.0));
    }

    #[test]
    fn a_rounded_step_count_still_reaches_the_whole_base() {
        // 0.3 / 0.1 is a little less than 3 in binary.
        let used = gaps(&Array2::zeros((5, 5)), 0.1, 0.3).map(|m| m.base_mm[0]);
        assert!(used.is_some_and(|b| (b - 0.3).abs() < 1e-12));
    }

    #[test]
    fn corners_and_unmeasured_nodes_have_no_gap_and_no_direction() {
        let mut z = Array2::zeros((5, 6));
        z[[2, 2]] = f64::NAN;
        if let Some(map) = gaps(&z, 10.0, 40.0) {
            for n in [[0, 0], [4, 5], [2, 2]] {
                assert!(map.gap[n].is_nan());
                assert_eq!(map.direction[n], NO_DIRECTION);
            }
            assert_eq!(map.gap[[0, 3]], 0.0);
            assert_eq!(map.direction[[0, 3]], 0);
        }
        assert!(gaps(&Array2::zeros((0, 0)), 10.0, 40.0).is_some_and(|m| m.gap.is_empty()));
    }

    #[test]
    fn a_base_far_beyond_the_panel_is_one_edge_over_each_whole_line() {
        let z = Array2::from_shape_fn((9, 12), |(y, x)| ((3 * x + y * y) % 7) as f64);
        assert!(same(&gap(&z, 1e300), &gap(&z, 1e4), 0.0));
        let worst = |map: Option<GaugeMap>| map.is_some_and(|m| m.value.iter().all(|v| v.is_nan()));
        assert!(worst(swings(&z, 10.0, 1e300)) && worst(slopes(&z, 10.0, 1e300)));
    }

    #[test]
    fn an_edge_is_not_laid_across_an_opening() {
        // A trough whose middle column is cut out: nothing can be bridged along x.
        let mut trough = Array2::from_shape_fn((1, 21), |(_, x)| (x as f64 - 10.0).abs());
        trough[[0, 10]] = f64::NAN;
        assert!(
            gaps(&trough, 10.0, 200.0)
                .is_some_and(|m| m.gap.iter().all(|g| g.is_nan() || *g < 1e-12))
        );
    }

    #[test]
    fn the_direction_is_the_one_across_the_trough() {
        for (index, (dx, dy)) in DIRECTIONS.into_iter().enumerate() {
            // Constant along the normal of this direction, a trough along it.
            let z = Array2::from_shape_fn((61, 61), |(iy, ix)| {
                let (x, y) = (ix as f64 - 30.0, iy as f64 - 30.0);
                let s =
                    (x * f64::from(dx) + y * f64::from(dy)) / f64::from(dx).hypot(f64::from(dy));
                1.0 - (-s * s / 50.0).exp()
            });
            let at_centre = gaps(&z, 10.0, 300.0).map(|m| usize::from(m.direction[[30, 30]]));
            assert_eq!(at_centre, Some(index));
        }
        assert_eq!(direction_deg(1), Some(90.0));
        assert_eq!(direction_deg(3), Some(-45.0));
        assert_eq!(direction_deg(NO_DIRECTION), None);
    }

    #[test]
    fn a_tilt_of_three_mm_a_metre_is_read_as_such_whatever_the_base() {
        let z = Array2::from_shape_fn((40, 50), |(_, x)| 0.003 * 10.0 * x as f64);
        for base in [20.0, 50.0, 130.0] {
            let worst = slopes(&z, 10.0, base).map(|m| m.value[[20, 25]]);
            assert!(
                worst.is_some_and(|w| (w - 3.0).abs() < 1e-12),
                "{base} {worst:?}"
            );
        }
    }
}
