//! A sweep that a brake led, beside the last one of the same setup that went the other way.

use leverarm_config::display::DisplayUnit;
use leverarm_store::{PullId, PullState, StoreReader};
use leverarm_torque::comparison::words::decimals_for;
use leverarm_torque::directions::{Directions, directions};
use leverarm_vocabulary::load::{Step, StepList};

use crate::exclusion::exclusions;
use crate::plan::lists_read;
use crate::reduction::{CurveChoice, ReducedPull, ReductionError, reduce_pull};
use crate::setup_correction::pulls;

/// Sweeps further apart are not of one session, µs.
const TOGETHER_US: i64 = 24 * 3_600 * 1_000_000;

/// How a sweep agrees with one the other way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OtherWay {
    /// The pull that went the other way.
    pub pull: PullId,
    /// How they lie.
    pub found: Directions,
}

/// Whether a list sweeps up; none where it does not sweep.
fn rises(list: &StepList) -> Option<bool> {
    match list.steps.as_slice() {
        [
            ..,
            Step::Speed { rad_per_s },
            Step::Sweep { to_rad_per_s, .. },
        ] => Some(to_rad_per_s > rad_per_s),
        _ => None,
    }
}

/// The sweep nearest in time that went the other way with the same setup and throttle, and how both agree; none where the
/// pull is no sweep that was led, or there is no other.
///
/// # Errors
/// When the store can't be read.
pub fn other_way(
    reader: &StoreReader,
    reduced: &ReducedPull,
    choice: CurveChoice,
) -> Result<Option<OtherWay>, ReductionError> {
    let lists = lists_read(reader)?;
    let own = &reduced.pull;
    let Some((list, own_rises)) = lists
        .get(&own.id)
        .and_then(|list| Some((list, rises(list)?)))
    else {
        return Ok(None);
    };
    let excluded = exclusions(reader)?;
    let away_us = |started: i64| (started - own.started_wall_us).abs();
    let other = pulls(reader)?
        .into_iter()
        .filter(|pull| {
            let is_other = lists
                .get(&pull.id)
                .is_some_and(|it| it.throttle == list.throttle && rises(it) == Some(!own_rises));
            is_other
                && pull.setup == own.setup
                && pull.state == PullState::Stored
                && !excluded.contains_key(&pull.id)
                && away_us(pull.started_wall_us) < TOGETHER_US
        })
        .min_by_key(|pull| away_us(pull.started_wall_us));
    let Some(other) = other else {
        return Ok(None);
    };
    match reduce_pull(reader, other.id, choice) {
        Ok(curve) => Ok(
            directions(&reduced.curve, &curve.curve).map(|found| OtherWay {
                pull: other.id,
                found,
            }),
        ),
        Err(ReductionError::Store(error)) => Err(error.into()),
        // One that makes no curve has nothing to say.
        Err(_) => Ok(None),
    }
}

impl OtherWay {
    /// In words.
    #[must_use]
    pub fn words(&self, unit: DisplayUnit) -> String {
        let Directions {
            speeds,
            outside,
            mean_nm,
            lag_s,
        } = self.found;
        let mean = unit.difference(mean_nm);
        let decimals = decimals_for(mean.abs()).clamp(2, 3);
        let more = format!("{mean:+.decimals$} {}", unit.symbol);
        let pull = self.pull;
        if self.found.agree() {
            return format!(
                "swept up and down agree (pull {pull} went the other way): down reads {more} on average, within their bands \
                 at {} of {speeds} speeds",
                speeds - outside
            );
        }
        let cause = lag_s.map_or_else(
            || "heat, hysteresis of arm and load cell, or the rotor's inertia".to_owned(),
            |lag_s| {
                format!(
                    "a load cell that shows the force {:.0} ms late would do that",
                    1000.0 * lag_s
                )
            },
        );
        format!(
            "SWEPT UP AND DOWN DO NOT AGREE (pull {pull} went the other way): down reads {more} on average, outside their \
             bands at {outside} of {speeds} speeds: {cause}"
        )
    }
}
