//! Round the map: title, the scale as leaves at an edge, key of marks, notes.

use super::map::{self, Sheet};
use super::palette::{self, Rgb};
use super::scene::{Anchor, Label, Scene, Shape, dashes};
use super::text;
use crate::problem::{Error, Warning};

/// Adds everything round the map and sets the picture's height.
pub(super) fn add(sheet: &Sheet<'_>, scene: &mut Scene) -> Result<(), Error> {
    head(sheet, scene)?;
    let mut y = sheet.below_axes() + 0.3 * sheet.look.text;
    if !sheet.photo_alone() {
        scale(sheet, scene, &mut y);
    }
    key(sheet, scene, &mut y)?;
    notes(sheet, scene, &mut y)?;
    scene.height = y + 0.5 * sheet.look.text;
    Ok(())
}

fn head(sheet: &Sheet<'_>, scene: &mut Scene) -> Result<(), Error> {
    let (t, left, right) = (
        sheet.look.text,
        sheet.look.text,
        sheet.look.width - 1.4 * sheet.look.text,
    );
    let verdict = super::words::headline(sheet.j, sheet.units);
    let room = right - left - text::width(&verdict, 1.5 * t)? - 2.0 * t;
    let name = shortened(&sheet.j.panel_name, 1.5 * t, room)?;
    scene.labels.push(Label {
        size: 1.5 * t,
        ..sheet.plain([left, 1.4 * t], Anchor::Left, name)
    });
    scene.labels.push(Label {
        size: 1.5 * t,
        ..sheet.plain([right, 1.4 * t], Anchor::Right, verdict)
    });
    let date = match &sheet.j.date {
        Some(date) => format!("surveyed {date}"),
        None => "no survey date noted".into(),
    };
    let what = if sheet.photo_alone() {
        "Lows by the coat left, depth not known".to_string()
    } else {
        format!("Highs and lows, {}", sheet.units.depth_unit())
    };
    let until = super::words::true_until(&sheet.j.warnings);
    let words = if sheet.j.warnings.iter().any(Warning::is_pressing) {
        // First, so that a long name of a holder cuts off the rest and not this.
        format!("{until}; {date}; {what}")
    } else {
        format!("{what}; {date}; {until}")
    };
    let words = shortened(&words, t, right - left)?;
    scene
        .labels
        .push(sheet.plain([left, 3.0 * t], Anchor::Left, words));
    Ok(())
}

pub(super) fn shortened(words: &str, size: f64, room: f64) -> Result<String, Error> {
    let mut kept: Vec<char> = words.chars().take(200).collect();
    if text::width(words, size)? <= room {
        return Ok(words.to_string());
    }
    while !kept.is_empty() {
        kept.pop();
        let candidate = format!("{}…", kept.iter().collect::<String>().trim_end());
        if text::width(&candidate, size)? <= room {
            return Ok(candidate);
        }
    }
    Ok(String::new())
}

/// The colours from low to high with their limits, dots and hatching, as leaves at an edge; the
/// node limit and the allowance marked.
fn scale(sheet: &Sheet<'_>, scene: &mut Scene, y: &mut f64) {
    let t = sheet.look.text;
    let [left, cell, top] = bar(sheet, scene, y, ["LOW", "fair", "HIGH"]);
    let boundary = |n: usize| left + n as f64 * cell;
    for n in [4, 7] {
        scribe(sheet, scene, [boundary(n), top]);
    }
    // Named once: the right half of the bar has what may come off.
    scene.labels.push(sheet.plain(
        [boundary(4), top - 0.85 * t],
        Anchor::Middle,
        "primer's reach".into(),
    ));
    allowance(sheet, scene, [boundary(6), top], cell);
}

/// The eleven classes as leaves at a straightedge: what is low hangs under it, as thick leaves go
/// under; what is high stands above it. Words for both ends and the middle. Returns its left end,
/// the width of a class and its top, px.
pub(super) fn bar(
    sheet: &Sheet<'_>,
    scene: &mut Scene,
    y: &mut f64,
    [low, middle, high]: [&str; 3],
) -> [f64; 3] {
    let (t, edges) = (sheet.look.text, sheet.classes.edges);
    let cell = ((sheet.look.width - 14.0 * t) / 11.0).min(4.6 * t);
    let left = (sheet.look.width - 11.0 * cell) / 2.0;
    let (top, bottom) = (*y + 1.3 * t, *y + 4.1 * t);
    let edge = (top + bottom) / 2.0;
    let middles = |class: usize| {
        if class == 5 {
            1.5 * edges[4]
        } else {
            (edges[class - 1] + edges[class]) / 2.0
        }
    };
    for n in 0..11usize {
        let x = left + n as f64 * cell;
        let deviation = match n {
            0..5 => -middles(5 - n),
            5 => 0.0,
            _ => middles(n - 5),
        };
        // A step thicker for each class.
        let thick = |class: usize| (0.3 + 0.22 * class as f64) * t;
        let (above, below) = match n {
            0..5 => (0.0, thick(5 - n)),
            5 => (0.18 * t, 0.18 * t),
            _ => (thick(n - 5), 0.0),
        };
        let (from, to) = ([x, edge - above], [x + cell, edge + below]);
        scene
            .shapes
            .push(Shape::rectangle(from, to, sheet.classes.colour(deviation)));
        swatch_marks(sheet, &mut scene.shapes, from, to, deviation);
        let outline = vec![from, [to[0], from[1]], to, [from[0], to[1]], from];
        scene.shapes.push(Shape::Line {
            points: outline,
            colour: palette::GREY,
            width: sheet.look.hair(),
        });
    }
    let boundary = |n: usize| left + n as f64 * cell;
    scene.shapes.push(Shape::stroke(
        [left - 0.3 * t, edge],
        [boundary(11) + 0.3 * t, edge],
        palette::INK,
        0.16 * t,
    ));
    for (k, edge) in edges.iter().enumerate() {
        for (n, value) in [(5 - k, -edge), (6 + k, *edge)] {
            let at = [boundary(n), bottom + 0.75 * t];
            scene
                .labels
                .push(sheet.plain(at, Anchor::Middle, map::signed(sheet.units, value)));
        }
    }
    let unit = sheet.units.depth_unit();
    for (x, anchor, words) in [
        (left - 0.6 * t, Anchor::Right, format!("{low}, {unit}")),
        (
            boundary(11) + 0.6 * t,
            Anchor::Left,
            format!("{high}, {unit}"),
        ),
    ] {
        scene
            .labels
            .push(sheet.plain([x, (top + bottom) / 2.0], anchor, words));
    }
    scene.labels.push(sheet.plain(
        [boundary(5) + cell / 2.0, edge - 0.9 * t],
        Anchor::Middle,
        middle.into(),
    ));
    *y = bottom + 1.5 * t;
    [left, cell, top]
}

/// A scribed line, from the words above the leaves down to the edge.
fn scribe(sheet: &Sheet<'_>, scene: &mut Scene, at: [f64; 2]) {
    let t = sheet.look.text;
    let to = [at[0], at[1] + 1.4 * t];
    scene.shapes.push(Shape::stroke(
        [at[0], at[1] - 0.3 * t],
        to,
        palette::INK,
        2.0 * sheet.look.hair(),
    ));
}

/// What may come off, pointed out on the high side of the scale.
fn allowance(sheet: &Sheet<'_>, scene: &mut Scene, zero: [f64; 2], cell: f64) {
    let (t, edges, mm) = (
        sheet.look.text,
        sheet.classes.edges,
        sheet.j.sand_allowance_mm,
    );
    if !mm.is_finite() || mm < 0.0 {
        return;
    }
    let class = sheet.classes.of(mm);
    let (from, to) = match class {
        0 => (0.0, edges[0]),
        5 => (edges[4], 2.0 * edges[4]),
        n => (edges[n - 1], edges[n]),
    };
    let part = ((mm - from) / (to - from)).clamp(0.0, 1.0);
    // Class 0 spans half a cell, from the middle of the plain one.
    let x = match class {
        0 => zero[0] - cell / 2.0 * (1.0 - part),
        n => zero[0] + (n as f64 - 1.0 + part) * cell,
    };
    let given = if sheet.j.sand_allowance_given {
        ""
    } else {
        " (assumed)"
    };
    let words = format!(
        "{} may come off{given}",
        super::words::depth(mm, sheet.units)
    );
    scribe(sheet, scene, [x, zero[1]]);
    let at = [x, zero[1] - 0.85 * t];
    scene.labels.push(sheet.plain(at, Anchor::Left, words));
}

fn swatch_marks(
    sheet: &Sheet<'_>,
    shapes: &mut Vec<Shape>,
    from: [f64; 2],
    to: [f64; 2],
    deviation: f64,
) {
    let (t, class) = (sheet.look.text, sheet.classes.of(deviation));
    let ink: Rgb = sheet.classes.mark(deviation);
    if deviation < 0.0 {
        let Some(radius) = map::dot_radius(class, sheet.look) else {
            return;
        };
        let step = 0.62 * t;
        for (row, y) in [0.5, 1.37].into_iter().enumerate() {
            let mut x = from[0] + step * if row == 0 { 0.5 } else { 1.0 };
            let across = from[1] + y * step + 0.1 * t;
            if across + radius > to[1] {
                continue;
            }
            while x + radius < to[0] {
                shapes.push(Shape::Dot {
                    at: [x, across],
                    radius,
                    colour: ink,
                });
                x += step;
            }
        }
    } else if class >= 2 {
        let step = 0.42 * t * if class == 2 { 2.0 } else { 1.0 };
        let height = to[1] - from[1];
        let mut x = from[0] - height + step / 2.0;
        while x < to[0] {
            // From (x, bottom) to (x + height, top), cut at the swatch's sides.
            let (a, b) = (x.max(from[0]), (x + height).min(to[0]));
            if b > a {
                shapes.push(Shape::stroke(
                    [a, to[1] - (a - x)],
                    [b, to[1] - (b - x)],
                    ink,
                    1.5 * sheet.look.hair(),
                ));
            }
            x += step;
        }
    }
}

/// A mark of the key.
#[derive(Clone, Copy)]
enum Mark {
    Spot,
    Placing,
    Blank,
    Unsure,
    Coat,
    Substrate,
    Pinholes,
    LeftOut,
    NoSand,
    NoFill,
    Zone,
}

/// The marks that occur on this map, with what they mean.
fn marks(sheet: &Sheet<'_>) -> Vec<(Mark, &'static str)> {
    let mut items = if sheet.photo_alone() {
        vec![
            (Mark::Coat, "coat left: low, depth not known"),
            (Mark::Blank, "not seen in the photo"),
        ]
    } else {
        vec![
            (Mark::Spot, "worst spot"),
            (Mark::Placing, "placing"),
            (Mark::Blank, "not measured"),
            (Mark::Unsure, "unsure"),
        ]
    };
    let (j, panel) = (sheet.j, sheet.panel);
    let coat = j.photos.as_ref().map(|found| &found.coat);
    let more = [
        (
            coat.is_some_and(|c| c.substrate().next().is_some()),
            (Mark::Substrate, "substrate showing"),
        ),
        (
            coat.is_some_and(|c| !c.pinholes.is_empty()),
            (Mark::Pinholes, "pinholes"),
        ),
        (!j.flags.is_empty(), (Mark::LeftOut, "reading left out")),
        (!panel.no_sand.is_empty(), (Mark::NoSand, "no sanding")),
        (!panel.no_fill.is_empty(), (Mark::NoFill, "no filler")),
        (!panel.zones.is_empty(), (Mark::Zone, "zone")),
    ];
    items.extend(more.into_iter().filter(|m| m.0).map(|m| m.1));
    items
}

/// The other marks, those that occur on this map.
fn key(sheet: &Sheet<'_>, scene: &mut Scene, y: &mut f64) -> Result<(), Error> {
    let t = sheet.look.text;
    let right = sheet.look.width - 1.4 * t;
    let (mut x, mut line) = (t, *y + 0.8 * t);
    for (mark, words) in marks(sheet) {
        let wide = text::width(words, t)?;
        if x + 2.4 * t + wide > right {
            x = t;
            line += 1.5 * t;
        }
        draw_mark(mark, sheet, scene, [x, line]);
        scene
            .labels
            .push(sheet.plain([x + 2.0 * t, line], Anchor::Left, words.into()));
        x += 2.0 * t + wide + 1.6 * t;
    }
    *y = line + 0.9 * t;
    Ok(())
}

/// One mark, its left edge and middle height at this place.
fn draw_mark(mark: Mark, sheet: &Sheet<'_>, scene: &mut Scene, [x, line]: [f64; 2]) {
    let (t, hair) = (sheet.look.text, sheet.look.hair());
    let (from, to, middle) = (
        [x, line - 0.45 * t],
        [x + 1.6 * t, line + 0.45 * t],
        [x + 0.8 * t, line],
    );
    let frame = vec![from, [to[0], from[1]], to, [from[0], to[1]], from];
    let across = [[x, line], [x + 1.6 * t, line]];
    let dashed = |path: &[[f64; 2]], [on, off]: [f64; 2], colour: [u8; 3], width: f64| {
        dashes(path, on * t, off * t)
            .into_iter()
            .map(move |points| Shape::Line {
                points,
                colour,
                width,
            })
    };
    let framed = |colour: [u8; 3], width: f64| Shape::Line {
        points: frame.clone(),
        colour,
        width,
    };
    let dot = |at: [f64; 2], radius: f64, colour: [u8; 3]| Shape::Dot { at, radius, colour };
    let shapes = &mut scene.shapes;
    match mark {
        Mark::Spot => shapes.push(dot(middle, 0.18 * t, palette::INK)),
        Mark::Placing => {
            shapes.push(Shape::stroke(across[0], across[1], [128, 128, 128], hair));
        }
        Mark::Blank => shapes.extend(dashed(&frame, [0.45, 0.3], palette::GREY, 1.6 * hair)),
        Mark::Coat => {
            shapes.push(Shape::rectangle(from, to, palette::LOW[0]));
            shapes.extend((0..3).map(|k| {
                let at = [x + (0.3 + 0.5 * f64::from(k)) * t, line];
                dot(at, 0.1 * t, palette::LOW[4])
            }));
            shapes.push(framed(palette::INK, 2.2 * hair));
        }
        Mark::Substrate => shapes.extend(dashed(&frame, [0.5, 0.25], palette::INK, 2.0 * hair)),
        Mark::Pinholes => shapes.push(framed(palette::GREY, 1.4 * hair)),
        Mark::LeftOut => map::left_out_mark(shapes, middle, sheet.look),
        Mark::NoSand => {
            map::cross(shapes, middle, 0.2 * t, 1.6 * hair);
            shapes.push(framed(palette::INK, hair));
        }
        Mark::NoFill => shapes.extend(dashed(&across, [0.15, 0.35], palette::GREY, 1.6 * hair)),
        Mark::Zone => shapes.extend(dashed(&across, [0.9, 0.35], palette::GREY, 1.6 * hair)),
        Mark::Unsure => {
            let label = sheet.plain(middle, Anchor::Middle, "?".into());
            scene.labels.push(label);
        }
    }
}

/// Limits and form wavelengths in words, wrapped to the picture.
fn notes(sheet: &Sheet<'_>, scene: &mut Scene, y: &mut f64) -> Result<(), Error> {
    let t = sheet.look.text;
    let mut sentences = if sheet.photo_alone() {
        vec!["A photo shows where coat is left, not how deep it is there.".to_string()]
    } else {
        vec![format!(
            "Lower or higher than {} counts as low or high. Colours are against the shape that is worked to; a high's figure is how \
             proud it stands of the fair shape.",
            super::words::depth(sheet.j.node_limit_mm, sheet.units)
        )]
    };
    let limits: Vec<String> = sheet
        .j
        .limits
        .iter()
        .filter(|l| l.zone.is_none())
        .take(6)
        .map(|l| {
            format!(
                "{}: {}",
                super::words::limit(&l.limit, sheet.units),
                l.state.word().replace('-', " ")
            )
        })
        .collect();
    if !limits.is_empty() {
        sentences.push(format!("Limits: {}.", limits.join("; ")));
    }
    if !sheet.photo_alone() {
        sentences.push(super::words::form_wavelengths(sheet.j, sheet.units));
    }
    for line in wrapped(&sentences.join(" "), t, sheet.look.width - 2.4 * t)? {
        scene
            .labels
            .push(sheet.plain([t, *y + 0.8 * t], Anchor::Left, line));
        *y += 1.35 * t;
    }
    Ok(())
}

pub(super) fn wrapped(words: &str, size: f64, room: f64) -> Result<Vec<String>, Error> {
    let mut lines = vec![String::new()];
    for word in words.split_whitespace() {
        let Some(line) = lines.last_mut() else { break };
        let longer = if line.is_empty() {
            word.to_string()
        } else {
            format!("{line} {word}")
        };
        if line.is_empty() || text::width(&longer, size)? <= room {
            *line = longer;
        } else {
            lines.push(word.to_string());
        }
    }
    Ok(lines)
}
