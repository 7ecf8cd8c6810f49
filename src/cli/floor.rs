//! `lowspot floor`: one row a panel.

use super::args::FloorArgs;
use super::job::shown;
use super::shelf;
use crate::keep::{self, Book, Standing, standing};
use crate::panel::Panel;
use crate::plan::shop::{self, Shop};
use crate::problem::Error;
use crate::show;
use crate::track::floor;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// No such book.
pub fn run(args: &FloorArgs) -> Result<ExitCode, Error> {
    let book = shelf::open(args.book.book.as_deref(), None)?;
    let shop = match &args.shop {
        Some(path) => shop::load(path)?.0,
        None => Shop::default(),
    };
    let (rows, now) = sheet(&book, &shop)?;
    if args.json {
        super::say_json(&show::track::floor::json(&rows, &now)?);
        return Ok(ExitCode::SUCCESS);
    }
    super::say(show::track::floor::text(&rows, &now, args.units.into()).trim_end());
    if let Some(out) = &args.out {
        let page = show::track::floor::page(&rows, &now, args.units.into())?;
        show::write_all(out, &[show::File::new("floor.html", page)])?;
        super::say(&format!("\nTo hang up: {}", shown(&out.join("floor.html"))));
    }
    Ok(ExitCode::SUCCESS)
}

/// The rows, and the moment they hold for.
pub(super) fn sheet(book: &Book, shop: &Shop) -> Result<(Vec<floor::Row>, String), Error> {
    let now = keep::now();
    let standings = book.standings(now)?;
    // Only a panel that may be ready, or whose film came out below nothing, need be read.
    let panel = |s: &Standing| -> Option<Panel> {
        let asked = s.summary.as_ref().is_some_and(|r| {
            let thin = r.film.as_ref().is_some_and(|f| f.below_nothing_cm2 > 0.0);
            r.verdict == "fair" || thin
        });
        if !asked {
            return None;
        }
        let version = book.newest(&s.panel.name).ok()?;
        version.panel().ok().map(|(panel, _)| panel)
    };
    let wanted: Vec<i64> = standings.iter().flat_map(floor::surveys_wanted).collect();
    let found = book.limits(&wanted)?;
    let limits = wanted
        .into_iter()
        .zip(found)
        .filter_map(|(n, l)| Some((n, l?)))
        .collect();
    let rows = floor::rows(
        &standings,
        &floor::Asked {
            limits: &limits,
            panels: &panel,
            shop,
            now,
        },
    );
    Ok((rows, standing::by_the_clock(now)))
}
