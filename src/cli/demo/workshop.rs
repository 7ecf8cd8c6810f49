//! The demo's job book: a made-up workshop's four panels, entered as one would type it.

use super::super::args::{BookOption, Cli, Command, DemoArgs, EnterArgs, FloorArgs, TrendArgs};
use super::super::job::shown;
use super::super::{enter, floor, trend};
use crate::keep::{self, Book};
use crate::problem::Error;
use crate::show;
use clap::Parser;
use std::path::{Path, PathBuf};

/// One file of the workshop.
macro_rules! file {
    ($name:literal) => {
        (
            $name,
            include_bytes!(concat!("../../../samples/workshop/", $name)) as &[u8],
        )
    };
}

/// The panels, in the order in which they are added.
const PANELS: [(&str, &[u8]); 4] = [
    file!("hatch.toml"),
    file!("side.toml"),
    file!("door.toml"),
    file!("lid.toml"),
];

/// Readings, and the page that says what is truly there.
const OTHERS: [(&str, &[u8]); 10] = [
    file!("README.md"),
    file!("hatch-1.txt"),
    file!("hatch-2.txt"),
    file!("hatch-3.txt"),
    file!("side-1.txt"),
    file!("side-2.txt"),
    file!("side-3.txt"),
    file!("door-1.txt"),
    file!("door-2.txt"),
    file!("lid-1.txt"),
];

/// Stands for the next morning, so that something is wet whenever the demo is run.
const TOMORROW: &str = "TOMORROW 08:00";

/// What was done, as typed after `lowspot enter`. Entries without a day are of the day on which the
/// demo is run.
const ENTRIES: [&[&str]; 33] = [
    &["hatch cover", "survey", "hatch-1.txt", "--hours", "1.0"],
    &[
        "hatch cover",
        "sand",
        "--date",
        "2026-03-02",
        "--by",
        "K",
        "--hours",
        "0.5",
        "--note",
        "the one high",
    ],
    &[
        "hatch cover",
        "fill",
        "--date",
        "2026-03-03",
        "--by",
        "K",
        "--hours",
        "1.0",
        "--recipe",
        "dry-micro",
        "--batch",
        "1",
        "--grams",
        "120 g",
        "--way",
        "spot-fill",
        "--min",
        "17 C",
    ],
    &[
        "hatch cover",
        "block",
        "--date",
        "2026-03-06",
        "--by",
        "K",
        "--hours",
        "1.5",
        "--note",
        "long board, 80 grit",
    ],
    &["hatch cover", "survey", "hatch-2.txt", "--hours", "1.0"],
    &[
        "hatch cover",
        "fill",
        "--date",
        "2026-03-09",
        "--by",
        "K",
        "--hours",
        "0.5",
        "--recipe",
        "dry-micro",
        "--batch",
        "2",
        "--grams",
        "50 g",
        "--way",
        "spot-fill",
        "--min",
        "18 C",
    ],
    &[
        "hatch cover",
        "block",
        "--date",
        "2026-03-12",
        "--by",
        "M",
        "--hours",
        "1.0",
    ],
    &["hatch cover", "survey", "hatch-3.txt", "--hours", "1.0"],
    &[
        "hatch cover",
        "pinholes",
        "--date",
        "2026-03-13",
        "--by",
        "M",
        "--hours",
        "0.5",
    ],
    &[
        "hatch cover",
        "guide-coat",
        "--date",
        "2026-03-13",
        "--by",
        "M",
    ],
    &[
        "hatch cover",
        "sign-off",
        "--date",
        "2026-03-13",
        "--by",
        "M",
        "--base",
        "50 mm",
        "--means",
        "guide-coat",
    ],
    &[
        "hatch cover",
        "weigh",
        "--date",
        "2026-03-13",
        "--by",
        "M",
        "--grams",
        "41200 g",
    ],
    &[
        "hatch cover",
        "strike",
        "12",
        "--date",
        "2026-03-13",
        "--by",
        "M",
        "--why",
        "one digit too many on the scale's slip",
    ],
    &[
        "hatch cover",
        "weigh",
        "--date",
        "2026-03-13",
        "--by",
        "M",
        "--grams",
        "4120 g",
    ],
    &["cabin side", "survey", "side-1.txt", "--hours", "1.5"],
    &[
        "cabin side",
        "sand",
        "--date",
        "2026-04-13",
        "--by",
        "M",
        "--hours",
        "0.5",
    ],
    &[
        "cabin side",
        "fill",
        "--date",
        "2026-04-14",
        "--by",
        "M",
        "--hours",
        "1.5",
        "--recipe",
        "dry-micro",
        "--batch",
        "3",
        "--grams",
        "260 g",
        "--way",
        "spot-fill",
        "--min",
        "18 C",
    ],
    &[
        "cabin side",
        "block",
        "--date",
        "2026-04-18",
        "--by",
        "M",
        "--hours",
        "2.0",
    ],
    &["cabin side", "survey", "side-2.txt", "--hours", "1.0"],
    &[
        "cabin side",
        "fill",
        "--date",
        "2026-04-20",
        "--by",
        "K",
        "--hours",
        "1.0",
        "--recipe",
        "dry-micro",
        "--batch",
        "4",
        "--grams",
        "70 g",
        "--way",
        "spot-fill",
        "--min",
        "19 C",
    ],
    &[
        "cabin side",
        "block",
        "--date",
        "2026-04-24",
        "--by",
        "K",
        "--hours",
        "1.5",
    ],
    &["cabin side", "survey", "side-3.txt", "--hours", "1.0"],
    &[
        "bulkhead door",
        "clean",
        "--date",
        "2026-05-04",
        "--by",
        "K",
        "--hours",
        "0.5",
    ],
    &[
        "bulkhead door",
        "weigh",
        "--date",
        "2026-05-04",
        "--by",
        "K",
        "--grams",
        "3350 g",
    ],
    &["bulkhead door", "survey", "door-1.txt", "--hours", "1.5"],
    &[
        "bulkhead door",
        "post-cure",
        "--date",
        "2026-05-06",
        "--by",
        "K",
        "--temperature",
        "60 C",
        "--hold-hours",
        "8",
        "--supports",
        "flat on the bench",
    ],
    &["bulkhead door", "survey", "door-2.txt", "--hours", "1.5"],
    &[
        "bulkhead door",
        "note",
        "--date",
        "2026-05-07",
        "--by",
        "K",
        "--note",
        "squares of the core can be felt since the post-cure",
    ],
    &[
        "battery lid",
        "repair",
        "--date",
        "2026-05-08",
        "--by",
        "M",
        "--hours",
        "2.0",
        "--note",
        "corner laid up anew",
    ],
    &["battery lid", "clean", "--date", "2026-05-11", "--by", "M"],
    &["battery lid", "survey", "lid-1.txt", "--hours", "0.5"],
    &[
        "battery lid",
        "fill",
        "--by",
        "M",
        "--hours",
        "1.0",
        "--recipe",
        "dry-micro",
        "--batch",
        "5",
        "--grams",
        "140 g",
        "--way",
        "spot-fill",
        "--min",
        "17 C",
    ],
    &[
        "battery lid",
        "hands-off",
        "--by",
        "M",
        "--until",
        TOMORROW,
        "--why",
        "wet",
    ],
];

/// Makes the folder, the book in it and its entries; shows the floor sheet and one trend.
///
/// # Errors
/// What stopped it.
pub fn run(args: &DemoArgs) -> Result<(), Error> {
    let dir = args.out.join("workshop");
    let files: Vec<show::File> = PANELS
        .iter()
        .chain(&OTHERS)
        .map(|(name, bytes)| show::File::new(name, *bytes))
        .collect();
    show::write_all(&dir, &files)?;
    let book = dir.join("workshop.lowspot");
    super::super::say(&format!(
        "== {}: a made-up workshop's job book: {} panels, {} entries",
        shown(&book),
        PANELS.len(),
        ENTRIES.len()
    ));
    kept(&dir, &book)?;
    let named = || BookOption {
        book: Some(book.clone()),
    };
    floor::run(&FloorArgs {
        book: named(),
        shop: None,
        out: None,
        json: false,
        units: args.units,
    })?;
    super::super::say("");
    trend::run(&TrendArgs {
        name: "cabin side".into(),
        book: named(),
        shop: None,
        out: dir.join("trend"),
        json: false,
        units: args.units,
    })?;
    Ok(())
}

/// The book with all panels and entries.
fn kept(dir: &Path, path: &Path) -> Result<(), Error> {
    let mut book = Book::create(path)?;
    for (name, bytes) in PANELS {
        book.add_panel(bytes, name)?;
    }
    let tomorrow = keep::today()
        .tomorrow()
        .map_err(|e| Error::Usage(format!("the clock of this computer: {e}")))?;
    for entry in ENTRIES {
        let typed = entry
            .iter()
            .map(|word| word.replace("TOMORROW", &tomorrow.to_string()));
        let mut args = typed_as(typed)?;
        args.readings
            .iter_mut()
            .for_each(|file| in_folder(file, dir));
        enter::quietly(&args, &mut book)?;
    }
    Ok(())
}

/// As the command line would be understood.
fn typed_as(words: impl Iterator<Item = String>) -> Result<EnterArgs, Error> {
    let line = ["lowspot", "enter"]
        .map(String::from)
        .into_iter()
        .chain(words);
    match Cli::try_parse_from(line) {
        Ok(Cli {
            command: Command::Enter(args),
        }) => Ok(*args),
        Ok(_) => Err(Error::Usage("no entry".into())),
        Err(e) => Err(Error::Usage(e.to_string())),
    }
}

/// A file of the folder; the number of an entry to strike stays.
fn in_folder(file: &mut PathBuf, dir: &Path) {
    if file.extension().is_some() {
        *file = dir.join(&*file);
    }
}

/// What to try with the book.
pub fn next(out: &Path, lowspot: &str) -> String {
    let dir = out.join("workshop");
    let book = shown(&dir.join("workshop.lowspot"));
    format!(
        "The job book: what became of another panel, all that was done to it, one page for a buyer:\n          \
         {lowspot} trend \"hatch cover\" --book {book}\n          {lowspot} diary \"hatch cover\" --book {book}\n          \
         {lowspot} packet --book {book}\n\
         What is left of the film after two rounds of sanding, and where the next may cut through:\n          \
         {lowspot} film \"cabin side\" --book {book}\n\
         What a post-cure did to the door, and what prints through:\n          \
         {lowspot} moved \"bulkhead door\" --book {book}\n\
         Enter work of your own:\n          {lowspot} enter \"cabin side\" fill --grams \"60 g\" --hours 1 --by ME --book {book}"
    )
}
