//! Plain statistics of a survey's readings, for the trend from survey to survey.
//!
//! For heights against one bridge these are the panel's own; of gaps and dials they tell only how
//! even the readings are.

use crate::observe::Survey;
use serde::Serialize;
use std::collections::BTreeMap;

/// Standard errors by which two figures must differ before the difference is called progress.
const SIGNIFICANT: f64 = 1.959_963_984_540_054;

/// Statistics of readings, mm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ReadingsStats {
    /// Readings taken.
    pub count: usize,
    /// Mean.
    pub mean_mm: f64,
    /// Standard deviation (of all of them: divided by n).
    pub sd_mm: f64,
    /// Root of the mean square.
    pub rms_mm: f64,
    /// Lowest.
    pub lowest_mm: f64,
    /// Highest.
    pub highest_mm: f64,
    /// Placings, repeats with the first.
    pub placings: usize,
    /// Rms of each placing, averaged, weighted by its readings.
    pub placings_rms_mm: f64,
    /// Standard error of that: from placing to placing where there are five or more, else from
    /// reading to reading.
    pub placings_rms_se_mm: f64,
}

/// How one survey's figure compares with an earlier one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Progress {
    /// Lower, by more than chance.
    Lower,
    /// Higher, by more than chance.
    Higher,
    /// No more than such readings differ by anyway.
    NotTold,
}

/// Statistics of a survey's readings; `None` where none was taken.
pub fn readings_stats(survey: &Survey) -> Option<ReadingsStats> {
    let mut placings: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for placing in &survey.placings {
        placings
            .entry(&placing.name)
            .or_default()
            .extend(placing.taken().filter_map(|r| r.value_mm));
    }
    placings.retain(|_, values| !values.is_empty());
    let groups: Vec<Vec<f64>> = placings.into_values().collect();
    let all: Vec<f64> = groups.concat();
    let n = all.len() as f64;
    if all.is_empty() {
        return None;
    }
    let mean = all.iter().sum::<f64>() / n;
    let centred = all.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
    let (placings_rms_mm, placings_rms_se_mm) = by_placing(&groups);
    Some(ReadingsStats {
        count: all.len(),
        mean_mm: mean,
        sd_mm: centred.sqrt(),
        rms_mm: rms(&all),
        lowest_mm: all.iter().copied().fold(f64::INFINITY, f64::min),
        highest_mm: all.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        placings: groups.len(),
        placings_rms_mm,
        placings_rms_se_mm,
    })
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

/// Mean rms of the placings weighted by readings, and its standard error.
fn by_placing(groups: &[Vec<f64>]) -> (f64, f64) {
    let parts: Vec<[f64; 2]> = groups.iter().map(|g| [g.len() as f64, rms(g)]).collect();
    let mean = |without: Option<usize>| {
        let kept = parts
            .iter()
            .enumerate()
            .filter(|(k, _)| Some(*k) != without);
        let (sum, n) = kept.fold((0.0, 0.0), |s, (_, [n, r])| (s.0 + n * r, s.1 + n));
        sum / f64::max(n, 1.0)
    };
    let (all, count) = (mean(None), parts.len() as f64);
    if parts.len() >= 5 {
        // The jackknife (B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans, 1982;
        // from memory).
        let off: f64 = (0..parts.len())
            .map(|k| (mean(Some(k)) - all).powi(2))
            .sum();
        return (all, ((count - 1.0) / count * off).sqrt());
    }
    // var rms = var(v²)/(4·n·rms²), the delta method.
    let squares: Vec<f64> = groups.concat().iter().map(|v| v * v).collect();
    let n = squares.len() as f64;
    let second = squares.iter().sum::<f64>() / n;
    let spread = squares.iter().map(|s| (s - second).powi(2)).sum::<f64>() / n;
    (all, (spread / (4.0 * n * second.max(1e-30))).sqrt())
}

/// Whether the placings' rms went down or up by more than chance (95 %).
pub fn progress(before: &ReadingsStats, after: &ReadingsStats) -> Progress {
    let step = after.placings_rms_mm - before.placings_rms_mm;
    let se = before.placings_rms_se_mm.hypot(after.placings_rms_se_mm);
    if step < -SIGNIFICANT * se {
        Progress::Lower
    } else if step > SIGNIFICANT * se {
        Progress::Higher
    } else {
        Progress::NotTold
    }
}
