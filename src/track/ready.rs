//! Ready for primer is a list, not a number: each point yes, no or not known, and ready only when
//! all are yes.

use super::stage::{cure_h, curing, standing_entries};
use crate::keep::{Entry, Kind, Means, Standing, Summary};
use crate::panel::{Panel, Quantity};
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
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// What is asked.
    pub what: &'static str,
    /// The answer.
    pub answer: Answer,
    /// By what.
    pub by: By,
}

/// What an answer rests on.
#[derive(Clone, Debug, PartialEq)]
pub enum By {
    /// What needs no unit, in words.
    Words(String),
    /// Limits that are exceeded: what was found of each.
    Exceeded(Vec<Found>),
    /// A survey, and bases that were signed off: mm, by which means and whom.
    SignedOff(Vec<(f64, String)>),
    /// Bases that nobody checked, mm.
    NotChecked(Vec<f64>),
    /// A photo of the coat, which would show anything wider than so many mm.
    CoatShows(f64),
    /// Lines between which something narrower than so many mm could lie.
    Unseen(f64),
    /// The film over the structure.
    Film(Film),
}

/// The worst at a limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// Base of the limit, mm.
    pub base_mm: f64,
    /// Most allowed, mm (for a slope mm/m).
    pub allowed: f64,
    /// What it limits.
    pub quantity: Quantity,
    /// Worst found with its 95 % interval, in the same unit.
    pub worst: [f64; 3],
    /// Where, mm.
    pub at_mm: [f64; 2],
}

/// Least film over the structure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Film {
    /// Its value, mm.
    pub least_mm: f64,
    /// Lower end of its interval, mm.
    pub low_mm: f64,
    /// Where, mm.
    pub at_mm: [f64; 2],
    /// What that is.
    pub state: FilmState,
}

/// What is left of a film.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FilmState {
    /// Sanded through on so many cm².
    Through(f64),
    /// May be sanded through on so many cm².
    MayBeThrough(f64),
    /// Film all over, as far as it was worked out.
    Left,
}

impl From<&str> for By {
    fn from(words: &str) -> Self {
        By::Words(words.into())
    }
}

impl From<String> for By {
    fn from(words: String) -> Self {
        By::Words(words)
    }
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

fn point(what: &'static str, answer: Answer, by: impl Into<By>) -> Point {
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
        "another-cycle" => return point(WHAT, Answer::No, exceeded(summary)),
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
            Some((e.facts.base_mm?, format!("{means}, {who}")))
        })
        .collect();
    let open: Vec<f64> = summary
        .limits
        .iter()
        .filter(|l| l.state == "not-checked")
        .filter(|l| {
            !signed
                .iter()
                .any(|(base, _)| (base - l.base_mm).abs() < 0.5)
        })
        .map(|l| l.base_mm)
        .collect();
    if !open.is_empty() {
        return point(WHAT, Answer::NotKnown, By::NotChecked(open));
    }
    let by = if signed.is_empty() {
        let date = s.survey.as_ref().map(|e| e.date.to_string());
        By::Words(format!("survey of {}", date.unwrap_or_default()))
    } else {
        By::SignedOff(signed)
    };
    point(WHAT, Answer::Yes, by)
}

/// The limits that a survey found exceeded; its reasons in words where none is saved.
fn exceeded(summary: &Summary) -> By {
    let over: Vec<Found> = summary
        .limits
        .iter()
        .filter(|l| l.state == "exceeded")
        .filter_map(|l| {
            Some(Found {
                base_mm: l.base_mm,
                allowed: l.allowed,
                quantity: match l.quantity.as_str() {
                    "slope" => Quantity::Slope,
                    "swing" => Quantity::Swing,
                    _ => Quantity::Gap,
                },
                worst: [l.worst?, l.low?, l.high?],
                at_mm: [l.at_mm[0]?, l.at_mm[1]?],
            })
        })
        .collect();
    if over.is_empty() {
        By::Words(summary.reasons.join("; "))
    } else {
        By::Exceeded(over)
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
        Some(mm) if summary.photos > 0 && mm <= SEEN_BY_COAT_MM => {
            point(WHAT, Answer::Yes, By::CoatShows(mm))
        }
        Some(mm) => point(WHAT, Answer::NotKnown, By::Unseen(mm)),
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
    let film = |state| {
        By::Film(Film {
            least_mm: f.least_mm,
            low_mm: f.low_mm,
            at_mm: f.at_mm,
            state,
        })
    };
    let through = f.below_nothing_cm2;
    Some(if through > 0.0 {
        point(WHAT, Answer::No, film(FilmState::Through(through.max(1.0))))
    } else if f.may_be_through_cm2 > FEW_CM2 {
        let state = FilmState::MayBeThrough(f.may_be_through_cm2);
        point(WHAT, Answer::NotKnown, film(state))
    } else {
        point(WHAT, Answer::Yes, film(FilmState::Left))
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
