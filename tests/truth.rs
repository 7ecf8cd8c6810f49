//! Closed forms with convergence: known lengths, areas, volumes and gaps, the step halved again and
//! again, the order of the error measured and held to what the method promises.

use lowspot::judge::Grid;
use lowspot::judge::contour::{iso_lines, length_mm};
use lowspot::judge::edge::{gaps, swings};
use lowspot::judge::texture::{CountedFrom, texture};
use lowspot::judge::volume::{CellModel, about_level, node_weights_mm2};
use lowspot::panel::{Form, Panel, Polygon};
use ndarray::Array2;
use std::f64::consts::{PI, TAU};

const STEPS: [f64; 4] = [20.0, 10.0, 5.0, 2.5];

/// Errors at the four steps; the mean order over the three halvings must reach `order`, the last
/// error lie within `last`.
fn converges(what: &str, order: f64, last: f64, error: impl Fn(f64) -> f64) {
    let errors = STEPS.map(|step| error(step).abs());
    let reached = (errors[0] / errors[3]).log2() / 3.0;
    println!("{what}: errors {errors:?}, order {reached:.2}");
    assert!(errors[3] <= last, "{what}: {errors:?}");
    assert!(
        reached >= order || errors[0] < 1e-12,
        "{what}: order {reached:.2}, {errors:?}"
    );
}

/// A field over 0…1000 × 0…800 mm, nodes `step` apart.
fn field(step: f64, z: impl Fn(f64, f64) -> f64) -> Array2<f64> {
    let count = |length: f64| (length / step).round() as usize + 1;
    Array2::from_shape_fn((count(800.0), count(1000.0)), |(iy, ix)| {
        z(ix as f64 * step, iy as f64 * step)
    })
}

/// Centre of the round shapes, at no symmetric place of the grid.
const CENTRE: [f64; 2] = [503.7, 398.1];

fn distance(x: f64, y: f64) -> f64 {
    (x - CENTRE[0]).hypot(y - CENTRE[1])
}

#[test]
fn the_iso_line_of_a_dome_converges_to_its_circle() {
    let radius = 300.0_f64;
    let dome = |x: f64, y: f64| 5.0 - 5.0 * (distance(x, y) / radius).powi(2);
    let at = |step: f64| {
        let lines = iso_lines(&field(step, dome), step, 0.0);
        assert_eq!(lines.len(), 1);
        assert!(lines[0].closed && lines[0].signed_area_mm2() > 0.0);
        lines
    };
    converges("length of the circle, mm", 1.7, 0.03, |h| {
        length_mm(&at(h)) - TAU * radius
    });
    converges("area of the circle, mm²", 1.7, 10.0, |h| {
        at(h)[0].signed_area_mm2() - PI * radius * radius
    });
}

#[test]
fn the_iso_lines_of_a_cone_converge_at_every_height() {
    let cone = |x: f64, y: f64| 10.0 - distance(x, y) / 35.0;
    for level in [1.3, 4.0, 7.77] {
        let radius = (10.0 - level) * 35.0;
        converges(&format!("cone at {level}"), 1.6, 0.2, |h| {
            length_mm(&iso_lines(&field(h, cone), h, level)) - TAU * radius
        });
    }
}

#[test]
fn volume_and_area_of_a_spherical_cap_converge_in_every_model() {
    // Cap of height 20 on a sphere of radius 2000: πh²(3R − h)/3.
    let (r, h) = (2000.0_f64, 20.0);
    let cap = |x: f64, y: f64| (r * r - distance(x, y).powi(2)).max(0.0).sqrt() - (r - h);
    let volume = PI * h * h * (3.0 * r - h) / 3.0;
    let area = PI * (2.0 * r * h - h * h);
    for model in [
        CellModel::Bilinear,
        CellModel::MainDiagonal,
        CellModel::OtherDiagonal,
    ] {
        let v = |step| about_level(&field(step, cap), step, 0.0, model);
        converges(&format!("{model:?}: cap volume, share"), 1.8, 2e-4, |s| {
            v(s).above_mm3 / volume - 1.0
        });
        converges(&format!("{model:?}: cap area, share"), 1.5, 2e-4, |s| {
            v(s).area_above_mm2 / area - 1.0
        });
    }
}

#[test]
fn a_bump_of_sines_has_four_over_pi_squared_of_its_height_in_the_mean() {
    let bump = |x: f64, y: f64| (PI * x / 1000.0).sin() * (PI * y / 800.0).sin();
    converges("mean of the bump", 1.9, 2e-5, |step| {
        let v = about_level(&field(step, bump), step, 0.0, CellModel::Bilinear);
        v.above_mm3 / 800_000.0 - 4.0 / (PI * PI)
    });
}

fn panel(outline: Polygon, cutouts: Vec<Polygon>) -> Panel {
    Panel {
        name: "closed form".into(),
        length_mm: 1000.0,
        width_mm: 800.0,
        form: Form::Flat,
        purpose: None,
        outline,
        cutouts,
        no_sand: vec![],
        no_fill: vec![],
        photo_ignore: vec![],
        sand_allowance_mm: None,
        limits: vec![],
        zones: vec![],
        form_wavelength_mm: [1500.0, 1500.0],
        form_wavelength_given: false,
        radius_mm: [None; 2],
        node_limit_mm: 0.15,
        sheet_metal: false,
        moving_surface: false,
        skin: lowspot::panel::skin::Skin::default(),
        targets: Vec::new(),
    }
}

fn grid(step: f64) -> Grid {
    Grid {
        step_mm: step,
        nx: (1000.0 / step) as usize + 1,
        ny: (800.0 / step) as usize + 1,
    }
}

/// An askew outline with an opening; nodes fall on neither.
fn askew() -> Panel {
    let outline = Polygon(vec![
        [0.0, 0.0],
        [998.3, 11.9],
        [941.2, 797.7],
        [433.1, 651.3],
        [3.3, 788.8],
    ]);
    let opening = Polygon(vec![[303.1, 201.9], [607.7, 251.3], [551.9, 449.1]]);
    panel(outline, vec![opening])
}

#[test]
fn node_weights_add_up_to_the_area_of_the_panel() {
    for panel in [askew(), panel(Polygon::rectangle(1000.0, 800.0), vec![])] {
        for step in STEPS {
            let w = node_weights_mm2(&grid(step), &panel);
            let area = panel.area_cm2() * 100.0;
            // A cell that two edges cut is sampled; no others are off.
            assert!(
                (w.sum() / area - 1.0).abs() < 2e-4,
                "{step}: {} of {area}",
                w.sum()
            );
            for ((iy, ix), v) in w.indexed_iter() {
                let on = panel.contains(ix as f64 * step, iy as f64 * step);
                assert!(*v >= 0.0 && (on || *v == 0.0));
            }
        }
    }
}

#[test]
fn a_panel_that_ends_between_nodes_is_counted_to_its_edge() {
    let panel = panel(Polygon::rectangle(997.0, 793.0), vec![]);
    let w = node_weights_mm2(
        &Grid {
            step_mm: 10.0,
            nx: 100,
            ny: 80,
        },
        &panel,
    );
    assert!((w.sum() - 997.0 * 793.0).abs() < 1e-6);
    assert!(
        (w[[40, 99]] - 10.0 * 12.0).abs() < 1e-9,
        "the last column reaches out to the edge"
    );
}

#[test]
fn openings_that_cross_the_outline_or_each_other_take_no_area_twice() {
    let openings = vec![
        Polygon(vec![
            [900.0, 300.0],
            [1100.0, 300.0],
            [1100.0, 500.0],
            [900.0, 500.0],
        ]),
        Polygon(vec![
            [200.0, 200.0],
            [400.0, 200.0],
            [400.0, 400.0],
            [200.0, 400.0],
        ]),
        Polygon(vec![
            [300.0, 300.0],
            [500.0, 300.0],
            [500.0, 500.0],
            [300.0, 500.0],
        ]),
    ];
    let panel = panel(Polygon::rectangle(1000.0, 800.0), openings);
    let area = 800_000.0 - 100.0 * 200.0 - (2.0 * 40_000.0 - 10_000.0);
    let w = node_weights_mm2(&grid(10.0), &panel);
    assert!((w.sum() / area - 1.0).abs() < 1e-3, "{} of {area}", w.sum());
}

/// Sums over nodes of weight × deviation against the exact models, for a smooth deviation with lows
/// and highs.
#[test]
fn node_sums_differ_from_the_bilinear_model_by_the_square_of_the_step() {
    let wavy =
        |x: f64, y: f64| 0.3 * (TAU * x / 310.0).sin() * (TAU * (y + 0.3 * x) / 430.0).cos() - 0.05;
    let rectangle = panel(Polygon::rectangle(1000.0, 800.0), vec![]);
    let sums = |step: f64| {
        let (w, z) = (node_weights_mm2(&grid(step), &rectangle), field(step, wavy));
        let low: f64 = w.iter().zip(&z).map(|(w, z)| w * (-z).max(0.0)).sum();
        let whole: f64 = w.iter().zip(&z).map(|(w, z)| w * z).sum();
        (low, whole, about_level(&z, step, 0.0, CellModel::Bilinear))
    };
    converges("filler by node sums less bilinear, share", 1.8, 3e-4, |h| {
        let (low, _, cells) = sums(h);
        low / cells.below_mm3 - 1.0
    });
    for step in STEPS {
        let (_, whole, cells) = sums(step);
        let both = cells.above_mm3 - cells.below_mm3;
        assert!(
            (whole / both - 1.0).abs() < 1e-12,
            "whole cells: {whole} {both}"
        );
    }
    // How far each is from the smooth surface's own volume, here taken at nodes 1 mm apart.
    let (fine, _, _) = sums(1.0);
    let (low, _, cells) = sums(10.0);
    let (by_nodes, by_cells) = (low / fine - 1.0, cells.below_mm3 / fine - 1.0);
    println!(
        "10 mm nodes, filler against the smooth surface: node sums {by_nodes:+.5}, bilinear {by_cells:+.5}"
    );
    assert!(by_nodes.abs() < 1e-3 && by_cells.abs() < 5e-3);
}

#[test]
fn an_integral_over_an_askew_panel_converges() {
    // The integral of x over the panel by node sums, against the shoelace moments of outline and
    // opening.
    let p = askew();
    let moment = |q: &Polygon| -> f64 {
        q.edges()
            .map(|(a, b)| (a[0] + b[0]) * (a[0] * b[1] - b[0] * a[1]))
            .sum::<f64>()
            .abs()
            / 6.0
    };
    let exact = moment(&p.outline) - moment(&p.cutouts[0]);
    converges("moment of an askew panel, share", 1.4, 2e-5, |h| {
        let w = node_weights_mm2(&grid(h), &p);
        w.indexed_iter()
            .map(|((_, ix), w)| w * ix as f64 * h)
            .sum::<f64>()
            / exact
            - 1.0
    });
}

#[test]
fn the_gradient_of_a_wave_converges() {
    // Whole periods both ways, with trapezoid weights.
    let wave = |x: f64, y: f64| 0.2 * (TAU * x / 250.0).sin() * (TAU * y / 400.0).cos();
    let rectangle = panel(Polygon::rectangle(1000.0, 800.0), vec![]);
    let exact = 0.2 * TAU / 2.0 * (1.0_f64 / 250.0).hypot(1.0 / 400.0);
    converges("Sdq, share", 1.8, 1e-3, |h| {
        let t = texture(
            &field(h, wave),
            &node_weights_mm2(&grid(h), &rectangle),
            h,
            CountedFrom::Mean,
        )
        .unwrap();
        assert!(
            (t.sq_mm - 0.1).abs() < 1e-12,
            "Sq of whole periods is exact: {}",
            t.sq_mm
        );
        t.sdq / exact - 1.0
    });
}

#[test]
fn the_gap_over_a_lone_low_converges() {
    // A low 0.5 mm deep, narrow against a base of 400 mm, at no node: found ever better, never too
    // deep by more than rounding.
    let low = |x: f64, y: f64| -0.5 * (-(distance(x, y) / 60.0).powi(2) / 2.0).exp();
    let fine = {
        // Along the best line the edge's ends stand 200 mm off; the chord there is the value at 200
        // mm.
        let rim = -0.5 * (-(200.0_f64 / 60.0).powi(2) / 2.0).exp();
        rim + 0.5
    };
    converges("gap over a low, mm", 0.9, 5e-4, |h| {
        let map = gaps(&field(h, low), h, 400.0).unwrap();
        let worst = map
            .gap
            .iter()
            .copied()
            .filter(|g| g.is_finite())
            .fold(0.0, f64::max);
        assert!(worst <= 0.5);
        worst - fine
    });
}

/// Half a base that is no whole number of steps: the feet stand between nodes, on a cubic.
#[test]
fn feet_between_nodes_read_as_feet_on_nodes_do() {
    for (step, base) in [(10.0, 50.0), (20.0, 100.0), (20.0, 140.0), (10.0, 73.0)] {
        let wave = |x: f64, _: f64| 0.5 * (TAU * x / 400.0).cos();
        let map = swings(&field(step, wave), step, base).unwrap();
        let swing = map
            .value
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .fold(0.0, f64::max);
        // From crest to trough within two bases, as far as two bases reach.
        let travel = ((2.0 * base / step).floor() * step).min(200.0);
        let share = (PI * travel / 400.0).sin();
        let exact = share * (1.0 - (PI * base / 400.0).cos());
        println!("step {step}, base {base}: {swing} of {exact}");
        assert!((swing / exact - 1.0).abs() < 0.03, "{swing} {exact}");
    }
}

/// Time of the virtual tools on a panel of 1800 × 1200 mm at 10 mm: `cargo test --test tests
/// time_of -- --ignored --nocapture`.
#[test]
#[ignore = "prints times"]
fn time_of_the_virtual_tools() {
    let z = Array2::from_shape_fn((121, 181), |(iy, ix)| {
        let (x, y) = (ix as f64 * 10.0, iy as f64 * 10.0);
        0.3 * (x / 61.0).sin() * (y / 83.0).cos() + 0.1 * (x / 13.0 + y / 17.0).sin()
    });
    let crown = Array2::from_shape_fn((121, 181), |(iy, ix)| -1e-3 * ((ix * ix + iy * iy) as f64));
    let time = |what: &str, work: &dyn Fn()| {
        let best = (0..5)
            .map(|_| {
                let start = std::time::Instant::now();
                work();
                start.elapsed()
            })
            .min();
        println!("{what}: {best:?}");
    };
    let bowl = crown.mapv(|v| -v);
    for (name, z) in [("waves", &z), ("crown", &crown), ("bowl", &bowl)] {
        for base in [300.0, 1000.0] {
            time(&format!("gaps, {name}, base {base}"), &|| {
                drop(gaps(z, 10.0, base))
            });
        }
    }
    time("swings, base 300", &|| drop(swings(&z, 10.0, 300.0)));
    let w = node_weights_mm2(
        &Grid {
            step_mm: 10.0,
            nx: 181,
            ny: 121,
        },
        &askew(),
    );
    time("node weights", &|| {
        drop(node_weights_mm2(
            &Grid {
                step_mm: 10.0,
                nx: 181,
                ny: 121,
            },
            &askew(),
        ))
    });
    time("height parameters", &|| {
        texture(&z, &w, 10.0, CountedFrom::Mean);
    });
    time("bands", &|| {
        drop(lowspot::judge::texture::bands(
            &z,
            &w,
            10.0,
            &[100.0, 300.0, 600.0, 1200.0],
        ))
    });
    time("iso-lines, 11 levels", &|| {
        for level in -5..=5 {
            drop(iso_lines(&z, 10.0, f64::from(level) * 0.05));
        }
    });
    time("volumes, bilinear", &|| {
        about_level(&z, 10.0, 0.0, CellModel::Bilinear);
    });
}
