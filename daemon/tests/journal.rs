//! The journal: each kind of fault is provoked on the simulated stand, in virtual time, and found in
//! the store with its evidence; a stand without faults leaves none.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod shared;

use jiff::tz::TimeZone;
use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm_analysis::journal::{
    Entry, Trend, channel_names, days, evidence, faults, health, newest,
};
use leverarm_live::{Command, Core, Now, Output};
use leverarm_protocol::{Analog, BoardMessage, Decoder, FRAME_BYTES_MAX, TEMPERATURE_UNREADABLE};
use leverarm_software_stand::{Restart, SoftwareStand, StandModel};
use leverarm_store::{Acknowledgement, EventFilter, Severity, StoreReader};
use shared::Recorder;

const WALL_US: i64 = 1_795_600_000_000_000;
const STEP_US: u64 = 5_000;

/// The demonstration's stand with a load cell on the engine and a warning within every pull.
fn stand_text() -> String {
    let cell = "\n[load_cell]\nchannel = 0\non = \"engine\"\nper_count = \"0.0005 N/count\"\n\
                zero_counts = 8400\narm = \"250 mm\"\nsign = \"+\"\n";
    let text = DEMO_STAND
        .replace("kind = \"inertia\"", "kind = \"both\"")
        .replace("9500 rpm", "8000 rpm")
        // Its sensor opens here, and nothing is to cut by it.
        .replace(
            "limit = \"230 degC\"\naction = \"cut\"",
            "limit = \"230 degC\"\naction = \"cut\"\nwhen_lost = \"warn: nothing turns here\"",
        );
    text + cell
}

/// What becomes of a frame on its way from the board.
enum Fate {
    Passes,
    Lost,
    Damaged,
    Counts(i32),
    Scan(Vec<i16>),
}

/// The cable, on which frames can be changed.
#[derive(Default)]
struct Cable {
    begun: Vec<u8>,
}

impl Cable {
    fn pass(
        &mut self,
        bytes: &[u8],
        mut fate: impl FnMut(&BoardMessage<'_>) -> Fate,
        out: &mut Vec<u8>,
    ) {
        for byte in bytes {
            self.begun.push(*byte);
            if *byte == 0 {
                Self::frame(&std::mem::take(&mut self.begun), &mut fate, out);
            }
        }
    }

    fn frame(raw: &[u8], fate: &mut impl FnMut(&BoardMessage<'_>) -> Fate, out: &mut Vec<u8>) {
        let mut passed = false;
        Decoder::new().feed(raw, &mut |frame| {
            let Ok(frame) = frame else { return };
            let Ok(message) = BoardMessage::parse(&frame) else {
                return;
            };
            let mut put = |message: &BoardMessage<'_>| {
                let mut buffer = [0; FRAME_BYTES_MAX];
                let length = message.encode(frame.seq, frame.tick, &mut buffer).unwrap();
                out.extend_from_slice(&buffer[..length]);
            };
            passed = true;
            match (fate(&message), &message) {
                (Fate::Lost, _) => {}
                (Fate::Damaged, _) => {
                    let mut raw = raw.to_vec();
                    let middle = raw.len() / 2;
                    raw[middle] = if raw[middle] == 7 { 9 } else { 7 };
                    out.extend_from_slice(&raw);
                }
                (Fate::Counts(counts), BoardMessage::Temperature { channel, .. }) => {
                    put(&BoardMessage::Temperature {
                        channel: *channel,
                        counts,
                    });
                }
                (Fate::Counts(counts), BoardMessage::Force { channel, .. }) => {
                    put(&BoardMessage::Force {
                        channel: *channel,
                        counts,
                    });
                }
                (Fate::Scan(counts), BoardMessage::Analog(scan)) => {
                    let counts: Vec<[u8; 2]> = counts.iter().map(|c| c.to_le_bytes()).collect();
                    put(&BoardMessage::Analog(Analog {
                        first_channel: scan.first_channel,
                        counts: &counts,
                    }));
                }
                _ => out.extend_from_slice(raw),
            }
        });
        if !passed {
            out.extend_from_slice(raw);
        }
    }
}

/// A moment of a run, in which something can be done to the stand.
struct Moment<'a> {
    now_us: u64,
    seconds: f64,
    core: &'a mut Core,
    board: &'a mut SoftwareStand,
    out: &'a mut Output,
    /// The computer does nothing until then.
    asleep_until_us: &'a mut u64,
    /// How far the wall clock was set forward.
    wall_jump_us: &'a mut i64,
}

/// Runs the stand in virtual time with a daemon's core on it, into a store.
fn run(
    recorder: &mut Recorder,
    text: &str,
    (seed, seconds, pulls): (u64, u64, u32),
    change_model: impl FnOnce(&mut StandModel),
    mut act: impl FnMut(&mut Moment<'_>),
    mut fate: impl FnMut(f64, bool, &BoardMessage<'_>) -> Fate,
) {
    let stand = leverarm_config::parse("demo.toml", text).unwrap();
    let mut model = model_of(&stand);
    change_model(&mut model);
    let mut board = SoftwareStand::new(model, seed).unwrap();
    if pulls > 0 {
        board.ride(Some(script_of(&stand, pulls)));
    }
    let mut core = Core::new(stand);
    let mut out = Output::default();
    let (mut sent, mut arrived) = (Vec::new(), Vec::new());
    let mut cable = Cable::default();
    let (mut asleep_until_us, mut wall_jump_us) = (0, 0);
    let at =
        |mono_us: u64, jump_us: i64| Now::new(mono_us, WALL_US + mono_us.cast_signed() + jump_us);
    core.port_opened(at(1000, 0), "simulated", &mut out);
    for step in 1.. {
        let now_us = step * STEP_US;
        let at_s = now_us as f64 * 1e-6;
        if now_us >= seconds * 1_000_000 {
            break;
        }
        board.advance(now_us, &mut sent);
        if now_us < asleep_until_us {
            continue;
        }
        arrived.clear();
        let is_pulling = core.is_pulling();
        cable.pass(
            &sent,
            |message| fate(at_s, is_pulling, message),
            &mut arrived,
        );
        sent.clear();
        let now = at(now_us, wall_jump_us);
        core.feed(now, &arrived, &mut out);
        core.tick(now, &mut out);
        act(&mut Moment {
            now_us,
            seconds: at_s,
            core: &mut core,
            board: &mut board,
            out: &mut out,
            asleep_until_us: &mut asleep_until_us,
            wall_jump_us: &mut wall_jump_us,
        });
        board.receive(&out.write);
        out.write.clear();
        out.records
            .drain(..)
            .for_each(|record| recorder.put(&record));
    }
    let end_us = seconds * 1_000_000;
    core.shut_down(at(end_us, wall_jump_us), &mut out);
    out.records
        .drain(..)
        .for_each(|record| recorder.put(&record));
}

fn entries(folder: &std::path::Path) -> (StoreReader, Vec<Entry>) {
    let reader = StoreReader::open(folder).unwrap();
    let filter = EventFilter::default();
    let entries = newest(&reader, &filter, 10_000, false).unwrap();
    (reader, entries)
}

/// From rest over pulls to rest again: starting, coming to rest and everything between.
#[test]
fn a_stand_without_faults_leaves_a_journal_without_faults() {
    for (seed, text) in [
        (1, DEMO_STAND.to_owned()),
        (2, DEMO_STAND.to_owned()),
        (3, stand_text().replace("8000 rpm", "9500 rpm")),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let mut recorder = Recorder::new(folder.path(), &text);
        let ride = (seed, 60, 2);
        run(
            &mut recorder,
            &text,
            ride,
            |_| {},
            |_| {},
            |_, _, _| Fate::Passes,
        );
        let (reader, entries) = entries(folder.path());
        let told: Vec<String> = entries
            .iter()
            .filter(|entry| entry.first.severity > Severity::Info)
            .map(|entry| format!("{} {:?}", entry.first.message, entry.first.channel))
            .collect();
        assert_eq!(told, [""; 0], "seed {seed}");
        assert!(entries.iter().any(|entry| entry.first.kind == "board"));
        assert_eq!(reader.pulls().unwrap().len(), 2, "seed {seed}");
    }
}

/// A kind that has to be in the journal: about what, how grave.
struct Wanted {
    kind: &'static str,
    about: Option<&'static str>,
    severity: Severity,
    /// Whether it touched a pull.
    in_pull: bool,
}

const fn wanted(kind: &'static str, about: &'static str, severity: Severity) -> Wanted {
    Wanted {
        kind,
        about: Some(about),
        severity,
        in_pull: false,
    }
}

/// Looks each one up, and gives them back.
fn look_up(reader: &StoreReader, entries: &[Entry], all: &[Wanted]) -> Vec<Entry> {
    let listed = || -> Vec<String> {
        let text = |e: &Entry| {
            format!(
                "{} {:?} {} × {}: {}",
                e.first.kind, e.first.channel, e.first.severity, e.count, e.first.message
            )
        };
        entries.iter().map(text).collect()
    };
    let mut found = Vec::new();
    for wanted in all {
        let kind = wanted.kind;
        let entry = entries
            .iter()
            .find(|entry| {
                entry.first.kind == kind
                    && entry.first.channel.as_deref() == wanted.about
                    && entry.first.pull.is_some() == wanted.in_pull
            })
            .unwrap_or_else(|| panic!("no {kind} among {:#?}", listed()));
        let event = &entry.first;
        assert_eq!(event.severity, wanted.severity, "{kind}");
        assert!(event.wall_us > WALL_US && event.mono_us > 0, "{kind}");
        let json = entry.json();
        assert!(json["check_first"].is_string(), "{kind}: {json}");
        let found_around = evidence(reader, event, None).unwrap().unwrap();
        assert!(found_around.tick.is_some(), "{kind}: no board time");
        assert!(found_around.tick_hz > 0 && found_around.bytes > 0, "{kind}");
        assert_eq!(found_around.gaps, [""; 0], "{kind}");
        let about = |channel: &str| wanted.about == Some(channel);
        let series: Vec<_> = found_around
            .series
            .iter()
            .filter(|series| about(&series.channel))
            .collect();
        let series = if series.is_empty() {
            found_around.series.iter().collect()
        } else {
            series
        };
        let times = || series.iter().flat_map(|it| &it.samples).map(|it| it.at_s);
        assert!(times().all(|at_s| at_s.abs() <= 2.0), "{kind}");
        assert!(times().any(|at_s| at_s < -1.5), "{kind}: nothing before");
        assert!(times().any(|at_s| at_s > 1.5), "{kind}: nothing after");
        found.push(entry.clone());
    }
    found
}

#[test]
fn faults_within_a_pull_are_told_with_the_pull_and_their_evidence() {
    let folder = tempfile::tempdir().unwrap();
    let text = stand_text();
    let mut recorder = Recorder::new(folder.path(), &text);
    let (mut frames, mut scans) = (0_u32, 0_u32);
    let mut pulled_until_s = f64::INFINITY;
    run(
        &mut recorder,
        &text,
        (4, 50, 1),
        |model| {
            let pickup = &mut model.pickups[0];
            pickup.missed_probability = 0.01;
            pickup.doubled_probability = 0.03;
            pickup.doubled_after_s = 1e-3;
        },
        |moment| {
            // The engine is switched off, so that everything comes to rest.
            if moment.seconds > 25.0 {
                moment.board.ride(None);
                moment.board.throttle(0.0);
                moment.board.ignition(false);
            }
        },
        |at_s, is_pulling, message| {
            if is_pulling {
                frames += 1;
                pulled_until_s = at_s;
            }
            match message {
                // A scan in twenty has one value far off.
                BoardMessage::Analog(scan) if is_pulling => {
                    let mut counts: Vec<i16> = scan.counts().collect();
                    scans += 1;
                    if scans % 20 == 10 {
                        counts[1] += 500;
                    }
                    Fate::Scan(counts)
                }
                BoardMessage::Status(_) if is_pulling && frames.is_multiple_of(7) => Fate::Lost,
                BoardMessage::Status(_) if is_pulling && frames % 7 == 1 => Fate::Damaged,
                // From the pull on something leans on the arm: 2.5 N, more than half a per cent of
                // the 60 N that the pull brought.
                BoardMessage::Force { counts, .. } if at_s > pulled_until_s + 0.5 => {
                    Fate::Counts(counts + 5_000)
                }
                _ => Fate::Passes,
            }
        },
    );
    let (reader, entries) = entries(folder.path());
    let in_pull = |wanted: Wanted| Wanted {
        in_pull: true,
        ..wanted
    };
    let found = look_up(
        &reader,
        &entries,
        &[
            in_pull(wanted("missed teeth", "pickup 0", Severity::Warning)),
            in_pull(wanted("extra edges", "pickup 0", Severity::Warning)),
            in_pull(wanted("frames lost", "link", Severity::Error)),
            in_pull(wanted("damaged bytes", "link", Severity::Error)),
            in_pull(wanted("noise spike", "barometer", Severity::Warning)),
            in_pull(wanted(
                "guard tripped",
                "engine near its limit",
                Severity::Warning,
            )),
            wanted("zero drift", "load cell", Severity::Warning),
        ],
    );
    // Repeats are one entry, with all of them counted.
    for kind in ["missed teeth", "extra edges", "noise spike"] {
        let entry = found.iter().find(|e| e.first.kind == kind).unwrap();
        assert!(entry.count > 1, "{kind}: {}", entry.count);
        let rows = entries.iter().filter(|e| e.first.kind == kind);
        assert!(rows.count() <= 3, "{kind} is not folded");
    }
    // The spikes are in the evidence as the board's own counts.
    let spike = found
        .iter()
        .find(|e| e.first.kind == "noise spike")
        .unwrap();
    let around = evidence(&reader, &spike.first, None).unwrap().unwrap();
    let barometer = around.series.iter().find(|s| s.channel == "barometer");
    let counts: Vec<i32> = barometer
        .unwrap()
        .samples
        .iter()
        .filter_map(|sample| sample.counts)
        .collect();
    let (low, high) = (counts.iter().min().unwrap(), counts.iter().max().unwrap());
    assert!(high - low > 400, "{low} to {high}");
    // An empty filter and one that names pull and channel.
    let pull = spike.first.pull;
    let filter = EventFilter {
        pull,
        channel: Some("barometer".to_owned()),
        ..EventFilter::default()
    };
    let of_barometer = newest(&reader, &filter, 100, false).unwrap();
    assert!(!of_barometer.is_empty());
    assert!(of_barometer.iter().all(
        |entry| entry.first.pull == pull && entry.first.channel.as_deref() == Some("barometer")
    ));
}

/// Noise of a few counts for a sensor that has none of its own here.
fn restless(scan: i64) -> i16 {
    // No pattern that a mean could follow.
    i16::try_from((scan * 7_919 + scan * scan * 104_729).rem_euclid(11)).unwrap() - 5
}

#[test]
fn faults_of_sensors_link_and_computer_are_told_with_their_evidence() {
    let folder = tempfile::tempdir().unwrap();
    let text = stand_text();
    let mut recorder = Recorder::new(folder.path(), &text);
    let mut done = 0;
    let mut frozen = None;
    let mut scans = 0;
    run(
        &mut recorder,
        &text,
        (5, 60, 0),
        |_| {},
        |moment| {
            let due = [20.0, 25.0, 30.0, 40.0];
            if due.get(done).is_none_or(|at_s| moment.seconds < *at_s) {
                return;
            }
            let now = Now::new(
                moment.now_us,
                WALL_US + moment.now_us.cast_signed() + *moment.wall_jump_us,
            );
            match done {
                0 => *moment.asleep_until_us = moment.now_us + 700_000,
                1 => *moment.wall_jump_us = 3_600_000_000,
                2 => {
                    let reason = "smoke".to_owned();
                    let cut = Command::Cut { reason };
                    moment.core.command(now, &cut, moment.out).unwrap();
                }
                _ => moment.board.restart_board(Restart::PowerOn),
            }
            done += 1;
        },
        |at_s, _, message| match message {
            BoardMessage::Temperature { channel: 0, .. } if (12.0..15.0).contains(&at_s) => {
                Fate::Counts(TEMPERATURE_UNREADABLE)
            }
            BoardMessage::Analog(scan) => {
                let mut counts: Vec<i16> = scan.counts().collect();
                // The intake's sensor freezes for eight seconds.
                let value = counts[2].saturating_add(restless(scans));
                scans += 1;
                counts[2] = if (8.0..16.0).contains(&at_s) {
                    *frozen.get_or_insert(value)
                } else {
                    value
                };
                if (17.0..17.5).contains(&at_s) {
                    counts[3] = i16::MAX;
                }
                Fate::Scan(counts)
            }
            _ => Fate::Passes,
        },
    );
    let (reader, entries) = entries(folder.path());
    let all = [
        wanted("sensor stuck", "intake air", Severity::Warning),
        wanted("open thermocouple", "cylinder head", Severity::Error),
        wanted("sensor clipped", "humidity", Severity::Warning),
        wanted("heartbeat late", "link", Severity::Warning),
        wanted("clock jump", "clock", Severity::Warning),
        Wanted {
            about: None,
            ..wanted("cut", "", Severity::Cut)
        },
        // What comes after it belongs to another connection, and is shown all the same.
        Wanted {
            about: None,
            ..wanted("board restart", "", Severity::Error)
        },
    ];
    let found = look_up(&reader, &entries, &all);
    for (entry, at_s) in found.iter().zip([13.0, 12.2, 17.0, 20.7, 25.0, 30.0, 40.0]) {
        let told_s = entry.first.mono_us as f64 * 1e-6;
        let kind = &entry.first.kind;
        assert!((told_s - at_s).abs() < 1.5, "{kind} at {told_s} s");
    }
    assert!(found[3].first.data["gap_ms"].as_u64().unwrap() >= 700);
    assert_eq!(found[4].first.data["jump_ms"], 3_600_000);

    // A person looks at one of them; the day says how many nobody has looked at.
    let zone = TimeZone::UTC;
    let pulls = reader.pulls().unwrap();
    let not_looked_at = |reader: &StoreReader| -> u64 {
        let days = days(&faults(reader, None).unwrap(), &pulls, &zone);
        days.values().map(|day| day.not_looked_at).sum()
    };
    let before = not_looked_at(&reader);
    let look = Acknowledgement {
        wall_us: WALL_US,
        note: "plug was loose".to_owned(),
    };
    recorder
        .store
        .acknowledge(found[1].first.id, &look)
        .unwrap();
    let reader = StoreReader::open(folder.path()).unwrap();
    assert_eq!(not_looked_at(&reader), before - 1);
    let days = days(&faults(&reader, None).unwrap(), &pulls, &zone);
    assert_eq!(days.values().map(|day| day.cuts).sum::<u64>(), 1);
    let kinds: Vec<&str> = days
        .values()
        .flat_map(|day| &day.kinds)
        .map(|(kind, _)| kind.as_str())
        .collect();
    assert!(kinds.contains(&"open thermocouple") && kinds.contains(&"sensor stuck"));

    // And each channel has its history.
    let names = channel_names(&leverarm_config::parse("demo.toml", &text).unwrap());
    let connections = reader.connections().unwrap();
    let of_all = faults(&reader, None).unwrap();
    let history = health(&names, &of_all, &connections, &zone, WALL_US);
    let trend = |name: &str| history.iter().find(|h| h.channel == name).unwrap().trend;
    assert_eq!(trend("barometer"), Trend::Healthy);
    assert_eq!(trend("pickup 0"), Trend::Healthy);
    assert_ne!(trend("humidity"), Trend::Healthy);
    assert_ne!(trend("intake air"), Trend::Healthy);
}
