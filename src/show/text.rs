//! The one font of the pictures: measured, and drawn as a mask that can be turned by any angle.
//!
//! DejaVu Sans is embedded, so pictures look the same on every machine and need no font installed.

use crate::problem::Error;
use plotters::style::{FontDesc, FontFamily, FontStyle};
use std::sync::OnceLock;

static FONT: &[u8] = include_bytes!("../assets/DejaVuSans.ttf");

/// Em size for a text `size` (height of a line) in px, for SVG: DejaVu's line is 1.164 em high.
pub const EM_PER_SIZE: f64 = 1.0 / 1.164;

fn font(size: f64) -> Result<FontDesc<'static>, Error> {
    static READY: OnceLock<bool> = OnceLock::new();
    let ready = READY.get_or_init(|| {
        plotters::style::register_font("sans-serif", FontStyle::Normal, FONT).is_ok()
    });
    if !ready {
        return Err(Error::Calculation(
            "the embedded font cannot be read".into(),
        ));
    }
    Ok(FontDesc::new(
        FontFamily::SansSerif,
        size,
        FontStyle::Normal,
    ))
}

fn unreadable(_: impl std::fmt::Debug) -> Error {
    Error::Calculation("a text on the map cannot be drawn".into())
}

/// Width in px of a text whose line is `size` px high.
pub fn width(text: &str, size: f64) -> Result<f64, Error> {
    // Measured large: the library rounds to whole pixels.
    let (w, _) = font(1000.0)?.box_size(text).map_err(unreadable)?;
    Ok(w as f64 * size / 1000.0)
}

/// A text as coverage 0…255, row by row.
pub struct Mask {
    /// Columns.
    pub w: usize,
    /// Rows.
    pub h: usize,
    /// Coverage, `w × h`.
    pub ink: Vec<u8>,
}

impl Mask {
    /// Draws `text` with a line `size` px high and `pad` px of room around it; digits stand about
    /// the mask's middle height.
    pub fn new(text: &str, size: f64, pad: usize) -> Result<Self, Error> {
        let w = width(text, size)?.ceil() as usize + 2 * pad;
        let h = size.ceil() as usize + 2 * pad;
        let mut ink = vec![0u8; w * h];
        // The library puts the baseline size/2 below the point given; a digit is 0.73 em high, half
        // of that lies below the middle.
        let baseline = h as f64 / 2.0 + 0.36 * size * EM_PER_SIZE;
        let from = (pad as i32, (baseline - size / 2.0).round() as i32);
        let put = |x: i32, y: i32, coverage: f32| -> Result<(), ()> {
            if let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y))
                && x < w
                && let Some(cell) = ink.get_mut(y * w + x)
            {
                *cell = (*cell).max((coverage.clamp(0.0, 1.0) * 255.0) as u8);
            }
            Ok(())
        };
        font(size)?
            .draw(text, from, put)
            .map_err(unreadable)?
            .map_err(unreadable)?;
        Ok(Mask { w, h, ink })
    }

    /// The same text grown by `radius` px all round: what lies under it as a halo.
    pub fn grown(&self, radius: f64) -> Mask {
        let mut ink = self.ink.clone();
        for step in 0..12 {
            let angle = step as f64 * std::f64::consts::TAU / 12.0;
            for r in [radius, radius / 2.0] {
                let (dx, dy) = ((r * angle.cos()).round(), (r * angle.sin()).round());
                self.stamp(&mut ink, dx as isize, dy as isize);
            }
        }
        Mask {
            w: self.w,
            h: self.h,
            ink,
        }
    }

    fn stamp(&self, onto: &mut [u8], dx: isize, dy: isize) {
        for row in 0..self.h {
            let Some(to_row) = row.checked_add_signed(dy).filter(|r| *r < self.h) else {
                continue;
            };
            let (skip_from, skip_to) = ((-dx).max(0) as usize, dx.max(0) as usize);
            let from = self.ink[row * self.w..(row + 1) * self.w]
                .iter()
                .skip(skip_from);
            let to = onto[to_row * self.w..(to_row + 1) * self.w]
                .iter_mut()
                .skip(skip_to);
            for (t, f) in to.zip(from) {
                *t = (*t).max(*f);
            }
        }
    }

    /// Coverage 0…1 of one pixel; 0 outside.
    pub fn pixel(&self, column: f64, row: f64) -> f64 {
        if column < 0.0 || row < 0.0 || column >= self.w as f64 || row >= self.h as f64 {
            return 0.0;
        }
        let cell = self.ink.get(row as usize * self.w + column as usize);
        cell.copied().unwrap_or(0) as f64 / 255.0
    }

    /// Coverage 0…1 at a place in the mask, between pixels by proportion; 0 outside.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let (fx, fy) = ((x - 0.5).floor(), (y - 0.5).floor());
        let (tx, ty) = (x - 0.5 - fx, y - 0.5 - fy);
        let pick = |dx: f64, dy: f64| self.pixel(fx + dx, fy + dy);
        (pick(0.0, 0.0) * (1.0 - tx) + pick(1.0, 0.0) * tx) * (1.0 - ty)
            + (pick(0.0, 1.0) * (1.0 - tx) + pick(1.0, 1.0) * tx) * ty
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sign_of_the_map_is_in_the_font() {
        let blank = Mask::new("\u{e000}", 40.0, 4)
            .map(|m| m.ink)
            .unwrap_or_default();
        for sign in ["−", "±", "²", "≤", "→", "×", "?", "·", "▲", "Ж", "é", "°"] {
            let mask = Mask::new(sign, 40.0, 4).expect("drawn");
            assert!(mask.ink.iter().any(|v| *v > 128), "{sign} is empty");
            assert_ne!(mask.ink, blank, "{sign} is the box for a missing sign");
        }
    }

    #[test]
    fn width_grows_with_size_and_text() {
        let short = width("L1", 20.0).expect("measured");
        assert!((width("L1", 40.0).expect("measured") / short - 2.0).abs() < 0.05);
        assert!(width("L1 −0.62", 20.0).expect("measured") > 2.0 * short);
    }
}
