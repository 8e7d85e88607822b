//! A chunk of the byte log: packing for the database, and reading back with its checksum.

use std::ops::RangeInclusive;

use crc::{CRC_32_ISO_HDLC, Crc};
use serde::Serialize;

use super::records::{ChunkId, ConnectionId};

/// Longest chunk taken, bytes: sixteen times the 64 KiB at which the daemon cuts one, so that a
/// length damaged on the disk cannot ask for much memory.
pub const CHUNK_BYTES_MAX: usize = 1 << 20;

/// zstd level: the fastest that still takes out what repeats in the frames.
const ZSTD_LEVEL: i32 = 1;

const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// Bytes received from a port, with when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NewChunk<'a> {
    /// Where they come from.
    pub connection: ConnectionId,
    /// Number of this chunk in its connection, from 0 without a hole: a chunk that could not be
    /// stored takes its number with it, so that the hole tells of it.
    pub seq: u32,
    /// When the first byte was received, monotonic clock.
    pub mono_us_first: u64,
    /// When the last byte was received, monotonic clock.
    pub mono_us_last: u64,
    /// When the first byte was received, wall clock.
    pub wall_us_first: i64,
    /// Tick of the first whole frame in it; `None` when it holds none, or before the hello.
    pub tick_first: Option<u64>,
    /// The bytes, at most [`CHUNK_BYTES_MAX`].
    pub bytes: &'a [u8],
}

/// A stored chunk, checked against its checksum.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chunk {
    /// Its number in the store.
    pub id: ChunkId,
    /// Where the bytes come from.
    pub connection: ConnectionId,
    /// Its number in its connection.
    pub seq: u32,
    /// When the first byte was received, monotonic clock.
    pub mono_us_first: u64,
    /// When the last byte was received, monotonic clock.
    pub mono_us_last: u64,
    /// When the first byte was received, wall clock.
    pub wall_us_first: i64,
    /// Tick of the first whole frame in it.
    pub tick_first: Option<u64>,
    /// The bytes, exactly as received.
    pub bytes: Vec<u8>,
}

/// Which chunks of a connection are wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ChunkRange {
    /// All of them.
    All,
    /// Those with these numbers.
    Seq(RangeInclusive<u32>),
    /// Those received within these times, monotonic clock; whole chunks.
    MonoUs(RangeInclusive<u64>),
}

/// Chunks that were asked for and cannot be had.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ChunkGap {
    /// Where the bytes came from.
    pub connection: ConnectionId,
    /// First number that is lacking.
    pub seq_first: u32,
    /// Last number that is lacking.
    pub seq_last: u32,
    /// Why.
    pub cause: GapCause,
}

/// Why chunks are lacking.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GapCause {
    /// They are not in the store.
    Missing,
    /// The chunk is there, and not as it was written.
    Damaged {
        /// Its number in the store.
        chunk: ChunkId,
        /// What is wrong with it.
        detail: String,
    },
}

impl std::fmt::Display for ChunkGap {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self {
            connection,
            seq_first,
            seq_last,
            cause,
        } = self;
        match cause {
            GapCause::Missing if seq_first == seq_last => {
                write!(
                    f,
                    "chunk number {seq_first} of connection {connection} was never stored"
                )
            }
            GapCause::Missing => write!(
                f,
                "chunks number {seq_first} to {seq_last} of connection {connection} were never \
                 stored"
            ),
            GapCause::Damaged { chunk, detail } => write!(
                f,
                "chunk {chunk} (number {seq_first} of connection {connection}) is damaged: \
                 {detail}; the other chunks can still be read, and a backup may hold this one whole"
            ),
        }
    }
}

impl std::error::Error for ChunkGap {}

/// A chunk's own columns besides its id.
#[derive(Debug, Clone, Copy)]
pub(super) struct ChunkHeader {
    pub(super) connection: ConnectionId,
    pub(super) seq: u32,
    pub(super) mono_us_first: u64,
    pub(super) mono_us_last: u64,
    pub(super) wall_us_first: i64,
    pub(super) tick_first: Option<u64>,
}

impl NewChunk<'_> {
    pub(super) const fn header(&self) -> ChunkHeader {
        ChunkHeader {
            connection: self.connection,
            seq: self.seq,
            mono_us_first: self.mono_us_first,
            mono_us_last: self.mono_us_last,
            wall_us_first: self.wall_us_first,
            tick_first: self.tick_first,
        }
    }
}

/// CRC-32 over the times and the bytes: a bit flipped in a time misplaces the data as surely as
/// one flipped in the bytes falsifies it.
pub(super) fn checksum(header: &ChunkHeader, bytes: &[u8]) -> u32 {
    let mut digest = CRC.digest();
    digest.update(&header.connection.get().to_le_bytes());
    digest.update(&header.seq.to_le_bytes());
    digest.update(&header.mono_us_first.to_le_bytes());
    digest.update(&header.mono_us_last.to_le_bytes());
    digest.update(&header.wall_us_first.to_le_bytes());
    digest.update(&[u8::from(header.tick_first.is_some())]);
    digest.update(&header.tick_first.unwrap_or(0).to_le_bytes());
    digest.update(bytes);
    digest.finalize()
}

pub(super) fn compress(bytes: &[u8]) -> std::io::Result<Vec<u8>> {
    zstd::bulk::compress(bytes, ZSTD_LEVEL)
}

/// The bytes of a stored chunk, or what is wrong with it.
pub(super) fn unpack(
    header: &ChunkHeader,
    bytes_len: usize,
    checksum_stored: u32,
    blob: &[u8],
) -> Result<Vec<u8>, String> {
    if bytes_len > CHUNK_BYTES_MAX {
        return Err(format!(
            "a length of at most {CHUNK_BYTES_MAX} bytes expected, {bytes_len} found"
        ));
    }
    let bytes = zstd::bulk::decompress(blob, bytes_len)
        .map_err(|error| format!("its bytes cannot be decompressed ({error})"))?;
    if bytes.len() != bytes_len {
        return Err(format!("{bytes_len} bytes expected, {} found", bytes.len()));
    }
    let computed = checksum(header, &bytes);
    if computed != checksum_stored {
        return Err(format!(
            "checksum {checksum_stored:08x} expected, {computed:08x} found"
        ));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value of CRC-32/ISO-HDLC for "123456789": 0xCBF43926 (Catalogue of parametrised
    /// CRC algorithms).
    #[test]
    fn checksum_algorithm_has_its_published_check_value() {
        assert_eq!(CRC.checksum(b"123456789"), 0xCBF4_3926);
    }
}
