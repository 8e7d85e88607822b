//! A quantity over speed and load, from points that were held: a surface with its uncertainty.
//!
//! Universal kriging, that is a Gaussian process with a linear trend: each hold is the surface plus its own error, the
//! surface is `β₀ + β₁ x + β₂ y` plus a random field of Matérn's kind (ν = 5/2), and what is between holds is the best
//! linear unbiased prediction. So the band grows away from holds, by what the holds themselves say of how fast the
//! surface bends. Rasmussen and Williams, "Gaussian Processes for Machine Learning", 2006: prediction with a trend, (2.41)
//! and (2.42); the covariance, (4.17); scale, lengths and the scatter between holds by greatest restricted likelihood,
//! (2.45) (Patterson and Thompson 1971).
//!
//! Nothing is said outside the convex hull of the holds (Andrew's monotone chain, 1979).
//!
//! ```
//! use leverarm_torque::engine::Reading;
//! use leverarm_torque::map::Surface;
//!
//! let mut holds = Vec::new();
//! for speed in 0..5_u32 {
//!     for load in 0..4_u32 {
//!         let (x, y) = (3000.0 + 1000.0 * f64::from(speed), 0.25 * f64::from(load + 1));
//!         holds.push(((x, y), Reading::new(12.0 * y - x / 4000.0, 0.02, 0.05)));
//!     }
//! }
//! let surface = Surface::through(&holds)?;
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
/// Lengths over which the surface bends, as shares of the range of the holds. No longer than it: a few holds can't tell a
/// longer one, and the band would count on it.
const LENGTH: (f64, f64) = (0.15, 1.0);
/// The field's scale, and the scatter between holds, over the standard deviation of the values about the trend.
const SCALE: (f64, f64) = (0.1, 10.0);
const SCATTER: (f64, f64) = (1e-3, 1.0);
/// Each length, scale and scatter is looked for in so many steps, so many times.
const STARTS: [[f64; 4]; 3] = [
    [0.6, 0.6, 1.0, 0.003],
    [0.3, 0.3, 1.0, 0.003],
    [0.9, 0.9, 1.0, 0.2],
];
const SEARCH_STEPS: u32 = 9;
const SEARCH_ROUNDS: usize = 4;

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
    field: Field,
    solved: Solved,
    /// Scatter between holds beyond their own uncertainty, standard deviation.
    pub scatter: f64,
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
    variance: f64,
    length: Place,
}

impl Field {
    /// Matérn, ν = 5/2.
    fn covariance(&self, a: Place, b: Place) -> f64 {
        let far = ((a.0 - b.0) / self.length.0).hypot((a.1 - b.1) / self.length.1);
        let r = 5.0_f64.sqrt() * far;
        self.variance * (1.0 + r + r * r / 3.0) * (-r).exp()
    }
}

/// What prediction needs of all holds.
#[derive(Debug, Clone)]
struct Solved {
    /// Inverse of the holds' covariance.
    inverse: DMatrix<f64>,
    /// The same times the trend at the holds.
    inverse_trend: DMatrix<f64>,
    /// Inverse of the trend's information.
    trend_inverse: DMatrix<f64>,
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

/// The holds, scaled, as the search for field and scatter sees them.
struct Search<'a> {
    places: &'a [Place],
    values: &'a DVector<f64>,
    own: &'a [f64],
    rows: DMatrix<f64>,
}

impl Search<'_> {
    fn covariance(&self, field: &Field, scatter: f64) -> DMatrix<f64> {
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

    /// Minus the logarithm of the restricted likelihood; infinite where there is none.
    fn badness(&self, field: &Field, scatter: f64) -> f64 {
        self.minus_log_likelihood(field, scatter)
            .unwrap_or(f64::INFINITY)
    }

    fn minus_log_likelihood(&self, field: &Field, scatter: f64) -> Option<f64> {
        let factor = self.covariance(field, scatter).cholesky()?;
        let weighted = factor.solve(self.values);
        let rows = factor.solve(&self.rows);
        let trend = (self.rows.transpose() * &rows).cholesky()?;
        let along = self.rows.transpose() * &weighted;
        let quadratic = self.values.dot(&weighted) - along.dot(&trend.solve(&along));
        Some(0.5 * quadratic + log_diagonal(&factor)? + log_diagonal(&trend)?)
    }

    /// Field and scatter. The same holds may be a rough surface or a smooth one with scatter, so the search begins at
    /// both.
    fn best(&self, spread: f64) -> (Field, f64) {
        let found = STARTS.map(|start| self.from(start, spread));
        let best = found.iter().min_by(|a, b| a.0.total_cmp(&b.0));
        best.map_or_else(|| found[0].1, |it| it.1)
    }

    /// One after the other along a grid, finer in each round; with how bad it is at last.
    fn from(&self, start: [f64; 4], spread: f64) -> (f64, (Field, f64)) {
        let ranges = [LENGTH, LENGTH, SCALE, SCATTER];
        // As logarithms: lengths, scale, scatter.
        let mut at = start.map(f64::ln);
        let model = |at: &[f64; 4]| {
            let [x, y, scale, scatter] = at.map(f64::exp);
            let field = Field {
                variance: (scale * spread).powi(2),
                length: (x, y),
            };
            (field, scatter * spread)
        };
        let badness = |at: &[f64; 4]| {
            let (field, scatter) = model(at);
            self.badness(&field, scatter)
        };
        let mut least = badness(&at);
        let mut width = 1.0;
        for _ in 0..SEARCH_ROUNDS {
            for (axis, (low, high)) in ranges.iter().enumerate() {
                let (low, high) = (low.ln(), high.ln());
                let reach = width * (high - low);
                let centre = at[axis];
                for step in 0..SEARCH_STEPS {
                    let share = f64::from(step) / f64::from(SEARCH_STEPS - 1) - 0.5;
                    let mut tried = at;
                    tried[axis] = (centre + share * reach).clamp(low, high);
                    let found = badness(&tried);
                    if found < least {
                        (least, at) = (found, tried);
                    }
                }
            }
            width *= 0.5;
        }
        (least, model(&at))
    }
}

impl Surface {
    /// The surface through holds: where each was, and what was read there.
    ///
    /// # Errors
    /// See [`MapError`].
    pub fn through(holds: &[(Place, Reading)]) -> Result<Self, MapError> {
        Self::with(holds, |search| {
            search.best(about_trend(&search.rows, search.values))
        })
    }

    fn with(
        holds: &[(Place, Reading)],
        found: impl Fn(&Search<'_>) -> (Field, f64),
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
        let search = Search {
            places: &places,
            values: &values,
            own: &own,
            rows,
        };
        let (field, scatter) = found(&search);
        let factor = search.covariance(&field, scatter).cholesky();
        let factor = factor.ok_or(MapError::OnALine)?;
        let inverse_trend = factor.solve(&search.rows);
        let information = search.rows.transpose() * &inverse_trend;
        let trend_inverse = information.try_inverse().ok_or(MapError::OnALine)?;
        Ok(Self {
            scaling,
            hull,
            common: DVector::from_iterator(holds.len(), holds.iter().map(|hold| hold.1.common)),
            field,
            solved: Solved {
                inverse: factor.inverse(),
                inverse_trend,
                trend_inverse,
            },
            scatter,
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
        let near = self.places.iter().map(|it| self.field.covariance(at, *it));
        let near = DVector::from_iterator(self.places.len(), near);
        let solved = &self.solved;
        let direct = &solved.inverse * &near;
        let lacking = trend(at) - solved.inverse_trend.transpose() * &near;
        let by_trend = &solved.trend_inverse * &lacking;
        let weights = &direct + &solved.inverse_trend * &by_trend;
        let variance = self.field.variance - near.dot(&direct) + lacking.dot(&by_trend);
        Some(Reading::new(
            weights.dot(&self.values),
            variance.max(0.0).sqrt(),
            weights.dot(&self.common).abs(),
        ))
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

    /// Holds that it rests on.
    #[must_use]
    pub fn count(&self) -> usize {
        self.places.len()
    }

    /// Degrees of freedom that its scatter is known with, about: holds less the trend.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> f64 {
        (self.places.len() - TREND) as f64
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
        let surface = Surface::through(&holds).unwrap();
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
            Surface::through(&[one((1.0, 1.0))]).unwrap_err(),
            MapError::Holds(1)
        );
        let line: Vec<_> = (0..8)
            .map(|i| one((f64::from(i), 2.0 * f64::from(i))))
            .collect();
        assert_eq!(Surface::through(&line).unwrap_err(), MapError::OnALine);
        let level: Vec<_> = (0..8).map(|i| one((f64::from(i), 1.0))).collect();
        assert_eq!(Surface::through(&level).unwrap_err(), MapError::OnALine);
        let mut bad = grid(&[1.0, 2.0, 3.0], &[1.0, 2.0], |_| Reading::exact(1.0));
        bad[2].1.value = f64::NAN;
        assert_eq!(Surface::through(&bad).unwrap_err(), MapError::NotFinite);
    }

    /// Against scikit-learn 1.9.1: `GaussianProcessRegressor` with `1.5² · Matern([0.4, 0.7], nu=2.5)` and, for a trend of
    /// which nothing is known beforehand, `1e7 + 1e7 · DotProduct(0)`; `alpha = 0.05² + 0.1²`.
    #[test]
    fn prediction_is_that_of_a_reference_library() {
        let holds = grid(&[0.0, 0.25, 0.5, 0.75, 1.0], &[0.0, 0.4, 1.0], |(x, y)| {
            Reading::new(10.0 * y + 2.0 * (3.0 * x).sin() - x * y, 0.05, 0.0)
        });
        let field = Field {
            variance: 1.5 * 1.5,
            length: (0.4, 0.7),
        };
        let surface = Surface::with(&holds, |_| (field, 0.1)).unwrap();
        for (place, mean, deviation) in [
            ((0.1, 0.2), 2.48089, 0.27078),
            ((0.6, 0.7), 8.56119, 0.36746),
            ((0.5, 0.4), 5.7999, 0.10861),
            ((0.95, 0.9), 8.62775, 0.25232),
        ] {
            let found = surface.at(place).unwrap();
            assert!((found.value - mean).abs() < 2e-5, "{place:?}: {found:?}");
            assert!(
                (found.random - deviation).abs() < 2e-5,
                "{place:?}: {found:?}"
            );
        }
    }

    /// The band widens between holds and at a hole in the grid, and what is common to all holds is common to the surface.
    #[test]
    fn the_band_grows_away_from_holds() {
        let wave = |(x, y): Place| Reading::new((1.5 * x).sin() + (1.5 * y).cos(), 0.005, 0.2);
        let mut holds = grid(&[0.0, 0.5, 1.0, 1.5, 2.0], &[0.0, 0.5, 1.0, 1.5], wave);
        let whole = Surface::through(&holds).unwrap();
        let at_hold = whole.at((1.0, 0.5)).unwrap();
        assert!(
            (at_hold.value - wave((1.0, 0.5)).value).abs() < 0.03,
            "{at_hold:?} {} {:?}",
            whole.scatter,
            whole.field
        );
        assert!((at_hold.common - 0.2).abs() < 0.01, "{at_hold:?}");
        let between = whole.at((1.25, 0.75)).unwrap();
        assert!(
            between.random > 1.5 * at_hold.random,
            "{between:?} {at_hold:?}"
        );
        holds.retain(|(place, _)| *place != (1.0, 0.5));
        let holed = Surface::through(&holds).unwrap();
        assert!(holed.at((1.0, 0.5)).unwrap().random > 3.0 * at_hold.random);
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
            let surface = Surface::through(&holds).unwrap();
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
