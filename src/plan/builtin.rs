//! Generic recipes to begin with: no maker's product. Every figure is a default to be replaced by
//! the data sheet of what is used.

use super::figure::{COMMON, Figure};
use super::recipe::{Base, FACTOR_RANGE, Part, Recipe, Role, USUAL_FACTOR};

/// All of them.
pub fn recipes() -> Vec<Recipe> {
    vec![
        dry_micro(),
        light_compound(),
        polyester_filler(),
        build_primer(),
    ]
}

fn common(value: f64) -> Figure {
    Figure::new(value, COMMON)
}

fn common_range(value: f64, range: &str) -> Figure {
    Figure::new(value, format!("common practice, no source ({range})"))
}

fn part(name: &str, role: Role, mass_share: f64, density_g_per_cc: f64) -> Part {
    Part {
        name: name.into(),
        role,
        mass_share,
        density_g_per_cc,
        bulk_g_per_cc: None,
        stroke_g: None,
    }
}

/// What the recipes have in common; each names what differs.
fn plain(name: &str, about: &str, base: Base, parts: Vec<Part>) -> Recipe {
    Recipe {
        name: name.into(),
        about: about.into(),
        ratio_from: COMMON.into(),
        base,
        parts,
        density_g_per_cc: None,
        air_percent: None,
        pot_life_min: common(30.0),
        sandable_h: common(16.0),
        at_c: 20.0,
        factor: Figure::new(
            USUAL_FACTOR,
            "published: an adhesive maker, coating inspection notes; halves for each 10 °C",
        ),
        factor_range: FACTOR_RANGE,
        greatest_coat_mm: None,
        greatest_build_mm: None,
        from_c: common(10.0),
        to_c: common(35.0),
        panel_from_c: None,
        greatest_pot_g: common(500.0),
        spread_cc_per_min: common(60.0),
        mixing_min: common(3.0),
        shrink_percent: common(1.0),
        solids_percent: Figure::new(100.0, "nothing dries out of it"),
        wet_coat_mm: None,
        dry_density_g_per_cc: None,
        prime_after_h: None,
        isocyanate: false,
    }
}

/// What is taken for a recipe whose base is none of the known ones, before its file is heard.
pub(super) fn undescribed() -> Recipe {
    Recipe {
        greatest_pot_g: common(200.0),
        ..plain("", "", Base::Other, Vec::new())
    }
}

/// Below this most amine epoxies hardly cure.
fn epoxy_from() -> Figure {
    Figure::new(
        10.0,
        "published: coating inspection notes, below 10 °C most amine epoxies hardly cure",
    )
}

/// Common to epoxies.
fn epoxy_coat() -> Figure {
    Figure::new(6.0, "published: a data sheet (5-6 mm, 10 at most)")
}

/// Deeper is another section, or a structure that is not sound.
fn epoxy_build() -> Figure {
    Figure::new(
        20.0,
        "common practice, no source (two coats of 10 mm, the most that a published data sheet gives to one)",
    )
}

fn dry_micro() -> Recipe {
    // Resin to hardener 100 : 45 by mass; to one volume of the two mixed, 5 loose volumes of
    // bubbles.
    const RESIN: (f64, f64) = (100.0, 1.15);
    const HARDENER: (f64, f64) = (45.0, 1.03);
    const BUBBLES_TO_ONE: f64 = 5.0;
    const TRUE: f64 = 0.15;
    const BULK: f64 = 0.09;
    let liquid_cc = RESIN.0 / RESIN.1 + HARDENER.0 / HARDENER.1;
    let bubbles_g = BUBBLES_TO_ONE * liquid_cc * BULK;
    let total_g = RESIN.0 + HARDENER.0 + bubbles_g;
    let mut bubbles = part("glass bubbles", Role::Powder, bubbles_g / total_g, TRUE);
    bubbles.bulk_g_per_cc = Some(BULK);
    let parts = vec![
        part("epoxy resin", Role::Base, RESIN.0 / total_g, RESIN.1),
        part("hardener", Role::Hardener, HARDENER.0 / total_g, HARDENER.1),
        bubbles,
    ];
    Recipe {
        ratio_from: "bubbles 5 : 1 loose to mixed resin, published: builders' notes (5-6 : 1); resin to hardener \
                     100 : 45 by mass, common practice, no source: use your own system's ratio from its data sheet"
            .into(),
        pot_life_min: common_range(30.0, "of about 100 g"),
        sandable_h: Figure::new(36.0, "published: a boatbuilders' page (24-72 h)"),
        greatest_coat_mm: Some(epoxy_coat()),
        greatest_build_mm: Some(epoxy_build()),
        from_c: epoxy_from(),
        to_c: Figure::new(
            35.0,
            "common practice, no source; published: small batches above 32 °C, coating inspection notes",
        ),
        greatest_pot_g: common(200.0),
        ..plain(
            "dry-micro",
            "home-mixed light epoxy filler: resin, hardener, glass bubbles",
            Base::Epoxy,
            parts,
        )
    }
}

fn light_compound() -> Recipe {
    // Both parts have the density of the mix: equal volumes are equal masses.
    let parts = vec![
        part("part A", Role::Base, 0.5, 0.65),
        part("part B", Role::Hardener, 0.5, 0.65),
    ];
    Recipe {
        density_g_per_cc: Some(common_range(0.65, "0.5-0.8")),
        greatest_coat_mm: Some(epoxy_coat()),
        greatest_build_mm: Some(epoxy_build()),
        from_c: epoxy_from(),
        spread_cc_per_min: common(80.0),
        shrink_percent: common(0.5),
        ..plain(
            "light-compound",
            "ready-mixed light fairing compound in two parts, A : B 1 : 1 by volume",
            Base::Epoxy,
            parts,
        )
    }
}

fn polyester_filler() -> Recipe {
    // 2 g of hardener paste to 100 g of filler paste, both taken at the density of the mix.
    let parts = vec![
        part("filler paste", Role::Base, 100.0 / 102.0, 1.2),
        part("peroxide hardener paste", Role::Hardener, 2.0 / 102.0, 1.2),
    ];
    Recipe {
        ratio_from: "2 % of the paste's mass, published: formulation notes (1-3 %)".into(),
        density_g_per_cc: Some(common_range(1.2, "1.1-1.3 light, to 1.8")),
        pot_life_min: common_range(4.5, "3-6 min workable"),
        sandable_h: Figure::new(25.0 / 60.0, "published: a supplier's page (20-30 min)"),
        greatest_coat_mm: Some(Figure::new(
            3.0,
            "published: a metal-shaping book (6 mm at any point at most, a maker's trainer)",
        )),
        greatest_build_mm: Some(Figure::new(
            6.0,
            "published: a maker's trainer (6 mm at any point at most)",
        )),
        panel_from_c: Some(Figure::new(
            18.0,
            "published: a technical representative (18 °C at least, best 22-27)",
        )),
        greatest_pot_g: common(300.0),
        mixing_min: common(1.0),
        prime_after_h: Some(Figure::new(
            1.5,
            "published: a collision-repair textbook (90 min at least)",
        )),
        ..plain(
            "polyester-filler",
            "polyester body filler with peroxide hardener paste",
            Base::Polyester,
            parts,
        )
    }
}

/// The wet coat that leaves 60 µm dry, mm.
pub(super) fn usual_wet_coat(solids_percent: f64) -> Figure {
    const DRY_MM: f64 = 0.06;
    Figure::new(
        DRY_MM * 100.0 / solids_percent,
        "worked out from 60 µm dry a coat (common practice, no source: 40-80) and the solids",
    )
}

fn build_primer() -> Recipe {
    const SOLIDS: f64 = 50.0;
    // Both parts are taken at the density of the mix: 4 : 1 by volume is 4 : 1 by mass.
    let parts = vec![
        part("part A", Role::Base, 0.8, 1.35),
        part("part B", Role::Hardener, 0.2, 1.35),
    ];
    Recipe {
        density_g_per_cc: Some(common(1.35)),
        pot_life_min: common(120.0),
        sandable_h: common(8.0),
        greatest_pot_g: common(2000.0),
        spread_cc_per_min: common(300.0),
        shrink_percent: Figure::new(0.0, "counted in the solids"),
        solids_percent: common(SOLIDS),
        wet_coat_mm: Some(usual_wet_coat(SOLIDS)),
        greatest_build_mm: Some(common_range(0.5, "0.2-0.5 mm of sprayed build a job")),
        dry_density_g_per_cc: Some(common(1.6)),
        isocyanate: true,
        ..plain(
            "build-primer",
            "high-build primer in two parts, A : B 4 : 1 by volume",
            Base::Primer,
            parts,
        )
    }
}
