//! The cut: latched, repeated until the board confirms it, released only by a person.

use leverarm_protocol::CutCause;
use serde::Serialize;

use super::{CommandError, EventData, Now, Output, Record};
use crate::store::Severity;

const REPEAT_CUT_US: u64 = 20_000;
const REPEAT_RELEASE_US: u64 = 100_000;
const RELEASE_US_MAX: u64 = 1_000_000;
/// So long after a release frame went out, a status that was sent before the board obeyed it may
/// still come in.
const RELEASE_IN_FLIGHT_US: u64 = 500_000;
/// A board that has not confirmed a cut after so long is told about, loudly.
const UNCONFIRMED_US: u64 = 200_000;

/// What a cut that stays unconfirmed is told with.
pub(super) const UNHEARD: &str =
    "the board has not confirmed the cut: use the hard-wired emergency stop";

/// How far a cut has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CutLatch {
    /// No cut: the engine may run.
    #[default]
    Running,
    /// Asked for; the board has not confirmed it yet.
    Requested,
    /// In force and confirmed by the board.
    Confirmed,
    /// A release was sent, and the board has not answered yet.
    Releasing,
}

/// The cut as a person sees it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct CutView {
    /// How far it has come.
    pub latch: CutLatch,
    /// Number by which it is released, once confirmed.
    pub cut_id: Option<u16>,
    /// Why.
    pub cause: Option<String>,
    /// When it began, microseconds since 1970.
    pub since_wall_us: Option<i64>,
}

#[derive(Debug, Default)]
pub(super) struct CutDesk {
    latch: CutLatch,
    cut_id: Option<u16>,
    cause: Option<String>,
    since: Option<Now>,
    /// Since when the board has been asked to cut without confirming it.
    asked_us: u64,
    sent_us: Option<u64>,
    told_unconfirmed: bool,
    release_since_us: u64,
    release_sent_us: Option<u64>,
}

pub(super) const fn cause_word(cause: CutCause) -> &'static str {
    match cause {
        CutCause::HostCommand => "the host's command",
        CutCause::Overspeed => "overspeed, seen by the board",
        CutCause::HeartbeatLost => "no heartbeat from the host, seen by the board",
        CutCause::OverTemperature => "over-temperature, seen by the board",
        CutCause::SelfTestFailure => "the board's self-test failed",
        CutCause::WatchdogReset => {
            "the board was reset by its watchdog or in another unexpected way"
        }
        CutCause::Miscounting => "drum teeth missed by the pickup, seen by the board",
        CutCause::Other => "the board's own reason",
    }
}

impl CutDesk {
    pub(super) fn is_cut(&self) -> bool {
        self.latch != CutLatch::Running
    }

    /// Why it is cut, while it is.
    pub(super) fn cause(&self) -> Option<&str> {
        self.cause.as_deref().filter(|_| self.is_cut())
    }

    /// Asks for a cut. True when a frame has to go out now: for a new cut, and for one that a
    /// release was about to end.
    pub(super) fn request(
        &mut self,
        now: Now,
        tick: Option<u64>,
        cause: String,
        out: &mut Output,
    ) -> bool {
        match self.latch {
            CutLatch::Running => {
                *self = Self {
                    latch: CutLatch::Requested,
                    cause: Some(cause.clone()),
                    since: Some(now),
                    asked_us: now.mono_us,
                    ..Self::default()
                };
                cut_event(out, now, tick, "cut", format!("cut requested: {cause}"));
                true
            }
            CutLatch::Releasing => {
                // The number stays: until the board has obeyed or missed the release, it is the one
                // that a status in flight may still name.
                self.ask(now);
                self.cause = Some(cause.clone());
                let message = format!("cut requested again: {cause}");
                cut_event(out, now, tick, "cut", message);
                true
            }
            CutLatch::Requested | CutLatch::Confirmed => false,
        }
    }

    fn ask(&mut self, now: Now) {
        self.latch = CutLatch::Requested;
        self.asked_us = now.mono_us;
        self.sent_us = None;
        self.told_unconfirmed = false;
    }

    pub(super) fn sent(&mut self, now: Now) {
        self.sent_us = Some(now.mono_us);
    }

    /// When the cut frame has to go out again, on the monotonic clock; 0 is at once.
    pub(super) fn due_us(&self) -> Option<u64> {
        let due_us = self.sent_us.map_or(0, |at| at + REPEAT_CUT_US);
        (self.latch == CutLatch::Requested).then_some(due_us)
    }

    /// Whether the board leaves a cut unconfirmed for too long.
    pub(super) fn is_unheard(&self, now: Now) -> bool {
        self.latch == CutLatch::Requested
            && now.mono_us.saturating_sub(self.asked_us) > UNCONFIRMED_US
    }

    /// The connection began anew: what the board does is unknown, what the daemon wants is not.
    pub(super) fn board_unknown(&mut self, now: Now) {
        if self.latch != CutLatch::Running {
            self.ask(now);
            self.cut_id = None;
            self.release_sent_us = None;
        }
    }

    /// What the board says of its cut: number and cause while it is cut, `None` while it runs.
    pub(super) fn status(
        &mut self,
        now: Now,
        tick: u64,
        cut: Option<(u16, CutCause)>,
        out: &mut Output,
    ) {
        match (cut, self.latch) {
            (Some((cut_id, cause)), CutLatch::Running) => {
                let cause = cause_word(cause).to_owned();
                let message = format!("the board cut (number {cut_id}): {cause}");
                cut_event(out, now, Some(tick), "board cut", message);
                *self = Self {
                    latch: CutLatch::Confirmed,
                    cut_id: Some(cut_id),
                    cause: Some(cause),
                    since: Some(now),
                    ..Self::default()
                };
            }
            (Some((cut_id, _)), CutLatch::Requested) if self.may_be_released(now, cut_id) => {}
            (Some((cut_id, cause)), CutLatch::Requested) => {
                self.latch = CutLatch::Confirmed;
                self.cut_id = Some(cut_id);
                let message = format!(
                    "the board confirms the cut as number {cut_id} ({})",
                    cause_word(cause)
                );
                cut_event(out, now, Some(tick), "cut confirmed", message);
            }
            (Some((cut_id, cause)), CutLatch::Confirmed | CutLatch::Releasing) => {
                if self.cut_id != Some(cut_id) {
                    let message = format!(
                        "the board cut again (number {cut_id}): {}",
                        cause_word(cause)
                    );
                    cut_event(out, now, Some(tick), "board cut", message);
                    self.latch = CutLatch::Confirmed;
                    self.cut_id = Some(cut_id);
                    self.cause = Some(cause_word(cause).to_owned());
                    self.since = Some(now);
                }
            }
            (None, CutLatch::Releasing) => {
                let message = format!("cut {} released", self.cut_id.unwrap_or(0));
                out.records
                    .push(event(now, Some(tick), Severity::Info, "released", message));
                *self = Self::default();
            }
            (None, CutLatch::Confirmed) => {
                // The board runs although nobody released the cut: the daemon's latch holds.
                self.ask(now);
                self.cut_id = None;
                let message =
                    "the board runs although the cut was not released: cutting again".to_owned();
                cut_event(out, now, Some(tick), "cut", message);
            }
            (None, CutLatch::Requested | CutLatch::Running) => {}
        }
    }

    /// Whether a status that names this cut may be from before the board obeyed a release of it.
    fn may_be_released(&self, now: Now, cut_id: u16) -> bool {
        let sent = self.release_sent_us.filter(|_| self.cut_id == Some(cut_id));
        sent.is_some_and(|at| now.mono_us.saturating_sub(at) < RELEASE_IN_FLIGHT_US)
    }

    /// A person wants the cut with this number ended.
    pub(super) fn release(&mut self, now: Now, cut_id: u16) -> Result<(), CommandError> {
        match (self.latch, self.cut_id) {
            (CutLatch::Running, _) => Err(CommandError::NotCut),
            (CutLatch::Requested, _) | (_, None) => Err(CommandError::NotConfirmed),
            (_, Some(found)) if found != cut_id => Err(CommandError::OtherCut {
                asked: cut_id,
                found,
            }),
            _ => {
                self.latch = CutLatch::Releasing;
                self.release_since_us = now.mono_us;
                self.release_sent_us = None;
                Ok(())
            }
        }
    }

    /// Tells, once, of a cut that the board leaves unconfirmed.
    pub(super) fn tell_unheard(&mut self, now: Now, out: &mut Output) {
        if self.is_unheard(now) && !self.told_unconfirmed {
            self.told_unconfirmed = true;
            out.records.push(event(
                now,
                None,
                Severity::Error,
                "cut unconfirmed",
                UNHEARD.to_owned(),
            ));
        }
    }

    /// The number to release, when a release frame has to go out now. Tells of a release that the
    /// board refuses.
    pub(super) fn release_due(&mut self, now: Now, out: &mut Output) -> Option<u16> {
        if self.latch != CutLatch::Releasing {
            return None;
        }
        if now.mono_us.saturating_sub(self.release_since_us) > RELEASE_US_MAX {
            self.latch = CutLatch::Confirmed;
            let message = "the board did not release the cut within 1 s: it still sees a reason, or does not hear".to_owned();
            out.records.push(event(
                now,
                None,
                Severity::Warning,
                "release refused",
                message,
            ));
            return None;
        }
        if self
            .release_sent_us
            .is_some_and(|at| now.mono_us.saturating_sub(at) < REPEAT_RELEASE_US)
        {
            return None;
        }
        self.release_sent_us = Some(now.mono_us);
        self.cut_id
    }

    pub(super) fn view(&self) -> CutView {
        CutView {
            latch: self.latch,
            cut_id: self.cut_id.filter(|_| self.latch != CutLatch::Requested),
            cause: self.cause.clone(),
            since_wall_us: self.since.map(|since| since.wall_us),
        }
    }
}

fn event(
    now: Now,
    tick: Option<u64>,
    severity: Severity,
    kind: &'static str,
    message: String,
) -> Record {
    let data = serde_json::Value::Null;
    Record::Event(EventData {
        now,
        tick,
        severity,
        kind,
        channel: None,
        message,
        data,
    })
}

fn cut_event(out: &mut Output, now: Now, tick: Option<u64>, kind: &'static str, message: String) {
    out.records
        .push(event(now, tick, Severity::Cut, kind, message));
}
