//! The photo laid onto the panel: a raster in the panel frame, seen from straight above.
//!
//! Each raster pixel is the mean of what the photo shows on that piece of panel, in linear light.
//! The photo's own values are sRGB (IEC 61966-2-1, from memory): they are made linear first, since
//! a pixel half covered with coat is half way between the two colours in light, not in code values.

use super::glare;
use super::picture::Picture;
use super::placement::Placement;
use crate::panel::{Panel, Polygon};
use crate::problem::Error;
use rayon::prelude::*;

/// Raster pixels between places where the placement is asked; straight interpolation in between.
const LATTICE: usize = 16;
/// Most raster pixels that a photo is worked on with.
const MOST_PIXELS: f64 = 2_600_000.0;
/// Pixels a cell side that are offered, finest first.
const PER_CELL: [usize; 5] = [20, 10, 5, 4, 2];
/// How far from an edge the panel is looked at, in pixels of the photo.
const MARGIN: f64 = 1.5;
/// Most samples of the photo along one side of a raster pixel.
const MOST_SAMPLES: usize = 2;

/// What one photo shows of the panel. Pixel (ix, iy) covers x from ix·`step_mm` to (ix +
/// 1)·`step_mm`, y likewise.
#[derive(Clone, Debug)]
pub struct Raster {
    /// Side of a pixel, mm.
    pub step_mm: f64,
    /// Pixels along x and along y.
    pub size: [usize; 2],
    /// Linear light (red, green, blue; 1 is white), row by row.
    pub light: Vec<[f32; 3]>,
    /// Whether the pixel is on the panel, within the photo, not hidden, not burnt out nor in the
    /// halo of what is.
    pub seen: Vec<bool>,
    /// Side of a photo pixel on the panel, mm, in the middle of what is seen.
    pub photo_mm: f64,
}

/// Pixels a cell side for a photo: as fine as the photo shows, within the memory that is spent.
pub fn pixels_per_cell(panel: &Panel, cell_mm: f64, photo_mm: f64) -> usize {
    let fits = |n: usize| {
        let step = cell_mm / n as f64;
        step >= 0.7 * photo_mm
            && panel.length_mm / step * (panel.width_mm / step) <= MOST_PIXELS
            && step >= 0.5
    };
    PER_CELL.into_iter().find(|n| fits(*n)).unwrap_or(2)
}

/// Side of a photo pixel on the panel in mm: the median over a grid of places that the photo shows;
/// `None` when it shows none.
pub fn photo_pixel_mm(panel: &Panel, picture: &Picture, placement: &Placement) -> Option<f64> {
    let mut sides = Vec::new();
    for i in 0..20 {
        for j in 0..20 {
            let x = panel.length_mm * (i as f64 + 0.5) / 20.0;
            let y = panel.width_mm * (j as f64 + 0.5) / 20.0;
            let at = placement
                .point_in_photo(x, y)
                .filter(|p| within(picture, *p));
            let right = placement.point_in_photo(x + 1.0, y);
            let up = placement.point_in_photo(x, y + 1.0);
            if let (Some(p), Some(q), Some(r), true) = (at, right, up, panel.contains(x, y)) {
                let area = (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
                sides.push(1.0 / area.abs().sqrt().max(1e-6));
            }
        }
    }
    sides.sort_by(f64::total_cmp);
    sides
        .get(sides.len() / 2)
        .copied()
        .filter(|s| s.is_finite())
}

fn within(picture: &Picture, p: [f64; 2]) -> bool {
    p[0] >= 0.0 && p[1] >= 0.0 && p[0] < picture.width() as f64 && p[1] < picture.height() as f64
}

impl Raster {
    /// Lay a photo onto the panel with pixels of `step_mm`; `hidden` are areas that are not looked
    /// at (targets, hands, tape).
    pub fn of(
        panel: &Panel,
        picture: &Picture,
        placement: &Placement,
        step_mm: f64,
        photo_mm: f64,
        hidden: &[Polygon],
    ) -> Raster {
        let size = [
            (panel.length_mm / step_mm).ceil().max(1.0) as usize,
            (panel.width_mm / step_mm).ceil().max(1.0) as usize,
        ];
        let lattice = Lattice::of(placement, size, step_mm);
        let linear = linear_values();
        let mut light = vec![[f32::NAN; 3]; size[0] * size[1]];
        let mut burnt = vec![false; size[0] * size[1]];
        let mut seen = vec![false; size[0] * size[1]];
        light
            .par_chunks_mut(size[0])
            .zip(burnt.par_chunks_mut(size[0]))
            .zip(seen.par_chunks_mut(size[0]))
            .enumerate()
            .for_each(|(iy, ((light, burnt), seen))| {
                on_panel(
                    panel,
                    hidden,
                    (iy as f64 + 0.5) * step_mm,
                    step_mm,
                    MARGIN * photo_mm,
                    seen,
                );
                for ix in 0..size[0] {
                    if !seen[ix] {
                        continue;
                    }
                    match lattice.sample(picture, &linear, ix, iy) {
                        Some((mean, white)) => {
                            light[ix] = mean;
                            burnt[ix] = white;
                            seen[ix] = !white;
                        }
                        None => seen[ix] = false,
                    }
                }
            });
        let mut raster = Raster {
            step_mm,
            size,
            light,
            seen,
            photo_mm,
        };
        glare::hide_halos(&mut raster, &burnt);
        raster
    }
}

/// Which pixels of a row are on the panel and not hidden: inside the outline, in no opening, and
/// `margin_mm` from every edge, where a pixel of the photo would mix the panel with what lies
/// beside it.
fn on_panel(
    panel: &Panel,
    hidden: &[Polygon],
    y: f64,
    step_mm: f64,
    margin_mm: f64,
    row: &mut [bool],
) {
    let rows = [y - margin_mm, y, y + margin_mm];
    let spans = |polygon: &Polygon, y: f64, grow: f64| -> Vec<(usize, usize)> {
        let mut at: Vec<f64> = polygon
            .edges()
            .filter(|(p, q)| (p[1] > y) != (q[1] > y))
            .map(|(p, q)| p[0] + (y - p[1]) / (q[1] - p[1]) * (q[0] - p[0]))
            .collect();
        at.sort_by(f64::total_cmp);
        at.chunks_exact(2)
            .map(|pair| {
                let first = ((pair[0] - grow) / step_mm - 0.5).ceil().max(0.0) as usize;
                let past = ((pair[1] + grow) / step_mm + 0.5).floor().max(0.0) as usize;
                (first, past)
            })
            .collect()
    };
    let fill = |row: &mut [bool], first: usize, past: usize, value: bool| {
        let end = past.min(row.len());
        row.get_mut(first.min(end)..end)
            .into_iter()
            .for_each(|part| part.fill(value));
    };
    for (first, past) in spans(&panel.outline, y, -margin_mm) {
        fill(row, first, past, true);
    }
    for beside in [rows[0], rows[2]] {
        let mut next = 0;
        for (first, past) in spans(&panel.outline, beside, -margin_mm) {
            fill(row, next, first, false);
            next = past;
        }
        fill(row, next, usize::MAX, false);
    }
    for polygon in panel.cutouts.iter().chain(hidden) {
        for (first, past) in rows.iter().flat_map(|y| spans(polygon, *y, margin_mm)) {
            row.iter_mut()
                .take(past)
                .skip(first)
                .for_each(|seen| *seen = false);
        }
    }
}

fn linear_values() -> [f32; 256] {
    std::array::from_fn(|v| {
        let s = v as f32 / 255.0;
        if s <= 0.04045 {
            s / 12.92
        } else {
            ((s + 0.055) / 1.055).powf(2.4)
        }
    })
}

/// Photo places at each sixteenth raster pixel.
struct Lattice {
    across: usize,
    places: Vec<Option<[f64; 2]>>,
}

impl Lattice {
    fn of(placement: &Placement, size: [usize; 2], step_mm: f64) -> Self {
        let across = size[0].div_ceil(LATTICE) + 1;
        let down = size[1].div_ceil(LATTICE) + 1;
        let places = (0..across * down)
            .map(|k| {
                let (ix, iy) = ((k % across) * LATTICE, (k / across) * LATTICE);
                placement.point_in_photo(ix as f64 * step_mm, iy as f64 * step_mm)
            })
            .collect();
        Lattice { across, places }
    }

    /// Mean linear light of a raster pixel, and whether most of it is burnt out; `None` where the
    /// photo does not show it.
    fn sample(
        &self,
        picture: &Picture,
        linear: &[f32; 256],
        ix: usize,
        iy: usize,
    ) -> Option<([f32; 3], bool)> {
        let at = iy / LATTICE * self.across + ix / LATTICE;
        let corner = |k: usize| self.places.get(k).copied().flatten();
        let (a, b) = (corner(at)?, corner(at + 1)?);
        let (c, d) = (corner(at + self.across)?, corner(at + self.across + 1)?);
        let n = LATTICE as f64;
        let (u, v) = (
            ((ix % LATTICE) as f64 + 0.5) / n,
            ((iy % LATTICE) as f64 + 0.5) / n,
        );
        let mut middle = [0.0; 2];
        let (mut along_x, mut along_y) = ([0.0; 2], [0.0; 2]);
        for k in 0..2 {
            let (lower, upper) = (a[k] + u * (b[k] - a[k]), c[k] + u * (d[k] - c[k]));
            middle[k] = lower + v * (upper - lower);
            along_x[k] = ((b[k] - a[k]) * (1.0 - v) + (d[k] - c[k]) * v) / n;
            along_y[k] = ((c[k] - a[k]) * (1.0 - u) + (d[k] - b[k]) * u) / n;
        }
        if !within(picture, middle) {
            return None;
        }
        let samples =
            |d: [f64; 2]| (d[0].abs().max(d[1].abs()).round() as usize).clamp(1, MOST_SAMPLES);
        let (nx, ny) = (samples(along_x), samples(along_y));
        let mut sum = [0.0f32; 3];
        let mut white = 0;
        let most = [(picture.width() - 1) as f64, (picture.height() - 1) as f64];
        for j in 0..ny {
            let q = (j as f64 + 0.5) / ny as f64 - 0.5;
            for i in 0..nx {
                let p = (i as f64 + 0.5) / nx as f64 - 0.5;
                let column = middle[0] + p * along_x[0] + q * along_y[0];
                let row = middle[1] + p * along_x[1] + q * along_y[1];
                // A cast of a negative number to an unsigned one is 0.
                let [r, g, b] =
                    picture.pixel(column.min(most[0]) as usize, row.min(most[1]) as usize);
                white += usize::from(r.min(g).min(b) >= 250);
                sum[0] += linear[usize::from(r)];
                sum[1] += linear[usize::from(g)];
                sum[2] += linear[usize::from(b)];
            }
        }
        let count = (nx * ny) as f32;
        Some((sum.map(|s| s / count), 2 * white > nx * ny))
    }
}

/// The photo laid onto the panel as a JPEG for the report: x to the right, y upwards, as on the
/// map; white off the panel.
///
/// # Errors
/// [`Error::Calculation`] when the picture cannot be written.
pub fn jpeg(
    panel: &Panel,
    picture: &Picture,
    placement: &Placement,
    mm_per_pixel: f64,
    quality: u8,
) -> Result<Vec<u8>, Error> {
    let raster = Raster::of(panel, picture, placement, mm_per_pixel, 0.0, &[]);
    let [nx, ny] = raster.size;
    let flat = image::RgbImage::from_fn(nx as u32, ny as u32, |c, r| {
        let at = (ny - 1 - r as usize) * nx + c as usize;
        let p = raster.light[at];
        image::Rgb(if p[0].is_nan() {
            [255; 3]
        } else {
            p.map(coded)
        })
    });
    let mut bytes = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality.clamp(1, 100))
        .encode_image(&flat)
        .map_err(|cause| Error::Calculation(format!("the photo on the panel as JPEG: {cause}")))?;
    Ok(bytes)
}

/// sRGB code value (0 to 255) of linear light.
fn coded(linear: f32) -> u8 {
    let s = if linear <= 0.003_130_8 {
        12.92 * linear
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    };
    (s * 255.0).round().clamp(0.0, 255.0) as u8
}
