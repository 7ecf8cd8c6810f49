//! Where mass acts: moments about a datum and a hinge line, and how far a centre of gravity moves.

use crate::panel::Panel;
use ndarray::Array2;
use serde::Serialize;

/// What filling puts where.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Balance {
    /// Put on by this plan and left after sanding, g.
    pub mass_g: f64,
    /// Put on before, as panel.toml says, g.
    pub so_far_g: f64,
    /// Both, g.
    pub total_g: f64,
    /// Both over the area of the panel, g/m².
    pub total_g_per_m2: f64,
    /// Most that may be put on, g, the smaller of the two budgets; `None` without one.
    pub budget_g: Option<f64>,
    /// Moment of `mass_g` about the user's datum, g·mm; `None` without an arm.
    pub moment_g_mm: Option<f64>,
    /// Arm at which it acts, mm.
    pub arm_mm: Option<f64>,
    /// Moment about the hinge line, g·mm, positive behind it; `None` without a hinge.
    pub hinge_moment_g_mm: Option<f64>,
    /// How far the centre of gravity of the whole craft moves, mm; `None` unless its mass and centre are given.
    pub cg_shift_mm: Option<f64>,
}

/// By how much a centre of gravity moves when a mass is added: added/(whole + added) · (arm − cg).
///
/// Masses in one unit, arms in one unit; a mass taken off is negative. 0 for a craft that weighs nothing then.
///
/// ```
/// // 140 lb at station 150 into 6,860 lb at station 80: 1.4 in aft (weight addition example of a published handbook of aeronautical knowledge).
/// let shift = lowspot::plan::balance::cg_shift(6860.0, 80.0, 140.0, 150.0);
/// assert!((shift - 1.4).abs() < 1e-12);
/// ```
pub fn cg_shift(whole: f64, cg: f64, added: f64, arm: f64) -> f64 {
    let total = whole + added;
    if total.abs() < f64::MIN_POSITIVE {
        return 0.0;
    }
    added / total * (arm - cg)
}

/// Mass and moments of what stays on the nodes (mm, indexed `[[iy, ix]]`), `extra_g` being spread as the rest is.
pub struct Load<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// Spacing of the nodes, mm.
    pub step_mm: f64,
    /// Area of each node, mm².
    pub areas_mm2: &'a Array2<f64>,
    /// What stays, mm.
    pub left_mm: &'a Array2<f64>,
    /// Density on the panel, g/cc.
    pub density_g_per_cc: f64,
    /// Mass that the plan says stays, g: moments are brought to it.
    pub mass_g: f64,
}

impl Load<'_> {
    /// Its balance.
    pub fn balance(&self) -> Balance {
        let mass = &self.panel.skin.mass;
        let middle = middle(self.panel);
        let (mut sum, mut arms, mut hinge) = (0.0, 0.0, 0.0);
        for ((iy, ix), left) in self.left_mm.indexed_iter() {
            let g = left * self.areas_mm2[[iy, ix]] / 1000.0 * self.density_g_per_cc;
            if g <= 0.0 {
                continue;
            }
            let [x, y] = [ix as f64 * self.step_mm, iy as f64 * self.step_mm];
            sum += g;
            arms += g * mass.arm_at(x, y).unwrap_or(0.0);
            hinge += g * mass.behind_hinge_mm([x, y], middle).unwrap_or(0.0);
        }
        let brought = if sum > 0.0 { self.mass_g / sum } else { 0.0 };
        let moment_g_mm = mass.arm_mm.map(|_| arms * brought);
        let arm_mm = moment_g_mm
            .filter(|_| self.mass_g > 0.0)
            .map(|m| m / self.mass_g);
        let m2 = self.panel.area_cm2() / 1e4;
        let total_g = self.mass_g + mass.so_far_g;
        let budgets = [mass.budget_g, mass.budget_g_per_m2.map(|g| g * m2)];
        Balance {
            mass_g: self.mass_g,
            so_far_g: mass.so_far_g,
            total_g,
            total_g_per_m2: total_g / m2.max(1e-9),
            budget_g: budgets.into_iter().flatten().reduce(f64::min),
            moment_g_mm,
            arm_mm,
            hinge_moment_g_mm: mass.hinge.map(|_| hinge * brought),
            cg_shift_mm: mass
                .whole
                .zip(arm_mm)
                .map(|((whole, cg), arm)| cg_shift(whole, cg, self.mass_g, arm)),
        }
    }
}

/// The middle of a panel's outline box, mm.
fn middle(panel: &Panel) -> [f64; 2] {
    let b = panel.outline.bounds();
    [(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0]
}
