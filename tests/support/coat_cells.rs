//! Coat cells as a photo after blocking would tell them, made up straight from a known surface: no
//! photo is drawn.
//!
//! Coat stays where the deviation is below −t. The block's reach differs from place to place
//! (correlated noise on t), specks stay and specks come off, the panel is known in the photo to a
//! millimetre or two, and glare hides a patch. Nothing here is measured.
#![allow(dead_code)]

use lowspot::judge::{Grid, volume::node_weights_mm2};
use lowspot::panel::Panel;
use lowspot::photo::CoatCells;
use lowspot::reference::Workbench;
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// How coat stays on a made-up panel.
#[derive(Clone, Debug)]
pub struct Coating {
    /// Depth at which coat stays, mm.
    pub threshold_mm: f64,
    /// Standard deviation of that depth from place to place, mm.
    pub noise_mm: f64,
    /// How far apart the depth changes, mm (standard deviation of the smoothing).
    pub reach_mm: f64,
    /// Standard deviation of the panel's place in the photo, mm.
    pub shift_mm: f64,
    /// Share of the panel in specks of 4 to 12 mm that are the wrong way round, most of them in
    /// patches.
    pub specks: f64,
    /// Middle and diameter of patches hidden by glare, mm.
    pub glare: Vec<[f64; 3]>,
}

impl Coating {
    /// A careful coat: depth t, noise 0.015 mm, one glare patch of 200 mm.
    pub fn at(threshold_mm: f64) -> Self {
        Coating {
            threshold_mm,
            noise_mm: 0.015,
            reach_mm: 25.0,
            shift_mm: 1.5,
            specks: 0.01,
            glare: Vec::new(),
        }
    }

    /// The same with a patch of glare.
    pub fn with_glare(mut self, x: f64, y: f64, diameter: f64) -> Self {
        self.glare.push([x, y, diameter]);
        self
    }
}

/// The skin of a surface, from nodes 20 mm apart, as a function of place.
pub fn own_reference(
    panel: &Panel,
    height: &dyn Fn(f64, f64) -> f64,
) -> impl Fn(f64, f64) -> f64 + use<> {
    let step_mm = 20.0;
    let bench = Workbench::new(panel, step_mm, &|nx, ny| {
        node_weights_mm2(&Grid { step_mm, nx, ny }, panel)
            .into_raw_vec_and_offset()
            .0
    })
    .unwrap();
    let heights: Vec<f64> = bench
        .ys
        .iter()
        .flat_map(|&y| bench.xs.iter().map(move |&x| (x, y)))
        .map(|(x, y)| height(x, y))
        .collect();
    let basis = *bench.basis();
    let fair = bench.skin(&heights).unwrap().coefficients;
    move |x, y| basis.value(&fair, x, y, 0, 0)
}

/// Cells of 10 mm of a panel whose deviation is `deviation`, mm.
pub fn cells(
    panel: &Panel,
    deviation: &dyn Fn(f64, f64) -> f64,
    coating: &Coating,
    seed: u64,
) -> CoatCells {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(7);
    const FINE: f64 = 2.5;
    let [nx, ny] = [panel.length_mm, panel.width_mm].map(|l| (l / FINE - 1e-9).ceil() as usize);
    let noise = correlated(nx, ny, coating.reach_mm / FINE, &mut rng);
    let shift: [f64; 2] =
        std::array::from_fn(|_| coating.shift_mm * rng.sample::<f64, _>(StandardNormal));
    let mut coat = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
        let (x, y) = ((ix as f64 + 0.5) * FINE, (iy as f64 + 0.5) * FINE);
        deviation(x + shift[0], y + shift[1])
            <= -coating.threshold_mm + coating.noise_mm * noise[[iy, ix]]
    });
    specks(&mut coat, coating.specks, FINE, &mut rng);
    let cell_mm = 10.0;
    let [cx, cy] = [panel.length_mm, panel.width_mm].map(|l| (l / cell_mm - 1e-9).ceil() as usize);
    let mut share = Array2::from_elem((cy, cx), f64::NAN);
    let mut seen = Array2::zeros((cy, cx));
    for ((iy, ix), share) in share.indexed_iter_mut() {
        let (x, y) = ((ix as f64 + 0.5) * cell_mm, (iy as f64 + 0.5) * cell_mm);
        let hidden = coating
            .glare
            .iter()
            .any(|g| (x - g[0]).hypot(y - g[1]) < g[2] / 2.0);
        if hidden || !panel.contains(x, y) {
            continue;
        }
        let (mut coated, mut all) = (0.0, 0.0);
        for fy in iy * 4..(iy * 4 + 4).min(ny) {
            for fx in ix * 4..(ix * 4 + 4).min(nx) {
                coated += f64::from(u8::from(coat[[fy, fx]]));
                all += 1.0;
            }
        }
        *share = coated / all;
        seen[[iy, ix]] = all / 16.0;
    }
    CoatCells {
        cell_mm,
        substrate: Array2::zeros((cy, cx)),
        coat: share,
        sure: seen.mapv(|s| f64::from(u8::from(s > 0.0))),
        seen,
    }
}

/// White noise smoothed by a Gaussian, of standard deviation 1.
fn correlated(nx: usize, ny: usize, reach: f64, rng: &mut ChaCha8Rng) -> Array2<f64> {
    let mut field = Array2::from_shape_fn((ny, nx), |_| rng.sample::<f64, _>(StandardNormal));
    for axis in 0..2 {
        for mut lane in field.lanes_mut(ndarray::Axis(axis)) {
            let values: Vec<f64> = lane.to_vec();
            let span = (3.0 * reach).ceil() as usize;
            for (i, out) in lane.iter_mut().enumerate() {
                let (mut sum, mut square) = (0.0, 0.0);
                for j in i.saturating_sub(span)..(i + span + 1).min(values.len()) {
                    let w = (-0.5 * (i.abs_diff(j) as f64 / reach).powi(2)).exp();
                    sum += w * values[j];
                    square += w * w;
                }
                *out = sum / square.sqrt();
            }
        }
    }
    field
}

/// Specks that are the wrong way round, three in four of them within 60 mm of a few spots.
fn specks(coat: &mut Array2<bool>, share: f64, fine: f64, rng: &mut ChaCha8Rng) {
    let (ny, nx) = coat.dim();
    let (w, h) = (nx as f64 * fine, ny as f64 * fine);
    let spots: Vec<[f64; 2]> = (0..6)
        .map(|_| [rng.random_range(0.0..w), rng.random_range(0.0..h)])
        .collect();
    let mut left = share * w * h;
    while left > 0.0 {
        let radius = rng.random_range(2.0..6.0);
        left -= std::f64::consts::PI * radius * radius;
        let [x, y] = if rng.random_range(0.0..1.0) < 0.75 {
            let spot = spots[rng.random_range(0..spots.len())];
            spot.map(|s| s + 60.0 * rng.sample::<f64, _>(StandardNormal))
        } else {
            [rng.random_range(0.0..w), rng.random_range(0.0..h)]
        };
        let reach = (radius / fine).ceil() as i64;
        let (mx, my) = ((x / fine) as i64, (y / fine) as i64);
        for iy in my - reach..=my + reach {
            for ix in mx - reach..=mx + reach {
                let inside =
                    ((ix as f64 + 0.5) * fine - x).hypot((iy as f64 + 0.5) * fine - y) < radius;
                if inside && (0..ny as i64).contains(&iy) && (0..nx as i64).contains(&ix) {
                    let at = [iy as usize, ix as usize];
                    coat[at] = !coat[at];
                }
            }
        }
    }
}
