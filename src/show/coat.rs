//! What photos show, as layers of the map: coat and what is not seen where there are no readings; substrate and pinholes always.

use super::field::ringed;
use super::labels::Placer;
use super::map::Sheet;
use super::palette;
use super::scene::{Scene, Shape, dashes};
use crate::judge::contour::iso_lines;
use crate::judge::photo::PhotoFindings;
use crate::problem::Error;

/// Adds them.
pub(super) fn add(
    sheet: &Sheet<'_>,
    found: &PhotoFindings,
    scene: &mut Scene,
    placer: &mut Placer,
) -> Result<(), Error> {
    if !found.with_readings {
        coat(sheet, found, scene);
        not_seen(sheet, found, &mut scene.shapes);
    }
    let (text, hair) = (sheet.look.text, sheet.look.hair());
    for area in found.coat.substrate() {
        let ring = sheet.ring(&crate::panel::Polygon(area.outline_mm.clone()));
        for points in dashes(&ring, 0.5 * text, 0.25 * text) {
            scene.shapes.push(Shape::Line {
                points,
                colour: palette::INK,
                width: 2.0 * hair,
            });
        }
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

/// Light teal, dots and outlines where coat is left.
fn coat(sheet: &Sheet<'_>, found: &PhotoFindings, scene: &mut Scene) {
    let text = sheet.look.text;
    for area in found.coat.lows() {
        let points = area.outline_mm.iter().map(|p| sheet.px(*p)).collect();
        scene.shapes.push(Shape::Area {
            points,
            colour: palette::LOW[0],
        });
    }
    for at in sheet.lattice(0.62, 0.31) {
        let [x, y] = sheet.frame.panel_from_picture(at);
        if sheet.panel.contains(x, y) && found.coat.is_coat(x, y) {
            scene.shapes.push(Shape::Dot {
                at,
                radius: 0.1 * text,
                colour: palette::LOW[4],
            });
        }
    }
    for area in found.coat.lows() {
        scene.shapes.push(Shape::Line {
            points: sheet.ring(&crate::panel::Polygon(area.outline_mm.clone())),
            colour: palette::INK,
            width: 2.2 * sheet.look.hair(),
        });
    }
}

/// A dashed line round what the photos do not show.
fn not_seen(sheet: &Sheet<'_>, found: &PhotoFindings, shapes: &mut Vec<Shape>) {
    let cells = &found.coat.cells;
    let hidden = cells.seen.mapv(|s| 1.0 - s);
    // Cells speak of their middles; two more are put round them.
    let shift = 1.5 * cells.cell_mm;
    for line in iso_lines(&ringed(&hidden, 1.0, 0.0), cells.cell_mm, 0.5) {
        let first = line.points.first().copied().filter(|_| line.closed);
        let points: Vec<[f64; 2]> = line
            .points
            .iter()
            .copied()
            .chain(first)
            .map(|p| p.map(|v| v - shift))
            .collect();
        for part in sheet.on_skin(&points) {
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
