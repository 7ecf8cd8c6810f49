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
        super::say_json(&json);
        return Ok(ExitCode::SUCCESS);
    }
    progress.now("drawing");
    let mut files = vec![
        show::File::new("film.json", json),
        show::File::new("film.csv", show::track::film::csv(&ledger)),
    ];
    let mut shows = format!(
        "{} shows what came on and off",
        shown(&args.out.join("on-and-off.png"))
    );
    if let Some((png, svg)) = show::track::film::left_pictures(&what)? {
        files.push(show::File::new("film.png", png));
        files.push(show::File::new("film.svg", svg));
        shows = format!(
            "{} shows what is left, on-and-off.png what came on and off",
            shown(&args.out.join("film.png"))
        );
    }
    let (png, svg) = show::track::film::pictures(&what)?;
    files.push(show::File::new("on-and-off.png", png));
    files.push(show::File::new("on-and-off.svg", svg));
    drop(progress);
    super::say(show::track::film::text(&what).trim_end());
    if ledger.since.is_some() {
        show::write_all(&args.out, &files)?;
        super::say(&format!(
            "\n{shows}, {} has the film at every node.",
            shown(&args.out.join("film.csv"))
        ));
    }
    Ok(ExitCode::SUCCESS)
}
