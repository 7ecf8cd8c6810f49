//! A picture of what came up and what went down, in the map's colours: the difference of two
//! surveys, what was put on and taken off.

use super::map::{Look, PNG_WIDTH, Sheet};
use super::palette;
use super::scene::{Anchor, Label, Scene, Shape, dashes};
use super::{legend, paint, text};
use crate::judge::photo::{blank_nodes, unread};
use crate::judge::{Grid, Judgement, NodeState};
use crate::observe::Conditions;
use crate::panel::Panel;
use crate::problem::Error;
use crate::units::Units;
use ndarray::Array2;

/// What is drawn.
pub(super) struct Changed<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// Units.
    pub units: Units,
    /// Where the nodes lie.
    pub grid: Grid,
    /// Up positive, mm; NaN where it is not known.
    pub mm: &'a Array2<f64>,
    /// What it is, at the right of the panel's name.
    pub title: &'a str,
    /// The line below.
    pub words: String,
    /// Words at the ends of the scale and in its middle.
    pub ends: [&'static str; 3],
    /// Names at places, mm.
    pub marks: Vec<([f64; 2], String)>,
    /// Boxes to be dashed, mm: `[x0, y0, x1, y1]`.
    pub boxes: Vec<[f64; 4]>,
    /// Sentences under the picture.
    pub lines: Vec<String>,
}

impl Changed<'_> {
    /// The picture as PNG and as SVG.
    ///
    /// # Errors
    /// As [`super::map::draw_png`].
    pub fn pictures(&self) -> Result<(Vec<u8>, String), Error> {
        let judged = self.painted();
        let sheet = Sheet::new(&judged, self.panel, self.units, Look::paper(PNG_WIDTH)?)?;
        let scene = self.scene(&sheet)?;
        let title = format!("{}: {}", self.panel.name, self.title);
        let (png, svg) = rayon::join(
            || paint::png(&scene, &sheet.field, &sheet.classes, self.panel),
            || paint::svg(&scene, &sheet.field, &sheet.classes, self.panel, &title),
        );
        Ok((png?, svg?))
    }

    /// The change in the place of a deviation.
    fn painted(&self) -> Judgement {
        let mut nodes = blank_nodes(self.panel, self.grid, None);
        nodes.deviation = self.mm.clone();
        for (state, mm) in nodes.state.iter_mut().zip(self.mm) {
            if mm.is_finite() {
                *state = NodeState::Fair;
            }
        }
        unread(self.panel, &Conditions::default(), nodes, Vec::new())
    }

    fn scene(&self, sheet: &Sheet) -> Result<Scene, Error> {
        let mut scene = Scene {
            width: sheet.look.width,
            height: 0.0,
            frame: sheet.frame,
            shapes: Vec::new(),
            labels: Vec::new(),
        };
        sheet.hatching(&mut scene.shapes);
        sheet.dots(&mut scene.shapes);
        sheet.iso_lines(&mut scene.shapes);
        sheet.unmeasured_border(&mut scene.shapes);
        sheet.cutouts(&mut scene.shapes);
        sheet.outline(&mut scene.shapes);
        sheet.axes(&mut scene);
        let t = sheet.look.text;
        for b in &self.boxes {
            let corners = [
                [b[0], b[1]],
                [b[2], b[1]],
                [b[2], b[3]],
                [b[0], b[3]],
                [b[0], b[1]],
            ];
            let ring: Vec<[f64; 2]> = corners.iter().map(|p| sheet.px(*p)).collect();
            for part in dashes(&ring, 0.5 * t, 0.35 * t) {
                scene.shapes.push(Shape::Line {
                    points: part,
                    colour: palette::INK,
                    width: 2.4 * sheet.look.hair(),
                });
            }
        }
        for (at, name) in &self.marks {
            scene.labels.push(Label {
                halo: 0.15 * t,
                ..sheet.plain(sheet.px(*at), Anchor::Middle, name.clone())
            });
        }
        self.head(sheet, &mut scene)?;
        let mut y = sheet.below_axes() + 0.3 * t;
        legend::bar(sheet, &mut scene, &mut y, self.ends);
        for words in &self.lines {
            for line in legend::wrapped(words, t, sheet.look.width - 2.4 * t)? {
                scene
                    .labels
                    .push(sheet.plain([t, y + 0.8 * t], Anchor::Left, line));
                y += 1.35 * t;
            }
        }
        scene.height = y + 0.5 * t;
        Ok(scene)
    }

    fn head(&self, sheet: &Sheet, scene: &mut Scene) -> Result<(), Error> {
        let t = sheet.look.text;
        let right = sheet.look.width - 1.4 * t;
        let room = right - t - text::width(self.title, 1.5 * t)? - 2.0 * t;
        let name = legend::shortened(&self.panel.name, 1.5 * t, room)?;
        let large = |at, anchor, words: String| Label {
            size: 1.5 * t,
            ..sheet.plain(at, anchor, words)
        };
        scene.labels.push(large([t, 1.4 * t], Anchor::Left, name));
        scene
            .labels
            .push(large([right, 1.4 * t], Anchor::Right, self.title.into()));
        scene
            .labels
            .push(sheet.plain([t, 3.0 * t], Anchor::Left, self.words.clone()));
        Ok(())
    }
}
