//! Where to measure next.

pub mod gain;
pub mod ground;

use crate::fit::{Surface, posterior};
use crate::judge::Judgement;
use crate::observe::{Survey, Tool};
use crate::panel::Panel;
use crate::problem::Error;
use gain::{Knowledge, Wanted};
use ground::{Ground, Spot};
use ndarray::Array1;

/// What is measured with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tooling {
    /// The tool.
    pub tool: Tool,
    /// Its length, for a wave gauge the distance between its feet, mm.
    pub length_mm: f64,
    /// Distance between readings, mm.
    pub step_mm: f64,
}

impl Tooling {
    /// Longest span of readings of one placing, mm: a wave gauge slides as far as the line goes.
    pub fn reach(&self) -> f64 {
        match self.tool {
            Tool::WaveGauge => f64::INFINITY,
            _ => self.length_mm,
        }
    }

    /// Room that the tool needs beyond its first and last reading, mm.
    pub fn margin(&self) -> f64 {
        match self.tool {
            Tool::WaveGauge => self.length_mm / 2.0,
            _ => 0.0,
        }
    }
}

/// Scratch.
pub fn scratch(
    panel: &Panel,
    survey: &Survey,
    surface: &Surface,
    j: &Judgement,
    tooling: &Tooling,
    count: usize,
    crit: &str,
) -> Result<Vec<(Spot, f64)>, Error> {
    let ground = Ground::new(panel, tooling);
    let heights = posterior::covariance(panel, survey, surface, &ground.places)?;
    let noise = surface.noise_mm.get(&tooling.tool).copied().unwrap_or(0.04);
    let mut known = Knowledge::new(&ground, heights, noise);
    let n = ground.lattice;
    let step = j.nodes.grid.step_mm;
    let mean: Vec<f64> = ground.places[..n]
        .iter()
        .map(|p| {
            let (ix, iy) = ((p[0] / step).round() as usize, (p[1] / step).round() as usize);
            let d = j.nodes.deviation[[iy.min(j.nodes.grid.ny - 1), ix.min(j.nodes.grid.nx - 1)]];
            if d.is_finite() { d } else { 0.0 }
        })
        .collect();
    let mut out = Vec::new();
    for _ in 0..count {
        let t = 0.1;
        let mut g = Array1::zeros(n);
        let mut h = Array1::zeros(n);
        for k in 0..n {
            let s = known.sd(k).max(0.015);
            let a = (-t - mean[k]) / s;
            let pdf = (-a * a / 2.0).exp() / (2.0 * std::f64::consts::PI).sqrt();
            let cdf = phi(a);
            g[k] = -(cdf + t * pdf / s) * ground.areas_mm2[k] / 1000.0;
            h[k] = (pdf / s - t * a * pdf / (s * s)) * ground.areas_mm2[k] / 1000.0;
        }
        let mut second = Array1::zeros(n);
        for i in 0..n {
            let mut sum = 0.0;
            for l in 0..n {
                sum += h[l] * known.deviation[[i, l]].powi(2);
            }
            second[i] = (h[i] * sum / known.deviation[[i, i]].max(1e-6)).max(0.0);
        }
        let (total1, total2) = (
            g.dot(&known.deviation.dot(&g)),
            second.iter().zip(0..).map(|(w, k)| w * known.deviation[[k, k]]).sum::<f64>() / 2.0,
        );
        let area = Array1::from_iter(ground.areas_mm2.iter().map(|a| a / 1000.0));
        let wanted = match crit {
            "area" => Wanted { amounts: vec![], places: area },
            "prob" => Wanted { amounts: vec![], places: g.mapv(f64::abs) },
            "prob2" => Wanted { amounts: vec![], places: Array1::from_iter((0..n).map(|k| g[k].abs() + 0.2 * area[k])) },
            "linear" => Wanted { amounts: vec![g], places: Array1::zeros(n) },
            "both" => Wanted { amounts: vec![g], places: second },
            _ => Wanted { amounts: vec![], places: second },
        };
        let Some((k, _, told)) = gain::best(&known, &ground.candidates, &wanted) else {
            break;
        };
        known.take(&told);
        out.push((ground.candidates[k].spot.clone(), (total1 + total2).sqrt()));
    }
    Ok(out)
}

/// Normal distribution function (Abramowitz and Stegun 1964, 26.2.17; error below 7.5e-8).
fn phi(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.2316419 * x.abs());
    let poly = t
        * (0.319381530
            + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))));
    let upper = (-x * x / 2.0).exp() / (2.0 * std::f64::consts::PI).sqrt() * poly;
    if x >= 0.0 { 1.0 - upper } else { upper }
}
