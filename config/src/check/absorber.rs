//! What an absorber can hold, how fast it is, and what follows for the loop.

use std::f64::consts::PI;

use leverarm_load::absorber::{Absorber, COOL_K, Follows, Output, WithoutPower};
use leverarm_load::reach::{Reach, reach};
use leverarm_load::tuning::{Gains, Margins, Plant, simc_integrating};

use super::Caution;
use crate::display::RPM;
use crate::stand::{Shaft, Stand};

/// Steps of the loop a second, of the reference firmware.
const LOOP_HZ: f64 = 1_000.0;
/// A throttle that is snapped open should not take the speed further off (our judgement).
const SNAP_MAX: f64 = 0.12;

/// What a stand's absorber amounts to. Speeds are the engine's.
#[derive(Clone, Debug, PartialEq)]
pub struct AbsorberSummary {
    /// Against the engine, cold and as hot as allowed; `None` when the file does not say what engine.
    pub reach: Option<(Reach, Reach)>,
    /// Time constant of small changes, s.
    pub lag_s: f64,
    /// Time to let go, s.
    pub release_s: f64,
    /// Power that it takes for ever, W.
    pub lasting_w: f64,
    /// Time until it is too hot under the engine's greatest power, s; `None`: never, or no engine.
    pub lasts_s: Option<f64>,
    /// What the loop makes of it in the middle of a pull's speeds; `None` without an inertia.
    pub loop_at: Option<LoopAt>,
}

/// The loop at a speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopAt {
    /// Speed of the engine, rad/s.
    pub engine_rad_per_s: f64,
    /// Engine and absorber, as the loop sees them, the absorber's lag taken as dead time.
    pub plant: Plant,
    /// Gains by the rule, at the absorber.
    pub gains: Gains,
    /// Margins that they leave.
    pub margins: Option<Margins>,
    /// What the engine's speed gains in a second when the load is lost, as a share of it; `None` without an engine.
    pub runs_away_per_s: Option<f64>,
}

impl LoopAt {
    /// How far a throttle that is snapped takes the speed off, as a share: it goes on until the loop has seen it and the
    /// absorber has followed. On the software stand's brakes that is right within a fifth.
    fn snap(&self) -> Option<f64> {
        self.runs_away_per_s.map(|share| share * self.plant.delay_s)
    }
}

impl Stand {
    pub(super) fn absorber_summary(&self) -> Option<AbsorberSummary> {
        let stated = self.absorber.as_ref()?;
        let it: &Absorber = &stated.absorber;
        let ratio = self.drive.engine_per_drum.value;
        let engine: Vec<(f64, f64)> = stated
            .engine_torque
            .iter()
            .map(|(speed, torque_nm)| (speed / ratio, torque_nm * ratio))
            .collect();
        let at_crank = |mut reach: Reach| {
            for range in reach.holds.iter_mut().chain(&mut reach.stalls) {
                *range = (range.0 * ratio, range.1 * ratio);
            }
            reach
        };
        let hot = it.heat.left(it.heat.temperature_max_k, COOL_K);
        let reach = (!engine.is_empty()).then(|| {
            (
                at_crank(reach(it, &engine, 1.0)),
                at_crank(reach(it, &engine, hot)),
            )
        });
        let lasts_s = reach
            .as_ref()
            .and_then(|(cold, _)| it.heat.lasts_s(cold.power_w, COOL_K));
        Some(AbsorberSummary {
            lag_s: it.follows.lag_s(),
            release_s: it.follows.release_s(),
            lasting_w: it.heat.lasting_w(COOL_K),
            lasts_s,
            loop_at: self.loop_at(it, &engine),
            reach,
        })
    }

    fn loop_at(&self, absorber: &Absorber, engine: &[(f64, f64)]) -> Option<LoopAt> {
        let ratio = self.drive.engine_per_drum.value;
        let drum_kg_m2 = self.drum.as_ref()?.inertia_kg_m2.value;
        let inertia_kg_m2 = drum_kg_m2 + ratio * ratio * self.engine.inertia_kg_m2.value;
        let engine_rad_per_s = 0.5 * (self.pull.start_rad_per_s + self.pull.end_rad_per_s);
        let drum_rad_per_s = engine_rad_per_s / ratio;
        // Half a firing interval, of an engine whose cylinders fire evenly, and two steps.
        let firings_per_turn = self.engine.cycles_per_turn * f64::from(self.engine.cylinders);
        let measured_s = PI / (engine_rad_per_s * firings_per_turn) + 2.0 / LOOP_HZ;
        let plant = Plant {
            per_inertia: 1.0 / inertia_kg_m2,
            delay_s: measured_s + absorber.follows.lag_s(),
        };
        let gains = simc_integrating(&plant, plant.delay_s);
        let torque_nm = leverarm_load::absorber::between(engine, drum_rad_per_s);
        Some(LoopAt {
            engine_rad_per_s,
            margins: plant.margins(&gains),
            gains,
            runs_away_per_s: (!engine.is_empty())
                .then(|| torque_nm / inertia_kg_m2 / drum_rad_per_s),
            plant,
        })
    }
}

impl super::Summary<'_> {
    pub(super) fn absorber_cautions(&self, cautions: &mut Vec<Caution>) {
        let Some(found) = &self.absorber else { return };
        let mut add = |key, text| cautions.push(Caution { key, text });
        match &found.reach {
            Some((cold, hot)) => {
                for (reach, state) in [(cold, "cold"), (hot, "hot")] {
                    if !reach.stalls.is_empty() {
                        add(
                            "absorber.full_torque",
                            format!(
                                "the engine is stronger than it {}, {state}: there it can't be held, and runs on up",
                                ranges(&reach.stalls)
                            ),
                        );
                        break;
                    }
                }
            }
            None => add(
                "absorber.engine_torque",
                "without it nobody can tell where the absorber holds the engine".to_owned(),
            ),
        }
        if let Some(lasts_s) = found.lasts_s
            && lasts_s < 60.0
        {
            add(
                "absorber.heat_capacity",
                format!("at the engine's greatest power it is too hot after {lasts_s:.0} s"),
            );
        }
        match &found.loop_at {
            None => add(
                "drum.inertia",
                "without the absorber's own inertia no gains follow for its loop".to_owned(),
            ),
            Some(at) => {
                if self.stand.engine.inertia_kg_m2.value == 0.0 {
                    add(
                        "engine.inertia",
                        "the loop counts without it: turned up by the drive it is often as much as a brake's own, and a loop that \
                         takes the stand for lighter is too soft, and late to find a lost load"
                            .to_owned(),
                    );
                }
                if let Some(snap) = at.snap().filter(|snap| *snap > SNAP_MAX) {
                    add(
                        "absorber.time_constant",
                        format!(
                            "a throttle snapped open takes the speed some {:.0} % off before it follows: a faster \
                             valve or driver, or more inertia",
                            100.0 * snap
                        ),
                    );
                }
            }
        }
        if let Some(stated) = &self.stand.absorber
            && stated.absorber.output == Output::Stepper
        {
            if !matches!(stated.absorber.follows, Follows::Valve { .. }) {
                add(
                    "absorber.output",
                    "a stepper turns a valve; a coil or a generator is not set by steps".to_owned(),
                );
            }
            if stated.absorber.without_power != WithoutPower::Stays {
                add(
                    "absorber.without_power",
                    "a stepper's valve stays where it is without power, unless a spring that is stronger than the motor \
                     at rest moves it"
                        .to_owned(),
                );
            }
        }
        if self
            .stand
            .pickups
            .iter()
            .all(|pickup| pickup.shaft != Shaft::Drum)
        {
            add(
                "pickup",
                "the loop needs a pickup on the absorber's shaft, and on the board's first input"
                    .to_owned(),
            );
        }
    }
}

/// Ranges of speeds in words: "from 2000 to 3000 rpm and from 8000 to 9000 rpm".
pub(super) fn ranges(ranges: &[(f64, f64)]) -> String {
    let each: Vec<String> = ranges
        .iter()
        .map(|(low, high)| format!("from {:.0} to {}", RPM.number(*low), RPM.text(*high, 0)))
        .collect();
    each.join(" and ")
}
