//! Waves looked for one after another: the plane of wave vectors, its peaks, and of those the
//! clearest that passes all tests.

use super::super::series::sweep::{self, Sweep};
use super::super::series::{Series, Sums};
use super::stands_out::{Rings, tail};
use super::told::paired;
use super::{CHANCE, Explained, LONGEST_MM, Point, Repeats, Wave, angle, explained};
use rayon::prelude::*;
use std::f64::consts::{FRAC_PI_2, PI};

/// Wave vectors lie this share of 1/extent apart.
pub const FINE: f64 = 0.5;
/// Between the wave vectors looked at a peak is at most this much higher: (sin x/x)⁻⁴ at x = π/4 in
/// both directions, with some to spare.
const BETWEEN: f64 = 2.5;
/// A pitch must repeat this often along the longer side of what was read.
const FEWEST_REPEATS: f64 = 5.0;
/// Most numbers that one pass may cost; a dense survey of a large panel is looked at down to a
/// longer pitch.
const MOST_COST: f64 = 6e7;
/// Most waves taken out one after another.
const MOST_WAVES: usize = 4;
/// Peaks looked at in a pass.
const PEAKS: usize = 24;
/// Two powers this near one another cannot be told apart: the longer wave is taken.
const ALIKE: f64 = 0.93;
/// Two waves along x and y that explain this share of what one aslant does are preferred to it.
const PAIR_ALIKE: f64 = 0.7;
/// Fewest readings.
const FEWEST_ROWS: usize = 60;
/// Two directions this near a right angle make a lattice, degrees.
pub const SQUARE_DEG: f64 = 8.0;
/// A lattice's second direction is looked for within this share of the first one's pitch.
const PARTNER_SHARE: f64 = 0.1;

pub struct Search {
    /// One survey, or the later and the earlier one of a difference.
    pub series: Vec<Series>,
    /// Box around the readings, mm.
    pub extent: [f64; 4],
    /// From wave vector to wave vector, per mm.
    pub step: [f64; 2],
    /// Pitches: shortest, longest, mm.
    pitches: [f64; 2],
    /// Wave vectors that are independent of one another, about.
    pub independent: f64,
}

impl Search {
    pub fn new(series: Vec<Series>) -> Option<Self> {
        if series.iter().any(|s| s.rows() < FEWEST_ROWS) {
            return None;
        }
        let extent = series
            .iter()
            .skip(1)
            .fold(series.first()?.extent_mm, |e, s| {
                let b = s.extent_mm;
                [
                    e[0].min(b[0]),
                    e[1].min(b[1]),
                    e[2].max(b[2]),
                    e[3].max(b[3]),
                ]
            });
        let sides = [extent[2] - extent[0], extent[3] - extent[1]].map(|s| s.max(1.0));
        let longest = LONGEST_MM.min(sides[0].max(sides[1]) / FEWEST_REPEATS);
        let cost: f64 = series.iter().map(|s| sweep::cost(s) as f64).sum();
        let step = sides.map(|s| FINE / s);
        // Half a disc of wave vectors: π/2·f²/(steps) of them.
        let affordable = (MOST_COST / cost.max(1.0) * step[0] * step[1] * 2.0 / PI).sqrt();
        let finest = series.iter().map(|s| 2.0 * s.step_mm).fold(0.0, f64::max);
        let shortest = finest.max(1.0 / affordable);
        let area = |f: f64| FRAC_PI_2 * f * f * sides[0] * sides[1];
        (shortest < 0.8 * longest).then(|| Search {
            series,
            extent,
            step,
            pitches: [shortest, longest],
            independent: (2.0 * (area(1.0 / shortest) - area(1.0 / longest))).max(10.0),
        })
    }

    pub fn run(mut self, supports: Option<&str>) -> Repeats {
        let mut waves: Vec<Wave> = Vec::new();
        for _ in 0..MOST_WAVES {
            let Some(wave) = self.strongest() else { break };
            if let Some(series) = self.series.first_mut() {
                series.less(wave.f, wave.amplitude);
            }
            if !waves.iter().any(|w| self.overtone(w.f, wave.f)) {
                waves.push(wave);
            }
        }
        if let [one] = waves.as_slice() {
            waves.extend(self.partner(one.f));
        }
        let flattened = self
            .series
            .iter()
            .map(|s| s.gap_noise_mm)
            .fold(0.0, f64::max);
        let mut found = paired(waves, supports, flattened);
        found.sort_by(|a, b| b.depth_mm.value.total_cmp(&a.depth_mm.value));
        Repeats {
            looked_for_mm: Some(self.pitches),
            found,
        }
    }

    /// Whether `f` is the first, second or third overtone of `base`, or the same wave again.
    fn overtone(&self, base: [f64; 2], f: [f64; 2]) -> bool {
        (1..=4).any(|k| self.apart(f, base.map(|v| f64::from(k) * v)) < 1.0)
    }

    /// What the surveys tell of a wave vector: of one survey its fit, of two the difference of both
    /// fits.
    fn point(&self, f: [f64; 2], sums: &[Sums]) -> Point {
        let fits: Option<Vec<Explained>> = sums
            .iter()
            .zip(&self.series)
            .map(|(s, series)| {
                // Less than a thirtieth of it seen: what is left of it tells nothing.
                let seen = s.weight() > series.full_weight / 30.0;
                explained(s.right, s.own).filter(|_| seen)
            })
            .collect();
        let told = match (fits.as_deref(), sums) {
            (Some([one]), [s]) => Some(Point {
                f,
                power: one.power,
                weight: s.weight(),
                amplitude: one.amplitude,
            }),
            (Some([new, old]), [a, b]) => of_both(f, [new, old], [a, b]),
            _ => None,
        };
        told.unwrap_or(Point {
            f,
            power: 0.0,
            weight: 0.0,
            amplitude: [0.0; 2],
        })
    }

    pub fn at(&self, f: [f64; 2]) -> Point {
        let sums: Vec<Sums> = self.series.iter().map(|s| s.sums(f)).collect();
        self.point(f, &sums)
    }

    pub fn within(&self, f: [f64; 2]) -> bool {
        let size = f[0].hypot(f[1]);
        size >= 1.0 / self.pitches[1] && size <= 1.0 / self.pitches[0]
    }

    /// All wave vectors of half the plane.
    fn plane(&self) -> Vec<Point> {
        let most = 1.0 / self.pitches[0];
        let along = (most / self.step[0]).ceil() as usize;
        let up = (most / self.step[1]).ceil() as usize;
        let sweeps: Vec<Sweep> = self
            .series
            .iter()
            .map(|s| Sweep::new(s, self.step[1], up))
            .collect();
        (0..=along)
            .into_par_iter()
            .flat_map_iter(|i| {
                let fx = i as f64 * self.step[0];
                // Only as far up as the disc reaches.
                let reach = (most * most - fx * fx).max(0.0).sqrt();
                let rows = ((reach / self.step[1]).ceil() as usize).min(up);
                let columns: Vec<Vec<Sums>> = sweeps.iter().map(|s| s.column(fx, rows)).collect();
                (0..=2 * rows)
                    .filter_map(|j| {
                        let f = [fx, (j as f64 - rows as f64) * self.step[1]];
                        let twice = i == 0 && f[1] <= 0.0;
                        let sums: Vec<Sums> = columns.iter().map(|c| c[j]).collect();
                        (!twice && self.within(f)).then(|| self.point(f, &sums))
                    })
                    .collect::<Vec<Point>>()
            })
            .collect()
    }

    /// The clearest wave that passes; `None` where none does.
    fn strongest(&self) -> Option<Wave> {
        let plane = self.plane();
        let rings = Rings::new(&plane, self.pitches);
        let passing: Vec<(Point, Wave)> = self
            .peaks(&plane, &rings)
            .into_par_iter()
            .map(|p| self.refined(p))
            .filter_map(|p| Some((p, self.passes(p, &rings, self.independent)?)))
            .collect();
        let clearest = passing
            .iter()
            .min_by(|a, b| a.1.chance.total_cmp(&b.1.chance))?;
        let top = clearest.0;
        if let Some(along) = self.along_axes(top) {
            // What one of two waves along the axes explains is not told as one aslant, whether that
            // wave passes or not.
            return self.passes(along, &rings, self.independent);
        }
        // Of those as strong, which lines a pitch apart cannot tell from one another, the longest.
        let length = |p: &Point| p.f[0].hypot(p.f[1]);
        passing
            .into_iter()
            .filter(|(p, _)| p.power >= ALIKE * top.power)
            .min_by(|a, b| length(&a.0).total_cmp(&length(&b.0)))
            .map(|(_, wave)| wave)
    }

    /// Peaks of the plane, the clearest first, that may stand out against other directions.
    fn peaks(&self, plane: &[Point], rings: &Rings) -> Vec<Point> {
        let mut order: Vec<(usize, f64)> = (0..plane.len())
            .map(|k| (k, plane[k].power / rings.mean(plane[k].f)))
            .collect();
        order.sort_by(|a, b| b.1.total_cmp(&a.1));
        let mut peaks: Vec<Point> = Vec::new();
        for (k, _) in order.into_iter().take(60 * PEAKS) {
            let p = plane[k];
            if peaks.iter().all(|q| self.apart(q.f, p.f) >= 1.0) {
                peaks.push(p);
            }
            if peaks.len() == PEAKS {
                break;
            }
        }
        peaks.retain(|p| {
            let (ring, count) = rings.around(p.f, &|q| self.apart(q, p.f) < 1.5);
            tail(BETWEEN * p.power, ring, count) * self.independent < CHANCE
        });
        peaks
    }

    /// The same search with a wave taken out of the readings.
    pub fn without(&self, p: &Point) -> Search {
        let mut series = self.series.clone();
        if let Some(first) = series.first_mut() {
            first.less(p.f, p.amplitude);
        }
        Search { series, ..*self }
    }

    /// The second direction of a lattice: at right angles to a wave already found, of about its
    /// pitch. Few wave vectors are looked at, so a weaker wave counts.
    fn partner(&self, first: [f64; 2]) -> Option<Wave> {
        let plane = self.plane();
        let rings = Rings::new(&plane, self.pitches);
        let square = [-first[1], first[0]];
        let length = first[0].hypot(first[1]);
        let near = |p: &&Point| {
            let turn = (angle(p.f) - angle(square)).abs();
            let size = p.f[0].hypot(p.f[1]);
            (size / length - 1.0).abs() < PARTNER_SHARE && turn.min(180.0 - turn) < SQUARE_DEG
        };
        let window: Vec<&Point> = plane.iter().filter(near).collect();
        let independent = (2.0 * FINE * FINE * window.len() as f64).max(4.0);
        let top = window
            .into_iter()
            .max_by(|a, b| a.power.total_cmp(&b.power))?;
        self.passes(self.refined(*top), &rings, independent)
    }

    /// Distance of two wave vectors in units of what the panel's size tells apart.
    pub fn apart(&self, a: [f64; 2], b: [f64; 2]) -> f64 {
        [1.0, -1.0]
            .iter()
            .map(|sign| {
                let off: [f64; 2] = [0, 1].map(|d| (a[d] - sign * b[d]) / self.step[d] * FINE);
                off[0].hypot(off[1])
            })
            .fold(f64::INFINITY, f64::min)
    }

    /// The top of the peak: steps halved until they are 1/500 of the grid's.
    fn refined(&self, start: Point) -> Point {
        let mut best = start;
        let mut size = 0.5;
        for _ in 0..60 {
            let tried = [[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]
                .map(|d| [0, 1].map(|k| best.f[k] + size * d[k] * self.step[k]))
                .map(|f| self.at(f));
            let top = tried
                .into_iter()
                .filter(|p| self.within(p.f))
                .max_by(|a, b| a.power.total_cmp(&b.power));
            match top {
                Some(p) if p.power > best.power => best = p,
                _ => size /= 2.0,
            }
            if size < 0.002 {
                break;
            }
        }
        best
    }

    /// Where lines lie a pitch apart, two waves along x and y explain the readings as one aslant
    /// does: the stronger of the two, if so.
    fn along_axes(&self, top: Point) -> Option<Point> {
        let along = [[top.f[0].abs(), 0.0], [0.0, top.f[1].abs()]];
        let aslant = along
            .iter()
            .all(|f| self.within(*f) && self.apart(*f, top.f) > 1.0);
        if !aslant {
            return None;
        }
        let own = along.map(|f| self.refined(self.at(f)));
        let stronger = own[usize::from(own[1].power > own[0].power)];
        (own[0].power + own[1].power >= PAIR_ALIKE * top.power).then_some(stronger)
    }
}

/// The difference of two surveys' fits; its variance is that of both, (A⁻¹ + B⁻¹)⁻¹ of two by two.
fn of_both(f: [f64; 2], [new, old]: [&Explained; 2], [a, b]: [&Sums; 2]) -> Option<Point> {
    let amplitude = [0, 1].map(|k| new.amplitude[k] - old.amplitude[k]);
    let (a, b) = (inverse(a.own)?, inverse(b.own)?);
    let v = inverse([0, 1, 2].map(|k| a[k] + b[k]))?;
    let power = v[0] * amplitude[0] * amplitude[0]
        + 2.0 * v[1] * amplitude[0] * amplitude[1]
        + v[2] * amplitude[1] * amplitude[1];
    Some(Point {
        f,
        power,
        weight: v[0] + v[2],
        amplitude,
    })
}

fn inverse(m: [f64; 3]) -> Option<[f64; 3]> {
    let det = m[0] * m[2] - m[1] * m[1];
    (det > 0.0 && det.is_finite()).then(|| [m[2] / det, -m[1] / det, m[0] / det])
}
