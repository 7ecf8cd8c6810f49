//! summary
