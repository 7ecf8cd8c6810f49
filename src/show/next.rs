//! The plan of further placings: on the screen, as a form to fill in, as next.json and as a picture
//! with the placings numbered.

use super::map::{Look, PNG_WIDTH, Sheet};
use super::palette::{self, Rgb};
use super::scene::{Anchor, Label, Scene, Shape, dashes};
use super::summary::{WIDEST, wrapped};
use super::{legend, paint, text, words};
use crate::judge::Judgement;
use crate::next::{Plan, Suggestion};
use crate::observe::blank;
use crate::panel::Panel;
use crate::problem::{Error, Warning};
use crate::units::Units;
use serde::Serialize;

/// The version of next.json's layout.
pub const SCHEMA: u32 = 1;
/// Placings told one by one under the picture; a longer walk stands in the form.
const LISTED: usize = 12;
/// On a walk longer than this only the first round is numbered.
const NUMBERED: usize = 40;
/// When the filler's interval stays wider than this share of what it was, further placings add
/// little.
const ENOUGH: f64 = 0.9;

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    panel: &'a str,
    kind: &'static str,
    verdict: &'static str,
    tool: &'static str,
    length_mm: f64,
    step_mm: f64,
    placings: Vec<Row<'a>>,
}

#[derive(Serialize)]
struct Row<'a> {
    name: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    round: Option<usize>,
    along: &'static str,
    from_mm: [f64; 2],
    to_mm: [f64; 2],
    readings: usize,
    filler_before_cc: Option<f64>,
    filler_after_cc: Option<f64>,
    p_exceeds_before: Option<f64>,
    p_exceeds_after: Option<f64>,
    buys: &'a str,
}

/// next.json: the plan for programs.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be written, which no sound plan does.
pub fn json(plan: &Plan, j: &Judgement) -> Result<String, Error> {
    let document = Document {
        schema: SCHEMA,
        panel: &j.panel_name,
        kind: if plan.start { "start" } else { "next" },
        verdict: j.verdict.word(),
        tool: plan.set.tool.word(),
        length_mm: plan.set.length,
        step_mm: plan.set.step,
        placings: plan
            .suggestions
            .iter()
            .map(|s| {
                let [from_mm, to_mm] = s.placing.ends();
                Row {
                    name: &s.name,
                    round: plan.start.then_some(s.round),
                    along: ["x", "y"][s.placing.axis],
                    from_mm,
                    to_mm,
                    readings: s.placing.readings,
                    filler_before_cc: s.filler_half_cc.map(|h| h[0]),
                    filler_after_cc: s.filler_half_cc.map(|h| h[1]),
                    p_exceeds_before: s.p_exceeds.map(|p| p[0]),
                    p_exceeds_after: s.p_exceeds.map(|p| p[1]),
                    buys: &s.buys,
                }
            })
            .collect(),
    };
    serde_json::to_string_pretty(&document)
        .map(|text| text + "\n")
        .map_err(|e| Error::Calculation(format!("next.json: {e}")))
}

/// next.txt: the placings as a notes form in mm, in the order to take them, with `_` for every
/// reading.
pub fn form(plan: &Plan, panel: &Panel) -> String {
    form_in(plan, panel, Units::Metric)
}

/// The form in the user's own units.
///
/// A walk to begin with ends with its first placing once more: that tells how well a reading
/// repeats.
pub fn form_in(plan: &Plan, panel: &Panel, units: Units) -> String {
    let readings: usize = plan.suggestions.iter().map(|s| s.placing.readings).sum();
    let example = match units {
        Units::Metric => "mm, such as 0.25",
        Units::Us => "thou, such as 10",
    };
    let order = if plan.start {
        "Keep the order: it is the way to walk, edges and coarse lines first, so you may stop after any round."
    } else {
        "Best first: stop when you have had enough. Lines still blank are passed over."
    };
    let mut out = format!(
        "# {} placings, {readings} readings, about {}. {order}\n\
         # Write each reading over its _ in {example}. Write ? where none can be taken. Numbers above: where to read.\n\
         # Taken a second time: the name, then again and a colon, then the readings. A remark begins with #.\n",
        plan.suggestions.len(),
        minutes(plan),
    );
    out.push_str(&blank::header_in(panel, &plan.set, units));
    let mut round = 0;
    for s in &plan.suggestions {
        if plan.start && s.round != round {
            round = s.round;
            out.push_str(&format!("\n# round {round}: {}\n", s.buys));
        } else if !plan.start {
            out.push_str(&format!("\n# {}\n", s.buys));
        }
        out.push_str(&s.placing.rows(&s.name, units));
    }
    if let (true, Some(first)) = (plan.start, plan.suggestions.first()) {
        let blanks = vec!["_"; first.placing.readings].join("    ");
        out.push_str(&format!(
            "\n# last, {} once more: it tells how well a reading repeats\n{} again : {blanks}\n",
            first.name, first.name
        ));
    }
    out
}

/// "1 h 20 min": what the placings take.
fn minutes(plan: &Plan) -> String {
    blank::duration(blank::minutes(plan.suggestions.iter().map(|s| &s.placing)))
}

/// What is printed: the tool, then a line a placing.
pub fn summary(plan: &Plan, j: &Judgement, units: Units) -> String {
    let set = &plan.set;
    let n = plan.suggestions.len();
    let s = if n == 1 { "" } else { "s" };
    let order = if plan.start {
        "in the order to walk"
    } else {
        "best first"
    };
    let mut out = words::banner(&words::pressing(&j.warnings));
    out += &format!(
        "NEXT  {n} placing{s}, {order}: {} {}, readings each {}, about {}\n",
        set.tool.word(),
        units.place(set.length),
        step(set.step, units),
        minutes(plan)
    );
    let mut round = 0;
    for s in &plan.suggestions {
        if plan.start && s.round != round {
            round = s.round;
            out.push_str(&format!("round {round}: {}\n", s.buys));
        }
        let place = place(s, units);
        if plan.start {
            out.push_str(format!("  {:<4} {place}", s.name).trim_end());
            out.push('\n');
        } else {
            let label = format!("  {:<4} {place}  ", s.name);
            let used = label.chars().count();
            let rows = wrapped(&s.buys, used, used, WIDEST);
            out.push_str(&label);
            out.push_str(&rows.join(&format!("\n{}", " ".repeat(used))));
            out.push('\n');
        }
    }
    if let (Some(first), Some(last)) = (plan.suggestions.first(), plan.suggestions.last())
        && let (Some([before, _]), Some([_, after])) = (first.filler_half_cc, last.filler_half_cc)
    {
        let all = if n == 1 {
            "With it"
        } else {
            "With all of them"
        };
        let little = if after > ENOUGH * before {
            " More placings add little now."
        } else {
            ""
        };
        out.push_str(&format!(
            "{all}: filler ±{} → ±{}, about.{little}\n",
            units.volume(before),
            units.volume(after)
        ));
    }
    out
}

/// A step: in quarters of an inch the tenths of other places would not do.
fn step(mm: f64, units: Units) -> String {
    match units {
        Units::Metric => units.place(mm),
        Units::Us => format!(
            "{} in",
            crate::text::plain_mm((mm / crate::units::MM_PER_INCH * 100.0).round() / 100.0)
        ),
    }
}

/// "x 150 to 750   y 400", in columns.
fn place(s: &Suggestion, units: Units) -> String {
    let p = &s.placing;
    let range = format!("{} to {}", units.bare_place(p.from), units.bare_place(p.to));
    let at = units.bare_place(p.at);
    let (x, y) = if p.axis == 0 {
        (range, at)
    } else {
        (at, range)
    };
    format!("x {x:<13} y {y:<13}")
}

/// The picture: the map's colours with the placings numbered on it, as PNG and as SVG.
///
/// # Errors
/// As [`super::map::draw_png`].
pub fn pictures(
    plan: &Plan,
    j: &Judgement,
    panel: &Panel,
    units: Units,
) -> Result<(Vec<u8>, String), Error> {
    let sheet = Sheet::new(j, panel, units, Look::paper(PNG_WIDTH)?)?;
    let scene = scene(&sheet, plan)?;
    let title = format!("{}: placings to take next", j.panel_name);
    let (png, svg) = rayon::join(
        || paint::png(&scene, &sheet.field, &sheet.classes, panel),
        || paint::svg(&scene, &sheet.field, &sheet.classes, panel, &title),
    );
    Ok((png?, svg?))
}

fn scene(sheet: &Sheet, plan: &Plan) -> Result<Scene, Error> {
    let mut scene = Scene {
        width: sheet.look.width,
        height: 0.0,
        frame: sheet.frame,
        shapes: Vec::new(),
        labels: Vec::new(),
    };
    sheet.placings(&mut scene.shapes);
    sheet.cutouts(&mut scene.shapes);
    sheet.outline(&mut scene.shapes);
    sheet.axes(&mut scene);
    let drawn = drawn(sheet, plan);
    for line in &drawn {
        line.draw(sheet, &mut scene);
    }
    let many = drawn.len() > NUMBERED;
    for line in drawn.iter().filter(|d| !(many && d.dashed)) {
        line.number(sheet, &mut scene);
    }
    names(sheet, &drawn, &mut scene);
    head(sheet, plan, &mut scene)?;
    below(sheet, plan, &mut scene)?;
    Ok(scene)
}

/// Names of the lows and highs beside their worst spots, so that the words can be followed; clear
/// of the numbers.
fn names(sheet: &Sheet, drawn: &[Drawn], scene: &mut Scene) {
    let t = sheet.look.text;
    let aside = [
        [1.1, -0.8],
        [-1.1, -0.8],
        [1.1, 0.8],
        [-1.1, 0.8],
        [0.0, -1.8],
    ];
    for region in sheet.j.regions.iter().take(12) {
        let at = sheet.px(region.worst_at);
        if !at.iter().all(|v| v.is_finite()) {
            continue;
        }
        let clear = |p: &[f64; 2]| {
            !drawn
                .iter()
                .any(|d| (d.disc[0] - p[0]).hypot(d.disc[1] - p[1]) < 1.7 * t)
        };
        let places = aside.map(|[x, y]| [at[0] + x * t, at[1] + y * t]);
        let place = places.iter().copied().find(clear).unwrap_or(places[0]);
        scene.labels.push(Label {
            halo: 0.15 * t,
            ..sheet.plain(place, Anchor::Middle, region.name.clone())
        });
    }
}

/// A placing on the picture, px.
struct Drawn {
    from: [f64; 2],
    to: [f64; 2],
    disc: [f64; 2],
    number: String,
    dashed: bool,
}

/// Where lines and numbers lie: placings that overlap on one line are drawn beside one another,
/// numbers slide along until they are clear.
fn drawn(sheet: &Sheet, plan: &Plan) -> Vec<Drawn> {
    let t = sheet.look.text;
    let mut out: Vec<Drawn> = Vec::new();
    let mut lanes: Vec<(usize, f64, f64, f64, i32)> = Vec::new();
    for s in &plan.suggestions {
        let p = &s.placing;
        let lane = (0..6)
            .map(|k| if k % 2 == 0 { k / 2 } else { -(k + 1) / 2 })
            .find(|lane| {
                !lanes.iter().any(|(axis, at, from, to, other)| {
                    *axis == p.axis
                        && (at - p.at).abs() * sheet.frame.scale < 0.3 * t
                        && *from < p.to
                        && p.from < *to
                        && other == lane
                })
            })
            .unwrap_or(0);
        lanes.push((p.axis, p.at, p.from, p.to, lane));
        let [mut from, mut to] = p.ends().map(|e| sheet.px(e));
        let across = 1 - p.axis;
        for end in [&mut from, &mut to] {
            end[across] += f64::from(lane) * 0.42 * t;
        }
        let length = (to[0] - from[0]).hypot(to[1] - from[1]).max(1.0);
        let toward = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
        let clear = |at: [f64; 2]| {
            !out.iter()
                .any(|d| (d.disc[0] - at[0]).hypot(d.disc[1] - at[1]) < 2.0 * t)
        };
        let spots = (0..40).map(|k| 0.9 * t + f64::from(k) * 0.5 * t);
        let along = |s: f64| [from[0] + s * toward[0], from[1] + s * toward[1]];
        let disc = spots
            .take_while(|s| *s < length - 0.9 * t)
            .map(along)
            .find(|at| clear(*at))
            .unwrap_or_else(|| along(length / 2.0));
        out.push(Drawn {
            from,
            to,
            disc,
            number: s.name.trim_start_matches('N').to_string(),
            dashed: s.round > 1,
        });
    }
    out
}

impl Drawn {
    /// A strong line in a white casing with an arrowhead where it ends; thinner in later rounds of
    /// a walk.
    fn draw(&self, sheet: &Sheet, scene: &mut Scene) {
        let t = sheet.look.text;
        let width = if self.dashed { 0.12 * t } else { 0.2 * t };
        let line = |colour: Rgb, width: f64| Shape::stroke(self.from, self.to, colour, width);
        scene.shapes.push(line(palette::WHITE, width + 0.2 * t));
        if self.dashed {
            for points in dashes(&[self.from, self.to], 0.6 * t, 0.3 * t) {
                scene.shapes.push(Shape::Line {
                    points,
                    colour: palette::INK,
                    width,
                });
            }
        } else {
            scene.shapes.push(line(palette::INK, width));
        }
        let length = (self.to[0] - self.from[0])
            .hypot(self.to[1] - self.from[1])
            .max(1.0);
        let [u, v] = [0, 1].map(|k| (self.to[k] - self.from[k]) / length);
        let head = |back: f64, side: f64| {
            [
                self.to[0] - back * u - side * v,
                self.to[1] - back * v + side * u,
            ]
        };
        scene.shapes.push(Shape::Area {
            points: vec![self.to, head(0.75 * t, 0.32 * t), head(0.75 * t, -0.32 * t)],
            colour: palette::INK,
        });
    }

    fn number(&self, sheet: &Sheet, scene: &mut Scene) {
        let t = sheet.look.text;
        for (radius, colour) in [(0.95, palette::WHITE), (0.85, palette::INK)] {
            scene.shapes.push(Shape::Dot {
                at: self.disc,
                radius: radius * t,
                colour,
            });
        }
        let size = if self.number.len() > 2 {
            0.85 * t
        } else {
            1.1 * t
        };
        scene.labels.push(Label {
            size,
            colour: palette::WHITE,
            halo: 0.0,
            ..sheet.plain(self.disc, Anchor::Middle, self.number.clone())
        });
    }
}

fn head(sheet: &Sheet, plan: &Plan, scene: &mut Scene) -> Result<(), Error> {
    let (t, left) = (sheet.look.text, sheet.look.text);
    let right = sheet.look.width - 1.4 * t;
    let what = if plan.start {
        "where to begin"
    } else {
        "where to measure next"
    };
    let room = right - left - text::width(what, 1.5 * t)? - 2.0 * t;
    let name = legend::shortened(&sheet.j.panel_name, 1.5 * t, room)?;
    scene.labels.push(Label {
        size: 1.5 * t,
        ..sheet.plain([left, 1.4 * t], Anchor::Left, name)
    });
    scene.labels.push(Label {
        size: 1.5 * t,
        ..sheet.plain([right, 1.4 * t], Anchor::Right, what.into())
    });
    let order = if plan.start {
        "in the order to walk"
    } else {
        "best first"
    };
    let pressing = match sheet.j.warnings.iter().any(Warning::is_pressing) {
        true => format!("{}; ", words::true_until(&sheet.j.warnings)),
        false => String::new(),
    };
    let words = format!(
        "{pressing}{} {}, readings each {}; {order}; from the number to the arrow",
        plan.set.tool.word(),
        sheet.units.place(plan.set.length),
        step(plan.set.step, sheet.units),
    );
    let words = legend::shortened(&words, t, right - left)?;
    scene
        .labels
        .push(sheet.plain([left, 3.0 * t], Anchor::Left, words));
    Ok(())
}

/// What each placing buys, under the picture.
fn below(sheet: &Sheet, plan: &Plan, scene: &mut Scene) -> Result<(), Error> {
    let t = sheet.look.text;
    let mut y = sheet.below_axes() + 0.4 * t;
    let mut rows: Vec<(String, String)> = Vec::new();
    if plan.start {
        rows.push((
            String::new(),
            "Strong lines first: they cover the panel. Broken ones lie between. The form next.txt has them all, by number.".into(),
        ));
    } else {
        rows.extend(plan.suggestions.iter().take(LISTED).map(|s| {
            (
                s.name.trim_start_matches('N').to_string(),
                format!("{}: {}", s.place(sheet.units), s.buys),
            )
        }));
        if plan.suggestions.len() > LISTED {
            rows.push((String::new(), "The rest stand in the form next.txt.".into()));
        }
        rows.push((
            String::new(),
            "Grey: placings taken. Colours as on map.png.".into(),
        ));
    }
    for (number, words) in rows {
        let indent = if number.is_empty() { t } else { 2.8 * t };
        if !number.is_empty() {
            scene
                .labels
                .push(sheet.plain([2.2 * t, y + 0.8 * t], Anchor::Right, number));
        }
        for line in legend::wrapped(&words, t, sheet.look.width - indent - 1.4 * t)? {
            scene
                .labels
                .push(sheet.plain([indent, y + 0.8 * t], Anchor::Left, line));
            y += 1.35 * t;
        }
    }
    scene.height = y + 0.5 * t;
    Ok(())
}
