//! From the store to points: what a destination has not got yet, in the order of the store.

use leverarm_config::{Stand, StreamDestination};

use super::points::{self, LiveSeries, PullTags};
use super::windows::Windows;
use leverarm_analysis::engine::{engine_pull, origin_tick};
use leverarm_analysis::in_force::KeptStands;
use leverarm_analysis::reduction::{CurveChoice, ReductionError, reduce_recorded};
use leverarm_analysis::replay::{CHUNKS_REMEMBERED, Samples, Seen, TickClock, series};
use leverarm_analysis::setup_correction;
use leverarm_store::{
    Chunk, ChunkGap, ChunkId, ConnectionId, ConnectionRecord, Cursor, EventFilter, GapCause,
    PullRecord, PullState, StoreError, StoreReader,
};

/// Read at one go; a batch is a few times as many points.
const CHUNKS_MAX: u32 = 64;
const EVENTS_MAX: u32 = 500;

/// Chunks read again before the first that is wanted: what comes of a chunk depends on so many
/// before it.
#[expect(clippy::cast_possible_truncation, reason = "a small number")]
const LOOK_BACK: u32 = CHUNKS_REMEMBERED as u32 + 48;

/// A chunk's last byte came at most about so long after its first.
const CHUNK_US_MAX: i64 = 1_000_000;

/// Points to be sent together.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    /// The points, one a line.
    pub lines: Vec<String>,
    /// Where the destination stands once it has them.
    pub cursor: Cursor,
}

/// Which points are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Range {
    /// Stored after this.
    pub after: Cursor,
    /// Stored no later than this; `None` goes on with what is stored meanwhile.
    pub up_to: Option<Cursor>,
    /// No earlier than this wall time.
    pub since_wall_us: i64,
    /// Before this wall time.
    pub until_wall_us: i64,
}

impl Range {
    /// Everything after a cursor.
    #[must_use]
    pub const fn after(after: Cursor) -> Self {
        Self {
            after,
            up_to: None,
            since_wall_us: i64::MIN,
            until_wall_us: i64::MAX,
        }
    }

    /// What is stored now and was between two wall times.
    ///
    /// # Errors
    /// As the store's reading methods.
    pub fn between(
        reader: &StoreReader,
        since_wall_us: i64,
        until_wall_us: i64,
    ) -> Result<Self, StoreError> {
        let newest = reader.newest()?;
        // Chunks are stored in the order of their times, so the first one is found by halving.
        let wanted_us = since_wall_us.saturating_sub(CHUNK_US_MAX);
        let (mut low, mut high) = (0, newest.chunk.get());
        while low < high {
            let middle = low + (high - low) / 2;
            match reader.next_chunk_wall_us(ChunkId::new(middle))? {
                Some((id, wall_us)) if wall_us < wanted_us => low = id.get(),
                _ => high = middle,
            }
        }
        let after = Cursor {
            chunk: ChunkId::new(low.saturating_sub(1)),
            ..Cursor::START
        };
        Ok(Self {
            after,
            up_to: Some(newest),
            since_wall_us,
            until_wall_us,
        })
    }

    fn holds(&self, wall_us: i64) -> bool {
        (self.since_wall_us..self.until_wall_us).contains(&wall_us)
    }
}

/// A connection whose chunks are being read.
#[derive(Debug)]
struct Live {
    record: ConnectionRecord,
    decoder: Option<Decoder>,
    /// The last windows were handed out: it is closed, and nothing more comes.
    finished: bool,
}

#[derive(Debug)]
struct Decoder {
    samples: Samples,
    windows: Windows,
    series: Vec<Option<LiveSeries>>,
}

/// Makes the points of one destination.
#[derive(Debug)]
pub struct Feed {
    reader: StoreReader,
    destination: StreamDestination,
    stands: KeptStands,
    range: Range,
    /// Where the batches handed out so far end.
    at: Cursor,
    /// The connection of the last chunk read; `None` before the first call.
    live: Option<Live>,
    primed: bool,
}

impl Feed {
    /// Points of a range of the store; `stand` is the one in force now, for connections that don't tell
    /// theirs.
    #[must_use]
    pub fn new(
        reader: StoreReader,
        destination: StreamDestination,
        stand: Stand,
        range: Range,
    ) -> Self {
        Self {
            reader,
            destination,
            stands: KeptStands::new(Some(stand)),
            at: range.after,
            range,
            live: None,
            primed: false,
        }
    }

    /// The next points; `None` when there are none now. A batch may be empty: what was read made no
    /// point.
    ///
    /// # Errors
    /// As the store's reading methods. The batch is not lost: the next call makes it again.
    pub fn next_batch(&mut self) -> Result<Option<Batch>, StoreError> {
        let batch = self.make_batch();
        if batch.is_err() {
            // What was read in vain is read again.
            self.live = None;
            self.primed = false;
        }
        batch
    }

    fn make_batch(&mut self) -> Result<Option<Batch>, StoreError> {
        let mut lines = Vec::new();
        let mut cursor = self.at;
        // Pulls and events first: there are few, and they matter most after an outage.
        self.pulls(&mut cursor, &mut lines)?;
        self.events(&mut cursor, &mut lines)?;
        self.chunks(&mut cursor, &mut lines)?;
        if cursor == self.at && lines.is_empty() {
            return Ok(None);
        }
        self.at = cursor;
        Ok(Some(Batch { lines, cursor }))
    }

    /// Where it stands.
    #[must_use]
    pub fn at(&self) -> Cursor {
        self.at
    }

    fn chunks(&mut self, cursor: &mut Cursor, lines: &mut Vec<String>) -> Result<(), StoreError> {
        if !self.primed {
            self.prime(cursor.chunk)?;
            self.primed = true;
        }
        // Asked first: a connection that is closed now has all its chunks stored.
        let closed = match &mut self.live {
            Some(live) if !live.finished => {
                live.record = self.reader.connection(live.record.id)?;
                live.record.closed_reason.is_some()
            }
            _ => false,
        };
        let mut came = false;
        for chunk in self.reader.chunks_after(cursor.chunk, CHUNKS_MAX)? {
            let Some((id, connection)) = of(&chunk) else {
                continue;
            };
            let late = |chunk: &Chunk| chunk.wall_us_first.saturating_sub(CHUNK_US_MAX);
            let beyond = self.range.up_to.is_some_and(|up_to| id > up_to.chunk)
                || chunk
                    .as_ref()
                    .is_ok_and(|chunk| late(chunk) >= self.range.until_wall_us);
            if beyond {
                break;
            }
            if self
                .live
                .as_ref()
                .is_none_or(|live| live.record.id != connection)
            {
                self.finish_live(lines);
                self.begin_live(connection)?;
            }
            if !self.is_ready()? {
                break;
            }
            came = true;
            match chunk {
                Ok(chunk) => self.chunk(&chunk, Some(lines))?,
                Err(gap) => tracing::error!(%gap, "points of a chunk can't be made"),
            }
            cursor.chunk = id;
        }
        if !came && (closed || self.range.up_to.is_some()) {
            self.finish_live(lines);
        }
        Ok(())
    }

    /// Reads again what leads up to a chunk that the destination has: its connection may go on, or
    /// its last windows may still be open.
    fn prime(&mut self, last: ChunkId) -> Result<(), StoreError> {
        let Some(from) = self.reader.chunk_before(last, LOOK_BACK)? else {
            return Ok(());
        };
        let before = ChunkId::new(from.get().saturating_sub(1));
        for chunk in self.reader.chunks_after(before, LOOK_BACK + 1)? {
            let Some((_, connection)) = of(&chunk).filter(|(id, _)| *id <= last) else {
                continue;
            };
            if self.live.is_none() {
                self.begin_live(connection)?;
            }
            if let Ok(chunk) = chunk {
                self.chunk(&chunk, None)?;
            }
        }
        Ok(())
    }

    fn begin_live(&mut self, connection: ConnectionId) -> Result<(), StoreError> {
        self.live = Some(Live {
            record: self.reader.connection(connection)?,
            decoder: None,
            finished: false,
        });
        Ok(())
    }

    /// Whether the chunks of the connection can be read: its board has said how fast its ticks are,
    /// or never will.
    fn is_ready(&mut self) -> Result<bool, StoreError> {
        let Some(live) = &mut self.live else {
            return Ok(true);
        };
        if live.decoder.is_none() && live.record.hello.is_none() {
            live.record = self.reader.connection(live.record.id)?;
        }
        Ok(live.record.hello.is_some()
            || live.record.closed_reason.is_some()
            || self.range.up_to.is_some())
    }

    fn chunk(&mut self, chunk: &Chunk, lines: Option<&mut Vec<String>>) -> Result<(), StoreError> {
        let Some(mut live) = self.live.take() else {
            return Ok(());
        };
        if live.decoder.is_none() {
            live.decoder = self.decoder(&live.record, chunk)?;
        }
        // Without a hello the rate of its ticks is unknown, and no sample has a time.
        if let Some(decoder) = &mut live.decoder {
            let Decoder {
                samples,
                windows,
                series,
            } = decoder;
            let (file, wall_us) = (live.record.stand, chunk.wall_us_first);
            if let Some(stand) = self.stands.at(&self.reader, file, wall_us)? {
                samples.calibrated(stand);
            }
            samples.feed(chunk, &mut |seen| {
                if let Seen::Sample(sample) = seen {
                    windows.push(sample);
                }
            });
            let closed = windows.close_due();
            if let Some(lines) = lines {
                put(closed, series, &self.range, lines);
            }
        }
        self.live = Some(live);
        Ok(())
    }

    fn decoder(
        &mut self,
        record: &ConnectionRecord,
        chunk: &Chunk,
    ) -> Result<Option<Decoder>, StoreError> {
        let Some(hello) = &record.hello else {
            return Ok(None);
        };
        let board = points::board_tag(hello.board_id);
        let tick_hz = hello.tick_hz;
        let wall_ahead_us = self.reader.wall_ahead_us_max(record.id, chunk.seq)?;
        let name = self.destination.stand.clone();
        let rate_hz = self.destination.rate_hz;
        let id = record.id;
        let wall_us = chunk.wall_us_first;
        let Some(stand) = self.stands.at(&self.reader, record.stand, wall_us)? else {
            return Ok(None);
        };
        let series = series(stand.stand())
            .into_iter()
            .map(|series| LiveSeries::new(&name, Some(&board), id, &series));
        Ok(Some(Decoder {
            series: series.collect(),
            samples: Samples::new(stand, tick_hz, wall_ahead_us),
            windows: Windows::new(rate_hz),
        }))
    }

    fn finish_live(&mut self, lines: &mut Vec<String>) {
        let Some(live) = self.live.as_mut().filter(|live| !live.finished) else {
            return;
        };
        live.finished = true;
        if let Some(Decoder {
            windows, series, ..
        }) = &mut live.decoder
        {
            put(windows.close_all(), series, &self.range, lines);
        }
    }

    fn events(&self, cursor: &mut Cursor, lines: &mut Vec<String>) -> Result<(), StoreError> {
        let bounded = |wall_us: i64, none: i64| (wall_us != none).then_some(wall_us);
        let filter = EventFilter {
            after: Some(cursor.event),
            since_wall_us: bounded(self.range.since_wall_us, i64::MIN),
            until_wall_us: bounded(self.range.until_wall_us, i64::MAX),
            limit: EVENTS_MAX,
            ..EventFilter::default()
        };
        for event in self.reader.events(&filter)? {
            if self.range.up_to.is_some_and(|up_to| event.id > up_to.event) {
                break;
            }
            // The board only where it is known for sure that it had said who it is: an event must
            // be the same point whenever it is read.
            let (board, setup) = match event.pull {
                Some(pull) => {
                    let pull = self.reader.pull(pull)?;
                    (self.board(pull.connection)?, pull.setup_name)
                }
                None => (None, None),
            };
            lines.extend(points::event(
                &self.destination.stand,
                board.as_deref(),
                setup.as_deref(),
                &event,
            ));
            cursor.event = event.id;
        }
        Ok(())
    }

    fn board(&self, connection: ConnectionId) -> Result<Option<String>, StoreError> {
        let hello = self.reader.connection(connection)?.hello;
        Ok(hello.map(|hello| points::board_tag(hello.board_id)))
    }

    /// The next pull that is over. One at a time: each is a whole curve.
    fn pulls(&self, cursor: &mut Cursor, lines: &mut Vec<String>) -> Result<(), StoreError> {
        while let [pull] = self.reader.pulls_after(cursor.pull, 1)?.as_slice() {
            let beyond = self.range.up_to.is_some_and(|up_to| pull.id > up_to.pull);
            if beyond || pull.state == PullState::Running {
                break;
            }
            cursor.pull = pull.id;
            if self.range.holds(pull.started_wall_us) {
                lines.extend(pull_points(&self.reader, &self.destination, pull)?);
                break;
            }
        }
        Ok(())
    }
}

/// Number and connection of a chunk that is stored, whole or damaged.
fn of(chunk: &Result<Chunk, ChunkGap>) -> Option<(ChunkId, ConnectionId)> {
    match chunk {
        Ok(chunk) => Some((chunk.id, chunk.connection)),
        Err(gap) => match gap.cause {
            GapCause::Damaged { chunk, .. } => Some((chunk, gap.connection)),
            GapCause::Missing => None,
        },
    }
}

fn put(
    windows: impl Iterator<Item = super::windows::Window>,
    series: &[Option<LiveSeries>],
    range: &Range,
    lines: &mut Vec<String>,
) {
    for window in windows.filter(|window| range.holds(window.wall_us)) {
        if let Some(Some(series)) = series.get(window.series) {
            lines.push(series.line(&window));
        }
    }
}

/// The points of one pull that is over.
///
/// # Errors
/// As the store's reading methods.
pub fn pull_points(
    reader: &StoreReader,
    destination: &StreamDestination,
    pull: &PullRecord,
) -> Result<Vec<String>, StoreError> {
    let pull = &setup_correction::pull(reader, pull.id)?;
    let hello = reader.connection(pull.connection)?.hello;
    let board = hello
        .as_ref()
        .map(|hello| points::board_tag(hello.board_id));
    let tags = PullTags {
        stand: &destination.stand,
        board: board.as_deref(),
        pull,
    };
    let has_curve = pull.state.has_curve();
    let reduced = match has_curve.then(|| reduce_recorded(reader, pull.id, CurveChoice::default()))
    {
        None => None,
        Some(Ok((reduced, recording))) => {
            let engine = engine_pull(&reduced, &recording);
            Some((reduced, engine, recording))
        }
        Some(Err(ReductionError::Store(error))) => return Err(error),
        Some(Err(error)) => {
            tracing::info!(pull = %pull.id, %error, "a pull without a curve");
            None
        }
    };
    let first_tooth_us = match (&reduced, &hello) {
        (Some((reduced, _, recording)), Some(hello)) => {
            let chunks = reader.pull_chunks(pull.id)?;
            let mut clock = TickClock::new(hello.tick_hz, None);
            chunks.iter().flatten().for_each(|chunk| clock.saw(chunk));
            origin_tick(reduced, recording).and_then(|tick| clock.wall_us(tick))
        }
        _ => None,
    };
    let reduced = reduced
        .as_ref()
        .map(|(reduced, engine, _)| (reduced, engine));
    Ok(points::pull(tags, reduced, first_tooth_us))
}
