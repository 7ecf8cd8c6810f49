//! Film left after the plan's sanding, as a small map: plain where enough stays, dotted where less
//! than must stay is left, crossed where it may be cut through.

use crate::judge::Judgement;
use crate::panel::{Panel, Polygon};
use crate::plan::sanding::FilmLeft;
use std::fmt::Write;

/// Cells along the longer side.
const CELLS: f64 = 72.0;

/// What one cell shows, the worst of its nodes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum State {
    Unknown,
    Enough,
    Thin,
    Risk,
}

/// The map as SVG to stand inside HTML; x to the right, y up.
pub fn svg(film: &FilmLeft, j: &Judgement, panel: &Panel) -> String {
    let grid = j.nodes.grid;
    let cell = (panel.length_mm.max(panel.width_mm) / CELLS / grid.step_mm)
        .ceil()
        .max(1.0) as usize;
    let size = cell as f64 * grid.step_mm;
    let (w, h) = (panel.length_mm, panel.width_mm);
    let mut out = format!(
        "<svg viewBox=\"{:.0} {:.0} {:.0} {:.0}\" role=\"img\" aria-label=\"Film left after sanding\" style=\"width:100%;max-height:60vh\">",
        -0.02 * w,
        -0.02 * h,
        1.04 * w,
        1.04 * h
    );
    let skin: Vec<String> = panel
        .outline
        .0
        .iter()
        .map(|c| format!("{:.0},{:.0}", c[0], h - c[1]))
        .collect();
    // Writing to a String cannot fail.
    let _ = write!(
        out,
        "<clipPath id=\"film-skin\"><polygon points=\"{}\"/></clipPath><g clip-path=\"url(#film-skin)\">",
        skin.join(" ")
    );
    for iy in (0..grid.ny).step_by(cell) {
        for ix in (0..grid.nx).step_by(cell) {
            let mut worst = State::Unknown;
            for y in iy..(iy + cell).min(grid.ny) {
                for x in ix..(ix + cell).min(grid.nx) {
                    worst = worst.max(state(film, (y, x)));
                }
            }
            mark(&mut out, worst, [grid.x(ix), h - grid.y(iy) - size], size);
        }
    }
    out.push_str("</g>");
    for r in j
        .regions
        .iter()
        .filter(|r| r.worst_at.iter().all(|v| v.is_finite()))
        .take(12)
    {
        let _ = write!(
            out,
            "<text x=\"{:.0}\" y=\"{:.0}\" font-size=\"{:.0}\" text-anchor=\"middle\" fill=\"#111\" stroke=\"#fff\" stroke-width=\"{:.0}\" paint-order=\"stroke\">{}</text>",
            r.worst_at[0],
            h - r.worst_at[1],
            w / 36.0,
            w / 150.0,
            r.name
        );
    }
    let ring = |out: &mut String, p: &Polygon| {
        let points: Vec<String> =
            p.0.iter()
                .map(|c| format!("{:.0},{:.0}", c[0], h - c[1]))
                .collect();
        // Writing to a String cannot fail.
        let _ = write!(
            out,
            "<polygon points=\"{}\" fill=\"none\" stroke=\"#111\" stroke-width=\"{:.1}\"/>",
            points.join(" "),
            w / 300.0
        );
    };
    ring(&mut out, &panel.outline);
    for cutout in &panel.cutouts {
        ring(&mut out, cutout);
    }
    for area in &panel.no_sand {
        ring(&mut out, area);
    }
    out.push_str("</svg>");
    out
}

fn state(film: &FilmLeft, n: (usize, usize)) -> State {
    let left = film.left_mm[n];
    if left.is_nan() {
        State::Unknown
    } else if film.low_mm[n] < 0.0 {
        State::Risk
    } else if left < film.keep_mm - 1e-6 {
        State::Thin
    } else {
        State::Enough
    }
}

fn mark(out: &mut String, state: State, [x, y]: [f64; 2], size: f64) {
    let (cx, cy, r) = (x + size / 2.0, y + size / 2.0, 0.3 * size);
    let _ = match state {
        State::Unknown => Ok(()),
        State::Enough => write!(
            out,
            "<rect x=\"{x:.0}\" y=\"{y:.0}\" width=\"{size:.0}\" height=\"{size:.0}\" fill=\"#c9dedb\"/>"
        ),
        State::Thin => write!(
            out,
            "<circle cx=\"{cx:.0}\" cy=\"{cy:.0}\" r=\"{r:.0}\" fill=\"#8c510a\"/>"
        ),
        State::Risk => write!(
            out,
            "<path d=\"M{:.0} {:.0}L{:.0} {:.0}M{:.0} {:.0}L{:.0} {:.0}\" stroke=\"#111\" stroke-width=\"{:.1}\"/>",
            cx - r,
            cy - r,
            cx + r,
            cy + r,
            cx - r,
            cy + r,
            cx + r,
            cy - r,
            size / 5.0
        ),
    };
}
