//! The self-test of the guards, with everything at standstill: each guard in turn is given a limit
//! below the present value, has to trip, and the board has to cut. A daemon that asks for one keeps
//! the stand cut until it has passed.

use leverarm_config::{GuardAction, Shaft, Signal, Watch};
use serde::{Deserialize, Serialize};

use super::link::Link;
use super::{CommandError, Core, CutLatch, EventData, Now, Output, Record};
use crate::store::Severity;

/// A shaft turns when it is faster than this: teeth that stay away leave a little speed possible
/// for a while.
const TURNING_RAD_PER_S: f64 = 1.0;
/// Longest time for a guard to trip beyond its debounce: a slow channel has to be sampled.
const TRIP_US_MAX: u64 = 3_000_000;
/// Longest time for the board to confirm a cut or a release.
const BOARD_US_MAX: u64 = 1_500_000;
/// So long a guard is given to see a real reason, before the cut of its trial is released.
const CLEAR_US: u64 = 500_000;

/// Whether a self-test is asked for, and when one passed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Arming {
    /// Oldest self-test that counts, microseconds; `None`: none is asked for.
    pub age_us_max: Option<i64>,
    /// When one of this stand file's guards passed, microseconds since 1970.
    pub passed_wall_us: Option<i64>,
}

impl Arming {
    /// Whether the stand may be armed now. A self-test of the future does not count: one of the
    /// clocks was wrong.
    pub(super) fn is_fresh(&self, now: Now) -> bool {
        let Some(age_us_max) = self.age_us_max else {
            return true;
        };
        let age_us = self.passed_wall_us.map(|at| now.wall_us.saturating_sub(at));
        age_us.is_some_and(|age_us| (0..=age_us_max).contains(&age_us))
    }
}

/// How one guard did.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GuardTrial {
    /// The guard.
    pub guard: String,
    /// Whether it cuts; otherwise it warns.
    pub cuts: bool,
    /// Why it did not pass; `None` when it did.
    pub failure: Option<String>,
    /// From its limit below the value to its verdict, debounce included, ms. `None` without a
    /// failure: a guard that can't be tried at standstill.
    pub tripped_ms: Option<f64>,
    /// From its verdict to the board's word that it has cut, ms.
    pub confirmed_ms: Option<f64>,
}

/// How a self-test went.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SelfTestReport {
    /// When it ended, microseconds since 1970.
    pub wall_us: i64,
    /// Whether every guard passed.
    pub passed: bool,
    /// Why it was broken off, if it was.
    pub broken_off: Option<String>,
    /// The guards that were tried, in the order of the stand file.
    pub trials: Vec<GuardTrial>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Step {
    /// The engine has to be free before the next guard can cut it.
    Free,
    /// The guard has its limit below the value.
    Trip,
    /// It tripped; the board has not confirmed the cut yet.
    Confirm { tripped_us: u64 },
    /// Its limit is its own again.
    Clear,
}

#[derive(Debug)]
pub(super) struct SelfTest {
    index: usize,
    step: Step,
    since_us: u64,
    trials: Vec<GuardTrial>,
}

impl SelfTest {
    fn go_to(&mut self, step: Step, now: Now) {
        self.step = step;
        self.since_us = now.mono_us;
    }
}

impl Core {
    /// The same core, which keeps the stand cut until a self-test of its guards has passed.
    #[must_use]
    pub fn with_arming(mut self, arming: Arming) -> Self {
        self.arming = arming;
        self
    }

    /// Whether the stand may run.
    #[must_use]
    pub fn is_armed(&self) -> bool {
        self.armed
    }

    /// A board is there: may it be armed? Not asked again while it stays, so that no cut comes in
    /// the middle of a session.
    pub(super) fn arm(&mut self, now: Now, out: &mut Output) {
        self.armed = self.arming.is_fresh(now);
        if self.armed {
            return;
        }
        let message = match self.arming.passed_wall_us {
            None => {
                "not armed: the guards of this stand file have not been tested; with everything at \
                 standstill, run: leverarm rehearse --guards --board"
            }
            Some(_) => {
                "not armed: the last self-test of the guards is too old; with everything at \
                 standstill, run: leverarm rehearse --guards --board"
            }
        };
        super::event(
            out,
            now,
            None,
            Severity::Error,
            "not armed",
            None,
            message.to_owned(),
        );
        self.request_cut(now, None, message.to_owned(), out);
    }

    pub(super) fn begin_self_test(&mut self, now: Now) -> Result<String, CommandError> {
        let not_now = |why: &str| {
            Err(CommandError::NoSelfTest {
                why: why.to_owned(),
            })
        };
        if self.self_test.is_some() {
            return not_now("one is under way");
        }
        let is_ready = self
            .link
            .as_ref()
            .is_some_and(|link| link.hello.is_some() && link.has_fresh_status(now));
        if !is_ready {
            return not_now("no board is connected, or it does not tell its state");
        }
        if let Some(shaft) = self.turning_shaft(now) {
            return not_now(&format!("the {shaft} turns; everything has to stand still"));
        }
        if let Some(guard) = self.guards.tripped_cut() {
            return not_now(&format!("guard \"{guard}\" sees a reason to cut"));
        }
        if self.armed && self.cut.is_cut() {
            return not_now("a cut is in force; look at its cause and release it first");
        }
        self.self_test = Some(SelfTest {
            index: 0,
            step: Step::Free,
            since_us: now.mono_us,
            trials: Vec::new(),
        });
        Ok(format!(
            "self-test of {} guards has begun; keep away from everything that can turn",
            self.stand.guards.len()
        ))
    }

    fn turning_shaft(&self, now: Now) -> Option<&'static str> {
        [(Shaft::Drum, "drum"), (Shaft::Engine, "engine")]
            .into_iter()
            .find(|(shaft, _)| {
                let speed = self.signals.speed_now(*shaft, now.mono_us);
                speed.is_some_and(|speed| speed > TURNING_RAD_PER_S)
            })
            .map(|(_, name)| name)
    }

    /// The board or the link is gone, or something turns.
    pub(super) fn break_off_self_test(&mut self, now: Now, why: &str, out: &mut Output) {
        if let Some(test) = self.self_test.take() {
            self.end_self_test(now, test, Some(why.to_owned()), out);
        }
    }

    /// Goes on with the self-test, if one is under way.
    pub(super) fn self_test(&mut self, now: Now, link: &Link, out: &mut Output) {
        let Some(mut test) = self.self_test.take() else {
            return;
        };
        if !link.has_fresh_status(now) {
            let why = "the board does not tell its state".to_owned();
            return self.end_self_test(now, test, Some(why), out);
        }
        if let Some(shaft) = self.turning_shaft(now) {
            let why = format!("the {shaft} turned");
            return self.end_self_test(now, test, Some(why), out);
        }
        let Some(guard) = self.stand.guards.get(test.index) else {
            return self.end_self_test(now, test, None, out);
        };
        let (name, cuts) = (guard.name.clone(), guard.action == GuardAction::Cut);
        let waited_us = now.mono_us.saturating_sub(test.since_us);
        let debounce_us = u64::from(guard.debounce_ms) * 1000;
        let view = self.cut.view();
        let ms = |us: u64| Some(us as f64 * 1e-3);
        let mut trial = GuardTrial {
            guard: name,
            cuts,
            failure: None,
            tripped_ms: None,
            confirmed_ms: None,
        };
        match test.step {
            Step::Free => match (view.latch, view.cut_id) {
                (CutLatch::Running, _) if needs_teeth(&guard.watch) => {
                    self.tried(&mut test, trial, now, out);
                }
                (CutLatch::Running, _) => {
                    self.guards.force(test.index);
                    test.go_to(Step::Trip, now);
                }
                _ if waited_us > BOARD_US_MAX => {
                    let why = "the board did not release its cut".to_owned();
                    return self.end_self_test(now, test, Some(why), out);
                }
                (CutLatch::Confirmed, Some(cut_id)) => {
                    // What keeps it from being released shows when it is not.
                    drop(self.cut.release(now, cut_id));
                }
                _ => {}
            },
            Step::Trip if self.guards.is_tripped(test.index) => {
                if cuts {
                    test.go_to(
                        Step::Confirm {
                            tripped_us: waited_us,
                        },
                        now,
                    );
                } else {
                    trial.tripped_ms = ms(waited_us);
                    self.tried(&mut test, trial, now, out);
                }
            }
            Step::Trip if waited_us > TRIP_US_MAX + debounce_us => {
                trial.failure = Some("it did not trip: the board sends no value for it".to_owned());
                self.tried(&mut test, trial, now, out);
            }
            Step::Confirm { tripped_us } if view.latch == CutLatch::Confirmed => {
                trial.tripped_ms = ms(tripped_us);
                trial.confirmed_ms = ms(waited_us);
                self.tried(&mut test, trial, now, out);
            }
            Step::Confirm { tripped_us } if waited_us > BOARD_US_MAX => {
                trial.tripped_ms = ms(tripped_us);
                trial.failure = Some("the board did not confirm the cut".to_owned());
                self.tried(&mut test, trial, now, out);
            }
            Step::Clear if waited_us >= CLEAR_US => {
                if let Some(guard) = self.guards.tripped_cut() {
                    let why = format!("guard \"{guard}\" sees a reason to cut");
                    return self.end_self_test(now, test, Some(why), out);
                }
                test.index += 1;
                test.go_to(Step::Free, now);
            }
            Step::Trip | Step::Confirm { .. } | Step::Clear => {}
        }
        self.self_test = Some(test);
        // The last cut stays: that the engine may run is for a person to say.
        if let Some(test) = self
            .self_test
            .take_if(|test| test.index >= self.stand.guards.len())
        {
            self.end_self_test(now, test, None, out);
        }
    }

    fn tried(&mut self, test: &mut SelfTest, trial: GuardTrial, now: Now, out: &mut Output) {
        let cleared = self.guards.unforce();
        self.act(now, None, cleared.into_iter().collect(), out);
        test.trials.push(trial);
        test.go_to(Step::Clear, now);
    }

    fn end_self_test(
        &mut self,
        now: Now,
        test: SelfTest,
        broken_off: Option<String>,
        out: &mut Output,
    ) {
        let cleared = self.guards.unforce();
        self.act(now, None, cleared.into_iter().collect(), out);
        let passed = broken_off.is_none() && test.trials.iter().all(|it| it.failure.is_none());
        let report = SelfTestReport {
            wall_us: now.wall_us,
            passed,
            broken_off,
            trials: test.trials,
        };
        let (severity, message) = if passed {
            self.arming.passed_wall_us = Some(now.wall_us);
            self.armed = true;
            let count = report.trials.len();
            (Severity::Info, format!("all {count} guards passed"))
        } else {
            let message = report.failures().join("; ");
            if !self.armed {
                // Heartbeats end with the self-test, and the stand stays cut.
                self.request_cut(now, None, format!("not armed: {message}"), out);
            }
            (Severity::Error, message)
        };
        out.records.push(Record::Event(EventData {
            now,
            tick: None,
            severity,
            kind: "guard self-test",
            channel: None,
            message,
            data: serde_json::json!({ "trials": report.trials }),
        }));
        out.records.push(Record::SelfTested(report));
    }
}

/// Whether a guard says nothing before a wheel turns, so that it can't be tried at standstill.
fn needs_teeth(watch: &Watch) -> bool {
    matches!(
        watch,
        Watch::Below {
            signal: Signal::Speed(_),
            ..
        } | Watch::RateOfRise {
            signal: Signal::Speed(_),
            ..
        }
    )
}

impl SelfTestReport {
    /// What went wrong, in words.
    #[must_use]
    pub fn failures(&self) -> Vec<String> {
        let failed = self.trials.iter().filter_map(|trial| {
            let failure = trial.failure.as_ref()?;
            Some(format!("guard \"{}\": {failure}", trial.guard))
        });
        let broken_off = self.broken_off.iter();
        failed
            .chain(broken_off.map(|why| format!("broken off: {why}")))
            .collect()
    }
}
