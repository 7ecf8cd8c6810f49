//! The blank notes form: the placings to take on a panel, in walking order, with `_` for every
//! reading.
//!
//! Lines along x are walked first, then lines along y, to and fro. A placing is moved on by three
//! quarters of its length, the last one of a line flush with the end; lines are cut where they
//! leave the outline or meet a cutout. What is written here, [`notes::parse`](super::notes::parse)
//! reads back without complaint.

use super::Tool;
use crate::panel::{Form, Panel};
use crate::problem::Error;
use crate::text::plain_mm;
use crate::units::{MM_PER_INCH, Units};

/// What to measure with, and how densely. What is `None` is chosen for the panel.
#[derive(Clone, Debug, PartialEq)]
pub struct BlankOptions {
    /// The tool.
    pub tool: Tool,
    /// Length of the tool, for a wave gauge the distance between its feet, mm. Chosen: see
    /// [`default_length_mm`].
    pub length_mm: Option<f64>,
    /// Distance between readings, mm. Chosen: 50, a profile gauge 10, less on a panel that is small
    /// for it.
    pub step_mm: Option<f64>,
    /// Distance between lines, mm, at most. Chosen: the finest that an hour allows, but no coarser
    /// than the purpose needs (see [`coarsest_spacing_mm`]).
    pub spacing_mm: Option<f64>,
}

impl Default for BlankOptions {
    fn default() -> Self {
        BlankOptions {
            tool: Tool::Straightedge,
            length_mm: None,
            step_mm: None,
            spacing_mm: None,
        }
    }
}

/// Tool length assumed when none is given, mm (common practice, no source).
pub fn default_length_mm(tool: Tool) -> f64 {
    match tool {
        Tool::Straightedge => 600.0,
        Tool::ProfileGauge => 300.0,
        Tool::Batten | Tool::Bridge => 1000.0,
        Tool::WaveGauge => 50.0,
    }
}

/// Coarsest spacing of lines that is chosen unasked, mm (common practice, no source): closer on
/// wings, wider on hulls. A spacing in the options may be coarser.
pub fn coarsest_spacing_mm(purpose: Option<&str>) -> f64 {
    match purpose {
        Some("laminar-wing" | "wing-aft") => 150.0,
        Some("racing-hull" | "yacht-dark" | "yacht-light") => 300.0,
        Some("cruiser-bottom" | "work-boat") => 400.0,
        _ => 200.0,
    }
}

/// Minutes that a placing takes: setting down, then each reading. Thirteen readings come to 2.3
/// minutes (worked out from 3-5 s a reading with a helper).
const MINUTES_A_PLACING: f64 = 1.0;
const MINUTES_A_READING: f64 = 0.1;
/// Minutes of work that the chosen spacing aims at.
const HOUR: f64 = 60.0;
const SPACINGS_MM: [f64; 7] = [100.0, 125.0, 150.0, 200.0, 250.0, 300.0, 400.0];
const STEPS_MM: [f64; 7] = [50.0, 25.0, 20.0, 10.0, 5.0, 2.0, 1.0];
/// Fewest lines each way, so that even a small panel is seen three times each way.
const FEWEST_LINES: f64 = 3.0;
/// Fewest steps of a placing.
const FEWEST_STEPS: f64 = 2.0;
const MOST_PLACINGS: usize = 20_000;
const MOST_READINGS: usize = 1_000_000;

/// Writes the form.
///
/// # Errors
/// [`Error::Usage`] when the options are absurd, when no placing fits on the panel, or when they
/// ask for more than 20,000 placings.
pub fn write(panel: &Panel, options: &BlankOptions) -> Result<String, Error> {
    let set = Settings::of(panel, options)?;
    let plan = plan(panel, &set, options.spacing_mm)?;
    Ok(text(panel, &set, &plan))
}

fn plan(panel: &Panel, set: &Settings, spacing_mm: Option<f64>) -> Result<Plan, Error> {
    let plan = match spacing_mm {
        Some(spacing) => Plan::at(panel, set, spacing).ok_or_else(too_many)?,
        None => chosen(panel, set)?,
    };
    if plan.placings.is_empty() {
        return Err(none_fits(panel, set));
    }
    Ok(plan)
}

/// Said where no placing lies wholly on the panel.
pub fn none_fits(panel: &Panel, set: &Settings) -> Error {
    Error::Usage(format!(
        "no placing with readings each {} mm fits on {}; give a smaller --step, or a smaller --length",
        plain_mm(set.step),
        panel.name
    ))
}

/// The placings of a form at the spacing chosen for the panel, line by line, to and fro.
///
/// # Errors
/// As [`write`].
pub fn placings(panel: &Panel, set: &Settings) -> Result<Vec<Planned>, Error> {
    placings_at(panel, set, None)
}

/// The same with lines no further apart than asked for.
///
/// # Errors
/// As [`write`].
pub fn placings_at(
    panel: &Panel,
    set: &Settings,
    spacing_mm: Option<f64>,
) -> Result<Vec<Planned>, Error> {
    Ok(plan(panel, set, spacing_mm)?.placings)
}

/// Minutes that placings take, each set down and read.
pub fn minutes<'a>(placings: impl IntoIterator<Item = &'a Planned>) -> f64 {
    let each = |p: &Planned| MINUTES_A_PLACING + p.readings as f64 * MINUTES_A_READING;
    placings.into_iter().map(each).sum()
}

/// The tool as one who measures in inches has it: lengths in whole inches, steps in quarters, where
/// nobody said otherwise.
///
/// The step is no longer than `most_mm`, half the shortest base of the limits.
pub fn in_inches(tool: Tool, most_mm: f64) -> (f64, f64) {
    const STEPS_IN: [f64; 7] = [2.0, 1.5, 1.0, 0.75, 0.5, 0.25, 0.125];
    let length_in = match tool {
        Tool::Straightedge => 24.0,
        Tool::ProfileGauge => 12.0,
        Tool::Batten | Tool::Bridge => 36.0,
        Tool::WaveGauge => 2.0,
    };
    let most = if tool == Tool::ProfileGauge {
        most_mm.min(MM_PER_INCH / 2.0)
    } else {
        most_mm
    };
    let step_in = STEPS_IN
        .into_iter()
        .find(|s| s * MM_PER_INCH <= most)
        .unwrap_or(0.125);
    (length_in * MM_PER_INCH, step_in * MM_PER_INCH)
}

fn too_many() -> Error {
    Error::Usage(format!(
        "more than {MOST_PLACINGS} placings or {MOST_READINGS} readings; give a wider --spacing or --step"
    ))
}

/// The finest spacing that fits in an hour, else the coarsest allowed, else (huge panels) one that
/// can be written.
fn chosen(panel: &Panel, set: &Settings) -> Result<Plan, Error> {
    let coarsest = coarsest_spacing_mm(panel.purpose.as_deref());
    for spacing in SPACINGS_MM.into_iter().filter(|s| *s < coarsest) {
        if let Some(plan) = Plan::at(panel, set, spacing)
            && plan.minutes() <= HOUR
        {
            return Ok(plan);
        }
    }
    (0..12)
        .map(|doublings| coarsest * f64::from(1 << doublings))
        .find_map(|spacing| Plan::at(panel, set, spacing))
        .ok_or_else(too_many)
}

/// The tool as it will be used: all that [`BlankOptions`] leaves open is chosen for the panel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// The tool.
    pub tool: Tool,
    /// Its length, for a wave gauge the distance between its feet, mm.
    pub length: f64,
    /// Distance between readings, mm.
    pub step: f64,
}

impl Settings {
    /// For a panel.
    ///
    /// # Errors
    /// [`Error::Usage`] when a length cannot be meant.
    pub fn of(panel: &Panel, options: &BlankOptions) -> Result<Settings, Error> {
        let hundredths = |v: f64| (v * 100.0).round() / 100.0;
        let checked = |name: &str, value: Option<f64>, least: f64, most: f64| match value {
            Some(v) if !(least..=most).contains(&v) => Err(Error::Usage(format!(
                "--{name} {v} mm cannot be meant; expected {least} to {most} mm"
            ))),
            Some(v) => Ok(Some(hundredths(v))),
            None => Ok(None),
        };
        checked("spacing", options.spacing_mm, 5.0, 100_000.0)?;
        let tool = options.tool;
        let length =
            checked("length", options.length_mm, 5.0, 20_000.0)?.unwrap_or(default_length_mm(tool));
        let b = panel.outline.bounds();
        let mut side = (b[2] - b[0]).min(b[3] - b[1]);
        if tool == Tool::WaveGauge {
            side -= length;
        }
        let usual = if tool == Tool::ProfileGauge {
            10.0
        } else {
            50.0
        };
        let fitting = STEPS_MM
            .into_iter()
            .find(|s| {
                *s <= usual
                    && 4.0 * s
                        <= side.min(if tool == Tool::WaveGauge {
                            side
                        } else {
                            length
                        })
            })
            .unwrap_or(1.0);
        let step = checked("step", options.step_mm, 0.5, 10_000.0)?.unwrap_or(fitting);
        Ok(Settings { tool, length, step })
    }

    /// Longest span of readings of one placing, mm: a wave gauge slides as far as the line goes.
    pub fn reach(&self) -> f64 {
        match self.tool {
            Tool::WaveGauge => f64::INFINITY,
            _ => self.length,
        }
    }

    /// Room that the tool needs beyond its first and last reading, mm.
    pub fn margin(&self) -> f64 {
        match self.tool {
            Tool::WaveGauge => self.length / 2.0,
            _ => 0.0,
        }
    }
}

/// A placing to take: along an axis (0 is x, 1 is y) from `from` to `to`, at `at` on the other
/// axis, mm.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// 0 along x, 1 along y.
    pub axis: usize,
    /// First reading, mm.
    pub from: f64,
    /// Last reading, mm.
    pub to: f64,
    /// Place on the other axis, mm.
    pub at: f64,
    /// How many readings.
    pub readings: usize,
}

struct Plan {
    placings: Vec<Planned>,
    /// Distance between lines along x and along y, mm.
    apart: [f64; 2],
}

impl Plan {
    /// Lines at most `spacing` apart both ways; `None` when there would be too many placings.
    fn at(panel: &Panel, set: &Settings, spacing: f64) -> Option<Plan> {
        let b = panel.outline.bounds();
        let mut plan = Plan {
            placings: Vec::new(),
            apart: [0.0; 2],
        };
        let mut readings = 0;
        for axis in [0, 1] {
            let across = 1 - axis;
            let (low, high) = (b[across], b[across + 2]);
            let lines = ((high - low) / spacing - 1e-9).ceil().max(FEWEST_LINES);
            if lines > MOST_PLACINGS as f64 {
                return None;
            }
            let apart = (high - low) / lines;
            plan.apart[axis] = apart;
            for k in 0..lines as usize {
                let at = whole(low + (k as f64 + 0.5) * apart, apart);
                let mut line = line(panel, axis, at, set);
                if k % 2 == 1 {
                    line.reverse();
                }
                readings += line.iter().map(|p| p.readings).sum::<usize>();
                plan.placings.extend(line);
                if plan.placings.len() > MOST_PLACINGS || readings > MOST_READINGS {
                    return None;
                }
            }
        }
        Some(plan)
    }

    fn readings(&self) -> usize {
        self.placings.iter().map(|p| p.readings).sum()
    }

    fn minutes(&self) -> f64 {
        self.placings.len() as f64 * MINUTES_A_PLACING + self.readings() as f64 * MINUTES_A_READING
    }
}

/// A line's place rounded to a whole mm, unless lines are so close that this would move it
/// noticeably.
fn whole(at: f64, apart: f64) -> f64 {
    if apart >= 10.0 {
        at.round()
    } else {
        (at * 10.0).round() / 10.0
    }
}

/// Stretches of the line along `axis` at `at` that lie on the panel, in whole mm.
pub(crate) fn runs(panel: &Panel, axis: usize, at: f64) -> Vec<(f64, f64)> {
    let across = 1 - axis;
    let mut cuts: Vec<f64> = std::iter::once(&panel.outline)
        .chain(&panel.cutouts)
        .flat_map(|p| p.edges())
        .filter(|(p, q)| (p[across] > at) != (q[across] > at))
        .map(|(p, q)| p[axis] + (at - p[across]) / (q[across] - p[across]) * (q[axis] - p[axis]))
        .collect();
    cuts.sort_by(f64::total_cmp);
    let mut runs: Vec<(f64, f64)> = Vec::new();
    for pair in cuts.windows(2) {
        let (from, to) = (pair[0], pair[1]);
        let mut middle = [at; 2];
        middle[axis] = (from + to) / 2.0;
        if !panel.contains(middle[0], middle[1]) {
            continue;
        }
        match runs.last_mut() {
            Some(last) if last.1 >= from => last.1 = to,
            _ => runs.push((from, to)),
        }
    }
    runs.into_iter()
        .map(|(from, to)| ((from - 1e-6).ceil(), (to + 1e-6).floor()))
        .collect()
}

/// Placings along one line of the panel, from its start.
pub(crate) fn line(panel: &Panel, axis: usize, at: f64, set: &Settings) -> Vec<Planned> {
    runs(panel, axis, at)
        .into_iter()
        .flat_map(|run| along_run(axis, at, run, set))
        .collect()
}

/// Placings along one run: overlapping by a quarter, the last flush with the end unless less than
/// half a step is left over.
fn along_run(axis: usize, at: f64, run: (f64, f64), set: &Settings) -> Vec<Planned> {
    let (start, end) = (run.0 + set.margin(), run.1 - set.margin());
    let steps = ((set.reach().min(end - start) + 1e-6) / set.step).floor();
    if steps < FEWEST_STEPS || steps > super::notes::MOST_READINGS as f64 {
        return Vec::new();
    }
    let span = steps * set.step;
    let advance = (0.75 * steps).floor().max(1.0) * set.step;
    let mut starts = vec![start];
    let mut last = start;
    while last + span < end - set.step / 2.0 && starts.len() <= MOST_PLACINGS {
        last = (last + advance).min(end - span);
        starts.push(last);
    }
    starts
        .into_iter()
        .map(|from| Planned {
            axis,
            from,
            to: from + span,
            at,
            readings: steps as usize + 1,
        })
        .collect()
}

fn text(panel: &Panel, set: &Settings, plan: &Plan) -> String {
    let mut out = format!(
        "# {} placings, {} readings, about {}. Lines {} mm apart along x, {} mm along y.\n\
         # Write each reading over its _ in mm, such as 0.25. Write ? where none can be taken.\n\
         # Keep the order of the lines: it is the way to walk. Lines still blank are passed over.\n\
         # Taken a second time: the name, then again and a colon, then the readings.\n",
        plan.placings.len(),
        plan.readings(),
        duration(plan.minutes()),
        plain_mm(plan.apart[0].round()),
        plain_mm(plan.apart[1].round()),
    );
    out.push_str(&header(panel, set));
    let mut number = [0; 2];
    let mut axis = 0;
    for placing in &plan.placings {
        if placing.axis != axis {
            axis = placing.axis;
            out.push('\n');
        }
        number[axis] += 1;
        let name = format!("{}{}", ["A", "B"][axis], number[axis]);
        out.push_str(&placing.line(&name));
    }
    out
}

/// A hint for the tool, then the form's header lines.
pub fn header(panel: &Panel, set: &Settings) -> String {
    header_in(panel, set, Units::Metric)
}

/// The same in the user's own units: places in inches, readings in thou.
pub fn header_in(panel: &Panel, set: &Settings, units: Units) -> String {
    let (degrees, unit) = match units {
        Units::Metric => ("C", "mm"),
        Units::Us => ("F", "thou"),
    };
    format!(
        "{}{}date _   by _   skin _ {degrees}   supports _\ntool {} {}   step {}   unit {unit}\n",
        tool_hint(set.tool, panel.form),
        panel_line(&panel.name),
        set.tool.word(),
        written(set.length, units),
        written(set.step, units)
    )
}

/// A length as the form has it: "600", "24 in".
fn written(mm: f64, units: Units) -> String {
    match units {
        Units::Metric => plain_mm(mm),
        Units::Us => format!("{} in", inches(mm)),
    }
}

/// Inches with three decimals at most.
fn inches(mm: f64) -> String {
    plain_mm((mm / MM_PER_INCH * 1000.0).round() / 1000.0)
}

impl Planned {
    /// Where it lies, as the form writes it: "x 0 to 600     y 100".
    pub fn place(&self) -> [String; 2] {
        let range = format!("{} to {}", plain_mm(self.from), plain_mm(self.to));
        let at = plain_mm(self.at);
        if self.axis == 0 {
            [range, at]
        } else {
            [at, range]
        }
    }

    /// First and last reading, mm.
    pub fn ends(&self) -> [[f64; 2]; 2] {
        [self.from, self.to].map(|s| {
            let mut p = [self.at; 2];
            p[self.axis] = s;
            p
        })
    }

    /// Its two lines of the form: where each reading is taken, then a `_` below each place.
    pub fn rows(&self, name: &str, units: Units) -> String {
        let bare = |mm: f64| match units {
            Units::Metric => plain_mm((mm * 10.0).round() / 10.0),
            Units::Us => plain_mm((mm / MM_PER_INCH * 100.0).round() / 100.0),
        };
        let unit = if units == Units::Us { " in" } else { "" };
        let range = format!("{} to {}{unit}", bare(self.from), bare(self.to));
        let at = format!("{}{unit}", bare(self.at));
        let [x, y] = if self.axis == 0 {
            [range, at]
        } else {
            [at, range]
        };
        let head = format!("{name:<5} x {x:<14} y {y:<14} : ");
        let steps = self.readings.saturating_sub(1).max(1) as f64;
        let places: Vec<String> = (0..self.readings)
            .map(|k| bare(self.from + (self.to - self.from) * k as f64 / steps))
            .collect();
        let row = |cells: &mut dyn Iterator<Item = &str>| -> String {
            let cells: Vec<String> = cells
                .zip(&places)
                .map(|(cell, place)| format!("{cell:>w$}", w = place.chars().count().max(4)))
                .collect();
            cells.join(" ")
        };
        let above = row(&mut places.iter().map(String::as_str));
        let blanks = row(&mut std::iter::repeat_n("_", self.readings));
        let indent = " ".repeat(head.chars().count().saturating_sub(1));
        format!("#{indent}{above}\n{head}{blanks}\n")
    }

    /// Its line of the form, with `_` for every reading.
    pub fn line(&self, name: &str) -> String {
        let [x, y] = self.place();
        let blanks = vec!["_"; self.readings].join(" ");
        format!("{name:<5} x {x:<14} y {y:<14} : {blanks}\n")
    }
}

fn tool_hint(tool: Tool, form: Form) -> &'static str {
    match (tool, form) {
        (Tool::Straightedge, Form::Crowned) => {
            "# On a crown the edge teeters: stand it on two packers, any height, and read on. They cancel out.\n"
        }
        (Tool::Straightedge, _) => {
            "# Let the edge lie as it wants, or stand it on two packers; keep it still for the whole line.\n"
        }
        (Tool::ProfileGauge, _) => {
            "# Read each pin as a height, up positive. Any zero will do, the same for the whole line.\n"
        }
        (Tool::Batten, _) => {
            "# Write 0 wherever the batten touches; it must touch at two places or more.\n"
        }
        (Tool::WaveGauge, _) => {
            "# Positions are the dial's. Slide the gauge along the whole line without touching its zero; hump positive.\n"
        }
        (Tool::Bridge, _) => {
            "# Heights against the bridge, up positive. Keep it still for the whole line.\n"
        }
    }
}

/// The header line with the panel's name, quoted where the name alone would not be read back; a
/// name with quotes of its own goes into a remark.
fn panel_line(name: &str) -> String {
    let plain = name.split_whitespace().collect::<Vec<_>>().join(" ");
    let odd = name.contains(['#', ':', '"']) || plain != name || plain.starts_with('_');
    match (odd, name.contains('"')) {
        (_, true) => format!("# panel {plain}\n"),
        (true, false) => format!("panel \"{name}\"\n"),
        (false, false) => format!("panel {name}\n"),
    }
}

/// "35 minutes", "1 h 20 min": to five minutes, since nobody knows better.
pub fn duration(minutes: f64) -> String {
    let rounded = ((minutes / 5.0).round().max(1.0) * 5.0) as u64;
    match (rounded / 60, rounded % 60) {
        (0, m) => format!("{m} minutes"),
        (h, 0) => format!("{h} h"),
        (h, m) => format!("{h} h {m} min"),
    }
}
