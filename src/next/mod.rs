//! Where to measure next: judgement and surface into a [`Plan`] of placings, best first, each with
//! what it buys.
//!
//! In: the [`Survey`], the found [`Surface`] and its [`Judgement`]. Out: one [`Plan`]. With nothing
//! read yet the plan is a starting walk ([`start`]). Else ([`further`]) the covariance of the
//! surface ([`posterior`]) says what each possible placing ([`ground`]) would tell ([`gain`]); the
//! best is taken as taken and the next is chosen given it.

mod aims;
mod filler;
mod gain;
mod ground;
mod walk;

use crate::fit::{Surface, posterior};
use crate::judge::risk::chance;
use crate::judge::{Action, Judgement, NodeState, Region, RegionKind, Verdict};
use crate::observe::blank::{BlankOptions, Planned, Settings};
use crate::observe::{Placing, Survey, Tool, blank};
use crate::panel::{Panel, Quantity};
use crate::problem::Error;
use crate::units::Units;
use aims::Aim;
use filler::Filler;
use gain::{Knowledge, Wanted};
use ground::Ground;
use ndarray::Array1;

pub use ground::MOST_PLACES;
/// Places that are enough for the few placings that a map suggests.
pub const FEW_PLACES: usize = 420;
/// Closer than this nobody needs to know a place, mm: the least depth that is drawn as part of a
/// low.
const CLOSE_ENOUGH_MM: f64 = 0.05;
/// Placings spent on one limit before the panel as a whole has its turn.
const A_LIMIT: usize = 2;
/// A region's depth is told of when a placing makes its interval narrower by this share or more.
const WORTH_TELLING: f64 = 0.2;
/// A placing that makes an open limit's interval no narrower than by this share buys nothing there.
const BUYS: f64 = 0.05;
/// The same of the filler's interval, which many placings narrow a little each.
const BUYS_FILLER: f64 = 0.03;
/// An amount of filler below this is not told of, cc.
const LEAST_CC: f64 = 0.1;

/// A placing to take.
#[derive(Clone, Debug, PartialEq)]
pub struct Suggestion {
    /// Its name in the form: "N1".
    pub name: String,
    /// Where it lies.
    pub placing: Planned,
    /// Round of a starting walk, from 1; 0 for suggestions.
    pub round: usize,
    /// Half the 95 % interval of the filler, cc: before this placing (those listed earlier taken),
    /// and after it. `None` in a walk.
    pub filler_half_cc: Option<[f64; 2]>,
    /// Chance that the limit it is for is exceeded: before this placing (those listed earlier
    /// taken), and after it if it reads what is found now. `None` where it is for no limit.
    pub p_exceeds: Option<[f64; 2]>,
    /// What it buys, in words.
    pub buys: String,
    /// Whether that is anything: a limit settled or clearly narrowed, the filler or a region
    /// clearly closer known.
    pub worth: bool,
}

impl Suggestion {
    /// "along x from 150 to 750 at y 400".
    pub fn place(&self, units: Units) -> String {
        let p = &self.placing;
        let at = |v: f64| units.bare_place(v);
        let [along, other] = if p.axis == 0 { ["x", "y"] } else { ["y", "x"] };
        format!(
            "along {along} from {} to {} at {other} {}",
            at(p.from),
            at(p.to),
            at(p.at)
        )
    }
}

/// What to take next.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// What it is measured with.
    pub set: Settings,
    /// The placings: best first, or in walking order.
    pub suggestions: Vec<Suggestion>,
    /// Whether this is a starting walk.
    pub start: bool,
}

/// What a survey is mostly measured with: tool, its usual length and distance between readings;
/// `options` that are given prevail.
///
/// # Errors
/// [`Error::Usage`] when a length cannot be meant.
pub fn tooling(
    panel: &Panel,
    survey: &Survey,
    tool: Option<Tool>,
    length_mm: Option<f64>,
    step_mm: Option<f64>,
) -> Result<Settings, Error> {
    let readings = |t: Tool| -> usize {
        let own = survey.placings.iter().filter(|p| p.tool == t);
        own.map(|p| p.taken().count()).sum()
    };
    let main = Tool::ALL
        .into_iter()
        .filter(|t| readings(*t) > 0)
        .max_by_key(|t| readings(*t));
    let tool = tool.or(main).unwrap_or(Tool::Straightedge);
    let usual = |f: &dyn Fn(&Placing) -> Option<f64>| -> Option<f64> {
        let own = survey.placings.iter().filter(|p| p.tool == tool);
        let mut all: Vec<f64> = own.filter_map(f).collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied()
    };
    let length_mm = length_mm.or_else(|| usual(&|p| Some(p.base_mm).filter(|b| *b > 0.0)));
    let own_step = step_mm.or_else(|| usual(&Placing::pitch_mm));
    let mut set = Settings::of(
        panel,
        &BlankOptions {
            tool,
            length_mm,
            step_mm: own_step,
            spacing_mm: None,
        },
    )?;
    if own_step.is_none() {
        // Nobody said how closely: as the shortest base needs.
        set.step = set.step.min((shortest_base_mm(panel) / 2.0).max(1.0));
    }
    Ok(set)
}

/// Length and step in whole inches and quarters, where nothing was read yet and nobody said
/// otherwise: see [`blank::in_inches`].
pub fn inch_tooling(
    panel: &Panel,
    tool: Option<Tool>,
    length_mm: Option<f64>,
    step_mm: Option<f64>,
) -> (Option<f64>, Option<f64>) {
    let tool = tool.unwrap_or(Tool::Straightedge);
    let b = panel.outline.bounds();
    let side = (b[2] - b[0]).min(b[3] - b[1]);
    let most = (shortest_base_mm(panel) / 2.0).min(50.8).min(side / 4.0);
    let (length, step) = blank::in_inches(tool, most);
    (length_mm.or(Some(length)), step_mm.or(Some(step)))
}

/// Shortest base of the panel's limits, mm.
fn shortest_base_mm(panel: &Panel) -> f64 {
    panel
        .limits
        .iter()
        .chain(panel.zones.iter().flat_map(|z| &z.limits))
        .map(|l| l.base_mm)
        .fold(f64::INFINITY, f64::min)
}

/// A starting walk for a panel of which nothing was read: at most `count` placings, all where
/// `None`.
///
/// # Errors
/// [`Error::Usage`] when no placing fits on the panel.
pub fn start(panel: &Panel, set: Settings, count: Option<usize>) -> Result<Plan, Error> {
    start_at(panel, set, None, count)
}

/// The same with lines no further apart than asked for.
///
/// # Errors
/// As [`start`].
pub fn start_at(
    panel: &Panel,
    set: Settings,
    spacing_mm: Option<f64>,
    count: Option<usize>,
) -> Result<Plan, Error> {
    let (rim, rounds) = walk::rounds(panel, &set, spacing_mm)?;
    let last = rounds.len();
    let all = rounds
        .into_iter()
        .enumerate()
        .flat_map(|(k, round)| round.into_iter().map(move |p| (k + 1, p)));
    let suggestions = all
        .take(count.unwrap_or(usize::MAX))
        .enumerate()
        .map(|(k, (round, placing))| Suggestion {
            name: format!("N{}", k + 1),
            placing,
            round,
            filler_half_cc: None,
            p_exceeds: None,
            buys: match (round, last) {
                (1, _) if rim => "along the edges: no other line sees them as well".into(),
                (n, last) if n == 1 + usize::from(rim) => match last - usize::from(rim) {
                    1 => "a first look at the panel".into(),
                    _ => "a first look at the panel, coarse".into(),
                },
                _ => "between the lines before".into(),
            },
            worth: true,
        })
        .collect();
    Ok(Plan {
        set,
        suggestions,
        start: true,
    })
}

/// What is looked at to plan further placings.
pub struct Basis<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// What was read.
    pub survey: &'a Survey,
    /// What was found.
    pub surface: &'a Surface,
    /// What is said about it.
    pub judgement: &'a Judgement,
    /// Units of the sentences.
    pub units: Units,
}

/// What one placing buys.
#[derive(Default)]
struct Bought {
    words: Vec<String>,
    /// Whether it is worth taking for that.
    worth: bool,
}

impl Bought {
    /// Half the width of the filler's interval before and after, cc.
    fn filler(&mut self, units: Units, before: f64, after: f64) {
        if before < LEAST_CC {
            return;
        }
        let [was, is] = [before, after].map(|cc| units.volume(cc));
        self.worth |= was != is && after < (1.0 - BUYS_FILLER) * before;
        self.words.push(if was == is {
            format!("filler stays ±{is}")
        } else {
            format!("filler ±{was} → ±{is}")
        });
    }

    fn told(self) -> (String, bool) {
        if self.words.is_empty() {
            return ("a closer look where least is known".into(), self.worth);
        }
        (self.words.join("; "), self.worth)
    }
}

/// The next `count` placings, best first, each chosen as if those before it were taken. `places`:
/// how finely the panel is looked at ([`MOST_PLACES`], [`FEW_PLACES`]).
///
/// While the verdict is to measure more, what would settle an open limit comes first, at the place
/// that most of the chance of exceeding it lies at, the rim like any other. Otherwise the placing
/// that tells most about the whole panel: Σ area · ΔVar d/(Var d + (0.05 mm)²), so that what is
/// known closely enough counts no more, and a place of which nothing is known not without bound.
///
/// # Errors
/// [`Error::Usage`] when no placing fits on the panel, [`Error::Calculation`] when the system
/// cannot be factored.
pub fn further(on: &Basis, set: Settings, count: usize, places: usize) -> Result<Plan, Error> {
    let ground = Ground::new(on.panel, &set, places);
    if ground.candidates.is_empty() {
        return Err(blank::none_fits(on.panel, &set));
    }
    let heights = posterior::covariance(on.panel, on.survey, on.surface, &ground.places)?;
    let noise_mm = noise_mm(on.surface, set.tool);
    let mut known = Knowledge::new(&ground, heights, noise_mm);
    let first = known.clone();
    let found: Vec<f64> = ground.places[..ground.lattice]
        .iter()
        .map(|p| deviation_at(on.judgement, *p))
        .collect();
    let may_fill = |p: [f64; 2]| !on.panel.no_fill.iter().any(|a| a.contains(p[0], p[1]));
    let filler = Filler::new(&ground, &known, &found, &may_fill);
    let filler_first = filler.sd_cc(&known);
    let told_cc = (on.judgement.to_level_cc.high - on.judgement.to_level_cc.low) / 2.0;
    let half_cc = |known: &Knowledge, most: f64| -> f64 {
        (told_cc * filler.sd_cc(known) / filler_first.max(1e-12)).min(most)
    };
    let aims = if on.judgement.verdict == Verdict::MeasureMore {
        Aim::all(on.panel, &ground, &known, on.judgement)
    } else {
        Vec::new()
    };
    let mut spent: Vec<Vec<usize>> = vec![Vec::new(); aims.len()];
    let across = across(on, &ground);
    let number = next_number(on.survey);
    let mut suggestions = Vec::new();
    let mut half = told_cc;
    for k in 0..count {
        let aim = aims.iter().zip(&spent).position(|(aim, spent)| {
            spent.len() < A_LIMIT && !aim.settled(aim.expected(&known, &first))
        });
        let open = aim.and_then(|a| aims[a].open(&ground, &known));
        let wanted = match &open {
            Some(open) => Wanted {
                amounts: vec![open.amount.clone()],
                places: Array1::zeros(ground.lattice),
            },
            None => Wanted {
                amounts: Vec::new(),
                places: (0..ground.lattice)
                    .map(|k| ground.areas_mm2[k] / (known.sd(k).powi(2) + CLOSE_ENOUGH_MM.powi(2)))
                    .collect(),
            },
        };
        // No placing twice; and a limit's second placing crosses its first.
        let taken: Vec<&Planned> = suggestions
            .iter()
            .map(|s: &Suggestion| &s.placing)
            .collect();
        let ways = aim.map_or(&[][..], |a| &spent[a]);
        let new = |c: &ground::Candidate| {
            !taken.contains(&&c.spot) && across.is_none_or(|axis| c.spot.axis == axis)
        };
        let crossing = |c: &ground::Candidate| new(c) && !ways.contains(&c.spot.axis);
        let best = gain::best(&known, &ground.candidates, &wanted, &crossing)
            .or_else(|| gain::best(&known, &ground.candidates, &wanted, &new));
        let Some((best, told)) = best else {
            break;
        };
        let before = known.clone();
        known.take(&told);
        let spot = &ground.candidates[best].spot;
        let mut bought = Bought::default();
        let mut p_exceeds = None;
        if let (Some(a), Some(open)) = (aim, &open) {
            spent[a].push(spot.axis);
            p_exceeds = Some([&before, &known].map(|k| aims[a].expected(k, &first)));
            bought
                .words
                .push(settles(on, &aims[a], open, &known, &before, &first));
            bought.worth |= narrows(&aims[a], &known, &before, &first);
        }
        let after = half_cc(&known, half);
        if told_cc.is_finite() {
            bought.filler(on.units, half, after);
        }
        let clearer = regions(on, &ground, &before, &known, &first);
        bought.worth |= !clearer.is_empty();
        bought.words.extend(clearer);
        let (buys, worth) = bought.told();
        suggestions.push(Suggestion {
            name: format!("N{}", number + k),
            placing: spot.clone(),
            round: 0,
            filler_half_cc: told_cc.is_finite().then_some([half, after]),
            p_exceeds,
            buys,
            worth,
        });
        half = after;
    }
    Ok(Plan {
        set,
        suggestions,
        start: false,
    })
}

/// While all placings run one way: the axis across them, which nothing ties yet.
fn across(on: &Basis, ground: &Ground) -> Option<usize> {
    let along_y = |p: &Placing| p.toward[1].abs() > p.toward[0].abs();
    let one_way = !on.judgement.sight.untied.is_empty();
    let axis = usize::from(!on.survey.placings.first().is_some_and(along_y));
    let fits = ground.candidates.iter().any(|c| c.spot.axis == axis);
    (one_way && fits).then_some(axis)
}

/// Whether an open limit is settled or clearly narrowed.
fn narrows(aim: &Aim, known: &Knowledge, before: &Knowledge, first: &Knowledge) -> bool {
    let (now, then) = (aim.expected(before, first), aim.expected(known, first));
    let open = |p: f64| p.min(1.0 - p);
    aim.settled(then) || open(then) < (1.0 - BUYS) * open(now)
}

/// "settles the 0.30 mm limit under a 300 mm edge at x 610, y 200", or how far it narrows it.
fn settles(
    on: &Basis,
    aim: &Aim,
    open: &aims::Open,
    known: &Knowledge,
    before: &Knowledge,
    first: &Knowledge,
) -> String {
    let limit = &aim.limit.limit;
    let words = match limit.quantity {
        Quantity::Gap => format!(
            "the limit of {} under {}",
            on.units.depth(limit.max),
            on.units.place(limit.base_mm)
        ),
        Quantity::Swing | Quantity::Slope => format!(
            "the limit of {} swing over {}",
            on.units.depth(limit.max),
            on.units.place(limit.base_mm)
        ),
    };
    let zone = aim
        .limit
        .zone
        .as_ref()
        .map_or(String::new(), |z| format!(" in zone {z}"));
    let spot = format!(
        "x {}, y {}",
        on.units.bare_place(open.at[0]),
        on.units.bare_place(open.at[1])
    );
    let then = aim.expected(known, first);
    if aim.settled(then) {
        return format!("settles {words}{zone} at {spot}");
    }
    let [now, then] = [aim.expected(before, first), then].map(chance);
    if now == then || !narrows(aim, known, before, first) {
        return format!("tells more of {words}{zone} at {spot}");
    }
    format!("{words}{zone} at {spot}: {now} → {then} that it is over")
}

/// What becomes clearer of single lows and highs: at most two, the largest gain first.
fn regions(
    on: &Basis,
    ground: &Ground,
    before: &Knowledge,
    after: &Knowledge,
    first: &Knowledge,
) -> Vec<String> {
    let nearest = |p: [f64; 2]| -> Option<usize> {
        let far = |k: &usize| (ground.places[*k][0] - p[0]).hypot(ground.places[*k][1] - p[1]);
        (0..ground.lattice).min_by(|a, b| far(a).total_cmp(&far(b)))
    };
    let mut all: Vec<(f64, String)> = Vec::new();
    for region in &on.judgement.regions {
        let half = (region.worst_mm.high - region.worst_mm.low) / 2.0;
        let Some(k) = nearest(region.worst_at).filter(|_| half.is_finite()) else {
            continue;
        };
        let share = |known: &Knowledge| (known.sd(k) / first.sd(k).max(1e-9)).min(1.0);
        let (was, is) = (half * share(before), half * share(after));
        let gain = 1.0 - is / was.max(1e-9);
        if gain < WORTH_TELLING || on.units.bare_depth(was) == on.units.bare_depth(is) {
            continue;
        }
        all.push((
            gain * (was - is),
            open_question(on, region, is).unwrap_or_else(|| {
                format!(
                    "{} ±{} → ±{}",
                    region.name,
                    on.units.bare_depth(was),
                    on.units.depth(is)
                )
            }),
        ));
    }
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    all.into_iter().take(2).map(|(_, words)| words).collect()
}

/// "settles whether L3 is deep enough to fill", where it is open now and will not be.
fn open_question(on: &Basis, region: &Region, half_mm: f64) -> Option<String> {
    let limit = on.judgement.node_limit_mm;
    let clear = (region.worst_mm.value.abs() - limit).abs() > half_mm;
    (region.action == Action::Measure && clear).then(|| match region.kind {
        RegionKind::Low => format!("settles whether {} is to be filled", region.name),
        RegionKind::High => format!("settles whether {} is to be sanded", region.name),
    })
}

/// Noise of a reading of this tool, mm: as found, or for one not yet used as usual.
fn noise_mm(surface: &Surface, tool: Tool) -> f64 {
    surface
        .noise_mm
        .get(&tool)
        .copied()
        .unwrap_or_else(|| crate::fit::plain_noise(tool))
}

/// Found deviation at the node nearest to a place, mm; 0 where nothing was found.
fn deviation_at(j: &Judgement, p: [f64; 2]) -> f64 {
    let grid = j.nodes.grid;
    let index = |v: f64, n: usize| ((v / grid.step_mm).round().max(0.0) as usize).min(n - 1);
    let n = [index(p[1], grid.ny), index(p[0], grid.nx)];
    let d = j.nodes.deviation[n];
    if d.is_finite() && j.nodes.state[n] != NodeState::Outside {
        d
    } else {
        0.0
    }
}

/// The number after the last placing named N1, N2, … of a survey.
fn next_number(survey: &Survey) -> usize {
    survey
        .placings
        .iter()
        .filter_map(|p| p.name.strip_prefix(['N', 'n'])?.parse::<usize>().ok())
        .max()
        .map_or(1, |n| n.saturating_add(1))
}

impl Judgement {
    /// Takes the best placings in as what to measure next, in place of the sentences that name the
    /// same spots; what else is to be measured (a direction, a placing once more) stays. What buys
    /// nothing is not told.
    pub fn with_next(mut self, plan: &Plan, units: Units) -> Self {
        if plan.suggestions.is_empty() {
            return self;
        }
        let mut sentences: Vec<String> = plan
            .suggestions
            .iter()
            .filter(|s| s.worth)
            .map(|s| format!("{}: {}", s.place(units), s.buys))
            .collect();
        sentences.extend(self.sight.untied.iter().cloned());
        if self.repeatability_mm.is_none() {
            sentences.push(crate::judge::verdict::REPEAT.into());
        }
        self.measure_next = sentences;
        self
    }
}
