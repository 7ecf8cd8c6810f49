//! Reading `panel.toml` into a [`Panel`]: every default filled in, every fault named at once.
//!
//! The file is walked as a tree of values that know their place in the text, so that a wrong key, a wrong
//! value and a slip of syntax are all reported with line and column. `docs/formats.md` lists every field.

use super::presets::{self, Finish};
use super::{Form, Limit, NODE_LIMIT_MM, Panel, Polygon, Quantity, Zone, corners};
use crate::problem::{Error, Fault, Warning};
use crate::text::{self, Faults, plain_mm, quoted};
use crate::units;
use std::ops::Range;
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Smallest length or width of a panel, mm.
pub const LEAST_SIDE_MM: f64 = 10.0;
/// Largest length or width of a panel, mm (100 m).
pub const MOST_SIDE_MM: f64 = 100_000.0;
/// Most corners in one file, all areas together.
pub const MOST_CORNERS: usize = 5_000;
const MOST_BYTES: u64 = 1_000_000;
const MOST_NAME: usize = 80;
/// Most slips of syntax that are looked for in one file.
const MOST_SLIPS: usize = 20;

const KEYS: [&str; 18] = [
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
    "zone",
    "form_wavelength",
    "node_limit",
    "sheet_metal",
    "moving_surface",
];
const LIMIT_KEYS: [&str; 4] = ["base", "gap", "swing", "slope"];
const ZONE_KEYS: [&str; 6] = [
    "name",
    "outline",
    "limit",
    "purpose",
    "finish",
    "grazing_light",
];
const AREA_KEYS: [&str; 1] = ["outline"];

/// Reads a panel file.
///
/// # Errors
/// [`Error::Faults`] with everything wrong in the file.
pub fn load(path: &Path) -> Result<(Panel, Vec<Warning>), Error> {
    let file = path.display().to_string();
    text::read(path, MOST_BYTES)
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
/// let text = "name = \"lid\"\nlength = 900\nwidth = \"24 in\"\nform = \"flat\"\npurpose = \"dark-gloss\"\n";
/// let (panel, warnings) = lowspot::panel::file::parse(text, "panel.toml").unwrap();
/// assert!((panel.width_mm - 609.6).abs() < 1e-9);
/// assert!(warnings.is_empty());
/// ```
pub fn parse(text: &str, file: &str) -> Result<(Panel, Vec<Warning>), Vec<Fault>> {
    let mut reader = Reader {
        text,
        file,
        faults: Faults::of(file),
        warnings: Vec::new(),
        corners: 0,
        syntax_sound: true,
    };
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
    const ADVICE: &str = "holds readings, not a panel; the panel's file comes first: panel.toml, then the readings";
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

/// A slip of syntax: where, what to say, and the bytes to blank so that the rest can be read.
struct Slip {
    at: usize,
    message: String,
    cut: Range<usize>,
}

impl Slip {
    fn of(text: &str, fault: &toml::de::Error) -> Slip {
        let span = fault.span().unwrap_or(0..0);
        let line = line_around(text, span.start);
        let to_end = text.get(span.start..line.end).unwrap_or("");
        let found = match text.get(span.clone()) {
            Some(found) if !found.is_empty() => found,
            _ => to_end.split('#').next().unwrap_or("").trim(),
        };
        let said = fault.message();
        if said.contains("array") && !said.contains("array table") {
            return Slip::in_list(text, &line, span.start);
        }
        let message = match said {
            "duplicate key" => format!("{} is given twice; keep one", quoted(found)),
            m if m.starts_with("string values must be quoted") || m.starts_with("invalid boolean") => format!(
                "{} is neither a number nor text in quotes; words and numbers with a unit stand in quotes, such as \
                 \"12 in\", numbers in a list are parted by commas",
                quoted(found)
            ),
            m if m.starts_with("key with no value") => {
                "no \"=\" behind the key; expected key = value, such as width = 1200".into()
            }
            m if m.starts_with("unexpected key or value") => {
                "something stands behind the value; expected one key = value a line, a point as decimal mark and no \
                 comma for thousands"
                    .into()
            }
            m if m.contains("string") => "a quote is not closed on this line".into(),
            m => format!("not TOML: {m}; expected key = value, such as width = 1200"),
        };
        // The keys below a broken [header] belong to nothing that is known.
        let header = text
            .get(line.clone())
            .is_some_and(|l| l.trim_start().starts_with('['));
        let cut = if header {
            line.start..next_header(text, line.end)
        } else {
            line
        };
        Slip {
            at: span.start,
            message,
            cut,
        }
    }

    /// A list that is not closed or lacks a comma: told where it opens, cut up to the next key.
    fn in_list(text: &str, line: &Range<usize>, at: usize) -> Slip {
        let before = text.get(..at).unwrap_or("");
        let opens = before
            .rfind("= [")
            .map(|i| i + 2)
            .or(before.rfind("=[").map(|i| i + 1))
            .unwrap_or(at);
        let start = line_around(text, opens).start;
        let next_key = start < line.start
            && text
                .get(line.clone())
                .is_some_and(|l| l.contains('='));
        let end = if next_key { line.start } else { line.end };
        Slip {
            at: opens,
            message: "this list is not closed, or lacks a comma; expected such as [[0, 0], [1800, 0], [1800, 1200]]"
                .into(),
            cut: start..end,
        }
    }
}

/// Bytes of the line that holds a byte, without its end.
fn line_around(text: &str, byte: usize) -> Range<usize> {
    let byte = byte.min(text.len());
    let start = text
        .get(..byte)
        .and_then(|b| b.rfind('\n'))
        .map_or(0, |i| i + 1);
    let end = text
        .get(byte..)
        .and_then(|b| b.find('\n'))
        .map_or(text.len(), |i| byte + i);
    start..end
}

fn next_header(text: &str, from: usize) -> usize {
    text.get(from..)
        .and_then(|rest| rest.find("\n["))
        .map_or(text.len(), |i| from + i)
}

/// The text with spaces for everything but line ends in a range of bytes that begins and ends with lines.
fn blanked(text: &str, cut: Range<usize>) -> String {
    match (
        text.get(..cut.start),
        text.get(cut.clone()),
        text.get(cut.end..),
    ) {
        (Some(before), Some(slip), Some(after)) => {
            let spaces: String = slip
                .bytes()
                .map(|b| if b == b'\n' { '\n' } else { ' ' })
                .collect();
            format!("{before}{spaces}{after}")
        }
        _ => text.to_string(),
    }
}

struct Reader<'t> {
    text: &'t str,
    file: &'t str,
    faults: Faults,
    warnings: Vec<Warning>,
    corners: usize,
    syntax_sound: bool,
}

type Value<'v, 'i> = &'v Spanned<DeValue<'i>>;

fn get<'v, 'i>(table: &'v DeTable<'i>, key: &str) -> Option<Value<'v, 'i>> {
    table
        .iter()
        .find(|(k, _)| k.get_ref().as_ref() == key)
        .map(|(_, v)| v)
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
        let sand_allowance_mm = get(table, "sand_allowance")
            .and_then(|v| self.length_between(v, "sand_allowance", 0.0, 50.0));
        let node_limit_mm = get(table, "node_limit")
            .and_then(|v| self.length_between(v, "node_limit", 0.01, 10.0));
        let form_wavelength = get(table, "form_wavelength").and_then(|v| self.wavelengths(v));
        let purpose = self.purpose(table);
        let limits = self.limits_of(table, true);
        let zones = self.zones(table, size);
        let sheet_metal = self.flag(table, "sheet_metal");
        let moving_surface = self.flag(table, "moving_surface");
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
            sand_allowance_mm,
            limits,
            zones,
            form_wavelength_mm: form_wavelength.unwrap_or(form.wavelengths_mm()),
            form_wavelength_given: form_wavelength.is_some(),
            node_limit_mm: node_limit_mm.unwrap_or(NODE_LIMIT_MM),
            sheet_metal,
            moving_surface,
        })
    }

    // Places and messages.

    fn fault(&mut self, span: Range<usize>, message: impl Into<String>) {
        let (line, column) = if self.faults.full() {
            (0, 0)
        } else {
            text::place(self.text, span.start)
        };
        self.faults.add(line, column, message);
    }

    fn warn(&mut self, span: Option<Range<usize>>, text: impl Into<String>) {
        let place = span.map_or(self.file.to_string(), |s| {
            let (line, column) = text::place(self.text, s.start);
            format!("{}:{line}:{column}", self.file)
        });
        self.warnings.push(Warning {
            place,
            text: text.into(),
        });
    }

    /// The text with every line blanked that is not TOML, each told as a fault. The parser loses what follows
    /// a slip, so it is asked again after each; places stay the same.
    fn without_slips(&mut self) -> String {
        let mut text = self.text.to_string();
        for _ in 0..MOST_SLIPS {
            let (_, faults) = DeTable::parse_recoverable(&text);
            let first = faults
                .iter()
                .min_by_key(|f| f.span().map_or(0, |s| s.start));
            let Some(slip) = first.map(|f| Slip::of(&text, f)) else {
                break;
            };
            self.syntax_sound = false;
            self.fault(slip.at..slip.at, slip.message);
            let mended = blanked(&text, slip.cut);
            if mended == text {
                break;
            }
            text = mended;
        }
        text
    }

    fn check_keys<'k>(
        &mut self,
        table: &DeTable,
        known: impl Iterator<Item = &'k str> + Clone,
        of: &str,
    ) {
        for (key, _) in table.iter() {
            let word: &str = key.get_ref();
            if known.clone().any(|k| k == word) {
                continue;
            }
            let advice = match text::closest(word, known.clone()) {
                Some(near) => format!("did you mean {near}?"),
                None => format!(
                    "known keys: {}",
                    known.clone().collect::<Vec<_>>().join(", ")
                ),
            };
            self.fault(
                key.span(),
                format!("{} is no key of {of}; {advice}", quoted(word)),
            );
        }
    }

    /// A key that must be there. Not asked for where a slip of syntax may have swallowed it.
    fn wanted<'v, 'i>(
        &mut self,
        table: &'v DeTable<'i>,
        key: &str,
        example: &str,
    ) -> Option<Value<'v, 'i>> {
        let found = get(table, key);
        let written = || {
            self.text
                .lines()
                .any(|l| l.trim_start().trim_start_matches('"').starts_with(key))
        };
        if found.is_none() && (self.syntax_sound || !written()) {
            self.faults.add(
                0,
                0,
                format!("{key} is missing; add a line such as {example}"),
            );
        }
        found
    }

    fn wrong_kind(&mut self, value: Value, what: &str, expected: &str) {
        let shown = self.text.get(value.span()).unwrap_or("").to_string();
        self.fault(
            value.span(),
            format!("{what} {} is not {expected}", quoted(&shown)),
        );
    }

    // Single values.

    fn words<'v>(&mut self, value: &'v Spanned<DeValue>, what: &str, example: &str) -> Option<&'v str> {
        let words = value.get_ref().as_str();
        if words.is_none() {
            self.wrong_kind(value, what, &format!("text in quotes, such as {example}"));
        }
        words
    }

    fn name(&mut self, value: Value) -> Option<String> {
        let name = self.words(value, "name", "\"cabin roof\"")?.trim();
        let long = name.chars().count() > MOST_NAME;
        if name.is_empty() || long || name.chars().any(char::is_control) {
            self.fault(
                value.span(),
                format!(
                    "name {} is no name; expected one line of 1 to {MOST_NAME} letters",
                    quoted(name)
                ),
            );
            return None;
        }
        Some(name.to_string())
    }

    fn flag(&mut self, table: &DeTable, key: &str) -> bool {
        let Some(value) = get(table, key) else {
            return false;
        };
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            self.wrong_kind(value, key, "true or false, written without quotes");
        }
        flag.unwrap_or(false)
    }

    /// A bare number as written; integers in any TOML radix, no NaN, no infinity.
    fn bare(value: Value) -> Option<f64> {
        match value.get_ref() {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix())
                .ok()
                .map(|v| v as f64),
            DeValue::Float(f) => f.as_str().parse().ok().filter(|v: &f64| v.is_finite()),
            _ => None,
        }
    }

    /// A length in mm: a bare number, or text with its unit.
    fn length(&mut self, value: Value, what: &str) -> Option<f64> {
        if let Some(mm) = Self::bare(value) {
            return Some(mm);
        }
        match value.get_ref().as_str() {
            Some(words) => match units::length(words) {
                Ok(mm) => Some(mm),
                Err(why) => {
                    self.fault(value.span(), format!("{what}: {why}"));
                    None
                }
            },
            None => {
                self.wrong_kind(
                    value,
                    what,
                    "a length; expected mm such as 300, or text with a unit such as \"12 in\"",
                );
                None
            }
        }
    }

    fn length_between(&mut self, value: Value, what: &str, least: f64, most: f64) -> Option<f64> {
        let mm = self.length(value, what)?;
        if (least..=most).contains(&mm) {
            return Some(mm);
        }
        self.fault(
            value.span(),
            format!(
                "{what} {} mm cannot be meant; expected {} to {} mm, or write the unit",
                plain_mm(mm),
                plain_mm(least),
                plain_mm(most)
            ),
        );
        None
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

    // Areas.

    fn point(&mut self, value: Value) -> Option<[f64; 2]> {
        let pair = value.get_ref().as_array().filter(|a| a.len() == 2);
        let Some(pair) = pair else {
            self.wrong_kind(value, "corner", "a pair [x, y] such as [600, 400]");
            return None;
        };
        let both: Vec<f64> = pair
            .iter()
            .filter_map(|v| self.length(v, "corner"))
            .collect();
        <[f64; 2]>::try_from(both).ok()
    }

    /// An outline `[[x, y], …]`; checked for soundness and for lying on the panel.
    fn polygon(&mut self, value: Value, what: &str, size: Option<(f64, f64)>) -> Option<Polygon> {
        let Some(list) = value.get_ref().as_array() else {
            self.wrong_kind(
                value,
                what,
                "a list of corners such as [[0, 0], [1800, 0], [1800, 1200]]",
            );
            return None;
        };
        self.corners = self.corners.saturating_add(list.len());
        if self.corners > MOST_CORNERS {
            self.fault(
                value.span(),
                format!("more than {MOST_CORNERS} corners in one file; leave out corners closer than a few mm"),
            );
            return None;
        }
        let mut spans: Vec<Range<usize>> = list.iter().map(Spanned::span).collect();
        let mut points: Vec<[f64; 2]> = list.iter().filter_map(|v| self.point(v)).collect();
        if points.len() < list.len() {
            return None;
        }
        if points.len() > 3 && points.first() == points.last() {
            points.pop();
            spans.pop();
        }
        let on_panel = self.check_on_panel(&points, &spans, what, size);
        let polygon = Polygon(points);
        if let Some((i, flaw)) = corners::flaw(&polygon) {
            let span = spans.get(i).cloned().unwrap_or(value.span());
            self.fault(span, format!("{what}: {flaw}"));
            return None;
        }
        on_panel.then_some(polygon)
    }

    fn check_on_panel(
        &mut self,
        points: &[[f64; 2]],
        spans: &[Range<usize>],
        what: &str,
        size: Option<(f64, f64)>,
    ) -> bool {
        let Some((length, width)) = size else {
            return true;
        };
        let slack = corners::TOUCH_MM;
        let mut sound = true;
        for (p, span) in points.iter().zip(spans) {
            let on = (-slack..=length + slack).contains(&p[0])
                && (-slack..=width + slack).contains(&p[1]);
            if !on {
                sound = false;
                self.fault(
                    span.clone(),
                    format!(
                        "{what}: corner [{}, {}] is off the panel, which is {} x {} mm from the datum corner; \
                         mend the corner, or length and width",
                        plain_mm(p[0]),
                        plain_mm(p[1]),
                        plain_mm(length),
                        plain_mm(width)
                    ),
                );
            }
        }
        sound
    }

    fn outline(&mut self, table: &DeTable, size: Option<(f64, f64)>) -> Option<Polygon> {
        let Some(value) = get(table, "outline") else {
            return size.map(|(l, w)| Polygon::rectangle(l, w));
        };
        let polygon = self.polygon(value, "outline", size)?;
        let (length, width) = size?;
        let b = polygon.bounds();
        if b[2] - b[0] < length / 2.0 || b[3] - b[1] < width / 2.0 {
            self.warn(
                Some(value.span()),
                format!(
                    "the outline covers only {} x {} mm of a panel of {} x {} mm; bare numbers are mm",
                    plain_mm(b[2] - b[0]),
                    plain_mm(b[3] - b[1]),
                    plain_mm(length),
                    plain_mm(width)
                ),
            );
        }
        Some(polygon)
    }

    /// Areas of one kind: a list of outlines, one outline, or tables with an `outline` each.
    fn areas(&mut self, table: &DeTable, key: &str, size: Option<(f64, f64)>) -> Vec<Polygon> {
        let Some(value) = get(table, key) else {
            return Vec::new();
        };
        match value.get_ref() {
            DeValue::Table(one) => self.area_table(one, value.span(), key, size).into_iter().collect(),
            DeValue::Array(list) if is_outline(list.iter()) => {
                self.polygon(value, key, size).into_iter().collect()
            }
            DeValue::Array(list) => list
                .iter()
                .filter_map(|v| match v.get_ref() {
                    DeValue::Table(t) => self.area_table(t, v.span(), key, size),
                    _ => self.polygon(v, key, size),
                })
                .collect(),
            _ => {
                self.wrong_kind(
                    value,
                    key,
                    "a list of outlines such as [[[600, 400], [1200, 400], [1200, 700]]]",
                );
                Vec::new()
            }
        }
    }

    fn area_table(
        &mut self,
        table: &DeTable,
        span: Range<usize>,
        key: &str,
        size: Option<(f64, f64)>,
    ) -> Option<Polygon> {
        self.check_keys(table, AREA_KEYS.into_iter(), &format!("[[{key}]]"));
        let Some(outline) = get(table, "outline") else {
            self.fault(
                span,
                format!("[[{key}]] has no outline; add outline = [[0, 0], [300, 0], [300, 200]]"),
            );
            return None;
        };
        self.polygon(outline, key, size)
    }

    fn check_cutouts(&mut self, table: &DeTable, outline: Option<&Polygon>, cutouts: &[Polygon]) {
        let Some(span) = get(table, "cutouts").map(Spanned::span) else {
            return;
        };
        for (i, cutout) in cutouts.iter().enumerate() {
            let leaving = outline.and_then(|o| corners::leaves(cutout, o));
            if let Some(corner) = leaving.and_then(|c| cutout.0.get(c)) {
                self.fault(
                    span.clone(),
                    format!(
                        "cutout {} leaves the outline at [{}, {}]; where an opening cuts the edge, draw it into \
                         the outline",
                        i + 1,
                        plain_mm(corner[0]),
                        plain_mm(corner[1])
                    ),
                );
            }
            for (j, other) in cutouts.iter().enumerate().skip(i + 1) {
                if corners::overlap(cutout, other) {
                    self.fault(
                        span.clone(),
                        format!("cutouts {} and {} overlap; draw them as one", i + 1, j + 1),
                    );
                }
            }
        }
        if let Some(outline) = outline {
            let open: f64 = cutouts.iter().map(Polygon::area_mm2).sum();
            if open >= outline.area_mm2() {
                self.fault(
                    span,
                    "the cutouts leave nothing of the panel; mend them or the outline",
                );
            }
        }
    }

    // Limits and zones.

    fn purpose(&mut self, table: &DeTable) -> Option<String> {
        let value = get(table, "purpose")?;
        let word = self.words(value, "purpose", "\"dark-gloss\"")?;
        if presets::about(word).is_none() {
            let known = presets::names().collect::<Vec<_>>().join(", ");
            let near = text::did_you_mean(word, presets::names());
            self.fault(
                value.span(),
                format!(
                    "purpose {} is not known; expected one of {known}{near}",
                    quoted(word)
                ),
            );
            return None;
        }
        Some(word.to_string())
    }

    /// Limits of a panel or a zone: those of its purpose, with its own `[[limit]]` entries replacing the
    /// one of the same base or added. A panel with neither gets the assumed one, and a warning.
    fn limits_of(&mut self, table: &DeTable, assume: bool) -> Vec<Limit> {
        let own = self.own_limits(table);
        let finish = get(table, "finish").and_then(|v| self.finish(v));
        let grazing = self.flag(table, "grazing_light");
        let named = get(table, "purpose").and_then(|v| v.get_ref().as_str());
        let chosen = named.and_then(|p| presets::limits(p, finish, grazing));
        let mut limits = chosen.as_ref().map_or(Vec::new(), |c| c.limits.clone());
        for why in chosen.map_or(Vec::new(), |c| c.not_applied) {
            self.warn(get(table, "purpose").map(Spanned::span), why);
        }
        if named.is_none() {
            self.warn_idle(table, "finish");
            self.warn_idle(table, "grazing_light");
        }
        for limit in own {
            limits.retain(|l| !same_base(l, &limit));
            limits.push(limit);
        }
        if limits.is_empty() && assume && named.is_none() && get(table, "limit").is_none() {
            limits = self.assumed();
        }
        limits
    }

    fn warn_idle(&mut self, table: &DeTable, key: &str) {
        if let Some(value) = get(table, key) {
            self.warn(
                Some(value.span()),
                format!("{key} changes nothing without a purpose: it is a factor on a purpose's limits"),
            );
        }
    }

    fn assumed(&mut self) -> Vec<Limit> {
        let limits: Vec<Limit> = presets::limits(presets::ASSUMED_PURPOSE, None, false)
            .map_or(Vec::new(), |c| c.limits)
            .into_iter()
            .filter(|l| l.base_mm == 300.0)
            .map(|l| Limit {
                origin: format!(
                    "assumed, none given: {} ({})",
                    presets::ASSUMED_PURPOSE,
                    l.origin
                ),
                ..l
            })
            .collect();
        for l in &limits {
            self.warn(
                None,
                format!(
                    "no purpose and no [[limit]] given: {} mm under {} mm is assumed, as for {}; \
                     write purpose = \"…\" or a [[limit]] with base and gap",
                    plain_mm(l.max),
                    plain_mm(l.base_mm),
                    presets::ASSUMED_PURPOSE
                ),
            );
        }
        limits
    }

    fn finish(&mut self, value: Value) -> Option<Finish> {
        let word = self.words(value, "finish", "\"satin\"")?;
        let finish = Finish::ALL.into_iter().find(|f| f.word() == word);
        if finish.is_none() {
            let near = text::did_you_mean(word, Finish::ALL.map(Finish::word));
            self.fault(
                value.span(),
                format!(
                    "finish {} is not known; expected matt, satin, light-gloss or dark-gloss{near}",
                    quoted(word)
                ),
            );
        }
        finish
    }

    fn own_limits(&mut self, table: &DeTable) -> Vec<Limit> {
        let Some(value) = get(table, "limit") else {
            return Vec::new();
        };
        let mut limits: Vec<Limit> = Vec::new();
        for (entry, span) in self.tables(value, "limit") {
            let Some(limit) = self.limit(entry, span.clone()) else {
                continue;
            };
            if limits.iter().any(|l| same_base(l, &limit)) {
                self.fault(
                    span,
                    format!(
                        "a second limit over {} mm; keep one",
                        plain_mm(limit.base_mm)
                    ),
                );
            }
            limits.push(limit);
        }
        limits
    }

    /// The tables of `[[key]]`; a single `[key]` is taken too.
    fn tables<'v, 'i>(&mut self, value: Value<'v, 'i>, key: &str) -> Vec<(&'v DeTable<'i>, Range<usize>)> {
        let entries: Vec<Value<'v, 'i>> = match value.get_ref() {
            DeValue::Array(list) => list.iter().collect(),
            _ => vec![value],
        };
        let mut tables = Vec::new();
        for entry in entries {
            match entry.get_ref().as_table() {
                Some(table) => tables.push((table, entry.span())),
                None => self.wrong_kind(
                    entry,
                    key,
                    &format!("a table; write [[{key}]] on a line of its own and its keys below"),
                ),
            }
        }
        tables
    }

    fn limit(&mut self, table: &DeTable, span: Range<usize>) -> Option<Limit> {
        self.check_keys(table, LIMIT_KEYS.into_iter(), "[[limit]]");
        let base_mm = match get(table, "base") {
            Some(v) => self.length_between(v, "base", 5.0, MOST_SIDE_MM),
            None => {
                self.fault(
                    span.clone(),
                    "a limit without a base is no limit: a gap says nothing until it is said under how long an \
                     edge; add base = \"300 mm\"",
                );
                None
            }
        };
        let quantities = [
            ("gap", Quantity::Gap),
            ("swing", Quantity::Swing),
            ("slope", Quantity::Slope),
        ];
        let given: Vec<(&str, Quantity, Value)> = quantities
            .into_iter()
            .filter_map(|(k, q)| get(table, k).map(|v| (k, q, v)))
            .collect();
        if given.len() != 1 {
            let found = given.iter().map(|g| g.0).collect::<Vec<_>>().join(" and ");
            let found = if found.is_empty() { "none".into() } else { found };
            self.fault(
                span,
                format!(
                    "a limit limits one thing: expected one of gap, swing or slope, found {found}; \
                     write a [[limit]] for each"
                ),
            );
        }
        let mut max = None;
        for (key, quantity, value) in &given {
            max = match quantity {
                Quantity::Slope => self.slope(value),
                _ => self.most_gap(value, key, base_mm),
            };
        }
        let quantity = given.first().filter(|_| given.len() == 1)?.1;
        Some(Limit {
            quantity,
            base_mm: base_mm?,
            max: max?,
            origin: "set in panel.toml".into(),
        })
    }

    fn most_gap(&mut self, value: Value, key: &str, base_mm: Option<f64>) -> Option<f64> {
        let mm = self.length_between(value, key, 0.001, 100.0)?;
        if base_mm.is_some_and(|base| mm > base / 10.0) {
            self.fault(
                value.span(),
                format!(
                    "{key} {} mm over a base of {} mm is no fair panel's limit; base and {key} swapped, or a unit missing?",
                    plain_mm(mm),
                    plain_mm(base_mm.unwrap_or(0.0))
                ),
            );
            return None;
        }
        Some(mm)
    }

    fn slope(&mut self, value: Value) -> Option<f64> {
        let slope = Self::bare(value).filter(|v| (0.01..=300.0).contains(v));
        if slope.is_none() {
            self.wrong_kind(
                value,
                "slope",
                "a bare number of mm per m from 0.01 to 300; write it such as slope = 4",
            );
        }
        slope
    }

    fn zones(&mut self, table: &DeTable, size: Option<(f64, f64)>) -> Vec<Zone> {
        let Some(value) = get(table, "zone") else {
            return Vec::new();
        };
        let mut zones: Vec<Zone> = Vec::new();
        for (entry, span) in self.tables(value, "zone") {
            let Some(zone) = self.zone(entry, span.clone(), size) else {
                continue;
            };
            for other in &zones {
                let clash = if other.name == zone.name {
                    "have the same name; give each its own"
                } else if corners::overlap(&other.outline, &zone.outline) {
                    "overlap, so that two limits would hold in one place; draw them side by side"
                } else {
                    continue;
                };
                self.fault(
                    span.clone(),
                    format!(
                        "zones {} and {} {clash}",
                        quoted(&other.name),
                        quoted(&zone.name)
                    ),
                );
            }
            zones.push(zone);
        }
        zones
    }

    fn zone(&mut self, table: &DeTable, span: Range<usize>, size: Option<(f64, f64)>) -> Option<Zone> {
        self.check_keys(table, ZONE_KEYS.into_iter(), "[[zone]]");
        let name = get(table, "name").and_then(|v| self.name(v));
        if get(table, "name").is_none() {
            self.fault(
                span.clone(),
                "[[zone]] has no name; add name = \"front edge\"",
            );
        }
        let outline = get(table, "outline").and_then(|v| self.polygon(v, "zone", size));
        if get(table, "outline").is_none() {
            self.fault(
                span.clone(),
                "[[zone]] has no outline; add outline = [[0, 0], [300, 0], [300, 200]]",
            );
        }
        let purpose = self.purpose(table);
        let limits = self.limits_of(table, false);
        if limits.is_empty() && purpose.is_none() && get(table, "limit").is_none() && get(table, "purpose").is_none()
        {
            self.fault(
                span,
                "[[zone]] has no limit of its own; add a [[zone.limit]] with base and gap, or purpose = \"…\"",
            );
        }
        Some(Zone {
            name: name?,
            outline: outline?,
            limits,
        })
    }
}

fn same_base(a: &Limit, b: &Limit) -> bool {
    a.quantity == b.quantity && (a.base_mm - b.base_mm).abs() < 0.5
}

/// Whether a list is one outline (its entries are pairs of lengths), not a list of outlines.
fn is_outline<'v, 'i: 'v>(mut list: impl Iterator<Item = &'v Spanned<DeValue<'i>>>) -> bool {
    list.next()
        .and_then(|first| first.get_ref().as_array())
        .and_then(|pair| pair.iter().next())
        .is_some_and(|v| !matches!(v.get_ref(), DeValue::Array(_) | DeValue::Table(_)))
}
