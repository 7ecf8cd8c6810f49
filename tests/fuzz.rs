//! Spoilt inputs: sound files of every kind, with values, words, lines or bytes changed by chance,
//! run through the program itself.
//!
//! However an input is spoilt, the program must not panic, must write nothing when it fails, and
//! must keep within memory and time. Most spoilt inputs must still be read: only then is anything
//! behind the readers tried. All panels, readings and photos here are made up or simulated.

use crate::books::{LID, READINGS, TARGETS, done, photo, program};
use crate::doors::hostile::{LONGEST, MOST_MB};
use crate::support::watch::{Watched, watched};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// A panel with most of what a panel.toml may say.
const RICH: &str = r#"# Made up.
name    = "locker lid"
length  = "600 mm"
width   = 400
form    = "flat"
purpose = "everyday-light"
outline = [[0, 0], [600, 0], ["0.6 m", 380], [590, 400], [0, 400]]
cutouts = [[[510, 60], [540, 60], [540, 90], [510, 90]]]
sand_allowance = "0.3 mm"
node_limit = 0.15
form_wavelength = ["1 m", 900]
film = "0.8 mm"
no_fill = [[0, 0], [60, 0], [60, 60]]
[[limit]]
base = "300 mm"
gap  = "0.3 mm"
[[limit]]
base = 200
swing = 0.4
[[limit]]
base = 300
slope = 4
[[no_sand]]
outline = [[560, 0], [600, 0], [600, 100]]
[[zone]]
name = "front"
outline = [[0, 0], [200, 0], [200, 200], [0, 200]]
[[zone.limit]]
base = "6 in"
gap = "20 thou"
"#;

/// The readings of the lid as a table.
fn table() -> String {
    let panel = crate::support::panel(LID);
    let read = lowspot::observe::notes::parse(READINGS, "readings.txt", &panel, &[]);
    let mut out = String::from("placing,tool,base,x,y,reading,unit,repeat\n");
    for placing in read.placings.iter().filter(|p| p.repeat == 0) {
        for r in &placing.readings {
            let value = r.value_mm.map_or("?".to_string(), |v| format!("{v}"));
            out += &format!(
                "{},{},{},{},{},{value},mm,0\n",
                placing.name,
                placing.tool.word(),
                placing.base_mm,
                r.x,
                r.y
            );
        }
    }
    out.replace(",repeat\n", "\n").replace(",mm,0\n", ",mm\n")
}

/// Other tools on the lid.
const TOOLS: &str = "\
panel locker lid
date 2026-02-02 by K skin 18 C supports on the bench
tool profile-gauge 300 step 50 unit mm
P1 x 0 to 300 y 50 : 0.0 0.1 0.0 0.1 0.1 0.0 0.0
P2 x 100 to 400 y 150 : 0.0 -0.1 -0.3 -0.5 -0.3 -0.1 0.0
P3 y 0 to 300 x 100 : 0.0 0.0 -0.1 -0.2 -0.1 0.0 0.0
P4 y 50 to 350 x 400 : 0.0 0.0 0.1 0.1 0.2 0.2 0.1
tool wave-gauge 100 step 50 unit hundredths
W1 x 50 to 550 y 100 : 0 1 2 -3 -6 -2 0 1 0 2 1
W2 y 50 to 350 x 300 : 0 -2 -5 -3 0 1 0
tool batten 500 step 50 unit thou
S1 x 0 to 500 y 300 : 0 1 2 3 4 5 4 3 2 1 0
tool bridge step 100 unit mm
R1 x 0 to 600 y 200 : 1.00 0.98 0.60 0.75 1.02 1.05 1.00
R2 y 0 to 400 x 300 : 1.01 0.85 0.70 0.95 1.00
";

const SHOP: &str = r#"# Made up.
filler = "my-micro"
pot_loss = 0.15
scale = "1 g"
[[recipe]]
name = "my-micro"
base = "epoxy"
pot_life_min = 25
at = 22
sandable = 24
[[recipe.part]]
name = "resin"
mass = 100
density = 1.12
[[recipe.part]]
name = "hardener"
mass = 28
density = 0.98
[[recipe.part]]
name = "bubbles"
volume = 5
density = 0.15
bulk = 0.09
"#;

/// One sound run: files, the one to spoil, and the command that reads it.
struct Seed {
    /// What kind of input it is.
    kind: &'static str,
    /// Folder with all files.
    dir: PathBuf,
    /// The file to spoil, within the folder.
    spoil: &'static str,
    command: Vec<&'static str>,
}

/// The sound runs, each in a folder of its own. The program makes what only it can make: books,
/// plans, exported folders.
fn seeds(root: &Path) -> Vec<Seed> {
    let base = root.join("sound");
    std::fs::create_dir(&base).expect("made");
    let small = image::load_from_memory(photo())
        .expect("a picture")
        .into_rgb8();
    let coded = |format| {
        let mut bytes = std::io::Cursor::new(Vec::new());
        small.write_to(&mut bytes, format).expect("a picture");
        bytes.into_inner()
    };
    let files: [(&str, Vec<u8>); 12] = [
        ("panel.toml", LID.into()),
        ("rich.toml", RICH.into()),
        ("readings.txt", READINGS.into()),
        (
            "later.txt",
            READINGS.replace("2026-02-01", "2026-02-09").into(),
        ),
        ("tools.txt", TOOLS.into()),
        ("table.csv", table().into()),
        ("targets.csv", TARGETS.into()),
        ("shop.toml", SHOP.into()),
        ("lid.png", photo().to_vec()),
        ("lid.jpg", coded(image::ImageFormat::Jpeg)),
        ("lid.tif", coded(image::ImageFormat::Tiff)),
        ("lid.webp", coded(image::ImageFormat::WebP)),
    ];
    for (name, bytes) in files {
        std::fs::write(base.join(name), bytes).expect("written");
    }
    done(&base, &["book", "new", "lids.lowspot"]);
    done(&base, &["panel", "add", "rich.toml"]);
    done(&base, &["enter", "locker lid", "survey", "readings.txt"]);
    done(
        &base,
        &[
            "enter",
            "locker lid",
            "fill",
            "--grams",
            "90",
            "--recipe",
            "dry-micro",
        ],
    );
    done(&base, &["enter", "locker lid", "block", "--hours", "1"]);
    done(
        &base,
        &[
            "enter",
            "locker lid",
            "survey",
            "later.txt",
            "--date",
            "2026-02-09",
        ],
    );
    done(&base, &["book", "export", "plain"]);
    done(&base, &["plan", "panel.toml", "readings.txt", "--out", "."]);
    let photo = |name| {
        vec![
            "map",
            "panel.toml",
            "--photo",
            name,
            "--targets",
            "targets.csv",
        ]
    };
    let list: Vec<(&str, &str, Vec<&str>)> = vec![
        (
            "panel",
            "rich.toml",
            vec!["map", "rich.toml", "readings.txt"],
        ),
        (
            "panel",
            "rich.toml",
            vec!["plan", "rich.toml", "readings.txt"],
        ),
        ("panel", "rich.toml", vec!["blank", "rich.toml"]),
        ("panel", "rich.toml", vec!["next", "rich.toml"]),
        (
            "notes",
            "readings.txt",
            vec!["map", "panel.toml", "readings.txt"],
        ),
        (
            "notes",
            "readings.txt",
            vec!["next", "panel.toml", "readings.txt"],
        ),
        (
            "notes",
            "readings.txt",
            vec![
                "moved",
                "panel.toml",
                "readings.txt",
                "--after",
                "later.txt",
            ],
        ),
        (
            "notes",
            "readings.txt",
            vec!["enter", "locker lid", "survey", "readings.txt"],
        ),
        (
            "notes",
            "tools.txt",
            vec!["map", "panel.toml", "readings.txt", "tools.txt"],
        ),
        ("table", "table.csv", vec!["map", "panel.toml", "table.csv"]),
        ("table", "table.csv", vec!["plan", "rich.toml", "table.csv"]),
        ("targets", "targets.csv", photo("lid.png")),
        ("photo", "lid.png", photo("lid.png")),
        ("photo", "lid.jpg", photo("lid.jpg")),
        ("photo", "lid.tif", photo("lid.tif")),
        ("photo", "lid.webp", photo("lid.webp")),
        (
            "shop",
            "shop.toml",
            vec!["plan", "panel.toml", "readings.txt", "--shop", "shop.toml"],
        ),
        (
            "shop",
            "shop.toml",
            vec![
                "mix",
                "--volume",
                "500 cc",
                "--at",
                "20 C",
                "--shop",
                "shop.toml",
            ],
        ),
        ("plan", "plan.json", vec!["mix", "--plan", "plan.json"]),
        ("book", "lids.lowspot", vec!["book", "check"]),
        ("book", "lids.lowspot", vec!["floor"]),
        ("book", "lids.lowspot", vec!["trend", "locker lid"]),
        ("book", "lids.lowspot", vec!["packet"]),
        ("book", "lids.lowspot", vec!["map", "locker lid"]),
        (
            "folder",
            "plain/book.toml",
            vec!["book", "import", "plain", "new.lowspot"],
        ),
        (
            "folder",
            "plain/panels/1-locker-lid/about.toml",
            vec!["book", "import", "plain", "new.lowspot"],
        ),
        (
            "folder",
            "plain/entries/00001-survey/entry.toml",
            vec!["book", "import", "plain", "new.lowspot"],
        ),
        (
            "folder",
            "plain/entries/00001-survey/result.json",
            vec!["book", "import", "plain", "new.lowspot"],
        ),
        (
            "folder",
            "plain/entries/00001-survey/field.csv",
            vec!["book", "import", "plain", "new.lowspot"],
        ),
        (
            "folder",
            "plain/entries/00002-fill/entry.toml",
            vec!["book", "import", "plain", "new.lowspot"],
        ),
        (
            "options",
            "panel.toml",
            vec![
                "enter",
                "locker lid",
                "fill",
                "--grams",
                "90",
                "--hours",
                "1.5",
                "--date",
                "2026-02-03",
            ],
        ),
        (
            "options",
            "panel.toml",
            vec![
                "blank",
                "panel.toml",
                "--step",
                "50",
                "--spacing",
                "100",
                "--length",
                "400",
            ],
        ),
        (
            "options",
            "panel.toml",
            vec![
                "mix",
                "--recipe",
                "dry-micro",
                "--volume",
                "500",
                "--at",
                "20",
                "--depth",
                "3",
            ],
        ),
        (
            "options",
            "panel.toml",
            vec!["map", "panel.toml", "readings.txt", "--grid", "10"],
        ),
    ];
    let run = |(kind, spoil, command): (&'static str, &'static str, Vec<&'static str>)| Seed {
        kind,
        dir: base.clone(),
        spoil,
        command,
    };
    list.into_iter().map(run).collect()
}

// Spoiling.

/// What a number is changed into.
fn other_number(old: &str, rng: &mut ChaCha8Rng) -> String {
    let value: f64 = old.parse().unwrap_or(1.0);
    let near = |rng: &mut ChaCha8Rng| value * (1.0 + 0.2 * (rng.random::<f64>() - 0.5));
    match rng.random_range(0..18) {
        13..18 => {
            // As many decimals as before: most readers take it.
            let decimals = old.split('.').nth(1).map_or(0, str::len);
            format!("{:.decimals$}", near(rng))
        }
        0..6 => format!("{:.2}", near(rng)),
        6 => format!("{}", value * 10.0),
        7 => format!("{}", value / 10.0),
        8 => format!("{}", -value),
        9 => "0".into(),
        10 => format!("{}", value + 1.0),
        11 => format!("{}", rng.random_range(0..2000)),
        12 => [
            "1e308",
            "-1e-300",
            "nan",
            "inf",
            "99999999999999999999",
            "1e9",
            "0.00001",
        ][rng.random_range(0..7)]
        .into(),
        _ => format!("{:.0}", value),
    }
}

/// Where the numbers of a text stand.
fn numbers(text: &str) -> Vec<std::ops::Range<usize>> {
    let mut found = Vec::new();
    let mut from: Option<usize> = None;
    for (at, c) in text.char_indices().chain([(text.len(), ' ')]) {
        let part = c.is_ascii_digit() || from.is_some() && c == '.';
        match (part, from) {
            (true, None) => from = Some(at),
            (false, Some(start)) => {
                found.push(start..at);
                from = None;
            }
            _ => {}
        }
    }
    found
}

/// A text with one to three values, words or lines changed; seldom bytes.
fn spoilt_text(text: &str, rng: &mut ChaCha8Rng) -> Vec<u8> {
    let mut text = text.to_string();
    for _ in 0..[1, 1, 1, 2, 3][rng.random_range(0..5)] {
        match rng.random_range(0..20) {
            0..14 => {
                let places = numbers(&text);
                if !places.is_empty() {
                    let at = places[rng.random_range(0..places.len())].clone();
                    let new = other_number(&text[at.clone()], rng);
                    text.replace_range(at, &new);
                }
            }
            14 | 15 => {
                // Two values change places.
                let places = numbers(&text);
                if places.len() > 1 {
                    let mut pair =
                        [0, 1].map(|_| places[rng.random_range(0..places.len())].clone());
                    pair.sort_by_key(|r| r.start);
                    let [a, b] = pair;
                    if a.end <= b.start {
                        let (x, y) = (text[a.clone()].to_string(), text[b.clone()].to_string());
                        text.replace_range(b, &x);
                        text.replace_range(a, &y);
                    }
                }
            }
            16 => {
                let mut lines: Vec<String> = text.lines().map(str::to_string).collect();
                if lines.len() > 1 {
                    let (a, b) = (
                        rng.random_range(0..lines.len()),
                        rng.random_range(0..lines.len()),
                    );
                    match rng.random_range(0..3) {
                        0 => lines.swap(a, b),
                        1 => drop(lines.remove(a)),
                        _ => {
                            let line = lines[a].clone();
                            lines.insert(b, line);
                        }
                    }
                    text = lines.join("\n") + "\n";
                }
            }
            17 => {
                let words: Vec<&str> = text.split_whitespace().collect();
                if !words.is_empty() {
                    let [a, b] =
                        [0, 1].map(|_| words[rng.random_range(0..words.len())].to_string());
                    text = text.replacen(&a, &b, 1);
                }
            }
            18 => {
                let at = rng.random_range(0..=text.len());
                let cut = text.char_indices().map(|(i, _)| i).find(|i| *i >= at);
                text.truncate(cut.unwrap_or(text.len()));
            }
            _ => return spoilt_bytes(text.as_bytes(), rng),
        }
    }
    text.into_bytes()
}

/// Some bytes changed, taken out or put in.
fn spoilt_bytes(bytes: &[u8], rng: &mut ChaCha8Rng) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    for _ in 0..[1, 1, 4, 32][rng.random_range(0..4)] {
        if bytes.is_empty() {
            break;
        }
        let at = rng.random_range(0..bytes.len());
        match rng.random_range(0..8) {
            0 => drop(bytes.remove(at)),
            1 => bytes.insert(at, rng.random()),
            _ => bytes[at] ^= rng.random_range(1..=255_u8),
        }
    }
    bytes
}

/// A picture with other pixels: light, noise, a piece of it moved; seldom other bytes.
fn spoilt_photo(bytes: &[u8], name: &str, rng: &mut ChaCha8Rng) -> Vec<u8> {
    if rng.random_range(0..4) == 0 {
        return spoilt_bytes(bytes, rng);
    }
    let mut picture = image::load_from_memory(bytes)
        .expect("a picture")
        .into_rgb8();
    let (w, h) = picture.dimensions();
    match rng.random_range(0..5) {
        0 => {
            let by = rng.random_range(0.0..2.5);
            picture
                .pixels_mut()
                .flat_map(|p| &mut p.0)
                .for_each(|v| *v = (f64::from(*v) * by) as u8);
        }
        1 => picture
            .pixels_mut()
            .flat_map(|p| &mut p.0)
            .for_each(|v| *v ^= rng.random::<u8>() >> 3),
        2 => picture
            .pixels_mut()
            .for_each(|p| p.0 = [rng.random_range(0..3) * 60; 3]),
        3 => {
            let [x, y] = [rng.random_range(0..w), rng.random_range(0..h)];
            let colour = rng.random();
            for (c, r, p) in picture.enumerate_pixels_mut() {
                if c > x && r > y {
                    p.0 = colour;
                }
            }
        }
        _ => {
            let (w, h) = (rng.random_range(1..=w), rng.random_range(1..=h));
            picture = image::imageops::crop_imm(&picture, 0, 0, w, h).to_image();
        }
    }
    let format = image::ImageFormat::from_path(name).expect("a picture's name");
    let mut out = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut out, format).expect("a picture");
    out.into_inner()
}

/// A book with other values in its rows, sealed wrongly; seldom other bytes.
fn spoilt_book(path: &Path, rng: &mut ChaCha8Rng) {
    if rng.random_range(0..4) == 0 {
        let bytes = std::fs::read(path).expect("read");
        std::fs::write(path, spoilt_bytes(&bytes, rng)).expect("written");
        return;
    }
    let book = rusqlite::Connection::open(path).expect("opens");
    let list = |sql: &str| -> Vec<String> {
        let mut statement = book.prepare(sql).expect("read");
        let rows = statement.query_map([], |r| r.get(0)).expect("read");
        rows.collect::<Result<_, _>>().expect("read")
    };
    let triggers: Vec<(String, String)> = book
        .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
        .expect("read")
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))
        .expect("read")
        .collect::<Result<_, _>>()
        .expect("read");
    book.execute_batch("PRAGMA foreign_keys = OFF")
        .expect("off");
    for (name, _) in &triggers {
        book.execute_batch(&format!("DROP TRIGGER {name}"))
            .expect("freed");
    }
    let table = ["panels", "versions", "entries", "files", "results"][rng.random_range(0..5)];
    let columns = list(&format!("SELECT name FROM pragma_table_info('{table}')"));
    for _ in 0..rng.random_range(1..3) {
        let column = &columns[rng.random_range(0..columns.len())];
        let rows = list(&format!("SELECT rowid || '' FROM {table}"));
        let row = &rows[rng.random_range(0..rows.len())];
        let old: rusqlite::types::Value = book
            .query_row(
                &format!("SELECT {column} FROM {table} WHERE rowid = {row}"),
                [],
                |r| r.get(0),
            )
            .expect("read");
        use rusqlite::types::Value::*;
        let new = match old {
            Text(t) => Text(String::from_utf8_lossy(&spoilt_text(&t, rng)).into_owned()),
            Blob(b) => match std::str::from_utf8(&b) {
                Ok(t) => Blob(spoilt_text(t, rng)),
                Err(_) => Blob(spoilt_bytes(&b, rng)),
            },
            Integer(i) => Integer([i + 1, -i, 0, i64::MAX, 7][rng.random_range(0..5)]),
            Real(r) => Real([r * 2.0, -r, 0.0, 1e300, f64::INFINITY][rng.random_range(0..5)]),
            Null => Text("x".into()),
        };
        // What the tables themselves refuse stays as it was.
        let _ = book.execute(
            &format!("UPDATE {table} SET {column} = ?1 WHERE rowid = {row}"),
            [new],
        );
    }
    for (_, sql) in &triggers {
        book.execute_batch(sql).expect("as before");
    }
}

/// Options with other values.
fn spoilt_options(command: &[&str], rng: &mut ChaCha8Rng) -> Vec<String> {
    let mut command: Vec<String> = command.iter().map(ToString::to_string).collect();
    let values: Vec<usize> = (1..command.len())
        .filter(|k| command[k - 1].starts_with("--"))
        .collect();
    let at = values[rng.random_range(0..values.len())];
    command[at] = String::from_utf8_lossy(&spoilt_text(&command[at], rng))
        .trim()
        .to_string();
    command
}

// Running.

/// Every file below a folder with its contents.
fn everything(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![dir.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.insert(path.clone(), std::fs::read(&path).expect("read"));
            }
        }
    }
    found
}

fn copied(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("made");
    for entry in std::fs::read_dir(from).expect("a folder").flatten() {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copied(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).expect("copied");
        }
    }
}

/// What came of one spoilt input.
struct Outcome {
    kind: &'static str,
    /// Whether its readers took it, whatever was then made of it.
    read: bool,
    peak_mb: u64,
    took: Duration,
    wrong: Option<String>,
}

fn run(seed: &Seed, number: u64, root: &Path) -> Outcome {
    let mut rng = ChaCha8Rng::seed_from_u64(number);
    let dir = root.join(format!("run-{number}"));
    copied(&seed.dir, &dir);
    let file = dir.join(seed.spoil);
    let mut command: Vec<String> = seed.command.iter().map(ToString::to_string).collect();
    match seed.kind {
        "photo" => {
            let bytes = std::fs::read(&file).expect("read");
            std::fs::write(&file, spoilt_photo(&bytes, seed.spoil, &mut rng)).expect("written");
        }
        "book" => spoilt_book(&file, &mut rng),
        "options" => command = spoilt_options(&seed.command, &mut rng),
        _ => {
            let text = std::fs::read_to_string(&file).expect("read");
            std::fs::write(&file, spoilt_text(&text, &mut rng)).expect("written");
        }
    }
    let before = everything(&dir);
    let words: Vec<&str> = command.iter().map(String::as_str).collect();
    let out = watched(program(&dir, &words), LONGEST);
    let wrong = wrong(&out, &before, &dir);
    let unread = out.status.and_then(|s| s.code()) == Some(2)
        || out.told.contains("nothing was written") && out.told.contains("must be mended first")
        || ["SQLite", "is no job book", "is damaged"]
            .iter()
            .any(|w| out.told.contains(w));
    let wrong = wrong.map(|what| format!("{what}\n{}", out.told));
    if wrong.is_none() {
        let _ = std::fs::remove_dir_all(&dir);
    }
    Outcome {
        kind: seed.kind,
        read: !unread,
        peak_mb: out.peak_mb,
        took: out.took,
        wrong: wrong.map(|what| format!("seed {number}, {words:?}, spoilt {}: {what}", seed.spoil)),
    }
}

/// What must not be, whatever the input.
fn wrong(out: &Watched, before: &BTreeMap<PathBuf, Vec<u8>>, dir: &Path) -> Option<String> {
    let Some(status) = out.status else {
        return Some(format!("took longer than {LONGEST:?}"));
    };
    let panic = ["panicked at", "fault of the program", "stack overflow"];
    if status.code().is_none_or(|code| code > 3) || panic.iter().any(|p| out.told.contains(p)) {
        return Some(format!("a fault of the program: {status}"));
    }
    if out.peak_mb > MOST_MB {
        return Some(format!("took {} MB", out.peak_mb));
    }
    if matches!(status.code(), Some(1 | 2)) {
        let after = everything(dir);
        let changed = after
            .iter()
            .find(|(path, bytes)| before.get(*path) != Some(*bytes))
            .map(|(path, _)| path)
            .or_else(|| before.keys().find(|path| !after.contains_key(*path)));
        if let Some(path) = changed {
            return Some(format!("failed, but {} was written", path.display()));
        }
        if out.told.trim().is_empty() {
            return Some("failed without a word".into());
        }
    }
    None
}

/// That every seed is sound before it is spoilt.
fn all_sound(seeds: &[Seed], root: &Path) {
    for (k, seed) in seeds.iter().enumerate() {
        let dir = root.join(format!("sound-{k}"));
        copied(&seed.dir, &dir);
        done(&dir, &seed.command);
        std::fs::remove_dir_all(&dir).expect("removed");
    }
}

/// Runs spoilt inputs of all kinds in turn until the time has passed or so many are done.
fn spoil(first: u64, most: u64, time: Duration) {
    let root = tempfile::tempdir().expect("a folder");
    let seeds = seeds(root.path());
    if most == u64::MAX {
        all_sound(&seeds, root.path());
    }
    let begun = Instant::now();
    let next = Mutex::new(0);
    let outcomes = Mutex::new(Vec::new());
    let hands = std::thread::available_parallelism()
        .map_or(1, usize::from)
        .min(4);
    std::thread::scope(|scope| {
        for _ in 0..hands {
            scope.spawn(|| {
                loop {
                    let k = {
                        let mut next = next.lock().expect("no panic");
                        *next += 1;
                        *next - 1
                    };
                    if k >= most || begun.elapsed() > time {
                        break;
                    }
                    let seed = &seeds[usize::try_from(k).expect("small") % seeds.len()];
                    let outcome = run(seed, first + k, root.path());
                    outcomes.lock().expect("no panic").push(outcome);
                }
            });
        }
    });
    let outcomes = outcomes.into_inner().expect("no panic");
    let read = outcomes.iter().filter(|o| o.read).count();
    let mut kinds: BTreeMap<&str, [usize; 2]> = BTreeMap::new();
    for o in &outcomes {
        let of = kinds.entry(o.kind).or_default();
        of[0] += 1;
        of[1] += usize::from(o.read);
    }
    let peak = outcomes.iter().map(|o| o.peak_mb).max().unwrap_or(0);
    let longest = outcomes.iter().map(|o| o.took).max().unwrap_or_default();
    println!(
        "{} spoilt inputs from seed {first} on, {read} of them read ({:.0} %); at most {peak} MB and {:.1} s",
        outcomes.len(),
        100.0 * read as f64 / outcomes.len().max(1) as f64,
        longest.as_secs_f64()
    );
    for (kind, [all, read]) in &kinds {
        println!("  {kind}: {read} of {all} read");
    }
    let wrong: Vec<&String> = outcomes.iter().filter_map(|o| o.wrong.as_ref()).collect();
    assert!(
        wrong.is_empty(),
        "{} went wrong, the first: {}",
        wrong.len(),
        wrong[0]
    );
    assert_eq!(kinds.len(), 10, "every kind of input: {kinds:?}");
    assert!(2 * read >= outcomes.len(), "too few were read");
}

#[test]
fn spoilt_inputs_of_every_kind_do_no_harm() {
    spoil(1, 68, Duration::from_secs(120));
}

#[test]
#[ignore = "two minutes; .ci/run calls it in release"]
fn two_minutes_of_spoilt_inputs_do_no_harm() {
    let of = |name: &str, usual: u64| {
        std::env::var(name).map_or(usual, |v| v.parse().expect("a number"))
    };
    let seconds = of("LOWSPOT_FUZZ_SECONDS", 120);
    spoil(
        of("LOWSPOT_FUZZ_SEED", 100_000),
        u64::MAX,
        Duration::from_secs(seconds),
    );
}
