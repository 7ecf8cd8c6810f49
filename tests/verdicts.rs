//! What verdicts are worth, on panels near the end of a job: how often each is told by how bad the panel truly is.
//!
//! Every panel here is simulated, by two simulators made apart: `support/simulate.rs` with lows and highs of 70-500 mm, and
//! `support/isolated.rs` with isolated dips and bumps of σ 12-60 mm. The truth is the deviation from the form that was meant.
//! Seeds below 100,000 were used to choose; those above to judge.

use crate::support::isolated::{self, Made, Walk};
use crate::support::levels::found_and_judged;
use crate::support::simulate::{self, Kind, Recipe, SurveyPlan};
use lowspot::judge::{self, Judgement, Verdict, edge};
use lowspot::observe::Survey;
use lowspot::panel::Panel;
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// The limit of all panels here: 0.3 mm under 300 mm.
const LIMIT_MM: f64 = 0.3;
const BASE_MM: f64 = 300.0;

/// A panel with its survey and what is truly there.
struct Case {
    name: &'static str,
    seed: u64,
    lines_mm: f64,
    noise_mm: f64,
    panel: Panel,
    survey: Survey,
    /// True gaps on nodes so far apart.
    gaps: Array2<f64>,
    step_mm: f64,
    /// Defects whose own gap exceeds the limit: their width, mm.
    over_mm: Vec<f64>,
}

impl Case {
    fn worst(&self) -> (f64, [f64; 2]) {
        isolated::worst_of(&self.gaps, self.step_mm)
    }

    /// True over limit.
    fn ratio(&self) -> f64 {
        self.worst().0 / LIMIT_MM
    }

    /// The largest true gap within 40 mm of a place.
    fn near(&self, at: [f64; 2]) -> f64 {
        self.gaps
            .indexed_iter()
            .filter(|((iy, ix), v)| {
                let (x, y) = (*ix as f64 * self.step_mm, *iy as f64 * self.step_mm);
                v.is_finite() && (x - at[0]).hypot(y - at[1]) <= 40.0
            })
            .map(|(_, v)| *v)
            .fold(0.0, f64::max)
    }
}

/// True over limit, lines and noise of one seed: all mixed.
fn settings(seed: u64) -> (f64, f64, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xcafe);
    let ratio = rng.random_range(0.1..1.4);
    let lines = [100.0, 150.0, 200.0][(seed % 3) as usize];
    let noise = [0.02, 0.03, 0.05, 0.03, 0.08][(seed / 3 % 5) as usize];
    (ratio, lines, noise)
}

/// A panel of the first simulator.
fn first(seed: u64) -> Case {
    let (ratio, lines_mm, noise_mm) = settings(seed);
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xbeef);
    let kind = Kind::ALL[(seed / 15 % 3) as usize];
    let length_mm = f64::from(rng.random_range(90..150)) * 10.0;
    let width_mm = f64::from(rng.random_range(70..100)) * 10.0;
    let recipe = Recipe {
        length_mm,
        width_mm,
        lows: rng.random_range(1..=5),
        highs: rng.random_range(0..=2),
        ..Recipe::of(kind)
    };
    let panel = simulate::panel_sized(kind, length_mm, width_mm);
    let step_mm = 5.0;
    let gaps = |amplitude: f64| {
        let truth = Recipe { amplitude, ..recipe }.make(seed);
        let count = [length_mm, width_mm].map(|l| (l / step_mm) as usize + 1);
        let z = Array2::from_shape_fn((count[1], count[0]), |(iy, ix)| {
            truth.defects(ix as f64 * step_mm, iy as f64 * step_mm)
        });
        edge::gaps(&z, step_mm, BASE_MM).unwrap().gap
    };
    let amplitude = ratio * LIMIT_MM / isolated::worst_of(&gaps(1.0), step_mm).0;
    let truth = Recipe { amplitude, ..recipe }.make(seed);
    let plan = SurveyPlan::straightedge(lines_mm)
        .with_noise(noise_mm, if noise_mm > 0.06 { 0.1 } else { 0.05 });
    Case {
        name: "wide",
        seed,
        lines_mm,
        noise_mm,
        survey: simulate::survey(&truth, &panel, &plan, seed + 7_000_000),
        panel,
        gaps: gaps(amplitude),
        step_mm,
        over_mm: Vec::new(),
    }
}

/// A panel of the second simulator.
fn second(seed: u64) -> Case {
    let (ratio, lines_mm, noise_mm) = settings(seed);
    let made = Made::new(seed, 4, ratio, LIMIT_MM, BASE_MM);
    let walk = Walk::lines(lines_mm, noise_mm);
    let placings = walk.placings(made.size_mm);
    isolated_case("isolated", seed, made, &placings, &walk)
}

fn isolated_case(
    name: &'static str,
    seed: u64,
    made: Made,
    placings: &[lowspot::observe::blank::Planned],
    walk: &Walk,
) -> Case {
    let survey = isolated::read(&|x, y| made.height(x, y), placings, walk, seed);
    let over_mm = made
        .spots
        .iter()
        .filter(|s| {
            let alone = Made {
                waves: Vec::new(),
                spots: vec![(*s).clone()],
                ..made.clone()
            };
            alone.worst_gap(BASE_MM).0 > LIMIT_MM
        })
        .map(isolated::Spot::width_mm)
        .collect();
    Case {
        name,
        seed,
        lines_mm: walk.lines_mm,
        noise_mm: walk.noise_mm,
        panel: made.panel(),
        gaps: made.gaps(BASE_MM),
        survey,
        step_mm: 5.0,
        over_mm,
    }
}

/// What is looked at to choose: one line a survey.
fn look(case: &Case) -> String {
    use lowspot::judge::cloud::Cloud;
    use lowspot::judge::filler::{Benches, Fill, rehearsed};
    use lowspot::reference::{Kind as Reference, References};
    let (surface, j) = found_and_judged(&case.panel, &case.survey);
    let l = &j.limits[0];
    let bench = |step: f64| crate::support::levels::workbench(&case.panel, step);
    let (middle, rough) = (bench(20.0), bench(40.0));
    let cloud = Cloud::new(&surface, &middle);
    let rough_cloud = Cloud::new(&surface, &rough);
    let fair = middle.at_nodes(&References::new(&middle, &cloud.found).unwrap().fair);
    let (nx, ny) = (middle.xs.len(), middle.ys.len());
    let top_of = |dev: &dyn Fn(usize) -> f64, rim: f64| {
        let z = Array2::from_shape_fn((ny, nx), |(iy, ix)| dev(iy * nx + ix));
        let g = edge::gaps(&z, 20.0, BASE_MM).unwrap().gap;
        g.indexed_iter()
            .filter(|((iy, ix), v)| {
                let (x, y) = (*ix as f64 * 20.0, *iy as f64 * 20.0);
                let d = x
                    .min(y)
                    .min(case.panel.length_mm - x)
                    .min(case.panel.width_mm - y);
                v.is_finite() && d >= rim
            })
            .map(|(_, v)| *v)
            .fold(0.0, f64::max)
    };
    let found: Vec<f64> = cloud.found.iter().zip(&fair).map(|(z, t)| z - t).collect();
    let coarse = top_of(&|k| found[k], 0.0);
    let tops = |rim: f64| -> Vec<f64> {
        (0..128)
            .map(|d| {
                let s = cloud.step(d);
                top_of(&|k| found[k] + s[k], rim)
            })
            .collect()
    };
    let (all, inner) = (tops(0.0), tops(60.0));
    let refits: Vec<[f64; 2]> = surface
        .refits
        .iter()
        .enumerate()
        .map(|(d, refit)| {
            let s = cloud.step(d);
            let r = judge::cloud::on_lines(&surface.basis, refit, &middle.xs, &middle.ys);
            [
                top_of(&|k| found[k] + s[k], 0.0),
                top_of(&|k| r[k] - fair[k], 0.0),
            ]
        })
        .collect();
    let fill = Fill::new(&case.panel, &middle);
    let benches = Benches {
        fill: &fill,
        cloud: &cloud,
        coarse: &rough,
        coarse_cloud: &rough_cloud,
    };
    let pairs: Vec<[f64; 2]> = rehearsed(&benches, &surface, Reference::BestFit)
        .unwrap()
        .iter()
        .map(|d| {
            [
                top_of(&|k| d.fairness[1][k], 0.0),
                top_of(&|k| d.fairness[0][k], 0.0),
            ]
        })
        .collect();
    let (truth, at) = case.worst();
    format!(
        "{{\"sim\":\"{}\",\"seed\":{},\"lines\":{},\"noise\":{},\"size\":{:?},\"truth\":{truth},\"true_at\":{at:?},\"found\":{},\"at\":{:?},\
         \"low\":{},\"high\":{},\"true_there\":{},\"verdict\":\"{}\",\"coarse\":{coarse},\"tops\":{all:?},\"inner\":{inner:?},\
         \"refits\":{refits:?},\"pairs\":{pairs:?},\"lows\":{},\"range\":{},\"amp\":{},\"sigma\":{:?},\"over\":{:?}}}",
        case.name,
        case.seed,
        case.lines_mm,
        case.noise_mm,
        [case.panel.length_mm, case.panel.width_mm],
        l.worst.value,
        l.worst_at,
        l.worst.low,
        l.worst.high,
        case.near(l.worst_at),
        j.verdict.word(),
        j.regions.len(),
        j.range_mm,
        j.amplitude_mm,
        surface.noise_mm.values().next(),
        case.over_mm,
    )
    .replace("NaN", "null")
}

#[test]
#[ignore = "prints what verdicts are chosen by"]
fn try_out() {
    let count: u64 = std::env::var("COUNT").map_or(30, |c| c.parse().unwrap());
    let from: u64 = std::env::var("FROM").map_or(1000, |c| c.parse().unwrap());
    (from..from + count).into_par_iter().for_each(|seed| {
        println!("@{}", look(&first(seed)));
        println!("@{}", look(&second(seed)));
    });
}
