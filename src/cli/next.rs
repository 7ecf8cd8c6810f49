//! `lowspot next`: the placings to take next, or with nothing read yet the walk to begin with.

use super::args::NextArgs;
use super::input::{Input, Named};
use super::job::{length, shown};
use super::map::Progress;
use super::pair;
use crate::fit;
use crate::judge::{self, Judgement, photo};
use crate::next::{self, Plan};
use crate::observe::{self, Survey};
use crate::panel::Panel;
use crate::plan::shop::Shop;
use crate::problem::Error;
use crate::reference::Kind;
use crate::show;
use crate::units::Units;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Placings suggested unless told otherwise.
const PLACINGS: usize = 6;

/// Run it.
///
/// # Errors
/// What stopped it; nothing has been written then. A form that holds readings is never overwritten.
pub fn run(args: &NextArgs) -> Result<ExitCode, Error> {
    let Input {
        panel,
        mut warnings,
        files: given,
        from,
        entry,
    } = Input::read(
        &Named {
            panel: &args.panel,
            readings: &args.readings,
            photos: &[],
            targets: &[],
            book: args.book.as_deref(),
        },
        &Shop::default(),
    )?;
    let option =
        |name: &str, text: &Option<String>| text.as_deref().map(|t| length(name, t)).transpose();
    let (mut length_mm, mut step_mm) = (
        option("--length", &args.length)?,
        option("--step", &args.step)?,
    );
    let units: Units = args.units.into();
    let mut survey = match given.readings.as_slice() {
        [] => Survey::default(),
        readings => observe::survey_of(readings, &panel)?,
    };
    if let Some(entry) = &entry {
        pair::told_by(entry, &mut survey.conditions);
    }
    warnings.extend(survey.warnings.iter().cloned());
    let tool = args.tool.map(Into::into);
    if survey.taken() == 0 && units == Units::Us {
        (length_mm, step_mm) = next::inch_tooling(&panel, tool, length_mm, step_mm);
    }
    let set = next::tooling(&panel, &survey, tool, length_mm, step_mm)?;
    let count = args.placings.map(usize::from);
    let (plan, mut judgement) = if survey.taken() == 0 {
        let plan = next::start(&panel, set, count)?;
        let grid = judge::grid(&panel, judge::step_mm(&panel));
        let nodes = photo::blank_nodes(&panel, grid, None);
        let empty = photo::unread(&panel, &survey.conditions, nodes, Vec::new());
        (plan, empty)
    } else {
        observe::check_carries(&survey, &panel)?;
        further(&panel, &survey, set, count.unwrap_or(PLACINGS), units)?
    };
    judgement.warnings.splice(0..0, warnings);
    tell(&judgement);
    let (name, text) = form(&args.out, &plan, &panel, units)?;
    let json = show::next::json(&plan, &judgement)?;
    let (png, svg) = show::next::pictures(&plan, &judgement, &panel, units)?;
    show::write_all(
        &args.out,
        &[
            show::File::new("next.json", json.clone()),
            show::File::new(&name, text),
            show::File::new("next.png", png),
            show::File::new("next.svg", svg),
        ],
    )?;
    if args.json {
        super::say_json(&json);
        return Ok(ExitCode::SUCCESS);
    }
    if let Some(from) = from {
        let written = shown(&args.out.join(&name));
        super::say(&format!(
            "{}\n{written} is ready to fill in, {} shows where they lie. Then enter it with the readings so far, as one survey:\n  \
             lowspot enter \"{}\" survey READINGS {written} --book {}",
            show::next::summary(&plan, &judgement, units),
            shown(&args.out.join("next.png")),
            from.panel,
            shown(&from.book),
        ));
        return Ok(ExitCode::SUCCESS);
    }
    let mut files: Vec<&Path> = args.readings.iter().map(PathBuf::as_path).collect();
    let written = args.out.join(&name);
    if survey.taken() == 0 {
        files.clear();
    }
    files.push(&written);
    let files: Vec<String> = files.into_iter().map(shown).collect();
    super::say(&format!(
        "{}\n{} is ready to fill in, {} shows where they lie. Then\n  lowspot map {} {}",
        show::next::summary(&plan, &judgement, units),
        shown(&written),
        shown(&args.out.join("next.png")),
        shown(&args.panel),
        files.join(" ")
    ));
    Ok(ExitCode::SUCCESS)
}

fn further(
    panel: &Panel,
    survey: &Survey,
    set: crate::observe::blank::Settings,
    count: usize,
    units: Units,
) -> Result<(Plan, Judgement), Error> {
    let progress = Progress::new();
    progress.now("finding the surface");
    let surface = fit::fit(panel, survey)?;
    progress.now("fitting the fair shape");
    let options = judge::Options {
        reference: Kind::Skin,
        units,
        priced: judge::PRICED,
    };
    let judgement = judge::judge(panel, survey, &surface, options, Vec::new())?;
    if let Some(why) = judgement.refusal() {
        let what = format!("no placings are proposed: {why}; nothing was written");
        return Err(crate::problem::Error::Survey(what));
    }
    progress.now("weighing placings");
    let basis = next::Basis {
        panel,
        survey,
        surface: &surface,
        judgement: &judgement,
        units,
    };
    let plan = next::further(&basis, set, count, next::MOST_PLACES)?;
    Ok((plan, judgement))
}

/// Warnings and readings left out, on standard error.
fn tell(judgement: &Judgement) {
    for warning in &judgement.warnings {
        super::note(format_args!("note: {warning}"));
    }
    for flag in &judgement.flags {
        super::note(format_args!("left out: {}", flag.reason));
    }
}

/// The form, under a name that overwrites no readings: next.txt, else next-2.txt, …
fn form(dir: &Path, plan: &Plan, panel: &Panel, units: Units) -> Result<(String, String), Error> {
    let text = show::next::form_in(plan, panel, units);
    for k in 1..1000 {
        let name = match k {
            1 => "next.txt".to_string(),
            k => format!("next-{k}.txt"),
        };
        if still_blank(&dir.join(&name)) {
            return Ok((name, text));
        }
    }
    Err(Error::Usage(format!(
        "{} is full of forms with readings; choose another folder with --out",
        shown(dir)
    )))
}

/// Whether a file may be written over: there is none, or it is a form of ours in which no reading
/// has been written.
fn still_blank(path: &Path) -> bool {
    if !path.exists() {
        return true;
    }
    let untouched = |line: &str| {
        let line = line.trim();
        if line.starts_with('#') {
            return true;
        }
        let placing = line.split_once(" : ");
        match placing {
            Some((_, readings)) => readings.split_whitespace().all(|r| r == "_"),
            None => !line.contains("again") && !line.contains("turned"),
        }
    };
    let ours = |text: &str| text.starts_with("# ") && text.contains("\ntool ");
    std::fs::read_to_string(path).is_ok_and(|text| ours(&text) && text.lines().all(untouched))
}
