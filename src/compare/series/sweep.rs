//! Sums for a whole grid of wave vectors at once.
//!
//! A placing along x lies on one y: a wave's part across it only moves the wave on by an angle that
//! is the same for all its readings. So its sums are taken once for each part along x and turned by
//! that angle for each part along y, all placings of one line together; along y likewise. Only
//! placings aslant, and readings that spread over an area, are summed at every wave vector.

use super::{Block, Series, Sums};
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Readings this near to one line along an axis lie on it, mm: a wave of 20 mm is a thousandth of a
/// turn off there.
const ON_LINE_MM: f64 = 0.02;
/// What turning one line's sums costs, in points of a wave.
const TURN_COST: usize = 8;

/// Placings on one line along an axis.
struct Line<'a> {
    /// Where it lies on the other axis, mm.
    at: f64,
    blocks: Vec<&'a Block>,
}

/// Placings by the line they lie on.
#[derive(Default)]
struct Sorted<'a> {
    along_x: BTreeMap<i64, Line<'a>>,
    along_y: BTreeMap<i64, Line<'a>>,
    others: Vec<&'a Block>,
}

/// A series, its placings sorted for a sweep.
pub struct Sweep<'a> {
    along_x: Vec<Line<'a>>,
    /// Lines along y: their x, mm, and their sums at each part along y.
    along_y: Vec<(f64, Vec<Sums>)>,
    others: Vec<&'a Block>,
    /// From one part along y to the next, per mm.
    step: f64,
}

/// Along which axis a placing lies: 0 for x, 1 for y, and where on the other.
fn line(block: &Block) -> Option<(usize, f64)> {
    let off = |k: usize| {
        let at = block.middle[k];
        let most = block.points.iter().map(|p| (p[k] - at).abs());
        most.fold(0.0, f64::max)
    };
    [0, 1]
        .into_iter()
        .find(|k| off(1 - k) <= ON_LINE_MM)
        .map(|k| (k, block.middle[1 - k]))
}

impl<'a> Sorted<'a> {
    fn new(series: &'a Series) -> Self {
        let mut sorted = Sorted::default();
        for block in &series.blocks {
            let Some((axis, at)) = line(block) else {
                sorted.others.push(block);
                continue;
            };
            let lines = match axis {
                0 => &mut sorted.along_x,
                _ => &mut sorted.along_y,
            };
            let key = (at / ON_LINE_MM).round() as i64;
            let blocks = Vec::new();
            let own = lines.entry(key).or_insert(Line { at, blocks });
            own.blocks.push(block);
        }
        sorted
    }
}

fn together(blocks: &[&Block], wave: [f64; 2]) -> Sums {
    blocks
        .iter()
        .fold(Sums::default(), |s, b| s.plus(b.sums(wave)))
}

/// What one wave vector of a sweep costs, in points.
pub fn cost(series: &Series) -> usize {
    let sorted = Sorted::new(series);
    let aslant = |b: &&Block| b.points.len() + b.left.len() * b.out.len();
    let others: usize = sorted.others.iter().map(aslant).sum();
    TURN_COST * (sorted.along_x.len() + sorted.along_y.len()) + others
}

impl<'a> Sweep<'a> {
    /// Made ready for parts along y of k·`step`, k from −`most` to `most`.
    pub fn new(series: &'a Series, step: f64, most: usize) -> Self {
        let sorted = Sorted::new(series);
        let table = |blocks: &[&Block]| -> Vec<Sums> {
            (0..=most)
                .map(|k| together(blocks, [0.0, k as f64 * step]))
                .collect()
        };
        Sweep {
            along_x: sorted.along_x.into_values().collect(),
            along_y: sorted
                .along_y
                .values()
                .map(|l| (l.at, table(&l.blocks)))
                .collect(),
            others: sorted.others,
            step,
        }
    }

    /// Sums for wave vectors (fx, k·step), k from −`reach` to `reach`.
    pub fn column(&self, fx: f64, reach: usize) -> Vec<Sums> {
        let mut all = vec![Sums::default(); 2 * reach + 1];
        for Line { at: y, blocks } in &self.along_x {
            let own = together(blocks, [fx, 0.0]);
            for (j, sums) in all.iter_mut().enumerate() {
                let f = (j as f64 - reach as f64) * self.step;
                let (sin, cos) = (TAU * f * y).sin_cos();
                *sums = sums.plus(own.turned([cos, sin]));
            }
        }
        for (x, table) in &self.along_y {
            let (sin, cos) = (TAU * fx * x).sin_cos();
            for (j, sums) in all.iter_mut().enumerate() {
                let Some(own) = table.get(j.abs_diff(reach)) else {
                    continue;
                };
                let own = if j < reach { own.back() } else { *own };
                *sums = sums.plus(own.turned([cos, sin]));
            }
        }
        let from = -(reach as f64) * self.step;
        for block in &self.others {
            block.column(fx, [from, self.step], &mut all);
        }
        all
    }
}

impl Block {
    /// Adds the sums for wave vectors (fx, from + k·step): turned on from one to the next.
    fn column(&self, fx: f64, [from, step]: [f64; 2], all: &mut [Sums]) {
        let turn = |f: f64, p: &[f64; 3]| (TAU * f * p[1]).sin_cos();
        let mut now: Vec<[f64; 2]> = self
            .points
            .iter()
            .map(|p| {
                let (sin, cos) = (TAU * (fx * p[0] + from * p[1])).sin_cos();
                [p[2] * cos, p[2] * sin]
            })
            .collect();
        let on: Vec<[f64; 2]> = self
            .points
            .iter()
            .map(|p| {
                let (sin, cos) = turn(step, p);
                [cos, sin]
            })
            .collect();
        let single = self.ends.len() == self.points.len();
        let rows = self.left.len();
        let (mut c, mut s) = (vec![0.0; rows], vec![0.0; rows]);
        for sums in all {
            if single {
                for (k, n) in now.iter().enumerate() {
                    (c[k], s[k]) = (n[0], n[1]);
                }
            } else {
                let mut first = 0;
                for (row, end) in self.ends.iter().enumerate() {
                    let own = &now[first..*end];
                    c[row] = own.iter().map(|n| n[0]).sum();
                    s[row] = own.iter().map(|n| n[1]).sum();
                    first = *end;
                }
            }
            *sums = sums.plus(self.of(&c, &s));
            for (n, o) in now.iter_mut().zip(&on) {
                *n = [n[0] * o[0] - n[1] * o[1], n[0] * o[1] + n[1] * o[0]];
            }
        }
    }
}
