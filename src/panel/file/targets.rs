//! `[[target]]` entries of `panel.toml`: which number is taped where.

use crate::panel::{Polygon, TARGET_SLACK_MM, Target};
use crate::photo::marker;
use crate::settings::{Reader, get};
use crate::text::plain_mm;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

const TARGET_KEYS: [&str; 3] = ["number", "x", "y"];
/// Two targets closer than this are one, mm.
const SAME_PLACE_MM: f64 = 1.0;

impl Reader<'_> {
    /// All targets, in the order of the file; each number and each place once, none far off the
    /// outline.
    pub(super) fn targets(&mut self, table: &DeTable, outline: Option<&Polygon>) -> Vec<Target> {
        let Some(value) = get(table, "target") else {
            return Vec::new();
        };
        let Some(list) = value.get_ref().as_array() else {
            self.wrong_kind(
                value,
                "target",
                "a list; write each as [[target]] with number, x and y below it",
            );
            return Vec::new();
        };
        let mut targets: Vec<Target> = Vec::new();
        for entry in list.iter() {
            let Some(table) = entry.get_ref().as_table() else {
                self.wrong_kind(
                    entry,
                    "target",
                    "a table; write [[target]] with number, x and y below it",
                );
                continue;
            };
            if let Some(target) = self.target(table, entry.span()) {
                self.check_target(&target, &targets, outline, table, entry.span());
                targets.push(target);
            }
        }
        targets
    }

    fn target(&mut self, table: &DeTable, span: Range<usize>) -> Option<Target> {
        self.check_keys(table, TARGET_KEYS.into_iter(), "[[target]]");
        for key in TARGET_KEYS {
            if get(table, key).is_none() {
                self.fault(
                    span.clone(),
                    format!(
                        "this target has no {key}; expected such as number = 3, x = 40, y = 40"
                    ),
                );
            }
        }
        let number = get(table, "number").and_then(|v| self.target_number(v));
        let mut place = |key: &str| get(table, key).and_then(|v| self.length(v, key));
        let (x, y) = (place("x"), place("y"));
        Some(Target {
            number: number?,
            x_mm: x?,
            y_mm: y?,
        })
    }

    fn target_number(&mut self, value: &Spanned<DeValue>) -> Option<u16> {
        let bare = Self::bare(value).filter(|n| n.fract() == 0.0);
        let number = bare
            .filter(|n| (0.0..f64::from(marker::COUNT)).contains(n))
            .map(|n| n as u16);
        if number.is_none() {
            let expected = format!(
                "the number of a target; expected a whole number from 0 to {}",
                marker::COUNT - 1
            );
            self.wrong_kind(value, "number", &expected);
        }
        number
    }

    fn check_target(
        &mut self,
        target: &Target,
        others: &[Target],
        outline: Option<&Polygon>,
        table: &DeTable,
        span: Range<usize>,
    ) {
        let at = |key: &str| get(table, key).map_or(span.clone(), Spanned::span);
        let near = |t: &&Target| (t.x_mm - target.x_mm).hypot(t.y_mm - target.y_mm) < SAME_PLACE_MM;
        if others.iter().any(|t| t.number == target.number) {
            self.fault(
                at("number"),
                format!(
                    "target {} stands twice; each number is taped once, keep one",
                    target.number
                ),
            );
        } else if let Some(other) = others.iter().find(near) {
            self.fault(
                at("x"),
                format!(
                    "target {} has the place of target {}, x {}, y {}; mend one of them",
                    target.number,
                    other.number,
                    plain_mm(other.x_mm),
                    plain_mm(other.y_mm)
                ),
            );
        }
        let off = outline
            .filter(|o| !o.contains(target.x_mm, target.y_mm))
            .map(|o| o.distance_to_edge(target.x_mm, target.y_mm));
        if let Some(off) = off.filter(|off| *off > TARGET_SLACK_MM) {
            self.fault(
                at("x"),
                format!(
                    "target {} at x {}, y {} is {:.0} mm off the panel, more than {TARGET_SLACK_MM} mm; mend the place, or the unit: \
                     a bare number is mm",
                    target.number,
                    plain_mm(target.x_mm),
                    plain_mm(target.y_mm),
                    off
                ),
            );
        }
    }
}
