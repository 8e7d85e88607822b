//! Chunks found page by page in a database whose tree can't be followed any more.
//!
//! After SQLite's "Database File Format": sections 1.6 (b-tree pages), 1.7 (overflow pages) and 2.1
//! (records). Each chunk carries a checksum, so that nothing else passes for one.

use std::fs::File;
use std::os::unix::fs::FileExt;

use super::chunk::{self, CHUNK_BYTES_MAX, ChunkHeader};
use super::records::ConnectionId;

const PAGE_BYTES: usize = 4096;
const HEADER_BYTES: usize = 100;
const TABLE_LEAF: u8 = 0x0D;
/// Columns of a chunk before its bytes, its number among them.
const INTEGERS: usize = 9;
/// A whole row: the bytes hardly shrink, and may grow a little.
const PAYLOAD_BYTES_MAX: usize = CHUNK_BYTES_MAX + 64 * 1024;

/// A chunk whose checksum holds.
#[derive(Debug)]
pub(super) struct RawChunk {
    pub(super) id: i64,
    pub(super) header: ChunkHeader,
    pub(super) bytes_len: i64,
    pub(super) checksum: i64,
    pub(super) blob: Vec<u8>,
}

/// Calls `found` for every chunk in the pages of a database file.
pub(super) fn scan(file: &File, mut found: impl FnMut(RawChunk)) {
    let mut number = 0;
    while let Some(page) = page(file, number + 1) {
        let start = if number == 0 { HEADER_BYTES } else { 0 };
        number += 1;
        if page.get(start) != Some(&TABLE_LEAF) {
            continue;
        }
        for cell in 0..number_at(&page, start + 3, 2).unwrap_or(0) {
            if let Some(chunk) = chunk_in_cell(file, &page, start + 8 + 2 * cell) {
                found(chunk);
            }
        }
    }
}

/// A page by its number, from 1; `None` behind the last.
fn page(file: &File, number: usize) -> Option<[u8; PAGE_BYTES]> {
    let start = number.checked_sub(1)?.checked_mul(PAGE_BYTES)?;
    let mut page = [0; PAGE_BYTES];
    file.read_exact_at(&mut page, u64::try_from(start).ok()?)
        .ok()?;
    Some(page)
}

fn chunk_in_cell(file: &File, page: &[u8], pointer: usize) -> Option<RawChunk> {
    let cell = page.get(number_at(page, pointer, 2)?..)?;
    let (payload_bytes, cell) = varint(cell)?;
    let (id, cell) = varint(cell)?;
    let record = payload(file, cell, usize::try_from(payload_bytes).ok()?)?;
    let (header_bytes, _) = varint(&record)?;
    let (mut types, mut values) = record.split_at_checked(usize::try_from(header_bytes).ok()?)?;
    (_, types) = varint(types)?;
    let mut integers = [None; INTEGERS];
    for integer in &mut integers {
        let kind;
        (kind, types) = varint(types)?;
        (*integer, values) = integer_value(kind, values)?;
    }
    let (kind, types) = varint(types)?;
    let blob_bytes = usize::try_from(kind.checked_sub(12)? / 2).ok()?;
    if !types.is_empty() || kind % 2 == 1 {
        return None;
    }
    let blob = values.get(..blob_bytes)?.to_vec();
    // The row's number is not in its record.
    let [
        None,
        connection,
        seq,
        first,
        last,
        wall,
        tick,
        bytes_len,
        checksum,
    ] = integers
    else {
        return None;
    };
    let header = ChunkHeader {
        connection: ConnectionId::new(connection?),
        seq: u32::try_from(seq?).ok()?,
        mono_us_first: u64::try_from(first?).ok()?,
        mono_us_last: u64::try_from(last?).ok()?,
        wall_us_first: wall?,
        tick_first: tick.map(u64::try_from).transpose().ok()?,
    };
    let (bytes_len, checksum) = (bytes_len?, checksum?);
    chunk::unpack(
        &header,
        usize::try_from(bytes_len).ok()?,
        u32::try_from(checksum).ok()?,
        &blob,
    )
    .ok()?;
    Some(RawChunk {
        id: id.cast_signed(),
        header,
        bytes_len,
        checksum,
        blob,
    })
}

/// The record of a cell: what lies in the page, and the rest in its overflow pages.
fn payload(file: &File, cell: &[u8], bytes: usize) -> Option<Vec<u8>> {
    const LOCAL_MAX: usize = PAGE_BYTES - 35;
    const LOCAL_MIN: usize = (PAGE_BYTES - 12) * 32 / 255 - 23;
    const OVERFLOW: usize = PAGE_BYTES - 4;
    if bytes <= LOCAL_MAX {
        return Some(cell.get(..bytes)?.to_vec());
    }
    if bytes > PAYLOAD_BYTES_MAX {
        return None;
    }
    let wanted = LOCAL_MIN + (bytes - LOCAL_MIN) % OVERFLOW;
    let local = if wanted <= LOCAL_MAX {
        wanted
    } else {
        LOCAL_MIN
    };
    let mut record = cell.get(..local)?.to_vec();
    let mut next = number_at(cell, local, 4)?;
    while record.len() < bytes {
        let page = page(file, next)?;
        next = number_at(&page, 0, 4)?;
        let left = (bytes - record.len()).min(OVERFLOW);
        record.extend_from_slice(page.get(4..4 + left)?);
    }
    Some(record)
}

/// A value of a serial type that an integer or a NULL may have, and what follows it.
fn integer_value(kind: u64, values: &[u8]) -> Option<(Option<i64>, &[u8])> {
    let bytes = match kind {
        0 => return Some((None, values)),
        8 => return Some((Some(0), values)),
        9 => return Some((Some(1), values)),
        1..=4 => usize::try_from(kind).ok()?,
        5 => 6,
        6 => 8,
        _ => return None,
    };
    let (value, rest) = values.split_at_checked(bytes)?;
    let negative = value.first()? & 0x80 != 0;
    let start = if negative { -1_i64 } else { 0 };
    let number = value
        .iter()
        .fold(start, |number, byte| number << 8 | i64::from(*byte));
    Some((Some(number), rest))
}

fn number_at(page: &[u8], at: usize, bytes: usize) -> Option<usize> {
    let bytes = page.get(at..at.checked_add(bytes)?)?;
    Some(bytes.iter().fold(0, |n, byte| n << 8 | usize::from(*byte)))
}

/// SQLite's variable-length integer: seven bits a byte, and eight in the ninth.
fn varint(bytes: &[u8]) -> Option<(u64, &[u8])> {
    let mut value = 0;
    for (index, byte) in bytes.iter().take(9).enumerate() {
        let rest = bytes.get(index + 1..)?;
        if index == 8 {
            return Some((value << 8 | u64::from(*byte), rest));
        }
        value = value << 7 | u64::from(byte & 0x7F);
        if byte & 0x80 == 0 {
            return Some((value, rest));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Examples made with SQLite's own encoder, which its documentation describes: 127 and 128 are
    /// the ends of one and two bytes, all ones take nine.
    #[test]
    fn variable_length_integers() {
        assert_eq!(varint(&[0x7F, 1]), Some((127, &[1][..])));
        assert_eq!(varint(&[0x81, 0x00]), Some((128, &[][..])));
        assert_eq!(varint(&[0xFF; 9]), Some((u64::MAX, &[][..])));
        assert_eq!(varint(&[0x81]), None);
    }

    #[test]
    fn integers_of_records() {
        assert_eq!(integer_value(1, &[0xFF, 7]), Some((Some(-1), &[7][..])));
        assert_eq!(integer_value(3, &[1, 0, 0]), Some((Some(65_536), &[][..])));
        assert_eq!(integer_value(9, &[7]), Some((Some(1), &[7][..])));
        assert_eq!(integer_value(6, &[0; 7]), None);
    }
}
