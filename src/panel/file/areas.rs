//! Outlines of `panel.toml`: the outer edge, cutouts, no-sand and no-fill areas.

use crate::panel::{Polygon, corners};
use crate::settings::{Reader, Value, get};
use crate::text::plain_mm;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Most corners in one file, all areas together.
pub const MOST_CORNERS: usize = 5_000;
const AREA_KEYS: [&str; 1] = ["outline"];

impl Reader<'_> {
    pub(super) fn point(&mut self, value: Value) -> Option<[f64; 2]> {
        let pair = value.get_ref().as_array().filter(|a| a.len() == 2);
        let Some(pair) = pair else {
            self.wrong_kind(value, "corner", "a pair [x, y] such as [600, 400]");
            return None;
        };
        let both: Vec<f64> = pair
            .iter()
            .filter_map(|v| self.length(v, "corner"))
            .collect();
        <[f64; 2]>::try_from(both).ok()
    }

    /// An outline `[[x, y], …]`; checked for soundness and for lying on the panel.
    pub(super) fn polygon(
        &mut self,
        value: Value,
        what: &str,
        size: Option<(f64, f64)>,
    ) -> Option<Polygon> {
        let Some(list) = value.get_ref().as_array() else {
            self.wrong_kind(
                value,
                what,
                "a list of corners such as [[0, 0], [1800, 0], [1800, 1200]]",
            );
            return None;
        };
        self.corners = self.corners.saturating_add(list.len());
        if self.corners > MOST_CORNERS {
            self.fault(
                value.span(),
                format!("more than {MOST_CORNERS} corners in one file; leave out corners closer than a few mm"),
            );
            return None;
        }
        let mut spans: Vec<Range<usize>> = list.iter().map(Spanned::span).collect();
        let mut points: Vec<[f64; 2]> = list.iter().filter_map(|v| self.point(v)).collect();
        if points.len() < list.len() {
            return None;
        }
        if points.len() > 3 && points.first() == points.last() {
            points.pop();
            spans.pop();
        }
        let on_panel = self.check_on_panel(&points, &spans, what, size);
        let polygon = Polygon(points);
        if let Some((i, flaw)) = corners::flaw(&polygon) {
            let span = spans.get(i).cloned().unwrap_or(value.span());
            self.fault(span, format!("{what}: {flaw}"));
            return None;
        }
        on_panel.then_some(polygon)
    }

    pub(super) fn check_on_panel(
        &mut self,
        points: &[[f64; 2]],
        spans: &[Range<usize>],
        what: &str,
        size: Option<(f64, f64)>,
    ) -> bool {
        let Some((length, width)) = size else {
            return true;
        };
        let slack = corners::TOUCH_MM;
        let mut sound = true;
        for (p, span) in points.iter().zip(spans) {
            let on = (-slack..=length + slack).contains(&p[0])
                && (-slack..=width + slack).contains(&p[1]);
            if !on {
                sound = false;
                self.fault(
                    span.clone(),
                    format!(
                        "{what}: corner [{}, {}] is off the panel, which is {} x {} mm from the datum corner; \
                         mend the corner, or length and width",
                        plain_mm(p[0]),
                        plain_mm(p[1]),
                        plain_mm(length),
                        plain_mm(width)
                    ),
                );
            }
        }
        sound
    }

    pub(super) fn outline(&mut self, table: &DeTable, size: Option<(f64, f64)>) -> Option<Polygon> {
        let Some(value) = get(table, "outline") else {
            return size.map(|(l, w)| Polygon::rectangle(l, w));
        };
        let polygon = self.polygon(value, "outline", size)?;
        let (length, width) = size?;
        let b = polygon.bounds();
        if b[2] - b[0] < length / 2.0 || b[3] - b[1] < width / 2.0 {
            self.warn(
                Some(value.span()),
                format!(
                    "the outline covers only {} x {} mm of a panel of {} x {} mm; bare numbers are mm",
                    plain_mm(b[2] - b[0]),
                    plain_mm(b[3] - b[1]),
                    plain_mm(length),
                    plain_mm(width)
                ),
            );
        }
        Some(polygon)
    }

    /// Areas of one kind: a list of outlines, one outline, or tables with an `outline` each.
    pub(super) fn areas(
        &mut self,
        table: &DeTable,
        key: &str,
        size: Option<(f64, f64)>,
    ) -> Vec<Polygon> {
        let Some(value) = get(table, key) else {
            return Vec::new();
        };
        match value.get_ref() {
            DeValue::Table(one) => self
                .area_table(one, value.span(), key, size)
                .into_iter()
                .collect(),
            DeValue::Array(list) if is_outline(list.iter()) => {
                self.polygon(value, key, size).into_iter().collect()
            }
            DeValue::Array(list) => list
                .iter()
                .filter_map(|v| match v.get_ref() {
                    DeValue::Table(t) => self.area_table(t, v.span(), key, size),
                    _ => self.polygon(v, key, size),
                })
                .collect(),
            _ => {
                self.wrong_kind(
                    value,
                    key,
                    "a list of outlines such as [[[600, 400], [1200, 400], [1200, 700]]]",
                );
                Vec::new()
            }
        }
    }

    pub(super) fn area_table(
        &mut self,
        table: &DeTable,
        span: Range<usize>,
        key: &str,
        size: Option<(f64, f64)>,
    ) -> Option<Polygon> {
        self.check_keys(table, AREA_KEYS.into_iter(), &format!("[[{key}]]"));
        let Some(outline) = get(table, "outline") else {
            self.fault(
                span,
                format!("[[{key}]] has no outline; add outline = [[0, 0], [300, 0], [300, 200]]"),
            );
            return None;
        };
        self.polygon(outline, key, size)
    }

    pub(super) fn check_cutouts(
        &mut self,
        table: &DeTable,
        outline: Option<&Polygon>,
        cutouts: &[Polygon],
    ) {
        let Some(span) = get(table, "cutouts").map(Spanned::span) else {
            return;
        };
        for (i, cutout) in cutouts.iter().enumerate() {
            let leaving = outline.and_then(|o| corners::leaves(cutout, o));
            if let Some(corner) = leaving.and_then(|c| cutout.0.get(c)) {
                self.fault(
                    span.clone(),
                    format!(
                        "cutout {} leaves the outline at [{}, {}]; where an opening cuts the edge, draw it into \
                         the outline",
                        i + 1,
                        plain_mm(corner[0]),
                        plain_mm(corner[1])
                    ),
                );
            }
            for (j, other) in cutouts.iter().enumerate().skip(i + 1) {
                if corners::overlap(cutout, other) {
                    self.fault(
                        span.clone(),
                        format!("cutouts {} and {} overlap; draw them as one", i + 1, j + 1),
                    );
                }
            }
        }
        if let Some(outline) = outline {
            let open: f64 = cutouts.iter().map(Polygon::area_mm2).sum();
            if open >= outline.area_mm2() {
                self.fault(
                    span,
                    "the cutouts leave nothing of the panel; mend them or the outline",
                );
            }
        }
    }
}

/// Whether a list is one outline (its entries are pairs of lengths), not a list of outlines.
fn is_outline<'v, 'i: 'v>(mut list: impl Iterator<Item = &'v Spanned<DeValue<'i>>>) -> bool {
    list.next()
        .and_then(|first| first.get_ref().as_array())
        .and_then(|pair| pair.iter().next())
        .is_some_and(|v| !matches!(v.get_ref(), DeValue::Array(_) | DeValue::Table(_)))
}
