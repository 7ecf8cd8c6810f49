//! The guide coat in one photo: the stage's main function.
//!
//! Photo laid onto the panel → blocks → light by steps → colours → filler and coat, with the light
//! fitted again → what is neither → which is the coat → shares in cells, areas, pinholes, repeated
//! pitch.

use super::CoatCells;
use super::areas::{self, Area};
use super::blocks::{Blocks, box_sum};
use super::cells::{self, Pixel};
use super::classes::{self, Classes};
use super::colours::{self, Colour};
use super::grain;
use super::light::{self, Gain, Light};
use super::mask::{Mask, Paint};
use super::naming::{self, Named, Role, Told};
use super::otsu;
use super::picture::Picture;
use super::pinholes::{self, Cluster};
use super::pitch::{self, Pitch};
use super::placement::Placement;
use super::polarity::{self, Found, Marks, Polarity};
use super::rectified::{self, Raster};
use super::things::{self, Thing};
use super::tones::{self, Tones};
use crate::panel::{Panel, Polygon};
use crate::problem::{Error, Fault, Warning};
use rayon::prelude::*;

/// Specks and scratches narrower than about this are no low, mm: the side of the window in which
/// the majority decides.
const MAJORITY_MM: f64 = 5.0;
/// Below this chance the reader is asked to say which colour the coat has.
pub const SURE: f64 = 0.8;
/// How many standard deviations from the median two greys must be parted for one of them to be
/// speckle of another colour.
const SPECKLE: f64 = 2.0;
/// Least distance in colour (rms of logarithms) of coat that shows no grain: what is nearer is
/// another filler, or a shadow.
const LEAST_PAINT: f64 = 0.9;
/// Least area of what is flat and of the coat's tone that is called substrate, cm²; smaller is a
/// mark.
const LEAST_SUBSTRATE_CM2: f64 = 2.0;
/// Least share of the panel that a photo must show.
const LEAST_SHOWN: f64 = 0.02;

/// What the caller knows.
#[derive(Clone, Debug)]
pub struct Options {
    /// Which colour the coat has, if it is known.
    pub coat: Polarity,
    /// Side of a cell, mm.
    pub cell_mm: f64,
    /// Areas of the panel that are not to be looked at: targets, tape, anything in front of it.
    pub hidden: Vec<Polygon>,
    /// What a person has painted over the photo.
    pub painted: Option<Mask>,
    /// How well the placement is known, mm (residual of the targets): goes into the uncertainty of
    /// areas.
    pub placement_mm: f64,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            coat: Polarity::Auto,
            cell_mm: 10.0,
            hidden: Vec::new(),
            painted: None,
            placement_mm: 1.0,
        }
    }
}

/// A disc as an area, for a target of that radius (mm) in the list of what is hidden.
pub fn disc(middle: [f64; 2], radius_mm: f64) -> Polygon {
    Polygon(
        (0..24)
            .map(|i| {
                let (sin, cos) = (f64::from(i) / 24.0 * std::f64::consts::TAU).sin_cos();
                [middle[0] + radius_mm * cos, middle[1] + radius_mm * sin]
            })
            .collect(),
    )
}

/// What one photo tells.
#[derive(Clone, Debug)]
pub struct PhotoReading {
    /// Coat, cell by cell.
    pub cells: CoatCells,
    /// Which colour was taken for the coat: dark or light; `Auto` when only one colour was seen.
    pub polarity: Polarity,
    /// Chance that this is right, by the marks (0.5 to 1); 1 when the caller said it; 0 when only
    /// one colour was seen.
    pub sure: f64,
    /// Whether substrate shows anywhere.
    pub substrate_seen: bool,
    /// Connected areas of coat and of substrate, the largest first.
    pub areas: Vec<Area>,
    /// Pinholes that line up or cluster.
    pub pinholes: Vec<Cluster>,
    /// A pitch that repeats, if there is one.
    pub pitch: Option<Pitch>,
    /// Share of the panel's area that is seen, 0 to 1.
    pub seen_share: f64,
    /// Standard deviations between filler and coat, pixel by pixel; 0 when only one colour was
    /// seen.
    pub contrast: f64,
    /// Side of a photo pixel on the panel, mm.
    pub photo_mm: f64,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Read the coat from a photo of known placement.
///
/// # Errors
/// [`Error::Faults`] when the photo shows next to nothing of the panel, [`Error::Usage`] when the
/// cell size is not a length.
pub fn read(
    panel: &Panel,
    picture: &Picture,
    placement: &Placement,
    options: &Options,
) -> Result<PhotoReading, Error> {
    if !(options.cell_mm >= 1.0 && options.cell_mm.is_finite()) {
        return Err(Error::Usage(format!(
            "cells of {} mm; expected 1 mm or more",
            options.cell_mm
        )));
    }
    let nothing = || {
        Error::Faults(vec![Fault {
            file: picture.file().to_string(),
            line: 0,
            column: 0,
            message: "shows next to nothing of the panel where the targets put it; check that the targets belong to \
                      this photo and this panel"
                .into(),
        }])
    };
    let photo_mm = rectified::photo_pixel_mm(panel, picture, placement).ok_or_else(nothing)?;
    let per = rectified::pixels_per_cell(panel, options.cell_mm, photo_mm);
    let step = options.cell_mm / per as f64;
    let raster = Raster::of(panel, picture, placement, step, photo_mm, &options.hidden);
    let blocks = Blocks::of(&raster);
    let shown = (0..blocks.count()).filter(|k| blocks.is_seen(*k)).count() as f64;
    if shown * blocks.mm * blocks.mm < LEAST_SHOWN * panel.area_cm2() * 100.0 {
        return Err(nothing());
    }
    let grain = grain::of(&raster, &blocks);
    let classes = classes::fit(&blocks, &grain);
    let mut looked = match naming::name(&blocks, &grain, &classes, options.coat) {
        Named::Coat(told) => grainy(&raster, &blocks, &classes, &told),
        Named::NotBlocked => not_blocked(&raster, &blocks),
        Named::Smooth => {
            let start = light::by_steps(&blocks);
            let colours = colours::find(&blocks, &start);
            match partner(&blocks, &colours) {
                Some(pair) => {
                    let tones = tones::fit(&raster, &blocks, start, pair);
                    two_colours(&raster, &blocks, &tones, options.coat)
                }
                None => one_colour(&raster, &blocks, &start),
            }
        }
    };
    if let Some(mask) = &options.painted {
        looked.paint(mask, &raster, &blocks, placement);
    }
    let mut reading = looked.read(panel, &raster, &blocks, per, options);
    reading.photo_mm = photo_mm;
    coarse_photo(&mut reading);
    reading.seen_share =
        reading.cells.seen.sum() * options.cell_mm.powi(2) / (panel.area_cm2() * 100.0);
    reading.seen_share = reading.seen_share.min(1.0);
    Ok(reading)
}

/// The two colours that are filler and coat: the commonest, and of the others the one that fills
/// most area in most places; tape, being one straight piece, comes last.
fn partner<'a>(blocks: &Blocks, found: &'a [Colour]) -> Option<[&'a Colour; 2]> {
    let first = found.first()?;
    let weight = |c: &Colour| {
        let mut member = vec![false; blocks.count()];
        c.blocks.iter().for_each(|k| member[*k] = true);
        let pieces = things::pieces(blocks, &member);
        let sound: Vec<usize> = pieces
            .iter()
            .filter(|p| !things::is_tape(blocks, p))
            .map(Vec::len)
            .collect();
        sound.iter().sum::<usize>() as f64 * (sound.len() as f64).clamp(1.0, 6.0)
    };
    let second = found
        .iter()
        .skip(1)
        .map(|c| (weight(c), c))
        .filter(|(w, c)| *w > 0.0 && colours::distance(first.log, c.log) >= LEAST_PAINT)
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    Some([first, second.1])
}

/// What was seen in a photo, pixel by pixel.
struct Looked {
    pixels: Vec<Pixel>,
    /// Place of each pixel between bare (0) and coat (1); empty where no coat was found.
    tone: Vec<f32>,
    /// How certain each block is, 0 to 1.
    certain: Vec<f64>,
    polarity: Polarity,
    sure: f64,
    contrast: f64,
    warnings: Vec<Warning>,
}

impl Looked {
    /// What a person has painted holds, whatever was read there.
    fn paint(&mut self, mask: &Mask, raster: &Raster, blocks: &Blocks, placement: &Placement) {
        let width = raster.size[0];
        let at = |k: usize| {
            let [x, y] = [k % width, k / width].map(|i| (i as f64 + 0.5) * raster.step_mm);
            placement
                .point_in_photo(x, y)
                .map_or(Paint::None, |p| mask.at(p))
        };
        self.pixels
            .par_iter_mut()
            .enumerate()
            .for_each(|(k, pixel)| match at(k) {
                Paint::Coat => *pixel = Pixel::Coat,
                Paint::NotCoat => *pixel = Pixel::Bare,
                Paint::None => {}
            });
        for (k, certain) in self.certain.iter_mut().enumerate() {
            let [x, y] =
                [k % blocks.size[0], k / blocks.size[0]].map(|i| i * blocks.per + blocks.per / 2);
            if x < width && y < raster.size[1] && at(y * width + x) != Paint::None {
                *certain = 1.0;
            }
        }
        if self.tone.is_empty() {
            self.tone = self
                .pixels
                .iter()
                .map(|p| f32::from(u8::from(*p == Pixel::Coat)))
                .collect();
        }
    }

    /// Cells, areas, pinholes and pitch.
    fn read(
        self,
        panel: &Panel,
        raster: &Raster,
        blocks: &Blocks,
        per: usize,
        options: &Options,
    ) -> PhotoReading {
        let width = raster.size[0];
        let mut cells = cells::shares(panel, &self.pixels, width, per, options.cell_mm, 1.0);
        for ((iy, ix), sure) in cells.sure.indexed_iter_mut() {
            let block = |i: usize, n: usize| ((i * per + per / 2) / blocks.per).min(n.max(1) - 1);
            let k = block(iy, blocks.size[1]) * blocks.size[0] + block(ix, blocks.size[0]);
            *sure *= self.certain.get(k).copied().unwrap_or(0.0);
        }
        let found = !self.tone.is_empty();
        let (areas, (pinholes, pitch)) = rayon::join(
            || {
                if !found {
                    return Vec::new();
                }
                areas::find(
                    &self.pixels,
                    width,
                    raster.step_mm,
                    raster.photo_mm,
                    options.placement_mm,
                )
            },
            || {
                if !found {
                    return (Vec::new(), None);
                }
                rayon::join(
                    || pinholes::find(&self.pixels, &self.tone, width, raster.step_mm),
                    || pitch::find(&cells),
                )
            },
        );
        PhotoReading {
            polarity: self.polarity,
            sure: self.sure,
            substrate_seen: self.pixels.contains(&Pixel::Substrate),
            areas,
            pinholes,
            pitch,
            seen_share: 0.0,
            contrast: self.contrast,
            photo_mm: 0.0,
            warnings: self.warnings,
            cells,
        }
    }
}

/// Coat told by its grain.
fn grainy(raster: &Raster, blocks: &Blocks, classes: &Classes, told: &Told) -> Looked {
    let flat = flat_things(blocks, classes, told);
    let share = Bilinear::of(raster, blocks);
    let width = raster.size[0];
    let pixels: Vec<Pixel> = (0..raster.light.len())
        .into_par_iter()
        .map(|at| {
            let (ix, iy) = (at % width, at / width);
            let k = iy / blocks.per * blocks.size[0] + ix / blocks.per;
            match (raster.seen[at], flat[k]) {
                (false, _) | (_, Some(Thing::Hidden)) => Pixel::NotSeen,
                (_, Some(_)) => Pixel::Substrate,
                _ if share.at(&told.tone, ix, iy) >= 0.5 => Pixel::Coat,
                _ => Pixel::Bare,
            }
        })
        .collect();
    let [ground, coat] = told
        .pair
        .map(|m| classes.all[m].log.map(|v| v.exp() as f32));
    let way: [f32; 3] = std::array::from_fn(|c| coat[c] - ground[c]);
    let square = way.iter().map(|w| w * w).sum::<f32>().max(1e-9);
    let tone = Gain::of(blocks, &classes.light, raster).map(raster, |own| {
        (0..3).map(|c| way[c] * (own[c] - ground[c])).sum::<f32>() / square
    });
    // A colour taken by a toss of the coin tells nothing.
    let doubt = (2.0 * told.sure - 1.0).clamp(0.0, 1.0);
    let [g, c] = told.pair.map(|m| &classes.all[m]);
    let looks = Found {
        polarity: told.looks.0,
        sure: told.looks.1,
    };
    let named = Found {
        polarity: told.polarity,
        sure: told.sure,
    };
    Looked {
        pixels,
        tone,
        certain: told.certain.iter().map(|c| c * doubt).collect(),
        polarity: told.polarity,
        sure: told.sure,
        contrast: colours::distance(g.log, c.log) / g.sd[0].hypot(c.sd[0]),
        warnings: doubts(&named, &looks, hidden_pieces(blocks, &flat)),
    }
}

/// What is flat and of the coat's tone: substrate where the block went through, or something in the
/// way.
fn flat_things(blocks: &Blocks, classes: &Classes, told: &Told) -> Vec<Option<Thing>> {
    let member: Vec<bool> = classes
        .of
        .iter()
        .map(|m| m.is_some_and(|m| told.roles[usize::from(m)] == Role::Other))
        .collect();
    let mut flat = vec![None; member.len()];
    let seen = (0..blocks.count()).filter(|k| blocks.is_seen(*k)).count();
    for piece in things::pieces(blocks, &member) {
        if piece.len() as f64 * blocks.mm * blocks.mm < LEAST_SUBSTRATE_CM2 * 100.0 {
            continue;
        }
        let thing = if things::may_be_substrate(blocks, &member, &piece, seen) {
            Thing::Substrate
        } else {
            Thing::Hidden
        };
        piece.iter().for_each(|k| flat[*k] = Some(thing));
    }
    flat
}

fn hidden_pieces(blocks: &Blocks, flat: &[Option<Thing>]) -> usize {
    let member: Vec<bool> = flat.iter().map(|f| *f == Some(Thing::Hidden)).collect();
    things::pieces(blocks, &member).len()
}

/// Values of blocks at pixels, straight in between; NaN blocks do not count.
struct Bilinear {
    across: usize,
    columns: Vec<(usize, usize, f64)>,
    rows: Vec<(usize, usize, f64)>,
}

impl Bilinear {
    fn of(raster: &Raster, blocks: &Blocks) -> Self {
        let [columns, rows] =
            [0, 1].map(|a| light::between(raster.size[a], blocks.size[a], blocks.per));
        Bilinear {
            across: blocks.size[0],
            columns,
            rows,
        }
    }

    fn at(&self, values: &[f64], ix: usize, iy: usize) -> f64 {
        let ((x0, x1, u), (y0, y1, v)) = (self.columns[ix], self.rows[iy]);
        let (mut sum, mut weight) = (0.0, 0.0);
        for (x, y, w) in [
            (x0, y0, (1.0 - u) * (1.0 - v)),
            (x1, y0, u * (1.0 - v)),
            (x0, y1, (1.0 - u) * v),
            (x1, y1, u * v),
        ] {
            let own = values[y * self.across + x];
            if !own.is_nan() {
                sum += w * own;
                weight += w;
            }
        }
        if weight > 0.0 { sum / weight } else { 0.0 }
    }
}

/// A photo with nothing smooth on it: coat all over, of which nothing can be told.
fn not_blocked(raster: &Raster, blocks: &Blocks) -> Looked {
    plain(
        raster,
        blocks,
        Pixel::Coat,
        "the panel is coat all over, as far as it is seen: it was not blocked yet. Block it first, then take the photo again; nothing \
         is read from this one"
            .into(),
    )
}

/// A photo of one look: all that is seen is the same, and none of it certain.
fn plain(raster: &Raster, blocks: &Blocks, all: Pixel, warning: String) -> Looked {
    let pixels = raster
        .seen
        .iter()
        .map(|s| if *s { all } else { Pixel::NotSeen });
    Looked {
        pixels: pixels.collect(),
        tone: Vec::new(),
        certain: vec![0.0; blocks.count()],
        polarity: Polarity::Auto,
        sure: 0.0,
        contrast: 0.0,
        warnings: vec![Warning::new(warning)],
    }
}

/// A photo on which no second colour fills an area: bare, or with no more than speckle.
fn one_colour(raster: &Raster, blocks: &Blocks, light: &Light) -> Looked {
    let mut histogram = [0u64; 256];
    for grey in light::even_grey(raster, blocks, light)
        .into_iter()
        .flatten()
    {
        histogram[usize::from(grey)] += 1;
    }
    // The greys of one colour are split at their median; a split far out in the tail parts speckle
    // from it. The median is level 128.
    let spread = quarter_width(&histogram) / 0.6745;
    let speckle = otsu::split(&histogram)
        .filter(|s| (s.level as f64 - 128.0).abs() > SPECKLE * spread)
        .map(|s| s.lower_share.min(1.0 - s.lower_share));
    let text = match speckle {
        Some(share) => format!(
            "coat is left only as fine speckle, on about {:.0} % of what is seen: texture, not lows. The whole panel was taken for bare",
            (100.0 * share).max(1.0)
        ),
        None => "the photo shows one colour only, taken for bare filler: no coat is left. If the panel is all coat, it was not blocked \
                 yet: block it and take the photo again"
            .into(),
    };
    plain(raster, blocks, Pixel::Bare, text)
}

/// Half the width of the middle half of a histogram, in levels.
fn quarter_width(histogram: &[u64; 256]) -> f64 {
    let all: u64 = histogram.iter().sum();
    let level = |part: f64| {
        let mut below = 0.0;
        for (level, count) in histogram.iter().enumerate() {
            let next = below + *count as f64;
            if next >= part * all as f64 && *count > 0 {
                return level as f64 + (part * all as f64 - below) / *count as f64;
            }
            below = next;
        }
        255.0
    };
    (level(0.75) - level(0.25)) / 2.0
}

fn two_colours(raster: &Raster, blocks: &Blocks, tones: &Tones, known: Polarity) -> Looked {
    let (things, patches) = things::find(blocks, tones);
    let block_of = blocks.of_pixels(raster);
    let seen: Vec<bool> = (0..raster.light.len())
        .into_par_iter()
        .map(|at| raster.seen[at] && things[block_of[at] as usize] == Thing::Panel)
        .collect();
    let dark = majority(raster, &tones.tone, &seen);
    let marks = count_marks(raster, blocks, &block_of, tones, &seen, &dark).with_patches(&patches);
    let by_marks = marks.say();
    let named = match known {
        Polarity::Auto => by_marks,
        known => Found {
            polarity: known,
            sure: 1.0,
        },
    };
    let coat_is_dark = named.polarity == Polarity::Dark;
    let pixels: Vec<Pixel> = (0..raster.light.len())
        .into_par_iter()
        .map(|at| match (seen[at], things[block_of[at] as usize]) {
            (true, _) if dark[at] == coat_is_dark => Pixel::Coat,
            (true, _) => Pixel::Bare,
            (false, Thing::Substrate) if raster.seen[at] => Pixel::Substrate,
            _ => Pixel::NotSeen,
        })
        .collect();
    let tone_of_coat: Vec<f32> = tones
        .tone
        .iter()
        .map(|t| if coat_is_dark { *t } else { 1.0 - t })
        .collect();
    let hidden = patches.iter().filter(|p| p.thing == Thing::Hidden).count();
    // A colour taken by a toss of the coin tells nothing.
    let doubt = (2.0 * named.sure - 1.0).clamp(0.0, 1.0);
    Looked {
        pixels,
        tone: tone_of_coat,
        certain: vec![doubt; blocks.count()],
        polarity: named.polarity,
        sure: named.sure,
        contrast: tones.contrast,
        warnings: doubts(&named, &by_marks, hidden),
    }
}

fn doubts(found: &Found, by_marks: &Found, hidden: usize) -> Vec<Warning> {
    let mut warnings = Vec::new();
    if by_marks.polarity != found.polarity && by_marks.sure >= SURE {
        let [told, looks] = match found.polarity {
            Polarity::Light => ["light", "dark"],
            _ => ["dark", "light"],
        };
        warnings.push(Warning::new(format!(
            "the coat was taken for the {told} colour, as told; the photo itself looks like {looks} coat ({:.0} % sure)",
            (100.0 * by_marks.sure).min(99.0)
        )));
    }
    if found.sure < SURE {
        let [taken, other] = match found.polarity {
            Polarity::Dark => ["darker", "light"],
            _ => ["lighter", "dark"],
        };
        warnings.push(Warning::new(format!(
            "the {taken} colour was taken for the coat, but that is not sure ({:.0} %); look at a place you have just sanded \
             through to filler: if it has that colour, say --coat {other}",
            100.0 * found.sure
        )));
    }
    if hidden > 0 {
        warnings.push(Warning::new(format!(
            "{hidden} {} neither filler, coat nor substrate (a hand, tape, glare, a deep shadow) and left out as not seen",
            if hidden == 1 { "area is" } else { "areas are" }
        )));
    }
    warnings
}

fn coarse_photo(reading: &mut PhotoReading) {
    if reading.photo_mm > 3.0 {
        reading.warnings.push(Warning::new(format!(
            "a pixel of the photo covers {:.1} mm of panel: pinholes and narrow lows are not seen; take the photo nearer, or in parts",
            reading.photo_mm
        )));
    }
    if reading.contrast > 0.0 && reading.contrast < 2.0 {
        reading.warnings.push(Warning::new(
            "filler and coat hardly differ in the photo; use a coat of a colour that contrasts, and even light",
        ));
    }
}

/// Whether the darker colour fills most of the window round each pixel. Dots and lines narrower
/// than half the window vanish, straight edges stay where they are.
fn majority(raster: &Raster, tone: &[f32], seen: &[bool]) -> Vec<bool> {
    let radius = ((MAJORITY_MM / raster.step_mm - 1.0) / 2.0)
        .round()
        .max(0.0) as usize;
    let votes: Vec<i16> = tone
        .par_iter()
        .zip(seen)
        .map(|(t, s)| match (s, *t > 0.5) {
            (false, _) => 0,
            (true, true) => 1,
            (true, false) => -1,
        })
        .collect();
    let sums = window_sums(&votes, raster.size[0], radius);
    sums.par_iter()
        .zip(&votes)
        .map(|(sum, own)| if *sum == 0 { *own > 0 } else { *sum > 0 })
        .collect()
}

/// Sums over windows of 2·`radius` + 1 pixels a side.
pub(super) fn window_sums(values: &[i16], width: usize, radius: usize) -> Vec<i16> {
    let height = values.len() / width.max(1);
    let mut across = vec![0i16; values.len()];
    across
        .par_chunks_mut(width.max(1))
        .zip(values.par_chunks(width.max(1)))
        .for_each(|(out, row)| {
            let mut sum: i16 = row.iter().take(radius).sum();
            for ix in 0..width {
                sum += row.get(ix + radius).copied().unwrap_or(0);
                if ix > radius {
                    sum -= row[ix - radius - 1];
                }
                out[ix] = sum;
            }
        });
    let mut sums = vec![0i16; values.len()];
    sums.par_chunks_mut(width.max(1))
        .enumerate()
        .for_each(|(iy, out)| {
            for row in iy.saturating_sub(radius)..(iy + radius + 1).min(height) {
                for (o, v) in out.iter_mut().zip(&across[row * width..(row + 1) * width]) {
                    *o += v;
                }
            }
        });
    sums
}

/// Count the marks that tell which colour is the coat.
fn count_marks(
    raster: &Raster,
    blocks: &Blocks,
    block_of: &[u32],
    tones: &Tones,
    seen: &[bool],
    dark: &[bool],
) -> Marks {
    let mut share = vec![[0usize; 2]; blocks.count()];
    for ((k, seen), dark) in block_of.iter().zip(seen).zip(dark) {
        if *seen {
            share[*k as usize][usize::from(*dark)] += 1;
        }
    }
    let dark_share: Vec<f64> = share
        .iter()
        .map(|[light, dark]| match light + dark {
            0 => f64::NAN,
            all => *dark as f64 / all as f64,
        })
        .collect();
    let known = dark_share.iter().filter(|d| !d.is_nan());
    let (sum, count) = known.fold((0.0, 0.0), |(s, n), d| (s + d, n + 1.0));
    let (specks, speck_count) = count_specks(raster, blocks, block_of, tones, seen, &dark_share);
    Marks {
        dark_share: if count > 0.0 { sum / count } else { 0.5 },
        specks,
        speck_count,
        dark_bulge: polarity::bulge(blocks, &dark_share),
        substrate: None,
    }
}

/// Pixels that stick out of a surface otherwise all of one colour for 20 mm around: a cm² of light
/// surface, of dark surface.
fn count_specks(
    raster: &Raster,
    blocks: &Blocks,
    block_of: &[u32],
    tones: &Tones,
    seen: &[bool],
    dark_share: &[f64],
) -> ([f64; 2], usize) {
    let radius = ((20.0 / blocks.mm).round() as usize).max(1);
    let mut dark: Vec<f64> = dark_share
        .iter()
        .map(|d| if d.is_nan() { 0.0 } else { *d })
        .collect();
    let mut known: Vec<f64> = dark_share
        .iter()
        .map(|d| f64::from(u8::from(!d.is_nan())))
        .collect();
    box_sum(&mut dark, blocks.size[0], radius);
    box_sum(&mut known, blocks.size[0], radius);
    // 0 amid light, 1 amid dark, 2 near the other.
    let amid: Vec<usize> = dark
        .iter()
        .zip(&known)
        .map(|(d, n)| match (*d < 1e-9, *d > n - 1e-9) {
            (true, _) => 0,
            (false, true) => 1,
            _ => 2,
        })
        .collect();
    let (mut counts, mut areas) = ([0usize; 3], [0usize; 3]);
    for ((k, seen), tone) in block_of.iter().zip(seen).zip(&tones.tone) {
        if *seen {
            let kind = amid[*k as usize];
            areas[kind] += 1;
            let sticks_out = if kind == 0 { *tone > 0.4 } else { *tone < 0.6 };
            counts[kind] += usize::from(sticks_out);
        }
    }
    let cm2 = raster.step_mm * raster.step_mm / 100.0;
    let rate = |i: usize| counts[i] as f64 / (areas[i] as f64 * cm2).max(1.0);
    ([rate(0), rate(1)], counts[0] + counts[1])
}
