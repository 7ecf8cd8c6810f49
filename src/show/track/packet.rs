//! The record packet: everything the book holds on a panel, as one page that opens anywhere.

use super::trend;
use crate::judge::Judgement;
use crate::keep::Entry;
use crate::problem::Error;
use crate::show::html::{self, KeyRow};
use crate::show::{care, map, words};
use crate::track::ready::{Answer, Point, is_ready};
use crate::units::Units;
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
    /// Why the last survey no longer holds.
    pub stale: Option<String>,
    /// Who holds the panel.
    pub held: Option<String>,
    /// What the trend says, each with its label.
    pub said: Vec<(String, String)>,
    /// The trend's table, one row a survey, under [`trend::HEADS`].
    pub rows: Vec<[String; 7]>,
    /// Ready for primer, point by point.
    pub ready: Vec<Point>,
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
    /// Unit of the colours.
    pub unit: &'static str,
    /// What the colours mean.
    pub key: Vec<KeyRow>,
    /// The picture.
    pub svg: String,
}

impl Map {
    /// The map of a survey.
    ///
    /// # Errors
    /// [`Error::Calculation`] when it cannot be drawn.
    pub fn of(
        survey: &Entry,
        j: &Judgement,
        panel: &crate::panel::Panel,
        units: Units,
    ) -> Result<Map, Error> {
        let alone = j.photos.as_ref().is_some_and(|p| !p.with_readings);
        Ok(Map {
            entry: survey.number,
            date: survey.date.to_string(),
            verdict: words::plain(j.verdict.word()),
            reasons: j.reasons.clone(),
            to_level: units.volume(j.to_level_cc.value),
            unit: units.depth_unit(),
            key: if alone {
                Vec::new()
            } else {
                html::key(j, units)
            },
            svg: map::for_page(j, panel, units)?.svg,
        })
    }
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
    warnings: Vec<(&'static str, &'a str)>,
    summary: Vec<(&'static str, String)>,
    entries: Vec<(&'a str, bool)>,
    said: &'a [(String, String)],
    heads: [&'static str; 7],
    rows: &'a [[String; 7]],
    is_ready: bool,
    ready: &'a [Point],
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
        warnings: warnings(p),
        summary: summary(p),
        said: &p.said,
        heads: trend::HEADS,
        rows: &p.rows,
        is_ready: is_ready(&p.ready),
        ready: &p.ready,
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

/// What must be said before all else.
fn warnings(p: &Panel) -> Vec<(&'static str, &str)> {
    let stale = p.stale.as_deref().map(|why| ("TOUCHED SINCE", why));
    let held = p.held.as_deref();
    let held = held.map(|by| ("HANDS OFF", by));
    stale.into_iter().chain(held).collect()
}

/// How the panel stands, in a few lines.
fn summary(p: &Panel) -> Vec<(&'static str, String)> {
    let last = match p.maps.last() {
        None => "none yet".into(),
        Some(m) if m.reasons.is_empty() => format!("{}, {} (entry {})", m.verdict, m.date, m.entry),
        Some(m) => {
            let why = m.reasons.join("; ");
            format!("{}, {} (entry {}): {why}", m.verdict, m.date, m.entry)
        }
    };
    let open: Vec<&str> = p
        .ready
        .iter()
        .filter(|r| r.answer != Answer::Yes)
        .map(|r| r.what)
        .collect();
    let ready = if open.is_empty() {
        "yes, at every point below".into()
    } else {
        format!("not yet, open: {}", open.join(", "))
    };
    vec![
        ("Last survey", last),
        ("Ready for primer", ready),
        (
            "Filler put on",
            format!("{:.0} g entered in all", p.filler_on_g),
        ),
    ]
}
