//! Simulated jobs from the first survey to the last sanding: whether a plan that is followed as
//! printed keeps what it promised.
//!
//! Panels, surveys and work are simulated (tests/support/simulate.rs, tests/support/shop_floor.rs);
//! truth is known throughout. The full run of 50 jobs is the test marked `ignored`; `.ci/long` runs
//! it in release.

use crate::support::levels::judged_by_skin;
use crate::support::shop_floor::{ShopFloor, Skill, Used};
use crate::support::simulate::{self, Bump, Kind, Stretch, SurveyPlan};
use lowspot::fit;
use lowspot::judge::{Judgement, Verdict};
use lowspot::observe::Survey;
use lowspot::panel::{Limit, Panel, Quantity};
use lowspot::plan::amounts::Amounts;
use lowspot::plan::shop::Shop;
use lowspot::plan::spread::{Floor, Lay};
use lowspot::plan::ways::{Kind as WayKind, Way};
use lowspot::plan::{self, Choice, Plan};
use lowspot::units::Units;
use rayon::prelude::*;

/// A job that is not done after this many cycles is given up.
const MOST_CYCLES: u32 = 9;
/// Times the plan's own "measure" lines are followed before a cycle.
const MOST_MEASURED: usize = 2;

/// The simulated panel of a job: 0.3 mm may be sanded off; 0.3 mm under 300 mm and 0.6 mm under 600
/// mm.
fn panel(kind: Kind) -> Panel {
    let limit = |base_mm: f64, max: f64| Limit {
        quantity: Quantity::Gap,
        base_mm,
        max,
        origin: "set in panel.toml".into(),
    };
    Panel {
        limits: vec![limit(300.0, 0.3), limit(600.0, 0.6)],
        ..simulate::panel(kind)
    }
}

/// How one job went.
#[derive(Clone, Debug)]
struct Outcome {
    seed: u64,
    kind: Kind,
    spacing_mm: f64,
    way: WayKind,
    /// Cycles promised by the first plan, and at best.
    promised: u32,
    least: u32,
    /// Filler told by the first plan for all cycles, and for the first, cc.
    told_cc: f64,
    first_told_cc: f64,
    /// Cycles it took; `None` where it was given up.
    took: Option<u32>,
    /// What each cycle used.
    used: Vec<Used>,
    /// Worst gap over its limit, before all and after each cycle.
    worst: Vec<f64>,
    /// Ways gone after the first.
    ways: Vec<WayKind>,
    /// Cycles before which the survey called fair what was not.
    called_fair: usize,
    /// What a survey says after the last cycle, and once what it asked for was measured too.
    last: [Option<Verdict>; 2],
}

impl Outcome {
    fn kept(&self) -> bool {
        self.took.is_some_and(|n| n <= self.promised)
    }

    fn needed_cc(&self) -> f64 {
        self.used.iter().map(|u| u.needed_cc).sum()
    }

    fn mixed_cc(&self) -> f64 {
        self.used.iter().map(|u| u.mixed_cc).sum()
    }

    fn ratio(&self) -> f64 {
        self.needed_cc() / self.told_cc
    }
}

/// Surveys a panel as it now is: as planned, and at the places that earlier maps asked for.
struct Surveyor {
    plan: SurveyPlan,
    further: Vec<(String, Stretch)>,
    seed: u64,
    taken: u64,
}

impl Surveyor {
    fn survey(&mut self, floor: &ShopFloor) -> Survey {
        self.taken += 1;
        let seed = self.seed + 1_000_000 * self.taken;
        let height = |x: f64, y: f64| floor.height(x, y);
        let mut survey = simulate::survey_of(&height, &floor.panel, &self.plan, seed);
        let mut rng = simulate::survey_rng(seed + 500_000);
        for (name, stretch) in &self.further {
            let placed =
                simulate::place(&height, &floor.panel, &self.plan, name, *stretch, &mut rng);
            survey.placings.extend(placed);
        }
        simulate::number(&mut survey);
        survey
    }

    /// Take in what "measure" lines ask for: an edge along x and one along y over each place they
    /// name.
    fn heed(&mut self, panel: &Panel, asked: &[String]) -> bool {
        let before = self.further.len();
        for at in asked.iter().take(3).filter_map(|s| place_in(s)) {
            for stretch in crossing(panel, at, self.plan.edge_mm) {
                self.further
                    .push((format!("M{}", self.further.len() + 1), stretch));
            }
        }
        self.further.len() > before
    }
}

/// The place that a sentence names: "x 610, y 200".
fn place_in(sentence: &str) -> Option<[f64; 2]> {
    let number = |after: &str| -> Option<f64> {
        let text = &sentence[sentence.find(after)? + after.len()..];
        let end = text
            .find(|c: char| !c.is_ascii_digit() && c != '.')
            .unwrap_or(text.len());
        text[..end].trim_end_matches('.').parse().ok()
    };
    Some([number("x ")?, number(", y ")?])
}

/// An edge along x and one along y with their middles as near a place as the panel allows.
fn crossing(panel: &Panel, [x, y]: [f64; 2], edge_mm: f64) -> [Stretch; 2] {
    let from = |at: f64, length: f64| (at - edge_mm / 2.0).clamp(0.0, length - edge_mm);
    let (x0, y0) = (from(x, panel.length_mm), from(y, panel.width_mm));
    [
        Stretch::between([x0, y], [x0 + edge_mm, y]),
        Stretch::between([x, y0], [x, y0 + edge_mm]),
    ]
}

pub fn judged(panel: &Panel, survey: &Survey) -> Judgement {
    judged_by_skin(panel, survey, &fit::fit(panel, survey).unwrap())
}

pub fn planned(
    panel: &Panel,
    survey: &Survey,
    j: &Judgement,
    shop: &Shop,
    way: Option<WayKind>,
) -> Plan {
    let choice = Choice {
        shop,
        filler: shop.recipe(&shop.filler).unwrap(),
        primer: shop.recipe(&shop.primer).unwrap(),
        at_c: Some(20.0),
        skin_c: None,
        humidity: Some(50.0),
        way,
        units: Units::Metric,
    };
    plan::plan(panel, survey, j, &choice).unwrap()
}

/// One job to its end.
fn job(kind: Kind, spacing_mm: f64, skill: Skill, seed: u64) -> Outcome {
    let shop = Shop::default();
    let mut floor = ShopFloor::new(panel(kind), simulate::truth(kind, seed, 1.0), skill, seed);
    let mut surveyor = Surveyor {
        plan: SurveyPlan::straightedge(spacing_mm),
        further: Vec::new(),
        seed,
        taken: 0,
    };
    let worst = |floor: &ShopFloor| floor.worst_over_limits().into_iter().fold(0.0, f64::max);
    let mut out: Option<Outcome> = None;
    let begin = worst(&floor);
    for cycle in 1..=MOST_CYCLES {
        let (mut survey, mut j) = (Survey::default(), None);
        for _ in 0..=MOST_MEASURED {
            survey = surveyor.survey(&floor);
            let found = judged(&floor.panel, &survey);
            let again = found.verdict == Verdict::MeasureMore
                && surveyor.heed(&floor.panel, &found.measure_next);
            j = Some(found);
            if !again {
                break;
            }
        }
        let j = j.unwrap();
        let plan = planned(&floor.panel, &survey, &j, &shop, None);
        let way = plan.way().map_or(WayKind::SpotFill, |w| w.kind);
        let first = out.get_or_insert_with(|| {
            let way = plan.way().unwrap();
            Outcome {
                seed,
                kind,
                spacing_mm,
                way: way.kind,
                promised: way.cycles,
                least: way.least_cycles,
                told_cc: way.to_mix_cc.value,
                first_told_cc: way.first_mix_cc,
                took: None,
                used: Vec::new(),
                worst: vec![begin],
                ways: Vec::new(),
                called_fair: 0,
                last: [None; 2],
            }
        });
        first.called_fair += usize::from(j.verdict == Verdict::Fair);
        first.used.push(floor.follow(&plan, &j, &shop));
        if cycle > 1 {
            first.ways.push(way);
        }
        let now = worst(&floor);
        first.worst.push(now);
        if now <= 1.0 {
            first.took = Some(cycle);
            for round in 0..=MOST_MEASURED {
                let survey = surveyor.survey(&floor);
                let found = judged(&floor.panel, &survey);
                if round == 0 {
                    first.last[0] = Some(found.verdict);
                }
                first.last[1] = Some(found.verdict);
                let open = found.verdict == Verdict::MeasureMore;
                if !(open && surveyor.heed(&floor.panel, &found.measure_next)) {
                    break;
                }
            }
            break;
        }
    }
    out.unwrap()
}

fn jobs(seeds: std::ops::RangeInclusive<u64>, skill: Skill) -> Vec<Outcome> {
    seeds
        .into_par_iter()
        .map(|seed| {
            let kind = Kind::ALL[(seed % 3) as usize];
            let spacing = [100.0, 150.0, 200.0][(seed / 3 % 3) as usize];
            job(kind, spacing, skill, seed)
        })
        .collect()
}

fn told(outcomes: &[Outcome]) -> (f64, f64) {
    for o in outcomes {
        let cc = |f: &dyn Fn(&Used) -> f64| {
            let all: Vec<String> = o.used.iter().map(|u| format!("{:.0}", f(u))).collect();
            all.join("+")
        };
        println!(
            "{} {:?} each {:.0}: {} promised {} ({}), took {:?}{}; told {:.0} cc (first {:.0}), needed {:.0} ({}), mixed {:.0}, ratio {:.2}; \
             primer {}; skin {}; worst {:.2?}; then {:?}; called fair {}",
            o.seed,
            o.kind,
            o.spacing_mm,
            o.way.word(),
            o.promised,
            o.least,
            o.took,
            if o.kept() { "" } else { " BROKEN" },
            o.told_cc,
            o.first_told_cc,
            o.needed_cc(),
            cc(&|u| u.needed_cc),
            o.mixed_cc(),
            o.ratio(),
            cc(&|u| u.primer_cc),
            cc(&|u| u.skin_cc),
            o.worst,
            o.ways.iter().map(|w| w.word()).collect::<Vec<_>>(),
            o.called_fair
        );
    }
    let share = |f: &dyn Fn(&Outcome) -> bool| {
        outcomes.iter().filter(|o| f(o)).count() as f64 / outcomes.len() as f64
    };
    let sorted = |f: &dyn Fn(&Outcome) -> f64| {
        let mut v: Vec<f64> = outcomes.iter().map(f).collect();
        v.sort_by(f64::total_cmp);
        v
    };
    let ratios = sorted(&Outcome::ratio);
    let mixed = sorted(&|o: &Outcome| o.mixed_cc() / o.told_cc);
    let first = sorted(&|o: &Outcome| o.used[0].needed_cc / o.first_told_cc);
    let count = |n: u32, f: &dyn Fn(&Outcome) -> u32| outcomes.iter().filter(|o| f(o) == n).count();
    let table: Vec<String> = (1..=MOST_CYCLES)
        .map(|n| {
            format!(
                "{n}: {}/{}",
                count(n, &|o| o.promised),
                count(n, &|o| o.took.unwrap_or(99))
            )
        })
        .collect();
    let last = [0, 1].map(|when| {
        [Verdict::Fair, Verdict::MeasureMore, Verdict::AnotherCycle]
            .map(|v| {
                let n = outcomes.iter().filter(|o| o.last[when] == Some(v)).count();
                format!("{} {n}", v.word())
            })
            .join(", ")
    });
    println!(
        "survey after the last cycle: {}; with what it asked for: {}; took fewer than the plan's best: {}; called fair while it was not: {}",
        last[0],
        last[1],
        outcomes
            .iter()
            .filter(|o| o.took.is_some_and(|n| n < o.least))
            .count(),
        outcomes.iter().map(|o| o.called_fair).sum::<usize>()
    );
    let kept = share(&Outcome::kept);
    let near = share(&|o| (0.75..=1.25).contains(&o.ratio()));
    let middle = |v: &[f64]| v[v.len() / 2];
    println!(
        "simulated jobs: {}; within the promise {:.0} %; cycles promised/taken {}; needed over told: median {:.2}, {:.2} to {:.2}, within \
         25 %: {:.0} %; mixed over told: median {:.2}, within 25 %: {:.0} %; first cycle needed over told: median {:.2}, {:.2} to {:.2}",
        outcomes.len(),
        100.0 * kept,
        table.join(", "),
        middle(&ratios),
        ratios[0],
        ratios[ratios.len() - 1],
        100.0 * near,
        middle(&mixed),
        100.0 * share(&|o| (0.75..=1.25).contains(&(o.mixed_cc() / o.told_cc))),
        middle(&first),
        first[0],
        first[first.len() - 1],
    );
    (kept, near)
}

/// The seeds on which the model of later cycles was chosen (src/plan/ways.rs), and a rough hand on
/// them.
#[test]
#[ignore = "for trying out"]
fn jobs_to_try_out() {
    told(&jobs(11001..=11030, Skill::Usual));
    told(&jobs(11001..=11030, Skill::Rough));
}

/// On fresh seeds. Measured: all 50 within the promise (46 took one cycle, and two were counted on
/// for most), filler needed over told 0.83 to 1.08. A job ends when the true surface meets its
/// limits, its worst at 0.5 to 0.94 of them; the survey after it calls 14 of the 50 fair and none
/// over a limit (3 and 10 when the field varied more at the rim than inside).
#[test]
#[ignore = "50 jobs: run by .ci/long in release"]
fn of_50_jobs_most_keep_their_promise() {
    let (kept, near) = told(&jobs(12001..=12050, Skill::Usual));
    assert!(kept >= 0.8, "{kept:.2} kept their cycles");
    assert!(near >= 0.8, "{near:.2} kept their filler");
}

/// The same jobs in rougher hands. Measured: 40 of 50 within the promise, filler needed over told
/// 0.85 to 1.74, 44 within a quarter. Rougher still, no promise holds: a board whose own waves come
/// near the limit meets no limit (tests/support/shop_floor.rs).
#[test]
#[ignore = "for the record: 50 jobs"]
fn in_rough_hands_fewer_keep_it() {
    let (kept, near) = told(&jobs(12001..=12050, Skill::Rough));
    assert!(kept > 0.5 && near > 0.5, "{kept:.2}, {near:.2}");
}

#[test]
fn a_few_jobs_keep_their_promise() {
    let outcomes = jobs(11901..=11904, Skill::Usual);
    told(&outcomes);
    for o in &outcomes {
        assert!(o.kept(), "{o:?}");
        assert!((0.75..=1.25).contains(&o.ratio()), "{o:?}");
    }
}

/// The simulated shop floor itself: skin goes by its allowance, filler is never less than none, and
/// what is laid on a lone low is its volume with what stands proud and was lost.
#[test]
fn the_shop_floor_makes_and_loses_nothing() {
    let shop = Shop::default();
    let mut truth = simulate::truth(Kind::Flat, 0, 1.0);
    truth.bumps = vec![Bump {
        centre: [750.0, 450.0],
        height_mm: -1.0,
        sigma_mm: [80.0, 80.0],
        angle: 0.0,
    }];
    let mut floor = ShopFloor::new(panel(Kind::Flat), truth, Skill::Usual, 11_905);
    let survey = simulate::survey_of(
        &|x, y| floor.height(x, y),
        &floor.panel,
        &SurveyPlan::straightedge(100.0),
        11_905,
    );
    let j = judged(&floor.panel, &survey);
    let plan = planned(&floor.panel, &survey, &j, &shop, Some(WayKind::SpotFill));
    let before = floor.worst_over_limits();
    // The gap over the middle of 300 mm is 1 − exp(−(150/80)²/2) mm.
    let gap = 1.0 - (-(150.0f64 / 80.0).powi(2) / 2.0).exp();
    assert!((before[0] * 0.3 - gap).abs() < 0.01, "{before:?}");
    let used = floor.follow(&plan, &j, &shop);
    assert!(floor.worst_over_limits()[0] <= 1.0);
    let spent = &floor.off + &floor.allowance;
    assert!(spent.iter().all(|a| (a - 0.3).abs() < 1e-12));
    assert!(floor.off.iter().chain(&floor.on).all(|mm| *mm >= 0.0));
    // 2πσ²d = 40.2 cc lie in the low; a disc of about 0.3 mm proud, feathered over 100 mm, comes on
    // top; 15 to 20 % is lost.
    let low_cc = std::f64::consts::TAU * 80.0 * 80.0 / 1000.0;
    let left_cc = floor.on.sum() * 100.0 / 1000.0;
    assert!((left_cc / low_cc - 1.0).abs() < 0.1, "{left_cc}, {low_cc}");
    let proud_cc = used.needed_cc * 0.825 - low_cc;
    assert!((10.0..60.0).contains(&proud_cc), "{proud_cc}");
}

/// A map after a cycle that left all of it needs what it needed; after one that left half, at most
/// half to level.
#[test]
fn what_a_later_cycle_fills_is_part_of_what_the_first_did() {
    let panel = panel(Kind::Crowned);
    let truth = simulate::truth(Kind::Crowned, 11_906, 1.0);
    let survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), 11_906);
    let j = judged(&panel, &survey);
    let floor = Floor::new(&j, &panel);
    let lay = Lay {
        overfill_mm: 0.3,
        feather_ratio: 100.0,
        feather_least_mm: 50.0,
        all_over: false,
    };
    let laid = |share: f64| {
        let j = floor.after(share);
        let floor = floor.under(&j);
        floor.spread(&lay, &|k| floor.is_filled(k)).total()
    };
    let first = floor.spread(&lay, &|k| floor.is_filled(k)).total();
    let (all, half, eighth) = (laid(1.0), laid(0.5), laid(0.125));
    same("all of it is there again", all.level_cc, first.level_cc);
    assert!(half.level_cc <= first.level_cc / 2.0 && half.level_cc > first.level_cc / 4.0);
    assert!(half.cured_cc < first.cured_cc && half.area_mm2 < first.area_mm2);
    // The deepest stays a low, or there would be nothing to do another cycle for.
    assert!(eighth.level_cc > 0.0 && eighth.level_cc < half.level_cc / 4.0);
}

// ------------------------------------------------------------------------------------------------
// nothing is lost between amounts

/// Shares equal to the last digits.
fn same(what: &str, a: f64, b: f64) {
    let scale = a.abs().max(b.abs()).max(1e-6);
    assert!((a - b).abs() <= 1e-9 * scale, "{what}: {a} and {b}");
}

type Pick = fn(&Amounts) -> f64;

/// Every identity between the amounts of one way.
fn conserved(what: &str, j: &Judgement, way: &Way, shop: &Shop) {
    let total = &way.table.total;
    let sum = |pick: Pick| -> f64 { way.table.rows.iter().map(|r| pick(&r.amounts)).sum() };
    let amounts: [(&str, Pick); 6] = [
        ("to level", |a| a.to_level_cc.value),
        ("to spread", |a| a.to_spread_cc.value),
        ("to mix", |a| a.to_mix_cc.value),
        ("sanded off", |a| a.sanded_off_cc.value),
        ("left on, cc", |a| a.left_on_cc.value),
        ("left on, g", |a| a.left_on_g.value),
    ];
    for (name, pick) in amounts {
        same(&format!("{what}: rows of {name}"), sum(pick), pick(total));
    }
    let primer = way.kind == WayKind::PrimerOnly;
    let kept = if primer {
        way.recipe.solids_percent.value / 100.0
    } else {
        1.0 - way.recipe.shrink_percent.value / 100.0
    };
    let density = way.recipe.dry_density().value;
    for (name, a) in way
        .table
        .rows
        .iter()
        .map(|r| (r.name.as_str(), &r.amounts))
        .chain([("all", total)])
    {
        let cured = a.to_spread_cc.value * kept;
        let of = |part: &str| format!("{what}, {name}: {part}");
        same(
            &of("left and sanded are what cured"),
            a.left_on_cc.value + a.sanded_off_cc.value,
            cured,
        );
        same(
            &of("mix is spread and loss"),
            a.to_mix_cc.value * (1.0 - shop.pot_loss.value),
            a.to_spread_cc.value,
        );
        same(&of("mass"), a.left_on_g.value, a.left_on_cc.value * density);
    }
    same(
        &format!("{what}: first mix"),
        way.first_mix_cc,
        total.to_spread_cc.value / (1.0 - shop.pot_loss.value),
    );
    for r in &j.regions {
        if let Some(row) = way.table.rows.iter().find(|row| row.name == r.name) {
            same(
                &format!("{what}, {}: its volume on the map", r.name),
                row.amounts.to_level_cc.value,
                r.volume_cc.value,
            );
        }
    }
    on_the_nodes(what, j, way, kept);
}

/// The amounts against thicknesses at the nodes, each node standing for its part of a rectangle.
fn on_the_nodes(what: &str, j: &Judgement, way: &Way, kept: f64) {
    let grid = j.nodes.grid;
    let part = |k: usize, count: usize| if k == 0 || k + 1 == count { 0.5 } else { 1.0 };
    let sum = |of: &dyn Fn((usize, usize)) -> f64| -> f64 {
        way.spread
            .thickness_mm
            .indexed_iter()
            .map(|(n, _)| {
                let mm2 = grid.step_mm * grid.step_mm * part(n.1, grid.nx) * part(n.0, grid.ny);
                of(n) * mm2 / 1000.0
            })
            .sum()
    };
    let missed = way
        .table
        .rows
        .iter()
        .find(|r| r.name == "what such a survey misses")
        .map_or(0.0, |r| r.amounts.to_level_cc.value);
    let cured = sum(&|n| way.spread.thickness_mm[n]);
    let left = sum(&|n| way.spread.left_mm[n]);
    let total = &way.table.total;
    same(
        &format!("{what}: cured on the nodes"),
        total.to_spread_cc.value * kept,
        cured + missed,
    );
    same(
        &format!("{what}: left on the nodes"),
        total.left_on_cc.value,
        left + missed,
    );
    // Level and proud are what cured: proud is what stands over the reference, and what was laid
    // below it beside a low.
    let proud = sum(&|n| {
        let lying = j.nodes.deviation[n];
        (way.spread.thickness_mm[n] + lying.min(0.0)).max(0.0)
    });
    same(
        &format!("{what}: proud on the nodes"),
        total.sanded_off_cc.value,
        if way.kind == WayKind::PrimerOnly {
            cured - left
        } else {
            proud
        },
    );
}

#[test]
fn nothing_is_lost_between_the_four_amounts() {
    let shop = Shop::default();
    let mut seen = std::collections::BTreeMap::new();
    for (kind, seed, amplitude) in [
        (Kind::Crowned, 12201, 1.0),
        (Kind::Flat, 12202, 1.0),
        (Kind::Ruled, 12203, 1.0),
        (Kind::Crowned, 12204, 0.15),
        (Kind::Flat, 12205, 0.4),
    ] {
        let panel = panel(kind);
        let truth = simulate::truth(kind, seed, amplitude);
        let survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), seed);
        let j = judged(&panel, &survey);
        let plan = planned(&panel, &survey, &j, &shop, None);
        for way in &plan.ways {
            *seen.entry(way.kind.word()).or_insert(0) += 1;
            let what = format!("simulated {kind:?} {seed}, {}", way.kind.word());
            conserved(&what, &j, way, &shop);
        }
    }
    println!("ways seen: {seen:?}");
    assert_eq!(seen.len(), 4, "every way was seen: {seen:?}");
}
