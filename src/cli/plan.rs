//! `lowspot plan`: read, find the surface, judge, plan, show, write.

use super::args::{CoatWord, MapArgs, PlanArgs, WayWord};
use super::job::Job;
use super::map;
use crate::compare::spectrum;
use crate::plan::shop::{self, Shop};
use crate::plan::ways::Kind;
use crate::plan::{self, Choice};
use crate::problem::{Error, Warning};
use crate::show;
use crate::units;
use std::path::Path;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// What stopped it; nothing has been written then.
pub fn run(args: &PlanArgs) -> Result<ExitCode, Error> {
    let at_c = temperature("--at", args.at.as_deref())?;
    let skin_c = temperature("--skin", args.skin.as_deref())?;
    let humidity = args.humidity.as_deref().map(humidity).transpose()?;
    let (shop, warnings) = shop_of(args)?;
    let recipe = |option: &str, asked: &Option<String>, usual: &str| {
        let name = asked.as_deref().unwrap_or(usual);
        shop.recipe(name).map_err(|why| match asked {
            Some(_) => Error::Usage(format!("{option}: {why}")),
            None => Error::Survey(why),
        })
    };
    let filler = recipe("--filler", &args.filler, &shop.filler)?;
    let primer = recipe("--primer", &args.primer, &shop.primer)?;
    let mut job = Job::with(&as_map(args), &shop)?;
    // What must stay of a film: the panel's own word, else the shop's.
    let keep = shop.film_keep_mm.value;
    job.panel.skin.film.keep_mm.get_or_insert(keep);
    if job.survey.taken() == 0 {
        return Err(Error::Survey(
            "a photo alone tells no depth, so no amounts can be planned: add readings (`lowspot blank` writes a form for them)".into(),
        ));
    }
    let (judged, repeats) = rayon::join(
        || map::judged(&job, usize::MAX),
        || spectrum::in_survey(&job.survey),
    );
    let mut judgement = judged?.with_repeats(repeats);
    if let Some(why) = judgement.refusal() {
        return Err(Error::Survey(format!(
            "no plan: {why}; nothing was written"
        )));
    }
    judgement.warnings.extend(warnings);
    let choice = Choice {
        shop: &shop,
        filler,
        primer,
        at_c,
        skin_c,
        humidity,
        way: args.way.map(Into::into),
        units: job.units,
    };
    let mut plan = plan::plan(&job.panel, &job.survey, &judgement, &choice)?;
    let command = mix_command(&job.out, args.shop.as_deref());
    plan.printed_as(&command);
    let json = show::plan::json::text(&plan, &judgement, &job.panel)?;
    let page = show::plan::page::page(&plan, &judgement, &job.panel, job.units)?;
    show::write_beside(
        &job.out,
        &[
            show::File::new("plan.json", json.clone()),
            show::File::new("plan.html", page),
        ],
        &job.inputs,
    )?;
    map::tell_readings(&job);
    map::tell_warnings(&judgement, false);
    if args.json {
        super::say_json(&json);
    } else {
        let text = show::plan::summary::text(&plan, &judgement, &job.panel, job.units, &job.out);
        super::say(text.trim_end());
        if plan.way().is_some() {
            // Not wrapped: it is copied and run.
            super::say(&format!("MIXING CARD\n{command}"));
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// The command for the mixing card of a plan in this folder, as it is typed here.
fn mix_command(out: &Path, shop: Option<&Path>) -> String {
    let shop = shop.map_or(String::new(), |s| format!(" --shop {}", typed(s)));
    format!("lowspot mix --plan {}{shop}", typed(&out.join("plan.json")))
}

/// A path as a shell takes it: in single quotes where it holds anything but the plainest letters.
fn typed(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-+=:@".contains(c);
    if text.chars().all(plain) && !text.starts_with('-') {
        return text;
    }
    format!("'{}'", text.replace('\'', "'\\''"))
}

fn shop_of(args: &PlanArgs) -> Result<(Shop, Vec<Warning>), Error> {
    match &args.shop {
        Some(path) => shop::load(path),
        None => Ok((Shop::default(), Vec::new())),
    }
}

fn temperature(option: &str, text: Option<&str>) -> Result<Option<f64>, Error> {
    text.map(|t| units::temperature(t).map_err(|e| Error::Usage(format!("{option} {t}: {e}"))))
        .transpose()
}

fn humidity(text: &str) -> Result<f64, Error> {
    units::number(text.trim().trim_end_matches('%').trim())
        .filter(|h| (1.0..=100.0).contains(h))
        .ok_or_else(|| {
            Error::Usage(format!(
                "--humidity {text}: a relative humidity from 1 to 100 % is expected, such as 60"
            ))
        })
}

impl From<WayWord> for Kind {
    fn from(word: WayWord) -> Self {
        match word {
            WayWord::SpotFill => Kind::SpotFill,
            WayWord::FullSkim => Kind::FullSkim,
            WayWord::StripsAndBays => Kind::StripsAndBays,
            WayWord::PrimerOnly => Kind::PrimerOnly,
        }
    }
}

/// The part of it that a map would be asked for.
fn as_map(args: &PlanArgs) -> MapArgs {
    MapArgs {
        panel: args.panel.clone(),
        book: args.book.clone(),
        readings: args.readings.clone(),
        photo: args.photo.clone(),
        targets: args.targets.clone(),
        mask: Vec::new(),
        coat: CoatWord::Auto,
        block: None,
        reference: args.reference,
        grid: "10".into(),
        out: args.out.clone(),
        json: args.json,
        units: args.units,
        verbose: false,
        require_fair: false,
    }
}
