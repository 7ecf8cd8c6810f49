//! What the tests share.

pub mod simulate;
