//! What a trend says moved between two surveys, from the nodes in the book, against the truth and against the full difference.
//!
//! Every panel here is simulated (tests/support/simulate.rs): those of tests/trends.rs, surveyed twice, with other placings and other noise, on
//! supports that bend and twist it a little the second time. Full runs are ignored tests; `.ci/run` runs those on fresh seeds in release.

use crate::jobs;
use crate::support::simulate::{self, Kind as Form, Recipe, SurveyPlan, Truth};
use crate::trends;
use jiff::civil::date;
use lowspot::compare::{self, Difference, Found};
use lowspot::fit;
use lowspot::keep::{Kind, SurveyResult};
use lowspot::panel::Panel;
use lowspot::track::cycle::{self, Change};
use lowspot::track::laid::{Laid, lay};
use lowspot::track::moved::{Moved, told};
use rayon::prelude::*;
use std::ops::RangeInclusive;

/// What was done between the surveys.
#[derive(Clone, Debug, Default)]
struct Done {
    /// Patches: middle, width, height, mm.
    patches: Vec<([f64; 2], f64, f64)>,
    /// The second grid was taped this far aside, mm.
    shift: [f64; 2],
}

impl Done {
    fn nothing(_: u64, _: [f64; 2]) -> Self {
        Done::default()
    }

    /// 5 mm aside, some way.
    fn aside(seed: u64, _: [f64; 2]) -> Self {
        let way = seed as f64 * 2.399_963;
        Done {
            shift: [5.0 * way.cos(), 5.0 * way.sin()],
            ..Done::default()
        }
    }

    /// One to three patches filled or sanded, 0.3 to 0.6 mm, 120 to 240 mm across.
    fn patched(seed: u64, [length, width]: [f64; 2]) -> Self {
        let share = |k: u64, by: f64| 0.2 + 0.6 * ((seed + 17 * k) as f64 * by).fract();
        let one = |k: u64| {
            let at = [
                length * share(k, 0.754_877_666),
                width * share(k, 0.569_840_291),
            ];
            let across = 120.0 + 40.0 * ((seed + k) % 4) as f64;
            let height = [0.3, -0.4, 0.5, 0.6][((seed / 2 + k) % 4) as usize];
            (at, across, height)
        };
        Done {
            patches: (0..1 + seed % 3).map(one).collect(),
            shift: [0.0; 2],
        }
    }

    /// Flat on top, the rim feathered over 60 mm.
    fn added(&self, x: f64, y: f64) -> f64 {
        self.patches
            .iter()
            .map(|(at, across, height)| {
                let out = (x - at[0]).hypot(y - at[1]) - across / 2.0;
                let t = (0.5 - out / 60.0).clamp(0.0, 1.0);
                height * t * t * (3.0 - 2.0 * t)
            })
            .sum()
    }

    fn cc(&self, panel: &Panel, up: bool) -> f64 {
        let mut sum = 0.0;
        let steps = [panel.length_mm, panel.width_mm].map(|l| (l / 5.0) as usize);
        for iy in 0..steps[1] {
            for ix in 0..steps[0] {
                let v = self.added(5.0 * ix as f64 + 2.5, 5.0 * iy as f64 + 2.5);
                if (v > 0.0) == up {
                    sum += 25.0 * v.abs() / 1000.0;
                }
            }
        }
        sum
    }
}

/// One panel surveyed twice.
struct Twice {
    seed: u64,
    panel: Panel,
    done: Done,
    laid: Laid,
    moved: Moved,
    results: [SurveyResult; 2],
    full: Option<Difference>,
}

/// Surveyed, worked on, surveyed again; `full`: the difference of the two surfaces too; `close`: a panel of more lows and highs, deeper ones,
/// under lines each 60 mm.
fn twice(seed: u64, of: fn(u64, [f64; 2]) -> Done, full: bool, close: bool) -> Twice {
    let form = Form::ALL[(seed % 3) as usize];
    let (panel, mut truth) = trends::panel(form, seed);
    if close {
        truth = Recipe {
            length_mm: panel.length_mm,
            width_mm: panel.width_mm,
            lows: 8,
            highs: 6,
            amplitude: 1.5,
            ..Recipe::of(form)
        }
        .make(seed);
    }
    let done = of(seed, [panel.length_mm, panel.width_mm]);
    let heights: [Box<dyn Fn(f64, f64) -> f64>; 2] = [
        Box::new(|x, y| truth.height(x, y)),
        Box::new(|x, y| second(&truth, &panel, &done, x, y)),
    ];
    let spacings = [
        [100.0, 130.0, 160.0][(seed / 2 % 3) as usize],
        [110.0, 130.0][(seed % 2) as usize],
    ];
    let spacings = if close { [60.0; 2] } else { spacings };
    let surveys = [0, 1].map(|k| {
        let plan = SurveyPlan {
            place_sd_mm: 2.0,
            ..SurveyPlan::straightedge(spacings[k])
        };
        simulate::survey_of(
            &*heights[k],
            &panel,
            &plan,
            seed + 1_000_000 * (k as u64 + 1),
        )
    });
    let surfaces = [0, 1].map(|k| fit::fit(&panel, &surveys[k]).unwrap());
    let results = [0, 1]
        .map(|k| SurveyResult::of(&jobs::judged_with(&panel, &surveys[k], &surfaces[k]), true));
    let found = |k: usize| Found {
        survey: &surveys[k],
        surface: &surfaces[k],
    };
    let full = full.then(|| compare::difference(&panel, found(0), found(1)).unwrap());
    drop(heights);
    let laid = lay(&results[0], &results[1]).unwrap();
    Twice {
        seed,
        moved: told(&laid),
        laid,
        panel,
        done,
        results,
        full,
    }
}

/// What lies there the second time, other supports bending and twisting it a little.
fn second(truth: &Truth, panel: &Panel, done: &Done, x: f64, y: f64) -> f64 {
    let (u, v) = (x / panel.length_mm - 0.5, y / panel.width_mm - 0.5);
    let bent = 1.5 * u * u - 2.0 * u * v + 0.7 * v * v;
    let [px, py] = [x + done.shift[0], y + done.shift[1]];
    truth.height(px, py) + bent + done.added(px, py)
}

fn all(
    seeds: RangeInclusive<u64>,
    of: fn(u64, [f64; 2]) -> Done,
    full: bool,
    close: bool,
) -> Vec<Twice> {
    let one = |s| twice(s, of, full, close);
    seeds.into_par_iter().map(one).collect()
}

/// Mean square of what tiles of a side moved by on average, over their mean square standard deviation.
fn over_tiles(laid: &Laid, side_mm: f64) -> f64 {
    let mut tiles: std::collections::BTreeMap<[i64; 2], [f64; 3]> = Default::default();
    for (k, node) in laid.nodes.iter().enumerate() {
        let place = [node % laid.nx, node / laid.nx];
        let tile = place.map(|i| (i as f64 * laid.step_mm / side_mm) as i64);
        let t = tiles.entry(tile).or_default();
        t[0] += laid.moved_mm[k];
        t[1] += laid.sd_mm[k].powi(2);
        t[2] += 1.0;
    }
    let full = (side_mm / laid.step_mm).powi(2) * 0.9;
    let all: Vec<f64> = tiles
        .values()
        .filter(|t| t[2] >= full)
        .map(|t| (t[0] / t[2]).powi(2) / (t[1] / t[2]))
        .collect();
    all.iter().sum::<f64>() / all.len().max(1) as f64
}

fn print(t: &Twice) {
    let most = t
        .laid
        .moved_mm
        .iter()
        .zip(&t.laid.sd_mm)
        .map(|(m, s)| (m / s).abs())
        .fold(0.0, f64::max);
    let area: f64 = t.laid.areas_mm2.iter().sum();
    let m = &t.moved;
    println!(
        "{} {:?} most {most:.2} critical {:.2} rms {:.4} chance {:.4} tiles {:.3?} up {:.2} [{:.2} {:.2}] true {:.2} down {:.2} [{:.2} {:.2}] true {:.2} untouched {:.3} share {:.3} shift {:?} true {:.2?} patches {}",
        t.seed,
        Form::ALL[(t.seed % 3) as usize],
        lowspot::track::moved::critical(area),
        m.rms_mm,
        m.rms_by_chance_mm,
        [100.0, 150.0, 200.0, 300.0].map(|s| over_tiles(&t.laid, s)),
        m.came_up_cc.value,
        m.came_up_cc.low,
        m.came_up_cc.high,
        t.done.cc(&t.panel, true),
        m.went_down_cc.value,
        m.went_down_cc.low,
        m.went_down_cc.high,
        t.done.cc(&t.panel, false),
        m.untouched_share,
        m.common_share,
        m.shift,
        t.done.shift,
        m.patches,
    );
    if let Some(f) = &t.full {
        let cc = |up: bool| -> f64 {
            let mine = f.patches.iter().filter(|p| p.up == up);
            mine.map(|p| p.volume_cc.value).sum()
        };
        println!(
            "  full {} rms {:.4} chance {:.4} up {:.2} down {:.2} critical {:.2} shift {:?} patches {}",
            t.seed,
            f.rms_mm,
            f.rms_by_chance_mm,
            cc(true),
            cc(false),
            f.critical,
            f.shift,
            f.patches.len()
        );
    }
}

/// Two surveys of an untouched panel, the first of its left part alone.
fn partly(seed: u64) -> [SurveyResult; 2] {
    let (panel, truth) = trends::panel(Form::ALL[(seed % 3) as usize], seed);
    [0, 1].map(|k| {
        let plan = SurveyPlan {
            place_sd_mm: 2.0,
            ..SurveyPlan::straightedge([110.0, 130.0][((seed + k) % 2) as usize])
        };
        let mut survey = simulate::survey(&truth, &panel, &plan, seed + 1_000_000 * (k + 1));
        if k == 0 {
            let far = 0.55 * panel.length_mm;
            survey
                .placings
                .retain(|p| p.readings.iter().all(|r| r.x <= far));
            simulate::number(&mut survey);
        }
        SurveyResult::of(&jobs::judged(&panel, &survey), true)
    })
}

/// What the trend tells of two surveys.
fn changed(results: &[SurveyResult; 2]) -> Change {
    let days = [date(2026, 3, 2), date(2026, 3, 3)];
    let surveys: Vec<_> = [0, 1]
        .map(|k| {
            let entry = trends::entry(k as i64 + 1, Kind::Survey, days[k]);
            (entry, results[k].clone())
        })
        .into();
    let entries: Vec<_> = surveys.iter().map(|s| s.0.clone()).collect();
    cycle::cycles(&entries, &surveys)[1].change.clone().unwrap()
}

#[test]
#[ignore = "for trying out"]
fn to_try_out() {
    let seeds = || match std::env::var("LOWSPOT_SEEDS") {
        Ok(s) => {
            let (a, b) = s.split_once('-').unwrap();
            a.parse().unwrap()..=b.parse().unwrap()
        }
        Err(_) => 17_001..=17_040,
    };
    for (of, close) in [
        (Done::nothing as fn(u64, [f64; 2]) -> Done, false),
        (Done::patched, false),
        (Done::aside, false),
        (Done::nothing, true),
        (Done::aside, true),
    ] {
        println!("----");
        all(seeds(), of, true, close).iter().for_each(print);
    }
    println!("----");
    let part: Vec<_> = seeds().into_par_iter().map(|s| (s, partly(s))).collect();
    for (seed, results) in part {
        let c = changed(&results);
        let whole = |r: &SurveyResult| r.summary.sq_mm.unwrap();
        let worst = |r: &SurveyResult| {
            let limit = r.summary.limits.iter().find(|l| l.base_mm == c.base_mm);
            limit.unwrap().worst.unwrap()
        };
        println!(
            "part {seed} share {:.2} Sq {:.4} {:.4} common {:.4} {:.4} ± {:.4} {:?} worst {:.3} {:.3} common {:.3} {:.3} ± {:.3} {:?} {}",
            c.common_share,
            whole(&results[0]),
            whole(&results[1]),
            c.sq.unwrap().from_mm,
            c.sq.unwrap().to_mm,
            c.sq.unwrap().give_or_take_mm,
            c.sq.unwrap().told,
            worst(&results[0]),
            worst(&results[1]),
            c.from_mm,
            c.to_mm,
            c.give_or_take_mm,
            c.told,
            c.caution
        );
    }
}
