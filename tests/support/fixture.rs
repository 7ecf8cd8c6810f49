//! A simulated judgement: every number is made from a formula, none was measured.
//!
//! A crowned 1800 × 1200 mm panel with two lows, a high, an opening, a no-sand strip and a corner
//! that no reading reached.

use lowspot::judge::*;
use lowspot::panel::{Form, Limit, Panel, Polygon, Quantity};
use ndarray::Array2;

fn bump(x: f64, y: f64, at: [f64; 2], size: [f64; 2], height: f64) -> f64 {
    let (u, v) = ((x - at[0]) / size[0], (y - at[1]) / size[1]);
    height * (-0.5 * (u * u + v * v)).exp()
}

/// Deviation of the simulated panel, mm.
pub fn deviation(x: f64, y: f64) -> f64 {
    bump(x, y, [420.0, 820.0], [95.0, 70.0], -0.85)
        + bump(x, y, [1180.0, 260.0], [160.0, 80.0], -0.42)
        + bump(x, y, [1450.0, 800.0], [35.0, 170.0], 0.48)
        + 0.035 * (x / 97.0).sin() * (y / 83.0).cos()
}

/// The simulated panel.
pub fn panel() -> Panel {
    let limit = |base_mm: f64, max: f64| Limit {
        quantity: Quantity::Gap,
        base_mm,
        max,
        origin: "set in panel.toml".into(),
    };
    Panel {
        name: "simulated roof <A&B>".into(),
        length_mm: 1800.0,
        width_mm: 1200.0,
        form: Form::Crowned,
        purpose: None,
        outline: Polygon(vec![
            [0.0, 0.0],
            [1800.0, 0.0],
            [1800.0, 1120.0],
            [0.0, 1200.0],
        ]),
        cutouts: vec![Polygon(vec![
            [760.0, 480.0],
            [1120.0, 480.0],
            [1120.0, 740.0],
            [760.0, 740.0],
        ])],
        no_sand: vec![Polygon(vec![
            [0.0, 0.0],
            [300.0, 0.0],
            [300.0, 200.0],
            [0.0, 200.0],
        ])],
        no_fill: Vec::new(),
        photo_ignore: Vec::new(),
        sand_allowance_mm: Some(0.3),
        limits: vec![limit(300.0, 0.3), limit(600.0, 0.6)],
        zones: Vec::new(),
        form_wavelength_mm: [1200.0, 1200.0],
        form_wavelength_given: false,
        radius_mm: [None; 2],
        node_limit_mm: 0.15,
        sheet_metal: false,
        moving_surface: false,
        skin: lowspot::panel::skin::Skin::default(),
        targets: Vec::new(),
    }
}

fn around(value: f64, part: f64) -> Interval {
    let (a, b) = (value * (1.0 - part), value * (1.0 + part));
    Interval {
        value,
        low: a.min(b),
        high: a.max(b),
    }
}

fn region(
    name: &str,
    kind: RegionKind,
    at: [f64; 2],
    extent: [f64; 4],
    worst: f64,
    cc: f64,
    action: Action,
) -> Region {
    Region {
        name: name.into(),
        kind,
        worst_at: at,
        extent_mm: extent,
        area_cm2: (extent[2] - extent[0]) * (extent[3] - extent[1]) / 100.0 * 0.7,
        worst_mm: around(worst, 0.12),
        volume_cc: around(cc, 0.2),
        action,
        needs_cycle: worst.abs() > 0.4,
        saves_cc_per_tenth: (kind == RegionKind::High).then(|| around(14.0, 0.3)),
        allowed_mm: 0.3,
        comes_off_mm: 0.2,
        saves_cc: (kind == RegionKind::High).then(|| around(30.0, 0.2)),
        from_edges: format!(
            "{:.0} mm from the left edge, {:.0} mm from the top edge",
            at[0],
            1200.0 - at[1]
        ),
        looks_like: if kind == RegionKind::High {
            "looks like a tape seam".into()
        } else {
            String::new()
        },
        substrate_shows: false,
    }
}

fn nodes(panel: &Panel) -> Nodes {
    let grid = Grid {
        step_mm: 10.0,
        nx: 181,
        ny: 121,
    };
    let value = |f: &dyn Fn(f64, f64) -> f64| {
        Array2::from_shape_fn((grid.ny, grid.nx), |(iy, ix)| {
            let (x, y) = (grid.x(ix), grid.y(iy));
            if panel.contains(x, y) {
                f(x, y)
            } else {
                f64::NAN
            }
        })
    };
    let shape = |x: f64, y: f64| {
        let (u, v) = (x / 1800.0 - 0.5, y / 1200.0 - 0.5);
        -136.0 * u * u - 60.0 * v * v
    };
    let far = |x: f64, y: f64| x > 1560.0 && y < 180.0 + (x - 1560.0) * 0.5;
    let sd = |x: f64, y: f64| {
        if far(x, y) {
            0.4
        } else if x < 240.0 && y < 420.0 {
            0.09
        } else {
            0.03
        }
    };
    let state = Array2::from_shape_fn((grid.ny, grid.nx), |(iy, ix)| {
        let (x, y) = (grid.x(ix), grid.y(iy));
        if !panel.contains(x, y) {
            return NodeState::Outside;
        }
        let (d, half) = (deviation(x, y), 1.96 * sd(x, y));
        match () {
            _ if sd(x, y) > 0.15 => NodeState::Unmeasured,
            _ if d + half < -0.15 => NodeState::Low,
            _ if d - half > 0.15 => NodeState::High,
            _ if d - half > -0.15 && d + half < 0.15 => NodeState::Fair,
            _ => NodeState::Unsure,
        }
    });
    Nodes {
        grid,
        height: value(&|x, y| shape(x, y) + deviation(x, y)),
        reference: value(&shape),
        deviation: value(&deviation),
        fairness: value(&deviation),
        sd: value(&sd),
        reading_distance: value(&|_, _| 40.0),
        region: Array2::zeros((grid.ny, grid.nx)),
        state,
    }
}

fn placings() -> Vec<PlacingEcho> {
    let along = (0..11).flat_map(|n| {
        let y = 50.0 + 100.0 * n as f64;
        [0.0, 450.0, 900.0, 1200.0].map(|x| [[x, y], [x + 600.0, y]])
    });
    let across = (0..9).map(|n| {
        let x = 100.0 + 200.0 * n as f64;
        [[x, 0.0], [x, 600.0]]
    });
    along
        .chain(across)
        .enumerate()
        .map(|(n, ends)| PlacingEcho {
            text: format!("A{}: 13 readings, 0.00 to 0.60, none left out", n + 1),
            place: format!("simulated.txt:{}", n + 4),
            ends,
        })
        .collect()
}

/// The whole simulated judgement.
pub fn judgement(panel: &Panel) -> Judgement {
    let result = |n: usize, worst: f64, state: LimitState, remedy: &str| LimitResult {
        limit: panel.limits[n].clone(),
        zone: None,
        worst: around(worst, 0.1),
        worst_at: [420.0, 820.0],
        direction_deg: 45.0,
        p_exceeds: if worst > 0.3 { 1.0 } else { 0.5 },
        could_be: worst + 0.12,
        repeats: 0.02,
        blind_mm: 157.0,
        blind_at: [100.0, 500.0],
        doubt: None,
        state,
        share_within: 0.93,
        remedy: remedy.into(),
    };
    Judgement {
        panel_name: panel.name.clone(),
        date: Some("2026-03-14".into()),
        form: panel.form,
        form_wavelength_mm: panel.form_wavelength_mm,
        node_limit_mm: panel.node_limit_mm,
        nodes: nodes(panel),
        regions: vec![
            region("L1", RegionKind::Low, [420.0, 820.0], [240.0, 690.0, 600.0, 950.0], -0.85, 35.0, Action::Fill),
            region("L2", RegionKind::Low, [1180.0, 260.0], [880.0, 120.0, 1480.0, 400.0], -0.42, 33.0, Action::Fill),
            region("H1", RegionKind::High, [1450.0, 800.0], [1390.0, 500.0, 1510.0, 1090.0], 0.48, 18.0, Action::Sand),
        ],
        limits: vec![
            result(0, 0.71, LimitState::Exceeded, ""),
            result(1, f64::NAN, LimitState::NotChecked, "take placings with a 600 mm edge"),
        ],
        texture: Texture { sa_mm: 0.081, sq_mm: 0.142, sz_mm: 1.33, sdq: 0.0021 },
        bands: vec![
            Band { from_mm: 100.0, to_mm: 300.0, sq_mm: 0.05 },
            Band { from_mm: 300.0, to_mm: 1200.0, sq_mm: 0.11 },
        ],
        to_level_cc: around(68.0, 0.15),
        most_likely_cc: 71.0,
        if_substrate: None,
        references: vec![
            ReferenceSummary { name: "skin", to_level_cc: 68.0, sand_cc: 18.0, chosen: true },
            ReferenceSummary { name: "sink", to_level_cc: 41.0, sand_cc: 77.0, chosen: false },
            ReferenceSummary { name: "ride", to_level_cc: 240.0, sand_cc: 0.0, chosen: false },
        ],
        verdict: Verdict::AnotherCycle,
        reasons: vec!["0.71 mm under a 300 mm straightedge at x 420 y 820; 0.30 is allowed".into()],
        not_checked: vec!["crown, twist, section".into(), "600 mm base".into()],
        measure_next: vec!["Two placings along x at y 60 and y 120, from x 1500: they tell whether the corner is fair.".into()],
        flags: vec![Flag {
            placing: "A7".into(),
            x_mm: 450.0,
            y_mm: 250.0,
            value_mm: 13.0,
            expected_mm: 1.3,
            place: "simulated.txt:10:34".into(),
            reason: "A7, x 450: 13.00 mm, expected about 1.3".into(),
            whole_placing: false,
        }],
        flagged_placings: Vec::new(),
        seams: Vec::new(),
        edges: Vec::new(),
        placings: placings(),
        readings: 688,
        repeatability_mm: Some(0.031),
        noise_mm: vec![("straightedge".into(), 0.034)],
        fit: lowspot::judge::status::FitStatus::Solved,
        fit_status: "solved".into(),
        range_mm: 240.0,
        amplitude_mm: 0.17,
        sight: Sight {
            rows: vec![SightRow {
                direction: "along x",
                tool: "straightedge",
                placings: 12,
                pitch_mm: Some(50.0),
                shortest_mm: Some(100.0),
                blind_mm: Vec::new(),
            }],
            along_x_mm: Some(100.0),
            along_y_mm: Some(100.0),
            blind_mm: Vec::new(),
            untied: Vec::new(),
        },
        unmeasured_share: 0.024,
        warnings: vec![lowspot::problem::Warning::new("the first reading of A3 is not 0")],
        skin_c: Some(19.0),
        supports: Some("x 300 900 1500".into()),
        sand_allowance_mm: 0.3,
        sand_allowance_given: true,
        photos: None,
        repeats: None,
        misfit: None,
    }
}

/// The same panel with thirty regions, many of them close together: for names that must not lie on
/// one another.
pub fn crowded(panel: &Panel) -> Judgement {
    let mut j = judgement(panel);
    let mut seed = 12345_u64;
    let mut next = |from: f64, to: f64| {
        seed = seed
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        from + (to - from) * ((seed >> 33) as f64 / (1u64 << 31) as f64)
    };
    j.regions.clear();
    j.nodes
        .deviation
        .mapv_inplace(|d| if d.is_nan() { d } else { 0.0 });
    for n in 0..30 {
        let low = n < 22;
        let at = [next(60.0, 1540.0), next(260.0, 1100.0)];
        let (size, height) = (
            [next(25.0, 70.0), next(25.0, 70.0)],
            if low { -next(0.2, 1.6) } else { next(0.2, 0.5) },
        );
        let grid = j.nodes.grid;
        for ((iy, ix), d) in j.nodes.deviation.indexed_iter_mut() {
            *d += bump(grid.x(ix), grid.y(iy), at, size, height);
        }
        let (kind, name) = if low {
            (RegionKind::Low, format!("L{}", n + 1))
        } else {
            (RegionKind::High, format!("H{}", n - 21))
        };
        let extent = [
            at[0] - size[0],
            at[1] - size[1],
            at[0] + size[0],
            at[1] + size[1],
        ];
        let action = if low { Action::Fill } else { Action::Leave };
        j.regions.push(region(
            &name,
            kind,
            at,
            extent,
            height,
            40.0 - n as f64,
            action,
        ));
    }
    j
}

/// A strip 4000 × 260 mm, or (turned) 260 × 4000: everything measured, nothing found.
pub fn strip(turned: bool) -> (Panel, Judgement) {
    let (length, width) = if turned {
        (260.0, 4000.0)
    } else {
        (4000.0, 260.0)
    };
    let mut panel = panel();
    (panel.length_mm, panel.width_mm) = (length, width);
    panel.outline = Polygon::rectangle(length, width);
    panel.cutouts.clear();
    panel.no_sand.clear();
    let mut j = judgement(&panel);
    let grid = Grid {
        step_mm: 10.0,
        nx: (length / 10.0) as usize + 1,
        ny: (width / 10.0) as usize + 1,
    };
    let flat = |v: f64| Array2::from_elem((grid.ny, grid.nx), v);
    j.nodes = Nodes {
        grid,
        height: flat(0.0),
        reference: flat(0.0),
        deviation: Array2::from_shape_fn((grid.ny, grid.nx), |(iy, ix)| {
            let along = if turned { grid.y(iy) } else { grid.x(ix) };
            bump(along, 0.0, [2000.0, 0.0], [90.0, 90.0], -0.5)
        }),
        fairness: flat(0.0),
        sd: flat(0.02),
        state: Array2::from_elem((grid.ny, grid.nx), NodeState::Fair),
        reading_distance: flat(20.0),
        region: Array2::zeros((grid.ny, grid.nx)),
    };
    j.regions.truncate(1);
    j.regions[0].worst_at = if turned {
        [130.0, 2000.0]
    } else {
        [2000.0, 130.0]
    };
    j.placings.clear();
    j.flags.clear();
    (panel, j)
}
