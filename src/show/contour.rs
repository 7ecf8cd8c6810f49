//! Iso-lines of a grid by marching squares.

use ndarray::Array2;
use std::collections::HashMap;

/// One iso-line.
#[derive(Clone, Debug, PartialEq)]
pub struct IsoLine {
    /// Its points, (x, y) in mm; a closed line repeats its first point at the end.
    pub points: Vec<[f64; 2]>,
    /// Whether it returns to its beginning.
    pub closed: bool,
}

/// Lines along which `values` (node (ix, iy) at (ix·step, iy·step)) equal `level`; NaN nodes break lines.
pub fn iso_lines(values: &Array2<f64>, step_mm: f64, level: f64) -> Vec<IsoLine> {
    let (ny, nx) = values.dim();
    let mut at: HashMap<usize, [f64; 2]> = HashMap::new();
    let mut next: HashMap<usize, [usize; 2]> = HashMap::new();
    const NONE: usize = usize::MAX;
    let mut join = |a: usize, b: usize| {
        for (p, q) in [(a, b), (b, a)] {
            let entry = next.entry(p).or_insert([NONE, NONE]);
            if entry[0] == NONE {
                entry[0] = q;
            } else {
                entry[1] = q;
            }
        }
    };
    for iy in 0..ny.saturating_sub(1) {
        for ix in 0..nx.saturating_sub(1) {
            let v = [
                values[[iy, ix]],
                values[[iy, ix + 1]],
                values[[iy + 1, ix + 1]],
                values[[iy + 1, ix]],
            ];
            if v.iter().any(|v| v.is_nan()) {
                continue;
            }
            let above = v.map(|v| v >= level);
            if above.iter().all(|a| *a) || above.iter().all(|a| !*a) {
                continue;
            }
            // Edges: bottom, right, top, left; horizontal edges have even keys, upright ones odd.
            let key = [
                2 * (iy * nx + ix),
                2 * (iy * nx + ix + 1) + 1,
                2 * ((iy + 1) * nx + ix),
                2 * (iy * nx + ix) + 1,
            ];
            let corner = [(ix, iy), (ix + 1, iy), (ix + 1, iy + 1), (ix, iy + 1)];
            let mut cut = Vec::with_capacity(4);
            for e in 0..4 {
                let (a, b) = (e, (e + 1) % 4);
                if above[a] != above[b] {
                    let t = (level - v[a]) / (v[b] - v[a]);
                    let (p, q) = (corner[a], corner[b]);
                    at.insert(
                        key[e],
                        [
                            (p.0 as f64 + t * (q.0 as f64 - p.0 as f64)) * step_mm,
                            (p.1 as f64 + t * (q.1 as f64 - p.1 as f64)) * step_mm,
                        ],
                    );
                    cut.push(key[e]);
                }
            }
            match cut.as_slice() {
                [a, b] => join(*a, *b),
                [a, b, c, d] => {
                    let centre = v.iter().sum::<f64>() / 4.0 >= level;
                    if centre == above[0] {
                        join(*a, *b);
                        join(*c, *d);
                    } else {
                        join(*d, *a);
                        join(*b, *c);
                    }
                }
                _ => {}
            }
        }
    }
    let mut starts: Vec<usize> = next.keys().copied().collect();
    starts.sort_by_key(|k| (next[k][1] != NONE, *k));
    let mut done = std::collections::HashSet::new();
    let mut lines = Vec::new();
    for start in starts {
        if !done.insert(start) {
            continue;
        }
        let mut points = vec![at[&start]];
        let (mut here, mut closed) = (start, false);
        loop {
            let ahead = next[&here];
            let Some(to) = ahead.into_iter().find(|k| *k != NONE && !done.contains(k)) else {
                closed = points.len() > 2 && ahead.contains(&start);
                break;
            };
            done.insert(to);
            points.push(at[&to]);
            here = to;
        }
        if closed {
            points.push(points[0]);
        }
        lines.push(IsoLine { points, closed });
    }
    lines
}
