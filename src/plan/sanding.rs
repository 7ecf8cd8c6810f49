//! Sanding: how long a board, how deep, where to stop, and whether it may cut through the film.

use super::shop::Shop;
use super::spread::Floor;
use crate::judge::{Action, Judgement, Region, RegionKind};
use crate::panel::Panel;
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

/// The wave a region makes: high, low, high (or the reverse) across its narrower side, mm. Boards are pushed diagonally both ways, so the
/// narrower side is what they must bridge.
fn wave_mm(r: &Region) -> f64 {
    (r.extent_mm[2] - r.extent_mm[0]).min(r.extent_mm[3] - r.extent_mm[1])
}

/// The board for what is to be filled or sanded.
pub fn board(j: &Judgement, shop: &Shop) -> Board {
    let widest = j
        .regions
        .iter()
        .filter(|r| {
            matches!(r.action, Action::Fill | Action::Measure | Action::Sand)
                && r.worst_mm.value.is_finite()
        })
        .max_by(|a, b| wave_mm(a).total_cmp(&wave_mm(b)));
    let wave = widest.map_or(0.0, wave_mm);
    let wanted = ((TIMES * wave / STEP_MM).ceil() * STEP_MM).max(SHORTEST_MM);
    let longest = shop.longest_board_mm.value;
    let board = (wanted <= longest).then_some(wanted);
    let of = widest.map_or(String::new(), |r| r.name.clone());
    let words = match board {
        Some(mm) => format!(
            "board {mm:.0} mm or longer, bendy on a curve, diagonally both ways, resting on sound skin at both ends"
        ),
        None => format!(
            "no board that one person controls bridges {of} ({wave:.0} mm across, it would take {wanted:.0} mm): batten and master strips, \
             screed the bays, board {longest:.0} mm last"
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

/// What the plan leaves of the film over the structure.
#[derive(Clone, Debug, PartialEq)]
pub struct FilmLeft {
    /// At each node, mm; NaN where the film is not known, on filler, or off the panel.
    pub left_mm: Array2<f64>,
    /// The lower end of its 95 % interval, mm.
    pub low_mm: Array2<f64>,
    /// What must stay, mm.
    pub keep_mm: f64,
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
}

/// Film less what sanding takes: down to the reference where the skin stands proud, or what blocking takes anyway if that is more. `None` where nobody
/// said how thick it is. On filler the filler is sanded, not the film.
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
        least_mm: f64::INFINITY,
        least_low_mm: f64::INFINITY,
        at_mm: [f64::NAN; 2],
        thin_cm2: 0.0,
        risk_cm2: 0.0,
    };
    for (n, deviation) in nodes.deviation.indexed_iter() {
        let (x, y) = (grid.x(n.1), grid.y(n.0));
        let Some(here) = film.at(x, y).filter(|_| !deviation.is_nan()) else {
            continue;
        };
        let no_sand = panel.no_sand.iter().any(|p| p.contains(x, y));
        if no_sand || (thickness_mm[n] > 0.0 && *deviation <= 0.0) {
            continue;
        }
        let off = |proud: f64| proud.max(shop.block_takes_mm.value);
        let left = here - off(*deviation);
        let low = here - off(deviation + 1.96 * nodes.sd[n]);
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
    Some(out)
}

/// Highs that the plan sands.
pub fn sanded(j: &Judgement) -> impl Iterator<Item = &Region> {
    j.regions
        .iter()
        .filter(|r| r.kind == RegionKind::High && r.action == Action::Sand)
}

/// Hours to take a high down as planned: going over its area, and what comes off, about half of the box that holds it.
pub fn high_hours(r: &Region, shop: &Shop) -> f64 {
    // cm² × mm / 10 = cc.
    let litres = r.area_cm2 * r.comes_off_mm / 10.0 / 1000.0 / 2.0;
    r.area_cm2 / 1e4 * shop.board_hours_per_m2.value + litres * shop.skin_hours_per_litre.value
}
