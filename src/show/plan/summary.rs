//! The plan on the terminal: what decides it, the ways side by side, the amounts, then the work to
//! tick off.

use super::super::summary::{WIDEST, capital, wrapped};
use super::super::{care, words};
use super::{
    balance, dear, film, fits, hand_check, hours_range, json, mass, mass_range, price, repeats,
    work,
};
use crate::judge::{Judgement, Verdict};
use crate::panel::Panel;
use crate::plan::Plan;
use crate::plan::amounts::Row;
use crate::plan::fit_for::How;
use crate::plan::ways::Way;
use crate::units::Units;
use std::path::Path;

/// Prices told one by one.
const PRICES: usize = 3;
/// Lows in the table of amounts told one by one.
const ROWS: usize = 8;
/// Column at which the text of a heading hangs.
const HANG: usize = 13;

/// The whole text.
pub fn text(plan: &Plan, j: &Judgement, panel: &Panel, units: Units, out: &Path) -> String {
    let mut page = Page(String::new());
    for (label, text) in words::pressing(&j.warnings) {
        page.say(label, &text);
    }
    head(&mut page, plan, j);
    if let Some(c) = care::before_amounts(panel) {
        page.say("FIRST", &format!("{}: {}", c.about, c.text));
    }
    for text in fits(&plan.fits, How::Warned) {
        page.say("WARNED", &format!("{text}."));
    }
    prices(&mut page, plan, j, units);
    left_out(&mut page, j);
    ways(&mut page, plan, units);
    amounts(&mut page, plan, units);
    split(&mut page, plan, units);
    page.say("SANDING", &plan.board.words);
    match &plan.film {
        Some(f) => page.say("FILM", &film(f, units)),
        None => page.say("FILM", "not known: measure it, say it in panel.toml (film = …), and the plan tells where sanding may cut through"),
    }
    for sentence in balance(plan, panel) {
        page.say("MASS", &sentence);
    }
    for told in repeats(j, units) {
        page.say("REPEATS", &told);
    }
    page.rule("WORK, in order: tick off as you go");
    for item in &plan.work {
        let label = format!("{:>2} [ ] {}", item.number, item.what);
        page.hang(&label, 22, &work(item));
    }
    if !plan.hand_checks.is_empty() {
        page.rule("CHECK THE MAP BY HAND, before you trust it");
        for line in &plan.hand_checks {
            page.hang("  -", 4, &hand_check(line, units));
        }
    }
    let asked: Vec<&str> = fits(&plan.fits, How::Asked).collect();
    if !asked.is_empty() {
        page.gap();
        for text in asked {
            page.say("ASKED", text);
        }
    }
    page.gap();
    for text in json::all_cautions(plan, j, panel) {
        page.say("CARE", &capital(&text));
    }
    page.say(
        "FILES",
        &format!(
            "{} to print and tick off, plan.json beside it. Figures used and where they come from stand there; your own go into a shop.toml \
             (--shop). {}.",
            out.join("plan.html").display(),
            capital(&words::true_until(&j.warnings))
        ),
    );
    page.0
}

/// Lines under one heading.
struct Page(String);

impl Page {
    fn say(&mut self, label: &str, text: &str) {
        self.hang(label, HANG, text);
    }

    fn hang(&mut self, label: &str, hang: usize, text: &str) {
        let used = label.chars().count();
        let pad = hang.saturating_sub(used).max(1);
        self.0.push_str(label);
        self.0.push_str(&" ".repeat(pad));
        let rows = wrapped(text, used + pad, hang, WIDEST);
        self.0
            .push_str(&rows.join(&format!("\n{}", " ".repeat(hang))));
        self.0.push('\n');
    }

    fn rule(&mut self, heading: &str) {
        self.0.push_str(&format!("\n{heading}\n"));
    }

    fn gap(&mut self) {
        self.0.push('\n');
    }
}

fn head(page: &mut Page, plan: &Plan, j: &Judgement) {
    let way = match plan.way() {
        Some(w) => format!("{}: {}", w.kind.word(), plan.why),
        None if plan.why.is_empty() => "nothing to fill".into(),
        None => format!("nothing to fill: {}", plan.why),
    };
    page.say("PLAN", &format!("{}: {way}.", j.panel_name));
    if j.verdict == Verdict::MeasureMore {
        page.say("BUT", "what was measured does not decide yet: see the first lines of the work, and take the amounts as a guess till then.");
    }
    if j.verdict == Verdict::Fair && plan.way().is_some() {
        page.say(
            "FAIR",
            "at every limit that could be checked: nothing has to be filled; this is what was asked for, or primer.",
        );
    }
}

/// Readings that the map left out: the plan stands without them.
fn left_out(page: &mut Page, j: &Judgement) {
    let all = words::left_out(j);
    if let Some((first, _)) = all.first() {
        let more = match all.len() - 1 {
            0 => String::new(),
            n => format!("; and {n} more, as `lowspot map` tells"),
        };
        page.say(
            "LEFT OUT",
            &format!("{first}{more}. Look at the spot again before you fill there."),
        );
    }
}

fn prices(page: &mut Page, plan: &Plan, j: &Judgement, units: Units) {
    let told = dear(plan, j);
    for p in told.iter().take(PRICES) {
        page.say("HIGH", &format!("{}.", price(p, j, units)));
    }
    if told.is_empty() && !plan.highs.is_empty() {
        page.say("HIGHS", "none of them sets the height of the job.");
    }
}

fn ways(page: &mut Page, plan: &Plan, units: Units) {
    if plan.ways.is_empty() {
        return;
    }
    page.rule(
        "WAYS, side by side (95 % intervals; hours half to double, with surveys, without pinholes and primer)",
    );
    page.0.push_str(&format!(
        "  {:<17}{:>21}{:>20}{:>16}{:>9}{:>8}\n",
        "", "to mix, all cycles", "left on", "hands-on", "waiting", "cycles"
    ));
    for (k, w) in plan.ways.iter().enumerate() {
        let mark = if plan.chosen == Some(k) { '>' } else { ' ' };
        page.0.push_str(&format!(
            "{mark} {:<17}{:>21}{:>20}{:>16}{:>9}{:>8}\n",
            w.kind.word(),
            words::volume(w.to_mix_cc, units),
            mass_range(w.left_on_g),
            hours_range(w.hours),
            format!("{:.0} h", w.waiting_hours),
            cycles(w),
        ));
    }
    for w in &plan.ways {
        page.hang(
            &format!("    {}", w.kind.word()),
            21,
            &format!("can go wrong: {}.", w.kind.risk()),
        );
    }
    for (kind, why) in &plan.not_offered {
        page.hang(
            &format!("    {}", kind.word()),
            21,
            &format!("not here: {why}."),
        );
    }
}

/// "2", "1-2".
pub(super) fn cycles(w: &Way) -> String {
    if w.least_cycles < w.cycles {
        format!("{}-{}", w.least_cycles, w.cycles)
    } else {
        w.cycles.to_string()
    }
}

fn amounts(page: &mut Page, plan: &Plan, units: Units) {
    let Some(way) = plan.way() else {
        return;
    };
    page.rule(&format!(
        "AMOUNTS of {} for this cycle, {}",
        way.recipe.name,
        units.volume_unit()
    ));
    page.0.push_str(&format!(
        "  {:<29}{:>15}{:>17}{:>17}{:>18}\n",
        "", "to level", "to spread", "to mix", "left on"
    ));
    let line = |row: &Row| {
        let a = &row.amounts;
        format!(
            "  {:<29}{:>15}{:>17}{:>17}{:>18}\n",
            row.name,
            bare(a.to_level_cc, units),
            bare(a.to_spread_cc, units),
            bare(a.to_mix_cc, units),
            mass_range(a.left_on_g)
        )
    };
    let rows = &way.table.rows;
    // Lows beyond the largest share a line; what lies between and what is missed have their own.
    let is_low = |row: &Row| row.name.starts_with('L');
    let lows: Vec<&Row> = rows.iter().filter(|r| is_low(r)).collect();
    let told = if lows.len() <= ROWS {
        lows.len()
    } else {
        ROWS - 1
    };
    for row in &lows[..told] {
        page.0.push_str(&line(row));
    }
    if let Some(more) = lows.get(told..).filter(|m| !m.is_empty()) {
        let sum = |pick: &dyn Fn(&Row) -> f64| more.iter().map(|r| pick(r)).sum::<f64>();
        let v = |cc: f64| units.bare_volume(cc);
        page.0.push_str(&format!(
            "  {:<29}{:>15}{:>17}{:>17}{:>18}\n",
            format!("{} more lows", more.len()),
            v(sum(&|r| r.amounts.to_level_cc.value)),
            v(sum(&|r| r.amounts.to_spread_cc.value)),
            v(sum(&|r| r.amounts.to_mix_cc.value)),
            mass(sum(&|r| r.amounts.left_on_g.value)),
        ));
    }
    for row in rows.iter().filter(|r| !is_low(r)) {
        page.0.push_str(&line(row));
    }
    page.0.push_str(&line(&Row {
        name: "all together".into(),
        amounts: way.table.total,
    }));
    let cured = way.table.total.left_on_cc.value + way.sanded_off_cc;
    let share = if cured > 0.0 {
        100.0 * way.sanded_off_cc / cured
    } else {
        0.0
    };
    page.0.push_str(&format!(
        "  Once {}, {share:.0} % is sanded off again ({}): worked out from depth, feather and overfill.\n  What \
         stays is a little more than to level where the feather fills a low's rim.\n",
        if way.kind == crate::plan::ways::Kind::PrimerOnly { "dry" } else { "cured" },
        units.volume(way.sanded_off_cc)
    ));
}

/// "45 (38-56)", "-0.4".
pub(super) fn bare(i: crate::judge::Interval, units: Units) -> String {
    if i.high - i.low < 1e-9 {
        return units.bare_volume(i.value);
    }
    words::bare_volume(i, units)
}

fn split(page: &mut Page, plan: &Plan, units: Units) {
    let s = &plan.split;
    let shallow = if s.shallow_cc >= 0.5 {
        format!(
            " Hollows too shallow for it hold {}: {} of primer ({} as filler, but a filler cycle more).",
            units.volume(s.shallow_cc),
            mass(s.as_primer_g),
            mass(s.as_filler_g)
        )
    } else {
        String::new()
    };
    page.gap();
    if s.lows_as_filler_g > 0.0 {
        page.say(
            "BY MASS",
            &format!(
                "the lows full of filler {}, full of primer {}.{shallow} The build coat over all leaves {}, whichever way.",
                mass(s.lows_as_filler_g),
                mass(s.lows_as_primer_g),
                mass(s.build_coat_g)
            ),
        );
    }
}
