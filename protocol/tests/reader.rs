//! Sequence and restarts, as a host sees them.

#![expect(clippy::unwrap_used, reason = "a test may stop")]

use leverarm_protocol::{
    BoardMessage, BoardReader, Counters, FRAME_BYTES_MAX, Hello, LinkFault, Reading,
};
use proptest::collection::vec;
use proptest::prelude::*;

const TICK_HZ: u32 = 16_000_000;

/// A board at 16 MHz that sends a force sample every 10 ms.
#[derive(Clone)]
struct Board {
    boot: u16,
    seq: u16,
    tick: u64,
}

impl Board {
    const PERIOD_TICKS: u64 = 160_000;
    const PERIOD_US: u64 = 10_000;

    fn started(boot: u16) -> Self {
        Self {
            boot,
            seq: 0,
            tick: 0,
        }
    }

    /// A board that has been on for so long.
    fn after_s(boot: u16, seconds: u64) -> Self {
        let mut board = Self::started(boot);
        board.pass(seconds * 100);
        board
    }

    fn force(&mut self) -> Vec<u8> {
        let frame = frame(
            self.seq,
            self.tick,
            &BoardMessage::Force {
                channel: 0,
                counts: 1,
            },
        );
        self.pass(1);
        frame
    }

    fn hello(&mut self) -> Vec<u8> {
        let hello = Hello {
            board_id: 77,
            boot: self.boot,
            firmware: [1, 0, 0],
            tick_hz: TICK_HZ,
            channels: &[],
        };
        let frame = frame(self.seq, self.tick, &BoardMessage::Hello(hello));
        self.pass(1);
        frame
    }

    /// So many frames that nobody hears.
    #[expect(clippy::cast_possible_truncation, reason = "sequence numbers wrap")]
    fn pass(&mut self, frames: u64) {
        self.seq = self.seq.wrapping_add(frames as u16);
        self.tick += frames * Self::PERIOD_TICKS;
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "the wire carries the low 32 bits"
)]
fn frame(seq: u16, tick: u64, message: &BoardMessage<'_>) -> Vec<u8> {
    let mut out = [0; FRAME_BYTES_MAX];
    let len = message.encode(seq, tick as u32, &mut out).unwrap();
    out[..len].to_vec()
}

/// A host listening, with its clock.
struct Host {
    reader: BoardReader,
    now_us: u64,
    faults: Vec<LinkFault>,
    /// Numbers and extended ticks of messages.
    messages: Vec<(u16, u64)>,
}

impl Host {
    fn new() -> Self {
        Self {
            reader: BoardReader::new(),
            now_us: 5,
            faults: Vec::new(),
            messages: Vec::new(),
        }
    }

    /// A host that has had this board's hello and ten samples.
    fn listening_to(board: &mut Board) -> Self {
        let mut host = Self::new();
        host.hear(&board.hello());
        for _ in 0..10 {
            host.hear(&board.force());
        }
        assert_eq!(host.faults, []);
        host
    }

    /// Hears a frame, one period after the one before.
    fn hear(&mut self, bytes: &[u8]) {
        self.now_us += Board::PERIOD_US;
        self.take(bytes);
    }

    fn wait(&mut self, periods: u64) {
        self.now_us += periods * Board::PERIOD_US;
    }

    fn take(&mut self, bytes: &[u8]) {
        self.reader
            .feed(self.now_us, bytes, &mut |reading| match reading {
                Reading::Message { tick, seq, .. } => self.messages.push((seq, tick)),
                Reading::Fault(fault) => self.faults.push(fault),
            });
    }

    fn counters(&self) -> Counters {
        self.reader.counters()
    }
}

#[test]
fn frames_in_order_are_no_fault_over_a_wrap_of_numbers_and_ticks() {
    // 65,600 frames of 10 ms are 656 s: the numbers wrap once, ticks at 16 MHz twice.
    let mut board = Board::started(1);
    let mut host = Host::listening_to(&mut board);
    for _ in 0..65_600 {
        host.hear(&board.force());
    }
    assert_eq!(host.faults, []);
    assert!(host.messages.windows(2).all(|pair| {
        pair[1].0 == pair[0].0.wrapping_add(1) && pair[1].1 == pair[0].1 + Board::PERIOD_TICKS
    }));
    assert_eq!(host.counters().frames, 65_611);
}

#[test]
fn lost_frames_are_counted() {
    let mut board = Board::after_s(1, 655);
    let mut host = Host::listening_to(&mut board);
    assert!(board.seq > 65_500);
    board.pass(40);
    host.wait(40);
    host.hear(&board.force());
    assert_eq!(host.faults, [LinkFault::FramesLost { count: 40 }]);
    assert_eq!(host.counters().frames_lost, 40);
}

/// 500 s without reception is more than half of all numbers and more than a wrap of ticks.
#[test]
fn a_long_outage_is_loss_and_no_restart() {
    let mut board = Board::started(1);
    let mut host = Host::listening_to(&mut board);
    let before = host.messages.last().unwrap().1;
    board.pass(50_000);
    host.wait(50_000);
    host.hear(&board.force());
    assert_eq!(host.faults, [LinkFault::FramesLost { count: 50_000 }]);
    let after = host.messages.last().unwrap().1;
    assert_eq!(after - before, 50_001 * Board::PERIOD_TICKS);
}

/// The host stood still for 10 s; a full buffer lost most of it; what is left comes at one instant.
#[test]
fn a_stalled_host_is_no_restart() {
    let mut board = Board::started(1);
    let mut host = Host::listening_to(&mut board);
    let early: Vec<u8> = (0..50).flat_map(|_| board.force()).collect();
    board.pass(900);
    let late: Vec<u8> = (0..50).flat_map(|_| board.force()).collect();
    host.wait(1_000);
    host.take(&early);
    host.take(&late);
    assert_eq!(host.faults, [LinkFault::FramesLost { count: 900 }]);
}

#[test]
fn a_frame_that_comes_twice_is_passed_on_once() {
    let mut board = Board::started(1);
    let mut host = Host::listening_to(&mut board);
    let twice = board.force();
    host.hear(&twice);
    let next = board.force();
    host.hear(&next);
    host.hear(&twice);
    host.hear(&next);
    assert_eq!(
        host.faults,
        [
            LinkFault::Duplicate { seq: 11 },
            LinkFault::Duplicate { seq: 12 }
        ]
    );
    let numbers: Vec<u16> = host.messages.iter().map(|message| message.0).collect();
    assert_eq!(numbers, (0..=12).collect::<Vec<u16>>());
    assert_eq!(host.counters().duplicates, 2);
}

#[test]
fn a_late_frame_is_passed_on_and_no_longer_counted_lost() {
    let mut board = Board::started(1);
    let mut host = Host::listening_to(&mut board);
    let late = board.force();
    host.hear(&board.force());
    assert_eq!(host.counters().frames_lost, 1);
    host.hear(&late);
    host.hear(&board.force());
    assert_eq!(
        host.faults,
        [
            LinkFault::FramesLost { count: 1 },
            LinkFault::Reordered { seq: 11 }
        ]
    );
    assert_eq!(host.counters().frames_lost, 0);
    assert_eq!(host.counters().reordered, 1);
    // Its tick is where it belongs.
    let tick = |number| {
        host.messages
            .iter()
            .find(|message| message.0 == number)
            .unwrap()
            .1
    };
    assert_eq!(tick(11) + Board::PERIOD_TICKS, tick(12));
}

#[test]
fn a_hello_with_another_boot_number_is_a_restart() {
    let mut board = Board::after_s(1, 100);
    let mut host = Host::listening_to(&mut board);
    let mut board = Board::started(2);
    host.hear(&board.hello());
    host.hear(&board.force());
    host.hear(&board.force());
    assert_eq!(host.faults, [LinkFault::BoardRestarted]);
    assert_eq!(host.counters().restarts, 1);
    // The new ticks have nothing to do with the old.
    let new: Vec<u64> = host.messages[11..]
        .iter()
        .map(|message| message.1)
        .collect();
    assert_eq!(new[1] - new[0], Board::PERIOD_TICKS);
}

/// Even if number and tick of the new start happen to fit.
#[test]
fn a_hello_with_another_boot_number_is_a_restart_wherever_it_stands() {
    let mut board = Board::after_s(1, 100);
    let mut host = Host::listening_to(&mut board);
    board.boot = 2;
    host.hear(&board.hello());
    assert_eq!(host.faults, [LinkFault::BoardRestarted]);
}

#[test]
fn another_board_is_a_restart() {
    let mut board = Board::after_s(1, 100);
    let mut host = Host::listening_to(&mut board);
    let hello = Hello {
        board_id: 78,
        boot: 1,
        firmware: [1, 0, 0],
        tick_hz: 1_000_000,
        channels: &[],
    };
    host.hear(&frame(0, 0, &BoardMessage::Hello(hello)));
    assert_eq!(host.faults, [LinkFault::BoardRestarted]);
    assert_eq!(host.reader.tick_hz(), Some(1_000_000));
}

#[test]
fn a_hello_of_the_same_start_is_no_restart() {
    let mut board = Board::after_s(1, 100);
    let mut host = Host::listening_to(&mut board);
    host.hear(&board.hello());
    host.hear(&board.force());
    assert_eq!(host.faults, []);
}

/// The hello that comes when the host asks, after the restart was inferred, is no second restart.
#[test]
fn a_restart_without_its_hello_is_noticed_once() {
    let mut board = Board::after_s(1, 100);
    let mut host = Host::listening_to(&mut board);
    let mut board = Board::started(2);
    board.pass(2);
    host.wait(20);
    host.hear(&board.force());
    host.hear(&board.force());
    host.hear(&board.hello());
    host.hear(&board.force());
    assert_eq!(host.faults, [LinkFault::BoardRestarted]);
}

/// Numbers alone must do while no hello has told the tick rate.
#[test]
fn a_restart_before_any_hello_is_noticed_from_numbers() {
    let mut board = Board::after_s(1, 100);
    let mut host = Host::new();
    host.hear(&board.force());
    host.hear(&board.force());
    let mut board = Board::started(2);
    host.hear(&board.force());
    assert_eq!(host.faults, [LinkFault::BoardRestarted]);
}

/// Numbers ahead are loss, up to half of them all.
#[test]
fn loss_before_any_hello_is_no_restart() {
    let mut board = Board::started(1);
    let mut host = Host::new();
    host.hear(&board.force());
    board.pass(30_000);
    host.hear(&board.force());
    assert_eq!(host.faults, [LinkFault::FramesLost { count: 30_000 }]);
}

/// As if the port had been opened a moment later.
#[test]
fn a_frame_from_before_the_first_one_heard_is_dropped() {
    let mut board = Board::started(1);
    let mut host = Host::new();
    let late = board.force();
    host.hear(&board.hello());
    host.hear(&late);
    host.hear(&board.force());
    assert_eq!(host.faults, [LinkFault::Duplicate { seq: 0 }]);
    assert_eq!(host.messages.len(), 2);
}

/// Few frames after the start, the new numbers are so near the old that they look like duplicates;
/// the hello must get through all the same.
#[test]
fn the_first_hello_is_never_taken_for_a_duplicate() {
    let mut board = Board::started(1);
    let mut host = Host::new();
    for _ in 0..5 {
        host.hear(&board.force());
    }
    let mut board = Board::started(2);
    host.hear(&board.hello());
    host.hear(&board.force());
    assert_eq!(host.faults, [LinkFault::BoardRestarted]);
    assert_eq!(host.reader.tick_hz(), Some(TICK_HZ));
}

#[test]
fn a_frame_not_understood_keeps_its_place_in_the_sequence() {
    let mut board = Board::started(1);
    let mut host = Host::listening_to(&mut board);
    // Kind 0x7E, made as SPEC.md's example of it.
    let body = |seq: u16| {
        let mut body = vec![1, 0x7E];
        body.extend_from_slice(&seq.to_le_bytes());
        #[expect(clippy::cast_possible_truncation, reason = "it is small here")]
        body.extend_from_slice(&(board.tick as u32).to_le_bytes());
        body.extend_from_slice(&leverarm_protocol::crc16(&body).to_le_bytes());
        body
    };
    let mut unknown = [0; FRAME_BYTES_MAX];
    let len = cobs::try_encode(&body(board.seq), &mut unknown).unwrap();
    host.hear(&unknown[..=len]);
    board.pass(1);
    host.hear(&board.force());
    assert!(
        matches!(host.faults[..], [LinkFault::BadMessage(_)]),
        "{:?}",
        host.faults
    );
    assert_eq!(host.counters().unknown_kind, 1);
}

proptest! {
    /// A link that loses, doubles and delays: every frame is passed on at most once, and the counts
    /// say what is missing.
    #[test]
    fn counts_tell_what_the_link_did(
        fates in vec((0_u8..10, 0_usize..8), 50..400),
        uptime_s in 0_u64..2_000,
    ) {
        let mut board = Board::after_s(1, uptime_s);
        let mut host = Host::listening_to(&mut board);
        let mut coming = Vec::new();
        for (position, &(fate, delay)) in fates.iter().enumerate() {
            let (seq, bytes) = (board.seq, board.force());
            match fate {
                0 => {}
                1 => coming.extend([(position, seq, bytes.clone()), (position + delay, seq, bytes)]),
                2 => coming.push((position + delay, seq, bytes)),
                _ => coming.push((position, seq, bytes)),
            }
        }
        // So that nothing that was lost is after the last frame heard.
        let (seq, bytes) = (board.seq, board.force());
        coming.push((fates.len() + 10, seq, bytes));
        coming.sort_by_key(|(at, ..)| *at);

        let start_us = host.now_us;
        for (at, _, bytes) in &coming {
            host.now_us = start_us + *at as u64 * Board::PERIOD_US;
            host.take(bytes);
        }
        let mut heard: Vec<u16> = coming.iter().map(|(_, seq, _)| *seq).collect();
        heard.sort_unstable();
        heard.dedup();
        let mut passed_on: Vec<u16> = host.messages[11..].iter().map(|message| message.0).collect();
        passed_on.sort_unstable();
        prop_assert_eq!(&passed_on, &heard);

        let counters = host.counters();
        prop_assert_eq!(counters.frames_lost, (fates.len() + 1 - heard.len()) as u64);
        prop_assert_eq!(counters.duplicates, (coming.len() - heard.len()) as u64);
        prop_assert_eq!(counters.restarts, 0);
    }

    /// A restart is noticed without a hello after up to 60 s of silence, if then the ticks are not
    /// about to wrap (at 16 MHz after 268 s): those of a new start lie just after the wrap.
    #[test]
    fn restarts_are_noticed_without_hello(
        uptime_s in 2_u64..160,
        silent_frames in 0_u64..6_000,
        new_uptime_frames in 0_u64..90,
    ) {
        let mut board = Board::after_s(1, uptime_s);
        let mut host = Host::listening_to(&mut board);
        let mut board = Board::started(2);
        board.pass(new_uptime_frames);
        host.wait(silent_frames + new_uptime_frames);
        host.hear(&board.force());
        host.hear(&board.force());
        prop_assert_eq!(host.faults, [LinkFault::BoardRestarted]);
    }

    /// With its hello, always.
    #[test]
    fn restarts_are_noticed_with_hello(
        uptime_s in 0_u64..2_000,
        silent_frames in 0_u64..100_000,
    ) {
        let mut board = Board::after_s(1, uptime_s);
        let mut host = Host::listening_to(&mut board);
        let mut board = Board::started(2);
        host.wait(silent_frames);
        host.hear(&board.hello());
        host.hear(&board.force());
        prop_assert_eq!(host.faults, [LinkFault::BoardRestarted]);
    }
}
