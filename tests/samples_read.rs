//! The samples and simulated surveys through the program's own reading of files: what was made is
//! what is read.

use crate::samples::{Job, committed, jobs};
use crate::support::simulate::{Kind, SurveyPlan, notes, panel_sized, survey, table, truth_sized};
use lowspot::observe::{Placing, Survey};
use lowspot::panel::Panel;

/// Same names, tools, bases, directions, repeats, places and values, in the same order.
fn check(found: &[Placing], made: &[Placing], what: &str) {
    assert_eq!(found.len(), made.len(), "{what}: placings");
    for (f, m) in found.iter().zip(made) {
        let what = format!("{what}, {}", m.label());
        let words = |p: &Placing| (p.label(), p.tool, p.readings.len());
        assert_eq!(words(f), words(m), "{what}");
        assert!(
            (f.base_mm - m.base_mm).abs() < 1e-6,
            "{what}: {} {}",
            f.base_mm,
            m.base_mm
        );
        for axis in 0..2 {
            let (found, made) = (f.toward[axis], m.toward[axis]);
            assert!(
                (found - made).abs() < 1e-6,
                "{what}: {:?} {:?}",
                f.toward,
                m.toward
            );
        }
        for (a, b) in f.readings.iter().zip(&m.readings) {
            let near = |p: f64, q: f64| (p - q).abs() < 1e-3;
            assert!(near(a.x, b.x) && near(a.y, b.y), "{what}: {a:?} {b:?}");
            let same = match (a.value_mm, b.value_mm) {
                (Some(p), Some(q)) => (p - q).abs() < 1e-9,
                (p, q) => p == q,
            };
            assert!(same, "{what}: {a:?} {b:?}");
        }
    }
}

fn panel_of(job: &Job) -> Panel {
    let text = committed(job, "panel.toml");
    let (panel, warnings) = lowspot::panel::file::parse(&text, "panel.toml")
        .unwrap_or_else(|faults| panic!("samples/{}: {faults:?}", job.folder));
    assert!(warnings.is_empty(), "samples/{}: {warnings:?}", job.folder);
    panel
}

#[test]
fn panel_toml_says_what_the_generator_has() {
    for job in jobs() {
        let parts = |p: &Panel| {
            let size = [p.length_mm, p.width_mm];
            let areas = (p.outline.clone(), p.cutouts.clone(), p.no_sand.clone());
            (p.name.clone(), size, p.form, areas, p.sand_allowance_mm)
        };
        assert_eq!(
            parts(&panel_of(&job)),
            parts(&job.panel),
            "samples/{}",
            job.folder
        );
    }
}

#[test]
fn the_samples_are_read_as_they_were_made() {
    for job in jobs() {
        let read = lowspot::observe::notes::parse(&job.notes, "readings.txt", &panel_of(&job), &[]);
        assert!(
            read.faults.is_empty(),
            "samples/{}: {:?}",
            job.folder,
            read.faults
        );
        check(&read.placings, &job.survey.placings, job.folder);
    }
}

/// Every tool on a panel of an odd size, in both forms of file.
#[test]
fn simulated_surveys_are_read_as_they_were_made() {
    for kind in Kind::ALL {
        let truth = truth_sized(kind, 1230.0, 870.0, 6, 1.0);
        let panel = panel_sized(kind, 1230.0, 870.0);
        for plan in [
            SurveyPlan::straightedge(110.0),
            SurveyPlan::pin_gauge(250.0),
            SurveyPlan::wave_gauge(100.0, 200.0),
            SurveyPlan::bridge(150.0),
        ] {
            let survey = survey(&truth, &panel, &plan, 6);
            let what = format!("{kind:?} {}", plan.tool.word());
            let read = lowspot::observe::notes::parse(&notes(&survey), "n.txt", &panel, &[]);
            assert!(read.faults.is_empty(), "{what}: {:?}", read.faults);
            check(&read.placings, &survey.placings, &what);
            as_table(&survey, &panel, &what);
        }
        let survey = survey(&truth, &panel, &SurveyPlan::batten(250.0), 6);
        as_table(&survey, &panel, "batten");
    }
}

fn as_table(survey: &Survey, panel: &Panel, what: &str) {
    let read = lowspot::observe::table::parse(&table(survey), "t.csv", panel, &[]);
    assert!(read.faults.is_empty(), "{what}: {:?}", read.faults);
    check(&read.placings, &survey.placings, what);
}
