//! How close the found surface comes to a known truth, on simulated panels.

use crate::support::simulate::{self, Kind, SurveyPlan, Truth};
use lowspot::fit::{self, Surface};
use lowspot::judge::{cloud, filler, regions};
use lowspot::panel::Panel;
use lowspot::reference::{Kind as Reference, Workbench};
use ndarray::Array2;

/// What one simulated survey came to.
#[derive(Clone, Copy, Debug)]
pub struct Outcome {
    /// rms error of the deviation, quadratics removed, mm.
    pub rms: f64,
    /// Mean and sd of the draws' filler over the truth; (truth - mean)/sd.
    pub draws: f64,
    pub draws_sd: f64,
    pub z: f64,
    /// Filler on the found surface over filler on the true one, under the reference of the found one.
    pub same: f64,
    /// Filler found over filler of the true surface under its own reference.
    pub own: f64,
    /// Filler of the truth, cc.
    pub true_cc: f64,
    /// Overlap of areas low by more than 0.15 mm.
    pub overlap: f64,
    /// Share of nodes whose 95 % interval holds the truth.
    pub held: f64,
}

/// Nodes of the comparison: the reference's own workbench.
pub fn heights(bench: &Workbench, f: impl Fn(f64, f64) -> f64) -> Vec<f64> {
    bench
        .ys
        .iter()
        .flat_map(|&y| bench.xs.iter().map(move |&x| (x, y)))
        .map(|(x, y)| f(x, y))
        .collect()
}

/// Remove the best quadratic (six terms) from node values.
pub fn less_quadratic(bench: &Workbench, values: &[f64]) -> Vec<f64> {
    let (nx, ny) = (bench.xs.len(), bench.ys.len());
    let (l, w) = (bench.xs[nx - 1], bench.ys[ny - 1]);
    let terms = |k: usize| {
        let (u, v) = (bench.xs[k % nx] / l - 0.5, bench.ys[k / nx] / w - 0.5);
        [1.0, u, v, u * u, u * v, v * v]
    };
    let mut a = nalgebra_free_normal(values.len(), &terms, values);
    let c = solve6(&mut a);
    values
        .iter()
        .enumerate()
        .map(|(k, z)| z - terms(k).iter().zip(&c).map(|(t, c)| t * c).sum::<f64>())
        .collect()
}

fn nalgebra_free_normal(n: usize, terms: &dyn Fn(usize) -> [f64; 6], z: &[f64]) -> [[f64; 7]; 6] {
    let mut a = [[0.0; 7]; 6];
    for k in 0..n {
        let t = terms(k);
        for i in 0..6 {
            for j in 0..6 {
                a[i][j] += t[i] * t[j];
            }
            a[i][6] += t[i] * z[k];
        }
    }
    a
}

fn solve6(a: &mut [[f64; 7]; 6]) -> [f64; 6] {
    for i in 0..6 {
        let p = a[i][i];
        for j in i..7 {
            a[i][j] /= p;
        }
        for r in 0..6 {
            if r != i {
                let f = a[r][i];
                for j in i..7 {
                    a[r][j] -= f * a[i][j];
                }
            }
        }
    }
    std::array::from_fn(|i| a[i][6])
}

/// Volume of the lows (cc) of a deviation on the workbench's nodes by the region rule, and their mask.
pub fn to_level(bench: &Workbench, deviation: &[f64]) -> f64 {
    let (nx, ny) = (bench.xs.len(), bench.ys.len());
    let depth = Array2::from_shape_fn((ny, nx), |(iy, ix)| -deviation[iy * nx + ix]);
    let (labels, _) = regions::label(&depth, &|_, _| 0.0, 0.15);
    let cell = (bench.xs[1] - bench.xs[0]) * (bench.ys[1] - bench.ys[0]);
    labels
        .iter()
        .zip(&depth)
        .filter(|(l, _)| **l > 0)
        .map(|(_, d)| d * cell / 1000.0)
        .sum()
}

pub fn workbench(panel: &Panel, step: f64) -> Workbench {
    Workbench::new(panel, step, &|nx, ny| {
        let grid = lowspot::judge::Grid {
            step_mm: step,
            nx,
            ny,
        };
        lowspot::judge::volume::node_weights_mm2(&grid, panel)
            .into_raw_vec_and_offset()
            .0
    })
    .unwrap()
}

pub fn measure(panel: &Panel, truth: &Truth, surface: &Surface) -> Outcome {
    let bench = workbench(panel, 20.0);
    let coarse = workbench(panel, 40.0);
    let t = heights(&bench, |x, y| truth.height(x, y));
    let z = heights(&bench, |x, y| {
        surface.basis.value(&surface.coefficients, x, y, 0, 0)
    });
    let error: Vec<f64> = z.iter().zip(&t).map(|(a, b)| a - b).collect();
    let left = less_quadratic(&bench, &error);
    let rms = (left.iter().map(|e| e * e).sum::<f64>() / left.len() as f64).sqrt();
    let deviation = |h: &[f64]| -> Vec<f64> {
        let c = bench
            .reference(Reference::BestFit, h, &bench.allowance)
            .unwrap();
        let r = heights(&bench, |x, y| bench.basis().value(&c, x, y, 0, 0));
        h.iter().zip(&r).map(|(a, b)| a - b).collect()
    };
    let found = deviation(&z);
    let truly = deviation(&t);
    // The truth under the found reference: found deviation less the error (quadratics are free).
    let under_found: Vec<f64> = found.iter().zip(&left).map(|(d, e)| d - e).collect();
    let (mut both, mut any) = (0.0, 0.0);
    for (a, b) in found.iter().zip(&truly) {
        both += f64::from(u8::from(*a < -0.15 && *b < -0.15));
        any += f64::from(u8::from(*a < -0.15 || *b < -0.15));
    }
    // Sd of the deviation from the draws, quadratics removed.
    let draws: Vec<Vec<f64>> = surface
        .draws
        .iter()
        .map(|d| {
            let values = heights(&bench, |x, y| surface.basis.value(d, x, y, 0, 0));
            let step: Vec<f64> = values.iter().zip(&z).map(|(a, b)| a - b).collect();
            less_quadratic(&bench, &step)
        })
        .collect();
    let held = (0..z.len())
        .filter(|&k| {
            let var = draws.iter().map(|d| d[k] * d[k]).sum::<f64>() / draws.len() as f64;
            left[k].abs() <= 1.96 * (var + 0.015 * 0.015).sqrt()
        })
        .count() as f64
        / z.len() as f64;
    let true_cc = to_level(&bench, &truly);
    let fill = filler::Fill::new(panel, &bench);
    let cloud = cloud::Cloud::new(surface, &bench);
    let coarse_cloud = cloud::Cloud::new(surface, &coarse);
    let drawn = filler::drawn(&fill, &cloud, &coarse, &coarse_cloud, Reference::BestFit).unwrap();
    let d: Vec<f64> = drawn.iter().map(|d| d.total_cc / true_cc).collect();
    let m = d.iter().sum::<f64>() / d.len() as f64;
    let sd = (d.iter().map(|v| (v - m) * (v - m)).sum::<f64>() / (d.len() - 1) as f64).sqrt();
    Outcome {
        draws: m,
        draws_sd: sd,
        z: (1.0 - m) / sd,
        rms,
        same: to_level(&bench, &found) / to_level(&bench, &under_found),
        own: to_level(&bench, &found) / true_cc,
        true_cc,
        overlap: if any > 0.0 { both / any } else { 1.0 },
        held,
    }
}

#[test]
fn explore() {
    let seeds = 12;
    for (kind, plan, name) in [
        (
            Kind::Crowned,
            SurveyPlan::straightedge(100.0),
            "crowned 100",
        ),
        (Kind::Flat, SurveyPlan::straightedge(100.0), "flat 100"),
        (Kind::Ruled, SurveyPlan::straightedge(100.0), "ruled 100"),
        (
            Kind::Crowned,
            SurveyPlan::straightedge(150.0),
            "crowned 150",
        ),
        (Kind::Flat, SurveyPlan::straightedge(150.0), "flat 150"),
        (Kind::Ruled, SurveyPlan::straightedge(150.0), "ruled 150"),
        (
            Kind::Crowned,
            SurveyPlan::straightedge(200.0),
            "crowned 200",
        ),
        (Kind::Flat, SurveyPlan::straightedge(200.0), "flat 200"),
        (Kind::Ruled, SurveyPlan::straightedge(200.0), "ruled 200"),
        (Kind::Crowned, SurveyPlan::pin_gauge(150.0), "crowned pin"),
        (Kind::Ruled, SurveyPlan::pin_gauge(150.0), "ruled pin"),
    ] {
        if let Ok(only) = std::env::var("ONLY") {
            if !name.contains(&only) {
                continue;
            }
        }
        let panel = simulate::panel(kind);
        let mut all = Vec::new();
        let begin = std::time::Instant::now();
        for seed in 1..=seeds {
            let truth = simulate::truth(kind, seed, 1.0);
            let survey = simulate::survey(&truth, &panel, &plan, seed + 1000);
            let surface = fit::fit(&panel, &survey).unwrap();
            let o = measure(&panel, &truth, &surface);
            if std::env::var("V").is_ok() {
                println!(
                    "{name} {seed} {o:.3?} range {:.0} amp {:.2} noise {:?} out {} {:?}",
                    surface.range_mm,
                    surface.amplitude_mm,
                    surface.noise_mm,
                    surface.left_out.len(),
                    surface.status
                );
            }
            all.push(o);
        }
        let stat = |f: &dyn Fn(&Outcome) -> f64| {
            let mut v: Vec<f64> = all.iter().map(f).collect();
            v.sort_by(f64::total_cmp);
            format!(
                "{:.3} [{:.3} {:.3}] mean {:.3}",
                v[v.len() / 2],
                v[0],
                v[v.len() - 1],
                v.iter().sum::<f64>() / v.len() as f64
            )
        };
        println!("{name}: rms {}", stat(&|o| o.rms));
        println!("   same {} own {}", stat(&|o| o.same), stat(&|o| o.own));
        println!(
            "   overlap {} held {}  {:.1} s",
            stat(&|o| o.overlap),
            stat(&|o| o.held),
            begin.elapsed().as_secs_f64()
        );
    }
}
