//! Warnings that are wrong are soon read by nobody: an hour in which nothing is wrong has none.

use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm_live::{Live, PullPhase};
use leverarm_software_stand::CycleVariation;
use leverarm_tests::virtual_bench::VirtualBench;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_vocabulary::Severity;

/// Ten pulls, and the engine idling for the rest of an hour: the rehearsal of the demonstration's stand,
/// whose cycles vary as those of a healthy engine do.
#[test]
fn an_hour_without_faults_has_no_warning_and_nothing_of_teeth() {
    let stand = leverarm_config::parse("demo.toml", DEMO_STAND).unwrap();
    let mut model = model_of(&stand);
    model.engine.cycles = CycleVariation::HEALTHY;
    let folder = tempfile::tempdir().unwrap();
    let mut bench = VirtualBench::new(folder.path(), DEMO_STAND, model).unwrap();
    bench.ride(script_of(&stand, 10), 600).unwrap();
    bench.look_every(10_000);
    bench.wait(3_000.0).unwrap();
    let events = bench.take_events();
    let told: Vec<String> = events
        .iter()
        .filter(|event| event.severity != Severity::Info || event.kind.word().contains("teeth"))
        .map(|event| {
            format!(
                "{:.1} s, {}: {}",
                event.now.mono_us as f64 * 1e-6,
                event.kind.word(),
                event.message
            )
        })
        .collect();
    assert!(told.is_empty(), "{told:#?}");
}

/// What a person reads live, through a pull and to standstill.
#[test]
fn live_values_say_what_is_so_now() {
    let stand = leverarm_config::parse("demo.toml", DEMO_STAND).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut bench = VirtualBench::new(folder.path(), DEMO_STAND, model_of(&stand)).unwrap();
    bench.stand().ride(Some(script_of(&stand, 1)));
    let start_rpm = stand.pull.start_rad_per_s / RAD_PER_S_PER_RPM;
    let lean = |live: &Live| {
        live.guards
            .iter()
            .find(|it| it.name == "lean under load")
            .cloned()
            .unwrap()
    };
    let fuel_kg_per_h = |live: &Live| {
        let meter = live.channels.iter().find(|it| it.name == "fuel meter");
        3600.0 * meter.unwrap().value_si.unwrap()
    };
    let (mut rose, mut flowed) = (false, false);
    for _ in 0..600 {
        bench.wait(0.05).unwrap();
        let live = bench.live();
        let is_pull = matches!(live.phase, PullPhase::Rising | PullPhase::Pulling);
        rose |= live.phase == PullPhase::Rising;
        // A rise is a pull in the making: nobody waits for the full throttle that there is.
        let rpm = live.engine_rpm.unwrap_or(0.0);
        let waits = live.waiting_for.starts_with("full throttle");
        assert!(
            !waits || rpm < 1.2 * start_rpm,
            "{} at {rpm:.0} rpm",
            live.waiting_for
        );
        let guard = lean(&live);
        assert_eq!(guard.watching, is_pull);
        assert!(is_pull || guard.nearness.is_none(), "{guard:?}");
        flowed |= is_pull && fuel_kg_per_h(&live) > 1.0;
    }
    assert!(rose && flowed);
    bench.stand().ride(None);
    bench.stand().ignition(false);
    bench.wait(20.0).unwrap();
    let live = bench.live();
    assert_eq!(live.engine_rpm, Some(0.0));
    // A meter that gives pulses gives none without flow.
    assert!(fuel_kg_per_h(&live) < 0.05, "{} kg/h", fuel_kg_per_h(&live));
    assert_eq!(live.simulated, Some(true));
}
