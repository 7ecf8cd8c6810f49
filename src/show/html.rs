//! report.html: one file that opens anywhere, on a phone too, without a network.
//!
//! The template says what stands where; here the numbers become words. The nodes travel in the page
//! as whole numbers, two bytes each, so that a tapped spot can be told without asking anyone.

use super::care::{self, Caution};
use super::layer;
use super::map::{self, PageMap};
use super::palette::{self, Classes};
use super::summary::{self, Line};
use super::words;
use crate::judge::{Judgement, LimitResult, LimitState, NodeState, Region, RegionKind, Verdict};
use crate::panel::Panel;
use crate::photo::take::Taken;
use crate::problem::Error;
use crate::units::{MM_PER_INCH, Units};
use askama::Template;
use base64::Engine;
use serde::Serialize;

/// Nodes that may travel in the page; beyond, every second (third …) one does.
const MOST_NODES: usize = 60_000;
/// Stands for "not known" among the whole numbers.
const UNKNOWN: i16 = i16::MIN;

#[derive(Template)]
#[template(path = "report.html", config = "src/show/askama.toml")]
struct Page<'a> {
    j: &'a Judgement,
    css: &'static str,
    js: &'static str,
    map: String,
    data: String,
    survey_line: String,
    pressing: Vec<(&'static str, String)>,
    verdict: String,
    photos: Vec<String>,
    with_photo: bool,
    alone: bool,
    unjudged: bool,
    reasons: Vec<String>,
    verdict_class: &'static str,
    before: Option<Caution>,
    limit: String,
    stride: usize,
    tapped_every: String,
    depth_unit: &'static str,
    place_unit: &'static str,
    volume_unit: &'static str,
    key: Vec<KeyRow>,
    work: Vec<Line>,
    also_open: &'static str,
    regions: Vec<RegionRow<'a>>,
    repeats: Vec<String>,
    limits: Vec<LimitRow<'a>>,
    to_level: String,
    to_level_range: String,
    most_likely: String,
    references: Vec<ReferenceRow>,
    allowance: String,
    waves: String,
    unmeasured: String,
    sure: Vec<String>,
    sight: Vec<SightRow>,
    left_out: Vec<(&'a str, &'a str)>,
    parameters: Vec<ParameterRow>,
    cautions: Vec<Caution>,
    shape_only: &'static str,
}

/// One depth of the key of colours.
#[derive(Debug)]
pub struct KeyRow {
    /// How a low of that depth is drawn, as a style.
    pub low: String,
    /// From what to what.
    pub words: String,
    /// How a high is.
    pub high: String,
}

struct RegionRow<'a> {
    name: &'a str,
    action: &'static str,
    worst: String,
    volume: String,
    at: String,
    extent: String,
    area: String,
    notes: String,
}

struct LimitRow<'a> {
    limit: String,
    state: String,
    worst: String,
    at: String,
    within: String,
    origin: &'a str,
    remedy: &'a str,
}

struct SightRow {
    direction: &'static str,
    tool: &'static str,
    placings: usize,
    pitch: String,
    shortest: String,
    blind: String,
}

struct ReferenceRow {
    name: String,
    level: String,
    sand: String,
    chosen: &'static str,
}

struct ParameterRow {
    name: String,
    value: String,
    meaning: &'static str,
}

/// The page.
///
/// # Errors
/// [`Error::Calculation`] when the map cannot be drawn or the page cannot be put together.
pub fn page(j: &Judgement, panel: &Panel, units: Units, photos: &[Taken]) -> Result<String, Error> {
    let mut map = map::for_page(j, panel, units)?;
    layer::lay_under(&mut map, panel, photos)?;
    let stride = stride(j);
    let page = Page {
        data: data(j, units, &map, stride)?,
        map: map.svg,
        j,
        css: include_str!("report.css"),
        js: include_str!("report.js"),
        survey_line: survey_line(j),
        pressing: words::pressing(&j.warnings),
        verdict: words::headline(j, units),
        photos: layer::told(j, units),
        with_photo: !photos.is_empty(),
        alone: j.photos.as_ref().is_some_and(|p| !p.with_readings),
        unjudged: j.misfit.is_some(),
        reasons: j
            .reasons
            .iter()
            .map(|r| summary::capital(r.trim_end_matches('.')))
            .collect(),
        verdict_class: if j.verdict == Verdict::Fair {
            "fair"
        } else {
            "open"
        },
        before: care::before_amounts(panel),
        limit: words::depth(j.node_limit_mm, units),
        stride,
        tapped_every: units.place(j.nodes.grid.step_mm * stride as f64),
        depth_unit: units.depth_unit(),
        place_unit: units.place_unit(),
        volume_unit: units.volume_unit(),
        key: key(j, units),
        work: work_on_page(j, panel, units),
        also_open: care::ALSO_OPEN,
        regions: j.regions.iter().map(|r| region(r, units)).collect(),
        repeats: repeats(j, units),
        limits: j.limits.iter().map(|l| limit(l, units)).collect(),
        to_level: words::one_volume(j.to_level_cc.value, units),
        to_level_range: words::volume_range(j.to_level_cc, units),
        most_likely: words::one_volume(j.most_likely_cc, units),
        references: references(j, units),
        allowance: allowance(j, units),
        waves: words::form_wavelengths(j, units),
        unmeasured: percent(j.unmeasured_share),
        sure: sure(j, units),
        sight: sight(j, units),
        left_out: super::words::left_out(j),
        parameters: parameters(j),
        cautions: care::cautions(j, panel),
        shape_only: care::SHAPE_ONLY,
    };
    page.render()
        .map_err(|e| Error::Calculation(format!("report.html could not be put together: {e}")))
}

fn repeats(j: &Judgement, units: Units) -> Vec<String> {
    let found = j.repeats.iter().flat_map(|r| &r.found);
    found
        .map(|r| summary::capital(&words::repeat(r, units)))
        .collect()
}

fn survey_line(j: &Judgement) -> String {
    let mut line = match &j.date {
        Some(date) => format!("Surveyed {date}"),
        None => "No survey date noted".into(),
    };
    if let Some(skin) = j.skin_c {
        line.push_str(&format!(", skin {skin:.0} °C"));
    }
    if let Some(supports) = &j.supports {
        line.push_str(&format!(", supports {supports}"));
    }
    line + "."
}

/// The scale, deepest first, each colour with its dots or hatching.
pub fn key(j: &Judgement, units: Units) -> Vec<KeyRow> {
    let edges = Classes::from_node_limit(j.node_limit_mm).edges;
    let depth = |mm: f64| units.bare_depth(mm);
    let mut rows: Vec<KeyRow> = (1..=5)
        .rev()
        .filter_map(|class| {
            let from = *edges.get(class - 1)?;
            let words = match edges.get(class) {
                None => format!("over {}", depth(from)),
                Some(to) if class == 2 => {
                    format!("{} to {} (from the limit on)", depth(from), depth(*to))
                }
                Some(to) => format!("{} to {}", depth(from), depth(*to)),
            };
            Some(KeyRow {
                low: low_swatch(class),
                words,
                high: high_swatch(class),
            })
        })
        .collect();
    let fair = "background:#fff".to_string();
    rows.push(KeyRow {
        low: fair.clone(),
        words: format!("under {}: fair", depth(edges[0])),
        high: fair,
    });
    rows
}

fn low_swatch(class: usize) -> String {
    let paper = palette::LOW
        .get(class - 1)
        .copied()
        .unwrap_or(palette::WHITE);
    let (ink, radius) = match class {
        1 => return format!("background:{}", palette::hex(paper)),
        2 => (palette::LOW[4], 1.6),
        3 => (palette::LOW[4], 2.6),
        4 => (palette::WHITE, 2.6),
        _ => (palette::WHITE, 3.4),
    };
    let (paper, ink) = (palette::hex(paper), palette::hex(ink));
    format!(
        "background:radial-gradient({ink} {radius}px,transparent {:.1}px) 0 0/11px 11px {paper}",
        radius + 0.4
    )
}

fn high_swatch(class: usize) -> String {
    let paper = palette::HIGH
        .get(class - 1)
        .copied()
        .unwrap_or(palette::WHITE);
    let (ink, step) = match class {
        1 => return format!("background:{}", palette::hex(paper)),
        2 => (palette::HIGH[4], 9),
        3 => (palette::HIGH[4], 5),
        _ => (palette::WHITE, 5),
    };
    let (paper, ink) = (palette::hex(paper), palette::hex(ink));
    format!("background:repeating-linear-gradient(135deg,{ink} 0 1.5px,{paper} 1.5px {step}px)")
}

fn region<'a>(r: &'a Region, units: Units) -> RegionRow<'a> {
    let mut notes = vec![r.from_edges.clone()];
    notes.push(r.looks_like.clone());
    if r.kind == RegionKind::High {
        notes.push(format!(
            "{} may come off",
            words::depth(r.allowed_mm, units)
        ));
        if let Some(saves) = r.saves_cc_per_tenth.filter(|s| s.value > 0.0) {
            notes.push(format!(
                "each further {} off saves {}",
                words::tenth(units),
                words::volume(saves, units)
            ));
        }
    }
    if r.needs_cycle {
        notes.push("exceeds the limit even at the favourable end".into());
    }
    notes.retain(|n| !n.is_empty());
    RegionRow {
        name: &r.name,
        action: r.action.word(),
        worst: if r.worst_mm.value.is_nan() {
            "not known".into()
        } else {
            format!(
                "{} ({})",
                map::signed(units, r.worst_mm.value),
                words::depth_range(r.worst_mm, units)
            )
        },
        volume: if r.volume_cc.value.is_nan() && r.volume_cc.low.is_finite() {
            format!("at least {}", units.bare_volume(r.volume_cc.low))
        } else {
            words::bare_volume(r.volume_cc, units)
        },
        at: words::spot(r.worst_at, units),
        extent: words::extent(r.extent_mm, units),
        area: units.area(r.area_cm2),
        notes: notes.join("; "),
    }
}

fn limit<'a>(l: &'a LimitResult, units: Units) -> LimitRow<'a> {
    let known = l.state != LimitState::NotChecked && l.worst_at.iter().all(|v| v.is_finite());
    let zone = l.zone.as_ref().map_or(String::new(), |z| format!("{z}: "));
    LimitRow {
        limit: format!("{zone}{}", words::limit(&l.limit, units)),
        state: words::plain(l.state.word()),
        worst: words::worst(l, units),
        at: if known {
            format!(
                "{}, at {:.0}°",
                words::spot(l.worst_at, units),
                l.direction_deg
            )
        } else {
            String::new()
        },
        within: if known {
            format!("{} of placings", percent(l.share_within))
        } else {
            String::new()
        },
        origin: &l.limit.origin,
        remedy: &l.remedy,
    }
}

/// "93 %": never rounded up to all or down to none.
fn percent(share: f64) -> String {
    let p = 100.0 * share;
    match p {
        p if p.is_nan() => "not known".into(),
        p if p > 0.0 && p < 1.0 => "under 1 %".into(),
        p if p > 99.0 && p < 100.0 => "over 99 %".into(),
        p => format!("{p:.0} %"),
    }
}

fn references(j: &Judgement, units: Units) -> Vec<ReferenceRow> {
    j.references
        .iter()
        .map(|r| ReferenceRow {
            name: words::plain(r.name),
            level: words::one_volume(r.to_level_cc, units),
            sand: words::one_volume(r.sand_cc, units),
            chosen: if r.chosen { "chosen" } else { "" },
        })
        .collect()
}

fn allowance(j: &Judgement, units: Units) -> String {
    let depth = words::depth(j.sand_allowance_mm, units);
    if j.sand_allowance_given {
        format!("{depth} may be sanded off, none in no-sand areas.")
    } else {
        format!(
            "No sand_allowance given: {depth} assumed, about what blocking takes anyway (common practice)."
        )
    }
}

fn sure(j: &Judgement, units: Units) -> Vec<String> {
    let fine = |mm: f64| words::fine(mm, units);
    let mut all = Vec::new();
    if j.readings == 0 {
        return all;
    }
    all.push(match j.repeatability_mm {
        Some(sd) => format!(
            "Repeatability of one reading (standard deviation, from repeated placings): {}.",
            fine(sd)
        ),
        None => {
            "Repeatability not known: take one placing a second time and write it down as “again”."
                .into()
        }
    });
    for (tool, sd) in &j.noise_mm {
        all.push(format!(
            "Noise of one reading found by the fit, {tool}: {}.",
            fine(*sd)
        ));
    }
    all.extend(j.sight.untied.iter().cloned());
    let edges = j.edges.iter();
    all.extend(edges.map(|e| format!("{}.", super::summary::capital(&e.sentence))));
    all.push(format!(
        "Fit: {}. Defects as found: about {} high (standard deviation), reaching about {}.",
        j.fit_status.trim_end_matches('.'),
        fine(j.amplitude_mm),
        units.place(j.range_mm)
    ));
    all
}

fn sight(j: &Judgement, units: Units) -> Vec<SightRow> {
    let or_not = |mm: Option<f64>| mm.map_or("not known".into(), |mm| units.place(mm));
    j.sight
        .rows
        .iter()
        .map(|row| {
            let blind: Vec<String> = row.blind_mm.iter().map(|mm| units.place(*mm)).collect();
            SightRow {
                direction: row.direction,
                tool: row.tool,
                placings: row.placings,
                pitch: or_not(row.pitch_mm),
                shortest: or_not(row.shortest_mm),
                blind: if blind.is_empty() {
                    "none".into()
                } else {
                    blind.join(", ")
                },
            }
        })
        .collect()
}

fn parameters(j: &Judgement) -> Vec<ParameterRow> {
    let t = &j.texture;
    let mm = |v: f64| {
        if v.is_nan() {
            "not known".into()
        } else {
            format!("{v:.3} mm")
        }
    };
    let row = |name: &str, value: String, meaning| ParameterRow {
        name: name.into(),
        value,
        meaning,
    };
    let mut rows = vec![
        row("Sa", mm(t.sa_mm), "mean size of the deviation"),
        row("Sq", mm(t.sq_mm), "root mean square"),
        row("Sz", mm(t.sz_mm), "highest to lowest"),
        row(
            "Sdq",
            if t.sdq.is_nan() {
                "not known".into()
            } else {
                format!("{:.2} mm/m", 1000.0 * t.sdq)
            },
            "root mean square slope",
        ),
    ];
    rows.extend(j.bands.iter().map(|b| {
        row(
            &format!("Sq, waves {:.0} to {:.0} mm", b.from_mm, b.to_mm),
            mm(b.sq_mm),
            "root mean square within the band",
        )
    }));
    rows
}

/// What the page's script needs; arrays are base64 of 16-bit whole numbers, low byte first.
#[derive(Serialize)]
struct Data<'a> {
    nx: usize,
    ny: usize,
    step: f64,
    left: f64,
    bottom: f64,
    scale: f64,
    x0: f64,
    y0: f64,
    height: String,
    height_mm: f64,
    deviation: String,
    deviation_mm: f64,
    sd: String,
    sd_mm: f64,
    state: String,
    states: Vec<&'static str>,
    outside: usize,
    unmeasured: usize,
    regions: Vec<&'a str>,
    depth_per_mm: f64,
    depth_digits: usize,
    depth_unit: &'static str,
    place_per_mm: f64,
    place_digits: usize,
    place_unit: &'static str,
}

const STATES: [NodeState; 6] = [
    NodeState::Fair,
    NodeState::Low,
    NodeState::High,
    NodeState::Unsure,
    NodeState::Unmeasured,
    NodeState::Outside,
];

/// Every how many nodes one travels, each way.
fn stride(j: &Judgement) -> usize {
    let grid = &j.nodes.grid;
    let mut stride = 1;
    while grid.nx.div_ceil(stride) * grid.ny.div_ceil(stride) > MOST_NODES {
        stride += 1;
    }
    stride
}

fn data(j: &Judgement, units: Units, map: &PageMap, stride: usize) -> Result<String, Error> {
    let nodes = &j.nodes;
    let frame = &map.frame;
    let zoom = super::paint::SVG_ZOOM;
    let (height, height_mm) = packed(&nodes.height, stride);
    let (deviation, deviation_mm) = packed(&nodes.deviation, stride);
    let (sd, sd_mm) = packed(&nodes.sd, stride);
    let state = thinned(nodes.state.dim(), stride).map(|at| {
        let state = nodes.state.get(at).unwrap_or(&NodeState::Outside);
        let number = STATES.iter().position(|s| s == state).unwrap_or(5) as i16;
        let region = nodes.region.get(at).copied().unwrap_or(0).min(4095) as i16;
        number | (region << 3)
    });
    let metric = units == Units::Metric;
    let data = Data {
        nx: nodes.grid.nx.div_ceil(stride),
        ny: nodes.grid.ny.div_ceil(stride),
        step: nodes.grid.step_mm * stride as f64,
        left: frame.left * zoom,
        bottom: frame.end()[1] * zoom,
        scale: frame.scale * zoom,
        x0: frame.origin_mm[0],
        y0: frame.origin_mm[1],
        height,
        height_mm,
        deviation,
        deviation_mm,
        sd,
        sd_mm,
        state: base64_of(state),
        states: STATES.iter().map(|s| s.word()).collect(),
        outside: 5,
        unmeasured: 4,
        regions: j.regions.iter().map(|r| r.name.as_str()).collect(),
        depth_per_mm: if metric { 1.0 } else { 1000.0 / MM_PER_INCH },
        depth_digits: if metric { 2 } else { 0 },
        depth_unit: units.depth_unit(),
        place_per_mm: if metric { 1.0 } else { 1.0 / MM_PER_INCH },
        place_digits: if metric { 0 } else { 1 },
        place_unit: units.place_unit(),
    };
    let text = serde_json::to_string(&data)
        .map_err(|e| Error::Calculation(format!("report.html could not be put together: {e}")))?;
    // Region names come from the program, but no text may ever close the script element.
    Ok(text.replace('<', "\\u003c"))
}

fn thinned((ny, nx): (usize, usize), stride: usize) -> impl Iterator<Item = [usize; 2]> {
    (0..ny)
        .step_by(stride)
        .flat_map(move |iy| (0..nx).step_by(stride).map(move |ix| [iy, ix]))
}

/// Numbers as multiples of a power of ten fine enough to hold the largest: (base64, mm per unit).
fn packed(values: &ndarray::Array2<f64>, stride: usize) -> (String, f64) {
    let largest = values
        .iter()
        .filter(|v| v.is_finite())
        .fold(0.0_f64, |m, v| m.max(v.abs()));
    let mut unit = 0.001;
    while largest / unit > 32_000.0 {
        unit *= 10.0;
    }
    let whole = thinned(values.dim(), stride).map(|at| match values.get(at) {
        Some(v) if v.is_finite() => (v / unit).round() as i16,
        _ => UNKNOWN,
    });
    (base64_of(whole), unit)
}

fn base64_of(numbers: impl Iterator<Item = i16>) -> String {
    let bytes: Vec<u8> = numbers.flat_map(i16::to_le_bytes).collect();
    base64::engine::general_purpose::STANDARD.encode(bytes)
}

/// The work list as the page tells it: what the screen calls "in report.html" stands further down.
fn work_on_page(j: &Judgement, panel: &Panel, units: Units) -> Vec<summary::Line> {
    let mut lines = summary::work(j, panel, units);
    for line in &mut lines {
        line.text = line
            .text
            .replace(", in report.html", ", in the table below");
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn large_heights_are_packed_in_coarser_steps() {
        let (_, fine) = packed(&ndarray::array![[0.5, -31.9]], 1);
        let (_, coarse) = packed(&ndarray::array![[48.0, f64::NAN]], 1);
        assert_eq!((fine, coarse), (0.001, 0.01));
    }

    #[test]
    fn a_share_is_never_rounded_to_all_or_none() {
        for (share, words) in [
            (0.0, "0 %"),
            (0.004, "under 1 %"),
            (0.93, "93 %"),
            (0.996, "over 99 %"),
            (1.0, "100 %"),
        ] {
            assert_eq!(percent(share), words);
        }
    }
}
