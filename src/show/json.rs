//! report.json: everything the judgement found, for programs. Documented field by field in
//! `docs/formats.md`.
//!
//! Lengths are mm, areas cm², volumes cc, whatever units the screen shows. Numbers keep all their
//! digits; what is not known is `null`, never NaN.

use super::care;
use crate::judge::form::Misfit;
use crate::judge::photo::{Clash, PhotoFindings, PhotoNote};
use crate::judge::repeats::Repeats;
use crate::judge::substrate::Amounts;
use crate::judge::{
    Band, EdgeError, Flag, FlaggedPlacing, Interval, Judgement, LimitResult, ReferenceSummary,
    Region, RegionKind, SeamSeen, Sight, Texture,
};
use crate::panel::{Form, Panel, Quantity};
use crate::photo::areas::Area;
use crate::photo::pinholes::Cluster;
use crate::photo::pitch::Pitch;
use crate::problem::{Error, Warning};
use serde::Serialize;

/// The version of the layout, raised when a field changes its meaning or goes.
pub const SCHEMA: u32 = 1;

/// The whole report.
#[derive(Clone, Debug, Serialize)]
pub struct Report<'a> {
    schema: u32,
    panel: &'a str,
    settings: Settings<'a>,
    survey: Survey<'a>,
    verdict: &'static str,
    reasons: &'a [String],
    #[serde(skip_serializing_if = "Option::is_none")]
    shape: Option<&'a Misfit>,
    limits: Vec<LimitRow<'a>>,
    filler: Filler,
    regions: Vec<RegionRow<'a>>,
    height: Texture,
    bands: &'a [Band],
    references: &'a [ReferenceSummary],
    unmeasured_share: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    coat: Option<Coat<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    repeats: Option<&'a Repeats>,
    not_checked: &'a [String],
    measure_next: &'a [String],
    also_open: &'static str,
    cautions: Vec<String>,
    warnings: &'a [Warning],
}

/// What photos show.
#[derive(Clone, Debug, Serialize)]
struct Coat<'a> {
    photos: &'a [PhotoNote],
    seen_share: f64,
    coat_from_mm: Option<f64>,
    least_filler_cc: f64,
    areas: Vec<&'a Area>,
    substrate: Vec<&'a Area>,
    pinholes: &'a [Cluster],
    pitch: Option<&'a Pitch>,
    contradictions: &'a [Clash],
}

#[derive(Clone, Debug, Serialize)]
struct Settings<'a> {
    length_mm: f64,
    width_mm: f64,
    area_cm2: f64,
    form: Form,
    purpose: Option<&'a str>,
    form_wavelength_x_mm: f64,
    form_wavelength_y_mm: f64,
    node_limit_mm: f64,
    sand_allowance_mm: f64,
    sand_allowance_given: bool,
    grid_mm: f64,
}

#[derive(Clone, Debug, Serialize)]
struct Survey<'a> {
    date: Option<&'a str>,
    placings: usize,
    readings: usize,
    flagged: &'a [Flag],
    flagged_placings: &'a [FlaggedPlacing],
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    seams: &'a [SeamSeen],
    edges: &'a [EdgeError],
    shortest_wave_mm: Option<f64>,
    repeatability_mm: Option<f64>,
    sight: &'a Sight,
    noise: Vec<Noise<'a>>,
    fit: Fit<'a>,
    skin_c: Option<f64>,
    supports: Option<&'a str>,
    placing_list: Vec<PlacingRow<'a>>,
}

#[derive(Clone, Debug, Serialize)]
struct Noise<'a> {
    tool: &'a str,
    sd_mm: f64,
}

#[derive(Clone, Debug, Serialize)]
struct Fit<'a> {
    state: &'static str,
    status: &'a str,
    range_mm: f64,
    amplitude_mm: f64,
}

#[derive(Clone, Debug, Serialize)]
struct PlacingRow<'a> {
    text: &'a str,
    place: &'a str,
    from_mm: [f64; 2],
    to_mm: [f64; 2],
}

#[derive(Clone, Debug, Serialize)]
struct LimitRow<'a> {
    zone: Option<&'a str>,
    quantity: Quantity,
    base_mm: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    gap_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    swing_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    slope_mm_per_m: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    worst_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    worst_mm_per_m: Option<f64>,
    low95: f64,
    high95: f64,
    p_exceeds: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    could_be_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    could_be_mm_per_m: Option<f64>,
    blind_mm: f64,
    blind_x_mm: f64,
    blind_y_mm: f64,
    doubt: Option<DoubtRow<'a>>,
    x_mm: f64,
    y_mm: f64,
    direction_deg: f64,
    state: &'static str,
    share_within: f64,
    origin: &'a str,
    remedy: &'a str,
}

#[derive(Clone, Debug, Serialize)]
struct DoubtRow<'a> {
    x_mm: f64,
    y_mm: f64,
    p_exceeds: f64,
    words: &'a str,
    remedy: &'a str,
}

#[derive(Clone, Debug, Serialize)]
struct Filler {
    to_level_cc: f64,
    low_cc: f64,
    high_cc: f64,
    most_likely_cc: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    if_substrate: Option<Amounts>,
}

#[derive(Clone, Debug, Serialize)]
struct RegionRow<'a> {
    name: &'a str,
    kind: RegionKind,
    x_mm: f64,
    y_mm: f64,
    extent_mm: [f64; 4],
    area_cm2: f64,
    worst_mm: f64,
    worst_low95_mm: f64,
    worst_high95_mm: f64,
    volume_cc: f64,
    low_cc: f64,
    high_cc: f64,
    action: &'static str,
    needs_cycle: bool,
    saves_cc_per_tenth: Option<Interval>,
    allowed_mm: f64,
    comes_off_mm: f64,
    saves_cc: Option<Interval>,
    from_edges: &'a str,
    looks_like: &'a str,
    substrate_shows: bool,
}

/// The report of a judgement.
pub fn report<'a>(j: &'a Judgement, panel: &'a Panel) -> Report<'a> {
    let first = care::before_amounts(panel);
    let cautions = first.into_iter().chain(care::cautions(j, panel));
    Report {
        schema: SCHEMA,
        panel: &j.panel_name,
        settings: settings(j, panel),
        survey: survey(j),
        verdict: j.verdict.word(),
        reasons: &j.reasons,
        shape: j.misfit.as_ref(),
        limits: j.limits.iter().map(limit).collect(),
        filler: Filler {
            to_level_cc: j.to_level_cc.value,
            low_cc: j.to_level_cc.low,
            high_cc: j.to_level_cc.high,
            most_likely_cc: j.most_likely_cc,
            if_substrate: j.if_substrate,
        },
        regions: j.regions.iter().map(region).collect(),
        height: j.texture,
        bands: &j.bands,
        references: &j.references,
        unmeasured_share: j.unmeasured_share,
        coat: j.photos.as_ref().map(coat),
        repeats: j.repeats.as_ref(),
        not_checked: &j.not_checked,
        measure_next: &j.measure_next,
        also_open: care::ALSO_OPEN,
        cautions: cautions
            .map(|c| format!("{}: {}", c.about, c.text))
            .chain(std::iter::once(care::SHAPE_ONLY.to_string()))
            .collect(),
        warnings: &j.warnings,
    }
}

/// The report as written to report.json: indented, one line feed at its end.
///
/// # Errors
/// [`Error::Calculation`] if it cannot be written as JSON.
pub fn text(j: &Judgement, panel: &Panel) -> Result<String, Error> {
    let mut text = serde_json::to_string_pretty(&report(j, panel))
        .map_err(|e| Error::Calculation(format!("report.json could not be made: {e}")))?;
    text.push('\n');
    Ok(text)
}

fn coat(found: &PhotoFindings) -> Coat<'_> {
    Coat {
        photos: &found.photos,
        seen_share: found.coat.seen_share,
        coat_from_mm: found.coat_from_mm,
        least_filler_cc: found.least_filler_cc,
        areas: found.coat.lows().collect(),
        substrate: found.coat.substrate().collect(),
        pinholes: &found.coat.pinholes,
        pitch: found.coat.pitch.as_ref(),
        contradictions: &found.clashes,
    }
}

fn settings<'a>(j: &Judgement, panel: &'a Panel) -> Settings<'a> {
    Settings {
        length_mm: panel.length_mm,
        width_mm: panel.width_mm,
        area_cm2: panel.area_cm2(),
        form: j.form,
        purpose: panel.purpose.as_deref(),
        form_wavelength_x_mm: j.form_wavelength_mm[0],
        form_wavelength_y_mm: j.form_wavelength_mm[1],
        node_limit_mm: j.node_limit_mm,
        sand_allowance_mm: j.sand_allowance_mm,
        sand_allowance_given: j.sand_allowance_given,
        grid_mm: j.nodes.grid.step_mm,
    }
}

fn survey(j: &Judgement) -> Survey<'_> {
    let waves = [j.sight.along_x_mm, j.sight.along_y_mm];
    Survey {
        date: j.date.as_deref(),
        placings: j.placings.len(),
        readings: j.readings,
        flagged: &j.flags,
        flagged_placings: &j.flagged_placings,
        seams: &j.seams,
        edges: &j.edges,
        shortest_wave_mm: waves.into_iter().flatten().reduce(f64::min),
        repeatability_mm: j.repeatability_mm,
        sight: &j.sight,
        noise: j
            .noise_mm
            .iter()
            .map(|(tool, sd_mm)| Noise {
                tool,
                sd_mm: *sd_mm,
            })
            .collect(),
        fit: Fit {
            state: j.fit.word(),
            status: &j.fit_status,
            range_mm: j.range_mm,
            amplitude_mm: j.amplitude_mm,
        },
        skin_c: j.skin_c,
        supports: j.supports.as_deref(),
        placing_list: j
            .placings
            .iter()
            .map(|p| PlacingRow {
                text: &p.text,
                place: &p.place,
                from_mm: p.ends[0],
                to_mm: p.ends[1],
            })
            .collect(),
    }
}

fn limit(result: &LimitResult) -> LimitRow<'_> {
    let limit = &result.limit;
    let when = |quantity: Quantity, value: f64| (limit.quantity == quantity).then_some(value);
    let slope = limit.quantity == Quantity::Slope;
    LimitRow {
        zone: result.zone.as_deref(),
        quantity: limit.quantity,
        base_mm: limit.base_mm,
        gap_mm: when(Quantity::Gap, limit.max),
        swing_mm: when(Quantity::Swing, limit.max),
        slope_mm_per_m: when(Quantity::Slope, limit.max),
        worst_mm: (!slope).then_some(result.worst.value),
        worst_mm_per_m: slope.then_some(result.worst.value),
        low95: result.worst.low,
        high95: result.worst.high,
        p_exceeds: result.p_exceeds,
        could_be_mm: (!slope).then_some(result.could_be),
        could_be_mm_per_m: slope.then_some(result.could_be),
        blind_mm: result.blind_mm,
        blind_x_mm: result.blind_at[0],
        blind_y_mm: result.blind_at[1],
        doubt: result.doubt.as_ref().map(|d| DoubtRow {
            x_mm: d.at[0],
            y_mm: d.at[1],
            p_exceeds: d.p,
            words: &d.words,
            remedy: &d.remedy,
        }),
        x_mm: result.worst_at[0],
        y_mm: result.worst_at[1],
        direction_deg: result.direction_deg,
        state: result.state.word(),
        share_within: result.share_within,
        origin: &limit.origin,
        remedy: &result.remedy,
    }
}

fn region(region: &Region) -> RegionRow<'_> {
    RegionRow {
        name: &region.name,
        kind: region.kind,
        x_mm: region.worst_at[0],
        y_mm: region.worst_at[1],
        extent_mm: region.extent_mm,
        area_cm2: region.area_cm2,
        worst_mm: region.worst_mm.value,
        worst_low95_mm: region.worst_mm.low,
        worst_high95_mm: region.worst_mm.high,
        volume_cc: region.volume_cc.value,
        low_cc: region.volume_cc.low,
        high_cc: region.volume_cc.high,
        action: region.action.word(),
        needs_cycle: region.needs_cycle,
        saves_cc_per_tenth: region.saves_cc_per_tenth,
        allowed_mm: region.allowed_mm,
        comes_off_mm: region.comes_off_mm,
        saves_cc: region.saves_cc,
        from_edges: &region.from_edges,
        looks_like: &region.looks_like,
        substrate_shows: region.substrate_shows,
    }
}
