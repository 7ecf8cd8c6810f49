//! The film ledger of a panel of the book: every survey's surface found anew, then added up.

use super::input::{Input, stored_files};
use super::job::Job;
use super::pair;
use crate::fit;
use crate::keep::{Book, Entry};
use crate::observe::Survey;
use crate::panel::{Panel, Polygon};
use crate::photo::polarity::Polarity;
use crate::photo::take::Coat;
use crate::plan::shop::Shop;
use crate::problem::Error;
use crate::track::film::{self, Ledger, Stated, Surveyed, Told};
use jiff::Timestamp;
use rayon::prelude::*;

/// One survey, read and fitted.
struct Fitted {
    entry: Entry,
    survey: Survey,
    surface: fit::Surface,
    bare: Vec<Polygon>,
}

/// The ledger of a panel, and the panel as it is described now.
///
/// # Errors
/// No such panel; a survey that cannot be read, or that lies on another outline than the panel now.
pub fn of(book: &Book, name: &str, shop: &Shop) -> Result<(Ledger, Panel), Error> {
    let (mut panel, _) = book.newest(name)?.panel()?;
    let keep = shop.film_keep_mm.value;
    panel.skin.film.keep_mm.get_or_insert(keep);
    let entries = book.entries(name)?;
    let mut jobs = Vec::new();
    for entry in pair::read_surveys(book, name)? {
        jobs.push((job(book, name, &panel, &entry)?, entry));
    }
    let fitted = jobs
        .into_par_iter()
        .map(|(job, entry)| fitted(job, entry))
        .collect::<Result<Vec<Fitted>, Error>>()?;
    let surveyed: Vec<Surveyed> = fitted
        .iter()
        .map(|f| Surveyed {
            entry: &f.entry,
            survey: &f.survey,
            surface: &f.surface,
            bare: &f.bare,
        })
        .collect();
    let last = match fitted.last() {
        Some(f) => book.result(f.entry.number)?.and_then(|r| r.field),
        None => None,
    };
    let ledger = film::ledger(&Told {
        panel: &panel,
        shop,
        entries: &entries,
        surveyed: &surveyed,
        stated: stated(book, name, &panel)?,
        last: last.as_ref(),
    })?;
    Ok((ledger, panel))
}

/// A survey as it was entered, on the panel as it was described then.
fn job(book: &Book, name: &str, now: &Panel, entry: &Entry) -> Result<Job, Error> {
    let (panel, _) = pair::version(book, name, entry)?;
    pair::same_frame(now, &panel, "was edited since a survey")?;
    let files = stored_files(book, entry)?;
    let input = Input {
        panel,
        warnings: Vec::new(),
        files,
        from: None,
    };
    let mut job = Job::of(input, Polarity::Auto)?;
    pair::told_by(entry, &mut job.survey.conditions);
    Ok(job)
}

fn fitted(job: Job, entry: Entry) -> Result<Fitted, Error> {
    let surface = match &job.coat {
        Some(coat) => fit::fit_with_coat(&job.panel, &job.survey, &coat.cells)?,
        None => fit::fit(&job.panel, &job.survey)?,
    };
    Ok(Fitted {
        bare: job
            .coat
            .iter()
            .flat_map(Coat::substrate)
            .map(|a| Polygon(a.outline_mm.clone()))
            .collect(),
        survey: job.survey,
        surface,
        entry,
    })
}

/// The first of the newest versions of panel.toml that all state the same film.
fn stated(book: &Book, name: &str, panel: &Panel) -> Result<Option<Stated>, Error> {
    let as_now = |p: &Panel| {
        let (a, b) = (&p.skin.film, &panel.skin.film);
        (a.all_mm, &a.areas) == (b.all_mm, &b.areas)
    };
    if !panel.skin.film.is_known() {
        return Ok(None);
    }
    let mut first = None;
    for version in book.versions(name)?.iter().rev() {
        if !as_now(&version.panel()?.0) {
            break;
        }
        let day = version
            .entered_at
            .parse::<Timestamp>()
            .map(|t| crate::keep::local(t).date())
            .map_err(|e| Error::Survey(format!("{name}: version {}: {e}", version.id)))?;
        first = Some(Stated {
            version: version.id,
            date: day,
        });
    }
    Ok(first)
}
