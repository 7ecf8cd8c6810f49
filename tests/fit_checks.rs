//! Outside checks of what the fit and the references are built from, through the program's own
//! matrices: thin-plate splines, the spline filter, a surface plate, and real measured surfaces
//! taken as the truth under a made-up survey.
//!
//! The lines go into the table of `docs/checks.md` (see `published.rs`); each is computed once a
//! run.

use crate::published::{
    Check, FOOT_MICROINCH, PLATE_1955, close, close_share, data, hold, number, plate_joined,
    profile, read_bed, root_mean_square,
};
use crate::support::simulate::{self, Kind, SurveyPlan};
use lowspot::fit::basis::{Axis, Basis};
use lowspot::fit::cholesky::Pattern;
use lowspot::fit::{self, least_squares};
use lowspot::observe::{Placing, Reading, Survey, Tool};
use lowspot::panel::Panel;
use lowspot::reference::Workbench;
use ndarray::Array2;
use rayon::prelude::*;
use std::f64::consts::{PI, TAU};
use std::sync::LazyLock;

/// A figure of our own that must stay below a bound.
fn below(what: impl Into<String>, source: &'static str, bound: f64, got: f64) -> Check {
    Check {
        what: what.into(),
        source,
        expected: format!("below {bound}"),
        got: digits_short(got),
        difference: format!("{:+.1e}", got - bound),
        holds: got < bound,
    }
}

/// Three significant digits.
fn digits_short(value: f64) -> String {
    let places = (2 - value.abs().max(1e-12).log10().floor() as i32).clamp(0, 12) as usize;
    format!("{value:.places$}")
}

macro_rules! once {
    ($($made:ident from $work:ident, tested by $test:ident;)*) => {
        $(
            /// Computed once a run.
            pub fn $made() -> Vec<Check> {
                static CHECKS: LazyLock<Vec<Check>> = LazyLock::new($work);
                CHECKS.clone()
            }
            #[test]
            fn $test() {
                hold($made());
            }
        )*
    };
}

once! {
    thin_plates from thin_plate_splines, tested by thin_plate_splines_from_our_gram_matrices;
    form_filter from filter_of_the_references, tested by amplitude_passed_by_the_references;
    spline_filter from spline_filters, tested by the_spline_filter_of_second_derivatives;
    plate from plate_as_gauges, tested by the_plate_of_1955_as_pin_gauge_placings;
    measured_surfaces from measured_as_truth, tested by measured_surfaces_under_a_made_up_survey;
}

// -------------------------------------------------------------------------------------------------
// Thin-plate splines

/// Franke's 25 points, as they stand in R's packages akima and interp; published in R. Franke,
/// NPS-53-79-003 (1979).
#[rustfmt::skip]
const FRANKE: [[f64; 2]; 25] = [
    [0.1375, 0.975], [0.9125, 0.9875], [0.7125, 0.7625], [0.225, 0.8375], [-0.05, 0.4125],
    [0.475, 0.6375], [0.05, -0.05], [0.45, 1.0375], [1.0875, 0.55], [0.5375, 0.8], [-0.0375, 0.75],
    [0.1875, 0.575], [0.7125, 0.55], [0.85, 0.4375], [0.7, 0.3125], [0.275, 0.425], [0.45, 0.2875],
    [0.8125, 0.1875], [0.45, -0.0375], [1.0, 0.2625], [0.5, 0.4625], [0.1875, 0.2625],
    [0.5875, 0.125], [1.05, -0.06125], [0.1, 0.1125],
];

/// Akima's 50 points with their heights, as they stand in R's packages akima and interp; published
/// in H. Akima, ACM TOMS 4 (1978) 148.
#[rustfmt::skip]
const AKIMA: [[f64; 3]; 50] = [
    [11.16, 1.24, 22.15], [24.2, 16.23, 2.83], [12.85, 3.06, 22.11], [19.85, 10.72, 7.97],
    [10.35, 4.11, 22.33], [24.65, 2.4, 10.25], [19.72, 1.39, 16.83], [15.91, 7.74, 15.3],
    [0.0, 20.0, 34.6], [20.87, 20.0, 7.54], [6.71, 6.26, 30.97], [3.45, 12.78, 41.24],
    [19.99, 4.62, 14.72], [14.26, 17.87, 10.74], [10.28, 15.16, 21.59], [4.51, 20.0, 15.61],
    [17.43, 3.46, 18.6], [22.8, 12.39, 5.47], [0.0, 4.48, 61.77], [7.58, 1.98, 29.87],
    [16.7, 19.65, 6.31], [6.08, 4.58, 35.74], [1.99, 5.6, 51.81], [25.0, 11.87, 4.4],
    [14.9, 3.12, 21.7], [3.22, 16.78, 39.93], [0.0, 0.0, 58.2], [9.66, 20.0, 4.73],
    [2.56, 3.02, 50.55], [5.22, 14.66, 40.36], [11.77, 10.47, 13.62], [17.25, 19.57, 6.43],
    [15.1, 17.19, 12.57], [25.0, 3.87, 8.74], [12.13, 10.79, 13.71], [25.0, 0.0, 12.0],
    [22.33, 6.21, 10.25], [11.52, 8.53, 15.74], [14.59, 8.71, 14.81], [15.2, 0.0, 21.6],
    [7.54, 10.69, 19.31], [5.23, 10.72, 26.5], [17.32, 13.78, 12.11], [2.14, 15.03, 53.1],
    [0.51, 8.37, 49.43], [22.69, 19.63, 3.25], [25.0, 20.0, 0.6], [5.47, 17.13, 28.63],
    [21.67, 14.36, 5.52], [3.31, 0.13, 44.08],
];

/// Franke's test function.
fn franke(x: f64, y: f64) -> f64 {
    let (u, v) = (9.0 * x, 9.0 * y);
    0.75 * (-((u - 2.0).powi(2) + (v - 2.0).powi(2)) / 4.0).exp()
        + 0.75 * (-(u + 1.0).powi(2) / 49.0 - (v + 1.0) / 10.0).exp()
        + 0.5 * (-((u - 7.0).powi(2) + (v - 3.0).powi(2)) / 4.0).exp()
        - 0.2 * (-(u - 4.0).powi(2) - (v - 7.0).powi(2)).exp()
}

/// A symmetric matrix on a basis: the pattern of overlapping splines, and values from a formula of
/// the two axes' Gram matrices.
struct OnBasis {
    basis: Basis,
    pattern: Pattern,
}

impl OnBasis {
    fn new(basis: Basis) -> Self {
        let (nx, ny) = (basis.x.count(), basis.y.count());
        let mut columns = vec![Vec::new(); nx * ny];
        for i in 0..nx {
            for j in 0..ny {
                let column = basis.index(i, j);
                for p in i..(i + 4).min(nx) {
                    for q in j.saturating_sub(3)..(j + 4).min(ny) {
                        if basis.index(p, q) >= column {
                            columns[column].push(basis.index(p, q));
                        }
                    }
                }
            }
        }
        let pattern = Pattern::new(columns).unwrap();
        OnBasis { basis, pattern }
    }

    /// ∬ z_xx² + 2 z_xy² + z_yy² over the box, as a quadratic form of the coefficients.
    fn bending(&self, mixed: f64) -> Vec<f64> {
        let (x, y) = (self.basis.x, self.basis.y);
        let (gx, gy) = ([0, 1, 2].map(|d| x.gram(d)), [0, 1, 2].map(|d| y.gram(d)));
        let mut values = vec![0.0; self.pattern.entries()];
        for i in 0..x.count() {
            for j in 0..y.count() {
                for p in i..(i + 4).min(x.count()) {
                    for q in j.saturating_sub(3)..(j + 4).min(y.count()) {
                        let (row, column) = (self.basis.index(p, q), self.basis.index(i, j));
                        if row < column {
                            continue;
                        }
                        let (k, l) = (3 + p - i, 3 + q - j);
                        values[self.pattern.position(row, column).unwrap()] = gx[2][i][k]
                            * gy[0][j][l]
                            + mixed * gx[1][i][k] * gy[1][j][l]
                            + gx[0][i][k] * gy[2][j][l];
                    }
                }
            }
        }
        values
    }

    /// Coefficients that minimise Σ(z − s)² + cᵀ·penalty·c.
    fn smooth(&self, points: &[[f64; 3]], penalty: &[f64]) -> Vec<f64> {
        let mut values = penalty.to_vec();
        let mut right = vec![0.0; self.basis.count()];
        for [x, y, z] in points {
            let row = self.basis.at(*x, *y, 0, 0);
            for (k, (a, u)) in row.iter().enumerate() {
                right[*a] += u * z;
                for (b, v) in &row[..=k] {
                    values[self.pattern.position(*a, *b).unwrap()] += u * v;
                }
            }
        }
        self.pattern
            .factor(&values)
            .unwrap()
            .solve_in_place(&mut right);
        right
    }
}

/// What a smoothing spline on a box comes to: the largest difference from the expected values, and
/// the bending integral.
fn thin_plate(
    points: &[[f64; 3]],
    expected: &[[f64; 3]],
    mu: f64,
    knots: f64,
    margin: f64,
    size: [f64; 2],
    mixed: f64,
) -> [f64; 2] {
    let axis = |length: f64| Axis {
        start: -margin,
        spacing: knots,
        intervals: ((length + 2.0 * margin) / knots).round() as usize,
    };
    let on = OnBasis::new(Basis {
        x: axis(size[0]),
        y: axis(size[1]),
    });
    let bending = on.bending(mixed);
    let penalty: Vec<f64> = bending.iter().map(|b| mu * b).collect();
    let c = on.smooth(points, &penalty);
    let off = expected
        .iter()
        .map(|[x, y, z]| (on.basis.value(&c, *x, *y, 0, 0) - z).abs())
        .fold(0.0, f64::max);
    let image = on.pattern.times(&bending, &c);
    [off, c.iter().zip(&image).map(|(a, b)| a * b).sum()]
}

/// Columns x, y and the `column`-th value of a table of expected heights.
fn expected_heights(name: &str, column: usize) -> Vec<[f64; 3]> {
    data(&format!("splines/{name}.csv"))
        .lines()
        .skip(1)
        .map(|l| {
            let cells: Vec<f64> = l.split(',').map(number).collect();
            [cells[0], cells[1], cells[column]]
        })
        .collect()
}

/// The plane of infinite extent is approached as knots get closer and the margin wider: the
/// difference falls with the square of the knots' distance, and with the margin.
fn thin_plate_splines() -> Vec<Check> {
    const SOURCE: &str =
        "computed: r² ln r splines solved with 40 digits; SciPy 1.17.1 agrees to 2e-12";
    let franke_points: Vec<[f64; 3]> = FRANKE
        .iter()
        .map(|[x, y]| [*x, *y, franke(*x, *y)])
        .collect();
    struct Case<'a> {
        name: &'a str,
        points: &'a [[f64; 3]],
        table: &'a str,
        size: [f64; 2],
        lambda: f64,
        column: usize,
        bending: f64,
        // Knots, margin, bound of the difference.
        steps: [[f64; 3]; 3],
        bending_share: f64,
    }
    // What wrong matrices would give, knots each 0.05 and 1.25: twist weighed once instead of twice
    // 0.0106, 0.0089, 0.201 and 0.346; half the smoothing 0.0042, 0.027, 0.41 and 2.2.
    let cases = [
        Case {
            name: "Franke's 25 points, λ 0.0001",
            points: &franke_points,
            table: "tps_franke25",
            size: [1.0, 1.0],
            lambda: 1e-4,
            column: 3,
            bending: 154.551_320_166_069_23,
            steps: [[0.1, 4.0, 0.02], [0.05, 4.0, 0.005], [0.03125, 3.0, 0.002]],
            bending_share: 0.003,
        },
        Case {
            name: "Franke's 25 points, λ 0.01",
            points: &franke_points,
            table: "tps_franke25",
            size: [1.0, 1.0],
            lambda: 1e-2,
            column: 4,
            bending: 113.860_896_494_707_13,
            steps: [[0.1, 4.0, 0.012], [0.05, 4.0, 0.003], [0.03125, 3.0, 0.002]],
            bending_share: 0.001,
        },
        Case {
            name: "Akima's 50 points, λ 1",
            points: &AKIMA,
            table: "tps_akima50",
            size: [25.0, 20.0],
            lambda: 1.0,
            column: 3,
            bending: 763.978_883_782_542_6,
            steps: [[2.5, 100.0, 0.8], [1.25, 50.0, 0.25], [1.25, 100.0, 0.18]],
            bending_share: 0.015,
        },
        Case {
            name: "Akima's 50 points, λ 100",
            points: &AKIMA,
            table: "tps_akima50",
            size: [25.0, 20.0],
            lambda: 100.0,
            column: 4,
            bending: 77.979_625_476_953_25,
            steps: [[2.5, 50.0, 0.25], [2.5, 100.0, 0.08], [1.25, 100.0, 0.07]],
            bending_share: 0.01,
        },
    ];
    let mut checks = Vec::new();
    for case in cases {
        let expected = expected_heights(case.table, case.column);
        let range = expected.iter().map(|e| e[2].abs()).fold(0.0, f64::max);
        let mut last = 0.0;
        for [knots, margin, bound] in case.steps {
            let mu = case.lambda / (8.0 * PI);
            let [off, bending] =
                thin_plate(case.points, &expected, mu, knots, margin, case.size, 2.0);
            checks.push(below(
                format!(
                    "{}: knots each {knots}, margin {margin}: largest difference on 11 × 11 places (heights up to {range:.1})",
                    case.name
                ),
                SOURCE,
                bound,
                off,
            ));
            last = bending;
        }
        checks.push(close_share(
            format!("{}: bending integral, last of these", case.name),
            SOURCE,
            case.bending,
            last,
            case.bending_share,
        ));
    }
    checks
}

// -------------------------------------------------------------------------------------------------
// Filters

/// Amplitude of the wave of this length (in nodes' units) in values at even steps, over whole
/// periods in the middle.
fn amplitude(values: &[f64], step: f64, wavelength: f64, keep_off: f64) -> f64 {
    let whole = values.len() as f64 * step - 2.0 * keep_off;
    let periods = (whole / wavelength).floor().max(1.0);
    let count = (periods * wavelength / step).round() as usize;
    let first = (values.len() - count) / 2;
    let (mut c, mut s) = (0.0, 0.0);
    for (k, v) in values.iter().enumerate().skip(first).take(count) {
        let phase = TAU * k as f64 * step / wavelength;
        c += v * phase.cos();
        s += v * phase.sin();
    }
    2.0 * c.hypot(s) / count as f64
}

/// What the references' linear filter passes of a wave along one axis, form wavelength 200 mm.
fn passed_by_the_form_filter(along_y: bool, share: f64) -> f64 {
    let (cutoff, across, step) = (200.0, 150.0, 10.0);
    let wavelength = cutoff * share;
    let long = 8.0 * cutoff + 6.0 * wavelength;
    let mut panel = simulate::panel_sized(Kind::Flat, long, across);
    if along_y {
        (panel.length_mm, panel.width_mm) = (across, long);
    }
    panel.form_wavelength_mm = [cutoff, cutoff];
    let bench = Workbench::new(&panel, step, &|nx, ny| vec![step * step; nx * ny]).unwrap();
    let nx = bench.xs.len();
    let heights: Vec<f64> = (0..nx * bench.ys.len())
        .map(|k| {
            let s = if along_y {
                bench.ys[k / nx]
            } else {
                bench.xs[k % nx]
            };
            (TAU * s / wavelength + 0.4).cos()
        })
        .collect();
    let c = bench.filtered(&heights).unwrap();
    let count = if along_y { bench.ys.len() } else { nx };
    let line: Vec<f64> = (0..count)
        .map(|k| {
            let s = k as f64 * step;
            let (x, y) = if along_y {
                (across / 2.0, s)
            } else {
                (s, across / 2.0)
            };
            bench.basis().value(&c, x, y, 0, 0)
        })
        .collect();
    amplitude(&line, step, wavelength, 3.0 * cutoff)
}

/// The references' penalty is on third derivatives, one order above the spline filter of ISO
/// 16610-22 (second derivatives, fourth power): half at λc like it, steeper on both sides. What is
/// left of the difference is the splines', eight to λc.
fn filter_of_the_references() -> Vec<Check> {
    let mut checks = Vec::new();
    for along_y in [false, true] {
        for (share, within) in [
            (0.5, 0.004),
            (0.75, 0.009),
            (1.0, 0.004),
            (1.5, 0.001),
            (2.0, 0.001),
            (3.0, 0.001),
            (4.0, 0.001),
        ] {
            let axis = if along_y { "y" } else { "x" };
            checks.push(close(
                format!("references' filter (third derivatives), wave along {axis}, λ/λc {share}: amplitude passed"),
                "computed: 1/(1 + (λc/λ)⁶)",
                1.0 / (1.0 + f64::powi(share, -6)),
                passed_by_the_form_filter(along_y, share),
                within,
            ));
        }
    }
    checks
}

/// The profile spline filter of ISO 16610-22 for an open profile: [I + βα²P + (1 − β)α⁴Q]w = z, α =
/// 1/(2 sin(πΔx/λc)), with P and Q the matrices printed there; solved by plain elimination, sharing
/// nothing with the program.
fn published_spline_filter(z: &[f64], step: f64, cutoff: f64, beta: f64) -> Vec<f64> {
    let n = z.len();
    let alpha = 1.0 / (2.0 * (PI * step / cutoff).sin());
    let (p, q) = (beta * alpha.powi(2), (1.0 - beta) * alpha.powi(4));
    // Bands 0, 1 and 2 of each row.
    let mut bands = vec![[0.0; 3]; n];
    for (i, band) in bands.iter_mut().enumerate() {
        let end = i == 0 || i == n - 1;
        let next_to_end = i == 1 || i == n - 2;
        band[0] = 1.0
            + p * if end { 1.0 } else { 2.0 }
            + q * if end {
                1.0
            } else if next_to_end {
                5.0
            } else {
                6.0
            };
        if i + 1 < n {
            let outer = i == 0 || i + 2 == n;
            band[1] = -p + q * if outer { -2.0 } else { -4.0 };
        }
        if i + 2 < n {
            band[2] = q;
        }
    }
    let mut w = z.to_vec();
    for i in 0..n {
        for k in 1..3.min(n - i) {
            let factor = bands[i][k] / bands[i][0];
            for l in k..3 {
                let subtract = factor * bands[i][l];
                bands[i + k][l - k] -= subtract;
            }
            w[i + k] -= factor * w[i];
        }
    }
    for i in (0..n).rev() {
        for k in 1..3.min(n - i) {
            w[i] -= bands[i][k] * w[i + k];
        }
        w[i] /= bands[i][0];
    }
    w
}

/// The same filter from our splines and their Gram matrices: minimise Σ(z − s)²Δx + β(λc/2π)²∫s′² +
/// (1 − β)(λc/2π)⁴∫s″².
fn spline_filter_of_ours(z: &[f64], step: f64, cutoff: f64, beta: f64) -> Vec<f64> {
    let axis = Axis::new((z.len() - 1) as f64 * step, step);
    let n = axis.count();
    let pattern = Pattern::new((0..n).map(|j| (j..(j + 4).min(n)).collect()).collect()).unwrap();
    let length = cutoff / TAU;
    let (first, second) = (axis.gram(1), axis.gram(2));
    let mut values = vec![0.0; pattern.entries()];
    for j in 0..n {
        for i in j..(j + 4).min(n) {
            values[pattern.position(i, j).unwrap()] = beta * length.powi(2) * first[j][3 + i - j]
                + (1.0 - beta) * length.powi(4) * second[j][3 + i - j];
        }
    }
    let mut right = vec![0.0; n];
    for (k, z) in z.iter().enumerate() {
        let (i0, b) = axis.at(k as f64 * step, 0);
        for i in 0..4 {
            right[i0 + i] += step * b[i] * z;
            for j in 0..=i {
                values[pattern.position(i0 + i, i0 + j).unwrap()] += step * b[i] * b[j];
            }
        }
    }
    pattern.factor(&values).unwrap().solve_in_place(&mut right);
    (0..z.len())
        .map(|k| {
            let (i0, b) = axis.at(k as f64 * step, 0);
            (0..4).map(|i| b[i] * right[i0 + i]).sum()
        })
        .collect()
}

/// Amplitude that a filter passes of a wave, λc 1, nodes `step` apart.
fn passed(filter: fn(&[f64], f64, f64, f64) -> Vec<f64>, beta: f64, share: f64, step: f64) -> f64 {
    let count = ((12.0 + 6.0 * share) / step) as usize;
    let wave: Vec<f64> = (0..count)
        .map(|k| (TAU * k as f64 * step / share + 0.3).cos())
        .collect();
    amplitude(&filter(&wave, step, 1.0, beta), step, share, 4.0)
}

fn spline_filters() -> Vec<Check> {
    const MATRICES: &str =
        "published: matrices of ISO 16610-22 as open texts quote them; figure worked out from them";
    const LIMIT: &str =
        "computed: 1/(1 + β(λc/λ)² + (1 − β)(λc/λ)⁴), what the published matrices tend to";
    let mut checks = Vec::new();
    // The matrices themselves, built as printed, so that they may be trusted as the other side.
    for (share, expected) in [
        (0.5, 0.109337),
        (1.0, 0.5),
        (2.0, 0.846746),
        (4.0, 0.960738),
    ] {
        checks.push(close(
            format!(
                "spline filter by its matrices, β 0.62524, Δx λc/20, λ/λc {share}: amplitude passed"
            ),
            MATRICES,
            expected,
            passed(published_spline_filter, 0.62524, share, 0.05),
            1e-6,
        ));
    }
    for (beta, table) in [
        (0.0, [0.003891, 0.058824, 0.5, 0.941176, 0.996109]),
        (1.0, [0.058824, 0.2, 0.5, 0.8, 0.941176]),
        (0.62524, [0.009351, 0.105295, 0.5, 0.847650, 0.961038]),
    ] {
        for (share, expected) in [0.25, 0.5, 1.0, 2.0, 4.0].into_iter().zip(table) {
            let ours = passed(spline_filter_of_ours, beta, share, 0.01);
            checks.push(close(
                format!("spline filter from our Gram matrices, β {beta}, Δx λc/100, λ/λc {share}: amplitude passed"),
                LIMIT,
                expected,
                ours,
                1e-6,
            ));
            let theirs = passed(published_spline_filter, beta, share, 0.0025);
            checks.push(below(
                format!("the same, β {beta}, λ/λc {share}: share off the matrices at Δx λc/400"),
                MATRICES,
                1e-3,
                (ours / theirs - 1.0).abs(),
            ));
        }
    }
    // A whole measured profile, both ends included.
    let (z, step) = profile("profile_010");
    for (cutoff, bound) in [(8.0, 2e-3), (25.0, 2e-4), (80.0, 5e-5)] {
        let theirs = published_spline_filter(&z, step, cutoff, 0.0);
        let ours = spline_filter_of_ours(&z, step, cutoff, 0.0);
        let off: Vec<f64> = theirs.iter().zip(&ours).map(|(a, b)| a - b).collect();
        checks.push(below(
            format!(
                "profile_010, β 0, λc {cutoff} mm (Δx {step:.2}): rms difference from the matrices, ends included, share of the rms"
            ),
            MATRICES,
            bound,
            root_mean_square(&off) / root_mean_square(&theirs),
        ));
    }
    checks
}

// -------------------------------------------------------------------------------------------------
// The plate of 1955 as pin gauges

/// Micro-inch of the plate as mm of the made-up panel.
const MM_PER_MICROINCH: f64 = 0.01;
/// The plate's frame: 16 × 10 steps of 4 inch, mm a step.
const STEP_MM: f64 = 101.6;

/// Least-squares fit of some terms taken off values at places, by the program's own least squares.
fn less_terms<const N: usize>(
    places: &[[f64; 2]],
    values: &[f64],
    terms: impl Fn([f64; 2]) -> [f64; N],
) -> Vec<f64> {
    let rows = Array2::from_shape_fn((places.len(), N), |(k, t)| terms(places[k])[t]);
    let fitted = least_squares::solve(&rows, values).unwrap();
    let carried = rows.dot(&ndarray::Array1::from(fitted.coef));
    values.iter().zip(carried).map(|(v, c)| v - c).collect()
}

/// The eight lines as placings of a pin gauge: heights summed from the tilts, each line with a
/// level and a tilt of its own.
fn plate_survey() -> Survey {
    let placings = PLATE_1955.iter().enumerate().map(|(n, (from, to, text))| {
        let tilts: Vec<f64> = text.split(' ').map(number).collect();
        let count = tilts.len() as f64;
        let mean = tilts.iter().sum::<f64>() / count;
        let mut heights = vec![0.0];
        for t in &tilts {
            heights
                .push(heights[heights.len() - 1] + (t - mean) * FOOT_MICROINCH * MM_PER_MICROINCH);
        }
        let [dx, dy] = [to[0] - from[0], to[1] - from[1]];
        let readings = heights.iter().enumerate().map(|(k, z)| Reading {
            x: (from[0] + dx * k as f64 / count) * STEP_MM,
            y: (from[1] + dy * k as f64 / count) * STEP_MM,
            value_mm: Some(*z),
            written: format!("{z:.4}"),
            sd_mm: None,
            line: n + 1,
            column: k + 1,
        });
        Placing {
            name: format!("A{}", n + 1),
            tool: Tool::ProfileGauge,
            base_mm: dx.hypot(dy) * STEP_MM,
            toward: [dx / dx.hypot(dy), dy / dx.hypot(dy)],
            repeat: 0,
            turned: false,
            readings: readings.collect(),
            file: "plate of 1955".into(),
            line: n + 1,
        }
    });
    Survey {
        placings: placings.collect(),
        files: vec!["plate of 1955".into()],
        ..Survey::default()
    }
}

/// Heights of the 126 stations as published, micro-inch.
fn plate_published() -> Vec<[f64; 3]> {
    data("plate_1955_heights.csv")
        .lines()
        .skip(1)
        .map(|l| {
            let cells: Vec<f64> = l.split(',').skip(2).map(number).collect();
            [cells[0] * STEP_MM, cells[1] * STEP_MM, cells[2]]
        })
        .collect()
}

/// What keeps the two apart: the published heights come from hanging each line on the others' ends,
/// which leaves a closure error of 13.6 micro-inch on the middle line to be shared out by hand;
/// least squares share it over all lines; and the surface is smooth where lines that cross do not
/// agree.
fn plate_as_gauges() -> Vec<Check> {
    const PUBLISHED: &str = "published: heights of Moody 1955 as transcribed by Allen 2019";
    const JOINED: &str = "computed: least squares on the same readings (above)";
    let panel = simulate::panel_sized(Kind::Flat, 16.0 * STEP_MM, 10.0 * STEP_MM);
    let surface = fit::fit(&panel, &plate_survey()).unwrap();
    let off_plane = |points: &[[f64; 3]]| {
        let places: Vec<[f64; 2]> = points.iter().map(|p| [p[0], p[1]]).collect();
        let values: Vec<f64> = points.iter().map(|p| p[2]).collect();
        less_terms(&places, &values, |[x, y]| [1.0, x / 1000.0, y / 1000.0])
    };
    let found = |points: &[[f64; 3]]| -> Vec<[f64; 3]> {
        let at = |p: &[f64; 3]| surface.basis.value(&surface.coefficients, p[0], p[1], 0, 0);
        points
            .iter()
            .map(|p| [p[0], p[1], at(p) / MM_PER_MICROINCH])
            .collect()
    };
    let difference = |a: &[[f64; 3]], b: &[[f64; 3]]| {
        let less = a.iter().zip(b).map(|(a, b)| [a[0], a[1], a[2] - b[2]]);
        root_mean_square(&off_plane(&less.collect::<Vec<_>>()))
    };
    let span = |v: &[f64]| {
        v.iter().copied().fold(f64::NEG_INFINITY, f64::max)
            - v.iter().copied().fold(f64::INFINITY, f64::min)
    };
    let published = plate_published();
    let joined: Vec<[f64; 3]> = plate_joined()
        .0
        .iter()
        .map(|p| [p[0] * STEP_MM, p[1] * STEP_MM, p[2]])
        .collect();
    let joined_there: Vec<[f64; 3]> = published
        .iter()
        .map(|p| {
            let near = |q: &&[f64; 3]| (q[0] - p[0]).hypot(q[1] - p[1]) < 1.0;
            *joined.iter().find(near).unwrap()
        })
        .collect();
    vec![
        close(
            "plate of 1955: rms of the published heights about their plane, micro-inch",
            PUBLISHED,
            46.240_676_43,
            root_mean_square(&off_plane(&published)),
            1e-6,
        ),
        below(
            "plate of 1955 through the fit, as eight pin-gauge placings: rms difference from the published heights, micro-inch",
            PUBLISHED,
            5.0,
            difference(&found(&published), &published),
        ),
        close_share(
            "the same: highest to lowest station about the plane, micro-inch",
            PUBLISHED,
            175.371_457_8,
            span(&off_plane(&found(&published))),
            0.05,
        ),
        below(
            "the same: rms difference from the lines joined by least squares, micro-inch",
            JOINED,
            5.0,
            difference(&found(&joined), &joined),
        ),
        below(
            "lines joined by least squares: rms difference from the published heights, micro-inch",
            PUBLISHED,
            5.0,
            difference(&joined_there, &published),
        ),
    ]
}

// -------------------------------------------------------------------------------------------------
// Real surfaces under a made-up survey

/// Height of a true surface at a place, mm.
type Height<'a> = &'a (dyn Fn(f64, f64) -> f64 + Sync);

/// Rms error of the found deviation (plane, constant curvature and twist removed), mm, and the rms
/// of the true one.
fn error_on(panel: &Panel, truth: Height, spacing: f64, seed: u64) -> [f64; 2] {
    let plan = SurveyPlan::straightedge(spacing);
    let survey = simulate::survey_of(truth, panel, &plan, seed);
    let surface = fit::fit(panel, &survey).unwrap();
    let (l, w) = (panel.length_mm, panel.width_mm);
    let places: Vec<[f64; 2]> = (0..=60)
        .flat_map(|i| (0..=60).map(move |j| [l * f64::from(i) / 60.0, w * f64::from(j) / 60.0]))
        .collect();
    let quadratic = |[x, y]: [f64; 2]| {
        let (u, v) = (x / l - 0.5, y / w - 0.5);
        [1.0, u, v, u * u, u * v, v * v]
    };
    let rms = |values: Vec<f64>| root_mean_square(&less_terms(&places, &values, quadratic));
    let found = |[x, y]: &[f64; 2]| surface.basis.value(&surface.coefficients, *x, *y, 0, 0);
    [
        rms(places
            .iter()
            .map(|p| found(p) - truth(p[0], p[1]))
            .collect()),
        rms(places.iter().map(|p| truth(p[0], p[1])).collect()),
    ]
}

/// The natural cubic spline through values at 0, 1, 2 …, evaluated at `t`.
struct Natural {
    values: Vec<f64>,
    bend: Vec<f64>,
}

impl Natural {
    fn through(values: Vec<f64>) -> Self {
        let n = values.len();
        let (mut pivot, mut bend) = (vec![4.0; n], vec![0.0; n]);
        for i in 1..n - 1 {
            bend[i] = 6.0 * (values[i - 1] - 2.0 * values[i] + values[i + 1]);
            if i > 1 {
                pivot[i] = 4.0 - 1.0 / pivot[i - 1];
                bend[i] -= bend[i - 1] / pivot[i - 1];
            }
        }
        for i in (1..n - 1).rev() {
            bend[i] = (bend[i] - bend[i + 1]) / pivot[i];
        }
        Natural { values, bend }
    }

    fn at(&self, t: f64) -> f64 {
        let i = (t.max(0.0) as usize).min(self.values.len() - 2);
        let (b, a) = (t - i as f64, 1.0 - (t - i as f64));
        a * self.values[i]
            + b * self.values[i + 1]
            + ((a.powi(3) - a) * self.bend[i] + (b.powi(3) - b) * self.bend[i + 1]) / 6.0
    }
}

/// The probed plate of 21 × 21 points, 4.5 times its size in all three directions: splines along
/// the rows, then across them.
fn probed_plate() -> (Panel, impl Fn(f64, f64) -> f64 + Sync) {
    const TIMES: f64 = 4.5;
    let bed = read_bed("bed_21x21_2020-06-22_mit.csv");
    let step = bed.step * TIMES;
    let rows: Vec<Natural> = bed
        .z
        .rows()
        .into_iter()
        .map(|r| Natural::through(r.iter().map(|z| z * TIMES).collect()))
        .collect();
    let side = step * 20.0;
    (
        simulate::panel_sized(Kind::Flat, side, side),
        move |x: f64, y: f64| {
            let across: Vec<f64> = rows.iter().map(|r| r.at(x / step)).collect();
            Natural::through(across).at(y / step)
        },
    )
}

/// Part of a telescope's primary mirror before adjustment, 385 targets: 1 to 3 in size, deviations
/// from its design 3 times as measured, by a thin-plate spline through the targets (plain
/// elimination, sharing nothing with the program).
fn mirror() -> (Panel, impl Fn(f64, f64) -> f64 + Sync) {
    const SIDE: f64 = 1400.0;
    let targets: Vec<[f64; 3]> = data("mirror/m1_2025-02-22.csv")
        .lines()
        .skip(1)
        .map(|l| {
            let c: Vec<f64> = l.split(',').map(number).collect();
            [
                c[1] / 3.0 + SIDE / 2.0,
                c[2] / 3.0 + SIDE / 2.0,
                c[3] / 3.0 + 3.0 * c[4],
            ]
        })
        .collect();
    let kernel = |dx: f64, dy: f64| {
        let r2 = (dx * dx + dy * dy) / 1e6;
        if r2 > 0.0 { r2 * r2.ln() } else { 0.0 }
    };
    let n = targets.len();
    let affine = |p: &[f64; 3]| [1.0, p[0] / 1000.0, p[1] / 1000.0];
    let mut a = vec![vec![0.0; n + 4]; n + 3];
    for i in 0..n {
        for j in 0..n {
            a[i][j] = kernel(targets[i][0] - targets[j][0], targets[i][1] - targets[j][1]);
        }
        for (k, v) in affine(&targets[i]).into_iter().enumerate() {
            (a[i][n + k], a[n + k][i]) = (v, v);
        }
        a[i][n + 3] = targets[i][2];
    }
    let weights = eliminate(a);
    (
        simulate::panel_sized(Kind::Crowned, SIDE, SIDE),
        move |x: f64, y: f64| {
            let bent: f64 = targets
                .iter()
                .zip(&weights)
                .map(|(t, w)| w * kernel(x - t[0], y - t[1]))
                .sum();
            let [c, u, v] = affine(&[x, y, 0.0]);
            bent + c * weights[n] + u * weights[n + 1] + v * weights[n + 2]
        },
    )
}

/// Solution of a full system, right-hand side in the last column (Gauss, with pivots).
fn eliminate(mut a: Vec<Vec<f64>>) -> Vec<f64> {
    let n = a.len();
    for i in 0..n {
        let best = (i..n)
            .max_by(|&p, &q| a[p][i].abs().total_cmp(&a[q][i].abs()))
            .unwrap();
        a.swap(i, best);
        let (above, below) = a.split_at_mut(i + 1);
        let row = &above[i];
        for other in below {
            let factor = other[i] / row[i];
            for (o, r) in other[i..].iter_mut().zip(&row[i..]) {
                *o -= factor * r;
            }
        }
    }
    let mut x = vec![0.0; n];
    for i in (0..n).rev() {
        let sum: f64 = (i + 1..n).map(|j| a[i][j] * x[j]).sum();
        x[i] = (a[i][n] - sum) / a[i][i];
    }
    x
}

fn measured_as_truth() -> Vec<Check> {
    const SOURCE: &str = "measured surface as truth; simulated readings each 50 mm under a 600 mm edge, noise 0.03 in 0.05 mm; bound ours";
    let (bed, on_bed) = probed_plate();
    let (mirror, on_mirror) = mirror();
    let surfaces: [(&str, &Panel, Height, [f64; 2]); 2] = [
        (
            "probed plate of 21 × 21 points, 4.5 times its size",
            &bed,
            &on_bed,
            [0.036, 0.050],
        ),
        (
            "telescope mirror, 1 to 3, deviations from design 3 times as measured",
            &mirror,
            &on_mirror,
            [0.040, 0.052],
        ),
    ];
    let mut checks = Vec::new();
    for (name, panel, truth, bounds) in surfaces {
        for (spacing, bound) in [100.0, 150.0].into_iter().zip(bounds) {
            let errors: Vec<[f64; 2]> = (1..=3u64)
                .into_par_iter()
                .map(|seed| error_on(panel, truth, spacing, seed))
                .collect();
            let worst = errors.iter().map(|e| e[0]).fold(0.0, f64::max);
            checks.push(below(
                format!(
                    "{name} ({:.0} × {:.0} mm, true deviation {:.3} mm rms), lines each {spacing} mm: rms error of the deviation, worst of 3 surveys, mm",
                    panel.length_mm, panel.width_mm, errors[0][1]
                ),
                SOURCE,
                bound,
                worst,
            ));
        }
    }
    checks
}
