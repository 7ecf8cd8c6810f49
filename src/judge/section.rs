//! How long a wave across the rulings still counts as shape, by the panel's own evidence.
//!
//! A ruled panel may bend across its rulings as its section asks: gently on a topside, fast behind
//! the nose of a wing. The rulings show which: what runs along the whole length is section, since a
//! low does not. The default wavelength across stands unless a shorter one agrees with far more of
//! the panel.

use super::cloud::Cloud;
use crate::panel::{Form, Panel};
use crate::problem::{Error, Warning};
use crate::reference::Workbench;
use crate::units::Units;

/// Wavelengths across that are tried where the default does not fit, longest first, mm.
const SHORTER_MM: [f64; 3] = [200.0, 150.0, 100.0];
/// Wavelength along the rulings with those: what is let go across must be held along, mm.
const ALONG_MM: f64 = 6000.0;
/// The default does not fit where its skin agrees with less of the panel than the shortest one's by
/// more than this share. On simulated panels at most 0.16 without a nose (a groove of 0.3 mm along
/// the whole length among them), 0.27 and more behind one.
const MISFIT: f64 = 0.17;
/// The longest wavelength is taken whose skin agrees with no less than the shortest one's by more
/// than this share. (With 0.03 the section's own bend was left for filler: 24 wings behind their
/// noses were told 0.89 to 1.80 times what was put in; with 0.01, 0.80 to 1.10. On 24 others, not
/// chosen on: 0.77 to 1.01, and one 1.61.)
const NEAR: f64 = 0.01;

/// A workbench for a panel with the surface on it.
type Bench<'a> = dyn Fn(&Panel) -> Result<(Workbench, Cloud), Error> + 'a;

/// The panel with the wavelength that its section asks for; as it is where panel.toml sets one or
/// the default fits.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails.
pub(super) fn shaped(panel: &Panel, bench: &Bench) -> Result<Panel, Error> {
    let across = match panel.form {
        Form::RuledX => 1,
        Form::RuledY => 0,
        Form::Flat | Form::Crowned => return Ok(panel.clone()),
    };
    if panel.form_wavelength_given {
        return Ok(panel.clone());
    }
    let kept = |panel: &Panel| -> Result<f64, Error> {
        let (bench, cloud) = bench(panel)?;
        Ok(bench.rough_skin(&cloud.found)?.kept)
    };
    let usual = kept(panel)?;
    if usual >= 1.0 - MISFIT {
        return Ok(panel.clone());
    }
    let mut tried = Vec::new();
    for wavelength in SHORTER_MM {
        let mut other = panel.clone();
        other.form_wavelength_mm = [ALONG_MM; 2];
        other.form_wavelength_mm[across] = wavelength;
        tried.push((kept(&other)?, other));
    }
    let most = tried.last().map_or(0.0, |(kept, _)| *kept);
    if usual >= most - MISFIT {
        return Ok(panel.clone());
    }
    let fitting = tried.into_iter().find(|(kept, _)| *kept >= most - NEAR);
    Ok(fitting.map_or_else(|| panel.clone(), |(_, panel)| panel))
}

/// What is said where a shorter wavelength was taken.
pub(super) fn warning(panel: &Panel, units: Units) -> Option<Warning> {
    let [x, y] = panel.form_wavelength_mm;
    let (own, usual) = (
        x.min(y),
        panel
            .form
            .wavelengths_mm()
            .into_iter()
            .fold(f64::INFINITY, f64::min),
    );
    (!panel.form_wavelength_given && own < usual).then(|| {
        Warning::new(format!(
            "the section bends too fast across the rulings for the usual {}: waves longer than {} across count as \
             shape here. A ridge or groove along the whole length that is wider than half of that is taken for section: \
             check it with a template.",
            units.place(usual),
            units.place(own)
        ))
    })
}
