//! `leverarm board` on a free port, and on a board that the daemon has.

use nix::sys::signal::Signal;

use crate::harness::{Bench, run};

/// Looking at a board never takes it away from the daemon.
#[test]
fn a_board_is_looked_at_with_and_without_the_daemon() {
    let bench = Bench::new();
    let _board = bench.emulator(&[]);
    let look = || bench.json(&["board", "--for", "1 s", "--json"]);
    let alone = look();
    assert!(
        alone["from"].as_str().unwrap().ends_with(" baud"),
        "{alone}"
    );
    assert!(alone["board"]["board_id"].is_string(), "{alone}");

    let daemon = bench.serve();
    bench.wait_for_event("board", "");
    let beside = look();
    let from = beside["from"].as_str().unwrap();
    assert!(from.starts_with("the running daemon's"), "{beside}");
    assert_eq!(beside["board"]["board_id"], alone["board"]["board_id"]);
    assert_eq!(
        beside["inputs"].as_array().map(Vec::len),
        alone["inputs"].as_array().map(Vec::len)
    );
    assert_eq!(beside["loss"]["frames_lost"], 0);
    let restarts = bench.journal();
    assert!(
        restarts
            .iter()
            .all(|event| event["kind"] != "board restart"),
        "{restarts:?}"
    );
    daemon.stop(Signal::SIGTERM);
}

/// A board at another rate than the stand file's is found at its own, without being restarted.
#[test]
fn a_wrong_baud_rate_is_told_from_a_dead_board() {
    let bench = Bench::new();
    let _board = bench.emulator(&["--baud", "115200"]);
    let port = bench.port();
    let look = ["board", "--port", port.to_str().unwrap(), "--for", "1 s"];
    run(&look).fails_with(&["speaks at 115200 baud, not at 500000", "baud = 115200"]);
    run(&[&look[..], &["--baud", "115200"]].concat()).ok();
}
