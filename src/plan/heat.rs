//! How warm a panel may become: what lies inside it often sets the ceiling.

use super::figure::Figure;
use crate::panel::Panel;
use crate::panel::skin::{Core, Substrate};

/// Most that a panel may be warmed to, °C, with where it comes from; `None` where nobody said what
/// lies inside.
///
/// The designer's own limit (`heat_limit` in panel.toml) counts before any other. Foam is known
/// from `core`, or from bare foam as the substrate.
pub fn ceiling(panel: &Panel) -> Option<Figure> {
    let skin = &panel.skin;
    if let Some(c) = skin.heat_limit_c {
        return Some(Figure::new(c, "heat_limit in panel.toml"));
    }
    let core = skin.core.or(match skin.substrate {
        Some(Substrate::PolystyreneFoam) => Some(Core::PolystyreneFoam),
        Some(Substrate::Foam) => Some(Core::Foam),
        _ => None,
    })?;
    match core {
        Core::PolystyreneFoam | Core::Foam if panel.moving_surface => Some(Figure::new(
            55.0,
            "published: a kit maker's staff, foam-cored control surfaces",
        )),
        Core::PolystyreneFoam => Some(Figure::new(
            66.0,
            "published: an experienced builder's schedule (60-66 °C); polystyrene distorts near 74 °C, a builders' list",
        )),
        Core::Foam => Some(Figure::new(
            66.0,
            "published: an experienced builder's schedule (60-66 °C)",
        )),
        Core::Honeycomb | Core::Wood | Core::None => None,
    }
}

/// What to say where a panel was, or is to be, warmer than that.
pub fn too_hot(panel: &Panel, c: f64) -> Option<String> {
    let most = ceiling(panel).filter(|most| c > most.value)?;
    Some(format!(
        "{c:.0} °C is above the {:.0} °C that this panel takes ({}). The core may have softened: tap it, look for ridges, ask the designer before any more \
         work; the designer's and the resin maker's schedule wins",
        most.value, most.origin
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn panel(more: &str) -> Panel {
        let text = format!(
            "name = \"rudder\"\nlength = 900\nwidth = 600\nform = \"flat\"\npurpose = \"wing-aft\"\n{more}"
        );
        crate::panel::file::parse(&text, "panel.toml").unwrap().0
    }

    #[test]
    fn foam_sets_the_ceiling_and_the_designers_word_counts_before_it() {
        let told = |more: &str, c: f64| too_hot(&panel(more), c);
        assert!(told("core = \"foam\"\nmoving_surface = true", 95.0).is_some());
        assert!(told("core = \"foam\"\nmoving_surface = true", 56.0).is_some());
        assert!(told("core = \"foam\"", 60.0).is_none());
        assert!(told("substrate = \"polystyrene-foam\"", 70.0).is_some());
        assert!(told("core = \"foam\"\nheat_limit = 80", 75.0).is_none());
        assert!(told("heat_limit = \"140 F\"", 61.0).is_some());
        assert!(told("", 95.0).is_none());
    }
}
