//! Whether a wave keeps step from placing to placing, and where on the panel it is strongest.

use super::super::series::{Series, Sums};
use super::search::Search;
use super::stands_out::ITSELF;
use rayon::prelude::*;
use std::f64::consts::PI;

/// Placings that could see less than this share of what the best of them could do not count.
const SEES: f64 = 0.2;
/// Waves of other directions that tell how many placings are independent of one another.
const OTHERS: usize = 64;
/// Cells along each side of the panel in which the placings of two surveys are compared.
const CELLS: usize = 4;

/// What one placing, or of two surveys one cell of the panel, says of a wave.
#[derive(Clone, Copy, Debug)]
struct Part {
    right: [f64; 2],
    weight: f64,
    middle: [f64; 2],
}

impl Search {
    /// Chance of keeping step as well from placing to placing, and where the wave is strongest.
    ///
    /// Neighbouring placings lie over the same lows, so they are fewer than they are counted. Of
    /// waves that do not repeat, J independent amplitudes keep step by a share of 1/J on average: J
    /// is taken from waves of the same length in other directions.
    pub fn keeps_step(&self, f: [f64; 2]) -> (f64, Option<[f64; 4]>) {
        let used = seeing(self.parts(f));
        let others: Vec<f64> = self
            .other_directions(f)
            .into_par_iter()
            .map(|g| share(&seeing(self.parts(g))))
            .collect();
        let mean = others.iter().sum::<f64>() / others.len().max(1) as f64;
        let count = (1.0 / mean.max(1e-9)).min(used.len() as f64);
        let chance = (1.0 - share(&used).min(1.0)).powf((count - 1.0).max(0.0));
        (chance, self.strongest_part(&used))
    }

    fn other_directions(&self, f: [f64; 2]) -> Vec<[f64; 2]> {
        let size = f[0].hypot(f[1]);
        (0..OTHERS)
            .map(|k| PI * k as f64 / OTHERS as f64)
            .map(|turn| [size * turn.cos(), size * turn.sin()])
            .filter(|g| self.apart(*g, f) > ITSELF)
            .collect()
    }

    /// What each placing says of a wave; of a difference what each part of the panel says.
    fn parts(&self, f: [f64; 2]) -> Vec<Part> {
        match self.series.as_slice() {
            [one] => parts_of(one, f),
            [new, old] => {
                let [a, b] = [new, old].map(|s| self.by_cell(&parts_of(s, f), CELLS));
                a.iter().zip(&b).filter_map(|(a, b)| a.less(b)).collect()
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

    /// The ninth of the panel in which the wave is strongest, if it is half as strong again there
    /// as over all.
    fn strongest_part(&self, used: &[Part]) -> Option<[f64; 4]> {
        let cells = self.by_cell(used, 3);
        let all = self.by_cell(used, 1);
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
}

impl Part {
    /// What two surveys differ by in one cell; `None` where one of them says nothing.
    fn less(&self, old: &Part) -> Option<Part> {
        if self.weight <= 0.0 || old.weight <= 0.0 {
            return None;
        }
        let weight = 1.0 / (1.0 / self.weight + 1.0 / old.weight);
        let off = |k: usize| self.right[k] / self.weight - old.right[k] / old.weight;
        Some(Part {
            right: [weight * off(0), weight * off(1)],
            weight,
            middle: self.middle,
        })
    }
}

fn parts_of(series: &Series, f: [f64; 2]) -> Vec<Part> {
    series
        .blocks
        .iter()
        .zip(series.by_block(f))
        .map(|(b, s): (_, Sums)| Part {
            right: s.right,
            weight: s.weight(),
            middle: b.middle,
        })
        .collect()
}

/// Those that could see the wave.
fn seeing(mut parts: Vec<Part>) -> Vec<Part> {
    let most = parts.iter().map(|p| p.weight).fold(0.0, f64::max);
    parts.retain(|p| p.weight > SEES * most);
    parts
}

/// The share of the parts' amplitudes that keeps step.
fn share(parts: &[Part]) -> f64 {
    let sum = |k: usize| parts.iter().map(|p| p.right[k]).sum::<f64>();
    let weight: f64 = parts.iter().map(|p| p.weight).sum();
    let own: f64 = parts
        .iter()
        .map(|p| (p.right[0].powi(2) + p.right[1].powi(2)) / p.weight)
        .sum();
    (sum(0).powi(2) + sum(1).powi(2)) / (weight * own).max(1e-30)
}
