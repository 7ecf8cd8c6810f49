//! plan.json: the plan for programs. Documented field by field in `docs/formats.md`.

use super::super::care;
use crate::judge::Judgement;
use crate::judge::repeats::Repeats;
use crate::panel::Panel;
use crate::plan::Plan;
use crate::plan::amounts::{Amounts, Table};
use crate::plan::balance::Balance;
use crate::plan::fit_for::Fit;
use crate::plan::hand_check::Line;
use crate::plan::price::Price;
use crate::plan::sanding::Board;
use crate::plan::ways::Way;
use crate::plan::work::Item;
use crate::problem::{Error, Warning};
use serde::Serialize;

/// The version of the layout, raised when a field changes its meaning or goes.
pub const SCHEMA: u32 = 1;

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    panel: &'a str,
    date: Option<&'a str>,
    verdict: &'static str,
    way: Option<&'static str>,
    why: &'a str,
    highs: &'a [Price],
    ways: Vec<WayRow>,
    not_offered: Vec<NotOffered<'a>>,
    amounts: Option<&'a Table>,
    split: &'a crate::plan::Split,
    sanding: Sanding<'a>,
    film: Option<Film>,
    mass: &'a Balance,
    work: &'a [Item],
    hand_checks: &'a [Line],
    fits: &'a [Fit],
    mix: Option<Mix<'a>>,
    used: &'a [crate::plan::Used],
    left_out: Vec<&'a str>,
    repeats: Option<&'a Repeats>,
    cautions: Vec<String>,
    warnings: Vec<Warning>,
}

#[derive(Serialize)]
struct WayRow {
    name: &'static str,
    recipe: String,
    to_mix_cc: f64,
    to_mix_low_cc: f64,
    to_mix_high_cc: f64,
    first_mix_cc: f64,
    left_on_g: f64,
    left_on_low_g: f64,
    left_on_high_g: f64,
    hours: f64,
    hours_low: f64,
    hours_high: f64,
    waiting_hours: f64,
    cycles: u32,
    least_cycles: u32,
    coats: u32,
    deepest_mm: f64,
    area_m2: f64,
    first_cycle: Amounts,
    sanded_off_share: f64,
    risk: &'static str,
}

#[derive(Serialize)]
struct NotOffered<'a> {
    name: &'static str,
    why: &'a str,
}

#[derive(Serialize)]
struct Sanding<'a> {
    #[serde(flatten)]
    board: &'a Board,
    hours: f64,
    sanded_off_cc: f64,
}

#[derive(Serialize)]
struct Film {
    least_mm: Option<f64>,
    least_low_mm: Option<f64>,
    at_mm: Option<[f64; 2]>,
    keep_mm: f64,
    thin_cm2: f64,
    risk_cm2: f64,
}

#[derive(Serialize)]
struct Mix<'a> {
    recipe: &'a str,
    to_mix_cc: f64,
    depth_mm: f64,
    at_c: f64,
    face: &'static str,
    skin_c: f64,
    humidity_percent: Option<f64>,
    moving_surface: bool,
}

/// plan.json.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be written, which no sound plan does.
pub fn text(plan: &Plan, j: &Judgement, panel: &Panel) -> Result<String, Error> {
    let way = plan.way();
    let document = Document {
        schema: SCHEMA,
        panel: &j.panel_name,
        date: j.date.as_deref(),
        verdict: j.verdict.word(),
        way: way.map(|w| w.kind.word()),
        why: &plan.why,
        highs: &plan.highs,
        ways: plan.ways.iter().map(row).collect(),
        not_offered: plan
            .not_offered
            .iter()
            .map(|(kind, why)| NotOffered {
                name: kind.word(),
                why,
            })
            .collect(),
        amounts: way.map(|w| &w.table),
        split: &plan.split,
        sanding: Sanding {
            board: &plan.board,
            hours: way.map_or(0.0, |w| w.sanding_hours),
            sanded_off_cc: way.map_or(0.0, |w| w.sanded_off_cc),
        },
        film: plan.film.as_ref().map(|f| {
            let known = f.least_mm.is_finite();
            Film {
                least_mm: known.then_some(f.least_mm),
                least_low_mm: known.then_some(f.least_low_mm),
                at_mm: known.then_some(f.at_mm),
                keep_mm: f.keep_mm,
                thin_cm2: f.thin_cm2,
                risk_cm2: f.risk_cm2,
            }
        }),
        mass: &plan.balance,
        work: &plan.work,
        hand_checks: &plan.hand_checks,
        fits: &plan.fits,
        mix: way.map(|w| Mix {
            recipe: &w.recipe.name,
            to_mix_cc: w.first_mix_cc,
            depth_mm: w.deepest_mm,
            at_c: plan.weather.air_c,
            face: panel.skin.face.word(),
            skin_c: plan.weather.skin_c,
            humidity_percent: plan.weather.humidity,
            moving_surface: panel.moving_surface,
        }),
        used: &plan.used,
        cautions: all_cautions(plan, j, panel),
        left_out: j.flags.iter().map(|f| f.reason.as_str()).collect(),
        repeats: j.repeats.as_ref(),
        warnings: warnings(plan, j),
    };
    serde_json::to_string_pretty(&document)
        .map(|text| text + "\n")
        .map_err(|e| Error::Calculation(format!("plan.json could not be made: {e}")))
}

/// Those of the map, and what is over budget.
fn warnings(plan: &Plan, j: &Judgement) -> Vec<Warning> {
    let b = &plan.balance;
    let over = b.budget_g.filter(|most| b.total_g > *most).map(|most| {
        Warning::new(format!(
            "over the budget of {most:.0} g by {:.0} g: ask the designer before anything is mixed",
            b.total_g - most
        ))
    });
    j.warnings.iter().cloned().chain(over).collect()
}

/// Balance first, then those of the work, then those of what is mixed, each once.
pub(super) fn all_cautions(plan: &Plan, j: &Judgement, panel: &Panel) -> Vec<String> {
    let first = care::before_amounts(panel);
    first
        .into_iter()
        .chain(care::cautions(j, panel))
        .chain(super::cautions(plan))
        .map(|c| format!("{}: {}", c.about, c.text))
        .chain(std::iter::once(care::SHAPE_ONLY.to_string()))
        .collect()
}

fn row(w: &Way) -> WayRow {
    let cured = w.table.total.left_on_cc.value + w.sanded_off_cc;
    WayRow {
        name: w.kind.word(),
        recipe: w.recipe.name.clone(),
        to_mix_cc: w.to_mix_cc.value,
        to_mix_low_cc: w.to_mix_cc.low,
        to_mix_high_cc: w.to_mix_cc.high,
        first_mix_cc: w.first_mix_cc,
        left_on_g: w.left_on_g.value,
        left_on_low_g: w.left_on_g.low,
        left_on_high_g: w.left_on_g.high,
        hours: w.hours.value,
        hours_low: w.hours.low,
        hours_high: w.hours.high,
        waiting_hours: w.waiting_hours,
        cycles: w.cycles,
        least_cycles: w.least_cycles,
        coats: w.coats,
        deepest_mm: w.deepest_mm,
        area_m2: w.area_m2,
        first_cycle: w.table.total,
        sanded_off_share: if cured > 0.0 {
            w.sanded_off_cc / cured
        } else {
            0.0
        },
        risk: w.kind.risk(),
    }
}
