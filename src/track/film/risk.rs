//! What the next sanding risks: where the film may be cut through when the highs come down and a
//! board goes over all.

use super::{HALF, Told};
use crate::judge::Grid;
use crate::panel::ASSUMED_ALLOWANCE_MM;
use crate::plan::sanding::boxes;
use ndarray::Array2;
use serde::Serialize;

/// A chance of cutting through above this is told, 0 to 1 (common practice, no source).
const TOLD_FROM: f64 = 0.05;

/// The next sanding: highs cut down as far as they may be, and what blocking takes all over.
#[derive(Clone, Debug, Serialize)]
pub struct NextSanding {
    /// Largest chance of cutting through at a place, 0 to 1.
    pub worst_chance: f64,
    /// That place, mm.
    pub at_mm: [f64; 2],
    /// What comes off there, mm.
    pub cut_mm: f64,
    /// Film there before, mm.
    pub film_mm: f64,
    /// Area with a chance above 5 %, cm².
    pub risk_cm2: f64,
    /// Area to be cut through on average: chance times area, cm².
    pub expected_cm2: f64,
    /// Boxes around the largest patches with such a chance, mm: `[x0, y0, x1, y1]`.
    pub within_mm: Vec<[f64; 4]>,
}

/// Of the map that the last survey gave; `None` where its nodes are not those of the panel now.
pub fn next(
    told: &Told,
    grid: &Grid,
    [film, film_sd]: [&Array2<f64>; 2],
    areas_mm2: &Array2<f64>,
) -> Option<NextSanding> {
    let map = told.surveyed.last()?.field.filter(|f| f.lies_on(grid))?;
    let takes = told.shop.block_takes_mm.value;
    let takes_sd = takes / HALF;
    let mut out = NextSanding {
        worst_chance: 0.0,
        at_mm: [f64::NAN; 2],
        cut_mm: f64::NAN,
        film_mm: f64::NAN,
        risk_cm2: 0.0,
        expected_cm2: 0.0,
        within_mm: Vec::new(),
    };
    let mut above = film.mapv(|_| f64::NAN);
    let mut seen = false;
    for (n, film) in film.indexed_iter().filter(|(_, f)| !f.is_nan()) {
        let (x, y) = (grid.x(n.1), grid.y(n.0));
        let k = map.at(n.1, n.0)?;
        let (proud, sd) = (f64::from(map.deviation[k]), f64::from(map.sd[k]));
        if !proud.is_finite() || told.panel.no_sand.iter().any(|p| p.contains(x, y)) {
            continue;
        }
        let down = proud.min(allowed(told, film - HALF * film_sd[n]));
        let (cut, cut_sd) = if down > takes {
            (down, if sd.is_finite() { sd } else { 0.0 })
        } else {
            (takes, takes_sd)
        };
        let chance = below(film - cut, film_sd[n].hypot(cut_sd));
        let cm2 = areas_mm2[n] / 100.0;
        out.expected_cm2 += chance * cm2;
        above[n] = chance - TOLD_FROM;
        if chance > TOLD_FROM {
            out.risk_cm2 += cm2;
        }
        if !seen || chance > out.worst_chance {
            (out.worst_chance, out.at_mm) = (chance, [x, y]);
            (out.cut_mm, out.film_mm) = (cut, *film);
            seen = true;
        }
    }
    out.within_mm = boxes(&above, *grid);
    seen.then_some(out)
}

/// What a plan from the book lets a high lose where the film has this lower end, mm.
fn allowed(told: &Told, low_mm: f64) -> f64 {
    let film = &told.panel.skin.film;
    let spare = (low_mm - film.keep_mm()).max(0.0);
    // A film of which nobody said what it is allows nothing by itself.
    let by_film = film.of.map_or(ASSUMED_ALLOWANCE_MM, |_| f64::INFINITY);
    spare.min(told.panel.sand_allowance_mm.unwrap_or(by_film))
}

/// Chance that a normal value lies below 0.
fn below(mean: f64, sd: f64) -> f64 {
    libm::erfc(mean / (sd.max(1e-9) * std::f64::consts::SQRT_2)) / 2.0
}

#[cfg(test)]
mod tests {
    use super::below;

    #[test]
    fn chances_are_those_of_the_table() {
        // Tables of the normal distribution: Φ(−1) = 0.158655, Φ(−1.96) = 0.024998, Φ(0.5) =
        // 0.691462 (from memory).
        assert!((below(0.1, 0.1) - 0.158_655).abs() < 1e-6);
        assert!((below(0.196, 0.1) - 0.024_998).abs() < 1e-6);
        assert!((below(-0.05, 0.1) - 0.691_462).abs() < 1e-6);
    }
}
