//! Limits by purpose: a table of bases and gaps, each with where its number comes from.
//!
//! The gaps are under a straightedge of the base length, on the deviation from the fair shape. All
//! are starting points; `[[limit]]` entries of panel.toml replace or add to them. Only the 50 mm
//! figure of a laminar wing was seen published; the others are common practice without a source.

use super::{Limit, Quantity};

/// What kind of work a purpose is, as far as colour and light matter to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Eye {
    /// Aerodynamic: neither finish nor light changes the limit.
    Air,
    /// The row already names its colour: only grazing light changes it.
    ColourNamed,
    /// Finish and light both change it.
    Open,
}

/// One row of the table.
struct Preset {
    name: &'static str,
    about: &'static str,
    eye: Eye,
    /// Gaps in mm at the bases [`BASES_MM`].
    gaps_mm: [f64; 4],
}

/// Bases of the table, mm.
pub const BASES_MM: [f64; 4] = [50.0, 300.0, 600.0, 1000.0];

const PRACTICE: &str = "common practice, no source";
const LAMINAR_50: &str = "published: 0.003-0.004 in (0.08-0.10 mm) over 2 in, from a builders' list and gliding posts on \
     published flight tests; quoted for a dial by one and for rule and feeler by another: ask which";

const PRESETS: [Preset; 9] = [
    Preset {
        name: "laminar-wing",
        about: "laminar wing, nose to about 60 % chord",
        eye: Eye::Air,
        gaps_mm: [0.10, 0.15, 0.25, 0.4],
    },
    Preset {
        name: "wing-aft",
        about: "wing aft of the laminar part, tail, turbulent body",
        eye: Eye::Air,
        gaps_mm: [0.20, 0.4, 0.7, 1.0],
    },
    Preset {
        name: "dark-gloss",
        about: "show vehicle roof or side, dark gloss",
        eye: Eye::ColourNamed,
        gaps_mm: [0.05, 0.15, 0.3, 0.5],
    },
    Preset {
        name: "everyday-light",
        about: "everyday vehicle, light colour",
        eye: Eye::ColourNamed,
        gaps_mm: [0.10, 0.3, 0.6, 1.0],
    },
    Preset {
        name: "racing-hull",
        about: "racing hull forward, keel, rudder",
        eye: Eye::Open,
        gaps_mm: [0.10, 0.2, 0.35, 0.5],
    },
    Preset {
        name: "yacht-dark",
        about: "yacht side, dark gloss",
        eye: Eye::ColourNamed,
        gaps_mm: [0.10, 0.25, 0.4, 0.6],
    },
    Preset {
        name: "yacht-light",
        about: "yacht side, light colour or satin",
        eye: Eye::ColourNamed,
        gaps_mm: [0.15, 0.4, 0.8, 1.2],
    },
    Preset {
        name: "cruiser-bottom",
        about: "cruiser bottom, hidden lower surface",
        eye: Eye::Open,
        gaps_mm: [0.3, 0.8, 1.5, 2.0],
    },
    Preset {
        name: "work-boat",
        about: "work boat",
        eye: Eye::Open,
        gaps_mm: [0.5, 1.5, 3.0, 4.0],
    },
];

/// The purpose assumed when neither `purpose` nor `[[limit]]` is given; only its 300 mm row is
/// used.
pub const ASSUMED_PURPOSE: &str = "everyday-light";

/// How the finished surface will shine: a factor on the limits that name no colour (common
/// practice, no source).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Finish {
    /// Matt, light: × 2.
    Matt,
    /// Satin: × 1.5.
    Satin,
    /// Light gloss: × 1.
    LightGloss,
    /// Dark or metallic gloss: × 0.65 (0.6-0.7).
    DarkGloss,
}

impl Finish {
    /// All of them, dullest first.
    pub const ALL: [Finish; 4] = [
        Finish::Matt,
        Finish::Satin,
        Finish::LightGloss,
        Finish::DarkGloss,
    ];

    /// The word used in panel.toml.
    pub fn word(self) -> &'static str {
        match self {
            Finish::Matt => "matt",
            Finish::Satin => "satin",
            Finish::LightGloss => "light-gloss",
            Finish::DarkGloss => "dark-gloss",
        }
    }

    fn factor(self) -> f64 {
        match self {
            Finish::Matt => 2.0,
            Finish::Satin => 1.5,
            Finish::LightGloss => 1.0,
            Finish::DarkGloss => 0.65,
        }
    }
}

/// Factor for a long panel seen in grazing light (common practice, no source).
const GRAZING: f64 = 0.7;

/// What a purpose gives: its limits, and what of the asked-for finish and light does not apply to
/// it.
#[derive(Clone, Debug, PartialEq)]
pub struct Chosen {
    /// One gap limit for each base of [`BASES_MM`].
    pub limits: Vec<Limit>,
    /// A sentence for each wish that was not applied.
    pub not_applied: Vec<String>,
}

/// Names of all purposes, strictest kinds of work first.
pub fn names() -> impl Iterator<Item = &'static str> {
    PRESETS.iter().map(|p| p.name)
}

/// What a purpose is, in words; `None` for an unknown name.
pub fn about(purpose: &str) -> Option<&'static str> {
    PRESETS.iter().find(|p| p.name == purpose).map(|p| p.about)
}

/// The limits of a purpose, with the finish and the light counted in where they apply; `None` for
/// an unknown name.
///
/// A finish does not apply to aerodynamic purposes, nor to those that already name a colour;
/// grazing light does not apply to aerodynamic ones. What does not apply is said in
/// [`Chosen::not_applied`].
///
/// ```
/// use lowspot::panel::presets::{Finish, limits};
/// let work_boat = limits("work-boat", Some(Finish::Matt), false).unwrap();
/// assert_eq!(work_boat.limits[1].max, 3.0); // 1.5 mm under 300 mm, twice that for matt
/// ```
pub fn limits(purpose: &str, finish: Option<Finish>, grazing_light: bool) -> Option<Chosen> {
    let preset = PRESETS.iter().find(|p| p.name == purpose)?;
    let mut factor = 1.0;
    let mut why = String::new();
    let mut not_applied = Vec::new();
    if let Some(finish) = finish {
        match preset.eye {
            Eye::Open => {
                factor *= finish.factor();
                why = format!(", × {} for {}", finish.factor(), finish.word());
            }
            Eye::Air => not_applied.push(format!(
                "finish \"{}\" is not applied: purpose {purpose} is aerodynamic",
                finish.word()
            )),
            Eye::ColourNamed => not_applied.push(format!(
                "finish \"{}\" is not applied: purpose {purpose} already names its colour",
                finish.word()
            )),
        }
    }
    if grazing_light {
        if preset.eye == Eye::Air {
            not_applied.push(format!(
                "grazing_light is not applied: purpose {purpose} is aerodynamic"
            ));
        } else {
            factor *= GRAZING;
            why.push_str(&format!(", × {GRAZING} for grazing light"));
        }
    }
    let limits = BASES_MM
        .iter()
        .zip(preset.gaps_mm)
        .map(|(&base_mm, gap)| Limit {
            quantity: Quantity::Gap,
            base_mm,
            max: (gap * factor * 1000.0).round() / 1000.0,
            origin: format!("{}{why}", origin(preset, base_mm)),
        })
        .collect();
    Some(Chosen {
        limits,
        not_applied,
    })
}

fn origin(preset: &Preset, base_mm: f64) -> &'static str {
    if preset.name == "laminar-wing" && base_mm == 50.0 {
        LAMINAR_50
    } else {
        PRACTICE
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_purpose_has_four_limits_that_grow_with_the_base() {
        for name in names() {
            let chosen = limits(name, None, false).unwrap();
            assert_eq!(chosen.limits.len(), 4, "{name}");
            assert!(
                chosen.limits.windows(2).all(|w| w[0].max < w[1].max),
                "{name}"
            );
            assert!(about(name).is_some());
        }
        assert!(limits("spaceship", None, false).is_none());
    }

    #[test]
    fn only_the_laminar_50_mm_figure_is_called_published() {
        let published: Vec<(&str, f64)> = names()
            .flat_map(|n| {
                limits(n, None, false)
                    .unwrap()
                    .limits
                    .into_iter()
                    .map(move |l| (n, l))
            })
            .filter(|(_, l)| l.origin.starts_with("published"))
            .map(|(n, l)| (n, l.base_mm))
            .collect();
        assert_eq!(published, [("laminar-wing", 50.0)]);
    }

    #[test]
    fn finish_and_light_leave_aerodynamic_rows_alone() {
        let plain = limits("laminar-wing", None, false).unwrap();
        let asked = limits("laminar-wing", Some(Finish::DarkGloss), true).unwrap();
        assert_eq!(asked.limits, plain.limits);
        assert_eq!(asked.not_applied.len(), 2);
    }

    #[test]
    fn a_colour_is_not_counted_twice_but_grazing_light_is_counted() {
        let asked = limits("dark-gloss", Some(Finish::DarkGloss), true).unwrap();
        assert_eq!(asked.limits[1].max, 0.105);
        assert_eq!(
            asked.limits[1].origin,
            "common practice, no source, × 0.7 for grazing light"
        );
        assert_eq!(asked.not_applied.len(), 1);
        let open = limits("racing-hull", Some(Finish::DarkGloss), false).unwrap();
        assert_eq!(open.limits[1].max, 0.13);
    }
}
