//! One test program for everything that is tried from outside the crate: it links once.

mod accuracy;
mod samples;
mod support;
