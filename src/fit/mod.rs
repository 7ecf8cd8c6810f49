//! Survey into [`Surface`].

/// The found surface.
#[derive(Clone, Debug)]
pub struct Surface {}
