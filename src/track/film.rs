//! The film ledger of a panel: what was put on and taken off between surveys, node by node, and
//! what is left over the structure.
//!
//! In: the film as stated in each version of panel.toml, the entries, the surveys with the surfaces
//! found. Out: a [`Ledger`]. No file, no clock.
//!
//! Two surveys tell what came up and what went down against what nobody touched
//! ([`difference_unbent`](crate::compare::difference_unbent)). What a board takes off evenly all
//! over they cannot tell, since no gap shows it: that part comes from the entries and the shop's
//! figures, with an interval of its own (`even`). A post-cure or other supports move the skin and
//! leave the film. Where a film is stated anew the reckoning begins anew, there and not elsewhere.

mod even;
mod heed;
mod risk;
mod sums;

pub use risk::NextSanding;

use crate::fit::Surface;
use crate::judge::{Grid, Interval};
use crate::keep::{Entry, Field, Kind};
use crate::observe::Survey;
use crate::panel::skin::Film;
use crate::panel::{FilmNow, Panel, Polygon};
use crate::plan::shop::Shop;
use crate::problem::Warning;
use jiff::civil::Date;
use ndarray::Array2;
use serde::Serialize;
use sums::Sums;

/// Half a 95 % interval in standard deviations.
const HALF: f64 = 1.959_963_984_540_054;

/// One survey and the surface found from it.
#[derive(Clone, Copy)]
pub struct Surveyed<'a> {
    /// Its entry.
    pub entry: &'a Entry,
    /// Its readings.
    pub survey: &'a Survey,
    /// Its surface.
    pub surface: &'a Surface,
    /// What it found at the nodes; without it the next sanding is not told.
    pub field: Option<&'a Field>,
}

/// Where photos of a survey, with readings or without, show substrate.
pub struct Bare {
    /// The survey's entry.
    pub entry: Entry,
    /// The areas.
    pub areas: Vec<Polygon>,
}

/// A film as one version of panel.toml states it.
#[derive(Clone, Debug)]
pub struct Statement {
    /// The version.
    pub version: i64,
    /// Day from which it holds; `None`: from the beginning, as of the panel's first version.
    pub day: Option<Date>,
    /// Whether that is the day on which it was measured, and not the day on which the version came
    /// in.
    pub measured: bool,
    /// The film.
    pub film: Film,
}

impl Statement {
    /// Whether work or a survey came after it was measured. Of the same day, what was entered under
    /// its version or a later one; all of it where the day of measuring is told, since what came
    /// off then is better counted twice than not.
    fn is_before(&self, e: &Entry) -> bool {
        match self.day {
            None => true,
            Some(day) if e.date == day => self.measured || e.version >= self.version,
            Some(day) => e.date > day,
        }
    }
}

/// What a ledger is made from.
#[derive(Clone, Copy)]
pub struct Told<'a> {
    /// The panel as it is described now.
    pub panel: &'a Panel,
    /// The shop's figures.
    pub shop: &'a Shop,
    /// All entries of the panel.
    pub entries: &'a [Entry],
    /// Its surveys with readings that stand, in order.
    pub surveyed: &'a [Surveyed<'a>],
    /// Where photos show substrate, in order.
    pub bare: &'a [Bare],
    /// The film as it was stated, oldest first, one for each time that it reads otherwise than
    /// before.
    pub statements: &'a [Statement],
}

/// What happened between two surveys, or since the last.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    /// Entry of the survey before.
    pub from: i64,
    /// Its day.
    pub from_date: Date,
    /// Entry of the survey after; `None`: since the last survey.
    pub to: Option<i64>,
    /// Its day.
    pub to_date: Option<Date>,
    /// The work between, in words.
    pub work: Vec<String>,
    /// Whether it changed the film.
    pub counted: bool,
    /// Why the two surveys cannot be laid onto one another: the film is not known from then on.
    pub not_laid: Option<String>,
    /// Filler and primer entered, g.
    pub put_on_g: f64,
    /// The same as volume, cured, cc; `None` where nothing was weighed.
    pub put_on_cc: Option<Interval>,
    /// What came up against what nobody touched, cc; `None` since the last survey.
    pub came_up_cc: Option<Interval>,
    /// What went down, cc.
    pub went_down_cc: Option<Interval>,
    /// What came on or off evenly all over, which readings do not see, mm, up positive.
    pub evenly_mm: Interval,
    /// What was taken off in all: put on less what stayed, cc.
    pub taken_off_cc: Option<Interval>,
    /// Share of the panel that both surveys measured.
    pub measured_share: Option<f64>,
}

/// A place and its film.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Place {
    /// Where, mm.
    pub at_mm: [f64; 2],
    /// Film there, mm.
    pub mm: Interval,
}

/// What is left over the structure.
#[derive(Clone, Debug, Serialize)]
pub struct Left {
    /// Least film.
    pub least: Place,
    /// What must stay, mm.
    pub keep_mm: f64,
    /// Area with less than must stay, cm².
    pub thin_cm2: f64,
    /// Area where the interval reaches down to nothing, cm².
    pub may_be_through_cm2: f64,
    /// Area where the ledger comes out below nothing, cm².
    pub below_nothing_cm2: f64,
    /// Share of the panel where it is known, 0 to 1.
    pub known_share: f64,
}

/// The ledger.
#[derive(Clone, Debug)]
pub struct Ledger {
    /// Where the nodes lie.
    pub grid: Grid,
    /// Put on less taken off at each node since the first survey, mm; NaN where it is not known.
    pub change_mm: Array2<f64>,
    /// Its standard deviation, mm.
    pub change_sd_mm: Array2<f64>,
    /// Film at each node, mm; NaN where it is not known.
    pub film_mm: Array2<f64>,
    /// Its standard deviation, mm.
    pub film_sd_mm: Array2<f64>,
    /// Entry and day of the first survey; `None` without surveys.
    pub since: Option<(i64, Date)>,
    /// Whether anything counted: work, substrate on a photo, a film stated anew.
    pub counted: bool,
    /// Surveys, and the work between them.
    pub rows: Vec<Row>,
    /// What is left; `None` where no film was stated and no substrate showed.
    pub left: Option<Left>,
    /// What the next sanding risks; `None` where film or map are not known.
    pub next: Option<NextSanding>,
    /// What to heed.
    pub warnings: Vec<Warning>,
}

/// Make the ledger. Surveys that cannot be laid onto one another leave the film unknown from then
/// on, with the reason.
pub fn ledger(told: &Told) -> Ledger {
    let mut sums = Sums::new(told);
    let mut rows = Vec::new();
    for slot in 0..=told.surveyed.len() {
        rows.extend(sums.slot(told, slot));
    }
    sums.close(told, told.surveyed.len().saturating_sub(1));
    let left = sums.left(told);
    let mut warnings = std::mem::take(&mut sums.warnings);
    if let Some(left) = &left {
        warnings.extend(heed::of_left(left, told));
    }
    let film_sd = sums.film_sd();
    let next = match left {
        Some(_) => risk::next(told, &sums.grid, [&sums.film, &film_sd], &sums.areas_mm2),
        None => None,
    };
    Ledger {
        grid: sums.grid,
        change_sd_mm: sums.change_sd(),
        change_mm: sums.change,
        film_mm: sums.film,
        film_sd_mm: film_sd,
        since: told
            .surveyed
            .first()
            .map(|s| (s.entry.number, s.entry.date)),
        counted: sums.counted,
        rows,
        left,
        next,
        warnings,
    }
}

impl Ledger {
    /// The film as it is now, for a panel whose plan is to be made; not known where the ledger lost
    /// it.
    pub fn film_now(&self) -> FilmNow {
        let low = self
            .film_mm
            .iter()
            .zip(&self.film_sd_mm)
            .map(|(f, s)| f - HALF * s)
            .collect();
        FilmNow {
            step_mm: self.grid.step_mm,
            nx: self.grid.nx,
            film_mm: self.film_mm.iter().copied().collect(),
            low_mm: low,
        }
    }
}

/// Whether a kind of work puts something on or takes it off.
fn changes_film(kind: Kind) -> bool {
    takes(kind) || matches!(kind, Kind::Fill | Kind::Prime | Kind::Repair)
}

/// Whether it takes off.
fn takes(kind: Kind) -> bool {
    matches!(kind, Kind::Sand | Kind::Block)
}

/// Whether it may bend the panel.
fn bends(kind: Kind) -> bool {
    matches!(kind, Kind::PostCure | Kind::ReProp | Kind::Repair)
}

/// "fill (entry 17)".
fn words(e: &Entry) -> String {
    format!("{} (entry {})", e.kind.word(), e.number)
}

fn interval(value: f64, sd: f64) -> Interval {
    Interval {
        value,
        low: value - HALF * sd,
        high: value + HALF * sd,
    }
}

fn sd_of(i: Interval) -> f64 {
    (i.high - i.low) / (2.0 * HALF)
}
