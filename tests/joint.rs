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
            coat_cells::cells(
                panel,
                &|x, y| truth.height(x, y) - reference(x, y),
                coating,
                seed,
            )
        }
    }
}

fn workbench(panel: &Panel) -> Workbench {
    Workbench::new(panel, STEP, &|nx, ny| {
        judge::volume::node_weights_mm2(
            &Grid {
                step_mm: STEP,
                nx,
                ny,
            },
            panel,
        )
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
    let own = bench
        .reference(Reference::BestFit, &heights, &bench.allowance)
        .unwrap();
    let deviation: Vec<f64> = heights
        .iter()
        .zip(bench.at_nodes(&own))
        .map(|(z, t)| z - t)
        .collect();
    let depth = Array2::from_shape_fn((bench.ys.len(), nx), |(iy, ix)| -deviation[iy * nx + ix]);
    let (labels, _) = regions::label(&depth, &|_, _| 0.0, 0.15);
    let low = labels
        .iter()
        .zip(&depth)
        .zip(&bench.areas_mm2)
        .filter(|((l, _), _)| **l > 0);
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
}

fn judged(panel: &Panel, survey: &lowspot::observe::Survey, surface: &Surface) -> Judgement {
    let options = judge::Options {
        reference: Reference::BestFit,
        units: Units::Metric,
    };
    judge::judge(panel, survey, surface, options, Vec::new()).unwrap()
}

fn outcome(
    bench: &Workbench,
    panel: &Panel,
    survey: &lowspot::observe::Survey,
    surface: Surface,
    truth: &Truth,
) -> Outcome {
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
    Outcome {
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
    fn of(
        name: &str,
        kind: Kind,
        plan: &SurveyPlan,
        by: By,
        threshold: f64,
        seeds: std::ops::Range<u64>,
    ) -> Self {
        let [length, width] = if kind == Kind::Ruled {
            [2400.0, 1000.0]
        } else {
            [1800.0, 1200.0]
        };
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
                            "overlap {:.2} found {:.2} likely {:.2} held {} width {:.2} rms {:.3}",
                            o.overlap, o.found, o.likely, o.held, o.width, o.rms
                        )
                    };
                    let coat = o.0.coat.as_ref().unwrap();
                    println!(
                        "  {seed}: {} | alone {} | level {:.3} patches {} aside {:.0} contra {} steps {}",
                        short(&o.0), short(&o.1), coat.level_mm, coat.patches, coat.set_aside_mm2 / 100.0, coat.contradictions.len(), coat.steps
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
                format!(
                    "{:.2} ({:.2}-{:.2})",
                    median(all.iter().map(f)),
                    v[0],
                    v[v.len() - 1]
                )
            };
            println!(
                "{} {which}: overlap {}; found {}; likely {}; |likely-1| median {:.3}; held {}/{}; width {:.2}; rms {:.3}",
                self.name,
                range(|o| o.overlap),
                range(|o| o.found),
                range(|o| o.likely),
                median(all.iter().map(|o| (o.likely - 1.0).abs())),
                all.iter().filter(|o| o.held).count(),
                all.len(),
                median(all.iter().map(|o| o.width)),
                median(all.iter().map(|o| o.rms)),
            );
        }
        let better = |f: fn(&Outcome) -> f64| {
            self.with
                .iter()
                .zip(&self.without)
                .filter(|(a, b)| f(a) < f(b))
                .count()
        };
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
    let seeds = std::env::var("SEEDS")
        .ok()
        .and_then(|s| s.parse().ok())
        .unwrap_or(10);
    let first = std::env::var("FIRST")
        .ok()
        .and_then(|s| s.parse().ok())
        .unwrap_or(1);
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
