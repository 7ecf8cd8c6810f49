//! `lowspot moved`: two surveys compared.

use super::args::MovedArgs;
use super::job::shown;
use super::map::Progress;
use super::pair;
use crate::compare;
use crate::problem::{Error, Warning};
use crate::show;
use crate::show::moved::Shown;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// What stopped it; nothing has been written then.
pub fn run(args: &MovedArgs) -> Result<ExitCode, Error> {
    let mut pair = pair::of(args)?;
    let [before, after] = &pair.surveys;
    let progress = Progress::new();
    progress.now("finding both surfaces");
    let moved = compare::moved(&pair.panel, before, after)?;
    progress.now("drawing");
    pair.warnings.extend(moved.cautions.iter().cloned());
    let what = Shown {
        moved: &moved,
        panel: &pair.panel,
        units: args.units.into(),
        surveys: [before, after],
        sides: pair.sides,
        between: &pair.between,
        warnings: &pair.warnings,
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
    tell(&pair.warnings);
    if args.json {
        super::say_json(&json);
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

fn tell(warnings: &[Warning]) {
    for warning in warnings {
        super::note(format_args!("note: {warning}"));
    }
}
