//! Limits judged with a virtual tool laid everywhere, in all directions, on the deviation from the fair shape.
//!
//! The worst found value comes from the fine node grid. Its interval comes from draws on the coarser one: the low end
//! from the draws at the worst place, the high end from the worst anywhere in each draw, since what was found the worst
//! place need not be.

use super::cloud::Cloud;
use super::edge::{self, NO_DIRECTION};
use super::filler::{Drawn, Spread};
use super::nodes::{FAR_MM, Reach};
use super::rehearsed::t_over_normal;
use super::verdict::MOST_UNMEASURED;
use super::{Grid, Interval, LimitResult, LimitState, NodeState, Nodes, Sight};
use crate::panel::{Limit, Panel, Quantity};
use crate::units::Units;
use ndarray::Array2;
use rayon::prelude::*;

/// Draws that are judged.
const DRAWS: usize = 16;
/// 97.5 % point of Student's t for that many draws (16 draws; from memory).
const T_DRAWS: f64 = 2.13;

/// Values of one tool on one base: on the fine grid, and on the coarse one for the found surface and the draws.
struct Judged {
    quantity: Quantity,
    base_mm: f64,
    fine: Array2<f64>,
    direction: Array2<u8>,
    coarse: Array2<f64>,
    draws: Vec<Array2<f64>>,
    /// For each rehearsal: what its survey would have told, and what is truly there.
    rehearsed: Vec<[Array2<f64>; 2]>,
}

/// What limits are judged on.
pub struct Judging<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// The fine nodes.
    pub nodes: &'a Nodes,
    /// Area of each fine node, mm².
    pub areas_mm2: &'a Array2<f64>,
    /// The coarse grid.
    pub coarse: Grid,
    /// Deviation from the fair shape on the coarse grid, iy·nx + ix, mm.
    pub coarse_fairness: &'a [f64],
    /// Draws on the coarse grid.
    pub cloud: &'a Cloud,
    /// Where readings lie.
    pub reach: &'a Reach,
    /// What the survey sees.
    pub sight: &'a Sight,
    /// Base of the widest wave gauge where there is no other tool, mm.
    pub widest_gauge_mm: Option<f64>,
    /// Units of the sentences.
    pub units: Units,
}

/// How far limits are exceeded at a place, at the favourable end.
pub struct Favourable {
    grid: Grid,
    /// For each checked limit: its most, its zone, and the low end of its value at each coarse node.
    limits: Vec<(f64, Option<usize>, Array2<f64>)>,
}

impl Favourable {
    /// Whether some limit is exceeded even at the favourable end at one of the coarse nodes for which `inside` holds.
    pub fn exceeded(&self, panel: &Panel, inside: &dyn Fn(f64, f64) -> bool) -> bool {
        self.limits.iter().any(|(most, zone, low)| {
            low.indexed_iter().any(|((iy, ix), v)| {
                let (x, y) = (self.grid.x(ix), self.grid.y(iy));
                *v > *most && inside(x, y) && zone_at(panel, x, y) == *zone
            })
        })
    }
}

/// The zone a place belongs to: the first that holds it.
fn zone_at(panel: &Panel, x: f64, y: f64) -> Option<usize> {
    panel.zones.iter().position(|z| z.outline.contains(x, y))
}

/// Judge the panel's limits, then each zone's.
///
/// `rehearsals` are panels like this one with what their surveys told, on the coarse grid; none with a photo.
/// `lows` were found on the map.
pub fn judge(on: &Judging, rehearsals: &[Drawn], lows: usize) -> (Vec<LimitResult>, Favourable) {
    let mut wanted: Vec<(Quantity, f64)> = Vec::new();
    let all: Vec<(Option<usize>, &Limit)> = on
        .panel
        .limits
        .iter()
        .map(|l| (None, l))
        .chain(
            on.panel
                .zones
                .iter()
                .enumerate()
                .flat_map(|(k, z)| z.limits.iter().map(move |l| (Some(k), l))),
        )
        .collect();
    for (_, limit) in &all {
        let key = (limit.quantity, limit.base_mm);
        if checkable(on, limit).is_ok() && !wanted.contains(&key) {
            wanted.push(key);
        }
    }
    let judged: Vec<Judged> = wanted
        .iter()
        .filter_map(|&(quantity, base)| tool_everywhere(on, rehearsals, quantity, base))
        .collect();
    let mut favourable = Favourable {
        grid: on.coarse,
        limits: Vec::new(),
    };
    let results = all
        .iter()
        .map(|&(zone, limit)| {
            let found = judged
                .iter()
                .find(|j| j.quantity == limit.quantity && j.base_mm == limit.base_mm);
            match (checkable(on, limit), found) {
                (Ok(()), Some(judged)) => {
                    favourable.limits.push((limit.max, zone, low_ends(judged)));
                    result(on, zone, limit, judged, lows)
                }
                (Err(remedy), _) => not_checked(on, zone, limit, remedy),
                (Ok(()), None) => not_checked(
                    on,
                    zone,
                    limit,
                    format!(
                        "a base of {} is shorter than two nodes of the map",
                        on.units.place(limit.base_mm)
                    ),
                ),
            }
        })
        .collect();
    (results, favourable)
}

/// A gauge answers a wave eight bases long with 1 − cos(π/8) of its height, 8 %: a limit over more than four bases, which is about
/// waves of twice its base, is beyond it.
const GAUGE_REACH: f64 = 4.0;

/// Whether this survey can check a limit at all; if not, why, and what would let it.
fn checkable(on: &Judging, limit: &Limit) -> Result<(), String> {
    let seen = [
        ("along x", on.sight.along_x_mm),
        ("along y", on.sight.along_y_mm),
    ];
    if seen.iter().all(|(_, wave)| wave.is_none()) {
        return Err("no placing holds two readings".to_string());
    }
    let coarse: Vec<(&str, f64)> = seen
        .iter()
        .filter_map(|(way, wave)| Some((*way, (*wave)?)))
        .filter(|(_, wave)| *wave > limit.base_mm + 1e-6)
        .collect();
    if let Some(shortest) = coarse.iter().map(|c| c.1).max_by(f64::total_cmp) {
        let ways: Vec<&str> = coarse.iter().map(|c| c.0).collect();
        return Err(format!(
            "readings this far apart see no wave shorter than {}; take readings each {} {}",
            on.units.place(shortest),
            on.units.place(limit.base_mm / 2.0),
            ways.join(" and ")
        ));
    }
    match on.widest_gauge_mm {
        Some(base) if limit.base_mm > GAUGE_REACH * base + 1e-6 => Err(format!(
            "a wave gauge with feet {} apart is nearly blind to waves that long; take some placings with a straightedge",
            on.units.place(base)
        )),
        _ => Ok(()),
    }
}

fn tool_everywhere(
    on: &Judging,
    rehearsals: &[Drawn],
    quantity: Quantity,
    base_mm: f64,
) -> Option<Judged> {
    let lay = |dev: &Array2<f64>, step: f64| -> Option<(Array2<f64>, Array2<u8>)> {
        match quantity {
            Quantity::Gap => edge::gaps(dev, step, base_mm).map(|m| (m.gap, m.direction)),
            Quantity::Swing => edge::swings(dev, step, base_mm).map(|m| (m.value, m.direction)),
            Quantity::Slope => edge::slopes(dev, step, base_mm).map(|m| (m.value, m.direction)),
        }
    };
    let known = |state: NodeState, distance: f64| state != NodeState::Outside && distance <= FAR_MM;
    let fairness = Array2::from_shape_fn(on.nodes.fairness.dim(), |n| {
        if known(on.nodes.state[n], on.nodes.reading_distance[n]) {
            on.nodes.fairness[n]
        } else {
            f64::NAN
        }
    });
    let (fine, direction) = lay(&fairness, on.nodes.grid.step_mm)?;
    let (nx, ny) = (on.coarse.nx, on.coarse.ny);
    let open: Vec<bool> = (0..nx * ny)
        .map(|k| {
            let (x, y) = (on.coarse.x(k % nx), on.coarse.y(k / nx));
            on.panel.contains(x, y) && on.reach.distance(x, y) <= FAR_MM
        })
        .collect();
    let coarse_of = |step: Option<Vec<f64>>| {
        let deviation = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
            let k = iy * nx + ix;
            if open[k] {
                on.coarse_fairness[k] + step.as_ref().map_or(0.0, |s| s[k])
            } else {
                f64::NAN
            }
        });
        lay(&deviation, on.coarse.step_mm).map(|m| m.0)
    };
    let coarse = coarse_of(None).unwrap_or_else(|| Array2::from_elem((ny, nx), f64::NAN));
    let draws = (0..DRAWS.min(on.cloud.steps.len()))
        .into_par_iter()
        .filter_map(|k| coarse_of(Some(on.cloud.step(k))))
        .collect();
    let over = |deviation: &[f64]| {
        let values = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
            let k = iy * nx + ix;
            if open[k] { deviation[k] } else { f64::NAN }
        });
        lay(&values, on.coarse.step_mm).map(|m| m.0)
    };
    let rehearsed = rehearsals
        .par_iter()
        .filter_map(|d| Some([over(&d.fairness[1])?, over(&d.fairness[0])?]))
        .collect();
    Some(Judged {
        quantity,
        base_mm,
        fine,
        direction,
        coarse,
        draws,
        rehearsed,
    })
}

/// Mean and standard deviation of some values.
fn spread(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    let n = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / n.max(1.0);
    let square = values.map(|v| (v - mean).powi(2)).sum::<f64>();
    (mean, (square / (n - 1.0).max(1.0)).sqrt())
}

/// Low end of the tool's value at each coarse node: the draws' mean less t times their spread, never above what was found.
fn low_ends(judged: &Judged) -> Array2<f64> {
    Array2::from_shape_fn(judged.coarse.dim(), |n| {
        let (mean, sd) = spread(judged.draws.iter().map(|d| d[n]));
        (mean - T_DRAWS * sd).min(judged.coarse[n]).max(0.0)
    })
}

fn result(
    on: &Judging,
    zone: Option<usize>,
    limit: &Limit,
    judged: &Judged,
    lows: usize,
) -> LimitResult {
    let grid = on.nodes.grid;
    let here = |x: f64, y: f64| zone_at(on.panel, x, y) == zone;
    let (mut worst, mut at) = (f64::NEG_INFINITY, None);
    let (mut within, mut area, mut blank, mut all) = (0.0, 0.0, 0.0, 0.0);
    for (n, value) in judged.fine.indexed_iter() {
        if !here(grid.x(n.1), grid.y(n.0)) {
            continue;
        }
        all += on.areas_mm2[n];
        if on.nodes.state[n] == NodeState::Unmeasured {
            blank += on.areas_mm2[n];
        }
        if value.is_nan() {
            continue;
        }
        area += on.areas_mm2[n];
        if *value <= limit.max {
            within += on.areas_mm2[n];
        }
        if *value > worst {
            (worst, at) = (*value, Some(n));
        }
    }
    let Some(at) = at else {
        return not_checked(
            on,
            zone,
            limit,
            "no measured place is large enough to lay this base on".to_string(),
        );
    };
    let coarse = |map: &Array2<f64>| -> f64 {
        map.indexed_iter()
            .filter(|((iy, ix), v)| !v.is_nan() && here(on.coarse.x(*ix), on.coarse.y(*iy)))
            .map(|(_, v)| *v)
            .fold(0.0, f64::max)
    };
    let place = [grid.x(at.1), grid.y(at.0)];
    let nearest = (
        ((place[1] / on.coarse.step_mm).round() as usize).min(on.coarse.ny - 1),
        ((place[0] / on.coarse.step_mm).round() as usize).min(on.coarse.nx - 1),
    );
    let (mean, sd) = spread(judged.draws.iter().map(|d| d[nearest]));
    let (top, top_sd) = {
        let tops: Vec<f64> = judged.draws.iter().map(coarse).collect();
        spread(tops.iter().copied())
    };
    let there = worst - judged.coarse[nearest];
    let mut low = if mean.is_finite() && there.is_finite() {
        (mean - T_DRAWS * sd + there).clamp(0.0, worst)
    } else {
        0.0
    };
    // Sharp places between the lines are found too low: how much, the rehearsals' worst values tell. As a ratio where there are lows,
    // which are found lower the deeper they are; where there is only noise, as a ratio or a difference, whichever is less.
    let worsts: Vec<[f64; 2]> = judged
        .rehearsed
        .iter()
        .map(|pair| pair.each_ref().map(coarse))
        .filter(|[found, truth]| *found > 0.0 && *truth > 0.0)
        .collect();
    let wider = t_over_normal(lows);
    let by_ratio = {
        let logs: Vec<f64> = worsts.iter().map(|[f, t]| (t / f).ln()).collect();
        let by = Spread::careful(&logs);
        worst * (by.middle + wider * by.reach).exp()
    };
    let by_difference = {
        let differences: Vec<f64> = worsts.iter().map(|[f, t]| t - f).collect();
        let by = Spread::careful(&differences);
        worst + by.middle + wider * by.reach
    };
    let missed = if lows > 0 {
        by_ratio
    } else {
        by_ratio.min(by_difference)
    };
    let high = (top + T_DRAWS * top_sd + worst - coarse(&judged.coarse))
        .max(missed)
        .max(worst);
    let mut remedy = String::new();
    let mut state = if high <= limit.max {
        LimitState::Met
    } else if low > limit.max {
        LimitState::Exceeded
    } else {
        LimitState::Unsure
    };
    if !low.is_finite() {
        low = 0.0;
    }
    let blank = blank / all.max(1.0);
    let unseen = on.sight.blind_mm.iter().rev().find(|wave| {
        let shortest = on.sight.shortest_mm().unwrap_or(f64::INFINITY);
        **wave <= limit.base_mm && **wave >= shortest - 1e-6
    });
    if let (LimitState::Met, Some(wave)) = (state, unseen) {
        return not_checked(
            on,
            zone,
            limit,
            format!(
                "the wave gauge is blind to waves of {}, and no other tool was used; take some placings with a straightedge or \
                 with feet another distance apart",
                on.units.place(*wave)
            ),
        );
    }
    if state == LimitState::Met && on.reach.one_way() {
        state = LimitState::Unsure;
        remedy = on.sight.untied.first().cloned().unwrap_or_default();
    } else if state == LimitState::Met && blank > MOST_UNMEASURED {
        state = LimitState::Unsure;
        remedy = format!(
            "within the limit where it is measured, but {:.0} % of the {} is not measured",
            (100.0 * blank).max(1.0),
            zone.map_or("panel".to_string(), |k| format!(
                "zone {}",
                on.panel.zones[k].name
            )),
        );
    } else if state == LimitState::Unsure {
        remedy = format!(
            "the interval straddles the limit; lay the edge over x {}, y {} both ways",
            on.units.bare_place(place[0]),
            on.units.bare_place(place[1])
        );
    }
    let direction = judged.direction[at];
    LimitResult {
        limit: limit.clone(),
        zone: zone.map(|k| on.panel.zones[k].name.clone()),
        worst: Interval {
            value: worst,
            low,
            high,
        },
        worst_at: place,
        direction_deg: if direction == NO_DIRECTION {
            f64::NAN
        } else {
            edge::direction_deg(direction).unwrap_or(f64::NAN)
        },
        state,
        share_within: if area > 0.0 { within / area } else { 0.0 },
        remedy,
    }
}

fn not_checked(on: &Judging, zone: Option<usize>, limit: &Limit, remedy: String) -> LimitResult {
    LimitResult {
        limit: limit.clone(),
        zone: zone.map(|k| on.panel.zones[k].name.clone()),
        worst: Interval {
            value: f64::NAN,
            low: f64::NAN,
            high: f64::NAN,
        },
        worst_at: [f64::NAN; 2],
        direction_deg: f64::NAN,
        state: LimitState::NotChecked,
        share_within: f64::NAN,
        remedy,
    }
}
