//! ASAM MDF 4.1 (measurement data format): a channel group for each table, time as its master
//! channel, units and the start time in their places. Block layouts are those of the open base
//! standard, from memory; `tests/sheets` reads the files back with asammdf.
//!
//! Every block is written with all links known: what a block points at comes before it.

use std::io::Write;

use super::{Column, ExportError, Facts, Table, Values};
use leverarm_plot::escape;

/// Bytes of a value in a record: doubles and signed 64-bit integers alike.
const VALUE_BYTES: u32 = 8;
/// Bytes of the identification block, and so the address of the header block.
const ID_BYTES: usize = 64;

/// A link: the address of a block in the file, 0 for none.
type Link = u64;

#[derive(Default)]
struct Blocks {
    bytes: Vec<u8>,
}

impl Blocks {
    /// Adds a block: identification, length, links, data; aligned to 8 bytes.
    fn add(&mut self, id: &str, links: &[Link], data: &[u8]) -> Link {
        while !self.bytes.len().is_multiple_of(8) {
            self.bytes.push(0);
        }
        let at = self.bytes.len() as u64;
        let block = block(id, links, data);
        self.bytes.extend_from_slice(&block);
        at
    }

    fn text(&mut self, text: &str) -> Link {
        self.terminated("##TX", text)
    }

    fn xml(&mut self, xml: &str) -> Link {
        self.terminated("##MD", xml)
    }

    fn terminated(&mut self, id: &str, text: &str) -> Link {
        let mut data = text.as_bytes().to_vec();
        data.push(0);
        while !data.len().is_multiple_of(8) {
            data.push(0);
        }
        self.add(id, &[], &data)
    }
}

fn block(id: &str, links: &[Link], data: &[u8]) -> Vec<u8> {
    let length = 24 + 8 * links.len() + data.len();
    let mut bytes = Vec::with_capacity(length);
    bytes.extend_from_slice(id.as_bytes());
    bytes.extend_from_slice(&[0; 4]);
    bytes.extend_from_slice(&(length as u64).to_le_bytes());
    bytes.extend_from_slice(&(links.len() as u64).to_le_bytes());
    for link in links {
        bytes.extend_from_slice(&link.to_le_bytes());
    }
    bytes.extend_from_slice(data);
    bytes
}

/// Writes tables, each as a channel group; columns of text or without any number are left out, and
/// tables without rows.
/// Times count from the earliest table's start.
///
/// # Errors
/// [`ExportError`].
pub fn mdf4(tables: &[Table], facts: &Facts, mut out: impl Write) -> Result<(), ExportError> {
    let tables: Vec<&Table> = tables.iter().filter(|table| !table.is_empty()).collect();
    let start_wall_us = tables
        .iter()
        .map(|table| table.start_wall_us)
        .min()
        .unwrap_or(0);
    let mut blocks = Blocks {
        bytes: vec![0; ID_BYTES + header(&[0; 6], 0).len()],
    };
    let mut next = 0;
    // From the last, so that each group knows the one after it.
    for table in tables.iter().rev() {
        let shift_s = (table.start_wall_us - start_wall_us) as f64 * 1e-6;
        next = group(&mut blocks, table, shift_s, next);
    }
    let start_ns = start_wall_us.unsigned_abs() * 1000;
    let history = history(&mut blocks, start_ns);
    let said = facts
        .iter()
        .map(|(key, value)| format!("<e name=\"{}\">{}</e>", escape(key), escape(value)));
    let comment = blocks.xml(&format!(
        "<HDcomment xmlns=\"http://www.asam.net/mdf/v4\"><TX>leverarm</TX><common_properties>{}</common_properties></HDcomment>",
        said.collect::<String>()
    ));
    let head = header(&[next, history, 0, 0, 0, comment], start_ns);
    let top = identification().into_iter().chain(head);
    for (place, byte) in blocks.bytes.iter_mut().zip(top) {
        *place = byte;
    }
    out.write_all(&blocks.bytes)?;
    out.flush()?;
    Ok(())
}

fn identification() -> Vec<u8> {
    let mut id = Vec::with_capacity(ID_BYTES);
    id.extend_from_slice(b"MDF     4.10    leverarm");
    id.extend_from_slice(&[0; 4]);
    id.extend_from_slice(&410_u16.to_le_bytes());
    id.resize(ID_BYTES, 0);
    id
}

/// Nanoseconds since 1970 UTC; time zone offsets are not stated.
fn header(links: &[Link; 6], start_ns: u64) -> Vec<u8> {
    let mut data = start_ns.to_le_bytes().to_vec();
    data.extend_from_slice(&[0; 2 + 2 + 4]);
    data.extend_from_slice(&[0; 8 + 8]);
    block("##HD", links, &data)
}

/// Who wrote the file: the standard asks for one entry.
fn history(blocks: &mut Blocks, time_ns: u64) -> Link {
    let comment = blocks.xml(&format!(
        "<FHcomment xmlns=\"http://www.asam.net/mdf/v4\"><TX>written</TX><tool_id>leverarm</tool_id><tool_vendor>leverarm</tool_vendor><tool_version>{}</tool_version></FHcomment>",
        env!("CARGO_PKG_VERSION")
    ));
    let mut data = time_ns.to_le_bytes().to_vec();
    data.extend_from_slice(&[0; 2 + 2 + 4]);
    blocks.add("##FH", &[0, comment], &data)
}

/// Data group with one channel group and its records.
fn group(blocks: &mut Blocks, table: &Table, shift_s: f64, next: Link) -> Link {
    let columns: Vec<&Column> = table
        .columns
        .iter()
        .filter(|column| match &column.values {
            Values::Number(values) => values.iter().any(|value| !value.is_nan()),
            Values::Whole(_) => true,
            Values::Text(_) => false,
        })
        .collect();
    let data = blocks.add("##DT", &[], &records(&columns, table.len(), shift_s));
    let mut channel = 0;
    let offsets = (0..).step_by(VALUE_BYTES as usize).take(columns.len());
    let placed: Vec<(&&Column, u32)> = columns.iter().zip(offsets).collect();
    for (column, offset) in placed.into_iter().rev() {
        channel = channel_of(blocks, column, offset, channel);
    }
    let name = blocks.text(&table.name);
    let bytes = VALUE_BYTES * u32::try_from(columns.len()).unwrap_or(u32::MAX);
    let mut info = 0_u64.to_le_bytes().to_vec();
    info.extend_from_slice(&(table.len() as u64).to_le_bytes());
    info.extend_from_slice(&[0; 2 + 2 + 4]);
    info.extend_from_slice(&bytes.to_le_bytes());
    info.extend_from_slice(&0_u32.to_le_bytes());
    let channels = blocks.add("##CG", &[0, channel, name, 0, 0, 0], &info);
    blocks.add("##DG", &[next, channels, data, 0], &[0; 8])
}

fn channel_of(blocks: &mut Blocks, column: &Column, offset: u32, next: Link) -> Link {
    const FIXED_LENGTH: u8 = 0;
    const MASTER: u8 = 2;
    const TIME: u8 = 1;
    const SIGNED_LITTLE_ENDIAN: u8 = 2;
    const FLOAT_LITTLE_ENDIAN: u8 = 4;
    let name = blocks.text(&column.name);
    let unit = if column.unit.is_empty() {
        0
    } else {
        blocks.text(&column.unit)
    };
    // The first column is the time.
    let (kind, sync) = if offset == 0 {
        (MASTER, TIME)
    } else {
        (FIXED_LENGTH, 0)
    };
    let number = match column.values {
        Values::Whole(_) => SIGNED_LITTLE_ENDIAN,
        _ => FLOAT_LITTLE_ENDIAN,
    };
    let mut data = vec![kind, sync, number, 0];
    data.extend_from_slice(&offset.to_le_bytes());
    data.extend_from_slice(&(8 * VALUE_BYTES).to_le_bytes());
    // Flags, invalidation bit, precision, attachments; then ranges that are not stated.
    data.extend_from_slice(&[0; 4 + 4 + 1 + 1 + 2]);
    data.extend_from_slice(&[0; 6 * 8]);
    blocks.add("##CN", &[next, 0, name, 0, 0, 0, unit, 0], &data)
}

fn records(columns: &[&Column], rows: usize, shift_s: f64) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(rows * columns.len() * VALUE_BYTES as usize);
    for row in 0..rows {
        for (column, number) in columns.iter().zip(0..) {
            let value = match &column.values {
                Values::Number(values) => {
                    let value = values.get(row).copied().unwrap_or(f64::NAN);
                    let shift_s = if number == 0 { shift_s } else { 0.0 };
                    (value + shift_s).to_le_bytes()
                }
                Values::Whole(values) => values.get(row).copied().unwrap_or(0).to_le_bytes(),
                Values::Text(_) => continue,
            };
            bytes.extend_from_slice(&value);
        }
    }
    bytes
}
