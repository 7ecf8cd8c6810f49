//! A panel that is not plane, seen by a camera: what a homography cannot say.
//!
//! Panel coordinates are taped along the surface. The surface is a low polynomial z(u, v) about the
//! panel's middle; the camera has a focal length, a middle, one number for the lens's radial
//! distortion, and a pose. What is not known is held by weak priors ([`super::solve`]).

use crate::panel::{Form, Panel};
use nalgebra::{Matrix3, Rotation3, Vector3};

/// How many numbers the shape of the surface has.
pub const SHAPE: usize = 9;
/// How many numbers camera, pose and shape have together.
pub const UNKNOWNS: usize = POSE + SHAPE;
/// How many of them are camera and pose: they come first.
pub const POSE: usize = 10;
/// The surface, mm out of the skin: with p = u/a and q = v/b from the panel's middle, the terms p²,
/// pq, q², p³, p²q, pq², q³, p⁴, q⁴.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    /// Half the panel's length and width, mm: its middle, and the scale of u and v.
    pub half: [f64; 2],
    /// One coefficient a term, mm.
    pub terms: [f64; SHAPE],
}

impl Shape {
    /// A plane panel.
    pub fn plane(panel: &Panel) -> Self {
        Shape {
            half: [panel.length_mm / 2.0, panel.width_mm / 2.0],
            terms: [0.0; SHAPE],
        }
    }

    /// What may be expected of a panel's shape, standard deviations in mm (common practice, no
    /// source): a crown of a twentieth of the length where the form curves, some thousandths where
    /// it is straight.
    pub fn expected(panel: &Panel) -> [f64; SHAPE] {
        let (l, w) = (panel.length_mm, panel.width_mm);
        let both = (l * w).sqrt();
        let (curved_x, curved_y) = match panel.form {
            Form::Flat => (false, false),
            Form::RuledX => (false, true),
            Form::RuledY => (true, false),
            Form::Crowned => (true, true),
        };
        let pick = |curved: bool, much: f64, little: f64| if curved { much } else { little };
        let either = curved_x && curved_y;
        [
            pick(curved_x, 0.03, 0.0012) * l,
            pick(either, 0.008, 0.0015) * both,
            pick(curved_y, 0.03, 0.0012) * w,
            pick(curved_x, 0.006, 0.0004) * l,
            pick(either, 0.004, 0.0004) * both,
            pick(either, 0.004, 0.0004) * both,
            pick(curved_y, 0.006, 0.0004) * w,
            pick(curved_x, 0.003, 0.0002) * l,
            pick(curved_y, 0.003, 0.0002) * w,
        ]
    }

    /// Slopes z_u and z_v at (u, v), mm from the middle.
    fn slopes(&self, u: f64, v: f64) -> [f64; 2] {
        let [a, b] = self.half;
        let (p, q) = (u / a, v / b);
        let [c0, c1, c2, c3, c4, c5, c6, c7, c8] = self.terms;
        [
            (c1 * q + c5 * q * q + p * (2.0 * (c0 + c4 * q) + p * (3.0 * c3 + 4.0 * c7 * p))) / a,
            (c1 * p + c4 * p * p + q * (2.0 * (c2 + c5 * p) + q * (3.0 * c6 + 4.0 * c8 * q))) / b,
        ]
    }

    /// Height at (u, v), mm from the middle.
    fn height(&self, u: f64, v: f64) -> f64 {
        let (p, q) = (u / self.half[0], v / self.half[1]);
        let [c0, c1, c2, c3, c4, c5, c6, c7, c8] = self.terms;
        c1 * p * q
            + p * p * (c0 + c4 * q + p * (c3 + c7 * p))
            + q * q * (c2 + c5 * p + q * (c6 + c8 * q))
    }

    /// Where a point taped at (x, y) lies in space, from the panel's middle. Taped along the
    /// surface, a step ds at slope s (height over tape) comes forward by √(1 − s²)·ds; what the
    /// tape takes up by running over the curve is the integral of 1 − √(1 − s²), along each axis
    /// from the middle, by Gauss's rule of three points.
    pub fn in_space(&self, x: f64, y: f64) -> [f64; 3] {
        const AT: [(f64, f64); 3] = [
            (0.112_701_665_379_258_3, 5.0 / 18.0),
            (0.5, 8.0 / 18.0),
            (0.887_298_334_620_741_7, 5.0 / 18.0),
        ];
        let (u, v) = (x - self.half[0], y - self.half[1]);
        if self.terms == [0.0; SHAPE] {
            return [u, v, 0.0];
        }
        let lost = |slope: f64| 1.0 - (1.0 - slope * slope).max(0.0).sqrt();
        let (mut taken_u, mut taken_v) = (0.0, 0.0);
        for (t, weight) in AT {
            taken_u += weight * u * lost(self.slopes(t * u, v)[0]);
            taken_v += weight * v * lost(self.slopes(u, t * v)[1]);
        }
        [u - taken_u, v - taken_v, self.height(u, v)]
    }
}

/// A camera looking at a panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Camera {
    /// Focal length, px.
    pub focal: f64,
    /// Where the optical axis meets the photo, px.
    pub middle: [f64; 2],
    /// Radial distortion: a ray at r (tangent of its angle off the axis) is seen at r·(1 +
    /// distortion·r²).
    pub distortion: f64,
    /// From panel space (x, y or its opposite, out of the skin) to camera space (right, down,
    /// ahead).
    pub rotation: Rotation3<f64>,
    /// The panel's middle in camera space, mm.
    pub shift: Vector3<f64>,
    /// 1, or −1 where y runs clockwise from x as seen (datum corner top left): panel space is then
    /// mirrored, so that height points to the viewer.
    pub handed: f64,
    /// The panel's surface.
    pub shape: Shape,
}

impl Camera {
    /// Where a point of the panel is seen; `None` behind the camera or where the lens's distortion
    /// would fold the picture.
    pub fn point_in_photo(&self, x: f64, y: f64) -> Option<[f64; 2]> {
        self.project(self.shape.in_space(x, y))
    }

    /// Where a point of panel space is seen; `None` as for [`Camera::point_in_photo`].
    pub fn project(&self, [u, v, z]: [f64; 3]) -> Option<[f64; 2]> {
        let p = self.rotation * Vector3::new(u, self.handed * v, z) + self.shift;
        if p[2] <= 1e-6 * self.shift[2].abs() {
            return None;
        }
        let (a, b) = (p[0] / p[2], p[1] / p[2]);
        let r2 = a * a + b * b;
        if 1.0 + 3.0 * self.distortion * r2 < 0.05 {
            return None;
        }
        let factor = self.focal * (1.0 + self.distortion * r2);
        Some([self.middle[0] + factor * a, self.middle[1] + factor * b])
    }

    /// A camera of this focal length (px) and middle that sees the plane panel as a homography
    /// (photo from panel) does, as far as it can.
    pub fn from_homography(
        h: &Matrix3<f64>,
        focal: f64,
        middle: [f64; 2],
        shape: Shape,
    ) -> Option<Self> {
        let [a, b] = shape.half;
        let centred = h * Matrix3::new(1.0, 0.0, a, 0.0, 1.0, b, 0.0, 0.0, 1.0);
        let scaled = Matrix3::new(
            1.0 / focal,
            0.0,
            -middle[0] / focal,
            0.0,
            1.0 / focal,
            -middle[1] / focal,
            0.0,
            0.0,
            1.0,
        ) * centred;
        let scaled = if scaled[(2, 2)] < 0.0 {
            -scaled
        } else {
            scaled
        };
        let size = (scaled.column(0).norm() * scaled.column(1).norm()).sqrt();
        let shift = scaled.column(2) / size;
        let (mut along, mut across) = (scaled.column(0) / size, scaled.column(1) / size);
        // The skin faces the camera: its outward normal points back along the line of sight.
        let handed = if along.cross(&across).dot(&shift) > 0.0 {
            -1.0
        } else {
            1.0
        };
        across *= handed;
        let normal = along.cross(&across).try_normalize(1e-12)?;
        along = along.try_normalize(1e-12)?;
        let svd = Matrix3::from_columns(&[along, across, normal]).svd(true, true);
        let rotation = svd.u? * svd.v_t?;
        let sound = shift[2] > 0.0
            && rotation.determinant() > 0.0
            && rotation.iter().all(|v| v.is_finite());
        sound.then(|| Camera {
            focal,
            middle,
            distortion: 0.0,
            rotation: Rotation3::from_matrix_unchecked(rotation),
            shift: shift.into_owned(),
            handed,
            shape,
        })
    }

    /// This camera with its numbers moved by a step: ln focal, middle and shift in parts of focal
    /// and distance, distortion, rotation vector, shape terms in mm.
    pub fn moved(&self, step: &[f64; UNKNOWNS]) -> Self {
        let far = self.shift.norm();
        let mut next = self.clone();
        next.focal *= step[0].clamp(-1.0, 1.0).exp();
        next.middle[0] += step[1] * self.focal;
        next.middle[1] += step[2] * self.focal;
        next.distortion += step[3];
        next.rotation = Rotation3::new(Vector3::new(step[4], step[5], step[6])) * self.rotation;
        next.shift += Vector3::new(step[7], step[8], step[9]) * far;
        for (term, step) in next.shape.terms.iter_mut().zip(&step[POSE..]) {
            *term += step;
        }
        next
    }
}
