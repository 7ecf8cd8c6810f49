//! How large a batch may be, and why.

use super::{MOST_BATCHES, Request, usage};
use crate::plan::recipe::Base;
use crate::problem::Error;
use crate::text::plain_mm;
use crate::units::three_digits;

/// The largest batch and what sets it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Limit {
    /// Largest batch, g.
    pub most_g: f64,
    /// What sets it, in words.
    why: String,
    /// Fewest batches: a coat sets before the next goes on.
    pub coats: usize,
    /// Fewest batches that `most_g` alone would allow.
    by_mass: usize,
}

/// The tightest of pot life, heat and scale.
pub(super) fn limit(request: &Request, density: f64, coats: Option<u32>) -> Result<Limit, Error> {
    let recipe = request.recipe;
    let spread_min = time_to_spread_min(request)?;
    let spread_cc = recipe.spread_cc_per_min.value * spread_min;
    // Published coating inspection notes ask for small batches of epoxy when it is warm; how small
    // is common practice.
    let small = recipe.base == Base::Epoxy && request.at_c > super::cautions::SMALL_BATCHES_C;
    let (pot_g, warm) = if small {
        (recipe.greatest_pot_g.value / 2.0, " when it is this warm")
    } else {
        (recipe.greatest_pot_g.value, "")
    };
    let mut limits = vec![
        (
            spread_cc * density,
            format!(
                "what one person spreads in the pot life: {} cc/min for {} min, {} cc",
                plain_mm(recipe.spread_cc_per_min.value),
                three_digits(spread_min),
                three_digits(spread_cc)
            ),
        ),
        (
            pot_g,
            format!("heat: no more than {} g in one pot{warm}", plain_mm(pot_g)),
        ),
    ];
    if let Some(most) = &request.scale_most_g {
        let words = format!("the scale: it weighs {} g at most", plain_mm(most.value));
        limits.push((most.value, words));
    }
    limits.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (most_g, why) = limits.swap_remove(0);
    let by_mass = fewest(request.volume_cc * density, most_g);
    if by_mass > MOST_BATCHES {
        return Err(usage(format!(
            "{} cc would be {by_mass} batches of {} g; no more than {MOST_BATCHES} go on a card ({why})",
            plain_mm(request.volume_cc),
            three_digits(most_g)
        )));
    }
    Ok(Limit {
        most_g,
        why,
        coats: usable_coats(request, coats),
        by_mass,
    })
}

/// Fewest equal batches of at most `most_g`.
pub(super) fn fewest(total_g: f64, most_g: f64) -> usize {
    // A hair of rounding is no batch of its own.
    ((total_g / most_g - 1e-9).ceil().max(1.0)) as usize
}

/// A filler's coats are days apart and cannot share a pot; a primer's are minutes apart.
fn usable_coats(request: &Request, coats: Option<u32>) -> usize {
    match request.recipe.base {
        Base::Primer => 1,
        _ => coats.map_or(1, |n| n as usize),
    }
}

/// What mixing leaves of the pot life, min.
fn time_to_spread_min(request: &Request) -> Result<f64, Error> {
    let recipe = request.recipe;
    let pot_life = recipe.pot_life_min_at(request.at_c);
    let left = pot_life - recipe.mixing_min.value;
    if left > 0.0 {
        return Ok(left);
    }
    Err(usage(format!(
        "{} is too warm to be spread in time at {} °C: of its pot life of {} min, mixing takes {}; work cooler",
        recipe.name,
        plain_mm(request.at_c),
        three_digits(pot_life),
        plain_mm(recipe.mixing_min.value)
    )))
}

impl Limit {
    /// Why a batch is no larger, for the card.
    pub fn words(&self, batches: usize) -> String {
        if batches == 1 {
            return format!("one batch keeps every limit; the tightest is {}", self.why);
        }
        if self.coats > self.by_mass {
            return "coats: each sets before the next goes on, so each has a batch of its own"
                .into();
        }
        self.why.clone()
    }
}
