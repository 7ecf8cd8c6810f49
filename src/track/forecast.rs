//! What another cycle is likely to leave: learned from this panel, then this shop, and scored
//! against what then happened.
//!
//! With w the worst gap over its limit, a cycle takes ln w to ln w + y, y = a + b·ln w + noise. On
//! simulated jobs b is near −1: what a cycle leaves is what the hand and its board leave, and
//! hardly depends on how bad it was before (least squares over 240 simulated cycles: ln w after is
//! −0.43 + 0.10·ln w before, residual 0.26). a and b have a normal prior, the noise an inverse
//! gamma one, both as wide as to be overruled by a few cycles; what the book holds makes them the
//! posterior, in closed form (normal inverse gamma, any textbook of Bayesian regression). The
//! forecast is its predictive Student's t, 90 %. `tests/trends.rs` holds it to what then happens,
//! on simulated jobs: no real shop's cycles were at hand.

use super::cycle::{Cycle, LimitRow, deciding, same};
use crate::keep::Kind;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use serde::Serialize;

/// Prior mean of a and b: a cycle leaves about 0.7 of the limit, a little more where it began far
/// above it (chosen on simulated jobs).
const MEAN: [f64; 2] = [-0.35, -0.9];
/// Prior precision of a and b, in units of the noise's variance.
const PRECISION: [f64; 2] = [4.0, 6.0];
/// Prior of the noise: as sure as this many cycles.
const DEGREES: f64 = 6.0;
/// Prior standard deviation of the noise, of ln w (chosen on simulated jobs).
const NOISE: f64 = 0.25;
/// What a cycle of another panel of the shop counts against one of this panel.
pub(super) const SHOP_WEIGHT: f64 = 0.5;

/// One cycle that happened: ln of worst over limit before and after.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Before.
    pub from: f64,
    /// After.
    pub to: f64,
}

/// What is expected of the next cycle.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Forecast {
    /// Base of the limit that decides, mm.
    pub base_mm: f64,
    /// That limit, mm.
    pub limit_mm: f64,
    /// Worst now, mm.
    pub from_mm: f64,
    /// Worst expected after another cycle, mm.
    pub to_mm: f64,
    /// Lower end of its 90 % interval, mm.
    pub low_mm: f64,
    /// Upper end, mm.
    pub high_mm: f64,
    /// Hours that such a cycle took here so far, else as usual.
    pub hours: f64,
    /// Cycles of this panel and of the shop that it is learned from.
    pub own_cycles: usize,
    /// Of other panels.
    pub shop_cycles: usize,
    /// How earlier forecasts did; `None` before the first could be scored.
    pub past: Option<Past>,
}

/// How earlier forecasts of this panel did.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Past {
    /// Forecasts scored.
    pub count: usize,
    /// Of them, inside their 90 % interval.
    pub held: usize,
    /// Mean size of their error, as a share of what then happened.
    pub mean_error: f64,
}

/// Most cycles that are counted.
const MOST_CYCLES: usize = 8;
/// Ways in which the cycles to come are played through.
const WAYS: usize = 256;

/// Cycles still to come.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToCome {
    /// Expected, 1 or more.
    pub cycles: f64,
    /// Lower end of the 90 % interval.
    pub low: f64,
    /// Upper end; 8 stands for 8 or more.
    pub high: f64,
}

/// Standard normal numbers from a fixed seed: for a, for b, for where it begins, and one a cycle.
pub struct Chances(Vec<[f64; 3 + MOST_CYCLES]>);

impl Default for Chances {
    fn default() -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let way = |_| std::array::from_fn(|_| rng.sample(StandardNormal));
        Chances((0..WAYS).map(way).collect())
    }
}

/// A normal inverse gamma posterior over (a, b).
pub(super) struct Model {
    mean: [f64; 2],
    /// Inverse of the precision matrix, in units of the noise's variance.
    cover: [[f64; 2]; 2],
    degrees: f64,
    scale: f64,
}

/// Weighted sums over cycles: all that the posterior asks of them, so that cycles can be added and
/// taken out again.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    /// Σ w x x': 1·1, 1·x, x·x.
    xx: [f64; 3],
    /// Σ w x y.
    xy: [f64; 2],
    /// Σ w y y.
    yy: f64,
}

impl Sums {
    /// Adds cycles, each with a weight.
    pub(super) fn with(mut self, steps: &[Step], weight: f64) -> Self {
        for step in steps {
            let (x, y) = (step.from, step.to - step.from);
            for (sum, v) in self.xx.iter_mut().zip([1.0, x, x * x]) {
                *sum += weight * v;
            }
            for (sum, v) in self.xy.iter_mut().zip([y, x * y]) {
                *sum += weight * v;
            }
            self.yy += weight * y * y;
        }
        self
    }

    /// Of a panel's own cycles and those of the shop's other panels.
    fn of(own: &[Step], shop: &[Step]) -> Self {
        Sums::default().with(own, 1.0).with(shop, SHOP_WEIGHT)
    }
}

impl Model {
    /// The posterior.
    pub(super) fn learned(from: &Sums) -> Self {
        let p = [
            [PRECISION[0] + from.xx[0], from.xx[1]],
            [from.xx[1], PRECISION[1] + from.xx[2]],
        ];
        let q = [0, 1].map(|k| PRECISION[k] * MEAN[k] + from.xy[k]);
        let prior = PRECISION[0] * MEAN[0].powi(2) + PRECISION[1] * MEAN[1].powi(2);
        let square = prior + from.yy;
        let degrees = DEGREES + from.xx[0];
        let det = p[0][0] * p[1][1] - p[0][1] * p[1][0];
        let cover = [
            [p[1][1] / det, -p[0][1] / det],
            [-p[1][0] / det, p[0][0] / det],
        ];
        let mean = [
            cover[0][0] * q[0] + cover[0][1] * q[1],
            cover[1][0] * q[0] + cover[1][1] * q[1],
        ];
        let explained = mean[0] * q[0] + mean[1] * q[1];
        let scale = (DEGREES * NOISE * NOISE + (square - explained).max(0.0)) / degrees;
        Model {
            mean,
            cover,
            degrees,
            scale,
        }
    }

    /// How many cycles there are still to come until the worst is within its limit, from ln w and
    /// its standard deviation: all of `chances` played through.
    pub(super) fn to_come(&self, from: f64, sd: f64, chances: &Chances) -> ToCome {
        let spread = |v: f64| (self.scale * v.max(0.0)).sqrt();
        // a and b hang together: Cholesky's factor of their covariance.
        let a = spread(self.cover[0][0]);
        let ab = if a > 0.0 {
            self.scale * self.cover[0][1] / a
        } else {
            0.0
        };
        let b = (self.scale * self.cover[1][1] - ab * ab).max(0.0).sqrt();
        // The noise's variance is not known either: Student's t has degrees/(degrees − 2) times the
        // normal's.
        let noise = spread(self.degrees / (self.degrees - 2.0).max(1.0));
        let mut counts: Vec<usize> = chances
            .0
            .iter()
            .map(|z| {
                let line = [self.mean[0] + a * z[0], self.mean[1] + ab * z[0] + b * z[1]];
                let mut w = from + sd * z[2];
                let mut count = 0;
                while count < MOST_CYCLES && (count == 0 || w > 0.0) {
                    w += line[0] + line[1] * w + noise * z[3 + count];
                    count += 1;
                }
                count
            })
            .collect();
        counts.sort_unstable();
        let at = |share: f64| {
            let k = ((counts.len() as f64 * share) as usize).min(counts.len().saturating_sub(1));
            counts.get(k).copied().unwrap_or(0) as f64
        };
        let mean = counts.iter().sum::<usize>() as f64 / counts.len().max(1) as f64;
        // The mean may lie outside where hardly any way needs another cycle.
        ToCome {
            cycles: mean,
            low: at(0.05).min(mean),
            high: at(0.95).max(mean),
        }
    }

    /// Expected ln w after a cycle from `from`, and half of its 90 % interval; `extra` is the
    /// variance of `from` itself, which reaches the forecast as far as that depends on `from`.
    fn next(&self, from: f64, extra: f64) -> (f64, f64) {
        let x = [1.0, from];
        let spread =
            self.cover[0][0] + 2.0 * self.cover[0][1] * x[1] + self.cover[1][1] * x[1] * x[1];
        let reaches = (1.0 + self.mean[1]).powi(2);
        let variance = self.scale * (1.0 + spread) + reaches * extra;
        let expected = from + self.mean[0] + self.mean[1] * x[1];
        (expected, t90(self.degrees) * variance.sqrt())
    }
}

/// 95 % point of Student's t (Cornish and Fisher's expansion about the normal, good to 0.01 from 5
/// degrees on).
fn t90(degrees: f64) -> f64 {
    let z: f64 = 1.644_853_627;
    let n = degrees.max(3.0);
    z + (z.powi(3) + z) / (4.0 * n)
        + (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / (96.0 * n * n)
}

/// What a forecast asks of a survey: its limits, and whether there was filling or sanding since the
/// one before.
pub struct Seen<'a> {
    /// Limits.
    pub limits: &'a [LimitRow],
    /// Filled or sanded since the survey before.
    pub worked: bool,
}

/// Cycles of a panel that had filling or sanding in them, at the limit that decided before each.
pub fn steps(cycles: &[Cycle]) -> Vec<Step> {
    let seen: Vec<Seen> = cycles
        .iter()
        .map(|c| Seen {
            limits: &c.limits,
            worked: worked(c),
        })
        .collect();
    steps_of(&seen)
}

/// The same from surveys of which only that is known.
pub fn steps_of(seen: &[Seen]) -> Vec<Step> {
    seen.windows(2)
        .filter(|pair| pair[1].worked)
        .filter_map(|pair| {
            let was = deciding(pair[0].limits)?;
            let is = same(pair[1].limits, was)?;
            let step = Step {
                from: (was.worst_mm? / was.allowed()).ln(),
                to: (is.worst_mm? / was.allowed()).ln(),
            };
            (step.from.is_finite() && step.to.is_finite()).then_some(step)
        })
        .collect()
}

/// Whether a cycle was one of filling or sanding.
fn worked(cycle: &Cycle) -> bool {
    cycle
        .work
        .iter()
        .any(|w| Kind::from_word(w).is_ok_and(fills_or_sands))
}

/// Whether a kind of work is filling or sanding.
pub fn fills_or_sands(kind: Kind) -> bool {
    matches!(kind, Kind::Fill | Kind::Sand | Kind::Block)
}

/// ln of worst over limit at the limit that decides, and its standard deviation.
pub fn start(limits: &[LimitRow]) -> Option<[f64; 2]> {
    let now = deciding(limits)?;
    let worst = now.worst_mm?;
    let from = (worst / now.allowed()).ln();
    let sd = now.sd().map_or(0.0, |sd| sd / worst.max(1e-6));
    from.is_finite().then_some([from, sd])
}

/// Cycles still to come after these, learned as the forecast is; `None` where no limit can be
/// checked.
pub fn to_come(cycles: &[Cycle], shop: &[Step], chances: &Chances) -> Option<ToCome> {
    let [from, sd] = start(&cycles.last()?.limits)?;
    let model = Model::learned(&Sums::of(&steps(cycles), shop));
    Some(model.to_come(from, sd, chances))
}

/// Hours of a cycle where none were entered (common practice, no source).
const USUAL_HOURS: f64 = 3.0;

/// What another cycle is expected to leave. `shop`: steps of the book's other panels. `None` where
/// no limit can be checked.
pub fn forecast(cycles: &[Cycle], shop: &[Step]) -> Option<Forecast> {
    let last = cycles.last()?;
    let now = last.deciding()?;
    let (worst, allowed) = (now.worst_mm?, now.allowed());
    let own = steps(cycles);
    let model = Model::learned(&Sums::of(&own, shop));
    let [from, sd] = start(&last.limits)?;
    let (expected, half) = model.next(from, sd * sd);
    if !expected.is_finite() {
        return None;
    }
    let hours: Vec<f64> = cycles
        .iter()
        .skip(1)
        .filter(|c| worked(c) && c.hours > 0.0)
        .map(|c| c.hours)
        .collect();
    Some(Forecast {
        base_mm: now.base_mm,
        limit_mm: allowed,
        from_mm: worst,
        to_mm: allowed * expected.exp(),
        low_mm: allowed * (expected - half).exp(),
        high_mm: allowed * (expected + half).exp(),
        hours: if hours.is_empty() {
            USUAL_HOURS
        } else {
            hours.iter().sum::<f64>() / hours.len() as f64
        },
        own_cycles: own.len(),
        shop_cycles: shop.len(),
        past: past(cycles, shop),
    })
}

/// Forecasts as they would have been made at each cycle, against what then happened.
fn past(cycles: &[Cycle], shop: &[Step]) -> Option<Past> {
    let own = steps(cycles);
    let (mut held, mut error) = (0, 0.0);
    for (k, step) in own.iter().enumerate() {
        let model = Model::learned(&Sums::of(&own[..k], shop));
        let (expected, half) = model.next(step.from, 0.0);
        if (step.to - expected).abs() <= half {
            held += 1;
        }
        error += (expected - step.to).exp_m1().abs();
    }
    (!own.is_empty()).then(|| Past {
        count: own.len(),
        held,
        mean_error: error / own.len() as f64,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_t_quantile_is_the_tables() {
        // 95 % points of any table (from memory): 5: 2.015, 10: 1.812, 30: 1.697.
        for (n, t) in [(5.0, 2.015), (10.0, 1.812), (30.0, 1.697)] {
            assert!((t90(n) - t).abs() < 0.01, "{n}: {}", t90(n));
        }
    }

    #[test]
    fn many_cycles_overrule_the_prior() {
        // Every cycle leaves 0.8 of what was there, wherever it began.
        let steps: Vec<Step> = (0..4000)
            .map(|k| {
                let from = (k % 20) as f64 * 0.1;
                Step {
                    from,
                    to: from + 0.8f64.ln(),
                }
            })
            .collect();
        let model = Model::learned(&Sums::of(&steps, &[]));
        let (expected, half) = model.next(1.0, 0.0);
        assert!((expected - 1.0 - 0.8f64.ln()).abs() < 0.02, "{expected}");
        assert!(half < 0.15, "{half}");
    }

    #[test]
    fn without_cycles_the_prior_speaks() {
        let model = Model::learned(&Sums::default());
        let (expected, half) = model.next(0.0, 0.0);
        assert_eq!(expected, MEAN[0]);
        // t(6) = 1.943 (any table), and √1.25 for the four cycles that the prior of a counts for.
        assert!(
            (half - 1.943 * NOISE * 1.25f64.sqrt()).abs() < 0.01,
            "{half}"
        );
    }

    /// Without noise and with a known line the count follows from arithmetic: ln w → ln w − 0.5,
    /// from 1.2 three cycles.
    #[test]
    fn cycles_to_come_are_counted() {
        let sure = Model {
            mean: [-0.5, 0.0],
            cover: [[0.0; 2]; 2],
            degrees: 1e9,
            scale: 1e-12,
        };
        let told = sure.to_come(1.2, 0.0, &Chances::default());
        assert_eq!([told.cycles, told.low, told.high], [3.0; 3]);
        // It never gets there: the count ends.
        let never = Model {
            mean: [0.0, 0.0],
            ..sure
        };
        assert_eq!(never.to_come(1.2, 0.0, &Chances::default()).high, 8.0);
    }

    /// From the prior alone: the chance that one cycle is enough is that of the predictive
    /// distribution.
    #[test]
    fn the_share_that_needs_one_cycle_is_the_forecasts() {
        let model = Model::learned(&Sums::default());
        let from = 1.5;
        let expected = from + MEAN[0] + MEAN[1] * from;
        // Normal with variance 0.25² (6/4 of the noise's t, 1/4 of a, 1.5²/6 of b); P(N(−0.2, sd) ≤
        // 0).
        let sd = (NOISE * NOISE * (1.5 + 0.25 + from * from / 6.0)).sqrt();
        let z: f64 = -expected / sd;
        assert!((0.5..0.8).contains(&z), "{z}");
        let told = model.to_come(from, 0.0, &Chances::default());
        // Φ(0.5 to 0.8) is 0.69 to 0.79, so that a second cycle is wanted in 20 to 30 of 100, a
        // third in fewer.
        assert!((1.2..1.6).contains(&told.cycles), "{told:?}");
        assert_eq!(told.low, 1.0);
    }
}
