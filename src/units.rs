//! Lengths, volumes, masses, densities and temperatures with their units, read at the edge and
//! written at the edge.
//!
//! Inside the program: mm, cm², cc, g, g/cc, °C. A bare number in a file or an option is in these.

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
/// g in one avoirdupois ounce, exactly.
pub const G_PER_OZ: f64 = 28.349523125;

/// mm in one of the unit words `mm cm m in thou ft`; `None` for any other word.
pub fn mm_per(unit: &str) -> Option<f64> {
    Some(match unit {
        "mm" => 1.0,
        "cm" => 10.0,
        "m" => 1000.0,
        "in" | "\"" | "\u{2033}" | "\u{201d}" => MM_PER_INCH,
        "thou" => MM_PER_INCH / 1000.0,
        "ft" => 12.0 * MM_PER_INCH,
        _ => return None,
    })
}

/// A number with dot or comma as the decimal mark, finite; digits, one mark and a sign only,
/// exponent allowed.
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

/// A fraction such as 3/32, as rules in inches are read.
///
/// ```
/// assert_eq!(lowspot::units::fraction("3/32"), Some(0.09375));
/// assert_eq!(lowspot::units::fraction("3/0"), None);
/// ```
pub fn fraction(text: &str) -> Option<f64> {
    let (above, below) = text.split_once('/')?;
    let digits = |t: &str| !t.is_empty() && t.len() < 5 && t.chars().all(|c| c.is_ascii_digit());
    if !digits(above) || !digits(below) {
        return None;
    }
    let (above, below): (f64, f64) = (above.parse().ok()?, below.parse().ok()?);
    (below > 0.0).then(|| above / below)
}

/// A length in mm: a number, then a unit word or none (mm). Inches and feet may be a fraction:
/// `3/32"`.
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
    let text = text.trim();
    let split = text
        .find(|c: char| {
            c.is_ascii_alphabetic() && c != 'e' && c != 'E'
                || matches!(c, '"' | '\u{2033}' | '\u{201d}' | ' ')
        })
        .unwrap_or(text.len());
    let (digits, unit) = (text[..split].trim(), text[split..].trim());
    let part =
        fraction(digits).filter(|_| matches!(unit, "in" | "\"" | "\u{2033}" | "\u{201d}" | "ft"));
    let value = number(digits).or(part).ok_or_else(|| {
        format!("\"{text}\" is not a length; expected a number and a unit such as 300 mm or 12 in")
    })?;
    if unit.is_empty() {
        return Ok(value);
    }
    mm_per(unit).map(|factor| value * factor).ok_or_else(|| {
        format!("\"{unit}\" is no unit of length; expected mm, cm, m, in, thou or ft")
    })
}

/// A volume in cc: a number, then a unit word or none (cc).
///
/// ```
/// use lowspot::units::volume;
/// assert_eq!(volume("500 cc"), Ok(500.0));
/// assert_eq!(volume("0,5 L"), Ok(500.0));
/// assert_eq!(volume("500"), Ok(500.0));
/// assert!((volume("1 fl oz").unwrap() - 29.57).abs() < 0.01);
/// assert!(volume("500 g").is_err() && volume("NaN cc").is_err());
/// ```
///
/// # Errors
/// A sentence naming the value and what was expected.
pub fn volume(text: &str) -> Result<f64, String> {
    let (value, unit) = split(text, "volume", "500 cc or 17 fl oz")?;
    let factor = match unit.to_lowercase().as_str() {
        "" | "cc" | "ml" | "cm3" | "cm³" => 1.0,
        "l" => 1000.0,
        "fl oz" => CC_PER_FL_OZ,
        _ => return Err(no_unit(&unit, "volume", "cc, ml, cm3, l or fl oz")),
    };
    Ok(value * factor)
}

/// A mass in g: a number, then a unit word or none (g).
///
/// # Errors
/// A sentence naming the value and what was expected.
pub fn mass(text: &str) -> Result<f64, String> {
    let (value, unit) = split(text, "mass", "52 g or 2 oz")?;
    let factor = match unit.to_lowercase().as_str() {
        "" | "g" => 1.0,
        "kg" => 1000.0,
        "oz" => G_PER_OZ,
        "lb" => 16.0 * G_PER_OZ,
        _ => return Err(no_unit(&unit, "mass", "g, kg, oz or lb")),
    };
    Ok(value * factor)
}

/// A temperature in °C: a number, then `C` or `F`, or none (°C).
///
/// ```
/// use lowspot::units::temperature;
/// assert_eq!(temperature("20 °C"), Ok(20.0));
/// assert_eq!(temperature("68F"), Ok(20.0));
/// assert_eq!(temperature("-5"), Ok(-5.0));
/// assert!(temperature("293 K").is_err());
/// ```
///
/// # Errors
/// A sentence naming the value and what was expected.
pub fn temperature(text: &str) -> Result<f64, String> {
    let (value, unit) = split(text, "temperature", "20 C or 68 F")?;
    match unit.trim_start_matches('°').trim_start() {
        "" | "C" | "c" => Ok(value),
        "F" | "f" => Ok((value - 32.0) * 5.0 / 9.0),
        _ => Err(no_unit(&unit, "temperature", "C or F")),
    }
}

/// A density in g/cc: a number, then `g/cc` or `kg/l` (the same), or none.
///
/// # Errors
/// A sentence naming the value and what was expected.
pub fn density(text: &str) -> Result<f64, String> {
    let (value, unit) = split(text, "density", "0.55 g/cc")?;
    match unit.to_lowercase().as_str() {
        "" | "g/cc" | "g/ml" | "g/cm3" | "g/cm³" | "kg/l" => Ok(value),
        _ => Err(no_unit(&unit, "density", "g/cc or kg/l")),
    }
}

/// Number and unit word of a quantity; blanks within the unit count once.
fn split(text: &str, what: &str, example: &str) -> Result<(f64, String), String> {
    let text = text.trim();
    let digit = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-' | 'e' | 'E');
    let end = text.find(|c| !digit(c)).unwrap_or(text.len());
    let value = number(text.get(..end).unwrap_or("")).ok_or_else(|| {
        format!(
            "{} is not a {what}; expected a number and a unit such as {example}",
            crate::text::quoted(text)
        )
    })?;
    let unit = text.get(end..).unwrap_or("");
    Ok((value, unit.split_whitespace().collect::<Vec<_>>().join(" ")))
}

fn no_unit(unit: &str, of: &str, expected: &str) -> String {
    format!(
        "{} is no unit of {of}; expected {expected}",
        crate::text::quoted(unit)
    )
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

    /// A mass with its unit and about three significant digits: "125 g", "4.41 oz".
    pub fn mass(self, g: f64) -> String {
        match self {
            Units::Metric => format!("{} g", three_digits(g)),
            Units::Us => format!("{} oz", three_digits(g / G_PER_OZ)),
        }
    }

    /// A temperature with its unit: "20 °C", "68 °F".
    pub fn temperature(self, c: f64) -> String {
        let (value, unit) = match self {
            Units::Metric => (c, "°C"),
            Units::Us => (c * 1.8 + 32.0, "°F"),
        };
        let text = format!("{value:.1}");
        format!("{} {unit}", text.strip_suffix(".0").unwrap_or(&text))
    }

    /// An area with its unit: "420 cm²", "65 in²".
    pub fn area(self, cm2: f64) -> String {
        match self {
            Units::Metric => format!("{:.0} cm²", cm2),
            Units::Us => format!("{:.0} in²", cm2 * 100.0 / (MM_PER_INCH * MM_PER_INCH)),
        }
    }
}

/// A positive number with three significant digits, or all before the point: "1.25", "12.5",
/// "1250".
pub(crate) fn three_digits(value: f64) -> String {
    let places = match value.abs() {
        v if v < 9.995 => 2,
        v if v < 99.95 => 1,
        _ => 0,
    };
    format!("{value:.places$}")
}
