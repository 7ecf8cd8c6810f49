//! Whether another cycle is worth it, with the reason.

use super::cycle::{Cycle, Told, WorstChange};
use super::forecast::Step;
use super::forecast::{Forecast, forecast};
use crate::keep::Entry;
use crate::keep::standing;
use serde::Serialize;

/// What to do next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Do {
    /// Another cycle is worth it.
    AnotherCycle,
    /// Stop: fair, or nothing more to be gained this way.
    Stop,
    /// Measure first.
    MeasureMore,
}

impl Do {
    /// The word in files.
    pub fn word(self) -> &'static str {
        match self {
            Do::AnotherCycle => "another-cycle",
            Do::Stop => "stop",
            Do::MeasureMore => "measure-more",
        }
    }
}

/// The advice.
#[derive(Clone, Debug, Serialize)]
pub struct Advice {
    /// What to do.
    #[serde(rename = "do")]
    pub what: Do,
    /// Why, in a sentence.
    pub reason: String,
    /// What another cycle would leave.
    pub forecast: Option<Forecast>,
}

/// Advice after these cycles. `entries`: all of the panel's, to see whether the last survey still
/// holds; `shop`: steps of other panels.
pub fn advice(cycles: &[Cycle], entries: &[Entry], shop: &[Step]) -> Advice {
    let forecast = forecast(cycles, shop);
    let (what, reason) = reason(cycles, entries, forecast.as_ref());
    Advice {
        what,
        reason,
        forecast,
    }
}

fn reason(cycles: &[Cycle], entries: &[Entry], forecast: Option<&Forecast>) -> (Do, String) {
    let Some(last) = cycles.last() else {
        return (Do::MeasureMore, "no survey yet".into());
    };
    if let Some(stale) = standing::stale(entries) {
        return (
            Do::MeasureMore,
            format!("the last survey no longer holds: {stale}"),
        );
    }
    let bought = bought(cycles);
    match last.verdict.as_str() {
        "fair" => (
            Do::Stop,
            format!(
                "inside your limit at every base that could be checked{}{bought}",
                smaller(last)
            ),
        ),
        "another-cycle" => another(cycles, forecast, &bought),
        "not-judged" => (
            Do::MeasureMore,
            "the form told does not fit the panel: mend panel.toml as its map says, and enter it again".into(),
        ),
        _ => (
            Do::MeasureMore,
            "what was measured does not decide: `lowspot next` says where to measure".into(),
        ),
    }
}

/// A cycle that bought less than this many times what a reading repeats to did not help (common
/// practice, no source).
const TIMES: f64 = 2.0;
/// Repeatability where none is known, mm: straightedge and feeler (common practice, no source).
const USUAL_MM: f64 = 0.05;

/// The last cycle and what it did to the worst.
fn last_worst(cycles: &[Cycle]) -> Option<(&Cycle, &WorstChange)> {
    let last = cycles.last()?;
    Some((last, last.change.as_ref()?.worst.as_ref()?))
}

/// A limit is exceeded: worth a cycle, unless the last one bought next to nothing.
fn another(cycles: &[Cycle], forecast: Option<&Forecast>, bought: &str) -> (Do, String) {
    let last = last_worst(cycles);
    let stuck = last.filter(|(c, change)| {
        let least = TIMES * c.repeatability_mm.unwrap_or(USUAL_MM);
        !c.work.is_empty()
            && change.from_mm - change.to_mm < least
            && change.told != Told::NotComparable
    });
    match (forecast, stuck) {
        (_, Some((c, _))) => (
            Do::Stop,
            format!(
                "another cycle of the same kind is unlikely to help{bought}, less than twice what a reading repeats to ({:.2} mm), and the limit is \
                 still exceeded: change the tool, the base length or the method",
                c.repeatability_mm.unwrap_or(USUAL_MM)
            ),
        ),
        (Some(f), None) => (
            Do::AnotherCycle,
            format!(
                "another cycle is worth it: expected {:.2} → {:.2} mm ({:.2}-{:.2}) under {:.0} mm, limit {:.2}{}, about {:.1} h{}",
                f.from_mm,
                f.to_mm,
                f.low_mm,
                f.high_mm,
                f.base_mm,
                f.limit_mm,
                enough(f),
                f.hours,
                scored(f)
            ),
        ),
        (None, None) => (
            Do::AnotherCycle,
            "a limit is exceeded even at the favourable end of its interval".into(),
        ),
    }
}

/// "; what is left is smaller than your repeatability".
fn smaller(last: &Cycle) -> &'static str {
    match (last.sq_mm, last.repeatability_mm) {
        (Some(sq), Some(repeat)) if sq < repeat => {
            "; what is left is smaller than one reading repeats to"
        }
        _ => "",
    }
}

/// "; the last cycle bought 0.03 mm for 3.0 h".
fn bought(cycles: &[Cycle]) -> String {
    let Some((last, change)) = last_worst(cycles) else {
        return String::new();
    };
    let hours = if last.hours > 0.0 {
        format!(" for {:.1} h", last.hours)
    } else {
        String::new()
    };
    if change.told == Told::NoChange {
        return format!(
            "; the last cycle{hours}: {:.2} → {:.2} mm, not better by more than surveys repeat to",
            change.from_mm, change.to_mm
        );
    }
    format!(
        "; the last cycle bought {:.2} mm{hours}",
        change.from_mm - change.to_mm
    )
}

/// Whether one cycle is likely to be enough.
fn enough(f: &Forecast) -> &'static str {
    match () {
        () if f.high_mm <= f.limit_mm => "",
        () if f.to_mm <= f.limit_mm => ", which may or may not do",
        () => ", so count on more than one",
    }
}

fn scored(f: &Forecast) -> String {
    match f.past {
        Some(p) => format!(
            "; {} earlier forecast{} here {} off by {:.0} % on average",
            p.count,
            if p.count == 1 { "" } else { "s" },
            if p.count == 1 { "was" } else { "were" },
            100.0 * p.mean_error
        ),
        None => String::new(),
    }
}
