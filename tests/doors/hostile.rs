//! Inputs made to take all memory or all time, or that are something else: refused with the reason.

use super::*;
use crate::books::{LID, READINGS, TARGETS, photo};
use crate::support::folder;
use crate::support::watch::{Watched, watched};
use std::io::Write;
use std::path::Path;
use std::time::Duration;

/// No input takes more memory than this, MB.
pub const MOST_MB: u64 = 600;
/// Nor more time.
pub const LONGEST: Duration = Duration::from_secs(if cfg!(debug_assertions) { 30 } else { 10 });

#[track_caller]
fn bounded(dir: &Path, arguments: &[&str]) -> Watched {
    let run = watched(program(dir, arguments), LONGEST);
    println!(
        "{arguments:?}: {} MB, {:.1} s",
        run.peak_mb,
        run.took.as_secs_f64()
    );
    assert!(
        run.status.is_some(),
        "{arguments:?} took longer than {LONGEST:?}"
    );
    assert!(
        run.peak_mb <= MOST_MB,
        "{arguments:?} took {} MB",
        run.peak_mb
    );
    run
}

fn place(photo: &[u8]) -> tempfile::TempDir {
    let (dir, _) = folder(&[
        ("panel.toml", LID.as_bytes()),
        ("readings.txt", READINGS.as_bytes()),
        ("targets.csv", TARGETS.as_bytes()),
        ("photo", photo),
    ]);
    dir
}

const MAP: [&str; 6] = [
    "map",
    "panel.toml",
    "--photo",
    "photo",
    "--targets",
    "targets.csv",
];

/// A chunk of a PNG with its checksum (ISO/IEC 15948, 5.3 and annex D; from memory).
fn chunk(kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let mut crc = u32::MAX;
    for byte in kind.iter().chain(data) {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = (crc >> 1) ^ (0xEDB8_8320 & (crc & 1).wrapping_neg());
        }
    }
    let length = u32::try_from(data.len()).expect("short");
    [&length.to_be_bytes()[..], kind, data, &(!crc).to_be_bytes()].concat()
}

/// A zlib stream of `megabytes` of zeros, made of blocks of fixed Huffman codes that repeat the
/// byte before 258 times (RFC 1950, RFC 1951; from memory).
fn zeros(megabytes: usize) -> Vec<u8> {
    let mut bits = Bits::default();
    bits.put(1, 1);
    bits.put(1, 2);
    // Literal 0 is code 0x30 of eight bits, the most significant first.
    bits.put_code(0x30, 8);
    let mut length = 1;
    let (mut a, mut b) = (1_u64, 0_u64);
    while length < megabytes * 1_000_000 {
        // Length 258 is code 285, of eight bits: 0xC5; distance 1 is code 0 of five bits.
        bits.put_code(0xC5, 8);
        bits.put_code(0, 5);
        length += 258;
    }
    // The end of the block: code 256, seven zero bits.
    bits.put_code(0, 7);
    // Adler-32 of zeros: a stays 1, b counts the bytes.
    a %= 65_521;
    b = (b + length as u64) % 65_521;
    [
        &[0x78, 0x9C][..],
        &bits.done(),
        &u32::try_from(b << 16 | a).expect("32 bits").to_be_bytes(),
    ]
    .concat()
}

#[derive(Default)]
struct Bits {
    bytes: Vec<u8>,
    used: u32,
}

impl Bits {
    /// Some bits, the least significant first.
    fn put(&mut self, value: u32, count: u32) {
        for k in 0..count {
            if self.used.is_multiple_of(8) {
                self.bytes.push(0);
            }
            let bit = u8::from(value >> k & 1 == 1);
            *self.bytes.last_mut().expect("a byte") |= bit << (self.used % 8);
            self.used += 1;
        }
    }

    /// A Huffman code, the most significant bit first.
    fn put_code(&mut self, code: u32, count: u32) {
        (0..count).rev().for_each(|k| self.put(code >> k & 1, 1));
    }

    fn done(self) -> Vec<u8> {
        self.bytes
    }
}

/// The photo of the lid with one chunk more behind its head.
fn with_chunk(kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let png = photo();
    // The signature of eight bytes, and the head of 25.
    [&png[..33], &chunk(kind, data), &png[33..]].concat()
}

#[test]
fn a_packed_profile_in_a_png_is_not_unpacked() {
    let bomb = zeros(1000);
    assert!(bomb.len() < 8_000_000, "{}", bomb.len());
    for (kind, data) in [
        (b"iCCP", [&b"p\0\0"[..], &bomb].concat()),
        (b"zTXt", [&b"Comment\0\0"[..], &bomb].concat()),
        (b"iTXt", [&b"Comment\0\x01\0\0\0"[..], &bomb].concat()),
    ] {
        let dir = place(&with_chunk(kind, &data));
        let run = bounded(dir.path(), &MAP);
        assert!(run.told.contains("photo"), "{}", run.told);
        assert_eq!(run.status.and_then(|s| s.code()), Some(0), "{}", run.told);
        assert!(
            run.peak_mb < 300,
            "{} MB for a photo of 0.3 million pixels",
            run.peak_mb
        );
    }
}

#[test]
fn a_png_whose_pixels_are_a_bomb_is_refused_or_read_within_bounds() {
    // 20,000 × 20,000 grey pixels of a few hundred kilobytes.
    let head = |w: u32, h: u32| {
        let mut data = [w.to_be_bytes(), h.to_be_bytes()].concat();
        data.extend([8, 0, 0, 0, 0]);
        data
    };
    for side in [20_000_u32, 7000, 5000] {
        let lines = zeros((side as usize + 1) * side as usize / 1_000_000 + 1);
        let png = [
            &b"\x89PNG\r\n\x1A\n"[..],
            &chunk(b"IHDR", &head(side, side)),
            &chunk(b"IDAT", &lines),
            &chunk(b"IEND", b""),
        ]
        .concat();
        let dir = place(&png);
        let run = bounded(dir.path(), &MAP);
        // A picture that is black all over and small enough may be read, as one that shows no coat.
        let code = run.status.and_then(|s| s.code());
        assert!(matches!(code, Some(0..=3)), "{}", run.told);
        if code == Some(0) {
            assert!(run.told.contains("one colour only"), "{}", run.told);
        }
        if side == 20_000 {
            assert_ne!(code, Some(0));
            assert!(run.told.contains("million pixels are read"), "{}", run.told);
        }
    }
}

/// A pipe with nobody at its other end, a device that never ends.
#[cfg(unix)]
#[test]
fn pipes_and_devices_are_refused_at_once() {
    let dir = place(photo());
    let dir = dir.path();
    let made = std::process::Command::new("mkfifo")
        .arg(dir.join("pipe"))
        .status();
    if !made.is_ok_and(|s| s.success()) {
        panic!("mkfifo is needed for this test");
    }
    let cases: [&[&str]; 10] = [
        &["map", "pipe", "readings.txt"],
        &["map", "panel.toml", "pipe"],
        &["map", "panel.toml", "--photo", "pipe"],
        &["map", "panel.toml", "--photo", "photo", "--targets", "pipe"],
        &["map", "panel.toml", "/dev/zero"],
        &["map", "panel.toml", "--photo", "/dev/zero"],
        &["plan", "panel.toml", "readings.txt", "--shop", "pipe"],
        &["mix", "--plan", "pipe"],
        &["book", "check", "pipe"],
        &["panel", "add", "pipe", "--book", "pipe"],
    ];
    for arguments in cases {
        let run = watched(program(dir, arguments), Duration::from_secs(5));
        assert!(
            run.status.is_some_and(|s| s.code() != Some(0)),
            "{arguments:?}: {}",
            run.told
        );
        assert!(!run.told.is_empty());
    }
    // What the shell pipes in itself is read.
    let mut child = program(dir, &["map", "panel.toml", "/dev/stdin"]);
    child
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::null());
    let mut child = child
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("starts");
    let pipe = child.stdin.take();
    pipe.expect("a pipe")
        .write_all(READINGS.as_bytes())
        .expect("written");
    assert!(child.wait().expect("ends").success());
}

/// A photo of so many pixels, grainy, with the lid in its middle.
fn large(width: u32, height: u32) -> Vec<u8> {
    let small = image::load_from_memory(photo())
        .expect("a picture")
        .into_rgb8();
    let picture = image::RgbImage::from_fn(width, height, |c, r| {
        let at = |v: u32, of: u32, to: u32| (u64::from(v) * u64::from(to) / u64::from(of)) as u32;
        *small.get_pixel(at(c, width, small.width()), at(r, height, small.height()))
    });
    let mut jpeg = std::io::Cursor::new(Vec::new());
    picture
        .write_to(&mut jpeg, image::ImageFormat::Jpeg)
        .expect("a picture");
    jpeg.into_inner()
}

fn targets_of(width: u32, height: u32) -> String {
    TARGETS
        .lines()
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            let scaled = |cell: &str, by: f64| {
                cell.parse::<f64>()
                    .map_or(cell.to_string(), |v| format!("{:.1}", v * by))
            };
            format!(
                "{},{},{},{}\n",
                cells[0],
                cells[1],
                scaled(cells[2], f64::from(width) / 660.0),
                scaled(cells[3], f64::from(height) / 440.0)
            )
        })
        .collect()
}

#[test]
#[ignore = "large photos take a minute in this profile; .ci/run calls it in release"]
fn the_largest_photos_keep_within_memory_and_time() {
    for (count, width, height) in [(1, 8660, 5774), (4, 6000, 4000), (1, 13_300, 9000)] {
        let jpeg = large(width, height);
        let dir = place(&jpeg);
        std::fs::write(dir.path().join("targets.csv"), targets_of(width, height)).expect("written");
        let one = ["--photo", "photo", "--targets", "targets.csv"];
        let arguments = [&["map", "panel.toml"][..], &one.repeat(count)].concat();
        let run = bounded(dir.path(), &arguments);
        println!(
            "{count} of {width} × {height}: {}",
            run.told.lines().next().unwrap_or("")
        );
    }
}

#[test]
fn kinds_of_picture_that_are_not_read_are_not_called_damaged() {
    // A TIFF of one strip whose pixels are packed in a way of its own (compression 32,773 is read;
    // 34,712, JPEG 2000, is not). Tags after TIFF 6.0, section 8; from memory.
    let tags: [(u16, u16, u32); 9] = [
        (256, 4, 100),
        (257, 4, 100),
        (258, 3, 8),
        (259, 3, 34_712),
        (262, 3, 1),
        (273, 4, 8),
        (277, 3, 1),
        (278, 4, 100),
        (279, 4, 4),
    ];
    let mut tiff = b"II*\0\x0C\0\0\0\0\0\0\0".to_vec();
    tiff.extend(9_u16.to_le_bytes());
    for (tag, kind, value) in tags {
        tiff.extend(tag.to_le_bytes());
        tiff.extend(kind.to_le_bytes());
        tiff.extend(1_u32.to_le_bytes());
        tiff.extend(value.to_le_bytes());
    }
    tiff.extend([0; 4]);
    // A JPEG with arithmetic codes: its frame begins with SOF9 (ITU-T T.81, table B.1; from
    // memory).
    let mut jpeg = large(660, 440);
    let at = jpeg
        .windows(2)
        .position(|w| w == [0xFF, 0xC0])
        .expect("a frame");
    jpeg[at + 1] = 0xC9;
    for (what, bytes) in [("TIFF", tiff), ("JPEG", jpeg)] {
        let dir = place(&bytes);
        let text = refused(dir.path(), 1, &MAP);
        assert!(
            text.contains(&format!("is a {what} of a kind that is not read here")),
            "{text}"
        );
        assert!(!text.contains("damaged"), "{text}");
    }
}

/// A folder to import that leads out of itself, or refers to what is not there.
#[cfg(unix)]
#[test]
fn a_folder_to_import_leads_nowhere_else_and_says_what_is_missing() {
    let dir = place(photo());
    let dir = dir.path();
    std::fs::write(dir.join("secret.txt"), "secret").expect("written");
    done(dir, &["book", "new", "lids.lowspot"]);
    done(dir, &["panel", "add", "panel.toml"]);
    done(dir, &["enter", "locker lid", "survey", "readings.txt"]);
    done(dir, &["enter", "locker lid", "block"]);
    done(dir, &["book", "export", "plain"]);
    let copy = |name: &str| {
        let status = std::process::Command::new("cp")
            .args(["-r", "plain", name])
            .current_dir(dir)
            .status();
        assert!(status.expect("cp").success());
        dir.join(name)
    };
    // Links, of a file and of a folder.
    let linked = copy("linked");
    let readings = linked.join("entries/00001-survey/1-readings.txt");
    std::fs::remove_file(&readings).expect("removed");
    std::os::unix::fs::symlink(dir.join("secret.txt"), &readings).expect("linked");
    let moved = linked.join("entries/00002-block");
    std::fs::rename(&moved, dir.join("block")).expect("moved");
    std::os::unix::fs::symlink(dir.join("block"), &moved).expect("linked");
    let text = refused(dir, 1, &["book", "import", "linked", "a.lowspot"]);
    assert!(text.contains("1-readings.txt: is a link"), "{text}");
    assert!(text.contains("00002-block: is a link"), "{text}");
    // References to nothing, with file and line.
    let cases = [
        (
            "panel = 1",
            "panel = 7",
            "entry.toml:2: panel 7 is the id of no panel here",
        ),
        (
            "version = 1",
            "version = 9",
            "entry.toml:3: version 9 is none of panel 1",
        ),
        (
            "number = 2",
            "number = 1",
            "entry.toml:1: number 1 is that of",
        ),
        (
            "version = 1",
            "version = 1\nstrikes = 5",
            "strikes entry 5, which is not there",
        ),
    ];
    for (k, (from, to, expected)) in cases.into_iter().enumerate() {
        let folder = copy(&format!("wrong-{k}"));
        let file = folder.join("entries/00002-block/entry.toml");
        let text = std::fs::read_to_string(&file).expect("there");
        assert!(text.contains(from), "{text}");
        std::fs::write(&file, text.replacen(from, to, 1)).expect("written");
        let text = refused(
            dir,
            1,
            &["book", "import", &format!("wrong-{k}"), "a.lowspot"],
        );
        assert!(text.contains(expected), "{expected}: {text}");
        assert!(!text.contains("SQLite"), "{text}");
    }
    let twin = copy("twin");
    let file = twin.join("panels/1-locker-lid/about.toml");
    let text = std::fs::read_to_string(&file).expect("there");
    std::fs::write(&file, text.replacen("id = 1", "id = 1\ntwin = 4", 1)).expect("written");
    let text = refused(dir, 1, &["book", "import", "twin", "a.lowspot"]);
    assert!(
        text.contains("about.toml:2: twin 4 is the id of no panel here"),
        "{text}"
    );
    assert!(!dir.join("a.lowspot").exists());
}
