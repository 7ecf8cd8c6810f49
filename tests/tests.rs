//! One test program for everything that is tried from outside the crate: it links once.

mod accuracy;
mod books;
mod calibration;
mod edge_shape;
mod errors;
mod fit_checks;
mod invariance;
mod jobs;
mod joint;
mod misreads;
mod mixing;
mod moved;
mod next;
mod photos;
mod planning;
mod prices;
mod published;
mod reading_files;
mod samples;
mod samples_read;
mod show;
mod support;
mod target_files;
mod targets;
mod together;
mod truth;
