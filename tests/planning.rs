//! The plan: that amounts, masses and moments follow from the map, that lines stand in the order of
//! the trade, that what is not known is asked, and every refusal. Panels are simulated.

use crate::published::{Check, close, hold};
use crate::support::folder;
use crate::support::levels::found_and_judged;
use crate::support::simulate::{self, Kind, SurveyPlan};
use lowspot::judge::{Action, Judgement, RegionKind};
use lowspot::observe::Survey;
use lowspot::panel::skin::{FilmOf, Substrate};
use lowspot::panel::{Panel, Polygon};
use lowspot::plan::balance::cg_shift;
use lowspot::plan::fit_for::How;
use lowspot::plan::hand_check;
use lowspot::plan::shop::Shop;
use lowspot::plan::spread::{Floor, Lay};
use lowspot::plan::ways::{self, Kind as Way};
use lowspot::plan::{Choice, Plan, plan};
use lowspot::problem::Error;
use lowspot::show;
use lowspot::units::Units;
use std::path::Path;
use std::process::{Command, Output};

/// A simulated roof with its survey and judgement.
fn judged(kind: Kind, seed: u64) -> (Panel, Survey, Judgement) {
    let panel = simulate::panel(kind);
    let truth = simulate::truth(kind, seed, 1.0);
    let survey = simulate::survey(
        &truth,
        &panel,
        &SurveyPlan::straightedge(150.0),
        seed + 1000,
    );
    let (_, j) = found_and_judged(&panel, &survey);
    (panel, survey, j)
}

fn choice(shop: &Shop) -> Choice<'_> {
    Choice {
        shop,
        filler: shop.recipe("dry-micro").unwrap(),
        primer: shop.recipe("build-primer").unwrap(),
        at_c: Some(20.0),
        skin_c: None,
        humidity: Some(50.0),
        way: None,
        units: Units::Metric,
    }
}

fn planned(panel: &Panel, survey: &Survey, j: &Judgement) -> Plan {
    let shop = Shop::default();
    plan(panel, survey, j, &choice(&shop)).unwrap()
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

// Numbers from outside; they stand in docs/checks.md.

/// Weight and balance of handbook examples.
pub fn balances() -> Vec<Check> {
    const HANDBOOK: &str = "published: weight addition example of a handbook of aeronautical knowledge, seen as quoted";
    const MOVED: &str = "published: weight shift example of the same handbook, seen as quoted";
    const BURNED: &str = "computed: from the figures of a published training page (it says forward; the mass leaves from ahead, so it is aft)";
    // Moved is taken off one arm and put on at the other.
    let moved = |whole: f64, cg: f64, mass: f64, from: f64, to: f64| {
        let off = cg + cg_shift(whole, cg, -mass, from);
        off + cg_shift(whole - mass, off, mass, to)
    };
    vec![
        close(
            "140 lb at 150 in into 6,860 lb at 80.0 in: centre of gravity, in",
            HANDBOOK,
            81.4,
            80.0 + cg_shift(6860.0, 80.0, 140.0, 150.0),
            1e-9,
        ),
        close(
            "100 lb from 30 to 150 in of 8,000 lb at 77.0 in: centre of gravity, in",
            MOVED,
            78.5,
            moved(8000.0, 77.0, 100.0, 30.0, 150.0),
            1e-9,
        ),
        close(
            "180 lb by 32 in of 2,700 lb: shift, in (printed to two places)",
            "published: training text, proportion formula, seen as quoted",
            2.13,
            moved(2700.0, 0.0, 180.0, 0.0, 32.0),
            5e-3,
        ),
        close(
            "120 lb burned at 48 in of 2,450 lb at 93.0 in: shift, in",
            BURNED,
            120.0 * 45.0 / 2330.0,
            cg_shift(2450.0, 93.0, -120.0, 48.0),
            1e-9,
        ),
    ]
}

#[test]
fn weight_and_balance_of_the_handbooks_examples() {
    hold(balances());
}

// The arithmetic of a plan.

#[test]
fn twenty_grams_150_mm_behind_a_hinge_are_0_3_kg_cm() {
    // Worked out: 20 g × 150 mm = 3000 g·mm = 0.30 kg·cm. A square low of 200 × 100 mm, 2 mm deep,
    // of 0.5 g/cc about y 250, hinge at y 100.
    let mut panel = simulate::panel(Kind::Flat);
    panel.skin.mass.hinge = Some([[0.0, 100.0], [1500.0, 100.0]]);
    panel.skin.mass.arm_mm = Some(3000.0);
    panel.skin.mass.along = Some([0.0, 1.0]);
    let (mut left, areas) = (
        ndarray::Array2::zeros((91, 151)),
        ndarray::Array2::from_elem((91, 151), 100.0),
    );
    for iy in 20..=30 {
        for ix in 40..=60 {
            left[[iy, ix]] = 1.0;
        }
    }
    let load = lowspot::plan::balance::Load {
        panel: &panel,
        step_mm: 10.0,
        areas_mm2: &areas,
        left_mm: &left,
        mass_g: lowspot::judge::Interval {
            value: 20.0,
            low: 15.0,
            high: 30.0,
        },
        build_coat_g: 0.0,
    };
    let b = load.balance();
    assert!(
        (b.hinge_moment_g_mm.unwrap() - 3000.0).abs() < 1e-9,
        "{b:?}"
    );
    // The arm of its middle: 3000 + 250.
    assert!((b.arm_mm.unwrap() - 3250.0).abs() < 1e-9);
    assert!((b.moment_g_mm.unwrap() - 65_000.0).abs() < 1e-9);
    // The upper end: 30 g. With 100 g of build coat lying evenly, whose middle is y 450: 100 × 350
    // more.
    assert!((b.hinge_moment_high_g_mm.unwrap() - 4500.0).abs() < 1e-9);
    let b = lowspot::plan::balance::Load {
        build_coat_g: 100.0,
        ..load
    }
    .balance();
    assert!((b.total_hinge_moment_g_mm.unwrap() - 38_000.0).abs() < 1e-6);
    assert!((b.total_g - 120.0).abs() < 1e-9);
}

#[test]
fn a_low_takes_what_its_shape_its_overfill_and_its_feather_take() {
    // Spread of a simulated panel against the sum written out anew from the nodes.
    let (panel, _, j) = judged(Kind::Crowned, 31);
    let floor = Floor::new(&j, &panel);
    let lay = Lay {
        overfill_mm: 0.3,
        feather_ratio: 100.0,
        feather_least_mm: 50.0,
        all_over: true,
    };
    let spread = floor.spread(&lay, &|k| floor.is_filled(k));
    let (mut cured, mut left) = (0.0, 0.0);
    for (n, d) in j.nodes.deviation.indexed_iter() {
        let area = floor.fill_areas_mm2[n];
        if area > 0.0 {
            cured += (0.3 - d).max(0.0) * area / 1000.0;
            left += (0.3 - d).max(0.0).min((-d).max(0.0)) * area / 1000.0;
        }
    }
    let total = spread.total();
    assert!((total.cured_cc / cured - 1.0).abs() < 1e-9);
    assert!((total.left_cc / left - 1.0).abs() < 1e-9);
    // Each low's own part is the map's volume of it.
    for (region, v) in j.regions.iter().zip(&spread.by_region) {
        if v.level_cc > 0.0 {
            assert!(
                (v.level_cc / region.volume_cc.value - 1.0).abs() < 1e-6,
                "{}: {} {}",
                region.name,
                v.level_cc,
                region.volume_cc.value
            );
        }
    }
}

#[test]
fn a_feather_ends_at_an_opening_and_where_no_filler_may_go() {
    let (mut panel, _, j) = judged(Kind::Flat, 32);
    let low = j
        .regions
        .iter()
        .find(|r| r.action == Action::Fill)
        .expect("a low to fill");
    // Everything right of its worst place is a no-filler area.
    let x = low.worst_at[0] + 30.0;
    panel.no_fill = vec![Polygon(vec![
        [x, 0.0],
        [panel.length_mm, 0.0],
        [panel.length_mm, panel.width_mm],
        [x, panel.width_mm],
    ])];
    let floor = Floor::new(&j, &panel);
    let lay = Lay {
        overfill_mm: 0.3,
        feather_ratio: 100.0,
        feather_least_mm: 50.0,
        all_over: false,
    };
    let spread = floor.spread(&lay, &|k| floor.is_filled(k));
    let mut beyond = 0.0;
    let mut before = 0.0f64;
    for ((_, ix), t) in spread.thickness_mm.indexed_iter() {
        if j.nodes.grid.x(ix) > x {
            beyond += t;
        } else {
            before = before.max(*t);
        }
    }
    assert_eq!(beyond, 0.0);
    assert!(before > 0.3);
}

#[test]
fn coats_follow_from_depth_and_face() {
    // Worked out: 8 mm in coats of 6 are 2; of 3 are 3; 6.0 mm are one.
    assert_eq!(ways::coats(8.0, Some(6.0)), 2);
    assert_eq!(ways::coats(8.0, Some(3.0)), 3);
    assert_eq!(ways::coats(6.0, Some(6.0)), 1);
    assert_eq!(ways::coats(6.0, None), 1);
}

// What the plan says.

#[test]
fn ways_stand_side_by_side_and_the_asked_one_is_planned() {
    let (panel, survey, j) = judged(Kind::Crowned, 33);
    let shop = Shop::default();
    for way in [Way::SpotFill, Way::FullSkim, Way::StripsAndBays] {
        let p = plan(
            &panel,
            &survey,
            &j,
            &Choice {
                way: Some(way),
                ..choice(&shop)
            },
        )
        .unwrap();
        assert_eq!(p.way().unwrap().kind, way);
        assert_eq!(p.ways.len(), 3);
        assert!(
            p.not_offered
                .iter()
                .any(|(k, why)| *k == Way::PrimerOnly && why.contains("mm deep"))
        );
    }
    let p = planned(&panel, &survey, &j);
    let by = |k: Way| p.ways.iter().find(|w| w.kind == k).unwrap();
    let (spot, skim, strips) = (by(Way::SpotFill), by(Way::FullSkim), by(Way::StripsAndBays));
    assert!(skim.to_mix_cc.value > 1.5 * spot.to_mix_cc.value);
    assert!(skim.left_on_g.value >= spot.left_on_g.value);
    assert!(strips.cycles <= skim.cycles && skim.cycles <= spot.cycles);
    // Sanded off is worked out: a skim loses more than spots do.
    let share =
        |w: &ways::Way| w.sanded_off_cc / (w.sanded_off_cc + w.table.total.left_on_cc.value);
    assert!(
        share(skim) > share(spot) && share(spot) > 0.3,
        "{} {}",
        share(skim),
        share(spot)
    );
    let asked = Choice {
        way: Some(Way::PrimerOnly),
        ..choice(&shop)
    };
    match plan(&panel, &survey, &j, &asked) {
        Err(Error::Usage(why)) => assert!(why.contains("primer takes 0.15 mm"), "{why}"),
        _ => panic!("primer alone cannot do it"),
    }
}

#[test]
fn a_panel_without_deep_lows_is_primed() {
    let panel = simulate::panel(Kind::Flat);
    let truth = simulate::truth(Kind::Flat, 34, 0.02);
    let survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(100.0), 35);
    let (_, j) = found_and_judged(&panel, &survey);
    let p = planned(&panel, &survey, &j);
    let way = p.way().expect("primer");
    assert_eq!(way.kind, Way::PrimerOnly);
    // At least the build coat stays: 0.075 mm over 1.35 m² of 1.6 g/cc are 162 g (worked out).
    assert!(
        way.left_on_g.value > 0.95 * 162.0,
        "{}",
        way.left_on_g.value
    );
    assert!(p.work.iter().any(|i| i.what == "prime"));
    assert!(!p.work.iter().any(|i| i.what == "fill"));
}

#[test]
fn work_stands_in_the_order_of_the_trade() {
    let (panel, survey, j) = judged(Kind::Crowned, 36);
    let p = planned(&panel, &survey, &j);
    let order: Vec<&str> = p.work.iter().map(|i| i.what).collect();
    let at = |what: &str| order.iter().position(|w| *w == what);
    let wanted = [
        "clean",
        "key",
        "mix",
        "fill",
        "wait",
        "board",
        "survey again",
        "pinholes",
        "prime",
    ];
    let places: Vec<usize> = wanted
        .iter()
        .map(|w| at(w).unwrap_or_else(|| panic!("{w} in {order:?}")))
        .collect();
    assert!(places.windows(2).all(|w| w[0] < w[1]), "{order:?}");
    if let Some(sand) = at("sand") {
        assert!(sand < at("mix").unwrap());
    }
    for (k, item) in p.work.iter().enumerate() {
        assert_eq!(item.number, k + 1);
        assert!(!item.place.is_empty() || !item.time.is_empty(), "{item:?}");
    }
    for item in p
        .work
        .iter()
        .filter(|i| ["sand", "fill", "board", "prime"].contains(&i.what))
    {
        assert!(!item.stop.is_empty() && !item.tool.is_empty(), "{item:?}");
    }
}

#[test]
fn a_high_that_may_not_be_sanded_is_only_told_with_would_save() {
    let (mut panel, survey, _) = judged(Kind::Flat, 37);
    panel.sand_allowance_mm = None;
    let (_, j) = found_and_judged(&panel, &survey);
    let p = planned(&panel, &survey, &j);
    assert!(!p.highs.is_empty());
    assert!(
        p.highs
            .windows(2)
            .all(|h| h[0].saves_cc_per_tenth >= h[1].saves_cc_per_tenth)
    );
    assert!(
        p.highs
            .iter()
            .all(|h| !h.allowed && h.plan_saves_cc.is_none())
    );
    assert!(!p.work.iter().any(|i| i.what == "sand"));
    let text = one_line(&show::plan::summary::text(
        &p,
        &j,
        &panel,
        Units::Metric,
        Path::new("out"),
    ));
    assert!(
        text.contains("would save")
            && text.contains("only where the film or the designer allows it"),
        "{text}"
    );
}

#[test]
fn known_film_bounds_what_comes_off_and_is_shown_where_it_gets_thin() {
    // The first simulated panel of which a high is worth sanding.
    let with_film = |seed: u64| {
        let (mut panel, survey, _) = judged(Kind::Flat, seed);
        panel.sand_allowance_mm = None;
        panel.skin.film.all_mm = Some(0.35);
        panel.skin.film.of = Some(FilmOf::Filler);
        let (_, j) = found_and_judged(&panel, &survey);
        let worth = j
            .regions
            .iter()
            .any(|r| r.kind == RegionKind::High && r.action == Action::Sand);
        worth.then_some((panel, survey, j))
    };
    let (mut panel, survey, j) = (38..48).find_map(with_film).expect("a high worth sanding");
    // 0.35 mm less 0.1 that must stay.
    let highs: Vec<_> = j
        .regions
        .iter()
        .filter(|r| r.kind == RegionKind::High)
        .collect();
    assert!(highs.iter().any(|r| r.action == Action::Sand));
    assert!(
        highs
            .iter()
            .all(|r| r.comes_off_mm <= 0.25 + 1e-9 && (r.allowed_mm - 0.25).abs() < 1e-9)
    );
    let p = planned(&panel, &survey, &j);
    let film = p.film.as_ref().expect("known");
    assert!(
        film.least_mm >= 0.1 - 1e-3 && film.thin_cm2 < 60.0,
        "{} {}",
        film.least_mm,
        film.thin_cm2
    );
    // A patch with 0.04 mm amid what is not filled: blocking alone takes it.
    let bare = |n: (usize, usize)| film.left_mm.get(n).is_some_and(|l| !l.is_nan());
    let around = |(iy, ix): (usize, usize)| {
        let near = |i: usize| i.saturating_sub(5)..=i + 5;
        near(iy)
            .flat_map(|j| near(ix).map(move |i| (j, i)))
            .filter(|n| bare(*n))
            .count()
    };
    let (most, _) = film
        .left_mm
        .indexed_iter()
        .max_by_key(|(n, _)| around(*n))
        .expect("nodes");
    let [x, y] = [j.nodes.grid.x(most.1), j.nodes.grid.y(most.0)];
    panel.skin.film.areas = vec![(
        Polygon(vec![
            [x - 40.0, y - 40.0],
            [x + 40.0, y - 40.0],
            [x + 40.0, y + 40.0],
            [x - 40.0, y + 40.0],
        ]),
        0.04,
    )];
    let (_, j) = found_and_judged(&panel, &survey);
    let p = planned(&panel, &survey, &j);
    let film = p.film.as_ref().unwrap();
    assert!(
        film.least_mm < 0.0 && film.risk_cm2 > 0.0,
        "{} mm, {} cm²",
        film.least_mm,
        film.risk_cm2
    );
    let page = show::plan::page::page(&p, &j, &panel, Units::Metric).unwrap();
    assert!(page.contains("may be cut through") && page.contains("<path d=\"M"));
}

#[test]
fn a_moving_surface_hears_of_balance_before_any_amount() {
    let (mut panel, survey, _) = judged(Kind::Ruled, 39);
    panel.moving_surface = true;
    let (_, j) = found_and_judged(&panel, &survey);
    let p = planned(&panel, &survey, &j);
    let text = one_line(&show::plan::summary::text(
        &p,
        &j,
        &panel,
        Units::Metric,
        Path::new("out"),
    ));
    let page = show::plan::page::page(&p, &j, &panel, Units::Metric).unwrap();
    let json = show::plan::json::text(&p, &j, &panel).unwrap();
    for words in [&text, &page] {
        let caution = words.find("lead to flutter").expect("said");
        assert!(caution < words.find(" cc").expect("an amount"));
        for soothing in ["small enough", " safe ", "negligible"] {
            assert!(!words.contains(soothing));
        }
    }
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert!(json["cautions"][0].as_str().unwrap().contains("flutter"));
    assert!(text.contains("say hinge = "));
}

#[test]
fn what_is_not_known_of_the_substance_is_asked_and_what_is_wrong_is_warned() {
    let (mut panel, survey, j) = judged(Kind::Flat, 40);
    let shop = Shop::default();
    let polyester =
        |panel: &Panel, at_c: Option<f64>, humidity: Option<f64>| -> Vec<(How, String)> {
            let p = plan(
                panel,
                &survey,
                &j,
                &Choice {
                    filler: shop.recipe("polyester-filler").unwrap(),
                    at_c,
                    humidity,
                    ..choice(&shop)
                },
            )
            .unwrap();
            p.fits.into_iter().map(|f| (f.how, f.text)).collect()
        };
    let has = |fits: &[(How, String)], how: How, words: &str| {
        fits.iter().any(|(h, t)| *h == how && t.contains(words))
    };
    let fits = polyester(&panel, None, None);
    for words in ["what is under it?", "below water?", "how warm", "how damp"] {
        assert!(has(&fits, How::Asked, words), "{words}: {fits:?}");
    }
    panel.skin.substrate = Some(Substrate::Epoxy);
    panel.skin.below_water = Some(true);
    let fits = polyester(&panel, Some(12.0), Some(85.0));
    // 12 °C and 85 % have their dew point at 9.6 °C (worked out): less than 3 °C below the skin.
    for words in [
        "polyester over epoxy",
        "below water",
        "18 °C at least",
        "dew point of 9.6",
    ] {
        assert!(has(&fits, How::Warned, words), "{words}: {fits:?}");
    }
    panel.skin.substrate = Some(Substrate::PolystyreneFoam);
    panel.skin.below_water = Some(false);
    let fits = polyester(&panel, Some(22.0), Some(50.0));
    assert!(has(&fits, How::Warned, "dissolves the foam"), "{fits:?}");
    assert!(!has(&fits, How::Warned, "below water") && !has(&fits, How::Warned, "dew point"));
}

#[test]
fn a_line_checked_by_hand_is_the_gap_of_the_surface() {
    let (_, _, j) = judged(Kind::Crowned, 41);
    let lines = hand_check::lines(&j, 600.0);
    assert_eq!(lines.len(), 3);
    for l in &lines {
        assert!((l.edge_mm - 600.0).abs() < 1e-9);
        let at = |p: [f64; 2]| {
            let n = [
                (p[1] / 10.0).round() as usize,
                (p[0] / 10.0).round() as usize,
            ];
            (j.nodes.height[n], j.nodes.height[n] - j.nodes.fairness[n])
        };
        let middle = [
            (l.from_mm[0] + l.to_mm[0]) / 2.0,
            (l.from_mm[1] + l.to_mm[1]) / 2.0,
        ];
        let (a, m, b) = (at(l.from_mm), at(middle), at(l.to_mm));
        let gap = l.packers_mm + (a.0 + b.0) / 2.0 - m.0;
        let fair = l.packers_mm + (a.1 + b.1) / 2.0 - m.1;
        assert!(
            (l.expect_mm - gap.max(0.0)).abs() < 1e-9 && (l.fair_mm - fair.max(0.0)).abs() < 1e-9
        );
        assert!(l.give_or_take_mm > 0.0 && l.give_or_take_mm < 0.5);
    }
    // The first is laid over the worst low: its gap is larger than a fair panel's.
    assert!(lines[0].over.starts_with('L') && lines[0].expect_mm > lines[0].fair_mm);
    assert!(lines[2].over.is_empty());
}

// The command.

fn lowspot(args: &[&str], dir: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .args(args)
        .current_dir(dir)
        .output()
        .expect("the program runs")
}

const SAMPLE: [(&str, &[u8]); 2] = [
    ("panel.toml", include_bytes!("../samples/small/panel.toml")),
    (
        "readings.txt",
        include_bytes!("../samples/small/readings.txt"),
    ),
];

#[test]
fn plan_json_holds_what_is_promised_and_the_card_takes_it() {
    let (dir, _) = folder(&SAMPLE);
    let out = lowspot(
        &[
            "plan",
            "panel.toml",
            "readings.txt",
            "--at",
            "20 C",
            "--json",
        ],
        dir.path(),
    );
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert!(json["highs"].is_array() && json["work"].is_array() && json["cautions"].is_array());
    for high in json["highs"].as_array().unwrap() {
        assert!(high["name"].is_string() && high["saves_cc_per_tenth"].is_number());
    }
    let ways = json["ways"].as_array().unwrap();
    assert!(!ways.is_empty());
    for way in ways {
        for key in ["to_mix_cc", "left_on_g", "hours", "waiting_hours", "cycles"] {
            assert!(way[key].is_number(), "{key}: {way}");
        }
        assert!(way["name"].is_string());
    }
    // The same in the file; and the mixing card reads it.
    let file = std::fs::read(dir.path().join("lowspot-plan/plan.json")).unwrap();
    assert_eq!(
        serde_json::from_slice::<serde_json::Value>(&file).unwrap(),
        json
    );
    assert!(dir.path().join("lowspot-plan/plan.html").is_file());
    let card = lowspot(
        &["mix", "--plan", "lowspot-plan/plan.json", "--json"],
        dir.path(),
    );
    assert!(
        card.status.success(),
        "{}",
        String::from_utf8_lossy(&card.stderr)
    );
    let card: serde_json::Value = serde_json::from_slice(&card.stdout).unwrap();
    assert_eq!(card["recipe"], json["mix"]["recipe"]);
    let (mixed, planned) = (
        card["volume_cc"].as_f64().unwrap(),
        json["mix"]["to_mix_cc"].as_f64().unwrap(),
    );
    assert!((mixed / planned - 1.0).abs() < 1e-3, "{mixed} {planned}");
}

#[test]
fn a_plan_is_the_same_every_time() {
    let (dir, _) = folder(&SAMPLE);
    let run = || {
        lowspot(
            &[
                "plan",
                "panel.toml",
                "readings.txt",
                "--at",
                "20 C",
                "--json",
            ],
            dir.path(),
        )
        .stdout
    };
    assert!(run() == run(), "two runs differ");
}

#[test]
fn what_makes_no_sense_is_refused_with_the_reason_and_nothing_written() {
    let (dir, _) = folder(&SAMPLE);
    let bad_shop = "pot_loss = 1.5\noverfil = 0.2\n";
    std::fs::write(dir.path().join("shop.toml"), bad_shop).unwrap();
    let cases: [(&[&str], i32, &[&str]); 9] = [
        (&["--at", "20 K"], 2, &["--at 20 K"]),
        (&["--humidity", "140"], 2, &["1 to 100 %"]),
        (
            &["--at", "5 C"],
            2,
            &["--at: dry-micro is used from 10 to 35 °C", "not at 5"],
        ),
        (&["--filler", "build-primer"], 2, &["is a primer"]),
        (
            &["--filler", "dry-mico"],
            2,
            &["dry-mico", "did you mean dry-micro?"],
        ),
        (
            &["--way", "primer-only"],
            2,
            &["--way primer-only does not fit", "primer takes"],
        ),
        (&["--way", "sideways"], 2, &["spot-fill"]),
        (
            &["--shop", "shop.toml"],
            1,
            &["shop.toml:1:", "shop.toml:2:", "overfill"],
        ),
        (&["--shop", "none.toml"], 1, &["none.toml", "no such file"]),
    ];
    for (extra, status, words) in cases {
        let mut args = vec!["plan", "panel.toml", "readings.txt"];
        args.extend(extra);
        let out = lowspot(&args, dir.path());
        let said = String::from_utf8_lossy(&out.stderr).to_string();
        assert_eq!(out.status.code(), Some(status), "{extra:?}: {said}");
        for word in words {
            assert!(said.contains(word), "{extra:?}: no {word:?} in {said}");
        }
        assert!(!dir.path().join("lowspot-plan").exists(), "{extra:?}");
    }
}

#[test]
fn faults_of_film_mass_and_hinge_are_told_with_their_place() {
    let text = "name = \"lid\"\nlength = 900\nwidth = 600\nform = \"flat\"\nsubstrate = \"epoxi\"\nface = \"up\"\nfilm = \"-1 mm\"\nhinge = [[0, 0]]\n\
                mass_budget = \"4 mm\"\nwhole_mass = \"300 kg\"\nbelow_water = \"no\"\n[[film_area]]\nfilm = 0.2\n";
    let faults = lowspot::panel::file::parse(text, "panel.toml").unwrap_err();
    let said = crate::support::all(&faults);
    for words in [
        "panel.toml:5:13: substrate \"epoxi\" is not known",
        "did you mean epoxy?",
        "panel.toml:6:8: face",
        "panel.toml:7:8: film -1 mm cannot be meant",
        "panel.toml:8:9: hinge",
        "panel.toml:9:15: mass_budget",
        "panel.toml:10:14: whole_mass without whole_cg",
        "panel.toml:11:15: below_water",
        "[[film_area]] has no outline",
    ] {
        assert!(said.contains(words), "no {words:?} in\n{said}");
    }
}
