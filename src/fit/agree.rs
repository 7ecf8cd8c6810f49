//! A photo beside the readings' own surface, before the two are solved together: is it of this
//! panel, which of its colours is the coat, and how far does bare skin mean "not low" here?
//!
//! The readings alone give each cell's height over the shape, mean m and standard deviation s, of a
//! field as strong everywhere (what was found is not what is there between the lines). With
//! z = −(m + t)/√(s² + s₀²) a cell is coated with the chance P = ε + (q − ε)·σ(a + b·z): t is the
//! depth from which on coat stays, below a field that is nothing on the mean, not on fair skin;
//! where the readings know nothing, z is near 0, and there the coat is as common as it is. q is the
//! share of coat that stays on what is surely low, ε what stays on what is surely not. b = 0 is a
//! photo that has nothing to do with the readings; b < 0, or coat and bare changed over, one whose
//! colours were taken the wrong way round. All is weighed on a grid of the numbers, by the
//! likelihood of the cells under the prior of the block that was used.
//!
//! Lows are few and large, so a photo of another panel may agree by chance. How well it would by
//! chance is seen from the photo itself, laid onto the panel mirrored, turned and shifted: the
//! right place must be among the best of those.

use super::coat::{Looks, Shares};
use super::outline::LEAST_SURE;
use crate::observe::Block;
use crate::photo::CoatCells;
use rayon::prelude::*;

/// What else parts a cell from the readings' surface, s₀, mm: the coat's own level and its slow
/// part.
const BESIDE_MM: f64 = 0.06;
/// Grid of the numbers of the model: t (mm), b, a, q, ε.
const LEVELS_MM: [f64; 9] = [-0.15, -0.1, -0.06, -0.03, 0.0, 0.04, 0.1, 0.18, 0.3];
const SLOPES: [f64; 5] = [0.5, 0.8, 1.2, 1.8, 2.7];
const OFFSETS: [f64; 9] = [-3.0, -2.4, -1.8, -1.2, -0.6, 0.0, 0.6, 1.2, 2.0];
/// Shares that stay on what is surely low.
const KEPT: [f64; 8] = [0.06, 0.15, 0.3, 0.5, 0.7, 0.82, 0.92, 0.98];
/// Shares that stay on what is surely not low.
const LEFT: [f64; 4] = [0.01, 0.03, 0.08, 0.2];
/// The level by which places are told: 0, the mean of the field.
const FAIR_LEVEL: usize = 4;
/// Most coat that is believed to stay on what is not low, in the fit: more than that is what the
/// readings do not know.
const MOST_LEFT: f64 = 0.05;
/// Evidence that the colours or the place must have over none at all, in natural logarithms: 20 to
/// 1.
const ENOUGH: f64 = 3.0;
/// Share of the evidence that a right photo would bring on this survey that must be there: as the
/// photo was read, and with its colours changed over, which is rarer and so must show more.
const SHARE_OF_EXPECTED: [f64; 2] = [0.7, 1.2];
/// Evidence that readings must be able to give before a photo is judged by them at all.
const CAN_JUDGE: f64 = 6.0;
/// Share of coat below which a photo shows no more than specks.
const HARDLY: f64 = 0.03;
/// A photo in its place must be among this share of the best of all places that are tried.
const BEST_SHARE: f64 = 0.02;
/// Shifts tried along each side, and how far a shift must be to be another place, mm.
const SHIFTS: [usize; 2] = [9, 7];
const ELSEWHERE_MM: f64 = 150.0;
/// z beyond which the readings are sure of a side, and the share of coat beyond which the photo is.
const SURE_Z: f64 = 2.0;
const SURE_SHARE: f64 = 0.65;
/// Smallest place that is named, mm², and the most of them.
const LEAST_MM2: f64 = 2000.0;
const MOST_PLACES: usize = 4;

/// What is believed of coat and block before the photo is seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Belief {
    /// Share of coat that stays on what is surely low: mean, and how many independent lows that
    /// belief is worth.
    pub kept: [f64; 2],
    /// The same for what is surely not low.
    pub left: [f64; 2],
    /// Depth from which on coat stays, mm: median, and standard deviation of its logarithm.
    pub level_mm: [f64; 2],
}

impl Belief {
    /// By the block (worked out on simulated blocking with boards of 450, 250 and 130 mm; common
    /// practice names no figure): a long board leaves nearly all coat in lows, a soft pad cleans
    /// most of them. Not told: nearly open.
    pub fn of(block: Option<Block>) -> Belief {
        let (kept, worth, level_mm) = match block {
            Some(Block::LongBoard) => (0.95, 20.0, [0.04, 0.4]),
            Some(Block::HardBlock) => (0.80, 10.0, [0.08, 0.8]),
            Some(Block::SoftPad) => (0.20, 10.0, [0.15, 1.0]),
            None => (0.85, 3.0, [0.045, 0.8]),
        };
        Belief {
            kept: [kept, worth],
            left: [0.05, 6.0],
            level_mm,
        }
    }

    /// What this level has against it, in units of log likelihood.
    pub fn against_level(&self, level_mm: f64) -> f64 {
        let [median, sd] = self.level_mm;
        ((level_mm / median).ln() / sd).powi(2) / 2.0
    }
}

/// What a photo comes to beside the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Standing {
    /// It agrees, as it was read.
    Agrees,
    /// It agrees with its two colours changed over.
    ColoursSwapped,
    /// The readings cannot say: they know too little of what the photo shows.
    Open,
    /// It contradicts the readings.
    Contradicts,
}

/// Where a photo contradicts the readings' own surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Against {
    /// Middle of the place, mm.
    pub at_mm: [f64; 2],
    /// Its area, mm².
    pub area_mm2: f64,
    /// What the readings say there, mm; negative is low.
    pub height_mm: f64,
    /// Mean share of coat there.
    pub coat: f64,
}

/// A photo weighed under the readings' surface.
#[derive(Clone, Debug, PartialEq)]
pub struct Agreement {
    /// What it comes to.
    pub standing: Standing,
    /// Log of the evidence of the cells as read, and with the colours changed over, over none.
    pub evidence: [f64; 2],
    /// Evidence that a right photo would be expected to bring.
    pub expected: f64,
    /// Share of the other places of the photo on the panel that agree at least as well.
    pub by_chance: f64,
    /// Share of coat that stays on what is surely low, and on what is surely not, as learned.
    pub kept: f64,
    /// Share left on what is surely not low.
    pub left: f64,
    /// Where it contradicts the readings, the largest first.
    pub places: Vec<Against>,
}

impl Agreement {
    /// Whether the photo goes into the fit.
    pub fn used(&self) -> bool {
        self.standing != Standing::Contradicts
    }

    /// The cells as they go into the fit; `None` when they do not, or when nothing makes the photo
    /// sure of any of them. Where the colours were in doubt and the readings agree with one way of
    /// taking them, the cells are as sure as the readings make that way.
    pub fn taken(&self, cells: &CoatCells) -> Option<CoatCells> {
        let mut taken = cells.clone();
        let most = surest(cells);
        let lead = match self.standing {
            Standing::Agrees => self.evidence[0] - self.evidence[1] + odds(most),
            Standing::ColoursSwapped => {
                taken.coat.mapv_inplace(|share| 1.0 - share);
                self.evidence[1] - self.evidence[0] - odds(most)
            }
            Standing::Open => f64::NEG_INFINITY,
            Standing::Contradicts => return None,
        };
        let now = (2.0 * sigmoid(lead) - 1.0).max(most);
        if now > most {
            taken.sure.mapv_inplace(|sure| sure / most * now);
        }
        let told = taken.coat.indexed_iter().any(|(at, share)| {
            share.is_finite() && taken.seen[at] > 0.0 && taken.sure[at] >= LEAST_SURE
        });
        told.then_some(taken)
    }
}

/// Certainty of the surest cell that is seen: what all cells share is the doubt of which colour is
/// the coat.
fn surest(cells: &CoatCells) -> f64 {
    let seen = |at| cells.seen[at] > 0.0 && cells.coat[at].is_finite();
    let sure = cells.sure.indexed_iter().filter(|(at, _)| seen(*at));
    sure.fold(0.0, |most: f64, (_, s)| most.max(*s)).min(1.0)
}

/// The cells as sure as if nobody doubted which colour is the coat: so they are weighed.
pub fn undoubted(cells: &CoatCells) -> CoatCells {
    let most = surest(cells);
    let mut out = cells.clone();
    if most > 0.0 {
        out.sure.mapv_inplace(|sure| sure / most);
    }
    out
}

/// Log odds of the colours being as read, where the surest cell is so certain: with this chance it
/// is as read, else a toss.
fn odds(most: f64) -> f64 {
    let right = ((1.0 + most) / 2.0).clamp(0.5, 1.0 - 1e-9);
    (right / (1.0 - right)).ln()
}

/// How far coat and bare skin can be believed on all photos used: the mean of what each has
/// learned.
pub fn shares(weighed: &[Agreement]) -> Shares {
    let used = || weighed.iter().filter(|w| w.used());
    let n = used().count().max(1) as f64;
    let mean = |of: fn(&Agreement) -> f64| used().map(of).sum::<f64>() / n;
    Shares {
        kept: mean(|w| w.kept),
        left: mean(|w| w.left).min(MOST_LEFT),
    }
}

/// What the readings alone know at each look.
pub struct Known {
    /// Mean height over the shape, mm.
    pub mean_mm: Vec<f64>,
    /// Its standard deviation, mm.
    pub sd_mm: Vec<f64>,
}

/// Beta-like log prior of a share: mean and worth.
fn belief(share: f64, [mean, worth]: [f64; 2]) -> f64 {
    (mean * worth) * share.ln() + ((1.0 - mean) * worth) * (1.0 - share).ln()
}

fn sigmoid(u: f64) -> f64 {
    1.0 / (1.0 + (-u).exp())
}

/// log Σ exp.
fn log_sum(values: &[f64]) -> f64 {
    let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top.is_finite() {
        top + values.iter().map(|v| (v - top).exp()).sum::<f64>().ln()
    } else {
        top
    }
}

/// Looks gathered by z: coat is a count over classes of z, so that a grid of numbers costs little.
struct Classes {
    z: Vec<f64>,
    coated: Vec<f64>,
    bare: Vec<f64>,
}

/// z beyond this says no more.
const MOST_Z: f64 = 8.0;
const CLASSES: usize = 161;

impl Classes {
    fn new(z: &[f64], share: &[f64], weight: &[f64]) -> Self {
        let mut classes = Classes {
            z: (0..CLASSES)
                .map(|k| MOST_Z * (2.0 * k as f64 / (CLASSES - 1) as f64 - 1.0))
                .collect(),
            coated: vec![0.0; CLASSES],
            bare: vec![0.0; CLASSES],
        };
        for ((z, f), w) in z.iter().zip(share).zip(weight) {
            let at = (z.clamp(-MOST_Z, MOST_Z) / MOST_Z + 1.0) / 2.0 * (CLASSES - 1) as f64;
            let k = at.round() as usize;
            classes.coated[k] += w * f;
            classes.bare[k] += w * (1.0 - f);
        }
        classes
    }

    fn swapped(&self) -> Self {
        Classes {
            z: self.z.clone(),
            coated: self.bare.clone(),
            bare: self.coated.clone(),
        }
    }

    fn of(&self, model: &Model) -> f64 {
        let mut sum = 0.0;
        for k in 0..CLASSES {
            if self.coated[k] + self.bare[k] > 0.0 {
                let p = model.chance(self.z[k]);
                sum += self.coated[k] * p.ln() + self.bare[k] * (1.0 - p).ln();
            }
        }
        sum
    }
}

/// One setting of the numbers but t, which is in z.
#[derive(Clone, Copy, Debug)]
struct Model {
    offset: f64,
    slope: f64,
    kept: f64,
    left: f64,
}

impl Model {
    fn chance(&self, z: f64) -> f64 {
        let p = self.left + (self.kept - self.left) * sigmoid(self.offset + self.slope * z);
        p.clamp(1e-4, 1.0 - 1e-4)
    }
}

/// Evidence over the grid, the best setting with the level it stands at, and the mean shares.
struct Weighed {
    evidence: f64,
    best: Model,
    level: usize,
    kept: f64,
    left: f64,
}

/// Weigh the classes of each level.
fn weigh(levels: &[Classes], slopes: &[f64], prior: &Belief) -> Weighed {
    let mut models = Vec::new();
    for &slope in slopes {
        for offset in OFFSETS {
            for kept in KEPT {
                for left in LEFT.into_iter().filter(|l| *l < kept) {
                    let before = belief(kept, prior.kept) + belief(left, prior.left);
                    models.push((
                        before,
                        Model {
                            offset,
                            slope,
                            kept,
                            left,
                        },
                    ));
                }
            }
        }
    }
    let all: Vec<(f64, usize, Model)> = levels
        .par_iter()
        .enumerate()
        .flat_map_iter(|(k, classes)| {
            models
                .iter()
                .map(move |(before, model)| (before + classes.of(model), k, *model))
        })
        .collect();
    let logs: Vec<f64> = all.iter().map(|a| a.0).collect();
    let total = log_sum(&logs);
    let before: Vec<f64> = models.iter().map(|m| m.0).collect();
    let mean = |of: fn(&Model) -> f64| {
        all.iter()
            .map(|(log, _, model)| (log - total).exp() * of(model))
            .sum::<f64>()
    };
    let nothing = (
        0.0,
        0,
        Model {
            offset: 0.0,
            slope: 0.0,
            kept: 0.5,
            left: 0.1,
        },
    );
    let best = all
        .iter()
        .copied()
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or(nothing);
    Weighed {
        evidence: total - log_sum(&before) - (levels.len() as f64).ln(),
        best: best.2,
        level: best.1,
        kept: mean(|m| m.kept),
        left: mean(|m| m.left),
    }
}

/// Weigh a photo's looks under what the readings alone know there.
pub fn weigh_photo(looks: &Looks, known: &Known, prior: &Belief) -> Agreement {
    let z_at = |level: f64| -> Vec<f64> {
        let both = known.mean_mm.iter().zip(&known.sd_mm);
        both.map(|(m, s)| -(m + level) / (s * s + BESIDE_MM * BESIDE_MM).sqrt())
            .collect()
    };
    let z: Vec<Vec<f64>> = LEVELS_MM.iter().map(|t| z_at(*t)).collect();
    let classes: Vec<Classes> = z
        .iter()
        .map(|z| Classes::new(z, looks.share(), looks.weight()))
        .collect();
    let turned: Vec<Classes> = classes.iter().map(Classes::swapped).collect();
    // Without a slope z does not matter: one level stands for all.
    let none = weigh(&classes[..1], &[0.0], prior);
    let read = weigh(&classes, &SLOPES, prior);
    let none_turned = weigh(&turned[..1], &[0.0], prior);
    let swapped = weigh(&turned, &SLOPES, prior);
    let evidence = [
        read.evidence - none.evidence,
        swapped.evidence - none_turned.evidence,
    ];
    let expected = expected(&classes[read.level], &none.best, prior);
    let by_chance = |own: &Weighed, none: &Weighed, swap: bool| {
        Laid::new(looks, &z[own.level], &own.best, &none.best, swap).by_chance()
    };
    let passes = |way: usize, chance: f64| {
        evidence[way] >= ENOUGH.max(SHARE_OF_EXPECTED[way] * expected) && chance <= BEST_SHARE
    };
    let chance = by_chance(&read, &none, false);
    let places = places(looks, &z[FAIR_LEVEL], known);
    let weight: f64 = looks.weight().iter().sum();
    let coated: f64 = looks
        .share()
        .iter()
        .zip(looks.weight())
        .map(|(f, w)| f * w)
        .sum();
    // Hardly any coat, and the readings know of no low: that is what a fair panel looks like, and
    // specks lie anywhere.
    let specks = coated < HARDLY * weight && places.is_empty();
    let (standing, by_chance) = if passes(0, chance) {
        (Standing::Agrees, chance)
    } else if specks || expected < CAN_JUDGE && evidence[0] > -ENOUGH && evidence[1] < ENOUGH {
        (Standing::Open, chance)
    } else {
        let turned = by_chance(&swapped, &none_turned, true);
        if passes(1, turned) && evidence[1] > evidence[0] + ENOUGH {
            (Standing::ColoursSwapped, turned)
        } else {
            (Standing::Contradicts, chance)
        }
    };
    let own = if standing == Standing::ColoursSwapped {
        &swapped
    } else {
        &read
    };
    Agreement {
        standing,
        evidence,
        expected,
        by_chance,
        kept: own.kept,
        left: own.left,
        places,
    }
}

/// What a right photo would bring: the mean evidence over what an ordinary block leaves, coat as
/// common as here.
fn expected(classes: &Classes, none: &Model, prior: &Belief) -> f64 {
    let base = none.chance(0.0).clamp(0.02, 0.98);
    let right = Model {
        offset: (base / (1.0 - base)).ln(),
        slope: 1.2,
        kept: prior.kept[0].clamp(0.05, 0.98),
        left: 0.03,
    };
    let mut sum = 0.0;
    for k in 0..CLASSES {
        let n = classes.coated[k] + classes.bare[k];
        let p = right.chance(classes.z[k]);
        sum += n * (p * (p / base).ln() + (1.0 - p) * ((1.0 - p) / (1.0 - base)).ln());
    }
    sum
}

/// The photo on the panel's grid of looks, to be laid otherwise.
struct Laid<'a> {
    looks: &'a Looks,
    /// What a coated and a bare look bring at each look's z, over none.
    gain: Vec<[f64; 2]>,
    swap: bool,
}

impl<'a> Laid<'a> {
    fn new(looks: &'a Looks, z: &[f64], best: &Model, none: &Model, swap: bool) -> Self {
        let p0 = none.chance(0.0);
        let gain = z
            .iter()
            .map(|z| {
                let p = best.chance(z.clamp(-MOST_Z, MOST_Z));
                [(p / p0).ln(), ((1.0 - p) / (1.0 - p0)).ln()]
            })
            .collect();
        Laid { looks, gain, swap }
    }

    /// Mean gain of the photo mirrored along x or y and shifted by whole looks, over the looks that
    /// are seen in both.
    fn at(&self, mirror: [bool; 2], shift: [usize; 2]) -> f64 {
        let [nx, ny] = self.looks.count();
        let (mut sum, mut weight) = (0.0, 0.0);
        for (k, gain) in self.gain.iter().enumerate() {
            let [mut ix, mut iy] = self.looks.block(k);
            if mirror[0] {
                ix = nx - 1 - ix;
            }
            if mirror[1] {
                iy = ny - 1 - iy;
            }
            let from = [(ix + shift[0]) % nx, (iy + shift[1]) % ny];
            let Some(other) = self.looks.of_block(from) else {
                continue;
            };
            let f = self.looks.share()[other];
            let f = if self.swap { 1.0 - f } else { f };
            let w = self.looks.weight()[other];
            sum += w * (f * gain[0] + (1.0 - f) * gain[1]);
            weight += w;
        }
        if weight > 0.0 {
            sum / weight
        } else {
            f64::NEG_INFINITY
        }
    }

    /// Share of the other places that agree at least as well as the photo's own.
    fn by_chance(&self) -> f64 {
        let [nx, ny] = self.looks.count();
        let here = self.at([false, false], [0, 0]);
        let far = (ELSEWHERE_MM / self.looks.side_mm()).ceil() as usize;
        let (mut all, mut better) = (0.0, 0.0);
        for mirror in [[false, false], [true, false], [false, true], [true, true]] {
            for i in 0..SHIFTS[0] {
                for j in 0..SHIFTS[1] {
                    let shift = [i * nx / SHIFTS[0], j * ny / SHIFTS[1]];
                    let near = |s: usize, n: usize| s.min(n - s) < far;
                    if mirror == [false, false] && near(shift[0], nx) && near(shift[1], ny) {
                        continue;
                    }
                    all += 1.0;
                    better += f64::from(u8::from(self.at(mirror, shift) >= here));
                }
            }
        }
        if all > 0.0 { better / all } else { 0.0 }
    }
}

/// Places where the readings are sure of one side and the photo shows the other.
fn places(looks: &Looks, z: &[f64], known: &Known) -> Vec<Against> {
    // Bare on a measured low, coat on a measured high.
    let side = |k: usize| {
        let f = looks.share()[k];
        if z[k] > SURE_Z && f < 1.0 - SURE_SHARE {
            Some(false)
        } else if z[k] < -SURE_Z && f > SURE_SHARE {
            Some(true)
        } else {
            None
        }
    };
    let mut met = vec![false; z.len()];
    let mut found = Vec::new();
    for first in 0..z.len() {
        let Some(own) = side(first).filter(|_| !met[first]) else {
            continue;
        };
        let (mut patch, mut next) = (Vec::new(), vec![first]);
        met[first] = true;
        while let Some(k) = next.pop() {
            patch.push(k);
            for n in looks.around(k).into_iter().flatten() {
                if !met[n] && side(n) == Some(own) {
                    met[n] = true;
                    next.push(n);
                }
            }
        }
        let area_mm2 = patch.len() as f64 * looks.side_mm() * looks.side_mm();
        if area_mm2 < LEAST_MM2 {
            continue;
        }
        // Where the readings are surest, so that a person finds it.
        let Some(&at) = patch
            .iter()
            .max_by(|a, b| z[**a].abs().total_cmp(&z[**b].abs()))
        else {
            continue;
        };
        found.push(Against {
            at_mm: looks.at(at),
            area_mm2,
            height_mm: known.mean_mm[at],
            coat: patch.iter().map(|&k| looks.share()[k]).sum::<f64>() / patch.len() as f64,
        });
    }
    found.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    found.truncate(MOST_PLACES);
    found
}
