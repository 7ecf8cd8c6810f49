//! The job book: panels, and everything done to them, for weeks and by several people, in one file.
//!
//! [`Book`] opens the file and is the only way in. What it gives back are records of their own ([`Entry`], [`PanelRow`],
//! [`SurveyResult`]), not the types of the stages. Entries are only ever added: a correction is an entry that strikes another.
//!
//! Safe against a stop at any moment: a rollback journal with `synchronous = EXTRA`, one transaction an entry. No write-ahead log, because
//! the book is carried about as one file, and a log left beside it after a stop would be left behind.
//!
//! ```
//! use lowspot::keep::{Book, Kind, NewEntry};
//! # let dir = std::env::temp_dir().join(format!("lowspot-doc-{}", std::process::id()));
//! # std::fs::create_dir_all(&dir).unwrap();
//! # let path = dir.join("wing.lowspot");
//! # let _ = std::fs::remove_file(&path);
//! let mut book = Book::create(&path)?;
//! let text = b"name = \"lid\"\nlength = 900\nwidth = 600\nform = \"flat\"\npurpose = \"dark-gloss\"\n";
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

/// Now, in whole seconds.
pub fn now() -> Timestamp {
    let now = Timestamp::now();
    Timestamp::from_second(now.as_second()).unwrap_or(now)
}

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
