//! Survey into [`Surface`]: the height field that the readings tell of, with draws that carry its
//! uncertainty.
//!
//! In: a [`Survey`] and the [`Panel`]. Out: one [`Surface`], known up to a plane. The field, the
//! shape and every placing's rest are solved together ([`system`]); amplitude, range and noise by
//! restricted likelihood ([`reml`]); readings that do not agree are named and left out
//! ([`robust`]). Same in, same out: draws come from a fixed seed.

pub mod agree;
pub mod band;
pub mod basis;
pub mod cholesky;
pub mod coat;
pub mod edge_shape;
pub mod field;
pub mod misread;
pub mod outline;
pub mod posterior;
pub mod rehearse;
pub mod reml;
pub mod robust;
pub mod seam;
mod smooth;
pub mod system;
pub mod tools;

use crate::observe::{Survey, Tool};
use crate::panel::Panel;
use crate::photo::{CoatCells, cells, foot};
use crate::problem::Error;
use basis::{Axis, Basis};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use robust::Setting;
use std::collections::BTreeMap;
use system::System;

/// Distance between knots, mm, where the panel is large enough: 25 does no better on readings each
/// 50 mm.
const KNOTS_MM: f64 = 40.0;
/// Finest distance between knots, mm.
const FINEST_KNOTS_MM: f64 = 20.0;
/// Most coefficients of the surface.
const MOST_COEFFICIENTS: f64 = 20_000.0;
/// Posterior draws kept for intervals.
pub const DRAWS: usize = 128;
/// Draws that are surveyed anew, to learn by how much a survey like this one misses.
pub const RESURVEYS: usize = 24;
/// Times the same panel is read again, to learn how well a survey repeats.
pub const READ_AGAIN: usize = 16;
/// With a photo, what is not known of the surface is this much larger than the draws themselves
/// say: outlines merge, and lows are not domes. Worked out on simulated panels, see
/// docs/decisions.md.
const SPREAD_WITH_COAT: f64 = 1.4;
/// Draws that tell how surely the readings know what a photo shows.
const WEIGHING_DRAWS: usize = 48;
/// Seed of the draws, so that the same readings give the same intervals.
const SEED: u64 = 0x10_5b07;
/// Readings alone are taken at their word beside a photo where this share of the panel lies no
/// farther than this from one, mm, as with lines every 150 mm or closer. With lines every 300 mm
/// their intervals held the truth in 8 of 10 panels, with the photo in 10.
const CLOSE_MM: f64 = 100.0;
const CLOSE_SHARE: f64 = 0.95;
/// Numbers the first, robust pass is made with: range and amplitude in mm.
const PLAIN_RANGE_MM: f64 = 300.0;
const PLAIN_AMPLITUDE_MM: f64 = 0.5;

/// What became of the fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// Solved; readings outnumber what has to be found many times over.
    Solved,
    /// Solved, but with so few readings that the three numbers lean on their weak priors.
    FewReadings,
    /// The search for the three numbers ran out of rounds; the surface is that of the last round.
    NotSettled,
}

impl Status {
    /// One sentence for the user.
    pub fn sentence(self) -> &'static str {
        match self {
            Status::Solved => "solved",
            Status::FewReadings => {
                "solved with few readings: noise and waviness could hardly be told apart, so intervals are wide"
            }
            Status::NotSettled => {
                "the search for noise and waviness did not settle; treat the intervals with care"
            }
        }
    }
}

/// A reading left out, with what the others lead one to expect there.
#[derive(Clone, Copy, Debug)]
pub struct LeftOut {
    /// Index of the placing in the survey.
    pub placing: usize,
    /// Index of the reading in the placing.
    pub reading: usize,
    /// Expected value, mm.
    pub expected_mm: f64,
    /// What would make it agree.
    pub hint: misread::Hint,
}

pub mod least_squares;

/// The found surface.
#[derive(Clone, Debug)]
pub struct Surface {
    /// The splines that carry it.
    pub basis: Basis,
    /// Coefficients of the height, mm; a plane is arbitrary.
    pub coefficients: Vec<f64>,
    /// Draws from what is known of the surface: coefficients of possible heights, mm.
    pub draws: Vec<Vec<f64>>,
    /// For the first [`RESURVEYS`] draws: the surface found when the draw is surveyed anew as this
    /// panel was, mm.
    pub refits: Vec<Vec<f64>>,
    /// By how much the surface would come out otherwise if the same panel were read again at the
    /// same places: coefficients, mm.
    pub again: Vec<Vec<f64>>,
    /// Panels like this one, surveyed as this one was; none with a photo, whose coat cannot be
    /// moved along.
    pub rehearsals: Vec<rehearse::Rehearsal>,
    /// By how much the draws and the noise of the re-surveys are wider than the fit itself says; 1
    /// without a photo.
    pub widened: f64,
    /// Noise of one reading by tool, mm.
    pub noise_mm: BTreeMap<Tool, f64>,
    /// Range of the deviation field, mm.
    pub range_mm: f64,
    /// Amplitude of the deviation field, mm.
    pub amplitude_mm: f64,
    /// Range and amplitude found for a field as strong everywhere, mm: what is expected where
    /// nothing was read yet.
    pub even_mm: [f64; 2],
    /// Readings left out.
    pub left_out: Vec<LeftOut>,
    /// Placings left out as a whole; their readings are among those left out.
    pub misread: Vec<misread::Misread>,
    /// Readings that would have been left out one by one, but line up: put back.
    pub seams: Vec<seam::Seam>,
    /// What was learned of the straightedges that were set down often enough.
    pub edges: Vec<edge_shape::EdgeShape>,
    /// Standard deviation of one reading from repeated placings, mm.
    pub repeatability_mm: Option<f64>,
    /// What became of the fit.
    pub status: Status,
    /// What was learned of the coat, where a photo was given.
    pub coat: Option<coat::CoatFit>,
    /// The coat cells it was found with.
    pub cells: Option<CoatCells>,
    /// What each photo came to beside the readings, in the order given.
    pub weighed: Vec<agree::Agreement>,
}

/// Noise of a reading assumed before the fit finds it, mm: dial, feelers, pins (common practice, no
/// source).
pub fn plain_noise(tool: Tool) -> f64 {
    match tool {
        Tool::WaveGauge => 0.02,
        Tool::Straightedge => 0.04,
        Tool::Batten => 0.05,
        Tool::Bridge => 0.03,
        Tool::ProfileGauge => 0.08,
    }
}

/// Find the surface.
///
/// # Errors
/// [`Error::Calculation`] when the system cannot be factored. A survey too poor to carry a surface
/// is refused earlier (`observe::check_carries`).
pub fn fit(panel: &Panel, survey: &Survey) -> Result<Surface, Error> {
    settled(panel, survey, None)?.surface(survey, None)
}

/// Find the surface from readings and the coat that one photo shows, both together ([`coat`]).
///
/// # Errors
/// [`Error::Calculation`] when the system cannot be factored.
pub fn fit_with_coat(panel: &Panel, survey: &Survey, coat: &CoatCells) -> Result<Surface, Error> {
    fit_with_photos(panel, survey, std::slice::from_ref(coat))
}

/// Find the surface from readings and the coat that photos show. Each photo is first weighed under
/// what the readings alone know ([`agree`]): one that contradicts them is set aside, one whose
/// colours are changed over is turned. Without any left the surface is that of the readings alone.
///
/// # Errors
/// [`Error::Calculation`] when the system cannot be factored, or the photos' cells are not those of
/// one panel.
pub fn fit_with_photos(
    panel: &Panel,
    survey: &Survey,
    photos: &[CoatCells],
) -> Result<Surface, Error> {
    let belief = agree::Belief::of(survey.conditions.block);
    let alone = settled(panel, survey, None)?;
    let weighed = photos
        .iter()
        .map(|cells| alone.fitted.weigh(panel, cells, &belief))
        .collect::<Result<Vec<_>, Error>>()?;
    let used: Vec<CoatCells> = photos
        .iter()
        .zip(&weighed)
        .filter_map(|(cells, weighed)| weighed.taken(cells))
        .collect();
    if used.is_empty() {
        let mut surface = alone.surface(survey, None)?;
        surface.weighed = weighed;
        return Ok(surface);
    }
    // Together, since one photo may show the top of a high and another its foot.
    let cells = foot::unsure_at_feet(&cells::merge(&used)?);
    let shares = agree::shares(&weighed);
    let believed = Believed { shares, belief };
    let (joint, alone) = rayon::join(
        || settled(panel, survey, Some(&cells))?.surface(survey, Some(believed)),
        || alone.surface(survey, None),
    );
    let mut surface = joint?;
    // Scarce readings alone are surer than they should be: only close ones are taken at their word.
    if read_closely(panel, survey) {
        surface.no_less_sure_than(&alone?);
    }
    surface.cells = Some(cells);
    surface.weighed = weighed;
    Ok(surface)
}

/// Whether nearly all of the panel lies close to a reading.
fn read_closely(panel: &Panel, survey: &Survey) -> bool {
    const ALONG: usize = 40;
    let readings: Vec<[f64; 2]> = survey
        .placings
        .iter()
        .flat_map(|p| p.taken().map(|r| [r.x, r.y]))
        .collect();
    let side = |k: usize, length: f64| (k as f64 + 0.5) / ALONG as f64 * length;
    let places: Vec<[f64; 2]> = (0..ALONG * ALONG)
        .map(|k| {
            [
                side(k % ALONG, panel.length_mm),
                side(k / ALONG, panel.width_mm),
            ]
        })
        .filter(|p| panel.contains(p[0], p[1]))
        .collect();
    let near = |p: &&[f64; 2]| {
        readings
            .iter()
            .any(|r| (r[0] - p[0]).hypot(r[1] - p[1]) <= CLOSE_MM)
    };
    places.iter().filter(near).count() as f64 >= CLOSE_SHARE * places.len() as f64
}

impl Surface {
    /// A photo makes nobody less sure: where the readings alone leave the surface more closely
    /// known, as dense readings do, this surface takes over how sure they are. Their draws and
    /// re-surveys are moved onto it.
    fn no_less_sure_than(&mut self, alone: &Surface) {
        if alone.spread() >= self.spread() {
            return;
        }
        let moved = |all: &[Vec<f64>]| -> Vec<Vec<f64>> {
            all.iter()
                .map(|one| {
                    one.iter()
                        .zip(&self.coefficients)
                        .zip(&alone.coefficients)
                        .map(|((d, here), there)| d + here - there)
                        .collect()
                })
                .collect()
        };
        (self.draws, self.refits) = (moved(&alone.draws), moved(&alone.refits));
        self.rehearsals = alone.rehearsals.clone();
        self.widened = alone.widened;
    }

    /// Mean square of what the re-surveyed draws differ from the surface by, cubics apart, mm².
    fn spread(&self) -> f64 {
        let square = |draw: &Vec<f64>| -> f64 {
            let step: Vec<f64> = draw
                .iter()
                .zip(&self.coefficients)
                .map(|(d, c)| d - c)
                .collect();
            let step = system::without_cubics(&self.basis, &step);
            step.iter().map(|v| v * v).sum::<f64>() / step.len().max(1) as f64
        };
        let some = &self.draws[..self.draws.len().min(RESURVEYS)];
        some.iter().map(square).sum::<f64>() / some.len().max(1) as f64
    }
}

/// The joint problem of [`fit_with_coat`] at the numbers it ends with, written out for another
/// solver; `None` where no cell is seen. `mark` is called before and after the solution, for
/// whoever wants to time it.
///
/// # Errors
/// [`Error::Calculation`] when the system cannot be factored.
pub fn joint_problem(
    panel: &Panel,
    survey: &Survey,
    cells: &CoatCells,
    mark: &mut dyn FnMut(),
) -> Result<Option<coat::Problem>, Error> {
    let belief = agree::Belief::of(survey.conditions.block);
    let alone = settled(panel, survey, None)?;
    let weighed = alone.fitted.weigh(panel, cells, &belief)?;
    let Settled { fitted, looks, .. } = settled(panel, survey, Some(cells))?;
    let Some(looks) = looks else { return Ok(None) };
    let normal = fitted.system.normal(&fitted.y, &fitted.extra());
    let believed = Believed {
        shares: agree::shares(std::slice::from_ref(&weighed)),
        belief,
    };
    let start = fitted.solve()?.unknowns;
    mark();
    let (setting, mode) = fitted.joint(&normal, &looks, believed, start)?;
    mark();
    Ok(Some(coat::Problem::of(
        &fitted.system,
        &normal,
        &looks,
        &setting,
        &mode,
    )))
}

/// How far the looks can be believed.
#[derive(Clone, Copy)]
struct Believed {
    shares: coat::Shares,
    belief: agree::Belief,
}

/// A fit before its last solution.
struct Settled {
    fitted: Fitted,
    noise: BTreeMap<Tool, f64>,
    looks: Option<coat::Looks>,
}

impl Settled {
    /// The last solution: of the readings and, where `shares` says how far they can be believed,
    /// the looks.
    fn surface(self, survey: &Survey, shares: Option<Believed>) -> Result<Surface, Error> {
        let looks = self.looks.as_ref().zip(shares);
        self.fitted.into_surface(survey, &self.noise, looks)
    }
}

/// All but the last solution: the numbers, the readings left out, and the looks at the coat where
/// there are any.
fn settled(panel: &Panel, survey: &Survey, cells: Option<&CoatCells>) -> Result<Settled, Error> {
    let spacing = knot_spacing_mm(panel, survey);
    let basis = Basis {
        x: Axis::new(panel.length_mm, spacing.min(panel.length_mm / 12.0)),
        y: Axis::new(panel.width_mm, spacing.min(panel.width_mm / 12.0)),
    };
    let mut noise: BTreeMap<Tool, f64> = BTreeMap::new();
    for placing in &survey.placings {
        noise
            .entry(placing.tool)
            .or_insert_with(|| plain_noise(placing.tool));
    }
    let steps = rounding_steps(survey);
    let typical = most_used(survey);
    let added = match cells {
        Some(cells) => coat::added(panel, cells, &basis)?,
        None => system::Added::default(),
    };
    let looks = cells.map(|cells| coat::Looks::new(panel, cells, &basis));
    let mut system = System::with(basis, panel.form, survey, added)?;
    system.weigh(&relative_sd(survey, &noise, typical));
    let mut fitted = attempt(system, survey, &noise, typical, &steps, None)?;
    // Tools differ in noise; their ratio is learned from their own residuals, in two rounds.
    if noise.len() > 1 {
        for _ in 0..2 {
            noise = fitted.noise_by_tool(survey, &noise, &steps);
            let (mut system, near) = (fitted.system, fitted.even);
            system.weigh(&relative_sd(survey, &noise, typical));
            fitted = attempt(system, survey, &noise, typical, &steps, Some(near))?;
        }
    }
    Ok(Settled {
        fitted,
        noise,
        looks: looks.filter(|l| !l.is_empty()),
    })
}

/// Distance between knots, mm: [`KNOTS_MM`]; half the base of a shorter limit where the readings
/// lie close enough to check it; wider on a panel so large (over some 30 m²) that memory and time
/// would run away. What can be seen follows from it and is told.
fn knot_spacing_mm(panel: &Panel, survey: &Survey) -> f64 {
    let finest = survey
        .placings
        .iter()
        .flat_map(|p| [p.pitch_mm()].into_iter().chain(p.grid_pitch_mm()))
        .flatten()
        .fold(f64::INFINITY, f64::min);
    let limits = panel
        .limits
        .iter()
        .chain(panel.zones.iter().flat_map(|z| &z.limits));
    let mut spacing = limits
        .map(|l| l.base_mm / 2.0)
        .filter(|half| finest <= *half)
        .fold(KNOTS_MM, f64::min)
        .max(FINEST_KNOTS_MM);
    let count = |spacing: f64| (panel.length_mm / spacing + 3.0) * (panel.width_mm / spacing + 3.0);
    while count(spacing) > MOST_COEFFICIENTS {
        spacing *= 1.25;
    }
    spacing
}

/// The tool with the most readings; its noise is the σ of the likelihood.
fn most_used(survey: &Survey) -> Tool {
    let mut counts: BTreeMap<Tool, usize> = BTreeMap::new();
    for placing in &survey.placings {
        *counts.entry(placing.tool).or_default() += placing.taken().count();
    }
    counts
        .into_iter()
        .max_by_key(|(_, n)| *n)
        .map_or(Tool::Straightedge, |(tool, _)| tool)
}

/// The coarsest step that all values of a tool are multiples of, mm (0 when none of the usual ones
/// fits).
fn rounding_steps(survey: &Survey) -> BTreeMap<Tool, f64> {
    const USUAL: [f64; 13] = [
        1.0, 0.5, 0.254, 0.25, 0.2, 0.127, 0.1, 0.05, 0.0254, 0.025, 0.02, 0.01, 0.005,
    ];
    let mut values: BTreeMap<Tool, Vec<f64>> = BTreeMap::new();
    for placing in &survey.placings {
        values
            .entry(placing.tool)
            .or_default()
            .extend(placing.taken().filter_map(|r| r.value_mm));
    }
    values
        .into_iter()
        .map(|(tool, values)| {
            let fits = |step: &&f64| {
                values
                    .iter()
                    .all(|v| (v / **step - (v / **step).round()).abs() < 1e-6)
            };
            (tool, USUAL.iter().find(fits).copied().unwrap_or(0.0))
        })
        .collect()
}

/// One whole fit with the tools' noise in a given ratio.
struct Fitted {
    system: System,
    y: Vec<f64>,
    tools: Vec<Tool>,
    keep: Vec<bool>,
    misread: Vec<misread::Misread>,
    swapped: Vec<misread::Neighbours>,
    seams: Vec<seam::Seam>,
    /// What the edges' own shapes add to each reading, mm: `y` is without it.
    edge_part: Vec<f64>,
    edges: Option<edge_shape::Found>,
    numbers: reml::Numbers,
    /// The numbers found with an even amplitude.
    even: reml::Numbers,
    typical: Tool,
}

/// Standard deviation of each row over that of the most used tool's readings: as given with the
/// reading, or the tool's.
fn relative_sd<'s>(
    survey: &'s Survey,
    noise: &'s BTreeMap<Tool, f64>,
    typical: Tool,
) -> impl Fn(&tools::Row) -> f64 + 's {
    let sigma = typical_noise(noise, typical);
    move |row| {
        let placing = &survey.placings[row.placing];
        let given = placing.readings.get(row.reading).and_then(|r| r.sd_mm);
        given.unwrap_or_else(|| noise.get(&placing.tool).copied().unwrap_or(sigma)) / sigma
    }
}

fn typical_noise(noise: &BTreeMap<Tool, f64>, typical: Tool) -> f64 {
    noise.get(&typical).copied().unwrap_or(0.04)
}

/// One fit of a system already weighed, as it goes on.
struct Attempt<'a> {
    system: System,
    survey: &'a Survey,
    /// Values as read, and less the edges' shapes.
    read: Vec<f64>,
    y: Vec<f64>,
    columns: edge_shape::Columns,
    edges: Option<edge_shape::Found>,
    edge_part: Vec<f64>,
    /// Numbers of the first, robust pass.
    plain: Setting,
    /// Least noise, mm: rounding spreads a value evenly over its step, sd = step/√12.
    floor: f64,
    keep: Vec<bool>,
    misread: Vec<misread::Misread>,
    seams: Vec<seam::Seam>,
    /// Rows of seams: they stay, whatever the others say of them.
    held: Vec<bool>,
}

impl Attempt<'_> {
    /// The numbers, and the edges' shapes with them.
    fn tuned(&mut self, search: reml::Search, sigma_mm: f64) -> Result<reml::Numbers, Error> {
        let find = |on: &Self, sigma_mm: f64| {
            let normal = on.system.normal(&on.y, &extra_of(&on.keep));
            reml::find(&on.system, &normal, search, sigma_mm, on.floor)
        };
        let mut numbers = find(self, sigma_mm)?;
        if self.columns.is_empty() {
            return Ok(numbers);
        }
        // A shape found for the first time changes the numbers: the noise was taken for larger than
        // it is.
        let had = self.has_shapes();
        self.edges = self.edges_at(&numbers)?;
        if had || self.has_shapes() {
            self.take_off_edges();
            if !had {
                self.keep = robust::weed(&self.system, &self.y, &self.plain)?;
                numbers = find(self, numbers.sigma_mm)?;
            }
        }
        Ok(numbers)
    }

    fn has_shapes(&self) -> bool {
        self.edges.as_ref().is_some_and(edge_shape::Found::any)
    }

    fn edges_at(&self, numbers: &reml::Numbers) -> Result<Option<edge_shape::Found>, Error> {
        edges_at(&self.system, &self.columns, &self.read, &self.keep, numbers)
    }

    fn take_off_edges(&mut self) {
        if let Some(found) = &self.edges {
            self.edge_part = self.columns.part(found, self.read.len());
            self.y = less(&self.read, &self.edge_part);
        }
    }

    /// Rows that stay as they are: of placings at fault, and of seams.
    fn fixed(&self) -> Vec<bool> {
        or(&locked(&self.system, &self.misread), &self.held)
    }

    /// Placings and readings held against the numbers; those at fault are left out.
    fn sifted(&mut self, setting: &Setting) -> Result<robust::Confirmed, Error> {
        let moved = misread::placings(
            &self.system,
            self.survey,
            &self.y,
            setting,
            &mut self.keep,
            &mut self.misread,
        )?;
        let fixed = self.fixed();
        let mut confirmed =
            robust::confirm(&self.system, &self.y, setting, &mut self.keep, &fixed)?;
        let locked = locked(&self.system, &self.misread);
        let keep = &self.keep;
        let lined_up = lined_up(&self.system, self.survey, &self.y, setting, keep, &locked)?;
        if !lined_up.is_empty() {
            for row in lined_up.iter().flat_map(|s| &s.rows) {
                (self.keep[*row], self.held[*row]) = (true, true);
            }
            self.seams.extend(lined_up);
            let fixed = self.fixed();
            confirmed = robust::confirm(&self.system, &self.y, setting, &mut self.keep, &fixed)?;
            confirmed.changed = true;
        }
        confirmed.changed |= moved;
        Ok(confirmed)
    }

    /// Lets the amplitude vary over the panel as these unknowns do, or those of the numbers where
    /// there are none.
    fn localised(&mut self, unknowns: Vec<f64>, setting: &Setting) -> Result<f64, Error> {
        let unknowns = if unknowns.is_empty() {
            let normal = self.system.normal(&self.y, &extra_of(&self.keep));
            let (range, ratio, sigma) = (setting.range_mm, setting.ratio, setting.sigma_mm);
            self.system.solve(&normal, range, ratio, sigma)?.unknowns
        } else {
            unknowns
        };
        Ok(self.system.localise(&unknowns))
    }
}

fn setting_of(numbers: &reml::Numbers) -> Setting {
    Setting {
        range_mm: numbers.range_mm,
        ratio: numbers.ratio,
        sigma_mm: numbers.sigma_mm,
    }
}

/// One fit of a system already weighed. `near` are numbers to begin with, found for an even
/// amplitude at other weights.
fn attempt(
    system: System,
    survey: &Survey,
    noise: &BTreeMap<Tool, f64>,
    typical: Tool,
    steps: &BTreeMap<Tool, f64>,
    near: Option<reml::Numbers>,
) -> Result<Fitted, Error> {
    let sigma = typical_noise(noise, typical);
    let plain = Setting {
        range_mm: PLAIN_RANGE_MM,
        ratio: PLAIN_AMPLITUDE_MM / sigma,
        sigma_mm: sigma,
    };
    let mut numbers = near.unwrap_or(reml::Numbers {
        range_mm: plain.range_mm,
        // Surveys of lows and highs end nearer half of the plain amplitude.
        ratio: plain.ratio / 2.0,
        sigma_mm: sigma,
        evaluations: 0,
        settled: false,
    });
    let read: Vec<f64> = system.rows.iter().map(|r| r.value).collect();
    let mut on = Attempt {
        survey,
        y: read.clone(),
        columns: edge_shape::Columns::new(&system, survey),
        edges: None,
        edge_part: vec![0.0; read.len()],
        keep: robust::weed(&system, &read, &plain)?,
        plain,
        floor: (steps.get(&typical).copied().unwrap_or(0.0) / 12f64.sqrt()).max(1e-3),
        misread: Vec::new(),
        seams: Vec::new(),
        held: vec![false; read.len()],
        read,
        system,
    };
    let mut even = numbers;
    // Numbers, then readings against the numbers: once with an even amplitude, then with one that
    // varies over the panel. The last round is gone through only when a reading changed sides in
    // the one before.
    let mut unevenness: (f64, f64) = (1.0, 1.0);
    for round in 0..3 {
        let step = if round == 0 { 0.7 } else { 0.35 };
        let search = reml::Search {
            range_mm: numbers.range_mm,
            // One ratio means more where the amplitude varies; by the square, as simulated panels
            // have it.
            ratio: numbers.ratio * (unevenness.0 / unevenness.1).powi(2),
            radius: if near.is_none() { step } else { 0.35 },
            fine: step,
        };
        numbers = on.tuned(search, numbers.sigma_mm)?;
        if round == 0 {
            even = numbers;
        }
        let setting = setting_of(&numbers);
        let confirmed = on.sifted(&setting)?;
        if round < 2 {
            unevenness = (unevenness.1, on.localised(confirmed.unknowns, &setting)?);
        }
        if round == 1 && !confirmed.changed {
            break;
        }
    }
    if on.has_shapes() {
        on.edges = on.edges_at(&numbers)?;
        on.take_off_edges();
    }
    let fixed = on.fixed();
    let setting = setting_of(&numbers);
    let swapped = misread::neighbours(&on.system, &on.y, &setting, &mut on.keep, &fixed)?;
    let rows = on.system.rows.iter();
    Ok(Fitted {
        tools: rows.map(|r| survey.placings[r.placing].tool).collect(),
        system: on.system,
        y: on.y,
        keep: on.keep,
        misread: on.misread,
        swapped,
        seams: on.seams,
        edge_part: on.edge_part,
        edges: on.edges,
        numbers,
        even,
        typical,
    })
}

/// The edges' shapes at these numbers.
fn edges_at(
    system: &System,
    columns: &edge_shape::Columns,
    read: &[f64],
    keep: &[bool],
    numbers: &reml::Numbers,
) -> Result<Option<edge_shape::Found>, Error> {
    let setting = Setting {
        range_mm: numbers.range_mm,
        ratio: numbers.ratio,
        sigma_mm: numbers.sigma_mm,
    };
    let extra = extra_of(keep);
    let (_, solved) = setting.solve(system, read, &extra)?;
    Ok(columns.find(system, &solved, read, &extra, &setting))
}

fn or(a: &[bool], b: &[bool]) -> Vec<bool> {
    a.iter().zip(b).map(|(a, b)| *a || *b).collect()
}

/// Seams among the readings left out by themselves.
fn lined_up(
    system: &System,
    survey: &Survey,
    y: &[f64],
    setting: &Setting,
    keep: &[bool],
    locked: &[bool],
) -> Result<Vec<seam::Seam>, Error> {
    let out: Vec<usize> = (0..y.len()).filter(|&r| !keep[r] && !locked[r]).collect();
    if out.len() < 3 {
        return Ok(Vec::new());
    }
    let extra = extra_of(keep);
    let (_, solved) = setting.solve(system, y, &extra)?;
    let all = robust::deleted(system, &solved, y, &extra, setting.sigma_mm, &out);
    Ok(seam::seams(system, survey, y, &all))
}

/// Rows of placings left out as a whole.
fn locked(system: &System, misread: &[misread::Misread]) -> Vec<bool> {
    let out = |p: usize| misread.iter().any(|m| m.placing == p);
    system.rows.iter().map(|r| out(r.placing)).collect()
}

fn less(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

/// Weights of the rows: 1 kept, 0 left out.
fn extra_of(keep: &[bool]) -> Vec<f64> {
    keep.iter().map(|&k| f64::from(u8::from(k))).collect()
}

impl Fitted {
    fn extra(&self) -> Vec<f64> {
        extra_of(&self.keep)
    }

    fn solve(&self) -> Result<system::Solved<'_>, Error> {
        let normal = self.system.normal(&self.y, &self.extra());
        self.system.solve(
            &normal,
            self.numbers.range_mm,
            self.numbers.ratio,
            self.numbers.sigma_mm,
        )
    }

    /// Noise of each tool from its own residuals: Σ r² over the readings less its rests. The
    /// typical tool keeps the σ found.
    fn noise_by_tool(
        &self,
        survey: &Survey,
        before: &BTreeMap<Tool, f64>,
        steps: &BTreeMap<Tool, f64>,
    ) -> BTreeMap<Tool, f64> {
        let Ok(solved) = self.solve() else {
            return before.clone();
        };
        let residual = robust::residuals(&self.system, &solved, &self.y);
        before
            .keys()
            .map(|&tool| {
                if tool == self.typical {
                    return (tool, self.numbers.sigma_mm);
                }
                let own: Vec<usize> = (0..self.y.len())
                    .filter(|&r| self.tools[r] == tool && self.keep[r])
                    .collect();
                let mut placings: Vec<usize> =
                    own.iter().map(|&r| self.system.rows[r].placing).collect();
                placings.dedup();
                let fixed: usize = placings
                    .iter()
                    .map(|&p| tools::rests(&survey.placings[p]))
                    .sum();
                let square: f64 = own.iter().map(|&r| residual[r] * residual[r]).sum();
                let freedom = own.len() as f64 - fixed as f64;
                let plain = plain_noise(tool);
                if freedom < 5.0 {
                    return (tool, plain);
                }
                // The surface bends to the readings a little: a few degrees of freedom more are its
                // own. Held within a factor of 4 of common practice, as few readings tell little.
                let floor = steps.get(&tool).copied().unwrap_or(0.0) / 12f64.sqrt();
                let found = (square / (0.8 * freedom)).sqrt().max(floor);
                (tool, found.clamp(plain / 4.0, plain * 4.0))
            })
            .collect()
    }

    /// Draws of all unknowns with this spread of a reading, mm.
    fn drawn(
        &self,
        solved: &system::Solved,
        spread: f64,
        rng: &mut rand_chacha::ChaCha8Rng,
    ) -> Vec<Vec<f64>> {
        let total = self.system.unknowns();
        let white: Vec<f64> = (0..total * DRAWS)
            .map(|_| StandardNormal.sample(rng))
            .collect();
        let noise_draws = solved.factor.correlate(white, DRAWS);
        let mut full: Vec<Vec<f64>> = (0..DRAWS)
            .map(|d| {
                (0..total)
                    .map(|k| solved.unknowns[k] + spread * noise_draws[k * DRAWS + d])
                    .collect()
            })
            .collect();
        // What is not known of an edge's shape moves the surface with it.
        if let Some(edges) = self.edges.as_ref().filter(|e| e.any()) {
            for draw in &mut full {
                let mut white = || StandardNormal.sample(rng);
                let moved = edges.moved(spread, &mut white);
                draw.iter_mut().zip(moved).for_each(|(d, m)| *d += m);
            }
        }
        full
    }

    /// Readings left out by themselves and with their placings, with what was expected there.
    fn left_out(&self, solved: &system::Solved, misread: &[misread::Misread]) -> Vec<LeftOut> {
        let locked = locked(&self.system, misread);
        let out: Vec<usize> = (0..self.y.len())
            .filter(|&r| !self.keep[r] && !locked[r])
            .collect();
        let hint = |d: &robust::Deleted| {
            let swapped = self.swapped.iter().find(|s| s.rows.contains(&d.row));
            swapped.map_or_else(
                || misread::Hint::of(self.y[d.row], d),
                |s| s.hint(&self.system, d.row),
            )
        };
        let sigma = self.numbers.sigma_mm;
        let deleted = robust::deleted(&self.system, solved, &self.y, &self.extra(), sigma, &out);
        let mut left_out: Vec<LeftOut> = deleted
            .iter()
            .map(|d| LeftOut {
                placing: self.system.rows[d.row].placing,
                reading: self.system.rows[d.row].reading,
                expected_mm: d.expected + self.edge_part[d.row],
                hint: hint(d),
            })
            .collect();
        let rows = self.system.rows.iter().zip(&self.edge_part);
        let part: BTreeMap<(usize, usize), f64> =
            rows.map(|(r, e)| ((r.placing, r.reading), *e)).collect();
        let of_placings = misread.iter().flat_map(misread::Misread::readings);
        left_out.extend(of_placings.map(|mut out| {
            out.expected_mm += part.get(&(out.placing, out.reading)).unwrap_or(&0.0);
            out
        }));
        left_out.sort_by_key(|l| (l.placing, l.reading));
        left_out
    }

    fn status(&self, freedom: f64) -> Status {
        if !self.numbers.settled {
            Status::NotSettled
        } else if freedom < 60.0 {
            Status::FewReadings
        } else {
            Status::Solved
        }
    }

    fn into_surface(
        mut self,
        survey: &Survey,
        noise: &BTreeMap<Tool, f64>,
        looks: Option<(&coat::Looks, Believed)>,
    ) -> Result<Surface, Error> {
        let mut misread = std::mem::take(&mut self.misread);
        let seams = std::mem::take(&mut self.seams);
        let mut solved = self.solve()?;
        let sigma = self.numbers.sigma_mm;
        let seen = match looks {
            Some((looks, shares)) => Some((looks, self.with_looks(&mut solved, looks, shares)?)),
            None => None,
        };
        let coefficients = self.system.surface(&solved.unknowns);
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(SEED);
        let widened = if seen.is_some() {
            SPREAD_WITH_COAT
        } else {
            1.0
        };
        let full = self.drawn(&solved, sigma * widened, &mut rng);
        let refits = self.resurveyed(&solved, seen.as_ref(), &full[..RESURVEYS], &mut rng);
        let draws = full.iter().map(|u| self.system.surface(u)).collect();
        let rehearsals = if seen.is_none() {
            self.rehearse(survey, &full, &mut rng)?
        } else {
            Vec::new()
        };
        // Last, so that the chance that came before stays the same.
        let again = self.read_again(&solved, &mut rng);
        misread::expect(&mut misread, &self.system, survey, &solved, &self.y);
        let left_out = self.left_out(&solved, &misread);
        let noise_mm = noise
            .iter()
            .map(|(&tool, &n)| (tool, if tool == self.typical { sigma } else { n }))
            .collect();
        let status = self.status(solved.freedom);
        Ok(Surface {
            basis: self.system.basis,
            coefficients,
            draws,
            refits,
            again,
            rehearsals,
            widened,
            noise_mm,
            range_mm: self.numbers.range_mm,
            amplitude_mm: self.numbers.ratio * sigma,
            even_mm: [self.even.range_mm, self.even.ratio * self.even.sigma_mm],
            left_out,
            misread,
            seams,
            edges: self.edges.map(|e| e.edges).unwrap_or_default(),
            repeatability_mm: repeatability(survey).map(|sd| sd.max(step_sd(survey))),
            status,
            coat: seen.map(|(_, seen)| seen.fit),
            cells: None,
            weighed: Vec::new(),
        })
    }
}

impl Fitted {
    /// Weigh a photo under what these readings know of a field as strong everywhere.
    fn weigh(
        &self,
        panel: &Panel,
        cells: &CoatCells,
        belief: &agree::Belief,
    ) -> Result<agree::Agreement, Error> {
        let cells = &agree::undoubted(cells);
        let looks = coat::Looks::new(panel, cells, &self.system.basis);
        let normal = self.system.normal(&self.y, &self.extra());
        let reml::Numbers {
            range_mm,
            ratio,
            sigma_mm,
            ..
        } = self.even;
        let even = self.system.even();
        let solved = self
            .system
            .solve_local(&even, &normal, range_mm, ratio, sigma_mm)?;
        let splines = self.system.basis.count();
        let total = self.system.unknowns();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(SEED);
        let white = (0..total * WEIGHING_DRAWS)
            .map(|_| StandardNormal.sample(&mut rng))
            .collect();
        let draws = solved.factor.correlate(white, WEIGHING_DRAWS);
        let mut square = vec![0.0; looks.share().len()];
        for d in 0..WEIGHING_DRAWS {
            let field: Vec<f64> = (0..splines)
                .map(|k| sigma_mm * draws[k * WEIGHING_DRAWS + d])
                .collect();
            for (s, v) in square.iter_mut().zip(looks.values(&field)) {
                *s += v * v / WEIGHING_DRAWS as f64;
            }
        }
        let known = agree::Known {
            mean_mm: looks.values(&solved.unknowns[..splines]),
            sd_mm: square.iter().map(|s| s.sqrt()).collect(),
        };
        Ok(agree::weigh_photo(&looks, &known, belief))
    }

    /// Readings and looks solved together, at the level of the coat that both like best.
    fn joint(
        &self,
        normal: &system::Normal,
        looks: &coat::Looks,
        believed: Believed,
        start: Vec<f64>,
    ) -> Result<(coat::Setting, coat::Mode<'_>), Error> {
        let mut best: Option<(f64, coat::Setting, coat::Mode)> = None;
        for level_mm in coat::LEVELS_MM {
            let setting = self.joint_setting(believed.shares, level_mm);
            let from = best.as_ref().map_or(&start, |b| &b.2.unknowns).clone();
            let mode = coat::solve(&self.system, normal, looks, &setting, from)?;
            let cost = mode.whole + believed.belief.against_level(level_mm);
            if best.as_ref().is_some_and(|b| cost >= b.0) {
                break;
            }
            best = Some((cost, setting, mode));
        }
        let nothing = || Error::Calculation("no level of the coat was tried".into());
        best.map(|(_, setting, mode)| (setting, mode))
            .ok_or_else(nothing)
    }

    fn joint_setting(&self, shares: coat::Shares, level_mm: f64) -> coat::Setting {
        coat::Setting {
            range_mm: self.numbers.range_mm,
            ratio: self.numbers.ratio,
            sigma_mm: self.numbers.sigma_mm,
            softness_mm: coat::SOFTNESS_MM,
            level_mm,
            shares,
        }
    }

    /// Take the looks at the coat in: the solution and its factor become those of readings and coat
    /// together.
    fn with_looks<'s>(
        &'s self,
        solved: &mut system::Solved<'s>,
        looks: &coat::Looks,
        shares: Believed,
    ) -> Result<coat::Seen, Error> {
        let normal = self.system.normal(&self.y, &self.extra());
        let start = std::mem::take(&mut solved.unknowns);
        let (setting, mode) = self.joint(&normal, looks, shares, start)?;
        let places: Vec<[f64; 2]> = self
            .system
            .rows
            .iter()
            .filter_map(|r| r.points.first().map(|p| [p[0], p[1]]))
            .collect();
        let fit = mode.coat(&self.system, looks, setting.softness_mm, &places);
        solved.unknowns = mode.unknowns;
        solved.factor = mode.factor;
        Ok(coat::Seen {
            curvature: mode.curvature,
            fit,
        })
    }

    /// Each draw taken as the true panel, read at the same places with the same noise, and found
    /// with the same factor.
    fn resurveyed(
        &self,
        solved: &system::Solved,
        seen: Option<&(&coat::Looks, coat::Seen)>,
        draws: &[Vec<f64>],
        rng: &mut rand_chacha::ChaCha8Rng,
    ) -> Vec<Vec<f64>> {
        let spread = if seen.is_some() {
            SPREAD_WITH_COAT
        } else {
            1.0
        };
        let sigma = self.numbers.sigma_mm * spread;
        let extra = self.extra();
        let mut right = Vec::with_capacity(draws.len() * self.system.unknowns());
        for draw in draws {
            let mut y = self.system.predicted(draw);
            for (value, sd) in y.iter_mut().zip(&self.system.relative_sd) {
                let noise: f64 = StandardNormal.sample(rng);
                *value += sigma * sd * noise;
            }
            let mut own = self.system.right_hand(&y, &extra);
            if let Some((looks, seen)) = seen {
                let mut white = || StandardNormal.sample(rng);
                let pull = seen.anew(&self.system, looks, draw, &mut white, sigma);
                own.iter_mut().zip(pull).for_each(|(o, p)| *o += p);
            }
            right.extend(own);
        }
        solved.factor.solve_in_place(&mut right);
        right
            .chunks(self.system.unknowns().max(1))
            .map(|u| self.system.surface(u))
            .collect()
    }
}

impl Fitted {
    /// What noise alone adds to the found surface, with the same factor: what nobody saw stays as
    /// it is.
    fn read_again(
        &self,
        solved: &system::Solved,
        rng: &mut rand_chacha::ChaCha8Rng,
    ) -> Vec<Vec<f64>> {
        let extra = self.extra();
        let mut right = Vec::with_capacity(READ_AGAIN * self.system.unknowns());
        for _ in 0..READ_AGAIN {
            let noise: Vec<f64> = self
                .system
                .relative_sd
                .iter()
                .map(|sd| {
                    let white: f64 = StandardNormal.sample(rng);
                    self.numbers.sigma_mm * sd * white
                })
                .collect();
            right.extend(self.system.right_hand(&noise, &extra));
        }
        solved.factor.solve_in_place(&mut right);
        right
            .chunks(self.system.unknowns().max(1))
            .map(|u| self.system.surface(u))
            .collect()
    }
}

/// Standard deviation that reading in steps has by itself, of the tools whose placings were
/// repeated, mm: the coarsest. Readings that repeat exactly repeat to their step, not to nothing.
fn step_sd(survey: &Survey) -> f64 {
    let steps = rounding_steps(survey);
    let repeated = survey.placings.iter().filter(|p| p.repeat > 0 || p.turned);
    repeated
        .filter_map(|p| steps.get(&p.tool))
        .fold(0.0, |most: f64, step| most.max(step / 12f64.sqrt()))
}

/// Standard deviation of one reading from placings repeated under one name, mm; the edge's own rest
/// (offset and tilt) is taken out of each pair's difference. `None` without a repeat of at least
/// four places.
fn repeatability(survey: &Survey) -> Option<f64> {
    let (mut square, mut freedom) = (0.0, 0.0);
    for (k, again) in survey.placings.iter().enumerate() {
        if again.repeat == 0 && !again.turned {
            continue;
        }
        let Some(first) = survey.placings[..k]
            .iter()
            .find(|p| p.name == again.name && p.repeat == 0 && !p.turned)
        else {
            continue;
        };
        let pairs: Vec<(f64, f64)> = again
            .taken()
            .filter_map(|r| {
                let s = (r.x, r.y);
                first
                    .taken()
                    .find(|q| (q.x - s.0).hypot(q.y - s.1) < 0.5)
                    .and_then(|q| {
                        let along = s.0 * again.toward[0] + s.1 * again.toward[1];
                        Some((along, r.value_mm? - q.value_mm?))
                    })
            })
            .collect();
        let n = pairs.len() as f64;
        if n < 4.0 {
            continue;
        }
        let (ms, md) = (
            pairs.iter().map(|p| p.0).sum::<f64>() / n,
            pairs.iter().map(|p| p.1).sum::<f64>() / n,
        );
        let sxx: f64 = pairs.iter().map(|p| (p.0 - ms).powi(2)).sum();
        let sxy: f64 = pairs.iter().map(|p| (p.0 - ms) * (p.1 - md)).sum();
        let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
        square += pairs
            .iter()
            .map(|p| (p.1 - md - slope * (p.0 - ms)).powi(2))
            .sum::<f64>();
        freedom += n - 2.0;
    }
    // A difference carries the noise of two readings.
    (freedom > 0.0).then(|| (square / freedom / 2.0).sqrt())
}
