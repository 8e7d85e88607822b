//! What tests that fill a store share.

use std::path::Path;

use leverarm::core::Record;
use leverarm::store::{
    ConnectionId, ContentHash, Hello, NewChunk, NewConnection, NewEvent, NewPull, PullEnd, PullId,
    PullState, Store,
};

/// What the recorder does, without its thread.
pub(crate) struct Recorder {
    pub(crate) store: Store,
    stand: ContentHash,
    calibration: ContentHash,
    connection: Option<ConnectionId>,
    pull: Option<PullId>,
}

impl Recorder {
    pub(crate) fn new(folder: &Path, stand: &str) -> Self {
        let mut store = Store::open(folder).unwrap();
        Self {
            stand: store.put_stand(stand).unwrap(),
            calibration: store.put_calibration("{}").unwrap(),
            store,
            connection: None,
            pull: None,
        }
    }

    pub(crate) fn put(&mut self, record: &Record) {
        let store = &mut self.store;
        match record {
            Record::Connected { port, now } => {
                let new = NewConnection {
                    port: port.clone(),
                    opened_wall_us: now.wall_us,
                    opened_mono_us: now.mono_us,
                };
                self.connection = Some(store.add_connection_of(self.stand, &new).unwrap());
            }
            Record::Hello(hello) => {
                let hello = Hello {
                    frame: hello.frame.clone(),
                    tick_hz: hello.tick_hz,
                    board_id: hello.board_id,
                    boot: hello.boot,
                };
                store.set_hello(self.connection.unwrap(), &hello).unwrap();
            }
            Record::Chunk(chunk) => {
                let new = NewChunk {
                    connection: self.connection.unwrap(),
                    seq: chunk.seq,
                    mono_us_first: chunk.first.mono_us,
                    mono_us_last: chunk.last_mono_us,
                    wall_us_first: chunk.first.wall_us,
                    tick_first: chunk.tick_first,
                    bytes: &chunk.bytes,
                };
                store.add_chunk(&new).unwrap();
            }
            Record::PullStarted {
                now,
                tick_first_wanted,
                tick_start,
                chunk_seq_first,
            } => {
                let new = NewPull {
                    connection: self.connection.unwrap(),
                    setup: None,
                    stand: self.stand,
                    calibration: self.calibration,
                    started_wall_us: now.wall_us,
                    tick_first_wanted: *tick_first_wanted,
                    tick_start: *tick_start,
                    chunk_seq_first: *chunk_seq_first,
                    air: serde_json::Value::Null,
                    note: String::new(),
                    end: None,
                };
                self.pull = Some(store.add_pull(&new).unwrap());
            }
            Record::SelfTested(_) => {}
            Record::PullEnded(ended) => {
                let end = PullEnd {
                    state: if ended.whole {
                        PullState::Stored
                    } else {
                        PullState::Aborted
                    },
                    tick_peak: Some(ended.tick_peak),
                    tick_end: ended.tick_end,
                    chunk_seq_last: ended.chunk_seq_last,
                    reasons: ended.reasons.clone(),
                };
                store.finish_pull(self.pull.take().unwrap(), &end).unwrap();
            }
            Record::Event(event) => {
                let new = NewEvent {
                    wall_us: event.now.wall_us,
                    mono_us: event.now.mono_us,
                    tick: event.tick,
                    connection: self.connection,
                    pull: self.pull,
                    severity: event.severity,
                    kind: event.kind.to_owned(),
                    channel: event.channel.clone(),
                    message: event.message.clone(),
                    data: event.data.clone(),
                };
                store.add_event(&new).unwrap();
            }
            Record::Disconnected { now, reason } => {
                let connection = self.connection.take().unwrap();
                store
                    .close_connection(connection, now.wall_us, reason)
                    .unwrap();
            }
        }
    }
}
