//! The reckoning itself: slot by slot, a slot being what lies between two surveys, before the
//! first, or after the last.

use super::{
    Bare, HALF, Left, Place, Row, Statement, Surveyed, Told, bends, changes_film, even, heed,
    interval, sd_of, takes, words,
};
use crate::compare::{Difference, Found, difference, difference_unbent};
use crate::judge::volume::node_weights_mm2;
use crate::judge::{self, Grid, Interval};
use crate::keep::{Entry, Kind};
use crate::panel::skin::Film;
use crate::problem::Warning;
use ndarray::Array2;

/// A film as stated is taken to be good to this share of it, 95 % (common practice, no source).
const STATED_WITHIN: f64 = 0.1;
/// Where substrate shows there is no film, give or take this, mm (common practice, no source).
const BARE_WITHIN_MM: f64 = 0.02;
/// What may be hidden without being told is about as much as errors make over a square of this
/// side, mm (worked out on simulated panels, as for what moved by the nodes in the book).
const HIDDEN_MM: f64 = 180.0;

/// What has been added up so far.
pub struct Sums {
    pub grid: Grid,
    pub areas_mm2: Array2<f64>,
    /// On less off since the first survey, mm; NaN where not known.
    pub change: Array2<f64>,
    change_var: Array2<f64>,
    /// Film, mm; NaN where not known.
    pub film: Array2<f64>,
    film_var: Array2<f64>,
    /// Standard deviations of the even parts, of the change and of the film, mm: one shop's
    /// figures, so what they are off by adds up.
    even_sd_mm: f64,
    film_even_sd: Array2<f64>,
    /// First survey of the run of differences whose variance is still to be added.
    run: Option<usize>,
    /// Largest standard deviation of one difference of the run, mm.
    run_sd: Array2<f64>,
    /// Whether the run holds a pair between which the panel may have bent.
    run_bent: bool,
    pub counted: bool,
    pub warnings: Vec<Warning>,
}

impl Sums {
    pub fn new(told: &Told) -> Self {
        let panel = told.panel;
        let grid = judge::grid(panel, judge::step_mm(panel));
        let dim = (grid.ny, grid.nx);
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
            film: Array2::from_elem(dim, f64::NAN),
            film_var: Array2::zeros(dim),
            even_sd_mm: 0.0,
            film_even_sd: Array2::zeros(dim),
            run: None,
            run_sd: Array2::zeros(dim),
            run_bent: false,
            counted: false,
            warnings: Vec::new(),
            grid,
        }
    }

    /// Everything of one slot: films stated in it, its pair of surveys, substrate on photos.
    pub fn slot(&mut self, told: &Told, slot: usize) -> Option<Row> {
        let work = work_in(told, slot);
        let film_work: Vec<&Entry> = work
            .iter()
            .copied()
            .filter(|e| changes_film(e.kind))
            .collect();
        let stated: Vec<usize> = (0..told.statements.len())
            .filter(|k| slot_of(told, &told.statements[*k]) == slot)
            .collect();
        // Stated before any work of the slot: the slot's work counts. Else what two surveys tell
        // lies partly before it.
        let early = |k: &usize| film_work.iter().all(|e| told.statements[*k].is_before(e));
        let (first, late): (Vec<usize>, Vec<usize>) = stated.into_iter().partition(early);
        let pair = slot > 0 && slot < told.surveyed.len();
        first.iter().for_each(|k| self.state(told, *k));
        self.bare_of(told, slot, false);
        let row = if pair {
            Some(self.pair(told, slot, &work))
        } else {
            self.unpaired(told, slot, &film_work)
        };
        for k in late {
            self.state(told, k);
            let after: Vec<&Entry> = film_work
                .iter()
                .copied()
                .filter(|e| told.statements[k].is_before(e))
                .collect();
            self.unseen(told, &after, Some(k));
        }
        self.bare_of(told, slot, true);
        row
    }

    /// A film stated: where it reads otherwise than the one before it, the reckoning begins anew.
    fn state(&mut self, told: &Told, k: usize) {
        let film = &told.statements[k].film;
        let before = k.checked_sub(1).map(|b| &told.statements[b].film);
        self.counted |= before.is_some();
        for ((iy, ix), value) in self.film.indexed_iter_mut() {
            let (x, y) = (self.grid.x(ix), self.grid.y(iy));
            if !told.panel.contains(x, y) || !restated(film, before, x, y) {
                continue;
            }
            *value = film.at(x, y).unwrap_or(f64::NAN);
            self.film_var[[iy, ix]] = (STATED_WITHIN * *value / HALF).powi(2);
            self.film_even_sd[[iy, ix]] = 0.0;
            self.run_sd[[iy, ix]] = 0.0;
        }
    }

    /// One pair of surveys.
    fn pair(&mut self, told: &Told, k: usize, work: &[&Entry]) -> Row {
        let [before, after] = [&told.surveyed[k - 1], &told.surveyed[k]];
        let bent = work.iter().any(|e| bends(e.kind));
        let [old, new] = [before, after].map(found);
        let laid = if bent {
            difference(told.panel, old, new)
        } else {
            difference_unbent(told.panel, old, new)
        };
        let film_work = work.iter().any(|e| changes_film(e.kind));
        let d = match laid {
            Ok(d) => d,
            Err(why) if film_work => return self.not_laid(told, k, work, &why.to_string()),
            Err(_) => {
                self.close(told, k - 1);
                return row(before.entry, Some(after.entry), work, even::Part::default());
            }
        };
        let counted = film_work || (work.is_empty() && d.changed());
        let area_mm2 = self.areas_mm2.sum();
        let net_cc = self.net_cc(&d);
        let part = even::of(work, told.shop, area_mm2, net_cc);
        let hidden_cc = hidden_cc(&d);
        let [up, down] = [true, false].map(|up| volume(&d, up, hidden_cc));
        self.warnings.extend(heed::of_pair(
            [before, after],
            work,
            &d,
            (told.shop, &part, up),
        ));
        let mut row = row(before.entry, Some(after.entry), work, part);
        row.measured_share = Some(d.measured_share);
        row.counted = counted;
        if !counted {
            self.close(told, k - 1);
            row.evenly_mm = Interval::default();
            return row;
        }
        self.counted = true;
        self.run.get_or_insert(k - 1);
        self.run_bent |= bent;
        self.add(&d);
        self.evenly(told, &part);
        let level_cc = HALF * d.level_sd_mm * area_mm2 / 1000.0;
        row.taken_off_cc = Some(taken_off(&part, [up, down], area_mm2, level_cc));
        row.came_up_cc = Some(up);
        row.went_down_cc = Some(down);
        row
    }

    fn not_laid(&mut self, told: &Told, k: usize, work: &[&Entry], why: &str) -> Row {
        let [before, after] = [&told.surveyed[k - 1], &told.surveyed[k]];
        self.close(told, k - 1);
        self.counted = true;
        self.change.fill(f64::NAN);
        self.film.fill(f64::NAN);
        self.warnings.push(Warning::new(format!(
            "{} to {}: {why}; the film is not known from then on: measure it and state it anew",
            before.entry.date, after.entry.date
        )));
        Row {
            counted: true,
            not_laid: Some(why.to_string()),
            ..row(before.entry, Some(after.entry), work, even::Part::default())
        }
    }

    /// Work that no pair of surveys holds: before the first, since the last.
    fn unpaired(&mut self, told: &Told, slot: usize, work: &[&Entry]) -> Option<Row> {
        if slot == 0 {
            self.unseen(told, work, None);
            return None;
        }
        let last = told.surveyed.last()?;
        if work.is_empty() {
            return None;
        }
        let part = self.unseen(told, work, None);
        let mut row = row(last.entry, None, work, part);
        row.counted = true;
        Some(row)
    }

    /// Takes off what sanding and blocking take all over, and off the highs of the map before it up
    /// to what they may lose. What was put on counts only once it is surveyed. `only`: where this
    /// statement began anew.
    fn unseen(&mut self, told: &Told, work: &[&Entry], only: Option<usize>) -> even::Part {
        if work.is_empty() {
            return even::Part::default();
        }
        self.counted = true;
        let taking: Vec<&Entry> = work.iter().copied().filter(|e| takes(e.kind)).collect();
        let area_mm2 = self.areas_mm2.sum();
        let mut part = even::of(&taking, told.shop, area_mm2, 0.0);
        let highs = told
            .surveyed
            .iter()
            .rev()
            .find(|s| work.iter().all(|e| s.entry.order() < e.order()))
            .and_then(|s| s.field)
            .filter(|f| !taking.is_empty() && f.lies_on(&self.grid));
        let pass = even::pass(told.shop);
        let all_over = taking.iter().any(|e| even::takes_all_over(e));
        for n in ndarray::indices(self.film.dim()) {
            let (x, y) = (self.grid.x(n.1), self.grid.y(n.0));
            let here = |e: &&&Entry| e.facts.at.as_ref().is_some_and(|at| at.contains(x, y));
            let passes = taking.iter().filter(here).count() as f64;
            if let Some(k) = only {
                let before = k.checked_sub(1).map(|b| &told.statements[b].film);
                if !restated(&told.statements[k].film, before, x, y) {
                    continue;
                }
            }
            let high = highs
                .and_then(|f| f.at(n.1, n.0).map(|i| f64::from(f.deviation[i])))
                .filter(|d| d.is_finite() && (all_over || passes > 0.0))
                .map_or(0.0, |d| d.max(0.0).min(told.panel.allowance_at(x, y)));
            let off = part.mm.value + passes * pass.value - high / 2.0;
            let local_sd = passes * sd_of(pass);
            self.film[n] += off;
            // From nothing of the high to all of it.
            self.film_var[n] += (high / 2.0 / HALF).powi(2);
            self.film_even_sd[n] += sd_of(part.mm) + local_sd;
            if only.is_none() {
                self.change[n] += off;
                self.change_var[n] += (high / 2.0 / HALF).powi(2) + local_sd.powi(2);
            }
        }
        if only.is_none() {
            self.even_sd_mm += sd_of(part.mm);
        }
        let put = even::of(work, told.shop, area_mm2, 0.0);
        (part.put_on_g, part.put_on_cc) = (put.put_on_g, put.put_on_cc);
        self.warnings.extend(heed::of_unseen(work, told));
        part
    }

    fn add(&mut self, d: &Difference) {
        let level = d.level_sd_mm * d.level_sd_mm;
        for (n, moved) in d.moved_mm.indexed_iter() {
            self.change[n] += moved;
            self.film[n] += moved;
            self.change_var[n] += level;
            self.film_var[n] += level;
            self.run_sd[n] = self.run_sd[n].max(d.sd_mm[n]);
        }
    }

    /// What goes on or off all over; nothing goes on where no filler may go.
    fn evenly(&mut self, told: &Told, part: &even::Part) {
        let all_over = part.mm;
        let off_only = part.off_mm;
        self.even_sd_mm += sd_of(all_over);
        for n in ndarray::indices(self.film.dim()) {
            let (x, y) = (self.grid.x(n.1), self.grid.y(n.0));
            let bare = told.panel.no_fill.iter().any(|p| p.contains(x, y));
            let part = if bare { off_only } else { all_over };
            self.change[n] += part.value;
            self.film[n] += part.value;
            self.film_even_sd[n] += sd_of(part);
        }
    }

    /// Ends a run of differences at survey `to`: the errors of the surveys inside it cancel, those
    /// of its ends count. Where the ends cannot be laid onto one another, each pair's own are
    /// added.
    pub fn close(&mut self, told: &Told, to: usize) {
        let Some(from) = self.run.take() else {
            return;
        };
        let pairs = to.saturating_sub(from).max(1) as f64;
        if pairs > 1.5 {
            let [a, b] = [&told.surveyed[from], &told.surveyed[to]].map(found);
            let direct = if self.run_bent {
                difference(told.panel, a, b)
            } else {
                difference_unbent(told.panel, a, b)
            };
            match direct {
                Ok(direct) => {
                    for (n, sd) in direct.sd_mm.indexed_iter() {
                        self.run_sd[n] = self.run_sd[n].max(*sd);
                    }
                }
                Err(_) => self.run_sd.mapv_inplace(|sd| sd * pairs.sqrt()),
            }
        }
        self.run_bent = false;
        for (n, sd) in self.run_sd.indexed_iter() {
            self.change_var[n] += sd * sd;
            self.film_var[n] += sd * sd;
        }
        self.run_sd.fill(0.0);
    }

    /// Substrate on photos of a slot: of a survey without readings that was followed by work,
    /// before the slot's difference is added; else after it.
    fn bare_of(&mut self, told: &Told, slot: usize, after: bool) {
        let work = work_in(told, slot);
        for bare in told.bare {
            let own = told
                .surveyed
                .iter()
                .filter(|s| s.entry.order() < bare.entry.order())
                .count();
            let followed = work
                .iter()
                .any(|e| changes_film(e.kind) && e.order() > bare.entry.order());
            if own == slot && followed != after {
                self.bare(told, bare);
            }
        }
    }

    /// Where substrate shows the film is at an end, whatever was reckoned.
    fn bare(&mut self, told: &Told, at: &Bare) {
        let (mut cm2, mut reckoned, mut known, mut first) = (0.0, 0.0, 0.0, None);
        for (n, film) in self.film.indexed_iter_mut() {
            let [x, y] = [self.grid.x(n.1), self.grid.y(n.0)];
            if !told.panel.contains(x, y) || !at.areas.iter().any(|p| p.contains(x, y)) {
                continue;
            }
            let part = self.areas_mm2[n] / 100.0;
            cm2 += part;
            if !film.is_nan() {
                known += part;
                reckoned += part * *film;
            }
            first.get_or_insert([x, y]);
            *film = 0.0;
            self.film_var[n] = (BARE_WITHIN_MM / HALF).powi(2);
            self.film_even_sd[n] = 0.0;
            self.run_sd[n] = 0.0;
        }
        let Some([x, y]) = first else {
            return;
        };
        self.counted = true;
        let had = if known > 0.0 {
            format!(
                ", where the ledger had {:.2} mm left on average",
                reckoned / known
            )
        } else {
            String::new()
        };
        self.warnings.push(Warning::new(format!(
            "substrate shows on the photo of {} (entry {}): {cm2:.0} cm² from about x {x:.0} y {y:.0}{had}; none is reckoned there from then on",
            at.entry.date, at.entry.number
        )));
    }

    /// What moved over all nodes that both surveys measured, cc, up positive.
    fn net_cc(&self, d: &Difference) -> f64 {
        let all = d.moved_mm.iter().zip(&self.areas_mm2);
        all.filter(|(m, _)| !m.is_nan())
            .map(|(m, a)| m * a / 1000.0)
            .sum()
    }

    /// Standard deviation of the film.
    pub fn film_sd(&self) -> Array2<f64> {
        let mut out = self.film_var.clone();
        out.zip_mut_with(&self.film_even_sd, |v, e| *v = (*v + e * e).sqrt());
        out
    }

    pub fn change_sd(&self) -> Array2<f64> {
        let even = self.even_sd_mm.powi(2);
        self.change_var.mapv(|v| (v + even).sqrt())
    }

    pub fn left(&self, told: &Told) -> Option<Left> {
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
            below += when(*film < -1e-9);
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

/// Whether a place's film reads otherwise than in the statement before, or was measured on another
/// day.
fn restated(film: &Film, before: Option<&Film>, x: f64, y: f64) -> bool {
    before.is_none_or(|b| b.at(x, y) != film.at(x, y) || b.measured != film.measured)
}

/// The slot in which a film was stated: as many surveys lie before it.
fn slot_of(told: &Told, s: &Statement) -> usize {
    told.surveyed
        .iter()
        .filter(|one| !s.is_before(one.entry))
        .count()
}

/// Work that stands in a slot, in order.
fn work_in<'a>(told: &Told<'a>, slot: usize) -> Vec<&'a Entry> {
    let from = slot
        .checked_sub(1)
        .and_then(|k| told.surveyed.get(k))
        .map(|s| s.entry.order());
    let to = told.surveyed.get(slot).map(|s| s.entry.order());
    let mut work: Vec<&Entry> = told
        .entries
        .iter()
        .filter(|e| e.stands() && e.kind.makes_stale())
        .filter(|e| from.is_none_or(|f| e.order() > f) && to.is_none_or(|t| e.order() < t))
        .collect();
    work.sort_by_key(|e| e.order());
    work
}

fn found<'a>(s: &Surveyed<'a>) -> Found<'a> {
    Found {
        survey: s.survey,
        surface: s.surface,
    }
}

fn row(from: &Entry, to: Option<&Entry>, work: &[&Entry], part: even::Part) -> Row {
    Row {
        from: from.number,
        from_date: from.date,
        to: to.map(|e| e.number),
        to_date: to.map(|e| e.date),
        work: work.iter().map(|e| words(e)).collect(),
        counted: false,
        not_laid: None,
        put_on_g: part.put_on_g,
        put_on_cc: part.put_on_cc,
        came_up_cc: None,
        went_down_cc: None,
        evenly_mm: part.mm,
        taken_off_cc: None,
        measured_share: None,
    }
}

/// What may lie hidden in the noise, cc.
fn hidden_cc(d: &Difference) -> f64 {
    let known: Vec<f64> = d.sd_mm.iter().copied().filter(|s| s.is_finite()).collect();
    let square = known.iter().map(|s| s * s).sum::<f64>() / known.len().max(1) as f64;
    HALF * square.sqrt() * HIDDEN_MM * HIDDEN_MM / 1000.0
}

/// What patches of one sign add up to, cc; the upper end has in it what may be hidden beside them.
fn volume(d: &Difference, up: bool, hidden_cc: f64) -> Interval {
    let (mut value, mut square) = (0.0, 0.0);
    for p in d.patches.iter().filter(|p| p.up == up) {
        value += p.volume_cc.value;
        square += (p.volume_cc.high - p.volume_cc.value).powi(2);
    }
    let half = f64::sqrt(square);
    Interval {
        value,
        low: (value - half).max(0.0),
        high: value + half.hypot(hidden_cc),
    }
}

/// Put on less what stayed: what came up, went down and lies evenly, cc.
fn taken_off(
    part: &even::Part,
    [up, down]: [Interval; 2],
    area_mm2: f64,
    level_cc: f64,
) -> Interval {
    let put = part.put_on_cc.unwrap_or_default();
    let evenly = |mm: f64| mm * area_mm2 / 1000.0;
    let value = put.value - (up.value - down.value) - evenly(part.mm.value);
    let halves = [
        (put.high - put.low) / 2.0,
        up.high - up.value,
        down.high - down.value,
        evenly(part.mm.high - part.mm.low) / 2.0,
        level_cc,
    ];
    let half = halves.iter().map(|h| h * h).sum::<f64>().sqrt();
    Interval {
        value: value.max(0.0),
        low: (value - half).max(0.0),
        high: (value + half).max(0.0),
    }
}

/// Whether a repair is among the work.
pub fn repaired(work: &[&Entry]) -> bool {
    work.iter().any(|e| e.kind == Kind::Repair)
}
