//! Where mass acts: moments about a datum and a hinge line, and how far a centre of gravity moves.

use crate::judge::Interval;
use crate::panel::Panel;
use ndarray::Array2;
use serde::Serialize;

/// What is put where.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Balance {
    /// Left on by this plan's filling (by its primer, where nothing is filled), g, with its
    /// interval.
    pub mass_g: f64,
    /// Lower end, g.
    pub mass_low_g: f64,
    /// Upper end, g.
    pub mass_high_g: f64,
    /// Build coat that comes on top, g; 0 where the plan itself is the primer.
    pub build_coat_g: f64,
    /// Put on before, as panel.toml says, g.
    pub so_far_g: f64,
    /// All three, g.
    pub total_g: f64,
    /// All three over the area of the panel, g/m².
    pub total_g_per_m2: f64,
    /// Most that may be put on, g, the smaller of the two budgets; `None` without one.
    pub budget_g: Option<f64>,
    /// Moment of `mass_g` about the user's datum, g·mm; `None` without an arm.
    pub moment_g_mm: Option<f64>,
    /// Moment of all three, g·mm: the build coat lies evenly, what was put on before is taken to.
    pub total_moment_g_mm: Option<f64>,
    /// Arm at which all three act, mm.
    pub arm_mm: Option<f64>,
    /// Moment of `mass_g` about the hinge line, g·mm, positive behind it; `None` without a hinge.
    pub hinge_moment_g_mm: Option<f64>,
    /// The same of the upper end of the mass, g·mm.
    pub hinge_moment_high_g_mm: Option<f64>,
    /// Moment of all three about the hinge line, g·mm.
    pub total_hinge_moment_g_mm: Option<f64>,
    /// How far all three move the centre of gravity of the whole craft, mm; `None` unless its mass
    /// and centre are given.
    pub cg_shift_mm: Option<f64>,
}

/// By how much a centre of gravity moves when a mass is added: added/(whole + added) · (arm − cg).
///
/// Masses in one unit, arms in one unit; a mass taken off is negative. 0 for a craft that weighs
/// nothing then.
///
/// ```
/// // 140 lb at station 150 into 6,860 lb at station 80: 1.4 in aft (weight addition example of a
/// // published handbook of aeronautical knowledge).
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

/// What stays on the nodes (mm, indexed `[[iy, ix]]`), and what comes beside it.
pub struct Load<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// Spacing of the nodes, mm.
    pub step_mm: f64,
    /// Area of each node, mm².
    pub areas_mm2: &'a Array2<f64>,
    /// What stays, mm.
    pub left_mm: &'a Array2<f64>,
    /// Mass that the plan says stays, g, with its interval: moments are brought to it.
    pub mass_g: Interval,
    /// Build coat on top, g, evenly over all.
    pub build_coat_g: f64,
}

impl Load<'_> {
    /// Its balance.
    pub fn balance(&self) -> Balance {
        let mass = &self.panel.skin.mass;
        let m2 = self.panel.area_cm2() / 1e4;
        let total_g = self.mass_g.value + self.build_coat_g + mass.so_far_g;
        let evenly_g = self.build_coat_g + mass.so_far_g;
        let budgets = [mass.budget_g, mass.budget_g_per_m2.map(|g| g * m2)];
        let ones = Array2::from_elem(self.left_mm.dim(), 1.0);
        let mean = |weights: &Array2<f64>| self.mean_arms(weights);
        let ([arm, hinge], [even_arm, even_hinge]) = (mean(self.left_mm), mean(&ones));
        let about = |own: f64, even: f64| own * self.mass_g.value + even * evenly_g;
        let has_arm = mass.arm_mm.is_some();
        let has_hinge = mass.hinge.is_some();
        let total_moment_g_mm = has_arm.then(|| about(arm, even_arm));
        let arm_mm = total_moment_g_mm
            .filter(|_| total_g > 0.0)
            .map(|m| m / total_g);
        Balance {
            mass_g: self.mass_g.value,
            mass_low_g: self.mass_g.low,
            mass_high_g: self.mass_g.high,
            build_coat_g: self.build_coat_g,
            so_far_g: mass.so_far_g,
            total_g,
            total_g_per_m2: total_g / m2.max(1e-9),
            budget_g: budgets.into_iter().flatten().reduce(f64::min),
            moment_g_mm: has_arm.then_some(arm * self.mass_g.value),
            total_moment_g_mm,
            arm_mm,
            hinge_moment_g_mm: has_hinge.then_some(hinge * self.mass_g.value),
            hinge_moment_high_g_mm: has_hinge.then_some(hinge * self.mass_g.high),
            total_hinge_moment_g_mm: has_hinge.then(|| about(hinge, even_hinge)),
            cg_shift_mm: mass
                .whole
                .zip(arm_mm)
                .map(|((whole, cg), arm)| cg_shift(whole, cg, total_g, arm)),
        }
    }

    /// Mean arm from the datum and from the hinge line of a thickness over the nodes, mm; 0 for
    /// nothing.
    fn mean_arms(&self, thickness: &Array2<f64>) -> [f64; 2] {
        let mass = &self.panel.skin.mass;
        let middle = middle(self.panel);
        let (mut sum, mut arms, mut hinge) = (0.0, 0.0, 0.0);
        for ((iy, ix), t) in thickness.indexed_iter() {
            let weight = t * self.areas_mm2[[iy, ix]];
            if weight <= 0.0 {
                continue;
            }
            let [x, y] = [ix as f64 * self.step_mm, iy as f64 * self.step_mm];
            sum += weight;
            arms += weight * mass.arm_at(x, y).unwrap_or(0.0);
            hinge += weight * mass.behind_hinge_mm([x, y], middle).unwrap_or(0.0);
        }
        if sum > 0.0 {
            [arms / sum, hinge / sum]
        } else {
            [0.0, 0.0]
        }
    }
}

/// The middle of a panel's outline box, mm.
fn middle(panel: &Panel) -> [f64; 2] {
    let b = panel.outline.bounds();
    [(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0]
}
