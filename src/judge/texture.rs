//! Height parameters of ISO 25178-2 over the nodes, and what is in each band of wavelengths.
//!
//! The deviation already has the fair shape taken off; heights are counted from its mean (or, if
//! asked, from its least-squares plane). Nodes count by the area of panel they stand for.

use crate::fit::least_squares::{LeastSquaresError, solve_weighted};
use crate::judge::{Band, Texture};
use ndarray::{Array2, Axis, Zip};
use rayon::prelude::*;

/// What the heights are counted from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CountedFrom {
    /// The weighted mean height.
    Mean,
    /// The weighted least-squares plane.
    Plane,
}

/// Sa, Sq, Sz and Sdq of ISO 25178-2:2012 (4.1.7, 4.1.1, 4.1.6, 4.3.1) over the nodes.
///
/// `deviation` in mm and `weights` in mm² are indexed `[[iy, ix]]`; a node counts when its
/// deviation is a number and its weight is above 0. Heights are counted from the weighted mean, or
/// plane. Sz is the highest less the lowest, over the whole area. Sdq is the root mean square
/// gradient by central differences, one-sided where the neighbour on one side is no number; a node
/// with no neighbour along x or along y is left out of it. Central differences over 2·step pass a
/// slope of wavelength λ with sin(2π·step/λ)/(2π·step/λ): 0.98 at λ = 20 steps.
///
/// `None` when no node counts, or when the two arrays differ in shape. With `Plane`, also when the
/// nodes do not carry a plane (fewer than three, or all in a line). Sdq is NaN when no node has
/// neighbours both ways.
pub fn texture(
    deviation: &Array2<f64>,
    weights: &Array2<f64>,
    step_mm: f64,
    from: CountedFrom,
) -> Option<Texture> {
    if deviation.dim() != weights.dim() {
        return None;
    }
    let counts = |n: (usize, usize)| deviation[n].is_finite() && weights[n] > 0.0;
    let nodes: Vec<(usize, usize)> = deviation
        .indexed_iter()
        .map(|(n, _)| n)
        .filter(|n| counts(*n))
        .collect();
    let total: f64 = nodes.iter().map(|n| weights[*n]).sum();
    if nodes.is_empty() || !total.is_finite() {
        return None;
    }
    let [level, along_x, along_y] = match from {
        CountedFrom::Mean => {
            let sum: f64 = nodes.iter().map(|n| weights[*n] * deviation[*n]).sum();
            [sum / total, 0.0, 0.0]
        }
        CountedFrom::Plane => plane(deviation, weights, &nodes).ok()?,
    };
    let height =
        |n: (usize, usize)| deviation[n] - level - along_x * n.1 as f64 - along_y * n.0 as f64;

    let mean_of = |f: &dyn Fn((usize, usize)) -> f64| {
        nodes.iter().map(|n| weights[*n] * f(*n)).sum::<f64>() / total
    };
    let highest = nodes
        .iter()
        .map(|n| height(*n))
        .fold(f64::NEG_INFINITY, f64::max);
    let lowest = nodes
        .iter()
        .map(|n| height(*n))
        .fold(f64::INFINITY, f64::min);
    let (mut steepness, mut covered) = (0.0, 0.0);
    for n in &nodes {
        if let Some([gx, gy]) = gradient(deviation, *n) {
            let (gx, gy) = ((gx - along_x) / step_mm, (gy - along_y) / step_mm);
            steepness += weights[*n] * (gx * gx + gy * gy);
            covered += weights[*n];
        }
    }
    Some(Texture {
        sa_mm: mean_of(&|n| height(n).abs()),
        sq_mm: mean_of(&|n| height(n).powi(2)).sqrt(),
        sz_mm: highest - lowest,
        sdq: (steepness / covered).sqrt(),
    })
}

/// Weighted least-squares plane over the nodes: height at node (0, 0), rise per step along x, along
/// y.
fn plane(
    deviation: &Array2<f64>,
    weights: &Array2<f64>,
    nodes: &[(usize, usize)],
) -> Result<[f64; 3], LeastSquaresError> {
    let rows = Array2::from_shape_fn((nodes.len(), 3), |(k, column)| match column {
        0 => 1.0,
        1 => nodes[k].1 as f64,
        _ => nodes[k].0 as f64,
    });
    let heights: Vec<f64> = nodes.iter().map(|n| deviation[*n]).collect();
    let weight: Vec<f64> = nodes.iter().map(|n| weights[*n]).collect();
    let fitted = solve_weighted(&rows, &heights, &weight)?;
    Ok(std::array::from_fn(|k| fitted.coef[k]))
}

/// Rise per step along x and along y; `None` when there is no neighbour to take it from.
fn gradient(z: &Array2<f64>, (iy, ix): (usize, usize)) -> Option<[f64; 2]> {
    let at =
        |y: Option<usize>, x: Option<usize>| z.get((y?, x?)).copied().filter(|v| v.is_finite());
    let (x, y) = (Some(ix), Some(iy));
    let here = at(y, x)?;
    let rise = |before: Option<f64>, after: Option<f64>| match (before, after) {
        (Some(b), Some(a)) => Some((a - b) / 2.0),
        (Some(b), None) => Some(here - b),
        (None, Some(a)) => Some(a - here),
        (None, None) => None,
    };
    let along_x = rise(at(y, ix.checked_sub(1)), at(y, ix.checked_add(1)))?;
    let along_y = rise(at(iy.checked_sub(1), x), at(iy.checked_add(1), x))?;
    Some([along_x, along_y])
}

/// Long-wave part of the surface by the areal Gaussian filter with the given cutoff wavelength.
///
/// ISO 16610-61: the product of two profile filters of ISO 16610-21, weight exp(−π(x/αλc)²) with α
/// = √(ln 2/π), so a wave of length λ passes with 2^−(λc/λ)², half at the cutoff. The weights are
/// cut off at ±λc (10⁻⁷ of them lost). At edges and openings the weights that fall on numbers are
/// scaled up to 1, which bends the result towards what is there. Nodes that are no number stay so.
/// A cutoff that is no positive number smooths nothing.
pub fn gaussian_smooth(values: &Array2<f64>, step_mm: f64, cutoff_mm: f64) -> Array2<f64> {
    let reach = (cutoff_mm / step_mm * (1.0 + 1e-12)).floor();
    if reach.is_nan() || reach < 1.0 || !cutoff_mm.is_finite() {
        return values.clone();
    }
    let longest = values.nrows().max(values.ncols());
    let reach = (reach as usize).min(longest);
    let alpha = (std::f64::consts::LN_2 / std::f64::consts::PI).sqrt();
    let kernel: Vec<f64> = (0..=reach)
        .map(|k| {
            let x = k as f64 * step_mm / (alpha * cutoff_mm);
            (-std::f64::consts::PI * x * x).exp()
        })
        .collect();
    let held = values.mapv(|v| if v.is_finite() { 1.0 } else { 0.0 });
    let known = values.mapv(|v| if v.is_finite() { v } else { 0.0 });
    let (sum, share) = rayon::join(|| blur(&known, &kernel), || blur(&held, &kernel));
    let mut smooth = sum;
    Zip::from(&mut smooth)
        .and(&share)
        .and(values)
        .for_each(|s, &w, &v| *s = if v.is_finite() { *s / w } else { f64::NAN });
    smooth
}

/// Sums with the kernel's weights, along x and then along y.
fn blur(values: &Array2<f64>, kernel: &[f64]) -> Array2<f64> {
    let along_x = blur_rows(values, kernel);
    blur_rows(&along_x.t().as_standard_layout().into_owned(), kernel)
        .t()
        .as_standard_layout()
        .into_owned()
}

fn blur_rows(values: &Array2<f64>, kernel: &[f64]) -> Array2<f64> {
    let mut blurred = Array2::zeros(values.dim());
    let rows: Vec<_> = blurred
        .axis_iter_mut(Axis(0))
        .zip(values.axis_iter(Axis(0)))
        .collect();
    rows.into_par_iter().for_each(|(mut to, from)| {
        if let (Some(to), Some(from)) = (to.as_slice_mut(), from.as_slice()) {
            blur_line(to, from, kernel);
        }
    });
    blurred
}

fn blur_line(to: &mut [f64], from: &[f64], kernel: &[f64]) {
    for (k, &weight) in kernel.iter().enumerate().take(from.len()) {
        let n = from.len() - k;
        for (t, f) in to[..n].iter_mut().zip(&from[k..]) {
            *t += weight * f;
        }
        if k > 0 {
            for (t, f) in to[k..].iter_mut().zip(&from[..n]) {
                *t += weight * f;
            }
        }
    }
}

/// Wavelengths that part the bands unless others are wanted, mm (our own choice).
pub const BAND_EDGES_MM: [f64; 4] = [100.0, 300.0, 600.0, 1200.0];

/// Root mean square of the deviation in each band of wavelengths.
///
/// The edges are cutoffs in mm, rising. The first band runs from the shortest wave the nodes can
/// hold (two steps) to the first edge; each next one is the difference of two Gaussian smoothings
/// ([`gaussian_smooth`]), so neighbouring bands overlap as those filters do: half of a wave at an
/// edge lands on either side. What is longer than the last edge is in no band. Edges that do not
/// lie above two steps, or do not rise, are passed over. Rms with `weights`, over nodes that are
/// numbers, about zero; NaN when there are none.
pub fn bands(
    deviation: &Array2<f64>,
    weights: &Array2<f64>,
    step_mm: f64,
    edges_mm: &[f64],
) -> Vec<Band> {
    let mut found = Vec::new();
    if deviation.dim() != weights.dim() {
        return found;
    }
    let mut from_mm = 2.0 * step_mm;
    let mut longer = deviation.clone();
    for &to_mm in edges_mm {
        if !(to_mm > from_mm && to_mm.is_finite()) {
            continue;
        }
        let smooth = gaussian_smooth(deviation, step_mm, to_mm);
        let sq_mm = rms(&(&longer - &smooth), weights);
        found.push(Band {
            from_mm,
            to_mm,
            sq_mm,
        });
        (longer, from_mm) = (smooth, to_mm);
    }
    found
}

/// Weighted root mean square about zero, over nodes that are numbers.
fn rms(values: &Array2<f64>, weights: &Array2<f64>) -> f64 {
    let (mut sum, mut total) = (0.0, 0.0);
    for (v, w) in values.iter().zip(weights) {
        if v.is_finite() && *w > 0.0 {
            sum += w * v * v;
            total += w;
        }
    }
    (sum / total).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ones(z: &Array2<f64>) -> Array2<f64> {
        Array2::from_elem(z.dim(), 1.0)
    }

    #[test]
    fn a_shift_changes_nothing_and_a_plane_only_what_is_counted_from_the_mean() {
        let wave = Array2::from_shape_fn((30, 40), |(y, x)| {
            (0.7 * x as f64).sin() * (0.4 * y as f64).cos()
        });
        let tilted = Array2::from_shape_fn((30, 40), |(y, x)| {
            wave[[y, x]] + 5.0 + 0.3 * x as f64 - 0.2 * y as f64
        });
        let w = ones(&wave);
        let of = |z: &Array2<f64>, from| {
            texture(z, &w, 10.0, from).map(|t| [t.sa_mm, t.sq_mm, t.sz_mm, t.sdq])
        };
        let (flat, tilt) = (
            of(&wave, CountedFrom::Plane),
            of(&tilted, CountedFrom::Plane),
        );
        for (a, b) in flat.iter().flatten().zip(tilt.iter().flatten()) {
            assert!((a - b).abs() < 1e-12, "{a} {b}");
        }
        let by_mean = of(&tilted, CountedFrom::Mean);
        assert!(by_mean.is_some_and(|t| t[1] > 3.0));
    }

    #[test]
    fn nodes_without_weight_or_number_do_not_count() {
        let mut z = Array2::from_shape_fn((5, 5), |(y, x)| (x + y) as f64);
        let mut w = ones(&z);
        let before = texture(&z, &w, 1.0, CountedFrom::Mean);
        assert!(before.is_some_and(|t| (t.sdq - 2.0_f64.sqrt()).abs() < 1e-12));
        z[[2, 2]] = f64::NAN;
        w[[0, 0]] = 0.0;
        let after = texture(&z, &w, 1.0, CountedFrom::Mean);
        assert!(after.is_some_and(|t| t.sz_mm == 7.0 && (t.sdq - 2.0_f64.sqrt()).abs() < 1e-12));
        assert_eq!(
            texture(&z, &Array2::zeros((5, 5)), 1.0, CountedFrom::Mean),
            None
        );
        assert_eq!(
            texture(&z, &Array2::zeros((4, 5)), 1.0, CountedFrom::Mean),
            None
        );
    }

    #[test]
    fn smoothing_leaves_a_constant_alone_also_beside_an_opening() {
        let mut z = Array2::from_elem((20, 30), 3.25);
        z[[7, 9]] = f64::NAN;
        let smooth = gaussian_smooth(&z, 10.0, 80.0);
        for (n, v) in smooth.indexed_iter() {
            assert_eq!(v.is_nan(), n == (7, 9));
            assert!(v.is_nan() || (v - 3.25).abs() < 1e-12);
        }
        assert_eq!(gaussian_smooth(&z, 10.0, f64::NAN)[[0, 0]], 3.25);
        assert_eq!(gaussian_smooth(&Array2::zeros((0, 0)), 10.0, 80.0).len(), 0);
    }

    #[test]
    fn a_wave_lands_in_its_own_band() {
        let z = Array2::from_shape_fn((121, 181), |(_, x)| {
            0.1 * (std::f64::consts::TAU * x as f64 * 10.0 / 180.0).sin()
        });
        let found = bands(&z, &ones(&z), 10.0, &BAND_EDGES_MM);
        assert_eq!(found.len(), 4);
        assert_eq!((found[0].from_mm, found[3].to_mm), (20.0, 1200.0));
        let most = found.iter().map(|b| b.sq_mm).fold(0.0, f64::max);
        assert_eq!(found[1].sq_mm, most);
        assert!(bands(&z, &ones(&z), 10.0, &[15.0, f64::NAN]).is_empty());
    }
}
