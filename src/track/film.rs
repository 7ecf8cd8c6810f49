//! The film ledger of a panel: what was put on and taken off between surveys, node by node, and what is left over the structure.
//!
//! In: the film as stated in panel.toml, the entries, the surveys with the surfaces found. Out: a [`Ledger`]. No file, no clock.
//!
//! Two surveys tell what came up and what went down against what nobody touched ([`difference`]). What a board takes off evenly all over
//! they cannot tell, since no gap shows it: that part comes from the entries and the shop's figures, with an interval of its own
//! ([`even`]). A post-cure or other supports move the skin and leave the film.

mod even;
mod risk;

pub use risk::NextSanding;

use crate::compare::{Difference, Found, cautions, difference};
use crate::fit::Surface;
use crate::judge::volume::node_weights_mm2;
use crate::judge::{self, Grid, Interval};
use crate::keep::{Entry, Field, Kind};
use crate::observe::Survey;
use crate::panel::{FilmNow, Panel, Polygon};
use crate::plan::shop::Shop;
use crate::problem::{Error, Warning};
use jiff::civil::Date;
use ndarray::Array2;
use serde::Serialize;

/// Half a 95 % interval in standard deviations.
const HALF: f64 = 1.959_963_984_540_054;
/// A film as stated is taken to be good to this share of it, 95 % (common practice, no source).
const STATED_WITHIN: f64 = 0.1;
/// Where substrate shows there is no film, give or take this, mm (common practice, no source).
const BARE_WITHIN_MM: f64 = 0.02;
/// Less area than this is no finding, cm².
const FEW_CM2: f64 = 2.0;

/// One survey and the surface found from it.
#[derive(Clone, Copy)]
pub struct Surveyed<'a> {
    /// Its entry.
    pub entry: &'a Entry,
    /// Its readings.
    pub survey: &'a Survey,
    /// Its surface.
    pub surface: &'a Surface,
    /// Where its photos show substrate.
    pub bare: &'a [Polygon],
}

/// When the film was stated as it stands in panel.toml now.
#[derive(Clone, Copy, Debug)]
pub struct Stated {
    /// The first version of panel.toml that has it so.
    pub version: i64,
    /// When that came in.
    pub date: Date,
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
    /// When the film was stated; `None` where panel.toml has none.
    pub stated: Option<Stated>,
    /// What the last survey found at the nodes, for the next sanding.
    pub last: Option<&'a Field>,
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
    /// Put on less taken off at each node, mm; NaN where it is not known.
    pub change_mm: Array2<f64>,
    /// Its standard deviation, mm.
    pub change_sd_mm: Array2<f64>,
    /// Film at each node, mm; NaN where it is not known.
    pub film_mm: Array2<f64>,
    /// Its standard deviation, mm.
    pub film_sd_mm: Array2<f64>,
    /// Entry and day of the survey that it begins with; `None` without surveys.
    pub since: Option<(i64, Date)>,
    /// Surveys, and the work between them.
    pub rows: Vec<Row>,
    /// What is left; `None` where no film was stated and no substrate showed.
    pub left: Option<Left>,
    /// What the next sanding risks; `None` where film or map are not known.
    pub next: Option<NextSanding>,
    /// What to heed.
    pub warnings: Vec<Warning>,
}

/// Make the ledger.
///
/// # Errors
/// [`Error::Survey`] when two surveys have no part of the panel in common.
pub fn ledger(told: &Told) -> Result<Ledger, Error> {
    let start = Start::of(told);
    let mut sums = Sums::new(told);
    let mut warnings = start.warnings.clone();
    let mut rows = Vec::new();
    if let Some(first) = start.first {
        sums.bare(told, &told.surveyed[first], &mut warnings);
        for k in first + 1..told.surveyed.len() {
            rows.push(sums.step(told, k, &mut warnings)?);
            sums.bare(told, &told.surveyed[k], &mut warnings);
        }
        sums.close(told, told.surveyed.len().saturating_sub(1))?;
    }
    rows.extend(sums.since_last(told, start.counts_from));
    let left = sums.left(told);
    if let Some(left) = &left {
        warnings.extend(of_left(left, told));
    }
    let next = match left {
        Some(_) => risk::next(
            told,
            &sums.grid,
            [&sums.film, &sums.film_sd()],
            &sums.areas_mm2,
        ),
        None => None,
    };
    Ok(Ledger {
        grid: sums.grid,
        film_sd_mm: sums.film_sd(),
        change_sd_mm: sums.change_var.mapv(f64::sqrt),
        film_mm: sums.film,
        change_mm: sums.change,
        since: start.first.map(|k| {
            let e = told.surveyed[k].entry;
            (e.number, e.date)
        }),
        rows,
        left,
        next,
        warnings,
    })
}

impl Ledger {
    /// The film as it is now, for a panel whose plan is to be made; `None` where none is known or nothing changed.
    pub fn film_now(&self) -> Option<FilmNow> {
        self.left.as_ref()?;
        let low = self
            .film_mm
            .iter()
            .zip(&self.film_sd_mm)
            .map(|(f, s)| (f - HALF * s).max(0.0))
            .collect();
        Some(FilmNow {
            step_mm: self.grid.step_mm,
            nx: self.grid.nx,
            film_mm: self.film_mm.iter().map(|f| f.max(0.0)).collect(),
            low_mm: low,
        })
    }
}

/// Where a ledger begins.
struct Start {
    /// The survey.
    first: Option<usize>,
    /// Work entered under this version or a later one counts.
    counts_from: i64,
    warnings: Vec<Warning>,
}

impl Start {
    /// The last survey before the film was stated, if nothing was done to the panel between; else the first after it.
    fn of(told: &Told) -> Self {
        let since = told.stated.map_or(i64::MIN, |s| s.version);
        let after = told
            .surveyed
            .iter()
            .position(|s| s.entry.version >= since)
            .unwrap_or(told.surveyed.len());
        let early = |e: &Entry| e.version < since;
        let mut out = Start {
            first: (after < told.surveyed.len()).then_some(after),
            counts_from: since,
            warnings: Vec::new(),
        };
        let Some(before) = after.checked_sub(1) else {
            out.warnings
                .extend(unseen(told, None, told.surveyed.first(), since));
            return out;
        };
        let work = work_between(told, Some(before), told.surveyed.get(after));
        if !work.iter().any(|e| early(e)) {
            out.first = Some(before);
        } else {
            let seen_by = told.surveyed.get(after);
            // Without a survey since, that work stands in the row since the last one.
            let lost = seen_by.and_then(|s| unseen(told, Some(before), Some(s), since));
            out.warnings.extend(lost);
        }
        out
    }
}

/// Work after the film was stated that no pair of surveys holds.
fn unseen(
    told: &Told,
    before: Option<usize>,
    after: Option<&Surveyed>,
    since: i64,
) -> Option<Warning> {
    told.stated?;
    let work: Vec<String> = work_between(told, before, after)
        .into_iter()
        .filter(|e| e.version >= since && changes_film(e.kind))
        .map(words)
        .collect();
    (!work.is_empty()).then(|| {
        Warning::new(format!(
            "{} came after the film was stated and before a survey: what that put on or took off is not in the ledger",
            work.join(", ")
        ))
    })
}

/// Whether a kind of work puts something on or takes it off.
fn changes_film(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::Fill | Kind::Prime | Kind::Sand | Kind::Block | Kind::Repair
    )
}

/// Work that stands between two surveys, in order; from the beginning, or to the end.
fn work_between<'a>(
    told: &Told<'a>,
    before: Option<usize>,
    after: Option<&Surveyed>,
) -> Vec<&'a Entry> {
    let from = before.map(|k| told.surveyed[k].entry.order());
    let to = after.map(|s| s.entry.order());
    let mut work: Vec<&Entry> = told
        .entries
        .iter()
        .filter(|e| e.stands() && e.kind.makes_stale())
        .filter(|e| from.is_none_or(|f| e.order() > f) && to.is_none_or(|t| e.order() < t))
        .collect();
    work.sort_by_key(|e| e.order());
    work
}

/// "fill (entry 17)".
fn words(e: &Entry) -> String {
    format!("{} (entry {})", e.kind.word(), e.number)
}

/// What has been added up so far.
struct Sums {
    grid: Grid,
    areas_mm2: Array2<f64>,
    change: Array2<f64>,
    /// Variance of the change by surveys and even parts, mm².
    change_var: Array2<f64>,
    film: Array2<f64>,
    /// Variance of the film where the ledger begins or begins anew, mm².
    film_var: Array2<f64>,
    /// First survey of the run of differences whose variance is still to be added.
    run: Option<usize>,
    /// Largest standard deviation of one difference of the run, mm.
    run_sd: Array2<f64>,
}

impl Sums {
    fn new(told: &Told) -> Self {
        let panel = told.panel;
        let grid = judge::grid(panel, judge::step_mm(panel));
        let stated = |(iy, ix): (usize, usize)| {
            let (x, y) = (grid.x(ix), grid.y(iy));
            let on = told.stated.is_some() && panel.contains(x, y);
            on.then(|| panel.skin.film.at(x, y))
                .flatten()
                .unwrap_or(f64::NAN)
        };
        let dim = (grid.ny, grid.nx);
        let film = Array2::from_shape_fn(dim, stated);
        let on_panel = |(iy, ix): (usize, usize)| {
            if panel.contains(grid.x(ix), grid.y(iy)) {
                0.0
            } else {
                f64::NAN
            }
        };
        Sums {
            areas_mm2: node_weights_mm2(&grid, panel),
            change: Array2::from_shape_fn(dim, on_panel),
            change_var: Array2::zeros(dim),
            film_var: film.mapv(|f| (STATED_WITHIN * f / HALF).powi(2)),
            film,
            run: None,
            run_sd: Array2::zeros(dim),
            grid,
        }
    }

    /// One pair of surveys.
    fn step(&mut self, told: &Told, k: usize, warnings: &mut Vec<Warning>) -> Result<Row, Error> {
        let [before, after] = [&told.surveyed[k - 1], &told.surveyed[k]];
        let work = work_between(told, Some(k - 1), Some(after));
        let d = difference(told.panel, found(before), found(after))?;
        let film_work = work.iter().any(|e| changes_film(e.kind));
        let counted = film_work || (work.is_empty() && d.changed());
        warnings.extend(of_pair([before, after], &work, &d));
        let area_mm2 = self.areas_mm2.sum();
        let part = even::of(&work, told.shop, area_mm2);
        let mut row = row(before.entry, &work, part, counted);
        row.to = Some(after.entry.number);
        row.to_date = Some(after.entry.date);
        row.measured_share = Some(d.measured_share);
        if !counted {
            self.close(told, k - 1)?;
            row.evenly_mm = Interval::default();
            return Ok(row);
        }
        self.run.get_or_insert(k - 1);
        self.add(&d, part.mm);
        let [up, down] = [true, false].map(|up| volume(&d, up));
        row.taken_off_cc = Some(taken_off(&part, [up, down], area_mm2));
        row.came_up_cc = Some(up);
        row.went_down_cc = Some(down);
        Ok(row)
    }

    fn add(&mut self, d: &Difference, even: Interval) {
        let var = sd_of(even).powi(2);
        for (n, moved) in d.moved_mm.indexed_iter() {
            self.change[n] += moved + even.value;
            self.film[n] += moved + even.value;
            self.change_var[n] += var;
            self.run_sd[n] = self.run_sd[n].max(d.sd_mm[n]);
        }
    }

    /// Ends a run of differences at survey `to`: the errors of the surveys inside it cancel, those of its ends count.
    fn close(&mut self, told: &Told, to: usize) -> Result<(), Error> {
        let Some(from) = self.run.take() else {
            return Ok(());
        };
        if from + 1 < to {
            let ends = [&told.surveyed[from], &told.surveyed[to]].map(found);
            let direct = difference(told.panel, ends[0], ends[1])?;
            for (n, sd) in direct.sd_mm.indexed_iter() {
                self.run_sd[n] = self.run_sd[n].max(*sd);
            }
        }
        for (n, sd) in self.run_sd.indexed_iter() {
            self.change_var[n] += sd * sd;
        }
        self.run_sd.fill(0.0);
        Ok(())
    }

    /// Where substrate shows the film is at an end, whatever was reckoned.
    fn bare(&mut self, told: &Told, at: &Surveyed, warnings: &mut Vec<Warning>) {
        if at.bare.is_empty() {
            return;
        }
        let (mut cm2, mut reckoned, mut first) = (0.0, 0.0, None);
        for (n, film) in self.film.indexed_iter_mut() {
            let place = [self.grid.x(n.1), self.grid.y(n.0)];
            let [x, y] = place;
            if !told.panel.contains(x, y) || !at.bare.iter().any(|p| p.contains(x, y)) {
                continue;
            }
            let part = self.areas_mm2[n] / 100.0;
            cm2 += part;
            reckoned += part * if film.is_nan() { 0.0 } else { *film };
            first.get_or_insert(place);
            *film = 0.0;
            self.film_var[n] = (BARE_WITHIN_MM / HALF).powi(2) - self.change_var[n];
        }
        if let Some([x, y]) = first.filter(|_| told.stated.is_some()) {
            warnings.push(Warning::new(format!(
                "substrate shows on the photo of {} (entry {}): {cm2:.0} cm² from about x {x:.0} y {y:.0}, where the ledger had {:.2} mm left on \
                 average; none is reckoned there from then on",
                at.entry.date,
                at.entry.number,
                reckoned / cm2.max(1e-9)
            )));
        }
    }

    /// Work since the last survey: what sanding takes evenly counts, filler only once it is surveyed.
    fn since_last(&mut self, told: &Told, counts_from: i64) -> Option<Row> {
        let last = told.surveyed.len().checked_sub(1)?;
        let mut work = work_between(told, Some(last), None);
        work.retain(|e| changes_film(e.kind) && e.version >= counts_from);
        if work.is_empty() {
            return None;
        }
        let taking: Vec<&Entry> = work
            .iter()
            .copied()
            .filter(|e| matches!(e.kind, Kind::Sand | Kind::Block))
            .collect();
        let mut part = even::of(&taking, told.shop, self.areas_mm2.sum());
        let var = sd_of(part.mm).powi(2);
        for all in [&mut self.change, &mut self.film] {
            all.mapv_inplace(|v| v + part.mm.value);
        }
        self.change_var.mapv_inplace(|v| v + var);
        let put = even::of(&work, told.shop, self.areas_mm2.sum());
        (part.put_on_g, part.put_on_cc) = (put.put_on_g, put.put_on_cc);
        Some(row(told.surveyed[last].entry, &work, part, true))
    }

    /// Standard deviation of the film: what was stated, and what changed since.
    fn film_sd(&self) -> Array2<f64> {
        let sum = &self.film_var + &self.change_var;
        sum.mapv(|v| v.max(0.0).sqrt())
    }

    fn left(&self, told: &Told) -> Option<Left> {
        let keep_mm = told.panel.skin.film.keep_mm();
        let sd = self.film_sd();
        let (mut known, mut thin, mut through, mut below) = (0.0, 0.0, 0.0, 0.0);
        let mut least: Option<((usize, usize), f64)> = None;
        for (n, film) in self.film.indexed_iter().filter(|(_, f)| !f.is_nan()) {
            let cm2 = self.areas_mm2[n] / 100.0;
            let when = |is: bool| if is { cm2 } else { 0.0 };
            known += cm2;
            thin += when(*film < keep_mm - 1e-6);
            through += when(film - HALF * sd[n] < 0.0);
            below += when(*film < 0.0);
            if least.is_none_or(|(_, mm)| *film < mm) {
                least = Some((n, *film));
            }
        }
        let (n, mm) = least?;
        Some(Left {
            least: Place {
                at_mm: [self.grid.x(n.1), self.grid.y(n.0)],
                mm: interval(mm, sd[n]),
            },
            keep_mm,
            thin_cm2: thin,
            may_be_through_cm2: through,
            below_nothing_cm2: below,
            known_share: (100.0 * known / self.areas_mm2.sum().max(1e-9)).min(1.0),
        })
    }
}

fn found<'a>(s: &Surveyed<'a>) -> Found<'a> {
    Found {
        survey: s.survey,
        surface: s.surface,
    }
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

fn row(from: &Entry, work: &[&Entry], part: even::Part, counted: bool) -> Row {
    Row {
        from: from.number,
        from_date: from.date,
        to: None,
        to_date: None,
        work: work.iter().map(|e| words(e)).collect(),
        counted,
        put_on_g: part.put_on_g,
        put_on_cc: part.put_on_cc,
        came_up_cc: None,
        went_down_cc: None,
        evenly_mm: part.mm,
        taken_off_cc: None,
        measured_share: None,
    }
}

/// What patches of one sign add up to, cc.
fn volume(d: &Difference, up: bool) -> Interval {
    let all = d.patches.iter().filter(|p| p.up == up);
    let (mut value, mut square) = (0.0, 0.0);
    for p in all {
        value += p.volume_cc.value;
        square += (p.volume_cc.high - p.volume_cc.value).powi(2);
    }
    let half = f64::sqrt(square);
    Interval {
        value,
        low: (value - half).max(0.0),
        high: value + half,
    }
}

/// Put on less what stayed: what came up, went down and lies evenly, cc.
fn taken_off(part: &even::Part, [up, down]: [Interval; 2], area_mm2: f64) -> Interval {
    let put = part.put_on_cc.unwrap_or_default();
    let evenly = |mm: f64| mm * area_mm2 / 1000.0;
    let value = put.value - (up.value - down.value) - evenly(part.mm.value);
    let halves = [
        (put.high - put.low) / 2.0,
        up.high - up.value,
        down.high - down.value,
        evenly(part.mm.high - part.mm.low) / 2.0,
    ];
    let half = halves.iter().map(|h| h * h).sum::<f64>().sqrt();
    Interval {
        value: value.max(0.0),
        low: (value - half).max(0.0),
        high: (value + half).max(0.0),
    }
}

/// What to heed of two surveys and the work between them.
fn of_pair([before, after]: [&Surveyed; 2], work: &[&Entry], d: &Difference) -> Vec<Warning> {
    let pair = format!("{} to {}", before.entry.date, after.entry.date);
    let any = |kind: Kind| work.iter().any(|e| e.kind == kind);
    let mut out = Vec::new();
    let film_work = work.iter().any(|e| changes_film(e.kind));
    if work.is_empty() && d.changed() {
        out.push("no work is entered, yet something came up or went down: it is counted; enter what was done".to_string());
    }
    if any(Kind::PostCure) && film_work {
        out.push("a post-cure lies in it: what the skin shrank counts as taken off".into());
    }
    if any(Kind::Repair) {
        out.push("a repair lies in it: where it was made, state the film anew".into());
    }
    if let Some(wide) = even::over_all(work) {
        out.push(format!(
            "{wide} goes all over, and what lies evenly no gap shows: measure the film and state it anew"
        ));
    }
    if d.measured_share < 0.8 {
        out.push(format!(
            "both surveys measured {:.0} % of the panel; on the rest the film is not known from then on",
            100.0 * d.measured_share
        ));
    }
    let surveys = [before, after].map(|s| &s.survey.conditions);
    if film_work {
        let told = cautions(surveys[0], surveys[1]);
        out.extend(told.into_iter().map(|w| w.to_string()));
    }
    out.into_iter()
        .map(|w| Warning::new(format!("{pair}: {w}")))
        .collect()
}

/// What to heed of what is left.
fn of_left(left: &Left, told: &Told) -> Vec<Warning> {
    let [x, y] = left.least.at_mm;
    let mut out = Vec::new();
    let stated = told
        .stated
        .map_or(String::new(), |s| format!(" stated on {}", s.date));
    if left.below_nothing_cm2 > 0.0 {
        out.push(format!(
            "on {:.0} cm², worst at x {x:.0} y {y:.0}, the film comes out below nothing ({:.2} mm, {:.2} to {:.2}): more came off than the film{stated}. Stop \
             sanding there, look for weave or substrate, ask whoever signs for the structure; measure the film and state it anew",
            left.below_nothing_cm2.max(1.0),
            left.least.mm.value,
            left.least.mm.low,
            left.least.mm.high
        ));
    } else if left.may_be_through_cm2 > FEW_CM2 {
        out.push(format!(
            "on {:.0} cm² the film may be at an end within its interval, least {:.2} mm ({:.2} to {:.2}) at x {x:.0} y {y:.0}: measure it there before \
             anything more comes off",
            left.may_be_through_cm2, left.least.mm.value, left.least.mm.low, left.least.mm.high
        ));
    }
    if told.stated.is_some() && left.known_share < 0.95 {
        out.push(format!(
            "the film is known on {:.0} % of the panel only",
            100.0 * left.known_share
        ));
    }
    out.into_iter().map(Warning::new).collect()
}
