//! Results as text, picture, page and files.
//!
//! In: one [`Judgement`](crate::judge::Judgement) and its [`Panel`](crate::panel::Panel). Out: the
//! terminal [`summary`], map.png and map.svg ([`map`]), report.html ([`html`]), report.json
//! ([`json`]) and surface.csv ([`csv`]), written together by [`write_all`]. Nothing is computed
//! here: a number on the map is the same number in the report and in the files.

pub mod care;
mod changed;
mod coat;
pub mod csv;
mod field;
mod files;
pub mod html;
pub mod json;
mod labels;
mod layer;
mod legend;
pub mod map;
pub mod mix;
pub mod moved;
pub mod next;
pub mod overlay;
mod paint;
pub mod palette;
pub mod plan;
mod scene;
pub mod summary;
mod text;
pub mod track;
pub mod words;

pub use files::{File, overlay_name, write_all, write_beside, write_map, write_new, write_packets};

#[cfg(test)]
pub(crate) fn empty_panel() -> crate::panel::Panel {
    use crate::panel::{Form, NODE_LIMIT_MM, Panel, Polygon};
    Panel {
        name: "test panel".into(),
        length_mm: 1000.0,
        width_mm: 500.0,
        form: Form::Flat,
        purpose: None,
        outline: Polygon::rectangle(1000.0, 500.0),
        cutouts: Vec::new(),
        no_sand: Vec::new(),
        no_fill: Vec::new(),
        photo_ignore: Vec::new(),
        sand_allowance_mm: None,
        limits: Vec::new(),
        zones: Vec::new(),
        form_wavelength_mm: Form::Flat.wavelengths_mm(),
        form_wavelength_given: false,
        radius_mm: [None; 2],
        node_limit_mm: NODE_LIMIT_MM,
        sheet_metal: false,
        moving_surface: false,
        skin: crate::panel::skin::Skin::default(),
        targets: Vec::new(),
    }
}
