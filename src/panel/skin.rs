//! What a panel is made of and how it is placed: what the plan must know beyond its shape.

use super::Polygon;
use jiff::civil::Date;
use serde::Serialize;

/// What lies under the filler.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Substrate {
    /// Laminate or filler made with epoxy.
    Epoxy,
    /// Laminate made with polyester or vinyl ester.
    Polyester,
    /// Carbon laminate, bare.
    Carbon,
    /// Glass laminate, bare.
    Glass,
    /// Gelcoat.
    Gelcoat,
    /// Old antifouling.
    Antifouling,
    /// Bare polystyrene foam.
    PolystyreneFoam,
    /// Bare foam of another kind.
    Foam,
    /// Wood.
    Wood,
    /// Aluminium.
    Aluminium,
    /// Steel.
    Steel,
}

impl Substrate {
    /// All of them with their words in panel.toml.
    pub const ALL: [(&'static str, Substrate); 11] = [
        ("epoxy", Substrate::Epoxy),
        ("polyester", Substrate::Polyester),
        ("carbon", Substrate::Carbon),
        ("glass", Substrate::Glass),
        ("gelcoat", Substrate::Gelcoat),
        ("antifouling", Substrate::Antifouling),
        ("polystyrene-foam", Substrate::PolystyreneFoam),
        ("foam", Substrate::Foam),
        ("wood", Substrate::Wood),
        ("aluminium", Substrate::Aluminium),
        ("steel", Substrate::Steel),
    ];

    /// The word in panel.toml.
    pub fn word(self) -> &'static str {
        let found = Self::ALL.iter().find(|(_, s)| *s == self);
        found.map_or("", |(word, _)| word)
    }
}

/// What lies inside a panel and sets how warm it may become.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Core {
    /// None: one solid skin.
    None,
    /// Polystyrene foam.
    PolystyreneFoam,
    /// Foam of another kind.
    Foam,
    /// Honeycomb.
    Honeycomb,
    /// Balsa or other wood.
    Wood,
}

impl Core {
    /// All of them with their words in panel.toml.
    pub const ALL: [(&'static str, Core); 5] = [
        ("none", Core::None),
        ("polystyrene-foam", Core::PolystyreneFoam),
        ("foam", Core::Foam),
        ("honeycomb", Core::Honeycomb),
        ("wood", Core::Wood),
    ];

    /// The word in panel.toml.
    pub fn word(self) -> &'static str {
        let found = Self::ALL.iter().find(|(_, c)| *c == self);
        found.map_or("", |(word, _)| word)
    }
}

/// What a film over the structure consists of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FilmOf {
    /// Filler over the fibres.
    Filler,
    /// Primer.
    Primer,
    /// Gelcoat.
    Gelcoat,
    /// Paint.
    Paint,
}

impl FilmOf {
    /// All of them with their words in panel.toml.
    pub const ALL: [(&'static str, FilmOf); 4] = [
        ("filler", FilmOf::Filler),
        ("primer", FilmOf::Primer),
        ("gelcoat", FilmOf::Gelcoat),
        ("paint", FilmOf::Paint),
    ];
}

/// How a panel stands while it is filled.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Face {
    /// Lying, worked from above.
    #[default]
    Level,
    /// Standing: thick coats sag.
    Vertical,
    /// Worked from below.
    Overhead,
}

impl Face {
    /// All of them with their words in panel.toml.
    pub const ALL: [(&'static str, Face); 3] = [
        ("level", Face::Level),
        ("vertical", Face::Vertical),
        ("overhead", Face::Overhead),
    ];

    /// The word in panel.toml.
    pub fn word(self) -> &'static str {
        let found = Self::ALL.iter().find(|(_, f)| *f == self);
        found.map_or("", |(word, _)| word)
    }
}

/// Film over the structure that may be sanded into, where it is known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Film {
    /// Over the whole panel, mm.
    pub all_mm: Option<f64>,
    /// In areas of their own, mm; the last one that holds a place counts.
    pub areas: Vec<(Polygon, f64)>,
    /// What it consists of; `None`: nobody said, and then it caps what may come off but allows
    /// nothing.
    pub of: Option<FilmOf>,
    /// What must stay, mm; `None`: the usual default.
    pub keep_mm: Option<f64>,
    /// Day on which it was measured.
    pub measured: Option<Date>,
    /// What became of it since, from a job book's ledger; it counts before what was stated.
    pub now: Option<FilmNow>,
}

/// Film at nodes, x running fastest; node (ix, iy) lies at (ix·step, iy·step). NaN where it is not
/// known.
#[derive(Clone, Debug)]
pub struct FilmNow {
    /// Spacing, mm.
    pub step_mm: f64,
    /// Nodes along x.
    pub nx: usize,
    /// Film, mm.
    pub film_mm: Vec<f64>,
    /// Lower end of its 95 % interval, mm.
    pub low_mm: Vec<f64>,
}

impl PartialEq for FilmNow {
    /// To the bit, so that NaN is as good as NaN.
    fn eq(&self, other: &Self) -> bool {
        let same = |a: &[f64], b: &[f64]| {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.to_bits() == b.to_bits())
        };
        (self.step_mm, self.nx) == (other.step_mm, other.nx)
            && same(&self.film_mm, &other.film_mm)
            && same(&self.low_mm, &other.low_mm)
    }
}

impl FilmNow {
    /// The value of the node nearest to a place; `None` off the nodes and where it is not known.
    fn nearest(&self, of: &[f64], x: f64, y: f64) -> Option<f64> {
        let (u, v) = ((x / self.step_mm).round(), (y / self.step_mm).round());
        if u < 0.0 || v < 0.0 || u >= self.nx as f64 {
            return None;
        }
        of.get(v as usize * self.nx + u as usize)
            .copied()
            .filter(|mm| !mm.is_nan())
    }
}

/// Film to leave over the structure unless set, mm: filler over fibres (common practice, no
/// source).
pub const FILM_KEEP_MM: f64 = 0.1;

impl Film {
    /// Film at a place, mm; `None` where it is not known.
    pub fn at(&self, x: f64, y: f64) -> Option<f64> {
        match &self.now {
            Some(now) => now.nearest(&now.film_mm, x, y),
            None => self.stated_at(x, y),
        }
    }

    /// Lower end of its 95 % interval, mm; as stated where no ledger tells.
    pub fn low_at(&self, x: f64, y: f64) -> Option<f64> {
        match &self.now {
            Some(now) => now.nearest(&now.low_mm, x, y),
            None => self.stated_at(x, y),
        }
    }

    /// What was stated, in one word for each place and thickness: two films that read the same are
    /// the same.
    pub fn stated(&self) -> String {
        let areas = self
            .areas
            .iter()
            .map(|(p, mm)| format!(" {mm} in {:?}", p.0));
        let all = self.all_mm.map_or("none".to_string(), |mm| mm.to_string());
        let day = self.measured.map_or(String::new(), |d| format!(" on {d}"));
        all + &areas.collect::<String>() + &day
    }

    fn stated_at(&self, x: f64, y: f64) -> Option<f64> {
        let area = self.areas.iter().rev().find(|(p, _)| p.contains(x, y));
        area.map(|(_, film)| *film).or(self.all_mm)
    }

    /// What must stay, mm.
    pub fn keep_mm(&self) -> f64 {
        self.keep_mm.unwrap_or(FILM_KEEP_MM)
    }

    /// Whether anything is known.
    pub fn is_known(&self) -> bool {
        self.now.is_some() || self.all_mm.is_some() || !self.areas.is_empty()
    }

    /// What may come off at a place, mm: the film's lower end less what must stay; `None` where
    /// nobody said. Nothing where a ledger lost it.
    pub fn spare_at(&self, x: f64, y: f64) -> Option<f64> {
        let low = self.low_at(x, y);
        let low = low.or_else(|| self.now.as_ref().and(self.stated_at(x, y)).map(|_| 0.0));
        low.map(|film| (film - self.keep_mm()).max(0.0))
    }
}

/// Where a panel's mass acts, and how much may be put on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MassPlace {
    /// Arm from the user's datum, mm: of the panel's datum corner with `along`, else of all that is
    /// put on.
    pub arm_mm: Option<f64>,
    /// Direction in the panel frame in which the arm grows; `None`: one arm for the whole panel.
    pub along: Option<[f64; 2]>,
    /// Hinge line of a moving surface: two points, mm.
    pub hinge: Option<[[f64; 2]; 2]>,
    /// Most that may be put on in all, g.
    pub budget_g: Option<f64>,
    /// Most that may be put on for each m², g.
    pub budget_g_per_m2: Option<f64>,
    /// What filling and priming put on before, g.
    pub so_far_g: f64,
    /// Mass of the whole craft, g, and the arm of its centre of gravity, mm.
    pub whole: Option<(f64, f64)>,
}

impl MassPlace {
    /// Arm of a place, mm.
    pub fn arm_at(&self, x: f64, y: f64) -> Option<f64> {
        let arm = self.arm_mm?;
        Some(match self.along {
            Some([ux, uy]) => arm + ux * x + uy * y,
            None => arm,
        })
    }

    /// Distance of a place from the hinge line, mm, positive on the side on which `middle` lies.
    pub fn behind_hinge_mm(&self, [x, y]: [f64; 2], middle: [f64; 2]) -> Option<f64> {
        let [p, q] = self.hinge?;
        let length = (q[0] - p[0]).hypot(q[1] - p[1]);
        let side = |x: f64, y: f64| {
            ((q[0] - p[0]) * (y - p[1]) - (q[1] - p[1]) * (x - p[0])) / length.max(1e-9)
        };
        let own = side(middle[0], middle[1]);
        Some(if own < 0.0 { -side(x, y) } else { side(x, y) })
    }
}

/// All of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Skin {
    /// What lies under the filler; `None`: nobody said.
    pub substrate: Option<Substrate>,
    /// What lies inside; `None`: nobody said.
    pub core: Option<Core>,
    /// Warmest that the designer allows it to become, °C.
    pub heat_limit_c: Option<f64>,
    /// A wing, tail, keel or other surface whose section matters.
    pub lifting: bool,
    /// How it stands.
    pub face: Face,
    /// Whether it will be below water; `None`: nobody said.
    pub below_water: Option<bool>,
    /// Film over the structure.
    pub film: Film,
    /// Mass and balance.
    pub mass: MassPlace,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_area_that_holds_a_place_tells_its_film() {
        let square = |a: f64, b: f64| Polygon(vec![[a, a], [b, a], [b, b], [a, b]]);
        let film = Film {
            all_mm: Some(0.5),
            areas: vec![(square(0.0, 100.0), 0.3), (square(0.0, 50.0), 0.05)],
            of: None,
            keep_mm: None,
            measured: None,
            now: None,
        };
        assert_eq!(film.at(200.0, 200.0), Some(0.5));
        assert_eq!(film.at(80.0, 80.0), Some(0.3));
        assert_eq!(film.spare_at(20.0, 20.0), Some(0.0));
        assert_eq!(Film::default().spare_at(0.0, 0.0), None);
    }

    #[test]
    fn a_ledger_counts_before_what_was_stated() {
        let now = FilmNow {
            step_mm: 10.0,
            nx: 2,
            film_mm: vec![0.4, 0.3, f64::NAN, 0.2],
            low_mm: vec![0.3, 0.25, f64::NAN, 0.05],
        };
        let film = Film {
            all_mm: Some(0.5),
            now: Some(now),
            ..Film::default()
        };
        assert_eq!(film.at(1.0, 2.0), Some(0.4));
        assert_eq!(film.at(0.0, 10.0), None);
        assert_eq!(film.at(20.0, 0.0), None);
        assert_eq!(film.at(0.0, 20.0), None);
        assert_eq!(film.spare_at(10.0, 10.0), Some(0.0));
        assert!((film.spare_at(10.0, 0.0).unwrap() - 0.15).abs() < 1e-12);
        assert_eq!(film.spare_at(0.0, 10.0), Some(0.0));
    }

    #[test]
    fn a_place_on_the_panels_side_lies_behind_the_hinge() {
        let mass = MassPlace {
            hinge: Some([[0.0, 100.0], [1000.0, 100.0]]),
            ..MassPlace::default()
        };
        let middle = [500.0, 300.0];
        assert_eq!(mass.behind_hinge_mm([10.0, 250.0], middle), Some(150.0));
        assert_eq!(mass.behind_hinge_mm([10.0, 20.0], middle), Some(-80.0));
        assert_eq!(mass.behind_hinge_mm([10.0, 20.0], [500.0, 0.0]), Some(80.0));
    }

    #[test]
    fn an_arm_grows_along_the_panel_where_a_direction_is_given() {
        let mut mass = MassPlace {
            arm_mm: Some(2000.0),
            ..MassPlace::default()
        };
        assert_eq!(mass.arm_at(300.0, 40.0), Some(2000.0));
        mass.along = Some([-1.0, 0.0]);
        assert_eq!(mass.arm_at(300.0, 40.0), Some(1700.0));
    }
}
