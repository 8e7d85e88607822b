//! Points made from a store: the same wherever a reader begins, and every sample in one of them.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod shared;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use leverarm::export::{self, Values};
use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm::stream::{Batch, Feed, Range};
use leverarm_analysis::engine::engine_pull;
use leverarm_analysis::reduction::{CurveChoice, record_pull, reduce_pull};
use leverarm_analysis::replay::Recording;
use leverarm_config::{ChannelId, Signal, Source, Stand, StreamApi, StreamDestination};
use leverarm_live::{Core, Now, Output};
use leverarm_software_stand::SoftwareStand;
use leverarm_store::{ChunkId, ChunkRange, Cursor, PullRecord, PullState, StoreReader};
use leverarm_values::CalibratedStand;

use shared::Recorder;

const WALL_US: i64 = 1_795_600_000_000_000;

fn stand() -> Stand {
    leverarm_config::parse("demo.toml", DEMO_STAND).unwrap()
}

fn destination(rate_hz: f64) -> StreamDestination {
    StreamDestination {
        name: "test".to_owned(),
        url: "http://127.0.0.1:1/".to_owned(),
        api: StreamApi::V2 {
            org: String::new(),
            bucket: "b".to_owned(),
            token: None,
        },
        rate_hz,
        stand: "shed".to_owned(),
    }
}

/// Records a stretch of the simulated stand. Its daemon is killed at the end, with `kill` in the
/// midst of everything, else stops.
fn run(recorder: &mut Recorder, begin_us: u64, seconds: u64, pulls: u32, kill: bool) {
    run_stand(stand(), recorder, begin_us, seconds, pulls, kill);
}

fn run_stand(
    stand: Stand,
    recorder: &mut Recorder,
    begin_us: u64,
    seconds: u64,
    pulls: u32,
    kill: bool,
) {
    let mut board = SoftwareStand::new(model_of(&stand), begin_us).unwrap();
    board.ride(Some(script_of(&stand, pulls)));
    let mut core = Core::new(stand);
    let mut out = Output::default();
    let mut bytes = Vec::new();
    let at = |us: u64| Now::new(us, WALL_US + begin_us.cast_signed() + us.cast_signed());
    core.port_opened(at(1000), "simulated", &mut out);
    for step in 1..seconds * 200 {
        let now = at(step * 5000);
        bytes.clear();
        board.advance(now.mono_us, &mut bytes);
        core.feed(now, &bytes, &mut out);
        core.tick(now, &mut out);
        board.receive(&out.write);
        out.write.clear();
        out.records
            .drain(..)
            .for_each(|record| recorder.put(&record));
    }
    if !kill {
        core.shut_down(at(seconds * 1_000_000), &mut out);
        out.records
            .drain(..)
            .for_each(|record| recorder.put(&record));
    }
}

/// Two runs of the daemon; the first ends with a kill.
fn recorded() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut recorder = Recorder::new(folder.path(), DEMO_STAND);
    run(&mut recorder, 0, 30, 1, true);
    drop(recorder);
    let mut recorder = Recorder::new(folder.path(), DEMO_STAND);
    run(&mut recorder, 60_000_000, 20, 1, false);
    folder
}

fn feed(folder: &Path, rate_hz: f64, range: Range) -> Feed {
    let reader = StoreReader::open(folder).unwrap();
    Feed::new(reader, destination(rate_hz), stand(), range)
}

fn batches(mut feed: Feed) -> Vec<Batch> {
    std::iter::from_fn(|| feed.next_batch().unwrap()).collect()
}

fn lines(folder: &Path, after: Cursor) -> Vec<String> {
    let batches = batches(feed(folder, 20.0, Range::after(after)));
    batches.into_iter().flat_map(|batch| batch.lines).collect()
}

fn is_live(line: &str) -> bool {
    line.contains(",connection=")
}

#[test]
fn a_reader_that_begins_anywhere_makes_the_same_points() {
    let folder = recorded();
    let reader = StoreReader::open(folder.path()).unwrap();
    let newest = reader.newest().unwrap();
    assert!(newest.chunk.get() > 70, "{newest:?}");
    let all = lines(folder.path(), Cursor::START);
    let live: Vec<&String> = all.iter().filter(|line| is_live(line)).collect();
    let mut before = live.clone();
    let mut handed_out = 0;
    for chunk in 0..=newest.chunk.get() {
        let after = Cursor {
            chunk: ChunkId::new(chunk),
            ..newest
        };
        let rest = lines(folder.path(), after);
        // Nothing but a shorter end of the same lines.
        let cut = before.len() - rest.len();
        assert!(
            before[cut..]
                .iter()
                .zip(&rest)
                .all(|(one, other)| *one == other),
            "{chunk}"
        );
        handed_out += cut;
        before.drain(..cut);
    }
    // What a reader that saw everything sends once more are the last windows of a connection that
    // ended, at most.
    assert!(before.len() < 60, "{}", before.len());
    assert_eq!(handed_out + before.len(), live.len());
}

#[test]
fn batches_end_where_their_cursors_say() {
    let folder = recorded();
    let all = lines(folder.path(), Cursor::START);
    let mut so_far: Vec<String> = Vec::new();
    let made = batches(feed(folder.path(), 20.0, Range::after(Cursor::START)));
    assert!(made.len() > 2, "{}", made.len());
    for batch in made {
        so_far.extend(batch.lines);
        let mut whole = so_far.clone();
        whole.extend(lines(folder.path(), batch.cursor));
        // The last windows of a connection that ended may come again: they replace themselves.
        whole.sort_unstable();
        whole.dedup();
        let mut expected = all.clone();
        expected.sort_unstable();
        assert!(whole == expected, "after {:?}", batch.cursor);
    }
}

#[test]
fn a_part_by_time_is_a_part_of_the_whole() {
    let folder = recorded();
    let reader = StoreReader::open(folder.path()).unwrap();
    let all = lines(folder.path(), Cursor::START);
    let time = |line: &String| -> i64 { line.rsplit_once(' ').unwrap().1.parse().unwrap() };
    for (since_s, until_s) in [(5, 12), (25, 65), (61, 75), (31, 59)] {
        let at = |seconds: i64| WALL_US + seconds * 1_000_000;
        let range = Range::between(&reader, at(since_s), at(until_s)).unwrap();
        let part = batches(feed(folder.path(), 20.0, range));
        let mut part: Vec<String> = part.into_iter().flat_map(|batch| batch.lines).collect();
        part.retain(|line| is_live(line));
        part.sort_unstable();
        let mut expected: Vec<String> = all
            .iter()
            .filter(|line| is_live(line))
            .filter(|line| (at(since_s) * 1000..at(until_s) * 1000).contains(&time(line)))
            .cloned()
            .collect();
        expected.sort_unstable();
        assert_eq!(part, expected, "{since_s} to {until_s}");
        assert_eq!(expected.is_empty(), since_s == 31);
    }
}

/// Samples and lost ones of each channel, summed over its points.
fn counted(lines: &[String]) -> BTreeMap<String, u64> {
    let mut counted = BTreeMap::new();
    for line in lines.iter().filter(|line| is_live(line)) {
        let (_, rest) = line.split_once("channel=").unwrap();
        let channel = rest
            .split(",connection")
            .next()
            .unwrap()
            .replace("\\ ", " ");
        let number = |field: &str| -> u64 {
            let (_, rest) = line.split_once(field).unwrap();
            rest.split('i').next().unwrap().parse().unwrap()
        };
        *counted.entry(channel).or_default() += number("samples=") + number("lost=");
    }
    counted
}

/// Against the same bytes, decoded for curves.
#[test]
fn every_sample_is_in_one_point() {
    let folder = recorded();
    let reader = StoreReader::open(folder.path()).unwrap();
    let found = counted(&lines(folder.path(), Cursor::START));
    let stand = stand();
    let of = Arc::new(CalibratedStand::uncalibrated(stand.clone()));
    let mut expected: BTreeMap<String, u64> = BTreeMap::new();
    for connection in reader.connections().unwrap() {
        let chunks = reader.chunks(connection.id, &ChunkRange::All).unwrap();
        let recording = Recording::of_chunks(&chunks, connection.hello.unwrap().tick_hz, Some(&of));
        for (index, channel) in stand.channels.iter().enumerate() {
            let samples = recording.values_of(Signal::Channel(ChannelId(index))).len();
            *expected.entry(channel.name.clone()).or_default() += samples as u64;
        }
    }
    assert!(expected.values().all(|count| *count > 200), "{expected:?}");
    for (channel, count) in &expected {
        assert_eq!(found.get(channel), Some(count), "{channel}");
    }
    // A speed with nearly every tooth, once the first turn is over.
    assert!(found["drum speed"] > 1000, "{found:?}");
    assert!(matches!(stand.channels[0].source, Source::Temperature(_)));
}

#[test]
fn a_damaged_chunk_costs_its_own_points_only() {
    let folder = recorded();
    let whole = lines(folder.path(), Cursor::START);
    let database = rusqlite::Connection::open(folder.path().join("leverarm.sqlite")).unwrap();
    database
        .execute(
            "UPDATE chunks SET checksum = checksum + 1 WHERE id = 20",
            [],
        )
        .unwrap();
    let rest = lines(folder.path(), Cursor::START);
    let live = |lines: &[String]| lines.iter().filter(|line| is_live(line)).count();
    let lost = live(&whole) - live(&rest);
    // Half a second, and what straddles its ends, at 20 Hz of all series, which come at most so often.
    let series: BTreeSet<&str> = whole
        .iter()
        .filter(|line| is_live(line))
        .filter_map(|line| line.split_once(' '))
        .map(|(series, _)| series)
        .collect();
    assert!(
        (20..=12 * series.len()).contains(&lost),
        "{lost} of {}, {} series",
        live(&whole),
        series.len()
    );
}

#[test]
fn a_pull_is_one_point_and_its_whole_curve() {
    let folder = recorded();
    let all = lines(folder.path(), Cursor::START);
    let of = |name: &str| {
        let begin = format!("{name},");
        all.iter().filter(move |line| line.starts_with(&begin))
    };
    let reader = StoreReader::open(folder.path()).unwrap();
    let pulls = reader.pulls().unwrap();
    assert!(pulls.iter().any(|pull| pull.state == PullState::Stored));
    assert_eq!(of("leverarm_pull").count(), pulls.len());
    for pull in pulls {
        let tag = format!("pull={}", pull.id);
        let reduced = reduce_pull(&reader, pull.id, CurveChoice::default());
        let points = reduced.map_or(0, |reduced| reduced.curve.points.len());
        let mut times: Vec<i64> = of("leverarm_curve")
            .filter(|line| line.contains(&tag))
            .map(|line| line.rsplit_once(' ').unwrap().1.parse().unwrap())
            .collect();
        assert_eq!(times.len(), points);
        times.dedup();
        assert_eq!(times.len(), points);
        // Where the live points of the same moments are.
        let begin = pull.started_wall_us * 1000;
        let span = begin - 5_000_000_000..begin + 10_000_000_000;
        assert!(
            times.iter().all(|time| span.contains(time)),
            "{times:?} {begin}"
        );
    }
}

/// Fields of a pull's curve points, in order.
fn curve_fields(lines: &[String], pull: &PullRecord) -> Vec<BTreeMap<String, f64>> {
    let tag = format!(",pull={},", pull.id);
    let points = lines
        .iter()
        .filter(|line| line.starts_with("leverarm_curve,") && line.contains(&tag));
    let fields = points.map(|line| {
        let fields = line.split(' ').nth(1).unwrap().split(',');
        let fields = fields.map(|field| field.split_once('=').unwrap());
        fields
            .filter_map(|(key, value)| Some((key.to_owned(), value.parse().ok()?)))
            .collect()
    });
    fields.collect()
}

/// A curve's points carry the figures that an export of the pull has, each with its unit and its
/// uncertainty, and none that the pull has not.
#[test]
fn curve_points_carry_the_engines_figures() {
    let folder = recorded();
    let all = lines(folder.path(), Cursor::START);
    let reader = StoreReader::open(folder.path()).unwrap();
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    for pull in reader.pulls().unwrap() {
        if pull.state != PullState::Stored {
            continue;
        }
        let reduced = reduce_pull(&reader, pull.id, CurveChoice::default()).unwrap();
        let (_, recording) = record_pull(&reader, &pull).unwrap();
        let engine = engine_pull(&reduced, &recording);
        let table = export::reduced(&reduced, Some(&engine));
        let column = |name: &str| -> &[f64] {
            let column = table.columns.iter().find(|column| column.name == name);
            match &column.unwrap().values {
                Values::Number(values) => values,
                other => panic!("{name}: {other:?}"),
            }
        };
        let fields = curve_fields(&all, &pull);
        assert_eq!(fields.len(), column("rpm").len());
        for (name, unit) in [
            ("bmep", "_pa"),
            ("volumetric_efficiency", ""),
            ("air", "_kg_per_s"),
            ("air_at_standard", "_kg_per_s"),
            ("fuel", "_kg_per_s"),
            ("lambda_of_sensor", ""),
            ("lambda_of_flows", ""),
            ("bsfc", "_kg_per_j"),
            ("bsac", "_kg_per_j"),
            ("thermal_efficiency", ""),
            ("depression", "_pa"),
        ] {
            for (of_export, of_stream) in [
                (name.to_owned(), format!("{name}{unit}")),
                (
                    format!("{name}_expanded_uncertainty"),
                    format!("{name}_uncertainty_95{unit}"),
                ),
            ] {
                for (point, expected) in fields.iter().zip(column(&of_export)) {
                    let found = point.get(&of_stream).copied();
                    assert_eq!(
                        found,
                        expected.is_finite().then_some(*expected),
                        "{of_stream}"
                    );
                    *seen.entry(of_stream.clone()).or_default() += usize::from(found.is_some());
                }
            }
        }
        // The curve's own six numbers, and nothing that was not looked at.
        assert!(
            fields
                .iter()
                .all(|point| { point.keys().filter(|key| !seen.contains_key(*key)).count() == 6 })
        );
    }
    assert_eq!(seen.len(), 22);
    assert!(seen.values().all(|count| *count > 30), "{seen:?}");
}

/// A stand that says nothing of its engine streams curves without its figures.
#[test]
fn without_an_engines_channels_a_curve_has_its_own_fields_only() {
    let about_engine = [
        "displacement",
        "bore",
        "stroke",
        "measures",
        "delay",
        "pipe_volume",
        "settling_volume",
    ];
    let lines_kept = DEMO_STAND.lines().filter(|line| {
        let key = line.split(' ').next().unwrap();
        !about_engine.contains(&key)
    });
    let text = lines_kept.collect::<Vec<_>>().join("\n");
    let stand = leverarm_config::parse("demo.toml", &text).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut recorder = Recorder::new(folder.path(), &text);
    run_stand(stand, &mut recorder, 0, 20, 1, false);
    let all = lines(folder.path(), Cursor::START);
    let pulls = recorder.store.reader().unwrap().pulls().unwrap();
    let fields = curve_fields(&all, &pulls[0]);
    assert!(fields.len() > 30);
    assert!(fields.iter().all(|point| point.len() == 6), "{fields:?}");
}
