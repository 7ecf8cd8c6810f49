//! A survey's readings made ready for a search of waves: each placing's rest and a slow curve taken
//! out.
//!
//! The found surface smooths short waves away, so the search works on the readings. Each placing is
//! a block of rows (see `fit::tools`). What the search must not see, the rest and polynomials for
//! waves longer than some 400 mm, is spanned by orthonormal vectors Q; then y − QQ'y is what is
//! left of the readings, and c'(I − QQ')c what is left of a wave c. A placing is weighed by what is
//! left in it, so that one over a deep low does not speak for all.

pub mod sweep;

use crate::fit::tools::{self, Row};
use crate::observe::sound::line_of;
use crate::observe::{Placing, Survey, Tool};
use std::f64::consts::TAU;

/// Waves longer than this are taken out with the slow curve, mm, about.
pub const SLOW_MM: f64 = 400.0;
/// A placing must keep this many readings beyond what is taken out.
const FEWEST_LEFT: usize = 3;
/// Highest degree of the slow surface under readings that spread over an area.
const MOST_DEGREE: usize = 6;
/// Lowest degree of the slow curve: the same crown under all placings, or the edge's own bow, keeps
/// step and is no wave.
const LEAST_DEGREE: usize = 2;
/// A placing's own scale is taken for no less than this share of the middle one.
const LEAST_SCALE: f64 = 0.5;

/// One placing.
#[derive(Clone, Debug)]
pub struct Block {
    /// Where each row's points end among the points.
    ends: Vec<usize>,
    /// Points: x, y, weight over the placing's scale.
    points: Vec<[f64; 3]>,
    /// What is left of the readings over the placing's scale.
    left: Vec<f64>,
    /// Orthonormal vectors of what is taken out, one after another.
    out: Vec<Vec<f64>>,
    /// Middle of the readings, mm.
    pub middle: [f64; 2],
}

/// A whole survey.
#[derive(Clone, Debug)]
pub struct Series {
    /// Its placings.
    pub blocks: Vec<Block>,
    /// Box around the readings, mm.
    pub extent_mm: [f64; 4],
    /// Distance between neighbouring readings that a quarter of them have or better, mm.
    pub step_mm: f64,
    /// Weight of a wave of which nothing is taken out.
    pub full_weight: f64,
    /// Middle standard deviation of what is left in a placing, mm, where most readings are gaps;
    /// else 0.
    pub gap_noise_mm: f64,
}

/// Sums over rows that a wave is fitted with: Σ y·(cos, sin), and Σ of cos², cos·sin, sin² with
/// what is taken out left out.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sums {
    /// Against the readings.
    pub right: [f64; 2],
    /// Of the wave itself.
    pub own: [f64; 3],
}

impl Sums {
    /// Both together.
    pub fn plus(self, o: Sums) -> Sums {
        Sums {
            right: [self.right[0] + o.right[0], self.right[1] + o.right[1]],
            own: [0, 1, 2].map(|k| self.own[k] + o.own[k]),
        }
    }

    /// How much of the wave the readings could see.
    pub fn weight(&self) -> f64 {
        self.own[0] + self.own[2]
    }

    /// The sums of the same wave moved on by an angle, given as its cos and sin.
    fn turned(self, [c, s]: [f64; 2]) -> Sums {
        let ([a, b], [cc, cs, ss]) = (self.right, self.own);
        Sums {
            right: [a * c - b * s, a * s + b * c],
            own: [
                cc * c * c - 2.0 * cs * c * s + ss * s * s,
                (cc - ss) * c * s + cs * (c * c - s * s),
                cc * s * s + 2.0 * cs * c * s + ss * c * c,
            ],
        }
    }

    /// The sums of the wave the other way round: its sin is turned.
    fn back(self) -> Sums {
        Sums {
            right: [self.right[0], -self.right[1]],
            own: [self.own[0], -self.own[1], self.own[2]],
        }
    }
}

impl Series {
    /// Of a survey; `None` where too few readings are left.
    pub fn new(survey: &Survey) -> Option<Self> {
        let kept = survey.placings.iter().enumerate();
        let mut blocks: Vec<(Block, f64)> = kept
            .filter_map(|(k, p)| Block::new(p, tools::rows(p, k)))
            .collect();
        let mut scales: Vec<f64> = blocks.iter().map(|b| b.1).collect();
        scales.sort_by(f64::total_cmp);
        let middle = scales.get(scales.len() / 2).copied()?;
        let least = (LEAST_SCALE * middle).max(1e-6);
        for (block, scale) in &mut blocks {
            block.weigh(scale.max(least));
        }
        let blocks: Vec<Block> = blocks.into_iter().map(|b| b.0).collect();
        let mut extent = [
            f64::INFINITY,
            f64::INFINITY,
            f64::NEG_INFINITY,
            f64::NEG_INFINITY,
        ];
        for p in blocks.iter().flat_map(|b| &b.points) {
            extent = [
                extent[0].min(p[0]),
                extent[1].min(p[1]),
                extent[2].max(p[0]),
                extent[3].max(p[1]),
            ];
        }
        Some(Series {
            step_mm: step_of(survey)?,
            full_weight: blocks.iter().map(Block::full_weight).sum(),
            gap_noise_mm: if mostly_gaps(survey) { middle } else { 0.0 },
            blocks,
            extent_mm: extent,
        })
    }

    /// Rows of all placings.
    pub fn rows(&self) -> usize {
        self.blocks.iter().map(|b| b.left.len()).sum()
    }

    /// Sums of each placing for a wave vector (cycles per mm).
    pub fn by_block(&self, wave: [f64; 2]) -> Vec<Sums> {
        self.blocks.iter().map(|b| b.sums(wave)).collect()
    }

    /// Sums of the whole survey for a wave vector.
    pub fn sums(&self, wave: [f64; 2]) -> Sums {
        self.blocks
            .iter()
            .fold(Sums::default(), |s, b| s.plus(b.sums(wave)))
    }

    /// Takes a wave with amplitudes (cos, sin), mm, off the readings.
    pub fn less(&mut self, wave: [f64; 2], amplitude: [f64; 2]) {
        for block in &mut self.blocks {
            let [c, s] = block.wave(wave);
            let mut own: Vec<f64> = c
                .iter()
                .zip(&s)
                .map(|(c, s)| amplitude[0] * c + amplitude[1] * s)
                .collect();
            for q in &block.out {
                let share = dot(q, &own);
                own.iter_mut().zip(q).for_each(|(o, q)| *o -= share * q);
            }
            block.left.iter_mut().zip(own).for_each(|(l, o)| *l -= o);
        }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn mostly_gaps(survey: &Survey) -> bool {
    let taken = |p: &&Placing| p.taken().count();
    let gaps: usize = survey
        .placings
        .iter()
        .filter(|p| p.tool.reads_gaps())
        .map(|p| taken(&p))
        .sum();
    let all: usize = survey.placings.iter().map(|p| taken(&p)).sum();
    2 * gaps > all
}

/// Distance between readings that a quarter of the survey has or better, mm.
fn step_of(survey: &Survey) -> Option<f64> {
    let mut steps: Vec<(f64, usize)> = survey
        .placings
        .iter()
        .filter_map(|p| Some((spacing(p)?, p.taken().count())))
        .collect();
    steps.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: usize = steps.iter().map(|s| s.1).sum();
    let mut so_far = 0;
    steps
        .iter()
        .find(|s| {
            so_far += s.1;
            4 * so_far >= total
        })
        .map(|s| s.0)
}

/// Distance between a placing's readings; over an area the side of the square that each has to
/// itself.
fn spacing(placing: &Placing) -> Option<f64> {
    if placing.tool != Tool::Bridge || line_of(placing).is_some() {
        return placing.pitch_mm();
    }
    let side = |pick: fn(&crate::observe::Reading) -> f64| {
        let (low, high) = placing
            .taken()
            .map(pick)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |e, v| {
                (e.0.min(v), e.1.max(v))
            });
        high - low
    };
    let area = side(|r| r.x) * side(|r| r.y);
    let each = (area / placing.taken().count().max(1) as f64).sqrt();
    Some(each).filter(|s| *s > 0.0)
}

impl Block {
    /// A placing with the scale of what is left in it; `None` where too little is.
    fn new(placing: &Placing, rows: Vec<Row>) -> Option<(Self, f64)> {
        let mut out: Vec<Vec<f64>> = Vec::new();
        let rests = rows.first().map_or(0, |r| r.rest.len());
        for k in 0..rests {
            take_in(&mut out, rows.iter().map(|r| r.rest[k]).collect());
        }
        for column in slow(placing, &rows) {
            take_in(&mut out, column);
        }
        if rows.len() < out.len() + FEWEST_LEFT {
            return None;
        }
        let mut left: Vec<f64> = rows.iter().map(|r| r.value).collect();
        for q in &out {
            let share = dot(q, &left);
            left.iter_mut().zip(q).for_each(|(l, q)| *l -= share * q);
        }
        let freedom = (rows.len() - out.len()) as f64;
        let scale = (dot(&left, &left) / freedom).sqrt();
        let (mut ends, mut points) = (Vec::new(), Vec::new());
        for row in &rows {
            points.extend(&row.points);
            ends.push(points.len());
        }
        let n = rows.len() as f64;
        let first = |k: usize| rows.iter().map(|r| r.points[0][k]).sum::<f64>() / n;
        let middle = [first(0), first(1)];
        let block = Block {
            ends,
            points,
            left,
            out,
            middle,
        };
        Some((block, scale))
    }

    fn weigh(&mut self, scale: f64) {
        self.points.iter_mut().for_each(|p| p[2] /= scale);
        self.left.iter_mut().for_each(|l| *l /= scale);
    }

    fn full_weight(&self) -> f64 {
        self.points.iter().map(|p| p[2] * p[2]).sum()
    }

    /// A wave as the rows see it: cos and sin.
    fn wave(&self, wave: [f64; 2]) -> [Vec<f64>; 2] {
        let mut out = [vec![0.0; self.left.len()], vec![0.0; self.left.len()]];
        let mut from = 0;
        for (row, end) in self.ends.iter().enumerate() {
            for p in &self.points[from..*end] {
                let (sin, cos) = (TAU * (wave[0] * p[0] + wave[1] * p[1])).sin_cos();
                out[0][row] += p[2] * cos;
                out[1][row] += p[2] * sin;
            }
            from = *end;
        }
        out
    }

    fn sums(&self, wave: [f64; 2]) -> Sums {
        let [c, s] = self.wave(wave);
        self.of(&c, &s)
    }

    fn of(&self, c: &[f64], s: &[f64]) -> Sums {
        let mut sums = Sums {
            right: [dot(c, &self.left), dot(s, &self.left)],
            own: [dot(c, c), dot(c, s), dot(s, s)],
        };
        for q in &self.out {
            let (a, b) = (dot(q, c), dot(q, s));
            sums.own[0] -= a * a;
            sums.own[1] -= a * b;
            sums.own[2] -= b * b;
        }
        sums
    }
}

/// Makes a column orthonormal to the others and takes it in, unless it depends on them.
fn take_in(out: &mut Vec<Vec<f64>>, mut column: Vec<f64>) {
    let before = dot(&column, &column).sqrt();
    for _ in 0..2 {
        for q in out.iter() {
            let share = dot(q, &column);
            column.iter_mut().zip(q).for_each(|(c, q)| *c -= share * q);
        }
    }
    let size = dot(&column, &column).sqrt();
    if size > 1e-9 * before && size > 0.0 {
        column.iter_mut().for_each(|c| *c /= size);
        out.push(column);
    }
}

/// The slow curve: polynomials along the placing, or over the area that its readings spread over.
fn slow(placing: &Placing, rows: &[Row]) -> Vec<Vec<f64>> {
    let first = |k: usize| rows.iter().map(move |r| r.points[0][k]);
    let span = |values: &mut dyn Iterator<Item = f64>| {
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |e, v| {
            (e.0.min(v), e.1.max(v))
        });
        (low, (high - low).max(1e-9))
    };
    let degree = |length: f64| (2.0 * length / SLOW_MM).floor() as usize;
    let spread = placing.tool == Tool::Bridge && line_of(placing).is_none();
    if !spread {
        let along: Vec<f64> = rows
            .iter()
            .map(|r| r.points[0][0] * placing.toward[0] + r.points[0][1] * placing.toward[1])
            .collect();
        let (low, length) = span(&mut along.iter().copied());
        let most = degree(length).max(LEAST_DEGREE).min(rows.len() / 2);
        return (0..=most)
            .map(|d| {
                along
                    .iter()
                    .map(|s| legendre(d, 2.0 * (s - low) / length - 1.0))
                    .collect()
            })
            .collect();
    }
    let (x, y) = (span(&mut first(0)), span(&mut first(1)));
    let most = degree(x.1.max(y.1)).clamp(LEAST_DEGREE, MOST_DEGREE);
    let mut columns = Vec::new();
    for total in 0..=most {
        for i in 0..=total {
            if 4 * columns.len() >= rows.len() {
                return columns;
            }
            let own = rows.iter().map(|r| {
                let u = 2.0 * (r.points[0][0] - x.0) / x.1 - 1.0;
                let v = 2.0 * (r.points[0][1] - y.0) / y.1 - 1.0;
                legendre(total - i, u) * legendre(i, v)
            });
            columns.push(own.collect());
        }
    }
    columns
}

/// Legendre's polynomial by its recurrence (Abramowitz and Stegun 1964, 22.7.10; from memory).
fn legendre(degree: usize, x: f64) -> f64 {
    let (mut before, mut now) = (1.0, x);
    if degree == 0 {
        return before;
    }
    for k in 1..degree {
        let k = k as f64;
        (before, now) = (now, ((2.0 * k + 1.0) * x * now - k * before) / (k + 1.0));
    }
    now
}
