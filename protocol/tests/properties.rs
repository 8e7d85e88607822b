//! Properties of encoding and decoding that hold for any bytes.

#![expect(clippy::unwrap_used, reason = "a test may stop")]

use leverarm_protocol::{
    Analog, BoardMessage, BoardReader, BoardState, Counters, CutCause, Decoder, FRAME_BYTES_MAX,
    Form, Frame, FrameWriter, Hello, HostMessage, LINE_BYTES_MAX, Limits, LineDecoder, LineWriter,
    LinkFault, LoadArm, LoadCommand, LoadDemand, LoadGains, LoadMap, LoadMode, LoadStatus, LoadWhy,
    PAYLOAD_BYTES_MAX, ParseError, Reading, Status, TEETH_PER_FRAME_MAX, TICK_HZ_MAX, TICK_HZ_MIN,
    Teeth, TeethBatch, TemperatureLimit,
};
use proptest::collection::vec;
use proptest::prelude::*;

/// A [`BoardMessage`] that owns its lists.
#[derive(Clone, Debug)]
enum Owned {
    Hello {
        board_id: u64,
        boot: u16,
        firmware: [u8; 3],
        tick_hz: u32,
        channels: Vec<[u8; 4]>,
    },
    Teeth {
        pickup: u8,
        first_tooth: u32,
        deltas: Vec<[u8; 2]>,
    },
    Analog {
        first_channel: u8,
        counts: Vec<[u8; 2]>,
    },
    Plain(BoardMessage<'static>),
}

impl Owned {
    fn message(&self) -> BoardMessage<'_> {
        match *self {
            Self::Hello {
                board_id,
                boot,
                firmware,
                tick_hz,
                ref channels,
            } => BoardMessage::Hello(Hello {
                board_id,
                boot,
                firmware,
                tick_hz,
                channels,
            }),
            Self::Teeth {
                pickup,
                first_tooth,
                ref deltas,
            } => BoardMessage::Teeth(Teeth {
                pickup,
                first_tooth,
                deltas,
            }),
            Self::Analog {
                first_channel,
                ref counts,
            } => BoardMessage::Analog(Analog {
                first_channel,
                counts,
            }),
            Self::Plain(ref message) => message.clone(),
        }
    }

    /// Whether the kind may be followed by bytes of a later version.
    fn may_grow(&self) -> bool {
        !matches!(self, Self::Teeth { .. } | Self::Analog { .. })
    }
}

fn cause() -> impl Strategy<Value = CutCause> {
    prop_oneof![
        Just(CutCause::HostCommand),
        Just(CutCause::Overspeed),
        Just(CutCause::HeartbeatLost),
        Just(CutCause::OverTemperature),
        Just(CutCause::SelfTestFailure),
        Just(CutCause::WatchdogReset),
        Just(CutCause::Miscounting),
        Just(CutCause::Load),
        Just(CutCause::Other),
    ]
}

fn limits() -> impl Strategy<Value = Limits> {
    let temperature = any::<(u8, i32)>()
        .prop_map(|(channel, counts_max)| TemperatureLimit::new(channel, counts_max));
    (any::<(u32, u8, u16)>(), vec(temperature, 0..=4)).prop_map(|((period, short, ms), list)| {
        Limits {
            tooth_period_ticks_min: period,
            short_periods_to_cut: short,
            heartbeat_timeout_ms: ms,
            temperatures: list.into_iter().collect(),
        }
    })
}

fn status() -> impl Strategy<Value = Status> {
    let state = prop_oneof![Just(BoardState::Running), Just(BoardState::Cut)];
    (
        state,
        any::<(u16, u32, u32)>(),
        proptest::option::of(cause()),
        limits(),
    )
        .prop_map(
            |(state, (cut_id, captures_lost, receive_errors), cause, limits)| Status {
                state,
                cut_id,
                cause,
                captures_lost,
                receive_errors,
                limits,
            },
        )
}

fn board_message() -> impl Strategy<Value = Owned> {
    let hello = (
        any::<(u64, u16, [u8; 3])>(),
        TICK_HZ_MIN..=TICK_HZ_MAX,
        vec(any::<[u8; 4]>(), 0..=56),
    )
        .prop_map(
            |((board_id, boot, firmware), tick_hz, channels)| Owned::Hello {
                board_id,
                boot,
                firmware,
                tick_hz,
                channels,
            },
        );
    let teeth = (
        any::<(u8, u32)>(),
        vec(any::<[u8; 2]>(), 0..TEETH_PER_FRAME_MAX),
    )
        .prop_map(|((pickup, first_tooth), deltas)| Owned::Teeth {
            pickup,
            first_tooth,
            deltas,
        });
    let analog =
        (any::<u8>(), vec(any::<[u8; 2]>(), 0..=121)).prop_map(|(first_channel, counts)| {
            Owned::Analog {
                first_channel,
                counts,
            }
        });
    let plain = prop_oneof![
        any::<(u8, i32)>().prop_map(|(channel, counts)| BoardMessage::Force { channel, counts }),
        any::<(u8, i32)>()
            .prop_map(|(channel, counts)| BoardMessage::Temperature { channel, counts }),
        status().prop_map(BoardMessage::Status),
        (any::<u16>(), cause()).prop_map(|(cut_id, cause)| BoardMessage::Cut { cut_id, cause }),
        load_status().prop_map(BoardMessage::Load),
    ];
    prop_oneof![hello, teeth, analog, plain.prop_map(Owned::Plain)]
}

fn load_mode() -> impl Strategy<Value = LoadMode> {
    prop::sample::select(vec![
        LoadMode::Off,
        LoadMode::Speed,
        LoadMode::Torque,
        LoadMode::Road,
        LoadMode::Output,
    ])
}

fn load_command() -> impl Strategy<Value = LoadCommand> {
    prop_oneof![
        any::<(u16, [u16; 8], [u16; 8], [u16; 8])>().prop_map(
            |(settings, speeds, torques, outputs)| LoadCommand::Map(LoadMap {
                settings,
                speeds,
                torques,
                outputs,
            })
        ),
        any::<([u16; 6], [u32; 8], [i32; 2])>().prop_map(|(short, long, signed)| {
            LoadCommand::Gains(LoadGains {
                settings: short[0],
                teeth: short[1],
                window_teeth: short[2],
                firmness: short[3],
                lead: short[4],
                follow_steps: short[5],
                inertia: long[0],
                hold: long[1],
                approach: long[2],
                lag: long[3],
                slew: long[4],
                stall: long[5],
                speed_max: long[6],
                engine_max: long[7],
                torque_slew: long[0],
                follow: long[1],
                output_min: signed[0],
                output_max: signed[1],
            })
        }),
        (load_mode(), any::<[i32; 3]>()).prop_map(|(mode, [target, rate, square])| {
            LoadCommand::Demand(LoadDemand {
                mode,
                target,
                rate,
                square,
            })
        }),
        any::<bool>().prop_map(|is_armed| LoadCommand::Arm(LoadArm { is_armed })),
    ]
}

fn load_status() -> impl Strategy<Value = LoadStatus> {
    let why = prop_oneof![
        Just(LoadWhy::None),
        Just(LoadWhy::LoadLost),
        Just(LoadWhy::NotSet),
        (8_u8..).prop_map(LoadWhy::Unknown),
    ];
    (load_mode(), why, any::<(u16, bool, bool, u8, [i32; 5])>()).prop_map(
        |(
            mode,
            why,
            (
                settings,
                is_armed,
                is_saturated,
                backed_off,
                [output, torque, speed, reference, engine],
            ),
        )| {
            LoadStatus {
                settings,
                mode,
                is_armed,
                is_saturated,
                why,
                backed_off,
                output,
                torque,
                speed,
                reference,
                engine,
            }
        },
    )
}

fn host_message() -> impl Strategy<Value = HostMessage> {
    prop_oneof![
        Just(HostMessage::Heartbeat),
        Just(HostMessage::Identify),
        limits().prop_map(HostMessage::Limits),
        any::<u8>().prop_map(|reason| HostMessage::Cut { reason }),
        any::<u16>().prop_map(|cut_id| HostMessage::Release { cut_id }),
        load_command().prop_map(HostMessage::Load),
    ]
}

/// Zeros and small numbers more often than chance would have them: they are what framing is about.
fn noise(bytes_max: usize) -> impl Strategy<Value = Vec<u8>> {
    vec(prop_oneof![2 => any::<u8>(), 1 => 0_u8..4], 0..=bytes_max)
}

/// Anything that may come over the wire: frames, damaged frames, noise.
fn wire() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        6 => (board_message(), any::<u16>(), any::<u32>())
            .prop_map(|(message, seq, tick)| encoded(&message.message(), seq, tick)),
        1 => (board_message(), any::<prop::sample::Index>(), any::<u8>())
            .prop_map(|(message, at, value)| {
                let mut bytes = encoded(&message.message(), 7, 7);
                let at = at.index(bytes.len());
                bytes[at] = value;
                bytes
            }),
        1 => noise(700),
        2 => (board_message(), any::<u32>()).prop_map(|(message, tick)| line(&message.message(), tick)),
        1 => "[a-z0-9* #\r\n-]{0,300}".prop_map(String::into_bytes),
    ];
    vec(piece, 0..12).prop_map(|pieces| pieces.concat())
}

fn encoded(message: &BoardMessage<'_>, seq: u16, tick: u32) -> Vec<u8> {
    let mut out = [0; FRAME_BYTES_MAX];
    let len = message.encode(seq, tick, &mut out).unwrap();
    out[..len].to_vec()
}

/// A message as a line, or a comment if it is too long for one.
fn line(message: &BoardMessage<'_>, tick: u32) -> Vec<u8> {
    let mut writer = LineWriter::new();
    writer
        .write(tick, message)
        .unwrap_or(b"# too long\n")
        .to_vec()
}

/// What COBS makes of a frame, if anything.
fn body(frame: &[u8]) -> Option<Vec<u8>> {
    let mut segment = frame.split_last()?.1.to_vec();
    let len = cobs::decode_in_place(&mut segment).ok()?;
    segment.truncate(len);
    Some(segment)
}

fn differing_bytes(one: &Option<Vec<u8>>, other: &Option<Vec<u8>>) -> Option<usize> {
    let (one, other) = (one.as_ref()?, other.as_ref()?);
    (one.len() == other.len()).then(|| {
        one.iter()
            .zip(other)
            .filter(|(one, other)| one != other)
            .count()
    })
}

/// Every result of a decoder, as text so that it can be kept.
fn decoded(pieces: &[&[u8]]) -> (Vec<String>, Counters) {
    let mut decoder = Decoder::new();
    let mut results = Vec::new();
    for piece in pieces {
        decoder.feed(piece, &mut |result| results.push(format!("{result:?}")));
    }
    (results, *decoder.counters())
}

fn read(pieces: &[&[u8]]) -> (Vec<String>, Counters) {
    let mut reader = BoardReader::new();
    let mut results = Vec::new();
    for piece in pieces {
        reader.feed(0, piece, &mut |reading| {
            results.push(format!("{reading:?}"))
        });
    }
    (results, reader.counters())
}

/// Every result of a decoder of lines.
fn decoded_lines(pieces: &[&[u8]]) -> (Vec<String>, Counters) {
    let mut decoder = LineDecoder::from_board();
    let mut results = Vec::new();
    for piece in pieces {
        decoder.feed(piece, &mut |result| results.push(format!("{result:?}")));
    }
    (results, *decoder.counters())
}

proptest! {
    #[test]
    fn board_messages_survive_as_lines(message in board_message(), tick: u32) {
        let mut writer = LineWriter::new();
        let Ok(bytes) = writer.write(tick, &message.message()) else {
            // Only long lists are too long.
            prop_assert!(encoded(&message.message(), 0, 0).len() > 60);
            return Ok(());
        };
        prop_assert!(bytes.len() <= LINE_BYTES_MAX && bytes.is_ascii() && !bytes.contains(&0));
        let mut lines = 0;
        LineDecoder::from_board().feed(bytes, &mut |result| {
            let frame = result.unwrap();
            assert_eq!((frame.seq, frame.tick), (0, tick));
            assert_eq!(BoardMessage::parse(&frame), Ok(message.message()));
            lines += 1;
        });
        prop_assert_eq!(lines, 1);
        prop_assert_eq!(writer.next_seq(), 1);
    }

    #[test]
    fn host_messages_survive_as_lines(message in host_message(), tick: u32) {
        let mut writer = LineWriter::new();
        let mut lines = 0;
        LineDecoder::from_host().feed(writer.write(tick, &message).unwrap(), &mut |result| {
            let frame = result.unwrap();
            assert_eq!(frame.tick, tick);
            assert_eq!(HostMessage::parse(&frame).as_ref(), Ok(&message));
            lines += 1;
        });
        prop_assert_eq!(lines, 1);
    }

    /// A changed character is a damaged line, or none: never another message.
    #[test]
    fn a_changed_character_damages_a_line(
        message in host_message(),
        at in any::<prop::sample::Index>(),
        value: u8,
    ) {
        let mut writer = LineWriter::new();
        let mut bytes = writer.write(5, &message).unwrap().to_vec();
        let at = at.index(bytes.len() - 1);
        prop_assume!(!bytes[at].eq_ignore_ascii_case(&value));
        bytes[at] = value;
        LineDecoder::from_host().feed(&bytes, &mut |result| match result {
            Err(LinkFault::BadCrc { .. }) => {}
            result => panic!("{result:?}"),
        });
    }

    #[test]
    fn the_first_sound_frame_or_line_decides_the_form(
        message in board_message(),
        before in noise(40),
    ) {
        let frame = encoded(&message.message(), 0, 0);
        let text = line(&message.message(), 0);
        for (form, bytes) in [(Form::Frames, &frame), (Form::Lines, &text)] {
            let end = if form == Form::Frames { 0 } else { b'\n' };
            let mut reader = BoardReader::new();
            let mut messages = 0;
            for piece in [&before[..], &[end], bytes] {
                reader.feed(0, piece, &mut |reading| {
                    messages += u32::from(matches!(reading, Reading::Message { .. }));
                });
            }
            if bytes.starts_with(b"#") {
                prop_assert_eq!(messages, 0);
                continue;
            }
            prop_assert_eq!(reader.form(), Some(form));
            prop_assert_eq!(messages, 1);
            prop_assert_eq!(BoardReader::of(form).form(), Some(form));
        }
    }

    #[test]
    fn board_messages_survive_the_wire(message in board_message(), seq: u16, tick: u32) {
        let bytes = encoded(&message.message(), seq, tick);
        let (&end, before) = bytes.split_last().unwrap();
        prop_assert_eq!(end, 0);
        prop_assert!(!before.contains(&0));

        let mut frames = 0;
        Decoder::new().feed(&bytes, &mut |result| {
            let frame = result.unwrap();
            assert_eq!((frame.seq, frame.tick), (seq, tick));
            assert_eq!(BoardMessage::parse(&frame), Ok(message.message()));
            assert!(HostMessage::parse(&frame).is_err());
            frames += 1;
        });
        prop_assert_eq!(frames, 1);
    }

    #[test]
    fn host_messages_survive_the_wire(message in host_message(), seq: u16, tick: u32) {
        let mut out = [0; FRAME_BYTES_MAX];
        let len = message.encode(seq, tick, &mut out).unwrap();
        let mut frames = 0;
        Decoder::new().feed(&out[..len], &mut |result| {
            let frame = result.unwrap();
            assert_eq!((frame.seq, frame.tick), (seq, tick));
            assert_eq!(HostMessage::parse(&frame).as_ref(), Ok(&message));
            assert!(BoardMessage::parse(&frame).is_err());
            frames += 1;
        });
        prop_assert_eq!(frames, 1);
    }

    /// Extra bytes at the end belong to a later version; too few are an error that says how many.
    #[test]
    fn payloads_may_grow_but_not_shrink(message in board_message(), extra in noise(20)) {
        let bytes = encoded(&message.message(), 0, 0);
        Decoder::new().feed(&bytes, &mut |result| {
            let frame = result.unwrap();
            if message.may_grow() {
                let grown = [frame.payload, &extra].concat();
                let grown = Frame { payload: &grown, ..frame };
                assert_eq!(BoardMessage::parse(&grown), Ok(message.message()));
            }
            for cut in 0..frame.payload.len() {
                let shrunk = Frame { payload: &frame.payload[..cut], ..frame };
                match BoardMessage::parse(&shrunk) {
                    Err(ParseError::TooShort { kind, expected, found }) => {
                        assert_eq!((kind, found), (frame.kind, cut));
                        assert!(expected > cut && expected <= frame.payload.len());
                    }
                    Err(ParseError::PartialItem { kind, item_bytes: 2, found }) => {
                        assert_eq!((kind, found), (frame.kind, cut));
                        assert!(!message.may_grow());
                    }
                    Ok(shorter) => assert!(!message.may_grow() && shorter != message.message()),
                    Err(error) => panic!("{error:?}"),
                }
            }
        });
    }

    #[test]
    fn any_split_gives_the_same(
        wire in wire(),
        cuts in vec(any::<prop::sample::Index>(), 0..20),
    ) {
        let mut at: Vec<usize> = cuts.iter().map(|cut| cut.index(wire.len() + 1)).collect();
        at.extend([0, wire.len()]);
        at.sort_unstable();
        let pieces: Vec<&[u8]> = at.windows(2).map(|ends| &wire[ends[0]..ends[1]]).collect();
        let bytes: Vec<&[u8]> = wire.chunks(1).collect();

        prop_assert_eq!(decoded(&[&wire]), decoded(&pieces));
        prop_assert_eq!(decoded(&[&wire]), decoded(&bytes));
        prop_assert_eq!(read(&[&wire]), read(&pieces));
        prop_assert_eq!(read(&[&wire]), read(&bytes));
        prop_assert_eq!(decoded_lines(&[&wire]), decoded_lines(&pieces));
        prop_assert_eq!(decoded_lines(&[&wire]), decoded_lines(&bytes));
    }

    #[test]
    fn every_byte_of_lines_is_accounted_for(wire in wire(), piece_bytes in 1_usize..300) {
        let mut decoder = LineDecoder::from_board();
        let mut reader = BoardReader::of(Form::Lines);
        for piece in wire.chunks(piece_bytes) {
            decoder.feed(piece, &mut |_| {});
            reader.feed(0, piece, &mut |_| {});
        }
        let counters = decoder.counters();
        prop_assert_eq!(counters.bytes_received, wire.len() as u64);
        prop_assert_eq!(
            counters.bytes_received,
            counters.bytes_in_frames + counters.bytes_discarded + counters.bytes_idle
                + decoder.pending_bytes() as u64
        );
        prop_assert_eq!(reader.counters().bytes_received, wire.len() as u64);
        prop_assert_eq!(reader.counters().bytes_in_frames, counters.bytes_in_frames);
    }

    #[test]
    fn every_byte_is_accounted_for(wire in wire(), piece_bytes in 1_usize..300) {
        let mut decoder = Decoder::new();
        let mut frames = 0;
        let mut faults = 0;
        let mut fed = 0;
        for piece in wire.chunks(piece_bytes) {
            decoder.feed(piece, &mut |result| match result {
                Ok(_) => frames += 1,
                Err(_) => faults += 1,
            });
            fed += piece.len() as u64;
            let counters = decoder.counters();
            prop_assert_eq!(counters.bytes_received, fed);
            prop_assert_eq!(
                counters.bytes_in_frames
                    + counters.bytes_discarded
                    + counters.bytes_idle
                    + decoder.pending_bytes() as u64,
                fed
            );
            prop_assert_eq!(counters.frames, frames);
            prop_assert_eq!(counters.frames_damaged(), faults);
        }
        // Every delimiter ends a frame, a fault or nothing; only a fault for length comes before its
        // delimiter does.
        let delimiters = wire.iter().filter(|&&byte| byte == 0).count() as u64;
        let counters = decoder.counters();
        let ended = counters.frames + counters.frames_damaged() + counters.bytes_idle;
        prop_assert!(ended == delimiters || ended == delimiters + 1 && counters.too_long > 0);
    }

    #[test]
    fn frames_are_found_between_garbage(
        pieces in vec((noise(600), board_message()), 1..8),
    ) {
        let mut writer = FrameWriter::new();
        let mut wire = Vec::new();
        let mut frame_bytes = 0;
        for (garbage, message) in &pieces {
            let frame = writer.write(0, &message.message()).unwrap();
            frame_bytes += frame.len() as u64;
            wire.extend_from_slice(garbage);
            wire.push(0);
            wire.extend_from_slice(frame);
        }
        let mut expected = pieces.iter();
        let mut decoder = Decoder::new();
        decoder.feed(&wire, &mut |result| {
            if let Ok(frame) = result {
                let (_, message) = expected.next().unwrap();
                assert_eq!(BoardMessage::parse(&frame), Ok(message.message()));
            }
        });
        prop_assert!(expected.next().is_none());
        prop_assert_eq!(decoder.counters().bytes_in_frames, frame_bytes);
    }

    /// One changed byte costs its own frame, and the next if it was the delimiter; no other.
    #[test]
    fn damage_stays_local(
        messages in vec(board_message(), 3..8),
        victim: prop::sample::Index,
        at: prop::sample::Index,
        change in 1_u8..,
    ) {
        let victim = victim.index(messages.len());
        let mut writer = FrameWriter::new();
        let mut wire = Vec::new();
        let mut must_be_refused = false;
        for (number, message) in messages.iter().enumerate() {
            let mut frame = writer.write(0, &message.message()).unwrap().to_vec();
            if number == victim {
                let sound = body(&frame);
                let at = at.index(frame.len());
                frame[at] ^= change;
                // The CRC is sure to find up to 16 changed bits in a row; of damage that moves the
                // zeros it misses one in 65,536.
                must_be_refused = differing_bytes(&sound, &body(&frame)) == Some(1);
            }
            wire.extend_from_slice(&frame);
        }
        let mut whole = vec![false; messages.len()];
        let mut decoder = Decoder::new();
        decoder.feed(&wire, &mut |result| {
            if let Ok(frame) = result
                && let Some(message) = messages.get(usize::from(frame.seq))
                && BoardMessage::parse(&frame) == Ok(message.message())
            {
                whole[usize::from(frame.seq)] = true;
            }
        });
        for (number, whole) in whole.into_iter().enumerate() {
            let spared = number != victim && number != victim + 1;
            prop_assert!(whole || !spared, "frame {}", number);
        }
        if must_be_refused {
            prop_assert_eq!(decoder.counters().frames, messages.len() as u64 - 1);
        }
    }

    #[test]
    fn nothing_panics(
        bytes in noise(3_000),
        kind: u8,
        payload in noise(PAYLOAD_BYTES_MAX),
        host_us: u64,
        seq: u16,
        tick: u32,
    ) {
        let mut reader = BoardReader::new();
        reader.feed(host_us, &bytes, &mut |_| {});
        let frame = Frame { kind, seq, tick, payload: &payload };
        if let Ok(message) = BoardMessage::parse(&frame) {
            reader.feed(host_us, &encoded(&message, seq, tick), &mut |_| {});
        }
        if let Ok(message) = HostMessage::parse(&frame) {
            prop_assert!(message.encode(seq, tick, &mut [0; FRAME_BYTES_MAX]).is_ok());
        }
        // Host time running back is a mistake of the caller, and still no reason to stop.
        reader.feed(0, &bytes, &mut |_| {});
    }

    /// Teeth put in on the board's side come out on the host's, with their ticks and numbers.
    #[test]
    fn teeth_come_through(
        start in any::<u32>(),
        gaps in vec(prop_oneof![9 => 0_u64..8_000, 1 => 0_u64..200_000], 0..600),
    ) {
        let teeth: Vec<u64> = std::iter::once(u64::from(start))
            .chain(gaps.iter().scan(u64::from(start), |tick, gap| {
                *tick += gap;
                Some(*tick)
            }))
            .collect();
        let mut writer = FrameWriter::new();
        let mut batch = TeethBatch::new(3);
        let mut wire = Vec::new();
        let mut flush = |batch: &mut TeethBatch| {
            let (tick, message) = batch.message().unwrap();
            wire.extend_from_slice(writer.write(tick, &message).unwrap());
            batch.clear();
        };
        for &tooth in &teeth {
            if !batch.push(tooth) {
                flush(&mut batch);
                assert!(batch.push(tooth));
            }
        }
        flush(&mut batch);
        prop_assert!(batch.message().is_none());

        let mut seen = Vec::new();
        let mut reader = BoardReader::new();
        reader.feed(0, &wire, &mut |reading| match reading {
            Reading::Message { tick, message: BoardMessage::Teeth(frame), .. } => {
                assert_eq!(frame.pickup, 3);
                assert_eq!(frame.first_tooth as usize, seen.len());
                assert!(frame.len() <= TEETH_PER_FRAME_MAX);
                seen.extend(frame.ticks(tick));
                assert_eq!(seen.len() - frame.first_tooth as usize, frame.len());
            }
            reading => panic!("{reading:?}"),
        });
        // Extended ticks start a wrap up; only differences count.
        let seen: Vec<u64> = seen.iter().map(|tick| tick - seen[0]).collect();
        let expected: Vec<u64> = teeth.iter().map(|tick| tick - teeth[0]).collect();
        prop_assert_eq!(seen, expected);
    }
}

/// A line that never falls silent, as at a wrong baud rate, is reported once and holds no memory.
#[test]
fn endless_bytes_without_delimiter_are_one_fault() {
    let mut decoder = Decoder::new();
    let mut faults = 0;
    for _ in 0..100 {
        decoder.feed(&[0xAA; 100], &mut |result| {
            assert!(result.is_err());
            faults += 1;
        });
    }
    assert_eq!(faults, 1);
    assert_eq!(decoder.counters().bytes_discarded, 10_000);
    assert_eq!(decoder.pending_bytes(), 0);
}
