//! What tests compare a found surface by: a workbench, values at its nodes, the best quadratic
//! taken out, the volume of lows.

use lowspot::fit::{self, Surface};
use lowspot::judge::{self, Grid, Judgement, regions};
use lowspot::observe::Survey;
use lowspot::panel::Panel;
use lowspot::reference::{Kind as Reference, Workbench};
use lowspot::units::Units;
use ndarray::Array2;

/// A workbench with nodes so far apart.
pub fn workbench(panel: &Panel, step_mm: f64) -> Workbench {
    Workbench::new(panel, step_mm, &|nx, ny| {
        judge::volume::node_weights_mm2(&Grid { step_mm, nx, ny }, panel)
            .into_raw_vec_and_offset()
            .0
    })
    .unwrap()
}

/// Values at the workbench's nodes, iy·nx + ix.
pub fn at_nodes(bench: &Workbench, f: impl Fn(f64, f64) -> f64) -> Vec<f64> {
    bench
        .ys
        .iter()
        .flat_map(|&y| bench.xs.iter().map(move |&x| (x, y)))
        .map(|(x, y)| f(x, y))
        .collect()
}

/// Less the best quadratic (six terms), by the program's own least squares, which is checked
/// against certified data.
pub fn less_quadratic(bench: &Workbench, values: &[f64]) -> Vec<f64> {
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

/// Volume of the lows, cc, by the rule of the docs, of a deviation known exactly.
pub fn to_level(bench: &Workbench, deviation: &[f64]) -> f64 {
    let (nx, ny) = (bench.xs.len(), bench.ys.len());
    let depth = Array2::from_shape_fn((ny, nx), |(iy, ix)| -deviation[iy * nx + ix]);
    let (labels, _) = regions::label(&depth, &|_, _| 0.0, 0.15);
    labels
        .iter()
        .zip(&depth)
        .zip(&bench.areas_mm2)
        .filter(|((l, _), _)| **l > 0)
        .map(|((_, d), a)| d * a / 1000.0)
        .sum()
}

/// A survey found and judged against the skin.
pub fn found_and_judged(panel: &Panel, survey: &Survey) -> (Surface, Judgement) {
    let surface = fit::fit(panel, survey).unwrap();
    let j = judged_by_skin(panel, survey, &surface);
    (surface, j)
}

/// A found surface judged against the skin.
pub fn judged_by_skin(panel: &Panel, survey: &Survey, surface: &Surface) -> Judgement {
    let options = judge::Options {
        reference: Reference::Skin,
        units: Units::Metric,
        priced: judge::PRICED,
    };
    judge::judge(panel, survey, surface, options, Vec::new()).unwrap()
}
