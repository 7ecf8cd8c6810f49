//! Outputs never cost the user a file.

use super::*;
use crate::books::{LID, READINGS, TARGETS, photo};
use crate::support::folder;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

const PHOTO: [&str; 4] = ["--photo", "lid.png", "--targets", "targets.csv"];

fn shop(more: &[(&str, &[u8])]) -> tempfile::TempDir {
    let mut files: Vec<(&str, &[u8])> = vec![
        ("panel.toml", LID.as_bytes()),
        ("readings.txt", READINGS.as_bytes()),
        ("lid.png", photo()),
        ("targets.csv", TARGETS.as_bytes()),
    ];
    files.extend(more);
    folder(&files).0
}

fn map<'a>(more: &[&'a str]) -> Vec<&'a str> {
    [&["map", "panel.toml", "readings.txt", "--out", "."], more].concat()
}

/// Every file of a folder by its name, folders within left out.
fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    std::fs::read_dir(dir)
        .expect("a folder")
        .map(|e| e.expect("a file").path())
        .filter(|p| p.is_file())
        .map(|p| {
            let bytes = std::fs::read(&p).expect("read");
            (p.file_name().expect("a name").into(), bytes)
        })
        .collect()
}

#[test]
fn overlays_that_lowspot_did_not_write_stay() {
    let shop = shop(&[
        ("overlay-2.jpg", b"a holiday"),
        ("overlay-7.jpg", b"another"),
    ]);
    let dir = shop.path();
    done(dir, &map(&PHOTO));
    assert_eq!(
        std::fs::read(dir.join("overlay-2.jpg")).expect("there"),
        b"a holiday"
    );
    assert_eq!(
        std::fs::read(dir.join("overlay-7.jpg")).expect("there"),
        b"another"
    );
    // Its own go when there are fewer photos.
    assert!(dir.join("overlay.jpg").exists());
    done(dir, &map(&[]));
    assert!(!dir.join("overlay.jpg").exists());
    assert_eq!(
        std::fs::read(dir.join("overlay-2.jpg")).expect("there"),
        b"a holiday"
    );
}

#[test]
fn an_overlay_that_is_an_input_is_neither_written_over_nor_taken_away() {
    let shop = shop(&[("overlay.jpg", photo()), ("overlay-2.jpg", photo())]);
    let dir = shop.path();
    for name in ["overlay.jpg", "./overlay.jpg"] {
        let text = refused(dir, 2, &map(&["--photo", name, "--targets", "targets.csv"]));
        assert!(text.contains("is read by this command"), "{text}");
    }
    let elsewhere = [
        "--photo",
        "overlay-2.jpg",
        "--targets",
        "targets.csv",
        "--out",
        "x",
    ];
    done(
        dir,
        &[&["map", "panel.toml", "readings.txt"], &elsewhere[..]].concat(),
    );
    assert_eq!(
        std::fs::read(dir.join("overlay-2.jpg")).expect("there"),
        photo()
    );
    // An overlay of lowspot's own, named as a photo of the next map.
    std::fs::remove_file(dir.join("overlay.jpg")).expect("removed");
    std::fs::remove_file(dir.join("overlay-2.jpg")).expect("removed");
    done(dir, &map(&[&PHOTO[..], &PHOTO[..]].concat()));
    let own = std::fs::read(dir.join("overlay-2.jpg")).expect("there");
    lowspot(
        dir,
        &map(&["--photo", "overlay-2.jpg", "--targets", "targets.csv"]),
    );
    assert_eq!(
        std::fs::read(dir.join("overlay-2.jpg")).expect("there"),
        own
    );
}

#[test]
fn inputs_that_carry_an_outputs_name_are_left_alone() {
    let shop = shop(&[]);
    let dir = shop.path();
    let cases: [(&str, &str, &[&str]); 4] = [
        (
            "readings.txt",
            "surface.csv.txt",
            &["map", "panel.toml", "surface.csv.txt"],
        ),
        (
            "panel.toml",
            "report.json",
            &["map", "report.json", "readings.txt"],
        ),
        (
            "readings.txt",
            "report.html",
            &["map", "panel.toml", "report.html"],
        ),
        (
            "lid.png",
            "map.png",
            &[
                "map",
                "panel.toml",
                "readings.txt",
                "--photo",
                "map.png",
                "--targets",
                "targets.csv",
            ],
        ),
    ];
    for (from, to, arguments) in cases {
        std::fs::copy(dir.join(from), dir.join(to)).expect("copied");
        let before = files(dir);
        let out = lowspot(dir, &[arguments, &["--out", "."]].concat());
        if to == "surface.csv.txt" {
            assert!(out.status.success(), "no output's name: {}", told(&out));
            for name in files(dir).keys().filter(|n| !before.contains_key(*n)) {
                std::fs::remove_file(dir.join(name)).expect("removed");
            }
        } else {
            assert_eq!(out.status.code(), Some(2), "{}", told(&out));
            assert_eq!(files(dir), before, "{to}");
        }
        std::fs::remove_file(dir.join(to)).expect("removed");
    }
}

/// Every command that writes into a folder, run in `dir` with that folder as `OUT`.
const WRITERS: [&[&str]; 10] = [
    &[
        "map",
        "panel.toml",
        "readings.txt",
        "--photo",
        "lid.png",
        "--targets",
        "targets.csv",
    ],
    &["map", "locker lid", "--book", "lids.lowspot"],
    &["plan", "panel.toml", "readings.txt"],
    &["next", "panel.toml", "readings.txt"],
    &[
        "moved",
        "panel.toml",
        "readings.txt",
        "--after",
        "later.txt",
    ],
    &["targets"],
    &["trend", "locker lid", "--book", "lids.lowspot"],
    &["floor", "--book", "lids.lowspot"],
    &["packet", "--book", "lids.lowspot"],
    &["film", "locker lid", "--book", "lids.lowspot"],
];

#[test]
fn nothing_is_written_over_that_lowspot_did_not_write_as_it_stands() {
    let film = LID.to_string() + "film = \"0.6 mm\"\n";
    let shop = shop(&[
        ("later.txt", READINGS.as_bytes()),
        ("film.toml", film.as_bytes()),
    ]);
    let dir = shop.path();
    done(dir, &["book", "new", "lids.lowspot"]);
    done(dir, &["panel", "add", "film.toml"]);
    done(dir, &["enter", "locker lid", "survey", "readings.txt"]);
    for (k, arguments) in WRITERS.into_iter().enumerate() {
        let out = format!("out-{k}");
        let run = [arguments, &["--out", &out]].concat();
        done(dir, &run);
        let whole = |dir: &Path| {
            let mut all = files(dir);
            for inner in std::fs::read_dir(dir).expect("a folder") {
                let inner = inner.expect("a file").path();
                if inner.is_dir() {
                    let name = PathBuf::from(inner.file_name().expect("a name"));
                    all.extend(files(&inner).into_iter().map(|(n, b)| (name.join(n), b)));
                }
            }
            all
        };
        let written = whole(&dir.join(&out));
        assert!(written.len() > 1, "{run:?}");
        // Once more, over its own.
        done(dir, &run);
        for name in written.keys() {
            // Changed since: a remark in a page, a form filled in.
            let path = dir.join(&out).join(name);
            std::fs::write(&path, "mine").expect("written");
            let before = whole(&dir.join(&out));
            let again = lowspot(dir, &run);
            if again.status.success() {
                // Forms are written under the next free name.
                assert_eq!(
                    std::fs::read(&path).expect("there"),
                    b"mine",
                    "{run:?} {name:?}"
                );
                assert_eq!(arguments[0], "next", "{name:?}: {}", told(&again));
            } else {
                let text = told(&again);
                assert!(text.contains("it is left alone"), "{text}");
                assert_eq!(whole(&dir.join(&out)), before, "{run:?} {name:?}");
            }
            // Back as it was, so that the next one decides.
            std::fs::write(&path, &written[name]).expect("written");
            if again.status.success() {
                std::fs::remove_dir_all(dir.join(&out)).expect("removed");
                done(dir, &run);
            }
        }
        // Foreign files in a folder that lowspot never wrote into.
        std::fs::remove_dir_all(dir.join(&out)).expect("removed");
        std::fs::create_dir(dir.join(&out)).expect("made");
        let name = written
            .keys()
            .find(|n| n.to_string_lossy() != "lowspot-files.txt" && n.components().count() == 1);
        let name = name.expect("a file");
        std::fs::write(dir.join(&out).join(name), "foreign").expect("written");
        let again = lowspot(dir, &run);
        assert_eq!(
            std::fs::read(dir.join(&out).join(name)).expect("there"),
            b"foreign",
            "{run:?}"
        );
        assert!(!again.status.success() || arguments[0] == "next", "{run:?}");
    }
}

#[test]
fn a_form_is_written_once_and_leaves_no_list() {
    let shop = shop(&[]);
    let dir = shop.path();
    done(dir, &["blank", "panel.toml", "--out", "forms/form.txt"]);
    assert_eq!(files(&dir.join("forms")).len(), 1);
    std::fs::write(dir.join("forms/form.txt"), "a day's readings").expect("written");
    let text = refused(dir, 2, &["blank", "panel.toml", "--out", "forms/form.txt"]);
    assert!(text.contains("may hold readings"), "{text}");
}

/// A link in the folder of outputs leads elsewhere: it is not followed, nor taken away.
#[cfg(unix)]
#[test]
fn links_among_the_outputs_are_left_alone() {
    let shop = shop(&[("precious.txt", b"precious")]);
    let dir = shop.path();
    std::fs::create_dir(dir.join("out")).expect("made");
    std::os::unix::fs::symlink("../precious.txt", dir.join("out/map.png")).expect("linked");
    let text = refused(
        dir,
        2,
        &["map", "panel.toml", "readings.txt", "--out", "out"],
    );
    assert!(text.contains("map.png"), "{text}");
    assert_eq!(
        std::fs::read(dir.join("precious.txt")).expect("there"),
        b"precious"
    );
    assert_eq!(files(&dir.join("out")).len(), 1);
}
