//! Connected areas of coat and of substrate: what a photo alone can say of lows and of places where
//! to stop sanding.
//!
//! A photo gives place, outline and area, never depth. Coat says only that the block did not reach:
//! deviation ≤ −t, t about 0.02 to 0.05 mm (common practice, no source). So
//! [`Area::least_filler_cc`] is area × 0.02 mm: a lower bound, not an amount.

use super::cells::Pixel;
use image::{GrayImage, Luma};
use imageproc::contours::{BorderType, find_contours};
use imageproc::geometry::approximate_polygon_dp;
use imageproc::region_labelling::{Connectivity, connected_components};
use serde::Serialize;

/// Areas smaller than this are specks, cm².
pub const LEAST_CM2: f64 = 2.0;
/// Least depth that coat speaks of, mm (common practice, no source).
pub const LEAST_DEPTH_MM: f64 = 0.02;
/// How far an outline may be from the border it stands for, mm.
const OUTLINE_MM: f64 = 2.0;

/// What fills an area.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Coat: a low.
    Coat,
    /// Substrate: stop sanding there.
    Substrate,
}

/// One connected area.
#[derive(Clone, Debug, Serialize)]
pub struct Area {
    /// What fills it.
    pub kind: Kind,
    /// Its centroid in the panel frame, mm.
    pub place_mm: [f64; 2],
    /// Smallest box around it, mm: x from, y from, x to, y to.
    pub extent_mm: [f64; 4],
    /// Outer outline in the panel frame, mm; the last corner joins the first.
    pub outline_mm: Vec<[f64; 2]>,
    /// Its area, holes taken off, cm².
    pub area_cm2: f64,
    /// What the area may be off by, cm² (95 %): its border × how well the border's place is known.
    pub give_or_take_cm2: f64,
    /// Whether it runs into the edge of the panel or of what is seen: there may be more of it.
    pub cut_off: bool,
    /// Lower bound for filler, cc: area × 0.02 mm. 0 for substrate.
    pub least_filler_cc: f64,
}

/// Areas of coat and substrate of at least 2 cm², the largest first.
pub fn find(
    pixels: &[Pixel],
    width: usize,
    step_mm: f64,
    photo_mm: f64,
    placement_mm: f64,
) -> Vec<Area> {
    let border_mm = (step_mm.max(photo_mm).powi(2) / 12.0 + placement_mm.powi(2)).sqrt();
    let mut areas = Vec::new();
    for (kind, pixel) in [
        (Kind::Coat, Pixel::Coat),
        (Kind::Substrate, Pixel::Substrate),
    ] {
        if pixels.contains(&pixel) {
            areas.extend(of_kind(kind, pixel, pixels, width, step_mm, border_mm));
        }
    }
    areas.sort_by(|a, b| b.area_cm2.total_cmp(&a.area_cm2));
    areas
}

#[derive(Clone, Default)]
struct Piece {
    count: usize,
    sum: [f64; 2],
    border: usize,
    cut_off: bool,
    extent: [usize; 4],
    first: (u32, u32),
}

fn of_kind(
    kind: Kind,
    pixel: Pixel,
    pixels: &[Pixel],
    width: usize,
    step_mm: f64,
    border_mm: f64,
) -> Vec<Area> {
    let height = pixels.len() / width.max(1);
    let mask = GrayImage::from_fn(width as u32, height as u32, |c, r| {
        Luma([u8::from(pixels[r as usize * width + c as usize] == pixel) * 255])
    });
    let labels = connected_components(&mask, Connectivity::Four, Luma([0u8]));
    let most = labels.pixels().map(|p| p.0[0]).max().unwrap_or(0) as usize;
    let mut pieces = vec![Piece::default(); most + 1];
    for (c, r, label) in labels.enumerate_pixels() {
        if label.0[0] == 0 {
            continue;
        }
        let (x, y) = (c as usize, r as usize);
        add(
            &mut pieces[label.0[0] as usize],
            pixels,
            pixel,
            width,
            height,
            x,
            y,
        );
    }
    let outlines = outlines(&mask, &labels, step_mm);
    pieces
        .into_iter()
        .enumerate()
        .filter(|(_, p)| p.count as f64 * step_mm * step_mm >= LEAST_CM2 * 100.0)
        .map(|(label, p)| {
            let area_cm2 = p.count as f64 * step_mm * step_mm / 100.0;
            // Pixel sides overstate the length of a slanting border by 4/π on the mean over all
            // directions.
            let border = p.border as f64 * step_mm * std::f64::consts::FRAC_PI_4;
            Area {
                kind,
                place_mm: p.sum.map(|s| (s / p.count as f64 + 0.5) * step_mm),
                extent_mm: [
                    p.extent[0] as f64 * step_mm,
                    p.extent[1] as f64 * step_mm,
                    (p.extent[2] + 1) as f64 * step_mm,
                    (p.extent[3] + 1) as f64 * step_mm,
                ],
                outline_mm: outlines.get(&(label as u32)).cloned().unwrap_or_default(),
                area_cm2,
                give_or_take_cm2: (2.0 * border * border_mm / 100.0).min(area_cm2),
                cut_off: p.cut_off,
                least_filler_cc: if kind == Kind::Coat {
                    area_cm2 * LEAST_DEPTH_MM / 10.0
                } else {
                    0.0
                },
            }
        })
        .collect()
}

fn add(
    piece: &mut Piece,
    pixels: &[Pixel],
    own: Pixel,
    width: usize,
    height: usize,
    x: usize,
    y: usize,
) {
    if piece.count == 0 {
        piece.extent = [x, y, x, y];
        piece.first = (x as u32, y as u32);
    }
    piece.count += 1;
    piece.sum[0] += x as f64;
    piece.sum[1] += y as f64;
    piece.extent = [
        piece.extent[0].min(x),
        piece.extent[1].min(y),
        piece.extent[2].max(x),
        piece.extent[3].max(y),
    ];
    let sides = [
        (x > 0).then(|| y * width + x - 1),
        (x + 1 < width).then(|| y * width + x + 1),
        (y > 0).then(|| (y - 1) * width + x),
        (y + 1 < height).then(|| (y + 1) * width + x),
    ];
    for side in sides {
        match side.map(|k| pixels[k]) {
            None | Some(Pixel::NotSeen) => piece.cut_off = true,
            Some(other) if other != own => piece.border += 1,
            Some(_) => {}
        }
    }
}

/// The longest outer border of each labelled piece, simplified (Suzuki and Abe's border following,
/// Douglas and Peucker's thinning).
fn outlines(
    mask: &GrayImage,
    labels: &image::ImageBuffer<Luma<u32>, Vec<u32>>,
    step_mm: f64,
) -> std::collections::HashMap<u32, Vec<[f64; 2]>> {
    let mut longest: std::collections::HashMap<u32, (usize, Vec<[f64; 2]>)> = Default::default();
    for contour in find_contours::<i32>(mask) {
        let Some(first) = contour.points.first().copied() else {
            continue;
        };
        if contour.border_type != BorderType::Outer || contour.points.len() < 4 {
            continue;
        }
        let label = labels.get_pixel(first.x as u32, first.y as u32).0[0];
        let length = contour.points.len();
        if longest.get(&label).is_some_and(|(n, _)| *n >= length) {
            continue;
        }
        let thin = approximate_polygon_dp(&contour.points, OUTLINE_MM / step_mm, true);
        let corners = thin
            .iter()
            .map(|p| [(p.x as f64 + 0.5) * step_mm, (p.y as f64 + 0.5) * step_mm])
            .collect();
        longest.insert(label, (length, corners));
    }
    longest.into_iter().map(|(k, (_, v))| (k, v)).collect()
}
