//! Screens and data of the samples, held as they are: nothing changes unseen.
//!
//! tests/golden holds what each command prints and the JSON it writes, metric and US, exactly as
//! run in a folder with the samples. Words must be the same; a number may differ in its last digit,
//! since processors round sums differently. `LOWSPOT_GOLDEN=exact` allows no difference at all (for
//! a change that should change nothing, on one machine), `LOWSPOT_GOLDEN=write` writes them anew:
//! read the difference before it is committed.

use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Relative difference between two numbers of a JSON file that is rounding: the skin settles to
/// 2e-5 mm, and a sum or two may settle a round earlier elsewhere.
const ROUNDING: f64 = 1e-3;
/// Numbers below this in a JSON file are compared by difference.
const SMALL: f64 = 1e-2;

/// A command as it is typed in a folder of the samples.
struct Screen {
    /// Name of the files in tests/golden.
    name: String,
    /// Folder under the samples.
    folder: String,
    /// Words after `lowspot`.
    words: Vec<String>,
    /// JSON files it writes into `out`.
    data: Vec<&'static str>,
}

fn screens() -> Vec<Screen> {
    let mut all = Vec::new();
    let mut add = |name: &str, folder: &str, line: &str, data: &[&'static str]| {
        let mut words: Vec<String> = line.split('|').map(str::to_string).collect();
        if !data.is_empty() {
            words.extend(["--out".into(), "out".into()]);
        }
        all.push(Screen {
            name: name.into(),
            folder: folder.into(),
            words,
            data: data.to_vec(),
        });
    };
    for units in ["metric", "us"] {
        for (sample, folder, files) in [
            ("roof", "cabin-roof", "panel.toml|readings.txt"),
            (
                "roof-photo",
                "cabin-roof",
                "panel.toml|readings.txt|--photo|roof.jpg",
            ),
            ("small", "small", "panel.toml|readings.txt"),
            ("wing", "wing-panel", "panel.toml|readings.txt"),
            ("door", "workshop", "door.toml|door-2.txt"),
            ("side", "workshop", "side.toml|side-1.txt"),
        ] {
            for (command, data) in [("map", "report"), ("plan", "plan"), ("next", "next")] {
                let data: &'static [&str] = match data {
                    "report" => &["report.json"],
                    "plan" => &["plan.json"],
                    _ => &["next.json"],
                };
                // One screen in US units is enough of the slow ones.
                if units == "us" && matches!(sample, "wing" | "roof-photo") && command != "map" {
                    continue;
                }
                add(
                    &format!("{command}-{sample}-{units}"),
                    folder,
                    &format!("{command}|{files}|--units|{units}"),
                    data,
                );
            }
        }
        add(
            &format!("moved-door-{units}"),
            "workshop",
            &format!("moved|door.toml|door-1.txt|door-2.txt|--units|{units}"),
            &[],
        );
    }
    add("help", "small", "--help", &[]);
    for command in [
        "map",
        "plan",
        "next",
        "moved",
        "blank",
        "targets",
        "mix",
        "book",
        "panel",
        "enter",
        "trend",
        "film",
        "floor",
        "packet",
        "strike",
        "hands-off",
        "free",
        "diary",
        "demo",
    ] {
        add(
            &format!("help-{command}"),
            "small",
            &format!("{command}|--help"),
            &[],
        );
    }
    all
}

/// What the commands of the demo's job book print: its entries are dated, so nothing in them hangs
/// on the day.
fn of_the_book() -> Vec<Screen> {
    let mut all = Vec::new();
    for units in ["metric", "us"] {
        for command in ["trend", "film", "diary"] {
            for panel in ["hatch cover", "cabin side", "bulkhead door"] {
                let mut words: Vec<String> = [command, panel, "--book", "workshop.lowspot"]
                    .map(str::to_string)
                    .to_vec();
                if command != "diary" {
                    words.extend(["--units".into(), units.into()]);
                } else if units == "us" {
                    continue;
                }
                all.push(Screen {
                    name: format!("{command}-{}-{units}", panel.replace(' ', "-")),
                    folder: "lowspot-demo/workshop".into(),
                    words,
                    data: Vec::new(),
                });
            }
        }
    }
    all
}

fn lowspot(folder: &Path, words: &[String]) -> String {
    let run = Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .args(words)
        .current_dir(folder)
        .env("COLUMNS", "80")
        .output()
        .expect("runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
    let own = env!("CARGO_BIN_EXE_lowspot");
    let (out, err) = (text(run.stdout), text(run.stderr));
    format!("{out}--- errors and notes, {}\n{err}", run.status).replace(own, "lowspot")
}

fn copied(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for entry in std::fs::read_dir(from).expect("reads") {
        let entry = entry.expect("an entry");
        let target = to.join(entry.file_name());
        if entry.file_type().expect("a type").is_dir() {
            copied(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).expect("copies");
        }
    }
}

/// A text as its words and its numbers.
fn parted(text: &str) -> (Vec<String>, Vec<String>) {
    let (mut words, mut numbers) = (vec![String::new()], Vec::new());
    let chars: Vec<char> = text.chars().collect();
    let mut k = 0;
    while k < chars.len() {
        let begins = chars[k].is_ascii_digit();
        if !begins {
            words.last_mut().expect("one").push(chars[k]);
            k += 1;
            continue;
        }
        let mut number = String::new();
        while k < chars.len()
            && (chars[k].is_ascii_digit()
                || (chars[k] == '.' && chars.get(k + 1).is_some_and(char::is_ascii_digit)))
        {
            number.push(chars[k]);
            k += 1;
        }
        numbers.push(number);
        words.push(String::new());
    }
    (words, numbers)
}

/// The first difference of two screens that is more than a last digit.
fn differs(is: &str, was: &str) -> Option<String> {
    for (line, (is, was)) in is.lines().zip(was.lines()).enumerate() {
        // A number one digit longer takes a blank.
        let squeezed = |words: &[String]| {
            words
                .concat()
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
        };
        let (new, old) = (parted(is), parted(was));
        let close = |a: &String, b: &String| {
            let decimals = |n: &String| n.split_once('.').map_or(0, |p| p.1.len() as i32);
            let step = 10f64.powi(-decimals(a).min(decimals(b)));
            let value = |n: &String| n.parse::<f64>().unwrap_or(f64::NAN);
            a == b || (value(a) - value(b)).abs() <= 1.01 * step
        };
        let same = squeezed(&new.0) == squeezed(&old.0)
            && new.1.len() == old.1.len()
            && new.1.iter().zip(&old.1).all(|(a, b)| close(a, b));
        if !same {
            return Some(format!("line {}:\n  was {was}\n  is  {is}", line + 1));
        }
    }
    let (is, was) = (is.lines().count(), was.lines().count());
    (is != was).then(|| format!("{is} lines, {was} before"))
}

/// The first difference of two JSON values that is more than rounding, with its place.
fn data_differs(is: &serde_json::Value, was: &serde_json::Value, at: &str) -> Option<String> {
    use serde_json::Value;
    match (is, was) {
        (Value::Number(a), Value::Number(b)) => {
            let [a, b] = [a, b].map(|n| n.as_f64().unwrap_or(f64::NAN));
            let allowed = ROUNDING * f64::max(SMALL, b.abs());
            ((a - b).abs() > allowed).then(|| format!("{at}: {b} before, {a}"))
        }
        (Value::String(a), Value::String(b)) => differs(a, b).map(|told| format!("{at}: {told}")),
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => a
            .iter()
            .zip(b)
            .enumerate()
            .find_map(|(k, (a, b))| data_differs(a, b, &format!("{at}[{k}]"))),
        (Value::Object(a), Value::Object(b)) if a.keys().eq(b.keys()) => a
            .iter()
            .find_map(|(key, value)| data_differs(value, &b[key], &format!("{at}.{key}"))),
        (a, b) => (a != b).then(|| format!("{at}: {b} before, {a}")),
    }
}

/// What of these screens is not as it was.
fn changed(screens: &[Screen], root: &Path) -> Vec<String> {
    let kept = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    let how = std::env::var("LOWSPOT_GOLDEN").unwrap_or_default();
    let held = |name: &str, is: &str, differs: &dyn Fn(&str) -> Option<String>| {
        let file = kept.join(name);
        if how == "write" {
            std::fs::create_dir_all(&kept).expect("a folder");
            std::fs::write(file, is).expect("written");
            return None;
        }
        let was = match std::fs::read_to_string(&file) {
            Ok(was) => was,
            Err(e) => return Some(format!("{}: {e}", file.display())),
        };
        if how == "exact" && was != is {
            return Some(format!("{name}: not the same to the letter"));
        }
        differs(&was).map(|told| format!("{name}: {told}"))
    };
    let one = |k: usize, screen: &Screen| -> Vec<String> {
        // Each has a folder of its own: they write.
        let folder = root.join(format!("run-{k}"));
        copied(&root.join(&screen.folder), &folder);
        let text = lowspot(&folder, &screen.words);
        let mut out = Vec::new();
        out.extend(held(&format!("{}.txt", screen.name), &text, &|was| {
            differs(&text, was)
        }));
        for file in &screen.data {
            let data = std::fs::read_to_string(folder.join("out").join(file)).unwrap_or_default();
            let parsed = |text: &str| serde_json::from_str(text).unwrap_or(serde_json::Value::Null);
            out.extend(held(&format!("{}.json", screen.name), &data, &|was| {
                data_differs(&parsed(&data), &parsed(was), "")
            }));
        }
        out
    };
    screens
        .par_iter()
        .enumerate()
        .flat_map_iter(|(k, screen)| one(k, screen))
        .collect()
}

/// A number with a length, an area or a volume of these units behind it.
fn with_unit_of(text: &str, units: &[&str]) -> Option<String> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let bare = |w: &str| {
        w.trim_end_matches(|c: char| !c.is_alphanumeric() && c != '²')
            .to_string()
    };
    words.windows(2).find_map(|pair| {
        let number = pair[0].trim_start_matches('(');
        let is_number = number.starts_with(|c: char| c.is_ascii_digit())
            && number.ends_with(|c: char| c.is_ascii_digit() || c == ')');
        (is_number && units.contains(&bare(pair[1]).as_str())).then(|| pair.join(" "))
    })
}

/// No metric length or volume stands on a screen in US units, and the reverse. Temperatures and
/// grams are the data sheets' own, and of what is typed the unit stands as it was typed.
/// "1 in 11" is a chance and no length: such an "in" stands between two numbers, on one line or
/// two.
fn without_chances(text: &str) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    let number = |w: Option<&&str>| w.is_some_and(|w| w.parse::<u32>().is_ok());
    let kept = words.iter().enumerate().map(|(k, w)| {
        let chance = *w == "in" && k > 0 && number(words.get(k - 1)) && number(words.get(k + 1));
        if chance { "of" } else { w }
    });
    kept.collect::<Vec<_>>().join(" ")
}

#[test]
fn screens_keep_to_the_units_asked_for() {
    const METRIC: [&str; 6] = ["mm", "cm", "m", "cc", "cm²", "m²"];
    const US: [&str; 5] = ["in", "thou", "oz", "fl", "in²"];
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    let mut looked_at = [0, 0];
    for entry in std::fs::read_dir(kept).expect("goldens") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().and_then(|n| n.to_str()).expect("a name");
        let text = || std::fs::read_to_string(&path).expect("text");
        if name.ends_with("-us.txt") {
            looked_at[0] += 1;
            assert_eq!(with_unit_of(&text(), &METRIC), None, "{name}");
        } else if name.ends_with("-metric.txt") && !name.starts_with("diary") {
            looked_at[1] += 1;
            assert_eq!(with_unit_of(&without_chances(&text()), &US), None, "{name}");
        }
    }
    assert!(looked_at[0] > 15 && looked_at[1] > 20, "{looked_at:?}");
    assert!(with_unit_of("one 0.30 mm, found", &METRIC).is_some());
    assert!(with_unit_of("under (300 mm)", &METRIC).is_some());
    assert!(with_unit_of("a 12 thou gap", &METRIC).is_none());
    assert!(with_unit_of(&without_chances("1 in 11 that"), &US).is_none());
    assert!(with_unit_of(&without_chances("at 12 in that"), &US).is_some());
}

fn with_samples() -> tempfile::TempDir {
    let root = tempfile::tempdir().expect("a folder");
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples");
    copied(&samples, root.path());
    root
}

#[test]
fn screens_and_data_of_the_samples_are_as_they_were() {
    let root = with_samples();
    let changed = changed(&screens(), root.path());
    assert!(changed.is_empty(), "{}", changed.join("\n"));
}

#[test]
fn screens_of_the_demos_job_book_are_as_they_were() {
    let root = tempfile::tempdir().expect("a folder");
    let demo = lowspot(root.path(), &["demo".into()]);
    assert!(root.path().join("lowspot-demo/workshop").is_dir(), "{demo}");
    let changed = changed(&of_the_book(), root.path());
    assert!(changed.is_empty(), "{}", changed.join("\n"));
}

/// The floor sheet hangs on the day, so it is held by its units alone.
#[test]
fn the_floor_sheet_keeps_to_the_units_asked_for() {
    let root = tempfile::tempdir().expect("a folder");
    lowspot(root.path(), &["demo".into()]);
    let book = root.path().join("lowspot-demo/workshop");
    let floor = |units: &str| {
        let words = ["floor", "--book", "workshop.lowspot", "--units", units];
        lowspot(&book, &words.map(str::to_string))
    };
    let (metric, us) = (floor("metric"), floor("us"));
    assert!(with_unit_of(&metric, &["mm"]).is_some(), "{metric}");
    assert!(with_unit_of(&us, &["thou"]).is_some(), "{us}");
    assert_eq!(with_unit_of(&us, &["mm", "cc", "cm²"]), None, "{us}");
    assert_eq!(
        with_unit_of(&metric, &["thou", "fl", "in²"]),
        None,
        "{metric}"
    );
}

#[test]
fn a_last_digit_is_rounding_and_a_word_or_a_digit_more_is_not() {
    let was = "low L1 at x 40: 0.38 mm deep, 21 cc";
    assert_eq!(differs("low L1 at x 40: 0.39 mm deep, 20 cc", was), None);
    for is in [
        "low L1 at x 40: 0.40 mm deep, 21 cc",
        "low L1 at x 40: 0.38 mm deep, 21 ml",
        "low L1 at x 40: 0.38 mm deep",
        "low L1 at x 40: 0.38 mm deep, 21 cc\nmore",
    ] {
        assert!(differs(is, was).is_some(), "{is}");
    }
    let json = |text: &str| serde_json::from_str(text).expect("JSON");
    let was = json("{\"a\": [1.0, {\"b\": 0.5}]}");
    assert_eq!(
        data_differs(&json("{\"a\": [1.0, {\"b\": 0.5001}]}"), &was, ""),
        None
    );
    let told = data_differs(&json("{\"a\": [1.0, {\"b\": 0.51}]}"), &was, "");
    assert_eq!(told.as_deref(), Some(".a[1].b: 0.5 before, 0.51"));
    assert!(data_differs(&json("{\"a\": [1.0]}"), &was, "").is_some());
}
