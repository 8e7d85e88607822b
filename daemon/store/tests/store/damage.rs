//! Flipped bits, zeroed sectors and torn ends in a store's file: they are noticed, nothing false is
//! read back, and what they did not touch is saved into a new store.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use leverarm_store::{
    ChunkRange, ConnectionId, EventFilter, NewEvent, NewPull, NewSetup, PullEnd, PullState, Store,
    StoreError, StoreReader, salvage,
};
use leverarm_vocabulary::{Event, EventKind, Now, Repeats};
use serde_json::json;

use super::{DATABASE, second};

const STAND: &str = "[drum]\ninertia = \"2.35 kg*m^2\"\n";
const PAGE_BYTES: usize = 4096;
const CONNECTIONS: u32 = 3;
const CHUNKS: u32 = 60;

/// A small generator of its own, so that a seed means the same for ever (splitmix64).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.next() % u64::try_from(end).unwrap()).unwrap()
    }
}

/// Some chunks fit into a page, some take several.
fn chunk_bytes(connection: u32, seq: u32) -> Vec<u8> {
    let mut random = Random(u64::from(connection) << 32 | u64::from(seq));
    let len = random.below(if seq.is_multiple_of(4) { 20_000 } else { 900 });
    (0..len).map(|_| random.next().to_le_bytes()[0]).collect()
}

fn fill(folder: &Path) {
    let mut store = Store::open(folder).unwrap();
    let stand = store.put_stand(STAND).unwrap();
    let calibration = store.put_calibration("{}").unwrap();
    for number in 0..CONNECTIONS {
        let setup = store
            .add_setup(&NewSetup {
                name: format!("main jet {}", 100 + number),
                created_wall_us: 0,
                notes: String::new(),
                parts: json!({ "main jet": 100 + number }),
            })
            .unwrap();
        let connection = store
            .add_connection(Some(stand), "simulated", Now::new(0, 0))
            .unwrap();
        for seq in 0..CHUNKS {
            let bytes = chunk_bytes(number, seq);
            store.add_chunk(&second(connection, seq, &bytes)).unwrap();
        }
        let pull = store
            .add_pull(&NewPull {
                setup: Some(setup),
                end: Some(PullEnd {
                    state: PullState::Stored,
                    tick_peak: Some(1),
                    tick_end: 2,
                    chunk_seq_last: CHUNKS - 1,
                    reasons: Vec::new(),
                }),
                ..NewPull::of(connection, stand, calibration)
            })
            .unwrap();
        for wall_us in 0..20 {
            let now = Now::new(0, wall_us);
            let message = "12 teeth that gave no edge";
            let missed = Event::new(now, None, EventKind::MissedTeeth, message);
            store
                .add_event(&NewEvent {
                    connection: Some(connection),
                    pull: Some(pull),
                    event: missed.repeated(Repeats::times(12)),
                })
                .unwrap();
        }
        store.close_connection(connection, 1, "unplugged").unwrap();
    }
}

/// Chunks that read back, by connection and number. Each has to be as it was stored.
fn true_chunks(reader: &StoreReader) -> BTreeMap<(i64, u32), usize> {
    let mut chunks = BTreeMap::new();
    for number in 0..CONNECTIONS {
        let connection = ConnectionId::new(i64::from(number) + 1);
        for chunk in reader
            .chunks(connection, &ChunkRange::All)
            .into_iter()
            .flatten()
            .flatten()
        {
            assert!(
                chunk.bytes == chunk_bytes(number, chunk.seq),
                "chunk {} of connection {connection} reads back wrong",
                chunk.seq
            );
            chunks.insert((connection.get(), chunk.seq), chunk.bytes.len());
        }
    }
    chunks
}

/// Damages a copy of the store, and returns how many pages were hit.
fn damage(seed: u64, bytes: &mut Vec<u8>) -> usize {
    let mut random = Random(seed);
    let hits = 1 + random.below(4);
    let mut pages = std::collections::BTreeSet::new();
    for _ in 0..hits {
        let at = random.below(bytes.len());
        match random.below(4) {
            // A sector that was never written.
            0 => {
                let sector = at / 512 * 512;
                bytes[sector..sector + 512].fill(0);
            }
            _ => bytes[at] ^= 1 << random.below(8),
        }
        pages.insert(at / PAGE_BYTES);
    }
    let mut touched = pages.len();
    // A file that ends too soon, in the middle of a page.
    if random.below(8) == 0 {
        let torn = 1 + random.below(6 * PAGE_BYTES);
        bytes.truncate(bytes.len() - torn);
        touched += torn.div_ceil(PAGE_BYTES) + 1;
    }
    touched
}

/// Most rows that one page can hold or lead to, when it is a leaf: pages of the trees above are got
/// round.
const ROWS_PER_PAGE: usize = 45;

#[test]
fn damage_is_noticed_and_the_rest_is_saved() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole");
    fill(&whole);
    let reader = StoreReader::open(&whole).unwrap();
    assert_eq!(reader.check().unwrap(), Vec::<String>::new());
    let all = true_chunks(&reader);
    assert_eq!(all.len(), usize::try_from(CONNECTIONS * CHUNKS).unwrap());
    drop(reader);
    let original = fs::read(whole.join(DATABASE)).unwrap();

    let (mut unnoticed, mut saved_of_all) = (0, 0);
    let seeds = 150;
    for seed in 0..seeds {
        let damaged = folder.path().join(format!("damaged-{seed}"));
        let saved = folder.path().join(format!("saved-{seed}"));
        fs::create_dir(&damaged).unwrap();
        let mut bytes = original.clone();
        let pages = damage(seed, &mut bytes);
        fs::write(damaged.join(DATABASE), &bytes).unwrap();

        let found = StoreReader::open(&damaged).and_then(|reader| {
            // Whatever it gives out is true, checked or not.
            true_chunks(&reader);
            reader.check()
        });
        let noticed = found.as_ref().map_or(true, |found| !found.is_empty());
        if !noticed {
            // Unused bytes, or a value that no check covers; never bytes of the log.
            let reader = StoreReader::open(&damaged).unwrap();
            assert_eq!(
                true_chunks(&reader),
                all,
                "seed {seed}: lost without a word"
            );
            unnoticed += 1;
        }

        let report = salvage(&damaged, &saved).unwrap();
        assert!(
            fs::read(damaged.join(DATABASE)).unwrap() == bytes,
            "seed {seed}: the damaged store was changed"
        );
        let reader = StoreReader::open(&saved).unwrap();
        let chunks = true_chunks(&reader);
        assert!(
            chunks.len() + pages * ROWS_PER_PAGE >= all.len(),
            "seed {seed}: {} of {} chunks saved though {pages} pages were hit; lost: {:?}",
            chunks.len(),
            all.len(),
            report.lost
        );
        saved_of_all += chunks.len();
        if chunks.len() < all.len() {
            assert!(!report.lost.is_empty(), "seed {seed}: losses are not told");
        }
        // What was saved can be used: every list reads, and the database is whole.
        let pulls = reader.pulls().unwrap();
        reader.events(&EventFilter::default()).unwrap();
        reader.setups().unwrap();
        for pull in pulls {
            reader.pull_chunks(pull.id).unwrap();
        }
        let remarks = reader.check().unwrap();
        let structure = |line: &String| {
            !line.contains("never stored")
                && !line.contains("stand file")
                && !line.contains("calibration")
        };
        assert!(
            !remarks.iter().any(structure),
            "seed {seed}: the new store is not in order: {remarks:?}"
        );
        Store::open(&saved).unwrap();
    }
    println!(
        "{unnoticed} of {seeds} hit nothing that a check covers; {:.2} % of all chunks saved",
        100.0 * saved_of_all as f64 / (seeds as f64 * all.len() as f64)
    );
    assert!(saved_of_all as f64 > 0.95 * seeds as f64 * all.len() as f64);
    assert!(unnoticed < seeds / 2);
}

#[test]
fn the_first_page_may_be_gone_altogether() {
    let folder = tempfile::tempdir().unwrap();
    let (damaged, saved) = (folder.path().join("damaged"), folder.path().join("saved"));
    fill(&damaged);
    let mut bytes = fs::read(damaged.join(DATABASE)).unwrap();
    bytes[..PAGE_BYTES].fill(0);
    fs::write(damaged.join(DATABASE), &bytes).unwrap();
    StoreReader::open(&damaged).map(drop).unwrap_err();
    let report = salvage(&damaged, &saved).unwrap();
    let reader = StoreReader::open(&saved).unwrap();
    assert_eq!(
        true_chunks(&reader).len(),
        usize::try_from(CONNECTIONS * CHUNKS).unwrap(),
        "{report:?}"
    );
    assert_eq!(reader.pulls().unwrap().len(), 3, "{report:?}");
}

#[test]
fn a_running_daemons_store_and_an_existing_folder_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (whole, saved) = (folder.path().join("whole"), folder.path().join("saved"));
    let missing = salvage(&whole, &saved).unwrap_err();
    assert!(matches!(missing, StoreError::NoStore { .. }), "{missing}");
    let store = Store::open(&whole).unwrap();
    let locked = salvage(&whole, &saved).unwrap_err();
    assert!(matches!(locked, StoreError::Locked { .. }), "{locked}");
    drop(store);
    fs::create_dir(&saved).unwrap();
    let taken = salvage(&whole, &saved).unwrap_err();
    assert!(matches!(taken, StoreError::BackupExists { .. }), "{taken}");
}

/// A whole store comes out as it went in, its write-ahead log included.
#[test]
fn nothing_is_lost_of_a_whole_store() {
    let folder = tempfile::tempdir().unwrap();
    let (whole, saved) = (folder.path().join("whole"), folder.path().join("saved"));
    fill(&whole);
    let report = salvage(&whole, &saved).unwrap();
    assert_eq!(report.lost, Vec::<String>::new());
    let lists = |folder: &Path| {
        let reader = StoreReader::open(folder).unwrap();
        assert_eq!(reader.check().unwrap(), Vec::<String>::new());
        format!(
            "{:?}{:?}{:?}{:?}{:?}",
            reader.connections().unwrap(),
            reader.setups().unwrap(),
            reader.pulls().unwrap(),
            reader.events(&EventFilter::default()).unwrap(),
            true_chunks(&reader),
        )
    };
    assert_eq!(lists(&whole), lists(&saved));
}
