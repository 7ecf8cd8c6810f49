//! Cautions, printed where they bite: only those that belong to the work this judgement asks for.
//!
//! No caution ever says that an amount is small enough.

use crate::judge::{Action, Judgement};
use crate::panel::Panel;
use crate::panel::skin::Substrate;

/// One caution.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Caution {
    /// What it is about, one or two words.
    pub about: &'static str,
    /// The caution.
    pub text: &'static str,
}

/// What must be read before any amount: the balance of a moving surface.
pub fn before_amounts(panel: &Panel) -> Option<Caution> {
    panel.moving_surface.then_some(Caution {
        about: "moving surface",
        text: BALANCE,
    })
}

/// What no map of waves decides about a surface that makes lift, and about noses.
const SECTION: Caution = Caution {
    about: "lifting surface",
    text: "the section is the designer's matter, nose and trailing edge above all. Filler there changes it; this finds waves and does not check the \
           section.",
};

/// Whether a panel makes lift: it says so, moves, or has a purpose that only wings and tails have.
fn is_lifting(panel: &Panel) -> bool {
    let wing = |p: &String| matches!(p.as_str(), "laminar-wing" | "wing-aft");
    panel.skin.lifting || panel.moving_surface || panel.purpose.as_ref().is_some_and(wing)
}

/// The dust of what is sanded beside the filler.
fn substrate_dust(panel: &Panel) -> Option<Caution> {
    let (about, text) = match panel.skin.substrate? {
        Substrate::Carbon => (
            "carbon dust",
            "it conducts: extract it at the tool, keep it from sockets, tools with open motors and electronics; it irritates skin, eyes and lungs.",
        ),
        Substrate::Glass => (
            "glass dust",
            "it irritates skin, eyes and lungs: extract it, goggles, covered skin, wash cold before warm.",
        ),
        Substrate::Gelcoat => (
            "gelcoat dust",
            "polyester dust with pigment, old gelcoat may hold lead: extract it, no dry brushing, no compressed air.",
        ),
        Substrate::Antifouling => (
            "antifouling dust",
            "poisonous: never dry, take it off wet, catch the slurry, full cover; local rules say where it goes.",
        ),
        _ => return None,
    };
    Some(Caution { about, text })
}

/// What a moving surface needs, whoever mixes for it or works on it.
pub const BALANCE: &str = "filler or paint behind a hinge moves the balance the wrong way and can lead to flutter. Weigh and balance after finishing, \
                           to the manufacturer's limits; a changed section or trailing edge is the designer's matter.";

/// What a reckoned film is not.
pub const FILM: &str = "a ledger reckons, it does not look: the film itself is known by measuring it. Weave or substrate showing: stop, record, ask; do \
                        not sand structural plies. Whoever signs for the structure decides what may come off.";

/// The cautions that belong to the work asked for, most pressing first.
pub fn cautions(j: &Judgement, panel: &Panel) -> Vec<Caution> {
    let asked = |action: Action| j.regions.iter().any(|r| r.action == action);
    // A photo alone knows a lower bound only, but filler will be spread and sanded all the same.
    let fills = asked(Action::Fill) || j.to_level_cc.value > 0.0 || j.to_level_cc.low > 0.0;
    let sands = asked(Action::Sand) || asked(Action::MaySand) || fills;
    let mut found = Vec::new();
    if sands {
        found.push(Caution {
            about: "dust",
            text: "extract it, wear a P3 or P100 mask (against dust only: solvent and isocyanate want other masks).",
        });
    }
    if fills {
        found.push(Caution {
            about: "resin",
            text: "epoxy, hardener and part-cured dust sensitise: gloves, no solvent on skin. Small batches: a full \
                   pot gets hot enough to burn.",
        });
    }
    if sands {
        found.push(Caution {
            about: "structure",
            text: "do not sand structural plies; weave showing: stop, record, ask. Filler adds no strength.",
        });
    }
    if sands {
        found.extend(substrate_dust(panel));
    }
    if sands && is_lifting(panel) {
        found.push(SECTION);
    }
    if sands && panel.sheet_metal {
        found.push(Caution {
            about: "metal dust",
            text: "aluminium dust with sparks burns; lead solder and old primers (lead, chromate) are poisonous.",
        });
    }
    found
}

/// The cautions in one line, for where they stand in full elsewhere: what they are about, and what
/// to wear at least.
pub fn in_short(cautions: &[Caution]) -> Option<String> {
    let short = |about: &str| match about {
        "dust" => Some("dust: extract it, wear a P3 or P100 mask"),
        "resin" => Some("gloves, resin can sensitise"),
        "structure" => Some("do not sand structural plies"),
        _ => None,
    };
    let told: Vec<&str> = cautions
        .iter()
        .map(|c| short(c.about).unwrap_or(c.about))
        .collect();
    (!told.is_empty()).then(|| format!("{} (in full in report.html).", told.join("; ")))
}

/// What this program cannot do for anyone.
pub const SHAPE_ONLY: &str = "This measures shape. It approves no aircraft, boat or vehicle: the designer's and the \
                              manufacturer's documents and licensed inspectors decide.";

/// What else is open before primer, whatever the shape.
pub const ALSO_OPEN: &str = "before primer: cure, pinholes, mass";
