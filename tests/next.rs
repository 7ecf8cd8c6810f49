//! scratch
use crate::support::simulate::{self, Kind, Stretch, SurveyPlan, Truth};
use lowspot::judge::{self, Grid, Judgement, regions};
use lowspot::observe::{Survey, Tool};
use lowspot::panel::Panel;
use lowspot::reference::{Kind as Reference, Workbench};
use lowspot::units::Units;
use lowspot::{fit, next};
use ndarray::Array2;
use rayon::prelude::*;

const STEP: f64 = 20.0;

fn true_cc(panel: &Panel, truth: &Truth) -> f64 {
    let bench = Workbench::new(panel, STEP, &|nx, ny| {
        judge::volume::node_weights_mm2(&Grid { step_mm: STEP, nx, ny }, panel)
            .into_raw_vec_and_offset()
            .0
    })
    .unwrap();
    let (nx, ny) = (bench.xs.len(), bench.ys.len());
    let heights: Vec<f64> = (0..nx * ny)
        .map(|k| truth.height(bench.xs[k % nx], bench.ys[k / nx]))
        .collect();
    let own = bench
        .reference(Reference::BestFit, &heights, &bench.allowance)
        .map(|c| bench.at_nodes(&c))
        .unwrap();
    let depth = Array2::from_shape_fn((ny, nx), |(iy, ix)| own[iy * nx + ix] - heights[iy * nx + ix]);
    let (labels, _) = regions::label(&depth, &|_, _| 0.0, 0.15);
    labels
        .iter()
        .zip(&depth)
        .zip(&bench.areas_mm2)
        .filter(|((l, _), _)| **l > 0)
        .map(|((_, d), a)| d * a / 1000.0)
        .sum()
}

fn found(panel: &Panel, survey: &Survey) -> (fit::Surface, Judgement) {
    let surface = fit::fit(panel, survey).unwrap();
    let options = judge::Options { reference: Reference::BestFit, units: Units::Metric };
    let j = judge::judge(panel, survey, &surface, options, Vec::new()).unwrap();
    (surface, j)
}

#[test]
#[ignore]
fn scratch() {
    let get = |n: &str, d: &str| std::env::var(n).unwrap_or(d.into());
    let from: u64 = get("FROM", "1").parse().unwrap();
    let to: u64 = get("TO", "12").parse().unwrap();
    let crits = get("CRITS", "next");
    let rounds: Vec<usize> = get("ROUNDS", "12").split(',').map(|t| t.parse().unwrap()).collect();
    let crits: Vec<&str> = crits.split(',').collect();
    let rows: Vec<Vec<[f64; 2]>> = (from..=to)
        .into_par_iter()
        .map(|seed| {
            let kind = Kind::ALL[(seed % 3) as usize];
            let panel = simulate::panel_sized(kind, 1200.0, 900.0);
            let truth = simulate::truth_sized(kind, 1200.0, 900.0, seed, 1.0);
            let cc = true_cc(&panel, &truth);
            let coarse = SurveyPlan::straightedge(400.0);
            let fine = SurveyPlan::straightedge(200.0);
            let start = simulate::survey(&truth, &panel, &coarse, seed + 1000);
            assert_eq!(start.placings.len(), 12);
            let (surface0, j0) = found(&panel, &start);
            let error = |j: &Judgement| [j.to_level_cc.value - cc, j.most_likely_cc - cc];
            let regular = simulate::survey(&truth, &panel, &fine, seed + 2000);
            assert_eq!(regular.placings.len(), 24);
            let (_, j1) = found(&panel, &regular);
            let mut row = vec![[cc, cc], error(&j0), error(&j1)];
            for _ in &crits {
                let mut survey = start.clone();
                let (mut surface, mut j) = (surface0.clone(), j0.clone());
                let mut rng = simulate::survey_rng(seed + 3000);
                for count in rounds.iter() {
                    let set = next::tooling(&panel, &survey, None, None, None).unwrap();
                    assert_eq!((set.tool, set.length, set.step), (Tool::Straightedge, 600.0, 50.0));
                    let basis = next::Basis { panel: &panel, survey: &survey, surface: &surface, judgement: &j, units: Units::Metric };
                    let plan = next::further(&basis, set, *count, next::MOST_PLACES).unwrap();
                    if seed == from {
                        for s in &plan.suggestions {
                            println!("{} {} {}", s.name, s.place(Units::Metric), s.buys);
                        }
                    }
                    for s in &plan.suggestions {
                                                let stretch = { let [a, b] = s.placing.ends(); Stretch::between(a, b) };
                        survey.placings.extend(simulate::place(
                            &|x, y| truth.height(x, y), &panel, &coarse, &s.name, stretch, &mut rng,
                        ));
                    }
                    simulate::number(&mut survey);
                    (surface, j) = found(&panel, &survey);
                }
                row.push(error(&j));
            }
            row
        })
        .collect();
    let names: Vec<&str> = ["truth", "start", "regular"].into_iter().chain(crits).collect();
    for (c, name) in names.iter().enumerate() {
        let rms = |k: usize| (rows.iter().map(|r| r[c][k].powi(2)).sum::<f64>() / rows.len() as f64).sqrt();
        let base = |k: usize| (rows.iter().map(|r| r[2][k].powi(2)).sum::<f64>() / rows.len() as f64).sqrt();
        let mean = |k: usize| rows.iter().map(|r| r[c][k]).sum::<f64>() / rows.len() as f64;
        println!(
            "{name:8} to_level rms {:6.2} ({:.2}) mean {:6.2} | likely rms {:6.2} ({:.2}) mean {:6.2}",
            rms(0), rms(0) / base(0), mean(0), rms(1), rms(1) / base(1), mean(1)
        );
    }
    for r in &rows {
        println!("{}", r.iter().map(|v| format!("{:6.1}", v[0])).collect::<Vec<_>>().join(" "));
    }
}
