//! Survey into [`Surface`].

pub mod least_squares;

/// The found surface.
#[derive(Clone, Debug)]
pub struct Surface {}
