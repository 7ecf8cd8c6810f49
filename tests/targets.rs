//! Targets: found in photos, read from files, and the placement they give. All photos but the
//! chessboards are made up.

use crate::support::panel;
use crate::support::simulate::{self, SurveyPlan};
use crate::support::targets::{Spoiling, Surface, Taped, View, paint};
use lowspot::panel::Panel;
use lowspot::photo::finder;
use lowspot::photo::placement::crown::Crown;
use lowspot::photo::placement::solve::{self, Setting, Spread};
use lowspot::photo::placement::{Placement, homography};
use lowspot::photo::targets::{self, Seen};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

// Finding.

/// A made-up photo with its targets' true centres.
struct Photo {
    picture: image::GrayImage,
    truth: Vec<(u16, [f64; 2])>,
}

/// One of the made-up photos of the bar: 1200 to 4000 px wide, up to 50° off the axis, targets of
/// 50 mm on 1200 × 800 mm or larger in the same proportion.
fn photo(seed: u64) -> Photo {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let widths = [1200, 1600, 2000, 3000, 4000];
    let width = widths[(seed % 5) as usize];
    let long = rng.random_range(800.0..1800.0);
    let panel = [long, long * rng.random_range(0.55..0.75)];
    let view = View::new(
        panel,
        Surface::Flat,
        width,
        rng.random_range(0.0..50.0),
        rng.random_range(0.0..360.0),
        rng.random_range(-25.0..25.0),
        0.95,
    );
    let side = if width < 2000 && long > 1200.0 {
        80.0
    } else {
        50.0
    };
    let mut numbers: Vec<u16> = (0..250).collect();
    numbers.shuffle(&mut rng);
    let (l, w, m) = (panel[0], panel[1], 1.2 * side);
    let places = [
        [m, m],
        [l / 2.0, m],
        [l - m, m],
        [l - m, w / 2.0],
        [l - m, w - m],
        [l / 2.0, w - m],
        [m, w - m],
        [m, w / 2.0],
    ];
    let taped: Vec<Taped> = places
        .iter()
        .zip(&numbers)
        .map(|(p, n)| Taped {
            number: *n,
            x: p[0],
            y: p[1],
            turned: rng.random_range(-30.0..30.0) + 90.0 * f64::from(rng.random_range(0..4)),
        })
        .collect();
    let blurred = f64::from(width) / 4000.0;
    let spoiling = Spoiling {
        blur_px: rng.random_range(0.4..0.6 + 1.2 * blurred),
        noise: rng.random_range(1.0..6.0),
        light_ratio: 3.0,
        glares: rng.random_range(0..3),
    };
    let truth = taped
        .iter()
        .filter_map(|t| view.photo(t.x, t.y).map(|p| (t.number, p)))
        .collect();
    Photo {
        picture: paint(&view, &taped, side, spoiling, &mut rng),
        truth,
    }
}

/// What the finder made of some photos.
#[derive(Default, Debug)]
struct Tally {
    photos: usize,
    placed: usize,
    targets: usize,
    found: usize,
    wrong: usize,
    square: f64,
    worst: f64,
    seconds: f64,
}

impl Tally {
    fn add(&mut self, photo: &Photo) {
        let start = std::time::Instant::now();
        let found = finder::find(&photo.picture);
        self.seconds += start.elapsed().as_secs_f64();
        self.photos += 1;
        let mut here = 0;
        for f in &found {
            let off = |c: [f64; 2]| (f.centre[0] - c[0]).hypot(f.centre[1] - c[1]);
            match photo
                .truth
                .iter()
                .find(|(n, c)| *n == f.number && off(*c) < 10.0)
            {
                Some((_, c)) => {
                    here += 1;
                    self.square += off(*c).powi(2);
                    self.worst = self.worst.max(off(*c));
                }
                None => self.wrong += 1,
            }
        }
        self.targets += photo.truth.len();
        self.found += here;
        self.placed += usize::from(here >= 4);
    }

    fn rms(&self) -> f64 {
        (self.square / self.found.max(1) as f64).sqrt()
    }

    fn check(&self) {
        eprintln!(
            "{} photos, {} with four targets or more; {} of {} targets, {} wrong; rms {:.3} px, worst {:.2} px; {:.2} s a photo",
            self.photos,
            self.placed,
            self.found,
            self.targets,
            self.wrong,
            self.rms(),
            self.worst,
            self.seconds / self.photos as f64
        );
        assert_eq!(self.wrong, 0, "a wrong number or place");
        assert!(
            self.found * 100 >= self.targets * 95,
            "{} of {} targets found",
            self.found,
            self.targets
        );
        assert!(
            self.placed * 100 >= self.photos * 95,
            "{} of {} photos placed",
            self.placed,
            self.photos
        );
        assert!(self.rms() <= 0.5, "centres off by {:.3} px rms", self.rms());
    }
}

#[test]
fn targets_are_found_in_spoilt_photos_and_none_under_a_wrong_number() {
    let mut tally = Tally::default();
    (0..15).for_each(|seed| tally.add(&photo(seed)));
    tally.check();
}

#[test]
#[ignore = "200 photos take minutes; the figures stand in docs/method.md. With LOWSPOT_PHOTOS=DIR they are also written there"]
fn targets_are_found_in_two_hundred_spoilt_photos() {
    let mut tally = Tally::default();
    let folder = std::env::var_os("LOWSPOT_PHOTOS").map(std::path::PathBuf::from);
    let mut truth = String::from("photo,number,column,row\n");
    for seed in 1000..1200 {
        let photo = photo(seed);
        tally.add(&photo);
        if let Some(folder) = &folder {
            photo
                .picture
                .save(folder.join(format!("{seed}.png")))
                .expect("written");
            for (n, c) in &photo.truth {
                truth.push_str(&format!("{seed},{n},{:.3},{:.3}\n", c[0], c[1]));
            }
        }
    }
    if let Some(folder) = &folder {
        std::fs::write(folder.join("truth.csv"), truth).expect("written");
    }
    tally.check();
}

// The placement of plane and bent panels.

/// A panel of 1800 × 1200 mm of a form.
fn panel_of(form: &str) -> Panel {
    panel(&format!(
        "name = \"lid\"\nlength = 1800\nwidth = 1200\nform = \"{form}\"\n[[limit]]\nbase = 300\ngap = 0.3\n"
    ))
}

/// Corners, then middles of the long edges, then of the short ones, then places within.
const PLACES: [[f64; 2]; 14] = [
    [60.0, 60.0],
    [1740.0, 60.0],
    [1740.0, 1140.0],
    [60.0, 1140.0],
    [900.0, 60.0],
    [900.0, 1140.0],
    [60.0, 600.0],
    [1740.0, 600.0],
    [900.0, 600.0],
    [480.0, 330.0],
    [1320.0, 870.0],
    [480.0, 870.0],
    [1320.0, 330.0],
    [700.0, 600.0],
];

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// The same, six of them in general position: no three in line.
const SCATTERED: [[f64; 2]; 6] = [
    [60.0, 60.0],
    [1740.0, 90.0],
    [1700.0, 1140.0],
    [100.0, 1100.0],
    [1150.0, 420.0],
    [620.0, 760.0],
];

/// The first `count` targets as a view shows them, taped within `tape_mm` and seen within
/// `photo_px` (standard deviations).
fn seen(view: &View, count: usize, tape_mm: f64, photo_px: f64, rng: &mut ChaCha8Rng) -> Vec<Seen> {
    let places: &[[f64; 2]] = if count == 6 { &SCATTERED } else { &PLACES };
    let shown = places.iter().zip(1..).take(count).filter_map(|(p, n)| {
        let q = view.photo(p[0], p[1])?;
        Some(Seen {
            name: format!("target {n}"),
            on_panel: [p[0] + tape_mm * normal(rng), p[1] + tape_mm * normal(rng)],
            in_photo: [q[0] + photo_px * normal(rng), q[1] + photo_px * normal(rng)],
        })
    });
    shown.collect()
}

fn view_of(surface: Surface, rng: &mut ChaCha8Rng) -> View {
    let mut view = View::new(
        [1800.0, 1200.0],
        surface,
        3000,
        rng.random_range(10.0..40.0),
        rng.random_range(0.0..360.0),
        rng.random_range(-15.0..15.0),
        0.9,
    );
    view.k1 = 0.01 * normal(rng);
    view
}

/// How far places all over the panel are misplaced, mm: root mean square, and the worst.
fn misplaced(view: &View, placement: &Placement) -> (f64, f64) {
    let (mut square, mut worst, mut n) = (0.0, 0.0_f64, 0.0);
    for i in 0..=18 {
        for j in 0..=12 {
            let (x, y) = (100.0 * f64::from(i), 100.0 * f64::from(j));
            let q = view.photo(x, y).expect("seen");
            let p = placement.point_on_panel(q[0], q[1]).expect("on the panel");
            let off = (p[0] - x).hypot(p[1] - y);
            square += off * off;
            worst = worst.max(off);
            n += 1.0;
        }
    }
    ((square / n).sqrt(), worst)
}

fn plane_only(targets: &[Seen]) -> Placement {
    let pairs: Vec<homography::Pair> = targets.iter().map(|s| (s.on_panel, s.in_photo)).collect();
    let (h, _) = homography::fitted(&pairs).expect("a homography");
    Placement::from_homography([0, 1, 2].map(|r| [0, 1, 2].map(|c| h[(r, c)]))).expect("an inverse")
}

/// Prints and returns, over twelve views: median rms misplacement by a homography and by the
/// program, and how often the worst place lay within what the program said.
fn placed_over_views(form: &str, surface: Surface, count: usize) -> (f64, f64, usize) {
    let panel = panel_of(form);
    let (mut plane, mut ours, mut held, mut said) = (Vec::new(), Vec::new(), 0, Vec::new());
    for seed in 0..12 {
        let mut rng = ChaCha8Rng::seed_from_u64(700 + seed);
        let view = view_of(surface, &mut rng);
        let targets = seen(&view, count, 1.0, 0.3, &mut rng);
        plane.push(misplaced(&view, &plane_only(&targets)).0);
        let placed = targets::fit(&panel, view.size, targets, targets::FOUND).expect("placed");
        let (rms, worst) = misplaced(&view, &placed.placement);
        ours.push(rms);
        held += usize::from(worst <= placed.may_be_off_mm);
        said.push(placed.may_be_off_mm);
    }
    for list in [&mut plane, &mut ours, &mut said] {
        list.sort_by(f64::total_cmp);
    }
    eprintln!(
        "{form} {surface:?}, {count} targets: homography {:.2} ({:.2}), program {:.2} ({:.2}) mm rms; said up to {:.1} ({:.1}), held {held}/12",
        plane[6], plane[11], ours[6], ours[11], said[6], said[11]
    );
    (plane[6], ours[6], held)
}

const CROWN: Surface = Surface::Crowned { a: 34.0, b: 15.0 };
const HIGH_CROWN: Surface = Surface::Crowned { a: 50.0, b: 30.0 };

#[test]
fn a_flat_panel_is_placed_within_the_tape() {
    for count in [4, 8, 12] {
        let (_, ours, held) = placed_over_views("flat", Surface::Flat, count);
        assert!(
            ours < 2.0 && held >= 10,
            "{count} targets: {ours:.2} mm, held {held}"
        );
    }
}

/// Median and ninth tenth of the rms misplacement over forty views of a flat panel through a lens
/// that distorts, on photos cut off their middle: by a homography, by the program, and by a camera
/// always, mm.
fn flat_through_a_lens(
    seeds: std::ops::Range<u64>,
    distortion: f64,
    cut: f64,
    tape_mm: f64,
    count: usize,
) -> [[f64; 2]; 3] {
    let panel = panel_of("flat");
    let mut all: [Vec<f64>; 3] = Default::default();
    for seed in seeds {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut view = view_of(Surface::Flat, &mut rng);
        view.k1 = distortion;
        let longer = f64::from(view.size[0]);
        view.middle = view.middle.map(|m| m + cut * longer * normal(&mut rng));
        let targets = seen(&view, count, tape_mm, 0.3, &mut rng);
        let pairs: Vec<homography::Pair> =
            targets.iter().map(|s| (s.on_panel, s.in_photo)).collect();
        let setting = Setting {
            panel: &panel,
            size: view.size.map(f64::from),
            spread: targets::FOUND,
            crown: Crown::expected(&panel),
        };
        let camera = solve::camera(&setting, &pairs)
            .and_then(|s| Placement::from_camera(s.camera, 1800.0, 1200.0));
        all[0].push(misplaced(&view, &plane_only(&targets)).0);
        if let Some(camera) = camera {
            all[2].push(misplaced(&view, &camera).0);
        }
        let placed = targets::fit(&panel, view.size, targets, targets::FOUND).expect("placed");
        all[1].push(misplaced(&view, &placed.placement).0);
    }
    all.map(|mut list| {
        list.sort_by(f64::total_cmp);
        [list[list.len() / 2], list[list.len() * 9 / 10]]
    })
}

#[test]
#[ignore = "prints the table that the choice of model rests on"]
fn flat_panels_through_lenses() {
    for count in [4, 6, 8, 12] {
        for (distortion, cut) in [
            (0.0, 0.0),
            (-0.02, 0.0),
            (-0.06, 0.0),
            (0.05, 0.0),
            (0.0, 0.1),
            (-0.03, 0.05),
        ] {
            for tape_mm in [0.3, 1.0] {
                let [plane, ours, camera] =
                    flat_through_a_lens(42_000..42_040, distortion, cut, tape_mm, count);
                println!(
                    "{count} targets, distortion {distortion}, cut {cut}, tape {tape_mm}: homography {plane:.2?}, \
                     program {ours:.2?}, camera {camera:.2?}"
                );
            }
        }
    }
}

/// Eight targets on a flat panel tell the lens. Without distortion asking for it costs little.
#[test]
fn a_lens_that_distorts_is_followed_on_a_flat_panel() {
    let [plane, ours, _] = flat_through_a_lens(43_000..43_030, -0.03, 0.05, 0.3, 8);
    assert!(
        ours[0] < 0.6 && ours[0] < 0.4 * plane[0],
        "{plane:.2?} {ours:.2?}"
    );
    let [plane, ours, _] = flat_through_a_lens(43_000..43_030, 0.0, 0.0, 0.3, 8);
    assert!(ours[0] < plane[0] + 0.25, "{plane:.2?} {ours:.2?}");
}

#[test]
fn a_bent_panel_is_placed_better_than_by_a_homography() {
    for (form, surface) in [
        ("crowned", CROWN),
        ("crowned", HIGH_CROWN),
        ("ruled-x", Surface::Cylinder { radius: 3000.0 }),
        ("ruled-x", Surface::Wing),
    ] {
        for count in [4, 6, 8, 12] {
            let (plane, ours, held) = placed_over_views(form, surface, count);
            assert!(held >= 9, "{form} {surface:?} {count}: held {held}");
            if count >= 8 {
                assert!(ours < 3.0, "{form} {surface:?} {count}: {ours:.2} mm");
                assert!(
                    ours < plane,
                    "{form} {surface:?} {count}: {ours:.2}, homography {plane:.2} mm"
                );
            }
        }
    }
}

/// Height of a crowned surface over the taped place, mm.
fn crown_height(view: &View, x: f64, y: f64) -> f64 {
    view.space(x, y)[2]
}

/// Four targets in the corners say nothing of a crown, and six along the long edges little. A
/// straightedge's readings do.
#[test]
fn readings_tell_how_a_panel_bends_where_few_targets_do_not() {
    let panel = panel_of("crowned");
    let plan = SurveyPlan {
        advance_mm: 600.0,
        ..SurveyPlan::straightedge(300.0)
    };
    for (surface, count) in [(CROWN, 4), (CROWN, 5), (HIGH_CROWN, 4), (HIGH_CROWN, 5)] {
        let (mut without, mut with, mut said, mut held) = (Vec::new(), Vec::new(), Vec::new(), 0);
        for seed in 0..12 {
            let mut rng = ChaCha8Rng::seed_from_u64(900 + seed);
            let view = view_of(surface, &mut rng);
            let survey =
                simulate::survey_of(&|x, y| crown_height(&view, x, y), &panel, &plan, seed);
            let found = lowspot::fit::fit(&panel, &survey).expect("fits");
            let crown = Crown::of(&panel, &found).expect("a bend");
            let targets = seen(&view, count, 1.0, 0.3, &mut rng);
            let alone =
                targets::fit(&panel, view.size, targets.clone(), targets::FOUND).expect("placed");
            let placed = targets::fit_knowing(&panel, view.size, targets, targets::FOUND, crown)
                .expect("placed");
            without.push(misplaced(&view, &alone.placement).0);
            let (rms, worst) = misplaced(&view, &placed.placement);
            with.push(rms);
            held += usize::from(worst <= placed.may_be_off_mm);
            said.push((alone.may_be_off_mm, placed.may_be_off_mm));
        }
        with.sort_by(f64::total_cmp);
        without.sort_by(f64::total_cmp);
        said.sort_by(|a, b| a.1.total_cmp(&b.1));
        println!(
            "{surface:?}, {count} targets: without readings {:.1} mm, with {:.2} ({:.2}); said {:?}; held {held}/12",
            without[6], with[6], with[11], said[6]
        );
        assert!(
            with[6] < 3.0 && with[6] < 0.3 * without[6],
            "{with:?} {without:?}"
        );
        assert!(
            held >= 11 && said[6].1 < 0.35 * said[6].0,
            "{held} {said:?}"
        );
    }
}

#[test]
fn photo_and_panel_are_each_others_inverse_to_a_hundredth_of_a_mm() {
    for (form, surface) in [
        ("flat", Surface::Flat),
        ("crowned", HIGH_CROWN),
        ("ruled-x", Surface::Wing),
    ] {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let view = view_of(surface, &mut rng);
        let targets = seen(&view, 12, 1.0, 0.3, &mut rng);
        let placed =
            targets::fit(&panel_of(form), view.size, targets, targets::FOUND).expect("placed");
        for i in -1..=19 {
            for j in -1..=13 {
                let (x, y) = (100.0 * f64::from(i), 100.0 * f64::from(j));
                let q = placed.placement.point_in_photo(x, y).expect("seen");
                let p = placed
                    .placement
                    .point_on_panel(q[0], q[1])
                    .expect("there and back");
                assert!((p[0] - x).hypot(p[1] - y) < 0.01, "{form} {x} {y}: {p:?}");
            }
        }
    }
}

// Wrong targets.

/// Views a kind of slip is tried on.
const SLIPS: u64 = 10;

/// How often a slip is named rightly, doubted or refused, missed, or another blamed, over views of
/// a kind of panel.
fn slips_named(
    form: &str,
    surface: Surface,
    count: usize,
    slip: &dyn Fn(&mut [Seen], &mut ChaCha8Rng) -> Vec<String>,
) -> [usize; 4] {
    let panel = panel_of(form);
    let mut tally = [0; 4];
    for seed in 0..SLIPS {
        let mut rng = ChaCha8Rng::seed_from_u64(900 + seed);
        let view = view_of(surface, &mut rng);
        let mut targets = seen(&view, count, 0.7, 0.3, &mut rng);
        let mut wrong = slip(&mut targets, &mut rng);
        wrong.sort();
        let kind = match targets::fit(&panel, view.size, targets, targets::FOUND) {
            Ok(placed) => {
                let mut named: Vec<String> =
                    placed.left_out.iter().map(|l| l.name.clone()).collect();
                named.sort();
                let doubted = placed
                    .warnings
                    .iter()
                    .any(|w| w.text.contains("unusual") || w.text.contains("do not agree"));
                match named {
                    n if n == wrong => 0,
                    n if n.is_empty() && doubted => 1,
                    n if n.is_empty() => 2,
                    _ => 3,
                }
            }
            Err(_) => 1,
        };
        tally[kind] += 1;
    }
    eprintln!(
        "{form}, {count} targets: named {}, doubted {}, missed {}, another blamed {}",
        tally[0], tally[1], tally[2], tally[3]
    );
    tally
}

fn mistyped(targets: &mut [Seen], rng: &mut ChaCha8Rng) -> Vec<String> {
    let i = rng.random_range(0..targets.len());
    let off = rng.random_range(60.0..300.0);
    targets[i].on_panel[rng.random_range(0..2)] += if rng.random_bool(0.5) { off } else { -off };
    vec![targets[i].name.clone()]
}

fn swapped(targets: &mut [Seen], rng: &mut ChaCha8Rng) -> Vec<String> {
    let i = rng.random_range(0..targets.len());
    let j = (i + rng.random_range(1..targets.len())) % targets.len();
    let p = targets[i].on_panel;
    targets[i].on_panel = targets[j].on_panel;
    targets[j].on_panel = p;
    vec![targets[i].name.clone(), targets[j].name.clone()]
}

#[test]
fn a_mistyped_target_of_six_and_a_swapped_pair_of_seven_are_named() {
    let mut failures = Vec::new();
    for (form, surface) in [
        ("flat", Surface::Flat),
        ("crowned", CROWN),
        ("ruled-x", Surface::Wing),
    ] {
        for count in [5, 6, 7, 8] {
            let [named, _, missed, blamed] = slips_named(form, surface, count, &mistyped);
            failures.extend((blamed > 0).then(|| format!("{form}, {count}: {blamed} blamed")));
            // Of six, some slips are explained as well by another target; they are doubted, not
            // missed.
            let least = if count == 6 { 7 } else { 10 };
            let enough = count < 6 || named >= least && missed == 0;
            failures.extend(
                (!enough).then(|| format!("{form}, {count}: {named} named, {missed} missed")),
            );
        }
        for count in [6, 7, 8] {
            let [named, _, missed, blamed] = slips_named(form, surface, count, &swapped);
            let enough = (count < 7 || named == SLIPS as usize) && missed == 0 && blamed == 0;
            failures.extend((!enough).then(|| {
                format!("{form}, {count} swapped: {named} named, {missed} missed, {blamed} blamed")
            }));
        }
        let [sound, doubted, _, _] = slips_named(form, surface, 8, &|_, _| Vec::new());
        failures.extend(
            (sound < SLIPS as usize)
                .then(|| format!("{form}: {sound} of {SLIPS} sound, {doubted} doubted")),
        );
    }
    assert!(failures.is_empty(), "{failures:#?}");
}

#[test]
fn targets_of_another_panel_are_refused_with_how_far_they_miss() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let view = view_of(Surface::Flat, &mut rng);
    let mut targets = seen(&view, 8, 0.5, 0.3, &mut rng);
    for t in &mut targets {
        t.on_panel = [rng.random_range(0.0..1800.0), rng.random_range(0.0..1200.0)];
    }
    let error = targets::fit(&panel_of("flat"), view.size, targets, targets::FOUND)
        .expect_err("refused")
        .to_string();
    assert!(
        error.starts_with("the targets do not fit this panel: they miss by "),
        "{error}"
    );
    assert!(
        error.contains(" mm (rms)") && error.contains("photo of this panel?"),
        "{error}"
    );
}

#[test]
fn targets_in_a_line_determine_nothing() {
    let view = view_of(Surface::Flat, &mut ChaCha8Rng::seed_from_u64(6));
    let check = |places: &[[f64; 2]], refused: bool| {
        let targets = places
            .iter()
            .map(|p| Seen {
                name: "target".into(),
                on_panel: *p,
                in_photo: view.photo(p[0], p[1]).expect("seen"),
            })
            .collect();
        let outcome = targets::fit(&panel_of("flat"), view.size, targets, targets::FOUND);
        match outcome {
            Err(e) => assert!(
                refused
                    && e.to_string()
                        .contains("too nearly in one line on the panel"),
                "{places:?}: {e}"
            ),
            Ok(_) => assert!(!refused, "{places:?} taken"),
        }
    };
    check(&[[0., 0.], [600., 0.], [1200., 0.], [1800., 0.]], true);
    check(&[[0., 0.], [900., 0.], [1800., 0.], [900., 1200.]], true);
    check(&[[0., 0.], [900., 5.], [1800., 0.], [900., 1200.]], true);
    check(
        &[
            [0., 0.],
            [600., 0.],
            [1200., 0.],
            [1800., 0.],
            [900., 1200.],
        ],
        true,
    );
    check(&[[0., 0.], [900., 200.], [1800., 0.], [900., 1200.]], false);
    check(&[[0., 0.], [1800., 0.], [1800., 1200.], [0., 1200.]], false);
}

// Against numbers from outside.

/// cv2.findHomography (OpenCV 5.0.0, method 0: least squares) on the same points; it gave these
/// homography entries and 39.8467 px rms. The points are made up and fit badly, so that the
/// least-squares solutions of different cost functions would differ.
#[test]
fn the_homography_is_that_of_opencv() {
    let pairs = [
        ([40.0, 60.0], [411.3, 2300.2]),
        ([1750.0, 35.0], [3390.8, 2561.7]),
        ([1720.0, 1130.0], [2984.1, 640.9]),
        ([55.0, 1160.0], [702.6, 588.4]),
        ([900.0, 590.0], [1853.7, 1371.5]),
        ([420.0, 900.0], [1247.2, 958.8]),
        ([1330.0, 250.0], [2585.9, 2004.6]),
    ];
    let check = |pairs: &[homography::Pair], expected: [[f64; 2]; 3], within: f64| {
        let (h, _) = homography::fitted(pairs).expect("a homography");
        for (p, q) in [[900.0, 600.0], [0.0, 0.0], [1800.0, 1200.0]]
            .iter()
            .zip(expected)
        {
            let found = homography::apply(&h, *p).expect("seen");
            assert!(
                (found[0] - q[0]).hypot(found[1] - q[1]) < within,
                "{found:?}, OpenCV {q:?}"
            );
        }
    };
    check(
        &pairs,
        [
            [1853.6697728515073, 1388.9047998780015],
            [326.5562638511419, 2422.1670327725],
            [3082.2451196842767, 557.636856358516],
        ],
        0.01,
    );
    check(
        &pairs[..4],
        [
            [1817.8305330442124, 1405.6891229612925],
            [329.1937198059538, 2414.3610602100152],
            [3084.9226981813104, 547.1316175202684],
        ],
        1e-3,
    );
}

/// The four-point map worked out in exact fractions: the unit square's centre goes to (50.75,
/// 4946/68).
#[test]
fn four_points_give_the_exact_homography() {
    let pairs = [
        ([0.0, 0.0], [10.0, 20.0]),
        ([1.0, 0.0], [110.0, 10.0]),
        ([1.0, 1.0], [95.0, 130.0]),
        ([0.0, 1.0], [25.0, 100.0]),
    ];
    let (h, _) = homography::fitted(&pairs).expect("a homography");
    let h = h / h[(2, 2)];
    let exact = [
        [9560.0 / 177.0, 1385.0 / 59.0, 10.0],
        [-2510.0 / 177.0, 6720.0 / 59.0, 20.0],
        [-74.0 / 177.0, 20.0 / 59.0, 1.0],
    ];
    for (r, row) in exact.iter().enumerate() {
        for (c, v) in row.iter().enumerate() {
            assert!((h[(r, c)] - v).abs() < 1e-9, "entry {r} {c}: {}", h[(r, c)]);
        }
    }
    let corners = pairs.map(|p| p.1);
    let closed = finder::quad::from_unit_square(&corners).expect("a quadrilateral");
    for (r, row) in exact.iter().enumerate() {
        for (c, v) in row.iter().enumerate() {
            assert!(
                (closed[r][c] - v).abs() < 1e-12,
                "closed form, entry {r} {c}"
            );
        }
    }
}

/// Inner corners of a real chessboard, 25 mm squares, in thirteen photos taken with a lens that
/// distorts (tests/data/chessboard; 640 × 480 px).
fn chessboards() -> Vec<(String, Vec<Seen>)> {
    let text = include_str!("data/chessboard/corners.csv");
    let mut photos: Vec<(String, Vec<Seen>)> = Vec::new();
    for line in text.lines().filter(|l| l.starts_with("left")) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |i: usize| cells[i].parse::<f64>().expect("a number");
        let seen = Seen {
            name: format!("corner {} {}", cells[1], cells[2]),
            on_panel: [25.0 * number(1), 25.0 * number(2)],
            // The table counts from the middle of the first pixel.
            in_photo: [number(3) + 0.5, number(4) + 0.5],
        };
        match photos.iter_mut().find(|(name, _)| name == cells[0]) {
            Some((_, list)) => list.push(seen),
            None => photos.push((cells[0].into(), vec![seen])),
        }
    }
    photos
}

/// Errors of distances of 50 mm and more between corners in one row or column that took no part in
/// the fit, parts of the distance; root mean square over all photos, and rms misplacement of those
/// corners in mm.
fn board_errors(used: &dyn Fn(usize, usize) -> bool) -> (f64, f64) {
    let board = panel(
        "name = \"board\"\nlength = 200\nwidth = 125\nform = \"flat\"\n[[limit]]\nbase = 50\ngap = 0.3\n",
    );
    let spread = Spread {
        photo_px: 0.2,
        tape_mm: 0.02,
    };
    let (mut square, mut n, mut off, mut m) = (0.0, 0.0, 0.0, 0.0);
    for (name, corners) in chessboards() {
        assert_eq!(corners.len(), 54, "{name}");
        let is_used = |s: &&Seen| {
            used(
                (s.on_panel[0] / 25.0) as usize,
                (s.on_panel[1] / 25.0) as usize,
            )
        };
        let targets: Vec<Seen> = corners.iter().filter(is_used).cloned().collect();
        let placed = targets::fit(&board, [640, 480], targets, spread).expect("placed");
        let held: Vec<([f64; 2], [f64; 2])> = corners
            .iter()
            .filter(|s| !is_used(s))
            .map(|s| {
                (
                    s.on_panel,
                    placed
                        .placement
                        .point_on_panel(s.in_photo[0], s.in_photo[1])
                        .expect("on the board"),
                )
            })
            .collect();
        for (i, (p, a)) in held.iter().enumerate() {
            off += (p[0] - a[0]).powi(2) + (p[1] - a[1]).powi(2);
            m += 1.0;
            for (q, b) in &held[..i] {
                let (dx, dy) = (p[0] - q[0], p[1] - q[1]);
                let true_mm = dx.hypot(dy);
                if (dx == 0.0 || dy == 0.0) && true_mm >= 50.0 {
                    let found = (a[0] - b[0]).hypot(a[1] - b[1]);
                    square += ((found - true_mm) / true_mm).powi(2);
                    n += 1.0;
                }
            }
        }
    }
    (f64::sqrt(square / n), f64::sqrt(off / m))
}

#[test]
fn distances_on_real_chessboards_are_recovered() {
    let outer = |c: usize, r: usize| matches!((c, r), (0 | 8, 0 | 5));
    let twelve =
        |c: usize, r: usize| matches!((c, r), (0 | 4 | 8, 0 | 5) | (0 | 8, 2) | (2 | 6, 1 | 4));
    let (four, four_mm) = board_errors(&outer);
    let (many, many_mm) = board_errors(&twelve);
    eprintln!(
        "four outer corners: {:.2} % of distances, {four_mm:.2} mm; twelve: {:.2} %, {many_mm:.2} mm",
        100.0 * four,
        100.0 * many
    );
    assert!(many < 0.005, "twelve targets: {:.2} %", 100.0 * many);
    assert!(many < four, "more targets serve");
}
