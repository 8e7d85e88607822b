//! What was ever stored can be read for ever: the texts that each version kept with a pull, in
//! `data/stored`, give the curve that today's give, to the last bit.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

use leverarm_analysis::parts::{Part, parts_in_words};
use leverarm_analysis::reduction::{CurveChoice, EnteredAir, reduce_pull};
use leverarm_live::Now;
use leverarm_protocol::{BoardMessage, Channel, ChannelKind, FrameWriter, Hello, Teeth};
use leverarm_store::{NewCalibration, NewChunk, NewPull, PullEnd, Store};
use leverarm_torque::curve::Curve;
use leverarm_torque::reduce::AirReadings;
use leverarm_torque::uncertainty::{Assessed, Measured};
use leverarm_values::calibration::{
    Calibration, Given, InertiaCalibration, InertiaMethod, RatioCalibration,
};
use serde_json::{Value, json};

const TICK_HZ: u32 = 1_000_000;
const WALL_US: i64 = 1_760_000_000_000_000;
const TEETH: u32 = 600;

/// What is kept with a pull beside its bytes.
struct Texts {
    stand: String,
    calibration: String,
    air: Value,
    parts: Value,
}

/// One folder a version.
fn kept() -> Vec<(PathBuf, Texts)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/stored");
    let versions = std::fs::read_dir(folder).unwrap();
    let texts = versions.map(|version| {
        let folder = version.unwrap().path();
        let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
        let texts = Texts {
            stand: read("stand.toml"),
            calibration: read("calibration.json"),
            air: serde_json::from_str(&read("air.json")).unwrap(),
            parts: serde_json::from_str(&read("parts.json")).unwrap(),
        };
        (folder, texts)
    });
    texts.collect()
}

/// The same as this program writes it.
fn of_today(stand: &str) -> Texts {
    let calibration = Calibration {
        drum_inertia: Some(InertiaCalibration {
            made_wall_us: WALL_US,
            method: InertiaMethod::FallingWeight,
            inertia_kg_m2: Assessed::type_a(Measured::new(1.23, 0.006), 5.0),
            from_pieces_kg_m2: None,
            given: vec![Given {
                name: "mass".to_owned(),
                measured: Measured::new(2.0, 0.001),
                unit: "kg".to_owned(),
            }],
        }),
        drive_ratio: Some(RatioCalibration {
            made_wall_us: WALL_US + 1,
            engine_per_drum: Assessed::type_b(Measured::new(4.125, 0.002)),
            runs: vec!["pull 3".to_owned()],
        }),
        ..Calibration::default()
    };
    let air = EnteredAir::new(&AirReadings {
        pressure_pa: Measured::new(98_600.0, 100.0),
        temperature_k: Measured::new(301.15, 0.5),
        relative_humidity: Measured::new(0.55, 0.03),
    });
    let spacer = Part {
        value: "3".to_owned(),
        unit: "mm".to_owned(),
        note: "home-made".to_owned(),
    };
    Texts {
        stand: stand.replacen("[stand]\n", "[stand]\nversion = 1\n", 1),
        calibration: serde_json::to_string(&calibration).unwrap(),
        air: EnteredAir::stored(Some(air)).unwrap(),
        parts: json!({ "main jet": Part::of_text("105").json(), "spacer": spacer.json() }),
    }
}

/// Bytes of a drum of eight teeth whose speed rises by 50 rad/s² from 20 rad/s.
fn log() -> (Vec<u8>, Vec<u8>) {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "4 s of microseconds"
    )]
    let ticks: Vec<u32> = (0..TEETH)
        .map(|tooth| {
            let turned_rad = TAU / 8.0 * f64::from(tooth);
            (1e6 * ((400.0 + 100.0 * turned_rad).sqrt() - 20.0) / 50.0).round() as u32 + 1000
        })
        .collect();
    let channels = [Channel::new(ChannelKind::Teeth, 0, 0).to_bytes()];
    let hello = BoardMessage::Hello(Hello {
        board_id: 7,
        boot: 1,
        firmware: [1, 0, 0],
        tick_hz: TICK_HZ,
        channels: &channels,
    });
    let mut writer = FrameWriter::new();
    let hello = writer.write(500, &hello).unwrap().to_vec();
    let mut bytes = hello.clone();
    for (first_tooth, some) in (0..).step_by(100).zip(ticks.chunks(100)) {
        let deltas: Vec<[u8; 2]> = some
            .windows(2)
            .map(|two| u16::try_from(two[1] - two[0]).unwrap().to_le_bytes())
            .collect();
        let teeth = BoardMessage::Teeth(Teeth {
            pickup: 0,
            first_tooth,
            deltas: &deltas,
        });
        bytes.extend_from_slice(writer.write(some[0], &teeth).unwrap());
    }
    (hello, bytes)
}

/// Stores a pull with its texts, and reduces it.
fn curve(texts: &Texts) -> Curve {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    let stand = store.put_stand(&texts.stand).unwrap();
    let calibration = store
        .add_calibration(&NewCalibration {
            wall_us: WALL_US,
            part: "inertia".to_owned(),
            json: texts.calibration.clone(),
            summary: "a test".to_owned(),
        })
        .unwrap();
    let connection = store
        .add_connection(None, "simulated", Now::new(0, WALL_US))
        .unwrap();
    let (frame, bytes) = log();
    let hello = leverarm_store::Hello {
        frame,
        tick_hz: TICK_HZ,
        board_id: 7,
        boot: 1,
    };
    store.set_hello(connection, &hello).unwrap();
    store
        .add_chunk(&NewChunk {
            connection,
            seq: 0,
            mono_us_first: 0,
            mono_us_last: 5_000_000,
            wall_us_first: WALL_US,
            tick_first: Some(500),
            bytes: &bytes,
        })
        .unwrap();
    let pull = store
        .add_pull(&NewPull {
            started_wall_us: WALL_US,
            air: texts.air.clone(),
            // Ticks count from anywhere: all of them.
            end: Some(PullEnd::stored(u64::from(u32::MAX) * 1_000, 0)),
            ..NewPull::of(connection, stand, calibration)
        })
        .unwrap();
    let reader = store.reader().unwrap();
    let reduced = reduce_pull(&reader, pull, CurveChoice::default());
    reduced.unwrap().curve
}

/// Shortest digits that give a number back: alike only where each bit is.
fn digits(curve: &Curve) -> String {
    format!("{curve:?}")
}

#[test]
fn texts_of_each_version_give_todays_curve() {
    let kept = kept();
    assert_eq!(
        kept.len(),
        usize::try_from(leverarm_config::VERSION).unwrap()
    );
    for (folder, texts) in kept {
        let today = of_today(&texts.stand);
        let name = folder.display();
        let expected = curve(&today);
        assert!(expected.points.len() > 10, "{name}: {expected:?}");
        assert_eq!(digits(&curve(&texts)), digits(&expected), "{name}");
        assert_eq!(
            parts_in_words(&texts.parts),
            parts_in_words(&today.parts),
            "{name}"
        );

        // Each of them matters, so one that is not read would show.
        let without = [
            Texts {
                calibration: "{}".to_owned(),
                ..of_today(&texts.stand)
            },
            Texts {
                air: Value::Null,
                ..of_today(&texts.stand)
            },
        ];
        for texts in without {
            assert_ne!(digits(&curve(&texts)), digits(&expected), "{name}");
        }
    }
}

#[test]
fn a_stand_file_of_a_later_version_is_refused_by_name() {
    let (_, texts) = kept().pop().unwrap();
    let later = texts
        .stand
        .replacen("[stand]\n", "[stand]\nversion = 2\n", 1);
    let error = leverarm_config::parse("stand.toml", &later)
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("stand.version") && error.contains("found 2"),
        "{error}"
    );
}
