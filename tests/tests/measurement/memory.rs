//! A small board reduces a pull too: what that holds at once is bounded, also where the teeth make no sense.

use leverarm_filters::speed_fit::FitError;
use leverarm_tests::simulated_pull::{Cycles, Drive, Pull, Shape};
use leverarm_torque::air::Correction;
use leverarm_torque::curve::{Curve, RAD_PER_S_PER_RPM};
use leverarm_torque::reduce::{
    AirReadings, LossModel, RawPull, ReduceError, ReduceOptions, ReductionModel, StandBounds,
    WheelModel, reduce,
};
use leverarm_torque::uncertainty::Measured;

/// As `DEVELOPERS.md` has it, bytes.
const MOST: u64 = 50_000_000;

fn pull() -> Pull {
    Pull::of_drum(60)
}

fn swinging(frequency_hz: f64, damping_ratio: f64) -> Option<Drive> {
    Some(Drive {
        frequency_hz,
        damping_ratio,
        lash_rad: 0.0,
        sprocket_teeth: 0,
    })
}

/// The curve, and the most bytes that were held at once.
pub(crate) fn reduced(pull: &Pull, seed: u64) -> (Result<Curve, ReduceError>, u64) {
    let exact = Measured::exact;
    let stand = ReductionModel {
        drum_inertia_kg_m2: Some(exact(pull.drum_inertia_kg_m2).into()),
        engine_inertia_kg_m2: exact(pull.engine_inertia_kg_m2).into(),
        losses: LossModel::stated(pull.losses, 0.0),
        tyre_slip: exact(0.0).into(),
        engine_per_drum: exact(pull.engine_per_drum).into(),
        wheel: WheelModel {
            teeth_per_turn: pull.teeth,
            missing_teeth: 0,
            on_engine: pull.on_engine,
            tooth_errors: None,
        },
        second_wheel: None,
        load_cell: None,
        cycles_per_engine_turn: pull.cycles_per_engine_turn,
        bounds: StandBounds::default(),
    };
    let options = ReduceOptions {
        start_rad_per_s: pull.from_rpm * RAD_PER_S_PER_RPM,
        step_rpm: 100.0,
        from_rpm: None,
        to_rpm: None,
        correction: Correction::None,
        air: AirReadings {
            pressure_pa: exact(100_000.0),
            temperature_k: exact(297.0),
            relative_humidity: exact(0.5),
        },
        holds_only: false,
    };
    let seen = pull.simulate(seed);
    let raw = RawPull {
        tick_hz: 1.0 / pull.tick_s,
        edges: &seen.edges,
        second_edges: &[],
        force: &[],
    };
    let mut curve = None;
    let held = allocation_counter::measure(|| curve = Some(reduce(&raw, &stand, &options)));
    (curve.unwrap(), held.bytes_max)
}

/// A drive that swings all along has unknowns of its own for every eighth of a second.
#[test]
fn half_a_minute_with_shuffle_at_60_teeth_fits_a_small_board() {
    let pull = Pull {
        drive: swinging(8.0, 0.03),
        ..pull()
    };
    let (curve, bytes) = reduced(&pull.lasting(30.0), 5);
    let shuffle = curve.unwrap().shuffle.unwrap();
    assert!((shuffle.frequency_hz - 8.0).abs() < 1.0, "{shuffle:?}");
    assert!(bytes < MOST, "{bytes}");
}

/// The crank all but stops between its pushes: what is fitted to such teeth may run backwards, or at a
/// thousand million rad/s, of which no grid must be made.
#[test]
fn a_motion_that_no_wheel_has_is_refused() {
    let pull = Pull {
        drum_inertia_kg_m2: 0.652,
        engine_inertia_kg_m2: 0.00125,
        engine_per_drum: 6.3,
        losses: [0.163, 0.000_815, 4.08e-6],
        teeth: 12,
        on_engine: true,
        ripple: [2.79, 0.58, 0.3],
        shape: Shape::Dip,
        torque_nm: 2.76,
        from_rpm: 3857.0,
        to_rpm: 8450.0,
        cycles: Cycles::varying(0.019),
        drive: swinging(33.6, 0.0232),
        ..pull()
    };
    let mut unlike_teeth = 0;
    for seed in 0..SEEDS {
        let (curve, bytes) = reduced(&pull, seed);
        assert!(bytes < MOST, "seed {seed}: {bytes}");
        if let Err(ReduceError::NoSmoothMotion { cause, .. }) = curve
            && matches!(cause, FitError::UnlikeTeeth { .. })
        {
            let said = cause.to_string();
            assert!(!said.contains("0000 rad/s"), "seed {seed}: {said}");
            unlike_teeth += 1;
        }
    }
    assert!(unlike_teeth > 0);
}

const SEEDS: u64 = 24;
