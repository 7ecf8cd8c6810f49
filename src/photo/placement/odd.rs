//! Which targets are wrong: a mistyped place, two swapped numbers, a target that moved.
//!
//! Every explanation is tried in full: none wrong, one wrong, two swapped, two wrong, then the
//! worst one after another. One is taken only when what is left agrees within its standard
//! deviations and no other explanation of as few slips comes near it.

use super::camera::Camera;
use super::homography::{self, Pair};
use super::solve::{self, Setting, Solution};
use crate::panel::Form;

/// Most targets left out of a photo, of all.
const MOST_WRONG: f64 = 0.3;
/// An explanation is taken when the next best one's misfit is this much larger: a likelihood ratio
/// of e³, about 20.
pub const CLEAR: f64 = 6.0;
/// A camera whose focal length, axis and distortion together cost no more than this is a usual one:
/// t = 2 in one, 1 in the others.
pub const USUAL_LENS: f64 = 7.0;
/// Focal lengths from which an explanation is tried, over the photo's longer side.
const QUICK_FOCALS: [f64; 2] = [0.9, 2.0];
/// What a swap is ahead of a target left out: it has no place free to choose. In misfit 2·ln of the
/// places there are, some 150 × 150 that could be told apart on a panel (worked out).
const NOTHING_FREE: f64 = 20.0;
/// Most suspects of whom all pairs are tried.
const MOST_SUSPECTS: usize = 12;

/// A slip that explains the misfit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Slip {
    /// The target at this place of the list is wrong.
    Wrong(usize),
    /// These two have each other's place.
    Swapped(usize, usize),
}

/// What was found about the targets.
#[derive(Clone, Debug)]
pub enum Verdict {
    /// They agree, but for those named; the solution is without the latter.
    Agree(Box<Solution>, Vec<Slip>),
    /// They disagree. All of them together, and those any one of which may be the wrong one (empty:
    /// no single one explains it).
    Disagree(Option<Box<Solution>>, Vec<usize>),
}

/// The misfit that is exceeded by chance in one photo of a thousand; `targets` are those fitted. χ²
/// with 2n − 6 degrees of freedom (E. Wilson and M. Hilferty, Proc. Natl. Acad. Sci. 17 (1931)
/// 684-688), one at least.
pub fn bound(targets: usize) -> f64 {
    const NORMAL_999: f64 = 3.09;
    let free = (2.0 * targets as f64 - 6.0).max(1.0);
    let spread = 2.0 / (9.0 * free);
    free * (1.0 - spread + NORMAL_999 * spread.sqrt()).powi(3)
}

/// One explanation tried: the slip, and the misfit it is judged by.
struct Tried {
    slips: Vec<Slip>,
    misfit: f64,
    sound: bool,
}

/// Looks for wrong targets.
///
/// A panel meant to be flat is first taken for a plane seen without distortion, which is the
/// stricter judge: when that explains all targets, or all but a slip, or when it does not but a
/// usual camera explains all, the matter is settled.
pub fn judge(setting: &Setting, pairs: &[Pair]) -> Verdict {
    let all = solve::camera(setting, pairs);
    let plane = setting.panel.form == Form::Flat;
    if let Some(all) = &all {
        let agrees = all.misfit <= bound(pairs.len());
        let usual = all.lens_misfit <= USUAL_LENS;
        if plane && is_plane(setting, pairs, all) || agrees && usual {
            return Verdict::Agree(Box::new(all.clone()), Vec::new());
        }
        if plane
            && pairs.len() > 5
            && let Looked::Clear(tried) = look(setting, pairs, &Model::Plane(&all.camera))
        {
            return agree(setting, pairs, tried);
        }
        if agrees {
            return Verdict::Agree(Box::new(all.clone()), Vec::new());
        }
    }
    match look(setting, pairs, &Model::Camera) {
        // Where the panel may bend, any four of five are explained.
        Looked::Clear(tried) if pairs.len() < 6 => {
            Verdict::Disagree(all.map(Box::new), named(&tried))
        }
        Looked::Clear(tried) => agree(setting, pairs, tried),
        Looked::Several(suspects) => Verdict::Disagree(all.map(Box::new), suspects),
        Looked::Nothing => match one_after_another(setting, pairs) {
            Some(tried) => agree(setting, pairs, tried),
            None => Verdict::Disagree(all.map(Box::new), Vec::new()),
        },
    }
}

/// What explanations are judged by.
enum Model<'a> {
    /// Any camera and the panel's form.
    Camera,
    /// A plane without distortion; the camera tells how many px a mm is.
    Plane(&'a Camera),
}

/// What came of trying all explanations of one slip, then of two.
enum Looked {
    Clear(Tried),
    /// Several explain it: these targets are suspect.
    Several(Vec<usize>),
    Nothing,
}

fn look(setting: &Setting, pairs: &[Pair], model: &Model) -> Looked {
    let mut singles = without_each(setting, pairs, &[], model);
    singles.sort_by(|a, b| a.misfit.total_cmp(&b.misfit));
    // Those without which the rest agrees best come first; those without which no camera is found,
    // last.
    let mut order: Vec<usize> = singles.iter().flat_map(named).collect();
    order.extend((0..pairs.len()).filter(|i| !singles.iter().any(|t| named(t).contains(i))));
    order.truncate(MOST_SUSPECTS);
    singles.extend(swaps(setting, pairs, &order, model));
    let sound: Vec<usize> = singles.iter().filter(|t| t.sound).flat_map(named).collect();
    match clearest(singles) {
        Choice::Clear(one) => return Looked::Clear(one),
        Choice::Several => return Looked::Several(unique(sound)),
        Choice::None if pairs.len() < 7 => return Looked::Nothing,
        Choice::None => {}
    }
    let twos = order
        .iter()
        .enumerate()
        .flat_map(|(k, i)| order.iter().take(k).map(move |j| [*i, *j]))
        .filter_map(|two| without(setting, pairs, &two, model))
        .collect();
    match clearest(twos) {
        Choice::Clear(two) => Looked::Clear(two),
        _ => Looked::Nothing,
    }
}

/// Misfit of some targets under a model, and whether it is within the bound.
fn misfit_of(setting: &Setting, pairs: &[Pair], model: &Model) -> Option<(f64, bool)> {
    match model {
        Model::Camera => {
            let misfit = solve::camera_from(setting, pairs, &QUICK_FOCALS)?.misfit;
            Some((misfit, misfit <= bound(pairs.len())))
        }
        Model::Plane(camera) => {
            let misfit = plane_misfit(setting, pairs, camera)?;
            Some((misfit, misfit <= bound(pairs.len().saturating_sub(1))))
        }
    }
}

/// Whether a panel meant to be flat is explained by a homography, more than four targets being
/// there to say so: whatever the camera, a photo cut far off its middle among them.
fn is_plane(setting: &Setting, pairs: &[Pair], solution: &Solution) -> bool {
    let enough = setting.panel.form == Form::Flat && pairs.len() > 4;
    enough
        && plane_misfit(setting, pairs, &solution.camera)
            .is_some_and(|m| m <= bound(pairs.len() - 1))
}

/// The misfit of the homography through the targets. It has eight unknowns, so that [`bound`] is to
/// be asked for one target less.
pub fn plane_misfit(setting: &Setting, pairs: &[Pair], camera: &Camera) -> Option<f64> {
    let (h, _) = homography::fitted(pairs)?;
    let mut sum = 0.0;
    for (p, q) in pairs {
        let seen = homography::apply(&h, *p)?;
        let sd = solve::spread(setting, camera, *p);
        sum += ((q[0] - seen[0]).powi(2) + (q[1] - seen[1]).powi(2)) / (sd * sd);
    }
    Some(sum)
}

/// The targets an explanation names.
fn named(tried: &Tried) -> Vec<usize> {
    tried.slips.iter().flat_map(of_slip).collect()
}

/// The targets a slip names.
pub fn of_slip(slip: &Slip) -> Vec<usize> {
    match slip {
        Slip::Wrong(i) => vec![*i],
        Slip::Swapped(i, j) => vec![*i, *j],
    }
}

fn unique(mut list: Vec<usize>) -> Vec<usize> {
    list.sort_unstable();
    list.dedup();
    list
}

enum Choice {
    Clear(Tried),
    Several,
    None,
}

/// The one sound explanation, if no other is near.
fn clearest(mut tried: Vec<Tried>) -> Choice {
    tried.sort_by(|a, b| a.misfit.total_cmp(&b.misfit));
    let second = tried.get(1).map_or(f64::INFINITY, |t| t.misfit);
    match tried.into_iter().next() {
        Some(best) if best.sound && second >= best.misfit + CLEAR => Choice::Clear(best),
        Some(best) if best.sound => Choice::Several,
        _ => Choice::None,
    }
}

/// The fit without some targets; `None` when too few are left.
fn without(setting: &Setting, pairs: &[Pair], out: &[usize], model: &Model) -> Option<Tried> {
    let rest: Vec<Pair> = kept(pairs, out);
    if rest.len() < 4 {
        return None;
    }
    let (misfit, sound) = misfit_of(setting, &rest, model)?;
    Some(Tried {
        slips: out.iter().map(|i| Slip::Wrong(*i)).collect(),
        misfit,
        sound,
    })
}

fn kept(pairs: &[Pair], out: &[usize]) -> Vec<Pair> {
    pairs
        .iter()
        .enumerate()
        .filter(|(i, _)| !out.contains(i))
        .map(|(_, p)| *p)
        .collect()
}

/// The fits with one more target left out beside those given.
fn without_each(setting: &Setting, pairs: &[Pair], out: &[usize], model: &Model) -> Vec<Tried> {
    (0..pairs.len())
        .filter(|i| !out.contains(i))
        .filter_map(|i| without(setting, pairs, &[out, &[i]].concat(), model))
        .collect()
}

/// The fits with two targets' places in the photo exchanged.
fn swaps(setting: &Setting, pairs: &[Pair], among: &[usize], model: &Model) -> Vec<Tried> {
    let two = among
        .iter()
        .enumerate()
        .flat_map(|(k, i)| among.iter().take(k).map(move |j| (*i, *j)));
    two.filter_map(|(i, j)| {
        let mut exchanged = pairs.to_vec();
        let (a, b) = (exchanged.get(i)?.1, exchanged.get(j)?.1);
        exchanged.get_mut(i)?.1 = b;
        exchanged.get_mut(j)?.1 = a;
        let (misfit, sound) = misfit_of(setting, &exchanged, model)?;
        Some(Tried {
            slips: vec![Slip::Swapped(i.min(j), i.max(j))],
            misfit: misfit - NOTHING_FREE,
            sound,
        })
    })
    .collect()
}

/// Leaves the target out without which the rest agrees best, then the next, until what is left
/// agrees; `None` when too many would go.
fn one_after_another(setting: &Setting, pairs: &[Pair]) -> Option<Tried> {
    let most = (MOST_WRONG * pairs.len() as f64) as usize;
    let mut out: Vec<usize> = Vec::new();
    while out.len() < most {
        let best = without_each(setting, pairs, &out, &Model::Camera)
            .into_iter()
            .min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
        out = named(&best);
        if best.sound && pairs.len() - out.len() >= 6 {
            return Some(best);
        }
    }
    None
}

/// The verdict of an explanation: whoever is named takes no part in the fit.
fn agree(setting: &Setting, pairs: &[Pair], tried: Tried) -> Verdict {
    let out = named(&tried);
    match solve::camera(setting, &kept(pairs, &out)) {
        Some(solution) => Verdict::Agree(Box::new(solution), tried.slips),
        None => Verdict::Disagree(None, out),
    }
}
