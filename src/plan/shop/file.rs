//! Reading `shop.toml` over the defaults, with every fault of the file at once. `docs/formats.md`
//! lists every key.

use super::{Figure, Shop};
use crate::problem::{Error, Fault, Warning};
use crate::settings::{Reader, Value, get};
use crate::text::{self, plain_mm, quoted};
use crate::units;
use std::ops::Range;
use std::path::Path;
use toml::de::DeTable;

const MOST_BYTES: u64 = 1_000_000;

/// One figure of the file: its key, how it is written, what it may be, and where it goes.
struct Known {
    key: &'static str,
    kind: Kind,
    least: f64,
    most: f64,
    at: fn(&mut Shop) -> &mut Figure,
}

/// How a figure is written.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Kind {
    /// A bare number.
    Plain,
    /// A bare whole number.
    Whole,
    /// mm, or text with a unit.
    Length,
    /// g, or text with a unit.
    Mass,
    /// °C, or text with a unit.
    Temperature,
}

const fn known(
    key: &'static str,
    kind: Kind,
    [least, most]: [f64; 2],
    at: fn(&mut Shop) -> &mut Figure,
) -> Known {
    Known {
        key,
        kind,
        least,
        most,
        at,
    }
}

#[rustfmt::skip]
const FIGURES: [Known; 18] = [
    known("pot_loss", Kind::Plain, [0.0, 0.9], |s| &mut s.pot_loss),
    known("overfill", Kind::Length, [0.0, 20.0], |s| &mut s.overfill_mm),
    known("feather_ratio", Kind::Plain, [0.0, 1000.0], |s| &mut s.feather_ratio),
    known("feather_least", Kind::Length, [0.0, 2000.0], |s| &mut s.feather_least_mm),
    known("skim", Kind::Length, [0.0, 20.0], |s| &mut s.skim_mm),
    known("board_hours_per_m2", Kind::Plain, [0.0, 100.0], |s| &mut s.board_hours_per_m2),
    known("board_hours_per_litre", Kind::Plain, [0.0, 100.0], |s| &mut s.board_hours_per_litre),
    known("skin_hours_per_litre", Kind::Plain, [0.0, 1000.0], |s| &mut s.skin_hours_per_litre),
    known("spread_hours_per_m2", Kind::Plain, [0.0, 100.0], |s| &mut s.spread_hours_per_m2),
    known("mix_min", Kind::Plain, [0.0, 120.0], |s| &mut s.mix_min),
    known("placing_min", Kind::Plain, [0.0, 60.0], |s| &mut s.placing_min),
    known("reading_s", Kind::Plain, [0.0, 600.0], |s| &mut s.reading_s),
    known("left_per_cycle", Kind::Plain, [0.0, 0.95], |s| &mut s.left_per_cycle),
    known("longest_board", Kind::Length, [50.0, 5000.0], |s| &mut s.longest_board_mm),
    known("block_takes", Kind::Length, [0.0, 5.0], |s| &mut s.block_takes_mm),
    known("film_keep", Kind::Length, [0.0, 5.0], |s| &mut s.film_keep_mm),
    known("primer_left", Kind::Length, [0.0, 5.0], |s| &mut s.primer_left_mm),
    known("primer_coats", Kind::Whole, [1.0, 20.0], |s| &mut s.primer_coats),
];

/// Keys that are no figure with a default.
const OTHERS: [&str; 5] = ["filler", "primer", "scale", "scale_most", "recipe"];

/// Reads a shop file.
///
/// # Errors
/// [`Error::Faults`] with everything wrong in the file.
pub fn load(path: &Path) -> Result<(Shop, Vec<Warning>), Error> {
    let file = path.display().to_string();
    text::read_typed(path, MOST_BYTES)
        .map_err(|fault| vec![fault])
        .and_then(|text| parse(&text, &file))
        .map_err(Error::Faults)
}

/// Reads the text of a shop file; `file` is its name as the user wrote it, for messages and
/// origins.
///
/// # Errors
/// Everything wrong, in the order of the file.
///
/// ```
/// let text = "pot_loss = 0.1\nskim = \"1 mm\"\n";
/// let (shop, _) = lowspot::plan::shop::parse(text, "shop.toml").unwrap();
/// assert_eq!((shop.pot_loss.value, shop.skim_mm.value), (0.1, 1.0));
/// assert_eq!(shop.pot_loss.origin, "set in shop.toml");
/// ```
pub fn parse(text: &str, file: &str) -> Result<(Shop, Vec<Warning>), Vec<Fault>> {
    let name = Path::new(file).file_name();
    let origin = format!(
        "set in {}",
        name.map_or(file.into(), |n| n.to_string_lossy())
    );
    let mut reader = ShopReader {
        r: Reader::new(text, file),
        origin,
        faulty: Vec::new(),
    };
    let mended = reader.r.without_slips();
    let (table, _) = DeTable::parse_recoverable(&mended);
    let shop = reader.shop(table.get_ref());
    match reader.r.faults.is_empty() {
        true => Ok((shop, reader.r.warnings)),
        false => Err(reader.r.faults.into_list()),
    }
}

/// A settings file read as a shop's.
pub(super) struct ShopReader<'t> {
    pub(super) r: Reader<'t>,
    /// What figures of this file have as their origin.
    pub(super) origin: String,
    /// Names of recipes that have faults.
    pub(super) faulty: Vec<String>,
}

/// What a number is called and may be.
pub(super) struct Bounds<'a> {
    pub(super) what: &'a str,
    pub(super) kind: Kind,
    pub(super) least: f64,
    pub(super) most: f64,
}

impl ShopReader<'_> {
    fn shop(&mut self, table: &DeTable) -> Shop {
        let keys = FIGURES.iter().map(|k| k.key).chain(OTHERS);
        self.r.check_keys(table, keys, "a shop file");
        let mut shop = Shop::default();
        for known in &FIGURES {
            if let Some(figure) =
                self.figure(table, known.key, known.kind, [known.least, known.most])
            {
                *(known.at)(&mut shop) = figure;
            }
        }
        shop.scale_g = self.figure(table, "scale", Kind::Mass, [0.001, 1000.0]);
        shop.scale_most_g = self.figure(table, "scale_most", Kind::Mass, [0.01, 1e6]);
        self.check_scale(table, &shop);
        self.recipes(table, &mut shop);
        for (key, base) in [("filler", false), ("primer", true)] {
            if let Some(name) = self.recipe_name(table, key, base, &shop) {
                match base {
                    false => shop.filler = name,
                    true => shop.primer = name,
                }
            }
        }
        shop
    }

    fn check_scale(&mut self, table: &DeTable, shop: &Shop) {
        let (Some(step), Some(most)) = (&shop.scale_g, &shop.scale_most_g) else {
            return;
        };
        if let Some(value) = get(table, "scale_most").filter(|_| most.value < 10.0 * step.value) {
            self.r.fault(
                value.span(),
                format!(
                    "scale_most {} g is less than ten steps of {} g; expected the most that the scale weighs",
                    plain(most.value),
                    plain(step.value)
                ),
            );
        }
    }

    /// The name of a recipe that is there and is, or is not, a primer.
    fn recipe_name(
        &mut self,
        table: &DeTable,
        key: &str,
        primer: bool,
        shop: &Shop,
    ) -> Option<String> {
        let value = get(table, key)?;
        let name = self.r.words(value, key, "\"dry-micro\"")?;
        let found = shop.recipe(name);
        let is_primer =
            |r: &crate::plan::recipe::Recipe| r.base == crate::plan::recipe::Base::Primer;
        match found {
            // A recipe of the file that has faults of its own is not called unknown as well.
            Err(_) if self.faulty.iter().any(|n| n == name) => {}
            Err(why) => self.r.fault(value.span(), format!("{key}: {why}")),
            Ok(recipe) if is_primer(recipe) != primer => self.r.fault(
                value.span(),
                format!(
                    "{key}: {} is {} primer; expected {}",
                    quoted(name),
                    if primer { "no" } else { "a" },
                    if primer {
                        "a recipe with base = \"primer\""
                    } else {
                        "a filler"
                    }
                ),
            ),
            Ok(_) => return Some(name.to_string()),
        }
        None
    }

    /// A figure with this file as its origin; `None` where it is not given or not sound.
    pub(super) fn figure(
        &mut self,
        table: &DeTable,
        key: &str,
        kind: Kind,
        [least, most]: [f64; 2],
    ) -> Option<Figure> {
        let bounds = Bounds {
            what: key,
            kind,
            least,
            most,
        };
        let value = get(table, key)?;
        let number = self.number(value, &bounds)?;
        Some(Figure::new(number, self.origin.clone()))
    }

    /// A number within its bounds.
    pub(super) fn number(&mut self, value: Value, b: &Bounds) -> Option<f64> {
        let number = match b.kind {
            Kind::Length => self.r.length(value, b.what),
            Kind::Mass => self.quantity(
                value,
                b,
                units::mass,
                "g such as 0.1, or text such as \"0.1 g\"",
            ),
            Kind::Temperature => self.quantity(
                value,
                b,
                units::temperature,
                "°C such as 20, or text such as \"68 F\"",
            ),
            Kind::Plain | Kind::Whole => {
                let bare = Reader::bare(value);
                if bare.is_none() {
                    self.r
                        .wrong_kind(value, b.what, "a number, written without quotes or unit");
                }
                bare
            }
        }?;
        let whole = b.kind != Kind::Whole || number.fract() == 0.0;
        if (b.least..=b.most).contains(&number) && whole {
            return Some(number);
        }
        self.out_of_bounds(value.span(), b, number);
        None
    }

    fn out_of_bounds(&mut self, span: Range<usize>, b: &Bounds, number: f64) {
        let unit = match b.kind {
            Kind::Length => " mm",
            Kind::Mass => " g",
            Kind::Temperature => " °C",
            Kind::Plain | Kind::Whole => "",
        };
        let a = if b.kind == Kind::Whole {
            "a whole number from "
        } else {
            ""
        };
        self.r.fault(
            span,
            format!(
                "{} {}{unit} cannot be meant; expected {a}{} to {}{unit}",
                b.what,
                plain(number),
                plain(b.least),
                plain(b.most)
            ),
        );
    }

    fn quantity(
        &mut self,
        value: Value,
        b: &Bounds,
        read: fn(&str) -> Result<f64, String>,
        expected: &str,
    ) -> Option<f64> {
        if let Some(number) = Reader::bare(value) {
            return Some(number);
        }
        match value.get_ref().as_str().map(read) {
            Some(Ok(number)) => Some(number),
            Some(Err(why)) => {
                self.r.fault(value.span(), format!("{}: {why}", b.what));
                None
            }
            None => {
                self.r.wrong_kind(value, b.what, expected);
                None
            }
        }
    }
}

/// A number for a message, without trailing zeros.
fn plain(value: f64) -> String {
    match value.abs() {
        v if v > 0.0 && v < 0.01 || v >= 1e9 => format!("{value}"),
        _ => plain_mm(value),
    }
}
