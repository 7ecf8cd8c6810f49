//! What another cycle is likely to leave: learned from this panel, then this shop, and scored against what then happened.
//!
//! With w the worst gap over its limit, a cycle takes ln w to ln w + y, y = a + b·ln w + noise. On simulated jobs b is near −1: what a cycle leaves
//! is what the hand and its board leave, and hardly depends on how bad it was before (least squares over 240 simulated cycles: ln w after
//! is −0.43 + 0.10·ln w before, residual 0.26). a and b have a normal prior, the noise an inverse gamma one, both as wide as to be
//! overruled by a few cycles; what the book holds makes them the posterior, in closed form (normal inverse gamma, any textbook of Bayesian
//! regression). The forecast is its predictive Student's t, 90 %. `tests/trends.rs` holds it to what then happens, on simulated jobs: no
//! real shop's cycles were at hand.

use super::cycle::Cycle;
use serde::Serialize;

/// Prior mean of a and b: a cycle leaves about 0.7 of the limit, a little more where it began far above it (chosen on simulated jobs).
const MEAN: [f64; 2] = [-0.35, -0.9];
/// Prior precision of a and b, in units of the noise's variance.
const PRECISION: [f64; 2] = [4.0, 6.0];
/// Prior of the noise: as sure as this many cycles.
const DEGREES: f64 = 6.0;
/// Prior standard deviation of the noise, of ln w (chosen on simulated jobs).
const NOISE: f64 = 0.25;
/// What a cycle of another panel of the shop counts against one of this panel.
const SHOP_WEIGHT: f64 = 0.5;

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

/// A normal inverse gamma posterior over (a, b).
struct Model {
    mean: [f64; 2],
    /// Inverse of the precision matrix, in units of the noise's variance.
    cover: [[f64; 2]; 2],
    degrees: f64,
    scale: f64,
}

impl Model {
    /// From cycles with their weights.
    fn learned(steps: &[(Step, f64)]) -> Self {
        let mut p = [[PRECISION[0], 0.0], [0.0, PRECISION[1]]];
        let mut q = [PRECISION[0] * MEAN[0], PRECISION[1] * MEAN[1]];
        let mut square = PRECISION[0] * MEAN[0].powi(2) + PRECISION[1] * MEAN[1].powi(2);
        let mut degrees = DEGREES;
        for (step, weight) in steps {
            let x = [1.0, step.from];
            let y = step.to - step.from;
            for i in 0..2 {
                for k in 0..2 {
                    p[i][k] += weight * x[i] * x[k];
                }
                q[i] += weight * x[i] * y;
            }
            square += weight * y * y;
            degrees += weight;
        }
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

    /// Expected ln w after a cycle from `from`, and half of its 90 % interval; `extra` is the variance of `from` itself, which
    /// reaches the forecast as far as that depends on `from`.
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

/// 95 % point of Student's t (Cornish and Fisher's expansion about the normal, good to 0.01 from 5 degrees on).
fn t90(degrees: f64) -> f64 {
    let z: f64 = 1.644_853_627;
    let n = degrees.max(3.0);
    z + (z.powi(3) + z) / (4.0 * n)
        + (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / (96.0 * n * n)
}

/// Cycles of a panel that had filling or sanding in them, at the limit that decided before each.
pub fn steps(cycles: &[Cycle]) -> Vec<Step> {
    cycles
        .windows(2)
        .filter(|pair| worked(&pair[1]))
        .filter_map(|pair| {
            let was = pair[0].deciding()?;
            let is = pair[1].same(was)?;
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
        .any(|w| ["fill", "sand", "block"].contains(w))
}

/// Hours of a cycle where none were entered (common practice, no source).
const USUAL_HOURS: f64 = 3.0;

/// What another cycle is expected to leave. `shop`: steps of the book's other panels. `None` where no limit can be checked.
pub fn forecast(cycles: &[Cycle], shop: &[Step]) -> Option<Forecast> {
    let last = cycles.last()?;
    let now = last.deciding()?;
    let (worst, allowed) = (now.worst_mm?, now.allowed());
    let own = steps(cycles);
    let model = Model::learned(&weighted(&own, shop));
    let extra = now.sd().map_or(0.0, |sd| (sd / worst.max(1e-6)).powi(2));
    let (expected, half) = model.next((worst / allowed).ln(), extra);
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

fn weighted(own: &[Step], shop: &[Step]) -> Vec<(Step, f64)> {
    own.iter()
        .map(|s| (*s, 1.0))
        .chain(shop.iter().map(|s| (*s, SHOP_WEIGHT)))
        .collect()
}

/// Forecasts as they would have been made at each cycle, against what then happened.
fn past(cycles: &[Cycle], shop: &[Step]) -> Option<Past> {
    let own = steps(cycles);
    let (mut held, mut error) = (0, 0.0);
    for (k, step) in own.iter().enumerate() {
        let model = Model::learned(&weighted(&own[..k], shop));
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
        let steps: Vec<(Step, f64)> = (0..4000)
            .map(|k| {
                let from = (k % 20) as f64 * 0.1;
                let step = Step {
                    from,
                    to: from + 0.8f64.ln(),
                };
                (step, 1.0)
            })
            .collect();
        let model = Model::learned(&steps);
        let (expected, half) = model.next(1.0, 0.0);
        assert!((expected - 1.0 - 0.8f64.ln()).abs() < 0.02, "{expected}");
        assert!(half < 0.15, "{half}");
    }

    #[test]
    fn without_cycles_the_prior_speaks() {
        let model = Model::learned(&[]);
        let (expected, half) = model.next(0.0, 0.0);
        assert_eq!(expected, MEAN[0]);
        // t(6) = 1.943 (any table), and √1.25 for the four cycles that the prior of a counts for.
        assert!(
            (half - 1.943 * NOISE * 1.25f64.sqrt()).abs() < 0.01,
            "{half}"
        );
    }
}
