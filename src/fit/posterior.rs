//! How surely heights are known together: the covariance of the found surface at any places, for
//! whoever plans the next placings.
//!
//! The surface's own intervals come from a field whose amplitude follows what was *found*
//! (`System::localise`). Between the lines nothing was found, so that field is sure of what nobody
//! looked at. Here the amplitude follows what is to be *expected*: with an even amplitude the
//! readings give the field's mean m and its covariance, and g² is E[d²] = m² + Var d, smoothed. A
//! stretch that was read and is fair has little of either; a low that was found has m; a place that
//! was not read has Var d.

use super::most_used;
use super::smooth::smoothed;
use super::system::{Normal, System, without_cubics};
use super::{Surface, relative_sd, typical_noise};
use crate::observe::Survey;
use crate::panel::Panel;
use crate::problem::Error;
use ndarray::Array2;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

/// Reach over which the expected amplitude may change, mm: about the size of a low.
const LOCAL_MM: f64 = 80.0;
/// Least amplitude, as a share of the rms over the panel.
const LEAST: f64 = 0.15;
/// Draws for the variance of the even field.
const DRAWS: usize = 64;
const SEED: u64 = 0x9e_c4;
/// Places solved for at a time.
const AT_ONCE: usize = 32;

/// Covariance of the height at `places` (panel mm, any number), mm², one row and column a place.
/// Planes, constant curvature and twist may be all but unknown, so their part can be huge: whoever
/// uses it takes them out. Readings the fit left out are left out here.
///
/// # Errors
/// [`Error::Calculation`] when the system cannot be factored.
pub fn covariance(
    panel: &Panel,
    survey: &Survey,
    surface: &Surface,
    places: &[[f64; 2]],
) -> Result<Array2<f64>, Error> {
    let mut system = System::new(surface.basis, panel.form, survey)?;
    let typical = most_used(survey);
    let noise = surface.noise_mm.clone();
    let sigma = typical_noise(&noise, typical);
    system.weigh(&relative_sd(survey, &noise, typical));
    let y: Vec<f64> = system.rows.iter().map(|r| r.value).collect();
    let extra: Vec<f64> = system
        .rows
        .iter()
        .map(|row| {
            let out = |l: &super::LeftOut| (l.placing, l.reading) == (row.placing, row.reading);
            f64::from(u8::from(!surface.left_out.iter().any(out)))
        })
        .collect();
    let normal = system.normal(&y, &extra);
    let [range_mm, amplitude_mm] = surface.even_mm;
    let ratio = amplitude_mm / sigma;
    let by: Vec<f64> = expected_amplitude(&system, &normal, [range_mm, ratio, sigma])?
        .iter()
        .map(|g| g / amplitude_mm)
        .collect();
    system.vary(&by);
    let factor = system.solve(&normal, range_mm, ratio, sigma)?.factor;
    let columns: Vec<Vec<f64>> = places
        .par_chunks(AT_ONCE)
        .map(|some| {
            let mut right: Vec<f64> = some
                .iter()
                .flat_map(|p| system.points(&[[p[0], p[1], 1.0]]))
                .collect();
            factor.solve_in_place(&mut right);
            right
                .chunks(system.unknowns())
                .flat_map(|u| {
                    let c = system.surface(u);
                    places
                        .iter()
                        .map(|p| sigma * sigma * system.basis.value(&c, p[0], p[1], 0, 0))
                        .collect::<Vec<f64>>()
                })
                .collect()
        })
        .collect();
    let n = places.len();
    Array2::from_shape_vec((n, n), columns.concat())
        .map_err(|e| Error::Calculation(format!("the covariance has a wrong shape: {e}")))
}

/// √E[d²] of the field at each spline, mm, cubics apart, smoothed over [`LOCAL_MM`].
fn expected_amplitude(
    system: &System,
    normal: &Normal,
    [range_mm, ratio, sigma]: [f64; 3],
) -> Result<Vec<f64>, Error> {
    let solved = system.solve(normal, range_mm, ratio, sigma)?;
    let basis = system.basis;
    let (n, total) = (basis.count(), system.unknowns());
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(SEED);
    let white: Vec<f64> = (0..total * DRAWS)
        .map(|_| StandardNormal.sample(&mut rng))
        .collect();
    let draws = solved.factor.correlate(white, DRAWS);
    let mut square: Vec<f64> = without_cubics(&basis, &solved.unknowns[..n])
        .iter()
        .map(|v| v * v)
        .collect();
    let steps: Vec<Vec<f64>> = (0..DRAWS)
        .into_par_iter()
        .map(|d| {
            let step: Vec<f64> = (0..n).map(|k| sigma * draws[k * DRAWS + d]).collect();
            without_cubics(&basis, &step)
        })
        .collect();
    for step in &steps {
        for (s, v) in square.iter_mut().zip(step) {
            *s += v * v / DRAWS as f64;
        }
    }
    let mean = square.iter().sum::<f64>() / square.len().max(1) as f64;
    let least = (LEAST * LEAST * mean).max(1e-12);
    let smooth = smoothed(
        [basis.x.count(), basis.y.count()],
        [basis.x.spacing, basis.y.spacing],
        &square,
        LOCAL_MM,
    );
    Ok(smooth.iter().map(|s| (s + least).sqrt()).collect())
}
