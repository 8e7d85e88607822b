//! Warnings that are wrong are soon read by nobody: an hour in which nothing is wrong has none.

use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm_software_stand::CycleVariation;
use leverarm_tests::virtual_bench::VirtualBench;
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
