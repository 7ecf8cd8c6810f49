//! What a repeating pitch looks like: the usual pitches of what lies under a skin.
//!
//! Common practice, no source. It never says more than "looks like".

/// Usual pitches, mm.
const USUAL: [(&str, [f64; 2]); 8] = [
    ("weave printing through", [1.0, 4.0]),
    ("a honeycomb core printing through", [3.0, 10.0]),
    ("a scored core printing through", [20.0, 50.0]),
    ("rows of rivets", [20.0, 40.0]),
    ("tape seams side by side", [100.0, 150.0]),
    ("ribs or stringers", [200.0, 400.0]),
    ("joints of the foam", [300.0, 600.0]),
    ("frames", [300.0, 1000.0]),
];
/// Pitches from here on may come from what the panel lies on.
const FROM_SUPPORTS_MM: f64 = 150.0;
/// A pitch this close to that of the supports is theirs, as a share.
const SUPPORTS_SHARE: f64 = 0.1;

/// "ribs or stringers, or frames"; what the panel lies on comes first. Empty where nothing usual
/// has that pitch.
pub fn looks_like(pitch_mm: f64, supports: Option<&str>) -> String {
    let usual: Vec<&str> = USUAL
        .iter()
        .filter(|(_, [from, to])| (*from..=*to).contains(&pitch_mm))
        .map(|(name, _)| *name)
        .collect();
    let mut words = usual.join(", or ");
    if let Some(noted) = supports {
        let more = if words.is_empty() { "" } else { "; else " };
        let theirs = |mm: &f64| (mm - pitch_mm).abs() <= SUPPORTS_SHARE * pitch_mm;
        if apart(noted).iter().any(theirs) {
            words = format!("the supports' own pitch ({noted}){more}{words}");
        } else if pitch_mm >= FROM_SUPPORTS_MM {
            words = format!("the supports, if they stand that far apart ({noted}){more}{words}");
        }
    }
    words
}

/// How far apart supports stand by a note, mm: lengths written in it, but after "x" or "y", which
/// begin places ("x 300 900 1500"), the distances from one to the next.
fn apart(noted: &str) -> Vec<f64> {
    let words: Vec<&str> = noted
        .split(|c: char| c.is_whitespace() || c == ',' || c == ';' || c == '(' || c == ')')
        .filter(|w| !w.is_empty())
        .collect();
    // A part begins with each axis.
    let axes = (0..words.len()).filter(|k| matches!(words[*k], "x" | "y"));
    let mut starts: Vec<usize> = axes.collect();
    starts.push(words.len());
    let mut found = lengths(&words[..starts[0]]);
    for part in starts.windows(2) {
        let mut places = lengths(&words[part[0]..part[1]]);
        places.sort_by(f64::total_cmp);
        found.extend(places.windows(2).map(|p| p[1] - p[0]));
    }
    found
}

/// Lengths among words, mm: numbers followed by a unit of length; a bare number counts as mm. None
/// below 10 mm.
fn lengths(words: &[&str]) -> Vec<f64> {
    let mut found = Vec::new();
    for (k, word) in words.iter().enumerate() {
        if !word.starts_with(|c: char| c.is_ascii_digit()) {
            continue;
        }
        let with_next = words.get(k + 1).map(|next| format!("{word} {next}"));
        let length = with_next
            .and_then(|w| crate::units::length(&w).ok())
            .or_else(|| crate::units::length(word).ok());
        found.extend(length.filter(|mm| *mm >= 10.0));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "x 300 900 1500" names places, as in the header's example: they stand 600 mm apart, not 300.
    #[test]
    fn of_places_the_distances_count() {
        let noted = Some("trestles x 300 900 1500");
        let own = |pitch| looks_like(pitch, noted).starts_with("the supports' own pitch");
        assert!(own(600.0) && !own(300.0) && !own(900.0));
        assert_eq!(apart("bench 400 mm, x 0.2 m 700 mm y 100"), [400.0, 500.0]);
        assert_eq!(apart(""), [0.0; 0]);
    }

    #[test]
    fn the_supports_come_before_ribs() {
        assert_eq!(looks_like(250.0, None), "ribs or stringers");
        let theirs = looks_like(300.0, Some("four trestles 310 mm apart"));
        assert!(theirs.starts_with("the supports' own pitch"), "{theirs}");
        let maybe = looks_like(250.0, Some("trestles 600 mm apart"));
        assert!(maybe.starts_with("the supports, if"), "{maybe}");
        assert_eq!(looks_like(80.0, Some("trestles")), "");
        let unusual = looks_like(170.0, Some("trestles"));
        assert_eq!(
            unusual,
            "the supports, if they stand that far apart (trestles)"
        );
        assert_eq!(
            looks_like(35.0, None),
            "a scored core printing through, or rows of rivets"
        );
    }
}
