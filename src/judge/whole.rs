//! The stage's main function: everything the other files of this stage find, put together into one
//! [`Judgement`].

use super::blind::Blind;
use super::cloud::Cloud;
use super::filler::{self, Benches, Drawn, Fill, Lows};
use super::findings::{self, Ground, Stand};
use super::limits::{self, Favourable, Judging};
use super::nodes::{self, Reach, Sources};
use super::raw::Readings;
use super::rehearsed::RegionErrors;
use super::rival;
use super::section;
use super::texture::{self, BAND_EDGES_MM, CountedFrom};
use super::verdict::{self, Evidence};
use super::volume::node_weights_mm2;
use super::{
    Grid, Interval, Judgement, LimitResult, Nodes, PlacingEcho, ReferenceSummary, Region, Texture,
    form, sight, status,
};
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

/// A found surface with its draws on a bench, and the references fitted to it.
struct Fitted {
    /// The panel, with the wavelength that its section asks for.
    panel: Panel,
    reach: Reach,
    bench: Workbench,
    cloud: Cloud,
    references: References,
    /// Which of them is worked to.
    chosen: usize,
}

impl Fitted {
    fn of(
        panel: &Panel,
        survey: &Survey,
        surface: &Surface,
        reference: Kind,
    ) -> Result<Self, Error> {
        let step = step_mm(panel);
        let reach = Reach::new(survey).seeing(surface.cells.as_ref());
        let panel = section::shaped(panel, &|panel| bench(panel, surface, &reach, 4.0 * step))?;
        let (bench, cloud) = bench(&panel, surface, &reach, 2.0 * step)?;
        let references = References::new(&bench, &cloud.found)?;
        let chosen = Kind::ALL.iter().position(|k| *k == reference).unwrap_or(0);
        Ok(Fitted {
            panel,
            reach,
            bench,
            cloud,
            references,
            chosen,
        })
    }

    /// Everything at the nodes of a grid but the regions.
    fn nodes(&self, surface: &Surface, grid: Grid) -> Nodes {
        let from = Sources {
            panel: &self.panel,
            surface,
            cloud: &self.cloud,
            reach: &self.reach,
            reference_basis: self.bench.basis(),
            chosen: &self.references.kinds[self.chosen],
            skin: &self.references.skin.coefficients,
        };
        nodes::nodes(&from, grid)
    }

    /// The limits, and where they are exceeded even at the favourable end.
    fn limits(
        &self,
        survey: &Survey,
        surface: &Surface,
        read: &Judgement,
        areas_mm2: &Array2<f64>,
        units: Units,
    ) -> (Vec<LimitResult>, Favourable) {
        let fair_at = self.bench.at_nodes(&self.references.skin.coefficients);
        let heights = self.cloud.found.iter().zip(&fair_at);
        let coarse_fairness: Vec<f64> = heights.map(|(z, t)| z - t).collect();
        let blind = Blind::new(survey, surface);
        let readings = Readings::new(survey, surface, &read.nodes);
        limits::judge(&Judging {
            panel: &self.panel,
            nodes: &read.nodes,
            areas_mm2,
            coarse: Grid {
                step_mm: self.bench.step_mm,
                nx: self.bench.xs.len(),
                ny: self.bench.ys.len(),
            },
            coarse_fairness: &coarse_fairness,
            cloud: &self.cloud,
            again: &surface.again,
            reach: &self.reach,
            sight: &read.sight,
            blind: &blind,
            unread_coat: blind.unread_coat(&self.panel),
            readings: &readings,
            noise_mm: surface.noise_mm.values().copied().fold(0.0, f64::max),
            widest_gauge_mm: sight::widest_gauge_mm(survey),
            units,
        })
    }

    /// The map and what is known of the readings; no region, limit, amount or verdict yet.
    fn as_read(
        &self,
        survey: &Survey,
        surface: &Surface,
        nodes: Nodes,
        areas_mm2: &Array2<f64>,
        units: Units,
        mut warnings: Vec<Warning>,
    ) -> Judgement {
        let knots = [surface.basis.x.spacing, surface.basis.y.spacing];
        let (fit, fit_status) =
            status::status(surface.status, &nodes, areas_mm2, &self.reach, units);
        warnings.extend(steep_warning(&nodes));
        Judgement {
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
            sight: sight::sight(survey, &self.reach, knots),
            unmeasured_share: verdict::unmeasured_share(&nodes, areas_mm2),
            ..super::photo::unread(&self.panel, &survey.conditions, nodes, warnings)
        }
    }
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
    let Options {
        reference, units, ..
    } = options;
    let fitted = Fitted::of(panel, survey, surface, reference)?;
    let panel = &fitted.panel;
    let step = step_mm(panel);
    let grid = grid(panel, step);
    let nodes = fitted.nodes(surface, grid);
    let areas = node_weights_mm2(&grid, panel);
    let misfit = form::misfit(panel, survey, surface, &nodes, units);
    let mut j = fitted.as_read(survey, surface, nodes, &areas, units, warnings);
    if let Some(misfit) = misfit {
        return Ok(not_judged(j, misfit));
    }
    let (rough, rough_cloud) = bench(panel, surface, &fitted.reach, 4.0 * step)?;
    let fill = Fill::new(panel, &fitted.bench);
    let rough_fill = Fill::new(panel, &rough);
    let benches = Benches {
        fill: &fill,
        cloud: &fitted.cloud,
        coarse: &rough,
        coarse_cloud: &rough_cloud,
    };
    let rehearsed = !surface.rehearsals.is_empty();
    let drawn = if rehearsed {
        filler::rehearsed(&benches, surface, reference)?
    } else {
        filler::resurveyed(&benches, surface, reference)?
    };
    let fill_areas = fillable(panel, &j.nodes, &areas);
    let lows = findings::map_lows(&j.nodes, &fill_areas, panel.node_limit_mm);
    let (limits, favourable) = fitted.limits(survey, surface, &j, &areas, units);
    let errors = rehearsed.then(|| RegionErrors::of(&drawn, &fitted.bench, panel.node_limit_mm));
    let ground = Ground {
        panel,
        nodes: &j.nodes,
        fill_areas_mm2: &fill_areas,
        areas_mm2: &areas,
        fill: &fill,
        drawn: &drawn,
        widened: surface.widened,
        errors: errors.as_ref(),
        favourable: &favourable,
        units,
    };
    let (mut regions, map) = regions(&ground, &lows, &benches, &rough_fill, options)?;
    j.nodes.region = map;
    (j.most_likely_cc, j.to_level_cc) = amounts(
        &benches,
        surface,
        reference,
        (&drawn, rehearsed),
        lows.total_cc(),
    )?;
    let (references, chosen) = (&fitted.references, fitted.chosen);
    j.references = summaries(&fill, &fitted.cloud, references, chosen, lows.total_cc());
    let evidence = Evidence {
        limits: &limits,
        regions: &regions,
        nodes: &j.nodes,
        areas_mm2: &areas,
        sight: &j.sight,
        reach: &fitted.reach,
        flags: &j.flags,
        repeated: surface.repeatability_mm.is_some(),
        units,
    };
    (j.verdict, j.reasons) = verdict::verdict(&evidence);
    j.not_checked = verdict::not_checked(&evidence);
    j.measure_next = verdict::measure_next(&evidence);
    // Readings that cannot be right make nothing fair.
    let doubts = crate::observe::sound::doubts(survey, panel);
    if j.verdict == super::Verdict::Fair && !doubts.is_empty() {
        (j.verdict, j.reasons) = (super::Verdict::MeasureMore, doubts);
    } else {
        j.reasons.splice(0..0, doubts);
    }
    let more = super::flagged::highs_in_rows(survey, &regions, panel, &j.seams, units);
    j.seams.extend(more);
    (j.texture, j.bands) = texture_of(&j.nodes, &areas);
    j.warnings.extend(section::warning(panel, units));
    j.warnings
        .extend(rival::warning(&rough, &rough_cloud.found, units)?);
    super::offered(&mut regions, j.verdict);
    (j.regions, j.limits) = (regions, limits);
    Ok(j)
}

/// Lows and highs with the prices of the highs, and which node belongs to which.
fn regions(
    ground: &Ground,
    lows: &Lows,
    benches: &Benches,
    coarse: &Fill,
    options: Options,
) -> Result<(Vec<Region>, Array2<u16>), Error> {
    let cloud = benches.coarse_cloud;
    let draw = |k: usize| -> Vec<f64> {
        let heights = cloud.found.iter().zip(cloud.step(k));
        heights.map(|(f, s)| f + s).collect()
    };
    findings::regions(ground, lows, &|lands| {
        findings::prices(
            &Stand {
                fill: benches.fill,
                heights: &benches.cloud.found,
                draws: &draw,
            },
            &Stand {
                fill: coarse,
                heights: &cloud.found,
                draws: &draw,
            },
            options.reference,
            &lands[..lands.len().min(options.priced)],
        )
    })
}

/// The most likely amount to level and its interval, from what surveys like this one find.
fn amounts(
    benches: &Benches,
    surface: &Surface,
    reference: Kind,
    (drawn, rehearsed): (&[Drawn], bool),
    found_cc: f64,
) -> Result<(f64, Interval), Error> {
    let pairs = |drawn: &[Drawn]| -> Vec<(f64, f64)> {
        drawn.iter().map(|d| (d.found_cc, d.true_cc)).collect()
    };
    Ok(if rehearsed && found_cc > filler::SMALL_CC {
        filler::most_likely(found_cc, &pairs(drawn))
    } else if rehearsed {
        let drawn = filler::resurveyed(benches, surface, reference)?;
        filler::most_likely_widened(found_cc, &pairs(&drawn), surface.widened)
    } else {
        filler::most_likely_widened(found_cc, &pairs(drawn), surface.widened)
    })
}

/// A panel whose told form does not fit, as it was read.
fn not_judged(read: Judgement, misfit: form::Misfit) -> Judgement {
    let limits = read.limits.into_iter().map(|l| LimitResult {
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
        misfit: Some(misfit),
        ..read
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
    let fitted = Fitted::of(panel, survey, surface, options.reference)?;
    Ok(fitted.nodes(surface, grid(panel, spacing_mm)))
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
