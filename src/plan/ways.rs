//! Ways to do the job, side by side: what each mixes, leaves on, takes in hours and cycles, and
//! what can go wrong.

use super::amounts::{Stuff, Table};
use super::cycles::cycles;
use super::recipe::Recipe;
use super::shop::Shop;
use super::spread::{Floor, Lay, Spread, Volumes};
use crate::judge::{Action, Interval, RegionKind};
use crate::panel::Panel;
use crate::panel::skin::Face;
use crate::units::Units;
use serde::Serialize;

/// A way to do the job.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Fill the lows alone.
    SpotFill,
    /// A thin coat over all.
    FullSkim,
    /// Strips faired first, bays screeded between them.
    StripsAndBays,
    /// Lows shallow enough for high-build primer.
    PrimerOnly,
}

impl Kind {
    /// All of them.
    pub const ALL: [Kind; 4] = [
        Kind::SpotFill,
        Kind::FullSkim,
        Kind::StripsAndBays,
        Kind::PrimerOnly,
    ];

    /// The word in options, files and on screen.
    pub fn word(self) -> &'static str {
        match self {
            Kind::SpotFill => "spot-fill",
            Kind::FullSkim => "full-skim",
            Kind::StripsAndBays => "strips-and-bays",
            Kind::PrimerOnly => "primer-only",
        }
    }

    /// What can go wrong.
    pub fn risk(self) -> &'static str {
        match self {
            Kind::SpotFill => {
                "rings where a patch ends; round after round of small lows; soft patches sand faster than the skin around them"
            }
            Kind::FullSkim => {
                "most filler, most dust; new waves all over if the board is short; sanded through on the highs"
            }
            Kind::StripsAndBays => {
                "a strip that is not fair prints its line into every bay; edges of strips show where they were not keyed"
            }
            Kind::PrimerOnly => {
                "sanded through before the coat is gone; heavy where it is used to fill"
            }
        }
    }

    /// Share of a depth that is there again after a cycle, against that of spot filling: a skim and
    /// a screed bridge more of what the survey missed (common practice, no source).
    fn left_factor(self) -> f64 {
        match self {
            Kind::SpotFill | Kind::PrimerOnly => 1.0,
            Kind::FullSkim => 0.8,
            Kind::StripsAndBays => 0.6,
        }
    }
}

/// One way, worked out.
#[derive(Clone, Debug)]
pub struct Way {
    /// Which.
    pub kind: Kind,
    /// What is mixed.
    pub recipe: Recipe,
    /// The four amounts of the first cycle.
    pub table: Table,
    /// Thickness of the first cycle's filler, mm, and what of it stays.
    pub spread: OnNodes,
    /// Mixed in all cycles, cc.
    pub to_mix_cc: Interval,
    /// Mixed in the first cycle, cc.
    pub first_mix_cc: f64,
    /// Left on in the end, g.
    pub left_on_g: Interval,
    /// Hands-on hours, all cycles, surveys included.
    pub hours: Interval,
    /// Of these, mixing, spreading and sanding filler.
    pub filling_hours: f64,
    /// Hours waiting for cure, all cycles.
    pub waiting_hours: f64,
    /// Cycles expected, and at best.
    pub cycles: u32,
    /// Cycles if all goes well.
    pub least_cycles: u32,
    /// Coats of the first cycle.
    pub coats: u32,
    /// Thickest place of the first cycle, mm.
    pub deepest_mm: f64,
    /// Thickest that one coat may be here, mm.
    pub greatest_coat_mm: Option<f64>,
    /// Area spread over, m².
    pub area_m2: f64,
    /// Sanded off in the first cycle, cc.
    pub sanded_off_cc: f64,
    /// Hours from one coat on until it can be sanded.
    pub cure_hours: f64,
    /// Hours of sanding in the first cycle.
    pub sanding_hours: f64,
    /// Hours of one survey like this one.
    pub survey_hours: f64,
    /// What can go wrong.
    pub risk: &'static str,
}

/// Thicknesses on the nodes.
#[derive(Clone, Debug)]
pub struct OnNodes {
    /// Once cured, mm.
    pub thickness_mm: ndarray::Array2<f64>,
    /// After sanding, mm.
    pub left_mm: ndarray::Array2<f64>,
}

/// What ways are worked out from.
pub struct Ground<'a> {
    /// The nodes.
    pub floor: &'a Floor<'a>,
    /// The panel.
    pub panel: &'a Panel,
    /// The shop.
    pub shop: &'a Shop,
    /// Filler.
    pub filler: &'a Recipe,
    /// Primer.
    pub primer: &'a Recipe,
    /// Temperature of the shop, °C: what is in the pot.
    pub at_c: f64,
    /// Temperature of the skin, °C: what cures on it.
    pub skin_c: f64,
    /// Units of the sentences.
    pub units: Units,
}

/// Greatest coat on vertical and overhead faces, against a level one (common practice, no source).
pub const STANDING: f64 = 0.5;
/// How far hours may be off either way, as a factor: the usual figures differ by this much (common
/// practice, no source).
const HOURS_FACTOR: f64 = 2.0;
/// Share of a depth that is there again in all lows, against that of the worst, which alone tells
/// how many cycles: most lows come out better. Chosen on simulated jobs in rough hands
/// (tests/jobs.rs), whose second cycle took 3 to 26 % of the first one's filler, 14 % in the
/// middle; in usual hands it took less.
const OF_THE_WORST: f64 = 0.5;
/// Primer coats that are sprayed at most.
const MOST_COATS: f64 = 4.0;

/// All ways that fit this job; and why others do not.
pub fn ways(on: &Ground) -> (Vec<Way>, Vec<(Kind, String)>) {
    let mut out = Vec::new();
    let mut not = Vec::new();
    let to_fill = (0..on.floor.j.regions.len()).any(|k| on.floor.is_filled(k));
    if on.floor.fill_areas_mm2.sum() <= 0.0 {
        let why = "no filler or primer may go on any of it".to_string();
        let all = [
            Kind::SpotFill,
            Kind::FullSkim,
            Kind::StripsAndBays,
            Kind::PrimerOnly,
        ];
        return (out, all.map(|kind| (kind, why.clone())).to_vec());
    }
    if to_fill {
        for kind in [Kind::SpotFill, Kind::FullSkim, Kind::StripsAndBays] {
            out.push(filled(on, kind));
        }
    } else {
        for kind in [Kind::SpotFill, Kind::FullSkim, Kind::StripsAndBays] {
            not.push((kind, "no low is deeper than primer takes".to_string()));
        }
    }
    match primed(on) {
        Ok(way) => out.push(way),
        Err(why) => not.push((Kind::PrimerOnly, why)),
    }
    (out, not)
}

impl Ground<'_> {
    fn lay(&self, kind: Kind) -> Lay {
        let shop = self.shop;
        Lay {
            overfill_mm: if kind == Kind::FullSkim {
                shop.skim_mm.value
            } else {
                shop.overfill_mm.value
            },
            feather_ratio: shop.feather_ratio.value,
            feather_least_mm: shop.feather_least_mm.value,
            all_over: kind != Kind::SpotFill,
        }
    }

    /// Thickest that one coat of a recipe may be on this panel, mm.
    pub fn greatest_coat_mm(&self, recipe: &Recipe) -> Option<f64> {
        let face = match self.panel.skin.face {
            Face::Level => 1.0,
            Face::Vertical | Face::Overhead => STANDING,
        };
        recipe.greatest_coat_mm.as_ref().map(|c| c.value * face)
    }

    /// Hours of a survey as large as this one.
    fn survey_hours(&self) -> f64 {
        let j = self.floor.j;
        (j.placings.len() as f64 * self.shop.placing_min.value
            + j.readings as f64 * self.shop.reading_s.value / 60.0)
            / 60.0
    }

    /// Batches that a volume is mixed in.
    fn batches(&self, recipe: &Recipe, cc: f64) -> f64 {
        let by_pot = recipe.greatest_pot_g.value / recipe.density().value;
        let minutes = recipe.pot_life_min_at(self.at_c) - recipe.mixing_min.value;
        let by_time = recipe.spread_cc_per_min.value * minutes.max(0.5);
        (cc / by_pot.min(by_time)).ceil().max(1.0)
    }
}

fn filled(on: &Ground, kind: Kind) -> Way {
    let (shop, recipe) = (on.shop, on.filler);
    let spread = on.floor.spread(&on.lay(kind), &|k| on.floor.is_filled(k));
    let stuff = Stuff::new(recipe, shop);
    let table = stuff.table(on.floor.j, &spread);
    let volumes = spread.total();
    let left = (shop.left_per_cycle.value * kind.left_factor()).clamp(0.0, 0.95);
    let expected = cycles(on.floor.j, left);
    let n = expected.told;
    let deepest_mm = spread.thickness_mm.iter().fold(0.0, |m: f64, t| m.max(*t));
    let greatest = on.greatest_coat_mm(recipe);
    let coats = coats(deepest_mm, greatest) * if kind == Kind::StripsAndBays { 2 } else { 1 };
    let first = table.total;
    let over = 1.0 / (1.0 - stuff.shrink) / (1.0 - stuff.loss);
    let missed = first.to_level_cc.value / volumes.level_cc.max(1e-9);
    let highs: f64 = super::sanding::sanded(on.floor.j)
        .map(|r| super::sanding::high_hours(r, shop))
        .sum();
    let (mut mix, mut hours, mut filling) = (0.0, highs, 0.0);
    let m2 = volumes.area_mm2 / 1e6;
    let (mut sanding_first, mut mix_least) = (0.0, 0.0);
    for k in 0..n {
        let turn = if k == 0 {
            volumes
        } else {
            later(on, (OF_THE_WORST * left).powi(k as i32))
        };
        let cc = (turn.cured_cc + turn.level_cc * (missed - 1.0)) * over;
        let m2 = turn.area_mm2 / 1e6;
        let sanding = m2 * shop.board_hours_per_m2.value
            + turn.sanded_cc() / 1000.0 * shop.board_hours_per_litre.value;
        let mixing = on.batches(recipe, cc) * shop.mix_min.value / 60.0;
        let spreading = m2 * shop.spread_hours_per_m2.value * f64::from(coats);
        mix += cc;
        filling += sanding + mixing + spreading;
        hours += sanding + mixing + spreading + on.survey_hours();
        if k == 0 {
            sanding_first = sanding;
        }
        if k < expected.least {
            mix_least += cc;
        }
    }
    let scale = mix / first.to_mix_cc.value.max(1e-9);
    Way {
        kind,
        recipe: recipe.clone(),
        first_mix_cc: first.to_mix_cc.value,
        to_mix_cc: Interval {
            value: mix,
            low: first.to_mix_cc.low * mix_least / first.to_mix_cc.value.max(1e-9),
            high: first.to_mix_cc.high * scale,
        },
        left_on_g: first.left_on_g,
        hours: about_hours(hours),
        filling_hours: filling,
        waiting_hours: f64::from(n * coats) * recipe.sandable_h_at(on.skin_c),
        cycles: n,
        least_cycles: expected.least.min(n),
        coats,
        deepest_mm,
        greatest_coat_mm: greatest,
        area_m2: m2,
        sanded_off_cc: first.sanded_off_cc.value,
        cure_hours: recipe.sandable_h_at(on.skin_c),
        sanding_hours: sanding_first,
        survey_hours: on.survey_hours(),
        risk: kind.risk(),
        spread: OnNodes {
            thickness_mm: spread.thickness_mm,
            left_mm: spread.left_mm,
        },
        table,
    }
}

/// What a later cycle lays on: whatever the first was, later ones fill spots, where that share of
/// the depth is still a low.
fn later(on: &Ground, share: f64) -> Volumes {
    let j = on.floor.after(share);
    let floor = on.floor.under(&j);
    floor
        .spread(&on.lay(Kind::SpotFill), &|k| floor.is_filled(k))
        .total()
}

/// Coats for a thickness; one where no greatest coat is known.
pub fn coats(thickness_mm: f64, greatest_mm: Option<f64>) -> u32 {
    match greatest_mm {
        Some(most) if most > 0.0 => (thickness_mm / most - 1e-9).ceil().max(1.0) as u32,
        _ => 1,
    }
}

fn about_hours(value: f64) -> Interval {
    Interval {
        value,
        low: value / HOURS_FACTOR,
        high: value * HOURS_FACTOR,
    }
}

/// High-build primer over all, where no low is deeper than it takes.
fn primed(on: &Ground) -> Result<Way, String> {
    let j = on.floor.j;
    let deepest = j
        .regions
        .iter()
        .filter(|r| r.kind == RegionKind::Low && !matches!(r.action, Action::Prime | Action::Leave))
        .max_by(|a, b| a.worst_mm.value.abs().total_cmp(&b.worst_mm.value.abs()));
    if let Some(low) = deepest {
        return Err(format!(
            "{} is {} deep; primer takes {}",
            low.name,
            on.units.depth(low.worst_mm.value.abs()),
            on.units.depth(j.node_limit_mm)
        ));
    }
    let (shop, recipe) = (on.shop, on.primer);
    let solids = recipe.solids_percent.value / 100.0;
    let wet_mm = recipe.wet_coat_mm.as_ref().map_or(0.12, |w| w.value);
    let depth = j
        .nodes
        .deviation
        .iter()
        .fold(0.0f64, |m, d| if d.is_nan() { m } else { m.max(-d) });
    let dry_mm = wet_mm * solids;
    let wanted = (depth + shop.primer_left_mm.value) / dry_mm.max(1e-6);
    let coats = wanted
        .ceil()
        .clamp(shop.primer_coats.value.max(1.0), MOST_COATS);
    let lay = Lay {
        overfill_mm: coats * dry_mm,
        feather_ratio: 0.0,
        feather_least_mm: 0.0,
        all_over: true,
    };
    let mut spread = even(on, &lay);
    // What stays: the lows full, and a coat over all.
    let keep = shop.primer_left_mm.value;
    spread.left_mm = ndarray::Array2::from_shape_fn(spread.left_mm.dim(), |n| {
        let d = j.nodes.deviation[n];
        if on.floor.fill_areas_mm2[n] > 0.0 && !d.is_nan() {
            spread.thickness_mm[n].min((-d).max(0.0) + keep)
        } else {
            0.0
        }
    });
    let sum = |of: &ndarray::Array2<f64>| -> f64 {
        of.iter()
            .zip(&on.floor.fill_areas_mm2)
            .map(|(t, a)| t * a / 1000.0)
            .sum()
    };
    spread.between.cured_cc = sum(&spread.thickness_mm);
    spread.between.left_cc = sum(&spread.left_mm);
    let stuff = Stuff {
        // What dries out shrinks it.
        shrink: 1.0 - solids,
        loss: shop.pot_loss.value,
        density_g_per_cc: recipe.dry_density().value,
    };
    let mut table = Table::default();
    let sure = Interval::default();
    table.total = stuff.amounts(&spread.between, sure);
    table.rows.push(super::amounts::Row {
        name: "all over".into(),
        amounts: table.total,
    });
    let m2 = spread.between.area_mm2 / 1e6;
    let sanding = m2 * shop.board_hours_per_m2.value
        + spread.between.sanded_cc() / 1000.0 * shop.board_hours_per_litre.value;
    let mix = table.total.to_mix_cc;
    let spraying = m2 * coats * 0.1 + on.batches(recipe, mix.value) * shop.mix_min.value / 60.0;
    Ok(Way {
        kind: Kind::PrimerOnly,
        recipe: recipe.clone(),
        first_mix_cc: mix.value,
        to_mix_cc: mix,
        left_on_g: table.total.left_on_g,
        hours: about_hours(sanding + spraying + on.survey_hours()),
        filling_hours: sanding + spraying,
        waiting_hours: recipe.sandable_h_at(on.skin_c),
        cycles: 1,
        least_cycles: 1,
        coats: coats as u32,
        deepest_mm: coats * dry_mm,
        greatest_coat_mm: None,
        area_m2: m2,
        sanded_off_cc: spread.between.sanded_cc(),
        cure_hours: recipe.sandable_h_at(on.skin_c),
        sanding_hours: sanding,
        survey_hours: on.survey_hours(),
        risk: Kind::PrimerOnly.risk(),
        spread: OnNodes {
            thickness_mm: spread.thickness_mm,
            left_mm: spread.left_mm,
        },
        table,
    })
}

/// A coat as thick everywhere, whatever lies below.
fn even(on: &Ground, lay: &Lay) -> Spread {
    let mut spread = on.floor.spread(lay, &|_| false);
    spread.thickness_mm = on
        .floor
        .fill_areas_mm2
        .mapv(|a| if a > 0.0 { lay.overfill_mm } else { 0.0 });
    spread.between.area_mm2 = on.floor.fill_areas_mm2.sum();
    spread
}
