//! What moved between two surveys, and what repeats: on simulated panels with a known truth, on closed forms, and on real surfaces
//! measured on several dates.
//!
//! Every panel made by `simulate` is simulated. The full runs are the tests marked `ignored`.

use crate::support::simulate::{self, Directions, Kind, Recipe, SurveyPlan, Truth};
use lowspot::compare::{self, spectrum};
use lowspot::observe::Survey;
use lowspot::panel::Panel;
use rayon::prelude::*;

/// Size of the simulated panels, mm.
const SIZE: [f64; 2] = [1200.0, 900.0];

fn simulated(kind: Kind, seed: u64) -> (Panel, Truth) {
    let truth = simulate::truth_sized(kind, SIZE[0], SIZE[1], seed, 1.0);
    (simulate::panel_sized(kind, SIZE[0], SIZE[1]), truth)
}

/// A plan with fresh noise, and on odd seeds with lines elsewhere.
fn plans(seed: u64) -> [SurveyPlan; 2] {
    let spacing = if seed % 2 == 1 {
        [150.0, 130.0]
    } else {
        [150.0, 150.0]
    };
    spacing.map(|s| SurveyPlan {
        place_sd_mm: 2.0,
        ..SurveyPlan::straightedge(s)
    })
}

/// A dome of a given height and width (foot to foot), cos² in between.
fn dome(at: [f64; 2], width: f64, height: f64) -> impl Fn(f64, f64) -> f64 {
    move |x, y| {
        let r = (x - at[0]).hypot(y - at[1]) / width;
        if r < 0.5 {
            height * (std::f64::consts::PI * r).cos().powi(2)
        } else {
            0.0
        }
    }
}

/// Two surveys of a simulated panel, `added` there at the second.
fn two_surveys(seed: u64, added: &dyn Fn(f64, f64) -> f64) -> (Panel, [Survey; 2]) {
    let kind = Kind::ALL[(seed % 3) as usize];
    let (panel, truth) = simulated(kind, seed);
    let [first, second] = plans(seed);
    let before = simulate::survey(&truth, &panel, &first, 1000 + seed);
    // Other supports: a little bent and twisted.
    let bent = |x: f64, y: f64| {
        let (u, v) = (x / SIZE[0] - 0.5, y / SIZE[1] - 0.5);
        1.5 * u * u - 2.0 * u * v + 0.7 * v * v
    };
    let height = |x: f64, y: f64| truth.height(x, y) + bent(x, y) + added(x, y);
    let after = simulate::survey_of(&height, &panel, &second, 5000 + seed);
    (panel, [before, after])
}

fn place(seed: u64) -> [f64; 2] {
    let share = |k: u64| ((seed * 2 + k + 1) as f64 * 0.754_877_666).fract();
    [0.15 + 0.7 * share(0), 0.15 + 0.7 * share(5)]
        .map(|v| v)
        .iter()
        .zip(SIZE)
        .map(|(v, s)| v * s)
        .collect::<Vec<f64>>()
        .try_into()
        .unwrap()
}

#[test]
#[ignore = "prints figures"]
fn figures_of_the_difference() {
    let seeds: Vec<u64> = (1..=30).collect();
    let quiet: Vec<String> = seeds
        .par_iter()
        .map(|seed| {
            let (panel, [a, b]) = two_surveys(*seed, &|_, _| 0.0);
            let m = compare::moved(&panel, &a, &b).unwrap().difference;
            let most = m.moved_mm.iter().zip(&m.sd_mm).filter(|(v, _)| v.is_finite()).map(|(v, s)| (v / s).abs()).fold(0.0, f64::max);
            format!("{seed}: rms {:.3} chance {:.3} beyond {:.3} critical {:.2} most {most:.2} patches {} shift {:?}", m.rms_mm, m.rms_by_chance_mm, m.beyond_share, m.critical, m.patches.len(), m.shift.map(|s| (s.mm, s.sd_mm, s.used)))
        })
        .collect();
    println!("{}", quiet.join("\n"));
    let found: Vec<String> = seeds
        .par_iter()
        .map(|seed| {
            let at = place(*seed);
            let (panel, [a, b]) = two_surveys(*seed, &dome(at, 150.0, 0.3));
            let m = compare::moved(&panel, &a, &b).unwrap().difference;
            let patches: Vec<String> = m
                .patches
                .iter()
                .map(|p| {
                    format!(
                        "{} {:?} {:.2} [{:.2} {:.2}] {:.1}cc [{:.1} {:.1}]",
                        p.name,
                        p.most.at,
                        p.most.mm.value,
                        p.most.mm.low,
                        p.most.mm.high,
                        p.volume_cc.value,
                        p.volume_cc.low,
                        p.volume_cc.high
                    )
                })
                .collect();
            format!("{seed} {at:?}: {}", patches.join("; "))
        })
        .collect();
    println!("{}", found.join("\n"));
}

/// A lattice of a depth and pitch laid over a simulated panel, read each 20 mm.
fn latticed(seed: u64, depth: f64, pitch: f64) -> (Panel, Survey) {
    let kind = Kind::ALL[(seed % 3) as usize];
    let (panel, truth) = simulated(kind, seed);
    let k = std::f64::consts::TAU / pitch;
    let phase = seed as f64;
    let height = |x: f64, y: f64| {
        truth.height(x, y) + depth / 4.0 * ((k * x + phase).cos() + (k * y + 2.0 * phase).cos())
    };
    let plan = SurveyPlan {
        step_mm: 20.0,
        directions: Directions::Both,
        ..SurveyPlan::straightedge(60.0 + (seed % 5) as f64 * 10.0).with_noise(0.02, 0.01)
    };
    let survey = simulate::survey_of(&height, &panel, &plan, 7000 + seed);
    (panel, survey)
}

#[test]
#[ignore = "prints figures"]
fn figures_of_the_spectrum() {
    for seed in 1..=20 {
        let (_, survey) = latticed(seed, 0.10, 80.0);
        let start = std::time::Instant::now();
        let found = spectrum::in_survey(&survey);
        println!(
            "{seed}: {} readings, {:?}\n   {:?}",
            survey.taken(),
            start.elapsed(),
            found
        );
    }
    for seed in 1..=60 {
        let (_, survey) = if seed % 2 == 0 {
            latticed(seed, 0.0, 80.0)
        } else {
            let kind = Kind::ALL[(seed % 3) as usize];
            let (panel, truth) = simulated(kind, seed);
            let survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), seed);
            (panel, survey)
        };
        let found = spectrum::in_survey(&survey);
        if !found.found.is_empty() {
            println!("none {seed}: {:?}", found);
        }
    }
    let _ = Recipe::of(Kind::Flat);
}
