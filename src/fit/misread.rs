//! Whole placings that do not agree with the others: found, named with their likely mend, left out;
//! never altered.
//!
//! A placing's own rest makes its readings agree with each other whatever is wrong with all of
//! them, so single readings do not show it. Each placing that the fit follows badly is therefore
//! predicted from all *other* placings (Cook and Weisberg, Residuals and Influence in Regression,
//! 1982, ch. 2: deletion), and what may have gone wrong with it is tried: read the other way round,
//! written in another unit, swapped with another placing, drawn along the other axis, moved half
//! way. Offset and tilt of a straightedge or pin gauge are free and can be no fault; a batten's are
//! not, nor is a wave gauge's drift.
//!
//! Explanations are weighed by the probability of the readings under each, with a scale of the
//! misfit that is not known beforehand (Student's t in as many dimensions as there are readings):
//! what the model itself gets wrong, at a sharp defect say, then accuses nobody. The sound
//! explanations compete too: a sharp defect of its own, or one or two wrong readings.

use super::robust::{Deleted, Setting, deleted, residuals};
use super::system::{Solved, System, dot};
use super::tools::{self, Row};
use crate::observe::{Placing, Survey, Tool};
use crate::problem::Error;
use rayon::prelude::*;

/// Degrees of freedom of the misfit's scale.
const FREEDOM: f64 = 4.0;
/// A placing is looked at where its mean square residual exceeds the usual by this many of its
/// standard deviations, √(2/readings).
const LOOKED_AT: f64 = 0.8;
/// Most placings looked at in a round: those followed worst.
const MOST_LOOKED_AT: usize = 8;
/// Most placings left out, as a share of all.
const MOST_SHARE: f64 = 0.2;
/// By how much the log probability of a named mend has to beat the soundest explanation.
const NAMED: f64 = 4.0;
/// A placing without a mend is left out when its misfit stays above this many σ² a reading whatever
/// sound explanation is tried.
const DISAGREES: f64 = 7.0;
/// Nothing is said of misfits below this, rms, mm.
const SMALLEST_MM: f64 = 0.08;
/// Misfit, σ² a reading, above which a mend explains nothing.
const MENDED: f64 = 4.0;
/// Readings of one placing that are looked at; of longer ones every second, third …
const MOST_READINGS: usize = 48;
/// Standard deviation of a defect that only this placing crosses, of a wrong reading, and of a rest
/// that should not be there, mm.
const DEFECT_MM: f64 = 0.4;
const WRONG_MM: [f64; 2] = [1.0, 100.0];
const REST_MM: f64 = 0.5;
/// What a second and third of these costs, log probability.
const FURTHER: f64 = 2.0;
/// Half widths (sd) of such defects, mm.
const DEFECT_HALF_MM: [f64; 2] = [30.0, 60.0];
/// Factors between what was meant and what is written: inches, hundredths, tenths, thousandths of
/// an inch, and the other way.
const FACTORS: [f64; 8] = [
    25.4,
    10.0,
    100.0,
    1.0 / 25.4,
    0.1,
    0.01,
    1000.0 / 25.4,
    0.0254,
];

/// What would make a placing agree with the others.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mend {
    /// Nothing that was tried.
    Unknown,
    /// Its readings in reverse order.
    Reversed,
    /// The same readings between these two places, mm.
    Between([[f64; 2]; 2]),
    /// Its readings times this.
    Times(f64),
    /// Its readings exchanged with those of this placing (index in the survey).
    SwappedWith(usize),
    /// The tool moved after this reading (index in the placing).
    MovedAfter(usize),
    /// The tool leaned, or its zero crept, by this much from the first reading to the last, mm.
    Drift(f64),
}

/// What would make a single reading agree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Hint {
    /// Nothing that was tried.
    Unknown,
    /// Its value times this.
    Times(f64),
    /// The other sign.
    Sign,
    /// Its value exchanged with that of this reading of the same placing (index in the placing).
    SwappedWith(usize),
}

/// A mended reading lies this close to what is expected, standard deviations; and what is expected
/// is no nought by as many.
const HINTED: f64 = 2.5;

impl Hint {
    /// A factor or a sign that brings a value to what is expected of it. Where about nought is
    /// expected any small factor would, and none is named.
    pub(super) fn of(value: f64, deleted: &Deleted) -> Hint {
        let sd = ((value - deleted.expected) / deleted.ratio).abs();
        let close = |mended: f64| (mended - deleted.expected).abs() <= HINTED * sd;
        if sd.is_nan() || sd <= 0.0 || deleted.expected.abs() < HINTED * sd {
            return Hint::Unknown;
        }
        if value < 0.0 && close(-value) || deleted.expected < 0.0 && close(-value) {
            return Hint::Sign;
        }
        // Slips of the point before other units.
        const LIKELY: [f64; 8] = [
            0.1,
            10.0,
            0.01,
            100.0,
            1.0 / 25.4,
            25.4,
            0.0254,
            1000.0 / 25.4,
        ];
        LIKELY
            .into_iter()
            .find(|f| close(value * f))
            .map_or(Hint::Unknown, Hint::Times)
    }
}

/// Two neighbouring readings of one placing that look exchanged.
#[derive(Clone, Copy, Debug)]
pub struct Neighbours {
    /// Their rows.
    pub(super) rows: [usize; 2],
}

impl Neighbours {
    pub(super) fn hint(&self, system: &System, row: usize) -> Hint {
        let [a, b] = self.rows;
        Hint::SwappedWith(system.rows[if row == a { b } else { a }].reading)
    }
}

/// Most single readings looked at for an exchange.
const MOST_EXCHANGES: usize = 12;
/// By how much the misfit of the two, in variances, has to fall.
const EXCHANGED: f64 = 12.0;

/// Go over the single readings left out: where one and its neighbour would both agree if they were
/// exchanged, both are left out. `keep` is changed.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails.
pub(super) fn neighbours(
    system: &System,
    y: &[f64],
    setting: &Setting,
    keep: &mut [bool],
    locked: &[bool],
) -> Result<Vec<Neighbours>, Error> {
    // The last row has no next one: only windows of two rows that exist are looked at.
    let pairs: Vec<[usize; 2]> = (1..y.len())
        .map(|b| [b - 1, b])
        .filter(|&[a, b]| {
            let (first, next) = (&system.rows[a], &system.rows[b]);
            let beside = first.placing == next.placing && first.reading.abs_diff(next.reading) == 1;
            beside && [a, b].iter().any(|&r| !keep[r] && !locked[r])
        })
        .collect();
    let mut pairs = pairs;
    pairs.truncate(2 * MOST_EXCHANGES);
    let judged = pairs
        .par_iter()
        .map(|&rows| -> Result<Option<(f64, Neighbours)>, Error> {
            let mut extra: Vec<f64> = keep.iter().map(|&k| f64::from(u8::from(k))).collect();
            rows.iter().for_each(|&r| extra[r] = 0.0);
            let (_, solved) = setting.solve(system, y, &extra)?;
            let both = deleted(system, &solved, y, &extra, setting.sigma_mm, &rows);
            let [a, b] = &both[..] else { return Ok(None) };
            let sd = |d: &Deleted| ((y[d.row] - d.expected) / d.ratio).abs();
            let then = [
                (y[b.row] - a.expected) / sd(a),
                (y[a.row] - b.expected) / sd(b),
            ];
            let now = a.ratio * a.ratio + b.ratio * b.ratio;
            let gain = now - then[0] * then[0] - then[1] * then[1];
            let agree =
                then.iter().all(|t| t.abs() <= HINTED) && a.ratio.abs().min(b.ratio.abs()) > HINTED;
            Ok((agree && gain > EXCHANGED).then_some((gain, Neighbours { rows })))
        })
        .collect::<Result<Vec<_>, _>>()?;
    let mut found: Vec<(f64, Neighbours)> = judged.into_iter().flatten().collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut taken: Vec<Neighbours> = Vec::new();
    for (_, pair) in found {
        let free = |r: &usize| !taken.iter().any(|t| t.rows.contains(r));
        if pair.rows.iter().all(free) {
            pair.rows.iter().for_each(|&r| keep[r] = false);
            taken.push(pair);
        }
    }
    Ok(taken)
}

/// A placing left out as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Misread {
    /// Index of the placing in the survey.
    pub placing: usize,
    /// What would make it agree.
    pub mend: Mend,
    /// Rms misfit of its readings as they are written, its rest taken out, mm.
    pub as_written_mm: f64,
    /// The same, mended; as written where no mend is known.
    pub mended_mm: f64,
    /// What the others lead one to expect of each of its readings, mm; `None` for those that say
    /// nothing by themselves.
    pub expected_mm: Vec<Option<f64>>,
}

impl Misread {
    /// Its readings, as they are left out.
    pub fn readings(&self) -> impl Iterator<Item = super::LeftOut> + '_ {
        self.expected_mm
            .iter()
            .enumerate()
            .filter_map(|(reading, expected)| {
                Some(super::LeftOut {
                    placing: self.placing,
                    reading,
                    expected_mm: (*expected)?,
                    hint: Hint::Unknown,
                })
            })
    }
}

/// Look at all placings with the numbers known. `keep` and `out` are changed: placings that agree
/// after all come back. Returns whether anything changed.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails.
pub fn placings(
    system: &System,
    survey: &Survey,
    y: &[f64],
    setting: &Setting,
    keep: &mut [bool],
    out: &mut Vec<Misread>,
) -> Result<bool, Error> {
    let looker = Looker {
        system,
        survey,
        y,
        setting,
        spans: spans(system, survey.placings.len()),
    };
    let before: Vec<usize> = sorted(out.iter().map(|m| m.placing).collect());
    // Those left out so far have to prove it again, now that more is known.
    let old = std::mem::take(out);
    let again: Vec<Finding> = old
        .par_iter()
        .map(|m| looker.judge(m.placing, keep))
        .collect::<Result<Vec<_>, _>>()?;
    for (m, finding) in old.iter().zip(again) {
        match finding.misread {
            Some(misread) => out.push(misread),
            None => looker.mark(m.placing, keep, true),
        }
    }
    let most = ((survey.placings.len() as f64 * MOST_SHARE) as usize).max(1);
    for _ in 0..most {
        if out.len() >= most {
            break;
        }
        let extra: Vec<f64> = keep.iter().map(|&k| f64::from(u8::from(k))).collect();
        let (_, solved) = setting.solve(system, y, &extra)?;
        let suspects = looker.suspects(&solved, keep, out);
        let findings = suspects
            .par_iter()
            .map(|&p| looker.judge(p, keep))
            .collect::<Result<Vec<_>, _>>()?;
        let worst = findings
            .into_iter()
            .filter(|f| f.misread.is_some())
            .max_by(|a, b| a.gain.total_cmp(&b.gain));
        let Some(misread) = worst.and_then(|f| f.misread) else {
            break;
        };
        looker.mark(misread.placing, keep, false);
        if let Mend::SwappedWith(other) = misread.mend
            && !out.iter().any(|m| m.placing == other)
        {
            looker.mark(other, keep, false);
            if let Some(partner) = looker.partner(other, misread.placing, keep)? {
                out.push(partner);
            }
        }
        out.push(misread);
    }
    out.sort_by_key(|m| m.placing);
    Ok(before != sorted(out.iter().map(|m| m.placing).collect()))
}

/// What the last solution, made without these placings, leads one to expect of each of their
/// readings, with the rest that the readings as written ask for.
pub(super) fn expect(
    misread: &mut [Misread],
    system: &System,
    survey: &Survey,
    solved: &Solved,
    y: &[f64],
) {
    let predicted = system.predicted(&solved.unknowns);
    let spans = spans(system, survey.placings.len());
    for misread in misread {
        let span = spans[misread.placing].clone();
        let rows = &system.rows[span.clone()];
        // Rests of a placing without readings are 0, so the prediction is the surface's part alone.
        let off: Vec<f64> = span.clone().map(|r| y[r] - predicted[r]).collect();
        let rests = rows.first().map_or(0, |r| r.rest.len());
        let columns: Vec<Vec<f64>> = (0..rests)
            .map(|k| rows.iter().map(|r| r.rest[k]).collect())
            .collect();
        misread.expected_mm = vec![None; survey.placings[misread.placing].readings.len()];
        for ((row, r), free) in rows.iter().zip(span).zip(less(&off, &columns)) {
            misread.expected_mm[row.reading] = Some(y[r] - free);
        }
    }
}

fn sorted(mut all: Vec<usize>) -> Vec<usize> {
    all.sort_unstable();
    all
}

/// Rows of each placing.
fn spans(system: &System, placings: usize) -> Vec<std::ops::Range<usize>> {
    let mut spans = vec![0..0; placings];
    for (r, row) in system.rows.iter().enumerate() {
        let span = &mut spans[row.placing];
        if span.end == 0 {
            *span = r..r + 1;
        } else {
            span.end = r + 1;
        }
    }
    spans
}

/// What became of one placing.
struct Finding {
    misread: Option<Misread>,
    gain: f64,
}

struct Looker<'a> {
    system: &'a System,
    survey: &'a Survey,
    y: &'a [f64],
    setting: &'a Setting,
    spans: Vec<std::ops::Range<usize>>,
}

/// A way to read a placing.
struct Way {
    mend: Mend,
    score: f64,
    square: f64,
    rms_mm: f64,
}

impl Way {
    fn of(mend: Mend, read: Read, price: f64) -> Self {
        Way {
            mend,
            score: read.score - price,
            square: read.square,
            rms_mm: read.rms_mm,
        }
    }
}

impl Looker<'_> {
    fn mark(&self, placing: usize, keep: &mut [bool], value: bool) {
        keep[self.spans[placing].clone()].fill(value);
    }

    /// Placings that the solution follows worst, or of which several readings are left out.
    fn suspects(&self, solved: &Solved, keep: &[bool], out: &[Misread]) -> Vec<usize> {
        let residual = residuals(self.system, solved, self.y);
        let square =
            |r: usize| (residual[r] / self.system.relative_sd[r] / self.setting.sigma_mm).powi(2);
        let kept: Vec<usize> = (0..residual.len()).filter(|&r| keep[r]).collect();
        let usual = kept.iter().map(|&r| square(r)).sum::<f64>() / (kept.len() as f64).max(1.0);
        let mut all: Vec<(f64, usize)> = self
            .spans
            .iter()
            .enumerate()
            .filter(|(p, span)| {
                let rests = tools::rests(&self.survey.placings[*p]);
                span.len() >= rests + 3 && !out.iter().any(|m| m.placing == *p)
            })
            .map(|(p, span)| (span.clone().map(square).sum::<f64>() / span.len() as f64, p))
            .filter(|(mean, p)| {
                let spread = (2.0 / self.spans[*p].len() as f64).sqrt();
                *mean > (1.0 + LOOKED_AT * spread) * usual
            })
            .collect();
        all.sort_by(|a, b| b.0.total_cmp(&a.0));
        all.truncate(MOST_LOOKED_AT);
        all.into_iter().map(|(_, p)| p).collect()
    }

    /// The solution without some placings.
    fn without(&self, placings: &[usize], keep: &[bool]) -> Result<Solved<'_>, Error> {
        let mut extra: Vec<f64> = keep.iter().map(|&k| f64::from(u8::from(k))).collect();
        for &p in placings {
            extra[self.spans[p].clone()].fill(0.0);
        }
        Ok(self.setting.solve(self.system, self.y, &extra)?.1)
    }

    /// Rows of a placing as it is written, thinned.
    fn rows(&self, placing: usize) -> Vec<Row> {
        self.thin(self.system.rows[self.spans[placing].clone()].to_vec())
    }

    fn thin<T>(&self, rows: Vec<T>) -> Vec<T> {
        let step = rows.len().div_ceil(MOST_READINGS);
        rows.into_iter().step_by(step.max(1)).collect()
    }

    /// Relative sd of a placing's rows, thinned.
    fn relative(&self, placing: usize) -> Vec<f64> {
        self.thin(self.system.relative_sd[self.spans[placing].clone()].to_vec())
    }

    /// What a placing's rows read, thinned, mm.
    fn values(&self, placing: usize) -> Vec<f64> {
        self.thin(self.y[self.spans[placing].clone()].to_vec())
    }

    /// A placing as all others predict it; `None` where its rests leave nothing to predict.
    fn view(&self, p: usize, solved: &Solved) -> Option<View> {
        let (rows, relative, values) = (self.rows(p), self.relative(p), self.values(p));
        let expectation = self.expectation(solved, &rows, &relative)?;
        let seen = expectation.with(&[])?;
        let plain = seen.read(&values, self.setting.sigma_mm);
        let placing = &self.survey.placings[p];
        let along = rows
            .iter()
            .map(|r| {
                let reading = &placing.readings[r.reading];
                reading.x * placing.toward[0] + reading.y * placing.toward[1]
            })
            .collect();
        Some(View {
            p,
            rows,
            relative,
            values,
            along,
            expectation,
            seen,
            plain,
        })
    }

    fn judge(&self, p: usize, keep: &[bool]) -> Result<Finding, Error> {
        let sound = Finding {
            misread: None,
            gain: 0.0,
        };
        let solved = self.without(&[p], keep)?;
        let Some(view) = self.view(p, &solved) else {
            return Ok(sound);
        };
        let plain = view.plain;
        if plain.rms_mm < SMALLEST_MM {
            return Ok(sound);
        }
        let freedom = view.seen.freedom().max(1.0);
        let (soundest, left) = self.soundest(&view);
        let mut ways = self.ways(&view, &solved);
        if plain.square / freedom > MENDED {
            ways.extend(self.swaps(&view, keep)?);
        }
        ways.retain(|w| w.square <= MENDED * freedom && w.rms_mm < plain.rms_mm);
        ways.sort_by(|a, b| b.score.total_cmp(&a.score));
        let best = ways.first().filter(|w| w.score - soundest > NAMED);
        let (mend, mended_mm, gain) = match best {
            Some(way) => (way.mend, way.rms_mm, way.score - soundest),
            None if left > DISAGREES => (Mend::Unknown, plain.rms_mm, left),
            None => return Ok(sound),
        };
        Ok(Finding {
            misread: Some(view.misread(mend, mended_mm)),
            gain,
        })
    }

    /// The other one of two that look swapped.
    fn partner(&self, p: usize, other: usize, keep: &[bool]) -> Result<Option<Misread>, Error> {
        let solved = self.without(&[p], keep)?;
        Ok(self.view(p, &solved).map(|view| {
            let theirs = view.seen.read(&self.values(other), self.setting.sigma_mm);
            view.misread(Mend::SwappedWith(other), theirs.rms_mm)
        }))
    }

    /// The best score among sound explanations (as it stands, one or two defects of its own, wrong
    /// readings, two neighbours swapped), and the least misfit a reading that they leave.
    fn soundest(&self, view: &View) -> (f64, f64) {
        let View {
            values,
            along,
            expectation,
            seen,
            plain,
            ..
        } = view;
        let sigma = self.setting.sigma_mm;
        let n = values.len();
        let (first, last) = along
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), &s| {
                (a.min(s), b.max(s))
            });
        let mut columns: Vec<(Vec<f64>, f64)> = Vec::new();
        for half in DEFECT_HALF_MM {
            let count = ((last - first) / half).ceil().min(60.0) as usize;
            columns.extend((0..=count).map(|k| {
                let at = first + (last - first) * k as f64 / count.max(1) as f64;
                let bump = along
                    .iter()
                    .map(|s| (-((s - at) / half).powi(2) / 2.0).exp());
                (bump.collect(), DEFECT_MM)
            }));
        }
        let price = ((columns.len() + n) as f64).ln();
        for sd in WRONG_MM {
            columns.extend((0..n).map(|k| {
                let mut unit = vec![0.0; n];
                unit[k] = 1.0;
                (unit, sd)
            }));
        }
        let (mut best, mut left) = (plain.score, plain.square);
        let mut chosen: Vec<(Vec<f64>, f64)> = Vec::new();
        for k in 1..=3 {
            let mut next: Option<(f64, f64, usize)> = None;
            let Some(seen) = expectation.with(&chosen) else {
                break;
            };
            let white = seen.whitened(values);
            for (c, (column, sd)) in columns.iter().enumerate() {
                let read = seen.with_one_more(&white, column, sd / expectation.variance.sqrt());
                let (score, square) = read(sigma);
                if next.is_none_or(|(best, ..)| score > best) {
                    next = Some((score, square, c));
                }
            }
            let Some((score, square, c)) = next else {
                break;
            };
            chosen.push(columns[c].clone());
            best = best.max(score - k as f64 * price - FURTHER * (k - 1) as f64);
            left = left.min(square);
        }
        for k in 1..n {
            let mut other = values.clone();
            other.swap(k - 1, k);
            let read = seen.read(&other, sigma);
            best = best.max(read.score - (n as f64).ln());
            left = left.min(read.square);
        }
        (best, left / (n as f64 - 2.0).max(1.0))
    }

    /// Ways to read a placing that are faults of its own.
    fn ways(&self, view: &View, solved: &Solved) -> Vec<Way> {
        let mut ways = self.other_units(view);
        if let Some(places) = self.other_places(view, solved) {
            ways.extend(places);
            ways.extend(self.drift(view));
            ways.extend(self.moved_half_way(view));
        }
        ways
    }

    fn other_units(&self, view: &View) -> Vec<Way> {
        let read = |factor: f64| {
            let scaled: Vec<f64> = view.values.iter().map(|v| v * factor).collect();
            let read = view.seen.read(&scaled, self.setting.sigma_mm);
            // What is written had to fall near another, wider or narrower range of values.
            let jacobian = view.seen.freedom() * factor.ln();
            Way::of(
                Mend::Times(factor),
                read,
                (FACTORS.len() as f64).ln() - jacobian,
            )
        };
        FACTORS.into_iter().map(read).collect()
    }

    /// The wrong way round, or along the other axis; `None` of a placing without readings.
    fn other_places(&self, view: &View, solved: &Solved) -> Option<Vec<Way>> {
        let placing = &self.survey.placings[view.p];
        let (start, end) = (placing.readings.first()?, placing.readings.last()?);
        let (a, b) = ([start.x, start.y], [end.x, end.y]);
        let mut places: Vec<(Mend, Placing)> = vec![(
            Mend::Reversed,
            moved(placing, |[x, y]| [a[0] + b[0] - x, a[1] + b[1] - y]),
        )];
        let across = |[x, y]: [f64; 2]| [a[0] + (y - a[1]), a[1] + (x - a[0])];
        let mirrored = |[x, y]: [f64; 2]| [y, x];
        places.push((
            Mend::Between([across(a), across(b)]),
            turned(moved(placing, across)),
        ));
        if a[0] != a[1] {
            places.push((
                Mend::Between([mirrored(a), mirrored(b)]),
                turned(moved(placing, mirrored)),
            ));
        }
        let mut ways = Vec::new();
        for (mend, other) in places {
            if !other.readings.iter().all(|r| self.on_panel([r.x, r.y])) {
                continue;
            }
            let theirs = self.thin(tools::rows(&other, view.p));
            if theirs.len() != view.values.len() {
                continue;
            }
            let expectation = self.expectation(solved, &theirs, &view.relative);
            if let Some(seen) = expectation.and_then(|e| e.with(&[])) {
                let read = seen.read(&view.values, self.setting.sigma_mm);
                ways.push(Way::of(mend, read, 1.0));
            }
        }
        Some(ways)
    }

    /// A rest that should not be there.
    fn drift(&self, view: &View) -> Option<Way> {
        let tool = self.survey.placings[view.p].tool;
        let (along, n) = (&view.along, view.values.len());
        if !matches!(tool, Tool::Batten | Tool::WaveGauge) || n <= 3 {
            return None;
        }
        let ramp = |s: f64| (s - along[0]) / (along[n - 1] - along[0]);
        let column: Vec<f64> = along.iter().map(|&s| ramp(s) - 0.5).collect();
        let mut columns = vec![(column, REST_MM)];
        if tool == Tool::Batten {
            columns.push((vec![1.0; n], REST_MM));
        }
        let seen = view.expectation.with(&columns)?;
        let read = seen.read(&view.values, self.setting.sigma_mm);
        let size = ramp_in(&view.expectation.off(&view.values));
        Some(Way::of(Mend::Drift(size), read, 1.0))
    }

    /// Moved half way: from a reading on the tool has another rest.
    fn moved_half_way(&self, view: &View) -> Vec<Way> {
        let tool = self.survey.placings[view.p].tool;
        let (along, n) = (&view.along, view.values.len());
        let from = |k: usize| {
            let after = |f: &dyn Fn(f64) -> f64| -> Vec<f64> {
                (0..n)
                    .map(|i| if i > k { f(along[i]) } else { 0.0 })
                    .collect()
            };
            let mut columns = vec![(after(&|_| 1.0), REST_MM)];
            if tool != Tool::WaveGauge {
                let at = along[k];
                let length = along[n - 1] - along[0];
                columns.push((after(&|s| (s - at) / length), REST_MM));
            }
            let seen = view.expectation.with(&columns)?;
            let read = seen.read(&view.values, self.setting.sigma_mm);
            let mend = Mend::MovedAfter(view.rows[k].reading);
            Some(Way::of(mend, read, (n as f64).ln() + 1.0))
        };
        (1..n.saturating_sub(2)).filter_map(from).collect()
    }

    fn on_panel(&self, [x, y]: [f64; 2]) -> bool {
        let inside = |axis: &super::basis::Axis, v: f64| {
            v >= axis.start - 1e-6 && v <= axis.start + axis.spacing * axis.intervals as f64 + 1e-6
        };
        inside(&self.system.basis.x, x) && inside(&self.system.basis.y, y)
    }

    /// Exchanges with other placings that would make both agree.
    fn swaps(&self, view: &View, keep: &[bool]) -> Result<Vec<Way>, Error> {
        let sigma = self.setting.sigma_mm;
        let (p, seen, plain) = (view.p, &view.seen, view.plain);
        let own = &self.survey.placings[p];
        if own.tool == Tool::Batten {
            return Ok(Vec::new());
        }
        let mut others: Vec<(f64, usize)> = Vec::new();
        let mut tried = 0usize;
        for (q, other) in self.survey.placings.iter().enumerate() {
            if q == p
                || other.tool != own.tool
                || self.spans[q].len() != self.spans[p].len()
                || self.spans[q].is_empty()
            {
                continue;
            }
            tried += 1;
            let theirs = self.values(q);
            let read = seen.read(&theirs, sigma);
            if read.square <= MENDED * seen.freedom() && read.rms_mm < plain.rms_mm {
                others.push((read.square, q));
            }
        }
        others.sort_by(|a, b| a.0.total_cmp(&b.0));
        others.truncate(6);
        let mut ways = Vec::new();
        for (_, q) in others {
            let solved = self.without(&[p, q], keep)?;
            let mut rows = self.rows(p);
            let (n, rests) = (rows.len(), tools::rests(own));
            let theirs = self.rows(q);
            for row in &mut rows {
                row.rest.extend(vec![0.0; rests]);
            }
            rows.extend(theirs.into_iter().map(|mut row| {
                row.rest = [vec![0.0; rests], row.rest].concat();
                row
            }));
            let relative = [self.relative(p), self.relative(q)].concat();
            let Some(both) = self.expectation(&solved, &rows, &relative) else {
                continue;
            };
            let Some(both) = both.with(&[]) else {
                continue;
            };
            let values = [self.values(p), self.values(q)].concat();
            let exchanged = [&values[n..], &values[..n]].concat();
            let (now, then) = (both.read(&values, sigma), both.read(&exchanged, sigma));
            // As good as the joint exchange makes both, told as a gain on this placing's own score.
            ways.push(Way {
                mend: Mend::SwappedWith(q),
                score: plain.score + then.score - now.score - (tried as f64).ln(),
                square: then.square / 2.0,
                rms_mm: then.rms_mm,
            });
        }
        Ok(ways)
    }

    /// What a solution without these rows leads one to expect of them.
    fn expectation(&self, solved: &Solved, rows: &[Row], relative: &[f64]) -> Option<Expectation> {
        let n = rows.len();
        let rests = rows.first()?.rest.len();
        if n < rests + 2 || relative.len() != n {
            return None;
        }
        let own: Vec<Vec<f64>> = rows.iter().map(|r| self.system.points(&r.points)).collect();
        let middle = own.iter().map(|a| dot(a, &solved.unknowns)).collect();
        let mut images: Vec<f64> = own.concat();
        solved.factor.solve_in_place(&mut images);
        let total = self.system.unknowns();
        let mut spread = vec![0.0; n * n];
        for (i, a) in own.iter().enumerate() {
            for (j, x) in images.chunks(total).enumerate() {
                spread[i * n + j] = dot(a, x);
            }
            spread[i * n + i] += relative[i] * relative[i];
        }
        Some(Expectation {
            middle,
            spread,
            rest: (0..rests)
                .map(|k| rows.iter().map(|r| r.rest[k]).collect())
                .collect(),
            variance: self.setting.sigma_mm * self.setting.sigma_mm,
        })
    }
}

/// A placing with its readings somewhere else.
fn moved(placing: &Placing, to: impl Fn([f64; 2]) -> [f64; 2]) -> Placing {
    let mut other = placing.clone();
    for r in &mut other.readings {
        [r.x, r.y] = to([r.x, r.y]);
    }
    other
}

/// The same with the direction along the other axis.
fn turned(mut placing: Placing) -> Placing {
    placing.toward.swap(0, 1);
    placing
}

/// Expected values of a placing's readings but for its rest, with their joint uncertainty.
struct Expectation {
    /// Expected values without rest, mm.
    middle: Vec<f64>,
    /// Their covariance and the readings' own, σ², n × n.
    spread: Vec<f64>,
    /// Columns of the rest numbers.
    rest: Vec<Vec<f64>>,
    variance: f64,
}

/// The same, ready to weigh readings: the inverse root of the covariance, and the rests in it.
struct Seen {
    n: usize,
    /// Lower Cholesky factor.
    root: Vec<f64>,
    /// Orthonormal columns that span the whitened rests.
    rests: Vec<Vec<f64>>,
    /// ½ of the log determinants.
    log: f64,
    middle: Vec<f64>,
    /// Columns of the rests and those added.
    rest: Vec<Vec<f64>>,
}

/// How well readings agree.
#[derive(Clone, Copy, Debug)]
struct Read {
    /// Misfit over its uncertainty, squared and summed.
    square: f64,
    /// Log probability up to a constant.
    score: f64,
    /// Rms misfit after the rest is taken out, mm.
    rms_mm: f64,
}

/// One placing as all others predict it.
struct View {
    p: usize,
    rows: Vec<Row>,
    relative: Vec<f64>,
    values: Vec<f64>,
    /// Places along the placing, mm.
    along: Vec<f64>,
    expectation: Expectation,
    seen: Seen,
    /// As it is written.
    plain: Read,
}

impl View {
    /// The placing left out; what is expected of its readings follows when all is solved
    /// ([`expect`]).
    fn misread(&self, mend: Mend, mended_mm: f64) -> Misread {
        Misread {
            placing: self.p,
            mend,
            as_written_mm: self.plain.rms_mm,
            mended_mm,
            expected_mm: Vec::new(),
        }
    }
}

impl Expectation {
    /// Values less what is expected, mm.
    fn off(&self, values: &[f64]) -> Vec<f64> {
        values
            .iter()
            .zip(&self.middle)
            .map(|(v, m)| v - m)
            .collect()
    }

    /// With further columns, each with the standard deviation of its size, mm.
    fn with(&self, columns: &[(Vec<f64>, f64)]) -> Option<Seen> {
        let n = self.middle.len();
        let mut spread = self.spread.clone();
        for (column, sd) in columns {
            let size = sd * sd / self.variance;
            for i in 0..n {
                for j in 0..n {
                    spread[i * n + j] += size * column[i] * column[j];
                }
            }
        }
        let root = cholesky(spread, n)?;
        let mut log = (0..n).map(|i| root[i * n + i].ln()).sum::<f64>();
        let mut rests: Vec<Vec<f64>> = Vec::new();
        for column in &self.rest {
            let mut white = column.clone();
            forward(&root, &mut white);
            for other in &rests {
                let part = dot(other, &white);
                white
                    .iter_mut()
                    .zip(other)
                    .for_each(|(w, o)| *w -= part * o);
            }
            let length = dot(&white, &white).sqrt();
            if length.is_nan() || length <= 1e-9 {
                return None;
            }
            log += length.ln();
            white.iter_mut().for_each(|w| *w /= length);
            rests.push(white);
        }
        Some(Seen {
            n,
            root,
            rests,
            log,
            middle: self.middle.clone(),
            rest: (self.rest.iter())
                .chain(columns.iter().map(|(column, _)| column))
                .cloned()
                .collect(),
        })
    }
}

impl Seen {
    fn freedom(&self) -> f64 {
        (self.n - self.rests.len()) as f64
    }

    fn whitened(&self, values: &[f64]) -> Vec<f64> {
        self.white(
            values
                .iter()
                .zip(&self.middle)
                .map(|(v, m)| v - m)
                .collect(),
        )
    }

    /// Score and misfit of whitened values with one more column, whose size has the relative
    /// standard deviation `sd`: in the whitened space the covariance is 1 + sd²·ccᵀ, so |w|² loses
    /// (c·w)²·sd²/(1 + sd²·|c|²) and the log determinant gains ln(1 + sd²·|c|²) (Sherman and
    /// Morrison 1950).
    fn with_one_more(
        &self,
        white: &[f64],
        column: &[f64],
        sd: f64,
    ) -> impl Fn(f64) -> (f64, f64) + use<> {
        let c = self.white(column.to_vec());
        let (size, along) = (sd * sd, dot(&c, white));
        let grown = 1.0 + size * dot(&c, &c);
        let left = (dot(white, white) - size * along * along / grown).max(0.0);
        let (log, k) = (self.log + grown.ln() / 2.0, self.freedom());
        move |sigma_mm| {
            let square = left / (sigma_mm * sigma_mm);
            (
                -log - (FREEDOM + k) / 2.0 * (square / FREEDOM).ln_1p(),
                square,
            )
        }
    }

    /// Made white, without what the rests take up.
    fn white(&self, mut white: Vec<f64>) -> Vec<f64> {
        forward(&self.root, &mut white);
        for rest in &self.rests {
            let part = dot(rest, &white);
            white.iter_mut().zip(rest).for_each(|(w, o)| *w -= part * o);
        }
        white
    }

    fn read(&self, values: &[f64], sigma_mm: f64) -> Read {
        let white = self.whitened(values);
        let square = dot(&white, &white) / (sigma_mm * sigma_mm);
        let k = self.freedom();
        let score = -self.log - (FREEDOM + k) / 2.0 * (square / FREEDOM).ln_1p();
        let off: Vec<f64> = values
            .iter()
            .zip(&self.middle)
            .map(|(v, m)| v - m)
            .collect();
        let off = less(&off, &self.rest);
        Read {
            square,
            score,
            rms_mm: (dot(&off, &off) / (self.n as f64)).sqrt(),
        }
    }
}

/// Rise of a straight line through values from the first to the last, least squares.
fn ramp_in(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let ramp: Vec<f64> = (0..values.len())
        .map(|i| i as f64 / (n - 1.0).max(1.0) - 0.5)
        .collect();
    // The ramp's own mean is 0.
    dot(&ramp, values) / dot(&ramp, &ramp).max(1e-12)
}

/// What is left of values when the best sum of columns is taken out (plain least squares, by
/// orthogonal columns).
fn less(values: &[f64], columns: &[Vec<f64>]) -> Vec<f64> {
    let mut left = values.to_vec();
    let mut basis: Vec<Vec<f64>> = Vec::new();
    for column in columns {
        let mut own = column.clone();
        for other in &basis {
            let part = dot(other, &own);
            own.iter_mut().zip(other).for_each(|(w, o)| *w -= part * o);
        }
        let length = dot(&own, &own).sqrt();
        if length > 1e-9 {
            own.iter_mut().for_each(|w| *w /= length);
            let part = dot(&own, &left);
            left.iter_mut().zip(&own).for_each(|(l, o)| *l -= part * o);
            basis.push(own);
        }
    }
    left
}

/// Lower Cholesky factor of a dense symmetric matrix, row by row; `None` when it is not positive
/// definite.
pub(super) fn cholesky(mut a: Vec<f64>, n: usize) -> Option<Vec<f64>> {
    for i in 0..n {
        for j in 0..=i {
            let sum = a[i * n + j] - dot(&a[i * n..i * n + j], &a[j * n..j * n + j]);
            if i == j {
                if sum.is_nan() || sum <= 0.0 {
                    return None;
                }
                a[i * n + i] = sum.sqrt();
            } else {
                a[i * n + j] = sum / a[j * n + j];
            }
        }
    }
    Some(a)
}

/// Solve L·x = b in place.
pub(super) fn forward(root: &[f64], b: &mut [f64]) {
    let n = b.len();
    for i in 0..n {
        let sum = b[i] - dot(&root[i * n..i * n + i], &b[..i]);
        b[i] = sum / root[i * n + i];
    }
}
