//! What may be ordered and what not: a low too deep for filler, grits over a thin film, a film that
//! nobody named, offers on a fair panel, and cautions where they bite. Panels are simulated, or
//! simulated judgements (tests/support/fixture.rs).

use crate::books::{self, done, lowspot, refused};
use crate::show::fixture;
use crate::support::folder;
use crate::support::levels::found_and_judged;
use crate::support::simulate::{self, Kind, Recipe, SurveyPlan};
use lowspot::judge::{Action, Interval, Judgement, LimitState, RegionKind, Verdict};
use lowspot::observe::Survey;
use lowspot::panel::skin::{FilmOf, Substrate};
use lowspot::panel::{Panel, file};
use lowspot::plan::sanding::{self, GRITS, Grit};
use lowspot::plan::shop::Shop;
use lowspot::plan::{Choice, Plan, plan};
use lowspot::problem::Error;
use lowspot::show;
use lowspot::units::Units;
use std::path::Path;

fn judged(seed: u64) -> (Panel, Survey, Judgement) {
    let panel = simulate::panel(Kind::Flat);
    let truth = simulate::truth(Kind::Flat, seed, 1.0);
    let survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), seed + 500);
    let (_, j) = found_and_judged(&panel, &survey);
    (panel, survey, j)
}

fn choice<'a>(shop: &'a Shop, filler: &str) -> Choice<'a> {
    Choice {
        shop,
        filler: shop.recipe(filler).unwrap(),
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
    plan(panel, survey, j, &choice(&shop, "dry-micro")).unwrap()
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A simulated judgement whose deepest low has this depth, mm.
fn as_deep_as(mm: f64) -> (Panel, Judgement) {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    j.regions[0].worst_mm = Interval {
        value: -mm,
        low: -1.1 * mm,
        high: -0.9 * mm,
    };
    (panel, j)
}

#[test]
fn deeper_than_a_filler_is_built_up_is_refused_and_never_split_into_coats() {
    let shop = Shop::default();
    let made = |filler: &str, mm: f64, panel: &Panel, j: &Judgement| {
        let mut j = j.clone();
        j.regions[0].worst_mm.value = -mm;
        plan(panel, &Survey::default(), &j, &choice(&shop, filler))
    };
    let (panel, j) = as_deep_as(1.0);
    // Published: a maker's trainer, 6 mm at any point at most; common practice: 20 mm of epoxy
    // filler. 0.3 mm is laid proud.
    for (filler, mm, refused) in [
        ("polyester-filler", 5.6, false),
        ("polyester-filler", 5.8, true),
        ("dry-micro", 19.6, false),
        ("dry-micro", 38.42, true),
        ("light-compound", 25.0, true),
    ] {
        match made(filler, mm, &panel, &j) {
            Err(Error::Survey(why)) if refused => {
                for words in ["low L1", "ask the designer", filler, "that may be built up"] {
                    assert!(why.contains(words), "{why}");
                }
                assert!(
                    why.contains("published") || why.contains("common practice"),
                    "{why}"
                );
            }
            Ok(_) if !refused => {}
            other => panic!("{filler} {mm}: {:?}", other.err().map(|e| e.to_string())),
        }
    }
    // On the map it reads as a question, not as an order.
    let mut asked = j.clone();
    asked.regions[0].action = Action::AskFirst;
    let lines = show::summary::work(&asked, &panel, Units::Metric);
    let line = lines.iter().find(|l| l.text.starts_with("low L1")).unwrap();
    assert_eq!(line.heading, "ASK FIRST");
    assert!(line.text.contains("designer"), "{}", line.text);
    // Filler that is there already counts, where the film is said to be filler.
    let mut thick = panel.clone();
    thick.skin.film.all_mm = Some(3.0);
    assert!(made("polyester-filler", 4.0, &thick, &j).is_ok());
    thick.skin.film.of = Some(FilmOf::Filler);
    assert!(made("polyester-filler", 4.0, &thick, &j).is_err());
}

#[test]
fn the_mixing_card_splits_no_depth_that_no_filler_fills() {
    let (dir, _) = folder(&[]);
    let told = refused(
        dir.path(),
        2,
        &[
            "mix",
            "--recipe",
            "dry-micro",
            "--volume",
            "500",
            "--at",
            "20",
            "--depth",
            "38.42",
        ],
    );
    assert!(
        told.contains("ask the designer") && told.contains("20 mm"),
        "{told}"
    );
    // A recipe of one's own says its own.
    let own = b"[[recipe]]\nname = \"deep\"\nbase = \"epoxy\"\npot_life_min = 30\nsandable = 24\ngreatest_build = \"45 mm\"\n\
        [[recipe.part]]\nname = \"A\"\nmass = 1\ndensity = 1\n";
    std::fs::write(dir.path().join("shop.toml"), own).unwrap();
    done(
        dir.path(),
        &[
            "mix",
            "--recipe",
            "deep",
            "--volume",
            "500",
            "--at",
            "20",
            "--depth",
            "38.42",
            "--shop",
            "shop.toml",
        ],
    );
}

/// A simulated panel with a high of over 0.3 mm, and its survey.
fn with_a_high() -> (Panel, Survey) {
    let high = |j: &Judgement| {
        let mut regions = j.regions.iter();
        regions.any(|r| r.kind == RegionKind::High && r.worst_mm.value > 0.3)
    };
    let (panel, survey, _) = (38..80)
        .map(judged)
        .find(|(_, _, j)| high(j))
        .expect("one of forty panels has a high");
    (panel, survey)
}

#[test]
fn grit_is_chosen_by_what_may_come_off_and_its_scratches_count() {
    for pair in GRITS.windows(2) {
        assert!(pair[0].scratch_mm > pair[1].scratch_mm);
        assert_eq!(pair[0].finer(), Some(&pair[1]));
    }
    assert_eq!(Grit::no_deeper(0.2).name, "P40");
    assert_eq!(Grit::no_deeper(0.05).name, "P80");
    assert_eq!(Grit::no_deeper(0.0).name, "P320");
    let (mut panel, survey) = with_a_high();
    panel.sand_allowance_mm = None;
    panel.skin.film.of = Some(FilmOf::Filler);
    for film_mm in [0.20, 0.35, 0.6] {
        panel.skin.film.all_mm = Some(film_mm);
        let (_, j) = found_and_judged(&panel, &survey);
        let p = planned(&panel, &survey, &j);
        let highs: Vec<usize> = (0..j.regions.len())
            .filter(|k| j.regions[*k].action == Action::Sand)
            .collect();
        assert!(!highs.is_empty(), "{film_mm}");
        for k in highs {
            let down = sanding::down(&j, &panel, k);
            // Scratches and all, no more than film less what must stay.
            assert!(
                down.off_mm + down.grit.scratch_mm <= film_mm - 0.1 + 1e-9,
                "{film_mm}: {down:?}"
            );
            if film_mm < 0.3 {
                assert!(down.grit.scratch_mm < 0.03, "{down:?}");
            }
            let name = &j.regions[k].name;
            let line = p
                .work
                .iter()
                .find(|w| w.what == "sand" && w.place.contains(name.as_str()))
                .expect("sanded");
            assert!(line.tool.contains(down.grit.name), "{}", line.tool);
            assert!(!line.tool.contains("P36"), "{}", line.tool);
        }
        let film = p.film.as_ref().unwrap();
        assert!(film.least_mm >= 0.1 - 1e-6, "{film_mm}: {}", film.least_mm);
        let board = p.work.iter().find(|w| w.what == "board").unwrap();
        // Scratches of P40 are 0.1 mm deep: on the skin only where its film can spare four times
        // that.
        assert_eq!(
            board.tool.contains("P40 to level on the filler alone"),
            film_mm < 0.5,
            "{film_mm}: {}",
            board.tool
        );
    }
}

#[test]
fn a_film_that_nobody_named_allows_no_sanding() {
    let (mut panel, survey) = with_a_high();
    panel.sand_allowance_mm = None;
    panel.skin.film.all_mm = Some(0.35);
    let (_, j) = found_and_judged(&panel, &survey);
    assert!(j.regions.iter().any(|r| r.kind == RegionKind::High));
    for r in j.regions.iter().filter(|r| r.kind == RegionKind::High) {
        assert!(r.action != Action::Sand, "{}", r.name);
        assert!(r.allowed_mm <= 0.05 + 1e-9);
    }
    // It still caps an allowance, and it is asked for.
    panel.sand_allowance_mm = Some(0.3);
    assert!((panel.allowance_at(100.0, 100.0) - 0.25).abs() < 1e-9);
    let text = "name = \"a\"\nlength = 900\nwidth = 600\nform = \"flat\"\nfilm = \"0.35 mm\"\n";
    let (_, told) = file::parse(text, "panel.toml").unwrap();
    assert!(told.iter().any(|w| w.text.contains("film_is")));
    let named = format!("{text}film_is = \"gelcoat\"\n");
    let (panel, told) = file::parse(&named, "panel.toml").unwrap();
    assert!(!told.iter().any(|w| w.text.contains("film_is")));
    assert!((panel.allowance_at(1.0, 1.0) - 0.25).abs() < 1e-9);
}

/// A simulated judgement of a fair panel with lows that its limits let pass.
fn fair_with_lows() -> (Panel, Judgement) {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    j.verdict = Verdict::Fair;
    for l in &mut j.limits {
        l.state = LimitState::Met;
    }
    for r in &mut j.regions {
        r.needs_cycle = false;
        r.action = match r.action {
            Action::Fill => Action::MayFill,
            Action::Sand => Action::MaySand,
            other => other,
        };
    }
    (panel, j)
}

#[test]
fn a_fair_panel_is_offered_filler_and_ordered_none() {
    let (panel, j) = fair_with_lows();
    let lines = show::summary::lines(&j, &panel, Units::Metric, Path::new("out"));
    let verdict = lines
        .iter()
        .position(|l| l.heading.starts_with("FAIR"))
        .unwrap();
    let may = lines.iter().position(|l| l.heading == "MAY FILL").unwrap();
    assert!(verdict < may);
    assert!(lines[may].number.is_none() && lines[may].text.contains("Inside every limit"));
    for l in &lines {
        assert!(
            !["FILL", "SAND", "SAND FIRST"].contains(&l.heading.as_str()),
            "{l:?}"
        );
    }
    let plan = planned(&panel, &Survey::default(), &j);
    assert!(plan.way().is_none());
    assert!(
        plan.why.contains("L1") && plan.why.contains("--way"),
        "{}",
        plan.why
    );
    let what: Vec<&str> = plan.work.iter().map(|w| w.what).collect();
    for order in ["fill", "sand", "mix", "skim", "board"] {
        assert!(!what.contains(&order), "{what:?}");
    }
    // Asked for, it is planned.
    let shop = Shop::default();
    let asked = Choice {
        way: Some(lowspot::plan::ways::Kind::SpotFill),
        ..choice(&shop, "dry-micro")
    };
    let plan = lowspot::plan::plan(&panel, &Survey::default(), &j, &asked).unwrap();
    assert!(plan.way().is_some() && plan.work.iter().any(|w| w.what == "mix"));
    let text = show::plan::summary::text(&plan, &j, &panel, Units::Metric, Path::new("out"));
    assert!(one_line(&text).contains("FAIR at every limit"), "{text}");
}

#[test]
fn a_judged_fair_panel_orders_no_filling() {
    // Simulated: lows of some 0.2-0.3 mm under limits that let them pass.
    let recipe = Recipe {
        amplitude: 0.35,
        ..Recipe::of(Kind::Flat)
    };
    let mut panel = simulate::panel(Kind::Flat);
    for limit in &mut panel.limits {
        limit.max = 3.0;
    }
    let mut seen = 0;
    for seed in 0..6 {
        let truth = recipe.make(seed);
        let survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), seed + 90);
        let (_, j) = found_and_judged(&panel, &survey);
        if j.verdict == Verdict::Fair {
            assert!(
                j.regions
                    .iter()
                    .all(|r| !matches!(r.action, Action::Fill | Action::Sand)),
                "seed {seed}"
            );
            seen += usize::from(j.regions.iter().any(|r| r.action == Action::MayFill));
        }
    }
    assert!(seen >= 3, "{seen}");
}

#[test]
fn a_low_inside_every_limit_is_offered_beside_those_that_are_not() {
    let panel = fixture::panel();
    let mut j = fixture::judgement(&panel);
    j.regions[1].needs_cycle = false;
    let lines = show::summary::work(&j, &panel, Units::Metric);
    let of = |name: &str| lines.iter().find(|l| l.text.starts_with(name)).unwrap();
    assert_eq!(of("low L1").heading, "FILL");
    assert_eq!(of("low L2").heading, "MAY FILL");
    assert!(of("low L2").number.is_none());
}

#[test]
fn dusts_of_the_substrate_and_sections_of_wings_are_cautioned_where_they_bite() {
    let (panel, j) = (fixture::panel(), fixture::judgement(&fixture::panel()));
    let cautions = |panel: &Panel, j: &Judgement| -> String {
        let all = show::care::cautions(j, panel);
        all.iter()
            .map(|c| format!("{}: {}\n", c.about, c.text))
            .collect()
    };
    let plain = cautions(&panel, &j);
    for (substrate, words) in [
        (Substrate::Carbon, "it conducts"),
        (Substrate::Glass, "irritates"),
        (Substrate::Gelcoat, "lead"),
        (Substrate::Antifouling, "poisonous"),
    ] {
        assert!(!plain.contains(words), "{plain}");
        let mut other = panel.clone();
        other.skin.substrate = Some(substrate);
        assert!(cautions(&other, &j).contains(words), "{substrate:?}");
    }
    assert!(!plain.contains("designer's matter"));
    let mut wing = panel.clone();
    wing.purpose = Some("laminar-wing".into());
    assert!(cautions(&wing, &j).contains("the section is the designer's matter"));
    let mut keel = panel.clone();
    keel.skin.lifting = true;
    assert!(cautions(&keel, &j).contains("the section is the designer's matter"));
    // In full once in the page, one line on the screen.
    let shown = show::summary::lines(&j, &panel, Units::Metric, Path::new("out"));
    let care: Vec<_> = shown.iter().filter(|l| l.heading == "CARE").collect();
    assert_eq!(care.len(), 1);
    assert!(care[0].text.chars().count() < 170, "{}", care[0].text);
    assert!(plain.len() > 2 * care[0].text.len());
    // Nothing to do: nothing to heed.
    let mut idle = j.clone();
    idle.regions.clear();
    idle.to_level_cc = Interval::default();
    assert_eq!(cautions(&wing, &idle), "");
}

// Entered work is cautioned as planned work is.

const RUDDER: &str = "name = \"rudder\"\nlength = 900\nwidth = 600\nform = \"flat\"\npurpose = \"wing-aft\"\nmoving_surface = true\n\
    substrate = \"polystyrene-foam\"\ncore = \"foam\"\n";

fn rudder() -> tempfile::TempDir {
    let (dir, _) = folder(&[("panel.toml", RUDDER.as_bytes())]);
    done(dir.path(), &["book", "new", "b.lowspot"]);
    done(dir.path(), &["panel", "add", "panel.toml"]);
    dir
}

#[test]
fn a_post_cure_above_the_cores_ceiling_stops_everything_after_it() {
    let dir = rudder();
    let hot = |c: &str| {
        let all = [
            "enter",
            "rudder",
            "post-cure",
            "--temperature",
            c,
            "--hold-hours",
            "8",
        ];
        done(dir.path(), &all)
    };
    let told = hot("50 C");
    assert!(!told.contains("STOP"), "{told}");
    let told = hot("95 C");
    assert!(
        told.contains("STOP") && told.contains("55 °C") && told.contains("kit maker"),
        "{told}"
    );
    let told = done(dir.path(), &["trend", "rudder"]);
    assert!(one_line(&told).contains("never too hot no"), "{told}");
    done(
        dir.path(),
        &["enter", "rudder", "repair", "--note", "new core"],
    );
    let told = done(dir.path(), &["trend", "rudder"]);
    assert!(!told.contains("never too hot"), "{told}");
}

#[test]
fn polyester_on_polystyrene_and_too_cold_are_told_at_entry_as_in_the_plan() {
    let dir = rudder();
    let fill = |more: &[&str]| {
        let mut all = vec!["enter", "rudder", "fill"];
        all.extend(more);
        done(dir.path(), &all)
    };
    let told = fill(&["--recipe", "polyester-filler"]);
    assert!(told.contains("dissolves the foam"), "{told}");
    let told = fill(&["--recipe", "dry-micro", "--skin", "5 C"]);
    assert!(told.contains("wants 10 to 35 °C"), "{told}");
    let told = fill(&["--recipe", "dry-micro", "--skin", "20 C", "--min", "4 C"]);
    assert!(told.contains("wants 10 to 35 °C"), "{told}");
    let told = done(
        dir.path(),
        &["enter", "rudder", "prime", "--recipe", "build-primer"],
    );
    assert!(told.contains("primed on the day of the fill"), "{told}");
    // On another day nothing is said of that.
    let late = [
        "enter",
        "rudder",
        "prime",
        "--recipe",
        "build-primer",
        "--date",
        "2027-06-01",
    ];
    let told = done(dir.path(), &late);
    assert!(!told.contains("on the day of the fill"), "{told}");
}

// An unknown recipe is refused.

#[test]
fn an_unknown_recipe_is_refused_and_another_one_brings_its_cure() {
    let dir = books::shop();
    let enter = |more: &[&str]| {
        let mut all = vec!["enter", books::NAME];
        all.extend(more);
        let out = lowspot(dir.path(), &all);
        (out.status.code(), books::told(&out))
    };
    let (status, told) = enter(&["fill", "--recipe", "glaze"]);
    assert_eq!(status, Some(2));
    for words in ["dry-micro", "polyester-filler", "--recipe other --cure"] {
        assert!(told.contains(words), "{told}");
    }
    assert!(!told.contains("build-primer"), "{told}");
    for wrong in [
        &["fill", "--recipe", "other"][..],
        &["fill", "--recipe", "build-primer"],
        &["prime", "--recipe", "dry-micro"],
        &["fill", "--recipe", "other", "--cure", "soon"],
        &["block", "--cure", "1 h"],
    ] {
        assert_eq!(enter(wrong).0, Some(2), "{wrong:?}");
    }
    assert!(!done(dir.path(), &["log", books::NAME]).contains("fill"));
    let (status, told) = enter(&["fill", "--recipe", "other", "--cure", "30 min"]);
    assert_eq!(status, Some(0), "{told}");
    let floor = lowspot(dir.path(), &["floor", "--json"]);
    let floor: serde_json::Value = serde_json::from_slice(&floor.stdout).unwrap();
    let free: jiff::civil::DateTime = floor["panels"][0]["free_at"]
        .as_str()
        .unwrap()
        .replace(' ', "T")
        .parse()
        .unwrap();
    let now: jiff::civil::DateTime = floor["now"]
        .as_str()
        .unwrap()
        .replace(' ', "T")
        .parse()
        .unwrap();
    let minutes = free.duration_since(now).as_secs() / 60;
    assert!((25..=31).contains(&minutes), "{minutes}");
    // One of the shop's own keeps its cure, whoever reads the book without that shop.
    let own = b"[[recipe]]\nname = \"ours\"\nbase = \"epoxy\"\npot_life_min = 30\nsandable = 5\n\
        [[recipe.part]]\nname = \"A\"\nmass = 1\ndensity = 1\n";
    std::fs::write(dir.path().join("shop.toml"), own).unwrap();
    assert_eq!(enter(&["fill", "--recipe", "ours"]).0, Some(2));
    assert_eq!(
        enter(&["fill", "--recipe", "ours", "--shop", "shop.toml"]).0,
        Some(0)
    );
    assert!(done(dir.path(), &["log", books::NAME]).contains("recipe ours, 5 h to sandable"));
}

// The last of a job.

#[test]
fn a_sign_off_needs_a_name_and_a_base_that_a_limit_has_and_nothing_is_no_mass() {
    let dir = books::shop();
    let sign = |more: &[&str]| {
        let mut all = vec!["enter", books::NAME, "sign-off", "--means", "guide-coat"];
        all.extend(more);
        let out = lowspot(dir.path(), &all);
        (out.status.code(), books::told(&out))
    };
    let (status, told) = sign(&["--base", "300 mm"]);
    assert!(status == Some(2) && told.contains("--by"), "{told}");
    let (status, told) = sign(&["--base", "137 mm", "--by", "K"]);
    assert!(
        status == Some(2) && told.contains("its bases are"),
        "{told}"
    );
    let (status, told) = sign(&["--base", "300 mm", "--by", "K"]);
    assert_eq!(status, Some(0), "{told}");
    let told = refused(
        dir.path(),
        2,
        &["enter", books::NAME, "weigh", "--grams", "0"],
    );
    assert!(told.contains("nothing is no mass"), "{told}");
}
