//! Wrong readings and wrong placings, put into simulated surveys: which are found, whether the mend
//! named is the right one, and how often a sound reading is accused. Every panel and survey here is
//! simulated (tests/support/simulate.rs).
//!
//! A fault counts only where it changes what is written: the readings written and the readings that
//! should stand there differ, the placing's own rest taken out, by more than [`TELLING_MM`] and
//! [`TELLING_NOISE`] times the noise of a reading, rms. On a fair patch a reversed placing is the
//! same placing.

use crate::support::simulate::{self, Kind, Recipe, Stretch, SurveyPlan, Truth};
use lowspot::fit::{
    self, Surface,
    misread::{Hint, Mend},
};
use lowspot::observe::{Placing, Survey, Tool};
use lowspot::panel::Panel;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// Least change of a placing's readings that counts, rms, mm.
const TELLING_MM: f64 = 0.1;
/// And over the noise of a reading: a pin gauge's has to be 0.24 mm.
const TELLING_NOISE: f64 = 3.0;

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Slip {
    /// One reading at ten times its value.
    TenTimes,
    /// One reading off by 0.5 mm.
    Offset,
    /// Two neighbouring readings exchanged.
    Neighbours,
    /// All readings times this, rounded to the second.
    Times(f64, f64),
    /// From and to exchanged.
    Reversed,
    /// Taken along the other axis from the same start.
    OtherAxis,
    /// x and y exchanged.
    Mirrored,
    /// Exchanged with another placing.
    Swapped,
    /// Knocked half way.
    Knocked,
    /// A batten that leaned, a wave gauge whose zero crept.
    Drift,
}

/// A kind of survey.
#[derive(Clone, Debug)]
struct Case {
    name: String,
    panel: Panel,
    truth: Truth,
    plan: SurveyPlan,
    seed: u64,
}

fn case(kind: Kind, plan: SurveyPlan, seed: u64) -> Case {
    Case {
        name: format!("{kind:?} {} each {}", plan.tool.word(), plan.spacing_mm),
        panel: simulate::panel(kind),
        truth: simulate::truth(kind, seed, 1.0),
        plan,
        seed,
    }
}

fn hour(seed: u64) -> Case {
    let recipe = Recipe {
        length_mm: 1200.0,
        width_mm: 900.0,
        ..Recipe::of(Kind::ALL[seed as usize % 3])
    };
    Case {
        name: "24 placings".into(),
        panel: simulate::panel_sized(recipe.kind, 1200.0, 900.0),
        truth: recipe.make(seed),
        plan: SurveyPlan::hour(),
        seed,
    }
}

impl Case {
    fn survey(&self) -> Survey {
        simulate::survey(&self.truth, &self.panel, &self.plan, self.seed + 1000)
    }

    /// The tool set down somewhere.
    fn placed(&self, from: [f64; 2], to: [f64; 2], rng: &mut ChaCha8Rng) -> Option<Placing> {
        let on = |p: [f64; 2]| self.panel.contains(p[0], p[1]);
        if !on(from) || !on(to) {
            return None;
        }
        let height = |x: f64, y: f64| self.truth.height(x, y);
        simulate::place(
            &height,
            &self.panel,
            &self.plan,
            "",
            Stretch::between(from, to),
            rng,
        )
    }
}

fn values(p: &Placing) -> Vec<f64> {
    p.readings
        .iter()
        .map(|r| r.value_mm.unwrap_or(0.0))
        .collect()
}

fn write(p: &mut Placing, values: &[f64]) {
    for (r, v) in p.readings.iter_mut().zip(values) {
        r.value_mm = r.value_mm.map(|_| *v);
    }
}

/// Rms of what is left of a difference when the tool's rest is taken out.
fn change(tool: Tool, a: &[f64], b: &[f64]) -> f64 {
    let d: Vec<f64> = a.iter().zip(b).map(|(a, b)| a - b).collect();
    let n = d.len() as f64;
    let (mean, slope) = match tool {
        Tool::Batten => (0.0, 0.0),
        Tool::WaveGauge => (d.iter().sum::<f64>() / n, 0.0),
        _ => {
            let mean = d.iter().sum::<f64>() / n;
            let s = |i: usize| i as f64 - (n - 1.0) / 2.0;
            let sxx: f64 = (0..d.len()).map(|i| s(i) * s(i)).sum();
            (
                mean,
                d.iter().enumerate().map(|(i, v)| s(i) * v).sum::<f64>() / sxx,
            )
        }
    };
    let left = d.iter().enumerate().map(|(i, v)| {
        let l = v - mean - slope * (i as f64 - (n - 1.0) / 2.0);
        l * l
    });
    (left.sum::<f64>() / n).sqrt()
}

/// What was done to a survey.
struct Done {
    placing: usize,
    reading: Option<usize>,
    other: Option<usize>,
    change_mm: f64,
}

/// Put a slip in; `None` where it cannot be.
fn slip(case: &Case, survey: &mut Survey, slip: Slip, rng: &mut ChaCha8Rng) -> Option<Done> {
    let count = survey.placings.len();
    let p = rng.random_range(0..count);
    let right = values(&survey.placings[p]);
    let n = right.len();
    let tool = survey.placings[p].tool;
    let mut done = Done {
        placing: p,
        reading: None,
        other: None,
        change_mm: 0.0,
    };
    let mut wrong = right.clone();
    match slip {
        Slip::TenTimes => {
            let some: Vec<usize> = (0..n).filter(|&k| right[k].abs() >= 0.05).collect();
            let k = *some.get(rng.random_range(0..some.len().max(1)))?;
            wrong[k] *= 10.0;
            done.reading = Some(k);
        }
        Slip::Offset => {
            let k = rng.random_range(0..n);
            if tool == Tool::Batten && right[k] == 0.0 {
                return None;
            }
            let down = rng.random_range(0..2) == 0 && (right[k] >= 0.5 || !tool.reads_gaps());
            wrong[k] += if down { -0.5 } else { 0.5 };
            done.reading = Some(k);
        }
        Slip::Neighbours => {
            let k = rng.random_range(0..n - 1);
            wrong.swap(k, k + 1);
            done.reading = Some(k);
        }
        Slip::Times(factor, step) => {
            wrong
                .iter_mut()
                .for_each(|v| *v = (*v * factor / step).round() * step);
        }
        Slip::Reversed => wrong.reverse(),
        Slip::OtherAxis | Slip::Mirrored => {
            let own = &survey.placings[p];
            let (a, b) = (own.readings.first()?, own.readings.last()?);
            let to = |x: f64, y: f64| match slip {
                Slip::Mirrored => [y, x],
                _ => [a.x + y - a.y, a.y + x - a.x],
            };
            wrong = values(&case.placed(to(a.x, a.y), to(b.x, b.y), rng)?);
            if wrong.len() != n {
                return None;
            }
        }
        Slip::Swapped => {
            let q = rng.random_range(0..count);
            let theirs = values(&survey.placings[q]);
            if q == p || theirs.len() != n {
                return None;
            }
            done.other = Some(q);
            done.change_mm = change(tool, &theirs, &right).min(f64::INFINITY);
            write(&mut survey.placings[q], &right);
            wrong = theirs;
        }
        Slip::Knocked => {
            let k = rng.random_range(3..n - 3);
            let [a, b] = [0.2, 0.3].map(|s| s * (2.0 * rng.random_range(0.0..1.0) - 1.0));
            let a = a + 0.3f64.copysign(a);
            for (i, v) in wrong.iter_mut().enumerate().skip(k) {
                *v += a + b * (i - k) as f64 / n as f64;
            }
            let least = wrong.iter().fold(f64::INFINITY, |m, v| m.min(*v));
            if tool.reads_gaps() && least < 0.0 {
                wrong.iter_mut().for_each(|v| *v -= least);
            }
            wrong
                .iter_mut()
                .for_each(|v| *v = (*v / 0.05).round() * 0.05);
        }
        Slip::Drift => {
            let size = rng.random_range(0.4..1.0);
            for (i, v) in wrong.iter_mut().enumerate() {
                if tool != Tool::Batten || *v != 0.0 {
                    *v += size * i as f64 / n as f64;
                }
            }
        }
    }
    write(&mut survey.placings[p], &wrong);
    if slip != Slip::Swapped {
        done.change_mm = change(tool, &wrong, &right);
    }
    Some(done)
}

/// Whether the mend named is what happened.
fn right(slip: Slip, mend: Mend, done: &Done) -> bool {
    match (slip, mend) {
        (Slip::Times(f, _), Mend::Times(m)) => (f * m - 1.0).abs() < 0.02,
        (Slip::Reversed, Mend::Reversed) => true,
        (Slip::OtherAxis | Slip::Mirrored, Mend::Between(_)) => true,
        (Slip::Swapped, Mend::SwappedWith(q)) => Some(q) == done.other,
        (Slip::Knocked, Mend::MovedAfter(_)) => true,
        (Slip::Drift, Mend::Drift(_)) => true,
        _ => false,
    }
}

/// Figures of one slip.
#[derive(Clone, Copy, Debug, Default)]
struct Figures {
    cases: usize,
    counted: usize,
    found: usize,
    right: usize,
    partly: usize,
    /// Other readings accused.
    others: usize,
    /// Of those that change by twice as much.
    large: usize,
    large_found: usize,
}

impl Figures {
    fn add(self, o: Figures) -> Figures {
        Figures {
            cases: self.cases + o.cases,
            counted: self.counted + o.counted,
            found: self.found + o.found,
            right: self.right + o.right,
            partly: self.partly + o.partly,
            others: self.others + o.others,
            large: self.large + o.large,
            large_found: self.large_found + o.large_found,
        }
    }
}

fn fitted(case: &Case, survey: &Survey) -> Surface {
    fit::fit(&case.panel, survey).unwrap()
}

fn tried(case: &Case, what: Slip, tries: u64) -> Figures {
    let mut all = Figures::default();
    for k in 0..tries {
        let letters = case
            .name
            .bytes()
            .fold(7u64, |h, b| h * 31 % 1_000_003 + u64::from(b));
        let mut rng = simulate::survey_rng(case.seed * 1000 + k + letters * 100_000);
        let mut survey = case.survey();
        let telling = TELLING_MM.max(TELLING_NOISE * case.plan.noise_mm);
        let Some(done) = (0..30).find_map(|_| {
            survey = case.survey();
            slip(case, &mut survey, what, &mut rng)
                .filter(|d| matches!(what, Slip::TenTimes | Slip::Offset) || d.change_mm > telling)
        }) else {
            continue;
        };
        all.cases += 1;
        all.counted += 1;
        let surface = fitted(case, &survey);
        let named = |p: usize| surface.misread.iter().find(|m| m.placing == p);
        let out = |p: usize, r: usize| {
            surface
                .left_out
                .iter()
                .any(|l| l.placing == p && l.reading == r)
        };
        match done.reading {
            Some(r) => {
                let either = what == Slip::Neighbours && out(done.placing, r + 1);
                let found = (out(done.placing, r) || either) && named(done.placing).is_none();
                all.found += usize::from(found);
                let hint = |k: usize| {
                    let out = surface.left_out.iter();
                    out.filter(|l| l.placing == done.placing && l.reading == k)
                        .map(|l| l.hint)
                        .next()
                };
                all.right += usize::from(match what {
                    Slip::TenTimes => hint(r) == Some(Hint::Times(0.1)),
                    Slip::Neighbours => hint(r) == Some(Hint::SwappedWith(r + 1)),
                    _ => hint(r) == Some(Hint::Unknown),
                });
            }
            None => {
                let m = named(done.placing).or(done.other.and_then(named));
                all.found += usize::from(m.is_some());
                let large = done.change_mm > 2.0 * TELLING_MM;
                all.large += usize::from(large);
                all.large_found += usize::from(large && m.is_some());
                all.right += usize::from(m.is_some_and(|m| {
                    right(what, m.mend, &done)
                        || (what == Slip::Swapped && m.mend == Mend::SwappedWith(done.placing))
                }));
                all.partly += usize::from(
                    m.is_none() && surface.left_out.iter().any(|l| l.placing == done.placing),
                );
            }
        }
        let involved = |p: usize| p == done.placing || Some(p) == done.other;
        all.others += surface
            .left_out
            .iter()
            .filter(|l| !involved(l.placing))
            .count();
    }
    all
}

/// Faults of a whole placing that any tool with a rest of its own can have.
const WHOLE: [Slip; 11] = [
    Slip::Times(1.0 / 25.4, 0.001),
    Slip::Times(25.4, 0.05),
    Slip::Times(1000.0 / 25.4, 1.0),
    Slip::Times(100.0, 1.0),
    Slip::Times(10.0, 0.1),
    Slip::Times(0.1, 0.01),
    Slip::Reversed,
    Slip::OtherAxis,
    Slip::Mirrored,
    Slip::Swapped,
    Slip::Knocked,
];

/// Straightedge surveys of the recipe, each 100, 150 and 200 mm, and of an hour.
fn straightedges(seeds: std::ops::Range<u64>) -> Vec<Case> {
    let mut all = Vec::new();
    for seed in seeds {
        for kind in Kind::ALL {
            for spacing in [100.0, 150.0, 200.0] {
                all.push(case(kind, SurveyPlan::straightedge(spacing), seed));
            }
        }
        all.push(hour(seed));
    }
    all
}

/// One plan on all three kinds.
fn of(plan: &SurveyPlan, seeds: std::ops::Range<u64>) -> Vec<Case> {
    seeds
        .flat_map(|seed| Kind::ALL.map(|kind| case(kind, plan.clone(), seed)))
        .collect()
}

fn figures(all: &[Case], what: Slip) -> Figures {
    all.par_iter()
        .map(|c| tried(c, what, 1))
        .reduce(Figures::default, Figures::add)
}

fn share(part: usize, whole: usize) -> f64 {
    part as f64 / whole.max(1) as f64
}

/// Fresh seeds of a few surveys; the figures of many stand in docs/method.md.
#[test]
fn slips_of_single_readings_are_found_and_named() {
    let mut all = straightedges(9501..9502);
    all.extend(of(&SurveyPlan::pin_gauge(150.0), 9501..9502));
    let ten = figures(&all, Slip::TenTimes);
    println!("ten times: {ten:?}");
    assert!(share(ten.found, ten.counted) >= 0.95);
    let offset = figures(&all, Slip::Offset);
    println!("off by 0.5 mm: {offset:?}");
    assert!(
        share(offset.found, offset.counted) >= 0.84,
        "11 of 13; 0.9 of many"
    );
    let swapped = figures(&straightedges(9501..9502), Slip::Neighbours);
    println!("neighbours swapped: {swapped:?}");
    assert!(share(swapped.found, swapped.counted) >= 0.8);
    assert!(
        ten.others + offset.others + swapped.others <= 40,
        "about 30,000 sound readings"
    );
}

#[test]
fn faults_of_whole_placings_are_found_and_named() {
    let all = straightedges(9511..9512);
    let mut total = Figures::default();
    for what in [
        Slip::Times(1.0 / 25.4, 0.001),
        Slip::Times(100.0, 1.0),
        Slip::Times(10.0, 0.1),
        Slip::Reversed,
        Slip::OtherAxis,
        Slip::Swapped,
        Slip::Knocked,
    ] {
        let own = figures(&all, what);
        println!("{what:?}: {own:?}");
        assert!(share(own.found, own.counted) >= 0.6, "{what:?}: {own:?}");
        total = total.add(own);
    }
    assert!(share(total.found, total.counted) >= 0.88, "{total:?}");
    assert!(share(total.right, total.found) >= 0.88, "{total:?}");
}

#[test]
fn a_batten_that_leaned_and_a_gauge_whose_zero_crept_are_named() {
    let mut all = of(&SurveyPlan::batten(150.0), 9521..9522);
    all.extend(of(&SurveyPlan::wave_gauge(200.0, 150.0), 9521..9522));
    let own = figures(&all, Slip::Drift);
    println!("{own:?}");
    assert!(own.found >= 5 && own.right >= 4, "{own:?}");
}

/// How a straightedge or a pin gauge came to rest is free: it changes nothing and accuses nobody.
#[test]
fn offset_and_tilt_of_a_straightedge_can_be_no_fault() {
    for plan in [
        SurveyPlan::straightedge(200.0),
        SurveyPlan::pin_gauge(200.0),
    ] {
        let case = case(Kind::Flat, plan, 9531);
        let survey = case.survey();
        let mut other = survey.clone();
        for (k, p) in other.placings.iter_mut().enumerate().step_by(3) {
            for (i, r) in p.readings.iter_mut().enumerate() {
                r.value_mm = r.value_mm.map(|v| v + 3.0 + 0.37 * i as f64 + k as f64);
            }
        }
        let (a, b) = (fitted(&case, &survey), fitted(&case, &other));
        assert_eq!(a.misread, vec![]);
        assert_eq!(b.misread, vec![]);
        assert_eq!(a.left_out.len(), b.left_out.len());
        let [length, width] = Kind::Flat.size_mm();
        let step = |x: f64, y: f64| {
            let at = |s: &Surface, x, y| s.basis.value(&s.coefficients, x, y, 0, 0);
            // A plane apart: second differences.
            let d = |s: &Surface| at(s, x - 100.0, y) - 2.0 * at(s, x, y) + at(s, x + 100.0, y);
            (d(&a) - d(&b)).abs()
        };
        let worst = (2..8)
            .flat_map(|i| (1..8).map(move |j| (f64::from(i), f64::from(j))))
            .map(|(i, j)| step(length * i / 10.0, width * j / 8.0))
            .fold(0.0, f64::max);
        assert!(worst < 1e-6, "{worst}");
    }
}

/// A sharp low that one line alone crosses is no misread placing, and no misread reading either.
#[test]
fn a_sharp_defect_under_one_line_is_no_misread() {
    let mut accused = 0;
    for (seed, height_mm, sigma) in [(1, -0.6, 45.0), (2, 0.4, 40.0), (3, -1.2, 60.0)] {
        let mut case = case(Kind::Flat, SurveyPlan::straightedge(200.0), 9541 + seed);
        case.truth.bumps.clear();
        case.truth.bumps.push(simulate::Bump {
            centre: [500.0 + 100.0 * seed as f64, 500.0],
            height_mm,
            sigma_mm: [sigma, sigma],
            angle: 0.0,
        });
        let surface = fitted(&case, &case.survey());
        println!("{height_mm} mm, sd {sigma}: {:?}", surface.left_out);
        assert_eq!(surface.misread, vec![], "{height_mm} mm, sd {sigma}");
        accused += surface.left_out.len();
    }
    assert!(
        accused <= 1,
        "{accused} readings over a true defect accused"
    );
}

/// The figures of docs/method.md; some 15 minutes on two cores.
#[test]
#[ignore = "prints the figures of the docs"]
fn figures_for_the_docs() {
    let seeds = 9001..9005;
    let tools = [
        ("straightedge", straightedges(seeds.clone())),
        (
            "pin gauge",
            of(&SurveyPlan::pin_gauge(150.0), seeds.clone()),
        ),
        ("batten", of(&SurveyPlan::batten(150.0), seeds.clone())),
        (
            "wave gauge",
            of(&SurveyPlan::wave_gauge(200.0, 150.0), seeds),
        ),
    ];
    for (tool, all) in &tools {
        for what in [Slip::TenTimes, Slip::Offset, Slip::Neighbours]
            .into_iter()
            .chain(WHOLE)
            .chain([Slip::Drift])
        {
            let fixed = matches!(*tool, "batten" | "wave gauge");
            let asked = match what {
                Slip::Drift => fixed,
                Slip::Swapped | Slip::OtherAxis | Slip::Mirrored | Slip::Knocked => !fixed,
                _ => true,
            };
            if asked {
                println!("{tool}, {what:?}: {:?}", figures(all, what));
            }
        }
    }
    let mut sound = straightedges(9101..9107);
    for plan in [
        SurveyPlan::pin_gauge(150.0),
        SurveyPlan::straightedge(150.0).with_noise(0.08, 0.1),
        SurveyPlan::batten(150.0),
        SurveyPlan::wave_gauge(200.0, 150.0),
        SurveyPlan::bridge(150.0),
    ] {
        sound.extend(of(&plan, 9101..9107));
    }
    let counts: Vec<[usize; 3]> = sound
        .par_iter()
        .map(|c| {
            let survey = c.survey();
            let s = fitted(c, &survey);
            [survey.taken(), s.left_out.len(), s.misread.len()]
        })
        .collect();
    let sum = |k: usize| counts.iter().map(|c| c[k]).sum::<usize>();
    println!(
        "sound: {} readings, {} left out, {} placings",
        sum(0),
        sum(1),
        sum(2)
    );
}
