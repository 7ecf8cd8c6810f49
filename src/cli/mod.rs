//! The commands: as typed, as meant, then one call a stage. The only module that knows all the
//! others.

mod args;
mod blank;
mod book;
mod demo;
mod enter;
mod film;
mod floor;
mod guard;
mod input;
mod job;
mod ledger;
mod log;
mod map;
mod mix;
mod moved;
mod next;
mod packet;
mod pair;
mod panels;
mod plan;
mod shelf;
mod targets;
mod trend;

use crate::problem::Error;
use crate::text;
use args::{Cli, Command};
use clap::Parser;
use std::io::Write;
use std::process::ExitCode;

/// Run the program. Exit status: 0 done, 1 could not, 2 wrong usage, 3 not fair where
/// `--require-fair` asked for it.
pub fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // Help and version go to standard output and are no error; a closed pipe is none
            // either.
            let _ = e.print();
            return ExitCode::from(u8::try_from(e.exit_code()).unwrap_or(2));
        }
    };
    old_name();
    let outcome = guard::guarded(|| dispatch(&cli.command));
    match outcome {
        Ok(status) => status,
        Err(e) => {
            tell(&e);
            ExitCode::from(if e.is_usage() { 2 } else { 1 })
        }
    }
}

fn dispatch(command: &Command) -> Result<ExitCode, Error> {
    match command {
        Command::Map(args) => map::run(args),
        Command::Plan(args) => plan::run(args),
        Command::Next(args) => next::run(args),
        Command::Blank(args) => blank::run(args),
        Command::Targets(args) => targets::run(args),
        Command::Moved(args) => moved::run(args),
        Command::Mix(args) => mix::run(args),
        Command::Book(command) => book::run(command),
        Command::Film(args) => film::run(args),
        Command::Trend(args) => trend::run(args),
        Command::Floor(args) => floor::run(args),
        Command::Packet(args) => packet::run(args),
        Command::Panel(command) => panels::run(command),
        Command::Enter(args) => enter::run(args),
        Command::Strike(args) => enter::strike(args),
        Command::Hold(args) => enter::hold(args),
        Command::Release(args) => enter::release(args),
        Command::Log(args) => log::run(args),
        Command::Demo(args) => demo::run(args),
    }
}

/// Names of the version before, taken for one version more: as typed, and as it is called now.
const OLD_NAMES: [(&str, &str); 5] = [
    ("log", "diary"),
    ("hold", "hands-off"),
    ("release", "free"),
    ("twin", "pair"),
    ("--twin", "--pair"),
];

/// Says the new name where an old one was typed: a command, `panel twin`, or an option.
fn old_name() {
    // A file name may be no UTF-8.
    let typed: Vec<String> = std::env::args_os()
        .skip(1)
        .map(|word| word.to_string_lossy().into_owned())
        .collect();
    let command = match typed.first().map(String::as_str) {
        Some("panel") => typed.get(1),
        first => first.and(typed.first()),
    };
    let option = typed.iter().find(|a| *a == "--twin");
    for word in command.into_iter().chain(option) {
        if let Some((old, new)) = OLD_NAMES.iter().find(|(old, _)| old == word) {
            let _ = writeln!(
                anstream::stderr(),
                "note: {old} is called {new} now; the old name is taken for one version more"
            );
        }
    }
}

/// Print an error on standard error, a line a fault.
fn tell(error: &Error) {
    let mut err = anstream::stderr().lock();
    let shown = error.to_string();
    let shown = text::visible(&shown);
    let red = anstyle::Style::new()
        .bold()
        .fg_color(Some(anstyle::AnsiColor::Red.into()));
    let _ = match error {
        Error::Faults(faults) => writeln!(
            err,
            "{shown}\n{red}lowspot:{red:#} {}; nothing was written",
            if faults.len() == 1 {
                "this must be mended first".to_string()
            } else {
                format!("these {} must be mended first", faults.len())
            }
        ),
        _ => writeln!(err, "{red}lowspot:{red:#} {shown}"),
    };
}

/// Print on standard output; a reader that has gone away is no error. What files, names and books
/// hold never reaches the terminal as orders to it.
fn say(text: &str) {
    let mut out = anstream::stdout().lock();
    let _ = writeln!(out, "{}", text::visible(text));
}

/// The same for JSON, which stays as it is read.
fn say_json(json: &str) {
    let mut out = anstream::stdout().lock();
    let _ = writeln!(out, "{}", text::visible_json(json.trim_end()));
}

/// A line on standard error, as [`say`] shows it.
fn note(text: impl std::fmt::Display) {
    let mut err = anstream::stderr().lock();
    let _ = writeln!(err, "{}", text::visible(&text.to_string()));
}
