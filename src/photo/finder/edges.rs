//! Lines fitted to the edges of a target, dark border against white margin, to a small part of a
//! pixel.

use super::quad::{self, Point, distance};
use crate::photo::marker::CELLS;
use image::GrayImage;

/// Grey level at a point, between the four nearest pixels; the nearest pixel outside the picture.
pub fn grey_at(grey: &GrayImage, p: Point) -> f64 {
    let (width, height) = (grey.width() as usize, grey.height() as usize);
    let data = grey.as_raw();
    let place = |v: f64, most: usize| {
        let v = (v - 0.5).clamp(0.0, most.saturating_sub(1) as f64);
        (v as usize, v.fract())
    };
    let ((x, fx), (y, fy)) = (place(p[0], width), place(p[1], height));
    let (right, below) = (
        (x + 1).min(width.saturating_sub(1)),
        (y + 1).min(height.saturating_sub(1)),
    );
    let at = |x: usize, y: usize| data.get(y * width + x).copied().map_or(0.0, f64::from);
    let upper = at(x, y) + fx * (at(right, y) - at(x, y));
    let lower = at(x, below) + fx * (at(right, below) - at(x, below));
    upper + fy * (lower - upper)
}

/// A line: a point on it and its direction, of length 1.
type Line = (Point, Point);

/// The corners of a rough quadrilateral (clockwise) moved to where the lines along its edges cross.
/// `scale` says how rough: within some `scale` px. `None` where an edge is not dark within and
/// bright without along most of its length.
pub fn refined(grey: &GrayImage, rough: &[Point; 4], scale: f64) -> Option<[Point; 4]> {
    let mut corners = *rough;
    // First with a reach that covers the roughness, then twice close to the edge.
    for round in 0..3 {
        let mut lines: Vec<Line> = Vec::with_capacity(4);
        for i in 0..4 {
            let (p, q) = (corners[i], corners[(i + 1) % 4]);
            let (r, s) = (corners[(i + 2) % 4], corners[(i + 3) % 4]);
            let across = distance(middle(p, q), middle(r, s));
            let cell = across / CELLS as f64;
            let reach = if round == 0 {
                (0.7 * cell)
                    .max(1.5 * scale)
                    .clamp(1.5, cell.max(1.5) * 1.5)
            } else {
                (0.7 * cell).clamp(1.2, 4.0)
            };
            lines.push(edge_line(grey, p, q, reach)?);
        }
        let mut next = corners;
        for (i, corner) in next.iter_mut().enumerate() {
            *corner = meet(lines[(i + 3) % 4], lines[i])?;
        }
        let moved = (0..4)
            .map(|i| distance(next[i], corners[i]))
            .fold(0.0, f64::max);
        let side = distance(corners[0], corners[2]);
        if moved > 0.3 * side || !quad::is_convex(&next) {
            return None;
        }
        corners = next;
        if round > 0 && moved < 0.02 {
            break;
        }
    }
    Some(corners)
}

fn middle(p: Point, q: Point) -> Point {
    [(p[0] + q[0]) / 2.0, (p[1] + q[1]) / 2.0]
}

fn meet(a: Line, b: Line) -> Option<Point> {
    let cross = a.1[0] * b.1[1] - a.1[1] * b.1[0];
    if cross.abs() < 0.02 {
        return None;
    }
    let d = [b.0[0] - a.0[0], b.0[1] - a.0[1]];
    let along = (d[0] * b.1[1] - d[1] * b.1[0]) / cross;
    Some([a.0[0] + along * a.1[0], a.0[1] + along * a.1[1]])
}

/// The line along the edge near the side from `p` to `q`, searched within `reach` px to both sides.
fn edge_line(grey: &GrayImage, p: Point, q: Point, reach: f64) -> Option<Line> {
    let length = distance(p, q);
    let toward = [(q[0] - p[0]) / length, (q[1] - p[1]) / length];
    // Corners run clockwise in the picture, so the outside is to the left of the way: (row,
    // -column).
    let outward = [toward[1], -toward[0]];
    let count = (length * 0.8).clamp(6.0, 60.0) as usize;
    let mut points = Vec::with_capacity(count);
    for k in 0..count {
        let along = (0.1 + 0.8 * (k as f64 + 0.5) / count as f64) * length;
        let base = [p[0] + along * toward[0], p[1] + along * toward[1]];
        if let Some(off) = crossing_of(grey, base, outward, reach) {
            points.push([base[0] + off * outward[0], base[1] + off * outward[1]]);
        }
    }
    if points.len() * 5 < count * 3 {
        return None;
    }
    fitted(points, reach)
}

/// How far outward from `base` the grey passes from dark to bright: the middle of the step that has
/// the same sum of grey as the profile, with its levels from the profile's two ends. `None` without
/// a step.
fn crossing_of(grey: &GrayImage, base: Point, outward: Point, reach: f64) -> Option<f64> {
    const LEAST_STEP: f64 = 10.0;
    let half = (reach * 2.0).ceil().max(3.0) as i32;
    let step = reach / f64::from(half);
    let profile: Vec<f64> = (-half..=half)
        .map(|k| f64::from(k) * step)
        .map(|off| {
            grey_at(
                grey,
                [base[0] + off * outward[0], base[1] + off * outward[1]],
            )
        })
        .collect();
    let ends = (profile.len() / 4).max(1);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len().max(1) as f64;
    let (dark, bright) = (
        mean(profile.get(..ends)?),
        mean(profile.get(profile.len() - ends..)?),
    );
    if bright - dark < LEAST_STEP {
        return None;
    }
    let below: f64 = profile
        .iter()
        .map(|v| ((bright - v) / (bright - dark)).clamp(-0.2, 1.2))
        .sum();
    let off = below * step - reach - step / 2.0;
    (off.abs() < 0.9 * reach).then_some(off)
}

/// The line with least squared distance from most of the points: twice, those far off are left out.
fn fitted(mut points: Vec<Point>, reach: f64) -> Option<Line> {
    let least = (points.len() / 2).max(4);
    let mut line = through(&points)?;
    for _ in 0..3 {
        let off = |line: &Line, p: &Point| {
            ((p[0] - line.0[0]) * line.1[1] - (p[1] - line.0[1]) * line.1[0]).abs()
        };
        let mut offs: Vec<f64> = points.iter().map(|p| off(&line, p)).collect();
        offs.sort_by(f64::total_cmp);
        let median = offs.get(offs.len() / 2).copied()?;
        let bound = (3.0 * median).max(0.08).min(reach);
        points.retain(|p| off(&line, p) <= bound);
        if points.len() < least {
            return None;
        }
        line = through(&points)?;
    }
    Some(line)
}

fn through(points: &[Point]) -> Option<Line> {
    if points.len() < 3 {
        return None;
    }
    let n = points.len() as f64;
    let mean = [0, 1].map(|k| points.iter().map(|p| p[k]).sum::<f64>() / n);
    let sum = |a: usize, b: usize| {
        points
            .iter()
            .map(|p| (p[a] - mean[a]) * (p[b] - mean[b]))
            .sum::<f64>()
    };
    let angle = 0.5 * (2.0 * sum(0, 1)).atan2(sum(0, 0) - sum(1, 1));
    Some((mean, [angle.cos(), angle.sin()]))
}
