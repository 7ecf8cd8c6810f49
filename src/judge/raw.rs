//! What the readings say by themselves: gaps between readings of one placing, whatever was found of
//! the surface.

use super::{NodeState, Nodes};
use crate::fit::edge_shape::State;
use crate::fit::{Surface, plain_noise};
use crate::observe::{Survey, Tool};
use crate::panel::{Limit, Quantity};
use crate::units::Units;
use ndarray::Array2;

/// A reading and two others of its placing make a gap of about this many times a reading's noise by
/// chance alone: 1, ½ and ½ of three readings, squared and summed.
const OF_THREE: f64 = 1.225;
/// One of a thousand readings is so many standard deviations out.
const FAR_OUT: f64 = 3.1;
/// One-sided 5 % of the normal distribution.
const Z_ONE_SIDED: f64 = 1.645;

/// The heights that readings stand for, against the fair shape, each placing's up to a straight
/// line.
pub struct Readings {
    placings: Vec<Line>,
}

struct Line {
    label: String,
    noise_mm: f64,
    /// (along, x, y, height), mm, in order.
    heights: Vec<[f64; 4]>,
}

impl Readings {
    /// Of the placings of tools that copy a line: straightedge, profile gauge, bridge. Readings
    /// left out are left out. An edge that was found to be no straight line is left to the fit,
    /// which takes its shape out.
    pub fn new(survey: &Survey, surface: &Surface, nodes: &Nodes) -> Self {
        let placings = survey
            .placings
            .iter()
            .enumerate()
            .filter_map(|(k, placing)| {
                let sign = match placing.tool {
                    Tool::Straightedge => -1.0,
                    Tool::ProfileGauge | Tool::Bridge => 1.0,
                    Tool::Batten | Tool::WaveGauge => return None,
                };
                let shaped = surface.edges.iter().any(|e| {
                    e.state == State::Shaped && (e.length_mm - placing.base_mm).abs() < 0.5
                });
                if shaped && placing.tool == Tool::Straightedge {
                    return None;
                }
                let out = |reading: usize| {
                    let all = &mut surface.left_out.iter();
                    all.any(|l| (l.placing, l.reading) == (k, reading))
                };
                let mut heights: Vec<[f64; 4]> = placing
                    .readings
                    .iter()
                    .enumerate()
                    .filter(|(r, _)| !out(*r))
                    .filter_map(|(_, r)| {
                        let along = r.x * placing.toward[0] + r.y * placing.toward[1];
                        let height = sign * r.value_mm? - fair_at(nodes, r.x, r.y)?;
                        Some([along, r.x, r.y, height])
                    })
                    .collect();
                heights.sort_by(|a, b| a[0].total_cmp(&b[0]));
                let told = surface.noise_mm.get(&placing.tool);
                Some(Line {
                    label: placing.label(),
                    noise_mm: told.copied().unwrap_or(plain_noise(placing.tool)),
                    heights,
                })
            });
        Readings {
            placings: placings.collect(),
        }
    }

    /// The largest gap between three readings of one placing where `here` holds and no more than a
    /// base apart, with its placing, place and noise.
    fn worst(
        &self,
        base_mm: f64,
        here: &dyn Fn([f64; 2]) -> bool,
    ) -> Option<(f64, &Line, [f64; 2])> {
        let mut worst: Option<(f64, &Line, [f64; 2])> = None;
        for line in &self.placings {
            let h = &line.heights;
            for k in 1..h.len().saturating_sub(1) {
                if !here([h[k][1], h[k][2]]) {
                    continue;
                }
                let before = h[..k].iter().rev();
                for a in before.take_while(|a| h[k][0] - a[0] <= base_mm) {
                    let after = h[k + 1..].iter();
                    for b in after.take_while(|b| b[0] - a[0] <= base_mm + 1e-6) {
                        if b[0] - a[0] < 1e-6 {
                            continue;
                        }
                        let share = (h[k][0] - a[0]) / (b[0] - a[0]);
                        let gap = a[3] + share * (b[3] - a[3]) - h[k][3];
                        if worst.as_ref().is_none_or(|w| gap > w.0) {
                            worst = Some((gap, line, [h[k][1], h[k][2]]));
                        }
                    }
                }
            }
        }
        worst
    }

    /// Whether readings by themselves break a limit, and how to mend it; a gap under an edge only.
    /// Where noise alone would do it now and then, they have to break it by more than that.
    pub fn breaks(
        &self,
        limit: &Limit,
        here: &dyn Fn([f64; 2]) -> bool,
        units: Units,
    ) -> Option<String> {
        if limit.quantity != Quantity::Gap {
            return None;
        }
        let (gap, line, at) = self.worst(limit.base_mm, here)?;
        let noise = OF_THREE * line.noise_mm;
        let allowed = if FAR_OUT * noise < limit.max {
            limit.max
        } else {
            limit.max + Z_ONE_SIDED * noise
        };
        (gap > allowed).then(|| {
            format!(
                "readings of {} by themselves make {} at x {}, y {}: set the edge down there again, and across",
                line.label,
                units.depth(gap),
                units.bare_place(at[0]),
                units.bare_place(at[1])
            )
        })
    }
}

/// The fair shape at a place, mm, between the four nodes around it; `None` where one of them is off
/// the panel.
fn fair_at(nodes: &Nodes, x: f64, y: f64) -> Option<f64> {
    let grid = nodes.grid;
    let cell = |v: f64, n: usize| {
        let at = (v / grid.step_mm).clamp(0.0, (n.max(2) - 1) as f64);
        let low = (at.floor() as usize).min(n.saturating_sub(2));
        (low, at - low as f64)
    };
    let ((ix, u), (iy, v)) = (cell(x, grid.nx), cell(y, grid.ny));
    let at = |map: &Array2<f64>, iy: usize, ix: usize| map.get([iy, ix]).copied();
    let mut sum = 0.0;
    for (dy, wy) in [(0, 1.0 - v), (1, v)] {
        for (dx, wx) in [(0, 1.0 - u), (1, u)] {
            if wx * wy < 1e-9 {
                continue;
            }
            let n = [iy + dy, ix + dx];
            if nodes.state.get(n).is_none_or(|s| *s == NodeState::Outside) {
                return None;
            }
            let (z, d) = (
                at(&nodes.height, n[0], n[1])?,
                at(&nodes.fairness, n[0], n[1])?,
            );
            sum += wx * wy * (z - d);
        }
    }
    sum.is_finite().then_some(sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings(heights: &[f64]) -> Readings {
        Readings {
            placings: vec![Line {
                label: "A1".into(),
                noise_mm: 0.03,
                heights: heights
                    .iter()
                    .enumerate()
                    .map(|(k, h)| [50.0 * k as f64, 50.0 * k as f64, 100.0, *h])
                    .collect(),
            }],
        }
    }

    #[test]
    fn three_readings_make_a_gap_however_the_edge_lay() {
        let limit = Limit {
            quantity: Quantity::Gap,
            base_mm: 300.0,
            max: 0.3,
            origin: String::new(),
        };
        let tilted: Vec<f64> = (0..9)
            .map(|k| 0.2 * f64::from(k) - if k == 4 { 0.35 } else { 0.0 })
            .collect();
        let said = readings(&tilted).breaks(&limit, &|_| true, Units::Metric);
        assert!(said.is_some_and(|s| s.contains("0.35 mm at x 200, y 100")));
        let shallow: Vec<f64> = tilted.iter().map(|h| 0.8 * h).collect();
        assert!(
            readings(&shallow)
                .breaks(&limit, &|_| true, Units::Metric)
                .is_none()
        );
        // A long low is deeper under a longer edge.
        let long: Vec<f64> = (0..21)
            .map(|k| 0.01 * f64::from((k - 10) * (k - 10)))
            .collect();
        assert!(
            readings(&long)
                .breaks(&limit, &|_| true, Units::Metric)
                .is_none()
        );
        let on_a_metre = Limit {
            base_mm: 1000.0,
            ..limit
        };
        assert!(
            readings(&long)
                .breaks(&on_a_metre, &|_| true, Units::Metric)
                .is_some()
        );
    }
}
