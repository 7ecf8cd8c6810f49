//! The work list: what to do, in order, each line with place, tool, depth, amount, time and where
//! to stop.

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
/// The command for the mixing card, run in the plan's own folder; [`Plan::printed_as`] puts the one
/// in its place that runs where the plan is printed.
pub const MIX_COMMAND: &str = "lowspot mix --plan plan.json";
/// Regions told one by one; the rest share a line.
const TOLD: usize = 8;
/// Lines of master strips are no further apart than this, mm (common practice, no source), nor than
/// the edge reaches.
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
    all.extend(list.over_budget());
    all.extend(list.weigh_before());
    all.extend(list.measure());
    all.extend(list.keep_off());
    let metal = list.move_the_skin();
    if metal.is_empty() {
        all.extend(list.job());
        all.extend(list.weigh_after());
    } else {
        // Nothing is filled on a skin that is still to be moved.
        all.extend(metal);
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

    /// From clean skin to primer.
    fn job(&self) -> Vec<Item> {
        let mut all = vec![self.clean()];
        if self.plan.way().is_none() && self.j.verdict == Verdict::Fair {
            all.push(self.pinholes());
            all.extend(self.prime(None));
            return all;
        }
        all.extend(self.sand());
        match self.plan.way() {
            Some(way) if way.kind == Kind::PrimerOnly => {
                all.push(self.key());
                all.push(self.pinholes());
                all.extend(self.prime(Some(way)));
                all.push(self.again(way));
            }
            Some(way) => {
                all.push(self.key());
                if way.kind == Kind::StripsAndBays {
                    all.extend(self.strips(way));
                }
                all.push(self.mix(way, 1.0 - self.strips_share(way)));
                all.extend(self.fill(way));
                all.push(self.wait(way));
                all.push(self.coat());
                all.push(self.board(way));
                all.push(self.again(way));
                all.push(self.pinholes());
                all.extend(self.prime(None));
            }
            None => {}
        }
        all
    }

    fn over_budget(&self) -> Option<Item> {
        let b = &self.plan.balance;
        let over = b.total_g - b.budget_g?;
        (over > 0.0).then(|| Item {
            what: "stop: over budget",
            place: format!(
                "{:.0} g would be on (filling {:.0} g, build coat {:.0} g, before {:.0} g), {over:.0} g over the budget",
                b.total_g, b.mass_g, b.build_coat_g, b.so_far_g
            ),
            amount: "ask the designer before anything is mixed; take highs down, or another way".into(),
            ..Item::default()
        })
    }

    fn weigh_before(&self) -> Option<Item> {
        self.panel.moving_surface.then(|| Item {
            what: "weigh and balance",
            place: "as it is now, and write it down".into(),
            tool: "scale and balance rig, to the manufacturer's procedure".into(),
            stop: "mass and moment about the hinge are recorded".into(),
            ..Item::default()
        })
    }

    fn weigh_after(&self) -> Option<Item> {
        self.panel.moving_surface.then(|| Item {
            what: "weigh and balance",
            place: "again, complete with primer and paint".into(),
            tool: "scale and balance rig, to the manufacturer's procedure".into(),
            stop: "it is inside the manufacturer's limits and released by who may".into(),
            ..Item::default()
        })
    }

    /// Places that are taped off before any work.
    fn keep_off(&self) -> Option<Item> {
        let boxes = |areas: &[crate::panel::Polygon]| -> Vec<String> {
            areas
                .iter()
                .take(4)
                .map(|p| self.box_words(p.bounds()))
                .collect()
        };
        let mut told = Vec::new();
        for (what, areas) in [
            ("no sanding at", &self.panel.no_sand),
            ("no filler at", &self.panel.no_fill),
        ] {
            let places = boxes(areas);
            if !places.is_empty() {
                told.push(format!("{what} {}", places.join("; ")));
            }
        }
        let thin = self.plan.film.as_ref().map_or(&[][..], |f| &f.thin_at);
        if !thin.is_empty() {
            let places: Vec<String> = thin.iter().map(|b| self.box_words(*b)).collect();
            told.push(format!(
                "film too thin even for blocking at {}",
                places.join("; ")
            ));
        }
        (!told.is_empty()).then(|| Item {
            what: "tape off",
            place: told.join(". ") + ". Drains, vents, ports, hinge gaps too",
            tool: "tape".into(),
            stop: "nothing can be sanded or filled there by mistake".into(),
            ..Item::default()
        })
    }

    /// "x 0-2400, y 300-380".
    fn box_words(&self, [x0, y0, x1, y1]: [f64; 4]) -> String {
        let [x0, y0, x1, y1] = [x0, y0, x1, y1].map(|mm| self.units.bare_place(mm));
        let unit = if self.units == Units::Us { " in" } else { "" };
        format!("x {x0}-{x1}, y {y0}-{y1}{unit}")
    }

    /// "; never over what is taped off", where anything is.
    fn taped(&self) -> &'static str {
        let any = !self.panel.no_sand.is_empty()
            || self
                .plan
                .film
                .as_ref()
                .is_some_and(|f| !f.thin_at.is_empty());
        if any {
            "; never over what is taped off"
        } else {
            ""
        }
    }

    /// "; not over no-filler x 1600-1800, y 600-750: the feather ends there", where a low or its
    /// feather meets one.
    fn clear_of(&self, r: &Region, feather_mm: f64) -> String {
        let [x0, y0, x1, y1] = r.extent_mm;
        let meets = |b: [f64; 4]| {
            b[0] < x1 + feather_mm
                && b[2] > x0 - feather_mm
                && b[1] < y1 + feather_mm
                && b[3] > y0 - feather_mm
        };
        let places: Vec<String> = self
            .panel
            .no_fill
            .iter()
            .map(crate::panel::Polygon::bounds)
            .filter(|b| meets(*b))
            .map(|b| self.box_words(b))
            .collect();
        if places.is_empty() {
            String::new()
        } else {
            format!(
                "; not over no-filler {}: the feather ends at its tape",
                places.join("; ")
            )
        }
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
        let mut all: Vec<Item> = self
            .of(RegionKind::Low, Action::MoveTheSkin)
            .into_iter()
            .map(|r| Item {
                what: "move the skin",
                place: self.place(r),
                tool: "hammer and dolly, or from behind".into(),
                depth: format!("up by {}", self.units.depth(r.worst_mm.value.abs())),
                stop: "the edge rides on it as on its neighbours".into(),
                ..Item::default()
            })
            .collect();
        if all.is_empty() {
            return all;
        }
        all.extend(
            self.j
                .regions
                .iter()
                .filter(|r| r.kind == RegionKind::High)
                .take(TOLD)
                .map(|r| Item {
                    what: "move the skin",
                    place: self.place(r),
                    tool: "dress it down, or shrink it by who can".into(),
                    depth: format!("down by {}", self.units.depth(r.worst_mm.value)),
                    stop: "the edge rides on it as on its neighbours".into(),
                    ..Item::default()
                }),
        );
        all.push(Item {
            what: "survey and plan again",
            place:
                "filler is only for what is left: the amounts above are for the skin as it is now"
                    .into(),
            time: hours(self.plan.ways.first().map_or(1.0, |w| w.survey_hours)),
            ..Item::default()
        });
        all
    }

    fn clean(&self) -> Item {
        use crate::panel::skin::Substrate;
        let (tool, stop) = match self.panel.skin.substrate {
            Some(Substrate::PolystyreneFoam | Substrate::Foam) => (
                "vacuum and a dry cloth: no solvent on foam",
                "no dust comes off on a clean cloth",
            ),
            Some(Substrate::Aluminium | Substrate::Steel) => (
                "wash, then the wipe that the filler's data sheet names, clean cloths",
                "water runs off in a film, without beads",
            ),
            _ => (
                "wash, then wax and grease remover on clean cloths, before any sanding",
                "no wax, no blush, nothing comes off on a clean cloth",
            ),
        };
        Item {
            what: "clean",
            place: "all that will be sanded or filled".into(),
            tool: tool.into(),
            stop: stop.into(),
            ..Item::default()
        }
    }

    fn key(&self) -> Item {
        let tool = if self.panel.sheet_metal {
            "abrasive as the filler's data sheet names it; vacuum, wipe"
        } else {
            "P80, then vacuum and a clean dry cloth: no dust under filler"
        };
        Item {
            what: "key",
            place: format!(
                "where filler or primer goes, a hand's width past it{}",
                self.taped()
            ),
            tool: tool.into(),
            stop: "nothing shines, valleys of the weave neither".into(),
            ..Item::default()
        }
    }

    fn coat(&self) -> Item {
        Item {
            what: "guide coat",
            place: "all that is boarded".into(),
            tool: "powder or mist, thin and even, again after each round".into(),
            ..Item::default()
        }
    }

    fn sand(&self) -> Vec<Item> {
        let highs = self.j.regions.iter().enumerate();
        highs
            .filter(|(_, r)| r.kind == RegionKind::High && r.action == Action::Sand)
            .take(TOLD)
            .map(|(k, r)| {
                let down = sanding::down(self.j, self.panel, k);
                let then = down
                    .grit
                    .finer()
                    .map_or(String::new(), |g| format!(", then {}", g.name));
                let m2 = r.area_cm2 / 1e4;
                let hours = sanding::high_hours(r, self.choice.shop);
                Item {
                    what: "sand",
                    place: format!("{}{}", self.place(r), looks_like(r)),
                    tool: format!(
                        "long block, {}{then}, over {} times its width",
                        down.grit.name,
                        if m2 < 0.02 { "three" } else { "two" }
                    ),
                    depth: format!(
                        "{} off, {} allowed with the scratches of {}{}",
                        self.units.depth(down.off_mm),
                        self.units.depth(down.may_mm),
                        down.grit.name,
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

    fn mix(&self, way: &Way, share: f64) -> Item {
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
                "scale, in batches, one low after the other; the card for {:.0} °C: {MIX_COMMAND}",
                self.plan.weather.air_c
            ),
            amount: format!(
                "{} for this cycle{keep}",
                self.units.volume(way.first_mix_cc * share)
            ),
            ..Item::default()
        }
    }

    /// Where master strips run: along which axis, at which places across, mm.
    fn strip_places(&self) -> (&'static str, Vec<f64>) {
        // Strips run the way the panel is straightest, so that a batten or edge fairs them.
        let along_y = self.panel.form == Form::RuledY;
        let (across, axis) = if along_y {
            (self.panel.length_mm, "y")
        } else {
            (self.panel.width_mm, "x")
        };
        let bays = (across / STRIPS_APART_MM).ceil().max(1.0);
        let inset = STRIP_WIDE_MM / 2.0;
        let places = (0..=bays as usize)
            .map(|k| inset + (across - 2.0 * inset) * k as f64 / bays)
            .collect();
        (axis, places)
    }

    /// Share of the filler that master strips take: as their area to the panel's; 0 for other ways.
    fn strips_share(&self, way: &Way) -> f64 {
        if way.kind != Kind::StripsAndBays {
            return 0.0;
        }
        let (axis, places) = self.strip_places();
        let long = if axis == "x" {
            self.panel.length_mm
        } else {
            self.panel.width_mm
        };
        (places.len() as f64 * STRIP_WIDE_MM * long / 100.0 / self.panel.area_cm2()).min(0.5)
    }

    /// Master strips: mixed, laid and cured before the bays.
    fn strips(&self, way: &Way) -> Vec<Item> {
        let (axis, places) = self.strip_places();
        let across = if axis == "x" { "y" } else { "x" };
        let at: Vec<String> = places.iter().map(|mm| self.units.bare_place(*mm)).collect();
        let mut mix = self.mix(way, self.strips_share(way));
        mix.place = format!("{}, for the strips", way.recipe.name);
        vec![
            mix,
            Item {
                what: "master strips",
                place: format!(
                    "along {axis}, {} wide, their middles at {across} {}",
                    self.units.place(STRIP_WIDE_MM),
                    at.join(", ")
                ),
                tool: "batten or straightedge, then a narrow board".into(),
                depth: format!("up to {}", self.units.depth(way.deepest_mm)),
                stop: "the batten touches all along".into(),
                time: format!("{} before the bays", waiting(way.cure_hours)),
                ..Item::default()
            },
        ]
    }

    fn fill(&self, way: &Way) -> Vec<Item> {
        if way.kind != Kind::SpotFill {
            return vec![self.fill_all_over(way)];
        }
        let lows: Vec<&Region> = self
            .j
            .regions
            .iter()
            .filter(|r| way.table.rows.iter().any(|row| row.name == r.name))
            .collect();
        let told = lows.iter().take(TOLD);
        let mut all: Vec<Item> = told.map(|r| self.fill_low(way, r)).collect();
        if let Some(more) = lows.get(TOLD..).filter(|m| !m.is_empty()) {
            let names: Vec<&str> = more.iter().map(|r| r.name.as_str()).collect();
            all.push(Item {
                what: "fill",
                place: format!("lows {}, as the map shows", names.join(", ")),
                amount: format!(
                    "{} spread, together",
                    self.units
                        .volume(more.iter().map(|r| spread_cc(way, r)).sum())
                ),
                stop: "proud all over, no voids".into(),
                ..Item::default()
            });
        }
        all
    }

    /// Bays between strips, or a skim.
    fn fill_all_over(&self, way: &Way) -> Item {
        let bays = way.kind == Kind::StripsAndBays;
        let spread_cc = way.table.total.to_spread_cc.value * (1.0 - self.strips_share(way));
        Item {
            what: if bays { "fill the bays" } else { "skim" },
            place: if self.panel.no_fill.is_empty() {
                "all over".into()
            } else {
                "all over, but what is taped off".into()
            },
            tool: if bays {
                "screed resting on the strips".into()
            } else {
                "wide spreader, one direction, then across".into()
            },
            depth: format!(
                "up to {}{}",
                self.units.depth(way.deepest_mm),
                in_coats(way, way.deepest_mm)
            ),
            amount: format!("{} spread", self.units.volume(spread_cc)),
            time: hours(way.area_m2 * self.choice.shop.spread_hours_per_m2.value),
            stop: "slightly proud everywhere and no voids; tape dams at edges and openings".into(),
            ..Item::default()
        }
    }

    fn fill_low(&self, way: &Way, low: &Region) -> Item {
        let shop = self.choice.shop;
        let depth = low.worst_mm.value.abs();
        let feather = (shop.feather_ratio.value * depth).max(shop.feather_least_mm.value);
        let measure = low.action == Action::Measure;
        Item {
            what: if measure {
                "measure, then fill"
            } else {
                "fill"
            },
            place: self.place(low) + &self.clear_of(low, feather),
            tool: if measure {
                "two placings crossing over it first: what is known does not decide; then a spreader wider than the low".into()
            } else {
                "spreader wider than the low".into()
            },
            depth: format!(
                "{} deep, and {} proud{}, feathered {} past it",
                self.units.depth(depth),
                self.units.depth(shop.overfill_mm.value),
                in_coats(way, depth + shop.overfill_mm.value),
                self.units.place(feather)
            ),
            amount: format!("{} spread", self.units.volume(spread_cc(way, low))),
            time: minutes((low.area_cm2 / 1e4 * shop.spread_hours_per_m2.value).max(0.03)),
            stop: "proud all over, no voids".into(),
            ..Item::default()
        }
    }

    fn wait(&self, way: &Way) -> Item {
        // Master strips have had their own.
        let rounds = if way.kind == Kind::StripsAndBays {
            way.coats / 2
        } else {
            way.coats
        };
        let coats = if rounds > 1 {
            format!(" ({} for each of {rounds} coats)", hours(way.cure_hours))
        } else {
            String::new()
        };
        Item {
            what: "wait",
            time: format!(
                "{}{coats} with the skin at {:.0} °C; the data sheet wins",
                waiting(way.cure_hours * f64::from(rounds)),
                self.plan.weather.skin_c
            ),
            stop: format!("{} sands to dust and does not clog", way.recipe.name),
            ..Item::default()
        }
    }

    fn board(&self, way: &Way) -> Item {
        Item {
            what: "board",
            place: if way.kind == Kind::SpotFill {
                format!("every patch and past its feather{}", self.taped())
            } else {
                format!("all over{}", self.taped())
            },
            tool: if way.kind == Kind::StripsAndBays {
                format!(
                    "the longest board there is, diagonally both ways; {}",
                    self.grits()
                )
            } else {
                format!("{}; {}", self.plan.board.words, self.grits())
            },
            amount: format!("about {} comes off", self.units.volume(way.sanded_off_cc)),
            time: hours(way.sanding_hours),
            stop: format!("highs first show: {STOP}"),
            ..Item::default()
        }
    }

    /// "P40 to level on the filler alone, P80 where the board runs onto the skin, P120 to finish".
    fn grits(&self) -> String {
        let skin = sanding::on_skin(self.panel, self.plan.film.as_ref());
        let finish = skin.finer().unwrap_or(skin);
        let film = if self.plan.film.is_some() {
            ""
        } else {
            ", whose film is not known"
        };
        let level = if skin.name == "P40" {
            "P40 to level, P80 to shape".to_string()
        } else {
            format!(
                "P40 to level on the filler alone; {} at most where the board runs onto the skin{film}",
                skin.name
            )
        };
        format!(
            "{level}; {} to finish",
            if finish.scratch_mm > 0.031 {
                "P120"
            } else {
                finish.name
            }
        )
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
            tool: "the same edge".into(),
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
            place: format!(
                "all over, once fair, but no-filler places{shallow}{}",
                self.prime_after()
            ),
            tool: format!(
                "{}, {coats:.0} coats, guide coat, block P180 then P320{}",
                self.choice.primer.name,
                self.taped()
            ),
            amount: match way {
                Some(w) => format!("mix {}", self.units.volume(w.to_mix_cc.value)),
                None => format!("{:.0} g stay after blocking", split.build_coat_g),
            },
            time: way.map_or(String::new(), |w| {
                format!(
                    "{}, then {} to block",
                    hours(w.filling_hours),
                    waiting(w.cure_hours)
                )
            }),
            stop:
                "guide coat is gone; if anything shows through first, that low goes back to filler"
                    .into(),
            ..Item::default()
        }]
    }
}

impl List<'_> {
    /// "; no sooner than 90 min after the last filler", where its recipe says so.
    fn prime_after(&self) -> String {
        match self
            .plan
            .way()
            .and_then(|w| w.recipe.prime_after_h.as_ref())
        {
            Some(h) => format!(
                "; no sooner than {} after the last filler",
                hours(h.value).replacen("about ", "", 1)
            ),
            None => String::new(),
        }
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

/// " in 3 coats" for a depth that takes more than one.
fn in_coats(way: &Way, deep_mm: f64) -> String {
    match super::ways::coats(deep_mm, way.greatest_coat_mm) {
        n if n > 1 => format!(" in {n} coats"),
        _ => String::new(),
    }
}

/// What is spread into one low, cc.
fn spread_cc(way: &Way, low: &Region) -> f64 {
    let row = way.table.rows.iter().find(|row| row.name == low.name);
    row.map_or(0.0, |row| row.amounts.to_spread_cc.value)
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
