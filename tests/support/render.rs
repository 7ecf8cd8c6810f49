//! Simulated photos of a panel after blocking, with the truth they were made from. Nothing here is
//! a photo of anything.
//!
//! A pinhole camera looks at the curved panel. Coat lies where the true deviation from the fair
//! shape is below −t, t noisy from place to place; light, lens, sensor and JPEG do to it what they
//! do. The code shares no mathematics with the reader it tests.
//!
//! - [`Scene`] says what is on the panel, [`Camera`] where it is seen from, [`Lamp`] how it is lit,
//!   [`Sensor`] what the camera adds.
//! - [`photo`] makes the picture, and the truth: coat on the cell grid, places of the targets in
//!   the picture.
//! - [`Shot::jpeg`] writes it as a camera would, with the orientation of the camera in the file.
//!
//! Each test uses a part of it, hence the `allow`.
#![allow(dead_code)]

use super::simulate::Truth;
use image::metadata::Orientation;
use image::{Rgb, RgbImage};
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;

type V3 = [f64; 3];

fn minus(a: V3, b: V3) -> V3 {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}
fn dot(a: V3, b: V3) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}
fn cross(a: V3, b: V3) -> V3 {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}
fn unit(a: V3) -> V3 {
    let n = dot(a, a).sqrt();
    [a[0] / n, a[1] / n, a[2] / n]
}

// ------------------------------------------------------------------------------------------ camera

/// A pinhole camera without lens distortion. World: x and y of the panel's middle chord plane, z
/// out of the panel, mm.
#[derive(Clone, Debug)]
pub struct Camera {
    /// Where it stands.
    pub position: V3,
    /// What it looks at.
    pub looks_at: V3,
    /// Focal length in pixels.
    pub focal_px: f64,
    /// Pixels across and down.
    pub size: [usize; 2],
    /// Turned about its axis, degrees.
    pub roll_deg: f64,
}

impl Camera {
    /// One that has the whole panel in the picture, `off_axis_deg` from square on, leaning towards
    /// `azimuth_deg` (0: from the end of x).
    pub fn over(truth: &Truth, size: [usize; 2], off_axis_deg: f64, azimuth_deg: f64) -> Camera {
        let middle = [truth.length_mm / 2.0, truth.width_mm / 2.0];
        let focal_px = 0.9 * size[0] as f64;
        let (tilt, turn) = (off_axis_deg.to_radians(), azimuth_deg.to_radians());
        let way = [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()];
        let z = truth.form(middle[0], middle[1]);
        let mut camera = Camera {
            position: [0.0; 3],
            looks_at: [middle[0], middle[1], z],
            focal_px,
            size,
            roll_deg: 0.0,
        };
        // As near as leaves the corners in the picture, with a margin of 4 %.
        let mut distance = 500.0;
        let surface = Surface::of(truth);
        for _ in 0..200 {
            camera.position = [
                camera.looks_at[0] + distance * way[0],
                camera.looks_at[1] + distance * way[1],
                camera.looks_at[2] + distance * way[2],
            ];
            let inside = [0.0, 0.5, 1.0].iter().all(|u| {
                [0.0, 0.5, 1.0].iter().all(|v| {
                    let p = surface.point(u * truth.length_mm, v * truth.width_mm);
                    camera.project(p).is_some_and(|[c, r]| {
                        let within = |s: f64, n: usize| s > 0.04 * n as f64 && s < 0.96 * n as f64;
                        within(c, size[0]) && within(r, size[1])
                    })
                })
            });
            if inside {
                break;
            }
            distance *= 1.03;
        }
        camera
    }

    /// Right, down, forward.
    fn axes(&self) -> [V3; 3] {
        let forward = unit(minus(self.looks_at, self.position));
        // Up in the picture is +y of the panel, as on the map.
        let right = unit(cross(forward, [0.0, 1.0, 0.0]));
        let down = cross(forward, right);
        let (sin, cos) = self.roll_deg.to_radians().sin_cos();
        let mix = |a: V3, b: V3, p: f64, q: f64| {
            [
                p * a[0] + q * b[0],
                p * a[1] + q * b[1],
                p * a[2] + q * b[2],
            ]
        };
        [
            mix(right, down, cos, sin),
            mix(right, down, -sin, cos),
            forward,
        ]
    }

    /// Column and row of a point of the world.
    pub fn project(&self, p: V3) -> Option<[f64; 2]> {
        let d = minus(p, self.position);
        let [right, down, forward] = self.axes();
        let w = dot(d, forward);
        (w > 1.0).then(|| {
            [
                self.size[0] as f64 / 2.0 + self.focal_px * dot(d, right) / w,
                self.size[1] as f64 / 2.0 + self.focal_px * dot(d, down) / w,
            ]
        })
    }

    fn ray(&self, column: f64, row: f64) -> V3 {
        let [right, down, forward] = self.axes();
        let a = (column - self.size[0] as f64 / 2.0) / self.focal_px;
        let b = (row - self.size[1] as f64 / 2.0) / self.focal_px;
        unit([
            forward[0] + a * right[0] + b * down[0],
            forward[1] + a * right[1] + b * down[1],
            forward[2] + a * right[2] + b * down[2],
        ])
    }
}

/// The panel in the world: lengths taped along the surface laid out over its fair form.
///
/// Along the middle line in each direction world length = ∫√(1 − slope²); off the middle lines the
/// same is used, which for these gentle crowns is a matter of hundredths of a millimetre.
pub struct Surface<'a> {
    truth: &'a Truth,
    world: [Vec<f64>; 2],
}

const SURFACE_STEP: f64 = 5.0;

impl<'a> Surface<'a> {
    /// Of a panel.
    pub fn of(truth: &'a Truth) -> Self {
        let line = |length: f64, form: &dyn Fn(f64) -> f64| {
            let n = (length / SURFACE_STEP).ceil() as usize + 1;
            let mut at = vec![0.0; n];
            for i in 1..n {
                let s = i as f64 * SURFACE_STEP;
                let slope = (form(s) - form(s - SURFACE_STEP)) / SURFACE_STEP;
                at[i] = at[i - 1] + SURFACE_STEP * (1.0 - (slope * slope).min(0.9)).sqrt();
            }
            let middle = interpolated(&at, length / 2.0 / SURFACE_STEP);
            at.iter().map(|v| v - middle + length / 2.0).collect()
        };
        let [l, w] = [truth.length_mm, truth.width_mm];
        Surface {
            truth,
            world: [
                line(l, &|x| truth.form(x, w / 2.0)),
                line(w, &|y| truth.form(l / 2.0, y)),
            ],
        }
    }

    /// World place of a point of the panel (taped x and y).
    pub fn point(&self, x: f64, y: f64) -> V3 {
        [
            interpolated(&self.world[0], x / SURFACE_STEP),
            interpolated(&self.world[1], y / SURFACE_STEP),
            self.truth.height(x, y),
        ]
    }

    /// Which point of the panel a ray from `from` meets, by going to the height found last, again
    /// and again.
    fn met(&self, from: V3, way: V3) -> Option<[f64; 2]> {
        if way[2] >= -1e-3 {
            return None;
        }
        let mut z = self
            .truth
            .form(self.truth.length_mm / 2.0, self.truth.width_mm / 2.0);
        let mut place = [0.0; 2];
        for _ in 0..12 {
            let t = (z - from[2]) / way[2];
            let world = [from[0] + t * way[0], from[1] + t * way[1]];
            place = [
                inverted(&self.world[0], world[0]) * SURFACE_STEP,
                inverted(&self.world[1], world[1]) * SURFACE_STEP,
            ];
            let x = place[0].clamp(0.0, self.truth.length_mm);
            let y = place[1].clamp(0.0, self.truth.width_mm);
            let next = self.truth.height(x, y);
            if (next - z).abs() < 1e-4 {
                break;
            }
            z = next;
        }
        Some(place)
    }
}

/// Straight between table entries, straight on beyond them.
fn interpolated(table: &[f64], at: f64) -> f64 {
    let i = (at.floor().max(0.0) as usize).min(table.len() - 2);
    table[i] + (at - i as f64) * (table[i + 1] - table[i])
}

/// Where a rising table has a value.
fn inverted(table: &[f64], value: f64) -> f64 {
    let i = table
        .partition_point(|v| *v < value)
        .clamp(1, table.len() - 1)
        - 1;
    i as f64 + (value - table[i]) / (table[i + 1] - table[i])
}

// ------------------------------------------------------------------------------------------- scene

/// What covers part of the view, in panel coordinates.
#[derive(Clone, Debug)]
pub enum Cover {
    /// A strip of tape: from, to, width (mm), linear colour.
    Tape([f64; 2], [f64; 2], f64, [f64; 3]),
    /// A hand on a forearm that comes in over the edge at the first place and ends at the second.
    Hand([f64; 2], [f64; 2]),
}

/// What is on the panel.
#[derive(Clone)]
pub struct Scene {
    /// Linear colour of filler, coat, substrate.
    pub filler: [f64; 3],
    /// See `filler`.
    pub coat: [f64; 3],
    /// See `filler`.
    pub substrate: [f64; 3],
    /// Coat is left where deviation < −`threshold_mm` + noise.
    pub threshold_mm: f64,
    /// Standard deviation of that noise, mm, correlated over some 6 mm.
    pub threshold_noise_mm: f64,
    /// Substrate shows where deviation is above this (same noise), mm.
    pub substrate_above_mm: f64,
    /// Standard deviation of the mottle of each colour, as a share of it.
    pub mottle: f64,
    /// Specks of coat left in the texture of bare filler, a cm².
    pub specks_cm2: f64,
    /// Share of the coat's area where grains of bare filler show, and the radius of such a grain,
    /// mm.
    pub light_grains: f64,
    /// See `light_grains`.
    pub grain_mm: f64,
    /// Sanding scratches.
    pub scratches: usize,
    /// Pinholes strewn, in rows (from, to, count), in nests (middle, radius, count).
    pub pinholes: usize,
    /// See `pinholes`.
    pub pinhole_rows: Vec<([f64; 2], [f64; 2], usize)>,
    /// See `pinholes`.
    pub pinhole_nests: Vec<([f64; 2], f64, usize)>,
    /// Stripes printing through: pitch (mm), direction (degrees), amplitude (mm, added to the
    /// deviation).
    pub print_through: Option<[f64; 3]>,
    /// What covers part of the view.
    pub covers: Vec<Cover>,
    /// Middles of targets on the panel, mm.
    pub targets: Vec<[f64; 2]>,
    /// What a target looks like: linear grey at a place (mm) from the middle of target `i`, `None`
    /// outside it. Numbered marks go here.
    pub mark: fn(usize, f64, f64) -> Option<f64>,
    /// How far a mark reaches from its middle, mm.
    pub mark_reach_mm: f64,
}

impl Scene {
    /// Dark grey coat on beige filler over grey-green substrate.
    pub fn dark_on_light() -> Scene {
        Scene {
            filler: [0.52, 0.45, 0.33],
            coat: [0.07, 0.07, 0.075],
            substrate: [0.16, 0.22, 0.17],
            threshold_mm: 0.03,
            threshold_noise_mm: 0.015,
            substrate_above_mm: f64::INFINITY,
            mottle: 0.06,
            specks_cm2: 0.3,
            light_grains: 0.0,
            grain_mm: 0.8,
            scratches: 60,
            pinholes: 60,
            pinhole_rows: Vec::new(),
            pinhole_nests: Vec::new(),
            print_through: None,
            covers: Vec::new(),
            targets: Vec::new(),
            mark: ring,
            mark_reach_mm: 20.0,
        }
    }

    /// Light grey coat on dark grey filler over brown substrate.
    pub fn light_on_dark() -> Scene {
        Scene {
            filler: [0.10, 0.105, 0.11],
            coat: [0.45, 0.45, 0.43],
            substrate: [0.25, 0.14, 0.06],
            ..Scene::dark_on_light()
        }
    }

    /// Blue coat on pink filler.
    pub fn blue_on_pink() -> Scene {
        Scene {
            filler: [0.60, 0.33, 0.33],
            coat: [0.05, 0.10, 0.32],
            ..Scene::dark_on_light()
        }
    }
}

/// A plain target: a white disc of 20 mm radius with a dark ring.
pub fn ring(_target: usize, dx: f64, dy: f64) -> Option<f64> {
    let r = dx.hypot(dy);
    (r <= 20.0).then_some(if (6.0..13.0).contains(&r) { 0.03 } else { 0.8 })
}

/// How the panel is lit.
#[derive(Clone, Debug)]
pub struct Lamp {
    /// Brightest over darkest along the panel, and the direction it comes from, degrees from x.
    pub ratio: f64,
    /// See `ratio`.
    pub from_deg: f64,
    /// How much darker the picture's corners are than its middle, as a share.
    pub vignette: f64,
    /// Reflected lamps: middle (share of picture width and height), radius (share of width), peak
    /// (white is 1).
    pub glare: Vec<[f64; 4]>,
    /// Colour of the light.
    pub tint: [f64; 3],
}

impl Lamp {
    /// Even daylight.
    pub fn even() -> Lamp {
        Lamp {
            ratio: 1.0,
            from_deg: 0.0,
            vignette: 0.0,
            glare: Vec::new(),
            tint: [1.0; 3],
        }
    }

    /// A window at one end: three times brighter there, darker corners, a reflected lamp.
    pub fn one_sided() -> Lamp {
        Lamp {
            ratio: 3.0,
            from_deg: 20.0,
            vignette: 0.3,
            glare: vec![[0.62, 0.38, 0.035, 3.0]],
            tint: [1.0, 0.93, 0.82],
        }
    }
}

/// What the camera adds.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// Standard deviation of the blur, pixels.
    pub blur_px: f64,
    /// Standard deviation of the noise of a mid grey pixel, linear (grows with the root of the
    /// light).
    pub noise: f64,
    /// Linear value that the brightest filler gets.
    pub exposure: f64,
}

impl Sensor {
    /// A phone in a workshop.
    pub fn phone() -> Sensor {
        Sensor {
            blur_px: 0.7,
            noise: 0.012,
            exposure: 0.75,
        }
    }
}

/// A simulated photo and its truth.
pub struct Shot {
    /// The picture, upright.
    pub picture: RgbImage,
    /// Column and row of each target's middle.
    pub targets_px: Vec<[f64; 2]>,
    /// True share of coat in each 10 mm cell, specks and scratches not counted.
    pub coat: Array2<f64>,
    /// True share of substrate.
    pub substrate: Array2<f64>,
    /// Share of each cell that is covered by tape or a hand.
    pub covered: Array2<f64>,
    /// Share of each cell that the reflected lamps burn out.
    pub glare: Array2<f64>,
    /// Homography photo from panel by least squares over the whole panel (exact for a flat one).
    pub homography: [[f64; 3]; 3],
}

/// Side of a truth cell, mm.
pub const CELL_MM: f64 = 10.0;

/// Make a photo. `seed` decides everything that is left to chance.
pub fn photo(
    truth: &Truth,
    scene: &Scene,
    camera: &Camera,
    lamp: &Lamp,
    sensor: &Sensor,
    seed: u64,
) -> Shot {
    let surface = Surface::of(truth);
    let fine = if camera.size[0] > 2600 { 0.5 } else { 1.0 };
    let skin = Skin::paint(truth, scene, fine, seed);
    let mut light = expose(truth, scene, &surface, &skin, camera, lamp, sensor);
    draw_targets(&mut light, truth, scene, &surface, camera, lamp, sensor);
    blur(&mut light, camera.size, sensor.blur_px);
    let picture = develop(&light, camera.size, sensor, seed);
    let place = |p: &[f64; 2]| {
        camera
            .project(surface.point(p[0], p[1]))
            .unwrap_or([f64::NAN; 2])
    };
    Shot {
        picture,
        targets_px: scene.targets.iter().map(place).collect(),
        coat: skin.share(|p| p.coat),
        substrate: skin.share(|p| p.substrate),
        covered: skin.share(|p| p.covered),
        glare: glare_share(truth, &surface, camera, lamp),
        homography: homography(truth, &surface, camera),
    }
}

// ---------------------------------------------------------------------------------- what the skin
// is

#[derive(Clone, Copy, Default)]
struct Spot {
    colour: [f32; 3],
    coat: bool,
    substrate: bool,
    covered: bool,
}

struct Skin {
    step: f64,
    size: [usize; 2],
    cells: [usize; 2],
    spots: Vec<Spot>,
}

/// Normal numbers on a grid, read straight in between; scaled so that the mean variance is 1.
struct Noise {
    size: [usize; 2],
    pitch: f64,
    values: Vec<f32>,
}

impl Noise {
    fn new(length: f64, width: f64, pitch: f64, rng: &mut ChaCha8Rng) -> Self {
        let size = [(length / pitch) as usize + 2, (width / pitch) as usize + 2];
        let values = (0..size[0] * size[1])
            // The mean of u² + (1 − u)² over a side is 2/3, over both 4/9.
            .map(|_| 1.5 * rng.sample::<f32, _>(StandardNormal))
            .collect();
        Noise {
            size,
            pitch,
            values,
        }
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        let (u, v) = (x / self.pitch, y / self.pitch);
        let (i, j) = (
            (u as usize).min(self.size[0] - 2),
            (v as usize).min(self.size[1] - 2),
        );
        let (u, v) = (u - i as f64, v - j as f64);
        let n = |i: usize, j: usize| f64::from(self.values[j * self.size[0] + i]);
        n(i, j) * (1.0 - u) * (1.0 - v)
            + n(i + 1, j) * u * (1.0 - v)
            + n(i, j + 1) * (1.0 - u) * v
            + n(i + 1, j + 1) * u * v
    }
}

impl Skin {
    fn paint(truth: &Truth, scene: &Scene, step: f64, seed: u64) -> Skin {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5c0a_7000);
        let [l, w] = [truth.length_mm, truth.width_mm];
        let size = [(l / step).ceil() as usize, (w / step).ceil() as usize];
        let reach = Noise::new(l, w, 6.0, &mut rng);
        let mottle = Noise::new(l, w, 2.0, &mut rng);
        let coarse = Noise::new(l, w, 60.0, &mut rng);
        let coarse_map = deviation_map(truth, scene);
        let mut spots = vec![Spot::default(); size[0] * size[1]];
        spots
            .par_chunks_mut(size[0])
            .enumerate()
            .for_each(|(iy, row)| {
                let y = (iy as f64 + 0.5) * step;
                for (ix, spot) in row.iter_mut().enumerate() {
                    let x = (ix as f64 + 0.5) * step;
                    let deviation = coarse_map.at(x, y) + scene.threshold_noise_mm * reach.at(x, y);
                    spot.coat = deviation < -scene.threshold_mm;
                    spot.substrate = deviation > scene.substrate_above_mm;
                    let base = match (spot.coat, spot.substrate) {
                        (true, _) => scene.coat,
                        (_, true) => scene.substrate,
                        _ => scene.filler,
                    };
                    let shade =
                        1.0 + scene.mottle * (0.8 * mottle.at(x, y) + 0.6 * coarse.at(x, y));
                    spot.colour = base.map(|c| (c * shade.max(0.2)) as f32);
                }
            });
        let cells = [(l / CELL_MM).ceil() as usize, (w / CELL_MM).ceil() as usize];
        let mut skin = Skin {
            step,
            size,
            cells,
            spots,
        };
        skin.specks(scene, l, w, &mut rng);
        skin.scratches(scene, l, w, &mut rng);
        skin.pinholes(scene, l, w, &mut rng);
        skin.grains(scene, l, w, &mut rng);
        for cover in &scene.covers {
            skin.cover(cover);
        }
        skin
    }

    /// Colour a disc, its rim by how much of each spot it covers; covers nothing of the truth.
    fn dot(&mut self, x: f64, y: f64, radius: f64, colour: [f64; 3]) {
        let reach = radius + self.step;
        let from = |s: f64| ((s - reach) / self.step).floor().max(0.0) as usize;
        let to = |s: f64, n: usize| (((s + reach) / self.step).ceil().max(0.0) as usize).min(n);
        for iy in from(y)..to(y, self.size[1]) {
            for ix in from(x)..to(x, self.size[0]) {
                let d =
                    ((ix as f64 + 0.5) * self.step - x).hypot((iy as f64 + 0.5) * self.step - y);
                let share = ((radius - d) / self.step + 0.5).clamp(0.0, 1.0) as f32;
                let spot = &mut self.spots[iy * self.size[0] + ix];
                for (own, c) in spot.colour.iter_mut().zip(colour) {
                    *own += share * (c as f32 - *own);
                }
            }
        }
    }

    fn specks(&mut self, scene: &Scene, l: f64, w: f64, rng: &mut ChaCha8Rng) {
        for _ in 0..(scene.specks_cm2 * l * w / 100.0) as usize {
            let (x, y) = (rng.random_range(0.0..l), rng.random_range(0.0..w));
            let r = rng.random_range(0.2..0.7);
            self.dot(x, y, r, scene.coat);
        }
    }

    /// Grains of filler amid the coat; the place stays coat in the truth.
    fn grains(&mut self, scene: &Scene, l: f64, w: f64, rng: &mut ChaCha8Rng) {
        // Discs strewn at random overlap: of n discs of share s each, 1 − exp(−n s) is covered.
        let one = std::f64::consts::PI * scene.grain_mm * scene.grain_mm;
        let count = -(1.0 - scene.light_grains).ln() * l * w / one;
        for _ in 0..count as usize {
            let (x, y) = (rng.random_range(0.0..l), rng.random_range(0.0..w));
            if self.is_coat(x, y) {
                self.dot(x, y, scene.grain_mm, scene.filler);
            }
        }
    }

    fn scratches(&mut self, scene: &Scene, l: f64, w: f64, rng: &mut ChaCha8Rng) {
        for _ in 0..scene.scratches {
            let (x, y) = (rng.random_range(0.0..l), rng.random_range(0.0..w));
            let angle: f64 = rng.random_range(0.0..std::f64::consts::PI);
            let length = rng.random_range(60.0..250.0);
            let width = rng.random_range(0.2..0.5);
            let count = (length / 0.4) as usize;
            for i in 0..count {
                let s = i as f64 * 0.4 - length / 2.0;
                let (px, py) = (x + s * angle.cos(), y + s * angle.sin());
                if px > 0.0 && px < l && py > 0.0 && py < w && !self.is_coat(px, py) {
                    self.dot(px, py, width, scene.coat);
                }
            }
        }
    }

    fn is_coat(&self, x: f64, y: f64) -> bool {
        let (ix, iy) = ((x / self.step) as usize, (y / self.step) as usize);
        self.spots[iy.min(self.size[1] - 1) * self.size[0] + ix.min(self.size[0] - 1)].coat
    }

    fn pinholes(&mut self, scene: &Scene, l: f64, w: f64, rng: &mut ChaCha8Rng) {
        for _ in 0..scene.pinholes {
            let (x, y) = (rng.random_range(0.0..l), rng.random_range(0.0..w));
            self.dot(x, y, rng.random_range(0.5..1.0), scene.coat);
        }
        for (a, b, count) in &scene.pinhole_rows {
            for i in 0..*count {
                let t = (i as f64 + rng.random_range(0.2..0.8)) / *count as f64;
                let off = rng.random_range(-1.0..1.0);
                let (x, y) = (
                    a[0] + t * (b[0] - a[0]) + off,
                    a[1] + t * (b[1] - a[1]) + off,
                );
                self.dot(x, y, rng.random_range(0.6..1.0), scene.coat);
            }
        }
        for (middle, radius, count) in &scene.pinhole_nests {
            for _ in 0..*count {
                let (r, a): (f64, f64) = (
                    radius * rng.random_range(0.0f64..1.0).sqrt(),
                    rng.random_range(0.0..std::f64::consts::TAU),
                );
                let (x, y) = (middle[0] + r * a.cos(), middle[1] + r * a.sin());
                self.dot(x, y, rng.random_range(0.6..1.0), scene.coat);
            }
        }
    }

    fn cover(&mut self, cover: &Cover) {
        let step = self.step;
        let nx = self.size[0];
        self.spots.par_iter_mut().enumerate().for_each(|(k, spot)| {
            let p = [
                ((k % nx) as f64 + 0.5) * step,
                ((k / nx) as f64 + 0.5) * step,
            ];
            let colour = match cover {
                Cover::Tape(a, b, width, colour) => (from_line(p, *a, *b) <= width / 2.0
                    && along_line(p, *a, *b))
                .then_some(*colour),
                Cover::Hand(edge, end) => {
                    // A forearm of 80 mm, a palm of 100 mm and four fingers.
                    let back = |mm: f64| {
                        let d = (end[0] - edge[0]).hypot(end[1] - edge[1]);
                        [
                            end[0] - (end[0] - edge[0]) * mm / d,
                            end[1] - (end[1] - edge[1]) * mm / d,
                        ]
                    };
                    let wrist = back(190.0);
                    let palm = back(140.0);
                    let side = [(end[1] - edge[1]), -(end[0] - edge[0])];
                    let n = side[0].hypot(side[1]);
                    let finger = |i: f64| {
                        let o = [side[0] / n * i, side[1] / n * i];
                        from_line(
                            p,
                            [palm[0] + o[0], palm[1] + o[1]],
                            [end[0] + 1.3 * o[0], end[1] + 1.3 * o[1]],
                        ) <= 9.0
                    };
                    let hit = from_line(p, *edge, wrist) <= 40.0
                        || (p[0] - palm[0]).hypot(p[1] - palm[1]) <= 50.0
                        || [-33.0, -11.0, 11.0, 33.0].iter().any(|i| finger(*i));
                    hit.then_some([0.42, 0.23, 0.15])
                }
            };
            if let Some(colour) = colour {
                spot.colour = colour.map(|c| c as f32);
                spot.covered = true;
                spot.coat = false;
                spot.substrate = false;
            }
        });
    }

    /// Share of each cell's spots of a kind.
    fn share(&self, of: impl Fn(&Spot) -> bool) -> Array2<f64> {
        let mut hits = Array2::<f64>::zeros((self.cells[1], self.cells[0]));
        let mut all = hits.clone();
        for (k, spot) in self.spots.iter().enumerate() {
            let x = ((k % self.size[0]) as f64 + 0.5) * self.step;
            let y = ((k / self.size[0]) as f64 + 0.5) * self.step;
            let at = ((y / CELL_MM) as usize, (x / CELL_MM) as usize);
            all[at] += 1.0;
            hits[at] += f64::from(u8::from(of(spot)));
        }
        hits / all
    }

    fn colour(&self, x: f64, y: f64) -> [f32; 3] {
        let s = (x / self.step - 0.5).clamp(0.0, (self.size[0] - 1) as f64);
        let t = (y / self.step - 0.5).clamp(0.0, (self.size[1] - 1) as f64);
        let (i, j) = (
            (s as usize).min(self.size[0] - 2),
            (t as usize).min(self.size[1] - 2),
        );
        let (u, v) = ((s - i as f64) as f32, (t - j as f64) as f32);
        let p = |i: usize, j: usize| &self.spots[j * self.size[0] + i].colour;
        let (a, b, c, d) = (p(i, j), p(i + 1, j), p(i, j + 1), p(i + 1, j + 1));
        std::array::from_fn(|k| {
            let lower = a[k] + u * (b[k] - a[k]);
            let upper = c[k] + u * (d[k] - c[k]);
            lower + v * (upper - lower)
        })
    }
}

fn from_line(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let t = (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy)).clamp(0.0, 1.0);
    (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
}

fn along_line(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> bool {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let t = ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy);
    (0.0..=1.0).contains(&t)
}

struct Map {
    step: f64,
    nx: usize,
    values: Vec<f64>,
    ny: usize,
}

impl Map {
    fn at(&self, x: f64, y: f64) -> f64 {
        let (u, v) = (x / self.step, y / self.step);
        let (i, j) = ((u as usize).min(self.nx - 2), (v as usize).min(self.ny - 2));
        let (u, v) = (u - i as f64, v - j as f64);
        let n = |i: usize, j: usize| self.values[j * self.nx + i];
        n(i, j) * (1.0 - u) * (1.0 - v)
            + n(i + 1, j) * u * (1.0 - v)
            + n(i, j + 1) * (1.0 - u) * v
            + n(i + 1, j + 1) * u * v
    }
}

/// Deviation from the fair shape each 4 mm.
fn deviation_map(truth: &Truth, scene: &Scene) -> Map {
    let step = 4.0;
    let nx = (truth.length_mm / step) as usize + 2;
    let ny = (truth.width_mm / step) as usize + 2;
    let values = (0..nx * ny)
        .into_par_iter()
        .map(|k| {
            let (x, y) = ((k % nx) as f64 * step, (k / nx) as f64 * step);
            let stripes = scene.print_through.map_or(0.0, |[pitch, degrees, height]| {
                let (sin, cos) = degrees.to_radians().sin_cos();
                height * (std::f64::consts::TAU * (x * cos + y * sin) / pitch).sin()
            });
            truth.defects(x, y) + stripes
        })
        .collect();
    Map {
        step,
        nx,
        values,
        ny,
    }
}

// ------------------------------------------------------------------------------------ light and
// lens

fn lamp_light(truth: &Truth, lamp: &Lamp, x: f64, y: f64) -> f64 {
    let (sin, cos) = lamp.from_deg.to_radians().sin_cos();
    let across = |x: f64, y: f64| {
        ((x / truth.length_mm - 0.5) * cos + (y / truth.width_mm - 0.5) * sin)
            / (cos.abs() + sin.abs())
            * 2.0
    };
    // A lamp's light falls with the square of the distance: 1 at the near edge, 1/ratio at the far
    // one.
    let near = 1.0;
    let far = lamp.ratio.sqrt();
    let d = near + (far - near) * (1.0 - across(x, y).clamp(-1.3, 1.3)) / 2.0;
    1.0 / (d * d)
}

fn lens_light(lamp: &Lamp, size: [usize; 2], column: f64, row: f64) -> f64 {
    let (w, h) = (size[0] as f64, size[1] as f64);
    let r2 = ((column - w / 2.0).powi(2) + (row - h / 2.0).powi(2)) / ((w * w + h * h) / 4.0);
    1.0 - lamp.vignette * r2
}

fn glare_light(lamp: &Lamp, size: [usize; 2], column: f64, row: f64) -> f64 {
    let w = size[0] as f64;
    lamp.glare
        .iter()
        .map(|[u, v, radius, peak]| {
            let d2 = (column - u * w).powi(2) + (row - v * size[1] as f64).powi(2);
            peak * (-d2 / (2.0 * (radius * w).powi(2))).exp()
        })
        .sum()
}

/// Photo places are traced each so many pixels and read straight in between.
const TRACE: usize = 12;

fn expose(
    truth: &Truth,
    scene: &Scene,
    surface: &Surface,
    skin: &Skin,
    camera: &Camera,
    lamp: &Lamp,
    sensor: &Sensor,
) -> Vec<[f32; 3]> {
    let [w, h] = camera.size;
    let across = w.div_ceil(TRACE) + 1;
    let down = h.div_ceil(TRACE) + 1;
    let traced: Vec<[f64; 2]> = (0..across * down)
        .into_par_iter()
        .map(|k| {
            let (c, r) = ((k % across * TRACE) as f64, (k / across * TRACE) as f64);
            surface
                .met(camera.position, camera.ray(c, r))
                .unwrap_or([f64::NAN; 2])
        })
        .collect();
    // The brightest filler gets the exposure.
    let scale = sensor.exposure
        / scene
            .filler
            .iter()
            .chain(&scene.coat)
            .copied()
            .fold(0.0, f64::max);
    let mut light = vec![[0.0f32; 3]; w * h];
    light.par_chunks_mut(w).enumerate().for_each(|(row, out)| {
        let j = row / TRACE;
        let v = (row % TRACE) as f64 / TRACE as f64 + 0.5 / TRACE as f64;
        for (column, pixel) in out.iter_mut().enumerate() {
            let i = column / TRACE;
            let u = (column % TRACE) as f64 / TRACE as f64 + 0.5 / TRACE as f64;
            let t = |i: usize, j: usize| traced[j * across + i];
            let (a, b, c, d) = (t(i, j), t(i + 1, j), t(i, j + 1), t(i + 1, j + 1));
            let place: [f64; 2] = std::array::from_fn(|k| {
                let upper = a[k] + u * (b[k] - a[k]);
                let lower = c[k] + u * (d[k] - c[k]);
                upper + v * (lower - upper)
            });
            let (x, y) = (place[0], place[1]);
            let (cc, rr) = (column as f64 + 0.5, row as f64 + 0.5);
            let lens = lens_light(lamp, camera.size, cc, rr) * scale;
            let on = x >= 0.0 && y >= 0.0 && x <= truth.length_mm && y <= truth.width_mm;
            *pixel = if on {
                let lit = lamp_light(truth, lamp, x, y) * lens;
                let shine = glare_light(lamp, camera.size, cc, rr) as f32;
                let own = skin.colour(x, y);
                std::array::from_fn(|k| own[k] * (lit * lamp.tint[k]) as f32 + shine)
            } else {
                // A concrete floor.
                let tiles = ((x / 300.0).floor() + (y / 300.0).floor()).rem_euclid(2.0);
                let grey = if tiles > 0.5 { 0.12 } else { 0.15 } * lens;
                [grey as f32; 3]
            };
        }
    });
    light
}

fn draw_targets(
    light: &mut [[f32; 3]],
    truth: &Truth,
    scene: &Scene,
    surface: &Surface,
    camera: &Camera,
    lamp: &Lamp,
    sensor: &Sensor,
) {
    let scale = sensor.exposure
        / scene
            .filler
            .iter()
            .chain(&scene.coat)
            .copied()
            .fold(0.0, f64::max);
    let [w, h] = camera.size;
    const FINE: usize = 4;
    for (i, target) in scene.targets.iter().enumerate() {
        let reach = 1.2 * scene.mark_reach_mm;
        let corners: Vec<[f64; 2]> = [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)]
            .iter()
            .filter_map(|(a, b)| {
                camera.project(surface.point(target[0] + a * reach, target[1] + b * reach))
            })
            .collect();
        let span = |k: usize, most: usize| {
            let low = corners
                .iter()
                .map(|p| p[k])
                .fold(f64::INFINITY, f64::min)
                .max(0.0) as usize;
            let high = corners.iter().map(|p| p[k]).fold(0.0, f64::max).max(0.0) as usize;
            low..(high + 1).min(most)
        };
        for row in span(1, h) {
            for column in span(0, w) {
                let mut sum = [0.0f32; 3];
                let own = light[row * w + column];
                for s in 0..FINE * FINE {
                    let c = column as f64 + ((s % FINE) as f64 + 0.5) / FINE as f64;
                    let r = row as f64 + ((s / FINE) as f64 + 0.5) / FINE as f64;
                    let mark = surface
                        .met(camera.position, camera.ray(c, r))
                        .and_then(|p| {
                            Some((p, (scene.mark)(i, p[0] - target[0], p[1] - target[1])?))
                        });
                    let value = match mark {
                        Some((p, grey)) => {
                            let lit = grey
                                * lamp_light(truth, lamp, p[0], p[1])
                                * lens_light(lamp, camera.size, c, r)
                                * scale;
                            lamp.tint.map(|t| (lit * t) as f32)
                        }
                        None => own,
                    };
                    (0..3).for_each(|k| sum[k] += value[k] / (FINE * FINE) as f32);
                }
                light[row * w + column] = sum;
            }
        }
    }
}

/// Blur with a Gaussian kernel, rows then columns.
fn blur(light: &mut [[f32; 3]], size: [usize; 2], sigma: f64) {
    if sigma < 0.2 {
        return;
    }
    let [w, h] = size;
    let reach = (3.0 * sigma).ceil() as isize;
    let weights: Vec<f32> = (-reach..=reach)
        .map(|i| (-(i * i) as f64 / (2.0 * sigma * sigma)).exp() as f32)
        .collect();
    let total: f32 = weights.iter().sum();
    let copy = light.to_vec();
    let mixed = |get: &dyn Fn(isize) -> [f32; 3]| {
        let mut sum = [0.0f32; 3];
        for (i, wt) in weights.iter().enumerate() {
            let p = get(i as isize - reach);
            (0..3).for_each(|k| sum[k] += wt / total * p[k]);
        }
        sum
    };
    light.par_chunks_mut(w).enumerate().for_each(|(r, out)| {
        for (c, pixel) in out.iter_mut().enumerate() {
            *pixel = mixed(&|d| copy[r * w + (c as isize + d).clamp(0, w as isize - 1) as usize]);
        }
    });
    let copy = light.to_vec();
    light.par_chunks_mut(w).enumerate().for_each(|(r, out)| {
        for (c, pixel) in out.iter_mut().enumerate() {
            *pixel = mixed(&|d| copy[(r as isize + d).clamp(0, h as isize - 1) as usize * w + c]);
        }
    });
}

/// Noise and sRGB coding.
fn develop(light: &[[f32; 3]], size: [usize; 2], sensor: &Sensor, seed: u64) -> RgbImage {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x4e01_5e00);
    // A table of normal numbers, entered at a place of its own for each row, is as good for this
    // and far faster.
    let table: Vec<f32> = (0..1 << 16).map(|_| rng.sample(StandardNormal)).collect();
    let starts: Vec<usize> = (0..size[1])
        .map(|_| rng.random_range(0..table.len()))
        .collect();
    let codes: Vec<u8> = (0..4096)
        .map(|i| {
            let v = f64::from(i) / 4095.0;
            let s = if v <= 0.003_130_8 {
                12.92 * v
            } else {
                1.055 * v.powf(1.0 / 2.4) - 0.055
            };
            (s * 255.0).round() as u8
        })
        .collect();
    let mut bytes = vec![0u8; size[0] * size[1] * 3];
    bytes
        .par_chunks_mut(size[0] * 3)
        .enumerate()
        .for_each(|(r, out)| {
            let stride = 2 * (starts[r] % 97) + 1;
            let mut at = starts[r];
            for (c, pixel) in out.chunks_exact_mut(3).enumerate() {
                for k in 0..3 {
                    at = (at + stride) % table.len();
                    let own = light[r * size[0] + c][k];
                    let noise = sensor.noise as f32 * (own.clamp(0.0, 1.0) / 0.5 + 0.02).sqrt();
                    let value = (own + noise * table[at]).clamp(0.0, 1.0);
                    pixel[k] = codes[(value * 4095.0) as usize];
                }
            }
        });
    RgbImage::from_raw(size[0] as u32, size[1] as u32, bytes).expect("a picture's worth of bytes")
}

fn glare_share(truth: &Truth, surface: &Surface, camera: &Camera, lamp: &Lamp) -> Array2<f64> {
    let dim = (
        (truth.width_mm / CELL_MM).ceil() as usize,
        (truth.length_mm / CELL_MM).ceil() as usize,
    );
    Array2::from_shape_fn(dim, |(iy, ix)| {
        let p = surface.point((ix as f64 + 0.5) * CELL_MM, (iy as f64 + 0.5) * CELL_MM);
        camera
            .project(p)
            .map_or(0.0, |[c, r]| glare_light(lamp, camera.size, c, r).min(1.0))
    })
}

/// The homography nearest to the camera over the panel (least squares of the photo places, linear
/// form, 21 × 21 places).
fn homography(truth: &Truth, surface: &Surface, camera: &Camera) -> [[f64; 3]; 3] {
    let (sx, sy) = (truth.length_mm, truth.width_mm);
    let (w, h) = (camera.size[0] as f64, camera.size[1] as f64);
    let mut normal = nalgebra::SMatrix::<f64, 8, 8>::zeros();
    let mut right = nalgebra::SVector::<f64, 8>::zeros();
    for i in 0..=20 {
        for j in 0..=20 {
            let (x, y) = (f64::from(i) / 20.0, f64::from(j) / 20.0);
            let Some([c, r]) = camera.project(surface.point(x * sx, y * sy)) else {
                continue;
            };
            let (u, v) = (c / w, r / h);
            for (row, value) in [
                ([x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y], u),
                ([0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y], v),
            ] {
                let row = nalgebra::SVector::<f64, 8>::from(row);
                normal += row * row.transpose();
                right += row * value;
            }
        }
    }
    let h8 = normal.lu().solve(&right).expect("a panel in view");
    [
        [w * h8[0] / sx, w * h8[1] / sy, w * h8[2]],
        [h * h8[3] / sx, h * h8[4] / sy, h * h8[5]],
        [h8[6] / sx, h8[7] / sy, 1.0],
    ]
}

// --------------------------------------------------------------------------------------- the file

impl Shot {
    /// As a camera writes it: JPEG, turned as the sensor lay, with the orientation (1 to 8) that
    /// makes it upright again.
    pub fn jpeg(&self, quality: u8, exif_orientation: u8) -> Vec<u8> {
        let upright = image::DynamicImage::ImageRgb8(self.picture.clone());
        let mut stored = upright;
        let orientation = Orientation::from_exif(exif_orientation).expect("1 to 8");
        use Orientation::*;
        stored.apply_orientation(match orientation {
            Rotate90 => Rotate270,
            Rotate270 => Rotate90,
            same => same,
        });
        let mut bytes = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality)
            .encode_image(&stored.into_rgb8())
            .expect("a JPEG");
        with_orientation(&bytes, exif_orientation)
    }
}

/// A JPEG with an EXIF segment that holds the orientation and nothing else (TIFF 6.0 and EXIF 2.3,
/// from memory).
pub fn with_orientation(jpeg: &[u8], orientation: u8) -> Vec<u8> {
    let mut exif = b"Exif\0\0MM\0\x2A\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0".to_vec();
    exif.extend([orientation, 0, 0, 0, 0, 0, 0]);
    let length = (exif.len() + 2) as u16;
    let mut bytes = jpeg[..2].to_vec();
    bytes.extend([0xFF, 0xE1]);
    bytes.extend(length.to_be_bytes());
    bytes.extend(exif);
    bytes.extend(&jpeg[2..]);
    bytes
}

/// A target's place on the panel (mm) and in the photo (pixels).
pub type Sighted = ([f64; 2], [f64; 2]);

/// The demo's photo: one-sided light, oblique camera, targets along the edges; JPEG bytes and the
/// targets (panel mm, photo pixels).
pub fn demo(truth: &Truth, scene: &Scene, camera: &Camera, seed: u64) -> (Vec<u8>, Vec<Sighted>) {
    let shot = photo(
        truth,
        scene,
        camera,
        &Lamp {
            glare: Vec::new(),
            ..Lamp::one_sided()
        },
        &Sensor::phone(),
        seed,
    );
    let targets = scene
        .targets
        .iter()
        .copied()
        .zip(shot.targets_px.iter().copied())
        .collect();
    (shot.jpeg(85, 1), targets)
}

/// An even picture, for files that are broken on purpose.
pub fn plain(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |c, r| {
        Rgb([(c % 256) as u8, (r % 256) as u8, 90])
    })
}
