//! A pitch that repeats, as it is kept with a survey's result.

use crate::judge::Interval;
use crate::judge::repeats::{Across, Repeat, Repeats};
use serde::{Deserialize, Serialize};

/// A pitch that repeats in the readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedRepeat {
    /// From crest to crest, mm: best value, lower and upper end of its 95 % interval.
    pub pitch_mm: [f64; 3],
    /// Direction across the crests, degrees from x towards y.
    pub direction_deg: f64,
    /// The second pitch of a lattice, likewise; `None` for one direction.
    pub across_mm: Option<[f64; 3]>,
    /// Its direction, degrees.
    pub across_deg: Option<f64>,
    /// Crest to trough, mm, likewise.
    pub depth_mm: [f64; 3],
    /// Where it is strongest: x from, y from, x to, y to, mm.
    pub strongest_mm: Option<[f64; 4]>,
    /// How often chance alone would show one so clear.
    pub chance: f64,
    /// What usually has that pitch; empty where nothing does.
    pub looks_like: String,
}

impl SavedRepeat {
    /// Those whose numbers JSON can hold.
    pub(super) fn all(repeats: &Repeats) -> Vec<SavedRepeat> {
        let found = repeats.found.iter();
        found.map(SavedRepeat::of).filter(Self::is_known).collect()
    }

    fn of(r: &Repeat) -> Self {
        SavedRepeat {
            pitch_mm: ends(r.pitch_mm),
            direction_deg: r.direction_deg,
            across_mm: r.across.map(|a| ends(a.pitch_mm)),
            across_deg: r.across.map(|a| a.direction_deg),
            depth_mm: ends(r.depth_mm),
            strongest_mm: r.strongest_mm,
            chance: r.chance,
            looks_like: r.looks_like.clone(),
        }
    }

    fn is_known(&self) -> bool {
        let numbers = [self.direction_deg, self.chance].into_iter();
        numbers
            .chain(self.pitch_mm)
            .chain(self.depth_mm)
            .chain(self.across_mm.into_iter().flatten())
            .chain(self.across_deg)
            .chain(self.strongest_mm.into_iter().flatten())
            .all(f64::is_finite)
    }

    /// As it was found.
    pub fn found(&self) -> Repeat {
        let across = self.across_mm.zip(self.across_deg);
        Repeat {
            pitch_mm: interval(self.pitch_mm),
            direction_deg: self.direction_deg,
            across: across.map(|(mm, direction_deg)| Across {
                pitch_mm: interval(mm),
                direction_deg,
            }),
            depth_mm: interval(self.depth_mm),
            strongest_mm: self.strongest_mm,
            chance: self.chance,
            looks_like: self.looks_like.clone(),
        }
    }
}

fn ends(i: Interval) -> [f64; 3] {
    [i.value, i.low, i.high]
}

fn interval([value, low, high]: [f64; 3]) -> Interval {
    Interval { value, low, high }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pitch_comes_back_as_it_was_kept() {
        let i = |value: f64| interval([value, 0.9 * value, 1.1 * value]);
        let mut repeat = Repeat {
            pitch_mm: i(40.1),
            direction_deg: -12.5,
            across: None,
            depth_mm: i(0.06),
            strongest_mm: Some([0.0, 10.0, 200.0, 300.0]),
            chance: 1e-4,
            looks_like: "squares of a core".into(),
        };
        for across in [None, Some(12.0)] {
            repeat.across = across.map(|direction_deg| Across {
                pitch_mm: i(38.0),
                direction_deg,
            });
            let text = serde_json::to_string(&SavedRepeat::of(&repeat)).unwrap();
            let read: SavedRepeat = serde_json::from_str(&text).unwrap();
            assert_eq!(read.found(), repeat);
        }
    }
}
