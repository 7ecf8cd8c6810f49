//! `lowspot panel`: add, edit, list, pair.

use super::args::PanelCommand;
use super::book::count;
use super::shelf;
use crate::keep::{self, Standing};
use crate::panel::file::MOST_BYTES;
use crate::problem::{Error, Warning};
use crate::text::{self, Given};
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// What stopped it; nothing has been written then.
pub fn run(command: &PanelCommand) -> Result<ExitCode, Error> {
    match command {
        PanelCommand::Add { file, book } => {
            let given = given(file)?;
            let mut book = shelf::open(book.book.as_deref(), None)?;
            let (row, warnings) = book.add_panel(&given.bytes, &given.name)?;
            tell(&warnings);
            super::say(&format!("added {}", row.name));
        }
        PanelCommand::Edit { name, file, book } => {
            let given = given(file)?;
            let mut book = shelf::open(book.book.as_deref(), None)?;
            let (row, warnings) = book.edit_panel(name, &given.bytes, &given.name)?;
            tell(&warnings);
            super::say(&format!(
                "{}: version {} counts now",
                row.name, row.versions
            ));
        }
        PanelCommand::List { book } => {
            let book = shelf::open(book.book.as_deref(), None)?;
            let standings = book.standings(keep::now())?;
            if standings.is_empty() {
                super::say("no panels yet: lowspot panel add PANEL.toml");
            }
            standings.iter().for_each(|s| super::say(&line(s)));
        }
        PanelCommand::Twin { name, other, book } => {
            let mut book = shelf::open(book.book.as_deref(), None)?;
            for freed in book.twin(name, other)? {
                super::say(&format!("{freed} is in no pair any more"));
            }
            let (a, b) = (book.panel(name)?, book.panel(other)?);
            super::say(&format!("{} and {} are a pair", a.name, b.name));
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// The file as it is; its name without the folder.
fn given(file: &Path) -> Result<Given, Error> {
    text::given(file, MOST_BYTES).map_err(|fault| Error::Faults(vec![fault]))
}

fn tell(warnings: &[Warning]) {
    let mut err = anstream::stderr().lock();
    for warning in warnings {
        let _ = writeln!(err, "note: {warning}");
    }
}

/// "cabin roof: 4 entries, survey of 2026-03-14: another cycle; K is at it until …".
fn line(s: &Standing) -> String {
    let mut parts = vec![count(s.entries.len(), "entry", "entries")];
    parts.push(match (&s.survey, &s.summary) {
        (Some(survey), Some(summary)) => {
            format!(
                "survey of {}: {}",
                survey.date,
                summary.verdict.replace('-', " ")
            )
        }
        (Some(survey), None) => format!("survey of {}", survey.date),
        (None, _) => "no survey yet".to_string(),
    });
    parts.extend(s.stale.as_ref().map(|why| format!("touched since: {why}")));
    parts.extend(s.held.as_ref().map(ToString::to_string));
    parts.extend(
        s.panel
            .twin
            .as_ref()
            .map(|twin| format!("pair with {twin}")),
    );
    if s.panel.versions > 1 {
        parts.push(format!("version {}", s.panel.versions));
    }
    format!("{}: {}", s.panel.name, parts.join("; "))
}
