//! `tare`: taken at rest, refused otherwise.

use crate::bench::{BRAKE_STAND, Bench, number};
use crate::board_log::Story;

fn at_rest(counts: &dyn Fn(f64, f64) -> f64) -> crate::board_log::BoardLog {
    Story {
        until_s: 9.4,
        counts: Some(counts),
        ..Story::default()
    }
    .tell()
}

#[test]
fn the_zero_is_taken_at_rest() {
    let bench = Bench::new(BRAKE_STAND);
    bench.record(&at_rest(&|_, _| 5210.0));
    let found = bench.json(&["tare", "--json"]);
    let zero = number(&found, "/record/zero_counts/value");
    assert!((zero - 5210.0).abs() < 5.0, "{zero}");
    // 20 counts over 240 samples.
    let u = number(&found, "/record/zero_counts/standard_uncertainty");
    assert!((0.9..2.5).contains(&u), "{u}");
    assert!((number(&found, "/moved_n") - 0.21).abs() < 0.005, "{found}");
    let listed = bench.run(&["calibrations"]).ok();
    assert!(listed.contains("3 s at rest"), "{listed}");
}

#[test]
fn it_is_refused_while_anything_moves() {
    let drifting = |t: f64, _: f64| 5000.0 + 100.0 * t;
    let swinging = |t: f64, _: f64| 5000.0 + 300.0 * (2.0 * t).sin();
    for told in [at_rest(&drifting), at_rest(&swinging)] {
        let bench = Bench::new(BRAKE_STAND);
        bench.record(&told);
        bench
            .run(&["tare"])
            .fails_with(&["tare refused", "the signal moves"]);
    }
    let bench = Bench::new(BRAKE_STAND);
    let turning = Story {
        until_s: 9.4,
        omega: 5.0,
        counts: Some(&|_, _| 5000.0),
        ..Story::default()
    };
    bench.record(&turning.tell());
    bench
        .run(&["tare"])
        .fails_with(&["tare refused", "something turns"]);

    let bench = Bench::new(BRAKE_STAND);
    let mut stuck = at_rest(&|_, _| 5000.0);
    stuck.force_mut().iter_mut().for_each(|f| f.1 = 4711);
    bench.record(&stuck);
    bench.run(&["tare"]).fails_with(&["tare refused", "4711"]);
}

#[test]
fn without_a_daemon_that_records_there_is_nothing_to_take() {
    let bench = Bench::new(BRAKE_STAND);
    bench
        .run(&["tare"])
        .fails_with(&["nothing has been recorded yet"]);
}
