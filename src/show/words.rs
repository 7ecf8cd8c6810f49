//! Phrases that map, page and terminal share, so that the same thing is said in the same words.

use super::summary::{WIDEST, wrapped};
use crate::judge::photo::{PhotoNote, unsure_of_colour};
use crate::judge::repeats::Repeat;
use crate::judge::{Interval, Judgement, LimitResult, LimitState, Region, RegionKind, Verdict};
use crate::panel::{Limit, Quantity};
use crate::problem::Warning;
use crate::units::{MM_PER_INCH, Units};

/// A direction this near to an axis is along it, degrees.
const ALONG_DEG: f64 = 2.0;

/// "0.30 mm under 300 mm", "0.05 mm swing over 50 mm", "3.0 mm/m over 300 mm".
pub fn limit(limit: &Limit, units: Units) -> String {
    let base = units.place(limit.base_mm);
    match limit.quantity {
        Quantity::Gap => format!("{} under {base}", depth(limit.max, units)),
        Quantity::Swing => format!("{} swing over {base}", depth(limit.max, units)),
        Quantity::Slope => format!("{:.1} mm/m over {base}", limit.max),
    }
}

/// The worst value found against a limit, with its interval; "not checked" without one.
pub fn worst(result: &LimitResult, units: Units) -> String {
    if result.state == LimitState::NotChecked || result.worst.value.is_nan() {
        return "not checked".into();
    }
    match result.limit.quantity {
        Quantity::Slope => format!(
            "{:.1} mm/m ({:.1} to {:.1}); anywhere at most {:.1}",
            result.worst.value, result.worst.low, result.worst.high, result.could_be
        ),
        _ => format!(
            "{} ({}); anywhere at most {}",
            depth(result.worst.value, units),
            depth_range(result.worst, units),
            depth(result.could_be, units)
        ),
    }
}

/// A standard deviation with its unit, a digit finer than depths.
pub fn fine(mm: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{mm:.3} mm"),
        Units::Us => format!("{:.1} thou", mm / MM_PER_INCH * 1000.0),
    }
}

/// A depth with its unit; "not known" for NaN.
pub fn depth(mm: f64, units: Units) -> String {
    if mm.is_nan() {
        return "not known".into();
    }
    units.depth(mm)
}

/// A place without its unit; "?" when it is not known.
fn place(mm: f64, units: Units) -> String {
    if !mm.is_finite() {
        return "?".into();
    }
    units.bare_place(mm)
}

/// "x 420 y 820"; inches say so.
pub fn spot(at: [f64; 2], units: Units) -> String {
    format!(
        "x {} y {}{}",
        place(at[0], units),
        place(at[1], units),
        inches(units)
    )
}

/// "x 610-730 y 200-1000"; inches say so.
pub fn extent(e: [f64; 4], units: Units) -> String {
    let p = |v| place(v, units);
    format!(
        "x {}-{} y {}-{}{}",
        p(e[0]),
        p(e[2]),
        p(e[1]),
        p(e[3]),
        inches(units)
    )
}

fn inches(units: Units) -> &'static str {
    match units {
        Units::Metric => "",
        Units::Us => " in",
    }
}

/// A tenth of a millimetre, the step in which a high is priced: "0.1 mm", "4 thou".
pub fn tenth(units: Units) -> &'static str {
    match units {
        Units::Metric => "0.1 mm",
        Units::Us => "4 thou",
    }
}

/// "lows L5, L6", "high H2", "lows L5, L6 and 3 more": regions of one kind, eight by name.
pub fn names(regions: &[&Region]) -> String {
    let told: Vec<&str> = regions.iter().take(8).map(|r| r.name.as_str()).collect();
    let kind = match regions.first().map(|r| r.kind) {
        Some(RegionKind::High) => "high",
        _ => "low",
    };
    let s = if regions.len() == 1 { "" } else { "s" };
    match regions.len().saturating_sub(8) {
        0 => format!("{kind}{s} {}", told.join(", ")),
        more => format!("{kind}{s} {} and {more} more", told.join(", ")),
    }
}

/// "0.55-0.71" from a signed interval, sizes only, the smaller first.
pub fn depth_range(i: Interval, units: Units) -> String {
    if i.low.is_nan() || i.high.is_nan() {
        return "range not known".into();
    }
    let (a, b) = sizes(i);
    format!("{}-{}", units.bare_depth(a), units.bare_depth(b))
}

/// Sizes of an interval's ends, the smaller first; 0 where the interval holds both signs.
fn sizes(i: Interval) -> (f64, f64) {
    let (a, b) = (i.low.abs().min(i.high.abs()), i.low.abs().max(i.high.abs()));
    if i.low < 0.0 && i.high > 0.0 && i.value != 0.0 {
        let same_side = if i.value < 0.0 { -i.low } else { i.high };
        return (0.0, same_side);
    }
    (a, b)
}

/// "34 cc (30-38)".
pub fn volume(i: Interval, units: Units) -> String {
    if i.value.is_nan() {
        return "volume not known".into();
    }
    format!("{} ({})", units.volume(i.value), volume_range(i, units))
}

/// "34 (30-38)", its unit said elsewhere.
pub fn bare_volume(i: Interval, units: Units) -> String {
    if i.value.is_nan() {
        return "not known".into();
    }
    format!(
        "{} ({})",
        units.bare_volume(i.value),
        volume_range(i, units)
    )
}

/// A volume without an interval; "not known" for NaN.
pub fn one_volume(cc: f64, units: Units) -> String {
    if cc.is_nan() {
        return "not known".into();
    }
    units.volume(cc)
}

/// "30-38" of a volume.
pub fn volume_range(i: Interval, units: Units) -> String {
    if i.low.is_nan() || i.high.is_nan() {
        return "range not known".into();
    }
    match units {
        // Both ends with the digits of the larger: "10-18", not "9.8-18".
        Units::Metric if i.high.abs() >= 9.95 => format!("{:.0}-{:.0}", i.low, i.high),
        _ => format!("{}-{}", units.bare_volume(i.low), units.bare_volume(i.high)),
    }
}

/// "low L1", "high H2".
pub fn name(region: &Region) -> String {
    match region.kind {
        RegionKind::Low => format!("low {}", region.name),
        RegionKind::High => format!("high {}", region.name),
    }
}

/// Which waves count as shape.
pub fn form_wavelengths(j: &Judgement, units: Units) -> String {
    let [x, y] = j.form_wavelength_mm;
    if (x - y).abs() < 0.5 {
        format!(
            "Waves longer than {} count as shape, shorter ones as unfair.",
            units.place(x)
        )
    } else {
        format!(
            "Waves longer than {} along x and {} along y count as shape, shorter ones as unfair.",
            units.place(x),
            units.place(y)
        )
    }
}

/// "roof.jpg: dark coat (found out, 97 % sure); 6 targets within 0.4 mm; 93 % of the panel seen".
pub fn photo(note: &PhotoNote, units: Units) -> String {
    let coat = match note.coat {
        "one colour" => "one colour only, so no coat that can be told from filler".to_string(),
        colour if note.colours_changed => {
            format!(
                "{colour} coat (by the readings: the photo read the other way round contradicts them)"
            )
        }
        colour if note.sure >= 1.0 => format!("{colour} coat"),
        colour => {
            let sure = format!(
                "{colour} coat (found out, {:.0} % sure)",
                (100.0 * note.sure).min(99.0)
            );
            if unsure_of_colour(note) && note.readings_agree {
                format!("{sure}; the readings agree with that")
            } else if unsure_of_colour(note) {
                format!("{sure}; say --coat dark or --coat light if you know")
            } else {
                sure
            }
        }
    };
    let places = if note.places_within_mm.is_finite() {
        format!(
            ", places right to {}",
            units.place(note.places_within_mm.max(1.0))
        )
    } else {
        String::new()
    };
    let fine = |mm: f64| match units {
        Units::Metric if mm < 0.1 => "under 0.1 mm".to_string(),
        Units::Metric => format!("{mm:.1} mm"),
        Units::Us => units.depth(mm),
    };
    format!(
        "{}: {coat}; {} targets, which miss by {} (rms; worst {}, {}){places}; {:.0} % of the panel seen.",
        note.file,
        note.targets,
        fine(note.residual_mm),
        note.worst_target,
        fine(note.worst_residual_mm),
        100.0 * note.seen_share
    )
}

/// The verdict as it heads screen and page.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Fair => "FAIR at the bases checked",
        Verdict::AnotherCycle => "ANOTHER CYCLE",
        Verdict::MeasureMore => "MEASURE MORE",
        Verdict::NotJudged => "SHAPE FIRST",
    }
}

/// The verdict with how far it goes: "FAIR to anything wider than 160 mm".
pub fn headline(j: &Judgement, units: Units) -> String {
    let to = (j.verdict == Verdict::Fair)
        .then(|| crate::judge::verdict::fair_to_words(&j.limits, units))
        .flatten();
    match to {
        Some(to) => format!("FAIR {to}"),
        None => verdict(j.verdict).to_string(),
    }
}

/// "best fit" for `best-fit`, as books of earlier versions have it.
pub fn plain(word: &str) -> String {
    word.replace('-', " ")
}

/// What was left out, each (sentence, place in the file) once: placings first, then single
/// readings. Of two swapped placings the first speaks for both.
pub(super) fn left_out(j: &Judgement) -> Vec<(&str, &str)> {
    let placings = j
        .flagged_placings
        .iter()
        .enumerate()
        .filter(|(k, own)| {
            let partner = |other: &crate::judge::FlaggedPlacing| {
                own.with.as_ref() == Some(&other.placing)
                    && other.with.as_ref() == Some(&own.placing)
            };
            !j.flagged_placings[..*k].iter().any(partner)
        })
        .map(|(_, p)| (p.reason.as_str(), p.place.as_str()));
    let readings = j.flags.iter().filter(|f| !f.whole_placing);
    placings
        .chain(readings.map(|f| (f.reason.as_str(), f.place.as_str())))
        .collect()
}

/// "each 40.1 mm along x (39.8 to 40.4) and each 40.2 mm along y (39.9 to 40.5), a lattice; 0.07 mm
/// crest to trough (0.06 to 0.10); looks like …".
pub fn repeat(r: &Repeat, units: Units) -> String {
    let mut out = pitch(r, units);
    out.push_str(&format!(
        "; {} crest to trough ({} to {})",
        units.depth(r.depth_mm.value),
        units.bare_depth(r.depth_mm.low),
        units.bare_depth(r.depth_mm.high)
    ));
    if let Some(e) = r.strongest_mm {
        out.push_str(&format!(", strongest {}", extent(e, units)));
    }
    if !r.looks_like.is_empty() {
        out.push_str(&format!("; looks like {}", r.looks_like));
    }
    out
}

/// Its pitch alone: "each 40.1 mm along x (39.8 to 40.4) and each 38.0 mm along y (37.6 to 38.4), a
/// lattice".
pub fn pitch(r: &Repeat, units: Units) -> String {
    let mut out = each(r.pitch_mm, r.direction_deg, units);
    if let Some(across) = &r.across {
        let second = each(across.pitch_mm, across.direction_deg, units);
        out.push_str(&format!(" and {second}, a lattice"));
    }
    out
}

/// "each 40.1 mm along x (39.8 to 40.4)".
fn each(pitch: Interval, direction_deg: f64, units: Units) -> String {
    let way = match direction_deg.abs() {
        d if d < ALONG_DEG => "along x".to_string(),
        d if d > 90.0 - ALONG_DEG => "along y".to_string(),
        _ => format!("at {direction_deg:.0}° from x"),
    };
    let digits = usize::from(pitch.value < 100.0);
    let (per, unit, digits) = match units {
        Units::Metric => (1.0, "mm", digits),
        Units::Us => (MM_PER_INCH, "in", digits + 1),
    };
    let [value, low, high] =
        [pitch.value, pitch.low, pitch.high].map(|mm| format!("{:.digits$}", mm / per));
    format!("each {value} {unit} {way} ({low} to {high})")
}

/// What must stand at the top: label and text of each pressing warning.
pub fn pressing(warnings: &[Warning]) -> Vec<(&'static str, String)> {
    let told = warnings.iter().filter_map(|w| w.pressing.as_ref());
    told.map(|p| (p.label, format!("{}.", p.text.trim_end_matches('.'))))
        .collect()
}

/// Label and text of what is pressing as the first lines on the terminal, each ended.
pub fn banner(told: &[(impl AsRef<str>, String)]) -> String {
    told.iter()
        .map(|(label, text)| {
            let label = label.as_ref();
            let hang = label.chars().count() + 2;
            let rows = wrapped(text, hang, hang, WIDEST);
            format!(
                "{label}  {}\n",
                rows.join(&format!("\n{}", " ".repeat(hang)))
            )
        })
        .collect()
}

/// How long what is shown stays true; where something is pressing, that in its place: "TOUCHED
/// SINCE: entry 32, fill, came after".
pub fn true_until(warnings: &[Warning]) -> String {
    let told: Vec<String> = warnings
        .iter()
        .filter_map(|w| w.pressing.as_ref())
        .map(|p| p.short.clone())
        .collect();
    if told.is_empty() {
        "true until the panel is touched".into()
    } else {
        told.join("; ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_depth_range_gives_sizes_the_smaller_first() {
        for (value, low, high, expected) in [
            (-0.62, -0.71, -0.55, "0.55-0.71"),
            (0.35, 0.30, 0.40, "0.30-0.40"),
            (-0.10, -0.22, 0.02, "0.00-0.22"),
            (0.1, f64::NAN, 0.2, "range not known"),
        ] {
            let got = depth_range(Interval { value, low, high }, Units::Metric);
            assert_eq!(got, expected);
        }
    }
}
