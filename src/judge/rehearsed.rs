//! What rehearsals tell of this survey's errors at lows and highs.
//!
//! A low is looked for where it is deepest, and its tip may lie between the lines: what is found
//! there is wrong by more, and more to one side, than at any node. The rehearsals
//! ([`crate::fit::rehearse`]) have lows and highs of their own, found by a survey like this one,
//! whose truth is known. Their errors, in standard deviations that the survey itself told, are
//! pooled; their quantiles make the intervals of this panel's regions.

use super::filler::Drawn;
use super::regions;
use super::{Interval, RegionKind};
use crate::fit::rehearse::OWN_DRAWS;
use crate::reference::Workbench;
use ndarray::Array2;

/// Values of the standard normal that stand beside the pooled errors, so that few of them do not
/// decide alone.
const PRIOR: usize = 10;
/// A volume that is truly nothing counts as this share of what was found.
const LEAST_SHARE: f64 = 0.02;

/// Errors of the regions of one kind, each as multiples of the standard deviation at its worst
/// place.
#[derive(Clone, Debug, Default)]
pub struct Errors {
    all: Vec<Miss>,
}

/// One region of a rehearsal.
#[derive(Clone, Copy, Debug)]
struct Miss {
    /// Of the worst depth or height: (true − found)/sd.
    worst: f64,
    /// Of the volume: ln(true/found) over sd/(worst found).
    volume: f64,
}

impl Errors {
    /// Ends of a 95 % interval of one kind of error: the 2.5 and 97.5 % quantiles of all, moved
    /// away from the middle as Student's t has it. However often they are moved about, the
    /// rehearsals know `own` lows or highs only, those of this panel; how sharp the next one is, so
    /// many values tell.
    fn ends(&self, own: usize, pick: impl Fn(&Miss) -> f64) -> [f64; 2] {
        let [low, middle, high] = pooled(self.all.iter().map(pick).collect());
        let wider = t_over_normal(own);
        [
            middle + wider * (low - middle),
            middle + wider * (high - middle),
        ]
    }
}

/// Student's t over the normal distribution's 97.5 % point, for 3 to 12 degrees of freedom (worked
/// out with SciPy; fewer than 3 count as 3, more than 12 as 12).
const T_OVER_NORMAL: [f64; 10] = [
    1.624, 1.417, 1.312, 1.248, 1.206, 1.177, 1.154, 1.137, 1.123, 1.112,
];

/// By how much an interval is wider when the spread is known from so many values: t with one degree
/// of freedom less.
pub fn t_over_normal(values: usize) -> f64 {
    T_OVER_NORMAL[values.saturating_sub(1).clamp(3, 12) - 3]
}

/// Errors of lows and of highs.
#[derive(Clone, Debug)]
pub struct RegionErrors {
    lows: Errors,
    highs: Errors,
}

impl RegionErrors {
    /// From rehearsals on the nodes of a workbench.
    pub fn of(drawn: &[Drawn], bench: &Workbench, limit_mm: f64) -> Self {
        RegionErrors {
            lows: errors(drawn, bench, limit_mm, -1.0),
            highs: errors(drawn, bench, limit_mm, 1.0),
        }
    }

    fn of_kind(&self, kind: RegionKind) -> &Errors {
        match kind {
            RegionKind::Low => &self.lows,
            RegionKind::High => &self.highs,
        }
    }

    /// Interval of a region's worst deviation, mm, signed as it is; `own` regions of its kind were
    /// found.
    pub fn worst(&self, kind: RegionKind, own: usize, worst_mm: f64, sd_mm: f64) -> Interval {
        let errors = self.of_kind(kind).ends(own, |m| m.worst);
        let [least, most] = errors.map(|z| worst_mm.abs() + z * sd_mm);
        let [least, most] = [least.min(worst_mm.abs()), most.max(worst_mm.abs())];
        let (low, high) = if worst_mm < 0.0 {
            (-most, -least)
        } else {
            (least, most)
        };
        Interval {
            value: worst_mm,
            low,
            high,
        }
    }

    /// Interval of a region's volume, cc; `own` regions of its kind were found.
    pub fn volume(
        &self,
        kind: RegionKind,
        own: usize,
        volume_cc: f64,
        worst_mm: f64,
        sd_mm: f64,
    ) -> Interval {
        let relative = sd_mm / worst_mm.abs().max(1e-6);
        let [low, high] = self
            .of_kind(kind)
            .ends(own, |m| m.volume)
            .map(|z| volume_cc * (z * relative).exp());
        Interval {
            value: volume_cc,
            low: low.min(volume_cc),
            high: high.max(volume_cc),
        }
    }
}

/// `sign` is −1 for lows, 1 for highs.
fn errors(drawn: &[Drawn], bench: &Workbench, limit_mm: f64, sign: f64) -> Errors {
    let (nx, ny) = (bench.xs.len(), bench.ys.len());
    // A standard deviation from n draws spreads what is divided by it as Student's t with n degrees
    // of freedom does.
    let n = OWN_DRAWS as f64;
    let narrow = ((n - 2.0) / n).sqrt();
    let mut misses = Vec::new();
    for one in drawn {
        // As on the map: lows against the chosen reference, highs against the fair shape.
        let (truth, found) = if sign < 0.0 {
            (&one.deviation, &one.found_deviation)
        } else {
            (&one.fairness[0], &one.fairness[1])
        };
        let size = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
            let k = iy * nx + ix;
            if bench.areas_mm2[k] > 0.0 {
                sign * found[k]
            } else {
                f64::NAN
            }
        });
        let (labels, _) = regions::label(&size, &|iy, ix| one.sd[iy * nx + ix], limit_mm);
        let (labels, count) = regions::part(&labels, &size, limit_mm);
        let mut all = vec![Tip::default(); count];
        for (k, label) in labels.iter().enumerate() {
            let tip = (*label as usize)
                .checked_sub(1)
                .and_then(|l| all.get_mut(l));
            if let Some(tip) = tip {
                tip.add(
                    sign * found[k],
                    sign * truth[k],
                    one.sd[k],
                    bench.areas_mm2[k],
                );
            }
        }
        for tip in all {
            let share = (tip.true_volume / tip.found_volume).max(LEAST_SHARE);
            misses.push(Miss {
                worst: (tip.truth - tip.found) / tip.sd * narrow,
                volume: share.ln() * tip.found / tip.sd * narrow,
            });
        }
    }
    Errors { all: misses }
}

/// One region of a rehearsal while it is gathered.
#[derive(Clone, Copy, Default)]
struct Tip {
    found: f64,
    truth: f64,
    sd: f64,
    found_volume: f64,
    true_volume: f64,
}

impl Tip {
    fn add(&mut self, found: f64, truth: f64, sd: f64, area_mm2: f64) {
        if found > self.found {
            (self.found, self.sd) = (found, sd);
        }
        self.truth = self.truth.max(truth);
        self.found_volume += area_mm2 * found.max(0.0);
        self.true_volume += area_mm2 * truth.max(0.0);
    }
}

/// 2.5, 50 and 97.5 % quantiles of values and [`PRIOR`] standard normal ones.
fn pooled(mut values: Vec<f64>) -> [f64; 3] {
    values.extend((0..PRIOR).map(|k| normal_quantile((k as f64 + 0.5) / PRIOR as f64)));
    values.retain(|v| v.is_finite());
    values.sort_by(f64::total_cmp);
    let last = values.len().saturating_sub(1) as f64;
    [0.025, 0.5, 0.975].map(|share| {
        let at = share * last;
        let below = values.get(at.floor() as usize).copied().unwrap_or(0.0);
        let above = values.get(at.ceil() as usize).copied().unwrap_or(0.0);
        below + (above - below) * (at - at.floor())
    })
}

/// Standard normal quantile, to 4.5e-4 (Abramowitz and Stegun 1964, formula 26.2.23).
pub fn normal_quantile(p: f64) -> f64 {
    let tail = p.min(1.0 - p);
    let t = (-2.0 * tail.ln()).sqrt();
    let x = t
        - (2.515_517 + 0.802_853 * t + 0.010_328 * t * t)
            / (1.0 + 1.432_788 * t + 0.189_269 * t * t + 0.001_308 * t * t * t);
    if p < 0.5 { -x } else { x }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_regions_the_errors_are_normal() {
        // 2.5 % of ten values lies between the first and the second.
        let [low, _, high] = pooled(Vec::new());
        assert!((low + high).abs() < 1e-9);
        assert!((1.3..2.0).contains(&high), "{high}");
        assert!((normal_quantile(0.975) - 1.959_964).abs() < 5e-4);
    }

    #[test]
    fn quantiles_are_those_of_the_errors_when_there_are_many() {
        let many: Vec<f64> = (0..4000).map(|k| 1.0 + f64::from(k) / 4000.0).collect();
        let [low, middle, high] = pooled(many);
        assert!((middle - 1.5).abs() < 0.02, "{middle}");
        assert!((low - 1.02).abs() < 0.02, "{low}");
        assert!((high - 1.975).abs() < 0.02, "{high}");
    }

    #[test]
    fn an_interval_holds_what_was_found() {
        let none = RegionErrors {
            lows: Errors::default(),
            highs: Errors::default(),
        };
        let i = none.worst(RegionKind::Low, 5, -0.4, 0.1);
        assert!(i.low < -0.4 && i.value == -0.4 && i.high > -0.4);
        assert!((i.low + 0.8 + i.high).abs() < 1e-9);
        let v = none.volume(RegionKind::High, 5, 10.0, 0.4, 0.1);
        assert!(v.low < 10.0 && v.high > 10.0 && (v.low * v.high - 100.0).abs() < 1e-6);
    }
}
