//! What is read out of a book: files, results, and how all panels stand.

use super::book::Book;
use super::entry::{self, Entry, Role, StoredFile};
use super::result::{SavedLimit, Summary, SurveyResult};
use super::standing::{self, Standing};
use super::{fail, rows};
use crate::problem::Error;
use jiff::Timestamp;
use rayon::prelude::*;
use rusqlite::{Connection, OptionalExtension, Row};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use std::collections::HashMap;
use std::path::Path;

/// All rows of a query as records.
pub(super) fn list<T, P: rusqlite::Params>(
    connection: &Connection,
    sql: &str,
    params: P,
    record: fn(&Row) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    connection
        .prepare(sql)?
        .query_map(params, record)?
        .collect()
}

/// Entries of a panel, told which stand struck.
pub(super) fn entries_of(connection: &Connection, panel: i64) -> rusqlite::Result<Vec<Entry>> {
    let sql = format!(
        "SELECT {} FROM entries WHERE panel = ?1 ORDER BY number",
        rows::ENTRY
    );
    let mut entries = list(connection, &sql, [panel], rows::entry)?;
    entry::resolve_strikes(&mut entries);
    Ok(entries)
}

impl Book {
    /// Files stored with an entry, in the order in which they were named.
    ///
    /// # Errors
    /// A book that cannot be read.
    pub fn files(&self, entry: i64) -> Result<Vec<StoredFile>, Error> {
        let sql = format!(
            "SELECT {} FROM files WHERE entry = ?1 ORDER BY id",
            rows::FILE
        );
        self.list(&sql, [entry], rows::file)
    }

    /// What files are stored with an entry, without their bytes.
    ///
    /// # Errors
    /// A book that cannot be read.
    pub fn file_names(&self, entry: i64) -> Result<Vec<(Role, String)>, Error> {
        let sql = "SELECT role, name FROM files WHERE entry = ?1 ORDER BY id";
        self.list(sql, [entry], |row| {
            let role: String = row.get(0)?;
            let role =
                Role::from_word(&role).ok_or_else(|| rows::odd(format!("{role:?} is no role")))?;
            Ok((role, row.get(1)?))
        })
    }

    /// The last survey of a panel that stands and to which the same file belongs, by its checksum.
    ///
    /// # Errors
    /// No such panel.
    pub fn entered_before(&self, panel: &str, sha256: &str) -> Result<Option<i64>, Error> {
        let surveys = self.surveys(panel)?;
        let sql = "SELECT entry FROM files WHERE sha256 = ?1 ORDER BY id DESC";
        let with: Vec<i64> = self.list(sql, [sha256], |row| row.get(0))?;
        Ok(with
            .into_iter()
            .find(|n| surveys.iter().any(|s| s.number == *n)))
    }

    /// What a survey found; `None` where the book does not hold it.
    ///
    /// # Errors
    /// A result that cannot be understood.
    pub fn result(&self, entry: i64) -> Result<Option<SurveyResult>, Error> {
        let sql = format!("SELECT {} FROM results WHERE entry = ?1", rows::RESULT);
        let found = self.list(&sql, [entry], rows::result)?;
        Ok(found.into_iter().next().map(|(_, result)| result))
    }

    /// Surveys of a panel that stand and what they found, by day, then by number. Those of which
    /// the book holds no result are left out, see
    /// [`Book::surveys_without_result`].
    ///
    /// # Errors
    /// No such panel; a result that cannot be understood.
    pub fn results(&self, panel: &str) -> Result<Vec<(Entry, SurveyResult)>, Error> {
        let mut found = Vec::new();
        for survey in self.surveys(panel)? {
            if let Some(result) = self.result(survey.number)? {
                found.push((survey, result));
            }
        }
        Ok(found)
    }

    /// Surveys of a panel that stand, by day, then by number.
    ///
    /// # Errors
    /// No such panel.
    pub fn surveys(&self, panel: &str) -> Result<Vec<Entry>, Error> {
        let mut surveys = self.entries(panel)?;
        surveys.retain(|e| e.kind == entry::Kind::Survey && e.stands());
        surveys.sort_by_key(Entry::order);
        Ok(surveys)
    }

    /// Numbers of surveys that stand but whose result the book does not hold: entered before books
    /// held results. `lowspot map NAME` finds it anew and keeps it.
    ///
    /// # Errors
    /// No such panel.
    pub fn surveys_without_result(&self, panel: &str) -> Result<Vec<i64>, Error> {
        let mut numbers: Vec<i64> = self.surveys(panel)?.iter().map(|e| e.number).collect();
        let sql =
            "SELECT r.entry FROM results r JOIN entries e ON e.number = r.entry WHERE e.panel = ?1";
        let held: Vec<i64> = self.list(sql, [self.panel(panel)?.id], |row| row.get(0))?;
        numbers.retain(|n| !held.contains(n));
        Ok(numbers)
    }

    /// How all panels stand at `now`, in the order in which they were added: all that a list of
    /// them needs, read at once.
    ///
    /// # Errors
    /// A book that cannot be read or understood.
    pub fn standings(&self, now: Timestamp) -> Result<Vec<Standing>, Error> {
        // One view of the book, whatever is entered meanwhile.
        let view = self.view()?;
        let mut by_panel: HashMap<i64, Vec<Entry>> = HashMap::new();
        for entry in self.all_entries()? {
            by_panel.entry(entry.panel).or_default().push(entry);
        }
        let mut all = Vec::new();
        for panel in self.panels()? {
            let entries = by_panel.remove(&panel.id).unwrap_or_default();
            all.push(Standing {
                panel,
                stale: standing::stale(&entries),
                held: standing::held(&entries, now),
                survey: standing::last_survey(&entries).cloned(),
                summary: None,
                entries,
            });
        }
        let surveys: Vec<Option<i64>> = all
            .iter()
            .map(|s| s.survey.as_ref().map(|e| e.number))
            .collect();
        for (standing, summary) in all.iter_mut().zip(self.summaries(&surveys)?) {
            standing.summary = summary;
        }
        view.finish().map_err(|e| fail::of(self.path(), e))?;
        Ok(all)
    }

    /// The numbers of a survey, without its nodes.
    ///
    /// # Errors
    /// A summary that cannot be understood.
    pub fn summary(&self, entry: i64) -> Result<Option<Summary>, Error> {
        Ok(self.summaries(&[Some(entry)])?.pop().flatten())
    }

    /// The numbers of many surveys, in their order.
    fn summaries(&self, entries: &[Option<i64>]) -> Result<Vec<Option<Summary>>, Error> {
        self.of_summaries(entries)
    }

    /// The limits of many surveys, in their order, without the rest of their numbers.
    ///
    /// # Errors
    /// A summary that cannot be understood.
    pub fn limits(&self, entries: &[i64]) -> Result<Vec<Option<Vec<SavedLimit>>>, Error> {
        let entries: Vec<Option<i64>> = entries.iter().map(|n| Some(*n)).collect();
        let found = self.of_summaries::<LimitsOnly>(&entries)?;
        Ok(found.into_iter().map(|f| Some(f?.limits)).collect())
    }

    /// The summaries of many surveys, or a part of them, read by one statement and understood on
    /// all cores.
    fn of_summaries<T: DeserializeOwned + Send>(
        &self,
        entries: &[Option<i64>],
    ) -> Result<Vec<Option<T>>, Error> {
        let read = || -> rusqlite::Result<Vec<Option<(i64, String)>>> {
            let mut statement = self
                .connection
                .prepare("SELECT summary FROM results WHERE entry = ?1")?;
            entries
                .iter()
                .map(|entry| match entry {
                    None => Ok(None),
                    Some(n) => statement
                        .query_row([n], |r| r.get(0))
                        .map(|json| (*n, json))
                        .optional(),
                })
                .collect()
        };
        let texts = read().map_err(|e| fail::of(self.path(), e))?;
        let path = self.path();
        texts
            .into_par_iter()
            .map(|found| {
                found
                    .map(|(entry, json)| understood(path, entry, &json))
                    .transpose()
            })
            .collect()
    }
}

/// Of a summary the limits alone: the rest is passed over, which is quick.
#[derive(Deserialize)]
struct LimitsOnly {
    limits: Vec<SavedLimit>,
}

fn understood<T: DeserializeOwned>(book: &Path, entry: i64, json: &str) -> Result<T, Error> {
    serde_json::from_str(json).map_err(|e| {
        let what = format!(
            "is damaged: result of entry {entry} cannot be read ({e}); {}",
            fail::MEND
        );
        fail::book(book, what)
    })
}
