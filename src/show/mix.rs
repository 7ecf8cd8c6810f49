//! The mixing card: on the screen to copy or print, and as JSON.

use super::summary::{WIDEST, wrapped};
use crate::panel::skin::Face;
use crate::plan::mix::{Batch, Card, Measure};
use crate::plan::recipe::Base;
use crate::problem::Error;
use crate::text::plain_mm;
use crate::units::{CC_PER_FL_OZ, Units, three_digits};
use serde::Serialize;

/// The version of the layout.
pub const SCHEMA: u32 = 1;

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    recipe: &'a str,
    about: &'a str,
    asked_cc: f64,
    volume_cc: f64,
    density_g_per_cc: f64,
    density_from: &'a str,
    density_worked_out_g_per_cc: f64,
    density_without_air_g_per_cc: f64,
    air_percent: f64,
    mass_g: f64,
    at_c: f64,
    skin_c: f64,
    dew_point_c: Option<f64>,
    pot_life_min: f64,
    pot_life_low_min: f64,
    pot_life_high_min: f64,
    sandable_h: f64,
    prime_after_h: Option<f64>,
    coats: Option<u32>,
    greatest_coat_mm: Option<f64>,
    limited_by: &'a str,
    scale_g: Option<f64>,
    batches: Vec<JsonBatch<'a>>,
    ratio_from: &'a str,
    used: Vec<JsonUsed<'a>>,
    cautions: &'a [String],
    warnings: &'a [String],
}

#[derive(Serialize)]
struct JsonBatch<'a> {
    volume_cc: f64,
    mass_g: f64,
    parts: Vec<JsonPart<'a>>,
}

#[derive(Serialize)]
struct JsonPart<'a> {
    name: &'a str,
    mass_g: f64,
    volume_cc: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    strokes: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    stroke_error_percent: Option<f64>,
}

#[derive(Serialize)]
struct JsonUsed<'a> {
    what: &'a str,
    value: f64,
    unit: &'a str,
    origin: &'a str,
}

/// The card for programs.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be written, which no sound card does.
pub fn json(card: &Card) -> Result<String, Error> {
    let document = Document {
        schema: SCHEMA,
        recipe: &card.recipe,
        about: &card.about,
        asked_cc: card.asked_cc,
        volume_cc: card.volume_cc,
        density_g_per_cc: card.density_g_per_cc.value,
        density_from: &card.density_g_per_cc.origin,
        density_worked_out_g_per_cc: card.worked_out.with_air_g_per_cc,
        density_without_air_g_per_cc: card.worked_out.without_air_g_per_cc,
        air_percent: 100.0 * card.worked_out.air_share,
        mass_g: card.mass_g,
        at_c: card.at_c,
        skin_c: card.skin_c,
        dew_point_c: card.dew_point_c,
        pot_life_min: card.pot_life_min,
        pot_life_low_min: card.pot_life_range_min[0],
        pot_life_high_min: card.pot_life_range_min[1],
        sandable_h: card.sandable_h,
        prime_after_h: card.prime_after_h,
        coats: card.coats,
        greatest_coat_mm: card.greatest_coat_mm,
        limited_by: &card.limited_by,
        scale_g: card.scale_g,
        batches: card.batches.iter().map(json_batch).collect(),
        ratio_from: &card.ratio_from,
        used: card
            .used
            .iter()
            .map(|u| JsonUsed {
                what: u.what,
                value: u.figure.value,
                unit: u.unit,
                origin: &u.figure.origin,
            })
            .collect(),
        cautions: &card.cautions,
        warnings: &card.warnings,
    };
    serde_json::to_string_pretty(&document)
        .map(|text| text + "\n")
        .map_err(|e| Error::Calculation(format!("the card: {e}")))
}

fn json_batch(batch: &Batch) -> JsonBatch<'_> {
    JsonBatch {
        volume_cc: batch.volume_cc,
        mass_g: batch.mass_g,
        parts: batch
            .parts
            .iter()
            .map(|p| JsonPart {
                name: &p.name,
                mass_g: p.mass_g,
                volume_cc: p.volume_cc,
                strokes: p.strokes.map(|s| s.count),
                stroke_error_percent: p.strokes.map(|s| s.error_percent),
            })
            .collect(),
    }
}

/// The card to read: the batch first with its ratio, then times, then what must be heeded, then
/// what was used. `moving_surface`: it goes onto one, and that comes before any amount.
pub fn text(card: &Card, units: Units, moving_surface: bool) -> String {
    let width = terminal_size::terminal_size().map_or(WIDEST, |(w, _)| (w.0 as usize).min(WIDEST));
    let mut page = Page {
        card,
        units,
        width: width.max(40),
        out: String::new(),
    };
    if moving_surface {
        page.line(
            2,
            &format!(
                "FIRST: this goes onto a moving surface. {}",
                super::care::BALANCE
            ),
        );
        page.out.push('\n');
    }
    page.head();
    page.batches();
    page.times();
    page.list("Mind", &card.warnings);
    page.list("Care, before the first part is weighed", &card.cautions);
    page.used();
    page.out
}

/// The card while it is written.
struct Page<'a> {
    card: &'a Card,
    units: Units,
    width: usize,
    out: String,
}

impl Page<'_> {
    /// A line, wrapped, with what hangs below `hang` characters.
    fn line(&mut self, hang: usize, text: &str) {
        let indent = text.len() - text.trim_start().len();
        for (k, row) in wrapped(text, indent, hang, self.width).iter().enumerate() {
            let blanks = if k == 0 { indent } else { hang };
            self.out.push_str(&" ".repeat(blanks));
            self.out.push_str(row.trim_start());
            self.out.push('\n');
        }
    }

    fn head(&mut self) {
        let card = self.card;
        let about = if card.about.is_empty() {
            String::new()
        } else {
            format!(": {}", card.about)
        };
        self.line(2, &format!("{}{about}", card.recipe));
        let count = match card.batches.len() {
            1 => "in one batch".to_string(),
            n => format!("in {n} batches"),
        };
        self.line(
            2,
            &format!(
                "Mix {} at {}: {}, {count}.",
                self.units.volume(card.volume_cc),
                self.units.temperature(card.at_c),
                self.mass(card.mass_g)
            ),
        );
    }

    /// A table for each run of like batches.
    fn batches(&mut self) {
        let batches = &self.card.batches;
        let mut first = 0;
        for run in batches.chunk_by(|a, b| a == b) {
            let title = match (first, run.len()) {
                (0, 1) if batches.len() == 1 => "THE BATCH".to_string(),
                (0, _) => "THE FIRST BATCH".to_string(),
                (k, _) => format!("BATCH {}", k + 1),
            };
            self.table(&title, &run[0]);
            match run.len() {
                1 => {}
                2 => self.line(0, "and 1 more like it"),
                n => self.line(0, &format!("and {} more like it", n - 1)),
            }
            first += run.len();
        }
        self.ratio();
        self.out.push('\n');
        let limited = format!("Size of a batch: {}.", self.card.limited_by);
        self.line(2, &limited);
    }

    /// "Ratio by mass: epoxy resin 100 : hardener 45 : glass bubbles 40.6; published: …".
    fn ratio(&mut self) {
        let Some(batch) = self.card.batches.first() else {
            return;
        };
        let base = batch.parts.first().map_or(1.0, |p| p.mass_g).max(1e-9);
        let parts: Vec<String> = batch
            .parts
            .iter()
            .map(|p| format!("{} {}", p.name, three_digits(100.0 * p.mass_g / base)))
            .collect();
        let line = format!(
            "Ratio by mass: {}; {}.",
            parts.join(" : "),
            self.card.ratio_from
        );
        self.line(2, &line);
    }

    fn table(&mut self, title: &str, batch: &Batch) {
        let name_width = batch
            .parts
            .iter()
            .map(|p| p.name.chars().count())
            .chain([title.chars().count(), 16])
            .max()
            .unwrap_or(16);
        // "by volume" ends where the volumes do; what follows them says how they are measured.
        let row = |name: &str, mass: &str, volume: &str, how: &str| {
            format!("{name:<name_width$}  {mass:>10}  {volume:>12} {how}")
                .trim_end()
                .to_string()
        };
        let mut rows = vec![row(title, "by mass", "by volume", "")];
        rows.extend(batch.parts.iter().map(|p| {
            row(
                &p.name,
                &self.mass(p.mass_g),
                &self.fine_volume(p.volume_cc),
                &how_measured(p),
            )
        }));
        let mixed = self.fine_volume(batch.volume_cc);
        rows.push(row("together", &self.mass(batch.mass_g), &mixed, "mixed"));
        self.out.push('\n');
        for row in rows {
            self.out.push_str(&row);
            self.out.push('\n');
        }
    }

    /// A volume that is measured out: a tenth of a cc as long as that can be told.
    fn fine_volume(&self, cc: f64) -> String {
        match self.units {
            Units::Metric => format!("{} cc", three_digits(cc)),
            Units::Us => format!("{} fl oz", three_digits(cc / CC_PER_FL_OZ)),
        }
    }

    /// A mass as the scale shows it; without a scale, three digits.
    fn mass(&self, g: f64) -> String {
        match self.card.scale_g {
            Some(step) => format!("{g:.*} g", decimals(step)),
            None => self.units.mass(g),
        }
    }

    fn times(&mut self) {
        let card = self.card;
        let [low, high] = card.pot_life_range_min;
        let range = if high - low > 0.01 * card.pot_life_min {
            format!(" ({} to {})", three_digits(low), three_digits(high))
        } else {
            String::new()
        };
        self.line(
            2,
            &format!(
                "Pot life today: {} min{range}, from when the parts meet.",
                three_digits(card.pot_life_min)
            ),
        );
        if let Some(coats) = self.coats() {
            self.line(2, &coats);
        }
        let prime = card.prime_after_h.map_or(String::new(), |h| {
            format!(" Primer no sooner than {}.", hours(h))
        });
        self.line(
            2,
            &format!("Sandable after about {}.{prime}", hours(card.sandable_h)),
        );
        let density = &card.density_g_per_cc;
        self.line(
            2,
            &format!(
                "Density of the mix: {} g/cc, {}.",
                three_digits(density.value),
                density.origin
            ),
        );
    }

    fn coats(&self) -> Option<String> {
        let thickness = self.card.greatest_coat_mm.map(|mm| match self.units {
            Units::Metric => format!("{} mm", plain_mm(mm)),
            Units::Us => self.units.depth(mm),
        });
        let face = match self.card.face {
            Face::Level => "",
            Face::Vertical => " on a vertical face",
            Face::Overhead => " overhead",
        };
        if let (Some(n), Some(dry), Base::Primer) = (self.card.coats, &thickness, self.card.base) {
            return Some(format!("Coats: {n}, each {dry} when dry."));
        }
        match (self.card.coats, thickness) {
            (Some(1), Some(most)) => Some(format!("Coats: 1, no thicker than {most}{face}.")),
            (Some(n), Some(most)) => Some(format!(
                "Coats: {n}, each no thicker than {most}{face}; let each set before the next."
            )),
            (Some(n), None) => Some(format!("Coats: {n}.")),
            (None, Some(most)) => Some(format!(
                "Coats: no thicker than {most} each{face}; --depth tells how many."
            )),
            (None, None) => None,
        }
    }

    fn list(&mut self, title: &str, items: &[String]) {
        if items.is_empty() {
            return;
        }
        self.out.push('\n');
        self.line(0, title);
        for item in items {
            self.line(4, &format!("  - {item}"));
        }
    }

    fn used(&mut self) {
        self.out.push('\n');
        self.line(0, "Figures used; change them in shop.toml (--shop)");
        for used in &self.card.used {
            let value = plain(used.figure.value);
            let unit = if used.unit.is_empty() {
                String::new()
            } else {
                format!(" {}", used.unit)
            };
            self.line(
                4,
                &format!("  {} {value}{unit}: {}", used.what, used.figure.origin),
            );
        }
    }
}

/// How a part's volume is measured, and its strokes where the pump is calibrated.
fn how_measured(part: &Measure) -> String {
    let loose = if part.powder { "loose" } else { "" };
    let strokes = part.strokes.map(|s| {
        let plural = if s.count == 1 { "" } else { "s" };
        format!("or {} stroke{plural} ({:+.1} %)", s.count, s.error_percent)
    });
    [loose, strokes.as_deref().unwrap_or("")]
        .join(" ")
        .trim()
        .to_string()
}

/// Up to three decimals, no trailing zeros.
fn plain(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// Decimals that a scale of this step shows.
fn decimals(step_g: f64) -> usize {
    (0..3)
        .find(|d| {
            let scaled = step_g * 10f64.powi(*d);
            (scaled - scaled.round()).abs() < 1e-9
        })
        .map_or(3, |d| d as usize)
}

/// "25 min", "36 h".
fn hours(h: f64) -> String {
    match h {
        h if h < 2.0 => format!("{:.0} min", h * 60.0),
        h if h < 9.95 => format!("{h:.1} h"),
        h => format!("{h:.0} h"),
    }
}
