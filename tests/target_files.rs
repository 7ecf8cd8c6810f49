//! Files about targets: `targets.csv`, `[[target]]` in panel.toml, the printable page, and the
//! whole way from a photo. All is made up.

use crate::support::targets::{Spoiling, Surface, Taped, View, paint};
use crate::support::{all, folder, panel, roof};
use lowspot::panel::file;
use lowspot::photo::page::{self, PageOptions, Paper};
use lowspot::photo::{finder, layout, targets};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

const SIZE: [u32; 2] = [4000, 3000];

#[track_caller]
fn faults(text: &str, expected: &str) {
    let found = match targets::parse(text, "targets.csv", &roof(), SIZE) {
        Ok(_) => String::new(),
        Err(faults) => all(&faults),
    };
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

#[test]
fn a_targets_file_is_read_in_all_its_dialects() {
    let check = |text: &str| {
        let (seen, warnings) = targets::parse(text, "targets.csv", &roof(), SIZE)
            .unwrap_or_else(|f| panic!("{}", all(&f)));
        assert!(warnings.is_empty());
        assert_eq!(seen.len(), 4);
        assert!(
            (seen[1].on_panel[0] - 1524.0).abs() < 1e-9
                && (seen[1].on_panel[1] - 50.5).abs() < 1e-9
        );
        assert_eq!(seen[1].in_photo, [3400.75, 2501.5]);
        assert_eq!(seen[1].name, "target \"right, near\"");
        assert_eq!(seen[0].name, "the target on line 3");
    };
    check(
        "# from the viewer\nx,y,px,py,name\n0,0,500,2500,\n5 ft,50.5,3400.25,2501,\"right, near\"\n1800,1200,3300,400,\n0,1200,600,300,\n",
    );
    check(
        "\u{feff}x;y;px;py;name\n# corner\n0;0;500;2500;\n1524;50,5;3400,25;2501;right, near\n1800;1200;3300;400;\n0;1200;600;300;\n",
    );
    check(
        "# tabs\nNAME\tPX\tPY\tX\tY\n\t500\t2500\t0\t0\nright, near\t3400,25\t2501\t60 in\t5,05 cm\n\t3300\t400\t1800\t1200\n\t600\t300\t0\t1200\n",
    );
}

#[test]
fn faults_of_a_targets_file_are_named_all_at_once() {
    faults(
        "x,y,px,py\n0,0,500,2500\n18oo,0,3400,2500\n1800,1200,4100,400\n0,1200,600\n0,0.4,700,2500\n900,1300,500.5,2500.2\n",
        "targets.csv:3:1: x \"18oo\" is not a number; expected a place in mm such as 450, or with a unit such as 12 in
         targets.csv:4:11: px \"4100\" is outside the photo, which is 4000 x 3000 pixels as it is seen upright; pixels count from the top left
         targets.csv:5:11: py is blank; every target needs its pixel in the photo
         targets.csv:6:1: x 0, y 0.4 stands already on line 2; keep one
         targets.csv:7:1: x 900, y 1300 is 100 mm off the panel, more than 50 mm; decimal mark or unit wrong?
         targets.csv:7:10: this pixel is that of the target on line 2; two targets are not seen at one pixel",
    );
    faults(
        "x,y,px,py\n0,0,500,2500\n1800,0,3400,2500\n1800,1200,3300,400\n",
        "targets.csv: 3 targets; four or more are needed, no three of them in line, best near the corners",
    );
    faults(
        "x,y,px\n0,0,500\n",
        "targets.csv:1: no column py; the header needs x and y (place on the panel) and px and py (pixel in the photo)",
    );
    faults(
        "0,0,500,2500\n",
        "targets.csv:1: the first line names no known column; expected the header x,y,px,py",
    );
    faults(
        "placing,tool,x,y,reading\n",
        "targets.csv:1: these are readings, not targets; a file of targets has the header x,y,px,py",
    );
    faults(
        "x,y,px,py\n0,0,1,2,5,0\n",
        "targets.csv:2:9: 6 cells in this row, 4 in the header; a decimal comma needs semicolons or tabs between the cells",
    );
    faults("x,y,px,py\n0,0,-3,nan\n", "targets.csv:2:5: px \"-3\" is outside the photo, which is 4000 x 3000 pixels as it is seen upright; pixels count from the top left
        targets.csv:2:8: py \"nan\" is not a number; expected pixels from the top left of the photo, such as 1203");
    faults(
        "# nothing\n",
        "targets.csv: holds only remarks; expected a header x,y,px,py and four targets or more",
    );
}

const HEAD: &str =
    "name = \"lid\"\nlength = 900\nwidth = 600\nform = \"flat\"\npurpose = \"dark-gloss\"\n";

#[test]
fn targets_of_a_panel_are_read_with_units() {
    let panel = panel(&format!(
        "{HEAD}[[target]]\nnumber = 3\nx = \"2 in\"\ny = 40\n[[target]]\nnumber = 0\nx = -20.5\ny = 0\n"
    ));
    let places: Vec<_> = panel
        .targets
        .iter()
        .map(|t| (t.number, t.x_mm, t.y_mm))
        .collect();
    assert_eq!(places, [(3, 50.8, 40.0), (0, -20.5, 0.0)]);
}

#[test]
fn faults_of_a_panels_targets_are_named_all_at_once() {
    let text = format!(
        "{HEAD}[[target]]\nnumber = 3\nx = 40\ny = 40\n[[target]]\nnumber = 3\nx = 860\ny = 40\n[[target]]\nnumber = 250\nx = 1\ny = 2\n\
         [[target]]\nnumber = 4\nx = 40.5\ny = 40\n[[target]]\nnumber = 5\nx = 960\ny = 40\n[[target]]\nnumber = 6\nx = 1\nz = 2\n"
    );
    let found = file::parse(&text, "panel.toml")
        .err()
        .map(|f| all(&f))
        .unwrap_or_default();
    let expected = "panel.toml:11:10: target 3 stands twice; each number is taped once, keep one\n\
        panel.toml:15:10: number \"250\" is not the number of a target; expected a whole number from 0 to 249\n\
        panel.toml:20:5: target 4 has the place of target 3, x 40, y 40; mend one of them\n\
        panel.toml:24:5: target 5 at x 960, y 40 is 60 mm off the panel, more than 50 mm; mend the place, or the unit: a bare number is mm\n\
        panel.toml:26:1: this target has no y; expected such as number = 3, x = 40, y = 40\n\
        panel.toml:29:1: \"z\" is no key of [[target]]; did you mean x?";
    assert_eq!(found, expected, "\n{found}\n");
}

// The page.

fn options(count: u16, side_mm: f64, paper: Paper) -> PageOptions {
    PageOptions {
        first: 1,
        count,
        side_mm,
        paper,
    }
}

/// The dark rectangles of an SVG page painted at some pixels a mm.
fn painted(svg: &str, px_per_mm: f64, paper: Paper) -> image::GrayImage {
    let size = paper.size_mm().map(|mm| (mm * px_per_mm).round() as u32);
    let mut picture = image::GrayImage::from_pixel(size[0], size[1], image::Luma([255]));
    for line in svg.lines().filter(|l| l.starts_with("<rect x=")) {
        let value = |name: &str| -> f64 {
            let from = line.find(&format!(" {name}=\"")).expect("there") + name.len() + 3;
            let rest = &line[from..];
            rest[..rest.find('"').expect("closed")]
                .parse()
                .expect("a number")
        };
        let [x, y, w, h] = ["x", "y", "width", "height"].map(|n| value(n) * px_per_mm);
        for r in y.round() as u32..(y + h).round() as u32 {
            for c in x.round() as u32..(x + w).round() as u32 {
                picture.put_pixel(c, r, image::Luma([0]));
            }
        }
    }
    picture
}

#[test]
fn every_printed_target_is_found_on_the_page_at_its_size() {
    for (count, side, paper) in [
        (12, 50.0, Paper::A4),
        (9, 50.0, Paper::Letter),
        (40, 20.0, Paper::A4),
        (2, 150.0, Paper::A4),
    ] {
        let pages = page::svg(&options(count, side, paper)).expect("pages");
        let mut numbers = Vec::new();
        for svg in &pages {
            for f in finder::find(&painted(svg, 4.0, paper)) {
                assert!(
                    (f.side_px() - 4.0 * side).abs() < 0.6,
                    "{} px for {side} mm",
                    f.side_px()
                );
                assert_eq!(f.wrong_bits, 0);
                numbers.push(f.number);
            }
        }
        assert_eq!(
            numbers,
            (1..=count).collect::<Vec<_>>(),
            "{side} mm on {paper:?}"
        );
    }
}

#[test]
fn the_page_as_svg_has_the_size_of_the_paper_and_says_how_to_use_it() {
    let pages = page::svg(&options(3, 50.0, Paper::Letter)).expect("a page");
    assert_eq!(pages.len(), 1);
    for words in [
        "width=\"215.9mm\" height=\"279.4mm\"",
        "must measure 100 mm",
        "to the middle of the target",
        ">100 mm<",
        ">3<",
    ] {
        assert!(pages[0].contains(words), "{words}");
    }
    let pdf = page::pdf(&options(3, 50.0, Paper::A4)).expect("a page");
    let text = String::from_utf8_lossy(&pdf);
    assert!(
        pdf.starts_with(b"%PDF-") && text.contains("/Helvetica") && text.contains("595.27"),
        "A4 in points"
    );
}

#[test]
fn numbers_and_sizes_that_cannot_be_printed_are_refused() {
    let check = |first, count, side, expected: &str| {
        let options = PageOptions {
            first,
            count,
            side_mm: side,
            paper: Paper::A4,
        };
        let error = page::pdf(&options).expect_err("refused").to_string();
        assert!(error.contains(expected), "{error}");
        assert!(page::svg(&options).is_err());
    };
    check(
        245,
        6,
        50.0,
        "numbers 245 to 250: targets have the numbers 0 to 249",
    );
    check(0, 0, 50.0, "ask for one or more");
    check(
        u16::MAX,
        u16::MAX,
        50.0,
        "targets have the numbers 0 to 249",
    );
    check(1, 4, 10.0, "a side from 15 to 150 mm");
    check(1, 4, f64::NAN, "a side from 15 to 150 mm");
}

#[test]
fn suggested_places_lie_on_the_panel_and_apart() {
    let cut = panel(
        "name = \"lid\"\nlength = 900\nwidth = 600\nform = \"crowned\"\npurpose = \"dark-gloss\"\noutline = [[0,0],[900,0],[900,400],[700,600],[0,600]]\ncutouts = [[[400,250],[500,250],[500,350],[400,350]]]\n",
    );
    let places = layout::suggested(&cut, &options(9, 50.0, Paper::A4));
    assert!(places.len() >= 7, "{places:?}");
    for (i, t) in places.iter().enumerate() {
        assert!(cut.contains(t.x_mm, t.y_mm));
        assert_eq!(usize::from(t.number), i + 1);
    }
}

// From a photo.

/// A flat roof with six numbered targets, and a photo of it with a target of number 7 in place of
/// the last one if wanted.
fn roof_photo(numbers: [u16; 6]) -> image::GrayImage {
    let view = View::new(
        [1800.0, 1200.0],
        Surface::Flat,
        1600,
        20.0,
        250.0,
        5.0,
        0.95,
    );
    let taped: Vec<Taped> = ROOF_PLACES
        .iter()
        .zip(numbers)
        .map(|(p, number)| Taped {
            number,
            x: p[0],
            y: p[1],
            turned: 10.0,
        })
        .collect();
    let spoiling = Spoiling {
        blur_px: 0.6,
        noise: 2.0,
        light_ratio: 1.5,
        glares: 0,
    };
    paint(
        &view,
        &taped,
        80.0,
        spoiling,
        &mut ChaCha8Rng::seed_from_u64(1),
    )
}

const ROOF_PLACES: [[f64; 2]; 6] = [
    [100.0, 100.0],
    [1700.0, 100.0],
    [1700.0, 1100.0],
    [100.0, 1100.0],
    [900.0, 300.0],
    [700.0, 800.0],
];

fn roof_with_targets(numbers: &[u16]) -> lowspot::panel::Panel {
    let mut text = String::from(
        "name = \"roof\"\nlength = 1800\nwidth = 1200\nform = \"flat\"\npurpose = \"dark-gloss\"\n",
    );
    for (p, n) in ROOF_PLACES.iter().zip(numbers) {
        text.push_str(&format!(
            "[[target]]\nnumber = {n}\nx = {}\ny = {}\n",
            p[0], p[1]
        ));
    }
    panel(&text)
}

#[test]
fn a_photo_with_numbered_targets_places_the_panel() {
    let placed = targets::place(
        &roof_with_targets(&[1, 2, 3, 4, 5, 6]),
        &roof_photo([1, 2, 3, 4, 5, 6]),
        None,
    )
    .expect("placed");
    assert_eq!(placed.used.len(), 6);
    assert!(
        placed.rms_mm < 0.3 && placed.left_out.is_empty(),
        "{:?}",
        placed.used
    );
    assert!(placed.warnings.is_empty(), "{:?}", placed.warnings);
}

#[test]
fn targets_seen_twice_or_unknown_are_left_out_and_said_so() {
    let placed = targets::place(
        &roof_with_targets(&[1, 2, 3, 4]),
        &roof_photo([1, 2, 3, 4, 9, 9]),
        None,
    )
    .expect("placed");
    let said: Vec<String> = placed
        .left_out
        .iter()
        .map(|l| format!("{} {}", l.name, l.reason))
        .collect();
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(
        said[0].starts_with("target 9 is in the photo 2 times, at column "),
        "{said:?}"
    );
    let error = targets::place(
        &roof_with_targets(&[1, 2, 3]),
        &roof_photo([1, 2, 3, 4, 5, 5]),
        None,
    )
    .expect_err("too few")
    .to_string();
    assert!(error.starts_with("the photo shows 6 numbered targets (1, 2, 3, 4, 5, 5), 3 of them with a place in panel.toml; four are needed"), "{error}");
    assert!(
        error.contains(
            "\ntarget 4 is in the photo, but panel.toml has no [[target]] of that number"
        ),
        "{error}"
    );
}

#[test]
fn a_mirrored_photo_has_no_targets() {
    let mirrored = image::imageops::flip_horizontal(&roof_photo([1, 2, 3, 4, 5, 6]));
    assert_eq!(finder::find(&mirrored), []);
    let error = targets::place(&roof_with_targets(&[1, 2, 3, 4]), &mirrored, None)
        .expect_err("none")
        .to_string();
    assert!(
        error.starts_with("no numbered target was found in the photo"),
        "{error}"
    );
}

/// Places the roof by a targets.csv whose pixels are those of the targets, each moved by so much.
fn placed_by_file(moved_px: [[f64; 2]; 6]) -> targets::Placed {
    let picture = roof_photo([1, 2, 3, 4, 5, 6]);
    let found = finder::find(&picture);
    assert_eq!(found.len(), 6);
    let mut text = String::from("x,y,px,py,name\n");
    for ((f, p), [dx, dy]) in found.iter().zip(ROOF_PLACES).zip(moved_px) {
        text.push_str(&format!(
            "{},{},{:.1},{:.1},n{}\n",
            p[0],
            p[1],
            f.centre[0] - 0.5 + dx,
            f.centre[1] - 0.5 + dy,
            f.number
        ));
    }
    let (_dir, paths) = folder(&[("targets.csv", text.as_bytes())]);
    targets::place(&roof_with_targets(&[]), &picture, Some(&paths[0])).expect("placed")
}

/// Pixels read off by eye are some out; where a numbered target lies there, its middle is closer.
#[test]
fn places_read_off_the_photo_are_sharpened_by_numbered_targets() {
    let by_eye = [
        [3.0, -2.0],
        [-3.0, 1.0],
        [2.0, 3.0],
        [-2.0, -3.0],
        [3.0, 2.0],
        [-1.0, 3.0],
    ];
    let placed = placed_by_file(by_eye);
    assert!(placed.rms_mm < 0.3, "{}", placed.rms_mm);
    assert_eq!(placed.used.len(), 6);
    // What lies 30 px beside a target is another mark: it stays where it was said to be, and is
    // left out, since the others contradict it.
    let mut beside = by_eye;
    beside[5] = [30.0, 0.0];
    let placed = placed_by_file(beside);
    assert_eq!(placed.used.len(), 5, "{:?}", placed.used);
    assert_eq!(
        placed.left_out[0].name, "target \"n6\"",
        "{:?}",
        placed.left_out
    );
}

#[test]
fn a_targets_file_is_used_instead_of_what_is_found() {
    let placed = placed_by_file([[0.0; 2]; 6]);
    assert!(placed.rms_mm < 0.3 && placed.used.len() == 6);
    assert_eq!(placed.found.len(), 6, "for leaving them out of the coat");
}

#[test]
fn pictures_of_nothing_give_nothing() {
    for (w, h) in [(0, 0), (1, 1), (30, 2000), (640, 480)] {
        assert_eq!(
            finder::find(&image::GrayImage::from_pixel(w, h, image::Luma([255]))),
            []
        );
    }
}
