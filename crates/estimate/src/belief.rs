//! Owns the sums over all numbers of fish behind the posterior: first term by term, then over panels, then to the end.

use crate::carle_strub::weighted_change;
use crate::catch::{Catch, MOST_PASSES};
use crate::refusal::Refusal;
use crate::search::{MOST_FISH, turning_point_between, turning_point_near, whole};
use crate::series::ln_gamma_drop;
use crate::weight::BetaWeight;

/// Natural log of the share of the mode below which numbers under the mode are left out: less than 1e-19 of it.
const LEFT_OUT: f64 = -45.0;

/// Numbers are summed one by one until a panel may span so many.
const SMALLEST_PANEL: f64 = 64.0;

/// What lies past a number is left out where it is less than this share of what lies before.
const NEGLIGIBLE: f64 = 1e-14;

/// Largest error, as a share of the sum, that the integral to infinity may bring where the weight on `p` isn't flat.
const TAIL_ERROR: f64 = 1e-11;

/// Largest slope and curvature, over `ln N` and beside those of the limiting power, at which the rest is one panel.
const GENTLE: f64 = 8.0;

/// A number of fish past which the limiting power of `N` holds to the last bit.
const LIMIT_REACHED: f64 = 1e12;

/// Cells of [`Belief::probabilities`]: single numbers so far from the lowest, then this share of the distance, and a
/// larger one far past the mode. The last holds all but this share of the probability.
const SINGLE_CELLS: u64 = 256;
const CELLS_PER_DISTANCE: u64 = 32;
const FAR_CELLS_PER_DISTANCE: u64 = 8;
const FAR: u64 = 16;
const BEYOND_CELLS: f64 = 1e-8;

/// Upper half of the nodes of the Gauss-Legendre rules of 8 and 16 points on (-1, 1), with their weights.
const EIGHT: [(f64, f64); 4] = [
    (0.183_434_642_495_649_78, 0.362_683_783_378_361_66),
    (0.525_532_409_916_329, 0.313_706_645_877_886_9),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_43),
    (0.960_289_856_497_536_2, 0.101_228_536_290_377_06),
];
const SIXTEEN: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_64),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_64),
    (0.458_016_777_657_227_37, 0.169_156_519_395_002_65),
    (0.617_876_244_402_643_8, 0.149_595_988_816_576_7),
    (0.755_404_408_355_003, 0.124_628_971_255_534_07),
    (0.865_631_202_387_831_8, 0.095_158_511_682_492_6),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_456),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_176),
];

/// The posterior as a function to sum over, relative to its mode.
///
/// With `h = alpha + T` and `m = beta + kN - X - T` the weight of a number is
/// `w(N) = N!/(N-T)! * B(h, m) / (N + 1)`, and three ways of summing it follow one another:
///
/// 1. **One by one.** `w(N+1)/w(N) = (N+1)^2 / [(N+1-T)(N+2)] * prod over i < k of (m+i)/(m+h+i)` is rational, so a term
///    costs no logarithm. A term is off by a few roundings per step from the lower edge, below 1e-11 after thousands.
/// 2. **Panels.** From half a fish above the last term on, the sum is the integral, by eight-point Gauss-Legendre
///    panels, plus `w'/24 - 7 w'''/5760` at that end (Euler and Maclaurin; the next term is below 1e-10 of the sum from
///    64 fish past the catch on, as derivatives there fall by a factor of the distance each). `ln w` is analytic but
///    for singularities at or below the catch, so a panel as long as its distance from there converges like
///    `5.8^-16`. Within that it spans at most two of the local widths `1/sqrt|(ln w)''|`, over which eight points
///    integrate a bell to 1e-11, and at most eight times `1/|(ln w)'|`, where an exponential is good to 1e-8 of a part
///    of the sum that is itself small.
/// 3. **To the end.** `N^(1+alpha) w(N)` is analytic in `1/N`, with singularities at `N <= T`. Once `N` is past twice
///    the catch and slope and curvature of its log are small, the integral to infinity over `v = (N0/N)^alpha` is one
///    sixteen-point panel. For a flat weight the integrand is analytic there and nothing is lost (under 1e-13); else it
///    has a term `v^(1/alpha)`, which sixteen points integrate to a thousandth, so panels go on until slope times what
///    is left makes that harmless. Nothing is ever cut off but what is below 1e-14 of the sum.
///
/// Tests hold all of it to plain sums of millions of terms.
pub(crate) struct Belief<'a> {
    catch: &'a Catch,
    weight: BetaWeight,
    mode: u64,
    at_mode: f64,
    lowest: u64,
    /// Numbers of fish with the weight each stands for; their sum is the sum over all whole numbers. The single
    /// terms come first.
    nodes: Vec<(f64, f64)>,
    single_terms: usize,
    panels: Vec<Panel>,
    /// Sum of all below the tail, and the first number of the tail.
    below_tail: f64,
    tail: u64,
    total: f64,
}

/// Consecutive numbers of fish and the sum of their weights.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cell {
    pub(crate) first: u64,
    pub(crate) last: u64,
    pub(crate) mass: f64,
}

/// Consecutive numbers of fish, the sum of all below them and the integral over them.
#[derive(Debug, Clone, Copy)]
struct Panel {
    first: u64,
    last: u64,
    below: f64,
    integral: f64,
}

/// Slope and curvature of the log of the weight, over the number of fish.
struct Shape {
    slope: f64,
    curvature: f64,
}

impl<'a> Belief<'a> {
    /// `sharpness` is 1 for the posterior itself. A function to be averaged over it that is narrower, over the log of
    /// the fish left, by some factor, needs panels shorter by that factor. The mode is looked for around `guess`.
    pub(crate) fn new(
        catch: &'a Catch,
        weight: BetaWeight,
        sharpness: f64,
        guess: u64,
    ) -> Result<Self, Refusal> {
        let rises =
            |n: u64| weighted_change(catch, weight, n) > libm::log1p(1.0 / (n as f64 + 1.0));
        let mode = turning_point_near(catch.total(), guess, MOST_FISH, rises)
            .ok_or(Refusal::NoFiniteMaximum)?;
        let mut belief = Self {
            catch,
            weight,
            mode,
            at_mode: 0.0,
            lowest: mode,
            nodes: Vec::with_capacity(256),
            single_terms: 0,
            panels: Vec::with_capacity(16),
            below_tail: 0.0,
            tail: 0,
            total: 0.0,
        };
        belief.at_mode = belief.ln_weight(mode as f64);
        belief.lowest = turning_point_between(catch.total(), mode, |n| {
            belief.ln_weight(n as f64) - belief.at_mode < LEFT_OUT
        });
        let first = belief.sum_terms(sharpness);
        belief.sum_panels(first, sharpness);
        Ok(belief)
    }

    /// Number of fish with the highest weight.
    pub(crate) fn mode(&self) -> u64 {
        self.mode
    }

    /// Sums one by one from the lowest number to where a panel may begin; returns the first number of the panel.
    fn sum_terms(&mut self, sharpness: f64) -> u64 {
        let (mut fish, mut weight) = (self.lowest as f64, self.at(self.lowest as f64));
        let mut past = self.lowest;
        loop {
            for _ in 0..64 {
                self.nodes.push((fish, weight));
                self.total += weight;
                weight *= self.step(fish);
                fish += 1.0;
            }
            past += 64;
            let shape = self.shape(fish - 0.5);
            if self.span(fish, &shape, sharpness) >= SMALLEST_PANEL
                || self.nothing_follows(fish, weight, &shape)
            {
                break;
            }
        }
        self.single_terms = self.nodes.len();
        // w'/24 - 7 w'''/5760 half a fish below the first number of the panel, by differences: the first of them
        // is w' + w'''/24, the third w'''.
        let (third, first) = (-17.0 / 5760.0, 1.0 / 24.0);
        let after = weight * self.step(fish);
        let before = weight / self.step(fish - 1.0);
        let earlier = before / self.step(fish - 2.0);
        for (fish, weight, share) in [
            (fish + 1.0, after, third),
            (fish, weight, first - 3.0 * third),
            (fish - 1.0, before, 3.0 * third - first),
            (fish - 2.0, earlier, -third),
        ] {
            self.nodes.push((fish, share * weight));
            self.total += share * weight;
        }
        past
    }

    /// Sums the rest by panels, from `first` on, and the last of it to infinity.
    fn sum_panels(&mut self, mut first: u64, sharpness: f64) {
        loop {
            let fish = first as f64;
            let start = fish - 0.5;
            let shape = self.shape(start);
            let weight = self.at(start);
            (self.tail, self.below_tail) = (first, self.total);
            if self.nothing_follows(start, weight, &shape) {
                return;
            }
            if first > MOST_FISH || self.rest_is_one_panel(start, weight, &shape, sharpness) {
                let rest = self.rest(start);
                self.total += sum(&rest);
                self.nodes.extend(rest);
                return;
            }
            let span = whole(self.span(fish, &shape, sharpness)).max(1);
            let last = (first + span - 1).min(MOST_FISH);
            let nodes = self.integral(start, last as f64 + 0.5);
            self.panels.push(Panel {
                first,
                last,
                below: self.total,
                integral: sum(&nodes),
            });
            self.total += sum(&nodes);
            self.nodes.extend(nodes);
            first = last + 1;
        }
    }

    /// Numbers of fish a panel from `fish` on may span.
    fn span(&self, fish: f64, shape: &Shape, sharpness: f64) -> f64 {
        let distance = fish - self.catch.t();
        let width = 2.0 / libm::sqrt(shape.curvature.abs());
        let fall = 8.0 / shape.slope.abs();
        distance.min(width).min(fall) / sharpness
    }

    /// Whether all from `fish` on is less than [`NEGLIGIBLE`]: the weight falls faster than its limiting power from
    /// here on, under which the rest would be `fish * weight / alpha`.
    fn nothing_follows(&self, fish: f64, weight: f64, shape: &Shape) -> bool {
        let alpha = self.weight.alpha();
        fish * shape.slope + 1.0 + alpha <= 0.0 && fish * weight / alpha < NEGLIGIBLE * self.total
    }

    /// Whether the integral from `start` to infinity may be taken as one panel.
    fn rest_is_one_panel(&self, start: f64, weight: f64, shape: &Shape, sharpness: f64) -> bool {
        let alpha = self.weight.alpha();
        // Over ln N, and beside the limiting power.
        let slope = start * shape.slope + 1.0 + alpha;
        let curvature = start * start * shape.curvature + start * shape.slope;
        if start < 2.0 * sharpness * self.catch.t() + 2.0
            || slope.abs() > GENTLE
            || curvature.abs() > GENTLE
        {
            return false;
        }
        // How far sixteen points may be off for v^(1/alpha).
        let off = if (alpha - 1.0).abs() < f64::EPSILON {
            0.0
        } else if alpha < 0.03 {
            0.05
        } else {
            1e-3
        };
        off * slope.abs() * start * weight / alpha <= TAIL_ERROR * self.total
    }

    /// Cells with their probability; what they lack to one lies beyond the last.
    pub(crate) fn probabilities(&self) -> Vec<Cell> {
        let (mut cells, mut first, mut below) = (Vec::new(), self.lowest, 0.0);
        while first <= MOST_FISH && below < (1.0 - BEYOND_CELLS) * self.total {
            let distance = first - self.lowest;
            let span = if distance < SINGLE_CELLS {
                1
            } else if distance < FAR * (self.mode - self.lowest) + 2 * SINGLE_CELLS {
                distance / CELLS_PER_DISTANCE
            } else {
                distance / FAR_CELLS_PER_DISTANCE
            };
            let last = (first + span - 1).min(MOST_FISH);
            let mass = self.mass(first, last);
            below += mass;
            cells.push(Cell {
                first,
                last,
                mass: mass / self.total,
            });
            first = last + 1;
        }
        cells
    }

    /// Posterior mean of a function of the number of fish that levels off for large numbers.
    pub(crate) fn mean(&self, of: impl Fn(f64) -> f64) -> f64 {
        self.nodes
            .iter()
            .map(|&(fish, weight)| weight * of(fish))
            .sum::<f64>()
            / self.total
    }

    /// Numbers of fish with the probability each stands for; some are below zero, to bring sums over single numbers
    /// and integrals together.
    pub(crate) fn shares(&self) -> impl ExactSizeIterator<Item = (f64, f64)> {
        self.nodes
            .iter()
            .map(|&(fish, weight)| (fish, weight / self.total))
    }

    /// So many of the nodes, from the first on, are consecutive numbers of fish.
    pub(crate) fn single_terms(&self) -> usize {
        self.single_terms
    }

    /// Mean of `p` if there are `fish`: that of Beta(alpha + T, beta + kN - X - T).
    pub(crate) fn mean_p(&self, fish: f64) -> f64 {
        let (hits, misses) = self.p_weight(fish);
        hits / (hits + misses)
    }

    /// Parameters of the Beta posterior of `p` if there are `fish`.
    pub(crate) fn p_weight(&self, fish: f64) -> (f64, f64) {
        let misses = self.catch.k() * fish - self.catch.x() - self.catch.t();
        (
            self.weight.alpha() + self.catch.t(),
            self.weight.beta() + misses,
        )
    }

    /// Smallest number of fish at or below which lies at least the share `of` of the probability.
    pub(crate) fn quantile(&self, of: f64) -> Option<u64> {
        let wanted = of * self.total;
        let mut below = 0.0;
        for (fish, (_, weight)) in (self.lowest..).zip(self.nodes.iter().take(self.single_terms)) {
            below += weight;
            if below >= wanted {
                return Some(fish);
            }
        }
        let holds = |panel: &&Panel| panel.below + panel.integral >= wanted;
        if let Some(panel) = self.panels.iter().find(holds) {
            let share = (wanted - panel.below) / panel.integral;
            let guess = panel.first as f64 + share * (panel.last - panel.first) as f64;
            return Some(settle(
                (panel.first, panel.last + 1),
                guess,
                |n| {
                    let (fish, next) = (n as f64, n as f64 + 1.0);
                    let (at, after) = (self.at(fish), self.at(next));
                    let integral = sum(&self.integral(panel.first as f64 - 0.5, fish + 0.5));
                    let gap = panel.below + integral - (after - at) / 24.0 - wanted;
                    (gap, at)
                },
                |fish, gap, at| fish - gap / at,
            ));
        }
        self.quantile_of_tail(self.total - wanted)
    }

    /// Smallest number of fish in the tail beyond which lies at most `left`.
    fn quantile_of_tail(&self, left: f64) -> Option<u64> {
        // So far out the limiting power holds.
        let past_all = self.at(MOST_FISH as f64) * MOST_FISH as f64 / self.weight.alpha();
        if self.tail >= MOST_FISH || past_all > left {
            return None;
        }
        // Newton on the logs of both: what lies beyond N falls like N^-(N w / beyond), nearly a power.
        let further =
            |fish: f64, beyond: f64, at: f64| fish * libm::pow(beyond / left, beyond / (fish * at));
        let start = self.tail as f64;
        Some(settle(
            (self.tail, MOST_FISH),
            further(start, self.total - self.below_tail, self.at(start)),
            |n| {
                let (at, after) = (self.at(n as f64), self.at(n as f64 + 1.0));
                let beyond = sum(&self.rest(n as f64 + 0.5)) + (after - at) / 24.0;
                (left - beyond, at)
            },
            |fish, gap, at| further(fish, left - gap, at),
        ))
    }

    /// Sum of the weights of the whole numbers from `first` to `last`, a part of the distance from the lowest.
    fn mass(&self, first: u64, last: u64) -> f64 {
        if last < first + 8 {
            return (first..=last).map(|n| self.at(n as f64)).sum();
        }
        let (first, last) = (first as f64, last as f64);
        let slope_first = self.at(first) - self.at(first - 1.0);
        let slope_last = self.at(last + 1.0) - self.at(last);
        sum(&self.integral(first - 0.5, last + 0.5)) - (slope_last - slope_first) / 24.0
    }

    /// The integral of the weight over an interval, by its eight nodes.
    fn integral(&self, from: f64, to: f64) -> [(f64, f64); 8] {
        let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
        let mut nodes = [(0.0, 0.0); 8];
        for (pair, (node, share)) in nodes.as_chunks_mut::<2>().0.iter_mut().zip(EIGHT) {
            *pair = [-node, node].map(|node| {
                let fish = middle + half * node;
                (fish, half * share * self.at(fish))
            });
        }
        nodes
    }

    /// The integral of the weight from `from` to infinity, by its sixteen nodes over `v = (from/N)^alpha`.
    fn rest(&self, from: f64) -> [(f64, f64); 16] {
        let alpha = self.weight.alpha();
        let mut nodes = [(0.0, 0.0); 16];
        for (pair, (node, share)) in nodes.as_chunks_mut::<2>().0.iter_mut().zip(SIXTEEN) {
            *pair = [-node, node].map(|node| {
                let v = 0.5 * (1.0 + node);
                let times = self.stretch(v);
                // dN = N/(alpha v) dv, and v is (from/N)^alpha also where the limit stands in for farther numbers.
                let (times, v) = if times < LIMIT_REACHED {
                    (times, v)
                } else {
                    (LIMIT_REACHED, libm::pow(LIMIT_REACHED, -alpha))
                };
                let fish = from * times;
                (fish, 0.5 * share * self.at(fish) * fish / (alpha * v))
            });
        }
        nodes
    }

    /// How many times as many fish the share `v` of a tail `N^-alpha` is beyond: `v^(-1/alpha)`.
    fn stretch(&self, v: f64) -> f64 {
        if (self.weight.alpha() - 1.0).abs() < f64::EPSILON {
            1.0 / v
        } else {
            libm::pow(v, -1.0 / self.weight.alpha())
        }
    }

    /// `w(N+1) / w(N)`.
    fn step(&self, fish: f64) -> f64 {
        let (hits, misses) = self.p_weight(fish);
        let next = fish + 1.0;
        let (mut up, mut down) = (next * next, (next - self.catch.t()) * (next + 1.0));
        let (mut miss, mut trial) = (misses, misses + hits);
        // Twenty factors of up to 10^16 would not fit a product: half of them do, beside those of the fish.
        let passes = self.catch.passes();
        for _ in 0..passes.min(MOST_PASSES / 2) {
            up *= miss;
            down *= trial;
            miss += 1.0;
            trial += 1.0;
        }
        let mut step = up / down;
        for _ in MOST_PASSES / 2..passes {
            step *= miss / trial;
            miss += 1.0;
            trial += 1.0;
        }
        step
    }

    /// Slope and curvature of `ln w` at least some fish past the catch: differences of digamma and trigamma by their
    /// leading terms `ln(x - 1/2)` and `1/(x - 1/2)`, good to a thousandth there.
    fn shape(&self, fish: f64) -> Shape {
        let (hits, misses) = self.p_weight(fish);
        let (t, k) = (self.catch.t(), self.catch.k());
        let (whole, trials) = (fish + 0.5, misses + hits - 0.5);
        Shape {
            slope: -libm::log1p(-t / whole) + k * libm::log1p(-hits / trials) - 1.0 / (fish + 1.0),
            curvature: k * k * hits / ((misses - 0.5) * trials) - t / (whole * (whole - t))
                + 1.0 / ((fish + 1.0) * (fish + 1.0)),
        }
    }

    /// Weight of a number of fish over that of the mode.
    fn at(&self, fish: f64) -> f64 {
        libm::exp(self.ln_weight(fish) - self.at_mode)
    }

    /// Natural log of the posterior weight, up to a constant; also between whole numbers.
    fn ln_weight(&self, fish: f64) -> f64 {
        let (hits, misses) = self.p_weight(fish);
        ln_gamma_drop(misses, hits)
            - ln_gamma_drop(fish - self.catch.t() + 1.0, self.catch.t())
            - libm::log(fish + 1.0)
    }
}

fn sum(nodes: &[(f64, f64)]) -> f64 {
    nodes.iter().map(|(_, weight)| weight).sum()
}

/// Smallest number of the range at which a rising function is at least zero; it is at the upper end of the range.
///
/// The function gives its value and the rise it took to get there from the number before; `next` guesses where zero is
/// from a number, the value and the rise there. A guess that doesn't help is followed by halving.
fn settle(
    (mut low, mut high): (u64, u64),
    mut guess: f64,
    gap: impl Fn(u64) -> (f64, f64),
    next: impl Fn(f64, f64, f64) -> f64,
) -> u64 {
    let mut guesses = 0;
    while low < high {
        let n = if guesses < 8 {
            whole(libm::ceil(guess)).clamp(low, high - 1)
        } else {
            low + (high - low) / 2
        };
        let (value, rise) = gap(n);
        if value >= 0.0 {
            // Not twice: what is left a hair below the rise is settled by the number before.
            if value < 0.999 * rise {
                return n;
            }
            high = n;
        } else {
            low = n + 1;
        }
        guess = next(n as f64, value, rise);
        guesses += 1;
    }
    high
}
