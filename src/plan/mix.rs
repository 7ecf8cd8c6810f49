//! How much of each part to weigh, in batches that can be spread before they set.
//!
//! In: a [`Request`]. Out: a [`Card`], which `show` prints as it is. Same request, same card; no
//! file, clock or screen.

mod cautions;
mod limits;
mod weigh;

use super::figure::Figure;
use super::fit_for::dew_point_c;
use super::recipe::{Base, Recipe, WorkedOut};
use super::ways::STANDING;
use crate::panel::skin::Face;
use crate::problem::Error;
use crate::text::plain_mm;

/// Most that is mixed, cc (1000 L).
pub const MOST_CC: f64 = 1e6;
/// Least, cc.
pub const LEAST_CC: f64 = 0.01;
/// Most batches on one card.
pub const MOST_BATCHES: usize = 10_000;

/// What is to be mixed, and how warm it is.
#[derive(Clone, Debug)]
pub struct Request<'a> {
    /// The recipe.
    pub recipe: &'a Recipe,
    /// Amount to mix, losses included, cc.
    pub volume_cc: f64,
    /// Temperature of the material and the air, °C.
    pub at_c: f64,
    /// Temperature of the panel's skin where it differs, °C.
    pub skin_c: Option<f64>,
    /// Humidity of the air, %.
    pub humidity_percent: Option<f64>,
    /// Own density of the mix, g/cc.
    pub density_g_per_cc: Option<Figure>,
    /// Deepest place, mm.
    pub depth_mm: Option<f64>,
    /// How the face lies.
    pub face: Face,
    /// Coats of primer.
    pub primer_coats: Figure,
    /// Step of the scale, g.
    pub scale_g: Option<Figure>,
    /// Most that the scale weighs, g.
    pub scale_most_g: Option<Figure>,
}

/// One part as it is measured into a batch.
#[derive(Clone, Debug, PartialEq)]
pub struct Measure {
    /// Name.
    pub name: String,
    /// Whether its volume is loose.
    pub powder: bool,
    /// Mass, g.
    pub mass_g: f64,
    /// Volume as measured, cc: a powder's loose.
    pub volume_cc: f64,
    /// Strokes of the user's own calibrated pump.
    pub strokes: Option<Strokes>,
}

/// Whole strokes of a calibrated pump.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strokes {
    /// How many.
    pub count: u64,
    /// How far that is off the mass asked for, %.
    pub error_percent: f64,
}

/// One potful.
#[derive(Clone, Debug, PartialEq)]
pub struct Batch {
    /// Mass, g: the sum of its parts.
    pub mass_g: f64,
    /// Volume of the mix, cc.
    pub volume_cc: f64,
    /// Its parts.
    pub parts: Vec<Measure>,
}

/// A figure that was used.
#[derive(Clone, Debug, PartialEq)]
pub struct Used {
    /// What it is.
    pub what: &'static str,
    /// Its unit; empty for a ratio.
    pub unit: &'static str,
    /// Value and origin.
    pub figure: Figure,
}

/// Everything the card says.
#[derive(Clone, Debug, PartialEq)]
pub struct Card {
    /// Name of the recipe.
    pub recipe: String,
    /// What it is.
    pub about: String,
    /// Where its ratio comes from.
    pub ratio_from: String,
    /// What cures it.
    pub base: Base,
    /// Amount asked for, cc.
    pub asked_cc: f64,
    /// Amount that the batches make, cc.
    pub volume_cc: f64,
    /// Their mass, g.
    pub mass_g: f64,
    /// Density used, g/cc, with where it comes from.
    pub density_g_per_cc: Figure,
    /// What the parts alone tell of it.
    pub worked_out: WorkedOut,
    /// Temperature, °C.
    pub at_c: f64,
    /// Skin temperature, °C.
    pub skin_c: f64,
    /// Dew point, °C, where humidity was given.
    pub dew_point_c: Option<f64>,
    /// Pot life today, min.
    pub pot_life_min: f64,
    /// Its range, min.
    pub pot_life_range_min: [f64; 2],
    /// Hours until it can be sanded, at the skin's temperature.
    pub sandable_h: f64,
    /// Hours until primer may go on, where the recipe says so.
    pub prime_after_h: Option<f64>,
    /// How many coats, where the depth was given or the shop says so.
    pub coats: Option<u32>,
    /// Greatest thickness of one coat on this face, mm.
    pub greatest_coat_mm: Option<f64>,
    /// How the face lies.
    pub face: Face,
    /// The batches, in the order to mix them; like ones follow each other.
    pub batches: Vec<Batch>,
    /// Why a batch is no larger.
    pub limited_by: String,
    /// Step of the scale, g.
    pub scale_g: Option<f64>,
    /// Each figure used.
    pub used: Vec<Used>,
    /// What must be heeded.
    pub cautions: Vec<String>,
    /// What is worth knowing.
    pub warnings: Vec<String>,
}

/// Works out the card.
///
/// Mass is volume × density; each part has its share of the mass. Batches are as few as the limits
/// allow: what can be spread in what mixing leaves of the pot life, the greatest pot, the scale.
/// With a scale every mass is a whole number of its steps.
///
/// # Errors
/// [`Error::Usage`]: an amount or a temperature that cannot be meant or is outside the recipe's
/// range, a pot life that leaves no time to spread, a scale too coarse.
pub fn card(request: &Request) -> Result<Card, Error> {
    check(request)?;
    let recipe = request.recipe;
    let density = density(request);
    let skin_c = request.skin_c.unwrap_or(request.at_c);
    let greatest_coat_mm = greatest_coat_mm(request);
    let coats = coats(request, greatest_coat_mm)?;
    let limit = limits::limit(request, density.value, coats)?;
    let weighed = weigh::batches(request, density.value, &limit)?;
    let mass_g = weighed.total_g;
    let mut card = Card {
        recipe: recipe.name.clone(),
        about: recipe.about.clone(),
        ratio_from: recipe.ratio_from.clone(),
        base: recipe.base,
        asked_cc: request.volume_cc,
        volume_cc: mass_g / density.value,
        mass_g,
        worked_out: recipe.worked_out(),
        at_c: request.at_c,
        skin_c,
        dew_point_c: request
            .humidity_percent
            .map(|h| dew_point_c(request.at_c, h)),
        pot_life_min: recipe.pot_life_min_at(request.at_c),
        pot_life_range_min: recipe.pot_life_range_min_at(request.at_c),
        sandable_h: recipe.sandable_h_at(skin_c),
        prime_after_h: recipe.prime_after_h.as_ref().map(|f| f.value),
        coats,
        greatest_coat_mm,
        face: request.face,
        limited_by: limit.words(weighed.batches.len()),
        batches: weighed.batches,
        scale_g: request.scale_g.as_ref().map(|f| f.value),
        used: used(request, &density),
        density_g_per_cc: density,
        cautions: cautions::of(recipe),
        warnings: weighed.warnings,
    };
    let more = cautions::warnings(request, &card);
    card.warnings.extend(more);
    Ok(card)
}

fn usage(message: String) -> Error {
    Error::Usage(message)
}

fn check(request: &Request) -> Result<(), Error> {
    let cc = request.volume_cc;
    if !(LEAST_CC..=MOST_CC).contains(&cc) {
        return Err(usage(format!(
            "{} cc cannot be mixed; expected {LEAST_CC} cc to 1000 l",
            plain_mm(cc)
        )));
    }
    let depth_sound = |mm: &f64| (0.001..=1000.0).contains(mm);
    if let Some(mm) = request.depth_mm.filter(|mm| !depth_sound(mm)) {
        return Err(usage(format!(
            "a depth of {} mm cannot be filled; expected 0.001 to 1000 mm",
            plain_mm(mm)
        )));
    }
    let deep = request
        .depth_mm
        .and_then(|mm| request.recipe.too_deep("this depth", mm));
    if let Some(why) = deep.filter(|_| request.recipe.base != Base::Primer) {
        return Err(usage(why));
    }
    let humidity_sound = |h: &f64| *h > 0.0 && *h <= 100.0;
    if let Some(h) = request.humidity_percent.filter(|h| !humidity_sound(h)) {
        return Err(usage(format!(
            "a humidity of {h} % cannot be; expected above 0 to 100 %"
        )));
    }
    let step_sound = |g: &f64| (0.001..=1000.0).contains(g);
    let step = request.scale_g.as_ref().map(|f| f.value);
    if let Some(g) = step.filter(|g| !step_sound(g)) {
        return Err(usage(format!(
            "a scale of {g} g cannot be meant; expected steps of 0.001 to 1000 g"
        )));
    }
    warm_enough(request, "", request.at_c)?;
    request
        .skin_c
        .map_or(Ok(()), |c| warm_enough(request, "a skin of ", c))
}

/// Whether a temperature is within the recipe's range.
fn warm_enough(request: &Request, what: &str, c: f64) -> Result<(), Error> {
    let (from, to) = (&request.recipe.from_c, &request.recipe.to_c);
    let name = &request.recipe.name;
    if (from.value..=to.value).contains(&c) {
        return Ok(());
    }
    let (kind, bound, advice) = if c > to.value {
        (
            "warm",
            to,
            "it sets before it is spread; work in the cool of the day or in shade",
        )
    } else {
        (
            "cold",
            from,
            "it hardly cures; warm the room, the panel and the material",
        )
    };
    Err(usage(format!(
        "{what}{} °C is too {kind} for {name}, which is for {} to {} °C: {advice} ({} °C: {})",
        plain_mm(c),
        plain_mm(from.value),
        plain_mm(to.value),
        plain_mm(bound.value),
        bound.origin
    )))
}

fn density(request: &Request) -> Figure {
    let own = request.density_g_per_cc.clone();
    own.unwrap_or_else(|| request.recipe.density())
}

/// Greatest coat on this face: of a filler as its recipe says, halved where it is not level; of a
/// primer a coat as it dries.
fn greatest_coat_mm(request: &Request) -> Option<f64> {
    let recipe = request.recipe;
    if let (Base::Primer, Some(wet)) = (recipe.base, &recipe.wet_coat_mm) {
        return Some(wet.value * recipe.solids_percent.value / 100.0);
    }
    let share = match request.face {
        Face::Level => 1.0,
        Face::Vertical | Face::Overhead => STANDING,
    };
    recipe.greatest_coat_mm.as_ref().map(|f| f.value * share)
}

/// Coats for the depth; of primer without a depth, the shop's number.
fn coats(request: &Request, greatest_mm: Option<f64>) -> Result<Option<u32>, Error> {
    const MOST: f64 = 1000.0;
    let primer = request.recipe.base == Base::Primer;
    let counted = match (request.depth_mm, greatest_mm) {
        (Some(depth), Some(greatest)) => (depth / greatest - 1e-9).ceil().max(1.0),
        _ if primer => request.primer_coats.value,
        _ => return Ok(None),
    };
    if counted > MOST {
        return Err(usage(format!(
            "{counted} coats would be needed; no more than {MOST} are counted: look at the depth and the recipe's greatest coat"
        )));
    }
    Ok(Some(counted as u32))
}

/// Every figure that went into the card.
fn used(request: &Request, density: &Figure) -> Vec<Used> {
    let r = request.recipe;
    let mut list = Vec::new();
    let mut add = |what, unit, figure: Option<&Figure>| {
        list.extend(figure.cloned().map(|figure| Used { what, unit, figure }));
    };
    add("density of the mix", "g/cc", Some(density));
    add("pot life", "min", Some(&r.pot_life_min));
    add(
        "pot life and cure divided for each 10 °C by",
        "",
        Some(&r.factor),
    );
    add("sandable after", "h", Some(&r.sandable_h));
    let at = Figure::new(r.at_c, "what pot life and sanding time are given for");
    add("temperature of these times", "°C", Some(&at));
    add("greatest coat, level", "mm", r.greatest_coat_mm.as_ref());
    let steep = Figure::new(STANDING, super::figure::COMMON);
    let halved = request.face != Face::Level && r.greatest_coat_mm.is_some();
    add("share of it on this face", "", halved.then_some(&steep));
    add("wet coat", "mm", r.wet_coat_mm.as_ref());
    let primer = r.base == Base::Primer;
    add("solids by volume", "%", primer.then_some(&r.solids_percent));
    let counted = primer && request.depth_mm.is_none();
    add(
        "coats of primer",
        "",
        counted.then_some(&request.primer_coats),
    );
    add("greatest pot", "g", Some(&r.greatest_pot_g));
    add("spread by one person", "cc/min", Some(&r.spread_cc_per_min));
    add("mixing takes off the pot life", "min", Some(&r.mixing_min));
    add("coldest to use it", "°C", Some(&r.from_c));
    add("warmest to use it", "°C", Some(&r.to_c));
    add("coldest panel", "°C", r.panel_from_c.as_ref());
    add("primer after", "h", r.prime_after_h.as_ref());
    add("step of the scale", "g", request.scale_g.as_ref());
    add("most the scale weighs", "g", request.scale_most_g.as_ref());
    list
}
