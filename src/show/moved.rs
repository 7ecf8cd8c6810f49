//! What moved between two surveys: on the screen, as moved.json, and as a picture in the map's
//! colours.

use super::changed::Changed;
use super::summary::{WIDEST, wrapped};
use super::words;
use crate::compare::difference::{Patch, Spot};
use crate::compare::spectrum::Repeats;
use crate::compare::{Moved, Progress, ReadingsStats, progress};
use crate::judge::Interval;
use crate::observe::Survey;
use crate::panel::Panel;
use crate::problem::{Error, Warning};
use crate::units::Units;
use serde::Serialize;

/// The version of moved.json's layout.
pub const SCHEMA: u32 = 1;
/// Patches told one by one on the screen; the rest stand in moved.json.
const LISTED: usize = 8;
/// What a comparison of left and right does not hold.
const SIDES: &str = "Left against right: planes, even curvature and twist are taken out, so twist of a wing, incidence and section are not \
                     in it; check those with the designer's own templates.";

/// What is shown.
#[derive(Clone, Copy)]
pub struct Shown<'a> {
    /// The comparison.
    pub moved: &'a Moved,
    /// The panel.
    pub panel: &'a Panel,
    /// Units.
    pub units: Units,
    /// The surveys, before and after.
    pub surveys: [&'a Survey; 2],
    /// Whether the second is of the mirrored twin.
    pub sides: bool,
    /// What was compared and the work between, in words; empty where files were compared.
    pub between: &'a [String],
    /// Notes and cautions.
    pub warnings: &'a [Warning],
}

#[derive(Serialize)]
struct Ends {
    value: f64,
    low: f64,
    high: f64,
}

impl From<Interval> for Ends {
    fn from(i: Interval) -> Self {
        Ends {
            value: i.value,
            low: i.low,
            high: i.high,
        }
    }
}

#[derive(Serialize)]
struct Place {
    at_mm: [f64; 2],
    moved_mm: Ends,
}

impl From<Spot> for Place {
    fn from(s: Spot) -> Self {
        Place {
            at_mm: s.at,
            moved_mm: s.mm.into(),
        }
    }
}

#[derive(Serialize)]
struct PatchRow<'a> {
    name: &'a str,
    way: &'static str,
    most: Place,
    extent_mm: [f64; 4],
    area_cm2: f64,
    volume_cc: Ends,
}

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    panel: &'a str,
    kind: &'static str,
    between: &'a [String],
    before: &'a [String],
    after: &'a [String],
    before_date: Option<&'a str>,
    after_date: Option<&'a str>,
    changed: bool,
    measured_share: f64,
    rms_mm: f64,
    rms_by_chance_mm: f64,
    beyond_share: f64,
    highest: Place,
    lowest: Place,
    bent_mm: [f64; 3],
    grid_shift: Option<crate::compare::difference::Shift>,
    patches: Vec<PatchRow<'a>>,
    repeats: &'a Repeats,
    readings_before: Option<ReadingsStats>,
    readings_after: Option<ReadingsStats>,
    readings_rms: Option<Progress>,
    notes: Vec<String>,
}

/// moved.json.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be written, which no sound comparison does.
pub fn json(what: &Shown) -> Result<String, Error> {
    let d = &what.moved.difference;
    let [old, new] = what.moved.readings;
    let document = Document {
        schema: SCHEMA,
        panel: &what.panel.name,
        kind: if what.sides { "sides" } else { "dates" },
        between: what.between,
        before: &what.surveys[0].files,
        after: &what.surveys[1].files,
        before_date: what.surveys[0].conditions.date.as_deref(),
        after_date: what.surveys[1].conditions.date.as_deref(),
        changed: d.changed(),
        measured_share: d.measured_share,
        rms_mm: d.rms_mm,
        rms_by_chance_mm: d.rms_by_chance_mm,
        beyond_share: d.beyond_share,
        highest: d.highest.into(),
        lowest: d.lowest.into(),
        bent_mm: d.bent_mm,
        grid_shift: d.shift,
        patches: d.patches.iter().map(row).collect(),
        repeats: &what.moved.repeats,
        readings_before: old,
        readings_after: new,
        readings_rms: old.zip(new).map(|(a, b)| progress(&a, &b)),
        notes: what.warnings.iter().map(ToString::to_string).collect(),
    };
    serde_json::to_string_pretty(&document)
        .map(|text| text + "\n")
        .map_err(|e| Error::Calculation(format!("moved.json: {e}")))
}

fn row(p: &Patch) -> PatchRow<'_> {
    PatchRow {
        name: &p.name,
        way: if p.up { "up" } else { "down" },
        most: p.most.into(),
        extent_mm: p.extent_mm,
        area_cm2: p.area_cm2,
        volume_cc: p.volume_cc.into(),
    }
}

/// What is printed.
pub fn summary(what: &Shown) -> String {
    let mut out = String::new();
    for line in lines(what) {
        let rows = wrapped(&line, 0, 2, WIDEST);
        out.push_str(&rows.join("\n  "));
        out.push('\n');
    }
    out
}

/// The comparison in sentences, one a line; the same on the screen and under the picture.
fn lines(what: &Shown) -> Vec<String> {
    let (d, units) = (&what.moved.difference, what.units);
    let mut out = vec![format!(
        "{}: {}",
        if what.sides { "SIDES" } else { "MOVED" },
        verdict(what)
    )];
    if let Some((pair, work)) = what.between.split_first() {
        out.push(match work {
            [] => format!("Compared: {pair}"),
            work => format!("Compared: {pair}; between them: {}", work.join(", ")),
        });
    }
    out.push(format!(
        "rms {}; two surveys of an untouched panel would differ by up to about {}. Measured in both: {:.0} % of the panel.",
        words::fine(d.rms_mm, units),
        words::fine(d.rms_by_chance_mm, units),
        100.0 * d.measured_share
    ));
    out.push(format!(
        "highest {} at {}; lowest {} at {}",
        signed(d.highest.mm, units),
        words::spot(d.highest.at, units),
        signed(d.lowest.mm, units),
        words::spot(d.lowest.at, units)
    ));
    out.extend(
        d.patches
            .iter()
            .take(LISTED)
            .map(|p| patch(p, what.sides, units)),
    );
    if d.patches.len() > LISTED {
        out.push(format!(
            "and {} more, in moved.json",
            d.patches.len() - LISTED
        ));
    }
    out.extend(shift(what));
    out.extend(what.moved.repeats.found.iter().map(|r| {
        let how = if what.sides {
            "on one side only"
        } else {
            "came or went"
        };
        format!("REPEATS, {how}: {}", words::repeat(r, units))
    }));
    if what.sides {
        out.push(SIDES.into());
    }
    out
}

fn verdict(what: &Shown) -> String {
    let d = &what.moved.difference;
    let by = "two surveys of an untouched panel differ by";
    let count = |up: bool| places(d.patches.iter().filter(|p| p.up == up).count());
    let pitch = !what.moved.repeats.found.is_empty();
    match (d.changed(), what.sides) {
        (false, false) if pitch => "no patch moved, but a pitch came or went, see REPEATS".into(),
        (false, true) if pitch => {
            "no patch differs, but a pitch is on one side only, see REPEATS".into()
        }
        (false, false) => format!("no change beyond what {by}"),
        (false, true) => format!("no difference beyond what {by}"),
        (true, sides) => format!(
            "{} {}, {} {} by more than {by}{}",
            count(true),
            way(true, sides),
            count(false),
            way(false, sides),
            match (pitch, sides) {
                (true, false) => "; and a pitch came or went, see REPEATS",
                (true, true) => "; and a pitch is on one side only, see REPEATS",
                (false, _) => "",
            }
        ),
    }
}

/// What a patch did, or how it lies on the other side.
fn way(up: bool, sides: bool) -> &'static str {
    match (up, sides) {
        (true, false) => "came up",
        (false, false) => "went down",
        (true, true) => "higher on the other side",
        (false, true) => "lower on the other side",
    }
}

fn places(n: usize) -> String {
    match n {
        0 => "nothing".into(),
        1 => "one place".into(),
        n => format!("{n} places"),
    }
}

/// "+0.31 mm (0.22 to 0.40)".
fn signed(i: Interval, units: Units) -> String {
    let sign = if i.value > 0.0 { "+" } else { "" };
    format!(
        "{sign}{} ({} to {})",
        units.depth(i.value),
        units.bare_depth(i.low),
        units.bare_depth(i.high)
    )
}

fn patch(p: &Patch, sides: bool, units: Units) -> String {
    format!(
        "{} {} {} at {}; {}, {}, {} ({} to {})",
        p.name,
        way(p.up, sides),
        signed(p.most.mm, units),
        words::spot(p.most.at, units),
        words::extent(p.extent_mm, units),
        units.area(p.area_cm2),
        units.volume(p.volume_cc.value),
        units.bare_volume(p.volume_cc.low),
        units.bare_volume(p.volume_cc.high)
    )
}

fn shift(what: &Shown) -> Option<String> {
    let shift = what.moved.difference.shift.filter(|s| s.used)?;
    let [x, y] = shift.mm;
    Some(format!(
        "The second grid lies {x:.1} mm along x and {y:.1} mm along y from the first; that was taken out."
    ))
}

/// The picture, as PNG and as SVG.
///
/// # Errors
/// As [`super::map::draw_png`].
pub fn pictures(what: &Shown) -> Result<(Vec<u8>, String), Error> {
    let d = &what.moved.difference;
    let date = |k: usize| {
        let noted = what.surveys[k].conditions.date.as_deref();
        noted.unwrap_or("no date noted").to_string()
    };
    let (title, key, ends) = if what.sides {
        let key = "Teal: the other side is lower, brown: it is higher";
        ("left and right", key, ["LOWER", "same", "HIGHER"])
    } else {
        let key = "Teal went down, brown came up";
        ("what moved", key, ["DOWN", "same", "UP"])
    };
    Changed {
        panel: what.panel,
        units: what.units,
        grid: d.grid,
        mm: &d.moved_mm,
        title,
        words: format!(
            "{key}, {}; {} against {}; planes, even curvature and twist taken out",
            what.units.depth_unit(),
            date(1),
            date(0)
        ),
        ends,
        marks: d
            .patches
            .iter()
            .take(3 * LISTED)
            .map(|p| (p.most.at, p.name.clone()))
            .collect(),
        boxes: Vec::new(),
        lines: lines(what),
    }
    .pictures()
}
