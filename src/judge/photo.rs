//! What photos add to a judgement, and the judgement of a panel of which there is nothing but
//! photos.
//!
//! Coat left after blocking tells that a place is low, never how low. Alone it gives places,
//! outlines and areas, and a lower bound of the filler; with readings it has already shaped the
//! surface ([`crate::fit`]), and here it is set beside it.

use super::findings::from_edges;
use super::whole::{Options, grid, step_mm};
use super::{
    Action, Grid, Interval, Judgement, LimitResult, LimitState, NodeState, Nodes, Region,
    RegionKind, Texture, Verdict,
};
use crate::fit::Surface;
use crate::fit::agree::{Against, Agreement, Standing};
use crate::observe::Conditions;
use crate::panel::{Limit, Panel};
use crate::photo::areas::Area;
use crate::photo::coat::SURE;
use crate::photo::pinholes::{Cluster, Shape};
use crate::photo::pitch::Pitch;
use crate::photo::polarity::Polarity;
use crate::photo::take::{self, Coat, Taken};
use crate::problem::Warning;
use crate::units::Units;
use ndarray::Array2;
use serde::Serialize;

/// A photo's name and how well it was read.
#[derive(Clone, Debug, Serialize)]
pub struct PhotoNote {
    /// The file, as the user named it.
    pub file: String,
    /// Targets that placed the panel in it.
    pub targets: usize,
    /// Root mean square of their residuals, mm.
    pub residual_mm: f64,
    /// The target with the largest residual.
    pub worst_target: String,
    /// Its residual, mm.
    pub worst_residual_mm: f64,
    /// Two standard deviations of a place on the panel, at worst, mm.
    pub places_within_mm: f64,
    /// "dark", "light", or "one colour" when no coat could be told from filler.
    pub coat: &'static str,
    /// Chance that this is right, 0.5 to 1; 1 when it was given.
    pub sure: f64,
    /// Share of the panel that it shows, 0 to 1.
    pub seen_share: f64,
    /// Side of one of its pixels on the panel, mm.
    pub pixel_mm: f64,
    /// Whether it went into the map with its two colours changed over, since the readings say so.
    pub colours_changed: bool,
    /// Whether the readings agree with the photo as it was read.
    pub readings_agree: bool,
    /// Why it did not go into the map, where it contradicts the readings: a sentence that names the
    /// places.
    pub set_aside: Option<String>,
}

/// Where coat and readings contradict each other.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Clash {
    /// Middle of the place, mm.
    pub at_mm: [f64; 2],
    /// Its area, cm².
    pub area_cm2: f64,
    /// What the readings say of it, mm against the fair shape; negative is low.
    pub height_mm: f64,
    /// Share of coat there, 0 to 1.
    pub coat: f64,
    /// Both, in a sentence.
    pub text: String,
}

/// What the photos of one panel show.
#[derive(Clone, Debug)]
pub struct PhotoFindings {
    /// The photos.
    pub photos: Vec<PhotoNote>,
    /// What they show together.
    pub coat: Coat,
    /// Where they and the readings contradict each other, the largest first; of photos set aside
    /// too.
    pub clashes: Vec<Clash>,
    /// Depth at which coat stayed, as learned with the readings, mm.
    pub coat_from_mm: Option<f64>,
    /// Least filler that the coat speaks of, cc: its area by the least depth at which coat stays.
    pub least_filler_cc: f64,
    /// Whether there are readings too.
    pub with_readings: bool,
}

impl PhotoFindings {
    /// Photos without readings.
    pub fn alone(photos: &[Taken], coat: Coat) -> Self {
        PhotoFindings {
            photos: photos.iter().map(note).collect(),
            clashes: Vec::new(),
            coat_from_mm: None,
            least_filler_cc: least_filler_cc(&coat),
            with_readings: false,
            coat,
        }
    }

    /// Photos beside readings: what they showed, `read`, and what became of them in the fit.
    pub fn beside(
        panel: &Panel,
        photos: &[Taken],
        read: &Coat,
        surface: &Surface,
        units: Units,
    ) -> Self {
        let as_read = |w: &Agreement| matches!(w.standing, Standing::Agrees | Standing::Open);
        let coat = if surface.weighed.iter().all(as_read) {
            read.clone()
        } else {
            take::of_cells(panel, read, surface.cells.as_ref())
        };
        let mut clashes: Vec<Clash> = surface
            .coat
            .iter()
            .flat_map(|f| &f.contradictions)
            .map(|c| {
                clash(
                    [c.at_mm[0], c.at_mm[1], c.area_mm2, c.height_mm, c.coat],
                    units,
                )
            })
            .collect();
        let mut notes: Vec<PhotoNote> = photos.iter().map(note).collect();
        for (note, weighed) in notes.iter_mut().zip(&surface.weighed) {
            match weighed.standing {
                Standing::Agrees => note.readings_agree = true,
                Standing::Open => {}
                Standing::ColoursSwapped => {
                    note.colours_changed = true;
                    note.coat = match note.coat {
                        "dark" => "light",
                        "light" => "dark",
                        other => other,
                    };
                }
                Standing::Contradicts => {
                    let own: Vec<Clash> =
                        weighed.places.iter().map(|p| against(p, units)).collect();
                    note.set_aside = Some(set_aside(&note.file, weighed, &own, units));
                    clashes.extend(own);
                }
            }
        }
        PhotoFindings {
            photos: notes,
            clashes,
            coat_from_mm: surface.coat.as_ref().and_then(|f| f.level_mm),
            least_filler_cc: least_filler_cc(&coat),
            with_readings: true,
            coat,
        }
    }

    /// Sentences on the photos that were set aside.
    pub fn set_aside(&self) -> impl Iterator<Item = &str> {
        self.photos.iter().filter_map(|p| p.set_aside.as_deref())
    }
}

fn least_filler_cc(coat: &Coat) -> f64 {
    coat.lows().map(|a| a.least_filler_cc).sum()
}

fn against(place: &Against, units: Units) -> Clash {
    let [x, y] = place.at_mm;
    clash([x, y, place.area_mm2, place.height_mm, place.coat], units)
}

/// Why a photo is set aside, with the places where it and the readings contradict each other most.
fn set_aside(file: &str, weighed: &Agreement, places: &[Clash], units: Units) -> String {
    let at = |coat: bool| {
        let some: Vec<String> = places
            .iter()
            .filter(|c| (c.coat > 0.5) == coat)
            .take(3)
            .map(|c| {
                let [x, y] = c.at_mm.map(|v| units.bare_place(v));
                format!("x {x} y {y} ({})", units.depth(c.height_mm.abs()))
            })
            .collect();
        (!some.is_empty()).then(|| some.join(", "))
    };
    let mut why: Vec<String> = Vec::new();
    if let Some(lows) = at(false) {
        why.push(format!("it is bare where the readings say low, at {lows}"));
    }
    if let Some(highs) = at(true) {
        why.push(format!(
            "it shows coat where the readings say high, at {highs}"
        ));
    }
    if why.is_empty() {
        why.push(format!(
            "its coat lies no better on the lows of the readings than by chance ({:.0} % of other places on the panel fit as well)",
            100.0 * weighed.by_chance
        ));
    }
    format!(
        "{file} is set aside and the map stands on the readings: {}; is it of this panel, as it was read, the right way round, and the \
         coat's colour right?",
        why.join("; ")
    )
}

fn note(photo: &Taken) -> PhotoNote {
    let worst = photo.placed.used.get(photo.placed.worst);
    PhotoNote {
        file: photo.file.clone(),
        targets: photo.placed.used.len(),
        residual_mm: photo.placed.rms_mm,
        worst_target: worst.map_or(String::new(), |w| w.target.name.clone()),
        worst_residual_mm: worst.map_or(f64::NAN, |w| w.residual_mm),
        places_within_mm: photo.placed.may_be_off_mm,
        coat: match photo.reading.polarity {
            Polarity::Dark => "dark",
            Polarity::Light => "light",
            Polarity::Auto => "one colour",
        },
        sure: photo.reading.sure,
        seen_share: photo.reading.seen_share,
        pixel_mm: photo.reading.photo_mm,
        colours_changed: false,
        readings_agree: false,
        set_aside: None,
    }
}

/// A place x, y with its area (mm²), height (mm) and share of coat.
fn clash([x, y, area_mm2, height_mm, coat]: [f64; 5], units: Units) -> Clash {
    let at = format!("x {} y {}", units.bare_place(x), units.bare_place(y));
    let size = units.depth(height_mm.abs());
    Clash {
        at_mm: [x, y],
        area_cm2: area_mm2 / 100.0,
        height_mm,
        coat,
        text: if coat > 0.5 {
            format!(
                "coat on a measured high at {at}: the readings say {size} high, the photo shows coat, so low"
            )
        } else {
            format!(
                "bare on a measured low at {at}: the readings say {size} low, the photo shows it bare, so not low"
            )
        },
    }
}

/// Share of the panel with coat left at which readings within the limits are not enough to call it
/// fair: that is no speck, and either the panel was not blocked through or the photo is not of it
/// as it was read (common practice, no source).
const MUCH_COAT: f64 = 0.05;
/// Share of an area's nodes of which the readings must know too little for it to be told by the
/// coat alone.
const UNREAD: f64 = 0.5;

impl Judgement {
    /// Takes in what the photos show beside the readings: lows by the coat where no reading
    /// reaches, and where the two contradict each other. While they do, nothing is fair yet.
    pub fn with_photos(mut self, findings: PhotoFindings, panel: &Panel, units: Units) -> Self {
        if self.misfit.is_some() {
            // Coat on a shape that does not fit orders nothing either.
            self.photos = Some(findings);
            return self;
        }
        let coated: f64 = findings.coat.lows().map(|a| a.area_cm2).sum();
        let share = coated / panel.area_cm2().max(1.0);
        let against = !findings.clashes.is_empty() || findings.set_aside().next().is_some();
        if self.verdict == Verdict::Fair && (against || share > MUCH_COAT) {
            self.verdict = Verdict::MeasureMore;
            self.reasons = vec![if !against {
                format!(
                    "the readings are within the limits, but coat is left on {:.0} % of the panel: block it through, or check that the \
                     photo is of this panel as it was read",
                    100.0 * share
                )
            } else {
                "within the limits by the readings, but photo and readings contradict each other"
                    .into()
            }];
        }
        let known = self
            .regions
            .iter()
            .filter(|r| r.kind == RegionKind::Low)
            .count();
        let more: Vec<Region> = findings
            .coat
            .lows()
            .filter(|a| self.unread(a))
            .enumerate()
            .map(|(k, area)| region(known + k, area, panel, units))
            .collect();
        // Highs stand after the lows: their numbers on the nodes move on.
        let moved = more.len().min(u16::MAX as usize) as u16;
        self.nodes.region.mapv_inplace(|n| {
            if usize::from(n) > known {
                n.saturating_add(moved)
            } else {
                n
            }
        });
        self.regions.splice(known..known, more);
        self.photos = Some(findings);
        self
    }

    /// Whether the readings know too little of most of an area of coat to say how low it is.
    fn unread(&self, area: &Area) -> bool {
        let outline = crate::panel::Polygon(area.outline_mm.clone());
        let grid = self.nodes.grid;
        let [x0, y0, x1, y1] = area.extent_mm;
        let (mut all, mut blank) = (0.0, 0.0);
        for ((iy, ix), state) in self.nodes.state.indexed_iter() {
            let (x, y) = (grid.x(ix), grid.y(iy));
            if x < x0 || x > x1 || y < y0 || y > y1 || !outline.contains(x, y) {
                continue;
            }
            all += 1.0;
            let told = self.nodes.region[[iy, ix]] > 0;
            let open = matches!(state, NodeState::Unmeasured | NodeState::Unsure);
            if open && !told {
                blank += 1.0;
            }
        }
        all > 0.0 && blank > UNREAD * all
    }
}

/// The judgement of a panel of which there are only photos: where it is low, never how low.
pub fn photo_alone(
    panel: &Panel,
    conditions: &Conditions,
    findings: PhotoFindings,
    options: Options,
    warnings: Vec<Warning>,
) -> Judgement {
    let grid = grid(panel, step_mm(panel));
    let regions: Vec<Region> = findings
        .coat
        .lows()
        .enumerate()
        .map(|(k, area)| region(k, area, panel, options.units))
        .collect();
    let nodes = blank_nodes(panel, grid, Some(&findings.coat));
    let empty = unread(panel, conditions, nodes, warnings);
    Judgement {
        to_level_cc: Interval {
            low: findings.least_filler_cc,
            ..empty.to_level_cc
        },
        reasons: reasons(&findings, options.units),
        not_checked: not_checked(&findings),
        measure_next: placings(panel, &regions, options.units),
        regions,
        photos: Some(findings),
        ..empty
    }
}

/// The judgement of a panel of which nothing was read: every number unknown, every limit not
/// checked.
pub fn unread(
    panel: &Panel,
    conditions: &Conditions,
    nodes: Nodes,
    warnings: Vec<Warning>,
) -> Judgement {
    let zones = panel
        .zones
        .iter()
        .flat_map(|z| z.limits.iter().map(move |l| (Some(z.name.clone()), l)));
    let limits = panel.limits.iter().map(|l| (None, l)).chain(zones);
    Judgement {
        panel_name: panel.name.clone(),
        date: conditions.date.clone(),
        form: panel.form,
        form_wavelength_mm: panel.form_wavelength_mm,
        node_limit_mm: panel.node_limit_mm,
        nodes,
        limits: limits.map(|(zone, l)| unchecked(zone, l)).collect(),
        texture: Texture {
            sa_mm: f64::NAN,
            sq_mm: f64::NAN,
            sz_mm: f64::NAN,
            sdq: f64::NAN,
        },
        bands: Vec::new(),
        to_level_cc: Interval {
            value: f64::NAN,
            low: f64::NAN,
            high: f64::NAN,
        },
        most_likely_cc: f64::NAN,
        if_substrate: None,
        references: Vec::new(),
        verdict: Verdict::MeasureMore,
        reasons: vec!["nothing was measured yet".into()],
        not_checked: Vec::new(),
        measure_next: Vec::new(),
        regions: Vec::new(),
        flags: Vec::new(),
        flagged_placings: Vec::new(),
        seams: Vec::new(),
        edges: Vec::new(),
        placings: Vec::new(),
        readings: 0,
        repeatability_mm: None,
        noise_mm: Vec::new(),
        fit: super::status::FitStatus::NotFitted,
        fit_status: "no readings: no surface was fitted".into(),
        range_mm: f64::NAN,
        amplitude_mm: f64::NAN,
        sight: super::Sight::default(),
        unmeasured_share: 1.0,
        warnings,
        skin_c: conditions.skin_c,
        supports: conditions.supports.clone(),
        sand_allowance_mm: panel.general_allowance_mm(),
        sand_allowance_given: panel.sand_allowance_mm.is_some() || panel.skin.film.is_known(),
        photos: None,
        repeats: None,
        misfit: None,
    }
}

fn unknown() -> Interval {
    Interval {
        value: f64::NAN,
        low: f64::NAN,
        high: f64::NAN,
    }
}

fn region(k: usize, area: &Area, panel: &Panel, units: Units) -> Region {
    Region {
        name: format!("L{}", k + 1),
        kind: RegionKind::Low,
        worst_at: inside(area),
        extent_mm: area.extent_mm,
        area_cm2: area.area_cm2,
        worst_mm: unknown(),
        volume_cc: Interval {
            low: area.least_filler_cc,
            ..unknown()
        },
        action: Action::Measure,
        needs_cycle: false,
        saves_cc_per_tenth: None,
        allowed_mm: 0.0,
        comes_off_mm: 0.0,
        saves_cc: None,
        from_edges: from_edges(panel, area.extent_mm, units),
        looks_like: String::new(),
        substrate_shows: false,
    }
}

/// The middle of an area, or of its widest part along x at its middle height where the middle
/// itself is no part of it.
fn inside(area: &Area) -> [f64; 2] {
    let [x, y] = area.place_mm;
    let outline = crate::panel::Polygon(area.outline_mm.clone());
    if outline.contains(x, y) {
        return area.place_mm;
    }
    let mut crossings: Vec<f64> = outline
        .edges()
        .filter(|(p, q)| (p[1] > y) != (q[1] > y))
        .map(|(p, q)| p[0] + (y - p[1]) / (q[1] - p[1]) * (q[0] - p[0]))
        .collect();
    crossings.sort_by(f64::total_cmp);
    crossings
        .chunks_exact(2)
        .max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])))
        .map_or(area.place_mm, |c| [(c[0] + c[1]) / 2.0, y])
}

/// Nodes of which no height is known; those under coat carry their region's number.
pub fn blank_nodes(panel: &Panel, grid: Grid, coat: Option<&Coat>) -> Nodes {
    let dim = (grid.ny, grid.nx);
    let nothing = || Array2::from_elem(dim, f64::NAN);
    let outlines: Vec<(crate::panel::Polygon, [f64; 4])> = coat
        .into_iter()
        .flat_map(Coat::lows)
        .map(|a| (crate::panel::Polygon(a.outline_mm.clone()), a.extent_mm))
        .collect();
    let region_at = |x: f64, y: f64| {
        outlines
            .iter()
            .position(|(outline, e)| {
                e[0] <= x && x <= e[2] && e[1] <= y && y <= e[3] && outline.contains(x, y)
            })
            .map_or(0, |k| (k + 1).min(u16::MAX as usize) as u16)
    };
    Nodes {
        grid,
        height: nothing(),
        reference: nothing(),
        deviation: nothing(),
        fairness: nothing(),
        sd: nothing(),
        state: Array2::from_shape_fn(dim, |(iy, ix)| {
            if panel.contains(grid.x(ix), grid.y(iy)) {
                NodeState::Unmeasured
            } else {
                NodeState::Outside
            }
        }),
        reading_distance: Array2::from_elem(dim, f64::INFINITY),
        region: Array2::from_shape_fn(dim, |(iy, ix)| region_at(grid.x(ix), grid.y(iy))),
    }
}

fn unchecked(zone: Option<String>, limit: &Limit) -> LimitResult {
    LimitResult {
        limit: limit.clone(),
        zone,
        worst: unknown(),
        worst_at: [f64::NAN; 2],
        direction_deg: f64::NAN,
        p_exceeds: f64::NAN,
        could_be: f64::NAN,
        repeats: f64::NAN,
        blind_mm: f64::NAN,
        blind_at: [f64::NAN; 2],
        doubt: None,
        state: LimitState::NotChecked,
        share_within: f64::NAN,
        remedy: "a photo tells no depth: take readings".into(),
    }
}

fn reasons(findings: &PhotoFindings, units: Units) -> Vec<String> {
    let lows: Vec<&Area> = findings.coat.lows().collect();
    let total: f64 = lows.iter().map(|a| a.area_cm2).sum();
    match lows.len() {
        0 => vec![
            "no coat is left where the photo sees the panel; highs and long waves do not show in a photo, so the limits \
             need readings"
                .into(),
        ],
        n => vec![format!(
            "{n} low{} by the coat left, {} together; a photo shows where, not how deep",
            if n == 1 { "" } else { "s" },
            units.area(total)
        )],
    }
}

fn not_checked(findings: &PhotoFindings) -> Vec<String> {
    let mut all = vec![
        "depths, highs and limits (no readings)".to_string(),
        "crown, twist, section".to_string(),
    ];
    let hidden = 100.0 * (1.0 - findings.coat.seen_share);
    if hidden >= 1.0 {
        all.push(format!(
            "{hidden:.0} % of the panel, which the photo does not show"
        ));
    }
    all
}

/// Readings that would turn the outlines into an amount: an edge both ways over each low, the
/// largest first, as many as make nine tenths of their area.
fn placings(panel: &Panel, lows: &[Region], units: Units) -> Vec<String> {
    /// Length of the edge that is laid, and its step, mm: what `lowspot blank` offers.
    const EDGE_MM: f64 = 600.0;
    const STEP_MM: f64 = 50.0;
    let total: f64 = lows.iter().map(|l| l.area_cm2).sum();
    let mut so_far = 0.0;
    let over: Vec<&Region> = lows
        .iter()
        .take_while(|l| {
            let wanted = so_far < 0.9 * total;
            so_far += l.area_cm2;
            wanted
        })
        .collect();
    if over.is_empty() {
        return vec![
            "no low to measure; for the limits, take the placings that `lowspot blank` writes down"
                .into(),
        ];
    }
    let edge = EDGE_MM.min(panel.length_mm).min(panel.width_mm);
    let each = (edge / STEP_MM) as usize + 1;
    let mut all = vec![format!(
        "{} readings would make it an amount: a {} edge both ways over each of {} ({} placings of {each}, a reading each {})",
        2 * over.len() * each,
        units.place(edge),
        named(&over),
        2 * over.len(),
        units.place(STEP_MM),
    )];
    all.extend(over.iter().map(|low| {
        let [x, y] = low.worst_at;
        let span = |at: f64, length: f64| {
            // Places that are found with a tape.
            let from = ((at - edge / 2.0) / 10.0).round() * 10.0;
            let from = from.clamp(0.0, (length - edge).max(0.0));
            format!(
                "{} to {}",
                units.bare_place(from),
                units.bare_place(from + edge)
            )
        };
        format!(
            "{}: x {} at y {}, then y {} at x {}",
            low.name,
            span(x, panel.length_mm),
            units.bare_place((y / 10.0).round() * 10.0),
            span(y, panel.width_mm),
            units.bare_place((x / 10.0).round() * 10.0)
        )
    }));
    all
}

fn named(over: &[&Region]) -> String {
    match over {
        [one] => one.name.clone(),
        [first, .., last] => format!("{} to {}", first.name, last.name),
        [] => String::new(),
    }
}

/// "a row of 7 pinholes at x 400 y 310".
pub fn pinholes(cluster: &Cluster, units: Units) -> String {
    let shape = match cluster.shape {
        Shape::Line => "row",
        Shape::Nest => "nest",
    };
    format!(
        "a {shape} of {} at x {} y {}",
        cluster.count,
        units.bare_place(cluster.place_mm[0]),
        units.bare_place(cluster.place_mm[1])
    )
}

/// "coat comes back each 80 mm along x (x 0-900 y 0-600): look for what lies that far apart
/// underneath".
pub fn pitch(found: &Pitch, units: Units) -> String {
    let along = match found.direction_deg.abs() {
        d if d < 10.0 => "along x".to_string(),
        d if d > 80.0 => "along y".to_string(),
        _ => format!("at {:.0}° from x", found.direction_deg),
    };
    let p = |v: f64| units.bare_place(v);
    let e = found.extent_mm;
    format!(
        "the coat comes back each {} {along}, x {}-{} y {}-{}: look for what lies that far apart underneath",
        units.place(found.pitch_mm),
        p(e[0]),
        p(e[2]),
        p(e[1]),
        p(e[3])
    )
}

/// Whether it had to be guessed which colour is the coat.
pub fn unsure_of_colour(note: &PhotoNote) -> bool {
    note.coat != "one colour" && note.sure < SURE
}

/// Places that are told when photos ask for more readings.
const ASKED: usize = 3;

impl Judgement {
    /// What to measure where photos turned a fair panel to "measure more": the places that
    /// contradict, else those with coat left.
    pub fn asked_by_photos(mut self, units: Units) -> Self {
        let Some(found) = &self.photos else {
            return self;
        };
        let spot = |[x, y]: [f64; 2]| {
            format!(
                "x {}, y {} {}",
                units.bare_place(x),
                units.bare_place(y),
                units.place_unit()
            )
        };
        let mut asked: Vec<String> = found
            .clashes
            .iter()
            .take(ASKED)
            .map(|c| {
                format!(
                    "two placings crossing at {}: photo and readings contradict each other there",
                    spot(c.at_mm)
                )
            })
            .collect();
        if asked.is_empty() {
            asked.extend(found.coat.lows().take(ASKED).map(|a| {
                format!(
                    "two placings crossing at {}, where coat is left; or block it through and photograph it again",
                    spot(a.place_mm)
                )
            }));
        }
        self.measure_next.splice(0..0, asked);
        self
    }
}
