//! The straightedge's own error: found when it is there, not found when it is not, and what taking it out is worth. Every panel
//! and survey here is simulated (tests/support/simulate.rs).

use crate::support::simulate::{self, EdgeError, Kind, SurveyPlan, Truth};
use lowspot::fit::edge_shape::State;
use lowspot::fit::{self, Surface, least_squares};
use lowspot::observe::Survey;
use lowspot::panel::Panel;
use ndarray::{Array1, Array2};
use rayon::prelude::*;

/// Rms error of the surface, plane, constant curvature and twist removed, mm.
fn rms(panel: &Panel, truth: &Truth, surface: &Surface) -> f64 {
    let (nx, ny) = ((panel.length_mm / 25.0) as usize, (panel.width_mm / 25.0) as usize);
    let places: Vec<[f64; 2]> = (0..=nx)
        .flat_map(|i| (0..=ny).map(move |j| [i as f64 * 25.0, j as f64 * 25.0]))
        .collect();
    let error: Vec<f64> = places
        .iter()
        .map(|&[x, y]| surface.basis.value(&surface.coefficients, x, y, 0, 0) - truth.height(x, y))
        .collect();
    let terms = Array2::from_shape_fn((places.len(), 6), |(k, t)| {
        let (u, v) = (places[k][0] / panel.length_mm - 0.5, places[k][1] / panel.width_mm - 0.5);
        [1.0, u, v, u * u, u * v, v * v][t]
    });
    let fitted = terms.dot(&Array1::from(least_squares::solve(&terms, &error).unwrap().coef));
    let square = error.iter().zip(fitted).map(|(e, f)| (e - f).powi(2)).sum::<f64>();
    (square / places.len() as f64).sqrt()
}

/// The survey with the edge's length not told, so that its shape is not asked for.
fn length_not_told(survey: &Survey) -> Survey {
    let mut other = survey.clone();
    other.placings.iter_mut().for_each(|p| p.base_mm = 0.0);
    other
}

#[test]
#[ignore]
fn scratch_edges() {
    let n: u64 = std::env::var("SEEDS").map_or(2, |s| s.parse().unwrap());
    let from: u64 = std::env::var("FROM").map_or(601, |s| s.parse().unwrap());
    let hour = |seed| {
        let r = simulate::Recipe { length_mm: 1200.0, width_mm: 900.0, ..simulate::Recipe::of(Kind::ALL[seed as usize % 3]) };
        (simulate::panel_sized(r.kind, 1200.0, 900.0), r)
    };
    for (name, edge) in [("straight", EdgeError::None), ("kink .2 at .4", EdgeError::Kink(0.4, 0.2)), ("kink .1 at .5", EdgeError::Kink(0.5, 0.1)), ("wave .1", EdgeError::Wave(0.1, 1.5)), ("wave .05x2", EdgeError::Wave(0.05, 2.0))] {
        for (what, spacing) in [("each 100", 100.0), ("each 200", 200.0), ("hour", 200.0)] {
            for amplitude in [1.0, 0.02] {
                let mut rows: Vec<(f64, f64, State, f64, f64, f64)> = (0..3 * n).into_par_iter().map(|k| {
                    let seed = from + k / 3;
                    let kind = Kind::ALL[(k % 3) as usize];
                    let (panel, truth) = if what == "hour" {
                        let (panel, r) = hour(k);
                        (panel, simulate::Recipe { amplitude, ..r }.make(seed))
                    } else { (simulate::panel(kind), simulate::truth(kind, seed, amplitude)) };
                    let plan = SurveyPlan::straightedge(spacing).with_edge(edge);
                    let survey = simulate::survey(&truth, &panel, &plan, seed);
                    let with = fit::fit(&panel, &survey).unwrap();
                    let without = fit::fit(&panel, &length_not_told(&survey)).unwrap();
                    let e = &with.edges[0];
                    let w = e.worst().unwrap();
                    let sd = e.profile.iter().fold(0.0f64, |m, p| m.max(p[2]));
                    (rms(&panel, &truth, &with), rms(&panel, &truth, &without), e.state, w[1], w[0], sd)
                }).collect();
                rows.sort_by(|a, b| a.0.total_cmp(&b.0));
                let mid = |f: &dyn Fn(&(f64, f64, State, f64, f64, f64)) -> f64| { let mut v: Vec<f64> = rows.iter().map(f).collect(); v.sort_by(f64::total_cmp); v[v.len() / 2] };
                println!("EDGE {name}, {what}, amplitude {amplitude}: rms with {:.4} (max {:.4}), without {:.4}; shaped {}/{} not told {}; worst {:.3} at {:.0}; max sd {:.4}",
                    mid(&|r| r.0), rows.last().unwrap().0, mid(&|r| r.1),
                    rows.iter().filter(|r| r.2 == State::Shaped).count(), rows.len(),
                    rows.iter().filter(|r| r.2 == State::NotTold).count(),
                    mid(&|r| r.3.abs()), mid(&|r| r.4), mid(&|r| r.5));
            }
        }
    }
}

/// Placings all along x, each from x 0, on a panel as long as the edge: whatever the edge does lies along x like a wave of the panel.
fn one_way(edge: EdgeError, seed: u64, turned: usize) -> (Panel, Truth, Survey) {
    let recipe = simulate::Recipe {
        length_mm: 600.0,
        width_mm: 1200.0,
        lows: 2,
        highs: 0,
        ..simulate::Recipe::of(Kind::Flat)
    };
    let (panel, truth) = (simulate::panel_sized(Kind::Flat, 600.0, 1200.0), recipe.make(seed));
    let plan = SurveyPlan::straightedge(100.0).with_edge(edge).along(simulate::Directions::AlongX);
    let mut survey = simulate::survey(&truth, &panel, &plan, seed);
    let again = SurveyPlan { edge_turned: true, ..plan };
    let mut rng = simulate::survey_rng(seed + 5);
    let stretches = simulate::stretches(&panel, &again);
    for (name, stretch) in stretches.into_iter().take(turned) {
        let height = |x: f64, y: f64| truth.height(x, y);
        let placing = simulate::place(&height, &panel, &again, &name, stretch, &mut rng);
        survey.placings.extend(placing.map(|p| lowspot::observe::Placing { turned: true, ..p }));
    }
    (panel, truth, survey)
}

#[test]
#[ignore]
fn scratch_turned() {
    for edge in [EdgeError::None, EdgeError::Wave(0.1, 1.5), EdgeError::Wave(0.1, 1.0)] {
        for turned in [0, 1, 2, 4] {
            for seed in 1..3 {
                let (panel, truth, survey) = one_way(edge, seed, turned);
                let s = fit::fit(&panel, &survey).unwrap();
                let without = fit::fit(&panel, &length_not_told(&survey)).unwrap();
                let e = &s.edges[0];
                let sd = e.profile.iter().fold(0.0f64, |m, p| m.max(p[2]));
                println!("TURNED {edge:?} {turned} turned, seed {seed}: {:?} worst {:?} max sd {sd:.4} rms {:.4} without {:.4} left out {}", e.state, e.worst().unwrap(), rms(&panel, &truth, &s), rms(&panel, &truth, &without), s.left_out.len());
            }
        }
    }
}
