//! Whether a wave stands out: against other directions, against other wavelengths, and whether that
//! is chance.

use super::search::{FINE, Search};
use super::{CHANCE, Point, Wave};
use std::f64::consts::LN_2;

/// A ring holds wavelengths within this factor.
const RING: f64 = 1.15;
/// Along its direction a wave is compared with frequencies between these shares of its own.
const RAY: [f64; 2] = [0.45, 2.3];
/// Wave vectors nearer than this, in units of what the panel's size tells apart, are the wave
/// itself.
pub const ITSELF: f64 = 1.5;

/// Chance of a power over the mean of `count` independent neighbours.
pub fn tail(power: f64, mean: f64, count: f64) -> f64 {
    if count < 1.0 || mean <= 0.0 {
        return 1.0;
    }
    (1.0 + power / mean / count).powf(-count)
}

impl Search {
    /// The three tests, the dearest last.
    pub fn passes(&self, p: Point, rings: &Rings, independent: f64) -> Option<Wave> {
        if p.power <= 0.0 || !self.within(p.f) {
            return None;
        }
        let (ring, ring_count) = rings.around(p.f, &|q| self.apart(q, p.f) < ITSELF);
        let by_ring = tail(p.power, ring, ring_count) * independent;
        if by_ring >= CHANCE {
            return None;
        }
        let (ray, ray_count) = self.along_ray(&p);
        let by_ray = tail(p.power, ray, ray_count) * independent;
        if by_ray >= CHANCE {
            return None;
        }
        let (step, strongest) = self.keeps_step(p.f);
        let chance = by_ring.max(by_ray).max(step * independent);
        let around = ring.max(ray);
        (chance < CHANCE).then(|| Wave {
            f: p.f,
            amplitude: p.amplitude,
            around,
            weight: p.weight,
            f_sd: self.frequency_sd(&p, around),
            chance,
            strongest,
        })
    }

    /// Mean power of other wavelengths in the same direction, and how many of them are independent:
    /// the longer and the shorter ones each by themselves, then their geometric mean, since a red
    /// spectrum falls from one to the other. The wave itself is taken out first: the gaps between
    /// placings spread it over its neighbours.
    fn along_ray(&self, p: &Point) -> (f64, f64) {
        let without = self.without(p);
        let size = p.f[0].hypot(p.f[1]);
        let step = [0, 1].map(|k| p.f[k] / size / self.step[k]);
        // One step of this length moves by half of what can be told apart.
        let pace = 1.0 / step[0].hypot(step[1]);
        let (mut sums, mut counts) = ([0.0; 2], [0.0; 2]);
        let mut at = RAY[0] * size;
        while at <= RAY[1] * size {
            let g = p.f.map(|v| v / size * at);
            let side = usize::from(at > size);
            at += pace;
            let own = [1.0, 2.0]
                .iter()
                .any(|k| self.apart(g, p.f.map(|v| k * v)) < ITSELF);
            if own || !self.within(g) {
                continue;
            }
            sums[side] += without.at(g).power;
            counts[side] += 0.5;
        }
        let mean = |k: usize| sums[k] / (2.0 * counts[k]);
        match counts.map(|c| c >= 1.0) {
            [true, true] => ((mean(0) * mean(1)).sqrt(), counts[0] + counts[1]),
            [true, false] => (mean(0), counts[0]),
            [false, true] => (mean(1), counts[1]),
            _ => (0.0, 0.0),
        }
    }

    /// Standard deviation of the frequency along its direction: √(m / −P″) with the power's
    /// curvature at its top.
    fn frequency_sd(&self, p: &Point, around: f64) -> f64 {
        let size = p.f[0].hypot(p.f[1]);
        let h = 0.1 * self.step[0].min(self.step[1]);
        let off = |by: f64| self.at(p.f.map(|v| v * (1.0 + by / size))).power;
        let curvature = (2.0 * p.power - off(h) - off(-h)) / (h * h);
        if curvature > 0.0 {
            (around / curvature).sqrt()
        } else {
            self.step[0].max(self.step[1])
        }
    }
}

/// Power by wavelength: the plane's points sorted into rings.
pub struct Rings<'a> {
    plane: &'a [Point],
    from: f64,
    means: Vec<f64>,
}

impl<'a> Rings<'a> {
    pub fn new(plane: &'a [Point], pitches: [f64; 2]) -> Self {
        let from = 1.0 / pitches[1];
        let count = ((pitches[1] / pitches[0]).ln() / RING.ln()).ceil().max(1.0) as usize + 1;
        let mut rings = vec![Vec::new(); count];
        for p in plane.iter().filter(|p| p.weight > 0.0) {
            let at = ((p.f[0].hypot(p.f[1]) / from).ln() / RING.ln()).max(0.0) as usize;
            rings[at.min(count - 1)].push(p.power);
        }
        let mut means: Vec<f64> = rings.into_iter().map(mean_by_median).collect();
        // An empty ring takes the power of the one within it.
        for k in 1..means.len() {
            if means[k] <= 0.0 {
                means[k] = means[k - 1];
            }
        }
        Rings { plane, from, means }
    }

    pub fn mean(&self, f: [f64; 2]) -> f64 {
        let at = ((f[0].hypot(f[1]) / self.from).ln() / RING.ln()).max(0.0) as usize;
        let mean = self.means.get(at.min(self.means.len().saturating_sub(1)));
        mean.copied().unwrap_or(1.0).max(1e-12)
    }

    /// Mean power of the ring about a wave, and how many independent powers it stands on.
    pub fn around(&self, f: [f64; 2], own: &dyn Fn([f64; 2]) -> bool) -> (f64, f64) {
        let size = f[0].hypot(f[1]);
        let near: Vec<f64> = self
            .plane
            .iter()
            .filter(|p| {
                let ratio = p.f[0].hypot(p.f[1]) / size;
                ratio < RING && ratio > 1.0 / RING && p.weight > 0.0 && !own(p.f)
            })
            .map(|p| p.power)
            .collect();
        // Four grid points to each independent one; a median is worth about half of its sample.
        let count = near.len() as f64 * FINE * FINE / 2.0;
        (mean_by_median(near), count)
    }
}

/// Mean of exponentially distributed powers from their median, which a few strong waves do not
/// move.
fn mean_by_median(mut powers: Vec<f64>) -> f64 {
    powers.sort_by(f64::total_cmp);
    powers.get(powers.len() / 2).copied().unwrap_or(0.0) / LN_2
}
