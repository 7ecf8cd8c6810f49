//! One test program for everything that is tried from outside the crate: it links once.

mod samples;
mod support;
