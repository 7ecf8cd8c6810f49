//! What sound files are read as: panels, notes, tables and blank forms, and that nothing makes a
//! reader panic.
//!
//! Panels and readings here are made up.

use crate::support::{all, folder, panel, roof};
use lowspot::observe::blank::{self, BlankOptions};
use lowspot::observe::{self, FileRead, Placing, Survey, Tool, notes, table};
use lowspot::panel::{Form, Panel, Quantity, file};
use proptest::prelude::*;

fn sound_notes(text: &str, panel: &Panel) -> FileRead {
    let read = notes::parse(text, "roof.txt", panel, &[]);
    assert!(read.faults.is_empty(), "{}\n{text}", all(&read.faults));
    read
}

fn sound_table(text: &str) -> FileRead {
    let read = table::parse(text, "roof.csv", &roof(), &[]);
    assert!(read.faults.is_empty(), "{}\n{text}", all(&read.faults));
    read
}

fn values(placing: &Placing) -> Vec<Option<f64>> {
    placing.readings.iter().map(|r| r.value_mm).collect()
}

fn spots(placing: &Placing) -> Vec<[f64; 2]> {
    placing.readings.iter().map(|r| [r.x, r.y]).collect()
}

// Notes form.

const WRITTEN: &str = "\
# first lines are often remarks
panel cabin roof
date  2026-03-14   by K   skin 19 C   supports x 300 900 1500
tool  straightedge 600   step 50   unit mm
A1  x 0 to 600   y 100       : 0.00 0.10 0.25 ? 0.60 0.55 0,40 0.30 0.25 0.15 0.10 0.05 0.00  # fine
A2  x 300        y 0 to 600  : 0.00 0.05 0.10 0.15 0.20 0.25 0.30 0.25 0.20 0.15 0.10 0.05 0.00
A1  again                    : 0.00 0.10 0.20 0.40 0.60 0.55 0.40 0.30 0.25 0.15 0.10 0.05 0.00
A1  turned                   : 0.00 0.10 0.20 0.40 0.60 0.55 0.40 0.30 0.25 0.15 0.10 0.05 0.00
";

#[test]
fn notes_are_read_as_they_were_written() {
    let read = sound_notes(WRITTEN, &roof());
    let c = &read.conditions;
    assert_eq!(c.panel.as_deref(), Some("cabin roof"));
    assert_eq!(c.date.as_deref(), Some("2026-03-14"));
    assert_eq!(c.by.as_deref(), Some("K"));
    assert_eq!(c.skin_c, Some(19.0));
    assert_eq!(c.supports.as_deref(), Some("x 300 900 1500"));
    assert!(read.warnings.is_empty(), "{:?}", read.warnings);
    let labels: Vec<String> = read.placings.iter().map(Placing::label).collect();
    assert_eq!(labels, ["A1", "A2", "A1 again", "A1 turned (2)"]);
    let a1 = &read.placings[0];
    assert_eq!(
        (a1.tool, a1.base_mm, a1.toward),
        (Tool::Straightedge, 600.0, [1.0, 0.0])
    );
    assert_eq!(a1.readings[3].value_mm, None);
    assert_eq!(a1.readings[6].value_mm, Some(0.40));
    assert_eq!((a1.readings[6].x, a1.readings[6].y), (300.0, 100.0));
    assert_eq!((a1.readings[1].line, a1.readings[1].column), (5, 37));
    assert_eq!(a1.echo(), "A1: 13 readings, 0.00 to 0.60, one not taken");
    assert_eq!(spots(&read.placings[2]), spots(a1));
    assert_eq!(read.placings[1].toward, [0.0, 1.0]);
}

#[test]
fn units_stand_where_they_are_written() {
    let check = |unit: &str, written: &str, expected: f64| {
        let read = sound_notes(
            &format!("step 300 unit {unit}\nA1 x 0 to 600 y 100 : 0 {written} 0\n"),
            &roof(),
        );
        let found = read.placings[0].readings[1].value_mm;
        assert!(
            found.is_some_and(|v| (v - expected).abs() < 1e-12),
            "{unit} {written}: {found:?}"
        );
    };
    check("mm", "0.25", 0.25);
    check("hundredths", "25", 0.25);
    check("thou", "10", 0.254);
    check("thou", "2.5", 0.0635);
    check("in", "0,010", 0.254);
    check("cm", "0.1", 1.0);
    let inches = sound_notes(
        "tool straightedge 24 in step 2 in unit thou\nA1 x 0 to 24 in y 4in : 0 1 2 3 4 5 6 5 4 3 2 1 0\n",
        &roof(),
    );
    let last = &inches.placings[0].readings[12];
    assert!(
        (last.x - 609.6).abs() < 1e-9 && (last.y - 101.6).abs() < 1e-9,
        "{last:?}"
    );
    assert!((inches.placings[0].base_mm - 609.6).abs() < 1e-9);
}

#[test]
fn header_lines_hold_until_changed() {
    let read = sound_notes(
        "unit mm step 300 sd 0.05 mm\nA1 x 0 to 600 y 100 : 0 1 0\n\
         tool wave gauge 100 sd none unit thou\nW1 x 100 to 700 y 200 : 0 -1 1\n\
         tool batten step 100\nB1: x 600 to 300 y 300 : 0 10 5 0\n",
        &roof(),
    );
    let p = &read.placings;
    assert_eq!(p[0].readings[0].sd_mm, Some(0.05));
    assert_eq!(
        (p[1].tool, p[1].base_mm, p[1].readings[1].sd_mm),
        (Tool::WaveGauge, 100.0, None)
    );
    assert_eq!(
        (p[2].tool, p[2].toward, p[2].readings.len()),
        (Tool::Batten, [-1.0, 0.0], 4)
    );
}

/// Two temperatures, supports or days in one survey are told, within a file and between files; the
/// first stays.
#[test]
fn headers_in_conflict_are_told() {
    let file = |head: &str, name: &str| {
        format!(
            "{head}\nunit mm\ntool straightedge 600 step 300\n{name} x 0 to 600 y 100 : 0 1 0\n"
        )
    };
    let told = |texts: &[String]| {
        let given = texts.iter().enumerate().map(|(k, text)| {
            Ok(lowspot::text::Given {
                name: format!("{k}.txt"),
                bytes: text.clone().into_bytes(),
            })
        });
        let given: Vec<_> = given.collect();
        let survey = lowspot::observe::survey_of(&given, &roof()).expect("sound");
        let words: Vec<String> = survey.warnings.iter().map(ToString::to_string).collect();
        (words, survey.conditions)
    };
    let two = |a: &str, b: &str| told(&[file(a, "A1"), file(b, "A2")]);
    let (words, conditions) = two("skin 12 C", "skin 38 C");
    assert!(
        words
            .iter()
            .any(|w| w.contains("1.txt: skin is 38 °C here and 12 °C in the files before")),
        "{words:?}"
    );
    assert_eq!(conditions.skin_c, Some(12.0));
    let one = file("skin 12 C", "A1") + &file("skin 100 F  supports on two trestles", "A2");
    let (words, conditions) = told(&[one + "supports on the bench\n"]);
    assert!(
        words
            .iter()
            .any(|w| w.contains("0.txt:5:6: skin is 38 °C here and 12 °C before")),
        "{words:?}"
    );
    assert!(
        words
            .iter()
            .any(|w| w.contains("supports is on the bench here and on two trestles before")),
        "{words:?}"
    );
    assert_eq!(conditions.skin_c, Some(12.0));
    assert_eq!(conditions.supports.as_deref(), Some("on two trestles"));
    // What agrees, or nearly, is not told.
    let (words, _) = two(
        "skin 18 C supports on the bench",
        "skin 20 C supports on the bench",
    );
    assert!(
        !words
            .iter()
            .any(|w| w.contains("skin") || w.contains("supports")),
        "{words:?}"
    );
}

#[test]
fn a_diagonal_lies_between_its_ends() {
    let read = sound_notes(
        "unit mm step 100\nD1 x 300 to 900 y 900 to 100 : 0 0 0 0 0 0 0 0 0 0 0\n",
        &roof(),
    );
    let d = &read.placings[0];
    assert_eq!(d.toward, [0.6, -0.8]);
    assert_eq!((d.readings[5].x, d.readings[5].y), (600.0, 500.0));
}

#[test]
fn old_line_ends_and_byte_order_marks_are_no_matter() {
    let expected = sound_notes(WRITTEN, &roof());
    for text in [WRITTEN.replace('\n', "\r\n"), WRITTEN.replace('\n', "\r")] {
        assert_eq!(sound_notes(&text, &roof()), expected);
    }
    let (_dir, paths) = folder(&[("roof.txt", format!("\u{FEFF}{WRITTEN}").as_bytes())]);
    let survey = observe::load(&paths, &roof()).expect("sound");
    assert_eq!(survey.placings.len(), 4);
}

#[test]
fn blanks_of_a_form_are_passed_over_and_readings_may_be_typed_in_front_of_them() {
    let text = "panel cabin roof\ndate _   by _   skin _ C   supports _\nstep 100 unit mm\n\
                A1 x 0 to 300 y 100 : _ _ _ _\nA2 x 0 to 300 y 200 :\nA3 x 0 to 300 y 300 : 0 0.1 0.2 0 _ _ _ _\n\
                A4 x 0 to 300 y 400 : 0 0.1 _ _ _ _\nA5 x 0 to 300 y 500 : 0.1 _ _ _\ntool batten\nB1 x 0 to 300 y 600 : 0 0.2 _ _\n";
    let (_dir, paths) = folder(&[("roof.txt", text.as_bytes())]);
    let survey = observe::load(&paths, &roof()).expect("a half-filled form is sound");
    let names: Vec<&str> = survey.placings.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["A3", "A4"]);
    assert_eq!(
        values(&survey.placings[0]),
        [Some(0.0), Some(0.1), Some(0.2), Some(0.0)]
    );
    assert_eq!(
        values(&survey.placings[1]),
        [Some(0.0), Some(0.1), None, None]
    );
    let said: Vec<&str> = survey.warnings.iter().map(|w| w.text.as_str()).collect();
    assert_eq!(
        said,
        [
            "A5: one reading so far, not used yet",
            "B1: fewer than two contacts so far, not used yet"
        ]
    );
    assert_eq!(survey.conditions.date, None);
}

#[test]
fn names_of_panels_are_compared_without_capitals_and_blanks() {
    let warnings = |line: &str| {
        sound_notes(
            &format!("{line}\n{WRITTEN}").replace("panel cabin roof\ndate", "date"),
            &roof(),
        )
        .warnings
    };
    assert!(warnings("panel Cabin  ROOF   by K").is_empty());
    assert!(warnings("panel \"cabin roof\" by K").is_empty());
    let other = warnings("panel left wing   date 2026-03-14");
    assert_eq!(
        other[0].to_string(),
        "roof.txt:1:7: the readings are of panel \"left wing\", the panel file is of \"cabin roof\": the right two files?"
    );
}

#[test]
fn what_looks_odd_is_told_and_not_refused() {
    let (_dir, paths) = folder(&[
        ("a.txt", b"date 2026-03-14\nstep 10 unit mm\nA1 x 0 to 60 y 40 : 0 0.004 0.010 0.012 0.010 0.004 0\ntool straightedge 30\nA2 x 0 to 60 y 80 : 0 0.004 0.010 0.012 0.010 0.004 0\n"),
        ("b.txt", b"date 2026-03-16\nstep 10 unit mm\nB1 x 50 y 0 to 60 : 0 0.004 0.010 0.012 0.010 0.004 0\n"),
    ]);
    let survey = observe::load(&paths, &roof()).expect("sound");
    let root = format!("{}/", paths[0].parent().expect("a folder").display());
    let said: Vec<String> = survey
        .warnings
        .iter()
        .map(|w| w.to_string().replace(&root, ""))
        .collect();
    assert_eq!(
        said,
        [
            "b.txt: date is 2026-03-16 here and 2026-03-14 in the files before: was the panel touched between them?",
            "all readings lie within 60 x 80 mm of the datum corner, on a panel of 1800 x 1200 mm: were the positions inches? Then write the unit, such as x 0 to 24 in",
            "all gaps are below 0.1 mm (largest 0.012) and written to a thousandth: were they inches? Then write unit in, and the largest is 0.30 mm",
            "a.txt:5: A2 runs over 60 mm, but its straightedge is 30 mm long: an end or the tool's length wrong?",
        ]
    );
    let first = survey.first_reading().unwrap();
    assert_eq!(first.label, "A1");
    assert!(first.value_mm > 0.0 && first.value_mm < 0.005 && first.along_mm == 10.0);
    assert_eq!(survey.conditions.date.as_deref(), Some("2026-03-14"));
}

// Table form.

#[test]
fn tables_are_read_with_any_separator_and_column_order() {
    let expected = sound_table(
        "placing,tool,x,y,reading\nA1,straightedge,0,100,0.00\n,,50,100,0.25\n,,100,100,?\n",
    );
    assert_eq!(values(&expected.placings[0]), [Some(0.0), Some(0.25), None]);
    for text in [
        "# logger\n\nplacing;tool;x;y;reading\nA1;straightedge;0;100;0,00\n;;50;100;0,25\n;;100;100;?\n",
        "reading\ty\tx\tnote\ttool\tplacing\n0.00\t100\t0\t\tstraightedge\tA1\n0.25\t100\t50\thard by\t\t\n\t100\t100\t\t\t\n",
        "Placing , Tool , X , Y , Reading\nA1 , straightedge , 0 , 10 cm , 0\n, , 5 cm , 100 , 250e-3\n, , 0.1 m , 100 , _\n",
        "placing,tool,x,y,reading\n\"A1\",\"straightedge\",\"0\",100,\"0,00\"\n,,50,100,\"0,25\"\n,,100,100,\n",
    ] {
        let found = sound_table(text);
        assert_eq!(
            values(&found.placings[0]),
            values(&expected.placings[0]),
            "{text}"
        );
        assert_eq!(
            spots(&found.placings[0]),
            spots(&expected.placings[0]),
            "{text}"
        );
    }
}

#[test]
fn cells_may_carry_units_and_unused_columns_are_told() {
    let read = sound_table(
        "placing,tool,x,y,reading,base,sd,temperature\nA1,straightedge,0,4 in,10 thou,24 in,0.05,19\nA1,straightedge,12 in,4 in,0.25 mm,,,19\n",
    );
    let a = &read.placings[0];
    assert!((a.base_mm - 609.6).abs() < 1e-9);
    assert!((a.readings[0].value_mm.unwrap_or(0.0) - 0.254).abs() < 1e-12);
    assert_eq!(a.readings[0].sd_mm, Some(0.05));
    assert_eq!(
        read.warnings[0].to_string(),
        "roof.csv:1:34: column \"temperature\" is not used"
    );
}

#[test]
fn rows_may_come_in_any_order() {
    let rows = [
        "A1,straightedge,0,100,0",
        "A1,straightedge,50,100,0.1",
        "A1,straightedge,100,100,0.2",
        "B1,straightedge,10,0,0",
        "B1,straightedge,10,50,0.1",
        "B1,straightedge,10,100,0.2",
    ];
    let of = |order: [usize; 6]| {
        let body: Vec<&str> = order.iter().map(|i| rows[*i]).collect();
        let mut placings =
            sound_table(&format!("placing,tool,x,y,reading\n{}\n", body.join("\n"))).placings;
        placings.sort_by(|a, b| a.name.cmp(&b.name));
        placings
            .iter()
            .map(|p| (p.name.clone(), p.toward, spots(p), values(p)))
            .collect::<Vec<_>>()
    };
    assert_eq!(of([3, 1, 0, 5, 2, 4]), of([0, 1, 2, 3, 4, 5]));
    assert_eq!(
        of([5, 4, 3, 2, 1, 0])[0].1,
        [-1.0, 0.0],
        "written from the far end: as in the notes"
    );
}

#[test]
fn a_wave_gauge_is_laid_as_toward_says_or_along_its_row() {
    let toward = |cell: &str| {
        sound_table(&format!(
            "placing,tool,x,y,reading,base,toward\nW1,wave-gauge,200,300,0,100,{cell}\n,,300,300,0.1,,\n,,400,300,-0.1,,\n"
        ))
        .placings[0]
            .toward
    };
    assert_eq!(toward(""), [1.0, 0.0]);
    assert_eq!(toward("x"), [1.0, 0.0]);
    assert_eq!(toward("y"), [0.0, 1.0]);
    let slanting = toward("30");
    assert!((slanting[0] - 0.75f64.sqrt()).abs() < 1e-12 && (slanting[1] - 0.5).abs() < 1e-12);
}

/// A survey in the table form.
fn as_table(placings: &[Placing]) -> String {
    let mut out = String::from("placing,tool,x,y,reading,base,toward\n");
    for p in placings {
        for r in &p.readings {
            let value = r.value_mm.map_or("?".into(), |v| v.to_string());
            let angle = p.toward[1].atan2(p.toward[0]).to_degrees();
            let base = if p.base_mm > 0.0 {
                p.base_mm.to_string()
            } else {
                String::new()
            };
            out.push_str(&format!(
                "{},{},{},{},{value},{base},{angle}\n",
                p.label(),
                p.tool.word(),
                r.x,
                r.y
            ));
        }
    }
    out
}

#[test]
fn notes_written_as_a_table_read_the_same() {
    let text = format!(
        "{WRITTEN}tool wave-gauge 50 step 100\nW1 x 100 to 500 y 700 : 0.1 -0.2 ? 0.1 0\ntool bridge 1200\n\
         T1 x 1300 y 1100 to 700 : 1.5 1.4 1.3 1.2 -0.1\ntool profile-gauge 300 step 10\nP1 x 0 to 30 y 40 to 80 : 1 2 3 2 1 0\n"
    );
    let notes = sound_notes(&text, &roof());
    let table = sound_table(&as_table(&notes.placings));
    assert_eq!(table.placings.len(), notes.placings.len());
    for (a, b) in notes.placings.iter().zip(&table.placings) {
        assert_eq!(
            (a.label(), a.tool, a.base_mm, a.turned),
            (b.label(), b.tool, b.base_mm, b.turned)
        );
        assert_eq!(values(a), values(b), "{}", a.label());
        assert_eq!(spots(a), spots(b), "{}", a.label());
        let off = (a.toward[0] - b.toward[0]).hypot(a.toward[1] - b.toward[1]);
        assert!(off < 1e-9, "{}: {:?} {:?}", a.label(), a.toward, b.toward);
    }
}

// Panel file.

#[test]
fn every_field_of_a_panel_is_read() {
    let text = "\
name = \"cabin roof\"
length = \"1800 mm\"
width = 1200
form = \"crowned\"
purpose = \"dark-gloss\"
outline = [[0, 0], [1800, 0], [\"1.8 m\", 1150], [0, 1200], [0, 0]]
cutouts = [[[600, 400], [1200, 400], [1200, 700], [600, 700]]]
sand_allowance = \"0.3 mm\"
no_fill = [[0, 0], [100, 0], [100, 100]]
form_wavelength = [\"1 m\", 900]
node_limit = 0.2
sheet_metal = true
moving_surface = true
[[limit]]
base = \"300 mm\"
gap = \"0.3 mm\"
[[limit]]
base = 50
swing = 0.08
[[limit]]
base = 1000
slope = 4
[[no_sand]]
outline = [[1700, 0], [1800, 0], [1800, 100]]
[[zone]]
name = \"front\"
outline = [[0, 0], [500, 0], [500, 600], [0, 600]]
[[zone.limit]]
base = \"12 in\"
gap = \"20 thou\"
[[zone]]
name = \"back\"
outline = [[500, 0], [900, 0], [900, 600], [500, 600]]
purpose = \"work-boat\"
finish = \"matt\"
";
    let (p, warnings) = file::parse(text, "panel.toml").unwrap_or_else(|f| panic!("{}", all(&f)));
    assert!(warnings.is_empty(), "{warnings:?}");
    assert_eq!(
        (p.name.as_str(), p.length_mm, p.width_mm, p.form),
        ("cabin roof", 1800.0, 1200.0, Form::Crowned)
    );
    assert_eq!(
        p.outline.0,
        [[0.0, 0.0], [1800.0, 0.0], [1800.0, 1150.0], [0.0, 1200.0]]
    );
    assert_eq!(
        (p.cutouts.len(), p.no_sand.len(), p.no_fill.len()),
        (1, 1, 1)
    );
    assert_eq!((p.sand_allowance_mm, p.node_limit_mm), (Some(0.3), 0.2));
    assert_eq!(
        (p.form_wavelength_mm, p.form_wavelength_given),
        ([1000.0, 900.0], true)
    );
    assert!(p.sheet_metal && p.moving_surface);
    let limits: Vec<(Quantity, f64, f64, &str)> = p
        .limits
        .iter()
        .map(|l| (l.quantity, l.base_mm, l.max, l.origin.as_str()))
        .collect();
    let practice = "common practice, no source";
    assert_eq!(
        limits,
        [
            (Quantity::Gap, 50.0, 0.05, practice),
            (Quantity::Gap, 600.0, 0.3, practice),
            (Quantity::Gap, 1000.0, 0.5, practice),
            (Quantity::Gap, 300.0, 0.3, "set in panel.toml"),
            (Quantity::Swing, 50.0, 0.08, "set in panel.toml"),
            (Quantity::Slope, 1000.0, 4.0, "set in panel.toml"),
        ]
    );
    assert_eq!(p.zones[0].limits.len(), 1);
    assert!(
        (p.zones[0].limits[0].base_mm - 304.8).abs() < 1e-9
            && (p.zones[0].limits[0].max - 0.508).abs() < 1e-9
    );
    assert_eq!(p.zones[1].limits[1].max, 3.0);
}

#[test]
fn defaults_are_filled_in_and_the_assumed_limit_is_said() {
    let (p, warnings) = file::parse(
        "name = \"lid\"\nlength = 900\nwidth = 600\nform = \"ruled-x\"\n",
        "lid.toml",
    )
    .expect("sound");
    assert_eq!(p.outline.bounds(), [0.0, 0.0, 900.0, 600.0]);
    assert_eq!(
        (p.form_wavelength_mm, p.form_wavelength_given),
        ([3000.0, 300.0], false)
    );
    assert_eq!((p.sand_allowance_mm, p.node_limit_mm), (None, 0.15));
    assert!(!p.sheet_metal && !p.moving_surface && p.purpose.is_none());
    assert_eq!(
        (p.limits.len(), p.limits[0].base_mm, p.limits[0].max),
        (1, 300.0, 0.3)
    );
    assert_eq!(
        warnings[0].to_string(),
        "lid.toml: no purpose and no [[limit]] given: 0.3 mm under 300 mm is assumed, as for everyday-light; write purpose = \"…\" or a [[limit]] with base and gap"
    );
}

#[test]
fn what_does_not_apply_and_small_outlines_are_told() {
    let text = "name = \"lid\"\nlength = 900\nwidth = 600\nform = \"flat\"\npurpose = \"laminar-wing\"\nfinish = \"satin\"\ngrazing_light = true\noutline = [[0, 0], [36, 0], [36, 24]]\n";
    let (_, warnings) = file::parse(text, "lid.toml").expect("sound");
    let said: Vec<String> = warnings.iter().map(ToString::to_string).collect();
    assert_eq!(
        said,
        [
            "lid.toml:8:11: the outline covers only 36 x 24 mm of a panel of 900 x 600 mm; bare numbers are mm",
            "lid.toml:5:11: finish \"satin\" is not applied: purpose laminar-wing is aerodynamic",
            "lid.toml:5:11: grazing_light is not applied: purpose laminar-wing is aerodynamic",
        ]
    );
}

// Blank form.

fn lid(extra: &str) -> Panel {
    panel(&format!(
        "name = \"lid #2  by door\"\nform = \"crowned\"\npurpose = \"everyday-light\"\n{extra}\n"
    ))
}

fn shapes() -> Vec<(&'static str, Panel)> {
    vec![
        ("rectangle", lid("length = 1800\nwidth = 1200")),
        (
            "trapezoid",
            lid(
                "length = 1800\nwidth = 1200\noutline = [[0, 0], [1800, 200], [1500, 1150], [300, 1200]]",
            ),
        ),
        (
            "cutout",
            lid(
                "length = 1800\nwidth = 1200\ncutouts = [[[600, 400], [1200, 400], [1200, 700], [600, 700]]]",
            ),
        ),
        ("tiny", lid("length = 40\nwidth = 30")),
        ("strip", lid("length = 4000\nwidth = 120")),
        (
            "notched",
            lid(
                "length = 900\nwidth = 900\noutline = [[0, 0], [900, 0], [900, 900], [500, 900], [500, 301.5], [0, 301.5]]",
            ),
        ),
        ("inches", lid("length = \"72 in\"\nwidth = \"31.3 in\"")),
    ]
}

#[test]
fn a_blank_form_is_read_back_with_every_reading_on_the_panel() {
    for (name, panel) in shapes() {
        for tool in Tool::ALL {
            if name == "tiny" && tool == Tool::WaveGauge {
                continue; // Its feet are wider apart than the panel.
            }
            let options = BlankOptions {
                tool,
                ..BlankOptions::default()
            };
            let text = blank::write(&panel, &options).unwrap_or_else(|e| panic!("{name}: {e}"));
            let read = sound_notes(&text, &panel);
            assert!(read.warnings.is_empty(), "{name}: {:?}", read.warnings);
            assert!(read.placings.len() >= 6, "{name} {tool:?}: {text}");
            for p in &read.placings {
                assert!(p.readings.len() >= 3 && p.taken().count() == 0);
                for r in &p.readings {
                    assert!(
                        panel.contains(r.x, r.y),
                        "{name} {tool:?} {}: {}, {}",
                        p.name,
                        r.x,
                        r.y
                    );
                }
            }
            for axis in [[1.0, 0.0], [0.0, 1.0]] {
                assert!(
                    read.placings.iter().any(|p| p.toward == axis),
                    "{name} {tool:?}: none toward {axis:?}"
                );
            }
        }
    }
}

#[test]
fn a_filled_form_passes_every_check() {
    for (name, panel) in shapes() {
        for tool in Tool::ALL {
            if name == "tiny" && tool == Tool::WaveGauge {
                continue;
            }
            let options = BlankOptions {
                tool,
                ..BlankOptions::default()
            };
            let text = blank::write(&panel, &options).expect("written");
            let filled: String = text
                .lines()
                .map(|l| match l.split_once(" : ") {
                    Some((ends, blanks)) if l.starts_with(['A', 'B']) => {
                        format!(
                            "{ends} : 0{} 0\n",
                            " 0.1".repeat(blanks.split(' ').count() - 2)
                        )
                    }
                    _ => format!("{l}\n"),
                })
                .collect();
            let (_dir, paths) = folder(&[("lid.txt", filled.as_bytes())]);
            let survey: Survey =
                observe::load(&paths, &panel).unwrap_or_else(|e| panic!("{name} {tool:?}: {e}"));
            assert!(
                survey.warnings.is_empty(),
                "{name} {tool:?}: {:?}",
                survey.warnings
            );
            observe::check_carries(&survey, &panel)
                .unwrap_or_else(|e| panic!("{name} {tool:?}: {e}"));
        }
    }
}

#[test]
fn a_form_walks_to_and_fro_and_overlaps_by_a_quarter() {
    let panel = roof();
    let text = blank::write(
        &panel,
        &BlankOptions {
            spacing_mm: Some(400.0),
            ..BlankOptions::default()
        },
    )
    .expect("written");
    let read = sound_notes(&text, &panel);
    let starts: Vec<(&str, f64, f64)> = read
        .placings
        .iter()
        .take(8)
        .map(|p| (p.name.as_str(), p.readings[0].x, p.readings[0].y))
        .collect();
    assert_eq!(
        starts,
        [
            ("A1", 0.0, 200.0),
            ("A2", 450.0, 200.0),
            ("A3", 900.0, 200.0),
            ("A4", 1200.0, 200.0),
            ("A5", 1200.0, 600.0),
            ("A6", 900.0, 600.0),
            ("A7", 450.0, 600.0),
            ("A8", 0.0, 600.0),
        ]
    );
    assert!(
        text.starts_with(
            "# 27 placings, 351 readings, about 1 h. Lines 400 mm apart along x, 360 mm along y.\n"
        ),
        "{text}"
    );
    assert!(
        text.contains("\ntool straightedge 600   step 50   unit mm\n"),
        "{text}"
    );
}

#[test]
fn spacing_is_chosen_by_purpose_and_an_hour() {
    let lines = |panel: &Panel| {
        let text = blank::write(panel, &BlankOptions::default()).expect("written");
        let placings = sound_notes(&text, panel).placings;
        let mut ys: Vec<i64> = placings
            .iter()
            .filter(|p| p.toward[0] == 1.0)
            .map(|p| p.readings[0].y as i64)
            .collect();
        ys.dedup();
        ys
    };
    assert_eq!(
        lines(&roof()),
        [100, 300, 500, 700, 900, 1100],
        "a roof takes longer than an hour at 200 mm, and is not read coarser"
    );
    let small = panel(
        "name = \"hatch\"\nlength = 600\nwidth = 600\nform = \"flat\"\npurpose = \"work-boat\"\n",
    );
    assert_eq!(
        lines(&small),
        [50, 150, 250, 350, 450, 550],
        "the finest fits in an hour"
    );
    let hull = panel(
        "name = \"hull\"\nlength = 4000\nwidth = 1600\nform = \"flat\"\npurpose = \"work-boat\"\n",
    );
    assert_eq!(lines(&hull), [200, 600, 1000, 1400]);
}

#[test]
fn forms_that_cannot_be_written_are_refused() {
    let check = |panel: &Panel, options: BlankOptions, expected: &str| {
        let error = blank::write(panel, &options).expect_err("refused");
        assert!(error.is_usage());
        assert_eq!(error.to_string(), expected);
    };
    let d = BlankOptions::default;
    check(
        &roof(),
        BlankOptions {
            step_mm: Some(0.0),
            ..d()
        },
        "--step 0 mm cannot be meant; expected 0.5 to 10000 mm",
    );
    check(
        &roof(),
        BlankOptions {
            spacing_mm: Some(f64::NAN),
            ..d()
        },
        "--spacing NaN mm cannot be meant; expected 5 to 100000 mm",
    );
    check(
        &roof(),
        BlankOptions {
            step_mm: Some(700.0),
            ..d()
        },
        "no placing with readings each 700 mm fits on cabin roof; give a smaller --step, or a smaller --length",
    );
    let field = panel("name = \"field\"\nlength = 100000\nwidth = 100000\nform = \"flat\"\n");
    check(
        &field,
        BlankOptions {
            spacing_mm: Some(10.0),
            ..d()
        },
        "more than 20000 placings or 1000000 readings; give a wider --spacing or --step",
    );
    assert!(
        blank::write(&field, &d()).is_ok(),
        "left to itself it widens the spacing"
    );
}

// Nothing makes a reader panic.

fn read_everything(bytes: &[u8]) {
    let panel = lid("length = 900\nwidth = 600\ncutouts = [[[100, 100], [200, 100], [200, 200]]]");
    if let Ok(text) = lowspot::text::decode(bytes, "f") {
        let _ = file::parse(text, "f.toml");
        let first = notes::parse(text, "f.txt", &panel, &[]);
        let second = table::parse(text, "f.csv", &panel, &first.placings);
        notes::parse(text, "g.txt", &panel, &second.placings);
        for faults in [&first.faults, &second.faults] {
            let lines = text.split(['\n', '\r']).count();
            for fault in faults {
                assert!(fault.line <= lines && !fault.message.is_empty(), "{fault}");
            }
        }
    }
}

/// Pieces of all three kinds of file, so that chance reaches deep into the readers.
const PIECES: [&str; 74] = [
    "\n",
    "\n",
    "\r\n",
    " ",
    "  ",
    "\t",
    ",",
    ";",
    ":",
    "#",
    "\"",
    "?",
    "_",
    "=",
    "[",
    "]",
    "[[",
    "]]",
    "−",
    "é",
    "panel ",
    "date ",
    "by ",
    "skin ",
    "supports ",
    "tool ",
    "step ",
    "unit ",
    "sd ",
    "x ",
    "y ",
    " to ",
    "again",
    "turned",
    "straightedge",
    "wave-gauge 50",
    "batten",
    "bridge",
    "profile-gauge",
    "mm",
    "hundredths",
    "thou",
    "in",
    "none",
    "A1 ",
    "A1 x 0 to 100 y 50 : 0 0 0\n",
    "B1 x 0 to 1e308 m y 0 :",
    "0",
    "0.1",
    "0,1",
    "-1",
    "1e308",
    "1e-308",
    "NaN",
    "50",
    "600",
    "2026-03-14",
    "placing,tool,x,y,reading\n",
    "placing;tool;x;y;reading;base;toward;sd;note\n",
    "A1,straightedge,",
    "W1;wave-gauge;",
    "name = \"a\"\n",
    "length = 900\n",
    "width = 600\n",
    "form = \"flat\"\n",
    "outline = ",
    "cutouts = ",
    "[0, 0], ",
    "[900, 1e308]",
    "[[limit]]\n",
    "base = ",
    "gap = ",
    "[[zone]]\n",
    "purpose = \"dark-gloss\"\n",
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_bytes_make_a_reader_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        read_everything(&bytes);
    }

    #[test]
    fn no_text_made_of_the_words_of_the_forms_makes_a_reader_panic(
        picks in proptest::collection::vec(0..PIECES.len(), 0..60)
    ) {
        let text: String = picks.iter().map(|i| PIECES[*i]).collect();
        read_everything(text.as_bytes());
    }

}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn readings_survive_the_way_from_notes_to_table(
        rows in proptest::collection::vec(proptest::collection::vec(proptest::option::weighted(0.9, 0u32..400), 5), 1..6)
    ) {
        let mut text = String::from("unit hundredths step 100\n");
        for (i, row) in rows.iter().enumerate() {
            let written: Vec<String> = row.iter().map(|v| v.map_or("?".into(), |v| v.to_string())).collect();
            text.push_str(&format!("A{i} x 0 to 400 y {} : {}\n", 100 + 50 * i, written.join(" ")));
        }
        let notes = notes::parse(&text, "f.txt", &roof(), &[]);
        let table = table::parse(&as_table(&notes.placings), "f.csv", &roof(), &[]);
        prop_assert_eq!(notes.placings.len(), table.placings.len());
        for (a, b) in notes.placings.iter().zip(&table.placings) {
            prop_assert_eq!(values(a), values(b));
        }
    }

    #[test]
    fn blank_forms_of_chance_panels_are_read_back(
        length in 60.0..5000.0f64, width in 60.0..3000.0f64, cut in 0.0..0.45f64, tool in 0..5usize
    ) {
        let panel = lid(&format!(
            "length = {length}\nwidth = {width}\noutline = [[0, 0], [{length}, {}], [{}, {width}], [0, {width}]]",
            width * cut, length * (1.0 - cut)
        ));
        let options = BlankOptions { tool: Tool::ALL[tool], ..BlankOptions::default() };
        if let Ok(text) = blank::write(&panel, &options) {
            let read = notes::parse(&text, "f.txt", &panel, &[]);
            prop_assert!(read.faults.is_empty(), "{}", all(&read.faults));
            for r in read.placings.iter().flat_map(|p| &p.readings) {
                prop_assert!(panel.contains(r.x, r.y), "{} {}", r.x, r.y);
            }
        }
    }
}

/// The block in the header; blocks that panels stand on are no such word.
#[test]
fn the_block_stands_in_the_header() {
    use lowspot::observe::Block;
    let of = |header: &str| {
        let panel = crate::support::roof();
        let (_dir, paths) = crate::support::folder(&[(
            "r.txt",
            format!("{header}\ntool straightedge 600   unit mm\nA1 x 0 to 600 y 100 : 0 0 1 1 1 1 1 1 1 1 1 0 0\nA2 x 100 y 0 to 600 : 0 0 1 1 1 1 1 1 1 1 1 0 0\nA3 x 900 y 0 to 600 : 0 0 1 1 1 1 1 1 1 1 1 0 0\n").as_bytes(),
        )]);
        lowspot::observe::load(&paths, &panel)
    };
    let block = |header: &str| of(header).expect("read").conditions.block;
    assert_eq!(
        block("date 2026-03-14  block long board   by K"),
        Some(Block::LongBoard)
    );
    assert_eq!(block("block soft-pad"), Some(Block::SoftPad));
    assert_eq!(block("block: Hard block"), Some(Block::HardBlock));
    assert_eq!(block("block _   by K"), None);
    let supported = of("supports foam block x 300 900")
        .expect("read")
        .conditions;
    assert_eq!(supported.block, None);
    assert_eq!(supported.supports.as_deref(), Some("foam block x 300 900"));
    let told = of("block sponge").expect_err("refused").to_string();
    assert!(
        told.contains("block \"sponge\" is not known; expected long board, hard block, soft pad"),
        "{told}"
    );
}
