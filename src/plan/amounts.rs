//! The four amounts, never one: to level, to spread, to mix, left on the panel; by low and in all,
//! each with its interval.

use super::recipe::Recipe;
use super::shop::Shop;
use super::spread::{Spread, Volumes};
use crate::judge::{Interval, Judgement};
use serde::Serialize;

/// How far a hand's overfill and feather may be off either way, as a share (common practice, no
/// source).
const HAND: f64 = 0.3;

/// The amounts of one low, or of all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Amounts {
    /// Up to the reference, cc.
    pub to_level_cc: Interval,
    /// Laid on: proud, feathered, and as much more as it shrinks, cc.
    pub to_spread_cc: Interval,
    /// Mixed: with what stays in pot and tools, cc.
    pub to_mix_cc: Interval,
    /// Sanded off again, cc.
    pub sanded_off_cc: Interval,
    /// On the panel after sanding, cc.
    pub left_on_cc: Interval,
    /// The same, g.
    pub left_on_g: Interval,
}

/// The amounts of one low.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    /// "L1"; "between the lows"; "what such a survey misses".
    pub name: String,
    /// Its amounts.
    #[serde(flatten)]
    pub amounts: Amounts,
}

/// Rows and their total.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Table {
    /// One a low, then what lies between, then what the survey misses. Values add to those of the
    /// total; intervals do not.
    pub rows: Vec<Row>,
    /// All together, with the interval that holds the true amount.
    pub total: Amounts,
}

/// What turns volumes on the panel into what is mixed and weighed.
#[derive(Clone, Copy, Debug)]
pub struct Stuff {
    /// Share lost by shrinking, 0 to 1.
    pub shrink: f64,
    /// Share of what is mixed that stays in pot and tools, 0 to 1.
    pub loss: f64,
    /// Density on the panel, g/cc.
    pub density_g_per_cc: f64,
}

impl Stuff {
    /// Of a recipe in a shop.
    pub fn new(recipe: &Recipe, shop: &Shop) -> Self {
        Stuff {
            shrink: recipe.shrink_percent.value / 100.0,
            loss: shop.pot_loss.value,
            density_g_per_cc: recipe.dry_density().value,
        }
    }

    /// Amounts for volumes whose level part has this interval. A hand's overfill is uncertain by
    /// itself; both come together as their squares do.
    pub fn amounts(&self, v: &Volumes, level: Interval) -> Amounts {
        let (down, up) = (v.level_cc - level.low, level.high - v.level_cc);
        let about = |value: f64, own: f64, hand: f64| Interval {
            value,
            low: (value - (down.max(0.0) * own).hypot(hand)).max(0.0),
            high: value + (up.max(0.0) * own).hypot(hand),
        };
        let hand = HAND * (v.cured_cc - v.level_cc).max(0.0);
        let grown = 1.0 / (1.0 - self.shrink);
        let mixed = grown / (1.0 - self.loss);
        let left = about(v.left_cc, 1.0, 0.0);
        Amounts {
            to_level_cc: Interval {
                value: v.level_cc,
                ..level
            },
            to_spread_cc: about(v.cured_cc * grown, grown, hand * grown),
            to_mix_cc: about(v.cured_cc * mixed, mixed, hand * mixed),
            sanded_off_cc: about(v.sanded_cc(), 0.0, hand),
            left_on_cc: left,
            left_on_g: Interval {
                value: left.value * self.density_g_per_cc,
                low: left.low * self.density_g_per_cc,
                high: left.high * self.density_g_per_cc,
            },
        }
    }

    /// The amounts of a spread, low by low.
    ///
    /// What such a survey misses of the lows it found ([`Judgement::most_likely_cc`] less what was
    /// found) stands in a row of its own, so that rows add to the total and every low has the
    /// volume that the map shows.
    pub fn table(&self, j: &Judgement, spread: &Spread) -> Table {
        let mut rows = Vec::new();
        for (region, v) in j.regions.iter().zip(&spread.by_region) {
            if v.cured_cc > 0.0 {
                rows.push(Row {
                    name: region.name.clone(),
                    amounts: self.amounts(v, region.volume_cc),
                });
            }
        }
        let sure = |cc: f64| Interval {
            value: cc,
            low: cc,
            high: cc,
        };
        if spread.between.cured_cc > 0.0 {
            rows.push(Row {
                name: "between the lows".into(),
                amounts: self.amounts(&spread.between, sure(0.0)),
            });
        }
        let mut all = spread.total();
        let found = j.to_level_cc.value;
        let share = if found > 0.0 {
            all.level_cc / found
        } else {
            0.0
        };
        let missed_cc = (j.most_likely_cc - found) * share;
        if missed_cc.abs() > 1e-9 {
            rows.push(Row {
                name: "what such a survey misses".into(),
                amounts: self.signed(missed_cc),
            });
            all.level_cc += missed_cc;
            all.cured_cc += missed_cc;
            all.left_cc += missed_cc;
        }
        let level = Interval {
            value: all.level_cc,
            low: (j.to_level_cc.low * share).min(all.level_cc),
            high: (j.to_level_cc.high * share).max(all.level_cc),
        };
        Table {
            rows,
            total: self.amounts(&all, level),
        }
    }

    /// A correction, which may be negative: nothing of it is sanded off.
    fn signed(&self, cc: f64) -> Amounts {
        let one = |value: f64| Interval {
            value,
            low: value,
            high: value,
        };
        let grown = cc / (1.0 - self.shrink);
        Amounts {
            to_level_cc: one(cc),
            to_spread_cc: one(grown),
            to_mix_cc: one(grown / (1.0 - self.loss)),
            sanded_off_cc: one(0.0),
            left_on_cc: one(cc),
            left_on_g: one(cc * self.density_g_per_cc),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_millimetre_over_a_square_metre_is_a_litre_and_amounts_follow_from_it() {
        // 1 mm over 1 m², 0.3 mm proud: 1000 cc to level, 1300 cured; 1 % shrink, 17.5 % loss.
        let stuff = Stuff {
            shrink: 0.01,
            loss: 0.175,
            density_g_per_cc: 0.5,
        };
        let v = Volumes {
            level_cc: 1e6 / 1000.0,
            cured_cc: 1.3e6 / 1000.0,
            left_cc: 1000.0,
            area_mm2: 1e6,
        };
        let sure = Interval {
            value: 1000.0,
            low: 1000.0,
            high: 1000.0,
        };
        let a = stuff.amounts(&v, sure);
        assert_eq!(a.to_level_cc.value, 1000.0);
        // 1300/0.99 = 1313.1; /0.825 = 1591.7; 500 g stay.
        assert!((a.to_spread_cc.value - 1313.131).abs() < 1e-3);
        assert!((a.to_mix_cc.value - 1591.674).abs() < 1e-3);
        assert_eq!(a.sanded_off_cc.value, 300.0);
        assert_eq!(a.left_on_g.value, 500.0);
        // The hand's 30 % of 300 cc alone.
        assert!((a.sanded_off_cc.high - 390.0).abs() < 1e-9);
    }
}
