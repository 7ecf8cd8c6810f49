//! A pitch that repeats under the readings: what is told of it. It is looked for by `compare`.

use super::{Interval, Judgement};
use serde::Serialize;

/// A pitch that repeats.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Repeat {
    /// From crest to crest, mm, with its 95 % interval.
    pub pitch_mm: Interval,
    /// Direction in which it repeats (across the crests), degrees from x towards y, −90 to 90.
    pub direction_deg: f64,
    /// The second pitch and direction of a lattice; `None` for one direction.
    pub across: Option<Across>,
    /// Crest to trough, mm, with its 95 % interval; of a lattice both directions together. In a
    /// difference: of what came or went.
    pub depth_mm: Interval,
    /// Where it is strongest: x from, y from, x to, y to, mm; `None` where it is much the same
    /// everywhere.
    pub strongest_mm: Option<[f64; 4]>,
    /// How often chance alone would show one so clear, over all wave vectors looked at.
    pub chance: f64,
    /// "ribs or stringers", to be read after "looks like"; empty where nothing usual has that
    /// pitch.
    pub looks_like: String,
}

/// The second direction of a lattice.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Across {
    /// From crest to crest, mm.
    pub pitch_mm: Interval,
    /// Direction, degrees from x towards y.
    pub direction_deg: f64,
}

/// What was looked for, and what repeats.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Repeats {
    /// Pitches looked for: shortest and longest, mm; `None` where the readings do not carry a
    /// search.
    pub looked_for_mm: Option<[f64; 2]>,
    /// What was found, the deepest first.
    pub found: Vec<Repeat>,
}

impl Judgement {
    /// With what repeats in the readings.
    #[must_use]
    pub fn with_repeats(self, repeats: Repeats) -> Self {
        Judgement {
            repeats: Some(repeats),
            ..self
        }
    }
}
