//! Regions darker than their surroundings, and their outlines.

use image::GrayImage;

/// Half the side of the square over which the surroundings are averaged, px.
const RADIUS: usize = 8;
/// A pixel is dark when it is this much below the mean of its surroundings, grey levels, and …
const LEAST_BELOW: u32 = 6;
/// … this many hundredths of that mean.
const LEAST_BELOW_PERCENT: u32 = 8;
/// Smallest side of a region that is looked at, px: eight squares of a little over one pixel.
const SMALLEST: u32 = 9;

/// A pixel, (column, row).
pub type Pixel = [u32; 2];

/// The picture at half its size, each pixel the mean of four; an odd last row or column is dropped.
pub fn halved(grey: &GrayImage) -> GrayImage {
    let (width, height) = (grey.width() / 2, grey.height() / 2);
    let stride = grey.width() as usize;
    let mut small = Vec::with_capacity(width as usize * height as usize);
    for two in grey.as_raw().chunks_exact(2 * stride).take(height as usize) {
        let (upper, lower) = two.split_at(stride);
        small.extend(
            upper
                .chunks_exact(2)
                .zip(lower.chunks_exact(2))
                .map(|(u, l)| {
                    ((u16::from(u[0]) + u16::from(u[1]) + u16::from(l[0]) + u16::from(l[1]) + 2)
                        / 4) as u8
                }),
        );
    }
    GrayImage::from_raw(width, height, small).unwrap_or_default()
}

/// Which pixels are dark, with a rim of one pixel that is not: (columns + 2) × (rows + 2), 1 for
/// dark.
struct Mask {
    stride: usize,
    dark: Vec<u8>,
}

/// Marks the pixels that are darker than the mean of the square around them. Sums of at most 17 ×
/// 17 bytes fit 32 bits whatever the picture's size.
fn dark_mask(grey: &GrayImage) -> Mask {
    let (width, height) = (grey.width() as usize, grey.height() as usize);
    let rows: Vec<&[u8]> = grey.as_raw().chunks_exact(width.max(1)).collect();
    let stride = width + 2;
    let mut dark = vec![0; stride * (height + 2)];
    let mut columns = vec![0u32; width];
    let mut tall = 0;
    for row in rows.iter().take(RADIUS) {
        add(&mut columns, row);
        tall += 1;
    }
    for (y, row) in rows.iter().enumerate() {
        if let Some(next) = rows.get(y + RADIUS) {
            add(&mut columns, next);
            tall += 1;
        }
        if let Some(last) = y.checked_sub(RADIUS + 1).and_then(|i| rows.get(i)) {
            for (sum, v) in columns.iter_mut().zip(*last) {
                *sum -= u32::from(*v);
            }
            tall -= 1;
        }
        let out = &mut dark[(y + 1) * stride + 1..(y + 2) * stride - 1];
        mark(row, &columns, tall, out);
    }
    Mask { stride, dark }
}

fn add(columns: &mut [u32], row: &[u8]) {
    for (sum, v) in columns.iter_mut().zip(row) {
        *sum += u32::from(*v);
    }
}

/// Marks one row; `columns` are the sums of the `tall` pixels around each of its pixels.
fn mark(row: &[u8], columns: &[u32], tall: u32, out: &mut [u8]) {
    let mut sum: u32 = columns.iter().take(RADIUS).sum();
    let mut wide = columns.len().min(RADIUS) as u32;
    for (x, (v, out)) in row.iter().zip(out).enumerate() {
        if let Some(next) = columns.get(x + RADIUS) {
            sum += next;
            wide += 1;
        }
        if x > RADIUS {
            sum -= columns[x - RADIUS - 1];
            wide -= 1;
        }
        let area = wide * tall;
        let below = (LEAST_BELOW * area).max(sum * LEAST_BELOW_PERCENT / 100);
        *out = u8::from(u32::from(*v) * area + below < sum);
    }
}

/// A stretch of dark pixels in a row, and the region it belongs to.
struct Run {
    start: u32,
    end: u32,
    region: u32,
}

/// A region while it grows: its box, its first pixel, and the region it was joined to (itself if
/// none).
#[derive(Clone, Copy)]
struct Region {
    joined_to: u32,
    first: Pixel,
    left: u32,
    right: u32,
    bottom: u32,
}

/// Outlines, clockwise, of dark regions between [`SMALLEST`] and `largest` px wide and tall; pixels
/// touch by sides or corners. A region that runs along the picture's edge is left out: a target
/// there is cut off or lacks its margin.
pub fn dark_outlines(grey: &GrayImage, largest: u32) -> Vec<Vec<Pixel>> {
    if grey.width() < SMALLEST || grey.height() < SMALLEST {
        return Vec::new();
    }
    let mask = dark_mask(grey);
    let (width, height) = (grey.width(), grey.height());
    regions(&mask)
        .into_iter()
        .filter(|r| {
            let (wide, tall) = (r.right - r.left + 1, r.bottom - r.first[1] + 1);
            let inside =
                r.left > 0 && r.first[1] > 0 && r.right + 1 < width && r.bottom + 1 < height;
            inside && wide.min(tall) >= SMALLEST && wide.max(tall) <= largest
        })
        .filter_map(|r| {
            let around = 2 * (r.right - r.left + r.bottom - r.first[1] + 2) as usize;
            outline(&mask, r.first, 3 * around)
        })
        .collect()
}

fn regions(mask: &Mask) -> Vec<Region> {
    let mut regions: Vec<Region> = Vec::new();
    let mut above: Vec<Run> = Vec::new();
    let mut here: Vec<Run> = Vec::new();
    for (y, row) in mask.dark.chunks_exact(mask.stride).enumerate().skip(1) {
        let y = (y - 1) as u32;
        here.clear();
        runs(row, &mut here);
        let mut first = 0;
        for run in &mut here {
            while above.get(first).is_some_and(|a| a.end + 1 < run.start) {
                first += 1;
            }
            for touching in above
                .iter()
                .skip(first)
                .take_while(|a| a.start <= run.end + 1)
            {
                let other = root(&mut regions, touching.region);
                run.region = if run.region == u32::MAX {
                    other
                } else {
                    join(&mut regions, run.region, other)
                };
            }
            if run.region == u32::MAX {
                run.region = regions.len() as u32;
                regions.push(Region {
                    joined_to: run.region,
                    first: [run.start, y],
                    left: run.start,
                    right: run.end,
                    bottom: y,
                });
            } else if let Some(region) = regions.get_mut(run.region as usize) {
                region.left = region.left.min(run.start);
                region.right = region.right.max(run.end);
                region.bottom = y;
            }
        }
        std::mem::swap(&mut above, &mut here);
    }
    let is_root = |(i, r): &(usize, Region)| r.joined_to as usize == *i;
    regions
        .iter()
        .copied()
        .enumerate()
        .filter(is_root)
        .map(|(_, r)| r)
        .collect()
}

/// Dark stretches of a row of the mask, in columns of the picture.
fn runs(row: &[u8], into: &mut Vec<Run>) {
    let mut x = 1;
    while let Some(start) = row.get(x..).and_then(|r| r.iter().position(|v| *v == 1)) {
        let start = x + start;
        let length = row[start..]
            .iter()
            .position(|v| *v == 0)
            .unwrap_or(row.len() - start);
        into.push(Run {
            start: (start - 1) as u32,
            end: (start + length - 2) as u32,
            region: u32::MAX,
        });
        x = start + length;
    }
}

/// The region that a region was joined to in the end; the way there is shortened.
fn root(regions: &mut [Region], region: u32) -> u32 {
    let mut at = region as usize;
    while regions[at].joined_to as usize != at {
        let next = regions[at].joined_to as usize;
        regions[at].joined_to = regions[next].joined_to;
        at = next;
    }
    at as u32
}

/// Joins two regions into the one that began first, and gives that one.
fn join(regions: &mut [Region], a: u32, b: u32) -> u32 {
    let (a, b) = (root(regions, a), root(regions, b));
    if a == b {
        return a;
    }
    let (keep, drop) = (a.min(b), a.max(b));
    let other = regions[drop as usize];
    regions[drop as usize].joined_to = keep;
    let kept = &mut regions[keep as usize];
    kept.left = kept.left.min(other.left);
    kept.right = kept.right.max(other.right);
    kept.bottom = kept.bottom.max(other.bottom);
    keep
}

/// The outer outline of the region that begins at `first` (its topmost row, leftmost pixel),
/// clockwise, by Moore's tracing; `None` when it is longer than `most`: too ragged for a target.
fn outline(mask: &Mask, first: Pixel, most: usize) -> Option<Vec<Pixel>> {
    const AROUND: [[isize; 2]; 8] = [
        [1, 0],
        [1, 1],
        [0, 1],
        [-1, 1],
        [-1, 0],
        [-1, -1],
        [0, -1],
        [1, -1],
    ];
    let stride = mask.stride as isize;
    let steps = AROUND.map(|[x, y]| y * stride + x);
    let start = (first[1] as isize + 1) * stride + first[0] as isize + 1;
    let is_dark = |at: isize| mask.dark.get(at as usize) == Some(&1);
    let pixel = |at: isize| [(at % stride - 1) as u32, (at / stride - 1) as u32];
    let mut points = Vec::new();
    let (mut at, mut look) = (start, 5);
    let mut first_step = None;
    while points.len() <= most {
        let step = (0..8)
            .map(|k| (look + k) % 8)
            .find(|d| is_dark(at + steps[*d]))?;
        if at == start && first_step == Some(step) {
            return Some(points);
        }
        first_step = first_step.or(Some(step));
        points.push(pixel(at));
        at += steps[step];
        look = (step + if step % 2 == 0 { 7 } else { 6 }) % 8;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(rows: &[&str], expected: &[Pixel]) {
        let stride = rows[0].len() + 2;
        let mut dark = vec![0; stride];
        for row in rows {
            dark.push(0);
            dark.extend(row.bytes().map(|b| u8::from(b == b'#')));
            dark.push(0);
        }
        dark.extend(vec![0; stride]);
        let mask = Mask { stride, dark };
        let found = regions(&mask);
        assert_eq!(found.len(), 1, "one region in {rows:?}");
        assert_eq!(
            outline(&mask, found[0].first, 99).as_deref(),
            Some(expected),
            "{rows:?}"
        );
    }

    #[test]
    fn outlines_run_clockwise_round_regions_that_join_below() {
        check(&["##", "##"], &[[0, 0], [1, 0], [1, 1], [0, 1]]);
        check(&[".#.", "#.#", ".#."], &[[1, 0], [2, 1], [1, 2], [0, 1]]);
        check(
            &["#.#", "#.#", "###"],
            &[
                [0, 0],
                [0, 1],
                [1, 2],
                [2, 1],
                [2, 0],
                [2, 1],
                [2, 2],
                [1, 2],
                [0, 2],
                [0, 1],
            ],
        );
    }

    #[test]
    fn a_large_white_picture_with_a_dark_square_gives_its_outline() {
        let picture = GrayImage::from_fn(700, 500, |x, y| {
            image::Luma([if (100..130).contains(&x) && (200..230).contains(&y) {
                20
            } else {
                255
            }])
        });
        let outlines = dark_outlines(&picture, 110);
        assert_eq!(outlines.len(), 1);
        assert!(
            outlines[0]
                .iter()
                .all(|p| (100..130).contains(&p[0]) && (200..230).contains(&p[1]))
        );
        assert_eq!(outlines[0].len(), 4 * 29);
    }

    #[test]
    fn tiny_and_empty_pictures_have_no_regions() {
        for (w, h) in [(0, 0), (1, 900), (8, 8), (9, 9)] {
            assert!(dark_outlines(&GrayImage::new(w, h), 100).is_empty());
        }
    }
}
