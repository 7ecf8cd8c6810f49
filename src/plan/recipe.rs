//! What is mixed: the parts of a filler or primer, how it cures, how thick it goes on.
//!
//! A [`Recipe`] is complete: every share is known by mass and every default is filled in, each
//! figure with its origin.

use super::figure::Figure;
use serde::Serialize;

/// Random close packing of equal spheres: the greatest share of solids that still leaves no air
/// (published: Scott and Kilgour 1969, 0.6366; rounded).
pub const CLOSEST_PACKING: f64 = 0.64;
/// By what pot life is divided for each 10 °C more (published: an adhesive maker; halving, for
/// about 100 g).
pub const USUAL_FACTOR: f64 = 2.0;
/// The range of that factor (the same source).
pub const FACTOR_RANGE: [f64; 2] = [1.5, 2.5];

/// What cures it: decides which cautions belong to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Base {
    /// Epoxy resin with an amine hardener.
    Epoxy,
    /// Polyester with a peroxide.
    Polyester,
    /// High-build primer.
    Primer,
    /// Anything else.
    Other,
}

/// What a part does in the mix.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Resin, paste, or the first of two equal parts.
    Base,
    /// What makes it cure; its ratio to the base is held closest.
    Hardener,
    /// Bubbles and other powders, measured loose.
    Powder,
}

/// One part of a recipe.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Name, as on the card.
    pub name: String,
    /// What it does.
    pub role: Role,
    /// Its share of the mix's mass; the shares of a recipe add to 1.
    pub mass_share: f64,
    /// True density, g/cc.
    pub density_g_per_cc: f64,
    /// Density as scooped, g/cc; powders only.
    pub bulk_g_per_cc: Option<f64>,
    /// What one stroke of the user's own pump gives, g; only when the user weighed it.
    pub stroke_g: Option<f64>,
}

/// A recipe for filler or primer.
#[derive(Clone, Debug, PartialEq)]
pub struct Recipe {
    /// Name by which it is asked for.
    pub name: String,
    /// What it is, one line.
    pub about: String,
    /// Where its ratio comes from.
    pub ratio_from: String,
    /// What cures it.
    pub base: Base,
    /// Its parts, in the order they go into the pot.
    pub parts: Vec<Part>,
    /// Density of the mix, where it was weighed or a data sheet gives it.
    pub density_g_per_cc: Option<Figure>,
    /// Air in the mix, % of its volume, where it is known better than from how powder packs.
    pub air_percent: Option<Figure>,
    /// Pot life at `at_c`, min.
    pub pot_life_min: Figure,
    /// Hours until it can be sanded at `at_c`.
    pub sandable_h: Figure,
    /// The temperature that pot life and sanding time belong to, °C.
    pub at_c: f64,
    /// By what both are divided for each 10 °C more.
    pub factor: Figure,
    /// Its range, low and high.
    pub factor_range: [f64; 2],
    /// Greatest thickness of one coat on a level face, mm; no limit known without it.
    pub greatest_coat_mm: Option<Figure>,
    /// Most that may be built up of it in all coats together, mm; no limit known without it.
    pub greatest_build_mm: Option<Figure>,
    /// Coldest temperature it may be mixed and spread at, °C.
    pub from_c: Figure,
    /// Warmest, °C.
    pub to_c: Figure,
    /// Panel temperature below which it is warned, °C.
    pub panel_from_c: Option<Figure>,
    /// Greatest mass in one pot, g: heat of the cure.
    pub greatest_pot_g: Figure,
    /// What one person spreads, cc/min.
    pub spread_cc_per_min: Figure,
    /// What mixing takes off the pot life, min.
    pub mixing_min: Figure,
    /// Shrinkage by volume on cure, %.
    pub shrink_percent: Figure,
    /// Share of the wet volume that stays when dry, %; 100 for fillers.
    pub solids_percent: Figure,
    /// Wet thickness of one coat, mm; primers.
    pub wet_coat_mm: Option<Figure>,
    /// Density when dry, g/cc, where it differs from that of the mix.
    pub dry_density_g_per_cc: Option<Figure>,
    /// Hours before primer may go over it.
    pub prime_after_h: Option<Figure>,
    /// It may hold isocyanate.
    pub isocyanate: bool,
}

/// What the densities and shares of the parts alone tell about the mix.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct WorkedOut {
    /// Density with no air counted, g/cc.
    pub without_air_g_per_cc: f64,
    /// Density with the air that packing leaves, g/cc; the same where there is none.
    pub with_air_g_per_cc: f64,
    /// Solids over solids and liquid by volume, 0 to 1.
    pub solid_share: f64,
    /// Air over the whole, 0 to 1: as stated, else what packing leaves.
    pub air_share: f64,
}

impl WorkedOut {
    /// Whether there is more powder than the liquid can fill between.
    pub fn holds_air(&self) -> bool {
        self.solid_share > CLOSEST_PACKING
    }
}

/// A time at another temperature: `t(T) = t_ref · f^((T_ref − T)/10)`.
///
/// Times in one unit, in and out; temperatures in °C. The rule is one of thumb (published: adhesive
/// maker, coating inspection notes); the law behind it gives a factor of 1.91 where it gave 2 ten
/// degrees colder.
///
/// ```
/// let hours = |c| lowspot::plan::recipe::time_at(4.0, 25.0, c, 2.0);
/// assert_eq!((hours(25.0), hours(35.0), hours(45.0)), (4.0, 2.0, 1.0));
/// ```
pub fn time_at(time: f64, time_at_c: f64, at_c: f64, factor: f64) -> f64 {
    time * factor.powf((time_at_c - at_c) / 10.0)
}

impl Recipe {
    /// Pot life at a temperature, min.
    pub fn pot_life_min_at(&self, at_c: f64) -> f64 {
        time_at(self.pot_life_min.value, self.at_c, at_c, self.factor.value)
    }

    /// Shortest and longest pot life that the range of the factor gives at a temperature, min.
    pub fn pot_life_range_min_at(&self, at_c: f64) -> [f64; 2] {
        let [a, b] = self
            .factor_range
            .map(|f| time_at(self.pot_life_min.value, self.at_c, at_c, f));
        [a.min(b), a.max(b)]
    }

    /// Hours until it can be sanded at a temperature.
    pub fn sandable_h_at(&self, at_c: f64) -> f64 {
        time_at(self.sandable_h.value, self.at_c, at_c, self.factor.value)
    }

    /// The density used for the mix, g/cc, with where it comes from.
    pub fn density(&self) -> Figure {
        self.density_g_per_cc.clone().unwrap_or_else(|| {
            let worked = self.worked_out();
            let air = match &self.air_percent {
                Some(air) => format!(" with {:.0} % of air ({})", air.value, air.origin),
                None if worked.holds_air() => format!(
                    " with {:.0} % of air, which is what so much powder leaves (it packs to 64 % at most, published: Scott and Kilgour 1969)",
                    100.0 * worked.air_share
                ),
                None => String::new(),
            };
            Figure::new(
                worked.with_air_g_per_cc,
                format!("worked out from the parts{air}"),
            )
        })
    }

    /// Density and packing from the parts alone.
    ///
    /// Per g of mix the liquids fill `l` cc and the solids of the powders `s` cc, each mass over
    /// true density. While `s/(s + l) ≤ 0.64` the mix fills `l + s`; beyond, the powder's grains
    /// touch, the mix fills `s/0.64`, and air the rest.
    pub fn worked_out(&self) -> WorkedOut {
        let volume_of = |powder: bool| -> f64 {
            self.parts
                .iter()
                .filter(|p| (p.role == Role::Powder) == powder)
                .map(|p| p.mass_share / p.density_g_per_cc)
                .sum()
        };
        let (liquid, solid) = (volume_of(false), volume_of(true));
        let mass: f64 = self.parts.iter().map(|p| p.mass_share).sum();
        let packed = (liquid + solid).max(solid / CLOSEST_PACKING);
        let air_share = self
            .air_percent
            .as_ref()
            .map_or(1.0 - (liquid + solid) / packed, |air| air.value / 100.0);
        let without_air_g_per_cc = mass / (liquid + solid);
        WorkedOut {
            without_air_g_per_cc,
            with_air_g_per_cc: without_air_g_per_cc * (1.0 - air_share),
            solid_share: solid / (liquid + solid),
            air_share,
        }
    }

    /// Most that may be built up of it in all coats together: never less than one coat of it.
    pub fn greatest_build(&self) -> Option<Figure> {
        let build = self.greatest_build_mm.clone()?;
        match &self.greatest_coat_mm {
            Some(coat) if coat.value > build.value => Some(coat.clone()),
            _ => Some(build),
        }
    }

    /// A sentence where this depth is more than may be built up of it; `what` is what is that deep,
    /// such as "low L1".
    pub fn too_deep(&self, what: &str, depth_mm: f64) -> Option<String> {
        let most = self.greatest_build()?;
        (depth_mm > most.value + 1e-6).then(|| {
            format!(
                "{what}: {depth_mm:.2} mm of {} are more than the {} mm that may be built up of it in all ({}). That is no filler's work, in however many \
                 coats: ask the designer. Mend the structure or the section first, then survey anew",
                self.name,
                crate::text::plain_mm(most.value),
                most.origin
            )
        })
    }

    /// Density when dry, g/cc: what is left on the panel weighs this.
    pub fn dry_density(&self) -> Figure {
        self.dry_density_g_per_cc
            .clone()
            .unwrap_or_else(|| self.density())
    }
}

impl Part {
    /// Volume of a mass of it as measured, cc: a liquid by its true density, a powder loose.
    pub fn measured_cc(&self, mass_g: f64) -> f64 {
        mass_g / self.bulk_g_per_cc.unwrap_or(self.density_g_per_cc)
    }
}
