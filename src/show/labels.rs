//! Where texts go on the map, so that none lies on another.
//!
//! First come the regions' names, worst first, each beside its worst spot; then numbers along
//! iso-lines, turned with the line where it runs straight enough; each place is taken once.

use super::palette::{self, Rgb};
use super::scene::{Anchor, Label};
use super::text;
use crate::problem::Error;

type Box4 = [f64; 4];

/// A name placed, and the line back to its spot where it had to move away.
pub type Named = (Label, Option<[[f64; 2]; 2]>);

/// Places already taken, and the area texts must stay in (px: left, top, right, bottom).
pub struct Placer {
    within: Box4,
    taken: Vec<Box4>,
}

fn overlap(a: &Box4, b: &Box4) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

impl Placer {
    /// Nothing taken yet.
    pub fn new(within: Box4) -> Self {
        Placer {
            within,
            taken: Vec::new(),
        }
    }

    /// Marks a box as taken.
    pub fn take(&mut self, area: Box4) {
        self.taken.push(area);
    }

    /// Whether a box lies inside and touches nothing.
    pub fn free(&self, area: &Box4) -> bool {
        area[0] >= self.within[0]
            && area[1] >= self.within[1]
            && area[2] <= self.within[2]
            && area[3] <= self.within[3]
            && !self.taken.iter().any(|t| overlap(t, area))
    }

    /// A name near a spot: above it, below, beside, then farther out; `None` when all is taken.
    /// Returns the label and, where it had to move away, the line back to the spot.
    pub fn beside(
        &mut self,
        spot: [f64; 2],
        words: &str,
        size: f64,
        colour: Rgb,
    ) -> Result<Option<Named>, Error> {
        let half = text::width(words, size)? / 2.0;
        let (side, rise) = (half + 0.45 * size, 0.85 * size);
        let near = [
            [0.0, -rise],
            [0.0, rise],
            [side, 0.0],
            [-side, 0.0],
            [side, -rise],
            [-side, -rise],
            [side, rise],
            [-side, rise],
        ];
        let far = (1..7).flat_map(|n| {
            let r = rise + n as f64 * 1.03 * size;
            [-0.9, 0.9, 0.0, -0.45, 0.45]
                .into_iter()
                .flat_map(move |a: f64| {
                    let dx = a * half;
                    [[dx, -r], [dx, r]]
                })
                .chain([
                    [half + r, -r / 2.0],
                    [-half - r, -r / 2.0],
                    [half + r, r / 2.0],
                    [-half - r, r / 2.0],
                ])
        });
        for (n, offset) in near.into_iter().chain(far).enumerate() {
            let inside = |low: f64, high: f64, v: f64| v.max(low).min(high.max(low));
            let at = [
                inside(
                    self.within[0] + half,
                    self.within[2] - half,
                    spot[0] + offset[0],
                ),
                inside(
                    self.within[1] + size / 2.0,
                    self.within[3] - size / 2.0,
                    spot[1] + offset[1],
                ),
            ];
            let area = [
                at[0] - half - 2.0,
                at[1] - size / 2.0,
                at[0] + half + 2.0,
                at[1] + size / 2.0,
            ];
            let covers_spot = overlap(
                &area,
                &[spot[0] - 3.0, spot[1] - 3.0, spot[0] + 3.0, spot[1] + 3.0],
            );
            if covers_spot || !self.free(&area) {
                continue;
            }
            self.take(area);
            let back = (n >= 8).then(|| {
                let end = [
                    spot[0].clamp(area[0], area[2]),
                    spot[1].clamp(area[1], area[3]),
                ];
                [end, spot]
            });
            return Ok(Some((upright(at, words, size, colour), back)));
        }
        Ok(None)
    }

    /// Numbers along a line: one each `every` px at most, where it runs straightest; none on a line
    /// too short for it.
    pub fn along(
        &mut self,
        points: &[[f64; 2]],
        words: &str,
        size: f64,
        every: f64,
    ) -> Result<Vec<Label>, Error> {
        let need = text::width(words, size)? + 0.5 * size;
        let mut reach = vec![0.0];
        for pair in points.windows(2) {
            let last = reach.last().copied().unwrap_or(0.0);
            reach.push(last + (pair[1][0] - pair[0][0]).hypot(pair[1][1] - pair[0][1]));
        }
        let total = reach.last().copied().unwrap_or(0.0);
        if !total.is_finite() || total < 2.2 * need {
            return Ok(Vec::new());
        }
        let place = |s: f64| -> [f64; 2] {
            let i = reach
                .partition_point(|r| *r <= s)
                .clamp(1, points.len() - 1);
            let (from, to) = (points[i - 1], points[i]);
            let span = reach[i] - reach[i - 1];
            let t = if span > 0.0 {
                (s - reach[i - 1]) / span
            } else {
                0.0
            };
            [
                from[0] + t * (to[0] - from[0]),
                from[1] + t * (to[1] - from[1]),
            ]
        };
        let stretches = ((total / every).round() as usize).clamp(1, 40);
        let mut labels = Vec::new();
        for n in 0..stretches {
            let (from, to) = (
                total * n as f64 / stretches as f64,
                total * (n + 1) as f64 / stretches as f64,
            );
            let tries = ((to - from) / (0.5 * size)) as usize;
            let mut best: Option<(f64, [f64; 2], f64)> = None;
            for k in 0..=tries {
                let s = from + need / 2.0 + k as f64 * 0.5 * size;
                if s + need / 2.0 > to {
                    break;
                }
                let (a, middle, b) = (place(s - need / 2.0), place(s), place(s + need / 2.0));
                let chord = [b[0] - a[0], b[1] - a[1]];
                let length = chord[0].hypot(chord[1]);
                let straight = length / need;
                let off = ((middle[0] - a[0]) * chord[1] - (middle[1] - a[1]) * chord[0]).abs()
                    / length.max(1e-9);
                let at = [middle[0], middle[1]];
                if straight > 0.96
                    && off < 0.18 * size
                    && best.is_none_or(|(most, ..)| straight > most)
                    && self.free_along(at, chord, need, size)
                {
                    best = Some((straight, at, chord[1].atan2(chord[0]).to_degrees()));
                }
            }
            if let Some((_, at, angle)) = best {
                // Never upside down; nearly upright ones all read upward.
                let readable = if angle > 80.0 {
                    angle - 180.0
                } else if angle <= -100.0 {
                    angle + 180.0
                } else {
                    angle
                };
                let turn = [angle.to_radians().cos(), angle.to_radians().sin()];
                for area in boxes_along(at, turn, need, size) {
                    self.take(area);
                }
                labels.push(Label {
                    angle: readable,
                    ..upright(at, words, size, palette::INK)
                });
            }
        }
        Ok(labels)
    }

    fn free_along(&self, at: [f64; 2], chord: [f64; 2], need: f64, size: f64) -> bool {
        let length = chord[0].hypot(chord[1]).max(1e-9);
        boxes_along(at, [chord[0] / length, chord[1] / length], need, size)
            .iter()
            .all(|area| self.free(area))
    }
}

/// Squares along a turned text that together cover it.
fn boxes_along(at: [f64; 2], turn: [f64; 2], length: f64, size: f64) -> Vec<Box4> {
    let half = 0.55 * size;
    let n = (length / size).ceil().max(1.0) as usize;
    (0..=n)
        .map(|k| {
            let s = (k as f64 / n as f64 - 0.5) * (length - size).max(0.0);
            let (x, y) = (at[0] + s * turn[0], at[1] + s * turn[1]);
            [x - half, y - half, x + half, y + half]
        })
        .collect()
}

fn upright(at: [f64; 2], words: &str, size: f64, colour: Rgb) -> Label {
    Label {
        at,
        text: words.to_string(),
        size,
        angle: 0.0,
        anchor: Anchor::Middle,
        colour,
        halo: (size / 9.0).max(2.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_names_at_one_spot_do_not_touch() {
        let mut placer = Placer::new([0.0, 0.0, 800.0, 600.0]);
        let mut areas: Vec<Box4> = Vec::new();
        for n in 0..12 {
            let name = format!("L{n} −0.62");
            let (label, _) = placer
                .beside([400.0, 300.0], &name, 30.0, palette::INK)
                .expect("measured")
                .expect("room for a dozen");
            let half = text::width(&name, 30.0).expect("measured") / 2.0;
            let area = [
                label.at[0] - half,
                label.at[1] - 15.0,
                label.at[0] + half,
                label.at[1] + 15.0,
            ];
            assert!(
                !areas.iter().any(|a| overlap(a, &area)),
                "{name} lies on another"
            );
            areas.push(area);
        }
    }

    #[test]
    fn a_number_lies_along_its_line_and_reads_from_below() {
        let mut placer = Placer::new([0.0, 0.0, 800.0, 600.0]);
        let line: Vec<[f64; 2]> = (0..60)
            .map(|i| [600.0 - 5.0 * i as f64, 500.0 - 5.0 * i as f64])
            .collect();
        let labels = placer.along(&line, "0.30", 20.0, 2000.0).expect("measured");
        assert_eq!(labels.len(), 1);
        assert!((labels[0].angle - 45.0).abs() < 1e-6, "{}", labels[0].angle);
    }

    #[test]
    fn a_short_line_gets_no_number() {
        let mut placer = Placer::new([0.0, 0.0, 800.0, 600.0]);
        let labels = placer.along(&[[10.0, 50.0], [40.0, 50.0]], "0.30", 20.0, 500.0);
        assert!(labels.expect("measured").is_empty());
    }
}
