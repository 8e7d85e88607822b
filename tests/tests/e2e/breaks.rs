//! Ends and breaks of every kind: what was acknowledged stays, and the rest is told.

use std::time::Duration;

use nix::sys::signal::Signal;

use leverarm_tests::ran::assert_has;

use crate::harness::{Bench, Emulator, TORQUE_NM, assert_within, eventually};
use crate::logs::{place, stored_connections};

/// Waits until the pull is well under way, known to the daemon and stored as running.
fn in_the_middle_of_a_pull(bench: &Bench, board: &mut Emulator) {
    board.order("pull");
    board.wait_for("pull_begins");
    eventually("a running pull", || {
        bench
            .pulls()
            .iter()
            .any(|p| p["state"] == "running")
            .then_some(())
    });
}

fn sent(bench: &Bench) -> Vec<u8> {
    std::fs::read(bench.board_log()).unwrap()
}

#[test]
fn kill_9_in_a_pull_keeps_it_as_interrupted() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&["--torque", "8"]);
    in_the_middle_of_a_pull(&bench, &mut board);
    let sent_a_second_before = board.bytes_sent();
    std::thread::sleep(Duration::from_secs(1));
    daemon.signal(Signal::SIGKILL);
    let sent_at_the_end = board.bytes_sent();
    assert!(!daemon.end().success());

    let stored = stored_connections(&bench.store());
    let (start, end) = place(&stored[0], &sent(&bench));
    println!(
        "stored {start}..{end} of {sent_at_the_end} bytes sent; {} in the last second",
        sent_at_the_end - sent_a_second_before
    );
    assert_eq!(start, 0, "the beginning is lacking");
    assert!(
        end >= sent_a_second_before,
        "more than a second is lacking: {end} of {sent_at_the_end}, {sent_a_second_before} a second before"
    );
    assert_eq!(board.wait_for("board_cut")["cause"], 3);
    // A reader alone changes nothing; the next daemon sets it right, and says so.
    assert_eq!(bench.pulls()[0]["state"], "running");
    let daemon = bench.serve();
    daemon.wait_for("kept as interrupted");
    bench.has_one_pull("interrupted");
    let curve = bench.json(&["show", "1", "--json"]);
    let torque = crate::harness::numbers(&curve["torque_nm"]);
    assert!(torque.len() >= 3, "its first part makes a curve: {curve}");
    for torque in torque {
        assert_within("torque of what is left", torque, 8.0, 0.005);
    }

    // And the stand goes on, once a person has looked at the board's cut.
    bench.release(1);
    board.pull();
    let pulls = bench.wait_for_pulls(2);
    assert_eq!(pulls[1]["state"], "stored", "{pulls:?}");
    daemon.stop(Signal::SIGTERM);
}

fn a_stop_in_a_pull(signal: Signal) {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&["--torque", "8"]);
    in_the_middle_of_a_pull(&bench, &mut board);
    let sent_before = board.bytes_sent();
    // What is still on its way through the terminal gets a moment.
    std::thread::sleep(Duration::from_millis(200));
    daemon.stop(signal);

    let stored = stored_connections(&bench.store());
    assert_eq!(stored.len(), 1);
    let (start, end) = place(&stored[0], &sent(&bench));
    assert_eq!(start, 0);
    assert!(end >= sent_before, "stored up to {end}, sent {sent_before}");
    bench.has_one_pull("aborted");
    let pulls = bench.pulls();
    assert_has(
        &pulls[0]["reasons"].to_string(),
        &["the daemon was stopped"],
    );
    // The board is told, and does not have to miss a heartbeat first.
    assert_eq!(board.wait_for("board_cut")["cause"], 1);
}

#[test]
fn sigint_in_a_pull_ends_cleanly() {
    a_stop_in_a_pull(Signal::SIGINT);
}

#[test]
fn sigterm_in_a_pull_ends_cleanly() {
    a_stop_in_a_pull(Signal::SIGTERM);
}

#[test]
fn a_port_that_vanishes_is_opened_again() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&["--torque", "8"]);
    in_the_middle_of_a_pull(&bench, &mut board);
    board.order("unplug");
    board.wait_for("unplugged");
    bench.wait_for_event("port lost", "is gone");
    daemon.wait_for("is gone");
    let pulls = bench.wait_for_pulls(1);
    assert_eq!(pulls[0]["state"], "aborted", "{pulls:?}");
    assert_has(
        &pulls[0]["reasons"].to_string(),
        &["the connection was lost"],
    );
    // Without a heartbeat the board has cut by itself.
    assert_eq!(board.wait_for("board_cut")["cause"], 3);
    board.order("plug");
    board.wait_for("port");
    board.wait_for("heartbeat_begins");
    board.order("state");
    let cut = board.wait_for("state");
    assert_eq!(cut["state"], 1, "{cut}");
    bench.release(cut["cut_id"].as_u64().unwrap());
    board.pull();
    bench.wait_for_whole_pull(2, 8.0);
    daemon.stop(Signal::SIGTERM);

    // The gap lies between two connections, and in the journal between two hellos.
    let reader = leverarm_store::StoreReader::open(bench.store()).unwrap();
    let connections = reader.connections().unwrap();
    assert!(connections[0].closed_wall_us.unwrap() < connections[1].opened_wall_us);
    let kinds: Vec<String> = bench
        .journal()
        .iter()
        .filter_map(|event| event["kind"].as_str().map(str::to_owned))
        .filter(|kind| kind == "board" || kind == "port lost")
        .collect();
    assert_eq!(kinds, ["board", "port lost", "board"]);
    let stored = stored_connections(&bench.store());
    assert_eq!(stored.len(), 2, "one connection before, one after");
    let all = sent(&bench);
    let (_, before) = place(&stored[0], &all);
    let (after, _) = place(&stored[1], &all);
    assert!(after >= before);
}

#[test]
fn a_board_that_restarts_is_noticed() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&["--torque", "8"]);
    in_the_middle_of_a_pull(&bench, &mut board);
    board.order("restart watchdog");
    board.wait_for("start");
    bench.wait_for_event("board restart", "the board restarted");
    bench.wait_for_event("board", "start 42");
    let pulls = bench.wait_for_pulls(1);
    assert_eq!(pulls[0]["state"], "aborted", "{pulls:?}");
    assert_has(&pulls[0]["reasons"].to_string(), &["the board restarted"]);
    board.wait_for("limits");
    board.order("still");
    bench.release(1);
    board.pull();
    bench.wait_for_whole_pull(2, 8.0);
    daemon.stop(Signal::SIGTERM);
    // Each connection holds the hello of its own board start, and together they hold every byte.
    let reader = leverarm_store::StoreReader::open(bench.store()).unwrap();
    let boots: Vec<Option<u16>> = reader
        .connections()
        .unwrap()
        .iter()
        .map(|c| c.hello.as_ref().map(|h| h.boot))
        .collect();
    assert_eq!(boots, [Some(41), Some(42)]);
    let stored = stored_connections(&bench.store()).concat();
    assert_eq!(place(&stored, &sent(&bench)).0, 0);
    let first = bench.json(&["show", "1", "--json"]);
    for torque in crate::harness::numbers(&first["torque_nm"]) {
        assert_within("torque before the restart", torque, 8.0, 0.005);
    }
}

/// A board that hangs, and comes back without a restart.
#[test]
fn a_silent_board_stops_the_heartbeat() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.connected(&[]);
    board.order("silent 3");
    bench.wait_for_event("board silent", "no status");
    bench.wait_for_event("guard tripped", "nothing new for");
    // Back again, it has missed heartbeats; the daemon wanted a cut as well.
    board.wait_for("board_cut");
    bench.wait_for_event("cut confirmed", "number 1");
    bench.release(1);
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn garbage_between_frames_costs_nothing() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&["--garbage"]);
    board.pull();
    bench.wait_for_whole_pull(1, TORQUE_NM);
    bench.wait_for_event("damaged bytes", "damaged bytes");
    let sent_before = board.bytes_sent();
    std::thread::sleep(Duration::from_millis(200));
    daemon.stop(Signal::SIGTERM);
    // Garbage is kept too.
    let (start, end) = place(&stored_connections(&bench.store()).concat(), &sent(&bench));
    assert!(start == 0 && end >= sent_before);
}
