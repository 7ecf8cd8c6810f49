//! The joint linear system: field coefficients, rests of all placings, and the free shape, in one
//! sparse matrix.
//!
//! Unknowns, in this order: the N spline coefficients of the field d; the rest numbers of each
//! placing; the shape columns (quadratics, cubics and, across the rulings of a ruled panel, its
//! section). No tool sees a plane, so planes are left out of the shape: height is known up to one.
//! With weights w (1 is a typical reading), the normal matrix is M = AᵀWA + λQ(κ) (+ the weak
//! priors of the shape), λ = τσ².

use super::basis::Basis;
use super::cholesky::{Factor, Pattern};
use super::field::{self, Field};
use super::outline::Dome;
use super::smooth::smoothed;
use super::tools::{self, Row};
use crate::observe::Survey;
use crate::panel::Form;
use crate::problem::Error;

/// Reach over which the amplitude of the field may change, mm: about the size of a low. At 50
/// straightedge surveys are 5 % closer and pin gauges, whose errors are long waves, a third worse
/// at worst; at 35 noise comes through.
const LOCAL_MM: f64 = 80.0;
/// Least local amplitude, as a share of the rms.
const LOCAL_FLOOR: f64 = 0.15;
/// By what share of its height a dome over a coated patch differs from the low under it.
const DOME_SHARE: f64 = 0.8;
/// Where a photo was given, the least local amplitude: a share of the rms, since the domes stand
/// for the lows, and an amount, mm.
const LOCAL_FLOOR_SEEN: f64 = 0.05;
const LOCAL_FLOOR_SEEN_MM: f64 = 0.02;

/// One column of the shape: u^p·v^q over the panel scaled to −1 … 1, with the standard deviation of
/// its prior, mm at the edge.
#[derive(Clone, Copy, Debug)]
struct Term {
    powers: [usize; 2],
    sd_mm: f64,
}

/// Number of quadratics, which come first. They are free, but for a prior so wide (sd 1 m) that it
/// only keeps the matrix regular where no placing ties one (twist, when all placings run along the
/// axes).
const QUADRATICS: usize = 3;
const QUADRATIC_SD_MM: f64 = 1000.0;
/// Cubics are nearly free: prior sd, mm at the edge. A crowned panel's crown may change along it; a
/// flat or a ruled panel has little of that. (1 mm does worse on scarce surveys of flat and ruled
/// panels, and with a pin gauge on crowned ones.)
fn cubic_sd_mm(form: Form) -> f64 {
    match form {
        Form::Crowned => 0.5,
        Form::Flat | Form::RuledX | Form::RuledY => 0.15,
    }
}
/// Across the rulings a ruled panel may curve as a section does: v³ … v⁶, alike all along.
const SECTION_SD_MM: [f64; 4] = [1.0, 1.0, 0.5, 0.5];

/// The shape's columns for a panel of this form.
fn shape_terms(form: Form) -> Vec<Term> {
    let term = |p, q, sd_mm| Term {
        powers: [p, q],
        sd_mm,
    };
    let cubic = cubic_sd_mm(form);
    let mut terms = vec![
        term(2, 0, QUADRATIC_SD_MM),
        term(1, 1, QUADRATIC_SD_MM),
        term(0, 2, QUADRATIC_SD_MM),
        term(2, 1, cubic),
        term(1, 2, cubic),
    ];
    let section = SECTION_SD_MM.iter().zip(3..);
    match form {
        Form::RuledX => {
            terms.push(term(3, 0, cubic));
            terms.extend(section.map(|(&sd, q)| term(0, q, sd)));
        }
        Form::RuledY => {
            terms.push(term(0, 3, cubic));
            terms.extend(section.map(|(&sd, p)| term(p, 0, sd)));
        }
        Form::Flat | Form::Crowned => {
            terms.push(term(3, 0, cubic));
            terms.push(term(0, 3, cubic));
        }
    }
    terms
}

/// The assembled system of one survey.
#[derive(Debug)]
pub struct System {
    /// The splines.
    pub basis: Basis,
    /// The rows, in the survey's order.
    pub rows: Vec<Row>,
    /// Relative standard deviation of each row (1 is typical).
    pub relative_sd: Vec<f64>,
    /// Precision of the field.
    pub field: Field,
    pattern: Pattern,
    field_places: Vec<usize>,
    starts: Vec<usize>,
    columns: Vec<u32>,
    coefficients: Vec<f64>,
    /// Places in the matrix of the products of a row's entries, row after row.
    row_places: Vec<u32>,
    shape: Vec<Vec<f64>>,
    /// Standard deviations of the shape's columns, mm.
    sds: Vec<f64>,
    /// What a photo adds.
    added: Added,
    looked_at_places: Vec<Vec<u32>>,
    rests: usize,
    /// Rows and rest columns of each placing that has rows.
    spans: Vec<Span>,
    /// Factor of each entry of the field's precision: 1/(gᵣ·g_c), see [`System::localise`].
    local: Vec<f64>,
}

/// Where a placing's rows and its rests stand.
#[derive(Clone, Debug)]
struct Span {
    rows: std::ops::Range<usize>,
    rests: std::ops::Range<usize>,
}

/// Precision given to each rest of a placing of which fewer readings are kept than it has rests,
/// 1/σ²: it only keeps the matrix regular. Such a placing says nothing of the surface.
const IDLE_REST: f64 = 1e-9;

/// Columns that a photo adds, all written in the surface's splines. Domes are part of the height
/// and stand with the shape's columns; the slow part of the level at which coat stays is not, and
/// stands last.
#[derive(Clone, Debug, Default)]
pub struct Added {
    /// Domes over coated patches.
    pub domes: Vec<Dome>,
    /// The slow part of the coat's level.
    pub slow: Vec<Vec<f64>>,
    /// Its prior precision: (row, column, value), row ≥ column, 1/mm².
    pub slow_precision: Vec<(usize, usize, f64)>,
}

/// AᵀWA, AᵀWy and yᵀWy for one set of weights.
#[derive(Clone, Debug)]
pub struct Normal {
    values: Vec<f64>,
    /// AᵀWy.
    pub right: Vec<f64>,
    /// yᵀWy, mm².
    pub square: f64,
    /// Rows of weight above zero.
    pub count: usize,
    log_weights: f64,
    /// Rests that the rows of weight above zero fix.
    rests: usize,
}

/// The solution at one setting of the three numbers.
#[derive(Debug)]
pub struct Solved<'s> {
    /// All unknowns.
    pub unknowns: Vec<f64>,
    /// Penalised residual sum of squares, mm².
    pub square: f64,
    /// Degrees of freedom left by the rests and the free quadratics.
    pub freedom: f64,
    /// The factored matrix.
    pub factor: Factor<'s>,
}

/// The columns each row of A touches: those of row r are `columns[starts[r]..starts[r + 1]]`.
struct Cells<'a> {
    starts: &'a [usize],
    columns: &'a [u32],
}

impl Cells<'_> {
    fn rows(&self) -> impl Iterator<Item = &[u32]> {
        self.starts.windows(2).map(|w| &self.columns[w[0]..w[1]])
    }
}

/// The pattern of the normal matrix, and where the field's entries and the rows' products stand in
/// it.
struct Layout {
    pattern: Pattern,
    field_places: Vec<usize>,
    row_places: Vec<u32>,
}

impl Layout {
    /// `shape` is the range of the shape's unknowns, dense columns at the end.
    fn new(basis: &Basis, field: &Field, rows: &Cells, shape: [usize; 2]) -> Result<Self, Error> {
        let [first, total] = shape;
        let mut wanted = vec![Vec::new(); total];
        for &(row, column) in field.entries() {
            wanted[column].push(row);
        }
        for own in rows.rows() {
            for (k, &column) in own.iter().enumerate() {
                let column = column as usize;
                let others = own[k..].iter().map(|&r| r as usize);
                // Splines that overlap are in the field's pattern already.
                wanted[column].extend(others.filter(|&r| !basis.overlap(r, column)));
            }
        }
        for (column, rows) in wanted.iter_mut().enumerate() {
            rows.extend(column.max(first)..total);
        }
        let pattern = Pattern::new(wanted)?;
        let place = |row: usize, column: usize| {
            pattern
                .position(row, column)
                .ok_or_else(|| Error::Calculation("an entry is missing from the pattern".into()))
        };
        let field_places = field
            .entries()
            .iter()
            .map(|&(r, c)| place(r, c))
            .collect::<Result<_, _>>()?;
        let mut row_places = Vec::new();
        for own in rows.rows() {
            for (k, &column) in own.iter().enumerate() {
                for &other in &own[k..] {
                    row_places.push(place(other as usize, column as usize)? as u32);
                }
            }
        }
        Ok(Layout {
            pattern,
            field_places,
            row_places,
        })
    }
}

/// The rows of all readings, and where the rests of their placings stand among the unknowns.
struct ReadRows {
    rows: Vec<Row>,
    /// First rest of each placing.
    first_rest: Vec<usize>,
    /// Rests in all.
    rests: usize,
    spans: Vec<Span>,
}

impl ReadRows {
    /// Of a survey, the rests behind so many unknowns of the surface.
    fn of(survey: &Survey, before: usize) -> Self {
        let mut out = ReadRows {
            rows: Vec::new(),
            first_rest: Vec::new(),
            rests: 0,
            spans: Vec::new(),
        };
        for (k, placing) in survey.placings.iter().enumerate() {
            let own = tools::rows(placing, k);
            let first = before + out.rests;
            out.first_rest.push(first);
            if !own.is_empty() {
                out.rests += tools::rests(placing);
                out.spans.push(Span {
                    rows: out.rows.len()..out.rows.len() + own.len(),
                    rests: first..before + out.rests,
                });
            }
            out.rows.extend(own);
        }
        out
    }
}

/// Rows by their entries that are not 0: where each row starts, the columns and the values.
fn sparse(basis: &Basis, rows: &[Row], first_rest: &[usize]) -> (Vec<usize>, Vec<u32>, Vec<f64>) {
    let (mut starts, mut columns, mut coefficients) = (vec![0], Vec::new(), Vec::new());
    let mut entries: Vec<(usize, f64)> = Vec::new();
    for row in rows {
        entries.clear();
        for [x, y, weight] in &row.points {
            entries.extend(basis.at(*x, *y, 0, 0).map(|(k, b)| (k, b * weight)));
        }
        entries.sort_by_key(|e| e.0);
        entries.dedup_by(|later, kept| {
            let same = later.0 == kept.0;
            if same {
                kept.1 += later.1;
            }
            same
        });
        let first = first_rest[row.placing];
        entries.extend(row.rest.iter().enumerate().map(|(k, c)| (first + k, *c)));
        for (column, value) in &entries {
            columns.push(*column as u32);
            coefficients.push(*value);
        }
        starts.push(columns.len());
    }
    (starts, columns, coefficients)
}

impl System {
    /// Lay out the system of a survey on a basis, all readings alike.
    ///
    /// # Errors
    /// [`Error::Calculation`] when memory runs out.
    pub fn new(basis: Basis, form: Form, survey: &Survey) -> Result<Self, Error> {
        Self::with(basis, form, survey, Added::default())
    }

    /// The same with the columns that a photo adds.
    ///
    /// # Errors
    /// [`Error::Calculation`] when memory runs out.
    pub fn with(basis: Basis, form: Form, survey: &Survey, added: Added) -> Result<Self, Error> {
        let terms = shape_terms(form);
        let n = basis.count();
        let ReadRows {
            rows,
            first_rest,
            rests,
            spans,
        } = ReadRows::of(survey, n);
        let total = n + rests + terms.len() + added.domes.len() + added.slow.len();
        let (starts, columns, coefficients) = sparse(&basis, &rows, &first_rest);
        let field = Field::untabulated(&basis);
        let (layout, table) = rayon::join(
            || {
                Layout::new(
                    &basis,
                    &field,
                    &Cells {
                        starts: &starts,
                        columns: &columns,
                    },
                    [n + rests, total],
                )
            },
            || field.table(),
        );
        let Layout {
            pattern,
            field_places,
            row_places,
        } = layout?;
        let field = field.tabulated(table?);
        let (half_x, half_y) = (
            basis.x.spacing * basis.x.intervals as f64 / 2.0,
            basis.y.spacing * basis.y.intervals as f64 / 2.0,
        );
        let monomials = terms.iter().map(|term| {
            basis.monomial(
                term.powers,
                [basis.x.start + half_x, basis.y.start + half_y],
                [half_x, half_y],
            )
        });
        let domes = added.domes.iter().map(|dome| dome.coefficients.clone());
        let shape = monomials.chain(domes).collect();
        let sds = terms
            .iter()
            .map(|term| term.sd_mm)
            .chain(added.domes.iter().map(|dome| dome.sd_mm))
            .collect();
        let relative_sd = vec![1.0; rows.len()];
        let local = vec![1.0; field.entries().len()];
        let mut system = System {
            basis,
            rows,
            relative_sd,
            field,
            pattern,
            field_places,
            starts,
            columns,
            coefficients,
            row_places,
            shape,
            sds,
            added,
            looked_at_places: Vec::new(),
            rests,
            spans,
            local,
        };
        system.looked_at_places = system.places_looked_at()?;
        Ok(system)
    }

    /// Give each row its standard deviation, relative to a typical one. The amplitude is even
    /// again.
    pub fn weigh(&mut self, relative_sd: &dyn Fn(&Row) -> f64) {
        self.relative_sd = self.rows.iter().map(relative_sd).collect();
        self.local.fill(1.0);
    }

    /// Normal equations for values `y` (one a row) and extra weights (0 leaves a row out) on top of
    /// 1/relative sd².
    pub fn normal(&self, y: &[f64], extra: &[f64]) -> Normal {
        let n = self.basis.count();
        let total = self.pattern.n();
        let mut normal = Normal {
            values: vec![0.0; self.pattern.entries()],
            right: vec![0.0; total],
            square: 0.0,
            count: 0,
            log_weights: 0.0,
            rests: 0,
        };
        for span in &self.spans {
            let kept = span.rows.clone().filter(|&r| extra[r] > 0.0).count();
            normal.rests += span.rests.len().min(kept);
            for k in span.rests.clone().filter(|_| kept < span.rests.len()) {
                if let Some(place) = self.pattern.position(k, k) {
                    normal.values[place] = IDLE_REST;
                }
            }
        }
        let mut place = 0;
        for r in 0..self.rows.len() {
            let own = self.starts[r]..self.starts[r + 1];
            let length = own.len();
            let weight = extra[r] / (self.relative_sd[r] * self.relative_sd[r]);
            if weight > 0.0 {
                normal.count += 1;
                normal.log_weights += weight.ln();
                normal.square += weight * y[r] * y[r];
                let values = &self.coefficients[own.clone()];
                let mut at = place;
                for (k, &a) in values.iter().enumerate() {
                    for &b in &values[k..] {
                        normal.values[self.row_places[at] as usize] += weight * a * b;
                        at += 1;
                    }
                    normal.right[self.columns[own.start + k] as usize] += weight * a * y[r];
                }
            }
            place += length * (length + 1) / 2;
        }
        self.add_shape(&mut normal, n);
        normal
    }

    /// AᵀWy alone, for other values at the same weights.
    pub fn right_hand(&self, y: &[f64], extra: &[f64]) -> Vec<f64> {
        let n = self.basis.count();
        let mut right = vec![0.0; self.pattern.n()];
        for r in 0..self.rows.len() {
            let weight = extra[r] / (self.relative_sd[r] * self.relative_sd[r]);
            for k in self.starts[r]..self.starts[r + 1] {
                right[self.columns[k] as usize] += weight * self.coefficients[k] * y[r];
            }
        }
        for (k, monomial) in self.shape.iter().enumerate() {
            right[n + self.rests + k] = dot(monomial, &right[..n]);
        }
        right
    }

    /// The shape's columns are sums of spline columns, so its blocks follow from the splines' own.
    fn add_shape(&self, normal: &mut Normal, n: usize) {
        let total = self.pattern.n();
        let first = n + self.rests;
        let mut blocks = Vec::new();
        for (k, monomial) in self.shape.iter().enumerate() {
            let mut x = vec![0.0; total];
            x[..n].copy_from_slice(monomial);
            let image = self.pattern.times(&normal.values, &x);
            for l in 0..=k {
                let product = dot(&self.shape[l], &image[..n]);
                blocks.push((first + k, first + l, product));
            }
            for (row, value) in image[..first].iter().enumerate() {
                blocks.push((first + k, row, *value));
            }
            normal.right[first + k] = dot(monomial, &normal.right[..n]);
        }
        for (row, column, value) in blocks {
            if let Some(place) = self.pattern.position(row, column) {
                normal.values[place] = value;
            }
        }
    }

    /// Solve for a range (mm) and a ratio amplitude/σ; `sigma_mm` scales the priors of the shape
    /// only.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the matrix cannot be factored.
    pub fn solve(
        &self,
        normal: &Normal,
        range_mm: f64,
        ratio: f64,
        sigma_mm: f64,
    ) -> Result<Solved<'_>, Error> {
        self.solve_local(&self.local, normal, range_mm, ratio, sigma_mm)
    }

    /// The same with another local amplitude.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the matrix cannot be factored.
    pub fn solve_local(
        &self,
        local: &[f64],
        normal: &Normal,
        range_mm: f64,
        ratio: f64,
        sigma_mm: f64,
    ) -> Result<Solved<'_>, Error> {
        let factor = self
            .pattern
            .factor(&self.matrix_local(local, normal, range_mm, ratio, sigma_mm))?;
        let mut unknowns = normal.right.clone();
        factor.solve_in_place(&mut unknowns);
        let square = (normal.square - dot(&normal.right, &unknowns)).max(0.0);
        Ok(Solved {
            unknowns,
            square,
            freedom: self.freedom(normal),
            factor,
        })
    }

    /// Degrees of freedom left by the rests and the free quadratics.
    pub fn freedom(&self, normal: &Normal) -> f64 {
        (normal.count as f64 - (normal.rests + QUADRATICS) as f64).max(1.0)
    }

    /// The matrix of [`System::solve`], on [`System::pattern`].
    pub fn matrix(&self, normal: &Normal, range_mm: f64, ratio: f64, sigma_mm: f64) -> Vec<f64> {
        self.matrix_local(&self.local, normal, range_mm, ratio, sigma_mm)
    }

    fn matrix_local(
        &self,
        local: &[f64],
        normal: &Normal,
        range_mm: f64,
        ratio: f64,
        sigma_mm: f64,
    ) -> Vec<f64> {
        let kappa = field::kappa_of_range(range_mm);
        let lambda = field::tau_of_amplitude(ratio, kappa);
        let mut values = normal.values.clone();
        let precision = self.field.precision(kappa);
        for ((q, local), &place) in precision.iter().zip(local).zip(&self.field_places) {
            values[place] += lambda * local * q;
        }
        let first = self.basis.count() + self.rests;
        let variance = sigma_mm * sigma_mm;
        for (k, sd_mm) in self.sds.iter().enumerate() {
            if let Some(place) = self.pattern.position(first + k, first + k) {
                values[place] += (sigma_mm / sd_mm).powi(2);
            }
        }
        let slow = first + self.sds.len();
        for &(row, column, precision) in &self.added.slow_precision {
            if let Some(place) = self.pattern.position(slow + row, slow + column) {
                values[place] += variance * precision;
            }
        }
        values
    }

    /// −2 log restricted likelihood (Patterson and Thompson, Biometrika 58, 1971) up to a constant,
    /// σ profiled out but no smaller than `floor_mm`; with the weak prior on the range. Also the σ
    /// (mm) it implies.
    pub fn deviance(
        &self,
        normal: &Normal,
        solved: &Solved,
        range_mm: f64,
        ratio: f64,
        floor_mm: f64,
    ) -> (f64, f64) {
        let kappa = field::kappa_of_range(range_mm);
        let n = self.basis.count() as f64;
        let log_prior =
            n * field::tau_of_amplitude(ratio, kappa).ln() + self.field.log_determinant(range_mm);
        let variance = (solved.square / solved.freedom).max(floor_mm * floor_mm);
        let deviance = solved.freedom * variance.ln()
            + solved.square / variance
            + solved.factor.log_determinant()
            - log_prior
            - normal.log_weights
            + range_penalty(range_mm);
        (deviance, variance.sqrt())
    }

    /// What the surface and the rests make of a row: the value it should have read, mm.
    pub fn predicted(&self, unknowns: &[f64]) -> Vec<f64> {
        let z = self.surface(unknowns);
        let n = self.basis.count();
        (0..self.rows.len())
            .map(|r| {
                let own = self.starts[r]..self.starts[r + 1];
                self.columns[own.clone()]
                    .iter()
                    .zip(&self.coefficients[own])
                    .map(|(&c, a)| {
                        let c = c as usize;
                        a * if c < n { z[c] } else { unknowns[c] }
                    })
                    .sum()
            })
            .collect()
    }

    /// Spline coefficients of the whole height: field plus shape.
    pub fn surface(&self, unknowns: &[f64]) -> Vec<f64> {
        let n = self.basis.count();
        let mut z = unknowns[..n].to_vec();
        for (monomial, weight) in self.shape.iter().zip(&unknowns[n + self.rests..]) {
            for (c, m) in z.iter_mut().zip(monomial) {
                *c += weight * m;
            }
        }
        z
    }

    /// Let the amplitude of the field vary over the panel, as defects do: few and local. `unknowns`
    /// are a solution with an even amplitude; its field r, free of cubics, gives g = √(r² smoothed
    /// over [`LOCAL_MM`] + (0.15·rms r)²), scaled to a geometric mean of 1, and the precision
    /// becomes Qᵢⱼ/(gᵢ·gⱼ). Its determinant stays as it was. Returns the rms of g: 1 for an even
    /// amplitude.
    pub fn localise(&mut self, unknowns: &[f64]) -> f64 {
        let (local, rms) = self.local_of(unknowns);
        self.local = local;
        rms
    }

    /// An even amplitude, as [`System::solve_local`] takes it.
    pub fn even(&self) -> Vec<f64> {
        vec![1.0; self.field.entries().len()]
    }

    /// The local amplitude that a solution tells, and the rms of g.
    pub fn local_of(&self, unknowns: &[f64]) -> (Vec<f64>, f64) {
        let r = without_cubics(&self.basis, &unknowns[..self.basis.count()]);
        let square: Vec<f64> = r.iter().map(|v| v * v).collect();
        let mean = square.iter().sum::<f64>() / square.len() as f64;
        if mean <= 0.0 {
            return (self.local.clone(), 1.0);
        }
        let count = [self.basis.x.count(), self.basis.y.count()];
        let spacing = [self.basis.x.spacing, self.basis.y.spacing];
        let mut smooth = smoothed(count, spacing, &square, LOCAL_MM);
        let mut floor = LOCAL_FLOOR * LOCAL_FLOOR * mean;
        if !self.added.domes.is_empty() {
            floor = LOCAL_FLOOR_SEEN * LOCAL_FLOOR_SEEN * mean
                + LOCAL_FLOOR_SEEN_MM * LOCAL_FLOOR_SEEN_MM;
            // A dome is the more wrong the higher it is.
            for (s, dome) in smooth.iter_mut().zip(self.domes(unknowns)) {
                *s += (DOME_SHARE * dome).powi(2);
            }
        }
        let g: Vec<f64> = smooth.iter().map(|s| (s + floor).sqrt()).collect();
        let level = (g.iter().map(|v| v.ln()).sum::<f64>() / g.len() as f64).exp();
        let local = self
            .field
            .entries()
            .iter()
            .map(|&(i, j)| level * level / (g[i] * g[j]))
            .collect();
        let rms = (g.iter().map(|v| v * v).sum::<f64>() / g.len() as f64).sqrt() / level;
        (local, rms)
    }

    /// Row `r` as a full vector over the unknowns (shape columns included).
    pub fn row(&self, r: usize) -> Vec<f64> {
        let n = self.basis.count();
        let mut out = vec![0.0; self.pattern.n()];
        for k in self.starts[r]..self.starts[r + 1] {
            let column = self.columns[k] as usize;
            out[column] = self.coefficients[k];
            if column < n {
                for (s, monomial) in self.shape.iter().enumerate() {
                    out[n + self.rests + s] += self.coefficients[k] * monomial[column];
                }
            }
        }
        out
    }

    /// Let the amplitude of the field vary over the panel as told: for each spline, what the even
    /// amplitude is multiplied by (> 0).
    pub(super) fn vary(&mut self, by: &[f64]) {
        self.local = self
            .field
            .entries()
            .iter()
            .map(|&(i, j)| 1.0 / (by[i] * by[j]))
            .collect();
    }

    /// Points of the surface (x, y, weight) as a full vector over the unknowns, as [`System::row`]
    /// without rests.
    pub fn points(&self, points: &[[f64; 3]]) -> Vec<f64> {
        let n = self.basis.count();
        let mut out = vec![0.0; self.pattern.n()];
        for [x, y, weight] in points {
            for (k, b) in self.basis.at(*x, *y, 0, 0) {
                out[k] += weight * b;
            }
        }
        for (s, monomial) in self.shape.iter().enumerate() {
            out[n + self.rests + s] = dot(&out[..n], monomial);
        }
        out
    }

    /// Number of unknowns.
    pub fn unknowns(&self) -> usize {
        self.pattern.n()
    }

    /// Number of rest numbers.
    pub fn rests(&self) -> usize {
        self.rests
    }
}

/// What cells of a photo add: each looks at the field and the domes less the slow part of the
/// coat's level.
impl System {
    /// The pattern of every matrix of this system.
    pub fn pattern(&self) -> &Pattern {
        &self.pattern
    }

    /// Spline coefficients of the domes alone.
    pub fn domes(&self, unknowns: &[f64]) -> Vec<f64> {
        let mut c = vec![0.0; self.basis.count()];
        for (k, sign, column) in self.looked_at() {
            if sign > 0.0 {
                for (c, v) in c.iter_mut().zip(column) {
                    *c += unknowns[k] * v;
                }
            }
        }
        c
    }

    /// Number of coated patches with a dome of their own.
    pub fn own_domes(&self) -> usize {
        self.added
            .domes
            .len()
            .saturating_sub(super::outline::COMMON_POWERS.len())
    }

    /// Columns at the end that cells look at: their unknown, the sign they count with, their spline
    /// coefficients.
    fn looked_at(&self) -> impl Iterator<Item = (usize, f64, &Vec<f64>)> {
        let first = self.basis.count() + self.rests;
        let terms = self.shape.len() - self.added.domes.len();
        let domes = self.shape.iter().enumerate().skip(terms);
        let slow = self.added.slow.iter().zip(first + self.shape.len()..);
        domes
            .map(move |(k, c)| (first + k, 1.0, c))
            .chain(slow.map(|(c, k)| (k, -1.0, c)))
    }

    /// Spline coefficients of what cells look at: field + domes − slow part.
    pub fn seen_by_cells(&self, unknowns: &[f64]) -> Vec<f64> {
        let mut c = unknowns[..self.basis.count()].to_vec();
        for (k, sign, column) in self.looked_at() {
            for (c, v) in c.iter_mut().zip(column) {
                *c += sign * unknowns[k] * v;
            }
        }
        c
    }

    /// Its transpose: sums over the splines spread over all unknowns.
    pub fn spread_from_cells(&self, sums: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; self.pattern.n()];
        out[..sums.len()].copy_from_slice(sums);
        for (k, sign, column) in self.looked_at() {
            out[k] = sign * dot(column, sums);
        }
        out
    }

    /// Add the cells' products to a matrix.
    pub fn add_cells(&self, products: &Products, values: &mut [f64]) {
        for (&(row, column), &place) in self.field.entries().iter().zip(&self.field_places) {
            values[place] += products.at(row, column);
        }
        let tail: Vec<_> = self.looked_at().collect();
        for (at, (&(_, sign, column), places)) in
            tail.iter().zip(&self.looked_at_places).enumerate()
        {
            let mut image = products.times(column);
            image.iter_mut().for_each(|v| *v *= sign);
            let others = tail[..=at]
                .iter()
                .map(|&(_, sign, other)| sign * dot(other, &image));
            let own = image.iter().copied().chain(others);
            for (value, &place) in own.zip(places) {
                values[place as usize] += value;
            }
        }
    }

    /// Where the products of each column that cells look at stand in the pattern: with every
    /// spline, then with those before it and itself.
    fn places_looked_at(&self) -> Result<Vec<Vec<u32>>, Error> {
        let tail: Vec<usize> = self.looked_at().map(|(k, _, _)| k).collect();
        let place = |row: usize, column: usize| {
            self.pattern
                .position(row, column)
                .map(|place| place as u32)
                .ok_or_else(|| Error::Calculation("an entry is missing from the pattern".into()))
        };
        tail.iter()
            .enumerate()
            .map(|(at, &k)| {
                let others = (0..self.basis.count()).chain(tail[..=at].iter().copied());
                others.map(|other| place(k, other)).collect()
            })
            .collect()
    }
}

/// Sums of products of overlapping splines over cells.
#[derive(Clone, Debug)]
pub struct Products {
    ny: usize,
    /// 28 a spline: 7·(p − i) + (q − j + 3) for the pair of (i, j) with (p, q), p ≥ i.
    sums: Vec<f64>,
}

impl Products {
    /// None yet.
    pub fn new(basis: &Basis) -> Self {
        Products {
            ny: basis.y.count(),
            sums: vec![0.0; 28 * basis.count()],
        }
    }

    /// Take in one cell: its sixteen splines as [`Basis::at`] gives them.
    pub fn add(&mut self, splines: &[(usize, f64); 16], weight: f64) {
        for a in 0..4 {
            for b in 0..4 {
                let (column, value) = splines[4 * a + b];
                let scaled = weight * value;
                let own = &mut self.sums[28 * column..28 * column + 28];
                for p in a..4 {
                    for q in 0..4 {
                        own[7 * (p - a) + 3 + q - b] += scaled * splines[4 * p + q].1;
                    }
                }
            }
        }
    }

    /// Entry (row, column), row ≥ column, of splines that overlap.
    fn at(&self, row: usize, column: usize) -> f64 {
        let (i, j) = (column / self.ny, column % self.ny);
        let (p, q) = (row / self.ny, row % self.ny);
        self.sums[28 * column + 7 * (p - i) + 3 + q - j]
    }

    /// The products as a matrix, times spline coefficients.
    fn times(&self, c: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; c.len()];
        for (column, sums) in self.sums.chunks_exact(28).enumerate() {
            for (k, &v) in sums.iter().enumerate() {
                // Pairs on one line of splines are held twice: once each way.
                let (down, across) = (k / 7, k % 7);
                if v == 0.0 || (down == 0 && across < 3) {
                    continue;
                }
                let row = column + down * self.ny + across - 3;
                out[row] += v * c[column];
                if row != column {
                    out[column] += v * c[row];
                }
            }
        }
        out
    }
}

/// Coefficients less their least-squares cubic (ten terms).
pub(super) fn without_cubics(basis: &Basis, d: &[f64]) -> Vec<f64> {
    let (lx, ly) = (basis.x.count() as f64, basis.y.count() as f64);
    let ny = basis.y.count();
    let powers = [
        [0, 0],
        [1, 0],
        [0, 1],
        [2, 0],
        [1, 1],
        [0, 2],
        [3, 0],
        [2, 1],
        [1, 2],
        [0, 3],
    ];
    let a = ndarray::Array2::from_shape_fn((d.len(), powers.len()), |(k, t)| {
        let u = 2.0 * (k / ny) as f64 / (lx - 1.0) - 1.0;
        let v = 2.0 * (k % ny) as f64 / (ly - 1.0) - 1.0;
        u.powi(powers[t][0]) * v.powi(powers[t][1])
    });
    match super::least_squares::solve(&a, d) {
        Ok(fit) => {
            let fitted = a.dot(&ndarray::Array1::from(fit.coef));
            d.iter().zip(fitted).map(|(d, f)| d - f).collect()
        }
        Err(_) => d.to_vec(),
    }
}

/// −2 log of the weak prior on the range: lognormal about 300 mm with log-sd 0.8.
fn range_penalty(range_mm: f64) -> f64 {
    ((range_mm / 300.0).ln() / 0.8).powi(2)
}

/// Inner product.
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}
