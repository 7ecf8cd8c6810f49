//! The photo on the page: laid onto the panel under the contours, and told in sentences.

use super::map::PageMap;
use super::paint::SVG_ZOOM;
use super::words;
use crate::judge::Judgement;
use crate::judge::photo;
use crate::panel::Panel;
use crate::photo::rectified;
use crate::photo::take::Taken;
use crate::problem::Error;
use crate::units::Units;
use base64::Engine;
use std::fmt::Write;

/// Longest side of a photo laid onto the panel, px: what a phone shows when zoomed in twice.
const LONGEST_PX: f64 = 1500.0;
const QUALITY: u8 = 72;
/// Where the map's lines begin: what stands before is colour.
const LINES: &str = "<g stroke-linejoin=\"round\">";

/// Lays the photos onto the panel, between the map's colours and its lines. Without photos nothing
/// is changed.
///
/// # Errors
/// [`Error::Calculation`] when a picture cannot be made.
pub fn lay_under(map: &mut PageMap, panel: &Panel, photos: &[Taken]) -> Result<(), Error> {
    if photos.is_empty() {
        return Ok(());
    }
    let step = panel.length_mm.max(panel.width_mm) / LONGEST_PX;
    let mut layer = String::from("<g class=\"photo\" clip-path=\"url(#skin)\">");
    for taken in photos {
        let flat = rectified::jpeg(
            panel,
            &taken.picture,
            &taken.placed.placement,
            step,
            QUALITY,
        )?;
        let size = image::ImageReader::new(std::io::Cursor::new(&flat))
            .with_guessed_format()
            .ok()
            .and_then(|r| r.into_dimensions().ok())
            .ok_or_else(|| Error::Calculation("the photo on the panel has no size".into()))?;
        let (width, height) = (f64::from(size.0) * step, f64::from(size.1) * step);
        let [x, y] = map
            .frame
            .picture_from_panel([0.0, height])
            .map(|v| v * SVG_ZOOM);
        let scale = map.frame.scale * SVG_ZOOM;
        // Writing to a String cannot fail.
        let _ = write!(
            layer,
            "<image x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{:.1}\" preserveAspectRatio=\"none\" href=\"data:image/jpeg;base64,{}\"/>",
            width * scale,
            height * scale,
            base64::engine::general_purpose::STANDARD.encode(&flat)
        );
    }
    layer.push_str("</g>\n");
    match map.svg.find(LINES) {
        Some(at) => map.svg.insert_str(at, &layer),
        None => {
            return Err(Error::Calculation(
                "the page's map has no lines to lay a photo under".into(),
            ));
        }
    }
    Ok(())
}

/// What the photos show, a sentence each.
pub fn told(j: &Judgement, units: Units) -> Vec<String> {
    let Some(found) = &j.photos else {
        return Vec::new();
    };
    let mut all: Vec<String> = found
        .photos
        .iter()
        .map(|p| words::photo(p, units))
        .collect();
    all.extend(found.set_aside().map(super::summary::capital));
    all.extend(found.coat.substrate().map(|a| {
        format!(
            "Substrate shows at {} ({}): stop sanding there.",
            words::extent(a.extent_mm, units),
            units.area(a.area_cm2)
        )
    }));
    all.extend(
        found
            .coat
            .pinholes
            .iter()
            .map(|c| format!("Pinholes: {}.", photo::pinholes(c, units))),
    );
    all.extend(
        found
            .coat
            .pitch
            .iter()
            .map(|p| format!("{}.", super::summary::capital(&photo::pitch(p, units)))),
    );
    all.extend(
        found
            .clashes
            .iter()
            .map(|c| format!("{}.", super::summary::capital(&c.text))),
    );
    all
}
