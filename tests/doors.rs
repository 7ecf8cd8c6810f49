//! What may come in and go out: nothing is written over that lowspot did not write, nothing hidden
//! reaches a terminal, no input takes more memory or time than is said.
//!
//! All panels, readings and photos here are made up or simulated.

pub mod hostile;
mod outputs;
mod terminal;

use crate::books::{done, lowspot, program, refused, told};
