//! Readings and a guide-coat photo together, on simulated panels with a known truth: how close, how sure, how fast.
//!
//! Twenty-four placings (lines each 300 mm both ways, a 600 mm edge set end to end: 312 readings) and the coat cells of one photo, made
//! up from the truth ([`coat_cells`]). Truth is the filler and the lows of the true surface under its own best fit, with the same allowance.

use crate::support::coat_cells::{self, Coating};
use crate::support::simulate::{self, Kind, SurveyPlan, Truth};
use lowspot::fit::{self, Surface};
use lowspot::judge::{self, Grid, Judgement, regions};
use lowspot::panel::Panel;
use lowspot::photo::CoatCells;
use lowspot::reference::{Kind as Reference, Workbench};
use lowspot::units::Units;
use ndarray::Array2;
use rayon::prelude::*;

/// Distance between the nodes of the comparison, mm.
const STEP: f64 = 20.0;

/// An hour's placings on 1800 × 1200: 24 of a 600 mm edge, end to end on lines each 300 mm, both ways.
fn hour() -> SurveyPlan {
    SurveyPlan {
        advance_mm: 600.0,
        ..SurveyPlan::straightedge(300.0)
    }
}

/// What the coat is told by.
#[derive(Clone, Copy, Debug, PartialEq)]
enum By {
    /// The lows and highs themselves.
    Defects,
    /// The height over the true surface's own fair reference.
    Reference,
}

fn coat_of(truth: &Truth, panel: &Panel, by: By, coating: &Coating, seed: u64) -> CoatCells {
    match by {
        By::Defects => coat_cells::cells(panel, &|x, y| truth.defects(x, y), coating, seed),
        By::Reference => {
            let reference = coat_cells::own_reference(panel, &|x, y| truth.height(x, y));
            coat_cells::cells(panel, &|x, y| truth.height(x, y) - reference(x, y), coating, seed)
        }
    }
}

fn workbench(panel: &Panel) -> Workbench {
    Workbench::new(panel, STEP, &|nx, ny| {
        judge::volume::node_weights_mm2(&Grid { step_mm: STEP, nx, ny }, panel)
            .into_raw_vec_and_offset()
            .0
    })
    .unwrap()
}

/// The true deviation at the workbench's nodes, and the filler it takes, cc.
fn truly(bench: &Workbench, truth: &Truth) -> (Vec<f64>, f64) {
    let nx = bench.xs.len();
    let heights: Vec<f64> = (0..nx * bench.ys.len())
        .map(|k| truth.height(bench.xs[k % nx], bench.ys[k / nx]))
        .collect();
    let own = bench.reference(Reference::BestFit, &heights, &bench.allowance).unwrap();
    let deviation: Vec<f64> = heights.iter().zip(bench.at_nodes(&own)).map(|(z, t)| z - t).collect();
    let depth = Array2::from_shape_fn((bench.ys.len(), nx), |(iy, ix)| -deviation[iy * nx + ix]);
    let (labels, _) = regions::label(&depth, &|_, _| 0.0, 0.15);
    let low = labels.iter().zip(&depth).zip(&bench.areas_mm2).filter(|((l, _), _)| **l > 0);
    let cc = low.map(|((_, d), a)| d * a / 1000.0).sum();
    (deviation, cc)
}

/// What one survey came to.
#[derive(Clone, Debug)]
struct Outcome {
    /// Share of the areas low by more than 0.1 mm, found or true, that are both.
    overlap: f64,
    /// Filler found, and most likely, over the true one.
    found: f64,
    likely: f64,
    held: bool,
    width: f64,
    /// rms error of the deviation, mm.
    rms: f64,
    coat: Option<fit::coat::CoatFit>,
    same: f64,
    note: String,
}

/// Volume of the lows of a deviation, cc.
fn to_level(bench: &Workbench, deviation: &[f64]) -> f64 {
    let nx = bench.xs.len();
    let depth = Array2::from_shape_fn((bench.ys.len(), nx), |(iy, ix)| -deviation[iy * nx + ix]);
    let (labels, _) = regions::label(&depth, &|_, _| 0.0, 0.15);
    let low = labels.iter().zip(&depth).zip(&bench.areas_mm2).filter(|((l, _), _)| **l > 0);
    low.map(|((_, d), a)| d * a / 1000.0).sum()
}

fn less_quadratic(bench: &Workbench, values: &[f64]) -> Vec<f64> {
    let nx = bench.xs.len();
    let (l, w) = (bench.xs[nx - 1], bench.ys[bench.ys.len() - 1]);
    let terms = Array2::from_shape_fn((values.len(), 6), |(k, t)| {
        let (u, v) = (bench.xs[k % nx] / l - 0.5, bench.ys[k / nx] / w - 0.5);
        [1.0, u, v, u * u, u * v, v * v][t]
    });
    let fit = fit::least_squares::solve(&terms, values).unwrap();
    let fitted = terms.dot(&ndarray::Array1::from(fit.coef));
    values.iter().zip(fitted).map(|(v, f)| v - f).collect()
}

fn judged(panel: &Panel, survey: &lowspot::observe::Survey, surface: &Surface) -> Judgement {
    let options = judge::Options {
        reference: Reference::BestFit,
        units: Units::Metric,
    };
    judge::judge(panel, survey, surface, options, Vec::new()).unwrap()
}

fn outcome(bench: &Workbench, panel: &Panel, survey: &lowspot::observe::Survey, surface: Surface, truth: &Truth) -> Outcome {
    let j = judged(panel, survey, &surface);
    let (deviation, true_cc) = truly(bench, truth);
    let nx = bench.xs.len();
    let every = (STEP / j.nodes.grid.step_mm) as usize;
    let (mut both, mut any, mut square) = (0.0, 0.0, 0.0);
    for (k, truly) in deviation.iter().enumerate() {
        let found = j.nodes.deviation[[k / nx * every, k % nx * every]];
        let (a, b) = (found < -0.1, *truly < -0.1);
        both += f64::from(u8::from(a && b));
        any += f64::from(u8::from(a || b));
        square += (found - truly).powi(2);
    }
    let at = |k: usize| (bench.xs[k % nx], bench.ys[k / nx]);
    let error: Vec<f64> = (0..deviation.len())
        .map(|k| {
            let (x, y) = at(k);
            surface.basis.value(&surface.coefficients, x, y, 0, 0) - truth.height(x, y)
        })
        .collect();
    let error = less_quadratic(bench, &error);
    // The found heights under the truth's own reference.
    let found_own: Vec<f64> = deviation.iter().zip(&error).map(|(d, e)| d + e).collect();
    let mut note = format!(
        "cc {true_cc:.0} sigma {:.3} range {:.0} amp {:.3} out {}",
        surface.noise_mm.values().next().unwrap(),
        surface.range_mm,
        surface.amplitude_mm,
        surface.left_out.len()
    );
    let group = |f: &dyn Fn(usize) -> f64, pick: &dyn Fn(f64) -> bool| {
        let own: Vec<f64> = (0..error.len())
            .filter(|&k| {
                let (x, y) = at(k);
                pick(truth.defects(x, y))
            })
            .map(f)
            .collect();
        let m = own.iter().sum::<f64>() / own.len() as f64;
        let sd = (own.iter().map(|v| (v - m).powi(2)).sum::<f64>() / own.len() as f64).sqrt();
        format!("{m:+.3}/{sd:.3}")
    };
    let dev_error = |k: usize| j.nodes.deviation[[k / nx * every, k % nx * every]] - deviation[k];
    let bare = |d: f64| (-0.03..0.03).contains(&d);
    let low = |d: f64| d < -0.03;
    let high = |d: f64| d > 0.03;
    note += &format!(
        " z error bare {} low {} high {}; T error bare {} low {}",
        group(&|k| error[k], &bare), group(&|k| error[k], &low), group(&|k| error[k], &high),
        group(&|k| error[k] - dev_error(k), &bare), group(&|k| error[k] - dev_error(k), &low)
    );
    if std::env::var("EACH").is_ok_and(|v| v == "2") {
        for b in &truth.bumps {
            let k = |v: f64, n: usize| ((v / STEP).round() as usize).min(n - 1);
            let n = k(b.centre[1], bench.ys.len()) * nx + k(b.centre[0], nx);
            let line = |v: f64| ((v - 150.0).rem_euclid(300.0)).min(300.0 - (v - 150.0).rem_euclid(300.0));
            note += &format!(
                "\n      {:.0},{:.0} sigma {:.0}x{:.0} h {:.2} dev {:.2} found {:.2} off lines {:.0} {:.0}",
                b.centre[0], b.centre[1], b.sigma_mm[0], b.sigma_mm[1], b.height_mm, deviation[n], found_own[n],
                line(b.centre[0]), line(b.centre[1])
            );
        }
    }
    Outcome {
        same: to_level(bench, &found_own) / true_cc,
        note,
        overlap: both / any,
        found: j.to_level_cc.value / true_cc,
        likely: j.most_likely_cc / true_cc,
        held: j.to_level_cc.low <= true_cc && true_cc <= j.to_level_cc.high,
        width: (j.to_level_cc.high - j.to_level_cc.low) / true_cc,
        rms: (square / deviation.len() as f64).sqrt(),
        coat: surface.coat,
    }
}

/// Outcomes of all seeds, with the photo and without.
struct Figures {
    name: String,
    with: Vec<Outcome>,
    without: Vec<Outcome>,
}

fn sorted(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut v: Vec<f64> = values.collect();
    v.sort_by(f64::total_cmp);
    v
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let v = sorted(values);
    (v[v.len() / 2] + v[(v.len() - 1) / 2]) / 2.0
}

impl Figures {
    fn of(name: &str, kind: Kind, plan: &SurveyPlan, by: By, threshold: f64, seeds: std::ops::Range<u64>) -> Self {
        let [length, width] = if kind == Kind::Ruled { [2400.0, 1000.0] } else { [1800.0, 1200.0] };
        let panel = simulate::panel_sized(kind, length, width);
        let bench = workbench(&panel);
        let pairs: Vec<(Outcome, Outcome)> = seeds
            .into_par_iter()
            .map(|seed| {
                let truth = simulate::truth_sized(kind, length, width, seed, 1.0);
                let survey = simulate::survey(&truth, &panel, plan, seed + 1000);
                let coating = Coating::at(threshold).with_glare(length * 0.7, width * 0.35, 200.0);
                let cells = coat_of(&truth, &panel, by, &coating, seed + 2000);
                let alone = fit::fit(&panel, &survey).unwrap();
                let joint = fit::fit_with_coat(&panel, &survey, &cells).unwrap();
                let o = (
                    outcome(&bench, &panel, &survey, joint, &truth),
                    outcome(&bench, &panel, &survey, alone, &truth),
                );
                if std::env::var("EACH").is_ok() {
                    let short = |o: &Outcome| {
                        format!(
                            "overlap {:.2} same {:.2} found {:.2} likely {:.2} held {} width {:.2} rms {:.3}",
                            o.overlap, o.same, o.found, o.likely, o.held, o.width, o.rms
                        )
                    };
                    let none = fit::coat::CoatFit { level_mm: None, softness_mm: 0.0, seen_mm2: 0.0, set_aside_mm2: 0.0, patches: 0, contradictions: vec![], objective: 0.0, steps: 0 };
                    let coat = o.0.coat.as_ref().unwrap_or(&none);
                    println!(
                        "  {seed}: {} | alone {} | level {:.3?} patches {} aside {:.0} contra {} steps {} | {}\n   alone {}",
                        short(&o.0), short(&o.1), coat.level_mm, coat.patches, coat.set_aside_mm2 / 100.0, coat.contradictions.len(), coat.steps, o.0.note, if std::env::var("EACH").is_ok_and(|v| v == "2") { "" } else { &o.1.note }
                    );
                }
                o
            })
            .collect();
        let (with, without) = pairs.into_iter().unzip();
        let figures = Figures {
            name: name.into(),
            with,
            without,
        };
        figures.print();
        figures
    }

    fn print(&self) {
        for (which, all) in [("with", &self.with), ("without", &self.without)] {
            let range = |f: fn(&Outcome) -> f64| {
                let v = sorted(all.iter().map(f));
                format!("{:.2} ({:.2}-{:.2})", median(all.iter().map(f)), v[0], v[v.len() - 1])
            };
            println!(
                "{} {which}: overlap {}; same {}; found {}; likely {}; |likely-1| median {:.3}; held {}/{}; width {:.2}; rms {:.3}",
                self.name,
                range(|o| o.overlap),
                range(|o| o.same),
                range(|o| o.found),
                range(|o| o.likely),
                median(all.iter().map(|o| (o.likely - 1.0).abs())),
                all.iter().filter(|o| o.held).count(),
                all.len(),
                median(all.iter().map(|o| o.width)),
                median(all.iter().map(|o| o.rms)),
            );
        }
        let better = |f: fn(&Outcome) -> f64| self.with.iter().zip(&self.without).filter(|(a, b)| f(a) < f(b)).count();
        println!(
            "{}: better overlap {}, rms {}, likely {} of {}",
            self.name,
            better(|o| -o.overlap),
            better(|o| o.rms),
            better(|o| (o.likely - 1.0).abs()),
            self.with.len()
        );
    }
}

#[test]
fn probe() {
    let seeds = std::env::var("SEEDS").ok().and_then(|s| s.parse().ok()).unwrap_or(10);
    let first = std::env::var("FIRST").ok().and_then(|s| s.parse().ok()).unwrap_or(1);
    for kind in [Kind::Crowned, Kind::Flat, Kind::Ruled] {
        for by in [By::Defects, By::Reference] {
            for t in [0.02, 0.03, 0.05] {
                let name = format!("{kind:?} {by:?} {t}");
                if std::env::var("ONLY").is_ok_and(|only| !name.contains(&only)) {
                    continue;
                }
                Figures::of(&name, kind, &hour(), by, t, first..first + seeds);
            }
        }
    }
}

/// A contradiction that every reader would call one: coat all over a measured high.
#[test]
fn coat_on_a_measured_high_is_told_and_does_not_bend_the_fit() {
    let mut truth = simulate::truth_sized(Kind::Flat, 1800.0, 1200.0, 3, 1.0);
    truth.bumps.retain(|b| b.height_mm < 0.0);
    truth.bumps.retain(|b| (b.centre[0] - 750.0).hypot(b.centre[1] - 750.0) > 400.0);
    assert!(truth.bumps.len() >= 3);
    truth.bumps.push(simulate::Bump {
        centre: [750.0, 750.0],
        height_mm: 0.6,
        sigma_mm: [60.0, 60.0],
        angle: 0.0,
    });
    let panel = simulate::panel_sized(Kind::Flat, 1800.0, 1200.0);
    let survey = simulate::survey(&truth, &panel, &hour(), 5);
    let wrong = |x: f64, y: f64| {
        let near = (x - 750.0).hypot(y - 750.0) < 70.0;
        if near { -0.5 } else { truth.defects(x, y) }
    };
    let cells = coat_cells::cells(&panel, &wrong, &Coating::at(0.03), 6);
    let alone = fit::fit(&panel, &survey).unwrap();
    let joint = fit::fit_with_coat(&panel, &survey, &cells).unwrap();
    let coat = joint.coat.clone().unwrap();
    let height = |s: &Surface| {
        let z = |x: f64| s.basis.value(&s.coefficients, x, 750.0, 0, 0);
        format!("{:.3} out {}", z(750.0) - (z(550.0) + z(950.0)) / 2.0, s.left_out.len())
    };
    println!("{coat:?}\nalone {} joint {}", height(&alone), height(&joint));
    let told = coat
        .contradictions
        .iter()
        .find(|c| (c.at_mm[0] - 750.0).hypot(c.at_mm[1] - 750.0) < 60.0)
        .expect("the contradiction is told");
    assert!(told.coat_on_a_high() && told.height_mm > 0.15, "{told:?}");
    // The bend at the top of the high, a second difference over 200 mm, is what the readings say.
    let top = |s: &Surface| {
        let z = |x: f64| s.basis.value(&s.coefficients, x, 750.0, 0, 0);
        z(750.0) - (z(550.0) + z(950.0)) / 2.0
    };
    let (a, b) = (top(&alone), top(&joint));
    assert!((a - b).abs() < 0.1, "{a:.3} alone, {b:.3} with the photo");
}

#[test]
fn a_fair_panel_with_specks_only_is_given_no_lows() {
    for kind in [Kind::Crowned, Kind::Flat] {
        let panel = simulate::panel_sized(kind, 1800.0, 1200.0);
        for seed in 1..=5 {
            let truth = simulate::truth_sized(kind, 1800.0, 1200.0, seed, 0.02);
            let survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), seed + 1000);
            let cells = coat_of(&truth, &panel, By::Defects, &Coating::at(0.05), seed + 2000);
            let alone = judged(&panel, &survey, &fit::fit(&panel, &survey).unwrap());
            let surface = fit::fit_with_coat(&panel, &survey, &cells).unwrap();
            let j = judged(&panel, &survey, &surface);
            println!("{kind:?} {seed}: {:?} {} lows, {:.1} cc; alone {:?}", j.verdict, j.regions.len(), j.to_level_cc.value, alone.verdict);
            assert_eq!(j.to_level_cc.value, 0.0, "{kind:?} {seed}");
            assert_eq!(j.verdict, alone.verdict, "{kind:?} {seed}");
        }
    }
}

/// Writes the problem that tests/reference/joint_reference.py solves, and prints the time of a whole fit.
#[test]
#[ignore = "for the oracle in tests/reference"]
fn the_joint_problem_is_written() {
    let panel = simulate::panel_sized(Kind::Crowned, 1800.0, 1200.0);
    let truth = simulate::truth_sized(Kind::Crowned, 1800.0, 1200.0, 1, 1.0);
    let survey = simulate::survey(&truth, &panel, &hour(), 1001);
    let cells = coat_of(&truth, &panel, By::Defects, &Coating::at(0.03), 2001);
    let begun = std::time::Instant::now();
    let surface = fit::fit_with_coat(&panel, &survey, &cells).unwrap();
    let seconds = begun.elapsed().as_secs_f64();
    let begun = std::time::Instant::now();
    fit::fit(&panel, &survey).unwrap();
    println!("joint fit {seconds:.3} s, readings alone {:.3} s", begun.elapsed().as_secs_f64());
    let mut times = Vec::new();
    let p = fit::joint_problem(&panel, &survey, &cells, &mut || times.push(std::time::Instant::now()))
        .unwrap()
        .unwrap();
    let solving = (times[1] - times[0]).as_secs_f64();
    println!("the joint problem alone {solving:.3} s, {} steps", surface.coat.as_ref().unwrap().steps);
    assert!((p.objective - surface.coat.unwrap().objective).abs() < 1e-6);
    let problem = serde_json::json!({
        "unknowns": p.right.len(), "matrix": p.matrix, "right": p.right, "square": p.square, "looks": p.looks,
        "share": p.share, "weight": p.weight, "sigma": p.sigma_mm, "level": p.level_mm, "softness": p.softness_mm,
        "solution": p.solution, "objective": p.objective, "seconds": solving,
    });
    if let Ok(path) = std::env::var("LOWSPOT_JOINT_PROBLEM") {
        std::fs::write(path, problem.to_string()).unwrap();
    }
}
