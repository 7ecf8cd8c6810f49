//! The work list: what to do, in order, each line with place, tool, depth, amount, time and where to stop.

use super::sanding;
use super::ways::{Kind, Way};
use super::whole::{Choice, Plan};
use crate::judge::{Action, Judgement, Region, RegionKind, Verdict};
use crate::panel::{Form, Panel};
use crate::units::Units;
use serde::Serialize;

/// One line of work. A field that does not apply is empty.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Item {
    /// Place in the order, from 1.
    pub number: usize,
    /// What to do: "sand", "fill", "board".
    pub what: &'static str,
    /// Where.
    pub place: String,
    /// With what.
    pub tool: String,
    /// How deep or thick.
    pub depth: String,
    /// How much.
    pub amount: String,
    /// How long, hands-on; waiting is said so.
    pub time: String,
    /// Where to stop.
    pub stop: String,
}

/// The rule for every sanding.
const STOP: &str = "guide coat is gone or substrate shows, whichever is first";
/// Regions told one by one; the rest share a line.
const TOLD: usize = 8;
/// Lines of master strips are no further apart than this, mm (common practice, no source), nor than the edge reaches.
const STRIPS_APART_MM: f64 = 500.0;
/// A master strip is about this wide, mm (common practice, no source).
const STRIP_WIDE_MM: f64 = 40.0;

/// All lines. `plan` is complete but for them.
pub fn items(plan: &Plan, panel: &Panel, j: &Judgement, choice: &Choice) -> Vec<Item> {
    let list = List {
        plan,
        panel,
        j,
        choice,
        units: choice.units,
    };
    let mut all = Vec::new();
    all.extend(list.measure());
    all.extend(list.move_the_skin());
    match plan.way() {
        Some(way) if way.kind == Kind::PrimerOnly => {
            all.extend(list.sand());
            all.push(list.pinholes());
            all.extend(list.prime(Some(way)));
        }
        Some(way) => {
            all.push(list.clean());
            all.extend(list.sand());
            all.push(list.mix(way));
            all.extend(list.strips(way));
            all.extend(list.fill(way));
            all.push(list.wait(way));
            all.push(list.board(way));
            all.push(list.again(way));
            all.push(list.pinholes());
            all.extend(list.prime(None));
        }
        None => all.extend(list.sand()),
    }
    for (k, item) in all.iter_mut().enumerate() {
        item.number = k + 1;
    }
    all
}

struct List<'a> {
    plan: &'a Plan,
    panel: &'a Panel,
    j: &'a Judgement,
    choice: &'a Choice<'a>,
    units: Units,
}

impl List<'_> {
    fn of(&self, kind: RegionKind, action: Action) -> Vec<&Region> {
        self.j
            .regions
            .iter()
            .filter(|r| r.kind == kind && r.action == action)
            .collect()
    }

    /// "low L1, x 320-540, y 500-740".
    fn place(&self, r: &Region) -> String {
        let kind = if r.kind == RegionKind::Low {
            "low"
        } else {
            "high"
        };
        let [x0, y0, x1, y1] = r.extent_mm.map(|mm| self.units.bare_place(mm));
        let unit = if self.units == Units::Us { " in" } else { "" };
        format!("{kind} {}, x {x0}-{x1}, y {y0}-{y1}{unit}", r.name)
    }

    /// What the verdict asks to be measured before anything is touched.
    fn measure(&self) -> Vec<Item> {
        if self.j.verdict != Verdict::MeasureMore {
            return Vec::new();
        }
        self.j
            .measure_next
            .iter()
            .take(3)
            .map(|s| Item {
                what: "measure",
                place: s.trim_end_matches('.').to_string(),
                time: minutes(
                    self.choice.shop.placing_min.value / 60.0
                        + 13.0 * self.choice.shop.reading_s.value / 3600.0,
                ),
                amount: "then map and plan again".into(),
                ..Item::default()
            })
            .collect()
    }

    fn move_the_skin(&self) -> Vec<Item> {
        self.of(RegionKind::Low, Action::MoveTheSkin)
            .into_iter()
            .map(|r| Item {
                what: "move the skin",
                place: self.place(r),
                tool: "hammer and dolly, or from behind".into(),
                depth: self.units.depth(r.worst_mm.value.abs()),
                amount: "then survey again: filler only for what is left".into(),
                ..Item::default()
            })
            .collect()
    }

    fn clean(&self) -> Item {
        Item {
            what: "clean and key",
            place: "where filler goes, a hand's width past it".into(),
            tool: "solvent and clean cloths, then P80".into(),
            stop: "nothing shines, valleys of the weave neither".into(),
            ..Item::default()
        }
    }

    fn sand(&self) -> Vec<Item> {
        sanding::sanded(self.j)
            .take(TOLD)
            .map(|r| {
                let m2 = r.area_cm2 / 1e4;
                let hours = sanding::high_hours(r, self.choice.shop);
                Item {
                    what: "sand",
                    place: format!("{}{}", self.place(r), looks_like(r)),
                    tool: format!(
                        "long block, P36-40 then P80, over {} times its width",
                        if m2 < 0.02 { "three" } else { "two" }
                    ),
                    depth: format!(
                        "{} off, {} allowed{}",
                        self.units.depth(r.comes_off_mm),
                        self.units.depth(r.allowed_mm),
                        self.film_there(r)
                    ),
                    amount: r.saves_cc.map_or(String::new(), |s| {
                        format!("saves {} to level", self.units.volume(s.value))
                    }),
                    time: minutes(hours.max(0.05)),
                    stop: format!("{STOP}, or the allowed depth is off"),
                    ..Item::default()
                }
            })
            .collect()
    }

    /// ", leaves 0.10 mm of film (0.03 at the lower end)".
    fn film_there(&self, r: &Region) -> String {
        let grid = self.j.nodes.grid;
        let n = [
            (r.worst_at[1] / grid.step_mm).round() as usize,
            (r.worst_at[0] / grid.step_mm).round() as usize,
        ];
        let film = self.plan.film.as_ref();
        let left = film.and_then(|f| Some((*f.left_mm.get(n)?, *f.low_mm.get(n)?)));
        match left.filter(|(l, _)| l.is_finite()) {
            Some((left, low)) => format!(
                ", leaves {} of film ({} at the lower end)",
                self.units.depth(left),
                self.units.depth(low)
            ),
            None => String::new(),
        }
    }

    fn mix(&self, way: &Way) -> Item {
        let later = way.to_mix_cc.value - way.first_mix_cc;
        let keep = if way.cycles > 1 {
            format!(
                "; about {} more in later cycles",
                self.units.volume(later.max(0.0))
            )
        } else {
            String::new()
        };
        Item {
            what: "mix",
            place: way.recipe.name.clone(),
            tool: format!(
                "scale, in batches: card by lowspot mix --plan plan.json ({:.0} °C)",
                self.plan.weather.air_c
            ),
            amount: format!(
                "{} for this cycle{keep}",
                self.units.volume(way.first_mix_cc)
            ),
            ..Item::default()
        }
    }

    /// Master strips, where that is the way.
    fn strips(&self, way: &Way) -> Option<Item> {
        if way.kind != Kind::StripsAndBays {
            return None;
        }
        // Strips run the way the panel is straightest, so that a batten or edge fairs them.
        let along_y = self.panel.form == Form::RuledY;
        let (across, axis) = if along_y {
            (self.panel.length_mm, "y")
        } else {
            (self.panel.width_mm, "x")
        };
        let bays = (across / STRIPS_APART_MM).ceil().max(1.0);
        Some(Item {
            what: "master strips",
            place: format!(
                "along {axis}, {:.0} of them, each {} apart, {} wide",
                bays + 1.0,
                self.units.place(across / bays),
                self.units.place(STRIP_WIDE_MM)
            ),
            tool: "batten or straightedge, then a narrow board".into(),
            depth: format!("up to {}", self.units.depth(way.deepest_mm)),
            stop: "the batten touches all along; let them cure before the bays".into(),
            time: waiting(way.recipe.sandable_h_at(self.plan.weather.air_c)),
            ..Item::default()
        })
    }

    fn fill(&self, way: &Way) -> Vec<Item> {
        let coats = |deep: f64| {
            let n = super::ways::coats(deep, way.greatest_coat_mm);
            if n > 1 {
                format!(" in {n} coats")
            } else {
                String::new()
            }
        };
        if way.kind != Kind::SpotFill {
            let what = if way.kind == Kind::StripsAndBays {
                "fill the bays"
            } else {
                "skim"
            };
            return vec![Item {
                what,
                place: "all over, no-filler areas left clear".into(),
                tool: if way.kind == Kind::StripsAndBays {
                    "screed resting on the strips".into()
                } else {
                    "wide spreader, one direction, then across".into()
                },
                depth: format!(
                    "up to {}{}",
                    self.units.depth(way.deepest_mm),
                    coats(way.deepest_mm)
                ),
                amount: format!(
                    "{} spread",
                    self.units.volume(way.table.total.to_spread_cc.value)
                ),
                time: hours(way.area_m2 * self.choice.shop.spread_hours_per_m2.value),
                stop: "slightly proud everywhere and no voids; tape dams at edges and openings"
                    .into(),
                ..Item::default()
            }];
        }
        let lows: Vec<&Region> = self
            .j
            .regions
            .iter()
            .filter(|r| way.table.rows.iter().any(|row| row.name == r.name))
            .collect();
        let spread = |r: &Region| {
            way.table
                .rows
                .iter()
                .find(|row| row.name == r.name)
                .map_or(0.0, |row| row.amounts.to_spread_cc.value)
        };
        let shop = self.choice.shop;
        let mut all: Vec<Item> = lows
            .iter()
            .take(TOLD)
            .map(|r| {
                let deep = r.worst_mm.value.abs() + shop.overfill_mm.value;
                let feather = (shop.feather_ratio.value * r.worst_mm.value.abs())
                    .max(shop.feather_least_mm.value);
                Item {
                    what: "fill",
                    place: self.place(r),
                    tool: "spreader wider than the low".into(),
                    depth: format!(
                        "{} deep, and {} proud{}, feathered {} past it",
                        self.units.depth(r.worst_mm.value.abs()),
                        self.units.depth(shop.overfill_mm.value),
                        coats(deep),
                        self.units.place(feather)
                    ),
                    amount: format!("{} spread", self.units.volume(spread(r))),
                    time: minutes((r.area_cm2 / 1e4 * shop.spread_hours_per_m2.value).max(0.03)),
                    stop: "proud all over, no voids".into(),
                    ..Item::default()
                }
            })
            .collect();
        if let Some(more) = lows.get(TOLD..).filter(|m| !m.is_empty()) {
            let names: Vec<&str> = more.iter().map(|r| r.name.as_str()).collect();
            all.push(Item {
                what: "fill",
                place: format!("lows {}, as the map shows", names.join(", ")),
                amount: format!(
                    "{} spread, together",
                    self.units.volume(more.iter().map(|r| spread(r)).sum())
                ),
                stop: "proud all over, no voids".into(),
                ..Item::default()
            });
        }
        all
    }

    fn wait(&self, way: &Way) -> Item {
        let each = way.recipe.sandable_h_at(self.plan.weather.air_c);
        let coats = if way.coats > 1 {
            format!(" ({} for each of {} coats)", hours(each), way.coats)
        } else {
            String::new()
        };
        Item {
            what: "wait",
            time: format!(
                "{}{coats} at {:.0} °C; the data sheet wins",
                waiting(each * f64::from(way.coats)),
                self.plan.weather.air_c
            ),
            stop: format!("{} sands to dust and does not clog", way.recipe.name),
            ..Item::default()
        }
    }

    fn board(&self, way: &Way) -> Item {
        Item {
            what: "board",
            place: if way.kind == Kind::SpotFill {
                "every patch and past its feather".into()
            } else {
                "all over".into()
            },
            tool: self.plan.board.words.clone() + "; P40 to level, P80 to shape, P120 to finish",
            amount: format!("about {} comes off", self.units.volume(way.sanded_off_cc)),
            time: hours(way.sanding_hours),
            stop: format!("highs first show: {STOP}"),
            ..Item::default()
        }
    }

    fn again(&self, way: &Way) -> Item {
        let more = if way.cycles > 1 {
            format!(
                "count on {} cycles in all ({} if all goes well)",
                way.cycles, way.least_cycles
            )
        } else {
            "this cycle should do".into()
        };
        Item {
            what: "survey again",
            place: format!(
                "{} placings as before, on the same supports",
                self.j.placings.len()
            ),
            tool: "guide coat first; then the same edge".into(),
            time: hours(way.survey_hours),
            amount: more,
            ..Item::default()
        }
    }

    fn pinholes(&self) -> Item {
        Item {
            what: "pinholes",
            place: "all over, in raking light".into(),
            tool: "fine glaze, wiped full, not bridged".into(),
            stop: "raking light shows none".into(),
            ..Item::default()
        }
    }

    fn prime(&self, way: Option<&Way>) -> Vec<Item> {
        let shop = self.choice.shop;
        let coats = way.map_or(shop.primer_coats.value, |w| f64::from(w.coats));
        let split = &self.plan.split;
        let shallow = if split.shallow_cc > 0.5 {
            format!(
                "; takes {} of hollows too shallow for filler",
                self.units.volume(split.shallow_cc)
            )
        } else {
            String::new()
        };
        vec![Item {
            what: "prime",
            place: format!("all over, once fair{shallow}"),
            tool: format!(
                "{}, {coats:.0} coats, guide coat, block P180 then P320",
                self.choice.primer.name
            ),
            amount: match way {
                Some(w) => format!("mix {}", self.units.volume(w.to_mix_cc.value)),
                None => format!("{:.0} g stay after blocking", split.build_coat_g),
            },
            time: way.map_or(String::new(), |w| hours(w.filling_hours)),
            stop:
                "guide coat is gone; if anything shows through first, that low goes back to filler"
                    .into(),
            ..Item::default()
        }]
    }
}

fn looks_like(r: &Region) -> String {
    if r.looks_like.is_empty() {
        String::new()
    } else {
        format!(", {}", r.looks_like)
    }
}

/// "about 5 min", "about 1.5 h".
pub fn hours(h: f64) -> String {
    match h {
        h if h < 0.95 => minutes(h),
        h if h < 9.95 => format!("about {h:.1} h"),
        h => format!("about {h:.0} h"),
    }
}

fn minutes(h: f64) -> String {
    let min = h * 60.0;
    let step = if min < 10.0 { 1.0 } else { 5.0 };
    format!("about {:.0} min", (min / step).round().max(1.0) * step)
}

/// "wait 36 h".
fn waiting(h: f64) -> String {
    hours(h).replacen("about", "wait", 1)
}
