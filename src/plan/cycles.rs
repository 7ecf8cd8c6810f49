//! How many fill-and-sand cycles until the limits are met.
//!
//! After a cycle a share r of a low's depth is there again: it shrank, was sanded a little hollow,
//! or lay beside the filler. With the worst gap at ρ times its limit, n cycles leave rⁿρ of it, and
//! blocking leaves unevenness of its own, so the aim is a part of the limit.

use crate::judge::{Judgement, LimitResult, LimitState};
use crate::panel::Quantity;

/// Share of a limit that must be left for what blocking itself leaves (common practice, no source).
const AIM: f64 = 0.8;
/// Most cycles that are told: beyond, the method is wrong.
const MOST: u32 = 9;

/// Cycles expected: told, and from the lower to the upper end of what was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cycles {
    /// What to count on: by the upper end of the intervals, so that it is kept more often than not.
    pub told: u32,
    /// By the lower end.
    pub least: u32,
}

/// Cycles until every limit that was not met is met, when each leaves the share `left` of a depth.
pub fn cycles(j: &Judgement, left: f64) -> Cycles {
    let open: Vec<&LimitResult> = j
        .limits
        .iter()
        .filter(|l| {
            matches!(l.state, LimitState::Exceeded | LimitState::Unsure)
                && l.limit.quantity != Quantity::Slope
        })
        .collect();
    let most = |pick: &dyn Fn(&LimitResult) -> f64| {
        open.iter()
            .map(|l| until(pick(l) / l.limit.max, left))
            .max()
            .unwrap_or(1)
    };
    let (least, told) = (
        most(&|l| l.worst.low),
        most(&|l| l.could_be.max(l.worst.high)),
    );
    Cycles {
        told: told.max(most(&|l| l.worst.value)),
        least,
    }
}

/// Cycles until `ratio` (worst over limit) has fallen to the aim; one at least.
fn until(ratio: f64, left: f64) -> u32 {
    if !ratio.is_finite() || ratio <= AIM || left <= 0.0 {
        return 1;
    }
    if left >= 1.0 {
        return MOST;
    }
    // A hair under a whole number is that number.
    let n = ((ratio / AIM).ln() / (1.0 / left).ln() - 1e-9).ceil();
    (n as u32).clamp(1, MOST)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_cycle_leaves_its_share() {
        // 0.8 left of the limit after n: a quarter is left each time.
        assert_eq!(until(0.8, 0.25), 1);
        assert_eq!(until(3.2, 0.25), 1);
        assert_eq!(until(3.3, 0.25), 2);
        assert_eq!(until(12.8, 0.25), 2);
        assert_eq!(until(12.9, 0.25), 3);
        assert_eq!(until(f64::NAN, 0.25), 1);
        assert_eq!(until(2.0, 1.0), MOST);
    }
}
