//! A plan as text, page and plan.json. Nothing is computed here but sums of what stands together.

pub mod film;
pub mod json;
pub mod page;
pub mod summary;

use super::care::Caution;
use super::summary::{LOOK_UNDER, capital};
use super::words;
use crate::judge::{Interval, Judgement};
use crate::panel::Panel;
use crate::plan::Plan;
use crate::plan::fit_for::{Fit, How};
use crate::plan::hand_check::Line;
use crate::plan::price::Price;
use crate::plan::recipe::Base;
use crate::plan::sanding::FilmLeft;
use crate::plan::work::Item;
use crate::units::Units;

/// A share of the filler from which a high's price is told first.
const DEAR: f64 = 0.05;

/// "high H1, looks like a seam, x 670 y 600: 0.30 mm off saves 45 cc and 22 g; each further 0.1 mm
/// would save …".
pub(super) fn price(p: &Price, j: &Judgement, units: Units) -> String {
    let looks = if p.looks_like.is_empty() {
        String::new()
    } else {
        format!(", {}", p.looks_like)
    };
    let mut out = format!(
        "high {}{looks}, at {}, {} proud",
        p.name,
        words::spot(p.at_mm, units),
        words::depth(p.proud_mm, units)
    );
    if let Some(saves) = p.plan_saves_cc {
        let g = if p.saves_cc_per_tenth > 0.0 {
            format!(
                " and {}",
                mass(saves.value * p.saves_g_per_tenth / p.saves_cc_per_tenth)
            )
        } else {
            String::new()
        };
        out.push_str(&format!(
            ": {} off, as planned, saves {}{g}",
            words::depth(p.comes_off_mm, units),
            words::volume(saves, units)
        ));
    }
    if p.substrate_shows {
        out.push_str(&format!(
            ": the amounts count on {} off it, though substrate seems to show: look first, as the map says",
            words::depth(p.comes_off_mm, units)
        ));
        if let Some(amounts) = j.if_substrate {
            out.push_str(&format!(
                " (if it is substrate, make it a no_sand area and plan again: then to level takes most likely {}, {})",
                words::one_volume(amounts.most_likely_cc, units),
                words::volume_range(amounts.to_level_cc, units)
            ));
        }
    }
    let told = p.plan_saves_cc.is_some() || p.substrate_shows;
    if p.has_more() && p.saves_cc_per_tenth >= 0.5 {
        out.push_str(&format!(
            "{} each further {} off would save {} ({}), {} and {}, only where the film or the designer allows it",
            if told { ";" } else { ":" },
            words::tenth(units),
            words::one_volume(p.saves_cc_per_tenth, units),
            words::volume_range(
                Interval {
                    value: p.saves_cc_per_tenth,
                    low: p.saves_low_cc,
                    high: p.saves_high_cc
                },
                units
            ),
            mass(p.saves_g_per_tenth),
            if p.saves_h_per_tenth >= 0.0 {
                crate::plan::work::hours(p.saves_h_per_tenth).replacen("about ", "", 1)
            } else {
                format!("costs {} more than it saves", crate::plan::work::hours(-p.saves_h_per_tenth).replacen("about ", "", 1))
            },
        ));
    } else if !told {
        out.push_str(": taking more off saves next to nothing");
    }
    out
}

/// Prices that matter: together with the filler they would save.
pub(super) fn dear<'a>(plan: &'a Plan, j: &Judgement) -> Vec<&'a Price> {
    let least = (DEAR * j.to_level_cc.value).max(0.5);
    plan.highs
        .iter()
        .filter(|p| {
            let planned = p.plan_saves_cc.map_or(0.0, |s| s.value);
            planned >= least || p.substrate_shows || (p.has_more() && p.saves_cc_per_tenth >= least)
        })
        .collect()
}

/// "98 g", "1.2 kg", "3.4 g".
pub(super) fn mass(g: f64) -> String {
    match g.abs() {
        a if a >= 1000.0 => format!("{:.1} kg", g / 1000.0),
        a if a >= 9.95 => format!("{g:.0} g"),
        _ => format!("{g:.1} g"),
    }
}

/// "98 g (80-120)"; the value alone where no interval is known.
pub(super) fn mass_range(i: Interval) -> String {
    if i.high - i.low < 1e-9 {
        return mass(i.value);
    }
    format!("{} ({:.0}-{:.0})", mass(i.value), i.low, i.high)
}

/// "6.2 (3-12)".
pub(super) fn hours_range(i: Interval) -> String {
    format!(
        "{:.1} h ({:.0}-{:.0})",
        i.value,
        i.low.floor(),
        i.high.ceil()
    )
}

/// One work line in words, without its number and what it is.
pub(super) fn work(item: &Item) -> String {
    let parts = [
        &item.place,
        &item.depth,
        &item.amount,
        &item.tool,
        &item.time,
    ];
    let mut text = parts
        .into_iter()
        .filter(|p| !p.is_empty())
        .cloned()
        .collect::<Vec<_>>()
        .join("; ");
    if !item.stop.is_empty() {
        text.push_str(&format!(". {} {}", until(item), item.stop));
    }
    text.push('.');
    text
}

/// How a line's end is told: one waits until, all else stops when.
pub(super) fn until(item: &Item) -> &'static str {
    if item.what == "wait" {
        "Until"
    } else {
        "Stop when"
    }
}

/// "edge 600 along y at x 400, y 0 to 600, on two packers of 5 mm: expect 2.9 mm at the middle
/// (give or take 0.1); fair would be 2.3".
pub(super) fn hand_check(l: &Line, units: Units) -> String {
    let bare = |mm: f64| units.bare_place(mm);
    let place = if l.along == "x" {
        format!(
            "x {} to {}, y {}",
            bare(l.from_mm[0]),
            bare(l.to_mm[0]),
            bare(l.from_mm[1])
        )
    } else {
        format!(
            "x {}, y {} to {}",
            bare(l.from_mm[0]),
            bare(l.from_mm[1]),
            bare(l.to_mm[1])
        )
    };
    let packers = if l.packers_mm > 0.0 {
        format!(
            ", its ends on packers of {}",
            if units == Units::Metric {
                format!("{} mm", l.packers_mm)
            } else {
                units.depth(l.packers_mm)
            }
        )
    } else {
        String::new()
    };
    let over = if l.over.is_empty() {
        "a fair place".to_string()
    } else if l.over.starts_with('L') {
        format!("low {}", l.over)
    } else {
        format!("high {}", l.over)
    };
    format!(
        "edge {} at {place} ({over}){packers}: expect {} at the middle, give or take {}; fair would be {}",
        units.place(l.edge_mm),
        units.depth(l.expect_mm),
        units.depth(l.give_or_take_mm),
        units.depth(l.fair_mm)
    )
}

/// What is left of the film, in a sentence.
pub(super) fn film(f: &FilmLeft, units: Units) -> String {
    if !f.least_mm.is_finite() {
        return "known, but none of it is sanded".into();
    }
    let places: Vec<String> = f.thin_at.iter().map(|b| words::extent(*b, units)).collect();
    let at = if places.is_empty() {
        String::new()
    } else {
        format!(": {}", places.join("; "))
    };
    let thin = if f.thin_cm2 > 0.0 {
        format!(
            "; on {} less than the {} that must stay is left{at}",
            units.area(f.thin_cm2),
            units.depth(f.keep_mm)
        )
    } else {
        String::new()
    };
    let risk = if f.risk_cm2 > 0.0 {
        format!(
            "; on {} of it blocking may cut through: do not sand there, or measure the film first",
            units.area(f.risk_cm2)
        )
    } else {
        String::new()
    };
    format!(
        "least film left {} at {}{thin}{risk}",
        units.depth(f.least_mm),
        words::spot(f.at_mm, units)
    )
}

/// Mass and moments, in sentences.
pub(super) fn balance(plan: &Plan, panel: &Panel) -> Vec<String> {
    let b = &plan.balance;
    let mut parts = vec![format!(
        "this plan leaves {} on ({:.0}-{:.0})",
        mass(b.mass_g),
        b.mass_low_g,
        b.mass_high_g
    )];
    if b.build_coat_g > 0.0 {
        parts.push(format!("the build coat adds {}", mass(b.build_coat_g)));
    }
    if b.so_far_g > 0.0 {
        parts.push(format!("{} were on before", mass(b.so_far_g)));
    }
    let budget = match b.budget_g {
        Some(most) if b.total_g > most => {
            format!(
                "; OVER the budget of {} by {}",
                mass(most),
                mass(b.total_g - most)
            )
        }
        Some(most) => format!("; budget {}, {} left", mass(most), mass(most - b.total_g)),
        None => String::new(),
    };
    let mut out = vec![format!(
        "{}: {} in all, {:.0} g/m²{budget}. Paint is not in it",
        parts.join(", "),
        mass(b.total_g),
        b.total_g_per_m2
    )];
    if let (Some(moment), Some(arm)) = (b.total_moment_g_mm, b.arm_mm) {
        let shift = b.cg_shift_mm.map_or(String::new(), |s| {
            format!("; the centre of gravity moves by {s:+.2} mm")
        });
        out.push(format!(
            "moment of all of it about your datum {:.3} kg·m (arm {arm:.0} mm){shift}",
            moment / 1e6
        ));
    }
    if let (Some(own), Some(high), Some(total)) = (
        b.hinge_moment_g_mm,
        b.hinge_moment_high_g_mm,
        b.total_hinge_moment_g_mm,
    ) {
        let side = if total >= 0.0 { "behind" } else { "ahead of" };
        out.push(format!(
            "moment about the hinge line {:.2} kg·cm, {side} it: {:.2} of the filling (up to {:.2}), the rest of primer and what was on before, taken as \
             lying evenly",
            total.abs() / 1e4,
            own.abs() / 1e4,
            high.abs() / 1e4
        ));
    } else if panel.moving_surface {
        out.push("no hinge line given: say hinge = [[x, y], [x, y]] in panel.toml for the moment about it".into());
    }
    out
}

/// What repeats in the readings, and what to do about it before anything is filled.
pub(super) fn repeats(j: &Judgement, units: Units) -> Vec<String> {
    let found = j.repeats.iter().flat_map(|r| &r.found);
    found
        .map(|r| format!("{}. {LOOK_UNDER}", capital(&words::repeat(r, units))))
        .collect()
}

/// Warnings and questions about the substance.
pub(super) fn fits(fits: &[Fit], how: How) -> impl Iterator<Item = &str> {
    fits.iter()
        .filter(move |f| f.how == how)
        .map(|f| f.text.as_str())
}

/// Cautions that belong to what the plan mixes.
pub(super) fn cautions(plan: &Plan) -> Vec<Caution> {
    let mut out = Vec::new();
    let recipes = plan.way().map(|w| &w.recipe);
    if let Some(recipe) = recipes {
        if recipe.base == Base::Polyester {
            out.push(Caution {
                about: "peroxide",
                text: "eye protection for the hardener paste; never straight together with an accelerator; styrene wants a vapour filter, a dust mask \
                       does not hold it.",
            });
        }
        if recipe.base == Base::Epoxy {
            out.push(Caution {
                about: "heat of cure",
                text: "100 g of mixed epoxy left in a pot can reach about 200 °C (published: an epoxy maker): small batches, a shallow tray, away \
                       from sawdust; a thick fill can melt foam.",
            });
        }
    }
    out.push(Caution {
        about: "primer",
        text: "primers and paints may hold isocyanate: sprayers had about 90 times the asthma risk (published: a national safety authority). \
               Air-fed mask, know the booth's clearance time, and follow the data sheet and local rules.",
    });
    out
}
