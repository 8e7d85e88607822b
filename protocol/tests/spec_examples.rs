//! The fenced hex examples of SPEC.md, encoded and decoded.
//!
//! Their bytes were made with Python's `binascii.crc_hqx` and the `cobs` package (SPEC.md, section
//! 11), not with this crate.

#![expect(clippy::unwrap_used, reason = "a test may stop")]

use std::collections::BTreeSet;
use std::str::FromStr;

use leverarm_protocol::{
    Analog, BoardMessage, BoardState, Channel, ChannelKind, CutCause, Decoder, FRAME_BYTES_MAX,
    Frame, Hello, HostMessage, Limits, LineDecoder, LineWriter, LinkFault, LoadArm, LoadCommand,
    LoadDemand, LoadGains, LoadMap, LoadMode, LoadStatus, LoadWhy, ParseError, Status, Teeth,
    TemperatureLimit, crc16,
};

const SPEC: &str = include_str!("../SPEC.md");

/// `name = value` lines of one fenced block; an indented line continues the value before it.
struct Block(Vec<(&'static str, String)>);

impl Block {
    fn all(tag: &str) -> Vec<Self> {
        let opening = format!("```{tag}\n");
        let blocks: Vec<Self> = SPEC
            .split(&opening)
            .skip(1)
            .map(|text| Self::parse(text.split("```").next().unwrap()))
            .collect();
        assert!(!blocks.is_empty(), "no block {tag} in SPEC.md");
        blocks
    }

    fn parse(text: &'static str) -> Self {
        let mut fields: Vec<(&str, String)> = Vec::new();
        for line in text.lines() {
            if let Some((name, value)) = line.split_once('=') {
                fields.push((name.trim(), value.trim().to_owned()));
            } else {
                let (_, value) = fields.last_mut().unwrap();
                *value = format!("{value} {}", line.trim());
            }
        }
        Self(fields)
    }

    fn get(&self, name: &str) -> &str {
        let found = self.0.iter().find(|(field, _)| *field == name);
        &found
            .unwrap_or_else(|| panic!("no {name} in {:?}", self.0))
            .1
    }

    fn number<T: FromStr>(&self, name: &str) -> T {
        number(self.get(name))
    }

    fn hex(&self, name: &str) -> Vec<u8> {
        hex(self.get(name))
    }

    fn items<T: FromStr>(&self, name: &str) -> Vec<T> {
        self.get(name).split_whitespace().map(number).collect()
    }

    /// Items of the form `1/2/3`.
    fn tuples<const N: usize>(&self, name: &str) -> Vec<[i64; N]> {
        let tuple = |item: &str| -> Vec<i64> { item.split('/').map(number).collect() };
        self.get(name)
            .split_whitespace()
            .map(|item| tuple(item).try_into().unwrap())
            .collect()
    }

    fn limits(&self) -> Limits {
        let mut limits = Limits {
            tooth_period_ticks_min: self.number("tooth_period_ticks_min"),
            short_periods_to_cut: self.number("short_periods_to_cut"),
            heartbeat_timeout_ms: self.number("heartbeat_timeout_ms"),
            ..Limits::default()
        };
        for [channel, counts_max] in self.tuples("temperatures") {
            let limit =
                TemperatureLimit::new(channel.try_into().unwrap(), counts_max.try_into().unwrap());
            limits.temperatures.push(limit).unwrap();
        }
        limits
    }

    fn cause(&self) -> Option<CutCause> {
        match self.get("cause") {
            "0" => None,
            "1" => Some(CutCause::HostCommand),
            "2" => Some(CutCause::Overspeed),
            cause => panic!("cause {cause}"),
        }
    }

    fn load_mode(&self) -> LoadMode {
        match self.get("mode") {
            "1" => LoadMode::Speed,
            mode => panic!("mode {mode}"),
        }
    }

    /// The board's message these fields describe.
    fn board_message<R>(&self, check: impl FnOnce(BoardMessage<'_>) -> R) -> R {
        match self.get("kind") {
            "hello" => {
                let board_id = self.get("board_id").strip_prefix("0x").unwrap();
                let firmware: Vec<u8> = self.get("firmware").split('.').map(number).collect();
                let channels: Vec<_> = self.tuples("channels").into_iter().map(channel).collect();
                check(BoardMessage::Hello(Hello {
                    board_id: u64::from_str_radix(board_id, 16).unwrap(),
                    boot: self.number("boot"),
                    firmware: firmware.try_into().unwrap(),
                    tick_hz: self.number("tick_hz"),
                    channels: &channels,
                }))
            }
            "teeth" => {
                let deltas: Vec<_> = self
                    .items("deltas")
                    .into_iter()
                    .map(u16::to_le_bytes)
                    .collect();
                check(BoardMessage::Teeth(Teeth {
                    pickup: self.number("pickup"),
                    first_tooth: self.number("first_tooth"),
                    deltas: &deltas,
                }))
            }
            "force" => check(BoardMessage::Force {
                channel: self.number("channel"),
                counts: self.number("counts"),
            }),
            "analog" => {
                let counts: Vec<_> = self
                    .items("counts")
                    .into_iter()
                    .map(i16::to_le_bytes)
                    .collect();
                check(BoardMessage::Analog(Analog {
                    first_channel: self.number("first_channel"),
                    counts: &counts,
                }))
            }
            "temperature" => check(BoardMessage::Temperature {
                channel: self.number("channel"),
                counts: self.number("counts"),
            }),
            "status" => check(BoardMessage::Status(Status {
                state: match self.get("state") {
                    "0" => BoardState::Running,
                    "1" => BoardState::Cut,
                    state => panic!("state {state}"),
                },
                cut_id: self.number("cut_id"),
                cause: self.cause(),
                captures_lost: self.number("captures_lost"),
                receive_errors: self.number("receive_errors"),
                limits: self.limits(),
            })),
            "cut" => check(BoardMessage::Cut {
                cut_id: self.number("cut_id"),
                cause: self.cause().unwrap(),
            }),
            "load" => check(BoardMessage::Load(LoadStatus {
                settings: self.number("settings"),
                mode: self.load_mode(),
                is_armed: self.get("is_armed") == "1",
                is_saturated: self.get("is_saturated") == "1",
                why: match self.get("why") {
                    "0" => LoadWhy::None,
                    why => panic!("why {why}"),
                },
                backed_off: self.number("backed_off"),
                output: self.number("output"),
                torque: self.number("torque"),
                speed: self.number("speed"),
                reference: self.number("reference"),
                engine: self.number("engine"),
            })),
            kind => panic!("kind {kind}"),
        }
    }

    fn host_message(&self) -> HostMessage {
        match self.get("kind") {
            "heartbeat" => HostMessage::Heartbeat,
            "limits" => HostMessage::Limits(self.limits()),
            "cut" => HostMessage::Cut {
                reason: self.number("reason"),
            },
            "release" => HostMessage::Release {
                cut_id: self.number("cut_id"),
            },
            "identify" => HostMessage::Identify,
            "load_map" => HostMessage::Load(LoadCommand::Map(LoadMap {
                settings: self.number("settings"),
                speeds: self.items("speeds").try_into().unwrap(),
                torques: self.items("torques").try_into().unwrap(),
                outputs: self.items("outputs").try_into().unwrap(),
            })),
            "load_gains" => HostMessage::Load(LoadCommand::Gains(LoadGains {
                settings: self.number("settings"),
                teeth: self.number("teeth"),
                window_teeth: self.number("window_teeth"),
                inertia: self.number("inertia"),
                firmness: self.number("firmness"),
                hold: self.number("hold"),
                approach: self.number("approach"),
                lead: self.number("lead"),
                lag: self.number("lag"),
                slew: self.number("slew"),
                output_min: self.number("output_min"),
                output_max: self.number("output_max"),
                stall: self.number("stall"),
                speed_max: self.number("speed_max"),
                engine_max: self.number("engine_max"),
                torque_slew: self.number("torque_slew"),
                follow: self.number("follow"),
                follow_steps: self.number("follow_steps"),
            })),
            "load_demand" => HostMessage::Load(LoadCommand::Demand(LoadDemand {
                mode: self.load_mode(),
                target: self.number("target"),
                rate: self.number("rate"),
                square: self.number("square"),
            })),
            "load_arm" => HostMessage::Load(LoadCommand::Arm(LoadArm {
                is_armed: self.get("is_armed") == "1",
            })),
            kind => panic!("kind {kind}"),
        }
    }
}

fn number<T: FromStr>(text: &str) -> T {
    text.parse()
        .unwrap_or_else(|_| panic!("{text} is no number of this size"))
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

fn channel([kind, number, rate_hz]: [i64; 3]) -> [u8; 4] {
    let kind = match kind {
        1 => ChannelKind::Teeth,
        2 => ChannelKind::Force,
        3 => ChannelKind::Analog,
        4 => ChannelKind::Temperature,
        kind => panic!("channel kind {kind}"),
    };
    let (number, rate_hz) = (number.try_into().unwrap(), rate_hz.try_into().unwrap());
    Channel::new(kind, number, rate_hz).to_bytes()
}

/// Decodes bytes that are one frame or one fault.
fn decode<R>(wire: &[u8], check: impl FnOnce(Result<Frame<'_>, LinkFault>) -> R) -> R {
    let mut check = Some(check);
    let mut checked = None;
    Decoder::new().feed(wire, &mut |result| {
        let check = check.take().expect("more than one frame");
        checked = Some(check(result));
    });
    checked.expect("no frame")
}

#[test]
fn examples_encode_to_their_bytes_and_decode_to_their_fields() {
    let mut kinds = BTreeSet::new();
    for block in Block::all("example") {
        let (seq, tick) = (block.number("seq"), block.number("tick"));
        let (body, wire) = (block.hex("body"), block.hex("wire"));

        let (checked, crc) = body.split_last_chunk().unwrap();
        assert_eq!(crc16(checked), u16::from_le_bytes(*crc));
        assert_eq!(body[0], 1, "version");
        assert_eq!(wire.len(), body.len() + 2);

        let mut out = [0; FRAME_BYTES_MAX];
        let len = match block.get("direction") {
            "board" => block.board_message(|message| {
                decode(&wire, |frame| {
                    let frame = frame.unwrap();
                    assert_eq!((frame.seq, frame.tick), (seq, tick));
                    assert_eq!(BoardMessage::parse(&frame), Ok(message.clone()));
                });
                message.encode(seq, tick, &mut out).unwrap()
            }),
            "host" => {
                let message = block.host_message();
                decode(&wire, |frame| {
                    let frame = frame.unwrap();
                    assert_eq!((frame.seq, frame.tick), (seq, tick));
                    assert_eq!(HostMessage::parse(&frame).as_ref(), Ok(&message));
                });
                message.encode(seq, tick, &mut out).unwrap()
            }
            direction => panic!("direction {direction}"),
        };
        assert_eq!(
            &out[..len],
            wire,
            "{} {}",
            block.get("direction"),
            block.get("kind")
        );
        kinds.insert(body[1]);
    }
    let all: BTreeSet<u8> = (0x01..=0x08).chain(0x81..=0x89).collect();
    assert_eq!(kinds, all, "kinds with an example");
}

/// The line of each example stands for the same frame, payload and all.
#[test]
fn examples_as_lines_are_the_same_frames() {
    let mut words = BTreeSet::new();
    for block in Block::all("example") {
        let line = format!("{}\n", block.get("line"));
        let mut decoder = match block.get("direction") {
            "board" => LineDecoder::from_board(),
            _ => LineDecoder::from_host(),
        };
        let mut frames = 0;
        decode(&block.hex("wire"), |frame| {
            let frame = frame.unwrap();
            decoder.feed(line.as_bytes(), &mut |result| {
                assert_eq!(result, Ok(frame), "{line}");
                frames += 1;
            });
        });
        assert_eq!(frames, 1, "{line}");

        // A writer that has come to this number writes this line.
        let mut writer = LineWriter::new();
        for _ in 0..block.number::<u16>("seq") {
            writer.write(0, &HostMessage::Identify).unwrap();
        }
        let tick = block.number("tick");
        let written = match block.get("direction") {
            "board" => {
                block.board_message(|message| writer.write(tick, &message).unwrap().to_vec())
            }
            _ => writer.write(tick, &block.host_message()).unwrap().to_vec(),
        };
        assert_eq!(String::from_utf8(written).unwrap(), line);
        words.insert((
            block.get("direction").to_owned(),
            line.split(' ').next().unwrap().to_owned(),
        ));
    }
    assert_eq!(words.len(), 17, "kinds with an example");
}

/// The table of section 12.
#[test]
fn lines_of_the_table_are_taken_as_it_says() {
    let verdict = |line: &str| {
        let mut verdict = "nothing".to_owned();
        LineDecoder::from_board().feed(format!("{line}\r\n").as_bytes(), &mut |result| {
            let parsed =
                result.map(|frame| (frame.seq, format!("{:?}", BoardMessage::parse(&frame))));
            verdict = match parsed {
                Err(LinkFault::BadCrc { .. }) => "damaged".to_owned(),
                Ok((7, parsed)) if parsed.contains("UnknownKind") => "unknown: ignored".to_owned(),
                Ok((7, parsed)) if parsed.contains("TooShort") => {
                    "too few numbers: ignored, reported".to_owned()
                }
                Ok((7, parsed)) if parsed == "Ok(Force { channel: 0, counts: 1 })" => {
                    "accepted as channel 0, counts 1".to_owned()
                }
                other => panic!("{other:?}"),
            };
        });
        verdict
    };
    let section = SPEC.split("## 12 Plain text").nth(1).unwrap();
    let rows: Vec<(&str, &str)> = section
        .lines()
        .filter_map(|line| {
            line.strip_prefix("| `")?
                .strip_suffix(" |")?
                .split_once("` | ")
        })
        .collect();
    assert_eq!(rows.len(), 6);
    for (line, says) in rows {
        assert_eq!(verdict(line), says, "{line}");
    }
    assert!(section.contains("    force 259 305450000 0 -123456*fb4e\n"));
}

#[test]
fn refused_examples_are_refused_for_their_reason() {
    for block in Block::all("refused") {
        let reason = decode(&block.hex("wire"), |result| {
            let fault = match result {
                Ok(frame) => BoardMessage::parse(&frame).unwrap_err().into(),
                Err(fault) => fault,
            };
            match fault {
                LinkFault::BadCrc { .. } => "BadCrc",
                LinkFault::BadCobs { .. } => "BadCobs",
                LinkFault::TooShort { .. } => "TooShort",
                LinkFault::WrongVersion { found: 2 } => "WrongVersion",
                LinkFault::BadMessage(ParseError::UnknownKind { kind: 0x7E }) => "UnknownKind",
                LinkFault::BadMessage(ParseError::TooShort {
                    kind: 3,
                    expected: 5,
                    found: 3,
                }) => "PayloadTooShort",
                LinkFault::BadMessage(ParseError::BadField { field, .. }) => field,
                fault => panic!("{fault:?}"),
            }
        });
        assert_eq!(reason, block.get("reason"));
    }
}

#[test]
fn accepted_examples_are_accepted() {
    for block in Block::all("accepted") {
        decode(&block.hex("wire"), |frame| {
            let found = BoardMessage::parse(&frame.unwrap());
            block.board_message(|message| assert_eq!(found, Ok(message)));
        });
    }
}

#[test]
fn cobs_table_holds() {
    let rows: Vec<(Vec<u8>, Vec<u8>)> = SPEC
        .lines()
        .filter_map(|line| {
            let (body, wire) = line
                .strip_prefix("| `")?
                .strip_suffix("` |")?
                .split_once("` | `")?;
            Some((hex(body), hex(wire)))
        })
        .collect();
    assert_eq!(rows.len(), 5);
    for (body, wire) in rows {
        let mut out = [0; 16];
        let len = cobs::try_encode(&body, &mut out).unwrap();
        assert_eq!(out[..=len], wire);
    }
}

/// Section 9 gives the length of every frame.
#[test]
fn lengths_on_the_wire_are_as_stated() {
    let mut out = [0; FRAME_BYTES_MAX];
    for block in Block::all("example") {
        let items = |name: &str| block.get(name).split_whitespace().count();
        let stated = match (block.get("direction"), block.get("kind")) {
            (_, "hello") => 30 + 4 * items("channels"),
            (_, "teeth") => 15 + 2 * (items("deltas") + 1),
            (_, "force" | "temperature") => 17,
            (_, "analog") => 13 + 2 * items("counts"),
            (_, "status") => 32 + 5 * items("temperatures"),
            ("board", "cut") => 15,
            (_, "heartbeat" | "identify") => 12,
            (_, "limits") => 20 + 5 * items("temperatures"),
            ("host", "cut") => 13,
            (_, "release") => 14,
            (_, "load") => 39,
            (_, "load_map") => 62,
            (_, "load_gains") => 72,
            (_, "load_demand") => 25,
            (_, "load_arm") => 13,
            kind => panic!("{kind:?}"),
        };
        assert_eq!(block.hex("wire").len(), stated);
    }
    let deltas = [[0; 2]; 119];
    let full = BoardMessage::Teeth(Teeth {
        pickup: 0,
        first_tooth: 0,
        deltas: &deltas,
    });
    assert_eq!(full.encode(0, 0, &mut out), Ok(255));
    let deltas = [[0; 2]; 120];
    let over = BoardMessage::Teeth(Teeth {
        pickup: 0,
        first_tooth: 0,
        deltas: &deltas,
    });
    let error = over.encode(0, 0, &mut out).unwrap_err();
    assert_eq!((error.payload_bytes_max, error.payload_bytes), (243, 245));
    let channels = [[1, 0, 0, 0]; 57];
    let hello = |channels| Hello {
        board_id: 1,
        boot: 1,
        firmware: [0; 3],
        tick_hz: 1_000_000,
        channels,
    };
    assert!(
        BoardMessage::Hello(hello(&channels))
            .encode(0, 0, &mut out)
            .is_err()
    );
    assert!(
        BoardMessage::Hello(hello(&channels[..56]))
            .encode(0, 0, &mut out)
            .is_ok()
    );
}
