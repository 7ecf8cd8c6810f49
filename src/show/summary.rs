//! The summary on the terminal: ten to twenty lines a tired person can act on, verdict first, then
//! the work in its order.

use super::{care, words};
use crate::judge::status::FitStatus;
use crate::judge::{Action, Judgement, Region, RegionKind, Verdict};
use crate::panel::Panel;
use crate::problem::Error;
use crate::units::Units;
use anstyle::{AnsiColor, Style};
use std::io::{ErrorKind, Write};
use std::path::Path;

/// Lows and highs told one by one; the rest share a line.
const LOWS_TOLD: usize = 4;
const HIGHS_TOLD: usize = 2;
/// Widest line, characters.
pub(super) const WIDEST: usize = 100;
/// What to do about a pitch.
pub(super) const LOOK_UNDER: &str = "Find out what makes it before it is filled: what still moves underneath prints through filler too (common practice).";
/// Left-out readings told one by one.
const FLAGS_TOLD: usize = 3;

/// How a line is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    /// The verdict: fair.
    Good,
    /// The verdict: not fair, or not known.
    Open,
    /// Something to do.
    Work,
    /// Something to know.
    Note,
    /// A caution.
    Care,
}

/// One entry of the summary, before it is wrapped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// Place in the order of work, from 1; `None` for what is only told.
    pub number: Option<usize>,
    /// "SAND FIRST", "FILL"; empty for a line that goes on from the one before.
    pub heading: String,
    /// The rest.
    pub text: String,
    /// How it is meant.
    pub tone: Tone,
}

impl Line {
    fn new(heading: &str, text: impl Into<String>, tone: Tone) -> Self {
        Line {
            number: None,
            heading: heading.into(),
            text: text.into(),
            tone,
        }
    }
}

/// The summary of a judgement whose files lie in `out_dir`.
pub fn lines(j: &Judgement, panel: &Panel, units: Units, out_dir: &Path) -> Vec<Line> {
    let mut all: Vec<Line> = words::pressing(&j.warnings)
        .into_iter()
        .map(|(label, text)| Line::new(label, text, Tone::Open))
        .collect();
    all.push(verdict(j, units));
    all.extend(
        care::before_amounts(panel)
            .map(|c| Line::new("FIRST", format!("{}: {}", c.about, c.text), Tone::Care)),
    );
    all.extend(work(j, panel, units));
    all.extend(left_out(j));
    all.extend(sure(j, units));
    all.extend(edges(j));
    all.extend(photos(j, units));
    all.extend(repeats(j, units));
    if !j.not_checked.is_empty() {
        all.push(Line::new(
            "NOT CHECKED",
            j.not_checked.join("; "),
            Tone::Note,
        ));
    }
    all.push(Line::new("ALSO OPEN", care::ALSO_OPEN, Tone::Note));
    all.extend(
        care::in_short(&care::cautions(j, panel))
            .map(|text| Line::new("CARE", capital(&text), Tone::Care)),
    );
    all.push(files(j, out_dir));
    all
}

/// The numbered part: what to do, in the order of work.
pub fn work(j: &Judgement, panel: &Panel, units: Units) -> Vec<Line> {
    if let Some(misfit) = &j.misfit {
        let mut all: Vec<Line> = stop_sanding(j, units).into_iter().collect();
        all.push(Line::new(
            "SHAPE",
            format!("{}, then map it again.", capital(&misfit.write)),
            Tone::Work,
        ));
        return numbered(all);
    }
    if j.photos.as_ref().is_some_and(|p| !p.with_readings) {
        return numbered(photo_alone(j, units));
    }
    let mut all = Vec::new();
    all.extend(seams(j));
    all.extend(look_first(j));
    all.extend(stop_sanding(j, units));
    all.extend(by_coat_alone(j, units));
    let mut leave = leave(j, units);
    // A high that decides the whole job is told first, even where nobody said that it may be
    // sanded.
    if leave_is_dear(j) {
        all.extend(leave.drain(..1));
    }
    all.extend(sand(j, units));
    all.extend(move_the_skin(j, units));
    all.extend(ask_first(j, units));
    all.extend(fill(j, panel, units));
    all.push(filler(j, units));
    all.extend(prime(j));
    all.extend(leave);
    all.extend(pinholes(j, units));
    all.extend(measure(j));
    numbered(all)
}

/// Lines with a heading get their place in the order of work.
fn numbered(mut all: Vec<Line>) -> Vec<Line> {
    let mut number = 0;
    let ordered = |l: &&mut Line| !l.heading.is_empty() && !l.heading.starts_with("MAY ");
    for line in all.iter_mut().filter(ordered) {
        number += 1;
        line.number = Some(number);
    }
    all
}

/// The work when there are only photos: where it is low, what to measure, never how much.
fn photo_alone(j: &Judgement, units: Units) -> Vec<Line> {
    let mut all: Vec<Line> = stop_sanding(j, units).into_iter().collect();
    let lows: Vec<&Region> = j.regions.iter().collect();
    all.extend(lows.iter().take(LOWS_TOLD).map(|low| {
        Line::new(
            "LOW",
            format!(
                "{}, {}: {} of coat left. Depth not known.",
                words::name(low),
                words::extent(low.extent_mm, units),
                units.area(low.area_cm2)
            ),
            Tone::Work,
        )
    }));
    if let Some(more) = lows.get(LOWS_TOLD..).filter(|m| !m.is_empty()) {
        let area: f64 = more.iter().map(|r| r.area_cm2).sum();
        let s = if more.len() == 1 { "" } else { "s" };
        all.push(Line::new(
            "",
            format!(
                "{} more low{s}, {} together, in report.html",
                more.len(),
                units.area(area)
            ),
            Tone::Work,
        ));
    }
    if !lows.is_empty() {
        all.push(Line::new(
            "FILLER",
            format!(
                "at least {}: the area of coat by the least depth at which it stays (common practice). How much it really takes, \
                 no photo tells.",
                units.volume(j.to_level_cc.low)
            ),
            Tone::Work,
        ));
    }
    all.extend(pinholes(j, units));
    let sentences: Vec<String> = j.measure_next.iter().take(4).map(|s| capital(s)).collect();
    all.push(Line::new("MEASURE", sentences.join(". ") + ".", Tone::Work));
    all
}

/// Seams that single readings tell of: before any work.
fn seams(j: &Judgement) -> Option<Line> {
    let told: Vec<&str> = j
        .seams
        .iter()
        .take(2)
        .map(|s| s.sentence.as_str())
        .collect();
    let more = match j.seams.len().saturating_sub(2) {
        0 => String::new(),
        n => format!("; {n} more in report.json"),
    };
    (!told.is_empty()).then(|| {
        Line::new(
            "LOOK FIRST",
            format!("{}{more}.", capital(&told.join("; "))),
            Tone::Work,
        )
    })
}

/// Where photo and readings contradict each other: before any work.
fn look_first(j: &Judgement) -> Option<Line> {
    let found = j.photos.as_ref()?;
    let aside: Vec<&str> = found.set_aside().collect();
    if !aside.is_empty() {
        return Some(Line::new(
            "LOOK FIRST",
            capital(&aside.join(" ")),
            Tone::Work,
        ));
    }
    let clashes = &found.clashes;
    let told: Vec<&str> = clashes.iter().take(2).map(|c| c.text.as_str()).collect();
    let more = match clashes.len().saturating_sub(2) {
        0 => String::new(),
        n => format!("; {n} more in report.html"),
    };
    let many = if clashes.len() > 2 {
        " So many: is the photo of this panel, taken after the last blocking, and the coat's colour right?"
    } else {
        " Measure there again before any sanding or filling."
    };
    (!told.is_empty()).then(|| {
        Line::new(
            "LOOK FIRST",
            format!("{}{more}.{many}", capital(&told.join("; "))),
            Tone::Work,
        )
    })
}

/// Lows that only the coat tells of, no reading near enough.
fn by_coat_alone(j: &Judgement, units: Units) -> Option<Line> {
    let lows: Vec<&Region> = j
        .regions
        .iter()
        .filter(|r| r.kind == RegionKind::Low && r.worst_mm.value.is_nan())
        .collect();
    let told: Vec<String> = lows
        .iter()
        .take(3)
        .map(|r| format!("{}, {}", words::name(r), words::extent(r.extent_mm, units)))
        .collect();
    let more = match lows.len().saturating_sub(3) {
        0 => String::new(),
        n => format!("; {n} more in report.html"),
    };
    (!told.is_empty()).then(|| {
        Line::new(
            "LOW",
            format!("by the coat, depth not known, no reading near enough: {}{more}. Not in the filler below.", told.join("; ")),
            Tone::Work,
        )
    })
}

fn stop_sanding(j: &Judgement, units: Units) -> Option<Line> {
    let found = j.photos.as_ref()?;
    let places: Vec<String> = found
        .coat
        .substrate()
        .take(3)
        .map(|a| {
            format!(
                "{} ({})",
                words::extent(a.extent_mm, units),
                units.area(a.area_cm2)
            )
        })
        .collect();
    let more = found.coat.substrate().count().saturating_sub(places.len());
    let tail = if more > 0 {
        format!(" and {more} more")
    } else {
        String::new()
    };
    let older = older_filler(j, units);
    (!places.is_empty()).then(|| {
        Line::new(
            "STOP SANDING",
            format!(
                "substrate {} at {}{tail}. No further there{}.{older}",
                if older.is_empty() {
                    "shows"
                } else {
                    "seems to show"
                },
                places.join("; "),
                if older.is_empty() {
                    ""
                } else {
                    " until looked at"
                },
            ),
            Tone::Work,
        )
    })
}

/// What to do where panel.toml allows sanding and substrate seems to show: look which it is.
fn older_filler(j: &Judgement, units: Units) -> String {
    let highs: Vec<&Region> = j.regions.iter().filter(|r| r.substrate_shows).collect();
    let Some(amounts) = j.if_substrate.filter(|_| !highs.is_empty()) else {
        return String::new();
    };
    let comes_off = highs.iter().fold(0.0, |m, h| f64::max(m, h.comes_off_mm));
    let up_to = if highs.len() > 1 { "up to " } else { "" };
    format!(
        " The map counts on {up_to}{} off {}, as panel.toml allows: look first what shows. Older \
         filler or primer may be sanded on. Substrate may not: make it a no_sand area, then to level takes most \
         likely {} ({}).",
        words::depth(comes_off, units),
        words::names(&highs),
        words::one_volume(amounts.most_likely_cc, units),
        words::volume_range(amounts.to_level_cc, units),
    )
}

fn pinholes(j: &Judgement, units: Units) -> Option<Line> {
    let found = &j.photos.as_ref()?.coat.pinholes;
    let told: Vec<String> = found
        .iter()
        .take(3)
        .map(|c| crate::judge::photo::pinholes(c, units))
        .collect();
    let more = found.len().saturating_sub(told.len());
    let tail = if more > 0 {
        format!("; {more} more in report.html")
    } else {
        String::new()
    };
    (!told.is_empty()).then(|| {
        Line::new(
            "PINHOLES",
            format!(
                "{}{tail}. They are no lows: wipe them full, they are not in the filler above.",
                told.join("; ")
            ),
            Tone::Work,
        )
    })
}

/// What the photos were, and how well they were read.
fn photos(j: &Judgement, units: Units) -> Vec<Line> {
    let Some(found) = &j.photos else {
        return Vec::new();
    };
    let mut all: Vec<Line> = found
        .photos
        .iter()
        .map(|p| Line::new("PHOTO", words::photo(p, units), Tone::Note))
        .collect();
    if let Some(pitch) = &found.coat.pitch {
        all.push(Line::new(
            "REPEATS",
            capital(&crate::judge::photo::pitch(pitch, units)) + ".",
            Tone::Note,
        ));
    }
    all
}

/// What repeats in the readings.
fn repeats(j: &Judgement, units: Units) -> Vec<Line> {
    let found = j.repeats.iter().flat_map(|r| &r.found);
    found
        .map(|r| {
            let told = capital(&words::repeat(r, units));
            Line::new("REPEATS", format!("{told}. {LOOK_UNDER}"), Tone::Note)
        })
        .collect()
}

fn verdict(j: &Judgement, units: Units) -> Line {
    let tone = if j.verdict == Verdict::Fair {
        Tone::Good
    } else {
        Tone::Open
    };
    let mut text = j.panel_name.clone();
    for reason in &j.reasons {
        text.push_str(if text.len() == j.panel_name.len() {
            ": "
        } else {
            "; "
        });
        text.push_str(reason.trim_end_matches('.'));
    }
    text.push('.');
    Line::new(&words::headline(j, units), text, tone)
}

fn of(j: &Judgement, kind: RegionKind, action: Action) -> Vec<&Region> {
    j.regions
        .iter()
        .filter(|r| r.kind == kind && r.action == action)
        .collect()
}

fn looks_like(region: &Region) -> String {
    if region.looks_like.is_empty() {
        String::new()
    } else {
        format!(", {}", region.looks_like)
    }
}

/// "Each further 0.1 mm off saves 14 cc (10-18)": what a high costs.
fn saving(region: &Region, verb: &str, units: Units) -> String {
    match region.saves_cc_per_tenth {
        Some(saves) if saves.value >= 0.5 => {
            format!(
                " Each further {} off {verb} {}.",
                words::tenth(units),
                words::volume(saves, units)
            )
        }
        _ => String::new(),
    }
}

/// "0.20 mm off (0.30 mm allowed) saves 45 cc (35-55)".
fn taken_off(high: &Region, units: Units) -> String {
    let off = format!(
        " {} off ({} allowed)",
        words::depth(high.comes_off_mm, units),
        words::depth(high.allowed_mm, units)
    );
    match high.saves_cc {
        Some(saves) if saves.value >= 0.5 => {
            format!(
                "{off} saves {} against leaving it.",
                words::volume(saves, units)
            )
        }
        _ => format!("{off}."),
    }
}

fn sand(j: &Judgement, units: Units) -> Vec<Line> {
    let highs = of(j, RegionKind::High, Action::Sand);
    if highs.is_empty() {
        return may(j, RegionKind::High, Action::MaySand, "MAY SAND", units)
            .into_iter()
            .collect();
    }
    let mut all: Vec<Line> = highs
        .iter()
        .take(HIGHS_TOLD)
        .enumerate()
        .map(|(n, high)| {
            let stop = if n == 0 {
                " Stop: guide coat gone, or substrate showing."
            } else {
                ""
            };
            let text = format!(
                "{}{}, {}: {} proud ({}).{}{}{stop}",
                words::name(high),
                looks_like(high),
                words::extent(high.extent_mm, units),
                words::depth(high.worst_mm.value, units),
                words::depth_range(high.worst_mm, units),
                taken_off(high, units),
                saving(high, "would save", units),
            );
            Line::new(if n == 0 { "SAND FIRST" } else { "SAND" }, text, Tone::Work)
        })
        .collect();
    all.extend(rest(&highs, HIGHS_TOLD, "high", units));
    all
}

/// "6 more lows, 14 cc together, in report.html".
fn rest(regions: &[&Region], told: usize, kind: &str, units: Units) -> Option<Line> {
    let more = regions.get(told..).filter(|m| !m.is_empty())?;
    let cc: f64 = more
        .iter()
        .map(|r| r.volume_cc.value)
        .filter(|v| v.is_finite())
        .sum();
    let s = if more.len() == 1 { "" } else { "s" };
    let text = format!(
        "{} more {kind}{s}, {} together, in report.html",
        more.len(),
        units.volume(cc)
    );
    Some(Line::new("", text, Tone::Work))
}

fn move_the_skin(j: &Judgement, units: Units) -> Option<Line> {
    let found: Vec<String> = j
        .regions
        .iter()
        .filter(|r| r.action == Action::MoveTheSkin)
        .map(|r| {
            format!(
                "{}, {}: {}",
                words::name(r),
                words::extent(r.extent_mm, units),
                words::depth(r.worst_mm.value.abs(), units)
            )
        })
        .collect();
    (!found.is_empty()).then(|| {
        Line::new(
            "MOVE SKIN",
            format!(
                "{}. Metal first: filler only for what is left, after a new survey.",
                found.join("; ")
            ),
            Tone::Work,
        )
    })
}

/// Lows that no filler fills.
fn ask_first(j: &Judgement, units: Units) -> Option<Line> {
    let found: Vec<String> = of(j, RegionKind::Low, Action::AskFirst)
        .iter()
        .map(|r| {
            format!(
                "{}, {}: {} deep",
                words::name(r),
                words::extent(r.extent_mm, units),
                words::depth(r.worst_mm.value.abs(), units)
            )
        })
        .collect();
    (!found.is_empty()).then(|| {
        let text = format!(
            "{}. Deeper than filler is built up ({}, common practice): the designer's matter, structure or section first, then a new survey.",
            found.join("; "),
            words::depth(crate::judge::MOST_BUILD_MM, units)
        );
        Line::new("ASK FIRST", text, Tone::Work)
    })
}

fn fill(j: &Judgement, panel: &Panel, units: Units) -> Vec<Line> {
    if let Some(offer) = may(j, RegionKind::Low, Action::MayFill, "MAY FILL", units) {
        return vec![offer];
    }
    let lows = of(j, RegionKind::Low, Action::Fill);
    let asked = lows.iter().any(|r| r.needs_cycle);
    let mut all: Vec<Line> = lows
        .iter()
        .take(LOWS_TOLD)
        .map(|low| {
            let text = format!(
                "{}{}, {}: {} deep ({}), {}.",
                words::name(low),
                looks_like(low),
                words::extent(low.extent_mm, units),
                words::depth(low.worst_mm.value.abs(), units),
                words::depth_range(low.worst_mm, units),
                words::volume(low.volume_cc, units),
            );
            // In the same go as what a limit asks for, but nothing asks for it.
            if asked && !low.needs_cycle {
                Line::new(
                    "MAY FILL",
                    format!("{text} Inside every limit."),
                    Tone::Work,
                )
            } else {
                Line::new("FILL", text, Tone::Work)
            }
        })
        .collect();
    if let (Some(first), false) = (all.first_mut(), panel.no_fill.is_empty()) {
        first
            .text
            .push_str(" Keep filler out of the areas marked \"no filler\".");
    }
    all.extend(rest(&lows, LOWS_TOLD, "low", units));
    all
}

/// What a fair panel offers: inside every limit, done only where it is wanted.
fn may(
    j: &Judgement,
    kind: RegionKind,
    action: Action,
    heading: &str,
    units: Units,
) -> Option<Line> {
    let found = of(j, kind, action);
    let told: Vec<String> = found
        .iter()
        .take(LOWS_TOLD)
        .map(|r| {
            format!(
                "{}, {}: {}",
                words::name(r),
                words::extent(r.extent_mm, units),
                words::depth(r.worst_mm.value.abs(), units)
            )
        })
        .collect();
    let more = match found.len().saturating_sub(LOWS_TOLD) {
        0 => String::new(),
        n => format!("; {n} more in report.html"),
    };
    (!told.is_empty()).then(|| {
        let text = format!(
            "{}{more}. Inside every limit: nothing asks for it, it is for the eye.",
            told.join("; ")
        );
        Line::new(heading, text, Tone::Note)
    })
}

fn filler(j: &Judgement, units: Units) -> Line {
    if j.verdict == Verdict::Fair && !of(j, RegionKind::Low, Action::MayFill).is_empty() {
        let text = format!(
            "none is asked for. What may be filled would take {} ({}) to level.",
            words::one_volume(j.most_likely_cc, units),
            words::volume_range(j.to_level_cc, units)
        );
        return Line::new("FILLER", text, Tone::Work);
    }
    if j.to_level_cc.value <= 0.0 && of(j, RegionKind::Low, Action::Fill).is_empty() {
        return Line::new(
            "FILLER",
            format!(
                "none: no low asks for it at {}.",
                words::depth(j.node_limit_mm, units)
            ),
            Tone::Work,
        );
    }
    let chosen = j
        .references
        .iter()
        .find(|r| r.chosen)
        .map(|r| format!(", against the {}", words::plain(r.name)));
    let text = format!(
        "to level: most likely {} ({}){}; {} on the map as found. To level only: what is spread, lost in the pot and sanded \
         off again comes on top.",
        words::one_volume(j.most_likely_cc, units),
        words::volume_range(j.to_level_cc, units),
        chosen.unwrap_or_default(),
        words::one_volume(j.to_level_cc.value, units),
    );
    Line::new("FILLER", text, Tone::Work)
}

/// The regions with one action, lows and highs each by name: "lows L5, L6; high H3".
fn all_with(j: &Judgement, action: Action) -> Option<String> {
    let kinds = [RegionKind::Low, RegionKind::High].map(|kind| of(j, kind, action));
    let told: Vec<String> = kinds
        .iter()
        .filter(|k| !k.is_empty())
        .map(|k| words::names(k))
        .collect();
    (!told.is_empty()).then(|| told.join("; "))
}

fn prime(j: &Judgement) -> Option<Line> {
    let shallow = all_with(j, Action::Prime)?;
    Some(Line::new(
        "PRIME",
        format!("{shallow}: shallow enough for high-build primer."),
        Tone::Work,
    ))
}

/// Share of the filler that each further 0.1 mm off the first high left alone must save to be told
/// first.
const DEAR: f64 = 0.1;

/// Whether leaving the largest high alone costs much.
fn leave_is_dear(j: &Judgement) -> bool {
    of(j, RegionKind::High, Action::Leave)
        .first()
        .and_then(|high| high.saves_cc_per_tenth)
        .is_some_and(|saves| saves.value >= 0.5 && saves.value >= DEAR * j.to_level_cc.value)
}

fn leave(j: &Judgement, units: Units) -> Vec<Line> {
    let highs = of(j, RegionKind::High, Action::Leave);
    let lows = of(j, RegionKind::Low, Action::Leave);
    let mut all = Vec::new();
    if let Some(first) = highs.first() {
        let saves = saving(first, "would save", units);
        let condition = if saves.is_empty() {
            ""
        } else {
            " Only where the film or the designer allows it."
        };
        let others = match highs.get(1..).unwrap_or_default() {
            [] => String::new(),
            others => format!(" Leave {} too.", words::names(others)),
        };
        let assumed = if j.sand_allowance_given {
            String::new()
        } else {
            format!(
                " No sand_allowance given: {} assumed (common practice).",
                words::depth(j.sand_allowance_mm, units)
            )
        };
        let looked = if first.substrate_shows {
            ", if no substrate shows"
        } else {
            ""
        };
        let text = format!(
            "{}{}, {}: {} proud, {} may come off{looked}.{saves}{condition}{others}{assumed}",
            words::name(first),
            looks_like(first),
            words::spot(first.worst_at, units),
            words::depth(first.worst_mm.value, units),
            words::depth(first.allowed_mm, units),
        );
        all.push(Line::new("LEAVE", text, Tone::Work));
    }
    if !lows.is_empty() {
        all.push(Line::new(
            "LEAVE",
            format!("{}.", words::names(&lows)),
            Tone::Work,
        ));
    }
    all
}

fn measure(j: &Judgement) -> Option<Line> {
    let told_apart = j
        .regions
        .iter()
        .any(|r| r.action == Action::Measure && r.worst_mm.value.is_finite());
    let mut sentences: Vec<String> = all_with(j, Action::Measure)
        .filter(|_| told_apart)
        .map(|names| format!("{}: what is known does not decide.", capital(&names)))
        .into_iter()
        .collect();
    sentences.extend(
        j.measure_next
            .iter()
            .take(3)
            .map(|s| format!("{}.", capital(s.trim_end_matches('.')))),
    );
    (!sentences.is_empty()).then(|| Line::new("MEASURE", sentences.join(" "), Tone::Work))
}

/// How well readings repeat, what waves they see, and what became of the fit.
fn sure(j: &Judgement, units: Units) -> Option<Line> {
    if j.readings == 0 {
        return None;
    }
    let repeats = match j.repeatability_mm {
        Some(sd) => format!("a reading repeats to {}", words::fine(sd, units)),
        None => "repeatability not known: take one placing a second time (\"again\")".into(),
    };
    let waves = [("x", j.sight.along_x_mm), ("y", j.sight.along_y_mm)]
        .map(|(axis, wave)| match wave {
            Some(mm) => format!("{} along {axis}", units.place(mm)),
            None => format!("none along {axis}"),
        })
        .join(", ");
    let fit = if j.fit == FitStatus::Solved {
        String::new()
    } else {
        format!("; fit: {}", j.fit_status)
    };
    Some(Line::new(
        "HOW SURE",
        format!("{repeats}; shortest wave seen: {waves}{fit}"),
        Tone::Note,
    ))
}

/// A straightedge that is not straight, or of which this survey cannot tell.
fn edges(j: &Judgement) -> Option<Line> {
    let told: Vec<&str> = j
        .edges
        .iter()
        .filter(|e| e.state != "straight")
        .map(|e| e.sentence.as_str())
        .collect();
    (!told.is_empty()).then(|| Line::new("EDGE", told.join("; "), Tone::Note))
}

fn left_out(j: &Judgement) -> Option<Line> {
    let all = words::left_out(j);
    let told: Vec<&str> = all.iter().take(FLAGS_TOLD).map(|(r, _)| *r).collect();
    let more = all.len().saturating_sub(FLAGS_TOLD);
    let tail = if more > 0 {
        format!("; {more} more in report.html")
    } else {
        String::new()
    };
    (!told.is_empty())
        .then(|| Line::new("LEFT OUT", format!("{}{tail}", told.join("; ")), Tone::Note))
}

fn files(j: &Judgement, out_dir: &Path) -> Line {
    let date = j
        .date
        .as_deref()
        .map_or("no survey date noted".into(), |d| format!("survey of {d}"));
    let beside = if j.photos.is_some() {
        "report.html and overlay.jpg (the map on the photo) beside it"
    } else {
        "report.html beside it"
    };
    let text = format!(
        "{}, {beside}; {} ({date})",
        out_dir.join("map.png").display(),
        words::true_until(&j.warnings)
    );
    Line::new("MAP", text, Tone::Note)
}

/// With a capital first letter.
pub(super) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// Prints the summary on standard output: coloured on a terminal only (NO_COLOR honoured), wrapped
/// to it, no wider than 100 characters. A reader that has gone away is no error.
///
/// # Errors
/// [`Error::File`] when standard output cannot be written.
pub fn print(j: &Judgement, panel: &Panel, units: Units, out_dir: &Path) -> Result<(), Error> {
    let width = terminal_size::terminal_size().map_or(WIDEST, |(w, _)| (w.0 as usize).min(WIDEST));
    let mut out = anstream::stdout().lock();
    match write_lines(&lines(j, panel, units, out_dir), width, &mut out).and_then(|()| out.flush())
    {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => Err(Error::File {
            path: "standard output".into(),
            source: e,
            advice: "the files are written; look at report.html".into(),
        }),
        _ => Ok(()),
    }
}

/// Writes lines wrapped to `width` characters, with styles as ANSI codes (anstream takes them out
/// where they are not wanted).
///
/// # Errors
/// What the writer says.
pub fn write_lines(lines: &[Line], width: usize, out: &mut impl Write) -> std::io::Result<()> {
    let hang = if width < 60 { 4 } else { 15 };
    for line in lines {
        let style = style(line.tone);
        let number = line.number.map_or(String::new(), |n| format!("{n:>2} "));
        let verdict = matches!(line.tone, Tone::Good | Tone::Open);
        let label = if line.number.is_some() || verdict || line.heading.is_empty() {
            format!("{number}{}", line.heading)
        } else {
            format!("   {}", line.heading)
        };
        let used = label.chars().count();
        let gap = if verdict || used >= hang {
            2
        } else {
            hang - used
        };
        let rows = wrapped(&line.text, used + gap, hang, width.max(20));
        write!(
            out,
            "{style}{}{style:#}{}",
            crate::text::visible(&label),
            " ".repeat(gap)
        )?;
        for (n, row) in rows.iter().enumerate() {
            let indent = if n == 0 { 0 } else { hang };
            writeln!(out, "{}{row}", " ".repeat(indent))?;
        }
    }
    Ok(())
}

fn style(tone: Tone) -> Style {
    let bold = Style::new().bold();
    match tone {
        Tone::Good => bold.fg_color(Some(AnsiColor::Green.into())),
        Tone::Open => bold.fg_color(Some(AnsiColor::Yellow.into())),
        Tone::Care => bold.fg_color(Some(AnsiColor::Magenta.into())),
        Tone::Work => bold,
        Tone::Note => Style::new(),
    }
}

/// Words in rows: the first begins at column `first`, the others at `hang`; what is hidden in them
/// is written out.
pub(super) fn wrapped(text: &str, first: usize, hang: usize, width: usize) -> Vec<String> {
    let mut rows = vec![String::new()];
    let mut column = first;
    for word in text.split_whitespace() {
        let word = crate::text::visible(word);
        let length = word.chars().count();
        let begun = rows.last().is_some_and(|row| !row.is_empty());
        if begun && column + 1 + length > width {
            rows.push(String::new());
            column = hang;
        }
        if let Some(row) = rows.last_mut() {
            if !row.is_empty() {
                row.push(' ');
                column += 1;
            }
            row.push_str(&word);
            column += length;
        }
    }
    rows
}
