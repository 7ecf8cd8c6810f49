//! Stopped at any moment, two at once, a full disk, a folder that cannot be written: nothing
//! acknowledged is lost, nothing half written is seen.
//!
//! What is tried: SIGKILL, ENOSPC, a read-only file system. A power cut is not: that the disk does
//! what `fsync` says is taken on trust.

use super::*;
use lowspot::keep::{Book, check};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::PathBuf;
use std::process::Stdio;
use std::time::{Duration, Instant};

/// What one stopped entry may be: a survey by photo alone (long, mostly reckoning), or a block
/// (short, mostly writing).
const SURVEY: [&str; 7] = [
    "enter",
    NAME,
    "survey",
    "--photo",
    "lid.png",
    "--targets",
    "targets.csv",
];
const BLOCK: [&str; 5] = ["enter", NAME, "block", "--note", "by hand"];

fn started(dir: &Path, arguments: &[&str]) -> std::process::Child {
    program(dir, arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("lowspot starts")
}

/// Entries by which it is found how long one takes.
const TIMED: usize = 3;

/// How long one takes when nobody stops it: the shortest of some, since the first must read the
/// program from the disk.
fn takes(dir: &Path, arguments: &[&str]) -> Duration {
    let one = |_| {
        let begun = Instant::now();
        done(dir, arguments);
        begun.elapsed()
    };
    (0..TIMED).map(one).min().expect("some")
}

/// Starts entries and kills each at a random moment until so many were truly stopped by it, and not
/// done before; after each the book is whole and has all that was acknowledged.
fn kill(times: usize) {
    let shop = shop();
    let dir = shop.path();
    let path = dir.join("lids.lowspot");
    let length = [takes(dir, &SURVEY), takes(dir, &BLOCK)];
    let mut random = ChaCha8Rng::seed_from_u64(20_260_314);
    let (mut acknowledged, mut killed, mut written) = (2 * TIMED, 0, 2 * TIMED);
    let mut tried = 0;
    for k in 0..20 * times {
        if killed == times {
            break;
        }
        tried = k + 1;
        let which = k % 2;
        let arguments: &[&str] = if which == 0 { &SURVEY } else { &BLOCK };
        let mut child = started(dir, arguments);
        std::thread::sleep(length[which].mul_f64(random.random_range(0.0..1.4)));
        let _ = child.kill();
        let done = child.wait().expect("it ends").success();
        acknowledged += usize::from(done);
        killed += usize::from(!done);
        let found = check::file(&path).expect("a book");
        assert_eq!(found.faults, Vec::<String>::new(), "after {k}");
        // What was killed may have been entered, wholly, just before.
        let least = written + usize::from(done);
        assert!(
            (least..=written + 1).contains(&found.entries),
            "{} entries after {written}, acknowledged: {done}",
            found.entries
        );
        written = found.entries;
        assert_eq!(found.files, 2 * found.results, "half a survey");
    }
    assert_eq!(killed, times, "of {tried} entries");
    println!(
        "{tried} entries (survey {:?}, block {:?}), {killed} stopped, {} entered unacknowledged; the book whole each time",
        length[0],
        length[1],
        written - acknowledged
    );
    let left: Vec<PathBuf> = journals(dir);
    done(dir, &BLOCK);
    assert_eq!(journals(dir), Vec::<PathBuf>::new(), "before: {left:?}");
}

fn journals(dir: &Path) -> Vec<PathBuf> {
    std::fs::read_dir(dir)
        .expect("the folder")
        .map(|f| f.expect("a file").path())
        .filter(|p| p.to_string_lossy().contains(".lowspot-"))
        .collect()
}

#[test]
fn an_entry_stopped_at_any_moment_leaves_the_book_whole() {
    kill(6);
}

#[test]
#[ignore = "50 entries stopped, for the full run"]
fn fifty_entries_stopped() {
    kill(50);
}

#[test]
#[ignore = "500 entries stopped, for a release"]
fn five_hundred_entries_stopped() {
    kill(500);
}

#[test]
fn two_who_enter_at_once_both_succeed_or_one_is_told_of_the_other() {
    let shop = shop();
    let dir = shop.path();
    let mut entered = 0;
    for _ in 0..5 {
        let mut two: Vec<_> = (0..4)
            .map(|k| {
                let by = format!("person {k}");
                program(dir, &["enter", NAME, "clean", "--by", &by])
                    .stdout(Stdio::piped())
                    .stderr(Stdio::piped())
                    .spawn()
                    .expect("starts")
            })
            .collect();
        while let Some(child) = two.pop() {
            let out = child.wait_with_output().expect("ends");
            entered += usize::from(out.status.success());
            let text = told(&out);
            assert!(out.status.success() || text.contains("in use by"), "{text}");
        }
    }
    let found = check::file(&dir.join("lids.lowspot")).expect("a book");
    assert_eq!(found.faults, Vec::<String>::new());
    assert_eq!(found.entries, entered);
    assert!(entered >= 5, "{entered}");
}

#[test]
fn a_book_in_use_names_who_uses_it_and_nothing_is_lost() {
    let shop = shop();
    let dir = shop.path();
    let path = dir.join("lids.lowspot");
    // Somebody else has begun to write and does not finish.
    let mut other = rusqlite::Connection::open(&path).expect("opens");
    let writing = other
        .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
        .expect("locked");
    std::fs::write(
        dir.join("lids.lowspot-writer"),
        "Kim\n4711\n2026-03-14T09:15:00Z\n",
    )
    .expect("a note");
    let begun = Instant::now();
    let text = refused(dir, 1, &BLOCK);
    assert!(
        text.contains("in use by Kim (process 4711, since 09:15:00): try again in a moment; nothing was written"),
        "{text}"
    );
    let waited = begun.elapsed();
    assert!(
        waited >= Duration::from_secs(4) && waited < Duration::from_secs(30),
        "{waited:?}"
    );
    // Reading goes on meanwhile.
    assert!(done(dir, &["log", NAME]).contains("nothing entered yet"));
    writing.rollback().expect("given up");
    done(dir, &BLOCK);
    assert_eq!(
        Book::open(&path)
            .expect("opens")
            .entries(NAME)
            .expect("read")
            .len(),
        1
    );
}

/// A small file system of its own, taken away at the end; `None` where this user may not mount one.
struct Disk(tempfile::TempDir);

impl Disk {
    fn of(kilobytes: usize) -> Option<Disk> {
        let dir = tempfile::tempdir().expect("a folder");
        let size = format!("size={kilobytes}k");
        let made = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &size, "tmpfs"])
            .arg(dir.path())
            .output();
        let made = made.is_ok_and(|out| out.status.success());
        if !made {
            println!("NOT TRIED: this user may not mount a small disk");
        }
        made.then_some(Disk(dir))
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn read_only(&self) {
        let done = Command::new("mount")
            .args(["-o", "remount,ro"])
            .arg(self.path())
            .status();
        assert!(done.expect("mount runs").success());
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.path()).status();
    }
}

fn shop_on(disk: &Disk) {
    for (name, bytes) in [
        ("panel.toml", LID.as_bytes()),
        ("lid.png", photo()),
        ("targets.csv", TARGETS.as_bytes()),
    ] {
        std::fs::write(disk.path().join(name), bytes).expect("written");
    }
    done(disk.path(), &["book", "new", "lids.lowspot"]);
    done(disk.path(), &["panel", "add", "panel.toml"]);
}

#[test]
fn a_full_disk_is_told_and_loses_nothing() {
    let Some(disk) = Disk::of(2000) else { return };
    shop_on(&disk);
    let (mut entered, mut last) = (0, String::new());
    for _ in 0..50 {
        let out = lowspot(disk.path(), &SURVEY);
        if !out.status.success() {
            assert_eq!(out.status.code(), Some(1));
            last = told(&out);
            break;
        }
        entered += 1;
    }
    assert!(
        last.contains("the disk is full") && last.contains("nothing was written, nothing lost"),
        "{last}"
    );
    let copy = refused(
        disk.path(),
        1,
        &["book", "save", "copy.lowspot", "--book", "lids.lowspot"],
    );
    assert!(
        copy.contains("disk is full") || copy.contains("make room"),
        "{copy}"
    );
    assert!(!disk.path().join("copy.lowspot").exists());
    let found = check::file(&disk.path().join("lids.lowspot")).expect("a book");
    assert_eq!((found.entries, found.faults), (entered, Vec::new()));
    assert!(entered > 0);
    std::fs::remove_file(disk.path().join("lid.png")).expect("room made");
    done(disk.path(), &BLOCK);
}

#[test]
fn a_disk_that_cannot_be_written_is_told_and_the_book_still_reads() {
    let Some(disk) = Disk::of(2000) else { return };
    shop_on(&disk);
    done(disk.path(), &BLOCK);
    disk.read_only();
    let text = refused(disk.path(), 1, &BLOCK);
    assert!(text.contains("read-only"), "{text}");
    assert!(done(disk.path(), &["log", NAME]).contains("block"));
    assert!(done(disk.path(), &["book", "check"]).contains("whole. 1 panel, 1 entry"));
}
