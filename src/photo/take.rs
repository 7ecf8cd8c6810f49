//! One photo from its file to what it tells, and several photos of one panel put together.

use super::CoatCells;
use super::areas::{self, Area, Kind};
use super::cells::{self, Pixel};
use super::coat::{self, Options, PhotoReading};
use super::foot;
use super::mask::Mask;
use super::picture::{self, Picture};
use super::pinholes::Cluster;
use super::pitch::Pitch;
use super::placement::Placement;
use super::placement::crown::Crown;
use super::polarity::Polarity;
use super::targets::{self, Placed};
use crate::panel::{Panel, Polygon};
use crate::problem::{Error, Warning};
use crate::text::Given;
use std::path::Path;

/// Side of a coat cell, mm.
pub const CELL_MM: f64 = 10.0;
/// A printed target is left out with its white margin: its corners, this much farther from its
/// middle.
const WITH_MARGIN: f64 = 1.5;
/// Half the side of what is left out round a target named in a file, mm: a taped spot, a coin.
const SPOT_MM: f64 = 20.0;
/// Half the side of what is left out where a printed target should be but was not recognised, mm:
/// one of 60 mm with its margin.
const MISSED_MM: f64 = 45.0;
/// Largest pixel on the panel that can tell pinholes from scratches, mm.
const PINHOLE_PIXEL_MM: f64 = 0.6;
/// Smallest area of coat that is called a low, cm²: a spot 50 mm across. Smaller ones are specks
/// (common practice, no source).
const LEAST_LOW_CM2: f64 = 20.0;
/// Share of a cell that must be seen to call it seen.
const SEEN: f64 = 0.5;

/// One photo, read.
#[derive(Debug)]
pub struct Taken {
    /// The file, as the user named it.
    pub file: String,
    /// The upright picture.
    pub picture: Picture,
    /// Where the panel lies in it.
    pub placed: Placed,
    /// The coat in it.
    pub reading: PhotoReading,
    /// What is worth saying, each with the file's name.
    pub warnings: Vec<Warning>,
}

/// Reads one photo. Its targets come from a file, or are found by their numbers.
///
/// # Errors
/// What [`picture::load`], [`targets::place`] and [`coat::read`] refuse.
pub fn take(
    panel: &Panel,
    photo: &Path,
    targets: Option<&Path>,
    coat: Polarity,
) -> Result<Taken, Error> {
    let one = |fault| Error::Faults(vec![fault]);
    let photo = picture::given(photo).map_err(one)?;
    let targets = targets.map(targets::given).transpose().map_err(one)?;
    take_given(panel, &photo, targets.as_ref(), None, coat, &|| None)
}

/// As [`take`], of files in memory, with a painted mask where there is one, and what readings know
/// of the panel's bend ([`targets::place_given`]).
///
/// # Errors
/// As [`take`]; what [`Mask::of`] refuses.
pub fn take_given(
    panel: &Panel,
    photo: &Given,
    targets: Option<&Given>,
    mask: Option<&Given>,
    coat: Polarity,
    crown: &dyn Fn() -> Option<Crown>,
) -> Result<Taken, Error> {
    let file = photo.name.clone();
    let (picture, mut warnings) =
        picture::decode(&photo.bytes, &file).map_err(|fault| Error::Faults(vec![fault]))?;
    let painted = mask
        .map(|m| Mask::of(m, [picture.width(), picture.height()]))
        .transpose()
        .map_err(|fault| Error::Faults(vec![fault]))?;
    let placed =
        targets::place_given(panel, &picture.grey(), targets, crown).map_err(|e| match e {
            Error::Photo(text) => Error::Photo(format!("{file}: {text}")),
            other => other,
        })?;
    let options = Options {
        coat,
        cell_mm: CELL_MM,
        hidden: hidden(panel, &placed),
        painted,
        placement_mm: if placed.rms_mm.is_finite() {
            placed.rms_mm.max(0.5)
        } else {
            1.0
        },
    };
    let mut reading = coat::read(panel, &picture, &placed.placement, &options)?;
    if reading.photo_mm > PINHOLE_PIXEL_MM {
        // Too coarse to tell a row of pinholes from a scratch.
        reading.pinholes.clear();
    }
    if mirrored(panel, &placed.placement) {
        warnings.push(Warning::new(
            "the panel lies mirrored in this photo against the map, which draws x to the right and y upward: right if y was measured \
             downward from the datum corner; else the targets' places, or the photo, are the wrong way round",
        ));
    }
    warnings.extend(placed.warnings.iter().cloned());
    warnings.extend(
        placed
            .left_out
            .iter()
            .map(|l| Warning::new(format!("{} {}", l.name, l.reason))),
    );
    warnings.extend(reading.warnings.iter().cloned());
    for warning in &mut warnings {
        if warning.place.is_empty() {
            warning.place.clone_from(&file);
        }
    }
    Ok(Taken {
        file,
        picture,
        placed,
        reading,
        warnings,
    })
}

/// Whether the panel's frame is seen in the photo the other way round than the map draws it.
fn mirrored(panel: &Panel, placement: &Placement) -> bool {
    let [x, y] = [panel.length_mm / 2.0, panel.width_mm / 2.0];
    let ends = [
        placement.point_in_photo(x, y),
        placement.point_in_photo(x + 1.0, y),
        placement.point_in_photo(x, y + 1.0),
    ];
    match ends {
        // Rows of a photo run downward: x to the right and y upward turn against the clock, which
        // is a negative area there.
        [Some(o), Some(a), Some(b)] => {
            (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]) > 0.0
        }
        _ => false,
    }
}

/// What is not to be looked at: targets that were found, with their margins, those that should be
/// there, and what the panel's file names.
fn hidden(panel: &Panel, placed: &Placed) -> Vec<Polygon> {
    let square = |[x, y]: [f64; 2], half: f64| {
        let at = |sx: f64, sy: f64| [x + sx * half, y + sy * half];
        Polygon(vec![
            at(-1.0, -1.0),
            at(1.0, -1.0),
            at(1.0, 1.0),
            at(-1.0, 1.0),
        ])
    };
    let missed = panel
        .targets
        .iter()
        .filter(|t| placed.found.iter().all(|f| f.number != t.number))
        .map(|t| square([t.x_mm, t.y_mm], MISSED_MM));
    let numbered = placed
        .found
        .iter()
        .filter_map(|f| outline(&placed.placement, &f.corners, f.centre));
    let spots = placed
        .used
        .iter()
        .map(|u| square(u.target.on_panel, SPOT_MM));
    let told = panel.photo_ignore.iter().cloned();
    numbered.chain(spots).chain(missed).chain(told).collect()
}

/// A printed target with its margin, on the panel.
fn outline(placement: &Placement, corners: &[[f64; 2]; 4], centre: [f64; 2]) -> Option<Polygon> {
    let wider = |c: &[f64; 2]| {
        let [u, v] = [0, 1].map(|k| centre[k] + WITH_MARGIN * (c[k] - centre[k]));
        placement.point_on_panel(u, v)
    };
    corners
        .iter()
        .map(wider)
        .collect::<Option<Vec<_>>>()
        .map(Polygon)
}

/// What all photos of a panel tell together.
#[derive(Clone, Debug)]
pub struct Coat {
    /// Coat, cell by cell.
    pub cells: CoatCells,
    /// Connected areas of coat and of substrate, the largest first.
    pub areas: Vec<Area>,
    /// Pinholes that line up or cluster.
    pub pinholes: Vec<Cluster>,
    /// A pitch that repeats, if there is one.
    pub pitch: Option<Pitch>,
    /// Share of the panel that is seen by at least one of them, 0 to 1.
    pub seen_share: f64,
}

/// Puts photos of one panel together. Areas of several photos are those of their common cells; of
/// one photo they are as fine as its pixels.
///
/// # Errors
/// [`Error::Calculation`] without a photo.
pub fn together(panel: &Panel, photos: &[Taken]) -> Result<Coat, Error> {
    let each: Vec<CoatCells> = photos.iter().map(|p| p.reading.cells.clone()).collect();
    let cells = cells::merge(&each)?;
    let areas = match photos {
        [one] => one.reading.areas.clone(),
        _ => {
            let worst = photos.iter().map(|p| p.placed.rms_mm).fold(0.5, f64::max);
            areas::find(&pixels(&cells), cells.coat.dim().1, CELL_MM, CELL_MM, worst)
        }
    };
    let areas = foot::areas_but_feet(&cells, areas);
    let mut pinholes: Vec<Cluster> = Vec::new();
    for cluster in photos.iter().flat_map(|p| &p.reading.pinholes) {
        if !pinholes
            .iter()
            .any(|other| overlap(other.extent_mm, cluster.extent_mm))
        {
            pinholes.push(cluster.clone());
        }
    }
    let pitch = photos
        .iter()
        .filter_map(|p| p.reading.pitch.clone())
        .max_by(|a, b| a.strength.total_cmp(&b.strength));
    let seen_share = seen_share(panel, &cells);
    Ok(Coat {
        cells,
        areas,
        pinholes,
        pitch,
        seen_share,
    })
}

/// What the photos that are used tell, when not all are used as they were read: coat by `cells`,
/// which are those used and put together, or none. Substrate that any of them shows still stands:
/// it only ever stops work.
pub fn of_cells(panel: &Panel, read: &Coat, cells: Option<&CoatCells>) -> Coat {
    let cells = cells.cloned().unwrap_or_else(|| CoatCells {
        coat: read.cells.coat.mapv(|_| f64::NAN),
        seen: read.cells.seen.mapv(|_| 0.0),
        sure: read.cells.sure.mapv(|_| 0.0),
        ..read.cells.clone()
    });
    let across = cells.coat.dim().1;
    let mut areas = areas::find(&pixels(&cells), across, CELL_MM, CELL_MM, 1.0);
    areas.retain(|a| a.kind == Kind::Coat);
    let mut areas = foot::areas_but_feet(&cells, areas);
    areas.extend(read.substrate().cloned());
    let seen_share = seen_share(panel, &cells);
    Coat {
        cells,
        areas,
        pinholes: Vec::new(),
        pitch: None,
        seen_share,
    }
}

/// Cells as pixels, row by row.
fn pixels(cells: &CoatCells) -> Vec<Pixel> {
    cells
        .coat
        .indexed_iter()
        .map(|(at, coat)| match coat {
            c if c.is_nan() || cells.seen[at] < SEEN => Pixel::NotSeen,
            _ if cells.substrate[at] >= 0.5 => Pixel::Substrate,
            c if *c >= 0.5 => Pixel::Coat,
            _ => Pixel::Bare,
        })
        .collect()
}

fn overlap(a: [f64; 4], b: [f64; 4]) -> bool {
    a[0] <= b[2] && b[0] <= a[2] && a[1] <= b[3] && b[1] <= a[3]
}

fn seen_share(panel: &Panel, cells: &CoatCells) -> f64 {
    let (mut seen, mut all) = (0.0, 0.0);
    for ((iy, ix), share) in cells.seen.indexed_iter() {
        let [x, y] = cells.middle(ix, iy);
        if panel.contains(x, y) {
            all += 1.0;
            seen += share;
        }
    }
    if all > 0.0 { seen / all } else { 0.0 }
}

impl Coat {
    /// Areas of coat large enough to be called lows, the largest first.
    pub fn lows(&self) -> impl Iterator<Item = &Area> {
        self.areas
            .iter()
            .filter(|a| a.kind == Kind::Coat && a.area_cm2 >= LEAST_LOW_CM2)
    }

    /// Areas where substrate shows.
    pub fn substrate(&self) -> impl Iterator<Item = &Area> {
        self.areas.iter().filter(|a| a.kind == Kind::Substrate)
    }
}
