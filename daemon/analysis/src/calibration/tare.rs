//! The zero of the load cell, from what was recorded just now.

use leverarm_torque::calibration::tare::{TareError as ZeroError, tare as zero_of};
use leverarm_torque::comparison::words::counted;
use leverarm_torque::reduce::force_faults;

use super::runs::{Run, RunSourceError};
use super::{Known, Outcome};
use leverarm_store::StoreReader;
use leverarm_values::calibration::{Change, Tare};
use leverarm_values::model::load_cell_model;
use serde_json::json;

/// Seconds averaged unless told otherwise.
pub const SECONDS_DEFAULT: f64 = 3.0;
/// Edges that noise may put into some quiet seconds.
const EDGES_MAX: usize = 2;

/// A zero that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Tared {
    /// What is to be put in force.
    pub record: Tare,
    /// How far it is from the zero before, N.
    pub moved_n: f64,
    /// The same as torque at the arm, N·m.
    pub moved_nm: f64,
}

impl Tared {
    /// What came out, in a sentence.
    #[must_use]
    pub fn summary(&self) -> String {
        let zero = self.record.zero_counts;
        format!(
            "zero {:.1} counts ± {:.1} (k = 2), {:+.3} N ({:+.3} N·m) from the last",
            zero.value(),
            2.0 * zero.standard_uncertainty(),
            self.moved_n,
            self.moved_nm
        )
    }

    /// What is to be put in force.
    #[must_use]
    pub fn outcome(self) -> Outcome {
        Outcome {
            json: json!({ "record": self.record, "moved_n": self.moved_n }),
            plot: None,
            verdict: None,
            summary: self.summary(),
            change: Change::Tare(self.record),
        }
    }
}

/// Why no zero could be taken.
#[derive(Debug, thiserror::Error)]
pub enum TareError {
    /// Nothing to tare.
    #[error("the stand file has no [load_cell]")]
    NoLoadCell,
    /// Too short or too long.
    #[error("seconds: expected 1 to 60, found {found}")]
    Seconds {
        /// As given.
        found: f64,
    },
    /// Nothing is being recorded.
    #[error(transparent)]
    Source(#[from] RunSourceError),
    /// The stand turns.
    #[error(
        "tare refused: pickup {pickup} saw {} in the last {seconds:.0} s, so something turns; let it come to rest",
        counted(*.teeth, "tooth", "teeth")
    )]
    Turning {
        /// The board's pickup.
        pickup: u8,
        /// Teeth seen.
        teeth: usize,
        /// In so many seconds.
        seconds: f64,
    },
    /// The value does not move.
    #[error(
        "tare refused: the load cell stays at {counts} counts: converter stuck, or at the end of its range"
    )]
    Stuck {
        /// Where it stands.
        counts: i32,
    },
    /// The samples make no zero.
    #[error("tare refused: {0}")]
    Zero(#[from] ZeroError),
}

/// Takes the zero of the load cell as the mean over the last `seconds` that were recorded, while
/// nothing turns. It is not in force yet.
///
/// # Errors
/// [`TareError`].
pub fn measure(reader: &StoreReader, known: Known<'_>, seconds: f64) -> Result<Tared, TareError> {
    let Known {
        stand,
        calibration,
        now_wall_us,
    } = known;
    let cell = stand.load_cell.ok_or(TareError::NoLoadCell)?;
    if !(1.0..=60.0).contains(&seconds) {
        return Err(TareError::Seconds { found: seconds });
    }
    let run = Run::newest(reader, seconds, now_wall_us)?;
    for pickup in &stand.pickups {
        let edges = run
            .recording
            .edges_within(pickup.channel, run.ticks.clone());
        if edges.len() > EDGES_MAX {
            return Err(TareError::Turning {
                pickup: pickup.channel,
                teeth: edges.len(),
                seconds,
            });
        }
    }
    let samples = run.recording.forces_within(cell.channel, run.ticks.clone());
    if let Some(fault) = force_faults(samples, run.recording.tick_hz, cell.range_counts).first() {
        return Err(TareError::Stuck {
            counts: fault.counts,
        });
    }
    let counts: Vec<f64> = samples
        .iter()
        .map(|(_, counts)| f64::from(*counts))
        .collect();
    let zero = zero_of(&counts)?;
    // As on the page: by how much the force that it shows moves.
    let model = load_cell_model(stand, calibration).ok_or(TareError::NoLoadCell)?;
    let moved_n = model.sign * model.force_at_n(zero.value());
    Ok(Tared {
        record: Tare {
            made_wall_us: now_wall_us,
            channel: cell.channel,
            zero_counts: zero,
            seconds,
        },
        moved_n,
        moved_nm: moved_n * cell.arm_m.value,
    })
}
