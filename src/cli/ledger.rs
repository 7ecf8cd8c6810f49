//! The film ledger of a panel of the book: every survey's surface found anew, then added up.

use super::input::{Input, stored_files};
use super::job::Job;
use super::pair;
use crate::fit;
use crate::keep::result::SavedFilm;
use crate::keep::{Book, Entry, Facts, Field, Kind, PanelRow};
use crate::observe::Survey;
use crate::panel::{FilmNow, Panel};
use crate::photo::polarity::Polarity;
use crate::plan::shop::Shop;
use crate::problem::{Error, Warning};
use crate::track::film::{self, Bare, Ledger, Statement, Surveyed, Told};
use jiff::Timestamp;
use jiff::civil::Date;
use rayon::prelude::*;

/// One survey, read and fitted.
struct Fitted {
    entry: Entry,
    survey: Survey,
    surface: fit::Surface,
    field: Option<Field>,
}

/// A survey that is being entered.
pub struct New<'a> {
    /// Its day.
    pub date: Date,
    /// As read.
    pub job: &'a Job,
}

/// The ledger of a panel, and the panel as it is described now.
///
/// # Errors
/// No such panel; a survey that cannot be read, or that lies on another outline than the panel now.
pub fn of(book: &Book, name: &str, shop: &Shop) -> Result<(Ledger, Panel), Error> {
    with(book, name, shop, None)
}

/// The same with a survey that is being entered.
///
/// # Errors
/// As [`of`].
pub fn with(
    book: &Book,
    name: &str,
    shop: &Shop,
    new: Option<New>,
) -> Result<(Ledger, Panel), Error> {
    let (mut panel, _) = book.newest(name)?.panel()?;
    let keep = shop.film_keep_mm.value;
    panel.skin.film.keep_mm.get_or_insert(keep);
    let entries = book.entries(name)?;
    let read = Read::of(book, name, &panel)?;
    let mut bare = read.bare;
    let mut all = read
        .jobs
        .into_par_iter()
        .map(|(job, entry, field)| fitted(&job, entry, field))
        .collect::<Result<Vec<Fitted>, Error>>()?;
    if let Some(new) = new {
        let entry = to_be(book.panel(name)?, new.date);
        bare.extend(bare_of(new.job, &entry));
        all.push(fitted(new.job, entry, None)?);
    }
    all.sort_by_key(|f| f.entry.order());
    bare.sort_by_key(|b| b.entry.order());
    let surveyed: Vec<Surveyed> = all
        .iter()
        .map(|f| Surveyed {
            entry: &f.entry,
            survey: &f.survey,
            surface: &f.surface,
            field: f.field.as_ref(),
        })
        .collect();
    let mut ledger = film::ledger(&Told {
        panel: &panel,
        shop,
        entries: &entries,
        surveyed: &surveyed,
        bare: &bare,
        statements: &statements(book, name)?,
    });
    ledger.warnings.splice(0..0, read.warnings);
    Ok((ledger, panel))
}

/// Surveys of the book, read.
#[derive(Default)]
struct Read {
    jobs: Vec<(Job, Entry, Option<Field>)>,
    bare: Vec<Bare>,
    warnings: Vec<Warning>,
}

impl Read {
    /// All that stand. Those of a panel of another size are passed over, and told.
    fn of(book: &Book, name: &str, panel: &Panel) -> Result<Read, Error> {
        let mut out = Read::default();
        let mut passed = Vec::new();
        for entry in book.surveys(name)? {
            let (then, _) = pair::version(book, name, &entry)?;
            if pair::same_frame(panel, &then, "").is_err() {
                passed.push(format!("{} (entry {})", entry.date, entry.number));
                continue;
            }
            let files = stored_files(book, &entry)?;
            let input = Input {
                panel: then,
                warnings: Vec::new(),
                files,
                from: None,
                entry: Some(entry.clone()),
            };
            let job = Job::of(input, Polarity::Auto)?;
            out.bare.extend(bare_of(&job, &entry));
            if job.survey.taken() > 0 {
                let field = book.result(entry.number)?.and_then(|r| r.field);
                out.jobs.push((job, entry, field));
            }
        }
        if !passed.is_empty() {
            out.warnings.push(Warning::new(format!(
                "the panel had another length or width at the survey of {}: not in the ledger; measure the film and state it anew",
                passed.join(", ")
            )));
        }
        Ok(out)
    }
}

/// Where a survey's photos show substrate.
fn bare_of(job: &Job, entry: &Entry) -> Option<Bare> {
    let areas = super::job::substrate_of(job.coat.as_ref());
    (!areas.is_empty()).then(|| Bare {
        entry: entry.clone(),
        areas,
    })
}

/// The entry of a survey that has no number yet: the last of its day.
fn to_be(panel: PanelRow, date: Date) -> Entry {
    Entry {
        number: i64::MAX,
        panel: panel.id,
        version: panel.version,
        kind: Kind::Survey,
        date,
        entered_at: crate::keep::now(),
        who: None,
        hours: None,
        skin_c: None,
        supports: None,
        note: None,
        facts: Facts::default(),
        strikes: None,
        struck_by: None,
    }
}

/// Puts the film as the ledger has it in the place of what was stated, where anything came after
/// that; tells what to heed.
pub fn put(ledger: &Ledger, panel: &mut Panel) -> Vec<Warning> {
    if !ledger.counted {
        return Vec::new();
    }
    panel.skin.film.now = Some(ledger.film_now());
    let least = ledger.left.as_ref().map_or(String::new(), |l| {
        format!(
            ", least {:.2} mm ({:.2} to {:.2})",
            l.least.mm.value, l.least.mm.low, l.least.mm.high
        )
    });
    let mut out = vec![Warning::new(format!(
        "the film is reckoned on from what was stated{least}: `lowspot film \"{}\"` shows it",
        panel.name
    ))];
    out.extend(ledger.warnings.iter().cloned());
    out
}

/// Where the ledger cannot be made nothing is known of the film any more: nothing may come off by
/// it.
pub fn lost(why: &Error, panel: &mut Panel) -> Warning {
    panel.skin.film.now = Some(FilmNow {
        step_mm: 10.0,
        nx: 0,
        film_mm: Vec::new(),
        low_mm: Vec::new(),
    });
    Warning::new(format!(
        "the film cannot be reckoned on from what was stated, so nothing is offered for sanding where it was: {why}"
    ))
}

/// What of a ledger is kept with a survey.
pub fn saved(ledger: &Ledger, panel: &Panel) -> Option<SavedFilm> {
    let left = ledger.left.as_ref()?;
    Some(SavedFilm {
        stated: panel.skin.film.stated(),
        least_mm: left.least.mm.value,
        low_mm: left.least.mm.low,
        at_mm: left.least.at_mm,
        may_be_through_cm2: left.may_be_through_cm2,
        below_nothing_cm2: left.below_nothing_cm2,
    })
}

fn fitted(job: &Job, entry: Entry, field: Option<Field>) -> Result<Fitted, Error> {
    let surface = job.surface()?;
    Ok(Fitted {
        survey: job.survey.clone(),
        surface,
        entry,
        field,
    })
}

/// The film as it was stated, oldest first, one for each time that it read otherwise than before.
fn statements(book: &Book, name: &str) -> Result<Vec<Statement>, Error> {
    let mut out: Vec<Statement> = Vec::new();
    for (k, version) in book.versions(name)?.iter().enumerate() {
        let film = version.panel()?.0.skin.film;
        let before = out.last().map(|s: &Statement| s.film.stated());
        let same = before.map_or(!film.is_known(), |b| b == film.stated());
        if same {
            continue;
        }
        let came = version
            .entered_at
            .parse::<Timestamp>()
            .map(|t| crate::keep::local(t).date())
            .map_err(|e| Error::Survey(format!("{name}: version {}: {e}", version.id)))?;
        // A panel's first version tells what it was before any work.
        let day = film.measured.or((k > 0).then_some(came));
        out.push(Statement {
            version: version.id,
            day,
            measured: film.measured.is_some(),
            film,
        });
    }
    Ok(out)
}
