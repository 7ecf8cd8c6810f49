//! The price of each high: what each further 0.1 mm off it saves of filler, mass and hours.

use super::shop::Shop;
use super::ways::{Kind, Way};
use crate::judge::{Interval, Judgement, Region, RegionKind};
use serde::Serialize;

/// What a high costs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Price {
    /// "H1".
    pub name: String,
    /// Worst place, mm.
    pub at_mm: [f64; 2],
    /// How proud it stands, mm.
    pub proud_mm: f64,
    /// Whether taking more off is allowed: by the allowance or by known film.
    pub allowed: bool,
    /// Most that may come off at its worst place, mm.
    pub allowed_mm: f64,
    /// What this plan takes off, mm.
    pub comes_off_mm: f64,
    /// How much further off is told of below, mm: 0.1, or what is left of the high.
    pub further_mm: f64,
    /// Filler to level saved by each further 0.1 mm off, cc.
    pub saves_cc_per_tenth: f64,
    /// Its 95 % interval, cc.
    pub saves_low_cc: f64,
    /// Its 95 % interval, cc.
    pub saves_high_cc: f64,
    /// Mass saved on the panel by the same, g.
    pub saves_g_per_tenth: f64,
    /// Hands-on hours saved by the same, roughly: as spots' hours go with their filler, less
    /// sanding it off. Negative: it costs more.
    pub saves_h_per_tenth: f64,
    /// Filler saved by what this plan takes off, against leaving the high, cc; `None` where nothing
    /// is taken off.
    pub plan_saves_cc: Option<Interval>,
    /// "looks like a seam", or empty.
    pub looks_like: String,
    /// The amounts count on what comes off it, but substrate seems to show on it in a photo.
    pub substrate_shows: bool,
}

/// How far off the reference a high must still stand for a further tenth to be told, mm.
const LEFT_MM: f64 = 0.02;

/// All highs, dearest first. `way` is the one that is planned.
pub fn prices(j: &Judgement, way: Option<&Way>, shop: &Shop) -> Vec<Price> {
    let mut all: Vec<Price> = j
        .regions
        .iter()
        .filter(|r| r.kind == RegionKind::High)
        .filter_map(|r| price(r, way, shop))
        .collect();
    all.sort_by(|a, b| b.saves_cc_per_tenth.total_cmp(&a.saves_cc_per_tenth));
    all
}

fn price(r: &Region, way: Option<&Way>, shop: &Shop) -> Option<Price> {
    let saves = r.saves_cc_per_tenth?;
    let (g_per_cc, h_per_cc) = way.map_or((0.0, 0.0), |w| {
        let level = w.table.total.to_level_cc.value.max(1e-9);
        // Only spots shrink with the lows they fill; a coat over all is as large as before.
        let hours = if w.kind == Kind::SpotFill {
            w.filling_hours / level
        } else {
            0.0
        };
        (
            w.table.total.left_on_g.value / w.table.total.left_on_cc.value.max(1e-9),
            hours,
        )
    });
    let tenth_h = super::sanding::hours_off(r.area_cm2, 0.1, shop);
    Some(Price {
        name: r.name.clone(),
        at_mm: r.worst_at,
        proud_mm: r.worst_mm.value,
        allowed: r.saves_cc.is_some(),
        allowed_mm: r.allowed_mm,
        comes_off_mm: r.comes_off_mm,
        further_mm: (r.worst_mm.value - r.comes_off_mm).clamp(0.0, 0.1),
        saves_cc_per_tenth: saves.value,
        saves_low_cc: saves.low,
        saves_high_cc: saves.high,
        saves_g_per_tenth: saves.value * g_per_cc,
        saves_h_per_tenth: saves.value * h_per_cc - tenth_h,
        plan_saves_cc: r.saves_cc,
        looks_like: r.looks_like.clone(),
        substrate_shows: r.substrate_shows,
    })
}

impl Price {
    /// Whether more of it is left to come off than the plan takes.
    pub fn has_more(&self) -> bool {
        self.further_mm > LEFT_MM
    }
}
