//! All integration tests in one program, linked once.

mod errors;
mod reading_files;
mod support;
