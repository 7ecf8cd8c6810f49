//! The picture, the page, the text and the files from one simulated judgement.

#[path = "support/fixture.rs"]
mod fixture;

use lowspot::show;
use lowspot::units::Units;

#[test]
fn draft() {
    let panel = fixture::panel();
    let j = fixture::judgement(&panel);
    let t = std::time::Instant::now();
    let png = show::map::draw_png(&j, &panel, Units::Metric, 1800).unwrap();
    eprintln!("png {} bytes {:?}", png.len(), t.elapsed());
    let t = std::time::Instant::now();
    let svg = show::map::draw_svg(&j, &panel, Units::Us).unwrap();
    eprintln!("svg {} bytes {:?}", svg.len(), t.elapsed());
    std::fs::write("/tmp/show-map.png", png).unwrap();
    std::fs::write("/tmp/show-map.svg", svg).unwrap();
}
