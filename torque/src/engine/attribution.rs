//! Why two setups differ: how much of the torque's difference is air, how much mixture, and what is
//! left.
//!
//! The work of a cycle is air drawn in, times work per mass of air; the second depends on the
//! mixture as [`MixtureCurve`] says. Both scale the work of the gas, which is what the crank gives
//! and what friction takes:
//!
//! `ΔT = (T + T_friction) · [Δ ln VE + Δ ln g(λ)] + rest`
//!
//! The rest is what neither explains: ignition, compression, friction, and what the curve of the
//! mixture is wrong by. Volumetric efficiency is on ambient air, and the torque is corrected, so the
//! weather is in neither.

use nalgebra::{DMatrix, DVector};

use super::{MixtureCurve, Reading, work_per_air};
use crate::comparison::Estimate;
use crate::comparison::two_sample::two_sided_factor;
use crate::uncertainty::Measured;

/// One speed of a pull.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// Engine speed.
    pub rpm: f64,
    /// Corrected torque, N·m.
    pub torque_nm: f64,
    /// Volumetric efficiency.
    pub volumetric_efficiency: Option<Reading>,
    /// Lambda.
    pub lambda: Option<Reading>,
}

/// A pull of one of the two setups.
#[derive(Debug, Clone, PartialEq)]
pub struct PullTrace {
    /// Whether it is one of the second setup.
    pub second: bool,
    /// Number of the pull in the test, or time: what drift runs along.
    pub order: f64,
    /// Its points, ascending, on the same grid of speeds as the other pulls'.
    pub points: Vec<TracePoint>,
}

/// What makes a difference of torque.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Origin {
    /// Air drawn in.
    Air,
    /// Mixture.
    Mixture,
    /// What neither explains.
    Rest,
}

impl Origin {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Air, Self::Mixture, Self::Rest];

    /// In words.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Air => "air",
            Self::Mixture => "mixture",
            Self::Rest => "rest",
        }
    }
}

/// Difference of torque and its parts, N·m, each with the half width of its 95 % interval. A part
/// that could not be measured is none, and is in the rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shares {
    /// All of it.
    pub total: Estimate,
    /// Through air.
    pub air: Option<Estimate>,
    /// Through mixture.
    pub mixture: Option<Estimate>,
    /// Neither.
    pub rest: Estimate,
}

/// What an attribution comes to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cause {
    /// There is no measurable difference, so there is nothing to explain.
    NoDifference,
    /// One part makes most of it, surely.
    Named(Origin),
    /// No part stands out of its uncertainty as the greatest.
    Open,
}

impl Shares {
    /// The part, where it was measured.
    #[must_use]
    pub const fn part(&self, part: Origin) -> Option<Estimate> {
        match part {
            Origin::Air => self.air,
            Origin::Mixture => self.mixture,
            Origin::Rest => Some(self.rest),
        }
    }

    /// A part over the whole, with the half width of its 95 % interval; none while the whole could be
    /// nothing.
    #[must_use]
    pub fn share(&self, part: Origin) -> Option<Estimate> {
        let found = self.part(part)?;
        let total = self.total;
        if total.value.abs() <= total.half_width {
            return None;
        }
        let value = found.value / total.value;
        let half_width =
            (found.half_width / total.value).hypot(value * total.half_width / total.value);
        Some(Estimate::new(value, half_width))
    }

    /// What did it.
    #[must_use]
    pub fn cause(&self) -> Cause {
        if self.total.value.abs() <= self.total.half_width {
            return Cause::NoDifference;
        }
        let sign = self.total.value.signum();
        let greatest = Origin::ALL
            .into_iter()
            .filter_map(|part| Some((part, self.part(part)?)))
            .map(|(part, found)| (part, sign * found.value, found.half_width))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match greatest {
            Some((part, value, half_width))
                if value > half_width && value > 0.5 * self.total.value.abs() =>
            {
                Cause::Named(part)
            }
            _ => Cause::Open,
        }
    }
}

/// The parts averaged over a range of speeds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RegionShares {
    /// First speed.
    pub from_rpm: f64,
    /// Last speed.
    pub to_rpm: f64,
    /// The parts.
    pub parts: Shares,
    /// Mean lambda of the first and of the second setup, where measured.
    pub lambda: Option<[f64; 2]>,
    /// Mean volumetric efficiency of the two, where measured.
    pub volumetric_efficiency: Option<[f64; 2]>,
}

/// Why two setups differ.
#[derive(Debug, Clone, PartialEq)]
pub struct Attribution {
    /// Speeds.
    pub rpm: Vec<f64>,
    /// Parts at each of them.
    pub parts: Vec<Shares>,
    /// Parts over each range asked for, in order.
    pub regions: Vec<RegionShares>,
}

/// Why there is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AttributionError {
    /// Too few pulls to know the scatter.
    #[error("{pulls} pulls leave too little to tell the scatter from, expected 4 or more")]
    TooFewPulls {
        /// Pulls.
        pulls: usize,
    },
    /// No speed that all pulls have.
    #[error("the pulls have no speeds in common")]
    NoCommonSpeeds,
}

/// How the difference of two setups is estimated from their pulls.
struct Contrast {
    /// Weight of each pull in the difference.
    weights: Vec<f64>,
    /// Maps values to residuals.
    residual: DMatrix<f64>,
    /// Variance of the difference over that of one pull.
    variance_ratio: f64,
    dof: f64,
}

impl Contrast {
    fn new(pulls: &[PullTrace], with_drift: bool) -> Option<Self> {
        let n = pulls.len();
        let middle = pulls.iter().map(|p| p.order).sum::<f64>() / n.max(1) as f64;
        let columns = if with_drift { 3 } else { 2 };
        let design = DMatrix::from_fn(n, columns, |row, column| {
            let pull = pulls.get(row);
            match column {
                0 => 1.0,
                1 => pull.map_or(0.0, |p| f64::from(u8::from(p.second))),
                _ => pull.map_or(0.0, |p| p.order - middle),
            }
        });
        let normal = (design.transpose() * &design).try_inverse()?;
        let solve = &normal * design.transpose();
        Some(Self {
            weights: solve.row(1).iter().copied().collect(),
            residual: DMatrix::identity(n, n) - &design * &solve,
            variance_ratio: normal.get((1, 1)).copied()?,
            dof: n.checked_sub(columns).filter(|dof| *dof > 0)? as f64,
        })
    }

    fn value(&self, values: &[f64]) -> f64 {
        self.weights.iter().zip(values).map(|(w, v)| w * v).sum()
    }

    /// Difference with the half width of its 95 % interval from scatter, and further contributions
    /// that are the same in all pulls (standard uncertainties).
    fn estimate(&self, values: &[f64], common: &[f64]) -> Estimate {
        let residuals = &self.residual * DVector::from_column_slice(values);
        let variance = residuals.norm_squared() / self.dof;
        let scatter = two_sided_factor(0.05, self.dof) * (variance * self.variance_ratio).sqrt();
        let common = 2.0 * common.iter().map(|c| c * c).sum::<f64>().sqrt();
        Estimate::new(self.value(values), scatter.hypot(common))
    }
}

/// Attributes the difference of two setups. `friction_nm` is the engine's friction torque over speed
/// in rpm; `ranges` are those to average over; with `with_drift` a straight line along `order` is
/// taken out, which needs a return to one of the setups.
///
/// # Errors
/// See [`AttributionError`].
pub fn attribute(
    pulls: &[PullTrace],
    friction_nm: impl Fn(f64) -> Measured,
    curve: &MixtureCurve,
    ranges: &[(f64, f64)],
    with_drift: bool,
) -> Result<Attribution, AttributionError> {
    let too_few = AttributionError::TooFewPulls { pulls: pulls.len() };
    let contrast = Contrast::new(pulls, with_drift)
        .or_else(|| Contrast::new(pulls, false))
        .ok_or(too_few)?;
    if contrast.dof < 2.0 {
        return Err(too_few);
    }
    let columns = common_columns(pulls);
    if columns.is_empty() {
        return Err(AttributionError::NoCommonSpeeds);
    }
    let work = Work {
        contrast,
        curve,
        columns: columns
            .into_iter()
            .map(|(rpm, points)| {
                let mean = points.iter().map(|p| p.torque_nm).sum::<f64>() / points.len() as f64;
                let friction = friction_nm(rpm);
                Column {
                    rpm,
                    work_nm: mean + friction.value,
                    work_u_nm: friction.standard_uncertainty,
                    points,
                }
            })
            .collect(),
        second: pulls.iter().map(|pull| pull.second).collect(),
    };
    let all: Vec<&Column> = work.columns.iter().collect();
    Ok(Attribution {
        rpm: all.iter().map(|c| c.rpm).collect(),
        parts: all.iter().map(|column| work.parts(&[column])).collect(),
        regions: ranges
            .iter()
            .filter_map(|(from, to)| {
                let inside = (from - 0.01)..=(to + 0.01);
                let columns: Vec<&Column> = all
                    .iter()
                    .copied()
                    .filter(|c| inside.contains(&c.rpm))
                    .collect();
                (!columns.is_empty()).then(|| RegionShares {
                    from_rpm: *from,
                    to_rpm: *to,
                    parts: work.parts(&columns),
                    lambda: work.means(&columns, |p| p.lambda),
                    volumetric_efficiency: work.means(&columns, |p| p.volumetric_efficiency),
                })
            })
            .collect(),
    })
}

/// Speeds that all pulls have, with each pull's point.
fn common_columns(pulls: &[PullTrace]) -> Vec<(f64, Vec<TracePoint>)> {
    let at = |pull: &PullTrace, rpm: f64| {
        let near = |p: &&TracePoint| (p.rpm - rpm).abs() < 0.01;
        pull.points.iter().find(near).copied()
    };
    let first = pulls.first().map_or(&[][..], |pull| &pull.points);
    first
        .iter()
        .filter_map(|point| {
            let all: Option<Vec<TracePoint>> =
                pulls.iter().map(|pull| at(pull, point.rpm)).collect();
            Some((point.rpm, all?))
        })
        .collect()
}

/// One speed with the points of all pulls.
struct Column {
    rpm: f64,
    /// Work of the gas, as a torque.
    work_nm: f64,
    /// Its standard uncertainty, from friction.
    work_u_nm: f64,
    points: Vec<TracePoint>,
}

struct Work<'a> {
    contrast: Contrast,
    curve: &'a MixtureCurve,
    columns: Vec<Column>,
    second: Vec<bool>,
}

impl Work<'_> {
    /// Mean over speeds of a value of each pull; none when one of them lacks it.
    fn mean_by_pull(
        &self,
        columns: &[&Column],
        value: impl Fn(&Column, &TracePoint) -> Option<f64>,
    ) -> Option<Vec<f64>> {
        (0..self.second.len())
            .map(|pull| {
                let each: Option<Vec<f64>> = columns
                    .iter()
                    .map(|column| value(column, column.points.get(pull)?))
                    .collect();
                let each = each?;
                Some(each.iter().sum::<f64>() / each.len().max(1) as f64)
            })
            .collect()
    }

    fn means(
        &self,
        columns: &[&Column],
        of: impl Fn(&TracePoint) -> Option<Reading>,
    ) -> Option<[f64; 2]> {
        let values = self.mean_by_pull(columns, |_, point| Some(of(point)?.value))?;
        let mean = |second: bool| {
            let own: Vec<f64> = values
                .iter()
                .zip(&self.second)
                .filter(|(_, s)| **s == second)
                .map(|(v, _)| *v)
                .collect();
            own.iter().sum::<f64>() / own.len().max(1) as f64
        };
        Some([mean(false), mean(true)])
    }

    /// Contribution through the mixture in N·m for each pull, with lambda off by `shift` and
    /// another curve.
    fn through_mixture(
        &self,
        columns: &[&Column],
        shift: f64,
        best: f64,
        loss: f64,
    ) -> Option<Vec<f64>> {
        self.mean_by_pull(columns, |column, point| {
            let lambda = point.lambda?.value;
            let covered = self.curve.covers(lambda);
            covered.then(|| column.work_nm * work_per_air(lambda + shift, best, loss).ln())
        })
    }

    fn parts(&self, columns: &[&Column]) -> Shares {
        let contrast = &self.contrast;
        let torque = self
            .mean_by_pull(columns, |_, point| Some(point.torque_nm))
            .unwrap_or_default();
        let total = contrast.estimate(&torque, &[]);
        // Friction is a scale on both parts.
        let scale_u = columns
            .iter()
            .map(|c| c.work_u_nm / c.work_nm.max(1e-9))
            .fold(0.0, f64::max);

        let air = self.mean_by_pull(columns, |column, point| {
            let ve = point.volumetric_efficiency?.value;
            (ve > 0.0).then(|| column.work_nm * ve.ln())
        });
        let (best, loss) = (self.curve.best, self.curve.loss);
        let mixture = self.through_mixture(columns, 0.0, best.value, loss.value);
        let value = |values: &Option<Vec<f64>>| {
            values.as_ref().map_or(0.0, |values| contrast.value(values))
        };
        let mixture_value = value(&mixture);
        let sensor_u = columns
            .iter()
            .flat_map(|c| &c.points)
            .filter_map(|p| Some(p.lambda?.common))
            .fold(0.0, f64::max);
        let moved = |shift: f64, best: f64, loss: f64| {
            value(&self.through_mixture(columns, shift, best, loss)) - mixture_value
        };
        let mixture_common = [
            moved(sensor_u, best.value, loss.value),
            moved(0.0, best.value + best.common, loss.value),
            moved(0.0, best.value, loss.value + loss.common),
            scale_u * mixture_value,
        ];
        let air_common = [scale_u * value(&air)];
        let rest: Vec<f64> = torque
            .iter()
            .enumerate()
            .map(|(pull, nm)| {
                let of = |values: &Option<Vec<f64>>| {
                    let value = values.as_ref().and_then(|values| values.get(pull));
                    value.copied().unwrap_or(0.0)
                };
                nm - of(&air) - of(&mixture)
            })
            .collect();
        let both = scale_u * (value(&air) + mixture_value);
        let [a, b, c, _] = mixture_common;
        Shares {
            total,
            air: air.map(|values| contrast.estimate(&values, &air_common)),
            mixture: mixture.map(|values| contrast.estimate(&values, &mixture_common)),
            rest: contrast.estimate(&rest, &[a, b, c, both]),
        }
    }
}
