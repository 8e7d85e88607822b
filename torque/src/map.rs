//! A quantity over speed and load, from points that were held: a surface with its uncertainty.
//!
//! Universal kriging, that is a Gaussian process with a linear trend: each hold is the surface plus its own error, the
//! surface is `β₀ + β₁ x + β₂ y` plus a random field of Matérn's kind, and what is between holds is the best linear unbiased
//! prediction. So the band grows away from holds, by what the holds themselves say of how fast the surface bends; how
//! smoothly it does so no few holds can tell, that is asked of the caller ([`Bends`]). Nor do they tell scale, lengths and the
//! scatter between holds well: the prediction is the mean over many of them, each weighted by its restricted likelihood
//! (Patterson and Thompson 1971), and the band has in it that they differ. Rasmussen and Williams, "Gaussian Processes for Machine
//! Learning", 2006: prediction with a trend, (2.41) and (2.42); its likelihood, (2.45); the covariance, (4.16); weighting, (5.3) to (5.5).
//!
//! Nothing is said outside the convex hull of the holds (Andrew's monotone chain, 1979).
//!
//! ```
//! use leverarm_torque::engine::Reading;
//! use leverarm_torque::map::{Bends, Surface};
//!
//! let mut holds = Vec::new();
//! for speed in 0..5_u32 {
//!     for load in 0..4_u32 {
//!         let (x, y) = (3000.0 + 1000.0 * f64::from(speed), 0.25 * f64::from(load + 1));
//!         holds.push(((x, y), Reading::new(12.0 * y - x / 4000.0, 0.02, 0.05)));
//!     }
//! }
//! let surface = Surface::through(&holds, Bends::Smoothly)?;
//! let between = surface.at((5500.0, 0.6)).expect("inside the hull");
//! assert!((between.value - 5.825).abs() < 0.05 && between.common < 0.051);
//! assert!(surface.at((5500.0, 0.2)).is_none());
//! # Ok::<(), leverarm_torque::map::MapError>(())
//! ```

use nalgebra::{DMatrix, DVector};

use crate::engine::Reading;
use crate::mixed::log_diagonal;

/// Fewest holds of a map.
pub const HOLDS_MIN: usize = 6;
/// Most holds of a map.
pub const HOLDS_MAX: usize = 400;
/// Holds that lie on less than this share of the rectangle about them span no surface.
const AREA_SHARE_MIN: f64 = 0.02;
/// Trend: constant, along speed, along load.
const TREND: usize = 3;
/// Lengths over which it bends that are tried on each axis, from this share of the range of the holds.
const LENGTHS: u32 = 4;
const LENGTH_MIN: f64 = 0.15;
/// Scales of the field that are tried, over the standard deviation of the values about the trend.
const SCALES: u32 = 7;
const SCALE: (f64, f64) = (0.1, 10.0);
/// Scatter between holds that is tried, likewise, and how much it is believed beforehand: a reading's own uncertainty is meant to
/// be all of it (judgement, no source).
const SCATTERS: [(f64, f64); 4] = [(0.0, 0.7), (0.03, 0.1), (0.1, 0.1), (0.3, 0.1)];
/// What has less weight than all these together is left out, and more than so many are not kept.
const WEIGHT_KEPT: f64 = 0.95;
const KEPT_MAX: usize = 32;

/// How a surface bends, which its holds are too few to tell (judgement, no source).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bends {
    /// As torque and fuel do: ν = 7/2, over lengths up to twice the range of the holds.
    Smoothly,
    /// As a mixture does where one jet takes over from another: ν = 3/2, over lengths up to that range.
    WithKinks,
}

impl Bends {
    const fn length_max(self) -> f64 {
        match self {
            Self::Smoothly => 2.0,
            Self::WithKinks => 1.0,
        }
    }
}

/// A point of a map: speed and load, in whatever units.
pub type Place = (f64, f64);

/// Why holds make no map.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum MapError {
    /// Too few or too many.
    #[error("a map needs {HOLDS_MIN} to {HOLDS_MAX} holds, found {0}")]
    Holds(usize),
    /// They lie on a line.
    #[error(
        "the holds lie on a line: a map needs several speeds, each at several throttle positions or torques"
    )]
    OnALine,
    /// Numbers that are none.
    #[error("a hold's value or uncertainty is not a number")]
    NotFinite,
}

/// A surface through holds.
#[derive(Debug, Clone)]
pub struct Surface {
    scaling: Scaling,
    hull: Vec<Place>,
    places: Vec<Place>,
    values: DVector<f64>,
    common: DVector<f64>,
    models: Vec<Model>,
}

/// Brings places to 0 to 1 on both axes.
#[derive(Debug, Clone, Copy)]
struct Scaling {
    from: Place,
    span: Place,
}

impl Scaling {
    fn of(&self, (x, y): Place) -> Place {
        (
            (x - self.from.0) / self.span.0,
            (y - self.from.1) / self.span.1,
        )
    }
}

/// The random field: its variance, and the lengths over which it bends.
#[derive(Debug, Clone, Copy)]
struct Field {
    bends: Bends,
    variance: f64,
    length: Place,
}

impl Field {
    /// Matérn.
    fn covariance(&self, a: Place, b: Place) -> f64 {
        let far = ((a.0 - b.0) / self.length.0).hypot((a.1 - b.1) / self.length.1);
        let (r, polynomial) = match self.bends {
            Bends::Smoothly => {
                let r = 7.0_f64.sqrt() * far;
                (r, 1.0 + r + 0.4 * r * r + r.powi(3) / 15.0)
            }
            Bends::WithKinks => {
                let r = 3.0_f64.sqrt() * far;
                (r, 1.0 + r)
            }
        };
        self.variance * polynomial * (-r).exp()
    }
}

/// A field and a scatter, with what prediction needs of all holds.
#[derive(Debug, Clone)]
struct Model {
    /// Share in the mean of all.
    weight: f64,
    field: Field,
    /// Inverse of the holds' covariance.
    inverse: DMatrix<f64>,
    /// The same times the trend at the holds.
    inverse_trend: DMatrix<f64>,
    /// Inverse of the trend's information.
    trend_inverse: DMatrix<f64>,
}

/// What may be so: the field, the scatter between holds, standard deviation, and how much it is believed beforehand.
#[derive(Debug, Clone, Copy)]
struct Guess {
    field: Field,
    scatter: f64,
    belief: f64,
}

fn trend((x, y): Place) -> DVector<f64> {
    DVector::from_vec(vec![1.0, x, y])
}

fn trend_rows(places: &[Place]) -> DMatrix<f64> {
    DMatrix::from_fn(places.len(), TREND, |row, column| {
        let (x, y) = places.get(row).copied().unwrap_or_default();
        [1.0, x, y].get(column).copied().unwrap_or_default()
    })
}

/// The holds, scaled.
struct Holds<'a> {
    places: &'a [Place],
    values: &'a DVector<f64>,
    own: &'a [f64],
    rows: DMatrix<f64>,
}

impl Holds<'_> {
    fn covariance(&self, guess: &Guess) -> DMatrix<f64> {
        let Guess { field, scatter, .. } = guess;
        let count = self.places.len();
        let mut covariance = DMatrix::zeros(count, count);
        for (i, (one, own)) in self.places.iter().zip(self.own).enumerate() {
            for (j, other) in self.places.iter().enumerate().take(i) {
                let both = field.covariance(*one, *other);
                covariance[(i, j)] = both;
                covariance[(j, i)] = both;
            }
            covariance[(i, i)] = field.variance * (1.0 + 1e-9) + own * own + scatter * scatter;
        }
        covariance
    }

    /// Logarithm of the restricted likelihood, but for what is the same for all.
    fn log_likelihood(&self, guess: &Guess) -> Option<f64> {
        let factor = self.covariance(guess).cholesky()?;
        let weighted = factor.solve(self.values);
        let rows = factor.solve(&self.rows);
        let trend = (self.rows.transpose() * &rows).cholesky()?;
        let along = self.rows.transpose() * &weighted;
        let quadratic = self.values.dot(&weighted) - along.dot(&trend.solve(&along));
        let found = -0.5 * quadratic - log_diagonal(&factor)? - log_diagonal(&trend)?;
        found.is_finite().then_some(found)
    }

    /// The most believable guesses now that the holds are known.
    fn weighed(&self, guesses: Vec<Guess>) -> Vec<Guess> {
        let likely = guesses.into_iter().filter_map(|guess| {
            let log_belief = self.log_likelihood(&guess)? + guess.belief.ln();
            Some((log_belief, guess))
        });
        let mut likely: Vec<(f64, Guess)> = likely.collect();
        likely.sort_by(|a, b| b.0.total_cmp(&a.0));
        let most = likely.first().map_or(0.0, |it| it.0);
        for (log_belief, guess) in &mut likely {
            guess.belief = (*log_belief - most).exp();
        }
        let all: f64 = likely.iter().map(|it| it.1.belief).sum();
        let mut kept = Vec::new();
        let mut sum = 0.0;
        for (_, guess) in likely.into_iter().take(KEPT_MAX) {
            if sum >= WEIGHT_KEPT * all {
                break;
            }
            sum += guess.belief;
            kept.push(guess);
        }
        for guess in &mut kept {
            guess.belief /= sum;
        }
        kept
    }

    fn model(&self, guess: &Guess) -> Option<Model> {
        let factor = self.covariance(guess).cholesky()?;
        let inverse_trend = factor.solve(&self.rows);
        let information = self.rows.transpose() * &inverse_trend;
        Some(Model {
            weight: guess.belief,
            field: guess.field,
            inverse: factor.inverse(),
            inverse_trend,
            trend_inverse: information.try_inverse()?,
        })
    }
}

impl Model {
    /// How much of each hold is in the prediction at a place, and its variance.
    fn at(&self, places: &[Place], at: Place) -> (DVector<f64>, f64) {
        let near = places.iter().map(|it| self.field.covariance(at, *it));
        let near = DVector::from_iterator(places.len(), near);
        let direct = &self.inverse * &near;
        let lacking = trend(at) - self.inverse_trend.transpose() * &near;
        let by_trend = &self.trend_inverse * &lacking;
        let variance = self.field.variance - near.dot(&direct) + lacking.dot(&by_trend);
        let shares = direct + &self.inverse_trend * by_trend;
        (shares, variance.max(0.0))
    }
}

/// All that is tried, for values that are so far from a plane.
fn guesses(bends: Bends, spread: f64) -> Vec<Guess> {
    let evenly = |(low, high): (f64, f64), count: u32| {
        let step = (high / low).ln() / f64::from(count - 1);
        (0..count).map(move |n| low * (step * f64::from(n)).exp())
    };
    let lengths = || evenly((LENGTH_MIN, bends.length_max()), LENGTHS);
    let mut all = Vec::new();
    for length in lengths().flat_map(|x| lengths().map(move |y| (x, y))) {
        for scale in evenly(SCALE, SCALES) {
            for (scatter, belief) in SCATTERS {
                let field = Field {
                    bends,
                    variance: (scale * spread).powi(2),
                    length,
                };
                all.push(Guess {
                    field,
                    scatter: scatter * spread,
                    belief,
                });
            }
        }
    }
    all
}

impl Surface {
    /// The surface through holds: where each was, and what was read there.
    ///
    /// # Errors
    /// See [`MapError`].
    pub fn through(holds: &[(Place, Reading)], bends: Bends) -> Result<Self, MapError> {
        Self::with(holds, |spread| guesses(bends, spread))
    }

    fn with(
        holds: &[(Place, Reading)],
        guesses: impl Fn(f64) -> Vec<Guess>,
    ) -> Result<Self, MapError> {
        if !(HOLDS_MIN..=HOLDS_MAX).contains(&holds.len()) {
            return Err(MapError::Holds(holds.len()));
        }
        let is_finite = |((x, y), read): &(Place, Reading)| {
            [*x, *y, read.value, read.random, read.common]
                .iter()
                .all(|it| it.is_finite())
        };
        if !holds.iter().all(is_finite) {
            return Err(MapError::NotFinite);
        }
        let hull = hull(holds.iter().map(|hold| hold.0).collect());
        let ends = |of: fn(&Place) -> f64| {
            let all = holds.iter().map(|hold| of(&hold.0));
            all.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| {
                (low.min(it), high.max(it))
            })
        };
        let ((left, right), (low, high)) = (ends(|it| it.0), ends(|it| it.1));
        let span = (right - left, high - low);
        if area(&hull) <= AREA_SHARE_MIN * span.0 * span.1 {
            return Err(MapError::OnALine);
        }
        let scaling = Scaling {
            from: (left, low),
            span,
        };
        let places: Vec<Place> = holds.iter().map(|hold| scaling.of(hold.0)).collect();
        let values = DVector::from_iterator(holds.len(), holds.iter().map(|hold| hold.1.value));
        let own: Vec<f64> = holds.iter().map(|hold| hold.1.random).collect();
        let rows = trend_rows(&places);
        let spread = about_trend(&rows, &values);
        let scaled = Holds {
            places: &places,
            values: &values,
            own: &own,
            rows,
        };
        let likely = scaled.weighed(guesses(spread));
        let models: Vec<Model> = likely
            .iter()
            .filter_map(|guess| scaled.model(guess))
            .collect();
        if models.is_empty() {
            return Err(MapError::OnALine);
        }
        Ok(Self {
            scaling,
            hull,
            common: DVector::from_iterator(holds.len(), holds.iter().map(|hold| hold.1.common)),
            models,
            places,
            values,
        })
    }

    /// The surface at a place: what holds leave open as `random`, what is the same in all of them as `common`. None
    /// outside the hull of the holds.
    #[must_use]
    pub fn at(&self, place: Place) -> Option<Reading> {
        if !self.holds(place) {
            return None;
        }
        let at = self.scaling.of(place);
        let each: Vec<_> = self
            .models
            .iter()
            .map(|model| {
                let (shares, variance) = model.at(&self.places, at);
                let common = shares.dot(&self.common);
                (model.weight, shares.dot(&self.values), variance, common)
            })
            .collect();
        let value: f64 = each.iter().map(|it| it.0 * it.1).sum();
        let common: f64 = each.iter().map(|it| it.0 * it.3).sum();
        let variance = |it: &(f64, f64, f64, f64)| it.0 * (it.2 + (it.1 - value).powi(2));
        let random = each.iter().map(variance).sum::<f64>().sqrt();
        Some(Reading::new(value, random, common.abs()))
    }

    /// Whether a place is inside the hull of the holds, its edge included.
    #[must_use]
    pub fn holds(&self, place: Place) -> bool {
        let (x, y) = self.scaling.of(place);
        let corners: Vec<Place> = self.hull.iter().map(|it| self.scaling.of(*it)).collect();
        let edges = corners.iter().zip(corners.iter().cycle().skip(1));
        edges
            .into_iter()
            .all(|(a, b)| (b.0 - a.0) * (y - a.1) - (b.1 - a.1) * (x - a.0) >= -1e-9)
    }

    /// Corners of the hull, against the clock.
    #[must_use]
    pub fn hull(&self) -> &[Place] {
        &self.hull
    }
}

/// Standard deviation of values about a plane; a billionth of them where they are on it.
fn about_trend(rows: &DMatrix<f64>, values: &DVector<f64>) -> f64 {
    let plane = rows.clone().svd(true, true).solve(values, 1e-9);
    let rest = plane.map_or_else(|_| values.clone(), |plane| values - rows * plane);
    let size = values.iter().fold(0.0, |most: f64, it| most.max(it.abs()));
    (rest.norm() / (values.len() as f64).sqrt())
        .max(1e-6 * size)
        .max(1e-12)
}

/// Corners of the convex hull, against the clock.
fn hull(mut places: Vec<Place>) -> Vec<Place> {
    places.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    places.dedup();
    let turns_left =
        |a: Place, b: Place, c: Place| (b.0 - a.0) * (c.1 - a.1) - (b.1 - a.1) * (c.0 - a.0) > 0.0;
    let half = |along: &mut dyn Iterator<Item = Place>| {
        let mut chain: Vec<Place> = Vec::new();
        for place in along {
            while let [.., a, b] = chain.as_slice() {
                if turns_left(*a, *b, place) {
                    break;
                }
                chain.pop();
            }
            chain.push(place);
        }
        chain.pop();
        chain
    };
    let mut corners = half(&mut places.iter().copied());
    corners.extend(half(&mut places.iter().rev().copied()));
    corners
}

/// Area of a polygon with its corners against the clock (the shoelace formula).
fn area(corners: &[Place]) -> f64 {
    let edges = corners.iter().zip(corners.iter().cycle().skip(1));
    0.5 * edges.map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(xs: &[f64], ys: &[f64], mut of: impl FnMut(Place) -> Reading) -> Vec<(Place, Reading)> {
        let places = xs.iter().flat_map(|x| ys.iter().map(move |y| (*x, *y)));
        places.map(|place| (place, of(place))).collect()
    }

    #[test]
    fn nothing_is_said_outside_the_hull() {
        // A corner of the rectangle was never held.
        let mut holds = grid(&[1.0, 2.0, 3.0], &[0.2, 0.6, 1.0], |(x, y)| {
            Reading::new(x + y, 0.01, 0.0)
        });
        holds.retain(|(place, _)| *place != (3.0, 0.2));
        let surface = Surface::through(&holds, Bends::Smoothly).unwrap();
        assert_eq!(surface.hull().len(), 5, "{:?}", surface.hull());
        for (place, is_inside) in [
            ((2.0, 0.2), true),
            ((3.0, 0.6), true),
            ((2.5, 0.4), true),
            ((2.9, 0.3), false),
            ((3.0, 0.2), false),
            ((0.99, 0.5), false),
            ((2.0, 1.01), false),
        ] {
            assert_eq!(surface.at(place).is_some(), is_inside, "{place:?}");
        }
    }

    #[test]
    fn what_makes_no_map_says_why() {
        let one = |place| (place, Reading::new(1.0, 0.1, 0.0));
        assert_eq!(
            Surface::through(&[one((1.0, 1.0))], Bends::Smoothly).unwrap_err(),
            MapError::Holds(1)
        );
        let line: Vec<_> = (0..8)
            .map(|i| one((f64::from(i), 2.0 * f64::from(i))))
            .collect();
        assert_eq!(
            Surface::through(&line, Bends::Smoothly).unwrap_err(),
            MapError::OnALine
        );
        let level: Vec<_> = (0..8).map(|i| one((f64::from(i), 1.0))).collect();
        assert_eq!(
            Surface::through(&level, Bends::Smoothly).unwrap_err(),
            MapError::OnALine
        );
        let mut bad = grid(&[1.0, 2.0, 3.0], &[1.0, 2.0], |_| Reading::exact(1.0));
        bad[2].1.value = f64::NAN;
        assert_eq!(
            Surface::through(&bad, Bends::Smoothly).unwrap_err(),
            MapError::NotFinite
        );
    }

    /// Against scikit-learn 1.9.1: `GaussianProcessRegressor` with `1.5² · Matern([0.4, 0.7], nu)` and, for a trend of which
    /// nothing is known beforehand, `1e7 + 1e7 · DotProduct(0)`; `alpha = 0.05² + 0.1²`.
    #[test]
    fn prediction_is_that_of_a_reference_library() {
        let holds = grid(&[0.0, 0.25, 0.5, 0.75, 1.0], &[0.0, 0.4, 1.0], |(x, y)| {
            Reading::new(10.0 * y + 2.0 * (3.0 * x).sin() - x * y, 0.05, 0.0)
        });
        let places = [(0.1, 0.2), (0.6, 0.7), (0.5, 0.4), (0.95, 0.9)];
        for (bends, expected) in [
            (
                Bends::WithKinks,
                [
                    (2.45866, 0.41234),
                    (8.55114, 0.52897),
                    (5.79695, 0.11015),
                    (8.61142, 0.35776),
                ],
            ),
            (
                Bends::Smoothly,
                [
                    (2.49672, 0.21007),
                    (8.55917, 0.29271),
                    (5.80191, 0.10669),
                    (8.64253, 0.20827),
                ],
            ),
        ] {
            let field = Field {
                bends,
                variance: 1.5 * 1.5,
                length: (0.4, 0.7),
            };
            let guess = Guess {
                field,
                scatter: 0.1,
                belief: 1.0,
            };
            let surface = Surface::with(&holds, |_| vec![guess]).unwrap();
            for (place, (mean, deviation)) in places.into_iter().zip(expected) {
                let found = surface.at(place).unwrap();
                assert!((found.value - mean).abs() < 2e-5, "{place:?}: {found:?}");
                assert!(
                    (found.random - deviation).abs() < 2e-5,
                    "{place:?}: {found:?}"
                );
            }
        }
    }

    /// The band widens between holds and at a hole in the grid, and what is common to all holds is common to the surface.
    #[test]
    fn the_band_grows_away_from_holds() {
        let wave = |(x, y): Place| Reading::new((1.5 * x).sin() + (1.5 * y).cos(), 0.005, 0.2);
        let mut holds = grid(&[0.0, 0.5, 1.0, 1.5, 2.0], &[0.0, 0.5, 1.0, 1.5], wave);
        let whole = Surface::through(&holds, Bends::Smoothly).unwrap();
        let at_hold = whole.at((1.0, 0.5)).unwrap();
        assert!(
            (at_hold.value - wave((1.0, 0.5)).value).abs() < 0.03,
            "{at_hold:?} {:?}",
            whole.models
        );
        assert!((at_hold.common - 0.2).abs() < 0.01, "{at_hold:?}");
        let between = whole.at((1.25, 0.75)).unwrap();
        assert!(
            between.random > 1.5 * at_hold.random,
            "{between:?} {at_hold:?}"
        );
        holds.retain(|(place, _)| *place != (1.0, 0.5));
        let holed = Surface::through(&holds, Bends::Smoothly).unwrap();
        assert!(holed.at((1.0, 0.5)).unwrap().random > 1.5 * at_hold.random);
    }

    /// Drawn holds on surfaces that are no Gaussian process: the 95 % band holds the truth 93 to 97 % of the time, about.
    #[test]
    fn bands_hold_the_truth() {
        let mut rng = fastrand::Rng::with_seed(4);
        let mut gauss = move || (0..12).map(|_| rng.f64()).sum::<f64>() - 6.0;
        let (mut inside, mut count, mut pull) = (0_u32, 0_u32, 0.0);
        for stand in 0..40 {
            let bend = 1.0 + f64::from(stand % 5) / 3.0;
            let truth = move |(x, y): Place| {
                let filling = 2.0 / (1.0 + (1.0 + 4.0 * bend * x * x * (y.powi(-2) - 1.0)).sqrt());
                12.0 * filling * (1.0 - (x - 0.6).powi(2)) - 1.5
            };
            let xs = [0.3, 0.44, 0.58, 0.72, 0.86, 1.0];
            let holds: Vec<_> = grid(&xs, &[0.3, 0.5, 0.7, 1.0], |place| {
                Reading::new(truth(place) + 0.04 * gauss(), 0.03, 0.0)
            });
            let surface = Surface::through(&holds, Bends::Smoothly).unwrap();
            for x in [0.3, 0.5, 0.65, 0.93] {
                for y in [0.35, 0.5, 0.6, 0.85, 0.95] {
                    let found = surface.at((x, y)).unwrap();
                    let off = (found.value - truth((x, y))) / found.expanded();
                    inside += u32::from(off.abs() <= 1.0);
                    pull += off * off;
                    count += 1;
                }
            }
        }
        let share = f64::from(inside) / f64::from(count);
        assert!(
            (0.90..=0.995).contains(&share),
            "{share}, {}",
            pull / f64::from(count)
        );
    }
}
