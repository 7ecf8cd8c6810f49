//! Times a simulated 12-megapixel JPEG to coat cells, best of seven, and prints how to time the
//! same in OpenCV.
//!
//!     cargo bench --bench photo
//!
//! The yardstick is `benches/photo_reference.py`, which decodes, warps, evens the light and
//! thresholds; run it right after, on the same machine, with the command that is printed.

#[path = "../tests/support/render.rs"]
mod render;
#[path = "../tests/support/simulate.rs"]
mod simulate;

use lowspot::photo::coat::{self, Options};
use lowspot::photo::picture;
use lowspot::photo::placement::Placement;
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let kind = simulate::Kind::Crowned;
    let truth = simulate::truth(kind, 1, 1.0);
    let camera = render::Camera::over(&truth, [4000, 3000], 30.0, 250.0);
    let lamp = render::Lamp::one_sided();
    let scene = render::Scene::dark_on_light();
    let start = Instant::now();
    let shot = render::photo(&truth, &scene, &camera, &lamp, &render::Sensor::phone(), 1);
    println!("made in {:.0} ms", 1000.0 * start.elapsed().as_secs_f64());
    let path = std::env::temp_dir().join("lowspot-bench-photo.jpg");
    std::fs::write(&path, shot.jpeg(88, 1))?;
    let placement = Placement::from_homography(shot.homography).ok_or("no homography")?;
    let panel = simulate::panel(kind);
    let (mut decode_ms, mut all_ms) = (Vec::new(), Vec::new());
    let mut coat_share = 0.0;
    for _ in 0..7 {
        let start = Instant::now();
        let (photo, _) = picture::load(&path)?;
        decode_ms.push(1000.0 * start.elapsed().as_secs_f64());
        let reading = coat::read(&panel, &photo, &placement, &Options::default())?;
        all_ms.push(1000.0 * start.elapsed().as_secs_f64());
        let seen = reading.cells.coat.iter().filter(|c| !c.is_nan());
        coat_share = seen.clone().sum::<f64>() / seen.count() as f64;
    }
    decode_ms.sort_by(f64::total_cmp);
    all_ms.sort_by(f64::total_cmp);
    println!(
        "lowspot: {:.0} ms (median {:.0}), of which decoding {:.0} ms; coat {coat_share:.3}",
        all_ms[0], all_ms[3], decode_ms[0]
    );
    let h: Vec<String> = shot
        .homography
        .iter()
        .flatten()
        .map(|v| format!("{v:e}"))
        .collect();
    println!(
        "python benches/photo_reference.py {} {} {} {}",
        path.display(),
        h.join(" "),
        panel.length_mm,
        panel.width_mm
    );
    Ok(())
}
