//! A simulated shop floor: what becomes of a simulated panel when a plan is followed as printed.
//!
//! Nothing here is measured. The physics below was written down before any promise of a plan was
//! compared with it, and shares no model of cycles with the program: it knows no "share left", it
//! only moves skin and filler. Figures without a source are common practice.
//!
//! **The panel** is skin with filler on it, node by node, each 10 mm. Skin may lose what its
//! allowance says and no more, ever; filler is free to be sanded. Between nodes what was put on or
//! taken off runs as a smooth surface (Catmull-Rom); the panel as it came is exact.
//!
//! **The fair line** is what a spreader and a long board find by riding on what is sound: the true
//! surface's own reference under what may still come off. It is worked out from the true surface,
//! not from the survey: where the survey was wrong the hand still rides on the skin. It is taken
//! before filling, since filler is worked down until the skin shows.
//!
//! **Highs** that the plan offers are cut down level from their true top by what the plan says, a
//! hand being off by 15 % (standard deviation), never deeper than the allowance left.
//!
//! **Spreading**: where the plan says, up to the fair line plus the printed overfill. The overfill
//! is uneven by 20 to 30 % of itself in waves of 200 to 700 mm (about 100 mm of correlation); it is
//! feathered out evenly over the printed feather and ends at the panel's edge. A hollow under the
//! feather that the survey missed is filled as the spreader passes over it; a hollow outside is
//! not. A screed between strips does the same all over.
//!
//! **Mixing**: 15 to 20 % stays in pot and tools (published: epoxy suppliers). What runs out is
//! mixed anew.
//!
//! **Curing** takes the recipe's shrinkage off the thickness, give or take 30 % of it.
//!
//! **Blocking** reaches 50 mm past each feather, or all over. What stands above the board's line is
//! taken off: filler first, then skin within its allowance. The board's line is the fair line, with
//! waves of the board's own (rms 0.03 to 0.05 mm, 100 to 400 mm long), and lower by 2 to 5 % of the
//! filler's thickness where it is soft under the board (dishing). Nothing is added: what lay below
//! stays below.
//!
//! **A rough hand** ([`Skill::Rough`]) has an overfill uneven by 40 to 50 %, waves of 0.05 to 0.06
//! mm rms, dishes by 5 to 10 %, and works to a line that is itself off by 0.03 mm rms in waves of
//! 400 to 1000 mm: how a promise fares when the work is worse. (With waves of 0.06 to 0.09 mm and a
//! line off by 0.05 mm, 3 of 30 jobs met 0.3 mm under 300 mm within nine cycles: such a board
//! cannot.)
//!
//! **Primer** is sprayed evenly within 10 %, and blocked the same way down to what is to stay on.

use super::levels::{at_nodes, workbench};
use super::simulate::Truth;
use lowspot::judge::{Action, Grid, Judgement, RegionKind, edge, grid};
use lowspot::panel::Panel;
use lowspot::plan::Plan;
use lowspot::plan::shop::Shop;
use lowspot::plan::ways::{Kind as WayKind, Way};
use lowspot::reference::{Kind as Reference, Workbench};
use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Distance between the nodes of skin and filler, mm.
const STEP_MM: f64 = 10.0;
/// Nodes of the workbench lie this many of these apart.
const EVERY: usize = 2;
/// A hand's error in what it takes off a high, as a share.
const HIGH_OFF: f64 = 0.15;
/// A board goes this far past a feather, mm.
const PAST_MM: f64 = 50.0;
/// A block on a high reaches this far past it, mm.
const AROUND_HIGH_MM: f64 = 30.0;

/// How well the work is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Skill {
    /// As described above.
    Usual,
    /// Worse.
    Rough,
}

/// What differs from shop to shop and stays through a job.
#[derive(Clone, Copy, Debug)]
struct Hand {
    /// Unevenness of the overfill, as a share.
    uneven: f64,
    /// Share of a patch's thickness by which it is dished.
    dishing: f64,
    /// Rms of a board's waves: least and most, mm.
    waves_mm: [f64; 2],
    /// Rms by which the line that is worked to is off, mm.
    line_off_mm: f64,
}

impl Hand {
    fn of(skill: Skill, rng: &mut ChaCha8Rng) -> Self {
        match skill {
            Skill::Usual => Hand {
                uneven: rng.random_range(0.2..0.3),
                dishing: rng.random_range(0.02..0.05),
                waves_mm: [0.03, 0.05],
                line_off_mm: 0.0,
            },
            Skill::Rough => Hand {
                uneven: rng.random_range(0.4..0.5),
                dishing: rng.random_range(0.05..0.10),
                waves_mm: [0.05, 0.06],
                line_off_mm: 0.03,
            },
        }
    }
}

/// Waves of unit rms.
pub struct Ripple(Vec<[f64; 3]>);

impl Ripple {
    const COUNT: usize = 40;

    /// Forty of them, of any length in between and any direction.
    pub fn new(rng: &mut ChaCha8Rng, from_mm: f64, to_mm: f64) -> Self {
        let one = |_| {
            let length = from_mm * (to_mm / from_mm).powf(rng.random_range(0.0..1.0));
            let angle: f64 = rng.random_range(0.0..std::f64::consts::PI);
            let k = std::f64::consts::TAU / length;
            let phase = rng.random_range(0.0..std::f64::consts::TAU);
            [k * angle.cos(), k * angle.sin(), phase]
        };
        Ripple((0..Self::COUNT).map(one).collect())
    }

    /// Their sum at a point.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let sum: f64 = self
            .0
            .iter()
            .map(|[kx, ky, phase]| (kx * x + ky * y + phase).cos())
            .sum();
        sum * (2.0 / Self::COUNT as f64).sqrt()
    }
}

/// What one cycle took.
#[derive(Clone, Copy, Debug, Default)]
pub struct Used {
    /// Filler that had to be mixed: what was spread, and what stayed in pot and tools, cc.
    pub needed_cc: f64,
    /// Filler mixed: what the plan said, or more where that ran out, cc.
    pub mixed_cc: f64,
    /// Primer that had to be mixed, cc.
    pub primer_cc: f64,
    /// Skin taken off, cc.
    pub skin_cc: f64,
}

/// A simulated panel while it is worked on.
pub struct ShopFloor {
    /// What the program is told of it.
    pub panel: Panel,
    truth: Truth,
    grid: Grid,
    bench: Workbench,
    /// The panel as it came, mm.
    came: Array2<f64>,
    /// Taken off the skin, mm.
    pub off: Array2<f64>,
    /// Filler and primer on it, mm.
    pub on: Array2<f64>,
    /// What may still come off the skin, mm.
    pub allowance: Array2<f64>,
    hand: Hand,
    rng: ChaCha8Rng,
}

impl ShopFloor {
    /// A panel as it came. The chances of the work are the seed's third stream.
    pub fn new(panel: Panel, truth: Truth, skill: Skill, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(2);
        let hand = Hand::of(skill, &mut rng);
        let grid = grid(&panel, STEP_MM);
        let on_nodes = |f: &dyn Fn(f64, f64) -> f64| {
            Array2::from_shape_fn((grid.ny, grid.nx), |(iy, ix)| f(grid.x(ix), grid.y(iy)))
        };
        ShopFloor {
            bench: workbench(&panel, STEP_MM * EVERY as f64),
            came: on_nodes(&|x, y| truth.height(x, y)),
            off: on_nodes(&|_, _| 0.0),
            on: on_nodes(&|_, _| 0.0),
            allowance: on_nodes(&|x, y| panel.allowance_at(x, y)),
            panel,
            truth,
            grid,
            hand,
            rng,
        }
    }

    /// Worked on by whoever works on another.
    pub fn in_the_hands_of(&mut self, other: &ShopFloor) {
        self.hand = other.hand;
    }

    /// Height of the true surface anywhere, mm.
    pub fn height(&self, x: f64, y: f64) -> f64 {
        self.truth.height(x, y) + self.changed(x, y)
    }

    /// Do a cycle as the plan says.
    pub fn follow(&mut self, plan: &Plan, j: &Judgement, shop: &Shop) -> Used {
        let before = self.skin_cc();
        self.take_highs_down(j);
        let line = self.fair_line() + self.line_off();
        let mut used = match plan.way() {
            Some(way) if way.kind == WayKind::PrimerOnly => self.prime(way, shop, &line),
            Some(way) => self.fill(way, j, shop, &line),
            None => Used::default(),
        };
        used.skin_cc = self.skin_cc() - before;
        used
    }

    /// The worst gap under each limit's edge over that limit, in the order of the panel's limits: 1
    /// is just met.
    pub fn worst_over_limits(&self) -> Vec<f64> {
        let z = self.surface();
        let fair = self.bench.skin(&self.on_bench(&z)).unwrap().coefficients;
        let deviation = z - self.on_nodes(&fair);
        self.panel
            .limits
            .iter()
            .map(|limit| {
                let map = edge::gaps(&deviation, STEP_MM, limit.base_mm).unwrap();
                let worst = map
                    .gap
                    .iter()
                    .filter(|g| !g.is_nan())
                    .fold(0.0, |m: f64, g| m.max(*g));
                worst / limit.max
            })
            .collect()
    }

    /// Volume of skin taken off so far, cc.
    fn skin_cc(&self) -> f64 {
        self.off.sum() * STEP_MM * STEP_MM / 1000.0
    }

    fn surface(&self) -> Array2<f64> {
        &self.came - &self.off + &self.on
    }

    /// What was put on less what was taken off, between the nodes too, mm.
    fn changed(&self, x: f64, y: f64) -> f64 {
        let at = |ix: isize, iy: isize| {
            let n = [
                iy.clamp(0, self.grid.ny as isize - 1) as usize,
                ix.clamp(0, self.grid.nx as isize - 1) as usize,
            ];
            self.on[n] - self.off[n]
        };
        let (u, v) = (x / STEP_MM, y / STEP_MM);
        let (ix, iy) = (u.floor() as isize, v.floor() as isize);
        let row = |k: isize| {
            let p = [-1, 0, 1, 2].map(|m| at(ix + m, iy + k));
            catmull_rom(p, u - u.floor())
        };
        catmull_rom([-1, 0, 1, 2].map(row), v - v.floor())
    }

    fn on_bench(&self, of: &Array2<f64>) -> Vec<f64> {
        at_nodes(&self.bench, |x, y| {
            of[[
                (y / STEP_MM).round() as usize,
                (x / STEP_MM).round() as usize,
            ]]
        })
    }

    fn on_nodes(&self, coefficients: &[f64]) -> Array2<f64> {
        let xs: Vec<f64> = (0..self.grid.nx).map(|i| self.grid.x(i)).collect();
        let ys: Vec<f64> = (0..self.grid.ny).map(|i| self.grid.y(i)).collect();
        self.bench.basis().on_grid(coefficients, &xs, &ys, [0, 0])
    }

    /// The line that spreader and board find, mm.
    fn fair_line(&self) -> Array2<f64> {
        let free = &self.allowance + &self.on;
        let c = self
            .bench
            .reference(
                Reference::Skin,
                &self.on_bench(&self.surface()),
                &self.on_bench(&free),
            )
            .unwrap();
        self.on_nodes(&c)
    }

    /// By how much the line that is worked to is off in this cycle, mm.
    fn line_off(&mut self) -> Array2<f64> {
        if self.hand.line_off_mm <= 0.0 {
            return Array2::zeros(self.came.dim());
        }
        let waves = Ripple::new(&mut self.rng, 400.0, 1000.0);
        Array2::from_shape_fn(self.came.dim(), |(iy, ix)| {
            self.hand.line_off_mm * waves.at(self.grid.x(ix), self.grid.y(iy))
        })
    }

    /// Take `depth_mm` off at a node: what was put on first, then skin within its allowance.
    fn cut(&mut self, n: (usize, usize), depth_mm: f64) {
        let soft = depth_mm.clamp(0.0, self.on[n]);
        self.on[n] -= soft;
        let hard = (depth_mm - soft).clamp(0.0, self.allowance[n]);
        self.off[n] += hard;
        self.allowance[n] -= hard;
    }

    /// One pass all over that takes this much everywhere, mm, as far as the allowance goes.
    pub fn take_evenly(&mut self, mm: f64) {
        for n in indices(&self.came) {
            self.cut(n, mm);
        }
    }

    fn take_highs_down(&mut self, j: &Judgement) {
        let line = self.fair_line();
        for (k, r) in j.regions.iter().enumerate() {
            if r.kind != RegionKind::High || r.action != Action::Sand {
                continue;
            }
            let proud = self.surface() - &line;
            let near = self.distance(j, k, AROUND_HIGH_MM);
            let top = proud
                .iter()
                .zip(&near)
                .filter(|(_, d)| **d <= 0.0)
                .fold(0.0, |m: f64, (p, _)| m.max(*p));
            let depth = r.comes_off_mm * (1.0 + HIGH_OFF * self.normal());
            let down_to = top - depth.max(0.0);
            for (n, d) in near.indexed_iter() {
                if *d <= AROUND_HIGH_MM && proud[n] > down_to {
                    self.cut(n, proud[n] - down_to);
                }
            }
        }
    }

    /// Distance of each node from a region of the map, mm; infinite beyond `reach_mm`.
    fn distance(&self, j: &Judgement, region: usize, reach_mm: f64) -> Array2<f64> {
        let of = &j.nodes.region;
        let (ny, nx) = of.dim();
        let inside = |iy: isize, ix: isize| {
            (0..ny as isize).contains(&iy)
                && (0..nx as isize).contains(&ix)
                && usize::from(of[[iy as usize, ix as usize]]) == region + 1
        };
        let mut out = Array2::from_elem((ny, nx), f64::INFINITY);
        let reach = (reach_mm / STEP_MM).ceil() as isize;
        for ((iy, ix), _) in of
            .indexed_iter()
            .filter(|(_, r)| usize::from(**r) == region + 1)
        {
            out[[iy, ix]] = 0.0;
            let (y, x) = (iy as isize, ix as isize);
            let rim = [(0, 1), (1, 0), (0, -1), (-1, 0)]
                .iter()
                .any(|(dy, dx)| !inside(y + dy, x + dx));
            if !rim {
                continue;
            }
            for dy in -reach..=reach {
                for dx in -reach..=reach {
                    let (Ok(v), Ok(u)) = (usize::try_from(y + dy), usize::try_from(x + dx)) else {
                        continue;
                    };
                    let d = STEP_MM * ((dx * dx + dy * dy) as f64).sqrt();
                    if v < ny && u < nx && d <= reach_mm && d < out[[v, u]] {
                        out[[v, u]] = d;
                    }
                }
            }
        }
        out
    }

    /// Where filler goes: the share of the overfill, 1 over a low and falling to 0 over its
    /// feather; a hair less than none where only the board goes, NaN where nothing does.
    fn cover(&self, way: &Way, j: &Judgement, shop: &Shop) -> Array2<f64> {
        if way.kind != WayKind::SpotFill {
            return Array2::from_elem(self.came.dim(), 1.0);
        }
        let mut cover = Array2::from_elem(self.came.dim(), f64::NAN);
        for (k, r) in j.regions.iter().enumerate() {
            if !way.table.rows.iter().any(|row| row.name == r.name) {
                continue;
            }
            let depth = r.worst_mm.value.abs();
            let feather = (shop.feather_ratio.value * depth).max(shop.feather_least_mm.value);
            for (n, d) in self.distance(j, k, feather + PAST_MM).indexed_iter() {
                if d.is_finite() {
                    cover[n] = cover[n].max((1.0 - d / feather).max(-1e-9));
                }
            }
        }
        cover
    }

    fn fill(&mut self, way: &Way, j: &Judgement, shop: &Shop, line: &Array2<f64>) -> Used {
        let overfill = if way.kind == WayKind::FullSkim {
            shop.skim_mm.value
        } else {
            shop.overfill_mm.value
        };
        let cover = self.cover(way, j, shop);
        let shrink = way.recipe.shrink_percent.value / 100.0 * self.rng.random_range(0.7..1.3);
        let loss = self.rng.random_range(0.15..0.20);
        let uneven = Ripple::new(&mut self.rng, 200.0, 700.0);
        let z = self.surface();
        let mut spread_cc = 0.0;
        for (n, f) in cover.indexed_iter().filter(|(_, f)| **f > 0.0) {
            let (x, y) = (self.grid.x(n.1), self.grid.y(n.0));
            let hand = (1.0 + self.hand.uneven * uneven.at(x, y)).max(0.0);
            let wet = (line[n] + overfill * f * hand - z[n]).max(0.0);
            spread_cc += wet * self.area(n) / 1000.0;
            self.on[n] += wet * (1.0 - shrink);
        }
        self.board(&cover, line, 0.0);
        let needed_cc = spread_cc / (1.0 - loss);
        Used {
            needed_cc,
            mixed_cc: needed_cc.max(way.first_mix_cc),
            ..Used::default()
        }
    }

    fn prime(&mut self, way: &Way, shop: &Shop, line: &Array2<f64>) -> Used {
        let cover = Array2::from_elem(self.came.dim(), 1.0);
        let uneven = Ripple::new(&mut self.rng, 200.0, 700.0);
        let loss = self.rng.random_range(0.15..0.20);
        let mut cured_cc = 0.0;
        for n in indices(&cover) {
            let (x, y) = (self.grid.x(n.1), self.grid.y(n.0));
            let thick = way.deepest_mm * (1.0 + 0.1 * uneven.at(x, y)).max(0.0);
            cured_cc += thick * self.area(n) / 1000.0;
            self.on[n] += thick;
        }
        self.board(&cover, line, shop.primer_left_mm.value);
        let solids = way.recipe.solids_percent.value / 100.0;
        Used {
            primer_cc: cured_cc / solids / (1.0 - loss),
            ..Used::default()
        }
    }

    /// Block down to `above_mm` over the fair line wherever `cover` is a number.
    fn board(&mut self, cover: &Array2<f64>, line: &Array2<f64>, above_mm: f64) {
        let [least, most] = self.hand.waves_mm;
        let rms = self.rng.random_range(least..most);
        let waves = Ripple::new(&mut self.rng, 100.0, 400.0);
        let z = self.surface();
        for (n, _) in cover.indexed_iter().filter(|(_, f)| !f.is_nan()) {
            let (x, y) = (self.grid.x(n.1), self.grid.y(n.0));
            let level = line[n] + above_mm;
            let soft = (level - (z[n] - self.on[n])).max(0.0);
            let target = level + rms * waves.at(x, y) - self.hand.dishing * soft;
            self.cut(n, z[n] - target);
        }
    }

    /// The panel that a node stands for, mm².
    fn area(&self, n: (usize, usize)) -> f64 {
        let part = |k: usize, count: usize| if k == 0 || k + 1 == count { 0.5 } else { 1.0 };
        STEP_MM * STEP_MM * part(n.1, self.grid.nx) * part(n.0, self.grid.ny)
    }

    fn normal(&mut self) -> f64 {
        self.rng.sample(StandardNormal)
    }
}

fn indices(of: &Array2<f64>) -> impl Iterator<Item = (usize, usize)> + use<> {
    let (ny, nx) = of.dim();
    (0..ny).flat_map(move |iy| (0..nx).map(move |ix| (iy, ix)))
}

/// The cubic through the middle two of four values a step apart (Catmull and Rom, 1974; from
/// memory).
fn catmull_rom(p: [f64; 4], t: f64) -> f64 {
    let a = 2.0 * p[1];
    let b = p[2] - p[0];
    let c = 2.0 * p[0] - 5.0 * p[1] + 4.0 * p[2] - p[3];
    let d = 3.0 * p[1] - p[0] - 3.0 * p[2] + p[3];
    (a + t * (b + t * (c + t * d))) / 2.0
}
