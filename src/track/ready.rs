//! Ready for primer is a list, not a number: each point yes, no or not known, and ready only when
//! all are yes.

use super::stage::{cure_h, curing, standing_entries};
use crate::keep::{Entry, Kind, Means, Standing, Summary};
use crate::panel::Panel;
use crate::plan::heat::too_hot;
use crate::plan::shop::Shop;
use jiff::Timestamp;
use serde::Serialize;

/// A coat seen in a photo leaves nothing wider than this unseen, mm: two of its cells, and some to
/// spare.
const SEEN_BY_COAT_MM: f64 = 60.0;
/// Less area than this is no finding, cm².
const FEW_CM2: f64 = 2.0;

/// An answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// Yes.
    Yes,
    /// No.
    No,
    /// Nobody said.
    NotKnown,
}

impl Answer {
    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Answer::Yes => "yes",
            Answer::No => "no",
            Answer::NotKnown => "not known",
        }
    }
}

/// One point of the list.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Point {
    /// What is asked.
    pub what: &'static str,
    /// The answer.
    pub answer: Answer,
    /// By what.
    pub by: String,
}

/// The whole list.
pub fn list(s: &Standing, panel: &Panel, shop: &Shop, now: Timestamp) -> Vec<Point> {
    let entries = standing_entries(&s.entries);
    let mut all = vec![fair(s, &entries), nothing_unseen(s, &entries)];
    all.push(cured(s, shop, now));
    all.extend(heat(&entries, panel));
    all.extend(film(s, panel));
    all.push(substrate(s, &entries));
    all.push(pinholes(s, &entries));
    all.extend(is_weighed(panel).then(|| mass(&entries)));
    if panel.moving_surface {
        all.push(balance(&entries));
    }
    all
}

/// Whether all are yes.
pub fn is_ready(list: &[Point]) -> bool {
    list.iter().all(|p| p.answer == Answer::Yes)
}

fn point(what: &'static str, answer: Answer, by: impl Into<String>) -> Point {
    Point {
        what,
        answer,
        by: by.into(),
    }
}

/// Fair at every base that could be checked; what could not, signed off since the last work.
fn fair(s: &Standing, entries: &[&Entry]) -> Point {
    const WHAT: &str = "fair at every base";
    let Some(summary) = &s.summary else {
        return point(WHAT, Answer::NotKnown, "no survey yet");
    };
    if let Some(stale) = &s.stale {
        return point(
            WHAT,
            Answer::NotKnown,
            format!("the last survey no longer holds: {stale}"),
        );
    }
    match summary.verdict.as_str() {
        "fair" => {}
        "another-cycle" => return point(WHAT, Answer::No, summary.reasons.join("; ")),
        _ => return point(WHAT, Answer::NotKnown, summary.reasons.join("; ")),
    }
    let signed: Vec<(f64, String)> = since_work(entries)
        .filter(|e| e.kind == Kind::SignOff)
        .filter_map(|e| {
            let means = match e.facts.means? {
                Means::GuideCoat => "guide coat",
                Means::RakingLight => "raking light",
            };
            let who = e.who.as_deref().unwrap_or("nobody named");
            Some((
                e.facts.base_mm?,
                format!("{:.0} mm by {means}, {who}", e.facts.base_mm?),
            ))
        })
        .collect();
    let open: Vec<String> = summary
        .limits
        .iter()
        .filter(|l| l.state == "not-checked")
        .filter(|l| {
            !signed
                .iter()
                .any(|(base, _)| (base - l.base_mm).abs() < 0.5)
        })
        .map(|l| format!("{:.0} mm", l.base_mm))
        .collect();
    if open.is_empty() {
        let off: Vec<String> = signed.into_iter().map(|(_, words)| words).collect();
        let by = if off.is_empty() {
            format!(
                "survey of {}",
                s.survey
                    .as_ref()
                    .map_or(String::new(), |e| e.date.to_string())
            )
        } else {
            format!("survey, and signed off at {}", off.join("; "))
        };
        point(WHAT, Answer::Yes, by)
    } else {
        point(
            WHAT,
            Answer::NotKnown,
            format!(
                "not checked at {}: sign off by guide coat or raking light",
                open.join(", ")
            ),
        )
    }
}

/// What lies between the lines of a survey no reading sees: a coat photographed with it, or a look
/// over the whole panel since the last work, signed for, does.
fn nothing_unseen(s: &Standing, entries: &[&Entry]) -> Point {
    const WHAT: &str = "nothing narrow unseen";
    if let Some(signed) = since_work(entries).rfind(|e| e.kind == Kind::SignOff) {
        let means = match signed.facts.means {
            Some(Means::GuideCoat) => "guide coat",
            Some(Means::RakingLight) => "raking light",
            None => "hand",
        };
        let who = signed.who.as_deref().unwrap_or("nobody named");
        return point(
            WHAT,
            Answer::Yes,
            format!(
                "looked over by {means}, signed off {} by {who}",
                signed.date
            ),
        );
    }
    let Some(summary) = s.summary.as_ref().filter(|_| s.stale.is_none()) else {
        return point(WHAT, Answer::NotKnown, "no survey that still holds");
    };
    let met = summary.limits.iter().filter(|l| l.state == "met");
    let blind: Vec<Option<f64>> = met.map(|l| l.blind_mm).collect();
    let widest = blind.iter().copied().collect::<Option<Vec<f64>>>();
    let widest = widest.and_then(|all| all.into_iter().reduce(f64::max));
    match widest {
        Some(mm) if summary.photos > 0 && mm <= SEEN_BY_COAT_MM => point(
            WHAT,
            Answer::Yes,
            format!("the photo of its coat would show anything wider than {mm:.0} mm"),
        ),
        Some(mm) => point(
            WHAT,
            Answer::NotKnown,
            format!(
                "a low or high narrower than {mm:.0} mm could lie between the lines: cheapest is a guide coat, blocked once and looked \
                 over whole, or raking light, then sign off (sign-off --base {:.0} --means guide-coat); or survey with a photo of the coat",
                (mm / 2.0 / 10.0).ceil() * 10.0
            ),
        ),
        None => point(
            WHAT,
            Answer::NotKnown,
            "what lies between the lines is not known: sign off by guide coat or raking light over the whole panel",
        ),
    }
}

/// Entries after the last work that changed the surface.
fn since_work<'a>(entries: &'a [&Entry]) -> impl DoubleEndedIterator<Item = &'a Entry> {
    let last = entries
        .iter()
        .rposition(|e| e.kind.makes_stale())
        .map_or(0, |k| k + 1);
    entries[last..].iter().copied()
}

fn cured(s: &Standing, shop: &Shop, now: Timestamp) -> Point {
    const WHAT: &str = "cure elapsed";
    if let Some((e, until)) = curing(&s.entries, shop, now) {
        let by = format!(
            "{} of {} (entry {}) until {}",
            e.kind.word(),
            e.date,
            e.number,
            crate::keep::standing::by_the_clock(until)
        );
        return point(WHAT, Answer::No, by);
    }
    let entries = standing_entries(&s.entries);
    let last = entries
        .iter()
        .rfind(|e| matches!(e.kind, Kind::Fill | Kind::Prime));
    match last {
        Some(e) => point(
            WHAT,
            Answer::Yes,
            format!(
                "the {:.0} h of {} of {} are over (the data sheet wins)",
                cure_h(e, shop),
                e.kind.word(),
                e.date
            ),
        ),
        None => point(WHAT, Answer::Yes, "nothing was filled or primed"),
    }
}

/// A post-cure above what the core takes, and no repair since.
fn heat(entries: &[&Entry], panel: &Panel) -> Option<Point> {
    const WHAT: &str = "never too hot";
    let repaired = entries.iter().rposition(|e| e.kind == Kind::Repair);
    entries[repaired.map_or(0, |k| k + 1)..]
        .iter()
        .rev()
        .filter(|e| e.kind == Kind::PostCure)
        .find_map(|e| {
            let why = too_hot(panel, e.facts.temperature_c?)?;
            let by = format!(
                "post-cure of {} (entry {}): {why}; enter the repair",
                e.date, e.number
            );
            Some(point(WHAT, Answer::No, by))
        })
}

/// Whether its mass matters: it moves, or it has a budget.
fn is_weighed(panel: &Panel) -> bool {
    let m = &panel.skin.mass;
    panel.moving_surface || m.budget_g.is_some() || m.budget_g_per_m2.is_some()
}

/// Film over the structure, as the last survey left it.
pub fn film(s: &Standing, panel: &Panel) -> Option<Point> {
    const WHAT: &str = "film over structure";
    let stated = &panel.skin.film;
    if !stated.is_known() {
        return None;
    }
    let saved = s.summary.as_ref().and_then(|r| r.film.as_ref());
    let Some(f) = saved.filter(|f| f.stated == stated.stated()) else {
        return Some(point(
            WHAT,
            Answer::NotKnown,
            "not reckoned since it was stated: survey, and `lowspot film` tells",
        ));
    };
    let least = format!(
        "least {:.2} mm (from {:.2}) at x {:.0} y {:.0}",
        f.least_mm, f.low_mm, f.at_mm[0], f.at_mm[1]
    );
    Some(if f.below_nothing_cm2 > 0.0 {
        let by = format!(
            "{least}, below nothing on {:.0} cm²: stop sanding, look for weave or substrate, ask; measure it",
            f.below_nothing_cm2.max(1.0)
        );
        point(WHAT, Answer::No, by)
    } else if f.may_be_through_cm2 > FEW_CM2 {
        let by = format!(
            "{least}, may be at an end on {:.0} cm²: measure it there",
            f.may_be_through_cm2
        );
        point(WHAT, Answer::NotKnown, by)
    } else {
        point(WHAT, Answer::Yes, format!("{least}, reckoned"))
    })
}

/// Nobody can see substrate in a gap: a sign-off since the last work says that none shows, or the
/// photo of a survey since then that some does. Who looked after the photo was taken knows better.
fn substrate(s: &Standing, entries: &[&Entry]) -> Point {
    const WHAT: &str = "no substrate showing";
    let signed = since_work(entries).rfind(|e| e.kind == Kind::SignOff);
    if let Some((survey, cm2)) = photographed(s, |summary| summary.substrate_cm2)
        && signed.is_none_or(|e| e.order() < survey.order())
    {
        return if cm2 > 0.0 {
            let by = format!(
                "the photo of {} (entry {}) shows {cm2:.0} cm² of it",
                survey.date, survey.number
            );
            point(WHAT, Answer::No, by)
        } else {
            let by = format!(
                "the photo of {} shows none; sign off by guide coat or raking light, since a photo does not see all",
                survey.date
            );
            point(WHAT, Answer::NotKnown, by)
        };
    }
    match signed {
        Some(e) => point(
            WHAT,
            Answer::Yes,
            format!(
                "looked at and signed off {} by {}",
                e.date,
                e.who.as_deref().unwrap_or("nobody named")
            ),
        ),
        None => point(
            WHAT,
            Answer::NotKnown,
            "sign off by guide coat or raking light since the last work",
        ),
    }
}

/// The survey whose photos still hold, and what they show.
fn photographed<T>(s: &Standing, what: fn(&Summary) -> Option<T>) -> Option<(&Entry, T)> {
    let survey = s.survey.as_ref().filter(|_| s.stale.is_none())?;
    Some((survey, what(s.summary.as_ref()?)?))
}

fn pinholes(s: &Standing, entries: &[&Entry]) -> Point {
    const WHAT: &str = "pinholes done";
    let last_fill = entries
        .iter()
        .rposition(|e| matches!(e.kind, Kind::Fill | Kind::Block | Kind::Sand));
    let done = entries
        .iter()
        .skip(last_fill.map_or(0, |k| k + 1))
        .rfind(|e| e.kind == Kind::Pinholes);
    if let Some((survey, count)) = photographed(s, |summary| summary.pinhole_clusters)
        && count > 0
        && done.is_none_or(|e| e.order() < survey.order())
    {
        let by = format!(
            "the photo of {} (entry {}) shows {count} rows or clusters of them",
            survey.date, survey.number
        );
        return point(WHAT, Answer::No, by);
    }
    match done {
        Some(e) => point(WHAT, Answer::Yes, format!("entered {}", e.date)),
        None => point(WHAT, Answer::NotKnown, "not entered since the last sanding"),
    }
}

/// Mass behind a hinge moves the balance: what was put on after it was found undoes it.
fn balance(entries: &[&Entry]) -> Point {
    const WHAT: &str = "balance";
    const AGAIN: &str =
        "a moving surface is weighed and balanced after paint too, to the manufacturer's limits";
    let last = entries
        .iter()
        .rfind(|e| matches!(e.kind, Kind::Fill | Kind::Prime))
        .map(|e| e.order());
    let done = entries.iter().rfind(|e| e.kind == Kind::Balance);
    match done {
        Some(e) if last.is_none_or(|l| l < e.order()) => {
            point(WHAT, Answer::Yes, format!("entered {}; {AGAIN}", e.date))
        }
        Some(_) => point(
            WHAT,
            Answer::NotKnown,
            format!("filled or primed since it was entered; {AGAIN}"),
        ),
        None => point(WHAT, Answer::NotKnown, AGAIN),
    }
}

fn mass(entries: &[&Entry]) -> Point {
    const WHAT: &str = "mass recorded";
    let last_on = entries
        .iter()
        .rposition(|e| matches!(e.kind, Kind::Fill | Kind::Prime));
    let weighed = entries
        .iter()
        .skip(last_on.map_or(0, |k| k + 1))
        .find(|e| e.kind == Kind::Weigh && e.facts.mass_g.is_some_and(|g| g > 0.0));
    match (weighed, last_on) {
        (Some(e), _) => point(
            WHAT,
            Answer::Yes,
            format!("{:.0} g, {}", e.facts.mass_g.unwrap_or(0.0), e.date),
        ),
        (None, None) => point(WHAT, Answer::NotKnown, "never weighed"),
        (None, Some(_)) => point(
            WHAT,
            Answer::NotKnown,
            "not weighed since the last filling or primer",
        ),
    }
}
