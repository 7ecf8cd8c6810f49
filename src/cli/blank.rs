//! `lowspot blank`: a notes file with the placings to take.

use super::args::BlankArgs;
use super::job::{length, shown};
use crate::next;
use crate::observe::Survey;
use crate::observe::blank::{BlankOptions, Settings};
use crate::panel;
use crate::problem::Error;
use crate::show;
use crate::units::Units;
use std::io::Write;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// What stopped it; an existing file is never overwritten, since it may hold a day's readings.
pub fn run(args: &BlankArgs) -> Result<ExitCode, Error> {
    let (panel, warnings) = panel::file::load(&args.panel)?;
    let option =
        |name: &str, text: &Option<String>| text.as_deref().map(|t| length(name, t)).transpose();
    let (mut length_mm, mut step_mm) = (
        option("--length", &args.length)?,
        option("--step", &args.step)?,
    );
    let spacing_mm = option("--spacing", &args.spacing)?;
    let tool = Some(args.tool.into());
    let units: Units = args.units.into();
    if units == Units::Us {
        (length_mm, step_mm) = next::inch_tooling(&panel, tool, length_mm, step_mm);
    }
    let asked = BlankOptions {
        tool: args.tool.into(),
        length_mm,
        step_mm,
        spacing_mm,
    };
    Settings::of(&panel, &asked)?;
    // The walk that `lowspot next` proposes where nothing was read.
    let set = next::tooling(&panel, &Survey::default(), tool, length_mm, step_mm)?;
    let plan = next::start_at(&panel, set, spacing_mm, None)?;
    let text = show::next::form_in(&plan, &panel, units);
    for warning in &warnings {
        let _ = writeln!(anstream::stderr(), "note: {warning}");
    }
    match &args.out {
        None => super::say(text.trim_end()),
        Some(path) => {
            if path.exists() {
                return Err(Error::Usage(format!(
                    "{} is already there and may hold readings; choose another name",
                    shown(path)
                )));
            }
            let (dir, name) = (path.parent(), path.file_name());
            let name = name.and_then(|n| n.to_str()).ok_or_else(|| {
                Error::Usage(format!("--out {}: a file name is expected", shown(path)))
            })?;
            let dir = dir.filter(|d| !d.as_os_str().is_empty());
            show::write_all(
                dir.unwrap_or_else(|| std::path::Path::new(".")),
                &[show::File::new(name, text)],
            )?;
            super::say(&format!(
                "{} is ready: fill in the readings beside the panel, then\n  lowspot map {} {}",
                shown(path),
                shown(&args.panel),
                shown(path)
            ));
        }
    }
    Ok(ExitCode::SUCCESS)
}
