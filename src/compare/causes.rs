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

/// "ribs or stringers, or frames"; what the panel lies on comes first. Empty where nothing usual has that pitch.
pub fn looks_like(pitch_mm: f64, supports: Option<&str>) -> String {
    let usual: Vec<&str> = USUAL
        .iter()
        .filter(|(_, [from, to])| (*from..=*to).contains(&pitch_mm))
        .map(|(name, _)| *name)
        .collect();
    let mut words = usual.join(", or ");
    if let Some(noted) = supports {
        let theirs = |mm: &f64| (mm - pitch_mm).abs() <= SUPPORTS_SHARE * pitch_mm;
        if lengths(noted).iter().any(theirs) {
            let more = if words.is_empty() { "" } else { "; else " };
            words = format!("the supports' own pitch ({noted}){more}{words}");
        } else if pitch_mm >= FROM_SUPPORTS_MM && !words.is_empty() {
            words = format!("the supports, if they stand that far apart ({noted}); else {words}");
        }
    }
    words
}

/// Lengths written in a note, mm: numbers followed by a unit of length; a bare number of two digits or more counts as mm.
fn lengths(noted: &str) -> Vec<f64> {
    let words: Vec<&str> = noted
        .split(|c: char| c.is_whitespace() || c == ',' || c == ';' || c == '(' || c == ')')
        .filter(|w| !w.is_empty())
        .collect();
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

    #[test]
    fn the_supports_come_before_ribs() {
        assert_eq!(looks_like(250.0, None), "ribs or stringers");
        let theirs = looks_like(300.0, Some("four trestles 310 mm apart"));
        assert!(theirs.starts_with("the supports' own pitch"), "{theirs}");
        let maybe = looks_like(250.0, Some("trestles 600 mm apart"));
        assert!(maybe.starts_with("the supports, if"), "{maybe}");
        assert_eq!(looks_like(80.0, Some("trestles")), "");
        assert_eq!(
            looks_like(35.0, None),
            "a scored core printing through, or rows of rivets"
        );
    }
}
