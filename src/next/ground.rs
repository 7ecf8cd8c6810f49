//! The panel as planning sees it: places on a lattice, and the placings that could be taken over
//! them.

use crate::judge::Grid;
use crate::judge::volume::node_weights_mm2;
use crate::observe::Tool;
use crate::observe::blank::{self, Planned, Settings};
use crate::panel::Panel;
use std::collections::BTreeMap;

/// Distance between places, mm, where the panel is small enough: about the pitch of readings.
const LATTICE_MM: f64 = 50.0;
/// Most places: their covariance is a matrix of the square of this.
pub const MOST_PLACES: usize = 1000;
/// A lattice is not made coarser than this many places.
const FEWEST_PLACES: usize = 30;
/// A placing that has not this much skin on both sides, mm, but for its ends, is no candidate:
/// nobody sets a tool down along a rim.
const FROM_EDGE_MM: f64 = 20.0;

/// What a placing would tell: one row a reading, over places, and the rest numbers that come with
/// it.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// Where it lies.
    pub spot: Planned,
    /// For each row, places (by index) and their weights.
    pub rows: Vec<Vec<(usize, f64)>>,
    /// For each row, the coefficients of the rest numbers.
    pub rests: Vec<Vec<f64>>,
    /// Rows stand for this many readings each: their noise is averaged by it.
    pub readings_a_row: f64,
}

/// Places and candidates.
#[derive(Debug)]
pub struct Ground {
    /// Places, mm: first the lattice on the panel, then what feet stand on beside it.
    pub places: Vec<[f64; 2]>,
    /// How many of them are the lattice.
    pub lattice: usize,
    /// Distance between neighbours on the lattice, mm.
    pub pitch_mm: f64,
    /// Skin that each lattice place stands for, mm².
    pub areas_mm2: Vec<f64>,
    /// What could be taken.
    pub candidates: Vec<Candidate>,
}

/// Indices of places by their coordinates in tenths of a mm.
struct Index(BTreeMap<(i64, i64), usize>);

impl Index {
    fn key(p: [f64; 2]) -> (i64, i64) {
        ((p[0] * 10.0).round() as i64, (p[1] * 10.0).round() as i64)
    }
}

/// One run of a line that lies on the panel.
struct Line {
    axis: usize,
    /// Place on the other axis, mm.
    at: f64,
    /// From and to, mm.
    run: (f64, f64),
    /// Where the lattice begins along the axis, mm.
    first: f64,
}

impl Ground {
    /// Of a panel, for a tool: no more than `most` places.
    pub fn new(panel: &Panel, set: &Settings, most: usize) -> Ground {
        let b = panel.outline.bounds();
        let mut steps = (LATTICE_MM / set.step).round().max(1.0);
        // A first guess from the areas, so that no huge lattice is laid out in vain.
        let area = (b[2] - b[0]) * (b[3] - b[1]);
        steps = steps
            .max((area / most as f64).sqrt() / (2.0 * set.step))
            .ceil();
        loop {
            let pitch = steps * set.step;
            let ground = Ground::at(panel, set, pitch);
            if ground.places.len() <= most || ground.lattice <= FEWEST_PLACES {
                return ground;
            }
            steps = (steps * 1.2).ceil().max(steps + 1.0);
        }
    }

    fn at(panel: &Panel, set: &Settings, pitch: f64) -> Ground {
        let b = panel.outline.bounds();
        let count = |k: usize| ((b[k + 2] - b[k]) / pitch + 1e-9).floor() as usize + 1;
        let areas = node_weights_mm2(
            &Grid {
                step_mm: pitch,
                nx: count(0),
                ny: count(1),
            },
            panel,
        );
        let mut ground = Ground {
            places: Vec::new(),
            lattice: 0,
            pitch_mm: pitch,
            areas_mm2: Vec::new(),
            candidates: Vec::new(),
        };
        let mut index = Index(BTreeMap::new());
        for iy in 0..count(1) {
            for ix in 0..count(0) {
                let p = [b[0] + ix as f64 * pitch, b[1] + iy as f64 * pitch];
                if panel.contains(p[0], p[1]) {
                    index.0.insert(Index::key(p), ground.places.len());
                    ground.places.push(p);
                    ground.areas_mm2.push(areas[[iy, ix]]);
                }
            }
        }
        ground.lattice = ground.places.len();
        for axis in [0, 1] {
            // Beside the lattice's own lines, one just inside either rim: what lies there no other
            // line sees.
            let inner = (0..count(1 - axis)).map(|k| b[1 - axis] + k as f64 * pitch);
            let rims = [b[1 - axis] + FROM_EDGE_MM, b[3 - axis] - FROM_EDGE_MM];
            for at in inner.chain(rims.map(f64::round)) {
                for run in blank::runs(panel, axis, at) {
                    let line = Line {
                        axis,
                        at,
                        run,
                        first: b[axis],
                    };
                    ground.along(panel, set, &mut index, &line);
                }
            }
        }
        ground
    }

    /// Candidates along one run of a line.
    fn along(&mut self, panel: &Panel, set: &Settings, index: &mut Index, line: &Line) {
        let &Line {
            axis,
            at,
            run,
            first,
        } = line;
        let (step, pitch) = (set.step, self.pitch_mm);
        let (start, end) = (run.0 + set.margin(), run.1 - set.margin());
        let steps = ((set.reach().min(end - start) + 1e-6) / step).floor();
        if steps < 2.0 {
            return;
        }
        let span = steps * step;
        let mut starts = vec![start];
        let mut next = first + ((start - first) / pitch + 1e-9).floor() * pitch;
        while next + span < end - step / 2.0 {
            if next > start + step / 2.0 {
                starts.push(next);
            }
            next += pitch;
        }
        if end - span > start + step / 2.0 {
            starts.push(end - span);
        }
        for from in starts {
            let point = |s: f64| {
                let mut p = [at; 2];
                p[axis] = s;
                p
            };
            let nodes: Vec<f64> = {
                let begin = ((from - first) / pitch - 1e-6).ceil() as usize;
                (begin..)
                    .map(|k| first + k as f64 * pitch)
                    .take_while(|s| *s <= from + span + 1e-6)
                    .collect()
            };
            let skin_beside = |s: &f64| {
                [-FROM_EDGE_MM, FROM_EDGE_MM].iter().all(|aside| {
                    let mut p = point(*s);
                    p[1 - axis] += aside;
                    panel.contains(p[0], p[1])
                })
            };
            if nodes.len() < 3 || !nodes[1..nodes.len() - 1].iter().all(skin_beside) {
                continue;
            }
            let middle = from + span / 2.0;
            // Where a batten will touch is not known: it may bend by a cubic, as far as so few rows
            // can tell.
            let bends = 4.min(nodes.len() - 2);
            let mut rows = Vec::new();
            let mut rests = Vec::new();
            for s in nodes.iter().copied() {
                let u = 2.0 * (s - middle) / span;
                let mut row = vec![(self.place(index, point(s)), 1.0)];
                if set.tool == Tool::WaveGauge {
                    let half = set.length / 2.0;
                    row.push((self.place(index, point(s - half)), -0.5));
                    row.push((self.place(index, point(s + half)), -0.5));
                }
                rows.push(row);
                rests.push(match set.tool {
                    Tool::WaveGauge => vec![1.0],
                    Tool::Batten => (0..bends).map(|p| u.powi(p as i32)).collect(),
                    _ => vec![1.0, u],
                });
            }
            let readings = steps as usize + 1;
            self.candidates.push(Candidate {
                spot: Planned {
                    axis,
                    from,
                    to: from + span,
                    at,
                    readings,
                },
                readings_a_row: readings as f64 / rows.len() as f64,
                rows,
                rests,
            });
        }
    }

    fn place(&mut self, index: &mut Index, p: [f64; 2]) -> usize {
        *index.0.entry(Index::key(p)).or_insert_with(|| {
            self.places.push(p);
            self.places.len() - 1
        })
    }
}
