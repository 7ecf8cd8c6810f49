//! Simulated panels whose form is not what was told, in closed form, and gentle ones beside them,
//! whose form is.
//!
//! Nothing here is measured. Each panel is made up from a seed; its survey is that of [`simulate`].
#![allow(dead_code)]

use super::simulate::{self, Bump, Kind, Seam, SurveyPlan};
use lowspot::observe::Survey;
use lowspot::panel::{Form, Panel};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

/// A shape that its told form does not fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Misfit {
    /// A wing skin with its nose on the panel, told ruled.
    Nose,
    /// A crowned roof with a soft ridge.
    SoftRidge,
    /// A fold of 3 to 15 degrees, told flat or crowned.
    Crease,
    /// A fair ruled section, told crowned.
    RuledAsCrowned,
    /// A door of which one edge is rolled over.
    RolledEdge,
}

impl Misfit {
    /// All of them.
    pub const ALL: [Misfit; 5] = [
        Misfit::Nose,
        Misfit::SoftRidge,
        Misfit::Crease,
        Misfit::RuledAsCrowned,
        Misfit::RolledEdge,
    ];
}

/// A made-up panel with its height and the plan of its survey.
pub struct Made {
    /// As told to the program.
    pub panel: Panel,
    /// The true surface.
    pub height: Box<dyn Fn(f64, f64) -> f64 + Sync + Send>,
    /// How it is read.
    pub plan: SurveyPlan,
    /// Where the misfit lies, mm across (x or y), where that has one number.
    pub at_mm: Option<f64>,
    /// What it is.
    pub what: String,
}

impl Made {
    /// Its survey.
    pub fn survey(&self, seed: u64) -> Survey {
        simulate::survey_of(&*self.height, &self.panel, &self.plan, seed + 5000)
    }
}

/// Upper skin of a symmetrical section of this chord and thickness ratio, mm above the chord, `s`
/// from the nose (the usual four-digit thickness polynomial; from memory).
pub fn section(s: f64, chord: f64, ratio: f64) -> f64 {
    let t = (s / chord).max(0.0);
    let sum = 0.2969 * t.sqrt() - 0.126 * t - 0.3516 * t.powi(2) + 0.2843 * t.powi(3)
        - 0.1015 * t.powi(4);
    5.0 * ratio * chord * sum
}

fn told(form: Form, length: f64, width: f64) -> Panel {
    let kind = match form {
        Form::Flat => Kind::Flat,
        Form::Crowned => Kind::Crowned,
        Form::RuledX | Form::RuledY => Kind::Ruled,
    };
    let mut panel = simulate::panel_sized(kind, length, width);
    panel.form = form;
    panel.form_wavelength_mm = form.wavelengths_mm();
    panel
}

/// A few ordinary defects, so that none of these panels is cleaner than a real one.
fn some(rng: &mut ChaCha8Rng, lows: usize, deepest: f64, size: [f64; 2]) -> Vec<Bump> {
    (0..lows)
        .map(|k| {
            let sigma = rng.random_range(40.0..105.0);
            let sign = if k % 4 == 3 { 0.3 } else { -1.0 };
            Bump {
                centre: [
                    size[0] * rng.random_range(0.08..0.92),
                    size[1] * rng.random_range(0.08..0.92),
                ],
                height_mm: sign * deepest * rng.random_range(0.2..1.0),
                sigma_mm: [sigma, sigma * rng.random_range(0.6..1.6)],
                angle: rng.random_range(0.0..3.1),
            }
        })
        .collect()
}

fn plan(rng: &mut ChaCha8Rng) -> SurveyPlan {
    SurveyPlan::straightedge([120.0, 150.0, 200.0][rng.random_range(0..3)])
}

/// A panel whose form is not what is told.
pub fn misfit(what: Misfit, seed: u64) -> Made {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let plan = plan(&mut rng);
    let rng = &mut rng;
    match what {
        Misfit::Nose => {
            let size = [
                rng.random_range(1500.0..2100.0),
                rng.random_range(600.0..800.0),
            ];
            let (chord, ratio) = (
                rng.random_range(1000.0..1400.0),
                rng.random_range(0.09..0.14),
            );
            let bumps = some(rng, 4, 0.8, size);
            Made {
                panel: told(Form::RuledX, size[0], size[1]),
                height: Box::new(move |x, y| section(y, chord, ratio) + sum(&bumps, x, y)),
                plan,
                at_mm: Some(0.0),
                what: format!("nose, chord {chord:.0}, thickness {ratio:.3}"),
            }
        }
        Misfit::SoftRidge => {
            let size = [
                rng.random_range(1400.0..1900.0),
                rng.random_range(900.0..1200.0),
            ];
            let at = size[1] * rng.random_range(0.35..0.65);
            let slope = rng.random_range(0.02..0.06);
            let soft = rng.random_range(40.0..120.0);
            let tilt = rng.random_range(-0.06..0.06);
            let bumps = some(rng, 5, 1.0, size);
            Made {
                panel: told(Form::Crowned, size[0], size[1]),
                height: Box::new(move |x, y| {
                    let (u, v) = (x / size[0] - 0.5, y / size[1] - 0.5);
                    let s = y - at - tilt * (x - size[0] / 2.0);
                    -60.0 * u * u - 20.0 * v * v - slope * s.hypot(soft) + sum(&bumps, x, y)
                }),
                plan,
                at_mm: Some(at),
                what: format!("soft ridge at y {at:.0}, slope {slope:.3}, over {soft:.0}"),
            }
        }
        Misfit::Crease => {
            let size = [
                rng.random_range(1200.0..1600.0),
                rng.random_range(800.0..1000.0),
            ];
            let across_x = rng.random_range(0..3) == 0;
            let breadth = size[usize::from(!across_x)];
            let at = breadth * rng.random_range(0.3..0.7);
            let degrees: f64 = rng.random_range(3.0..15.0);
            let sign = if rng.random_range(0..3) == 0 {
                1.0
            } else {
                -1.0
            };
            let half = sign * (degrees / 2.0).to_radians().tan();
            let form = [Form::Flat, Form::Crowned][rng.random_range(0..2)];
            let crown = if form == Form::Flat { 0.0 } else { 20.0 };
            let bumps = some(rng, 5, 1.0, size);
            Made {
                panel: told(form, size[0], size[1]),
                height: Box::new(move |x, y| {
                    let (u, v) = (x / size[0] - 0.5, y / size[1] - 0.5);
                    let s = if across_x { x - at } else { y - at };
                    half * s.abs() - crown * (u * u + v * v) + sum(&bumps, x, y)
                }),
                plan,
                at_mm: Some(at),
                what: format!(
                    "crease of {:.1} degrees at {} {at:.0}, told {form:?}",
                    sign * degrees,
                    if across_x { "x" } else { "y" }
                ),
            }
        }
        Misfit::RuledAsCrowned => {
            let size = [
                rng.random_range(1600.0..2400.0),
                rng.random_range(900.0..1050.0),
            ];
            let scale = rng.random_range(0.9..1.3);
            let bumps = some(rng, 5, 0.1, size);
            Made {
                panel: told(Form::Crowned, size[0], size[1]),
                height: Box::new(move |x, y| {
                    let t = y / size[1];
                    scale * (45.0 * (t + 0.15).sqrt() - 38.0 * t) + sum(&bumps, x, y)
                }),
                plan,
                at_mm: None,
                what: format!("ruled section {scale:.2}"),
            }
        }
        Misfit::RolledEdge => {
            let size = [
                rng.random_range(1500.0..2000.0),
                rng.random_range(700.0..900.0),
            ];
            let (over, drop) = (rng.random_range(50.0..110.0), rng.random_range(4.0..10.0));
            let bumps = some(rng, 5, 1.0, size);
            let form = [Form::Flat, Form::Crowned][rng.random_range(0..2)];
            let crown = if form == Form::Flat { 0.0 } else { 25.0 };
            Made {
                panel: told(form, size[0], size[1]),
                height: Box::new(move |x, y| {
                    let (u, v) = (x / size[0] - 0.5, y / size[1] - 0.5);
                    let in_edge = ((y - (size[1] - over)) / over).max(0.0);
                    -drop * in_edge * in_edge - crown * (u * u + v * v) + sum(&bumps, x, y)
                }),
                plan,
                at_mm: Some(size[1]),
                what: format!("edge rolled over by {drop:.1} within {over:.0}, told {form:?}"),
            }
        }
    }
}

fn sum(bumps: &[Bump], x: f64, y: f64) -> f64 {
    bumps.iter().map(|b| b.at(x, y)).sum()
}

/// A wing skin from some way behind its nose, told ruled: strong change of camber, and fair to be
/// judged.
pub fn behind_the_nose(seed: u64) -> Made {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let size = [2400.0, 920.0];
    let (chord, ratio) = (
        rng.random_range(1150.0..1500.0),
        rng.random_range(0.09..0.12),
    );
    let from = rng.random_range(120.0..200.0);
    let bumps = some(&mut rng, 8, 1.2, size);
    Made {
        panel: told(Form::RuledX, size[0], size[1]),
        height: Box::new(move |x, y| section(y + from, chord, ratio) + sum(&bumps, x, y)),
        plan: SurveyPlan::straightedge(150.0),
        at_mm: None,
        what: format!("{from:.0} behind the nose, chord {chord:.0}, thickness {ratio:.3}"),
    }
}

/// A gentle panel: flat, ruled or crowned as told, with defects up to 2 mm and lows on up to a
/// third of it. A part of them carry a print-through of stringers, a proud seam or a hollow edge.
pub fn gentle(seed: u64) -> Made {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let kind = Kind::ALL[(seed % 3) as usize];
    let size = match kind {
        Kind::Crowned => [
            rng.random_range(1200.0..1800.0),
            rng.random_range(900.0..1200.0),
        ],
        Kind::Flat => [
            rng.random_range(1000.0..1500.0),
            rng.random_range(700.0..900.0),
        ],
        Kind::Ruled => [
            rng.random_range(1500.0..2400.0),
            rng.random_range(800.0..1000.0),
        ],
    };
    let plan = plan(&mut rng);
    let lows = rng.random_range(0..10);
    let deepest = rng.random_range(0.05..2.0);
    let mut truth = simulate::truth_sized(kind, size[0], size[1], seed, 0.0);
    truth.bumps = some(&mut rng, lows, deepest, size);
    let mut what = format!("{kind:?}, {lows} bumps to {deepest:.2}");
    // One broad low, on up to a third of the panel.
    if seed % 4 == 1 {
        let share = rng.random_range(0.1..0.33);
        let depth = rng.random_range(0.4..2.0);
        let ratio: f64 = rng.random_range(0.5..2.0);
        // A Gaussian of this depth is deeper than 0.15 mm within so many of its standard
        // deviations.
        let reach = (2.0 * (depth / 0.15f64).ln()).sqrt();
        let area = share * size[0] * size[1];
        let sigma = (area / (std::f64::consts::PI * ratio)).sqrt() / reach;
        let sigma = sigma.min(0.3 * size[1] / ratio.max(1.0));
        truth.bumps.push(Bump {
            centre: [
                size[0] * rng.random_range(0.25..0.75),
                size[1] * rng.random_range(0.25..0.75),
            ],
            height_mm: -depth,
            sigma_mm: [sigma, sigma * ratio],
            angle: rng.random_range(0.0..3.1),
        });
        what += &format!(", broad low {depth:.2} on {:.0} %", 100.0 * share);
    }
    if seed % 8 == 2 {
        let at = size[0] * rng.random_range(0.3..0.7);
        let height = rng.random_range(0.2..0.6);
        truth.seams.push(Seam {
            x_mm: [at - 30.0, at + 30.0],
            y_mm: [-100.0, size[1] + 100.0],
            height_mm: height,
            feather_mm: 30.0,
        });
        what += &format!(", seam {height:.2}");
    }
    let wave = match seed % 8 {
        6 => Some((rng.random_range(250.0..420.0), rng.random_range(0.05..0.25))),
        _ => None,
    };
    if let Some((length, mm)) = wave {
        what += &format!(", print-through each {length:.0}, {mm:.2}");
    }
    let hollow = (seed % 8 == 7).then(|| {
        let (over, mm) = (rng.random_range(60.0..120.0), rng.random_range(0.2..0.8));
        what += &format!(", edge hungry by {mm:.2} within {over:.0}");
        (over, mm)
    });
    Made {
        panel: simulate::panel_sized(kind, size[0], size[1]),
        height: Box::new(move |x, y| {
            let printed = wave.map_or(0.0, |(length, mm)| mm * (TAU * x / length).cos());
            let edge = hollow.map_or(0.0, |(over, mm): (f64, f64)| {
                let t = ((over - y) / over).max(0.0);
                -mm * t * t
            });
            truth.height(x, y) + printed + edge
        }),
        plan,
        at_mm: None,
        what,
    }
}
