//! What is watched in addition to teeth: relay, link, lost channels, limits that go with a speed.

use std::f64::consts::TAU;

use leverarm_live::{Command, CutLatch, Event};
use leverarm_software_stand::{
    AnalogChannel, AnalogSource, Interference, Pickup, Relay, Setup, Shaft, StandModel,
    TemperatureSource,
};
use leverarm_store::Severity;
use leverarm_tests::virtual_bench::VirtualBench;

/// The pit bike's stand: drum and engine pickup, losses as in the model.
const STAND: &str = concat!(
    include_str!("drum.toml"),
    r#"
[[channel]]
name = "air"
source = "temperature 1"
law = "linear"
per_count = "0.0078125 degC/count"
at_zero = "0 degC"
expected = ["-20 degC", "60 degC"]

[[channel]]
name = "head"
source = "temperature 0"
law = "thermocouple k"
per_count = "7.8125 uV/count"
cold_junction = "air"
expected = ["-20 degC", "400 degC"]

[[pickup]]
channel = 1
on = "engine"
teeth = 1

[[guard]]
name = "head too hot"
kind = "over-temperature"
on = "head"
limit = "230 degC"
action = "cut"
debounce = "300 ms"

[[guard]]
name = "board silent"
kind = "stale data"
on = "board"
limit = "500 ms"
action = "cut"
"#
);

const LIMIT_RAD_PER_S: f64 = 1_780.0 * TAU / 60.0;

struct Stand {
    bench: VirtualBench,
    _folder: tempfile::TempDir,
    events: Vec<Event>,
}

impl Stand {
    fn new(text: &str, model: StandModel) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let bench = VirtualBench::new(folder.path(), text, model).unwrap();
        let mut stand = Self {
            bench,
            _folder: folder,
            events: Vec::new(),
        };
        stand.wait(0.5);
        stand
    }

    fn wait(&mut self, seconds: f64) {
        self.bench.wait(seconds).unwrap();
        self.events.extend(self.bench.take_events());
    }

    /// Waits until it is so; how long that took, s.
    fn until(&mut self, seconds_max: f64, is_so: impl Fn(&mut VirtualBench) -> bool) -> f64 {
        let from_s = self.bench.stand().truth().time_s;
        while !is_so(&mut self.bench) {
            self.wait(0.005);
            let passed_s = self.bench.stand().truth().time_s - from_s;
            assert!(passed_s < seconds_max, "not within {seconds_max} s");
        }
        self.bench.stand().truth().time_s - from_s
    }

    fn throttle(&mut self, opening: f64) {
        let stand = self.bench.stand();
        stand.clutch(true);
        stand.throttle(opening);
    }

    /// Full throttle until the drum is so fast.
    fn run_up(&mut self, drum_rad_per_s: f64) {
        self.throttle(1.0);
        self.until(20.0, |bench| {
            bench.stand().truth().omega_drum_rad_per_s > drum_rad_per_s
        });
    }

    fn cut_by_hand(&mut self) {
        let reason = "a test".to_owned();
        self.command(&Command::Cut { reason });
        self.until(0.5, is_confirmed);
    }

    fn command(&mut self, command: &Command) {
        self.bench.command(command).unwrap().unwrap();
    }

    fn measures(&mut self, channel: usize, source: TemperatureSource) {
        self.bench.stand().temperature(channel, source);
    }

    fn told(&self, kind: &str) -> Vec<&Event> {
        self.events
            .iter()
            .filter(|event| event.kind.word() == kind)
            .collect()
    }
}

fn welded() -> StandModel {
    StandModel {
        relay: Relay::Welded,
        ..StandModel::pit_bike()
    }
}

fn is_confirmed(bench: &mut VirtualBench) -> bool {
    bench.live().cut.latch == CutLatch::Confirmed
}

fn is_alarmed(bench: &mut VirtualBench) -> bool {
    bench.live().alarm.is_some()
}

/// The stand file with one thing changed, which has to be there.
fn edited(text: &str, old: &str, new: &str) -> String {
    assert!(text.contains(old), "{old}");
    text.replacen(old, new, 1)
}

fn pickups(text: &str, model: &mut StandModel, drum: Option<u16>, engine: Option<u16>) -> String {
    let mut changed = text.to_owned();
    for (channel, on, before, after) in [(0, "drum", 8, drum), (1, "engine", 1, engine)] {
        let old = format!("[[pickup]]\nchannel = {channel}\non = \"{on}\"\nteeth = {before}\n");
        let new = after.map_or_else(String::new, |teeth| {
            format!("[[pickup]]\nchannel = {channel}\non = \"{on}\"\nteeth = {teeth}\n")
        });
        changed = edited(&changed, &old, &new);
        if let Some(teeth) = after {
            model.pickups[channel].teeth = teeth;
        }
    }
    changed
}

fn without_losses() -> String {
    let (before, rest) = STAND.split_once("[losses]").unwrap();
    let (_, after) = rest.split_once("[[channel]]").unwrap();
    format!("{before}[[channel]]{after}")
}

// The relay.

#[test]
fn a_welded_relay_at_full_throttle_is_told_within_half_a_second() {
    for (drum, engine) in [
        (Some(8), Some(1)),
        (Some(1), None),
        (Some(60), None),
        (Some(8), None),
    ] {
        for text in [STAND.to_owned(), without_losses()] {
            let mut model = welded();
            let text = pickups(&text, &mut model, drum, engine);
            let mut stand = Stand::new(&text, model);
            stand.throttle(1.0);
            stand.until(20.0, is_confirmed);
            let truth = stand.bench.stand().truth();
            assert!(truth.cut && truth.spark && truth.omega_drum_rad_per_s > LIMIT_RAD_PER_S);
            // Relay, last cycles and a quarter of a second of whole turns.
            let after_s = stand.until(2.0, is_alarmed);
            assert!(after_s < 0.5, "{drum:?}, {engine:?}: {after_s} s");
            let told = stand.told("still driven");
            assert_eq!(told.len(), 1, "{told:?}");
            assert_eq!(told[0].severity, Severity::Error);
            assert!(
                told[0].message.contains("use the emergency stop"),
                "{}",
                told[0].message
            );
            // And it stays, until the emergency stop lets the drum coast.
            stand.wait(0.5);
            assert!(is_alarmed(&mut stand.bench));
            stand.bench.stand().ignition(false);
            stand.wait(3.0);
            assert!(!is_alarmed(&mut stand.bench));
            assert_eq!(stand.told("still driven").len(), 2);
        }
    }
}

#[test]
fn a_welded_relay_is_told_from_any_speed_and_throttle() {
    for drum_rad_per_s in [30.0, 60.0, 120.0] {
        for (opening, longest_s) in [(1.0, 1.6), (0.4, 3.0)] {
            let model = welded();
            let mut stand = Stand::new(STAND, model);
            stand.run_up(drum_rad_per_s);
            stand.cut_by_hand();
            stand.throttle(opening);
            let after_s = stand.until(6.0, is_alarmed);
            assert!(
                after_s < longest_s,
                "{drum_rad_per_s}, {opening}: {after_s} s"
            );
        }
    }
}

#[test]
fn an_engine_that_idles_on_after_the_cut_is_told() {
    let model = welded();
    let mut stand = Stand::new(STAND, model);
    stand.run_up(100.0);
    stand.cut_by_hand();
    // The throttle closes: engine braking first, as any engine does, and then it keeps its idle.
    stand.throttle(0.0);
    stand.wait(1.0);
    assert!(!is_alarmed(&mut stand.bench));
    stand.until(20.0, is_alarmed);
    assert!(stand.bench.stand().truth().omega_engine_rad_per_s > 100.0);
    assert!(
        stand.told("still driven")[0]
            .message
            .contains("coasting it would lose")
    );
}

#[test]
fn with_the_engines_pickup_alone_a_welded_relay_is_told_too() {
    let mut model = welded();
    let text = pickups(STAND, &mut model, None, Some(1));
    let mut stand = Stand::new(&text, model);
    stand.run_up(90.0);
    stand.cut_by_hand();
    let after_s = stand.until(3.0, is_alarmed);
    assert!(after_s < 1.0, "{after_s} s");
}

#[test]
fn a_relay_that_opens_is_no_alarm() {
    let messy = Pickup {
        position_error_rms: 0.02,
        jitter_rms_s: 20e-6,
        missed_probability: 0.01,
        doubled_probability: 0.02,
        interference: Interference {
            bursts_per_s: 3.0,
            edges: 1,
            spacing_s: 60e-6,
            ..Interference::default()
        },
        ..Pickup::perfect(Shaft::Drum, 8)
    };
    let mut variants: Vec<(String, StandModel)> = Vec::new();
    for text in [STAND.to_owned(), without_losses()] {
        for (drum, engine) in [
            (Some(8), Some(1)),
            (Some(60), None),
            (Some(1), None),
            (None, Some(1)),
        ] {
            let mut model = StandModel::pit_bike();
            let text = pickups(&text, &mut model, drum, engine);
            variants.push((text.clone(), model.clone()));
            // One false edge in a turn of one tooth is an overspeed to anybody.
            if drum.is_some_and(|teeth| teeth > 1) {
                model.pickups[0] = Pickup {
                    teeth: model.pickups[0].teeth,
                    ..messy
                };
            }
            variants.push((text, model));
        }
    }
    for (number, (text, model)) in variants.into_iter().enumerate() {
        // A shaft that turns easily: what the file states are its losses when cold.
        let mut model = model;
        model.drum.losses.c0_nm *= 0.8;
        model.drum.losses.c1_nm_s *= 0.8;
        model.drum.losses.c2_nm_s2 *= 0.8;
        for cut_at in [25.0, 60.0, 150.0] {
            let mut stand = Stand::new(&text, model.clone());
            stand.run_up(cut_at);
            stand.cut_by_hand();
            // Throttle open or closed, clutch out and in again while the drum turns, a touch of the
            // brake: nothing of it drives the drum.
            stand.wait(1.5);
            stand.throttle(0.0);
            stand.bench.stand().clutch(false);
            stand.wait(3.0);
            stand.bench.stand().clutch(true);
            stand.wait(1.0);
            stand.bench.stand().brake(10.0);
            stand.wait(0.3);
            stand.bench.stand().brake(0.0);
            stand.bench.stand().clutch(false);
            stand.wait(8.0);
            let told = stand.told("still driven");
            assert!(
                told.is_empty(),
                "variant {number}, cut at {cut_at}: {told:?}"
            );
        }
    }
}

#[test]
fn a_flywheel_that_hands_on_its_energy_is_no_alarm() {
    // The clutch slips at the cut: the engine is far faster than the drum, and pulls it along.
    let mut stand = Stand::new(STAND, StandModel::pit_bike());
    stand.bench.stand().clutch(false);
    stand.bench.stand().throttle(1.0);
    stand.wait(0.6);
    stand.bench.stand().clutch(true);
    stand.wait(0.1);
    stand.cut_by_hand();
    stand.wait(6.0);
    assert!(stand.told("still driven").is_empty(), "{:?}", stand.events);
}

#[test]
fn a_brake_that_lets_go_is_no_alarm() {
    let text = edited(STAND, "kind = \"inertia\"", "kind = \"brake\"")
        + "\n[load_cell]\nchannel = 0\non = \"drum\"\nper_count = \"0.0005 N/count\"\nzero_counts = 8400\narm = \"250 mm\"\n";
    let mut stand = Stand::new(&text, StandModel::pit_bike());
    stand.throttle(1.0);
    stand.wait(1.0);
    for braked_nm in [20.0, 35.0, 45.0] {
        stand.bench.stand().brake(braked_nm);
        stand.wait(1.0);
    }
    stand.cut_by_hand();
    stand.wait(0.1);
    stand.bench.stand().brake(0.0);
    stand.wait(6.0);
    assert!(stand.told("still driven").is_empty());
}

#[test]
fn a_cut_by_the_board_alone_is_watched_as_well() {
    // The way here gets slower and slower: no heartbeat goes out, the board cuts by itself, and its
    // relay is welded.
    let text = edited(STAND, "limit = \"500 ms\"", "limit = \"5 s\"");
    let model = welded();
    let mut stand = Stand::new(&text, model);
    stand.run_up(30.0);
    stand.bench.grow_delay(0.1);
    stand.until(5.0, |bench| bench.stand().truth().cut);
    stand.bench.grow_delay(0.0);
    let after_s = stand.until(3.0, is_alarmed);
    // Beyond the delay of what is heard.
    assert!(after_s < 1.0 + 0.4, "{after_s} s");
    let board = stand.told("board cut");
    assert!(board[0].message.contains("no heartbeat"), "{board:?}");
}

// Channels that are lost.

#[test]
fn a_guard_that_cuts_cuts_when_its_channel_is_unreadable() {
    let mut stand = Stand::new(STAND, StandModel::pit_bike());
    assert_eq!(stand.bench.live().cut.latch, CutLatch::Running);
    stand.measures(0, TemperatureSource::Broken);
    let after_s = stand.until(1.0, is_confirmed);
    // Two samples, and the guard's debounce of 0.3 s.
    assert!((0.3..0.55).contains(&after_s), "{after_s} s");
    let told = stand.told("guard tripped");
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].severity, Severity::Cut);
    assert!(told[0].message.contains("can't see"), "{}", told[0].message);
    let cut_id = stand.bench.live().cut.cut_id.unwrap();
    let refused = stand.bench.command(&Command::Release { cut_id }).unwrap();
    assert!(refused.is_err(), "it still can't see");
    stand.measures(0, TemperatureSource::Head);
    stand.wait(1.0);
    stand.command(&Command::Release { cut_id });
    stand.wait(0.5);
    assert_eq!(stand.bench.live().cut.latch, CutLatch::Running);
}

#[test]
fn a_guard_that_cuts_cuts_when_samples_stop_at_any_rate() {
    for (rate_hz, least_s, most_s) in [(10, 0.65, 1.0), (1, 2.4, 4.6), (50, 0.5, 0.7)] {
        let mut model = StandModel::pit_bike();
        model.temperatures[0].rate_hz = rate_hz;
        let mut stand = Stand::new(STAND, model);
        stand.wait(6.0);
        assert_eq!(
            stand.bench.live().cut.latch,
            CutLatch::Running,
            "{rate_hz} Hz is no loss"
        );
        stand.measures(0, TemperatureSource::Silent);
        let after_s = stand.until(6.0, is_confirmed);
        assert!(
            (least_s..most_s).contains(&after_s),
            "{rate_hz} Hz: {after_s} s"
        );
        let told = stand.told("guard tripped")[0];
        assert!(told.message.contains("no sample for"), "{}", told.message);
        assert!(stand.bench.live().channels[1].lost.is_some());
    }
}

#[test]
fn a_thermocouple_is_lost_with_its_cold_junction() {
    for lost in [TemperatureSource::Broken, TemperatureSource::Silent] {
        let mut stand = Stand::new(STAND, StandModel::pit_bike());
        stand.measures(1, lost);
        stand.until(1.2, is_confirmed);
    }
}

#[test]
fn a_channel_that_the_board_does_not_have_is_lost() {
    let mut model = StandModel::pit_bike();
    model.temperatures.truncate(0);
    let mut stand = Stand::new(STAND, model);
    stand.until(4.0, is_confirmed);
}

#[test]
fn the_stand_file_can_say_in_words_that_a_warning_is_enough() {
    let text = edited(
        STAND,
        "debounce = \"300 ms\"",
        "debounce = \"300 ms\"\nwhen_lost = \"warn: the housing has its own switch\"",
    );
    for lost in [TemperatureSource::Broken, TemperatureSource::Silent] {
        let mut stand = Stand::new(&text, StandModel::pit_bike());
        stand.measures(0, lost);
        stand.wait(2.0);
        assert_eq!(stand.bench.live().cut.latch, CutLatch::Running);
        let told = stand.told("guard tripped");
        assert_eq!(told.len(), 1, "{told:?}");
        assert_eq!(told[0].severity, Severity::Warning);
        assert!(told[0].message.contains("the housing has its own switch"));
    }
}

#[test]
fn one_unreadable_sample_is_no_loss() {
    let text = edited(STAND, "debounce = \"300 ms\"", "debounce = \"0 ms\"");
    let mut stand = Stand::new(&text, StandModel::pit_bike());
    for _ in 0..5 {
        stand.measures(0, TemperatureSource::Broken);
        stand.wait(0.1); // one sample at 10 Hz
        stand.measures(0, TemperatureSource::Head);
        stand.wait(0.3);
    }
    assert_eq!(stand.bench.live().cut.latch, CutLatch::Running);
    stand.measures(0, TemperatureSource::Broken);
    stand.wait(0.35);
    assert_eq!(stand.bench.live().cut.latch, CutLatch::Confirmed);
}

/// Oil pressure that is enough below 6000 rpm and too little above.
fn oil() -> (String, StandModel) {
    let mut model = StandModel::pit_bike();
    model.analogs = vec![AnalogChannel::new(
        AnalogSource::Constant(1.5e5),
        0.0,
        100.0,
        1.0,
    )];
    let text = edited(
        STAND,
        "[[guard]]\nname = \"board silent\"",
        r#"[[channel]]
name = "oil"
source = "analog 0"
law = "linear"
per_count = "100 Pa/count"
expected = ["0 bar", "4 bar"]

[[guard]]
name = "oil low"
kind = "below"
on = "oil"
limit_by_speed = [["2000 rpm", "0.8 bar"], ["6000 rpm", "2.5 bar"]]
action = "cut"
debounce = "300 ms"

[[guard]]
name = "board silent""#,
    );
    (text, model)
}

#[test]
fn a_limit_that_goes_with_a_speed_is_strict_while_the_speed_is_unknown() {
    let is_oil_low = |stand: &Stand| {
        let told = stand.told("guard tripped");
        told.iter()
            .any(|it| it.channel.as_deref() == Some("oil low"))
    };
    // The engine idles, and is seen to: 1.5 bar are fine.
    let (text, model) = oil();
    let mut stand = Stand::new(&text, model);
    stand.wait(2.0);
    assert!(!is_oil_low(&stand), "{:?}", stand.events);
    // The same with an engine pickup that gives nothing.
    let (text, mut model) = oil();
    model.pickups[1].missed_probability = 1.0;
    let mut stand = Stand::new(&text, model);
    stand.wait(2.0);
    assert!(is_oil_low(&stand));
    assert_eq!(stand.bench.live().cut.latch, CutLatch::Confirmed);
}

// The link.

#[test]
fn data_that_comes_later_and_later_cuts() {
    let mut stand = Stand::new(STAND, StandModel::pit_bike());
    stand.wait(5.0);
    let delay_ms = stand.bench.live().board_delay_ms.unwrap();
    assert!(delay_ms < 30.0, "{delay_ms}");
    stand.bench.grow_delay(0.1);
    let after_s = stand.until(6.0, |bench| bench.stand().truth().cut);
    // Heartbeats end at 0.3 s of delay, and the board waits 0.25 s.
    assert!(after_s < 4.2, "{after_s} s");
    let live = stand.bench.live();
    assert!(
        !live.fit && live.board_delay_ms.unwrap() > 250.0,
        "{live:?}"
    );
    assert!(live.board_age_ms.unwrap() > 250.0);
    stand.wait(2.5);
    let tripped = stand.told("guard tripped");
    let silent = |it: &&Event| it.channel.as_deref() == Some("board silent");
    assert!(tripped.iter().any(silent), "{tripped:?}");
    assert_eq!(stand.told("board late").len(), 1);
}

#[test]
fn a_throttle_that_sticks_over_a_slow_link_stays_at_its_limit() {
    let mut stand = Stand::new(STAND, StandModel::pit_bike().with_setup(Setup::MainJet110));
    stand.bench.grow_delay(0.1);
    stand.throttle(1.0);
    stand.until(12.0, |bench| bench.stand().truth().cut);
    stand.wait(0.3);
    let truth = stand.bench.stand().truth();
    assert!(
        truth.omega_drum_rad_per_s < 1.06 * LIMIT_RAD_PER_S,
        "{} rad/s",
        truth.omega_drum_rad_per_s
    );
}
