//! Batches part by part: exact without a scale, in whole steps with one.

use super::limits::{Limit, fewest};
use super::{Batch, MOST_BATCHES, Measure, Request, Strokes, usage};
use crate::plan::recipe::{Part, Recipe, Role};
use crate::problem::Error;
use crate::text::plain_mm;
use crate::units::three_digits;

/// How far a hardener may be off its ratio to the base on a coarse scale.
const RATIO_SLACK: f64 = 0.05;
/// Further sizes and counts of batch that are tried on a coarse scale.
const MOST_TRIES: u64 = 1000;
/// Steps of scales, g, coarse to fine, from which one is advised.
const USUAL_STEPS: [f64; 14] = [
    500.0, 200.0, 100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.01,
];

/// The batches, and their mass together.
pub(super) struct Weighed {
    pub batches: Vec<Batch>,
    pub total_g: f64,
    pub warnings: Vec<String>,
}

/// Whole steps of the scale: one list a batch, one number a part.
type Steps = Vec<Vec<u64>>;

/// As few batches as the limit allows, alike as far as the scale lets them be.
pub(super) fn batches(request: &Request, density: f64, limit: &Limit) -> Result<Weighed, Error> {
    let total_g = request.volume_cc * density;
    let recipe = request.recipe;
    let Some(step) = request.scale_g.as_ref().map(|f| f.value) else {
        return Ok(unrounded(recipe, total_g, density, limit));
    };
    let job = Job {
        recipe,
        total_g,
        step,
        limit,
    };
    let (steps, enlarged) = job.steps().ok_or_else(|| job.too_coarse())?;
    let mass = |k: u64| of_steps(k, step);
    let batches: Vec<Batch> = steps
        .iter()
        .map(|parts| {
            let masses: Vec<f64> = parts.iter().map(|k| mass(*k)).collect();
            batch(recipe, &masses, mass(parts.iter().sum()), density)
        })
        .collect();
    let total = mass(steps.iter().flatten().sum());
    let warnings = enlarged.then(|| job.enlarged(total)).into_iter().collect();
    Ok(Weighed {
        batches,
        total_g: total,
        warnings,
    })
}

fn unrounded(recipe: &Recipe, total_g: f64, density: f64, limit: &Limit) -> Weighed {
    let count = fewest(total_g, limit.most_g).max(limit.coats);
    let each_g = total_g / count as f64;
    let masses: Vec<f64> = recipe.parts.iter().map(|p| p.mass_share * each_g).collect();
    Weighed {
        batches: vec![batch(recipe, &masses, each_g, density); count],
        total_g,
        warnings: Vec::new(),
    }
}

fn batch(recipe: &Recipe, masses: &[f64], mass_g: f64, density: f64) -> Batch {
    Batch {
        mass_g,
        volume_cc: mass_g / density,
        parts: recipe
            .parts
            .iter()
            .zip(masses)
            .map(|(part, mass_g)| Measure {
                name: part.name.clone(),
                powder: part.role == Role::Powder,
                mass_g: *mass_g,
                volume_cc: part.measured_cc(*mass_g),
                strokes: strokes(part, *mass_g),
            })
            .collect(),
    }
}

/// Whole strokes, one at least, and their error; only of a pump that was calibrated.
fn strokes(part: &Part, mass_g: f64) -> Option<Strokes> {
    let stroke_g = part.stroke_g?;
    let count = (mass_g / stroke_g).round().max(1.0);
    Some(Strokes {
        count: count as u64,
        error_percent: (count * stroke_g / mass_g - 1.0) * 100.0,
    })
}

/// `k` steps in g. Steps such as 0.1 are divided by ten rather than multiplied by a tenth, which no
/// binary number is.
fn of_steps(k: u64, step: f64) -> f64 {
    let in_a_gram = (1.0 / step).round();
    if step < 1.0 && (in_a_gram * step - 1.0).abs() < 1e-12 {
        k as f64 / in_a_gram
    } else {
        k as f64 * step
    }
}

/// What is to be split into whole steps.
struct Job<'a> {
    recipe: &'a Recipe,
    total_g: f64,
    step: f64,
    limit: &'a Limit,
}

impl Job<'_> {
    /// The steps of each batch; and whether batches had to be enlarged for it.
    fn steps(&self) -> Option<(Steps, bool)> {
        let first = fewest(self.total_g, self.limit.most_g).max(self.limit.coats);
        let counts = first..=(first + MOST_TRIES as usize).min(MOST_BATCHES);
        for count in counts {
            let split = self
                .alike(count)
                .into_iter()
                .chain([false, true].map(|staggered| self.split(count, staggered)))
                .find(|steps| self.sound(steps));
            if let Some(steps) = split {
                return Some((steps, false));
            }
            if let Some(steps) = self.whole(count) {
                return Some((steps, true));
            }
            if !self.can_shrink(count) {
                break;
            }
        }
        None
    }

    /// All batches alike, where each part and the total come within a step of what they should be
    /// over all batches.
    fn alike(&self, count: usize) -> Option<Steps> {
        let batch = self.rounded(self.total_g / count as f64);
        let all_g = |k: u64| of_steps(k * count as u64, self.step);
        let near = |g: f64, wanted_g: f64| (g - wanted_g).abs() <= self.step * (1.0 + 1e-9);
        let mut parts = self.recipe.parts.iter().zip(&batch);
        let sound = near(all_g(batch.iter().sum()), self.total_g)
            && parts.all(|(p, k)| near(all_g(*k), p.mass_share * self.total_g));
        sound.then(|| vec![batch; count])
    }

    /// The total rounded, shared out by largest remainders, each part split as evenly as it goes.
    /// `staggered`: what is left over of one part goes to the batches after those that got the last
    /// part's, so that batches weigh alike.
    fn split(&self, count: usize, staggered: bool) -> Steps {
        let parts = self.rounded(self.total_g);
        let mut batches = vec![Vec::new(); count];
        let mut from = 0;
        for whole in parts {
            let (each, over) = (whole / count as u64, (whole % count as u64) as usize);
            for (j, batch) in batches.iter_mut().enumerate() {
                let turn = (j + count - from) % count;
                batch.push(each + u64::from(turn < over));
            }
            if staggered {
                from = (from + over) % count;
            }
        }
        batches
    }

    /// Whole steps of each part of a mass: together the mass, each within a step of its share.
    fn rounded(&self, mass_g: f64) -> Vec<u64> {
        let wanted: Vec<f64> = self
            .recipe
            .parts
            .iter()
            .map(|p| p.mass_share * mass_g / self.step)
            .collect();
        let mut steps: Vec<u64> = wanted.iter().map(|w| (w + 1e-9).floor() as u64).collect();
        let total = (mass_g / self.step).round() as u64;
        let missing = total.saturating_sub(steps.iter().sum()) as usize;
        let mut order: Vec<usize> = (0..wanted.len()).collect();
        let rest = |k: usize| wanted[k] - steps[k] as f64;
        let rests: Vec<f64> = order.iter().map(|k| rest(*k)).collect();
        order.sort_by(|a, b| rests[*b].total_cmp(&rests[*a]));
        for k in order.into_iter().take(missing) {
            steps[k] += 1;
        }
        steps
    }

    /// Batches whose smallest hardener is whole steps and whose other parts follow it; none less
    /// than asked by more than a step.
    fn whole(&self, count: usize) -> Option<Steps> {
        let asked = (self.total_g - self.step) / self.mix_of_one_step_g();
        let least = ((asked - 1e-9).ceil().max(1.0) as u64).max(count as u64);
        let uneven = (least..least + 2).map(|pivot| self.shared_out(pivot, count));
        let each = least.div_ceil(count as u64);
        let even = (each..each + MOST_TRIES)
            .take_while(|pivot| self.mass_g(&self.proportional(*pivot)) <= self.limit.most_g + 1e-9)
            .map(|pivot| vec![self.proportional(pivot); count]);
        uneven
            .chain(even)
            .find(|steps| self.sound(steps) && self.enough(steps))
    }

    /// `pivot` steps of the smallest hardener over `count` batches.
    fn shared_out(&self, pivot: u64, count: usize) -> Steps {
        let (each, over) = (pivot / count as u64, pivot % count as u64);
        (0..count as u64)
            .map(|j| self.proportional(each + u64::from(j < over)))
            .collect()
    }

    /// All parts of a batch with `pivot` steps of the smallest hardener.
    fn proportional(&self, pivot: u64) -> Vec<u64> {
        let of = self.pivot_share();
        let parts = self.recipe.parts.iter();
        parts
            .map(|p| (pivot as f64 * p.mass_share / of).round() as u64)
            .collect()
    }

    /// Whether still smaller batches could help: those of one step of the smallest hardener are the
    /// smallest there are.
    fn can_shrink(&self, count: usize) -> bool {
        self.total_g / count as f64 > self.mix_of_one_step_g()
    }

    fn pivot_share(&self) -> f64 {
        let least = |role: Option<Role>| {
            self.recipe
                .parts
                .iter()
                .filter(|p| role.is_none_or(|r| r == p.role))
                .map(|p| p.mass_share)
                .min_by(f64::total_cmp)
        };
        least(Some(Role::Hardener)).or(least(None)).unwrap_or(1.0)
    }

    fn mix_of_one_step_g(&self) -> f64 {
        self.step / self.pivot_share()
    }

    fn mass_g(&self, batch: &[u64]) -> f64 {
        of_steps(batch.iter().sum(), self.step)
    }

    /// Every batch within the limit, no part left out, every hardener near its ratio.
    fn sound(&self, steps: &Steps) -> bool {
        steps.iter().all(|batch| {
            batch.iter().all(|k| *k > 0)
                && self.mass_g(batch) <= self.limit.most_g + 1e-9
                && self.ratio_kept(batch)
        })
    }

    fn ratio_kept(&self, batch: &[u64]) -> bool {
        let parts = || self.recipe.parts.iter().zip(batch);
        let base = |(p, _): &(&Part, &u64)| p.role == Role::Base;
        let base_share: f64 = parts().filter(base).map(|(p, _)| p.mass_share).sum();
        let base_steps: u64 = parts().filter(base).map(|(_, k)| *k).sum();
        parts()
            .filter(|(p, _)| p.role == Role::Hardener)
            .all(|(p, k)| {
                let found = *k as f64 / base_steps as f64;
                (found / (p.mass_share / base_share) - 1.0).abs() <= RATIO_SLACK
            })
    }

    fn enough(&self, steps: &Steps) -> bool {
        let total: u64 = steps.iter().flatten().sum();
        of_steps(total, self.step) >= self.total_g - self.step - 1e-9
    }

    /// The part that shows it, for messages: the smallest hardener, or the smallest part.
    fn smallest(&self) -> &str {
        let share = self.pivot_share();
        let found = self.recipe.parts.iter().find(|p| p.mass_share == share);
        found.map_or("a part", |p| p.name.as_str())
    }

    fn enlarged(&self, total: f64) -> String {
        format!(
            "to weigh {} in whole steps of {} g, {} g are mixed where {} g were asked for; a finer scale would waste less",
            self.smallest(),
            plain_mm(self.step),
            three_digits(total),
            three_digits(self.total_g)
        )
    }

    fn too_coarse(&self) -> Error {
        let finer = USUAL_STEPS
            .into_iter()
            .filter(|step| *step < self.step)
            .find(|step| {
                Job {
                    step: *step,
                    ..*self
                }
                .steps()
                .is_some()
            });
        let advice = match finer {
            Some(step) => format!("a scale that reads to {} g would do", plain_mm(step)),
            None => "mix more at a time, or find a finer scale".into(),
        };
        usage(format!(
            "a scale of {} g is too coarse for this recipe: in a batch of at most {} g its {} is {} g, and every part must be \
             within reach of whole steps, a hardener within 5 % of its ratio; {advice}",
            plain_mm(self.step),
            three_digits(self.limit.most_g),
            self.smallest(),
            three_digits(self.limit.most_g * self.pivot_share())
        ))
    }
}
