//! Gaps near contact: a gap cannot be read below 0, so what is read there is a little too large on average.
//!
//! A true gap g ≥ 0 read with noise of standard deviation s and never written below 0 is on average g + b(g), with
//! b(g) = s·(φ(t) − t·(1 − Φ(t))), t = g/s (the mean of a normal value cut off at 0; Tobin, Econometrica 26, 1958): 0.4 s at
//! contact, nothing beyond 3 s. Contacts are the tips of highs, and a fair reference that may not be sanded into rides on them, so
//! hundredths there are whole cubic centimetres.

use super::system::System;
use crate::observe::Survey;

/// Take the mean excess out of the values of a system's rows. `gaps_mm` are what a solution makes of them, near enough to the true ones;
/// `rounding_mm` is the step that readings were rounded to, whose spread is no noise before the cut. `read` becomes what was read less
/// its excess, mm.
pub fn mend(
    system: &System,
    survey: &Survey,
    gaps_mm: &[f64],
    sigma_mm: f64,
    rounding_mm: f64,
    read: &mut [f64],
) {
    let rows = system.rows.iter().zip(&system.relative_sd);
    for (((row, relative), gap), read) in rows.zip(gaps_mm).zip(read) {
        if !survey.placings[row.placing].tool.reads_gaps() {
            continue;
        }
        let variance = (sigma_mm * relative).powi(2) - rounding_mm * rounding_mm / 12.0;
        *read = row.value - excess(*gap, variance.max(0.0).sqrt());
    }
}

/// b(g), mm; a gap that was found below 0 counts as 0.
fn excess(gap_mm: f64, sd_mm: f64) -> f64 {
    if sd_mm <= 0.0 {
        return 0.0;
    }
    let t = gap_mm.max(0.0) / sd_mm;
    let density = (-t * t / 2.0).exp() / std::f64::consts::TAU.sqrt();
    sd_mm * (density - t * upper_tail(t)).max(0.0)
}

/// 1 − Φ(t) for t ≥ 0, to 1e-7 (Abramowitz and Stegun 1964, formula 7.1.26).
fn upper_tail(t: f64) -> f64 {
    let x = t / std::f64::consts::SQRT_2;
    let k = 1.0 / (1.0 + 0.327_591_1 * x);
    let sum = [
        1.061_405_429,
        -1.453_152_027,
        1.421_413_741,
        -0.284_496_736,
        0.254_829_592,
    ]
    .iter()
    .fold(0.0, |sum, a| (sum + a) * k);
    0.5 * sum * (-x * x).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_excess_is_the_mean_of_a_value_cut_off_at_nothing() {
        // At contact φ(0) = 0.398942; at one sd φ(1) − (1 − Φ(1)) = 0.241971 − 0.158655 (tables, from memory); far off nothing.
        assert!((excess(0.0, 0.03) - 0.03 * 0.398_942).abs() < 1e-7);
        assert!((excess(0.03, 0.03) - 0.03 * 0.083_316).abs() < 1e-7);
        assert!(excess(0.3, 0.03) < 1e-9);
        assert_eq!(excess(-0.1, 0.03), excess(0.0, 0.03));
        assert_eq!(excess(0.1, 0.0), 0.0);
        // And by the midpoint rule over the noise.
        let (gap, sd) = (0.02, 0.05);
        let n = 200_000;
        let mean: f64 = (0..n)
            .map(|k| {
                let e = -8.0 + 16.0 * (f64::from(k) + 0.5) / f64::from(n);
                let density = (-e * e / 2.0).exp() / std::f64::consts::TAU.sqrt();
                (gap + sd * e).max(0.0) * density * 16.0 / f64::from(n)
            })
            .sum();
        assert!((mean - gap - excess(gap, sd)).abs() < 1e-8);
    }
}
