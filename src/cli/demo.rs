//! `lowspot demo`: two made-up jobs into a new folder, mapped, and a made-up workshop's job book,
//! with what to try next.

mod workshop;

use super::args::{CoatWord, DemoArgs, MapArgs, ReferenceWord};
use super::job::{Job, shown};
use super::map;
use crate::problem::Error;
use crate::show;
use std::path::Path;
use std::process::ExitCode;

/// A made-up job: its folder, and its files.
struct Sample {
    folder: &'static str,
    about: &'static str,
    files: &'static [(&'static str, &'static [u8])],
    /// Its photo, if it has one.
    photo: Option<&'static str>,
}

/// The jobs, as they stand in samples/.
const SAMPLES: [Sample; 2] = [
    Sample {
        folder: "cabin-roof",
        about: "a crowned cabin roof before its first fill, with a photo of the guide coat; one reading written ten times too large",
        files: &[
            (
                "panel.toml",
                include_bytes!("../../samples/cabin-roof/panel.toml"),
            ),
            (
                "readings.txt",
                include_bytes!("../../samples/cabin-roof/readings.txt"),
            ),
            (
                "README.md",
                include_bytes!("../../samples/cabin-roof/README.md"),
            ),
            (
                "roof.jpg",
                include_bytes!("../../samples/cabin-roof/roof.jpg"),
            ),
        ],
        photo: Some("roof.jpg"),
    },
    Sample {
        folder: "wing-panel",
        about: "a wing panel, straight along its length, measured with three tools",
        files: &[
            (
                "panel.toml",
                include_bytes!("../../samples/wing-panel/panel.toml"),
            ),
            (
                "readings.txt",
                include_bytes!("../../samples/wing-panel/readings.txt"),
            ),
            (
                "README.md",
                include_bytes!("../../samples/wing-panel/README.md"),
            ),
        ],
        photo: None,
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
    super::say("Two made-up jobs and a made-up workshop (simulated, no real panels):\n");
    for sample in &SAMPLES {
        let dir = args.out.join(sample.folder);
        let files: Vec<show::File> = sample
            .files
            .iter()
            .map(|(name, bytes)| show::File::new(name, *bytes))
            .collect();
        show::write_all(&dir, &files)?;
        super::say(&format!("== {}: {}", shown(&dir), sample.about));
        let job = Job::new(&as_typed(&dir, sample, args))?;
        let (judgement, _) = map::make(&job)?;
        show::summary::print(&judgement, &job.panel, job.units, &job.out)?;
        super::say("");
    }
    workshop::run(args)?;
    super::say(&format!("\n{}", next(&args.out)));
    Ok(ExitCode::SUCCESS)
}

/// The command line that maps one job.
fn as_typed(dir: &Path, sample: &Sample, args: &DemoArgs) -> MapArgs {
    MapArgs {
        book: None,
        panel: dir.join("panel.toml"),
        readings: vec![dir.join("readings.txt")],
        photo: sample.photo.iter().map(|p| dir.join(p)).collect(),
        targets: Vec::new(),
        mask: Vec::new(),
        coat: CoatWord::Auto,
        block: None,
        reference: ReferenceWord::Skin,
        grid: "10".into(),
        out: dir.join("map"),
        json: false,
        units: args.units,
        verbose: false,
        require_fair: false,
    }
}

fn next(out: &Path) -> String {
    let roof = out.join("cabin-roof");
    // As it was called: under `cargo run` the program is not on the path.
    let lowspot = std::env::args_os().next().map_or_else(
        || "lowspot".into(),
        |name| name.to_string_lossy().into_owned(),
    );
    let (panel, readings) = (roof.join("panel.toml"), roof.join("readings.txt"));
    let photo = roof.join("roof.jpg");
    let book = workshop::next(out, &lowspot);
    format!(
        "Look at   {} and, for the real panel, {}\nThen try  mend reading B8 in {} (13.50 should be 1.35) and map it again:\n          {lowspot} map {} {}\n\
         The photo alone tells where, not how deep:\n          {lowspot} map {} --photo {}\n\
         What to sand, fill and mix, in order, to tick off:\n          {lowspot} plan {} {} --photo {}\n\
         {book}\n\
         For a panel of your own: copy panel.toml, change it, and\n          {lowspot} blank panel.toml --out readings.txt",
        shown(&roof.join("map").join("report.html")),
        shown(&roof.join("map").join("overlay.jpg")),
        shown(&readings),
        shown(&panel),
        shown(&readings),
        shown(&panel),
        shown(&photo),
        shown(&panel),
        shown(&readings),
        shown(&photo),
    )
}
