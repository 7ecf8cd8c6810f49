//! Two surveys to compare: from files, two of one panel of the job book, or a panel's and its
//! mirrored twin's.

use super::args::{MirrorWord, MovedArgs};
use super::input::{Files, Named, stored_files};
use super::job::shown;
use super::shelf;
use crate::compare::{self, Axis};
use crate::keep::{Book, Entry, Kind};
use crate::observe::{self, Conditions, Survey};
use crate::panel::{self, Panel};
use crate::problem::{Error, Warning};
use std::path::Path;

/// Panels are the same size when their sides differ by no more than this, mm.
const SAME_MM: f64 = 1.0;

/// Two surveys of one panel, or of left and right as one.
pub struct Pair {
    /// The panel.
    pub panel: Panel,
    /// Its surveys, the second mirrored onto it where it is the twin's.
    pub surveys: [Survey; 2],
    /// Whether the second is of the mirrored twin.
    pub sides: bool,
    /// What was done between them; empty where nobody says.
    pub between: Vec<String>,
    /// Things noticed.
    pub warnings: Vec<Warning>,
}

/// The two surveys that the arguments name.
///
/// # Errors
/// Faults of all files together; no book, no such panel, too few surveys.
pub fn of(args: &MovedArgs) -> Result<Pair, Error> {
    let named = Named {
        panel: &args.panel,
        readings: &args.before,
        photos: &[],
        targets: &[],
        book: args.book.as_deref(),
    };
    match shelf::meant(&named)? {
        Some(book) => stored(args, &book),
        None => given(args),
    }
}

fn axis(word: MirrorWord) -> Option<Axis> {
    match word {
        MirrorWord::X => Some(Axis::X),
        MirrorWord::Y => Some(Axis::Y),
        MirrorWord::None => None,
    }
}

/// From files.
fn given(args: &MovedArgs) -> Result<Pair, Error> {
    if args.before.is_empty() || args.after.is_empty() {
        return Err(Error::Usage(
            "two surveys are wanted: readings of the earlier one, and --after READINGS of the later; or a panel's name in a job book".into(),
        ));
    }
    if args.twin || args.from.is_some() || args.to.is_some() {
        return Err(Error::Usage(
            "--from, --to and --pair are for panels in a job book; with files, --mirror says that the second survey is of the twin".into(),
        ));
    }
    if let Some(twice) = args.after.iter().find(|p| args.before.contains(p)) {
        return Err(Error::Usage(format!(
            "{} is named before and after; a survey does not differ from itself",
            shown(twice)
        )));
    }
    let (panel, mut warnings) = panel::file::load(&args.panel)?;
    let before = observe::load(&args.before, &panel);
    let after = match args.mirror.and_then(axis) {
        None => observe::load(&args.after, &panel),
        Some(axis) => observe::load(&args.after, &compare::mirrored_panel(&panel, axis))
            .map(|s| compare::mirrored_survey(&s, &panel, axis)),
    };
    let surveys = both(before, after)?;
    for survey in &surveys {
        observe::check_carries(survey, &panel)?;
        warnings.extend(survey.warnings.iter().cloned());
    }
    Ok(Pair {
        panel,
        surveys,
        sides: args.mirror.is_some(),
        between: Vec::new(),
        warnings,
    })
}

/// Both, or the faults of both.
fn both(a: Result<Survey, Error>, b: Result<Survey, Error>) -> Result<[Survey; 2], Error> {
    match (a, b) {
        (Err(Error::Faults(mut a)), Err(Error::Faults(b))) => {
            a.extend(b);
            Err(Error::Faults(a))
        }
        (a, b) => Ok([a?, b?]),
    }
}

/// From the book.
fn stored(args: &MovedArgs, book: &Path) -> Result<Pair, Error> {
    if !args.before.is_empty() || !args.after.is_empty() {
        return Err(Error::Usage(
            "with a book, readings come from the book: --from and --to name its entries".into(),
        ));
    }
    let book = Book::open(book)?;
    let name = args.panel.to_string_lossy();
    if args.twin {
        return sides(args, &book, &name);
    }
    if args.mirror.is_some() {
        return Err(Error::Usage(
            "--mirror goes with --pair: without it two surveys of one panel are compared".into(),
        ));
    }
    let entries = book.entries(&name)?;
    let surveys = read_surveys(&book, &name)?;
    let [before, after] = chosen(args, &book, &name, &entries, &surveys)?;
    let (panel, mut warnings) = version(&book, &name, after)?;
    let (old, _) = version(&book, &name, before)?;
    same_frame(&panel, &old, "was edited between the two surveys")?;
    let pair = both(survey(&book, before, &panel), survey(&book, after, &panel))?;
    warnings.extend(pair.iter().flat_map(|s| s.warnings.iter().cloned()));
    Ok(Pair {
        panel,
        surveys: pair,
        sides: false,
        between: between(&entries, before, after),
        warnings,
    })
}

/// A panel's last survey against its twin's.
fn sides(args: &MovedArgs, book: &Book, name: &str) -> Result<Pair, Error> {
    let row = book.panel(name)?;
    let Some(twin) = row.twin else {
        return Err(Error::Usage(format!(
            "{} is in no pair in the book: `lowspot panel pair \"{}\" OTHER` says which panel is its mirror image",
            row.name, row.name
        )));
    };
    let Some(mirror) = args.mirror else {
        return Err(Error::Usage(
            "--pair needs --mirror: x where the ends of x change places from one side to the other, y where those of y do, none where both \
             sides were measured from mirrored corners (say x outboard and y aft on both)"
                .into(),
        ));
    };
    let own = last(book, &row.name)?;
    let other = last(book, &twin)?;
    let (panel, mut warnings) = version(book, &row.name, &own)?;
    let (twins, _) = version(book, &twin, &other)?;
    let mirrored = match axis(mirror) {
        Some(axis) => compare::mirrored_panel(&twins, axis),
        None => twins.clone(),
    };
    same_frame(
        &panel,
        &mirrored,
        "and the other of its pair, mirrored, are not of one size",
    )?;
    same_outline(&panel, &mirrored)?;
    let laid = survey(book, &other, &twins).map(|s| match axis(mirror) {
        Some(axis) => compare::mirrored_survey(&s, &panel, axis),
        None => s,
    });
    let surveys = both(survey(book, &own, &panel), laid)?;
    warnings.extend(surveys.iter().flat_map(|s| s.warnings.iter().cloned()));
    Ok(Pair {
        panel,
        surveys,
        sides: true,
        between: vec![format!(
            "{} (entry {}, {}) and {twin}, the other of the pair (entry {}, {})",
            row.name, own.number, own.date, other.number, other.date
        )],
        warnings,
    })
}

/// The surveys of a panel that stand and have readings, in order.
pub(super) fn read_surveys(book: &Book, name: &str) -> Result<Vec<Entry>, Error> {
    let mut out = Vec::new();
    for entry in book.surveys(name)? {
        if !stored_files(book, &entry)?.readings.is_empty() {
            out.push(entry);
        }
    }
    Ok(out)
}

fn last(book: &Book, name: &str) -> Result<Entry, Error> {
    read_surveys(book, name)?.pop().ok_or_else(|| {
        Error::Survey(format!(
            "{name} has no survey with readings in {} yet",
            shown(book.path())
        ))
    })
}

/// The two surveys named by their entries, else the last two.
fn chosen<'a>(
    args: &MovedArgs,
    book: &Book,
    name: &str,
    entries: &[Entry],
    surveys: &'a [Entry],
) -> Result<[&'a Entry; 2], Error> {
    let find = |option: &str, number: i64| {
        surveys.iter().find(|e| e.number == number).ok_or_else(|| {
            let why = match entries.iter().find(|e| e.number == number) {
                None => "is no entry of this panel".to_string(),
                Some(e) if !e.stands() => "is struck".to_string(),
                Some(e) if e.kind != Kind::Survey => format!("is no survey but {}", e.kind.word()),
                Some(_) => "has no readings, a photo alone".to_string(),
            };
            Error::Usage(format!(
                "{option}: entry {number} {why}; surveys of {name} with readings are {}",
                numbers(surveys)
            ))
        })
    };
    let after = match args.to {
        Some(n) => find("--to", n)?,
        None => surveys.last().ok_or_else(|| too_few(book, name, surveys))?,
    };
    let before = match args.from {
        Some(n) => find("--from", n)?,
        None => surveys
            .iter()
            .rfind(|e| e.order() < after.order())
            .ok_or_else(|| too_few(book, name, surveys))?,
    };
    if before.order() >= after.order() {
        return Err(Error::Usage(format!(
            "--from {} does not lie before --to {}",
            before.number, after.number
        )));
    }
    Ok([before, after])
}

fn too_few(book: &Book, name: &str, surveys: &[Entry]) -> Error {
    Error::Survey(format!(
        "{name} has {} with readings in {}; two are wanted, one before and one after",
        super::book::count(surveys.len(), "survey", "surveys"),
        shown(book.path())
    ))
}

fn numbers(surveys: &[Entry]) -> String {
    let all: Vec<String> = surveys
        .iter()
        .map(|e| format!("{} ({})", e.number, e.date))
        .collect();
    if all.is_empty() {
        "none yet".into()
    } else {
        all.join(", ")
    }
}

/// The panel as it was described when a survey was entered.
pub(super) fn version(
    book: &Book,
    name: &str,
    survey: &Entry,
) -> Result<(Panel, Vec<Warning>), Error> {
    let versions = book.versions(name)?;
    let version = versions.iter().find(|v| v.id == survey.version);
    version
        .ok_or_else(|| {
            Error::Survey(format!(
                "{name}: the version of the panel is missing; `lowspot book check` says more"
            ))
        })?
        .panel()
}

/// A survey of the book, with the conditions that its entry tells.
pub(super) fn survey(book: &Book, entry: &Entry, panel: &Panel) -> Result<Survey, Error> {
    let Files { readings, .. } = stored_files(book, entry)?;
    let mut survey = observe::survey_of(&readings, panel)?;
    observe::check_carries(&survey, panel)?;
    told_by(entry, &mut survey.conditions);
    Ok(survey)
}

/// The conditions of a survey as its entry tells them.
pub(super) fn told_by(entry: &Entry, told: &mut Conditions) {
    told.date = Some(entry.date.to_string());
    told.skin_c = entry.skin_c.or(told.skin_c);
    told.supports = entry.supports.clone().or(told.supports.take());
}

/// That readings of both lie in one frame.
pub(super) fn same_frame(panel: &Panel, other: &Panel, why: &str) -> Result<(), Error> {
    let sides = |p: &Panel| [p.length_mm, p.width_mm];
    let differ = sides(panel)
        .iter()
        .zip(sides(other))
        .any(|(a, b)| (a - b).abs() > SAME_MM);
    if differ {
        let size = |p: &Panel| format!("{:.0} × {:.0} mm", p.length_mm, p.width_mm);
        return Err(Error::Survey(format!(
            "{} {why}: {} and {}; such surveys cannot be laid onto one another",
            panel.name,
            size(other),
            size(panel)
        )));
    }
    Ok(())
}

/// Twins must lie on one another to this share of the panel.
const COVERED: f64 = 0.97;
/// Spots along each side at which outlines are compared.
const SPOTS: usize = 80;

/// That outline and openings of a twin, mirrored, are the panel's own: else it was mirrored the
/// wrong way round.
fn same_outline(panel: &Panel, twin: &Panel) -> Result<(), Error> {
    let (mut both, mut either) = (0.0, 0.0);
    for k in 0..SPOTS * SPOTS {
        let share = |n: usize| (n as f64 + 0.5) / SPOTS as f64;
        let (x, y) = (
            panel.length_mm * share(k % SPOTS),
            panel.width_mm * share(k / SPOTS),
        );
        let on = [panel, twin].map(|p| p.contains(x, y));
        both += f64::from(u8::from(on[0] && on[1]));
        either += f64::from(u8::from(on[0] || on[1]));
    }
    if both < COVERED * either {
        return Err(Error::Survey(format!(
            "{} and the other of its pair, mirrored so, cover {:.0} % of one another: is --mirror the right way round, or do their outlines differ?",
            panel.name,
            100.0 * both / f64::max(either, 1.0)
        )));
    }
    Ok(())
}

/// The work between two surveys, in words.
fn between(entries: &[Entry], before: &Entry, after: &Entry) -> Vec<String> {
    let done = entries
        .iter()
        .filter(|e| e.stands() && e.kind.makes_stale())
        .filter(|e| e.order() > before.order() && e.order() < after.order());
    let mut words: Vec<String> = vec![format!(
        "survey of {} (entry {}) and of {} (entry {})",
        before.date, before.number, after.date, after.number
    )];
    let mut done: Vec<&Entry> = done.collect();
    done.sort_by_key(|e| e.order());
    words.extend(done.into_iter().map(|e| match e.facts.temperature_c {
        Some(c) => format!("{} at {c:.0} °C (entry {})", e.kind.word(), e.number),
        None => format!("{} (entry {})", e.kind.word(), e.number),
    }));
    words
}
