//! One cycle: what a survey found, the work since the survey before it, and what changed.

use super::change::{Pair, Spread, cautions, change, told};
use super::moved::Moved;
use crate::judge::Interval;
use crate::keep::result::{SavedHeights, SavedLimit};
use crate::keep::{Entry, Field, Kind, Summary, SurveyResult};
use jiff::civil::Date;
use rayon::prelude::*;
use serde::Serialize;

pub use super::change::{Change, SqChange, Told, WorstChange};

/// One survey that was entered, and what led to it.
#[derive(Clone, Debug, Serialize)]
pub struct Cycle {
    /// Number of the survey's entry.
    pub entry: i64,
    /// Day of the survey.
    pub date: Date,
    /// `fair`, `another-cycle` or `measure-more`.
    pub verdict: String,
    /// Stands for where its placings lay.
    #[serde(skip)]
    pub lines: Option<String>,
    /// Limits, as in report.json.
    pub limits: Vec<LimitRow>,
    /// Root mean square deviation from the fair shape, mm, with its interval.
    #[serde(rename = "Sq_mm")]
    pub sq_mm: Option<f64>,
    /// Lower end, mm.
    #[serde(rename = "Sq_low_mm")]
    pub sq_low_mm: Option<f64>,
    /// Upper end, mm.
    #[serde(rename = "Sq_high_mm")]
    pub sq_high_mm: Option<f64>,
    /// Highest to lowest, mm.
    #[serde(rename = "Sz_mm")]
    pub sz_mm: Option<f64>,
    /// By wavelength band.
    pub bands: Vec<BandRow>,
    /// Share of the measured area within the node limit, 0 to 1, with its interval.
    pub share_fair: Option<Interval>,
    /// Filler to level, cc, with its interval.
    pub to_level_cc: Option<f64>,
    /// Lower end, cc.
    pub to_level_low_cc: Option<f64>,
    /// Upper end, cc.
    pub to_level_high_cc: Option<f64>,
    /// Most likely, cc.
    pub most_likely_cc: Option<f64>,
    /// Hands-on hours entered since the survey before, this survey's own included.
    pub hours: f64,
    /// Filler entered since the survey before, g.
    pub filler_on_g: f64,
    /// Kinds of work entered since the survey before, in order.
    pub work: Vec<&'static str>,
    /// Standard deviation of one reading from repeated placings, else of the noisiest tool as the
    /// fit found it, mm.
    pub repeatability_mm: Option<f64>,
    /// Skin temperature, °C.
    pub skin_c: Option<f64>,
    /// Supports noted.
    pub supports: Option<String>,
    /// Worst gap against the survey before it, at the limit that decides; `None` for the first.
    pub change: Option<Change>,
    /// What moved since the survey before it, once this lies on that; `None` for the first, and
    /// where the two cannot be laid onto one another.
    pub moved: Option<Moved>,
    /// Why they cannot.
    pub moved_not_told: Option<String>,
    /// The readings by themselves, where every one is a height over a bridge.
    pub heights: Option<Heights>,
}

/// Rms of heights over a bridge, as they were read: of each placing, averaged, weighted by its
/// readings.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Heights {
    /// Readings.
    pub count: usize,
    /// Placings, repeats with the first.
    pub placings: usize,
    /// Root of the mean square of all, mm.
    pub rms_mm: f64,
    /// Rms of each placing, averaged, mm.
    pub placings_rms_mm: f64,
    /// Lower end of its 95 % interval, mm.
    pub placings_rms_low_mm: f64,
    /// Upper end, mm.
    pub placings_rms_high_mm: f64,
    /// Against the survey before; `None` where that has none.
    pub told: Option<Told>,
}

impl Heights {
    fn of(s: &SavedHeights) -> Self {
        let half = 1.96 * s.placings_rms_se_mm;
        Heights {
            count: s.count,
            placings: s.placings,
            rms_mm: s.rms_mm,
            placings_rms_mm: s.placings_rms_mm,
            placings_rms_low_mm: (s.placings_rms_mm - half).max(0.0),
            placings_rms_high_mm: s.placings_rms_mm + half,
            told: None,
        }
    }

    /// Whether they are lower or higher by more than both are unsure.
    fn against(mut self, before: Option<Heights>, caution: &str) -> Self {
        let half = |h: &Heights| h.placings_rms_high_mm - h.placings_rms_mm;
        self.told = before.map(|b| {
            told(
                b.placings_rms_mm - self.placings_rms_mm,
                half(&b).hypot(half(&self)),
                caution,
            )
        });
        self
    }
}

/// One limit of one cycle.
#[derive(Clone, Debug, Serialize)]
pub struct LimitRow {
    /// Zone; null for the whole panel.
    pub zone: Option<String>,
    /// `gap`, `swing` or `slope`.
    pub quantity: String,
    /// Base, mm.
    pub base_mm: f64,
    /// Most allowed, mm for a gap.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gap_mm: Option<f64>,
    /// Most allowed, mm for a swing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub swing_mm: Option<f64>,
    /// Most allowed, mm/m for a slope.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slope_mm_per_m: Option<f64>,
    /// Worst found, mm (mm/m for a slope).
    pub worst_mm: Option<f64>,
    /// Lower end of its 95 % interval, at its place.
    pub low95: Option<f64>,
    /// Upper end.
    pub high95: Option<f64>,
    /// Chance that some place exceeds the limit, 0 to 1; null in books written before.
    pub p_exceeds: Option<f64>,
    /// What the worst could be anywhere, one-sided 95 %; null in books written before.
    pub could_be: Option<f64>,
    /// Width of a dip of just the limit that would surely have been seen, mm; null in books written
    /// before.
    pub blind_mm: Option<f64>,
    /// Standard deviation of the worst when the same panel is read again at the same places.
    #[serde(skip)]
    pub repeats: Option<f64>,
    /// `met`, `exceeded`, `unsure` or `not-checked`.
    pub state: String,
    /// Share of the measured area within it.
    pub share_within: Option<f64>,
}

/// Rms within a band of wavelengths, with its interval.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct BandRow {
    /// Shortest wavelength, mm.
    pub from_mm: f64,
    /// Longest, mm.
    pub to_mm: f64,
    /// Rms, mm.
    #[serde(rename = "Sq_mm")]
    pub sq_mm: Option<f64>,
    /// Lower end, mm.
    #[serde(rename = "Sq_low_mm")]
    pub low_mm: Option<f64>,
    /// Upper end, mm.
    #[serde(rename = "Sq_high_mm")]
    pub high_mm: Option<f64>,
}

/// Every survey of a panel that stands, in order, each with the work before it. `entries` are all
/// of the panel's.
pub fn cycles(entries: &[Entry], surveys: &[(Entry, SurveyResult)]) -> Vec<Cycle> {
    let pairs: Vec<Pair> = surveys.par_windows(2).map(Pair::of).collect();
    let mut pairs = pairs.into_iter();
    let mut out: Vec<Cycle> = Vec::new();
    let mut since: Option<(Date, i64)> = None;
    for (survey, found) in surveys {
        let between: Vec<&Entry> = entries
            .iter()
            .filter(|e| e.stands() && e.order() <= survey.order())
            .filter(|e| since.is_none_or(|s| e.order() > s))
            .collect();
        let mut cycle = cycle(survey, found, &between);
        if let Some((before, pair)) = out.last().and_then(|c| Some((c, pairs.next()?))) {
            cycle.change = change(before, &cycle, &between, &pair);
            cycle.moved_not_told = pair.why().map(Into::into);
            cycle.moved = pair.moved;
            let caution = cautions(before, &cycle, &between).join(", ");
            cycle.heights = cycle.heights.map(|h| h.against(before.heights, &caution));
        }
        since = Some(survey.order());
        out.push(cycle);
    }
    out
}

fn cycle(survey: &Entry, found: &SurveyResult, between: &[&Entry]) -> Cycle {
    let s = &found.summary;
    let spread = found.field.as_ref().map(Spread::of);
    let about = |rms: Option<f64>| {
        let half = rms.zip(spread.as_ref()).map(|(rms, p)| p.half_of(rms));
        (
            rms.zip(half).map(|(r, h)| (r - h).max(0.0)),
            rms.zip(half).map(|(r, h)| r + h),
        )
    };
    let (sq_low_mm, sq_high_mm) = about(s.sq_mm);
    Cycle {
        entry: survey.number,
        date: survey.date,
        verdict: s.verdict.clone(),
        lines: s.lines.clone(),
        limits: s.limits.iter().map(LimitRow::of).collect(),
        sq_mm: s.sq_mm,
        sq_low_mm,
        sq_high_mm,
        sz_mm: s.sz_mm,
        bands: s
            .bands
            .iter()
            .map(|b| {
                let (low_mm, high_mm) = about(b.sq_mm);
                BandRow {
                    from_mm: b.from_mm,
                    to_mm: b.to_mm,
                    sq_mm: b.sq_mm,
                    low_mm,
                    high_mm,
                }
            })
            .collect(),
        share_fair: found.field.as_ref().map(|f| share_fair(f, s.node_limit_mm)),
        to_level_cc: s.to_level.value_cc,
        to_level_low_cc: s.to_level.low_cc,
        to_level_high_cc: s.to_level.high_cc,
        most_likely_cc: s.to_level.most_likely_cc,
        hours: between.iter().filter_map(|e| e.hours).sum(),
        filler_on_g: between
            .iter()
            .filter(|e| e.kind == Kind::Fill)
            .filter_map(|e| e.facts.mass_g)
            .sum(),
        work: between
            .iter()
            .filter(|e| e.kind.makes_stale())
            .map(|e| e.kind.word())
            .collect(),
        repeatability_mm: s.repeatability_mm.or(noisiest(s)),
        skin_c: survey.skin_c,
        supports: survey.supports.clone(),
        change: None,
        moved: None,
        moved_not_told: None,
        heights: s.heights.as_ref().map(Heights::of),
    }
}

fn noisiest(s: &Summary) -> Option<f64> {
    s.noise.iter().filter_map(|n| n.sd_mm).reduce(f64::max)
}

/// Of limits, the one that decides: worst against what is allowed.
pub fn deciding(limits: &[LimitRow]) -> Option<&LimitRow> {
    limits.iter().filter(|l| l.counts()).max_by(|a, b| {
        let ratio = |l: &LimitRow| l.worst_mm.unwrap_or(0.0) / l.allowed();
        ratio(a).total_cmp(&ratio(b))
    })
}

/// Among limits the one that is the same as another.
pub fn same<'a>(limits: &'a [LimitRow], other: &LimitRow) -> Option<&'a LimitRow> {
    limits.iter().find(|l| l.counts() && l.is(other))
}

impl LimitRow {
    /// As it was kept.
    pub fn of(l: &SavedLimit) -> Self {
        let when = |quantity: &str| (l.quantity == quantity).then_some(l.allowed);
        LimitRow {
            zone: l.zone.clone(),
            quantity: l.quantity.clone(),
            base_mm: l.base_mm,
            gap_mm: when("gap"),
            swing_mm: when("swing"),
            slope_mm_per_m: when("slope"),
            worst_mm: l.worst,
            low95: l.low,
            high95: l.high,
            p_exceeds: l.p_exceeds,
            could_be: l.could_be,
            blind_mm: l.blind_mm,
            repeats: l.repeats,
            state: l.state.clone(),
            share_within: l.share_within,
        }
    }

    /// Most allowed.
    pub fn allowed(&self) -> f64 {
        self.gap_mm
            .or(self.swing_mm)
            .or(self.slope_mm_per_m)
            .unwrap_or(f64::NAN)
    }

    /// Whether it could be checked, and is no slope.
    pub fn counts(&self) -> bool {
        self.state != "not-checked" && self.worst_mm.is_some() && self.slope_mm_per_m.is_none()
    }

    /// Whether another row is the same limit.
    pub fn is(&self, other: &LimitRow) -> bool {
        self.zone == other.zone
            && self.quantity == other.quantity
            && (self.base_mm - other.base_mm).abs() < 0.5
    }

    /// Standard deviation of the worst, from its interval, mm.
    pub fn sd(&self) -> Option<f64> {
        Some(((self.high95? - self.low95?) / (2.0 * 1.96)).max(0.0))
    }
}

impl Cycle {
    /// The limit that decides: worst against what is allowed.
    pub fn deciding(&self) -> Option<&LimitRow> {
        deciding(&self.limits)
    }

    /// The same limit as another cycle's.
    pub fn same(&self, other: &LimitRow) -> Option<&LimitRow> {
        same(&self.limits, other)
    }
}

/// Share of known nodes within ± the limit; the ends of its interval where all of the nodes' own
/// lie on the bad or the good side.
fn share_fair(field: &Field, limit_mm: f64) -> Interval {
    let share = |reach: f64| {
        let (mut within, mut count) = (0.0, 0.0);
        for (d, sd) in field.fairness.iter().zip(&field.sd) {
            if d.is_finite() && sd.is_finite() {
                count += 1.0;
                if f64::from(d.abs()) + reach * f64::from(*sd) <= limit_mm {
                    within += 1.0;
                }
            }
        }
        within / f64::max(count, 1.0)
    };
    Interval {
        value: share(0.0),
        low: share(1.96),
        high: share(-1.96),
    }
}
