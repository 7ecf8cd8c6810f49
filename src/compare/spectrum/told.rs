//! Waves that passed, as they are told: pitch, direction and depth with their intervals, two at
//! right angles as one lattice.

use super::super::causes;
use super::super::difference::HALF;
use super::search::SQUARE_DEG;
use super::{Across, Repeat, Wave, angle};
use crate::judge::Interval;

/// A gap is never read below 0, so noise flattens crests that touch the edge: a depth may be larger
/// than found by this many standard deviations of a reading. Worked out on simulated prints: 0.4 to
/// 0.65 of the noise.
const FLATTENED: f64 = 0.7;

impl Wave {
    fn size(&self) -> f64 {
        self.amplitude[0].hypot(self.amplitude[1])
    }

    /// Variance of its amplitude, mm².
    fn variance(&self) -> f64 {
        self.around / self.weight.max(1e-30)
    }

    fn pitch(&self) -> Interval {
        let f = self.f[0].hypot(self.f[1]);
        let off = (HALF * self.f_sd).min(0.5 * f);
        Interval {
            value: 1.0 / f,
            low: 1.0 / (f + off),
            high: 1.0 / (f - off),
        }
    }
}

/// Waves into pitches; two at right angles are one lattice. `gap_noise_mm`: noise of readings that
/// are gaps, 0 where they are none.
pub fn paired(waves: Vec<Wave>, supports: Option<&str>, gap_noise_mm: f64) -> Vec<Repeat> {
    let mut left = waves;
    let mut found = Vec::new();
    while !left.is_empty() {
        let first = left.remove(0);
        let square = |w: &Wave| {
            let turn = (angle(w.f) - angle(first.f)).abs();
            (turn - 90.0).abs() < SQUARE_DEG && w.size() > 0.3 * first.size()
        };
        let second = left.iter().position(square).map(|k| left.remove(k));
        let pair = (&first, second.as_ref());
        found.push(repeat(pair, supports, FLATTENED * gap_noise_mm));
    }
    found
}

fn repeat((first, second): (&Wave, Option<&Wave>), supports: Option<&str>, more: f64) -> Repeat {
    let size: f64 = first.size() + second.map_or(0.0, Wave::size);
    let sd = (first.variance() + second.map_or(0.0, Wave::variance)).sqrt();
    let pitch_mm = first.pitch();
    Repeat {
        pitch_mm,
        direction_deg: angle(first.f),
        across: second.map(|w| Across {
            pitch_mm: w.pitch(),
            direction_deg: angle(w.f),
        }),
        depth_mm: Interval {
            value: 2.0 * size,
            low: (2.0 * (size - HALF * sd)).max(0.0),
            high: 2.0 * (size + HALF * sd) + more,
        },
        strongest_mm: first.strongest,
        chance: first.chance.max(second.map_or(0.0, |w| w.chance)),
        looks_like: causes::looks_like(pitch_mm.value, supports),
    }
}
