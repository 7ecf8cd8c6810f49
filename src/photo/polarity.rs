//! Which of the two colours is the coat.
//!
//! Nothing in a picture says "coat", so marks of how a coat comes off are counted, each as a logit
//! for "the darker colour is the coat". Their weights are ours (no source), set so that no single
//! mark but scratches and substrate settles it alone:
//!
//! - *Specks.* Pinholes and scratches below the block keep their coat: specks of coat strew bare
//!   filler, hardly the other way round.
//! - *Substrate* is surrounded by bare filler: it shows on highs.
//! - *Share.* Coat is commonly the smaller part.
//! - *Convexity.* A low has an outline that bulges outwards; what lies between lows is hollow.
//! - *Habit.* Dark coat on light filler is more common than the reverse.

use super::blocks::{Blocks, box_sum};
use super::things::{Patch, Thing};

/// Which colour the coat has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Polarity {
    /// To be found out.
    #[default]
    Auto,
    /// The coat is darker than the filler.
    Dark,
    /// The coat is lighter than the filler.
    Light,
}

/// What was found out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// [`Polarity::Dark`] or [`Polarity::Light`].
    pub polarity: Polarity,
    /// Chance that it is right, by the marks, 0.5 to 1.
    pub sure: f64,
}

/// The marks, as counted.
#[derive(Clone, Copy, Debug, Default)]
pub struct Marks {
    /// Share of the darker colour, of all that is seen of the two.
    pub dark_share: f64,
    /// Dark specks a cm² of light surface, and light specks a cm² of dark surface.
    pub specks: [f64; 2],
    /// How many specks were counted in all.
    pub speck_count: usize,
    /// How much the outline of the dark areas bulges: 0.5 less the share of dark in discs on the
    /// outline.
    pub dark_bulge: f64,
    /// Substrate: area in blocks, and mean share of dark round it.
    pub substrate: Option<(usize, f64)>,
}

/// Radius of the discs on the outline, mm.
const DISC_MM: f64 = 40.0;

impl Marks {
    /// What they say together.
    pub fn say(&self) -> Found {
        let share = self.dark_share.clamp(0.02, 0.98);
        let mut logit = 0.3 + 0.7 * ((1.0 - share) / share).ln().clamp(-2.0, 2.0);
        logit += (20.0 * self.dark_bulge).clamp(-1.5, 1.5);
        if self.speck_count >= 20 {
            // Half a speck in 100 cm² keeps the ratio finite.
            let ratio = (self.specks[0] + 0.005) / (self.specks[1] + 0.005);
            logit += (1.2 * ratio.ln()).clamp(-2.5, 2.5);
        }
        if let Some((blocks, dark)) = self.substrate {
            let weight = (blocks as f64 / 20.0).min(1.0);
            logit += weight * 5.0 * (0.5 - dark);
        }
        let chance = 1.0 / (1.0 + (-logit).exp());
        Found {
            polarity: if chance >= 0.5 {
                Polarity::Dark
            } else {
                Polarity::Light
            },
            sure: chance.max(1.0 - chance),
        }
    }

    /// What the patches of a third colour add.
    pub fn with_patches(mut self, patches: &[Patch]) -> Self {
        let shown = patches.iter().filter(|p| p.thing == Thing::Substrate);
        let (mut count, mut dark) = (0usize, 0.0);
        for p in shown {
            count += p.blocks.len();
            dark += p.dark_round * p.blocks.len() as f64;
        }
        self.substrate = (count > 0).then(|| (count, dark / count as f64));
        self
    }
}

/// How much the outline of dark areas bulges; `dark` is the share of dark in each block, NaN where
/// nothing is known.
pub fn bulge(blocks: &Blocks, dark: &[f64]) -> f64 {
    let radius = ((DISC_MM / blocks.mm).round() as usize).max(1);
    let known: Vec<f64> = dark
        .iter()
        .map(|d| f64::from(u8::from(!d.is_nan())))
        .collect();
    let is_dark = |d: f64| if d > 0.5 { 1.0 } else { 0.0 };
    let mut sum: Vec<f64> = dark.iter().map(|d| is_dark(*d)).collect();
    let mut weight = known.clone();
    box_sum(&mut sum, blocks.size[0], radius);
    box_sum(&mut weight, blocks.size[0], radius);
    let full = ((2 * radius + 1) * (2 * radius + 1)) as f64;
    let (mut total, mut count) = (0.0, 0.0);
    for k in 0..blocks.count() {
        let right = ((k + 1) % blocks.size[0] != 0).then_some(k + 1);
        let above = Some(k + blocks.size[0]).filter(|n| *n < blocks.count());
        for n in [right, above].into_iter().flatten() {
            let differs =
                !dark[k].is_nan() && !dark[n].is_nan() && (dark[k] > 0.5) != (dark[n] > 0.5);
            // A disc that is cut by the panel's edge says nothing about the outline.
            if differs && weight[k] > 0.95 * full && weight[n] > 0.95 * full {
                total += 0.5 - (sum[k] / weight[k] + sum[n] / weight[n]) / 2.0;
                count += 1.0;
            }
        }
    }
    if count > 0.0 { total / count } else { 0.0 }
}
