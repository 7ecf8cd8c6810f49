//! The straightedge's own error: found when it is there, not found when it is not, and what taking
//! it out is worth. Every panel and survey here is simulated (tests/support/simulate.rs).

use crate::support::simulate::{self, EdgeError, Kind, SurveyPlan, Truth};
use lowspot::fit::edge_shape::State;
use lowspot::fit::{self, Surface, least_squares};
use lowspot::observe::Survey;
use lowspot::panel::Panel;
use ndarray::{Array1, Array2};
use rayon::prelude::*;

/// Rms error of the surface, plane, constant curvature and twist removed, mm.
fn rms(panel: &Panel, truth: &Truth, surface: &Surface) -> f64 {
    let (nx, ny) = (
        (panel.length_mm / 25.0) as usize,
        (panel.width_mm / 25.0) as usize,
    );
    let places: Vec<[f64; 2]> = (0..=nx)
        .flat_map(|i| (0..=ny).map(move |j| [i as f64 * 25.0, j as f64 * 25.0]))
        .collect();
    let error: Vec<f64> = places
        .iter()
        .map(|&[x, y]| surface.basis.value(&surface.coefficients, x, y, 0, 0) - truth.height(x, y))
        .collect();
    let terms = Array2::from_shape_fn((places.len(), 6), |(k, t)| {
        let (u, v) = (
            places[k][0] / panel.length_mm - 0.5,
            places[k][1] / panel.width_mm - 0.5,
        );
        [1.0, u, v, u * u, u * v, v * v][t]
    });
    let fitted = terms.dot(&Array1::from(
        least_squares::solve(&terms, &error).unwrap().coef,
    ));
    let square = error
        .iter()
        .zip(fitted)
        .map(|(e, f)| (e - f).powi(2))
        .sum::<f64>();
    (square / places.len() as f64).sqrt()
}

/// The survey with the edge's length not told, so that its shape is not asked for.
fn length_not_told(survey: &Survey) -> Survey {
    let mut other = survey.clone();
    other.placings.iter_mut().for_each(|p| p.base_mm = 0.0);
    other
}

/// A survey of 24 placings on 1200 × 900 mm; `fair` panels have a fiftieth of the recipe's defects.
fn hour(seed: u64, fair: bool, edge: EdgeError) -> (Panel, Truth, Survey) {
    let recipe = simulate::Recipe {
        length_mm: 1200.0,
        width_mm: 900.0,
        amplitude: if fair { 0.02 } else { 1.0 },
        ..simulate::Recipe::of(Kind::ALL[seed as usize % 3])
    };
    let (panel, truth) = (
        simulate::panel_sized(recipe.kind, 1200.0, 900.0),
        recipe.make(seed),
    );
    let survey = simulate::survey(&truth, &panel, &SurveyPlan::hour().with_edge(edge), seed);
    (panel, truth, survey)
}

/// What one survey came to: rms error with and without the edge's shape, and what is known of the
/// edge.
fn tried(one: &(Panel, Truth, Survey)) -> (f64, f64, Surface) {
    let (panel, truth, survey) = one;
    let with = fit::fit(panel, survey).unwrap();
    let without = fit::fit(panel, &length_not_told(survey)).unwrap();
    (rms(panel, truth, &with), rms(panel, truth, &without), with)
}

#[test]
fn a_straight_edge_is_left_as_it_is() {
    for (seed, fair) in [(711, false), (712, true), (713, true)] {
        let (with, without, surface) = tried(&hour(seed, fair, EdgeError::None));
        assert_eq!(surface.edges[0].state, State::Straight, "{seed}");
        assert!((with - without).abs() < 1e-9, "{seed}: {with} {without}");
    }
}

#[test]
fn the_shape_of_an_edge_is_found_and_taken_out() {
    // Errors in the middle of many (600 mm edge, six seeds): a wave of 0.1 mm 0.101 to 0.030 mm on
    // lines each 100 mm.
    let cases = [
        (EdgeError::Wave(0.1, 1.5), false, 0.8),
        (EdgeError::Wave(0.1, 1.5), true, 0.4),
        (EdgeError::Wave(0.05, 2.0), true, 0.6),
        (EdgeError::Kink(0.4, 0.2), true, 0.8),
    ];
    for (edge, fair, most) in cases {
        let mut ratios: Vec<f64> = (721..724)
            .into_par_iter()
            .map(|seed| {
                let (with, without, surface) = tried(&hour(seed, fair, edge));
                let found = &surface.edges[0];
                println!(
                    "{edge:?} {seed}: {:?}, worst {:.3?}; rms {with:.4}, edge not asked for {without:.4}",
                    found.state,
                    found.worst().unwrap()
                );
                assert_eq!(found.state, State::Shaped, "{edge:?} {seed}");
                if let EdgeError::Wave(..) = edge {
                    // Less its own offset, tilt and bow, a wave is nearly itself half way between
                    // the ends.
                    let [at, off, sd] = found.profile[12];
                    let truly = off_fair(edge, at / 600.0);
                    assert!((off - truly).abs() < 4.0 * sd + 0.01, "{off} {truly} ± {sd}");
                }
                with / without
            })
            .collect();
        ratios.sort_by(f64::total_cmp);
        assert!(ratios[1] < most, "{edge:?}: {ratios:?}");
    }
}

/// An edge's error at a share of its length, less its best offset, tilt and even bow.
fn off_fair(edge: EdgeError, share: f64) -> f64 {
    let places: Vec<f64> = (0..=200).map(|k| f64::from(k) / 200.0).collect();
    let terms = Array2::from_shape_fn((places.len(), 3), |(k, t)| places[k].powi(t as i32));
    let values: Vec<f64> = places.iter().map(|&t| edge.at(t)).collect();
    let c = least_squares::solve(&terms, &values).unwrap().coef;
    edge.at(share) - c[0] - c[1] * share - c[2] * share * share
}

/// Placings walked back (from the far end) begin at the far end: there lies the edge's first end.
#[test]
fn an_edge_is_counted_from_where_a_placing_begins() {
    let edge = EdgeError::Wave(0.1, 1.5);
    let recipe = simulate::Recipe {
        length_mm: 1200.0,
        width_mm: 900.0,
        amplitude: 0.02,
        ..simulate::Recipe::of(Kind::Flat)
    };
    let (panel, truth) = (
        simulate::panel_sized(Kind::Flat, 1200.0, 900.0),
        recipe.make(731),
    );
    let plan = SurveyPlan::hour().with_edge(edge);
    let mut rng = simulate::survey_rng(731);
    let mut survey = Survey::default();
    for (k, (name, own)) in simulate::stretches(&panel, &plan).into_iter().enumerate() {
        let end = [0, 1].map(|i| own.from[i] + own.length_mm * own.toward[i]);
        let stretch = if k % 2 == 0 {
            own
        } else {
            simulate::Stretch::between(end, own.from)
        };
        let height = |x: f64, y: f64| truth.height(x, y);
        survey.placings.extend(simulate::place(
            &height, &panel, &plan, &name, stretch, &mut rng,
        ));
    }
    simulate::number(&mut survey);
    let (with, without, surface) = tried(&(panel, truth, survey));
    assert_eq!(surface.edges[0].state, State::Shaped);
    assert!(with < 0.6 * without, "{with} {without}");
}

/// Placings all along x, each from x 0, on a panel as long as the edge: whatever the edge does lies
/// along x like a wave of the panel.
fn one_way(edge: EdgeError, seed: u64, turned: usize) -> (Panel, Truth, Survey) {
    let recipe = simulate::Recipe {
        length_mm: 600.0,
        width_mm: 1200.0,
        lows: 2,
        highs: 0,
        ..simulate::Recipe::of(Kind::Flat)
    };
    let (panel, truth) = (
        simulate::panel_sized(Kind::Flat, 600.0, 1200.0),
        recipe.make(seed),
    );
    let plan = SurveyPlan::straightedge(100.0)
        .with_edge(edge)
        .along(simulate::Directions::AlongX);
    let mut survey = simulate::survey(&truth, &panel, &plan, seed);
    let again = SurveyPlan {
        edge_turned: true,
        ..plan
    };
    let mut rng = simulate::survey_rng(seed + 5);
    let stretches = simulate::stretches(&panel, &again);
    for (name, stretch) in stretches.into_iter().take(turned) {
        let height = |x: f64, y: f64| truth.height(x, y);
        let placing = simulate::place(&height, &panel, &again, &name, stretch, &mut rng);
        survey
            .placings
            .extend(placing.map(|p| lowspot::observe::Placing { turned: true, ..p }));
    }
    (panel, truth, survey)
}

#[test]
fn a_turned_placing_tells_the_edge_from_the_panel() {
    let edge = EdgeError::Wave(0.1, 1.5);
    let not_told = tried(&one_way(edge, 1, 0));
    assert_eq!(not_told.2.edges[0].state, State::NotTold);
    assert!((not_told.0 - not_told.1).abs() < 1e-9, "left alone");
    let told = tried(&one_way(edge, 1, 1));
    assert_eq!(told.2.edges[0].state, State::Shaped);
    println!(
        "one way: rms {:.4}; with one placing turned {:.4}",
        not_told.0, told.0
    );
    assert!(told.0 < 0.6 * not_told.0);
    let straight = tried(&one_way(EdgeError::None, 1, 1));
    assert_eq!(straight.2.edges[0].state, State::Straight);
}
