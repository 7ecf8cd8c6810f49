//! Camera, pose and shape from targets, the most probable ones under weak priors.
//!
//! Minimised is Σ |r|²/σ² + Σ prior terms: r the distance of a target in the photo from where the
//! camera sees it, σ from what reading a photo and taping a panel are good for. Priors hold what
//! few targets cannot tell. Gauss-Newton with Levenberg's damping (K. Levenberg, Quart. Appl. Math.
//! 2 (1944) 164-168), from several focal lengths.

use super::camera::{Camera, POSE, Shape, UNKNOWNS};
use super::crown::Crown;
use super::homography::{self, Pair};
use crate::panel::Panel;
use nalgebra::{Matrix2, SMatrix, SVector};

/// Standard deviation of a taped place, mm: half a pencil mark and half a mm of tape each way
/// (common practice, no source).
pub const TAPE_MM: f64 = 1.0;
/// Focal lengths tried, over the photo's longer side: phones have 0.7 to 0.8, a lens of 50 mm on
/// full frame 1.4.
const FOCALS: [f64; 3] = [0.8, 1.4, 3.0];
/// Prior of the focal length: its natural logarithm over the longer side is 0, standard deviation
/// 0.4 …
const FOCAL_SPREAD: f64 = 0.4;
/// … of the optical axis: the photo's middle, off by this part of the longer side (more, lightly,
/// where a photo is cut) …
const MIDDLE_SPREAD: f64 = 0.02;
/// … of the distortion: none, off by this.
const DISTORTION_SPREAD: f64 = 0.025;
/// Degrees of freedom of those three.
const TAIL: f64 = 4.0;
const MOST_STEPS: usize = 60;

/// What a solution needs beside the targets.
pub struct Setting<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// Columns and rows of the photo.
    pub size: [f64; 2],
    /// How well the targets' places are known.
    pub spread: Spread,
    /// What is known of the panel's bend before the targets are looked at.
    pub crown: Crown,
}

/// How well places of targets are known: standard deviations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Of the place in the photo, px.
    pub photo_px: f64,
    /// Of the taped place on the panel, mm.
    pub tape_mm: f64,
}

/// A solution.
#[derive(Clone, Debug)]
pub struct Solution {
    /// The camera.
    pub camera: Camera,
    /// The minimum, in squared standard deviations. Where priors and σ are true it is distributed
    /// as χ² with 2n − 6 degrees of freedom: 2n coordinates and 13 priors less 19 unknowns.
    pub misfit: f64,
    /// The part of it that is due to focal length, axis and distortion being unusual.
    pub lens_misfit: f64,
    /// Covariance of the unknowns (as [`Camera::moved`] has them).
    pub covariance: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
}

type Normal = SMatrix<f64, UNKNOWNS, UNKNOWNS>;
type Right = SVector<f64, UNKNOWNS>;

/// The most probable camera; `None` when the homography is none, or nothing sound is reached.
pub fn camera(setting: &Setting, pairs: &[Pair]) -> Option<Solution> {
    camera_from(setting, pairs, &FOCALS)
}

/// The same from some focal lengths only, over the photo's longer side.
pub fn camera_from(setting: &Setting, pairs: &[Pair], focals: &[f64]) -> Option<Solution> {
    let (h, _) = homography::fitted(pairs)?;
    let longest = setting.size[0].max(setting.size[1]);
    let middle = [setting.size[0] / 2.0, setting.size[1] / 2.0];
    focals
        .iter()
        .filter_map(|f| {
            Camera::from_homography(&h, f * longest, middle, Shape::plane(setting.panel))
        })
        .filter_map(|start| descend(setting, pairs, start))
        .min_by(|a, b| a.misfit.total_cmp(&b.misfit))
}

/// The standard deviation of a target in the photo, px: reading and taping together; the scale is
/// the plane panel's there.
pub fn spread(setting: &Setting, camera: &Camera, p: [f64; 2]) -> f64 {
    let scale = local_scale(camera, p).map_or(0.0, |m| m.determinant().abs().sqrt());
    setting
        .spread
        .photo_px
        .hypot(setting.spread.tape_mm * scale)
}

/// How the photo moves with the panel at a point: d(column, row)/d(x, y), px per mm.
pub fn local_scale(camera: &Camera, p: [f64; 2]) -> Option<Matrix2<f64>> {
    const STEP_MM: f64 = 0.5;
    let at = |x: f64, y: f64| camera.point_in_photo(x, y);
    let (left, right) = (at(p[0] - STEP_MM, p[1])?, at(p[0] + STEP_MM, p[1])?);
    let (down, up) = (at(p[0], p[1] - STEP_MM)?, at(p[0], p[1] + STEP_MM)?);
    Some(
        Matrix2::new(
            right[0] - left[0],
            up[0] - down[0],
            right[1] - left[1],
            up[1] - down[1],
        ) / (2.0 * STEP_MM),
    )
}

/// Levenberg's descent; every step is accepted only if the misfit falls.
fn descend(setting: &Setting, pairs: &[Pair], start: Camera) -> Option<Solution> {
    let spreads: Vec<f64> = pairs
        .iter()
        .map(|(p, _)| spread(setting, &start, *p))
        .collect();
    let longest = setting.size[0].max(setting.size[1]);
    let priors = Priors { setting, longest };
    let mut camera = start;
    let mut misfit = priors.cost(&camera) + data_cost(pairs, &spreads, &camera)?;
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let (normal, right) = equations(pairs, &spreads, &priors, &camera)?;
        let mut accepted = None;
        for _ in 0..12 {
            let damped = normal + Normal::from_diagonal(&(normal.diagonal() * damping));
            let step = damped.cholesky().map(|c| c.solve(&right));
            let next = step.map(|s| camera.moved(&s.data.0[0]));
            let cost = next
                .as_ref()
                .and_then(|n| Some(priors.cost(n) + data_cost(pairs, &spreads, n)?));
            if let (Some(next), Some(cost)) = (next, cost.filter(|c| *c < misfit)) {
                accepted = Some((next, cost));
                damping = (damping * 0.2_f64).max(1e-9);
                break;
            }
            damping *= 6.0;
        }
        let Some((next, cost)) = accepted else {
            break;
        };
        let enough = misfit - cost < 1e-5 * (1.0 + misfit);
        (camera, misfit) = (next, cost);
        if enough {
            break;
        }
    }
    let (normal, _) = equations(pairs, &spreads, &priors, &camera)?;
    let covariance = normal.cholesky()?.inverse();
    Some(Solution {
        lens_misfit: priors.lens_cost(&camera),
        camera,
        misfit,
        covariance,
    })
}

fn data_cost(pairs: &[Pair], spreads: &[f64], camera: &Camera) -> Option<f64> {
    let mut sum = 0.0;
    for ((p, q), sd) in pairs.iter().zip(spreads) {
        let seen = camera.point_in_photo(p[0], p[1])?;
        sum += ((q[0] - seen[0]).powi(2) + (q[1] - seen[1]).powi(2)) / (sd * sd);
    }
    Some(sum)
}

/// Weak knowledge of cameras and panels. Those of focal length, axis and distortion have long
/// tails, Student's with [`TAIL`] degrees of freedom: cost (ν + 1)·ln(1 + t²/ν), in the equations
/// the weight (ν + 1)/(ν + t²). A cut photo or a strong lens is then dear, but not beyond all
/// measure.
struct Priors<'a> {
    setting: &'a Setting<'a>,
    longest: f64,
}

impl Priors<'_> {
    /// Departures of focal length, axis and distortion in standard deviations, and how far one unit
    /// of [`Camera::moved`] moves each.
    fn departures(&self, camera: &Camera) -> [(f64, f64); 4] {
        let middle = [self.setting.size[0] / 2.0, self.setting.size[1] / 2.0];
        let axis = MIDDLE_SPREAD * self.longest;
        [
            (
                (camera.focal / self.longest).ln() / FOCAL_SPREAD,
                1.0 / FOCAL_SPREAD,
            ),
            ((camera.middle[0] - middle[0]) / axis, camera.focal / axis),
            ((camera.middle[1] - middle[1]) / axis, camera.focal / axis),
            (
                camera.distortion / DISTORTION_SPREAD,
                1.0 / DISTORTION_SPREAD,
            ),
        ]
    }

    fn lens_cost(&self, camera: &Camera) -> f64 {
        self.departures(camera)
            .iter()
            .map(|(t, _)| (TAIL + 1.0) * (1.0 + t * t / TAIL).ln())
            .sum()
    }

    /// Departures of the shape's terms in standard deviations, and those.
    fn off_crown(&self, camera: &Camera) -> impl Iterator<Item = (f64, f64)> {
        let Crown { terms_mm, sd_mm } = self.setting.crown;
        let terms = camera.shape.terms.into_iter().zip(terms_mm).zip(sd_mm);
        terms.map(|((term, known), sd)| ((term - known) / sd, sd))
    }

    fn cost(&self, camera: &Camera) -> f64 {
        self.lens_cost(camera) + self.off_crown(camera).map(|(t, _)| t * t).sum::<f64>()
    }

    fn add(&self, camera: &Camera, normal: &mut Normal, right: &mut Right) {
        for (i, (t, per_unit)) in self.departures(camera).into_iter().enumerate() {
            let weight = (TAIL + 1.0) / (TAIL + t * t);
            normal[(i, i)] += weight * per_unit * per_unit;
            right[i] -= weight * per_unit * t;
        }
        for (i, (t, sd)) in self.off_crown(camera).enumerate() {
            normal[(POSE + i, POSE + i)] += 1.0 / (sd * sd);
            right[POSE + i] -= t / sd;
        }
    }
}

/// How points in the photo move with each unknown, by differences about a camera.
pub struct Sensitivity {
    camera: Camera,
    /// For each unknown the camera a little ahead and a little back, and the distance between them.
    beside: Vec<(Camera, Camera, f64)>,
}

impl Sensitivity {
    /// About this camera.
    pub fn about(camera: &Camera) -> Self {
        let beside = (0..UNKNOWNS).map(|i| {
            let h = if i < POSE { 1e-5 } else { 1e-2 };
            let mut step = [0.0; UNKNOWNS];
            step[i] = h;
            let ahead = camera.moved(&step);
            step[i] = -h;
            (ahead, camera.moved(&step), 2.0 * h)
        });
        Sensitivity {
            camera: camera.clone(),
            beside: beside.collect(),
        }
    }

    /// At a point of the panel: d(column, row)/d(unknown).
    pub fn at(&self, p: [f64; 2]) -> Option<[[f64; 2]; UNKNOWNS]> {
        let mut all = [[0.0; 2]; UNKNOWNS];
        // Camera and pose leave the point where it is in panel space; only the shape moves it.
        let space = self.camera.shape.in_space(p[0], p[1]);
        for (i, (d, (ahead, back, apart))) in all.iter_mut().zip(&self.beside).enumerate() {
            let seen = |camera: &Camera| {
                if i < POSE {
                    camera.project(space)
                } else {
                    camera.point_in_photo(p[0], p[1])
                }
            };
            let (a, b) = (seen(ahead)?, seen(back)?);
            *d = [(a[0] - b[0]) / apart, (a[1] - b[1]) / apart];
        }
        Some(all)
    }
}

fn equations(
    pairs: &[Pair],
    spreads: &[f64],
    priors: &Priors,
    camera: &Camera,
) -> Option<(Normal, Right)> {
    let (mut normal, mut right) = (Normal::zeros(), Right::zeros());
    let sensitivity = Sensitivity::about(camera);
    priors.add(camera, &mut normal, &mut right);
    for ((p, q), sd) in pairs.iter().zip(spreads) {
        let seen = camera.point_in_photo(p[0], p[1])?;
        let by = sensitivity.at(*p)?;
        for k in 0..2 {
            let row = Right::from_fn(|i, _| by[i][k] / sd);
            normal.ger(1.0, &row, &row, 1.0);
            right += row * ((q[k] - seen[k]) / sd);
        }
    }
    Some((normal, right))
}

/// Standard deviation of a place on the panel, mm: its larger half axis, from the unknowns'
/// covariance.
pub fn place_sd_mm(solution: &Solution, sensitivity: &Sensitivity, p: [f64; 2]) -> Option<f64> {
    let by = sensitivity.at(p)?;
    let panel_from_photo = local_scale(&solution.camera, p)?.try_inverse()?;
    let rows = SMatrix::<f64, 2, UNKNOWNS>::from_fn(|k, i| by[i][k]);
    let on_panel = panel_from_photo * rows;
    let covariance = on_panel * solution.covariance * on_panel.transpose();
    let (mean, half) = (
        (covariance[(0, 0)] + covariance[(1, 1)]) / 2.0,
        (covariance[(0, 0)] - covariance[(1, 1)]) / 2.0,
    );
    Some((mean + half.hypot(covariance[(0, 1)])).max(0.0).sqrt())
}
