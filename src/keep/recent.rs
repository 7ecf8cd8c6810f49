//! How one panel stands, and the latest surveys of the others, for what a whole shop teaches.

use super::book::Book;
use super::entry::Entry;
use super::result::Summary;
use super::standing::{self, Standing};
use crate::problem::Error;
use jiff::Timestamp;
use std::collections::BTreeMap;

/// One panel with surveys that stand, by day, then by number, and what each found.
pub struct Other {
    /// All its entries.
    pub entries: Vec<Entry>,
    /// Its surveys, those of them among the latest.
    pub surveys: Vec<(Entry, Summary)>,
}

impl Book {
    /// How one panel stands at `now`.
    ///
    /// # Errors
    /// No such panel; what cannot be understood.
    pub fn standing(&self, name: &str, now: Timestamp) -> Result<Standing, Error> {
        let panel = self.panel(name)?;
        let entries = self.entries(name)?;
        let survey = standing::last_survey(&entries).cloned();
        let summary = match &survey {
            Some(survey) => self.summary(survey.number)?,
            None => None,
        };
        Ok(Standing {
            panel,
            stale: standing::stale(&entries),
            held: standing::held(&entries, now),
            survey,
            summary,
            entries,
        })
    }

    /// The latest `most` surveys of all panels but `panel` (its row), by panel.
    ///
    /// # Errors
    /// A book that cannot be read, a summary that cannot be understood.
    pub fn recent(&self, panel: i64, most: i64) -> Result<Vec<Other>, Error> {
        let sql = "SELECT e.number, e.panel, r.summary FROM results r JOIN entries e ON e.number = r.entry WHERE e.panel != ?1 \
                   ORDER BY e.number DESC LIMIT ?2";
        let rows = self.list(sql, [panel, most], |row| {
            Ok((
                row.get::<_, i64>(0)?,
                row.get::<_, i64>(1)?,
                row.get::<_, String>(2)?,
            ))
        })?;
        let mut by_panel: BTreeMap<i64, Vec<(i64, Summary)>> = BTreeMap::new();
        for (entry, of, json) in rows {
            let summary: Summary = serde_json::from_str(&json).map_err(|e| {
                Error::Survey(format!(
                    "{}: what entry {entry} found cannot be understood: {e}; `lowspot book check` says what is wrong",
                    self.path().display()
                ))
            })?;
            by_panel.entry(of).or_default().push((entry, summary));
        }
        by_panel
            .into_iter()
            .map(|(of, found)| {
                let entries = super::read::entries_of(&self.connection, of)
                    .map_err(|e| super::fail::of(self.path(), e))?;
                let mut surveys: Vec<(Entry, Summary)> = found
                    .into_iter()
                    .filter_map(|(number, summary)| {
                        let survey = entries.iter().find(|e| e.number == number && e.stands())?;
                        Some((survey.clone(), summary))
                    })
                    .collect();
                surveys.sort_by_key(|(e, _)| e.order());
                Ok(Other { entries, surveys })
            })
            .collect()
    }
}
