//! What the track of a panel found, in the user's words and units: advice, change, readiness.

use crate::panel::Quantity;
use crate::track::advice::{Advice, Bought, Why};
use crate::track::change::{ALL, Change};
use crate::track::cycle::Told;
use crate::track::floor::{Next, Worst};
use crate::track::forecast::Forecast;
use crate::track::ready::{By, Film, FilmState, Found};
use crate::units::Units;

const MM_PER_THOU: f64 = 0.0254;

/// A deviation to a thousandth of a mm or a tenth of a thou, without its unit.
pub fn fine(mm: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{mm:.3}"),
        Units::Us => format!("{:.1}", mm / MM_PER_THOU),
    }
}

/// The same a digit further.
pub fn finest(mm: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{mm:.4}"),
        Units::Us => format!("{:.2}", mm / MM_PER_THOU),
    }
}

/// A deviation as written, with its unit.
pub fn with_unit(text: String, units: Units) -> String {
    format!("{text} {}", units.depth_unit())
}

/// Why an advice is given.
pub fn advice(a: &Advice, units: Units) -> String {
    match (&a.why, &a.forecast) {
        (Why::NoSurvey, _) => "no survey yet".into(),
        (Why::Stale(stale), _) => format!("the last survey no longer holds: {stale}"),
        (
            Why::Inside {
                below_repeatability,
                bought: last,
            },
            _,
        ) => {
            let smaller = if *below_repeatability {
                "; what is left is smaller than one reading repeats to"
            } else {
                ""
            };
            let bought = last.map_or(String::new(), |b| bought(&b, units));
            format!("inside your limit at every base that could be checked{smaller}{bought}")
        }
        (Why::Misfit, _) => "the form told does not fit the panel: mend panel.toml as its map \
                             says, and enter it again"
            .into(),
        (Why::Undecided, _) => {
            "what was measured does not decide: `lowspot next` says where to measure".into()
        }
        (
            Why::Stuck {
                bought: last,
                repeats_mm,
            },
            _,
        ) => format!(
            "another cycle of the same kind is unlikely to help{}, less than twice what a reading \
             repeats to ({}), and the limit is still exceeded: change the tool, the base length or \
             the method",
            bought(last, units),
            units.depth(*repeats_mm)
        ),
        (Why::Worth, Some(f)) => worth(f, units),
        (Why::Exceeded | Why::Worth, _) => {
            "a limit is exceeded even at the favourable end of its interval".into()
        }
    }
}

fn worth(f: &Forecast, units: Units) -> String {
    let [from, low, high, limit] =
        [f.from_mm, f.low_mm, f.high_mm, f.limit_mm].map(|mm| units.bare_depth(mm));
    let enough = match () {
        () if f.high_mm <= f.limit_mm => "",
        () if f.to_mm <= f.limit_mm => ", which may or may not do",
        () => ", so count on more than one",
    };
    format!(
        "another cycle is worth it: expected {from} → {} ({low}-{high}) under {}, limit {limit}\
         {enough}, about {:.1} h{}",
        units.depth(f.to_mm),
        units.place(f.base_mm),
        f.hours,
        scored(f)
    )
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

/// "; the last cycle bought 0.03 mm for 3.0 h".
fn bought(b: &Bought, units: Units) -> String {
    let hours = if b.hours > 0.0 {
        format!(" for {:.1} h", b.hours)
    } else {
        String::new()
    };
    if b.told == Told::NoChange {
        return format!(
            "; the last cycle{hours}: {} → {}, not better by more than surveys repeat to",
            units.bare_depth(b.from_mm),
            units.depth(b.to_mm)
        );
    }
    format!(
        "; the last cycle bought {}{hours}",
        units.depth(b.from_mm - b.to_mm)
    )
}

/// What changed from the survey before.
pub fn change(c: &Change, units: Units) -> String {
    let mut parts = Vec::new();
    if let Some(w) = &c.worst {
        let lines = if c.same_lines {
            " on the same lines"
        } else {
            ""
        };
        parts.push(format!(
            "{}worst under {} {} → {}, give or take {}{lines}",
            before_figures(w.told, &c.caution),
            units.place(w.base_mm),
            units.bare_depth(w.from_mm),
            units.depth(w.to_mm),
            units.bare_depth(w.give_or_take_mm)
        ));
    }
    if let Some(s) = &c.sq {
        parts.push(format!(
            "over all (Sq) {}{} → {}, give or take {}",
            before_figures(s.told, &c.caution),
            fine(s.from_mm, units),
            with_unit(fine(s.to_mm, units), units),
            fine(s.give_or_take_mm, units)
        ));
    }
    if c.worst.is_none() {
        parts.push("no limit was checked by both surveys, so no worst is compared".into());
    }
    if c.common_share < ALL {
        parts.push(format!(
            "told on the {:.0} % that both surveys measured",
            100.0 * c.common_share
        ));
    }
    if let Some(aside) = c.taped_aside_mm {
        parts.push(format!("the grid was taped {} aside", units.place(aside)));
    }
    parts.join("; ")
}

/// How a change is told, before its figures.
fn before_figures(told: Told, caution: &str) -> String {
    match told {
        Told::Better => "better: ".into(),
        Told::Worse => "worse: ".into(),
        Told::NoChange => "not better: ".into(),
        Told::NotComparable => format!("cannot be told, {caution}: "),
    }
}

/// What an answer about readiness rests on.
pub fn by(by: &By, units: Units) -> String {
    let places = |all: &[f64]| -> String {
        let each: Vec<String> = all.iter().map(|mm| units.place(*mm)).collect();
        each.join(", ")
    };
    match by {
        By::Words(words) => words.clone(),
        By::Exceeded(over) => {
            let each: Vec<String> = over.iter().map(|f| found(f, units)).collect();
            each.join("; ")
        }
        By::SignedOff(signed) => {
            let each: Vec<String> = signed
                .iter()
                .map(|(base, how)| format!("{} by {how}", units.place(*base)))
                .collect();
            format!("survey, and signed off at {}", each.join("; "))
        }
        By::NotChecked(bases) => format!(
            "not checked at {}: sign off by guide coat or raking light",
            places(bases)
        ),
        By::CoatShows(mm) => format!(
            "the photo of its coat would show anything wider than {}",
            units.place(*mm)
        ),
        By::Unseen(mm) => format!(
            "a low or high narrower than {} could lie between the lines: cheapest is a guide coat, \
             blocked once and looked over whole, or raking light, then sign off (sign-off --base \
             {} --means guide-coat); or survey with a photo of the coat",
            units.place(*mm),
            base_to_type((mm / 2.0 / 10.0).ceil() * 10.0, units)
        ),
        By::Film(f) => film(f, units),
    }
}

/// What comes next on a panel.
pub fn next(next: &Next, units: Units) -> String {
    match next {
        Next::Stage(words) => words.clone(),
        Next::BeforePrimer {
            what,
            by: why,
            more,
        } => {
            let first = format!("{what}: {}", by(why, units));
            match more {
                0 => first,
                n => format!("{first}; and {n} more before primer"),
            }
        }
        Next::NoSanding(film) => format!("no more sanding: film {}", by(film, units)),
    }
}

/// "0.41 of 0.30 mm under 300 mm".
pub fn worst(w: &Worst, units: Units) -> String {
    format!(
        "{} of {} under {}",
        units.bare_depth(w.worst_mm),
        units.depth(w.allowed_mm),
        units.place(w.base_mm)
    )
}

/// A base as it is typed: mm are understood without their unit.
fn base_to_type(mm: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{mm:.0}"),
        Units::Us => format!("{}in", units.bare_place(mm)),
    }
}

/// "limit 0.20 mm under a 300 mm edge: 0.30 mm found at x 750, y 540, 0.21 mm to 0.40 mm there".
fn found(f: &Found, units: Units) -> String {
    let value = |v: f64| match f.quantity {
        Quantity::Slope => format!("{v:.1} mm/m"),
        Quantity::Gap | Quantity::Swing => units.depth(v),
    };
    let base = units.place(f.base_mm);
    let how = match f.quantity {
        Quantity::Gap => format!("under a {base} edge"),
        Quantity::Swing => format!("swing between feet {base} apart"),
        Quantity::Slope => format!("over {base}"),
    };
    let [worst, low, high] = f.worst.map(value);
    format!(
        "limit {} {how}: {worst} found at x {}, y {}, {low} to {high} there",
        value(f.allowed),
        units.bare_place(f.at_mm[0]),
        units.bare_place(f.at_mm[1])
    )
}

fn film(f: &Film, units: Units) -> String {
    let least = format!(
        "least {} (from {}) at x {} y {}",
        units.depth(f.least_mm),
        units.bare_depth(f.low_mm),
        units.bare_place(f.at_mm[0]),
        units.bare_place(f.at_mm[1])
    );
    match f.state {
        FilmState::Through(cm2) => format!(
            "{least}, below nothing on {}: stop sanding, look for weave or substrate, ask; measure \
             it",
            units.area(cm2)
        ),
        FilmState::MayBeThrough(cm2) => format!(
            "{least}, may be at an end on {}: measure it there",
            units.area(cm2)
        ),
        FilmState::Left => format!("{least}, reckoned"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exceeded_limit_is_told_by_what_it_limits() {
        let told = |quantity, units| {
            found(
                &Found {
                    base_mm: 50.0,
                    allowed: 0.1,
                    quantity,
                    worst: [0.3, 0.2, 0.4],
                    at_mm: [750.0, 540.0],
                },
                units,
            )
        };
        assert_eq!(
            told(Quantity::Gap, Units::Metric),
            "limit 0.10 mm under a 50 mm edge: 0.30 mm found at x 750, y 540, 0.20 mm to 0.40 mm \
             there"
        );
        assert_eq!(
            told(Quantity::Swing, Units::Us),
            "limit 4 thou swing between feet 2.0 in apart: 12 thou found at x 29.5, y 21.3, 8 thou \
             to 16 thou there"
        );
        assert!(told(Quantity::Slope, Units::Metric).starts_with("limit 0.1 mm/m over 50 mm: "));
    }
}
