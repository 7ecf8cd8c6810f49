//! Smoothing of values on a grid by a Gaussian.

/// Values (index ix·ny + iy on a grid of `count` = [nx, ny] with this spacing, mm) smoothed by a
/// Gaussian of this standard deviation (mm) along both axes, ends normalised.
pub fn smoothed(count: [usize; 2], spacing: [f64; 2], values: &[f64], sd_mm: f64) -> Vec<f64> {
    let [nx, ny] = count;
    let kernel = |spacing: f64| -> Vec<f64> {
        let reach = (3.0 * sd_mm / spacing).ceil() as usize;
        (0..=reach)
            .map(|k| (-(k as f64 * spacing / sd_mm).powi(2) / 2.0).exp())
            .collect()
    };
    let pass = |values: &[f64],
                n: usize,
                stride: usize,
                lines: &dyn Fn(usize) -> usize,
                count: usize,
                kernel: &[f64]| {
        let mut out = vec![0.0; values.len()];
        for line in 0..count {
            let first = lines(line);
            for i in 0..n {
                let (mut sum, mut weight) = (0.0, 0.0);
                let reach = kernel.len() - 1;
                for j in i.saturating_sub(reach)..(i + reach + 1).min(n) {
                    let w = kernel[i.abs_diff(j)];
                    sum += w * values[first + j * stride];
                    weight += w;
                }
                out[first + i * stride] = sum / weight;
            }
        }
        out
    };
    let along_y = pass(values, ny, 1, &|i| i * ny, nx, &kernel(spacing[1]));
    pass(&along_y, nx, ny, &|j| j, ny, &kernel(spacing[0]))
}
