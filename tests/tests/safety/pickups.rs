//! Pickups that lie: miscounting, broken, dead and swapped ones.
//!
//! The stand is that of the fault simulation: 8 teeth on the drum, one on the engine, ratio 5.5.

use leverarm_live::Event;
use leverarm_software_stand::{Pickup, PickupFault, Shaft, StandModel};
use leverarm_tests::virtual_bench::VirtualBench;
use leverarm_vocabulary::EventKind;

const STAND: &str = include_str!("../../src/faults/stand.toml");
const ENGINE_PICKUP: &str = "[[pickup]]\nchannel = 1\non = \"engine\"\nteeth = 1\n";
const RPM: f64 = std::f64::consts::TAU / 60.0;

const NO_FAULT: PickupFault = PickupFault {
    is_dead: false,
    every_second_from_rad_per_s: f64::INFINITY,
    both_flanks: false,
    teeth_gone: 0,
};
const EVERY_SECOND: PickupFault = PickupFault {
    every_second_from_rad_per_s: 0.0,
    ..NO_FAULT
};

/// What came of a throttle that sticks open.
struct Runaway {
    /// Greatest true speed of the drum, rpm.
    top_rpm: f64,
    events: Vec<Event>,
}

impl Runaway {
    /// Who cut first, and why.
    fn cut(&self) -> (&str, &str) {
        let cut = self.events.iter().find(|event| {
            event.kind == EventKind::GuardTripped && event.severity == leverarm_store::Severity::Cut
        });
        let cut = cut.unwrap_or_else(|| panic!("nothing cut: {:#?}", self.events));
        (cut.channel.as_deref().unwrap(), &cut.message)
    }
}

/// Full throttle from rest until the engine is cut, or the drum turns at 3000 rpm.
fn run_away(stand: &str, faults: &[(u8, PickupFault)], swapped: bool) -> Runaway {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = VirtualBench::new(folder.path(), stand, StandModel::pit_bike()).unwrap();
    bench.wait(1.0).unwrap();
    for (pickup, fault) in faults {
        bench.stand().pickup_fault(*pickup, *fault);
    }
    if swapped {
        bench.stand().swap_pickups(0, 1);
    }
    bench.stand().clutch(true);
    bench.stand().throttle(1.0);
    let mut top_rpm: f64 = 0.0;
    for _ in 0..3_000 {
        bench.wait(0.01).unwrap();
        let truth = bench.stand().truth();
        top_rpm = top_rpm.max(truth.omega_drum_rad_per_s / RPM);
        if truth.cut || top_rpm > 3_000.0 {
            break;
        }
    }
    bench.wait(1.5).unwrap();
    Runaway {
        top_rpm,
        events: bench.take_events(),
    }
}

fn from_rpm(rpm: f64) -> PickupFault {
    PickupFault {
        every_second_from_rad_per_s: rpm * RPM,
        ..NO_FAULT
    }
}

#[test]
fn every_second_tooth_missed_from_1500_rpm_on_is_cut() {
    for stand in [STAND.to_owned(), STAND.replace(ENGINE_PICKUP, "")] {
        let run = run_away(&stand, &[(0, from_rpm(1_500.0))], false);
        let (who, why) = run.cut();
        assert_eq!(who, "pickup 0");
        assert!(why.contains("no shaft slows down in such a step"), "{why}");
        // Four gaps of two pitches at 1500 rpm are 40 ms, and the way to the relay.
        assert!(run.top_rpm < 1_540.0, "{}", run.top_rpm);
    }
}

#[test]
fn every_second_tooth_missed_from_the_start_shows_in_the_ratio() {
    let run = run_away(STAND, &[(0, EVERY_SECOND)], false);
    assert_eq!(run.cut().0, "pickups", "{}", run.cut().1);
    assert!(run.cut().1.contains("2.0"), "{}", run.cut().1);
    assert!(run.top_rpm < 1_000.0, "{}", run.top_rpm);

    let run = run_away(STAND, &[(1, EVERY_SECOND)], false);
    assert_eq!(run.cut().0, "pickups", "{}", run.cut().1);
    assert!(run.cut().1.contains("0.5"), "{}", run.cut().1);
    assert!(run.top_rpm < 1_000.0, "{}", run.top_rpm);
}

#[test]
fn an_engine_pickup_that_reads_twice_the_ratio_is_cut() {
    let both = PickupFault {
        both_flanks: true,
        ..NO_FAULT
    };
    let run = run_away(STAND, &[(1, both)], false);
    assert_eq!(run.cut().0, "pickups", "{}", run.cut().1);
    assert!(run.top_rpm < 1_000.0, "{}", run.top_rpm);
}

#[test]
fn swapped_pickups_are_cut() {
    let run = run_away(STAND, &[], true);
    assert_eq!(run.cut().0, "pickups", "{}", run.cut().1);
    assert!(run.cut().1.contains("swapped"), "{}", run.cut().1);
    assert!(run.top_rpm < 1_300.0, "{}", run.top_rpm);
}

/// A pickup on a drum alone that begins to count each tooth twice: no engine of this displacement
/// brings a drum to twice its speed within a turn.
#[test]
fn a_leap_of_the_speed_that_no_engine_makes_is_cut() {
    let folder = tempfile::tempdir().unwrap();
    let stand = STAND.replace(ENGINE_PICKUP, "");
    let mut bench = VirtualBench::new(folder.path(), &stand, StandModel::pit_bike()).unwrap();
    bench.wait(1.0).unwrap();
    bench.stand().clutch(true);
    bench.stand().throttle(1.0);
    while bench.stand().truth().omega_drum_rad_per_s < 700.0 * RPM {
        bench.wait(0.01).unwrap();
    }
    let both = PickupFault {
        both_flanks: true,
        ..NO_FAULT
    };
    bench.stand().pickup_fault(0, both);
    bench.wait(1.0).unwrap();
    assert!(bench.stand().truth().cut);
    let run = Runaway {
        top_rpm: 0.0,
        events: bench.take_events(),
    };
    assert_eq!(run.cut().0, "pickup 0");
    let why = "than any engine of this displacement drives it";
    assert!(run.cut().1.contains(why), "{}", run.cut().1);
}

/// A gear with twice the ratio of the one that pulls are made in, which is driven through on the way.
#[test]
fn another_gear_that_the_stand_file_names_is_no_lie() {
    let other = STAND.replace("ratio = 5.5\n", "ratio = 2.75\n");
    let named = other.replace("ratio = 2.75\n", "ratio = 2.75\nother_gears = [5.5]\n");
    let run = run_away(&other, &[], false);
    assert_eq!(run.cut().0, "pickups");
    assert!(run.cut().1.contains("other_gears"), "{}", run.cut().1);
    let run = run_away(&named, &[], false);
    let who = run.cut().0;
    assert!(who.contains("overspeed"), "{who}: {}", run.cut().1);
}

/// A disc brake on the drum, stronger than any engine of this displacement.
#[test]
fn a_brake_that_the_stand_file_names_stops_the_drum_without_a_cut() {
    let braked = |stand: &str| {
        let folder = tempfile::tempdir().unwrap();
        let mut bench = VirtualBench::new(folder.path(), stand, StandModel::pit_bike()).unwrap();
        bench.wait(1.0).unwrap();
        bench.stand().clutch(true);
        bench.stand().throttle(1.0);
        while bench.stand().truth().omega_drum_rad_per_s < 1_200.0 * RPM {
            bench.wait(0.01).unwrap();
        }
        bench.stand().throttle(0.0);
        bench.stand().clutch(false);
        bench.stand().brake(700.0);
        bench.wait(1.0).unwrap();
        bench.stand().truth().cut
    };
    assert!(braked(STAND), "a lost pickup looks the same");
    let named = STAND.replace("[drum]\n", "[drum]\nbrake_torque = \"800 N*m\"\n");
    assert!(!braked(&named));
}

#[test]
fn a_pull_needs_live_pickups() {
    let dead = PickupFault {
        is_dead: true,
        ..NO_FAULT
    };
    // A pull begins at 3000 rpm of the engine, 545 rpm of the drum.
    let run = run_away(STAND, &[(1, dead)], false);
    assert_eq!(run.cut().0, "pickup 1", "{}", run.cut().1);
    assert!(run.cut().1.contains("dead"), "{}", run.cut().1);
    assert!(run.top_rpm < 800.0, "{}", run.top_rpm);

    let run = run_away(STAND, &[(0, dead)], false);
    assert_eq!(run.cut().0, "pickup 0", "{}", run.cut().1);
    assert!(run.top_rpm < 1_100.0, "{}", run.top_rpm);
}

#[test]
fn a_pickup_is_silent_until_it_has_given_teeth() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = VirtualBench::new(folder.path(), STAND, StandModel::pit_bike()).unwrap();
    bench.wait(1.0).unwrap();
    // The engine idles, with the clutch out.
    assert_eq!(bench.core().silent_pickups(), [0]);
    bench.stand().clutch(true);
    bench.wait(2.0).unwrap();
    assert_eq!(bench.core().silent_pickups(), [0_u8; 0]);
}

/// 8 teeth with one broken off, and each debounce that a stand file may have.
#[test]
fn a_broken_tooth_and_a_debounce_still_cut() {
    let broken = PickupFault {
        teeth_gone: 1 << 3,
        ..NO_FAULT
    };
    for debounce_ms in [0, 50, 100] {
        let limit = "limit = \"1720 rpm\"\n";
        let debounced = format!("{limit}debounce = \"{debounce_ms} ms\"\n");
        let stand = STAND.replace(limit, &debounced);
        let run = run_away(&stand, &[(0, broken)], false);
        assert_eq!(run.cut().0, "drum overspeed", "{}", run.cut().1);
        let stated = leverarm_config::parse("stand.toml", &stand).unwrap();
        let reaction = stated.overspeed_reaction(&stated.guards[0], 1).unwrap();
        // The bound's engine is three times as strong as this one; it covers the way to the relay.
        let gained = reaction.gained_rad_per_s.unwrap() / RPM;
        assert!(run.top_rpm < 1_720.0 + gained, "{} {gained}", run.top_rpm);
    }
}

/// Wheels with a tooth missing on purpose, or broken, make whole pulls and cut nothing.
#[test]
fn wheels_with_missing_teeth_make_pulls() {
    for (teeth, teeth_gone) in [(8, 1), (36, 1), (60, 3), (4, 2)] {
        let mut model = StandModel::pit_bike();
        let fault = PickupFault {
            teeth_gone,
            ..NO_FAULT
        };
        model.pickups[0] = Pickup {
            fault,
            ..Pickup::perfect(Shaft::Drum, teeth)
        };
        let stand = STAND.replace("teeth = 8", &format!("teeth = {teeth}"));
        let folder = tempfile::tempdir().unwrap();
        let mut bench = VirtualBench::new(folder.path(), &stand, model).unwrap();
        let script = leverarm_software_stand::RiderScript::pit_bike(1);
        bench.ride(script, 60).unwrap();
        bench.wait(1.0).unwrap();
        let events = bench.take_events();
        let tripped = events
            .iter()
            .find(|event| event.kind == EventKind::GuardTripped);
        assert!(tripped.is_none(), "{teeth} teeth: {tripped:?}");
        bench.finish().unwrap();
        let pulls = leverarm_store::StoreReader::open(folder.path())
            .unwrap()
            .pulls()
            .unwrap();
        assert_eq!(pulls.len(), 1, "{teeth} teeth");
    }
}

#[test]
fn check_states_the_blind_speed_and_the_worst_case() {
    let stand = leverarm_config::parse("stand.toml", STAND).unwrap();
    let text = stand.summary().to_string();
    for pickup in 0..2 {
        let line = format!("pickup {pickup}");
        let line = text
            .lines()
            .find(|it| it.trim().starts_with(&line))
            .unwrap();
        assert!(
            line.contains("blind below ") && line.contains(" rpm"),
            "{line}"
        );
    }
    assert!(text.contains("with a tooth gone"), "{text}");
    let alone = leverarm_config::parse("stand.toml", &STAND.replace(ENGINE_PICKUP, "")).unwrap();
    let text = alone.summary().to_string();
    assert!(text.contains("counting every second tooth"), "{text}");
}

/// It drags the engine down within a turn, whatever its speed, the clutch's grip and the wheel on the crank.
#[test]
fn a_clutch_let_in_at_once_against_a_standing_drum_is_no_lie() {
    let mut lies = Vec::new();
    for teeth in [1, 2, 4, 8] {
        let stand = STAND.replace("teeth = 1\n", &format!("teeth = {teeth}\n"));
        for (grip_nm, opening) in [(20.0, 1.0), (60.0, 0.3), (200.0, 0.0)] {
            for engine_rpm in [1_800.0, 3_000.0, 4_500.0, 6_500.0, 8_500.0] {
                let mut model = StandModel::pit_bike();
                model.clutch_torque_nm = grip_nm;
                model.pickups[1] = Pickup::perfect(Shaft::Engine, teeth);
                let folder = tempfile::tempdir().unwrap();
                let mut bench = VirtualBench::new(folder.path(), &stand, model).unwrap();
                bench.wait(1.0).unwrap();
                bench.stand().throttle(1.0);
                for _ in 0..1_000 {
                    if bench.stand().truth().omega_engine_rad_per_s > engine_rpm * RPM {
                        break;
                    }
                    bench.wait(0.002).unwrap();
                }
                bench.stand().throttle(opening);
                bench.stand().clutch(true);
                bench.wait(1.5).unwrap();
                let what = format!("{teeth} teeth, {grip_nm} N m, {opening}, {engine_rpm} rpm");
                let events = bench.take_events();
                let tripped = events
                    .iter()
                    .filter(|it| it.kind == EventKind::GuardTripped);
                lies.extend(tripped.map(|it| format!("{what}: {}", it.message)));
            }
        }
    }
    assert!(lies.is_empty(), "{lies:#?}");
}

/// Teeth that are missed while the engine runs free are told as before, a moment later at most: nothing
/// takes the drum along.
#[test]
fn every_second_tooth_missed_with_the_clutch_out_is_told() {
    for teeth in [1, 2, 4, 8] {
        let stand = STAND.replace("teeth = 1\n", &format!("teeth = {teeth}\n"));
        let mut model = StandModel::pit_bike();
        model.pickups[1] = Pickup::perfect(Shaft::Engine, teeth);
        let folder = tempfile::tempdir().unwrap();
        let mut bench = VirtualBench::new(folder.path(), &stand, model).unwrap();
        bench.wait(1.0).unwrap();
        bench.stand().throttle(0.12);
        bench.wait(1.0).unwrap();
        bench.stand().pickup_fault(1, EVERY_SECOND);
        bench.wait(0.7).unwrap();
        let events = bench.take_events();
        let told = events.iter().any(|it| {
            it.kind == EventKind::GuardTripped && it.message.contains("all but one in 2 teeth")
        });
        assert!(told, "{teeth} teeth: {events:#?}");
    }
}
