//! Small simulated surveys of every tool with each reading spoiled in turn, the first and the last
//! among them, then each placing as a whole: none of it stops the fit. Every panel and survey here
//! is simulated.

use crate::support::simulate::{self, Kind, Recipe, SurveyPlan};
use lowspot::fit::{self, Surface};
use lowspot::observe::{Survey, check_carries};
use lowspot::panel::Panel;
use rayon::prelude::*;

/// How a reading is spoiled.
const SPOILS: [fn(f64) -> f64; 3] = [|v| 10.0 * v + 1.0, |v| v + 0.5, |_| 0.0];

/// Few readings each, so that every one of them can be tried: a first survey of a small panel.
fn surveys() -> Vec<(Panel, Survey)> {
    let recipe = Recipe {
        length_mm: 700.0,
        width_mm: 450.0,
        lows: 2,
        highs: 1,
        ..Recipe::of(Kind::Crowned)
    };
    let plans = [
        SurveyPlan {
            edge_mm: 450.0,
            advance_mm: 250.0,
            ..SurveyPlan::straightedge(150.0)
        },
        SurveyPlan {
            edge_mm: 450.0,
            advance_mm: 250.0,
            ..SurveyPlan::batten(150.0)
        },
        SurveyPlan {
            step_mm: 50.0,
            ..SurveyPlan::pin_gauge(150.0)
        },
        SurveyPlan::wave_gauge(100.0, 150.0),
        SurveyPlan::bridge(150.0),
    ];
    let panel = simulate::panel_sized(recipe.kind, recipe.length_mm, recipe.width_mm);
    (8801..)
        .zip(plans)
        .map(|(seed, plan)| {
            let survey = simulate::survey(&recipe.make(seed), &panel, &plan, seed);
            (panel.clone(), survey)
        })
        .collect()
}

fn fitted(panel: &Panel, survey: &Survey) -> Option<Surface> {
    // Too few readings are refused before the fit.
    check_carries(survey, panel).ok()?;
    Some(fit::fit(panel, survey).expect("a surface or a refusal, never a stop"))
}

#[test]
fn each_reading_spoiled_in_turn_stops_no_fit() {
    for (panel, survey) in surveys() {
        let tool = survey.placings[0].tool;
        let all: Vec<(usize, usize)> = survey
            .placings
            .iter()
            .enumerate()
            .flat_map(|(p, placing)| (0..placing.readings.len()).map(move |r| (p, r)))
            .collect();
        let told: Vec<bool> = all
            .par_iter()
            .enumerate()
            .map(|(k, &(p, r))| {
                // The gross slip for every reading; the milder ones in turn.
                let mut gross = survey.clone();
                let value = &mut gross.placings[p].readings[r].value_mm;
                *value = value.map(SPOILS[0]);
                let surface = fitted(&panel, &gross);
                let mut mild = survey.clone();
                let value = &mut mild.placings[p].readings[r].value_mm;
                *value = value.map(SPOILS[1 + k % 2]);
                fitted(&panel, &mild);
                surface.is_some_and(|s| s.left_out.iter().any(|l| l.placing == p))
            })
            .collect();
        let share = told.iter().filter(|t| **t).count() as f64 / told.len() as f64;
        println!(
            "{tool:?}: {} readings spoiled in turn, told {share:.2}",
            told.len()
        );
    }
}

#[test]
fn each_placing_spoiled_as_a_whole_or_all_but_one_reading_stops_no_fit() {
    for (panel, survey) in surveys() {
        (0..survey.placings.len()).into_par_iter().for_each(|p| {
            for spoil in SPOILS {
                let mut whole = survey.clone();
                for r in &mut whole.placings[p].readings {
                    r.value_mm = r.value_mm.map(spoil);
                }
                fitted(&panel, &whole);
            }
            // Not taken but for one, two, three readings: the only ones of their placing.
            for left in 1..=3 {
                let mut few = survey.clone();
                let readings = &mut few.placings[p].readings;
                let n = readings.len();
                for r in &mut readings[..n.saturating_sub(left)] {
                    r.value_mm = None;
                }
                if let Some(r) = readings.last_mut() {
                    r.value_mm = r.value_mm.map(SPOILS[0]);
                }
                fitted(&panel, &few);
            }
        });
    }
}
