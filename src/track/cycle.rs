//! One cycle: what a survey found, the work since the survey before it, and whether what changed is more than surveys repeat to.

use crate::judge::Interval;
use crate::keep::result::SavedLimit;
use crate::keep::{Entry, Field, Kind, Summary, SurveyResult};
use jiff::civil::Date;
use serde::Serialize;

/// One survey that was entered, and what led to it.
#[derive(Clone, Debug, Serialize)]
pub struct Cycle {
    /// Number of the survey's entry.
    pub entry: i64,
    /// Day of the survey.
    pub date: Date,
    /// `fair`, `another-cycle` or `measure-more`.
    pub verdict: String,
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
    /// Standard deviation of one reading from repeated placings, else of the noisiest tool as the fit found it, mm.
    pub repeatability_mm: Option<f64>,
    /// Skin temperature, °C.
    pub skin_c: Option<f64>,
    /// Supports noted.
    pub supports: Option<String>,
    /// Worst gap against the survey before it, at the limit that decides; `None` for the first.
    pub change: Option<Change>,
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
    /// Lower end of its 95 % interval.
    pub low95: Option<f64>,
    /// Upper end.
    pub high95: Option<f64>,
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

/// Whether a cycle helped.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Told {
    /// Less than before, by more than both surveys are unsure.
    Better,
    /// More than before, likewise.
    Worse,
    /// Smaller than what the surveys repeat to.
    NoChange,
    /// On other supports or at another temperature: not to be called progress.
    NotComparable,
}

/// What changed at the limit that decides.
#[derive(Clone, Debug, Serialize)]
pub struct Change {
    /// Base of that limit, mm.
    pub base_mm: f64,
    /// Worst before, mm.
    pub from_mm: f64,
    /// Worst now, mm.
    pub to_mm: f64,
    /// Half the 95 % interval of the difference, mm.
    pub give_or_take_mm: f64,
    /// What that is.
    pub told: Told,
    /// What the root mean square deviation tells, which rests on the whole panel and not on its worst place; `None` where it is not known.
    pub sq: Option<SqChange>,
    /// Why it is not to be compared; empty where it is.
    pub caution: String,
    /// In a sentence.
    pub words: String,
}

/// What changed in the root mean square deviation from the fair shape.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SqChange {
    /// Before, mm.
    pub from_mm: f64,
    /// Now, mm.
    pub to_mm: f64,
    /// Half the 95 % interval of the difference, mm.
    pub give_or_take_mm: f64,
    /// What that is.
    pub told: Told,
}

/// Two surveys at temperatures farther apart than this are not compared without saying so, °C (common practice, no source).
const OTHER_SKIN_C: f64 = 8.0;
/// How far apart places of a survey are about independent of each other, mm (common practice, no source: two placings).
const INDEPENDENT_MM: f64 = 150.0;

/// Every survey of a panel that stands, in order, each with the work before it. `entries` are all of the panel's.
pub fn cycles(entries: &[Entry], surveys: &[(Entry, SurveyResult)]) -> Vec<Cycle> {
    let mut out: Vec<Cycle> = Vec::new();
    let mut since: Option<(Date, i64)> = None;
    for (survey, found) in surveys {
        let between: Vec<&Entry> = entries
            .iter()
            .filter(|e| e.stands() && e.order() <= survey.order())
            .filter(|e| since.is_none_or(|s| e.order() > s))
            .collect();
        let mut cycle = cycle(survey, found, &between);
        cycle.change = out
            .last()
            .and_then(|before| change(before, &cycle, &between));
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
        limits: s.limits.iter().map(limit).collect(),
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
    }
}

fn noisiest(s: &Summary) -> Option<f64> {
    s.noise.iter().filter_map(|n| n.sd_mm).reduce(f64::max)
}

fn limit(l: &SavedLimit) -> LimitRow {
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
        state: l.state.clone(),
        share_within: l.share_within,
    }
}

impl LimitRow {
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
        self.limits.iter().filter(|l| l.counts()).max_by(|a, b| {
            let ratio = |l: &LimitRow| l.worst_mm.unwrap_or(0.0) / l.allowed();
            ratio(a).total_cmp(&ratio(b))
        })
    }

    /// The same limit as another cycle's.
    pub fn same(&self, other: &LimitRow) -> Option<&LimitRow> {
        self.limits.iter().find(|l| l.counts() && l.is(other))
    }
}

/// The change at the limit that decided before.
fn change(before: &Cycle, now: &Cycle, between: &[&Entry]) -> Option<Change> {
    let was = before.deciding()?;
    let is = now.same(was)?;
    let (from_mm, to_mm) = (was.worst_mm?, is.worst_mm?);
    let give_or_take_mm = 1.96 * was.sd()?.hypot(is.sd()?);
    let caution = caution(before, now, between);
    let told = told(from_mm - to_mm, give_or_take_mm, &caution);
    let sq = sq_change(before, now, &caution);
    let worst = format!(
        "worst under {:.0} mm: {from_mm:.2} → {to_mm:.2} mm, give or take {give_or_take_mm:.2}: {}",
        was.base_mm,
        in_words(told, &caution)
    );
    let over_all = sq.map_or(String::new(), |s| {
        format!(
            "; over all (Sq): {:.3} → {:.3} mm, give or take {:.3}: {}",
            s.from_mm,
            s.to_mm,
            s.give_or_take_mm,
            in_words(s.told, &caution)
        )
    });
    Some(Change {
        base_mm: was.base_mm,
        from_mm,
        to_mm,
        give_or_take_mm,
        told,
        sq,
        caution,
        words: worst + &over_all,
    })
}

fn sq_change(before: &Cycle, now: &Cycle, caution: &str) -> Option<SqChange> {
    let half = |c: &Cycle| Some((c.sq_high_mm? - c.sq_low_mm?) / 2.0);
    let (from_mm, to_mm) = (before.sq_mm?, now.sq_mm?);
    let give_or_take_mm = half(before)?.hypot(half(now)?);
    Some(SqChange {
        from_mm,
        to_mm,
        give_or_take_mm,
        told: told(from_mm - to_mm, give_or_take_mm, caution),
    })
}

fn told(less: f64, give_or_take: f64, caution: &str) -> Told {
    if less.abs() <= give_or_take {
        Told::NoChange
    } else if !caution.is_empty() {
        Told::NotComparable
    } else if less > 0.0 {
        Told::Better
    } else {
        Told::Worse
    }
}

fn in_words(told: Told, caution: &str) -> String {
    match told {
        Told::Better => "better".into(),
        Told::Worse => "worse".into(),
        Told::NoChange => "no change that two surveys could tell".into(),
        Told::NotComparable => format!("not called progress, {caution}"),
    }
}

/// Why two surveys are not to be compared without saying so.
fn caution(before: &Cycle, now: &Cycle, between: &[&Entry]) -> String {
    let mut why = Vec::new();
    if let (Some(a), Some(b)) = (before.skin_c, now.skin_c)
        && (a - b).abs() > OTHER_SKIN_C
    {
        why.push(format!("skin at {a:.0} °C then, {b:.0} °C now"));
    }
    let propped = between.iter().any(|e| e.kind == Kind::ReProp);
    match (&before.supports, &now.supports) {
        (Some(a), Some(b)) if a.trim() != b.trim() => {
            why.push(format!("supports \"{a}\" then, \"{b}\" now"));
        }
        _ if propped => why.push("put on other supports between".into()),
        _ => {}
    }
    why.join(", ")
}

/// What the standard deviations of a field say of its rms.
struct Spread {
    mean_square: f64,
    places: f64,
}

impl Spread {
    fn of(field: &Field) -> Self {
        let (mut sum, mut count) = (0.0, 0.0);
        for (d, sd) in field.fairness.iter().zip(&field.sd) {
            if d.is_finite() && sd.is_finite() {
                sum += f64::from(*sd) * f64::from(*sd);
                count += 1.0;
            }
        }
        let area = count * field.step_mm * field.step_mm;
        Spread {
            mean_square: sum / f64::max(count, 1.0),
            places: (area / (INDEPENDENT_MM * INDEPENDENT_MM)).max(1.0),
        }
    }

    /// Half the 95 % interval of a root mean square, mm: over n places about independent of each other, var(rms²) = (4·rms²·sd² + 2·sd⁴)/n
    /// and d(rms) = d(rms²)/2rms; near 0 the root of that.
    fn half_of(&self, rms: f64) -> f64 {
        let square =
            (4.0 * rms * rms * self.mean_square + 2.0 * self.mean_square.powi(2)) / self.places;
        let half = 1.96 * square.sqrt();
        (half / (2.0 * rms).max(1e-9)).min(half.sqrt())
    }
}

/// Share of known nodes within ± the limit; the ends of its interval where all of the nodes' own lie on the bad or the good side.
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
