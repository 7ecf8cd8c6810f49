//! The last net: a fault of the program itself ends as one sentence and exit status 1, never as a
//! trace of the machine's own.
//!
//! Nothing is half written then: files are put in place only once all of them are made, and what is
//! entered in a book is one transaction, given up when it is not finished.

use crate::problem::Error;
use std::panic::{AssertUnwindSafe, catch_unwind, set_hook, take_hook};
use std::sync::{Arc, Mutex, PoisonError};

/// Do the work; a panic anywhere in it, on any thread, becomes an [`Error::Fault`].
///
/// # Errors
/// What the work itself ends with, or its fault.
pub(super) fn guarded<T>(work: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    let place = Arc::new(Mutex::new(String::new()));
    let told = Arc::clone(&place);
    let before = take_hook();
    // Where it happened is known to the hook alone. The first place is kept: others follow from it.
    set_hook(Box::new(move |info| {
        let mut told = told.lock().unwrap_or_else(PoisonError::into_inner);
        if told.is_empty() {
            *told = info.location().map_or(String::new(), |l| {
                let file = l.file().rsplit(['/', '\\']).next().unwrap_or_default();
                format!("{file}:{}", l.line())
            });
        }
    }));
    let outcome = catch_unwind(AssertUnwindSafe(work));
    set_hook(before);
    outcome.unwrap_or_else(|cause| {
        let text = cause.downcast_ref::<String>().map(String::as_str);
        let text = text.or_else(|| cause.downcast_ref::<&str>().copied());
        let place = place.lock().unwrap_or_else(PoisonError::into_inner);
        Err(Error::Fault {
            place: place.clone(),
            what: on_one_line(text.unwrap_or("no words")),
        })
    })
}

/// The fault's own words on one line, no longer than a line or two of the screen.
fn on_one_line(text: &str) -> String {
    let plain: String = text
        .chars()
        .filter(|c| !c.is_control() || c.is_whitespace())
        .collect();
    let words: Vec<&str> = plain.split_whitespace().collect();
    words.join(" ").chars().take(160).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rayon::prelude::*;

    /// The hook is one for the whole program: these run one after the other.
    #[test]
    fn a_fault_of_the_program_is_one_sentence() {
        let sum = guarded(|| Ok(1 + 1));
        assert!(matches!(sum, Ok(2)));
        let usage = guarded(|| -> Result<(), Error> { Err(Error::Usage("so".into())) });
        assert!(matches!(usage, Err(Error::Usage(_))));

        let rows = [1, 2, 3];
        let fault = guarded(|| Ok(rows[std::hint::black_box(3)])).map_err(|e| e.to_string());
        let said = fault.expect_err("reaches past the end");
        assert!(
            said.starts_with("a fault of the program itself at guard.rs:"),
            "{said}"
        );
        assert!(said.contains("index out of bounds"), "{said}");
        assert!(said.contains("nothing is half written"), "{said}");
        assert_eq!(said.lines().count(), 1);

        // On another thread, with words of several lines.
        let fault = guarded(|| -> Result<(), Error> {
            (0..8)
                .into_par_iter()
                .for_each(|k| assert!(k < 0, "first\nsecond"));
            Ok(())
        });
        let said = fault.map_err(|e| e.to_string()).expect_err("stops");
        assert_eq!(said.lines().count(), 1, "{said}");
        assert!(said.contains("first second"), "{said}");
    }
}
