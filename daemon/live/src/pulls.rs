//! Finds pulls in the motion of the engine, by the stand's pull rules.

use leverarm_config::{PullRules, Stand};

use super::live::PullPhase;
use super::wheel::Mark;
use super::{Ending, whole};

/// A pull began or ended.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum PullEvent {
    Started {
        tick_first_wanted: u64,
        tick_start: u64,
    },
    Ended {
        ending: Ending,
        tick_peak: u64,
        tick_end: u64,
        reasons: Vec<String>,
    },
}

/// The speed has to fall by this share below its greatest before the rise counts as over: a ripple
/// or a missed gear is not the end.
const FALL_SHARE: f64 = 0.02;
/// The engine counts as turning, and the stand as ready, above this share of the start speed.
const TURNING_SHARE: f64 = 0.2;
/// A pull is whole when it reached this share of its end speed: a throttle that is closed right
/// there leaves the mean over a turn a little below.
const END_SHARE: f64 = 0.99;
/// A rise may falter for so long, as when the throttle is opened twice, and still be the same.
const FALTER_S: f64 = 0.2;
/// Marks further apart do not belong to one motion.
const TOGETHER_S: f64 = 0.5;
/// A pull whose speed has not grown for so long beyond its coast-down has lost its teeth, or is
/// held by a brake: it is over.
const NO_TOP_S: f64 = 2.0;

/// The greatest speed so far.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Top {
    rad_per_s: f64,
    tick: u64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    Still,
    Turning,
    /// Rising above the start speed; not long enough yet to be called a pull.
    Rising {
        tick_start: u64,
        /// When it last rose fast enough.
        tick_rose: u64,
        top_rad_per_s: f64,
    },
    Pulling(Top),
    Coasting {
        top: Top,
        tick_until: u64,
    },
}

#[derive(Debug)]
pub(super) struct PullFinder {
    rules: PullRules,
    tick_hz: f64,
    state: State,
    previous: Option<Mark>,
}

impl PullFinder {
    pub(super) fn new(stand: &Stand) -> Self {
        Self {
            rules: stand.pull,
            tick_hz: 0.0,
            state: State::Still,
            previous: None,
        }
    }

    pub(super) fn board(&mut self, tick_hz: u32) {
        self.tick_hz = f64::from(tick_hz);
        self.state = State::Still;
        self.previous = None;
    }

    /// Whether the engine pulls: a rise counts before it is long enough to be called a pull.
    pub(super) fn pulls(&self) -> bool {
        matches!(self.state, State::Rising { .. } | State::Pulling(_))
    }

    pub(super) fn phase(&self) -> PullPhase {
        match self.state {
            State::Still => PullPhase::Idle,
            State::Turning => PullPhase::Ready,
            State::Rising { .. } => PullPhase::Rising,
            State::Pulling(_) => PullPhase::Pulling,
            State::Coasting { .. } => PullPhase::Coasting,
        }
    }

    fn ticks(&self, seconds: f64) -> u64 {
        whole(seconds * self.tick_hz)
    }

    /// New whole-turn motion. `ready` is false while the stand is cut: no pull can start then.
    pub(super) fn mark(&mut self, mark: Mark, ready: bool) -> Option<PullEvent> {
        let rules = self.rules;
        let speed = mark.engine_rad_per_s;
        let before = self.previous.replace(mark);
        let rises = mark.engine_rad_per_s2 >= rules.acceleration_min_rad_per_s2;
        match self.state {
            State::Still | State::Turning => {
                self.begin_rise(mark, before, rises && ready);
                None
            }
            State::Rising {
                tick_start,
                tick_rose,
                top_rad_per_s,
            } => {
                let since_rose = mark.tick.saturating_sub(tick_rose);
                let faltered = since_rose > self.ticks(FALTER_S) && !rises;
                let fell = speed < (1.0 - FALL_SHARE) * top_rad_per_s;
                let is_old = since_rose > self.ticks(NO_TOP_S);
                if !ready || fell || faltered || is_old {
                    self.begin_rise(mark, before, rises && ready);
                    return None;
                }
                self.state = State::Rising {
                    tick_start,
                    tick_rose: if rises { mark.tick } else { tick_rose },
                    top_rad_per_s: top_rad_per_s.max(speed),
                };
                let length = mark.tick.saturating_sub(tick_start);
                (rises && length >= self.ticks(rules.length_min_s)).then(|| {
                    self.state = State::Pulling(Top {
                        rad_per_s: speed,
                        tick: mark.tick,
                    });
                    PullEvent::Started {
                        tick_first_wanted: tick_start
                            .saturating_sub(self.ticks(rules.pre_trigger_s)),
                        tick_start,
                    }
                })
            }
            State::Pulling(top) => {
                if speed >= top.rad_per_s {
                    self.state = State::Pulling(Top {
                        rad_per_s: speed,
                        tick: mark.tick,
                    });
                } else if speed < (1.0 - FALL_SHARE) * top.rad_per_s && mark.engine_rad_per_s2 < 0.0
                {
                    self.state = State::Coasting {
                        top,
                        tick_until: top.tick.saturating_add(self.ticks(rules.coast_s)),
                    };
                }
                None
            }
            State::Coasting { top, tick_until } => {
                // The throttle opened again: the coast-down is over, and this may be a pull.
                let ended = rises || mark.tick >= tick_until;
                ended.then(|| {
                    let ended = self.ended(top, mark.tick, Vec::new());
                    self.begin_rise(mark, before, rises && ready);
                    ended
                })
            }
        }
    }

    /// Nothing is under way: a rise begins where the engine passes the start speed, or where it
    /// speeds up from above it, held there before.
    fn begin_rise(&mut self, mark: Mark, before: Option<Mark>, may_rise: bool) {
        let rules = self.rules;
        let speed = mark.engine_rad_per_s;
        let together = self.ticks(TOGETHER_S);
        let from = before
            .filter(|before| mark.tick.saturating_sub(before.tick) <= together)
            .unwrap_or(mark);
        let is_in_range =
            speed >= rules.start_rad_per_s && from.engine_rad_per_s < rules.end_rad_per_s;
        self.state = if may_rise && is_in_range {
            State::Rising {
                tick_start: from.tick,
                tick_rose: mark.tick,
                top_rad_per_s: speed,
            }
        } else if speed > TURNING_SHARE * rules.start_rad_per_s {
            State::Turning
        } else {
            State::Still
        };
    }

    fn ended(&mut self, top: Top, tick_end: u64, mut reasons: Vec<String>) -> PullEvent {
        self.state = State::Turning;
        let whole = top.rad_per_s >= END_SHARE * self.rules.end_rad_per_s;
        if !whole {
            let rpm = |rad_per_s: f64| rad_per_s / leverarm_torque::curve::RAD_PER_S_PER_RPM;
            reasons.push(format!(
                "reached {:.0} rpm, short of its end at {:.0} rpm",
                rpm(top.rad_per_s),
                rpm(self.rules.end_rad_per_s)
            ));
        }
        PullEvent::Ended {
            ending: if whole { Ending::Whole } else { Ending::Broken },
            tick_peak: top.tick,
            tick_end: tick_end.max(top.tick),
            reasons,
        }
    }

    /// Board time passed, with or without teeth: a coast-down ends when its time is over.
    pub(super) fn time(&mut self, tick: u64) -> Option<PullEvent> {
        match self.state {
            State::Coasting { top, tick_until } if tick >= tick_until => {
                Some(self.ended(top, tick, Vec::new()))
            }
            State::Pulling(top) => {
                let no_top_s = NO_TOP_S + self.rules.coast_s;
                let until = top.tick.saturating_add(self.ticks(no_top_s));
                (tick > until).then(|| {
                    let reason = format!("no teeth, or no higher speed, for {no_top_s:.0} s");
                    self.ended(top, tick, vec![reason])
                })
            }
            State::Turning => {
                let silent = self
                    .previous
                    .is_none_or(|mark| tick.saturating_sub(mark.tick) > self.ticks(NO_TOP_S));
                if silent {
                    self.state = State::Still;
                }
                None
            }
            State::Still | State::Rising { .. } | State::Coasting { .. } => None,
        }
    }

    /// The stand was cut. A coast-down goes on, and is as good as any.
    pub(super) fn cut(&mut self, tick: u64, cause: &str) -> Option<PullEvent> {
        match self.state {
            State::Pulling(top) => {
                Some(self.ended(top, tick, vec![format!("the stand was cut: {cause}")]))
            }
            _ => None,
        }
    }

    /// A list of steps begins to be kept: what came before it is over.
    pub(super) fn begin_steps(&mut self, tick: u64) -> PullEvent {
        self.state = State::Turning;
        self.previous = None;
        PullEvent::Started {
            tick_first_wanted: tick.saturating_sub(self.ticks(self.rules.pre_trigger_s)),
            tick_start: tick,
        }
    }

    /// Ends what is under way, since no more of it will come.
    pub(super) fn break_off(&mut self, tick: u64, reason: String) -> Option<PullEvent> {
        match std::mem::replace(&mut self.state, State::Still) {
            State::Pulling(top) => Some(self.ended(top, tick, vec![reason])),
            State::Coasting { top, .. } => {
                Some(self.ended(top, tick, vec![format!("coast-down broken off: {reason}")]))
            }
            State::Still | State::Turning | State::Rising { .. } => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: f64 = 1e6;

    fn finder() -> PullFinder {
        let rules = PullRules {
            start_rad_per_s: 300.0,
            end_rad_per_s: 900.0,
            acceleration_min_rad_per_s2: 50.0,
            pre_trigger_s: 0.5,
            coast_s: 2.0,
            length_min_s: 0.4,
        };
        PullFinder {
            rules,
            tick_hz: HZ,
            state: State::Still,
            previous: None,
        }
    }

    /// Marks every 50 ms along speeds given as (seconds, rad/s), linear between.
    fn run(
        finder: &mut PullFinder,
        path: &[(f64, f64)],
        ready: impl Fn(f64) -> bool,
    ) -> Vec<PullEvent> {
        let mut events = Vec::new();
        let mut t = path[0].0;
        while t < path[path.len() - 1].0 {
            let after = path.iter().position(|p| p.0 > t).unwrap();
            let ((t0, w0), (t1, w1)) = (path[after - 1], path[after]);
            let slope = (w1 - w0) / (t1 - t0);
            let tick = whole(t * HZ);
            let mark = Mark {
                tick,
                engine_rad_per_s: w0 + slope * (t - t0),
                engine_rad_per_s2: slope,
                newest: None,
            };
            events.extend(finder.mark(mark, ready(t)));
            if !ready(t) {
                events.extend(finder.cut(tick, "enough"));
            }
            t += 0.05;
        }
        events
    }

    const WHOLE: [(f64, f64); 4] = [(0.0, 150.0), (1.0, 200.0), (4.0, 950.0), (9.0, 200.0)];

    /// How the last pull ended, and why.
    fn end(events: &[PullEvent]) -> (Ending, &[String]) {
        match events.last() {
            Some(PullEvent::Ended {
                ending, reasons, ..
            }) => (*ending, reasons),
            _ => panic!("{events:?}"),
        }
    }

    #[test]
    fn a_whole_pull_with_pre_trigger_and_coast() {
        let events = run(&mut finder(), &WHOLE, |_| true);
        let [
            PullEvent::Started {
                tick_first_wanted,
                tick_start,
            },
            PullEvent::Ended {
                ending,
                tick_peak,
                tick_end,
                reasons,
            },
        ] = events.as_slice()
        else {
            panic!("{events:?}");
        };
        assert!((1_300_000..=1_450_000).contains(tick_start), "{tick_start}");
        assert_eq!(tick_start - tick_first_wanted, 500_000);
        assert!(*ending == Ending::Whole && reasons.is_empty());
        assert!((3_950_000..=4_000_000).contains(tick_peak));
        assert!((5_950_000..=6_100_000).contains(tick_end));
    }

    #[test]
    fn a_pull_that_stops_short_is_not_whole() {
        let path = [(0.0, 200.0), (3.0, 700.0), (8.0, 200.0)];
        let events = run(&mut finder(), &path, |_| true);
        let (ending, reasons) = end(&events);
        assert!(ending == Ending::Broken);
        assert!(reasons[0].contains("short of its end"), "{reasons:?}");
    }

    #[test]
    fn blips_and_slow_rises_are_no_pulls() {
        let blip = [(0.0, 200.0), (0.3, 400.0), (0.8, 200.0), (2.0, 150.0)];
        assert_eq!(run(&mut finder(), &blip, |_| true), Vec::new());
        let slow = [(0.0, 200.0), (20.0, 950.0), (25.0, 200.0)];
        assert_eq!(run(&mut finder(), &slow, |_| true), Vec::new());
    }

    #[test]
    fn a_cut_aborts() {
        let events = run(&mut finder(), &WHOLE, |t| t < 3.0);
        let (ending, reasons) = end(&events);
        assert!(ending == Ending::Broken);
        assert_eq!(reasons[0], "the stand was cut: enough");
    }

    /// Held at the start speed, and just above it: the pull never passes it from below.
    #[test]
    fn a_pull_from_a_held_speed_is_found() {
        let path = [
            (0.0, 200.0),
            (0.5, 310.0),
            (1.5, 308.0),
            (4.0, 950.0),
            (9.0, 200.0),
        ];
        let events = run(&mut finder(), &path, |_| true);
        let [
            PullEvent::Started { tick_start, .. },
            PullEvent::Ended { .. },
        ] = events.as_slice()
        else {
            panic!("{events:?}");
        };
        assert!(end(&events).0 == Ending::Whole);
        assert!((1_400_000..=1_600_000).contains(tick_start), "{tick_start}");
    }

    /// A rise that was noticed before the teeth stayed away is not a pull when they come again.
    #[test]
    fn an_old_rise_is_forgotten() {
        let mut finder = finder();
        let mark = |t_ms: u64, speed: f64, slope: f64| Mark {
            tick: t_ms * 1000,
            engine_rad_per_s: speed,
            engine_rad_per_s2: slope,
            newest: None,
        };
        assert_eq!(finder.mark(mark(0, 250.0, 200.0), true), None);
        assert_eq!(finder.mark(mark(50, 310.0, 200.0), true), None);
        assert_eq!(finder.mark(mark(60_000, 320.0, 200.0), true), None);
        assert_eq!(finder.mark(mark(60_150, 350.0, 200.0), true), None);
        let Some(PullEvent::Started { tick_start, .. }) =
            finder.mark(mark(60_500, 420.0, 200.0), true)
        else {
            panic!("{:?}", finder.phase());
        };
        assert_eq!(tick_start, 60_000_000);
    }

    /// Cut above its end speed, a pull has all it needs.
    #[test]
    fn a_cut_beyond_the_end_leaves_the_pull_whole() {
        let events = run(&mut finder(), &WHOLE, |t| t < 3.9);
        let (ending, reasons) = end(&events);
        assert!(ending == Ending::Whole);
        assert_eq!(reasons, &["the stand was cut: enough".to_owned()]);
    }

    #[test]
    fn a_pull_without_teeth_ends() {
        let mut finder = finder();
        let path = [(0.0, 150.0), (1.0, 200.0), (3.0, 700.0)];
        let events = run(&mut finder, &path, |_| true);
        assert!(matches!(events.as_slice(), [PullEvent::Started { .. }]));
        assert_eq!(finder.time(6_000_000), None);
        let ended = finder.time(8_000_000);
        assert!(end(ended.as_slice()).0 == Ending::Broken);
    }

    #[test]
    fn opening_the_throttle_again_ends_the_coast() {
        let path = [
            (0.0, 200.0),
            (3.0, 950.0),
            (4.0, 250.0),
            (7.0, 950.0),
            (12.0, 200.0),
        ];
        let events = run(&mut finder(), &path, |_| true);
        let is_whole = |e: &&PullEvent| matches!(e, PullEvent::Ended { ending, .. } if *ending == Ending::Whole);
        assert_eq!(events.iter().filter(is_whole).count(), 2, "{events:?}");
    }
}
