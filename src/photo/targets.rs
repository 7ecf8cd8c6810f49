//! Targets: taped spots of known place on the panel, found in the photo or named in `targets.csv`,
//! into a [`Placement`].
//!
//! In: the panel (with its `[[target]]` entries), the upright photo in grey, perhaps a
//! `targets.csv`. Out: [`Placed`], the placement with every target's residual, those left out with
//! the reason, and what to be aware of; or an error that says what to mend.

mod file;

pub use file::parse;

use super::finder::{self, Found};
use super::placement::Placement;
use super::placement::crown::Crown;
use super::placement::homography::{self, Pair};
use super::placement::odd::{self, Slip, Verdict};
use super::placement::solve::{self, Sensitivity, Setting, Solution, Spread};
use crate::panel::{Form, Panel};
use crate::problem::{Error, Fault, Warning};
use crate::text::{self, Given};
use image::GrayImage;
use std::path::Path;

/// Numbered targets found by the program. In made-up photos their centres are off by less than 0.1
/// px (`docs/method.md`); lenses, and paper that does not lie quite flat, add to it.
pub const FOUND: Spread = Spread {
    photo_px: 0.6,
    tape_mm: solve::TAPE_MM,
};
/// Places read off the photo by a person (common practice, no source).
pub const READ: Spread = Spread {
    photo_px: 2.0,
    tape_mm: solve::TAPE_MM,
};
/// Where places may be off by more than this, it is said, mm: a cell of the coat.
const WORTH_SAYING_MM: f64 = 10.0;
/// Targets that miss by no more than this are worse than they should be, but no other panel's, mm
/// and parts of the longer side.
const STILL_THIS_PANEL: (f64, f64) = (3.0, 0.0025);
/// Standard deviations, at the place known least, within which the worst place of a panel lies in
/// about 19 photos of 20 (tried on simulated panels).
const WORST_OF_PANEL: f64 = 2.5;
/// A place read off the photo by a person is a target's middle when it lies no farther from it, px:
/// three standard deviations.
const SAME_MIDDLE_PX: f64 = 6.0;
const MOST_BYTES: u64 = 1_000_000;

/// A target seen in a photo, with its place on the panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// How it is called: "target 3", or its name in the file.
    pub name: String,
    /// Place on the panel, mm.
    pub on_panel: [f64; 2],
    /// Place in the photo, px; the middle of the first pixel is (0.5, 0.5).
    pub in_photo: [f64; 2],
}

/// A target that took part in the fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Used {
    /// The target.
    pub target: Seen,
    /// Distance on the panel between where it is taped and where it is seen, mm.
    pub residual_mm: f64,
}

/// A target that was left out, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct LeftOut {
    /// How it is called.
    pub name: String,
    /// Why, and what to do.
    pub reason: String,
}

/// The panel placed in a photo.
#[derive(Clone, Debug)]
pub struct Placed {
    /// The map between panel and photo.
    pub placement: Placement,
    /// Targets that took part.
    pub used: Vec<Used>,
    /// Root mean square of their residuals, mm.
    pub rms_mm: f64,
    /// Place in `used` of the one with the largest residual.
    pub worst: usize,
    /// Targets that were left out.
    pub left_out: Vec<LeftOut>,
    /// By how much a place on the panel may be off, mm: 2.5 standard deviations where the
    /// panel is known least. A prediction from how many targets
    /// there are, where, and what panels and lenses may do; NaN when it cannot be told.
    pub may_be_off_mm: f64,
    /// Numbered targets found in the photo, also those of no known place, so that they can be left
    /// out of the coat.
    pub found: Vec<Found>,
    /// What to be aware of.
    pub warnings: Vec<Warning>,
}

/// Places the panel in a photo: with the targets of `given` (a `targets.csv`) if there is one, else
/// with the numbered targets found in the photo whose places the panel names.
///
/// # Errors
/// [`Error::Faults`] of the file; [`Error::Photo`] when fewer than four targets are known, they lie
/// in one line, or they do not fit the panel.
pub fn place(panel: &Panel, grey: &GrayImage, given: Option<&Path>) -> Result<Placed, Error> {
    let given = given.map(self::given).transpose();
    place_given(panel, grey, given.map_err(one)?.as_ref(), &|| None)
}

/// The bytes of a `targets.csv`.
///
/// # Errors
/// One [`Fault`] about the whole file.
pub fn given(path: &Path) -> Result<Given, Fault> {
    text::typed(path, MOST_BYTES)
}

fn one(fault: Fault) -> Error {
    Error::Faults(vec![fault])
}

/// As [`place`], of a `targets.csv` in memory. `crown` tells what readings know of the panel's
/// bend; it is asked only where the targets alone leave places on a curved panel too open.
///
/// # Errors
/// As [`place`].
pub fn place_given(
    panel: &Panel,
    grey: &GrayImage,
    given: Option<&Given>,
    crown: &dyn Fn() -> Option<Crown>,
) -> Result<Placed, Error> {
    let size = [grey.width(), grey.height()];
    let found = finder::find(grey);
    let fit = |seen: Vec<Seen>, spread: Spread| -> Result<Placed, Error> {
        let placed = fit(panel, size, seen.clone(), spread)?;
        if panel.form == Form::Flat || placed.may_be_off_mm <= WORTH_SAYING_MM {
            return Ok(placed);
        }
        let closer = crown().map(|crown| fit_knowing(panel, size, seen, spread, crown));
        Ok(match closer {
            Some(Ok(closer)) if closer.may_be_off_mm < placed.may_be_off_mm => closer,
            _ => placed,
        })
    };
    let mut placed = match given {
        Some(given) => {
            let text = text::decode(&given.bytes, &given.name).map_err(one)?;
            let (mut seen, warnings) =
                file::parse(text, &given.name, panel, size).map_err(Error::Faults)?;
            let sharpened = sharpen(&mut seen, &found);
            let spread = if sharpened == seen.len() { FOUND } else { READ };
            let mut placed = fit(seen, spread)?;
            placed.warnings.splice(0..0, warnings);
            placed
        }
        None => {
            let (seen, left_out) = known(panel, &found);
            let enough = seen.len() >= 4;
            if !enough {
                return Err(Error::Photo(too_few(panel, &found, seen.len(), &left_out)));
            }
            let mut placed = fit(seen, FOUND)?;
            placed.left_out.extend(left_out);
            placed
                .warnings
                .extend(missing(panel, &found).map(Warning::new));
            placed
        }
    };
    placed.found = found;
    Ok(placed)
}

/// Where a place that was read off the photo is the middle of a numbered target, the target's own
/// middle is closer. Gives how many were replaced.
fn sharpen(seen: &mut [Seen], found: &[Found]) -> usize {
    let mut sharpened = 0;
    for s in seen {
        let near = found.iter().find(|f| {
            let off = (f.centre[0] - s.in_photo[0]).hypot(f.centre[1] - s.in_photo[1]);
            // A corner of the target, or another mark beside it, may be what was meant.
            off <= SAME_MIDDLE_PX.min(f.side_px() / 4.0)
        });
        if let Some(f) = near {
            s.in_photo = f.centre;
            sharpened += 1;
        }
    }
    sharpened
}

/// Found targets whose place the panel names, once each; the others with the reason.
fn known(panel: &Panel, found: &[Found]) -> (Vec<Seen>, Vec<LeftOut>) {
    let (mut seen, mut left_out) = (Vec::new(), Vec::new());
    for (i, f) in found.iter().enumerate() {
        let name = format!("target {}", f.number);
        if found.iter().take(i).any(|other| other.number == f.number) {
            continue;
        }
        let places: Vec<String> = found
            .iter()
            .filter(|other| other.number == f.number)
            .map(|f| format!("column {:.0}, row {:.0}", f.centre[0], f.centre[1]))
            .collect();
        let on_panel = panel.targets.iter().find(|t| t.number == f.number);
        let reason = match on_panel {
            _ if places.len() > 1 => format!(
                "is in the photo {} times, at {}; tape each number once",
                places.len(),
                places.join(" and at ")
            ),
            None => "is in the photo, but panel.toml has no [[target]] of that number; add it with its place".into(),
            Some(target) => {
                seen.push(Seen { name, on_panel: [target.x_mm, target.y_mm], in_photo: f.centre });
                continue;
            }
        };
        left_out.push(LeftOut { name, reason });
    }
    (seen, left_out)
}

fn too_few(panel: &Panel, found: &[Found], usable: usize, left_out: &[LeftOut]) -> String {
    let numbers: Vec<String> = found.iter().map(|f| f.number.to_string()).collect();
    let seen = match numbers.len() {
        0 => "no numbered target was found in the photo; four are needed".to_string(),
        n => format!(
            "the photo shows {} ({})",
            counted(n, "numbered target"),
            numbers.join(", ")
        ),
    };
    let mut message = match (numbers.len(), usable) {
        (0, _) => seen,
        (_, 0) => format!("{seen}, none of them with a place in panel.toml; four are needed"),
        (_, n) => format!("{seen}, {n} of them with a place in panel.toml; four are needed"),
    };
    if panel.targets.is_empty() {
        message.push_str(
            "; print some with `lowspot targets`, tape them on and enter their places as [[target]] in panel.toml, or name \
             four places in a targets.csv",
        );
    } else if found.is_empty() {
        message.push_str(
            "; are they sharp, evenly lit, with their white margin, at least some 25 pixels wide, and the photo not mirrored? Or name four \
             places in a targets.csv",
        );
    } else if let Some(missing) = missing(panel, found) {
        message.push_str(&format!("; {missing}"));
    }
    let strange = left_out
        .iter()
        .filter(|o| o.reason.contains("no [[target]]"))
        .count();
    if strange > 1 {
        message.push_str("; is it the photo of this panel?");
    }
    for out in left_out
        .iter()
        .filter(|o| strange <= 1 || !o.reason.contains("no [[target]]"))
    {
        message.push_str(&format!("\n{} {}", out.name, out.reason));
    }
    message
}

/// Targets that the panel names and the photo does not show, in a sentence; `None` when all are
/// there.
fn missing(panel: &Panel, found: &[Found]) -> Option<String> {
    let missing: Vec<String> = panel
        .targets
        .iter()
        .filter(|t| found.iter().all(|f| f.number != t.number))
        .map(|t| t.number.to_string())
        .collect();
    (!missing.is_empty()).then(|| {
        format!(
            "{} of the {} in panel.toml were not found in the photo ({}): out of the picture, covered, blurred, or under 25 pixels wide",
            missing.len(),
            counted(panel.targets.len(), "target"),
            missing.join(", ")
        )
    })
}

fn counted(n: usize, what: &str) -> String {
    if n == 1 {
        format!("1 {what}")
    } else {
        format!("{n} {what}s")
    }
}

/// Places the panel with these targets; `spread` says how well their places are known, `size` the
/// photo's columns and rows.
///
/// A camera (focal length, lens, pose) and a bent panel are fitted; a flat panel gets a homography
/// where that is all the targets tell.
///
/// # Errors
/// [`Error::Photo`]: fewer than four, all but in one line, or not of this panel.
pub fn fit(
    panel: &Panel,
    size: [u32; 2],
    seen: Vec<Seen>,
    spread: Spread,
) -> Result<Placed, Error> {
    fit_knowing(panel, size, seen, spread, Crown::expected(panel))
}

/// The same where readings have told how the panel bends.
///
/// # Errors
/// As [`fit`].
pub fn fit_knowing(
    panel: &Panel,
    size: [u32; 2],
    seen: Vec<Seen>,
    spread: Spread,
    crown: Crown,
) -> Result<Placed, Error> {
    if seen.len() < 4 {
        return Err(Error::Photo(format!(
            "{}; four are needed",
            counted(seen.len(), "target")
        )));
    }
    let pairs: Vec<Pair> = seen.iter().map(|s| (s.on_panel, s.in_photo)).collect();
    determined(&pairs)?;
    let setting = Setting {
        panel,
        size: size.map(f64::from),
        spread,
        crown,
    };
    let (solution, slips, disagree) = match odd::judge(&setting, &pairs) {
        Verdict::Agree(solution, slips) => (Some(solution), slips, None),
        Verdict::Disagree(solution, suspects) => (solution, Vec::new(), Some(suspects)),
    };
    let out: Vec<usize> = slips.iter().flat_map(odd::of_slip).collect();
    let used: Vec<usize> = (0..seen.len()).filter(|i| !out.contains(i)).collect();
    let used_pairs: Vec<Pair> = used.iter().filter_map(|i| pairs.get(*i).copied()).collect();
    determined(&used_pairs)?;
    let placement = choose(&setting, &used_pairs, solution.as_deref()).ok_or_else(no_place)?;
    let used: Vec<Used> = used
        .iter()
        .filter_map(|i| seen.get(*i))
        .map(|s| Used {
            target: s.clone(),
            residual_mm: residual(&placement, s),
        })
        .collect();
    let rms_mm =
        (used.iter().map(|u| u.residual_mm.powi(2)).sum::<f64>() / used.len().max(1) as f64).sqrt();
    let largest = used
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.residual_mm.total_cmp(&b.1.residual_mm));
    let worst = largest.map_or(0, |(i, _)| i);
    let mut placed = Placed {
        left_out: slips
            .iter()
            .flat_map(|s| reasons(s, &seen, &placement))
            .collect(),
        may_be_off_mm: solution
            .as_deref()
            .map_or(f64::NAN, |s| may_be_off(panel, s)),
        placement,
        used,
        rms_mm,
        worst,
        found: Vec::new(),
        warnings: Vec::new(),
    };
    if let Some(suspects) = disagree {
        doubt(panel, &mut placed, &seen, &suspects)?;
    }
    let unusual = solution
        .as_deref()
        .is_some_and(|s| s.lens_misfit > odd::USUAL_LENS);
    if unusual && placed.placement.camera().is_some() {
        placed.warnings.push(Warning::new(
            "the targets agree only for a camera that would be unusual: a strongly bending lens, or a photo cut far off its middle; if it is \
             neither, one of their places is wrong, and a few targets more would tell which",
        ));
    }
    warn(panel, &mut placed);
    Ok(placed)
}

fn no_place() -> Error {
    Error::Photo("the targets give no place for the panel: no camera sees them so; check their places on the panel and in the photo".into())
}

/// Whether targets determine a homography, on the panel and in the photo.
fn determined(pairs: &[Pair]) -> Result<(), Error> {
    let on = |which: fn(&Pair) -> [f64; 2]| -> Vec<Pair> {
        pairs.iter().map(|p| (which(p), which(p))).collect()
    };
    for (what, points) in [("on the panel", on(|p| p.0)), ("in the photo", on(|p| p.1))] {
        let condition = homography::fitted(&points).map_or(0.0, |(_, c)| c);
        if condition < homography::LEAST_CONDITION {
            return Err(Error::Photo(format!(
                "the {} lie too nearly in one line {what}: they do not tell how the panel lies; four are needed of which no \
                 three are in line, best near the corners",
                counted(pairs.len(), "target")
            )));
        }
    }
    Ok(())
}

/// The camera, which knows that lenses distort; of a flat panel the homography where the camera
/// cannot follow it (a photo cut far off its middle), and with four targets, which tell of no
/// distortion. On flat panels seen without distortion the camera costs 0.2 mm at most, with
/// distortion of -0.03 it leaves 0.5 mm of 1.7 (tests/targets.rs, 8 targets).
fn choose(setting: &Setting, pairs: &[Pair], solution: Option<&Solution>) -> Option<Placement> {
    let (h, _) = homography::fitted(pairs)?;
    let plane = Placement::from_homography([0, 1, 2].map(|r| [0, 1, 2].map(|c| h[(r, c)])))?;
    let Some(solution) = solution else {
        return Some(plane);
    };
    let closer = odd::plane_misfit(setting, pairs, &solution.camera)
        .is_some_and(|m| m + odd::CLEAR < solution.misfit);
    if setting.panel.form == Form::Flat && (pairs.len() < 5 || closer) {
        return Some(plane);
    }
    let (length, width) = (setting.panel.length_mm, setting.panel.width_mm);
    Placement::from_camera(solution.camera.clone(), length, width).or(Some(plane))
}

fn residual(placement: &Placement, seen: &Seen) -> f64 {
    placement
        .point_on_panel(seen.in_photo[0], seen.in_photo[1])
        .map_or(f64::INFINITY, |p| {
            (p[0] - seen.on_panel[0]).hypot(p[1] - seen.on_panel[1])
        })
}

/// Why the targets of a slip were left out.
fn reasons(slip: &Slip, seen: &[Seen], placement: &Placement) -> Vec<LeftOut> {
    let at = |i: usize| seen.get(i);
    match slip {
        Slip::Wrong(i) => at(*i)
            .map(|s| LeftOut { name: s.name.clone(), reason: wrong(s, placement) })
            .into_iter()
            .collect(),
        Slip::Swapped(i, j) => [(*i, *j), (*j, *i)]
            .iter()
            .filter_map(|(a, b)| at(*a).zip(at(*b)))
            .map(|(s, other)| LeftOut {
                name: s.name.clone(),
                reason: format!(
                    "is seen where {} is taped, and the other way round: the two are swapped; exchange their places, or the targets",
                    other.name
                ),
            })
            .collect(),
    }
}

fn wrong(seen: &Seen, placement: &Placement) -> String {
    let Some(p) = placement.point_on_panel(seen.in_photo[0], seen.in_photo[1]) else {
        return "does not agree with the others; measure its place again".into();
    };
    let off = (p[0] - seen.on_panel[0]).hypot(p[1] - seen.on_panel[1]);
    format!(
        "does not agree with the others: it is entered at x {:.0}, y {:.0}, but seen at about x {:.0}, y {:.0}, {off:.0} mm off; measure its \
         place again",
        seen.on_panel[0], seen.on_panel[1], p[0], p[1]
    )
}

/// Targets that disagree, and none can be named: worse than it should be, or not this panel.
fn doubt(
    panel: &Panel,
    placed: &mut Placed,
    seen: &[Seen],
    suspects: &[usize],
) -> Result<(), Error> {
    let names: Vec<&str> = suspects
        .iter()
        .filter_map(|i| seen.get(*i))
        .map(|s| s.name.as_str())
        .collect();
    let worst = placed.used.get(placed.worst);
    let misses = worst.filter(|_| placed.rms_mm.is_finite()).map_or(
        "no camera sees them so".to_string(),
        |w| {
            format!(
                "they miss by {:.1} mm (rms), {} by {:.1} mm",
                placed.rms_mm, w.target.name, w.residual_mm
            )
        },
    );
    if seen.len() == 4 {
        placed.warnings.push(Warning::new(
            "the four targets ask for a camera or a panel that would be most unusual: is one of their places wrong? A fifth and a sixth target \
             would tell",
        ));
        return Ok(());
    }
    let which = match names.len() {
        0 => "more than one may be wrong".to_string(),
        n if n == seen.len() => {
            "one of them is wrong, and which cannot be told from so few".to_string()
        }
        _ => format!(
            "one of these is wrong, and which cannot be told: {}",
            names.join(", ")
        ),
    };
    let (least, share) = STILL_THIS_PANEL;
    if placed.rms_mm <= least.max(share * panel.length_mm.max(panel.width_mm)) {
        placed.warnings.push(Warning::new(format!(
            "the targets do not agree as well as they should: {misses}; {which}; places in this photo may be off as much"
        )));
        return Ok(());
    }
    Err(Error::Photo(format!(
        "the targets do not fit this panel: {misses}; {which}. Is it the photo of this panel? Check the targets' places in panel.toml or \
         targets.csv against the tape, x from the datum corner along the length, or tape more targets"
    )))
}

/// [`WORST_OF_PANEL`] standard deviations of the least certain place on the panel, mm.
fn may_be_off(panel: &Panel, solution: &Solution) -> f64 {
    const ALONG: usize = 9;
    let sensitivity = Sensitivity::about(&solution.camera);
    let step = |i: usize, side: f64| i as f64 / (ALONG - 1) as f64 * side;
    (0..ALONG * ALONG)
        .map(|i| {
            [
                step(i % ALONG, panel.length_mm),
                step(i / ALONG, panel.width_mm),
            ]
        })
        .filter(|p| panel.contains(p[0], p[1]))
        .filter_map(|p| solve::place_sd_mm(solution, &sensitivity, p))
        .fold(f64::NAN, f64::max)
        * WORST_OF_PANEL
}

fn warn(panel: &Panel, placed: &mut Placed) {
    let off = placed.may_be_off_mm;
    if off > WORTH_SAYING_MM {
        let bent = panel.form != Form::Flat;
        let why = if bent {
            "the panel is curved and the targets are few, far apart or small in the photo; nine help, some of them in the middle, all \
             of them in the picture"
        } else {
            "the targets are few or far apart; tape six or more, near the corners and the middles of the edges"
        };
        placed.warnings.push(Warning::new(format!(
            "places in this photo may be off by up to {off:.0} mm, though the targets themselves miss by {:.1} mm: {why}",
            placed.rms_mm
        )));
    }
}
