//! Where filler goes and how thick: over the lows, proud of the reference, feathered out past them,
//! ended at edges and openings.
//!
//! At a node with deviation d (mm, negative is low) filler is spread up to overfill × f above the
//! reference: f is 1 over a low and falls evenly to 0 over the feather. So its thickness is max(0,
//! overfill·f − d) once it has cured, what stays after sanding is min(thickness, max(0, −d)), and
//! the rest is sanded off: a share that follows from depth, feather and overfill.

use crate::judge::regions::EDGE_MM;
use crate::judge::volume::node_weights_mm2;
use crate::judge::{Action, Grid, Judgement, NodeState, RegionKind};
use crate::panel::Panel;
use ndarray::Array2;
use std::cmp::Ordering;
use std::collections::BinaryHeap;

/// The nodes filler is spread on.
pub struct Floor<'a> {
    /// The judgement.
    pub j: &'a Judgement,
    /// Area of each node, mm².
    pub areas_mm2: Array2<f64>,
    /// The same, 0 where no filler may go or nothing is known.
    pub fill_areas_mm2: Array2<f64>,
}

/// How filler is laid on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lay {
    /// How far it stands proud of the reference, mm.
    pub overfill_mm: f64,
    /// A low is feathered over this many times its depth…
    pub feather_ratio: f64,
    /// … but no less than this, mm.
    pub feather_least_mm: f64,
    /// All over the panel, not over the lows alone.
    pub all_over: bool,
}

/// Volumes of one low, or of all that lies outside lows.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Volumes {
    /// The low itself up to the reference, cc.
    pub level_cc: f64,
    /// What is on the panel once it has cured, before sanding, cc.
    pub cured_cc: f64,
    /// What stays after sanding down to the reference, cc.
    pub left_cc: f64,
    /// Area covered, mm².
    pub area_mm2: f64,
}

impl Volumes {
    /// Sanded off again, cc.
    pub fn sanded_cc(&self) -> f64 {
        self.cured_cc - self.left_cc
    }

    fn add(&mut self, node: &Volumes) {
        self.level_cc += node.level_cc;
        self.cured_cc += node.cured_cc;
        self.left_cc += node.left_cc;
        self.area_mm2 += node.area_mm2;
    }
}

/// Filler as it is spread.
pub struct Spread {
    /// Of each low, by its index in the judgement's regions; zero for those that get none.
    pub by_region: Vec<Volumes>,
    /// Of what lies outside all lows: only where it is spread all over.
    pub between: Volumes,
    /// Thickness once cured, mm, at each node.
    pub thickness_mm: Array2<f64>,
    /// What stays, mm, at each node.
    pub left_mm: Array2<f64>,
}

impl Spread {
    /// All together.
    pub fn total(&self) -> Volumes {
        let mut sum = self.between;
        for v in &self.by_region {
            sum.add(v);
        }
        sum
    }
}

impl<'a> Floor<'a> {
    /// Of a judgement.
    pub fn new(j: &'a Judgement, panel: &Panel) -> Self {
        let grid = j.nodes.grid;
        let areas_mm2 = node_weights_mm2(&grid, panel);
        let fill_areas_mm2 = Array2::from_shape_fn(areas_mm2.dim(), |n| {
            let (x, y) = (grid.x(n.1), grid.y(n.0));
            let known = !matches!(j.nodes.state[n], NodeState::Outside | NodeState::Unmeasured)
                || j.nodes.region[n] > 0;
            if known && !panel.no_fill.iter().any(|p| p.contains(x, y)) {
                areas_mm2[n]
            } else {
                0.0
            }
        });
        Floor {
            j,
            areas_mm2,
            fill_areas_mm2,
        }
    }

    /// Lay filler on the lows for which `fills` holds (by index), or all over.
    pub fn spread(&self, lay: &Lay, fills: &dyn Fn(usize) -> bool) -> Spread {
        let nodes = &self.j.nodes;
        let cover = self.cover(lay, fills);
        let mut by_region = vec![Volumes::default(); self.j.regions.len()];
        let mut between = Volumes::default();
        let mut thickness_mm = Array2::zeros(nodes.deviation.dim());
        let mut left_mm = Array2::zeros(nodes.deviation.dim());
        for (n, (f, of)) in cover.indexed_iter() {
            let (deviation, area) = (nodes.deviation[n], self.fill_areas_mm2[n]);
            if *f <= 0.0 || area <= 0.0 || deviation.is_nan() {
                continue;
            }
            let depth = (-deviation).max(0.0);
            let cured = (lay.overfill_mm * f - deviation).max(0.0);
            let left = cured.min(depth);
            let own = of.is_some_and(|k| nodes.region[n] as usize == k + 1);
            // mm² × mm = mm³; 1000 mm³ are a cc.
            let node = Volumes {
                level_cc: if own { depth * area / 1000.0 } else { 0.0 },
                cured_cc: cured * area / 1000.0,
                left_cc: left * area / 1000.0,
                area_mm2: area,
            };
            thickness_mm[n] = cured;
            left_mm[n] = left;
            match of.and_then(|k| by_region.get_mut(k)) {
                Some(region) => region.add(&node),
                None => between.add(&node),
            }
        }
        Spread {
            by_region,
            between,
            thickness_mm,
            left_mm,
        }
    }

    /// For every node how much of the overfill it gets, 0 to 1, and the low it belongs to.
    fn cover(&self, lay: &Lay, fills: &dyn Fn(usize) -> bool) -> Array2<(f64, Option<usize>)> {
        let nodes = &self.j.nodes;
        let ground = if lay.all_over { 1.0 } else { 0.0 };
        let mut cover = Array2::from_elem(nodes.deviation.dim(), (ground, None));
        for (k, region) in self.j.regions.iter().enumerate() {
            if region.kind != RegionKind::Low || !region.worst_mm.value.is_finite() || !fills(k) {
                continue;
            }
            let feather = if lay.all_over {
                0.0
            } else {
                (lay.feather_ratio * region.worst_mm.value.abs()).max(lay.feather_least_mm)
            };
            for (n, distance) in self.around(k, feather) {
                let f = if feather > 0.0 {
                    1.0 - distance / feather
                } else {
                    1.0
                };
                let own = nodes.region[n] as usize == k + 1;
                let taken = nodes.region[n] > 0 && !own && fills(nodes.region[n] as usize - 1);
                if own || (!taken && f > cover[n].0) {
                    cover[n] = (f, Some(k));
                }
            }
        }
        cover
    }

    /// Nodes of a low and around it up to `reach` mm, each with its way to the low along the skin:
    /// a feather does not jump an opening. The way goes from node to node, along, across or
    /// diagonally, so it may be told up to 8 % too long.
    fn around(&self, region: usize, reach: f64) -> Vec<((usize, usize), f64)> {
        let nodes = &self.j.nodes;
        let (ny, nx) = nodes.deviation.dim();
        let step = nodes.grid.step_mm;
        let mut best = Array2::from_elem((ny, nx), f64::INFINITY);
        let mut queue = BinaryHeap::new();
        for (n, r) in nodes.region.indexed_iter() {
            if *r as usize == region + 1 && self.fill_areas_mm2[n] > 0.0 {
                best[n] = 0.0;
                queue.push(Way(0.0, n));
            }
        }
        let mut out = Vec::new();
        while let Some(Way(distance, n)) = queue.pop() {
            if distance > best[n] {
                continue;
            }
            out.push((n, distance));
            for (dy, dx) in NEIGHBOURS {
                let (Some(iy), Some(ix)) = (n.0.checked_add_signed(dy), n.1.checked_add_signed(dx))
                else {
                    continue;
                };
                if iy >= ny || ix >= nx || self.fill_areas_mm2[[iy, ix]] <= 0.0 {
                    continue;
                }
                let next = distance + step * ((dx * dx + dy * dy) as f64).sqrt();
                if next < reach && next < best[[iy, ix]] {
                    best[[iy, ix]] = next;
                    queue.push(Way(next, (iy, ix)));
                }
            }
        }
        out
    }

    /// Lows that filler goes into: to be filled, or deeper than primer takes if what was found is
    /// right.
    pub fn is_filled(&self, region: usize) -> bool {
        self.j.regions.get(region).is_some_and(|r| {
            r.kind == RegionKind::Low
                && r.volume_cc.value.is_finite()
                && matches!(
                    r.action,
                    Action::Fill
                        | Action::MayFill
                        | Action::Measure
                        | Action::MoveTheSkin
                        | Action::AskFirst
                )
        })
    }

    /// The judgement that is to be expected after a cycle that leaves this share of every depth:
    /// what stood proud is flush, a low ends where it is shallower than a region's rim, and one
    /// that no longer passes the node limit is no low. The deepest stays one: it is what another
    /// cycle is for.
    pub fn after(&self, share: f64) -> Judgement {
        let mut j = self.j.clone();
        j.nodes
            .deviation
            .mapv_inplace(|d| if d > 0.0 { 0.0 } else { d * share });
        let deepest = (0..j.regions.len())
            .filter(|k| self.is_filled(*k))
            .min_by(|a, b| {
                let worst = |k: &usize| j.regions[*k].worst_mm.value;
                worst(a).total_cmp(&worst(b))
            });
        for (k, r) in j.regions.iter_mut().enumerate() {
            for mm in [
                &mut r.worst_mm.value,
                &mut r.worst_mm.low,
                &mut r.worst_mm.high,
            ] {
                *mm *= share;
            }
            if -r.worst_mm.value <= j.node_limit_mm && deepest != Some(k) {
                r.action = Action::Leave;
            }
        }
        for (n, region) in j.nodes.region.indexed_iter_mut() {
            if -j.nodes.deviation[n] <= EDGE_MM {
                *region = 0;
            }
        }
        j
    }

    /// The same nodes under another judgement of them.
    pub fn under<'b>(&self, j: &'b Judgement) -> Floor<'b> {
        Floor {
            j,
            areas_mm2: self.areas_mm2.clone(),
            fill_areas_mm2: self.fill_areas_mm2.clone(),
        }
    }

    /// Volume of what lies lower than `from_mm` outside the lows that get filler, cc, and its area,
    /// mm²: left to the primer.
    pub fn shallow(&self, from_mm: f64) -> (f64, f64) {
        let nodes = &self.j.nodes;
        let mut sum = (0.0, 0.0);
        for (n, deviation) in nodes.deviation.indexed_iter() {
            let region = nodes.region[n] as usize;
            let filled = region > 0 && self.is_filled(region - 1);
            if !filled && *deviation < -from_mm {
                sum.0 += -deviation * self.fill_areas_mm2[n] / 1000.0;
                sum.1 += self.fill_areas_mm2[n];
            }
        }
        sum
    }

    /// Where the nodes lie.
    pub fn grid(&self) -> Grid {
        self.j.nodes.grid
    }
}

const NEIGHBOURS: [(isize, isize); 8] = [
    (-1, -1),
    (-1, 0),
    (-1, 1),
    (0, -1),
    (0, 1),
    (1, -1),
    (1, 0),
    (1, 1),
];

/// A node on the way out, the nearest first.
struct Way(f64, (usize, usize));

impl PartialEq for Way {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Way {}
impl PartialOrd for Way {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Way {
    fn cmp(&self, other: &Self) -> Ordering {
        other.0.total_cmp(&self.0).then(other.1.cmp(&self.1))
    }
}
