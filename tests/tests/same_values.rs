//! One way from bytes to values: for random stands, calibrations and byte logs, the live page, the
//! replayed bytes, the stream, the journal's evidence and the export tell the same, to the last bit.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::sync::Arc;

use leverarm::export::{self, Values};
use leverarm::service::{Belongs, RecordKeeper};
use leverarm::stream::{Feed, Range};
use leverarm_analysis::journal::evidence;
use leverarm_analysis::reduction::record_pull;
use leverarm_analysis::replay::Recording;
use leverarm_config::{ChannelId, Signal, Stand, StreamApi, StreamDestination};
use leverarm_live::{Core, Now, Output};
use leverarm_protocol::{
    Analog, BoardMessage, Channel, ChannelKind, FrameWriter, Hello, TEMPERATURE_UNREADABLE, Teeth,
};
use leverarm_store::{
    Cursor, EventFilter, NewCalibration, NewEvent, NewPull, PullEnd, Store, StoreReader,
};
use leverarm_torque::calibration::load_cell::{Curve, Direction, LoadPoint};
use leverarm_torque::uncertainty::{Assessed, Measured};
use leverarm_values::calibration::{Calibration, LoadCellCalibration, Tare};
use leverarm_values::{CalibratedStand, Sample};
use leverarm_vocabulary::{Event, EventKind};

const TICK_HZ: u32 = 1_000_000;
const WALL_US: i64 = 1_790_000_000_000_000;
/// Samples of one signal are further apart than the stream's windows.
const STEP_US: u64 = 2_500;
const MESSAGES: u64 = 1_400;

fn stand_text(random: &mut fastrand::Rng) -> String {
    let pick =
        |random: &mut fastrand::Rng, texts: &[&str]| texts[random.usize(..texts.len())].to_owned();
    let units = pick(random, &["si", "us"]);
    let kind = pick(random, &["inertia", "both"]);
    let on = pick(random, &["drum", "engine"]);
    let sign = pick(random, &["+", "-"]);
    let per_count = 1e-4 * (1.0 + 9.0 * random.f64());
    let zero = random.i32(-20_000..20_000);
    let ratio = 2.0 + 6.0 * random.f64();
    let oil = pick(
        random,
        &[
            "law = \"linear\"\nper_count = \"0.0625 degC/count\"\nat_zero = \"0 degC\"",
            "law = \"linear\"\nper_count = \"0.1 degF/count\"\nat_zero = \"30 degF\"\nexpected = [\"20 degF\", \"150 degF\"]",
        ],
    );
    let expected = pick(random, &["", "expected = [\"-20 degC\", \"300 degC\"]"]);
    format!(
        r#"
[stand]
name = "same values"
kind = "{kind}"
[display]
units = "{units}"
[engine]
name = "140 cc single"
displacement = "140 cc"
inertia = "0.006 kg*m^2"
strokes = "four"
[port]
path = "/dev/test"
[drum]
inertia = "1.2 +/- 0.01 kg*m^2"
[[pickup]]
channel = 0
on = "drum"
teeth = 1
[drive]
ratio = {ratio}
[load_cell]
channel = 0
on = "{on}"
per_count = "{per_count} N/count"
zero_counts = {zero}
arm = "250 mm"
sign = "{sign}"
[[channel]]
name = "head"
source = "temperature 0"
law = "thermocouple k"
per_count = "7.8125 uV/count"
cold_junction = "air"
{expected}
[[channel]]
name = "air"
source = "temperature 1"
law = "linear"
per_count = "0.0078125 degC/count"
at_zero = "0 degC"
expected = ["-20 degC", "60 degC"]
[[channel]]
name = "oil"
source = "temperature 2"
{oil}
[[channel]]
name = "throttle"
source = "analog 3"
law = "linear"
per_count = "0.00025 1/count"
at_zero = 0
[pull]
start_speed = "3000 rpm"
end_speed = "9000 rpm"
[air]
pressure = "986 hPa"
temperature = "28 degC"
humidity = "55 %"
correction = "iso1585"
[[guard]]
kind = "overspeed"
on = "drum speed"
limit = "1700 rpm"
action = "cut"
"#
    )
}

/// Calibrations of the load cell: none, a tare, a scale that is straight or bent, or both.
fn calibration(random: &mut fastrand::Rng) -> Calibration {
    let mut calibration = Calibration::default();
    if random.bool() {
        let bent = random.bool();
        let (slope, bend) = (
            2_000.0 + 2_000.0 * random.f64(),
            if bent { 0.05 } else { 0.0 },
        );
        let loads = [0.0, 50.0, 100.0, 150.0, 200.0, 250.0];
        let points = loads.map(|load| {
            LoadPoint::new(
                load,
                (500.0 + slope * load + bend * load * load + 5.0 * random.f64()).round(),
                Direction::Loading,
            )
        });
        calibration.load_cell = Some(LoadCellCalibration {
            made_wall_us: 0,
            channel: 0,
            curve: if bent {
                Curve::Quadratic
            } else {
                Curve::Linear
            },
            points: points.to_vec(),
            load_relative_uncertainty: 1e-4,
            creep: None,
            coefficients: Vec::new(),
            standard_errors: Vec::new(),
            zero_counts: None,
            span_n: 250.0,
            non_linearity_n: 0.0,
            hysteresis_n: None,
            zero_return_n: None,
        });
    }
    if random.bool() {
        let zero = f64::from(random.i32(-30_000..30_000));
        calibration.tare = Some(Tare {
            made_wall_us: 0,
            channel: 0,
            zero_counts: Assessed::type_a(Measured::new(zero, 3.0), 20.0),
            seconds: 3.0,
        });
    }
    calibration
}

/// A frame of something, sent at a tick; one sample a frame, so that each can be seen live.
fn frame(
    random: &mut fastrand::Rng,
    writer: &mut FrameWriter,
    tick: u32,
    tooth: &mut u32,
) -> Vec<u8> {
    let temperature = |channel, counts| BoardMessage::Temperature { channel, counts };
    let analog = random.i16(-100..4_200).to_le_bytes();
    let message = match (tick / 2_500) % 7 {
        0 => BoardMessage::Force {
            channel: 0,
            counts: random.i32(-900_000..900_000),
        },
        1 if random.f64() < 0.1 => temperature(0, TEMPERATURE_UNREADABLE),
        1 => temperature(0, random.i32(-500..3_000)),
        2 if random.f64() < 0.05 => temperature(1, TEMPERATURE_UNREADABLE),
        2 => temperature(1, random.i32(-1_000..9_000)),
        3 => temperature(2, random.i32(-200..2_000)),
        4 => BoardMessage::Analog(Analog {
            first_channel: 3,
            counts: &[analog],
        }),
        _ => {
            *tooth += 1;
            BoardMessage::Teeth(Teeth {
                pickup: 0,
                first_tooth: *tooth,
                deltas: &[],
            })
        }
    };
    writer.write(tick, &message).unwrap().to_vec()
}

fn destination() -> StreamDestination {
    StreamDestination {
        name: "test".to_owned(),
        url: "http://127.0.0.1:1/".to_owned(),
        api: StreamApi::V2 {
            org: String::new(),
            bucket: "b".to_owned(),
            token: None,
        },
        rate_hz: 100.0,
        stand: "shed".to_owned(),
    }
}

/// A signal's samples: counts, and the value where it is believable.
type Told = Vec<(Option<i32>, Option<u64>)>;

fn bits(si: Option<f64>) -> Option<u64> {
    si.map(f64::to_bits)
}

struct Case {
    stand: Stand,
    of: Arc<CalibratedStand>,
    folder: tempfile::TempDir,
    /// What the live page showed after each sample: signal, value where believable, SI.
    live: Vec<(Signal, Option<f64>)>,
    log: Vec<u8>,
}

/// Runs the live core over a random log, into a store.
fn run(seed: u64) -> Case {
    let mut random = fastrand::Rng::with_seed(seed);
    let text = stand_text(&mut random);
    let stand =
        leverarm_config::parse("stand.toml", &text).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let calibration = calibration(&mut random);
    let of = Arc::new(CalibratedStand::new(stand.clone(), &calibration));

    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    let hash = store
        .add_calibration(&NewCalibration {
            wall_us: WALL_US - 1,
            part: "tare".to_owned(),
            json: serde_json::to_string(&calibration).unwrap(),
            summary: "a test".to_owned(),
        })
        .unwrap();
    let belongs = Belongs::new(store.put_stand(&text).unwrap(), hash);
    let mut keeper = RecordKeeper::new(belongs.clone());
    let mut core = Core::new(stand.clone());
    core.calibrated(Arc::clone(&of));

    let at = |us: u64| Now::new(us, WALL_US + us.cast_signed());
    let mut out = Output::default();
    let mut writer = FrameWriter::new();
    let channel = |kind, number, rate_hz| Channel::new(kind, number, rate_hz).to_bytes();
    // At one a second the force is shown as it comes, without its low-pass.
    let channels = [
        channel(ChannelKind::Teeth, 0, 0),
        channel(ChannelKind::Force, 0, 1),
        channel(ChannelKind::Temperature, 0, 10),
        channel(ChannelKind::Temperature, 1, 10),
        channel(ChannelKind::Temperature, 2, 10),
        channel(ChannelKind::Analog, 3, 10),
    ];
    let hello = BoardMessage::Hello(Hello {
        board_id: 7,
        boot: 1,
        firmware: [1, 0, 0],
        tick_hz: TICK_HZ,
        channels: &channels,
    });
    core.port_opened(at(1_000), "simulated", &mut out);
    let mut log = writer.write(1_000, &hello).unwrap().to_vec();
    core.feed(at(1_000), &log, &mut out);
    let mut live = Vec::new();
    let mut tooth = 0;
    for message in 1..=MESSAGES {
        let us = 1_000 + message * STEP_US;
        let tick = u32::try_from(us).unwrap();
        let bytes = frame(&mut random, &mut writer, tick, &mut tooth);
        log.extend_from_slice(&bytes);
        core.feed(at(us), &bytes, &mut out);
        core.tick(at(us), &mut out);
        let shown = core.live(at(us));
        live.push((Signal::LoadCell, shown.force_n));
        for (index, channel) in shown.channels.iter().enumerate() {
            live.push((Signal::Channel(ChannelId(index)), channel.value_si));
        }
        for record in out.records.drain(..) {
            keeper.keep(&mut store, &record).unwrap();
        }
    }
    let end_us = 1_000 + (MESSAGES + 1) * STEP_US;
    core.shut_down(at(end_us), &mut out);
    for record in out.records.drain(..) {
        keeper.keep(&mut store, &record).unwrap();
    }
    let reader = store.reader().unwrap();
    let connection = reader.connections().unwrap().pop().unwrap().id;
    let last = reader.chunk_seq_max(connection).unwrap().unwrap();
    let middle = at(end_us / 2);
    store
        .add_event(&NewEvent {
            connection: Some(connection),
            ..Event::new(middle, None, EventKind::NoiseSpike, "").into()
        })
        .unwrap();
    store
        .add_pull(&NewPull {
            started_wall_us: WALL_US,
            // Ticks count from anywhere: all of them.
            end: Some(PullEnd::stored(u64::from(u32::MAX) * 1_000, last)),
            ..NewPull::of(connection, belongs.stand, belongs.calibration)
        })
        .unwrap();
    Case {
        stand,
        of,
        folder,
        live,
        log,
    }
}

fn told(samples: &[Sample]) -> Told {
    let samples = samples.iter();
    samples
        .map(|sample| (sample.counts, bits(sample.value.good())))
        .collect()
}

/// The changes of a live value: what it showed, without what it went on showing.
fn shown(case: &Case, signal: Signal) -> Vec<Option<u64>> {
    let of_signal = case.live.iter().filter(|(of, _)| *of == signal);
    let mut shown: Vec<Option<u64>> = of_signal.map(|(_, si)| bits(*si)).collect();
    shown.dedup();
    shown
}

fn streamed(reader: StoreReader, stand: Stand) -> Vec<String> {
    let mut feed = Feed::new(reader, destination(), stand, Range::after(Cursor::START));
    let mut lines = Vec::new();
    while let Some(batch) = feed.next_batch().unwrap() {
        lines.extend(batch.lines);
    }
    lines
}

/// Means of the points of a channel in the order of time.
fn means(lines: &[String], channel: &str) -> Vec<Option<u64>> {
    let tag = format!(",channel={},", channel.replace(' ', "\\ "));
    let mut points: Vec<(i64, Option<u64>)> = lines
        .iter()
        .filter(|line| line.contains(&tag) && line.contains("samples="))
        .map(|line| {
            let (rest, time) = line.rsplit_once(' ').unwrap();
            let mut fields = rest.rsplit_once(' ').unwrap().1.split(',');
            let mean = fields.find(|field| field.starts_with("mean"));
            let mean = mean.map(|field| field.split_once('=').unwrap().1.parse::<f64>().unwrap());
            (time.parse().unwrap(), bits(mean))
        })
        .collect();
    points.sort_unstable();
    points.into_iter().map(|(_, mean)| mean).collect()
}

/// Fails with the first place where two lists differ.
fn assert_same<T: PartialEq + std::fmt::Debug>(found: &[T], expected: &[T], what: &str) {
    let different = found.iter().zip(expected).position(|(a, b)| a != b);
    let lengths = (found.len(), expected.len());
    if let Some(at) = different {
        panic!(
            "{what}: {:?}, expected {:?}, at {at} of {lengths:?}",
            found[at], expected[at]
        );
    }
    assert_eq!(found.len(), expected.len(), "{what}");
}

#[test]
fn live_replay_stream_evidence_and_export_are_the_same() {
    for seed in 1..=24 {
        let case = run(seed);
        let reader = StoreReader::open(case.folder.path()).unwrap();
        let plain = Recording::of_bytes(&case.log, Some(&case.of)).unwrap();
        let pull = reader.pulls().unwrap().pop().unwrap();
        let (stand, recording) = record_pull(&reader, &pull).unwrap();
        let event = reader
            .events(&EventFilter {
                kind: Some(EventKind::NoiseSpike.to_string()),
                ..EventFilter::default()
            })
            .unwrap()
            .pop()
            .unwrap();
        let evidence = evidence(&reader, &event, None).unwrap().unwrap();
        let tables = export::raw(&pull, &stand, &recording);
        let lines = streamed(
            StoreReader::open(case.folder.path()).unwrap(),
            case.stand.clone(),
        );

        let mut signals = vec![(Signal::LoadCell, "load cell", "force_0".to_owned())];
        for (index, channel) in case.stand.channels.iter().enumerate() {
            let signal = Signal::Channel(ChannelId(index));
            signals.push((signal, &channel.name, channel.name.clone()));
        }
        for (signal, name, table) in signals {
            let what = format!("seed {seed}, {name}");
            let replayed = told(plain.values_of(signal));
            assert!(replayed.len() >= 150, "{what}: {} samples", replayed.len());
            let values: Vec<Option<u64>> = replayed.iter().map(|(_, si)| *si).collect();

            assert_same(
                &told(recording.values_of(signal)),
                &replayed,
                &format!("{what}: of the store"),
            );

            let mut changes = vec![None];
            changes.extend(&values);
            changes.dedup();
            let mut live = vec![None];
            live.extend(shown(&case, signal));
            live.dedup();
            assert_same(&live, &changes, &format!("{what}: live"));

            let series = evidence
                .series
                .iter()
                .find(|series| series.channel == name)
                .unwrap();
            let seen: Told = series
                .samples
                .iter()
                .map(|sample| (sample.counts, bits(sample.value)))
                .collect();
            assert_same(&seen, &replayed, &format!("{what}: evidence"));

            assert_same(&means(&lines, name), &values, &format!("{what}: stream"));

            let table = tables
                .iter()
                .find(|it| it.name.ends_with(&format!(": {table}")))
                .unwrap();
            let column = |name: &str| {
                let mut columns = table.columns.iter();
                &columns.find(|column| column.name == name).unwrap().values
            };
            let (Values::Number(exported), Values::Whole(counts)) =
                (column("value"), column("counts"))
            else {
                panic!("{what}: columns of another kind");
            };
            let there = plain
                .values_of(signal)
                .iter()
                .filter(|it| it.counts.is_some());
            let expected: Vec<(i64, u64)> = there
                .map(|it| {
                    let si = it.value.si().unwrap_or(f64::NAN);
                    (i64::from(it.counts.unwrap()), si.to_bits())
                })
                .collect();
            let exported: Vec<(i64, u64)> = counts
                .iter()
                .copied()
                .zip(exported.iter().map(|si| si.to_bits()))
                .collect();
            assert_same(&exported, &expected, &format!("{what}: export"));
        }
        // Speeds have no counts: stream and evidence, whole turn by whole turn.
        for name in ["drum speed", "engine speed"] {
            let series = evidence
                .series
                .iter()
                .find(|series| series.channel == name)
                .unwrap();
            let seen: Vec<Option<u64>> = series.samples.iter().map(|s| bits(s.value)).collect();
            assert!(!seen.is_empty());
            assert!(
                means(&lines, name).len() * 3 > seen.len(),
                "seed {seed}, {name}"
            );
        }
    }
}
