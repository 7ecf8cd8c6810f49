//! Dew point.

/// Dew point over water, °C, of air of a temperature in °C and a humidity in % (above 0, to 100).
///
/// Magnus formula: `γ = ln(RH/100) + b·T/(c + T)`, `T_d = c·γ/(b − γ)` with b = 17.62 and c = 243.12 °C. The coefficients are
/// from memory; good to about 0.4 °C from −45 to 60 °C (from memory as well).
///
/// ```
/// use lowspot::plan::mix::dew_point_c;
/// assert_eq!(dew_point_c(20.0, 100.0), 20.0);
/// assert!((dew_point_c(25.0, 60.0) - 16.7).abs() < 0.1);
/// ```
pub fn dew_point_c(at_c: f64, humidity_percent: f64) -> f64 {
    const B: f64 = 17.62;
    const C: f64 = 243.12;
    if humidity_percent >= 100.0 {
        return at_c;
    }
    let gamma = (humidity_percent / 100.0).ln() + B * at_c / (C + at_c);
    C * gamma / (B - gamma)
}
