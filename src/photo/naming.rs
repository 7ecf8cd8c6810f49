//! Which classes of looks are ground and which are coat, and how much coat is on each block.
//!
//! Every ordered pair of classes is tried as (ground, coat): first by how much grainier the coat
//! is, then by how far apart their colours are and how much of the panel they fill. What is flat is
//! ground, of whatever colour: another filler, primer, a shadow. What is as dark as coat but flat
//! is substrate or something in the way. A panel with nothing smooth on it was not blocked yet.
//!
//! How much coat a block has is its place in linear light between the ground and the coat near it,
//! so that a shadow or a reflection that lies on both moves neither. The weights are ours (no
//! source), set on simulated photos.

use super::blocks::{Blocks, box_sum};
use super::classes::{self, Class, Classes};
use super::grain::Grain;
use super::polarity::Polarity;

/// Grain (logarithm) by which coat must exceed ground.
const LEAST_GRAINIER: f64 = 0.7;
/// Distance in colour (rms of logarithms) that coat must have from ground.
const LEAST_APART: f64 = 0.10;
/// Most of each that counts.
const MOST_GRAINIER: f64 = 2.0;
const MOST_APART: f64 = 1.5;
/// Weight of the logarithm of a class's share.
const BY_SHARE: f64 = 0.3;
/// Weight of the share that a pair leaves unexplained.
const LEFT_OVER: f64 = 3.0;
/// Most of the panel that a pair may leave so.
const MOST_OVER: f64 = 0.3;
/// Blocks from the rim of coat past which it is coat to the middle, and the least share of it that
/// lies so deep.
const DEEP: usize = 3;
const LEAST_DEEP: f64 = 0.15;
/// Least grain of coat, as a spread of the root of light.
const LEAST_GRAIN: f64 = 0.025;
/// The same of any class that is named coat beside the pair's own.
const LEAST_OWN_GRAIN: f64 = 0.02;
/// Skew past which marks of the coat's tone are few on ground of the other: scratches and pinholes,
/// no coat.
const SPARSE: f64 = 1.2;
/// How much a lead in the score makes surer.
const SURER: f64 = 2.0;
/// Least share of smooth ground on a panel that was blocked.
const LEAST_SMOOTH: f64 = 0.005;
/// Grain above which a surface is not smooth, as a spread of the root of light.
const ROUGH: f64 = 0.035;
/// Part of the way in grain (logarithm) from ground to coat past which a class is coat.
const GRAINY: f64 = 0.4;
/// The same where it is as bright as ground, and how near its skew must be to the coat's.
const VEILED: f64 = 0.55;
const SAME_SKEW: f64 = 0.5;
/// Part of the way in light past which a grainy class is wholly coat.
const DENSE: f64 = 0.75;
/// Radii of the surroundings from which ground and coat are taken, mm.
const GROUND_MM: f64 = 60.0;
const COAT_MM: f64 = 80.0;
/// Place below which a grainy class lies under a reflection.
const UNDER_VEIL: f64 = 0.35;
/// Spread of the tone amid coat past which its grain is coarse.
const UNEVEN: f64 = 0.2;
/// Blocks round substrate and things that look like a mixture of it with ground.
const RIM: usize = 3;
/// Weight of the panel's own ground and coat against a full surrounding.
const PRIOR: f64 = 0.05;

/// What a class is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Bare, of any filler, lit or in shadow.
    Ground,
    /// Coat.
    Coat,
    /// Flat, but of the coat's tone: substrate, a hand, tape.
    Other,
}

/// What the classes were named.
#[derive(Clone, Debug)]
pub enum Named {
    /// Coat and ground.
    Coat(Told),
    /// All of one grainy look: coat everywhere.
    NotBlocked,
    /// Nothing grainy.
    Smooth,
}

/// Coat and ground, block by block.
#[derive(Clone, Debug)]
pub struct Told {
    /// What each class is.
    pub roles: Vec<Role>,
    /// Colour of the coat against the ground.
    pub polarity: Polarity,
    /// Chance that it is the right way round, 0.5 to 1.
    pub sure: f64,
    /// Place between ground (0) and coat (1), block by block; NaN where nothing is seen.
    pub tone: Vec<f64>,
    /// How certain each block is, 0 to 1.
    pub certain: Vec<f64>,
    /// The two classes by which all were named.
    pub pair: [usize; 2],
    /// What the photo itself looks like, and the chance of it, where the caller said the coat's
    /// colour.
    pub looks: (Polarity, f64),
}

fn apart(a: &Class, b: &Class) -> f64 {
    let square: f64 = (0..3).map(|c| (a.log[c] - b.log[c]).powi(2)).sum();
    (square / 3.0).sqrt()
}

/// How well a pair fits as (ground, coat); `None` where it cannot be.
fn score(ground: &Class, coat: &Class) -> Option<f64> {
    let grainier = coat.mean[3] - ground.mean[3];
    let far = apart(ground, coat);
    let grain = coat.mean[3].exp() - classes::GRAIN_FLOOR;
    let darker = brightness(coat) < brightness(ground);
    if grainier < LEAST_GRAINIER
        || far < LEAST_APART
        || grain < LEAST_GRAIN
        || is_sparse(coat, darker)
    {
        return None;
    }
    let share = |c: &Class| BY_SHARE * (c.share / 0.01).ln().clamp(-1.0, 3.0);
    Some(1.2 * grainier.min(MOST_GRAINIER) + far.min(MOST_APART) + share(ground) + share(coat))
}

/// Whether a class is ground with a few marks of the coat's tone on it.
fn is_sparse(class: &Class, coat_is_darker: bool) -> bool {
    if coat_is_darker {
        class.skew < -SPARSE
    } else {
        class.skew > SPARSE
    }
}

/// Whether the coat of a pair fills areas. A frayed edge between two flat colours has the looks of
/// grain too, but it is a line, and one of the two is left over.
fn is_broad(blocks: &Blocks, classes: &Classes, [g, c]: [usize; 2]) -> bool {
    let (roles, _) = roles(&classes.all, g, c);
    let over = left_over(&classes.all, g, c);
    let coat: Vec<bool> = classes
        .of
        .iter()
        .map(|m| m.is_some_and(|m| roles[usize::from(m)] == Role::Coat))
        .collect();
    let count = |member: &[bool]| member.iter().filter(|m| **m).count() as f64;
    let seen = classes.of.iter().filter(|m| m.is_some()).count().max(1) as f64;
    let (all, deep) = (count(&coat), count(&inner(blocks, &coat, DEEP)));
    over <= MOST_OVER && deep >= LEAST_DEEP * all && deep / seen >= over
}

fn brightness(c: &Class) -> f64 {
    c.mean[0]
}

/// Name the classes; `known` is the coat's colour where the caller says it.
pub fn name(blocks: &Blocks, grain: &Grain, classes: &Classes, known: Polarity) -> Named {
    let all = &classes.all;
    let mut fits: [Vec<(f64, [usize; 2])>; 2] = [Vec::new(), Vec::new()];
    for (g, ground) in all.iter().enumerate() {
        for (c, coat) in all.iter().enumerate().filter(|(c, _)| *c != g) {
            let way = usize::from(brightness(coat) > brightness(ground));
            if let Some(s) = score(ground, coat) {
                fits[way].push((s - LEFT_OVER * left_over(all, g, c), [g, c]));
            }
        }
    }
    let best = fits.map(|mut fits| {
        fits.sort_by(|a, b| b.0.total_cmp(&a.0));
        fits.into_iter()
            .find(|(_, pair)| is_broad(blocks, classes, *pair))
    });
    let smooth: f64 = all
        .iter()
        .filter(|c| c.mean[3].exp() < ROUGH)
        .map(|c| c.share)
        .sum();
    let [dark, light] = best.map(|b| b.map_or(0.0, |(s, _)| s));
    let looks = if dark >= light {
        Polarity::Dark
    } else {
        Polarity::Light
    };
    let of = |way: Polarity| {
        if way == Polarity::Dark {
            best[0]
        } else {
            best[1]
        }
    };
    let Some((_, by_looks)) = of(looks) else {
        return if smooth < LEAST_SMOOTH {
            Named::NotBlocked
        } else {
            Named::Smooth
        };
    };
    let chance = 1.0 / (1.0 + (-SURER * (dark - light).abs()).exp());
    let polarity = if known == Polarity::Auto {
        looks
    } else {
        known
    };
    // A colour that the caller says and that has no grain: what looks like coat is ground, and the
    // other way round.
    let (pair, turned) = match of(polarity) {
        Some((_, pair)) => (pair, false),
        None => (by_looks, true),
    };
    let [g, c] = pair;
    let (roles, along) = roles(all, g, c);
    let (mut tone, certain) = tones(blocks, grain, classes, &roles, &along, pair);
    if turned {
        tone.iter_mut().for_each(|t| *t = 1.0 - *t);
    }
    Named::Coat(Told {
        roles,
        polarity,
        sure: if known == Polarity::Auto { chance } else { 1.0 },
        tone,
        certain,
        pair: if turned { [c, g] } else { pair },
        looks: (looks, chance),
    })
}

/// Share of the panel that would be flat and past the coat's tone, if this were the pair: there is
/// little of that on a panel.
fn left_over(all: &[Class], g: usize, c: usize) -> f64 {
    let (roles, _) = roles(all, g, c);
    let other = all.iter().zip(&roles).filter(|(_, r)| **r == Role::Other);
    other.map(|(k, _)| k.share).sum()
}

fn linear(log: [f64; 3]) -> [f64; 3] {
    log.map(f64::exp)
}

/// Place on the way from one colour to another.
fn place(own: [f64; 3], from: [f64; 3], to: [f64; 3]) -> f64 {
    let (mut top, mut bottom) = (0.0, 1e-9);
    for c in 0..3 {
        let way = to[c] - from[c];
        top += way * (own[c] - from[c]);
        bottom += way * way;
    }
    top / bottom
}

fn roles(all: &[Class], g: usize, c: usize) -> (Vec<Role>, Vec<f64>) {
    let [from, to] = [g, c].map(|k| linear(all[k].log));
    let reach = all[c].mean[3] - all[g].mean[3];
    let along: Vec<f64> = all.iter().map(|k| place(linear(k.log), from, to)).collect();
    let roles = all
        .iter()
        .zip(&along)
        .map(|(k, t)| {
            let grainy = (k.mean[3] - all[g].mean[3]) / reach;
            // Under a reflection coat is as bright as ground, but its grains keep their ways.
            let veiled = grainy >= VEILED && (k.skew - all[c].skew).abs() < SAME_SKEW;
            let sparse = is_sparse(k, brightness(&all[c]) < brightness(&all[g])) && *t < 0.5;
            // Speckles of a filler are no coat's grain.
            let grains = k.mean[3].exp() - classes::GRAIN_FLOOR >= LEAST_OWN_GRAIN;
            if (grainy >= GRAINY && grains && *t > 0.2 || veiled) && !sparse {
                Role::Coat
            } else if (grainy < GRAINY || !grains) && *t > 0.8 {
                // Past the coat's tone, and no coat.
                Role::Other
            } else {
                Role::Ground
            }
        })
        .collect();
    (roles, along)
}

/// Means over surroundings of what some blocks show, with a little of a colour for all the panel.
fn field(
    blocks: &Blocks,
    light: &[[f64; 3]],
    member: &[bool],
    mm: f64,
    prior: [f64; 3],
) -> Vec<[f64; 3]> {
    let radius = ((mm / blocks.mm / 1.7).round() as usize).max(1);
    let full = ((2 * radius + 1) as f64).powi(6);
    let smooth = |mut values: Vec<f64>| {
        for _ in 0..3 {
            box_sum(&mut values, blocks.size[0], radius);
        }
        values
    };
    let weight = smooth(member.iter().map(|m| f64::from(u8::from(*m))).collect());
    let sums: [Vec<f64>; 3] = std::array::from_fn(|c| {
        smooth(
            member
                .iter()
                .zip(light)
                .map(|(m, l)| if *m { l[c] } else { 0.0 })
                .collect(),
        )
    });
    (0..blocks.count())
        .map(|k| {
            std::array::from_fn(|c| {
                (sums[c][k] + PRIOR * full * prior[c]) / (weight[k] + PRIOR * full)
            })
        })
        .collect()
}

/// Whether a block and all within `reach` of it, as far as seen, are such.
fn inner(blocks: &Blocks, member: &[bool], reach: usize) -> Vec<bool> {
    let mut now = member.to_vec();
    for _ in 0..reach {
        now = (0..now.len())
            .map(|k| now[k] && blocks.around(k).all(|n| now[n] || !blocks.is_seen(n)))
            .collect();
    }
    now
}

/// Whether any block within `reach` is such.
fn near(blocks: &Blocks, member: &[bool], reach: usize) -> Vec<bool> {
    let mut now = member.to_vec();
    for _ in 0..reach {
        now = (0..now.len())
            .map(|k| now[k] || blocks.around(k).any(|n| now[n]))
            .collect();
    }
    now
}

fn spread_of(tone: &[f64], member: &[bool]) -> f64 {
    let own = || {
        tone.iter()
            .zip(member)
            .filter(|(t, m)| **m && !t.is_nan())
            .map(|(t, _)| *t)
    };
    let n = own().count().max(1) as f64;
    let mean = own().sum::<f64>() / n;
    (own().map(|t| (t - mean).powi(2)).sum::<f64>() / n).sqrt()
}

/// Tones averaged over 35 mm of what is coat: between the grains of coarse coat there is ground.
fn mean_of_coat(blocks: &Blocks, tone: &[f64], coat: &[bool]) -> Vec<f64> {
    let of = |value: &dyn Fn(usize) -> f64| {
        let mut values: Vec<f64> = (0..tone.len())
            .map(|k| {
                if coat[k] && !tone[k].is_nan() {
                    value(k)
                } else {
                    0.0
                }
            })
            .collect();
        box_sum(&mut values, blocks.size[0], 3);
        values
    };
    let (sum, count) = (of(&|k| tone[k].clamp(-0.5, 1.5)), of(&|_| 1.0));
    sum.iter().zip(count).map(|(s, n)| s / n.max(1.0)).collect()
}

fn tones(
    blocks: &Blocks,
    grain: &Grain,
    classes: &Classes,
    roles: &[Role],
    along: &[f64],
    [g, c]: [usize; 2],
) -> (Vec<f64>, Vec<f64>) {
    let all = &classes.all;
    let even: Vec<[f64; 3]> = (0..blocks.count())
        .map(|k| std::array::from_fn(|i| (grain.log[k][i] - classes.light[k][i]).exp()))
        .collect();
    let of = |role: Role| -> Vec<bool> {
        classes
            .of
            .iter()
            .map(|m| m.is_some_and(|m| roles[m as usize] == role))
            .collect()
    };
    let coat = of(Role::Coat);
    let dense: Vec<bool> = classes
        .of
        .iter()
        .map(|m| {
            m.is_some_and(|m| {
                roles[m as usize] == Role::Coat
                    && (along[m as usize] >= DENSE || along[m as usize] < 0.2)
            })
        })
        .collect();
    let mean = |want: &dyn Fn(usize) -> bool, own: usize| {
        let (mut sum, mut n) = ([0.0; 3], 0.0);
        for (k, class) in all
            .iter()
            .enumerate()
            .filter(|(k, _)| *k == own || want(*k))
        {
            let _ = k;
            let l = linear(class.log);
            (0..3).for_each(|i| sum[i] += class.share * l[i]);
            n += class.share;
        }
        sum.map(|s| s / n)
    };
    let ground_colour = linear(all[g].log);
    let coat_colour = mean(&|k| roles[k] == Role::Coat && along[k] >= DENSE, c);
    let ground_inner = inner(blocks, &of(Role::Ground), 2);
    let dense_inner = inner(blocks, &dense, 2);
    let ground = field(blocks, &even, &ground_inner, GROUND_MM, ground_colour);
    let dark = field(blocks, &even, &dense_inner, COAT_MM, coat_colour);
    let other = near(blocks, &of(Role::Other), RIM);
    // Beside substrate or a thing its mixture with ground has the looks of coat: there coat must
    // reach in from farther off.
    let clear: Vec<bool> = (0..blocks.count()).map(|k| coat[k] && !other[k]).collect();
    let by_coat = near(blocks, &clear, RIM);
    let deep = inner(blocks, &coat, 2);
    let veiled = |m: usize| {
        roles[m] == Role::Coat
            && along[m] < UNDER_VEIL
            && (all[m].skew - all[c].skew).abs() < SAME_SKEW
            && (all[m].mean[3] - all[g].mean[3]) / (all[c].mean[3] - all[g].mean[3]) >= VEILED
    };
    let raw: Vec<f64> = (0..blocks.count())
        .map(|k| place(even[k], ground[k], dark[k]))
        .collect();
    let uneven = spread_of(&raw, &dense_inner);
    let wide = if uneven > UNEVEN {
        mean_of_coat(blocks, &raw, &coat)
    } else {
        raw.clone()
    };
    let mut tone = vec![f64::NAN; blocks.count()];
    let mut certain = vec![0.0; blocks.count()];
    for k in 0..blocks.count() {
        let Some(m) = classes.of[k].map(usize::from) else {
            continue;
        };
        let t = match roles[m] {
            Role::Coat | Role::Ground if other[k] && !by_coat[k] => 0.0,
            Role::Coat if veiled(m) && deep[k] => wide[k].max(0.7),
            Role::Coat => wide[k],
            Role::Ground if by_coat[k] => raw[k],
            Role::Ground => raw[k].min(0.3),
            Role::Other => 0.0,
        };
        tone[k] = t.clamp(0.0, 1.0);
        let margin = (2.0 * (tone[k] - 0.5).abs()).min(1.0);
        certain[k] = match (roles[m], t > 0.5) {
            _ if other[k] => 0.2,
            (Role::Coat, true) | (Role::Ground, false) => 0.4 + 0.6 * margin,
            _ => 0.4 * margin,
        };
    }
    (tone, certain)
}
