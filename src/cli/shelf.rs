//! Which book is meant.

use super::input::Named;
use super::job::shown;
use crate::keep::{Book, copy};
use crate::problem::Error;
use std::path::{Path, PathBuf};

/// The book named, or the only one in the current folder.
///
/// # Errors
/// None there, or several: what to do.
pub fn book(named: Option<&Path>) -> Result<PathBuf, Error> {
    if let Some(path) = named {
        return Ok(path.to_path_buf());
    }
    let mut books = here()?;
    match (books.pop(), books.len()) {
        (Some(only), 0) => Ok(only),
        (None, _) => Err(Error::Usage(
            "no job book in this folder: `lowspot book new NAME.lowspot` makes one, --book FILE names one elsewhere".into(),
        )),
        (Some(last), _) => {
            books.push(last);
            let names: Vec<String> = books.iter().map(|b| shown(b)).collect();
            Err(Error::Usage(format!(
                "several job books in this folder ({}): say which with --book FILE",
                names.join(", ")
            )))
        }
    }
}

/// The same, opened.
///
/// # Errors
/// As [`book`], and what [`Book::open`] refuses.
pub fn open(named: Option<&Path>, who: Option<&str>) -> Result<Book, Error> {
    let mut book = Book::open(&book(named)?)?;
    if let Some(who) = who
        .map(str::to_string)
        .or_else(|| std::env::var("USER").ok())
    {
        book.written_by(&who);
    }
    Ok(book)
}

/// The book that a map, plan or walk is to be taken from: the one named; or the only one here,
/// where what stands for the panel is no file and neither readings nor photos are named.
///
/// # Errors
/// The current folder cannot be read.
pub fn meant(named: &Named) -> Result<Option<PathBuf>, Error> {
    if let Some(book) = named.book {
        return Ok(Some(book.to_path_buf()));
    }
    let bare = named.readings.is_empty() && named.photos.is_empty();
    let file = named.panel.exists() || named.panel.extension().is_some_and(|e| e == "toml");
    if file || !bare {
        return Ok(None);
    }
    match book(None) {
        Ok(only) => Ok(Some(only)),
        // Without a book it is told as a file that is not there.
        Err(_) if here()?.is_empty() => Ok(None),
        Err(several) => Err(several),
    }
}

/// Books in the current folder, by name. A copy into which nothing was entered since is passed over
/// beside others.
fn here() -> Result<Vec<PathBuf>, Error> {
    let refused = |source| Error::File {
        path: PathBuf::from("."),
        source,
        advice: "name the book with --book FILE".into(),
    };
    let mut books = Vec::new();
    for file in std::fs::read_dir(".").map_err(refused)? {
        let name = PathBuf::from(file.map_err(refused)?.file_name());
        if name.extension().is_some_and(|e| e == "lowspot") && name.is_file() {
            books.push(name);
        }
    }
    books.sort();
    if books.len() > 1 {
        let own: Vec<PathBuf> = books
            .iter()
            .filter(|b| copy::copy_of(b).is_none())
            .cloned()
            .collect();
        if !own.is_empty() {
            return Ok(own);
        }
    }
    Ok(books)
}
