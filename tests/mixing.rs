//! Recipes, the shop file and the mixing card: that nothing is lost between amount and parts, that
//! limits are kept, numbers from outside, and every refusal. Recipes here are generic or made up.

use crate::published::{Check, close, hold};
use crate::support::{all, folder};
use lowspot::panel::skin::Face;
use lowspot::plan::figure::Figure;
use lowspot::plan::fit_for::dew_point_c;
use lowspot::plan::mix::{self, Card, Request};
use lowspot::plan::recipe::{Recipe, Role, WorkedOut, time_at};
use lowspot::plan::shop::{self, Shop};
use lowspot::problem::Error;
use lowspot::show;
use lowspot::units::Units;
use proptest::prelude::*;
use std::path::Path;
use std::process::Command;

/// 500 cc at 20 °C on a level face, no scale.
fn asked(recipe: &Recipe) -> Request<'_> {
    Request {
        recipe,
        volume_cc: 500.0,
        at_c: 20.0,
        skin_c: None,
        humidity_percent: None,
        density_g_per_cc: None,
        depth_mm: None,
        face: Face::Level,
        primer_coats: Shop::default().primer_coats,
        scale_g: None,
        scale_most_g: None,
    }
}

/// Dry micro that was weighed at 0.5 g/cc, as the sums by hand take it.
fn weighed() -> Recipe {
    Recipe {
        density_g_per_cc: Some(Figure::new(0.5, "weighed")),
        ..built_in("dry-micro")
    }
}

fn built_in(name: &str) -> Recipe {
    Shop::default().recipe(name).unwrap().clone()
}

/// The one recipe of a made-up shop file.
fn recipe(parts: &str) -> Recipe {
    let head = "[[recipe]]\nname = \"ours\"\nbase = \"epoxy\"\npot_life_min = 30\nsandable = 24\n";
    match shop::parse(&format!("{head}{parts}"), "shop.toml") {
        Ok((shop, _)) => shop.recipe("ours").unwrap().clone(),
        Err(faults) => panic!("{}", all(&faults)),
    }
}

/// Liquid of a density and powder: shares by mass.
fn filled(liquid: [f64; 2], powder: [f64; 3]) -> WorkedOut {
    let [mass, density] = liquid;
    let [powder_mass, true_density, bulk] = powder;
    recipe(&format!(
        "[[recipe.part]]\nname = \"liquid\"\nmass = {mass}\ndensity = {density}\n\
         [[recipe.part]]\nname = \"powder\"\nmass = {powder_mass}\ndensity = {true_density}\nbulk = {bulk}\n"
    ))
    .worked_out()
}

/// One volume of liquid with loose volumes of bubbles.
fn cups(loose: f64, packing: f64) -> WorkedOut {
    recipe(&format!(
        "[[recipe.part]]\nname = \"resin\"\nvolume = 1\ndensity = 1.12\n\
         [[recipe.part]]\nname = \"bubbles\"\nvolume = {loose}\ndensity = 0.125\nbulk = {}\n",
        0.125 * packing
    ))
    .worked_out()
}

// Numbers from outside; they stand in docs/checks.md.

pub fn mixtures() -> Vec<Check> {
    const SILICONE: &str = "published: a research paper's data set, seen as numbers; its bubbles 0.16 g/cc, a matrix of 1.03 g/cc taken by us";
    const MEASURED: &str = "computed: rule of mixtures (published, the same data set: 0.953 measured, real mixes carry air)";
    let mut list: Vec<Check> = [
        (1.98, 10.0),
        (4.38, 20.0),
        (7.38, 30.0),
        (10.0, 37.0),
        (14.7, 46.2),
    ]
    .into_iter()
    .map(|(bubbles, expected)| {
        // 100 parts of base with 10 of hardener.
        let found = filled([110.0, 1.03], [bubbles, 0.16, 0.1]).solid_share;
        let what = format!("silicone 100 : 10 with {bubbles} parts of glass bubbles, % by volume");
        close(what, SILICONE, expected, 100.0 * found, 0.5)
    })
    .collect();
    let epoxy = filled([0.7 * 1.15, 1.15], [0.3 * 0.60, 0.60, 0.4]);
    let glass = filled([0.35 * 2.69, 2.69], [0.65 * 0.35, 0.35, 0.2]);
    list.extend([
        close(
            "epoxy 1.15 with 30 % by volume of bubbles 0.60, g/cc",
            MEASURED,
            0.985,
            epoxy.without_air_g_per_cc,
            1e-9,
        ),
        close(
            "metal 2.69 with 65 % by volume of expanded glass 0.35, g/cc",
            "computed: 0.65 · 0.35 + 0.35 · 2.69 (published: 1.13 to 1.15 measured)",
            1.169,
            glass.without_air_g_per_cc,
            1e-9,
        ),
        close(
            "resin 1.15 and hardener 1.03, 100 : 45 by mass, mixed, g/cc",
            "published: an epoxy supplier's table (mixed 1.11)",
            1.11,
            filled_without_powder(&built_in("dry-micro")),
            0.005,
        ),
    ]);
    list
}

pub fn packing() -> Vec<Check> {
    const PACKING: &str = "computed: s = R·p, share s/(1 + s)";
    const DENSITY: &str = "computed: (1.12 + R·p·0.125)/(1 + R·p), air not counted";
    let (two, three) = (cups(2.0, 0.62), cups(3.0, 0.62));
    let dry = built_in("dry-micro").worked_out();
    vec![
        close(
            "2 loose volumes of bubbles to 1 of resin, packing 0.62: share of solids",
            PACKING,
            0.554,
            two.solid_share,
            5e-4,
        ),
        close(
            "3 loose volumes: share of solids",
            PACKING,
            0.650,
            three.solid_share,
            5e-4,
        ),
        close(
            "2 loose volumes of bubbles 0.125 in resin 1.12, g/cc",
            DENSITY,
            0.569,
            two.without_air_g_per_cc,
            5e-4,
        ),
        close(
            "3 loose volumes, g/cc",
            DENSITY,
            0.473,
            three.without_air_g_per_cc,
            5e-4,
        ),
        close(
            "dry micro 5 : 1 from its parts, no air, g/cc",
            "computed: (1.110 + 5 · 0.09)/(1 + 5 · 0.6)",
            0.390,
            dry.without_air_g_per_cc,
            5e-4,
        ),
        close(
            "the same with the air that packing to 0.64 leaves, g/cc",
            "computed: (1.110 + 5 · 0.09)/(5 · 0.6/0.64); 0.64 published: Scott and Kilgour 1969",
            0.333,
            dry.with_air_g_per_cc,
            5e-4,
        ),
    ]
}

pub fn times() -> Vec<Check> {
    const POT: &str = "published: coating inspection notes (4 h at 25 °C)";
    const DEW: &str = "from memory: a table of dew points, to 0.1 °C";
    let pot = |c| time_at(4.0, 25.0, c, 2.0);
    vec![
        close(
            "pot life of 4 h at 25 °C: at 35 °C, h",
            POT,
            2.0,
            pot(35.0),
            1e-12,
        ),
        close("at 45 °C, h", POT, 1.0, pot(45.0), 1e-12),
        close(
            "dew point at 25 °C and 60 %, °C",
            DEW,
            16.7,
            dew_point_c(25.0, 60.0),
            0.1,
        ),
        close(
            "dew point at 20 °C and 50 %, °C",
            DEW,
            9.3,
            dew_point_c(20.0, 50.0),
            0.1,
        ),
        close(
            "dew point at 30 °C and 80 %, °C",
            DEW,
            26.2,
            dew_point_c(30.0, 80.0),
            0.1,
        ),
    ]
}

/// Density of the liquids of a recipe alone.
fn filled_without_powder(recipe: &Recipe) -> f64 {
    let liquids = || recipe.parts.iter().filter(|p| p.role != Role::Powder);
    let mass: f64 = liquids().map(|p| p.mass_share).sum();
    mass / liquids()
        .map(|p| p.mass_share / p.density_g_per_cc)
        .sum::<f64>()
}

#[test]
fn densities_of_mixes_with_bubbles() {
    hold(mixtures());
}

#[test]
fn packing_of_loose_powder() {
    hold(packing());
}

#[test]
fn pot_life_and_dew_point() {
    hold(times());
}

#[test]
fn more_powder_than_the_liquid_fills_between_holds_air() {
    // s = 0.62·R reaches 0.64/0.36 at R = 2.867.
    assert!(!cups(2.86, 0.62).holds_air() && cups(2.88, 0.62).holds_air());
    let (without, with) = (cups(2.86, 0.62), cups(5.0, 0.62));
    assert_eq!(without.without_air_g_per_cc, without.with_air_g_per_cc);
    assert!(with.with_air_g_per_cc < with.without_air_g_per_cc);
}

// By hand.

/// Name, amount in cc, and at 15, 20, 25, 30 °C pot life in min and batches.
type ByHand = (&'static str, f64, [(f64, usize); 4]);

const BY_HAND: [ByHand; 4] = [
    // 1500 g in pots of 200 g: 8, whatever the pot life (at 30 °C 12 min spread 720 cc, 360 g).
    (
        "dry-micro",
        3000.0,
        [(42.43, 8), (30.0, 8), (21.21, 8), (15.0, 8)],
    ),
    // 1950 g in pots of 500 g: 4 (at 30 °C 12 min spread 960 cc, 624 g).
    (
        "light-compound",
        3000.0,
        [(42.43, 4), (30.0, 4), (21.21, 4), (15.0, 4)],
    ),
    // 1200 g: pots of 300 g; then 210 cc, 130.9 cc and 75 cc of what 1000 cc are.
    (
        "polyester-filler",
        1000.0,
        [(6.364, 4), (4.5, 5), (3.182, 8), (2.25, 14)],
    ),
    // 8100 g in pots of 2000 g.
    (
        "build-primer",
        6000.0,
        [(169.7, 5), (120.0, 5), (84.85, 5), (60.0, 5)],
    ),
];

#[test]
fn pot_life_and_batches_as_worked_out_by_hand() {
    for (name, volume_cc, at) in BY_HAND {
        let recipe = if name == "dry-micro" {
            weighed()
        } else {
            built_in(name)
        };
        for (at_c, (pot_life, batches)) in [15.0, 20.0, 25.0, 30.0].into_iter().zip(at) {
            let card = mix::card(&Request {
                volume_cc,
                at_c,
                ..asked(&recipe)
            })
            .unwrap();
            let told = format!(
                "{name} at {at_c} °C: {} min, {}",
                card.pot_life_min,
                card.batches.len()
            );
            assert!((card.pot_life_min / pot_life - 1.0).abs() < 5e-4, "{told}");
            assert_eq!(card.batches.len(), batches, "{told}: {}", card.limited_by);
        }
    }
}

#[test]
fn the_range_of_pot_life_is_that_of_the_factor() {
    let recipe = built_in("dry-micro");
    let card = mix::card(&Request {
        at_c: 30.0,
        ..asked(&recipe)
    })
    .unwrap();
    assert_eq!(card.pot_life_range_min, [30.0 / 2.5, 30.0 / 1.5]);
    let cold = mix::card(&Request {
        at_c: 10.0,
        ..asked(&recipe)
    })
    .unwrap();
    assert_eq!(cold.pot_life_range_min, [30.0 * 1.5, 30.0 * 2.5]);
    assert_eq!(cold.sandable_h, 72.0);
}

#[test]
fn coats_are_counted_from_depth_and_face() {
    let micro = weighed();
    let primer = built_in("build-primer");
    for (recipe, depth_mm, face, coats, batches) in [
        (&micro, Some(6.0), Face::Level, Some(1), 2),
        (&micro, Some(8.0), Face::Level, Some(2), 2),
        (&micro, Some(8.0), Face::Vertical, Some(3), 3),
        (&micro, Some(13.0), Face::Overhead, Some(5), 5),
        (&micro, None, Face::Level, None, 2),
        (&primer, None, Face::Level, Some(2), 1),
        (&primer, Some(0.2), Face::Level, Some(4), 1),
    ] {
        let card = mix::card(&Request {
            depth_mm,
            face,
            ..asked(recipe)
        })
        .unwrap();
        assert_eq!(
            (card.coats, card.batches.len()),
            (coats, batches),
            "{depth_mm:?} {face:?}"
        );
    }
}

#[test]
fn own_density_and_a_smaller_scale_are_heard() {
    let recipe = built_in("dry-micro");
    let mut request = asked(&recipe);
    request.density_g_per_cc = Some(Figure::new(0.6, "weighed"));
    request.scale_most_g = Some(Figure::new(100.0, "set in shop.toml"));
    let card = mix::card(&request).unwrap();
    assert_eq!((card.mass_g, card.batches.len()), (300.0, 3));
    assert!(card.limited_by.contains("the scale"), "{}", card.limited_by);
    assert!(
        card.used
            .iter()
            .any(|u| u.figure.origin == "weighed" && u.figure.value == 0.6)
    );
    // Resin and hardener keep their ratio, and the bubbles theirs by loose volume.
    let [resin, hardener, bubbles] = card.batches[0].parts.as_slice() else {
        panic!("three parts");
    };
    assert!((hardener.mass_g / resin.mass_g - 0.45).abs() < 1e-12);
    let liquid_cc = resin.volume_cc + hardener.volume_cc;
    assert!((bubbles.volume_cc / liquid_cc - 5.0).abs() < 1e-9);
}

#[test]
fn polyester_too_warm_to_be_spread_is_refused() {
    let mut recipe = built_in("polyester-filler");
    recipe.mixing_min = Figure::new(2.0, "set in shop.toml");
    let why = mix::card(&Request {
        at_c: 35.0,
        ..asked(&recipe)
    })
    .unwrap_err()
    .to_string();
    assert!(
        why.contains("too warm to be spread in time at 35 °C"),
        "{why}"
    );
    assert!(
        mix::card(&Request {
            at_c: 20.0,
            ..asked(&recipe)
        })
        .is_ok()
    );
}

#[test]
fn dew_and_a_cold_panel_are_warned_of() {
    let recipe = built_in("polyester-filler");
    let warned = |skin_c: f64, humidity: f64, word: &str| {
        let request = Request {
            skin_c: Some(skin_c),
            humidity_percent: Some(humidity),
            ..asked(&recipe)
        };
        mix::card(&request)
            .unwrap()
            .warnings
            .iter()
            .any(|w| w.contains(word))
    };
    // At 20 °C and 65 % the dew point is 13.2 °C.
    assert!(warned(16.0, 65.0, "dew") && !warned(16.5, 65.0, "dew"));
    assert!(warned(17.9, 50.0, "colder than 18") && !warned(18.0, 50.0, "colder than 18"));
    let unasked = mix::card(&asked(&recipe)).unwrap();
    assert!(unasked.warnings.iter().any(|w| w.contains("--humidity")));
}

#[test]
fn strokes_are_told_only_of_a_calibrated_pump() {
    let parts = |stroke: &str| {
        format!(
            "[[recipe.part]]\nname = \"resin\"\nmass = 100\ndensity = 1.1\n{stroke}\n\
             [[recipe.part]]\nname = \"hardener\"\nmass = 50\ndensity = 1.0\n"
        )
    };
    let (without, with) = (recipe(&parts("")), recipe(&parts("stroke = 30")));
    let none = mix::card(&asked(&without)).unwrap();
    assert!(none.batches[0].parts.iter().all(|p| p.strokes.is_none()));
    let card = mix::card(&Request {
        volume_cc: 100.0,
        ..asked(&with)
    })
    .unwrap();
    let resin = &card.batches[0].parts[0];
    let strokes = resin.strokes.unwrap();
    assert_eq!(strokes.count, (resin.mass_g / 30.0).round() as u64);
    let error = (strokes.count as f64 * 30.0 / resin.mass_g - 1.0) * 100.0;
    assert!((strokes.error_percent - error).abs() < 1e-9);
    assert!(card.batches[0].parts[1].strokes.is_none());
}

// With a scale.

fn with_scale(recipe: &Recipe, volume_cc: f64, step: f64) -> Result<Card, Error> {
    mix::card(&Request {
        volume_cc,
        scale_g: Some(Figure::new(step, "given with --scale")),
        ..asked(recipe)
    })
}

#[test]
fn a_small_hardener_on_a_coarse_scale_makes_a_larger_batch() {
    let recipe = built_in("polyester-filler");
    // 60 g want 1.2 g of hardener: the next whole ones are 2 g to 100 g.
    let card = with_scale(&recipe, 50.0, 1.0).unwrap();
    let masses: Vec<f64> = card.batches[0].parts.iter().map(|p| p.mass_g).collect();
    assert_eq!(
        (masses.as_slice(), card.mass_g),
        ([100.0, 2.0].as_slice(), 102.0)
    );
    assert!(
        card.warnings
            .iter()
            .any(|w| w.contains("102 g are mixed where 60.0 g were asked for"))
    );
    // A finer scale has no need of it.
    let fine = with_scale(&recipe, 50.0, 0.1).unwrap();
    assert!((fine.mass_g - 60.0).abs() < 0.11, "{}", fine.mass_g);
}

#[test]
fn too_coarse_a_scale_is_refused_with_one_that_would_do() {
    let recipe = built_in("polyester-filler");
    let why = with_scale(&recipe, 500.0, 20.0).unwrap_err().to_string();
    assert!(why.contains("a scale that reads to 2 g would do"), "{why}");
    assert!(with_scale(&recipe, 500.0, 2.0).is_ok());
    assert!(with_scale(&recipe, 500.0, 5.0).is_err());
}

#[test]
fn two_like_batches_stay_alike_on_a_scale() {
    let card = with_scale(&weighed(), 500.0, 1.0).unwrap();
    let masses: Vec<f64> = card.batches[0].parts.iter().map(|p| p.mass_g).collect();
    assert_eq!(masses, [61.0, 28.0, 36.0]);
    assert_eq!(card.batches[0], card.batches[1]);
}

fn whole(mass_g: f64, step: f64) -> bool {
    let k = mass_g / step;
    (k - k.round()).abs() < 1e-6 && k.round() >= 1.0
}

/// The parts' masses over all batches.
fn part_totals(card: &Card) -> Vec<f64> {
    let parts = card.batches[0].parts.len();
    (0..parts)
        .map(|k| card.batches.iter().map(|b| b.parts[k].mass_g).sum())
        .collect()
}

/// Largest batch by pot life and pot, g.
fn most_g(recipe: &Recipe, at_c: f64, density: f64) -> f64 {
    // Above 32 °C half a pot of epoxy.
    let warm = recipe.base == lowspot::plan::recipe::Base::Epoxy && at_c > 32.0;
    let pot_g = recipe.greatest_pot_g.value / if warm { 2.0 } else { 1.0 };
    let spread_min = recipe.pot_life_min_at(at_c) - recipe.mixing_min.value;
    (recipe.spread_cc_per_min.value * spread_min * density).min(pot_g)
}

const NAMES: [&str; 4] = [
    "dry-micro",
    "light-compound",
    "polyester-filler",
    "build-primer",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn nothing_is_lost_between_amount_and_parts(
        name in prop::sample::select(NAMES.to_vec()),
        volume_cc in 1.0f64..50_000.0,
        at_c in 10.0f64..35.0,
    ) {
        let recipe = built_in(name);
        let card = mix::card(&Request { volume_cc, at_c, ..asked(&recipe) }).unwrap();
        let density = card.density_g_per_cc.value;
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-9;
        prop_assert!(near(card.mass_g, volume_cc * density) && near(card.volume_cc, volume_cc));
        prop_assert!(near(card.batches.iter().map(|b| b.volume_cc).sum::<f64>(), volume_cc));
        for (total, part) in part_totals(&card).iter().zip(&recipe.parts) {
            prop_assert!(near(*total, card.mass_g * part.mass_share));
        }
        let most = most_g(&recipe, at_c, density);
        for b in &card.batches {
            prop_assert!(near(b.parts.iter().map(|p| p.mass_g).sum::<f64>(), b.mass_g));
            prop_assert!(b.mass_g <= most * (1.0 + 1e-6), "{} over {}", b.mass_g, most);
        }
        // One batch fewer would be too large.
        let fewer = card.batches.len() as f64 - 1.0;
        prop_assert!(fewer * most < card.mass_g * (1.0 + 1e-6));
    }

    #[test]
    fn on_a_scale_every_mass_is_whole_and_the_sums_are_exact(
        name in prop::sample::select(NAMES.to_vec()),
        volume_cc in 1.0f64..20_000.0,
        at_c in 10.0f64..35.0,
        step in prop::sample::select(vec![0.01, 0.1, 0.5, 1.0, 2.0, 5.0, 10.0]),
    ) {
        let recipe = built_in(name);
        let request = Request {
            volume_cc,
            at_c,
            scale_g: Some(Figure::new(step, "given with --scale")),
            ..asked(&recipe)
        };
        let card = match mix::card(&request) {
            Ok(card) => card,
            Err(why) => {
                // Refused only where no scale this coarse can do, and with one that can.
                let why = why.to_string();
                prop_assert!(step >= 1.0 && why.contains("too coarse") && why.contains("would do"), "{}", why);
                return Ok(());
            }
        };
        let asked_g = volume_cc * card.density_g_per_cc.value;
        let most = most_g(&recipe, at_c, card.density_g_per_cc.value);
        for b in &card.batches {
            prop_assert!(b.parts.iter().all(|p| whole(p.mass_g, step)));
            prop_assert!((b.parts.iter().map(|p| p.mass_g).sum::<f64>() - b.mass_g).abs() < 1e-9);
            prop_assert!(b.mass_g <= most + 1e-6);
            let ratio = b.parts[1].mass_g / b.parts[0].mass_g;
            let wanted = recipe.parts[1].mass_share / recipe.parts[0].mass_share;
            prop_assert!((ratio / wanted - 1.0).abs() <= 0.05 + 1e-9, "{} for {}", ratio, wanted);
        }
        let total: f64 = card.batches.iter().map(|b| b.mass_g).sum();
        prop_assert!((total - card.mass_g).abs() < 1e-6);
        prop_assert!(card.mass_g >= asked_g - step - 1e-6, "{} of {}", card.mass_g, asked_g);
        prop_assert!((card.volume_cc * card.density_g_per_cc.value / card.mass_g - 1.0).abs() < 1e-9);
        let enlarged = card.warnings.iter().any(|w| w.contains("were asked for"));
        if !enlarged {
            for (total, part) in part_totals(&card).iter().zip(&recipe.parts) {
                prop_assert!((total - asked_g * part.mass_share).abs() <= step + 1e-6);
            }
        }
    }
}

// The shop file.

#[test]
fn an_empty_shop_is_the_default_and_every_figure_has_its_origin() {
    let (shop, warnings) = shop::parse("# nothing of our own\n", "shop.toml").unwrap();
    assert_eq!(shop, Shop::default());
    assert!(warnings.is_empty());
    for r in &shop.recipes {
        let card = mix::card(&asked(r)).unwrap();
        assert!(
            card.used.iter().all(|u| u.figure.origin.len() > 10),
            "{}",
            r.name
        );
        assert!(!card.cautions.is_empty());
        let total: f64 = r.parts.iter().map(|p| p.mass_share).sum();
        assert!((total - 1.0).abs() < 1e-12);
    }
}

#[test]
fn every_figure_of_a_shop_can_be_set() {
    let text = "pot_loss = 0.1\noverfill = \"20 thou\"\nfeather_ratio = 80\nfeather_least = 40\nskim = 1\nboard_hours_per_m2 = 0.4\n\
                board_hours_per_litre = 0.5\nspread_hours_per_m2 = 0.2\nmix_min = 4\nplacing_min = 2\nreading_s = 5\nleft_per_cycle = 0.3\n\
                longest_board = \"24 in\"\nblock_takes = 0.04\nfilm_keep = 0.2\nprimer_left = 0.06\nprimer_coats = 3\nscale = \"0.1 g\"\n\
                scale_most = \"2 kg\"\nfiller = \"light-compound\"\n";
    let (shop, _) = shop::parse(text, "work/shop.toml").unwrap();
    let figures = [
        (&shop.pot_loss, 0.1),
        (&shop.overfill_mm, 0.508),
        (&shop.feather_ratio, 80.0),
        (&shop.feather_least_mm, 40.0),
        (&shop.skim_mm, 1.0),
        (&shop.board_hours_per_m2, 0.4),
        (&shop.board_hours_per_litre, 0.5),
        (&shop.spread_hours_per_m2, 0.2),
        (&shop.mix_min, 4.0),
        (&shop.placing_min, 2.0),
        (&shop.reading_s, 5.0),
        (&shop.left_per_cycle, 0.3),
        (&shop.longest_board_mm, 609.6),
        (&shop.block_takes_mm, 0.04),
        (&shop.film_keep_mm, 0.2),
        (&shop.primer_left_mm, 0.06),
        (&shop.primer_coats, 3.0),
        (shop.scale_g.as_ref().unwrap(), 0.1),
        (shop.scale_most_g.as_ref().unwrap(), 2000.0),
    ];
    for (found, expected) in figures {
        assert!(
            (found.value - expected).abs() < 1e-9,
            "{found:?}, {expected}"
        );
        assert_eq!(found.origin, "set in shop.toml");
    }
    assert_eq!(shop.filler, "light-compound");
}

#[test]
fn a_recipe_of_a_built_in_name_replaces_it() {
    let text = "[[recipe]]\nname = \"polyester-filler\"\nbase = \"polyester\"\npot_life_min = 6\nat = \"68 F\"\nsandable = 0.5\n\
                [[recipe.part]]\nname = \"paste\"\npercent = 97\ndensity = 1.5\n\
                [[recipe.part]]\nname = \"hardener\"\npercent = 3\ndensity = 1.15\n";
    let (shop, _) = shop::parse(text, "shop.toml").unwrap();
    assert_eq!(shop.recipes.len(), Shop::default().recipes.len());
    let r = shop.recipe("polyester-filler").unwrap();
    assert_eq!(
        (r.pot_life_min.value, r.at_c, r.parts[1].mass_share),
        (6.0, 20.0, 0.03)
    );
    // Its density is that of its own parts, not the built-in's.
    let density = r.density();
    assert!((density.value - 1.0 / (0.97 / 1.5 + 0.03 / 1.15)).abs() < 1e-12);
    assert!(density.origin.contains("worked out"));
    // What it does not say is the generic recipe's, and says so.
    assert!(
        r.greatest_coat_mm
            .as_ref()
            .unwrap()
            .origin
            .contains("published")
    );
}

#[track_caller]
fn shop_faults(text: &str, expected: &str) {
    let faults = shop::parse(text, "shop.toml").err().unwrap_or_default();
    let expected: Vec<&str> = expected.lines().map(str::trim).collect();
    assert_eq!(all(&faults), expected.join("\n"));
}

const PART: &str = "[[recipe.part]]\nname = \"A\"\nmass = 1\ndensity = 1\n";

fn begun(rest: &str) -> String {
    format!(
        "[[recipe]]\nname = \"ours\"\nbase = \"other\"\npot_life_min = 20\nsandable = 5\n{rest}"
    )
}

#[test]
fn faults_of_figures_are_named_all_at_once() {
    shop_faults(
        "pot_loss = 1.5\noverfil = 3\nskim = \"1 oz\"\nprimer_coats = 2.5\nfiller = \"dry-mico\"\nprimer = \"dry-micro\"\n\
         scale = \"0.5 cc\"\nreading_s = nan\nmix_min = \"5\"\n",
        "shop.toml:1:12: pot_loss 1.5 cannot be meant; expected 0 to 0.9
         shop.toml:2:1: \"overfil\" is no key of a shop file; did you mean overfill?
         shop.toml:3:8: skim: \"oz\" is no unit of length; expected mm, cm, m, in, thou or ft
         shop.toml:4:16: primer_coats 2.5 cannot be meant; expected a whole number from 1 to 20
         shop.toml:5:10: filler: \"dry-mico\" is no recipe; did you mean dry-micro?
         shop.toml:6:10: primer: \"dry-micro\" is no primer; expected a recipe with base = \"primer\"
         shop.toml:7:9: scale: \"cc\" is no unit of mass; expected g, kg, oz or lb
         shop.toml:8:13: reading_s \"nan\" is not a number, written without quotes or unit
         shop.toml:9:11: mix_min \"\"5\"\" is not a number, written without quotes or unit",
    );
    shop_faults(
        "scale = 1\nscale_most = 5\nprimer = \"polyester-filler\"\nfiller = \"build-primer\"\n",
        "shop.toml:2:14: scale_most 5 g is less than ten steps of 1 g; expected the most that the scale weighs
         shop.toml:3:10: primer: \"polyester-filler\" is no primer; expected a recipe with base = \"primer\"
         shop.toml:4:10: filler: \"build-primer\" is a primer; expected a filler",
    );
}

#[test]
fn faults_of_recipes_are_named_all_at_once() {
    shop_faults(
        &format!("filler = \"ours\"\n[[recipe]]\nname = \"ours\"\nbase = \"epoxi\"\nfrom = 30\nto = 20\n{PART}"),
        "shop.toml:2:1: pot_life_min is missing; add a line such as pot_life_min = 30, at = 20
         shop.toml:2:1: sandable is missing; add a line such as sandable = 24 (hours)
         shop.toml:2:1: from 30 °C is not below to 20 °C; expected the coldest and the warmest it may be used at
         shop.toml:4:8: base \"epoxi\" is not known; expected epoxy, polyester, primer, other; did you mean epoxy?",
    );
    shop_faults(
        &begun(""),
        "shop.toml:1:1: part is missing; add a line such as [[recipe.part]] with name, mass and density",
    );
    shop_faults(
        &format!("{}{}", begun(PART), begun(PART)),
        "shop.toml:10:1: recipe \"ours\" is given twice; keep one",
    );
    shop_faults(
        "recipe = 5\n",
        "shop.toml:1:10: recipe is no table; expected [[recipe]] on a line of its own, its keys below",
    );
}

#[test]
fn faults_of_parts_and_ratios_are_named() {
    for (parts, expected) in [
        (
            "[[recipe.part]]\nname = \"A\"\nmass = 1\ndensity = 0\n",
            "shop.toml:9:11: density 0 cannot be meant; expected 0.02 to 20",
        ),
        (
            "[[recipe.part]]\nname = \"A\"\npercent = 60\ndensity = 1\n[[recipe.part]]\nname = \"B\"\npercent = 39\ndensity = 1\n",
            "shop.toml:6:1: a ratio that does not add up: the percent of all parts together are 99.0; expected 100 ± 0.5",
        ),
        (
            "[[recipe.part]]\nname = \"A\"\nmass = 100\nvolume = 2\ndensity = 1.1\n\
             [[recipe.part]]\nname = \"B\"\nmass = 60\nvolume = 1\ndensity = 1\n",
            "shop.toml:11:1: a ratio that does not add up: its volume makes \"B\" to \"A\" 0.455 : 1 by mass, what else is given 0.600 : 1; \
             they must agree within 3 %, so mend one or leave it out (or mend a density)",
        ),
        (
            "[[recipe.part]]\nname = \"A\"\nmass = 100\ndensity = 1.1\n\
             [[recipe.part]]\nname = \"B\"\nvolume = 5\ndensity = 0.15\nrole = \"powder\"\n",
            "shop.toml:10:1: bulk is missing: a powder's loose density in g/cc; weigh a level 100 cc cup of it, not pressed, and divide by 100",
        ),
        (
            "[[recipe.part]]\nname = \"A\"\nmass = 100\ndensity = 1.1\n\
             [[recipe.part]]\nname = \"B\"\nvolume = 5\ndensity = 0.15\nbulk = 0.2\n",
            "shop.toml:14:8: bulk 0.2 is not below density 0.15; expected the loose density, air between the grains counted, and the true \
             density of the grains",
        ),
        (
            "[[recipe.part]]\nname = \"A\"\nmass = 100\ndensity = 1.1\n[[recipe.part]]\nname = \"B\"\nvolume = 5\ndensity = 1\n",
            "shop.toml:10:1: \"B\" has a ratio of another kind than other parts; expected percent for all parts, mass for all, volume for all, or \
             mass for the liquids and volume for the powders",
        ),
        (
            "[[recipe.part]]\nname = \"A\"\nmass = 100\ndensity = 1.1\n[[recipe.part]]\nname = \"B\"\ndensity = 1\n",
            "shop.toml:10:1: \"B\" has no ratio; expected percent for all parts, mass for all, volume for all, or mass for the liquids and \
             volume for the powders",
        ),
    ] {
        shop_faults(&begun(parts), expected);
    }
}

/// A shop file with most of what can stand in one.
const FULL: &str = "pot_loss = 0.1\nscale = \"0.5 g\"\nfiller = \"ours\"\n[[recipe]]\nname = \"ours\"\nbase = \"epoxy\"\npot_life_min = 20\n\
     at = \"70 F\"\nfactor_range = [1.8, 2.2]\nsandable = 5\nfrom = 5\nto = 30\nisocyanate = false\n\
     [[recipe.part]]\nname = \"A\"\nmass = 100\ndensity = 1.1\nstroke = 20\n\
     [[recipe.part]]\nname = \"B\"\nmass = 40\ndensity = 1\n[[recipe.part]]\nname = \"C\"\nvolume = 3\ndensity = 0.2\nbulk = 0.1\n";

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_damaged_shop_file_is_read_or_refused_never_worse(
        cuts in prop::collection::vec((0usize..400, 0usize..30, "[a-z0-9\\[\\]\\.=\"#é\\n -]{0,6}"), 1..4),
    ) {
        let mut text: Vec<char> = FULL.chars().collect();
        for (at, length, new) in cuts {
            let from = at.min(text.len());
            let to = (from + length).min(text.len());
            text.splice(from..to, new.chars());
        }
        let text: String = text.into_iter().collect();
        match shop::parse(&text, "shop.toml") {
            Err(faults) => prop_assert!(!faults.is_empty()),
            Ok((shop, _)) => {
                for recipe in &shop.recipes {
                    let request = Request { scale_g: shop.scale_g.clone(), ..asked(recipe) };
                    if let Ok(card) = mix::card(&request) {
                        prop_assert!(card.batches.iter().all(|b| b.mass_g > 0.0 && b.parts.iter().all(|p| p.mass_g.is_finite())));
                    }
                }
            }
        }
    }
}

#[test]
fn the_full_shop_file_is_sound() {
    let (shop, warnings) = shop::parse(FULL, "shop.toml").unwrap();
    let ours = shop.recipe("ours").unwrap();
    assert!(warnings.is_empty() && shop.filler == "ours");
    assert_eq!(
        (ours.factor_range, ours.isocyanate, ours.parts.len()),
        ([1.8, 2.2], false, 3)
    );
    // 3 loose volumes of 0.1 g/cc to one volume of 100 g and 40 g.
    let liquid_cc = 100.0 / 1.1 + 40.0;
    let powder = 3.0 * liquid_cc * 0.1;
    assert!((ours.parts[2].mass_share - powder / (140.0 + powder)).abs() < 1e-12);
}

// From outside.

fn run(dir: &Path, args: &[&str]) -> (i32, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .arg("mix")
        .args(args)
        .current_dir(dir)
        .output()
        .unwrap();
    let text = |b: &[u8]| String::from_utf8_lossy(b).into_owned();
    (
        out.status.code().unwrap_or(-1),
        text(&out.stdout),
        text(&out.stderr),
    )
}

#[test]
fn the_card_as_json_holds_what_was_asked_for() {
    let (dir, _) = folder(&[]);
    let args = [
        "--recipe",
        "dry-micro",
        "--volume",
        "500 cc",
        "--at",
        "20 C",
        "--json",
    ];
    let (status, out, err) = run(dir.path(), &args);
    assert_eq!((status, err.as_str()), (0, ""));
    let card: serde_json::Value = serde_json::from_str(&out).unwrap();
    let number = |v: &serde_json::Value, key: &str| v[key].as_f64().unwrap();
    // One figure: that of the parts with their air.
    let worked = number(&card, "density_worked_out_g_per_cc");
    assert_eq!(card["schema"], 1);
    assert_eq!(card["recipe"], "dry-micro");
    assert_eq!(
        (number(&card, "volume_cc"), number(&card, "asked_cc")),
        (500.0, 500.0)
    );
    assert_eq!(
        (number(&card, "density_g_per_cc"), number(&card, "mass_g")),
        (worked, 500.0 * worked)
    );
    assert_eq!(
        (number(&card, "pot_life_min"), number(&card, "sandable_h")),
        (30.0, 36.0)
    );
    assert!((number(&card, "density_worked_out_g_per_cc") - 0.3328).abs() < 1e-4);
    let batches = card["batches"].as_array().unwrap();
    let sum: f64 = batches.iter().map(|b| number(b, "mass_g")).sum();
    assert_eq!((batches.len(), sum), (1, 500.0 * worked));
    assert!((number(&card, "air_percent") - 14.7).abs() < 0.1);
    assert_eq!(batches[0]["parts"][2]["name"], "glass bubbles");
    assert!(
        card["cautions"]
            .as_array()
            .unwrap()
            .iter()
            .all(|c| c.is_string())
    );
    assert!(
        card["used"][0]["origin"]
            .as_str()
            .unwrap()
            .contains("with 15 % of air")
    );
    assert!(card["limited_by"].as_str().unwrap().contains("heat"));
}

#[test]
fn wrong_options_end_with_2_and_say_what_was_expected() {
    let (dir, _) = folder(&[]);
    let base = [
        "--recipe",
        "dry-micro",
        "--volume",
        "500 cc",
        "--at",
        "20 C",
    ];
    for (name, value, expected) in [
        (
            "--volume",
            "500 g",
            "\"g\" is no unit of volume; expected cc, ml, cm3, l or fl oz",
        ),
        (
            "--volume",
            "-500 cc",
            "-500 cc cannot be mixed; expected 0.01 cc to 1000 l",
        ),
        ("--volume", "1001 l", "1001000 cc cannot be mixed"),
        (
            "--volume",
            "NaN",
            "\"NaN\" is not a volume; expected a number and a unit such as 500 cc",
        ),
        ("--volume", "inf cc", "\"inf cc\" is not a volume"),
        ("--recipe", "dry-mico", "did you mean dry-micro?"),
        (
            "--recipe",
            "putty",
            "known ones: dry-micro, light-compound, polyester-filler, build-primer",
        ),
        (
            "--at",
            "20 K",
            "\"K\" is no unit of temperature; expected C or F",
        ),
        (
            "--at",
            "9.9",
            "9.9 °C is too cold for dry-micro, which is for 10 to 35 °C: it hardly cures",
        ),
        (
            "--at",
            "36",
            "36 °C is too warm for dry-micro, which is for 10 to 35 °C: it sets before it is spread",
        ),
        ("--skin", "5 C", "a skin of 5 °C is too cold"),
        (
            "--scale",
            "1 mm",
            "\"mm\" is no unit of mass; expected g, kg, oz or lb",
        ),
        ("--scale", "0", "a scale of 0 g cannot be meant"),
        (
            "--density",
            "0",
            "a mix of 0 g/cc cannot be; expected 0.02 to 20 g/cc",
        ),
        (
            "--density",
            "0.5 kg",
            "\"kg\" is no unit of density; expected g/cc or kg/l",
        ),
        ("--cup", "52 cc", "\"cc\" is no unit of mass"),
        ("--depth", "8 g", "\"g\" is no unit of length"),
        ("--depth", "-1", "a depth of -1 mm cannot be filled"),
        ("--humidity", "120", "a humidity of 120 % cannot be"),
        ("--face", "slanted", "invalid value 'slanted'"),
    ] {
        let mut args = base.to_vec();
        match args.iter().position(|a| *a == name) {
            Some(k) => args[k + 1] = value,
            None => args.extend([name, value]),
        }
        let (status, out, err) = run(dir.path(), &args);
        assert_eq!((status, out.as_str()), (2, ""), "{name} {value}: {err}");
        assert!(err.contains(expected), "{name} {value}: {err}");
    }
    for (args, expected) in [
        (&base[..4], "--at is missing"),
        (&base[4..], "--volume is missing"),
    ] {
        let (status, _, err) = run(dir.path(), args);
        assert!(status == 2 && err.contains(expected), "{err}");
    }
}

#[test]
fn a_plan_says_what_to_mix_and_options_win() {
    let plan = br#"{"schema": 1, "mix": {"recipe": "light-compound", "to_mix_cc": 320.5, "depth_mm": 4.0, "at_c": 18, "face": "overhead"}}"#;
    let (dir, _) = folder(&[
        ("plan.json", plan),
        ("odd.json", br#"{"mix": {"recipe": 5}}"#),
        ("none.json", br#"{"schema": 1}"#),
        ("lie.json", br#"{"mix": {"face": "slanted"}}"#),
        ("less.json", br#"{"mix": {"to_mix_cc": -5, "at_c": 400}}"#),
        ("who.json", br#"{"mix": {"recipe": "putty"}}"#),
        ("shop.toml", b"pot_los = 0.1\n"),
    ]);
    let json = |args: &[&str]| -> serde_json::Value {
        let (status, out, err) = run(dir.path(), args);
        assert_eq!(status, 0, "{err}");
        serde_json::from_str(&out).unwrap()
    };
    let card = json(&["--plan", "plan.json", "--json"]);
    assert_eq!(
        (&card["recipe"], &card["asked_cc"]),
        (&"light-compound".into(), &320.5.into())
    );
    assert_eq!((&card["coats"], &card["at_c"]), (&2.into(), &18.0.into()));
    let own = json(&[
        "--plan",
        "plan.json",
        "--json",
        "--volume",
        "100",
        "--at",
        "25",
        "--recipe",
        "dry-micro",
        "--depth",
        "5",
        "--face",
        "level",
    ]);
    assert_eq!(
        (&own["recipe"], &own["asked_cc"]),
        (&"dry-micro".into(), &100.0.into())
    );
    assert_eq!((&own["coats"], &own["at_c"]), (&1.into(), &25.0.into()));
    for (file, expected) in [
        (
            "odd.json",
            "odd.json:1:20: is no plan: invalid type: integer `5`",
        ),
        ("none.json", "none.json: has nothing to mix"),
        (
            "lie.json",
            "is no plan: face \"slanted\" is not level, vertical or overhead",
        ),
        (
            "less.json",
            "less.json: mix: to_mix_cc -5 cannot be meant; expected 0.01 to 1000000\nless.json: mix: at_c 400 cannot be meant",
        ),
        ("who.json", "who.json: recipe \"putty\" is no recipe"),
        ("gone.json", "gone.json: no such file"),
    ] {
        let (status, out, err) = run(dir.path(), &["--plan", file]);
        assert_eq!((status, out.as_str()), (1, ""), "{err}");
        assert!(err.contains(expected), "{err}");
    }
    let (status, _, err) = run(dir.path(), &["--plan", "odd.json", "--shop", "shop.toml"]);
    assert!(
        status == 1 && err.contains("shop.toml:1:1") && err.contains("odd.json:1:20"),
        "{err}"
    );
}

#[test]
fn the_card_to_read_has_every_part_by_mass_and_volume() {
    let recipe = weighed();
    let text = show::mix::text(
        &with_scale(&recipe, 500.0, 1.0).unwrap(),
        Units::Metric,
        false,
    );
    for row in [
        "Mix 500 cc at 20 °C: 250 g, in 2 batches.",
        "epoxy resin             61 g       53.0 cc",
        "hardener                28 g       27.2 cc",
        "glass bubbles           36 g        400 cc loose",
        "together               125 g        250 cc mixed",
        "and 1 more like it",
        "Pot life today: 30.0 min",
        "Sandable after about 36 h.",
        "Do not breathe it",
    ] {
        assert!(text.contains(row), "{row} is not in\n{text}");
    }
    // The batch first, its ratio and where that comes from below it, before anything else.
    let place = |words: &str| text.find(words).unwrap_or_else(|| panic!("no {words}"));
    assert!(place("THE FIRST BATCH") < place("Ratio by mass: epoxy resin 100"));
    assert!(place("Ratio by mass") < place("published: builders' notes"));
    assert!(place("published: builders' notes") < place("Pot life today"));
    assert!(place("Pot life today") < place("Care, before"));
    assert_eq!(
        text.matches(" g/cc").count(),
        2,
        "one density, and where it is used: {text}"
    );
    let us = show::mix::text(&mix::card(&asked(&recipe)).unwrap(), Units::Us, false);
    assert!(us.contains("Mix 16.9 fl oz at 68 °F: 8.82 oz"), "{us}");
}

#[test]
fn a_card_has_one_density_and_its_batch_is_what_its_parts_make() {
    let recipe = built_in("dry-micro");
    let card = mix::card(&asked(&recipe)).unwrap();
    let worked = recipe.worked_out();
    assert!((card.density_g_per_cc.value - worked.with_air_g_per_cc).abs() < 1e-12);
    // Parts at their true densities, and the air: the volume of the batch.
    for batch in &card.batches {
        let solid: f64 = batch
            .parts
            .iter()
            .zip(&recipe.parts)
            .map(|(m, p)| m.mass_g / p.density_g_per_cc)
            .sum();
        assert!((solid / (1.0 - worked.air_share) / batch.volume_cc - 1.0).abs() < 1e-9);
    }
    assert!(card.density_g_per_cc.origin.contains("15 % of air"));
    // Stated air counts in the place of what packing leaves, a weighed cup in the place of both.
    let stated = Recipe {
        air_percent: Some(Figure::new(5.0, "set in shop.toml")),
        ..recipe.clone()
    };
    let density = stated.density();
    assert!((density.value - 0.95 * worked.without_air_g_per_cc).abs() < 1e-12);
    assert!(density.origin.contains("5 % of air (set in shop.toml)"));
    assert_eq!(weighed().density().value, 0.5);
}

#[test]
fn cautions_belong_to_what_is_mixed() {
    let told = |name: &str, word: &str| {
        let recipe = built_in(name);
        mix::card(&asked(&recipe))
            .unwrap()
            .cautions
            .iter()
            .any(|c| c.contains(word))
    };
    for name in NAMES {
        assert_eq!(told(name, "Peroxide"), name == "polyester-filler");
        assert_eq!(told(name, "isocyanate"), name == "build-primer");
        assert_eq!(told(name, "Do not breathe"), name == "dry-micro");
        assert!(told(name, "data sheets") && told(name, "moving surface"));
    }
}
