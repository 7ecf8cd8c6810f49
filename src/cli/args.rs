//! The command line as typed: flags and help text, nothing decided.

mod book;

pub use book::*;

use super::input::Named;
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// What the user typed.
#[derive(Debug, Parser)]
#[command(
    name = "lowspot",
    version,
    about = "Find the highs and lows of a panel from hand readings and photos: what to sand, fill or leave",
    long_about = "Reads gaps under a straightedge, other hand readings and photos of the guide coat, finds the surface, and says where it is high and low, \
                  what to sand first, how much filler it takes, and whether it is fair.\n\nIt measures shape. It does not approve \
                  an aircraft, boat or vehicle: the designer's documents and licensed people decide.",
    after_help = "Try it:  lowspot demo"
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Map highs and lows from readings and photos: verdict, what to sand and fill, the filler
    Map(MapArgs),
    /// Turn readings into work: what to sand, what to fill, how much to mix, what it weighs, in
    /// order
    Plan(PlanArgs),
    /// Say where to measure next: the best placings, what each buys, a form and a picture
    Next(NextArgs),
    /// Compare two surveys of one panel, or of left and right: what came up, what went down, which
    /// pitches came or went
    Moved(MovedArgs),
    /// Write a notes file to fill in beside the panel: the placings to take, in walking order
    Blank(BlankArgs),
    /// Write a page of numbered targets to print and tape on before a photo of the guide coat
    Targets(TargetsArgs),
    /// Make the mixing card of a filler or primer: each part by mass and volume, in batches within
    /// the pot life
    Mix(MixArgs),
    /// The job book: make one, check it, copy it
    #[command(subcommand)]
    Book(BookCommand),
    /// Panels of the job book: add, edit, list, pair
    #[command(subcommand)]
    Panel(PanelCommand),
    /// Enter a piece of work in the job book: survey, fill, block, prime, weigh …
    Enter(Box<EnterArgs>),
    /// Say what became of a panel over its cycles, and whether another is worth it
    Trend(TrendArgs),
    /// The film ledger of a panel: what was put on and taken off, what is left over the structure,
    /// what the next sanding risks
    Film(FilmArgs),
    /// The floor sheet: one row a panel, its stage, what can be done now, how long to primer
    Floor(FloorArgs),
    /// Everything on a panel, or on all, as one page for a buyer or an inspector
    Packet(PacketArgs),
    /// Strike an entry of the job book; it stays, shown as struck
    Strike(StrikeArgs),
    /// Hands off a panel: others see who is at it, or that it is wet, until when
    #[command(name = "hands-off", alias = "hold")]
    Hold(HoldArgs),
    /// Free a panel for all hands again
    #[command(name = "free", alias = "release")]
    Release(ReleaseArgs),
    /// The diary of a panel: all that was entered
    #[command(name = "diary", alias = "log")]
    Log(LogArgs),
    /// Write two made-up jobs and a job book into a new folder, map and show them, and tell what to
    /// try next
    Demo(DemoArgs),
}

/// `lowspot map`.
#[derive(Debug, Args)]
pub struct MapArgs {
    /// The panel: panel.toml, or its name in the job book
    pub panel: PathBuf,
    /// Panel and last survey from this job book
    #[arg(long, value_name = "FILE.lowspot")]
    pub book: Option<PathBuf>,
    /// Readings: notes (.txt) or tables (.csv), one survey together; not needed with a photo
    pub readings: Vec<PathBuf>,
    /// Photo of the guide coat after blocking; may be given several times
    #[arg(long, value_name = "FILE")]
    pub photo: Vec<PathBuf>,
    /// Where the targets lie (targets.csv), one file a photo in the same order; without it,
    /// numbered targets are looked for
    #[arg(long, value_name = "FILE", requires = "photo")]
    pub targets: Vec<PathBuf>,
    /// A PNG of the photo's size, painted plain red where there is no coat and plain green where
    /// there is; one a photo in the same order
    #[arg(long, value_name = "FILE")]
    pub mask: Vec<PathBuf>,
    /// Which colour the coat has, against the filler
    #[arg(long, value_enum, default_value = "auto", value_name = "COLOUR")]
    pub coat: CoatWord,
    /// What the coat was blocked with, over what the readings' header says: how far bare skin means
    /// not low
    #[arg(long, value_enum, value_name = "BLOCK", requires = "photo")]
    pub block: Option<BlockWord>,
    /// The fair shape to work to
    #[arg(long, value_enum, default_value = "skin")]
    pub reference: ReferenceWord,
    /// Spacing of the nodes in surface.csv, 2 to 200 mm (a unit may be given)
    #[arg(long, value_name = "MM", default_value = "10")]
    pub grid: String,
    /// Folder for the map, the page and the data
    #[arg(long, value_name = "DIR", default_value = "lowspot-map")]
    pub out: PathBuf,
    /// Print report.json on standard output, and nothing else there
    #[arg(long)]
    pub json: bool,
    /// Units to show; files and arithmetic stay in mm and cc
    #[arg(long, value_enum, default_value = "metric")]
    pub units: UnitsWord,
    /// Echo every placing as it was understood
    #[arg(short, long)]
    pub verbose: bool,
    /// End with exit status 3 unless the verdict is fair
    #[arg(long)]
    pub require_fair: bool,
}

impl MapArgs {
    /// What it is to be made from.
    pub(super) fn named(&self) -> Named<'_> {
        Named {
            panel: &self.panel,
            readings: &self.readings,
            photos: &self.photo,
            targets: &self.targets,
            book: self.book.as_deref(),
        }
    }
}

/// `lowspot plan`.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// The panel: panel.toml, or its name in the job book
    pub panel: PathBuf,
    /// Panel and last survey from this job book
    #[arg(long, value_name = "FILE.lowspot")]
    pub book: Option<PathBuf>,
    /// Readings: notes (.txt) or tables (.csv), one survey together
    pub readings: Vec<PathBuf>,
    /// Way to do it; without it, the one that this job suggests
    #[arg(long, value_enum)]
    pub way: Option<WayWord>,
    /// Own recipes, densities, losses and times: shop.toml
    #[arg(long, value_name = "FILE")]
    pub shop: Option<PathBuf>,
    /// Recipe of the filler: dry-micro, light-compound, polyester-filler, or one of your own
    #[arg(long, value_name = "RECIPE")]
    pub filler: Option<String>,
    /// Recipe of the primer: build-primer, or one of your own
    #[arg(long, value_name = "RECIPE")]
    pub primer: Option<String>,
    /// Temperature of the shop today, such as "18 C"; without it, the skin's as noted in the
    /// readings
    #[arg(long, value_name = "TEMPERATURE")]
    pub at: Option<String>,
    /// Temperature of the skin, if it differs
    #[arg(long, value_name = "TEMPERATURE")]
    pub skin: Option<String>,
    /// Relative humidity, %: with it the dew point is checked
    #[arg(long, value_name = "PERCENT")]
    pub humidity: Option<String>,
    /// Photo of the guide coat after blocking; may be given several times
    #[arg(long, value_name = "FILE")]
    pub photo: Vec<PathBuf>,
    /// Where the targets lie (targets.csv), one file a photo in the same order
    #[arg(long, value_name = "FILE", requires = "photo")]
    pub targets: Vec<PathBuf>,
    /// The fair shape to work to
    #[arg(long, value_enum, default_value = "skin")]
    pub reference: ReferenceWord,
    /// Folder for the plan
    #[arg(long, value_name = "DIR", default_value = "lowspot-plan")]
    pub out: PathBuf,
    /// Print plan.json on standard output, and nothing else there
    #[arg(long)]
    pub json: bool,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: UnitsWord,
}

/// `lowspot next`.
#[derive(Debug, Args)]
pub struct NextArgs {
    /// The panel: panel.toml, or its name in the job book
    pub panel: PathBuf,
    /// Panel and last survey from this job book
    #[arg(long, value_name = "FILE.lowspot")]
    pub book: Option<PathBuf>,
    /// Readings so far: notes (.txt) or tables (.csv); without any, the walk to begin with
    pub readings: Vec<PathBuf>,
    /// How many placings, 1 to 100; without it 6, or the whole walk where nothing was read yet
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=100))]
    pub placings: Option<u16>,
    /// What to measure with; without it, what most readings were taken with
    #[arg(long, value_enum)]
    pub tool: Option<ToolWord>,
    /// Length of the tool; for a wave gauge the distance between its feet
    #[arg(long, value_name = "LENGTH")]
    pub length: Option<String>,
    /// Distance between readings
    #[arg(long, value_name = "LENGTH")]
    pub step: Option<String>,
    /// Folder for the form, the picture and the data
    #[arg(long, value_name = "DIR", default_value = "lowspot-next")]
    pub out: PathBuf,
    /// Print next.json on standard output, and nothing else there
    #[arg(long)]
    pub json: bool,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: UnitsWord,
}

/// `lowspot blank`.
#[derive(Debug, Args)]
pub struct BlankArgs {
    /// The panel: panel.toml
    pub panel: PathBuf,
    /// What to measure with
    #[arg(long, value_enum, default_value = "straightedge")]
    pub tool: ToolWord,
    /// Length of the tool; for a wave gauge the distance between its feet
    #[arg(long, value_name = "LENGTH")]
    pub length: Option<String>,
    /// Distance between readings
    #[arg(long, value_name = "LENGTH")]
    pub step: Option<String>,
    /// Distance between lines; without it, the finest that an hour allows, but no coarser than the
    /// purpose needs
    #[arg(long, value_name = "LENGTH")]
    pub spacing: Option<String>,
    /// File to write; without it, standard output
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Units of the form: mm, or inches with readings in thou
    #[arg(long, value_enum, default_value = "metric")]
    pub units: UnitsWord,
}

/// `lowspot targets`.
#[derive(Debug, Args)]
pub struct TargetsArgs {
    /// The panel, for advice where to tape them: panel.toml
    #[arg(long, value_name = "PANEL.toml")]
    pub panel: Option<PathBuf>,
    /// How many; without it 8, on a curved panel 9
    #[arg(long, value_name = "N")]
    pub count: Option<u16>,
    /// First number, 0 to 249
    #[arg(long, value_name = "N", default_value = "1")]
    pub first: u16,
    /// Side of a target's dark border, 15 to 150 mm (a unit may be given)
    #[arg(long, value_name = "LENGTH", default_value = "50 mm")]
    pub size: String,
    /// Paper
    #[arg(long, value_enum, default_value = "a4")]
    pub paper: PaperWord,
    /// Folder for the pages
    #[arg(long, value_name = "DIR", default_value = "lowspot-targets")]
    pub out: PathBuf,
}

/// `lowspot mix`.
#[derive(Debug, Args)]
pub struct MixArgs {
    /// Recipe: dry-micro, light-compound, polyester-filler, build-primer, or one of your shop.toml;
    /// without it, the shop's filler
    #[arg(long, value_name = "NAME")]
    pub recipe: Option<String>,
    /// Amount to mix, losses included, such as "500 cc" (a bare number is cc)
    #[arg(long, value_name = "VOLUME", allow_hyphen_values = true)]
    pub volume: Option<String>,
    /// How warm material and air are, such as "20 C" (a bare number is °C)
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub at: Option<String>,
    /// Step of your scale, such as "1 g": every mass is then a whole number of steps
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub scale: Option<String>,
    /// Your own figures and recipes: shop.toml
    #[arg(long, value_name = "FILE")]
    pub shop: Option<PathBuf>,
    /// Recipe, amount, depth, face and temperature from a plan; options given beside it win
    #[arg(long, value_name = "FILE")]
    pub plan: Option<PathBuf>,
    /// Density of your own mix, g/cc
    #[arg(
        long,
        value_name = "G/CC",
        allow_hyphen_values = true,
        conflicts_with = "cup"
    )]
    pub density: Option<String>,
    /// What a level 100 cc cup of your own mix weighs, such as "52 g"
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub cup: Option<String>,
    /// Depth of the deepest place: tells how many coats
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub depth: Option<String>,
    /// How the face lies, level unless told: a coat on a vertical or overhead one is half as thick
    #[arg(long, value_enum)]
    pub face: Option<FaceWord>,
    /// Humidity of the air, %: checked against the dew point
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
    pub humidity: Option<String>,
    /// Temperature of the panel's skin, if it differs from --at
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub skin: Option<String>,
    /// Print the card as JSON, and nothing else on standard output
    #[arg(long)]
    pub json: bool,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: UnitsWord,
}

/// Words for how a face lies.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum FaceWord {
    /// Level: filler lies on it
    Level,
    /// Upright
    Vertical,
    /// Overhead
    Overhead,
}

/// `lowspot moved`.
#[derive(Debug, Args)]
pub struct MovedArgs {
    /// The panel: panel.toml, or its name in the job book
    pub panel: PathBuf,
    /// Panel and surveys from this job book: its last two surveys unless told otherwise
    #[arg(long, value_name = "FILE.lowspot")]
    pub book: Option<PathBuf>,
    /// Readings of the earlier survey: notes (.txt) or tables (.csv)
    pub before: Vec<PathBuf>,
    /// Readings of the later survey
    #[arg(long, value_name = "READINGS", num_args = 1..)]
    pub after: Vec<PathBuf>,
    /// In the book: entry of the earlier survey, as `lowspot diary` numbers it; without it the one
    /// before the later
    #[arg(long, value_name = "ENTRY")]
    pub from: Option<i64>,
    /// In the book: entry of the later survey; without it the last
    #[arg(long, value_name = "ENTRY")]
    pub to: Option<i64>,
    /// In the book: the panel's last survey against that of its pair, mirrored
    #[arg(long = "pair", alias = "twin", conflicts_with_all = ["from", "to"])]
    pub twin: bool,
    /// The second survey is of the mirrored panel of the pair: which of its ends change places
    #[arg(long, value_enum, value_name = "AXIS")]
    pub mirror: Option<MirrorWord>,
    /// Folder for the picture and the data
    #[arg(long, value_name = "DIR", default_value = "lowspot-moved")]
    pub out: PathBuf,
    /// Print moved.json on standard output, and nothing else there
    #[arg(long)]
    pub json: bool,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: UnitsWord,
}

/// Words for the ends that change places.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum MirrorWord {
    /// The ends of x
    X,
    /// The ends of y
    Y,
    /// Neither: both sides were measured from mirrored corners
    None,
}

/// `lowspot demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder to make; it must not exist yet
    #[arg(long, value_name = "DIR", default_value = "lowspot-demo")]
    pub out: PathBuf,
    /// Units to show
    #[arg(long, value_enum, default_value = "metric")]
    pub units: UnitsWord,
}

/// Words for the references.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ReferenceWord {
    /// The skin that is there, carried on across lows and under highs; raised only where a high may
    /// not come off
    Skin,
    /// Sink into fair skin to save filler
    Sink,
    /// Ride on the highest places: nothing is sanded
    Ride,
    /// The name of `skin` in earlier versions
    #[value(hide = true)]
    BestFit,
    /// The name of `sink` in earlier versions
    #[value(hide = true)]
    LeastFiller,
    /// The name of `ride` in earlier versions
    #[value(hide = true)]
    FillOnly,
}

/// Words for the ways to do a job.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum WayWord {
    /// Fill the lows alone
    SpotFill,
    /// A thin coat over all, then sand to the highs
    FullSkim,
    /// Master strips faired first, bays screeded between them
    StripsAndBays,
    /// High-build primer, where nothing is deeper than it takes
    PrimerOnly,
}

/// Words for the coat's colour.
#[derive(Clone, Copy, Debug, Default, ValueEnum)]
pub enum CoatWord {
    /// Found out from the photo
    #[default]
    Auto,
    /// Darker than the filler
    Dark,
    /// Lighter than the filler
    Light,
}

/// Words for the block.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum BlockWord {
    /// Stiff, 400 mm or more
    LongBoard,
    /// Stiff, a hand or two long
    HardBlock,
    /// Follows the surface
    SoftPad,
}

/// Words for the units.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum UnitsWord {
    /// mm and cc
    Metric,
    /// inches, thousandths, fluid ounces
    Us,
}

/// Words for the tools.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ToolWord {
    /// Gaps under a straight bar
    Straightedge,
    /// Profile copied by pins
    ProfileGauge,
    /// Gaps under a sprung batten
    Batten,
    /// Centre dial between two feet
    WaveGauge,
    /// Heights against a fixed bridge or rail
    Bridge,
}

/// Words for the paper.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum PaperWord {
    /// 210 x 297 mm
    A4,
    /// 8.5 x 11 in
    Letter,
}
