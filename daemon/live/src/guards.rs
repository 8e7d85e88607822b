//! Guards: rules that warn or cut, each with its debounce.

use leverarm_config::{Guard, GuardAction, LimitOf, Quantity, Rule, Side, Signal, Stand, WhenLost};
use leverarm_torque::ZERO_CELSIUS_K;

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
    /// What the load cell has to show at least by what the board's load is told to hold; none while it holds nothing.
    pub(super) demanded_n: Option<f64>,
}

impl Context {
    /// The limit that holds now. One that goes with a speed is at its strictest while that speed is
    /// not known.
    fn limit_si(&self, guard: &Guard) -> Option<f64> {
        if guard.limit_by_speed.is_empty() {
            return guard.limit_si;
        }
        match self.engine_rad_per_s {
            Some(speed) => guard.limit_at(speed),
            None => guard.strictest_limit(),
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
    /// The limit that holds now.
    limit_si: Option<f64>,
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
    stand: Stand,
    /// The guard whose limit is taken to be below the present value, for a self-test.
    forced: Option<usize>,
}

impl GuardDesk {
    pub(super) fn new(stand: &Stand) -> Self {
        let state = |guard: &Guard| State {
            guard: guard.clone(),
            limit_si: guard.limit_si,
            limit: Trip::default(),
            lost: Trip::default(),
            rate_from: None,
            value_si: None,
        };
        Self {
            states: stand.guards.iter().map(state).collect(),
            stand: stand.clone(),
            forced: None,
        }
    }

    /// Takes the limit of one guard to be below the present value, for a self-test.
    pub(super) fn force(&mut self, index: usize) {
        self.forced = Some(index);
    }

    /// All limits are the stand file's again. What tripped by the self-test is over: if there is a
    /// further reason, the next value tells.
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
        let why = || lost_text(&self.stand, signal, value);
        for (index, state) in self.states.iter_mut().enumerate() {
            if state.guard.signal != signal {
                continue;
            }
            state.limit_si = context.limit_si(&state.guard);
            let Some(finding) = state.judge(value, at_us, context.demanded_n) else {
                continue;
            };
            // Outside of a pull there is nothing to find, and what tripped is over.
            let (finding, blind) = if context.applies_to(&state.guard) {
                (finding, lost(value))
            } else {
                (Finding::Within, Finding::Within)
            };
            verdicts.extend(state.settle_lost(&blind, at_us, why));
            let forced = self.forced == Some(index) && *value != Value::Unknown;
            verdicts.extend(state.settle(&finding, at_us, forced, |state| match value {
                Value::Lost(..) if state.guard.rule == Rule::SensorLost => why(),
                _ => state.tripped_text(&self.stand),
            }));
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
        let heard = tick.and_then(|tick| Some((tick, signals.board_us(tick)?)));
        for (index, state) in self.states.iter_mut().enumerate() {
            let signal = state.guard.signal;
            if let (Some(_), Some((_, board_us))) = (signals.silent_us(signal), heard) {
                let why = || lost_text(&self.stand, signal, &signals.value(signal));
                let blind = Finding::passed_if(context.applies_to(&state.guard));
                verdicts.extend(state.settle_lost(&blind, board_us, why));
                if state.guard.rule == Rule::SensorLost {
                    let finding = Finding::Passed;
                    verdicts.extend(state.settle(&finding, board_us, false, |_| why()));
                }
            }
            // At standstill no teeth come: that there are none is what such a guard can be told.
            let forced = self.forced == Some(index);
            if let Some((finding, at_us)) = state.judge_silence(signals, mono_us, heard) {
                let text = |state: &State| state.tripped_text(&self.stand);
                verdicts.extend(state.settle(&finding, at_us, forced, text));
            }
        }
        verdicts
    }

    pub(super) fn live(&self, pulling: bool) -> Vec<GuardLive> {
        self.states
            .iter()
            .map(|state| {
                let watching = is_watching(&state.guard, pulling);
                GuardLive {
                    name: state.guard.name.clone(),
                    cuts: state.guard.action == GuardAction::Cut,
                    tripped: state.limit.tripped || state.lost.tripped,
                    watching,
                    nearness: state.nearness(&self.stand).filter(|_| watching),
                    value_si: state.value_si,
                    limit_si: state.limit_si,
                }
            })
            .collect()
    }
}

/// Why a channel can't be right.
fn lost_text(stand: &Stand, signal: Signal, value: &Value) -> String {
    let channel = match signal {
        Signal::Channel(id) => stand.channel(id),
        _ => None,
    };
    let words = channel.and_then(|channel| value.lost(channel, &stand.units));
    words.unwrap_or_else(|| "the sensor is lost".to_owned())
}

/// A speed signal at standstill is not stale: no teeth come from a wheel that does not turn.
fn is_at_rest(signals: &Signals, signal: Signal, mono_us: u64) -> bool {
    match signal {
        Signal::Speed(shaft) => !signals.teeth_stale(shaft, mono_us),
        _ => false,
    }
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
    /// What a new value tells; nothing where time alone does.
    fn judge(&mut self, value: &Value, at_us: f64, demanded_n: Option<f64>) -> Option<Finding> {
        let limit_si = self.limit_si;
        let finding = match self.guard.rule {
            Rule::Overspeed | Rule::OverTemperature | Rule::Above => {
                compared(value, |si| limit_si.is_some_and(|limit| si > limit))
            }
            Rule::Below => compared(value, |si| limit_si.is_some_and(|limit| si < limit)),
            Rule::LoadLost => {
                let lacking = |si: f64| demanded_n.map_or(0.0, |demanded| demanded - si);
                self.value_si = value.si().map(lacking);
                return Some(compared(value, |si| {
                    limit_si.is_some_and(|limit| lacking(si) > limit)
                }));
            }
            Rule::RateOfRise => return Some(self.rate(value, at_us)),
            Rule::SensorLost if !matches!(self.guard.signal, Signal::Speed(_)) => lost(value),
            Rule::SensorLost | Rule::StaleData => return None,
        };
        self.value_si = value.si();
        Some(finding)
    }

    /// What it tells that nothing came, and the time on the clock that tells it; nothing where it tells
    /// nothing. `heard` is the newest tick of the board, and its time.
    fn judge_silence(
        &mut self,
        signals: &Signals,
        mono_us: u64,
        heard: Option<(u64, f64)>,
    ) -> Option<(Finding, f64)> {
        match (self.guard.rule, self.guard.signal) {
            (Rule::StaleData, signal) => {
                let age_s = signals.age_ms(signal, mono_us).map(|age_ms| age_ms * 1e-3);
                self.value_si = age_s;
                let finding = match (age_s, self.limit_si) {
                    (Some(age_s), Some(limit_s)) if age_s > limit_s => {
                        Finding::passed_if(!is_at_rest(signals, signal, mono_us))
                    }
                    (Some(_), _) => Finding::Within,
                    (None, _) => Finding::Unknown,
                };
                Some((finding, mono_us as f64))
            }
            (Rule::SensorLost, Signal::Speed(shaft)) => {
                let (tick, board_us) = heard?;
                let lost = signals.teeth_lost(shaft, tick);
                let finding = lost.map_or(Finding::Unknown, Finding::passed_if);
                Some((finding, board_us))
            }
            (Rule::Overspeed | Rule::Above, Signal::Speed(shaft)) => {
                let (tick, board_us) = heard?;
                // Teeth that stay away can only clear it.
                self.value_si = signals.speed_at(shaft, tick);
                let finding = match (self.value_si, self.limit_si) {
                    (Some(now), Some(limit)) if now <= limit => Finding::Within,
                    _ => Finding::Unknown,
                };
                Some((finding, board_us))
            }
            _ => None,
        }
    }

    fn rate(&mut self, value: &Value, at_us: f64) -> Finding {
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
        Finding::passed_if(self.limit_si.is_some_and(|limit| rate > limit))
    }

    /// What it says that it tripped.
    fn tripped_text(&self, stand: &Stand) -> String {
        if let (Rule::SensorLost, Signal::Speed(shaft)) = (self.guard.rule, self.guard.signal) {
            return format!(
                "the teeth ended sooner than the shaft can stop; turn the {} by hand until its teeth \
                 are seen again",
                shaft.name()
            );
        }
        let value_si = self.value_si.unwrap_or(f64::NAN);
        let limit_si = self.limit_si.unwrap_or(f64::NAN);
        stand.tripped_text(&self.guard, value_si, limit_si)
    }

    /// Takes a finding into account; a verdict is due when the guard trips or clears. One whose limit
    /// is `forced` below the present value trips whatever is found.
    fn settle(
        &mut self,
        finding: &Finding,
        at_us: f64,
        forced: bool,
        message: impl FnOnce(&Self) -> String,
    ) -> Option<Verdict> {
        let finding = if forced { &Finding::Passed } else { finding };
        if !self.limit.settle(finding, at_us, self.guard.debounce_ms, 1) {
            return None;
        }
        let message = match (self.limit.tripped, forced) {
            (false, _) => "within its limit again".to_owned(),
            (true, true) => SELF_TEST.to_owned(),
            (true, false) => message(self),
        };
        Some(Verdict {
            forced,
            ..self.verdict(message)
        })
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
            limit_si: self.limit_si,
            forced: false,
        }
    }

    /// How near the value is to the limit: 0 far, 1 at it. Temperatures count from 20 °C.
    fn nearness(&self, stand: &Stand) -> Option<f64> {
        let value = self.value_si?;
        let limit = self.limit_si?;
        let is_temperature = matches!(self.guard.signal, Signal::Channel(id)
            if stand.channel(id).is_some_and(|it| it.quantity == Quantity::Temperature));
        let near = match (self.guard.rule.limit_of(), self.guard.rule.side()) {
            (LimitOf::Signal, Side::Above) if is_temperature => {
                let far = ZERO_CELSIUS_K + 20.0;
                (value - far) / (limit - far)
            }
            (LimitOf::Signal | LimitOf::Age, Side::Above) if limit > 0.0 => value / limit,
            (LimitOf::Signal, Side::Below) if value > 0.0 => limit / value,
            _ => return None,
        };
        near.is_finite().then(|| near.max(0.0))
    }
}
