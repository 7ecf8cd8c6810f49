//! What repeats: waves that keep step over a panel, found in a survey's readings or in the
//! difference of two surveys.
//!
//! A least-squares periodogram over the plane of wave vectors (Lomb, Astrophys. Space Sci. 39,
//! 1976, and Scargle, Astrophys. J. 263, 1982, carried to two dimensions; from memory) on the
//! readings themselves, each placing's rest and a slow curve taken out (`series`). Real lows and
//! highs have a broad spectrum, red and not even in direction. So a wave is told of only where it
//! stands out in three ways, each by chance alone less often than [`CHANCE`] over all wave vectors
//! looked at:
//!
//! 1. against other directions of about the same wavelength (`stands_out`),
//! 2. against other wavelengths of the same direction (one seam has all wavelengths in one
//!    direction),
//! 3. by keeping step from placing to placing (one deep low does not; `step`).
//!
//! The power over the mean m of k independent neighbours is distributed as P(> r) = (1 + r/k)^−k
//! (the F distribution with 2 and 2k degrees of freedom); the share R of J amplitudes that keeps
//! step as P(> R) = (1 − R)^(J−1) (R. A. Fisher, Proc. R. Soc. A 125, 1929; from memory). How waves
//! are looked for: `search`. What is said of them: `told`.

mod search;
mod stands_out;
mod step;
mod told;

use super::series::{SLOW_MM, Series};
pub use crate::judge::repeats::{Across, Repeat, Repeats};
use crate::observe::Survey;
use search::Search;

/// By chance alone, over all wave vectors looked at.
pub const CHANCE: f64 = 2e-3;
/// Longest pitch looked for, mm; longer waves are taken out with the slow curve and stand on the
/// map as lows and highs.
pub const LONGEST_MM: f64 = SLOW_MM;

/// Pitches in a survey's own readings.
pub fn in_survey(survey: &Survey) -> Repeats {
    let Some(series) = Series::new(survey) else {
        return Repeats::default();
    };
    let supports = survey.conditions.supports.as_deref();
    Search::new(vec![series]).map_or_else(Repeats::default, |s| s.run(supports))
}

/// Pitches that came or went between two surveys.
pub fn in_difference(before: &Survey, after: &Survey) -> Repeats {
    let (Some(old), Some(new)) = (Series::new(before), Series::new(after)) else {
        return Repeats::default();
    };
    let supports = after.conditions.supports.as_deref();
    Search::new(vec![new, old]).map_or_else(Repeats::default, |s| s.run(supports))
}

/// Power of a wave vector (cycles per mm) in plain values at places, a constant taken out: the sum
/// of squares that the wave explains. For checks against other periodograms; the search itself uses
/// the same sums.
pub fn power(places: &[[f64; 2]], values: &[f64], wave: [f64; 2]) -> f64 {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    let (mut right, mut own, mut sum) = ([0.0; 2], [0.0; 3], [0.0; 2]);
    for (p, v) in places.iter().zip(values) {
        let (s, c) = (std::f64::consts::TAU * (wave[0] * p[0] + wave[1] * p[1])).sin_cos();
        right = [right[0] + c * (v - mean), right[1] + s * (v - mean)];
        own = [own[0] + c * c, own[1] + c * s, own[2] + s * s];
        sum = [sum[0] + c, sum[1] + s];
    }
    let own = [
        own[0] - sum[0] * sum[0] / n,
        own[1] - sum[0] * sum[1] / n,
        own[2] - sum[1] * sum[1] / n,
    ];
    explained(right, own).map_or(0.0, |e| e.power)
}

/// What a fit of cos and sin explains, and with which amplitudes.
#[derive(Clone, Copy, Debug)]
struct Explained {
    power: f64,
    amplitude: [f64; 2],
}

/// Solves the two normal equations; `None` where the readings do not see the wave.
fn explained(right: [f64; 2], own: [f64; 3]) -> Option<Explained> {
    let det = own[0] * own[2] - own[1] * own[1];
    let trace = own[0] + own[2];
    if det.is_nan() || det <= 1e-6 * trace * trace {
        return None;
    }
    let amplitude = [
        (own[2] * right[0] - own[1] * right[1]) / det,
        (own[0] * right[1] - own[1] * right[0]) / det,
    ];
    Some(Explained {
        power: amplitude[0] * right[0] + amplitude[1] * right[1],
        amplitude,
    })
}

/// One wave of the plane.
#[derive(Clone, Copy, Debug)]
struct Point {
    f: [f64; 2],
    power: f64,
    /// How much of it the readings could see.
    weight: f64,
    amplitude: [f64; 2],
}

/// A wave that passed.
#[derive(Clone, Debug)]
struct Wave {
    f: [f64; 2],
    amplitude: [f64; 2],
    /// Mean power of its surroundings.
    around: f64,
    weight: f64,
    /// Standard deviation of the frequency, per mm.
    f_sd: f64,
    chance: f64,
    strongest: Option<[f64; 4]>,
}

/// Direction of a wave vector, degrees, −90 to 90.
fn angle(f: [f64; 2]) -> f64 {
    let deg = f[1].atan2(f[0]).to_degrees();
    if deg > 90.0 {
        deg - 180.0
    } else if deg <= -90.0 {
        deg + 180.0
    } else {
        deg
    }
}
