//! Lows and highs as a person meets them: where, how deep, how large, how sure, what to do, and
//! what a high costs.

use super::filler::{Drawn, Fill, Lows, lows, mean_and_sd, most_likely_widened};
use super::limits::Favourable;
use super::regions;
use super::rehearsed::RegionErrors;
use super::{Action, Grid, Interval, Nodes, Region, RegionKind};
use crate::panel::Panel;
use crate::problem::Error;
use crate::reference::{Kind, Workbench};
use crate::units::Units;
use ndarray::Array2;
use rayon::prelude::*;

/// Highs whose price a map works out: the largest; each costs a reference or two.
pub const PRICED: usize = 4;
/// Draws with which a price's interval is worked out.
const PRICE_DRAWS: usize = 6;
/// By how much more a high may come off in the price "each further 0.1 mm", mm.
const TENTH_MM: f64 = 0.1;
/// 97.5 % point of the normal distribution.
const Z: f64 = 1.96;

/// What regions are found from.
pub struct Ground<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// Nodes of the map; `region` is filled in.
    pub nodes: &'a Nodes,
    /// Area of each node, mm², 0 where nothing may be filled.
    pub fill_areas_mm2: &'a Array2<f64>,
    /// Area of each node, mm².
    pub areas_mm2: &'a Array2<f64>,
    /// The filler's workbench.
    pub fill: &'a Fill<'a>,
    /// Draws, each against its own reference.
    pub drawn: &'a [Drawn],
    /// By how much the draws are wider than the fit says ([`crate::fit::Surface::widened`]).
    pub widened: f64,
    /// Errors of regions that rehearsals tell; none with a photo.
    pub errors: Option<&'a RegionErrors>,
    /// Where limits are exceeded even at the favourable end.
    pub favourable: &'a Favourable,
    /// Units of the sentences.
    pub units: Units,
}

/// A high of which less than this comes off is not offered for sanding, mm.
pub(super) const LEAST_OFF_MM: f64 = 0.02;

/// Nodes that are known well enough to be part of a region.
fn known(nodes: &Nodes, n: (usize, usize)) -> bool {
    nodes.reading_distance[n] <= super::nodes::FAR_MM
}

/// The lows of the map, parted where only shallow bridges join them.
pub fn map_lows(nodes: &Nodes, fill_areas_mm2: &Array2<f64>, limit_mm: f64) -> Lows {
    let area = |iy: usize, ix: usize| {
        if known(nodes, (iy, ix)) {
            fill_areas_mm2[[iy, ix]]
        } else {
            0.0
        }
    };
    let joined = lows(
        &nodes.deviation,
        &|iy, ix| nodes.sd[[iy, ix]],
        &area,
        limit_mm,
    );
    let depth = nodes.deviation.mapv(|d| -d);
    let (labels, count) = regions::part(&joined.labels, &depth, limit_mm);
    Lows::of(labels, count, &depth, &area)
}

/// Label the highs: above the fair shape, whatever may be sanded.
fn map_highs(nodes: &Nodes, limit_mm: f64) -> (Array2<u32>, usize) {
    let steep = super::nodes::steep(nodes);
    let rise = Array2::from_shape_fn(nodes.fairness.dim(), |n| {
        if known(nodes, n) && !steep[n] {
            nodes.fairness[n]
        } else {
            f64::NAN
        }
    });
    let (labels, _) = regions::label(&rise, &|iy, ix| nodes.sd[[iy, ix]], limit_mm);
    regions::part(&labels, &rise, limit_mm)
}

/// One region while it is gathered.
#[derive(Clone)]
struct Gathered {
    label: u32,
    extent: [f64; 4],
    area_mm2: f64,
    volume_cc: f64,
    worst: f64,
    worst_node: (usize, usize),
}

fn gather(
    grid: Grid,
    labels: &Array2<u32>,
    count: usize,
    height: &Array2<f64>,
    areas: &Array2<f64>,
) -> Vec<Gathered> {
    let mut all: Vec<Gathered> = (0..count)
        .map(|k| Gathered {
            label: k as u32 + 1,
            extent: [
                f64::INFINITY,
                f64::INFINITY,
                f64::NEG_INFINITY,
                f64::NEG_INFINITY,
            ],
            area_mm2: 0.0,
            volume_cc: 0.0,
            worst: 0.0,
            worst_node: (0, 0),
        })
        .collect();
    for (n, label) in labels.indexed_iter() {
        let Some(g) = (*label as usize)
            .checked_sub(1)
            .and_then(|k| all.get_mut(k))
        else {
            continue;
        };
        let (x, y) = (grid.x(n.1), grid.y(n.0));
        g.extent = [
            g.extent[0].min(x),
            g.extent[1].min(y),
            g.extent[2].max(x),
            g.extent[3].max(y),
        ];
        g.area_mm2 += areas[n];
        g.volume_cc += areas[n] * height[n].abs() / 1000.0;
        if height[n].abs() > g.worst.abs() {
            g.worst = height[n];
            g.worst_node = n;
        }
    }
    all.sort_by(|a, b| b.volume_cc.total_cmp(&a.volume_cc));
    all
}

/// All regions, lows first, each kind by volume; and the map of which node belongs to which
/// (index + 1).
///
/// # Errors
/// [`Error::Calculation`] when a reference does not settle.
pub fn regions(
    on: &Ground,
    lows: &Lows,
    prices: &Pricing,
) -> Result<(Vec<Region>, Array2<u16>), Error> {
    let grid = on.nodes.grid;
    let mut map = Array2::<u16>::zeros((grid.ny, grid.nx));
    let mut out = Vec::new();
    for g in gather(
        grid,
        &lows.labels,
        lows.count,
        &on.nodes.deviation,
        on.fill_areas_mm2,
    ) {
        paint(&mut map, &lows.labels, g.label, out.len());
        let number = out.len() + 1;
        out.push(low(on, &lows.labels, &g, number, lows.count));
    }
    let (labels, count) = map_highs(on.nodes, on.panel.node_limit_mm);
    let highs = gather(grid, &labels, count, &on.nodes.fairness, on.areas_mm2);
    let lands: Vec<Highland> = highs
        .iter()
        .map(|g| Highland::of(on, &labels, g.label))
        .collect();
    let prices = prices(&lands)?;
    for (k, g) in highs.iter().enumerate() {
        paint(&mut map, &labels, g.label, out.len());
        out.push(high(on, &labels, g, (k + 1, highs.len()), prices.get(k)));
    }
    Ok((out, map))
}

fn paint(map: &mut Array2<u16>, labels: &Array2<u32>, label: u32, index: usize) {
    let number = u16::try_from(index + 1).unwrap_or(u16::MAX);
    for (m, l) in map.iter_mut().zip(labels) {
        if *l == label && *m == 0 {
            *m = number;
        }
    }
}

/// Interval of a region's volume: from the errors that rehearsals tell, or, with a photo, within
/// the same nodes each draw against what its survey would have found.
fn volume_interval(
    on: &Ground,
    labels: &Array2<u32>,
    g: &Gathered,
    kind: RegionKind,
    own: usize,
) -> Interval {
    if let Some(errors) = on.errors {
        let sd = on.nodes.sd[g.worst_node];
        let told = errors.volume(kind, own, g.volume_cc, g.worst, sd);
        // Over these nodes it cannot be more than all of them as deep as the worst may be. That
        // tells where the worst is hardly known.
        let worst = errors.worst(kind, own, g.worst, sd);
        let most = worst.low.abs().max(worst.high.abs()) * g.area_mm2 / 1000.0;
        return Interval {
            high: told.high.min(most).max(told.value),
            ..told
        };
    }
    let sign = if kind == RegionKind::Low { -1.0 } else { 1.0 };
    let bench = on.fill.bench;
    let nx = bench.xs.len();
    let ratio = (bench.step_mm / on.nodes.grid.step_mm).round() as usize;
    let nodes: Vec<usize> = (0..bench.areas_mm2.len())
        .filter(|k| labels.get([k / nx * ratio, k % nx * ratio]) == Some(&g.label))
        .collect();
    let volume = |deviation: &[f64]| -> f64 {
        nodes
            .iter()
            .map(|&k| (sign * deviation[k]).max(0.0) * bench.areas_mm2[k] / 1000.0)
            .sum()
    };
    let pairs: Vec<(f64, f64)> = on
        .drawn
        .iter()
        .map(|d| (volume(&d.found_deviation), volume(&d.deviation)))
        .collect();
    most_likely_widened(g.volume_cc, &pairs, on.widened).1
}

/// An interval around a found value that holds the draws' normal interval too, never below 0.
fn spread_about(found: f64, draws: &[f64]) -> Interval {
    let (mean, sd) = mean_and_sd(draws);
    Interval {
        value: found,
        low: (mean - Z * sd).min(found).max(0.0),
        high: (mean + Z * sd).max(found),
    }
}

fn worst_interval(on: &Ground, g: &Gathered, kind: RegionKind, own: usize) -> Interval {
    let sd = on.nodes.sd[g.worst_node];
    if let Some(errors) = on.errors {
        return errors.worst(kind, own, g.worst, sd);
    }
    Interval {
        value: g.worst,
        low: g.worst - Z * sd,
        high: g.worst + Z * sd,
    }
}

fn low(on: &Ground, labels: &Array2<u32>, g: &Gathered, number: usize, own: usize) -> Region {
    let grid = on.nodes.grid;
    let worst = worst_interval(on, g, RegionKind::Low, own);
    let needs_cycle = exceeded(on, labels, g);
    let limit = on.panel.node_limit_mm;
    let action = if on.panel.sheet_metal && worst.high < -limit {
        Action::MoveTheSkin
    } else if worst.high < -limit || needs_cycle {
        Action::Fill
    } else if worst.value >= -limit {
        Action::Prime
    } else {
        // Deeper than primer can take, if what was found is right: the interval straddles the node
        // limit.
        Action::Measure
    };
    Region {
        name: format!("L{number}"),
        kind: RegionKind::Low,
        worst_at: [grid.x(g.worst_node.1), grid.y(g.worst_node.0)],
        extent_mm: g.extent,
        area_cm2: g.area_mm2 / 100.0,
        worst_mm: worst,
        volume_cc: volume_interval(on, labels, g, RegionKind::Low, own),
        action,
        needs_cycle,
        saves_cc_per_tenth: None,
        allowed_mm: 0.0,
        comes_off_mm: 0.0,
        saves_cc: None,
        from_edges: from_edges(on.panel, g.extent, on.units),
        looks_like: String::new(),
        substrate_shows: false,
    }
}

fn high(
    on: &Ground,
    labels: &Array2<u32>,
    g: &Gathered,
    (number, own): (usize, usize),
    price: Option<&Price>,
) -> Region {
    let grid = on.nodes.grid;
    let place = [grid.x(g.worst_node.1), grid.y(g.worst_node.0)];
    let allowed = on.panel.allowance_at(place[0], place[1]);
    let comes_off = labels
        .indexed_iter()
        .filter(|(_, l)| **l == g.label)
        .map(|(n, _)| on.nodes.deviation[n])
        .fold(0.0, f64::max);
    // Without a stated allowance nothing is offered for sanding: it could be a whole ply of thin
    // laminate.
    let offered = on.panel.allowance_given_at(place[0], place[1])
        && allowed > 0.0
        && comes_off > LEAST_OFF_MM;
    Region {
        name: format!("H{number}"),
        kind: RegionKind::High,
        worst_at: place,
        extent_mm: g.extent,
        area_cm2: g.area_mm2 / 100.0,
        worst_mm: worst_interval(on, g, RegionKind::High, own),
        volume_cc: volume_interval(on, labels, g, RegionKind::High, own),
        action: if offered { Action::Sand } else { Action::Leave },
        needs_cycle: exceeded(on, labels, g),
        saves_cc_per_tenth: price.map(|p| p.per_tenth),
        allowed_mm: allowed,
        // Between the nodes it is bound at, the reference may lie a hair too low.
        comes_off_mm: comes_off.min(allowed),
        saves_cc: price.filter(|_| offered).map(|p| p.sanding),
        from_edges: from_edges(on.panel, g.extent, on.units),
        looks_like: looks_like(g),
        substrate_shows: false,
    }
}

/// A limit is exceeded at the favourable end within the region or one coarse node around it.
fn exceeded(on: &Ground, labels: &Array2<u32>, g: &Gathered) -> bool {
    let grid = on.nodes.grid;
    on.favourable.exceeded(on.panel, &|x, y| {
        labels.get([
            (y / grid.step_mm).round() as usize,
            (x / grid.step_mm).round() as usize,
        ]) == Some(&g.label)
    })
}

/// A long narrow high looks like a seam (trade practice: tape seams 100-150 mm wide, 0.5-1.5 mm
/// high). Its width is its area over its length, since the box around it counts every bulge.
fn looks_like(g: &Gathered) -> String {
    let long = (g.extent[2] - g.extent[0]).max(g.extent[3] - g.extent[1]);
    let width = g.area_mm2 / long.max(1.0);
    if long > 400.0 && width < 250.0 && long / width > 3.0 {
        "looks like a seam".into()
    } else {
        String::new()
    }
}

/// "310 mm from the left edge, 120 mm from the bottom edge": the nearer edge of each pair, to the
/// region's near side.
pub(super) fn from_edges(panel: &Panel, e: [f64; 4], units: Units) -> String {
    let side = |near: f64, far: f64, low: &str, high: &str| {
        let (d, name) = if near <= far {
            (near, low)
        } else {
            (far, high)
        };
        format!("{} from the {name} edge", units.place(d.max(0.0)))
    };
    format!(
        "{}, {}",
        side(e[0], panel.length_mm - e[2], "left", "right"),
        side(e[1], panel.width_mm - e[3], "bottom", "top")
    )
}

/// A high as the workbenches see it.
pub struct Highland {
    /// Whether a place belongs to it, one spacing of the coarse bench around included.
    inside: Vec<[f64; 2]>,
    reach_mm: f64,
}

impl Highland {
    fn of(on: &Ground, labels: &Array2<u32>, label: u32) -> Self {
        let grid = on.nodes.grid;
        Highland {
            inside: labels
                .indexed_iter()
                .filter(|(_, l)| **l == label)
                .map(|((iy, ix), _)| [grid.x(ix), grid.y(iy)])
                .collect(),
            reach_mm: 1.5 * grid.step_mm,
        }
    }

    /// The allowance of a bench with this high's changed by `change`.
    fn allowance(&self, bench: &Workbench, change: &dyn Fn(f64) -> f64) -> Vec<f64> {
        let mut out = bench.allowance.clone();
        let nx = bench.xs.len();
        let mut touched = vec![false; out.len()];
        for [x, y] in &self.inside {
            let reach = self.reach_mm.max(bench.step_mm * 0.75);
            let columns = ((x - reach) / bench.step_mm).ceil().max(0.0) as usize
                ..=((x + reach) / bench.step_mm).floor().max(0.0) as usize;
            for ix in columns {
                let rows = ((y - reach) / bench.step_mm).ceil().max(0.0) as usize
                    ..=((y + reach) / bench.step_mm).floor().max(0.0) as usize;
                for iy in rows {
                    if ix < nx
                        && let Some(t) = touched.get_mut(iy * nx + ix)
                    {
                        *t = true;
                    }
                }
            }
        }
        for (a, t) in out.iter_mut().zip(touched) {
            if t {
                *a = change(*a);
            }
        }
        out
    }
}

/// Works out the prices of highs.
pub type Pricing<'a> = dyn Fn(&[Highland]) -> Result<Vec<Price>, Error> + 'a;

/// What sanding a high is worth.
#[derive(Clone, Copy, Debug)]
pub struct Price {
    /// Filler saved by each further 0.1 mm that may come off, cc.
    pub per_tenth: Interval,
    /// Filler saved by sanding as far as allowed, against not sanding it at all, cc.
    pub sanding: Interval,
}

/// A workbench with what stands on it.
pub struct Stand<'a> {
    /// The bench.
    pub fill: &'a Fill<'a>,
    /// Found heights at its nodes.
    pub heights: &'a [f64],
    /// Heights of draws at its nodes.
    pub draws: &'a (dyn Fn(usize) -> Vec<f64> + Sync),
}

/// Heights on a stand, with what does not hang on a high.
struct Heights {
    heights: Vec<f64>,
    /// Their skin.
    skin: Vec<f64>,
    /// Filler to level them as they are, cc.
    now_cc: f64,
}

/// Prices of these highs under the chosen kind of reference.
///
/// # Errors
/// [`Error::Calculation`] when a reference does not settle.
pub fn prices(
    fine: &Stand,
    coarse: &Stand,
    kind: Kind,
    lands: &[Highland],
) -> Result<Vec<Price>, Error> {
    if kind == Kind::Ride {
        return Ok(Vec::new());
    }
    let total = |stand: &Stand, on: &Heights, allowance: &[f64]| -> Result<f64, Error> {
        let bench = stand.fill.bench;
        let c = bench.over(kind, &on.skin, &on.heights, allowance)?;
        Ok(stand.fill.lows(&on.heights, &bench.at_nodes(&c)).total_cc())
    };
    let standing = |stand: &Stand, heights: Vec<f64>| -> Result<Heights, Error> {
        let bench = stand.fill.bench;
        let mut on = Heights {
            skin: bench.rough_skin(&heights)?.coefficients,
            heights,
            now_cc: 0.0,
        };
        on.now_cc = total(stand, &on, &bench.allowance)?;
        Ok(on)
    };
    let saved = |stand: &Stand, on: &Heights, land: &Highland| {
        let bench = stand.fill.bench;
        let more = total(stand, on, &land.allowance(bench, &|a| a + TENTH_MM))?;
        let none = total(stand, on, &land.allowance(bench, &|_| 0.0))?;
        Ok((on.now_cc - more, none - on.now_cc))
    };
    if lands.is_empty() {
        return Ok(Vec::new());
    }
    // What each stand takes as it is does not hang on the high.
    let draws: Vec<Heights> = (0..PRICE_DRAWS)
        .into_par_iter()
        .map(|k| standing(coarse, (coarse.draws)(k)))
        .collect::<Result<_, Error>>()?;
    let now = standing(fine, fine.heights.to_vec())?;
    lands
        .par_iter()
        .map(|land| {
            let (per_tenth, sanding) = saved(fine, &now, land)?;
            let draws = draws
                .par_iter()
                .map(|on| saved(coarse, on, land))
                .collect::<Result<Vec<_>, Error>>()?;
            let about = |found: f64, pick: &dyn Fn(&(f64, f64)) -> f64| {
                let mut i =
                    spread_about(found.max(0.0), &draws.iter().map(pick).collect::<Vec<_>>());
                i.low = i.low.max(0.0);
                i
            };
            Ok(Price {
                per_tenth: about(per_tenth, &|d| d.0),
                sanding: about(sanding, &|d| d.1),
            })
        })
        .collect()
}
