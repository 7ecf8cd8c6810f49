//! What is wrong with work as it is entered: it is entered, since it was done, and said so that it
//! is not passed over.

use crate::keep::{Kind, NewEntry, Standing};
use crate::panel::Panel;
use crate::plan::fit_for::{self, How, Weather};
use crate::plan::heat;
use crate::plan::recipe::Recipe;
use crate::plan::shop::Shop;
use crate::track::stage;

/// Sentences, most pressing first.
pub fn of(panel: &Panel, s: &Standing, entry: &NewEntry, shop: &Shop) -> Vec<String> {
    match entry.kind {
        Kind::PostCure => entry
            .facts
            .temperature_c
            .and_then(|c| heat::too_hot(panel, c))
            .map(|why| format!("STOP: {why}"))
            .into_iter()
            .collect(),
        Kind::Fill | Kind::Prime => coated(panel, s, entry, shop),
        _ => Vec::new(),
    }
}

fn coated(panel: &Panel, s: &Standing, entry: &NewEntry, shop: &Shop) -> Vec<String> {
    let mut out = Vec::new();
    let primes = entry.kind == Kind::Prime;
    let usual = if primes { &shop.primer } else { &shop.filler };
    let name = entry.facts.recipe.as_deref().unwrap_or(usual);
    let recipe = shop.recipe(name).ok();
    if let Some(recipe) = recipe {
        out.extend(unsuited(panel, entry, recipe));
        if entry.facts.recipe.is_none() {
            out.push(format!(
                "no --recipe told: {name} is counted, {:.1} h to sandable at {:.0} °C",
                recipe.sandable_h_at(entry.skin_c.unwrap_or(recipe.at_c)),
                entry.skin_c.unwrap_or(recipe.at_c)
            ));
        }
    }
    if primes {
        out.extend(on_the_day(s, entry, shop));
    }
    out
}

/// What the plan would warn of: the substance under it, below water, too cold.
fn unsuited(panel: &Panel, entry: &NewEntry, recipe: &Recipe) -> Vec<String> {
    let noted = entry.facts.min_c.or(entry.skin_c);
    let c = noted.unwrap_or(recipe.at_c);
    let weather = Weather {
        air_c: c,
        skin_c: c,
        humidity: None,
        given: true,
    };
    let mut plain = panel.clone();
    // That the skin is moved first is too late to say.
    plain.sheet_metal = false;
    let mut told: Vec<String> = fit_for::fits(&plain, recipe, &weather)
        .into_iter()
        .filter(|f| f.how == How::Warned)
        .map(|f| f.text)
        .collect();
    // Shop and skin have one temperature here, and it is told once.
    let cold: Vec<usize> = (0..told.len())
        .filter(|k| told[*k].starts_with("shop at") || told[*k].starts_with("skin at"))
        .collect();
    for k in cold.into_iter().skip(1).rev() {
        told.remove(k);
    }
    told
}

/// Primer on the day of a fill.
fn on_the_day(s: &Standing, entry: &NewEntry, shop: &Shop) -> Option<String> {
    let fill = stage::standing_entries(&s.entries)
        .into_iter()
        .rfind(|e| e.kind == Kind::Fill && e.date == entry.date)?;
    let name = fill.facts.recipe.as_deref().unwrap_or(&shop.filler);
    let hours = stage::cure_h(fill, shop);
    let after = shop
        .recipe(name)
        .ok()
        .and_then(|r| r.prime_after_h.as_ref())
        .map_or(String::new(), |h| {
            format!(", primer no sooner than {:.1} h ({})", h.value, h.origin)
        });
    Some(format!(
        "primed on the day of the fill (entry {}): {name} is sandable after {hours:.1} h{after}; what is shut in goes on curing and shrinking, and \
         shows through the primer. Was it cured, blocked and surveyed?",
        fill.number
    ))
}
