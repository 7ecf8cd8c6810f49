//! Which colours are on the panel once the light is taken off: filler, coat, substrate, a hand,
//! tape.
//!
//! Colours are found as peaks of density (A. Rodriguez and A. Laio, Science 344, 2014: a peak is
//! denser than all near it and far from anything denser; from memory), so their number need not be
//! known, and a coat on 2 % of the panel is as much a colour as a filler on 90 %. Blocks half coat
//! and half bare lie between two colours and make no peak of their own, for they never fill an
//! area.

use super::blocks::Blocks;
use super::light::Light;
use rayon::prelude::*;

/// Blocks that are compared with each other.
const SAMPLES: usize = 1800;
/// Width of the kernel of the density, in logarithms of light (rms of the three colours).
const KERNEL: f64 = 0.08;
/// How far apart two colours are at least.
const APART: f64 = 0.2;
/// How far from a colour a block may be to count as it, in the search.
const NEAR: f64 = 0.14;
/// Share of its blocks that must lie amid their own kind.
const AMID: f64 = 0.2;
/// Least area that makes a colour, cm².
const LEAST_CM2: f64 = 4.0;

/// One colour found on the panel.
#[derive(Clone, Debug)]
pub struct Colour {
    /// Logarithm of its light, the lamp's taken off.
    pub log: [f64; 3],
    /// Which blocks are plainly of it and lie amid their own kind.
    pub blocks: Vec<usize>,
}

/// Distance of two colours: rms over red, green and blue of the difference in logarithms.
pub fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    square(a, b).sqrt()
}

fn square(a: [f64; 3], b: [f64; 3]) -> f64 {
    let (r, g, b) = (a[0] - b[0], a[1] - b[1], a[2] - b[2]);
    (r * r + g * g + b * b) / 3.0
}

/// Logarithm of a block's colour: what is seen less the light.
pub fn of_block(blocks: &Blocks, light: &Light, k: usize) -> [f64; 3] {
    std::array::from_fn(|c| blocks.log[k][c] - light[k][c])
}

/// The colours that fill areas, the commonest first.
pub fn find(blocks: &Blocks, light: &Light) -> Vec<Colour> {
    let seen: Vec<usize> = (0..blocks.count()).filter(|k| blocks.is_seen(*k)).collect();
    let stride = seen.len().div_ceil(SAMPLES).max(1);
    // A stride that shares no factor with the rows would be as good; half a stride in keeps off the
    // edge.
    let samples: Vec<[f64; 3]> = seen
        .iter()
        .skip(stride / 2)
        .step_by(stride)
        .map(|k| of_block(blocks, light, *k))
        .collect();
    let mut colours: Vec<Colour> = peaks(&samples)
        .into_iter()
        .map(|log| Colour {
            log,
            blocks: Vec::new(),
        })
        .collect();
    share_out(blocks, light, &seen, &mut colours);
    let least = LEAST_CM2 * 100.0 / (blocks.mm * blocks.mm);
    colours.retain(|c| c.blocks.len() as f64 >= least);
    colours.sort_by_key(|c| std::cmp::Reverse(c.blocks.len()));
    colours
}

fn peaks(samples: &[[f64; 3]]) -> Vec<[f64; 3]> {
    let density: Vec<f64> = samples
        .par_iter()
        .map(|a| {
            // Beyond five widths nothing is left of the kernel.
            let near = |b: &[f64; 3]| {
                let d2 = square(*a, *b) / (KERNEL * KERNEL);
                if d2 < 25.0 { (-d2 / 2.0).exp() } else { 0.0 }
            };
            samples.iter().map(near).sum()
        })
        .collect();
    let denser = |i: usize, j: usize| density[j] > density[i] || density[j] == density[i] && j < i;
    (0..samples.len())
        .filter(|&i| density[i] >= 3.0)
        .filter(|&i| {
            (0..samples.len())
                .all(|j| !denser(i, j) || square(samples[i], samples[j]) > APART * APART)
        })
        .map(|i| samples[i])
        .collect()
}

/// Give each colour the blocks that are near it and amid their own kind, twice, moving it to their
/// mean.
fn share_out(blocks: &Blocks, light: &Light, seen: &[usize], colours: &mut [Colour]) {
    for _ in 0..3 {
        let now: Vec<[f64; 3]> = colours.iter().map(|c| c.log).collect();
        let nearest: Vec<usize> = (0..blocks.count())
            .into_par_iter()
            .map(|k| {
                if !blocks.is_seen(k) {
                    return usize::MAX;
                }
                let own = of_block(blocks, light, k);
                let each = now.iter().map(|log| distance(own, *log)).enumerate();
                let best = each.min_by(|a, b| a.1.total_cmp(&b.1));
                best.filter(|(_, d)| *d < NEAR)
                    .map_or(usize::MAX, |(m, _)| m)
            })
            .collect();
        for (m, colour) in colours.iter_mut().enumerate() {
            let own: Vec<usize> = seen.iter().copied().filter(|k| nearest[*k] == m).collect();
            let amid: Vec<usize> = own
                .iter()
                .copied()
                .filter(|k| blocks.around(*k).filter(|n| nearest[*n] == m).count() >= 7)
                .collect();
            let filled = amid.len() as f64 >= AMID * own.len() as f64;
            colour.blocks = if filled { amid } else { Vec::new() };
            if !colour.blocks.is_empty() {
                let n = colour.blocks.len() as f64;
                let mut sum = [0.0; 3];
                for k in &colour.blocks {
                    let own = of_block(blocks, light, *k);
                    (0..3).for_each(|c| sum[c] += own[c]);
                }
                colour.log = sum.map(|s| s / n);
            }
        }
    }
}
