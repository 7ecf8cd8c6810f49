//! Guide-coat photos: what is read from simulated ones against the truth they were made from, other
//! programs' thresholds on open photos, and every refusal of a bad file.

use crate::support::folder;
use crate::support::render::{self, Camera, Cover, Lamp, Scene, Sensor, Shot};
use crate::support::simulate::{self, Bump, Kind, Recipe, Truth};
use lowspot::panel::{Panel, Polygon};
use lowspot::photo::coat::{self, Options, PhotoReading};
use lowspot::photo::picture::{self, Picture};
use lowspot::photo::pinholes::Shape;
use lowspot::photo::placement::Placement;
use lowspot::photo::polarity::Polarity;
use lowspot::photo::{areas, blocks::Blocks, cells, light, otsu, rectified};
use lowspot::problem::Error;
use ndarray::Array2;

const SIZE: [usize; 2] = [1800, 1350];

/// One simulated photo: what is on the panel, how it is lit and seen, and what the reader is told.
struct Taken {
    truth: Truth,
    scene: Scene,
    lamp: Lamp,
    off_axis_deg: f64,
    azimuth_deg: f64,
    size: [usize; 2],
    seed: u64,
    options: Options,
}

impl Taken {
    fn of(truth: Truth, scene: Scene) -> Taken {
        Taken {
            truth,
            scene,
            lamp: Lamp::one_sided(),
            off_axis_deg: 30.0,
            azimuth_deg: 250.0,
            size: SIZE,
            seed: 7,
            options: Options::default(),
        }
    }

    fn read(&self) -> Read {
        let camera = Camera::over(&self.truth, self.size, self.off_axis_deg, self.azimuth_deg);
        let shot = render::photo(
            &self.truth,
            &self.scene,
            &camera,
            &self.lamp,
            &Sensor::phone(),
            self.seed,
        );
        let panel =
            simulate::panel_sized(self.truth.kind, self.truth.length_mm, self.truth.width_mm);
        let placement = Placement::from_homography(shot.homography).expect("a homography");
        let (picture, _) = picture::decode(&shot.jpeg(88, 1), "photo.jpg").expect("a photo");
        let reading = coat::read(&panel, &picture, &placement, &self.options).expect("reads");
        Read { shot, reading }
    }
}

struct Read {
    shot: Shot,
    reading: PhotoReading,
}

/// How a reading compares with the truth, over cells that are seen and truly uncovered.
#[derive(Debug)]
struct Score {
    /// Found ∩ true over found ∪ true of cells more than half coat.
    overlap: f64,
    /// Root mean square and mean of found less true share.
    rms: f64,
    bias: f64,
    /// Share of the wholly covered cells that passes for seen.
    covered_seen: f64,
}

impl Read {
    fn score(&self) -> Score {
        let (cells, shot) = (&self.reading.cells, &self.shot);
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
        Score {
            overlap: if either > 0.0 { both / either } else { 1.0 },
            rms: f64::sqrt(square / n),
            bias: sum / n,
            covered_seen: if covered > 0.0 {
                covered_seen / covered
            } else {
                0.0
            },
        }
    }

    fn substrate_off(&self) -> f64 {
        let mean = |a: &Array2<f64>| a.iter().sum::<f64>() / a.len() as f64;
        mean(&self.reading.cells.substrate) - mean(&self.shot.substrate)
    }

    #[track_caller]
    fn is_right(&self, name: &str, overlap: f64, rms: f64, polarity: Polarity) {
        let s = self.score();
        let r = &self.reading;
        println!(
            "{name}: {s:?}, seen {:.3}, {:?} sure {:.2}, contrast {:.1}",
            r.seen_share, r.polarity, r.sure, r.contrast
        );
        assert!(
            s.overlap >= overlap && s.rms <= rms && s.bias.abs() <= 0.025,
            "{name}: {s:?}"
        );
        assert!(s.covered_seen <= 0.01, "{name}: {s:?}");
        assert_eq!(r.polarity, polarity, "{name}, sure {}", r.sure);
    }
}

fn flat(seed: u64, lows: usize) -> Truth {
    Recipe {
        lows,
        ..Recipe::of(Kind::Flat)
    }
    .make(seed)
}

fn no_glare() -> Lamp {
    Lamp {
        glare: Vec::new(),
        ..Lamp::one_sided()
    }
}

// Coat against the truth.

#[test]
fn coat_is_found_under_one_sided_light_and_glare() {
    // Three times brighter at one end, dark corners, tinted, one reflected lamp; 20 to 40 degrees
    // off square.
    for (name, kind, scene, polarity, seed) in [
        (
            "dark on light, flat",
            Kind::Flat,
            Scene::dark_on_light(),
            Polarity::Dark,
            1,
        ),
        (
            "light on dark, flat",
            Kind::Flat,
            Scene::light_on_dark(),
            Polarity::Light,
            2,
        ),
        (
            "blue on pink, ruled",
            Kind::Ruled,
            Scene::blue_on_pink(),
            Polarity::Dark,
            3,
        ),
        (
            "light on dark, ruled",
            Kind::Ruled,
            Scene::light_on_dark(),
            Polarity::Light,
            4,
        ),
    ] {
        let scene = Scene {
            substrate_above_mm: 0.25,
            ..scene
        };
        let read = Taken {
            off_axis_deg: 15.0 + 6.0 * seed as f64,
            azimuth_deg: 70.0 * seed as f64,
            seed,
            ..Taken::of(simulate::truth(kind, seed, 1.0), scene)
        }
        .read();
        read.is_right(name, 0.95, 0.06, polarity);
        let reading = &read.reading;
        assert!(reading.sure >= coat::SURE, "{name}: {}", reading.sure);
        assert!(reading.pitch.is_none(), "{name}: {:?}", reading.pitch);
        assert!(
            read.substrate_off().abs() < 0.006,
            "{name}: {}",
            read.substrate_off()
        );
        let burnt = read
            .shot
            .glare
            .iter()
            .zip(&reading.cells.seen)
            .filter(|(g, _)| **g >= 0.999);
        let (count, seen) = burnt.fold((0, 0.0), |(n, s), (_, seen)| (n + 1, s + seen));
        assert!(
            count > 100 && seen / f64::from(count) < 0.01,
            "{name}: {seen} of {count} burnt cells seen"
        );
    }
}

#[test]
fn a_crown_read_by_a_plain_homography_is_off_at_the_edges_only() {
    let read = Taken {
        off_axis_deg: 20.0,
        ..Taken::of(
            simulate::truth(Kind::Crowned, 1, 1.0),
            Scene::dark_on_light(),
        )
    }
    .read();
    // 40 mm of crown seen 20 degrees off square stands off by up to 15 mm; the smooth correction of
    // the placement mends this.
    read.is_right("crowned", 0.85, 0.17, Polarity::Dark);
}

#[test]
fn small_and_large_shares_of_coat_are_read_and_told_apart() {
    let small = Scene {
        threshold_mm: 0.3,
        ..Scene::dark_on_light()
    };
    let read = Taken::of(flat(5, 2), small).read();
    let share = read.shot.coat.mean().unwrap_or(1.0);
    assert!(share < 0.1, "{share}");
    read.is_right("coat on less than a tenth", 0.95, 0.04, Polarity::Dark);

    // Coat on four fifths: only the substrate on the highs, and the specks on what is bare, say
    // which is which.
    for (scene, polarity) in [
        (Scene::dark_on_light(), Polarity::Dark),
        (Scene::light_on_dark(), Polarity::Light),
    ] {
        let scene = Scene {
            substrate_above_mm: 0.2,
            ..scene
        };
        let read = Taken {
            lamp: no_glare(),
            ..Taken::of(flat(6, 22), scene)
        }
        .read();
        let share = read.shot.coat.mean().unwrap_or(0.0);
        assert!(share > 0.7, "{share}");
        read.is_right("coat on four fifths", 0.97, 0.05, polarity);
    }
}

#[test]
fn what_the_caller_says_of_the_coat_holds() {
    let mut taken = Taken::of(flat(3, 8), Scene::dark_on_light());
    let auto = taken.read().reading;
    taken.options.coat = Polarity::Light;
    let told = taken.read().reading;
    assert_eq!((told.polarity, told.sure), (Polarity::Light, 1.0));
    for (a, b) in auto.cells.coat.iter().zip(&told.cells.coat) {
        assert!(
            a.is_nan() == b.is_nan() && (a.is_nan() || (a + b - 1.0).abs() < 1e-9),
            "{a} and {b}"
        );
    }
}

#[test]
fn unsure_of_the_coat_says_how_to_tell() {
    // Half and half in stripes, neither side with specks: nothing tells them apart.
    let bare = Scene {
        specks_cm2: 0.0,
        scratches: 0,
        pinholes: 0,
        print_through: Some([400.0, 0.0, 1.0]),
        threshold_mm: 0.0,
        ..Scene::dark_on_light()
    };
    let reading = Taken {
        lamp: no_glare(),
        ..Taken::of(simulate::truth(Kind::Flat, 1, 0.0), bare)
    }
    .read()
    .reading;
    assert!(reading.sure < coat::SURE, "{}", reading.sure);
    let text = reading
        .warnings
        .iter()
        .map(ToString::to_string)
        .collect::<String>();
    assert!(
        text.contains("not sure") && text.contains("say --coat "),
        "{text}"
    );
}

// What is not to be seen.

#[test]
fn hands_and_tape_are_not_seen_and_spoil_nothing() {
    let hand = Cover::Hand([900.0, -20.0], [800.0, 380.0]);
    let yellow = Cover::Tape([200.0, 150.0], [1300.0, 420.0], 25.0, [0.6, 0.5, 0.12]);
    let black = Cover::Tape([-10.0, 650.0], [1510.0, 600.0], 50.0, [0.02, 0.02, 0.02]);
    for (name, scene, polarity, covers) in [
        (
            "hand on light filler",
            Scene::dark_on_light(),
            Polarity::Dark,
            vec![hand.clone()],
        ),
        (
            "tapes on dark filler",
            Scene::light_on_dark(),
            Polarity::Light,
            vec![yellow, black],
        ),
        (
            "hand on pink filler",
            Scene::blue_on_pink(),
            Polarity::Dark,
            vec![hand],
        ),
    ] {
        let read = Taken {
            lamp: no_glare(),
            ..Taken::of(flat(3, 8), Scene { covers, ..scene })
        }
        .read();
        read.is_right(name, 0.97, 0.05, polarity);
        assert!(!read.reading.substrate_seen, "{name}: taken for substrate");
        let text = read
            .reading
            .warnings
            .iter()
            .map(ToString::to_string)
            .collect::<String>();
        assert!(text.contains("left out as not seen"), "{name}: {text}");
    }
}

#[test]
fn targets_that_are_named_are_not_looked_at() {
    let targets = vec![
        [50.0, 50.0],
        [1450.0, 50.0],
        [1450.0, 850.0],
        [50.0, 850.0],
        [750.0, 50.0],
    ];
    let mut taken = Taken {
        lamp: no_glare(),
        ..Taken::of(
            flat(3, 8),
            Scene {
                targets: targets.clone(),
                ..Scene::dark_on_light()
            },
        )
    };
    taken.options.hidden = targets.iter().map(|t| coat::disc(*t, 25.0)).collect();
    let read = taken.read();
    read.is_right("targets", 0.97, 0.05, Polarity::Dark);
    for [x, y] in targets {
        let at = ((y / 10.0) as usize, (x / 10.0) as usize);
        assert!(
            read.reading.cells.coat[at].is_nan(),
            "a target was read at {x}, {y}"
        );
    }
    assert!(!read.reading.substrate_seen);
}

// What is no low.

#[test]
fn speckle_scratches_and_pinholes_make_no_lows() {
    let rough = Scene {
        scratches: 300,
        pinholes: 400,
        ..Scene::dark_on_light()
    };
    let lamp = no_glare();
    // A fair panel: the coat that is left is specks in the texture.
    let fair = Taken {
        lamp: lamp.clone(),
        ..Taken::of(simulate::truth(Kind::Flat, 3, 0.02), rough.clone())
    }
    .read()
    .reading;
    assert!(fair.areas.is_empty(), "{:?}", fair.areas);
    assert!(fair.cells.coat.iter().all(|c| *c == 0.0));
    let text = fair.warnings[0].to_string();
    assert!(text.contains("fine speckle"), "{text}");
    // One low: nothing else is found.
    let one = Truth {
        bumps: vec![Bump {
            centre: [500.0, 400.0],
            height_mm: -0.8,
            sigma_mm: [80.0, 80.0],
            angle: 0.0,
        }],
        ..flat(1, 0)
    };
    let clean = Scene {
        threshold_mm: 0.1,
        ..rough
    };
    let read = Taken {
        lamp,
        ..Taken::of(one, clean)
    }
    .read();
    let areas = &read.reading.areas;
    assert_eq!(areas.len(), 1, "{areas:?}");
}

#[test]
fn a_panel_of_one_colour_says_so() {
    let clean = Scene {
        threshold_mm: 1.0,
        specks_cm2: 0.0,
        scratches: 0,
        pinholes: 0,
        ..Scene::light_on_dark()
    };
    let reading = Taken::of(simulate::truth(Kind::Flat, 3, 0.0), clean)
        .read()
        .reading;
    assert_eq!((reading.polarity, reading.sure), (Polarity::Auto, 0.0));
    assert!(
        reading.warnings[0]
            .to_string()
            .starts_with("the photo shows one colour only")
    );
    assert!(reading.areas.is_empty() && reading.pitch.is_none());
}

#[test]
fn pinholes_in_nests_and_rows_are_told_of() {
    let scene = Scene {
        pinhole_rows: vec![([900.0, 420.0], [1150.0, 480.0], 26)],
        pinhole_nests: vec![([1350.0, 130.0], 22.0, 30)],
        ..Scene::dark_on_light()
    };
    let reading = Taken {
        lamp: no_glare(),
        size: [4000, 3000],
        ..Taken::of(flat(3, 8), scene)
    }
    .read()
    .reading;
    let near = |p: [f64; 2], q: [f64; 2]| (p[0] - q[0]).hypot(p[1] - q[1]) < 40.0;
    let nest = reading
        .pinholes
        .iter()
        .find(|c| near(c.place_mm, [1350.0, 130.0]));
    let row = reading
        .pinholes
        .iter()
        .find(|c| near(c.place_mm, [1025.0, 450.0]));
    let (Some(nest), Some(row)) = (nest, row) else {
        panic!("{:?}", reading.pinholes);
    };
    assert_eq!(
        (nest.shape, row.shape),
        (Shape::Nest, Shape::Line),
        "{:?}",
        reading.pinholes
    );
    assert!(nest.count >= 12 && row.count >= 9, "{nest:?} {row:?}");
    assert_eq!(reading.pinholes.len(), 2, "{:?}", reading.pinholes);
}

#[test]
fn a_pitch_that_repeats_is_found_with_its_direction() {
    for (pitch, degrees) in [(60.0, 30.0), (110.0, -75.0)] {
        let scene = Scene {
            print_through: Some([pitch, degrees, 0.04]),
            ..Scene::dark_on_light()
        };
        let found = Taken {
            lamp: no_glare(),
            ..Taken::of(flat(3, 8), scene)
        }
        .read()
        .reading
        .pitch
        .expect("a pitch");
        assert!((found.pitch_mm - pitch).abs() < 0.03 * pitch, "{found:?}");
        assert!((found.direction_deg - degrees).abs() < 3.0, "{found:?}");
    }
}

// Areas, several photos, the photo on the panel.

#[test]
fn the_area_of_a_low_is_right_within_what_it_says() {
    let low = Bump {
        centre: [600.0, 430.0],
        height_mm: -0.8,
        sigma_mm: [90.0, 70.0],
        angle: 0.4,
    };
    let truth = Truth {
        bumps: vec![low],
        ..flat(1, 0)
    };
    let scene = Scene {
        threshold_mm: 0.1,
        ..Scene::dark_on_light()
    };
    let reading = Taken {
        lamp: no_glare(),
        ..Taken::of(truth, scene)
    }
    .read()
    .reading;
    // The border of exp(−r²/2) ≥ 1/8 is an ellipse of r² = 2 ln 8.
    let expected = std::f64::consts::PI * 90.0 * 70.0 * 2.0 * 8f64.ln() / 100.0;
    let area = &reading.areas[0];
    assert!(
        (area.area_cm2 - expected).abs() < area.give_or_take_cm2,
        "{expected}: {area:?}"
    );
    assert!(area.give_or_take_cm2 < 0.1 * expected, "{area:?}");
    assert!(
        (area.place_mm[0] - 600.0).abs() < 2.0 && (area.place_mm[1] - 430.0).abs() < 2.0,
        "{area:?}"
    );
    let outline = Polygon(area.outline_mm.clone()).area_mm2() / 100.0;
    assert!(
        (outline - area.area_cm2).abs() < 0.04 * expected,
        "outline {outline}"
    );
    assert!(area.kind == areas::Kind::Coat && !area.cut_off);
    assert!((area.least_filler_cc - area.area_cm2 * 0.002).abs() < 1e-9);
}

#[test]
fn two_photos_see_what_one_could_not() {
    let hand = |x: f64| Scene {
        covers: vec![Cover::Hand([x, -20.0], [x, 380.0])],
        ..Scene::dark_on_light()
    };
    let photo = |x: f64, seed: u64| Taken {
        seed,
        ..Taken::of(flat(3, 8), hand(x))
    };
    // The coat itself is drawn from the seed, so that the second photo is of the same panel only if
    // its seed is.
    let (first, second) = (photo(400.0, 8).read(), photo(1000.0, 8).read());
    let both = cells::merge(&[first.reading.cells.clone(), second.reading.cells.clone()])
        .expect("one panel");
    let gaps = |c: &lowspot::photo::CoatCells| c.coat.iter().filter(|v| v.is_nan()).count();
    let hidden = gaps(&both);
    assert!(hidden < gaps(&first.reading.cells) && hidden < gaps(&second.reading.cells));
    let merged = Read {
        shot: Shot {
            covered: Array2::zeros(first.shot.covered.dim()),
            coat: whole(&first.shot, &second.shot),
            ..first.shot
        },
        reading: PhotoReading {
            cells: both,
            ..first.reading
        },
    };
    let s = merged.score();
    assert!(s.overlap > 0.97 && s.rms < 0.06, "{s:?}");
    let other = Array2::zeros((3, 3));
    let small = lowspot::photo::CoatCells {
        cell_mm: 10.0,
        coat: other.clone(),
        seen: other.clone(),
        sure: other.clone(),
        substrate: other,
    };
    assert!(cells::merge(&[small, merged.reading.cells]).is_err());
    assert!(cells::merge(&[]).is_err());
}

/// True coat of two shots of one panel: where one is covered the other tells.
fn whole(a: &Shot, b: &Shot) -> Array2<f64> {
    Array2::from_shape_fn(a.coat.dim(), |at| a.coat[at].max(b.coat[at]))
}

#[test]
fn the_photo_laid_onto_the_panel_shows_each_place_where_it_is() {
    let truth = flat(3, 8);
    let camera = Camera::over(&truth, SIZE, 40.0, 100.0);
    let shot = render::photo(
        &truth,
        &Scene::dark_on_light(),
        &camera,
        &Lamp::even(),
        &Sensor::phone(),
        1,
    );
    let picture = Picture::new(shot.picture, image::metadata::Orientation::NoTransforms);
    let placement = Placement::from_homography(shot.homography).expect("a homography");
    let jpeg = rectified::jpeg(&simulate::panel(Kind::Flat), &picture, &placement, 5.0, 90)
        .expect("a JPEG");
    let (flat, _) = picture::decode(&jpeg, "flat.jpg").expect("reads");
    assert_eq!([flat.width(), flat.height()], [300, 180]);
    let (mut wrong, mut count) = (0, 0);
    for (at, coat) in shot
        .coat
        .indexed_iter()
        .filter(|(_, c)| **c == 0.0 || **c == 1.0)
    {
        // Upwards on the panel is upwards in the picture.
        let [red, ..] = flat.pixel(at.1 * 2 + 1, 179 - at.0 * 2 - 1);
        count += 1;
        wrong += usize::from((red < 120) != (*coat == 1.0));
    }
    assert!(wrong * 100 < count, "{wrong} of {count} cells");
}

#[test]
fn a_photo_that_shows_another_place_is_refused() {
    let picture = Picture::new(
        render::plain(640, 480),
        image::metadata::Orientation::NoTransforms,
    );
    let placement =
        Placement::from_homography([[1.0, 0.0, 5000.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
            .expect("inverse");
    let panel = simulate::panel(Kind::Flat);
    let error =
        coat::read(&panel, &picture, &placement, &Options::default()).expect_err("nothing to see");
    assert!(
        error
            .to_string()
            .contains("shows next to nothing of the panel"),
        "{error}"
    );
    let cells = Options {
        cell_mm: f64::NAN,
        ..Options::default()
    };
    assert!(coat::read(&panel, &picture, &placement, &cells).is_err_and(|e| e.is_usage()));
}

// Files.

fn refusal(name: &str, bytes: &[u8]) -> String {
    match picture::decode(bytes, name) {
        Ok(_) => "read".into(),
        Err(fault) => fault.to_string(),
    }
}

fn coded(format: image::ImageFormat, width: u32, height: u32) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    render::plain(width, height)
        .write_to(&mut bytes, format)
        .expect("written");
    bytes.into_inner()
}

#[test]
fn every_format_is_read_by_its_content_and_a_wrong_name_is_told() {
    use image::ImageFormat::{Jpeg, Png, Tiff, WebP};
    for (format, name, right) in [
        (Jpeg, "a.jpg", true),
        (Png, "a.png", true),
        (Tiff, "a.tif", true),
        (WebP, "a.webp", true),
        (Jpeg, "a.png", false),
        (Png, "a.jpeg", false),
        (WebP, "a.gif", false),
        (Jpeg, "a", true),
    ] {
        let (picture, warnings) = picture::decode(&coded(format, 120, 80), name).expect("reads");
        assert_eq!([picture.width(), picture.height()], [120, 80], "{format:?}");
        assert_eq!(warnings.is_empty(), right, "{name}: {warnings:?}");
        let [r, g, b] = picture.pixel(100, 60);
        let off = [r.abs_diff(100), g.abs_diff(60), b.abs_diff(90)];
        assert!(off.iter().all(|d| *d < 12), "{format:?} {off:?}");
    }
    let (_, warnings) = picture::decode(&coded(Jpeg, 120, 80), "roof.png").expect("reads");
    assert_eq!(
        warnings[0].to_string(),
        "roof.png: is a JPEG by its content, though its name says PNG; it was read as what it is"
    );
}

#[test]
fn the_orientation_of_the_camera_is_undone() {
    let truth = flat(3, 8);
    let camera = Camera::over(&truth, [400, 300], 20.0, 100.0);
    let shot = render::photo(
        &truth,
        &Scene::dark_on_light(),
        &camera,
        &Lamp::even(),
        &Sensor::phone(),
        1,
    );
    for orientation in 1..=8 {
        let (picture, _) = picture::decode(&shot.jpeg(92, orientation), "p.jpg").expect("reads");
        assert_eq!(
            [picture.width(), picture.height()],
            [400, 300],
            "orientation {orientation}"
        );
        let off: f64 = shot
            .picture
            .enumerate_pixels()
            .map(|(c, r, p)| f64::from(p.0[1].abs_diff(picture.pixel(c as usize, r as usize)[1])))
            .sum::<f64>()
            / 120_000.0;
        assert!(
            off < 6.0,
            "orientation {orientation}: {off} levels on the mean"
        );
    }
}

#[test]
fn photos_that_cannot_be_read_are_refused_with_what_to_do() {
    use image::ImageFormat::{Jpeg, Png, Tiff, WebP};
    let png_of = |width: u32, height: u32| {
        let mut bytes = coded(Png, 100, 100);
        bytes[16..20].copy_from_slice(&width.to_be_bytes());
        bytes[20..24].copy_from_slice(&height.to_be_bytes());
        bytes
    };
    let jpeg = coded(Jpeg, 400, 300);
    let frame = jpeg
        .windows(2)
        .position(|w| w == [0xFF, 0xC0])
        .expect("a frame header");
    let jpeg_of = |width: u16, height: u16| {
        let mut bytes = jpeg.clone();
        bytes[frame + 5..frame + 7].copy_from_slice(&height.to_be_bytes());
        bytes[frame + 7..frame + 9].copy_from_slice(&width.to_be_bytes());
        bytes
    };
    let cut = |bytes: Vec<u8>, part: f64| bytes[..(bytes.len() as f64 * part) as usize].to_vec();
    for (name, bytes, expected) in [
        (
            "e.jpg",
            vec![],
            "e.jpg: is empty (0 bytes); copy the photo from the camera again",
        ),
        (
            "z.jpg",
            vec![0; 4000],
            "z.jpg: is only zero bytes, so the copy failed; expected a photo",
        ),
        (
            "t.jpg",
            b"x,y,px,py\n0,0,1,2\n".to_vec(),
            "t.jpg: is text, not a photo; expected a photo as JPEG",
        ),
        (
            "p.jpg",
            b"%PDF-1.7\n".to_vec(),
            "p.jpg: is a PDF, not a photo; expected",
        ),
        (
            "h.jpg",
            b"\0\0\0\x18ftypheic\0\0".to_vec(),
            "h.jpg: is a HEIC photo; expected a photo as JPEG, PNG, TIFF or WebP: set the camera to JPEG",
        ),
        (
            "g.gif",
            b"GIF89a\x01\0".to_vec(),
            "g.gif: is a GIF; expected",
        ),
        (
            "u.jpg",
            vec![1, 2, 3, 200, 7, 7, 7, 7],
            "u.jpg: is not a photo that can be read (it begins with the bytes 01 02 03 C8",
        ),
        (
            "big.png",
            png_of(100_000, 100_000),
            "big.png: says in its head that it is 100000 × 100000 pixels; at most 48 million pixels are read",
        ),
        (
            "huge.png",
            png_of(1_000_000, 1_000_000),
            "huge.png: says in its head that it is 1000000 × 1000000 pixels; at most",
        ),
        (
            "zero.png",
            png_of(0, 600),
            "zero.png: says in its head that it is 0 × 600 pixels; a photo needs pixels both ways",
        ),
        (
            "zero.jpg",
            jpeg_of(0, 300),
            "zero.jpg: says in its head that it is 0 × 300 pixels",
        ),
        (
            "flat.jpg",
            jpeg_of(400, 0),
            "flat.jpg: says in its head that it is 400 × 0 pixels",
        ),
        (
            "big.jpg",
            jpeg_of(65_000, 65_000),
            "big.jpg: says in its head that it is 65000 × 65000 pixels; at most",
        ),
        (
            "thumb.png",
            coded(Png, 160, 40),
            "thumb.png: says in its head that it is 160 × 40 pixels; a panel cannot be read",
        ),
        (
            "cut.jpg",
            cut(jpeg.clone(), 0.6),
            "cut.jpg: is a JPEG that was cut short",
        ),
        (
            "cut2.jpg",
            cut(jpeg.clone(), 0.97),
            "cut2.jpg: is a JPEG that was cut short",
        ),
        (
            "head.jpg",
            cut(jpeg.clone(), 0.005),
            "head.jpg: is a damaged JPEG, or cut short",
        ),
        (
            "cut.png",
            cut(coded(Png, 400, 300), 0.6),
            "cut.png: is a damaged PNG, or cut short",
        ),
        (
            "cut.tif",
            cut(coded(Tiff, 400, 300), 0.6),
            "cut.tif: is a damaged TIFF, or cut short",
        ),
        (
            "cut.webp",
            cut(coded(WebP, 400, 300), 0.6),
            "cut.webp: is a damaged WebP, or cut short",
        ),
    ] {
        let found = refusal(name, &bytes);
        assert!(
            found.starts_with(expected),
            "found: {found}\nexpected: {expected}"
        );
    }
    // A whole photo is not refused, nor one with bytes after its end, as phones append.
    let mut trailing = jpeg.clone();
    trailing.extend(b"appended by the phone");
    assert_eq!(refusal("whole.jpg", &jpeg), "read");
    assert_eq!(refusal("trailing.jpg", &trailing), "read");
}

#[test]
fn no_cut_of_a_photo_passes_for_the_whole_and_none_panics() {
    for format in [
        image::ImageFormat::Jpeg,
        image::ImageFormat::Png,
        image::ImageFormat::WebP,
    ] {
        let bytes = coded(format, 200, 150);
        for part in 1..40 {
            let cut = &bytes[..bytes.len() * part / 40];
            assert_ne!(refusal("cut", cut), "read", "{format:?} cut at {part}/40");
        }
        // Damage in the middle may or may not be seen, but is never a panic.
        for at in (0..bytes.len()).step_by(bytes.len() / 60 + 1) {
            let mut damaged = bytes.clone();
            damaged[at] ^= 0xA5;
            let _ = refusal("damaged", &damaged);
        }
    }
}

#[test]
fn files_that_are_not_there_are_named() {
    let (dir, paths) = folder(&[("photo.jpg", &coded(image::ImageFormat::Jpeg, 100, 100))]);
    assert!(picture::load(&paths[0]).is_ok());
    for (path, expected) in [
        (
            dir.path().join("none.jpg"),
            "none.jpg: no such file; check the name and the folder it is in",
        ),
        (
            dir.path().to_path_buf(),
            "is a folder, not a photo; name the photo inside it",
        ),
    ] {
        let Err(Error::Faults(faults)) = picture::load(&path) else {
            panic!("a fault expected");
        };
        assert!(faults[0].to_string().ends_with(expected), "{}", faults[0]);
    }
}

// Outside checks.

fn data(name: &str) -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/photos")
        .join(name)
}

#[test]
fn otsu_levels_are_those_of_scikit_image() {
    // Computed: scikit-image 0.26.0, skimage.filters.threshold_otsu on its own sample photos.
    let text = std::fs::read_to_string(data("histograms.csv")).expect("the table");
    let rows: Vec<Vec<&str>> = text.lines().map(|l| l.split(',').collect()).collect();
    for column in 1..rows[0].len() {
        let expected: usize = rows[1][column].parse().expect("a level");
        let histogram: Vec<u64> = rows[2..]
            .iter()
            .map(|r| r[column].parse().expect("a count"))
            .collect();
        let split = otsu::split(&histogram).expect("two classes");
        assert_eq!(split.level, expected, "{}", rows[0][column]);
    }
    // From the file itself: the same histogram.
    for (column, name) in [(1, "page.png"), (2, "text.png")] {
        let (picture, _) = picture::load(&data(name)).expect("reads");
        let mut histogram = vec![0u64; 256];
        picture
            .grey()
            .pixels()
            .for_each(|p| histogram[usize::from(p.0[0])] += 1);
        let expected: Vec<u64> = rows[2..]
            .iter()
            .map(|r| r[column].parse().expect("a count"))
            .collect();
        assert_eq!(histogram, expected, "{name}");
    }
    assert!(otsu::split(&[0; 256]).is_none() && otsu::split(&[0, 9, 0]).is_none());
}

#[test]
fn an_unevenly_lit_page_is_split_as_by_a_local_threshold() {
    let (picture, _) = picture::load(&data("page.png")).expect("reads");
    let (w, h) = (picture.width() as f64, picture.height() as f64);
    // One pixel is one millimetre; y upwards.
    let placement = Placement::from_homography([[1.0, 0.0, 0.0], [0.0, -1.0, h], [0.0, 0.0, 1.0]])
        .expect("inverse");
    let panel: Panel = simulate::panel_sized(Kind::Flat, w, h);
    let raster = rectified::Raster::of(&panel, &picture, &placement, 1.0, 1.0, &[]);
    let blocks = Blocks::of(&raster);
    let grey = light::even_grey(&raster, &blocks, &light::by_steps(&blocks));
    let mut histogram = [0u64; 256];
    grey.iter()
        .flatten()
        .for_each(|g| histogram[usize::from(*g)] += 1);
    let level = otsu::split(&histogram).expect("two classes").level;
    let (local, _) = picture::load(&data("page_local.png")).expect("reads");
    let (mut same, mut dark, mut plain, mut count) = (0.0, 0.0, 0.0, 0.0);
    for (at, g) in grey.iter().enumerate() {
        let Some(g) = g else { continue };
        let (column, row) = (
            at % raster.size[0],
            raster.size[1] - 1 - at / raster.size[0],
        );
        let ours = usize::from(*g) <= level;
        count += 1.0;
        same += f64::from(u8::from(ours == (local.pixel(column, row)[0] > 127)));
        dark += f64::from(u8::from(ours));
        plain += f64::from(u8::from(picture.pixel(column, row)[0] <= 157));
    }
    println!(
        "agreement {:.4}, dark {:.4}, one threshold without evening the light {:.4}",
        same / count,
        dark / count,
        plain / count
    );
    // Computed: threshold_local (Gaussian, 35, offset 10) of scikit-image 0.26.0 calls 14.2 % dark;
    // one Otsu level for the page as it is 36 %.
    assert!(same / count > 0.95, "agreement {}", same / count);
    assert!(
        (dark / count - 0.1416).abs() < 0.04,
        "dark {}",
        dark / count
    );
    assert!(plain / count > 0.3);
}
