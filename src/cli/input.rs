//! What a command works on: the panel, readings and photos, from files or from the job book.

use super::{ledger, shelf};
use crate::keep::{Book, Entry, Role, now, standing};
use crate::observe;
use crate::panel::{self, Panel};
use crate::photo::{picture, targets};
use crate::plan::shop::Shop;
use crate::problem::{Error, Fault, Warning};
use crate::text::Given;
use std::path::{Path, PathBuf};

/// A file, or why it cannot be read.
pub type Maybe = Result<Given, Fault>;

/// The arguments that name it.
#[derive(Clone, Copy, Debug)]
pub struct Named<'a> {
    /// The panel's file, or its name in the book.
    pub panel: &'a Path,
    /// Readings.
    pub readings: &'a [PathBuf],
    /// Photos.
    pub photos: &'a [PathBuf],
    /// Their targets.
    pub targets: &'a [PathBuf],
    /// The book.
    pub book: Option<&'a Path>,
}

impl Named<'_> {
    /// All files that are named, which no output may write over.
    pub fn paths(&self) -> Vec<PathBuf> {
        let lists = [self.readings, self.photos, self.targets].concat();
        let single = [Some(self.panel), self.book];
        let single = single.into_iter().flatten().map(Path::to_path_buf);
        single.chain(lists).collect()
    }
}

/// The files of a survey.
#[derive(Debug, Default)]
pub struct Files {
    /// Readings.
    pub readings: Vec<Maybe>,
    /// Photos.
    pub photos: Vec<Maybe>,
    /// Targets, one a photo, or none.
    pub targets: Vec<Maybe>,
    /// Painted masks, one a photo, or none.
    pub masks: Vec<Maybe>,
}

impl Files {
    /// Their bytes. What cannot be read is told when it is needed, with all else that is wrong.
    pub fn named(readings: &[PathBuf], photos: &[PathBuf], marks: &[PathBuf]) -> Files {
        Files {
            readings: observe::given(readings),
            photos: photos.iter().map(|p| picture::given(p)).collect(),
            targets: marks.iter().map(|p| targets::given(p)).collect(),
            masks: Vec::new(),
        }
    }
}

/// All of it, read but not yet understood.
#[derive(Debug)]
pub struct Input {
    /// The panel.
    pub panel: Panel,
    /// What is worth saying of the panel, and of how it stands in the book.
    pub warnings: Vec<Warning>,
    /// The survey's files.
    pub files: Files,
    /// Where in a book it came from.
    pub from: Option<Origin>,
    /// Its entry there, whose day and conditions count.
    pub entry: Option<Entry>,
}

/// Where in a book something came from.
#[derive(Clone, Debug)]
pub struct Origin {
    /// The book.
    pub book: PathBuf,
    /// Name of the panel.
    pub panel: String,
    /// The survey, if there is one.
    pub survey: Option<i64>,
    /// Whether the book could hold the survey's result but does not.
    pub without_result: bool,
}

impl Input {
    /// From files, or from the book where one is named, or where the panel is no file and the
    /// folder holds one book.
    ///
    /// # Errors
    /// Faults of the panel; no such panel in the book; readings named although the book has them.
    pub fn read(named: &Named, shop: &Shop) -> Result<Input, Error> {
        if let Some(book) = shelf::meant(named)? {
            return Input::stored(named, &book, shop);
        }
        let (panel, warnings) = panel::file::load(named.panel)?;
        Ok(Input {
            panel,
            warnings,
            files: Files::named(named.readings, named.photos, named.targets),
            from: None,
            entry: None,
        })
    }

    /// The panel and its last survey, as the book has them.
    fn stored(named: &Named, book: &Path, shop: &Shop) -> Result<Input, Error> {
        if !(named.readings.is_empty() && named.photos.is_empty() && named.targets.is_empty()) {
            return Err(Error::Usage(
                "with a book, readings and photos come from the book: `lowspot enter NAME survey` puts them there".into(),
            ));
        }
        let book = Book::open(book)?;
        let name = named.panel.to_string_lossy();
        let version = book.newest(&name)?;
        let (mut panel, mut warnings) = version.panel()?;
        let entries = book.entries(&name)?;
        warnings.extend(standing::pressing(&entries, now()));
        let survey = standing::last_survey(&entries);
        let files = match survey {
            Some(survey) => stored_files(&book, survey)?,
            None => Files::default(),
        };
        let missing = match survey {
            Some(s) => s.version == version.id && book.summary(s.number)?.is_none(),
            None => false,
        };
        if !missing {
            warnings.extend(ledgered(&book, &name, &mut panel, shop));
        }
        let from = Origin {
            book: book.path().to_path_buf(),
            panel: panel.name.clone(),
            survey: survey.map(|s| s.number),
            without_result: missing,
        };
        Ok(Input {
            panel,
            warnings,
            files,
            from: Some(from),
            entry: survey.cloned(),
        })
    }
}

/// The film as the ledger has it, where one was stated.
fn ledgered(book: &Book, name: &str, panel: &mut Panel, shop: &Shop) -> Vec<Warning> {
    if !panel.skin.film.is_known() {
        return Vec::new();
    }
    match ledger::of(book, name, shop) {
        Ok((told, _)) => ledger::put(&told, panel),
        Err(why) => vec![ledger::lost(&why, panel)],
    }
}

/// The files of a survey as the book has them.
///
/// # Errors
/// A book that cannot be read.
pub fn stored_files(book: &Book, survey: &Entry) -> Result<Files, Error> {
    let mut files = Files::default();
    for file in book.files(survey.number)? {
        let list = match file.role {
            Role::Readings => &mut files.readings,
            Role::Photo => &mut files.photos,
            Role::Targets => &mut files.targets,
        };
        list.push(Ok(Given {
            name: file.name,
            bytes: file.bytes,
        }));
    }
    Ok(files)
}
