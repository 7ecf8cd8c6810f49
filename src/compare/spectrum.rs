//! What repeats: waves that keep step over a panel, found in a survey's readings or in the difference of two surveys.
//!
//! A least-squares periodogram over the plane of wave vectors (Lomb, Astrophys. Space Sci. 39, 1976, and Scargle, Astrophys. J. 263, 1982,
//! carried to two dimensions; from memory) on the readings themselves, each placing's rest and a slow curve taken out (`series`).
//! Real lows and highs have a broad spectrum, red and not even in direction. So a wave is told of only where it stands out in three
//! ways, each by chance alone less often than [`CHANCE`] over all wave vectors looked at:
//!
//! 1. against other directions of about the same wavelength,
//! 2. against other wavelengths of the same direction (one seam has all wavelengths in one direction),
//! 3. by keeping step from placing to placing (one deep low does not).
//!
//! The power over the mean m of k independent neighbours is distributed as P(> r) = (1 + r/k)^−k (the F distribution with 2 and 2k degrees of
//! freedom); the share R of J amplitudes that keeps step as P(> R) = (1 − R)^(J−1) (R. A. Fisher, Proc. R. Soc. A 125, 1929; from memory).

use super::causes;
use super::difference::HALF;
use super::series::{SLOW_MM, Series, Sums};
use crate::judge::Interval;
use crate::observe::Survey;
use rayon::prelude::*;
use serde::Serialize;
use std::f64::consts::LN_2;

/// By chance alone, over all wave vectors looked at.
pub const CHANCE: f64 = 2e-3;
/// Wave vectors lie this share of 1/extent apart.
const FINE: f64 = 0.5;
/// Longest pitch looked for, mm; longer waves are taken out with the slow curve and stand on the map as lows and highs.
pub const LONGEST_MM: f64 = SLOW_MM;
/// A pitch must repeat this often along the longer side of what was read.
const FEWEST_REPEATS: f64 = 5.0;
/// Most numbers that one pass may cost; a dense survey of a large panel is looked at down to a longer pitch.
const MOST_COST: f64 = 6e7;
/// Most waves taken out one after another.
const MOST_WAVES: usize = 4;
/// Peaks looked at in a pass.
const PEAKS: usize = 24;
/// A ring holds wavelengths within this factor.
const RING: f64 = 1.15;
/// Along its direction a wave is compared with frequencies between these shares of its own.
const RAY: [f64; 2] = [0.45, 2.3];
/// Two powers this near one another cannot be told apart: the longer wave is taken.
const ALIKE: f64 = 0.93;
/// Two waves along x and y that explain this share of what one aslant does are preferred to it.
const PAIR_ALIKE: f64 = 0.7;
/// Fewest readings.
const FEWEST_ROWS: usize = 60;
/// Two directions this near a right angle make a lattice, degrees.
const SQUARE_DEG: f64 = 8.0;
/// A lattice's second direction is looked for within this share of the first one's pitch.
const PARTNER_SHARE: f64 = 0.1;

/// A pitch that repeats.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Repeat {
    /// From crest to crest, mm, with its 95 % interval.
    pub pitch_mm: Interval3,
    /// Direction in which it repeats (across the crests), degrees from x towards y, −90 to 90.
    pub direction_deg: f64,
    /// The second pitch and direction of a lattice; `None` for one direction.
    pub across: Option<Across>,
    /// Crest to trough, mm, with its 95 % interval; of a lattice both directions together. In a difference: of what came or went.
    pub depth_mm: Interval3,
    /// Where it is strongest: x from, y from, x to, y to, mm; `None` where it is much the same everywhere.
    pub strongest_mm: Option<[f64; 4]>,
    /// How often chance alone would show one so clear, over all wave vectors looked at.
    pub chance: f64,
    /// "ribs or stringers", to be read after "looks like"; empty where nothing usual has that pitch.
    pub looks_like: String,
}

/// The second direction of a lattice.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Across {
    /// From crest to crest, mm.
    pub pitch_mm: Interval3,
    /// Direction, degrees from x towards y.
    pub direction_deg: f64,
}

/// A value with its 95 % interval, as files have it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Interval3 {
    /// Best value.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl From<Interval3> for Interval {
    fn from(i: Interval3) -> Interval {
        Interval {
            value: i.value,
            low: i.low,
            high: i.high,
        }
    }
}

/// What was looked for, and what repeats.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Repeats {
    /// Pitches looked for: shortest and longest, mm; `None` where the readings do not carry a search.
    pub looked_for_mm: Option<[f64; 2]>,
    /// What was found, the deepest first.
    pub found: Vec<Repeat>,
}

/// Pitches in a survey's own readings.
pub fn in_survey(survey: &Survey) -> Repeats {
    let Some(series) = Series::new(survey) else {
        return Repeats::default();
    };
    let supports = survey.conditions.supports.as_deref();
    Search::new(vec![series]).map_or_else(Repeats::default, |s| s.run(supports))
}

/// Pitches that came or went between two surveys.
pub fn in_difference(before: &Survey, after: &Survey) -> Repeats {
    let (Some(old), Some(new)) = (Series::new(before), Series::new(after)) else {
        return Repeats::default();
    };
    let supports = after.conditions.supports.as_deref();
    Search::new(vec![new, old]).map_or_else(Repeats::default, |s| s.run(supports))
}

/// Power of a wave vector (cycles per mm) in plain values at places, a constant taken out: the sum of squares that the wave explains.
/// For checks against other periodograms; the search itself uses the same sums.
pub fn power(places: &[[f64; 2]], values: &[f64], wave: [f64; 2]) -> f64 {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    let (mut right, mut own, mut sum) = ([0.0; 2], [0.0; 3], [0.0; 2]);
    for (p, v) in places.iter().zip(values) {
        let (s, c) = (std::f64::consts::TAU * (wave[0] * p[0] + wave[1] * p[1])).sin_cos();
        right = [right[0] + c * (v - mean), right[1] + s * (v - mean)];
        own = [own[0] + c * c, own[1] + c * s, own[2] + s * s];
        sum = [sum[0] + c, sum[1] + s];
    }
    let own = [
        own[0] - sum[0] * sum[0] / n,
        own[1] - sum[0] * sum[1] / n,
        own[2] - sum[1] * sum[1] / n,
    ];
    explained(right, own).map_or(0.0, |e| e.power)
}

/// What a fit of cos and sin explains, and with which amplitudes.
#[derive(Clone, Copy, Debug)]
struct Explained {
    power: f64,
    amplitude: [f64; 2],
}

/// Solves the two normal equations; `None` where the readings do not see the wave.
fn explained(right: [f64; 2], own: [f64; 3]) -> Option<Explained> {
    let det = own[0] * own[2] - own[1] * own[1];
    let trace = own[0] + own[2];
    if det.is_nan() || det <= 1e-6 * trace * trace {
        return None;
    }
    let amplitude = [
        (own[2] * right[0] - own[1] * right[1]) / det,
        (own[0] * right[1] - own[1] * right[0]) / det,
    ];
    Some(Explained {
        power: amplitude[0] * right[0] + amplitude[1] * right[1],
        amplitude,
    })
}

/// One wave of the plane.
#[derive(Clone, Copy, Debug)]
struct Point {
    f: [f64; 2],
    power: f64,
    /// How much of it the readings could see.
    weight: f64,
    amplitude: [f64; 2],
}

/// A wave that passed.
#[derive(Clone, Debug)]
struct Wave {
    f: [f64; 2],
    amplitude: [f64; 2],
    /// Mean power of its surroundings.
    around: f64,
    weight: f64,
    /// Standard deviation of the frequency, per mm.
    f_sd: f64,
    chance: f64,
    strongest: Option<[f64; 4]>,
}

struct Search {
    /// One survey, or the later and the earlier one of a difference.
    series: Vec<Series>,
    extent: [f64; 4],
    /// From wave vector to wave vector, per mm.
    step: [f64; 2],
    /// Pitches: shortest, longest, mm.
    pitches: [f64; 2],
    /// Wave vectors that are independent of one another, about.
    independent: f64,
}

impl Search {
    fn new(series: Vec<Series>) -> Option<Self> {
        if series.iter().any(|s| s.rows() < FEWEST_ROWS) {
            return None;
        }
        let extent = series.iter().fold(
            [
                f64::INFINITY,
                f64::INFINITY,
                f64::NEG_INFINITY,
                f64::NEG_INFINITY,
            ],
            |e, s| {
                let b = s.extent_mm;
                [
                    e[0].min(b[0]),
                    e[1].min(b[1]),
                    e[2].max(b[2]),
                    e[3].max(b[3]),
                ]
            },
        );
        let sides = [extent[2] - extent[0], extent[3] - extent[1]].map(|s| s.max(1.0));
        let longest = LONGEST_MM.min(sides[0].max(sides[1]) / FEWEST_REPEATS);
        let cost: f64 = series.iter().map(|s| s.cost() as f64).sum();
        let step = sides.map(|s| FINE / s);
        // Half a disc of wave vectors: π/2·f²/(steps) of them.
        let affordable = (MOST_COST / cost * step[0] * step[1] * 2.0 / std::f64::consts::PI).sqrt();
        let finest = series.iter().map(|s| 2.0 * s.step_mm).fold(0.0, f64::max);
        let shortest = finest.max(1.0 / affordable);
        let area = |f: f64| std::f64::consts::FRAC_PI_2 * f * f * sides[0] * sides[1];
        (shortest < 0.8 * longest).then(|| Search {
            series,
            extent,
            step,
            pitches: [shortest, longest],
            independent: (2.0 * (area(1.0 / shortest) - area(1.0 / longest))).max(10.0),
        })
    }

    fn run(mut self, supports: Option<&str>) -> Repeats {
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
        let mut found = self.paired(waves, supports);
        found.sort_by(|a, b| b.depth_mm.value.total_cmp(&a.depth_mm.value));
        Repeats {
            looked_for_mm: Some(self.pitches),
            found,
        }
    }

    /// Whether `f` is the first, second or third overtone of `base`, or the same wave again.
    fn overtone(&self, base: [f64; 2], f: [f64; 2]) -> bool {
        [-4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0]
            .iter()
            .any(|k| {
                let off: [f64; 2] = [0, 1].map(|d| (f[d] - k * base[d]) / self.step[d] * FINE);
                off[0].hypot(off[1]) < 1.0
            })
    }

    /// What the surveys tell of a wave vector: of one survey its fit, of two the difference of both fits.
    fn point(&self, f: [f64; 2], sums: &[Sums]) -> Point {
        let nothing = Point {
            f,
            power: 0.0,
            weight: 0.0,
            amplitude: [0.0; 2],
        };
        let fits: Option<Vec<Explained>> = sums
            .iter()
            .zip(&self.series)
            .map(|(s, series)| {
                // Less than a thirtieth of it seen: what is left of it tells nothing.
                let seen = s.weight() > series.full_weight / 30.0;
                explained(s.right, s.own).filter(|_| seen)
            })
            .collect();
        match (fits.as_deref(), sums) {
            (Some([one]), [s]) => Point {
                f,
                power: one.power,
                weight: s.weight(),
                amplitude: one.amplitude,
            },
            (Some([new, old]), [a, b]) => {
                let amplitude = [0, 1].map(|k| new.amplitude[k] - old.amplitude[k]);
                // (A⁻¹ + B⁻¹)⁻¹, of two by two.
                let Some(v) = inverse(plus(inverse(a.own), inverse(b.own))) else {
                    return nothing;
                };
                let power = v[0] * amplitude[0] * amplitude[0]
                    + 2.0 * v[1] * amplitude[0] * amplitude[1]
                    + v[2] * amplitude[1] * amplitude[1];
                Point {
                    f,
                    power,
                    weight: v[0] + v[2],
                    amplitude,
                }
            }
            _ => nothing,
        }
    }

    fn at(&self, f: [f64; 2]) -> Point {
        let sums: Vec<Sums> = self.series.iter().map(|s| s.sums(f)).collect();
        self.point(f, &sums)
    }

    fn within(&self, f: [f64; 2]) -> bool {
        let size = f[0].hypot(f[1]);
        size >= 1.0 / self.pitches[1] && size <= 1.0 / self.pitches[0]
    }

    /// All wave vectors of half the plane.
    fn plane(&self) -> Vec<Point> {
        let most = 1.0 / self.pitches[0];
        let along = (most / self.step[0]).ceil() as usize;
        let up = (most / self.step[1]).ceil() as usize;
        (0..=along)
            .into_par_iter()
            .flat_map_iter(|i| {
                let fx = i as f64 * self.step[0];
                // Only as far up as the disc reaches.
                let reach = (most * most - fx * fx).max(0.0).sqrt();
                let rows = ((reach / self.step[1]).ceil() as usize).min(up);
                let from = -(rows as f64) * self.step[1];
                let count = 2 * rows + 1;
                let columns: Vec<Vec<Sums>> = self
                    .series
                    .iter()
                    .map(|s| s.column(fx, from, self.step[1], count))
                    .collect();
                (0..count)
                    .filter_map(|j| {
                        let f = [fx, from + j as f64 * self.step[1]];
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
        let mut order: Vec<usize> = (0..plane.len()).collect();
        let clear = |k: &usize| plane[*k].power / rings.mean(plane[*k].f);
        order.sort_by(|a, b| clear(b).total_cmp(&clear(a)));
        let mut peaks: Vec<Point> = Vec::new();
        for k in order.into_iter().take(60 * PEAKS) {
            let p = plane[k];
            if peaks.iter().any(|q| self.apart(q.f, p.f) < 1.0) {
                continue;
            }
            peaks.push(p);
            if peaks.len() == PEAKS {
                break;
            }
        }
        let peaks: Vec<Point> = peaks.into_par_iter().map(|p| self.refined(p)).collect();
        let independent = self.independent;
        let passing: Vec<(Point, Wave)> = peaks
            .into_iter()
            .filter_map(|p| Some((p, self.passes(p, &rings, independent)?)))
            .collect();
        let clearest = passing
            .iter()
            .min_by(|a, b| a.1.chance.total_cmp(&b.1.chance))?;
        let top = clearest.0;
        if let Some(along) = self.along_axes(top)
            && let Some(wave) = self.passes(along, &rings, independent)
        {
            return Some(wave);
        }
        // Of those as strong, which lines a pitch apart cannot tell from one another, the longest.
        let length = |p: &Point| p.f[0].hypot(p.f[1]);
        passing
            .into_iter()
            .filter(|(p, _)| p.power >= ALIKE * top.power)
            .min_by(|a, b| length(&a.0).total_cmp(&length(&b.0)))
            .map(|(_, wave)| wave)
    }

    /// The second direction of a lattice: at right angles to a wave already found, of about its pitch. Few wave vectors are looked at,
    /// so a weaker wave counts.
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
    fn apart(&self, a: [f64; 2], b: [f64; 2]) -> f64 {
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

    /// Where lines lie a pitch apart, two waves along x and y explain the readings as one aslant does: the stronger of the two, if so.
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

    /// The three tests.
    fn passes(&self, p: Point, rings: &Rings, independent: f64) -> Option<Wave> {
        if p.power <= 0.0 || !self.within(p.f) {
            return None;
        }
        let (ring, ring_count) = rings.around(p.f, &|q| self.apart(q, p.f) < 1.5);
        let (ray, ray_count) = self.along_ray(p.f);
        let tail = |mean: f64, count: f64| {
            if count < 1.0 || mean <= 0.0 {
                return 1.0;
            }
            (1.0 + p.power / mean / count).powf(-count)
        };
        let step = self.keeps_step(p.f);
        let chance = tail(ring, ring_count).max(tail(ray, ray_count)).max(step.0) * independent;
        (chance < CHANCE).then(|| {
            let around = ring.max(ray);
            Wave {
                f: p.f,
                amplitude: p.amplitude,
                around,
                weight: p.weight,
                f_sd: self.frequency_sd(&p, around),
                chance,
                strongest: step.1,
            }
        })
    }

    /// Mean power of other wavelengths in the same direction, and how many of them are independent: the longer and the shorter ones each
    /// by themselves, then their geometric mean, since a red spectrum falls from one to the other.
    fn along_ray(&self, f: [f64; 2]) -> (f64, f64) {
        let size = f[0].hypot(f[1]);
        let step = [0, 1].map(|k| f[k] / size / self.step[k]);
        // One step of this length moves by half of what can be told apart.
        let pace = 1.0 / step[0].hypot(step[1]);
        let (mut sums, mut counts) = ([0.0; 2], [0.0; 2]);
        let mut at = RAY[0] * size;
        while at <= RAY[1] * size {
            let g = f.map(|v| v / size * at);
            let side = usize::from(at > size);
            at += pace;
            let own = [1.0, 2.0]
                .iter()
                .any(|k| self.apart(g, f.map(|v| k * v)) < 1.5);
            if own || !self.within(g) {
                continue;
            }
            sums[side] += self.at(g).power;
            counts[side] += 0.5;
        }
        let mean = |k: usize| sums[k] / (2.0 * counts[k]);
        match counts.map(|c| c >= 1.0) {
            [true, true] => ((mean(0) * mean(1)).sqrt(), counts[0] + counts[1]),
            [true, false] => (mean(0), counts[0]),
            [false, true] => (mean(1), counts[1]),
            _ => (0.0, 0.0),
        }
    }

    /// Chance of keeping step as well from placing to placing, and where the wave is strongest.
    fn keeps_step(&self, f: [f64; 2]) -> (f64, Option<[f64; 4]>) {
        let parts = self.parts(f);
        let most = parts.iter().map(|p| p.weight).fold(0.0, f64::max);
        let used: Vec<&Part> = parts.iter().filter(|p| p.weight > 0.2 * most).collect();
        let sum = |k: usize| used.iter().map(|p| p.right[k]).sum::<f64>();
        let weight: f64 = used.iter().map(|p| p.weight).sum();
        let own: f64 = used
            .iter()
            .map(|p| (p.right[0].powi(2) + p.right[1].powi(2)) / p.weight)
            .sum();
        let share = (sum(0).powi(2) + sum(1).powi(2)) / (weight * own).max(1e-30);
        // Neighbouring placings lie over the same lows: half of them count.
        let count = used.len() as f64 / 2.0;
        let chance = (1.0 - share.min(1.0)).powf((count - 1.0).max(0.0));
        (chance, self.strongest_part(&used))
    }

    /// What each placing says of a wave; of a difference what each part of the panel says.
    fn parts(&self, f: [f64; 2]) -> Vec<Part> {
        let of = |s: &Series| -> Vec<Part> {
            let sums = s.by_block(f);
            sums.iter()
                .zip(&s.blocks)
                .map(|(s, b)| Part {
                    right: s.right,
                    weight: s.weight(),
                    middle: b.middle,
                })
                .collect()
        };
        match self.series.as_slice() {
            [one] => of(one),
            [new, old] => {
                let [a, b] = [of(new), of(old)].map(|p| self.by_cell(&p, 4));
                a.iter()
                    .zip(&b)
                    .filter(|(a, b)| a.weight > 0.0 && b.weight > 0.0)
                    .map(|(a, b)| {
                        let weight = 1.0 / (1.0 / a.weight + 1.0 / b.weight);
                        let off = |k: usize| a.right[k] / a.weight - b.right[k] / b.weight;
                        Part {
                            right: [weight * off(0), weight * off(1)],
                            weight,
                            middle: a.middle,
                        }
                    })
                    .collect()
            }
            _ => Vec::new(),
        }
    }

    /// Parts gathered in `side` × `side` cells of the panel.
    fn by_cell(&self, parts: &[Part], side: usize) -> Vec<Part> {
        let e = self.extent;
        let size = [e[2] - e[0], e[3] - e[1]].map(|s| s.max(1.0) / side as f64);
        let mut cells: Vec<Part> = (0..side * side)
            .map(|k| Part {
                right: [0.0; 2],
                weight: 0.0,
                middle: [
                    e[0] + ((k % side) as f64 + 0.5) * size[0],
                    e[1] + ((k / side) as f64 + 0.5) * size[1],
                ],
            })
            .collect();
        for p in parts {
            let [i, j] = [0, 1].map(|d| {
                let at = ((p.middle[d] - e[d]) / size[d]).floor().max(0.0) as usize;
                at.min(side - 1)
            });
            if let Some(cell) = cells.get_mut(j * side + i) {
                cell.weight += p.weight;
                cell.right = [0, 1].map(|k| cell.right[k] + p.right[k]);
            }
        }
        cells
    }

    /// The ninth of the panel in which the wave is strongest, if it is half as strong again there as over all.
    fn strongest_part(&self, used: &[&Part]) -> Option<[f64; 4]> {
        let parts: Vec<Part> = used.iter().map(|p| **p).collect();
        let cells = self.by_cell(&parts, 3);
        let all = self.by_cell(&parts, 1);
        let most = cells.iter().map(|c| c.weight).fold(0.0, f64::max);
        let strength = |p: &Part| p.right[0].hypot(p.right[1]) / p.weight.max(1e-30);
        let best = cells
            .iter()
            .filter(|c| c.weight > 0.3 * most)
            .max_by(|a, b| strength(a).total_cmp(&strength(b)))?;
        let whole = all.first().map_or(0.0, strength);
        let e = self.extent;
        let half = [(e[2] - e[0]) / 6.0, (e[3] - e[1]) / 6.0];
        (strength(best) > 1.5 * whole).then(|| {
            [
                best.middle[0] - half[0],
                best.middle[1] - half[1],
                best.middle[0] + half[0],
                best.middle[1] + half[1],
            ]
        })
    }

    /// Standard deviation of the frequency along its direction: √(m / −P″) with the power's curvature at its top.
    fn frequency_sd(&self, p: &Point, around: f64) -> f64 {
        let size = p.f[0].hypot(p.f[1]);
        let h = 0.1 * self.step[0].min(self.step[1]);
        let off = |by: f64| self.at(p.f.map(|v| v * (1.0 + by / size))).power;
        let curvature = (2.0 * p.power - off(h) - off(-h)) / (h * h);
        if curvature > 0.0 {
            (around / curvature).sqrt()
        } else {
            self.step[0].max(self.step[1])
        }
    }

    /// Waves into pitches; two at right angles are one lattice.
    fn paired(&self, waves: Vec<Wave>, supports: Option<&str>) -> Vec<Repeat> {
        let mut left = waves;
        let mut found = Vec::new();
        while !left.is_empty() {
            let first = left.remove(0);
            let square = |w: &Wave| {
                let turn = (angle(w.f) - angle(first.f)).abs();
                (turn - 90.0).abs() < SQUARE_DEG && w.size() > 0.3 * first.size()
            };
            let second = left.iter().position(square).map(|k| left.remove(k));
            found.push(repeat(&first, second.as_ref(), supports));
        }
        found
    }
}

#[derive(Clone, Copy, Debug)]
struct Part {
    right: [f64; 2],
    weight: f64,
    middle: [f64; 2],
}

impl Wave {
    fn size(&self) -> f64 {
        self.amplitude[0].hypot(self.amplitude[1])
    }

    /// Variance of its amplitude, mm².
    fn variance(&self) -> f64 {
        self.around / self.weight.max(1e-30)
    }

    fn pitch(&self) -> Interval3 {
        let f = self.f[0].hypot(self.f[1]);
        let off = (HALF * self.f_sd).min(0.5 * f);
        Interval3 {
            value: 1.0 / f,
            low: 1.0 / (f + off),
            high: 1.0 / (f - off),
        }
    }
}

/// Direction of a wave vector, degrees, −90 to 90.
fn angle(f: [f64; 2]) -> f64 {
    let deg = f[1].atan2(f[0]).to_degrees();
    if deg > 90.0 {
        deg - 180.0
    } else if deg <= -90.0 {
        deg + 180.0
    } else {
        deg
    }
}

fn repeat(first: &Wave, second: Option<&Wave>, supports: Option<&str>) -> Repeat {
    let size: f64 = first.size() + second.map_or(0.0, Wave::size);
    let sd = (first.variance() + second.map_or(0.0, Wave::variance)).sqrt();
    let pitch_mm = first.pitch();
    Repeat {
        pitch_mm,
        direction_deg: angle(first.f),
        across: second.map(|w| Across {
            pitch_mm: w.pitch(),
            direction_deg: angle(w.f),
        }),
        depth_mm: Interval3 {
            value: 2.0 * size,
            low: (2.0 * (size - HALF * sd)).max(0.0),
            high: 2.0 * (size + HALF * sd),
        },
        strongest_mm: first.strongest,
        chance: first.chance.max(second.map_or(0.0, |w| w.chance)),
        looks_like: causes::looks_like(pitch_mm.value, supports),
    }
}

fn inverse(m: [f64; 3]) -> Option<[f64; 3]> {
    let det = m[0] * m[2] - m[1] * m[1];
    (det > 0.0 && det.is_finite()).then(|| [m[2] / det, -m[1] / det, m[0] / det])
}

fn plus(a: Option<[f64; 3]>, b: Option<[f64; 3]>) -> [f64; 3] {
    match (a, b) {
        (Some(a), Some(b)) => [0, 1, 2].map(|k| a[k] + b[k]),
        _ => [0.0; 3],
    }
}

/// Power by wavelength: the plane's points sorted into rings.
struct Rings<'a> {
    plane: &'a [Point],
    from: f64,
    means: Vec<f64>,
}

impl<'a> Rings<'a> {
    fn new(plane: &'a [Point], pitches: [f64; 2]) -> Self {
        let from = 1.0 / pitches[1];
        let count = ((pitches[1] / pitches[0]).ln() / RING.ln()).ceil().max(1.0) as usize + 1;
        let mut rings = vec![Vec::new(); count];
        for p in plane.iter().filter(|p| p.weight > 0.0) {
            let at = ((p.f[0].hypot(p.f[1]) / from).ln() / RING.ln()).max(0.0) as usize;
            rings[at.min(count - 1)].push(p.power);
        }
        let mut means: Vec<f64> = rings.into_iter().map(mean_by_median).collect();
        // An empty ring takes the power of the one within it.
        for k in 1..means.len() {
            if means[k] <= 0.0 {
                means[k] = means[k - 1];
            }
        }
        Rings { plane, from, means }
    }

    fn mean(&self, f: [f64; 2]) -> f64 {
        let at = ((f[0].hypot(f[1]) / self.from).ln() / RING.ln()).max(0.0) as usize;
        let mean = self.means.get(at.min(self.means.len().saturating_sub(1)));
        mean.copied().unwrap_or(1.0).max(1e-12)
    }

    /// Mean power of the ring about a wave, and how many independent powers it stands on.
    fn around(&self, f: [f64; 2], own: &dyn Fn([f64; 2]) -> bool) -> (f64, f64) {
        let size = f[0].hypot(f[1]);
        let near: Vec<f64> = self
            .plane
            .iter()
            .filter(|p| {
                let ratio = p.f[0].hypot(p.f[1]) / size;
                ratio < RING && ratio > 1.0 / RING && p.weight > 0.0 && !own(p.f)
            })
            .map(|p| p.power)
            .collect();
        // Four grid points to each independent one; a median is worth about half of its sample.
        let count = near.len() as f64 * FINE * FINE / 2.0;
        (mean_by_median(near), count)
    }
}

/// Mean of exponentially distributed powers from their median, which a few strong waves do not move.
fn mean_by_median(mut powers: Vec<f64>) -> f64 {
    powers.sort_by(f64::total_cmp);
    powers.get(powers.len() / 2).copied().unwrap_or(0.0) / LN_2
}
