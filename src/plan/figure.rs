//! A number that knows where it comes from.

use serde::Serialize;

/// A figure and its origin in words, so that whatever is worked out from it can say what was used.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// The value, in the unit that the field's name ends in.
    pub value: f64,
    /// Where it comes from: "set in shop.toml", "common practice, no source", "published: …",
    /// "worked out from …".
    pub origin: String,
}

impl Figure {
    /// A value with its origin.
    pub fn new(value: f64, origin: impl Into<String>) -> Self {
        Figure {
            value,
            origin: origin.into(),
        }
    }
}

/// Origin of figures that no source was seen for.
pub const COMMON: &str = "common practice, no source";
