//! The made-up workshop in `samples/workshop/`: four small panels over a spring, made anew here to
//! the letter, and `lowspot demo` that enters them into a job book.
//!
//! No such panels exist. What each panel truly was at each survey is written down in [`sheets`];
//! how a cycle changes it is the simulated shop floor's physics (`support/shop_floor.rs`) put into
//! closed form, so that these files do not depend on what the program itself would plan: a low that
//! was filled is dished by 3 to 5 % of its depth, one that was missed stays, a high that was sanded
//! keeps a tenth, and the board leaves waves of 0.03 to 0.05 mm rms, 100 to 400 mm long.
//! `LOWSPOT_REMAKE_SAMPLES=1` rewrites the readings.

use crate::support;
use crate::support::shop_floor::Ripple;
use crate::support::simulate::{self, Bump, SurveyPlan};
use lowspot::observe::{Conditions, Placing, Survey};
use lowspot::panel::Panel;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// One survey: what the panel truly was, how it was measured, and what the paper says above the
/// readings.
struct Sheet {
    /// Its file in `samples/workshop/`.
    file: &'static str,
    /// The panel's file there.
    panel: &'static str,
    lows_and_highs: Vec<Bump>,
    /// Waves that a board left: seed and rms in mm.
    waves: Option<(u64, f64)>,
    /// Depth of the core's print, crest to trough, mm.
    print_mm: f64,
    plan: SurveyPlan,
    seed: u64,
    head: &'static str,
    day: [&'static str; 2],
    skin_c: f64,
    supports: &'static str,
}

/// Pitch of the scored core under the bulkhead door, mm.
const CORE_MM: f64 = 40.0;
/// What a filled low keeps of its depth, dished.
const DISHED: f64 = 0.04;
/// What a sanded high keeps.
const SANDED: f64 = 0.1;

impl Sheet {
    fn survey(&self) -> Survey {
        let panel = panel_of(self.panel);
        let waves = self.waves.map(|(seed, rms)| {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            (rms, Ripple::new(&mut rng, 100.0, 400.0))
        });
        let k = std::f64::consts::TAU / CORE_MM;
        let height = |x: f64, y: f64| {
            let bumps: f64 = self.lows_and_highs.iter().map(|b| b.at(x, y)).sum();
            let board = waves.as_ref().map_or(0.0, |(rms, w)| rms * w.at(x, y));
            bumps + board + self.print_mm / 4.0 * ((k * x).cos() + (k * y).cos())
        };
        let mut survey = simulate::survey_of(&height, &panel, &self.plan, self.seed);
        // One placing a second time, so that it is known how well a reading repeats.
        let mut rng = simulate::survey_rng(self.seed + 1000);
        let (name, stretch) = &simulate::stretches(&panel, &self.plan)[1];
        let again = simulate::place(&height, &panel, &self.plan, name, *stretch, &mut rng);
        survey
            .placings
            .extend(again.map(|p| Placing { repeat: 1, ..p }));
        survey.conditions = Conditions {
            panel: Some(panel.name),
            date: Some(self.day[0].into()),
            by: Some(self.day[1].into()),
            skin_c: Some(self.skin_c),
            supports: Some(self.supports.into()),
            block: None,
        };
        survey
    }

    fn notes(&self) -> String {
        format!(
            "# Made up: see README.md beside this file.\n{}{}",
            self.head,
            simulate::notes(&self.survey())
        )
    }
}

fn low(centre: [f64; 2], height_mm: f64, sigma_mm: [f64; 2]) -> Bump {
    Bump {
        centre,
        height_mm,
        sigma_mm,
        angle: 0.0,
    }
}

/// What a bump is after a cycle that left this share of it.
fn left(bump: &Bump, share: f64) -> Bump {
    Bump {
        height_mm: bump.height_mm * share,
        ..bump.clone()
    }
}

/// Lows and highs after a cycle: those of these numbers were filled or sanded, the others were
/// missed.
fn worked(bumps: &[Bump], on: &[usize]) -> Vec<Bump> {
    let share = |k: usize, b: &Bump| match (on.contains(&k), b.height_mm < 0.0) {
        (false, _) => 1.0,
        (true, true) => DISHED,
        (true, false) => SANDED,
    };
    bumps
        .iter()
        .enumerate()
        .map(|(k, b)| left(b, share(k, b)))
        .collect()
}

fn feelers(spacing_mm: f64) -> SurveyPlan {
    SurveyPlan::straightedge(spacing_mm)
}

/// A dial set into a 300 mm edge, read each 10 mm: fine enough to see a core.
fn fine() -> SurveyPlan {
    SurveyPlan {
        edge_mm: 300.0,
        advance_mm: 250.0,
        step_mm: 10.0,
        ..SurveyPlan::straightedge(110.0).with_noise(0.015, 0.01)
    }
}

/// All surveys.
fn sheets() -> Vec<Sheet> {
    [hatch(), side(), door(), lid()]
        .into_iter()
        .flatten()
        .collect()
}

/// 800 × 600, three surveys: done.
fn hatch() -> Vec<Sheet> {
    let came = vec![
        low([220.0, 200.0], -0.95, [80.0, 60.0]),
        low([560.0, 380.0], -0.70, [70.0, 90.0]),
        low([380.0, 500.0], -0.50, [45.0, 55.0]),
        low([640.0, 140.0], 0.30, [40.0, 60.0]),
    ];
    let first = worked(&came, &[0, 1, 3]);
    let second = worked(&first, &[0, 1, 2, 3]);
    let sheet = |file, bumps, waves, seed, day| Sheet {
        file,
        panel: "hatch.toml",
        lows_and_highs: bumps,
        waves,
        print_mm: 0.0,
        plan: feelers(80.0),
        seed,
        head: "# Hatch cover, glass both sides of foam. On the bench, two battens under it.\n",
        day,
        skin_c: 18.0,
        supports: "bench, battens at x 150 650",
    };
    vec![
        sheet("hatch-1.txt", came, None, 31, ["2026-03-02", "K"]),
        sheet(
            "hatch-2.txt",
            first,
            Some((32, 0.045)),
            32,
            ["2026-03-06", "K"],
        ),
        sheet(
            "hatch-3.txt",
            second,
            Some((33, 0.030)),
            33,
            ["2026-03-12", "M"],
        ),
    ]
}

/// 900 × 700, three surveys: one more cycle is worth it.
fn side() -> Vec<Sheet> {
    let came = vec![
        low([200.0, 480.0], -1.20, [90.0, 70.0]),
        low([640.0, 250.0], -0.85, [110.0, 60.0]),
        low([450.0, 560.0], -0.55, [60.0, 60.0]),
        low([760.0, 590.0], -0.60, [50.0, 70.0]),
        low([330.0, 160.0], 0.35, [35.0, 80.0]),
    ];
    let first = worked(&came, &[0, 1, 4]);
    // The low near the corner is filled short: more than half of it is left.
    let mut second = worked(&first, &[0, 1, 2, 4]);
    second[3] = left(&first[3], 0.6);
    let sheet = |file, bumps, waves, seed, day| Sheet {
        file,
        panel: "side.toml",
        lows_and_highs: bumps,
        waves,
        print_mm: 0.0,
        plan: feelers(100.0),
        seed,
        head: "# Cabin side, left. Upright on two trestles, door shut.\n",
        day,
        skin_c: 19.0,
        supports: "trestles at x 200 700",
    };
    vec![
        sheet("side-1.txt", came, None, 41, ["2026-04-13", "M"]),
        sheet(
            "side-2.txt",
            first,
            Some((42, 0.05)),
            42,
            ["2026-04-18", "M"],
        ),
        sheet(
            "side-3.txt",
            second,
            Some((43, 0.05)),
            43,
            ["2026-04-24", "K"],
        ),
    ]
}

/// 700 × 600 over a scored core: fair enough before the post-cure, printed after it.
fn door() -> Vec<Sheet> {
    let bumps = vec![
        low([240.0, 340.0], -0.35, [90.0, 70.0]),
        low([520.0, 180.0], -0.25, [60.0, 60.0]),
    ];
    let sheet = |file, print_mm, seed, head, day| Sheet {
        file,
        panel: "door.toml",
        lows_and_highs: bumps.clone(),
        waves: Some((51, 0.03)),
        print_mm,
        plan: fine(),
        seed,
        head,
        day,
        skin_c: 20.0,
        supports: "flat on the bench",
    };
    vec![
        sheet(
            "door-1.txt",
            0.0,
            52,
            "# Bulkhead door, before the post-cure. Dial in a 300 edge, each 10.\n",
            ["2026-05-04", "K"],
        ),
        sheet(
            "door-2.txt",
            0.08,
            53,
            "# Bulkhead door, the morning after the post-cure. Dial in a 300 edge, each 10. Squares can be felt.\n",
            ["2026-05-07", "K"],
        ),
    ]
}

/// 600 × 600, one survey.
fn lid() -> Vec<Sheet> {
    vec![Sheet {
        file: "lid-1.txt",
        panel: "lid.toml",
        lows_and_highs: vec![
            low([200.0, 250.0], -0.80, [70.0, 80.0]),
            low([450.0, 430.0], -0.55, [60.0, 50.0]),
        ],
        waves: None,
        print_mm: 0.0,
        plan: feelers(100.0),
        seed: 61,
        head: "# Battery lid, washed and scuffed.\n",
        day: ["2026-05-11", "M"],
        skin_c: 17.0,
        supports: "on its rim, on the bench",
    }]
}

// ---------------------------------------------------------------------------------------------
// tests

fn place(file: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("samples/workshop")
        .join(file)
}

fn committed(file: &str) -> String {
    std::fs::read_to_string(place(file)).unwrap_or_else(|e| panic!("{file}: {e}"))
}

fn panel_of(file: &str) -> Panel {
    support::panel(&committed(file))
}

#[test]
fn the_workshops_readings_are_as_the_generator_makes_them() {
    for sheet in sheets() {
        let made = sheet.notes();
        if std::env::var_os("LOWSPOT_REMAKE_SAMPLES").is_some() {
            std::fs::write(place(sheet.file), &made).unwrap();
        }
        assert_eq!(
            committed(sheet.file),
            made,
            "samples/workshop/{}",
            sheet.file
        );
    }
}

#[test]
fn the_workshops_page_states_its_counts() {
    let page = committed("README.md");
    for sheet in sheets() {
        let survey = sheet.survey();
        let row = format!(
            "`{}` | {} | {} |",
            sheet.file,
            survey.placings.len(),
            survey.taken()
        );
        assert!(page.contains(&row), "{row}");
    }
}

fn demo(folder: &Path) -> String {
    let out = Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .args(["demo", "--out"])
        .arg(folder)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8(out.stdout).unwrap()
}

fn json(args: &[&str], book: &Path) -> Value {
    let out = Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .args(args)
        .args(["--json", "--book"])
        .arg(book)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    serde_json::from_slice(&out.stdout).unwrap()
}

/// The whole way of a new user: the demo makes the book, and the book answers.
#[test]
fn the_demo_makes_a_job_book_that_answers() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("demo");
    let told = demo(&folder);
    assert!(told.contains("made-up workshop"), "{told}");
    let book = folder.join("workshop/workshop.lowspot");
    let found = lowspot::keep::check::file(&book).unwrap();
    assert_eq!(found.faults, Vec::<String>::new());
    assert_eq!((found.panels, found.results), (4, sheets().len()));

    let floor = json(&["floor"], &book);
    let row = |name: &str| {
        let rows = floor["panels"].as_array().unwrap();
        rows.iter().find(|r| r["name"] == name).unwrap().clone()
    };
    assert_eq!(row("hatch cover")["stage"], "ready for primer");
    assert_eq!(row("hatch cover")["hands_on_hours"], 0.0);
    let held = row("battery lid")["held_by"].as_str().unwrap().to_string();
    assert!(held.contains("wet") && held.contains("until"), "{held}");
    assert!(row("battery lid")["free_at"].is_string());
    assert!(row("battery lid")["waiting_hours"].as_f64().unwrap() > 30.0);

    let trend = json(&["trend", "cabin side"], &book);
    assert_eq!(trend["cycles"].as_array().unwrap().len(), 3);
    assert_eq!(trend["advice"]["advice"], "another-cycle");
    assert!(trend["advice"]["forecast"]["to_mm"].as_f64().unwrap() > 0.0);
    // What the demo says to try: the print that the post-cure brought.
    assert!(told.contains("moved \"bulkhead door\""), "{told}");
    let out = dir.path().join("moved");
    let moved = json(
        &["moved", "bulkhead door", "--out", out.to_str().unwrap()],
        &book,
    );
    let print = &moved["repeats"]["found"][0];
    let pitch = print["pitch_mm"]["value"].as_f64().unwrap();
    assert!((pitch / CORE_MM - 1.0).abs() < 0.03, "{print}");
    assert!(
        moved["between"].to_string().contains("post-cure"),
        "{moved}"
    );

    what_the_survey_repeats_is_passed_on(&book, dir.path());
    a_packet_begins_with_how_each_panel_stands(&book, dir.path());
    what_hangs_on_the_wall_says_stale_and_held(&book, dir.path());

    let struck = lowspot::keep::Book::open(&book).unwrap();
    let entries = struck.entries("hatch cover").unwrap();
    assert_eq!(entries.iter().filter(|e| !e.stands()).count(), 1);
}

/// What a command says, its white space made single; its files go into a folder.
fn said(args: &[&str], book: &Path, out: &Path) -> String {
    let ran = Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .args(args)
        .arg("--book")
        .arg(book)
        .arg("--out")
        .arg(out)
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&ran.stderr);
    assert!(ran.status.success(), "{args:?}: {told}");
    let told = String::from_utf8(ran.stdout).unwrap();
    told.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The core that prints through the door since its post-cure.
fn what_the_survey_repeats_is_passed_on(book: &Path, out: &Path) {
    const MAKES: &str = "Find out what makes it before it is filled";
    let trend = said(&["trend", "bulkhead door"], book, out);
    assert!(trend.contains("REPEATS Each 40."), "{trend}");
    assert!(trend.contains(MAKES), "{trend}");
    let moved = said(&["moved", "bulkhead door"], book, out);
    let headline = "MOVED: no patch moved, but a pitch came or went, see REPEATS";
    assert!(moved.starts_with(headline), "{moved}");
    let plan = said(&["plan", "bulkhead door"], book, out);
    let (repeats, work) = (plan.find("REPEATS Each 40."), plan.find("WORK, in order"));
    assert!(repeats.is_some() && repeats < work, "{plan}");
    let page = std::fs::read_to_string(out.join("plan.html")).unwrap();
    let repeats = page.find("<p class=\"first\">Repeats: Each 40.");
    assert!(repeats.is_some() && repeats < page.find("<h2 id=\"work\">"));
    let floor = said(&["floor"], book, out);
    assert!(floor.contains("repeats each 40."), "{floor}");
    assert_eq!(floor.matches("repeats each").count(), 1, "{floor}");
    let json = json(&["trend", "bulkhead door"], book);
    let pitch = json["repeats"][0]["pitch_mm"]["value"].as_f64().unwrap();
    assert!((pitch / CORE_MM - 1.0).abs() < 0.03, "{pitch}");
    // Another panel has none.
    assert!(!said(&["trend", "cabin side"], book, out).contains("REPEATS"));
}

fn a_packet_begins_with_how_each_panel_stands(book: &Path, out: &Path) {
    said(&["packet", "cabin side"], book, out);
    let page = std::fs::read_to_string(out.join("packet.html")).unwrap();
    let place = |words: &str| page.find(words).unwrap_or_else(|| panic!("no {words}"));
    let summary = place("<dt>Last survey</dt><dd>another cycle, 2026-04-24 (entry 22)");
    assert!(summary < place("<h2>Entries</h2>"));
    assert!(place("<dt>Ready for primer</dt><dd>not yet, open: ") < place("<h2>Entries</h2>"));
    assert!(place("<dt>Filler put on</dt><dd>") < place("<h2>Entries</h2>"));
    let log = &page[place("<h2>Entries</h2>")..place("<h2>Trend</h2>")];
    assert_eq!(log.matches("verdict another cycle").count(), 3, "{log}");
    // Sentences flow, the table is a table; one key of colours.
    let trend = &page[place("<h2>Trend</h2>")..place("<h2>Maps</h2>")];
    assert!(!trend.contains("<pre"), "{trend}");
    assert!(trend.contains("<td data-l=\"to level\">"), "{trend}");
    assert_eq!(page.matches("teal low, brown high, mm").count(), 1);
    assert!(place("<figure class=\"map\">") < place("teal low, brown high, mm"));
    assert!(!page.contains("<p class=\"pressing\">"));

    said(&["packet", "battery lid"], book, out);
    let page = std::fs::read_to_string(out.join("packet.html")).unwrap();
    let stale = page
        .find("<p class=\"pressing\"><b>TOUCHED SINCE</b> entry 32")
        .unwrap();
    let held = page
        .find("<p class=\"pressing\"><b>HANDS OFF</b> M is at it")
        .unwrap();
    assert!(stale < held && held < page.find("<dt>Last survey</dt>").unwrap());
}

fn what_hangs_on_the_wall_says_stale_and_held(book: &Path, out: &Path) {
    said(&["floor"], book, out);
    let page = std::fs::read_to_string(out.join("floor.html")).unwrap();
    // Grouped by what hands can do; each panel once.
    let now = page.find("<h2>Now</h2>").unwrap();
    let ask = page.find("<h2>Ask first</h2>").unwrap();
    assert!(now < ask, "{page}");
    for name in ["cabin side", "bulkhead door", "hatch cover", "battery lid"] {
        let row = format!("<th scope=\"row\">{name}</th>");
        assert_eq!(page.matches(&row).count(), 1, "{name}");
        assert_eq!(
            page.find(&row).unwrap() > ask,
            name == "battery lid",
            "{name}"
        );
    }
    let lid = &page[page.find("battery lid</th>").unwrap()..];
    let row = &lid[..lid.find("</tr>").unwrap()];
    for words in [
        "<b>TOUCHED SINCE</b> entry 32 (fill",
        "<b>HANDS OFF</b> M is at it until",
        "then, not before",
    ] {
        let place = row.find(words).expect(words);
        let label = words.starts_with("<b>");
        assert!(
            !label || row[..place].ends_with("<p class=\"warn\">"),
            "{words}"
        );
    }
}
