//! Whether corners make a sound area: enough of them, not crossing, inside another, clear of
//! another. Everything closer than [`TOUCH_MM`] counts as touching, which is allowed between areas.

use super::Polygon;

/// Distance below which two edges merely touch, mm.
pub const TOUCH_MM: f64 = 0.01;

/// What is wrong with a list of corners: the corner (from 0) and a sentence; `None` for a sound
/// area.
///
/// Sound: three corners or more, no corner twice in a row, no two sides crossing or touching other
/// than neighbours at their corner, an area above zero.
pub fn flaw(polygon: &Polygon) -> Option<(usize, String)> {
    let corners = &polygon.0;
    if corners.len() < 3 {
        return Some((
            0,
            format!(
                "an outline of {} corners encloses nothing; expected at least 3, as [x, y] pairs",
                corners.len()
            ),
        ));
    }
    let sides: Vec<_> = polygon.edges().collect();
    if let Some(i) = sides.iter().position(|(p, q)| near(*p, *q)) {
        return Some((
            (i + 1) % corners.len(),
            format!("corner {} is written twice; keep one", name(corners, i)),
        ));
    }
    for (i, a) in sides.iter().enumerate() {
        for (j, b) in sides.iter().enumerate().skip(i + 1) {
            let next = j == i + 1 || (i == 0 && j == sides.len() - 1);
            let crossed = if next { folds(a, b, i, j) } else { meet(a, b) };
            if crossed {
                return Some((
                    j,
                    format!(
                        "the side from {} crosses or touches the side from {}; write the corners in the order \
                         in which you meet them walking round",
                        name(corners, j),
                        name(corners, i)
                    ),
                ));
            }
        }
    }
    (polygon.area_mm2() < TOUCH_MM).then(|| {
        (
            0,
            "all corners lie on one line; an outline must enclose an area".into(),
        )
    })
}

type Side = ([f64; 2], [f64; 2]);

fn name(corners: &[[f64; 2]], i: usize) -> String {
    corners.get(i).map_or(String::new(), |c| {
        format!(
            "[{}, {}]",
            crate::text::plain_mm(c[0]),
            crate::text::plain_mm(c[1])
        )
    })
}

fn near(p: [f64; 2], q: [f64; 2]) -> bool {
    (p[0] - q[0]).hypot(p[1] - q[1]) <= TOUCH_MM
}

/// Distance of `r` from the line through a side, mm; positive to the left of it.
fn beside(side: &Side, r: [f64; 2]) -> f64 {
    let (p, q) = *side;
    let (dx, dy) = (q[0] - p[0], q[1] - p[1]);
    (dx * (r[1] - p[1]) - dy * (r[0] - p[0])) / dx.hypot(dy).max(f64::MIN_POSITIVE)
}

/// Whether a point lies on a side.
fn on(side: &Side, r: [f64; 2]) -> bool {
    let (p, q) = *side;
    let (dx, dy) = (q[0] - p[0], q[1] - p[1]);
    let along = (dx * (r[0] - p[0]) + dy * (r[1] - p[1])) / dx.hypot(dy).max(f64::MIN_POSITIVE);
    near(p, r)
        || near(q, r)
        || beside(side, r).abs() <= TOUCH_MM && (0.0..=dx.hypot(dy)).contains(&along)
}

/// Whether the boxes round two sides are clear of one another: then the sides do not meet.
fn apart(a: &Side, b: &Side) -> bool {
    [0, 1].into_iter().any(|k| {
        a.0[k].max(a.1[k]) + TOUCH_MM < b.0[k].min(b.1[k])
            || b.0[k].max(b.1[k]) + TOUCH_MM < a.0[k].min(a.1[k])
    })
}

/// Whether two sides cross in the middle of both, by more than a touch.
fn cross(a: &Side, b: &Side) -> bool {
    let opposite =
        |u: f64, v: f64| u.abs() > TOUCH_MM && v.abs() > TOUCH_MM && (u < 0.0) != (v < 0.0);
    opposite(beside(a, b.0), beside(a, b.1)) && opposite(beside(b, a.0), beside(b, a.1))
}

fn meet(a: &Side, b: &Side) -> bool {
    !apart(a, b) && (cross(a, b) || on(a, b.0) || on(a, b.1) || on(b, a.0) || on(b, a.1))
}

/// Whether two neighbouring sides lie on one another.
fn folds(a: &Side, b: &Side, i: usize, j: usize) -> bool {
    if j == i + 1 {
        on(a, b.1) || on(b, a.0)
    } else {
        on(a, b.0) || on(b, a.1)
    }
}

fn within(polygon: &Polygon, p: [f64; 2]) -> bool {
    polygon.contains(p[0], p[1]) || polygon.distance_to_edge(p[0], p[1]) <= TOUCH_MM
}

fn well_within(polygon: &Polygon, p: [f64; 2]) -> bool {
    polygon.contains(p[0], p[1]) && polygon.distance_to_edge(p[0], p[1]) > TOUCH_MM
}

fn middle(side: &Side) -> [f64; 2] {
    [(side.0[0] + side.1[0]) / 2.0, (side.0[1] + side.1[1]) / 2.0]
}

/// The first corner of `inner` that lies outside `outer`, else the first from which a side leaves
/// it; `None` if it lies inside (touching allowed).
pub fn leaves(inner: &Polygon, outer: &Polygon) -> Option<usize> {
    let outside = inner.0.iter().position(|p| !within(outer, *p));
    outside.or_else(|| {
        inner
            .edges()
            .position(|s| !within(outer, middle(&s)) || outer.edges().any(|o| cross(&o, &s)))
    })
}

/// Whether two sound areas share more than their edges.
pub fn overlap(a: &Polygon, b: &Polygon) -> bool {
    let (p, q) = (a.bounds(), b.bounds());
    if p[0] >= q[2] || q[0] >= p[2] || p[1] >= q[3] || q[1] >= p[3] {
        return false;
    }
    let reaches_into = |a: &Polygon, b: &Polygon| {
        inner_point(a).is_some_and(|c| well_within(b, c))
            || a.edges()
                .any(|s| well_within(b, s.0) || well_within(b, middle(&s)))
    };
    reaches_into(a, b) || reaches_into(b, a) || a.edges().any(|s| b.edges().any(|t| cross(&s, &t)))
}

/// A point well inside a sound area: half way along the widest run of a line across its tallest
/// step.
fn inner_point(polygon: &Polygon) -> Option<[f64; 2]> {
    let mut ys: Vec<f64> = polygon.0.iter().map(|p| p[1]).collect();
    ys.sort_by(f64::total_cmp);
    let y = ys
        .windows(2)
        .max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])))
        .map(|w| (w[0] + w[1]) / 2.0)?;
    let mut xs: Vec<f64> = polygon
        .edges()
        .filter(|(p, q)| (p[1] > y) != (q[1] > y))
        .map(|(p, q)| p[0] + (y - p[1]) / (q[1] - p[1]) * (q[0] - p[0]))
        .collect();
    xs.sort_by(f64::total_cmp);
    xs.chunks_exact(2)
        .max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])))
        .map(|run| [(run[0] + run[1]) / 2.0, y])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(corners: &[[f64; 2]]) -> Polygon {
        Polygon(corners.to_vec())
    }

    fn check(corners: &[[f64; 2]], expected: Option<&str>) {
        let found = flaw(&area(corners)).map(|(_, m)| m);
        match (&found, expected) {
            (None, None) => {}
            (Some(m), Some(e)) if m.contains(e) => {}
            _ => panic!("{corners:?}: found {found:?}, expected {expected:?}"),
        }
    }

    #[test]
    fn sound_and_unsound_outlines_are_told_apart() {
        check(&[[0., 0.], [10., 0.], [10., 5.], [0., 5.]], None);
        check(&[[0., 0.], [10., 0.], [5., 2.], [10., 5.], [0., 5.]], None);
        check(&[[0., 0.], [10., 0.]], Some("2 corners"));
        check(
            &[[0., 0.], [10., 5.], [10., 0.], [0., 5.]],
            Some("crosses or touches"),
        );
        check(
            &[[0., 0.], [10., 0.], [10., 0.], [0., 5.]],
            Some("[10, 0] is written twice"),
        );
        check(&[[0., 0.], [5., 0.], [10., 0.]], Some("crosses or touches"));
        check(
            &[[0., 0.], [10., 0.], [4., 0.], [4., 6.]],
            Some("crosses or touches"),
        );
    }

    #[test]
    fn an_area_leaves_another_by_a_corner_or_by_a_side() {
        let notched = area(&[
            [0., 0.],
            [40., 0.],
            [40., 100.],
            [60., 100.],
            [60., 0.],
            [100., 0.],
            [100., 200.],
            [0., 200.],
        ]);
        let below = area(&[[10., 20.], [90., 20.], [90., 50.], [10., 50.]]);
        let above = area(&[[10., 120.], [90., 120.], [90., 150.], [10., 150.]]);
        assert_eq!(
            leaves(&below, &notched),
            Some(0),
            "its first side crosses the notch"
        );
        assert_eq!(leaves(&above, &notched), None);
        assert_eq!(
            leaves(&area(&[[10., 120.], [90., 250.], [10., 150.]]), &notched),
            Some(1)
        );
    }

    #[test]
    fn touching_areas_do_not_overlap_and_equal_ones_do() {
        let a = Polygon::rectangle(10.0, 10.0);
        let right = area(&[[10., 0.], [20., 0.], [20., 10.], [10., 10.]]);
        let plus = area(&[[4., -5.], [6., -5.], [6., 15.], [4., 15.]]);
        assert!(!overlap(&a, &right));
        assert!(overlap(&a, &a.clone()));
        assert!(overlap(&a, &plus), "a cross with no corner inside");
        assert!(overlap(&a, &area(&[[2., 2.], [3., 2.], [3., 3.]])));
    }
}
