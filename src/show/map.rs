//! The map: highs and lows of one panel as a picture, the same on paper, on a phone and in grey.
//!
//! Lows are teal with dots, highs brown with hatching, both denser the worse they are; unmeasured
//! places are left blank. [`draw_png`] and [`draw_svg`] paint the same scene, [`for_page`] one with
//! larger words and no legend.

use super::field::{Field, ringed};
use super::labels::Placer;
use super::legend;
use super::paint;
use super::palette::{self, Classes, Rgb};
use super::scene::{Anchor, Frame, Label, Scene, Shape, dashes};
use crate::judge::contour::{IsoLine, iso_lines};
use crate::judge::{Judgement, NodeState, RegionKind};
use crate::panel::{Panel, Polygon};
use crate::problem::Error;
use crate::units::{MM_PER_INCH, Units};

/// Width of map.png, px.
pub const PNG_WIDTH: u32 = 1800;

/// map.png: `width_px` wide (600…6000; [`PNG_WIDTH`] is meant), as high as the panel asks for.
///
/// # Errors
/// [`Error::Calculation`] when the picture cannot be made: a panel without extent, a width beyond
/// the limits.
pub fn draw_png(
    j: &Judgement,
    panel: &Panel,
    units: Units,
    width_px: u32,
) -> Result<Vec<u8>, Error> {
    let sheet = Sheet::new(j, panel, units, Look::paper(width_px)?)?;
    let scene = sheet.scene()?;
    paint::png(&scene, &sheet.field, &sheet.classes, panel)
}

/// map.svg: the same picture in lines, for print at any size.
///
/// # Errors
/// As [`draw_png`].
pub fn draw_svg(j: &Judgement, panel: &Panel, units: Units) -> Result<String, Error> {
    let sheet = Sheet::new(j, panel, units, Look::paper(PNG_WIDTH)?)?;
    let scene = sheet.scene()?;
    paint::svg(&scene, &sheet.field, &sheet.classes, panel, &title(j))
}

/// The map as the page shows it, and where the panel lies on it.
pub struct PageMap {
    /// The picture, to stand inside HTML.
    pub svg: String,
    /// From panel mm to the picture's px; the SVG's own coordinates are ten times these.
    pub frame: Frame,
}

/// The map for report.html: larger words, no title or legend (the page has them).
///
/// # Errors
/// As [`draw_png`].
pub fn for_page(j: &Judgement, panel: &Panel, units: Units) -> Result<PageMap, Error> {
    let sheet = Sheet::new(j, panel, units, Look::page())?;
    let scene = sheet.scene()?;
    let svg = paint::svg(&scene, &sheet.field, &sheet.classes, panel, &title(j))?;
    Ok(PageMap {
        svg,
        frame: scene.frame,
    })
}

fn title(j: &Judgement) -> String {
    format!("{}: map of highs and lows", j.panel_name)
}

/// How large things are drawn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    /// Width of the picture, px.
    pub width: f64,
    /// Height of a line of ordinary text, px.
    pub text: f64,
    /// Whether title, scale, key and notes are drawn.
    pub furniture: bool,
}

impl Look {
    pub(super) fn paper(width_px: u32) -> Result<Self, Error> {
        if !(600..=6000).contains(&width_px) {
            return Err(Error::Usage(format!(
                "a map {width_px} px wide cannot be drawn; 600 to 6000 px can"
            )));
        }
        let width = width_px as f64;
        Ok(Look {
            width,
            text: width / 64.0,
            furniture: true,
        })
    }

    fn page() -> Self {
        Look {
            width: 840.0,
            text: 26.0,
            furniture: false,
        }
    }

    /// A hair line, px.
    pub fn hair(&self) -> f64 {
        self.text / 26.0
    }
}

/// Everything the picture is made from, and how large.
pub(super) struct Sheet<'a> {
    pub j: &'a Judgement,
    pub panel: &'a Panel,
    pub units: Units,
    pub look: Look,
    pub field: Field,
    pub classes: Classes,
    pub frame: Frame,
}

impl<'a> Sheet<'a> {
    pub(super) fn new(
        j: &'a Judgement,
        panel: &'a Panel,
        units: Units,
        look: Look,
    ) -> Result<Self, Error> {
        Ok(Sheet {
            j,
            panel,
            units,
            look,
            field: Field::new(j),
            classes: Classes::from_node_limit(j.node_limit_mm),
            frame: frame_for(panel, look)?,
        })
    }

    fn scene(&self) -> Result<Scene, Error> {
        let mut scene = Scene {
            width: self.look.width,
            height: 0.0,
            frame: self.frame,
            shapes: Vec::new(),
            labels: Vec::new(),
        };
        let mut placer = Placer::new(self.room());
        self.hatching(&mut scene.shapes);
        self.dots(&mut scene.shapes);
        self.no_sand(&mut scene);
        self.placings(&mut scene.shapes);
        let levels = self.iso_lines(&mut scene.shapes);
        if !self.photo_alone() {
            self.unmeasured_border(&mut scene.shapes);
        }
        if let Some(found) = &self.j.photos {
            super::coat::add(self, found, &mut scene, &mut placer)?;
        }
        self.openings(&mut scene, &mut placer)?;
        self.outline(&mut scene.shapes);
        self.axes(&mut scene);
        self.left_out(&mut scene.shapes);
        self.region_names(&mut scene, &mut placer)?;
        if !self.photo_alone() {
            self.words_in_blank(&mut scene, &mut placer)?;
        }
        self.numbers_on_lines(&levels, &mut scene, &mut placer)?;
        self.unsure(&mut scene, &mut placer);
        scene.height = self.below_axes();
        if self.look.furniture {
            legend::add(self, &mut scene)?;
        }
        Ok(scene)
    }

    /// Whether there are photos and no readings.
    pub fn photo_alone(&self) -> bool {
        self.j.photos.as_ref().is_some_and(|p| !p.with_readings)
    }

    /// Where names may lie, px: on the panel, and in the free paper above and to the right of it.
    fn room(&self) -> [f64; 4] {
        let (end, text) = (self.frame.end(), self.look.text);
        let top = if self.look.furniture {
            3.8 * text
        } else {
            0.3 * text
        };
        [
            self.frame.left - 0.3 * text,
            top,
            self.look.width - 0.4 * text,
            end[1] + 0.4 * text,
        ]
    }

    /// Height taken by plot, ticks and axis name, px from the top.
    pub fn below_axes(&self) -> f64 {
        self.frame.end()[1] + 3.6 * self.look.text
    }

    pub(super) fn px(&self, p: [f64; 2]) -> [f64; 2] {
        self.frame.picture_from_panel(p)
    }

    pub(super) fn ring(&self, polygon: &Polygon) -> Vec<[f64; 2]> {
        let corners = polygon.0.iter().chain(polygon.0.first());
        corners.map(|p| self.px(*p)).collect()
    }

    /// Deviation at a place of the picture if it is wanted; `None` off the skin or unmeasured.
    fn deviation_at(&self, picture: [f64; 2], wanted: impl Fn(f64) -> bool) -> Option<f64> {
        let [x, y] = self.frame.panel_from_picture(picture);
        let deviation = self.field.at_where(x, y, wanted)?;
        self.panel.contains(x, y).then_some(deviation)
    }

    /// Diagonal lines over highs; twice as many from twice the limit on.
    pub(super) fn hatching(&self, shapes: &mut Vec<Shape>) {
        let step = self.look.text * 0.42;
        let (from, end) = ([self.frame.left, self.frame.top], self.frame.end());
        let lines = ((end[0] - from[0] + end[1] - from[1]) / step) as usize + 1;
        for n in 0..lines {
            let sum = n as f64 * step;
            let class = if n % 2 == 0 { 2 } else { 3 };
            let (mut s, stop) = (
                (sum - (end[1] - from[1])).max(0.0),
                sum.min(end[0] - from[0]),
            );
            let mut run: Option<([f64; 2], [f64; 2], Rgb)> = None;
            while s <= stop {
                let at = [from[0] + s, from[1] + sum - s];
                let ink = self
                    .deviation_at(at, |d| d > 0.0 && self.classes.of(d) >= class)
                    .map(|d| self.classes.mark(d));
                run = match (run, ink) {
                    (Some((a, _, was)), Some(now)) if was == now => Some((a, at, was)),
                    (before, now) => {
                        self.stroke(before, shapes);
                        now.map(|colour| (at, at, colour))
                    }
                };
                s += step / 4.0;
            }
            self.stroke(run, shapes);
        }
    }

    fn stroke(&self, run: Option<([f64; 2], [f64; 2], Rgb)>, shapes: &mut Vec<Shape>) {
        if let Some((from, to, colour)) = run.filter(|(a, b, _)| a != b) {
            shapes.push(Shape::stroke(from, to, colour, 1.5 * self.look.hair()));
        }
    }

    /// Dots in lows, larger from class to class.
    pub(super) fn dots(&self, shapes: &mut Vec<Shape>) {
        let step = self.look.text * 0.62;
        let end = self.frame.end();
        let mut row = 0;
        let mut y = self.frame.top + step / 2.0;
        while y < end[1] {
            let mut x = self.frame.left + step * if row % 2 == 0 { 0.5 } else { 1.0 };
            while x < end[0] {
                if let Some(d) = self.deviation_at([x, y], |d| d <= -self.classes.edges[1])
                    && let Some(radius) = dot_radius(self.classes.of(d), self.look)
                {
                    shapes.push(Shape::Dot {
                        at: [x, y],
                        radius,
                        colour: self.classes.mark(d),
                    });
                }
                x += step;
            }
            row += 1;
            y += step * 0.87;
        }
    }

    /// Crosses where nothing may be sanded, and the area's edge.
    fn no_sand(&self, scene: &mut Scene) {
        let r = self.look.text * 0.2;
        for area in &self.panel.no_sand {
            for at in self.lattice(1.5, 0.75) {
                let clear = [[-r, -r], [r, -r], [-r, r], [r, r]].iter().all(|d| {
                    let [x, y] = self.frame.panel_from_picture([at[0] + d[0], at[1] + d[1]]);
                    area.contains(x, y) && self.panel.contains(x, y)
                });
                if clear {
                    cross(&mut scene.shapes, at, r, 1.6 * self.look.hair());
                }
            }
            scene.shapes.push(Shape::Line {
                points: self.ring(area),
                colour: palette::INK,
                width: self.look.hair(),
            });
        }
        for (area, dash) in self
            .panel
            .no_fill
            .iter()
            .map(|a| (a, 0.15))
            .chain(self.panel.zones.iter().map(|z| (&z.outline, 0.9)))
        {
            let (on, off) = (dash * self.look.text, 0.35 * self.look.text);
            for part in dashes(&self.ring(area), on, off) {
                scene.shapes.push(Shape::Line {
                    points: part,
                    colour: palette::GREY,
                    width: 1.6 * self.look.hair(),
                });
            }
        }
    }

    pub(super) fn placings(&self, shapes: &mut Vec<Shape>) {
        for placing in &self.j.placings {
            let [a, b] = placing.ends.map(|p| self.px(p));
            if [a, b].iter().flatten().all(|v| v.is_finite()) {
                shapes.push(Shape::stroke(
                    a,
                    b,
                    [128, 128, 128],
                    0.75 * self.look.hair(),
                ));
            }
        }
    }

    /// Iso-lines drawn; handed back (level, points in px) for their numbers.
    pub(super) fn iso_lines(&self, shapes: &mut Vec<Shape>) -> Vec<(f64, Vec<[f64; 2]>)> {
        let deepest = self
            .field
            .known
            .iter()
            .filter(|v| v.is_finite())
            .fold(0.0_f64, |m, v| m.max(v.abs()));
        let limit = self.classes.edges[1];
        let mut drawn = Vec::new();
        for level in self.classes.levels(deepest) {
            let size = level.abs();
            let (width, colour) = if size < limit {
                (0.6, [150, 150, 150])
            } else if size == limit {
                (2.2, palette::INK)
            } else {
                (1.2, palette::INK)
            };
            for line in iso_lines(&self.field.known, self.field.step_mm, level) {
                for points in self.on_skin(&round_again(line)) {
                    shapes.push(Shape::Line {
                        points: points.clone(),
                        colour,
                        width: width * self.look.hair(),
                    });
                    if size >= limit {
                        drawn.push((level, points));
                    }
                }
            }
        }
        drawn
    }

    /// The parts of a line in panel mm that lie on the skin, in px.
    pub(super) fn on_skin(&self, points: &[[f64; 2]]) -> Vec<Vec<[f64; 2]>> {
        let mut parts = vec![Vec::new()];
        for p in points {
            if self.panel.contains(p[0], p[1]) {
                if let Some(part) = parts.last_mut() {
                    part.push(self.px(*p));
                }
            } else if parts.last().is_some_and(|part| !part.is_empty()) {
                parts.push(Vec::new());
            }
        }
        parts.retain(|part| part.len() > 1);
        parts
    }

    pub(super) fn unmeasured_border(&self, shapes: &mut Vec<Shape>) {
        if !self.field.any_unmeasured {
            return;
        }
        let shift = 2.0 * self.field.step_mm;
        for line in iso_lines(
            &ringed(&self.field.unmeasured, 1.0, 0.0),
            self.field.step_mm,
            0.5,
        ) {
            let points: Vec<[f64; 2]> = round_again(line)
                .iter()
                .map(|p| p.map(|v| v - shift))
                .collect();
            for part in self.on_skin(&points) {
                for dash in dashes(&part, 0.45 * self.look.text, 0.3 * self.look.text) {
                    shapes.push(Shape::Line {
                        points: dash,
                        colour: palette::GREY,
                        width: 1.6 * self.look.hair(),
                    });
                }
            }
        }
    }

    /// Openings without their words.
    pub(super) fn cutouts(&self, shapes: &mut Vec<Shape>) {
        for opening in &self.panel.cutouts {
            shapes.push(Shape::Area {
                points: self.ring(opening),
                colour: palette::WHITE,
            });
            shapes.push(Shape::Line {
                points: self.ring(opening),
                colour: palette::INK,
                width: 2.0 * self.look.hair(),
            });
        }
    }

    fn openings(&self, scene: &mut Scene, placer: &mut Placer) -> Result<(), Error> {
        self.cutouts(&mut scene.shapes);
        for opening in &self.panel.cutouts {
            let [x0, y0, x1, y1] = opening.bounds();
            let middle = self.px([(x0 + x1) / 2.0, (y0 + y1) / 2.0]);
            let room = [(x1 - x0) * self.frame.scale, (y1 - y0) * self.frame.scale];
            self.words_at(middle, room, "opening", scene, placer)?;
        }
        Ok(())
    }

    /// Small grey words at a spot, in one line or a line a word, where there is room for them.
    pub(super) fn words_at(
        &self,
        at: [f64; 2],
        room: [f64; 2],
        words: &str,
        scene: &mut Scene,
        placer: &mut Placer,
    ) -> Result<(), Error> {
        for (rows, part) in [
            (vec![words], 0.9),
            (words.split(' ').collect(), 0.9),
            (words.split(' ').collect(), 0.72),
        ] {
            let size = part * self.look.text;
            let mut wide: f64 = 0.0;
            for row in &rows {
                wide = wide.max(super::text::width(row, size)?);
            }
            let high = size * rows.len() as f64;
            let area = [
                at[0] - wide / 2.0,
                at[1] - high / 2.0,
                at[0] + wide / 2.0,
                at[1] + high / 2.0,
            ];
            if wide > room[0] || high > room[1] || !placer.free(&area) {
                continue;
            }
            placer.take(area);
            for (n, row) in rows.iter().enumerate() {
                scene.labels.push(Label {
                    size,
                    colour: palette::GREY,
                    halo: 2.0,
                    ..self.plain(
                        [at[0], area[1] + size * (n as f64 + 0.5)],
                        Anchor::Middle,
                        row.to_string(),
                    )
                });
            }
            return Ok(());
        }
        Ok(())
    }

    pub(super) fn outline(&self, shapes: &mut Vec<Shape>) {
        shapes.push(Shape::Line {
            points: self.ring(&self.panel.outline),
            colour: palette::INK,
            width: 3.0 * self.look.hair(),
        });
    }

    /// Ticks at round places along the bottom and the left, the axes' names, and the datum corner.
    pub(super) fn axes(&self, scene: &mut Scene) {
        let (f, text) = (self.frame, self.look.text);
        let end = f.end();
        for place in self.round_places(f.origin_mm[0] + f.size_mm[0], 3.6) {
            let x = self.px([place, 0.0])[0];
            let (from, to) = ([x, end[1] + 0.25 * text], [x, end[1] + 0.6 * text]);
            scene
                .shapes
                .push(Shape::stroke(from, to, palette::INK, self.look.hair()));
            scene.labels.push(self.plain(
                [x, end[1] + 1.2 * text],
                Anchor::Middle,
                self.tick(place),
            ));
        }
        for place in self.round_places(f.origin_mm[1] + f.size_mm[1], 2.2) {
            let y = self.px([0.0, place])[1];
            let (from, to) = ([f.left - 0.6 * text, y], [f.left - 0.25 * text, y]);
            scene
                .shapes
                .push(Shape::stroke(from, to, palette::INK, self.look.hair()));
            scene.labels.push(self.plain(
                [f.left - 0.8 * text, y],
                Anchor::Right,
                self.tick(place),
            ));
        }
        let unit = self.units.place_unit();
        let middle = (f.left + end[0]) / 2.0;
        let wide = end[0] - f.left > 22.0 * text;
        let words = if wide {
            format!("x, {unit} from the datum corner")
        } else {
            format!("x, {unit}")
        };
        scene
            .labels
            .push(self.plain([middle, end[1] + 2.5 * text], Anchor::Middle, words));
        let across = [f.left - 3.9 * text, (f.top + end[1]) / 2.0];
        scene.labels.push(Label {
            angle: -90.0,
            ..self.plain(across, Anchor::Middle, format!("y, {unit}"))
        });
        self.datum(scene);
    }

    /// Round places from 0 to `last` mm, at least `apart` text heights apart; the far end itself
    /// where no round one fits.
    fn round_places(&self, last: f64, apart: f64) -> Vec<f64> {
        let step = round_step(apart * self.look.text / self.frame.scale, self.units);
        let count = (last / step + 1e-9).floor() as usize;
        match count {
            0 => vec![0.0, last],
            count => (0..=count).map(|n| n as f64 * step).collect(),
        }
    }

    fn datum(&self, scene: &mut Scene) {
        let (at, text) = (self.px([0.0, 0.0]), self.look.text);
        scene.shapes.push(Shape::Area {
            points: vec![at, [at[0], at[1] - 0.9 * text], [at[0] + 0.9 * text, at[1]]],
            colour: palette::INK,
        });
        let words = [at[0] - 0.8 * text, at[1] + 1.2 * text];
        scene
            .labels
            .push(self.plain(words, Anchor::Right, "datum".into()));
    }

    /// An ordinary text without a halo.
    pub fn plain(&self, at: [f64; 2], anchor: Anchor, text: String) -> Label {
        Label {
            at,
            text,
            size: self.look.text,
            angle: 0.0,
            anchor,
            colour: palette::INK,
            halo: 0.0,
        }
    }

    fn tick(&self, mm: f64) -> String {
        match self.units {
            Units::Metric => format!("{mm:.0}"),
            Units::Us => format!("{:.0}", mm / MM_PER_INCH),
        }
    }

    /// A cross with a white edge at each reading that was left out, joined by dashes where the
    /// whole placing was.
    fn left_out(&self, shapes: &mut Vec<Shape>) {
        for placing in &self.j.flagged_placings {
            let [a, b] = [placing.from_mm, placing.to_mm].map(|p| self.px(p));
            if [a, b].iter().flatten().all(|v| v.is_finite()) {
                for (colour, width) in [(palette::WHITE, 4.0), (palette::INK, 1.8)] {
                    let width = width * self.look.hair();
                    for points in dashes(&[a, b], 0.5 * self.look.text, 0.35 * self.look.text) {
                        shapes.push(Shape::Line {
                            points,
                            colour,
                            width,
                        });
                    }
                }
            }
        }
        for flag in &self.j.flags {
            let at = self.px([flag.x_mm, flag.y_mm]);
            if at.iter().all(|v| v.is_finite()) {
                left_out_mark(shapes, at, self.look);
            }
        }
    }

    /// Names with their worst value beside the worst spot, worst first; the smallest lose the
    /// value, then the name, when there is no room.
    fn region_names(&self, scene: &mut Scene, placer: &mut Placer) -> Result<(), Error> {
        let mut order: Vec<_> = self.j.regions.iter().collect();
        order.sort_by(|a, b| b.worst_mm.value.abs().total_cmp(&a.worst_mm.value.abs()));
        let many = order.len() > 24;
        let size = self.look.text * if many { 1.1 } else { 1.35 };
        let spots: Vec<[f64; 2]> = order.iter().map(|r| self.px(r.worst_at)).collect();
        for spot in spots.iter().filter(|s| s.iter().all(|v| v.is_finite())) {
            let r = 0.22 * self.look.text;
            placer.take([spot[0] - r, spot[1] - r, spot[0] + r, spot[1] + r]);
            scene.shapes.push(Shape::Dot {
                at: *spot,
                radius: r,
                colour: palette::WHITE,
            });
            scene.shapes.push(Shape::Dot {
                at: *spot,
                radius: 0.65 * r,
                colour: palette::INK,
            });
        }
        for (region, spot) in order.iter().zip(spots) {
            if !spot.iter().all(|v| v.is_finite()) {
                continue;
            }
            let colour = match region.kind {
                RegionKind::Low => palette::LOW[4],
                RegionKind::High => palette::HIGH[4],
            };
            let full = if region.worst_mm.value.is_nan() {
                region.name.clone()
            } else {
                format!(
                    "{} {}",
                    region.name,
                    signed(self.units, region.worst_mm.value)
                )
            };
            let placed = match placer.beside(spot, &full, size, colour)? {
                Some(found) => Some(found),
                None => placer.beside(spot, &region.name, 0.8 * size, colour)?,
            };
            if let Some((label, back)) = placed {
                if let Some([from, to]) = back {
                    scene
                        .shapes
                        .push(Shape::stroke(from, to, palette::INK, self.look.hair()));
                }
                scene.labels.push(label);
            }
        }
        Ok(())
    }

    /// "not measured" in each blank area wide enough.
    fn words_in_blank(&self, scene: &mut Scene, placer: &mut Placer) -> Result<(), Error> {
        for Blank { x, y, rows } in blank_spots(self.j) {
            let middle = self.px([(x[0] + x[1]) / 2.0, y]);
            let room = [
                (x[1] - x[0]) * self.frame.scale,
                (rows[1] - rows[0]) * self.frame.scale,
            ];
            self.words_at(middle, room, "not measured", scene, placer)?;
        }
        Ok(())
    }

    fn numbers_on_lines(
        &self,
        lines: &[(f64, Vec<[f64; 2]>)],
        scene: &mut Scene,
        placer: &mut Placer,
    ) -> Result<(), Error> {
        let text = self.look.text;
        for (level, points) in lines {
            let words = signed(self.units, *level);
            let labels = placer.along(points, &words, 0.85 * text, 24.0 * text)?;
            scene.labels.extend(labels.into_iter().map(|l| Label {
                halo: text / 11.0,
                ..l
            }));
        }
        Ok(())
    }

    /// Places each `step` text heights over the plot, beginning `from` text heights from its top
    /// left.
    pub(super) fn lattice(&self, step: f64, from: f64) -> Vec<[f64; 2]> {
        let (text, f, end) = (self.look.text, &self.frame, self.frame.end());
        let count = |room: f64| ((room / text - from) / step).ceil().max(0.0) as usize;
        let (nx, ny) = (count(end[0] - f.left), count(end[1] - f.top));
        let at = |n: usize| (from + step * n as f64) * text;
        (0..ny)
            .flat_map(|iy| (0..nx).map(move |ix| (ix, iy)))
            .map(|(ix, iy)| [f.left + at(ix), f.top + at(iy)])
            .collect()
    }

    /// "?" over wide areas where the interval straddles the limit; the narrow rings round lows and
    /// highs go without.
    fn unsure(&self, scene: &mut Scene, placer: &mut Placer) {
        let size = 0.9 * self.look.text;
        let nodes = &self.j.nodes;
        let reach = (1.3 * self.look.text / self.frame.scale / nodes.grid.step_mm)
            .ceil()
            .max(1.0) as isize;
        // Midway between the crosses of no-sand areas.
        for [x, y] in self.lattice(3.0, 1.5) {
            let at = self.frame.panel_from_picture([x, y]);
            let near = |dx: isize, dy: isize| state_near(nodes, at, (dx * reach, dy * reach));
            let unsure = |s: Option<NodeState>| s == Some(NodeState::Unsure);
            // On both sides of the spot, one way or the other; a side off the panel is no
            // objection.
            let across = |d: [isize; 2]| {
                [1, -1].iter().all(|s| {
                    let state = near(s * d[0], s * d[1]);
                    unsure(state) || matches!(state, None | Some(NodeState::Outside))
                })
            };
            let area = [
                x - size / 3.0,
                y - size / 2.0,
                x + size / 3.0,
                y + size / 2.0,
            ];
            if unsure(near(0, 0)) && across([1, 0]) && across([0, 1]) && placer.free(&area) {
                scene.labels.push(Label {
                    size,
                    colour: palette::GREY,
                    halo: 1.5,
                    ..self.plain([x, y], Anchor::Middle, "?".into())
                });
            }
        }
    }
}

/// Radius of the dots of one class, px; `None` where the class has none.
pub(super) fn dot_radius(class: usize, look: Look) -> Option<f64> {
    let part = match class {
        0 | 1 => return None,
        2 => 0.075,
        3 => 0.125,
        4 => 0.13,
        _ => 0.17,
    };
    Some(part * look.text)
}

/// The points of an iso-line, a closed one back to its beginning.
fn round_again(line: IsoLine) -> Vec<[f64; 2]> {
    let first = line.points.first().copied().filter(|_| line.closed);
    line.points.into_iter().chain(first).collect()
}

/// Two short strokes crossing.
pub(super) fn cross(shapes: &mut Vec<Shape>, at: [f64; 2], r: f64, width: f64) {
    for s in [1.0, -1.0] {
        let (from, to) = ([at[0] - r, at[1] - s * r], [at[0] + r, at[1] + s * r]);
        shapes.push(Shape::stroke(from, to, palette::INK, width));
    }
}

/// The mark of a reading left out: an upright cross, white underneath.
pub(super) fn left_out_mark(shapes: &mut Vec<Shape>, at: [f64; 2], look: Look) {
    let r = 0.36 * look.text;
    for (colour, width, r) in [(palette::WHITE, 5.0, r * 1.25), (palette::INK, 2.2, r)] {
        for [dx, dy] in [[1.0, 0.0], [0.0, 1.0]] {
            let (from, to) = (
                [at[0] - r * dx, at[1] - r * dy],
                [at[0] + r * dx, at[1] + r * dy],
            );
            shapes.push(Shape::stroke(from, to, colour, width * look.hair()));
        }
    }
}

fn state_near(
    nodes: &crate::judge::Nodes,
    at: [f64; 2],
    offset: (isize, isize),
) -> Option<NodeState> {
    let node = |v: f64, d: isize| {
        let n = (v / nodes.grid.step_mm).round();
        (0.0..1e9)
            .contains(&n)
            .then(|| (n as usize).checked_add_signed(d))
            .flatten()
    };
    nodes
        .state
        .get([node(at[1], offset.1)?, node(at[0], offset.0)?])
        .copied()
}

/// Room for words in an unmeasured area, mm.
struct Blank {
    /// Ends of its widest run of nodes near its middle.
    x: [f64; 2],
    /// Height of that run.
    y: f64,
    /// Its lowest and highest row.
    rows: [f64; 2],
}

/// One [`Blank`] for each connected unmeasured area.
fn blank_spots(j: &Judgement) -> Vec<Blank> {
    let (grid, state) = (&j.nodes.grid, &j.nodes.state);
    let (ny, nx) = state.dim();
    let blank = |iy: usize, ix: usize| state.get([iy, ix]) == Some(&NodeState::Unmeasured);
    let mut seen = ndarray::Array2::from_elem((ny, nx), false);
    let mut spots = Vec::new();
    for start in (0..ny).flat_map(|iy| (0..nx).map(move |ix| (iy, ix))) {
        if seen[start] || !blank(start.0, start.1) {
            continue;
        }
        let (mut stack, mut members) = (vec![start], Vec::new());
        seen[start] = true;
        while let Some((iy, ix)) = stack.pop() {
            members.push((iy, ix));
            for (dy, dx) in [(0, 1), (0, -1), (1, 0), (-1, 0)] {
                if let (Some(y), Some(x)) = (iy.checked_add_signed(dy), ix.checked_add_signed(dx))
                    && blank(y, x)
                    && !seen[(y, x)]
                {
                    seen[(y, x)] = true;
                    stack.push((y, x));
                }
            }
        }
        members.sort_unstable();
        let rows = (
            members.first().map_or(0, |m| m.0),
            members.last().map_or(0, |m| m.0),
        );
        let middle = (rows.0 + rows.1) as f64 / 2.0;
        let mut best: Option<(f64, Blank)> = None;
        for run in members.chunk_by(|a, b| a.0 == b.0 && a.1 + 1 == b.1) {
            let (Some(first), Some(last)) = (run.first(), run.last()) else {
                continue;
            };
            let length = (last.1 - first.1) as f64;
            // Half a node given up for each row away from the middle: among equals, the middle one.
            let worth = length - 0.5 * (first.0 as f64 - middle).abs();
            if best.as_ref().is_none_or(|(most, _)| worth > *most) {
                best = Some((
                    worth,
                    Blank {
                        x: [grid.x(first.1), grid.x(last.1)],
                        y: grid.y(first.0),
                        rows: [grid.y(rows.0), grid.y(rows.1)],
                    },
                ));
            }
        }
        spots.extend(best.map(|(_, spot)| spot));
    }
    spots
}

/// "−0.62", "+0.31": a depth with its sign and no unit.
pub(super) fn signed(units: Units, mm: f64) -> String {
    if mm.is_nan() {
        return "?".into();
    }
    let sign = if mm < 0.0 { '−' } else { '+' };
    format!("{sign}{}", units.bare_depth(mm.abs()))
}

/// The smallest round step of at least `least_mm`, mm: 1, 2, 5 × 10ⁿ mm, or tape inches.
pub(super) fn round_step(least_mm: f64, units: Units) -> f64 {
    match units {
        Units::Metric => (0..8)
            .flat_map(|n| [1.0, 2.0, 5.0].map(|m| m * 10f64.powi(n)))
            .find(|step| *step >= least_mm)
            .unwrap_or(1e8),
        Units::Us => [
            1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0, 240.0, 480.0, 1200.0, 12000.0,
        ]
        .map(|inches| inches * MM_PER_INCH)
        .into_iter()
        .find(|step| *step >= least_mm)
        .unwrap_or(1e7),
    }
}

/// Fits the panel into the picture: as wide as it may be, no higher than 1.1 times that, room above
/// and below a narrow one.
fn frame_for(panel: &Panel, look: Look) -> Result<Frame, Error> {
    let b = panel.outline.bounds();
    let (x0, y0) = (b[0].min(0.0), b[1].min(0.0));
    let size = [b[2] - x0, b[3] - y0];
    let corners_known = panel.outline.0.iter().flatten().all(|v| v.is_finite());
    if !(corners_known && size.iter().all(|v| v.is_finite() && *v > 0.0 && *v < 1e7)) {
        return Err(Error::Calculation(format!(
            "the map could not be drawn: the outline is {} × {} mm",
            size[0], size[1]
        )));
    }
    let text = look.text;
    let (left, right) = (4.6 * text, 1.4 * text);
    let plot = look.width - left - right;
    let scale = (plot / size[0]).min(1.1 * plot / size[1]);
    let (w, h) = (size[0] * scale, size[1] * scale);
    let spare = (7.0 * text - h).max(0.0) / 2.0;
    let head = if look.furniture {
        4.4 * text
    } else {
        0.8 * text
    };
    Ok(Frame {
        origin_mm: [x0, y0],
        size_mm: size,
        left: left + (plot - w) / 2.0,
        top: head + spare,
        scale,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_fall_on_round_places() {
        for (least, units, step) in [
            (90.0, Units::Metric, 100.0),
            (150.0, Units::Metric, 200.0),
            (210.0, Units::Metric, 500.0),
            (100.0, Units::Us, 152.4),
        ] {
            assert!((round_step(least, units) - step).abs() < 1e-9, "{least}");
        }
    }
}
