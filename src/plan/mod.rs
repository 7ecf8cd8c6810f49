//! From a map to work: what to sand, what to fill, how much to mix, what it weighs, in the order in
//! which it is decided.
//!
//! In: a [`Judgement`](crate::judge::Judgement), its [`Panel`](crate::panel::Panel), the [`shop`]'s
//! figures. Out: one [`Plan`], which [`show`](crate::show) prints. Nothing here reads a file but
//! [`shop::load`].

pub mod amounts;
pub mod balance;
pub mod builtin;
pub mod cycles;
pub mod figure;
pub mod fit_for;
pub mod hand_check;
pub mod heat;
pub mod mix;
pub mod price;
pub mod ratio;
pub mod recipe;
pub mod sanding;
pub mod shop;
pub mod spread;
pub mod ways;
mod whole;
pub mod work;

pub use whole::{Choice, Plan, Split, Used, plan};
