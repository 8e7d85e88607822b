//! What to test next: in which order to mount two setups, and how many pulls to make with each mounting,
//! so that a difference shows soonest.
//!
//! The answer of one session is the difference of the mountings' means with a straight drift beside them,
//! by least squares: `var = (σ²_build + σ²_pull / pulls) · w'w`, `w` the weights of the mountings. An
//! order is drift-proof when a straight drift leaves nothing in it, which takes a return; a drift that
//! bends, and warming up, leave what `w` lets through. What the store tells already counts with its own
//! standard error, because sessions are independent.
//!
//! ```
//! // 1 % is to show, where a pull scatters by 0.3 % and a mounting by 0.2 %.
//! use leverarm_torque::comparison::orders::{Cost, Question, soonest};
//!
//! let question = Question {
//!     difference: 0.01,
//!     confidence: 0.95,
//!     pull_sd: 0.003,
//!     build_sd: 0.002,
//!     known_error: None,
//!     known_left: 0.0,
//! };
//! let cost = Cost { begin_min: [0.0, 15.0], swap_min: 15.0, pull_min: 4.0 };
//! let (order, brings) = soonest(&question, &cost).into_iter().next().expect("some order");
//! assert!(order.second.len() >= 3 && brings.minutes > 0.0);
//! println!("{}: {} pulls each, {:.0} min", order.letters(), order.pulls, brings.minutes);
//! ```

use nalgebra::{DMatrix, DVector};

use super::DETECTION_PROBABILITY;
use super::ground::REPEATED_BUILDS_MIN;
use super::two_sample::{detectable_effect, two_sided_factor};

/// Mountings of one session at most: more is no day's work.
pub const BUILDS_MAX: usize = 10;
/// Pulls with a mounting at most.
pub const PULLS_MAX: u32 = 6;
/// Warming up falls to 1/e over so many pulls (common practice, no source).
const WARM_UP_PULLS: f64 = 2.5;
/// Orders within this of the shortest time are as good; the one that lets least of a bend through is
/// taken.
const SAME_TIME: f64 = 1.1;

/// An order of mountings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Order {
    /// Whether each mounting is of the second setup.
    pub second: Vec<bool>,
    /// Pulls with each.
    pub pulls: u32,
}

impl Order {
    /// From letters, A for the first setup and B for the second.
    #[must_use]
    pub fn of_letters(letters: &str, pulls: u32) -> Self {
        Self {
            second: letters.chars().map(|letter| letter == 'B').collect(),
            pulls,
        }
    }

    /// "A B A".
    #[must_use]
    pub fn letters(&self) -> String {
        let letters = self.second.iter().map(|b| if *b { "B" } else { "A" });
        letters.collect::<Vec<_>>().join(" ")
    }

    /// Middle of each mounting's pulls, by their number in the session.
    fn middles(&self) -> impl Iterator<Item = f64> {
        let pulls = f64::from(self.pulls);
        (0..self.second.len()).map(move |at| at as f64 * pulls + 0.5 * (pulls - 1.0))
    }

    /// Weights of the mountings in the difference, second less first: with a straight drift beside it,
    /// or else of plain means. None where that can't be told.
    fn weights(&self, with_drift: bool) -> Option<DVector<f64>> {
        let middles: Vec<f64> = self.middles().collect();
        let design = DMatrix::from_fn(
            self.second.len(),
            2 + usize::from(with_drift),
            |i, j| match j {
                0 => f64::from(u8::from(!self.second[i])),
                1 => f64::from(u8::from(self.second[i])),
                _ => middles[i],
            },
        );
        let inverse = design.clone().pseudo_inverse(1e-9).ok()?;
        let weights = (inverse.row(1) - inverse.row(0)).transpose();
        let back = design.tr_mul(&weights);
        let asked = [-1.0, 1.0, 0.0];
        let off = back.iter().zip(asked).map(|(b, a)| (b - a).abs());
        (off.fold(0.0, f64::max) < 1e-6).then_some(weights)
    }

    /// What is left in the difference of something that goes on while the session does.
    #[must_use]
    pub fn left_of(&self, disturbance: Disturbance) -> Option<f64> {
        let weights = self.weights(disturbance != Disturbance::StraightUnmodelled)?;
        let pulls = self.second.len() as f64 * f64::from(self.pulls);
        let last = (pulls - 1.0).max(1.0);
        let at = |pull: f64| match disturbance {
            Disturbance::StraightUnmodelled | Disturbance::Straight => pull / last,
            Disturbance::Bend => (pull / last).powi(2),
            Disturbance::WarmUp => (-pull / WARM_UP_PULLS).exp(),
        };
        let mean = |build: usize| {
            let own = (0..self.pulls).map(|i| build as f64 * f64::from(self.pulls) + f64::from(i));
            own.map(at).sum::<f64>() / f64::from(self.pulls)
        };
        let all = weights.iter().enumerate();
        Some(all.map(|(build, weight)| weight * mean(build)).sum())
    }
}

/// What goes on while a session does; of size one from its first pull to its last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Disturbance {
    /// A straight drift, and plain means compared.
    StraightUnmodelled,
    /// A straight drift.
    Straight,
    /// A drift that sets in slowly: with the square of the time.
    Bend,
    /// Warming up, that falls over the first pulls.
    WarmUp,
}

/// What is asked, and what is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// Difference that is to show, as a share of torque.
    pub difference: f64,
    /// Confidence of the interval.
    pub confidence: f64,
    /// Standard deviation of a pull, as a share.
    pub pull_sd: f64,
    /// Of a mounting.
    pub build_sd: f64,
    /// Standard error of the difference as the store tells it, as a share; none when it does not.
    pub known_error: Option<f64>,
    /// Builds that tell how builds scatter, or what a typical value is worth.
    pub known_left: f64,
}

/// Minutes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cost {
    /// To mount the first and the second setup, from what is on now.
    pub begin_min: [f64; 2],
    /// To swap one for the other, or to take one off and put it back.
    pub swap_min: f64,
    /// A pull, with cooling down after it.
    pub pull_min: f64,
}

/// What an order brings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judged {
    /// How long it takes.
    pub minutes: f64,
    /// Standard error of the difference afterwards, with what is known already, as a share.
    pub error: f64,
    /// Builds that then tell how builds scatter.
    pub left: f64,
    /// True difference that then shows 9 times out of 10, as a share; none when builds are too few.
    pub shows: Option<f64>,
    /// What a bend of one leaves in the answer of the session.
    pub bend: f64,
}

/// What an order brings; none when its difference can't be told from a drift.
#[must_use]
pub fn judged(order: &Order, question: &Question, cost: &Cost) -> Option<Judged> {
    let left = question.left_after(order.second.len());
    let size = order.weights(true)?.norm_squared();
    let effect = standard_errors(left, question.confidence);
    Some(with_weights(order, size, effect, question, cost))
}

impl Question {
    /// Builds that tell how builds scatter after so many more: two means and a slope take three.
    fn left_after(&self, builds: usize) -> f64 {
        self.known_left + builds as f64 - 3.0
    }
}

/// The same with `size`, the weights' w'w, and the difference that shows, in standard errors, known.
fn with_weights(
    order: &Order,
    size: f64,
    effect: Option<f64>,
    question: &Question,
    cost: &Cost,
) -> Judged {
    let single = question.build_sd.powi(2) + question.pull_sd.powi(2) / f64::from(order.pulls);
    let known = question.known_error.map_or(0.0, |error| error.powi(-2));
    let error = (known + 1.0 / (single * size)).powf(-0.5);
    let first = order.second.first().is_some_and(|second| *second);
    let mountings = order.second.len().saturating_sub(1) as f64;
    let pulls = order.second.len() as f64 * f64::from(order.pulls);
    Judged {
        minutes: cost.begin_min[usize::from(first)]
            + mountings * cost.swap_min
            + pulls * cost.pull_min,
        error,
        left: question.left_after(order.second.len()),
        shows: effect.map(|effect| effect * error),
        bend: order.left_of(Disturbance::Bend).unwrap_or(f64::INFINITY),
    }
}

/// True difference that shows 9 times out of 10 with this standard error; none with too few builds.
#[must_use]
pub fn shows(error: f64, left: f64, confidence: f64) -> Option<f64> {
    Some(error * standard_errors(left, confidence)?)
}

/// The same in standard errors.
fn standard_errors(left: f64, confidence: f64) -> Option<f64> {
    (left >= REPEATED_BUILDS_MIN as f64).then(|| {
        let critical = two_sided_factor(1.0 - confidence, left);
        detectable_effect(DETECTION_PROBABILITY, critical, left)
    })
}

/// The orders that show the difference, soonest first, one for each number of mountings; where none
/// does, those that come nearest.
#[must_use]
pub fn soonest(question: &Question, cost: &Cost) -> Vec<(Order, Judged)> {
    let mut found: Vec<(Order, Judged)> = (3..=BUILDS_MAX)
        .filter_map(|builds| best_of(builds, question, cost))
        .collect();
    let does = |judged: &Judged| judged.shows.is_some_and(|s| s <= question.difference);
    if found.iter().any(|(_, judged)| does(judged)) {
        found.retain(|(_, judged)| does(judged));
        found.sort_by(|a, b| a.1.minutes.total_cmp(&b.1.minutes));
    } else {
        let size = |judged: &Judged| judged.shows.unwrap_or(f64::INFINITY);
        found.sort_by(|a, b| size(&a.1).total_cmp(&size(&b.1)));
    }
    found
}

/// With so many mountings: the shortest order that shows the difference, or that which comes nearest.
fn best_of(builds: usize, question: &Question, cost: &Cost) -> Option<(Order, Judged)> {
    let orders = (0..1_u32 << builds)
        .map(|bits| -> Vec<bool> { (0..builds).map(|at| bits >> at & 1 == 1).collect() });
    let effect = standard_errors(question.left_after(builds), question.confidence);
    let mut all: Vec<(Order, Judged)> = Vec::new();
    for second in orders {
        let mut order = Order { second, pulls: 1 };
        let Some(weights) = order.weights(true) else {
            continue;
        };
        let size = weights.norm_squared();
        // More pulls than the difference takes are no gain, so the first number that does ends it.
        loop {
            let judged = with_weights(&order, size, effect, question, cost);
            let does = judged.shows.is_some_and(|s| s <= question.difference);
            if does || order.pulls == PULLS_MAX {
                all.push((order, judged));
                break;
            }
            order.pulls += 1;
        }
    }
    let does = |judged: &Judged| judged.shows.is_some_and(|s| s <= question.difference);
    let (enough, short): (Vec<_>, Vec<_>) = all.into_iter().partition(|(_, judged)| does(judged));
    if enough.is_empty() {
        return short
            .into_iter()
            .min_by(|a, b| a.1.error.total_cmp(&b.1.error));
    }
    let least = enough
        .iter()
        .map(|(_, j)| j.minutes)
        .fold(f64::INFINITY, f64::min);
    enough
        .into_iter()
        .filter(|(_, judged)| judged.minutes <= SAME_TIME * least)
        .min_by(|a, b| a.1.bend.abs().total_cmp(&b.1.bend.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn left(letters: &str, pulls: u32, disturbance: Disturbance) -> f64 {
        Order::of_letters(letters, pulls)
            .left_of(disturbance)
            .unwrap()
    }

    /// A B B A is balanced against a straight drift, and A B B A B A A B against a bend too: the
    /// sequence of Thue and Morse annuls polynomials (Prouhet's theorem, 1851; from memory).
    #[test]
    fn orders_of_prouhet_annul_drifts() {
        for pulls in [1, 3] {
            assert!(left("ABBA", pulls, Disturbance::StraightUnmodelled).abs() < 1e-12);
            assert!(left("ABBABAAB", pulls, Disturbance::Bend).abs() < 1e-12);
            assert!(left("ABA", pulls, Disturbance::StraightUnmodelled).abs() < 1e-12);
        }
        // A drift of 1 from the first pull to the last: A at 0, B at 1.
        assert!((left("AB", 1, Disturbance::StraightUnmodelled) - 1.0).abs() < 1e-12);
        // t² at 0, ½, 1: B less the mean of both A is ¼ − ½.
        assert!((left("ABA", 1, Disturbance::Bend) + 0.25).abs() < 1e-12);
        assert_eq!(Order::of_letters("AB", 3).left_of(Disturbance::Bend), None);
    }

    const QUESTION: Question = Question {
        difference: 0.01,
        confidence: 0.95,
        pull_sd: 0.003,
        build_sd: 0.003,
        known_error: None,
        known_left: 10.0,
    };
    const COST: Cost = Cost {
        begin_min: [0.0, 10.0],
        swap_min: 10.0,
        pull_min: 3.0,
    };

    /// Variance of A B A with n pulls each: (σ²_b + σ²_p/n)(1 + ½); Student's t then.
    #[test]
    fn an_order_brings_what_least_squares_says() {
        let order = Order::of_letters("ABA", 3);
        let found = judged(&order, &QUESTION, &COST).unwrap();
        let expected = (0.003_f64.powi(2) * (1.0 + 1.0 / 3.0) * 1.5).sqrt();
        assert!((found.error - expected).abs() < 1e-12);
        assert!((found.minutes - (20.0 + 27.0)).abs() < 1e-12);
        assert!((found.left - 10.0).abs() < 1e-12);
        // Half the variance when the store knows as much.
        let known = Question {
            known_error: Some(expected),
            ..QUESTION
        };
        let halved = judged(&order, &known, &COST).unwrap();
        assert!((halved.error - expected / 2.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn a_stand_that_knows_nothing_of_builds_needs_six() {
        let question = Question {
            known_left: 0.0,
            difference: 0.03,
            ..QUESTION
        };
        let (order, found) = soonest(&question, &COST).remove(0);
        assert_eq!(order.second.len(), 6, "{}", order.letters());
        assert!(found.shows.unwrap() <= 0.03);
    }

    #[test]
    fn dear_swaps_are_saved_and_dear_pulls_too() {
        let dear_swap = Cost {
            swap_min: 120.0,
            ..COST
        };
        let dear_pull = Cost {
            swap_min: 1.0,
            pull_min: 30.0,
            ..COST
        };
        let question = Question {
            build_sd: 0.001,
            ..QUESTION
        };
        let few = soonest(&question, &dear_swap).remove(0).0;
        let many = soonest(&question, &dear_pull).remove(0).0;
        assert!(few.second.len() < many.second.len() && few.pulls > many.pulls);
    }

    #[test]
    fn what_can_not_be_reached_comes_nearest() {
        let question = Question {
            difference: 1e-5,
            ..QUESTION
        };
        let (order, found) = soonest(&question, &COST).remove(0);
        assert!(found.shows.unwrap() > question.difference);
        assert_eq!((order.second.len(), order.pulls), (BUILDS_MAX, PULLS_MAX));
    }
}
