//! The commands.
