//! Limits by purpose.
