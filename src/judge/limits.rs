//! Limits judged with a virtual tool laid everywhere, in all directions, on the deviation from the
//! fair shape.
//!
//! The worst found value comes from the fine node grid. Two different things are asked about it.
//! How bad is it *there*: the draws at that place tell, and that is its interval. How bad could it
//! be *anywhere*: the worst of each draw tells, since what was found the worst place need not be
//! ([`super::risk`]). A limit is met or exceeded when the chance of the contrary is 5 % or less;
//! else the place that most of the chance lies at is named. What no reading could have seen is no
//! part of either, and is told as a width ([`super::blind`]).

use super::blind::Blind;
use super::cloud::Cloud;
use super::edge::{self, NO_DIRECTION};
use super::nodes::{FAR_MM, Reach};
use super::raw::Readings;
use super::risk::{Doubt, Errors, RISK, Top};
use super::verdict::MOST_UNMEASURED;
use super::{Grid, Interval, LimitResult, LimitState, NodeState, Nodes, Sight};
use crate::panel::{Limit, Panel, Quantity};
use crate::units::Units;
use ndarray::Array2;
use rayon::prelude::*;

/// Draws that are judged.
const DRAWS: usize = 64;
/// 97.5 % point of the normal distribution, by how much the draws are too sure of a place (chosen
/// on simulated panels).
const Z: f64 = 1.96 * 1.1;
/// What no draw tells of a worst value, one standard deviation over a reading's noise (chosen on
/// simulated panels, docs/decisions.md).
const BEYOND_DRAWS: f64 = 1.0;
/// Share of what a worst value exceeds its limit by that the found surface may have smoothed away,
/// one standard deviation (chosen on simulated panels, docs/decisions.md). What is near the limit
/// is told by the draws as it is.
const SMOOTHED_AWAY: f64 = 0.2;
/// The same at the place that was found worst, where the readings are known to have met it.
const SMOOTHED_AT_ITS_PLACE: f64 = 0.05;
/// Places at which it is asked what would be missed, mm apart.
const BLIND_STEP_MM: f64 = 25.0;

/// Values of one tool on one base: on the fine grid, and on the coarse one for the found surface
/// and the draws.
struct Judged {
    quantity: Quantity,
    base_mm: f64,
    fine: Array2<f64>,
    direction: Array2<u8>,
    coarse: Array2<f64>,
    draws: Vec<Array2<f64>>,
    /// The same panel read again.
    again: Vec<Array2<f64>>,
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
    /// What the surface would differ by if the same panel were read again, see
    /// [`crate::fit::Surface::again`].
    pub again: &'a [Vec<f64>],
    /// Where readings lie.
    pub reach: &'a Reach,
    /// What the survey sees.
    pub sight: &'a Sight,
    /// What it would miss.
    pub blind: &'a Blind<'a>,
    /// Coat that nothing was read at: its middle and width, mm.
    pub unread_coat: Option<([f64; 2], f64)>,
    /// The readings themselves.
    pub readings: &'a Readings,
    /// Noise of a reading of the tool that was used least finely, mm.
    pub noise_mm: f64,
    /// Base of the widest wave gauge where there is no other tool, mm.
    pub widest_gauge_mm: Option<f64>,
    /// Units of the sentences.
    pub units: Units,
}

impl Judging<'_> {
    /// What no draw tells of a worst value, one standard deviation: about the noise of a reading.
    fn floor(&self, limit: &Limit) -> f64 {
        match limit.quantity {
            Quantity::Gap | Quantity::Swing => BEYOND_DRAWS * self.noise_mm,
            // Both ends of the base.
            Quantity::Slope => {
                BEYOND_DRAWS * self.noise_mm * std::f64::consts::SQRT_2 / limit.base_mm * 1000.0
            }
        }
    }
}

/// How far limits are exceeded at a place, at the favourable end.
pub struct Favourable {
    grid: Grid,
    /// For each checked limit: its most, its zone, and the low end of its value at each coarse
    /// node.
    limits: Vec<(f64, Option<usize>, Array2<f64>)>,
}

impl Favourable {
    /// Whether some limit is exceeded even at the favourable end at one of the coarse nodes for
    /// which `inside` holds.
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
pub fn judge(on: &Judging) -> (Vec<LimitResult>, Favourable) {
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
        .filter_map(|&(quantity, base)| tool_everywhere(on, quantity, base))
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
                    result(on, zone, limit, judged)
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

/// A gauge answers a wave eight bases long with 1 − cos(π/8) of its height, 8 %: a limit over more
/// than four bases, which is about waves of twice its base, is beyond it.
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

fn tool_everywhere(on: &Judging, quantity: Quantity, base_mm: f64) -> Option<Judged> {
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
    let again = on
        .again
        .par_iter()
        .filter_map(|step| coarse_of(Some(on.cloud.other_step(step))))
        .collect();
    Some(Judged {
        quantity,
        base_mm,
        fine,
        direction,
        coarse,
        draws,
        again,
    })
}

/// Mean and standard deviation of some values.
fn spread(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    let n = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / n.max(1.0);
    let square = values.map(|v| (v - mean).powi(2)).sum::<f64>();
    (mean, (square / (n - 1.0).max(1.0)).sqrt())
}

/// Low end of the tool's value at each coarse node: the draws' mean less their spread, never above
/// what was found.
fn low_ends(judged: &Judged) -> Array2<f64> {
    Array2::from_shape_fn(judged.coarse.dim(), |n| {
        let (mean, sd) = spread(judged.draws.iter().map(|d| d[n]));
        (mean - Z * sd).min(judged.coarse[n]).max(0.0)
    })
}

/// One limit in one zone (`None`: the panel outside all zones), with the values of its tool.
struct OneLimit<'a> {
    on: &'a Judging<'a>,
    zone: Option<usize>,
    limit: &'a Limit,
    judged: &'a Judged,
}

/// What the fine values of one limit come to over its zone.
struct Over {
    /// Largest value and its node.
    worst: f64,
    at: (usize, usize),
    /// Share of the measured area within the limit.
    share_within: f64,
    /// Share of the zone that is not measured.
    blank: f64,
}

fn result(on: &Judging, zone: Option<usize>, limit: &Limit, judged: &Judged) -> LimitResult {
    let one = OneLimit {
        on,
        zone,
        limit,
        judged,
    };
    match one.over() {
        Some(over) => one.result(&over),
        None => not_checked(
            on,
            zone,
            limit,
            "no measured place is large enough to lay this base on".to_string(),
        ),
    }
}

impl OneLimit<'_> {
    fn here(&self, x: f64, y: f64) -> bool {
        zone_at(self.on.panel, x, y) == self.zone
    }

    fn over(&self) -> Option<Over> {
        let (on, grid) = (self.on, self.on.nodes.grid);
        let (mut worst, mut at) = (f64::NEG_INFINITY, None);
        let (mut within, mut area, mut blank, mut all) = (0.0, 0.0, 0.0, 0.0);
        for (n, value) in self.judged.fine.indexed_iter() {
            if !self.here(grid.x(n.1), grid.y(n.0)) {
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
            if *value <= self.limit.max {
                within += on.areas_mm2[n];
            }
            if *value > worst {
                (worst, at) = (*value, Some(n));
            }
        }
        Some(Over {
            worst,
            at: at?,
            share_within: if area > 0.0 { within / area } else { 0.0 },
            blank: blank / all.max(1.0),
        })
    }

    /// The largest value of a map on the coarse grid.
    fn top(&self, map: &Array2<f64>) -> Top {
        let coarse = self.on.coarse;
        map.indexed_iter()
            .filter(|((iy, ix), v)| !v.is_nan() && self.here(coarse.x(*ix), coarse.y(*iy)))
            .fold(Top::default(), |best, ((iy, ix), v)| {
                if *v > best.value {
                    Top {
                        value: *v,
                        at: [coarse.x(ix), coarse.y(iy)],
                    }
                } else {
                    best
                }
            })
    }

    fn result(&self, over: &Over) -> LimitResult {
        let OneLimit {
            on,
            zone,
            limit,
            judged,
        } = *self;
        let grid = on.nodes.grid;
        let place = [grid.x(over.at.1), grid.y(over.at.0)];
        let tops: Vec<Top> = judged.draws.par_iter().map(|map| self.top(map)).collect();
        let found_top = self.top(&judged.coarse).value;
        let leads: Vec<f64> = tops.iter().map(|t| t.value - found_top).collect();
        let errors = Errors::of(&leads, on.floor(limit));
        let p_exceeds = errors.exceeds(over.worst, limit.max);
        let excess = (over.worst - limit.max).max(0.0);
        let anywhere = over.worst + errors.with_high(SMOOTHED_AWAY * excess);
        let local = self.local(place, over.worst, SMOOTHED_AT_ITS_PLACE * excess);
        let (blind_mm, blind_at) = on
            .blind
            .widths(on.panel, on.reach, limit, BLIND_STEP_MM)
            .worst(&|p| self.here(p[0], p[1]))
            .unwrap_or((f64::NAN, [f64::NAN; 2]));
        let direction = judged.direction[over.at];
        let mut told = LimitResult {
            limit: limit.clone(),
            zone: zone.map(|k| on.panel.zones[k].name.clone()),
            worst: local,
            worst_at: place,
            direction_deg: if direction == NO_DIRECTION {
                f64::NAN
            } else {
                edge::direction_deg(direction).unwrap_or(f64::NAN)
            },
            p_exceeds,
            could_be: anywhere.max(local.high),
            repeats: spread(judged.again.iter().map(|map| self.top(map).value)).1,
            blind_mm,
            blind_at,
            doubt: Doubt::of(on.panel, &tops, limit.max, p_exceeds, on.units),
            state: if p_exceeds <= RISK {
                LimitState::Met
            } else if p_exceeds >= 1.0 - RISK {
                LimitState::Exceeded
            } else {
                LimitState::Unsure
            },
            share_within: over.share_within,
            remedy: String::new(),
        };
        match told.state {
            LimitState::Met => {
                if let Some(wave) = self.unseen_wave() {
                    return not_checked(on, zone, limit, blind_gauge(wave, on.units));
                }
                // Nothing was found, and a dip as wide as the base itself could be there: that is
                // no check.
                if blind_mm.is_nan() || blind_mm > limit.base_mm {
                    told.state = LimitState::NotChecked;
                    told.remedy = too_blind(on, limit, blind_mm, blind_at);
                } else if let Some(remedy) = self.open_though_met(over.blank) {
                    told.state = LimitState::Unsure;
                    told.remedy = remedy;
                }
            }
            LimitState::Unsure => told.remedy = self.undecided(told.doubt.as_ref(), place),
            LimitState::Exceeded | LimitState::NotChecked => {}
        }
        told
    }

    /// The worst value at its own place: what was found there, and how far the draws lie from that
    /// just there. `smoothed_away` is an error that lies above only, one standard deviation.
    fn local(&self, place: [f64; 2], worst: f64, smoothed_away: f64) -> Interval {
        let (coarse, judged) = (self.on.coarse, self.judged);
        let nearest = (
            ((place[1] / coarse.step_mm).round() as usize).min(coarse.ny - 1),
            ((place[0] / coarse.step_mm).round() as usize).min(coarse.nx - 1),
        );
        let (mean, sd) = spread(judged.draws.iter().map(|d| d[nearest]));
        let found = judged.coarse[nearest];
        if !mean.is_finite() || !found.is_finite() {
            return Interval {
                value: worst,
                low: 0.0,
                high: f64::INFINITY,
            };
        }
        let half = Z * sd.hypot(self.on.floor(self.limit));
        // Gaps cannot be below 0, so draws about a small one lie above it on average.
        let middle = worst + mean - found;
        Interval {
            value: worst,
            low: (middle - half).clamp(0.0, worst),
            high: (middle + half.hypot(Z * smoothed_away)).max(worst),
        }
    }

    /// A wave no longer than the base that the only tool is blind to, mm.
    fn unseen_wave(&self) -> Option<f64> {
        let sight = self.on.sight;
        let shortest = sight.shortest_mm().unwrap_or(f64::INFINITY);
        let mut waves = sight.blind_mm.iter().rev().copied();
        waves.find(|wave| *wave <= self.limit.base_mm && *wave >= shortest - 1e-6)
    }

    /// What keeps a limit open that is met wherever it was looked at.
    fn open_though_met(&self, blank: f64) -> Option<String> {
        let (on, units) = (self.on, self.on.units);
        if on.reach.one_way() {
            return Some(on.sight.untied.first().cloned().unwrap_or_default());
        }
        if blank > MOST_UNMEASURED {
            let zone = |k: usize| format!("zone {}", on.panel.zones[k].name);
            return Some(format!(
                "within the limit where it is measured, but {:.0} % of the {} is not measured",
                (100.0 * blank).max(1.0),
                self.zone.map_or("panel".to_string(), zone),
            ));
        }
        if let Some((at, width)) = on.unread_coat
            && self.here(at[0], at[1])
        {
            return Some(format!(
                "coat is left at x {}, y {}, {} wide, and no reading tells how low it is: lay the edge over it",
                units.bare_place(at[0]),
                units.bare_place(at[1]),
                units.place(width)
            ));
        }
        on.readings
            .breaks(self.limit, &|p| self.here(p[0], p[1]), units)
    }

    fn undecided(&self, doubt: Option<&Doubt>, place: [f64; 2]) -> String {
        let units = self.on.units;
        doubt.map_or_else(
            || {
                format!(
                    "the readings do not decide; lay the edge over x {}, y {} both ways",
                    units.bare_place(place[0]),
                    units.bare_place(place[1])
                )
            },
            |d| format!("{}; {}", d.words, d.remedy),
        )
    }
}

fn blind_gauge(wave_mm: f64, units: Units) -> String {
    format!(
        "the wave gauge is blind to waves of {}, and no other tool was used; take some placings with a straightedge or \
         with feet another distance apart",
        units.place(wave_mm)
    )
}

/// Why a limit is not checked by readings so far apart, and what would.
fn too_blind(on: &Judging, limit: &Limit, blind_mm: f64, at: [f64; 2]) -> String {
    if !blind_mm.is_finite() {
        return "no reading is near enough to tell anything".into();
    }
    let lines = lines_for(on.reach.distance(at[0], at[1]), blind_mm, limit.base_mm);
    format!(
        "a dip of just the limit {} wide could lie unseen at x {}, y {}, and that is wider than the base; take lines each {}",
        on.units.place(blind_mm),
        on.units.bare_place(at[0]),
        on.units.bare_place(at[1]),
        on.units.place(lines)
    )
}

/// Distance of lines at which nothing wider than half a base would be missed, mm, from what is
/// missed `away_mm` from a reading: the width grows about as that distance does. Multiples of 25
/// mm, 25 at least.
pub(super) fn lines_for(away_mm: f64, blind_mm: f64, base_mm: f64) -> f64 {
    let lines = 2.0 * away_mm * (base_mm / 2.0) / blind_mm.max(1.0);
    ((lines / 25.0).floor() * 25.0).max(25.0)
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
        p_exceeds: f64::NAN,
        could_be: f64::NAN,
        repeats: f64::NAN,
        blind_mm: f64::NAN,
        blind_at: [f64::NAN; 2],
        doubt: None,
        state: LimitState::NotChecked,
        share_within: f64::NAN,
        remedy,
    }
}
