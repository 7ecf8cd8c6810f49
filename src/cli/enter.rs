//! `lowspot enter`, and the short ways to strike an entry, to keep hands off a panel and to free
//! it.

mod heeded;
mod place;

use super::args::{BookOption, CoatWord, EnterArgs, HoldArgs, MeansWord, ReleaseArgs, StrikeArgs};
use super::input::{Files, Input, Maybe};
use super::job::Job;
use super::{ledger, map, shelf};
use crate::judge;
use crate::keep::result::SavedFilm;
use crate::keep::{
    self, Book, Facts, Hold, Kind, Means, NewEntry, NewFile, Role, Standing, SurveyResult, standing,
};
use crate::observe;
use crate::panel::Panel;
use crate::plan::recipe::Base;
use crate::plan::shop::{self, Shop};
use crate::plan::ways::Kind as Way;
use crate::problem::{Error, Warning};
use crate::text;
use crate::track::stage;
use crate::units;
use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use std::path::Path;
use std::process::ExitCode;

/// Run `lowspot enter`.
///
/// # Errors
/// What stopped it; nothing has been entered then.
pub fn run(args: &EnterArgs) -> Result<ExitCode, Error> {
    let kind = Kind::from_word(&args.kind).map_err(Error::Usage)?;
    let shop = args.shop.as_deref().map(shop::load).transpose()?;
    let shop = shop.map_or_else(Shop::default, |(shop, _)| shop);
    let mut entry = read(args, kind, &shop)?;
    let mut book = shelf::open(args.book.book.as_deref(), args.by.as_deref())?;
    known_to_panel(&book, args, &mut entry)?;
    if kind != Kind::Survey {
        return put(&mut book, &args.name, &entry, &shop);
    }
    let (job, judgement) = survey(args, &book, &mut entry)?;
    let before = entered_before(&book, &args.name, &entry)?;
    let status = put(&mut book, &args.name, &entry, &shop)?;
    tell(&before);
    map::tell_readings(&job);
    map::tell_warnings(&judgement, false);
    super::say(&found(&judgement, &job));
    for flag in &judgement.flags {
        super::say(&format!("left out: {}", flag.reason));
    }
    Ok(status)
}

/// Makes the entry and says nothing.
///
/// # Errors
/// What stopped it; nothing has been entered then.
pub(super) fn quietly(args: &EnterArgs, book: &mut Book) -> Result<(), Error> {
    let kind = Kind::from_word(&args.kind).map_err(Error::Usage)?;
    let mut entry = read(args, kind, &Shop::default())?;
    known_to_panel(book, args, &mut entry)?;
    if kind == Kind::Survey {
        survey(args, book, &mut entry)?;
    }
    book.enter(&args.name, &entry).map(|_| ())
}

/// Readings and photos that an earlier survey of the panel holds already: entered twice by mistake?
fn entered_before(book: &Book, name: &str, entry: &NewEntry) -> Result<Vec<String>, Error> {
    let mut notes = Vec::new();
    let files = entry.files.iter().filter(|f| f.role != Role::Targets);
    for file in files {
        if let Some(number) = book.entered_before(name, &keep::seal::sha256(&file.bytes))? {
            notes.push(format!(
                "{} belongs to entry {number} already; entered twice? `lowspot strike` takes one of them out",
                file.name
            ));
        }
    }
    Ok(notes)
}

/// The survey in a line: "verdict another cycle; 68 cc to level (58 to 78)".
fn found(judgement: &judge::Judgement, job: &Job) -> String {
    let verdict = judgement.verdict.word().replace('-', " ");
    if job.survey.taken() == 0 {
        return format!("verdict {verdict}; a photo alone tells no depth");
    }
    if let Some(misfit) = &judgement.misfit {
        return format!(
            "verdict {verdict}: it looks like {}; {}",
            misfit.looks_like, misfit.write
        );
    }
    let cc = judgement.to_level_cc;
    let [value, low, high] = [cc.value, cc.low, cc.high].map(|cc| job.units.bare_volume(cc));
    format!(
        "verdict {verdict}; {value} {} to level ({low} to {high})",
        job.units.volume_unit()
    )
}

/// Run `lowspot strike`.
///
/// # Errors
/// What stopped it; nothing has been entered then.
pub fn strike(args: &StrikeArgs) -> Result<ExitCode, Error> {
    let mut entry = NewEntry::new(Kind::Strike, keep::today());
    entry.strikes = Some(args.number);
    entry.who.clone_from(&args.by);
    entry.facts.why = Some(args.why.clone());
    short(&args.book, &args.name, &entry)
}

/// Run `lowspot hands-off`.
///
/// # Errors
/// What stopped it; nothing has been entered then.
pub fn hold(args: &HoldArgs) -> Result<ExitCode, Error> {
    let mut entry = NewEntry::new(Kind::Hold, keep::today());
    entry.who = Some(args.by.clone());
    entry.facts.why.clone_from(&args.why);
    entry.facts.until = args.until.as_deref().map(|t| until(t, None)).transpose()?;
    short(&args.book, &args.name, &entry)
}

/// Run `lowspot free`.
///
/// # Errors
/// What stopped it; nothing has been entered then.
pub fn release(args: &ReleaseArgs) -> Result<ExitCode, Error> {
    let mut entry = NewEntry::new(Kind::Release, keep::today());
    entry.who.clone_from(&args.by);
    entry.facts.why.clone_from(&args.why);
    short(&args.book, &args.name, &entry)
}

fn short(book: &BookOption, name: &str, entry: &NewEntry) -> Result<ExitCode, Error> {
    let mut book = shelf::open(book.book.as_deref(), entry.who.as_deref())?;
    put(&mut book, name, entry, &Shop::default())
}

/// What only the panel and its surveys can tell of an entry: whether a base that is signed off is
/// one of its limits', where "H1" lies.
fn known_to_panel(book: &Book, args: &EnterArgs, entry: &mut NewEntry) -> Result<(), Error> {
    if entry.kind == Kind::SignOff {
        base_is_limited(&book.newest(&args.name)?.panel()?.0, entry)?;
    }
    if let Some(said) = &args.at {
        let summary = book.standing(&args.name, keep::now())?.summary;
        let regions = summary.map_or(Vec::new(), |s| s.regions);
        entry.facts.at = Some(place::read(said, &regions).map_err(Error::Usage)?);
    }
    Ok(())
}

/// A base in inches stands for one in mm that is so near, and the reverse.
const SAME_BASE: f64 = 0.02;

/// A sign-off at a base that no limit has closes nothing; one beside a limit's by a rounding to
/// inches is that limit's.
fn base_is_limited(panel: &Panel, entry: &mut NewEntry) -> Result<(), Error> {
    let zones = panel.zones.iter().flat_map(|z| &z.limits);
    let mut bases: Vec<f64> = panel
        .limits
        .iter()
        .chain(zones)
        .map(|l| l.base_mm)
        .collect();
    bases.sort_by(f64::total_cmp);
    bases.dedup();
    let Some(base) = entry.facts.base_mm else {
        return Ok(());
    };
    let near = |b: &&f64| (*b - base).abs() <= SAME_BASE * **b;
    if let Some(limit) = bases.iter().find(near) {
        entry.facts.base_mm = Some(*limit);
        return Ok(());
    }
    let known: Vec<String> = bases.iter().map(|b| format!("{b:.0} mm")).collect();
    Err(Error::Usage(format!(
        "--base {base:.0} mm: {} has no limit at that base; its bases are {}",
        panel.name,
        known.join(", ")
    )))
}

/// Enters it, and says what is entered.
fn put(book: &mut Book, name: &str, entry: &NewEntry, shop: &Shop) -> Result<ExitCode, Error> {
    let before = book.held(name, keep::now())?;
    let standing = book.standing(name, keep::now())?;
    let described = book.newest(name)?.panel()?.0;
    let film = match entry.kind {
        Kind::Sand | Kind::Block => described.skin.film.stated(),
        _ => String::new(),
    };
    let number = book.enter(name, entry)?;
    let panel = book.panel(name)?.name;
    let word = entry.kind.shown();
    super::say(&format!("entry {number}: {word}, {panel}, {}", entry.date));
    let mut notes = Vec::new();
    notes.extend(of_hold(&panel, entry, before));
    notes.extend(entry.facts.until.map(held_until));
    notes.extend(too_early(&standing, entry, &film));
    notes.extend(heeded::of(&described, &standing, entry, shop));
    if let Some(struck) = entry.strikes {
        let was = standing.entries.iter().find(|e| e.number == struck);
        notes.extend(was.map(|e| format!("struck: {}", super::log::line(e, None, &[]).trim())));
    }
    if entry.date > keep::today() {
        notes.push(format!(
            "{} has not come yet; is the day right?",
            entry.date
        ));
    }
    if entry.kind.makes_stale() {
        notes.extend(book.stale(name)?.map(|why| format!("touched since: {why}")));
    }
    tell(&notes);
    Ok(ExitCode::SUCCESS)
}

/// What is worth saying of the hold that was there before an entry.
fn of_hold(panel: &str, entry: &NewEntry, before: Option<Hold>) -> Option<String> {
    match (entry.kind, before) {
        (Kind::Release, None) => Some(format!("nobody was at {panel}")),
        (Kind::Release | Kind::Strike, Some(_)) | (_, None) => None,
        (_, Some(hold)) if Some(&hold.by) == entry.who.as_ref() => None,
        (_, Some(hold)) => Some(format!("{panel}: {hold}")),
    }
}

/// What speaks against work that was done all the same: it is entered, since it was done.
fn too_early(s: &Standing, entry: &NewEntry, film: &str) -> Vec<String> {
    let works = matches!(
        entry.kind,
        Kind::Sand | Kind::Block | Kind::Prime | Kind::Fill | Kind::PostCure
    );
    if !works {
        return Vec::new();
    }
    let mut out = Vec::new();
    let shop = Shop::default();
    if let Some((wet, until)) = stage::curing(&s.entries, &shop, keep::now())
        && entry.date == keep::today()
    {
        out.push(format!(
            "{} (entry {}) cures until {} by its recipe and temperature; the data sheet wins",
            wet.kind.word(),
            wet.number,
            standing::by_the_clock(until)
        ));
    }
    let verdict = s.summary.as_ref().map(|r| r.verdict.as_str());
    if entry.kind == Kind::Prime && (s.stale.is_some() || verdict != Some("fair")) {
        out.push("primed though the last survey that holds does not say fair; `lowspot trend` lists what is open".into());
    }
    let left = s.summary.as_ref().and_then(|r| r.film.as_ref());
    if let Some(f) = left.filter(|f| f.stated == film && f.below_nothing_cm2 > 0.0) {
        out.push(format!(
            "sanded though the film came out below nothing ({:.2} mm at x {:.0} y {:.0}): stop, look for weave or substrate, ask; measure the film",
            f.least_mm, f.at_mm[0], f.at_mm[1]
        ));
    }
    out
}

fn held_until(until: Timestamp) -> String {
    let past = if until <= keep::now() {
        ", which is past: it has run out"
    } else {
        ""
    };
    format!("hands off until {}{past}", standing::by_the_clock(until))
}

fn tell(notes: &[String]) {
    for note in notes {
        super::note(format_args!("note: {note}"));
    }
}

/// The entry as the options say it; everything wrong with them at once.
fn read(args: &EnterArgs, kind: Kind, shop: &Shop) -> Result<NewEntry, Error> {
    let mut faults = Vec::new();
    let mut entry = NewEntry::new(kind, keep::today());
    let day = args.date.as_deref().map(date).transpose();
    let day = faulty(day, &mut faults).flatten();
    entry.date = day.unwrap_or(entry.date);
    entry.who.clone_from(&args.by);
    entry.supports.clone_from(&args.supports);
    entry.note.clone_from(&args.note);
    entry.hours = value(&args.hours, "--hours", hours, &mut faults);
    entry.skin_c = value(&args.skin, "--skin", units::temperature, &mut faults);
    entry.facts = facts(args, &mut faults);
    entry.facts.cure_h = cure(args, kind, &entry, shop, &mut faults);
    if entry.facts.mass_g == Some(0.0) {
        faults.push("--grams 0: nothing is no mass; expected what the scale showed".into());
    }
    if kind == Kind::SignOff && entry.who.as_deref().is_none_or(|w| w.trim().is_empty()) {
        faults.push("sign-off needs --by: who looked?".into());
    }
    if args.at.is_some() && !matches!(kind, Kind::Sand | Kind::Block) {
        faults.push(format!("--at does not belong to {}", kind.word()));
    }
    let end = args.until.as_deref().map(|t| until(t, day)).transpose();
    entry.facts.until = faulty(end, &mut faults).flatten();
    entry.strikes = struck(args, kind, &mut faults);
    faults.extend(entry.faults());
    if faults.is_empty() {
        Ok(entry)
    } else {
        Err(Error::Usage(faults.join("\n")))
    }
}

/// What belongs to the kind, but for the end of a hold.
fn facts(args: &EnterArgs, faults: &mut Vec<String>) -> Facts {
    let celsius = units::temperature;
    Facts {
        temperature_c: value(&args.temperature, "--temperature", celsius, faults),
        hold_h: value(&args.hold_hours, "--hold-hours", hours, faults),
        recipe: args.recipe.clone(),
        // Both are filled in where the shop and the panel are known.
        cure_h: None,
        at: None,
        batch: args.batch.clone(),
        mass_g: value(&args.grams, "--grams", units::mass, faults),
        way: way(&args.way, faults),
        min_c: value(&args.min, "--min", celsius, faults),
        coats: value(&args.coats, "--coats", coats, faults),
        base_mm: value(&args.base, "--base", units::length, faults),
        means: args.means.map(|m| match m {
            MeansWord::GuideCoat => Means::GuideCoat,
            MeansWord::RakingLight => Means::RakingLight,
        }),
        until: None,
        why: args.why.clone(),
    }
}

/// Hours until it can be sanded where the shop's figures alone would not tell: as said, or of a
/// recipe that is not a built-in one. A recipe that nobody knows is a fault: its cure would be
/// guessed.
fn cure(
    args: &EnterArgs,
    kind: Kind,
    entry: &NewEntry,
    shop: &Shop,
    faults: &mut Vec<String>,
) -> Option<f64> {
    let told = value(&args.cure, "--cure", duration_h, faults);
    if !matches!(kind, Kind::Fill | Kind::Prime) {
        return told;
    }
    let name = args.recipe.as_deref()?;
    let primes = kind == Kind::Prime;
    if name == OTHER {
        if args.cure.is_none() {
            faults.push(
                "--recipe other needs --cure: hours until it can be sanded by its data sheet, such as --cure \"1 h\""
                    .into(),
            );
        }
        return told;
    }
    let fits = |base: Base| (base == Base::Primer) == primes;
    let known: Vec<&str> = shop
        .recipes
        .iter()
        .filter(|r| fits(r.base))
        .map(|r| r.name.as_str())
        .collect();
    match shop.recipes.iter().find(|r| r.name == name) {
        Some(recipe) if fits(recipe.base) => {
            let own = Shop::default().recipes.iter().all(|r| r != recipe);
            let at_c = entry.facts.min_c.or(entry.skin_c).unwrap_or(recipe.at_c);
            told.or_else(|| own.then(|| recipe.sandable_h_at(at_c)))
        }
        Some(_) => {
            faults.push(format!(
                "--recipe {name}: that is {} primer; expected one of {}",
                if primes { "no" } else { "a" },
                known.join(", ")
            ));
            None
        }
        None => {
            let near = text::did_you_mean(name, known.iter().copied());
            faults.push(format!(
                "--recipe {}: not known; known are {}{near}. One of your own: --shop shop.toml; any other: --recipe other --cure \"1 h\"",
                text::quoted(name),
                known.join(", ")
            ));
            None
        }
    }
}

/// The word for a filler or primer that no recipe describes.
const OTHER: &str = "other";

/// "1 h", "1.5", "30 min": hours.
fn duration_h(words: &str) -> Result<f64, String> {
    let words = words.trim();
    let (digits, per_hour) = match words.strip_suffix("min") {
        Some(minutes) => (minutes, 60.0),
        None => (words.trim_end_matches('h'), 1.0),
    };
    units::number(digits.trim())
        .filter(|n| *n >= 0.0)
        .map(|n| n / per_hour)
        .ok_or_else(|| "expected a time such as \"1 h\" or \"30 min\"".into())
}

/// The number that stands where a survey has its readings; files where none belong are a fault.
fn struck(args: &EnterArgs, kind: Kind, faults: &mut Vec<String>) -> Option<i64> {
    let number = match args.readings.as_slice() {
        [number] if kind == Kind::Strike => number.to_str().and_then(|n| n.parse().ok()),
        _ => None,
    };
    let files = !args.readings.is_empty() || !args.photo.is_empty();
    if files && number.is_none() && kind != Kind::Survey {
        faults.push(format!(
            "{} takes no files; readings and photos belong to a survey",
            kind.word()
        ));
    }
    number
}

fn faulty<T>(value: Result<T, Error>, faults: &mut Vec<String>) -> Option<T> {
    value.map_err(|e| faults.push(e.to_string())).ok()
}

/// An option's value; what is wrong with it goes to the faults.
fn value<T>(
    given: &Option<String>,
    option: &str,
    read: fn(&str) -> Result<T, String>,
    faults: &mut Vec<String>,
) -> Option<T> {
    let given = given.as_ref()?;
    read(given)
        .map_err(|why| faults.push(format!("{option} {given}: {why}")))
        .ok()
}

/// A way of filling must be one that is known: film is reckoned by it.
fn way(given: &Option<String>, faults: &mut Vec<String>) -> Option<String> {
    let given = given.as_ref()?;
    let words = Way::ALL.map(Way::word);
    if words.contains(&given.trim()) {
        return Some(given.trim().to_string());
    }
    faults.push(format!(
        "--way {}: expected one of {}",
        crate::text::quoted(given),
        words.join(", ")
    ));
    None
}

fn hours(text: &str) -> Result<f64, String> {
    let digits = text.trim().trim_end_matches('h').trim();
    units::number(digits).ok_or_else(|| "expected hours such as 1.5".into())
}

fn coats(text: &str) -> Result<u32, String> {
    text.trim()
        .parse()
        .map_err(|_| "expected a number of coats such as 2".into())
}

fn date(text: &str) -> Result<Date, Error> {
    text.parse().map_err(|_| {
        Error::Usage(format!(
            "--date {text}: expected a day of the calendar such as 2026-03-14"
        ))
    })
}

/// The end of a hold: a day with its time, or a time: on the day of the entry if one is told, else
/// the next time it is that late.
fn until(text: &str, day: Option<Date>) -> Result<Timestamp, Error> {
    let wrong = || {
        Error::Usage(format!(
            "--until {text}: expected a time such as 14:00, or a day with it such as \"2026-03-14 14:00\""
        ))
    };
    let moment = |at: DateTime| TimeZone::system().to_timestamp(at).map_err(|_| wrong());
    // "14:00" is a time; anything with a day has a dash in it.
    if text.contains('-') {
        return moment(text.trim().parse().map_err(|_| wrong())?);
    }
    let time: Time = text.trim().parse().map_err(|_| wrong())?;
    let today = moment(day.unwrap_or_else(keep::today).to_datetime(time))?;
    if day.is_some() || today > keep::now() {
        return Ok(today);
    }
    let tomorrow = keep::today().tomorrow().map_err(|_| wrong())?;
    moment(tomorrow.to_datetime(time))
}

/// Reads and judges a survey as `lowspot map` does, and puts what was found into the entry.
fn survey(
    args: &EnterArgs,
    book: &Book,
    entry: &mut NewEntry,
) -> Result<(Job, judge::Judgement), Error> {
    let version = book.newest(&args.name)?;
    let (panel, warnings) = version.panel()?;
    let input = Input {
        panel,
        warnings,
        files: Files::named(&args.readings, &args.photo, &args.targets),
        from: None,
        entry: None,
    };
    let mut job = Job::of(input, CoatWord::Auto.into())?;
    let progress = map::Progress::new();
    let noted = job.survey.conditions.clone();
    if let (None, Some(day)) = (&args.date, &noted.date) {
        entry.date = date(day)?;
    }
    if let (Some(told), Some(day)) = (&args.date, &noted.date)
        && date(day)? != entry.date
    {
        job.warnings.push(Warning::new(format!(
            "the readings say {day}, --date says {told}, which counts; is the day right?"
        )));
    }
    if let (Some(told), Some(read)) = (entry.skin_c, noted.skin_c)
        && observe::skins_differ(told, read)
    {
        job.warnings.push(Warning::new(format!(
            "the readings say that the skin was at {}, --skin says {}, which counts; which is right?",
            observe::degrees(read),
            observe::degrees(told)
        )));
    }
    if let (Some(told), Some(read)) = (&entry.supports, &noted.supports)
        && keep::key(told) != keep::key(read)
    {
        job.warnings.push(Warning::new(format!(
            "the readings say supports {read}, --supports says {told}, which counts; which is right?"
        )));
    }
    let film = reckoned(book, &args.name, &mut job, entry.date);
    let (judgement, surface) = map::found_and_judged(&job, judge::PRICED, &progress)?;
    drop(progress);
    entry.who = entry.who.take().or_else(|| noted.by.clone());
    entry.skin_c = entry.skin_c.or(noted.skin_c);
    entry.supports = entry.supports.take().or_else(|| noted.supports.clone());
    entry.files = kept(&job.files);
    let mut result = SurveyResult::of(&judgement, surface.is_some()).with_readings(&job.survey);
    result.summary.film = film;
    entry.result = Some((version.id, result));
    Ok((job, judgement))
}

/// The film as this survey leaves it, put into the panel that the survey is judged by. Where it
/// cannot be reckoned, nothing is offered for sanding by it, and that is told.
fn reckoned(book: &Book, name: &str, job: &mut Job, date: Date) -> Option<SavedFilm> {
    if !job.panel.skin.film.is_known() || job.survey.taken() == 0 {
        return None;
    }
    let new = ledger::New { date, job };
    match ledger::with(book, name, &Shop::default(), Some(new)) {
        Ok((told, _)) => {
            let saved = ledger::saved(&told, &job.panel);
            let warnings = ledger::put(&told, &mut job.panel);
            job.warnings.extend(warnings);
            saved
        }
        Err(why) => {
            let warning = ledger::lost(&why, &mut job.panel);
            job.warnings.push(warning);
            None
        }
    }
}

/// The files as they are stored: each photo with its targets behind it.
fn kept(files: &Files) -> Vec<NewFile> {
    let one = |role: Role, file: &Maybe| {
        let file = file.as_ref().ok()?;
        let name = Path::new(&file.name).file_name()?;
        Some(NewFile {
            role,
            name: name.to_string_lossy().into_owned(),
            bytes: file.bytes.clone(),
        })
    };
    let readings = files.readings.iter().map(|f| (Role::Readings, f));
    let photos = files.photos.iter().map(|f| (Role::Photo, f));
    let targets = files.targets.iter().map(|f| (Role::Targets, f));
    readings
        .chain(photos)
        .chain(targets)
        .filter_map(|(role, file)| one(role, file))
        .collect()
}
