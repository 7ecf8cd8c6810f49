//! One test program for everything that is tried from outside the crate: it links once.

mod accuracy;
mod published;
mod errors;
mod reading_files;
mod samples;
mod samples_read;
mod support;
mod show;
mod truth;
