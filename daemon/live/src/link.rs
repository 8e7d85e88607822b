//! One connection to a board: what has been heard, and what is due to be said.

use leverarm_config::{GuardAction, Rule, Signal, Source, Stand, WhenLost};
use leverarm_protocol::{BoardReader, Counters, Limits, TemperatureLimit, TemperatureLimits};
use leverarm_torque::sensor::Law;

use super::delay::Delay;
use super::{HelloData, Now};

/// The board's own speed limit lies above the daemon's by this share: the daemon acts first, and a
/// tooth a few per cent out of place does not cut.
const BOARD_SPEED_MARGIN: f64 = 1.05;
/// No status for so long, its way here included: the board is lost.
pub(super) const STATUS_AGE_US_MAX: u64 = 300_000;

/// State of one connection to a board.
#[derive(Debug)]
pub(super) struct Link {
    pub(super) port: String,
    pub(super) opened_us: u64,
    pub(super) reader: BoardReader,
    /// A frame came, or one that was damaged because the port was opened in the middle of it.
    pub(super) in_step: bool,
    pub(super) hello: Option<HelloData>,
    pub(super) tick_newest: u64,
    /// How late its words come.
    pub(super) delay: Delay,
    pub(super) delay_told: bool,
    /// Tick of the newest word about the cut: an older one that comes late says nothing.
    pub(super) cut_tick: u64,
    /// When the newest status came, or the hello before any.
    pub(super) status_us: Option<u64>,
    pub(super) has_status: bool,
    pub(super) silence_told: bool,
    pub(super) no_hello_told: bool,
    pub(super) identify_wanted: bool,
    pub(super) identify_asked: bool,
    pub(super) identify_due_us: u64,
    pub(super) heartbeat_due_us: u64,
    /// What the latest status lacks of the limits wanted; `None` before there is one.
    pub(super) limits_lacking: Option<Vec<String>>,
    pub(super) limits_due_us: u64,
    pub(super) limits_since_us: Option<u64>,
    pub(super) limits_told: bool,
    /// Counts of the latest status; `None` before the first of a board that has run before.
    pub(super) captures_lost: Option<u32>,
    pub(super) receive_errors: Option<u32>,
}

impl Link {
    /// A port was opened, to a board that may have run for long.
    pub(super) fn opened(port: String, now: Now) -> Self {
        Self {
            port,
            opened_us: now.mono_us,
            reader: BoardReader::new(),
            in_step: false,
            hello: None,
            tick_newest: 0,
            delay: Delay::default(),
            delay_told: false,
            cut_tick: 0,
            status_us: None,
            has_status: false,
            silence_told: false,
            no_hello_told: false,
            identify_wanted: true,
            identify_asked: false,
            identify_due_us: now.mono_us,
            heartbeat_due_us: now.mono_us,
            limits_lacking: None,
            limits_due_us: now.mono_us,
            limits_since_us: None,
            limits_told: false,
            captures_lost: None,
            receive_errors: None,
        }
    }

    /// The board on this port began again. The reader stays where it is.
    pub(super) fn restart(&mut self, now: Now) {
        *self = Self {
            reader: std::mem::take(&mut self.reader),
            in_step: true,
            captures_lost: Some(0),
            receive_errors: Some(0),
            ..Self::opened(std::mem::take(&mut self.port), now)
        };
    }

    /// A message, or a tooth in it, has this tick.
    pub(super) fn saw_tick(&mut self, tick: u64) {
        self.tick_newest = self.tick_newest.max(tick);
        self.delay.saw(tick);
    }

    /// The newest tick, once there is one.
    pub(super) fn tick(&self) -> Option<u64> {
        (self.tick_newest > 0).then_some(self.tick_newest)
    }

    /// Since when there has been no status, µs; `None` while none can be expected.
    pub(super) fn status_age_us(&self, now: Now) -> Option<u64> {
        self.status_us.map(|at| now.mono_us.saturating_sub(at))
    }

    /// Whether the board tells of its state.
    pub(super) fn has_fresh_status(&self, now: Now) -> bool {
        let age_us = self.status_age_us(now).filter(|_| self.has_status);
        age_us.is_some_and(|age_us| age_us.saturating_add(self.delay.us()) <= STATUS_AGE_US_MAX)
    }

    pub(super) fn limits_in_force(&self) -> bool {
        self.limits_lacking.as_ref().is_some_and(Vec::is_empty)
    }
}

/// Why no hello came from a port, as far as can be told.
pub fn no_board_text(port: &str, baud: u32, counters: &Counters) -> String {
    let bytes = counters.bytes_received;
    if bytes == 0 {
        format!("{port}: not a byte came; is the board powered and wired, and this its port?")
    } else if counters.wrong_version > 0 {
        format!(
            "{port}: the board speaks another protocol version than {}; update its firmware",
            leverarm_protocol::VERSION
        )
    } else if counters.frames == 0 {
        format!(
            "{port}: {bytes} bytes came, but no frame among them; the baud rate {baud} may be \
             wrong (`leverarm board` tries the usual ones), or it is another device"
        )
    } else {
        format!("{port}: frames come, but the board does not answer identify with a hello")
    }
}

/// What the board has to guard by itself on this stand.
pub(super) fn limits_wanted(stand: &Stand, tick_hz: u32) -> Limits {
    let mut temperatures = TemperatureLimits::new();
    for guard in stand.guards.iter().filter(|g| g.action == GuardAction::Cut) {
        let (Rule::OverTemperature, Signal::Channel(channel), Some(limit_k)) =
            (guard.rule, guard.signal, guard.limit_si)
        else {
            continue;
        };
        let Some(channel) = stand.channel(channel) else {
            continue;
        };
        // A board counts a broken sensor as too hot, and can't be told otherwise.
        if guard.when_lost != WhenLost::Cut {
            continue;
        }
        // Only a straight law can be turned round without a cold junction.
        if let (Source::Temperature(number), Law::Linear { per_count, at_zero }) =
            (channel.source, channel.law)
            && per_count > 0.0
        {
            #[expect(clippy::cast_possible_truncation, reason = "float `as` saturates")]
            let counts_max = ((limit_k - at_zero) / per_count).ceil() as i32;
            let limit = TemperatureLimit::new(number, counts_max);
            if temperatures.push(limit).is_err() {
                break; // the board holds four; the daemon's own guards hold them all
            }
        }
    }
    let period = stand
        .pickups
        .iter()
        .find(|p| p.channel == 0)
        .and_then(|pickup| {
            let teeth_per_s = stand.overspeed_cut_teeth_per_s(pickup)?;
            Some(f64::from(tick_hz) / (teeth_per_s * BOARD_SPEED_MARGIN))
        });
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "float `as` saturates, and a period is positive"
    )]
    let tooth_period_ticks_min = period.unwrap_or(0.0) as u32;
    Limits {
        tooth_period_ticks_min,
        short_periods_to_cut: stand.board.short_periods_to_cut,
        heartbeat_timeout_ms: stand.board.heartbeat_timeout_ms,
        temperatures,
    }
}

/// In what the limits in force are looser than those wanted. A board may well be tighter, by limits
/// its firmware was built with.
pub(super) fn limits_lacking(wanted: &Limits, in_force: &Limits) -> Vec<String> {
    let mut lacking = Vec::new();
    let period = wanted.tooth_period_ticks_min;
    if in_force.tooth_period_ticks_min < period {
        lacking.push("the speed limit".to_owned());
    }
    if period > 0 && in_force.short_periods_to_cut.max(1) > wanted.short_periods_to_cut.max(1) {
        lacking.push("the number of short tooth periods".to_owned());
    }
    let (timeout, timeout_wanted) = (in_force.heartbeat_timeout_ms, wanted.heartbeat_timeout_ms);
    if timeout_wanted > 0 && !(1..=timeout_wanted).contains(&timeout) {
        lacking.push("the heartbeat".to_owned());
    }
    for limit in &wanted.temperatures {
        let mut held = in_force.temperatures.iter();
        if !held.any(|it| it.channel == limit.channel && it.counts_max <= limit.counts_max) {
            lacking.push(format!("temperature {}", limit.channel));
        }
    }
    lacking
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tighter_limits_are_in_force_and_looser_ones_are_named() {
        let limit = |channel, counts_max| TemperatureLimit::new(channel, counts_max);
        let wanted = Limits {
            tooth_period_ticks_min: 1_600,
            short_periods_to_cut: 3,
            heartbeat_timeout_ms: 250,
            temperatures: [limit(0, 800)].into_iter().collect(),
        };
        let tighter = Limits {
            tooth_period_ticks_min: 1_700,
            short_periods_to_cut: 0,
            heartbeat_timeout_ms: 100,
            temperatures: [limit(3, 1), limit(0, 700)].into_iter().collect(),
        };
        assert_eq!(limits_lacking(&wanted, &wanted), [""; 0]);
        assert_eq!(limits_lacking(&wanted, &tighter), [""; 0]);
        assert_eq!(
            limits_lacking(&wanted, &Limits::default()),
            ["the speed limit", "the heartbeat", "temperature 0"]
        );
        let looser = Limits {
            short_periods_to_cut: 4,
            heartbeat_timeout_ms: 251,
            temperatures: [limit(0, 801)].into_iter().collect(),
            ..wanted.clone()
        };
        assert_eq!(
            limits_lacking(&wanted, &looser),
            [
                "the number of short tooth periods",
                "the heartbeat",
                "temperature 0"
            ]
        );
        assert_eq!(
            limits_lacking(&Limits::default(), &Limits::default()),
            [""; 0]
        );
    }
}
