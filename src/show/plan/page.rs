//! plan.html: the plan to print and tick off, one file that opens anywhere.

use super::super::care::{self, Caution};
use super::super::summary::capital;
use super::super::{map, words};
use super::{balance, dear, film, fits, hand_check, hours_range, json, mass, mass_range, price};
use crate::judge::Judgement;
use crate::panel::Panel;
use crate::plan::fit_for::How;
use crate::plan::work::Item;
use crate::plan::{Plan, Used};
use crate::problem::Error;
use crate::units::Units;
use askama::Template;

#[derive(Template)]
#[template(path = "plan/plan.html", config = "src/show/askama.toml")]
struct Page<'a> {
    name: &'a str,
    css: &'static str,
    survey: String,
    pressing: Vec<(&'static str, String)>,
    way: String,
    why: &'a str,
    open: Option<&'static str>,
    before: Option<Caution>,
    prices: Vec<String>,
    ways: Vec<WayRow>,
    not_offered: Vec<(&'static str, &'a str)>,
    recipe: String,
    volume_unit: &'static str,
    amounts: Vec<AmountRow>,
    sanded: String,
    by_mass: [String; 5],
    shallow: bool,
    board: &'a str,
    film: String,
    film_map: String,
    balance: Vec<String>,
    map: String,
    work: Vec<Task>,
    hand_checks: Vec<String>,
    warned: Vec<&'a str>,
    left_out: Vec<&'a str>,
    over: bool,
    asked: Vec<&'a str>,
    repeats: Vec<String>,
    cautions: Vec<String>,
    used: &'a [Used],
}

struct WayRow {
    chosen: bool,
    name: &'static str,
    mix: String,
    left: String,
    hours: String,
    waiting: String,
    cycles: String,
    risk: &'static str,
}

/// One line of work as the page shows it.
struct Task {
    number: usize,
    what: String,
    lines: Vec<TaskLine>,
}

struct TaskLine {
    text: String,
    quiet: bool,
}

struct AmountRow {
    name: String,
    level: String,
    spread: String,
    mix: String,
    left: String,
}

/// The page.
///
/// # Errors
/// [`Error::Calculation`] when the map cannot be drawn or the page cannot be put together.
pub fn page(plan: &Plan, j: &Judgement, panel: &Panel, units: Units) -> Result<String, Error> {
    let way = plan.way();
    let table = way.map(|w| &w.table);
    let s = &plan.split;
    let page = Page {
        name: &j.panel_name,
        css: include_str!("../report.css"),
        survey: match &j.date {
            Some(date) => format!("Survey of {date}."),
            None => "No survey date noted.".into(),
        },
        pressing: words::pressing(&j.warnings),
        way: capital(&way.map_or("nothing to fill".into(), |w| words::plain(w.kind.word()))),
        why: &plan.why,
        open: (j.verdict == crate::judge::Verdict::MeasureMore).then_some(
            "What was measured does not decide yet: measure as the first lines say, and take the amounts as a guess till then.",
        ),
        before: care::before_amounts(panel),
        prices: dear(plan, j).iter().map(|p| capital(&price(p, j, units))).collect(),
        ways: ways(plan, units),
        not_offered: plan
            .not_offered
            .iter()
            .map(|(kind, why)| (kind.word(), why.as_str()))
            .collect(),
        recipe: way.map_or(String::new(), |w| w.recipe.name.clone()),
        volume_unit: units.volume_unit(),
        amounts: table.map_or(Vec::new(), |t| {
            let total = crate::plan::amounts::Row {
                name: "all together".into(),
                amounts: t.total,
            };
            t.rows.iter().chain(std::iter::once(&total)).map(|r| amount(r, units)).collect()
        }),
        sanded: way.map_or(String::new(), |w| {
            let cured = w.table.total.left_on_cc.value + w.sanded_off_cc;
            format!(
                "{:.0} % of what has cured is sanded off again ({})",
                if cured > 0.0 { 100.0 * w.sanded_off_cc / cured } else { 0.0 },
                units.volume(w.sanded_off_cc)
            )
        }),
        by_mass: [
            mass(s.lows_as_filler_g),
            mass(s.lows_as_primer_g),
            units.volume(s.shallow_cc),
            mass(s.as_primer_g),
            mass(s.build_coat_g),
        ],
        shallow: s.shallow_cc >= 0.5,
        board: &plan.board.words,
        film: plan.film.as_ref().map_or(
            "not known: measure it, say it in panel.toml (film = …), and the plan tells where sanding may cut through".into(),
            |f| film(f, units),
        ),
        film_map: plan.film.as_ref().map_or(String::new(), |f| super::film::svg(f, j, panel)),
        balance: balance(plan, panel).iter().map(|s| capital(s)).collect(),
        map: map::for_page(j, panel, units)?.svg,
        work: plan.work.iter().map(task).collect(),
        hand_checks: plan.hand_checks.iter().map(|l| capital(&hand_check(l, units))).collect(),
        left_out: j.flags.iter().map(|f| f.reason.as_str()).collect(),
        over: plan.balance.budget_g.is_some_and(|most| plan.balance.total_g > most),
        warned: fits(&plan.fits, How::Warned).collect(),
        asked: fits(&plan.fits, How::Asked).collect(),
        repeats: super::repeats(j, units),
        cautions: json::all_cautions(plan, j, panel)
            .iter()
            .map(|c| capital(c))
            .collect(),
        used: &plan.used,
    };
    page.render()
        .map_err(|e| Error::Calculation(format!("plan.html could not be put together: {e}")))
}

fn ways(plan: &Plan, units: Units) -> Vec<WayRow> {
    plan.ways
        .iter()
        .enumerate()
        .map(|(k, w)| WayRow {
            chosen: plan.chosen == Some(k),
            name: w.kind.word(),
            mix: words::volume(w.to_mix_cc, units),
            left: mass_range(w.left_on_g),
            hours: hours_range(w.hours),
            waiting: format!("{:.0} h", w.waiting_hours),
            cycles: super::summary::cycles(w),
            risk: w.kind.risk(),
        })
        .collect()
}

fn task(item: &Item) -> Task {
    let joined = |parts: [&String; 3]| {
        let told: Vec<&str> = parts
            .into_iter()
            .filter(|p| !p.is_empty())
            .map(String::as_str)
            .collect();
        capital(&told.join("; "))
    };
    let none = String::new();
    let stop = if item.stop.is_empty() {
        String::new()
    } else {
        format!("{} {}.", super::until(item), item.stop)
    };
    let lines = [
        (joined([&item.place, &item.depth, &item.amount]), false),
        (joined([&item.tool, &item.time, &none]), true),
        (stop, false),
    ];
    Task {
        number: item.number,
        what: capital(item.what),
        lines: lines
            .into_iter()
            .filter(|(text, _)| !text.is_empty())
            .map(|(text, quiet)| TaskLine { text, quiet })
            .collect(),
    }
}

fn amount(row: &crate::plan::amounts::Row, units: Units) -> AmountRow {
    let a = &row.amounts;
    let bare = |i| super::summary::bare(i, units);
    AmountRow {
        name: row.name.clone(),
        level: bare(a.to_level_cc),
        spread: bare(a.to_spread_cc),
        mix: bare(a.to_mix_cc),
        left: mass_range(a.left_on_g),
    }
}
