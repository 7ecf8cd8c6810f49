//! What photos show, as layers of the map: coat and what is not seen where there are no readings;
//! substrate and pinholes always.

use super::field::ringed;
use super::labels::Placer;
use super::map::Sheet;
use super::palette;
use super::scene::{Scene, Shape, dashes};
use crate::judge::contour::{IsoLine, iso_lines};
use crate::judge::photo::PhotoFindings;
use crate::judge::{Region, RegionKind};
use crate::photo::CoatCells;
use crate::problem::Error;
use ndarray::Array2;

/// Adds them.
pub(super) fn add(
    sheet: &Sheet<'_>,
    found: &PhotoFindings,
    scene: &mut Scene,
    placer: &mut Placer,
) -> Result<(), Error> {
    if found.with_readings {
        unread(sheet, scene);
    } else {
        coat(sheet, found, scene);
        not_seen(sheet, found, &mut scene.shapes);
    }
    let (text, hair) = (sheet.look.text, sheet.look.hair());
    let cells = &found.coat.cells;
    for line in outlines(cells, &cells.substrate) {
        for part in sheet.on_skin(&round_again(&line)) {
            for points in dashes(&part, 0.5 * text, 0.25 * text) {
                scene.shapes.push(Shape::Line {
                    points,
                    colour: palette::INK,
                    width: 2.0 * hair,
                });
            }
        }
    }
    for area in found.coat.substrate() {
        let room = [8.0 * text, 2.0 * text];
        sheet.words_at(sheet.px(area.place_mm), room, "substrate", scene, placer)?;
    }
    for cluster in &found.coat.pinholes {
        let e = cluster.extent_mm;
        let (from, to) = (sheet.px([e[0], e[1]]), sheet.px([e[2], e[3]]));
        let m = 0.3 * text;
        let (left, right) = (from[0] - m, to[0] + m);
        let (top, bottom) = (to[1] - m, from[1] + m);
        scene.shapes.push(Shape::Line {
            points: vec![
                [left, top],
                [right, top],
                [right, bottom],
                [left, bottom],
                [left, top],
            ],
            colour: palette::GREY,
            width: 1.4 * hair,
        });
        let below = [(left + right) / 2.0, bottom + 0.7 * text];
        sheet.words_at(below, [8.0 * text, 2.0 * text], "pinholes", scene, placer)?;
    }
    Ok(())
}

/// A share of the cells smoothed over some 30 mm, by what is seen of each: what a hand would draw
/// round specks and frayed edges. 0 where nothing is seen.
pub(super) fn smooth(cells: &CoatCells, share: &Array2<f64>) -> Array2<f64> {
    let weighed = Array2::from_shape_fn(share.dim(), |at| {
        // What is not seen counts as bare: coat is drawn where it was seen.
        let s = share[at];
        if s.is_nan() {
            [0.0, 1.0]
        } else {
            [s * cells.seen[at], 1.0]
        }
    });
    let (ny, nx) = share.dim();
    let round = |values: &Array2<[f64; 2]>| {
        Array2::from_shape_fn((ny, nx), |(iy, ix)| {
            let mut sum = [0.0, 0.0];
            for y in iy.saturating_sub(1)..(iy + 2).min(ny) {
                for x in ix.saturating_sub(1)..(ix + 2).min(nx) {
                    sum[0] += values[[y, x]][0];
                    sum[1] += values[[y, x]][1];
                }
            }
            sum
        })
    };
    round(&round(&weighed)).mapv(|[s, seen]| if seen > 0.0 { s / seen } else { 0.0 })
}

/// Outlines of the places where a share of the cells, [`smooth`]ed, is more than half, in panel mm.
pub(super) fn outlines(cells: &CoatCells, share: &Array2<f64>) -> Vec<IsoLine> {
    // Cells speak of their middles; a ring of two is put round them.
    let shift = 1.5 * cells.cell_mm;
    iso_lines(&ringed(&smooth(cells, share), 1.0, 0.0), cells.cell_mm, 0.5)
        .into_iter()
        .map(|line| IsoLine {
            points: line.points.iter().map(|p| p.map(|v| v - shift)).collect(),
            ..line
        })
        .collect()
}

/// The points of a line, a closed one back to its beginning.
pub(super) fn round_again(line: &IsoLine) -> Vec<[f64; 2]> {
    let first = line.points.first().copied().filter(|_| line.closed);
    line.points.iter().copied().chain(first).collect()
}

/// Light teal, dots and outlines where coat is left.
fn coat(sheet: &Sheet<'_>, found: &PhotoFindings, scene: &mut Scene) {
    let text = sheet.look.text;
    let cells = &found.coat.cells;
    let lines = outlines(cells, &cells.coat);
    // On the page the photo itself lies underneath.
    if sheet.look.furniture {
        fills(sheet, &lines, scene);
    }
    let shares = smooth(cells, &cells.coat);
    for at in sheet.lattice(0.62, 0.31) {
        let [x, y] = sheet.frame.panel_from_picture(at);
        if sheet.panel.contains(x, y) && cells.at(&shares, x, y).is_some_and(|s| s >= 0.5) {
            scene.shapes.push(Shape::Dot {
                at,
                radius: 0.1 * text,
                colour: palette::LOW[4],
            });
        }
    }
    for line in &lines {
        for points in sheet.on_skin(&round_again(line)) {
            scene.shapes.push(Shape::Line {
                points,
                colour: palette::INK,
                width: 2.2 * sheet.look.hair(),
            });
        }
    }
}

/// Boxes round lows of which only the coat tells, where no reading reaches.
fn unread(sheet: &Sheet<'_>, scene: &mut Scene) {
    let text = sheet.look.text;
    let by_coat = |r: &&Region| r.kind == RegionKind::Low && r.worst_mm.value.is_nan();
    for region in sheet.j.regions.iter().filter(by_coat) {
        let [x0, y0, x1, y1] = region.extent_mm;
        let corners = [[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]].map(|p| sheet.px(p));
        for points in dashes(&corners, 0.2 * text, 0.2 * text) {
            scene.shapes.push(Shape::Line {
                points,
                colour: palette::LOW[4],
                width: 2.0 * sheet.look.hair(),
            });
        }
    }
}

/// Light teal within the outlines; what lies bare within coat stays white. Higher ground lies on
/// one side of every line, so holes run the other way round than what they are in.
fn fills(sheet: &Sheet<'_>, lines: &[IsoLine], scene: &mut Scene) {
    let turn = |line: &IsoLine| -> f64 {
        let next = line.points.iter().cycle().skip(1);
        let pairs = line.points.iter().zip(next);
        pairs.map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum()
    };
    let mut closed: Vec<(f64, &IsoLine)> = lines
        .iter()
        .filter(|l| l.closed)
        .map(|l| (turn(l), l))
        .collect();
    closed.sort_by(|a, b| b.0.abs().total_cmp(&a.0.abs()));
    let outward = closed.first().map_or(1.0, |c| c.0.signum());
    let [x0, y0, x1, y1] = sheet.panel.outline.bounds();
    for (area, line) in closed {
        let on_panel = |p: &[f64; 2]| sheet.px([p[0].clamp(x0, x1), p[1].clamp(y0, y1)]);
        scene.shapes.push(Shape::Area {
            points: line.points.iter().map(on_panel).collect(),
            colour: if area.signum() == outward {
                palette::LOW[0]
            } else {
                palette::WHITE
            },
        });
    }
}

/// A dashed line round what the photos do not show.
fn not_seen(sheet: &Sheet<'_>, found: &PhotoFindings, shapes: &mut Vec<Shape>) {
    let cells = &found.coat.cells;
    let everywhere = CoatCells {
        seen: Array2::from_elem(cells.seen.dim(), 1.0),
        ..cells.clone()
    };
    for line in outlines(&everywhere, &cells.seen.mapv(|s| 1.0 - s)) {
        for part in sheet.on_skin(&round_again(&line)) {
            for dash in dashes(&part, 0.45 * sheet.look.text, 0.3 * sheet.look.text) {
                shapes.push(Shape::Line {
                    points: dash,
                    colour: palette::GREY,
                    width: 1.6 * sheet.look.hair(),
                });
            }
        }
    }
}
