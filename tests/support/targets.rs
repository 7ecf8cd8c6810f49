//! Made-up views of panels with numbered targets: an exact camera and exact surfaces, and photos
//! painted from them. All is simulated.

use image::{GrayImage, Luma};
use lowspot::photo::marker::{self, CELLS};
use nalgebra::{Matrix3, Rotation3, Vector3};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A made-up surface whose coordinates are taped along it.
#[derive(Clone, Copy, Debug)]
pub enum Surface {
    Flat,
    /// z = −a·(2X/L)² − b·(2Y/W)² over the plane (X, Y) from the middle; taped along each axis.
    /// Crown and camber in mm.
    Crowned {
        a: f64,
        b: f64,
    },
    /// A circular cylinder of this radius (mm) with its rulings along x.
    Cylinder {
        radius: f64,
    },
    /// z = 45·√(t + 0.15) − 38·t over y, scaled to the width: a curve that quickens towards one
    /// edge, straight along x.
    Wing,
}

/// A camera before a panel.
#[derive(Clone, Debug)]
pub struct View {
    pub size: [u32; 2],
    pub focal: f64,
    pub middle: [f64; 2],
    pub k1: f64,
    pub rotation: Matrix3<f64>,
    pub shift: Vector3<f64>,
    pub panel: [f64; 2],
    pub surface: Surface,
}

/// Length of the graph of a function's derivative from 0 to `x`, by Simpson's rule.
fn girth(slope: &dyn Fn(f64) -> f64, x: f64) -> f64 {
    let n = 40;
    let h = x / f64::from(n);
    (0..=n)
        .map(|i| {
            let weight = if i == 0 || i == n {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            };
            weight * (1.0 + slope(h * f64::from(i)).powi(2)).sqrt()
        })
        .sum::<f64>()
        * h
        / 3.0
}

/// The abscissa at which the girth from 0 is `s`.
fn at_girth(slope: &dyn Fn(f64) -> f64, s: f64) -> f64 {
    let mut x = s;
    for _ in 0..30 {
        x -= (girth(slope, x) - s) / (1.0 + slope(x).powi(2)).sqrt();
    }
    x
}

impl View {
    /// A camera that looks at the panel from `off_axis` degrees off its normal, from the side
    /// `around` degrees, rolled; the panel fills `fill` of the photo. Columns are `width`, rows
    /// three quarters of it.
    pub fn new(
        panel: [f64; 2],
        surface: Surface,
        width: u32,
        off_axis: f64,
        around: f64,
        roll: f64,
        fill: f64,
    ) -> View {
        let size = [width, width * 3 / 4];
        let focal = 0.8 * f64::from(width);
        let (t, a) = (off_axis.to_radians(), around.to_radians());
        // From the panel's middle to the camera; the panel's x to the right, y up, z to the viewer.
        let out = Vector3::new(t.sin() * a.cos(), t.sin() * a.sin(), t.cos());
        let ahead = -out;
        let up = if t.sin() > 0.99 {
            Vector3::x()
        } else {
            Vector3::y()
        };
        let right = ahead.cross(&up).normalize();
        let down = ahead.cross(&right);
        let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), roll.to_radians()).into_inner();
        let rotation =
            turn * Matrix3::from_rows(&[right.transpose(), down.transpose(), ahead.transpose()]);
        let mut view = View {
            size,
            focal,
            middle: [f64::from(size[0]) / 2.0, f64::from(size[1]) / 2.0],
            k1: 0.0,
            rotation,
            shift: Vector3::new(0.0, 0.0, 1.0),
            panel,
            surface,
        };
        // Step back until all corners are within the wanted part of the photo.
        let mut distance = 0.3 * panel[0].max(panel[1]);
        for _ in 0..200 {
            view.shift = Vector3::new(0.0, 0.0, distance);
            if view.holds(fill) {
                break;
            }
            distance *= 1.03;
        }
        view
    }

    fn holds(&self, fill: f64) -> bool {
        let [l, w] = self.panel;
        let places = [[0.0, 0.0], [l, 0.0], [l, w], [0.0, w], [l / 2.0, w / 2.0]];
        places.iter().all(|p| {
            self.photo(p[0], p[1]).is_some_and(|q| {
                (0..2).all(|k| {
                    let (middle, half) = (
                        f64::from(self.size[k]) / 2.0,
                        f64::from(self.size[k]) / 2.0 * fill,
                    );
                    (q[k] - middle).abs() < half
                })
            })
        })
    }

    /// Where a place taped at (x, y) lies in space, from the panel's middle.
    pub fn space(&self, x: f64, y: f64) -> Vector3<f64> {
        let [l, w] = self.panel;
        let (u, v) = (x - l / 2.0, y - w / 2.0);
        match self.surface {
            Surface::Flat => Vector3::new(u, v, 0.0),
            Surface::Crowned { a, b } => {
                let (sx, sy) = (
                    move |x: f64| -8.0 * a * x / (l * l),
                    move |y: f64| -8.0 * b * y / (w * w),
                );
                let (px, py) = (at_girth(&sx, u), at_girth(&sy, v));
                Vector3::new(
                    px,
                    py,
                    -a * (2.0 * px / l).powi(2) - b * (2.0 * py / w).powi(2),
                )
            }
            Surface::Cylinder { radius } => {
                let angle = v / radius;
                Vector3::new(u, radius * angle.sin(), radius * (angle.cos() - 1.0))
            }
            Surface::Wing => {
                let slope =
                    move |y: f64| (22.5 / ((y + w / 2.0) / w + 0.15).max(0.01).sqrt() - 38.0) / w;
                let py = at_girth(&slope, v);
                let t = (py + w / 2.0) / w;
                Vector3::new(u, py, 45.0 * (t + 0.15).max(0.0).sqrt() - 38.0 * t)
            }
        }
    }

    /// Where a place of the panel is seen; `None` behind the camera.
    pub fn photo(&self, x: f64, y: f64) -> Option<[f64; 2]> {
        let p = self.rotation * self.space(x, y) + self.shift;
        if p[2] < 1.0 {
            return None;
        }
        let (a, b) = (p[0] / p[2], p[1] / p[2]);
        let factor = self.focal * (1.0 + self.k1 * (a * a + b * b));
        Some([self.middle[0] + factor * a, self.middle[1] + factor * b])
    }

    /// The homography photo-from-panel of a flat panel without distortion.
    fn homography(&self) -> Matrix3<f64> {
        let [l, w] = self.panel;
        let k = Matrix3::new(
            self.focal,
            0.0,
            self.middle[0],
            0.0,
            self.focal,
            self.middle[1],
            0.0,
            0.0,
            1.0,
        );
        let middle = self.rotation * Vector3::new(-l / 2.0, -w / 2.0, 0.0) + self.shift;
        k * Matrix3::from_columns(&[
            self.rotation.column(0).into(),
            self.rotation.column(1).into(),
            middle,
        ])
    }
}

/// A target on a made-up panel.
#[derive(Clone, Copy, Debug)]
pub struct Taped {
    pub number: u16,
    pub x: f64,
    pub y: f64,
    /// How it is turned on the panel, degrees.
    pub turned: f64,
}

/// How a made-up photo is spoilt.
#[derive(Clone, Copy, Debug)]
pub struct Spoiling {
    /// Standard deviation of the blur, px.
    pub blur_px: f64,
    /// Standard deviation of the noise, grey levels.
    pub noise: f64,
    /// Brightest over darkest light.
    pub light_ratio: f64,
    /// Spots of glare.
    pub glares: usize,
}

/// A hash of a place: 0 to 1, the same each time.
fn speck(x: f64, y: f64, cell: f64, salt: u64) -> f64 {
    let (i, j) = (
        (x / cell).floor() as i64 as u64,
        (y / cell).floor() as i64 as u64,
    );
    let mut h = i.wrapping_mul(0x9E37_79B9_7F4A_7C15)
        ^ j.wrapping_mul(0xC2B2_AE3D_27D4_EB4F)
        ^ salt.wrapping_mul(0x1656_67B1_9E37_79F9);
    h = (h ^ (h >> 31)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    h = (h ^ (h >> 29)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((h >> 40) as f64) / (1u64 << 24) as f64
}

/// Reflectance of the panel's skin: pale primer with patches and specks of dark coat; beside the
/// panel a workshop of boxes.
fn skin(view: &View, x: f64, y: f64) -> f64 {
    let [l, w] = view.panel;
    if !(0.0..=l).contains(&x) || !(0.0..=w).contains(&y) {
        return 0.15 + 0.5 * speck(x, y, 170.0, 5);
    }
    let patch =
        speck(x, y, 90.0, 1) * 0.5 + speck(x, y, 37.0, 2) * 0.3 + speck(x, y, 11.0, 3) * 0.2;
    let coat = speck(x, y, 2.5, 4) < (1.6 * patch - 0.35).clamp(0.03, 0.97);
    if coat { 0.12 } else { 0.6 }
}

/// Reflectance on a target of side `side` (mm), from its middle, its own axes (x right, y down as
/// printed); `None` off its paper.
fn paper(number: u16, side: f64, x: f64, y: f64) -> Option<f64> {
    let cell = side / CELLS as f64;
    let half = side / 2.0;
    if x.abs() > half + 1.25 * cell || y.abs() > half + 1.25 * cell {
        return None;
    }
    let (column, row) = ((x + half) / cell, (y + half) / cell);
    let on = |v: f64| (0.0..CELLS as f64).contains(&v);
    let white = !on(column)
        || !on(row)
        || marker::is_white(number, column as usize, row as usize) == Some(true);
    Some(if white { 0.85 } else { 0.05 })
}

/// A photo of a flat panel with targets, spoilt.
pub fn paint(
    view: &View,
    targets: &[Taped],
    side: f64,
    spoiling: Spoiling,
    rng: &mut ChaCha8Rng,
) -> GrayImage {
    let h = view.homography();
    let back = h.try_inverse().expect("a camera before the panel");
    let [width, height] = view.size;
    let panel_at = |c: f64, r: f64| {
        let p = back * Vector3::new(c, r, 1.0);
        [p[0] / p[2], p[1] / p[2]]
    };
    let mut light = vec![0f32; (width * height) as usize];
    for r in 0..height {
        for c in 0..width {
            let p = panel_at(f64::from(c) + 0.5, f64::from(r) + 0.5);
            light[(r * width + c) as usize] = skin(view, p[0], p[1]) as f32;
        }
    }
    for t in targets {
        paint_target(view, t, side, &panel_at, &mut light);
    }
    let [w, hgt] = [f64::from(width), f64::from(height)];
    let angle: f64 = rng.random_range(0.0..std::f64::consts::TAU);
    let glares: Vec<[f64; 4]> = (0..spoiling.glares)
        .map(|_| {
            [
                rng.random_range(0.0..w),
                rng.random_range(0.0..hgt),
                rng.random_range(0.02..0.06) * w,
                rng.random_range(60.0..400.0),
            ]
        })
        .collect();
    let half_diagonal = w.hypot(hgt) / 2.0;
    let mut picture = GrayImage::new(width, height);
    for (i, v) in light.iter().enumerate() {
        let (c, r) = ((i as u32 % width) as f64, (i as u32 / width) as f64);
        let along = ((c - w / 2.0) * angle.cos() + (r - hgt / 2.0) * angle.sin()) / half_diagonal;
        let level = spoiling.light_ratio.powf(along / 2.0) / spoiling.light_ratio.sqrt();
        let glare: f64 = glares
            .iter()
            .map(|g| {
                g[3] * (-((c - g[0]).powi(2) + (r - g[1]).powi(2)) / (2.0 * g[2] * g[2])).exp()
            })
            .sum();
        picture.as_mut()[i] = (f64::from(*v) * level * 270.0 + glare).clamp(0.0, 255.0) as u8;
    }
    if spoiling.blur_px > 0.0 {
        picture = imageproc::filter::gaussian_blur_f32(&picture, spoiling.blur_px as f32);
    }
    for Luma([v]) in picture.pixels_mut() {
        let noise: f64 = StandardNormal.sample(rng);
        *v = (f64::from(*v) + spoiling.noise * noise)
            .round()
            .clamp(0.0, 255.0) as u8;
    }
    picture
}

fn paint_target(
    view: &View,
    t: &Taped,
    side: f64,
    panel_at: &dyn Fn(f64, f64) -> [f64; 2],
    light: &mut [f32],
) {
    const SUB: u32 = 4;
    let [width, height] = view.size;
    let reach = side;
    let corners: Vec<[f64; 2]> = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
        .iter()
        .filter_map(|(a, b)| view.photo(t.x + a * reach, t.y + b * reach))
        .collect();
    let bound = |k: usize, most: u32| {
        let low = corners
            .iter()
            .map(|p| p[k])
            .fold(f64::INFINITY, f64::min)
            .clamp(0.0, f64::from(most));
        let high = corners
            .iter()
            .map(|p| p[k])
            .fold(0.0, f64::max)
            .clamp(0.0, f64::from(most));
        low as u32..high as u32
    };
    let (sin, cos) = t.turned.to_radians().sin_cos();
    for r in bound(1, height) {
        for c in bound(0, width) {
            let (mut sum, mut count) = (0.0, 0u32);
            for k in 0..SUB * SUB {
                let at = |v: u32, k: u32| f64::from(v) + (f64::from(k) + 0.5) / f64::from(SUB);
                let p = panel_at(at(c, k % SUB), at(r, k / SUB));
                let (dx, dy) = (p[0] - t.x, p[1] - t.y);
                // On the panel y runs up, on paper down.
                if let Some(v) = paper(t.number, side, cos * dx + sin * dy, sin * dx - cos * dy) {
                    sum += v;
                    count += 1;
                }
            }
            if count > 0 {
                let share = f64::from(count) / f64::from(SUB * SUB);
                let i = (r * width + c) as usize;
                light[i] =
                    (f64::from(light[i]) * (1.0 - share) + sum / f64::from(SUB * SUB)) as f32;
            }
        }
    }
}
