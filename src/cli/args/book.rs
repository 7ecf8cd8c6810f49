//! The job book's commands as typed.

use clap::{Args, Subcommand, ValueEnum};
use std::path::PathBuf;

/// `lowspot book`.
#[derive(Debug, Subcommand)]
pub enum BookCommand {
    /// Make a new, empty book
    New {
        /// Its file, such as wing.lowspot; nothing is written over
        file: PathBuf,
    },
    /// Check that a book is whole: exit status 0, or 1 with what is wrong and where
    Check {
        /// The book; without it, the only one in this folder
        #[arg(conflicts_with = "book")]
        file: Option<PathBuf>,
        #[command(flatten)]
        book: BookOption,
    },
    /// Write a copy of the book to a new file, also while others enter into it
    Save {
        /// The new file; nothing is written over
        copy: PathBuf,
        #[command(flatten)]
        book: BookOption,
    },
    /// Write everything in the book as plain files: TOML, CSV, and readings and photos as they came
    /// in
    Export {
        /// The new folder; nothing is written over
        dir: PathBuf,
        #[command(flatten)]
        book: BookOption,
    },
    /// Make a new book from the folder that `export` wrote
    Import {
        /// The folder
        dir: PathBuf,
        /// The new book; nothing is written over
        file: PathBuf,
    },
}

/// Which book.
#[derive(Debug, Args)]
pub struct BookOption {
    /// The job book; without it, the only *.lowspot in this folder
    #[arg(long, value_name = "FILE.lowspot")]
    pub book: Option<PathBuf>,
}

/// `lowspot panel`.
#[derive(Debug, Subcommand)]
pub enum PanelCommand {
    /// Add a panel
    Add {
        /// Its file: panel.toml; the name in it is the panel's
        file: PathBuf,
        #[command(flatten)]
        book: BookOption,
    },
    /// Change a panel: its new panel.toml counts from now on, the older ones are kept
    Edit {
        /// Name of the panel
        name: String,
        /// Its new file: panel.toml
        file: PathBuf,
        #[command(flatten)]
        book: BookOption,
    },
    /// List the panels and how each stands
    List {
        #[command(flatten)]
        book: BookOption,
    },
    /// Say that two panels are a pair, each the mirror image of the other, such as a left and a
    /// right wing
    #[command(name = "pair", alias = "twin")]
    Twin {
        /// Name of the one
        name: String,
        /// Name of the other
        other: String,
        #[command(flatten)]
        book: BookOption,
    },
}

/// `lowspot enter`.
#[derive(Debug, Args)]
#[command(
    after_help = "Kinds and what belongs to them (--date, --by, --hours, --skin, --supports and --note go with all):
  survey      READINGS…, --photo, --targets; date, by, skin and supports from the readings unless told
  fill        --recipe --cure --batch --grams --way --min
  prime       --recipe --cure --batch --coats --grams
  sand, block --at, where not all over
  post-cure   --temperature --hold-hours (both)
  weigh       --grams
  sign-off    --base --means --by (all three)
  re-prop     --supports
  balance     --note, what was done and found
  note        --note
  hands-off   --by, --until, --why
  free        --why
  repair, clean, guide-coat, pinholes

Examples:
  lowspot enter \"cabin roof\" survey readings.txt --photo roof.jpg
  lowspot enter \"cabin roof\" block --hours 1.5 --note \"long board, 80 grit\"
  lowspot enter \"cabin roof\" sand --at H1
  lowspot enter \"cabin roof\" fill --recipe dry-micro --batch 7 --grams 350
  lowspot enter \"cabin roof\" fill --recipe other --cure \"1 h\" --note \"glaze from a tube\""
)]
pub struct EnterArgs {
    /// Name of the panel
    pub name: String,
    /// What was done, see below
    pub kind: String,
    /// Of a survey: readings, notes (.txt) or tables (.csv)
    pub readings: Vec<PathBuf>,
    /// Of a survey: photo of the guide coat; may be given several times
    #[arg(long, value_name = "FILE")]
    pub photo: Vec<PathBuf>,
    /// Of a survey: where the targets lie (targets.csv), one file a photo in the same order
    #[arg(long, value_name = "FILE", requires = "photo")]
    pub targets: Vec<PathBuf>,
    /// Day of the work, YYYY-MM-DD; without it today, or the day noted in the readings
    #[arg(long, value_name = "DATE")]
    pub date: Option<String>,
    /// Who did it
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
    /// Hours of work
    #[arg(long, value_name = "HOURS", allow_hyphen_values = true)]
    pub hours: Option<String>,
    /// Temperature of the skin, such as "19 C"
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub skin: Option<String>,
    /// Where the panel was supported
    #[arg(long, value_name = "TEXT")]
    pub supports: Option<String>,
    /// A remark
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// Recipe of the filler or primer: a built-in one, one of your shop.toml (--shop), or other
    /// with --cure
    #[arg(long, value_name = "NAME")]
    pub recipe: Option<String>,
    /// Hours until it can be sanded, such as "1 h" or "30 min", by its data sheet and the
    /// temperature
    #[arg(long, value_name = "TIME", allow_hyphen_values = true)]
    pub cure: Option<String>,
    /// Where it was sanded: regions of the last survey such as "H1" or "H1, H2", or a box such as
    /// "x 100-400 y 50-200"
    #[arg(long, value_name = "PLACE")]
    pub at: Option<String>,
    /// Own recipes: shop.toml
    #[arg(long, value_name = "FILE")]
    pub shop: Option<PathBuf>,
    /// Batch it was mixed from, as on the card or the tin
    #[arg(long, value_name = "TEXT")]
    pub batch: Option<String>,
    /// Mass put on, or weighed, such as "350 g"
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub grams: Option<String>,
    /// Way it was filled, such as spot-fill
    #[arg(long, value_name = "WAY")]
    pub way: Option<String>,
    /// Lowest temperature while it cured, such as "16 C"
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub min: Option<String>,
    /// Temperature of a post-cure, such as "60 C"
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub temperature: Option<String>,
    /// Hours that a post-cure was held
    #[arg(long, value_name = "HOURS", allow_hyphen_values = true)]
    pub hold_hours: Option<String>,
    /// Coats of primer
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub coats: Option<String>,
    /// Base signed off at, such as "300 mm"
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub base: Option<String>,
    /// By what means it was signed off
    #[arg(long, value_enum)]
    pub means: Option<MeansWord>,
    /// Hands off until: "14:00" or "2026-03-14 14:00"
    #[arg(long, value_name = "TIME")]
    pub until: Option<String>,
    /// Why hands are off, why it is free again or struck
    #[arg(long, value_name = "TEXT")]
    pub why: Option<String>,
    #[command(flatten)]
    pub book: BookOption,
}

/// `lowspot strike`.
#[derive(Debug, Args)]
pub struct StrikeArgs {
    /// Name of the panel
    pub name: String,
    /// Number of the entry, as `lowspot diary` shows it; a strike can be struck too
    pub number: i64,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub why: String,
    /// Who strikes it
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
    #[command(flatten)]
    pub book: BookOption,
}

/// `lowspot hands-off`.
#[derive(Debug, Args)]
pub struct HoldArgs {
    /// Name of the panel
    pub name: String,
    /// Who is at it
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// Until when: "14:00" (the next time it is that late) or "2026-03-14 14:00"; without it, until
    /// it is free again
    #[arg(long, value_name = "TIME")]
    pub until: Option<String>,
    /// Why, such as wet
    #[arg(long, value_name = "TEXT")]
    pub why: Option<String>,
    #[command(flatten)]
    pub book: BookOption,
}

/// `lowspot free`.
#[derive(Debug, Args)]
pub struct ReleaseArgs {
    /// Name of the panel
    pub name: String,
    /// Who frees it
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub why: Option<String>,
    #[command(flatten)]
    pub book: BookOption,
}

/// `lowspot diary`.
#[derive(Debug, Args)]
pub struct LogArgs {
    /// Name of the panel
    pub name: String,
    #[command(flatten)]
    pub book: BookOption,
}

/// Words for how a panel was looked at.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum MeansWord {
    /// Guide coat, blocked
    GuideCoat,
    /// A light held low along the skin
    RakingLight,
}

/// `lowspot trend`.
#[derive(Debug, Args)]
pub struct TrendArgs {
    /// The panel's name in the book
    pub name: String,
    #[command(flatten)]
    pub book: BookOption,
    /// Own recipes and figures: shop.toml (for cure times)
    #[arg(long, value_name = "FILE")]
    pub shop: Option<PathBuf>,
    /// Folder for the picture and the data
    #[arg(long, value_name = "DIR", default_value = "lowspot-trend")]
    pub out: PathBuf,
    /// Print trend.json on standard output, and nothing else; nothing is written
    #[arg(long)]
    pub json: bool,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: super::UnitsWord,
}

/// `lowspot film`.
#[derive(Debug, Args)]
pub struct FilmArgs {
    /// The panel's name in the book
    pub name: String,
    #[command(flatten)]
    pub book: BookOption,
    /// Own recipes and figures: shop.toml (for densities and what blocking takes)
    #[arg(long, value_name = "FILE")]
    pub shop: Option<PathBuf>,
    /// Folder for the picture and the data
    #[arg(long, value_name = "DIR", default_value = "lowspot-film")]
    pub out: PathBuf,
    /// Print film.json on standard output, and nothing else; nothing is written
    #[arg(long)]
    pub json: bool,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: super::UnitsWord,
}

/// `lowspot floor`.
#[derive(Debug, Args)]
pub struct FloorArgs {
    #[command(flatten)]
    pub book: BookOption,
    /// Own recipes and figures: shop.toml (for cure times)
    #[arg(long, value_name = "FILE")]
    pub shop: Option<PathBuf>,
    /// Folder for the page to hang up (floor.html); without it none is written
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print floor.json on standard output, and nothing else
    #[arg(long)]
    pub json: bool,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: super::UnitsWord,
}

/// `lowspot packet`.
#[derive(Debug, Args)]
pub struct PacketArgs {
    /// The panel's name in the book; without it all panels
    pub name: Option<String>,
    #[command(flatten)]
    pub book: BookOption,
    /// Folder for packet.html
    #[arg(long, value_name = "DIR", default_value = "lowspot-packet")]
    pub out: PathBuf,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: super::UnitsWord,
}
