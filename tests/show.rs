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

#[test]
fn draft_page() {
    let panel = fixture::panel();
    let j = fixture::judgement(&panel);
    let t = std::time::Instant::now();
    let page = show::html::page(&j, &panel, Units::Metric).unwrap();
    eprintln!("page {} bytes {:?}", page.len(), t.elapsed());
    std::fs::write("/tmp/show-report.html", page).unwrap();
    let t = std::time::Instant::now();
    let csv = show::csv::surface(&j);
    eprintln!("csv {} bytes {:?}", csv.len(), t.elapsed());
    let mut text = Vec::new();
    show::summary::write_lines(&show::summary::lines(&j, &panel, Units::Metric, std::path::Path::new("out")), 100, &mut text).unwrap();
    eprintln!("{}", String::from_utf8_lossy(&text));
}

#[test]
fn draft_others() {
    let panel = fixture::panel();
    let j = fixture::crowded(&panel);
    std::fs::write("/tmp/show-crowded.png", show::map::draw_png(&j, &panel, Units::Us, 1800).unwrap()).unwrap();
    for turned in [false, true] {
        let (panel, j) = fixture::strip(turned);
        std::fs::write(format!("/tmp/show-strip-{turned}.png"), show::map::draw_png(&j, &panel, Units::Metric, 1800).unwrap()).unwrap();
    }
    std::fs::write("/tmp/show-crowded.html", show::html::page(&j, &panel, Units::Us).unwrap()).unwrap();
    let mut text = Vec::new();
    show::summary::write_lines(&show::summary::lines(&j, &panel, Units::Us, std::path::Path::new("out")), 80, &mut text).unwrap();
    eprintln!("{}", String::from_utf8_lossy(&text));
}
