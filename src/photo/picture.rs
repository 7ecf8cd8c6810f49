//! A photo file into pixels: JPEG, PNG, TIFF or WebP, told by content, never by name.
//!
//! The picture is upright: the orientation that a camera writes into the file (EXIF) is put into
//! the way pixels are addressed, so that no pixel is moved. Sizes are read from the file's head and
//! refused there when they are absurd, before any pixel is decoded.

use crate::problem::{Error, Fault, Warning};
use crate::text::{self, Given};
use image::metadata::Orientation;
use image::{
    GrayImage, ImageDecoder, ImageError, ImageFormat, ImageReader, Limits, Luma, RgbImage,
};
use std::borrow::Cow;
use std::io::{Cursor, Read};
use std::path::Path;
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::errors::DecodeErrors;

/// Most pixels that are read: of a progressive JPEG they take 9 bytes each while it is unpacked,
/// and 600 MB is the most that is used.
pub const MOST_PIXELS: u64 = 48_000_000;
/// Most pixels of all photos of one survey together: each stays in memory, 3 bytes a pixel, until
/// the map is drawn onto it.
pub const MOST_PIXELS_TOGETHER: u64 = 100_000_000;
/// Most bytes that the pixels of a picture may take while it is decoded.
pub const MOST_DECODED_BYTES: u64 = 300_000_000;
/// Most bytes that are read of a file.
pub const MOST_FILE_BYTES: u64 = 100_000_000;
/// Most bytes of all photos of one survey together.
pub const MOST_BYTES_TOGETHER: u64 = 150_000_000;
/// Photos of more pixels than this in all are read one after another, not side by side.
pub const SIDE_BY_SIDE: u64 = 30_000_000;
/// Fewest pixels along a side that can show anything of a panel.
pub const LEAST_SIDE: usize = 64;

/// An upright colour picture. Pixel (column, row) covers column to column + 1, row to row + 1, from
/// the top left corner.
#[derive(Clone, Debug)]
pub struct Picture {
    width: usize,
    height: usize,
    rgb: Vec<u8>,
    /// Byte of the upright top left pixel, and the step in bytes from column to column and from row
    /// to row.
    first: isize,
    step: [isize; 2],
    file: String,
}

impl Picture {
    /// From pixels as stored and the orientation that makes them upright.
    pub fn new(stored: RgbImage, orientation: Orientation) -> Self {
        let (w, h) = (stored.width() as isize, stored.height() as isize);
        let (right, down) = (3, 3 * w);
        let (end_of_row, last_row) = (3 * (w - 1), 3 * w * (h - 1));
        use Orientation::*;
        // Where the upright corner is stored, and which way upright columns and rows run there.
        let (first, step) = match orientation {
            NoTransforms => (0, [right, down]),
            FlipHorizontal => (end_of_row, [-right, down]),
            Rotate180 => (end_of_row + last_row, [-right, -down]),
            FlipVertical => (last_row, [right, -down]),
            Rotate90FlipH => (0, [down, right]),
            Rotate90 => (last_row, [-down, right]),
            Rotate270FlipH => (end_of_row + last_row, [-down, -right]),
            Rotate270 => (end_of_row, [down, -right]),
        };
        let turned = matches!(
            orientation,
            Rotate90 | Rotate270 | Rotate90FlipH | Rotate270FlipH
        );
        let (width, height) = if turned { (h, w) } else { (w, h) };
        Picture {
            width: width as usize,
            height: height as usize,
            rgb: stored.into_raw(),
            first,
            step,
            file: String::new(),
        }
    }

    /// The file it came from, as the user named it; empty when it came from none.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// Columns of the upright picture.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows of the upright picture.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Red, green and blue (0 to 255) of a pixel of the upright picture; black outside it.
    #[inline]
    pub fn pixel(&self, column: usize, row: usize) -> [u8; 3] {
        if column >= self.width || row >= self.height {
            return [0; 3];
        }
        let at =
            (self.first + column as isize * self.step[0] + row as isize * self.step[1]) as usize;
        match self.rgb.get(at..at + 3) {
            Some(p) => [p[0], p[1], p[2]],
            None => [0; 3],
        }
    }

    /// The upright picture in grey: 0.299 R + 0.587 G + 0.114 B (ITU-R BT.601, from memory),
    /// rounded.
    pub fn grey(&self) -> GrayImage {
        GrayImage::from_fn(self.width as u32, self.height as u32, |c, r| {
            let [red, green, blue] = self.pixel(c as usize, r as usize).map(u32::from);
            Luma([((299 * red + 587 * green + 114 * blue + 500) / 1000) as u8])
        })
    }

    /// The upright picture as an image of its own.
    pub fn upright(&self) -> RgbImage {
        RgbImage::from_fn(self.width as u32, self.height as u32, |c, r| {
            image::Rgb(self.pixel(c as usize, r as usize))
        })
    }
}

/// A picture file, upright, with what is worth saying about it.
///
/// # Errors
/// [`Error::Faults`] with one fault about the whole file: no such file, empty, not a picture that
/// is read here, no size, too large to read, damaged or cut short.
pub fn load(path: &Path) -> Result<(Picture, Vec<Warning>), Error> {
    given(path)
        .and_then(|photo| decode(&photo.bytes, &photo.name))
        .map_err(|fault| Error::Faults(vec![fault]))
}

/// The bytes of a photo.
///
/// # Errors
/// One [`Fault`] about the whole file: no such file, a folder, too large.
pub fn given(path: &Path) -> Result<Given, Fault> {
    let file = path.display().to_string();
    let refuse = |message: String| whole(&file, message);
    if path.is_dir() {
        return Err(refuse(
            "is a folder, not a photo; name the photo inside it".into(),
        ));
    }
    let about = std::fs::metadata(path).map_err(|cause| refuse(text::unreadable(&cause)))?;
    if let Some(what) = text::no_file(path, &about) {
        return Err(refuse(what.into()));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|f| f.take(MOST_FILE_BYTES + 1).read_to_end(&mut bytes))
        .map_err(|cause| refuse(text::unreadable(&cause)))?;
    if bytes.len() as u64 > MOST_FILE_BYTES {
        return Err(refuse(format!(
            "is larger than {} MB, the most that is read of a photo; is it the right file?",
            MOST_FILE_BYTES / 1_000_000
        )));
    }
    Ok(Given { name: file, bytes })
}

/// The picture in the bytes of a file; `file` is its name for messages.
///
/// # Errors
/// One [`Fault`] about the whole file, as for [`load`].
pub fn decode(bytes: &[u8], file: &str) -> Result<(Picture, Vec<Warning>), Fault> {
    let refuse = |message: String| whole(file, message);
    if bytes.is_empty() {
        return Err(refuse(
            "is empty (0 bytes); copy the photo from the camera again".into(),
        ));
    }
    let format = format_of(bytes).map_err(refuse)?;
    if let Some(size) = size_in_head(bytes, format) {
        check_size(size).map_err(refuse)?;
    }
    let mut picture = match format {
        ImageFormat::Jpeg => jpeg(bytes),
        _ => other(bytes, format),
    }
    .map_err(refuse)?;
    picture.file = file.to_string();
    let mut warnings = Vec::new();
    if let Some(named) = named_otherwise(file, format) {
        warnings.push(Warning {
            place: file.to_string(),
            text: format!(
                "is a {} by its content, though its name says {named}; it was read as what it is",
                word(format)
            ),
            ..Warning::default()
        });
    }
    Ok((picture, warnings))
}

fn whole(file: &str, message: String) -> Fault {
    Fault {
        file: file.to_string(),
        line: 0,
        column: 0,
        message,
    }
}

fn word(format: ImageFormat) -> &'static str {
    match format {
        ImageFormat::Jpeg => "JPEG",
        ImageFormat::Png => "PNG",
        ImageFormat::Tiff => "TIFF",
        _ => "WebP",
    }
}

/// What the first bytes say, or why it is not read.
fn format_of(bytes: &[u8]) -> Result<ImageFormat, String> {
    let starts = |with: &[u8]| bytes.starts_with(with);
    let riff = |kind: &[u8]| starts(b"RIFF") && bytes.get(8..12) == Some(kind);
    if starts(b"\xFF\xD8\xFF") {
        return Ok(ImageFormat::Jpeg);
    }
    if starts(b"\x89PNG\r\n\x1A\n") {
        return Ok(ImageFormat::Png);
    }
    if starts(b"II*\0") || starts(b"MM\0*") {
        return Ok(ImageFormat::Tiff);
    }
    if riff(b"WEBP") {
        return Ok(ImageFormat::WebP);
    }
    let found = if bytes.get(4..8) == Some(b"ftyp") {
        match bytes.get(8..12) {
            Some(b"heic" | b"heix" | b"mif1" | b"hevc" | b"heim" | b"heis" | b"msf1") => {
                "a HEIC photo"
            }
            Some(b"avif" | b"avis") => "an AVIF photo",
            _ => "a film, not a photo",
        }
    } else if starts(b"GIF8") {
        "a GIF"
    } else if starts(b"BM") {
        "a BMP"
    } else if starts(b"%PDF") {
        "a PDF, not a photo"
    } else if starts(b"PK\x03\x04") {
        "a zip file or a workbook, not a photo"
    } else if bytes.iter().take(512).all(|b| *b == 0) {
        "only zero bytes, so the copy failed"
    } else if text_like(bytes) {
        "text, not a photo"
    } else {
        let head: Vec<String> = bytes.iter().take(8).map(|b| format!("{b:02X}")).collect();
        return Err(format!(
            "is not a photo that can be read (it begins with the bytes {}); expected JPEG, PNG, TIFF or WebP",
            head.join(" ")
        ));
    };
    Err(format!(
        "is {found}; expected a photo as JPEG, PNG, TIFF or WebP: set the camera to JPEG, or save the photo as JPEG"
    ))
}

fn text_like(bytes: &[u8]) -> bool {
    let head = bytes.get(..bytes.len().min(512)).unwrap_or(bytes);
    let control = |b: &u8| *b < 0x20 && !b.is_ascii_whitespace();
    !head.iter().any(control)
        && match std::str::from_utf8(head) {
            Ok(_) => true,
            Err(cause) => cause.valid_up_to() + 4 > head.len(),
        }
}

/// Format that the ending of the name claims, where it differs from what the file is.
fn named_otherwise(file: &str, format: ImageFormat) -> Option<&'static str> {
    let named = ImageFormat::from_path(file).ok()?;
    let known = matches!(
        named,
        ImageFormat::Jpeg | ImageFormat::Png | ImageFormat::Tiff | ImageFormat::WebP
    );
    match (named == format, known) {
        (true, _) => None,
        (false, true) => Some(word(named)),
        (false, false) => Some("something else"),
    }
}

/// How many pixels a photo has, by its head; none where that cannot be told, which is a fault when
/// it is decoded.
pub fn pixels(bytes: &[u8]) -> u64 {
    let size = format_of(bytes).ok().and_then(|format| {
        size_in_head(bytes, format).or_else(|| {
            let (w, h) = ImageReader::with_format(Cursor::new(bytes), format)
                .into_dimensions()
                .ok()?;
            Some([u64::from(w), u64::from(h)])
        })
    });
    size.map_or(0, |[w, h]| w.saturating_mul(h))
}

/// That all photos of a survey together are not more than is held in memory.
///
/// # Errors
/// One [`Fault`] about the first that is too many.
pub fn check_together<'a>(photos: impl Iterator<Item = &'a Given>) -> Result<u64, Fault> {
    let (mut all, mut bytes) = (0_u64, 0_u64);
    for photo in photos {
        // One that is too large by itself is refused by itself.
        let own = pixels(&photo.bytes);
        all = all.saturating_add(if own > MOST_PIXELS { 0 } else { own });
        bytes = bytes.saturating_add(photo.bytes.len() as u64);
        if all > MOST_PIXELS_TOGETHER || bytes > MOST_BYTES_TOGETHER {
            return Err(whole(
                &photo.name,
                format!(
                    "makes more than {} million pixels, or {} MB, together with the photos before it: save them smaller (12 million pixels each show \
                     all that is needed)",
                    MOST_PIXELS_TOGETHER / 1_000_000,
                    MOST_BYTES_TOGETHER / 1_000_000
                ),
            ));
        }
    }
    Ok(all)
}

/// Width and height as the first bytes of a PNG or the frame header of a JPEG state them (PNG:
/// ISO/IEC 15948, IHDR; JPEG: ITU-T T.81, B.2.2; both from memory); `None` where they do not stand
/// so plainly.
fn size_in_head(bytes: &[u8], format: ImageFormat) -> Option<[u64; 2]> {
    let big = |at: usize, n: usize| -> Option<u64> {
        let part = bytes.get(at..at + n)?;
        Some(part.iter().fold(0, |v, b| v << 8 | u64::from(*b)))
    };
    match format {
        ImageFormat::Png => Some([big(16, 4)?, big(20, 4)?]),
        ImageFormat::Jpeg => {
            let (_, at) = frame(bytes)?;
            Some([big(at + 7, 2)?, big(at + 5, 2)?])
        }
        _ => None,
    }
}

/// The marker that begins the frame of a JPEG, and where it stands; `None` where it does not stand
/// so plainly.
fn frame(bytes: &[u8]) -> Option<(u8, usize)> {
    let mut at = 2;
    // Each turn passes a whole segment, of two bytes at least.
    while let Some([0xFF, marker, high, low]) = bytes.get(at..at + 4) {
        let length = usize::from(*high) << 8 | usize::from(*low);
        match marker {
            0xC0..=0xCF if !matches!(marker, 0xC4 | 0xC8 | 0xCC) => return Some((*marker, at)),
            0xFF => at += 1,
            0xDA | 0xD9 => return None,
            _ => at += 2 + length.max(2),
        }
    }
    None
}

/// Frames that are not read, by their marker (ITU-T T.81, table B.1, from memory); those of Huffman
/// codes by rows and by steps are.
fn unread_frame(marker: u8) -> Option<&'static str> {
    match marker {
        0xC0..=0xC2 => None,
        0xC3 => Some("lossless"),
        0xC5..=0xC7 => Some("in layers of other sizes"),
        _ => Some("arithmetic codes"),
    }
}

fn check_size([width, height]: [u64; 2]) -> Result<(), String> {
    let said = format!("says in its head that it is {width} × {height} pixels");
    if width == 0 || height == 0 {
        return Err(format!(
            "{said}; a photo needs pixels both ways: copy it from the camera again"
        ));
    }
    if width.saturating_mul(height) > MOST_PIXELS {
        return Err(format!(
            "{said}; at most {} million pixels are read: save it smaller (12 million show all that is needed)",
            MOST_PIXELS / 1_000_000
        ));
    }
    if width.min(height) < LEAST_SIDE as u64 {
        return Err(format!(
            "{said}; a panel cannot be read from fewer than {LEAST_SIDE} pixels either way: name the photo itself, not a thumbnail"
        ));
    }
    Ok(())
}

/// What the library says of PNG, TIFF and WebP, told apart: a kind that it does not read is no
/// damage, and too much memory is neither.
fn library(format: ImageFormat, cause: ImageError) -> String {
    match cause {
        ImageError::Unsupported(what) => unusual(format, what),
        ImageError::Limits(_) => format!(
            "is a {} that would take more than {} MB when unpacked; save it as JPEG",
            word(format),
            MOST_DECODED_BYTES / 1_000_000
        ),
        other => damaged(format, other),
    }
}

fn unusual(format: ImageFormat, cause: impl std::fmt::Display) -> String {
    format!(
        "is a {} of a kind that is not read here ({cause}); save it as an ordinary JPEG and name that",
        word(format)
    )
}

fn damaged(format: ImageFormat, cause: impl std::fmt::Display) -> String {
    format!(
        "is a damaged {}, or cut short ({cause}); copy the photo from the camera again",
        word(format)
    )
}

/// A JPEG, strictly: the lenient way fills a photo that was cut short with grey and says nothing.
fn jpeg(bytes: &[u8]) -> Result<Picture, String> {
    if let Some(kind) = frame(bytes).and_then(|(marker, _)| unread_frame(marker)) {
        return Err(unusual(ImageFormat::Jpeg, kind));
    }
    let side = usize::from(u16::MAX);
    let options = |strict| {
        DecoderOptions::default()
            .set_strict_mode(strict)
            .set_max_width(side)
            .set_max_height(side)
            .jpeg_set_out_colorspace(ColorSpace::RGB)
    };
    let mut head = zune_jpeg::JpegDecoder::new_with_options(ZCursor::new(bytes), options(false));
    head.decode_headers().map_err(of_jpeg)?;
    let size = head
        .dimensions()
        .ok_or_else(|| damaged(ImageFormat::Jpeg, "no size in its head"))?;
    check_size([size.0 as u64, size.1 as u64])?;
    let orientation = head
        .exif()
        .and_then(|chunk| Orientation::from_exif_chunk(chunk))
        .unwrap_or(Orientation::NoTransforms);
    if !has_end(bytes) {
        return Err(CUT_SHORT.into());
    }
    let attempt = |strict| -> Result<Vec<u8>, DecodeErrors> {
        let mut rgb = vec![0u8; size.0 * size.1 * 3];
        zune_jpeg::JpegDecoder::new_with_options(ZCursor::new(bytes), options(strict))
            .decode_into(&mut rgb)?;
        Ok(rgb)
    };
    let rgb = match attempt(true) {
        Ok(rgb) => rgb,
        Err(cause) if cut_short(&cause) => {
            return Err(CUT_SHORT.into());
        }
        // Some phones write stray bytes between segments, which the strict way refuses although
        // every pixel is there.
        Err(_) => attempt(false).map_err(of_jpeg)?,
    };
    let stored = RgbImage::from_raw(size.0 as u32, size.1 as u32, rgb)
        .ok_or_else(|| damaged(ImageFormat::Jpeg, "fewer pixels than its head says"))?;
    Ok(Picture::new(stored, orientation))
}

fn of_jpeg(cause: DecodeErrors) -> String {
    match cause {
        DecodeErrors::Unsupported(what) => unusual(ImageFormat::Jpeg, format!("{what:?}")),
        other => damaged(ImageFormat::Jpeg, other),
    }
}

const CUT_SHORT: &str = "is a JPEG that was cut short: its head is sound, but part of the picture is missing; copy the photo from the \
                         camera again";

/// Whether the mark that ends a JPEG stands somewhere after the picture's data begin; the small
/// picture that a camera puts into the head has one of its own before them. What phones append
/// after it does no harm.
fn has_end(bytes: &[u8]) -> bool {
    let mut at = 2;
    // Each turn passes a whole segment, of two bytes at least.
    while let Some([mark, kind, high, low]) = bytes.get(at..at + 4) {
        match (*mark, *kind) {
            (0xFF, 0xDA) => {
                let data = bytes.get(at..).unwrap_or(&[]);
                return data.windows(2).rev().any(|w| w == [0xFF, 0xD9]);
            }
            (0xFF, 0xFF) => at += 1,
            (0xFF, _) => at += 2 + (usize::from(*high) << 8 | usize::from(*low)).max(2),
            // Stray bytes between segments.
            _ => at += 1,
        }
    }
    false
}

fn cut_short(cause: &DecodeErrors) -> bool {
    matches!(
        cause,
        DecodeErrors::ExhaustedData | DecodeErrors::IoErrors(_)
    ) || cause.to_string().contains("xhausted data")
}

/// PNG, TIFF and WebP: their decoders refuse what is cut short by themselves.
fn other(bytes: &[u8], format: ImageFormat) -> Result<Picture, String> {
    let mut limits = Limits::default();
    limits.max_alloc = Some(MOST_DECODED_BYTES);
    let bytes = match format {
        ImageFormat::Png => plain_png(bytes),
        _ => Cow::Borrowed(bytes),
    };
    let mut reader = ImageReader::with_format(Cursor::new(bytes.as_ref()), format);
    reader.limits(limits);
    let mut decoder = reader
        .into_decoder()
        .map_err(|cause| library(format, cause))?;
    let (width, height) = decoder.dimensions();
    check_size([u64::from(width), u64::from(height)])?;
    if decoder.total_bytes() > MOST_DECODED_BYTES {
        return Err(format!(
            "takes {} MB when unpacked; at most {} MB are: save it as JPEG",
            decoder.total_bytes() / 1_000_000,
            MOST_DECODED_BYTES / 1_000_000
        ));
    }
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let picture =
        image::DynamicImage::from_decoder(decoder).map_err(|cause| library(format, cause))?;
    Ok(Picture::new(picture.into_rgb8(), orientation))
}

/// Chunks of a PNG that its pixels and its orientation need (ISO/IEC 15948; eXIf: its third
/// edition; from memory).
const PNG_CHUNKS: [&[u8]; 6] = [b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"eXIf", b"IEND"];

/// A PNG without what no pixel needs: a megabyte of packed colour profile can unpack to a thousand.
/// What is no whole chunk is left for the decoder to refuse.
fn plain_png(bytes: &[u8]) -> Cow<'_, [u8]> {
    const HEAD: usize = 8;
    let mut plain = Vec::new();
    let (mut at, mut kept_to) = (HEAD, 0);
    // Each turn passes a whole chunk, of twelve bytes at least.
    while let Some([a, b, c, d, kind @ ..]) = bytes.get(at..at + HEAD) {
        let length = u32::from_be_bytes([*a, *b, *c, *d]) as usize;
        let end = at.saturating_add(length).saturating_add(12);
        if end > bytes.len() {
            break;
        }
        if !PNG_CHUNKS.contains(&kind) {
            plain.extend_from_slice(bytes.get(kept_to..at).unwrap_or(&[]));
            kept_to = end;
        }
        at = end;
    }
    if kept_to == 0 {
        return Cow::Borrowed(bytes);
    }
    plain.extend_from_slice(bytes.get(kept_to..).unwrap_or(&[]));
    Cow::Owned(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_orientation_is_as_the_image_library_turns_it() {
        let stored = RgbImage::from_fn(5, 3, |c, r| image::Rgb([c as u8, r as u8, 7]));
        for exif in 1..=8 {
            let orientation = Orientation::from_exif(exif).expect("1 to 8");
            let mut turned = image::DynamicImage::ImageRgb8(stored.clone());
            turned.apply_orientation(orientation);
            let ours = Picture::new(stored.clone(), orientation).upright();
            assert_eq!(ours, turned.into_rgb8(), "orientation {exif}");
        }
    }
}
