//! The ratio of a recipe's parts, however it is written, as shares by mass; or why it does not add
//! up.

/// How far two ways of writing one ratio may be apart.
const AGREEMENT: f64 = 0.03;
/// How far percentages may be off 100 together.
const PERCENT_SLACK: f64 = 0.5;

/// What a recipe says of one part.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stated {
    /// Name, for messages.
    pub name: String,
    /// Parts by mass.
    pub mass: Option<f64>,
    /// Parts by volume as measured; a powder's loose.
    pub volume: Option<f64>,
    /// Per cent by mass.
    pub percent: Option<f64>,
    /// Density as measured, g/cc; a powder's loose.
    pub measured_g_per_cc: f64,
    /// True density, g/cc.
    pub density_g_per_cc: f64,
    /// Whether it is a powder.
    pub powder: bool,
}

/// A ratio that does not add up: which part shows it, and what to do.
#[derive(Clone, Debug, PartialEq)]
pub struct Slip {
    /// Index of the part.
    pub part: usize,
    /// What was found, what was expected.
    pub message: String,
}

/// Shares by mass that add to 1.
///
/// Complete are: `percent` for all; `mass` for all; `volume` for all; or `mass` for the liquids and
/// `volume` for the powders, which then are loose volumes to one volume of the mixed liquids. What
/// is given beyond that must agree within 3 %. All numbers are above 0.
///
/// # Errors
/// A part without its number, percentages that are not 100 ± 0.5 together, ratios that disagree.
pub fn shares(parts: &[Stated]) -> Result<Vec<f64>, Slip> {
    check_percent(parts)?;
    let masses = complete(parts).ok_or_else(|| incomplete(parts))?;
    let by_mass = parts.iter().map(|p| p.mass).collect::<Vec<_>>();
    agree(parts, &masses, &by_mass, "mass")?;
    agree(parts, &masses, &by_volume(parts, &masses), "volume")?;
    let total: f64 = masses.iter().sum();
    Ok(masses.iter().map(|m| m / total).collect())
}

fn check_percent(parts: &[Stated]) -> Result<(), Slip> {
    if parts.iter().all(|p| p.percent.is_none()) {
        return Ok(());
    }
    if let Some(part) = parts.iter().position(|p| p.percent.is_none()) {
        let message = format!(
            "\"{}\" has no percent though other parts have; give it for every part",
            parts[part].name
        );
        return Err(Slip { part, message });
    }
    let total: f64 = parts.iter().filter_map(|p| p.percent).sum();
    if (total - 100.0).abs() <= PERCENT_SLACK {
        return Ok(());
    }
    Err(Slip {
        part: 0,
        message: format!(
            "a ratio that does not add up: the percent of all parts together are {total:.1}; expected 100 ± {PERCENT_SLACK}"
        ),
    })
}

/// Masses in any common unit, from the first complete way of writing.
fn complete(parts: &[Stated]) -> Option<Vec<f64>> {
    let all = |of: fn(&Stated) -> Option<f64>| parts.iter().map(of).collect::<Option<Vec<f64>>>();
    all(|p| p.percent)
        .or_else(|| all(|p| p.mass))
        .or_else(|| all(|p| p.volume.map(|v| v * p.measured_g_per_cc)))
        .or_else(|| powders_to_liquid(parts))
}

/// Liquids by mass, powders by loose volumes to one volume of the mixed liquids.
fn powders_to_liquid(parts: &[Stated]) -> Option<Vec<f64>> {
    let liquids: Option<Vec<f64>> = parts
        .iter()
        .filter(|p| !p.powder)
        .map(|p| p.mass.map(|m| m / p.density_g_per_cc))
        .collect();
    let liquid_cc: f64 = liquids?.iter().sum();
    let mass = |p: &Stated| match p.powder {
        false => p.mass,
        true => p.volume.map(|v| v * liquid_cc * p.measured_g_per_cc),
    };
    parts.iter().map(mass).collect()
}

/// What the volumes given say by mass. Where no liquid has one, a powder's is to one volume of the
/// mixed liquids.
fn by_volume(parts: &[Stated], masses: &[f64]) -> Vec<Option<f64>> {
    let liquid_stated = parts.iter().any(|p| !p.powder && p.volume.is_some());
    let liquids = || parts.iter().zip(masses).filter(|(p, _)| !p.powder);
    let liquid_cc: f64 = liquids().map(|(p, m)| m / p.density_g_per_cc).sum();
    let said = |(p, mass): (&Stated, &f64)| match (liquid_stated, p.powder) {
        (true, _) => p.volume.map(|v| v * p.measured_g_per_cc),
        (false, true) => p.volume.map(|v| v * liquid_cc * p.measured_g_per_cc),
        (false, false) => Some(*mass),
    };
    parts.iter().zip(masses).map(said).collect()
}

/// Whether a second way of writing the ratio says the same, among the parts that have it.
fn agree(parts: &[Stated], masses: &[f64], said: &[Option<f64>], how: &str) -> Result<(), Slip> {
    let mut first: Option<(usize, f64)> = None;
    for (k, value) in said.iter().enumerate() {
        let Some(factor) = value.map(|v| v / masses[k]) else {
            continue;
        };
        let (of, expected) = *first.get_or_insert((k, factor));
        let off = factor / expected - 1.0;
        if off.abs() <= AGREEMENT {
            continue;
        }
        return Err(Slip {
            part: k,
            message: format!(
                "a ratio that does not add up: its {how} makes \"{}\" to \"{}\" {} : 1 by mass, what else is given {} : 1; \
                 they must agree within 3 %, so mend one or leave it out (or mend a density)",
                parts[k].name,
                parts[of].name,
                round(value.unwrap_or(0.0) / said[of].unwrap_or(1.0)),
                round(masses[k] / masses[of]),
            ),
        });
    }
    Ok(())
}

fn incomplete(parts: &[Stated]) -> Slip {
    let without = parts
        .iter()
        .position(|p| p.mass.is_none() && p.volume.is_none());
    // Of two ways of writing, the second is pointed at.
    let by_mass = |p: &Stated| p.mass.is_some();
    let other = parts.iter().position(|p| {
        parts
            .first()
            .is_some_and(|first| by_mass(first) != by_mass(p))
    });
    let (part, found) = match without {
        Some(k) => (k, "no ratio"),
        None => (
            other.unwrap_or(0),
            "a ratio of another kind than other parts",
        ),
    };
    Slip {
        part,
        message: format!(
            "\"{}\" has {found}; expected percent for all parts, mass for all, volume for all, or mass for the liquids and volume \
             for the powders",
            parts.get(part).map_or("", |p| p.name.as_str())
        ),
    }
}

/// Three significant digits for a message.
fn round(value: f64) -> String {
    match value {
        v if v < 0.995 => format!("{v:.3}"),
        v => crate::units::three_digits(v),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn liquid(name: &str, density: f64) -> Stated {
        Stated {
            name: name.into(),
            measured_g_per_cc: density,
            density_g_per_cc: density,
            ..Stated::default()
        }
    }

    fn epoxy() -> [Stated; 3] {
        let mut bubbles = liquid("bubbles", 0.15);
        bubbles.measured_g_per_cc = 0.09;
        bubbles.powder = true;
        [liquid("resin", 1.15), liquid("hardener", 1.03), bubbles]
    }

    fn near(found: &[f64], expected: [f64; 3]) {
        let total: f64 = expected.iter().sum();
        for (f, e) in found.iter().zip(expected) {
            assert!((f - e / total).abs() < 1e-12, "{found:?}");
        }
    }

    #[test]
    fn a_powder_by_volume_beside_liquids_by_mass_is_to_the_mixed_liquids() {
        let mut parts = epoxy();
        parts[0].mass = Some(100.0);
        parts[1].mass = Some(45.0);
        parts[2].volume = Some(5.0);
        let bubbles = 5.0 * (100.0 / 1.15 + 45.0 / 1.03) * 0.09;
        near(&shares(&parts).unwrap(), [100.0, 45.0, bubbles]);
        // A mass as well must agree.
        parts[2].mass = Some(bubbles * 1.02);
        assert!(shares(&parts).is_ok());
        parts[2].mass = Some(bubbles * 1.05);
        assert_eq!(shares(&parts).unwrap_err().part, 2);
    }

    #[test]
    fn volumes_for_all_are_of_one_scale() {
        let mut parts = epoxy();
        for (part, volume) in parts.iter_mut().zip([2.0, 1.0, 15.0]) {
            part.volume = Some(volume);
        }
        near(&shares(&parts).unwrap(), [2.3, 1.03, 1.35]);
        parts[0].mass = Some(100.0);
        parts[1].mass = Some(44.8);
        assert!(shares(&parts).is_ok());
        parts[1].mass = Some(50.0);
        let slip = shares(&parts).unwrap_err();
        assert!(
            slip.message.contains("0.500 : 1") && slip.message.contains("0.448 : 1"),
            "{}",
            slip.message
        );
    }

    #[test]
    fn percent_adds_to_a_hundred() {
        let mut parts = epoxy();
        for (part, percent) in parts.iter_mut().zip([60.0, 30.0, 10.4]) {
            part.percent = Some(percent);
        }
        assert!(shares(&parts).is_ok());
        parts[2].percent = Some(10.6);
        assert!(shares(&parts).unwrap_err().message.contains("are 100.6;"));
        parts[2].percent = None;
        assert_eq!(shares(&parts).unwrap_err().part, 2);
    }

    #[test]
    fn an_incomplete_ratio_is_named() {
        let mut parts = epoxy();
        parts[0].mass = Some(1.0);
        assert_eq!(shares(&parts).unwrap_err().part, 1);
        parts[1].volume = Some(1.0);
        parts[2].mass = Some(1.0);
        assert!(shares(&parts).unwrap_err().message.contains("another kind"));
    }
}
