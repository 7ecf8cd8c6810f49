//! The page of numbered targets to print: SVG and PDF at exact size.
//!
//! Both are written from one [`Drawing`], so that they cannot differ. Each target has its white
//! margin, cut lines outside it and its number beside it; a rule of 100 mm tells whether the
//! printer scaled the page.

use super::marker::{self, CELLS};
use crate::problem::Error;
use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

/// Paper to print on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paper {
    /// 210 × 297 mm (ISO 216).
    A4,
    /// 8.5 × 11 in.
    Letter,
}

impl Paper {
    /// Width and height, mm.
    pub fn size_mm(self) -> [f64; 2] {
        match self {
            Paper::A4 => [210.0, 297.0],
            Paper::Letter => [215.9, 279.4],
        }
    }
}

/// What to print.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PageOptions {
    /// First number.
    pub first: u16,
    /// How many.
    pub count: u16,
    /// Side of the dark border, mm.
    pub side_mm: f64,
    /// Paper.
    pub paper: Paper,
}

/// Smallest and largest targets, mm: a square of the smallest is 1.9 mm, the largest fits the paper
/// once.
pub const SIDES_MM: std::ops::RangeInclusive<f64> = 15.0..=150.0;
/// Side unless set, mm: 100 px at two px a mm, and six fit a page (common practice, no source).
pub const SIDE_MM: f64 = 50.0;
/// White margin that must stay round the dark border, squares.
const MARGIN_SQUARES: f64 = 1.25;
/// Strip below the margin for the number, within the cut lines, mm.
const NUMBER_MM: f64 = 5.0;
/// White edge of the page, mm: printers leave about 6.
const EDGE_MM: f64 = 12.0;
/// Room for the text and the rule at the top, mm.
const HEAD_MM: f64 = 28.0;

/// A line of text: where its baseline begins, its height, the words.
struct Text {
    at: [f64; 2],
    size_mm: f64,
    words: String,
}

/// A page: dark rectangles (left, top, width, height), thin lines (two ends), text; mm from the top
/// left.
#[derive(Default)]
struct Drawing {
    dark: Vec<[f64; 4]>,
    lines: Vec<[f64; 4]>,
    text: Vec<Text>,
}

/// The pages as SVG files, one a page.
///
/// # Errors
/// [`Error::Usage`] when numbers or size cannot be printed.
pub fn svg(options: &PageOptions) -> Result<Vec<String>, Error> {
    let [width, height] = options.paper.size_mm();
    let page = |drawing: &Drawing| {
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" viewBox=\"0 0 {width} {height}\">\n\
             <rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n<g fill=\"#000\" shape-rendering=\"crispEdges\">\n"
        );
        for [x, y, w, h] in &drawing.dark {
            out.push_str(&format!(
                "<rect x=\"{x:.4}\" y=\"{y:.4}\" width=\"{w:.4}\" height=\"{h:.4}\"/>\n"
            ));
        }
        out.push_str("</g>\n<g stroke=\"#777\" stroke-width=\"0.15\">\n");
        for [x, y, x2, y2] in &drawing.lines {
            out.push_str(&format!(
                "<line x1=\"{x:.3}\" y1=\"{y:.3}\" x2=\"{x2:.3}\" y2=\"{y2:.3}\"/>\n"
            ));
        }
        out.push_str("</g>\n<g font-family=\"Helvetica, Arial, sans-serif\">\n");
        for t in &drawing.text {
            let [x, y] = t.at;
            out.push_str(&format!(
                "<text x=\"{x:.3}\" y=\"{y:.3}\" font-size=\"{}\">{}</text>\n",
                t.size_mm, t.words
            ));
        }
        out.push_str("</g>\n</svg>\n");
        out
    };
    Ok(drawings(options)?.iter().map(page).collect())
}

/// All pages as one PDF. Text is in Helvetica, which every reader has; nothing is embedded.
///
/// # Errors
/// [`Error::Usage`] when numbers or size cannot be printed.
pub fn pdf(options: &PageOptions) -> Result<Vec<u8>, Error> {
    const PT_PER_MM: f32 = 72.0 / 25.4;
    let drawings = drawings(options)?;
    let size = options.paper.size_mm().map(|mm| mm as f32 * PT_PER_MM);
    let (catalog, tree, font, info) = (Ref::new(1), Ref::new(2), Ref::new(3), Ref::new(4));
    let of_page = |i: usize| {
        let first = 5 + 2 * i32::try_from(i).unwrap_or(0);
        (Ref::new(first), Ref::new(first + 1))
    };
    let mut pdf = Pdf::new();
    pdf.catalog(catalog).pages(tree);
    pdf.document_info(info)
        .title(TextStr("Numbered targets for photos of a panel"));
    let count = i32::try_from(drawings.len()).unwrap_or(0);
    pdf.pages(tree)
        .kids((0..drawings.len()).map(|i| of_page(i).0))
        .count(count);
    pdf.type1_font(font).base_font(Name(b"Helvetica"));
    for (i, drawing) in drawings.iter().enumerate() {
        let (page_ref, content_ref) = of_page(i);
        let mut page = pdf.page(page_ref);
        page.media_box(Rect::new(0.0, 0.0, size[0], size[1]));
        page.parent(tree);
        page.contents(content_ref);
        page.resources().fonts().pair(Name(b"F"), font);
        page.finish();
        let mut content = Content::new();
        // mm from here on, y still upward from the bottom.
        content.transform([PT_PER_MM, 0.0, 0.0, PT_PER_MM, 0.0, 0.0]);
        let top = options.paper.size_mm()[1];
        for [x, y, w, h] in &drawing.dark {
            content.rect(*x as f32, (top - y - h) as f32, *w as f32, *h as f32);
        }
        content.fill_nonzero();
        content.set_stroke_gray(0.47);
        content.set_line_width(0.15);
        for [x, y, x2, y2] in &drawing.lines {
            content.move_to(*x as f32, (top - y) as f32);
            content.line_to(*x2 as f32, (top - y2) as f32);
        }
        content.stroke();
        for t in &drawing.text {
            content.begin_text();
            content.set_font(Name(b"F"), t.size_mm as f32);
            content.next_line(t.at[0] as f32, (top - t.at[1]) as f32);
            content.show(Str(t.words.as_bytes()));
            content.end_text();
        }
        pdf.stream(content_ref, &content.finish());
    }
    Ok(pdf.finish())
}

fn drawings(options: &PageOptions) -> Result<Vec<Drawing>, Error> {
    let PageOptions {
        first,
        count,
        side_mm,
        paper,
    } = *options;
    let last = u32::from(first) + u32::from(count);
    if count == 0 || last > u32::from(marker::COUNT) {
        return Err(Error::Usage(format!(
            "numbers {first} to {}: targets have the numbers 0 to {}; ask for one or more of them",
            i64::from(last) - 1,
            marker::COUNT - 1
        )));
    }
    if !SIDES_MM.contains(&side_mm) {
        return Err(Error::Usage(format!(
            "a target of {side_mm} mm: a side from {} to {} mm is expected",
            SIDES_MM.start(),
            SIDES_MM.end()
        )));
    }
    let [width, height] = paper.size_mm();
    let card = side_mm * (1.0 + 2.0 * MARGIN_SQUARES / CELLS as f64);
    let pitch = [card + 2.0, card + NUMBER_MM + 2.0];
    let room = [width - 2.0 * EDGE_MM, height - 2.0 * EDGE_MM - HEAD_MM];
    let fit = |k: usize| (((room[k] + 2.0) / pitch[k]).floor() as usize).max(1);
    let (across, down) = (fit(0), fit(1));
    let numbers: Vec<u16> = (first..first + count).collect();
    let pages = numbers.chunks(across * down);
    Ok(pages
        .map(|on_page| {
            let mut drawing = Drawing::default();
            head(&mut drawing, side_mm);
            for (i, number) in on_page.iter().enumerate() {
                let left = EDGE_MM + (i % across) as f64 * pitch[0];
                let top = EDGE_MM + HEAD_MM + (i / across) as f64 * pitch[1];
                target(&mut drawing, *number, [left, top], card, side_mm);
            }
            drawing
        })
        .collect())
}

/// What to do with the page, and the rule.
fn head(drawing: &mut Drawing, side_mm: f64) {
    let words = [
        format!("Numbered targets, {} mm: print at 100 %, on matt paper. The rule below must measure 100 mm.", crate::text::plain_mm(side_mm)),
        "Cut along the thin lines and keep the white margin; tape each number on once, flat, clear of glare, by its edges.".to_string(),
        "Measure from the datum corner along the surface to the middle of the target, and enter x and y under its number.".to_string(),
    ];
    for (line, at) in words.into_iter().zip([3.0, 7.5, 12.0]) {
        drawing.text.push(Text {
            at: [EDGE_MM, EDGE_MM + at],
            size_mm: 3.2,
            words: line,
        });
    }
    let y = EDGE_MM + 18.0;
    drawing.lines.push([EDGE_MM, y, EDGE_MM + 100.0, y]);
    for k in 0..=10 {
        let x = EDGE_MM + 10.0 * f64::from(k);
        let tall = if k % 5 == 0 { 3.0 } else { 1.5 };
        drawing.lines.push([x, y, x, y + tall]);
    }
    drawing.text.push(Text {
        at: [EDGE_MM + 103.0, y + 1.0],
        size_mm: 3.2,
        words: "100 mm".into(),
    });
}

/// A target with its margin, cut lines, the marks of its middle, and its number. Nothing is drawn
/// within the white margin.
fn target(drawing: &mut Drawing, number: u16, [left, top]: [f64; 2], card: f64, side: f64) {
    let cell = side / CELLS as f64;
    let inset = (card - side) / 2.0;
    for row in 0..CELLS {
        let dark = |c: usize| marker::is_white(number, c, row) == Some(false);
        let mut column = 0;
        while column < CELLS {
            let run = (column..CELLS).take_while(|c| dark(*c)).count();
            if run > 0 {
                let (x, y) = (
                    left + inset + column as f64 * cell,
                    top + inset + row as f64 * cell,
                );
                // A hair of overlap downward, so that no reader shows a seam between rows.
                let lap = if row + 1 < CELLS { 0.01 } else { 0.0 };
                drawing.dark.push([x, y, run as f64 * cell, cell + lap]);
            }
            column += run.max(1);
        }
    }
    let (right, below, bottom) = (left + card, top + card, top + card + NUMBER_MM);
    drawing.lines.extend([
        [left, top, right, top],
        [right, top, right, bottom],
        [right, bottom, left, bottom],
        [left, bottom, left, top],
    ]);
    // Where the middle lies: short marks that end at the cut lines, outside the margin's inner two
    // thirds.
    let (mx, my, mark) = (left + card / 2.0, top + card / 2.0, inset / 3.0);
    drawing.lines.extend([
        [mx, top, mx, top + mark],
        [mx, below - mark, mx, below],
        [left, my, left + mark, my],
        [right - mark, my, right, my],
    ]);
    drawing.text.push(Text {
        at: [left + 1.5, below + 3.4],
        size_mm: 3.6,
        words: format!("{number}"),
    });
}
