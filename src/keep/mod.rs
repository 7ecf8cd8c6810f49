//! The job book: panels, and everything done to them, for weeks and by several people, in one file.
//!
//! [`Book`] opens the file and is the only way in. What it gives back are records of their own
//! ([`Entry`], [`PanelRow`], [`SurveyResult`]), not the types of the stages. Entries are only ever
//! added: a correction is an entry that strikes another.
//!
//! Safe against a stop at any moment: a rollback journal with `synchronous = EXTRA`, one
//! transaction an entry. No write-ahead log, because the book is carried about as one file, and a
//! log left beside it after a stop would be left behind.
//!
//! ```
//! use lowspot::keep::{Book, Kind, NewEntry};
//! # let dir = std::env::temp_dir().join(format!("lowspot-doc-{}", std::process::id()));
//! # std::fs::create_dir_all(&dir).unwrap();
//! # let path = dir.join("wing.lowspot");
//! # let _ = std::fs::remove_file(&path);
//! let mut book = Book::create(&path)?;
//! let text = b"name = \"lid\"\nlength = 900\nwidth = 600\n\
//!              form = \"flat\"\npurpose = \"dark-gloss\"\n";
//! book.add_panel(text, "panel.toml")?;
//! let day = "2026-03-14".parse().unwrap();
//! let mut block = NewEntry::new(Kind::Block, day);
//! block.hours = Some(1.5);
//! assert_eq!(book.enter("lid", &block)?, 1);
//! assert_eq!(book.entries("Lid")?[0].hours, Some(1.5));
//! # std::fs::remove_dir_all(&dir).unwrap();
//! # Ok::<(), lowspot::problem::Error>(())
//! ```

pub mod book;
mod chain;
pub mod check;
pub mod copy;
pub mod entry;
pub mod facts;
mod fail;
pub mod folder;
pub mod panels;
mod read;
pub mod recent;
pub mod repeat;
pub mod result;
mod rows;
pub mod schema;
pub mod seal;
pub mod standing;
mod writer;

pub use book::Book;
pub use entry::{Entry, Kind, NewEntry, NewFile, Role, StoredFile};
pub use facts::{At, Facts, Means};
pub use panels::PanelRow;
pub use result::{Field, Summary, SurveyResult};
pub use standing::{Hold, Standing};

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use std::time::SystemTime;

/// Largest file that a book holds, bytes.
pub const MOST_STORED: u64 = 200_000_000;

/// Now, in whole seconds. A clock beyond what a calendar holds gives the nearest moment it does;
/// [`clock_fault`] tells of it.
pub fn now() -> Timestamp {
    moment(SystemTime::now())
}

fn moment(clock: SystemTime) -> Timestamp {
    let second = match clock.duration_since(SystemTime::UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_secs()).unwrap_or(i64::MAX),
        Err(before) => -i64::try_from(before.duration().as_secs()).unwrap_or(i64::MAX),
    };
    let held = second.clamp(FIRST_SECOND, LAST_SECOND);
    Timestamp::from_second(held).unwrap_or(Timestamp::UNIX_EPOCH)
}

/// The clock of this computer cannot be meant: entries, holds and cures are counted by it.
pub(crate) fn clock_fault() -> Option<String> {
    fault_of(now())
}

fn fault_of(now: Timestamp) -> Option<String> {
    let second = now.as_second();
    (second <= FIRST_SECOND || second >= LAST_SECOND).then(|| {
        "the clock of this computer stands outside the years 1970 to 9990: set it first, since entries, holds and \
         cures are counted by it; nothing was read or written"
            .to_string()
    })
}

/// Moments that the clock may show: the year 1970 to the year 9990, so that a hold or cure can be
/// added.
const FIRST_SECOND: i64 = 1;
const LAST_SECOND: i64 = 253_092_000_000;

/// A moment by the clock of the shop.
pub fn local(moment: Timestamp) -> DateTime {
    TimeZone::system().to_datetime(moment)
}

/// Today, by the clock of the shop.
pub fn today() -> Date {
    local(now()).date()
}

/// A name as it is compared: small letters, blanks made one.
pub fn key(name: &str) -> String {
    name.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_clock_beyond_the_calendar_is_told_and_stops_nothing() {
        let at = |seconds: u64| SystemTime::UNIX_EPOCH + Duration::from_secs(seconds);
        assert_eq!(fault_of(moment(at(1_773_500_000))), None);
        // 10 000 and 250 000 years on; and a clock that has lost its day.
        for seconds in [320_000_000_000, 8_000_000_000_000, 0] {
            let now = moment(at(seconds));
            assert!(fault_of(now).is_some_and(|f| f.contains("set it first")));
            assert!(local(now).year() < 9999);
        }
    }
}
