//! Decodes a board's bytes from standard input to JSON lines on standard output.
//!
//! A line of input is the host's time in microseconds, a space, and bytes in hexadecimal. Each is
//! answered by one line for every message and fault, and an empty line. At the end come the
//! counters.

#![expect(clippy::print_stdout, reason = "the output of a program")]

use std::io::{BufRead as _, Write as _, stdin, stdout};

use leverarm_protocol::{BoardMessage, BoardReader, BoardState, Limits, Reading};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut reader = BoardReader::new();
    for line in stdin().lock().lines() {
        let line = line?;
        let (host_us, hex) = line
            .split_once(' ')
            .ok_or("expected a time, a space and bytes")?;
        let bytes = bytes(hex)?;
        reader.feed(host_us.parse()?, &bytes, &mut |reading| {
            println!("{}", json(&reading));
        });
        println!();
        stdout().flush()?;
    }
    let counters = reader.counters();
    println!(
        r#"{{"counters":{{"bytes_received":{},"bytes_in_frames":{},"bytes_discarded":{},"bytes_idle":{},"pending":{},"frames":{},"frames_damaged":{},"unknown_kind":{},"bad_payload":{},"frames_lost":{},"duplicates":{},"reordered":{},"restarts":{}}}}}"#,
        counters.bytes_received,
        counters.bytes_in_frames,
        counters.bytes_discarded,
        counters.bytes_idle,
        reader.pending_bytes(),
        counters.frames,
        counters.frames_damaged(),
        counters.unknown_kind,
        counters.bad_payload,
        counters.frames_lost,
        counters.duplicates,
        counters.reordered,
        counters.restarts,
    );
    Ok(())
}

fn bytes(hex: &str) -> Result<Vec<u8>, String> {
    let digits = hex.trim().as_bytes();
    let (pairs, rest) = digits.as_chunks::<2>();
    if !rest.is_empty() {
        return Err(format!("odd number of digits in {hex}"));
    }
    pairs
        .iter()
        .map(|pair| {
            let text = str::from_utf8(pair).unwrap_or_default();
            u8::from_str_radix(text, 16).map_err(|error| format!("{text}: {error}"))
        })
        .collect()
}

fn json(reading: &Reading<'_>) -> String {
    match reading {
        Reading::Fault(fault) => format!(r#"{{"fault":"{fault:?}"}}"#),
        Reading::Message { tick, seq, message } => {
            let what = match message {
                BoardMessage::Hello(hello) => {
                    let channels: Vec<[u16; 3]> = hello
                        .channels
                        .iter()
                        .map(|&[kind, number, low, high]| {
                            [kind.into(), number.into(), u16::from_le_bytes([low, high])]
                        })
                        .collect();
                    format!(
                        r#""kind":"hello","board_id":"{:016x}","boot":{},"firmware":{:?},"tick_hz":{},"channels":{channels:?}"#,
                        hello.board_id, hello.boot, hello.firmware, hello.tick_hz
                    )
                }
                BoardMessage::Teeth(teeth) => {
                    let ticks: Vec<u64> = teeth.ticks(*tick).collect();
                    format!(
                        r#""kind":"teeth","pickup":{},"first_tooth":{},"ticks":{ticks:?}"#,
                        teeth.pickup, teeth.first_tooth
                    )
                }
                BoardMessage::Force { channel, counts } => {
                    format!(r#""kind":"force","channel":{channel},"counts":{counts}"#)
                }
                BoardMessage::Analog(scan) => {
                    let counts: Vec<i16> = scan.counts().collect();
                    format!(
                        r#""kind":"analog","first_channel":{},"counts":{counts:?}"#,
                        scan.first_channel
                    )
                }
                BoardMessage::Temperature { channel, counts } => {
                    format!(r#""kind":"temperature","channel":{channel},"counts":{counts}"#)
                }
                BoardMessage::Status(status) => format!(
                    r#""kind":"status","cut":{},"cut_id":{},"cause":"{}","captures_lost":{},"receive_errors":{},"limits":{}"#,
                    status.state == BoardState::Cut,
                    status.cut_id,
                    status
                        .cause
                        .map_or("none".to_owned(), |cause| format!("{cause:?}")),
                    status.captures_lost,
                    status.receive_errors,
                    limits(&status.limits)
                ),
                BoardMessage::Cut { cut_id, cause } => {
                    format!(r#""kind":"cut","cut_id":{cut_id},"cause":"{cause:?}""#)
                }
                BoardMessage::Load(status) => format!(
                    r#""kind":"load","settings":{},"mode":"{:?}","is_armed":{},"why":"{:?}","output":{}"#,
                    status.settings, status.mode, status.is_armed, status.why, status.output
                ),
            };
            format!(r#"{{"tick":{tick},"seq":{seq},{what}}}"#)
        }
    }
}

fn limits(limits: &Limits) -> String {
    let temperatures: Vec<[i64; 2]> = limits
        .temperatures
        .iter()
        .map(|limit| [limit.channel.into(), limit.counts_max.into()])
        .collect();
    format!(
        r#"{{"tooth_period_ticks_min":{},"short_periods_to_cut":{},"heartbeat_timeout_ms":{},"temperatures":{temperatures:?}}}"#,
        limits.tooth_period_ticks_min, limits.short_periods_to_cut, limits.heartbeat_timeout_ms
    )
}
