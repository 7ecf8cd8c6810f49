//! Where a panel stands on its way to primer, what can be done now, and until when it must wait.

use crate::keep::{Entry, Kind, Standing};
use crate::plan::shop::Shop;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

/// The stages of the trade, in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Not surveyed yet, or being repaired.
    Structure,
    /// Baked, and not surveyed since.
    PostCure,
    /// A survey asks for filler, or for more readings.
    Fill,
    /// Filled or sanded, and not surveyed since.
    Block,
    /// Fair; pinholes are open.
    Pinholes,
    /// Fair and tight, but readiness asks for something yet.
    BeforePrimer,
    /// Fair and tight: build primer is next, or on and to be blocked.
    BuildPrimer,
    /// All that readiness asks is done.
    ReadyForPrimer,
    /// Primed, blocked and looked at: the job is at its end.
    Primed,
}

impl Stage {
    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Stage::Structure => "structure",
            Stage::PostCure => "post-cure",
            Stage::Fill => "fill",
            Stage::Block => "block",
            Stage::Pinholes => "pinholes",
            Stage::BeforePrimer => "before primer",
            Stage::BuildPrimer => "build primer",
            Stage::ReadyForPrimer => "ready for primer",
            Stage::Primed => "primed, done",
        }
    }
}

/// Where one panel stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Stands {
    /// Its stage.
    pub stage: Stage,
    /// What can be done next, in words.
    pub next: String,
    /// Until when it cures or rests; `None` when it can be worked on now.
    pub free_at: Option<Timestamp>,
}

/// A panel rests this long on its supports after it was baked or put on others, before it is
/// measured, h (common practice: a night).
const REST_H: f64 = 12.0;

/// Entries that stand, by day and number.
pub fn standing_entries(entries: &[Entry]) -> Vec<&Entry> {
    let mut all: Vec<&Entry> = entries.iter().filter(|e| e.stands()).collect();
    all.sort_by_key(|e| e.order());
    all
}

/// Where it stands at `now`; `ready`: all that readiness asks is done.
pub fn stands(s: &Standing, shop: &Shop, now: Timestamp, ready: bool) -> Stands {
    let entries = standing_entries(&s.entries);
    let last = entries
        .iter()
        .rev()
        .find(|e| e.kind.makes_stale() || matches!(e.kind, Kind::Survey | Kind::Pinholes));
    let at = |stage: Stage, next: &str| Stands {
        stage,
        next: next.to_string(),
        free_at: None,
    };
    if is_primed(s, shop, now) {
        return at(
            Stage::Primed,
            "nothing more here: paint, then weigh and balance what moves",
        );
    }
    if ready {
        return at(Stage::ReadyForPrimer, "prime");
    }
    let wet = curing(&s.entries, shop, now).map(|(_, until)| until);
    let mut out = before_cure(s, &entries, last, shop, now);
    out.free_at = out.free_at.max(wet);
    out
}

/// Whether the job is at its end: primed and cured, blocked after that, and then signed off or
/// surveyed as fair, with nothing done since.
pub fn is_primed(s: &Standing, shop: &Shop, now: Timestamp) -> bool {
    let entries = standing_entries(&s.entries);
    let last = |kinds: &[Kind]| {
        entries
            .iter()
            .rposition(|e| kinds.contains(&e.kind))
            .map(|k| k + 1)
    };
    let Some(primed) = last(&[Kind::Prime]) else {
        return false;
    };
    let Some(blocked) = last(&[Kind::Sand, Kind::Block]) else {
        return false;
    };
    let undone = last(&[Kind::Fill, Kind::Repair, Kind::PostCure]);
    let signed = last(&[Kind::SignOff]).is_some_and(|k| k > blocked);
    let fair = s.summary.as_ref().map(|r| r.verdict == "fair");
    let surveyed = last(&[Kind::Survey]).is_some_and(|k| k > blocked);
    primed < blocked
        && undone.is_none_or(|k| k < primed)
        && curing(&s.entries, shop, now).is_none()
        && match (surveyed, fair) {
            (true, Some(fair)) => fair,
            _ => signed,
        }
}

/// The same without a thought of what still cures.
fn before_cure(
    s: &Standing,
    entries: &[&Entry],
    last: Option<&&Entry>,
    shop: &Shop,
    now: Timestamp,
) -> Stands {
    let at = |stage: Stage, next: &str| Stands {
        stage,
        next: next.to_string(),
        free_at: None,
    };
    let Some(last) = last else {
        return at(Stage::Structure, "sound the structure, then survey");
    };
    match last.kind {
        Kind::Repair => at(
            Stage::Structure,
            "post-cure if the designer allows it, then survey",
        ),
        Kind::PostCure | Kind::ReProp => {
            let stage = if last.kind == Kind::PostCure {
                Stage::PostCure
            } else {
                Stage::Block
            };
            resting(
                last,
                stage,
                REST_H,
                "survey, cooled and rested a night on the same supports",
                now,
            )
        }
        Kind::Fill => resting(
            last,
            Stage::Block,
            cure_h(last, shop),
            "block, then survey",
            now,
        ),
        Kind::Prime => resting(
            last,
            Stage::BuildPrimer,
            cure_h(last, shop),
            "block the primer under guide coat",
            now,
        ),
        Kind::Sand | Kind::Block if primed_before(entries, last) => at(
            Stage::BuildPrimer,
            "survey, or sign off under guide coat or raking light",
        ),
        Kind::Sand | Kind::Block => at(Stage::Block, "guide coat, then survey"),
        _ => surveyed(s, entries),
    }
}

/// After a survey that still holds.
fn surveyed(s: &Standing, entries: &[&Entry]) -> Stands {
    let verdict = s.summary.as_ref().map_or("", |r| r.verdict.as_str());
    let pinholes = entries
        .iter()
        .rev()
        .take_while(|e| !matches!(e.kind, Kind::Fill | Kind::Block | Kind::Sand))
        .any(|e| e.kind == Kind::Pinholes);
    let (stage, next) = match verdict {
        "fair" if pinholes => (Stage::BuildPrimer, "build primer"),
        "fair" => (Stage::Pinholes, "pinholes, in raking light"),
        "measure-more" => (Stage::Fill, "measure where the map says"),
        "not-judged" => (Stage::Fill, "shape first: mend panel.toml as the map says"),
        _ if s
            .summary
            .as_ref()
            .is_some_and(|r| r.regions.iter().any(|g| g.action == "sand")) =>
        {
            (Stage::Fill, "plan, sand the highs, fill")
        }
        _ => (Stage::Fill, "plan, fill"),
    };
    Stands {
        stage,
        next: next.to_string(),
        free_at: None,
    }
}

fn primed_before(entries: &[&Entry], last: &Entry) -> bool {
    entries
        .iter()
        .rev()
        .skip_while(|e| e.number != last.number)
        .find(|e| matches!(e.kind, Kind::Prime | Kind::Fill))
        .is_some_and(|e| e.kind == Kind::Prime)
}

/// Hours until what was put on can be sanded: as entered; else of its recipe at the temperature
/// entered (lowest while it cured, else the skin's, else the recipe's own); of the shop's filler or
/// primer where none was named or known.
pub fn cure_h(entry: &Entry, shop: &Shop) -> f64 {
    let usual = if entry.kind == Kind::Prime {
        &shop.primer
    } else {
        &shop.filler
    };
    if let Some(told) = entry.facts.cure_h {
        return told;
    }
    let name = entry.facts.recipe.as_deref().unwrap_or(usual);
    let recipe = shop.recipe(name).or_else(|_| shop.recipe(usual)).ok();
    recipe.map_or(0.0, |r| {
        r.sandable_h_at(entry.facts.min_c.or(entry.skin_c).unwrap_or(r.at_c))
    })
}

/// What cures longest of all that was filled and primed, where it still does at `now`, and until
/// when.
pub fn curing<'a>(
    entries: &'a [Entry],
    shop: &Shop,
    now: Timestamp,
) -> Option<(&'a Entry, Timestamp)> {
    entries
        .iter()
        .filter(|e| e.stands() && matches!(e.kind, Kind::Fill | Kind::Prime))
        .filter_map(|e| Some((e, free_at(e, cure_h(e, shop))?)))
        .filter(|(_, until)| *until > now)
        .max_by_key(|(_, until)| *until)
}

/// When a cure or a rest that began with an entry is over: counted from when it was entered on its
/// own day, else from that day's evening.
pub fn free_at(entry: &Entry, hours: f64) -> Option<Timestamp> {
    let zone = jiff::tz::TimeZone::system();
    let entered = zone.to_datetime(entry.entered_at);
    let from = if entered.date() == entry.date {
        entry.entered_at
    } else {
        // Work entered later: it was done by the evening of its day.
        zone.to_timestamp(entry.date.at(18, 0, 0, 0)).ok()?
    };
    from.checked_add(SignedDuration::from_secs((hours * 3600.0) as i64))
        .ok()
}

fn resting(entry: &Entry, stage: Stage, hours: f64, next: &str, now: Timestamp) -> Stands {
    Stands {
        stage,
        next: next.to_string(),
        free_at: free_at(entry, hours).filter(|t| *t > now),
    }
}
