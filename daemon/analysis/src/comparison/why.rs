//! Why setups differ: what the engines of the compared pulls tell.

use leverarm_torque::comparison::{Pair, Verdict};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_torque::engine::{
    Attribution, AttributionError, EnginePoint, Friction, LimitReport, Missing, MixtureCurve,
    PullTrace, TracePoint, attribute, estimated_friction_nm, limits, mean_points,
};
use leverarm_torque::uncertainty::Measured;

use super::{ComparedPull, EngineCurve, StoredComparison};

/// Why one setup differs from another.
#[derive(Debug, Clone, PartialEq)]
pub struct Why {
    /// Index of the first setup.
    pub first: usize,
    /// Index of the second.
    pub second: usize,
    /// Whether the answer is kept back, so that this is of the plain numbers.
    pub withheld: bool,
    /// The parts; the first range is all speeds, the others are those that differ.
    pub attribution: Result<Attribution, AttributionError>,
    /// Mean points of the two.
    pub points: [Vec<EnginePoint>; 2],
    /// What limits each.
    pub limits: [LimitReport; 2],
    /// Whether friction was measured; else it is estimated.
    pub friction_measured: bool,
    /// What was not measured, of both.
    pub missing: Vec<Missing>,
}

impl Why {
    /// Place of the range that tells most: the greatest mean difference among those that differ, or
    /// all speeds when none does.
    #[must_use]
    pub fn main_range(&self) -> Option<usize> {
        let regions = &self.attribution.as_ref().ok()?.regions;
        let size = |i: &usize| regions.get(*i).map_or(0.0, |r| r.parts.total.value.abs());
        (1..regions.len())
            .max_by(|a, b| size(a).total_cmp(&size(b)))
            .or_else(|| (!regions.is_empty()).then_some(0))
    }
}

/// Why the setups of a comparison differ, pair by pair; pulls that were compared without their engine
/// tell nothing.
#[must_use]
pub fn why(found: &StoredComparison) -> Vec<Why> {
    let comparison = &found.comparison;
    let whole = comparison.rpm.first().zip(comparison.rpm.last());
    let with_drift = comparison.drift.is_some_and(|drift| drift.removed);
    comparison
        .pairs
        .iter()
        .map(|pair| {
            let differing = pair
                .regions
                .iter()
                .filter(|region| matches!(region.verdict, Verdict::Higher | Verdict::Lower))
                .map(|region| (region.from_rpm, region.to_rpm));
            let whole = whole.map(|(from, to)| (*from, *to));
            let parts = differing.filter(|range| Some(*range) != whole);
            let ranges: Vec<(f64, f64)> = whole.into_iter().chain(parts).collect();
            why_of_pair(found, pair, &ranges, with_drift)
        })
        .collect()
}

fn why_of_pair(
    found: &StoredComparison,
    pair: &Pair,
    ranges: &[(f64, f64)],
    with_drift: bool,
) -> Why {
    let (first, second) = (pair.first, pair.second);
    let is_of = |pull: &ComparedPull, setup: usize| {
        let setup = found.setups.get(setup);
        setup.is_some_and(|setup| Some(setup.id) == pull.pull.setup)
    };
    let own: Vec<(usize, &ComparedPull, &EngineCurve)> = found
        .pulls
        .iter()
        .filter_map(|pull| Some((pull, pull.engine.as_ref()?)))
        .enumerate()
        .map(|(order, (pull, engine))| (order, pull, engine))
        .filter(|(_, pull, _)| is_of(pull, first) || is_of(pull, second))
        .collect();
    let traces: Vec<PullTrace> = own
        .iter()
        .map(|(order, pull, engine)| PullTrace {
            second: is_of(pull, second),
            order: *order as f64,
            points: (pull.curve.rpm.iter().zip(&pull.curve.torque_nm))
                .zip(&engine.points)
                .map(|((rpm, torque_nm), engine)| TracePoint {
                    rpm: *rpm,
                    torque_nm: *torque_nm,
                    volumetric_efficiency: engine.volumetric_efficiency,
                    lambda: engine.best_lambda(),
                })
                .collect(),
        })
        .collect();
    let measured: Vec<&Friction> = own
        .iter()
        .filter_map(|(_, _, engine)| engine.friction.as_ref())
        .collect();
    let model = found.stand.engine.model();
    let friction_nm = |rpm: f64| {
        let omega = rpm * RAD_PER_S_PER_RPM;
        let n = measured.len() as f64;
        if measured.is_empty() {
            return estimated_friction_nm(&model, omega).unwrap_or(Measured::exact(0.0));
        }
        let each: Vec<Measured> = measured.iter().map(|f| f.torque_nm(omega)).collect();
        let u = each
            .iter()
            .map(|m| m.standard_uncertainty)
            .fold(0.0, f64::max);
        Measured::new(each.iter().map(|m| m.value).sum::<f64>() / n, u)
    };
    let mean_of = |wanted: usize| {
        let each = own.iter().filter(|(_, pull, _)| is_of(pull, wanted));
        let each: Vec<Vec<EnginePoint>> = each.map(|(_, _, e)| e.points.clone()).collect();
        mean_points(&each)
    };
    let points = [mean_of(first), mean_of(second)];
    let ambient_pa = own
        .last()
        .map_or(Measured::exact(101_325.0), |(_, _, engine)| {
            engine.ambient_pa
        });
    let limits = points
        .each_ref()
        .map(|points| limits(points, &model, ambient_pa));
    let mut missing: Vec<Missing> = limits.iter().flat_map(|l| l.missing.clone()).collect();
    if measured.is_empty() {
        missing.push(Missing::Friction);
    }
    let mut seen = Vec::new();
    missing.retain(|m| {
        let new = !seen.contains(m);
        seen.push(*m);
        new
    });
    Why {
        first,
        second,
        withheld: !pair.ground.doubts.is_empty(),
        attribution: attribute(
            &traces,
            friction_nm,
            &MixtureCurve::default(),
            ranges,
            with_drift,
        ),
        points,
        limits,
        friction_measured: !measured.is_empty(),
        missing,
    }
}
