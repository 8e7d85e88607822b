//! What a destination does next: the part of its thread that has no socket, no clock and no runtime.

use std::time::Duration;

use leverarm_config::StreamDestination;

use super::courier::{Answer, Courier, Progress, Request};
use super::feed::{Batch, Feed};
use super::points;
use leverarm_live::Now;
use leverarm_store::{Cursor, NewEvent, Severity, Store, StoreError};
use leverarm_vocabulary::{Event, RefusedPoint, payload};

/// Nothing new: look again after this.
const IDLE: Duration = Duration::from_millis(250);
/// The cursor is kept at most so often; after a crash so much is sent a second time.
const KEEP_EVERY_US: u64 = 2_000_000;
/// A server that is away for so long is told of in the journal.
const AWAY_TOLD_US: u64 = 10_000_000;
/// The store could not be read, or takes nothing: try again after this.
pub(super) const STORE_RETRY: Duration = Duration::from_secs(2);
/// Events that may wait for a recorder that is busy.
const EVENTS_MAX: usize = 100;
/// Lines shown of those that a server refuses; all of them can be made again from the store.
const LINES_SHOWN_MAX: usize = 20;

/// What to do next.
#[derive(Debug, Clone, PartialEq)]
pub enum Want {
    /// Send these lines to the server; its answer goes to [`Destination::answered`].
    Send(String),
    /// Give this to the recorder; what came of it goes to [`Destination::saved`].
    Save(Save),
    /// Nothing for so long.
    Wait(Duration),
}

/// What the recorder is to save: events, and how far the destination has come.
#[derive(Debug, Clone, PartialEq)]
pub struct Save {
    /// Everything up to here is there; `None` leaves the kept cursor as it is.
    pub cursor: Option<Cursor>,
    /// For the journal.
    pub events: Vec<NewEvent>,
    /// Nothing may be sent before this is on the disk: wait for the recorder's answer, however long
    /// it takes.
    pub surely: bool,
}

impl Save {
    /// Puts it into the store: the events first, so that a cursor never passes one that is lost.
    ///
    /// # Errors
    /// As the store's writing methods; what came before is stored.
    pub fn put(&self, store: &mut Store, destination: &str) -> Result<(), StoreError> {
        for event in &self.events {
            store.add_event(event)?;
        }
        match &self.cursor {
            Some(cursor) => store.advance_cursor(destination, cursor),
            None => Ok(()),
        }
    }
}

/// What came of a [`Save`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SaveOutcome {
    /// It is on the disk.
    OnDisk,
    /// The recorder has it and will come to it.
    Given,
    /// The recorder is busy, or the store refuses.
    NotSaved,
}

/// A batch on its way.
#[derive(Debug)]
struct Parcel {
    batch: Batch,
    courier: Courier,
}

/// One destination: makes its points, carries them to the server, and knows what is to be kept.
#[derive(Debug)]
pub struct Destination {
    settings: StreamDestination,
    feed: Feed,
    parcel: Option<Parcel>,
    /// Under way to the recorder.
    saving: Option<Save>,
    kept: Cursor,
    kept_us: u64,
    /// The server is away: since when, and whether that was told.
    away: Option<(u64, bool)>,
    /// For the journal, at the next opportunity.
    events: Vec<NewEvent>,
    /// There is one that was not offered to the recorder yet.
    is_news: bool,
    wait: Option<Duration>,
}

impl Destination {
    /// A destination that has everything up to where the feed begins.
    #[must_use]
    pub fn new(settings: StreamDestination, feed: Feed) -> Self {
        Self {
            settings,
            kept: feed.at(),
            feed,
            parcel: None,
            saving: None,
            kept_us: 0,
            away: None,
            events: Vec::new(),
            is_news: false,
            wait: None,
        }
    }

    /// What to do now. The time of a [`Want::Wait`] is taken as waited; of the others it has to be told
    /// what came of them, and says the same until then.
    pub fn next(&mut self, now: Now) -> Want {
        loop {
            if let Some(time) = self.wait.take() {
                return Want::Wait(time);
            }
            if let Some(save) = &self.saving {
                return Want::Save(save.clone());
            }
            if std::mem::take(&mut self.is_news) {
                self.keep(None, false);
                continue;
            }
            match self.parcel.take() {
                Some(parcel) => {
                    if let Some(want) = self.carry(parcel, now) {
                        return want;
                    }
                }
                None => self.look(now),
            }
        }
    }

    /// The next request of a batch; `None` when all of it is there or set aside.
    fn carry(&mut self, mut parcel: Parcel, now: Now) -> Option<Want> {
        let StreamDestination { name, stand, .. } = &self.settings;
        let probe = || points::probe(stand, name, now.wall_us);
        let want = match parcel.courier.request(&parcel.batch.lines, probe) {
            Request::Send(body) => Want::Send(body),
            Request::Wait(time) => Want::Wait(time),
            Request::Done => {
                let Parcel { batch, courier } = parcel;
                let refused = courier.into_refused(&batch.lines);
                self.set_aside(&batch, &refused, now);
                self.keep_when_due(batch.cursor, !refused.is_empty(), now);
                return None;
            }
        };
        self.parcel = Some(parcel);
        Some(want)
    }

    /// Makes the next batch.
    fn look(&mut self, now: Now) {
        match self.feed.next_batch() {
            Ok(Some(batch)) => {
                let courier = Courier::new(&batch.lines);
                self.parcel = Some(Parcel { batch, courier });
            }
            Ok(None) => {
                self.keep_when_due(self.feed.at(), false, now);
                self.wait = Some(IDLE);
            }
            Err(error) => {
                tracing::warn!(%error, "a stream can't read the store");
                self.wait = Some(STORE_RETRY);
            }
        }
    }

    /// The server's answer to what was sent.
    pub fn answered(&mut self, answer: &Answer, now: Now) {
        let Some(parcel) = &mut self.parcel else {
            return;
        };
        let progress = parcel.courier.progress(answer);
        parcel.courier.answer(answer.clone());
        if let Some(progress) = progress {
            self.progress(progress, now);
        }
    }

    fn progress(&mut self, progress: Progress<'_>, now: Now) {
        let name = &self.settings.name;
        match (progress, self.away) {
            (Progress::Taken(_), None) => {}
            (Progress::Taken(_), Some((since_us, told))) => {
                self.away = None;
                if told {
                    let seconds = now.mono_us.saturating_sub(since_us) / 1_000_000;
                    let message = format!(
                        "\"{name}\" takes points again after {seconds} s: what waited in the store follows"
                    );
                    let resumed = payload::StreamResumed { away_s: seconds };
                    self.tell(Event::telling(now, None, &resumed, message));
                }
            }
            (Progress::Away(_), None) => self.away = Some((now.mono_us, false)),
            (Progress::Away(reason), Some((since_us, false)))
                if now.mono_us.saturating_sub(since_us) >= AWAY_TOLD_US =>
            {
                self.away = Some((since_us, true));
                let message = format!(
                    "\"{name}\" takes no points: {reason}. They wait in the store; recording goes on"
                );
                let reason = reason.to_owned();
                let waiting = payload::StreamWaiting { reason };
                self.tell(Event::telling(now, None, &waiting, message));
            }
            (Progress::Away(_), Some(_)) => {}
        }
    }

    fn set_aside(&mut self, batch: &Batch, refused: &[RefusedPoint], now: Now) {
        let Some(first) = refused.first() else {
            return;
        };
        let message = format!(
            "\"{}\" refuses {} of {} points, set aside: {}",
            self.settings.name,
            refused.len(),
            batch.lines.len(),
            first.reason
        );
        let shown = refused.iter().take(LINES_SHOWN_MAX);
        let set_aside = payload::StreamSetAside {
            points: refused.len(),
            refused: shown.cloned().collect(),
        };
        self.tell(Event::telling(now, None, &set_aside, message));
    }

    fn tell(&mut self, event: Event) {
        match event.severity {
            Severity::Info => tracing::info!("{}", event.message),
            _ => tracing::warn!("{}", event.message),
        }
        if self.events.len() >= EVENTS_MAX {
            tracing::error!("the journal lacks this: the recorder takes no events");
            return;
        }
        let event = event.about(self.settings.name.as_str());
        self.events.push(event.into());
        self.is_news = true;
    }

    /// The cursor now and then; with events at once; `surely` before anything else is sent.
    fn keep_when_due(&mut self, cursor: Cursor, surely: bool, now: Now) {
        let due = now.mono_us.saturating_sub(self.kept_us) >= KEEP_EVERY_US && cursor != self.kept;
        if surely || due || !self.events.is_empty() {
            self.kept_us = now.mono_us;
            self.keep(Some(cursor), surely);
        }
    }

    fn keep(&mut self, cursor: Option<Cursor>, surely: bool) {
        self.is_news = false;
        self.saving = Some(Save {
            cursor,
            events: self.events.clone(),
            surely,
        });
    }

    /// What came of the last [`Want::Save`].
    pub fn saved(&mut self, outcome: SaveOutcome) {
        let Some(save) = self.saving.take() else {
            return;
        };
        match outcome {
            SaveOutcome::NotSaved if save.surely => {
                self.saving = Some(save);
                self.wait = Some(STORE_RETRY);
            }
            // A store that takes nothing does not end the streaming of what it holds.
            SaveOutcome::NotSaved => {}
            SaveOutcome::OnDisk | SaveOutcome::Given => {
                self.events.drain(..save.events.len());
                if let (SaveOutcome::OnDisk, Some(cursor)) = (outcome, save.cursor) {
                    self.kept = cursor;
                }
            }
        }
    }
}
