//! The record packet: everything the book holds on a panel, as one page that opens anywhere.

use crate::problem::Error;
use crate::show::care;
use askama::Template;
use base64::Engine;

/// One panel.
pub struct Panel {
    /// Its name.
    pub name: String,
    /// All entries, in order.
    pub lines: Vec<String>,
    /// Which of them are struck.
    pub struck: Vec<bool>,
    /// Trend and readiness in words.
    pub text: String,
    /// The film ledger; `None` where there is nothing to reckon with.
    pub film: Option<Film>,
    /// Filler entered in all, g.
    pub filler_on_g: f64,
    /// A map for each survey.
    pub maps: Vec<Map>,
    /// Photos as they came in.
    pub photos: Vec<Photo>,
}

/// The film ledger.
pub struct Film {
    /// In words.
    pub text: String,
    /// The picture; empty without surveys.
    pub svg: String,
}

/// One survey's map.
pub struct Map {
    /// Number of the entry.
    pub entry: i64,
    /// Its day.
    pub date: String,
    /// Its verdict.
    pub verdict: String,
    /// Why.
    pub reasons: Vec<String>,
    /// Filler to level.
    pub to_level: String,
    /// The picture.
    pub svg: String,
}

/// One photo.
pub struct Photo {
    /// Number of the entry.
    pub entry: i64,
    /// Its name.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

#[derive(Template)]
#[template(path = "track/packet.html", config = "src/show/askama.toml")]
struct Page<'a> {
    css: &'static str,
    now: &'a str,
    panels: Vec<PageOf<'a>>,
    shape_only: &'static str,
}

struct PageOf<'a> {
    name: &'a str,
    entries: Vec<(&'a str, bool)>,
    text: &'a str,
    mass: String,
    film: Option<&'a Film>,
    maps: &'a [Map],
    photos: Vec<(i64, &'a str, String)>,
}

/// packet.html.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be put together.
pub fn page(panels: &[Panel], now: &str) -> Result<String, Error> {
    let page = Page {
        css: include_str!("../report.css"),
        now,
        panels: panels.iter().map(of).collect(),
        shape_only: care::SHAPE_ONLY,
    };
    page.render()
        .map_err(|e| Error::Calculation(format!("packet.html could not be put together: {e}")))
}

fn of(p: &Panel) -> PageOf<'_> {
    PageOf {
        name: &p.name,
        entries: p
            .lines
            .iter()
            .map(String::as_str)
            .zip(p.struck.iter().copied())
            .collect(),
        text: &p.text,
        mass: format!("{:.0} g", p.filler_on_g),
        film: p.film.as_ref(),
        maps: &p.maps,
        photos: p
            .photos
            .iter()
            .map(|photo| {
                let kind = match photo.bytes.get(..4) {
                    Some([0x89, b'P', ..]) => "png",
                    Some([b'R', b'I', b'F', b'F']) => "webp",
                    Some([b'I', b'I', ..] | [b'M', b'M', ..]) => "tiff",
                    _ => "jpeg",
                };
                let data = base64::engine::general_purpose::STANDARD.encode(&photo.bytes);
                (
                    photo.entry,
                    photo.name.as_str(),
                    format!("data:image/{kind};base64,{data}"),
                )
            })
            .collect(),
    }
}
