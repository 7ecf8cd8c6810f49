//! What the job book answers, on surveys written down here: whether a cycle helped, another is
//! worth it, where a panel stands, whether it is ready. Numbers are made up; each rule is what
//! `docs/method.md` says.

use crate::trends::entry;
use jiff::civil::{Date, date};
use jiff::{Timestamp, ToSpan};
use lowspot::keep::result::{Amount, SavedLimit};
use lowspot::keep::{
    Book, Entry, Facts, Kind, Means, NewEntry, PanelRow, Standing, Summary, SurveyResult, standing,
};
use lowspot::panel::Panel;
use lowspot::plan::shop::Shop;
use lowspot::show::track as shown;
use lowspot::show::track::sentences;
use lowspot::track::advice::{Advice, Do};
use lowspot::track::cycle::{Change, Told, cycles};
use lowspot::track::ready::{self, Answer};
use lowspot::track::stage::{self, Stage};
use lowspot::track::{floor, trend};
use lowspot::units::Units;
use serde_json::Value;
use std::collections::HashMap;

const PANEL: &str = "name = \"lid\"\nlength = 900\nwidth = 600\nform = \"flat\"\n[[limit]]\nbase = 300\ngap = 0.3\n";

fn panel() -> Panel {
    crate::support::panel(PANEL)
}

fn day(of_march: i8) -> Date {
    date(2026, 3, of_march)
}

fn gap(worst: f64, half: f64, state: &str) -> SavedLimit {
    SavedLimit {
        zone: None,
        quantity: "gap".into(),
        base_mm: 300.0,
        allowed: 0.3,
        worst: Some(worst),
        low: Some(worst - half),
        high: Some(worst + half),
        p_exceeds: None,
        could_be: None,
        repeats: None,
        blind_mm: None,
        at_mm: [Some(200.0), Some(100.0)],
        direction_deg: Some(0.0),
        state: state.into(),
        share_within: Some(0.9),
    }
}

/// A survey's entry, the n-th of its panel.
pub fn survey_entry(n: i64) -> Entry {
    entry(n, Kind::Survey, day(n as i8))
}

/// What a survey found: the worst gap under 300 mm, give or take.
pub fn found(worst: f64, half: f64) -> Summary {
    let (verdict, state) = match worst {
        w if w + half <= 0.3 => ("fair", "met"),
        w if w - half > 0.3 => ("another-cycle", "exceeded"),
        _ => ("measure-more", "unsure"),
    };
    Summary {
        verdict: verdict.into(),
        reasons: vec!["as written down".into()],
        reference: "best-fit".into(),
        limits: vec![gap(worst, half, state)],
        sa_mm: Some(0.08),
        sq_mm: Some(0.1),
        sz_mm: Some(0.6),
        bands: Vec::new(),
        to_level: Amount {
            value_cc: Some(20.0),
            low_cc: Some(15.0),
            high_cc: Some(30.0),
            most_likely_cc: Some(22.0),
        },
        node_limit_mm: 0.15,
        unmeasured_share: Some(0.0),
        placings: 20,
        readings: 200,
        left_out: 0,
        repeatability_mm: Some(0.03),
        noise: Vec::new(),
        regions: Vec::new(),
        photos: 0,
        film: None,
        substrate_cm2: None,
        pinhole_clusters: None,
        heights: None,
        lines: None,
        repeats: Vec::new(),
    }
}

/// A panel's entries, numbered as they come.
#[derive(Default)]
struct Job {
    entries: Vec<Entry>,
    surveys: Vec<(Entry, SurveyResult)>,
}

impl Job {
    fn and(mut self, kind: Kind, on: Date) -> Self {
        self.entries
            .push(entry(self.entries.len() as i64 + 1, kind, on));
        self
    }

    fn with(mut self, change: impl FnOnce(&mut Entry)) -> Self {
        if let Some(last) = self.entries.last_mut() {
            change(last);
        }
        self
    }

    fn survey(self, on: Date, summary: Summary) -> Self {
        self.survey_with(on, summary, |_| ())
    }

    fn survey_with(self, on: Date, summary: Summary, change: impl FnOnce(&mut Entry)) -> Self {
        let mut told = self.and(Kind::Survey, on).with(change);
        if let Some(last) = told.entries.last() {
            told.surveys
                .push((last.clone(), SurveyResult::of_numbers(summary)));
        }
        told
    }

    fn advice(&self) -> Advice {
        trend::of("lid", &self.entries, &self.surveys, &[]).advice
    }

    fn standing(&self, now: Timestamp) -> Standing {
        let survey = standing::last_survey(&self.entries).cloned();
        let summary = self
            .surveys
            .iter()
            .rev()
            .find(|(e, _)| e.stands())
            .map(|(_, r)| r.summary.clone());
        Standing {
            panel: PanelRow {
                id: 1,
                name: "lid".into(),
                twin: None,
                version: 1,
                versions: 1,
            },
            stale: standing::stale(&self.entries),
            held: standing::held(&self.entries, now),
            survey,
            summary,
            entries: self.entries.clone(),
        }
    }

    fn stage(&self, now: Timestamp) -> (Stage, Option<Timestamp>) {
        let stands = stage::stands(&self.standing(now), &Shop::default(), now, false);
        (stands.stage, stands.free_at)
    }
}

/// The floor sheet of panels whose earlier surveys are not known.
fn sheet(standings: &[Standing], now: Timestamp) -> Vec<floor::Row> {
    sheet_knowing(standings, &HashMap::new(), now)
}

fn sheet_knowing(
    standings: &[Standing],
    limits: &HashMap<i64, Vec<SavedLimit>>,
    now: Timestamp,
) -> Vec<floor::Row> {
    floor::rows(
        standings,
        &floor::Asked {
            limits,
            panels: &|_| None,
            shop: &Shop::default(),
            now,
        },
    )
}

/// A moment of a day by the shop's clock.
fn at(on: Date, hour: i8) -> Timestamp {
    jiff::tz::TimeZone::system()
        .to_timestamp(on.at(hour, 0, 0, 0))
        .unwrap()
}

// ------------------------------------------------------------------------------------ did it help?

/// What changed, as it is said.
pub fn in_words(change: &Change) -> String {
    sentences::change(change, Units::Metric)
}

/// Why an advice is given, as it is said.
fn why(advice: &Advice) -> String {
    sentences::advice(advice, Units::Metric)
}

fn told(first: (f64, f64), second: (f64, f64)) -> (Told, String) {
    let job = Job::default()
        .survey(day(1), found(first.0, first.1))
        .and(Kind::Fill, day(2))
        .and(Kind::Block, day(3))
        .survey(day(3), found(second.0, second.1));
    let all = cycles(&job.entries, &job.surveys);
    let change = all[1].change.clone().unwrap();
    (change.worst.unwrap().told, in_words(&change))
}

/// Two surveys give or take 0.10, whose draws are too sure by 1.55, tell a difference from 1.55 ·
/// √2 · 0.10 = 0.22 on.
#[test]
fn what_two_surveys_cannot_tell_is_not_called_progress() {
    assert_eq!(told((0.60, 0.10), (0.47, 0.10)).0, Told::NoChange);
    assert_eq!(told((0.60, 0.10), (0.37, 0.10)).0, Told::Better);
    assert_eq!(told((0.37, 0.10), (0.60, 0.10)).0, Told::Worse);
    let words = told((0.60, 0.10), (0.47, 0.10)).1;
    assert!(words.contains("give or take 0.22"), "{words}");
    assert!(
        words.starts_with("not better: worst under 300 mm 0.60 → 0.47 mm"),
        "{words}"
    );
}

#[test]
fn other_supports_or_another_temperature_is_said_and_never_progress() {
    let on = |skin: f64, supports: &'static str| {
        move |e: &mut Entry| {
            e.skin_c = Some(skin);
            e.supports = Some(supports.into());
        }
    };
    let change = |second: (f64, &'static str), re_prop: bool| {
        let job = Job::default()
            .survey_with(day(1), found(0.9, 0.05), on(18.0, "bench"))
            .and(if re_prop { Kind::ReProp } else { Kind::Block }, day(2))
            .survey_with(day(3), found(0.4, 0.05), on(second.0, second.1));
        cycles(&job.entries, &job.surveys)[1]
            .change
            .clone()
            .unwrap()
    };
    let told = |c: &Change| c.worst.unwrap().told;
    assert_eq!(told(&change((25.0, "bench"), false)), Told::Better);
    let warm = change((27.0, "bench"), false);
    assert_eq!(told(&warm), Told::NotComparable);
    assert!(
        in_words(&warm).contains("cannot be told, skin at 18 °C then, 27 °C now"),
        "{}",
        in_words(&warm)
    );
    let moved = change((18.0, "trestles"), false);
    assert_eq!(told(&moved), Told::NotComparable);
    assert!(
        in_words(&moved).contains("supports \"bench\" then, \"trestles\" now"),
        "{}",
        in_words(&moved)
    );
    let back = change((18.0, "bench"), true);
    assert!(
        in_words(&back).contains("other supports between"),
        "{}",
        in_words(&back)
    );
}

#[test]
fn hours_and_filler_belong_to_the_cycle_in_which_they_were_spent() {
    let fill = |g: f64| move |e: &mut Entry| (e.hours, e.facts.mass_g) = (Some(1.5), Some(g));
    let job = Job::default()
        .survey_with(day(1), found(0.9, 0.05), |e| e.hours = Some(0.5))
        .and(Kind::Fill, day(2))
        .with(fill(120.0))
        .and(Kind::Fill, day(2))
        .with(fill(30.0))
        .and(Kind::Fill, day(2))
        .with(fill(1000.0))
        .with(|e| e.struck_by = Some(99))
        .survey(day(4), found(0.5, 0.05));
    let all = cycles(&job.entries, &job.surveys);
    assert_eq!((all[0].hours, all[0].filler_on_g), (0.5, 0.0));
    assert_eq!((all[1].hours, all[1].filler_on_g), (3.0, 150.0));
}

#[test]
fn of_a_stale_survey_no_forecast_is_drawn() {
    let job = Job::default()
        .survey(day(1), found(0.9, 0.05))
        .and(Kind::Fill, day(2))
        .survey(day(4), found(0.5, 0.05));
    let mut trend = trend::of("lid", &job.entries, &job.surveys, &[]);
    assert!(trend.advice.forecast.is_some());
    let drawn = |trend: &trend::Trend| shown::chart::svg(trend).unwrap();
    let holds = drawn(&trend);
    assert!(holds.contains("expected") && !holds.contains("TOUCHED"));
    trend.stale = Some("entry 3 came after".into());
    let stale = drawn(&trend);
    assert!(!stale.contains("expected") && !stale.contains("next"));
    assert!(stale.contains("TOUCHED SINCE"));
}

// -------------------------------------------------------------------------------- another cycle?

#[test]
fn work_after_the_survey_asks_for_a_survey_first() {
    let job = Job::default()
        .survey(day(1), found(0.9, 0.05))
        .and(Kind::Block, day(2));
    let advice = job.advice();
    assert_eq!(advice.what, Do::MeasureMore);
    assert!(
        why(&advice).contains("no longer holds: entry 2 (block, 2026-03-02)"),
        "{}",
        why(&advice)
    );
    assert_eq!(Job::default().advice().what, Do::MeasureMore);
    assert_eq!(
        Job::default()
            .survey(day(1), found(0.32, 0.1))
            .advice()
            .what,
        Do::MeasureMore
    );
}

#[test]
fn a_cycle_that_bought_nothing_stops_that_kind_of_cycle() {
    let after = |second: f64| {
        Job::default()
            .survey(day(1), found(0.55, 0.016))
            .and(Kind::Block, day(2))
            .with(|e| e.hours = Some(3.0))
            .survey(day(3), found(second, 0.016))
            .advice()
    };
    // Twice what a reading repeats to, 0.03 mm, is 0.06 mm.
    let stuck = after(0.51);
    assert_eq!(stuck.what, Do::Stop);
    for words in [
        "another cycle of the same kind is unlikely to help",
        "bought 0.04 mm for 3.0 h",
        "change the tool, the base length or the method",
    ] {
        assert!(why(&stuck).contains(words), "{words}: {}", why(&stuck));
    }
    let on = after(0.45);
    assert_eq!(on.what, Do::AnotherCycle);
    assert!(
        why(&on).contains("another cycle is worth it: expected 0.45 →"),
        "{}",
        why(&on)
    );
    let forecast = on.forecast.unwrap();
    assert!(forecast.low_mm < forecast.to_mm && forecast.to_mm < forecast.high_mm);
    assert!(forecast.to_mm < 0.45);
    assert_eq!(forecast.hours, 3.0);
}

#[test]
fn fair_is_a_reason_to_stop() {
    let advice = Job::default().survey(day(1), found(0.2, 0.05)).advice();
    assert_eq!(advice.what, Do::Stop);
    assert!(why(&advice).starts_with("inside your limit at every base that could be checked"));
}

// ------------------------------------------------------------------------------------ the floor

#[test]
fn stages_follow_the_work() {
    let now = at(day(20), 12);
    let is = |job: &Job, stage: Stage| assert_eq!(job.stage(now), (stage, None));
    let job = Job::default();
    is(&job, Stage::Structure);
    let job = job.and(Kind::PostCure, day(1));
    is(&job, Stage::PostCure);
    let job = job.survey(day(2), found(0.9, 0.05));
    is(&job, Stage::Fill);
    let job = job.and(Kind::Fill, day(3));
    is(&job, Stage::Block);
    let job = job.and(Kind::Block, day(5));
    is(&job, Stage::Block);
    let job = job.survey(day(5), found(0.2, 0.05));
    is(&job, Stage::Pinholes);
    let job = job.and(Kind::Pinholes, day(6));
    is(&job, Stage::BuildPrimer);
    let job = job.and(Kind::Prime, day(7)).and(Kind::Block, day(9));
    is(&job, Stage::BuildPrimer);
    // A struck fill did nothing.
    let struck = Job::default()
        .survey(day(2), found(0.2, 0.05))
        .and(Kind::Fill, day(3))
        .with(|e| e.struck_by = Some(3));
    is(&struck, Stage::Pinholes);
}

/// The built-in filler can be sanded after 36 h at 20 °C (published, a boatbuilders' page), twice
/// that at 10 °C (published: halves for each 10 °C).
#[test]
fn a_cure_is_counted_at_the_temperature_entered() {
    let free = |min_c: Option<f64>, skin_c: Option<f64>| {
        let job = Job::default().and(Kind::Fill, day(3)).with(|e| {
            e.facts = Facts {
                recipe: Some("dry-micro".into()),
                min_c,
                ..Facts::default()
            };
            e.skin_c = skin_c;
            e.entered_at = at(day(3), 10);
        });
        let now = at(day(3), 11);
        job.stage(now)
            .1
            .unwrap()
            .duration_since(at(day(3), 10))
            .as_secs_f64()
            / 3600.0
    };
    assert!((free(None, None) - 36.0).abs() < 0.01);
    assert!((free(Some(10.0), None) - 72.0).abs() < 0.01);
    // The lowest while it cured counts, not how warm the skin was when it was spread.
    assert!((free(Some(10.0), Some(25.0)) - 72.0).abs() < 0.01);
    assert!((free(None, Some(30.0)) - 18.0).abs() < 0.01);
}

#[test]
fn a_hold_is_shown_until_it_runs_out_or_is_released() {
    let job = Job::default()
        .survey(day(1), found(0.9, 0.05))
        .and(Kind::Hold, day(2))
        .with(|e| {
            e.who = Some("M".into());
            e.facts.why = Some("wet".into());
            e.facts.until = Some(at(day(4), 14));
        });
    let row = |job: &Job, now: Timestamp| {
        let rows = sheet(&[job.standing(now)], now);
        (
            rows[0].held_by.clone(),
            rows[0].free_at.clone(),
            rows[0].waiting_hours.value,
        )
    };
    let (held, free, waiting) = row(&job, at(day(3), 14));
    assert_eq!(
        held.as_deref(),
        Some("M is at it until 2026-03-04 14:00: wet")
    );
    assert_eq!(free.as_deref(), Some("2026-03-04 14:00"));
    let (over, none, less) = row(&job, at(day(4), 15));
    assert_eq!((over, none), (None, None));
    assert!((waiting - less - 24.0).abs() < 0.01, "{waiting}, {less}");
    let released = job.and(Kind::Release, day(2));
    assert_eq!(row(&released, at(day(3), 14)).0, None);
}

#[test]
fn the_panel_with_the_longest_way_holds_the_rest_back() {
    let now = at(day(20), 12);
    let near = Job::default()
        .survey(day(2), found(0.2, 0.05))
        .standing(now);
    let far = Job::default()
        .survey(day(2), found(2.5, 0.05))
        .standing(now);
    let rows = sheet(&[near, far], now);
    assert_eq!([rows[0].holds_back, rows[1].holds_back], [false, true]);
    assert!(rows[0].hands_on_hours.value < rows[1].hands_on_hours.value);
    assert!(rows[0].hands_on_hours.low < rows[0].hands_on_hours.high);
}

/// Cycles of this panel that leave eight tenths each make more to come than cycles that leave a
/// third; both are learned from the book.
#[test]
fn cycles_to_come_are_learned_from_the_panels_own() {
    let now = at(day(20), 12);
    let to_come = |left: f64| {
        let mut job = Job::default();
        for k in 0..4 {
            job = job
                .survey(day(1 + 3 * k), found(3.0 * left.powi(k.into()), 0.02))
                .and(Kind::Fill, day(2 + 3 * k))
                .and(Kind::Block, day(3 + 3 * k));
        }
        let job = job.survey(day(14), found(0.9, 0.02));
        let limits = job
            .surveys
            .iter()
            .map(|(e, r)| (e.number, r.summary.limits.clone()))
            .collect();
        let s = job.standing(now);
        assert_eq!(floor::surveys_wanted(&s).len(), 4);
        let rows = sheet_knowing(&[s], &limits, now);
        (rows[0].cycles.unwrap(), rows[0].hands_on_hours)
    };
    let ((slow, slow_h), (quick, quick_h)) = (to_come(0.8), to_come(0.35));
    assert!(slow.value > quick.value + 0.5, "{slow:?} {quick:?}");
    assert!(slow.high >= quick.high && slow_h.high > quick_h.high);
    for i in [slow, quick, slow_h, quick_h] {
        assert!(i.low <= i.value && i.value <= i.high, "{i:?}");
    }
}

/// One row of the sheet, of a panel that has neither budget nor hinge.
fn row(job: &Job, now: Timestamp) -> (String, String) {
    let rows = sheet(&[job.standing(now)], now);
    (
        rows[0].stage.to_string(),
        sentences::next(&rows[0].next, Units::Metric),
    )
}

/// The same, where the panel's file can be read.
fn row_of(job: &Job, now: Timestamp) -> floor::Row {
    let all = floor::rows(
        &[job.standing(now)],
        &floor::Asked {
            limits: &HashMap::new(),
            panels: &|_| Some(panel()),
            shop: &Shop::default(),
            now,
        },
    );
    all.into_iter().next().unwrap()
}

#[test]
fn the_sheet_says_what_readiness_still_asks() {
    let now = at(day(20), 12);
    // Fair, pinholes done, nobody looked for substrate yet.
    let job = Job::default()
        .and(Kind::Fill, day(1))
        .and(Kind::Block, day(4))
        .survey(day(4), found(0.2, 0.05))
        .and(Kind::Pinholes, day(5));
    let list = ready::list(&job.standing(now), &panel(), &Shop::default(), now);
    assert_eq!(
        list.iter()
            .filter(|p| p.answer != Answer::Yes)
            .map(|p| p.what)
            .collect::<Vec<_>>(),
        ["nothing narrow unseen", "no substrate showing"]
    );
    let row = row_of(&job, now);
    assert_eq!(row.stage, "before primer");
    assert!(
        sentences::next(&row.next, Units::Metric).starts_with("nothing narrow unseen: "),
        "{}",
        sentences::next(&row.next, Units::Metric)
    );
    let signed = job.and(Kind::SignOff, day(6)).with(|e| {
        e.who = Some("K".into());
        e.facts.base_mm = Some(300.0);
        e.facts.means = Some(Means::RakingLight);
    });
    // Weighing is asked of what moves or has a budget, not of this.
    assert_eq!(row_of(&signed, now).stage, "ready for primer");
}

#[test]
fn after_primer_guide_coat_block_and_sign_off_the_job_is_at_its_end() {
    let now = at(day(20), 12);
    let job = Job {
        entries: all_done(),
        ..Job::default()
    };
    let job = job
        .and(Kind::Prime, day(7))
        .and(Kind::GuideCoat, day(9))
        .and(Kind::Block, day(9));
    assert_eq!(row(&job, now).0, "build primer");
    let job = job.and(Kind::SignOff, day(9)).with(|e| {
        e.who = Some("K".into());
        e.facts.base_mm = Some(300.0);
        e.facts.means = Some(Means::GuideCoat);
    });
    let (stage, next) = row(&job, now);
    assert_eq!(stage, "primed, done");
    assert!(!next.contains("prime"), "{next}");
    assert_eq!(row_of(&job, now).hands_on_hours.value, 0.0);
    // Filled again: it is not.
    let again = job.and(Kind::Fill, day(10));
    assert_eq!(row(&again, now).0, "block");
    // Not while the primer cures.
    let wet = Job {
        entries: all_done(),
        ..Job::default()
    };
    let wet = wet
        .and(Kind::Prime, day(19))
        .and(Kind::Block, day(19))
        .and(Kind::SignOff, day(19))
        .with(|e| e.facts.base_mm = Some(300.0));
    assert_ne!(row(&wet, at(day(19), 19)).0, "primed, done");
}

// ------------------------------------------------------------------------------------- readiness

/// Everything that readiness asks, done.
fn all_done() -> Vec<Entry> {
    Job::default()
        .and(Kind::Fill, day(1))
        .and(Kind::Block, day(4))
        .survey(day(4), found(0.2, 0.05))
        .and(Kind::Pinholes, day(5))
        .and(Kind::SignOff, day(5))
        .with(|e| {
            e.who = Some("K".into());
            e.facts.base_mm = Some(50.0);
            e.facts.means = Some(Means::GuideCoat);
        })
        .and(Kind::Weigh, day(5))
        .with(|e| e.facts.mass_g = Some(4000.0))
        .entries
}

fn answers(entries: Vec<Entry>, summary: Summary, now: Timestamp) -> Vec<(&'static str, Answer)> {
    let job = Job {
        surveys: entries
            .iter()
            .filter(|e| e.kind == Kind::Survey)
            .map(|e| (e.clone(), SurveyResult::of_numbers(summary.clone())))
            .collect(),
        entries,
    };
    // With a budget of mass its mass is asked for.
    let mut panel = panel();
    panel.skin.mass.budget_g = Some(5000.0);
    let list = ready::list(&job.standing(now), &panel, &Shop::default(), now);
    assert_eq!(
        ready::is_ready(&list),
        list.iter().all(|p| p.answer == Answer::Yes)
    );
    list.into_iter().map(|p| (p.what, p.answer)).collect()
}

fn open(list: &[(&'static str, Answer)]) -> Vec<&'static str> {
    list.iter()
        .filter(|p| p.1 != Answer::Yes)
        .map(|p| p.0)
        .collect()
}

#[test]
fn ready_only_when_every_point_is_yes() {
    let now = at(day(10), 12);
    let fair = || found(0.2, 0.05);
    assert_eq!(open(&answers(all_done(), fair(), now)), Vec::<&str>::new());
    let without = |kind: Kind| {
        let mut entries = all_done();
        entries.retain(|e| e.kind != kind);
        open(&answers(entries, fair(), now))
    };
    assert_eq!(without(Kind::Pinholes), ["pinholes done"]);
    assert_eq!(without(Kind::Weigh), ["mass recorded"]);
    assert_eq!(
        without(Kind::SignOff),
        ["nothing narrow unseen", "no substrate showing"]
    );
    assert_eq!(without(Kind::Survey), ["fair at every base"]);
    assert_eq!(
        open(&answers(all_done(), found(0.9, 0.05), now)),
        ["fair at every base"]
    );
    // Still curing, two days after the fill at 20 °C and warmer it is not.
    assert_eq!(
        open(&answers(all_done(), fair(), at(day(2), 12))),
        ["cure elapsed"]
    );
    // A base that no reading sees must be signed off at that base.
    let mut unseen = fair();
    unseen.limits.push(SavedLimit {
        base_mm: 50.0,
        ..gap(0.0, 0.0, "not-checked")
    });
    assert_eq!(
        open(&answers(all_done(), unseen.clone(), now)),
        Vec::<&str>::new()
    );
    unseen.limits[1].base_mm = 1000.0;
    assert_eq!(
        open(&answers(all_done(), unseen, now)),
        ["fair at every base"]
    );
    // Work after all of it undoes it.
    let mut again = all_done();
    again.push(entry(20, Kind::Block, day(6)));
    let list = answers(again, fair(), now);
    assert_eq!(
        open(&list),
        [
            "fair at every base",
            "nothing narrow unseen",
            "no substrate showing",
            "pinholes done"
        ]
    );
}

#[test]
fn a_photo_that_shows_substrate_or_pinholes_says_no() {
    let now = at(day(10), 12);
    let with = |substrate_cm2: f64, pinhole_clusters: usize| Summary {
        substrate_cm2: Some(substrate_cm2),
        pinhole_clusters: Some(pinhole_clusters),
        ..found(0.2, 0.05)
    };
    // Pinholes and sign-off were entered after the survey: who looked knows better.
    let list = answers(all_done(), with(40.0, 2), now);
    assert_eq!(open(&list), Vec::<&str>::new());
    // Surveyed again after them.
    let mut later = all_done();
    later.push(entry(20, Kind::Survey, day(6)));
    let list = answers(later.clone(), with(40.0, 2), now);
    for what in ["no substrate showing", "pinholes done"] {
        assert!(list.contains(&(what, Answer::No)), "{list:?}");
    }
    let list = answers(later.clone(), with(0.0, 0), now);
    assert!(list.contains(&("no substrate showing", Answer::NotKnown)));
    assert!(list.contains(&("pinholes done", Answer::Yes)));
    // Filled since: the photo holds no longer.
    later.push(entry(21, Kind::Fill, day(7)));
    let list = answers(later, with(40.0, 2), now);
    assert!(list.contains(&("no substrate showing", Answer::NotKnown)));
}

#[test]
fn a_moving_surface_asks_for_its_balance_too() {
    let now = at(day(10), 12);
    let moving = Panel {
        moving_surface: true,
        ..panel()
    };
    let mut job = Job {
        surveys: vec![(
            entry(3, Kind::Survey, day(4)),
            SurveyResult::of_numbers(found(0.2, 0.05)),
        )],
        entries: all_done(),
    };
    let list = ready::list(&job.standing(now), &moving, &Shop::default(), now);
    assert!(!ready::is_ready(&list));
    job.entries.push(entry(7, Kind::Balance, day(6)));
    let list = ready::list(&job.standing(now), &moving, &Shop::default(), now);
    assert!(ready::is_ready(&list));
}

// --------------------------------------------------------------------------- out of a book, as
// JSON

fn enter(book: &mut Book, kind: Kind, on: Date, change: impl FnOnce(&mut NewEntry)) -> i64 {
    let mut new = NewEntry::new(kind, on);
    change(&mut new);
    book.enter("lid", &new).unwrap()
}

fn survey(book: &mut Book, on: Date, worst: f64) -> i64 {
    let version = book.newest("lid").unwrap().id;
    let result = SurveyResult::of_numbers(found(worst, 0.05));
    enter(book, Kind::Survey, on, |e| {
        e.result = Some((version, result))
    })
}

#[test]
fn a_struck_survey_does_not_count_and_the_json_has_its_keys() {
    let dir = tempfile::tempdir().unwrap();
    let mut book = Book::create(&dir.path().join("shop.lowspot")).unwrap();
    book.add_panel(PANEL.as_bytes(), "panel.toml").unwrap();
    survey(&mut book, day(1), 0.9);
    enter(&mut book, Kind::Fill, day(2), |e| {
        (e.hours, e.facts.mass_g) = (Some(2.0), Some(150.0));
    });
    let wrong = survey(&mut book, day(3), 0.1);
    enter(&mut book, Kind::Strike, day(3), |e| {
        e.strikes = Some(wrong);
        e.facts.why = Some("of another panel".into());
    });
    survey(&mut book, day(4), 0.5);
    let trend = trend::trend(&book, "lid").unwrap();
    let json: Value = serde_json::from_str(&shown::trend::json(&trend, &[]).unwrap()).unwrap();
    let all = json["cycles"].as_array().unwrap();
    assert_eq!(all.len(), 2);
    for key in [
        "date",
        "limits",
        "Sq_mm",
        "to_level_cc",
        "to_level_low_cc",
        "to_level_high_cc",
        "hours",
        "filler_on_g",
    ] {
        assert!(!all[1][key].is_null(), "{key}");
    }
    assert_eq!(
        (&all[1]["date"], &all[1]["hours"], &all[1]["filler_on_g"]),
        (&"2026-03-04".into(), &2.0.into(), &150.0.into())
    );
    let limit = &all[1]["limits"][0];
    assert_eq!(
        (&limit["base_mm"], &limit["gap_mm"], &limit["worst_mm"]),
        (&300.0.into(), &0.3.into(), &0.5.into())
    );
    let advice = &json["advice"];
    assert_eq!(advice["advice"], "another-cycle");
    assert!(advice["reason"].is_string() && advice["forecast"]["to_mm"].is_f64());

    let now = Timestamp::now() + 1.minute();
    let rows = sheet(&book.standings(now).unwrap(), now);
    let json: Value = serde_json::from_str(&shown::floor::json(&rows, "now").unwrap()).unwrap();
    let row = &json["panels"][0];
    for key in [
        "name",
        "stage",
        "held_by",
        "free_at",
        "next",
        "hands_on_hours",
        "waiting_hours",
    ] {
        assert!(row.get(key).is_some(), "{key}");
    }
    assert_eq!(
        (&row["name"], &row["stage"]),
        (&"lid".into(), &"fill".into())
    );
    assert!(row["hands_on_hours"].as_f64().unwrap() > 0.0);
}
