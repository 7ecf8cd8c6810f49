//! Sanding: how long a board, how deep, where to stop, and whether it may cut through the film.

use super::shop::Shop;
use super::spread::Floor;
use crate::judge::{Action, Grid, Judgement, Region, RegionKind};
use crate::panel::Panel;
use crate::units::Units;
use ndarray::Array2;
use serde::Serialize;

/// A board is at least this many times the wave it must bridge (common practice, no source).
const TIMES: f64 = 1.5;
/// Shortest board worth having, mm (common practice, no source).
const SHORTEST_MM: f64 = 300.0;
/// Boards come in steps of this, mm.
const STEP_MM: f64 = 50.0;

/// What to sand with.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Board {
    /// Longest wave to bridge, mm, and the low or high it belongs to.
    pub wave_mm: f64,
    /// Name of that region; empty where there is none.
    pub of: String,
    /// Shortest board that bridges it, mm; `None` where none that one person controls does.
    pub board_mm: Option<f64>,
    /// Wanted length, mm, whether there is such a board or not.
    pub wanted_mm: f64,
    /// In words.
    pub words: String,
}

/// The wave a region makes: high, low, high (or the reverse) across its narrower side, mm. Boards
/// are pushed diagonally both ways, so the narrower side is what they must bridge.
fn wave_mm(r: &Region) -> f64 {
    (r.extent_mm[2] - r.extent_mm[0]).min(r.extent_mm[3] - r.extent_mm[1])
}

/// The board for what is to be filled or sanded.
pub fn board(j: &Judgement, shop: &Shop, units: Units) -> Board {
    let widest = j
        .regions
        .iter()
        .filter(|r| {
            matches!(
                r.action,
                Action::Fill
                    | Action::MayFill
                    | Action::Measure
                    | Action::Sand
                    | Action::MoveTheSkin
            ) && r.worst_mm.value.is_finite()
        })
        .max_by(|a, b| wave_mm(a).total_cmp(&wave_mm(b)));
    let wave = widest.map_or(0.0, wave_mm);
    let wanted = ((TIMES * wave / STEP_MM).ceil() * STEP_MM).max(SHORTEST_MM);
    let longest = shop.longest_board_mm.value;
    let board = (wanted <= longest).then_some(wanted);
    let of = widest.map_or(String::new(), |r| r.name.clone());
    let words = match board {
        Some(mm) => format!(
            "board {} or longer, bendy on a curve, diagonally both ways, resting on sound skin at both ends",
            units.place(mm)
        ),
        None => format!(
            "no board that one person controls bridges {of} ({} across, it would take {}): batten and master strips, screed the bays, the \
             {} board last",
            units.place(wave),
            units.place(wanted),
            units.place(longest)
        ),
    };
    Board {
        wave_mm: wave,
        of,
        board_mm: board,
        wanted_mm: wanted,
        words,
    }
}

/// A grade of abrasive and how deep its scratches go.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Grit {
    /// "P80".
    pub name: &'static str,
    /// Depth of its scratches, mm.
    pub scratch_mm: f64,
}

/// Grades, coarse to fine. Scratches are a quarter as deep as the grain is wide: of P40 that gives
/// the 0.1 mm of common practice (no source; grain from a published grading standard, from memory:
/// 425, 201, 125, 82 and 46 µm).
pub const GRITS: [Grit; 5] = [
    Grit {
        name: "P40",
        scratch_mm: 0.106,
    },
    Grit {
        name: "P80",
        scratch_mm: 0.050,
    },
    Grit {
        name: "P120",
        scratch_mm: 0.031,
    },
    Grit {
        name: "P180",
        scratch_mm: 0.021,
    },
    Grit {
        name: "P320",
        scratch_mm: 0.012,
    },
];
/// Scratches may take this share of what may come off, where all of it is to come off (common
/// practice, no source).
const SCRATCH_SHARE: f64 = 0.25;

impl Grit {
    /// The next finer one; the finest has none.
    pub fn finer(&self) -> Option<&'static Grit> {
        GRITS.iter().find(|g| g.scratch_mm < self.scratch_mm)
    }

    /// The coarsest whose scratches are no deeper; the finest where none is.
    pub fn no_deeper(mm: f64) -> &'static Grit {
        let [.., finest] = &GRITS;
        let found = GRITS.iter().find(|g| g.scratch_mm <= mm + 1e-9);
        found.unwrap_or(finest)
    }
}

/// How a high is taken down: the grit to begin with, and how deep, so that its scratches stay
/// within what may come off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Down {
    /// Coarsest grit.
    pub grit: &'static Grit,
    /// Taken off before the scratches, mm.
    pub off_mm: f64,
    /// What may come off in all, scratches included, mm: the least anywhere on the high that is not
    /// taped off.
    pub may_mm: f64,
}

/// How the high of this index is taken down.
pub fn down(j: &Judgement, panel: &Panel, region: usize) -> Down {
    let grid = j.nodes.grid;
    let (comes_off, allowed) = j
        .regions
        .get(region)
        .map_or((0.0, 0.0), |r| (r.comes_off_mm, r.allowed_mm));
    let own = j
        .nodes
        .region
        .indexed_iter()
        .filter(|(_, k)| **k as usize == region + 1);
    let may_mm = own
        .map(|(n, _)| panel.allowance_at(grid.x(n.1), grid.y(n.0)))
        .filter(|may| *may > 0.0)
        .fold(allowed, f64::min);
    let off = comes_off.min(may_mm);
    let room = (may_mm - off).max(SCRATCH_SHARE * may_mm);
    let grit = Grit::no_deeper(room);
    Down {
        grit,
        off_mm: off.min((may_mm - grit.scratch_mm).max(0.0)),
        may_mm,
    }
}

/// The coarsest grit for boarding past the filler onto skin: its scratches within what the film
/// there can spare beside what blocking takes. Where the film is not known nothing coarser than P80
/// touches the skin.
pub fn on_skin(panel: &Panel, film: Option<&FilmLeft>) -> &'static Grit {
    const UNKNOWN_MM: f64 = 0.05;
    let spare = film
        .map(|f| f.skin_low_mm - panel.skin.film.keep_mm())
        .filter(|s| s.is_finite());
    Grit::no_deeper(spare.map_or(UNKNOWN_MM, |s| SCRATCH_SHARE * s))
}

/// What the plan leaves of the film over the structure.
#[derive(Clone, Debug, PartialEq)]
pub struct FilmLeft {
    /// At each node, mm; NaN where the film is not known, on filler, or off the panel.
    pub left_mm: Array2<f64>,
    /// The lower end of its 95 % interval, mm.
    pub low_mm: Array2<f64>,
    /// What must stay, mm.
    pub keep_mm: f64,
    /// Least film of the skin that is boarded, as it is now, lower end, mm; infinite where none is
    /// known.
    pub skin_low_mm: f64,
    /// Least left, mm, its 95 % interval's lower end there, and where.
    pub least_mm: f64,
    /// Lower end at that place, mm.
    pub least_low_mm: f64,
    /// Place, mm.
    pub at_mm: [f64; 2],
    /// Area with less than must stay, cm².
    pub thin_cm2: f64,
    /// Area where it may be cut through within the interval, cm².
    pub risk_cm2: f64,
    /// Boxes around the largest patches with less than must stay, mm: `[x0, y0, x1, y1]`.
    pub thin_at: Vec<[f64; 4]>,
}

/// Film less what sanding takes: down to the reference where the skin stands proud and the
/// scratches of the grit below that, or what blocking takes anyway if that is more. `None` where
/// nobody said how thick it is. On filler the filler is sanded, not the film.
pub fn film_left(
    floor: &Floor,
    panel: &Panel,
    shop: &Shop,
    thickness_mm: &Array2<f64>,
) -> Option<FilmLeft> {
    let film = &panel.skin.film;
    if !film.is_known() {
        return None;
    }
    let nodes = &floor.j.nodes;
    let grid = floor.grid();
    let keep_mm = film.keep_mm();
    let mut out = FilmLeft {
        left_mm: Array2::from_elem(nodes.deviation.dim(), f64::NAN),
        low_mm: Array2::from_elem(nodes.deviation.dim(), f64::NAN),
        keep_mm,
        skin_low_mm: f64::INFINITY,
        least_mm: f64::INFINITY,
        least_low_mm: f64::INFINITY,
        at_mm: [f64::NAN; 2],
        thin_cm2: 0.0,
        risk_cm2: 0.0,
        thin_at: Vec::new(),
    };
    let downs: Vec<Option<Down>> = (0..floor.j.regions.len())
        .map(|k| is_sanded(&floor.j.regions[k]).then(|| down(floor.j, panel, k)))
        .collect();
    for (n, deviation) in nodes.deviation.indexed_iter() {
        let (x, y) = (grid.x(n.1), grid.y(n.0));
        let Some(here) = film.at(x, y).filter(|_| !deviation.is_nan()) else {
            continue;
        };
        let no_sand = panel.no_sand.iter().any(|p| p.contains(x, y));
        if no_sand || (thickness_mm[n] > 0.0 && *deviation <= 0.0) {
            continue;
        }
        // Where the skin stands proud it is taken down no deeper than allowed; blocking takes its
        // own all the same.
        let allowed = panel.allowance_at(x, y);
        let own = (nodes.region[n] as usize).checked_sub(1);
        let scratch = own
            .and_then(|k| downs.get(k).copied().flatten())
            .map_or(0.0, |d| d.grit.scratch_mm);
        let off = |proud: f64| {
            let taken = if scratch > 0.0 {
                proud.clamp(0.0, (allowed - scratch).max(0.0)) + scratch
            } else {
                proud.min(allowed)
            };
            taken.max(shop.block_takes_mm.value)
        };
        let low_now = film.low_at(x, y).unwrap_or(here);
        let left = here - off(*deviation);
        let low = low_now - off(deviation + 1.96 * nodes.sd[n]);
        out.skin_low_mm = out.skin_low_mm.min(low_now - shop.block_takes_mm.value);
        out.left_mm[n] = left;
        out.low_mm[n] = low;
        let cm2 = floor.areas_mm2[n] / 100.0;
        // What sums to the allowance exactly is enough.
        if left < keep_mm - 1e-6 {
            out.thin_cm2 += cm2;
        }
        if low < 0.0 {
            out.risk_cm2 += cm2;
        }
        if left < out.least_mm {
            (out.least_mm, out.least_low_mm, out.at_mm) = (left, low, [x, y]);
        }
    }
    if !out.least_mm.is_finite() {
        // Known nowhere: the ledger lost it.
        return None;
    }
    out.thin_at = patches(&out.left_mm, keep_mm, floor);
    Some(out)
}

/// Patches told of one by one.
const PATCHES: usize = 4;
/// Fewer nodes than this are no patch.
const FEW_NODES: usize = 6;

/// Boxes around connected nodes with less than must stay, the largest first.
fn patches(left_mm: &Array2<f64>, keep_mm: f64, floor: &Floor) -> Vec<[f64; 4]> {
    boxes(&left_mm.mapv(|l| keep_mm - 1e-6 - l), floor.grid())
}

/// Boxes around connected nodes above 0, the largest first, mm: `[x0, y0, x1, y1]`. NaN is none;
/// specks are left out.
pub fn boxes(values: &Array2<f64>, grid: Grid) -> Vec<[f64; 4]> {
    // A patch is what is above 0 at all; the labelling wants a rim of its own.
    let (labels, count) = crate::judge::regions::label(
        &values.mapv(|v| if v > 0.0 { 1.0 } else { v.min(0.0) }),
        &|_, _| 0.0,
        0.5,
    );
    let nothing = [
        f64::INFINITY,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::NEG_INFINITY,
    ];
    let mut boxes = vec![(nothing, 0usize); count];
    for (n, label) in labels.indexed_iter() {
        let Some((b, size)) = (*label as usize)
            .checked_sub(1)
            .and_then(|k| boxes.get_mut(k))
        else {
            continue;
        };
        let (x, y) = (grid.x(n.1), grid.y(n.0));
        *b = [b[0].min(x), b[1].min(y), b[2].max(x), b[3].max(y)];
        *size += 1;
    }
    boxes.sort_by_key(|b| std::cmp::Reverse(b.1));
    // A few nodes beside a patch are its rim, not another.
    boxes
        .into_iter()
        .filter(|b| b.1 >= FEW_NODES)
        .take(PATCHES)
        .map(|b| b.0)
        .collect()
}

/// Highs that the plan sands.
pub fn sanded(j: &Judgement) -> impl Iterator<Item = &Region> {
    j.regions.iter().filter(|r| is_sanded(r))
}

fn is_sanded(r: &Region) -> bool {
    r.kind == RegionKind::High && r.action == Action::Sand
}

/// Hours to take a high down as planned.
pub fn high_hours(r: &Region, shop: &Shop) -> f64 {
    r.area_cm2 / 1e4 * shop.board_hours_per_m2.value + hours_off(r.area_cm2, r.comes_off_mm, shop)
}

/// Hours for what comes off the skin itself: a crest of this depth over an area, about half of the
/// box that holds it.
pub fn hours_off(area_cm2: f64, depth_mm: f64, shop: &Shop) -> f64 {
    // cm² × mm / 10 = cc.
    area_cm2 * depth_mm / 10.0 / 1000.0 / 2.0 * shop.skin_hours_per_litre.value
}
