//! Table form of a readings file.
