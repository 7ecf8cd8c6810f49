//! The picture, the page, the text and the files, all from one simulated judgement.

#[path = "support/fixture.rs"]
pub mod fixture;

use lowspot::judge::{Action, Interval, Judgement, LimitState, NodeState, RegionKind, Verdict};
use lowspot::panel::{Panel, Polygon};
use lowspot::show::{self, File, summary};
use lowspot::units::Units;
use std::path::Path;

fn text(j: &Judgement, panel: &Panel, units: Units, width: usize) -> String {
    let mut out = Vec::new();
    let lines = summary::lines(j, panel, units, Path::new("out"));
    summary::write_lines(&lines, width, &mut out).expect("a Vec takes everything");
    let stripped = anstream::adapter::strip_bytes(&out).into_vec();
    String::from_utf8(stripped).expect("UTF-8")
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Checks that every element of an XML text is closed in order and every `&` begins an entity.
fn assert_well_formed(xml: &str) {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = xml;
    while let Some(at) = rest.find('<') {
        let (words, from) = rest.split_at(at);
        for (n, _) in words.match_indices('&') {
            let entity = &words[n..words.len().min(n + 6)];
            assert!(
                ["&amp;", "&lt;", "&gt;", "&quot;"]
                    .iter()
                    .any(|e| entity.starts_with(e)),
                "{entity}"
            );
        }
        let end = from.find('>').expect("every < has its >");
        let tag = &from[1..end];
        assert!(!tag.contains('<'), "{tag}");
        assert_eq!(tag.matches('"').count() % 2, 0, "{tag}");
        let name = tag
            .trim_start_matches('/')
            .split([' ', '/', '\n'])
            .next()
            .expect("a name");
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "closed in order");
        } else if !tag.ends_with('/') {
            open.push(name);
        }
        rest = &from[end + 1..];
    }
    assert!(open.is_empty(), "{open:?} not closed");
}

// The map.

#[test]
fn map_png_has_the_width_asked_for_and_the_colours_of_the_panel() {
    let panel = fixture::panel();
    let j = fixture::judgement(&panel);
    let png = show::map::draw_png(&j, &panel, Units::Metric, 1800).expect("drawn");
    assert!(png.len() < 600_000, "{} bytes", png.len());
    let picture = image::load_from_memory(&png).expect("a PNG").to_rgb8();
    assert_eq!(picture.width(), 1800);
    assert!(
        (1200..2000).contains(&picture.height()),
        "{}",
        picture.height()
    );
    let count = |c: [u8; 3]| picture.pixels().filter(|p| p.0 == c).count();
    // ColorBrewer BrBG: the second teal (low) and the second brown (high), each far more than its
    // swatch.
    for colour in [[128, 205, 193], [223, 194, 125]] {
        assert!(
            count(colour) > 10_000,
            "{colour:?}: {} pixels",
            count(colour)
        );
    }
}

#[test]
fn places_that_nobody_measured_are_blank_on_the_map() {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    j.regions.clear();
    let coloured = |j: &Judgement| {
        let png = show::map::draw_png(j, &panel, Units::Metric, 900).expect("drawn");
        let picture = image::load_from_memory(&png).expect("a PNG").to_rgb8();
        // Above the legend only.
        let plot = 56 * picture.height() / 100;
        picture
            .enumerate_pixels()
            .filter(|(_, y, p)| {
                *y < plot
                    && p.0
                        .iter()
                        .max()
                        .zip(p.0.iter().min())
                        .is_some_and(|(a, b)| a - b > 20)
            })
            .count()
    };
    assert!(coloured(&j) > 10_000);
    j.nodes.state.mapv_inplace(|s| {
        if s == NodeState::Outside {
            s
        } else {
            NodeState::Unmeasured
        }
    });
    assert_eq!(coloured(&j), 0);
}

#[test]
fn map_svg_is_well_formed_and_names_every_region() {
    let panel = fixture::panel();
    for (j, units) in [
        (fixture::judgement(&panel), Units::Metric),
        (fixture::crowded(&panel), Units::Us),
    ] {
        let svg = show::map::draw_svg(&j, &panel, units).expect("drawn");
        assert_well_formed(&svg);
        assert!(svg.len() < 1_500_000, "{} bytes", svg.len());
        for region in &j.regions {
            let (bare, full) = (format!(">{}<", region.name), format!(">{} ", region.name));
            assert!(
                svg.contains(&bare) || svg.contains(&full),
                "{} is not on the map",
                region.name
            );
        }
        for words in [
            "not measured",
            "opening",
            "datum",
            "primer's reach",
            "2026-03-14",
            "true until the panel is touched",
        ] {
            assert!(svg.contains(words), "no \"{words}\"");
        }
    }
}

#[test]
fn map_in_us_units_tells_inches_and_thousandths() {
    let panel = fixture::panel();
    let j = fixture::judgement(&panel);
    let svg = show::map::draw_svg(&j, &panel, Units::Us).expect("drawn");
    // 0.85 mm is 33.5 thou; 0.30 mm is 11.8; 300 mm is 11.8 in.
    for words in [
        "L1 −33",
        "12 thou may come off",
        "12 thou under 11.8 in",
        "x, in from the datum corner",
    ] {
        assert!(svg.contains(words), "no \"{words}\"");
    }
    assert!(!svg.contains(" mm"), "millimetres among inches");
}

#[test]
fn narrow_panels_are_drawn_both_ways() {
    for turned in [false, true] {
        let (panel, j) = fixture::strip(turned);
        let png = show::map::draw_png(&j, &panel, Units::Metric, 1800).expect("drawn");
        let picture = image::load_from_memory(&png).expect("a PNG");
        assert!(picture.height() < 2600, "{}", picture.height());
        let svg = show::map::draw_svg(&j, &panel, Units::Metric).expect("drawn");
        assert!(svg.contains(">L1 −0.85<"), "turned {turned}");
        assert!(svg.contains(">4000<"), "turned {turned}");
    }
}

#[test]
fn what_cannot_be_drawn_is_an_error_and_no_panic() {
    let good = fixture::panel();
    let j = fixture::judgement(&good);
    for corners in [
        vec![],
        vec![[0.0, 0.0]],
        vec![[0.0, 0.0], [f64::NAN, 5.0], [3.0, 4.0]],
        vec![[0.0, 0.0], [1e12, 0.0], [0.0, 1e12]],
    ] {
        let panel = Panel {
            outline: Polygon(corners.clone()),
            ..fixture::panel()
        };
        assert!(
            show::map::draw_png(&j, &panel, Units::Metric, 1800).is_err(),
            "{corners:?}"
        );
        assert!(
            show::html::page(&j, &panel, Units::Metric, &[]).is_err(),
            "{corners:?}"
        );
    }
    assert!(show::map::draw_png(&j, &good, Units::Metric, 10).is_err());
}

#[test]
fn odd_numbers_in_a_judgement_do_not_stop_the_outputs() {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    let nan = Interval {
        value: f64::NAN,
        low: f64::NAN,
        high: f64::NAN,
    };
    for region in &mut j.regions {
        (region.worst_mm, region.volume_cc, region.worst_at) =
            (nan, nan, [f64::NAN, f64::INFINITY]);
    }
    j.to_level_cc = nan;
    j.flags[0].x_mm = f64::NAN;
    j.placings[0].ends[0][0] = f64::INFINITY;
    j.nodes.deviation.fill(f64::NAN);
    j.node_limit_mm = f64::NAN;
    show::map::draw_png(&j, &panel, Units::Metric, 900).expect("drawn");
    assert_well_formed(&show::map::draw_svg(&j, &panel, Units::Us).expect("drawn"));
    let page = show::html::page(&j, &panel, Units::Metric, &[]).expect("put together");
    assert!(
        !page.contains("NaN (") && !page.contains(">NaN"),
        "NaN shown to a person"
    );
    let shown = text(&j, &panel, Units::Metric, 100);
    assert!(!shown.contains("NaN"), "{shown}");
    let json = show::json::text(&j, &panel).expect("written");
    assert!(!json.contains("NaN") && !json.contains("inf"));
}

// The page.

#[test]
fn page_stands_alone_and_holds_every_section() {
    let panel = fixture::panel();
    let j = fixture::judgement(&panel);
    let page = show::html::page(&j, &panel, Units::Metric, &[]).expect("put together");
    // The names of XML's own vocabularies are no addresses to be fetched.
    let bare = page.replace("http://www.w3.org/2000/svg", "");
    for outside in ["http://", "https://", "src=", "@import", "url(http"] {
        assert!(!bare.contains(outside), "the page asks for {outside}");
    }
    assert!(page.len() < 1_500_000, "{} bytes", page.len());
    for words in [
        "<html lang=\"en\">",
        "name=\"viewport\"",
        "<title>simulated roof &#60;A&#38;B&#62;: highs and lows</title>",
        "ANOTHER CYCLE",
        "0.71 mm under a 300 mm straightedge",
        "−0.85 (0.75-0.95)",
        "A7, x 450: 13.00 mm, expected about 1.3",
        "sink",
        "ride",
        "A53: 13 readings",
        "crown, twist, section",
        "set in panel.toml",
        "cure, pinholes, mass",
        "structural plies",
        "licensed inspectors",
        "Sdq",
        "0.031 mm",
        "Waves longer than 1200 mm count as shape",
    ] {
        assert!(page.contains(words), "no \"{words}\"");
    }
}

#[test]
fn page_of_a_large_panel_stays_small() {
    let (mut panel, mut j) = fixture::strip(false);
    (panel.length_mm, panel.width_mm) = (6000.0, 2000.0);
    panel.outline = Polygon::rectangle(6000.0, 2000.0);
    let (nx, ny) = (601, 201);
    j.nodes.grid = lowspot::judge::Grid {
        step_mm: 10.0,
        nx,
        ny,
    };
    let of = |f: fn(f64, f64) -> f64| {
        ndarray::Array2::from_shape_fn((ny, nx), |(iy, ix)| f(ix as f64, iy as f64))
    };
    j.nodes.deviation = of(|x, y| 0.4 * (x / 9.0).sin() * (y / 7.0).cos());
    for values in [
        &mut j.nodes.height,
        &mut j.nodes.reference,
        &mut j.nodes.fairness,
        &mut j.nodes.sd,
        &mut j.nodes.reading_distance,
    ] {
        *values = of(|_, _| 0.03);
    }
    j.nodes.state = ndarray::Array2::from_elem((ny, nx), NodeState::Fair);
    j.nodes.region = ndarray::Array2::zeros((ny, nx));
    let page = show::html::page(&j, &panel, Units::Metric, &[]).expect("put together");
    assert!(page.len() < 1_500_000, "{} bytes", page.len());
    assert!(page.contains("Tapped spots are 20 mm apart"));
    let svg = show::map::draw_svg(&j, &panel, Units::Metric).expect("drawn");
    assert!(svg.len() < 1_500_000, "{} bytes", svg.len());
}

#[test]
fn a_name_cannot_break_out_of_the_page() {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    j.panel_name = "</title><script>alert(1)</script>".into();
    j.flags[0].reason = "</script><b>".into();
    j.regions[0].name = "</script>".into();
    let page = show::html::page(&j, &panel, Units::Metric, &[]).expect("put together");
    assert!(!page.contains("<script>alert"));
    assert_eq!(
        page.matches("</script>").count(),
        2,
        "one for the data, one for the script"
    );
}

// The files.

#[test]
fn surface_csv_gives_every_node_back() {
    let panel = fixture::panel();
    let j = fixture::judgement(&panel);
    let written = show::csv::surface(&j.nodes);
    let mut reader = csv::Reader::from_reader(written.as_bytes());
    let header: Vec<String> = reader
        .headers()
        .expect("a header")
        .iter()
        .map(String::from)
        .collect();
    assert_eq!(
        header,
        [
            "x_mm",
            "y_mm",
            "height_mm",
            "reference_mm",
            "deviation_mm",
            "sd_mm",
            "state"
        ]
    );
    let rows: Vec<csv::StringRecord> = reader
        .records()
        .collect::<Result<_, _>>()
        .expect("every row has seven fields");
    assert_eq!(rows.len(), 181 * 121);
    let mut outside = 0;
    for (n, row) in rows.iter().enumerate() {
        let (iy, ix) = (n / 181, n % 181);
        assert_eq!(
            (&row[0], &row[1]),
            (&*(10 * ix).to_string(), &*(10 * iy).to_string())
        );
        assert_eq!(&row[6], j.nodes.state[[iy, ix]].word());
        if row[6].is_empty() {
            outside += 1;
            assert!(
                (2..6).all(|c| row[c].is_empty()),
                "numbers outside the outline at row {n}"
            );
            continue;
        }
        for (column, values) in [
            (2, &j.nodes.height),
            (3, &j.nodes.reference),
            (4, &j.nodes.deviation),
            (5, &j.nodes.sd),
        ] {
            let got: f64 = row[column].parse().expect("a number");
            assert!(
                (got - values[[iy, ix]]).abs() <= 0.51e-5,
                "row {n} column {column}"
            );
        }
    }
    assert!(outside > 100, "{outside}");
    assert!(!written.contains("NaN") && !written.contains("-0.00000"));
}

#[test]
fn report_json_has_the_keys_of_its_contract() {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    j.texture.sdq = f64::NAN;
    let report: serde_json::Value =
        serde_json::from_str(&show::json::text(&j, &panel).expect("written")).expect("JSON");
    assert_eq!(report["schema"], 1);
    assert_eq!(report["panel"], "simulated roof <A&B>");
    for (path, expected) in [
        ("/survey/placings", serde_json::json!(53)),
        ("/survey/readings", serde_json::json!(688)),
        ("/survey/flagged/0/placing", serde_json::json!("A7")),
        ("/survey/flagged/0/value_mm", serde_json::json!(13.0)),
        ("/survey/flagged/0/expected_mm", serde_json::json!(1.3)),
        ("/survey/shortest_wave_mm", serde_json::json!(100.0)),
        ("/survey/repeatability_mm", serde_json::json!(0.031)),
        ("/limits/0/base_mm", serde_json::json!(300.0)),
        ("/limits/0/gap_mm", serde_json::json!(0.3)),
        ("/limits/0/worst_mm", serde_json::json!(0.71)),
        ("/limits/0/state", serde_json::json!("exceeded")),
        ("/limits/1/worst_mm", serde_json::Value::Null),
        ("/limits/1/state", serde_json::json!("not-checked")),
        ("/filler/to_level_cc", serde_json::json!(68.0)),
        ("/regions/0/name", serde_json::json!("L1")),
        ("/regions/0/kind", serde_json::json!("low")),
        ("/regions/0/x_mm", serde_json::json!(420.0)),
        ("/regions/0/worst_mm", serde_json::json!(-0.85)),
        ("/regions/0/action", serde_json::json!("fill")),
        ("/regions/0/needs_cycle", serde_json::json!(true)),
        ("/height/Sa_mm", serde_json::json!(0.081)),
        ("/height/Sdq", serde_json::Value::Null),
        ("/references/1/name", serde_json::json!("sink")),
        ("/references/1/sand_cc", serde_json::json!(77.0)),
        ("/verdict", serde_json::json!("another-cycle")),
    ] {
        assert_eq!(report.pointer(path), Some(&expected), "{path}");
    }
    for path in [
        "/limits/0/low95",
        "/limits/0/high95",
        "/limits/0/p_exceeds",
        "/limits/0/could_be_mm",
        "/limits/0/blind_mm",
        "/filler/low_cc",
        "/filler/high_cc",
        "/regions/0/area_cm2",
        "/regions/0/volume_cc",
        "/regions/0/low_cc",
        "/regions/0/high_cc",
        "/height/Sq_mm",
        "/height/Sz_mm",
    ] {
        assert!(
            report
                .pointer(path)
                .is_some_and(serde_json::Value::is_number),
            "{path}"
        );
    }
    assert!(report["reasons"].is_array() && report["not_checked"].is_array());
}

#[test]
fn files_are_written_all_or_none() {
    let home = tempfile::tempdir().expect("a folder");
    let out = home.path().join("new/out");
    let files = [File::new("a.txt", "one"), File::new("b.txt", "two")];
    show::write_all(&out, &files).expect("written");
    assert_eq!(
        std::fs::read_to_string(out.join("b.txt")).expect("there"),
        "two"
    );
    assert_eq!(
        std::fs::read_dir(&out).expect("there").count(),
        3,
        "these, the list of them, and nothing else"
    );

    // A folder in the way of the second file: the first stays as it was.
    std::fs::create_dir(out.join("c.txt")).expect("made");
    let refused = show::write_all(
        &out,
        &[File::new("a.txt", "changed"), File::new("c.txt", "x")],
    );
    let message = refused.expect_err("a folder is in the way").to_string();
    assert!(
        message.contains("c.txt") && message.contains("--out"),
        "{message}"
    );
    assert_eq!(
        std::fs::read_to_string(out.join("a.txt")).expect("there"),
        "one"
    );
    assert_eq!(std::fs::read_dir(&out).expect("there").count(), 4);
}

#[test]
fn a_file_where_the_folder_should_be_is_named() {
    let home = tempfile::tempdir().expect("a folder");
    let taken = home.path().join("out");
    std::fs::write(&taken, "a file").expect("written");
    let message = show::write_all(&taken, &[File::new("a.txt", "one")])
        .expect_err("refused")
        .to_string();
    assert!(
        message.contains("out") && message.contains("--out"),
        "{message}"
    );
    assert_eq!(std::fs::read_to_string(&taken).expect("there"), "a file");
}

// The summary.

#[test]
fn summary_tells_the_work_in_its_order() {
    let panel = fixture::panel();
    let j = fixture::judgement(&panel);
    let shown = text(&j, &panel, Units::Metric, 100);
    let rows = shown.lines().count();
    assert!((10..=22).contains(&rows), "{rows} lines:\n{shown}");
    assert!(shown.lines().all(|l| l.chars().count() <= 100), "{shown}");
    let words = one_line(&shown);
    let mut last = 0;
    for part in [
        "ANOTHER CYCLE simulated roof <A&B>: 0.71 mm under a 300 mm straightedge at x 420 y 820; 0.30 is allowed.",
        "1 SAND FIRST high H1, looks like a tape seam, x 1390-1510 y 500-1090: 0.48 mm proud (0.42-0.54). 0.20 mm off \
         (0.30 mm allowed) saves 30 cc (24-36) against leaving it. Each further 0.1 mm off would save 14 cc (10-18). Stop: guide coat gone, or substrate showing.",
        "2 FILL low L1, x 240-600 y 690-950: 0.85 mm deep (0.75-0.95), 35 cc (28-42).",
        "3 FILL low L2",
        "4 FILLER to level: most likely 71 cc (58-78), against the skin; 68 cc on the map as found.",
        "5 MEASURE Two placings along x at y 60 and y 120",
        "LEFT OUT A7, x 450: 13.00 mm, expected about 1.3",
        "NOT CHECKED crown, twist, section; 600 mm base",
        "ALSO OPEN before primer: cure, pinholes, mass",
        "CARE Dust: extract it, wear a P3 or P100 mask",
        "sensitise",
        "do not sand structural plies",
        "MAP out/map.png",
        "true until the panel is touched (survey of 2026-03-14)",
    ] {
        let at = words
            .find(part)
            .unwrap_or_else(|| panic!("no \"{part}\" in:\n{words}"));
        assert!(at >= last, "\"{part}\" comes too early");
        last = at;
    }
}

#[test]
fn the_balance_of_a_moving_surface_comes_before_any_amount() {
    let panel = Panel {
        moving_surface: true,
        ..fixture::panel()
    };
    let j = fixture::judgement(&panel);
    let words = one_line(&text(&j, &panel, Units::Metric, 100));
    let caution = words.find("lead to flutter").expect("said");
    for amount in ["cc", "mm deep"] {
        assert!(words.find(amount).expect("an amount") > caution);
    }
    for soothing in ["small enough", "safe", "negligible"] {
        assert!(!words.contains(soothing));
    }
    let page = show::html::page(&j, &panel, Units::Metric, &[]).expect("put together");
    assert!(page.find("lead to flutter") < page.find("<h2 id=\"work\">"));
}

#[test]
fn many_regions_share_a_line() {
    let panel = fixture::panel();
    let j = fixture::crowded(&panel);
    let words = one_line(&text(&j, &panel, Units::Metric, 100));
    // 22 lows of 40, 39 … 19 cc: 40+39+38+37 are told, 36+…+19 = 495 cc are not.
    assert!(
        words.contains("18 more lows, 495 cc together, in report.html"),
        "{words}"
    );
    assert!(words.contains("would save 14 cc (10-18). Only where the film or the designer allows it. Leave highs H2, H3"), "{words}");
}

#[test]
fn a_fair_panel_asks_for_nothing() {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    j.regions.clear();
    j.flags.clear();
    j.measure_next.clear();
    j.verdict = Verdict::Fair;
    j.to_level_cc = Interval::default();
    j.limits[0].state = LimitState::Met;
    let shown = text(&j, &panel, Units::Metric, 100);
    // 157 mm, rounded up so that it stays true.
    assert!(
        shown.starts_with("FAIR to anything wider than 160 mm"),
        "{shown}"
    );
    assert!(shown.contains("1 FILLER      none"), "{shown}");
    assert!(
        !shown.contains("CARE") && !shown.contains("ready"),
        "{shown}"
    );
}

#[test]
fn summary_in_us_units_and_on_a_small_screen() {
    let panel = fixture::panel();
    let j = fixture::judgement(&panel);
    let shown = text(&j, &panel, Units::Us, 44);
    assert!(shown.lines().all(|l| l.chars().count() <= 44), "{shown}");
    let words = one_line(&shown);
    assert!(
        words.contains("33 thou deep (29-37), 1.2 fl oz (0.9-1.4)"),
        "{words}"
    );
    assert!(words.contains("x 9.4-23.6 y 27.2-37.4 in"), "{words}");
}

#[test]
fn control_characters_in_names_do_not_reach_the_terminal() {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    j.panel_name = "roof\u{1b}[2J\u{7}".into();
    let mut out = Vec::new();
    summary::write_lines(
        &summary::lines(&j, &panel, Units::Metric, Path::new("out")),
        100,
        &mut out,
    )
    .expect("written");
    assert!(String::from_utf8_lossy(&out).contains("roof<U+001B>[2J<U+0007>"));
}

#[test]
fn every_action_has_its_place_in_the_summary() {
    let panel = Panel {
        sheet_metal: true,
        ..fixture::panel()
    };
    let mut j = fixture::crowded(&panel);
    j.sand_allowance_given = false;
    j.regions.truncate(6);
    let actions = [
        Action::MoveTheSkin,
        Action::Prime,
        Action::Leave,
        Action::Measure,
        Action::Fill,
        Action::Prime,
    ];
    for (region, action) in j.regions.iter_mut().zip(actions) {
        region.action = action;
    }
    j.regions[5].kind = RegionKind::High;
    let words = one_line(&text(&j, &panel, Units::Metric, 100));
    for part in [
        "1 MOVE SKIN low L1",
        "2 FILL low L5",
        "4 PRIME low L2; high L6: shallow enough for high-build primer.",
        "5 LEAVE low L3.",
        "6 MEASURE Low L4: what is known does not decide.",
    ] {
        assert!(words.contains(part), "no \"{part}\" in {words}");
    }
}

/// Not a check: writes what a person should look at (`cargo test -- --ignored pictures`, then the
/// folder it names).
#[test]
#[ignore = "writes pictures to look at"]
fn pictures_to_look_at() {
    let out = std::env::temp_dir().join("lowspot-show");
    let panel = fixture::panel();
    let (plain, crowded) = (fixture::judgement(&panel), fixture::crowded(&panel));
    let (strip_panel, strip) = fixture::strip(false);
    let (post_panel, post) = fixture::strip(true);
    let mut files = Vec::new();
    for (name, j, panel, units) in [
        ("plain", &plain, &panel, Units::Metric),
        ("crowded", &crowded, &panel, Units::Us),
        ("strip", &strip, &strip_panel, Units::Metric),
        ("post", &post, &post_panel, Units::Metric),
    ] {
        let began = std::time::Instant::now();
        let png = show::map::draw_png(j, panel, units, show::map::PNG_WIDTH).expect("drawn");
        let svg = show::map::draw_svg(j, panel, units).expect("drawn");
        let page = show::html::page(j, panel, units, &[]).expect("put together");
        eprintln!("{name}: {:?}", began.elapsed());
        files.push(File::new(&format!("{name}.png"), png));
        files.push(File::new(&format!("{name}.svg"), svg));
        files.push(File::new(&format!("{name}.html"), page));
    }
    show::write_all(&out, &files).expect("written");
    eprintln!("{}", out.display());
}
