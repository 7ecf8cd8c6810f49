//! The nodes' own part of the interior-point method of [`super::solve`]: slacks, multipliers and
//! their Newton steps.
//!
//! At a node, T − z = p − q with multiplier y; a and b are the multipliers of p ≥ 0 and q ≥ 0, e
//! that of the slack r = allowance − q ≥ 0. Nodes are independent but for y's pull on the spline,
//! so four are worked side by side, and quotients that a step needs more than once are taken once.
//! Nodes that may not be sanded, that may be sanded freely and that are bounded go in groups, since
//! each needs other quantities.

use std::array::from_fn;
use std::ops::{Add, AddAssign, Mul, Neg, Sub};

/// One quantity of four nodes.
#[derive(Clone, Copy, Debug, Default)]
struct Four([f64; 4]);

impl Four {
    fn all(value: f64) -> Self {
        Four([value; 4])
    }
    fn of(values: &[f64], at: &[usize; 4]) -> Self {
        Four(at.map(|k| values[k]))
    }
    fn put(self, values: &mut [f64], at: &[usize; 4]) {
        for (&k, v) in at.iter().zip(self.0) {
            values[k] = v;
        }
    }
    fn inverse(self) -> Self {
        Four(self.0.map(|v| 1.0 / v))
    }
    /// The larger of each two; a NaN in `other` is passed over.
    fn max(self, other: Four) -> Self {
        Four(from_fn(|k| {
            if other.0[k] > self.0[k] {
                other.0[k]
            } else {
                self.0[k]
            }
        }))
    }
    fn largest(self) -> f64 {
        self.0.iter().fold(0.0, |m, v| f64::max(m, *v))
    }
    fn sum(self) -> f64 {
        self.0.iter().sum()
    }
}

impl Add for Four {
    type Output = Four;
    fn add(self, other: Four) -> Four {
        Four(from_fn(|k| self.0[k] + other.0[k]))
    }
}

impl AddAssign for Four {
    fn add_assign(&mut self, other: Four) {
        *self = *self + other;
    }
}

impl Sub for Four {
    type Output = Four;
    fn sub(self, other: Four) -> Four {
        Four(from_fn(|k| self.0[k] - other.0[k]))
    }
}

impl Mul for Four {
    type Output = Four;
    fn mul(self, other: Four) -> Four {
        Four(from_fn(|k| self.0[k] * other.0[k]))
    }
}

impl Neg for Four {
    type Output = Four;
    fn neg(self) -> Four {
        Four(self.0.map(|v| -v))
    }
}

/// What may be sanded at a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sanding {
    /// Nothing: q, b, e and r are not used.
    Never,
    /// As much as the reference asks for: e and r are not used.
    Free,
    /// No more than an allowance.
    Bounded,
}

impl Sanding {
    /// That under an allowance (mm, ≥ 0, may be infinite).
    pub fn under(allowance_mm: f64) -> Self {
        if allowance_mm <= 0.0 {
            Sanding::Never
        } else if allowance_mm.is_finite() {
            Sanding::Bounded
        } else {
            Sanding::Free
        }
    }
}

/// One node at the start; y is 0.
#[derive(Clone, Copy, Debug)]
pub struct Start {
    /// Index on the grid.
    pub at: usize,
    /// Height, mm.
    pub z: f64,
    /// Slacks and multipliers, all above 0 where they are used.
    pub p: f64,
    pub q: f64,
    pub a: f64,
    pub b: f64,
    pub e: f64,
    pub r: f64,
}

/// Four nodes.
#[derive(Clone, Copy, Debug)]
struct Nodes {
    at: [usize; 4],
    /// 1, and 0 for copies of the last node that fill up the last four.
    live: Four,
    z: Four,
    p: Four,
    q: Four,
    a: Four,
    b: Four,
    e: Four,
    r: Four,
    y: Four,
}

/// What one Newton step needs of them.
#[derive(Clone, Copy, Debug, Default)]
struct Work {
    /// z − (T − p + q).
    residual: Four,
    /// 1/p, 1/q, 1/a, 1/b, 1/e, 1/r.
    inverse: [Four; 6],
    /// dq = offset + slope·dy; 1/slope's divisor is `under`.
    under: Four,
    slope: Four,
    offset: Four,
    /// dy = (rho − B dc)·weight.
    weight: Four,
    rho: Four,
    /// Right-hand sides of the rows a·p, b·q, e·r.
    targets: [Four; 3],
    dp: Four,
    dq: Four,
    da: Four,
    db: Four,
    de: Four,
}

/// How far a step may go, and how the sum of products changes along it.
#[derive(Clone, Copy, Debug, Default)]
pub struct Limits {
    /// Largest −change/value of the slacks, of the multipliers.
    primal: f64,
    dual: f64,
    /// Change of Σ products: by a full primal step, by a full dual one, and what both together add.
    pub primal_change: f64,
    pub dual_change: f64,
    pub both_change: f64,
}

impl Limits {
    /// Take in those of another group.
    pub fn take(&mut self, other: &Limits) {
        self.primal = self.primal.max(other.primal);
        self.dual = self.dual.max(other.dual);
        self.primal_change += other.primal_change;
        self.dual_change += other.dual_change;
        self.both_change += other.both_change;
    }

    /// The longest steps (primal, dual), at most 1: this share of the way to the first value that
    /// reaches 0.
    pub fn longest(&self, share: f64) -> (f64, f64) {
        ((share / self.primal).min(1.0), (share / self.dual).min(1.0))
    }
}

/// All nodes of one kind.
pub struct Group {
    sanding: Sanding,
    nodes: Vec<Nodes>,
    work: Vec<Work>,
    count: usize,
}

/// Call a function for the kind of sanding as constants: (sanded, bounded).
macro_rules! by_sanding {
    ($self:ident.$name:ident($($argument:expr),*)) => {
        match $self.sanding {
            Sanding::Never => $self.$name::<false, false>($($argument),*),
            Sanding::Free => $self.$name::<true, false>($($argument),*),
            Sanding::Bounded => $self.$name::<true, true>($($argument),*),
        }
    };
}

impl Group {
    /// Nodes of one kind of sanding.
    pub fn new(sanding: Sanding, starts: &[Start]) -> Self {
        let nodes: Vec<Nodes> = starts
            .chunks(4)
            .map(|own| {
                let of = |k: usize| own[k.min(own.len() - 1)];
                let four = |pick: fn(&Start) -> f64| Four(from_fn(|k| pick(&of(k))));
                Nodes {
                    at: from_fn(|k| of(k).at),
                    live: Four(from_fn(|k| f64::from(u8::from(k < own.len())))),
                    z: four(|s| s.z),
                    p: four(|s| s.p),
                    q: four(|s| s.q),
                    a: four(|s| s.a),
                    b: four(|s| s.b),
                    e: four(|s| s.e),
                    r: four(|s| s.r),
                    y: Four::default(),
                }
            })
            .collect();
        Group {
            sanding,
            work: vec![Work::default(); nodes.len()],
            nodes,
            count: starts.len(),
        }
    }

    /// Number of products that must vanish.
    pub fn products(&self) -> f64 {
        let each = match self.sanding {
            Sanding::Never => 1,
            Sanding::Free => 2,
            Sanding::Bounded => 3,
        };
        (each * self.count) as f64
    }

    /// Begin a step at this surface: 1/θ and the predictor's pull of every node. Returns Σ products
    /// and the largest residual.
    pub fn reduce(&mut self, surface: &[f64], theta: &mut [f64], pull: &mut [f64]) -> (f64, f64) {
        by_sanding!(self.reduce_as(surface, theta, pull))
    }

    fn reduce_as<const SANDED: bool, const BOUNDED: bool>(
        &mut self,
        surface: &[f64],
        theta: &mut [f64],
        pull: &mut [f64],
    ) -> (f64, f64) {
        let (mut sum, mut worst) = (Four::default(), Four::default());
        for (n, w) in self.nodes.iter().zip(&mut self.work) {
            let t = Four::of(surface, &n.at);
            w.residual = n.z - (t - n.p);
            w.inverse[0] = n.p.inverse();
            w.inverse[2] = n.a.inverse();
            let mut products = n.a * n.p;
            w.targets[0] = -products;
            let mut theta_here = n.p * w.inverse[2];
            if SANDED {
                w.residual = w.residual - n.q;
                w.inverse[1] = n.q.inverse();
                w.inverse[3] = n.b.inverse();
                w.under = w.inverse[3];
                w.targets[1] = -(n.b * n.q);
                products += n.b * n.q;
                if BOUNDED {
                    w.inverse[4] = n.e.inverse();
                    w.inverse[5] = n.r.inverse();
                    w.under = (n.b + n.q * n.e * w.inverse[5]).inverse();
                    w.targets[2] = -(n.e * n.r);
                    products += n.e * n.r;
                }
                w.slope = n.q * w.under;
                theta_here += w.slope;
            }
            w.weight = theta_here.inverse();
            w.weight.put(theta, &n.at);
            aim::<SANDED, BOUNDED>(n, w, pull);
            sum += n.live * products;
            worst = worst.max(w.residual).max(-w.residual);
        }
        (sum.sum(), worst.largest())
    }

    /// The corrector's pull: products aimed at `mu`, if wanted with the second-order terms of the
    /// step just found.
    pub fn correct(&mut self, mu: f64, second_order: bool, pull: &mut [f64]) {
        by_sanding!(self.correct_as(mu, second_order, pull))
    }

    fn correct_as<const SANDED: bool, const BOUNDED: bool>(
        &mut self,
        mu: f64,
        second_order: bool,
        pull: &mut [f64],
    ) {
        let mu = Four::all(mu);
        let second = Four::all(f64::from(u8::from(second_order)));
        for (n, w) in self.nodes.iter().zip(&mut self.work) {
            w.targets[0] = mu - n.a * n.p - second * w.da * w.dp;
            if SANDED {
                w.targets[1] = mu - n.b * n.q - second * w.db * w.dq;
                if BOUNDED {
                    w.targets[2] = mu - n.e * n.r + second * w.de * w.dq;
                }
            }
            aim::<SANDED, BOUNDED>(n, w, pull);
        }
    }

    /// The step that follows from the surface's move, and how far it may go.
    pub fn step(&mut self, moved: &[f64]) -> Limits {
        by_sanding!(self.step_as(moved))
    }

    fn step_as<const SANDED: bool, const BOUNDED: bool>(&mut self, moved: &[f64]) -> Limits {
        let (mut primal, mut dual) = (Four::default(), Four::default());
        let mut change = [Four::default(); 3];
        for (n, w) in self.nodes.iter().zip(&mut self.work) {
            w.da = (w.rho - Four::of(moved, &n.at)) * w.weight;
            w.dp = (w.targets[0] - n.p * w.da) * w.inverse[2];
            primal = primal.max(-(w.dp * w.inverse[0]));
            dual = dual.max(-(w.da * w.inverse[2]));
            let mut by = [n.a * w.dp, n.p * w.da, w.da * w.dp];
            if SANDED {
                w.dq = w.offset + w.slope * w.da;
                w.db = -w.da;
                primal = primal.max(-(w.dq * w.inverse[1]));
                if BOUNDED {
                    w.de = (w.targets[2] + n.e * w.dq) * w.inverse[5];
                    w.db += w.de;
                    primal = primal.max(w.dq * w.inverse[5]);
                    dual = dual.max(-(w.de * w.inverse[4]));
                    by[0] = by[0] - n.e * w.dq;
                    by[1] += n.r * w.de;
                    by[2] = by[2] - w.de * w.dq;
                }
                dual = dual.max(-(w.db * w.inverse[3]));
                by[0] += n.b * w.dq;
                by[1] += n.q * w.db;
                by[2] += w.db * w.dq;
            }
            for (sum, by) in change.iter_mut().zip(by) {
                *sum += n.live * by;
            }
        }
        let [primal_change, dual_change, both_change] = change.map(Four::sum);
        Limits {
            primal: primal.largest(),
            dual: dual.largest(),
            primal_change,
            dual_change,
            both_change,
        }
    }

    /// Go these shares of the step.
    pub fn go(&mut self, primal: f64, dual: f64) {
        by_sanding!(self.go_as(Four::all(primal), Four::all(dual)))
    }

    fn go_as<const SANDED: bool, const BOUNDED: bool>(&mut self, primal: Four, dual: Four) {
        for (n, w) in self.nodes.iter_mut().zip(&self.work) {
            n.p += primal * w.dp;
            n.a += dual * w.da;
            n.y += dual * w.da;
            if SANDED {
                n.q += primal * w.dq;
                n.b += dual * w.db;
                if BOUNDED {
                    n.r = n.r - primal * w.dq;
                    n.e += dual * w.de;
                }
            }
        }
    }
}

/// rho for the targets in `w`, and the pull rho/θ + y on the spline.
fn aim<const SANDED: bool, const BOUNDED: bool>(n: &Nodes, w: &mut Work, pull: &mut [f64]) {
    w.rho = w.residual + w.targets[0] * w.inverse[2];
    if SANDED {
        w.offset = if BOUNDED {
            (w.targets[1] - n.q * w.targets[2] * w.inverse[5]) * w.under
        } else {
            w.targets[1] * w.under
        };
        w.rho = w.rho - w.offset;
    }
    (w.rho * w.weight + n.y).put(pull, &n.at);
}
