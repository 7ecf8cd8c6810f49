//! `lowspot trend`: what became of a panel over its cycles, and whether another is worth it.

use super::args::TrendArgs;
use super::job::shown;
use super::shelf;
use crate::keep;
use crate::plan::shop::{self, Shop};
use crate::problem::Error;
use crate::show;
use crate::track::{ready, stage, trend};
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// No such book, no such panel.
pub fn run(args: &TrendArgs) -> Result<ExitCode, Error> {
    let book = shelf::open(args.book.book.as_deref(), None)?;
    let shop = match &args.shop {
        Some(path) => shop::load(path)?.0,
        None => Shop::default(),
    };
    let trend = trend::trend(&book, &args.name)?;
    let standing = book.standing(&args.name, keep::now())?;
    let (panel, _) = book.newest(&args.name)?.panel()?;
    let list = ready::list(&standing, &panel, &shop, keep::now());
    let primed = stage::is_primed(&standing, &shop, keep::now());
    let json = show::track::trend::json(&trend, &list)?;
    if args.json {
        super::say(json.trim_end());
        return Ok(ExitCode::SUCCESS);
    }
    super::say(show::track::trend::text(&trend, &list, primed, args.units.into()).trim_end());
    if trend.cycles.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    let files = [
        show::File::new("trend.json", json),
        show::File::new("trend.svg", show::track::chart::svg(&trend)?),
        show::File::new("trend.png", show::track::chart::png(&trend)?),
    ];
    show::write_all(&args.out, &files)?;
    super::say(&format!(
        "\nPicture: {}",
        shown(&args.out.join("trend.png"))
    ));
    Ok(ExitCode::SUCCESS)
}
