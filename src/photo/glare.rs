//! Reflected lamps: what is burnt out, and the halo round it.

use super::rectified::Raster;

/// Side of the squares on which burnt areas are joined, mm.
const SQUARE_MM: f64 = 5.0;
/// A burnt area smaller than this is a spark, without a halo to speak of, cm².
const LEAST_CM2: f64 = 1.0;
/// How far a halo reaches beyond a burnt area: this share of its radius, and so many mm, at most so
/// many.
///
/// A Gaussian reflection that is burnt out to the radius R (a fifth of its peak, say) is down to a
/// hundredth of it at 1.7 R.
const HALO_SHARE: f64 = 0.7;
const HALO_MM: f64 = 10.0;
const MOST_HALO_MM: f64 = 150.0;

/// Mark as not seen what lies in the halo of a burnt area: shine adds to the colours there, and
/// dark looks light.
pub(super) fn hide_halos(raster: &mut Raster, burnt: &[bool]) {
    let per = ((SQUARE_MM / raster.step_mm).round() as usize).max(1);
    let mm = per as f64 * raster.step_mm;
    let size = raster.size.map(|n| n.div_ceil(per));
    let mut counts = vec![0usize; size[0] * size[1]];
    for (iy, row) in burnt.chunks(raster.size[0]).enumerate() {
        for (bx, part) in row.chunks(per).enumerate() {
            counts[iy / per * size[0] + bx] += part.iter().filter(|b| **b).count();
        }
    }
    let member: Vec<bool> = counts.iter().map(|c| 3 * c > per * per).collect();
    let mut hidden = member.clone();
    let mut met = vec![false; member.len()];
    for start in 0..member.len() {
        if !member[start] || met[start] {
            continue;
        }
        let piece = piece_from(start, &member, &mut met, size);
        let area = piece.len() as f64 * mm * mm;
        if area < LEAST_CM2 * 100.0 {
            continue;
        }
        let radius = (area / std::f64::consts::PI).sqrt();
        let reach = (HALO_SHARE * radius + HALO_MM).min(MOST_HALO_MM) / mm;
        // Discs round the rim cover the whole halo.
        let rim = |k: &&usize| {
            [k.wrapping_sub(1), *k + 1]
                .iter()
                .any(|n| !member.get(*n).is_some_and(|m| *m))
        };
        for k in piece.iter().filter(rim) {
            mark_disc(&mut hidden, size, *k, reach);
        }
    }
    for (iy, row) in raster.seen.chunks_mut(raster.size[0]).enumerate() {
        for (bx, part) in row.chunks_mut(per).enumerate() {
            if hidden[iy / per * size[0] + bx] {
                part.fill(false);
            }
        }
    }
}

fn piece_from(start: usize, member: &[bool], met: &mut [bool], size: [usize; 2]) -> Vec<usize> {
    met[start] = true;
    let mut piece = vec![start];
    let mut next = 0;
    while next < piece.len() {
        let (x, y) = (piece[next] % size[0], piece[next] / size[0]);
        for (dx, dy) in [(0, 1), (2, 1), (1, 0), (1, 2)] {
            let (nx, ny) = (x + dx, y + dy);
            if nx == 0 || ny == 0 || nx > size[0] || ny > size[1] {
                continue;
            }
            let n = (ny - 1) * size[0] + nx - 1;
            if member[n] && !met[n] {
                met[n] = true;
                piece.push(n);
            }
        }
        next += 1;
    }
    piece
}

fn mark_disc(hidden: &mut [bool], size: [usize; 2], k: usize, reach: f64) {
    let (x, y) = (k % size[0], k / size[0]);
    let r = reach.ceil() as usize;
    for j in y.saturating_sub(r)..(y + r + 1).min(size[1]) {
        for i in x.saturating_sub(r)..(x + r + 1).min(size[0]) {
            let (dx, dy) = (i as f64 - x as f64, j as f64 - y as f64);
            if dx * dx + dy * dy <= reach * reach {
                hidden[j * size[0] + i] = true;
            }
        }
    }
}
