//! `lowspot mix`: the mixing card.

use super::args::{FaceWord, MixArgs};
use crate::judge::Verdict;
use crate::panel::skin::Face;
use crate::plan::figure::Figure;
use crate::plan::mix::{self, Request};
use crate::plan::shop::{self, Shop};
use crate::problem::{Error, Fault};
use crate::show;
use crate::text;
use crate::units;
use serde::Deserialize;
use std::path::Path;
use std::process::ExitCode;

/// A cup that is weighed, cc.
const CUP_CC: f64 = 100.0;
/// Densities that a mix can have, g/cc.
const DENSITY: std::ops::RangeInclusive<f64> = 0.02..=20.0;
const MOST_BYTES: u64 = 50_000_000;

impl From<FaceWord> for Face {
    fn from(word: FaceWord) -> Self {
        match word {
            FaceWord::Level => Face::Level,
            FaceWord::Vertical => Face::Vertical,
            FaceWord::Overhead => Face::Overhead,
        }
    }
}

/// Run it.
///
/// # Errors
/// Wrong options; all faults of the shop file and the plan.
pub fn run(args: &MixArgs) -> Result<ExitCode, Error> {
    let (shop, plan) = files(args)?;
    let options = Options::of(args)?;
    let name = args.recipe.as_deref().or(plan.recipe.as_deref());
    let name = name.unwrap_or(&shop.filler);
    let recipe = shop
        .recipe(name)
        .map_err(|why| match (&args.recipe, &args.plan) {
            (None, Some(path)) => fault(path, 0, 0, format!("recipe {why}")),
            _ => Error::Usage(format!("--recipe {why}")),
        })?;
    let wanted = |option: &str, example: &str| {
        Error::Usage(format!(
            "{option} is missing; expected {option} \"{example}\" (or --plan with a plan file)"
        ))
    };
    let mut card = mix::card(&Request {
        recipe,
        volume_cc: options
            .volume_cc
            .or(plan.to_mix_cc)
            .ok_or_else(|| wanted("--volume", "500 cc"))?,
        at_c: options
            .at_c
            .or(plan.at_c)
            .ok_or_else(|| wanted("--at", "20 C"))?,
        skin_c: options.skin_c.or(plan.skin_c),
        humidity_percent: options.humidity_percent.or(plan.humidity_percent),
        density_g_per_cc: options.density_g_per_cc,
        depth_mm: options.depth_mm.or(plan.depth_mm),
        face: args.face.map(Into::into).or(plan.face).unwrap_or_default(),
        primer_coats: shop.primer_coats.clone(),
        scale_g: options.scale_g.or_else(|| shop.scale_g.clone()),
        scale_most_g: shop.scale_most_g.clone(),
    })?;
    let text = match args.json {
        true => {
            let told = plan
                .pressing
                .iter()
                .map(|(label, text)| format!("{label}: {text}"));
            card.warnings.splice(0..0, told);
            show::mix::json(&card)?
        }
        false => {
            let first = show::words::banner(&plan.pressing);
            first + &show::mix::text(&card, args.units.into(), plan.moving_surface)
        }
    };
    super::say(text.trim_end());
    Ok(ExitCode::SUCCESS)
}

/// What a plan says about mixing.
#[derive(Debug, Default, Deserialize)]
struct ToMix {
    recipe: Option<String>,
    to_mix_cc: Option<f64>,
    depth_mm: Option<f64>,
    at_c: Option<f64>,
    #[serde(default, deserialize_with = "face")]
    face: Option<Face>,
    skin_c: Option<f64>,
    humidity_percent: Option<f64>,
    #[serde(default)]
    moving_surface: bool,
    /// What stood across the top of the plan: label and text.
    #[serde(skip)]
    pressing: Vec<(String, String)>,
}

/// The word of a face, or none.
fn face<'d, D: serde::Deserializer<'d>>(from: D) -> Result<Option<Face>, D::Error> {
    let Some(word) = Option::<String>::deserialize(from)? else {
        return Ok(None);
    };
    let found = Face::ALL.iter().find(|(w, _)| *w == word);
    found.map(|(_, face)| Some(*face)).ok_or_else(|| {
        let shown = text::quoted(&word);
        serde::de::Error::custom(format!("face {shown} is not level, vertical or overhead"))
    })
}

#[derive(Debug, Deserialize)]
struct PlanFile {
    mix: Option<ToMix>,
    #[serde(default)]
    verdict: String,
    #[serde(default)]
    reasons: Vec<String>,
    #[serde(default)]
    warnings: Vec<Warned>,
}

/// A warning of the plan.
#[derive(Debug, Deserialize)]
struct Warned {
    pressing: Option<Pressing>,
}

#[derive(Debug, Deserialize)]
struct Pressing {
    label: String,
    text: String,
}

/// The shop file and the plan; faults of both together.
fn files(args: &MixArgs) -> Result<(Shop, ToMix), Error> {
    let shop = args.shop.as_deref().map(shop::load).transpose();
    let plan = args.plan.as_deref().map(read_plan).transpose();
    match (shop, plan) {
        (Ok(shop), Ok(plan)) => {
            let (shop, warnings) = shop.unwrap_or_default();
            for warning in &warnings {
                super::note(format_args!("note: {warning}"));
            }
            Ok((shop, plan.unwrap_or_default()))
        }
        (Err(Error::Faults(mut a)), Err(Error::Faults(b))) => {
            a.extend(b);
            Err(Error::Faults(a))
        }
        (Err(e), _) | (_, Err(e)) => Err(e),
    }
}

fn fault(path: &Path, line: usize, column: usize, message: String) -> Error {
    Error::Faults(vec![Fault {
        file: path.display().to_string(),
        line,
        column,
        message,
    }])
}

fn read_plan(path: &Path) -> Result<ToMix, Error> {
    let text = text::read(path, MOST_BYTES).map_err(|f| Error::Faults(vec![f]))?;
    let plan: PlanFile = serde_json::from_str(&text).map_err(|e| {
        let said = e.to_string();
        let said = said.split(" at line ").next().unwrap_or("");
        fault(
            path,
            e.line(),
            e.column(),
            format!("is no plan: {said}; expected the plan.json that was written for you"),
        )
    })?;
    if plan.verdict == Verdict::NotJudged.word() {
        let why: Vec<String> = plan
            .reasons
            .iter()
            .map(|r| r.replace(char::is_control, " "))
            .collect();
        let why = format!(
            "nothing is mixed for it, the shape comes first: {}",
            why.join("; ")
        );
        return Err(fault(path, 0, 0, why));
    }
    let pressing = plan.warnings.into_iter().filter_map(|w| w.pressing);
    let pressing = pressing
        .map(|p| {
            (
                p.label.replace(char::is_control, "?"),
                format!("when the plan was made: {}", p.text),
            )
        })
        .collect();
    let to_mix = plan.mix.ok_or_else(|| {
        let example = "{\"mix\": {\"recipe\": \"dry-micro\", \"to_mix_cc\": 500}}";
        fault(
            path,
            0,
            0,
            format!("has nothing to mix; expected a plan such as {example}"),
        )
    })?;
    let faults: Vec<Fault> = [
        ("to_mix_cc", to_mix.to_mix_cc, mix::LEAST_CC..=mix::MOST_CC),
        ("depth_mm", to_mix.depth_mm, 0.001..=1000.0),
        ("at_c", to_mix.at_c, -60.0..=80.0),
        ("skin_c", to_mix.skin_c, -60.0..=80.0),
        ("humidity_percent", to_mix.humidity_percent, 1.0..=100.0),
    ]
    .into_iter()
    .filter_map(|(key, value, sound)| {
        let value = value.filter(|v| !sound.contains(v))?;
        Some(Fault {
            file: path.display().to_string(),
            line: 0,
            column: 0,
            message: format!(
                "mix: {key} {value} cannot be meant; expected {} to {}",
                sound.start(),
                sound.end()
            ),
        })
    })
    .collect();
    match faults.is_empty() {
        true => Ok(ToMix { pressing, ..to_mix }),
        false => Err(Error::Faults(faults)),
    }
}

/// The options that are numbers, converted.
struct Options {
    volume_cc: Option<f64>,
    at_c: Option<f64>,
    skin_c: Option<f64>,
    humidity_percent: Option<f64>,
    density_g_per_cc: Option<Figure>,
    depth_mm: Option<f64>,
    scale_g: Option<Figure>,
}

impl Options {
    fn of(args: &MixArgs) -> Result<Self, Error> {
        let percent = |text: &str| {
            let bare = text.trim().trim_end_matches('%').trim_end();
            units::number(bare).ok_or_else(|| {
                format!(
                    "{} is no humidity; expected per cent such as 65",
                    text::quoted(text)
                )
            })
        };
        Ok(Options {
            volume_cc: option("--volume", &args.volume, units::volume)?,
            at_c: option("--at", &args.at, units::temperature)?,
            skin_c: option("--skin", &args.skin, units::temperature)?,
            humidity_percent: option("--humidity", &args.humidity, percent)?,
            density_g_per_cc: density(args)?,
            depth_mm: option("--depth", &args.depth, units::length)?,
            scale_g: option("--scale", &args.scale, units::mass)?
                .map(|g| Figure::new(g, "given with --scale")),
        })
    }
}

fn option(
    name: &str,
    text: &Option<String>,
    read: impl Fn(&str) -> Result<f64, String>,
) -> Result<Option<f64>, Error> {
    text.as_deref()
        .map(|t| read(t).map_err(|why| Error::Usage(format!("{name}: {why}"))))
        .transpose()
}

/// The user's own density: as given, or of the cup.
fn density(args: &MixArgs) -> Result<Option<Figure>, Error> {
    let given = option("--density", &args.density, units::density)?;
    let cup_g = option("--cup", &args.cup, units::mass)?;
    let figure = match (given, cup_g) {
        (Some(density), _) => Figure::new(density, "given with --density"),
        (None, Some(g)) => {
            let shown = text::plain_mm(g);
            Figure::new(
                g / CUP_CC,
                format!("weighed: {shown} g in a level 100 cc cup"),
            )
        }
        (None, None) => return Ok(None),
    };
    if DENSITY.contains(&figure.value) {
        return Ok(Some(figure));
    }
    Err(Error::Usage(format!(
        "a mix of {} g/cc cannot be; expected {} to {} g/cc, so a level 100 cc cup of {} to {} g",
        figure.value,
        DENSITY.start(),
        DENSITY.end(),
        CUP_CC * DENSITY.start(),
        CUP_CC * DENSITY.end()
    )))
}
