//! `lowspot demo`: two made-up jobs into a new folder, mapped, with what to try next.

use super::args::DemoArgs;
use super::job::{Job, shown};
use super::map;
use crate::judge::Judgement;
use crate::observe;
use crate::panel;
use crate::problem::Error;
use crate::reference::Kind;
use crate::show;
use std::path::Path;
use std::process::ExitCode;

/// A made-up job: its folder, and its files.
struct Sample {
    folder: &'static str,
    about: &'static str,
    files: [(&'static str, &'static str); 3],
}

/// The jobs, as they stand in samples/.
const SAMPLES: [Sample; 2] = [
    Sample {
        folder: "cabin-roof",
        about: "a crowned cabin roof before its first fill, one reading written ten times too large",
        files: [
            (
                "panel.toml",
                include_str!("../../samples/cabin-roof/panel.toml"),
            ),
            (
                "readings.txt",
                include_str!("../../samples/cabin-roof/readings.txt"),
            ),
            (
                "README.md",
                include_str!("../../samples/cabin-roof/README.md"),
            ),
        ],
    },
    Sample {
        folder: "wing-panel",
        about: "a wing panel, straight along its length, measured with three tools",
        files: [
            (
                "panel.toml",
                include_str!("../../samples/wing-panel/panel.toml"),
            ),
            (
                "readings.txt",
                include_str!("../../samples/wing-panel/readings.txt"),
            ),
            (
                "README.md",
                include_str!("../../samples/wing-panel/README.md"),
            ),
        ],
    },
];

/// Run it.
///
/// # Errors
/// What stopped it; a folder that is already there is left alone.
pub fn run(args: &DemoArgs) -> Result<ExitCode, Error> {
    if args.out.exists() {
        return Err(Error::Usage(format!(
            "{} is already there and is left alone; choose another folder with --out, or remove it",
            shown(&args.out)
        )));
    }
    super::say("Two made-up jobs (simulated, no real panels):\n");
    for sample in &SAMPLES {
        let dir = args.out.join(sample.folder);
        let files = sample.files.map(|(name, text)| show::File::new(name, text));
        show::write_all(&dir, &files)?;
        super::say(&format!("== {}: {}", shown(&dir), sample.about));
        let (judgement, panel, units) = one(&dir, args)?;
        show::summary::print(&judgement, &panel, units, &dir.join("map"))?;
        super::say("");
    }
    let roof = args.out.join("cabin-roof");
    super::say(&next(&roof));
    Ok(ExitCode::SUCCESS)
}

/// Map one job, reading its files as any others.
fn one(
    dir: &Path,
    args: &DemoArgs,
) -> Result<(Judgement, panel::Panel, crate::units::Units), Error> {
    let (panel, mut warnings) = panel::file::load(&dir.join("panel.toml"))?;
    let survey = observe::load(&[dir.join("readings.txt")], &panel)?;
    observe::check_carries(&survey, &panel)?;
    warnings.extend(survey.warnings.iter().cloned());
    let job = Job {
        panel,
        survey,
        photos: Vec::new(),
        coat: None,
        warnings,
        reference: Kind::default(),
        grid_mm: 10.0,
        out: dir.join("map"),
        units: args.units.into(),
    };
    let (judgement, _) = map::make(&job)?;
    Ok((judgement, job.panel, job.units))
}

fn next(roof: &Path) -> String {
    // As it was called: under `cargo run` the program is not on the path.
    let lowspot = std::env::args().next().unwrap_or_else(|| "lowspot".into());
    let (panel, readings) = (roof.join("panel.toml"), roof.join("readings.txt"));
    format!(
        "Look at   {}\nThen try  mend reading B8 in {} (13.50 should be 1.35) and map it again:\n          {lowspot} map {} {}\n\
         For a panel of your own: copy panel.toml, change it, and\n          {lowspot} blank panel.toml --out readings.txt",
        shown(&roof.join("map").join("report.html")),
        shown(&readings),
        shown(&panel),
        shown(&readings),
    )
}
