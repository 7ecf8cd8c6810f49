//! Surface into the fair shapes to work to.

/// The references.
#[derive(Clone, Debug)]
pub struct References {}
