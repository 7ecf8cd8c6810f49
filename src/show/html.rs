//! html
