//! What was learned of the straightedges themselves, in sentences.

use super::EdgeError;
use crate::fit::Surface;
use crate::fit::edge_shape::State;
use crate::units::Units;

/// Every straightedge that was set down often enough.
pub(super) fn edges(surface: &Surface, units: Units) -> Vec<EdgeError> {
    let told = |edge: &crate::fit::edge_shape::EdgeShape| {
        let [at, off, sd] = edge.worst()?;
        let name = format!("your {} edge", units.place(edge.length_mm));
        let widest = edge.profile.iter().fold(0.0f64, |m, p| m.max(p[2]));
        let (state, sentence) = match edge.state {
            State::Straight => (
                "straight",
                format!(
                    "{name} is straight as far as {} placings can tell (an even bow apart, which does no harm): off by no more than {}",
                    edge.placings,
                    units.depth(off.abs() + 2.0 * sd)
                ),
            ),
            State::Shaped => (
                "shaped",
                format!(
                    "{name} is {} by {} ± {} at {} from its first end; the map is free of it",
                    if off > 0.0 { "hollow" } else { "proud" },
                    units.depth(off.abs()),
                    units.depth(2.0 * sd),
                    units.place(at)
                ),
            ),
            State::NotTold => (
                "not-told",
                format!(
                    "whether {name} is straight cannot be told from this survey (± {}): take one placing again with the edge end for end{}",
                    units.depth(2.0 * widest),
                    if edge.turned {
                        ", in another place"
                    } else {
                        " (turned)"
                    }
                ),
            ),
        };
        Some(EdgeError {
            length_mm: edge.length_mm,
            placings: edge.placings,
            state: state.into(),
            worst_mm: off,
            worst_sd_mm: sd,
            worst_at_mm: at,
            profile: edge.profile.clone(),
            sentence,
        })
    };
    surface.edges.iter().filter_map(told).collect()
}
