//! The jobs in `samples/`: made up, and made anew here to the letter.
//!
//! No such panels exist. Each job is a true surface written down below, a way of measuring it, a
//! seed, and the slips a tired person makes. `LOWSPOT_REMAKE_SAMPLES=1` rewrites the readings
//! files. Other tests may ask for a [`Job`] and compare what the program finds with its truth.

use crate::support::render;
use crate::support::simulate::{
    Bump, Directions, Kind, Recipe, Seam, Stretch, SurveyPlan, Truth, heading, panel_sized, place,
    placing_line, stretches, survey_rng, tool_line,
};
use lowspot::observe::{Conditions, Placing, Reading, Survey};
use lowspot::panel::{Panel, Polygon};
use lowspot::photo::marker;
use rand_chacha::ChaCha8Rng;
use std::path::PathBuf;

/// One made-up job.
pub struct Job {
    /// Its folder under `samples/`.
    pub folder: &'static str,
    /// What the panel truly is.
    pub truth: Truth,
    /// What panel.toml says about its size, edge, openings and areas.
    pub panel: Panel,
    /// The readings, slips and all, in the order of the file.
    pub survey: Survey,
    /// The readings file.
    pub notes: String,
}

/// All jobs.
pub fn jobs() -> [Job; 3] {
    [cabin_roof(), wing_panel(), small()]
}

/// A crowned roof, 1800 × 1200 mm, with a hatch opening and a taped seam that stands proud.
pub fn cabin_roof() -> Job {
    let mut truth = plain(Kind::Crowned, 1800.0, 1200.0);
    truth.bumps = vec![
        bump([430.0, 620.0], -0.90, [95.0, 70.0], 20.0),
        bump([900.0, 350.0], -0.70, [80.0, 110.0], 0.0),
        bump([1320.0, 930.0], -0.60, [100.0, 60.0], 0.0),
        bump([250.0, 1000.0], -0.45, [60.0, 60.0], 0.0),
        bump([1640.0, 260.0], -1.10, [70.0, 90.0], 35.0),
        bump([960.0, 820.0], -0.35, [55.0, 75.0], 0.0),
        bump([300.0, 250.0], 0.25, [35.0, 60.0], 60.0),
    ];
    truth.seams = vec![Seam {
        x_mm: [610.0, 730.0],
        y_mm: [200.0, 1000.0],
        height_mm: 0.35,
        feather_mm: 30.0,
    }];
    let mut panel = panel_sized(Kind::Crowned, 1800.0, 1200.0);
    panel.name = "cabin roof".into();
    panel.cutouts = vec![rectangle([1150.0, 1550.0], [450.0, 750.0])];

    let plan = SurveyPlan::straightedge(150.0).on_packers(5.0);
    let mut day = Day::new(&truth, &panel, 14);
    day.remark("The edge stands on two 5 mm packers, one under each end: on the crown it teeters.");
    day.remark(
        "Stepped wedge, to 0.05. x from the front edge, y from the left; tape pulled tight.",
    );
    day.whole(&plan.clone().along(Directions::AlongX), "A");
    day.remark("Across. The hatch is open: nothing to read in it.");
    day.whole(&plan.clone().along(Directions::AlongY), "B");
    day.remark("Checks before the tape comes off.");
    day.repeat(&plan, "A6", false, "does it repeat?");
    day.repeat(&plan, "B11", true, "edge end for end: is it straight?");
    day.not_taken("A3", 9, "clamp in the way");
    day.ten_times("B8", 7);
    day.close(
        "cabin-roof",
        "mm",
        ROOF_HEAD,
        "date  2026-03-14   by K   skin 19 C   supports x 300 900 1500",
    )
}

/// Places of the roof's targets, numbered from 1; as in its panel.toml.
pub const ROOF_TARGETS: [[f64; 2]; 9] = [
    [70.0, 70.0],
    [880.0, 60.0],
    [1740.0, 70.0],
    [1745.0, 620.0],
    [1730.0, 1130.0],
    [860.0, 1140.0],
    [70.0, 1130.0],
    [60.0, 480.0],
    [470.0, 300.0],
];
/// Side of a printed target, mm, and how far its white margin reaches from its middle.
const TARGET_MM: f64 = 60.0;
const MARGIN_MM: f64 = 37.5;

/// What target `k` (from 0; its number is one more) looks like at a place from its middle, x to the
/// right and y upward.
pub fn numbered(k: usize, dx: f64, dy: f64) -> Option<f64> {
    let (dark, light) = (0.03, 0.8);
    if dx.abs().max(dy.abs()) > MARGIN_MM {
        return None;
    }
    let square = TARGET_MM / marker::CELLS as f64;
    let at = [dx, -dy].map(|v| (v + TARGET_MM / 2.0) / square);
    if at.iter().any(|v| *v < 0.0 || *v >= marker::CELLS as f64) {
        return Some(light);
    }
    let white = marker::is_white(k as u16 + 1, at[0] as usize, at[1] as usize)?;
    Some(if white { light } else { dark })
}

/// The roof after its first blocking: dark coat on light filler, window light from one end, a strip
/// of tape, a row of pinholes. A simulated photo, JPEG.
pub fn roof_photo() -> Vec<u8> {
    let truth = cabin_roof().truth;
    let scene = render::Scene {
        pinhole_rows: vec![([1050.0, 180.0], [1250.0, 200.0], 9)],
        targets: ROOF_TARGETS.to_vec(),
        mark: numbered,
        mark_reach_mm: MARGIN_MM,
        ..render::Scene::dark_on_light()
    };
    let camera = render::Camera::over(&truth, [2000, 1500], 24.0, -70.0);
    let shot = render::photo(
        &truth,
        &scene,
        &camera,
        &render::Lamp::one_sided(),
        &render::Sensor::phone(),
        3,
    );
    shot.jpeg(80, 1)
}

/// A wing skin, 2400 × 1000 mm, straight along x; a spar cap under y 300-380 where nothing may be
/// sanded.
pub fn wing_panel() -> Job {
    let mut truth = plain(Kind::Ruled, 2400.0, 1000.0);
    truth.bumps = vec![
        bump([500.0, 600.0], -0.50, [90.0, 60.0], 0.0),
        bump([1180.0, 170.0], -0.35, [110.0, 50.0], 0.0),
        bump([1750.0, 700.0], -0.70, [100.0, 80.0], 30.0),
        bump([2150.0, 480.0], -0.40, [60.0, 60.0], 0.0),
        bump([850.0, 860.0], -0.40, [80.0, 50.0], 0.0),
        bump([1450.0, 560.0], 0.30, [35.0, 80.0], 0.0),
    ];
    truth.seams = vec![Seam {
        x_mm: [-500.0, 2900.0],
        y_mm: [300.0, 380.0],
        height_mm: 0.12,
        feather_mm: 40.0,
    }];
    let mut panel = panel_sized(Kind::Ruled, 2400.0, 1000.0);
    panel.name = "wing panel".into();
    panel.sand_allowance_mm = Some(0.1);
    panel.no_sand = vec![rectangle([0.0, 2400.0], [300.0, 380.0])];

    let edge = SurveyPlan::straightedge(150.0);
    let gauge = SurveyPlan {
        step_mm: 50.0,
        ..SurveyPlan::wave_gauge(100.0, 0.0)
    };
    let mut day = Day::new(&truth, &panel, 27);
    day.remark("Along the span, feelers, to 0.05. x from the root, y from the nose.");
    day.whole(&edge.clone().along(Directions::AlongX), "S");
    day.remark("Across, front half: the edge on two 10 mm packers over the bend of the nose.");
    for (n, x) in [200.0, 600.0, 1000.0, 1400.0, 1800.0, 2200.0]
        .into_iter()
        .enumerate()
    {
        let plan = edge.clone().on_packers(10.0);
        day.one(&plan, &format!("F{}", n + 1), [x, 0.0], [x, 600.0]);
    }
    day.remark("Across, rear half: on two 3 mm packers.");
    for (n, x) in [200.0, 600.0, 1000.0, 1400.0, 1800.0, 2200.0]
        .into_iter()
        .enumerate()
    {
        let plan = edge.clone().on_packers(3.0);
        day.one(&plan, &format!("B{}", n + 1), [x, 400.0], [x, 1000.0]);
    }
    day.remark("Pin gauge over the nose; out is plus, its zero means nothing.");
    for (n, x) in [400.0, 1180.0, 1600.0, 2000.0].into_iter().enumerate() {
        let plan = SurveyPlan::pin_gauge(0.0);
        day.one(&plan, &format!("N{}", n + 1), [x, 0.0], [x, 300.0]);
    }
    day.remark("Dial between feet 100 apart, slid along; a hump is plus, zeroed anywhere.");
    for (n, [x, y]) in [
        [100.0, 150.0],
        [900.0, 150.0],
        [1500.0, 150.0],
        [100.0, 600.0],
        [1300.0, 600.0],
        [1500.0, 700.0],
    ]
    .into_iter()
    .enumerate()
    {
        day.one(&gauge, &format!("W{}", n + 1), [x, y], [x + 600.0, y]);
    }
    day.remark("Checks.");
    day.repeat(&edge, "S20", false, "repeats?");
    day.repeat(&edge, "S7", true, "edge end for end");
    day.not_taken("B2", 4, "tape end in the way");
    day.swap("F3", 1);
    day.close(
        "wing-panel",
        "hundredths",
        WING_HEAD,
        "date  2026-05-02   by M   skin 21 C   supports x 400 1200 2000",
    )
}

/// A locker lid, 600 × 400 mm, for a first try and for the documents.
pub fn small() -> Job {
    let mut truth = plain(Kind::Flat, 600.0, 400.0);
    truth.bumps = vec![
        bump([230.0, 170.0], -0.60, [70.0, 50.0], 25.0),
        bump([460.0, 290.0], 0.25, [30.0, 45.0], 0.0),
    ];
    let mut panel = panel_sized(Kind::Flat, 600.0, 400.0);
    panel.name = "locker lid".into();
    let long = SurveyPlan::straightedge(100.0);
    let short = SurveyPlan {
        edge_mm: 400.0,
        ..long.clone()
    };
    let mut day = Day::new(&truth, &panel, 5);
    day.whole(&long.clone().along(Directions::AlongX), "A");
    day.whole(&short.clone().along(Directions::AlongY), "B");
    day.repeat(&long, "A2", false, "");
    day.repeat(&short, "B3", true, "");
    day.close(
        "small",
        "mm",
        "",
        "date  2026-02-01   by K   skin 18 C   supports on the bench",
    )
}

const ROOF_HEAD: &str = "\
# Cabin roof, glass over foam, weave filled, before the first fill. Washed and scuffed.
# Grid on tape each 150, first line 75 in. Panel stood here since last night.
";

const WING_HEAD: &str = "\
# Left wing, upper skin, between ribs 2 and 6. After post-cure, a night on the same trestles.
# Whole numbers are hundredths of a mm: 25 is 0.25.
";

fn plain(kind: Kind, length_mm: f64, width_mm: f64) -> Truth {
    Recipe {
        length_mm,
        width_mm,
        lows: 0,
        highs: 0,
        ..Recipe::of(kind)
    }
    .make(0)
}

fn bump(centre: [f64; 2], height_mm: f64, sigma_mm: [f64; 2], degrees: f64) -> Bump {
    Bump {
        centre,
        height_mm,
        sigma_mm,
        angle: degrees.to_radians(),
    }
}

fn rectangle([x0, x1]: [f64; 2], [y0, y1]: [f64; 2]) -> Polygon {
    Polygon(vec![[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
}

// -------------------------------------------------------------------------------- a day of
// measuring

/// What is written on the paper, in order.
enum Entry {
    /// A remark, with an empty line before it.
    Remark(&'static str),
    /// A placing, with a remark at the end of its line ("" for none).
    Placing(Placing, &'static str),
}

/// A day of measuring one panel.
struct Day<'a> {
    truth: &'a Truth,
    panel: &'a Panel,
    rng: ChaCha8Rng,
    entries: Vec<Entry>,
}

impl<'a> Day<'a> {
    fn new(truth: &'a Truth, panel: &'a Panel, seed: u64) -> Self {
        let (rng, entries) = (survey_rng(seed), Vec::new());
        Day {
            truth,
            panel,
            rng,
            entries,
        }
    }

    fn remark(&mut self, text: &'static str) {
        self.entries.push(Entry::Remark(text));
    }

    /// All placings of a plan, named letter and number.
    fn whole(&mut self, plan: &SurveyPlan, letter: &str) {
        let mut count = 0;
        for (_, stretch) in stretches(self.panel, plan) {
            let name = format!("{letter}{}", count + 1);
            if let Some(placing) = self.set_down(plan, &name, stretch) {
                count += 1;
                self.entries.push(Entry::Placing(placing, ""));
            }
        }
    }

    /// One placing from a point to another.
    fn one(&mut self, plan: &SurveyPlan, name: &str, from: [f64; 2], to: [f64; 2]) {
        let placing = self.set_down(plan, name, Stretch::between(from, to));
        let placing = placing.unwrap_or_else(|| panic!("{name} cannot be placed"));
        self.entries.push(Entry::Placing(placing, ""));
    }

    fn set_down(&mut self, plan: &SurveyPlan, name: &str, stretch: Stretch) -> Option<Placing> {
        let height = |x, y| self.truth.height(x, y);
        place(&height, self.panel, plan, name, stretch, &mut self.rng)
    }

    /// An earlier placing once more, plainly or with the edge end for end.
    fn repeat(&mut self, plan: &SurveyPlan, name: &str, turned: bool, why: &'static str) {
        let ends = self.placing(name).readings.clone();
        let (first, last) = (&ends[0], &ends[ends.len() - 1]);
        let stretch = Stretch::between([first.x, first.y], [last.x, last.y]);
        let again = self.set_down(plan, name, stretch);
        let mut again = again.unwrap_or_else(|| panic!("{name} cannot be placed again"));
        (again.repeat, again.turned) = (1, turned);
        self.entries.push(Entry::Placing(again, why));
    }

    /// The reading could not be taken.
    fn not_taken(&mut self, name: &str, reading: usize, why: &'static str) {
        let r = &mut self.placing(name).readings[reading];
        (r.value_mm, r.written) = (None, "?".into());
        self.entries.iter_mut().for_each(|e| match e {
            Entry::Placing(p, remark) if p.name == name && p.repeat == 0 => *remark = why,
            _ => {}
        });
    }

    /// The slip: a reading written ten times too large, 2.45 as 24.50.
    fn ten_times(&mut self, name: &str, reading: usize) {
        let r = &mut self.placing(name).readings[reading];
        let wrong = r.value_mm.expect("a reading to write wrongly") * 10.0;
        (r.value_mm, r.written) = (Some(wrong), format!("{wrong:.2}"));
    }

    /// The slip: a reading and the next written in each other's place.
    fn swap(&mut self, name: &str, reading: usize) {
        let readings = &mut self.placing(name).readings;
        let (a, b) = (readings[reading].clone(), readings[reading + 1].clone());
        let put =
            |r: &mut Reading, of: Reading| (r.value_mm, r.written) = (of.value_mm, of.written);
        put(&mut readings[reading], b);
        put(&mut readings[reading + 1], a);
    }

    fn placing(&mut self, name: &str) -> &mut Placing {
        let found = self.entries.iter_mut().find_map(|e| match e {
            Entry::Placing(p, _) if p.name == name && p.repeat == 0 => Some(p),
            _ => None,
        });
        found.unwrap_or_else(|| panic!("no placing {name}"))
    }

    /// The file, and the job.
    fn close(self, folder: &'static str, unit: &str, head: &str, conditions: &str) -> Job {
        let mut notes = head.to_string();
        let mut survey = Survey {
            conditions: Conditions {
                panel: Some(self.panel.name.clone()),
                ..Conditions::default()
            },
            files: vec![format!("samples/{folder}/readings.txt")],
            ..Survey::default()
        };
        notes += &heading(&survey.conditions);
        notes += &format!("{conditions}\nunit {unit}\n");
        let mut header = String::new();
        for entry in self.entries {
            match entry {
                Entry::Remark(text) => notes += &format!("\n# {text}\n"),
                Entry::Placing(mut placing, remark) => {
                    if unit == "hundredths" {
                        in_hundredths(&mut placing);
                    }
                    let now = tool_line(&placing);
                    if now != header {
                        notes += &now;
                        header = now;
                    }
                    let line = placing_line(&placing);
                    notes += line.trim_end();
                    if !remark.is_empty() {
                        notes += &format!("   # {remark}");
                    }
                    notes += "\n";
                    survey.placings.push(placing);
                }
            }
        }
        // Two remarks in a row are one paragraph.
        let notes = join_remarks(&notes);
        Job {
            folder,
            truth: self.truth.clone(),
            panel: self.panel.clone(),
            survey,
            notes,
        }
    }
}

fn in_hundredths(placing: &mut Placing) {
    for r in &mut placing.readings {
        if let Some(mm) = r.value_mm {
            r.written = format!("{:.0}", (mm * 100.0).round() + 0.0);
        }
    }
}

fn join_remarks(notes: &str) -> String {
    let mut text = String::new();
    let lines: Vec<&str> = notes.lines().collect();
    for (i, line) in lines.iter().enumerate() {
        let between = line.is_empty()
            && i > 0
            && lines[i - 1].starts_with('#')
            && lines.get(i + 1).is_some_and(|next| next.starts_with('#'));
        if !between {
            text += line;
            text += "\n";
        }
    }
    text
}

// ---------------------------------------------------------------------------------------------
// tests

fn folder(job: &Job) -> PathBuf {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    root.join("samples").join(job.folder)
}

pub fn committed(job: &Job, file: &str) -> String {
    let path = folder(job).join(file);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

#[test]
fn samples_are_as_the_generator_makes_them() {
    for job in jobs() {
        if std::env::var_os("LOWSPOT_REMAKE_SAMPLES").is_some() {
            std::fs::write(folder(&job).join("readings.txt"), &job.notes).unwrap();
        }
        let file = committed(&job, "readings.txt");
        for (n, (stands, made)) in file.lines().zip(job.notes.lines()).enumerate() {
            assert_eq!(
                stands,
                made,
                "samples/{}/readings.txt:{}",
                job.folder,
                n + 1
            );
        }
        assert_eq!(file.len(), job.notes.len(), "samples/{}", job.folder);
    }
}

#[test]
fn the_samples_own_pages_state_their_counts() {
    for job in jobs() {
        let counts = format!(
            "{} placings, {} readings",
            job.survey.placings.len(),
            job.survey.taken()
        );
        let page = committed(&job, "README.md");
        assert!(page.contains(&counts), "samples/{}: {counts}", job.folder);
    }
}

#[test]
fn every_reading_of_the_samples_lies_on_its_panel() {
    for job in jobs() {
        let readings = job.survey.placings.iter().flat_map(|p| p.taken());
        let off: Vec<_> = readings.filter(|r| !job.panel.contains(r.x, r.y)).collect();
        assert!(off.is_empty(), "samples/{}: {off:?}", job.folder);
    }
}

/// Each job has a low beyond what primer takes, and a high, or it would show nothing.
#[test]
fn the_samples_truth_has_lows_and_highs() {
    for job in jobs() {
        let places = (0..=60).flat_map(|i| (0..=40).map(move |j| (i, j)));
        let heights = places.map(|(i, j)| {
            let (u, v) = (f64::from(i) / 60.0, f64::from(j) / 40.0);
            let (x, y) = (u * job.truth.length_mm, v * job.truth.width_mm);
            job.truth.defects(x, y)
        });
        let (least, most) = heights.fold((0.0_f64, 0.0_f64), |(a, b), z| (a.min(z), b.max(z)));
        assert!(
            least < -0.3 && most > 0.1,
            "{}: {least} to {most}",
            job.folder
        );
    }
}

/// The photo is made anew; a JPEG's decoder and the last digits of a sine may differ from machine
/// to machine, so pixels are compared.
#[test]
fn the_roofs_photo_is_as_the_renderer_makes_it() {
    let path = folder(&cabin_roof()).join("roof.jpg");
    let made = roof_photo();
    if std::env::var_os("LOWSPOT_REMAKE_SAMPLES").is_some() {
        std::fs::write(&path, &made).unwrap();
    }
    let stands = std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let [stands, made] = [stands, made].map(|b| image::load_from_memory(&b).unwrap().to_rgb8());
    assert_eq!(stands.dimensions(), made.dimensions());
    let apart: f64 = stands
        .iter()
        .zip(made.iter())
        .map(|(a, b)| f64::from(a.abs_diff(*b)))
        .sum();
    let mean = apart / stands.len() as f64;
    assert!(
        mean < 1.0,
        "pixels differ by {mean:.2} of 255 on the average"
    );
}
