//! Panels whose told form does not fit: nothing is ordered on them; and gentle ones beside them,
//! which are judged. Readings that cannot be right, which make nothing fair. Seams in single
//! readings. Every panel and survey here is simulated.

use crate::support::forms::{self, Made, Misfit};
use crate::support::levels::found_and_judged;
use crate::support::simulate::{self, Kind, Recipe, Seam, SurveyPlan};
use crate::support::{self, folder};
use lowspot::judge::nodes::Reach;
use lowspot::judge::{Judgement, Verdict};
use lowspot::observe::{Survey, Tool, sound};
use lowspot::panel::Panel;
use lowspot::show;
use lowspot::units::Units;
use rand::RngExt;
use rayon::prelude::*;
use std::path::Path;
use std::process::Command;

fn judged(made: &Made, seed: u64) -> Judgement {
    found_and_judged(&made.panel, &made.survey(seed)).1
}

/// Nothing that could be taken for an order or an amount.
fn assert_orders_nothing(j: &Judgement, panel: &Panel) {
    assert!(j.regions.is_empty() && j.to_level_cc.value.is_nan() && j.most_likely_cc.is_nan());
    assert!(j.nodes.region.iter().all(|n| *n == 0));
    let lines = show::summary::lines(j, panel, Units::Metric, Path::new("out"));
    assert_eq!(lines[0].heading, "SHAPE FIRST");
    for line in &lines {
        let ordered = ["FILL", "SAND", "SAND FIRST", "PRIME", "FILLER", "LEAVE"];
        assert!(!ordered.iter().any(|o| line.heading == *o), "{}", line.text);
        assert!(!line.text.contains(" cc"), "{}", line.text);
    }
    let report = show::json::text(j, panel).unwrap();
    let report: serde_json::Value = serde_json::from_str(&report).unwrap();
    assert_eq!(report["verdict"], "not-judged");
    assert!(report["filler"]["to_level_cc"].is_null());
    assert!(report["regions"].as_array().unwrap().is_empty());
    assert!(report["references"].as_array().unwrap().is_empty());
    assert!(report["shape"]["write"].as_str().unwrap().len() > 10);
    let page = show::html::page(j, panel, Units::Metric, &[]).unwrap();
    let seen = page.split("<script").next().unwrap();
    assert!(!seen.contains(" cc"), "an amount on the page");
    assert!(seen.contains("SHAPE FIRST"));
}

/// The number after "near x" or "near y".
fn told_near(looks_like: &str) -> Option<f64> {
    looks_like.split_whitespace().last()?.parse().ok()
}

#[test]
fn a_form_that_does_not_fit_is_named_and_orders_nothing() {
    let words = [
        "a nose within",
        "a soft ridge near y",
        "a crease near",
        "ruled along x",
        "rolled over within",
    ];
    Misfit::ALL
        .into_par_iter()
        .zip(words)
        .for_each(|(what, word)| {
            let made = forms::misfit(what, 8_601);
            let j = judged(&made, 8_601);
            let misfit = j
                .misfit
                .as_ref()
                .unwrap_or_else(|| panic!("{what:?} ({}) is judged", made.what));
            println!(
                "{what:?} ({}): {} | {} | {}",
                made.what, misfit.looks_like, misfit.write, misfit.seen
            );
            assert_eq!(j.verdict, Verdict::NotJudged);
            assert_orders_nothing(&j, &made.panel);
            assert!(
                misfit.looks_like.contains(word)
                    || (what == Misfit::SoftRidge && misfit.looks_like.contains("a crease near y")),
                "{what:?}: {}",
                misfit.looks_like
            );
            if what == Misfit::Crease {
                let at = told_near(&misfit.looks_like).unwrap();
                assert!(
                    (at - made.at_mm.unwrap()).abs() <= 40.0,
                    "{}: {at}",
                    made.what
                );
            }
        });
}

#[test]
fn gentle_panels_are_judged() {
    (8_800..8_808u64).into_par_iter().for_each(|seed| {
        let made = forms::gentle(seed);
        let j = judged(&made, seed);
        assert!(j.misfit.is_none(), "{}: {:?}", made.what, j.misfit);
    });
}

/// What is told on fresh seeds, twelve of each misfit, 200 gentle panels and twelve wing skins from
/// behind their noses. The bounds were set on seeds of another generator of the same shapes.
#[test]
#[ignore = "minutes: 272 surveys"]
fn forms_that_fit_and_do_not_on_fresh_seeds() {
    for what in Misfit::ALL {
        let told: Vec<bool> = (8_610..8_622u64)
            .into_par_iter()
            .map(|seed| {
                let made = forms::misfit(what, seed);
                let j = judged(&made, seed);
                let looks = j.misfit.as_ref().map(|m| m.looks_like.as_str());
                println!("{what:?} {seed} ({}): {looks:?}", made.what);
                j.verdict == Verdict::NotJudged
            })
            .collect();
        let count = told.iter().filter(|t| **t).count();
        println!("{what:?}: not judged in {count} of {}", told.len());
        assert!(
            count as f64 >= 0.95 * told.len() as f64 - 0.45,
            "{what:?}: {count}"
        );
    }
    let wrong: Vec<String> = (8_810..9_010u64)
        .into_par_iter()
        .filter_map(|seed| {
            let made = forms::gentle(seed);
            let misfit = judged(&made, seed).misfit?;
            Some(format!("{seed} ({}): {misfit:?}", made.what))
        })
        .collect();
    println!("gentle: {} of 200 refused", wrong.len());
    assert!(wrong.is_empty(), "{wrong:#?}");
    let behind = (8_610..8_622u64)
        .into_par_iter()
        .filter(|&seed| judged(&forms::behind_the_nose(seed), seed).misfit.is_none())
        .count();
    println!("behind the nose: {behind} of 12 judged");
    assert!(behind >= 11);
}

#[test]
fn plan_mix_and_require_fair_refuse_a_form_that_does_not_fit() {
    let made = forms::misfit(Misfit::Crease, 8_603);
    let form = if made.panel.form == lowspot::panel::Form::Flat {
        "flat"
    } else {
        "crowned"
    };
    let toml = format!(
        "name = \"simulated fold\"\nlength = {}\nwidth = {}\nform = \"{form}\"\nsand_allowance = \"0.3 mm\"\n[[limit]]\nbase = 300\ngap = 0.3\n",
        made.panel.length_mm, made.panel.width_mm
    );
    let table = simulate::table(&made.survey(8_603));
    let (dir, paths) = folder(&[("panel.toml", toml.as_bytes()), ("r.csv", table.as_bytes())]);
    let run = |args: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_lowspot"))
            .args(args)
            .current_dir(dir.path())
            .output()
            .unwrap();
        let text = String::from_utf8_lossy(&out.stderr).into_owned();
        (
            out.status.code(),
            text,
            String::from_utf8_lossy(&out.stdout).into_owned(),
        )
    };
    let (panel, readings) = (paths[0].to_str().unwrap(), paths[1].to_str().unwrap());
    let (code, _, said) = run(&["map", panel, readings, "--out", "m", "--require-fair"]);
    assert_eq!(code, Some(3));
    assert!(said.contains("SHAPE FIRST"), "{said}");
    assert!(dir.path().join("m/map.png").is_file(), "the map is drawn");
    let (code, why, _) = run(&["plan", panel, readings, "--out", "p"]);
    assert_eq!(code, Some(1), "{why}");
    assert!(
        why.contains("shape first") && why.contains("crease"),
        "{why}"
    );
    assert!(!dir.path().join("p").exists(), "nothing is written");
    let (code, why, _) = run(&["mix", "--plan", "m/report.json"]);
    assert_eq!(code, Some(1), "{why}");
    assert!(
        why.contains("the shape comes first") && why.contains("crease"),
        "{why}"
    );
    let (code, why, _) = run(&["next", panel, readings, "--out", "n"]);
    assert_eq!(code, Some(1), "{why}");
    assert!(!dir.path().join("n").exists());
}

// Readings that cannot be right.

/// What is wrong with all readings of a survey.
const WRONG: [&str; 6] = [
    "zeros",
    "one value",
    "copied",
    "inches",
    "thou",
    "exchanged",
];

fn spoil(wrong: &str, survey: &mut Survey, panel: &Panel) {
    let write = |r: &mut lowspot::observe::Reading, v: f64, decimals: usize| {
        r.written = format!("{v:.decimals$}");
        r.value_mm = r.value_mm.and(r.written.parse().ok());
    };
    // Copied is the placing that tells most: a row of noughts is no copy of another.
    let different = |v: &Vec<f64>| {
        let mut own: Vec<i64> = v.iter().map(|v| (v * 1000.0).round() as i64).collect();
        own.sort_unstable();
        own.dedup();
        own.len()
    };
    let first: Vec<f64> = survey
        .placings
        .iter()
        .map(|p| p.taken().filter_map(|r| r.value_mm).collect())
        .max_by_key(different)
        .expect("placings");
    for p in &mut survey.placings {
        let n = p.readings.len();
        for (k, r) in p.readings.iter_mut().enumerate() {
            let v = r.value_mm.unwrap_or(0.0);
            match wrong {
                "zeros" => write(r, 0.0, 2),
                "one value" => write(r, 0.3, 2),
                "copied" if n == first.len() => write(r, first[k], 2),
                "inches" => write(r, v / 25.4, 3),
                "thou" => write(r, (v / 0.0254).round(), 0),
                _ => {}
            }
        }
    }
    if wrong == "exchanged" {
        let along_y = |p: &lowspot::observe::Placing| p.toward[1].abs() > 0.5;
        for p in survey.placings.iter_mut().filter(|p| along_y(p)) {
            p.toward.swap(0, 1);
            for r in &mut p.readings {
                (r.x, r.y) = (r.y, r.x);
            }
        }
        // What does not lie on the panel then is refused by name.
        survey
            .placings
            .retain(|p| p.readings.iter().all(|r| panel.contains(r.x, r.y)));
    }
}

/// Fair panels, so that nothing else withholds the word: seeds of ten surveys a fault.
#[test]
fn readings_that_cannot_be_right_are_doubted_and_sound_ones_are_not() {
    for wrong in WRONG {
        for seed in 7_300..7_310u64 {
            let kind = Kind::ALL[seed as usize % 3];
            let panel = simulate::panel(kind);
            let truth = simulate::truth(kind, seed, 0.02);
            let mut survey =
                simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), seed);
            // A fair panel that is flat or ruled reads nothing but noughts and a few 0.05: copies
            // of that are no copies.
            if wrong == "copied" && kind != Kind::Crowned {
                survey = simulate::survey(
                    &simulate::truth(kind, seed, 0.2),
                    &panel,
                    &SurveyPlan::straightedge(150.0),
                    seed,
                );
            }
            spoil(wrong, &mut survey, &panel);
            let doubts = sound::doubts(&survey, &panel);
            let one_way = Reach::new(&survey).one_way();
            if wrong == "exchanged" {
                assert!(!doubts.is_empty() || one_way, "{seed} ({kind:?})");
            }
            // What nobody doubts is not called fair either.
            if doubts.is_empty() {
                let (_, j) = found_and_judged(&panel, &survey);
                assert_ne!(j.verdict, Verdict::Fair, "{wrong} {seed}");
            }
        }
    }
    let doubted: Vec<String> = (7_400..7_600u64)
        .into_par_iter()
        .filter_map(|seed| {
            let kind = Kind::ALL[seed as usize % 3];
            let panel = simulate::panel(kind);
            let amplitude = [0.02, 0.3, 1.0, 1.5][seed as usize / 3 % 4];
            let truth = simulate::truth(kind, seed, amplitude);
            let plan = match seed % 5 {
                0 => SurveyPlan::pin_gauge(200.0),
                1 => SurveyPlan::batten(200.0),
                2 => SurveyPlan::straightedge(100.0).with_noise(0.02, 0.01),
                3 => SurveyPlan::straightedge(200.0).with_noise(0.08, 0.1),
                _ => SurveyPlan::straightedge(150.0),
            };
            let survey = simulate::survey(&truth, &panel, &plan, seed);
            let doubts = sound::doubts(&survey, &panel);
            (!doubts.is_empty()).then(|| format!("{seed} {kind:?} {:?}: {doubts:?}", plan.tool))
        })
        .collect();
    assert!(doubted.is_empty(), "{} of 200: {doubted:#?}", doubted.len());
}

#[test]
fn a_fair_panel_of_noughts_is_not_called_fair() {
    let recipe = Recipe {
        length_mm: 900.0,
        width_mm: 600.0,
        amplitude: 0.0,
        ..Recipe::of(Kind::Flat)
    };
    let panel = simulate::panel_sized(Kind::Flat, 900.0, 600.0);
    let mut survey = simulate::survey(&recipe.make(1), &panel, &SurveyPlan::straightedge(100.0), 1);
    spoil("zeros", &mut survey, &panel);
    let (_, j) = found_and_judged(&panel, &survey);
    assert_eq!(j.verdict, Verdict::MeasureMore);
    assert!(
        j.reasons[0].contains("all") && j.reasons[0].contains("are 0"),
        "{:?}",
        j.reasons
    );
}

// Seams.

/// A panel with a proud seam 60 mm wide across five lines of the form, and where it lies.
fn with_seam(seed: u64) -> (Panel, Survey, f64) {
    let mut rng = simulate::survey_rng(seed + 77);
    let kind = [Kind::Flat, Kind::Crowned][seed as usize % 2];
    let panel = simulate::panel_sized(kind, 1800.0, 1000.0);
    let mut truth = Recipe {
        lows: 3,
        highs: 1,
        length_mm: 1800.0,
        width_mm: 1000.0,
        ..Recipe::of(kind)
    }
    .make(seed);
    let at = rng.random_range(450.0..1050.0);
    let height = [0.25, 0.5][seed as usize / 2 % 2];
    truth.seams.push(Seam {
        x_mm: [at - 30.0, at + 30.0],
        y_mm: [-50.0, 1050.0],
        height_mm: height,
        feather_mm: 15.0,
    });
    let plan = SurveyPlan::straightedge(200.0);
    let plan = if seed.is_multiple_of(3) {
        plan.on_packers(3.0)
    } else {
        plan
    };
    let survey = simulate::survey(&truth, &panel, &plan, seed);
    (panel, survey, at)
}

/// Named as a seam in its place, by its readings or its highs in a row, or as one high that looks
/// like one.
fn seam_told(j: &Judgement, at: f64) -> (bool, bool) {
    let named = j
        .seams
        .iter()
        .any(|s| ((s.from_mm[0] + s.to_mm[0]) / 2.0 - at).abs() <= 60.0 && s.height_mm > 0.0);
    let high = j.regions.iter().any(|r| {
        r.looks_like.contains("seam") && r.extent_mm[0] - 30.0 <= at && at <= r.extent_mm[2] + 30.0
    });
    (named, high)
}

fn seams_told(seeds: std::ops::Range<u64>) -> (usize, usize, usize, usize) {
    let told: Vec<(bool, bool)> = seeds
        .into_par_iter()
        .map(|seed| {
            let (panel, survey, at) = with_seam(seed);
            let (surface, j) = found_and_judged(&panel, &survey);
            let told = seam_told(&j, at);
            let out = surface.left_out.iter().filter(|l| {
                let r = &survey.placings[l.placing].readings[l.reading];
                (r.x - at).abs() < 60.0
            });
            println!(
                "seam {seed} at {at:.0}: {told:?}, left out there {}, {:?}",
                out.count(),
                j.seams.iter().map(|s| &s.sentence).collect::<Vec<_>>()
            );
            told
        })
        .collect();
    let count = |f: &dyn Fn(&(bool, bool)) -> bool| told.iter().filter(|t| f(t)).count();
    (
        count(&|t| t.0),
        count(&|t| t.1),
        count(&|t| t.0 || t.1),
        told.len(),
    )
}

#[test]
fn a_seam_is_not_thrown_out_as_misreadings() {
    let (named, high, either, all) = seams_told(9_300..9_304);
    println!("named {named}, a high {high}, either {either} of {all}");
    assert!(either >= 3);
}

#[test]
#[ignore = "minutes: 40 surveys"]
fn seams_on_fresh_seeds() {
    let (named, high, either, all) = seams_told(9_310..9_350);
    println!("named {named}, a high {high}, either {either} of {all}");
    assert!(either as f64 >= 0.9 * all as f64, "{either} of {all}");
}

// A regular grid in one placing.

#[test]
fn a_grid_of_heights_in_one_placing_is_judged_as_its_rows_are() {
    let panel = simulate::panel_sized(Kind::Flat, 900.0, 600.0);
    let mut truth = Recipe {
        lows: 0,
        highs: 0,
        length_mm: 900.0,
        width_mm: 600.0,
        ..Recipe::of(Kind::Flat)
    }
    .make(3);
    truth.bumps.push(simulate::Bump {
        centre: [420.0, 300.0],
        height_mm: -1.2,
        sigma_mm: [70.0, 90.0],
        angle: 0.4,
    });
    let rows = SurveyPlan {
        rest_sd_mm: 0.0,
        ..SurveyPlan::bridge(50.0)
    }
    .along(simulate::Directions::AlongX);
    let by_rows = simulate::survey(&truth, &panel, &rows, 5);
    let mut in_one = by_rows.clone();
    let all: Vec<_> = in_one
        .placings
        .iter()
        .flat_map(|p| p.readings.clone())
        .collect();
    in_one.placings.truncate(1);
    in_one.placings[0].readings = all;
    assert_eq!(in_one.placings[0].tool, Tool::Bridge);
    assert_eq!(in_one.placings[0].grid_pitch_mm(), [Some(50.0), Some(50.0)]);
    let (_, j) = found_and_judged(&panel, &in_one);
    let (_, k) = found_and_judged(&panel, &by_rows);
    assert_eq!(k.verdict, Verdict::AnotherCycle);
    assert_eq!(
        j.verdict,
        Verdict::AnotherCycle,
        "{:?} {:?}",
        j.reasons,
        j.not_checked
    );
    let (a, b) = (j.to_level_cc.value, k.to_level_cc.value);
    assert!(
        (a / b - 1.0).abs() < 0.2,
        "{a} cc in one placing, {b} cc by rows"
    );
}

// What is said of slopes and repeats.

#[test]
fn a_small_node_limit_is_no_slope_and_a_wedge_repeats_to_its_step() {
    let mut panel = support::roof();
    panel.node_limit_mm = 0.03;
    (panel.length_mm, panel.width_mm) = (900.0, 600.0);
    panel.outline = lowspot::panel::Polygon::rectangle(900.0, 600.0);
    let truth = Recipe {
        length_mm: 900.0,
        width_mm: 600.0,
        amplitude: 0.1,
        ..Recipe::of(Kind::Flat)
    }
    .make(4);
    let mut survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(200.0), 4);
    let mut again = survey.placings[0].clone();
    again.repeat = 1;
    survey.placings.insert(1, again);
    let (_, j) = found_and_judged(&panel, &survey);
    assert!(
        !j.warnings
            .iter()
            .any(|w| w.text.contains("slope more than")),
        "{:?}",
        j.warnings
    );
    let sd = j.repeatability_mm.unwrap();
    assert!(
        (sd - 0.05 / 12f64.sqrt()).abs() < 1e-3,
        "the same readings twice repeat to their step, not to nothing: {sd}"
    );
}
