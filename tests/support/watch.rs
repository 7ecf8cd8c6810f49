//! A program run under watch: how long it takes, and how much memory at most.

use std::io::Read;
use std::process::{Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

/// How a run went.
pub struct Watched {
    /// Its status; `None` when it was stopped because it took too long.
    pub status: Option<ExitStatus>,
    /// Standard output and standard error.
    pub told: String,
    /// Most memory that was in use, MB, as Linux counts it; 0 elsewhere.
    pub peak_mb: u64,
    /// How long it took.
    pub took: Duration,
}

/// Runs a program to its end, or until `most` has passed.
pub fn watched(mut command: Command, most: Duration) -> Watched {
    let begun = Instant::now();
    let mut child = command
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    let (out, err) = (child.stdout.take(), child.stderr.take());
    let read = |pipe: Option<Box<dyn Read + Send>>| {
        std::thread::spawn(move || {
            let mut bytes = Vec::new();
            if let Some(mut pipe) = pipe {
                let _ = pipe.read_to_end(&mut bytes);
            }
            String::from_utf8_lossy(&bytes).into_owned()
        })
    };
    let out = read(out.map(|p| Box::new(p) as Box<dyn Read + Send>));
    let err = read(err.map(|p| Box::new(p) as Box<dyn Read + Send>));
    let about = format!("/proc/{}/status", child.id());
    let mut peak_kb = 0;
    let status = loop {
        peak_kb = peak_kb.max(high_water_kb(&about));
        match child.try_wait().expect("it can be waited for") {
            Some(status) => break Some(status),
            None if begun.elapsed() > most => {
                let _ = child.kill();
                let _ = child.wait();
                break None;
            }
            None => std::thread::sleep(Duration::from_millis(2)),
        }
    };
    let took = begun.elapsed();
    let told = out.join().expect("read") + &err.join().expect("read");
    Watched {
        status,
        told,
        peak_mb: peak_kb / 1000,
        took,
    }
}

/// The most memory that a process ever had, kB.
fn high_water_kb(about: &str) -> u64 {
    let text = std::fs::read_to_string(about).unwrap_or_default();
    let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    line.and_then(|l| l.split_whitespace().next()?.parse().ok())
        .unwrap_or(0)
}
