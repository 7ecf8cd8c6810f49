//! Names of placings across the files of one survey: which are taken, where they stand first, how
//! often they were repeated. Capitals count for nothing.

use super::Placing;
use std::collections::HashMap;

/// The names so far. Placings are counted through: those of earlier files first, then those of this
/// one.
pub(super) struct Names<'a> {
    earlier: &'a [Placing],
    by_name: HashMap<String, Seen>,
    by_label: HashMap<String, usize>,
}

struct Seen {
    first: usize,
    count: usize,
}

impl<'a> Names<'a> {
    /// The names of earlier files.
    pub fn of(earlier: &'a [Placing]) -> Self {
        let mut names = Names {
            earlier,
            by_name: HashMap::new(),
            by_label: HashMap::new(),
        };
        for (i, placing) in earlier.iter().enumerate() {
            names.note(placing, i);
        }
        names
    }

    /// Adds a placing of this file; `at` is its place among those of this file.
    pub fn add(&mut self, placing: &Placing, at: usize) {
        self.note(placing, self.earlier.len() + at);
    }

    fn note(&mut self, placing: &Placing, at: usize) {
        self.by_name
            .entry(placing.name.to_lowercase())
            .or_insert(Seen {
                first: at,
                count: 0,
            })
            .count += 1;
        self.by_label
            .entry(placing.label().to_lowercase())
            .or_insert(at);
    }

    /// The first placing of a name; `here` are the placings of this file.
    pub fn first<'b>(&self, name: &str, here: &'b [Placing]) -> Option<&'b Placing>
    where
        'a: 'b,
    {
        self.get(self.by_name.get(&name.to_lowercase())?.first, here)
    }

    /// The placing of an earlier file with a label such as "A1 again".
    pub fn labelled(&self, label: &str) -> Option<&'a Placing> {
        self.earlier.get(*self.by_label.get(&label.to_lowercase())?)
    }

    /// How many placings bear a name.
    pub fn count(&self, name: &str) -> usize {
        self.by_name
            .get(&name.to_lowercase())
            .map_or(0, |s| s.count)
    }

    fn get<'b>(&self, at: usize, here: &'b [Placing]) -> Option<&'b Placing>
    where
        'a: 'b,
    {
        match at.checked_sub(self.earlier.len()) {
            None => self.earlier.get(at),
            Some(at) => here.get(at),
        }
    }
}
