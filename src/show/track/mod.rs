//! What the job book answers, as text, picture, page and JSON: the trend of a panel, the floor
//! sheet, readiness.

pub mod chart;
pub mod film;
pub mod floor;
pub mod packet;
pub mod sentences;
pub mod trend;
