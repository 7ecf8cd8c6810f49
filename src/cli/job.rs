//! As meant: files read, units converted, defaults filled, clashes refused. After this nobody asks
//! about flags.

use super::args::{BlockWord, CoatWord, MapArgs, ReferenceWord, ToolWord, UnitsWord};
use super::input::{Files, Input, Maybe, Origin};
use super::pair;
use crate::fit::{self, Surface};
use crate::judge::substrate;
use crate::observe::{self, Block, Survey, Tool};
use crate::panel::{Panel, Polygon};
use crate::photo::picture;
use crate::photo::placement::crown::Crown;
use crate::photo::polarity::Polarity;
use crate::photo::take::{self, Coat, Taken};
use crate::plan::shop::Shop;
use crate::problem::{Error, Warning};
use crate::reference::Kind;
use crate::units::{self, Units};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// Spacings of surface.csv that make sense, mm.
const GRID_MM: std::ops::RangeInclusive<f64> = 2.0..=200.0;
/// Spacing of surface.csv unless told, mm.
const GRID_UNLESS_TOLD_MM: f64 = 10.0;
/// Most nodes written: a 12 m² panel at 2 mm.
const MOST_NODES: f64 = 4e6;

impl From<UnitsWord> for Units {
    fn from(word: UnitsWord) -> Self {
        match word {
            UnitsWord::Metric => Units::Metric,
            UnitsWord::Us => Units::Us,
        }
    }
}

impl From<ReferenceWord> for Kind {
    fn from(word: ReferenceWord) -> Self {
        match word {
            ReferenceWord::Skin | ReferenceWord::BestFit => Kind::Skin,
            ReferenceWord::Sink | ReferenceWord::LeastFiller => Kind::Sink,
            ReferenceWord::Ride | ReferenceWord::FillOnly => Kind::Ride,
        }
    }
}

/// A note where a reference is called by its name of earlier versions.
pub(super) fn old_name(word: ReferenceWord) -> Option<Warning> {
    let old = match word {
        ReferenceWord::BestFit => "best-fit",
        ReferenceWord::LeastFiller => "least-filler",
        ReferenceWord::FillOnly => "fill-only",
        ReferenceWord::Skin | ReferenceWord::Sink | ReferenceWord::Ride => return None,
    };
    let new = Kind::from(word).word();
    Some(Warning::new(format!(
        "--reference {old} is called {new} now, and is worked out anew: see docs/method.md §3; the old name is taken \
         for one version more"
    )))
}

impl From<CoatWord> for Polarity {
    fn from(word: CoatWord) -> Self {
        match word {
            CoatWord::Auto => Polarity::Auto,
            CoatWord::Dark => Polarity::Dark,
            CoatWord::Light => Polarity::Light,
        }
    }
}

impl From<BlockWord> for Block {
    fn from(word: BlockWord) -> Self {
        match word {
            BlockWord::LongBoard => Block::LongBoard,
            BlockWord::HardBlock => Block::HardBlock,
            BlockWord::SoftPad => Block::SoftPad,
        }
    }
}

impl From<ToolWord> for Tool {
    fn from(word: ToolWord) -> Self {
        match word {
            ToolWord::Straightedge => Tool::Straightedge,
            ToolWord::ProfileGauge => Tool::ProfileGauge,
            ToolWord::Batten => Tool::Batten,
            ToolWord::WaveGauge => Tool::WaveGauge,
            ToolWord::Bridge => Tool::Bridge,
        }
    }
}

/// A map to be made.
pub struct Job {
    /// The panel; nothing may come off where its photos show substrate.
    pub panel: Panel,
    /// The panel as it was given, where it says that something may come off there.
    pub as_stated: Option<Panel>,
    /// The survey.
    pub survey: Survey,
    /// Photos of the guide coat.
    pub photos: Vec<Taken>,
    /// What they show together.
    pub coat: Option<Coat>,
    /// Things noticed while reading.
    pub warnings: Vec<Warning>,
    /// Reference to work to.
    pub reference: Kind,
    /// Spacing of surface.csv, mm.
    pub grid_mm: f64,
    /// Folder for the outputs.
    pub out: PathBuf,
    /// Units to show.
    pub units: Units,
    /// The files it was read from.
    pub files: Files,
    /// Where those lie, and the panel and the book: never written over.
    pub inputs: Vec<PathBuf>,
    /// Where in a book it came from.
    pub from: Option<Origin>,
}

impl Job {
    /// Read the files and check the options. Faults of the panel and of the readings come together
    /// where they can.
    ///
    /// # Errors
    /// All faults of the files; wrong options.
    pub fn new(args: &MapArgs) -> Result<Self, Error> {
        Job::with(args, &Shop::default())
    }

    /// The same with the shop's figures, by which a film is reckoned on.
    ///
    /// # Errors
    /// As [`Job::new`].
    pub fn with(args: &MapArgs, shop: &Shop) -> Result<Self, Error> {
        let grid_mm = length("--grid", &args.grid)?;
        if !GRID_MM.contains(&grid_mm) {
            return Err(Error::Usage(format!(
                "--grid {}: a spacing from 2 to 200 mm is expected",
                args.grid
            )));
        }
        let mut input = Input::read(&args.named(), shop)?;
        input.files.masks = args.mask.iter().map(|m| picture::given(m)).collect();
        let mut job = Job::of(input, args.coat.into())?;
        job.warnings.extend(old_name(args.reference));
        if let Some(block) = args.block {
            job.survey.conditions.block = Some(block.into());
        }
        if job.panel.length_mm / grid_mm * (job.panel.width_mm / grid_mm) > MOST_NODES {
            return Err(Error::Usage(format!(
                "--grid {}: that would be more than 4 million nodes on this panel; take a wider spacing",
                args.grid
            )));
        }
        Ok(Job {
            reference: args.reference.into(),
            grid_mm,
            inputs: args.named().paths(),
            out: args.out.clone(),
            units: args.units.into(),
            ..job
        })
    }

    /// Read what was given: the survey of a panel, to be judged as `lowspot map` does unless told
    /// otherwise.
    ///
    /// # Errors
    /// All faults of the files.
    pub fn of(input: Input, coat: Polarity) -> Result<Self, Error> {
        let Input {
            mut panel,
            mut warnings,
            files,
            from,
            entry,
        } = input;
        check_given(&files, from.as_ref())?;
        let mut survey = match files.readings.as_slice() {
            [] => Survey::default(),
            readings => observe::survey_of(readings, &panel)?,
        };
        // With a photo, a survey of which nothing is filled in yet is as good as none.
        if files.photos.is_empty() || survey.taken() > 0 {
            observe::check_carries(&survey, &panel)?;
        }
        if let Some(entry) = &entry {
            pair::told_by(entry, &mut survey.conditions);
        }
        warnings.extend(survey.warnings.iter().cloned());
        // Asked for by a photo of a curved panel with few targets, and by none else: it takes a
        // fit.
        let crown = OnceLock::new();
        let crown = || *crown.get_or_init(|| crown_of(&panel, &survey));
        let photos = photos(&files, &panel, coat, &crown)?;
        warnings.extend(photos.iter().flat_map(|p| p.warnings.iter().cloned()));
        let coat = match photos.as_slice() {
            [] => None,
            photos => Some(take::together(&panel, photos)?),
        };
        // Where substrate shows, nothing more may be sanded, whatever the allowance.
        let bare = substrate_of(coat.as_ref());
        let as_stated = substrate::is_allowed(&panel, &bare).then(|| panel.clone());
        panel.no_sand.extend(bare);
        Ok(Job {
            panel,
            as_stated,
            survey,
            photos,
            coat,
            warnings,
            reference: Kind::Skin,
            grid_mm: GRID_UNLESS_TOLD_MM,
            out: PathBuf::new(),
            units: Units::Metric,
            files,
            inputs: Vec::new(),
            from,
        })
    }

    /// The surface that readings and photos tell together.
    ///
    /// # Errors
    /// [`Error::Calculation`] when it cannot be worked out.
    pub fn surface(&self) -> Result<Surface, Error> {
        if self.photos.is_empty() {
            return fit::fit(&self.panel, &self.survey);
        }
        let cells: Vec<_> = self
            .photos
            .iter()
            .map(|p| p.reading.cells.clone())
            .collect();
        fit::fit_with_photos(&self.panel, &self.survey, &cells)
    }
}

/// Where photos show substrate.
pub(super) fn substrate_of(coat: Option<&Coat>) -> Vec<Polygon> {
    let areas = coat.into_iter().flat_map(Coat::substrate);
    areas.map(|a| Polygon(a.outline_mm.clone())).collect()
}

/// That there is something to map, and that targets go with photos.
fn check_given(files: &Files, from: Option<&Origin>) -> Result<(), Error> {
    if let Some(from) = from.filter(|f| f.survey.is_none()) {
        return Err(Error::Survey(format!(
            "{} has no survey in {} yet: `lowspot enter \"{}\" survey READINGS` enters one",
            from.panel,
            shown(&from.book),
            from.panel
        )));
    }
    if files.readings.is_empty() && files.photos.is_empty() {
        return Err(Error::Usage(
            "nothing to map: give readings (`lowspot blank` writes a form for them), a --photo of the guide coat, or both".into(),
        ));
    }
    if !files.targets.is_empty() && files.targets.len() != files.photos.len() {
        return Err(Error::Usage(format!(
            "{} --photo but {} --targets; give each --photo its own --targets in the same order, or none and tape \
             numbered targets (`lowspot targets`)",
            files.photos.len(),
            files.targets.len()
        )));
    }
    if !files.masks.is_empty() && files.masks.len() != files.photos.len() {
        return Err(Error::Usage(format!(
            "{} --photo but {} --mask; give each --photo its own --mask in the same order, or none",
            files.photos.len(),
            files.masks.len()
        )));
    }
    Ok(())
}

/// How the panel bends by its readings; `None` where there are none, or where they give no surface.
fn crown_of(panel: &Panel, survey: &Survey) -> Option<Crown> {
    if survey.taken() == 0 {
        return None;
    }
    Crown::of(panel, &fit::fit(panel, survey).ok()?)
}

/// All photos, read side by side; faults of all of them together.
fn photos(
    files: &Files,
    panel: &Panel,
    coat: Polarity,
    crown: &(dyn Fn() -> Option<Crown> + Sync),
) -> Result<Vec<Taken>, Error> {
    let one = |k: usize, photo: &Maybe| {
        let targets = files.targets.get(k).map(Maybe::as_ref).transpose();
        let mask = files.masks.get(k).map(Maybe::as_ref).transpose();
        match (photo, targets, mask) {
            (Ok(photo), Ok(targets), Ok(mask)) => {
                take::take_given(panel, photo, targets, mask, coat, crown)
            }
            (Err(fault), _, _) | (_, Err(fault), _) | (_, _, Err(fault)) => {
                Err(Error::Faults(vec![fault.clone()]))
            }
        }
    };
    let all = picture::check_together(files.photos.iter().flatten())
        .map_err(|fault| Error::Faults(vec![fault]))?;
    let read: Vec<Result<Taken, Error>> = if all <= picture::SIDE_BY_SIDE {
        let photos = files.photos.par_iter().enumerate();
        photos.map(|(k, photo)| one(k, photo)).collect()
    } else {
        let photos = files.photos.iter().enumerate();
        photos.map(|(k, photo)| one(k, photo)).collect()
    };
    let (mut taken, mut faults) = (Vec::new(), Vec::new());
    for photo in read {
        match photo {
            Ok(photo) => taken.push(photo),
            Err(Error::Faults(more)) => faults.extend(more),
            Err(other) => return Err(other),
        }
    }
    if faults.is_empty() {
        Ok(taken)
    } else {
        Err(Error::Faults(faults))
    }
}

/// A length option in mm.
///
/// # Errors
/// [`Error::Usage`] naming the option.
pub fn length(option: &str, text: &str) -> Result<f64, Error> {
    let mm = units::length(text).map_err(|e| Error::Usage(format!("{option} {text}: {e}")))?;
    if mm > 0.0 {
        Ok(mm)
    } else {
        Err(Error::Usage(format!(
            "{option} {text}: a length above 0 is expected"
        )))
    }
}

/// How a path is shown to the user.
pub fn shown(path: &Path) -> String {
    path.display().to_string()
}
