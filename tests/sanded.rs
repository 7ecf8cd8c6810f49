//! The second renderer itself: its coat lies where its board does not reach, its truth is its own
//! picture's, its textures are spread as those of other photos are. Simulated panels only.

use crate::support::sanded_photo::{
    self, Blocked, Board, CELL_MM, Coat, JUDGING, Job, Photo, TUNING, gaps,
};
use crate::support::simulate::{self, Kind, Truth};
use lowspot::photo::placement::Placement;
use rayon::prelude::*;

fn panel_of(
    truth: &Truth,
) -> (
    impl Fn(f64, f64) -> f64 + Sync,
    impl Fn(f64, f64) -> f64 + Sync,
) {
    (
        |x: f64, y: f64| truth.form(x, y),
        |x: f64, y: f64| truth.defects(x, y),
    )
}

/// A photo of a simulated panel.
pub fn taken(truth: &Truth, job: &Job) -> Photo {
    let (form, over_form) = panel_of(truth);
    sanded_photo::photo(
        sanded_photo::Panel {
            size_mm: [truth.length_mm, truth.width_mm],
            form: &form,
            over_form: &over_form,
        },
        job,
    )
}

fn small(seed: u64) -> Truth {
    simulate::truth_sized(Kind::Flat, 1200.0, 800.0, seed, 1.0)
}

/// Share of the cells low by `from` to `to` mm whose coat is mostly left.
fn kept(truth: &Truth, photo: &Photo, from: f64, to: f64) -> f64 {
    let (mut all, mut left) = (0.0, 0.0);
    for ((iy, ix), coat) in photo.truth.coat.indexed_iter() {
        let [x, y] = [ix, iy].map(|i| (i as f64 + 0.5) * CELL_MM);
        if (from..to).contains(&-truth.defects(x, y)) {
            all += 1.0;
            left += f64::from(u8::from(*coat > 0.5));
        }
    }
    left / f64::max(all, 1.0)
}

#[test]
fn seeds_to_choose_by_and_seeds_to_judge_by_are_apart() {
    const { assert!(TUNING.end <= JUDGING.start) };
}

#[test]
fn coat_stays_where_the_board_does_not_reach() {
    let tiny = |seed, board| Job {
        size_px: [160, 120],
        board,
        ..Job::plain(seed)
    };
    let (mut long, mut deep, mut soft, mut high) = (0.0, 0.0, 0.0, 0.0);
    for seed in 0..4 {
        let truth = small(seed);
        let photo = taken(&truth, &tiny(seed, Board::LONG));
        long += kept(&truth, &photo, 0.15, 0.3) / 4.0;
        deep += kept(&truth, &photo, 0.3, 9.0) / 4.0;
        high += kept(&truth, &photo, -9.0, -0.02) / 4.0;
        soft += kept(&truth, &taken(&truth, &tiny(seed, Board::SOFT)), 0.15, 0.3) / 4.0;
    }
    println!(
        "kept at 0.15-0.30 mm low: long board {long:.2} (deeper {deep:.2}), soft pad {soft:.2}; on highs {high:.2}"
    );
    assert!(long > 0.5 && deep > 0.9 && soft < 0.1 && high < 0.05);
}

/// A rigid board over a groove leaves the groove's depth, and over a groove wider than itself
/// nothing.
#[test]
fn gaps_are_those_of_a_board_over_a_groove() {
    let flat = |_: f64, _: f64| 0.0;
    let depth = |half: f64| {
        let over = move |x: f64, _: f64| if (x - 500.0).abs() < half { -0.4 } else { 0.0 };
        let panel = sanded_photo::Panel {
            size_mm: [1000.0, 600.0],
            form: &flat,
            over_form: &over,
        };
        let board = Board {
            size_mm: [300.0, 60.0],
            gives_mm: 0.0,
            reach_mm: 0.04,
        };
        gaps(&panel, &board)[[30, 50]]
    };
    // A board laid along the groove falls into it when the groove is wider than the board.
    assert!((depth(25.0) - 0.4).abs() < 1e-9, "{}", depth(25.0));
    assert!(depth(45.0).abs() < 1e-9, "{}", depth(45.0));
}

#[test]
fn a_panel_not_blocked_is_all_coat_and_one_without_coat_is_bare() {
    let truth = small(3);
    let job = Job {
        size_px: [160, 120],
        ..Job::plain(3)
    };
    let mean = |job: &Job| taken(&truth, job).truth.coat.mean().unwrap();
    let not = Job {
        blocked: Blocked::Not,
        ..job.clone()
    };
    let bare = Job {
        coat: Coat::None,
        ..job.clone()
    };
    let begun = Job {
        blocked: Blocked::Begun(0.1),
        ..job.clone()
    };
    let (not, bare, begun) = (mean(&not), mean(&bare), mean(&begun));
    assert!(
        not > 0.97 && bare == 0.0 && (0.8..0.99).contains(&begun),
        "{not} {bare} {begun}"
    );
}

/// What the picture shows at a cell: mean logarithm of its linear light, over 5 mm means, and their
/// spread.
fn tones(truth: &Truth, photo: &Photo) -> Vec<(f64, f64, bool)> {
    let picture = image::load_from_memory(&photo.jpeg)
        .expect("a photo")
        .to_rgb8();
    let pairs: Vec<([f64; 2], [f64; 2])> = photo
        .targets
        .iter()
        .map(|t| ([t[0], t[1]], [t[2] + 0.5, t[3] + 0.5]))
        .collect();
    let placement = Placement::from_homography(homography(&pairs)).expect("a homography");
    let linear = |v: u8| (f64::from(v) / 255.0).powf(2.2);
    let [w, h] = [picture.width(), picture.height()];
    let mut all = Vec::new();
    for ((iy, ix), judged) in photo.truth.judged.indexed_iter() {
        if !judged {
            continue;
        }
        let means: Vec<f64> = (0..4)
            .filter_map(|k| {
                let (mut sum, mut n) = (0.0, 0.0);
                for a in 0..5 {
                    for b in 0..5 {
                        let x = ix as f64 * CELL_MM + 5.0 * f64::from(k % 2) + f64::from(a) + 0.5;
                        let y = iy as f64 * CELL_MM + 5.0 * f64::from(k / 2) + f64::from(b) + 0.5;
                        let [c, r] = placement.point_in_photo(x, y)?;
                        let (c, r) = (c as u32, r as u32);
                        if c < w && r < h {
                            sum += linear(picture.get_pixel(c, r).0[1]);
                            n += 1.0;
                        }
                    }
                }
                (n > 0.0).then(|| (sum / n + 1e-4).ln())
            })
            .collect();
        if means.len() == 4 {
            let mean = means.iter().sum::<f64>() / 4.0;
            let spread = means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / 3.0;
            all.push((mean, spread, photo.truth.coat[[iy, ix]] > 0.5));
        }
    }
    let _ = truth;
    all
}

/// Least squares in the plain way: enough for a flat panel seen by a lens that does not bend.
fn homography(pairs: &[([f64; 2], [f64; 2])]) -> [[f64; 3]; 3] {
    let mut a = nalgebra::DMatrix::zeros(2 * pairs.len(), 8);
    let mut b = nalgebra::DVector::zeros(2 * pairs.len());
    for (k, ([x, y], [u, v])) in pairs.iter().enumerate() {
        let rows = [
            [*x, *y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y],
            [0.0, 0.0, 0.0, *x, *y, 1.0, -v * x, -v * y],
        ];
        for (n, (row, right)) in rows.iter().zip([u, v]).enumerate() {
            for (c, value) in row.iter().enumerate() {
                a[(2 * k + n, c)] = *value;
            }
            b[2 * k + n] = *right;
        }
    }
    let h = a.svd(true, true).solve(&b, 1e-12).expect("solved");
    [[h[0], h[1], h[2]], [h[3], h[4], h[5]], [h[6], h[7], 1.0]]
}

/// The picture shows its truth: on even light coat is told from bare skin by cell means, and its
/// grain is spread as measured elsewhere.
#[test]
fn the_picture_is_that_of_its_truth() {
    let coats = [
        Coat::Powder {
            grain_mm: 3.0,
            cover: 0.8,
        },
        Coat::Mist {
            radius_mm: 1.2,
            layers: 1.2,
        },
    ];
    for (coat, seed) in coats.into_iter().zip([5, 6]) {
        let truth = small(seed);
        let job = Job {
            coat,
            size_px: [1400, 1050],
            ..Job::plain(seed)
        };
        let all = tones(&truth, &taken(&truth, &job));
        let of = |coated: bool| {
            let some: Vec<&(f64, f64, bool)> = all.iter().filter(|t| t.2 == coated).collect();
            let n = some.len() as f64;
            let mean = some.iter().map(|t| t.0).sum::<f64>() / n;
            let sd = (some.iter().map(|t| (t.0 - mean).powi(2)).sum::<f64>() / n).sqrt();
            let grain = (some.iter().map(|t| t.1).sum::<f64>() / n).sqrt();
            (mean, sd, grain, n)
        };
        let (c, b) = (of(true), of(false));
        println!("{coat:?}: coat {c:.2?}, bare {b:.2?}");
        assert!(c.3 > 100.0 && b.3 > 2000.0);
        assert!(
            b.0 - c.0 > 3.0 * (c.1 + b.1) / 2.0,
            "coat {c:?}, bare {b:?}"
        );
        assert!(
            (0.1..0.5).contains(&c.2) && b.2 < c.2 / 2.5,
            "coat {c:?}, bare {b:?}"
        );
    }
}

/// Writes photos to look at into the folder named by LOWSPOT_PHOTOS: a shop's, by chance, on
/// crowned and flat panels.
#[test]
#[ignore = "writes pictures to look at"]
fn photos_to_look_at() {
    let Ok(dir) = std::env::var("LOWSPOT_PHOTOS") else {
        return;
    };
    let dir = std::path::PathBuf::from(dir);
    (0..12u64).into_par_iter().for_each(|seed| {
        let kind = if seed % 2 == 0 {
            Kind::Flat
        } else {
            Kind::Crowned
        };
        let truth = simulate::truth_sized(kind, 1500.0, 1000.0, seed, 1.0);
        let job = Job::shop(seed);
        let photo = taken(&truth, &job);
        std::fs::write(dir.join(format!("shop-{seed:02}.jpg")), &photo.jpeg).unwrap();
        println!("{seed}: {job:?}");
    });
}
