//! Readings and a guide-coat photo together, from the JPEG on, on four panels simulated by a third
//! hand (tests/data/coat_photos): a board of given length and stiffness that wears coat off a rough
//! surface, photographed, and 24 placings of a 600 mm edge. Nobody who wrote lowspot wrote that
//! program; coat stays where its board did not reach, on flanks of highs and in weave too, not
//! where the skin is low.
//!
//! Truth is `defects.csv`: what was put on a fair panel, mm, by 20 mm. Compared with it is the
//! deviation from the skin.

use lowspot::fit::{self, Surface};
use lowspot::judge::{self, Judgement};
use lowspot::observe::{self, Survey};
use lowspot::panel::{self, Panel};
use lowspot::photo::CoatCells;
use lowspot::photo::polarity::Polarity;
use lowspot::photo::take;
use lowspot::reference::Kind as Reference;
use lowspot::units::Units;
use std::path::{Path, PathBuf};

/// Deviation below which a place is low, mm.
const LOW_MM: f64 = -0.1;

/// What a map comes to against what was put on the panel.
#[derive(Clone, Copy, Debug)]
struct Score {
    /// Root mean square error of the deviation, mm.
    rms_mm: f64,
    /// Share of the places that are low, found or true, that are both.
    overlap: f64,
    /// Volume below the skin, found over true.
    amount: f64,
}

/// A folder of the data: panel, readings, truth.
struct Case {
    folder: PathBuf,
    panel: Panel,
    survey: Survey,
    /// Places, mm, and what was put on there, mm.
    truth: Vec<([f64; 2], f64)>,
}

impl Case {
    fn of(folder: &Path) -> Self {
        let (panel, _) = panel::file::load(&folder.join("panel.toml")).expect("a panel");
        let survey = observe::load(&[folder.join("readings.csv")], &panel).expect("readings");
        // The full folders have heights too.
        let text = ["defects.csv", "truth.csv"]
            .iter()
            .find_map(|f| std::fs::read_to_string(folder.join(f)).ok())
            .expect("truth");
        let row = |line: &str| -> ([f64; 2], f64) {
            let v: Vec<f64> = line
                .split(',')
                .map(|v| v.parse().expect("a number"))
                .collect();
            ([v[0], v[1]], *v.last().expect("a defect"))
        };
        let truth = text.lines().skip(1).map(row).collect();
        Case {
            folder: folder.into(),
            panel,
            survey,
            truth,
        }
    }

    /// The coat of this folder's photo, as `lowspot map` reads it.
    fn coat(&self) -> CoatCells {
        let [photo, targets] = ["photo.jpg", "targets.csv"].map(|f| self.folder.join(f));
        let taken = take::take(&self.panel, &photo, Some(&targets), Polarity::Auto);
        taken.expect("reads").reading.cells
    }

    fn judged(&self, surface: &Surface) -> Judgement {
        let options = judge::Options {
            reference: Reference::Skin,
            units: Units::Metric,
            priced: judge::PRICED,
        };
        judge::judge(&self.panel, &self.survey, surface, options, Vec::new()).expect("judged")
    }

    fn score(&self, surface: &Surface) -> Score {
        let j = self.judged(surface);
        let step = j.nodes.grid.step_mm;
        let [
            mut both,
            mut either,
            mut square,
            mut n,
            mut found,
            mut truly,
        ] = [0.0; 6];
        for ([x, y], defect) in &self.truth {
            let [ix, iy] = [x, y].map(|v| (v / step).round() as usize);
            let Some(d) = j.nodes.fairness.get([iy, ix]).filter(|d| d.is_finite()) else {
                continue;
            };
            let one = |b: bool| f64::from(u8::from(b));
            both += one(*d < LOW_MM && *defect < LOW_MM);
            either += one(*d < LOW_MM || *defect < LOW_MM);
            square += (d - defect).powi(2);
            found += (-d).max(0.0);
            truly += (-defect).max(0.0);
            n += 1.0;
        }
        Score {
            rms_mm: (square / n).sqrt(),
            overlap: both / either,
            amount: found / truly,
        }
    }
}

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/coat_photos")
        .join(name)
}

/// Without the photo, and with it; printed.
fn both(case: &Case) -> [Score; 2] {
    let alone = fit::fit(&case.panel, &case.survey).expect("fits");
    let joint = fit::fit_with_photos(&case.panel, &case.survey, &[case.coat()]).expect("fits");
    let scores = [&alone, &joint].map(|s| case.score(s));
    println!(
        "{}: {:.3?}",
        case.folder.file_name().expect("named").display(),
        scores
    );
    println!("  {:?}", joint.weighed[0].standing);
    scores
}

/// The readings alone find the lows: another hand's panels, on which nothing was chosen but the
/// skin's cut-offs. Under those of before, chosen on our own simulator, the overlaps were 0.44,
/// 0.42, 0.47 and 0.69.
#[test]
fn readings_of_panels_by_another_hand_find_their_lows() {
    for (name, overlap) in [
        ("contradiction-other-panel", 0.70),
        ("dark-powder-weave", 0.50),
        ("grey-mist-off-white", 0.65),
        ("patchwork-powder-through", 0.66),
    ] {
        let case = Case::of(&folder(name));
        let s = case.score(&fit::fit(&case.panel, &case.survey).expect("fits"));
        assert!(s.overlap >= overlap, "{name}: {s:.3?}");
        assert!((0.73..=1.1).contains(&s.amount), "{name}: {s:.3?}");
    }
}

/// With the photo lows are found better, and about as much filler or closer. The third panel has
/// coat at the foot of a high that no reading meets: taken for a low it cost 21 % in rms.
#[test]
fn a_photo_of_sanding_by_another_hand_helps_the_map() {
    for (name, worse, overlap) in [
        ("dark-powder-weave", 0.9, 0.54),
        ("grey-mist-off-white", 0.95, 0.70),
        ("patchwork-powder-through", 1.0, 0.67),
    ] {
        let [alone, joint] = both(&Case::of(&folder(name)));
        assert!(
            joint.rms_mm <= worse * alone.rms_mm,
            "{name}: {alone:?} {joint:?}"
        );
        assert!(joint.overlap >= overlap, "{name}: {alone:?} {joint:?}");
        let off = |s: Score| s.amount.ln().abs();
        // The third is told 0.82 of the amount, by the readings alone 0.92.
        let more = if name.starts_with("patchwork") {
            0.13
        } else {
            0.05
        };
        assert!(off(joint) <= off(alone) + more, "{name}: {joint:?}");
    }
}

/// The photo is of another panel than the readings: the map is that of the readings.
#[test]
fn a_photo_of_another_panel_by_another_hand_changes_nothing() {
    let [alone, joint] = both(&Case::of(&folder("contradiction-other-panel")));
    assert_eq!(alone.rms_mm, joint.rms_mm);
}

/// Where the photo's colours are told the wrong way round, the readings put them right or set it
/// aside: the map is that of the photo as it is, or of the readings.
#[test]
fn colours_told_the_wrong_way_do_no_harm() {
    for name in ["grey-mist-off-white", "patchwork-powder-through"] {
        let case = Case::of(&folder(name));
        let mut cells = case.coat();
        cells.coat.mapv_inplace(|c| 1.0 - c);
        let alone = fit::fit(&case.panel, &case.survey).expect("fits");
        let joint = fit::fit_with_photos(&case.panel, &case.survey, &[cells]).expect("fits");
        let [alone, with] = [&alone, &joint].map(|s| case.score(s));
        println!(
            "{name}: {:?} {alone:.3?} {with:.3?}",
            joint.weighed[0].standing
        );
        let right = fit::fit_with_photos(&case.panel, &case.survey, &[case.coat()]).expect("fits");
        let right = case.score(&right);
        assert!(
            with.rms_mm <= 1.02 * alone.rms_mm || with.rms_mm <= 1.001 * right.rms_mm,
            "{name}: {with:?}"
        );
    }
}

#[test]
#[ignore = "judges a folder of full photos with readings: LOWSPOT_WITH_READINGS names it"]
fn a_folder_of_photos_with_readings() {
    let Some(all) = std::env::var_os("LOWSPOT_WITH_READINGS") else {
        return;
    };
    for entry in std::fs::read_dir(all).expect("a folder") {
        both(&Case::of(&entry.expect("an entry").path()));
    }
}

/// On this panel the block went through to another layer on the high. panel.toml allows 0.3 mm to
/// come off: the map says to look first, sands nothing there, and tells both amounts. 60 cc were
/// put on; with the high left alone it would be told half as much again.
#[test]
fn where_substrate_seems_to_show_both_amounts_are_told_and_nothing_is_sanded() {
    let name = "patchwork-powder-through";
    let from = folder(name);
    let out = tempfile::tempdir().expect("a folder");
    let given = |file: &str| from.join(file).display().to_string();
    let told = std::process::Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .args(["map", &given("panel.toml"), &given("readings.csv")])
        .args([
            "--photo",
            &given("photo.jpg"),
            "--targets",
            &given("targets.csv"),
        ])
        .args(["--out", &out.path().display().to_string()])
        .output()
        .expect("runs");
    let screen = String::from_utf8(told.stdout).expect("text");
    let words = screen.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("look first what shows"), "{screen}");
    assert!(!words.contains("SAND FIRST"), "{screen}");
    let text = std::fs::read_to_string(out.path().join("report.json")).expect("a report");
    let report: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let filler = &report["filler"];
    let number = |v: &serde_json::Value| v.as_f64().expect("a number");
    let truly: f64 = Case::of(&from)
        .truth
        .iter()
        .map(|(_, d)| (-d).max(0.0) * 400.0 / 1000.0)
        .sum();
    assert!((58.0..62.0).contains(&truly), "{truly}");
    assert!(
        number(&filler["low_cc"]) < truly && truly < number(&filler["high_cc"]),
        "{filler}"
    );
    let [likely, left_alone] = [
        number(&filler["most_likely_cc"]),
        number(&filler["if_substrate"]["most_likely_cc"]),
    ];
    assert!((likely / truly).ln().abs() < 0.25, "{filler}");
    assert!(left_alone > 1.3 * likely, "{filler}");
    let high = report["regions"]
        .as_array()
        .and_then(|all| all.iter().find(|r| r["kind"] == "high"))
        .expect("a high");
    assert_eq!(high["action"], "leave");
    assert_eq!(high["substrate_shows"], true);
}
