//! Colours of the map: eleven classes from brown (high) through plain (fair) to teal (low).
//!
//! The palette is the eleven-class diverging scheme "BrBG" of ColorBrewer (C. A. Brewer,
//! colorbrewer2.org; values and the mark "blind: ok" read in `colorbrewer_schemes.js` of its public
//! source), with its middle, a light grey, drawn white. Class limits double from the node limit on,
//! so that maps of one panel stay comparable from cycle to cycle.

/// Red, green, blue, 0…255.
pub type Rgb = [u8; 3];

/// Lines and words.
pub const INK: Rgb = [17, 17, 17];
/// Second lines: placings, axes.
pub const GREY: Rgb = [90, 90, 90];
/// Paper.
pub const WHITE: Rgb = [255, 255, 255];
/// ColorBrewer BrBG, teal side, from lightest (just low) to darkest (deepest).
pub const LOW: [Rgb; 5] = [
    [199, 234, 229],
    [128, 205, 193],
    [53, 151, 143],
    [1, 102, 94],
    [0, 60, 48],
];
/// ColorBrewer BrBG, brown side, from lightest (just high) to darkest (proudest).
pub const HIGH: [Rgb; 5] = [
    [246, 232, 195],
    [223, 194, 125],
    [191, 129, 45],
    [140, 81, 10],
    [84, 48, 5],
];

/// Where one class ends and the next begins, in mm of deviation, the same on both sides of fair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Classes {
    /// Rising: plain below the first, darkest from the last on. The second is the node limit.
    pub edges: [f64; 5],
}

impl Classes {
    /// Plain up to 0.05 mm (half the node limit, if that is less), then the node limit and its
    /// doubles.
    pub fn from_node_limit(limit_mm: f64) -> Self {
        let limit = if limit_mm.is_finite() && limit_mm > 0.0 {
            limit_mm
        } else {
            crate::panel::NODE_LIMIT_MM
        };
        Classes {
            edges: [
                0.05_f64.min(limit / 2.0),
                limit,
                2.0 * limit,
                4.0 * limit,
                8.0 * limit,
            ],
        }
    }

    /// Class of a deviation: 0 plain, 1…5 by size whatever the sign; 0 for NaN.
    pub fn of(&self, deviation_mm: f64) -> usize {
        let size = deviation_mm.abs();
        self.edges.iter().filter(|edge| size >= **edge).count()
    }

    /// Colour of a deviation; white where plain or NaN.
    pub fn colour(&self, deviation_mm: f64) -> Rgb {
        let side = if deviation_mm < 0.0 { &LOW } else { &HIGH };
        self.of(deviation_mm)
            .checked_sub(1)
            .and_then(|class| side.get(class))
            .copied()
            .unwrap_or(WHITE)
    }

    /// Colour of dots and hatching on a deviation: dark on light classes, white on dark ones.
    pub fn mark(&self, deviation_mm: f64) -> Rgb {
        match (self.of(deviation_mm) >= 4, deviation_mm < 0.0) {
            (true, _) => WHITE,
            (false, true) => LOW[4],
            (false, false) => HIGH[4],
        }
    }

    /// Levels of the iso-lines in mm, falling from high to low: the class edges, and further
    /// doubles as far as `deepest_mm`.
    pub fn levels(&self, deepest_mm: f64) -> Vec<f64> {
        let mut sizes = self.edges.to_vec();
        let mut next = self.edges[4] * 2.0;
        while next < deepest_mm.min(self.edges[4] * 1024.0) {
            sizes.push(next);
            next *= 2.0;
        }
        let lows = sizes.iter().map(|size| -size);
        sizes.iter().rev().copied().chain(lows).collect()
    }
}

/// `#rrggbb`.
pub fn hex(colour: Rgb) -> String {
    format!("#{:02x}{:02x}{:02x}", colour[0], colour[1], colour[2])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance (ITU-R BT.709 weights on the coded values: enough to compare greys).
    fn grey(c: Rgb) -> f64 {
        0.2126 * c[0] as f64 + 0.7152 * c[1] as f64 + 0.0722 * c[2] as f64
    }

    #[test]
    fn each_class_is_darker_than_the_one_before_in_grey() {
        for side in [LOW, HIGH] {
            for pair in side.windows(2) {
                assert!(grey(pair[0]) - grey(pair[1]) > 20.0, "{pair:?}");
            }
        }
    }

    #[test]
    fn classes_begin_at_the_node_limit_and_double() {
        let classes = Classes::from_node_limit(0.15);
        for (deviation, class) in [
            (0.0, 0),
            (-0.04, 0),
            (0.06, 1),
            (-0.15, 2),
            (0.31, 3),
            (-0.61, 4),
            (5.0, 5),
            (f64::NAN, 0),
        ] {
            assert_eq!(classes.of(deviation), class, "{deviation}");
        }
        assert_eq!(classes.colour(-0.2), LOW[1]);
        assert_eq!(classes.colour(0.02), WHITE);
        assert_eq!(classes.levels(3.0).len(), 12);
    }
}
