//! What must be heeded with what is mixed, and what is worth knowing about this card. No caution
//! says that an amount is small enough.

use super::{Card, Request};
use crate::plan::fit_for::ABOVE_DEW_C;
use crate::plan::recipe::{Base, Recipe, Role};
use crate::text::plain_mm;
use crate::units::three_digits;

/// Above this only small batches of epoxy, °C (published: coating inspection notes).
pub(super) const SMALL_BATCHES_C: f64 = 32.0;
/// More coats of primer than this: the low is filler's work (common practice, no source: 2-3
/// coats).
const PRIMER_COATS: u32 = 3;
/// Own density this many times that of the parts without air, or the inverse: one of the two is
/// wrong.
const FAR: f64 = 1.7;
/// Strokes that shift a hardener by more than this are no measure, %.
const STROKE_SLACK_PERCENT: f64 = 5.0;

/// The cautions of a recipe, short enough to stand on the card.
pub(super) fn of(recipe: &Recipe) -> Vec<String> {
    let mut list = vec![
        "The data sheets of what you use win over this card, and so do local rules and the designer's documents.",
        "Mix by mass; the volumes are a check. Strokes of a pump are not parts.",
        "Gloves; wash with soap, never with solvent. Resin, hardener, part-cured dust sensitise.",
    ];
    if recipe.parts.iter().any(|p| p.role == Role::Powder) {
        list.push("Mix resin and hardener first, the powder last. Do not breathe it: a P3 or P100 mask from the weighing on.");
    }
    list.extend(match recipe.base {
        Base::Epoxy => [
            "It heats itself: 100 g of mixed epoxy left in a pot can reach about 200 °C (published: an epoxy maker). Spread it in a \
             shallow tray at once, away from dust and rags; a thick fill can melt foam.",
            "Pot lives are quoted for about 100 g (published: an adhesive maker): more in one pot sets sooner.",
        ]
        .as_slice(),
        Base::Polyester => &[
            "Peroxide hardener: eye protection. Never let it meet an accelerator straight: that can explode.",
            "It heats itself: small batches in a shallow tray. Styrene vapour: air, a vapour filter, no flame.",
            "Over or under epoxy, below water, on polystyrene foam: ask first, never assume.",
        ],
        Base::Primer => &[
            "Solvent vapour: a vapour filter, air, no flame or spark.",
        ],
        Base::Other => &["It may heat itself: small batches in a shallow tray."],
    });
    if recipe.isocyanate {
        list.push(
            "It may hold isocyanate: an air-fed mask, and know how long the booth takes to clear. Read the data sheet first.",
        );
    }
    list.push(
        "Behind a hinge, filler and paint move the balance of a moving surface: weigh and balance after finishing, to the maker's limits.",
    );
    list.into_iter().map(str::to_string).collect()
}

/// What is worth knowing about this very card.
pub(super) fn warnings(request: &Request, card: &Card) -> Vec<String> {
    [
        density(request, card),
        skin(request, card),
        dew(request, card),
        hot(request),
        thick_primer(card),
        strokes(request, card),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn density(request: &Request, card: &Card) -> Option<String> {
    let (used, worked) = (card.density_g_per_cc.value, &card.worked_out);
    if request.density_g_per_cc.is_some() {
        let times = used / worked.without_air_g_per_cc;
        return (!(1.0 / FAR..=FAR).contains(&times)).then(|| {
            format!(
                "your density of {} g/cc is far from the {} g/cc that the parts make without air: weigh again, and look at the ratio",
                three_digits(used),
                three_digits(worked.without_air_g_per_cc)
            )
        });
    }
    let recipe = request.recipe;
    let powder = recipe.parts.iter().any(|p| p.role == Role::Powder);
    (powder && recipe.density_g_per_cc.is_none()).then(|| {
        format!(
            "the density of {} g/cc is worked out, not weighed: bubbles break and pack, and weighed mixes come out heavier as a rule (0.4-0.6 g/cc, \
             common practice, no source), so this may fall short. Weigh a level 100 cc cup of the first batch and give it: --cup \"52 g\"",
            three_digits(used)
        )
    })
}

fn skin(request: &Request, card: &Card) -> Option<String> {
    let least = request.recipe.panel_from_c.as_ref()?;
    (card.skin_c < least.value).then(|| {
        format!(
            "the panel at {} °C is colder than {} °C, the least for {} ({}): warm it first",
            plain_mm(card.skin_c),
            plain_mm(least.value),
            card.recipe,
            least.origin
        )
    })
}

fn dew(request: &Request, card: &Card) -> Option<String> {
    let Some(dew_c) = card.dew_point_c else {
        return Some(format!(
            "the panel's skin must be {ABOVE_DEW_C} °C above the dew point at least (published: a marine data sheet); give --humidity \
             and this is checked"
        ));
    };
    let above_c = card.skin_c - dew_c;
    let stands = match above_c {
        a if a <= 0.0 => "below it: water stands on the panel".to_string(),
        a => format!("only {a:.1} °C above it"),
    };
    (above_c < ABOVE_DEW_C).then(|| {
        format!(
            "dew: at {} % the dew point is {dew_c:.1} °C, and the skin at {} °C is {stands}; {ABOVE_DEW_C} °C above it at least are wanted \
             (published: a marine data sheet). Warm the panel or dry the air first",
            request.humidity_percent.map_or(String::new(), plain_mm),
            plain_mm(card.skin_c)
        )
    })
}

fn hot(request: &Request) -> Option<String> {
    let hot = request.recipe.base == Base::Epoxy && request.at_c > SMALL_BATCHES_C;
    hot.then(|| {
        format!("above {SMALL_BATCHES_C} °C mix small batches only (published: coating inspection notes)")
    })
}

fn thick_primer(card: &Card) -> Option<String> {
    let coats = card
        .coats
        .filter(|n| card.base == Base::Primer && *n > PRIMER_COATS)?;
    Some(format!(
        "{coats} coats of primer are more than {PRIMER_COATS} (common practice, no source): so deep a low is filler's work"
    ))
}

/// Where whole strokes shift the ratio of base and hardener too far.
fn strokes(request: &Request, card: &Card) -> Option<String> {
    let batch = card.batches.first()?;
    let error = |role: Role| {
        let mut measures = request.recipe.parts.iter().zip(&batch.parts);
        measures
            .find(|(p, m)| p.role == role && m.strokes.is_some())
            .and_then(|(_, m)| m.strokes)
            .map_or(0.0, |s| s.error_percent)
    };
    let (base, hardener) = (error(Role::Base), error(Role::Hardener));
    let off = ((1.0 + hardener / 100.0) / (1.0 + base / 100.0) - 1.0) * 100.0;
    (off.abs() > STROKE_SLACK_PERCENT).then(|| {
        format!(
            "whole strokes put the hardener {off:+.0} % off its ratio to the base: weigh it instead"
        )
    })
}
