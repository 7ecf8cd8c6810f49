//! `lowspot packet`: the record of one panel, or of all, as pages for a buyer or an inspector.

use super::args::PacketArgs;
use super::input::{Input, stored_files};
use super::job::{Job, shown};
use super::map;
use super::{ledger, pair, shelf};
use crate::keep::result::SavedFilm;
use crate::keep::{self, Book, Entry, Kind, PanelRow, Role, SurveyResult};
use crate::photo::polarity::Polarity;
use crate::plan::shop::Shop;
use crate::problem::Error;
use crate::show;
use crate::show::track::packet::{self, Film, IndexRow, Map, Panel as Sheet, Photo};
use crate::track::ready;
use crate::track::trend::{self, Trend};
use crate::units::Units;
use rayon::prelude::*;
use std::path::Path;
use std::process::ExitCode;

/// Pages that are made before they are written, so that a book full of photos is never in memory as
/// a whole.
const AT_A_TIME: usize = 8;
/// Hands that make them side by side.
const HANDS: usize = 2;
/// Most bytes of photos on one page; further ones are named. A page of more is opened by no browser
/// in a yard.
const MOST_PHOTOS: usize = 30_000_000;

/// Run it.
///
/// # Errors
/// No such book, no such panel.
pub fn run(args: &PacketArgs) -> Result<ExitCode, Error> {
    let book = shelf::open(args.book.book.as_deref(), None)?;
    let units: Units = args.units.into();
    let rows = match &args.name {
        Some(name) => vec![book.panel(name)?],
        None => book.panels()?,
    };
    let now = keep::standing::by_the_clock(keep::now());
    match rows.as_slice() {
        [one] => {
            let page = packet::page(&whole(&book, &one.name, units)?, &now, false)?;
            let file = show::File::new(packet::FIRST, page);
            show::write_packets(&args.out, std::iter::once(Ok(file)))
        }
        many => {
            let pages = Pages {
                book: book.path(),
                shop: &trend::Shop::of(&book)?,
                units,
                now: &now,
            };
            show::write_packets(&args.out, pages.of(many))
        }
    }?;
    super::say(&format!(
        "{}: {}",
        shown(&args.out.join(packet::FIRST)),
        super::book::count(rows.len(), "panel", "panels")
    ));
    Ok(ExitCode::SUCCESS)
}

/// What the pages of many panels are made from.
struct Pages<'a> {
    book: &'a Path,
    shop: &'a trend::Shop,
    units: Units,
    now: &'a str,
}

impl<'a> Pages<'a> {
    /// A page for each panel, some panels at a time, and at last the list of them.
    fn of(&self, rows: &'a [PanelRow]) -> impl Iterator<Item = Result<show::File, Error>> {
        let mut index = Vec::new();
        let mut parts = rows.chunks(AT_A_TIME);
        let mut listed = false;
        std::iter::from_fn(move || {
            let Some(part) = parts.next() else {
                let first = (!listed).then(|| {
                    let page = packet::index(&index, self.now)?;
                    Ok(vec![show::File::new(packet::FIRST, page)])
                });
                listed = true;
                return first;
            };
            Some(self.part(part).map(|made| {
                let (files, rows): (Vec<show::File>, Vec<IndexRow>) = made.into_iter().unzip();
                index.extend(rows);
                files
            }))
        })
        .flat_map(|files: Result<Vec<show::File>, Error>| match files {
            Ok(files) => files.into_iter().map(Ok).collect::<Vec<_>>(),
            Err(e) => vec![Err(e)],
        })
    }

    /// Some panels, side by side. A connection is used by one hand at a time, so each hand has its
    /// own.
    fn part(&self, rows: &[PanelRow]) -> Result<Vec<(show::File, IndexRow)>, Error> {
        let hands: Vec<&[PanelRow]> = rows.chunks(rows.len().div_ceil(HANDS).max(1)).collect();
        let made: Vec<Result<Vec<(show::File, IndexRow)>, Error>> = hands
            .into_par_iter()
            .map(|rows| {
                let book = Book::open(self.book)?;
                rows.iter().map(|row| self.one(&book, row)).collect()
            })
            .collect();
        made.into_iter().try_fold(Vec::new(), |mut all, some| {
            all.extend(some?);
            Ok(all)
        })
    }

    fn one(&self, book: &Book, row: &PanelRow) -> Result<(show::File, IndexRow), Error> {
        let sheet = kept(book, row, self.shop, self.units)?;
        let name = packet::page_name(row.id, &row.name);
        let file = show::File::new(&name, packet::page(&sheet, self.now, true)?);
        Ok((file, IndexRow::of(&sheet, &name)))
    }
}

/// One panel in full: each map found anew from the readings, with placings and what photos show,
/// and the film reckoned anew.
fn whole(book: &Book, name: &str, units: Units) -> Result<Sheet, Error> {
    let mut maps = Vec::new();
    for survey in book.surveys(name)? {
        maps.push(map_of(book, name, &survey, units)?);
    }
    let film = film(book, name, &Shop::default(), units);
    sheet(book, name, &trend::trend(book, name)?, maps, film, units)
}

/// One panel of many: as the book keeps it. Only surveys of which it keeps no result are found
/// anew.
fn kept(book: &Book, row: &PanelRow, shop: &trend::Shop, units: Units) -> Result<Sheet, Error> {
    let name = &row.name;
    let results = book.results(name)?;
    let mut maps = Vec::new();
    for survey in book.surveys(name)? {
        let result = results.iter().find(|(e, _)| e.number == survey.number);
        maps.push(match result {
            Some((_, result)) => {
                let (panel, _) = pair::version(book, name, &survey)?;
                Map::kept(&survey, result, &panel, units)?
            }
            None => map_of(book, name, &survey, units)?,
        });
    }
    let film = results.last().and_then(film_then);
    let entries = book.entries(name)?;
    let trend = trend::of(name, &entries, &results, &shop.without(row.id));
    sheet(book, name, &trend, maps, film, units)
}

fn sheet(
    book: &Book,
    name: &str,
    trend: &Trend,
    maps: Vec<Map>,
    film: Option<Film>,
    units: Units,
) -> Result<Sheet, Error> {
    let shop = Shop::default();
    let standing = book.standing(name, keep::now())?;
    let entries = &standing.entries;
    let (panel, _) = book.newest(name)?.panel()?;
    let list = ready::list(&standing, &panel, &shop, keep::now());
    let mut photos = Vec::new();
    let mut lines = Vec::new();
    for entry in entries {
        let files = book.file_names(entry.number)?;
        let map = maps.iter().find(|m| m.entry == entry.number);
        let found = map.map(|m| format!("verdict {}", m.verdict));
        lines.push(super::log::line(entry, found, &files));
        if map.is_some() && files.iter().any(|(role, _)| *role == Role::Photo) {
            let mut room =
                MOST_PHOTOS - photos.iter().map(|p: &Photo| p.bytes.len()).sum::<usize>();
            for mut photo in photos_of(book, entry)? {
                if photo.bytes.len() > room {
                    photo.bytes.clear();
                }
                room -= photo.bytes.len();
                photos.push(photo);
            }
        }
    }
    Ok(Sheet {
        name: name.to_string(),
        lines,
        struck: entries.iter().map(|e| !e.stands()).collect(),
        stale: standing.stale.clone(),
        held: standing.held.as_ref().map(ToString::to_string),
        said: show::track::trend::said(trend, units),
        rows: show::track::trend::rows(&trend.cycles, units),
        ready: list,
        units,
        film,
        filler_on_g: entries
            .iter()
            .filter(|e| e.stands() && e.kind == Kind::Fill)
            .filter_map(|e| e.facts.mass_g)
            .fold(0.0, |sum, g| sum + g),
        maps,
        photos,
    })
}

fn photos_of(book: &Book, entry: &Entry) -> Result<Vec<Photo>, Error> {
    let photos = book.files(entry.number)?.into_iter();
    Ok(photos
        .filter(|f| f.role == Role::Photo)
        .map(|f| Photo {
            entry: entry.number,
            name: f.name,
            bytes: f.bytes,
        })
        .collect())
}

/// The film as it was reckoned when the last survey was entered.
fn film_then((survey, result): &(Entry, SurveyResult)) -> Option<Film> {
    let SavedFilm {
        stated,
        least_mm,
        low_mm,
        at_mm: [x, y],
        may_be_through_cm2,
        ..
    } = result.summary.film.as_ref()?;
    Some(Film {
        text: format!(
            "Stated: {stated}. After the survey of {} (entry {}) the least was {least_mm:.2} mm (at worst {low_mm:.2}) at x {x:.0} y {y:.0};\n\
             over {may_be_through_cm2:.0} cm² it may be through. What was done since is in the film ledger of this panel by itself.",
            survey.date, survey.number
        ),
        svg: String::new(),
    })
}

/// The film ledger in words and as a picture, or why there is none; `None` where there is nothing
/// to reckon with.
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
            svg: ledger
                .since
                .map_or(String::new(), |_| packet::own_ids(&svg, "film")),
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
