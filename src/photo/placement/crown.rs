//! The panel's own bend, as readings found it: with it, few targets are enough on a curved panel.
//!
//! Targets near the corners do not tell a crowned panel from a flat one further away. A
//! straightedge does: the found surface is written in the terms of [`Shape`], each with the spread
//! that the surface's draws give it.

use super::camera::{SHAPE, Shape};
use crate::fit::Surface;
use crate::panel::Panel;
use nalgebra::{DMatrix, DVector};

/// Places along each side at which the surface is taken.
const ALONG: usize = 15;
/// A height taped along the skin and one over a chord differ by this share at most (worked out: a
/// crown of a twentieth of the side).
const CHORD: f64 = 0.02;
/// No term is known more closely than this, mm.
const LEAST_SD_MM: f64 = 0.3;

/// The terms of a panel's shape, known beforehand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crown {
    /// One coefficient a term of [`Shape`], mm.
    pub terms_mm: [f64; SHAPE],
    /// Their standard deviations, mm.
    pub sd_mm: [f64; SHAPE],
}

impl Crown {
    /// What is expected of a panel's form before anything is measured.
    pub fn expected(panel: &Panel) -> Crown {
        Crown {
            terms_mm: [0.0; SHAPE],
            sd_mm: Shape::expected(panel),
        }
    }

    /// The bend of a found surface: least squares over the panel, the plane apart. `None` where
    /// that has no solution.
    pub fn of(panel: &Panel, surface: &Surface) -> Option<Crown> {
        let half = [panel.length_mm / 2.0, panel.width_mm / 2.0];
        let side = |k: usize| 2.0 * k as f64 / (ALONG - 1) as f64 - 1.0;
        let places: Vec<[f64; 2]> = (0..ALONG * ALONG)
            .map(|k| [side(k % ALONG), side(k / ALONG)])
            .filter(|[p, q]| panel.contains(half[0] * (1.0 + p), half[1] * (1.0 + q)))
            .collect();
        let terms = DMatrix::from_fn(places.len(), 3 + SHAPE, |row, column| {
            let [p, q] = places[row];
            match column {
                0 => 1.0,
                1 => p,
                2 => q,
                // In the order of `Shape::terms`.
                3 => p * p,
                4 => p * q,
                5 => q * q,
                6 => p * p * p,
                7 => p * p * q,
                8 => p * q * q,
                9 => q * q * q,
                10 => p.powi(4),
                _ => q.powi(4),
            }
        });
        let solver = terms.clone().svd(true, true);
        let of = |coefficients: &[f64]| -> Option<[f64; SHAPE]> {
            let heights = DVector::from_iterator(
                places.len(),
                places.iter().map(|[p, q]| {
                    let [x, y] = [half[0] * (1.0 + p), half[1] * (1.0 + q)];
                    surface.basis.value(coefficients, x, y, 0, 0)
                }),
            );
            let solved = solver.solve(&heights, 1e-9).ok()?;
            Some(std::array::from_fn(|k| solved[3 + k]))
        };
        let terms_mm = of(&surface.coefficients)?;
        let mut square = [0.0; SHAPE];
        for draw in &surface.draws {
            for (s, (d, t)) in square.iter_mut().zip(of(draw)?.iter().zip(terms_mm)) {
                *s += (d - t).powi(2) / surface.draws.len() as f64;
            }
        }
        // What readings cannot tell, such as twist where every edge lay along a side, is as open as
        // the form leaves it.
        let expected = Crown::expected(panel);
        let mut crown = expected;
        for k in 0..SHAPE {
            let read = square[k] + (CHORD * terms_mm[k]).powi(2) + LEAST_SD_MM * LEAST_SD_MM;
            let form = expected.sd_mm[k] * expected.sd_mm[k];
            crown.terms_mm[k] = terms_mm[k] * form / (form + read);
            crown.sd_mm[k] = (form * read / (form + read)).sqrt();
        }
        Some(crown)
    }
}
