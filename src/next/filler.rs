//! How surely the filler is known, in closed form, so that it can be told for placings not taken
//! yet.
//!
//! Filler is F = Σ aᵢ·φ(dᵢ), φ(d) = −d where d < −t and 0 elsewhere, a the area of a place. With dᵢ
//! normal of mean mᵢ and variance Kᵢᵢ, the Hermite expansion of F gives Var F =
//! gᵀKg + ½ Σ hᵢhⱼKᵢⱼ² + …, gᵢ = aᵢ·E[φ′(dᵢ)], hᵢ = aᵢ·E[φ″(dᵢ)] (Mehler 1866; from memory). The
//! first term counts lows that are known to be there, the second those that may be. The reference
//! is taken to follow quadratics and nothing else.

use super::gain::Knowledge;
use super::ground::Ground;
use ndarray::Array1;

/// Where a low begins to be filled, mm: between the 0.05 mm at which its edge is drawn and the 0.15
/// mm that makes it one.
const FROM_MM: f64 = 0.1;
/// Least standard deviation, mm, that of the map.
const FLOOR_MM: f64 = 0.015;

/// First and second derivatives of the expected filler by the deviation at each lattice place:
/// cc/mm, cc/mm².
pub struct Filler {
    first: Array1<f64>,
    second: Array1<f64>,
}

impl Filler {
    /// For the deviations found, with what is known of them now; nothing is filled where `may_fill`
    /// is false.
    pub fn new(
        ground: &Ground,
        known: &Knowledge,
        found_mm: &[f64],
        may_fill: &dyn Fn([f64; 2]) -> bool,
    ) -> Self {
        let n = ground.lattice;
        let (mut first, mut second) = (Array1::zeros(n), Array1::zeros(n));
        for k in 0..n {
            if !may_fill(ground.places[k]) {
                continue;
            }
            let s = known.sd(k).max(FLOOR_MM);
            let a = (-FROM_MM - found_mm[k]) / s;
            let density = (-a * a / 2.0).exp() / std::f64::consts::TAU.sqrt();
            // mm²·mm = mm³; 1000 mm³ are a cc.
            let area = ground.areas_mm2[k] / 1000.0;
            first[k] = -area * (below(a) + FROM_MM * density / s);
            second[k] = area * (density / s - FROM_MM * a * density / (s * s));
        }
        Filler { first, second }
    }

    /// Standard deviation of the filler, cc.
    pub fn sd_cc(&self, known: &Knowledge) -> f64 {
        let linear = self.first.dot(&known.deviation.dot(&self.first));
        let square = known.deviation.mapv(|k| k * k);
        let more = self.second.dot(&square.dot(&self.second)) / 2.0;
        (linear + more).max(0.0).sqrt()
    }
}

/// Normal distribution function (Abramowitz and Stegun 1964, 26.2.17; error below 7.5e-8; from
/// memory).
pub fn below(x: f64) -> f64 {
    const B: [f64; 5] = [
        0.319381530,
        -0.356563782,
        1.781477937,
        -1.821255978,
        1.330274429,
    ];
    let t = 1.0 / (1.0 + 0.2316419 * x.abs());
    let poly = t * B.iter().rev().fold(0.0, |sum, b| sum * t + b);
    let above = (-x * x / 2.0).exp() / std::f64::consts::TAU.sqrt() * poly;
    if x >= 0.0 { 1.0 - above } else { above }
}

#[cfg(test)]
mod tests {
    use super::below;

    #[test]
    fn the_normal_distribution_has_its_table_values() {
        // Φ(0) = ½, Φ(1.96) = 0.9750021, Φ(−1) = 0.1586553 (tables; from memory).
        for (x, p) in [(0.0, 0.5), (1.96, 0.975_002_1), (-1.0, 0.158_655_3)] {
            assert!((below(x) - p).abs() < 1e-6, "{x}: {}", below(x));
        }
    }
}
