//! Surface and reference into a [`Judgement`]: states, limits, regions, texture, verdict.
//!
//! In: the found [`Surface`](crate::fit::Surface), the [`References`](crate::reference::References)
//! and the [`Panel`](crate::panel::Panel). Out: one [`Judgement`], which holds every number that is
//! shown anywhere. `show` computes nothing new.

pub mod blind;
pub mod cloud;
pub mod contour;
pub mod edge;
mod edges;
pub mod filler;
pub mod findings;
mod flagged;
pub mod form;
pub mod limits;
pub mod nodes;
pub mod photo;
pub mod raw;
pub mod regions;
pub mod rehearsed;
pub mod repeats;
pub mod risk;
mod rival;
mod section;
pub mod sight;
pub mod status;
pub mod substrate;
pub mod texture;
pub mod verdict;
pub mod volume;

mod whole;
pub use findings::PRICED;
pub use whole::{Options, grid, judge, resampled, step_mm};

use crate::panel::{Form, Limit};
use crate::problem::Warning;
use ndarray::Array2;
use serde::Serialize;

/// A value with its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Default)]
pub struct Interval {
    /// Best value.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
}

/// What a node is, against the node limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NodeState {
    /// The interval lies within ± the node limit.
    Fair,
    /// The whole interval lies below the limit.
    Low,
    /// The whole interval lies above the limit.
    High,
    /// The interval straddles the limit.
    Unsure,
    /// Nothing useful is known here: its sd exceeds the limit, no reading is near, or the slope is
    /// too steep.
    Unmeasured,
    /// Not on the panel.
    Outside,
}

impl NodeState {
    /// The word written in surface.csv and shown to the user; empty outside the panel.
    pub fn word(self) -> &'static str {
        match self {
            NodeState::Fair => "fair",
            NodeState::Low => "low",
            NodeState::High => "high",
            NodeState::Unsure => "unsure",
            NodeState::Unmeasured => "unmeasured",
            NodeState::Outside => "",
        }
    }
}

/// The node grid: `nx × ny` nodes at multiples of `step_mm` from the datum corner.
/// Arrays are indexed `[[iy, ix]]`; node (ix, iy) lies at (ix·step, iy·step).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grid {
    /// Spacing of the nodes, mm.
    pub step_mm: f64,
    /// Nodes along x.
    pub nx: usize,
    /// Nodes along y.
    pub ny: usize,
}

impl Grid {
    /// x of column `ix`, mm.
    pub fn x(&self, ix: usize) -> f64 {
        ix as f64 * self.step_mm
    }
    /// y of row `iy`, mm.
    pub fn y(&self, iy: usize) -> f64 {
        iy as f64 * self.step_mm
    }
}

/// Everything known at the nodes. Numbers outside the panel are NaN.
#[derive(Clone, Debug)]
pub struct Nodes {
    /// Where the nodes lie.
    pub grid: Grid,
    /// Found height, mm (known up to a plane).
    pub height: Array2<f64>,
    /// Chosen reference, mm.
    pub reference: Array2<f64>,
    /// Height less chosen reference, mm: negative is low.
    pub deviation: Array2<f64>,
    /// Height less the skin, mm: how fair the panel is, whatever may be sanded.
    pub fairness: Array2<f64>,
    /// Standard deviation of the deviation, mm.
    pub sd: Array2<f64>,
    /// State of each node.
    pub state: Array2<NodeState>,
    /// Distance to the nearest reading, mm.
    pub reading_distance: Array2<f64>,
    /// Region number + 1 at each node, 0 where none: index into [`Judgement::regions`].
    pub region: Array2<u16>,
}

/// A low to be filled or a high to be sanded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RegionKind {
    /// Below the reference.
    Low,
    /// Above the fair skin.
    High,
}

/// What to do about a region.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// Fill it.
    Fill,
    /// Sand it, within the allowance.
    Sand,
    /// Shallow enough for primer.
    Prime,
    /// Nothing to do, or nothing that may be done.
    Leave,
    /// Measure first: what is known does not decide.
    Measure,
    /// Sheet metal: move the skin before filling.
    MoveTheSkin,
    /// Inside every limit of a fair panel: it may be filled, nothing asks for it.
    MayFill,
    /// The same of a high that may be sanded.
    MaySand,
    /// Deeper than filler is built up: the designer's matter.
    AskFirst,
}

/// Deeper lows are no filler's work, mm: the most that any filler here is built up in all (common
/// practice, no source: two coats of 10 mm).
pub const MOST_BUILD_MM: f64 = 20.0;

impl Action {
    /// The word in report.json and on screen.
    pub fn word(self) -> &'static str {
        match self {
            Action::Fill => "fill",
            Action::Sand => "sand",
            Action::Prime => "prime",
            Action::Leave => "leave",
            Action::Measure => "measure",
            Action::MoveTheSkin => "move the skin",
            Action::MayFill => "may be filled",
            Action::MaySand => "may be sanded",
            Action::AskFirst => "ask the designer",
        }
    }
}

/// A fair panel asks for no filling and no sanding: what is inside every limit is offered, never
/// ordered. Nothing is ordered to be filled that no filler fills.
pub(crate) fn offered(regions: &mut [Region], verdict: Verdict) {
    let fair = verdict == Verdict::Fair;
    for r in regions {
        let deep = r.kind == RegionKind::Low && r.worst_mm.value < -MOST_BUILD_MM;
        r.action = match r.action {
            Action::Fill | Action::MayFill if deep => Action::AskFirst,
            Action::Fill if fair => Action::MayFill,
            Action::Sand if fair => Action::MaySand,
            Action::MayFill if !fair => Action::Fill,
            Action::MaySand if !fair => Action::Sand,
            other => other,
        };
    }
}

/// A connected low or high.
#[derive(Clone, Debug)]
pub struct Region {
    /// "L1", "H2": ordered by volume, largest first, each kind by itself.
    pub name: String,
    /// Low or high.
    pub kind: RegionKind,
    /// Place of the worst deviation, mm (panel frame).
    pub worst_at: [f64; 2],
    /// Box around it, mm: `[x0, y0, x1, y1]`.
    pub extent_mm: [f64; 4],
    /// Area, cm².
    pub area_cm2: f64,
    /// Worst deviation, mm, signed (negative for a low), with its interval.
    pub worst_mm: Interval,
    /// Volume between surface and reference, cc, with its interval.
    pub volume_cc: Interval,
    /// What to do.
    pub action: Action,
    /// Its worst gap exceeds the limit even at the favourable end of the interval.
    pub needs_cycle: bool,
    /// For a high: filler saved by each further 0.1 mm that comes off it, cc, with its interval.
    pub saves_cc_per_tenth: Option<Interval>,
    /// For a high: how much of it may come off, mm (allowance at its worst place).
    pub allowed_mm: f64,
    /// For a high: how much of it does come off when sanded to the chosen reference, mm.
    pub comes_off_mm: f64,
    /// For a high offered for sanding: filler saved by sanding it that far, against not sanding it,
    /// cc.
    pub saves_cc: Option<Interval>,
    /// "310 mm from the left edge, 120 mm from the top edge" as the panel lies on the map.
    pub from_edges: String,
    /// "looks like …", or empty.
    pub looks_like: String,
    /// For a high: substrate seems to show on it in a photo, so it is not offered for sanding
    /// though panel.toml would allow it.
    pub substrate_shows: bool,
}

/// How one limit came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LimitState {
    /// Within it everywhere, at a risk of 5 %.
    Met,
    /// Beyond it somewhere, at a risk of 5 %.
    Exceeded,
    /// The readings do not decide.
    Unsure,
    /// This survey cannot tell.
    NotChecked,
}

impl LimitState {
    /// The word in report.json and on screen.
    pub fn word(self) -> &'static str {
        match self {
            LimitState::Met => "met",
            LimitState::Exceeded => "exceeded",
            LimitState::Unsure => "unsure",
            LimitState::NotChecked => "not-checked",
        }
    }
}

/// One limit judged with a virtual tool laid everywhere, in all directions.
#[derive(Clone, Debug)]
pub struct LimitResult {
    /// The limit.
    pub limit: Limit,
    /// Zone it belongs to; `None` for the whole panel.
    pub zone: Option<String>,
    /// Worst value found (mm, or mm/m for a slope), with the 95 % interval of the value at its
    /// place. NaN when not checked.
    pub worst: Interval,
    /// Where the worst lies, and the direction of the tool there (degrees from x).
    pub worst_at: [f64; 2],
    /// Direction of the tool at the worst place, degrees from x towards y.
    pub direction_deg: f64,
    /// Chance that some place exceeds the limit, among defects as wide as the survey can see, 0…1.
    /// NaN when not checked.
    pub p_exceeds: f64,
    /// What the worst could be anywhere, among such defects (mm or mm/m): exceeded with a chance of
    /// 5 %.
    pub could_be: f64,
    /// Standard deviation of the worst found when the same panel is read again at the same places:
    /// noise alone.
    pub repeats: f64,
    /// Width of a dip of just the limit that would surely have been seen wherever it lay, mm;
    /// narrower ones are in none of the figures above. NaN where nothing was near enough to tell.
    pub blind_mm: f64,
    /// Where that is widest, mm.
    pub blind_at: [f64; 2],
    /// The place that most of the chance of exceeding lies at; `None` where there is next to none.
    pub doubt: Option<risk::Doubt>,
    /// Outcome.
    pub state: LimitState,
    /// Share of the measured area that is within the limit, 0…1.
    pub share_within: f64,
    /// Why it was not checked or is unsure, and what would settle it; empty otherwise.
    pub remedy: String,
}

/// ISO 25178-2 height parameters of the deviation from the skin.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Texture {
    /// Arithmetical mean height, mm.
    #[serde(rename = "Sa_mm")]
    pub sa_mm: f64,
    /// Root mean square height, mm.
    #[serde(rename = "Sq_mm")]
    pub sq_mm: f64,
    /// Maximum height, mm.
    #[serde(rename = "Sz_mm")]
    pub sz_mm: f64,
    /// Root mean square gradient (no unit).
    #[serde(rename = "Sdq")]
    pub sdq: f64,
}

/// Rms of the deviation within a band of wavelengths.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Band {
    /// Shortest wavelength in the band, mm.
    pub from_mm: f64,
    /// Longest wavelength in the band, mm.
    pub to_mm: f64,
    /// Rms in the band, mm.
    #[serde(rename = "Sq_mm")]
    pub sq_mm: f64,
}

/// One of the three references, for comparison.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReferenceSummary {
    /// `skin`, `sink` or `ride`.
    pub name: &'static str,
    /// Filler to level to it, cc.
    pub to_level_cc: f64,
    /// Volume to be sanded off, cc.
    pub sand_cc: f64,
    /// Whether it is the one the map shows.
    pub chosen: bool,
}

/// A reading that does not agree with its neighbours and was left out.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Flag {
    /// Label of its placing ("A1 again").
    pub placing: String,
    /// Place, mm.
    pub x_mm: f64,
    /// Place, mm.
    pub y_mm: f64,
    /// Value written, mm.
    pub value_mm: f64,
    /// What its neighbours lead one to expect, mm.
    pub expected_mm: f64,
    /// `file:line:column`.
    pub place: String,
    /// Full sentence: "A7, x 450: 13.00 mm, expected about 1.3 (ten times too large?)".
    pub reason: String,
    /// Whether it is left out with its whole placing, see [`FlaggedPlacing`].
    pub whole_placing: bool,
}

/// What was learned of one straightedge: its shape beyond a straight line and an even bow.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct EdgeError {
    /// Its length, mm.
    pub length_mm: f64,
    /// Placings it was learned from.
    pub placings: usize,
    /// `straight`, `shaped` (taken out of the readings) or `not-told`.
    pub state: String,
    /// Where it is off most, by how much, mm: positive is hollow.
    pub worst_mm: f64,
    /// Standard deviation of that, mm.
    pub worst_sd_mm: f64,
    /// Where that is, from its first end, mm.
    pub worst_at_mm: f64,
    /// (from its first end, off by, standard deviation), mm.
    pub profile: Vec<[f64; 3]>,
    /// All of it in a sentence.
    pub sentence: String,
}

/// Readings in a line over several placings that stand off all others: a seam, a ridge or a groove.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SeamSeen {
    /// Its first end, mm.
    pub from_mm: [f64; 2],
    /// Its other end, mm.
    pub to_mm: [f64; 2],
    /// How proud its readings stand of what the others lead one to expect, mm; negative is a
    /// groove.
    pub height_mm: f64,
    /// Labels of the placings that meet it.
    pub placings: Vec<String>,
    /// Full sentence: what it looks like, and what to take there.
    pub sentence: String,
}

/// A placing left out as a whole, with what would make it agree with the others.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FlaggedPlacing {
    /// Its label ("A1 again").
    pub placing: String,
    /// The likely mend: `reversed`, `other-axis`, `units`, `swapped`, `moved`, `drift` or
    /// `unknown`.
    pub mend: String,
    /// Label of the placing it looks swapped with.
    pub with: Option<String>,
    /// Readings left out with it.
    pub readings: usize,
    /// Its first reading's place, mm.
    pub from_mm: [f64; 2],
    /// Its last reading's place, mm.
    pub to_mm: [f64; 2],
    /// Rms misfit as written, its own rest taken out, mm.
    pub misfit_mm: f64,
    /// The same with the likely mend, mm; `None` where none is known.
    pub mended_misfit_mm: Option<f64>,
    /// `file:line`.
    pub place: String,
    /// Full sentence.
    pub reason: String,
}

/// What a placing held, for the echo: "A1: 13 readings, 0.00 to 0.60, one not taken".
#[derive(Clone, Debug, PartialEq)]
pub struct PlacingEcho {
    /// The sentence.
    pub text: String,
    /// Where it was written: `file:line`.
    pub place: String,
    /// The two ends on the panel, mm (for drawing).
    pub ends: [[f64; 2]; 2],
}

/// The outcome in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Fair at every base that could be checked.
    Fair,
    /// Something exceeds a limit: another fill-and-sand cycle.
    AnotherCycle,
    /// The readings do not decide.
    MeasureMore,
    /// The told form does not fit the panel: nothing that follows from it is judged.
    NotJudged,
}

impl Verdict {
    /// The word in report.json and on screen.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Fair => "fair",
            Verdict::AnotherCycle => "another-cycle",
            Verdict::MeasureMore => "measure-more",
            Verdict::NotJudged => "not-judged",
        }
    }
}

/// Which waves the survey can see.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Sight {
    /// Shortest wavelength seen along x, mm; `None` when no placing runs that way.
    pub along_x_mm: Option<f64>,
    /// Shortest wavelength seen along y, mm.
    pub along_y_mm: Option<f64>,
    /// Wavelengths a wave gauge in the survey is blind to, mm.
    pub blind_mm: Vec<f64>,
    /// Sentences on directions that are not tied.
    pub untied: Vec<String>,
    /// The same by tool and direction.
    pub rows: Vec<SightRow>,
}

/// What the placings of one tool in one direction see.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SightRow {
    /// "along x", "along y" or "askew".
    pub direction: &'static str,
    /// The tool.
    pub tool: &'static str,
    /// Placings.
    pub placings: usize,
    /// Middle distance between their readings, mm; `None` where placings hold one reading each.
    pub pitch_mm: Option<f64>,
    /// Shortest wavelength they see that way, mm.
    pub shortest_mm: Option<f64>,
    /// Wavelengths the tool is blind to, mm, longest first: a wave gauge at a half, a quarter … of
    /// its base.
    pub blind_mm: Vec<f64>,
}

/// Everything that is shown, saved and printed about one map.
#[derive(Clone, Debug)]
pub struct Judgement {
    /// Panel name.
    pub panel_name: String,
    /// Date of the survey, if noted.
    pub date: Option<String>,
    /// Form of the panel.
    pub form: Form,
    /// Form wavelengths used (x, y), mm.
    pub form_wavelength_mm: [f64; 2],
    /// Node limit, mm.
    pub node_limit_mm: f64,
    /// Everything at the nodes.
    pub nodes: Nodes,
    /// Lows and highs, lows first, each kind ordered by volume.
    pub regions: Vec<Region>,
    /// Limits, panel's first, then each zone's.
    pub limits: Vec<LimitResult>,
    /// Height parameters.
    pub texture: Texture,
    /// By wavelength band.
    pub bands: Vec<Band>,
    /// Filler to level: the volume of the lows as found, cc, with the interval that holds the true
    /// amount.
    pub to_level_cc: Interval,
    /// The most likely true amount, cc: a survey finds a little too little, and this mends it.
    pub most_likely_cc: f64,
    /// The same two where nothing may come off what a photo shows as substrate, though panel.toml
    /// allows it; `None` where that is no question.
    pub if_substrate: Option<substrate::Amounts>,
    /// The three references.
    pub references: Vec<ReferenceSummary>,
    /// Verdict.
    pub verdict: Verdict,
    /// Why, in plain sentences.
    pub reasons: Vec<String>,
    /// What was not checked, in plain sentences (crown, twist, section; bases; areas).
    pub not_checked: Vec<String>,
    /// Where and what to measure next, in plain sentences.
    pub measure_next: Vec<String>,
    /// Readings left out.
    pub flags: Vec<Flag>,
    /// Placings left out as a whole; their readings are among the flags.
    pub flagged_placings: Vec<FlaggedPlacing>,
    /// Seams, ridges and grooves that single readings tell of in a line: put back, to be looked at
    /// first.
    pub seams: Vec<SeamSeen>,
    /// What was learned of the straightedges themselves.
    pub edges: Vec<EdgeError>,
    /// Echo of every placing.
    pub placings: Vec<PlacingEcho>,
    /// Readings taken.
    pub readings: usize,
    /// Repeatability from repeated placings, mm (standard deviation of one reading); `None` without
    /// a repeat.
    pub repeatability_mm: Option<f64>,
    /// Noise of one reading found by the fit, mm, by tool.
    pub noise_mm: Vec<(String, f64)>,
    /// What became of the fit.
    pub fit: status::FitStatus,
    /// The same as one sentence.
    pub fit_status: String,
    /// Range (correlation length) of the deviation field, mm.
    pub range_mm: f64,
    /// Amplitude (prior sd) of the deviation field, mm.
    pub amplitude_mm: f64,
    /// Which waves the survey sees.
    pub sight: Sight,
    /// Share of the panel's area that is unmeasured, 0…1.
    pub unmeasured_share: f64,
    /// Things worth saying.
    pub warnings: Vec<Warning>,
    /// Skin temperature noted, °C.
    pub skin_c: Option<f64>,
    /// Supports noted.
    pub supports: Option<String>,
    /// Allowance used, mm, and whether the user gave it.
    pub sand_allowance_mm: f64,
    /// Whether the allowance was given in panel.toml.
    pub sand_allowance_given: bool,
    /// What photos show, where there are any.
    pub photos: Option<photo::PhotoFindings>,
    /// What repeats in the readings; `None` where it was not looked for.
    pub repeats: Option<repeats::Repeats>,
    /// How the told form does not fit, with what to write instead; then the verdict is
    /// [`Verdict::NotJudged`] and there are neither regions nor amounts.
    pub misfit: Option<form::Misfit>,
}

impl Judgement {
    /// Why nothing may be ordered on this map; `None` where it may.
    pub fn refusal(&self) -> Option<String> {
        self.misfit.as_ref().map(|m| m.sentence(self.form))
    }
}
