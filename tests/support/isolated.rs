//! A second simulator, made apart from `simulate`: panels near the end of the job, nearly fair,
//! with a few isolated dips and bumps of σ 12-60 mm, and surveys of them with a straightedge.
//!
//! Nothing here is measured. It shares no mathematics with the program nor with the first
//! simulator: the forms are arcs, the defects have three profiles, and the edge is put to rest by
//! minimising its mean gap over its slope (a convex function of one number), not by a hull. The
//! truth is the deviation from the form that was meant, whatever reference the program finds.
#![allow(dead_code)]

use lowspot::judge::edge;
use lowspot::observe::blank::Planned;
use lowspot::observe::{Conditions, Placing, Reading, Survey, Tool};
use lowspot::panel::{Form, Panel};
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use std::f64::consts::TAU;

/// Nodes on which the true gap is looked for, mm.
const TRUE_STEP_MM: f64 = 5.0;

/// How a defect falls away from its middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Profile {
    /// exp(−r²/2).
    Dome,
    /// (1 + cos(πr/3.2))/2 out to r = 3.2: a dish with an end.
    Dish,
    /// exp(−(r²/2.4)²): nearly level in the middle, with steeper flanks.
    Flat,
}

/// An isolated dip (negative) or bump.
#[derive(Clone, Debug, PartialEq)]
pub struct Spot {
    /// Its middle, mm.
    pub centre: [f64; 2],
    /// Height at the middle, mm.
    pub height_mm: f64,
    /// σ along its two axes, mm.
    pub sigma_mm: [f64; 2],
    /// Angle of the first axis, radians.
    pub angle: f64,
    /// Its profile.
    pub profile: Profile,
}

impl Spot {
    fn at(&self, x: f64, y: f64) -> f64 {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let (s, c) = self.angle.sin_cos();
        let r = ((dx * c + dy * s) / self.sigma_mm[0]).hypot((dy * c - dx * s) / self.sigma_mm[1]);
        self.height_mm
            * match self.profile {
                Profile::Dome => (-r * r / 2.0).exp(),
                Profile::Dish if r < 3.2 => (1.0 + (TAU * r / 6.4).cos()) / 2.0,
                Profile::Dish => 0.0,
                Profile::Flat => (-(r * r / 2.4).powi(2)).exp(),
            }
    }

    /// Width where it is an eighth deep, across its narrow way, mm: for a dome 4 σ.
    pub fn width_mm(&self) -> f64 {
        let radius = match self.profile {
            Profile::Dome => 2.0,
            Profile::Dish => 2.43,
            Profile::Flat => 1.85,
        };
        2.0 * radius * self.sigma_mm[0].min(self.sigma_mm[1])
    }
}

/// A made-up panel.
#[derive(Clone, Debug)]
pub struct Made {
    /// Length and width, mm.
    pub size_mm: [f64; 2],
    /// Its form.
    pub form: Form,
    /// 1/R along x and along y, 1/mm.
    pub curvature: [f64; 2],
    /// Twist, mm over the panel.
    pub twist_mm: f64,
    /// Faint waves: (amplitude mm, wave numbers per mm along x and y, phase).
    pub waves: Vec<[f64; 4]>,
    /// The defects.
    pub spots: Vec<Spot>,
}

impl Made {
    /// From a seed; `most` spots at most, of which the worst is `ratio` times a gap of `limit_mm`
    /// under `base_mm` over all.
    pub fn new(seed: u64, most: u64, ratio: f64, limit_mm: f64, base_mm: f64) -> Made {
        let mut rng =
            ChaCha8Rng::seed_from_u64(0x150_1a7ed ^ seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let size_mm = [
            (rng.random_range(90..150) * 10) as f64,
            (rng.random_range(60..100) * 10) as f64,
        ];
        let (form, curvature) = match seed % 3 {
            0 => (Form::Flat, [0.0; 2]),
            1 => (
                Form::Crowned,
                [
                    1.0 / rng.random_range(3000.0..9000.0),
                    1.0 / rng.random_range(4000.0..12_000.0),
                ],
            ),
            _ => (Form::RuledX, [0.0, 1.0 / rng.random_range(1800.0..5000.0)]),
        };
        let twist_mm = if form == Form::RuledX {
            0.0
        } else {
            rng.random_range(-2.0..2.0)
        };
        let waves = (0..5)
            .map(|_| {
                let length = rng.random_range(260.0..800.0);
                let way = rng.random_range(0.0..TAU);
                [
                    rng.random_range(0.002..0.012),
                    TAU / length * way.cos(),
                    TAU / length * way.sin(),
                    rng.random_range(0.0..TAU),
                ]
            })
            .collect();
        let count = rng.random_range(1..=most);
        let spots = (0..count)
            .map(|_| {
                let sigma = 12.0 * (5.0_f64).powf(rng.random_range(0.0..1.0));
                let other = (sigma * rng.random_range(1.0..2.0)).min(60.0_f64.max(sigma));
                let dip = rng.random_range(0.0..1.0) < 0.6;
                Spot {
                    // Anywhere, the rim included.
                    centre: [
                        size_mm[0] * rng.random_range(0.01..0.99),
                        size_mm[1] * rng.random_range(0.01..0.99),
                    ],
                    height_mm: rng.random_range(0.3..1.0) * if dip { -1.0 } else { 1.0 },
                    sigma_mm: [sigma, other],
                    angle: rng.random_range(0.0..TAU),
                    profile: [Profile::Dome, Profile::Dish, Profile::Flat]
                        [rng.random_range(0..3usize)],
                }
            })
            .collect();
        let mut made = Made {
            size_mm,
            form,
            curvature,
            twist_mm,
            waves,
            spots,
        };
        // Twice: the faint waves stay as they are.
        for _ in 0..3 {
            let (worst, _) = made.worst_gap(base_mm);
            let by = ratio * limit_mm / worst.max(1e-9);
            for s in &mut made.spots {
                s.height_mm *= by;
            }
            if ratio * limit_mm < 0.08 {
                for w in &mut made.waves {
                    w[0] *= by.min(1.0);
                }
            }
        }
        made
    }

    /// What is wrong with it, mm.
    pub fn deviation(&self, x: f64, y: f64) -> f64 {
        let waves: f64 = self
            .waves
            .iter()
            .map(|[a, kx, ky, p]| a * (kx * x + ky * y + p).sin())
            .sum();
        waves + self.spots.iter().map(|s| s.at(x, y)).sum::<f64>()
    }

    /// Its true height, mm.
    pub fn height(&self, x: f64, y: f64) -> f64 {
        let (u, v) = (x - self.size_mm[0] / 2.0, y - self.size_mm[1] / 2.0);
        let arc = |k: f64, d: f64| {
            if k > 0.0 {
                ((1.0 / k).powi(2) - d * d).sqrt() - 1.0 / k
            } else {
                0.0
            }
        };
        arc(self.curvature[0], u)
            + arc(self.curvature[1], v)
            + self.twist_mm * u * v / (self.size_mm[0] * self.size_mm[1])
            + self.deviation(x, y)
    }

    /// The true gap under an edge of a base, on nodes each 5 mm, mm.
    pub fn gaps(&self, base_mm: f64) -> Array2<f64> {
        let count = self.size_mm.map(|l| (l / TRUE_STEP_MM + 1e-9) as usize + 1);
        let z = Array2::from_shape_fn((count[1], count[0]), |(iy, ix)| {
            self.deviation(ix as f64 * TRUE_STEP_MM, iy as f64 * TRUE_STEP_MM)
        });
        edge::gaps(&z, TRUE_STEP_MM, base_mm)
            .expect("a base of many nodes")
            .gap
    }

    /// The largest true gap, mm, and where.
    pub fn worst_gap(&self, base_mm: f64) -> (f64, [f64; 2]) {
        worst_of(&self.gaps(base_mm), TRUE_STEP_MM)
    }

    /// Panel for the program, with a limit of 0.3 mm under 300 mm.
    pub fn panel(&self) -> Panel {
        super::panel(&format!(
            "name = \"simulated panel, isolated defects\"\nlength = {}\nwidth = {}\nform = \"{}\"\nsand_allowance = 0.3\n\
             [[limit]]\nbase = 300\ngap = 0.3\n",
            self.size_mm[0],
            self.size_mm[1],
            match self.form {
                Form::Flat => "flat",
                Form::Crowned => "crowned",
                _ => "ruled-x",
            }
        ))
    }
}

/// The largest of a map of gaps and where it lies, mm.
pub fn worst_of(gaps: &Array2<f64>, step_mm: f64) -> (f64, [f64; 2]) {
    gaps.indexed_iter().filter(|(_, v)| v.is_finite()).fold(
        (0.0, [0.0; 2]),
        |best, ((iy, ix), v)| {
            if *v > best.0 {
                (*v, [ix as f64 * step_mm, iy as f64 * step_mm])
            } else {
                best
            }
        },
    )
}

/// How it is measured.
#[derive(Clone, Copy, Debug)]
pub struct Walk {
    /// From line to line, mm.
    pub lines_mm: f64,
    /// Length of the edge, mm.
    pub edge_mm: f64,
    /// From reading to reading, mm.
    pub step_mm: f64,
    /// Noise of a reading, mm.
    pub noise_mm: f64,
    /// Readings are written in steps of this, mm.
    pub written_mm: f64,
}

impl Walk {
    /// A 600 mm edge read each 50 mm.
    pub fn lines(lines_mm: f64, noise_mm: f64) -> Walk {
        Walk {
            lines_mm,
            edge_mm: 600.0,
            step_mm: 50.0,
            noise_mm,
            written_mm: if noise_mm > 0.06 { 0.1 } else { 0.05 },
        }
    }

    /// Where its placings lie: lines from half a spacing in, both ways, the edge moved on by three
    /// quarters of its length.
    pub fn placings(&self, size_mm: [f64; 2]) -> Vec<Planned> {
        let mut all = Vec::new();
        for axis in [0, 1] {
            let (along, across) = (size_mm[axis], size_mm[1 - axis]);
            let reach = self.edge_mm.min(along);
            let steps = (reach / self.step_mm + 1e-9).floor();
            let span = steps * self.step_mm;
            let lines = (across / self.lines_mm).round().max(1.0) as usize;
            for k in 0..lines {
                let at = (k as f64 + 0.5) * across / lines as f64;
                let mut from = 0.0;
                loop {
                    let start = f64::min(from, along - span);
                    all.push(Planned {
                        axis,
                        from: start,
                        to: start + span,
                        at: (at * 2.0).round() / 2.0,
                        readings: steps as usize + 1,
                    });
                    if start >= along - span - 1e-6 {
                        break;
                    }
                    from += 0.75 * self.edge_mm;
                }
            }
        }
        all
    }
}

/// Read the placings on any surface: a straightedge at rest on it, noise, gaps never below 0,
/// written in steps.
pub fn read(
    height: &dyn Fn(f64, f64) -> f64,
    placings: &[Planned],
    walk: &Walk,
    seed: u64,
) -> Survey {
    let mut rng = ChaCha8Rng::seed_from_u64(0x5e_ad1e5 ^ seed.wrapping_mul(0xd134_2543_de82_ef95));
    let mut survey = Survey {
        conditions: Conditions::default(),
        files: vec!["simulated".into()],
        ..Survey::default()
    };
    for (k, p) in placings.iter().enumerate() {
        let point = |s: f64| {
            let mut q = [p.at; 2];
            q[p.axis] = p.from + s;
            q
        };
        let span = p.to - p.from;
        let looked: Vec<[f64; 2]> = (0..=(span / 2.5).round() as usize)
            .map(|i| {
                let s = span * i as f64 / (span / 2.5).round();
                let q = point(s);
                [s, height(q[0], q[1])]
            })
            .collect();
        let [a, b] = rest(&looked, span / 2.0);
        let step = span / (p.readings.max(2) - 1) as f64;
        let readings = (0..p.readings)
            .map(|i| {
                let s = i as f64 * step;
                let q = point(s);
                let noise: f64 = rng.sample(StandardNormal);
                let gap = (a + b * s - height(q[0], q[1]) + walk.noise_mm * noise).max(0.0);
                let steps = (gap / walk.written_mm).round();
                let text = format!("{:.2}", steps * walk.written_mm);
                Reading {
                    x: q[0],
                    y: q[1],
                    value_mm: text.parse().ok(),
                    written: text,
                    sd_mm: None,
                    line: k + 1,
                    column: i + 1,
                }
            })
            .collect();
        let mut toward = [0.0; 2];
        toward[p.axis] = 1.0;
        survey.placings.push(Placing {
            name: format!("{}{}", if p.axis == 0 { "A" } else { "B" }, k + 1),
            tool: Tool::Straightedge,
            base_mm: walk.edge_mm,
            toward,
            repeat: 0,
            turned: false,
            readings,
            file: "simulated".into(),
            line: k + 1,
        });
    }
    survey
}

/// Offset and slope of an edge at rest on points [s, z]: of all lines with none above it, the one
/// lowest at the middle. For a slope b the offset is max(z − b·s); what is lowest at the middle is
/// convex in b, so it is found by cutting the bracket (golden section).
fn rest(points: &[[f64; 2]], middle: f64) -> [f64; 2] {
    let offset = |b: f64| {
        points
            .iter()
            .map(|[s, z]| z - b * s)
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let at_middle = |b: f64| offset(b) + b * middle;
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut low, mut high) = (-0.5, 0.5);
    for _ in 0..80 {
        let (c, d) = (high - golden * (high - low), low + golden * (high - low));
        if at_middle(c) <= at_middle(d) {
            high = d;
        } else {
            low = c;
        }
    }
    let b = (low + high) / 2.0;
    [offset(b), b]
}

mod tests {
    use super::*;

    #[test]
    fn the_worst_gap_is_what_was_asked_for() {
        for seed in 0..6 {
            let made = Made::new(seed, 4, 1.5, 0.3, 300.0);
            let (worst, at) = made.worst_gap(300.0);
            assert!((worst - 0.45).abs() < 0.02, "seed {seed}: {worst}");
            assert!((0.0..=made.size_mm[0]).contains(&at[0]));
        }
    }

    #[test]
    fn an_edge_over_a_lone_dip_bridges_it() {
        let dip = |x: f64, _: f64| -0.5 * (-(x - 300.0).powi(2) / 2.0 / 900.0).exp();
        let placing = Planned {
            axis: 0,
            from: 0.0,
            to: 600.0,
            at: 100.0,
            readings: 13,
        };
        let walk = Walk {
            noise_mm: 0.0,
            written_mm: 0.01,
            ..Walk::lines(100.0, 0.03)
        };
        let survey = read(&dip, &[placing], &walk, 1);
        let gaps: Vec<f64> = survey.placings[0]
            .readings
            .iter()
            .filter_map(|r| r.value_mm)
            .collect();
        assert!(
            (gaps[6] - 0.5).abs() < 0.006 && gaps[0] < 0.006 && gaps[12] < 0.006,
            "{gaps:?}"
        );
    }

    #[test]
    fn a_spot_is_an_eighth_deep_at_its_width() {
        for profile in [Profile::Dome, Profile::Dish, Profile::Flat] {
            let spot = Spot {
                centre: [0.0; 2],
                height_mm: 1.0,
                sigma_mm: [20.0, 20.0],
                angle: 0.0,
                profile,
            };
            let there = spot.at(spot.width_mm() / 2.0, 0.0);
            assert!((0.11..0.16).contains(&there), "{profile:?}: {there}");
        }
    }
}
