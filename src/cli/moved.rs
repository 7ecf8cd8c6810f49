//! `lowspot moved`: two surveys compared.

use super::args::{AxisWord, MovedArgs};
use super::job::shown;
use super::map::Progress;
use crate::compare::{self, Axis};
use crate::observe::{self, Survey};
use crate::panel::{self, Panel};
use crate::problem::{Error, Warning};
use crate::show;
use crate::show::moved::Shown;
use std::io::Write;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// What stopped it; nothing has been written then.
pub fn run(args: &MovedArgs) -> Result<ExitCode, Error> {
    let (panel, mut warnings) = panel::file::load(&args.panel)?;
    let axis = args.mirror.map(|a| match a {
        AxisWord::X => Axis::X,
        AxisWord::Y => Axis::Y,
    });
    let [before, after] = surveys(args, &panel, axis)?;
    warnings.extend(before.warnings.iter().chain(&after.warnings).cloned());
    let progress = Progress::new();
    progress.now("finding both surfaces");
    let moved = compare::moved(&panel, &before, &after)?;
    progress.now("drawing");
    warnings.extend(moved.cautions.iter().cloned());
    let what = Shown {
        moved: &moved,
        panel: &panel,
        units: args.units.into(),
        surveys: [&before, &after],
        sides: axis.is_some(),
        warnings: &warnings,
    };
    let json = show::moved::json(&what)?;
    let (png, svg) = show::moved::pictures(&what)?;
    show::write_all(
        &args.out,
        &[
            show::File::new("moved.json", json.clone()),
            show::File::new("moved.png", png),
            show::File::new("moved.svg", svg),
        ],
    )?;
    drop(progress);
    tell(&warnings);
    if args.json {
        super::say(json.trim_end());
    } else {
        super::say(&format!(
            "{}{} shows it, {} has the numbers.",
            show::moved::summary(&what),
            shown(&args.out.join("moved.png")),
            shown(&args.out.join("moved.json"))
        ));
    }
    Ok(ExitCode::SUCCESS)
}

/// Both surveys, faults of all files together.
fn surveys(args: &MovedArgs, panel: &Panel, axis: Option<Axis>) -> Result<[Survey; 2], Error> {
    if let Some(twice) = args.after.iter().find(|p| args.before.contains(p)) {
        return Err(Error::Usage(format!(
            "{} is named before and after; a survey does not differ from itself",
            shown(twice)
        )));
    }
    let before = observe::load(&args.before, panel);
    let after = match axis {
        None => observe::load(&args.after, panel),
        Some(axis) => observe::load(&args.after, &compare::mirrored_panel(panel, axis))
            .map(|s| compare::mirrored_survey(&s, panel, axis)),
    };
    let surveys = match (before, after) {
        (Err(Error::Faults(mut a)), Err(Error::Faults(b))) => {
            a.extend(b);
            return Err(Error::Faults(a));
        }
        (before, after) => [before?, after?],
    };
    for survey in &surveys {
        observe::check_carries(survey, panel)?;
    }
    Ok(surveys)
}

fn tell(warnings: &[Warning]) {
    let mut err = anstream::stderr().lock();
    for warning in warnings {
        let _ = writeln!(err, "note: {warning}");
    }
}
