//! `lowspot packet`: the record of one panel, or of all, as one page for a buyer or an inspector.

use super::args::PacketArgs;
use super::input::{Input, stored_files};
use super::job::{Job, shown};
use super::map;
use super::{ledger, pair, shelf};
use crate::keep::{self, Book, Entry, Kind, Role};
use crate::photo::polarity::Polarity;
use crate::plan::shop::Shop;
use crate::problem::Error;
use crate::show;
use crate::show::track::packet::{Film, Map, Panel as Sheet, Photo};
use crate::track::{ready, trend};
use crate::units::Units;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// No such book, no such panel.
pub fn run(args: &PacketArgs) -> Result<ExitCode, Error> {
    let book = shelf::open(args.book.book.as_deref(), None)?;
    let names: Vec<String> = match &args.name {
        Some(name) => vec![book.panel(name)?.name],
        None => book.panels()?.into_iter().map(|p| p.name).collect(),
    };
    let units: Units = args.units.into();
    let sheets = names
        .iter()
        .map(|name| sheet(&book, name, units))
        .collect::<Result<Vec<_>, Error>>()?;
    let now = keep::standing::by_the_clock(keep::now());
    let page = show::track::packet::page(&sheets, &now)?;
    show::write_all(&args.out, &[show::File::new("packet.html", page)])?;
    super::say(&format!(
        "{}: {}",
        shown(&args.out.join("packet.html")),
        super::book::count(sheets.len(), "panel", "panels")
    ));
    Ok(ExitCode::SUCCESS)
}

fn sheet(book: &Book, name: &str, units: Units) -> Result<Sheet, Error> {
    let shop = Shop::default();
    let entries = book.entries(name)?;
    let standing = book.standing(name, keep::now())?;
    let trend = trend::trend(book, name)?;
    let (panel, _) = book.newest(name)?.panel()?;
    let list = ready::list(&standing, &panel, &shop, keep::now());
    let mut maps = Vec::new();
    let mut photos = Vec::new();
    for survey in book.surveys(name)? {
        maps.push(map_of(book, name, &survey, units)?);
        for file in book.files(survey.number)? {
            if file.role == Role::Photo {
                photos.push(Photo {
                    entry: survey.number,
                    name: file.name,
                    bytes: file.bytes,
                });
            }
        }
    }
    Ok(Sheet {
        name: name.to_string(),
        lines: entries
            .iter()
            .map(|e| {
                let files = book.file_names(e.number)?;
                let map = maps.iter().find(|m| m.entry == e.number);
                let found = map.map(|m| format!("verdict {}", m.verdict));
                Ok(super::log::line(e, found, &files))
            })
            .collect::<Result<_, Error>>()?,
        struck: entries.iter().map(|e| !e.stands()).collect(),
        stale: standing.stale.clone(),
        held: standing.held.as_ref().map(ToString::to_string),
        said: show::track::trend::said(&trend, units),
        rows: show::track::trend::rows(&trend.cycles, units),
        ready: list,
        film: film(book, name, &shop, units),
        filler_on_g: entries
            .iter()
            .filter(|e| e.stands() && e.kind == Kind::Fill)
            .filter_map(|e| e.facts.mass_g)
            .fold(0.0, |sum, g| sum + g),
        maps,
        photos,
    })
}

/// The film ledger in words and as a picture, or why there is none; `None` where there is nothing to reckon with.
fn film(book: &Book, name: &str, shop: &Shop, units: Units) -> Option<Film> {
    let made = || {
        let (ledger, panel) = ledger::of(book, name, shop)?;
        if ledger.rows.is_empty() && ledger.left.is_none() {
            return Ok(None);
        }
        let what = show::track::film::Shown {
            ledger: &ledger,
            panel: &panel,
            units,
        };
        let (_, svg) = match show::track::film::left_pictures(&what)? {
            Some(left) => left,
            None => show::track::film::pictures(&what)?,
        };
        Ok(Some(Film {
            text: show::track::film::text(&what),
            svg: ledger.since.map_or(String::new(), |_| svg),
        }))
    };
    made().unwrap_or_else(|why: Error| {
        Some(Film {
            text: format!("The film cannot be reckoned: {why}"),
            svg: String::new(),
        })
    })
}

/// The map of one survey, judged anew from what the book holds.
fn map_of(book: &Book, name: &str, survey: &Entry, units: Units) -> Result<Map, Error> {
    let (panel, warnings) = pair::version(book, name, survey)?;
    let input = Input {
        panel,
        warnings,
        files: stored_files(book, survey)?,
        from: None,
        entry: Some(survey.clone()),
    };
    let job = Job::of(input, Polarity::Auto)?;
    let judged = map::judged(&job, 0)?;
    Map::of(survey, &judged, &job.panel, units)
}
