//! Cautions, printed where they bite: only those that belong to the work this judgement asks for.
//!
//! No caution ever says that an amount is small enough.

use crate::judge::{Action, Judgement};
use crate::panel::Panel;

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
    let sands = asked(Action::Sand) || fills;
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
    if sands && panel.sheet_metal {
        found.push(Caution {
            about: "metal dust",
            text: "aluminium dust with sparks burns; lead solder and old primers (lead, chromate) are poisonous.",
        });
    }
    found
}

/// What this program cannot do for anyone.
pub const SHAPE_ONLY: &str = "This measures shape. It approves no aircraft, boat or vehicle: the designer's and the \
                              manufacturer's documents and licensed inspectors decide.";

/// What else is open before primer, whatever the shape.
pub const ALSO_OPEN: &str = "before primer: cure, pinholes, mass";
