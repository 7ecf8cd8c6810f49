//! The outcome in one word, with its reasons, what was not checked, and what to measure next.

use super::limits::lines_for;
use super::nodes::{FAR_MM, Reach};
use super::risk::{RISK, chance};
use super::{
    Action, Flag, LimitResult, LimitState, NodeState, Nodes, Region, RegionKind, Sight, Verdict,
};
use crate::panel::{Limit, Quantity};
use crate::units::Units;
use ndarray::Array2;

/// A panel of which more than this share is not measured is not called fair.
pub(super) const MOST_UNMEASURED: f64 = 0.05;

/// Asked for until a placing was repeated.
pub const REPEAT: &str =
    "one placing a second time (\"again\"): without it nobody knows how well you repeat";

/// What a verdict is made from.
pub struct Evidence<'a> {
    /// Limits as judged.
    pub limits: &'a [LimitResult],
    /// Lows and highs.
    pub regions: &'a [Region],
    /// Nodes.
    pub nodes: &'a Nodes,
    /// Area of each node, mm².
    pub areas_mm2: &'a Array2<f64>,
    /// What the survey sees.
    pub sight: &'a Sight,
    /// Where readings lie.
    pub reach: &'a Reach,
    /// Readings left out.
    pub flags: &'a [Flag],
    /// Whether a placing was repeated.
    pub repeated: bool,
    /// Units of the sentences.
    pub units: Units,
}

/// "0.30 mm under 300 mm".
fn words(limit: &Limit, units: Units) -> String {
    let base = units.place(limit.base_mm);
    match limit.quantity {
        Quantity::Gap => format!("{} under a {base} edge", units.depth(limit.max)),
        Quantity::Swing => format!("{} swing between feet {base} apart", units.depth(limit.max)),
        Quantity::Slope => format!("{} mm/m over {base}", limit.max),
    }
}

/// A value of a limit's quantity with its unit.
fn amount(limit: &Limit, value: f64, units: Units) -> String {
    match limit.quantity {
        Quantity::Gap | Quantity::Swing => units.depth(value),
        Quantity::Slope => format!("{value:.1} mm/m"),
    }
}

/// "x 610, y 200".
fn spot(at: [f64; 2], units: Units) -> String {
    format!(
        "x {}, y {}",
        units.bare_place(at[0]),
        units.bare_place(at[1])
    )
}

/// Share of the panel that is not measured, 0…1.
pub fn unmeasured_share(nodes: &Nodes, areas_mm2: &Array2<f64>) -> f64 {
    let (mut blank, mut all) = (0.0, 0.0);
    for (state, area) in nodes.state.iter().zip(areas_mm2) {
        all += area;
        if *state == NodeState::Unmeasured {
            blank += area;
        }
    }
    if all > 0.0 { blank / all } else { 1.0 }
}

/// The verdict and its reasons.
pub fn verdict(on: &Evidence) -> (Verdict, Vec<String>) {
    let with = |state| on.limits.iter().filter(move |l| l.state == state);
    let mut reasons: Vec<String> = with(LimitState::Exceeded)
        .map(|l| {
            format!(
                "limit {}: {} found at {}, {} to {} there",
                words(&l.limit, on.units),
                amount(&l.limit, l.worst.value, on.units),
                spot(l.worst_at, on.units),
                amount(&l.limit, l.worst.low, on.units),
                amount(&l.limit, l.worst.high, on.units)
            )
        })
        .collect();
    if !reasons.is_empty() {
        let more: Vec<&str> = on
            .regions
            .iter()
            .filter(|r| r.needs_cycle)
            .map(|r| r.name.as_str())
            .collect();
        if !more.is_empty() {
            reasons.push(format!("another cycle is needed at {}", more.join(", ")));
        }
        return (Verdict::AnotherCycle, reasons);
    }
    for l in with(LimitState::Unsure) {
        // Within the limit as far as can be told: what is open is where nothing was read, or a
        // reading that says otherwise.
        if l.p_exceeds <= RISK {
            reasons.push(format!(
                "limit {}: at most {} where it could be measured; {}",
                words(&l.limit, on.units),
                amount(&l.limit, l.could_be, on.units),
                l.remedy
            ));
            continue;
        }
        let mut reason = format!(
            "limit {} cannot be decided: {} found, could be {}; {} that it is over",
            words(&l.limit, on.units),
            amount(&l.limit, l.worst.value, on.units),
            amount(&l.limit, l.could_be, on.units),
            chance(l.p_exceeds)
        );
        if let Some(doubt) = &l.doubt {
            reason += &format!(", most of it at {}", doubt.words);
        }
        reasons.push(reason);
    }
    // What was left out may be right after all: then it is a defect that the map does not show.
    let least = on
        .limits
        .iter()
        .filter(|l| l.limit.quantity != Quantity::Slope)
        .map(|l| l.limit.max)
        .fold(f64::INFINITY, f64::min);
    let mut doubtful = on
        .flags
        .iter()
        .filter(|f| (f.value_mm - f.expected_mm).abs() > least);
    if let Some(flag) = doubtful.next() {
        let more = match doubtful.count() {
            0 => String::new(),
            n => format!(", and {n} more"),
        };
        reasons.push(format!(
            "left out: {}{more}; read it again before the panel is called fair",
            flag.reason
        ));
    }
    let share = unmeasured_share(on.nodes, on.areas_mm2);
    if share > MOST_UNMEASURED {
        reasons.push(format!(
            "{:.0} % of the panel is not measured",
            (share * 100.0).max(1.0)
        ));
    }
    if on.reach.one_way() {
        reasons.extend(on.sight.untied.iter().cloned());
    }
    let met = with(LimitState::Met).count();
    if met == 0 && reasons.is_empty() {
        reasons.push("none of the limits can be checked with this survey".into());
    }
    if !reasons.is_empty() {
        return (Verdict::MeasureMore, reasons);
    }
    reasons.extend(fair_to(on.limits, on.reach, on.units));
    for l in with(LimitState::Met) {
        reasons.push(format!(
            "limit {}: met, worst {}, at most {} anywhere",
            words(&l.limit, on.units),
            amount(&l.limit, l.worst.value, on.units),
            amount(&l.limit, l.could_be, on.units)
        ));
    }
    (Verdict::Fair, reasons)
}

/// Widths are told in steps of this, upward, mm.
const WIDTH_STEP_MM: f64 = 5.0;

/// A width that would surely have been seen, rounded up so that it is still true.
fn width(mm: f64, units: Units) -> String {
    units.place((mm / WIDTH_STEP_MM).ceil() * WIDTH_STEP_MM)
}

/// The widest of what limits that are met would miss, mm; `None` where none is.
pub fn blind_mm(limits: &[LimitResult]) -> Option<f64> {
    let met = limits.iter().filter(|l| l.state == LimitState::Met);
    met.map(|l| l.blind_mm).max_by(f64::total_cmp)
}

/// "fair to anything wider than 160 mm": how far a verdict of fair goes.
pub fn fair_to_words(limits: &[LimitResult], units: Units) -> Option<String> {
    let widest = blind_mm(limits).filter(|mm| mm.is_finite())?;
    Some(format!("to anything wider than {}", width(widest, units)))
}

/// How far a verdict of fair goes, and what closes the rest: the cheapest first.
fn fair_to(limits: &[LimitResult], reach: &Reach, units: Units) -> Option<String> {
    let widest = limits
        .iter()
        .filter(|l| l.state == LimitState::Met && l.blind_mm.is_finite())
        .max_by(|a, b| a.blind_mm.total_cmp(&b.blind_mm))?;
    let [x, y] = widest.blind_at;
    let closer = lines_for(reach.distance(x, y), widest.blind_mm, widest.limit.base_mm);
    // Where coat has shown the rest no lines would show more.
    let how = if closer < widest.blind_mm {
        format!(
            "guide coat, raking light or lines each {} would show it",
            units.place(closer)
        )
    } else {
        "raking light or a hand over it would show it".to_string()
    };
    Some(format!(
        "a low or high narrower than {} could lie unseen, such as at {}: {how}",
        width(widest.blind_mm, units),
        spot(widest.blind_at, units)
    ))
}

/// What was not checked, whatever the verdict.
pub fn not_checked(on: &Evidence) -> Vec<String> {
    let mut out = vec!["crown, twist and section of the panel (they are taken as they are)".into()];
    for l in on
        .limits
        .iter()
        .filter(|l| l.state == LimitState::NotChecked)
    {
        let zone = l
            .zone
            .as_ref()
            .map(|z| format!(" in {z}"))
            .unwrap_or_default();
        out.push(format!("{}{zone}: {}", words(&l.limit, on.units), l.remedy));
    }
    let share = unmeasured_share(on.nodes, on.areas_mm2);
    if share > 0.001 {
        out.push(format!(
            "{:.1} % of the panel: more than {} from a reading, too steep, or too little known",
            share * 100.0,
            on.units.place(FAR_MM)
        ));
    }
    if !on.sight.blind_mm.is_empty() {
        let waves: Vec<String> = on
            .sight
            .blind_mm
            .iter()
            .map(|w| on.units.place(*w))
            .collect();
        out.push(format!(
            "waves of {} where only the wave gauge was used: it cannot see them",
            waves.join(" and ")
        ));
    }
    out
}

/// What to measure next, the most telling first.
pub fn measure_next(on: &Evidence) -> Vec<String> {
    let mut out = Vec::new();
    // One sentence a place, whatever it settles.
    let mut settled: Vec<(String, Vec<String>)> = Vec::new();
    for l in on.limits.iter().filter(|l| l.state == LimitState::Unsure) {
        if l.remedy.starts_with("all placings run") {
            continue;
        }
        let limit = words(&l.limit, on.units);
        let sentence = match &l.doubt {
            Some(doubt) => format!("{}, {}", doubt.remedy, doubt.words),
            None if l.p_exceeds <= RISK => l.remedy.clone(),
            None => format!("two placings crossing at {}", spot(l.worst_at, on.units)),
        };
        match settled.iter_mut().find(|s| s.0 == sentence) {
            Some((_, limits)) => limits.push(limit),
            None => settled.push((sentence, vec![limit])),
        }
    }
    out.extend(
        settled
            .iter()
            .map(|(sentence, limits)| format!("{sentence}: for {}", limits.join(" and "))),
    );
    out.extend(on.sight.untied.iter().cloned());
    if let Some(place) = emptiest(on) {
        out.push(format!(
            "around {}, which is {} from the nearest reading",
            spot([place.0, place.1], on.units),
            on.units.place(place.2)
        ));
    }
    for r in on
        .regions
        .iter()
        .filter(|r| r.action == Action::Measure)
        .take(3)
    {
        out.push(format!(
            "one placing over {} {} at {}: its {} may be out by {}",
            if r.kind == RegionKind::Low {
                "low"
            } else {
                "high"
            },
            r.name,
            spot(r.worst_at, on.units),
            on.units.depth(r.worst_mm.value),
            on.units.depth((r.worst_mm.high - r.worst_mm.low) / 2.0)
        ));
    }
    if !on.repeated {
        out.push(REPEAT.into());
    }
    out
}

/// The node furthest from any reading, if that is too far.
fn emptiest(on: &Evidence) -> Option<(f64, f64, f64)> {
    let grid = on.nodes.grid;
    on.nodes
        .reading_distance
        .indexed_iter()
        .filter(|(_, d)| **d > FAR_MM)
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map(|((iy, ix), d)| (grid.x(ix), grid.y(iy), *d))
}
