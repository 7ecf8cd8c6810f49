//! Limits of `panel.toml`: by purpose, by `[[limit]]`, and the zones that have their own.

use super::MOST_SIDE_MM;
use crate::panel::presets::{self, Finish};
use crate::panel::{Limit, Quantity, Zone, corners};
use crate::settings::{Reader, Value, get};
use crate::text::{self, plain_mm, quoted};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

const LIMIT_KEYS: [&str; 4] = ["base", "gap", "swing", "slope"];
const ZONE_KEYS: [&str; 7] = [
    "name",
    "outline",
    "limit",
    "purpose",
    "finish",
    "grazing_light",
    "film",
];
impl Reader<'_> {
    pub(super) fn purpose(&mut self, table: &DeTable) -> Option<String> {
        let value = get(table, "purpose")?;
        let word = self.words(value, "purpose", "\"dark-gloss\"")?;
        if presets::about(word).is_none() {
            let known = presets::names().collect::<Vec<_>>().join(", ");
            let near = text::did_you_mean(word, presets::names());
            self.fault(
                value.span(),
                format!(
                    "purpose {} is not known; expected one of {known}{near}",
                    quoted(word)
                ),
            );
            return None;
        }
        Some(word.to_string())
    }

    /// Limits of a panel or a zone: those of its purpose, with its own `[[limit]]` entries
    /// replacing the one of the same base or added. A panel with neither gets the assumed one, and
    /// a warning.
    pub(super) fn limits_of(&mut self, table: &DeTable, assume: bool) -> Vec<Limit> {
        let own = self.own_limits(table);
        let finish = get(table, "finish").and_then(|v| self.finish(v));
        let grazing = self.flag(table, "grazing_light");
        let named = get(table, "purpose").and_then(|v| v.get_ref().as_str());
        let chosen = named.and_then(|p| presets::limits(p, finish, grazing));
        let mut limits = chosen.as_ref().map_or(Vec::new(), |c| c.limits.clone());
        for why in chosen.map_or(Vec::new(), |c| c.not_applied) {
            self.warn(get(table, "purpose").map(Spanned::span), why);
        }
        if named.is_none() {
            self.warn_idle(table, "finish");
            self.warn_idle(table, "grazing_light");
        }
        for limit in own {
            limits.retain(|l| !same_base(l, &limit));
            limits.push(limit);
        }
        if limits.is_empty() && assume && named.is_none() && get(table, "limit").is_none() {
            limits = self.assumed();
        }
        limits
    }

    pub(super) fn warn_idle(&mut self, table: &DeTable, key: &str) {
        if let Some(value) = get(table, key) {
            self.warn(
                Some(value.span()),
                format!(
                    "{key} changes nothing without a purpose: it is a factor on a purpose's limits"
                ),
            );
        }
    }

    pub(super) fn assumed(&mut self) -> Vec<Limit> {
        let limits: Vec<Limit> = presets::limits(presets::ASSUMED_PURPOSE, None, false)
            .map_or(Vec::new(), |c| c.limits)
            .into_iter()
            .filter(|l| l.base_mm == 300.0)
            .map(|l| Limit {
                origin: format!(
                    "assumed, none given: {} ({})",
                    presets::ASSUMED_PURPOSE,
                    l.origin
                ),
                ..l
            })
            .collect();
        for l in &limits {
            self.warn(
                None,
                format!(
                    "no purpose and no [[limit]] given: {} mm under {} mm is assumed, as for {}; \
                     write purpose = \"…\" or a [[limit]] with base and gap",
                    plain_mm(l.max),
                    plain_mm(l.base_mm),
                    presets::ASSUMED_PURPOSE
                ),
            );
        }
        limits
    }

    pub(super) fn finish(&mut self, value: Value) -> Option<Finish> {
        let word = self.words(value, "finish", "\"satin\"")?;
        let finish = Finish::ALL.into_iter().find(|f| f.word() == word);
        if finish.is_none() {
            let near = text::did_you_mean(word, Finish::ALL.map(Finish::word));
            self.fault(
                value.span(),
                format!(
                    "finish {} is not known; expected matt, satin, light-gloss or dark-gloss{near}",
                    quoted(word)
                ),
            );
        }
        finish
    }

    pub(super) fn own_limits(&mut self, table: &DeTable) -> Vec<Limit> {
        let Some(value) = get(table, "limit") else {
            return Vec::new();
        };
        let mut limits: Vec<Limit> = Vec::new();
        for (entry, span) in self.tables(value, "limit") {
            let Some(limit) = self.limit(entry, span.clone()) else {
                continue;
            };
            if limits.iter().any(|l| same_base(l, &limit)) {
                self.fault(
                    span,
                    format!(
                        "a second limit over {} mm; keep one",
                        plain_mm(limit.base_mm)
                    ),
                );
            }
            limits.push(limit);
        }
        limits
    }

    /// The tables of `[[key]]`; a single `[key]` is taken too.
    pub(super) fn tables<'v, 'i>(
        &mut self,
        value: Value<'v, 'i>,
        key: &str,
    ) -> Vec<(&'v DeTable<'i>, Range<usize>)> {
        let entries: Vec<Value<'v, 'i>> = match value.get_ref() {
            DeValue::Array(list) => list.iter().collect(),
            _ => vec![value],
        };
        let mut tables = Vec::new();
        for entry in entries {
            match entry.get_ref().as_table() {
                Some(table) => tables.push((table, entry.span())),
                None => self.wrong_kind(
                    entry,
                    key,
                    &format!("a table; write [[{key}]] on a line of its own and its keys below"),
                ),
            }
        }
        tables
    }

    pub(super) fn limit(&mut self, table: &DeTable, span: Range<usize>) -> Option<Limit> {
        self.check_keys(table, LIMIT_KEYS.into_iter(), "[[limit]]");
        let base_mm = match get(table, "base") {
            Some(v) => self.length_between(v, "base", 5.0, MOST_SIDE_MM),
            None => {
                self.fault(
                    span.clone(),
                    "a limit without a base is no limit: a gap says nothing until it is said under how long an \
                     edge; add base = \"300 mm\"",
                );
                None
            }
        };
        let quantities = [
            ("gap", Quantity::Gap),
            ("swing", Quantity::Swing),
            ("slope", Quantity::Slope),
        ];
        let given: Vec<(&str, Quantity, Value)> = quantities
            .into_iter()
            .filter_map(|(k, q)| get(table, k).map(|v| (k, q, v)))
            .collect();
        if given.len() != 1 {
            let found = given.iter().map(|g| g.0).collect::<Vec<_>>().join(" and ");
            let found = if found.is_empty() {
                "none".into()
            } else {
                found
            };
            self.fault(
                span,
                format!(
                    "a limit limits one thing: expected one of gap, swing or slope, found {found}; \
                     write a [[limit]] for each"
                ),
            );
        }
        let mut max = None;
        for (key, quantity, value) in &given {
            max = match quantity {
                Quantity::Slope => self.slope(value),
                _ => self.most_gap(value, key, base_mm),
            };
        }
        let quantity = given.first().filter(|_| given.len() == 1)?.1;
        Some(Limit {
            quantity,
            base_mm: base_mm?,
            max: max?,
            origin: "set in panel.toml".into(),
        })
    }

    pub(super) fn most_gap(
        &mut self,
        value: Value,
        key: &str,
        base_mm: Option<f64>,
    ) -> Option<f64> {
        let mm = self.length_between(value, key, 0.001, 100.0)?;
        if base_mm.is_some_and(|base| mm > base / 10.0) {
            self.fault(
                value.span(),
                format!(
                    "{key} {} mm over a base of {} mm is no fair panel's limit; base and {key} swapped, or a unit missing?",
                    plain_mm(mm),
                    plain_mm(base_mm.unwrap_or(0.0))
                ),
            );
            return None;
        }
        Some(mm)
    }

    pub(super) fn slope(&mut self, value: Value) -> Option<f64> {
        let slope = Self::bare(value).filter(|v| (0.01..=300.0).contains(v));
        if slope.is_none() {
            self.wrong_kind(
                value,
                "slope",
                "a bare number of mm per m from 0.01 to 300; write it such as slope = 4",
            );
        }
        slope
    }

    pub(super) fn zones(&mut self, table: &DeTable, size: Option<(f64, f64)>) -> Vec<Zone> {
        let Some(value) = get(table, "zone") else {
            return Vec::new();
        };
        let mut zones: Vec<Zone> = Vec::new();
        for (entry, span) in self.tables(value, "zone") {
            let Some(zone) = self.zone(entry, span.clone(), size) else {
                continue;
            };
            for other in &zones {
                let clash = if other.name == zone.name {
                    "have the same name; give each its own"
                } else if corners::overlap(&other.outline, &zone.outline) {
                    "overlap, so that two limits would hold in one place; draw them side by side"
                } else {
                    continue;
                };
                self.fault(
                    span.clone(),
                    format!(
                        "zones {} and {} {clash}",
                        quoted(&other.name),
                        quoted(&zone.name)
                    ),
                );
            }
            zones.push(zone);
        }
        zones
    }

    pub(super) fn zone(
        &mut self,
        table: &DeTable,
        span: Range<usize>,
        size: Option<(f64, f64)>,
    ) -> Option<Zone> {
        self.check_keys(table, ZONE_KEYS.into_iter(), "[[zone]]");
        let name = get(table, "name").and_then(|v| self.name(v));
        if get(table, "name").is_none() {
            self.fault(
                span.clone(),
                "[[zone]] has no name; add name = \"front edge\"",
            );
        }
        let outline = get(table, "outline").and_then(|v| self.polygon(v, "zone", size));
        if get(table, "outline").is_none() {
            self.fault(
                span.clone(),
                "[[zone]] has no outline; add outline = [[0, 0], [300, 0], [300, 200]]",
            );
        }
        let purpose = self.purpose(table);
        let limits = self.limits_of(table, false);
        if limits.is_empty()
            && purpose.is_none()
            && get(table, "limit").is_none()
            && get(table, "purpose").is_none()
        {
            self.fault(
                span,
                "[[zone]] has no limit of its own; add a [[zone.limit]] with base and gap, or purpose = \"…\"",
            );
        }
        Some(Zone {
            name: name?,
            outline: outline?,
            limits,
        })
    }
}

fn same_base(a: &Limit, b: &Limit) -> bool {
    a.quantity == b.quantity && (a.base_mm - b.base_mm).abs() < 0.5
}
