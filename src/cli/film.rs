//! `lowspot film`: what was put on and taken off a panel, and what is left over the structure.

use super::args::FilmArgs;
use super::job::shown;
use super::map::Progress;
use super::{ledger, shelf};
use crate::plan::shop::{self, Shop};
use crate::problem::Error;
use crate::show;
use crate::show::track::film::Shown;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// No such book, no such panel; a survey that cannot be read.
pub fn run(args: &FilmArgs) -> Result<ExitCode, Error> {
    let book = shelf::open(args.book.book.as_deref(), None)?;
    let shop = match &args.shop {
        Some(path) => shop::load(path)?.0,
        None => Shop::default(),
    };
    let name = book.panel(&args.name)?.name;
    let progress = Progress::new();
    progress.now("finding the surfaces");
    let (ledger, panel) = ledger::of(&book, &name, &shop)?;
    let what = Shown {
        ledger: &ledger,
        panel: &panel,
        units: args.units.into(),
    };
    let json = show::track::film::json(&what)?;
    if args.json {
        drop(progress);
        super::say(json.trim_end());
        return Ok(ExitCode::SUCCESS);
    }
    progress.now("drawing");
    let (png, svg) = show::track::film::pictures(&what)?;
    let files = [
        show::File::new("film.json", json),
        show::File::new("film.csv", show::track::film::csv(&ledger)),
        show::File::new("film.png", png),
        show::File::new("film.svg", svg),
    ];
    drop(progress);
    super::say(show::track::film::text(&what).trim_end());
    if ledger.since.is_some() {
        show::write_all(&args.out, &files)?;
        super::say(&format!(
            "\n{} shows what came on and off, {} has the film at every node.",
            shown(&args.out.join("film.png")),
            shown(&args.out.join("film.csv"))
        ));
    }
    Ok(ExitCode::SUCCESS)
}
