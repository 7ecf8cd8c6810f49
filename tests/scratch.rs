//! Scratch.
mod support { #[path = "/work/wt/misread/tests/support/simulate.rs"] pub mod simulate; }
#[path = "/work/wt/misread/tests/misreads.rs"] mod misreads;
#[path = "/work/wt/misread/tests/edge_shape.rs"] mod edge_shape;
