//! The chance that a limit is exceeded somewhere, and the place that most of it lies at.
//!
//! How far the true worst lies from the found one is told by the draws: the worst of each,
//! anywhere, less the worst found, on the same nodes. That difference hardly depends on how large
//! the worst is, so it is taken as a difference and not as a ratio. Draws are a little too sure of
//! it: what lies between knots and in the rounding of readings, about a reading's noise, is added.
//! With the median m of the differences and their 5 and 95 % quantiles, each widened so, the error
//! is taken for two halves of a normal distribution; the chance that the limit is exceeded is that
//! of an error larger than limit − found. A limit is called met or exceeded at a risk of 5 % either
//! way: a guard band as in ISO 14253-1, a conformance probability as in JCGM 106 (from memory,
//! both).

use crate::panel::Panel;
use crate::units::Units;

/// Risk of either call.
pub const RISK: f64 = 0.05;
/// One-sided 5 % of the normal distribution.
const Z: f64 = 1.645;
/// A place this near to the edge is told as the edge, mm.
const RIM_MM: f64 = 100.0;
/// Worst places of draws this near to each other are one place, mm.
const NEAR_MM: f64 = 150.0;
/// Places of an edge are told in steps of this, mm.
const STEP_MM: f64 = 50.0;
/// Where hardly a draw exceeds the limit, this share of the draws, the highest, tells of the place.
const HIGHEST: f64 = 0.1;
/// Chances below this are not told.
const LEAST_TOLD: f64 = 0.01;

/// A worst value and where it lies, mm.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Top {
    /// The value.
    pub value: f64,
    /// Where it lies.
    pub at: [f64; 2],
}

/// Quantiles of true less found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Errors {
    /// 5 %.
    pub low: f64,
    /// 50 %.
    pub middle: f64,
    /// 95 %.
    pub high: f64,
}

impl Errors {
    /// From the draws' worst less the found worst; `floor` is what no draw tells of it, one
    /// standard deviation. Without draws nothing is known: infinite.
    pub fn of(differences: &[f64], floor: f64) -> Self {
        let mut sorted: Vec<f64> = differences
            .iter()
            .copied()
            .filter(|d| d.is_finite())
            .collect();
        sorted.sort_by(f64::total_cmp);
        let Some(last) = sorted.len().checked_sub(1) else {
            return Errors {
                low: f64::NEG_INFINITY,
                middle: 0.0,
                high: f64::INFINITY,
            };
        };
        let quantile = |share: f64| {
            let at = share * last as f64;
            let (below, above) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
            below + (above - below) * at.fract()
        };
        let middle = quantile(0.5);
        let wider = |half: f64| half.hypot(Z * floor);
        Errors {
            low: middle - wider(middle - quantile(RISK)),
            middle,
            high: middle + wider(quantile(1.0 - RISK) - middle),
        }
    }

    /// The 95 % point, widened by an error of this standard deviation that lies on the high side
    /// only.
    pub fn with_high(&self, sd: f64) -> f64 {
        self.middle + (self.high - self.middle).hypot(Z * sd)
    }

    /// The chance that the true worst exceeds a limit, 0…1.
    pub fn exceeds(&self, found: f64, limit: f64) -> f64 {
        let error = limit - found - self.middle;
        let half = if error > 0.0 {
            self.high - self.middle
        } else {
            self.middle - self.low
        };
        if !half.is_finite() {
            return 0.5;
        }
        let z = Z * error / half.max(1e-9);
        0.5 * libm::erfc(z / std::f64::consts::SQRT_2)
    }
}

/// Where most of the chance of exceeding lies.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubt {
    /// Middle of the place, mm.
    pub at: [f64; 2],
    /// Chance that the limit is exceeded there, 0…1.
    pub p: f64,
    /// Along an edge of the panel: which axis that runs along (0 x, 1 y), and from where to where,
    /// mm.
    pub along: Option<(usize, [f64; 2])>,
    /// "right edge, y 0-300: 1 in 4 that it is over".
    pub words: String,
    /// "two placings along the edge".
    pub remedy: String,
}

impl Doubt {
    /// From the draws' worst values; `p` is the chance that the limit is exceeded anywhere. `None`
    /// where that is next to nothing.
    pub fn of(panel: &Panel, tops: &[Top], limit: f64, p: f64, units: Units) -> Option<Doubt> {
        let mut sorted: Vec<&Top> = tops.iter().filter(|t| t.value > 0.0).collect();
        sorted.sort_by(|a, b| b.value.total_cmp(&a.value));
        let share = |of: f64| ((of * sorted.len() as f64).ceil() as usize).min(sorted.len());
        let over = sorted.iter().filter(|t| t.value > limit).count();
        let counted = &sorted[..if over >= share(RISK) {
            over
        } else {
            share(HIGHEST)
        }];
        let near = |a: &Top| {
            let apart = |b: &&&Top| (a.at[0] - b.at[0]).hypot(a.at[1] - b.at[1]) <= NEAR_MM;
            counted.iter().filter(apart).count()
        };
        // The first of equals is the highest.
        let best = counted
            .iter()
            .enumerate()
            .max_by(|a, b| near(a.1).cmp(&near(b.1)).then(b.0.cmp(&a.0)))?
            .1;
        let p = p * near(best) as f64 / counted.len() as f64;
        if p.is_nan() || p < LEAST_TOLD {
            return None;
        }
        let at = best.at;
        let bounds = panel.outline.bounds();
        let sides = [
            ("left", 1, at[0] - bounds[0]),
            ("right", 1, bounds[2] - at[0]),
            ("bottom", 0, at[1] - bounds[1]),
            ("top", 0, bounds[3] - at[1]),
        ];
        let side = sides
            .into_iter()
            .min_by(|a, b| a.2.total_cmp(&b.2))
            .filter(|s| s.2 <= RIM_MM && panel.outline.distance_to_edge(at[0], at[1]) <= RIM_MM);
        let place = |v: f64| units.bare_place(v);
        let chance = chance(p);
        Some(match side {
            Some((name, axis, _)) => {
                let (from, to) = (bounds[axis], bounds[axis + 2]);
                let span = [
                    ((at[axis] - NEAR_MM) / STEP_MM).round() * STEP_MM,
                    ((at[axis] + NEAR_MM) / STEP_MM).round() * STEP_MM,
                ]
                // Rounding gives −0, which prints its sign.
                .map(|v| v.clamp(from, to) + 0.0);
                Doubt {
                    at,
                    p,
                    along: Some((axis, span)),
                    words: format!(
                        "{name} edge, {} {}-{}: {chance} that it is over",
                        ["x", "y"][axis],
                        place(span[0]),
                        place(span[1])
                    ),
                    remedy: "two placings along the edge, 20 mm and 60 mm in".into(),
                }
            }
            None => Doubt {
                at,
                p,
                along: None,
                words: format!(
                    "x {}, y {}: {chance} that it is over",
                    place(at[0]),
                    place(at[1])
                ),
                remedy: "two placings crossing there".into(),
            },
        })
    }
}

/// "1 in 4", "9 in 10".
pub fn chance(p: f64) -> String {
    if p > 0.95 {
        "all but sure".into()
    } else if p > 0.55 {
        format!("{:.0} in 10", (10.0 * p).min(9.0))
    } else {
        format!("1 in {:.0}", (1.0 / p.max(0.001)).max(2.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::panel::file;

    #[test]
    fn a_quantile_away_is_a_risk_of_one_in_twenty() {
        let differences: Vec<f64> = (0..=100).map(|k| f64::from(k) / 1000.0).collect();
        let errors = Errors::of(&differences, 0.0);
        assert!((errors.low - 0.005).abs() < 1e-9 && (errors.high - 0.095).abs() < 1e-9);
        assert!((errors.exceeds(0.2, 0.295) - 0.05).abs() < 1e-3);
        assert!((errors.exceeds(0.3, 0.305) - 0.95).abs() < 1e-3);
        assert!((errors.exceeds(0.25, 0.3) - 0.5).abs() < 1e-9);
        // What draws do not tell adds in squares.
        let wider = Errors::of(&differences, 0.1);
        assert!((wider.high - 0.05 - 0.045f64.hypot(0.1645)).abs() < 1e-9);
        assert!((wider.with_high(0.0) - wider.high).abs() < 1e-12);
        assert!((errors.with_high(0.1) - 0.05 - 0.045f64.hypot(0.1645)).abs() < 1e-9);
        assert_eq!(Errors::of(&[], 0.1).exceeds(0.1, 0.3), 0.5);
    }

    #[test]
    fn the_place_is_where_most_draws_exceed() {
        let text = "name = \"p\"\nlength = 1200\nwidth = 900\nform = \"flat\"\n[[limit]]\nbase = 300\ngap = 0.3\n";
        let Ok((panel, _)) = file::parse(text, "panel.toml") else {
            panic!("a sound panel");
        };
        let top = |value: f64, x: f64, y: f64| Top { value, at: [x, y] };
        let mut tops = vec![top(0.2, 600.0, 400.0); 60];
        tops.extend([
            top(0.35, 1180.0, 140.0),
            top(0.31, 1190.0, 180.0),
            top(0.33, 1170.0, 220.0),
            top(0.5, 500.0, 500.0),
        ]);
        let doubt = Doubt::of(&panel, &tops, 0.3, 0.25, Units::Metric);
        let words = doubt.as_ref().map(|d| d.words.as_str());
        assert_eq!(words, Some("right edge, y 0-300: 1 in 5 that it is over"));
        assert!(doubt.is_some_and(|d| d.along.is_some_and(|(axis, _)| axis == 1)));
        assert!(Doubt::of(&panel, &tops, 0.3, 0.001, Units::Metric).is_none());
        assert_eq!(
            (chance(0.25), chance(0.8)),
            ("1 in 4".into(), "8 in 10".into())
        );
    }
}
