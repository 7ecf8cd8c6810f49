//! From the job book to answers: did that cycle help, is another worth it, which panel next, when
//! can we prime.
//!
//! In: a panel's entries and what its surveys found ([`keep`](crate::keep)). Out: a
//! [`Trend`](trend::Trend) of one panel, a row of the [`floor`] sheet for each panel, a [`ready`]
//! list, a ledger of the [`film`] over the structure. No file, clock or screen: the moment is
//! given.

pub mod advice;
pub mod change;
pub mod cycle;
pub mod film;
pub mod floor;
pub mod forecast;
pub mod kept;
pub mod laid;
pub mod moved;
pub mod ready;
pub mod stage;
pub mod trend;
