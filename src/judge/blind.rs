//! What a survey would miss: for each place the width of a dip of just the limit that its readings
//! would surely have shown.
//!
//! A dip is taken for a dome A·exp(−r²/2σ²), its width for 4σ, where it is an eighth deep; A is the
//! height whose value under the limit's tool is just the limit. Centred on a place it adds s to the
//! readings. What of s a tool could take up by coming to rest otherwise tells nothing, so with P
//! the part of each placing's readings that no rest number reaches, and N the readings' noise,
//!
//! d′² = sᵀN^{−½}·P·N^{−½}s
//!
//! is the squared distance, in standard deviations, between readings with the dip and without it
//! (Green and Swets 1966, ch. 4: the ideal observer of a known signal). At d′ = 2·1.645 a threshold
//! halfway misses 5 % of such dips and cries wolf in 5 % without one. Bumps of the same value stand
//! higher, so dips decide. Only rows and noise enter: no field is assumed, and none can promise
//! what no reading saw.
//!
//! In a corner an edge cannot be laid across the middle of the dip, so one of just the limit is
//! deeper there: where less than half a base is left both ways, its height is the one that an edge
//! laid anywhere near on the panel reads the limit under.

use super::nodes::{FAR_MM, Reach};
use crate::fit::{Surface, plain_noise, tools};
use crate::observe::Survey;
use crate::panel::{Limit, Panel, Quantity};
use crate::photo::CoatCells;
use rayon::prelude::*;

/// Surely seen: 5 % missed, 5 % cried for nothing (2·1.645).
pub const SURE: f64 = 3.29;
/// Width of a dome over its σ.
const WIDTH: f64 = 4.0;
/// Narrowest width looked at, mm.
const NARROWEST_MM: f64 = 20.0;
/// From one width tried to the next.
const RATIO: f64 = 1.06;
/// Widths beyond so many bases are not looked at: such a survey does not check the limit.
const MOST_BASES: f64 = 2.0;
/// A dome ends at so many σ.
const END: f64 = 3.7;
/// With coat seen, a dip of the limit shows it over most of its width: it is seen when that is so
/// many cells (common practice, no source).
const CELLS_SEEN: f64 = 2.0;

/// Narrower patches of coat are specks, mm: the narrowest dent that is asked of the verdict (σ 12
/// mm, 0.3 mm deep) keeps its coat over 45 mm where coat stays from 0.05 mm down.
const SPECK_MM: f64 = 40.0;

/// A cell that shows whether there is coat with this chance or more shows it (one-sided 5 %).
const SURE_OF_COAT: f64 = 0.95;
/// A cell with this share of coat is coated (as in the photo's own areas).
const COATED: f64 = 0.5;

/// A reading as it counts here.
struct Seen {
    /// (x, y, weight).
    points: Vec<[f64; 3]>,
    per_sd: f64,
}

/// The readings of one placing.
struct Group {
    rows: Vec<Seen>,
    /// Orthonormal columns that the rests reach, each over the rows.
    rests: Vec<Vec<f64>>,
    /// `[x0, y0, x1, y1]`, mm.
    bounds: [f64; 4],
}

/// A survey's readings, ready to be asked what they would see.
pub struct Blind<'a> {
    groups: Vec<Group>,
    cells: Option<&'a CoatCells>,
}

/// How wide a dip must be to be seen, over a lattice.
#[derive(Clone, Debug, PartialEq)]
pub struct Widths {
    /// Places, mm, with the least width surely seen there, mm.
    pub places: Vec<([f64; 2], f64)>,
    /// Distance between places, mm.
    pub step_mm: f64,
    /// Most that was looked at, mm: a width of this may be wider.
    pub most_mm: f64,
}

impl Widths {
    /// The widest of the places for which `here` holds and where that is, mm; `None` without such a
    /// place.
    pub fn worst(&self, here: &dyn Fn([f64; 2]) -> bool) -> Option<(f64, [f64; 2])> {
        self.places
            .iter()
            .filter(|(p, _)| here(*p))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(p, w)| (*w, *p))
    }
}

impl<'a> Blind<'a> {
    /// Of the readings that were kept, with the noise that was found.
    pub fn new(survey: &Survey, surface: &'a Surface) -> Self {
        let groups = survey
            .placings
            .iter()
            .enumerate()
            .filter_map(|(k, placing)| {
                let out = |reading: usize| {
                    let all = &mut surface.left_out.iter();
                    all.any(|l| (l.placing, l.reading) == (k, reading))
                };
                let rows: Vec<tools::Row> = tools::rows(placing, k)
                    .into_iter()
                    .filter(|r| !out(r.reading))
                    .collect();
                let told = surface.noise_mm.get(&placing.tool);
                let noise = told.copied().unwrap_or(plain_noise(placing.tool));
                let per_sd = |r: &tools::Row| {
                    let given = placing.readings.get(r.reading).and_then(|x| x.sd_mm);
                    1.0 / given.unwrap_or(noise).max(1e-4)
                };
                (!rows.is_empty()).then(|| Group::new(&rows, &per_sd))
            })
            .collect();
        Blind {
            groups,
            cells: surface.cells.as_ref(),
        }
    }

    /// The largest patch of coat that is wider than a speck and than coat is trusted to show, in
    /// which and beside which nothing was read: its middle and its width, mm. It is low there, and
    /// how low nobody knows.
    pub fn unread_coat(&self, panel: &Panel) -> Option<([f64; 2], f64)> {
        let cells = self.cells?;
        let (ny, nx) = cells.coat.dim();
        let read: Vec<[f64; 2]> = self
            .groups
            .iter()
            .flat_map(|g| &g.rows)
            .filter_map(|r| r.points.first().map(|p| [p[0], p[1]]))
            .collect();
        // Coat that says nothing of depth, as at the foot of a high, is no low either.
        let coated = |n: [usize; 2]| {
            cells.coat[n] >= COATED && cells.seen[n] >= COATED && cells.sure[n] > 0.0
        };
        let mut seen = vec![false; nx * ny];
        let mut largest: Option<([f64; 2], f64)> = None;
        for start in 0..nx * ny {
            if seen[start] || !coated([start / nx, start % nx]) {
                continue;
            }
            seen[start] = true;
            let mut members = vec![start];
            let mut next = 0;
            while let Some(&k) = members.get(next) {
                next += 1;
                let (iy, ix) = (k / nx, k % nx);
                let around = [
                    (ix > 0).then(|| k - 1),
                    (ix + 1 < nx).then_some(k + 1),
                    (iy > 0).then(|| k - nx),
                    (iy + 1 < ny).then_some(k + nx),
                ];
                for other in around.into_iter().flatten() {
                    if !seen[other] && coated([other / nx, other % nx]) {
                        seen[other] = true;
                        members.push(other);
                    }
                }
            }
            let width = cells.cell_mm * (members.len() as f64 * 4.0 / std::f64::consts::PI).sqrt();
            if width < SPECK_MM.max(CELLS_SEEN * cells.cell_mm) {
                continue;
            }
            let middles: Vec<[f64; 2]> = members
                .iter()
                .map(|k| cells.middle(k % nx, k / nx))
                .collect();
            let near = |r: &[f64; 2]| {
                let at = |m: &[f64; 2]| (r[0] - m[0]).hypot(r[1] - m[1]) <= cells.cell_mm;
                middles.iter().any(at)
            };
            if read.iter().any(near) {
                continue;
            }
            let n = middles.len() as f64;
            let at = [0, 1].map(|k| middles.iter().map(|m| m[k]).sum::<f64>() / n);
            if panel.contains(at[0], at[1]) && largest.is_none_or(|l| width > l.1) {
                largest = Some((at, width));
            }
        }
        largest
    }

    /// d′ of a dome of height 1 mm on a place.
    fn sight(&self, at: [f64; 2], sigma_mm: f64) -> f64 {
        let reach = END * sigma_mm;
        let mut square = 0.0;
        for group in &self.groups {
            let [x0, y0, x1, y1] = group.bounds;
            if at[0] < x0 - reach || at[0] > x1 + reach || at[1] < y0 - reach || at[1] > y1 + reach
            {
                continue;
            }
            square += group.square(at, sigma_mm, reach);
        }
        square.max(0.0).sqrt()
    }

    /// Least width surely seen at a place, mm; `most_mm` where none up to it is.
    fn width(&self, at: [f64; 2], limit: &Limit, room: &Room, most_mm: f64) -> f64 {
        let shown = self.cells.filter(|c| {
            let sure = c.at(&c.sure, at[0], at[1]);
            c.is_seen(at[0], at[1]) && sure.is_some_and(|s| s >= SURE_OF_COAT)
        });
        let by_coat = shown.map_or(most_mm, |c| SPECK_MM.max(CELLS_SEEN * c.cell_mm));
        let mut width = NARROWEST_MM;
        while width < by_coat.min(most_mm) {
            let sigma = width / WIDTH;
            let seen = self.sight(at, sigma);
            let height = height_mm(limit, sigma);
            // What no corner makes deep enough need not be asked about.
            let near = seen * height >= LEAST_SHARE * SURE;
            if near && (seen * height >= SURE || seen * height >= SURE * room.share(limit, sigma)) {
                return width;
            }
            width *= RATIO;
        }
        by_coat.min(most_mm)
    }

    /// Least widths surely seen for a limit over a lattice on the panel; places far from any
    /// reading count as unmeasured and are left out.
    pub fn widths(&self, panel: &Panel, reach: &Reach, limit: &Limit, step_mm: f64) -> Widths {
        let most_mm = MOST_BASES * limit.base_mm;
        let count = |length: f64| (length / step_mm + 1e-9).floor() as usize + 1;
        let (nx, ny) = (count(panel.length_mm), count(panel.width_mm));
        let places = (0..nx * ny)
            .into_par_iter()
            .filter_map(|k| {
                let at = [(k % nx) as f64 * step_mm, (k / nx) as f64 * step_mm];
                let counts = panel.contains(at[0], at[1]) && reach.distance(at[0], at[1]) <= FAR_MM;
                counts.then(|| {
                    let room = Room::of(panel, at);
                    (at, self.width(at, limit, &room, most_mm))
                })
            })
            .collect();
        Widths {
            places,
            step_mm,
            most_mm,
        }
    }
}

/// How far the panel's box reaches from a place.
struct Room {
    /// Along x and along y, to the nearer side and to the farther one, mm.
    to_side_mm: [[f64; 2]; 2],
}

impl Room {
    fn of(panel: &Panel, at: [f64; 2]) -> Self {
        let b = panel.outline.bounds();
        Room {
            to_side_mm: [0, 1].map(|k| {
                let (low, high) = (at[k] - b[k], b[k + 2] - at[k]);
                [low.min(high).max(0.0), low.max(high).max(0.0)]
            }),
        }
    }

    /// The gap that an edge finds on the panel about a dip here, over the one it finds where it can
    /// be laid across the middle.
    fn share(&self, limit: &Limit, sigma_mm: f64) -> f64 {
        let half = limit.base_mm / 2.0;
        let [x, y] = self.to_side_mm;
        // From 2σ on little is lost.
        let enough = half.min(2.0 * sigma_mm);
        if limit.quantity != Quantity::Gap || x[0] >= enough || y[0] >= enough {
            return 1.0;
        }
        let dome = |u: f64, v: f64| (-(u * u + v * v) / (2.0 * sigma_mm * sigma_mm)).exp();
        let diagonal = std::f64::consts::FRAC_1_SQRT_2;
        let mut most: f64 = 0.0;
        for k in 0..OFF_THE_MIDDLE * OFF_THE_MIDDLE {
            // The middle of the edge, so far inward of the dip's.
            let [u, v] =
                [k / OFF_THE_MIDDLE, k % OFF_THE_MIDDLE].map(|n| 0.4 * n as f64 * sigma_mm);
            let (back_x, back_y) = (x[0] + u, y[0] + v);
            let (on_x, on_y) = ((x[1] - u).max(0.0), (y[1] - v).max(0.0));
            let ways = [
                ([1.0, 0.0], back_x, on_x),
                ([0.0, 1.0], back_y, on_y),
                (
                    [diagonal, diagonal],
                    back_x.min(back_y) / diagonal,
                    on_x.min(on_y) / diagonal,
                ),
                (
                    [diagonal, -diagonal],
                    back_x.min(on_y) / diagonal,
                    on_x.min(back_y) / diagonal,
                ),
            ];
            for ([ex, ey], back, on) in ways {
                let (back, on) = (back.min(half), on.min(half));
                // Both ends as far off as the edge reaches, as far as the nearer one, or between.
                let near = back.min(on);
                for (a, b) in [
                    (back, on),
                    (near, near),
                    (back.min(1.7 * near), on.min(1.7 * near)),
                    (back.min(1.5 * sigma_mm), on.min(1.5 * sigma_mm)),
                ] {
                    if a > 0.0 && b > 0.0 {
                        let rests =
                            b * dome(u - a * ex, v - a * ey) + a * dome(u + b * ex, v + b * ey);
                        most = most.max(dome(u, v) - rests / (a + b));
                    }
                }
            }
        }
        let across = 1.0 - dome(half, 0.0);
        (most / across.max(1e-9)).clamp(LEAST_SHARE, 1.0)
    }
}

/// Places tried each way for the middle of an edge about a dip in a corner, 0.4 σ apart.
const OFF_THE_MIDDLE: usize = 5;
/// At the very corner an edge finds a quarter of the gap, which is the least.
const LEAST_SHARE: f64 = 0.2;

/// Height of a dome whose value under the limit's tool is just the limit, mm.
fn height_mm(limit: &Limit, sigma_mm: f64) -> f64 {
    let half = limit.base_mm / 2.0;
    let dome = |s: f64| (-s * s / (2.0 * sigma_mm * sigma_mm)).exp();
    // A dome is told by its distance s from the tool's middle; so finely that its top is not
    // stepped over.
    let stations = || (-60..=60).map(|k| f64::from(k) / 20.0 * sigma_mm.max(half / 3.0));
    let value = match limit.quantity {
        Quantity::Gap => 1.0 - dome(half),
        Quantity::Swing => {
            let dial = |s: f64| dome(s) - (dome(s - half) + dome(s + half)) / 2.0;
            let (least, most) = stations()
                .chain([-half, 0.0, half])
                .map(dial)
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, m), v| {
                    (l.min(v), m.max(v))
                });
            most - least
        }
        Quantity::Slope => {
            let rise = |s: f64| (dome(s + half) - dome(s - half)).abs();
            stations().chain([half]).map(rise).fold(0.0, f64::max) / limit.base_mm * 1000.0
        }
    };
    limit.max / value.max(1e-9)
}

impl Group {
    fn new(rows: &[tools::Row], per_sd: &dyn Fn(&tools::Row) -> f64) -> Self {
        let mut bounds = [
            f64::INFINITY,
            f64::INFINITY,
            f64::NEG_INFINITY,
            f64::NEG_INFINITY,
        ];
        for [x, y, _] in rows.iter().flat_map(|r| &r.points) {
            bounds = [
                bounds[0].min(*x),
                bounds[1].min(*y),
                bounds[2].max(*x),
                bounds[3].max(*y),
            ];
        }
        let mut rests: Vec<Vec<f64>> = Vec::new();
        for k in 0..rows.iter().map(|r| r.rest.len()).max().unwrap_or(0) {
            let mut column: Vec<f64> = rows
                .iter()
                .map(|r| r.rest.get(k).copied().unwrap_or(0.0) * per_sd(r))
                .collect();
            let before = norm(&column);
            // Twice for good measure.
            for _ in 0..2 {
                for other in &rests {
                    let share: f64 = column.iter().zip(other).map(|(a, b)| a * b).sum();
                    column
                        .iter_mut()
                        .zip(other)
                        .for_each(|(a, b)| *a -= share * b);
                }
            }
            let size = norm(&column);
            if size > 1e-9 * before {
                rests.push(column.iter().map(|v| v / size).collect());
            }
        }
        Group {
            rows: rows
                .iter()
                .map(|r| Seen {
                    points: r.points.clone(),
                    per_sd: per_sd(r),
                })
                .collect(),
            rests,
            bounds,
        }
    }

    fn square(&self, at: [f64; 2], sigma_mm: f64, reach: f64) -> f64 {
        let by = -0.5 / (sigma_mm * sigma_mm);
        let far = reach * reach;
        let mut all = 0.0;
        let mut taken = [0.0; 3];
        for (k, row) in self.rows.iter().enumerate() {
            let mut signal = 0.0;
            for [x, y, weight] in &row.points {
                let square = (x - at[0]).powi(2) + (y - at[1]).powi(2);
                if square < far {
                    signal += weight * (by * square).exp();
                }
            }
            if signal == 0.0 {
                continue;
            }
            signal *= row.per_sd;
            all += signal * signal;
            for (sum, rest) in taken.iter_mut().zip(&self.rests) {
                *sum += signal * rest[k];
            }
        }
        all - taken.iter().map(|t| t * t).sum::<f64>()
    }
}

fn norm(v: &[f64]) -> f64 {
    v.iter().map(|x| x * x).sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gap(max: f64, base_mm: f64, quantity: Quantity) -> Limit {
        Limit {
            quantity,
            base_mm,
            max,
            origin: String::new(),
        }
    }

    #[test]
    fn a_narrow_dip_is_as_deep_as_its_gap_and_swings_half_as_much_again() {
        assert!((height_mm(&gap(0.3, 300.0, Quantity::Gap), 20.0) - 0.3).abs() < 1e-9);
        // 1 − exp(−2) of a dome whose σ is a quarter of the base.
        let wide = height_mm(&gap(0.3, 300.0, Quantity::Gap), 75.0);
        assert!((wide - 0.3 / (1.0 - (-2.0_f64).exp())).abs() < 1e-9);
        assert!((height_mm(&gap(0.3, 300.0, Quantity::Swing), 20.0) - 0.2).abs() < 1e-6);
        // 0.3 mm from end to end of 100 mm is 3 mm/m.
        assert!((height_mm(&gap(3.0, 100.0, Quantity::Slope), 10.0) - 0.3).abs() < 1e-3);
    }

    #[test]
    fn in_a_corner_a_dip_of_the_limit_is_as_deep_as_an_edge_on_the_panel_says() {
        let text = "name = \"p\"\nlength = 800\nwidth = 700\nform = \"flat\"\n[[limit]]\nbase = 300\ngap = 0.3\n";
        let (panel, _) = crate::panel::file::parse(text, "panel.toml").unwrap();
        let limit = gap(0.3, 300.0, Quantity::Gap);
        for sigma in [20.0, 50.0, 80.0] {
            for at in [
                [0.0, 0.0],
                [50.0, 0.0],
                [75.0, 50.0],
                [0.0, 300.0],
                [400.0, 25.0],
            ] {
                let dip = ndarray::Array2::from_shape_fn((141, 161), |(iy, ix)| {
                    let (x, y) = (5.0 * ix as f64 - at[0], 5.0 * iy as f64 - at[1]);
                    -(-(x * x + y * y) / (2.0 * sigma * sigma)).exp()
                });
                let map = crate::judge::edge::gaps(&dip, 5.0, 300.0).unwrap().gap;
                let tool = map
                    .iter()
                    .filter(|v| v.is_finite())
                    .fold(0.0, |m: f64, v| m.max(*v));
                let told =
                    Room::of(&panel, at).share(&limit, sigma) * 0.3 / height_mm(&limit, sigma);
                assert!(
                    (told / tool - 1.0).abs() < 0.12,
                    "{sigma} at {at:?}: {told:.3}, {tool:.3}"
                );
            }
        }
    }

    #[test]
    fn what_a_rest_takes_up_is_not_seen() {
        let row = |k: usize| tools::Row {
            points: vec![[50.0 * k as f64, 0.0, -1.0]],
            rest: vec![1.0, k as f64 - 2.0],
            value: 0.0,
            placing: 0,
            reading: k,
        };
        let rows: Vec<tools::Row> = (0..5).map(row).collect();
        let group = Group::new(&rows, &|_| 10.0);
        // One reading of five sees a narrow dome: of 10² the offset takes 1/5, the tilt nothing in
        // the middle.
        let square = group.square([100.0, 0.0], 5.0, 20.0);
        assert!((square - 100.0 * 0.8).abs() < 1e-6, "{square}");
        // At the end the tilt takes 2²/10 more.
        let square = group.square([200.0, 0.0], 5.0, 20.0);
        assert!((square - 100.0 * 0.4).abs() < 1e-6, "{square}");
        assert_eq!(group.square([100.0, 500.0], 5.0, 20.0), 0.0);
    }
}
