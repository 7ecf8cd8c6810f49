//! lowspot: from gaps under a straightedge to a map of highs and lows.
//!
//! The data's way, one module a stage, each knowing only the stages before it:
//!
//! 1. [`panel`]: the panel's frame, edges, zones and limits (`panel.toml`).
//! 2. [`observe`]: readings files into a [`observe::Survey`].
//! 3. [`photo`]: guide-coat photos into coat cells on the panel.
//! 4. [`fit`]: survey and coat into the found surface, with its uncertainty.
//! 5. [`reference`]: surface into the fair shapes to work to.
//! 6. [`judge`]: both into states, regions, limits and a verdict.
//! 7. [`next`]: where to measure next; [`plan`]: the work, and what to mix; [`compare`]: two
//!    surveys into what moved and what repeats.
//! 8. [`keep`]: the job book: panels and what was done to them, over weeks; [`track`]: what it
//!    answers.
//! 9. [`show`]: results as text, picture, page and files; computes nothing new.
//! 10. [`cli`]: the commands; the only module that knows all the others.

pub mod cli;
pub mod compare;
pub mod fit;
pub mod judge;
pub mod keep;
pub mod next;
pub mod observe;
pub mod panel;
pub(crate) mod parts;
pub mod photo;
pub mod plan;
pub mod problem;
pub mod reference;
pub(crate) mod settings;
pub mod show;
pub mod text;
pub mod track;
pub mod units;
