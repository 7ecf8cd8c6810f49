//! The trend as a picture: for every limit an edge, and under it the worst gap that each survey
//! found, drawn as a hollow with its interval; the limit stands in each as a leaf of that
//! thickness. Last what another cycle is expected to leave.

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
/// Limits drawn, one below the other.
const ROWS: usize = 4;
/// Surveys drawn, the latest.
const SURVEYS: usize = 8;
/// Room for the names at the left, px.
const MARGIN: f64 = 210.0;
/// Room above the first edge and below the last row, px.
const HEAD: f64 = 104.0;
const FOOT: f64 = 60.0;

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

/// One limit over the surveys, all over the limit.
struct Line {
    /// "300 mm", with the zone before it where there is one.
    edge: String,
    /// "limit 0.30".
    limit: String,
    points: Vec<Gap>,
}

/// The gap that one survey found under the edge.
struct Gap {
    /// Survey, from 0.
    at: usize,
    worst: f64,
    low: f64,
    high: f64,
    /// "0.41".
    told: String,
}

fn lines(trend: &Trend, first: usize) -> Vec<Line> {
    let Some(last) = trend.cycles.last() else {
        return Vec::new();
    };
    let ratio = |v: f64, allowed: f64| (v / allowed).clamp(0.0, MOST);
    let one = |limit: &crate::track::cycle::LimitRow| {
        let surveys = trend.cycles.iter().enumerate().skip(first);
        let points: Vec<Gap> = surveys
            .filter_map(|(k, c)| {
                let l = c.same(limit)?;
                let worst = l.worst_mm?;
                Some(Gap {
                    at: k - first,
                    worst: ratio(worst, l.allowed()),
                    low: ratio(l.low95?, l.allowed()),
                    high: ratio(l.high95?, l.allowed()),
                    told: format!("{worst:.2}"),
                })
            })
            .collect();
        let zone = limit
            .zone
            .as_ref()
            .map_or(String::new(), |z| format!("{z}, "));
        (!points.is_empty()).then(|| Line {
            edge: format!("{zone}{:.0} mm edge", limit.base_mm),
            limit: format!("limit {:.2} mm", limit.allowed()),
            points,
        })
    };
    let limits = last.limits.iter().filter(|l| l.slope_mm_per_m.is_none());
    limits.filter_map(one).take(ROWS).collect()
}

/// Where a row's edge lies and how many px a limit is thick.
struct Row {
    /// Underside of the edge, px.
    under: f64,
    /// Lower end of the row, px.
    floor: f64,
    /// px for the limit.
    leaf: f64,
    /// Left end of the first survey, and width of each, px.
    cells: [f64; 2],
}

impl Row {
    fn middle(&self, at: usize) -> f64 {
        self.cells[0] + (at as f64 + 0.5) * self.cells[1]
    }

    /// The skin under the edge at one survey: it touches at both ends, and hollows out to `ratio`
    /// limits in the middle.
    fn hollow(&self, at: usize, ratio: f64) -> Vec<(i32, i32)> {
        const STEPS: usize = 40;
        let half = 0.45 * self.cells[1];
        (0..=STEPS)
            .map(|k| {
                let t = k as f64 / STEPS as f64;
                let deep = ratio * self.leaf * (std::f64::consts::PI * t).sin().powi(2);
                let x = self.middle(at) + half * (2.0 * t - 1.0);
                (x.round() as i32, (self.under + deep).round() as i32)
            })
            .collect()
    }
}

fn rgb([r, g, b]: Rgb) -> RGBColor {
    RGBColor(r, g, b)
}

fn draw<B: DrawingBackend>(root: &DrawingArea<B, Shift>, trend: &Trend) -> Result<(), Error> {
    root.fill(&WHITE).map_err(failed)?;
    // Measuring once makes the embedded font known.
    text::width("0", 20.0)?;
    let first = trend.cycles.len().saturating_sub(SURVEYS);
    let lines = lines(trend, first);
    let forecast = expected(trend);
    let say = |words: &str, at: (f64, f64), size: i32, pos: Pos| {
        let style = ("sans-serif", size).into_text_style(root).pos(pos);
        let at = (at.0.round() as i32, at.1.round() as i32);
        root.draw(&Text::new(words.to_string(), at, style))
            .map_err(failed)
    };
    let name: String = trend
        .name
        .chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect();
    let (wide, high) = (f64::from(SIZE.0), f64::from(SIZE.1));
    let left = Pos::new(HPos::Left, VPos::Center);
    say(
        &format!("{name}: the worst gap, survey by survey"),
        (24.0, 36.0),
        32,
        left,
    )?;
    say(
        "Drawn: the skin under the edge at its worst place. The leaf standing in each gap is the limit.",
        (24.0, 74.0),
        20,
        left,
    )?;
    let told = trend.cycles.len() - first;
    let columns = told + usize::from(forecast.is_some());
    let cells = [MARGIN, (wide - MARGIN - 24.0) / columns.max(1) as f64];
    let tall = (high - HEAD - FOOT) / lines.len().max(1) as f64;
    let most = lines
        .iter()
        .flat_map(|l| l.points.iter().map(|p| p.high))
        .chain(forecast.map(|f| (f.high_mm / f.limit_mm).min(MOST)))
        .fold(1.5, f64::max);
    for (k, line) in lines.iter().enumerate() {
        let row = Row {
            under: HEAD + k as f64 * tall + 34.0,
            floor: HEAD + (k + 1) as f64 * tall - 34.0,
            leaf: ((tall - 68.0) / (most + 0.4)).min(60.0),
            cells,
        };
        // The forecast is of the limit that decides.
        let next = forecast.filter(|f| {
            let base = format!("{:.0} mm edge", f.base_mm);
            line.edge.ends_with(&base)
        });
        one_row(root, &row, line, next, told)?;
        say(&line.edge, (24.0, row.under - 8.0), 22, left)?;
        say(&line.limit, (24.0, row.under + 22.0), 20, left)?;
        let below = Pos::new(HPos::Center, VPos::Center);
        for gap in &line.points {
            let words = format!("{} mm", gap.told);
            say(&words, (row.middle(gap.at), row.floor + 16.0), 20, below)?;
        }
        if let Some(f) = next {
            let words = format!("{:.2} expected", f.to_mm);
            say(&words, (row.middle(told), row.floor + 16.0), 20, below)?;
        }
    }
    let foot = high - 30.0;
    for (k, c) in trend.cycles.iter().skip(first).enumerate() {
        let x = cells[0] + (k as f64 + 0.5) * cells[1];
        say(
            &c.date.to_string(),
            (x, foot),
            20,
            Pos::new(HPos::Center, VPos::Center),
        )?;
    }
    if forecast.is_some() {
        let x = cells[0] + (told as f64 + 0.5) * cells[1];
        say("next", (x, foot), 20, Pos::new(HPos::Center, VPos::Center))?;
    }
    if trend.stale.is_some() {
        let words = "TOUCHED SINCE: worked on after the last survey";
        say(
            words,
            (wide - 24.0, 36.0),
            24,
            Pos::new(HPos::Right, VPos::Center),
        )?;
    }
    Ok(())
}

/// The skin at each survey, its interval, the limit as a leaf in the gap, and the edge over all of
/// them.
fn one_row<B: DrawingBackend>(
    root: &DrawingArea<B, Shift>,
    row: &Row,
    line: &Line,
    next: Option<&Forecast>,
    told: usize,
) -> Result<(), Error> {
    let floor = row.floor.round() as i32;
    let under = row.under.round() as i32;
    let closed = |mut curve: Vec<(i32, i32)>| {
        let (from, to) = (
            curve.first().map_or(0, |p| p.0),
            curve.last().map_or(0, |p| p.0),
        );
        curve.extend([(to, floor), (from, floor)]);
        curve
    };
    let fill = |points: Vec<(i32, i32)>, colour: RGBColor| {
        root.draw(&Polygon::new(points, colour.filled()))
            .map_err(failed)
    };
    let stroke = |points: Vec<(i32, i32)>, width: u32| {
        let ink = rgb(palette::INK).stroke_width(width);
        root.draw(&PathElement::new(points, ink)).map_err(failed)
    };
    for gap in &line.points {
        // Pale where the skin may be, full where it is for certain.
        fill(closed(row.hollow(gap.at, gap.low)), RGBColor(222, 224, 226))?;
        fill(
            closed(row.hollow(gap.at, gap.high)),
            RGBColor(186, 190, 194),
        )?;
        stroke(row.hollow(gap.at, gap.worst), 3)?;
    }
    if let Some(f) = next {
        for mm in [f.low_mm, f.to_mm, f.high_mm] {
            let curve = row.hollow(told, (mm / f.limit_mm).clamp(0.0, MOST));
            for pair in curve.chunks(4).step_by(2) {
                stroke(pair.to_vec(), if mm == f.to_mm { 3 } else { 1 })?;
            }
        }
    }
    let surveys = line.points.iter().map(|g| g.at).chain(next.map(|_| told));
    for at in surveys {
        let x = row.middle(at).round() as i32;
        let foot = (row.under + row.leaf).round() as i32;
        let leaf = [(x - 7, under), (x + 7, foot)];
        root.draw(&Rectangle::new(leaf, rgb(palette::HIGH[2]).filled()))
            .map_err(failed)?;
        root.draw(&Rectangle::new(leaf, rgb(palette::INK).stroke_width(1)))
            .map_err(failed)?;
    }
    let right = (row.cells[0] + row.cells[1] * (told + usize::from(next.is_some())) as f64).round();
    let edge = [
        (row.cells[0].round() as i32, under - 14),
        (right as i32, under),
    ];
    root.draw(&Rectangle::new(edge, rgb(palette::INK).filled()))
        .map_err(failed)
}

/// What another cycle is expected to leave. Of a survey that no longer holds nothing is expected:
/// what the cycle under way left is not known.
fn expected(trend: &Trend) -> Option<&Forecast> {
    let forecast = trend.advice.forecast.as_ref();
    forecast.filter(|_| trend.stale.is_none())
}
