//! Guards: rules that warn or cut, each with its debounce.

use leverarm_config::display::DisplayUnits;
use leverarm_config::{Guard, GuardAction, Quantity, Shaft, Signal, Stand, Watch};

use super::live::GuardLive;
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
    /// Its limit was taken to be below the present value, for a self-test.
    pub(super) forced: bool,
}

/// What a guard says that trips in a self-test.
const SELF_TEST: &str = "self-test: its limit was taken to be below the present value";

/// What goes on while a value is judged.
#[derive(Clone, Copy, Debug)]
pub(super) struct Context {
    /// Whether the engine pulls: it rises above the start speed, fast enough.
    pub(super) pulling: bool,
    /// Speed of the engine, where it is known.
    pub(super) engine_rad_per_s: Option<f64>,
}

impl Context {
    /// What a guard watches now; none while its limit goes with a speed that is not known.
    fn watch(&self, guard: &Guard) -> Option<Watch> {
        if guard.limit_by_speed.is_empty() {
            return Some(guard.watch);
        }
        let limit = guard.limit_at(self.engine_rad_per_s?);
        Some(match guard.watch {
            Watch::Above { signal, .. } => Watch::Above {
                signal,
                limit_si: limit.unwrap_or(f64::INFINITY),
            },
            Watch::Below { signal, .. } => Watch::Below {
                signal,
                limit_si: limit.unwrap_or(f64::NEG_INFINITY),
            },
            other => other,
        })
    }

    fn applies_to(&self, guard: &Guard) -> bool {
        self.pulling || !guard.while_pulling
    }
}

/// Shortest time over which a rate of rise is taken.
const RATE_S_MIN: f64 = 0.5;
/// A guard clears once its limit has been kept for so long without a break: a value that rests on
/// its limit does not fill the journal, and a cut is not released between two peaks.
const CLEAR_US: f64 = 500_000.0;

/// Times within are on the clock of the samples, board or host, always the same one for a guard.
#[derive(Debug)]
struct State {
    guard: Guard,
    /// What it watches, with the limit that holds now.
    watch: Watch,
    /// Since when the limit has been passed without a break.
    over_since_us: Option<f64>,
    /// Since when the limit has been kept without a break.
    within_since_us: Option<f64>,
    tripped: bool,
    rate_from: Option<(f64, f64)>,
    /// What is compared with the limit: for a rate of rise, the rate.
    value_si: Option<f64>,
}

/// What a guard makes of a value.
enum Finding {
    /// Fine.
    Within,
    /// The limit is passed.
    Passed,
    /// Can't tell yet; stays as it is.
    Unknown,
}

impl Finding {
    fn passed_if(passed: bool) -> Self {
        if passed { Self::Passed } else { Self::Within }
    }
}

#[derive(Debug)]
pub(super) struct GuardDesk {
    states: Vec<State>,
    texts: Texts,
    /// The guard whose limit is taken to be below the present value, for a self-test.
    forced: Option<usize>,
}

/// How values are put in words.
#[derive(Debug)]
struct Texts {
    units: DisplayUnits,
    quantities: Vec<Quantity>,
}

impl GuardDesk {
    pub(super) fn new(stand: &Stand) -> Self {
        let state = |guard: &Guard| State {
            guard: guard.clone(),
            watch: guard.watch,
            over_since_us: None,
            within_since_us: None,
            tripped: false,
            rate_from: None,
            value_si: None,
        };
        Self {
            states: stand.guards.iter().map(state).collect(),
            texts: Texts {
                units: stand.units,
                quantities: stand.channels.iter().map(|c| c.quantity).collect(),
            },
            forced: None,
        }
    }

    /// Takes the limit of one guard to be below the present value, for a self-test.
    pub(super) fn force(&mut self, index: usize) {
        self.forced = Some(index);
    }

    /// All limits are the stand file's again. What tripped by the self-test is over: if there is a
    /// reason besides, the next value tells.
    pub(super) fn unforce(&mut self) -> Option<Verdict> {
        let state = self.states.get_mut(self.forced.take()?)?;
        state.over_since_us = None;
        state.within_since_us = None;
        std::mem::take(&mut state.tripped)
            .then(|| state.verdict("the self-test is over".to_owned()))
    }

    pub(super) fn is_tripped(&self, index: usize) -> bool {
        self.states.get(index).is_some_and(|state| state.tripped)
    }

    /// The clock of the samples begins again. What tripped stays so until it is seen to be over.
    pub(super) fn begin(&mut self) {
        for state in &mut self.states {
            state.over_since_us = None;
            state.within_since_us = None;
            state.rate_from = None;
        }
    }

    /// Name of a cutting guard that still sees a reason.
    pub(super) fn tripped_cut(&self) -> Option<&str> {
        self.states
            .iter()
            .find(|s| s.tripped && s.guard.action == GuardAction::Cut)
            .map(|s| s.guard.name.as_str())
    }

    /// A signal has a new value, at `at_us` of the board's time.
    pub(super) fn check(
        &mut self,
        signal: Signal,
        value: &Value,
        at_us: f64,
        context: Context,
    ) -> Vec<Verdict> {
        let mut verdicts = Vec::new();
        for (index, state) in self.states.iter_mut().enumerate() {
            let si = value.si();
            let forced = self.forced == Some(index) && *value != Value::Unknown;
            let watch = match context.watch(&state.guard) {
                Some(watch) => watch,
                None if forced => state.guard.watch,
                None => continue, // its limit goes with a speed that is not known
            };
            state.watch = watch;
            let finding = match watch {
                Watch::Overspeed {
                    shaft,
                    limit_rad_per_s,
                } if signal == Signal::Speed(shaft) => above(si, limit_rad_per_s),
                Watch::OverTemperature { channel, limit_k }
                    if signal == Signal::Channel(channel) =>
                {
                    above(si, limit_k)
                }
                Watch::Above {
                    signal: watched,
                    limit_si,
                } if signal == watched => above(si, limit_si),
                Watch::Below {
                    signal: watched,
                    limit_si,
                } if signal == watched => below(si, limit_si),
                Watch::SensorLost { signal: watched }
                    if signal == watched && !matches!(signal, Signal::Speed(_)) =>
                {
                    match value {
                        Value::Lost(..) => Finding::Passed,
                        Value::Good(_) => Finding::Within,
                        Value::Unknown => Finding::Unknown,
                    }
                }
                Watch::RateOfRise {
                    signal: watched,
                    limit_si_per_s,
                } if signal == watched => state.rate(value, at_us, limit_si_per_s),
                _ => continue,
            };
            // Outside of a pull there is nothing to find, and what tripped is over.
            let finding = if !context.applies_to(&state.guard) {
                Finding::Within
            } else {
                finding
            };
            if !matches!(watch, Watch::RateOfRise { .. }) {
                state.value_si = si;
            }
            let texts = &self.texts;
            let finding = if forced { Finding::Passed } else { finding };
            let verdict = state.settle(finding, at_us, |watch, si| match value {
                _ if forced => SELF_TEST.to_owned(),
                Value::Lost(why, _) if matches!(watch, Watch::SensorLost { .. }) => why.clone(),
                _ => texts.passed(watch, signal, si),
            });
            verdicts.extend(verdict.map(|verdict| Verdict { forced, ..verdict }));
        }
        verdicts
    }

    /// Guards that time alone can trip or clear: stale data, and teeth that stayed away. Whether
    /// data is stale, the host's clock tells; the teeth of a board that is not heard are not
    /// missing, so `tick`, the newest heard, tells of them.
    pub(super) fn check_ages(
        &mut self,
        signals: &Signals,
        mono_us: u64,
        tick: Option<u64>,
    ) -> Vec<Verdict> {
        let mut verdicts = Vec::new();
        let board_us = tick.and_then(|tick| signals.board_us(tick));
        for (index, state) in self.states.iter_mut().enumerate() {
            let (finding, at_us) = match (state.guard.watch, tick, board_us) {
                (Watch::StaleData { signal, age_ms_max }, ..) => {
                    let age_ms = signals.age_ms(signal, mono_us);
                    state.value_si = age_ms.map(|age| age * 1e-3);
                    let finding = match age_ms {
                        Some(age) if age > f64::from(age_ms_max) => {
                            Finding::passed_if(!is_at_rest(signals, signal, mono_us))
                        }
                        Some(_) => Finding::Within,
                        None => Finding::Unknown,
                    };
                    (finding, mono_us as f64)
                }
                (
                    Watch::SensorLost {
                        signal: Signal::Speed(shaft),
                    },
                    Some(tick),
                    Some(board_us),
                ) => {
                    let lost = signals.teeth_lost(shaft, tick);
                    (lost.map_or(Finding::Unknown, Finding::passed_if), board_us)
                }
                (
                    Watch::Overspeed {
                        shaft,
                        limit_rad_per_s: limit,
                    }
                    | Watch::Above {
                        signal: Signal::Speed(shaft),
                        limit_si: limit,
                    },
                    Some(tick),
                    Some(board_us),
                ) => {
                    // Teeth that stay away can only clear it.
                    state.value_si = signals.speed_at(shaft, tick);
                    let finding = match state.value_si {
                        Some(now) if now <= limit => Finding::Within,
                        _ => Finding::Unknown,
                    };
                    (finding, board_us)
                }
                _ => continue,
            };
            let texts = &self.texts;
            // At standstill no teeth come: that there are none is what such a guard can be told.
            let forced = self.forced == Some(index);
            let finding = if forced { Finding::Passed } else { finding };
            let verdict = state.settle(finding, at_us, |watch, si| {
                if forced {
                    SELF_TEST.to_owned()
                } else {
                    texts.silent(watch, si)
                }
            });
            verdicts.extend(verdict.map(|verdict| Verdict { forced, ..verdict }));
        }
        verdicts
    }

    pub(super) fn live(&self) -> Vec<GuardLive> {
        self.states
            .iter()
            .map(|state| {
                let limit_si = limit_of(&state.watch);
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

impl Texts {
    /// What a passed limit says.
    fn passed(&self, watch: &Watch, signal: Signal, si: Option<f64>) -> String {
        let show = |si: Option<f64>| si.map_or_else(String::new, |si| self.value(signal, si));
        match *watch {
            Watch::Overspeed {
                limit_rad_per_s: limit,
                ..
            }
            | Watch::OverTemperature { limit_k: limit, .. }
            | Watch::Above {
                limit_si: limit, ..
            } => format!("{} is above {}", show(si), show(Some(limit))),
            Watch::Below { limit_si, .. } => {
                format!("{} is below {}", show(si), show(Some(limit_si)))
            }
            Watch::RateOfRise { limit_si_per_s, .. } => format!(
                "rises by {:.3} per second (SI), more than {limit_si_per_s:.3}",
                si.unwrap_or(f64::NAN)
            ),
            Watch::StaleData { .. } | Watch::SensorLost { .. } => self.silent(watch, si),
        }
    }

    /// What silence says.
    fn silent(&self, watch: &Watch, si: Option<f64>) -> String {
        match *watch {
            Watch::StaleData { .. } => {
                format!("nothing new for {:.0} ms", si.unwrap_or(0.0) * 1e3)
            }
            Watch::SensorLost {
                signal: Signal::Speed(shaft),
            } => {
                let shaft = match shaft {
                    Shaft::Drum => "drum",
                    Shaft::Engine => "engine",
                };
                format!(
                    "the teeth ended sooner than the shaft can stop; turn the {shaft} by hand \
                     until its teeth are seen again"
                )
            }
            _ => "the sensor is lost".to_owned(),
        }
    }

    fn value(&self, signal: Signal, si: f64) -> String {
        match signal {
            Signal::Speed(Shaft::Drum) => format!("{:.0} rpm at the drum", rpm(si)),
            Signal::Speed(Shaft::Engine) => format!("{:.0} rpm at the engine", rpm(si)),
            Signal::LoadCell => format!("{si:.1} N"),
            Signal::Board => format!("{si:.3} s"),
            Signal::Channel(id) => self.quantities.get(id.0).map_or_else(
                || format!("{si:.3}"),
                |quantity| quantity.display_unit(&self.units).text(si, 1),
            ),
        }
    }
}

/// A speed signal at standstill is not stale: no teeth come from a wheel that does not turn.
fn is_at_rest(signals: &Signals, signal: Signal, mono_us: u64) -> bool {
    match signal {
        Signal::Speed(shaft) => !signals.teeth_stale(shaft, mono_us),
        _ => false,
    }
}

fn limit_of(watch: &Watch) -> Option<f64> {
    match *watch {
        Watch::Overspeed {
            limit_rad_per_s, ..
        } => Some(limit_rad_per_s),
        Watch::OverTemperature { limit_k, .. } => Some(limit_k),
        // Where a table has no limit there is none to show.
        Watch::Above { limit_si, .. } | Watch::Below { limit_si, .. } => {
            limit_si.is_finite().then_some(limit_si)
        }
        Watch::StaleData { age_ms_max, .. } => Some(f64::from(age_ms_max) * 1e-3),
        Watch::RateOfRise { limit_si_per_s, .. } => Some(limit_si_per_s),
        Watch::SensorLost { .. } => None,
    }
}

fn rpm(rad_per_s: f64) -> f64 {
    rad_per_s / leverarm_torque::curve::RAD_PER_S_PER_RPM
}

fn above(si: Option<f64>, limit: f64) -> Finding {
    si.map_or(Finding::Unknown, |si| Finding::passed_if(si > limit))
}

fn below(si: Option<f64>, limit: f64) -> Finding {
    si.map_or(Finding::Unknown, |si| Finding::passed_if(si < limit))
}

impl State {
    fn rate(&mut self, value: &Value, at_us: f64, limit_per_s: f64) -> Finding {
        let Value::Good(si) = *value else {
            self.rate_from = None;
            return Finding::Unknown;
        };
        let Some((from_us, from_si)) = self.rate_from else {
            self.rate_from = Some((at_us, si));
            return Finding::Unknown;
        };
        let seconds = (at_us - from_us) * 1e-6;
        if seconds < RATE_S_MIN {
            return Finding::Unknown;
        }
        let rate = (si - from_si) / seconds;
        self.rate_from = Some((at_us, si));
        self.value_si = Some(rate);
        Finding::passed_if(rate > limit_per_s)
    }

    /// Takes a finding into account; a verdict is due when the guard trips or clears.
    fn settle(
        &mut self,
        finding: Finding,
        at_us: f64,
        message: impl FnOnce(&Watch, Option<f64>) -> String,
    ) -> Option<Verdict> {
        let (since_us, wait_us, trips) = match finding {
            Finding::Unknown => return None,
            Finding::Within => {
                self.over_since_us = None;
                let since_us = *self.within_since_us.get_or_insert(at_us);
                (since_us, CLEAR_US, false)
            }
            Finding::Passed => {
                self.within_since_us = None;
                let since_us = *self.over_since_us.get_or_insert(at_us);
                (since_us, f64::from(self.guard.debounce_ms) * 1e3, true)
            }
        };
        if self.tripped == trips || at_us - since_us < wait_us {
            return None;
        }
        self.tripped = trips;
        Some(self.verdict(if trips {
            message(&self.watch, self.value_si)
        } else {
            "within its limit again".to_owned()
        }))
    }

    fn verdict(&self, message: String) -> Verdict {
        Verdict {
            name: self.guard.name.clone(),
            action: self.guard.action,
            tripped: self.tripped,
            message,
            value_si: self.value_si,
            limit_si: limit_of(&self.watch),
            forced: false,
        }
    }

    /// How near the value is to the limit: 0 far, 1 at it. Temperatures count from 20 degC.
    fn nearness(&self) -> Option<f64> {
        let value = self.value_si?;
        let near = match self.watch {
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
