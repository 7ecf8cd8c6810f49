//! What work puts on or takes off evenly all over. A gap under a straightedge does not show it, so
//! it comes from the entries and the shop's figures.

use crate::judge::Interval;
use crate::keep::{Entry, Kind};
use crate::plan::recipe::Recipe;
use crate::plan::shop::Shop;
use crate::plan::ways::Kind as Way;

/// What blocking takes anyway may be nothing, or this many times the shop's figure (common
/// practice, no source).
const AT_MOST_TIMES: f64 = 2.0;

/// What work put on and took off beyond what two surveys show.
#[derive(Clone, Copy, Debug, Default)]
pub struct Part {
    /// Evenly on (positive) or off, mm.
    pub mm: Interval,
    /// Of that what came off, mm, where nothing may be put on.
    pub off_mm: Interval,
    /// Filler and primer entered, g.
    pub put_on_g: f64,
    /// Their volume, cured, cc; `None` where nothing was weighed.
    pub put_on_cc: Option<Interval>,
}

/// Of work on a panel of this area. `net_cc`: what two surveys show to have come up; that much of
/// what went all over lies in the lows.
pub fn of(work: &[&Entry], shop: &Shop, area_mm2: f64, net_cc: f64) -> Part {
    let passes = work.iter().filter(|e| takes_all_over(e)).count() as f64;
    let (mut put_on_g, mut most_cc, mut over_all_cc) = (0.0, 0.0, 0.0);
    for e in work.iter().filter(|e| adds(e)) {
        let cc = match (e.facts.mass_g, recipe(e, shop)) {
            (Some(grams), Some(recipe)) => {
                let cc = grams / recipe.density().value * stays(recipe);
                put_on_g += grams;
                most_cc += cc;
                cc
            }
            // Not weighed: what the shop lays over all at most.
            _ => usual_mm(e, shop) * area_mm2 / 1000.0,
        };
        if is_over_all(e) {
            over_all_cc += cc;
        }
    }
    let evenly_mm = 1000.0 * (over_all_cc - net_cc.max(0.0)).max(0.0) / area_mm2.max(1e-9);
    let off = if passes > 0.0 {
        -AT_MOST_TIMES * shop.block_takes_mm.value * passes
    } else {
        0.0
    };
    let between = |low: f64, high: f64| Interval {
        value: (low + high) / 2.0,
        low,
        high,
    };
    Part {
        mm: between(off, evenly_mm),
        off_mm: between(off, 0.0),
        put_on_g,
        put_on_cc: (most_cc > 0.0).then(|| between(most_cc * (1.0 - shop.pot_loss.value), most_cc)),
    }
}

/// Whether it takes off all over: sanding of a place of its own does not, and two surveys show what
/// came off there.
pub fn takes_all_over(e: &Entry) -> bool {
    super::takes(e.kind) && e.facts.at.is_none()
}

/// What one sanding takes where it goes over, beyond a high, mm.
pub fn pass(shop: &Shop) -> Interval {
    let most = -AT_MOST_TIMES * shop.block_takes_mm.value;
    Interval {
        value: most / 2.0,
        low: most,
        high: 0.0,
    }
}

fn adds(e: &Entry) -> bool {
    matches!(e.kind, Kind::Fill | Kind::Prime)
}

/// Whether it goes over all and not into lows. A way that is not known counts as a spot fill, which
/// leaves less film.
fn is_over_all(e: &Entry) -> bool {
    let way = e.facts.way.as_deref().unwrap_or_default();
    let all_over = [Way::FullSkim.word(), Way::StripsAndBays.word()];
    e.kind == Kind::Prime || (e.kind == Kind::Fill && all_over.contains(&way))
}

/// The first work that goes over all, in words.
pub fn over_all(work: &[&Entry]) -> Option<String> {
    let e = work.iter().find(|e| is_over_all(e))?;
    Some(match &e.facts.way {
        Some(way) => format!("{way} (entry {})", e.number),
        None => super::words(e),
    })
}

/// Entries of which the recipe is not known, in words.
pub fn unknown_recipes(work: &[&Entry], shop: &Shop) -> Vec<String> {
    work.iter()
        .filter(|e| adds(e) && e.facts.mass_g.is_some() && recipe(e, shop).is_none())
        .map(|e| {
            format!(
                "recipe {} of entry {} is not known, so what was put on is not reckoned: --shop FILE has your own",
                crate::text::quoted(e.facts.recipe.as_deref().unwrap_or_default()),
                e.number
            )
        })
        .collect()
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
