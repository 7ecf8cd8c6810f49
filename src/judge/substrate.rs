//! What a photo shows as substrate, beside what panel.toml allows to come off.
//!
//! A photo cannot tell substrate from an older filler or a primer of the coat's tone. So nothing is
//! ordered to be sanded where it seems to show; but an allowance that a person has stated still
//! makes the shape worked to and the amount, and the amount without it is told beside them. Where
//! nothing was stated, nothing comes off what shows.

use super::{Action, Interval, Judgement, RegionKind};
use crate::panel::{Panel, Polygon};
use serde::Serialize;

/// Filler to level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Amounts {
    /// The most likely amount, cc.
    pub most_likely_cc: f64,
    /// The amount as found with its 95 % interval, cc.
    pub to_level_cc: Interval,
}

/// Whether panel.toml says that something may come off where substrate shows: by an allowance, the
/// film not being known.
pub fn is_allowed(panel: &Panel, areas: &[Polygon]) -> bool {
    let film = panel.skin.film.is_known();
    !film && panel.sand_allowance_mm.is_some_and(|a| a > 0.0) && !areas.is_empty()
}

impl Judgement {
    /// With the highs on which substrate seems to show left alone, and the amount that would be
    /// needed if nothing may come off them: that of the same panel judged so.
    pub fn with_substrate(mut self, areas: &[Polygon], left_alone: &Judgement) -> Self {
        let mut shows = vec![false; self.regions.len()];
        for ((iy, ix), region) in self.nodes.region.indexed_iter() {
            let [x, y] = [self.nodes.grid.x(ix), self.nodes.grid.y(iy)];
            let own = usize::from(*region).checked_sub(1);
            if let Some(shows) = own.and_then(|k| shows.get_mut(k)) {
                *shows = *shows || areas.iter().any(|a| a.contains(x, y));
            }
        }
        let mut any = false;
        for (region, shows) in self.regions.iter_mut().zip(shows) {
            // Where nothing comes off anyway there is nothing to ask.
            let comes_off = region.comes_off_mm > super::findings::LEAST_OFF_MM;
            if shows && region.kind == RegionKind::High && comes_off {
                region.substrate_shows = true;
                region.saves_cc = None;
                any = true;
                if matches!(region.action, Action::Sand | Action::MaySand) {
                    region.action = Action::Leave;
                }
            }
        }
        if any {
            self.if_substrate = Some(Amounts {
                most_likely_cc: left_alone.most_likely_cc,
                to_level_cc: left_alone.to_level_cc,
            });
        }
        self
    }
}
