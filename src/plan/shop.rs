//! The shop's own figures: losses, times, thicknesses, scale and recipes, each with where it comes
//! from.

use super::figure::COMMON;
mod file;
mod recipes;

pub use super::figure::Figure;
use super::recipe::Recipe;
pub use file::{load, parse};

/// Everything that a shop may set for itself; without a file, the defaults.
#[derive(Clone, Debug, PartialEq)]
pub struct Shop {
    /// Share of what is mixed that stays in pot and tools, 0 to 1.
    pub pot_loss: Figure,
    /// How far a fill is left proud of the reference, mm.
    pub overfill_mm: Figure,
    /// A fill is feathered over this many times its depth.
    pub feather_ratio: Figure,
    /// Least feather, mm.
    pub feather_least_mm: Figure,
    /// How far a full skim stands proud over all, mm.
    pub skim_mm: Figure,
    /// Going over an area once with a board, h/m².
    pub board_hours_per_m2: Figure,
    /// Further hours for each litre that the board takes off.
    pub board_hours_per_litre: Figure,
    /// The same off a high of the skin itself (resin, glass, gelcoat), which is harder.
    pub skin_hours_per_litre: Figure,
    /// Spreading filler, h/m².
    pub spread_hours_per_m2: Figure,
    /// Weighing and mixing a batch, min.
    pub mix_min: Figure,
    /// Setting a tool down once, min.
    pub placing_min: Figure,
    /// Taking and writing one reading, s.
    pub reading_s: Figure,
    /// Share of a low's depth that is there again after a fill cycle, 0 to 1.
    pub left_per_cycle: Figure,
    /// Longest board that one person controls, mm.
    pub longest_board_mm: Figure,
    /// What blocking takes off anyway, mm.
    pub block_takes_mm: Figure,
    /// Filler to leave over fibres, mm.
    pub film_keep_mm: Figure,
    /// Primer left after blocking, mm.
    pub primer_left_mm: Figure,
    /// Coats of primer, a whole number.
    pub primer_coats: Figure,
    /// Name of the recipe that is filled with unless told otherwise.
    pub filler: String,
    /// Name of the recipe that is primed with.
    pub primer: String,
    /// Step of the scale, g; nothing is rounded without it.
    pub scale_g: Option<Figure>,
    /// Most that the scale weighs, g.
    pub scale_most_g: Option<Figure>,
    /// The recipes: the built-in ones, some replaced, and the shop's own.
    pub recipes: Vec<Recipe>,
}

impl Default for Shop {
    fn default() -> Self {
        let common = |value| Figure::new(value, COMMON);
        Shop {
            pot_loss: Figure::new(0.175, "published: epoxy suppliers (15-20 %)"),
            overfill_mm: common(0.3),
            feather_ratio: common(100.0),
            feather_least_mm: common(50.0),
            skim_mm: common(0.8),
            board_hours_per_m2: common(0.3),
            board_hours_per_litre: Figure::new(
                0.45,
                "worked out so that 2 mm off 1 m² takes 1.2 h, about the middle of 0.5-3 h/m² (common practice, no source)",
            ),
            skin_hours_per_litre: Figure::new(
                20.0,
                "common practice, no source (some 20 min for 0.3 mm off the crest of a seam of 0.1 m²)",
            ),
            spread_hours_per_m2: common(0.25),
            mix_min: common(5.0),
            placing_min: common(1.0),
            reading_s: common(6.0),
            left_per_cycle: common(0.25),
            longest_board_mm: common(900.0),
            block_takes_mm: common(0.05),
            film_keep_mm: common(0.1),
            primer_left_mm: Figure::new(0.075, "common practice, no source (50-100 µm)"),
            primer_coats: Figure::new(2.0, "common practice, no source (2-3 coats)"),
            filler: "dry-micro".into(),
            primer: "build-primer".into(),
            scale_g: None,
            scale_most_g: None,
            recipes: super::builtin::recipes(),
        }
    }
}

impl Shop {
    /// The recipe of a name.
    ///
    /// # Errors
    /// A sentence naming what is asked for, the nearest name and the known ones.
    pub fn recipe(&self, name: &str) -> Result<&Recipe, String> {
        let names = || self.recipes.iter().map(|r| r.name.as_str());
        self.recipes.iter().find(|r| r.name == name).ok_or_else(|| {
            let advice = match crate::text::closest(name, names()) {
                Some(near) => format!("did you mean {near}?"),
                None => format!("known ones: {}", names().collect::<Vec<_>>().join(", ")),
            };
            format!("{} is no recipe; {advice}", crate::text::quoted(name))
        })
    }
}
