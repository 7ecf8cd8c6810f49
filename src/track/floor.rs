//! The floor sheet: one row a panel, its stage, who holds it, what can be done now, and how long
//! until primer.
//!
//! Cycles still to come are what the forecast says of them ([`ToCome`]): learned from this panel,
//! then from the shop.

use super::cycle::LimitRow;
use super::forecast::{self, Chances, Model, Seen, Step, Sums, ToCome};
use super::ready::{self, By};
use super::stage::{self, Stage};
use crate::judge::Interval;
use crate::judge::repeats::Repeat;
use crate::keep::result::SavedLimit;
use crate::keep::{Entry, Kind, Standing};
use crate::panel::Panel;
use crate::plan::shop::Shop;
use jiff::Timestamp;
use rayon::prelude::*;
use std::collections::HashMap;

/// What comes next on a panel.
#[derive(Clone, Debug, PartialEq)]
pub enum Next {
    /// By its stage.
    Stage(String),
    /// What readiness asks before primer: the first point, and how many more.
    BeforePrimer {
        /// What is asked.
        what: &'static str,
        /// By what it is not yet so.
        by: By,
        /// How many points are open beside it.
        more: usize,
    },
    /// No more sanding: the film.
    NoSanding(By),
}

/// The worst at the limit that decides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worst {
    /// The worst gap or swing found, mm.
    pub worst_mm: f64,
    /// The limit, mm.
    pub allowed_mm: f64,
    /// Its base, mm.
    pub base_mm: f64,
}

/// One panel.
#[derive(Clone, Debug)]
pub struct Row {
    /// Its name.
    pub name: String,
    /// Its stage, in words.
    pub stage: &'static str,
    /// Who holds it, with why; null when nobody does.
    pub held_by: Option<String>,
    /// When it can be worked on again: the end of a cure, a rest or a hold; null: now.
    pub free_at: Option<String>,
    /// What comes next.
    pub next: Next,
    /// Fill-and-sand cycles still to come, a range; null where no limit was checked.
    pub cycles: Option<Interval>,
    /// Hands-on hours to primer, a range.
    pub hands_on_hours: Interval,
    /// Waiting hours to primer, a range.
    pub waiting_hours: Interval,
    /// Worst gap over its limit at the last survey; `None` without one.
    pub worst: Option<Worst>,
    /// Why the last survey no longer holds; null while it does.
    pub stale: Option<String>,
    /// Pitches that repeat in the last survey's readings.
    pub repeats: Vec<Repeat>,
    /// Whether this panel holds the rest back.
    pub holds_back: bool,
}

/// Hands-on hours of the stages after filling: pinholes, primer and its blocking (common practice,
/// no source).
const TO_PRIMER_H: f64 = 2.0;
/// Hands-on hours of one cycle where the book knows none (common practice, no source).
const CYCLE_H: f64 = 3.0;
/// How far hours may be off either way, as a factor (common practice, no source).
const FACTOR: f64 = 2.0;
/// Before hours of cycles are known their logarithm has this standard deviation: half or double at
/// 95 % (common practice, no source).
const HOURS_SD: f64 = 0.354;
/// That is as sure as so many cycles (common practice, no source).
const HOURS_COUNT: f64 = 4.0;
/// Half a 90 % interval in standard deviations.
const HALF_90: f64 = 1.644_853_627;
/// Surveys of a panel that are looked at, the latest.
const SURVEYS_EACH: usize = 5;
/// Cycles of the shop that are learned from, the latest.
const MOST_STEPS: usize = 300;
/// Cycles counted on where nothing was surveyed yet (common practice, no source).
const UNSEEN_CYCLES: f64 = 2.0;

/// What the rows are made from beside how the panels stand.
pub struct Asked<'a> {
    /// Limits of surveys by their entries' numbers: those of [`surveys_wanted`].
    pub limits: &'a HashMap<i64, Vec<SavedLimit>>,
    /// Reads a panel's file.
    pub panels: &'a dyn Fn(&Standing) -> Option<Panel>,
    /// The shop.
    pub shop: &'a Shop,
    /// The moment.
    pub now: Timestamp,
}

/// Entries of the surveys whose limits a panel's row asks for: its latest that stand, but the last,
/// of which [`Standing`] has all.
pub fn surveys_wanted(s: &Standing) -> Vec<i64> {
    let last = s.survey.as_ref().map(|e| e.number);
    let mut all = surveys_of(s);
    all.retain(|e| Some(e.number) != last);
    all.iter().map(|e| e.number).collect()
}

/// The latest surveys that stand, by day.
fn surveys_of(s: &Standing) -> Vec<&Entry> {
    let mut all = stage::standing_entries(&s.entries);
    all.retain(|e| e.kind == Kind::Survey);
    all.split_off(all.len().saturating_sub(SURVEYS_EACH))
}

/// All rows, in the order of the book.
pub fn rows(standings: &[Standing], asked: &Asked) -> Vec<Row> {
    let learned = Learned::of(standings, asked);
    let cycles: Vec<Option<ToCome>> = (0..standings.len())
        .into_par_iter()
        .map(|k| learned.to_come(k, &standings[k]))
        .collect();
    let mut all: Vec<(Row, f64)> = standings
        .iter()
        .zip(cycles)
        .map(|(s, cycles)| row(s, cycles, learned.cycle_h, asked))
        .collect();
    let longest = all.iter().map(|r| r.1).fold(0.0, f64::max);
    // One alone, or one of several that are equal, holds nobody back.
    let mut last = all.iter_mut().filter(|r| longest > 0.0 && r.1 == longest);
    if let (true, Some((row, _)), None) = (standings.len() > 1, last.next(), last.next()) {
        row.holds_back = true;
    }
    all.into_iter().map(|r| r.0).collect()
}

/// What the cycles of all panels teach.
struct Learned {
    /// Of each panel its own.
    own: Vec<Vec<Step>>,
    /// Of those, which are among the shop's latest.
    among: Vec<Vec<Step>>,
    /// Sums over the shop's latest.
    shop: Sums,
    chances: Chances,
    /// Hours a cycle of this shop, the mean of ln and its standard deviation.
    cycle_h: [f64; 2],
}

impl Learned {
    fn of(standings: &[Standing], asked: &Asked) -> Self {
        let own: Vec<Vec<(i64, Step)>> = standings
            .iter()
            .map(|s| own_steps(s, asked.limits))
            .collect();
        let mut latest: Vec<i64> = own.iter().flatten().map(|(entry, _)| *entry).collect();
        latest.sort_unstable_by(|a, b| b.cmp(a));
        let oldest = latest.get(MOST_STEPS - 1).copied().unwrap_or(i64::MIN);
        let among: Vec<Vec<Step>> = own
            .iter()
            .map(|steps| {
                let recent = steps.iter().filter(|(entry, _)| *entry >= oldest);
                recent.map(|(_, step)| *step).collect()
            })
            .collect();
        let shop = among.iter().fold(Sums::default(), |sums, steps| {
            sums.with(steps, forecast::SHOP_WEIGHT)
        });
        let hours: Vec<f64> = standings.iter().filter_map(own_cycle_h).collect();
        Learned {
            own: own
                .iter()
                .map(|steps| steps.iter().map(|(_, step)| *step).collect())
                .collect(),
            among,
            shop,
            chances: Chances::default(),
            cycle_h: ln_hours(&hours, CYCLE_H.ln(), HOURS_SD),
        }
    }

    /// Cycles still to come of a panel from its last survey.
    fn to_come(&self, k: usize, s: &Standing) -> Option<ToCome> {
        let limits = rows_of(&s.summary.as_ref()?.limits);
        let [from, sd] = forecast::start(&limits)?;
        let sums = self
            .shop
            .with(&self.among[k], -forecast::SHOP_WEIGHT)
            .with(&self.own[k], 1.0);
        Some(Model::learned(&sums).to_come(from, sd, &self.chances))
    }
}

fn rows_of(limits: &[SavedLimit]) -> Vec<LimitRow> {
    limits.iter().map(LimitRow::of).collect()
}

/// A panel's cycles with the entry of the survey at the end of each.
fn own_steps(s: &Standing, limits: &HashMap<i64, Vec<SavedLimit>>) -> Vec<(i64, Step)> {
    let surveys = surveys_of(s);
    let last = s.survey.as_ref().map(|e| e.number);
    let of = |e: &Entry| match (&s.summary, last) {
        (Some(summary), Some(n)) if n == e.number => Some(rows_of(&summary.limits)),
        _ => limits.get(&e.number).map(|l| rows_of(l)),
    };
    let found: Vec<(&Entry, Vec<LimitRow>)> = surveys
        .into_iter()
        .filter_map(|e| Some((e, of(e)?)))
        .collect();
    let worked = |from: &Entry, to: &Entry| {
        s.entries.iter().any(|e| {
            e.stands()
                && forecast::fills_or_sands(e.kind)
                && e.order() > from.order()
                && e.order() <= to.order()
        })
    };
    found
        .windows(2)
        .flat_map(|pair| {
            let seen = [0, 1].map(|k| Seen {
                limits: &pair[k].1,
                worked: worked(pair[0].0, pair[1].0),
            });
            let steps = forecast::steps_of(&seen);
            steps.into_iter().map(|step| (pair[1].0.number, step))
        })
        .collect()
}

/// Mean and standard deviation of the logarithm of hours a cycle, begun from what is known before.
fn ln_hours(hours: &[f64], mean: f64, sd: f64) -> [f64; 2] {
    let n = hours.len() as f64;
    let all = (mean + hours.iter().map(|h| h.ln()).sum::<f64>()) / (1.0 + n);
    let off: f64 = hours.iter().map(|h| (h.ln() - all).powi(2)).sum();
    let square = (HOURS_COUNT * sd * sd + off) / (HOURS_COUNT + n);
    [all, square.sqrt()]
}

/// A row, and the hours until primer by which panels are compared.
fn row(s: &Standing, to_come: Option<ToCome>, cycle_h: [f64; 2], asked: &Asked) -> (Row, f64) {
    let (shop, now) = (asked.shop, asked.now);
    let panel = (asked.panels)(s);
    let list = panel.as_ref().map(|p| ready::list(s, p, shop, now));
    let is_ready = list.as_ref().is_some_and(|l| ready::is_ready(l));
    let mut at = stage::stands(s, shop, now, is_ready);
    let mut next = Next::Stage(at.next.clone());
    if let Some(open) = list.and_then(|l| before_primer(at.stage, s, l)) {
        (at.stage, next) = (Stage::BeforePrimer, open);
    }
    let thin = panel
        .and_then(|p| ready::film(s, &p))
        .filter(|p| p.answer == ready::Answer::No);
    if let Some(thin) = thin {
        next = Next::NoSanding(thin.by);
    }
    let cycles = cycles_left(s, at.stage, to_come);
    let (hands, waiting) = hours(s, at.stage, cycles, cycle_h, shop);
    let hold = s.held.as_ref().and_then(|h| h.until);
    let free = [at.free_at, hold].into_iter().flatten().max();
    let still = free.map_or(0.0, |t| (t.as_second() - now.as_second()) as f64 / 3600.0);
    let row = Row {
        name: s.panel.name.clone(),
        stage: at.stage.word(),
        held_by: s.held.as_ref().map(ToString::to_string),
        free_at: free.map(crate::keep::standing::by_the_clock),
        next,
        cycles: to_come.map(|_| cycles),
        hands_on_hours: hands,
        waiting_hours: Interval {
            value: waiting.value + still,
            low: waiting.low + still,
            high: waiting.high + still,
        },
        worst: worst(s),
        stale: s.stale.clone(),
        repeats: s.summary.as_ref().map_or(Vec::new(), |found| {
            found.repeats.iter().map(|r| r.found()).collect()
        }),
        holds_back: false,
    };
    let total = hands.value + waiting.value + still;
    (
        row,
        if matches!(at.stage, Stage::ReadyForPrimer | Stage::Primed) {
            0.0
        } else {
            total
        },
    )
}

/// Where build primer would be next but readiness asks for something yet: what, so that sheet and
/// readiness say the same.
fn before_primer(stage: Stage, s: &Standing, list: Vec<ready::Point>) -> Option<Next> {
    let primed = stage::standing_entries(&s.entries)
        .iter()
        .rfind(|e| matches!(e.kind, Kind::Prime | Kind::Fill))
        .is_some_and(|e| e.kind == Kind::Prime);
    if stage != Stage::BuildPrimer || primed {
        return None;
    }
    let mut open = list.into_iter().filter(|p| p.answer != ready::Answer::Yes);
    let first = open.next()?;
    Some(Next::BeforePrimer {
        what: first.what,
        by: first.by,
        more: open.count(),
    })
}

/// The worst at the limit that decides.
fn worst(s: &Standing) -> Option<Worst> {
    let l = worst_limit(s)?;
    Some(Worst {
        worst_mm: l.worst?,
        allowed_mm: l.allowed,
        base_mm: l.base_mm,
    })
}

/// The limit that decides.
fn worst_limit(s: &Standing) -> Option<&SavedLimit> {
    let limits = s.summary.as_ref()?.limits.iter();
    limits
        .filter(|l| l.state != "not-checked" && l.quantity != "slope" && l.worst.is_some())
        .max_by(|a, b| ratio(a).total_cmp(&ratio(b)))
}

fn ratio(l: &SavedLimit) -> f64 {
    l.worst.unwrap_or(0.0) / l.allowed
}

/// Hands-on and waiting hours until primer, from the stage, the cycles to come, and what cycles of
/// this panel or shop took.
fn hours(
    s: &Standing,
    stage: Stage,
    cycles: Interval,
    shop_h: [f64; 2],
    shop: &Shop,
) -> (Interval, Interval) {
    if matches!(stage, Stage::ReadyForPrimer | Stage::Primed) {
        return (Interval::default(), Interval::default());
    }
    let own: Vec<f64> = own_cycle_h(s).into_iter().collect();
    let [ln_h, sd] = ln_hours(&own, shop_h[0], shop_h[1]);
    let (cycle_h, off) = (ln_h.exp(), (HALF_90 * sd).exp());
    let cure = |name: &str| shop.recipe(name).map_or(0.0, |r| r.sandable_h_at(r.at_c));
    let primed = s
        .entries
        .iter()
        .any(|e| e.kind == Kind::Prime && e.stands());
    let finish = if stage == Stage::BuildPrimer && primed {
        0.5
    } else {
        1.0
    };
    let finish_h = finish * TO_PRIMER_H;
    let primer_h = (finish - 0.5) * 2.0 * cure(&shop.primer);
    let filler_h = cure(&shop.filler);
    let hands = Interval {
        value: cycles.value * cycle_h + finish_h,
        low: cycles.low * cycle_h / off + finish_h / FACTOR,
        high: cycles.high * cycle_h * off + finish_h * FACTOR,
    };
    let waiting = Interval {
        value: cycles.value * filler_h + primer_h,
        low: (cycles.low * filler_h + primer_h) / FACTOR,
        high: (cycles.high * filler_h + primer_h) * FACTOR,
    };
    (hands, waiting)
}

/// Fill-and-sand cycles that are still to come, with a 90 % interval.
fn cycles_left(s: &Standing, stage: Stage, to_come: Option<ToCome>) -> Interval {
    let just = |value: f64| Interval {
        value,
        low: value,
        high: value,
    };
    if matches!(
        stage,
        Stage::Pinholes
            | Stage::BeforePrimer
            | Stage::BuildPrimer
            | Stage::ReadyForPrimer
            | Stage::Primed
    ) {
        return just(0.0);
    }
    let Some(n) = to_come else {
        return Interval {
            value: UNSEEN_CYCLES,
            low: UNSEEN_CYCLES / FACTOR,
            high: UNSEEN_CYCLES * FACTOR,
        };
    };
    let met = worst_limit(s).is_none_or(|l| ratio(l) <= 1.0);
    let filled = s.stale.is_some();
    if met && !filled {
        // Readings are wanted, and perhaps a cycle after them.
        return Interval {
            value: 0.5,
            low: 0.0,
            high: n.high,
        };
    }
    // Filled since: that cycle is on its way, its blocking and survey are left.
    let less = if filled { 0.5 } else { 0.0 };
    Interval {
        value: n.cycles - less,
        low: n.low - less,
        high: n.high - less,
    }
}

/// Mean hands-on hours between two surveys of this panel.
fn own_cycle_h(s: &Standing) -> Option<f64> {
    let entries = stage::standing_entries(&s.entries);
    let surveys = entries.iter().filter(|e| e.kind == Kind::Survey).count();
    let first = entries.iter().position(|e| e.kind == Kind::Survey)?;
    let hours: f64 = entries[first + 1..].iter().filter_map(|e| e.hours).sum();
    (surveys > 1 && hours > 0.0).then(|| hours / (surveys - 1) as f64)
}
