//! A store with pulls of setups whose true curves are known, made in no time: the bytes that a board
//! would have sent, without a board, a port or a clock.

use std::path::Path;

use leverarm_live::Now;
use leverarm_protocol::{BoardMessage, EncodeError, FRAME_BYTES_MAX, TeethBatch};
use leverarm_store::{Hello, NewChunk, NewPull, NewSetup, PullEnd, PullState, Store, StoreError};
use serde_json::{Value, json};

use crate::simulated_pull::{Pull, Shape, normal};

/// The stand file of all these pulls; what it states is exactly what is simulated.
pub const STAND: &str = include_str!("simulated_store/stand.toml");
const TICK_HZ: u32 = 2_000_000;
/// From the start of one pull to the start of the next.
const PULL_EVERY_S: u64 = 60;
/// Standard deviation of a pull's torque as a whole.
const SCATTER: f64 = 0.002;
/// When the first pull is made: 2025-10-09.
const FIRST_WALL_US: i64 = 1_760_000_000_000_000;
/// A chunk is shorter than the store's limit.
const CHUNK_BYTES: usize = 16 * 1024;

/// A setup with its parts.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedSetup {
    /// Its name.
    pub name: String,
    /// Its parts.
    pub parts: Value,
    /// Its torque over speed.
    pub shape: Shape,
    /// Its torque over that of the others.
    pub share: f64,
}

/// A jet that leaves a dip about 5,000 rpm, and one that does not.
#[must_use]
pub fn two_jets() -> [SimulatedSetup; 2] {
    [
        SimulatedSetup {
            name: "main jet 105".to_owned(),
            parts: json!({ "main jet": "105", "needle clip": "2" }),
            shape: Shape::Dip,
            share: 1.0,
        },
        SimulatedSetup {
            name: "main jet 110".to_owned(),
            parts: json!({ "main jet": "110", "needle clip": "2" }),
            shape: Shape::Hump,
            share: 1.0,
        },
    ]
}

/// A series: jet and sleeve tested in all four ways, the sleeve worth 2 %; then exhaust and airbox
/// opened at once, worth 3 % together. With the order it was tested in, the first setup again and again.
#[must_use]
pub fn series() -> ([SimulatedSetup; 5], [usize; 11]) {
    let setup = |name: &str, jet: &str, sleeve: &str, open: bool, share: f64| SimulatedSetup {
        name: name.to_owned(),
        parts: json!({
            "main jet": jet,
            "sleeve": sleeve,
            "exhaust": if open { "open" } else { "silenced" },
            "airbox": if open { "open" } else { "closed" },
            "needle clip": "2",
        }),
        shape: if jet == "105" {
            Shape::Dip
        } else {
            Shape::Hump
        },
        share,
    };
    let setups = [
        setup("main jet 105", "105", "none", false, 1.0),
        setup("main jet 110", "110", "none", false, 1.0),
        setup("105 with sleeve", "105", "3 mm", false, 1.02),
        setup("110 with sleeve", "110", "3 mm", false, 1.02),
        setup("110, sleeve, open", "110", "3 mm", true, 1.05),
    ];
    (setups, [0, 1, 0, 2, 3, 0, 4, 3, 4, 1, 0])
}

/// The pull that a setup makes when it makes it as ever.
#[must_use]
pub fn pull_of(setup: &SimulatedSetup) -> Pull {
    Pull {
        drum_inertia_kg_m2: 1.9,
        engine_inertia_kg_m2: 0.004,
        engine_per_drum: 5.0,
        losses: [2.0, 0.0, 0.0],
        tooth_error_share: 0.0,
        jitter_s: 2e-6,
        tick_s: 1.0 / f64::from(TICK_HZ),
        ripple: [2.0, 0.0, 0.0],
        shape: setup.shape,
        torque_nm: 11.0 * setup.share,
        ..Pull::of_drum(8)
    }
}

/// Why there is no such store.
#[derive(Debug)]
pub enum SimulatedStoreError {
    /// The store refused.
    Store(StoreError),
    /// The protocol refused.
    Encode(EncodeError),
}

impl From<StoreError> for SimulatedStoreError {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl From<EncodeError> for SimulatedStoreError {
    fn from(error: EncodeError) -> Self {
        Self::Encode(error)
    }
}

/// Makes a store. `order` names the setup of each pull, by index, and how the pull ended.
///
/// # Errors
/// When the store can't be written.
pub fn fill(
    folder: &Path,
    setups: &[SimulatedSetup],
    order: &[(usize, PullState)],
    seed: u64,
) -> Result<(), SimulatedStoreError> {
    let mut store = Store::open(folder)?;
    let mut ids = Vec::new();
    for setup in setups {
        ids.push(store.add_setup(&NewSetup {
            name: setup.name.clone(),
            created_wall_us: FIRST_WALL_US,
            notes: String::new(),
            parts: setup.parts.clone(),
        })?);
    }
    let stand = store.put_stand(STAND)?;
    let calibration = store.put_calibration("{}")?;
    let connection = store.add_connection(None, "simulated", Now::new(0, FIRST_WALL_US))?;
    let hello = BoardMessage::Hello(leverarm_protocol::Hello {
        board_id: 7,
        boot: 1,
        firmware: [1, 0, 0],
        tick_hz: TICK_HZ,
        channels: &[],
    });
    let mut sender = Sender::default();
    sender.send(&hello, 0)?;
    store.set_hello(
        connection,
        &Hello {
            frame: std::mem::take(&mut sender.bytes),
            tick_hz: TICK_HZ,
            board_id: 7,
            boot: 1,
        },
    )?;
    let mut chance = fastrand::Rng::with_seed(seed);
    let mut chunk_seq = 0;
    for ((setup, state), number) in order.iter().zip(1_u32..) {
        let (Some(made), Some(id)) = (setups.get(*setup), ids.get(*setup)) else {
            continue;
        };
        let mut pull = pull_of(made);
        pull.torque_nm *= 1.0 + SCATTER * normal(&mut chance);
        let shift_s = u64::from(number) * PULL_EVERY_S;
        let shift_ticks = shift_s * u64::from(TICK_HZ);
        let edges = pull.simulate(chance.u64(..)).edges;
        let ticks: Vec<u64> = edges.iter().map(|edge| edge.tick + shift_ticks).collect();
        let (Some(first), Some(last)) = (ticks.first().copied(), ticks.last().copied()) else {
            continue;
        };
        let wall_us = FIRST_WALL_US.saturating_add_unsigned(shift_s * 1_000_000);
        let chunk_seq_first = chunk_seq;
        for (bytes, tick_first) in sender.teeth(&ticks)? {
            let mono = |tick: u64| tick / u64::from(TICK_HZ / 1_000_000);
            store.add_chunk(&NewChunk {
                connection,
                seq: chunk_seq,
                mono_us_first: mono(tick_first),
                mono_us_last: mono(last),
                wall_us_first: wall_us,
                tick_first: Some(tick_first),
                bytes: &bytes,
            })?;
            chunk_seq += 1;
        }
        let reasons = match state {
            PullState::Stored => Vec::new(),
            _ => vec!["the throttle was let go early".to_owned()],
        };
        store.add_pull(&NewPull {
            setup: Some(*id),
            started_wall_us: wall_us,
            tick_first_wanted: first,
            tick_start: first,
            chunk_seq_first,
            end: Some(PullEnd {
                state: *state,
                tick_peak: None,
                tick_end: last,
                chunk_seq_last: chunk_seq.saturating_sub(1),
                reasons,
            }),
            ..NewPull::of(connection, stand, calibration)
        })?;
    }
    store.close_connection(connection, FIRST_WALL_US, "the end of the simulation")?;
    Ok(())
}

/// The board's side of the line.
#[derive(Debug, Default)]
struct Sender {
    seq: u16,
    bytes: Vec<u8>,
    batch: Option<TeethBatch>,
}

impl Sender {
    fn send(&mut self, message: &BoardMessage<'_>, tick: u32) -> Result<(), EncodeError> {
        let mut frame = [0; FRAME_BYTES_MAX];
        let length = message.encode(self.seq, tick, &mut frame)?;
        self.seq = self.seq.wrapping_add(1);
        self.bytes.extend(frame.iter().take(length));
        Ok(())
    }

    fn flush(&mut self, batch: &mut TeethBatch) -> Result<(), EncodeError> {
        if let Some((tick, message)) = batch.message() {
            self.send(&message, tick)?;
        }
        batch.clear();
        Ok(())
    }

    /// Chunks of teeth frames with the tick of the first frame in each.
    fn teeth(&mut self, ticks: &[u64]) -> Result<Vec<(Vec<u8>, u64)>, EncodeError> {
        let mut batch = self.batch.take().unwrap_or(TeethBatch::new(0));
        let mut chunks = Vec::new();
        let mut first = ticks.first().copied();
        for tick in ticks {
            if !batch.push(*tick) {
                self.flush(&mut batch)?;
                if self.bytes.len() > CHUNK_BYTES {
                    chunks.extend(
                        first
                            .replace(*tick)
                            .map(|f| (std::mem::take(&mut self.bytes), f)),
                    );
                }
                // An empty batch takes any tooth.
                let _taken = batch.push(*tick);
            }
        }
        self.flush(&mut batch)?;
        self.batch = Some(batch);
        chunks.extend(first.map(|f| (std::mem::take(&mut self.bytes), f)));
        Ok(chunks)
    }
}
