//! A destination of points behind the real store, and a time-series server that is down, slow, breaks
//! off, refuses and lets nobody in.

use std::collections::{BTreeSet, VecDeque};

use leverarm::stream::{Answer, Destination, Feed, Range, Save, SaveOutcome, Want};
use leverarm_config::{Stand, StreamDestination};
use leverarm_live::Now;
use leverarm_store::{Cursor, EventFilter, Store, StoreError, StoreReader};
use leverarm_vocabulary::payload::StreamSetAside;

use super::chance::{Chance, Stream};
use super::plan::FaultKind;

/// A server that is well answers after so long.
const ANSWER_US: u64 = 15_000;
/// Whoever waits for the recorder without needing its answer waits no longer.
const RECORDER_PATIENCE_US: u64 = 2_000_000;
/// A server that takes nothing for so long is in the journal, once it was asked again.
const AWAY_TOLD_US: u64 = 10_000_000;
/// One point in so many is refused by a picky server.
const PICKY_EVERY: u32 = 199;
/// More turns than anything that waits at the end can take.
const TURNS_MAX: usize = 100_000;

/// What the destination is doing.
#[derive(Debug)]
enum Doing {
    Nothing,
    Waiting { until_us: u64 },
    Asked { answer: Answer, at_us: u64 },
    Saving { save: Save, since_us: u64 },
}

#[derive(Debug)]
struct Server {
    chance: Chance,
    is_picky: bool,
    taken: BTreeSet<String>,
    requests: u64,
}

/// The destination's side of a simulation.
#[derive(Debug)]
pub(super) struct Streaming {
    settings: StreamDestination,
    stand: Stand,
    server: Server,
    destination: Destination,
    doing: Doing,
    /// With the recorder, whose answer nobody waits for any more.
    given: VecDeque<Save>,
    away_since_us: Option<u64>,
    was_away_for_long: bool,
}

impl Streaming {
    pub(super) fn new(seed: u64, stand: &Stand, store: &mut Store) -> Result<Self, StoreError> {
        let mut chance = Chance::new(seed, Stream::Server);
        let settings = stand.streams.first().cloned();
        let settings = settings.ok_or_else(|| StoreError::NotFound {
            what: "destination",
            wanted: "in the simulation's stand file".to_owned(),
        })?;
        Ok(Self {
            destination: destination(&settings, stand, store)?,
            settings,
            stand: stand.clone(),
            server: Server {
                is_picky: chance.happens(0.3),
                chance,
                taken: BTreeSet::new(),
                requests: 0,
            },
            doing: Doing::Nothing,
            given: VecDeque::new(),
            away_since_us: None,
            was_away_for_long: false,
        })
    }

    /// The daemon was killed, and this is the store as it was opened again.
    pub(super) fn killed(&mut self, store: &mut Store) -> Result<(), StoreError> {
        self.destination = destination(&self.settings, &self.stand, store)?;
        self.doing = Doing::Nothing;
        self.given.clear();
        self.away_since_us = None;
        self.was_away_for_long = false;
        Ok(())
    }

    /// Does what can be done now.
    pub(super) fn step(
        &mut self,
        now: Now,
        store: &mut Store,
        active: &[FaultKind],
    ) -> Result<(), StoreError> {
        let takes = !active.contains(&FaultKind::StoreStalled);
        while takes && let Some(save) = self.given.pop_front() {
            save.put(store, &self.settings.name)?;
        }
        let now_us = now.mono_us;
        loop {
            match std::mem::replace(&mut self.doing, Doing::Nothing) {
                Doing::Nothing => {}
                Doing::Waiting { until_us } if now_us >= until_us => {}
                Doing::Asked { answer, at_us } if now_us >= at_us => {
                    self.hear(&answer, now_us);
                    self.destination.answered(&answer, now);
                }
                Doing::Saving { save, .. } if takes => {
                    save.put(store, &self.settings.name)?;
                    self.destination.saved(SaveOutcome::OnDisk);
                }
                Doing::Saving { save, since_us }
                    if !save.surely && now_us >= since_us + RECORDER_PATIENCE_US =>
                {
                    self.given.push_back(save);
                    self.destination.saved(SaveOutcome::Given);
                }
                waiting => {
                    self.doing = waiting;
                    return Ok(());
                }
            }
            self.doing = match self.destination.next(now) {
                Want::Wait(time) => Doing::Waiting {
                    until_us: now_us + u64::try_from(time.as_micros()).unwrap_or(u64::MAX / 2),
                },
                Want::Save(save) => Doing::Saving {
                    save,
                    since_us: now_us,
                },
                Want::Send(body) => {
                    let (answer, after_us) = self.server.ask(&body, active);
                    let at_us = now_us + after_us;
                    Doing::Asked { answer, at_us }
                }
            };
        }
    }

    fn hear(&mut self, answer: &Answer, now_us: u64) {
        match answer {
            Answer::Taken => self.away_since_us = None,
            // Single points may be at fault, and halves of a batch are tried first.
            Answer::Refused(_) => {}
            Answer::Later(_) | Answer::Broken(_) | Answer::Denied(_) => {
                let since_us = *self.away_since_us.get_or_insert(now_us);
                self.was_away_for_long |= now_us >= since_us + AWAY_TOLD_US;
            }
        }
    }

    /// The server is well, and everything is closed: sends what waits, and compares what the server
    /// has with what the store holds. Gives the number of points there too.
    pub(super) fn finish(
        mut self,
        mut now: Now,
        store: &mut Store,
    ) -> Result<(Vec<String>, u64), StoreError> {
        let mut idle = 0;
        for _ in 0..TURNS_MAX {
            let before = self.server.requests;
            self.step(now, store, &[])?;
            let us = match &self.doing {
                Doing::Waiting { until_us } => until_us.saturating_sub(now.mono_us),
                Doing::Nothing | Doing::Asked { .. } | Doing::Saving { .. } => ANSWER_US,
            };
            now.mono_us += us.max(1);
            now.wall_us += us.max(1).cast_signed();
            let is_idle =
                before == self.server.requests && matches!(self.doing, Doing::Waiting { .. });
            idle = if is_idle { idle + 1 } else { 0 };
            if idle > 3 {
                let points = self.server.taken.len() as u64;
                return Ok((self.compare(&store.reader()?)?, points));
            }
        }
        Ok((vec!["a destination never comes to an end".to_owned()], 0))
    }

    fn compare(self, reader: &StoreReader) -> Result<Vec<String>, StoreError> {
        let name = &self.settings.name;
        let mut wrong = Vec::new();
        let mut feed = Feed::new(
            StoreReader::open(reader.folder())?,
            self.settings.clone(),
            self.stand.clone(),
            Range::after(Cursor::START),
        );
        let mut stored = BTreeSet::new();
        while let Some(batch) = feed.next_batch()? {
            stored.extend(batch.lines);
        }
        let wanted = |line: &&String| !self.server.refuses(line);
        let lost = stored.iter().filter(wanted);
        let lost: Vec<_> = lost
            .filter(|line| !self.server.taken.contains(*line))
            .collect();
        if let Some(first) = lost.first() {
            wrong.push(format!(
                "{} of {} points never came to the server, the first: {first}",
                lost.len(),
                stored.len()
            ));
        }
        let is_probe = |line: &&String| line.starts_with("leverarm_stream,");
        let taken = self.server.taken.iter().filter(|line| !is_probe(line));
        let foreign: Vec<_> = taken.filter(|line| !stored.contains(*line)).collect();
        if let Some(first) = foreign.first() {
            wrong.push(format!(
                "{} points came to the server that the store does not hold, the first: {first}",
                foreign.len()
            ));
        }
        let told = |kind: &str| {
            reader.events(&EventFilter {
                kind: Some(kind.to_owned()),
                channel: Some(name.clone()),
                limit: u32::MAX,
                ..EventFilter::default()
            })
        };
        let refused = stored.iter().filter(|line| self.server.refuses(line));
        let mut told_aside = 0;
        for event in told("stream set aside")? {
            told_aside += event.payload::<StreamSetAside>()?.map_or(0, |it| it.points);
        }
        // More, where a batch was sent a second time.
        if told_aside < refused.clone().count() {
            wrong.push(format!(
                "the server refuses {} points, and the journal knows of {told_aside}",
                refused.count()
            ));
        }
        if self.was_away_for_long && told("stream waiting")?.is_empty() {
            wrong.push("the server was away for long, and the journal does not know".to_owned());
        }
        Ok(wrong)
    }
}

impl Server {
    /// A request comes in: the answer, and after how long it is there.
    fn ask(&mut self, body: &str, active: &[FaultKind]) -> (Answer, u64) {
        self.requests += 1;
        let reason = || "simulated".to_owned();
        for fault in active {
            match *fault {
                FaultKind::ServerDown => return (Answer::Later(reason()), 1_000),
                FaultKind::ServerRefuses => return (Answer::Refused(reason()), ANSWER_US),
                FaultKind::ServerDenies => return (Answer::Denied(reason()), ANSWER_US),
                FaultKind::ServerBreaks { share } if self.chance.happens(share) => {
                    // What it has by then, nobody knows.
                    let lines = body.lines().count() as u64 + 1;
                    let some = usize::try_from(self.chance.below(lines)).unwrap_or(0);
                    self.take(body.lines().take(some));
                    return (Answer::Broken(reason()), 2 * ANSWER_US);
                }
                FaultKind::ServerSlow { us } => return (self.answer(body), us),
                _ => {}
            }
        }
        (self.answer(body), ANSWER_US)
    }

    fn answer(&mut self, body: &str) -> Answer {
        if body.lines().any(|line| self.refuses(line)) {
            // Some servers keep the good part of a bad request.
            if self.chance.happens(0.5) {
                self.take(body.lines());
            }
            return Answer::Refused("simulated".to_owned());
        }
        self.take(body.lines());
        Answer::Taken
    }

    fn take<'a>(&mut self, lines: impl Iterator<Item = &'a str>) {
        for line in lines {
            if !self.refuses(line) {
                self.taken.insert(line.to_owned());
            }
        }
    }

    /// Whether it refuses this line, whenever it comes.
    fn refuses(&self, line: &str) -> bool {
        let sum = line.bytes().fold(0_u32, |sum, byte| {
            sum.wrapping_mul(31).wrapping_add(u32::from(byte))
        });
        self.is_picky && sum.is_multiple_of(PICKY_EVERY)
    }
}

fn destination(
    settings: &StreamDestination,
    stand: &Stand,
    store: &mut Store,
) -> Result<Destination, StoreError> {
    let cursor = store.begin_cursor(&settings.name)?;
    let range = Range::after(cursor);
    let feed = Feed::new(store.reader()?, settings.clone(), stand.clone(), range);
    Ok(Destination::new(settings.clone(), feed))
}
