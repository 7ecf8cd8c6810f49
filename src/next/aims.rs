//! What would settle the verdict: limits that the readings leave open, each at the spot that
//! carries most of the chance of exceeding it.

use super::gain::Knowledge;
use super::ground::Ground;
use crate::judge::rehearsed::normal_quantile;
use crate::judge::risk::RISK;
use crate::judge::{Judgement, LimitResult, LimitState, NodeState};
use crate::panel::{Panel, Quantity};
use ndarray::Array1;

/// Chances told as nothing or all are taken for this near to it.
const SUREST: f64 = 1e-4;

/// A limit to be settled.
pub struct Aim<'a> {
    /// The limit as judged.
    pub limit: &'a LimitResult,
    /// Its lattice places with a gap found there, mm, and the weights of the deviations it is made
    /// of.
    chords: Vec<Chord>,
    /// Least number of standard deviations between a found gap and the limit, before anything is
    /// taken.
    at_first: f64,
}

struct Chord {
    at: [f64; 2],
    gap_mm: f64,
    weights: Vec<(usize, f64)>,
}

impl Chord {
    fn sd(&self, known: &Knowledge) -> f64 {
        let mut sum = 0.0;
        for (i, a) in &self.weights {
            for (j, b) in &self.weights {
                sum += a * b * known.deviation[[*i, *j]];
            }
        }
        sum.max(0.0).sqrt()
    }

    /// Standard deviations between what was found and the limit.
    fn away(&self, known: &Knowledge, limit: f64) -> f64 {
        (limit - self.gap_mm) / self.sd(known).max(1e-9)
    }
}

/// Where a limit is least settled, and what is needed to know there.
pub struct Open {
    /// The spot, mm.
    pub at: [f64; 2],
    /// Weights on the deviation at the lattice, scaled to a variance of 1.
    pub amount: Array1<f64>,
}

impl<'a> Aim<'a> {
    /// Of all limits that are unsure and not slopes (those are settled by whatever settles the
    /// surface).
    pub fn all(
        panel: &Panel,
        ground: &Ground,
        known: &Knowledge,
        j: &'a Judgement,
    ) -> Vec<Aim<'a>> {
        j.limits
            .iter()
            .filter(|l| l.state == LimitState::Unsure && l.limit.quantity != Quantity::Slope)
            .filter(|l| l.worst.value.is_finite() && l.p_exceeds > RISK)
            .map(|limit| {
                let mut aim = Aim {
                    limit,
                    chords: chords(panel, ground, j, limit),
                    at_first: 0.0,
                };
                aim.at_first = aim.away(known);
                aim
            })
            .filter(|aim| !aim.chords.is_empty())
            .collect()
    }

    /// Least number of standard deviations between a found gap and the limit.
    fn away(&self, known: &Knowledge) -> f64 {
        let limit = self.limit.limit.max;
        let all = self.chords.iter().map(|c| c.away(known, limit));
        all.fold(f64::INFINITY, f64::min)
    }

    /// The chance that the limit is exceeded, to be expected once what is known is `known` and
    /// readings say what is found now: the one judged, its standard deviations from the limit grown
    /// as those by this coarser reckoning are.
    pub fn expected(&self, known: &Knowledge, first: &Knowledge) -> f64 {
        let p = self.limit.p_exceeds.clamp(SUREST, 1.0 - SUREST);
        let judged = normal_quantile(1.0 - p);
        let beyond = self.limit.worst.value > self.limit.limit.max;
        let grown = if beyond || self.at_first <= 0.0 {
            self.worst()
                .map_or(1.0, |c| c.sd(first) / c.sd(known).max(1e-9))
        } else {
            self.away(known) / self.at_first
        };
        0.5 * libm::erfc(judged * grown.max(1.0) / std::f64::consts::SQRT_2)
    }

    /// The chord nearest to the worst place found.
    fn worst(&self) -> Option<&Chord> {
        let at = self.limit.worst_at;
        let far = |c: &&Chord| (c.at[0] - at[0]).hypot(c.at[1] - at[1]);
        self.chords.iter().min_by(|a, b| far(a).total_cmp(&far(b)))
    }

    /// Whether such a chance settles the limit.
    pub fn settled(&self, p_exceeds: f64) -> bool {
        !(RISK..1.0 - RISK).contains(&p_exceeds)
    }

    /// Where it is least settled: the worst spot when what was found there is beyond the limit,
    /// else where exceeding is likeliest.
    pub fn open(&self, ground: &Ground, known: &Knowledge) -> Option<Open> {
        let limit = self.limit.limit.max;
        let beyond = self.limit.worst.value > limit;
        let chord = if beyond {
            self.worst()
        } else {
            self.chords.iter().min_by(|a, b| {
                let [a, b] = [a, b].map(|c| c.away(known, limit));
                a.total_cmp(&b)
            })
        }?;
        let mut amount = Array1::zeros(ground.lattice);
        for (k, w) in &chord.weights {
            amount[*k] += w;
        }
        let sd = chord.sd(known);
        (sd > 0.0).then(|| Open {
            at: if beyond {
                self.limit.worst_at
            } else {
                chord.at
            },
            amount: amount / sd,
        })
    }
}

/// The limit's quantity at lattice places, along both axes: the middle below the mean of two ends
/// half a base away. Where the base is shorter than two steps of the lattice, the deviation alone
/// stands for it.
fn chords(panel: &Panel, ground: &Ground, j: &Judgement, limit: &LimitResult) -> Vec<Chord> {
    let places = &ground.places[..ground.lattice];
    let nearest = |p: [f64; 2]| -> Option<usize> {
        let far = |k: &usize| (places[*k][0] - p[0]).hypot(places[*k][1] - p[1]);
        (0..places.len())
            .min_by(|a, b| far(a).total_cmp(&far(b)))
            .filter(|k| far(k) <= ground.pitch_mm)
    };
    let fairness = |p: [f64; 2]| fairness_at(j, p);
    let half = limit.limit.base_mm / 2.0;
    let fine = half >= ground.pitch_mm;
    let zone = |p: [f64; 2]| {
        let found = panel.zones.iter().find(|z| z.outline.contains(p[0], p[1]));
        found.map(|z| z.name.as_str()) == limit.zone.as_deref()
    };
    let mut out = Vec::new();
    for (k, &at) in places.iter().enumerate().filter(|(_, p)| zone(**p)) {
        for axis in [0, 1] {
            let end = |sign: f64| {
                let mut p = at;
                p[axis] += sign * half;
                p
            };
            let (a, b) = (end(-1.0), end(1.0));
            if let (true, Some(i), Some(l)) = (fine, nearest(a), nearest(b))
                && let (Some(d), Some(da), Some(db)) = (fairness(at), fairness(a), fairness(b))
            {
                // A swing counts both ways, a gap only where the middle is low.
                let below = (da + db) / 2.0 - d;
                let gap_mm = match limit.limit.quantity {
                    Quantity::Gap => below.max(0.0),
                    Quantity::Swing | Quantity::Slope => below.abs(),
                };
                out.push(Chord {
                    at,
                    gap_mm,
                    weights: vec![(k, 1.0), (i, -0.5), (l, -0.5)],
                });
            }
        }
        if !fine && let Some(d) = fairness(at) {
            out.push(Chord {
                at,
                gap_mm: d.abs(),
                weights: vec![(k, 1.0)],
            });
        }
    }
    out
}

/// Deviation from the fair shape at a place, mm; `None` off the panel.
fn fairness_at(j: &Judgement, p: [f64; 2]) -> Option<f64> {
    let grid = j.nodes.grid;
    let index = |v: f64| (v / grid.step_mm).round();
    let (ix, iy) = (index(p[0]), index(p[1]));
    if ix < 0.0 || iy < 0.0 || ix as usize >= grid.nx || iy as usize >= grid.ny {
        return None;
    }
    let n = [iy as usize, ix as usize];
    (j.nodes.state[n] != NodeState::Outside && j.nodes.fairness[n].is_finite())
        .then(|| j.nodes.fairness[n])
}
