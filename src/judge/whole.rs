//! The stage's main function: everything the other files of this stage find, put together into one
//! [`Judgement`].

use super::blind::Blind;
use super::cloud::Cloud;
use super::filler::{self, Benches, Fill};
use super::findings::{self, Ground, Stand};
use super::limits::{self, Judging};
use super::nodes::{self, Reach, Sources};
use super::raw::Readings;
use super::rehearsed::RegionErrors;
use super::rival;
use super::section;
use super::texture::{self, BAND_EDGES_MM, CountedFrom};
use super::verdict::{self, Evidence};
use super::volume::node_weights_mm2;
use super::{Grid, Judgement, Nodes, PlacingEcho, ReferenceSummary, Texture, form, sight, status};
use crate::fit::Surface;
use crate::observe::Survey;
use crate::panel::Panel;
use crate::problem::{Error, Warning};
use crate::reference::{Kind, References, Workbench};
use crate::units::Units;
use ndarray::Array2;

/// Spacing of the nodes that are judged, mm.
const STEP_MM: f64 = 10.0;

/// Most nodes that are judged: 40 m² at 10 mm.
const MOST_NODES: f64 = 400_000.0;

/// What the user may choose.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// Reference that is worked to.
    pub reference: Kind,
    /// Units of the sentences.
    pub units: Units,
    /// Highs whose price is worked out, the largest first: [`super::PRICED`] for a map.
    pub priced: usize,
}

/// Spacing of the nodes for a panel: 10 mm, finer on one too small for that, wider on one too
/// large.
pub fn step_mm(panel: &Panel) -> f64 {
    let short = panel.length_mm.min(panel.width_mm);
    let mut step = STEP_MM;
    while short / step < 30.0 && step > 1.0 {
        step /= 2.0;
    }
    while panel.length_mm / step * (panel.width_mm / step) > MOST_NODES {
        step *= 2.0;
    }
    step
}

/// The grid of multiples of `step_mm` that covers a panel.
pub fn grid(panel: &Panel, step_mm: f64) -> Grid {
    let count = |length: f64| (length / step_mm + 1e-9).floor() as usize + 1;
    Grid {
        step_mm,
        nx: count(panel.length_mm),
        ny: count(panel.width_mm),
    }
}

/// A workbench with the surface on its nodes, each of which has its say in the search for the skin
/// as surely as it is known.
fn bench(
    panel: &Panel,
    surface: &Surface,
    reach: &Reach,
    step_mm: f64,
) -> Result<(Workbench, Cloud), Error> {
    let mut bench = Workbench::new(panel, step_mm, &|nx, ny| {
        node_weights_mm2(&Grid { step_mm, nx, ny }, panel)
            .into_raw_vec_and_offset()
            .0
    })?;
    let cloud = Cloud::new(surface, &bench);
    let mut sd = cloud.sd_on(&bench.xs, &bench.ys);
    let places = bench
        .ys
        .iter()
        .flat_map(|&y| bench.xs.iter().map(move |&x| (x, y)));
    for (sd, (x, y)) in sd.iter_mut().zip(places) {
        if reach.distance(x, y) > nodes::FAR_MM {
            *sd = f64::INFINITY;
        }
    }
    bench.trust(&sd);
    if let Some(cells) = &surface.cells {
        let places = bench
            .ys
            .iter()
            .flat_map(|&y| bench.xs.iter().map(move |&x| [x, y]));
        let coat: Vec<f64> = places.map(|at| cells.coat_around(at, step_mm)).collect();
        bench.rest_on_bare(&coat);
    }
    Ok((bench, cloud))
}

/// Judge a found surface.
///
/// # Errors
/// [`Error::Calculation`] when a reference does not settle.
pub fn judge(
    panel: &Panel,
    survey: &Survey,
    surface: &Surface,
    options: Options,
    warnings: Vec<Warning>,
) -> Result<Judgement, Error> {
    let step = step_mm(panel);
    let fine_grid = grid(panel, step);
    let reach = Reach::new(survey).seeing(surface.cells.as_ref());
    let panel = &section::shaped(panel, &|panel| bench(panel, surface, &reach, 4.0 * step))?;
    let (middle, cloud) = bench(panel, surface, &reach, 2.0 * step)?;
    let (rough, rough_cloud) = bench(panel, surface, &reach, 4.0 * step)?;
    let references = References::new(&middle, &cloud.found)?;
    let chosen = Kind::ALL
        .iter()
        .position(|k| *k == options.reference)
        .unwrap_or(0);
    let mut nodes = nodes::nodes(
        &Sources {
            panel,
            surface,
            cloud: &cloud,
            reach: &reach,
            reference_basis: middle.basis(),
            chosen: &references.kinds[chosen],
            skin: &references.skin.coefficients,
        },
        fine_grid,
    );
    let areas = node_weights_mm2(&fine_grid, panel);
    if let Some(misfit) = form::misfit(panel, survey, surface, &nodes, options.units) {
        let on = Unjudged {
            panel,
            survey,
            surface,
            areas: &areas,
            reach: &reach,
            units: options.units,
        };
        return Ok(on.judgement(nodes, misfit, warnings));
    }
    let fill_areas = fillable(panel, &nodes, &areas);
    let seen = sight::sight(
        survey,
        &reach,
        [surface.basis.x.spacing, surface.basis.y.spacing],
    );
    let fair_at = middle.at_nodes(&references.skin.coefficients);
    let coarse_fairness: Vec<f64> = cloud
        .found
        .iter()
        .zip(&fair_at)
        .map(|(z, t)| z - t)
        .collect();
    let blind = Blind::new(survey, surface);
    let readings = Readings::new(survey, surface, &nodes);
    let judging = Judging {
        panel,
        nodes: &nodes,
        areas_mm2: &areas,
        coarse: Grid {
            step_mm: middle.step_mm,
            nx: middle.xs.len(),
            ny: middle.ys.len(),
        },
        coarse_fairness: &coarse_fairness,
        cloud: &cloud,
        again: &surface.again,
        reach: &reach,
        sight: &seen,
        blind: &blind,
        unread_coat: blind.unread_coat(panel),
        readings: &readings,
        noise_mm: surface.noise_mm.values().copied().fold(0.0, f64::max),
        widest_gauge_mm: sight::widest_gauge_mm(survey),
        units: options.units,
    };
    let fill = Fill::new(panel, &middle);
    let rough_fill = Fill::new(panel, &rough);
    let benches = Benches {
        fill: &fill,
        cloud: &cloud,
        coarse: &rough,
        coarse_cloud: &rough_cloud,
    };
    let rehearsed = !surface.rehearsals.is_empty();
    let drawn = if rehearsed {
        filler::rehearsed(&benches, surface, options.reference)?
    } else {
        filler::resurveyed(&benches, surface, options.reference)?
    };
    let lows = findings::map_lows(&nodes, &fill_areas, panel.node_limit_mm);
    let (limits, favourable) = limits::judge(&judging);
    let errors = rehearsed.then(|| RegionErrors::of(&drawn, &middle, panel.node_limit_mm));
    let (regions, map) = findings::regions(
        &Ground {
            panel,
            nodes: &nodes,
            fill_areas_mm2: &fill_areas,
            areas_mm2: &areas,
            fill: &fill,
            drawn: &drawn,
            widened: surface.widened,
            errors: errors.as_ref(),
            favourable: &favourable,
            units: options.units,
        },
        &lows,
        &|lands| {
            let draw = |k: usize| -> Vec<f64> {
                rough_cloud
                    .found
                    .iter()
                    .zip(rough_cloud.step(k))
                    .map(|(f, s)| f + s)
                    .collect()
            };
            findings::prices(
                &Stand {
                    fill: &fill,
                    heights: &cloud.found,
                    draws: &draw,
                },
                &Stand {
                    fill: &rough_fill,
                    heights: &rough_cloud.found,
                    draws: &draw,
                },
                options.reference,
                &lands[..lands.len().min(options.priced)],
            )
        },
    )?;
    nodes.region = map;
    let pairs: Vec<(f64, f64)> = drawn.iter().map(|d| (d.found_cc, d.true_cc)).collect();
    let (most_likely_cc, to_level_cc) = if rehearsed && lows.total_cc() > filler::SMALL_CC {
        filler::most_likely(lows.total_cc(), &pairs)
    } else if rehearsed {
        let drawn = filler::resurveyed(&benches, surface, options.reference)?;
        let pairs: Vec<(f64, f64)> = drawn.iter().map(|d| (d.found_cc, d.true_cc)).collect();
        filler::most_likely_widened(lows.total_cc(), &pairs, surface.widened)
    } else {
        filler::most_likely_widened(lows.total_cc(), &pairs, surface.widened)
    };
    let summaries = summaries(&fill, &cloud, &references, chosen, lows.total_cc());
    let flags = super::flagged::readings(survey, surface, options.units);
    let evidence = Evidence {
        limits: &limits,
        regions: &regions,
        nodes: &nodes,
        areas_mm2: &areas,
        sight: &seen,
        reach: &reach,
        flags: &flags,
        repeated: surface.repeatability_mm.is_some(),
        units: options.units,
    };
    let (mut verdict, mut reasons) = verdict::verdict(&evidence);
    let mut seams = super::flagged::seams(survey, surface, options.units);
    let more = super::flagged::highs_in_rows(survey, &regions, panel, &seams, options.units);
    seams.extend(more);
    // Readings that cannot be right make nothing fair.
    let doubts = crate::observe::sound::doubts(survey, panel);
    if verdict == super::Verdict::Fair && !doubts.is_empty() {
        (verdict, reasons) = (super::Verdict::MeasureMore, doubts);
    } else {
        reasons.splice(0..0, doubts);
    }
    let not_checked = verdict::not_checked(&evidence);
    let measure_next = verdict::measure_next(&evidence);
    let unmeasured_share = verdict::unmeasured_share(&nodes, &areas);
    let (texture, bands) = texture_of(&nodes, &areas);
    let (fit, fit_status) = status::status(surface.status, &nodes, &areas, &reach, options.units);
    let mut warnings = warnings;
    warnings.extend(steep_warning(&nodes));
    warnings.extend(section::warning(panel, options.units));
    warnings.extend(rival::warning(&rough, &rough_cloud.found, options.units)?);
    let mut regions = regions;
    super::offered(&mut regions, verdict);
    Ok(Judgement {
        panel_name: panel.name.clone(),
        date: survey.conditions.date.clone(),
        form: panel.form,
        form_wavelength_mm: panel.form_wavelength_mm,
        node_limit_mm: panel.node_limit_mm,
        nodes,
        regions,
        limits,
        texture,
        bands,
        to_level_cc,
        most_likely_cc,
        if_substrate: None,
        references: summaries,
        verdict,
        reasons,
        not_checked,
        measure_next,
        flags,
        edges: super::edges::edges(surface, options.units),
        flagged_placings: super::flagged::placings(survey, surface, options.units),
        seams,
        placings: echoes(survey),
        readings: survey.taken(),
        repeatability_mm: surface.repeatability_mm,
        noise_mm: noise(surface),
        fit,
        fit_status,
        range_mm: surface.range_mm,
        amplitude_mm: surface.amplitude_mm,
        sight: seen,
        unmeasured_share,
        warnings,
        skin_c: survey.conditions.skin_c,
        supports: survey.conditions.supports.clone(),
        sand_allowance_mm: panel.general_allowance_mm(),
        sand_allowance_given: panel.sand_allowance_mm.is_some() || panel.skin.film.is_known(),
        photos: None,
        repeats: None,
        misfit: None,
    })
}

/// A panel whose told form does not fit, as it was read.
struct Unjudged<'a> {
    panel: &'a Panel,
    survey: &'a Survey,
    surface: &'a Surface,
    areas: &'a Array2<f64>,
    reach: &'a Reach,
    units: Units,
}

impl Unjudged<'_> {
    /// The map and what is known of the readings; no region, no limit, no amount.
    fn judgement(
        &self,
        nodes: Nodes,
        misfit: form::Misfit,
        mut warnings: Vec<Warning>,
    ) -> Judgement {
        let Unjudged {
            panel,
            survey,
            surface,
            units,
            ..
        } = *self;
        let knots = [surface.basis.x.spacing, surface.basis.y.spacing];
        let (fit, fit_status) =
            status::status(surface.status, &nodes, self.areas, self.reach, units);
        warnings.extend(steep_warning(&nodes));
        let unmeasured_share = verdict::unmeasured_share(&nodes, self.areas);
        let blank = super::photo::unread(panel, &survey.conditions, nodes, warnings);
        let limits = blank.limits.into_iter().map(|l| super::LimitResult {
            remedy: "the form told does not fit the panel: mend panel.toml first".into(),
            ..l
        });
        Judgement {
            limits: limits.collect(),
            verdict: super::Verdict::NotJudged,
            reasons: vec![
                format!(
                    "it looks like {}, not like the form told: {}",
                    misfit.looks_like, misfit.seen
                ),
                "no work is ordered and no amount told on a shape that does not fit".into(),
            ],
            not_checked: vec!["every limit, and the crown, twist and section of the panel".into()],
            flags: super::flagged::readings(survey, surface, units),
            edges: super::edges::edges(surface, units),
            flagged_placings: super::flagged::placings(survey, surface, units),
            seams: super::flagged::seams(survey, surface, units),
            placings: echoes(survey),
            readings: survey.taken(),
            repeatability_mm: surface.repeatability_mm,
            noise_mm: noise(surface),
            fit,
            fit_status,
            range_mm: surface.range_mm,
            amplitude_mm: surface.amplitude_mm,
            sight: sight::sight(survey, self.reach, knots),
            unmeasured_share,
            misfit: Some(misfit),
            ..blank
        }
    }
}

/// Noise of one reading, by tool.
fn noise(surface: &Surface) -> Vec<(String, f64)> {
    let all = surface.noise_mm.iter();
    all.map(|(tool, sd)| (tool.word().to_string(), *sd))
        .collect()
}

/// Nodes of a judged surface on another grid, for surface.csv.
///
/// # Errors
/// [`Error::Calculation`] when a reference does not settle.
pub fn resampled(
    panel: &Panel,
    survey: &Survey,
    surface: &Surface,
    options: Options,
    spacing_mm: f64,
) -> Result<Nodes, Error> {
    let reach = Reach::new(survey).seeing(surface.cells.as_ref());
    let step = step_mm(panel);
    let panel = &section::shaped(panel, &|panel| bench(panel, surface, &reach, 4.0 * step))?;
    let (middle, cloud) = bench(panel, surface, &reach, 2.0 * step)?;
    let references = References::new(&middle, &cloud.found)?;
    let chosen = Kind::ALL
        .iter()
        .position(|k| *k == options.reference)
        .unwrap_or(0);
    Ok(nodes::nodes(
        &Sources {
            panel,
            surface,
            cloud: &cloud,
            reach: &reach,
            reference_basis: middle.basis(),
            chosen: &references.kinds[chosen],
            skin: &references.skin.coefficients,
        },
        grid(panel, spacing_mm),
    ))
}

/// Areas of the nodes that may be filled: none in a no-fill area, none where it is too steep to be
/// told.
fn fillable(panel: &Panel, nodes: &Nodes, areas: &Array2<f64>) -> Array2<f64> {
    let steep = nodes::steep(nodes);
    Array2::from_shape_fn(areas.dim(), |(iy, ix)| {
        let (x, y) = (nodes.grid.x(ix), nodes.grid.y(iy));
        if steep[[iy, ix]] || panel.no_fill.iter().any(|p| p.contains(x, y)) {
            0.0
        } else {
            areas[[iy, ix]]
        }
    })
}

fn summaries(
    fill: &Fill,
    cloud: &Cloud,
    references: &References,
    chosen: usize,
    chosen_cc: f64,
) -> Vec<ReferenceSummary> {
    Kind::ALL
        .iter()
        .enumerate()
        .map(|(k, kind)| {
            let values = fill.bench.at_nodes(&references.kinds[k]);
            ReferenceSummary {
                name: kind.word(),
                // The chosen one's amount is the map's own, so that one number stands everywhere.
                to_level_cc: if k == chosen {
                    chosen_cc
                } else {
                    fill.lows(&cloud.found, &values).total_cc()
                },
                sand_cc: fill.sanded_cc(&cloud.found, &values),
                chosen: k == chosen,
            }
        })
        .collect()
}

fn texture_of(nodes: &Nodes, areas: &Array2<f64>) -> (Texture, Vec<super::Band>) {
    let step = nodes.grid.step_mm;
    let (texture, bands) = rayon::join(
        || texture::texture(&nodes.fairness, areas, step, CountedFrom::Mean),
        || texture::bands(&nodes.fairness, areas, step, &BAND_EDGES_MM),
    );
    (texture.unwrap_or_default(), bands)
}

fn steep_warning(nodes: &Nodes) -> Option<Warning> {
    let steep = nodes::steep(nodes);
    let read = |n| nodes.reading_distance[n] <= nodes::FAR_MM;
    steep.indexed_iter().any(|(n, s)| *s && read(n)).then(|| {
        Warning::new(
            "parts of the panel slope more than 0.3 against its plane: heights there are not normal to the skin, so they \
             are left unmeasured",
        )
    })
}

fn echoes(survey: &Survey) -> Vec<PlacingEcho> {
    survey
        .placings
        .iter()
        .map(|p| {
            let end = |r: Option<&crate::observe::Reading>| r.map_or([0.0; 2], |r| [r.x, r.y]);
            PlacingEcho {
                text: p.echo(),
                place: format!("{}:{}", p.file, p.line),
                ends: [end(p.readings.first()), end(p.readings.last())],
            }
        })
        .collect()
}
