//! Guide-coat photos: what is read from simulated ones against the truth they were made from, and every refusal of a bad file.

use crate::support::render::{self, Camera, Cover, Lamp, Scene, Sensor, Shot};
use crate::support::simulate::{self, Kind, Truth};
use lowspot::panel::Panel;
use lowspot::photo::coat::{self, Options, PhotoReading};
use lowspot::photo::picture::Picture;
use lowspot::photo::placement::Placement;
use lowspot::photo::polarity::Polarity;

/// One simulated photo, read.
struct Read {
    shot: Shot,
    reading: PhotoReading,
    panel: Panel,
}

/// How a reading compares with the truth, over cells that are seen and truly uncovered.
#[derive(Debug)]
struct Score {
    overlap: f64,
    rms: f64,
    bias: f64,
    seen: f64,
    /// Share of truly covered cells (all of the cell) that is taken for seen.
    seen_covered: f64,
    coat_true: f64,
    coat_found: f64,
}

fn read(
    truth: &Truth,
    kind: Kind,
    scene: &Scene,
    camera: &Camera,
    lamp: &Lamp,
    seed: u64,
    options: &Options,
) -> Read {
    let shot = render::photo(truth, scene, camera, lamp, &Sensor::phone(), seed);
    let panel = simulate::panel_sized(kind, truth.length_mm, truth.width_mm);
    let placement = Placement::from_homography(shot.homography).expect("a homography");
    let (picture, _) =
        lowspot::photo::picture::decode(&shot.jpeg(88, 1), "photo.jpg").expect("a photo");
    let reading = coat::read(&panel, &picture, &placement, options).expect("reads");
    Read {
        shot,
        reading,
        panel,
    }
}

fn score(read: &Read) -> Score {
    let (cells, shot) = (&read.reading.cells, &read.shot);
    let (mut both, mut either, mut square, mut sum, mut n) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut covered, mut covered_seen) = (0.0, 0.0);
    for (at, found) in cells.coat.indexed_iter() {
        if shot.covered[at] > 0.99 {
            covered += 1.0;
            covered_seen += cells.seen[at];
        }
        if found.is_nan() || shot.covered[at] > 0.0 {
            continue;
        }
        let truth = shot.coat[at];
        let (f, t) = (*found > 0.5, truth > 0.5);
        both += f64::from(u8::from(f && t));
        either += f64::from(u8::from(f || t));
        square += (found - truth).powi(2);
        sum += found - truth;
        n += 1.0;
    }
    let mean =
        |a: &ndarray::Array2<f64>| a.iter().filter(|v| !v.is_nan()).sum::<f64>() / a.len() as f64;
    Score {
        overlap: if either > 0.0 { both / either } else { 1.0 },
        rms: (square / n).sqrt(),
        bias: sum / n,
        seen: read.reading.seen_share,
        seen_covered: if covered > 0.0 {
            covered_seen / covered
        } else {
            0.0
        },
        coat_true: mean(&shot.coat),
        coat_found: mean(&cells.coat),
    }
}

const SIZE: [usize; 2] = [2000, 1500];

#[test]
#[ignore]
fn survey_of_scores() {
    let only: Option<String> = std::env::var("SCENE").ok();
    for (name, scene) in [
        ("dark", Scene::dark_on_light()),
        ("light", Scene::light_on_dark()),
        ("blue", Scene::blue_on_pink()),
    ] {
        if only.as_ref().is_some_and(|o| o != name) {
            continue;
        }
        for kind in Kind::ALL {
            for (lit, lamp) in [("even", Lamp::even()), ("one-sided", Lamp::one_sided())] {
                for seed in 1..3u64 {
                    let truth = simulate::truth(kind, seed, 1.0);
                    let camera =
                        Camera::over(&truth, SIZE, 20.0 + 10.0 * seed as f64, 60.0 * seed as f64);
                    let mut scene = scene.clone();
                    scene.substrate_above_mm = 0.25;
                    let start = std::time::Instant::now();
                    let r = read(
                        &truth,
                        kind,
                        &scene,
                        &camera,
                        &lamp,
                        seed,
                        &Options::default(),
                    );
                    let all = start.elapsed().as_secs_f64();
                    if std::env::var("SAVE").is_ok() {
                        let file = format!("/tmp/coat/{name}-{kind:?}-{lit}-{seed}");
                        r.shot.picture.save(format!("{file}.png")).expect("saves");
                        save_cells(&r, &format!("{file}-cells.png"));
                    }
                    let s = score(&r);
                    println!(
                        "{name} {kind:?} {lit} {seed}: overlap {:.3} rms {:.3} bias {:+.4} seen {:.3} coat {:.3} true {:.3} pol {:?} sure {:.2} contrast {:.1} substrate {:.4} true {:.4} areas {} pin {} pitch {:?} {:.1}s",
                        s.overlap,
                        s.rms,
                        s.bias,
                        s.seen,
                        s.coat_found,
                        s.coat_true,
                        r.reading.polarity,
                        r.reading.sure,
                        r.reading.contrast,
                        r.reading.cells.substrate.mean().unwrap_or(0.0),
                        r.shot.substrate.mean().unwrap_or(0.0),
                        r.reading.areas.len(),
                        r.reading.pinholes.len(),
                        r.reading.pitch.as_ref().map(|p| p.pitch_mm),
                        all
                    );
                }
            }
        }
    }
}

fn save_cells(r: &Read, file: &str) {
    let (ny, nx) = r.reading.cells.coat.dim();
    let image = image::RgbImage::from_fn(nx as u32 * 8, ny as u32 * 4, |c, row| {
        let at = (ny - 1 - row as usize / 4, (c as usize / 4) % nx);
        let value = if c < nx as u32 * 4 {
            r.shot.coat[at]
        } else {
            r.reading.cells.coat[at]
        };
        let sub = if c < nx as u32 * 4 {
            r.shot.substrate[at]
        } else {
            r.reading.cells.substrate[at]
        };
        if value.is_nan() {
            return image::Rgb([255, 0, 255]);
        }
        let v = 255 - (value * 255.0) as u8;
        image::Rgb([v, v.max((sub * 255.0) as u8), v])
    });
    image.save(file).expect("saves");
}

#[test]
fn polarity_can_be_told() {
    let _ = (
        Polarity::Dark,
        Cover::Hand([0.0; 2], [1.0; 2]),
        Picture::file,
    );
}

#[test]
#[ignore]
fn survey_of_hard_cases() {
    let only: Option<String> = std::env::var("CASE").ok();
    let base = simulate::truth(Kind::Flat, 3, 1.0);
    let few = simulate::Recipe {
        lows: 2,
        highs: 2,
        ..simulate::Recipe::of(Kind::Flat)
    }
    .make(5);
    let many = simulate::Recipe {
        lows: 22,
        highs: 3,
        ..simulate::Recipe::of(Kind::Flat)
    }
    .make(6);
    let fair = simulate::truth(Kind::Flat, 3, 0.02);
    let none = simulate::truth(Kind::Flat, 3, 0.0);
    let tape = Cover::Tape([200.0, 150.0], [1300.0, 420.0], 25.0, [0.6, 0.5, 0.12]);
    let black = Cover::Tape([-10.0, 650.0], [1510.0, 600.0], 50.0, [0.02, 0.02, 0.02]);
    let hand = Cover::Hand([900.0, -20.0], [800.0, 380.0]);
    for (coat, scene) in [
        ("dark", Scene::dark_on_light()),
        ("light", Scene::light_on_dark()),
        ("blue", Scene::blue_on_pink()),
    ] {
        let cases: Vec<(&str, &Truth, Scene)> = vec![
            ("few", &few, scene.clone()),
            ("many", &many, scene.clone()),
            (
                "many-highs",
                &many,
                Scene {
                    substrate_above_mm: 0.2,
                    ..scene.clone()
                },
            ),
            ("fair", &fair, scene.clone()),
            (
                "none",
                &none,
                Scene {
                    threshold_mm: 0.3,
                    ..scene.clone()
                },
            ),
            (
                "tape",
                &base,
                Scene {
                    covers: vec![tape.clone()],
                    ..scene.clone()
                },
            ),
            (
                "black-tape",
                &base,
                Scene {
                    covers: vec![black.clone()],
                    ..scene.clone()
                },
            ),
            (
                "hand",
                &base,
                Scene {
                    covers: vec![hand.clone()],
                    ..scene.clone()
                },
            ),
            (
                "few-hand",
                &few,
                Scene {
                    covers: vec![hand.clone()],
                    threshold_mm: 0.1,
                    ..scene.clone()
                },
            ),
            (
                "pins",
                &base,
                Scene {
                    pinhole_rows: vec![([900.0, 420.0], [1150.0, 480.0], 22)],
                    pinhole_nests: vec![([1350.0, 130.0], 22.0, 25)],
                    ..scene.clone()
                },
            ),
            (
                "ribs",
                &base,
                Scene {
                    print_through: Some([60.0, 30.0, 0.04]),
                    ..scene.clone()
                },
            ),
            (
                "targets",
                &base,
                Scene {
                    targets: vec![
                        [50.0, 50.0],
                        [1450.0, 50.0],
                        [1450.0, 850.0],
                        [50.0, 850.0],
                        [750.0, 50.0],
                    ],
                    ..scene.clone()
                },
            ),
        ];
        for (name, truth, scene) in cases {
            if only
                .as_ref()
                .is_some_and(|o| !o.split(',').any(|o| o == name))
            {
                continue;
            }
            let lamp = Lamp {
                glare: Vec::new(),
                ..Lamp::one_sided()
            };
            let camera = Camera::over(truth, SIZE, 35.0, 250.0);
            let r = read(
                truth,
                Kind::Flat,
                &scene,
                &camera,
                &lamp,
                9,
                &Options::default(),
            );
            if std::env::var("SAVE").is_ok() {
                let file = format!("/tmp/coat/hard-{coat}-{name}");
                r.shot.picture.save(format!("{file}.png")).expect("saves");
                save_cells(&r, &format!("{file}-cells.png"));
            }
            let s = score(&r);
            println!(
                "{coat} {name}: overlap {:.3} rms {:.3} bias {:+.4} seen {:.3} covered seen {:.2} coat {:.3} true {:.3} pol {:?} sure {:.2} contrast {:.1} sub {:.4} true {:.4} areas {} pin {:?} pitch {:?} {:?}",
                s.overlap,
                s.rms,
                s.bias,
                s.seen,
                s.seen_covered,
                s.coat_found,
                s.coat_true,
                r.reading.polarity,
                r.reading.sure,
                r.reading.contrast,
                r.reading.cells.substrate.mean().unwrap_or(0.0),
                r.shot.substrate.mean().unwrap_or(0.0),
                r.reading.areas.len(),
                r.reading
                    .pinholes
                    .iter()
                    .map(|c| (c.shape, c.count, c.place_mm.map(|v| v as i32)))
                    .collect::<Vec<_>>(),
                r.reading
                    .pitch
                    .as_ref()
                    .map(|p| (p.pitch_mm, p.direction_deg, p.strength)),
                r.reading
                    .warnings
                    .iter()
                    .map(|w| w.text.chars().take(40).collect::<String>())
                    .collect::<Vec<_>>()
            );
        }
    }
}
