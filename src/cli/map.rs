//! `lowspot map`: read, find the surface, judge, show, write.

use super::args::MapArgs;
use super::job::Job;
use crate::compare::spectrum;
use crate::fit;
use crate::judge::photo::{self, PhotoFindings};
use crate::judge::{self, Judgement, Verdict};
use crate::keep::{Book, SurveyResult};
use crate::next;
use crate::problem::Error;
use crate::reference::Kind;
use crate::show;
use crate::units::Units;
use indicatif::{ProgressBar, ProgressStyle};
use std::process::ExitCode;
use std::time::Duration;

/// Run it.
///
/// # Errors
/// What stopped it; nothing has been written then.
pub fn run(args: &MapArgs) -> Result<ExitCode, Error> {
    let job = Job::new(args)?;
    let (judgement, report) = make(&job)?;
    keep_result(&job, &judgement)?;
    tell_readings(&job);
    tell_warnings(&judgement, args.verbose);
    if args.json {
        super::say_json(&report);
    } else {
        show::summary::print(&judgement, &job.panel, job.units, &job.out)?;
    }
    let unfair = args.require_fair && judgement.verdict != Verdict::Fair;
    Ok(ExitCode::from(if unfair { 3 } else { 0 }))
}

/// A survey from a book that does not hold its result yet: it is kept now. Judged otherwise than
/// books are, it is not.
fn keep_result(job: &Job, judgement: &Judgement) -> Result<(), Error> {
    let Some(from) = job.from.as_ref().filter(|f| f.without_result) else {
        return Ok(());
    };
    match from.survey.filter(|_| job.reference == Kind::Skin) {
        Some(survey) => {
            let surface = job.survey.taken() > 0;
            let result = SurveyResult::of(judgement, surface).with_readings(&job.survey);
            Book::open(&from.book)?.keep_result(survey, &result)
        }
        None => Ok(()),
    }
}

/// Judge a job; `priced`: how many highs get a price.
///
/// # Errors
/// What stopped it.
pub fn judged(job: &Job, priced: usize) -> Result<Judgement, Error> {
    let progress = Progress::new();
    found_and_judged(job, priced, &progress).map(|(judged, _)| judged)
}

/// The judgement, and the surface it stands on where there were readings.
pub(super) fn found_and_judged(
    job: &Job,
    priced: usize,
    progress: &Progress,
) -> Result<(Judgement, Option<fit::Surface>), Error> {
    let Job {
        panel,
        survey,
        units,
        coat,
        ..
    } = job;
    let options = judge::Options {
        reference: job.reference,
        units: *units,
        priced,
    };
    if survey.taken() == 0 {
        let coat = coat
            .clone()
            .ok_or_else(|| Error::Survey("neither readings nor a photo".into()))?;
        let findings = PhotoFindings::alone(&job.photos, coat);
        let alone = photo::photo_alone(
            panel,
            &survey.conditions,
            findings,
            options,
            job.warnings.clone(),
        );
        return Ok((alone, None));
    }
    progress.now("finding the surface");
    let found = job.surface()?;
    progress.now("fitting the fair shape");
    let mut judged = match &job.as_stated {
        None => judge::judge(panel, survey, &found, options, job.warnings.clone())?,
        Some(stated) => {
            let unpriced = judge::Options {
                priced: 0,
                ..options
            };
            let (allowed, left_alone) = rayon::join(
                || judge::judge(stated, survey, &found, options, job.warnings.clone()),
                || judge::judge(panel, survey, &found, unpriced, Vec::new()),
            );
            let bare = super::job::substrate_of(coat.as_ref());
            allowed?.with_substrate(&bare, &left_alone?)
        }
    };
    if judged.verdict == Verdict::MeasureMore {
        progress.now("weighing placings");
        judged = with_next(judged, job, &found)?;
    }
    if let Some(coat) = coat {
        let findings = PhotoFindings::beside(panel, &job.photos, coat, &found, *units);
        let fair = judged.verdict == Verdict::Fair;
        judged = judged.with_photos(findings, panel, *units);
        if fair && judged.verdict == Verdict::MeasureMore {
            judged = judged.asked_by_photos(*units);
        }
    }
    Ok((judged, Some(found)))
}

/// Make the map of a job and write its files. Returns the judgement and the text of report.json.
///
/// # Errors
/// What stopped it; nothing has been written then.
pub fn make(job: &Job) -> Result<(Judgement, String), Error> {
    let Job {
        panel,
        survey,
        units,
        ..
    } = job;
    let progress = Progress::new();
    let options = judge::Options {
        reference: job.reference,
        units: *units,
        priced: judge::PRICED,
    };
    let (found, repeats) = rayon::join(
        || found_and_judged(job, judge::PRICED, &progress),
        || (survey.taken() > 0).then(|| spectrum::in_survey(survey)),
    );
    let (mut judgement, surface) = found?;
    if let Some(repeats) = repeats {
        judgement = judgement.with_repeats(repeats);
    }
    progress.now("drawing the map");
    let report = show::json::text(&judgement, panel)?;
    let ((png, svg), (page, csv)) = rayon::join(
        || {
            (
                show::map::draw_png(&judgement, panel, *units, show::map::PNG_WIDTH),
                show::map::draw_svg(&judgement, panel, *units),
            )
        },
        || {
            let csv = match &surface {
                Some(surface) if job.grid_mm != judgement.nodes.grid.step_mm => judge::resampled(
                    job.as_stated.as_ref().unwrap_or(panel),
                    survey,
                    surface,
                    options,
                    job.grid_mm,
                )
                .map(|nodes| show::csv::surface(&nodes)),
                Some(_) => Ok(show::csv::surface(&judgement.nodes)),
                None => Ok(show::csv::surface(&photo::blank_nodes(
                    panel,
                    judge::grid(panel, job.grid_mm),
                    None,
                ))),
            };
            (
                show::html::page(&judgement, panel, *units, &job.photos),
                csv,
            )
        },
    );
    let mut files = vec![
        show::File::new("report.json", report.clone()),
        show::File::new("surface.csv", csv?),
        show::File::new("map.png", png?),
        show::File::new("map.svg", svg?),
        show::File::new("report.html", page?),
    ];
    if let Some(coat) = &job.coat {
        files.push(show::File::new("coat.csv", show::csv::coat(&coat.cells)));
    }
    for (k, photo) in job.photos.iter().enumerate() {
        let name = show::overlay_name(k);
        let picture = show::overlay::jpeg(&judgement, panel, *units, photo)?;
        files.push(show::File::new(&name, picture));
    }
    progress.now("writing");
    show::write_map(&job.out, &files, &job.inputs)?;
    Ok((judgement, report))
}

/// Placings that a map suggests.
const SUGGESTED: usize = 3;

/// The judgement with the best placings to take next. A panel too small for the survey's own tool
/// goes without.
fn with_next(judged: Judgement, job: &Job, found: &fit::Surface) -> Result<Judgement, Error> {
    let basis = next::Basis {
        panel: &job.panel,
        survey: &job.survey,
        surface: found,
        judgement: &judged,
        units: job.units,
    };
    let plan = next::tooling(&job.panel, &job.survey, None, None, None)
        .and_then(|set| next::further(&basis, set, SUGGESTED, next::FEW_PLACES));
    match plan {
        Ok(plan) => Ok(judged.with_next(&plan, job.units)),
        Err(e) if e.is_usage() => Ok(judged),
        Err(e) => Err(e),
    }
}

/// What was read, with the first reading that is not 0 in full, so that a wrong unit or step shows;
/// on standard error.
pub(super) fn tell_readings(job: &Job) {
    if job.survey.placings.is_empty() {
        super::note(format_args!(
            "read: {} photo{}, no readings",
            job.photos.len(),
            if job.photos.len() == 1 { "" } else { "s" }
        ));
        return;
    }
    let first = job
        .survey
        .first_reading()
        .map(|f| {
            // A dial's reading may be less than half a thou.
            let value = match job.units {
                Units::Metric => job.units.depth(f.value_mm),
                Units::Us => crate::show::words::fine(f.value_mm, job.units),
            };
            let along = job.units.place(f.along_mm);
            format!(
                "; the first that is not 0 is {}: {value} at {along}",
                f.label
            )
        })
        .unwrap_or_default();
    super::note(format_args!(
        "read: {} placings, {} readings{first}",
        job.survey.placings.len(),
        job.survey.taken()
    ));
}

/// Warnings, and with `--verbose` the echo of every placing, on standard error.
pub(super) fn tell_warnings(judgement: &Judgement, verbose: bool) {
    if verbose {
        for placing in &judgement.placings {
            super::note(format_args!("{}: {}", placing.place, placing.text));
        }
    }
    for warning in &judgement.warnings {
        super::note(format_args!("note: {warning}"));
    }
}

/// A line on standard error that tells what is being done; nothing when that is no terminal.
pub(super) struct Progress(ProgressBar);

impl Progress {
    pub(super) fn new() -> Self {
        let bar = ProgressBar::new_spinner();
        if let Ok(style) = ProgressStyle::with_template("{msg} … {elapsed}") {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(200));
        Progress(bar)
    }

    pub(super) fn now(&self, what: &'static str) {
        self.0.set_message(what);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}
