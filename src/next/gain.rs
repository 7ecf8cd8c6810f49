//! What a placing buys, by exact Gaussian algebra, and the greedy choice of the best, each given
//! those before it.

use super::ground::{Candidate, Ground};
use ndarray::{Array1, Array2};
use rayon::prelude::*;

/// What is known of the heights.
#[derive(Clone)]
pub struct Knowledge {
    /// Covariance of the heights at all places, mm².
    pub places: Array2<f64>,
    /// Covariance of the deviation at the lattice with the heights at all places, mm².
    pub across: Array2<f64>,
    /// Covariance of the deviation at the lattice, mm².
    pub deviation: Array2<f64>,
    /// Noise of one reading, mm.
    pub noise_mm: f64,
}

/// Columns G with G·Gᵀ the part of the covariance that a placing takes away.
pub struct Told {
    /// Of the deviation at the lattice.
    pub deviation: Array2<f64>,
    whitened: Whitened,
}

/// Rᵀ·Q·L⁻ᵀ of a candidate as weights on its places: whitened combinations of its readings, free of
/// its rests.
struct Whitened {
    places: Vec<usize>,
    weights: Array2<f64>,
}

impl Knowledge {
    /// From the covariance of the heights: quadratics are free, so the deviation is what is left
    /// without them.
    pub fn new(ground: &Ground, heights: Array2<f64>, noise_mm: f64) -> Self {
        let n = ground.lattice;
        let terms = quadratics(ground);
        let top = Array2::from_shape_fn((n, heights.ncols()), |k| heights[k]);
        let across = without(&terms, &ground.areas_mm2, top);
        let own = Array2::from_shape_fn((n, n), |(i, j)| across[[j, i]]);
        let deviation = without(&terms, &ground.areas_mm2, own);
        Knowledge {
            places: heights,
            across,
            deviation,
            noise_mm,
        }
    }

    /// Standard deviation of the deviation at a lattice place, mm.
    pub fn sd(&self, k: usize) -> f64 {
        self.deviation[[k, k]].max(0.0).sqrt()
    }

    /// What a placing would tell; `None` where its readings say nothing beyond its rests.
    pub fn told(&self, candidate: &Candidate) -> Option<Told> {
        let whitened = self.whitened(candidate)?;
        let picked = self.across.select(ndarray::Axis(1), &whitened.places);
        Some(Told {
            deviation: picked.dot(&whitened.weights),
            whitened,
        })
    }

    fn whitened(&self, candidate: &Candidate) -> Option<Whitened> {
        let mut places: Vec<usize> = candidate.rows.iter().flatten().map(|e| e.0).collect();
        places.sort_unstable();
        places.dedup();
        let m = candidate.rows.len();
        let mut r = Array2::zeros((m, places.len()));
        for (k, row) in candidate.rows.iter().enumerate() {
            for (place, weight) in row {
                if let Ok(at) = places.binary_search(place) {
                    r[[k, at]] += weight;
                }
            }
        }
        let q = free_of(&candidate.rests)?;
        let r = q.t().dot(&r);
        let own = self
            .places
            .select(ndarray::Axis(0), &places)
            .select(ndarray::Axis(1), &places);
        let mut s = r.dot(&own).dot(&r.t());
        let noise = self.noise_mm * self.noise_mm / candidate.readings_a_row;
        for k in 0..s.nrows() {
            s[[k, k]] += noise;
        }
        let l = cholesky(s)?;
        // Columns of Rᵀ·Q·L⁻ᵀ: solve L·X = (Rᵀ·Q)ᵀ row by row.
        let mut x = r;
        for i in 0..x.nrows() {
            for j in 0..i {
                let f = l[[i, j]];
                for c in 0..x.ncols() {
                    x[[i, c]] -= f * x[[j, c]];
                }
            }
            let pivot = l[[i, i]];
            x.row_mut(i).mapv_inplace(|v| v / pivot);
        }
        Some(Whitened {
            places,
            weights: x.reversed_axes(),
        })
    }

    /// Take a placing as taken.
    pub fn take(&mut self, told: &Told) {
        let picked = self
            .places
            .select(ndarray::Axis(1), &told.whitened.places)
            .dot(&told.whitened.weights);
        self.places -= &picked.dot(&picked.t());
        self.across -= &told.deviation.dot(&picked.t());
        self.deviation -= &told.deviation.dot(&told.deviation.t());
    }
}

/// The six quadratics at the lattice, orthonormal by area.
fn quadratics(ground: &Ground) -> Vec<Array1<f64>> {
    let n = ground.lattice;
    let span = |k: usize| {
        let side = ground.places[..n].iter().map(|p| p[k]);
        let (low, high) = side.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
            (a.min(v), b.max(v))
        });
        ((low + high) / 2.0, ((high - low) / 2.0).max(1.0))
    };
    let (x, y) = (span(0), span(1));
    let mut terms: Vec<Array1<f64>> = Vec::new();
    for [p, q] in [[0, 0], [1, 0], [0, 1], [2, 0], [1, 1], [0, 2]] {
        let mut t = Array1::from_iter(
            ground.places[..n]
                .iter()
                .map(|at| ((at[0] - x.0) / x.1).powi(p) * ((at[1] - y.0) / y.1).powi(q)),
        );
        for _ in 0..2 {
            for other in &terms {
                let share = weighed(&t, other, &ground.areas_mm2);
                t.scaled_add(-share, other);
            }
        }
        let norm = weighed(&t, &t, &ground.areas_mm2).sqrt();
        if norm > 1e-9 {
            terms.push(t / norm);
        }
    }
    terms
}

fn weighed(a: &Array1<f64>, b: &Array1<f64>, weights: &[f64]) -> f64 {
    a.iter()
        .zip(b)
        .zip(weights)
        .map(|((a, b), w)| a * b * w)
        .sum()
}

/// Each column less its best quadratic.
fn without(terms: &[Array1<f64>], areas: &[f64], mut m: Array2<f64>) -> Array2<f64> {
    // Twice: the quadratics' part may be millions of times the rest.
    for _ in 0..2 {
        for t in terms {
            let weighted = Array1::from_iter(t.iter().zip(areas).map(|(t, a)| t * a));
            let shares = weighted.dot(&m);
            for (mut row, t) in m.rows_mut().into_iter().zip(t) {
                row.scaled_add(-t, &shares);
            }
        }
    }
    m
}

/// Orthonormal columns that no rest number reaches; `None` where there are none.
fn free_of(rests: &[Vec<f64>]) -> Option<Array2<f64>> {
    let m = rests.len();
    let k = rests.first().map_or(0, Vec::len);
    let mut basis: Vec<Array1<f64>> = Vec::new();
    let mut push = |mut v: Array1<f64>, least: f64| -> bool {
        for _ in 0..2 {
            for b in &basis {
                let share = v.dot(b);
                v.scaled_add(-share, b);
            }
        }
        let norm = v.dot(&v).sqrt();
        if norm > least {
            basis.push(v / norm);
            true
        } else {
            false
        }
    };
    let mut taken = 0;
    for c in 0..k {
        let column = Array1::from_iter(rests.iter().map(|r| r[c]));
        taken += usize::from(push(column, 1e-9));
    }
    for i in 0..m {
        let mut unit = Array1::zeros(m);
        unit[i] = 1.0;
        push(unit, 1e-6);
    }
    let free = &basis[taken..];
    if free.is_empty() {
        return None;
    }
    Some(Array2::from_shape_fn((m, free.len()), |(i, j)| free[j][i]))
}

/// Lower factor of a small symmetric matrix; `None` when it is not positive definite.
fn cholesky(mut a: Array2<f64>) -> Option<Array2<f64>> {
    for j in 0..a.nrows() {
        for i in j..a.nrows() {
            let mut v = a[[i, j]];
            for k in 0..j {
                v -= a[[i, k]] * a[[j, k]];
            }
            if i == j {
                if v.is_nan() || v <= 0.0 {
                    return None;
                }
                a[[j, j]] = v.sqrt();
            } else {
                a[[i, j]] = v / a[[j, j]];
            }
        }
    }
    Some(a)
}

/// What is wanted: linear amounts of the deviation that should be known, and places that should be.
pub struct Wanted {
    /// Amounts: (weight of the deviation at each lattice place).
    pub amounts: Vec<Array1<f64>>,
    /// How much the variance at each lattice place counts.
    pub places: Array1<f64>,
}

impl Wanted {
    /// How much of what is wanted a placing settles.
    pub fn gain(&self, told: &Told) -> f64 {
        let g = &told.deviation;
        let amounts: f64 = self
            .amounts
            .iter()
            .map(|a| a.dot(g).iter().map(|v| v * v).sum::<f64>())
            .sum();
        let places: f64 = g
            .rows()
            .into_iter()
            .zip(&self.places)
            .map(|(row, w)| w * row.dot(&row))
            .sum();
        amounts + places
    }
}

/// Of the candidates that are `open`, the one that settles the most of what is wanted, and what it
/// would tell; the first of equals.
pub fn best(
    known: &Knowledge,
    candidates: &[Candidate],
    wanted: &Wanted,
    open: &(dyn Fn(&Candidate) -> bool + Sync),
) -> Option<(usize, Told)> {
    let gains: Vec<f64> = candidates
        .par_iter()
        .map(|c| match known.told(c) {
            Some(told) if open(c) => wanted.gain(&told),
            _ => 0.0,
        })
        .collect();
    let (k, gain) = gains
        .iter()
        .copied()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))?;
    (gain > 0.0).then_some(())?;
    Some((k, known.told(candidates.get(k)?)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observe::blank::Planned;

    /// Five places in a row and one aside, the six of them the lattice.
    fn ground() -> Ground {
        let places = (0..5)
            .map(|k| [k as f64 * 50.0, 0.0])
            .chain([[100.0, 80.0]]);
        Ground {
            places: places.collect(),
            lattice: 6,
            pitch_mm: 50.0,
            areas_mm2: vec![2500.0; 6],
            candidates: Vec::new(),
        }
    }

    #[test]
    fn a_placing_takes_away_what_the_whole_matrix_says() {
        let ground = ground();
        let cov = Array2::from_shape_fn((6, 6), |(i, j)| {
            let [a, b] = [ground.places[i], ground.places[j]];
            let d = (a[0] - b[0]).hypot(a[1] - b[1]);
            0.09 * (-(d / 90.0).powi(2)).exp() + if i == j { 0.01 } else { 0.0 }
        });
        let noise = 0.04;
        let candidate = Candidate {
            spot: Planned {
                axis: 0,
                from: 0.0,
                to: 200.0,
                at: 0.0,
                readings: 5,
            },
            rows: (0..5).map(|k| vec![(k, 1.0)]).collect(),
            rests: (0..5).map(|k| vec![1.0, k as f64 - 2.0]).collect(),
            readings_a_row: 1.0,
        };
        let mut known = Knowledge::new(&ground, cov.clone(), noise);
        let told = known.told(&candidate).unwrap();
        known.take(&told);
        // The same by the textbook's formula, the rests as unknowns of variance 10⁶ mm²: K −
        // KAᵀ(AKAᵀ + N)⁻¹AK.
        let n = Array2::from_shape_fn((5, 5), |(i, j)| {
            let (a, b) = (i as f64 - 2.0, j as f64 - 2.0);
            cov[[i, j]] + 1e6 * (1.0 + a * b) + if i == j { noise * noise } else { 0.0 }
        });
        let l = cholesky(n).unwrap();
        let solve = |b: Vec<f64>| -> Vec<f64> {
            let mut x = b;
            for i in 0..5 {
                for j in 0..i {
                    x[i] -= l[[i, j]] * x[j];
                }
                x[i] /= l[[i, i]];
            }
            for i in (0..5).rev() {
                for j in i + 1..5 {
                    x[i] -= l[[j, i]] * x[j];
                }
                x[i] /= l[[i, i]];
            }
            x
        };
        for i in 0..6 {
            let x = solve((0..5).map(|k| cov[[k, i]]).collect());
            for j in 0..6 {
                let taken: f64 = (0..5).map(|k| cov[[j, k]] * x[k]).sum();
                let expected = cov[[i, j]] - taken;
                let got = known.places[[i, j]];
                assert!((got - expected).abs() < 1e-6, "{i} {j}: {got} {expected}");
            }
        }
    }

    #[test]
    fn two_readings_of_an_edge_tell_nothing() {
        let candidate = Candidate {
            spot: Planned {
                axis: 0,
                from: 0.0,
                to: 50.0,
                at: 0.0,
                readings: 2,
            },
            rows: (0..2).map(|k| vec![(k, 1.0)]).collect(),
            rests: (0..2).map(|k| vec![1.0, k as f64]).collect(),
            readings_a_row: 1.0,
        };
        let known = Knowledge::new(&ground(), Array2::eye(6), 0.03);
        assert!(known.told(&candidate).is_none());
    }
}
