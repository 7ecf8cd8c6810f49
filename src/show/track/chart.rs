//! The trend as a picture: for every limit the worst over what is allowed, cycle by cycle, with its interval, and what another cycle is
//! expected to leave.

use super::super::palette::{self, Rgb};
use super::super::text;
use crate::problem::Error;
use crate::track::forecast::Forecast;
use crate::track::trend::Trend;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

const SIZE: (u32, u32) = (1200, 760);
/// Highest ratio drawn.
const MOST: f64 = 12.0;
const SHADES: [Rgb; 4] = [
    palette::INK,
    palette::LOW[3],
    palette::HIGH[3],
    palette::GREY,
];

fn failed(what: impl std::fmt::Display) -> Error {
    Error::Calculation(format!("the trend could not be drawn: {what}"))
}

/// trend.svg.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be drawn.
pub fn svg(trend: &Trend) -> Result<String, Error> {
    let mut out = String::new();
    {
        let root = SVGBackend::with_string(&mut out, SIZE).into_drawing_area();
        draw(&root, trend)?;
        root.present().map_err(failed)?;
    }
    Ok(out)
}

/// trend.png.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be drawn.
pub fn png(trend: &Trend) -> Result<Vec<u8>, Error> {
    let (w, h) = SIZE;
    let mut pixels = vec![255u8; (w * h * 3) as usize];
    {
        let root = BitMapBackend::with_buffer(&mut pixels, SIZE).into_drawing_area();
        draw(&root, trend)?;
        root.present().map_err(failed)?;
    }
    let picture = image::RgbImage::from_raw(w, h, pixels)
        .ok_or_else(|| failed("its pixels do not fill it"))?;
    let mut file = std::io::Cursor::new(Vec::new());
    picture
        .write_to(&mut file, image::ImageFormat::Png)
        .map_err(failed)?;
    Ok(file.into_inner())
}

/// One limit over the cycles: (cycle, worst, low, high), all over the limit.
struct Line {
    name: String,
    colour: RGBColor,
    points: Vec<(f64, f64, f64, f64)>,
}

fn lines(trend: &Trend) -> Vec<Line> {
    let mut out: Vec<Line> = Vec::new();
    let Some(last) = trend.cycles.last() else {
        return out;
    };
    for limit in last
        .limits
        .iter()
        .filter(|l| l.slope_mm_per_m.is_none())
        .take(SHADES.len())
    {
        let points = trend
            .cycles
            .iter()
            .enumerate()
            .filter_map(|(k, c)| {
                let l = c.same(limit)?;
                let ratio = |v: f64| (v / l.allowed()).clamp(0.0, MOST);
                Some((
                    k as f64 + 1.0,
                    ratio(l.worst_mm?),
                    ratio(l.low95?),
                    ratio(l.high95?),
                ))
            })
            .collect::<Vec<_>>();
        if points.is_empty() {
            continue;
        }
        let [r, g, b] = SHADES[out.len() % SHADES.len()];
        let zone = limit
            .zone
            .as_ref()
            .map_or(String::new(), |z| format!("{z}, "));
        out.push(Line {
            name: format!(
                "{zone}{:.0} mm, limit {:.2}",
                limit.base_mm,
                limit.allowed()
            ),
            colour: RGBColor(r, g, b),
            points,
        });
    }
    out
}

fn draw<B: DrawingBackend>(root: &DrawingArea<B, Shift>, trend: &Trend) -> Result<(), Error> {
    root.fill(&WHITE).map_err(failed)?;
    // Measuring once makes the embedded font known.
    text::width("0", 20.0)?;
    let lines = lines(trend);
    let forecast = expected(trend);
    // Room for the names above.
    let top = lines
        .iter()
        .flat_map(|l| l.points.iter().map(|p| p.3))
        .chain(forecast.map(|f| (f.high_mm / f.limit_mm).min(MOST)))
        .fold(1.5, f64::max)
        * (1.1 + 0.07 * lines.len() as f64);
    let last = trend.cycles.len() as f64;
    let right = if forecast.is_some() {
        last + 1.6
    } else {
        last + 0.6
    };
    let name: String = trend
        .name
        .chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect();
    let mut chart = ChartBuilder::on(root)
        .caption(
            format!("{name}: worst over limit, cycle by cycle"),
            ("sans-serif", 34),
        )
        .margin(24)
        .x_label_area_size(64)
        .y_label_area_size(76)
        .build_cartesian_2d(0.4..right, 0.0..top)
        .map_err(failed)?;
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(WHITE)
        .x_labels(trend.cycles.len() + 2)
        .x_label_formatter(&|x| label(trend, *x))
        .y_desc("worst / limit")
        .label_style(("sans-serif", 24))
        .axis_desc_style(("sans-serif", 26))
        .draw()
        .map_err(failed)?;
    let limit = [(0.4, 1.0), (right, 1.0)];
    chart
        .draw_series(LineSeries::new(limit, BLACK.stroke_width(4)))
        .map_err(failed)?;
    for (n, l) in lines.iter().enumerate() {
        // Side by side, so that intervals do not hide one another.
        let aside = 0.06 * n as f64;
        let colour = l.colour;
        chart
            .draw_series(l.points.iter().map(|p| {
                PathElement::new(
                    vec![(p.0 + aside, p.2), (p.0 + aside, p.3)],
                    colour.stroke_width(3),
                )
            }))
            .map_err(failed)?;
        chart
            .draw_series(LineSeries::new(
                l.points.iter().map(|p| (p.0 + aside, p.1)),
                colour.stroke_width(4),
            ))
            .map_err(failed)?
            .label(l.name.clone())
            .legend(move |(x, y)| {
                PathElement::new(vec![(x, y), (x + 40, y)], colour.stroke_width(5))
            });
        chart
            .draw_series(
                l.points
                    .iter()
                    .map(|p| Circle::new((p.0 + aside, p.1), 8, colour.filled())),
            )
            .map_err(failed)?;
    }
    if let Some(f) = forecast {
        let ratio = |mm: f64| (mm / f.limit_mm).clamp(0.0, top);
        let x = last + 1.0;
        chart
            .draw_series([PathElement::new(
                vec![(x, ratio(f.low_mm)), (x, ratio(f.high_mm))],
                BLACK.stroke_width(3),
            )])
            .map_err(failed)?;
        chart
            .draw_series([Circle::new((x, ratio(f.to_mm)), 9, BLACK.stroke_width(3))])
            .map_err(failed)?;
        let style = ("sans-serif", 22)
            .into_text_style(root)
            .pos(Pos::new(HPos::Center, VPos::Bottom));
        chart
            .draw_series([Text::new(
                "expected",
                (x, (ratio(f.high_mm) + 0.02 * top).min(0.96 * top)),
                style,
            )])
            .map_err(failed)?;
    }
    if trend.stale.is_some() {
        let style = ("sans-serif", 26)
            .into_text_style(root)
            .pos(Pos::new(HPos::Right, VPos::Top));
        let words = "STALE: worked on since the last survey";
        chart
            .draw_series([Text::new(words, (right - 0.02, 0.985 * top), style)])
            .map_err(failed)?;
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .legend_area_size(52)
        .label_font(("sans-serif", 24))
        .background_style(WHITE)
        .border_style(BLACK)
        .draw()
        .map_err(failed)?;
    Ok(())
}

/// What another cycle is expected to leave. Of a survey that no longer holds nothing is expected: what the cycle under way left is not known.
fn expected(trend: &Trend) -> Option<&Forecast> {
    let forecast = trend.advice.forecast.as_ref();
    forecast.filter(|_| trend.stale.is_none())
}

/// The date under a whole number, nothing between.
fn label(trend: &Trend, x: f64) -> String {
    let k = x.round();
    if (x - k).abs() > 1e-6 || k < 1.0 {
        return String::new();
    }
    match trend.cycles.get(k as usize - 1) {
        Some(c) => c.date.to_string(),
        None if k as usize == trend.cycles.len() + 1 => "next".into(),
        None => String::new(),
    }
}
