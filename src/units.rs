//! Lengths and temperatures with their units, read at the edge and written at the edge.
//!
//! Inside the program: mm, cm², cc, °C. A bare number in a file or an option is mm.

/// Which units are shown. Files and arithmetic stay in mm and cc.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Units {
    /// mm, cc, cm².
    #[default]
    Metric,
    /// Inches for places, thousandths for depths, fluid ounces for volumes, square inches.
    Us,
}

/// mm in one inch, exactly.
pub const MM_PER_INCH: f64 = 25.4;
/// cc in one US fluid ounce (231 in³ = 128 fl oz, exactly).
pub const CC_PER_FL_OZ: f64 = 231.0 * 16.387064 / 128.0;

/// mm in one of the unit words `mm cm m in thou ft`; `None` for any other word.
pub fn mm_per(unit: &str) -> Option<f64> {
    Some(match unit {
        "mm" => 1.0,
        "cm" => 10.0,
        "m" => 1000.0,
        "in" | "\"" => MM_PER_INCH,
        "thou" => MM_PER_INCH / 1000.0,
        "ft" => 12.0 * MM_PER_INCH,
        _ => return None,
    })
}

/// A number with dot or comma as the decimal mark, finite; digits, one mark and a sign only, exponent allowed.
///
/// ```
/// assert_eq!(lowspot::units::number("0,25"), Some(0.25));
/// assert_eq!(lowspot::units::number("1.3.0"), None);
/// assert_eq!(lowspot::units::number("inf"), None);
/// ```
pub fn number(text: &str) -> Option<f64> {
    let plain = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-' | 'e' | 'E');
    if text.is_empty() || !text.chars().all(plain) {
        return None;
    }
    let value: f64 = text.replace(',', ".").parse().ok()?;
    value.is_finite().then_some(value)
}

/// A length in mm: a number, then a unit word or none (mm).
///
/// ```
/// assert!((lowspot::units::length("12 in").unwrap() - 304.8).abs() < 1e-9);
/// assert_eq!(lowspot::units::length("1800").unwrap(), 1800.0);
/// assert!(lowspot::units::length("12 miles").is_err());
/// ```
///
/// # Errors
/// A sentence naming the value and what was expected.
pub fn length(text: &str) -> Result<f64, String> {
    let (value, unit) = parted(text).ok_or_else(|| {
        let text = text.trim();
        format!("\"{text}\" is not a length; expected a number and a unit such as 300 mm or 12 in")
    })?;
    if unit.is_empty() {
        return Ok(value);
    }
    mm_per(unit).map(|factor| value * factor).ok_or_else(|| {
        format!("\"{unit}\" is no unit of length; expected mm, cm, m, in, thou or ft")
    })
}

/// A mass in g: a number, then a unit word or none (g).
///
/// ```
/// assert_eq!(lowspot::units::mass("0.4 kg"), Ok(400.0));
/// assert!(lowspot::units::mass("4 mm").is_err());
/// ```
///
/// # Errors
/// A sentence naming the value and what was expected.
pub fn mass(text: &str) -> Result<f64, String> {
    let (value, unit) = parted(text).ok_or_else(|| {
        format!("\"{text}\" is not a mass; expected a number and a unit such as 400 g or 0.4 kg")
    })?;
    let factor = match unit {
        "" | "g" => 1.0,
        "kg" => 1000.0,
        "oz" => 28.349523125,
        "lb" => 453.59237,
        _ => {
            return Err(format!(
                "\"{unit}\" is no unit of mass; expected g, kg, oz or lb"
            ));
        }
    };
    Ok(value * factor)
}

/// A number and the unit word behind it; `None` where it begins with no number.
fn parted(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let split = text
        .find(|c: char| c.is_ascii_alphabetic() && c != 'e' && c != 'E' || c == '"' || c == ' ')
        .unwrap_or(text.len());
    Some((number(text[..split].trim())?, text[split..].trim()))
}

impl Units {
    /// A place or a base length, with its unit: "610 mm", "24.0 in".
    pub fn place(self, mm: f64) -> String {
        match self {
            Units::Metric => format!("{:.0} mm", mm),
            Units::Us => format!("{:.1} in", mm / MM_PER_INCH),
        }
    }

    /// A place without its unit, for "x 610-730".
    pub fn bare_place(self, mm: f64) -> String {
        match self {
            Units::Metric => format!("{:.0}", mm),
            Units::Us => format!("{:.1}", mm / MM_PER_INCH),
        }
    }

    /// A depth, a gap or a deviation, with its unit: "0.35 mm", "14 thou".
    pub fn depth(self, mm: f64) -> String {
        match self {
            Units::Metric => format!("{:.2} mm", mm),
            Units::Us => format!("{:.0} thou", mm / MM_PER_INCH * 1000.0),
        }
    }

    /// A depth without its unit.
    pub fn bare_depth(self, mm: f64) -> String {
        match self {
            Units::Metric => format!("{:.2}", mm),
            Units::Us => format!("{:.0}", mm / MM_PER_INCH * 1000.0),
        }
    }

    /// The unit of a depth.
    pub fn depth_unit(self) -> &'static str {
        match self {
            Units::Metric => "mm",
            Units::Us => "thou",
        }
    }

    /// The unit of a place.
    pub fn place_unit(self) -> &'static str {
        match self {
            Units::Metric => "mm",
            Units::Us => "in",
        }
    }

    /// A volume with its unit and about two significant digits: "45 cc", "1.5 fl oz".
    pub fn volume(self, cc: f64) -> String {
        format!("{} {}", self.bare_volume(cc), self.volume_unit())
    }

    /// A volume without its unit.
    pub fn bare_volume(self, cc: f64) -> String {
        match self {
            Units::Metric if cc.abs() < 9.95 => format!("{:.1}", cc),
            Units::Metric => format!("{:.0}", cc),
            Units::Us => format!("{:.1}", cc / CC_PER_FL_OZ),
        }
    }

    /// The unit of a volume.
    pub fn volume_unit(self) -> &'static str {
        match self {
            Units::Metric => "cc",
            Units::Us => "fl oz",
        }
    }

    /// An area with its unit: "420 cm²", "65 in²".
    pub fn area(self, cm2: f64) -> String {
        match self {
            Units::Metric => format!("{:.0} cm²", cm2),
            Units::Us => format!("{:.0} in²", cm2 * 100.0 / (MM_PER_INCH * MM_PER_INCH)),
        }
    }
}
