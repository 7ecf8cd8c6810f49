//! Quadrilaterals: from an outline, their diagonals' crossing, and the square seen in perspective.

use super::regions::Pixel;

/// A point in the photo, (column, row); the middle of the first pixel is (0.5, 0.5).
pub type Point = [f64; 2];

/// How far an outline may stray from the sides of its quadrilateral: this many px, or …
const STRAY_PX: f64 = 1.6;
/// … this part of the side.
const STRAY_OF_SIDE: f64 = 0.05;
/// Part of the outline that must lie along the sides.
const ALONG_SIDES: f64 = 0.85;
/// Shortest side and smallest height of a corner over its diagonal that count, px.
const SHORTEST: f64 = 5.0;

/// Distance between two points.
pub fn distance(a: Point, b: Point) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Twice the area of the triangle a, b, c: positive when they run clockwise in the picture.
fn turn(a: Point, b: Point, c: Point) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// The quadrilateral that a closed outline of pixels is, corners clockwise in the picture; `None`
/// when it is none: other corners, hollow sides, too small.
///
/// The first corner is the point farthest from the middle, the second the one farthest from the
/// first (on a line's farthest points always lie corners), the third the one farthest from the line
/// through both, the fourth the one farthest outside the triangle.
pub fn of_outline(outline: &[Pixel]) -> Option<[Point; 4]> {
    let points: Vec<Point> = outline
        .iter()
        .map(|p| [f64::from(p[0]) + 0.5, f64::from(p[1]) + 0.5])
        .collect();
    let n = points.len() as f64;
    let middle = points
        .iter()
        .fold([0.0, 0.0], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    let farthest = |measure: &dyn Fn(&Point) -> f64| {
        points
            .iter()
            .map(|p| (measure(p), *p))
            .max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let a = farthest(&|p| distance(*p, middle))?.1;
    let b = farthest(&|p| distance(*p, a))?.1;
    let long = distance(a, b);
    let (c_height, c) = farthest(&|p| turn(a, b, *p).abs() / long.max(1.0))?;
    let triangle = if turn(a, b, c) > 0.0 {
        [a, b, c]
    } else {
        [a, c, b]
    };
    let outside = |p: &Point| {
        (0..3)
            .map(|i| {
                let (from, to) = (triangle[i], triangle[(i + 1) % 3]);
                -turn(from, to, *p) / distance(from, to).max(1.0)
            })
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let (d_height, d) = farthest(&outside)?;
    if long < 2.0 * SHORTEST || c_height < SHORTEST / 2.0 || d_height < SHORTEST / 2.0 {
        return None;
    }
    let mut corners = [a, b, c, d];
    let centre = [0, 1].map(|k| corners.iter().map(|p| p[k]).sum::<f64>() / 4.0);
    corners.sort_by(|p, q| {
        let angle = |p: &Point| (p[1] - centre[1]).atan2(p[0] - centre[0]);
        angle(p).total_cmp(&angle(q))
    });
    (is_convex(&corners) && lies_along(&points, &corners)).then(|| grown(&corners, centre))
}

/// Whether four corners run clockwise round a convex quadrilateral with sides of some length.
pub fn is_convex(corners: &[Point; 4]) -> bool {
    (0..4).all(|i| {
        let (a, b, c) = (corners[i], corners[(i + 1) % 4], corners[(i + 2) % 4]);
        distance(a, b) >= SHORTEST && turn(a, b, c) > 0.05 * distance(a, b) * distance(b, c)
    })
}

/// Whether most of an outline lies along the sides.
fn lies_along(points: &[Point], corners: &[Point; 4]) -> bool {
    let sides: Vec<(Point, Point, f64)> = (0..4)
        .map(|i| (corners[i], corners[(i + 1) % 4]))
        .map(|(p, q)| (p, q, distance(p, q)))
        .collect();
    let along = points
        .iter()
        .filter(|p| {
            sides.iter().any(|(a, b, length)| {
                turn(*a, *b, **p).abs() / length <= STRAY_PX.max(STRAY_OF_SIDE * length)
            })
        })
        .count();
    along as f64 >= ALONG_SIDES * points.len() as f64
}

/// Corners moved out from the middles of the outermost pixels to their edges.
fn grown(corners: &[Point; 4], centre: Point) -> [Point; 4] {
    let side = (0..4)
        .map(|i| distance(corners[i], corners[(i + 1) % 4]))
        .sum::<f64>()
        / 4.0;
    let factor = 1.0 + 1.0 / side.max(1.0);
    corners.map(|p| [0, 1].map(|k| centre[k] + factor * (p[k] - centre[k])))
}

/// Where the diagonals of a quadrilateral cross: the middle of a square seen in perspective. `None`
/// when they are parallel.
pub fn crossing(corners: &[Point; 4]) -> Option<Point> {
    let [a, b, c, d] = *corners;
    let (ac, bd) = ([c[0] - a[0], c[1] - a[1]], [d[0] - b[0], d[1] - b[1]]);
    let cross = ac[0] * bd[1] - ac[1] * bd[0];
    if cross.abs() < 1e-9 {
        return None;
    }
    let along = ((b[0] - a[0]) * bd[1] - (b[1] - a[1]) * bd[0]) / cross;
    Some([a[0] + along * ac[0], a[1] + along * ac[1]])
}

/// The homography that takes the unit square's corners (0,0), (1,0), (1,1), (0,1) to four given
/// points, as rows of a 3 × 3 matrix; in closed form (P. Heckbert, *Fundamentals of Texture Mapping
/// and Image Warping*, 1989; from memory, tested by its corners). `None` when three of the points
/// lie on one line.
pub fn from_unit_square(corners: &[Point; 4]) -> Option<[[f64; 3]; 3]> {
    let [p0, p1, p2, p3] = *corners;
    let (dx1, dx2, dx3) = (p1[0] - p2[0], p3[0] - p2[0], p0[0] - p1[0] + p2[0] - p3[0]);
    let (dy1, dy2, dy3) = (p1[1] - p2[1], p3[1] - p2[1], p0[1] - p1[1] + p2[1] - p3[1]);
    let det = dx1 * dy2 - dx2 * dy1;
    let straight = (0..4).any(|i| {
        let (a, b, c) = (corners[i], corners[(i + 1) % 4], corners[(i + 2) % 4]);
        turn(a, b, c).abs() <= 1e-9 * distance(a, b) * distance(b, c)
    });
    if straight || det == 0.0 {
        return None;
    }
    let g = (dx3 * dy2 - dx2 * dy3) / det;
    let h = (dx1 * dy3 - dx3 * dy1) / det;
    Some([
        [p1[0] - p0[0] + g * p1[0], p3[0] - p0[0] + h * p3[0], p0[0]],
        [p1[1] - p0[1] + g * p1[1], p3[1] - p0[1] + h * p3[1], p0[1]],
        [g, h, 1.0],
    ])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_unit_square_goes_to_the_four_corners_and_its_middle_to_the_crossing() {
        let corners = [
            [100.0, 80.0],
            [420.0, 130.0],
            [390.0, 300.0],
            [120.0, 350.0],
        ];
        let h = from_unit_square(&corners).expect("a sound quadrilateral");
        let at = |x: f64, y: f64| {
            let part = |r: [f64; 3]| r[0] * x + r[1] * y + r[2];
            [part(h[0]) / part(h[2]), part(h[1]) / part(h[2])]
        };
        for ((x, y), c) in [(0., 0.), (1., 0.), (1., 1.), (0., 1.)]
            .into_iter()
            .zip(corners)
        {
            assert!(distance(at(x, y), c) < 1e-9, "{x} {y}");
        }
        let middle = crossing(&corners).expect("they cross");
        assert!(distance(at(0.5, 0.5), middle) < 1e-9);
        assert_eq!(
            from_unit_square(&[[0., 0.], [1., 1.], [2., 2.], [0., 5.]]),
            None
        );
    }

    #[test]
    fn outlines_of_squares_are_quadrilaterals_and_rounds_and_ells_are_not() {
        let round: Vec<Pixel> = (0..200)
            .map(|i| f64::from(i) * std::f64::consts::TAU / 200.0)
            .map(|a| {
                [
                    (100.0 + 30.0 * a.cos()) as u32,
                    (100.0 + 30.0 * a.sin()) as u32,
                ]
            })
            .collect();
        assert_eq!(of_outline(&round), None);
        let path = |corners: &[[u32; 2]]| -> Vec<Pixel> {
            (0..corners.len())
                .flat_map(|i| {
                    let (p, q) = (corners[i], corners[(i + 1) % corners.len()]);
                    (0..30u32).map(move |k| [0, 1].map(|a| (p[a] * (30 - k) + q[a] * k) / 30))
                })
                .collect()
        };
        let skew = path(&[[10, 10], [60, 20], [55, 70], [15, 50]]);
        let found = of_outline(&skew).expect("a quadrilateral");
        assert!(distance(found[0], [10.0, 10.0]) < 2.0, "{found:?}");
        let ell = path(&[[10, 10], [60, 10], [60, 30], [30, 30], [30, 60], [10, 60]]);
        assert_eq!(of_outline(&ell), None);
        assert_eq!(of_outline(&[]), None);
    }
}
