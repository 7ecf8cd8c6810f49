//! What changed from one survey to the next, and whether that is more than surveys repeat to.

use super::cycle::{Cycle, LimitRow};
use super::laid::{self, Laid, lay};
use super::moved::{self, Moved};
use crate::judge::edge;
use crate::keep::{Entry, Field, Kind, SurveyResult};
use ndarray::Array2;
use serde::Serialize;

/// Whether a cycle helped.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Told {
    /// Less than before, by more than both surveys are unsure.
    Better,
    /// More than before, likewise.
    Worse,
    /// Not better: smaller than what the surveys repeat to.
    NoChange,
    /// On other supports or at another temperature: not to be called progress.
    NotComparable,
}

/// What changed from the survey before.
#[derive(Clone, Debug, Serialize)]
pub struct Change {
    /// The worst gap or swing at the limit that decided before; `None` where no limit could be
    /// checked by both surveys.
    #[serde(flatten)]
    pub worst: Option<WorstChange>,
    /// Whether both surveys lay along the same lines: what no line saw is then the same in both,
    /// and cancels.
    pub same_lines: bool,
    /// Share of what either survey measured on which the two are told, 0 to 1; 1 where that makes
    /// no difference.
    pub common_share: f64,
    /// What the root mean square deviation tells, which rests on the whole panel and not on its
    /// worst place; `None` where it is not known.
    pub sq: Option<SqChange>,
    /// Why it is not to be compared; empty where it is.
    pub caution: String,
    /// How far aside the grid was taped, where that was found and taken back, mm.
    pub taped_aside_mm: Option<f64>,
}

/// What changed at the limit that decided before.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct WorstChange {
    /// Base of that limit, mm.
    pub base_mm: f64,
    /// Worst before, mm.
    pub from_mm: f64,
    /// Worst now, mm.
    pub to_mm: f64,
    /// A smaller difference may be chance, mm: exceeded by an untouched panel in one of twenty
    /// pairs of surveys, either way.
    pub give_or_take_mm: f64,
    /// What that is.
    pub told: Told,
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

/// Two surveys at temperatures farther apart than this are not compared without saying so, °C
/// (common practice, no source).
const OTHER_SKIN_C: f64 = 8.0;
/// Two surveys of which both measured this share of what either did are told on all that each
/// measured (common practice, no source).
pub const ALL: f64 = 0.98;
/// One-sided 5 % of the normal distribution.
const ONE_SIDED: f64 = 1.645;
/// By how much the draws are too sure of a worst, and the least change of a worst along the same
/// lines that is told, mm: a feeler's step (both chosen on 360 simulated panels that nobody
/// touched: under 1.3, 7 % were called better along the same lines; under 1.55, 3 to 4 %).
const TOO_SURE: f64 = 1.55;
const LEAST_CHANGE_MM: f64 = 0.05;
/// How far apart places of a survey are about independent of each other, mm (common practice, no
/// source: two placings).
const INDEPENDENT_MM: f64 = 150.0;

/// The change on what both surveys measured: at the limit that decided before, and over all. `None`
/// where neither is known.
pub(super) fn change(
    before: &Cycle,
    now: &Cycle,
    between: &[&Entry],
    pair: &Pair,
) -> Option<Change> {
    let mut cautions = cautions(before, now, between);
    let same_lines = before.lines.is_some() && before.lines == now.lines;
    let limits = before
        .deciding()
        .and_then(|was| Some([was, now.same(was)?]));
    let common = match (limits, pair.why()) {
        (Some([was, _]), _) => worst_on_common(pair, was),
        (None, Some(why)) if pair.fields().is_some() => Err(why),
        (None, _) => Ok(None),
    };
    let common = common.unwrap_or_else(|why| {
        cautions.push(why.to_string());
        None
    });
    let caution = cautions.join(", ");
    let worst = limits.and_then(|limits| worst_change(limits, same_lines, common, &caution));
    let sq = sq_change(before, now, &caution, pair);
    if worst.is_none() && sq.is_none() {
        return None;
    }
    let shift = pair.moved.as_ref().and_then(|m| m.shift);
    Some(Change {
        worst,
        same_lines,
        common_share: pair.common().map_or(1.0, |c| c.laid.overlap_share),
        sq,
        caution,
        taped_aside_mm: shift.filter(|s| s.used).map(|s| s.mm[0].hypot(s.mm[1])),
    })
}

/// At a limit as it was and is; `common`: the worst of each on what both measured, where that is
/// not all.
fn worst_change(
    [was, is]: [&LimitRow; 2],
    same_lines: bool,
    common: Option<[f64; 2]>,
    caution: &str,
) -> Option<WorstChange> {
    let give_or_take_mm = match [was, is].map(|l| l.repeats.filter(|_| same_lines)) {
        [Some(then), Some(now)] => (TOO_SURE * ONE_SIDED * then.hypot(now)).max(LEAST_CHANGE_MM),
        _ => TOO_SURE * 1.96 * was.sd()?.hypot(is.sd()?),
    };
    let [from_mm, to_mm] = match common {
        Some(both) => both,
        None => [was.worst_mm?, is.worst_mm?],
    };
    Some(WorstChange {
        base_mm: was.base_mm,
        from_mm,
        to_mm,
        give_or_take_mm,
        told: told(from_mm - to_mm, give_or_take_mm, caution),
    })
}

/// Worst before and now where both measured, found anew where that is not all: none is to be called
/// a change because a survey reached farther. `None` where the worst found stand.
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
    // |Sq now − Sq then| ≤ rms of what moved (triangle inequality): where that is chance, so is
    // the other.
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

pub(super) fn told(less: f64, give_or_take: f64, caution: &str) -> Told {
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

/// Why two surveys are not to be compared without saying so.
pub(super) fn cautions(before: &Cycle, now: &Cycle, between: &[&Entry]) -> Vec<String> {
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

/// A survey and the one before it.
pub(super) struct Pair<'a> {
    results: [&'a SurveyResult; 2],
    laid: Result<Laid, &'static str>,
    /// What moved between them.
    pub(super) moved: Option<Moved>,
}

impl<'a> Pair<'a> {
    pub(super) fn of(two: &'a [(Entry, SurveyResult)]) -> Self {
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
    pub(super) fn why(&self) -> Option<&'static str> {
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

/// Two surveys of which one reached farther, on what both measured. A fair shape laid through part
/// of a panel follows that part, so both are held to one: that of the survey which measured more.
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

/// Rms of a field about its mean, and what its standard deviations say of that.
pub(super) struct Spread {
    rms: f64,
    mean_square: f64,
    places: f64,
}

impl Spread {
    pub(super) fn of(field: &Field) -> Self {
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

    /// Half the 95 % interval of a root mean square, mm: over n places about independent of each
    /// other, var(rms²) = (4·rms²·sd² + 2·sd⁴)/n and d(rms) = d(rms²)/2rms; near 0 the root of
    /// that.
    pub(super) fn half_of(&self, rms: f64) -> f64 {
        let square =
            (4.0 * rms * rms * self.mean_square + 2.0 * self.mean_square.powi(2)) / self.places;
        let half = 1.96 * square.sqrt();
        (half / (2.0 * rms).max(1e-9)).min(half.sqrt())
    }
}
