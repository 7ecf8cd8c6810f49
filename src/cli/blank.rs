//! `lowspot blank`: a notes file with the placings to take.

use super::args::BlankArgs;
use super::job::{length, shown};
use crate::observe::blank::{self, BlankOptions};
use crate::panel;
use crate::problem::Error;
use crate::show;
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
    let options = BlankOptions {
        tool: args.tool.into(),
        length_mm: option("--length", &args.length)?,
        step_mm: option("--step", &args.step)?,
        spacing_mm: option("--spacing", &args.spacing)?,
    };
    let text = blank::write(&panel, &options)?;
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
