//! Where something was sanded: "H1", "H1, L2", or a box "x 100-400 y 50-200", as plan and map print
//! it.

use crate::keep::At;
use crate::keep::result::SavedRegion;
use crate::text::quoted;
use crate::units;

/// Most places in one entry.
const MOST: usize = 50;

/// The places said, by the regions of the last survey.
///
/// # Errors
/// A sentence with what is known.
pub fn read(said: &str, regions: &[SavedRegion]) -> Result<At, String> {
    let words = said.trim();
    let outlines: Vec<Vec<[f64; 2]>> = if words.starts_with(['x', 'X']) {
        words.split(';').map(boxed).collect::<Result<_, _>>()?
    } else {
        let names = words.split([',', ';', ' ']).filter(|w| !w.is_empty());
        names
            .map(|name| region(name, regions))
            .collect::<Result<_, _>>()?
    };
    if outlines.is_empty() || outlines.len() > MOST {
        return Err(format!("--at {}: {EXPECTED}", quoted(said)));
    }
    Ok(At {
        said: words
            .chars()
            .filter(|c| !c.is_control())
            .take(200)
            .collect(),
        outlines,
    })
}

const EXPECTED: &str = "expected regions of the last survey such as \"H1\" or \"H1, H2\", or a box such as \"x 100-400 y 50-200\"";

fn corners([x0, y0, x1, y1]: [f64; 4]) -> Vec<[f64; 2]> {
    vec![[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
}

fn region(name: &str, regions: &[SavedRegion]) -> Result<Vec<[f64; 2]>, String> {
    if let Some(found) = regions.iter().find(|r| r.name.eq_ignore_ascii_case(name)) {
        return Ok(corners(found.extent_mm));
    }
    let known: Vec<&str> = regions.iter().map(|r| r.name.as_str()).collect();
    let known = if known.is_empty() {
        "no survey found any".to_string()
    } else {
        format!("the last survey found {}", known.join(", "))
    };
    Err(format!("--at {}: {known}; {EXPECTED}", quoted(name)))
}

/// "x 100-400, y 50-200", "x 4 in - 16 in y 2 in - 8 in".
fn boxed(words: &str) -> Result<Vec<[f64; 2]>, String> {
    let wrong = || format!("--at {}: {EXPECTED}", quoted(words));
    let (x, y) = words
        .trim()
        .trim_start_matches(['x', 'X'])
        .split_once(['y', 'Y'])
        .ok_or_else(wrong)?;
    let range = |part: &str| -> Option<[f64; 2]> {
        let part = part.trim().trim_matches([',', ':']).trim();
        let (a, b) = part
            .split_once(['-', '–'])
            .or_else(|| part.split_once(" to "))?;
        let [a, b] = [a, b].map(|t| units::length(t.trim()).ok());
        let (a, b) = (a?, b?);
        ((0.0..1e6).contains(&a) && b > a && b < 1e6).then_some([a, b])
    };
    let ([x0, x1], [y0, y1]) = range(x).zip(range(y)).ok_or_else(wrong)?;
    Ok(corners([x0, y0, x1, y1]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_boxes_or_regions_of_the_last_survey() {
        let outline = vec![[100.0, 50.0], [400.0, 50.0], [400.0, 200.0], [100.0, 200.0]];
        let at = read("x 100-400, y 50-200", &[]).unwrap();
        assert_eq!(at.outlines, vec![outline]);
        assert!(at.contains(100.0, 50.0) && !at.contains(90.0, 50.0));
        assert!(read("x 1 in - 2 in y 0 - 10", &[]).is_ok());
        let none = read("H1", &[]).unwrap_err();
        assert!(none.contains("no survey found any"), "{none}");
        for wrong in ["", "x 5", "x 9-3 y 1-2", "x 1-2 y 3", "x a-b y c-d"] {
            assert!(read(wrong, &[]).is_err(), "{wrong}");
        }
    }
}
