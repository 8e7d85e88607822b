//! The store through its public methods: what goes in comes out, what is damaged is named, what
//! cannot be done says why.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod crash;
mod damage;
mod migration;

use std::fs;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use leverarm_store::{
    Acknowledgement, CHUNK_BYTES_MAX, Chunk, ChunkGap, ChunkId, ChunkRange, ConnectionId,
    ContentHash, Cursor, EventFilter, EventId, EventOrder, EventRecord, GapCause, Hello, NewChunk,
    NewEvent, NewPull, NewSetup, PullEdit, PullEnd, PullId, PullState, SetupId, Severity, Store,
    StoreError, StoreReader,
};
use leverarm_vocabulary::{Event, EventKind, Now};
use proptest::prelude::*;
use rusqlite::types::Value as SqlValue;
use serde_json::{Value, json};
use tempfile::TempDir;

const DATABASE: &str = "leverarm.sqlite";

fn new_store() -> (TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    (folder, store)
}

fn add_connection(store: &mut Store) -> ConnectionId {
    store
        .add_connection(None, "simulated", Now::new(0, 1_760_000_000_000_000))
        .unwrap()
}

/// A chunk of the second `seq`, with a tick a microsecond.
fn second(connection: ConnectionId, seq: u32, bytes: &[u8]) -> NewChunk<'_> {
    let first = u64::from(seq) * 1_000_000;
    NewChunk {
        connection,
        seq,
        mono_us_first: first,
        mono_us_last: first + 999_999,
        wall_us_first: i64::from(seq),
        tick_first: Some(first),
        bytes,
    }
}

/// Bytes that differ between chunks and do not shrink to nothing.
fn noise(seq: u32, len: usize) -> Vec<u8> {
    let mut state = u64::from(seq) + 1;
    (0..len)
        .map(|_| {
            // Knuth's 64-bit linear congruential generator.
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            state.to_be_bytes()[0]
        })
        .collect()
}

fn new_pull(store: &mut Store, connection: ConnectionId) -> NewPull {
    NewPull {
        started_wall_us: 1_760_000_000_000_000,
        tick_first_wanted: 1_500_000,
        tick_start: 2_000_000,
        chunk_seq_first: 1,
        ..NewPull::of(
            connection,
            store.put_stand("[drum]\n").unwrap(),
            store.put_calibration("{}").unwrap(),
        )
    }
}

fn new_event(severity: Severity, kind: EventKind) -> Event {
    let now = Now::new(0, 0);
    Event::new(now, None, kind, "").of(severity)
}

fn ended(chunk_seq_last: u32) -> PullEnd {
    PullEnd {
        state: PullState::Stored,
        tick_peak: Some(3_000_000),
        tick_end: 3_500_000,
        chunk_seq_last,
        reasons: vec!["the throttle was let go".into()],
    }
}

/// It is refused with these words.
fn says<T: std::fmt::Debug>(result: Result<T, StoreError>, words: &str) {
    let text = result.unwrap_err().to_string();
    assert!(text.contains(words), "{text}");
}

/// The database past the store's own methods.
fn database(folder: &Path) -> rusqlite::Connection {
    rusqlite::Connection::open(folder.join(DATABASE)).unwrap()
}

/// Every row of every table.
fn dump(folder: &Path) -> Vec<(String, Vec<Vec<SqlValue>>)> {
    let database = database(folder);
    let tables: Vec<String> = database
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    tables
        .into_iter()
        .map(|table| {
            let mut statement = database
                .prepare(&format!("SELECT * FROM {table} ORDER BY 1"))
                .unwrap();
            let columns = statement.column_count();
            let rows = statement
                .query_map([], |row| {
                    (0..columns).map(|column| row.get(column)).collect()
                })
                .unwrap()
                .collect::<Result<_, _>>()
                .unwrap();
            (table, rows)
        })
        .collect()
}

fn seqs(chunks: &[Result<Chunk, ChunkGap>]) -> Vec<u32> {
    chunks
        .iter()
        .map(|chunk| chunk.as_ref().unwrap().seq)
        .collect()
}

// ── What goes in comes out ────────────────────────────────────────────────────────────────────

#[derive(Debug, Clone)]
struct Piece {
    pause_us: u64,
    length_us: u64,
    ticked: bool,
    bytes: Vec<u8>,
}

fn pieces() -> impl Strategy<Value = Vec<Piece>> {
    let bytes = prop_oneof![
        3 => proptest::collection::vec(any::<u8>(), 0..300),
        1 => (any::<u32>(), 0..70_000usize).prop_map(|(seed, len)| noise(seed, len)),
        1 => (any::<u8>(), 0..70_000usize).prop_map(|(byte, len)| vec![byte; len]),
    ];
    let piece = (0..1000u64, 0..1000u64, proptest::bool::weighted(0.8), bytes).prop_map(
        |(pause_us, length_us, ticked, bytes)| Piece {
            pause_us,
            length_us,
            ticked,
            bytes,
        },
    );
    proptest::collection::vec(piece, 1..12)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(24) })]

    #[test]
    fn chunks_come_back_identical_and_by_range(
        pieces in pieces(),
        wanted in (0..15_000u64, 0..15_000u64),
    ) {
        let (folder, mut store) = new_store();
        let other = add_connection(&mut store);
        store.add_chunk(&second(other, 0, b"another connection's")).unwrap();
        let connection = add_connection(&mut store);
        let mut written = Vec::new();
        let mut mono_us = 100;
        for (seq, piece) in (0..).zip(&pieces) {
            let mono_us_first = mono_us + piece.pause_us;
            mono_us = mono_us_first + piece.length_us;
            let new = NewChunk {
                connection,
                seq,
                mono_us_first,
                mono_us_last: mono_us,
                wall_us_first: -5 + i64::from(seq),
                tick_first: piece.ticked.then_some(mono_us_first * 2),
                bytes: &piece.bytes,
            };
            let id = store.add_chunk(&new).unwrap();
            written.push(Chunk {
                id,
                connection,
                seq,
                mono_us_first,
                mono_us_last: mono_us,
                wall_us_first: new.wall_us_first,
                tick_first: new.tick_first,
                bytes: piece.bytes.clone(),
            });
        }
        drop(store);

        let reader = StoreReader::open(folder.path()).unwrap();
        let all = reader.chunks(connection, &ChunkRange::All).unwrap();
        prop_assert!(all.iter().map(|c| c.as_ref().unwrap()).eq(&written));

        let by_time = reader.chunks(connection, &ChunkRange::MonoUs(wanted.0..=wanted.1)).unwrap();
        let expected: Vec<u32> = written
            .iter()
            .filter(|c| {
                wanted.0 <= wanted.1 && c.mono_us_last >= wanted.0 && c.mono_us_first <= wanted.1
            })
            .map(|c| c.seq)
            .collect();
        prop_assert_eq!(seqs(&by_time), expected);
    }
}

#[test]
fn everything_is_there_after_reopening() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let hello = Hello {
        frame: vec![1, 2, 3],
        tick_hz: 16_000_000,
        board_id: u64::MAX,
        boot: u16::MAX,
    };
    store.set_hello(connection, &hello).unwrap();
    let setup = store
        .add_setup(&NewSetup {
            name: "main jet 105".into(),
            created_wall_us: 7,
            notes: "plug dry".into(),
            parts: json!({"main jet": 105}),
        })
        .unwrap();
    store
        .set_setup_notes(setup, "plug dry, needle one down")
        .unwrap();
    let pull = NewPull {
        setup: Some(setup),
        // A value that a careless way through text would change in its last bit.
        air: json!({"pressure_pa": 31.245270191439438, "relative_humidity": 0.1 + 0.2}),
        note: "cold engine".into(),
        end: Some(ended(3)),
        ..new_pull(&mut store, connection)
    };
    let pull_id = store.add_pull(&pull).unwrap();
    let now = Now::new(9, 8);
    let happened = Event {
        now,
        tick: Some(10),
        message: "the head is warm".into(),
        payload: json!([1, "two"]),
        ..new_event(Severity::Error, EventKind::ZeroDrift)
    };
    let event = NewEvent {
        connection: Some(connection),
        pull: Some(pull_id),
        event: happened.about("temperature 1"),
    };
    let event_id = store.add_event(&event).unwrap();
    store.set_meta("setup", Some("0")).unwrap();
    store.set_meta("setup", Some(&setup.to_string())).unwrap();
    store.set_meta("gone", Some("x")).unwrap();
    store.set_meta("gone", None).unwrap();
    store.close_connection(connection, 11, "unplugged").unwrap();
    drop(store);

    let store = Store::open(folder.path()).unwrap();
    assert_eq!(*store.recovered(), Default::default());
    let reader = store.reader().unwrap();
    let stored = reader.connection(connection).unwrap();
    assert_eq!(stored.hello, Some(hello));
    assert_eq!(
        (
            stored.port.as_str(),
            stored.opened_wall_us,
            stored.opened_mono_us
        ),
        ("simulated", 1_760_000_000_000_000, 0)
    );
    assert_eq!(
        (stored.closed_wall_us, stored.closed_reason.as_deref()),
        (Some(11), Some("unplugged"))
    );
    assert_eq!(reader.connections().unwrap(), [stored]);

    let stored = reader.setup_named("main jet 105").unwrap();
    assert_eq!(stored.id, setup);
    assert_eq!(
        (stored.name.as_str(), stored.created_wall_us),
        ("main jet 105", 7)
    );
    assert_eq!(stored.notes, "plug dry, needle one down");
    assert_eq!(stored.parts, json!({"main jet": 105}));
    assert_eq!(reader.setups().unwrap(), [stored]);

    let stored = reader.pull(pull_id).unwrap();
    let end = pull.end.unwrap();
    assert_eq!((stored.connection, stored.setup), (connection, Some(setup)));
    assert_eq!(stored.setup_name.as_deref(), Some("main jet 105"));
    assert_eq!(
        (stored.stand, stored.calibration),
        (pull.stand, pull.calibration)
    );
    assert_eq!(
        (stored.state, stored.started_wall_us),
        (end.state, pull.started_wall_us)
    );
    assert_eq!(
        (stored.tick_first_wanted, stored.tick_start),
        (1_500_000, 2_000_000)
    );
    assert_eq!(
        (stored.tick_peak, stored.tick_end),
        (Some(3_000_000), Some(3_500_000))
    );
    assert_eq!(
        (stored.chunk_seq_first, stored.chunk_seq_last),
        (1, Some(3))
    );
    assert_eq!((&stored.air, &stored.reasons), (&pull.air, &end.reasons));
    assert_eq!(stored.note, "cold engine");
    assert_eq!(reader.pulls().unwrap(), [stored]);
    assert_eq!(reader.stand_text(pull.stand).unwrap(), "[drum]\n");
    assert_eq!(reader.calibration_json(pull.calibration).unwrap(), "{}");

    let happened = event.event;
    let expected = EventRecord {
        data: happened.data(),
        id: event_id,
        wall_us: happened.now.wall_us,
        mono_us: happened.now.mono_us,
        tick: happened.tick,
        connection: event.connection,
        pull: event.pull,
        severity: happened.severity,
        kind: happened.kind.word().to_owned(),
        channel: happened.channel,
        message: happened.message,
        acknowledged: None,
    };
    assert_eq!(reader.events(&EventFilter::default()).unwrap(), [expected]);
    assert_eq!(reader.meta("setup").unwrap(), Some(setup.to_string()));
    assert_eq!(reader.meta("gone").unwrap(), None);
    assert_eq!(reader.check().unwrap(), Vec::<String>::new());
}

#[test]
fn a_pull_runs_then_ends_once() {
    let (_folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let new = new_pull(&mut store, connection);
    let pull = store.add_pull(&new).unwrap();
    let reader = store.reader().unwrap();
    assert_eq!(reader.pull(pull).unwrap().state, PullState::Running);
    // Its first chunk is number 1, which is not stored yet.
    assert_eq!(reader.pull_chunks(pull).unwrap(), []);
    for seq in 0..5 {
        store
            .add_chunk(&second(connection, seq, &noise(seq, 100)))
            .unwrap();
    }
    assert_eq!(seqs(&reader.pull_chunks(pull).unwrap()), [1, 2, 3, 4]);

    let running = PullEnd {
        state: PullState::Running,
        ..ended(3)
    };
    says(store.finish_pull(pull, &running), "running found");

    store.finish_pull(pull, &ended(3)).unwrap();
    assert_eq!(seqs(&reader.pull_chunks(pull).unwrap()), [1, 2, 3]);
    assert_eq!(reader.pull(pull).unwrap().tick_end, Some(3_500_000));
    says(
        store.finish_pull(pull, &ended(4)),
        "running expected, stored found",
    );
    assert_eq!(reader.pull(pull).unwrap().chunk_seq_last, Some(3));

    let setup = store
        .add_setup(&NewSetup {
            name: "main jet 108".into(),
            created_wall_us: 0,
            notes: String::new(),
            parts: Value::Null,
        })
        .unwrap();
    let before = reader.pull(pull).unwrap();
    store.edit_pull(pull, &PullEdit::default()).unwrap();
    assert_eq!(reader.pull(pull).unwrap(), before);
    store
        .edit_pull(
            pull,
            &PullEdit {
                setup: Some(Some(setup)),
                ..PullEdit::default()
            },
        )
        .unwrap();
    let edit = PullEdit {
        setup: None,
        air: Some(json!({"temperature_k": 290.0})),
        note: Some("b".into()),
    };
    store.edit_pull(pull, &edit).unwrap();
    let after = reader.pull(pull).unwrap();
    assert_eq!(after.setup_name.as_deref(), Some("main jet 108"));
    assert_eq!(
        (after.air["temperature_k"].as_f64(), after.note.as_str()),
        (Some(290.0), "b")
    );
    store
        .edit_pull(
            pull,
            &PullEdit {
                setup: Some(None),
                ..PullEdit::default()
            },
        )
        .unwrap();
    assert_eq!(reader.pull(pull).unwrap().setup, None);
}

#[test]
fn a_pull_left_running_is_interrupted_at_the_next_start() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let new = new_pull(&mut store, connection);
    let pull = store.add_pull(&new).unwrap();
    for seq in 0..3 {
        store.add_chunk(&second(connection, seq, b"x")).unwrap();
    }
    drop(store);

    let store = Store::open(folder.path()).unwrap();
    assert_eq!(store.recovered().pulls, [pull]);
    assert_eq!(store.recovered().connections, [connection]);
    let reader = store.reader().unwrap();
    let stored = reader.pull(pull).unwrap();
    assert_eq!(
        (stored.state, stored.chunk_seq_last),
        (PullState::Interrupted, Some(2))
    );
    assert_eq!(seqs(&reader.pull_chunks(pull).unwrap()), [1, 2]);
    drop((reader, store));
    assert_eq!(
        *Store::open(folder.path()).unwrap().recovered(),
        Default::default()
    );
}

#[test]
fn a_text_is_stored_once_under_its_hash() {
    let (folder, mut store) = new_store();
    let a = store.put_stand("[drum]\ninertia_kg_m2 = 2.35\n").unwrap();
    assert_eq!(
        store.put_stand("[drum]\ninertia_kg_m2 = 2.35\n").unwrap(),
        a
    );
    let b = store.put_stand("[drum]\ninertia_kg_m2 = 2.36\n").unwrap();
    assert_ne!(a, b);
    let count: i64 = database(folder.path())
        .query_row("SELECT count(*) FROM stand_files", [], |row| row.get(0))
        .unwrap();
    assert_eq!(count, 2);
}

#[test]
fn hello_of_another_restart_is_refused() {
    let (_folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let first = Hello {
        frame: vec![1],
        tick_hz: 1_000_000,
        board_id: 77,
        boot: 3,
    };
    store.set_hello(connection, &first).unwrap();
    // The answer to a question: another frame, the same board and restart.
    store
        .set_hello(
            connection,
            &Hello {
                frame: vec![2],
                ..first.clone()
            },
        )
        .unwrap();
    let error = store
        .set_hello(
            connection,
            &Hello {
                boot: 4,
                ..first.clone()
            },
        )
        .unwrap_err();
    let text = error.to_string();
    assert!(
        text.contains("board 77 in its restart 3 with 1000000 ticks a second expected"),
        "{text}"
    );
    assert!(text.contains("restart 4"), "{text}");
    assert_eq!(
        store
            .reader()
            .unwrap()
            .connection(connection)
            .unwrap()
            .hello,
        Some(first)
    );
}

// ── Events ────────────────────────────────────────────────────────────────────────────────────

fn an_event() -> impl Strategy<Value = (i64, Severity, bool, bool, Option<u8>)> {
    (
        -20..20i64,
        proptest::sample::select(Severity::ALL),
        any::<bool>(),
        any::<bool>(),
        proptest::option::of(0..2u8),
    )
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(24) })]

    /// Against the same choice made in plain code.
    #[test]
    fn event_filter_lets_through_what_it_says(
        events in proptest::collection::vec(an_event(), 0..30),
        after in proptest::option::of(0..30i64),
        since_wall_us in proptest::option::of(-20..20i64),
        until_wall_us in proptest::option::of(-20..20i64),
        kind in proptest::option::of(proptest::sample::select(vec![EventKind::BoardCut, EventKind::Cut])),
        of_connection in any::<bool>(),
        of_pull in any::<bool>(),
        channel in proptest::option::of(0..2u8),
        severity_at_least in proptest::sample::select(Severity::ALL),
        newest in any::<bool>(),
        limit in 0..12u32,
    ) {
        let name = |channel: u8| format!("force {channel}");
        let (_folder, mut store) = new_store();
        let connection = add_connection(&mut store);
        let pull = new_pull(&mut store, connection);
        let pull = store.add_pull(&pull).unwrap();
        for (wall_us, severity, connected, in_pull, channel) in &events {
            let kind = if wall_us % 2 == 0 { EventKind::Cut } else { EventKind::BoardCut };
            store.add_event(&NewEvent {
                connection: connected.then_some(connection),
                pull: in_pull.then_some(pull),
                event: Event {
                    now: Now::new(0, *wall_us),
                    channel: channel.map(name),
                    ..new_event(*severity, kind)
                },
            }).unwrap();
        }
        let reader = store.reader().unwrap();
        let all = reader.events(&EventFilter::default()).unwrap();
        prop_assert_eq!(all.len(), events.len());
        let filter = EventFilter {
            after: after.map(EventId::new),
            since_wall_us,
            until_wall_us,
            kind: kind.map(|kind| kind.word().to_owned()),
            connection: of_connection.then_some(connection),
            pull: of_pull.then_some(pull),
            channel: channel.map(name),
            severity_at_least,
            order: if newest { EventOrder::NewestFirst } else { EventOrder::OldestFirst },
            limit,
        };
        let mut expected: Vec<EventRecord> = all
            .into_iter()
            .filter(|event| {
                filter.after.is_none_or(|after| event.id > after)
                    && since_wall_us.is_none_or(|since| event.wall_us >= since)
                    && until_wall_us.is_none_or(|until| event.wall_us < until)
                    && kind.is_none_or(|kind| event.kind == kind)
                    && (!of_connection || event.connection == Some(connection))
                    && (!of_pull || event.pull == Some(pull))
                    && (channel.is_none() || event.channel == channel.map(name))
                    && event.severity >= severity_at_least
            })
            .collect();
        if newest {
            expected.reverse();
        }
        expected.truncate(usize::try_from(limit).unwrap());
        prop_assert_eq!(reader.events(&filter).unwrap(), expected);
    }
}

// ── Readers elsewhere ─────────────────────────────────────────────────────────────────────────

#[test]
fn a_cursor_begins_at_the_end_and_never_moves_back() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let chunk = store.add_chunk(&second(connection, 0, b"x")).unwrap();
    let event = store
        .add_event(&new_event(Severity::Info, EventKind::StoreSlow).into())
        .unwrap();
    let reader = store.reader().unwrap();
    assert_eq!(reader.cursor("shed").unwrap(), None);
    let begun = store.begin_cursor("shed").unwrap();
    assert_eq!((begun.chunk, begun.event), (chunk, event));
    assert_eq!(begun.pull, Cursor::START.pull);
    assert_eq!(reader.newest().unwrap(), begun);

    let later = store.add_chunk(&second(connection, 1, b"y")).unwrap();
    assert_eq!(store.begin_cursor("shed").unwrap(), begun);
    let moved = Cursor {
        chunk: later,
        ..Cursor::START
    };
    store.advance_cursor("shed", &moved).unwrap();
    drop(store);
    let reader = StoreReader::open(folder.path()).unwrap();
    let expected = Cursor {
        chunk: later,
        ..begun
    };
    assert_eq!(reader.cursor("shed").unwrap(), Some(expected));
    assert_eq!(reader.cursor("elsewhere").unwrap(), None);
}

#[test]
fn chunks_come_in_the_order_of_storing_and_one_that_is_damaged_keeps_its_place() {
    let (folder, mut store) = new_store();
    let (first, other) = (add_connection(&mut store), add_connection(&mut store));
    let mut ids = Vec::new();
    for seq in 0..4 {
        ids.push(store.add_chunk(&second(first, seq, b"x")).unwrap());
    }
    ids.push(store.add_chunk(&second(other, 7, b"y")).unwrap());
    database(folder.path())
        .execute("UPDATE chunks SET checksum = 1 WHERE seq = 2", [])
        .unwrap();
    let reader = store.reader().unwrap();
    let after = |id, limit| {
        let chunks = reader.chunks_after(id, limit).unwrap();
        let id = |chunk: &Result<Chunk, ChunkGap>| match chunk {
            Ok(chunk) => (chunk.id, true),
            Err(gap) => match gap.cause {
                GapCause::Damaged { chunk, .. } => (chunk, false),
                GapCause::Missing => panic!("{gap}"),
            },
        };
        chunks.iter().map(id).collect::<Vec<_>>()
    };
    let expected: Vec<_> = ids.iter().map(|id| (*id, *id != ids[2])).collect();
    assert_eq!(after(ChunkId::new(0), 100), expected);
    assert_eq!(after(ids[0], 2), expected[1..3]);
    assert_eq!(after(ids[4], 2), []);
    assert_eq!(reader.chunk_before(ids[3], 2).unwrap(), Some(ids[1]));
    assert_eq!(reader.chunk_before(ids[3], 9).unwrap(), Some(ids[0]));
    assert_eq!(reader.chunk_before(ids[4], 9).unwrap(), Some(ids[4]));
    assert_eq!(reader.chunk_before(ChunkId::new(99), 1).unwrap(), None);
}

#[test]
fn an_event_is_acknowledged_with_a_note_and_the_latest_note_stays() {
    let (_folder, mut store) = new_store();
    let event = store
        .add_event(&new_event(Severity::Error, EventKind::StoreSlow).into())
        .unwrap();
    let reader = store.reader().unwrap();
    assert_eq!(reader.event(event).unwrap().acknowledged, None);
    for (wall_us, note) in [(5, "loose plug"), (6, "plug replaced")] {
        let look = Acknowledgement {
            wall_us,
            note: note.into(),
        };
        store.acknowledge(event, &look).unwrap();
        assert_eq!(reader.event(event).unwrap().acknowledged, Some(look));
    }
    let nobody = Acknowledgement {
        wall_us: 0,
        note: String::new(),
    };
    says(store.acknowledge(EventId::new(99), &nobody), "no event 99");
    assert!(reader.event(EventId::new(99)).is_err());
}

#[test]
fn a_connection_knows_its_stand() {
    let (_folder, mut store) = new_store();
    let unknown = add_connection(&mut store);
    let stand = store.put_stand("[stand]\n").unwrap();
    let mut add = |stand| store.add_connection(Some(stand), "simulated", Now::new(1, 2));
    let connection = add(stand).unwrap();
    let never = add(ContentHash::of("never stored"));
    let reader = store.reader().unwrap();
    assert_eq!(reader.connection(unknown).unwrap().stand, None);
    assert_eq!(reader.connection(connection).unwrap().stand, Some(stand));
    assert!(matches!(never, Err(StoreError::MissingReference { .. })));
}

// ── Damage ────────────────────────────────────────────────────────────────────────────────────

/// A closed store of five chunks.
fn five_chunks(len: usize) -> (TempDir, ConnectionId, Vec<Result<Chunk, ChunkGap>>) {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    for seq in 0..5 {
        store
            .add_chunk(&second(connection, seq, &noise(seq, len)))
            .unwrap();
    }
    let chunks = store
        .reader()
        .unwrap()
        .chunks(connection, &ChunkRange::All)
        .unwrap();
    drop(store);
    (folder, connection, chunks)
}

/// Chunk 3 is damaged and named, and the others are as they were.
fn assert_third_damaged(
    folder: &Path,
    connection: ConnectionId,
    whole: &[Result<Chunk, ChunkGap>],
) {
    let reader = StoreReader::open(folder).unwrap();
    let chunks = reader.chunks(connection, &ChunkRange::All).unwrap();
    assert_eq!(chunks.len(), 5);
    for (n, (chunk, whole)) in chunks.iter().zip(whole).enumerate() {
        if n != 2 {
            assert_eq!(chunk, whole);
        }
    }
    let gap = chunks[2].as_ref().unwrap_err();
    assert_eq!(
        (gap.connection, gap.seq_first, gap.seq_last),
        (connection, 2, 2)
    );
    let GapCause::Damaged { chunk, .. } = gap.cause else {
        panic!("{gap}")
    };
    assert_eq!(chunk, ChunkId::new(3));
    let text = gap.to_string();
    assert!(
        text.starts_with("chunk 3 (number 2 of connection 1) is damaged: "),
        "{text}"
    );
    let found = reader.check().unwrap();
    assert!(found.contains(&text), "{found:?}");
}

#[test]
fn every_flipped_bit_of_a_chunk_is_found() {
    let (folder, connection, whole) = five_chunks(60);
    let database = database(folder.path());
    let blob: Vec<u8> = database
        .query_row("SELECT zstd FROM chunks WHERE id = 3", [], |row| row.get(0))
        .unwrap();
    let reader = StoreReader::open(folder.path()).unwrap();
    let mut harmless = 0;
    for bit in 0..blob.len() * 8 {
        let mut flipped = blob.clone();
        flipped[bit / 8] ^= 1 << (bit % 8);
        database
            .execute("UPDATE chunks SET zstd = ? WHERE id = 3", [flipped])
            .unwrap();
        let chunks = reader.chunks(connection, &ChunkRange::All).unwrap();
        if chunks[2].is_ok() {
            // A bit that zstd itself does not use: the bytes must be right then.
            assert_eq!(chunks[2], whole[2], "bit {bit}");
            harmless += 1;
        }
        assert!(
            chunks[..2] == whole[..2] && chunks[3..] == whole[3..],
            "bit {bit}"
        );
    }
    // RFC 8878, section 3.1.1.1.1: the frame header descriptor has one unused bit, and a cleared
    // single-segment flag turns the content size into a window size, large enough here.
    assert!(harmless <= 2, "{harmless} flipped bits were not noticed");
}

#[test]
fn every_flipped_bit_of_a_chunks_times_is_found() {
    let (folder, connection, whole) = five_chunks(60);
    let database = database(folder.path());
    for column in [
        "mono_us_first",
        "mono_us_last",
        "wall_us_first",
        "tick_first",
        "bytes_len",
        "checksum",
    ] {
        let value: i64 = database
            .query_row(
                &format!("SELECT {column} FROM chunks WHERE id = 3"),
                [],
                |row| row.get(0),
            )
            .unwrap();
        let update = format!("UPDATE chunks SET {column} = ? WHERE id = 3");
        for bit in 0..64 {
            database.execute(&update, [value ^ (1 << bit)]).unwrap();
            assert_third_damaged(folder.path(), connection, &whole);
        }
        database.execute(&update, [value]).unwrap();
    }
    database
        .execute("UPDATE chunks SET tick_first = NULL WHERE id = 3", [])
        .unwrap();
    assert_third_damaged(folder.path(), connection, &whole);
}

#[test]
fn a_bit_flipped_in_the_file_is_found() {
    // Large enough for pages of its own, so that most of the flips hit its bytes or their chain.
    let (folder, connection, whole) = five_chunks(40_000);
    let path = folder.path().join(DATABASE);
    let file = fs::read(&path).unwrap();
    let blob: Vec<u8> = database(folder.path())
        .query_row("SELECT zstd FROM chunks WHERE id = 3", [], |row| row.get(0))
        .unwrap();
    // Stretches of the bytes, found again in the file.
    for start in [1000, 15_000, 38_000] {
        let stretch = &blob[start..start + 64];
        let at = file
            .windows(stretch.len())
            .position(|window| window == stretch)
            .unwrap();
        let mut damaged = file.clone();
        damaged[at + 13] ^= 0x10;
        fs::write(&path, &damaged).unwrap();
        assert_third_damaged(folder.path(), connection, &whole);
    }
    // The number of the next page of its chain, at the head of the page that holds a stretch.
    let page_bytes = 4096;
    let stretch = &blob[15_000..15_064];
    let at = file
        .windows(stretch.len())
        .position(|window| window == stretch)
        .unwrap();
    let mut damaged = file.clone();
    damaged[at / page_bytes * page_bytes] ^= 0x40;
    fs::write(&path, &damaged).unwrap();
    assert_third_damaged(folder.path(), connection, &whole);
}

#[test]
fn missing_chunks_are_told_apart_from_damaged_ones() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    for seq in [2, 3, 6, u32::MAX] {
        store.add_chunk(&second(connection, seq, b"bytes")).unwrap();
    }
    database(folder.path())
        .execute("UPDATE chunks SET checksum = 0 WHERE seq = 3", [])
        .unwrap();
    let reader = store.reader().unwrap();
    let shape = |range| {
        reader
            .chunks(connection, &range)
            .unwrap()
            .into_iter()
            .map(|chunk| match chunk {
                Ok(chunk) => format!("{}", chunk.seq),
                Err(ChunkGap {
                    seq_first,
                    seq_last,
                    cause: GapCause::Missing,
                    ..
                }) => {
                    format!("missing {seq_first}-{seq_last}")
                }
                Err(gap) => format!("damaged {}", gap.seq_first),
            })
            .collect::<Vec<_>>()
    };
    assert_eq!(
        shape(ChunkRange::All),
        [
            "missing 0-1",
            "2",
            "damaged 3",
            "missing 4-5",
            "6",
            "missing 7-4294967294",
            "4294967295"
        ]
    );
    assert_eq!(
        shape(ChunkRange::Seq(2..=6)),
        ["2", "damaged 3", "missing 4-5", "6"]
    );
    assert_eq!(shape(ChunkRange::Seq(4..=5)), ["missing 4-5"]);
    assert_eq!(shape(ChunkRange::Seq(6..=9)), ["6", "missing 7-9"]);
    #[expect(
        clippy::reversed_empty_ranges,
        reason = "an empty range is what is asked for"
    )]
    let empty = 6..=2;
    assert_eq!(shape(ChunkRange::Seq(empty)), Vec::<String>::new());

    // One missing chunk reads as one.
    let gap = reader
        .chunks(connection, &ChunkRange::Seq(5..=5))
        .unwrap()
        .remove(0)
        .unwrap_err();
    assert_eq!(
        gap.to_string(),
        "chunk number 5 of connection 1 was never stored"
    );

    let mut seen = 0;
    reader
        .for_each_chunk(connection, &ChunkRange::All, |_| {
            seen += 1;
            if seen == 3 {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })
        .unwrap();
    assert_eq!(seen, 3);
}

#[test]
fn a_changed_text_is_found_by_its_hash() {
    let (folder, mut store) = new_store();
    let stand = store.put_stand("inertia_kg_m2 = 2.35").unwrap();
    let calibration = store.put_calibration("{\"a\":1}").unwrap();
    let database = database(folder.path());
    database
        .execute("UPDATE stand_files SET text = 'inertia_kg_m2 = 2.45'", [])
        .unwrap();
    database
        .execute("UPDATE calibrations SET text = '{\"a\":2}'", [])
        .unwrap();
    let reader = store.reader().unwrap();
    let errors = [
        reader.stand_text(stand).unwrap_err(),
        reader.calibration_json(calibration).unwrap_err(),
    ];
    for (error, what) in errors
        .iter()
        .zip([format!("stand file {stand}"), calibration.to_string()])
    {
        assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
        assert!(error.to_string().contains(&what), "{error}");
    }
    let found = reader.check().unwrap();
    assert_eq!(found, errors.map(|error| error.to_string()));
}

#[test]
fn a_row_that_cannot_be_understood_is_named() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let setup = store
        .add_setup(&NewSetup {
            name: "main jet 105".into(),
            created_wall_us: 0,
            notes: String::new(),
            parts: json!({}),
        })
        .unwrap();
    store.add_chunk(&second(connection, 0, b"x")).unwrap();
    let new = new_pull(&mut store, connection);
    let pulls = [store.add_pull(&new).unwrap(), store.add_pull(&new).unwrap()];
    let event = store
        .add_event(&new_event(Severity::Info, EventKind::StoreSlow).into())
        .unwrap();
    let database = database(folder.path());
    let reader = store.reader().unwrap();
    database
        .execute(
            "UPDATE pulls SET air = '{\"pressure_pa\":' WHERE id = 2",
            [],
        )
        .unwrap();
    // JSON, but no parts.
    database
        .execute("UPDATE setups SET parts = '[105]'", [])
        .unwrap();
    database
        .execute("UPDATE events SET severity = 'infp'", [])
        .unwrap();
    database
        .execute("UPDATE connections SET opened_mono_us = -1", [])
        .unwrap();
    let found = reader.check().unwrap();
    assert_eq!(found.len(), 4, "{found:?}");
    for (error, name) in [
        (
            reader.connections().unwrap_err(),
            format!("connection {connection} is damaged"),
        ),
        (
            reader.pulls().unwrap_err(),
            format!("pull {} is damaged", pulls[1]),
        ),
        (
            reader.setups().unwrap_err(),
            format!("setup {setup} is damaged: invalid type"),
        ),
        (
            reader.events(&EventFilter::default()).unwrap_err(),
            format!("event {event} is damaged: "),
        ),
    ] {
        assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
        let text = error.to_string();
        assert!(text.starts_with(&name), "{text}");
        assert!(found.contains(&text), "{found:?}");
    }
    // What hangs on a damaged row can still be read.
    reader.pull(pulls[0]).unwrap();
    assert_eq!(
        seqs(&reader.chunks(connection, &ChunkRange::All).unwrap()),
        [0]
    );
}

#[test]
fn a_damaged_table_of_contents_is_named() {
    let (folder, ..) = five_chunks(10_000);
    let path = folder.path().join(DATABASE);
    let mut file = fs::read(&path).unwrap();
    // SQLite's file format: page 1 has a 100-byte header, then the head of the schema's tree.
    file[100] = 0xff;
    fs::write(&path, &file).unwrap();
    for error in [
        Store::open(folder.path()).map(drop).unwrap_err(),
        StoreReader::open(folder.path()).map(drop).unwrap_err(),
    ] {
        assert!(matches!(error, StoreError::Corrupt { .. }), "{error}");
        let text = error.to_string();
        assert!(
            text.contains(&folder.path().display().to_string()),
            "{text}"
        );
        assert!(text.contains("go on from a backup"), "{text}");
    }
}

// ── What cannot be done says why ──────────────────────────────────────────────────────────────

#[test]
fn a_second_writer_is_refused_and_readers_are_not() {
    let (folder, store) = new_store();
    let error = Store::open(folder.path()).map(drop).unwrap_err();
    let text = error.to_string();
    let StoreError::Locked { holder, .. } = error else {
        panic!("{text}")
    };
    assert_eq!(holder, Some(std::process::id()));
    assert!(
        text.contains(&folder.path().display().to_string()),
        "{text}"
    );
    let readers = [
        StoreReader::open(folder.path()).unwrap(),
        store.reader().unwrap(),
    ];
    drop(store);
    Store::open(folder.path()).unwrap();
    drop(readers);
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    fs::write(&file, "").unwrap();
    for wrong in [file.clone(), file.join("store")] {
        let error = Store::open(&wrong).map(drop).unwrap_err();
        assert!(matches!(error, StoreError::FolderNotMade { .. }), "{error}");
        let text = error.to_string();
        assert!(text.contains(&wrong.display().to_string()), "{text}");
        assert!(
            text.contains("Check the path, or make the folder"),
            "{text}"
        );
    }
}

#[test]
#[cfg(target_os = "linux")]
fn a_folder_that_cannot_be_written_is_named() {
    // Nobody can make a file there, not even root.
    let error = Store::open("/sys").map(drop).unwrap_err();
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
    let text = error.to_string();
    assert!(
        text.contains("cannot write to the store folder /sys."),
        "{text}"
    );
    assert!(text.contains("mounted read-only"), "{text}");
}

#[test]
fn something_else_in_place_of_the_database_is_left_alone() {
    let other = tempfile::tempdir().unwrap();
    let connection = database(other.path());
    connection
        .execute_batch("CREATE TABLE recipes (name TEXT); PRAGMA user_version = 1")
        .unwrap();
    connection.close().unwrap();
    let foreign = fs::read(other.path().join(DATABASE)).unwrap();
    for content in [b"main jet 105, needle clip 3\n".repeat(100), foreign] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(DATABASE);
        fs::write(&path, &content).unwrap();
        for error in [
            Store::open(folder.path()).map(drop).unwrap_err(),
            StoreReader::open(folder.path()).map(drop).unwrap_err(),
        ] {
            assert!(matches!(error, StoreError::NotAStore { .. }), "{error}");
            assert!(error.to_string().contains("Give another folder"), "{error}");
        }
        assert!(fs::read(&path).unwrap() == content, "the file was changed");
    }
}

#[test]
fn a_reader_makes_no_store() {
    let folder = tempfile::tempdir().unwrap();
    let empty = tempfile::tempdir().unwrap();
    fs::write(empty.path().join(DATABASE), "").unwrap();
    for path in [folder.path(), &folder.path().join("none"), empty.path()] {
        assert!(matches!(
            StoreReader::open(path),
            Err(StoreError::NoStore { .. })
        ));
    }
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn what_refers_to_nothing_is_refused_whole() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let nowhere = ConnectionId::new(99);
    let pull = new_pull(&mut store, connection);
    let before = dump(folder.path());
    let none = ContentHash::of("never stored");
    let refused = [
        store.add_chunk(&second(nowhere, 0, b"x")).map(drop),
        store
            .add_pull(&NewPull {
                connection: nowhere,
                ..pull.clone()
            })
            .map(drop),
        store
            .add_pull(&NewPull {
                setup: Some(SetupId::new(9)),
                ..pull.clone()
            })
            .map(drop),
        store
            .add_pull(&NewPull {
                stand: none,
                ..pull.clone()
            })
            .map(drop),
        store
            .add_pull(&NewPull {
                calibration: none,
                end: Some(ended(1)),
                ..pull
            })
            .map(drop),
        store
            .add_event(&NewEvent {
                pull: Some(PullId::new(5)),
                ..new_event(Severity::Info, EventKind::SensorBack).into()
            })
            .map(drop),
    ];
    for result in refused {
        assert!(matches!(result, Err(StoreError::MissingReference { .. })));
    }
    let hello = Hello {
        frame: vec![],
        tick_hz: 1,
        board_id: 1,
        boot: 1,
    };
    let not_found = [
        store.set_hello(nowhere, &hello),
        store.close_connection(nowhere, 0, ""),
        store.set_setup_notes(SetupId::new(9), ""),
        store.finish_pull(PullId::new(5), &ended(1)),
        store.edit_pull(PullId::new(5), &PullEdit::default()),
    ];
    let reader = store.reader().unwrap();
    let not_read = [
        reader.connection(nowhere).map(drop),
        reader.setup_named("main jet 300").map(drop),
        reader.pull(PullId::new(5)).map(drop),
        reader.pull_chunks(PullId::new(5)).map(drop),
        reader.chunks(nowhere, &ChunkRange::All).map(drop),
        reader.stand_text(none).map(drop),
        reader.calibration_json(none).map(drop),
    ];
    for result in not_found.into_iter().chain(not_read) {
        assert!(matches!(result, Err(StoreError::NotFound { .. })));
    }
    assert_eq!(before, dump(folder.path()));
}

#[test]
fn values_that_cannot_be_stored_are_named() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    store.add_chunk(&second(connection, 0, b"x")).unwrap();
    let setup = NewSetup {
        name: "main jet 105".into(),
        created_wall_us: 0,
        notes: String::new(),
        parts: Value::Null,
    };
    store.add_setup(&setup).unwrap();
    let longest = noise(2, CHUNK_BYTES_MAX);
    store.add_chunk(&second(connection, 2, &longest)).unwrap();
    let chunks = store
        .reader()
        .unwrap()
        .chunks(connection, &ChunkRange::Seq(2..=2))
        .unwrap();
    assert!(chunks[0].as_ref().unwrap().bytes == longest);
    let before = dump(folder.path());

    let long = noise(0, CHUNK_BYTES_MAX + 1);
    let backwards = NewChunk {
        mono_us_last: 5,
        ..second(connection, 1, b"x")
    };
    let late = NewChunk {
        tick_first: Some(1 << 63),
        ..second(connection, 1, b"x")
    };
    for (result, words) in [
        (
            store.add_chunk(&second(connection, 1, &long)).map(drop),
            "at most 1048576 expected, 1048577 found",
        ),
        (
            store.add_chunk(&second(connection, 0, b"y")).map(drop),
            "one not yet used in connection 1 expected, 0 found",
        ),
        (
            store.add_chunk(&backwards).map(drop),
            "at least its mono_us_first 1000000 expected, 5 found",
        ),
        (
            store.add_chunk(&late).map(drop),
            "times and ticks below 2^63 expected",
        ),
        (
            store.put_calibration("{\"a\":").map(drop),
            "JSON expected, EOF while parsing",
        ),
        (
            store.add_setup(&setup).map(drop),
            "a setup named \"main jet 105\" already",
        ),
    ] {
        let text = result.unwrap_err().to_string();
        assert!(text.contains(words), "{text}");
    }
    assert_eq!(before, dump(folder.path()));
}

#[test]
fn a_store_removed_under_the_daemon_is_noticed() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    store
        .add_chunk(&second(connection, 0, &noise(0, 50_000)))
        .unwrap();
    let size = store.size().unwrap();
    assert!(size.database_bytes + size.wal_bytes > 50_000, "{size:?}");
    assert!(size.free_bytes > 0, "{size:?}");
    fs::remove_file(folder.path().join(DATABASE)).unwrap();
    assert!(matches!(store.size(), Err(StoreError::Vanished { .. })));
}

// ── While the writer writes ───────────────────────────────────────────────────────────────────

/// Sets its flag when it goes, also when the thread that holds it panics: the others then end.
struct Finally<'a>(&'a AtomicBool);

impl Drop for Finally<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::SeqCst);
    }
}

#[test]
fn readers_see_whole_commits_in_order_while_the_writer_writes() {
    const CHUNKS: u32 = 300;
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let acknowledged = AtomicU32::new(0);
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                let reader = StoreReader::open(folder.path()).unwrap();
                let mut event = None;
                let mut events = 0;
                loop {
                    let last_round = done.load(Ordering::SeqCst);
                    let at_least = acknowledged.load(Ordering::SeqCst);
                    // What was acknowledged before is there, in order and whole.
                    let from = at_least.saturating_sub(5);
                    let range = ChunkRange::Seq(from..=at_least.max(1) - 1);
                    for (seq, chunk) in (from..).zip(reader.chunks(connection, &range).unwrap()) {
                        if at_least == 0 {
                            break;
                        }
                        let chunk = chunk.unwrap();
                        assert_eq!(chunk.seq, seq);
                        assert!(chunk.bytes == noise(seq, 3000));
                    }
                    // Following sees each event once and in order.
                    let new = reader
                        .events(&EventFilter {
                            after: event,
                            ..EventFilter::default()
                        })
                        .unwrap();
                    for record in new {
                        events += 1;
                        assert_eq!(record.mono_us, events);
                        event = Some(record.id);
                    }
                    assert!(events >= u64::from(at_least));
                    if last_round {
                        break;
                    }
                }
                assert_eq!(events, u64::from(CHUNKS));
            });
        }
        let _finally = Finally(&done);
        for seq in 0..CHUNKS {
            let now = Now::new(u64::from(seq) + 1, 0);
            let event = Event::new(now, None, EventKind::Released, "");
            store.add_event(&event.into()).unwrap();
            store
                .add_chunk(&second(connection, seq, &noise(seq, 3000)))
                .unwrap();
            acknowledged.store(seq + 1, Ordering::SeqCst);
        }
    });
}

#[test]
fn a_backup_made_while_writing_is_whole_and_equals_the_store_at_rest() {
    let (folder, mut store) = new_store();
    let connection = add_connection(&mut store);
    let pull = new_pull(&mut store, connection);
    store.add_pull(&pull).unwrap();
    let target = tempfile::tempdir().unwrap();
    let acknowledged = AtomicU32::new(0);
    let done = AtomicBool::new(false);
    let rounds = std::thread::scope(|scope| {
        let _finally = Finally(&done);
        let writer = scope.spawn(|| {
            for seq in 0.. {
                if done.load(Ordering::SeqCst) {
                    break;
                }
                store
                    .add_chunk(&second(connection, seq, &noise(seq, 5000)))
                    .unwrap();
                acknowledged.store(seq + 1, Ordering::SeqCst);
            }
        });
        let reader = StoreReader::open(folder.path()).unwrap();
        let rounds: Vec<usize> = (0..5)
            .map(|round| {
                while acknowledged.load(Ordering::SeqCst) < 10 * (round + 1)
                    && !writer.is_finished()
                {
                    std::thread::yield_now();
                }
                let at_least = acknowledged.load(Ordering::SeqCst);
                let to = target.path().join(format!("while writing {round}"));
                reader.backup(&to).unwrap();
                let names: Vec<_> = fs::read_dir(&to)
                    .unwrap()
                    .map(|entry| entry.unwrap().file_name())
                    .collect();
                assert_eq!(names, [DATABASE]);
                let copy = StoreReader::open(&to).unwrap();
                assert_eq!(copy.check().unwrap(), Vec::<String>::new());
                let chunks = copy.chunks(connection, &ChunkRange::All).unwrap();
                assert!(chunks.len() >= usize::try_from(at_least).unwrap());
                for (seq, chunk) in (0..).zip(&chunks) {
                    assert!(chunk.as_ref().unwrap().bytes == noise(seq, 5000));
                }
                chunks.len()
            })
            .collect();
        done.store(true, Ordering::SeqCst);
        writer.join().unwrap();
        rounds
    });
    assert!(rounds.is_sorted(), "{rounds:?}");

    let to = target.path().join("at rest");
    let reader = store.reader().unwrap();
    reader.backup(&to).unwrap();
    assert_eq!(dump(&to), dump(folder.path()));

    // A backup overwrites neither a backup nor the store itself.
    for taken in [&to, folder.path()] {
        assert!(matches!(
            reader.backup(taken),
            Err(StoreError::BackupExists { .. })
        ));
    }
    // What an earlier attempt left behind is no hindrance, and a daemon goes on from the copy.
    let again = target.path().join("again");
    fs::create_dir(&again).unwrap();
    fs::write(again.join("leverarm.sqlite.partial"), "half").unwrap();
    reader.backup(&again).unwrap();
    let mut copy = Store::open(&again).unwrap();
    let next = acknowledged.load(Ordering::SeqCst);
    copy.add_chunk(&second(connection, next, b"next")).unwrap();
}
