//! Keeping a stretch of the byte log as a pull, after the fact: a step test on a brake, a
//! coast-down, a falling weight, or a pull that the rules did not take for one.

use super::record_keeper::Belongs;
use leverarm_analysis::replay::Recording;
use leverarm_store::{ChunkRange, NewPull, PullEnd, PullId, PullState, Store, StoreError};

/// What is to be kept.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeepRequest {
    /// The last so many seconds of what is stored, 1 to 1800.
    pub seconds: f64,
    /// A note on it.
    #[serde(default)]
    pub note: String,
    /// Whether it takes part in comparisons as a pull with the setup in force. A stretch kept by hand
    /// mostly covers another range than the pulls beside it.
    #[serde(default)]
    pub with_setup: bool,
}

/// Why nothing was kept.
#[derive(Debug, thiserror::Error)]
pub enum KeepError {
    /// The store refused.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Too short or too long.
    #[error("expected 1 to 1800 seconds to keep, found {found}")]
    Seconds {
        /// What was asked for.
        found: f64,
    },
    /// Nothing there.
    #[error("the store holds no bytes of a board that said hello, so there is nothing to keep")]
    Nothing,
}

/// Keeps the newest stored stretch as a pull.
///
/// # Errors
/// See [`KeepError`].
pub(crate) fn keep(
    store: &mut Store,
    request: &KeepRequest,
    belongs: Belongs,
) -> Result<PullId, KeepError> {
    let seconds = request.seconds;
    if !(1.0..=1800.0).contains(&seconds) {
        return Err(KeepError::Seconds { found: seconds });
    }
    let reader = store.reader()?;
    let connection = reader.connections()?.pop().ok_or(KeepError::Nothing)?;
    let tick_hz = connection.hello.ok_or(KeepError::Nothing)?.tick_hz;
    let last = reader
        .chunk_seq_max(connection.id)?
        .ok_or(KeepError::Nothing)?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "1 to 1800 seconds"
    )]
    let (chunks_max, span_ticks) = (
        8 + 2 * seconds.ceil() as u32,
        (seconds * f64::from(tick_hz)) as u64,
    );
    let range = ChunkRange::Seq(last.saturating_sub(chunks_max)..=last);
    let chunks = reader.chunks(connection.id, &range)?;
    let tick_end = Recording::of_chunks(&chunks, tick_hz, None).newest_tick();
    let tick_start = tick_end.saturating_sub(span_ticks);
    let first = chunks
        .iter()
        .flatten()
        .rfind(|chunk| chunk.tick_first.is_some_and(|tick| tick <= tick_start))
        .or_else(|| chunks.iter().flatten().next())
        .ok_or(KeepError::Nothing)?;
    let pull = NewPull {
        setup: belongs.setup.filter(|_| request.with_setup),
        started_wall_us: first.wall_us_first,
        tick_first_wanted: tick_start,
        tick_start,
        chunk_seq_first: first.seq,
        air: belongs.air,
        note: request.note.clone(),
        end: Some(PullEnd {
            state: PullState::Stored,
            tick_peak: None,
            tick_end,
            chunk_seq_last: last,
            reasons: vec![format!("kept by hand: the last {seconds:.0} s")],
        }),
        ..NewPull::of(connection.id, belongs.stand, belongs.calibration)
    };
    Ok(store.add_pull(&pull)?)
}
