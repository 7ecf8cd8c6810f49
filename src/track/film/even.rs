//! What work puts on or takes off evenly all over. A gap under a straightedge does not show it, so it comes from the entries and the shop's
//! figures.

use crate::judge::Interval;
use crate::keep::{Entry, Kind};
use crate::plan::recipe::Recipe;
use crate::plan::shop::Shop;

/// What blocking takes anyway may be nothing, or this many times the shop's figure (common practice, no source).
const AT_MOST_TIMES: f64 = 2.0;

/// What work put on and took off beyond what two surveys show.
#[derive(Clone, Copy, Debug)]
pub struct Part {
    /// Evenly on (positive) or off, mm.
    pub mm: Interval,
    /// Filler and primer entered, g.
    pub put_on_g: f64,
    /// Their volume, cured, cc; `None` where nothing was weighed.
    pub put_on_cc: Option<Interval>,
}

/// Of work between two surveys of a panel of this area.
pub fn of(work: &[&Entry], shop: &Shop, area_mm2: f64) -> Part {
    let takes = shop.block_takes_mm.value;
    let passes = work
        .iter()
        .filter(|e| matches!(e.kind, Kind::Sand | Kind::Block))
        .count() as f64;
    let (mut put_on_g, mut most_cc, mut least_cc) = (0.0, 0.0, 0.0);
    let mut evenly_mm = 0.0;
    for e in work.iter().filter(|e| adds(e)) {
        let coat_mm = match (e.facts.mass_g, recipe(e, shop)) {
            (Some(grams), Some(recipe)) => {
                let cc = grams / recipe.density().value * stays(recipe);
                put_on_g += grams;
                most_cc += cc;
                least_cc += cc * (1.0 - shop.pot_loss.value);
                1000.0 * cc / area_mm2.max(1e-9)
            }
            // Not weighed: what the shop lays over all at most.
            _ => usual_mm(e, shop),
        };
        if is_over_all(e) {
            evenly_mm += coat_mm;
        }
    }
    let low = -AT_MOST_TIMES * takes * passes;
    Part {
        mm: Interval {
            value: (evenly_mm + low) / 2.0,
            low,
            high: evenly_mm,
        },
        put_on_g,
        put_on_cc: (put_on_g > 0.0).then_some(Interval {
            value: (least_cc + most_cc) / 2.0,
            low: least_cc,
            high: most_cc,
        }),
    }
}

fn adds(e: &Entry) -> bool {
    matches!(e.kind, Kind::Fill | Kind::Prime)
}

/// Whether it goes over all and not into lows.
fn is_over_all(e: &Entry) -> bool {
    let way = e.facts.way.as_deref().unwrap_or("spot-fill");
    e.kind == Kind::Prime || (e.kind == Kind::Fill && way != "spot-fill")
}

/// The first work that goes over all, in words.
pub fn over_all(work: &[&Entry]) -> Option<String> {
    let e = work.iter().find(|e| is_over_all(e))?;
    Some(match &e.facts.way {
        Some(way) => format!("{way} (entry {})", e.number),
        None => super::words(e),
    })
}

fn recipe<'a>(e: &Entry, shop: &'a Shop) -> Option<&'a Recipe> {
    let usual = if e.kind == Kind::Prime {
        &shop.primer
    } else {
        &shop.filler
    };
    let name = e.facts.recipe.as_deref().unwrap_or(usual);
    shop.recipe(name).ok()
}

/// Share of the wet volume that stays when cured and dry.
fn stays(recipe: &Recipe) -> f64 {
    (1.0 - recipe.shrink_percent.value / 100.0) * recipe.solids_percent.value / 100.0
}

fn usual_mm(e: &Entry, shop: &Shop) -> f64 {
    if e.kind == Kind::Fill {
        return shop.skim_mm.value;
    }
    let coats = e.facts.coats.map_or(shop.primer_coats.value, f64::from);
    let wet = recipe(e, shop).and_then(|r| Some(r.wet_coat_mm.as_ref()?.value * stays(r)));
    coats * wet.unwrap_or(shop.primer_left_mm.value)
}
