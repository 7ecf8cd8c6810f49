//! The integration tests, as one program that links once.

mod published;
mod show;
mod truth;
