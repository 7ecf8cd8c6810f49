//! Simulated panels with a known truth, and simulated surveys of them.
//!
//! Nothing here is measured: every panel is made up from a seed (ChaCha8, whose stream does not
//! change between releases) and every survey is worked out from the physics of its tool. The code
//! shares no mathematics with the program it tests: it only fills the program's own [`Panel`] and
//! [`Survey`].
//!
//! - [`truth`] makes a panel's true surface: form + lows + highs ([`Recipe`] for other sizes and
//!   counts).
//! - [`panel`] is the matching `panel.toml`, already read.
//! - [`survey`] sets a tool down on it as a [`SurveyPlan`] says; [`place`] sets it down once,
//!   anywhere.
//! - [`notes`] and [`table`] write a survey as a person or a program would have.
//!
//! Each test uses a part of it, hence the `allow`.
#![allow(dead_code)]

use lowspot::observe::{Conditions, Placing, Reading, Survey, Tool};
use lowspot::panel::{Form, Limit, NODE_LIMIT_MM, Panel, Polygon, Quantity};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use std::fmt::Write;

/// How closely the true surface is looked at along an edge, mm.
const LOOK_MM: f64 = 5.0;

// ---------------------------------------------------------------------------------- the true panel

/// The three forms of the recipe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// 1800 × 1200: −136u² − 60v² + 5u²v mm, u = x/L − ½, v = y/W − ½.
    Crowned,
    /// 1500 × 900: 0.
    Flat,
    /// 2400 × 1000: 45√(t + 0.15) − 38t mm, t = y/W; straight along x.
    Ruled,
}

impl Kind {
    /// All three.
    pub const ALL: [Kind; 3] = [Kind::Crowned, Kind::Flat, Kind::Ruled];

    /// Length and width of the recipe's panel, mm.
    pub fn size_mm(self) -> [f64; 2] {
        match self {
            Kind::Crowned => [1800.0, 1200.0],
            Kind::Flat => [1500.0, 900.0],
            Kind::Ruled => [2400.0, 1000.0],
        }
    }

    /// The word for the program.
    pub fn form(self) -> Form {
        match self {
            Kind::Crowned => Form::Crowned,
            Kind::Flat => Form::Flat,
            Kind::Ruled => Form::RuledX,
        }
    }
}

/// One low or high: an elliptical Gaussian.
#[derive(Clone, Debug, PartialEq)]
pub struct Bump {
    /// Its middle, mm.
    pub centre: [f64; 2],
    /// Height at the middle in mm, a low negative.
    pub height_mm: f64,
    /// Standard deviations of the Gaussian along its two axes, mm.
    pub sigma_mm: [f64; 2],
    /// Angle of the first axis from x, radians.
    pub angle: f64,
}

impl Bump {
    /// Its height at a point, mm.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let (sin, cos) = self.angle.sin_cos();
        let p = (dx * cos + dy * sin) / self.sigma_mm[0];
        let q = (dy * cos - dx * sin) / self.sigma_mm[1];
        self.height_mm * (-(p * p + q * q) / 2.0).exp()
    }
}

/// A strip that stands proud, such as a taped seam: flat on top, its edges feathered by a tanh.
#[derive(Clone, Debug, PartialEq)]
pub struct Seam {
    /// From and to along x, mm (half height).
    pub x_mm: [f64; 2],
    /// From and to along y, mm (half height).
    pub y_mm: [f64; 2],
    /// How proud, mm.
    pub height_mm: f64,
    /// Length over which its long and its short edges fall away, mm.
    pub feather_mm: f64,
}

impl Seam {
    /// Its height at a point, mm.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let strip = |s: f64, [from, to]: [f64; 2]| {
            let rise = |d: f64| (2.0 * d / self.feather_mm).tanh();
            (rise(s - from) + rise(to - s)) / 2.0
        };
        self.height_mm * strip(x, self.x_mm).max(0.0) * strip(y, self.y_mm).max(0.0)
    }
}

/// The true surface of a made-up panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// Its form.
    pub kind: Kind,
    /// Length along x, mm.
    pub length_mm: f64,
    /// Width along y, mm.
    pub width_mm: f64,
    /// A quadratic added to the form, for tests of invariance: c₀ + c₁u + c₂v + c₃u² + c₄uv + c₅v²,
    /// mm.
    pub added: [f64; 6],
    /// Lows and highs.
    pub bumps: Vec<Bump>,
    /// Proud strips.
    pub seams: Vec<Seam>,
}

impl Truth {
    /// Height of the true surface at a point of the panel frame, mm.
    pub fn height(&self, x: f64, y: f64) -> f64 {
        self.form(x, y) + self.defects(x, y)
    }

    /// What the panel was meant to be, mm.
    pub fn form(&self, x: f64, y: f64) -> f64 {
        let (t, u, v) = (
            y / self.width_mm,
            x / self.length_mm - 0.5,
            y / self.width_mm - 0.5,
        );
        let kind = match self.kind {
            Kind::Crowned => -136.0 * u * u - 60.0 * v * v + 5.0 * u * u * v,
            Kind::Flat => 0.0,
            Kind::Ruled => 45.0 * (t + 0.15).sqrt() - 38.0 * t,
        };
        let [c0, c1, c2, c3, c4, c5] = self.added;
        kind + c0 + c1 * u + c2 * v + c3 * u * u + c4 * u * v + c5 * v * v
    }

    /// Lows and highs alone, mm.
    pub fn defects(&self, x: f64, y: f64) -> f64 {
        let bumps: f64 = self.bumps.iter().map(|b| b.at(x, y)).sum();
        bumps + self.seams.iter().map(|s| s.at(x, y)).sum::<f64>()
    }

    /// The same panel seen in a mirror that swaps the ends of x (the form too).
    pub fn mirrored_in_x(&self) -> Truth {
        let mut other = self.clone();
        for b in &mut other.bumps {
            b.centre[0] = self.length_mm - b.centre[0];
            b.angle = -b.angle;
        }
        for s in &mut other.seams {
            s.x_mm = [self.length_mm - s.x_mm[1], self.length_mm - s.x_mm[0]];
        }
        other.added[1] = -self.added[1];
        other.added[4] = -self.added[4];
        other
    }
}

/// How a made-up panel is drawn: its form, size, and how many lows and highs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Recipe {
    /// Its form, stretched over the size.
    pub kind: Kind,
    /// Length along x, mm.
    pub length_mm: f64,
    /// Width along y, mm.
    pub width_mm: f64,
    /// Number of lows.
    pub lows: usize,
    /// Number of highs.
    pub highs: usize,
    /// 1 for the recipe's depths and heights; 0.02 makes a fair panel.
    pub amplitude: f64,
}

impl Recipe {
    /// The recipe's own size, eight lows, three highs.
    pub fn of(kind: Kind) -> Recipe {
        let [length_mm, width_mm] = kind.size_mm();
        Recipe {
            kind,
            length_mm,
            width_mm,
            lows: 8,
            highs: 3,
            amplitude: 1.0,
        }
    }

    /// The true surface for a seed. Another amplitude under the same seed gives the same panel,
    /// scaled.
    pub fn make(&self, seed: u64) -> Truth {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let lows = (0..self.lows).map(|_| Shape::LOW);
        let highs = (0..self.highs).map(|_| Shape::HIGH);
        let bumps = lows.chain(highs).map(|s| self.bump(s, &mut rng)).collect();
        Truth {
            kind: self.kind,
            length_mm: self.length_mm,
            width_mm: self.width_mm,
            added: [0.0; 6],
            bumps,
            seams: Vec::new(),
        }
    }

    fn bump(&self, shape: Shape, rng: &mut ChaCha8Rng) -> Bump {
        let centre = [
            self.length_mm * rng.random_range(0.08..0.92),
            self.width_mm * rng.random_range(0.08..0.92),
        ];
        let sigma = rng.random_range(shape.sigma_mm[0]..shape.sigma_mm[1]);
        let ratio = rng.random_range(shape.ratio[0]..shape.ratio[1]);
        let angle = rng.random_range(0.0..std::f64::consts::PI);
        let height = rng.random_range(shape.height_mm[0]..shape.height_mm[1]);
        Bump {
            centre,
            height_mm: height * shape.sign * self.amplitude,
            sigma_mm: [sigma, sigma * ratio],
            angle,
        }
    }
}

/// The ranges that a low or a high is drawn from, each evenly.
struct Shape {
    sign: f64,
    sigma_mm: [f64; 2],
    ratio: [f64; 2],
    height_mm: [f64; 2],
}

impl Shape {
    const LOW: Shape = Shape {
        sign: -1.0,
        sigma_mm: [40.0, 105.0],
        ratio: [0.6, 1.6],
        height_mm: [0.25, 1.3],
    };
    const HIGH: Shape = Shape {
        sign: 1.0,
        sigma_mm: [25.0, 55.0],
        ratio: [1.0, 3.5],
        height_mm: [0.15, 0.45],
    };
}

/// A made-up panel of the recipe's own size. `amplitude` 1 for its defects in full, 0.02 for a fair
/// panel.
pub fn truth(kind: Kind, seed: u64, amplitude: f64) -> Truth {
    Recipe {
        amplitude,
        ..Recipe::of(kind)
    }
    .make(seed)
}

/// The same on another size: the form is stretched over it (so a smaller panel is curved more
/// sharply), the lows and highs keep their own size and number.
pub fn truth_sized(kind: Kind, length_mm: f64, width_mm: f64, seed: u64, amplitude: f64) -> Truth {
    Recipe {
        length_mm,
        width_mm,
        amplitude,
        ..Recipe::of(kind)
    }
    .make(seed)
}

/// The panel of the recipe's size: 0.3 mm may be sanded off, limit 0.3 mm under 300 mm.
pub fn panel(kind: Kind) -> Panel {
    let [length, width] = kind.size_mm();
    panel_sized(kind, length, width)
}

/// The same on another size.
pub fn panel_sized(kind: Kind, length_mm: f64, width_mm: f64) -> Panel {
    Panel {
        name: format!("simulated {kind:?} panel").to_lowercase(),
        length_mm,
        width_mm,
        form: kind.form(),
        purpose: None,
        outline: Polygon::rectangle(length_mm, width_mm),
        cutouts: Vec::new(),
        no_sand: Vec::new(),
        no_fill: Vec::new(),
        photo_ignore: Vec::new(),
        sand_allowance_mm: Some(0.3),
        limits: vec![Limit {
            quantity: Quantity::Gap,
            base_mm: 300.0,
            max: 0.3,
            origin: "set in panel.toml".into(),
        }],
        zones: Vec::new(),
        form_wavelength_mm: kind.form().wavelengths_mm(),
        form_wavelength_given: false,
        radius_mm: [None; 2],
        node_limit_mm: NODE_LIMIT_MM,
        sheet_metal: false,
        moving_surface: false,
        skin: lowspot::panel::skin::Skin::default(),
        targets: Vec::new(),
    }
}

// -------------------------------------------------------------------------------------- the survey

/// Which way the lines of a survey run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Directions {
    /// Both.
    Both,
    /// Along x only.
    AlongX,
    /// Along y only.
    AlongY,
}

/// How far the underside of a straightedge is off a straight line, over its length from the end it
/// is set down from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum EdgeError {
    /// Not at all.
    None,
    /// Bent at a share of its length, by this much there, mm: positive is hollow.
    Kink(f64, f64),
    /// A wave of this amplitude, mm, so many to the length, beginning at a crest.
    Wave(f64, f64),
}

impl EdgeError {
    /// Off by, mm, at a share of the length.
    pub fn at(self, t: f64) -> f64 {
        match self {
            EdgeError::None => 0.0,
            EdgeError::Kink(at, mm) if t < at => mm * t / at,
            EdgeError::Kink(at, mm) => mm * (1.0 - t) / (1.0 - at),
            EdgeError::Wave(mm, count) => mm * (std::f64::consts::TAU * count * t).cos(),
        }
    }
}

/// How a tool is set down over a panel: lines along one or both axes, the first half a spacing in
/// from the edge.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyPlan {
    /// The tool.
    pub tool: Tool,
    /// Length of the edge, gauge or batten, or distance between the wave gauge's feet, mm. Unused
    /// for a bridge.
    pub edge_mm: f64,
    /// How far it is moved on along a line, mm; the last placing is flush with the end. A wave
    /// gauge and a bridge take the whole line in one.
    pub advance_mm: f64,
    /// From line to line, mm.
    pub spacing_mm: f64,
    /// From reading to reading, mm.
    pub step_mm: f64,
    /// Standard deviation of a reading's noise, mm.
    pub noise_mm: f64,
    /// Readings are rounded to this, mm; 0 for not at all.
    pub rounding_mm: f64,
    /// Which way the lines run.
    pub directions: Directions,
    /// Bow of the straightedge: its underside is hollow by this in the middle, mm (constant
    /// curvature).
    pub bow_mm: f64,
    /// The straightedge's own shape beyond its bow.
    pub edge: EdgeError,
    /// Whether it is set down end for end.
    pub edge_turned: bool,
    /// The straightedge stands on two packers of this thickness, one under each end, mm; 0 for
    /// none.
    pub packers_mm: f64,
    /// How the tool sits where gravity does not settle it (pin gauge, wave gauge's zero, bridge):
    /// standard deviation of its offset, and of its tilt over its length, mm.
    pub rest_sd_mm: f64,
    /// How far along the placing a reading is taken from where it is said to be, standard
    /// deviation, mm.
    pub place_sd_mm: f64,
}

impl SurveyPlan {
    /// A 600 mm straightedge moved on by 450 mm, read each 50 mm, noise 0.03 mm rounded to 0.05.
    pub fn straightedge(spacing_mm: f64) -> Self {
        SurveyPlan {
            tool: Tool::Straightedge,
            edge_mm: 600.0,
            advance_mm: 450.0,
            spacing_mm,
            step_mm: 50.0,
            noise_mm: 0.03,
            rounding_mm: 0.05,
            directions: Directions::Both,
            bow_mm: 0.0,
            edge: EdgeError::None,
            edge_turned: false,
            packers_mm: 0.0,
            rest_sd_mm: 0.0,
            place_sd_mm: 0.0,
        }
    }

    /// A 300 mm pin gauge moved on by 225 mm, pins each 10 mm, noise 0.08 mm rounded to 0.1.
    pub fn pin_gauge(spacing_mm: f64) -> Self {
        SurveyPlan {
            tool: Tool::ProfileGauge,
            edge_mm: 300.0,
            advance_mm: 225.0,
            step_mm: 10.0,
            noise_mm: 0.08,
            rounding_mm: 0.1,
            rest_sd_mm: 1.0,
            ..Self::straightedge(spacing_mm)
        }
    }

    /// A sprung batten of 900 mm moved on by 600 mm, held down at both ends, read each 50 mm and
    /// where it touches.
    pub fn batten(spacing_mm: f64) -> Self {
        SurveyPlan {
            tool: Tool::Batten,
            edge_mm: 900.0,
            advance_mm: 600.0,
            ..Self::straightedge(spacing_mm)
        }
    }

    /// A dial between two feet, slid along whole lines and read each quarter base; 0.01 mm steps,
    /// noise 0.01 mm.
    pub fn wave_gauge(base_mm: f64, spacing_mm: f64) -> Self {
        SurveyPlan {
            tool: Tool::WaveGauge,
            edge_mm: base_mm,
            step_mm: base_mm / 4.0,
            noise_mm: 0.01,
            rounding_mm: 0.01,
            rest_sd_mm: 0.5,
            ..Self::straightedge(spacing_mm)
        }
    }

    /// Heights from a bridge across the whole panel, noise 0.05 mm rounded to 0.05, set up anew for
    /// each line.
    pub fn bridge(spacing_mm: f64) -> Self {
        SurveyPlan {
            tool: Tool::Bridge,
            edge_mm: 0.0,
            noise_mm: 0.05,
            rest_sd_mm: 0.5,
            ..Self::straightedge(spacing_mm)
        }
    }

    /// What an hour allows on 1200 × 900: 24 placings of a straightedge, lines each 200 mm.
    pub fn hour() -> Self {
        Self::straightedge(200.0)
    }

    /// The same survey without noise and rounding.
    pub fn exact(self) -> Self {
        SurveyPlan {
            noise_mm: 0.0,
            rounding_mm: 0.0,
            ..self
        }
    }

    /// The same survey with other noise and rounding.
    pub fn with_noise(self, noise_mm: f64, rounding_mm: f64) -> Self {
        SurveyPlan {
            noise_mm,
            rounding_mm,
            ..self
        }
    }

    /// The same survey with lines in these directions only.
    pub fn along(self, directions: Directions) -> Self {
        SurveyPlan { directions, ..self }
    }

    /// The same survey with the edge on packers.
    pub fn on_packers(self, packers_mm: f64) -> Self {
        SurveyPlan { packers_mm, ..self }
    }

    /// The same survey with an edge that is not straight.
    pub fn with_edge(self, edge: EdgeError) -> Self {
        SurveyPlan { edge, ..self }
    }

    /// The same survey with a bowed edge.
    pub fn bowed(self, bow_mm: f64) -> Self {
        SurveyPlan { bow_mm, ..self }
    }
}

/// Where a tool is set down: from a point, in a direction, for a length.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Where its readings begin, mm.
    pub from: [f64; 2],
    /// Unit direction.
    pub toward: [f64; 2],
    /// From the first reading to the last, mm.
    pub length_mm: f64,
}

impl Stretch {
    /// From one point to another.
    pub fn between(from: [f64; 2], to: [f64; 2]) -> Stretch {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length_mm = dx.hypot(dy);
        assert!(length_mm > 0.0, "a stretch needs two different ends");
        Stretch {
            from,
            toward: [dx / length_mm, dy / length_mm],
            length_mm,
        }
    }

    fn at(&self, s: f64) -> [f64; 2] {
        [
            self.from[0] + s * self.toward[0],
            self.from[1] + s * self.toward[1],
        ]
    }
}

/// Surveys a made-up panel as the plan says.
pub fn survey(truth: &Truth, panel: &Panel, plan: &SurveyPlan, seed: u64) -> Survey {
    survey_of(&|x, y| truth.height(x, y), panel, plan, seed)
}

/// Surveys any surface (a measured one, say) as the plan says. `height` is asked for points of the
/// panel and, under a tool's ends, nowhere else.
pub fn survey_of(
    height: &dyn Fn(f64, f64) -> f64,
    panel: &Panel,
    plan: &SurveyPlan,
    seed: u64,
) -> Survey {
    let mut rng = survey_rng(seed);
    let mut survey = Survey {
        conditions: Conditions {
            panel: Some(panel.name.clone()),
            ..Conditions::default()
        },
        files: vec!["simulated".into()],
        ..Survey::default()
    };
    for (name, stretch) in stretches(panel, plan) {
        survey
            .placings
            .extend(place(height, panel, plan, &name, stretch, &mut rng));
    }
    number(&mut survey);
    survey
}

/// The chance of a survey: the seed's second stream, so that a panel and its survey may share a
/// seed.
pub fn survey_rng(seed: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(1);
    rng
}

/// Gives every placing and reading the line and column it would have in a file of placings only.
pub fn number(survey: &mut Survey) {
    for (p, placing) in survey.placings.iter_mut().enumerate() {
        placing.line = p + 1;
        for (r, reading) in placing.readings.iter_mut().enumerate() {
            (reading.line, reading.column) = (p + 1, r + 1);
        }
    }
}

/// All places of a plan by name, in walking order: "A1", "A2", … along x, "B1", … along y.
pub fn stretches(panel: &Panel, plan: &SurveyPlan) -> Vec<(String, Stretch)> {
    let mut all = Vec::new();
    let [length, width] = [panel.length_mm, panel.width_mm];
    if plan.directions != Directions::AlongY {
        let lines = lines(width, plan.spacing_mm);
        let along = lines.into_iter().flat_map(|y| {
            parts(length, plan).map(move |(from, length_mm)| Stretch {
                from: [from, y],
                toward: [1.0, 0.0],
                length_mm,
            })
        });
        all.extend((1..).map(|n| format!("A{n}")).zip(along));
    }
    if plan.directions != Directions::AlongX {
        let lines = lines(length, plan.spacing_mm);
        let along = lines.into_iter().flat_map(|x| {
            parts(width, plan).map(move |(from, length_mm)| Stretch {
                from: [x, from],
                toward: [0.0, 1.0],
                length_mm,
            })
        });
        all.extend((1..).map(|n| format!("B{n}")).zip(along));
    }
    all
}

/// Lines across a breadth: half a spacing in, then each spacing, none on the far edge itself.
fn lines(breadth: f64, spacing: f64) -> Vec<f64> {
    (0..)
        .map(|i| (f64::from(i) + 0.5) * spacing)
        .take_while(|at| *at < breadth - 1e-9)
        .collect()
}

/// The placings along one line: (where the readings begin, how far they run).
fn parts(line: f64, plan: &SurveyPlan) -> impl Iterator<Item = (f64, f64)> + use<> {
    let whole = |length: f64| (length / plan.step_mm + 1e-9).floor() * plan.step_mm;
    let mut parts = Vec::new();
    match plan.tool {
        Tool::WaveGauge => {
            // The dial cannot come nearer to the ends than half the base.
            let first = ((plan.edge_mm / 2.0) / plan.step_mm - 1e-9).ceil() * plan.step_mm;
            parts.push((first, whole(line - plan.edge_mm / 2.0 - first)));
        }
        Tool::Bridge => parts.push((0.0, whole(line))),
        Tool::Straightedge | Tool::ProfileGauge | Tool::Batten => {
            let used = whole(plan.edge_mm.min(line));
            let (mut at, last) = (0.0, line - used);
            while at < last - 1e-9 {
                parts.push((at, used));
                at += plan.advance_mm;
            }
            parts.push((last, used));
        }
    }
    parts.into_iter()
}

/// Sets the tool down once and reads it. Readings off the panel at either end are not written,
/// those over an opening are `?`. `None` where the tool cannot rest (nothing under one of its
/// halves) or fewer than two readings could be taken.
pub fn place(
    height: &dyn Fn(f64, f64) -> f64,
    panel: &Panel,
    plan: &SurveyPlan,
    name: &str,
    stretch: Stretch,
    rng: &mut ChaCha8Rng,
) -> Option<Placing> {
    let ground = Ground {
        height,
        panel,
        stretch,
    };
    let count = (stretch.length_mm / plan.step_mm + 1e-6).floor() as usize;
    let mut stations: Vec<f64> = (0..=count).map(|i| i as f64 * plan.step_mm).collect();
    let touch = ground.look(&stations);
    let mut contacts: Vec<[f64; 2]> = Vec::new();
    let tool: Box<dyn Fn(f64) -> f64> = match plan.tool {
        Tool::Straightedge => {
            let bow = |s: f64| {
                let t = s / plan.edge_mm.max(1.0);
                let t = if plan.edge_turned { 1.0 - t } else { t };
                bow(plan.bow_mm, s / stretch.length_mm) + plan.edge.at(t)
            };
            let mut bent: Vec<_> = touch.iter().map(|&[s, z]| [s, z - bow(s)]).collect();
            if let [first, .., last] = &mut bent[..] {
                first[1] += plan.packers_mm;
                last[1] += plan.packers_mm;
            }
            let [a, b] = rest(&bent, stretch.length_mm / 2.0)?;
            Box::new(move |s| a + b * s + bow(s))
        }
        Tool::Batten => {
            contacts = drape(&touch)?;
            for &[s, _] in &contacts {
                if !stations.iter().any(|t| (t - s).abs() < 1e-6) {
                    stations.push(s);
                }
            }
            stations.sort_by(f64::total_cmp);
            let spline = Spline::through(contacts.clone());
            Box::new(move |s| spline.at(s))
        }
        Tool::ProfileGauge => {
            // The gauge is held about along the skin: its stock runs near the chord.
            let chord = chord(&touch)?;
            let [a, b] = loose(plan, rng);
            let length = stretch.length_mm;
            Box::new(move |s| chord(s) - a - b * (s / length - 0.5))
        }
        Tool::Bridge => {
            let [a, b] = loose(plan, rng);
            let length = stretch.length_mm;
            Box::new(move |s| -a - b * (s / length - 0.5))
        }
        Tool::WaveGauge => {
            let [a, _] = loose(plan, rng);
            Box::new(move |_| -a)
        }
    };
    let mut readings: Vec<Reading> = stations
        .iter()
        .map(|&s| {
            let slipped = (s + plan.place_sd_mm * normal(rng)).clamp(0.0, stretch.length_mm);
            let noise = plan.noise_mm * normal(rng);
            // Where a batten touches, a slip of paper tells: 0 is written, whatever the feeler says
            // elsewhere.
            let touches = contacts.iter().any(|c| (c[0] - s).abs() < 1e-6);
            let value = if touches {
                Some(0.0)
            } else {
                read(&ground, plan, tool.as_ref(), s, slipped).map(|v| v + noise)
            };
            written(stretch.at(s), value, plan)
        })
        .collect();
    trim(&mut readings);
    if readings.iter().filter(|r| r.value_mm.is_some()).count() < 2 {
        return None;
    }
    Some(Placing {
        name: name.to_string(),
        tool: plan.tool,
        base_mm: plan.edge_mm,
        toward: stretch.toward,
        repeat: 0,
        turned: false,
        readings,
        file: "simulated".into(),
        line: 1,
    })
}

/// The reading at `s` (taken at `slipped`), before noise; `None` where there is no panel.
fn read(
    ground: &Ground,
    plan: &SurveyPlan,
    tool: &dyn Fn(f64) -> f64,
    s: f64,
    slipped: f64,
) -> Option<f64> {
    let z = ground.at(slipped).or_else(|| ground.at(s))?;
    match plan.tool {
        Tool::Straightedge | Tool::Batten => Some(tool(slipped) - z),
        Tool::ProfileGauge | Tool::Bridge => Some(z - tool(slipped)),
        Tool::WaveGauge => {
            let half = plan.edge_mm / 2.0;
            let feet = (ground.at(slipped - half)? + ground.at(slipped + half)?) / 2.0;
            Some(z - feet - tool(slipped))
        }
    }
}

/// A reading as it is written: a gap never below 0, rounded.
fn written([x, y]: [f64; 2], value: Option<f64>, plan: &SurveyPlan) -> Reading {
    let value = value.map(|v| {
        let v = if plan.tool.reads_gaps() {
            v.max(0.0)
        } else {
            v
        };
        let steps = (v / plan.rounding_mm).round();
        // Adding 0 turns a negative zero into a plain one.
        if plan.rounding_mm > 0.0 {
            steps * plan.rounding_mm + 0.0
        } else {
            v
        }
    });
    let decimals = if plan.rounding_mm >= 0.01 { 2 } else { 6 };
    let text = value.map_or("?".into(), |v| format!("{v:.decimals$}"));
    Reading {
        x,
        y,
        // What counts is what stands on the paper.
        value_mm: value.and_then(|_| text.parse().ok()),
        written: text,
        sd_mm: None,
        line: 1,
        column: 1,
    }
}

fn trim(readings: &mut Vec<Reading>) {
    while readings.last().is_some_and(|r| r.value_mm.is_none()) {
        readings.pop();
    }
    let blank = readings.iter().take_while(|r| r.value_mm.is_none()).count();
    readings.drain(..blank);
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    rng.sample(StandardNormal)
}

/// Offset, and tilt from end to end, of a tool that nothing settles.
fn loose(plan: &SurveyPlan, rng: &mut ChaCha8Rng) -> [f64; 2] {
    [plan.rest_sd_mm * normal(rng), plan.rest_sd_mm * normal(rng)]
}

// ------------------------------------------------------------------------------- the tools at rest

/// The true surface along one placing.
struct Ground<'a> {
    height: &'a dyn Fn(f64, f64) -> f64,
    panel: &'a Panel,
    stretch: Stretch,
}

impl Ground<'_> {
    fn at(&self, s: f64) -> Option<f64> {
        let [x, y] = self.stretch.at(s);
        self.panel.contains(x, y).then(|| (self.height)(x, y))
    }

    /// [s, z] each 5 mm and at the stations, in order, where there is panel.
    fn look(&self, stations: &[f64]) -> Vec<[f64; 2]> {
        let count = (self.stretch.length_mm / LOOK_MM).ceil() as usize;
        let even = (0..=count).map(|i| self.stretch.length_mm * i as f64 / count as f64);
        let mut all: Vec<f64> = even.chain(stations.iter().copied()).collect();
        all.sort_by(f64::total_cmp);
        all.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
        all.iter().filter_map(|&s| Some([s, self.at(s)?])).collect()
    }
}

/// How far the underside of a bowed edge stands above its own chord, mm; `t` from 0 to 1 along it.
fn bow(bow_mm: f64, t: f64) -> f64 {
    4.0 * bow_mm * t * (1.0 - t)
}

/// Where gravity puts a straight edge on points [s, z]: of all lines a + b·s above every point, the
/// one that is lowest at the edge's middle, which is also the one with the least mean gap. It is
/// the side of the upper convex hull over the middle; on a crown a very short side: the edge
/// teeters.
fn rest(points: &[[f64; 2]], middle: f64) -> Option<[f64; 2]> {
    let mut hull: Vec<[f64; 2]> = Vec::new();
    for &p in points {
        while let [.., a, b] = hull[..] {
            let turn = (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]);
            if turn < 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(p);
    }
    let side = hull
        .windows(2)
        .find(|w| w[0][0] <= middle && middle <= w[1][0])?;
    let slope = (side[1][1] - side[0][1]) / (side[1][0] - side[0][0]);
    Some([side[0][1] - slope * side[0][0], slope])
}

/// The straight line between the first and the last point.
fn chord(points: &[[f64; 2]]) -> Option<impl Fn(f64) -> f64 + 'static + use<>> {
    let (&[s0, z0], &[s1, z1]) = (points.first()?, points.last()?);
    (s1 > s0).then_some(move |s: f64| z0 + (z1 - z0) * (s - s0) / (s1 - s0))
}

/// Where a springy batten touches when its ends are held down on the panel: the contacts, in order.
///
/// It bends as little as it can while nowhere inside the panel, and the panel can only push. The
/// contact forces solve a non-negative least squares problem, done by the active set of Lawson and
/// Hanson (Solving Least Squares Problems, 1974, ch. 23); for given contacts the batten is the
/// natural cubic spline through them and each force is the jump in its third derivative.
fn drape(ground: &[[f64; 2]]) -> Option<Vec<[f64; 2]>> {
    let last = ground.len().checked_sub(1).filter(|&n| n >= 1)?;
    let mut force = vec![0.0; ground.len()];
    let mut touching = vec![false; ground.len()];
    (touching[0], touching[last]) = (true, true);
    let knots = |touching: &[bool]| -> Vec<[f64; 2]> {
        let held = ground.iter().zip(touching).filter(|(_, t)| **t);
        held.map(|(p, _)| *p).collect()
    };
    for _ in 0..10 * ground.len() {
        let spline = Spline::through(knots(&touching));
        let inside = |i: usize| ground[i][1] - spline.at(ground[i][0]);
        let free = (1..last).filter(|&i| !touching[i]);
        let worst = free.max_by(|&i, &j| inside(i).total_cmp(&inside(j)));
        let Some(worst) = worst.filter(|&i| inside(i) > 1e-6) else {
            return Some(knots(&touching));
        };
        touching[worst] = true;
        for _ in 0..ground.len() {
            let held: Vec<usize> = (0..=last).filter(|&i| touching[i]).collect();
            let wanted = Spline::through(knots(&touching)).forces();
            let inner = || held.iter().zip(&wanted).skip(1).take(held.len() - 2);
            let share = inner()
                .filter(|(_, w)| **w <= 0.0)
                .map(|(&i, w)| force[i] / (force[i] - w))
                .fold(1.0_f64, |a, b| if b.is_finite() { a.min(b) } else { 0.0 });
            for (&i, w) in inner() {
                force[i] += share * (w - force[i]);
            }
            if share >= 1.0 {
                break;
            }
            let gone: Vec<usize> = inner()
                .filter(|(i, w)| **w <= 0.0 && force[**i] <= 1e-15)
                .map(|(i, _)| *i)
                .collect();
            for i in gone {
                (force[i], touching[i]) = (0.0, false);
            }
        }
    }
    panic!("the simulated batten did not come to rest");
}

/// The natural cubic spline through points [s, z], s ascending, at least two.
struct Spline {
    knots: Vec<[f64; 2]>,
    /// Second derivative at each knot, zero at both ends.
    bend: Vec<f64>,
}

impl Spline {
    /// h₀M₀ + 2(h₀+h₁)M₁ + h₁M₂ = 6(slope₁ − slope₀) for every inner knot, solved by elimination.
    fn through(knots: Vec<[f64; 2]>) -> Spline {
        let n = knots.len();
        let step = |i: usize| knots[i + 1][0] - knots[i][0];
        let slope = |i: usize| (knots[i + 1][1] - knots[i][1]) / step(i);
        let (mut pivot, mut right) = (vec![1.0; n], vec![0.0; n]);
        for i in 1..n - 1 {
            let below = if i > 1 {
                step(i - 1) / pivot[i - 1]
            } else {
                0.0
            };
            pivot[i] = 2.0 * (step(i - 1) + step(i)) - below * step(i - 1);
            right[i] = 6.0 * (slope(i) - slope(i - 1)) - below * right[i - 1];
        }
        let mut bend = vec![0.0; n];
        for i in (1..n - 1).rev() {
            bend[i] = (right[i] - step(i) * bend[i + 1]) / pivot[i];
        }
        Spline { knots, bend }
    }

    fn at(&self, s: f64) -> f64 {
        let inner = &self.knots[1..self.knots.len() - 1];
        let i = inner.partition_point(|k| k[0] < s);
        let ([s0, z0], [s1, z1]) = (self.knots[i], self.knots[i + 1]);
        let (h, a, b) = (s1 - s0, s1 - s, s - s0);
        let (m0, m1) = (self.bend[i], self.bend[i + 1]);
        m0 * (a.powi(3) / h - h * a) / 6.0
            + m1 * (b.powi(3) / h - h * b) / 6.0
            + (z0 * a + z1 * b) / h
    }

    /// What pushes at each knot, upward positive, for a bending stiffness of 1: the jump in the
    /// third derivative.
    fn forces(&self) -> Vec<f64> {
        let third = |i: usize| {
            (self.bend[i + 1] - self.bend[i]) / (self.knots[i + 1][0] - self.knots[i][0])
        };
        let n = self.knots.len();
        (0..n)
            .map(|i| {
                let after = if i + 1 < n { third(i) } else { 0.0 };
                after - if i > 0 { third(i - 1) } else { 0.0 }
            })
            .collect()
    }
}

// ------------------------------------------------------------------------------------- on paper

/// A survey in the notes form, as a person would have written it. A change of tool, length or step
/// gets a header line. The placings must be evenly read: a batten also read between its stations
/// has a [`table`] only.
pub fn notes(survey: &Survey) -> String {
    let mut text = heading(&survey.conditions);
    text += "unit mm\n";
    let mut header = String::new();
    for placing in &survey.placings {
        let now = tool_line(placing);
        if now != header {
            text += &now;
            header = now;
        }
        text += &placing_line(placing);
    }
    text
}

/// The first lines of notes: panel, date, person, skin temperature, supports, as far as they are
/// known.
pub fn heading(conditions: &Conditions) -> String {
    let mut text = String::new();
    if let Some(panel) = &conditions.panel {
        let _ = writeln!(text, "panel {panel}");
    }
    let mut parts = Vec::new();
    parts.extend(conditions.date.as_ref().map(|d| format!("date {d}")));
    parts.extend(conditions.by.as_ref().map(|by| format!("by {by}")));
    parts.extend(conditions.skin_c.map(|c| format!("skin {c} C")));
    parts.extend(
        conditions
            .supports
            .as_ref()
            .map(|s| format!("supports {s}")),
    );
    if !parts.is_empty() {
        let _ = writeln!(text, "{}", parts.join("   "));
    }
    text
}

/// The header line of notes that a placing stands under.
pub fn tool_line(placing: &Placing) -> String {
    let base = match placing.tool {
        Tool::Bridge => String::new(),
        _ => format!(" {}", placing.base_mm),
    };
    let step = place_text(pitch(placing));
    format!("tool {}{base}   step {step}\n", placing.tool.word())
}

/// One placing as a line of notes: `A1  x 0 to 600  y 100 : 0.00 0.10 …`.
pub fn placing_line(placing: &Placing) -> String {
    let (first, last) = match &placing.readings[..] {
        [first, .., last] => (first, last),
        _ => panic!("{} has fewer than two readings", placing.name),
    };
    let pitch = pitch(placing);
    for (i, r) in placing.readings.iter().enumerate() {
        let s = (r.x - first.x).hypot(r.y - first.y);
        let even = (s - i as f64 * pitch).abs() < 1e-3;
        assert!(
            even,
            "{} is not evenly read: write it as a table",
            placing.name
        );
    }
    let span = |from: f64, to: f64| {
        if (to - from).abs() < 1e-6 {
            place_text(from)
        } else {
            format!("{} to {}", place_text(from), place_text(to))
        }
    };
    let place = match (placing.repeat, placing.turned) {
        (_, true) => "turned".into(),
        (0, false) => format!("x {}  y {}", span(first.x, last.x), span(first.y, last.y)),
        (_, false) => "again".into(),
    };
    let values: Vec<_> = placing
        .readings
        .iter()
        .map(|r| r.written.as_str())
        .collect();
    format!("{:<4} {place:<24} : {}\n", placing.name, values.join(" "))
}

/// A survey in the table form. Readings not taken are left out; a repeat is a placing with a name
/// of its own.
pub fn table(survey: &Survey) -> String {
    let mut text = String::from("placing,tool,x,y,reading,base\n");
    for p in &survey.placings {
        let known = Some(p.base_mm).filter(|base| *base > 0.0);
        let base = known.map(place_text).unwrap_or_default();
        for r in p.taken() {
            let (x, y) = (place_text(r.x), place_text(r.y));
            let (label, tool) = (p.label(), p.tool.word());
            let _ = writeln!(text, "{label},{tool},{x},{y},{},{base}", r.written);
        }
    }
    text
}

/// From reading to reading, mm.
fn pitch(placing: &Placing) -> f64 {
    match &placing.readings[..] {
        [a, b, ..] => (b.x - a.x).hypot(b.y - a.y),
        _ => 0.0,
    }
}

/// A place in mm with at most three decimals and no trailing zeros.
fn place_text(mm: f64) -> String {
    let text = format!("{mm:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

// --------------------------------------------------------------------------- the simulator's own
// tests

mod tests {
    use super::*;

    fn nearly(found: f64, expected: f64, within: f64, what: &str) {
        assert!(
            (found - expected).abs() <= within,
            "{what}: found {found}, expected {expected} within {within}"
        );
    }

    /// (placings, readings) of a plan on a kind's own panel.
    fn counts(kind: Kind, plan: SurveyPlan) -> (usize, usize) {
        let survey = survey(&truth(kind, 1, 1.0), &panel(kind), &plan, 1);
        (survey.placings.len(), survey.taken())
    }

    #[test]
    fn plans_give_the_placings_that_arithmetic_says() {
        // 12 lines of 4 and 18 lines of 3, 13 readings each.
        assert_eq!(
            counts(Kind::Crowned, SurveyPlan::straightedge(100.0)),
            (102, 1326)
        );
        // 8 × 4 + 12 × 3 and 6 × 4 + 9 × 3.
        assert_eq!(
            counts(Kind::Crowned, SurveyPlan::straightedge(150.0)),
            (68, 884)
        );
        assert_eq!(
            counts(Kind::Crowned, SurveyPlan::straightedge(200.0)),
            (51, 663)
        );
        // 9 × 3 + 15 × 2; 10 × 5 + 24 × 2.
        assert_eq!(
            counts(Kind::Flat, SurveyPlan::straightedge(100.0)),
            (57, 741)
        );
        assert_eq!(
            counts(Kind::Ruled, SurveyPlan::straightedge(100.0)),
            (98, 1274)
        );
        // 8 lines of 8 and 12 lines of 5, 31 pins.
        assert_eq!(
            counts(Kind::Crowned, SurveyPlan::pin_gauge(150.0)),
            (124, 3844)
        );
        let x = SurveyPlan::straightedge(100.0).along(Directions::AlongX);
        assert_eq!(counts(Kind::Crowned, x), (48, 624));
    }

    #[test]
    fn an_hour_is_24_placings() {
        let truth = truth_sized(Kind::Crowned, 1200.0, 900.0, 3, 1.0);
        let panel = panel_sized(Kind::Crowned, 1200.0, 900.0);
        let survey = survey(&truth, &panel, &SurveyPlan::hour(), 3);
        assert_eq!((survey.placings.len(), survey.taken()), (24, 312));
    }

    #[test]
    fn a_straightedge_is_straight_touches_and_never_sinks_in() {
        for kind in Kind::ALL {
            for seed in 0..6 {
                let (truth, panel) = (truth(kind, seed, 1.0), panel(kind));
                let plan = SurveyPlan {
                    step_mm: LOOK_MM,
                    ..SurveyPlan::straightedge(200.0).exact()
                };
                for bow_mm in [0.0, 0.6, -0.6] {
                    let survey = survey(&truth, &panel, &plan.clone().bowed(bow_mm), seed);
                    for p in &survey.placings {
                        let gap = |r: &Reading| r.value_mm.unwrap();
                        let touching = p.readings.iter().filter(|r| gap(r) <= 1e-6).count();
                        assert!(
                            touching >= 2,
                            "{kind:?} {seed} {}: {touching} contacts",
                            p.name
                        );
                        // Were a gap clipped at 0, the edge would not be straight there.
                        let edge = p.readings.iter().enumerate().map(|(i, r)| {
                            let t = i as f64 / (p.readings.len() - 1) as f64;
                            gap(r) + truth.height(r.x, r.y) - bow(bow_mm, t)
                        });
                        let edge: Vec<f64> = edge.collect();
                        for w in edge.windows(3) {
                            nearly(w[0] - 2.0 * w[1] + w[2], 0.0, 5e-6, &p.name);
                        }
                    }
                }
            }
        }
    }

    /// A lone low between two equal heights: the edge bridges it and the gap is its depth.
    #[test]
    fn the_gap_over_a_lone_low_is_its_depth() {
        let mut truth = truth(Kind::Flat, 0, 1.0);
        truth.bumps = vec![Bump {
            centre: [300.0, 50.0],
            height_mm: -0.8,
            sigma_mm: [60.0, 60.0],
            angle: 0.0,
        }];
        let survey = survey(
            &truth,
            &panel(Kind::Flat),
            &SurveyPlan::straightedge(100.0).exact(),
            0,
        );
        let a1 = &survey.placings[0];
        nearly(a1.readings[6].value_mm.unwrap(), 0.8, 1e-5, "depth");
        nearly(a1.readings[0].value_mm.unwrap(), 0.0, 1e-5, "end");
    }

    /// On a crown of radius R an edge resting at its middle has gaps s²/2R.
    #[test]
    fn an_edge_on_a_crown_teeters_on_its_middle() {
        let mut truth = truth(Kind::Flat, 0, 0.0);
        let radius = 12_000.0;
        truth.added[3] = -truth.length_mm.powi(2) / (2.0 * radius);
        let plan = SurveyPlan::straightedge(100.0).exact();
        let survey = survey(
            &truth,
            &panel(Kind::Flat),
            &plan.along(Directions::AlongX),
            0,
        );
        for p in &survey.placings {
            for (i, r) in p.readings.iter().enumerate() {
                let s = (i as f64 - 6.0) * 50.0;
                // The edge may tilt within one step of the look along it.
                nearly(r.value_mm.unwrap(), s * s / (2.0 * radius), 0.08, &p.name);
            }
        }
    }

    /// On a crown of radius R an edge of length L on packers has L²/8R less under its middle than
    /// under its ends.
    #[test]
    fn an_edge_on_packers_stands_on_both_and_touches_nowhere() {
        let mut truth = truth(Kind::Flat, 0, 0.0);
        truth.added[3] = -truth.length_mm.powi(2) / (2.0 * 12_000.0);
        let plan = SurveyPlan::straightedge(100.0).exact().on_packers(5.0);
        let panel = panel(Kind::Flat);
        let survey = survey(&truth, &panel, &plan.along(Directions::AlongX), 0);
        for p in &survey.placings {
            let gap = |i: usize| p.readings[i].value_mm.unwrap();
            nearly(gap(0), 5.0, 1e-6, &p.name);
            nearly(gap(12), 5.0, 1e-6, &p.name);
            nearly(
                gap(6),
                5.0 - 600.0 * 600.0 / (8.0 * 12_000.0),
                1e-6,
                &p.name,
            );
        }
    }

    /// A constant bow adds constant curvature to gaps read between the same two contacts.
    #[test]
    fn a_bowed_edge_over_a_flat_panel_reads_its_bow() {
        let truth = truth(Kind::Flat, 0, 0.0);
        let plan = SurveyPlan::straightedge(100.0).exact().bowed(0.6);
        let survey = survey(&truth, &panel(Kind::Flat), &plan, 0);
        let a1 = &survey.placings[0];
        nearly(a1.readings[6].value_mm.unwrap(), 0.6, 1e-6, "middle");
        nearly(a1.readings[3].value_mm.unwrap(), 0.45, 1e-6, "quarter");
    }

    #[test]
    fn a_batten_touches_where_it_reads_nothing_and_is_a_spline_through_its_contacts() {
        for kind in Kind::ALL {
            for seed in 0..6 {
                let (truth, panel) = (truth(kind, seed, 1.0), panel(kind));
                let plan = SurveyPlan {
                    step_mm: LOOK_MM,
                    ..SurveyPlan::batten(250.0).exact()
                };
                let survey = survey(&truth, &panel, &plan, seed);
                for p in &survey.placings {
                    let [x, y] = [p.readings[0].x, p.readings[0].y];
                    let along = |r: &Reading| (r.x - x).hypot(r.y - y);
                    let all = p
                        .readings
                        .iter()
                        .map(|r| [along(r), truth.height(r.x, r.y), r.value_mm.unwrap()]);
                    let all: Vec<[f64; 3]> = all.collect();
                    let contacts = all.iter().filter(|a| a[2] <= 1e-6).map(|a| [a[0], a[1]]);
                    let contacts: Vec<[f64; 2]> = contacts.collect();
                    assert!(contacts.len() >= 2, "{kind:?} {seed} {}", p.name);
                    let spline = Spline::through(contacts);
                    for [s, z, gap] in all {
                        nearly(spline.at(s) - z, gap, 1e-4, &p.name);
                    }
                }
            }
        }
    }

    /// x(1 − x)-like data has the natural spline 2, 1 over three knots: M₁ = −3 for z = 0, 1, 0 at
    /// s = 0, 1, 2.
    #[test]
    fn the_natural_spline_has_the_textbook_value() {
        let spline = Spline::through(vec![[0.0, 0.0], [1.0, 1.0], [2.0, 0.0]]);
        nearly(spline.bend[1], -3.0, 1e-12, "second derivative");
        nearly(spline.at(0.5), 0.6875, 1e-12, "value between");
        nearly(spline.forces()[1], 6.0, 1e-12, "force");
    }

    /// Dial over a crown: z(mid) − mean of the feet = L²/8R, whatever the zero.
    #[test]
    fn a_wave_gauge_reads_the_crown_under_it() {
        let mut truth = truth(Kind::Flat, 0, 0.0);
        truth.added[3] = -truth.length_mm.powi(2) / (2.0 * 5000.0);
        let plan = SurveyPlan {
            rest_sd_mm: 0.0,
            ..SurveyPlan::wave_gauge(300.0, 100.0).exact()
        };
        let survey = survey(
            &truth,
            &panel(Kind::Flat),
            &plan.along(Directions::AlongX),
            0,
        );
        let a1 = &survey.placings[0];
        assert_eq!(a1.readings.len(), 17, "dial from 150 to 1350 each 75");
        for r in a1.taken() {
            nearly(
                r.value_mm.unwrap(),
                300.0 * 300.0 / (8.0 * 5000.0),
                1e-6,
                "swing",
            );
        }
    }

    /// Second differences along a placing are free of offset and tilt: they are the surface's own.
    #[test]
    fn pin_gauge_and_bridge_copy_the_surface_but_for_offset_and_tilt() {
        let (truth, panel) = (truth(Kind::Ruled, 2, 1.0), panel(Kind::Ruled));
        for plan in [SurveyPlan::pin_gauge(250.0), SurveyPlan::bridge(250.0)] {
            let survey = survey(&truth, &panel, &plan.exact(), 2);
            for p in &survey.placings {
                for w in p.readings.windows(3) {
                    let read = |r: &Reading| r.value_mm.unwrap();
                    let z = |r: &Reading| truth.height(r.x, r.y);
                    let found = read(&w[0]) - 2.0 * read(&w[1]) + read(&w[2]);
                    nearly(found, z(&w[0]) - 2.0 * z(&w[1]) + z(&w[2]), 5e-6, &p.name);
                }
            }
        }
    }

    #[test]
    fn noise_has_the_size_it_should() {
        let truth = truth(Kind::Flat, 0, 0.0);
        let plan = SurveyPlan::bridge(50.0);
        let plan = SurveyPlan {
            rest_sd_mm: 0.0,
            noise_mm: 0.05,
            rounding_mm: 0.0,
            ..plan
        };
        let survey = survey(&truth, &panel(Kind::Flat), &plan, 7);
        let values = survey.placings.iter().flat_map(|p| p.taken());
        let values: Vec<f64> = values.filter_map(|r| r.value_mm).collect();
        let mean_square = values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64;
        nearly(mean_square.sqrt(), 0.05, 0.003, "standard deviation");
    }

    #[test]
    fn over_an_opening_nothing_is_read() {
        let mut panel = panel(Kind::Flat);
        let opening = vec![
            [500.0, 300.0],
            [900.0, 300.0],
            [900.0, 600.0],
            [500.0, 600.0],
        ];
        panel.cutouts.push(Polygon(opening));
        let survey = survey(
            &truth(Kind::Flat, 5, 1.0),
            &panel,
            &SurveyPlan::straightedge(100.0),
            5,
        );
        let inside = |r: &Reading| (500.1..899.9).contains(&r.x) && (300.1..599.9).contains(&r.y);
        let over = survey
            .placings
            .iter()
            .flat_map(|p| &p.readings)
            .filter(|r| inside(r));
        let over: Vec<_> = over.collect();
        assert!(
            over.len() > 20,
            "placings pass over the opening: {}",
            over.len()
        );
        assert!(
            over.iter()
                .all(|r| r.value_mm.is_none() && r.written == "?")
        );
    }

    #[test]
    fn the_same_seed_gives_the_same_survey_and_another_another() {
        let make = |seed| {
            notes(&survey(
                &truth(Kind::Ruled, seed, 1.0),
                &panel(Kind::Ruled),
                &SurveyPlan::straightedge(200.0),
                seed,
            ))
        };
        assert_eq!(make(3), make(3));
        assert_ne!(make(3), make(4));
    }

    #[test]
    fn notes_and_table_hold_every_reading() {
        let survey = survey(
            &truth(Kind::Crowned, 1, 1.0),
            &panel(Kind::Crowned),
            &SurveyPlan::straightedge(100.0),
            1,
        );
        let notes = notes(&survey);
        let placings = notes.lines().filter(|l| l.contains(" : "));
        let values: usize = placings
            .map(|l| l.split(" : ").nth(1).unwrap().split(' ').count())
            .sum();
        assert_eq!(values, 1326, "{notes}");
        assert_eq!(table(&survey).lines().count(), 1 + 1326);
        assert!(notes.starts_with("panel simulated crowned panel\nunit mm\ntool straightedge 600   step 50\nA1   x 0 to 600  y 50"), "{notes}");
    }

    /// Mirroring the panel mirrors the height.
    #[test]
    fn a_mirrored_panel_is_the_mirror_of_the_panel() {
        let mut one = truth(Kind::Crowned, 8, 1.0);
        one.added = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
        let other = one.mirrored_in_x();
        for i in 0..100 {
            let (x, y) = (f64::from(i) * 18.0, f64::from(i * 7 % 100) * 12.0);
            nearly(
                other.height(1800.0 - x, y),
                one.height(x, y),
                1e-9,
                "height",
            );
        }
    }
}
