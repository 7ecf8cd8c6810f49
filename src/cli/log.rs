//! `lowspot diary`: all entries of a panel, in the order in which they were entered.

use super::args::LogArgs;
use super::shelf;
use crate::keep::facts::Fact;
use crate::keep::{self, Entry, Facts, Means, Role, standing};
use crate::problem::Error;
use crate::text::plain_mm;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// No such book, no such panel.
pub fn run(args: &LogArgs) -> Result<ExitCode, Error> {
    let book = shelf::open(args.book.book.as_deref(), None)?;
    let panel = book.panel(&args.name)?;
    let entries = book.entries(&args.name)?;
    super::say(&panel.name);
    if entries.is_empty() {
        super::say("  nothing entered yet");
    }
    for entry in &entries {
        let summary = book.summary(entry.number)?;
        let files = book.file_names(entry.number)?;
        let found = summary.map(|s| format!("verdict {}", s.verdict.replace('-', " ")));
        super::say(&line(entry, found, &files));
    }
    if let Some(why) = standing::stale(&entries) {
        super::say(&format!("touched since: {why}"));
    }
    if let Some(hold) = standing::held(&entries, keep::now()) {
        super::say(&hold.to_string());
    }
    Ok(ExitCode::SUCCESS)
}

/// "   3  2026-03-14  fill        K  recipe dry-micro, 350 g  (struck by 5)".
pub(super) fn line(entry: &Entry, found: Option<String>, files: &[(Role, String)]) -> String {
    let mut parts = Vec::new();
    parts.extend(entry.who.as_ref().map(|w| format!("by {w}")));
    parts.extend(entry.strikes.map(|n| format!("strikes {n}")));
    parts.extend(facts(&entry.facts));
    parts.extend(found);
    parts.extend(entry.hours.map(|h| format!("{} h", plain_mm(h))));
    parts.extend(entry.skin_c.map(|c| format!("skin {} °C", plain_mm(c))));
    parts.extend(entry.supports.as_ref().map(|s| format!("supports {s}")));
    parts.extend(
        files
            .iter()
            .map(|(role, name)| format!("{} {name}", role.word())),
    );
    parts.extend(entry.note.as_ref().map(|n| format!("\"{n}\"")));
    let mut line = format!(
        "{:>4}  {}  {:<10}  {}",
        entry.number,
        entry.date,
        entry.kind.shown(),
        parts.join(", ")
    );
    if let Some(by) = entry.struck_by {
        line.push_str(&format!("  (struck by {by})"));
    }
    line.trim_end().replace(['\n', '\t'], " ")
}

/// What belongs to the kind, in words.
fn facts(facts: &Facts) -> Vec<String> {
    let number = |value: Option<f64>, unit: &str| value.map(|v| format!("{} {unit}", plain_mm(v)));
    let word = |name: &str, value: &Option<String>| value.as_ref().map(|v| format!("{name} {v}"));
    let said = |fact: Fact| match fact {
        Fact::Temperature => number(facts.temperature_c, "°C"),
        Fact::HoldHours => number(facts.hold_h, "h held"),
        Fact::Recipe => word("recipe", &facts.recipe),
        Fact::Cure => number(facts.cure_h, "h to sandable"),
        Fact::At => facts.at.as_ref().map(|at| format!("at {}", at.said)),
        Fact::Batch => word("batch", &facts.batch),
        Fact::Grams => number(facts.mass_g, "g"),
        Fact::Way => facts.way.clone(),
        Fact::Min => number(facts.min_c, "°C at least"),
        Fact::Coats => facts.coats.map(|n| format!("{n} coats")),
        Fact::Base => number(facts.base_mm, "mm base"),
        Fact::Means => facts.means.map(|m| match m {
            Means::GuideCoat => "by guide coat".to_string(),
            Means::RakingLight => "by raking light".to_string(),
        }),
        Fact::Until => facts
            .until
            .map(|t| format!("until {}", standing::by_the_clock(t))),
        Fact::Why => word("because:", &facts.why),
    };
    facts.given().into_iter().filter_map(said).collect()
}
