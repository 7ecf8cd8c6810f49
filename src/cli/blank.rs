//! `lowspot blank`: a notes file with the placings to take.

use super::args::BlankArgs;
use super::job::{length, shown};
use crate::observe::blank::{self, BlankOptions};
use crate::panel;
use crate::problem::Error;
use crate::show;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// What stopped it; an existing file is never overwritten, since it may hold a day's readings.
pub fn run(args: &BlankArgs) -> Result<ExitCode, Error> {
    let (panel, warnings) = panel::file::load(&args.panel)?;
    let option =
        |name: &str, text: &Option<String>| text.as_deref().map(|t| length(name, t)).transpose();
    let options = BlankOptions {
        tool: args.tool.into(),
        length_mm: option("--length", &args.length)?,
        step_mm: option("--step", &args.step)?,
        spacing_mm: option("--spacing", &args.spacing)?,
    };
    let text = blank::write(&panel, &options)?;
    for warning in &warnings {
        super::note(format_args!("note: {warning}"));
    }
    match &args.out {
        None => super::say(text.trim_end()),
        Some(path) => {
            show::write_new(path, text.as_bytes())?;
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
