//! One test program for everything that is tried from outside the crate: it links once.

mod accuracy;
mod published;
mod samples;
mod support;
mod truth;
