//! Reading `panel.toml` into a [`Panel`]: every default filled in, every fault named at once.
//!
//! The file is walked as a tree of values that know their place in the text, so that a wrong key, a
//! wrong value and a slip of syntax are all reported with line and column. `docs/formats.md` lists
//! every field.

mod areas;
mod limits;
mod skin;
mod targets;

pub use areas::MOST_CORNERS;

use super::{Form, NODE_LIMIT_MM, Panel};
use crate::problem::{Error, Fault, Warning};
use crate::settings::{Reader, Value, get};
use crate::text::{self, plain_mm, quoted};
use std::path::Path;
use toml::de::DeTable;

/// Smallest length or width of a panel, mm.
pub const LEAST_SIDE_MM: f64 = 10.0;
/// Largest length or width of a panel, mm (100 m).
pub const MOST_SIDE_MM: f64 = 100_000.0;
/// Largest panel file that is read, bytes.
pub const MOST_BYTES: u64 = 1_000_000;

const KEYS: [&str; 40] = [
    "name",
    "length",
    "width",
    "form",
    "purpose",
    "finish",
    "grazing_light",
    "limit",
    "outline",
    "cutouts",
    "sand_allowance",
    "no_sand",
    "no_fill",
    "photo_ignore",
    "zone",
    "form_wavelength",
    "radius",
    "node_limit",
    "sheet_metal",
    "moving_surface",
    "target",
    "film",
    "film_keep",
    "film_is",
    "core",
    "heat_limit",
    "lifting_surface",
    "film_measured",
    "film_area",
    "substrate",
    "face",
    "below_water",
    "arm",
    "arm_along",
    "hinge",
    "mass_budget",
    "mass_budget_per_m2",
    "mass_so_far",
    "whole_mass",
    "whole_cg",
];
/// Reads a panel file.
///
/// # Errors
/// [`Error::Faults`] with everything wrong in the file.
pub fn load(path: &Path) -> Result<(Panel, Vec<Warning>), Error> {
    let file = path.display().to_string();
    text::read_typed(path, MOST_BYTES)
        .map_err(|fault| vec![fault])
        .and_then(|text| parse(&text, &file))
        .map_err(Error::Faults)
}

/// Reads the text of a panel file; `file` is its name as the user wrote it, for messages.
///
/// # Errors
/// Everything wrong, in the order of the file. Keys that are missing come first, without a line.
///
/// ```
/// let text = "name = \"lid\"\nlength = 900\nwidth = \"24 in\"\n\
///             form = \"flat\"\npurpose = \"dark-gloss\"\n";
/// let (panel, warnings) = lowspot::panel::file::parse(text, "panel.toml").unwrap();
/// assert!((panel.width_mm - 609.6).abs() < 1e-9);
/// assert!(warnings.is_empty());
/// ```
pub fn parse(text: &str, file: &str) -> Result<(Panel, Vec<Warning>), Vec<Fault>> {
    let mut reader = Reader::new(text, file);
    if let Some(advice) = not_a_panel(text) {
        reader.faults.add(0, 0, advice);
        return Err(reader.faults.into_list());
    }
    let mended = reader.without_slips();
    let (table, _) = DeTable::parse_recoverable(&mended);
    let panel = reader.panel(table.get_ref());
    match panel {
        Some(panel) if reader.faults.is_empty() => Ok((panel, reader.warnings)),
        _ => Err(reader.faults.into_list()),
    }
}

/// Advice when the text is plainly a readings file.
fn not_a_panel(text: &str) -> Option<&'static str> {
    const ADVICE: &str =
        "holds readings, not a panel; the panel's file comes first: panel.toml, then the readings";
    let first = text
        .lines()
        .map(str::trim)
        .find(|l| !l.is_empty() && !l.starts_with('#'))?;
    let word = first.split([' ', '\t', ',', ';']).next().unwrap_or("");
    let notes = ["panel", "date", "tool", "unit", "step", "by", "skin"].contains(&word);
    let placing = first.contains(" to ") && first.contains(':');
    let table = first.contains("placing") && first.contains("reading");
    (!first.contains('=') && (notes || placing || table)).then_some(ADVICE)
}

impl Reader<'_> {
    fn panel(&mut self, table: &DeTable) -> Option<Panel> {
        self.check_keys(table, KEYS.into_iter(), "a panel");
        let name = self
            .wanted(table, "name", "name = \"cabin roof\"")
            .and_then(|v| self.name(v));
        let length_mm = self
            .wanted(table, "length", "length = \"1800 mm\"")
            .and_then(|v| self.side(v, "length"));
        let width_mm = self
            .wanted(table, "width", "width = \"1200 mm\"")
            .and_then(|v| self.side(v, "width"));
        let form = self
            .wanted(
                table,
                "form",
                "form = \"crowned\" (or flat, ruled-x, ruled-y)",
            )
            .and_then(|v| self.form(v));
        let size = length_mm.zip(width_mm);
        let outline = self.outline(table, size);
        let cutouts = self.areas(table, "cutouts", size);
        self.check_cutouts(table, outline.as_ref(), &cutouts);
        let no_sand = self.areas(table, "no_sand", size);
        let no_fill = self.areas(table, "no_fill", size);
        let photo_ignore = self.areas(table, "photo_ignore", size);
        let sand_allowance_mm = get(table, "sand_allowance")
            .and_then(|v| self.length_between(v, "sand_allowance", 0.0, 50.0));
        let node_limit_mm =
            get(table, "node_limit").and_then(|v| self.length_between(v, "node_limit", 0.01, 10.0));
        let form_wavelength = get(table, "form_wavelength").and_then(|v| self.wavelengths(v));
        let radius = get(table, "radius").and_then(|v| self.radius(v));
        let purpose = self.purpose(table);
        let limits = self.limits_of(table, true);
        let zones = self.zones(table, size);
        let sheet_metal = self.flag(table, "sheet_metal");
        let moving_surface = self.flag(table, "moving_surface");
        let targets = self.targets(table, outline.as_ref());
        let skin = self.skin(table, size);
        let (length_mm, width_mm) = size?;
        let form = form?;
        Some(Panel {
            name: name?,
            length_mm,
            width_mm,
            form,
            purpose,
            outline: outline?,
            cutouts,
            no_sand,
            no_fill,
            photo_ignore,
            sand_allowance_mm,
            limits,
            zones,
            form_wavelength_mm: form_wavelength.unwrap_or(form.wavelengths_mm()),
            form_wavelength_given: form_wavelength.is_some(),
            radius_mm: radius.unwrap_or_default(),
            node_limit_mm: node_limit_mm.unwrap_or(NODE_LIMIT_MM),
            sheet_metal,
            moving_surface,
            targets,
            skin,
        })
    }

    fn side(&mut self, value: Value, what: &str) -> Option<f64> {
        let mm = self.length(value, what)?;
        if (LEAST_SIDE_MM..=MOST_SIDE_MM).contains(&mm) {
            return Some(mm);
        }
        self.fault(
            value.span(),
            format!(
                "{what} {} mm is no size for a panel; expected {LEAST_SIDE_MM} to {MOST_SIDE_MM} mm (100 m); \
                 a bare number is mm, other units are written, such as \"1.8 m\"",
                plain_mm(mm)
            ),
        );
        None
    }

    fn form(&mut self, value: Value) -> Option<Form> {
        const FORMS: [(&str, Form); 4] = [
            ("flat", Form::Flat),
            ("ruled-x", Form::RuledX),
            ("ruled-y", Form::RuledY),
            ("crowned", Form::Crowned),
        ];
        let word = self.words(value, "form", "\"crowned\"")?;
        let form = FORMS.iter().find(|(w, _)| *w == word).map(|(_, f)| *f);
        if form.is_none() {
            let near = text::did_you_mean(word, FORMS.map(|(w, _)| w));
            self.fault(
                value.span(),
                format!(
                    "form {} is not known; expected flat, ruled-x (straight along the length), ruled-y \
                     (straight across) or crowned{near}",
                    quoted(word)
                ),
            );
        }
        form
    }

    /// One radius for both axes, or [along x, along y]; "straight" is no curvature, "free" is not
    /// known.
    fn radius(&mut self, value: Value) -> Option<[Option<f64>; 2]> {
        let Some(list) = value.get_ref().as_array() else {
            return self.one_radius(value).map(|r| [r, r]);
        };
        let pair: Vec<Option<f64>> = list.iter().filter_map(|v| self.one_radius(v)).collect();
        if list.len() != 2 {
            self.fault(
                value.span(),
                format!(
                    "radius has {} values; expected one, or [along x, along y] such as [\"free\", \"3 m\"]",
                    list.len()
                ),
            );
        }
        <[Option<f64>; 2]>::try_from(pair).ok()
    }

    fn one_radius(&mut self, value: Value) -> Option<Option<f64>> {
        match value.get_ref().as_str() {
            Some("free") => Some(None),
            Some("straight") => Some(Some(f64::INFINITY)),
            _ => {
                let (least, most) = (100.0, 1_000_000.0);
                self.length_between(value, "radius", least, most).map(Some)
            }
        }
    }

    fn wavelengths(&mut self, value: Value) -> Option<[f64; 2]> {
        let (least, most) = (50.0, 1_000_000.0);
        if let Some(list) = value.get_ref().as_array() {
            let pair: Vec<f64> = list
                .iter()
                .filter_map(|v| self.length_between(v, "form_wavelength", least, most))
                .collect();
            if list.len() != 2 {
                self.fault(
                    value.span(),
                    format!(
                        "form_wavelength has {} values; expected one, or [along x, along y]",
                        list.len()
                    ),
                );
            }
            return <[f64; 2]>::try_from(pair).ok();
        }
        self.length_between(value, "form_wavelength", least, most)
            .map(|mm| [mm, mm])
    }
}
