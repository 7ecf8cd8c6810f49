//! lowspot
fn main() {}
