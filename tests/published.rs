//! Checks against something outside: certified data sets, other people's measurements, published
//! rules and closed forms. Each prints what was checked, its source, the expected value, ours and
//! the difference; `docs/checks.md` is that table. Sources are "published" where the number stands
//! in the named source, "computed" where another program or a closed form gave it, "from memory"
//! where the source was not seen.

use crate::{fit_checks, mixing, moved, planning};
use lowspot::fit::least_squares::{LeastSquares, solve, solve_weighted};
use lowspot::judge::Grid;
use lowspot::judge::contour::{iso_lines, length_mm};
use lowspot::judge::edge::{gaps, slopes, swings};
use lowspot::judge::texture::{CountedFrom, gaussian_smooth, texture};
use lowspot::judge::volume::{CellModel, about_level, node_weights_mm2};
use lowspot::panel::{Form, Panel, Polygon};
use ndarray::{Array2, Axis};
use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};
use std::path::PathBuf;

/// One line of the table.
#[derive(Clone)]
pub struct Check {
    pub what: String,
    pub source: &'static str,
    pub expected: String,
    pub got: String,
    pub difference: String,
    pub holds: bool,
}

/// A value that must come within `within` of the expected one.
pub fn close(
    what: impl Into<String>,
    source: &'static str,
    expected: f64,
    got: f64,
    within: f64,
) -> Check {
    Check {
        what: what.into(),
        source,
        expected: digits(expected),
        got: digits(got),
        difference: format!("{:.1e}", got - expected),
        holds: (got - expected).abs() <= within,
    }
}

/// A value that must come within a share `within` of the expected one.
pub fn close_share(
    what: impl Into<String>,
    source: &'static str,
    expected: f64,
    got: f64,
    within: f64,
) -> Check {
    close(what, source, expected, got, within * expected.abs())
}

/// A count of digits that must be reached.
fn at_least(what: impl Into<String>, source: &'static str, wanted: f64, got: f64) -> Check {
    Check {
        what: what.into(),
        source,
        expected: format!("{wanted} digits"),
        got: format!("{got:.1} digits"),
        difference: format!("{:+.1}", got - wanted),
        holds: got >= wanted,
    }
}

/// Ten significant digits, trailing zeros off.
pub fn digits(value: f64) -> String {
    let places = match value.abs() {
        0.0 => 1,
        size => (9 - size.log10().floor() as i32).clamp(0, 15) as usize,
    };
    let text = format!("{value:.places$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_string(),
        false => text,
    }
}

fn line(c: &Check) -> String {
    format!(
        "| {} | {} | {} | {} | {} |",
        c.what, c.source, c.expected, c.got, c.difference
    )
}

pub fn hold(checks: Vec<Check>) {
    for c in &checks {
        println!("{}", line(c));
    }
    assert!(!checks.is_empty(), "nothing was checked");
    let failed: Vec<String> = checks.iter().filter(|c| !c.holds).map(line).collect();

    assert!(failed.is_empty(), "out of bounds:\n{}", failed.join("\n"));
}

/// The sections of the table, in its order.
fn sections() -> Vec<(&'static str, Vec<Check>)> {
    vec![
        ("Least squares", nist()),
        ("Thin-plate splines", fit_checks::thin_plates()),
        (
            "Reference planes",
            [
                planes(),
                flatness_sets(),
                plate_of_1955(),
                fit_checks::plate(),
            ]
            .concat_all(),
        ),
        (
            "Iso-lines, areas, volumes",
            [contours(), bed_volumes(), volume_rules()].concat_all(),
        ),
        (
            "Height parameters and filter",
            [
                waves(),
                filter(),
                fit_checks::spline_filter(),
                fit_checks::form_filter(),
            ]
            .concat_all(),
        ),
        (
            "Straightedge and gauges",
            [edge_closed_forms(), edge_on_profiles(), gauges()].concat_all(),
        ),
        (
            "Real measured surfaces under a made-up survey",
            fit_checks::measured_surfaces(),
        ),
        (
            "Mixing",
            [mixing::mixtures(), mixing::packing(), mixing::times()].concat_all(),
        ),
        ("Weight and balance", planning::balances()),
        ("Readings from date to date, and waves", moved::published()),
    ]
}

pub trait ConcatAll {
    fn concat_all(self) -> Vec<Check>;
}

impl<const N: usize> ConcatAll for [Vec<Check>; N] {
    fn concat_all(self) -> Vec<Check> {
        self.into_iter().flatten().collect()
    }
}

macro_rules! checks {
    ($($test:ident => $made:ident),* $(,)?) => {
        $(#[test] fn $test() { hold($made()); })*
    };
}

checks! {
    nist_certified_regressions => nist,
    least_squares_planes_of_probed_plates => planes,
    flatness_of_sets_with_a_known_answer => flatness_sets,
    the_surface_plate_of_1955_joined_by_least_squares => plate_of_1955,
    iso_lines_of_probed_plates => contours,
    volumes_of_probed_plates_about_their_planes => bed_volumes,
    volume_rules_of_the_surveyors => volume_rules,
    height_parameters_of_sine_surfaces => waves,
    the_gaussian_filter => filter,
    the_straightedge_on_circle_parabola_and_sine => edge_closed_forms,
    the_straightedge_on_measured_profiles => edge_on_profiles,
    the_wave_and_slope_gauges_on_a_sine => gauges,
}

fn table() -> String {
    let mut text = String::from(
        "# Checks against something outside\n\n\
         Every line is computed by `tests/published.rs`, `tests/fit_checks.rs` and `tests/mixing.rs`, which fail when a difference leaves its bounds; this page is\n\
         written by it (`cargo test --test tests write_the_table_of_checks -- --ignored`). \"Published\": the number stands in\n\
         the named source. \"Computed\": another program, or a closed form, gave it. \"From memory\": the source was not seen.\n\
         What the data are, where they come from and under which licence: `tests/data/README.md`.\n",
    );
    for (title, checks) in sections() {
        text += &format!(
            "\n## {title}\n\n| check | source | expected | got | difference |\n| --- | --- | --- | --- | --- |\n"
        );
        for c in checks {
            text += &line(&c);
            text.push('\n');
        }
    }
    text += PHOTOS;
    text += "\n## By hand\n\n\
        The volcano grid of R (87 × 61 heights, GPL, not carried) was tried with `volcano_iso_lines_and_volumes` on 2026-11-25: at ten levels\n\
        the count and length of the iso-lines agree with contourpy's to 1e-11 of the length, the volumes above in all three cell\n\
        models with own Python's to 1e-10, and above less below of the bilinear model with the trapezoid sum.\n";
    text
}

/// Checks of photos: they are held by tests of their own, named here with what was measured on
/// 2026-11-25.
const PHOTOS: &str = "
## Photos

Held by `tests/targets.rs`, `tests/photos.rs` and by `tests/reference/`, run by hand where it says so.

| check | source | expected | got |
| --- | --- | --- | --- |
| homography of 7 badly fitting points | OpenCV, `findHomography` on the same points | its places | within 0.01 px |
| homography of 4 points | exact fractions, worked out | exact | 1e-9 |
| 13 real chessboard photos, 12 corners named, 42 held out: distances of 50 mm and more | corners of OpenCV's sample photos; squares of 25 mm | within 0.5 % | 0.44 % |
| the same, four outer corners only | the same | none | 2.07 % |
| 1,600 numbered targets in 200 simulated photos, found | OpenCV's detector on the same files, by hand | 1,586 | 1,587, none under a wrong number |
| Otsu levels of five open photos | scikit-image 0.26, `threshold_otsu` | its levels | equal, 5 of 5 |
| an unevenly lit page split in text and ground | scikit-image 0.26, `threshold_local` | its split | 97.2 % of pixels alike |
| the joint problem of readings and coat | Clarabel, a general interior-point solver, by hand | its objective | within 1.2e-8 |
";

fn page() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("docs/checks.md")
}

#[test]
#[ignore = "writes docs/checks.md"]
fn write_the_table_of_checks() {
    std::fs::write(page(), table()).unwrap();
}

/// Last digits may differ from machine to machine, so what was checked and what was expected is
/// compared.
#[test]
fn the_page_of_checks_lists_every_check() {
    let head = |text: &str| -> Vec<String> {
        text.lines()
            .filter(|l| l.starts_with("| "))
            .map(|l| l.splitn(5, " | ").take(3).collect::<Vec<_>>().join(" | "))
            .collect()
    };
    let written = std::fs::read_to_string(page()).unwrap();
    assert_eq!(
        head(&written),
        head(&table()),
        "docs/checks.md is out of date: see its first lines"
    );
}

pub fn data(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data")
        .join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

pub fn number(text: &str) -> f64 {
    text.trim()
        .parse()
        .unwrap_or_else(|_| panic!("{text:?} is not a number"))
}

// -------------------------------------------------------------------------------------------------
// Least squares

/// A set of NIST's Statistical Reference Datasets, read from its own file.
struct Nist {
    rows: Array2<f64>,
    y: Vec<f64>,
    certified: Vec<[f64; 2]>,
    residual_sd: f64,
    r2: f64,
}

fn read_nist(name: &str) -> Nist {
    let text = data(&format!("nist/{name}.dat"));
    let lines: Vec<&str> = text.lines().collect();
    let range = lines
        .iter()
        .find(|l| l.trim_start().starts_with("Data ") && l.contains("(lines"))
        .unwrap();
    let bounds: Vec<usize> = range
        .split(|c: char| !c.is_ascii_digit())
        .filter_map(|w| w.parse().ok())
        .collect();
    let rows: Vec<Vec<f64>> = lines[bounds[0] - 1..bounds[1]]
        .iter()
        .map(|l| l.split_whitespace().map(number).collect())
        .collect();
    let header = &lines[..60];
    let certified: Vec<(usize, [f64; 2])> = header
        .iter()
        .filter_map(|l| {
            let words: Vec<&str> = l.split_whitespace().collect();
            let [parameter, estimate, error] = words.as_slice() else {
                return None;
            };
            let index = parameter.strip_prefix('B')?.parse().ok()?;
            Some((index, [number(estimate), number(error)]))
        })
        .collect();
    let last_word = |start: &str| {
        let found = header.iter().filter(|l| l.trim_start().starts_with(start));
        found
            .filter_map(|l| l.split_whitespace().last()?.parse().ok())
            .next()
            .unwrap()
    };
    let polynomial = rows[0].len() == 2;
    Nist {
        rows: Array2::from_shape_fn((rows.len(), certified.len()), |(i, j)| {
            match certified[j].0 {
                0 => 1.0,
                power if polynomial => rows[i][1].powi(power as i32),
                column => rows[i][column],
            }
        }),
        y: rows.iter().map(|r| r[0]).collect(),
        certified: certified.iter().map(|c| c.1).collect(),
        residual_sd: last_word("Standard Deviation"),
        r2: last_word("R-Squared"),
    }
}

/// Digits that two numbers have in common, 15 at most; about zero the size itself counts.
fn common_digits(got: f64, certified: f64) -> f64 {
    let off = match certified {
        0.0 => got.abs(),
        _ => ((got - certified) / certified).abs(),
    };
    if off == 0.0 {
        15.0
    } else {
        (-off.log10()).clamp(0.0, 15.0)
    }
}

fn nist() -> Vec<Check> {
    // Digits wanted of the coefficients, and of standard errors, residual sd and R² (Wampler1 and 2
    // have none: exact fits).
    const SETS: [(&str, f64, f64); 11] = [
        ("Norris", 11.0, 11.0),
        ("Pontius", 11.0, 11.0),
        ("NoInt1", 14.0, 13.0),
        ("NoInt2", 14.0, 13.0),
        ("Filip", 6.0, 6.0),
        ("Longley", 10.0, 10.0),
        ("Wampler1", 8.0, 5.0),
        ("Wampler2", 11.0, 8.0),
        ("Wampler3", 8.0, 8.0),
        ("Wampler4", 7.0, 8.0),
        ("Wampler5", 5.0, 8.0),
    ];
    const SOURCE: &str = "published: NIST StRD, certified values";
    let mut checks = Vec::new();
    for (name, wanted, wanted_spread) in SETS {
        let set = read_nist(name);
        let fitted = solve(&set.rows, &set.y).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(fitted.rank, set.certified.len());
        let fewest = |pairs: &mut dyn Iterator<Item = (f64, f64)>| {
            pairs
                .map(|(got, c)| common_digits(got, c))
                .fold(15.0, f64::min)
        };
        let coefficients = fewest(
            &mut fitted
                .coef
                .iter()
                .zip(&set.certified)
                .map(|(g, c)| (*g, c[0])),
        );
        let errors = fitted
            .standard_error
            .iter()
            .zip(&set.certified)
            .map(|(g, c)| (*g, c[1]));
        let spread =
            fewest(&mut errors.chain([(fitted.residual_sd, set.residual_sd), (fitted.r2, set.r2)]));
        checks.push(at_least(
            format!("{name}: coefficients"),
            SOURCE,
            wanted,
            coefficients,
        ));
        let what = format!("{name}: standard errors, residual sd, R²");
        checks.push(at_least(what, SOURCE, wanted_spread, spread));
    }
    checks
}

// -------------------------------------------------------------------------------------------------
// Planes

/// A probed plate: heights `[[iy, ix]]` in mm, spacing, and the figures its own header states.
pub struct Bed {
    name: &'static str,
    pub z: Array2<f64>,
    pub step: f64,
    pub start: [f64; 2],
    pub stated: Option<[f64; 4]>,
}

const BEDS: [&str; 6] = [
    "bed_21x21_2020-06-22_mit.csv",
    "bed_5x5_2020-09-20_mit.csv",
    "bed_6x6_2020-09-12_mit.csv",
    "bed_8x5_2022-07-16_mit.csv",
    "bed_8x5_2022-09-18_mit.csv",
    "bed_8x5_2022-12-20_mit.csv",
];

pub fn read_bed(name: &'static str) -> Bed {
    let text = data(&format!("beds/{name}"));
    let lines: Vec<&str> = text.lines().filter(|l| !l.trim().is_empty()).collect();
    let names: Vec<&str> = lines[1].split(',').map(str::trim).collect();
    let values: Vec<&str> = lines[2].split(',').map(str::trim).collect();
    let field = |wanted: [&str; 2]| {
        let at = names.iter().position(|n| wanted.contains(n)).unwrap();
        number(values[at])
    };
    let rows: Vec<Vec<f64>> = lines[3..]
        .iter()
        .map(|l| l.split(',').map(number).collect())
        .collect();
    let stated = ["min error ", "max error ", "mean ", "deviation "].map(|word| {
        let after = lines[0].split_once(word)?.1;
        after.split(',').next().map(number)
    });
    Bed {
        name,
        z: Array2::from_shape_fn((rows.len(), rows[0].len()), |(y, x)| rows[y][x]),
        step: field(["xspacing", "spacing0"]),
        start: [field(["xmin", "min0"]), field(["ymin", "min1"])],
        stated: match stated {
            [Some(a), Some(b), Some(c), Some(d)] => Some([a, b, c, d]),
            _ => None,
        },
    }
}

/// Least-squares plane z = a + bx + cy of points (x, y, z), and the residuals.
pub fn plane_of(points: &[[f64; 3]]) -> (LeastSquares, Vec<f64>) {
    let rows = Array2::from_shape_fn((points.len(), 3), |(i, j)| match j {
        0 => 1.0,
        _ => points[i][j - 1],
    });
    let heights: Vec<f64> = points.iter().map(|p| p[2]).collect();
    let plane = solve(&rows, &heights).unwrap();
    let residuals = points
        .iter()
        .map(|p| p[2] - plane.coef[0] - plane.coef[1] * p[0] - plane.coef[2] * p[1])
        .collect();
    (plane, residuals)
}

pub fn points_of(bed: &Bed) -> Vec<[f64; 3]> {
    bed.z
        .indexed_iter()
        .map(|((y, x), z)| {
            [
                bed.start[0] + x as f64 * bed.step,
                bed.start[1] + y as f64 * bed.step,
                *z,
            ]
        })
        .collect()
}

pub fn root_mean_square(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

fn highest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

fn lowest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// FLTt, FLTp, FLTv and FLTq of ISO 12781-1 about the least-squares plane.
fn flatness(residuals: &[f64]) -> [f64; 4] {
    let (p, v) = (highest(residuals), -lowest(residuals));
    [p + v, p, v, root_mean_square(residuals)]
}

fn planes() -> Vec<Check> {
    // Slopes along x and y, residual rms, lowest, highest: numpy's least squares on the same
    // points.
    const EXPECTED: [[f64; 5]; 6] = [
        [
            0.0005543201696262924,
            -3.484406749712871e-05,
            0.051247672907279794,
            -0.08640894660894666,
            0.180009915481344,
        ],
        [
            0.00012523076923076924,
            -0.0001156923076923077,
            0.024715128969924473,
            -0.05192,
            0.056,
        ],
        [
            0.0002480442176870749,
            1.8792517006802752e-05,
            0.028670155979961878,
            -0.03705476190476191,
            0.08232142857142855,
        ],
        [
            -0.0008138690476190473,
            -0.00031531250000000027,
            0.05502584227844569,
            -0.08706785714285713,
            0.12115833333333341,
        ],
        [
            -0.0009691666666666666,
            -0.00043875000000000023,
            0.0569972513957179,
            -0.0966,
            0.1065666666666667,
        ],
        [
            -0.0002282738095238094,
            -0.0001771875,
            0.0654219308239836,
            -0.10400357142857142,
            0.1459083333333333,
        ],
    ];
    const COMPUTED: &str = "computed: NumPy 2.4.6 lstsq";
    const STATED: &str = "published: the machine's own header, 3 decimals";
    let mut checks = Vec::new();
    for (name, expected) in BEDS.into_iter().zip(EXPECTED) {
        let bed = read_bed(name);
        let points = points_of(&bed);
        let (plane, residuals) = plane_of(&points);
        let got = [
            plane.coef[1],
            plane.coef[2],
            root_mean_square(&residuals),
            lowest(&residuals),
            highest(&residuals),
        ];
        let names = [
            "slope along x",
            "slope along y",
            "residual rms",
            "lowest residual",
            "highest residual",
        ];
        for k in 0..5 {
            let what = format!("{}: plane, {}", bed.name, names[k]);
            checks.push(close(what, COMPUTED, expected[k], got[k], 1e-13));
        }
        if let Some(stated) = bed.stated {
            let heights: Vec<f64> = bed.z.iter().copied().collect();
            let even = Array2::from_elem(bed.z.dim(), 1.0);
            let t = texture(&bed.z, &even, bed.step, CountedFrom::Mean).unwrap();
            let mean = heights.iter().sum::<f64>() / heights.len() as f64;
            let got = [lowest(&heights), highest(&heights), mean, t.sq_mm];
            for (k, word) in ["lowest", "highest", "mean", "Sq"].into_iter().enumerate() {
                let what = format!("{}: {word} height, mm", bed.name);
                checks.push(close(what, STATED, stated[k], got[k], 0.000_501));
            }
        }
    }
    checks
}

fn flatness_sets() -> Vec<Check> {
    const SOURCE: &str = "computed: closed form on nine points";
    let nine = |z: [f64; 9]| -> Vec<[f64; 3]> {
        (0..9)
            .map(|k| [(k % 3) as f64, (k / 3) as f64, z[k]])
            .collect()
    };
    let sets = [
        (
            "z = xy on {-1, 0, 1}²",
            [1., 0., -1., 0., 0., 0., -1., 0., 1.],
            [2.0, 1.0, 1.0, 2.0 / 3.0],
        ),
        (
            "z = -(x² + y²) on {-1, 0, 1}²",
            [-2., -1., -2., -1., 0., -1., -2., -1., -2.],
            [2.0, 4.0 / 3.0, 2.0 / 3.0, 2.0 / 3.0],
        ),
        (
            "9 at the centre of nine",
            [0., 0., 0., 0., 9., 0., 0., 0., 0.],
            [9.0, 8.0, 1.0, 8.0_f64.sqrt()],
        ),
        (
            "rows 0 4 6, -5 20 -9, -10 -3 8 (from memory)",
            [0., 4., 6., -5., 20., -9., -10., -3., 8.],
            [97.0 / 3.0, 169.0 / 9.0, 122.0 / 9.0, 8.255_563],
        ),
    ];
    let mut checks = Vec::new();
    for (name, z, expected) in sets {
        let got = flatness(&plane_of(&nine(z)).1);
        for (k, word) in ["FLTt", "FLTp", "FLTv", "FLTq"].into_iter().enumerate() {
            checks.push(close(
                format!("{name}: {word}"),
                SOURCE,
                expected[k],
                got[k],
                1e-6,
            ));
        }
    }
    checks
}

/// The eight tilt lines of a 48 × 72 inch plate in arc-seconds, one reading a 4 inch step (J. C.
/// Moody, The Tool Engineer, Oct 1955, with two misprints mended by B. Allen, 2019), with the two
/// ends of each line on a frame of 16 × 10 steps.
pub const PLATE_1955: [([f64; 2], [f64; 2], &str); 8] = [
    (
        [0.0, 10.0],
        [16.0, 0.0],
        "6.5 6.0 5.0 5.2 5.5 5.6 5.5 5.0 5.5 4.8 5.0 5.2 5.3 4.9 4.6 4.2 5.3 4.9 4.5 3.5",
    ),
    (
        [16.0, 10.0],
        [0.0, 0.0],
        "6.6 5.4 5.4 5.2 5.5 5.7 5.0 5.0 5.4 4.5 4.4 4.5 4.5 4.8 4.2 4.2 4.2 4.8 4.3 3.2",
    ),
    (
        [16.0, 10.0],
        [0.0, 10.0],
        "20.5 19.7 20.5 20.3 20.2 19.9 19.0 19.5 18.8 18.6 18.7 18.6 18.4 18.5 19.0 17.9",
    ),
    (
        [16.0, 0.0],
        [0.0, 0.0],
        "16.4 15.0 15.6 15.5 15.1 15.3 15.1 14.6 14.0 13.5 13.5 13.3 13.3 13.4 14.0 13.9",
    ),
    (
        [16.0, 10.0],
        [16.0, 0.0],
        "3.5 2.1 2.5 2.8 3.4 3.2 3.5 4.0 4.2 3.5",
    ),
    (
        [0.0, 10.0],
        [0.0, 0.0],
        "6.0 4.6 4.5 4.7 5.0 4.5 5.9 6.0 6.0 4.9",
    ),
    (
        [16.0, 5.0],
        [0.0, 5.0],
        "11.7 12.4 12.1 12.5 12.0 11.5 11.5 11.3 11.3 10.3 10.8 10.3 10.0 10.7 10.4 10.4",
    ),
    (
        [8.0, 10.0],
        [8.0, 0.0],
        "6.6 6.4 6.3 6.5 6.6 6.9 7.5 7.4 7.1 7.0",
    ),
];

/// Height over one foot spacing of 4 inch for a tilt of one arc-second, micro-inch.
pub const FOOT_MICROINCH: f64 = 4.0e6 * PI / 180.0 / 3600.0;

/// All 118 readings solved at once: a height for each station and a zero for each line; three
/// corners held at 0 for the plane. Returns (x, y in steps, height in micro-inch) of each station,
/// and the solution.
pub fn plate_joined() -> (Vec<[f64; 3]>, LeastSquares) {
    let mut stations: Vec<[f64; 2]> = vec![[0.0, 0.0], [16.0, 0.0], [0.0, 10.0]];
    let mut readings = Vec::new();
    for (number_of_line, (from, to, text)) in PLATE_1955.into_iter().enumerate() {
        let values: Vec<f64> = text.split(' ').map(number).collect();
        let mut last = usize::MAX;
        for k in 0..=values.len() {
            let t = k as f64 / values.len() as f64;
            let at = [
                from[0] + t * (to[0] - from[0]),
                from[1] + t * (to[1] - from[1]),
            ];
            let same = |s: &[f64; 2]| (s[0] - at[0]).hypot(s[1] - at[1]) < 1e-9;
            let here = stations.iter().position(same).unwrap_or(stations.len());
            if here == stations.len() {
                stations.push(at);
            }
            if k > 0 {
                readings.push((number_of_line, last, here, values[k - 1]));
            }
            last = here;
        }
    }
    let free = stations.len() - 3;
    let mut rows = Array2::zeros((readings.len(), free + 8));
    for (i, (number_of_line, back, ahead, _)) in readings.iter().enumerate() {
        rows[[i, free + number_of_line]] = 1.0;
        for (station, sign) in [(*back, -1.0), (*ahead, 1.0)] {
            if station >= 3 {
                rows[[i, station - 3]] += sign / FOOT_MICROINCH;
            }
        }
    }
    let y: Vec<f64> = readings.iter().map(|r| r.3).collect();
    let joined = solve(&rows, &y).unwrap();
    let heights = [0.0; 3].iter().chain(&joined.coef[..free]);
    let points: Vec<[f64; 3]> = stations
        .iter()
        .zip(heights)
        .map(|(s, z)| [s[0], s[1], *z])
        .collect();
    (points, joined)
}

fn plate_of_1955() -> Vec<Check> {
    let (points, joined) = plate_joined();
    let got = flatness(&plane_of(&points).1);
    const SOURCE: &str =
        "computed: NumPy lstsq on the readings published by Moody 1955, mended by Allen 2019";
    vec![
        close(
            "plate of 1955: stations",
            SOURCE,
            111.0,
            points.len() as f64,
            0.0,
        ),
        close(
            "plate of 1955: unknowns the readings fix",
            SOURCE,
            116.0,
            joined.rank as f64,
            0.0,
        ),
        close(
            "plate of 1955: residual sd, arc-seconds",
            SOURCE,
            0.18902,
            joined.residual_sd,
            5e-5,
        ),
        close(
            "plate of 1955: FLTt, micro-inch",
            SOURCE,
            172.304,
            got[0],
            5e-4,
        ),
        close(
            "plate of 1955: FLTq, micro-inch",
            SOURCE,
            44.2591,
            got[3],
            5e-5,
        ),
    ]
}

// -------------------------------------------------------------------------------------------------
// Iso-lines, areas, volumes

fn contours() -> Vec<Check> {
    let mut checks = Vec::new();
    for row in data("contour_lengths.csv").lines().skip(2) {
        let cells: Vec<&str> = row.split(',').collect();
        let bed = read_bed(BEDS.into_iter().find(|b| *b == cells[0]).unwrap());
        let lines = iso_lines(&bed.z, bed.step, number(cells[1]));
        let closed = lines.iter().filter(|l| l.closed).count();
        assert_eq!(
            [lines.len(), closed],
            [number(cells[3]) as usize, number(cells[4]) as usize],
            "{row}"
        );
        checks.push(close_share(
            format!(
                "{}: iso-lines at {} mm, {} of them, {closed} closed: length, mm",
                bed.name,
                cells[1],
                lines.len()
            ),
            "computed: contourpy 1.3.3",
            number(cells[2]),
            length_mm(&lines),
            1e-11,
        ));
    }
    checks
}

const MODELS: [(CellModel, &str); 3] = [
    (CellModel::MainDiagonal, "triangles, main diagonal"),
    (CellModel::OtherDiagonal, "triangles, other diagonal"),
    (CellModel::Bilinear, "bilinear"),
];

fn bed_volumes() -> Vec<Check> {
    // For each model: area above, volume above, area below, volume below the least-squares plane
    // (mm², mm³).
    const EXPECTED: [(&str, [[f64; 4]; 3]); 3] = [
        (
            "bed_21x21_2020-06-22_mit.csv",
            [
                [
                    29557.602091069777,
                    1334.1294632929648,
                    48842.39790893023,
                    1573.9739077374156,
                ],
                [
                    29586.78111489871,
                    1340.8900811311967,
                    48813.21888510129,
                    1569.4971922423144,
                ],
                [
                    29586.808736156454,
                    1336.6805690066253,
                    48813.191263843546,
                    1570.9063467844094,
                ],
            ],
        ),
        (
            "bed_6x6_2020-09-12_mit.csv",
            [
                [
                    25221.83310056734,
                    501.6912834266391,
                    53178.16689943266,
                    1013.1206167599727,
                ],
                [
                    25240.958490289326,
                    511.37275639093815,
                    53159.041509710674,
                    930.2900897242719,
                ],
                [
                    25404.006370120744,
                    503.5751035572353,
                    52995.99362987926,
                    968.748436890569,
                ],
            ],
        ),
        (
            "bed_8x5_2022-07-16_mit.csv",
            [
                [
                    17274.53465211476,
                    701.2275590214927,
                    27525.46534788524,
                    865.2275590214908,
                ],
                [
                    17861.39774355037,
                    725.3707309220187,
                    26938.60225644963,
                    809.370730922017,
                ],
                [
                    17542.15357007577,
                    712.1556435751417,
                    27257.846429924233,
                    836.1556435751398,
                ],
            ],
        ),
    ];
    const SOURCE: &str = "computed: NumPy, exact per triangle, fine quadrature per bilinear cell";
    let mut checks = Vec::new();
    for (name, expected) in EXPECTED {
        let bed = read_bed(name);
        let above_plane =
            Array2::from_shape_vec(bed.z.dim(), plane_of(&points_of(&bed)).1).unwrap();
        for ((model, model_name), expected) in MODELS.into_iter().zip(expected) {
            let v = about_level(&above_plane, bed.step, 0.0, model);
            let got = [v.area_above_mm2, v.above_mm3, v.area_below_mm2, v.below_mm3];
            for (k, word) in [
                "area above, mm²",
                "volume above, mm³",
                "area below, mm²",
                "volume below, mm³",
            ]
            .into_iter()
            .enumerate()
            {
                let what = format!("{name}: plane, {model_name}, {word}");
                checks.push(close_share(what, SOURCE, expected[k], got[k], 2e-10));
            }
        }
    }
    checks
}

/// A panel of the given outline, everything else as it comes.
fn panel(outline: Polygon) -> Panel {
    let [_, _, length_mm, width_mm] = outline.bounds();
    Panel {
        name: "check".into(),
        length_mm,
        width_mm,
        form: Form::Flat,
        purpose: None,
        outline,
        cutouts: vec![],
        no_sand: vec![],
        no_fill: vec![],
        photo_ignore: vec![],
        sand_allowance_mm: None,
        limits: vec![],
        zones: vec![],
        form_wavelength_mm: Form::Flat.wavelengths_mm(),
        form_wavelength_given: false,
        radius_mm: [None; 2],
        node_limit_mm: 0.15,
        sheet_metal: false,
        moving_surface: false,
        skin: lowspot::panel::skin::Skin::default(),
        targets: Vec::new(),
    }
}

fn volume_rules() -> Vec<Check> {
    // An L of three cells by two less one: nodes shared by 1, 2, 3 and 4 cells (surveyors' grid
    // rule).
    let h = |ix: usize, iy: usize| {
        1.0 + 0.37 * ix as f64 + 0.21 * (iy * iy) as f64 + 0.05 * (ix * iy) as f64
    };
    let outline = Polygon(vec![
        [0.0, 0.0],
        [30.0, 0.0],
        [30.0, 10.0],
        [20.0, 10.0],
        [20.0, 20.0],
        [0.0, 20.0],
    ]);
    let heights = Array2::from_shape_fn((3, 4), |(iy, ix)| {
        if ix == 3 && iy == 2 {
            f64::NAN
        } else {
            h(ix, iy)
        }
    });
    let cells_at = [
        [1.0, 2.0, 2.0, 1.0],
        [2.0, 4.0, 3.0, 1.0],
        [1.0, 2.0, 1.0, 0.0],
    ];
    let rule: f64 = (0..3)
        .flat_map(|iy| (0..4).map(move |ix| (ix, iy)))
        .map(|(ix, iy)| 25.0 * cells_at[iy][ix] * h(ix, iy))
        .sum();
    let grid = Grid {
        step_mm: 10.0,
        nx: 4,
        ny: 3,
    };
    let weights = node_weights_mm2(&grid, &panel(outline));
    let by_weights: f64 = heights
        .iter()
        .zip(&weights)
        .filter(|(_, w)| **w > 0.0)
        .map(|(z, w)| z * w)
        .sum();
    let by_cells = about_level(&heights, 10.0, 0.0, CellModel::Bilinear).above_mm3;

    // One cell of 50 × 50 ft, corners 87.6 87.6 87.6 88.6 ft, filled to 90.0 ft.
    let lot = ndarray::arr2(&[[87.6, 87.6], [87.6, 88.6]]);
    let fill = about_level(&lot, 50.0, 90.0, CellModel::Bilinear).below_mm3 / 27.0;

    // A tank: bottom 72 × 48 m, 4.4 m deep, sides sloping 1 and 2 along, 1 and 1.5 across.
    let step = 0.2;
    let depth = Array2::from_shape_fn((296, 427), |(iy, ix)| {
        let (x, y) = (ix as f64 * step, iy as f64 * step);
        [4.4, x, (85.2 - x) / 2.0, y, (59.0 - y) / 1.5]
            .into_iter()
            .fold(f64::INFINITY, f64::min)
    });
    let tank = about_level(&depth, step, 0.0, CellModel::Bilinear).above_mm3;
    vec![
        close(
            "grid rule (h1 + 2 h2 + 3 h3 + 4 h4)·cell/4: node weights",
            "published: surveying texts",
            rule,
            by_weights,
            1e-9,
        ),
        close(
            "grid rule: bilinear cells",
            "published: surveying texts",
            rule,
            by_cells,
            1e-9,
        ),
        close(
            "lot of 50 × 50 ft filled to 90.0 ft, cubic yards",
            "published: exam problem (199), computed to two places",
            199.07,
            fill,
            0.005,
        ),
        close_share(
            "tank with sloping sides, m³",
            "computed: prismoidal rule, exact for it; inputs of a textbook's example",
            18555.68,
            tank,
            1e-4,
        ),
    ]
}

// -------------------------------------------------------------------------------------------------
// Height parameters and filter

fn waves() -> Vec<Check> {
    const SOURCE: &str = "computed: closed form; definitions published: ISO 25178-2";
    const N: usize = 400;
    let (a, length) = (0.25, 800.0);
    let phase = |k: usize| TAU * k as f64 / N as f64;
    let surfaces: [(&str, Array2<f64>, [f64; 4]); 3] = [
        (
            "A sin(2πx/L)",
            Array2::from_shape_fn((3, 2 * N), |(_, x)| a * phase(x).sin()),
            [
                2.0 / PI * a,
                FRAC_1_SQRT_2 * a,
                2.0 * a,
                2.0_f64.sqrt() * PI * a / length,
            ],
        ),
        (
            "A cos(2πx/L) cos(2πy/L)",
            Array2::from_shape_fn((N, N), |(y, x)| a * phase(x).cos() * phase(y).cos()),
            [
                4.0 / (PI * PI) * a,
                a / 2.0,
                2.0 * a,
                2.0_f64.sqrt() * PI * a / length,
            ],
        ),
        (
            "A (sin(2πx/L) + sin(2πy/L))",
            Array2::from_shape_fn((N, N), |(y, x)| a * (phase(x).sin() + phase(y).sin())),
            [8.0 / (PI * PI) * a, a, 4.0 * a, TAU * a / length],
        ),
    ];
    let mut checks = Vec::new();
    for (name, z, expected) in surfaces {
        let t = texture(
            &z,
            &Array2::from_elem(z.dim(), 4.0),
            length / N as f64,
            CountedFrom::Mean,
        )
        .unwrap();
        let got = [t.sa_mm, t.sq_mm, t.sz_mm, t.sdq];
        for (k, word) in ["Sa", "Sq", "Sz", "Sdq"].into_iter().enumerate() {
            let within = if k == 3 { 1e-4 } else { 5e-5 };
            checks.push(close_share(
                format!("{name}, A 0.25, L 800: {word}"),
                SOURCE,
                expected[k],
                got[k],
                within,
            ));
        }
    }
    checks
}

/// Column of heights after a least-squares parabola, and the spacing.
pub fn profile(name: &str) -> (Vec<f64>, f64) {
    let text = data(&format!("profiles/{name}.csv"));
    let points: Vec<[f64; 2]> = text
        .lines()
        .skip(1)
        .filter_map(|l| l.split_once(','))
        .map(|(x, z)| [number(x), number(z)])
        .collect();
    let n = points.len();
    let step = (points[n - 1][0] - points[0][0]) / (n - 1) as f64;
    let middle = points.iter().map(|p| p[0]).sum::<f64>() / n as f64;
    let rows = Array2::from_shape_fn((n, 3), |(i, j)| {
        ((points[i][0] - middle) / 100.0).powi(j as i32)
    });
    let z: Vec<f64> = points.iter().map(|p| p[1]).collect();
    let c = solve_weighted(&rows, &z, &vec![1.0; n]).unwrap().coef;
    let parabola = rows
        .rows()
        .into_iter()
        .map(|r| r[0] * c[0] + r[1] * c[1] + r[2] * c[2]);
    (z.iter().zip(parabola).map(|(z, p)| z - p).collect(), step)
}

fn as_row(z: &[f64]) -> Array2<f64> {
    Array2::from_shape_fn((1, z.len()), |(_, k)| z[k])
}

fn filter() -> Vec<Check> {
    let mut checks = Vec::new();
    // Heights after a parabola, n − 1 in the divisor: what the owners of the profiles state.
    for (name, stated) in [
        ("profile_010", 3.048414),
        ("profile_015", 97.355965),
        ("profile_017", 47.577432),
    ] {
        let z = profile(name).0;
        let sd = root_mean_square(&z) * (z.len() as f64 / (z.len() - 1) as f64).sqrt();
        checks.push(close_share(
            format!("{name}: height rms after a parabola, nm"),
            "published: stated by the profile's owner",
            stated,
            sd,
            1e-5,
        ));
    }
    // A cosine with its crest in the middle of a long row; share of the crest that is left.
    const SAMPLED: &str = "computed: NumPy, weights sampled and cut at the cutoff (ISO 16610-21)";
    const FORMULA: &str = "published: ISO 16610-21, 2^-(λc/λ)²";
    for (cutoff_steps, share, sampled) in [
        (8.0, 0.5, 0.0625000006338),
        (8.0, 1.0, 0.499999998415),
        (20.0, 1.0, 0.499999983179),
        (20.0, 2.0, 0.84089649002),
        (100.0, 1.0, 0.499999963066),
        (100.0, 5.0, 0.972655005255),
    ] {
        let wave = Array2::from_shape_fn((1, 1001), |(_, k)| {
            (TAU * (k as f64 - 500.0) / (share * cutoff_steps)).cos()
        });
        let got = gaussian_smooth(&wave, 1.0, cutoff_steps)[[0, 500]];
        let what = format!("Gaussian filter, cutoff {cutoff_steps} steps, wave {share} cutoffs");
        checks.push(close(
            format!("{what}: sampled"),
            SAMPLED,
            sampled,
            got,
            1e-11,
        ));
        checks.push(close(
            what,
            FORMULA,
            0.5_f64.powf(1.0 / (share * share)),
            got,
            1e-6,
        ));
    }
    // A plane wave askew by 30 degrees, in both its axes.
    let askew = Array2::from_shape_fn((301, 301), |(y, x)| {
        let along = (x as f64 - 150.0) * 30_f64.to_radians().cos()
            + (y as f64 - 150.0) * 30_f64.to_radians().sin();
        (TAU * along / 40.0).cos()
    });
    let got = gaussian_smooth(&askew, 1.0, 40.0)[[150, 150]];
    checks.push(close(
        "Gaussian filter, wave askew by 30°, at the cutoff",
        "published: ISO 16610-61 (product of two profile filters)",
        0.5,
        got,
        1e-6,
    ));
    const ENDS: &str = "computed: NumPy, ends renormalised";
    for (name, expected) in [
        (
            "profile_010",
            [3.026234105810512, 2.946742022945989, 2.5208958776671637],
        ),
        (
            "profile_015",
            [97.21627931612865, 96.56632836853697, 91.04989151272228],
        ),
        (
            "profile_017",
            [47.398038868488314, 46.39497003025357, 39.675599402596816],
        ),
    ] {
        let (z, step) = profile(name);
        for (cutoff, expected) in [8.0, 25.0, 80.0].into_iter().zip(expected) {
            let smooth = gaussian_smooth(&as_row(&z), step, cutoff);
            let got = root_mean_square(&smooth.iter().copied().collect::<Vec<_>>());
            checks.push(close_share(
                format!("{name}: rms of what passes a cutoff of {cutoff} mm, nm"),
                ENDS,
                expected,
                got,
                1e-9,
            ));
        }
    }
    checks
}

// -------------------------------------------------------------------------------------------------
// Straightedge and gauges

fn worst(z: &Array2<f64>, step: f64, base: f64) -> f64 {
    let map = gaps(z, step, base).unwrap();
    map.gap
        .iter()
        .copied()
        .filter(|g| g.is_finite())
        .fold(0.0, f64::max)
}

fn edge_closed_forms() -> Vec<Check> {
    let mut checks = Vec::new();
    // At the bottom of a bowl of radius 5 m the edge stands on its two ends; on the crown of a dome
    // it shows no gap.
    let radius: f64 = 5000.0;
    let bowl = Array2::from_shape_fn((41, 101), |(y, x)| {
        let (x, y) = (x as f64 * 20.0 - 1000.0, y as f64 * 20.0 - 400.0);
        radius - (radius * radius - x * x - y * y).sqrt()
    });
    for base in [300.0, 600.0, 1000.0] {
        let map = gaps(&bowl, 20.0, base).unwrap();
        let half = (base / 40.0_f64).floor() * 20.0;
        let sagitta = radius - (radius * radius - half * half).sqrt();
        // 300 mm is 15 steps: over a node the ends stand 7 and 8 steps away, which is what the
        // exact chord is taken for.
        let other = base - half;
        let far = radius - (radius * radius - other * other).sqrt();
        let exact = (sagitta * other + far * half) / (half + other);
        checks.push(close(
            format!("bowl of radius 5 m, base {base} mm: gap at the bottom, mm"),
            "computed: chord of a circle",
            exact,
            map.gap[[20, 50]],
            1e-9,
        ));
        checks.push(close_share(
            format!("bowl of radius 5 m, base {base} mm: near b²/8R, mm"),
            "computed: b²/8R",
            base * base / 8.0 / radius,
            map.gap[[20, 50]],
            0.006,
        ));
        let dome = bowl.mapv(|v| -v);
        checks.push(close(
            format!("dome of radius 5 m, base {base} mm: largest gap, mm"),
            "computed: an edge on a crown teeters",
            0.0,
            worst(&dome, 20.0, base),
            0.0,
        ));
    }
    // DIN 18202's grid alternative: z = kx², height against the mean of the neighbours 2 steps
    // apart.
    let parabola =
        Array2::from_shape_fn((1, 41), |(_, x)| 2e-5 * (x as f64 * 50.0 - 1000.0).powi(2));
    checks.push(close(
        "z = kx², k 0.00002: gap on a base of 2 × 200 mm, mm",
        "published: measuring rule of DIN 18202 (k s² on a grid of s)",
        2e-5 * 200.0 * 200.0,
        worst(&parabola, 50.0, 400.0),
        1e-12,
    ));
    // A trough of a sine, bases up to the wavelength.
    let sine = Array2::from_shape_fn((1, 241), |(_, x)| {
        -0.5 * (TAU * (x as f64 * 5.0 - 600.0) / 400.0).cos()
    });
    for (base, gap) in [
        (50.0, 0.0380602337444),
        (100.0, 0.146446609407),
        (150.0, 0.308658283817),
        (200.0, 0.5),
        (250.0, 0.691341716183),
        (300.0, 0.853553390593),
        (400.0, 1.0),
    ] {
        let map = gaps(&sine, 5.0, base).unwrap();
        checks.push(close(
            format!("sine, A 0.5 mm, λ 400 mm, base {base} mm: gap in the trough"),
            "computed: A(1 − cos(πb/λ))",
            gap,
            map.gap[[0, 120]],
            1e-12,
        ));
    }
    checks
}

fn edge_on_profiles() -> Vec<Check> {
    let mut checks = Vec::new();
    for row in data("profile_gaps.csv").lines().skip(2) {
        let cells: Vec<&str> = row.split(',').collect();
        let (z, step) = profile(cells[0]);
        let base = match number(cells[1]) {
            0.0 => z.len() as f64 * step,
            base => base,
        };
        let what = match cells[1] {
            "0" => format!("{}: largest gap under an edge longer than it, nm", cells[0]),
            base => format!("{}: largest gap under {base} mm, nm", cells[0]),
        };
        checks.push(close_share(
            what,
            "computed: Qhull (SciPy 1.17.1), every placing",
            number(cells[2]),
            worst(&as_row(&z), step, base),
            1e-9,
        ));
    }
    // An edge along each whole row, column and (where they are as many) diagonal of a probed plate.
    const HULL: &str = "computed: upper hull, agrees with Qhull";
    for (name, rows, columns, diagonal) in [
        (
            "bed_21x21_2020-06-22_mit.csv",
            0.059875,
            0.15825,
            Some(0.05773684210526316),
        ),
        (
            "bed_5x5_2020-09-20_mit.csv",
            0.0345,
            0.049666666666666665,
            Some(0.0075),
        ),
        ("bed_6x6_2020-09-12_mit.csv", 0.056, 0.051, Some(0.0212)),
        (
            "bed_8x5_2022-07-16_mit.csv",
            0.11557142857142857,
            0.02,
            None,
        ),
        (
            "bed_8x5_2022-09-18_mit.csv",
            0.10171428571428572,
            0.0043333333333333,
            None,
        ),
        (
            "bed_8x5_2022-12-20_mit.csv",
            0.12157142857142857,
            0.015,
            None,
        ),
    ] {
        let bed = read_bed(name);
        let along = |axis: Axis| {
            bed.z
                .axis_iter(axis)
                .map(|l| worst(&as_row(&l.to_vec()), bed.step, 1000.0))
                .fold(0.0, f64::max)
        };
        checks.push(close(
            format!("{name}: largest gap along a row, mm"),
            HULL,
            rows,
            along(Axis(0)),
            1e-12,
        ));
        checks.push(close(
            format!("{name}: largest gap along a column, mm"),
            HULL,
            columns,
            along(Axis(1)),
            1e-12,
        ));
        if let Some(expected) = diagonal {
            let got = worst(
                &as_row(&bed.z.diag().to_vec()),
                bed.step * 2.0_f64.sqrt(),
                1000.0,
            );
            checks.push(close(
                format!("{name}: largest gap along the diagonal, mm"),
                HULL,
                expected,
                got,
                1e-12,
            ));
        }
    }
    checks
}

fn gauges() -> Vec<Check> {
    let mut checks = Vec::new();
    let largest = |z: &Array2<f64>, step: f64, base: f64| {
        let map = swings(z, step, base).unwrap();
        map.value
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .fold(0.0, f64::max)
    };
    let sine = |step: f64, wavelength: f64, n: usize| {
        Array2::from_shape_fn((1, n), |(_, k)| {
            0.5 * (TAU * k as f64 * step / wavelength).cos()
        })
    };
    // Crest to trough 1 mm. Beyond four bases the two bases of travel no longer hold a crest and a
    // trough.
    for base in [50.0, 100.0, 300.0, 1000.0] {
        for wavelength in [50.0, 100.0, 200.0, 400.0, 600.0, 1000.0] {
            let whole = 1.0 - (PI * base / wavelength).cos();
            let seen = if wavelength <= 4.0 * base {
                1.0
            } else {
                (TAU * base / wavelength).sin()
            };
            let got = largest(&sine(5.0, wavelength, 801), 5.0, base);
            let travel = if wavelength <= 4.0 * base {
                ""
            } else {
                " within two bases"
            };
            checks.push(close(
                format!(
                    "centre dial, base {base} mm, λ {wavelength} mm: swing of a 1 mm wave{travel}"
                ),
                "computed: H(1 − cos(πb/λ))",
                whole * seen,
                got,
                2e-3,
            ));
        }
    }
    // The three-point gauge of two inches, as used on laminar wings: reading against the mean of
    // the feet, both ways.
    for (wavelength, reading) in [
        (1.0, 0.0),
        (2.0, 1.0),
        (3.0, 0.75),
        (3.5, 0.611),
        (4.0, 0.5),
        (6.0, 0.25),
        (8.0, 0.146),
    ] {
        let step = 25.4 / 8.0;
        let got = largest(&sine(step, wavelength * 25.4, 801), step, 50.8);
        checks.push(close(
            format!("2 inch dial gauge, wave of {wavelength} in: half swing"),
            "computed: h(1 − cos(πb/λ))/2",
            reading,
            got / 2.0,
            6e-4,
        ));
    }
    // Dial over the middle of 200 mm on a measured mirror: highest less lowest mid-chord, all
    // within 400 mm of travel.
    let (z, step) = profile("profile_017");
    checks.push(close_share(
        "profile_017: swing on a base of 200 mm, nm",
        "computed: NumPy, mid-chord heights",
        160.2286787769251 + 73.21132122307608,
        largest(&as_row(&z), step, 200.0),
        1e-9,
    ));
    // Slope of a sine over a base: H sin(πb/λ)/b.
    for (base, wavelength) in [(50.0, 200.0), (100.0, 400.0), (300.0, 600.0)] {
        let map = slopes(&sine(5.0, wavelength, 801), 5.0, base).unwrap();
        let got = map
            .value
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .fold(0.0, f64::max);
        let expected = (PI * base / wavelength).sin() / base * 1000.0;
        checks.push(close_share(
            format!("slope of a 1 mm wave over {base} mm, λ {wavelength} mm, mm/m"),
            "computed: H sin(πb/λ)/b",
            expected,
            got,
            1e-9,
        ));
    }
    checks
}

// -------------------------------------------------------------------------------------------------
// By hand only

/// The volcano grid of R is not carried (GPL). With the file at hand (87 rows of 61 integers,
/// comma-separated): `LOWSPOT_VOLCANO=volcano.csv cargo test --test tests volcano -- --ignored`.
#[test]
#[ignore = "needs the volcano grid, named in LOWSPOT_VOLCANO"]
fn volcano_iso_lines_and_volumes() {
    let path = std::env::var("LOWSPOT_VOLCANO").expect("LOWSPOT_VOLCANO names the file");
    let text = std::fs::read_to_string(path).unwrap();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .map(|l| l.split(',').map(number).collect())
        .collect();
    let z = Array2::from_shape_fn((rows.len(), rows[0].len()), |(y, x)| rows[y][x]);
    assert_eq!((z.dim(), z.sum()), ((87, 61), 690_907.0));
    // Level; length by contourpy, its lines; volume above: bilinear, main diagonal, other diagonal.
    let expected = [
        [
            100.5,
            888.762494708,
            4.0,
            15854783.5788,
            15854699.9695,
            15855062.412,
        ],
        [
            110.5,
            1982.92699963,
            2.0,
            11645425.9289,
            11645163.9699,
            11645834.7985,
        ],
        [
            120.5,
            2111.02500992,
            1.0,
            8364317.6023,
            8364201.52336,
            8364497.98054,
        ],
        [
            130.5,
            2006.62608761,
            1.0,
            5782981.50958,
            5782864.46485,
            5783174.10654,
        ],
        [
            140.5,
            1820.17217749,
            1.0,
            3723119.46728,
            3722561.56382,
            3723727.06726,
        ],
        [
            150.5,
            1541.80370232,
            2.0,
            2192489.26027,
            2192056.26172,
            2192983.62904,
        ],
        [
            160.5,
            1560.15891353,
            2.0,
            1142758.34427,
            1142810.47398,
            1142744.52163,
        ],
        [
            170.5,
            1245.90530547,
            1.0,
            450976.593294,
            451316.801973,
            450685.288401,
        ],
        [
            180.5,
            723.624181896,
            2.0,
            100927.984799,
            100984.26235,
            100924.76588,
        ],
        [
            190.5,
            276.862672985,
            1.0,
            3201.62930836,
            3163.75124008,
            3261.94971478,
        ],
    ];
    let mut checks = Vec::new();
    for [level, length, count, bilinear, main, other] in expected {
        let lines = iso_lines(&z, 10.0, level);
        checks.push(close(
            format!("volcano at {level} m: iso-lines"),
            "computed: contourpy",
            count,
            lines.len() as f64,
            0.0,
        ));
        checks.push(close_share(
            format!("volcano at {level} m: length, m"),
            "computed: contourpy",
            length,
            length_mm(&lines),
            1e-11,
        ));
        for (model, name, expected) in [
            (CellModel::Bilinear, "bilinear", bilinear),
            (CellModel::MainDiagonal, "main diagonal", main),
            (CellModel::OtherDiagonal, "other diagonal", other),
        ] {
            let v = about_level(&z, 10.0, level, model);
            checks.push(close_share(
                format!("volcano at {level} m: volume above, {name}, m³"),
                "computed: own Python",
                expected,
                v.above_mm3,
                1e-10,
            ));
            let integral = 67_553_000.0 - level * 516_000.0;
            checks.push(close(
                format!("volcano at {level} m: above less below, {name}, m³"),
                "computed: trapezoids",
                integral,
                v.above_mm3 - v.below_mm3,
                if name == "bilinear" { 1e-3 } else { 3e3 },
            ));
        }
    }
    hold(checks);
}
