//! What is neither filler nor coat: substrate showing, or something not to be read through (a hand,
//! tape, glare, deep shadow).
//!
//! Substrate shows on the highest highs: patches with ragged edges amid bare filler. A hand or a
//! sleeve comes in over the edge, tape is straight, glare is brighter and shadow darker than
//! everything else. The rules are ours (no source); what they cannot tell apart is left out as not
//! seen, which loses area and adds no wrong cell.

use super::blocks::Blocks;
use super::tones::Tones;

/// A patch smaller than this is a speck, cm².
const LEAST_CM2: f64 = 1.0;
/// A patch larger than this share of the panel is no substrate shown by sanding through a high.
const MOST_SHARE: f64 = 0.15;
/// Share of a patch's rim that may lie on the edge of what is seen; a patch larger than so many cm²
/// may not touch it at all (an arm).
const MOST_ON_EDGE: f64 = 0.35;
const MOST_AT_EDGE_CM2: f64 = 30.0;
/// Least share that a patch fills of the ellipse with its second moments: fingers and elbows fill
/// less.
const LEAST_FILLED: f64 = 0.6;
/// Share of the filler's colour that must be round a patch.
const LEAST_PLAIN_ROUND: f64 = 0.75;
/// A patch as straight as this (area over that of the box around it, turned) and this much longer
/// than wide is tape, up to a width.
const STRAIGHT: f64 = 0.84;
const TAPE_ASPECT: f64 = 3.5;
const WIDEST_TAPE_MM: f64 = 80.0;

/// What a block is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Thing {
    /// Filler or coat, as its tone says.
    Panel,
    /// Substrate showing.
    Substrate,
    /// Something to be left out.
    Hidden,
}

/// A patch of neither colour, and whether the two colours' share round it speaks.
#[derive(Clone, Debug)]
pub struct Patch {
    /// Its blocks.
    pub blocks: Vec<usize>,
    /// Share of the darker of the two colours round it.
    pub dark_round: f64,
    /// What it was taken for.
    pub thing: Thing,
}

/// What every block is, and the patches that are of neither colour.
pub fn find(blocks: &Blocks, tones: &Tones) -> (Vec<Thing>, Vec<Patch>) {
    let third: Vec<bool> = (0..blocks.count())
        .map(|k| blocks.is_seen(k) && tones.is_third(blocks, k))
        .collect();
    let mut things: Vec<Thing> = (0..blocks.count())
        .map(|k| {
            if blocks.is_seen(k) {
                Thing::Panel
            } else {
                Thing::Hidden
            }
        })
        .collect();
    let dark: Vec<f64> = (0..blocks.count())
        .map(|k| dark_share(blocks, tones, k))
        .collect();
    let seen = (0..blocks.count()).filter(|k| blocks.is_seen(*k)).count();
    let mut patches = Vec::new();
    for piece in pieces(blocks, &third) {
        // Strewn single blocks are noise of the edges between the two colours.
        if (piece.len() as f64) * blocks.mm * blocks.mm < LEAST_CM2 * 100.0
            || !has_body(blocks, &third, &piece)
        {
            continue;
        }
        let patch = judge(blocks, tones, &third, &dark, seen, piece);
        for &k in &patch.blocks {
            things[k] = patch.thing;
        }
        // Blocks at the rim of a thing are mixtures with it, and look like anything.
        for &k in &patch.blocks {
            for n in blocks.around(k) {
                if things[n] == Thing::Panel {
                    things[n] = Thing::Hidden;
                }
            }
        }
        patches.push(patch);
    }
    (things, patches)
}

fn dark_share(blocks: &Blocks, tones: &Tones, k: usize) -> f64 {
    if !blocks.is_seen(k) {
        return f64::NAN;
    }
    let own = tones.even(blocks, k);
    let (mut top, mut bottom) = (0.0, 0.0);
    for c in 0..3 {
        let way = tones.darker[c] - tones.lighter[c];
        top += way * (own[c] - tones.lighter[c]);
        bottom += way * way;
    }
    (top / bottom.max(1e-12)).clamp(0.0, 1.0)
}

/// Connected pieces, across corners too.
pub(super) fn pieces(blocks: &Blocks, member: &[bool]) -> Vec<Vec<usize>> {
    let mut met = vec![false; member.len()];
    let mut all = Vec::new();
    for start in 0..member.len() {
        if !member[start] || met[start] {
            continue;
        }
        met[start] = true;
        let mut piece = vec![start];
        let mut next = 0;
        while next < piece.len() {
            for n in blocks.around(piece[next]) {
                if member[n] && !met[n] {
                    met[n] = true;
                    piece.push(n);
                }
            }
            next += 1;
        }
        all.push(piece);
    }
    all
}

/// Whether a piece is wider than a line: some square of 2 × 2 blocks a quarter of it.
fn has_body(blocks: &Blocks, third: &[bool], piece: &[usize]) -> bool {
    let [nx, ny] = blocks.size;
    let square = |k: usize| {
        let (x, y) = (k % nx, k / nx);
        x + 1 < nx && y + 1 < ny && third[k + 1] && third[k + nx] && third[k + nx + 1]
    };
    4 * piece.iter().filter(|k| square(**k)).count() >= piece.len()
}

fn judge(
    blocks: &Blocks,
    tones: &Tones,
    third: &[bool],
    dark: &[f64],
    seen: usize,
    piece: Vec<usize>,
) -> Patch {
    let (mut round, mut round_dark) = (0.0, 0.0);
    for &k in &piece {
        for ring in ring_around(blocks, k).filter(|n| !third[*n] && !dark[*n].is_nan()) {
            round += 1.0;
            round_dark += dark[ring];
        }
    }
    let dark_round = if round > 0.0 { round_dark / round } else { 0.5 };
    let mean = mean_even(blocks, tones, &piece);
    let brighter = (0..3).all(|c| mean[c] > 1.15 * tones.lighter[c]);
    let darker = (0..3).all(|c| mean[c] < 0.7 * tones.darker[c]);
    let plain_round = dark_round.max(1.0 - dark_round);
    let substrate = !brighter
        && !darker
        && plain_round >= LEAST_PLAIN_ROUND
        && may_be_substrate(blocks, third, &piece, seen);
    Patch {
        blocks: piece,
        dark_round,
        thing: if substrate {
            Thing::Substrate
        } else {
            Thing::Hidden
        },
    }
}

/// Whether a piece has the size and form of a place that was sanded through: no hand from over the
/// edge, no tape; `member` says of what blocks it is made, `seen` how many blocks are seen in all.
pub(super) fn may_be_substrate(
    blocks: &Blocks,
    member: &[bool],
    piece: &[usize],
    seen: usize,
) -> bool {
    let (mut rim, mut on_edge) = (0usize, 0usize);
    for &k in piece {
        let near = blocks.around(k).count();
        let outside = blocks.around(k).filter(|n| !member[*n]).count();
        if outside > 0 || near < 8 {
            rim += 1;
            let blind = blocks.around(k).filter(|n| !blocks.is_seen(*n)).count();
            on_edge += usize::from(near < 8 || blind > 0);
        }
    }
    piece.len() as f64 <= MOST_SHARE * seen as f64
        && (on_edge as f64) <= MOST_ON_EDGE * rim as f64
        && (on_edge < 2 || piece.len() as f64 * blocks.mm * blocks.mm <= MOST_AT_EDGE_CM2 * 100.0)
        && moments(blocks, piece).filled >= LEAST_FILLED
        && !is_tape(blocks, piece)
}

/// Blocks three away, to see past the blurred rim.
fn ring_around(blocks: &Blocks, k: usize) -> impl Iterator<Item = usize> + '_ {
    let [nx, ny] = blocks.size.map(|n| n as isize);
    let (x, y) = ((k % blocks.size[0]) as isize, (k / blocks.size[0]) as isize);
    [(-3, 0), (3, 0), (0, -3), (0, 3)]
        .into_iter()
        .map(move |(dx, dy)| (x + dx, y + dy))
        .filter(move |(x, y)| *x >= 0 && *y >= 0 && *x < nx && *y < ny)
        .map(move |(x, y)| (y * nx + x) as usize)
}

fn mean_even(blocks: &Blocks, tones: &Tones, piece: &[usize]) -> [f64; 3] {
    let mut sum = [0.0; 3];
    for &k in piece {
        let own = tones.even(blocks, k);
        (0..3).for_each(|c| sum[c] += own[c]);
    }
    sum.map(|s| s / piece.len().max(1) as f64)
}

/// Shape of a piece by its second moments.
struct Moments {
    /// Direction of the main axis.
    angle: f64,
    /// Share that the piece fills of the ellipse with its moments.
    filled: f64,
}

fn moments(blocks: &Blocks, piece: &[usize]) -> Moments {
    let n = piece.len().max(1) as f64;
    let places = || piece.iter().map(|k| place(blocks, *k));
    let mean = places().fold([0.0; 2], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    let (mut xx, mut xy, mut yy) = (1.0 / 12.0, 0.0, 1.0 / 12.0);
    for p in places() {
        let (dx, dy) = (p[0] - mean[0], p[1] - mean[1]);
        xx += dx * dx / n;
        xy += dx * dy / n;
        yy += dy * dy / n;
    }
    // An ellipse of area A has second moments with determinant (A/4π)².
    let ellipse = 4.0 * std::f64::consts::PI * (xx * yy - xy * xy).max(1e-9).sqrt();
    Moments {
        angle: 0.5 * (2.0 * xy).atan2(xx - yy),
        filled: n / ellipse,
    }
}

fn place(blocks: &Blocks, k: usize) -> [f64; 2] {
    [(k % blocks.size[0]) as f64, (k / blocks.size[0]) as f64]
}

/// Long, straight and evenly wide: nearly fills the box around it that lies along its main axis (an
/// ellipse fills π/4).
pub(super) fn is_tape(blocks: &Blocks, piece: &[usize]) -> bool {
    let (sin, cos) = moments(blocks, piece).angle.sin_cos();
    let mut ends = [[f64::INFINITY, f64::NEG_INFINITY]; 2];
    for &k in piece {
        let p = place(blocks, k);
        let turned = [p[0] * cos + p[1] * sin, p[1] * cos - p[0] * sin];
        for (end, v) in ends.iter_mut().zip(turned) {
            *end = [end[0].min(v), end[1].max(v)];
        }
    }
    let [long, wide] = ends.map(|e| e[1] - e[0] + 1.0);
    wide * blocks.mm <= WIDEST_TAPE_MM
        && long >= TAPE_ASPECT * wide
        && piece.len() as f64 >= STRAIGHT * long * wide
}
