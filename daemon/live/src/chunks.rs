//! The byte log, cut into chunks at frame delimiters.

use std::collections::VecDeque;

use super::Now;

/// Longest time that bytes wait before they are given to the store: a `kill -9` loses no more.
const CHUNK_US_MAX: u64 = 500_000;
pub(super) const CHUNK_BYTES_MAX: usize = 64 * 1024;
/// Chunks whose first tick is remembered, to find where a pull's pre-trigger begins: two minutes of
/// them, more than the longest pre-trigger (30 s) and the longest rise before a pull counts (60 s).
const REMEMBERED: usize = 256;

/// Bytes from the port as they came, ending at a delimiter unless the stream was broken off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChunkData {
    /// Number within the connection, from 0.
    pub seq: u32,
    /// When its first byte came.
    pub first: Now,
    /// When its last byte came, on the monotonic clock.
    pub last_mono_us: u64,
    /// Tick of the first message in it, unwrapped.
    pub tick_first: Option<u64>,
    /// The bytes.
    pub bytes: Vec<u8>,
}

#[derive(Debug, Default)]
pub(super) struct ChunkBuilder {
    bytes: Vec<u8>,
    /// When the first and the last of the waiting bytes came.
    span: Option<(Now, Now)>,
    tick_first: Option<u64>,
    next_seq: u32,
    remembered: VecDeque<(u32, u64)>,
}

impl ChunkBuilder {
    /// A new connection: numbers and ticks begin again. Bytes that still wait belong to it: the
    /// frame that told of a board's restart has begun with them.
    pub(super) fn begin(&mut self) {
        *self = Self {
            bytes: std::mem::take(&mut self.bytes),
            span: self.span,
            ..Self::default()
        };
    }

    pub(super) fn push(&mut self, now: Now, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        let (first, _) = self.span.unwrap_or((now, now));
        self.span = Some((first, now));
        self.bytes.extend_from_slice(bytes);
    }

    /// A message with this tick ends in the bytes that wait, or in those pushed next.
    pub(super) fn saw_tick(&mut self, tick: u64) {
        self.tick_first.get_or_insert(tick);
    }

    pub(super) fn is_due(&self, now: Now) -> bool {
        self.bytes.len() >= CHUNK_BYTES_MAX
            || self
                .span
                .is_some_and(|(first, _)| now.mono_us.saturating_sub(first.mono_us) >= CHUNK_US_MAX)
    }

    /// The chunk so far, up to the last delimiter, or to the last byte with `all`; what is behind
    /// stays for the next. Without a delimiter in a full chunk, everything goes: it is garbage, and
    /// garbage is kept too.
    pub(super) fn take(&mut self, all: bool) -> Option<ChunkData> {
        let (first, last) = self.span?;
        let last_of = |end| self.bytes.iter().rposition(|byte| *byte == end);
        // Half a second of frames holds delimiters; lines hold none, and end with a line feed.
        let delimited = last_of(0).or_else(|| last_of(b'\n')).map(|at| at + 1);
        let end = match delimited {
            _ if all => self.bytes.len(),
            Some(end) => end,
            None if self.bytes.len() >= CHUNK_BYTES_MAX => self.bytes.len(),
            None => return None,
        };
        let rest = self.bytes.split_off(end);
        let bytes = std::mem::replace(&mut self.bytes, rest);
        if bytes.is_empty() {
            return None;
        }
        let seq = self.next_seq;
        self.next_seq += 1;
        let tick_first = self.tick_first.take();
        if let Some(tick) = tick_first {
            if self.remembered.len() == REMEMBERED {
                self.remembered.pop_front();
            }
            self.remembered.push_back((seq, tick));
        }
        // What is left is less than a frame, and came with the last bytes or just before.
        self.span = (!self.bytes.is_empty()).then_some((last, last));
        Some(ChunkData {
            seq,
            first,
            last_mono_us: last.mono_us,
            tick_first,
            bytes,
        })
    }

    /// Number of the chunk that holds this tick, as far as is remembered. One chunk more is taken
    /// in front, since frames may lie across a cut in time.
    pub(super) fn seq_holding(&self, tick: u64) -> u32 {
        let from = self
            .remembered
            .iter()
            .rev()
            .find(|(_, first)| *first <= tick);
        let from = from
            .or_else(|| self.remembered.front())
            .map_or(self.next_seq, |(seq, _)| *seq);
        from.saturating_sub(1)
    }

    /// Number of the last chunk given out.
    pub(super) fn seq_last(&self) -> u32 {
        self.next_seq.saturating_sub(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(mono_us: u64) -> Now {
        Now::new(mono_us, 0)
    }

    #[test]
    fn chunks_end_at_delimiters_and_add_up() {
        let mut builder = ChunkBuilder::default();
        builder.push(at(0), &[1, 2, 0, 3]);
        assert!(!builder.is_due(at(499_999)));
        assert!(builder.is_due(at(500_000)));
        let one = builder.take(false).unwrap();
        assert_eq!((one.seq, one.bytes.as_slice()), (0, &[1, 2, 0][..]));
        builder.push(at(500_001), &[4, 0]);
        let two = builder.take(true).unwrap();
        assert_eq!((two.seq, two.bytes.as_slice()), (1, &[3, 4, 0][..]));
        assert_eq!(builder.take(true), None);
    }

    #[test]
    fn chunks_of_lines_end_at_line_feeds() {
        let mut builder = ChunkBuilder::default();
        builder.push(at(0), b"status 1 2\r\nteeth 2");
        assert_eq!(builder.take(false).unwrap().bytes, b"status 1 2\r\n");
        builder.push(at(1), b" 3 0 0\n");
        assert_eq!(builder.take(false).unwrap().bytes, b"teeth 2 3 0 0\n");
    }

    #[test]
    fn garbage_without_delimiter_is_bounded_and_kept() {
        let mut builder = ChunkBuilder::default();
        builder.push(at(0), &[7; CHUNK_BYTES_MAX - 1]);
        assert_eq!(builder.take(false), None);
        builder.push(at(1), &[7; 1]);
        assert_eq!(builder.take(false).unwrap().bytes.len(), CHUNK_BYTES_MAX);
    }

    /// The store refuses a chunk that ends before it begins.
    #[test]
    fn bytes_left_behind_keep_their_time() {
        let mut builder = ChunkBuilder::default();
        builder.push(at(0), &[1, 0, 2]);
        assert!(builder.take(false).is_some());
        let rest = builder.take(true).unwrap();
        assert_eq!((rest.first.mono_us, rest.last_mono_us), (0, 0));
    }

    #[test]
    fn a_new_connection_begins_with_the_frame_under_way() {
        let mut builder = ChunkBuilder::default();
        builder.push(at(0), &[1, 0, 2]);
        assert_eq!(builder.take(false).unwrap().bytes, [1, 0]);
        builder.begin();
        builder.push(at(1), &[3, 0]);
        let chunk = builder.take(false).unwrap();
        assert_eq!((chunk.seq, chunk.bytes.as_slice()), (0, &[2, 3, 0][..]));
    }

    #[test]
    fn the_chunk_of_a_tick_is_found() {
        let mut builder = ChunkBuilder::default();
        for i in 0..5 {
            builder.push(at(i), &[1, 0]);
            builder.saw_tick(1000 * i);
            builder.take(false).unwrap();
        }
        assert_eq!(builder.seq_holding(2500), 1);
        assert_eq!(builder.seq_holding(0), 0);
    }
}
