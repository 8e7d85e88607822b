//! Guards: rules that warn or cut, each with its debounce.

use leverarm_config::display::DisplayUnits;
use leverarm_config::{Channel, Guard, GuardAction, Shaft, Signal, Stand, Watch, WhenLost};

use super::live::GuardLive;
use super::signals::Signals;
use leverarm_values::Value;

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
    /// Speed of the engine, while the pickup that tells it is known to work.
    pub(super) engine_rad_per_s: Option<f64>,
}

impl Context {
    /// What a guard watches now. A limit that goes with a speed is at its strictest while that speed
    /// is not known.
    fn watch(&self, guard: &Guard) -> Watch {
        if guard.limit_by_speed.is_empty() {
            return guard.watch;
        }
        let limit = match self.engine_rad_per_s {
            Some(speed) => guard.limit_at(speed),
            None => guard.strictest_limit(),
        };
        match guard.watch {
            Watch::Above { signal, .. } => Watch::Above {
                signal,
                limit_si: limit.unwrap_or(f64::INFINITY),
            },
            Watch::Below { signal, .. } => Watch::Below {
                signal,
                limit_si: limit.unwrap_or(f64::NEG_INFINITY),
            },
            other => other,
        }
    }

    fn applies_to(&self, guard: &Guard) -> bool {
        is_watching(guard, self.pulling)
    }
}

fn is_watching(guard: &Guard, pulling: bool) -> bool {
    pulling || !guard.while_pulling
}

/// Shortest time over which a rate of rise is taken.
const RATE_S_MIN: f64 = 0.5;
/// A guard clears once its limit has been kept for so long without a break: a value that rests on
/// its limit does not fill the journal, and a cut is not released between two peaks.
const CLEAR_US: f64 = 500_000.0;

/// A lost sensor is no matter of one sample: a spike on its cable makes one unreadable.
const LOST_SAMPLES: u32 = 2;

/// Something that trips when it lasts. Times are on the clock of the samples, board or host, always
/// the same one for a guard.
#[derive(Debug, Default)]
struct Trip {
    /// Since when the limit has been passed without a break, and how often that was found.
    over_since_us: Option<f64>,
    found: u32,
    /// Since when the limit has been kept without a break.
    within_since_us: Option<f64>,
    tripped: bool,
}

impl Trip {
    fn begin(&mut self) {
        self.over_since_us = None;
        self.within_since_us = None;
        self.found = 0;
    }

    /// Takes a finding into account; true when it trips or clears by it.
    fn settle(&mut self, finding: &Finding, at_us: f64, debounce_ms: u32, found_min: u32) -> bool {
        let (is_due, trips) = match finding {
            Finding::Unknown => return false,
            Finding::Within => {
                self.over_since_us = None;
                self.found = 0;
                let since_us = *self.within_since_us.get_or_insert(at_us);
                (at_us - since_us >= CLEAR_US, false)
            }
            Finding::Passed => {
                self.within_since_us = None;
                self.found = self.found.saturating_add(1);
                let since_us = *self.over_since_us.get_or_insert(at_us);
                let lasts = at_us - since_us >= f64::from(debounce_ms) * 1e3;
                (lasts && self.found >= found_min, true)
            }
        };
        let changes = is_due && self.tripped != trips;
        if changes {
            self.tripped = trips;
        }
        changes
    }
}

#[derive(Debug)]
struct State {
    guard: Guard,
    /// What it watches, with the limit that holds now.
    watch: Watch,
    limit: Trip,
    /// What it watches can't be seen.
    lost: Trip,
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
    channels: Vec<Channel>,
}

impl GuardDesk {
    pub(super) fn new(stand: &Stand) -> Self {
        let state = |guard: &Guard| State {
            guard: guard.clone(),
            watch: guard.watch,
            limit: Trip::default(),
            lost: Trip::default(),
            rate_from: None,
            value_si: None,
        };
        Self {
            states: stand.guards.iter().map(state).collect(),
            texts: Texts {
                units: stand.units,
                channels: stand.channels.clone(),
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
        let was = std::mem::take(&mut state.limit);
        was.tripped
            .then(|| state.verdict("the self-test is over".to_owned()))
    }

    pub(super) fn is_tripped(&self, index: usize) -> bool {
        self.states
            .get(index)
            .is_some_and(|state| state.limit.tripped)
    }

    /// The clock of the samples begins again. What tripped stays so until it is seen to be over.
    pub(super) fn begin(&mut self) {
        for state in &mut self.states {
            state.limit.begin();
            state.lost.begin();
            state.rate_from = None;
        }
    }

    /// Name of a cutting guard that still sees a reason.
    pub(super) fn tripped_cut(&self) -> Option<&str> {
        self.states
            .iter()
            .find(|s| {
                let cuts = Some(GuardAction::Cut);
                s.limit.tripped && Some(s.guard.action) == cuts
                    || s.lost.tripped && s.guard.when_lost.action() == cuts
            })
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
            let watch = context.watch(&state.guard);
            state.watch = watch;
            let finding = match watch {
                Watch::Overspeed {
                    shaft,
                    limit_rad_per_s,
                } if signal == Signal::Speed(shaft) => above(value, limit_rad_per_s),
                Watch::OverTemperature { channel, limit_k }
                    if signal == Signal::Channel(channel) =>
                {
                    above(value, limit_k)
                }
                Watch::Above {
                    signal: watched,
                    limit_si,
                } if signal == watched => above(value, limit_si),
                Watch::Below {
                    signal: watched,
                    limit_si,
                } if signal == watched => below(value, limit_si),
                Watch::SensorLost { signal: watched }
                    if signal == watched && !matches!(signal, Signal::Speed(_)) =>
                {
                    lost(value)
                }
                Watch::RateOfRise {
                    signal: watched,
                    limit_si_per_s,
                } if signal == watched => state.rate(value, at_us, limit_si_per_s),
                _ => continue,
            };
            // Outside of a pull there is nothing to find, and what tripped is over.
            let (finding, blind) = if !context.applies_to(&state.guard) {
                (Finding::Within, Finding::Within)
            } else {
                (finding, lost(value))
            };
            let texts = &self.texts;
            let why = || texts.lost(signal, value);
            verdicts.extend(state.settle_lost(&blind, at_us, why));
            if !matches!(watch, Watch::RateOfRise { .. }) {
                state.value_si = si;
            }
            let finding = if forced { Finding::Passed } else { finding };
            let verdict = state.settle(&finding, at_us, |watch, si| match value {
                _ if forced => SELF_TEST.to_owned(),
                Value::Lost(..) if matches!(watch, Watch::SensorLost { .. }) => {
                    texts.lost(signal, value)
                }
                _ => texts.passed(watch, signal, si),
            });
            verdicts.extend(verdict.map(|verdict| Verdict { forced, ..verdict }));
        }
        verdicts
    }

    /// Guards that time alone can trip or clear: stale data, and samples or teeth that stayed away. Whether
    /// data is stale, the host's clock tells; the teeth of a board that is not heard are not
    /// missing, so `tick`, the newest heard, tells of them.
    pub(super) fn check_ages(
        &mut self,
        signals: &Signals,
        mono_us: u64,
        tick: Option<u64>,
        context: Context,
    ) -> Vec<Verdict> {
        let mut verdicts = Vec::new();
        let board_us = tick.and_then(|tick| signals.board_us(tick));
        for (index, state) in self.states.iter_mut().enumerate() {
            let signal = state.guard.watch.signal();
            if let (Some(_), Some(board_us)) = (signals.silent_us(signal), board_us) {
                let value = signals.value(signal);
                let blind = Finding::passed_if(context.applies_to(&state.guard));
                let why = || self.texts.lost(signal, &value);
                verdicts.extend(state.settle_lost(&blind, board_us, why));
                if matches!(state.guard.watch, Watch::SensorLost { .. }) {
                    let finding = Finding::Passed;
                    verdicts.extend(state.settle(&finding, board_us, |_, _| why()));
                }
            }
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
            let verdict = state.settle(&finding, at_us, |watch, si| {
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

    pub(super) fn live(&self, pulling: bool) -> Vec<GuardLive> {
        self.states
            .iter()
            .map(|state| {
                let limit_si = limit_of(&state.watch);
                let watching = is_watching(&state.guard, pulling);
                GuardLive {
                    name: state.guard.name.clone(),
                    cuts: state.guard.action == GuardAction::Cut,
                    tripped: state.limit.tripped || state.lost.tripped,
                    watching,
                    nearness: state.nearness().filter(|_| watching),
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

    /// Why a channel can't be right.
    fn lost(&self, signal: Signal, value: &Value) -> String {
        let channel = match signal {
            Signal::Channel(id) => self.channels.get(id.0),
            _ => None,
        };
        let words = channel.and_then(|channel| value.lost(channel, &self.units));
        words.unwrap_or_else(|| "the sensor is lost".to_owned())
    }

    fn value(&self, signal: Signal, si: f64) -> String {
        match signal {
            Signal::Speed(Shaft::Drum) => format!("{:.0} rpm at the drum", rpm(si)),
            Signal::Speed(Shaft::Engine) => format!("{:.0} rpm at the engine", rpm(si)),
            Signal::LoadCell => format!("{si:.1} N"),
            Signal::Board => format!("{si:.3} s"),
            Signal::Channel(id) => self.channels.get(id.0).map_or_else(
                || format!("{si:.3}"),
                |channel| channel.quantity.display_unit(&self.units).text(si, 1),
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

fn above(value: &Value, limit: f64) -> Finding {
    compared(value, |si| si > limit)
}

fn below(value: &Value, limit: f64) -> Finding {
    compared(value, |si| si < limit)
}

/// A value that is doubtful can pass a limit, but not show that it is kept.
fn compared(value: &Value, passes: impl Fn(f64) -> bool) -> Finding {
    match (value, value.si().map(passes)) {
        (_, Some(true)) => Finding::Passed,
        (Value::Good(_), Some(false)) => Finding::Within,
        _ => Finding::Unknown,
    }
}

fn lost(value: &Value) -> Finding {
    match value {
        Value::Lost(..) => Finding::Passed,
        Value::Good(_) => Finding::Within,
        Value::Unknown => Finding::Unknown,
    }
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
        finding: &Finding,
        at_us: f64,
        message: impl FnOnce(&Watch, Option<f64>) -> String,
    ) -> Option<Verdict> {
        if !self.limit.settle(finding, at_us, self.guard.debounce_ms, 1) {
            return None;
        }
        Some(self.verdict(if self.limit.tripped {
            message(&self.watch, self.value_si)
        } else {
            "within its limit again".to_owned()
        }))
    }

    /// Takes into account whether what it watches is lost.
    fn settle_lost(
        &mut self,
        finding: &Finding,
        at_us: f64,
        why: impl FnOnce() -> String,
    ) -> Option<Verdict> {
        let action = self.guard.when_lost.action()?;
        if !self
            .lost
            .settle(finding, at_us, self.guard.debounce_ms, LOST_SAMPLES)
        {
            return None;
        }
        let message = match (&self.guard.when_lost, self.lost.tripped) {
            (_, false) => "it can see again".to_owned(),
            (WhenLost::Warn(word), true) => {
                format!(
                    "can't see: {}; it only warns, by the stand file: {word}",
                    why()
                )
            }
            (_, true) => format!("can't see: {}", why()),
        };
        Some(Verdict {
            action,
            tripped: self.lost.tripped,
            ..self.verdict(message)
        })
    }

    fn verdict(&self, message: String) -> Verdict {
        Verdict {
            name: self.guard.name.clone(),
            action: self.guard.action,
            tripped: self.limit.tripped,
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
