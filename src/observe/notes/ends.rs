//! Ends of a placing in the notes form, and how many readings lie between them.

use super::MOST_READINGS;
use super::words::{EXAMPLE, Marked, Token, length_at};
use crate::observe::Placing;
use crate::observe::sound::FARTHEST_MM;
use crate::text::{plain_mm, quoted};

/// How far the ends of a placing along an axis may miss a whole number of steps, mm.
pub const STEP_SLACK_MM: f64 = 0.5;
/// How far the ends of a diagonal may miss it, as a part of its length: its ends are taped, its
/// steps are not.
pub const DIAGONAL_SLACK: f64 = 0.01;
/// Ends of a placing: `x A to B y C`, `x C y A to B`, or both from-to on a diagonal.
pub(super) fn ends_of(name: &Token, tokens: &[Token]) -> Marked<([f64; 2], [f64; 2])> {
    let mut axes: [Option<(f64, f64)>; 2] = [None, None];
    let mut rest = tokens;
    while let Some((axis, after)) = rest.split_first() {
        let which = match axis.text {
            "x" | "X" => 0,
            "y" | "Y" => 1,
            other => {
                return Err((
                    axis.column,
                    format!(
                        "{} is not understood in the ends of {}; expected such as x 0 to 600 y 100, then a colon",
                        quoted(other),
                        name.text
                    ),
                ));
            }
        };
        let (range, used) = range_at(axis, after)?;
        if axes[which].replace(range).is_some() {
            return Err((
                axis.column,
                format!("{} stands twice in the ends of {}", axis.text, name.text),
            ));
        }
        rest = after.get(used..).unwrap_or(&[]);
    }
    match axes {
        [Some(x), Some(y)] => Ok(([x.0, y.0], [x.1, y.1])),
        [None, None] => Err((
            name.column,
            format!("{} has no ends; expected such as {EXAMPLE}", name.text),
        )),
        [x, _] => Err((
            name.column,
            format!(
                "{} has no {}; both are needed, such as x 0 to 600 y 100",
                name.text,
                if x.is_none() { "x" } else { "y" }
            ),
        )),
    }
}

/// `A` or `A to B`, each with its unit; a unit behind B holds for a bare A too.
pub(super) fn range_at(axis: &Token, tokens: &[Token]) -> Marked<((f64, f64), usize)> {
    let at = |i: usize| tokens.get(i..).unwrap_or(&[]);
    let column = |i: usize| tokens.get(i).map_or(axis.column, |t| t.column);
    let from = length_at(tokens).map_err(|why| (column(0), why))?;
    if from.mm().abs() > FARTHEST_MM {
        return Err((column(0), no_place(tokens.first())));
    }
    if tokens.get(from.used).is_none_or(|t| t.text != "to") {
        return Ok(((from.mm(), from.mm()), from.used));
    }
    let to = length_at(at(from.used + 1)).map_err(|why| (column(from.used + 1), why))?;
    if to.mm().abs() > FARTHEST_MM {
        return Err((column(from.used + 1), no_place(tokens.get(from.used + 1))));
    }
    let factor = from.factor.or(to.factor).unwrap_or(1.0);
    let used = from.used + 1 + to.used;
    Ok(((from.number * factor, to.mm()), used))
}

pub(super) fn no_place(token: Option<&Token>) -> String {
    format!(
        "{} is no place on a panel; decimal mark or unit wrong?",
        quoted(token.map_or("", |t| t.text))
    )
}

pub(super) fn wrong_count(placing: &Placing, spots: &[[f64; 2]], found: usize) -> String {
    let (Some(from), Some(to)) = (spots.first(), spots.last()) else {
        return String::new();
    };
    let count = spots.len();
    let steps = count.saturating_sub(1).max(1) as f64;
    let step = (to[0] - from[0]).hypot(to[1] - from[1]) / steps;
    let why = if found > count {
        "one written twice, or the step or an end wrong?"
    } else {
        "one left out (write ? for a reading not taken), or the step or an end wrong?"
    };
    format!(
        "{}: {} in steps of {} mm is {count} readings, {found} found: {why}",
        placing.label(),
        run(*from, *to),
        plain_mm(step)
    )
}

/// "0 to 600" along an axis, "x 0 to 424, y 0 to 424" on a diagonal.
pub(super) fn run(from: [f64; 2], to: [f64; 2]) -> String {
    let range = |a: usize| format!("{} to {}", plain_mm(from[a]), plain_mm(to[a]));
    match (from[0] != to[0], from[1] != to[1]) {
        (true, true) => format!("x {}, y {}", range(0), range(1)),
        (false, true) => range(1),
        _ => range(0),
    }
}

/// Number of steps between two ends.
pub(super) fn whole_steps(from: [f64; 2], to: [f64; 2], step: f64) -> Result<usize, String> {
    let span = (to[0] - from[0]).hypot(to[1] - from[1]);
    if span < STEP_SLACK_MM {
        return Err(
            "both ends are the same spot; write from where to where, such as x 0 to 600 y 100"
                .into(),
        );
    }
    let diagonal = from[0] != to[0] && from[1] != to[1];
    let slack = if diagonal {
        STEP_SLACK_MM.max(DIAGONAL_SLACK * span)
    } else {
        STEP_SLACK_MM
    };
    let steps = (span / step).round();
    if steps > MOST_READINGS as f64 {
        return Err(format!(
            "{} in steps of {} mm is more than {MOST_READINGS} readings; the step or an end wrong?",
            run(from, to),
            plain_mm(step)
        ));
    }
    if steps >= 1.0 && (span - steps * step).abs() <= slack {
        return Ok(steps as usize);
    }
    let fitting = |n: f64| {
        let end = |a: usize| from[a] + (to[a] - from[a]) * n * step / span;
        run(from, [end(0), end(1)].map(|v| (v * 10.0).round() / 10.0))
    };
    let below = (span / step).floor();
    let choices = if below >= 1.0 {
        format!("{} or {}", fitting(below), fitting(below + 1.0))
    } else {
        fitting(1.0)
    };
    Err(format!(
        "{} is not a whole number of steps of {} mm; {choices} would be: an end or the step wrong?",
        run(from, to),
        plain_mm(step)
    ))
}
