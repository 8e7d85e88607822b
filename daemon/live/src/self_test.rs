//! The self-test of the guards. First the shafts are turned by hand until teeth have come from every
//! pickup that a cutting guard needs. Then, with everything at standstill, each guard in turn is
//! given a limit below the present value, has to trip, and the board has to cut. A daemon that asks
//! for one keeps the stand cut until it has passed.
//!
//! It begins and ends cut, whatever happens between, and ends no cut but its own, that of a stand
//! which is not armed, and that of the board's start. Any other breaks it off.

use std::collections::BTreeMap;

use leverarm_config::{Guard, GuardAction, Rule, Shaft, Signal, Stand};
use serde::{Deserialize, Serialize};

use super::link::Link;
use super::signals::Signals;
use super::{CommandError, Core, Cut, CutBy, CutLatch, Event, HelloData, Now, Output, Record};
use leverarm_vocabulary::{EventKind, Payload, Severity};

/// A shaft turns when it is faster than this: teeth that stay away leave a little speed possible
/// for a while.
const TURNING_RAD_PER_S: f64 = 1.0;
/// Edges since the board's start by which a pickup is known to work: one may be a spark's.
const EDGES_MIN: u32 = 2;
/// Longest time for a person to turn the shafts by hand.
const TURN_US_MAX: u64 = 180_000_000;
/// Longest time for them to come to rest again: a heavy drum runs on.
const REST_US_MAX: u64 = 120_000_000;
/// Longest time for a guard to trip beyond its debounce: a slow channel has to be sampled.
const TRIP_US_MAX: u64 = 3_000_000;
/// Longest time for the board to confirm a cut or a release.
const BOARD_US_MAX: u64 = 1_500_000;
/// So long a guard is given to see a real reason, before the cut of its trial is released.
const CLEAR_US: u64 = 500_000;

/// One start of one board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BoardStart {
    /// Identity of the board.
    pub board_id: u64,
    /// Number of its start.
    pub boot: u16,
}

impl From<&HelloData> for BoardStart {
    fn from(hello: &HelloData) -> Self {
        Self {
            board_id: hello.board_id,
            boot: hello.boot,
        }
    }
}

/// A self-test that passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Passed {
    /// When, microseconds since 1970.
    pub wall_us: i64,
    /// On which start of which board.
    pub board: BoardStart,
}

/// How the last self-test of a stand file's guards went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LastTest {
    /// There was none.
    #[default]
    None,
    /// It failed or was broken off. Then another is asked for, whatever the stand file says.
    Failed,
    /// It passed.
    Passed(Passed),
}

/// Whether a self-test is asked for, and how the last one went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Arming {
    /// Oldest self-test that counts, microseconds; `None`: none is asked for.
    pub age_us_max: Option<i64>,
    /// None is asked for with a board that says that it is simulated.
    pub simulated_is_exempt: bool,
    /// The last one of this stand file's guards.
    pub last: LastTest,
}

impl Arming {
    /// Why the stand may not be armed now with this board. A self-test of the future does not count:
    /// one of the clocks was wrong.
    pub(super) fn lacks(&self, now: Now, hello: &HelloData) -> Option<&'static str> {
        if self.last == LastTest::Failed {
            return Some("the last test of the guards did not pass");
        }
        let age_us_max = self.age_us_max?;
        if self.simulated_is_exempt && hello.is_simulated {
            return None;
        }
        match self.last {
            LastTest::None | LastTest::Failed => {
                Some("the guards of this stand file have not passed a test")
            }
            LastTest::Passed(passed) if passed.board != BoardStart::from(hello) => {
                Some("the guards were tested on another board, or before this start of it")
            }
            LastTest::Passed(passed) => {
                let age_us = now.wall_us.saturating_sub(passed.wall_us);
                let is_fresh = (0..=age_us_max).contains(&age_us);
                (!is_fresh).then_some("the last self-test of the guards is too old")
            }
        }
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
    /// On which start of which board; `None` where that was not kept.
    #[serde(default)]
    pub board: Option<BoardStart>,
    /// The guards that were tried, in the order of the stand file.
    pub trials: Vec<GuardTrial>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Step {
    /// The shafts are to be turned by hand, until every pickup has shown teeth.
    Turn,
    /// They are to come to rest again.
    Rest,
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
    board: BoardStart,
    trials: Vec<GuardTrial>,
}

/// Edges of each pickup since the board's start, as far as they were heard.
#[derive(Debug, Default)]
pub(super) struct EdgesSeen {
    of: Option<BoardStart>,
    pickups: BTreeMap<u8, u32>,
}

impl EdgesSeen {
    /// Another board, or another start of it, has shown nothing yet.
    pub(super) fn board(&mut self, board: BoardStart) {
        if self.of != Some(board) {
            *self = Self {
                of: Some(board),
                pickups: BTreeMap::new(),
            };
        }
    }

    /// A board numbers its edges from its start, so that its word counts for those not heard.
    pub(super) fn saw(&mut self, pickup: u8, first: u32, count: usize) {
        let edges = first.saturating_add(u32::try_from(count).unwrap_or(u32::MAX));
        let seen = self.pickups.entry(pickup).or_default();
        *seen = edges.max(*seen);
    }

    /// Whether a pickup is known to work.
    pub(super) fn work(&self, pickup: u8) -> bool {
        let seen = self.pickups.get(&pickup);
        seen.is_some_and(|edges| *edges >= EDGES_MIN)
    }

    /// The pickups that a cutting guard needs and that have shown no teeth yet, in words.
    fn lacking(&self, stand: &Stand, signals: &Signals) -> Vec<String> {
        let needed = needed_pickups(stand, signals);
        let name = |pickup: u8| {
            let shaft = stand.pickups.iter().find(|it| it.channel == pickup);
            let shaft = match shaft.map(|it| it.shaft) {
                Some(Shaft::Engine) => "engine",
                Some(Shaft::Drum) | None => "drum",
            };
            format!("pickup {pickup} ({shaft})")
        };
        let lacking = needed.into_iter().filter(|pickup| !self.work(*pickup));
        lacking.map(name).collect()
    }
}

/// The pickups whose teeth a cutting guard needs.
fn needed_pickups(stand: &Stand, signals: &Signals) -> Vec<u8> {
    let cutting = stand
        .guards
        .iter()
        .filter(|it| it.action == GuardAction::Cut);
    let mut pickups: Vec<u8> = cutting
        .flat_map(|guard| {
            let by_speed = !guard.limit_by_speed.is_empty() || guard.while_pulling;
            let own = match guard.signal {
                Signal::Speed(shaft) => Some(shaft),
                Signal::LoadCell | Signal::Channel(_) | Signal::Board => None,
            };
            [own, by_speed.then_some(Shaft::Engine)]
        })
        .flatten()
        .filter_map(|shaft| signals.speed_source(shaft))
        .collect();
    pickups.sort_unstable();
    pickups.dedup();
    pickups
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

    /// A board is there: may it be armed? Asked at each hello, which comes with a new connection or
    /// a new start of the board, and never while both last: no cut comes in the middle of a session.
    pub(super) fn arm(&mut self, now: Now, hello: &HelloData, out: &mut Output) {
        let Some(why) = self.arming.lacks(now, hello) else {
            self.armed = true;
            return;
        };
        let message = format!("{why}; with everything at standstill, run: leverarm test-guards");
        self.disarm(now, &message, out);
        let message = format!("not armed: {message}");
        out.tell(Event::new(now, None, EventKind::NotArmed, message));
    }

    fn disarm(&mut self, now: Now, why: &str, out: &mut Output) {
        self.armed = false;
        let cut = (CutBy::NotArmed, format!("not armed: {why}"));
        self.request_cut(now, None, cut, out);
    }

    pub(super) fn begin_self_test(
        &mut self,
        now: Now,
        out: &mut Output,
    ) -> Result<String, CommandError> {
        let not_now = |why: &str| {
            Err(CommandError::NoSelfTest {
                why: why.to_owned(),
            })
        };
        if self.self_test.is_some() {
            return not_now("one is under way");
        }
        let link = self.link.as_ref();
        let hello =
            link.and_then(|link| link.hello.as_ref().filter(|_| link.has_fresh_status(now)));
        let Some(board) = hello.map(BoardStart::from) else {
            return not_now("no board is connected, or it does not tell its state");
        };
        if let Some(guard) = self.guards.tripped_cut() {
            return not_now(&format!("guard \"{guard}\" sees a reason to cut"));
        }
        if self.armed && self.cut.is_cut() {
            return not_now("a cut is in force; look at its cause and release it first");
        }
        if let Some(cut) = self.cut.not_for_self_test() {
            let Cut { number, cause, .. } = cut;
            return not_now(&format!(
                "cut {number} is in force ({cause}); see to its cause, then: leverarm release {}",
                self.cut.number()
            ));
        }
        if let Some(shaft) = self.turning_shaft(now).filter(|_| !self.cut.is_cut()) {
            return not_now(&format!("the {shaft} turns; everything has to stand still"));
        }
        let cut = (CutBy::SelfTest, "self-test of the guards".to_owned());
        self.request_cut(now, None, cut, out);
        let lacking = self.edges_seen.lacking(&self.stand, &self.signals);
        self.self_test = Some(SelfTest {
            index: 0,
            step: Step::Turn,
            since_us: now.mono_us,
            board,
            trials: Vec::new(),
        });
        let count = self.stand.guards.len();
        Ok(if lacking.is_empty() {
            format!(
                "self-test of {count} guards has begun; keep away from everything that can turn"
            )
        } else {
            format!(
                "self-test of {count} guards has begun. {}",
                turn_text(&lacking)
            )
        })
    }

    /// What a self-test under way waits for.
    pub(super) fn self_test_waits_for(&self) -> Option<String> {
        Some(match self.self_test.as_ref()?.step {
            Step::Turn => turn_text(&self.edges_seen.lacking(&self.stand, &self.signals)),
            Step::Rest => "everything to stand still for the self-test of the guards".to_owned(),
            _ => "the self-test of the guards".to_owned(),
        })
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
        if let Some(cut) = self.cut.not_for_self_test() {
            let why = format!("cut {}: {}", cut.number, cut.cause);
            return self.end_self_test(now, test, Some(why), out);
        }
        let turning = self.turning_shaft(now);
        if let Step::Turn | Step::Rest = test.step {
            let lacking = self.edges_seen.lacking(&self.stand, &self.signals);
            let waited_us = now.mono_us.saturating_sub(test.since_us);
            match (test.step, turning) {
                (Step::Turn, _) if lacking.is_empty() => test.go_to(Step::Rest, now),
                (Step::Turn, _) if waited_us > TURN_US_MAX => {
                    let why = format!("no teeth came from {}", lacking.join(", "));
                    return self.end_self_test(now, test, Some(why), out);
                }
                (Step::Rest, None) => test.go_to(Step::Free, now),
                (Step::Rest, Some(shaft)) if waited_us > REST_US_MAX => {
                    let why = format!("the {shaft} did not come to rest");
                    return self.end_self_test(now, test, Some(why), out);
                }
                _ => {}
            }
            self.self_test = Some(test);
            return;
        }
        if let Some(shaft) = turning {
            let why = format!("the {shaft} turned");
            return self.end_self_test(now, test, Some(why), out);
        }
        let Some(guard) = self.stand.guards.get(test.index) else {
            return self.end_self_test(now, test, None, out);
        };
        let (name, cuts) = (guard.name.clone(), guard.action == GuardAction::Cut);
        let waited_us = now.mono_us.saturating_sub(test.since_us);
        let debounce_us = u64::from(guard.debounce_ms) * 1000;
        let ms = |us: u64| Some(us as f64 * 1e-3);
        let mut trial = GuardTrial {
            guard: name,
            cuts,
            failure: None,
            tripped_ms: None,
            confirmed_ms: None,
        };
        match test.step {
            Step::Free => match self.cut.latch() {
                CutLatch::Running if needs_teeth(guard) => {
                    self.tried(&mut test, trial, now, out);
                }
                CutLatch::Running => {
                    self.guards.force(test.index);
                    test.go_to(Step::Trip, now);
                }
                _ if waited_us > BOARD_US_MAX => {
                    let why = "the board did not release its cut".to_owned();
                    return self.end_self_test(now, test, Some(why), out);
                }
                _ => self.cut.release_for_self_test(now),
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
            Step::Confirm { tripped_us } if self.cut.latch() == CutLatch::Confirmed => {
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
            Step::Turn | Step::Rest | Step::Trip | Step::Confirm { .. } | Step::Clear => {}
        }
        self.self_test = Some(test);
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
            board: Some(test.board),
            trials: test.trials,
        };
        // It ends cut: that the engine may run is for a person to say.
        if passed {
            self.arming.last = LastTest::Passed(Passed {
                wall_us: now.wall_us,
                board: test.board,
            });
            self.armed = true;
            if !self.cut.is_held() {
                let cut = (
                    CutBy::SelfTest,
                    "the self-test of the guards is over".to_owned(),
                );
                self.request_cut(now, None, cut, out);
            }
        } else {
            // Heartbeats end with the self-test, and what passed earlier counts no more.
            self.arming.last = LastTest::Failed;
            self.disarm(now, &report.failures().join("; "), out);
        }
        out.tell(report.event(now, ""));
        out.records.push(Record::SelfTested(report));
    }
}

fn turn_text(lacking: &[String]) -> String {
    if lacking.is_empty() {
        return "the self-test of the guards".to_owned();
    }
    format!(
        "Ignition off, turn drum and engine by hand until teeth come from {}",
        lacking.join(" and ")
    )
}

/// Whether a guard says nothing before a wheel turns, so that it can't be tried at standstill.
fn needs_teeth(guard: &Guard) -> bool {
    matches!(guard.signal, Signal::Speed(_)) && matches!(guard.rule, Rule::Below | Rule::RateOfRise)
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

    /// The journal's word of it. `on` says on what all passed, where that was not the stand itself.
    #[must_use]
    pub fn event(&self, now: Now, on: &str) -> Event {
        let trials = self.trials.clone();
        let (severity, message) = if self.passed {
            let message = format!("all {} guards passed{on}", trials.len());
            (Severity::Info, message)
        } else {
            (Severity::Error, self.failures().join("; "))
        };
        Event::telling(now, None, &GuardsTested { trials }, message).of(severity)
    }
}

/// What the journal keeps of a self-test.
#[derive(Debug, Serialize, Deserialize)]
struct GuardsTested {
    trials: Vec<GuardTrial>,
}

impl Payload for GuardsTested {
    const KIND: EventKind = EventKind::GuardSelfTest;
}
