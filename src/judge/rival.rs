//! Whether the readings leave open which part of a panel is low and which is high.
//!
//! The skin follows what most of the panel agrees on, and holds a low likelier than a high. Where
//! about half of the panel stands lower than the other half, a search that holds them alike ends in
//! another skin that leaves no more of the readings unexplained, and no reading decides between the
//! two.

use crate::problem::{Error, Warning};
use crate::reference::Workbench;
use crate::units::Units;

/// Two skins this far apart at a node differ there, mm: what primer can take.
const APART_MM: f64 = 0.15;
/// Share of the panel on which two skins must differ.
const LEAST_SHARE: f64 = 0.15;

/// What is said where another skin of these heights (on the bench's nodes, mm) costs no more, lows
/// and highs held alike.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails.
pub(super) fn warning(
    bench: &Workbench,
    heights: &[f64],
    units: Units,
) -> Result<Option<Warning>, Error> {
    let skin = bench.skin(heights)?;
    let at = bench.at_nodes(&skin.coefficients);
    let area: f64 = bench.areas_mm2.iter().sum();
    for other in bench.other_skins(heights)? {
        if other.cost > skin.cost {
            continue;
        }
        let under: Vec<f64> = at
            .iter()
            .zip(bench.at_nodes(&other.coefficients))
            .map(|(a, b)| a - b)
            .collect();
        let part = |sign: f64| Part::of(bench, &|k| sign * under[k] > APART_MM);
        let (lower, upper) = (part(1.0), part(-1.0));
        if lower.area_mm2 + upper.area_mm2 < LEAST_SHARE * area {
            continue;
        }
        let (larger, word, reverse) = if lower.area_mm2 >= upper.area_mm2 {
            (lower, "low", "high")
        } else {
            (upper, "high", "low")
        };
        return Ok(Some(Warning::new(format!(
            "two fair shapes agree with these readings equally well: either {} is {word}, as on this map, or what \
             lies beside it is {reverse}. A longer straightedge or a batten across both, or `radius` in panel.toml where it \
             is known, decides.",
            larger.text(units)
        ))));
    }
    Ok(None)
}

/// A part of the panel as the box around it.
struct Part {
    area_mm2: f64,
    extent_mm: [f64; 4],
}

impl Part {
    fn of(bench: &Workbench, belongs: &dyn Fn(usize) -> bool) -> Self {
        let nx = bench.xs.len();
        let mut part = Part {
            area_mm2: 0.0,
            extent_mm: [
                f64::INFINITY,
                f64::INFINITY,
                f64::NEG_INFINITY,
                f64::NEG_INFINITY,
            ],
        };
        for (k, area) in bench.areas_mm2.iter().enumerate() {
            if *area > 0.0 && belongs(k) {
                let (x, y) = (bench.xs[k % nx], bench.ys[k / nx]);
                let e = part.extent_mm;
                part.area_mm2 += area;
                part.extent_mm = [e[0].min(x), e[1].min(y), e[2].max(x), e[3].max(y)];
            }
        }
        part
    }

    fn text(&self, units: Units) -> String {
        let [x0, y0, x1, y1] = self.extent_mm.map(|mm| units.place(mm));
        format!("the part at x {x0} to {x1}, y {y0} to {y1}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::Grid;
    use crate::judge::volume::node_weights_mm2;

    /// A flat panel of 1500 × 900 mm of which this share of the length lies 1 mm lower.
    fn stepped(share: f64) -> Option<Warning> {
        let text = "name = \"simulated\"\nlength = 1500\nwidth = 900\nform = \"flat\"\npurpose = \"everyday-light\"\n";
        let (panel, _) = crate::panel::file::parse(text, "panel.toml").unwrap();
        let bench = Workbench::new(&panel, 40.0, &|nx, ny| {
            let grid = Grid {
                step_mm: 40.0,
                nx,
                ny,
            };
            node_weights_mm2(&grid, &panel).into_raw_vec_and_offset().0
        })
        .unwrap();
        let heights: Vec<f64> = (0..bench.areas_mm2.len())
            .map(|k| {
                let x = bench.xs[k % bench.xs.len()];
                -0.5 + 0.5 * ((x - 1500.0 * share) / 60.0).tanh()
            })
            .collect();
        warning(&bench, &heights, Units::Metric).unwrap()
    }

    #[test]
    fn half_a_panel_that_is_lower_may_be_low_or_the_other_half_high() {
        let told = stepped(0.5).expect("half the panel is lower").text;
        assert!(
            told.contains("is low") || told.contains("is high"),
            "{told}"
        );
        assert!(stepped(0.55).is_some() && stepped(0.6).is_some());
        for share in [0.05, 0.15, 0.3] {
            assert!(stepped(share).is_none(), "{share}");
        }
    }
}
