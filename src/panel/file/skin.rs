//! What `panel.toml` says of film, substrate, stance, mass and balance.

use crate::panel::Polygon;
use crate::panel::skin::{Core, Face, Film, FilmOf, MassPlace, Skin, Substrate};
use crate::settings::{Reader, Value, get};
use crate::text::{did_you_mean, quoted};
use crate::units;
use jiff::civil::Date;
use toml::Spanned;
use toml::de::DeTable;

const FILM_AREA_KEYS: [&str; 2] = ["outline", "film"];
/// Thickest film that can be meant, mm.
const MOST_FILM_MM: f64 = 50.0;
/// Longest arm that can be meant, mm.
const MOST_ARM_MM: f64 = 100_000.0;
/// Largest mass that can be meant, g.
const MOST_MASS_G: f64 = 1e9;
const DIRECTIONS: [(&str, [f64; 2]); 4] = [
    ("x", [1.0, 0.0]),
    ("-x", [-1.0, 0.0]),
    ("y", [0.0, 1.0]),
    ("-y", [0.0, -1.0]),
];

/// Size of a panel, mm, where it could be read.
type Size = Option<(f64, f64)>;

impl Reader<'_> {
    /// All of it.
    pub(super) fn skin(&mut self, table: &DeTable, size: Size) -> Skin {
        Skin {
            substrate: self.one_of(table, "substrate", &Substrate::ALL),
            core: self.one_of(table, "core", &Core::ALL),
            heat_limit_c: self.heat_limit(table),
            lifting: self.flag(table, "lifting_surface"),
            face: self.one_of(table, "face", &Face::ALL).unwrap_or_default(),
            below_water: get(table, "below_water").map(|_| self.flag(table, "below_water")),
            film: self.film(table, size),
            mass: self.mass_place(table, size),
        }
    }

    /// The warmest that the panel may become, °C: a bare number, or text with its unit.
    fn heat_limit(&mut self, table: &DeTable) -> Option<f64> {
        const EXPECTED: &str = "a temperature; expected °C such as 55, or \"130 F\"";
        let value = get(table, "heat_limit")?;
        let c = match (Self::bare(value), value.get_ref().as_str()) {
            (Some(c), _) => Some(c),
            (None, Some(words)) => units::temperature(words)
                .map_err(|why| self.fault(value.span(), format!("heat_limit: {why}")))
                .ok(),
            (None, None) => {
                self.wrong_kind(value, "heat_limit", EXPECTED);
                None
            }
        }?;
        if !(20.0..=300.0).contains(&c) {
            self.fault(
                value.span(),
                format!("heat_limit {c} °C cannot be meant; expected 20 to 300 °C"),
            );
            return None;
        }
        Some(c)
    }

    /// One of a list of words.
    fn one_of<T: Copy>(&mut self, table: &DeTable, key: &str, known: &[(&str, T)]) -> Option<T> {
        let value = get(table, key)?;
        let word = self.words(value, key, &quoted(known.first()?.0))?;
        let found = known.iter().find(|(w, _)| *w == word).map(|(_, t)| *t);
        if found.is_none() {
            let words: Vec<&str> = known.iter().map(|(w, _)| *w).collect();
            let near = did_you_mean(word, words.iter().copied());
            self.fault(
                value.span(),
                format!(
                    "{key} {} is not known; expected one of {}{near}",
                    quoted(word),
                    words.join(", ")
                ),
            );
        }
        found
    }

    fn film(&mut self, table: &DeTable, size: Size) -> Film {
        let thickness = |reader: &mut Self, table: &DeTable, key: &str| {
            get(table, key).and_then(|v| reader.length_between(v, key, 0.0, MOST_FILM_MM))
        };
        let all_mm = thickness(self, table, "film");
        let keep_mm = thickness(self, table, "film_keep");
        let mut areas = Vec::new();
        for (entry, known) in self
            .listed(table, "zone")
            .into_iter()
            .map(|t| (t, false))
            .chain(
                self.listed(table, "film_area")
                    .into_iter()
                    .map(|t| (t, true)),
            )
        {
            areas.extend(self.film_area(entry, known, size));
        }
        let of = self.one_of(table, "film_is", &FilmOf::ALL);
        let known = all_mm.is_some() || !areas.is_empty();
        let silent = get(table, "film_is").is_none() && get(table, "sand_allowance").is_none();
        if known && silent {
            let span = get(table, "film").map(Spanned::span);
            self.warn(
                span,
                "film is given but not what it is, so it allows no sanding: add film_is = \"filler\" (or primer, gelcoat, paint)",
            );
        }
        Film {
            all_mm,
            areas,
            of,
            keep_mm,
            measured: self.day(table, "film_measured"),
            now: None,
        }
    }

    /// A day of the calendar.
    fn day(&mut self, table: &DeTable, key: &str) -> Option<Date> {
        let value = get(table, key)?;
        let words = self.words(value, key, "\"2026-05-01\"")?.to_string();
        let day = words.parse().ok();
        if day.is_none() {
            self.fault(
                value.span(),
                format!(
                    "{key} {}: expected a day of the calendar such as \"2026-05-01\"",
                    quoted(&words)
                ),
            );
        }
        day
    }

    /// The tables of a list; what is no table is told where the list itself is read.
    fn listed<'v, 'i>(&mut self, table: &'v DeTable<'i>, key: &str) -> Vec<Value<'v, 'i>> {
        let Some(value) = get(table, key) else {
            return Vec::new();
        };
        let list = value.get_ref().as_array();
        if list.is_none() && key == "film_area" {
            self.wrong_kind(
                value,
                key,
                "a list; write each as [[film_area]] with outline and film below it",
            );
        }
        list.into_iter().flat_map(|l| l.iter()).collect()
    }

    /// The film of a zone that names one, or of a `[[film_area]]`, which must.
    fn film_area(&mut self, entry: Value, own: bool, size: Size) -> Option<(Polygon, f64)> {
        let Some(table) = entry.get_ref().as_table() else {
            if own {
                self.wrong_kind(entry, "film_area", "a table with outline and film");
            }
            return None;
        };
        if own {
            self.check_keys(table, FILM_AREA_KEYS.into_iter(), "[[film_area]]");
            for key in FILM_AREA_KEYS {
                if get(table, key).is_none() {
                    self.fault(
                        entry.span(),
                        format!(
                            "[[film_area]] has no {key}; expected outline = [[0, 0], [300, 0], [300, 200]] and film = \"0.3 mm\""
                        ),
                    );
                }
            }
        }
        let film =
            get(table, "film").and_then(|v| self.length_between(v, "film", 0.0, MOST_FILM_MM))?;
        let outline = get(table, "outline")?;
        // A zone's own faults are told where zones are read.
        let outline = if own {
            self.polygon(outline, "film_area", size)?
        } else {
            Self::plain_polygon(outline)?
        };
        Some((outline, film))
    }

    /// Corners only, nothing told.
    fn plain_polygon(value: Value) -> Option<Polygon> {
        let length = |v: Value| Self::bare(v).or_else(|| units::length(v.get_ref().as_str()?).ok());
        let corner = |v: Value| {
            let pair: Vec<f64> = v.get_ref().as_array()?.iter().filter_map(length).collect();
            <[f64; 2]>::try_from(pair).ok()
        };
        let corners: Vec<[f64; 2]> = value
            .get_ref()
            .as_array()?
            .iter()
            .filter_map(corner)
            .collect();
        (corners.len() >= 3).then_some(Polygon(corners))
    }

    fn mass_place(&mut self, table: &DeTable, size: Size) -> MassPlace {
        let arm_mm = get(table, "arm")
            .and_then(|v| self.length_between(v, "arm", -MOST_ARM_MM, MOST_ARM_MM));
        let along = self.one_of(table, "arm_along", &DIRECTIONS);
        if along.is_some() && get(table, "arm").is_none() {
            let span = get(table, "arm_along").map(Spanned::span);
            self.warn(span, "arm_along is not used without an arm");
        }
        let whole = self.whole(table);
        let hinge = get(table, "hinge").and_then(|v| self.hinge(v, size));
        MassPlace {
            arm_mm,
            along,
            hinge,
            budget_g: self.mass(table, "mass_budget"),
            budget_g_per_m2: self.mass(table, "mass_budget_per_m2"),
            so_far_g: self.mass(table, "mass_so_far").unwrap_or(0.0),
            whole,
        }
    }

    /// Mass and centre of gravity of the whole craft: both or neither.
    fn whole(&mut self, table: &DeTable) -> Option<(f64, f64)> {
        let mass_g = self.mass(table, "whole_mass");
        let cg_mm = get(table, "whole_cg")
            .and_then(|v| self.length_between(v, "whole_cg", -MOST_ARM_MM, MOST_ARM_MM));
        for (given, missing) in [("whole_mass", "whole_cg"), ("whole_cg", "whole_mass")] {
            if let (Some(value), None) = (get(table, given), get(table, missing)) {
                self.fault(
                    value.span(),
                    format!(
                        "{given} without {missing}; the shift of the centre of gravity needs both"
                    ),
                );
            }
        }
        mass_g.filter(|g| *g > 0.0).zip(cg_mm)
    }

    /// A mass in g: a bare number, or text with its unit.
    fn mass(&mut self, table: &DeTable, key: &str) -> Option<f64> {
        let value = get(table, key)?;
        let g = match (Self::bare(value), value.get_ref().as_str()) {
            (Some(g), _) => g,
            (None, Some(words)) => match units::mass(words) {
                Ok(g) => g,
                Err(why) => {
                    self.fault(value.span(), format!("{key}: {why}"));
                    return None;
                }
            },
            (None, None) => {
                self.wrong_kind(value, key, "a mass; expected g such as 400, or \"0.4 kg\"");
                return None;
            }
        };
        if !(0.0..=MOST_MASS_G).contains(&g) {
            self.fault(
                value.span(),
                format!("{key} {g} g cannot be meant; expected 0 to 1,000 t"),
            );
            return None;
        }
        Some(g)
    }

    /// Two points, not one.
    fn hinge(&mut self, value: Value, size: Size) -> Option<[[f64; 2]; 2]> {
        let list: Vec<Value> = value
            .get_ref()
            .as_array()
            .into_iter()
            .flat_map(|l| l.iter())
            .collect();
        let points: Vec<[f64; 2]> = list.iter().filter_map(|v| self.point(v)).collect();
        let pair = <[[f64; 2]; 2]>::try_from(points).ok();
        let apart = pair.filter(|[p, q]| (p[0] - q[0]).hypot(p[1] - q[1]) >= 1.0);
        if apart.is_none() {
            self.wrong_kind(
                value,
                "hinge",
                "a line; expected its two ends such as [[0, 120], [1800, 120]]",
            );
            return None;
        }
        // A hinge line may lie beside the panel, but not in another room.
        let (length, width) = size?;
        let far = apart?
            .iter()
            .any(|p| p[0] < -length || p[0] > 2.0 * length || p[1] < -width || p[1] > 2.0 * width);
        if far {
            self.fault(
                value.span(),
                "hinge lies more than a panel's size off the panel; bare numbers are mm from the datum corner",
            );
            return None;
        }
        apart
    }
}
