//! Every refusal of the files a person writes: its wording, its place and its advice, all faults at
//! once.
//!
//! Panels and readings here are made up.

use crate::support::{all, folder, panel, roof};
use lowspot::observe::{self, notes, table};
use lowspot::panel::file;
use lowspot::problem::Error;

/// Faults of a notes file, exactly, in order. `text` begins on line 1.
#[track_caller]
fn notes_faults(text: &str, expected: &str) {
    let read = notes::parse(text, "roof.txt", &roof(), &[]);
    same(&all(&read.faults), expected);
}

/// Faults of a table file, exactly, in order.
#[track_caller]
fn table_faults(text: &str, expected: &str) {
    let read = table::parse(text, "roof.csv", &roof(), &[]);
    same(&all(&read.faults), expected);
}

/// Faults of a panel file, exactly, in order.
#[track_caller]
fn panel_faults(text: &str, expected: &str) {
    let faults = file::parse(text, "panel.toml").err().unwrap_or_default();
    same(&all(&faults), expected);
}

#[track_caller]
fn same(found: &str, expected: &str) {
    let expected = expected
        .lines()
        .map(str::trim)
        .filter(|l| !l.is_empty())
        .collect::<Vec<_>>()
        .join("\n");
    assert!(
        found == expected,
        "\nfound:\n{found}\n\nexpected:\n{expected}\n"
    );
}

const HEAD: &str = "tool straightedge 600 step 100 unit mm\n";
const SEVEN: &str = "0 0.1 0.2 0.3 0.2 0.1 0";

fn notes_body(lines: &str, expected: &str) {
    notes_faults(&format!("{HEAD}{lines}"), expected);
}

// Whole files.

#[test]
fn files_that_cannot_be_read_are_all_named_at_once() {
    let (dir, paths) = folder(&[
        ("empty.txt", b""),
        ("blank.csv", b" \r\n\n"),
        ("latin.txt", b"# caf\xC3\xA9\nby Jo\xEBl\n"),
        ("book.csv", b"PK\x03\x04\x14\x00"),
        ("remarks.txt", b"# nothing yet\n\n"),
        ("remarks.csv", b"# nothing yet\n"),
    ]);
    let mut named = vec![dir.path().join("nowhere.txt"), dir.path().to_path_buf()];
    named.extend(paths.iter().cloned());
    named.push(paths[0].clone());
    let Err(Error::Faults(faults)) = observe::load(&named, &roof()) else {
        panic!("faults expected");
    };
    let root = format!("{}/", dir.path().display());
    let found = all(&faults)
        .replace(&root, "")
        .replace(root.trim_end_matches('/'), "FOLDER");
    same(
        &found,
        "nowhere.txt: no such file; check the name and the folder it is in
         FOLDER: is a folder, not a file; name the file inside it
         empty.txt: is empty; nothing was read from it
         blank.csv: is empty; nothing was read from it
         latin.txt:2:6: byte 0xEB is not UTF-8 text; save the file as plain text in UTF-8
         book.csv: is a spreadsheet workbook (or a zip file), not text; save the sheet as CSV and name that
         remarks.txt: holds only remarks; expected placings such as A1 x 0 to 600 y 100 : 0.00 0.10 0.25
         remarks.csv: holds only remarks; expected a header such as placing,tool,x,y,reading
         empty.txt: is named twice; name each readings file once",
    );
}

#[test]
fn a_huge_file_is_refused_before_it_is_read() {
    let (_dir, paths) = folder(&[("big.txt", b"")]);
    let big = std::fs::OpenOptions::new()
        .write(true)
        .open(&paths[0])
        .expect("opens");
    big.set_len(observe::MOST_BYTES + 1).expect("a sparse file");
    let error = observe::load(&paths, &roof())
        .expect_err("too large")
        .to_string();
    assert!(
        error.ends_with(
            "big.txt: is larger than 200 MB, the most that is read; is it the right file?"
        ),
        "{error}"
    );
}

#[test]
fn files_in_the_wrong_place_or_form_are_foreseen() {
    notes_faults(
        "# from the logger\nplacing,tool,x,y,reading\nA1,straightedge,0,0,1\n",
        "roof.txt:2: this is the table form; give the file a name ending in .csv",
    );
    notes_faults(
        "name = \"lid\"\nlength = 900\n",
        "roof.txt:1: this looks like a panel file, not readings; the panel's file is named first, then the readings",
    );
    table_faults(
        "panel cabin roof\nunit mm\n",
        "roof.csv:1: this is the notes form; give the file a name ending in .txt",
    );
    table_faults(
        "name = \"lid\"\n",
        "roof.csv:1: this looks like a panel file, not readings; the panel's file is named first, then the readings",
    );
    table_faults(
        "x,y,px,py\n0,0,10,20\n",
        "roof.csv:1: no column placing; these look like photo targets, not readings
         roof.csv:1: no column tool; these look like photo targets, not readings
         roof.csv:1: no column reading; these look like photo targets, not readings",
    );
    for readings in [
        "panel cabin roof\ndate 2026-03-14\n",
        "# form\nA1 x 0 to 600 y 100 : 0 0 0\n",
        "placing,tool,x,y,reading\n",
    ] {
        panel_faults(
            readings,
            "panel.toml: holds readings, not a panel; the panel's file comes first: panel.toml, then the readings",
        );
    }
}

// Notes form.

#[test]
fn readings_that_are_no_numbers_are_named_by_line_and_column() {
    notes_body(
        "A1 x 0 to 600 y 100 : 0.00 1.3.0 NaN inf 0.2mm - 0.1\n\
         A2 x 0 to 600 y 300 : 0,10 0,2,3 1e999 0.00, 0.1 0.1 zero\n",
        "roof.txt:2:28: reading \"1.3.0\" is not a number; expected such as 1.30, or ? if not taken
         roof.txt:2:34: reading \"NaN\" is not a number a tool can show; write ? for a reading not taken
         roof.txt:2:38: reading \"inf\" is not a number a tool can show; write ? for a reading not taken
         roof.txt:2:42: reading \"0.2mm\" has its unit attached; write the number alone, the unit stands in the unit line
         roof.txt:2:48: reading \"-\" is not a number; write ? for a reading not taken
         roof.txt:3:28: reading \"0,2,3\" is not a number; part readings by spaces, such as 0.10 0.25
         roof.txt:3:34: reading \"1e999\" is not a number; expected such as 1.30, or ? if not taken
         roof.txt:3:40: reading \"0.00,\" is not a number; part readings by spaces, such as 0.10 0.25
         roof.txt:3:54: reading \"zero\" is not a number; expected such as 1.30, or ? if not taken",
    );
}

#[test]
fn a_negative_gap_is_refused_and_a_negative_height_is_not() {
    notes_body(
        "A1 x 0 to 300 y 100 : 0 -0.10 \u{2212}0,2 0\n",
        "roof.txt:2:25: gap -0.10 is negative; expected 0 or more, since an edge cannot sink into the panel
         roof.txt:2:31: gap \u{2212}0,2 is negative; expected 0 or more, since an edge cannot sink into the panel",
    );
    for tool in ["profile-gauge 300", "wave-gauge 50", "bridge 1800"] {
        notes_faults(
            &format!(
                "tool {tool} step 100 unit mm\nA1 x 100 to 400 y 100 : 0 -0.10 \u{2212}0,2 0\n"
            ),
            "",
        );
    }
}

#[test]
fn a_wrong_count_is_asked_about_by_the_placings_name() {
    notes_faults(
        "step 50 unit mm\n\
         A1 x 0 to 600 y 100 : 0 0 0 0 0 0 0 0 0 0 0 0 0 0\n\
         A2 x 300 y 0 to 600 : 0 0 0 0 0 0 0 0 0 0 0 0\n\
         A3 x 0 to 120 y 0 to 160 : 0 0 0\n\
         A4 x 600 to 0 y 0 : 0 0 0 0 0 0 0 0 0 0 0 0 0\n\
         A4 again : 0 0\n",
        "roof.txt:2:23: A1: 0 to 600 in steps of 50 mm is 13 readings, 14 found: one written twice, or the step or an end wrong?
         roof.txt:3:23: A2: 0 to 600 in steps of 50 mm is 13 readings, 12 found: one left out (write ? for a reading not taken), or the step or an end wrong?
         roof.txt:4:28: A3: x 0 to 120, y 0 to 160 in steps of 50 mm is 5 readings, 3 found: one left out (write ? for a reading not taken), or the step or an end wrong?
         roof.txt:6:12: A4 again: 600 to 0 in steps of 50 mm is 13 readings, 2 found: one left out (write ? for a reading not taken), or the step or an end wrong?",
    );
}

#[test]
fn ends_must_be_whole_steps_apart() {
    notes_faults(
        "step 50 unit mm\n\
         A1 x 0 to 620 y 100 : 0\n\
         A2 x 300 y 1200 to 1170 : 0\n\
         A3 x 0 to 100 y 0 to 100 : 0 0 0\n\
         A4 x 5 y 6 : 0\n",
        "roof.txt:2:4: A1: 0 to 620 is not a whole number of steps of 50 mm; 0 to 600 or 0 to 650 would be: an end or the step wrong?
         roof.txt:3:4: A2: 1200 to 1170 is not a whole number of steps of 50 mm; 1200 to 1150 would be: an end or the step wrong?
         roof.txt:4:4: A3: x 0 to 100, y 0 to 100 is not a whole number of steps of 50 mm; x 0 to 70.7, y 0 to 70.7 or x 0 to 106.1, y 0 to 106.1 would be: an end or the step wrong?
         roof.txt:5:4: A4: both ends are the same spot; write from where to where, such as x 0 to 600 y 100",
    );
    notes_faults(
        "step 50 unit mm\nD x 0 to 425 y 0 to 425 : 0 0 0 0 0 0 0 0 0 0 0 0 0\n",
        "",
    );
}

#[test]
fn the_unit_is_never_guessed_and_asked_for_once() {
    notes_faults(
        "tool straightedge 600 step 300\nA1 x 0 to 600 y 100 : 0 1 0\nA2 x 0 to 600 y 200 : 0 1 0\n",
        "roof.txt:2:23: no unit yet: write unit mm, unit hundredths (25 is 0.25 mm), unit thou, unit in or unit cm on a line above; it is never guessed",
    );
    notes_faults(
        "step 300 unit hundreths\nA1 x 0 to 600 y 100 : 0 1 0\n",
        "roof.txt:1:15: unit \"hundreths\" is not known; expected mm, hundredths (25 is 0.25 mm), thou, in or cm; did you mean hundredths?",
    );
    notes_faults(
        "step 300 unit hundredths\nA1 x 0 to 600 y 100 : 0 0.25 0\nunit thou\nA2 x 0 to 600 y 200 : 0 0.010 2.5\n",
        "roof.txt:2:25: reading \"0.25\" is not a whole number of hundredths; 0.25 mm is written 25, or write unit mm
         roof.txt:4:25: reading \"0.010\" is not a whole or half number of thou; 0.010 in is written 10, or write unit in",
    );
}

#[test]
fn readings_off_the_panel_say_where_they_are() {
    notes_body(
        &format!("A1 x 1500 to 2100 y 100 : {SEVEN}\nA2 x 300 y -10 to 590 : {SEVEN}\nA3 x 0 to 600 y 1201 : {SEVEN}\n"),
        "roof.txt:2:41: A1: x 1900, y 100 is off the panel, which is 1800 x 1200 mm; end, step or panel size wrong? (2 more readings of A1 as well)
         roof.txt:3:25: A2: x 300, y -10 is off the panel, which is 1800 x 1200 mm; end, step or panel size wrong?",
    );
    let shaped = panel(
        "name = \"lid\"\nlength = 1000\nwidth = 600\nform = \"flat\"\npurpose = \"work-boat\"\n\
         outline = [[0, 0], [1000, 0], [1000, 300], [0, 600]]\n\
         cutouts = [[[200, 100], [400, 100], [400, 200], [200, 200]]]\n",
    );
    let text = "step 100 unit mm\n\
                A1 x 0 to 600 y 150 : 0 0 0 0 0 0 0\n\
                A2 x 500 to 1000 y 400 : 0 0 0 0 0 0\n\
                A3 x 0 to 600 y 150 : 0 0 ? ? ? 0 0\n";
    let read = notes::parse(text, "lid.txt", &shaped, &[]);
    same(
        &all(&read.faults),
        "lid.txt:2:29: A1: x 300, y 150 lies in cutout 1; write ? for readings over an opening
         lid.txt:3:30: A2: x 700, y 400 lies outside the panel's outline; write ? for readings over the edge (3 more readings of A2 as well)",
    );
}

#[test]
fn a_wave_gauge_stands_with_both_feet_on_the_panel() {
    notes_faults(
        "tool wave-gauge 100 step 100 unit mm\nW1 x 0 to 300 y 500 : 0 0.1 0 0.1\nW2 x 100 to 400 y 20 : 0 0 0 0.1\n",
        "roof.txt:2:23: W1: x 0, y 500 puts a foot at x -50, y 500, off the panel; positions are the dial's, the feet stand 50 mm to each side",
    );
    notes_faults(
        "tool wave-gauge step 100\n",
        "roof.txt:1:6: a wave-gauge needs the distance between its feet; write it such as tool wave-gauge 50",
    );
}

#[test]
fn a_placing_needs_two_readings_and_a_batten_two_contacts() {
    notes_faults(
        "step 100 unit mm\nA1 x 0 to 300 y 100 : 0.1 ? ? ?\ntool batten 900\nA2 x 0 to 300 y 200 : 0.1 0 0.2 0.1\n",
        "roof.txt:2: A1 has one reading; a placing needs two or more, since how the tool rests is unknown
         roof.txt:4: A2 has 1 readings of 0; a batten touches at two places or more: write 0 where it touches",
    );
}

#[test]
fn a_name_is_used_once_with_one_tool() {
    notes_faults(
        "tool straightedge 600 step 300 unit mm\n\
         A1 x 0 to 600 y 100 : 0 1 0\n\
         A1 x 0 to 600 y 200 : 0 1 0\n\
         a2 again : 0 1 0\n\
         tool bridge 1800\n\
         A1 x 0 to 600 y 300 : 0 1 0\n\
         a1 again : 0 1 0\n",
        "roof.txt:3:1: A1 stands already at roof.txt:2; give this one another name, or write A1 again : … for a repeat
         roof.txt:4:1: a2 again, but no a2 stands above it; write its ends, such as A1 x 0 to 600 y 100 : 0.00 0.10 0.25
         roof.txt:6:1: A1 was placed with straightedge at roof.txt:2, here with bridge; give this one another name
         roof.txt:7:1: A1 was placed with straightedge at roof.txt:2, here with bridge; give this one another name",
    );
}

#[test]
fn a_repeat_of_a_faulty_placing_is_not_complained_about_as_well() {
    notes_body(
        &format!("A1 x 0 to 650 y 100 : {SEVEN}\nA1 again : {SEVEN}\n"),
        "roof.txt:2:4: A1: 0 to 650 is not a whole number of steps of 100 mm; 0 to 600 or 0 to 700 would be: an end or the step wrong?",
    );
}

#[test]
fn lines_that_are_neither_header_nor_placing_are_named() {
    notes_faults(
        "tol straightedge 600\nA1 x 0 to 600 y 100 0 0 0\nsome words\nunit mm stp 50\nA2 : 0 0\nA3 x 0 to 600 : 0\nA4 x 0 to 600 z 5 : 0\nx 0 to 600 y 5 : 0\nby x 0 to 600 y 5 : 0\n",
        "roof.txt:1:1: this line is neither a header nor a placing; did you mean tool?; a placing is written such as A1 x 0 to 600 y 100 : 0.00 0.10 0.25, a remark begins with #
         roof.txt:2:1: no colon between the ends of A1 and its readings; expected such as A1 x 0 to 600 y 100 : 0.00 0.10 0.25
         roof.txt:3:1: this line is neither a header nor a placing; a placing is written such as A1 x 0 to 600 y 100 : 0.00 0.10 0.25, a remark begins with #
         roof.txt:4:9: \"stp\" is not understood here; expected one of panel, date, by, skin, supports, block, tool, step, unit, sd; did you mean step?
         roof.txt:5:1: A2 has no ends; expected such as A1 x 0 to 600 y 100 : 0.00 0.10 0.25
         roof.txt:6:1: A3 has no y; both are needed, such as x 0 to 600 y 100
         roof.txt:7:15: \"z\" is not understood in the ends of A4; expected such as x 0 to 600 y 100, then a colon
         roof.txt:8:1: a placing needs a name before its ends; expected such as A1 x 0 to 600 y 100 : 0.00 0.10 0.25
         roof.txt:9:1: a placing cannot be called by, which begins a header line; give it another name",
    );
}

#[test]
fn header_values_are_checked() {
    notes_faults(
        "date 14.3.2026\ndate 2026-02-30\nskin warm\nskin 900 C\ntool strait-edge\ntool straightedge 0\nstep 0\nstep fifty\nsd 50 mm\n\
         A1 x 0 to 600 furlongs y 5 : 0\nA2 x 0 to y 5 : 0\nA3 x 0 to 1e300 y 5 : 0\n",
        "roof.txt:1:6: date \"14.3.2026\" is not year-month-day; expected such as 2026-03-14
         roof.txt:2:6: date \"2026-02-30\" is not in the calendar; expected year-month-day
         roof.txt:3:6: skin \"warm\" is no temperature of a panel; expected such as 19 C or 66 F
         roof.txt:4:6: skin \"900\" is no temperature of a panel; expected such as 19 C or 66 F
         roof.txt:5:6: tool \"strait-edge\" is not known; expected one of straightedge, profile-gauge, batten, wave-gauge, bridge
         roof.txt:6:19: straightedge 0 mm long cannot be meant; expected 5 to 20000 mm, or write the unit, such as 24 in
         roof.txt:7:1: a step of 0 mm cannot be meant; expected 0.5 to 10000 mm, such as step 50
         roof.txt:8:6: \"fifty\" is not a length; expected a number and a unit such as 300 mm or 12 in
         roof.txt:9:1: sd 50 mm cannot be meant; expected 0.001 to 10 mm, such as sd 0.05 mm, or sd none
         roof.txt:10:15: \"furlongs\" is not understood in the ends of A1; expected such as x 0 to 600 y 100, then a colon
         roof.txt:11:11: \"y\" is not a length; expected a number and a unit such as 300 mm or 12 in
         roof.txt:12:11: \"1e300\" is no place on a panel; decimal mark or unit wrong?",
    );
}

#[test]
fn absurd_readings_are_refused() {
    notes_faults(
        "step 300 unit in\nA1 x 0 to 600 y 100 : 0 5 0\ntool bridge 1800\nA2 x 0 to 600 y 200 : 0 39 40\n",
        "roof.txt:2:25: gap 5 is 127 mm; expected no more than 100 mm: decimal mark or unit wrong?
         roof.txt:4:28: height 40 is 1016 mm; expected no more than 1000 mm: decimal mark or unit wrong?",
    );
}

// Table form.

#[test]
fn missing_doubled_and_misspelt_columns_are_named() {
    table_faults(
        "placing,tool,x,readng,x,y_mm\n",
        "roof.csv:1: no column y; the header needs placing, tool, x, y and reading, in any order
         roof.csv:1: no column reading; the header needs placing, tool, x, y and reading, in any order
         roof.csv:1:16: column \"readng\" is not known; did you mean reading?
         roof.csv:1:23: column x stands twice; keep one
         roof.csv:1:25: column \"y_mm\" is not known; call it y: bare numbers are mm, another unit is written in each cell, such as 10 thou",
    );
    table_faults(
        "one,two\n",
        "roof.csv:1: the first line names no known column; expected a header such as placing,tool,x,y,reading",
    );
    table_faults(
        "placing,tool,x,y,reading\n# none\n",
        "roof.csv:1: a header without rows; expected one reading a row below it",
    );
}

#[test]
fn cells_that_cannot_be_read_are_all_named() {
    table_faults(
        "placing;tool;x;y;reading;base;toward;sd\n\
         ;;0;0;0\n\
         A1;ruler;1,5;abc;NaN\n\
         A1;straightedge;;0;1.3.0;1;north;90\n\
         A1;straightedge;0;0;3 furlongs\n\
         A1;straightedge;0;0;0;600;;0.1;extra\n\
         A1;straightedge;0;\"0;0\n",
        "roof.csv:2:1: no placing named yet; the first row needs one, such as A1
         roof.csv:2:2: no tool named yet; expected one of straightedge, profile-gauge, batten, wave-gauge, bridge
         roof.csv:3:4: tool \"ruler\" is not known; expected one of straightedge, profile-gauge, batten, wave-gauge, bridge
         roof.csv:3:14: y \"abc\" is not a number; expected a place in mm such as 450, or with a unit such as 12 in
         roof.csv:3:18: reading \"NaN\" is not a number a tool can show; write ? for a reading not taken
         roof.csv:4:17: x is blank; every row needs its place, in mm
         roof.csv:4:20: reading \"1.3.0\" is not a number; expected such as 1.30, or ? if not taken
         roof.csv:4:26: base \"1\" cannot be meant; expected 5 to 20000 mm
         roof.csv:4:28: toward \"north\" is no direction; expected x, y, or degrees from x towards y such as 45
         roof.csv:4:34: sd \"90\" cannot be meant; expected 0.001 to 10 mm
         roof.csv:5:21: reading \"3 furlongs\" has no known unit; expected mm, cm, m, in, thou or ft
         roof.csv:6:32: 9 cells in this row, 8 in the header
         roof.csv:7: a quote is not closed on this line; a note stands on one line",
    );
    table_faults(
        "placing,tool,x,y,reading\nA1,straightedge,0,0,0,25\n",
        "roof.csv:2:23: 6 cells in this row, 5 in the header; a decimal comma needs semicolons or tabs between the cells",
    );
}

#[test]
fn a_table_placing_has_one_tool_one_line_and_every_spot_once() {
    table_faults(
        "placing,tool,x,y,reading,base\n\
         A1,straightedge,0,0,0,600\nA1,bridge,50,0,0,\nA1,straightedge,100,0,0,900\n\
         B1,straightedge,0,0,0,\n,,50,0,0.1,\n,,0,0,0.2,\n\
         C1,straightedge,0,0,0,\n,,50,0,0.1,\n,,100,90,0.2,\n,,150,0,0.2,\n\
         D1,straightedge,0,0,0.1,\n\
         E1,straightedge,0,100,-0.1,\n,,1850,100,0.1,\n\
         F1,wave-gauge,100,100,0.1,\n,,200,100,0.1,\n",
        "roof.csv:3:4: A1 is placed with straightedge on line 2, here with bridge; give this one another name
         roof.csv:4:25: A1 has base 600 mm above, here 900; one placing has one base
         roof.csv:7:3: B1: x 0, y 0 was read already on line 5; keep one, or name the second placing B1 again
         roof.csv:10:3: C1: x 100, y 90 lies 90 mm off the line of its other readings; the readings of a straightedge lie on one line
         roof.csv:12: D1 has one reading; a placing needs two or more, since how the tool rests is unknown
         roof.csv:13:23: gap -0.1 is negative; expected 0 or more, since an edge cannot sink into the panel
         roof.csv:14:3: E1: x 1850, y 100 is off the panel, which is 1800 x 1200 mm; end, step or panel size wrong?
         roof.csv:15: F1 has no base; a wave-gauge needs the distance between its feet in the column base",
    );
}

#[test]
fn a_faulty_row_does_not_shift_the_places_of_those_after_it() {
    let mut text = String::from("placing,tool,x,y,reading\n");
    for i in 0..2500 {
        text.push_str(&match i {
            700 => "B1,straightedge,\"0,0,0\n".to_string(),
            1900 => "B1,straightedge,1\r2,0,0\n".to_string(),
            2200 => "B1,straightedge,zero,0,0\n".to_string(),
            _ => format!("A1,bridge,{},{},0\n", i % 50, i / 50),
        });
    }
    table_faults(
        &text,
        "roof.csv:702: a quote is not closed on this line; a note stands on one line
         roof.csv:1902:17: x \"1 2\" is not a number; expected a place in mm such as 450, or with a unit such as 12 in
         roof.csv:2202:17: x \"zero\" is not a number; expected a place in mm such as 450, or with a unit such as 12 in",
    );
}

#[test]
fn names_taken_in_an_earlier_file_are_told_with_both_places() {
    let (_dir, paths) = folder(&[
        ("one.txt", b"tool straightedge 600 step 300 unit mm\nA1 x 0 to 600 y 100 : 0 1 0\n"),
        ("two.csv", b"placing,tool,x,y,reading\nA1,straightedge,0,200,0\n,,300,200,1\nA1 again,bridge,0,200,0\n,,300,200,1\n"),
    ]);
    let error = observe::load(&paths, &roof())
        .expect_err("names clash")
        .to_string();
    let root = format!("{}/", paths[0].parent().expect("a folder").display());
    same(
        &error.replace(&root, ""),
        "two.csv:2: A1 stands already at one.txt:2; give this one another name, or call it A1 again
         two.csv:4: A1 was placed with straightedge at one.txt:2, here with bridge; give this one another name",
    );
}

#[test]
fn a_flood_of_faults_ends_with_their_number() {
    let rows = "A1,straightedge,x,0,0\n".repeat(1000);
    let read = table::parse(
        &format!("placing,tool,x,y,reading\n{rows}"),
        "roof.csv",
        &roof(),
        &[],
    );
    assert_eq!(read.faults.len(), 101);
    assert_eq!(
        read.faults[100].to_string(),
        "roof.csv: and 900 more like these; mend the first ones and try again"
    );
}

// What readings cannot carry.

#[test]
fn too_few_readings_and_one_line_cannot_carry_a_surface() {
    let check = |text: &str, expected: &str| {
        let (_dir, paths) = folder(&[("roof.txt", text.as_bytes())]);
        let survey = observe::load(&paths, &roof()).expect("sound by themselves");
        let error = observe::check_carries(&survey, &roof()).expect_err("cannot carry");
        let root = format!("{}/", paths[0].parent().expect("a folder").display());
        same(&error.to_string().replace(&root, ""), expected);
    };
    check(
        "unit mm\nA1 x 0 to 600 y 100 :\n",
        "no readings yet in roof.txt: write them after the colons, then run this again",
    );
    check(
        "unit mm step 300\nA1 x 0 to 600 y 100 : 0 1 0\nA2 x 100 y 0 to 600 : 0 1 0\n",
        "6 readings in 2 placings are too few for a surface: after what each placing spends on how its tool rests, 2 are left, and a surface needs 6 (three for its curvature, three for how unfair it is); take more placings",
    );
    check(
        "unit mm\nA1 x 0 to 600 y 100 : 0 0 0 0 0 0 0 0 0 0 0 0 0\nA2 x 600 to 1200 y 102 : 0 0 0 0 0 0 0 0 0 0 0 0 0\n",
        "all readings lie on one line, near y 101 (the panel is 1200 mm wide): that is a profile, not a surface; take placings beside and across it",
    );
}

// Panel file.

#[test]
fn missing_keys_are_named_with_an_example() {
    panel_faults(
        "# nothing\n",
        "panel.toml: name is missing; add a line such as name = \"cabin roof\"
         panel.toml: length is missing; add a line such as length = \"1800 mm\"
         panel.toml: width is missing; add a line such as width = \"1200 mm\"
         panel.toml: form is missing; add a line such as form = \"crowned\" (or flat, ruled-x, ruled-y)",
    );
}

const LID: &str = "name = \"lid\"\nlength = 1000\nwidth = 600\nform = \"flat\"\n";

fn lid_faults(text: &str, expected: &str) {
    panel_faults(&format!("{LID}{text}"), expected);
}

#[test]
fn sizes_and_words_of_a_panel_are_checked_all_at_once() {
    panel_faults(
        "name = 5\nlength = 0\nwidth = \"1e9 mm\"\nform = \"crownd\"\nlenght = 3\npaint = \"blue\"\npurpose = \"dark-glos\"\n\
         sand_allowance = -1\nnode_limit = \"15 mm\"\nsheet_metal = \"yes\"\nform_wavelength = [500, 600, 700]\n",
        "panel.toml:1:8: name \"5\" is not text in quotes, such as \"cabin roof\"
         panel.toml:2:10: length 0 mm is no size for a panel; expected 10 to 100000 mm (100 m); a bare number is mm, other units are written, such as \"1.8 m\"
         panel.toml:3:9: width 1000000000 mm is no size for a panel; expected 10 to 100000 mm (100 m); a bare number is mm, other units are written, such as \"1.8 m\"
         panel.toml:4:8: form \"crownd\" is not known; expected flat, ruled-x (straight along the length), ruled-y (straight across) or crowned; did you mean crowned?
         panel.toml:5:1: \"lenght\" is no key of a panel; did you mean length?
         panel.toml:6:1: \"paint\" is no key of a panel; known keys: name, length, width, form, purpose, finish, grazing_light, limit, outline, cutouts, sand_allowance, no_sand, no_fill, photo_ignore, zone, form_wavelength, radius, node_limit, sheet_metal, moving_surface, target, film, film_keep, film_is, core, heat_limit, lifting_surface, film_measured, film_area, substrate, face, below_water, arm, arm_along, hinge, mass_budget, mass_budget_per_m2, mass_so_far, whole_mass, whole_cg
         panel.toml:7:11: purpose \"dark-glos\" is not known; expected one of laminar-wing, wing-aft, dark-gloss, everyday-light, racing-hull, yacht-dark, yacht-light, cruiser-bottom, work-boat; did you mean dark-gloss?
         panel.toml:8:18: sand_allowance -1 mm cannot be meant; expected 0 to 50 mm, or write the unit
         panel.toml:9:14: node_limit 15 mm cannot be meant; expected 0.01 to 10 mm, or write the unit
         panel.toml:10:15: sheet_metal \"\"yes\"\" is not true or false, written without quotes
         panel.toml:11:19: form_wavelength has 3 values; expected one, or [along x, along y]",
    );
    for (value, shown) in [("nan", "nan"), ("inf", "inf"), ("\"12 miles\"", "")] {
        let faults = file::parse(&LID.replace("1000", value), "panel.toml").expect_err("no size");
        assert_eq!((faults[0].line, faults[0].column), (2, 10), "{value}");
        assert!(faults[0].message.contains(shown), "{}", all(&faults));
    }
}

#[test]
fn slips_of_syntax_come_with_the_other_faults() {
    panel_faults(
        "name = \"lid\"\nlength 1000\nwidth = 0\nform = flat\nname = \"hatch\"\n\
         node_limit = 0,2\nsand_allowance = \"0.3 mm\noutline = [[0, 0], [1000 0], [0, 600]]\n\
         [[limit]\nbase = 300\n[[limit]]\ngap = 0.3\n",
        "panel.toml:2:8: no \"=\" behind the key; expected key = value, such as width = 1200
         panel.toml:3:9: width 0 mm is no size for a panel; expected 10 to 100000 mm (100 m); a bare number is mm, other units are written, such as \"1.8 m\"
         panel.toml:4:8: \"flat\" is neither a number nor text in quotes; words and numbers with a unit stand in quotes, such as \"12 in\", numbers in a list are parted by commas
         panel.toml:5:1: \"name\" is given twice; keep one
         panel.toml:6:15: something stands behind the value; expected one key = value a line, a point as decimal mark and no comma for thousands
         panel.toml:7:25: a quote is not closed on this line
         panel.toml:8:21: \"1000 0\" is neither a number nor text in quotes; words and numbers with a unit stand in quotes, such as \"12 in\", numbers in a list are parted by commas
         panel.toml:9:9: not TOML: unclosed array table, expected `]`; expected key = value, such as width = 1200
         panel.toml:11:1: a limit without a base is no limit: a gap says nothing until it is said under how long an edge; add base = \"300 mm\"",
    );
    panel_faults(
        "name = \"lid\"\nlength = 1000\nform = \"flat\"\noutline = [[0, 0], [1000, 0],\n  [0, 600]\nwidth = 0\n",
        "panel.toml:4:11: this list is not closed, or lacks a comma; expected such as [[0, 0], [1800, 0], [1800, 1200]]
         panel.toml:6:9: width 0 mm is no size for a panel; expected 10 to 100000 mm (100 m); a bare number is mm, other units are written, such as \"1.8 m\"",
    );
}

#[test]
fn outlines_and_cutouts_are_checked() {
    lid_faults(
        "outline = [[0, 0], [1000, 600], [1000, 0], [0, 600]]\n",
        "panel.toml:5:33: outline: the side from [1000, 0] crosses or touches the side from [0, 0]; write the corners in the order in which you meet them walking round",
    );
    lid_faults(
        "outline = [[0, 0], [1100, 0], \"corner\", [0]]\ncutouts = [[[0, 0], [10, 0]]]\nno_sand = 5\n",
        "panel.toml:5:31: corner \"\"corner\"\" is not a pair [x, y] such as [600, 400]
         panel.toml:5:41: corner \"[0]\" is not a pair [x, y] such as [600, 400]
         panel.toml:6:13: cutouts: an outline of 2 corners encloses nothing; expected at least 3, as [x, y] pairs
         panel.toml:7:11: no_sand \"5\" is not a list of outlines such as [[[600, 400], [1200, 400], [1200, 700]]]",
    );
    lid_faults(
        "outline = [[0, 0], [1000, 0], [1000, 300], [0, 600]]\n\
         cutouts = [[[700, 300], [900, 300], [900, 500]], [[100, 100], [300, 100], [300, 300]], [[200, 100], [400, 100], [250, 300]]]\n\
         [[no_fill]]\n[[no_sand]]\noutline = [[0, 0], [1001, 0], [0, 10]]\n",
        "panel.toml:6:11: cutout 1 leaves the outline at [900, 500]; where an opening cuts the edge, draw it into the outline
         panel.toml:6:11: cutouts 2 and 3 overlap; draw them as one
         panel.toml:7:1: [[no_fill]] has no outline; add outline = [[0, 0], [300, 0], [300, 200]]
         panel.toml:9:20: no_sand: corner [1001, 0] is off the panel, which is 1000 x 600 mm from the datum corner; mend the corner, or length and width",
    );
}

#[test]
fn a_limit_without_a_base_is_refused_with_the_reason() {
    lid_faults(
        "[[limit]]\ngap = 0.3\n[[limit]]\nbase = 300\n[[limit]]\nbase = 300\ngap = 0.3\nswing = 0.2\n\
         [[limit]]\nbase = 300\nslope = \"4 mm/m\"\n[[limit]]\nbase = 30\ngap = 300\n[[limit]]\nbase = 50\ngap = 0.1\n[[limit]]\nbase = 50\ngap = 0.2\n\
         [[limit]]\nbase = 50\ngp = 0.2\n",
        "panel.toml:5:1: a limit without a base is no limit: a gap says nothing until it is said under how long an edge; add base = \"300 mm\"
         panel.toml:7:1: a limit limits one thing: expected one of gap, swing or slope, found none; write a [[limit]] for each
         panel.toml:9:1: a limit limits one thing: expected one of gap, swing or slope, found gap and swing; write a [[limit]] for each
         panel.toml:15:9: slope \"\"4 mm/m\"\" is not a bare number of mm per m from 0.01 to 300; write it such as slope = 4
         panel.toml:18:7: gap 300 mm cannot be meant; expected 0 to 100 mm, or write the unit
         panel.toml:22:1: a second limit over 50 mm; keep one
         panel.toml:25:1: a limit limits one thing: expected one of gap, swing or slope, found none; write a [[limit]] for each
         panel.toml:27:1: \"gp\" is no key of [[limit]]; did you mean gap?",
    );
}

#[test]
fn zones_need_a_name_an_outline_and_a_limit_and_lie_side_by_side() {
    lid_faults(
        "[[zone]]\n[[zone]]\nname = \"front\"\noutline = [[0, 0], [500, 0], [500, 600], [0, 600]]\npurpose = \"dark-gloss\"\n\
         [[zone]]\nname = \"back\"\noutline = [[400, 0], [1000, 0], [1000, 600]]\n[[zone.limit]]\nbase = 300\ngap = 0.5\n",
        "panel.toml:5:1: [[zone]] has no name; add name = \"front edge\"
         panel.toml:5:1: [[zone]] has no outline; add outline = [[0, 0], [300, 0], [300, 200]]
         panel.toml:5:1: [[zone]] has no limit of its own; add a [[zone.limit]] with base and gap, or purpose = \"…\"
         panel.toml:10:1: zones \"front\" and \"back\" overlap, so that two limits would hold in one place; draw them side by side",
    );
}

#[test]
fn panel_files_that_cannot_be_read_are_named() {
    let (dir, paths) = folder(&[
        ("panel.toml", b"name = \"caf\xE9\"\n"),
        ("none.toml", b"\n"),
    ]);
    let root = format!("{}/", dir.path().display());
    for (path, expected) in [
        (
            &paths[0],
            "panel.toml:1:12: byte 0xE9 is not UTF-8 text; save the file as plain text in UTF-8",
        ),
        (&paths[1], "none.toml: is empty; nothing was read from it"),
        (
            &dir.path().join("no.toml"),
            "no.toml: no such file; check the name and the folder it is in",
        ),
    ] {
        let error = file::load(path).expect_err("cannot be read").to_string();
        same(&error.replace(&root, ""), expected);
    }
}
