//! Where to tape targets on a panel.

use super::page::PageOptions;
use crate::panel::{Form, Panel, Target};

/// Targets that place a flat panel well, with two to spare, and one more in the middle where it is
/// curved.
pub fn usual_count(panel: Option<&Panel>) -> u16 {
    match panel.map(|p| p.form) {
        Some(Form::Flat) | None => 8,
        Some(_) => 9,
    }
}

/// Places for targets, in the order of their worth: near the corners, the middles of the edges, the
/// middle, then the quarters. Places off the panel (a rounded corner, an opening) are drawn in
/// towards the middle, and left out when that does not help. What then lacks of the number asked
/// for goes where it is farthest from the others; on a panel too small for all there are fewer.
pub fn suggested(panel: &Panel, options: &PageOptions) -> Vec<Target> {
    let [x0, y0, x1, y1] = panel.outline.bounds();
    let inset = (0.8 * options.side_mm).min((x1 - x0).min(y1 - y0) / 4.0);
    let (left, right, near, far) = (x0 + inset, x1 - inset, y0 + inset, y1 - inset);
    let between = |a: f64, b: f64, t: f64| a + t * (b - a);
    let (mx, my) = (between(x0, x1, 0.5), between(y0, y1, 0.5));
    let mut places = vec![[left, near], [right, near], [right, far], [left, far]];
    let (long, short) = ([[mx, near], [mx, far]], [[left, my], [right, my]]);
    let edges = if x1 - x0 >= y1 - y0 {
        [long, short]
    } else {
        [short, long]
    };
    places.extend(edges.concat());
    places.push([mx, my]);
    for (s, t) in [(0.25, 0.3), (0.75, 0.7), (0.25, 0.7), (0.75, 0.3)] {
        places.push([between(x0, x1, s), between(y0, y1, t)]);
    }
    let mut targets: Vec<Target> = Vec::new();
    for place in places {
        let drawn_in = [0.0, 0.1, 0.2, 0.3]
            .iter()
            .map(|t| [between(place[0], mx, *t), between(place[1], my, *t)])
            .find(|p| carries(panel, *p, options.side_mm));
        let Some([x_mm, y_mm]) = drawn_in.map(|p| p.map(f64::round)) else {
            continue;
        };
        let clear = targets
            .iter()
            .all(|t| (t.x_mm - x_mm).hypot(t.y_mm - y_mm) > 1.6 * options.side_mm);
        if clear && targets.len() < usize::from(options.count) {
            let number = options.first + targets.len() as u16;
            targets.push(Target { number, x_mm, y_mm });
        }
    }
    while targets.len() < usize::from(options.count) {
        let Some([x_mm, y_mm]) = farthest(panel, &targets, options.side_mm) else {
            break;
        };
        let number = options.first + targets.len() as u16;
        targets.push(Target { number, x_mm, y_mm });
    }
    targets
}

/// The place on the panel that is farthest from all targets so far; `None` where no more fits with
/// room between.
fn farthest(panel: &Panel, targets: &[Target], side: f64) -> Option<[f64; 2]> {
    const ALONG: usize = 60;
    let [x0, y0, x1, y1] = panel.outline.bounds();
    let step =
        |k: usize, from: f64, to: f64| (from + k as f64 / ALONG as f64 * (to - from)).round();
    let clear = |p: &[f64; 2]| {
        targets
            .iter()
            .map(|t| (t.x_mm - p[0]).hypot(t.y_mm - p[1]))
            .fold(f64::INFINITY, f64::min)
    };
    (0..=ALONG * (ALONG + 2))
        .map(|k| [step(k % (ALONG + 1), x0, x1), step(k / (ALONG + 1), y0, y1)])
        .filter(|p| carries(panel, *p, side))
        .map(|p| (clear(&p), p))
        .filter(|(d, _)| *d > 1.6 * side)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, p)| p)
}

/// Whether a target of this side lies wholly on the panel.
fn carries(panel: &Panel, [x, y]: [f64; 2], side: f64) -> bool {
    let half = side / 2.0;
    [
        [0.0, 0.0],
        [-half, -half],
        [half, -half],
        [half, half],
        [-half, half],
    ]
    .iter()
    .all(|d| panel.contains(x + d[0], y + d[1]))
}
