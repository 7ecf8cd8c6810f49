//! A second, independent renderer of guide-coat photos: everything it shows is simulated.
//!
//! It shares no line and no idea with the first one. Nothing is painted where the panel is low: a
//! board of a given length, width and stiffness is laid on the height field, the gap under it tells
//! where coat is left, and coat is grain: powder that survives longest in the deepest pores, mist
//! that is droplets, a wash that is blotched. Around it is what a workshop does to a photo: a
//! patchwork of fillers, sanding streaks, swirls, haze, worn patches, sand-through, several lamps,
//! shadows, reflections, a colour cast, blur, tape, pencil, a hand, a view from aside.
//!
//! In: a panel (size, form for the camera, height over that form) and a [`Job`]. Out: a [`Photo`]:
//! the JPEG, the targets and the truth by cells of 10 mm. Same in, same out.
//!
//! Seeds are kept apart: thresholds are chosen on [`TUNING`], figures and bounds are told on
//! [`JUDGING`]. A seed of one range never serves for the other's purpose.
//!
//! The board rides on the form (it is bent to a crowned panel by hand, common practice, no source),
//! so gaps are those under the height over the form; it is never tilted, so a short one falls into
//! wide lows. Spreads of colour and grain were set by eye and by the spread of the logarithm of 5
//! mm means over coat (0.2 to 0.4).
#![allow(dead_code)]

use image::codecs::jpeg::JpegEncoder;
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;
use std::ops::Range;

/// Seeds that thresholds may be chosen on.
pub const TUNING: Range<u64> = 0..1_000;
/// Seeds that figures are told on; nothing is chosen by them.
pub const JUDGING: Range<u64> = 10_000..11_000;

/// Side of a cell of the truth, mm: that of the program's own cells.
pub const CELL_MM: f64 = 10.0;
/// Grid that the board is laid on, mm.
const BOARD_GRID_MM: f64 = 10.0;

type Rgb = [f64; 3];

// ------------------------------------------------------------------------------------------- what
// is given

/// The panel: how large, what the camera sees it curved like, and how high it is over that.
#[derive(Clone, Copy)]
pub struct Panel<'a> {
    /// Length along x and width along y, mm.
    pub size_mm: [f64; 2],
    /// Height of the form, mm.
    pub form: &'a (dyn Fn(f64, f64) -> f64 + Sync),
    /// Height over the form, mm: lows negative.
    pub over_form: &'a (dyn Fn(f64, f64) -> f64 + Sync),
}

/// What the coat was blocked with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Board {
    /// Length and width, mm.
    pub size_mm: [f64; 2],
    /// How far its middle gives way into a hollow over its whole length, mm.
    pub gives_mm: f64,
    /// Gap from which on coat is left, mm.
    pub reach_mm: f64,
}

impl Board {
    /// A long board.
    pub const LONG: Board = Board {
        size_mm: [600.0, 70.0],
        gives_mm: 0.03,
        reach_mm: 0.04,
    };
    /// A hard block.
    pub const HARD: Board = Board {
        size_mm: [300.0, 70.0],
        gives_mm: 0.02,
        reach_mm: 0.04,
    };
    /// A soft pad, which follows the lows.
    pub const SOFT: Board = Board {
        size_mm: [130.0, 75.0],
        gives_mm: 0.16,
        reach_mm: 0.05,
    };
}

/// What the coat is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Coat {
    /// Dry powder in pores `grain_mm` across that covers the share `cover` where nothing was
    /// sanded.
    Powder { grain_mm: f64, cover: f64 },
    /// Droplets of a mean radius, mm, and the mean number of layers of them.
    Mist { radius_mm: f64, layers: f64 },
    /// A wash that hides the share `hides` of what is below.
    Wash { hides: f64 },
    /// No coat was put on.
    None,
}

/// How far the work has come.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Blocked {
    /// All over.
    Through,
    /// In some places only: about this share of the panel.
    Begun(f64),
    /// Not yet.
    Not,
}

/// A layer under the coat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Layer {
    /// Reflectance in linear light.
    pub colour: Rgb,
    /// How strongly it mirrors.
    pub sheen: f64,
    /// Pitch of a weave that shows in it, mm; 0 for none.
    pub weave_mm: f64,
}

const fn layer(r: f64, g: f64, b: f64) -> Layer {
    Layer {
        colour: [r, g, b],
        sheen: 0.03,
        weave_mm: 0.0,
    }
}

/// Layers to choose from: primers, fillers, laminate, metal, carbon.
pub const LAYERS: [Layer; 13] = [
    layer(0.60, 0.60, 0.58),
    layer(0.72, 0.71, 0.68),
    layer(0.38, 0.39, 0.41),
    layer(0.24, 0.25, 0.27),
    layer(0.66, 0.60, 0.44),
    layer(0.62, 0.52, 0.22),
    layer(0.62, 0.36, 0.31),
    layer(0.36, 0.50, 0.34),
    layer(0.44, 0.33, 0.20),
    layer(0.20, 0.10, 0.055),
    Layer {
        colour: [0.50, 0.44, 0.28],
        sheen: 0.06,
        weave_mm: 4.0,
    },
    Layer {
        colour: [0.42, 0.43, 0.45],
        sheen: 0.22,
        weave_mm: 0.0,
    },
    Layer {
        colour: [0.035, 0.036, 0.04],
        sheen: 0.07,
        weave_mm: 5.0,
    },
];

/// One photo to be taken.
#[derive(Clone, Debug)]
pub struct Job {
    /// Seed of all that is left to chance.
    pub seed: u64,
    /// Pixels across and down.
    pub size_px: [usize; 2],
    /// How far aside the camera stands, degrees, and from which side.
    pub aside_deg: f64,
    /// Direction from the panel's middle to the camera over the panel, degrees from x.
    pub from_deg: f64,
    /// Share of the frame that the panel takes up.
    pub fills: f64,
    /// Radial term of the lens.
    pub radial: f64,
    /// The board.
    pub board: Board,
    /// How far the work has come.
    pub blocked: Blocked,
    /// The coat and its colour.
    pub coat: Coat,
    /// Reflectance of the coat in linear light.
    pub coat_colour: Rgb,
    /// The layer that most of the panel shows.
    pub ground: Layer,
    /// Other layers in patches, each over about this share of the panel.
    pub patches: Vec<(Layer, f64)>,
    /// The layer that shows where a high is sanded through, and the height from which on, mm.
    pub through: Option<(Layer, f64)>,
    /// Streaks of sanding, 0 to 1; swirls of a machine, 0 to 1.
    pub streaks: f64,
    /// Swirls.
    pub swirls: f64,
    /// Share of coat that stays as a haze on fair skin.
    pub haze: f64,
    /// Share of coat worn off a low in patches.
    pub worn: f64,
    /// Scratches that keep coat.
    pub scratches: usize,
    /// Lamps.
    pub lamps: usize,
    /// Brightest over darkest light, about.
    pub light_ratio: f64,
    /// Shadows and windows mirrored in the panel.
    pub shadows: usize,
    /// Windows.
    pub windows: usize,
    /// Strips of tape, pencil lines, hands, rulers.
    pub tapes: usize,
    /// Lines.
    pub pencils: usize,
    /// Hands.
    pub hands: usize,
    /// Rulers.
    pub rulers: usize,
    /// Gains of red, green and blue.
    pub cast: Rgb,
    /// Standard deviation of the blur, px, and of the noise at mid grey, grey levels.
    pub blur_px: f64,
    /// Noise.
    pub noise: f64,
    /// JPEG quality.
    pub quality: u8,
    /// Standard deviation of the targets' places as they are told, px.
    pub target_px: f64,
}

impl Job {
    /// A careful photo: dark powder on pale primer, blocked through with a long board, even light,
    /// nothing lying about.
    pub fn plain(seed: u64) -> Job {
        Job {
            seed,
            size_px: [1800, 1350],
            aside_deg: 25.0,
            from_deg: 250.0,
            fills: 0.9,
            radial: 0.0,
            board: Board::LONG,
            blocked: Blocked::Through,
            coat: Coat::Powder {
                grain_mm: 2.0,
                cover: 0.8,
            },
            coat_colour: [0.045, 0.045, 0.05],
            ground: LAYERS[0],
            patches: Vec::new(),
            through: None,
            streaks: 0.3,
            swirls: 0.0,
            haze: 0.03,
            worn: 0.05,
            scratches: 25,
            lamps: 1,
            light_ratio: 1.6,
            shadows: 0,
            windows: 0,
            tapes: 0,
            pencils: 0,
            hands: 0,
            rulers: 0,
            cast: [1.0; 3],
            blur_px: 0.6,
            noise: 1.5,
            quality: 90,
            target_px: 0.6,
        }
    }

    /// A photo as a shop takes it: coat, colours, light, camera and what lies about by chance;
    /// always blocked through, with coat that a person tells from its ground.
    pub fn shop(seed: u64) -> Job {
        let mut rng = rng(seed, 1);
        let mut pick = |from: f64, to: f64| rng.random_range(from..to);
        let grain = 0.5 * (pick(0.0, 1.0) * 16f64.ln()).exp();
        let mut job = Job {
            aside_deg: pick(0.0, 50.0),
            from_deg: pick(0.0, 360.0),
            fills: pick(0.75, 0.95),
            radial: pick(-0.04, 0.02),
            streaks: pick(0.0, 0.8),
            swirls: (pick(-1.0, 0.7)).max(0.0),
            haze: pick(0.0, 0.08),
            worn: pick(0.0, 0.15),
            light_ratio: pick(1.2, 3.0),
            cast: [pick(0.85, 1.15), 1.0, pick(0.8, 1.15)],
            blur_px: pick(0.3, 1.6),
            noise: pick(0.5, 4.0),
            ..Job::plain(seed)
        };
        let (kind, colour) = (pick(0.0, 1.0), pick(0.0, 1.0));
        job.coat = match kind {
            k if k < 0.55 => Coat::Powder {
                grain_mm: grain,
                cover: pick(0.55, 0.92),
            },
            k if k < 0.9 => Coat::Mist {
                radius_mm: pick(0.4, 2.0),
                layers: pick(0.6, 1.8),
            },
            _ => Coat::Wash {
                hides: pick(0.5, 0.85),
            },
        };
        let pale = [0, 1, 2, 4, 5, 6, 7, 10, 11];
        let deep = [3, 9, 12];
        let of = |list: &[usize], u: f64| LAYERS[list[(u * list.len() as f64) as usize]];
        (job.ground, job.coat_colour) = match colour {
            c if c < 0.55 => (of(&pale, pick(0.0, 1.0)), [0.04, 0.04, 0.045]),
            c if c < 0.65 => (of(&pale, pick(0.0, 1.0)), [0.05, 0.11, 0.30]),
            c if c < 0.80 => (of(&[0, 1, 4], pick(0.0, 1.0)), [0.17, 0.17, 0.18]),
            _ => (of(&deep, pick(0.0, 1.0)), [0.70, 0.70, 0.68]),
        };
        let dark = mean(job.coat_colour) < 0.4;
        for _ in 0..(pick(0.0, 4.0) as usize) {
            let other = of(if dark { &pale } else { &deep }, pick(0.0, 1.0));
            job.patches.push((other, pick(0.04, 0.2)));
        }
        if pick(0.0, 1.0) < 0.3 {
            job.through = Some((of(if dark { &pale } else { &deep }, pick(0.0, 1.0)), 0.12));
        }
        job.scratches = pick(0.0, 120.0) as usize;
        job.lamps = 1 + pick(0.0, 3.0) as usize;
        job.shadows = pick(0.0, 2.5) as usize;
        job.windows = pick(0.0, 1.8) as usize;
        job.tapes = pick(0.0, 1.8) as usize;
        job.pencils = pick(0.0, 5.0) as usize;
        job.hands = pick(0.0, 1.25) as usize;
        job.rulers = pick(0.0, 1.2) as usize;
        job.quality = pick(80.0, 95.0) as u8;
        job
    }
}

// ------------------------------------------------------------------------------------------ what
// comes out

/// The truth by cell; cell `[iy, ix]` begins at ix·[`CELL_MM`], iy·[`CELL_MM`].
#[derive(Clone, Debug)]
pub struct TrueCells {
    /// Share of the coat put on that is still there, 0 to 1.
    pub coat: Array2<f64>,
    /// Whether it is fair to ask: not under a hand, tape, target or glare, no half-covered rim.
    pub judged: Array2<bool>,
    /// Share that is hidden by a thing.
    pub hidden: Array2<f64>,
    /// Gap under the board, mm.
    pub gap_mm: Array2<f64>,
    /// Whether most of the cell shows another layer than the ground.
    pub other_layer: Array2<bool>,
}

/// A photo with its truth.
#[derive(Clone, Debug)]
pub struct Photo {
    /// The file.
    pub jpeg: Vec<u8>,
    /// Targets: x and y on the panel in mm, column and row in the photo as a person tapped them.
    pub targets: Vec<[f64; 4]>,
    /// The truth.
    pub truth: TrueCells,
}

impl Photo {
    /// The file of targets.
    pub fn targets_csv(&self) -> String {
        let mut text = "x,y,px,py\n".to_string();
        for [x, y, px, py] in &self.targets {
            text += &format!("{x},{y},{px:.2},{py:.2}\n");
        }
        text
    }
}

// -------------------------------------------------------------------------------------------------
// chance

fn rng(seed: u64, stream: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5a4d_ed00_0000_0000);
    rng.set_stream(stream);
    rng
}

/// 0 to 1, for a place on a lattice.
fn hash(i: i64, j: i64, salt: u64) -> f64 {
    let mut h = (i as u64).wrapping_mul(0xff51_afd7_ed55_8ccd)
        ^ (j as u64)
            .wrapping_mul(0xc4ce_b9fe_1a85_ec53)
            .rotate_left(29)
        ^ salt.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    h ^= h >> 33;
    h = h.wrapping_mul(0xff51_afd7_ed55_8ccd);
    h ^= h >> 29;
    (h >> 11) as f64 / (1u64 << 53) as f64
}

/// Smooth noise with hills about 1 across, mean 0 and standard deviation about 1.
fn noise(x: f64, y: f64, salt: u64) -> f64 {
    let (i, j) = (x.floor(), y.floor());
    let ease = |t: f64| t * t * (3.0 - 2.0 * t);
    let (u, v) = (ease(x - i), ease(y - j));
    let (i, j) = (i as i64, j as i64);
    let low = hash(i, j, salt) * (1.0 - u) + hash(i + 1, j, salt) * u;
    let high = hash(i, j + 1, salt) * (1.0 - u) + hash(i + 1, j + 1, salt) * u;
    (low * (1.0 - v) + high * v - 0.5) / 0.2145
}

/// Two sizes of hills, turned against each other so that no lattice shows; nearly normal.
fn hills(x: f64, y: f64, salt: u64) -> f64 {
    let a = noise(0.8 * x - 0.6 * y, 0.6 * x + 0.8 * y, salt);
    let b = noise(
        2.1 * (0.38 * x + 0.92 * y),
        2.1 * (0.92 * x - 0.38 * y),
        salt ^ 0x77,
    );
    (a + 0.6 * b) / 1.166
}

/// The place below which a normal number lies with this chance (Abramowitz and Stegun 1964,
/// 26.2.22; within 0.003).
fn probit(p: f64) -> f64 {
    let q = p.min(1.0 - p).max(1e-6);
    let t = (-2.0 * q.ln()).sqrt();
    let z = t - (2.30753 + 0.27061 * t) / (1.0 + 0.99229 * t + 0.04481 * t * t);
    if p < 0.5 { -z } else { z }
}

fn mean(c: Rgb) -> f64 {
    (c[0] + c[1] + c[2]) / 3.0
}

fn mix(a: Rgb, b: Rgb, share: f64) -> Rgb {
    std::array::from_fn(|k| a[k] + (b[k] - a[k]) * share)
}

fn step(from: f64, to: f64, x: f64) -> f64 {
    let t = ((x - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

// ----------------------------------------------------------------------------------------------
// the board

/// Gaps under the board, mm, on nodes [`BOARD_GRID_MM`] apart: the least over four directions of
/// stroke and all places of the board.
///
/// A board of bottom g(t) = 4·gives·(t/length)² pressed from above touches at h(c) = max (z(c + t)
/// − g(t)); what it reaches at x is min over c of h(c) + g(x − c): a closing of the height field
/// (Serra 1982, image analysis by mathematical morphology).
pub fn gaps(panel: &Panel, board: &Board) -> Array2<f64> {
    let [nx, ny] = panel
        .size_mm
        .map(|l| (l / BOARD_GRID_MM).round() as usize + 1);
    let z = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
        (panel.over_form)(ix as f64 * BOARD_GRID_MM, iy as f64 * BOARD_GRID_MM)
    });
    let strokes: Vec<Array2<f64>> = [0.0f64, 45.0, 90.0, 135.0]
        .into_par_iter()
        .map(|deg| {
            let (sin, cos) = deg.to_radians().sin_cos();
            let reach = (board.size_mm[0] / 2.0 / BOARD_GRID_MM) as i64;
            let mut bottom: Vec<(i64, i64, f64)> = Vec::new();
            for dy in -reach..=reach {
                for dx in -reach..=reach {
                    let (x, y) = (dx as f64 * BOARD_GRID_MM, dy as f64 * BOARD_GRID_MM);
                    let (along, across) = (x * cos + y * sin, y * cos - x * sin);
                    let inside = 2.0 * along.abs() <= board.size_mm[0]
                        && 2.0 * across.abs() <= board.size_mm[1];
                    if inside {
                        // Across it gives as little as along, over the same way.
                        let t = (along * along + across * across).sqrt() / board.size_mm[0];
                        bottom.push((dx, dy, 4.0 * board.gives_mm * t * t));
                    }
                }
            }
            let at = |a: &Array2<f64>, iy: usize, ix: usize, dy: i64, dx: i64| {
                let (y, x) = (iy as i64 + dy, ix as i64 + dx);
                let inside = (0..ny as i64).contains(&y) && (0..nx as i64).contains(&x);
                inside.then(|| a[[y as usize, x as usize]])
            };
            let rests = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
                bottom
                    .iter()
                    .filter_map(|&(dx, dy, g)| at(&z, iy, ix, dy, dx).map(|z| z - g))
                    .fold(f64::NEG_INFINITY, f64::max)
            });
            Array2::from_shape_fn((ny, nx), |(iy, ix)| {
                bottom
                    .iter()
                    .filter_map(|&(dx, dy, g)| at(&rests, iy, ix, dy, dx).map(|h| h + g))
                    .fold(f64::INFINITY, f64::min)
            })
        })
        .collect();
    Array2::from_shape_fn((ny, nx), |at| {
        let reached = strokes.iter().map(|s| s[at]).fold(f64::INFINITY, f64::min);
        (reached - z[at]).max(0.0)
    })
}

/// Between nodes a step apart.
fn between(grid: &Array2<f64>, step: f64, x: f64, y: f64) -> f64 {
    let (ny, nx) = grid.dim();
    let (u, v) = (
        (x / step).clamp(0.0, nx as f64 - 1.001),
        (y / step).clamp(0.0, ny as f64 - 1.001),
    );
    let (i, j) = (u as usize, v as usize);
    let (a, b) = (u - i as f64, v - j as f64);
    grid[[j, i]] * (1.0 - a) * (1.0 - b)
        + grid[[j, i + 1]] * a * (1.0 - b)
        + grid[[j + 1, i]] * (1.0 - a) * b
        + grid[[j + 1, i + 1]] * a * b
}

// ----------------------------------------------------------------------------------------------
// the panel

/// A thing lying on the panel.
enum Thing {
    Strip {
        from: [f64; 2],
        to: [f64; 2],
        half: f64,
        colour: Rgb,
        ruler: bool,
    },
    Hand {
        at: [f64; 2],
        turn: f64,
        colour: Rgb,
    },
    Target {
        at: [f64; 2],
        side: f64,
        turn: f64,
        cross: bool,
    },
}

/// Distance of a point from a stretch, and how far along it is, mm.
fn from_stretch(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> (f64, f64) {
    let (ux, uy) = (b[0] - a[0], b[1] - a[1]);
    let length = ux.hypot(uy).max(1e-9);
    let along = ((p[0] - a[0]) * ux + (p[1] - a[1]) * uy) / length;
    let t = along.clamp(0.0, length) / length;
    ((p[0] - a[0] - t * ux).hypot(p[1] - a[1] - t * uy), along)
}

impl Thing {
    /// Its colour at a place, if it lies there.
    fn at(&self, x: f64, y: f64) -> Option<Rgb> {
        match self {
            Thing::Strip {
                from,
                to,
                half,
                colour,
                ruler,
            } => {
                let (off, along) = from_stretch([x, y], *from, *to);
                if off > *half {
                    return None;
                }
                let tick = *ruler && off > 0.3 * half && along.rem_euclid(10.0) < 1.0;
                let creased = 1.0 + 0.05 * noise(x / 6.0, y / 6.0, 61);
                Some(if tick {
                    [0.03; 3]
                } else {
                    colour.map(|c| c * creased)
                })
            }
            Thing::Hand { at, turn, colour } => {
                let (sin, cos) = turn.sin_cos();
                let (dx, dy) = (x - at[0], y - at[1]);
                let p = [dx * cos + dy * sin, dy * cos - dx * sin];
                let palm = (p[0] / 48.0).hypot(p[1] / 42.0) < 1.0;
                let fingers = [-30.0, -10.0, 10.0, 29.0].iter().any(|&f| {
                    let tip = [105.0 - 0.012 * (f * f), f * 1.25];
                    from_stretch(p, [20.0, f], tip).0 < 9.0
                });
                let thumb = from_stretch(p, [-5.0, -35.0], [45.0, -75.0]).0 < 11.0;
                let arm = from_stretch(p, [-40.0, 0.0], [-700.0, 10.0]).0 < 33.0;
                let shade = 0.9
                    + 0.12 * hills(p[0] / 25.0, p[1] / 25.0, 62)
                    + 0.03 * noise(p[0] / 2.0, p[1] / 2.0, 63);
                (palm || fingers || thumb || arm).then(|| colour.map(|c| c * shade))
            }
            Thing::Target {
                at,
                side,
                turn,
                cross,
            } => {
                let (sin, cos) = turn.sin_cos();
                let (dx, dy) = (x - at[0], y - at[1]);
                let (u, v) = (dx * cos + dy * sin, dy * cos - dx * sin);
                if u.abs().max(v.abs()) > side / 2.0 {
                    return None;
                }
                let dark = if *cross {
                    u.abs().min(v.abs()) < 0.045 * side && u.abs().max(v.abs()) < 0.36 * side
                } else {
                    u.hypot(v) < 0.36 * side && (u > 0.0) == (v > 0.0)
                };
                Some(if dark { [0.03; 3] } else { [0.78, 0.78, 0.76] })
            }
        }
    }
}

/// The panel as it lies there: what is seen at each place.
struct Skin<'a> {
    job: &'a Job,
    panel: Panel<'a>,
    gaps: Array2<f64>,
    /// Direction of the strokes.
    stroke: [f64; 2],
    /// Middles of swirls.
    swirls: Vec<[f64; 2]>,
    /// Where the block has been, when only begun.
    begun: Vec<([f64; 2], [f64; 2])>,
    /// Thresholds of the patches.
    patch_from: Vec<f64>,
    /// Scratches 1, pencil 2, on texels of 1 mm.
    lines: Array2<u8>,
    things: Vec<Thing>,
    salt: u64,
}

/// What lies at a place.
struct Spot {
    colour: Rgb,
    sheen: f64,
}

impl<'a> Skin<'a> {
    fn new(job: &'a Job, panel: Panel<'a>, targets: &[[f64; 2]]) -> Self {
        let mut rng = rng(job.seed, 2);
        let [length, width] = panel.size_mm;
        let stroke: f64 = rng.random_range(-0.6..0.6);
        let somewhere = |rng: &mut ChaCha8Rng| {
            [
                rng.random_range(0.05..0.95) * length,
                rng.random_range(0.05..0.95) * width,
            ]
        };
        let swirls = (0..5).map(|_| somewhere(&mut rng)).collect();
        let mut begun = Vec::new();
        if let Blocked::Begun(share) = job.blocked {
            let mut left = share * length * width;
            while left > 0.0 {
                let at = somewhere(&mut rng);
                let axes = [rng.random_range(40.0..120.0), rng.random_range(25.0..60.0)];
                left -= std::f64::consts::PI * axes[0] * axes[1];
                begun.push((at, axes));
            }
        }
        let mut lines = Array2::zeros((width.ceil() as usize + 1, length.ceil() as usize + 1));
        for k in 0..job.scratches + job.pencils {
            let pencil = k >= job.scratches;
            let at = somewhere(&mut rng);
            // Scratches run with the strokes, either way across.
            let side = if rng.random_range(0.0..1.0) < 0.5 {
                0.9
            } else {
                -0.7
            };
            let angle = if pencil {
                rng.random_range(0.0..3.1)
            } else {
                stroke + side + 0.15 * rng.sample::<f64, _>(StandardNormal)
            };
            let span = rng.random_range(40.0..300.0);
            let wide = rng.random_range(0.3..1.1);
            scratch(
                &mut lines,
                at,
                angle,
                span,
                wide,
                if pencil { 2 } else { 1 },
            );
        }
        let salt = rng.random_range(0..u64::MAX / 2);
        let mut things = Vec::new();
        for _ in 0..job.tapes {
            let (a, b) = (somewhere(&mut rng), somewhere(&mut rng));
            let paints = [
                [0.10, 0.22, 0.50],
                [0.70, 0.55, 0.12],
                [0.25, 0.45, 0.22],
                [0.7, 0.66, 0.5],
            ];
            things.push(Thing::Strip {
                from: a,
                to: b,
                half: rng.random_range(9.0..24.0),
                colour: paints[rng.random_range(0..4usize)],
                ruler: false,
            });
        }
        for _ in 0..job.rulers {
            let at = somewhere(&mut rng);
            let angle: f64 = rng.random_range(0.0..3.1);
            let span = rng.random_range(150.0..300.0);
            things.push(Thing::Strip {
                from: [at[0] - span * angle.cos(), at[1] - span * angle.sin()],
                to: [at[0] + span * angle.cos(), at[1] + span * angle.sin()],
                half: 14.0,
                colour: [0.45, 0.45, 0.46],
                ruler: true,
            });
        }
        for _ in 0..job.hands {
            let tones = [[0.50, 0.28, 0.19], [0.20, 0.10, 0.06], [0.62, 0.40, 0.30]];
            let from_left = rng.random_range(0.0..1.0) < 0.5;
            let y = rng.random_range(0.2..0.8) * width;
            things.push(Thing::Hand {
                at: [if from_left { 90.0 } else { length - 90.0 }, y],
                turn: if from_left { 0.0 } else { std::f64::consts::PI }
                    + rng.random_range(-0.4..0.4),
                colour: tones[rng.random_range(0..3usize)],
            });
        }
        let cross = rng.random_range(0.0..1.0) < 0.5;
        for &at in targets {
            things.push(Thing::Target {
                at,
                side: 36.0,
                turn: rng.random_range(-0.15..0.15),
                cross,
            });
        }
        let mut skin = Skin {
            job,
            panel,
            gaps: gaps(&panel, &job.board),
            stroke: [stroke.cos(), stroke.sin()],
            swirls,
            begun,
            patch_from: Vec::new(),
            lines,
            things,
            salt,
        };
        // A patch is where slow noise is above the level that leaves its share of the panel.
        skin.patch_from = (0..job.patches.len())
            .map(|k| {
                let mut all: Vec<f64> = (0..900)
                    .map(|n| {
                        let (i, j) = (n % 30, n / 30);
                        skin.patch_noise(
                            k,
                            (i as f64 + 0.5) / 30.0 * length,
                            (j as f64 + 0.5) / 30.0 * width,
                        )
                    })
                    .collect();
                all.sort_by(f64::total_cmp);
                all[((1.0 - job.patches[k].1) * 899.0) as usize]
            })
            .collect();
        skin
    }

    fn patch_noise(&self, k: usize, x: f64, y: f64) -> f64 {
        let salt = self.salt + 100 + k as u64;
        noise(x / 260.0, y / 260.0, salt)
            + 0.3 * noise(x / 70.0, y / 70.0, salt ^ 1)
            + 0.05 * noise(x / 7.0, y / 7.0, salt ^ 2)
    }

    /// The layer at a place, and whether it is not the ground.
    fn layer(&self, x: f64, y: f64) -> (Layer, bool) {
        if let Some((layer, from)) = self.job.through {
            let ragged = 0.05 * hills(x / 9.0, y / 9.0, self.salt + 7);
            if (self.panel.over_form)(x, y) > from + ragged {
                return (layer, true);
            }
        }
        for (k, (layer, _)) in self.job.patches.iter().enumerate() {
            if self.patch_noise(k, x, y) > self.patch_from[k] {
                return (*layer, true);
            }
        }
        (self.job.ground, false)
    }

    /// Share of the coat put on that is left at a place, on the mean over its grain.
    fn kept(&self, x: f64, y: f64) -> f64 {
        let (job, salt) = (self.job, self.salt);
        if job.coat == Coat::None {
            return 0.0;
        }
        if job.blocked == Blocked::Not {
            return 1.0 - 0.06 * step(0.8, 2.0, hills(x / 60.0, y / 60.0, salt + 11));
        }
        // The hand does not press evenly, and strokes overlap by chance.
        let hand = 0.012 * hills(x / 70.0, y / 70.0, salt + 12)
            + 0.006 * self.along(x, y, 150.0, 12.0, 13);
        let gap = between(&self.gaps, BOARD_GRID_MM, x, y) + hand;
        let left = 1.0 / (1.0 + (-(gap - job.board.reach_mm) / 0.009).exp());
        let worn = job.worn * step(0.4, 1.6, hills(x / 50.0, y / 50.0, salt + 14));
        let haze = job.haze * (1.0 + 0.8 * self.along(x, y, 200.0, 25.0, 15)).max(0.0);
        let mut kept = (left * (1.0 - worn)).max(haze.min(0.5));
        if let Blocked::Begun(_) = job.blocked {
            let done = self
                .begun
                .iter()
                .map(|(at, axes)| {
                    let (dx, dy) = (x - at[0], y - at[1]);
                    let along = dx * self.stroke[0] + dy * self.stroke[1];
                    let across = dy * self.stroke[0] - dx * self.stroke[1];
                    1.0 - step(0.7, 1.2, (along / axes[0]).hypot(across / axes[1]))
                })
                .fold(0.0, f64::max);
            kept = kept.max(1.0 - done);
        }
        kept
    }

    /// Noise drawn out along the strokes, on hills `long` × `short` mm.
    fn along(&self, x: f64, y: f64, long: f64, short: f64, salt: u64) -> f64 {
        let u = x * self.stroke[0] + y * self.stroke[1];
        let v = y * self.stroke[0] - x * self.stroke[1];
        noise(u / long, v / short, self.salt + salt)
    }

    /// How much of what is below the coat hides at this very point, 0 to 1.
    fn hides(&self, x: f64, y: f64, kept: f64) -> f64 {
        let salt = self.salt;
        match self.job.coat {
            Coat::None => 0.0,
            Coat::Powder { grain_mm, cover } => {
                // Pores are drawn out a little along the strokes; the deepest keep their powder
                // longest.
                let u = x * self.stroke[0] + y * self.stroke[1];
                let v = y * self.stroke[0] - x * self.stroke[1];
                let depth = hills(u / (1.6 * grain_mm), v / grain_mm, salt + 21);
                let deep = depth - probit((cover * kept).clamp(1e-4, 0.999));
                0.93 * (1.0 - step(-0.15, 0.25, deep))
            }
            Coat::Mist { radius_mm, layers } => {
                let cell = 2.2 * radius_mm;
                // Mean number of droplets a cell so that layers of them lie on each other; a third
                // of the radius is spread.
                let count =
                    layers * cell * cell / (std::f64::consts::PI * radius_mm * radius_mm * 1.1);
                let (i, j) = ((x / cell).floor() as i64, (y / cell).floor() as i64);
                let mut bare = 1.0;
                for dj in -1..=1 {
                    for di in -1..=1 {
                        for k in 0..3u64 {
                            let (i, j) = (i + di, j + dj);
                            let of = |n: u64| hash(i, j, salt + 31 + 10 * k + n);
                            // Present by chance; the thin ones go first.
                            if of(0) >= count / 3.0 * kept {
                                continue;
                            }
                            let at = [(i as f64 + of(1)) * cell, (j as f64 + of(2)) * cell];
                            let radius = radius_mm * (0.5 + of(3));
                            let off = (x - at[0]).hypot(y - at[1]) / radius;
                            bare *= 1.0 - 0.9 * (1.0 - step(0.85, 1.1, off));
                        }
                    }
                }
                1.0 - bare
            }
            Coat::Wash { hides } => {
                let blotch = 1.0
                    + 0.12 * hills(x / 18.0, y / 18.0, salt + 41)
                    + 0.10 * hills(x / 3.0, y / 3.0, salt + 42)
                    + 0.10 * self.along(x, y, 60.0, 2.0, 43);
                (hides * kept * blotch).clamp(0.0, 0.97)
            }
        }
    }

    fn thing(&self, x: f64, y: f64) -> Option<Rgb> {
        self.things.iter().find_map(|t| t.at(x, y))
    }

    /// What is seen at a place of the panel.
    fn spot(&self, x: f64, y: f64) -> Spot {
        let (job, salt) = (self.job, self.salt);
        if let Some(colour) = self.thing(x, y) {
            return Spot {
                colour,
                sheen: 0.02,
            };
        }
        let (layer, other) = self.layer(x, y);
        let kept = self.kept(x, y);
        let mut tone = 1.0
            + 0.035 * hills(x / 110.0, y / 110.0, salt + 51)
            + 0.02 * hills(x / 24.0, y / 24.0, salt + 52 + u64::from(other))
            + 0.02 * noise(x / 0.9, y / 0.9, salt + 53);
        tone += job.streaks
            * (0.05 * self.along(x, y, 160.0, 5.0, 54) + 0.04 * self.along(x, y, 60.0, 1.6, 55));
        if job.swirls > 0.0 {
            for (k, at) in self.swirls.iter().enumerate() {
                let (r, turn) = ((x - at[0]).hypot(y - at[1]), (y - at[1]).atan2(x - at[0]));
                let near = (-(r / 130.0).powi(2)).exp();
                tone += job.swirls * near * 0.10 * noise(r / 2.5, 1.3 * turn, salt + 70 + k as u64);
            }
        }
        let mut colour = layer.colour;
        if layer.weave_mm > 0.0 {
            let p = layer.weave_mm;
            let (a, b) = ((x / p).rem_euclid(2.0) < 1.0, (y / p).rem_euclid(2.0) < 1.0);
            tone *= if a == b { 1.10 } else { 0.90 };
        }
        colour = colour.map(|c| c * tone.max(0.1));
        let mut hides = self.hides(x, y, kept);
        let line = self
            .lines
            .get([y.max(0.0) as usize, x.max(0.0) as usize])
            .copied()
            .unwrap_or(0);
        if line == 1 && job.coat != Coat::None {
            hides = hides.max(0.55);
        }
        let coat = job.coat_colour.map(|c| {
            c * (1.0 + 0.10 * hills(x / 40.0, y / 40.0, salt + 56) + 0.08 * noise(x, y, salt + 57))
        });
        colour = mix(colour, coat, hides);
        if line == 2 {
            colour = mix(colour, [0.07; 3], 0.7);
        }
        Spot {
            colour: colour.map(|c| c.clamp(0.005, 0.95)),
            sheen: layer.sheen * (1.0 - hides),
        }
    }

    fn truth(&self, light: &Light, h: &dyn Fn(f64, f64) -> [f64; 2]) -> TrueCells {
        let [nx, ny] = self
            .panel
            .size_mm
            .map(|l| (l / CELL_MM - 1e-9).ceil() as usize);
        let dim = (ny, nx);
        let middle = |i: usize| (i as f64 + 0.5) * CELL_MM;
        // Nine looks a cell.
        let over = |iy: usize, ix: usize, f: &dyn Fn(f64, f64) -> f64| {
            (0..9)
                .map(|k| {
                    let off = |n: usize| (n as f64 - 1.0) * CELL_MM / 3.0;
                    f(middle(ix) + off(k % 3), middle(iy) + off(k / 3))
                })
                .sum::<f64>()
                / 9.0
        };
        let hidden = Array2::from_shape_fn(dim, |(iy, ix)| {
            over(iy, ix, &|x, y| {
                f64::from(u8::from(self.thing(x, y).is_some()))
            })
        });
        let coat = Array2::from_shape_fn(dim, |(iy, ix)| over(iy, ix, &|x, y| self.kept(x, y)));
        let judged = Array2::from_shape_fn(dim, |(iy, ix)| {
            let [x, y] = [middle(ix), middle(iy)];
            let p = h(x, y);
            let share: f64 = coat[[iy, ix]];
            hidden[[iy, ix]] == 0.0
                && light.mirrored(x, y, p) < 0.12
                && !(0.35..0.65).contains(&share)
        });
        TrueCells {
            judged,
            hidden,
            gap_mm: Array2::from_shape_fn(dim, |(iy, ix)| {
                between(&self.gaps, BOARD_GRID_MM, middle(ix), middle(iy))
            }),
            other_layer: Array2::from_shape_fn(dim, |(iy, ix)| {
                over(iy, ix, &|x, y| f64::from(u8::from(self.layer(x, y).1))) > 0.5
            }),
            coat,
        }
    }
}

/// Draw a line onto texels of 1 mm, bent a little.
fn scratch(lines: &mut Array2<u8>, at: [f64; 2], angle: f64, span: f64, wide: f64, mark: u8) {
    let bend = (hash(at[0] as i64, at[1] as i64, 9) - 0.5) * 0.0015;
    let steps = (span * 2.0) as i64;
    for k in 0..steps {
        let t = k as f64 / 2.0;
        let a = angle + bend * t;
        for side in [-0.5, 0.0, 0.5] {
            let (x, y) = (
                at[0] + t * a.cos() - side * wide * a.sin(),
                at[1] + t * a.sin() + side * wide * a.cos(),
            );
            if x >= 0.0
                && y >= 0.0
                && let Some(texel) = lines.get_mut([y as usize, x as usize])
            {
                *texel = mark;
            }
        }
    }
}

// -----------------------------------------------------------------------------------------------
// the light

struct Lamp {
    at: [f64; 3],
    colour: Rgb,
}

/// A soft-edged quadrilateral on the panel.
struct Pane {
    at: [f64; 2],
    half: [f64; 2],
    turn: f64,
    soft: f64,
    strength: f64,
    bars: bool,
}

impl Pane {
    fn cover(&self, x: f64, y: f64) -> f64 {
        let (sin, cos) = self.turn.sin_cos();
        let (dx, dy) = (x - self.at[0], y - self.at[1]);
        let (u, v) = (dx * cos + dy * sin, dy * cos - dx * sin);
        let edge = |d: f64, half: f64| 1.0 - step(half - self.soft, half + self.soft, d.abs());
        let bar = |d: f64| step(0.0, self.soft + 6.0, d.abs());
        let bars = if self.bars { bar(u) * bar(v) } else { 1.0 };
        edge(u, self.half[0]) * edge(v, self.half[1]) * bars
    }
}

struct Light<'a> {
    panel: Panel<'a>,
    lamps: Vec<Lamp>,
    shadows: Vec<Pane>,
    windows: Vec<Pane>,
    scale: f64,
}

impl<'a> Light<'a> {
    fn new(job: &Job, panel: Panel<'a>) -> Self {
        let mut rng = rng(job.seed, 3);
        let [length, width] = panel.size_mm;
        let size = length.max(width);
        // The nearer a lamp, the less even its light.
        let height = size * (0.45 + 1.3 / (job.light_ratio - 0.9).max(0.1));
        let lamps = (0..job.lamps.max(1))
            .map(|k| {
                let turn: f64 = rng.random_range(0.0..std::f64::consts::TAU);
                let off = rng.random_range(0.3..0.8) * size;
                let warm: f64 = rng.random_range(-0.08..0.08);
                let power = if k == 0 {
                    1.0
                } else {
                    rng.random_range(0.2..0.6)
                };
                Lamp {
                    at: [
                        length / 2.0 + off * turn.cos(),
                        width / 2.0 + off * turn.sin(),
                        height * rng.random_range(0.8..1.2),
                    ],
                    colour: [1.0 + warm, 1.0, 1.0 - warm].map(|c| c * power),
                }
            })
            .collect();
        let mut pane = |shadow: bool| Pane {
            at: [
                rng.random_range(0.0..1.0) * length,
                rng.random_range(0.0..1.0) * width,
            ],
            half: if shadow {
                [
                    rng.random_range(0.1..0.4) * size,
                    rng.random_range(0.05..0.25) * size,
                ]
            } else {
                [
                    rng.random_range(0.05..0.12) * size,
                    rng.random_range(0.05..0.1) * size,
                ]
            },
            turn: rng.random_range(0.0..3.1),
            soft: if shadow {
                rng.random_range(5.0..70.0)
            } else {
                rng.random_range(6.0..30.0)
            },
            strength: if shadow {
                rng.random_range(0.3..0.65)
            } else {
                rng.random_range(0.1..0.5)
            },
            bars: !shadow,
        };
        let shadows = (0..job.shadows).map(|_| pane(true)).collect();
        let windows = (0..job.windows).map(|_| pane(false)).collect();
        let mut light = Light {
            panel,
            lamps,
            shadows,
            windows,
            scale: 1.0,
        };
        let mid = mean(light.falling(length / 2.0, width / 2.0));
        light.scale = 1.0 / mid;
        light
    }

    /// Light that falls on a place.
    fn falling(&self, x: f64, y: f64) -> Rgb {
        let form = self.panel.form;
        let z = form(x, y);
        let slope = [form(x + 1.0, y) - z, form(x, y + 1.0) - z];
        let mut sum = [0.0; 3];
        for lamp in &self.lamps {
            let (dx, dy, dz) = (lamp.at[0] - x, lamp.at[1] - y, lamp.at[2] - z);
            let far = (dx * dx + dy * dy + dz * dz).sqrt();
            let facing = ((dz - dx * slope[0] - dy * slope[1]) / far).max(0.05);
            let level = self.scale * facing * (1000.0 / far).powi(2);
            for k in 0..3 {
                sum[k] += level * lamp.colour[k];
            }
        }
        // Light from the walls fills in, bluish in the shade.
        let mut direct = 1.0;
        for s in &self.shadows {
            direct *= 1.0 - s.strength * s.cover(x, y);
        }
        let tint = [1.0, 1.0, 1.0 + 0.12 * (1.0 - direct)];
        std::array::from_fn(|k| sum[k] * direct * tint[k])
    }

    /// Light that the panel mirrors at a place, as windows do.
    fn mirrored(&self, x: f64, y: f64, _photo: [f64; 2]) -> f64 {
        self.windows
            .iter()
            .map(|w| w.strength * w.cover(x, y))
            .sum()
    }
}

// ----------------------------------------------------------------------------------------------
// the camera

/// A camera of one focal length and one radial term.
struct Camera<'a> {
    panel: Panel<'a>,
    rows: [[f64; 3]; 3],
    distance: f64,
    focal: f64,
    middle: [f64; 2],
    radial: f64,
    /// Place over the ground of each 10 mm taped along x and along y.
    taped: [Vec<f64>; 2],
}

const TAPE_STEP: f64 = 10.0;

impl<'a> Camera<'a> {
    fn new(job: &Job, panel: Panel<'a>) -> Self {
        let [length, width] = panel.size_mm;
        let (tilt, turn) = (job.aside_deg.to_radians(), job.from_deg.to_radians());
        let out = [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()];
        // The camera is held with the panel's y upwards in the picture, as well as that goes.
        let cross = |a: [f64; 3], b: [f64; 3]| {
            [
                a[1] * b[2] - a[2] * b[1],
                a[2] * b[0] - a[0] * b[2],
                a[0] * b[1] - a[1] * b[0],
            ]
        };
        let unit = |a: [f64; 3]| {
            let n = (a[0] * a[0] + a[1] * a[1] + a[2] * a[2]).sqrt();
            a.map(|v| v / n)
        };
        let ahead = out.map(|v| -v);
        let right = unit(cross(ahead, [0.0, 1.0, 0.0]));
        let down = cross(ahead, right);
        let [w, h] = job.size_px.map(|v| v as f64);
        let mut camera = Camera {
            panel,
            rows: [right, down, ahead],
            distance: 0.5 * length.max(width),
            focal: 0.82 * w.max(h),
            middle: [w / 2.0, h / 2.0],
            radial: job.radial,
            taped: [
                tape(length, &|x| (panel.form)(x, width / 2.0)),
                tape(width, &|y| (panel.form)(length / 2.0, y)),
            ],
        };
        for _ in 0..400 {
            let corners = [[0.0, 0.0], [length, 0.0], [length, width], [0.0, width]];
            let inside = corners.iter().all(|c| {
                let p = camera.photo(c[0], c[1]);
                (p[0] - w / 2.0).abs() < job.fills * w / 2.0
                    && (p[1] - h / 2.0).abs() < job.fills * h / 2.0
            });
            if inside {
                break;
            }
            camera.distance *= 1.02;
        }
        camera
    }

    /// Where a place of the panel is seen: column and row, the corner of the first pixel at (0, 0).
    fn photo(&self, x: f64, y: f64) -> [f64; 2] {
        let [length, width] = self.panel.size_mm;
        let over = |t: &Vec<f64>, v: f64| {
            let u = (v / TAPE_STEP).clamp(0.0, t.len() as f64 - 1.001);
            let i = u as usize;
            t[i] + (t[i + 1] - t[i]) * (v / TAPE_STEP - i as f64)
        };
        let p = [
            over(&self.taped[0], x) - over(&self.taped[0], length / 2.0),
            over(&self.taped[1], y) - over(&self.taped[1], width / 2.0),
            (self.panel.form)(x, y) - (self.panel.form)(length / 2.0, width / 2.0),
        ];
        let q = self.rows.map(|r| r[0] * p[0] + r[1] * p[1] + r[2] * p[2]);
        let depth = (q[2] + self.distance).max(1.0);
        let (a, b) = (q[0] / depth, q[1] / depth);
        let bent = self.focal * (1.0 + self.radial * (a * a + b * b));
        [self.middle[0] + bent * a, self.middle[1] + bent * b]
    }

    /// Place of the panel seen at a pixel, from a first guess, and how it moves with column and row
    /// (mm a pixel).
    fn place(&self, px: f64, py: f64, guess: [f64; 2]) -> ([f64; 2], [[f64; 2]; 2]) {
        let [mut x, mut y] = guess;
        let mut back = [[1.0, 0.0], [0.0, 1.0]];
        for _ in 0..8 {
            let p = self.photo(x, y);
            let (a, b) = (self.photo(x + 1.0, y), self.photo(x, y + 1.0));
            let j = [[a[0] - p[0], b[0] - p[0]], [a[1] - p[1], b[1] - p[1]]];
            let det = j[0][0] * j[1][1] - j[0][1] * j[1][0];
            let det = if det.abs() < 1e-9 { 1e-9 } else { det };
            back = [
                [j[1][1] / det, -j[0][1] / det],
                [-j[1][0] / det, j[0][0] / det],
            ];
            let (dx, dy) = (px - p[0], py - p[1]);
            let (mx, my) = (
                back[0][0] * dx + back[0][1] * dy,
                back[1][0] * dx + back[1][1] * dy,
            );
            let limit = 400.0;
            x += mx.clamp(-limit, limit);
            y += my.clamp(-limit, limit);
            if mx.abs().max(my.abs()) < 0.02 {
                break;
            }
        }
        ([x, y], back)
    }
}

/// Place over the ground of lengths taped along a profile.
fn tape(length: f64, z: &dyn Fn(f64) -> f64) -> Vec<f64> {
    let n = (length / TAPE_STEP).ceil() as usize + 2;
    let mut at = 0.0;
    (0..n)
        .map(|k| {
            let s = k as f64 * TAPE_STEP;
            let here = at;
            let slope = (z(s + 1.0) - z(s)) / (1.0 + (z(s + 1.0) - z(s)).powi(2)).sqrt();
            at += TAPE_STEP * (1.0 - slope * slope).max(0.05).sqrt();
            here
        })
        .collect()
}

// ----------------------------------------------------------------------------------------------
// the photo

/// Places of the targets: eight around, one in the middle.
fn target_places(size: [f64; 2]) -> Vec<[f64; 2]> {
    let [l, w] = size;
    let m = 55.0;
    vec![
        [m, m],
        [l / 2.0 + 12.0, m - 6.0],
        [l - m, m + 8.0],
        [l - m + 5.0, w / 2.0],
        [l - m, w - m],
        [l / 2.0 - 20.0, w - m],
        [m + 4.0, w - m - 5.0],
        [m, w / 2.0 + 15.0],
        [l / 2.0, w / 2.0 + 9.0],
    ]
}

/// Take the photo.
pub fn photo(panel: Panel, job: &Job) -> Photo {
    let places = target_places(panel.size_mm);
    let skin = Skin::new(job, panel, &places);
    let light = Light::new(job, panel);
    let camera = Camera::new(job, panel);
    let [w, h] = job.size_px;
    let [length, width] = panel.size_mm;
    let mut pixels = vec![[0f32; 3]; w * h];
    pixels
        .par_chunks_mut(w)
        .enumerate()
        .for_each(|(row, line)| {
            let mut at = [length / 2.0, width / 2.0];
            for (column, pixel) in line.iter_mut().enumerate() {
                let (place, back) = camera.place(column as f64 + 0.5, row as f64 + 0.5, at);
                at = place.map(|v| v.clamp(-2000.0, 6000.0));
                *pixel = seen(&skin, &light, place, back).map(|v| v as f32);
            }
        });
    let jpeg = develop(job, pixels, &skin, &camera);
    let mut rng = rng(job.seed, 5);
    let targets = places
        .iter()
        .map(|p| {
            let mut tapped = camera.photo(p[0], p[1]);
            for v in &mut tapped {
                // Told from the middle of the first pixel.
                *v += job.target_px * rng.sample::<f64, _>(StandardNormal) - 0.5;
            }
            [p[0], p[1], tapped[0], tapped[1]]
        })
        .collect();
    Photo {
        jpeg,
        targets,
        truth: skin.truth(&light, &|x, y| camera.photo(x, y)),
    }
}

/// The truth of a photo without the photo: for tests that ask what a perfect reading of it would
/// do.
pub fn cells(panel: Panel, job: &Job) -> TrueCells {
    let skin = Skin::new(job, panel, &target_places(panel.size_mm));
    let light = Light::new(job, panel);
    let camera = Camera::new(job, panel);
    skin.truth(&light, &|x, y| camera.photo(x, y))
}

/// Linear light of a pixel: four looks within it.
fn seen(skin: &Skin, light: &Light, place: [f64; 2], back: [[f64; 2]; 2]) -> Rgb {
    let [length, width] = skin.panel.size_mm;
    let mut sum = [0.0; 3];
    let inside = |x: f64, y: f64| (0.0..length).contains(&x) && (0.0..width).contains(&y);
    let lit = light.falling(place[0], place[1]);
    let glare = light.mirrored(place[0], place[1], [0.0; 2]);
    for (u, v) in [(-0.25, -0.1), (0.1, -0.25), (0.25, 0.1), (-0.1, 0.25)] {
        let x = place[0] + back[0][0] * u + back[0][1] * v;
        let y = place[1] + back[1][0] * u + back[1][1] * v;
        if inside(x, y) {
            let spot = skin.spot(x, y);
            for k in 0..3 {
                sum[k] += spot.colour[k] * lit[k] + glare * (0.6 + 6.0 * spot.sheen);
            }
        } else if let Some(arm) = skin.things.iter().find_map(|t| match t {
            Thing::Hand { .. } => t.at(x, y),
            _ => None,
        }) {
            for k in 0..3 {
                sum[k] += arm[k] * lit[k];
            }
        } else {
            let floor =
                0.16 + 0.03 * noise(x / 90.0, y / 90.0, 81) + 0.02 * noise(x / 7.0, y / 7.0, 82);
            let board = if (x / 120.0).rem_euclid(1.0) < 0.02 {
                0.5
            } else {
                1.0
            };
            let hue = [1.0, 0.93 - 0.1 * hash(0, 0, skin.salt), 0.85];
            for k in 0..3 {
                sum[k] += floor.max(0.02) * board * hue[k] * lit[k].min(2.0);
            }
        }
    }
    sum.map(|v| v / 4.0)
}

/// Blur, exposure, cast, noise, the tone curve, JPEG.
fn develop(job: &Job, mut pixels: Vec<[f32; 3]>, skin: &Skin, camera: &Camera) -> Vec<u8> {
    let [w, h] = job.size_px;
    blur(&mut pixels, w, h, job.blur_px);
    // Exposed so that the brighter parts of the panel are just below white.
    let [length, width] = skin.panel.size_mm;
    let mut levels: Vec<f32> = (0..400)
        .filter_map(|n| {
            let p = camera.photo(
                (f64::from(n % 20) + 0.5) / 20.0 * length,
                (f64::from(n / 20) + 0.5) / 20.0 * width,
            );
            let (c, r) = (p[0] as usize, p[1] as usize);
            (c < w && r < h).then(|| pixels[r * w + c].iter().copied().fold(0.0, f32::max))
        })
        .collect();
    levels.sort_by(f32::total_cmp);
    let bright = levels
        .get(levels.len() * 92 / 100)
        .copied()
        .unwrap_or(1.0)
        .max(0.05);
    let mut rng = rng(job.seed, 4);
    // A dark panel is not exposed up to white.
    let gain = (rng.random_range(0.55..0.85) / f64::from(bright)).min(2.2);
    let mut bytes = vec![0u8; w * h * 3];
    bytes
        .par_chunks_mut(w * 3)
        .enumerate()
        .for_each(|(row, line)| {
            let mut own = self::rng(job.seed ^ ((row as u64) << 20), 6);
            for column in 0..w {
                let (dx, dy) = (
                    (column as f64 / w as f64 - 0.5) * 2.0,
                    (row as f64 / h as f64 - 0.5) * 2.0,
                );
                let falls = 1.0 - 0.12 * (dx * dx + dy * dy) / 2.0;
                for k in 0..3 {
                    let linear =
                        gain * falls * job.cast[k] * f64::from(pixels[row * w + column][k]);
                    // Shot noise grows with the root of the light; told at mid grey.
                    let sd =
                        job.noise / 255.0 * (0.25 + 0.75 * (linear.max(0.0) / 0.2).sqrt()) * 0.6;
                    let linear = linear + sd * own.sample::<f64, _>(StandardNormal);
                    line[column * 3 + k] = (255.0 * srgb(linear)).round().clamp(0.0, 255.0) as u8;
                }
            }
        });
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, job.quality)
        .encode(&bytes, w as u32, h as u32, image::ExtendedColorType::Rgb8)
        .expect("a JPEG");
    jpeg
}

/// The tone curve of IEC 61966-2-1.
fn srgb(v: f64) -> f64 {
    let v = v.clamp(0.0, 1.0);
    if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * v.powf(1.0 / 2.4) - 0.055
    }
}

/// A Gaussian in linear light, rows then columns.
fn blur(pixels: &mut Vec<[f32; 3]>, w: usize, h: usize, sd: f64) {
    if sd < 0.2 {
        return;
    }
    let reach = (3.0 * sd).ceil() as i64;
    let weights: Vec<f32> = (-reach..=reach)
        .map(|k| (-0.5 * (k as f64 / sd).powi(2)).exp() as f32)
        .collect();
    let total: f32 = weights.iter().sum();
    for down in [false, true] {
        let from = std::mem::take(pixels);
        *pixels = vec![[0.0; 3]; w * h];
        pixels
            .par_chunks_mut(w)
            .enumerate()
            .for_each(|(row, line)| {
                for (column, out) in line.iter_mut().enumerate() {
                    let mut sum = [0f32; 3];
                    for (weight, k) in weights.iter().zip(-reach..=reach) {
                        let (c, r) = if down {
                            (column, (row as i64 + k).clamp(0, h as i64 - 1) as usize)
                        } else {
                            ((column as i64 + k).clamp(0, w as i64 - 1) as usize, row)
                        };
                        let p = from[r * w + c];
                        for n in 0..3 {
                            sum[n] += weight * p[n];
                        }
                    }
                    *out = sum.map(|v| v / total);
                }
            });
    }
}
