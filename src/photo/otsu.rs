//! Two kinds of grey told apart by their histogram alone: for coat that is left only as fine
//! speckle and fills no area.
//!
//! N. Otsu, IEEE Trans. Syst. Man Cybern. 9 (1979) 62: the level at which the variance between the
//! two classes is greatest, and the share of the whole variance that it is, η (from memory; levels
//! checked against scikit-image and OpenCV).

/// Where a histogram falls into two.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Split {
    /// Last level of the lower class.
    pub level: usize,
    /// Share of the variance that lies between the classes, 0 to 1.
    pub separability: f64,
    /// Share of the lower class.
    pub lower_share: f64,
}

/// The split of a histogram; the lowest of equally good levels. `None` when all values are equal,
/// or there are none.
///
/// ```
/// let mut histogram = [0u64; 256];
/// (histogram[40], histogram[41], histogram[200]) = (5, 5, 30);
/// let split = lowspot::photo::otsu::split(&histogram).unwrap();
/// assert_eq!(split.level, 41);
/// assert!((split.lower_share - 0.25).abs() < 1e-12 && split.separability > 0.99);
/// ```
pub fn split(histogram: &[u64]) -> Option<Split> {
    let count: f64 = histogram.iter().map(|c| *c as f64).sum();
    let moment = |power: i32| -> f64 {
        let term = |(v, c): (usize, &u64)| (v as f64).powi(power) * *c as f64;
        histogram.iter().enumerate().map(term).sum()
    };
    let (sum, squares) = (moment(1), moment(2));
    let variance = squares / count - (sum / count).powi(2);
    if count <= 0.0 || variance <= 1e-12 {
        return None;
    }
    let (mut below, mut below_sum) = (0.0, 0.0);
    let mut best: Option<Split> = None;
    for (level, c) in histogram.iter().enumerate() {
        below += *c as f64;
        below_sum += level as f64 * *c as f64;
        let above = count - below;
        if below <= 0.0 || above <= 0.0 {
            continue;
        }
        let gap = below_sum / below - (sum - below_sum) / above;
        let separability = below / count * (above / count) * gap * gap / variance;
        // Empty levels repeat a value up to rounding: the first of them stands.
        if best.is_none_or(|b| separability > b.separability * (1.0 + 1e-12)) {
            best = Some(Split {
                level,
                separability,
                lower_share: below / count,
            });
        }
    }
    best
}
