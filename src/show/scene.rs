//! What a picture is made of, in px from the top left, before anything is painted.
//!
//! The map is laid out once into a [`Scene`]; [`paint`](crate::show::paint) turns the same scene
//! into a PNG or an SVG.

use super::palette::Rgb;

/// From panel mm to px: x to the right, y upward, the datum corner at the bottom left.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Panel place at the bottom left of the plot, mm.
    pub origin_mm: [f64; 2],
    /// Size of the plot, mm.
    pub size_mm: [f64; 2],
    /// px from the left to the plot.
    pub left: f64,
    /// px from the top to the plot.
    pub top: f64,
    /// px per mm.
    pub scale: f64,
}

impl Frame {
    /// Place on the picture of a place on the panel.
    pub fn picture_from_panel(&self, p: [f64; 2]) -> [f64; 2] {
        [
            self.left + (p[0] - self.origin_mm[0]) * self.scale,
            self.top + (self.origin_mm[1] + self.size_mm[1] - p[1]) * self.scale,
        ]
    }

    /// Place on the panel of a place on the picture.
    pub fn panel_from_picture(&self, p: [f64; 2]) -> [f64; 2] {
        [
            self.origin_mm[0] + (p[0] - self.left) / self.scale,
            self.origin_mm[1] + self.size_mm[1] - (p[1] - self.top) / self.scale,
        ]
    }

    /// Bottom right of the plot, px.
    pub fn end(&self) -> [f64; 2] {
        [
            self.left + self.size_mm[0] * self.scale,
            self.top + self.size_mm[1] * self.scale,
        ]
    }
}

/// A line, an area or a dot.
#[derive(Clone, Debug)]
pub enum Shape {
    /// An open line through points.
    Line {
        /// Its points.
        points: Vec<[f64; 2]>,
        /// Its colour.
        colour: Rgb,
        /// Its width, px.
        width: f64,
    },
    /// A filled polygon.
    Area {
        /// Its corners.
        points: Vec<[f64; 2]>,
        /// Its colour.
        colour: Rgb,
    },
    /// A filled circle.
    Dot {
        /// Its middle.
        at: [f64; 2],
        /// Its radius, px.
        radius: f64,
        /// Its colour.
        colour: Rgb,
    },
}

impl Shape {
    /// A line from one place to another.
    pub fn stroke(from: [f64; 2], to: [f64; 2], colour: Rgb, width: f64) -> Self {
        Shape::Line {
            points: vec![from, to],
            colour,
            width,
        }
    }

    /// A filled rectangle.
    pub fn rectangle(from: [f64; 2], to: [f64; 2], colour: Rgb) -> Self {
        Shape::Area {
            points: vec![from, [to[0], from[1]], to, [from[0], to[1]]],
            colour,
        }
    }
}

/// Which part of a text lies at its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// Its left end.
    Left,
    /// Its middle.
    Middle,
    /// Its right end.
    Right,
}

/// A text; its line's middle height lies at `at`.
#[derive(Clone, Debug)]
pub struct Label {
    /// Place.
    pub at: [f64; 2],
    /// Words.
    pub text: String,
    /// Height of the line, px.
    pub size: f64,
    /// Turn, degrees clockwise.
    pub angle: f64,
    /// What lies at `at`.
    pub anchor: Anchor,
    /// Colour.
    pub colour: Rgb,
    /// White round the letters, px; 0 for none.
    pub halo: f64,
}

/// A whole picture.
#[derive(Clone, Debug)]
pub struct Scene {
    /// px across.
    pub width: f64,
    /// px down.
    pub height: f64,
    /// Where the panel lies.
    pub frame: Frame,
    /// Lines, areas and dots, in the order they are painted, over the colours.
    pub shapes: Vec<Shape>,
    /// Texts, painted last.
    pub labels: Vec<Label>,
}

/// A line cut into dashes `on` px long with gaps of `off` px.
pub fn dashes(points: &[[f64; 2]], on: f64, off: f64) -> Vec<Vec<[f64; 2]>> {
    let mut parts = Vec::new();
    let mut part: Vec<[f64; 2]> = Vec::new();
    let (mut left, mut drawing) = (on, true);
    for pair in points.windows(2) {
        let [from, to] = [pair[0], pair[1]];
        let length = (to[0] - from[0]).hypot(to[1] - from[1]);
        if !(length > 0.0 && length < 1e6) {
            continue;
        }
        let along = |s: f64| {
            let t = s / length;
            [
                from[0] + t * (to[0] - from[0]),
                from[1] + t * (to[1] - from[1]),
            ]
        };
        if drawing && part.is_empty() {
            part.push(from);
        }
        let mut s = 0.0;
        while length - s > left {
            s += left;
            if drawing {
                part.push(along(s));
                parts.push(std::mem::take(&mut part));
            } else {
                part = vec![along(s)];
            }
            drawing = !drawing;
            left = if drawing { on } else { off };
        }
        left -= length - s;
        if drawing {
            part.push(to);
        }
    }
    if part.len() > 1 {
        parts.push(part);
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn panel_and_picture_places_are_inverse_and_y_points_up() {
        let frame = Frame {
            origin_mm: [0.0, 0.0],
            size_mm: [1800.0, 1200.0],
            left: 100.0,
            top: 50.0,
            scale: 0.5,
        };
        assert_eq!(frame.picture_from_panel([0.0, 0.0]), [100.0, 650.0]);
        assert_eq!(frame.picture_from_panel([1800.0, 1200.0]), [1000.0, 50.0]);
        assert_eq!(frame.panel_from_picture([100.0, 650.0]), [0.0, 0.0]);
    }

    #[test]
    fn dashes_go_round_corners() {
        let parts = dashes(&[[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]], 6.0, 2.0);
        assert_eq!(parts.len(), 3);
        assert_eq!(parts[1], vec![[8.0, 0.0], [10.0, 0.0], [10.0, 4.0]]);
    }
}
