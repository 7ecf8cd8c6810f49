//! Whether the filler suits what it goes on, where it will be, and today's temperature: asked or
//! warned, never assumed.

use super::recipe::{Base, Recipe};
use crate::panel::Panel;
use crate::panel::skin::Substrate;
use serde::Serialize;

/// Skin must be this much above the dew point, °C (published: a marine data sheet).
pub const ABOVE_DEW_C: f64 = 3.0;

/// Whether it is known to be wrong, or not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// Known to go wrong.
    Warned,
    /// Not known, and it would matter.
    Asked,
}

/// One thing about the substance.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fit {
    /// Warned or asked.
    pub how: How,
    /// What, in a sentence.
    pub text: String,
}

/// The weather in the shop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Air, °C.
    pub air_c: f64,
    /// Skin, °C.
    pub skin_c: f64,
    /// Relative humidity, %.
    pub humidity: Option<f64>,
    /// Whether any temperature was given at all.
    pub given: bool,
}

/// Dew point by the Magnus formula, °C, of air at `air_c` (−40 to 60 °C) with a relative humidity
/// of 1 to 100 %.
///
/// γ = ln(h/100) + 17.62·T/(243.12 + T), dew point = 243.12·γ/(17.62 − γ) (coefficients of the
/// World Meteorological Organization's guide, from memory).
///
/// ```
/// // At 100 % the dew point is the air's temperature; 20 °C and 50 % give 9.3 °C
/// // (from memory, any psychrometric table).
/// assert!((lowspot::plan::fit_for::dew_point_c(20.0, 100.0) - 20.0).abs() < 1e-9);
/// assert!((lowspot::plan::fit_for::dew_point_c(20.0, 50.0) - 9.3).abs() < 0.05);
/// ```
pub fn dew_point_c(air_c: f64, humidity: f64) -> f64 {
    let g = (humidity / 100.0).ln() + 17.62 * air_c / (243.12 + air_c);
    243.12 * g / (17.62 - g)
}

/// Everything about this filler on this panel in this weather.
pub fn fits(panel: &Panel, recipe: &Recipe, weather: &Weather) -> Vec<Fit> {
    let mut out = Vec::new();
    on_substrate(panel, recipe, &mut out);
    below_water(panel, recipe, &mut out);
    in_weather(recipe, weather, &mut out);
    if panel.sheet_metal {
        out.push(Fit {
            how: How::Warned,
            text:
                "sheet metal: move the skin first; filler only for what is left, after a new survey"
                    .into(),
        });
    }
    out
}

fn on_substrate(panel: &Panel, recipe: &Recipe, out: &mut Vec<Fit>) {
    let polyester = recipe.base == Base::Polyester;
    let warned = |text: &str| Fit {
        how: How::Warned,
        text: text.into(),
    };
    match panel.skin.substrate {
        Some(Substrate::Epoxy) if polyester => out.push(warned(
            "polyester over epoxy is warned against: it may not cure or hold there (published: boat-kit advice). Use an epoxy filler, or ask both makers",
        )),
        Some(Substrate::PolystyreneFoam) if polyester => out.push(warned(
            "polyester on polystyrene foam: its styrene dissolves the foam. Use an epoxy filler, and not in thick coats: heat of cure melts foam",
        )),
        Some(Substrate::PolystyreneFoam) => out.push(warned(
            "polystyrene foam softens with heat and solvents eat it: no solvent, no styrene, thin coats, watch the heat of cure; primer only over a closed skin",
        )),
        Some(Substrate::Aluminium | Substrate::Steel) => out.push(warned(
            "bare metal: the filler's data sheet says how to prepare it, and how soon after; old primer may hold lead or chromate",
        )),
        Some(Substrate::Carbon | Substrate::Glass) if polyester => out.push(Fit {
            how: How::Asked,
            text: "which resin is the laminate made with? Polyester over epoxy is warned against (published: boat-kit advice): say substrate = \"epoxy\" or \"polyester\" if you know"
                .into(),
        }),
        Some(Substrate::Gelcoat) => out.push(warned(
            "gelcoat: wax from the mould lies on it, wash and de-wax before any sanding; crazed or blistered gelcoat is mended first, filler over it cracks with it",
        )),
        Some(Substrate::Antifouling) => out.push(warned(
            "filler does not hold on antifouling: take all of it off first, wet, its dust and slurry are poisonous and local rules say where they go; then survey anew",
        )),
        None if polyester => out.push(Fit {
            how: How::Asked,
            text: "what is under it? Polyester over epoxy or on polystyrene foam is warned against: say substrate = \"…\" in panel.toml".into(),
        }),
        None => out.push(Fit {
            how: How::Asked,
            text: "what is under it? Say substrate = \"…\" in panel.toml (epoxy, polyester, wood, aluminium …); the filler's data sheet says what it holds to".into(),
        }),
        Some(_) => {}
    }
}

fn below_water(panel: &Panel, recipe: &Recipe, out: &mut Vec<Fit>) {
    if recipe.base != Base::Polyester {
        return;
    }
    match panel.skin.below_water {
        Some(true) => out.push(Fit {
            how: How::Warned,
            text: "polyester filler below water is warned against: it takes up water (published: boat-kit advice). Use an epoxy filler".into(),
        }),
        None => out.push(Fit {
            how: How::Asked,
            text: "will it be below water? Polyester filler is warned against there: say below_water = false in panel.toml".into(),
        }),
        Some(false) => {}
    }
}

fn in_weather(recipe: &Recipe, weather: &Weather, out: &mut Vec<Fit>) {
    let mut add = |how, text: String| out.push(Fit { how, text });
    if !weather.given {
        add(
            How::Asked,
            format!(
                "how warm is it? {:.0} °C is taken for pot life and cure: say --at \"18 C\", or note the skin in the readings file",
                weather.air_c
            ),
        );
    }
    let (from, to) = (&recipe.from_c, &recipe.to_c);
    for (what, c) in [("shop", weather.air_c), ("skin", weather.skin_c)] {
        if c < from.value || c > to.value {
            add(
                How::Warned,
                format!(
                    "{what} at {c:.0} °C: {} wants {:.0} to {:.0} °C ({}); wait, or warm the part and measure the part, not the air",
                    recipe.name,
                    from.value,
                    to.value,
                    if c < from.value {
                        &from.origin
                    } else {
                        &to.origin
                    }
                ),
            );
        }
    }
    if let Some(least) = recipe
        .panel_from_c
        .as_ref()
        .filter(|l| weather.skin_c < l.value)
    {
        add(
            How::Warned,
            format!(
                "skin at {:.0} °C: {} wants {:.0} °C at least ({})",
                weather.skin_c, recipe.name, least.value, least.origin
            ),
        );
    }
    match weather.humidity {
        Some(h) => {
            let dew = dew_point_c(weather.air_c, h);
            if weather.skin_c <= dew {
                add(
                    How::Warned,
                    format!(
                        "skin at {:.0} °C is {:.1} °C below the dew point of {dew:.1} °C: water stands on the panel; nothing goes on before it is warm and dry",
                        weather.skin_c,
                        dew - weather.skin_c
                    ),
                );
            } else if weather.skin_c < dew + ABOVE_DEW_C {
                add(
                    How::Warned,
                    format!(
                        "skin at {:.0} °C is less than {ABOVE_DEW_C:.0} °C above the dew point of {dew:.1} °C (published: a marine data sheet): water \
                         may lie under the filler; warm the skin or dry the air",
                        weather.skin_c
                    ),
                );
            }
        }
        None => add(
            How::Asked,
            format!(
                "how damp is the air? The skin must be {ABOVE_DEW_C:.0} °C above the dew point (published: a marine data sheet): say --humidity 60"
            ),
        ),
    }
}
