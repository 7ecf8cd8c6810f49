//! A panel's mirrored twin laid onto it: left against right.

use crate::observe::Survey;
use crate::panel::{Panel, Polygon};

/// Which ends change places.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Axis {
    /// The ends of x.
    X,
    /// The ends of y.
    Y,
}

impl Axis {
    fn flip(self, panel: &Panel, p: [f64; 2]) -> [f64; 2] {
        match self {
            Axis::X => [panel.length_mm - p[0], p[1]],
            Axis::Y => [p[0], panel.width_mm - p[1]],
        }
    }
}

/// The twin's own panel: outline, openings and areas mirrored, so that its readings can be read in
/// its own frame.
pub fn mirrored_panel(panel: &Panel, axis: Axis) -> Panel {
    let mut twin = panel.clone();
    let flip = |polygon: &mut Polygon| {
        for corner in &mut polygon.0 {
            *corner = axis.flip(panel, *corner);
        }
    };
    flip(&mut twin.outline);
    let areas = [
        &mut twin.cutouts,
        &mut twin.no_sand,
        &mut twin.no_fill,
        &mut twin.photo_ignore,
    ];
    areas.into_iter().flatten().for_each(flip);
    twin.zones.iter_mut().for_each(|z| flip(&mut z.outline));
    for target in &mut twin.targets {
        [target.x_mm, target.y_mm] = axis.flip(panel, [target.x_mm, target.y_mm]);
    }
    twin
}

/// The twin's survey as it would lie on this panel.
pub fn mirrored_survey(survey: &Survey, panel: &Panel, axis: Axis) -> Survey {
    let mut out = survey.clone();
    for placing in &mut out.placings {
        let way = match axis {
            Axis::X => &mut placing.toward[0],
            Axis::Y => &mut placing.toward[1],
        };
        *way = -*way;
        for reading in &mut placing.readings {
            [reading.x, reading.y] = axis.flip(panel, [reading.x, reading.y]);
        }
    }
    out
}
