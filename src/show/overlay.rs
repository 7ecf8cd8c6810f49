//! overlay.jpg: the map drawn back onto the photo, so that each low is found on the real panel.
//!
//! Every line is laid out on the panel and follows the photo's perspective: dots over lows, strokes
//! over highs, iso-lines from the node limit on, names beside the worst spots. Of a panel without
//! readings the outlines of the coat are drawn.

use super::coat;
use super::field::Field;
use super::labels::Placer;
use super::map::signed;
use super::paint;
use super::palette::{self, Classes, Rgb};
use super::scene::{Anchor, Label, Shape};
use crate::judge::contour::iso_lines;
use crate::judge::photo::PhotoFindings;
use crate::judge::{Judgement, RegionKind};
use crate::panel::Panel;
use crate::photo::take::Taken;
use crate::problem::Error;
use crate::units::Units;
use image::RgbImage;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{self, FilterType};

/// Longest side of the picture, px: more is not needed on a screen or on paper.
const LONGEST_PX: u32 = 2400;
/// Distance between dots and strokes on the panel, mm, at least; wider on large panels.
const LATTICE_MM: f64 = 25.0;
/// Farthest apart that points of a line lie before they are projected, mm.
const FINE_MM: f64 = 20.0;
/// Half the size of a cross where nothing is seen, mm.
const CROSS_MM: f64 = 4.0;
const QUALITY: u8 = 88;

/// A sample in the key.
enum Key {
    Dot,
    Stroke,
    Line(Rgb, f64),
    Cross,
}

/// The map on a photo, as a JPEG.
///
/// # Errors
/// [`Error::Calculation`] when a text cannot be drawn or the picture cannot be written.
pub fn jpeg(j: &Judgement, panel: &Panel, units: Units, photo: &Taken) -> Result<Vec<u8>, Error> {
    let upright = photo.picture.upright();
    let longest = upright.width().max(upright.height());
    let scale = (LONGEST_PX as f64 / longest as f64).min(1.0);
    let mut picture = if scale < 1.0 {
        let size = |v: u32| ((v as f64 * scale).round() as u32).max(1);
        let (w, h) = (size(upright.width()), size(upright.height()));
        imageops::resize(&upright, w, h, FilterType::Triangle)
    } else {
        upright
    };
    let sheet = Overlay {
        j,
        panel,
        units,
        photo,
        // Shapes and texts are measured in halves of the photo's pixels, as those of a map painted
        // at twice its size.
        scale: scale / 2.0,
        size: [picture.width() as f64 / 2.0, picture.height() as f64 / 2.0],
        field: Field::new(j),
        classes: Classes::from_node_limit(j.node_limit_mm),
    };
    let (shapes, labels) = sheet.drawn()?;
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    paint::onto(&mut picture, w, h, &shapes, &labels)?;
    encoded(&picture)
}

fn encoded(picture: &RgbImage) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY)
        .encode_image(picture)
        .map_err(|e| Error::Calculation(format!("overlay.jpg could not be made: {e}")))?;
    Ok(bytes)
}

struct Overlay<'a> {
    j: &'a Judgement,
    panel: &'a Panel,
    units: Units,
    photo: &'a Taken,
    scale: f64,
    size: [f64; 2],
    field: Field,
    classes: Classes,
}

impl Overlay<'_> {
    fn drawn(&self) -> Result<(Vec<Shape>, Vec<Label>), Error> {
        let (mut shapes, mut labels) = (Vec::new(), Vec::new());
        self.marks(&mut shapes);
        self.levels(&mut shapes);
        if let Some(found) = &self.j.photos {
            self.of_the_photo(found, &mut shapes);
        }
        let ring = closed(&self.panel.outline.0);
        self.line(&ring, palette::INK, 1.6, &mut shapes);
        for opening in &self.panel.cutouts {
            self.line(&closed(&opening.0), palette::INK, 1.6, &mut shapes);
        }
        self.names(&mut shapes, &mut labels)?;
        self.key(&mut shapes, &mut labels);
        Ok((shapes, labels))
    }

    /// Height of a line of text.
    fn text(&self) -> f64 {
        self.size[0].max(self.size[1]) / 44.0
    }

    fn px(&self, p: [f64; 2]) -> Option<[f64; 2]> {
        let at = self.photo.placed.placement.point_in_photo(p[0], p[1])?;
        let at = at.map(|v| v * self.scale);
        let near = |v: f64, size: f64| v > -size && v < 2.0 * size;
        (near(at[0], self.size[0]) && near(at[1], self.size[1])).then_some(at)
    }

    /// A line through places on the panel, in parts where it leaves the photo; light beneath, so
    /// that it shows on any ground.
    fn line(&self, points: &[[f64; 2]], colour: Rgb, width: f64, shapes: &mut Vec<Shape>) {
        let width = width * self.text() / 16.0;
        let mut parts = vec![Vec::new()];
        for p in fine(points) {
            match (self.px(p), parts.last_mut()) {
                (Some(at), Some(part)) => part.push(at),
                (None, Some(part)) if !part.is_empty() => parts.push(Vec::new()),
                _ => {}
            }
        }
        parts.retain(|part| part.len() > 1);
        for (colour, width) in [(palette::WHITE, 2.2 * width), (colour, width)] {
            shapes.extend(parts.iter().map(|points| Shape::Line {
                points: points.clone(),
                colour,
                width,
            }));
        }
    }

    /// Places on the panel in rows, some hundred along its longer side at most.
    fn lattice(&self) -> Vec<[f64; 2]> {
        let longer = self.panel.length_mm.max(self.panel.width_mm);
        let step = LATTICE_MM.max(longer / 120.0);
        let count = |length: f64| (length / step) as usize + 1;
        let (nx, ny) = (count(self.panel.length_mm), count(self.panel.width_mm));
        (0..ny)
            .flat_map(|iy| (0..nx).map(move |ix| (ix, iy)))
            .map(|(ix, iy)| {
                let shift = if iy % 2 == 0 { 0.5 } else { 1.0 };
                [(ix as f64 + shift) * step, (iy as f64 + 0.5) * step]
            })
            .filter(|[x, y]| self.panel.contains(*x, *y))
            .collect()
    }

    /// Dots over lows, short strokes over highs, larger from class to class.
    fn marks(&self, shapes: &mut Vec<Shape>) {
        for p in self.lattice() {
            let Some(d) = self.field.at(p[0], p[1]) else {
                continue;
            };
            let class = self.classes.of(d);
            if class < 2 {
                continue;
            }
            if d < 0.0 {
                self.dot(p, 2.5 + class as f64, shapes);
            } else {
                let reach = 4.0 + 1.5 * class as f64;
                let ends = [[p[0] - reach, p[1] - reach], [p[0] + reach, p[1] + reach]];
                self.line(&ends, palette::HIGH[3], 1.4, shapes);
            }
        }
    }

    /// A dot of this radius on the panel, mm.
    fn dot(&self, p: [f64; 2], radius_mm: f64, shapes: &mut Vec<Shape>) {
        let (Some(at), Some(beside)) = (self.px(p), self.px([p[0], p[1] + radius_mm])) else {
            return;
        };
        let radius = (beside[0] - at[0]).hypot(beside[1] - at[1]).max(0.6);
        for (colour, radius) in [
            (palette::WHITE, radius + 0.08 * self.text()),
            (palette::LOW[3], radius),
        ] {
            shapes.push(Shape::Dot { at, radius, colour });
        }
    }

    /// Iso-lines from the node limit on.
    fn levels(&self, shapes: &mut Vec<Shape>) {
        let finite = self.field.known.iter().filter(|v| v.is_finite());
        let deepest = finite.fold(0.0_f64, |m, v| m.max(v.abs()));
        let limit = self.classes.edges[1];
        for level in self.classes.levels(deepest) {
            if level.abs() < limit {
                continue;
            }
            let colour = if level < 0.0 {
                palette::LOW[4]
            } else {
                palette::HIGH[4]
            };
            let width = if level.abs() == limit { 2.4 } else { 1.3 };
            for line in iso_lines(&self.field.known, self.field.step_mm, level) {
                let points = if line.closed {
                    closed(&line.points)
                } else {
                    line.points
                };
                for part in self.on_skin(&points) {
                    self.line(&part, colour, width, shapes);
                }
            }
        }
    }

    fn on_skin(&self, points: &[[f64; 2]]) -> Vec<Vec<[f64; 2]>> {
        let mut parts: Vec<Vec<[f64; 2]>> = points
            .split(|p| !self.panel.contains(p[0], p[1]))
            .map(<[_]>::to_vec)
            .collect();
        parts.retain(|part| part.len() > 1);
        parts
    }

    /// What only the photo tells: substrate; without readings, the outlines of the coat.
    fn of_the_photo(&self, found: &PhotoFindings, shapes: &mut Vec<Shape>) {
        let cells = &found.coat.cells;
        for line in coat::outlines(cells, &cells.substrate) {
            for part in self.on_skin(&coat::round_again(&line)) {
                self.line(&part, palette::INK, 1.8, shapes);
            }
        }
        self.not_seen(shapes);
        if found.with_readings {
            // The map's own lows are drawn; the coat as read in this photo is a thin line beside
            // them.
            let own = &self.photo.reading.cells;
            for line in coat::outlines(own, &own.coat) {
                for part in self.on_skin(&coat::round_again(&line)) {
                    self.line(&part, palette::GREY, 1.0, shapes);
                }
            }
            return;
        }
        let shares = coat::smooth(cells, &cells.coat);
        for p in self.lattice() {
            if cells.at(&shares, p[0], p[1]).is_some_and(|s| s >= 0.5) {
                self.dot(p, 4.0, shapes);
            }
        }
        for line in coat::outlines(cells, &cells.coat) {
            for part in self.on_skin(&coat::round_again(&line)) {
                self.line(&part, palette::LOW[4], 2.4, shapes);
            }
        }
    }

    /// Small crosses where this photo does not show the panel: glare, a hand, tape, what was told
    /// to be ignored.
    fn not_seen(&self, shapes: &mut Vec<Shape>) {
        let cells = &self.photo.reading.cells;
        for p in self.lattice() {
            let shown = self.px(p).is_some_and(|at| inside(at, self.size));
            if shown && !cells.is_seen(p[0], p[1]) {
                for way in [1.0, -1.0] {
                    let ends = [
                        [p[0] - CROSS_MM, p[1] - way * CROSS_MM],
                        [p[0] + CROSS_MM, p[1] + way * CROSS_MM],
                    ];
                    self.line(&ends, palette::GREY, 1.0, shapes);
                }
            }
        }
    }

    /// What the lines and marks mean, in the top left corner.
    fn key(&self, shapes: &mut Vec<Shape>, labels: &mut Vec<Label>) {
        let text = self.text();
        let mut rows: Vec<(&str, Key)> = Vec::new();
        let photos = self.j.photos.as_ref();
        let with_readings = photos.is_none_or(|p| p.with_readings);
        if with_readings {
            rows.push(("low: fill", Key::Dot));
            rows.push(("high: sand", Key::Stroke));
            rows.push(("coat as read", Key::Line(palette::GREY, 1.0)));
        } else {
            rows.push(("coat as read", Key::Line(palette::LOW[4], 2.4)));
        }
        if photos.is_some_and(|p| p.coat.substrate().next().is_some()) {
            rows.push(("substrate", Key::Line(palette::INK, 1.8)));
        }
        rows.push(("not seen", Key::Cross));
        let (left, top, row) = (0.5 * text, 0.5 * text, 1.4 * text);
        let (right, bottom) = (
            left + 10.5 * text,
            top + row * rows.len() as f64 + 0.4 * text,
        );
        shapes.push(Shape::Area {
            points: vec![[left, top], [right, top], [right, bottom], [left, bottom]],
            colour: palette::WHITE,
        });
        let hair = text / 16.0;
        for (k, (words, mark)) in rows.into_iter().enumerate() {
            let y = top + row * (k as f64 + 0.5) + 0.2 * text;
            let at = [left + 1.3 * text, y];
            let r = 0.35 * text;
            match mark {
                Key::Dot => shapes.push(Shape::Dot {
                    at,
                    radius: 0.6 * r,
                    colour: palette::LOW[3],
                }),
                Key::Stroke => shapes.push(Shape::stroke(
                    [at[0] - r, at[1] + r],
                    [at[0] + r, at[1] - r],
                    palette::HIGH[3],
                    1.4 * hair,
                )),
                Key::Line(colour, width) => shapes.push(Shape::stroke(
                    [at[0] - 2.0 * r, y],
                    [at[0] + 2.0 * r, y],
                    colour,
                    width * hair,
                )),
                Key::Cross => {
                    for way in [1.0, -1.0] {
                        let (from, to) = ([at[0] - r, y - way * r], [at[0] + r, y + way * r]);
                        shapes.push(Shape::stroke(from, to, palette::GREY, hair));
                    }
                }
            }
            labels.push(Label {
                at: [left + 2.6 * text, y],
                text: words.into(),
                size: text,
                angle: 0.0,
                anchor: Anchor::Left,
                colour: palette::INK,
                halo: 0.0,
            });
        }
    }

    fn names(&self, shapes: &mut Vec<Shape>, labels: &mut Vec<Label>) -> Result<(), Error> {
        let text = self.text();
        let mut placer = Placer::new([
            0.2 * text,
            0.2 * text,
            self.size[0] - 0.2 * text,
            self.size[1] - 0.2 * text,
        ]);
        for region in &self.j.regions {
            let Some(at) = self.px(region.worst_at).filter(|a| inside(*a, self.size)) else {
                continue;
            };
            let (colour, words) = match (region.kind, region.worst_mm.value.is_nan()) {
                (RegionKind::Low, true) => (palette::LOW[4], region.name.clone()),
                (RegionKind::Low, false) => (
                    palette::LOW[4],
                    format!(
                        "{} {}",
                        region.name,
                        signed(self.units, region.worst_mm.value)
                    ),
                ),
                (RegionKind::High, _) => (
                    palette::HIGH[4],
                    format!(
                        "{} {}",
                        region.name,
                        signed(self.units, region.worst_mm.value)
                    ),
                ),
            };
            if let Some((label, back)) = placer.beside(at, &words, 1.25 * text, colour)? {
                if let Some([from, to]) = back {
                    shapes.push(Shape::stroke(from, to, palette::INK, text / 16.0));
                }
                labels.push(Label {
                    halo: text / 7.0,
                    ..label
                });
            }
        }
        if let Some(found) = &self.j.photos {
            for area in found.coat.substrate() {
                if let Some(at) = self.px(area.place_mm).filter(|a| inside(*a, self.size)) {
                    labels.push(Label {
                        at,
                        text: "substrate".into(),
                        size: text,
                        angle: 0.0,
                        anchor: Anchor::Middle,
                        colour: palette::INK,
                        halo: text / 7.0,
                    });
                }
            }
        }
        Ok(())
    }
}

fn inside(at: [f64; 2], size: [f64; 2]) -> bool {
    at[0] >= 0.0 && at[1] >= 0.0 && at[0] <= size[0] && at[1] <= size[1]
}

fn closed(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    points.iter().chain(points.first()).copied().collect()
}

/// The same line with points no farther apart than [`FINE_MM`]: straight on the panel is bent in a
/// photo of a crowned one.
fn fine(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut all: Vec<[f64; 2]> = points.first().copied().into_iter().collect();
    for pair in points.windows(2) {
        let (dx, dy) = (pair[1][0] - pair[0][0], pair[1][1] - pair[0][1]);
        let parts = (dx.hypot(dy) / FINE_MM).ceil().clamp(1.0, 1e4) as usize;
        all.extend((1..=parts).map(|n| {
            let t = n as f64 / parts as f64;
            [pair[0][0] + t * dx, pair[0][1] + t * dy]
        }));
    }
    all
}
