//! `lowspot targets`: pages of numbered targets to print, and where to tape them.

use super::args::{PaperWord, TargetsArgs};
use super::job::{length, shown};
use crate::panel::{self, Panel};
use crate::photo::layout;
use crate::photo::page::{self, PageOptions, Paper};
use crate::problem::Error;
use crate::show;
use std::process::ExitCode;

impl From<PaperWord> for Paper {
    fn from(word: PaperWord) -> Self {
        match word {
            PaperWord::A4 => Paper::A4,
            PaperWord::Letter => Paper::Letter,
        }
    }
}

/// Run it.
///
/// # Errors
/// What stopped it. Pages of the same names are replaced: they hold nothing but targets.
pub fn run(args: &TargetsArgs) -> Result<ExitCode, Error> {
    let panel = args.panel.as_deref().map(panel::file::load).transpose()?;
    for warning in panel.iter().flat_map(|(_, warnings)| warnings) {
        super::note(format_args!("note: {warning}"));
    }
    let panel = panel.map(|(panel, _)| panel);
    let options = PageOptions {
        first: args.first,
        count: args.count.unwrap_or(layout::usual_count(panel.as_ref())),
        side_mm: length("--size", &args.size)?,
        paper: args.paper.into(),
    };
    let mut files = vec![show::File::new("targets.pdf", page::pdf(&options)?)];
    let pages = page::svg(&options)?;
    for (i, text) in pages.iter().enumerate() {
        let name = if pages.len() == 1 {
            "targets.svg".to_string()
        } else {
            format!("targets-{}.svg", i + 1)
        };
        files.push(show::File::new(&name, text.as_str()));
    }
    show::write_all(&args.out, &files)?;
    let sheets = if pages.len() == 1 {
        "1 sheet".to_string()
    } else {
        format!("{} sheets", pages.len())
    };
    super::say(&format!(
        "{} is ready ({sheets}): print it at 100 % and check that its rule measures 100 mm.\n",
        shown(&args.out.join("targets.pdf"))
    ));
    match panel {
        Some(panel) => super::say(&advice(&panel, &options)),
        None => super::say(
            "Tape them near the corners and the middles of the edges, on a curved panel some in the middle too, each number once.\n\
             With --panel panel.toml this says where, and the lines to enter.",
        ),
    }
    Ok(ExitCode::SUCCESS)
}

/// Where to tape them, and the lines for panel.toml.
fn advice(panel: &Panel, options: &PageOptions) -> String {
    let mut text = String::from(
        "Tape them about here, then measure where the middle of each really is, from the datum corner along the surface,\n\
         and enter that in panel.toml:\n",
    );
    let places = layout::suggested(panel, options);
    for target in &places {
        text.push_str(&format!(
            "\n[[target]]\nnumber = {}\nx = {:.0}\ny = {:.0}\n",
            target.number, target.x_mm, target.y_mm
        ));
    }
    if places.len() < usize::from(options.count) {
        text.push_str(&format!(
            "\nThe panel has room for {} of the {} at this size.{}\n",
            places.len(),
            options.count,
            if places.len() < 4 {
                " Four are needed: print smaller ones with --size."
            } else {
                ""
            }
        ));
    }
    text.trim_end().to_string()
}
