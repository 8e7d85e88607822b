//! Guards: rules that warn or cut, each with its debounce.

use leverarm_config::{Guard, GuardAction, Shaft, Signal, Stand, Watch};

use super::live::{GuardLive, PullPhase};
use super::signals::{Signals, Value};

/// A guard that tripped or cleared.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Verdict {
    pub(super) name: String,
    pub(super) action: GuardAction,
    pub(super) tripped: bool,
    pub(super) message: String,
    pub(super) value_si: Option<f64>,
    pub(super) limit_si: Option<f64>,
}

/// Shortest time over which a rate of rise is taken.
const RATE_S_MIN: f64 = 0.5;

#[derive(Debug)]
struct State {
    guard: Guard,
    /// Since when the limit has been passed without a break, on the clock of the samples.
    over_since_us: Option<f64>,
    tripped: bool,
    rate_from: Option<(f64, f64)>,
    value_si: Option<f64>,
}

/// What a guard makes of a value.
enum Finding {
    /// Fine.
    Within,
    /// The limit is passed: in words.
    Passed(String),
    /// Can't tell yet; stays as it is.
    Unknown,
}

#[derive(Debug)]
pub(super) struct GuardDesk {
    states: Vec<State>,
    units: leverarm_config::display::DisplayUnits,
    quantities: Vec<leverarm_config::Quantity>,
}

impl GuardDesk {
    pub(super) fn new(stand: &Stand) -> Self {
        let state = |guard: &Guard| State {
            guard: guard.clone(),
            over_since_us: None,
            tripped: false,
            rate_from: None,
            value_si: None,
        };
        Self {
            states: stand.guards.iter().map(state).collect(),
            units: stand.units,
            quantities: stand.channels.iter().map(|c| c.quantity).collect(),
        }
    }

    /// Name of a cutting guard that still sees a reason.
    pub(super) fn tripped_cut(&self) -> Option<&str> {
        self.states
            .iter()
            .find(|s| s.tripped && s.guard.action == GuardAction::Cut)
            .map(|s| s.guard.name.as_str())
    }

    /// A signal has a new value, at `at_us` on the clock of its samples.
    pub(super) fn check(
        &mut self,
        signal: Signal,
        value: Value,
        at_us: f64,
        _phase: PullPhase,
    ) -> Vec<Verdict> {
        let mut verdicts = Vec::new();
        let (units, quantities) = (self.units, &self.quantities);
        for state in &mut self.states {
            let show = |signal: Signal, si: f64| text_of(signal, si, &units, quantities);
            let finding = match state.guard.watch {
                Watch::Overspeed {
                    shaft,
                    limit_rad_per_s,
                } if signal == Signal::Speed(shaft) => {
                    above(&value, limit_rad_per_s, |si| show(signal, si))
                }
                Watch::OverTemperature { channel, limit_k }
                    if signal == Signal::Channel(channel) =>
                {
                    above(&value, limit_k, |si| show(signal, si))
                }
                Watch::Above {
                    signal: watched,
                    limit_si,
                } if signal == watched => above(&value, limit_si, |si| show(signal, si)),
                Watch::Below {
                    signal: watched,
                    limit_si,
                } if signal == watched => below(&value, limit_si, |si| show(signal, si)),
                Watch::SensorLost { signal: watched } if signal == watched => match &value {
                    Value::Lost(why, _) => Finding::Passed(why.clone()),
                    Value::Good(_) if !matches!(signal, Signal::Speed(_)) => Finding::Within,
                    _ => Finding::Unknown,
                },
                Watch::RateOfRise {
                    signal: watched,
                    limit_si_per_s,
                } if signal == watched => rate(state, &value, at_us, limit_si_per_s),
                _ => continue,
            };
            state.value_si = value.si();
            verdicts.extend(state.settle(finding, at_us));
        }
        verdicts
    }

    /// Guards that time alone can trip: stale data, and teeth that stayed away.
    pub(super) fn check_ages(
        &mut self,
        signals: &mut Signals,
        mono_us: u64,
        _tick: Option<u64>,
        _phase: PullPhase,
    ) -> Vec<Verdict> {
        let mut verdicts = Vec::new();
        for state in &mut self.states {
            let finding = match state.guard.watch {
                Watch::StaleData { signal, age_ms_max } => match signals.age_ms(signal, mono_us) {
                    Some(age)
                        if age > f64::from(age_ms_max) && !at_rest(signals, signal, mono_us) =>
                    {
                        state.value_si = Some(age * 1e-3);
                        Finding::Passed(format!("nothing new for {age:.0} ms"))
                    }
                    Some(age) => {
                        state.value_si = Some(age * 1e-3);
                        Finding::Within
                    }
                    None => Finding::Unknown,
                },
                Watch::SensorLost {
                    signal: Signal::Speed(shaft),
                } => {
                    if signals.teeth_lost(shaft, mono_us) {
                        Finding::Passed("the teeth ended sooner than the shaft can stop".to_owned())
                    } else {
                        Finding::Within
                    }
                }
                Watch::Overspeed { shaft, .. } => {
                    // The speed falls when teeth stay away, so that the guard can clear.
                    state.value_si = signals.speed_now(shaft, mono_us);
                    match (&state.guard.watch, state.value_si) {
                        (
                            Watch::Overspeed {
                                limit_rad_per_s, ..
                            },
                            Some(now),
                        ) if now <= *limit_rad_per_s => Finding::Within,
                        _ => Finding::Unknown,
                    }
                }
                _ => continue,
            };
            verdicts.extend(state.settle(finding, mono_us as f64));
        }
        verdicts
    }

    pub(super) fn live(&self) -> Vec<GuardLive> {
        self.states
            .iter()
            .map(|state| {
                let limit_si = limit_of(&state.guard.watch);
                GuardLive {
                    name: state.guard.name.clone(),
                    cuts: state.guard.action == GuardAction::Cut,
                    tripped: state.tripped,
                    nearness: state.nearness(),
                    value_si: state.value_si,
                    limit_si,
                }
            })
            .collect()
    }
}

/// A speed signal at standstill is not stale: no teeth come from a wheel that does not turn.
fn at_rest(signals: &Signals, signal: Signal, mono_us: u64) -> bool {
    match signal {
        Signal::Speed(shaft) => !signals.teeth_lost(shaft, mono_us),
        _ => false,
    }
}

fn limit_of(watch: &Watch) -> Option<f64> {
    match *watch {
        Watch::Overspeed {
            limit_rad_per_s, ..
        } => Some(limit_rad_per_s),
        Watch::OverTemperature { limit_k, .. } => Some(limit_k),
        Watch::Above { limit_si, .. } | Watch::Below { limit_si, .. } => Some(limit_si),
        Watch::StaleData { age_ms_max, .. } => Some(f64::from(age_ms_max) * 1e-3),
        Watch::RateOfRise { limit_si_per_s, .. } => Some(limit_si_per_s),
        Watch::SensorLost { .. } => None,
    }
}

fn text_of(
    signal: Signal,
    si: f64,
    units: &leverarm_config::display::DisplayUnits,
    quantities: &[leverarm_config::Quantity],
) -> String {
    match signal {
        Signal::Speed(Shaft::Drum) => format!("{:.0} rpm at the drum", rpm(si)),
        Signal::Speed(Shaft::Engine) => format!("{:.0} rpm at the engine", rpm(si)),
        Signal::LoadCell => format!("{si:.1} N"),
        Signal::Board => format!("{si:.3} s"),
        Signal::Channel(id) => quantities.get(id.0).map_or_else(
            || format!("{si:.3}"),
            |quantity| quantity.display_unit(units).text(si, 1),
        ),
    }
}

fn rpm(rad_per_s: f64) -> f64 {
    rad_per_s / leverarm_torque::curve::RAD_PER_S_PER_RPM
}

fn above(value: &Value, limit: f64, show: impl Fn(f64) -> String) -> Finding {
    match value.si() {
        Some(si) if si > limit => Finding::Passed(format!("{} is above {}", show(si), show(limit))),
        Some(_) => Finding::Within,
        None => Finding::Unknown,
    }
}

fn below(value: &Value, limit: f64, show: impl Fn(f64) -> String) -> Finding {
    match value.si() {
        Some(si) if si < limit => Finding::Passed(format!("{} is below {}", show(si), show(limit))),
        Some(_) => Finding::Within,
        None => Finding::Unknown,
    }
}

fn rate(state: &mut State, value: &Value, at_us: f64, limit_per_s: f64) -> Finding {
    let Value::Good(si) = *value else {
        state.rate_from = None;
        return Finding::Unknown;
    };
    let Some((from_us, from_si)) = state.rate_from else {
        state.rate_from = Some((at_us, si));
        return Finding::Unknown;
    };
    let seconds = (at_us - from_us) * 1e-6;
    if seconds < RATE_S_MIN {
        return Finding::Unknown;
    }
    state.rate_from = Some((at_us, si));
    let rate = (si - from_si) / seconds;
    if rate > limit_per_s {
        Finding::Passed(format!(
            "rises by {rate:.3} per second (SI), more than {limit_per_s:.3}"
        ))
    } else {
        Finding::Within
    }
}

impl State {
    fn settle(&mut self, finding: Finding, at_us: f64) -> Option<Verdict> {
        let (tripped, message) = match finding {
            Finding::Unknown => return None,
            Finding::Within => {
                self.over_since_us = None;
                (false, "within its limit again".to_owned())
            }
            Finding::Passed(message) => {
                let since = *self.over_since_us.get_or_insert(at_us);
                let due = at_us - since >= f64::from(self.guard.debounce_ms) * 1e3;
                if !due {
                    return None;
                }
                (true, message)
            }
        };
        (self.tripped != tripped).then(|| {
            self.tripped = tripped;
            Verdict {
                name: self.guard.name.clone(),
                action: self.guard.action,
                tripped,
                message,
                value_si: self.value_si,
                limit_si: limit_of(&self.guard.watch),
            }
        })
    }

    /// How near the value is to the limit: 0 far, 1 at it. Temperatures count from 20 degC.
    fn nearness(&self) -> Option<f64> {
        let value = self.value_si?;
        let near = match self.guard.watch {
            Watch::Overspeed {
                limit_rad_per_s, ..
            } => value / limit_rad_per_s,
            Watch::OverTemperature { limit_k, .. } => (value - 293.15) / (limit_k - 293.15),
            Watch::Above { limit_si, .. } if limit_si > 0.0 => value / limit_si,
            Watch::Below { limit_si, .. } if value > 0.0 => limit_si / value,
            Watch::StaleData { age_ms_max, .. } => value * 1e3 / f64::from(age_ms_max.max(1)),
            _ => return None,
        };
        near.is_finite().then(|| near.max(0.0))
    }
}
