//! Finds pulls in the motion of the engine, by the stand's pull rules.

use leverarm_config::{PullRules, Stand};

use super::live::PullPhase;
use super::signals::Mark;

/// A pull began or ended.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum PullEvent {
    Started {
        tick_first_wanted: u64,
        tick_start: u64,
    },
    Ended {
        whole: bool,
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

#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    Still,
    Turning,
    /// Rising through the start speed; not long enough yet to be called a pull.
    Rising {
        tick_start: u64,
    },
    Pulling {
        top_rad_per_s: f64,
        tick_top: u64,
    },
    Coasting {
        top_rad_per_s: f64,
        tick_top: u64,
        tick_until: u64,
        whole: bool,
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

    pub(super) fn phase(&self) -> PullPhase {
        match self.state {
            State::Still => PullPhase::Idle,
            State::Turning | State::Rising { .. } => PullPhase::Ready,
            State::Pulling { .. } => PullPhase::Pulling,
            State::Coasting { .. } => PullPhase::Coasting,
        }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "float `as` saturates, and durations are positive"
    )]
    fn ticks(&self, seconds: f64) -> u64 {
        (seconds * self.tick_hz) as u64
    }

    /// New whole-turn motion. `ready` is false while the stand is cut: no pull can start then, and
    /// one under way is over.
    pub(super) fn mark(&mut self, mark: Mark, _tick_hz: u32, ready: bool) -> Vec<PullEvent> {
        let rules = self.rules;
        let speed = mark.engine_rad_per_s;
        let before = self.previous.replace(mark);
        let mut events = Vec::new();
        let rising = mark.engine_rad_per_s2 >= rules.acceleration_min_rad_per_s2;
        match self.state {
            State::Still | State::Turning => {
                self.state = if speed > TURNING_SHARE * rules.start_rad_per_s {
                    State::Turning
                } else {
                    State::Still
                };
                let crossed = before.is_some_and(|b| b.engine_rad_per_s < rules.start_rad_per_s)
                    && speed >= rules.start_rad_per_s;
                if crossed && rising && ready {
                    self.state = State::Rising {
                        tick_start: before.map_or(mark.tick, |b| b.tick),
                    };
                }
            }
            State::Rising { tick_start } => {
                let long_enough =
                    mark.tick.saturating_sub(tick_start) >= self.ticks(rules.length_min_s);
                if !rising || !ready {
                    self.state = State::Turning;
                } else if long_enough {
                    self.state = State::Pulling {
                        top_rad_per_s: speed,
                        tick_top: mark.tick,
                    };
                    let wanted = tick_start.saturating_sub(self.ticks(rules.pre_trigger_s));
                    events.push(PullEvent::Started {
                        tick_first_wanted: wanted,
                        tick_start,
                    });
                }
            }
            State::Pulling {
                top_rad_per_s,
                tick_top,
            } => {
                if speed >= top_rad_per_s {
                    self.state = State::Pulling {
                        top_rad_per_s: speed,
                        tick_top: mark.tick,
                    };
                } else if speed < (1.0 - FALL_SHARE) * top_rad_per_s {
                    self.state = State::Coasting {
                        top_rad_per_s,
                        tick_top,
                        tick_until: tick_top.saturating_add(self.ticks(rules.coast_s)),
                        whole: top_rad_per_s >= rules.end_rad_per_s,
                    };
                }
            }
            State::Coasting {
                top_rad_per_s,
                tick_top,
                tick_until,
                whole,
            } => {
                // The throttle opened again: the coast-down is over, and another pull may begin.
                if rising && mark.tick > tick_top || mark.tick >= tick_until {
                    events.push(self.ended(top_rad_per_s, tick_top, mark.tick, whole));
                }
            }
        }
        if !ready && matches!(self.state, State::Pulling { .. }) {
            events.extend(self.abort(mark.tick, "the stand was cut".to_owned()));
        }
        events
    }

    fn ended(
        &mut self,
        top_rad_per_s: f64,
        tick_peak: u64,
        tick_end: u64,
        whole: bool,
    ) -> PullEvent {
        self.state = State::Turning;
        let rpm = |rad_per_s: f64| rad_per_s / leverarm_torque::curve::RAD_PER_S_PER_RPM;
        let reasons = if whole {
            Vec::new()
        } else {
            vec![format!(
                "reached {:.0} rpm, short of its end at {:.0} rpm",
                rpm(top_rad_per_s),
                rpm(self.rules.end_rad_per_s)
            )]
        };
        PullEvent::Ended {
            whole,
            tick_peak,
            tick_end,
            reasons,
        }
    }

    /// Board time passed, with or without teeth: a coast-down ends when its time is over.
    pub(super) fn time(&mut self, tick: u64) -> Vec<PullEvent> {
        match self.state {
            State::Coasting {
                top_rad_per_s,
                tick_top,
                tick_until,
                whole,
            } if tick >= tick_until => {
                vec![self.ended(top_rad_per_s, tick_top, tick, whole)]
            }
            State::Pulling {
                top_rad_per_s,
                tick_top,
            } if tick > tick_top.saturating_add(self.ticks(2.0 + self.rules.coast_s)) => {
                // No teeth any more: the pickup is lost, or the wheel is.
                let whole = top_rad_per_s >= self.rules.end_rad_per_s;
                vec![self.ended(top_rad_per_s, tick_top, tick, whole)]
            }
            _ => Vec::new(),
        }
    }

    /// Ends what is under way for a reason from outside; a pull that was only coasting stays whole.
    pub(super) fn abort(&mut self, tick: u64, reason: String) -> Option<PullEvent> {
        let state = std::mem::replace(&mut self.state, State::Turning);
        match state {
            State::Pulling { tick_top, .. } => Some(PullEvent::Ended {
                whole: false,
                tick_peak: tick_top,
                tick_end: tick.max(tick_top),
                reasons: vec![reason],
            }),
            State::Coasting {
                top_rad_per_s,
                tick_top,
                whole,
                ..
            } => {
                let mut ended = self.ended(top_rad_per_s, tick_top, tick.max(tick_top), whole);
                if let PullEvent::Ended { reasons, .. } = &mut ended {
                    reasons.push(format!("coast-down broken off: {reason}"));
                }
                Some(ended)
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
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "positive"
            )]
            let tick = (t * HZ) as u64;
            let mark = Mark {
                tick,
                engine_rad_per_s: w0 + slope * (t - t0),
                engine_rad_per_s2: slope,
            };
            events.extend(finder.mark(mark, 1_000_000, ready(t)));
            t += 0.05;
        }
        events
    }

    #[test]
    fn a_whole_pull_with_pre_trigger_and_coast() {
        let path = [(0.0, 150.0), (1.0, 200.0), (4.0, 950.0), (9.0, 200.0)];
        let events = run(&mut finder(), &path, |_| true);
        let [
            PullEvent::Started {
                tick_first_wanted,
                tick_start,
            },
            PullEvent::Ended {
                whole,
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
        assert!(*whole && reasons.is_empty());
        assert!((3_950_000..=4_000_000).contains(tick_peak));
        assert!((5_950_000..=6_100_000).contains(tick_end));
    }

    #[test]
    fn a_pull_that_stops_short_is_not_whole() {
        let path = [(0.0, 200.0), (3.0, 700.0), (8.0, 200.0)];
        let events = run(&mut finder(), &path, |_| true);
        let Some(PullEvent::Ended {
            whole: false,
            reasons,
            ..
        }) = events.last()
        else {
            panic!("{events:?}");
        };
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
        let path = [(0.0, 150.0), (1.0, 200.0), (4.0, 950.0), (9.0, 200.0)];
        let events = run(&mut finder(), &path, |t| t < 3.0);
        let Some(PullEvent::Ended {
            whole: false,
            reasons,
            ..
        }) = events.last()
        else {
            panic!("{events:?}");
        };
        assert_eq!(reasons, &["the stand was cut".to_owned()]);
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
        let wholes = events
            .iter()
            .filter(|e| matches!(e, PullEvent::Ended { whole: true, .. }))
            .count();
        assert_eq!(wholes, 2, "{events:?}");
    }
}
