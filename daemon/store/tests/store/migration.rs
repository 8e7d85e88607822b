//! A store made by an earlier program opens with today's and holds what was put in.

use std::fs;
use std::path::Path;

use leverarm_store::{
    ChunkRange, EventFilter, Hello, NewChunk, NewEvent, NewPull, NewSetup, PullEnd, PullState,
    SCHEMA_VERSION, Severity, Store, StoreError, StoreReader,
};
use leverarm_vocabulary::{Event, EventKind, Now};
use serde_json::json;

use super::{DATABASE, database, says};

/// What [`fill`] made when `SCHEMA_VERSION` was 1, 2, ….
const KEPT: [&[u8]; 3] = [
    include_bytes!("../../src/kept/version_1.sqlite"),
    include_bytes!("../../src/kept/version_2.sqlite"),
    include_bytes!("../../src/kept/version_3.sqlite"),
];

const STAND: &str = "[drum]\ninertia_kg_m2 = 2.35\n";
const CALIBRATION: &str = r#"{"force":{"per_count":0.00125,"at_zero":-3.5}}"#;

fn chunk_bytes(seq: u32) -> Vec<u8> {
    (0..200u32)
        .flat_map(|n| (n * n + seq).to_le_bytes())
        .collect()
}

/// A little of everything, written through the public methods.
fn fill(folder: &Path) {
    let mut store = Store::open(folder).unwrap();
    let connection = store
        .add_connection(
            None,
            "simulated",
            Now::new(5_000_000, 1_760_000_000_000_000),
        )
        .unwrap();
    let hello = Hello {
        frame: vec![1, 1, 0, 0, 9],
        tick_hz: 1_000_000,
        board_id: u64::MAX - 2,
        boot: 7,
    };
    store.set_hello(connection, &hello).unwrap();
    let stand = store.put_stand(STAND).unwrap();
    let calibration = store.put_calibration(CALIBRATION).unwrap();
    let setup = store
        .add_setup(&NewSetup {
            name: "main jet 105".into(),
            created_wall_us: 1_760_000_000_000_001,
            notes: "plug dry".into(),
            parts: json!({"main jet": 105, "needle clip": 3}),
        })
        .unwrap();
    for seq in 0..3 {
        let mono_us_first = 5_000_000 + u64::from(seq) * 1_000_000;
        store
            .add_chunk(&NewChunk {
                connection,
                seq,
                mono_us_first,
                mono_us_last: mono_us_first + 999_999,
                wall_us_first: 1_760_000_000_000_000 + i64::from(seq) * 1_000_000,
                tick_first: (seq != 1).then_some(u64::from(seq) * 1_000_000),
                bytes: &chunk_bytes(seq),
            })
            .unwrap();
    }
    let pull = store
        .add_pull(&NewPull {
            setup: Some(setup),
            started_wall_us: 1_760_000_000_500_000,
            tick_first_wanted: 300_000,
            tick_start: 500_000,
            air: json!({"pressure_pa": 99_800.0, "temperature_k": 291.4}),
            note: "first of three".into(),
            end: Some(PullEnd {
                state: PullState::Stored,
                tick_peak: Some(2_100_000),
                tick_end: 2_200_000,
                chunk_seq_last: 2,
                reasons: vec!["force zero drifted".into()],
            }),
            ..NewPull::of(connection, stand, calibration)
        })
        .unwrap();
    let now = Now::new(7_300_000, 1_760_000_002_300_000);
    let message = "the force zero moved by 12 counts during the pull";
    let drift = Event {
        payload: json!({"counts": 12}),
        ..Event::new(now, Some(2_300_000), EventKind::ZeroDrift, message)
    };
    store
        .add_event(&NewEvent {
            connection: Some(connection),
            pull: Some(pull),
            event: drift.of(Severity::Warning).about("force 0"),
        })
        .unwrap();
    store.set_meta("setup", Some("1")).unwrap();
    store
        .close_connection(connection, 1_760_000_003_000_000, "the port was unplugged")
        .unwrap();
    drop(store);
    // The kept stores have a kind that is none of today's: it is read as text.
    let renamed = database(folder)
        .execute("UPDATE events SET kind = 'zero_drift'", [])
        .unwrap();
    assert_eq!(renamed, 1);
}

/// Everything [`fill`] wrote, as text, so that two stores can be compared.
fn contents(folder: &Path) -> String {
    let reader = StoreReader::open(folder).unwrap();
    let connections = reader.connections().unwrap();
    let mut chunks = Vec::new();
    for connection in &connections {
        for chunk in reader.chunks(connection.id, &ChunkRange::All).unwrap() {
            let mut chunk = chunk.unwrap();
            assert!(std::mem::take(&mut chunk.bytes) == chunk_bytes(chunk.seq));
            chunks.push(chunk);
        }
    }
    let pulls = reader.pulls().unwrap();
    let texts: Vec<_> = pulls
        .iter()
        .map(|p| {
            (
                reader.stand_text(p.stand).unwrap(),
                reader.calibration_json(p.calibration),
            )
        })
        .collect();
    let events = reader.events(&EventFilter::default()).unwrap();
    let setups = reader.setups().unwrap();
    let meta = reader.meta("setup").unwrap();
    format!("{connections:?}{setups:?}{chunks:?}{pulls:?}{texts:?}{events:?}{meta:?}")
}

/// Every table and index as SQLite holds it.
fn schema(folder: &Path) -> Vec<(String, Option<String>)> {
    database(folder)
        .prepare("SELECT name, sql FROM sqlite_schema ORDER BY name")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap()
}

fn version(folder: &Path) -> u32 {
    database(folder)
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .unwrap()
}

#[test]
fn earlier_versions_open_and_hold_what_was_put_in() {
    assert_eq!(KEPT.len() + 1, usize::try_from(SCHEMA_VERSION).unwrap());
    for (earlier, bytes) in (1..).zip(KEPT) {
        let kept = tempfile::tempdir().unwrap();
        fs::write(kept.path().join(DATABASE), bytes).unwrap();
        assert_eq!(version(kept.path()), earlier);

        // A reader changes nothing, so it cannot bring the store up to date and says who can.
        let refused = StoreReader::open(kept.path());
        assert!(matches!(refused, Err(StoreError::Older { found, .. }) if found == earlier));
        says(refused, "Start the daemon on it once");

        let store = Store::open(kept.path()).unwrap();
        assert_eq!(*store.recovered(), Default::default());
        drop(store);
        assert_eq!(version(kept.path()), SCHEMA_VERSION);

        let fresh = tempfile::tempdir().unwrap();
        fill(fresh.path());
        assert_eq!(contents(kept.path()), contents(fresh.path()));
        assert_eq!(schema(kept.path()), schema(fresh.path()));
        assert_eq!(
            StoreReader::open(kept.path()).unwrap().check().unwrap(),
            Vec::<String>::new()
        );
    }
}

#[test]
fn an_empty_folder_gets_the_latest_tables_and_opening_again_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    fill(folder.path());
    assert_eq!(version(folder.path()), SCHEMA_VERSION);
    let before = (contents(folder.path()), schema(folder.path()));
    drop(Store::open(folder.path()).unwrap());
    assert_eq!(before, (contents(folder.path()), schema(folder.path())));
}

#[test]
fn a_newer_store_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    fill(folder.path());
    let newer = SCHEMA_VERSION + 1;
    let connection = database(folder.path());
    connection
        .pragma_update(None, "user_version", newer)
        .unwrap();
    connection.close().unwrap();
    let before = fs::read(folder.path().join(DATABASE)).unwrap();
    for error in [
        Store::open(folder.path()).map(drop).unwrap_err(),
        StoreReader::open(folder.path()).map(drop).unwrap_err(),
    ] {
        let StoreError::Newer { found, .. } = error else {
            panic!("{error}")
        };
        assert_eq!(found, newer);
        let text = error.to_string();
        assert!(text.contains("Update this program"), "{text}");
        assert!(
            text.contains(&format!("reads up to {SCHEMA_VERSION}")),
            "{text}"
        );
    }
    assert_eq!(before, fs::read(folder.path().join(DATABASE)).unwrap());
}
