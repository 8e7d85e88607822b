//! The cut: latched, repeated until the board confirms it, released only by a person.
//!
//! The latch holds cuts, each with a number of the daemon's own, who asked for it and why. What goes
//! over the wire to end them is the board's number; what a person names is the newest of the
//! daemon's, and with it all that they have seen.

use leverarm_protocol::CutCause;
use serde::Serialize;

use super::{CommandError, Cut, CutBy, Event, Now, Output};
use leverarm_vocabulary::{EventKind, Severity, payload};

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
    /// Number of the newest cut, by which all are released, once the board has confirmed it.
    pub cut_id: Option<u32>,
    /// Why the newest is.
    pub cause: Option<String>,
    /// When the first began, microseconds since 1970.
    pub since_wall_us: Option<i64>,
    /// All that have not been released, oldest first.
    pub cuts: Vec<Cut>,
    /// Further ones, which were too many to be kept.
    pub cuts_more: u32,
}

/// Cuts that are kept one by one.
const CUTS_MAX: usize = 32;

#[derive(Debug, Default)]
pub(super) struct CutDesk {
    latch: CutLatch,
    /// Number of the newest cut since the daemon started.
    number: u32,
    /// Not released, oldest first.
    cuts: Vec<Cut>,
    cuts_more: u32,
    /// The board's number of its cut.
    cut_id: Option<u16>,
    /// What the board named last, so that it is known again after a break.
    heard: Option<(u16, CutCause)>,
    /// The board's state has been heard since the connection began.
    has_heard: bool,
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

/// Whether the board saw a danger, beyond a host that was or is not there.
const fn is_danger(cause: CutCause) -> bool {
    matches!(
        cause,
        CutCause::Overspeed
            | CutCause::OverTemperature
            | CutCause::SelfTestFailure
            | CutCause::Miscounting
    )
}

/// Cuts by their numbers: `cut 1`, `cuts 1, 2`.
fn numbered(cuts: &[Cut]) -> String {
    let numbers: Vec<String> = cuts.iter().map(|cut| cut.number.to_string()).collect();
    let word = if cuts.len() == 1 { "cut" } else { "cuts" };
    format!("{word} {}", numbers.join(", "))
}

/// The same, with why each is: `cut 1 (why)`, `cuts 1 (why), 2 (why)`.
fn named(cuts: &[Cut]) -> String {
    let named = |cut: &Cut| format!("{} ({})", cut.number, cut.cause);
    let texts: Vec<String> = cuts.iter().map(named).collect();
    let word = if cuts.len() == 1 { "cut" } else { "cuts" };
    format!("{word} {}", texts.join(", "))
}

impl CutDesk {
    /// How far the cut has come.
    pub(super) const fn latch(&self) -> CutLatch {
        self.latch
    }

    pub(super) fn is_cut(&self) -> bool {
        self.latch != CutLatch::Running
    }

    /// Whether it is cut and no release of it is under way.
    pub(super) fn is_held(&self) -> bool {
        self.is_cut() && self.latch != CutLatch::Releasing
    }

    /// Number of the newest cut.
    pub(super) const fn number(&self) -> u32 {
        self.number
    }

    /// Why it is cut, while it is.
    pub(super) fn cause(&self) -> Option<&str> {
        let newest = self.cuts.last().map(|cut| cut.cause.as_str());
        newest.filter(|_| self.is_cut())
    }

    /// The newest cut that a self-test may not end.
    pub(super) fn not_for_self_test(&self) -> Option<&Cut> {
        let mut newest_first = self.cuts.iter().rev();
        newest_first.find(|cut| !cut.by.is_for_self_test())
    }

    /// Asks for a cut. True when a frame has to go out now: for the first cut, and for one that a
    /// release was about to end.
    pub(super) fn request(
        &mut self,
        now: Now,
        tick: Option<u64>,
        (by, cause): (CutBy, String),
        out: &mut Output,
    ) -> bool {
        let message = format!("cut requested: {cause} (number {})", self.number + 1);
        let told = payload::Cut {
            cut: self.number + 1,
            by,
        };
        out.tell(Event::telling(now, tick, &told, message).of(severity(by)));
        self.add(now, by, cause);
        let is_to_be_sent = matches!(self.latch, CutLatch::Running | CutLatch::Releasing);
        if is_to_be_sent {
            // The board's number stays: until it has obeyed or missed a release, it is the one that
            // a status in flight may still name.
            self.ask(now);
        }
        is_to_be_sent
    }

    /// A new cut, also while another is in force.
    fn add(&mut self, now: Now, by: CutBy, cause: String) {
        self.number += 1;
        self.cuts.push(Cut {
            number: self.number,
            by,
            cause,
            since_wall_us: now.wall_us,
        });
        if self.cuts.len() > CUTS_MAX {
            // The first says how it began, and a person's are kept as long as anything else is left.
            let kept = |cut: &Cut| cut.by == CutBy::Person || cut.by == CutBy::NotArmed;
            let mut rest = self.cuts.iter().take(CUTS_MAX).skip(1);
            let dropped = rest.position(|cut| !kept(cut)).unwrap_or(0) + 1;
            self.cuts.remove(dropped);
            self.cuts_more += 1;
        }
    }

    /// No cut is in force any more; numbers go on.
    fn clear(&mut self) {
        *self = Self {
            number: self.number,
            has_heard: self.has_heard,
            ..Self::default()
        };
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

    /// The connection began again: what the board does is unknown, what the daemon wants is not.
    pub(super) fn board_unknown(&mut self, now: Now) {
        self.has_heard = false;
        if self.latch != CutLatch::Running {
            self.ask(now);
            self.cut_id = None;
            self.release_sent_us = None;
        }
    }

    /// The board counts its cuts again.
    pub(super) fn board_restarted(&mut self) {
        self.heard = None;
    }

    /// What the board says of its cut: number and cause while it is cut, `None` while it runs.
    pub(super) fn status(
        &mut self,
        now: Now,
        tick: u64,
        cut: Option<(u16, CutCause)>,
        out: &mut Output,
    ) {
        let is_first = !std::mem::replace(&mut self.has_heard, true);
        match (cut, self.latch) {
            (Some(heard), CutLatch::Running) => {
                let is_start = is_first && !is_danger(heard.1) && heard.1 != CutCause::HostCommand;
                let by = if is_start {
                    CutBy::BoardStart
                } else {
                    CutBy::Board
                };
                self.board_cut(now, tick, heard, by, out);
            }
            (Some((cut_id, _)), CutLatch::Requested) if self.may_be_released(now, cut_id) => {}
            (Some(heard), CutLatch::Requested) => {
                let (cut_id, cause) = heard;
                let message = format!(
                    "the board confirms the cut as its number {cut_id} ({})",
                    cause_word(cause)
                );
                let most = self.cuts.iter().map(|cut| severity(cut.by)).max();
                let told = Event::new(now, Some(tick), EventKind::CutConfirmed, message);
                out.tell(told.of(most.unwrap_or(Severity::Cut)));
                // What the board saw is for a person to look at, not for a self-test to end.
                let is_new = self.heard != Some(heard);
                if is_new && is_danger(cause) && self.not_for_self_test().is_none() {
                    self.board_cut(now, tick, heard, CutBy::Board, out);
                }
                self.confirmed(heard);
            }
            (Some(heard), CutLatch::Confirmed | CutLatch::Releasing) => {
                if self.cut_id != Some(heard.0) {
                    self.board_cut(now, tick, heard, CutBy::Board, out);
                }
            }
            (None, CutLatch::Releasing) => {
                let more = match self.cuts_more {
                    0 => String::new(),
                    more => format!(", and {more} more of which only the count is kept"),
                };
                let message = format!("{} released{more}", numbered(&self.cuts));
                let told = payload::Released {
                    cuts: std::mem::take(&mut self.cuts),
                    more: self.cuts_more,
                };
                out.tell(Event::telling(now, Some(tick), &told, message));
                self.clear();
            }
            (None, CutLatch::Confirmed) => {
                // The board runs although nobody released the cut: the daemon's latch holds.
                self.ask(now);
                self.cut_id = None;
                let message = "the board runs although the cut was not released: cutting again";
                let told = payload::Cut {
                    cut: self.number,
                    by: CutBy::Board,
                };
                out.tell(Event::telling(now, Some(tick), &told, message));
            }
            (None, CutLatch::Requested | CutLatch::Running) => {}
        }
    }

    fn board_cut(
        &mut self,
        now: Now,
        tick: u64,
        heard: (u16, CutCause),
        by: CutBy,
        out: &mut Output,
    ) {
        let cause = cause_word(heard.1).to_owned();
        let (number, its) = (self.number + 1, heard.0);
        let message = format!("cut {number}: the board cut (its number {its}): {cause}");
        let told = payload::BoardCut { cut: number, by };
        out.tell(Event::telling(now, Some(tick), &told, message).of(severity(by)));
        self.add(now, by, cause);
        self.confirmed(heard);
    }

    fn confirmed(&mut self, heard: (u16, CutCause)) {
        self.latch = CutLatch::Confirmed;
        self.cut_id = Some(heard.0);
        self.heard = Some(heard);
    }

    /// Whether a status that names this cut may be from before the board obeyed a release of it.
    fn may_be_released(&self, now: Now, cut_id: u16) -> bool {
        let sent = self.release_sent_us.filter(|_| self.cut_id == Some(cut_id));
        sent.is_some_and(|at| now.mono_us.saturating_sub(at) < RELEASE_IN_FLIGHT_US)
    }

    /// A person has seen all cuts up to this number and wants them ended. Says which those are.
    pub(super) fn release(&mut self, now: Now, asked: u32) -> Result<String, CommandError> {
        self.seen(asked)?;
        self.end(now)?;
        Ok(named(&self.cuts))
    }

    /// A person has seen all cuts up to this number, but the stand is not armed: what keeps it cut
    /// stays, and the rest is over. Says which those are; `None` when there are none.
    pub(super) fn release_all_but_arming(
        &mut self,
        now: Now,
        asked: u32,
        out: &mut Output,
    ) -> Result<Option<String>, CommandError> {
        if self.not_for_self_test().is_none() && self.cuts_more == 0 {
            return Ok(None);
        }
        self.seen(asked)?;
        let (kept, ended) = std::mem::take(&mut self.cuts)
            .into_iter()
            .partition(|cut| cut.by == CutBy::NotArmed);
        let ended: Vec<Cut> = ended;
        (self.cuts, self.cuts_more) = (kept, 0);
        let text = named(&ended);
        let message = format!(
            "{} released, but the stand stays cut, since it is not armed",
            numbered(&ended)
        );
        let told = payload::Released {
            cuts: ended,
            more: 0,
        };
        out.tell(Event::telling(now, None, &told, message));
        Ok(Some(text))
    }

    /// Whether a person who names this number has seen all cuts in force.
    fn seen(&self, asked: u32) -> Result<(), CommandError> {
        match self.number {
            _ if !self.is_cut() => Err(CommandError::NotCut),
            newest if asked > newest => Err(CommandError::OtherCut {
                asked,
                found: newest,
            }),
            newest if asked < newest => Err(CommandError::CutSince {
                asked,
                since: {
                    let since = self.cuts.partition_point(|cut| cut.number <= asked);
                    named(self.cuts.get(since..).unwrap_or_default())
                },
                newest,
            }),
            _ => Ok(()),
        }
    }

    /// Ends a cut that the board has confirmed. For what a person has not seen, only a self-test's
    /// own.
    fn end(&mut self, now: Now) -> Result<(), CommandError> {
        if self.latch == CutLatch::Requested || self.cut_id.is_none() {
            return Err(CommandError::NotConfirmed);
        }
        self.latch = CutLatch::Releasing;
        self.release_since_us = now.mono_us;
        self.release_sent_us = None;
        Ok(())
    }

    /// Ends the cuts of a self-test. Whether it may go on at all is asked before.
    pub(super) fn release_for_self_test(&mut self, now: Now) {
        if self.latch == CutLatch::Confirmed && self.not_for_self_test().is_none() {
            // What keeps it from being released shows when it is not.
            drop(self.end(now));
        }
    }

    /// Tells, once, of a cut that the board leaves unconfirmed.
    pub(super) fn tell_unheard(&mut self, now: Now, out: &mut Output) {
        if self.is_unheard(now) && !self.told_unconfirmed {
            self.told_unconfirmed = true;
            out.tell(Event::new(now, None, EventKind::CutUnconfirmed, UNHEARD).of(Severity::Error));
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
            out.tell(
                Event::new(now, None, EventKind::ReleaseRefused, message).of(Severity::Warning),
            );
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
            cut_id: (self.is_cut() && self.latch != CutLatch::Requested).then_some(self.number),
            cause: self.cuts.last().map(|cut| cut.cause.clone()),
            since_wall_us: self.cuts.first().map(|cut| cut.since_wall_us),
            cuts: self.cuts.clone(),
            cuts_more: self.cuts_more,
        }
    }
}

/// An orderly stop cuts as any other, but there is nothing to be seen to.
fn severity(by: CutBy) -> Severity {
    match by {
        CutBy::Stop => Severity::Info,
        _ => Severity::Cut,
    }
}
