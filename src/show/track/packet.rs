//! The record packet: everything the book holds on a panel, as one page that opens anywhere.

use super::sentences;
use super::trend;
use crate::judge::Judgement;
use crate::keep::{Entry, SurveyResult};
use crate::problem::Error;
use crate::show::html::{self, KeyRow};
use crate::show::{care, map, words};
use crate::track::kept;
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
    /// Units to show.
    pub units: Units,
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
            to_level: match j.to_level_cc.value {
                cc if cc.is_finite() => units.volume(cc),
                _ => "not told".into(),
            },
            unit: units.depth_unit(),
            key: if alone {
                Vec::new()
            } else {
                html::key(j, units)
            },
            svg: own_ids(
                &map::for_page(j, panel, units)?.svg,
                &survey.number.to_string(),
            ),
        })
    }

    /// The map of a survey as the book keeps it, without fitting anew; the result's own verdict
    /// stands.
    ///
    /// # Errors
    /// As [`Map::of`].
    pub fn kept(
        survey: &Entry,
        result: &SurveyResult,
        panel: &crate::panel::Panel,
        units: Units,
    ) -> Result<Map, Error> {
        let verdict = words::plain(&result.summary.verdict);
        match kept::drawn(panel, survey, result) {
            Some(j) => Ok(Map {
                verdict,
                ..Map::of(survey, &j, panel, units)?
            }),
            None => Ok(Map {
                entry: survey.number,
                date: survey.date.to_string(),
                verdict,
                reasons: result.summary.reasons.clone(),
                to_level: String::new(),
                unit: units.depth_unit(),
                key: Vec::new(),
                svg: String::new(),
            }),
        }
    }
}

/// The picture with ids of its own: on one page an id means its first bearer, so that the second
/// panel's map would be cut to the outline of the first.
pub fn own_ids(svg: &str, key: &str) -> String {
    svg.replace(
        "<clipPath id=\"skin\">",
        &format!("<clipPath id=\"skin-{key}\">"),
    )
    .replace(
        "clip-path=\"url(#skin)\"",
        &format!("clip-path=\"url(#skin-{key})\""),
    )
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
    /// The page of all panels, where there is one.
    index: Option<&'static str>,
}

/// Name of the page of one panel among many: "packet-12-cabin-roof.html".
pub fn page_name(row: i64, name: &str) -> String {
    let plain: String = name
        .chars()
        .take(40)
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect();
    format!("packet-{row}-{plain}.html")
}

/// Name of the page of one panel, or of the list of many.
pub const FIRST: &str = "packet.html";

#[derive(Template)]
#[template(path = "track/packets.html", config = "src/show/askama.toml")]
struct Index<'a> {
    css: &'static str,
    now: &'a str,
    rows: &'a [IndexRow],
    shape_only: &'static str,
}

/// One panel in the list of many.
pub struct IndexRow {
    /// Its name.
    pub name: String,
    /// Its page.
    pub page: String,
    /// Its last survey in words.
    pub last: String,
    /// Whether it is ready for primer.
    pub ready: bool,
    /// What must be said before all else, each with its label.
    pub warnings: Vec<(&'static str, String)>,
}

impl IndexRow {
    /// Of a panel.
    pub fn of(panel: &Panel, page: &str) -> IndexRow {
        let last = panel.maps.last();
        IndexRow {
            name: panel.name.clone(),
            page: page.to_string(),
            last: last.map_or("no survey yet".into(), |m| {
                format!("{}, {} (entry {})", m.verdict, m.date, m.entry)
            }),
            ready: is_ready(&panel.ready),
            warnings: warnings(panel)
                .into_iter()
                .map(|(label, text)| (label, text.to_string()))
                .collect(),
        }
    }
}

/// The list of all panels, each with its page.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be put together.
pub fn index(rows: &[IndexRow], now: &str) -> Result<String, Error> {
    let page = Index {
        css: include_str!("../report.css"),
        now,
        rows,
        shape_only: care::SHAPE_ONLY,
    };
    page.render()
        .map_err(|e| Error::Calculation(format!("{FIRST} could not be put together: {e}")))
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
    ready: Vec<PageRow<'a>>,
    film: Option<&'a Film>,
    maps: &'a [Map],
    photos: Vec<(i64, &'a str, String)>,
}

/// A point of readiness, in words.
struct PageRow<'a> {
    what: &'a str,
    answer: &'a str,
    by: String,
}

/// The page of one panel; `index`: whether it is one of many.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be put together.
pub fn page(panel: &Panel, now: &str, index: bool) -> Result<String, Error> {
    let page = Page {
        css: include_str!("../report.css"),
        now,
        panels: vec![of(panel)],
        shape_only: care::SHAPE_ONLY,
        index: index.then_some(FIRST),
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
        ready: p
            .ready
            .iter()
            .map(|point| PageRow {
                what: point.what,
                answer: point.answer.word(),
                by: sentences::by(&point.by, p.units),
            })
            .collect(),
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
                if photo.bytes.is_empty() {
                    return (photo.entry, photo.name.as_str(), String::new());
                }
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
