//! A [`Scene`] painted: colours of the deviation, then shapes, then texts; once as pixels, once as
//! SVG.
//!
//! Pixels are painted at twice the size and halved, which smooths every edge alike. The drawing
//! library takes whole coordinates only, so the SVG is drawn at ten times the size within a
//! viewBox.

use super::field::{Field, Row, ringed};
use super::palette::{self, Classes, Rgb};
use super::scene::{Anchor, Frame, Label, Scene, Shape};
use super::text::{EM_PER_SIZE, Mask};
use crate::judge::contour::iso_lines;
use crate::panel::{Panel, Polygon};
use crate::problem::Error;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};
use plotters::coord::Shift;
use plotters::prelude::*;
use rayon::prelude::*;
use std::fmt::Write;

/// Largest picture, px: four times as many are held while painting.
const MOST_PIXELS: f64 = 40e6;
/// How much larger the SVG's own coordinates are than px.
pub(super) const SVG_ZOOM: f64 = 10.0;

fn failed(what: impl std::fmt::Display) -> Error {
    Error::Calculation(format!("the map could not be drawn: {what}"))
}

/// The scene as PNG.
pub fn png(
    scene: &Scene,
    field: &Field,
    classes: &Classes,
    panel: &Panel,
) -> Result<Vec<u8>, Error> {
    if !(scene.width * scene.height <= MOST_PIXELS && scene.width >= 1.0 && scene.height >= 1.0) {
        return Err(failed(format_args!(
            "{:.0} × {:.0} pixels are too many",
            scene.width, scene.height
        )));
    }
    let (w, h) = (scene.width.ceil() as usize, scene.height.ceil() as usize);
    let mut big = vec![255u8; 2 * w * 2 * h * 3];
    colour(&mut big, 2 * w, scene, field, classes, panel);
    onto(&mut big, 2 * w, 2 * h, &scene.shapes, &scene.labels)?;
    let small = halved(&big, w, h);
    let mut file = Vec::new();
    // Level 1 on differences of rows: a quarter larger than level 3, in a quarter of the time.
    PngEncoder::new_with_quality(&mut file, CompressionType::Level(1), FilterType::Up)
        .write_image(&small, w as u32, h as u32, ExtendedColorType::Rgb8)
        .map_err(failed)?;
    Ok(file)
}

/// Shapes and texts onto pixels, `w × h`, their places and sizes in halves of them.
///
/// # Errors
/// [`Error::Calculation`] when the drawing library or the font refuses.
pub fn onto(
    pixels: &mut [u8],
    w: usize,
    h: usize,
    what: &[Shape],
    labels: &[Label],
) -> Result<(), Error> {
    {
        let size = (w as u32, h as u32);
        let root = BitMapBackend::with_buffer(pixels, size).into_drawing_area();
        shapes(&root, what, 2.0)?;
        root.present().map_err(failed)?;
    }
    let letters: Vec<Letters> = labels
        .par_iter()
        .map(Letters::new)
        .collect::<Result<_, _>>()?;
    // Strip by strip, so that both cores write: within a strip the texts keep their order.
    const STRIP: usize = 64;
    pixels
        .par_chunks_mut((STRIP * w * 3).max(1))
        .enumerate()
        .for_each(|(k, strip)| {
            for (label, letters) in labels.iter().zip(&letters) {
                letters.write(strip, k * STRIP, w, label);
            }
        });
    Ok(())
}

/// Fills the panel with the colours of its deviation; unmeasured places, openings and the rest stay
/// white.
fn colour(
    big: &mut [u8],
    w: usize,
    scene: &Scene,
    field: &Field,
    classes: &Classes,
    panel: &Panel,
) {
    let frame = &scene.frame;
    let ink = Ink {
        frame,
        field,
        classes,
    };
    big.par_chunks_mut(w * 3)
        .enumerate()
        .for_each(|(row, pixels)| {
            let y = frame.panel_from_picture([0.0, (row as f64 + 0.5) / 2.0])[1];
            let spans = spans_at(panel, y);
            if spans.is_empty() {
                return;
            }
            let line = field.row(y);
            let colours: Vec<Option<Rgb>> =
                line.nodes().map(|d| d.map(|d| classes.colour(d))).collect();
            for [from, to] in spans {
                // From node to node the row is linear: where both ends share a colour, so does all
                // between.
                let mut x = from;
                while x < to {
                    let node = (x / field.step_mm + 1e-9).floor().max(0.0);
                    let next = ((node + 1.0) * field.step_mm).min(to);
                    let (first, past) = (ink.column(x), ink.column(next).min(w));
                    if let Some(cell) = pixels.get_mut(3 * first..3 * past) {
                        ink.fill(cell, first, node as usize, &line, &colours);
                    }
                    x = next;
                }
            }
        });
}

/// What turns a place into a colour.
struct Ink<'a> {
    frame: &'a Frame,
    field: &'a Field,
    classes: &'a Classes,
}

impl Ink<'_> {
    /// The first column of the doubled picture whose middle lies at or right of x mm.
    fn column(&self, x: f64) -> usize {
        (2.0 * self.frame.picture_from_panel([x, 0.0])[0] - 0.5)
            .ceil()
            .max(0.0) as usize
    }

    /// Colours the pixels of one row from column `first` on, all between node column `node` and the
    /// next; `colours` are those at the node columns.
    fn fill(
        &self,
        cell: &mut [u8],
        first: usize,
        node: usize,
        line: &Row,
        colours: &[Option<Rgb>],
    ) {
        let last = colours.len().saturating_sub(1);
        let at = |node: usize| colours.get(node.min(last)).copied().flatten();
        match (at(node), at(node + 1)) {
            (None, None) => {}
            (Some(left), Some(right)) if left == right => {
                for pixel in cell.as_chunks_mut::<3>().0 {
                    *pixel = left;
                }
            }
            _ => {
                for (n, pixel) in cell.as_chunks_mut::<3>().0.iter_mut().enumerate() {
                    let column = (first + n) as f64 + 0.5;
                    let x = self.frame.panel_from_picture([column / 2.0, 0.0])[0];
                    if let Some(d) = line.between(node, x / self.field.step_mm - node as f64) {
                        *pixel = self.classes.colour(d);
                    }
                }
            }
        }
    }
}

/// The parts of the line at height y that lie on the skin, mm: inside the outline, outside the
/// openings (even-odd rule).
fn spans_at(panel: &Panel, y: f64) -> Vec<[f64; 2]> {
    let outline = crossings(&panel.outline, y);
    let mut spans: Vec<[f64; 2]> = outline.chunks_exact(2).map(|c| [c[0], c[1]]).collect();
    for opening in &panel.cutouts {
        for hole in crossings(opening, y).chunks_exact(2) {
            spans = spans
                .into_iter()
                .flat_map(|[a, b]| [[a, b.min(hole[0])], [a.max(hole[1]), b]])
                .filter(|[a, b]| a < b)
                .collect();
        }
    }
    spans
}

fn crossings(polygon: &Polygon, y: f64) -> Vec<f64> {
    let mut at: Vec<f64> = polygon
        .edges()
        .filter(|(p, q)| (p[1] > y) != (q[1] > y))
        .map(|(p, q)| p[0] + (y - p[1]) / (q[1] - p[1]) * (q[0] - p[0]))
        .collect();
    at.sort_by(f64::total_cmp);
    at
}

fn halved(big: &[u8], w: usize, h: usize) -> Vec<u8> {
    let mut small = vec![0u8; w * h * 3];
    let line = 2 * w * 3;
    small
        .par_chunks_exact_mut(w * 3)
        .zip(big.par_chunks_exact(2 * line))
        .for_each(|(row, pair)| {
            let (upper, lower) = pair.split_at(line);
            let quads = upper.chunks_exact(6).zip(lower.chunks_exact(6));
            for (pixel, (u, l)) in row.chunks_exact_mut(3).zip(quads) {
                for c in 0..3 {
                    let sum = u[c] as u16 + u[c + 3] as u16 + l[c] as u16 + l[c + 3] as u16;
                    pixel[c] = ((sum + 2) / 4) as u8;
                }
            }
        });
    small
}

fn shapes<DB: DrawingBackend>(
    root: &DrawingArea<DB, Shift>,
    shapes: &[Shape],
    zoom: f64,
) -> Result<(), Error> {
    // Far off the picture is as good as farther: the library walks over every row it is given.
    let whole = |v: f64| (v * zoom).round().clamp(-1e5, 2e5) as i32;
    let at = |p: &[f64; 2]| (whole(p[0]), whole(p[1]));
    let rgb = |c: &Rgb| RGBColor(c[0], c[1], c[2]);
    for shape in shapes {
        match shape {
            Shape::Line {
                points,
                colour,
                width,
            } => {
                let mut places: Vec<(i32, i32)> = points.iter().map(at).collect();
                places.dedup();
                if places.len() > 1 {
                    let style = rgb(colour).stroke_width((width * zoom).round().max(1.0) as u32);
                    root.draw(&PathElement::new(places, style))
                        .map_err(failed)?;
                }
            }
            Shape::Area { points, colour } if points.len() > 2 => {
                let places: Vec<(i32, i32)> = points.iter().map(at).collect();
                root.draw(&plotters::element::Polygon::new(
                    places,
                    rgb(colour).filled(),
                ))
                .map_err(failed)?;
            }
            Shape::Area { .. } => {}
            Shape::Dot {
                at: middle,
                radius,
                colour,
            } => {
                let radius = (radius * zoom).round().max(1.0) as i32;
                root.draw(&Circle::new(at(middle), radius, rgb(colour).filled()))
                    .map_err(failed)?;
            }
        }
    }
    Ok(())
}

/// One text as masks for the doubled pixels.
struct Letters {
    ink: Mask,
    halo: Option<Mask>,
    /// Room around the text in the masks.
    pad: usize,
}

impl Letters {
    fn new(label: &Label) -> Result<Self, Error> {
        let pad = (2.0 * label.halo).ceil() as usize + 2;
        let ink = Mask::new(&label.text, 2.0 * label.size, pad)?;
        let halo = (label.halo > 0.0).then(|| ink.grown(2.0 * label.halo));
        Ok(Letters { ink, halo, pad })
    }

    /// Onto a strip of the doubled pixels whose first row is `top`, turned about the label's place.
    fn write(&self, strip: &mut [u8], top: usize, w: usize, label: &Label) {
        if let Some(halo) = &self.halo {
            blend(strip, top, w, label, halo, self.pad, palette::WHITE);
        }
        blend(strip, top, w, label, &self.ink, self.pad, label.colour);
    }
}

fn blend(
    strip: &mut [u8],
    top: usize,
    w: usize,
    label: &Label,
    mask: &Mask,
    pad: usize,
    colour: Rgb,
) {
    let at = label.at.map(|v| 2.0 * v);
    let (sin, cos) = label.angle.to_radians().sin_cos();
    let pivot = match label.anchor {
        Anchor::Left => pad as f64,
        Anchor::Middle => mask.w as f64 / 2.0,
        Anchor::Right => mask.w as f64 - pad as f64,
    };
    let corners = [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]].map(|[a, b]| {
        let (u, v) = (a * mask.w as f64 - pivot, (b - 0.5) * mask.h as f64);
        [at[0] + u * cos - v * sin, at[1] + u * sin + v * cos]
    });
    let range = |axis: usize, begin: usize, end: usize| {
        let low = corners
            .iter()
            .map(|c| c[axis])
            .fold(f64::INFINITY, f64::min);
        let high = corners
            .iter()
            .map(|c| c[axis])
            .fold(f64::NEG_INFINITY, f64::max);
        (low.floor().max(0.0) as usize).clamp(begin, end)
            ..(high.ceil().max(0.0) as usize).clamp(begin, end)
    };
    let past = top + strip.len() / (w * 3).max(1);
    // Upright texts are moved to whole pixels and copied: sharper, and most texts are upright.
    let upright = (label.angle == 0.0).then(|| {
        [
            (at[0] - pivot).round(),
            (at[1] - mask.h as f64 / 2.0).round(),
        ]
    });
    for y in range(1, top, past) {
        for x in range(0, 0, w) {
            let ink = match upright {
                Some([left, top]) => mask.pixel(x as f64 - left, y as f64 - top),
                None => {
                    let (dx, dy) = (x as f64 + 0.5 - at[0], y as f64 + 0.5 - at[1]);
                    mask.at(
                        dx * cos + dy * sin + pivot,
                        dy * cos - dx * sin + mask.h as f64 / 2.0,
                    )
                }
            };
            if ink > 0.0
                && let Some(pixel) = strip.get_mut(3 * ((y - top) * w + x)..)
                && let Some(pixel) = pixel.first_chunk_mut::<3>()
            {
                for (p, c) in pixel.iter_mut().zip(colour) {
                    *p = (*p as f64 * (1.0 - ink) + c as f64 * ink).round() as u8;
                }
            }
        }
    }
}

/// The scene as SVG, with a title for those who hear it read.
pub fn svg(
    scene: &Scene,
    field: &Field,
    classes: &Classes,
    panel: &Panel,
    title: &str,
) -> Result<String, Error> {
    let (w, h) = (scene.width.ceil(), scene.height.ceil());
    let mut drawn = String::new();
    {
        let size = ((w * SVG_ZOOM) as u32, (h * SVG_ZOOM) as u32);
        let root = SVGBackend::with_string(&mut drawn, size).into_drawing_area();
        shapes(&root, &scene.shapes, SVG_ZOOM)?;
        root.present().map_err(failed)?;
    }
    let inner = drawn
        .split_once("<svg")
        .and_then(|(_, rest)| rest.split_once('>'))
        .and_then(|(_, rest)| rest.rsplit_once("</svg>"))
        .map(|(inner, _)| inner)
        .ok_or_else(|| failed("the drawing library wrote no SVG"))?
        .replace(" opacity=\"1\"", "")
        .replace(" stroke=\"none\" stroke-width=\"1\"", "")
        .replace(" stroke=\"none\"", "");
    let mut out = String::with_capacity(inner.len() + 200_000);
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {} {}\" role=\"img\" \
         font-family=\"sans-serif\">\n<title>{}</title>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n",
        w * SVG_ZOOM,
        h * SVG_ZOOM,
        escaped(title)
    );
    bands(&mut out, scene, field, classes, panel);
    out.push_str("<g stroke-linejoin=\"round\">");
    out.push_str(&inner);
    out.push_str("</g>\n");
    for label in &scene.labels {
        svg_text(&mut out, label);
    }
    out.push_str("</svg>\n");
    Ok(out)
}

/// Areas beyond each class edge, the deeper over the shallower, within the outline; unmeasured
/// places white over them.
fn bands(out: &mut String, scene: &Scene, field: &Field, classes: &Classes, panel: &Panel) {
    const BEYOND: f64 = -1e9;
    out.push_str("<defs><clipPath id=\"skin\"><path clip-rule=\"evenodd\" d=\"");
    for polygon in std::iter::once(&panel.outline).chain(&panel.cutouts) {
        svg_loop(out, scene, polygon.0.iter().copied());
    }
    out.push_str("\"/></clipPath></defs>\n<g clip-path=\"url(#skin)\" fill-rule=\"evenodd\">\n");
    let shift = 2.0 * field.step_mm;
    let mut area = |values: &ndarray::Array2<f64>, level: f64, colour: Rgb| {
        let lines = iso_lines(values, field.step_mm, level);
        if lines.is_empty() {
            return;
        }
        let _ = write!(out, "<path fill=\"{}\" d=\"", palette::hex(colour));
        for line in lines {
            svg_loop(
                out,
                scene,
                line.points.into_iter().map(|p| p.map(|v| v - shift)),
            );
        }
        out.push_str("\"/>\n");
    };
    for (sign, colours) in [(-1.0, palette::LOW), (1.0, palette::HIGH)] {
        let values = ringed(&field.deviation, sign, BEYOND);
        for (edge, colour) in classes.edges.into_iter().zip(colours) {
            area(&values, edge, colour);
        }
    }
    if field.any_unmeasured {
        area(&ringed(&field.unmeasured, 1.0, BEYOND), 0.5, palette::WHITE);
    }
    out.push_str("</g>\n");
}

/// One closed loop of a path, whole steps relative to the last point: short to write.
fn svg_loop(out: &mut String, scene: &Scene, points: impl Iterator<Item = [f64; 2]>) {
    let mut last: Option<[i64; 2]> = None;
    for point in points {
        let p = scene
            .frame
            .picture_from_panel(point)
            .map(|v| (v * SVG_ZOOM).round() as i64);
        match last {
            None => {
                let _ = write!(out, "M{} {}l", p[0], p[1]);
            }
            Some(q) if q == p => continue,
            Some(q) => {
                let _ = write!(out, "{} {} ", p[0] - q[0], p[1] - q[1]);
            }
        }
        last = Some(p);
    }
    if last.is_some() {
        // A loop of a single point is a bare "l", which no reader takes.
        if out.ends_with('l') {
            out.push_str("0 0");
        }
        out.push('z');
    }
}

fn svg_text(out: &mut String, label: &Label) {
    let [x, y] = label.at.map(|v| (v * SVG_ZOOM).round());
    let em = label.size * EM_PER_SIZE * SVG_ZOOM;
    let anchor = match label.anchor {
        Anchor::Left => "start",
        Anchor::Middle => "middle",
        Anchor::Right => "end",
    };
    let _ = write!(
        out,
        "<text x=\"{x}\" y=\"{y}\" dy=\"{:.0}\" font-size=\"{em:.0}\" text-anchor=\"{anchor}\" fill=\"{}\"",
        0.36 * em,
        palette::hex(label.colour)
    );
    if label.angle != 0.0 {
        let _ = write!(out, " transform=\"rotate({:.1} {x} {y})\"", label.angle);
    }
    if label.halo > 0.0 {
        let _ = write!(
            out,
            " stroke=\"#fff\" stroke-width=\"{:.0}\" stroke-linejoin=\"round\" paint-order=\"stroke\"",
            2.0 * label.halo * SVG_ZOOM
        );
    }
    let _ = writeln!(out, ">{}</text>", escaped(&label.text));
}

/// Text made safe inside SVG; characters XML does not allow become "?".
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('?'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_skin_at_a_height_leaves_openings_out() {
        let panel = Panel {
            outline: Polygon::rectangle(1000.0, 500.0),
            cutouts: vec![Polygon(vec![
                [200.0, 100.0],
                [400.0, 100.0],
                [400.0, 300.0],
                [200.0, 300.0],
            ])],
            ..crate::show::empty_panel()
        };
        assert_eq!(spans_at(&panel, 200.0), vec![[0.0, 200.0], [400.0, 1000.0]]);
        assert_eq!(spans_at(&panel, 400.0), vec![[0.0, 1000.0]]);
        assert!(spans_at(&panel, 600.0).is_empty());
    }

    #[test]
    fn names_cannot_break_the_svg() {
        assert_eq!(escaped("a<b & \"c\"\u{7}"), "a&lt;b &amp; &quot;c&quot;?");
    }
}
