//! Guide coat on photos that were rendered by others than this project, and coat with grain on its
//! own.

use crate::support::render::{self, Camera, Lamp, Scene, Sensor};
use crate::support::simulate::{self, Kind, Recipe};
use lowspot::panel;
use lowspot::photo::coat::{self, Options};
use lowspot::photo::picture;
use lowspot::photo::placement::Placement;
use lowspot::photo::polarity::Polarity;
use lowspot::photo::take;
use std::path::{Path, PathBuf};

/// What a photo was found to tell, against its truth.
#[derive(Debug)]
struct Score {
    name: String,
    kind: String,
    /// Colour of the coat: dark, light, none, all.
    colour: String,
    found: Polarity,
    sure: f64,
    /// Found ∩ true over found ∪ true, of judged cells of 20 mm with coat on half of them or more.
    overlap: f64,
    /// Share of the judged bare cells that was called coat.
    false_coat: f64,
    /// Share of the judged coated cells that was called bare with a certainty of a half or more.
    surely_bare: f64,
    warnings: String,
}

impl Score {
    fn colour_right(&self) -> bool {
        match self.colour.as_str() {
            "dark" => self.found == Polarity::Dark,
            "light" => self.found == Polarity::Light,
            _ => true,
        }
    }
}

fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/coat_photos")
}

fn score(folder: &Path) -> Score {
    let text = |file: &str| std::fs::read_to_string(folder.join(file)).unwrap_or_default();
    let (panel, _) = panel::file::load(&folder.join("panel.toml")).expect("a panel");
    let (photo, targets) = (folder.join("photo.jpg"), folder.join("targets.csv"));
    let taken = take::take(&panel, &photo, Some(&targets), Polarity::Auto).expect("reads");
    let cells = &taken.reading.cells;
    // Named columns, so that truth with more of them can be judged too.
    let truth = ["truth_coat.csv", "truth.csv"]
        .iter()
        .map(|f| text(f))
        .find(|t| t.lines().next().is_some_and(|h| h.contains("coat")))
        .expect("truth");
    let head: Vec<&str> = truth.lines().next().expect("a head").split(',').collect();
    let column = |name: &str| head.iter().position(|h| *h == name);
    let (mut both, mut either, mut bare, mut wrong) = (0.0, 0.0, 0.0, 0.0);
    let (mut coated, mut surely_bare) = (0.0, 0.0);
    for line in truth.lines().skip(1) {
        let v: Vec<f64> = line
            .split(',')
            .map(|s| s.parse().expect("a number"))
            .collect();
        if column("judged").is_some_and(|c| v[c] == 0.0) {
            continue;
        }
        let [x, y, coat] = ["x_mm", "y_mm", "coat"].map(|n| v[column(n).expect("a column")]);
        let quarter: Vec<[f64; 2]> = [[-5.0, -5.0], [5.0, -5.0], [-5.0, 5.0], [5.0, 5.0]]
            .iter()
            .filter_map(|d| {
                let at = |a: &ndarray::Array2<f64>| cells.at(a, x + d[0], y + d[1]);
                let coat = at(&cells.coat).filter(|c| !c.is_nan())?;
                Some([coat, at(&cells.sure)?])
            })
            .collect();
        if quarter.is_empty() {
            continue;
        }
        let mean = |i: usize| quarter.iter().map(|q| q[i]).sum::<f64>() / quarter.len() as f64;
        let (found, truly) = (mean(0) >= 0.5, coat >= 0.5);
        let one = |b: bool| f64::from(u8::from(b));
        both += one(found && truly);
        either += one(found || truly);
        bare += one(!truly);
        wrong += one(found && !truly);
        coated += one(truly);
        surely_bare += one(truly && !found && mean(1) >= 0.5);
    }
    let about = text("about.txt");
    let after = |key: &str| {
        let rest = about.split(key).nth(1).unwrap_or("");
        rest.trim().split("  ").next().unwrap_or("").to_string()
    };
    Score {
        name: folder
            .file_name()
            .map(|n| n.to_string_lossy().into())
            .unwrap_or_default(),
        kind: after("kind:"),
        colour: after("coat:"),
        found: taken.reading.polarity,
        sure: taken.reading.sure,
        overlap: if either > 0.0 { both / either } else { 1.0 },
        false_coat: wrong / f64::max(bare, 1.0),
        surely_bare: surely_bare / f64::max(coated, 1.0),
        warnings: taken
            .reading
            .warnings
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(" | "),
    }
}

fn scores(folder: &Path) -> Vec<Score> {
    let mut folders: Vec<PathBuf> = std::fs::read_dir(folder)
        .expect("a folder")
        .filter_map(|e| Some(e.ok()?.path()))
        .filter(|p| p.join("photo.jpg").exists())
        .collect();
    folders.sort();
    let all: Vec<Score> = folders.iter().map(|f| score(f)).collect();
    for s in &all {
        println!(
            "{:28} {:5} {:?} sure {:.2}: overlap {:.3}, false {:.4}, surely bare {:.4} {}",
            s.name, s.colour, s.found, s.sure, s.overlap, s.false_coat, s.surely_bare, s.warnings
        );
    }
    all
}

fn mean(values: impl Iterator<Item = f64> + Clone) -> f64 {
    values.clone().sum::<f64>() / values.count().max(1) as f64
}

fn holds(all: &[Score]) {
    let (model, painted): (Vec<&Score>, Vec<&Score>) =
        all.iter().partition(|s| s.kind == "model of sanding");
    assert_eq!((painted.len(), model.len()), (16, 4));
    let coated: Vec<&&Score> = painted
        .iter()
        .filter(|s| matches!(s.colour.as_str(), "dark" | "light"))
        .collect();
    let with_bare: Vec<&&&Score> = coated.iter().filter(|s| s.name != "hardly-begun").collect();
    let overlap = mean(coated.iter().map(|s| s.overlap));
    assert!(overlap >= 0.93, "mean overlap {overlap}");
    assert!(
        with_bare.iter().all(|s| s.overlap >= 0.8),
        "an overlap below 0.8"
    );
    let overlap = mean(model.iter().map(|s| s.overlap));
    assert!(overlap >= 0.75, "mean overlap on the model's {overlap}");
    for s in all {
        assert!(s.colour_right(), "{s:?}");
        match s.colour.as_str() {
            "none" => assert!(s.false_coat <= 0.01, "{s:?}"),
            "all" => {
                assert!(s.surely_bare == 0.0 && s.overlap > 0.99, "{s:?}");
                assert!(s.warnings.contains("not blocked yet"), "{s:?}");
            }
            _ => {}
        }
    }
}

#[test]
fn coat_on_photos_by_others_is_found() {
    holds(&scores(&data()));
}

#[test]
#[ignore = "judges a folder of full photos: LOWSPOT_COAT_PHOTOS names it"]
fn coat_on_a_folder_of_photos() {
    let folder = std::env::var("LOWSPOT_COAT_PHOTOS").expect("LOWSPOT_COAT_PHOTOS names a folder");
    let all = scores(Path::new(&folder));
    let coated = || {
        all.iter()
            .filter(|s| matches!(s.colour.as_str(), "dark" | "light" | ""))
    };
    println!(
        "mean overlap {:.3} of {}",
        mean(coated().map(|s| s.overlap)),
        coated().count()
    );
    let wrong = all
        .iter()
        .filter(|s| s.sure >= coat::SURE && !s.colour_right());
    assert_eq!(
        wrong.count(),
        0,
        "a wrong colour of which the reading is sure"
    );
}

/// Overlap over cells of 10 mm of a photo by the project's own renderer, with grains of bare filler
/// in the coat.
fn own(scene: Scene, seed: u64) -> (f64, coat::PhotoReading) {
    let truth = Recipe {
        lows: 8,
        ..Recipe::of(Kind::Flat)
    }
    .make(seed);
    let camera = Camera::over(&truth, [1800, 1350], 25.0, 70.0 * seed as f64);
    let lamp = Lamp {
        glare: Vec::new(),
        ..Lamp::one_sided()
    };
    let shot = render::photo(&truth, &scene, &camera, &lamp, &Sensor::phone(), seed);
    let panel = simulate::panel_sized(truth.kind, truth.length_mm, truth.width_mm);
    let placement = Placement::from_homography(shot.homography).expect("a homography");
    let (picture, _) = picture::decode(&shot.jpeg(88, 1), "photo.jpg").expect("a photo");
    let reading = coat::read(&panel, &picture, &placement, &Options::default()).expect("reads");
    let (mut both, mut either) = (0.0, 0.0);
    for (at, found) in reading
        .cells
        .coat
        .indexed_iter()
        .filter(|(_, f)| !f.is_nan())
    {
        let (f, t) = (*found > 0.5, shot.coat[at] > 0.5);
        both += f64::from(u8::from(f && t));
        either += f64::from(u8::from(f || t));
    }
    (both / f64::max(either, 1.0), reading)
}

#[test]
fn grains_of_filler_in_the_coat_do_not_hide_it() {
    for (share, seed) in [(0.0, 3), (0.02, 4), (0.05, 3), (0.1, 4), (0.2, 3), (0.4, 4)] {
        for (scene, polarity) in [
            (Scene::dark_on_light(), Polarity::Dark),
            (Scene::light_on_dark(), Polarity::Light),
        ] {
            let scene = Scene {
                light_grains: share,
                ..scene
            };
            let (overlap, reading) = own(scene, seed);
            println!(
                "{share}, {polarity:?}: overlap {overlap:.3}, {:?} sure {:.2}",
                reading.polarity, reading.sure
            );
            assert!(overlap >= 0.95, "{share}: {overlap}");
            assert_eq!(reading.polarity, polarity, "{share}");
        }
    }
}
