//! One cycle: what a survey found, the work since the survey before it, and whether what changed is more than surveys repeat to.

use super::laid::{self, Laid, lay};
use super::moved::{self, Moved};
use crate::judge::{Interval, edge};
use crate::keep::result::{SavedHeights, SavedLimit};
use crate::keep::{Entry, Field, Kind, Summary, SurveyResult};
use jiff::civil::Date;
use ndarray::Array2;
use rayon::prelude::*;
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
    /// What moved since the survey before it, once this lies on that; `None` for the first, and where the two cannot be laid onto one another.
    pub moved: Option<Moved>,
    /// Why they cannot.
    pub moved_not_told: Option<String>,
    /// The readings by themselves, where every one is a height over a bridge.
    pub heights: Option<Heights>,
}

/// Rms of heights over a bridge, as they were read: of each placing, averaged, weighted by its readings.
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
    /// Share of what either survey measured on which the two are told, 0 to 1; 1 where that makes no difference.
    pub common_share: f64,
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
/// Two surveys of which both measured this share of what either did are told on all that each measured (common practice, no source).
const ALL: f64 = 0.98;
/// How far apart places of a survey are about independent of each other, mm (common practice, no source: two placings).
const INDEPENDENT_MM: f64 = 150.0;

/// Every survey of a panel that stands, in order, each with the work before it. `entries` are all of the panel's.
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

/// A survey and the one before it.
struct Pair<'a> {
    results: [&'a SurveyResult; 2],
    laid: Result<Laid, &'static str>,
    moved: Option<Moved>,
}

impl<'a> Pair<'a> {
    fn of(two: &'a [(Entry, SurveyResult)]) -> Self {
        let results = [&two[0].1, &two[1].1];
        let laid = lay(results[0], results[1]);
        let moved = laid.as_ref().ok().map(moved::told);
        Pair {
            results,
            laid,
            moved,
        }
    }

    /// Why they cannot be laid onto one another.
    fn why(&self) -> Option<&'static str> {
        self.laid.as_ref().err().copied()
    }

    fn fields(&self) -> Option<[&'a Field; 2]> {
        match self.results.map(|r| r.field.as_ref()) {
            [Some(a), Some(b)] => Some([a, b]),
            _ => None,
        }
    }

    /// What both measured, where that is less than either did.
    fn common(&self) -> Option<Shared<'_>> {
        let laid = self.laid.as_ref().ok()?;
        let fields = self.fields()?;
        (laid.overlap_share < ALL).then(|| Shared::of(laid, fields))
    }
}

/// Two surveys of which one reached farther, on what both measured. A fair shape laid through part of a panel follows that part, so both
/// are held to one: that of the survey which measured more.
struct Shared<'a> {
    laid: &'a Laid,
    fields: [&'a Field; 2],
    /// Deviation from that fair shape at the common nodes, mm: before, after.
    deviation: [Vec<f64>; 2],
}

impl<'a> Shared<'a> {
    fn of(laid: &'a Laid, fields: [&'a Field; 2]) -> Self {
        let wider = usize::from(laid.measured_mm2[1] > laid.measured_mm2[0]);
        let own: Vec<f64> = laid
            .nodes
            .iter()
            .map(|k| f64::from(fields[wider].fairness.get(*k).copied().unwrap_or(f32::NAN)))
            .collect();
        let sign = if wider == 0 { 1.0 } else { -1.0 };
        let moved = own.iter().zip(&laid.moved_mm);
        let other: Vec<f64> = moved.map(|(d, m)| d + sign * m).collect();
        Shared {
            laid,
            fields,
            deviation: if wider == 0 {
                [own, other]
            } else {
                [other, own]
            },
        }
    }

    /// The worst gap or swing of each.
    fn worst(&self, limit: &LimitRow) -> [Option<f64>; 2] {
        [0, 1].map(|k| {
            let laid = self.laid;
            let mut z = Array2::from_elem((laid.ny, laid.nx), f64::NAN);
            for (node, v) in laid.nodes.iter().zip(&self.deviation[k]) {
                z[[node / laid.nx, node % laid.nx]] = *v;
            }
            let values = if limit.gap_mm.is_some() {
                edge::gaps(&z, laid.step_mm, limit.base_mm)?.gap
            } else {
                edge::swings(&z, laid.step_mm, limit.base_mm)?.value
            };
            let known = values.iter().copied().filter(|v| v.is_finite());
            known.reduce(f64::max)
        })
    }

    /// Rms of each, with half its interval.
    fn sq(&self) -> [[f64; 2]; 2] {
        [0, 1].map(|k| {
            let deviation = &self.deviation[k];
            let all = self.laid.nodes.iter().zip(deviation).map(|(n, d)| (*n, *d));
            let spread = Spread::over(self.fields[k], all);
            [spread.rms, spread.half_of(spread.rms)]
        })
    }
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

/// The change at the limit that decided before, on what both surveys measured.
fn change(before: &Cycle, now: &Cycle, between: &[&Entry], pair: &Pair) -> Option<Change> {
    let was = before.deciding()?;
    let is = now.same(was)?;
    let mut cautions = cautions(before, now, between);
    let give_or_take_mm = 1.96 * was.sd()?.hypot(is.sd()?);
    let worst = match worst_on_common(pair, was) {
        Ok(worst) => worst,
        Err(why) => {
            cautions.push(why.to_string());
            None
        }
    };
    let [from_mm, to_mm] = match worst {
        Some(both) => both,
        None => [was.worst_mm?, is.worst_mm?],
    };
    let caution = cautions.join(", ");
    let told = told(from_mm - to_mm, give_or_take_mm, &caution);
    let sq = sq_change(before, now, &caution, pair);
    let change = Change {
        base_mm: was.base_mm,
        from_mm,
        to_mm,
        give_or_take_mm,
        common_share: pair.common().map_or(1.0, |c| c.laid.overlap_share),
        told,
        sq,
        caution,
        words: String::new(),
    };
    Some(Change {
        words: words(&change, pair),
        ..change
    })
}

fn words(c: &Change, pair: &Pair) -> String {
    let mut out = format!(
        "worst under {:.0} mm: {:.2} → {:.2} mm, give or take {:.2}: {}",
        c.base_mm,
        c.from_mm,
        c.to_mm,
        c.give_or_take_mm,
        in_words(c.told, &c.caution)
    );
    if let Some(s) = &c.sq {
        out += &format!(
            "; over all (Sq): {:.3} → {:.3} mm, give or take {:.3}: {}",
            s.from_mm,
            s.to_mm,
            s.give_or_take_mm,
            in_words(s.told, &c.caution)
        );
    }
    if c.common_share < ALL {
        out += &format!(
            "; told on the {:.0} % that both surveys measured",
            100.0 * c.common_share
        );
    }
    let shift = pair.moved.as_ref().and_then(|m| m.shift);
    if let Some(s) = shift.filter(|s| s.used) {
        let aside = s.mm[0].hypot(s.mm[1]);
        out += &format!("; the grid was taped {aside:.0} mm aside");
    }
    out
}

/// Worst before and now where both measured, found anew where that is not all: none is to be called a change because a survey reached
/// farther. `None` where the worst found stand.
fn worst_on_common(pair: &Pair, limit: &LimitRow) -> Result<Option<[f64; 2]>, &'static str> {
    if let (Some(why), Some(_)) = (pair.why(), pair.fields()) {
        return Err(why);
    }
    let Some(shared) = pair.common() else {
        return Ok(None);
    };
    const WHY: &str = "one of the surveys reached farther than the other";
    match shared.worst(limit) {
        [Some(was), Some(is)] if limit.zone.is_none() => Ok(Some([was, is])),
        _ => Err(WHY),
    }
}

fn sq_change(before: &Cycle, now: &Cycle, caution: &str, pair: &Pair) -> Option<SqChange> {
    let half = |c: &Cycle| Some((c.sq_high_mm? - c.sq_low_mm?) / 2.0);
    let (from_mm, to_mm, halves) = match pair.common() {
        Some(shared) => {
            let [[from, half_from], [to, half_to]] = shared.sq();
            (from, to, [half_from, half_to])
        }
        None => (before.sq_mm?, now.sq_mm?, [half(before)?, half(now)?]),
    };
    let give_or_take_mm = halves[0].hypot(halves[1]);
    // |Sq now − Sq then| ≤ rms of what moved (the triangle's inequality): where that is chance, so is the other.
    let quiet = pair.moved.as_ref().is_some_and(|m| !m.beyond_chance());
    let told = if quiet {
        Told::NoChange
    } else {
        told(from_mm - to_mm, give_or_take_mm, caution)
    };
    Some(SqChange {
        from_mm,
        to_mm,
        give_or_take_mm,
        told,
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
fn cautions(before: &Cycle, now: &Cycle, between: &[&Entry]) -> Vec<String> {
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
    why
}

/// Rms of a field about its mean, and what its standard deviations say of that.
struct Spread {
    rms: f64,
    mean_square: f64,
    places: f64,
}

impl Spread {
    fn of(field: &Field) -> Self {
        let known = field.fairness.iter().map(|d| f64::from(*d)).enumerate();
        Spread::over(field, known)
    }

    /// Of nodes and what they deviate by.
    fn over(field: &Field, nodes: impl Iterator<Item = (usize, f64)>) -> Self {
        let [mut area, mut sum, mut square, mut variance] = [0.0; 4];
        for (node, d) in nodes {
            let sd = f64::from(field.sd.get(node).copied().unwrap_or(f32::NAN));
            if d.is_finite() && sd.is_finite() {
                let a = laid::area_mm2(field, node);
                area += a;
                sum += a * d;
                square += a * d * d;
                variance += a * sd * sd;
            }
        }
        let by = 1.0 / f64::max(area, 1e-9);
        Spread {
            rms: (by * square - (by * sum).powi(2)).max(0.0).sqrt(),
            mean_square: by * variance,
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
