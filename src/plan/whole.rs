//! The stage's main function: everything put together into one [`Plan`].

use super::amounts::Stuff;
use super::balance::{Balance, Load};
use super::fit_for::{self, Fit, Weather};
use super::hand_check;
use super::price::{self, Price};
use super::recipe::{Base, Recipe};
use super::sanding::{self, Board, FilmLeft};
use super::shop::Shop;
use super::spread::Floor;
use super::ways::{self, Ground, Kind, Way};
use super::work::{self, Item};
use crate::judge::{Action, Judgement, Verdict};
use crate::observe::{Survey, Tool};
use crate::panel::Panel;
use crate::problem::Error;
use crate::units::Units;
use serde::Serialize;

/// What the user may choose.
pub struct Choice<'a> {
    /// The shop's figures and recipes.
    pub shop: &'a Shop,
    /// Filler to use.
    pub filler: &'a Recipe,
    /// Primer to use.
    pub primer: &'a Recipe,
    /// Temperature of the shop, °C; `None`: the skin's as noted in the survey, else that of the
    /// recipe.
    pub at_c: Option<f64>,
    /// Temperature of the skin, °C; `None`: as noted in the survey, else the shop's.
    pub skin_c: Option<f64>,
    /// Relative humidity, %.
    pub humidity: Option<f64>,
    /// Way to go; `None`: the one this job suggests.
    pub way: Option<Kind>,
    /// Units of the sentences.
    pub units: Units,
}

/// How depth is parted between filler and primer, by mass.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Split {
    /// Hollows no deeper than primer takes, outside the lows, cc: left to the primer.
    pub shallow_cc: f64,
    /// Their area, cm².
    pub shallow_cm2: f64,
    /// What they weigh full of primer, g.
    pub as_primer_g: f64,
    /// What they would weigh full of filler, g.
    pub as_filler_g: f64,
    /// What the lows weigh full of filler, g.
    pub lows_as_filler_g: f64,
    /// What the lows would weigh full of primer, g.
    pub lows_as_primer_g: f64,
    /// Build coat over all that stays whichever way is gone, g.
    pub build_coat_g: f64,
}

/// A figure that was used.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Used {
    /// What it is, with its unit.
    pub what: String,
    /// Its value.
    pub value: f64,
    /// Where it comes from.
    pub origin: String,
}

/// The plan.
pub struct Plan {
    /// Prices of highs, dearest first.
    pub highs: Vec<Price>,
    /// Ways, side by side.
    pub ways: Vec<Way>,
    /// Ways that do not fit, and why.
    pub not_offered: Vec<(Kind, String)>,
    /// Index of the way planned, in `ways`; `None` where there is nothing to fill or prime.
    pub chosen: Option<usize>,
    /// Why that one.
    pub why: String,
    /// Filler and primer.
    pub split: Split,
    /// Board.
    pub board: Board,
    /// Film over the structure, where it is known.
    pub film: Option<FilmLeft>,
    /// Mass and moments.
    pub balance: Balance,
    /// The work, in order.
    pub work: Vec<Item>,
    /// Lines to check the map by hand.
    pub hand_checks: Vec<hand_check::Line>,
    /// Whether the filler suits.
    pub fits: Vec<Fit>,
    /// Temperatures taken.
    pub weather: Weather,
    /// Figures used.
    pub used: Vec<Used>,
}

impl Plan {
    /// Puts the command for the mixing card as it is to be typed in the place of the one for the
    /// plan's own folder.
    pub fn printed_as(&mut self, command: &str) {
        for item in &mut self.work {
            item.tool = item.tool.replace(work::MIX_COMMAND, command);
        }
    }

    /// The way planned.
    pub fn way(&self) -> Option<&Way> {
        self.chosen.and_then(|k| self.ways.get(k))
    }
}

/// Hollows shallower than this are nobody's business, mm: a region's rim (as for
/// [`crate::judge::Judgement::to_level_cc`]).
const SHALLOW_MM: f64 = 0.05;
/// Lows on more of the panel than this are skimmed rather than spotted (common practice, no
/// source).
const SKIM_SHARE: f64 = 0.4;
/// Edge that is told in the check by hand when the survey used none, mm.
const EDGE_MM: f64 = 600.0;

/// Make a plan of a judged panel.
///
/// # Errors
/// [`Error::Survey`] when there are no readings: a photo tells no depth. [`Error::Usage`] when the
/// way asked for does not fit this job.
pub fn plan(panel: &Panel, survey: &Survey, j: &Judgement, choice: &Choice) -> Result<Plan, Error> {
    if j.readings == 0 {
        return Err(Error::Survey(
            "a photo alone tells no depth, so no amounts can be planned: add readings (`lowspot blank` writes a form for them)".into(),
        ));
    }
    if choice.filler.base == Base::Primer {
        return Err(Error::Usage(format!(
            "{} is a primer: it fills nothing deeper than primer takes; choose a filler",
            choice.filler.name
        )));
    }
    if nothing_may_be_sanded(panel, j) {
        return Err(Error::Survey(
            "all of the panel is marked no_sand: filler has to be sanded, so there is nothing to plan; mend the no_sand areas in panel.toml".into(),
        ));
    }
    let weather = weather(j, choice);
    in_range(choice, &weather)?;
    let floor = Floor::new(j, panel);
    let ground = Ground {
        floor: &floor,
        panel,
        shop: choice.shop,
        filler: choice.filler,
        primer: choice.primer,
        at_c: weather.air_c,
        skin_c: weather.skin_c,
        units: choice.units,
    };
    let (ways, not_offered) = ways::ways(&ground);
    let board = sanding::board(j, choice.shop, choice.units);
    let (chosen, why) = choose(panel, j, &ways, &not_offered, &board, choice.way)?;
    let way = chosen.and_then(|k| ways.get(k));
    not_too_deep(panel, &floor, way, choice.shop)?;
    let none = ndarray::Array2::zeros(j.nodes.deviation.dim());
    let film = sanding::film_left(
        &floor,
        panel,
        choice.shop,
        way.map_or(&none, |w| &w.spread.thickness_mm),
    );
    let split = split(&floor, panel, choice);
    let balance = Load {
        panel,
        step_mm: j.nodes.grid.step_mm,
        areas_mm2: &floor.fill_areas_mm2,
        left_mm: way.map_or(&none, |w| &w.spread.left_mm),
        mass_g: way.map_or(crate::judge::Interval::default(), |w| w.left_on_g),
        build_coat_g: match way {
            Some(w) if w.kind != Kind::PrimerOnly => split.build_coat_g,
            _ => 0.0,
        },
    }
    .balance();
    let recipe = way.map_or(choice.filler, |w| &w.recipe);
    let mut plan = Plan {
        highs: price::prices(j, way, choice.shop),
        split,
        fits: fit_for::fits(panel, recipe, &weather),
        hand_checks: hand_check::lines(j, edge_mm(survey)),
        used: used(choice, way),
        ways,
        not_offered,
        chosen,
        why,
        board,
        film,
        balance,
        work: Vec::new(),
        weather,
    };
    plan.work = work::items(&plan, panel, j, choice);
    Ok(plan)
}

/// No low is filled deeper than its filler may be built up, what is there of it already included
/// where the film is said to be filler.
fn not_too_deep(panel: &Panel, floor: &Floor, way: Option<&Way>, shop: &Shop) -> Result<(), Error> {
    let Some(way) = way.filter(|w| w.kind != Kind::PrimerOnly) else {
        return Ok(());
    };
    let film = &panel.skin.film;
    let proud = if way.kind == Kind::FullSkim {
        shop.skim_mm.value
    } else {
        shop.overfill_mm.value
    };
    let told: Vec<String> = floor
        .j
        .regions
        .iter()
        .enumerate()
        .filter(|(k, _)| floor.is_filled(*k))
        .filter_map(|(_, r)| {
            let [x, y] = r.worst_at;
            let there = film
                .at(x, y)
                .filter(|_| film.of == Some(crate::panel::skin::FilmOf::Filler))
                .unwrap_or(0.0);
            let under = if there > 0.0 {
                format!(", {there:.2} mm of filler under it")
            } else {
                String::new()
            };
            let what = format!("low {}, laid {proud:.1} mm proud{under}", r.name);
            way.recipe
                .too_deep(&what, r.worst_mm.value.abs() + proud + there)
        })
        .collect();
    if told.is_empty() {
        return Ok(());
    }
    Err(Error::Survey(told.join("\n")))
}

/// A temperature given for today must suit the filler: what was noted in an old survey is only
/// warned of.
fn in_range(choice: &Choice, weather: &Weather) -> Result<(), Error> {
    let (from, to) = (&choice.filler.from_c, &choice.filler.to_c);
    for (option, given, c) in [
        ("--at", choice.at_c, weather.air_c),
        ("--skin", choice.skin_c, weather.skin_c),
    ] {
        if given.is_some() && !(from.value..=to.value).contains(&c) {
            return Err(Error::Usage(format!(
                "{option}: {} is used from {:.0} to {:.0} °C ({}), not at {c:.0}; wait, or warm the part and measure the part, not the air",
                choice.filler.name,
                from.value,
                to.value,
                if c < from.value {
                    &from.origin
                } else {
                    &to.origin
                }
            )));
        }
    }
    Ok(())
}

fn nothing_may_be_sanded(panel: &Panel, j: &Judgement) -> bool {
    let grid = j.nodes.grid;
    !j.nodes.deviation.indexed_iter().any(|(n, d)| {
        let (x, y) = (grid.x(n.1), grid.y(n.0));
        !d.is_nan() && !panel.no_sand.iter().any(|p| p.contains(x, y))
    })
}

fn weather(j: &Judgement, choice: &Choice) -> Weather {
    let air = choice.at_c.or(choice.skin_c).or(j.skin_c);
    let air_c = air.unwrap_or(choice.filler.at_c);
    Weather {
        air_c,
        skin_c: choice.skin_c.or(j.skin_c).unwrap_or(air_c),
        humidity: choice.humidity,
        given: air.is_some(),
    }
}

/// The way asked for, or the one the job suggests, with the reason.
fn choose(
    panel: &Panel,
    j: &Judgement,
    ways: &[Way],
    not: &[(Kind, String)],
    board: &Board,
    asked: Option<Kind>,
) -> Result<(Option<usize>, String), Error> {
    let find = |kind: Kind| ways.iter().position(|w| w.kind == kind);
    if let Some(kind) = asked {
        if let Some(k) = find(kind) {
            return Ok((Some(k), "as asked with --way".into()));
        }
        let why = not
            .iter()
            .find(|(k, _)| *k == kind)
            .map_or("", |(_, w)| w.as_str());
        return Err(Error::Usage(format!(
            "--way {} does not fit this panel: {why}",
            kind.word()
        )));
    }
    if let Some(k) = find(Kind::PrimerOnly) {
        return Ok((Some(k), "no low is deeper than primer takes".into()));
    }
    if j.verdict == Verdict::Fair {
        return Ok((None, may_be_filled(j)));
    }
    let low_cm2: f64 = (0..j.regions.len())
        .filter_map(|k| j.regions.get(k))
        .filter(|r| r.kind == crate::judge::RegionKind::Low)
        .map(|r| r.area_cm2)
        .sum();
    let share = low_cm2 / panel.area_cm2().max(1e-9);
    let (kind, why) = if board.board_mm.is_none() {
        (
            Kind::StripsAndBays,
            format!(
                "{} is wider than any board that one person controls bridges",
                board.of
            ),
        )
    } else if share > SKIM_SHARE {
        (
            Kind::FullSkim,
            format!("lows cover {:.0} % of the panel", 100.0 * share),
        )
    } else {
        (
            Kind::SpotFill,
            format!(
                "lows cover {:.0} % of the panel and a board bridges them: least mass",
                100.0 * share
            ),
        )
    };
    Ok((find(kind), why))
}

/// Why a fair panel has no way planned, and what may be done all the same.
fn may_be_filled(j: &Judgement) -> String {
    let lows: Vec<&str> = j
        .regions
        .iter()
        .filter(|r| r.action == Action::MayFill)
        .map(|r| r.name.as_str())
        .collect();
    if lows.is_empty() {
        return "fair at every limit that could be checked".into();
    }
    format!(
        "fair at every limit that could be checked, so nothing is ordered; {} may be filled: --way spot-fill plans it",
        lows.join(", ")
    )
}

fn split(floor: &Floor, panel: &Panel, choice: &Choice) -> Split {
    let (shallow_cc, shallow_mm2) = floor.shallow(SHALLOW_MM);
    let lows_cc: f64 = floor
        .j
        .regions
        .iter()
        .enumerate()
        .filter(|(k, _)| floor.is_filled(*k))
        .map(|(_, r)| r.volume_cc.value)
        .sum();
    let (filler, primer) = (
        choice.filler.dry_density().value,
        choice.primer.dry_density().value,
    );
    Split {
        shallow_cc,
        shallow_cm2: shallow_mm2 / 100.0,
        as_primer_g: shallow_cc * primer,
        as_filler_g: shallow_cc * filler,
        lows_as_filler_g: lows_cc * filler,
        lows_as_primer_g: lows_cc * primer,
        // cm² × mm / 10 = cc.
        build_coat_g: panel.area_cm2() * choice.shop.primer_left_mm.value / 10.0 * primer,
    }
}

/// The straightedge set down most often, mm: the one at hand; of as many the longer.
fn edge_mm(survey: &Survey) -> f64 {
    let edges = survey
        .placings
        .iter()
        .filter(|p| p.tool == Tool::Straightedge && p.base_mm > 0.0)
        .map(|p| p.base_mm);
    let mut counted: Vec<(f64, usize)> = Vec::new();
    for mm in edges {
        match counted
            .iter_mut()
            .find(|(known, _)| (*known - mm).abs() < 0.5)
        {
            Some((_, count)) => *count += 1,
            None => counted.push((mm, 1)),
        }
    }
    counted
        .into_iter()
        .max_by(|a, b| a.1.cmp(&b.1).then(a.0.total_cmp(&b.0)))
        .map_or(EDGE_MM, |(mm, _)| mm)
}

/// Every figure that went into the amounts and hours.
fn used(choice: &Choice, way: Option<&Way>) -> Vec<Used> {
    let shop = choice.shop;
    let recipe = way.map_or(choice.filler, |w| &w.recipe);
    let name = &recipe.name;
    let density = Stuff::new(recipe, shop).density_g_per_cc;
    let mut out = vec![
        Used {
            what: format!("density of {name} on the panel, g/cc"),
            value: density,
            origin: recipe.dry_density().origin,
        },
        Used {
            what: format!("pot life of {name} at {:.0} °C, min", recipe.at_c),
            value: recipe.pot_life_min.value,
            origin: recipe.pot_life_min.origin.clone(),
        },
        Used {
            what: format!("{name} to sandable at {:.0} °C, h", recipe.at_c),
            value: recipe.sandable_h.value,
            origin: recipe.sandable_h.origin.clone(),
        },
        Used {
            what: format!("shrinking of {name}, %"),
            value: recipe.shrink_percent.value,
            origin: recipe.shrink_percent.origin.clone(),
        },
    ];
    if let Some(coat) = &recipe.greatest_coat_mm {
        out.push(Used {
            what: format!("greatest coat of {name} on a level face, mm"),
            value: coat.value,
            origin: coat.origin.clone(),
        });
    }
    let figures = [
        (
            "stays in pot and tools, share of what is mixed",
            &shop.pot_loss,
        ),
        ("laid proud of the reference, mm", &shop.overfill_mm),
        ("feather, times the depth", &shop.feather_ratio),
        ("feather, at least, mm", &shop.feather_least_mm),
        ("skim proud over all, mm", &shop.skim_mm),
        ("board over an area once, h/m²", &shop.board_hours_per_m2),
        (
            "board, for each litre it takes off, h",
            &shop.board_hours_per_litre,
        ),
        (
            "board, for each litre off the skin itself, h",
            &shop.skin_hours_per_litre,
        ),
        ("spreading, h/m²", &shop.spread_hours_per_m2),
        ("mixing a batch, min", &shop.mix_min),
        ("setting a tool down, min", &shop.placing_min),
        ("one reading, s", &shop.reading_s),
        (
            "share of a depth there again after a cycle",
            &shop.left_per_cycle,
        ),
        ("longest board, mm", &shop.longest_board_mm),
        ("blocking takes anyway, mm", &shop.block_takes_mm),
        ("primer left after blocking, mm", &shop.primer_left_mm),
    ];
    out.extend(figures.map(|(what, figure)| Used {
        what: what.into(),
        value: figure.value,
        origin: figure.origin.clone(),
    }));
    out
}
