mod support { #[path = "/work/wt/misread/tests/support/simulate.rs"] pub mod simulate; }
#[path = "/work/wt/misread/tests/misreads.rs"] mod misreads;
