//! `[[recipe]]` tables of a shop file.

use super::Shop;
use super::file::{Bounds, Kind, ShopReader};
use crate::plan::builtin;
use crate::plan::figure::Figure;
use crate::plan::ratio::{self, Stated};
use crate::plan::recipe::{Base, Part, Recipe, Role};
use crate::settings::{Value, get};
use crate::text::{self, quoted};
use std::ops::Range;
use toml::de::DeTable;

/// Most recipes in one file, most parts in one recipe.
const MOST_RECIPES: usize = 100;
const MOST_PARTS: usize = 12;
const RECIPE_KEYS: [&str; 25] = [
    "name",
    "about",
    "base",
    "part",
    "density",
    "air",
    "pot_life_min",
    "at",
    "factor",
    "sandable",
    "greatest_coat",
    "greatest_build",
    "from",
    "to",
    "panel_from",
    "greatest_pot",
    "spread",
    "mixing",
    "shrink",
    "solids",
    "wet_coat",
    "dry_density",
    "prime_after",
    "isocyanate",
    "factor_range",
];
const PART_KEYS: [&str; 8] = [
    "name", "role", "mass", "volume", "percent", "density", "bulk", "stroke",
];
const BASES: [(&str, Base); 4] = [
    ("epoxy", Base::Epoxy),
    ("polyester", Base::Polyester),
    ("primer", Base::Primer),
    ("other", Base::Other),
];
const ROLES: [(&str, Role); 3] = [
    ("base", Role::Base),
    ("hardener", Role::Hardener),
    ("powder", Role::Powder),
];
/// Densities that anything mixed here can have, g/cc.
const DENSITY: [f64; 2] = [0.02, 20.0];
/// Powder that packs closer than this was weighed pressed, or its true density was given as loose.
const CLOSE: f64 = 0.75;

/// A part as written.
struct Written {
    stated: Stated,
    role: Role,
    bulk: Option<f64>,
    stroke: Option<f64>,
    span: Range<usize>,
}

impl ShopReader<'_> {
    /// All recipes of the file, over the built-in ones: the same name replaces.
    pub(super) fn recipes(&mut self, table: &DeTable, shop: &mut Shop) {
        let Some(value) = get(table, "recipe") else {
            return;
        };
        let mut seen: Vec<String> = Vec::new();
        for (span, entry) in self.tables(value, "recipe", MOST_RECIPES) {
            let Some(recipe) = self.recipe(span.clone(), entry) else {
                let name = get(entry, "name").and_then(|v| v.get_ref().as_str());
                self.faulty.extend(name.map(str::to_string));
                continue;
            };
            if seen.contains(&recipe.name) {
                self.r.fault(
                    span,
                    format!("recipe {} is given twice; keep one", quoted(&recipe.name)),
                );
                continue;
            }
            seen.push(recipe.name.clone());
            match shop.recipes.iter_mut().find(|r| r.name == recipe.name) {
                Some(old) => *old = recipe,
                None => shop.recipes.push(recipe),
            }
        }
    }

    /// The tables of `[[key]]`, with their places.
    fn tables<'v, 'i>(
        &mut self,
        value: Value<'v, 'i>,
        key: &str,
        most: usize,
    ) -> Vec<(Range<usize>, &'v DeTable<'i>)> {
        let list = value.get_ref().as_array();
        let tables: Option<Vec<_>> = list.and_then(|list| {
            list.iter()
                .map(|v| v.get_ref().as_table().map(|t| (v.span(), t)))
                .collect()
        });
        let Some(tables) = tables else {
            let message = format!(
                "{key} is no table; expected [[{key}]] on a line of its own, its keys below"
            );
            self.r.fault(value.span(), message);
            return Vec::new();
        };
        if tables.len() > most {
            let message = format!(
                "{} of [[{key}]]; no more than {most} are read",
                tables.len()
            );
            self.r.fault(value.span(), message);
            return Vec::new();
        }
        tables
    }

    fn recipe(&mut self, span: Range<usize>, table: &DeTable) -> Option<Recipe> {
        self.r
            .check_keys(table, RECIPE_KEYS.into_iter(), "a recipe");
        let name = self
            .needed(table, "name", &span, "name = \"my-micro\"")
            .and_then(|v| self.r.name(v));
        let base = self
            .needed(
                table,
                "base",
                &span,
                "base = \"epoxy\" (or polyester, primer, other)",
            )
            .and_then(|v| self.one_of(v, "base", &BASES));
        let pot_life = self
            .needed(table, "pot_life_min", &span, "pot_life_min = 30, at = 20")
            .and_then(|_| self.figure(table, "pot_life_min", Kind::Plain, [0.1, 10_000.0]));
        let sandable = self
            .needed(table, "sandable", &span, "sandable = 24 (hours)")
            .and_then(|_| self.figure(table, "sandable", Kind::Plain, [0.01, 2000.0]));
        let parts = self.parts(table, &span);
        let mut recipe = self.begun(base.unwrap_or(Base::Other));
        self.rest(table, &mut recipe);
        self.times(table, &span, &mut recipe);
        recipe.name = name?;
        base?;
        recipe.pot_life_min = pot_life?;
        recipe.sandable_h = sandable?;
        recipe.parts = parts?;
        Some(recipe)
    }

    /// What a recipe of this base has where its file says nothing: a generic one's figures, with
    /// their origins.
    fn begun(&self, base: Base) -> Recipe {
        let generic = builtin::recipes()
            .into_iter()
            .find(|r| r.base == base)
            .unwrap_or_else(builtin::undescribed);
        Recipe {
            about: String::new(),
            ratio_from: self.origin.clone(),
            density_g_per_cc: None,
            air_percent: None,
            ..generic
        }
    }

    fn needed<'v, 'i>(
        &mut self,
        table: &'v DeTable<'i>,
        key: &str,
        span: &Range<usize>,
        example: &str,
    ) -> Option<Value<'v, 'i>> {
        let found = get(table, key);
        if found.is_none() {
            let message = format!("{key} is missing; add a line such as {example}");
            self.r.fault(span.clone(), message);
        }
        found
    }

    fn one_of<T: Copy>(&mut self, value: Value, what: &str, words: &[(&str, T)]) -> Option<T> {
        let known: Vec<&str> = words.iter().map(|(w, _)| *w).collect();
        let word = self.r.words(value, what, &format!("\"{}\"", known[0]))?;
        let found = words.iter().find(|(w, _)| *w == word).map(|(_, t)| *t);
        if found.is_none() {
            let near = text::did_you_mean(word, known.iter().copied());
            let message = format!(
                "{what} {} is not known; expected {}{near}",
                quoted(word),
                known.join(", ")
            );
            self.r.fault(value.span(), message);
        }
        found
    }

    /// Everything that may be left out, but for times and temperatures.
    fn rest(&mut self, table: &DeTable, recipe: &mut Recipe) {
        if let Some(about) =
            get(table, "about").and_then(|v| self.r.words(v, "about", "\"light filler\""))
        {
            recipe.about = about
                .chars()
                .filter(|c| !c.is_control())
                .take(200)
                .collect();
        }
        let mut set = |key: &str, kind: Kind, bounds: [f64; 2], to: &mut Figure| {
            if let Some(figure) = self.figure(table, key, kind, bounds) {
                *to = figure;
            }
        };
        set(
            "greatest_pot",
            Kind::Mass,
            [1.0, 100_000.0],
            &mut recipe.greatest_pot_g,
        );
        set(
            "spread",
            Kind::Plain,
            [1.0, 10_000.0],
            &mut recipe.spread_cc_per_min,
        );
        set("mixing", Kind::Plain, [0.0, 60.0], &mut recipe.mixing_min);
        set(
            "shrink",
            Kind::Plain,
            [0.0, 30.0],
            &mut recipe.shrink_percent,
        );
        set(
            "solids",
            Kind::Plain,
            [1.0, 100.0],
            &mut recipe.solids_percent,
        );
        let mut option = |key: &str, kind: Kind, bounds: [f64; 2], to: &mut Option<Figure>| {
            if let Some(figure) = self.figure(table, key, kind, bounds) {
                *to = Some(figure);
            }
        };
        option(
            "density",
            Kind::Plain,
            DENSITY,
            &mut recipe.density_g_per_cc,
        );
        option("air", Kind::Plain, [0.0, 60.0], &mut recipe.air_percent);
        option(
            "dry_density",
            Kind::Plain,
            DENSITY,
            &mut recipe.dry_density_g_per_cc,
        );
        option(
            "greatest_coat",
            Kind::Length,
            [0.01, 100.0],
            &mut recipe.greatest_coat_mm,
        );
        option(
            "greatest_build",
            Kind::Length,
            [0.05, 200.0],
            &mut recipe.greatest_build_mm,
        );
        option(
            "wet_coat",
            Kind::Length,
            [0.005, 20.0],
            &mut recipe.wet_coat_mm,
        );
        option(
            "panel_from",
            Kind::Temperature,
            [-20.0, 60.0],
            &mut recipe.panel_from_c,
        );
        option(
            "prime_after",
            Kind::Plain,
            [0.0, 1000.0],
            &mut recipe.prime_after_h,
        );
        let dry_coat_told = get(table, "solids").is_some() && get(table, "wet_coat").is_none();
        if let Some(wet) = recipe.wet_coat_mm.as_mut().filter(|_| dry_coat_told) {
            *wet = builtin::usual_wet_coat(recipe.solids_percent.value);
        }
        if get(table, "isocyanate").is_some() {
            recipe.isocyanate = self.r.flag(table, "isocyanate");
        }
    }

    /// Temperatures and how they change times.
    fn times(&mut self, table: &DeTable, span: &Range<usize>, recipe: &mut Recipe) {
        if let Some(at) = self.figure(table, "at", Kind::Temperature, [-20.0, 60.0]) {
            recipe.at_c = at.value;
        }
        if let Some(factor) = self.figure(table, "factor", Kind::Plain, [1.0, 5.0]) {
            let [low, high] = recipe.factor_range;
            recipe.factor_range = [low.min(factor.value), high.max(factor.value)];
            recipe.factor = factor;
        }
        if let Some(value) = get(table, "factor_range") {
            self.factor_range(value, recipe);
        }
        for (key, to) in [("from", &mut recipe.from_c), ("to", &mut recipe.to_c)] {
            if let Some(figure) = self.figure(table, key, Kind::Temperature, [-20.0, 80.0]) {
                *to = figure;
            }
        }
        let (from, to) = (recipe.from_c.value, recipe.to_c.value);
        if from >= to {
            let message = format!(
                "from {from} °C is not below to {to} °C; expected the coldest and the warmest it may be used at"
            );
            self.r.fault(span.clone(), message);
        }
    }

    fn factor_range(&mut self, value: Value, recipe: &mut Recipe) {
        let bounds = Bounds {
            what: "factor_range",
            kind: Kind::Plain,
            least: 1.0,
            most: 5.0,
        };
        let list = value.get_ref().as_array();
        let numbers: Vec<f64> = list
            .into_iter()
            .flat_map(|l| l.iter())
            .filter_map(|v| self.number(v, &bounds))
            .collect();
        match numbers.as_slice() {
            [low, high] if (*low..=*high).contains(&recipe.factor.value) => {
                recipe.factor_range = [*low, *high];
            }
            _ => self.r.wrong_kind(
                value,
                "factor_range",
                "a range that holds factor, such as [1.5, 2.5]",
            ),
        }
    }

    fn parts(&mut self, table: &DeTable, span: &Range<usize>) -> Option<Vec<Part>> {
        let value = self.needed(
            table,
            "part",
            span,
            "[[recipe.part]] with name, mass and density",
        )?;
        let tables = self.tables(value, "recipe.part", MOST_PARTS);
        let count = tables.len();
        let written: Vec<Written> = tables
            .into_iter()
            .enumerate()
            .filter_map(|(k, (span, t))| self.part(k, span, t))
            .collect();
        if written.len() < count || count == 0 {
            return None;
        }
        if !written.iter().any(|w| w.role == Role::Base) {
            let message = "no part is the base; expected role = \"base\" for the resin or paste";
            self.r.fault(value.span(), message);
            return None;
        }
        let stated: Vec<Stated> = written.iter().map(|w| w.stated.clone()).collect();
        match ratio::shares(&stated) {
            Ok(shares) => Some(written.into_iter().zip(shares).map(made).collect()),
            Err(slip) => {
                let at = written
                    .get(slip.part)
                    .map_or(value.span(), |w| w.span.clone());
                self.r.fault(at, slip.message);
                None
            }
        }
    }

    fn part(&mut self, index: usize, span: Range<usize>, table: &DeTable) -> Option<Written> {
        self.r.check_keys(table, PART_KEYS.into_iter(), "a part");
        let name = self
            .needed(table, "name", &span, "name = \"resin\"")
            .and_then(|v| self.r.name(v));
        let mut number = |key: &str, bounds: [f64; 2]| {
            self.figure(table, key, Kind::Plain, bounds)
                .map(|f| f.value)
        };
        let (mass, volume) = (number("mass", [1e-6, 1e6]), number("volume", [1e-6, 1e6]));
        let percent = number("percent", [1e-6, 100.0]);
        let bulk = number("bulk", DENSITY);
        let density = self
            .needed(
                table,
                "density",
                &span,
                "density = 1.15 (true density, g/cc)",
            )
            .and_then(|_| self.figure(table, "density", Kind::Plain, DENSITY));
        let stroke = self.figure(table, "stroke", Kind::Mass, [0.01, 10_000.0]);
        let role = match get(table, "role") {
            Some(value) => self.one_of(value, "role", &ROLES)?,
            None if get(table, "bulk").is_some() => Role::Powder,
            None if index == 0 => Role::Base,
            None => Role::Hardener,
        };
        let density = density?.value;
        self.check_bulk(&span, table, role, density, bulk)?;
        Some(Written {
            stated: Stated {
                name: name?,
                mass,
                volume,
                percent,
                measured_g_per_cc: bulk.unwrap_or(density),
                density_g_per_cc: density,
                powder: role == Role::Powder,
            },
            role,
            bulk,
            stroke: stroke.map(|s| s.value),
            span,
        })
    }

    /// A powder has a loose density, below its true one; nothing else has.
    fn check_bulk(
        &mut self,
        span: &Range<usize>,
        table: &DeTable,
        role: Role,
        density: f64,
        bulk: Option<f64>,
    ) -> Option<()> {
        let given = get(table, "bulk").map(|v| v.span());
        let message = match (role, bulk) {
            (Role::Powder, None) if given.is_none() => {
                "bulk is missing: a powder's loose density in g/cc; weigh a level 100 cc cup of it, \
                 not pressed, and divide by 100"
                    .to_string()
            }
            (Role::Powder, Some(bulk)) if bulk >= density => format!(
                "bulk {bulk} is not below density {density}; expected the loose density, air between the grains counted, and \
                 the true density of the grains"
            ),
            (Role::Base | Role::Hardener, Some(_)) => {
                "bulk belongs to powders only; leave it out, or write role = \"powder\"".to_string()
            }
            _ => {
                let close = bulk.filter(|b| b / density > CLOSE);
                if let Some(bulk) = close {
                    self.r.warn(
                        given,
                        format!("bulk {bulk} is more than {CLOSE} of density {density}: loose powder does not pack so close; was it pressed?"),
                    );
                }
                return Some(());
            }
        };
        self.r.fault(given.unwrap_or_else(|| span.clone()), message);
        None
    }
}

fn made((written, mass_share): (Written, f64)) -> Part {
    Part {
        name: written.stated.name,
        role: written.role,
        mass_share,
        density_g_per_cc: written.stated.density_g_per_cc,
        bulk_g_per_cc: written.bulk,
        stroke_g: written.stroke,
    }
}
