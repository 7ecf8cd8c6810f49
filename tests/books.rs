//! The job book: kept whole whatever happens, rules of striking, holding and going stale, old
//! books, copies, plain folders.
//!
//! All panels, readings and photos here are made up or simulated.

mod damage;
mod folders;
mod kill;
mod pressing;
mod rules;
mod several;
mod whole;

use crate::support::folder;
use image::{Rgb, RgbImage};
use std::io::Cursor;
use std::path::Path;
use std::process::{Command, Output};
use std::sync::OnceLock;

pub const LID: &str = include_str!("../samples/small/panel.toml");
pub const READINGS: &str = include_str!("../samples/small/readings.txt");
pub const NAME: &str = "locker lid";

/// The program, run in a folder.
pub fn program(dir: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lowspot"));
    command.current_dir(dir).args(arguments).env("TZ", "UTC");
    command
}

pub fn lowspot(dir: &Path, arguments: &[&str]) -> Output {
    program(dir, arguments).output().expect("lowspot runs")
}

/// What it says on standard output and standard error; it must do its work.
#[track_caller]
pub fn done(dir: &Path, arguments: &[&str]) -> String {
    let out = lowspot(dir, arguments);
    let told = told(&out);
    assert!(out.status.success(), "{arguments:?}: {told}");
    told
}

/// What it says when it refuses; the status must be the one expected.
#[track_caller]
pub fn refused(dir: &Path, status: i32, arguments: &[&str]) -> String {
    let out = lowspot(dir, arguments);
    let told = told(&out);
    assert_eq!(out.status.code(), Some(status), "{arguments:?}: {told}");
    told
}

pub fn told(out: &Output) -> String {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    text(&out.stdout) + &text(&out.stderr)
}

/// A folder with a book in it that holds the locker lid, not surveyed yet, and files to enter.
pub fn shop() -> tempfile::TempDir {
    let (dir, _) = folder(&[
        ("panel.toml", LID.as_bytes()),
        ("readings.txt", READINGS.as_bytes()),
        ("lid.png", photo()),
        ("targets.csv", TARGETS.as_bytes()),
    ]);
    done(dir.path(), &["book", "new", "lids.lowspot"]);
    done(dir.path(), &["panel", "add", "panel.toml"]);
    dir
}

/// Places of the targets in the simulated photo: one pixel is one millimetre.
pub const TARGETS: &str = "x,y,px,py\n0,0,30,420\n600,0,630,420\n600,400,630,20\n0,400,30,20\n300,0,330,420\n300,400,330,20\n";

/// A simulated photo of the lid, 660 × 440 pixels: one low with dark guide coat left in it.
pub fn photo() -> &'static [u8] {
    static PHOTO: OnceLock<Vec<u8>> = OnceLock::new();
    PHOTO.get_or_init(|| {
        let mut seed = 7_u32;
        let picture = RgbImage::from_fn(660, 440, |column, row| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let grain = (seed >> 24) as f64 / 32.0 - 4.0;
            let (x, y) = (f64::from(column) - 30.0, 420.0 - f64::from(row));
            let on = (0.0..600.0).contains(&x) && (0.0..400.0).contains(&y);
            let low = ((x - 200.0) / 90.0).hypot((y - 160.0) / 60.0) < 1.0;
            let tone = match (on, low) {
                (false, _) => 110.0,
                (true, true) => 70.0,
                (true, false) => 190.0,
            };
            Rgb([(tone + grain) as u8; 3])
        });
        let mut png = Cursor::new(Vec::new());
        picture
            .write_to(&mut png, image::ImageFormat::Png)
            .expect("a picture");
        png.into_inner()
    })
}
