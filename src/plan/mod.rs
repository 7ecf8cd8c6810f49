//! From a map to work: recipes and the shop's own figures, how much to mix, and in which batches.

pub mod builtin;
pub mod figure;
pub mod mix;
pub mod ratio;
pub mod recipe;
pub mod shop;
