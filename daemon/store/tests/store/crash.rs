//! The daemon is killed while it writes: nothing it acknowledged is lost, and its lock is gone.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use leverarm_store::{
    Chunk, ChunkRange, ConnectionId, EventFilter, NewEvent, NewPull, PullState, Store, StoreError,
    StoreReader,
};
use leverarm_vocabulary::{Event, EventKind, Now};

use super::second;

const FOLDER_VARIABLE: &str = "LEVERARM_STORE_CRASH_FOLDER";

/// What chunk `seq` of a connection holds: from nothing to 64 KiB, some of it compressible.
fn chunk_bytes(connection: ConnectionId, seq: u32) -> Vec<u8> {
    let mut state = u64::from(seq) << 32 | u64::try_from(connection.get()).unwrap();
    let len = (seq * 7919) % 65_537;
    (0..len)
        .map(|n| {
            // Knuth's 64-bit linear congruential generator.
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            if n % 3 == 0 {
                state.to_be_bytes()[0]
            } else {
                0
            }
        })
        .collect()
}

fn message(connection: ConnectionId, seq: u32) -> String {
    format!("chunk {seq} of connection {connection} was stored")
}

/// Not a test: the process that is killed. It says what was acknowledged, a line each.
#[test]
#[ignore = "started by the other tests of this file"]
fn child() {
    let Some(folder) = std::env::var_os(FOLDER_VARIABLE) else {
        return;
    };
    let mut store = Store::open(folder).unwrap();
    let connection = store
        .add_connection(None, "simulated", Now::new(0, 0))
        .unwrap();
    let stand = store.put_stand("").unwrap();
    let calibration = store.put_calibration("{}").unwrap();
    let pull = store
        .add_pull(&NewPull::of(connection, stand, calibration))
        .unwrap();
    println!("\nstarted {connection} {pull}");
    for seq in 0.. {
        let bytes = chunk_bytes(connection, seq);
        let chunk = store.add_chunk(&second(connection, seq, &bytes)).unwrap();
        println!("chunk {chunk} {seq}");
        let now = Now::new(u64::from(seq), i64::from(seq));
        let event = Event::new(now, None, EventKind::StoreSlow, message(connection, seq));
        let event = store
            .add_event(&NewEvent {
                connection: Some(connection),
                ..event.into()
            })
            .unwrap();
        println!("event {event} {seq}");
    }
}

fn start(folder: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "crash::child",
            "--ignored",
            "--nocapture",
            "--test-threads=1",
        ])
        .env(FOLDER_VARIABLE, folder)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Numbers that a killed process had acknowledged: connection and pull, then id by seq.
#[derive(Default, Debug)]
struct Acknowledged {
    started: Option<(i64, i64)>,
    chunks: BTreeMap<u32, i64>,
    events: BTreeMap<u32, i64>,
}

/// Runs a child, looks at the store through `meanwhile` once, and kills it after `lines` lines.
fn run_and_kill(folder: &Path, lines: usize, meanwhile: impl FnOnce(u32)) -> Acknowledged {
    let mut child = start(folder);
    let mut output = BufReader::new(child.stdout.take().unwrap());
    let mut acknowledged = Acknowledged::default();
    let mut meanwhile = Some(meanwhile);
    let mut read = 0;
    let mut line = String::new();
    // After the kill the pipe still holds what was said before it.
    while output.read_line(&mut line).unwrap() > 0 {
        let words: Vec<&str> = line.split_whitespace().collect();
        // A line cut short by the kill said nothing.
        if line.ends_with('\n')
            && let [word @ ("started" | "chunk" | "event"), id, number] = words[..]
        {
            let id: i64 = id.parse().unwrap();
            match word {
                "started" => acknowledged.started = Some((id, number.parse().unwrap())),
                "chunk" => drop(acknowledged.chunks.insert(number.parse().unwrap(), id)),
                _ => drop(acknowledged.events.insert(number.parse().unwrap(), id)),
            }
            read += 1;
            if let Some(meanwhile) = meanwhile.take() {
                meanwhile(child.id());
            }
            if read == lines {
                child.kill().unwrap();
            }
        }
        line.clear();
    }
    assert!(
        !child.wait().unwrap().success(),
        "the child ended before it was killed"
    );
    assert!(read >= lines, "the child said {read} lines of {lines}");
    acknowledged
}

#[test]
fn killed_while_writing_loses_nothing_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    for lines in [1, 2, 3, 20, 55, 90, 200] {
        let acknowledged = run_and_kill(folder, lines, |_| {});
        let (connection, pull) = acknowledged.started.unwrap();

        // The lock went with the process, whatever state it left the files in.
        let store = Store::open(folder).unwrap();
        let reader = store.reader().unwrap();
        let recovered = store.recovered();
        assert_eq!(
            recovered
                .connections
                .iter()
                .map(|c| c.get())
                .collect::<Vec<_>>(),
            [connection]
        );
        assert_eq!(
            recovered.pulls.iter().map(|p| p.get()).collect::<Vec<_>>(),
            [pull]
        );

        let connection = recovered.connections[0];
        let stored: Vec<Chunk> = reader
            .chunks(connection, &ChunkRange::All)
            .unwrap()
            .into_iter()
            .collect::<Result<_, _>>()
            .unwrap();
        // The last commit may have been killed before it was said.
        let said = acknowledged.chunks.len();
        assert!(
            stored.len() == said || stored.len() == said + 1,
            "{} of {said}",
            stored.len()
        );
        for (seq, chunk) in (0..).zip(&stored) {
            let bytes = chunk_bytes(connection, seq);
            let new = second(connection, seq, &bytes);
            if let Some(id) = acknowledged.chunks.get(&seq) {
                assert_eq!(chunk.id.get(), *id);
            }
            assert_eq!(
                (
                    chunk.seq,
                    chunk.mono_us_first,
                    chunk.mono_us_last,
                    chunk.wall_us_first
                ),
                (seq, new.mono_us_first, new.mono_us_last, new.wall_us_first)
            );
            assert_eq!(chunk.tick_first, new.tick_first);
            assert!(chunk.bytes == bytes, "bytes of chunk {seq}");
        }

        let filter = EventFilter {
            connection: Some(connection),
            limit: u32::MAX,
            ..EventFilter::default()
        };
        let events = reader.events(&filter).unwrap();
        for (seq, id) in &acknowledged.events {
            let event = events.iter().find(|event| event.id.get() == *id).unwrap();
            assert_eq!(event.message, message(connection, *seq));
        }

        let pull = reader.pull(recovered.pulls[0]).unwrap();
        assert_eq!(pull.state, PullState::Interrupted);
        assert_eq!(pull.reasons, ["the daemon stopped during the pull"]);
        assert_eq!(pull.tick_end, None);
        let of_pull = reader.pull_chunks(pull.id).unwrap();
        assert_eq!(of_pull, stored.into_iter().map(Ok).collect::<Vec<_>>());
        assert_eq!(
            reader
                .connection(connection)
                .unwrap()
                .closed_reason
                .as_deref(),
            Some("the daemon stopped")
        );
        assert_eq!(reader.check().unwrap(), Vec::<String>::new());
    }
}

#[test]
fn a_reader_opens_what_a_killed_writer_left() {
    let folder = tempfile::tempdir().unwrap();
    let acknowledged = run_and_kill(folder.path(), 60, |_| {});
    // No writer has been there since: the reader itself finds its way through the log.
    let reader = StoreReader::open(folder.path()).unwrap();
    let connection = reader.connections().unwrap()[0].id;
    let chunks = reader.chunks(connection, &ChunkRange::All).unwrap();
    assert!(chunks.len() >= acknowledged.chunks.len());
    assert!(chunks.iter().all(Result::is_ok));
}

#[test]
fn another_process_is_refused_while_the_first_lives() {
    let folder = tempfile::tempdir().unwrap();
    run_and_kill(folder.path(), 3, |process| {
        let error = Store::open(folder.path()).map(drop).unwrap_err();
        assert!(matches!(error, StoreError::Locked { holder: Some(h), .. } if h == process));
        let text = error.to_string();
        assert!(
            text.contains(&folder.path().display().to_string()),
            "{text}"
        );
        assert!(text.contains(&format!("process {process}")), "{text}");
        assert!(
            text.contains("Stop that one, or give this one another folder"),
            "{text}"
        );
        StoreReader::open(folder.path()).unwrap();
    });
    Store::open(folder.path()).unwrap();
}
