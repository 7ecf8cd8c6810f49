//! Two surveys of one panel: what moved between them, and what repeats.
//!
//! In: the readings of both surveys and the surfaces found from them. Out: the
//! [`difference`](difference::difference) with its uncertainty, pitches that came or went
//! ([`spectrum`]), plain statistics of the readings ([`stats`]), all put together by [`moved`]. No
//! file, no clock, no screen.

pub mod align;
pub mod causes;
pub mod difference;
mod mirror;
pub mod series;
pub mod spectrum;
pub mod stats;

pub use difference::{Difference, Found, difference, difference_unbent};
pub use mirror::{Axis, mirrored_panel, mirrored_survey};
pub use stats::{Progress, ReadingsStats, progress, readings_stats};

use crate::fit;
use crate::observe::{Conditions, Survey};
use crate::panel::Panel;
use crate::problem::{Error, Warning};
use spectrum::Repeats;

/// Skin temperatures that differ by more than this are told, °C (common practice, no source).
const WARMER_C: f64 = 3.0;

/// All that two surveys tell of one another.
#[derive(Clone, Debug)]
pub struct Moved {
    /// What moved.
    pub difference: Difference,
    /// Pitches that came or went.
    pub repeats: Repeats,
    /// Statistics of the readings before and after.
    pub readings: [Option<ReadingsStats>; 2],
    /// What to keep in mind.
    pub cautions: Vec<Warning>,
}

/// Compare two surveys: both surfaces found, laid onto one another, what is left told.
///
/// # Errors
/// [`Error::Calculation`] when a surface cannot be found, [`Error::Survey`] when the surveys have
/// nothing in common.
pub fn moved(panel: &Panel, before: &Survey, after: &Survey) -> Result<Moved, Error> {
    let (old, new) = rayon::join(|| fit::fit(panel, before), || fit::fit(panel, after));
    let (old, new) = (old?, new?);
    let (difference, repeats) = rayon::join(
        || {
            difference(
                panel,
                Found {
                    survey: before,
                    surface: &old,
                },
                Found {
                    survey: after,
                    surface: &new,
                },
            )
        },
        || spectrum::in_difference(before, after),
    );
    Ok(Moved {
        difference: difference?,
        repeats,
        readings: [readings_stats(before), readings_stats(after)],
        cautions: cautions(&before.conditions, &after.conditions),
    })
}

/// What the headers of two surveys tell against comparing them.
pub fn cautions(before: &Conditions, after: &Conditions) -> Vec<Warning> {
    let mut out = Vec::new();
    match (&before.supports, &after.supports) {
        (Some(a), Some(b)) if a != b => out.push(format!(
            "supports were \"{a}\" before and \"{b}\" after: a panel on other supports has another shape; planes, even curvature and \
             twist are taken out, the rest of it is not"
        )),
        (Some(_), Some(_)) => {}
        _ => out.push(
            "supports are not noted in both surveys: a panel on other supports has another shape".into(),
        ),
    }
    if let (Some(a), Some(b)) = (before.skin_c, after.skin_c)
        && (a - b).abs() > WARMER_C
    {
        out.push(format!(
            "the skin was {a:.0} °C before and {b:.0} °C after: part of what moved may be the panel's warmth"
        ));
    }
    out.into_iter().map(Warning::new).collect()
}
