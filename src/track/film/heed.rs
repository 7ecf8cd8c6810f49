//! What to heed of a ledger, in sentences.

use super::sums::repaired;
use super::{Left, Surveyed, Told, changes_film, even, takes, words};
use crate::compare::{Difference, cautions};
use crate::judge::Interval;
use crate::keep::{Entry, Kind};
use crate::plan::shop::Shop;
use crate::problem::Warning;

/// Less area than this is no finding, cm².
const FEW_CM2: f64 = 2.0;
/// Less than this that came up asks for no filler, cc.
const FEW_CC: f64 = 5.0;
const REPAIR: &str = "a repair lies in it: where it was made, measure the film and state it anew";

/// Of two surveys and the work between them.
pub fn of_pair(
    [before, after]: [&Surveyed; 2],
    work: &[&Entry],
    d: &Difference,
    (shop, part, up): (&Shop, &even::Part, Interval),
) -> Vec<Warning> {
    let pair = format!("{} to {}", before.entry.date, after.entry.date);
    let any = |kind: Kind| work.iter().any(|e| e.kind == kind);
    let mut out = Vec::new();
    let film_work = work.iter().any(|e| changes_film(e.kind));
    if work.is_empty() && d.changed() {
        out.push("no work is entered, yet something came up or went down: it is counted; enter what was done".to_string());
    }
    let adds = any(Kind::Fill) || any(Kind::Prime) || any(Kind::Repair);
    if film_work && !adds && up.low > FEW_CC {
        out.push(format!(
            "{:.0} cc came up (at least {:.0}) but no filler is entered: enter it, with grams",
            up.value, up.low
        ));
    }
    if part.put_on_cc.is_some_and(|put| up.low > put.high) {
        out.push(format!(
            "more came up (at least {:.0} cc) than the filler entered can be: is a batch missing?",
            up.low
        ));
    }
    out.extend(even::unknown_recipes(work, shop));
    if any(Kind::PostCure) && film_work {
        out.push("a post-cure lies in it: what the skin shrank counts as taken off".into());
    }
    if repaired(work) {
        out.push(REPAIR.into());
    }
    out.extend(over_all(work));
    if d.measured_share < 0.8 {
        out.push(format!(
            "both surveys measured {:.0} % of the panel; on the rest the film is not known from then on",
            100.0 * d.measured_share
        ));
    }
    if film_work {
        let [a, b] = [before, after].map(|s| &s.survey.conditions);
        out.extend(cautions(a, b).into_iter().map(|w| w.to_string()));
    }
    out.into_iter()
        .map(|w| Warning::new(format!("{pair}: {w}")))
        .collect()
}

/// Of work that no two surveys hold.
pub fn of_unseen(work: &[&Entry], told: &Told) -> Vec<Warning> {
    let names: Vec<String> = work.iter().map(|e| words(e)).collect();
    let mut out = Vec::new();
    if !told.statements.is_empty() {
        let taken = if work.iter().any(|e| takes(e.kind)) {
            "what sanding takes all over is off, and up to all of the highs that were mapped before"
        } else {
            "what was put on is not counted"
        };
        out.push(format!(
            "{} lies between no two surveys: {taken}; survey before more comes off",
            names.join(", ")
        ));
    }
    if repaired(work) {
        out.push(REPAIR.into());
    }
    out.extend(over_all(work));
    out.extend(even::unknown_recipes(work, told.shop));
    out.into_iter().map(Warning::new).collect()
}

fn over_all(work: &[&Entry]) -> Option<String> {
    even::over_all(work).map(|wide| {
        format!("{wide} goes all over, and what lies evenly no gap shows: measure the film and state it anew")
    })
}

/// Of what is left.
pub fn of_left(left: &Left, told: &Told) -> Vec<Warning> {
    let [x, y] = left.least.at_mm;
    let mm = left.least.mm;
    let mut out = Vec::new();
    if left.below_nothing_cm2 > 0.0 {
        out.push(format!(
            "on {:.0} cm², worst at x {x:.0} y {y:.0}, the film comes out below nothing ({:.2} mm, {:.2} to {:.2}): more came off than the film stated. \
             Stop sanding there, look for weave or substrate, ask whoever signs for the structure; measure the film and state it anew",
            left.below_nothing_cm2.max(1.0),
            mm.value,
            mm.low,
            mm.high
        ));
    } else if left.may_be_through_cm2 > FEW_CM2 {
        out.push(format!(
            "on {:.0} cm² the film may be at an end within its interval, least {:.2} mm ({:.2} to {:.2}) at x {x:.0} y {y:.0}: measure it there before \
             anything more comes off",
            left.may_be_through_cm2, mm.value, mm.low, mm.high
        ));
    }
    if !told.statements.is_empty() && left.known_share < 0.95 {
        out.push(format!(
            "the film is known on {:.0} % of the panel only",
            100.0 * left.known_share
        ));
    }
    out.into_iter().map(Warning::new).collect()
}
