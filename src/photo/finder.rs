//! Finds numbered targets in a photo.
//!
//! In: the upright photo in grey. Out: every target seen, its number, its centre and corners to a
//! fraction of a pixel. The way: pixels darker than their surroundings, at several sizes of the
//! picture ([`regions`]); dark regions whose outline is a quadrilateral ([`quad`]); lines fitted to
//! its edges ([`edges`]); squares read against the dark border and the white margin, and a number
//! only if no more than two bits are wrong ([`bits`]). The centre is where the diagonals cross,
//! which perspective does not move.

mod bits;
mod edges;
pub mod quad;
mod regions;

use image::GrayImage;
use quad::Point;

/// A numbered target found in a photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Its number.
    pub number: u16,
    /// Its centre, (column, row) from the top left corner of the photo; the middle of the first
    /// pixel is (0.5, 0.5).
    pub centre: Point,
    /// Outer corners of its dark border: top left, top right, bottom right, bottom left as it is
    /// printed.
    pub corners: [Point; 4],
    /// Bits that had to be put right: 0 to 2.
    pub wrong_bits: u32,
}

impl Found {
    /// Mean length of its four sides, px.
    pub fn side_px(&self) -> f64 {
        (0..4)
            .map(|i| quad::distance(self.corners[i], self.corners[(i + 1) % 4]))
            .sum::<f64>()
            / 4.0
    }
}

/// Smallest picture that is still searched when halving, px along its shorter side.
const LEAST_SIDE: u32 = 150;
/// Most times a picture is halved.
const MOST_HALVINGS: u32 = 5;
/// Largest side of a region sought at one size of the picture, px; larger ones show at the next
/// smaller size.
const LARGEST_REGION: u32 = 110;

/// All targets seen, by number, then from top to bottom. One number may come twice: two targets of
/// that number are in the photo, and which is meant is for the caller to ask. An empty or tiny
/// picture has none.
pub fn find(grey: &GrayImage) -> Vec<Found> {
    let mut levels: Vec<(f64, GrayImage)> = Vec::new();
    let mut scale = 1.0;
    let mut smaller = grey;
    for _ in 0..MOST_HALVINGS {
        if smaller.width().min(smaller.height()) < 2 * LEAST_SIDE {
            break;
        }
        scale *= 2.0;
        levels.push((scale, regions::halved(smaller)));
        smaller = levels.last().map_or(grey, |l| &l.1);
    }
    let mut found = Vec::new();
    // From coarse to fine: a large target is known before its squares are met one by one.
    for (i, (scale, level)) in levels.iter().enumerate().rev() {
        let largest = if i + 1 == levels.len() {
            u32::MAX
        } else {
            LARGEST_REGION
        };
        search(grey, level, *scale, largest, &mut found);
    }
    let largest = if levels.is_empty() {
        u32::MAX
    } else {
        LARGEST_REGION
    };
    search(grey, grey, 1.0, largest, &mut found);
    let mut found = one_each(found);
    found.sort_by(|a, b| (a.number.cmp(&b.number)).then(a.centre[1].total_cmp(&b.centre[1])));
    found
}

/// Adds the targets seen at one size of the picture; `scale` is how many pixels of the photo one of
/// its pixels is wide.
fn search(grey: &GrayImage, level: &GrayImage, scale: f64, largest: u32, found: &mut Vec<Found>) {
    for outline in regions::dark_outlines(level, largest) {
        let Some(rough) = quad::of_outline(&outline) else {
            continue;
        };
        let rough = rough.map(|p| [p[0] * scale, p[1] * scale]);
        let side = quad::distance(rough[0], rough[2]) / std::f64::consts::SQRT_2;
        let middle = quad::crossing(&rough).unwrap_or(rough[0]);
        let known = found
            .iter()
            .any(|f| quad::distance(f.centre, middle) < 0.25 * side && side < 1.5 * f.side_px());
        if known {
            continue;
        }
        if let Some(target) = read(grey, &rough, scale) {
            found.push(target);
        }
    }
}

/// The target at a rough quadrilateral, if there is one.
fn read(grey: &GrayImage, rough: &[Point; 4], scale: f64) -> Option<Found> {
    let fine = edges::refined(grey, rough, scale)?;
    let (recognised, first) = bits::read(grey, &fine)?;
    let corners = [0, 1, 2, 3].map(|i| fine[(first + i) % 4]);
    Some(Found {
        number: recognised.number,
        centre: quad::crossing(&corners)?,
        corners,
        wrong_bits: recognised.wrong_bits,
    })
}

/// Of targets on one another the one with fewest wrong bits; where two differ in number and are as
/// good, neither.
fn one_each(found: Vec<Found>) -> Vec<Found> {
    let on = |a: &Found, b: &Found| {
        quad::distance(a.centre, b.centre) < 0.5 * a.side_px().max(b.side_px())
    };
    let kept = |i: usize, f: &Found| {
        !found.iter().enumerate().any(|(j, other)| {
            let better = other.wrong_bits < f.wrong_bits;
            let same = other.wrong_bits == f.wrong_bits;
            i != j && on(f, other) && (better || same && (other.number != f.number || j < i))
        })
    };
    found
        .iter()
        .enumerate()
        .filter(|(i, f)| kept(*i, f))
        .map(|(_, f)| f.clone())
        .collect()
}
