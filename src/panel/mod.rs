//! The panel: its frame, outline, openings, zones, limits and what may be sanded off.
//!
//! Lengths are millimetres in the panel frame: origin at the datum corner, `x` along the length,
//! `y` across, taped along the surface.

pub mod corners;
pub mod file;
pub mod presets;
pub mod skin;

pub use skin::FilmNow;

use serde::Serialize;

/// The fair shape a panel is meant to have, as far as it steers the reference surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// Meant to be flat.
    Flat,
    /// Straight along `x`, curved across.
    RuledX,
    /// Straight along `y`, curved along `x`.
    RuledY,
    /// Curved both ways.
    Crowned,
}

impl Form {
    /// Form wavelengths (along x, along y) in mm: longer waves are shape, shorter are unfair.
    /// Defaults of our own (common practice, no source); `form_wavelength` in panel.toml changes
    /// them.
    pub fn wavelengths_mm(self) -> [f64; 2] {
        match self {
            Form::Flat => [1500.0, 1500.0],
            Form::Crowned => [1200.0, 1200.0],
            // Rulings tie what is across: 500 across was far too stiff for a section.
            Form::RuledX => [3000.0, 300.0],
            Form::RuledY => [300.0, 3000.0],
        }
    }
}

/// What a limit limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Largest gap under a straightedge of the base length, mm.
    Gap,
    /// Total swing of a centre dial between feet the base apart, mm.
    Swing,
    /// Largest slope over the base length, mm/m.
    Slope,
}

/// "No more than `max` over `base_mm`, laid anywhere, any direction", on the deviation from the
/// fair shape.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Limit {
    /// What is limited.
    pub quantity: Quantity,
    /// Base length in mm.
    pub base_mm: f64,
    /// Most that is allowed: mm for a gap or a swing, mm/m for a slope.
    pub max: f64,
    /// Where the number comes from: "published: …", "common practice", "set in panel.toml".
    pub origin: String,
}

/// A closed polygon in the panel frame, mm; the last corner joins the first.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Polygon(pub Vec<[f64; 2]>);

impl Polygon {
    /// The rectangle from the datum corner to (`length`, `width`).
    pub fn rectangle(length: f64, width: f64) -> Self {
        Polygon(vec![
            [0.0, 0.0],
            [length, 0.0],
            [length, width],
            [0.0, width],
        ])
    }

    /// Whether a point lies inside or within 1e-9 mm of the edge.
    pub fn contains(&self, x: f64, y: f64) -> bool {
        if self.distance_to_edge(x, y) <= 1e-9 {
            return true;
        }
        let mut inside = false;
        for (p, q) in self.edges() {
            if (p[1] > y) != (q[1] > y) {
                let at = p[0] + (y - p[1]) / (q[1] - p[1]) * (q[0] - p[0]);
                if x < at {
                    inside = !inside;
                }
            }
        }
        inside
    }

    /// The sides, each as its two ends.
    pub fn edges(&self) -> impl Iterator<Item = ([f64; 2], [f64; 2])> + '_ {
        let n = self.0.len();
        (0..n).map(move |i| (self.0[i], self.0[(i + 1) % n]))
    }

    /// Distance in mm from a point to the nearest side; infinite for an empty polygon.
    pub fn distance_to_edge(&self, x: f64, y: f64) -> f64 {
        self.edges()
            .map(|(p, q)| {
                let (dx, dy) = (q[0] - p[0], q[1] - p[1]);
                let length2 = dx * dx + dy * dy;
                let t = if length2 > 0.0 {
                    (((x - p[0]) * dx + (y - p[1]) * dy) / length2).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                (x - p[0] - t * dx).hypot(y - p[1] - t * dy)
            })
            .fold(f64::INFINITY, f64::min)
    }

    /// Area in mm² (shoelace formula), whichever way round the corners run.
    pub fn area_mm2(&self) -> f64 {
        self.edges()
            .map(|(p, q)| p[0] * q[1] - q[0] * p[1])
            .sum::<f64>()
            .abs()
            / 2.0
    }

    /// Smallest box around it: `[x0, y0, x1, y1]`.
    pub fn bounds(&self) -> [f64; 4] {
        self.0.iter().fold(
            [
                f64::INFINITY,
                f64::INFINITY,
                f64::NEG_INFINITY,
                f64::NEG_INFINITY,
            ],
            |b, p| {
                [
                    b[0].min(p[0]),
                    b[1].min(p[1]),
                    b[2].max(p[0]),
                    b[3].max(p[1]),
                ]
            },
        )
    }
}

/// An area with limits of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// Its name, as the user wrote it.
    pub name: String,
    /// Where it lies.
    pub outline: Polygon,
    /// The limits that hold there instead of the panel's.
    pub limits: Vec<Limit>,
}

/// One panel as read from `panel.toml`, all defaults filled in.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Its name.
    pub name: String,
    /// Length along x, mm.
    pub length_mm: f64,
    /// Width along y, mm.
    pub width_mm: f64,
    /// The fair shape it is meant to have.
    pub form: Form,
    /// Name of the preset of limits, if one was given.
    pub purpose: Option<String>,
    /// The outer edge.
    pub outline: Polygon,
    /// Openings.
    pub cutouts: Vec<Polygon>,
    /// Areas where nothing may be sanded off.
    pub no_sand: Vec<Polygon>,
    /// Areas where no filler may go (drains, ports, hinge gaps).
    pub no_fill: Vec<Polygon>,
    /// Areas that are not looked at in photos: what hangs in front of the panel, or is misread
    /// there.
    pub photo_ignore: Vec<Polygon>,
    /// Most that may be sanded off, mm; `None` when the user did not say (0.05 mm is then assumed,
    /// and said).
    pub sand_allowance_mm: Option<f64>,
    /// Limits of the whole panel.
    pub limits: Vec<Limit>,
    /// Areas with limits of their own.
    pub zones: Vec<Zone>,
    /// Form wavelengths (x, y) in mm, from the file or from [`Form::wavelengths_mm`].
    pub form_wavelength_mm: [f64; 2],
    /// Whether the wavelengths were set by the user.
    pub form_wavelength_given: bool,
    /// Radius along x and along y where it is known from a drawing, a template or the twin, mm:
    /// positive is crowned outwards, infinite is straight; `None` leaves the curvature free.
    pub radius_mm: [Option<f64>; 2],
    /// What primer can take: deeper is a low, mm. 0.15 unless set.
    pub node_limit_mm: f64,
    /// Sheet metal: the skin is moved before anything is filled.
    pub sheet_metal: bool,
    /// A moving surface (aileron, rudder): the balance caution comes before any amount.
    pub moving_surface: bool,
    /// Numbered targets taped on for photos, each number once.
    pub targets: Vec<Target>,
    /// What it is made of, its film, its arm and its budget of mass.
    pub skin: skin::Skin,
}

/// A numbered target taped on the panel: the place of its centre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// Its number, as printed.
    pub number: u16,
    /// Place of its centre along the length, mm.
    pub x_mm: f64,
    /// Place of its centre across, mm.
    pub y_mm: f64,
}

/// How far off the outline a target may stand, mm: on the frame or a tab of tape beside the panel.
pub const TARGET_SLACK_MM: f64 = 50.0;

/// Allowance assumed when none is given, mm: about what blocking takes anyway (common practice, no
/// source).
pub const ASSUMED_ALLOWANCE_MM: f64 = 0.05;
/// What primer can take unless set, mm (common practice, no source).
pub const NODE_LIMIT_MM: f64 = 0.15;

impl Panel {
    /// Whether a point is on the panel: inside the outline, in no opening (edges of openings count
    /// as on).
    pub fn contains(&self, x: f64, y: f64) -> bool {
        self.outline.contains(x, y)
            && !self
                .cutouts
                .iter()
                .any(|c| c.contains(x, y) && c.distance_to_edge(x, y) > 1e-9)
    }

    /// Curvatures that are known (second derivatives along x and y, 1/mm, crowned outwards
    /// negative), if any is.
    pub fn curvature_per_mm(&self) -> Option<[Option<f64>; 2]> {
        let known = self.radius_mm.map(|r| r.map(|r| -1.0 / r));
        known.iter().any(Option::is_some).then_some(known)
    }

    /// Whether a target may stand at a point: on the panel's outline or no more than
    /// [`TARGET_SLACK_MM`] beside it.
    pub fn carries_target(&self, x: f64, y: f64) -> bool {
        self.outline.contains(x, y) || self.outline.distance_to_edge(x, y) <= TARGET_SLACK_MM
    }

    /// Most that may come off at a point, mm: zero in a no-sand area; where film is known never
    /// more than film less what must stay. A film of which nobody said what it is allows nothing by
    /// itself. Without either the assumed allowance.
    pub fn allowance_at(&self, x: f64, y: f64) -> f64 {
        if self.no_sand.iter().any(|p| p.contains(x, y)) {
            return 0.0;
        }
        let film = &self.skin.film;
        let spare = film.spare_at(x, y);
        match (self.sand_allowance_mm, spare) {
            (Some(allowance), Some(spare)) => allowance.min(spare),
            (None, Some(spare)) if film.of.is_none() => spare.min(ASSUMED_ALLOWANCE_MM),
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => ASSUMED_ALLOWANCE_MM,
        }
    }

    /// The allowance that holds where no area says otherwise, mm.
    pub fn general_allowance_mm(&self) -> f64 {
        let keep = self.skin.film.keep_mm();
        let spare = self.skin.film.all_mm.map(|film| (film - keep).max(0.0));
        let by_film = spare.filter(|_| self.skin.film.of.is_some());
        let stated = self.sand_allowance_mm.or(by_film);
        stated
            .unwrap_or(ASSUMED_ALLOWANCE_MM)
            .min(spare.unwrap_or(f64::INFINITY))
    }

    /// Whether the user said what may come off at a point: by an allowance, or by the film there.
    pub fn allowance_given_at(&self, x: f64, y: f64) -> bool {
        let film = &self.skin.film;
        self.sand_allowance_mm.is_some() || (film.of.is_some() && film.at(x, y).is_some())
    }

    /// Area of skin in cm²: outline less openings.
    pub fn area_cm2(&self) -> f64 {
        (self.outline.area_mm2() - self.cutouts.iter().map(Polygon::area_mm2).sum::<f64>()) / 100.0
    }
}
