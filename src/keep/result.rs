//! What a survey found, as it is kept: records of their own, so that a book written today is still
//! read when the stages have changed.

use super::repeat::SavedRepeat;
use crate::compare::{readings_stats, spectrum};
use crate::judge::nodes::FAR_MM;
use crate::judge::{Grid, Interval, Judgement, LimitResult, Nodes, Region};
use crate::observe::{Survey, Tool};
use crate::panel::Quantity;
use crate::reference::Kind;
use ndarray::Array2;
use serde::{Deserialize, Serialize};

/// What one survey found.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyResult {
    /// Version of the program that found it.
    pub program: String,
    /// The numbers.
    pub summary: Summary,
    /// Everything at the nodes; `None` where a photo alone was entered.
    pub field: Option<Field>,
}

/// The numbers of a survey. What is not known is `None`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// `fair`, `another-cycle` or `measure-more`.
    pub verdict: String,
    /// Why.
    pub reasons: Vec<String>,
    /// Reference worked to: `skin`, `sink` or `ride`; in results of earlier versions `best-fit`,
    /// `least-filler` or `fill-only`.
    pub reference: String,
    /// Limits, the panel's first.
    pub limits: Vec<SavedLimit>,
    /// Arithmetical mean height of the deviation from the fair shape, mm (ISO 25178-2).
    #[serde(rename = "Sa_mm")]
    pub sa_mm: Option<f64>,
    /// Root mean square height, mm.
    #[serde(rename = "Sq_mm")]
    pub sq_mm: Option<f64>,
    /// Maximum height, mm.
    #[serde(rename = "Sz_mm")]
    pub sz_mm: Option<f64>,
    /// Rms by band of wavelengths.
    pub bands: Vec<SavedBand>,
    /// Filler to level.
    pub to_level: Amount,
    /// Node limit, mm.
    pub node_limit_mm: f64,
    /// Share of the area that is unmeasured, 0…1.
    pub unmeasured_share: Option<f64>,
    /// Placings.
    pub placings: usize,
    /// Readings taken.
    pub readings: usize,
    /// Readings left out because they do not agree with the others.
    pub left_out: usize,
    /// Standard deviation of one reading from repeated placings, mm.
    pub repeatability_mm: Option<f64>,
    /// Noise of one reading as the fit found it, by tool.
    pub noise: Vec<SavedNoise>,
    /// Lows and highs.
    pub regions: Vec<SavedRegion>,
    /// Photos.
    pub photos: usize,
    /// Area where they show substrate, cm²; `None` without photos, and of surveys entered before
    /// this was kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub substrate_cm2: Option<f64>,
    /// Rows and clusters of pinholes that they show, likewise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pinhole_clusters: Option<usize>,
    /// The film ledger as this survey left it; `None` where no film was stated, and of surveys
    /// entered before this was kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub film: Option<SavedFilm>,
    /// The readings as they were taken, where every one is a height over a bridge; `None` else, and
    /// in books written before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heights: Option<SavedHeights>,
    /// Stands for where the placings lay, so that surveys along the same lines know each other;
    /// `None` in books written before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lines: Option<String>,
    /// Pitches that repeat in the readings, the deepest first; empty in books written before.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub repeats: Vec<SavedRepeat>,
}

/// What a film ledger told when a survey was entered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedFilm {
    /// What was stated then, see [`crate::panel::skin::Film::stated`].
    pub stated: String,
    /// Least film, mm.
    pub least_mm: f64,
    /// Lower end of its 95 % interval, mm.
    pub low_mm: f64,
    /// Its place, mm.
    pub at_mm: [f64; 2],
    /// Area where the interval reaches down to nothing, cm².
    pub may_be_through_cm2: f64,
    /// Area where it comes out below nothing, cm².
    pub below_nothing_cm2: f64,
}

/// Heights over a bridge, counted from the zero of the instrument: rms tells of the panel where
/// that zero is its design.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedHeights {
    /// Readings.
    pub count: usize,
    /// Placings, repeats with the first.
    pub placings: usize,
    /// Root of their mean square, mm.
    pub rms_mm: f64,
    /// Rms of each placing, averaged, weighted by its readings, mm.
    pub placings_rms_mm: f64,
    /// Standard error of that, mm.
    pub placings_rms_se_mm: f64,
}

/// One limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedLimit {
    /// Zone it belongs to; `None` for the whole panel.
    pub zone: Option<String>,
    /// `gap`, `swing` or `slope`.
    pub quantity: String,
    /// Base, mm.
    pub base_mm: f64,
    /// Most allowed, mm (for a slope mm/m).
    pub allowed: f64,
    /// Worst found, with its 95 % interval, in the same unit.
    pub worst: Option<f64>,
    /// Lower end.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Chance that some place exceeds the limit, 0…1; `None` in books written before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub p_exceeds: Option<f64>,
    /// What the worst could be anywhere, one-sided 95 %; `None` in books written before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub could_be: Option<f64>,
    /// Standard deviation of the worst when the same panel is read again; `None` in books written
    /// before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repeats: Option<f64>,
    /// Width of a dip of just the limit that would surely have been seen, mm; `None` in books
    /// written before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blind_mm: Option<f64>,
    /// Where it lies, mm.
    pub at_mm: [Option<f64>; 2],
    /// Direction of the tool there, degrees from x towards y.
    pub direction_deg: Option<f64>,
    /// `met`, `exceeded`, `unsure` or `not-checked`.
    pub state: String,
    /// Share of the measured area within the limit, 0…1.
    pub share_within: Option<f64>,
}

/// Rms within a band of wavelengths.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedBand {
    /// Shortest wavelength, mm.
    pub from_mm: f64,
    /// Longest wavelength, mm.
    pub to_mm: f64,
    /// Rms, mm.
    #[serde(rename = "Sq_mm")]
    pub sq_mm: Option<f64>,
}

/// An amount of filler, cc.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Amount {
    /// As found.
    pub value_cc: Option<f64>,
    /// Lower end of the 95 % interval.
    pub low_cc: Option<f64>,
    /// Upper end.
    pub high_cc: Option<f64>,
    /// Most likely.
    pub most_likely_cc: Option<f64>,
}

/// Noise of one tool.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedNoise {
    /// The tool.
    pub tool: String,
    /// Standard deviation of one reading, mm.
    pub sd_mm: Option<f64>,
}

/// A low or a high.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SavedRegion {
    /// "L1", "H2".
    pub name: String,
    /// Whether it is a low (else a high).
    pub low: bool,
    /// Place of the worst deviation, mm.
    pub worst_at_mm: [f64; 2],
    /// Box around it, mm: `[x0, y0, x1, y1]`.
    pub extent_mm: [f64; 4],
    /// Area, cm².
    pub area_cm2: Option<f64>,
    /// Worst deviation, mm, negative for a low.
    pub worst_mm: Option<f64>,
    /// Lower end of its 95 % interval, mm.
    pub worst_low_mm: Option<f64>,
    /// Upper end, mm.
    pub worst_high_mm: Option<f64>,
    /// Volume, cc.
    pub volume_cc: Option<f64>,
    /// Lower end of its 95 % interval, cc.
    pub volume_low_cc: Option<f64>,
    /// Upper end, cc.
    pub volume_high_cc: Option<f64>,
    /// What to do: `fill`, `sand`, `prime`, `leave`, `measure`, `move the skin`.
    pub action: String,
}

/// The nodes of a survey: `nx × ny` values, x running fastest; node (ix, iy) lies at (ix·step,
/// iy·step) from the datum. NaN off the panel.
#[derive(Clone, Debug)]
pub struct Field {
    /// Spacing, mm.
    pub step_mm: f64,
    /// Nodes along x.
    pub nx: usize,
    /// Nodes along y.
    pub ny: usize,
    /// Height less chosen reference, mm: negative is low.
    pub deviation: Vec<f32>,
    /// Height less the skin, mm.
    pub fairness: Vec<f32>,
    /// Standard deviation of the deviation, mm.
    pub sd: Vec<f32>,
    /// Found height, mm (known up to a plane); NaN too where no reading lies near. Books written
    /// before that was so have a height there.
    pub height: Vec<f32>,
}

impl PartialEq for Field {
    /// To the bit, so that NaN is as good as NaN.
    fn eq(&self, other: &Field) -> bool {
        let same = |a: &[f32], b: &[f32]| {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.to_bits() == b.to_bits())
        };
        (self.step_mm, self.nx, self.ny) == (other.step_mm, other.nx, other.ny)
            && same(&self.deviation, &other.deviation)
            && same(&self.fairness, &other.fairness)
            && same(&self.sd, &other.sd)
            && same(&self.height, &other.height)
    }
}

impl SurveyResult {
    /// The numbers alone.
    pub fn of_numbers(summary: Summary) -> Self {
        SurveyResult {
            program: String::new(),
            summary,
            field: None,
        }
    }

    /// Of a judgement; `field`: whether readings gave it a surface.
    pub fn of(judgement: &Judgement, surface: bool) -> Self {
        SurveyResult {
            program: env!("CARGO_PKG_VERSION").to_string(),
            summary: Summary::of(judgement),
            field: surface.then(|| Field::of(&judgement.nodes)),
        }
    }

    /// With what its readings tell by themselves.
    pub fn with_readings(mut self, survey: &Survey) -> Self {
        self.summary.heights = SavedHeights::of(survey);
        self.summary.repeats = SavedRepeat::all(&spectrum::in_survey(survey));
        self
    }
}

impl Summary {
    fn of(j: &Judgement) -> Self {
        let chosen = j.references.iter().find(|r| r.chosen);
        Summary {
            verdict: j.verdict.word().to_string(),
            reasons: j.reasons.clone(),
            reference: chosen.map_or(Kind::Skin.word(), |r| r.name).to_string(),
            limits: j.limits.iter().map(SavedLimit::of).collect(),
            sa_mm: known(j.texture.sa_mm),
            sq_mm: known(j.texture.sq_mm),
            sz_mm: known(j.texture.sz_mm),
            bands: j
                .bands
                .iter()
                .map(|b| SavedBand {
                    from_mm: b.from_mm,
                    to_mm: b.to_mm,
                    sq_mm: known(b.sq_mm),
                })
                .collect(),
            to_level: Amount::of(j.to_level_cc, j.most_likely_cc),
            node_limit_mm: j.node_limit_mm,
            unmeasured_share: known(j.unmeasured_share),
            placings: j.placings.len(),
            readings: j.readings,
            left_out: j.flags.len(),
            repeatability_mm: j.repeatability_mm.and_then(known),
            noise: j
                .noise_mm
                .iter()
                .map(|(tool, sd)| SavedNoise {
                    tool: tool.clone(),
                    sd_mm: known(*sd),
                })
                .collect(),
            regions: j.regions.iter().map(SavedRegion::of).collect(),
            photos: j.photos.as_ref().map_or(0, |p| p.photos.len()),
            film: None,
            substrate_cm2: j
                .photos
                .as_ref()
                .map(|p| p.coat.substrate().map(|a| a.area_cm2).sum()),
            pinhole_clusters: j.photos.as_ref().map(|p| p.coat.pinholes.len()),
            heights: None,
            lines: lines(j),
            repeats: Vec::new(),
        }
    }
}

/// Places of placings closer than this are the same lines, mm.
const SAME_LINE_MM: f64 = 20.0;

/// What stands for where the placings lay: a checksum of their ends, in whatever order they were
/// taken; `None` without a placing.
fn lines(j: &Judgement) -> Option<String> {
    let whole = |v: f64| (v / SAME_LINE_MM).round() as i64;
    let mut ends: Vec<[i64; 4]> = j
        .placings
        .iter()
        .map(|p| {
            let mut ends = p.ends.map(|[x, y]| [whole(x), whole(y)]);
            ends.sort_unstable();
            [ends[0][0], ends[0][1], ends[1][0], ends[1][1]]
        })
        .collect();
    // A placing taken again is the same line.
    ends.sort_unstable();
    ends.dedup();
    let sum = super::seal::sha256(format!("{ends:?}").as_bytes());
    (!ends.is_empty()).then(|| sum.chars().take(16).collect())
}

impl SavedHeights {
    fn of(survey: &Survey) -> Option<Self> {
        if survey.placings.iter().any(|p| p.tool != Tool::Bridge) {
            return None;
        }
        let stats = readings_stats(survey)?;
        Some(SavedHeights {
            count: stats.count,
            placings: stats.placings,
            rms_mm: known(stats.rms_mm)?,
            placings_rms_mm: known(stats.placings_rms_mm)?,
            placings_rms_se_mm: known(stats.placings_rms_se_mm)?,
        })
    }
}

impl SavedLimit {
    fn of(result: &LimitResult) -> Self {
        let quantity = match result.limit.quantity {
            Quantity::Gap => "gap",
            Quantity::Swing => "swing",
            Quantity::Slope => "slope",
        };
        SavedLimit {
            zone: result.zone.clone(),
            quantity: quantity.to_string(),
            base_mm: result.limit.base_mm,
            allowed: result.limit.max,
            worst: known(result.worst.value),
            low: known(result.worst.low),
            high: known(result.worst.high),
            p_exceeds: known(result.p_exceeds),
            could_be: known(result.could_be),
            repeats: known(result.repeats),
            blind_mm: known(result.blind_mm),
            at_mm: result.worst_at.map(known),
            direction_deg: known(result.direction_deg),
            state: result.state.word().to_string(),
            share_within: known(result.share_within),
        }
    }
}

impl Amount {
    fn of(interval: Interval, most_likely_cc: f64) -> Self {
        Amount {
            value_cc: known(interval.value),
            low_cc: known(interval.low),
            high_cc: known(interval.high),
            most_likely_cc: known(most_likely_cc),
        }
    }
}

impl SavedRegion {
    fn of(region: &Region) -> Self {
        SavedRegion {
            name: region.name.clone(),
            low: region.kind == crate::judge::RegionKind::Low,
            worst_at_mm: region.worst_at,
            extent_mm: region.extent_mm,
            area_cm2: known(region.area_cm2),
            worst_mm: known(region.worst_mm.value),
            worst_low_mm: known(region.worst_mm.low),
            worst_high_mm: known(region.worst_mm.high),
            volume_cc: known(region.volume_cc.value),
            volume_low_cc: known(region.volume_cc.low),
            volume_high_cc: known(region.volume_cc.high),
            action: region.action.word().to_string(),
        }
    }
}

/// A number that JSON can hold.
fn known(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

impl Field {
    fn of(nodes: &Nodes) -> Self {
        let flat = |array: &Array2<f64>| array.iter().map(|v| plain(*v as f32)).collect();
        let far = nodes.reading_distance.iter().map(|d| *d > FAR_MM);
        let height = nodes.height.iter().zip(far);
        Field {
            step_mm: nodes.grid.step_mm,
            nx: nodes.grid.nx,
            ny: nodes.grid.ny,
            deviation: flat(&nodes.deviation),
            fairness: flat(&nodes.fairness),
            sd: flat(&nodes.sd),
            height: height
                .map(|(v, far)| if far { f32::NAN } else { plain(*v as f32) })
                .collect(),
        }
    }

    /// Whether its nodes are those of a grid.
    pub fn lies_on(&self, grid: &Grid) -> bool {
        (self.nx, self.ny) == (grid.nx, grid.ny) && (self.step_mm - grid.step_mm).abs() < 1e-6
    }

    /// Index of a node in the four lists; `None` off the grid.
    pub fn at(&self, ix: usize, iy: usize) -> Option<usize> {
        (ix < self.nx && iy < self.ny).then_some(iy * self.nx + ix)
    }
}

/// Every NaN made the same one, so that a field is the same after a way through text.
pub(super) fn plain(value: f32) -> f32 {
    if value.is_nan() { f32::NAN } else { value }
}

/// Little-endian bytes.
pub(super) fn to_bytes(values: &[f32]) -> Vec<u8> {
    values.iter().flat_map(|v| v.to_le_bytes()).collect()
}

/// From little-endian bytes; `None` if they are not `count` numbers.
pub(super) fn from_bytes(bytes: &[u8], count: usize) -> Option<Vec<f32>> {
    if bytes.len() != count.checked_mul(4)? {
        return None;
    }
    let four = |chunk: &[u8]| <[u8; 4]>::try_from(chunk).map(f32::from_le_bytes).ok();
    bytes.chunks_exact(4).map(four).collect()
}
