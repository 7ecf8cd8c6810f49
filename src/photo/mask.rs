//! A painted mask: a copy of the photo on which a person has put right what was read.
//!
//! A PNG of the photo's size, painted over with plain red where there is no coat and with plain
//! green where there is; whatever is neither says nothing. So the photo itself can be painted on
//! and saved.

use crate::problem::Fault;
use crate::text::Given;

use super::picture;

/// What is painted over a pixel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paint {
    /// Nothing.
    None,
    /// Red: no coat.
    NotCoat,
    /// Green: coat.
    Coat,
}

/// Least that the painted colour stands above each of the others, of 255: no filler and no coat is
/// that plain.
const PLAIN: u8 = 160;

/// A mask, as large as its photo.
#[derive(Clone, Debug)]
pub struct Mask {
    width: usize,
    height: usize,
    paint: Vec<Paint>,
}

impl Mask {
    /// From the bytes of a PNG; the size must be the photo's.
    ///
    /// # Errors
    /// A fault about the file: what a photo is refused for, no PNG, another size, nothing painted
    /// on it.
    pub fn of(file: &Given, photo: [usize; 2]) -> Result<Mask, Fault> {
        let refuse = |message: String| Fault {
            file: file.name.clone(),
            line: 0,
            column: 0,
            message,
        };
        if !file.bytes.starts_with(b"\x89PNG\r\n\x1A\n") {
            return Err(refuse(
                "is no PNG; a mask is a PNG of the photo's size, red where there is no coat, green where there is (a JPEG would \
                 blur its colours)"
                    .into(),
            ));
        }
        let (picture, _) = picture::decode(&file.bytes, &file.name)?;
        let (width, height) = (picture.width(), picture.height());
        if [width, height] != photo {
            return Err(refuse(format!(
                "is {width} × {height} pixels, its photo {} × {} (upright); paint on a copy of the photo of the same size",
                photo[0], photo[1]
            )));
        }
        let paint: Vec<Paint> = (0..width * height)
            .map(|k| {
                let [r, g, b] = picture.pixel(k % width, k / width);
                match (r.saturating_sub(g.max(b)), g.saturating_sub(r.max(b))) {
                    (red, _) if red >= PLAIN => Paint::NotCoat,
                    (_, green) if green >= PLAIN => Paint::Coat,
                    _ => Paint::None,
                }
            })
            .collect();
        if paint.iter().all(|p| *p == Paint::None) {
            return Err(refuse(
                "has nothing painted on it; paint plain red (255, 0, 0) where there is no coat and plain green (0, 255, 0) where \
                 there is"
                    .into(),
            ));
        }
        Ok(Mask {
            width,
            height,
            paint,
        })
    }

    /// What is painted at a place in the photo (column, row).
    pub fn at(&self, [column, row]: [f64; 2]) -> Paint {
        if !(column >= 0.0 && row >= 0.0) {
            return Paint::None;
        }
        let (c, r) = (column as usize, row as usize);
        if c >= self.width || r >= self.height {
            return Paint::None;
        }
        self.paint
            .get(r * self.width + c)
            .copied()
            .unwrap_or(Paint::None)
    }
}
