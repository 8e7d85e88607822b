//! Cuts, from the tooth that is too fast to the frame that the board gets.

use nix::sys::signal::Signal;

use leverarm_tests::ran::{Ran, assert_has};

use crate::harness::{Bench, eventually};

#[test]
fn a_person_cuts_and_releases_by_number() {
    let bench = Bench::new();
    bench.fails(
        &["cut"],
        &["no daemon answers", "leverarm serve", "emergency stop"],
    );
    let (mut board, daemon) = bench.connected(&[]);
    board.is_to("idle");
    bench.fails(&["release", "1"], &["there is no cut to release"]);

    let said = bench.run(&["cut", "fuel leak"]).ok();
    assert_has(&said, &["the board confirms cut 1", "leverarm release 1"]);
    board.wait_for("host_cut");
    let cut = board.wait_for("board_cut");
    assert_eq!((&cut["cut_id"], &cut["cause"]), (&1.into(), &1.into()));

    bench.wait_for_cut(1, "fuel leak");
    bench.fails(&["release", "7"], &["cut 1 is in force, not 7"]);
    board.order("state");
    assert_eq!(board.wait_for("state")["state"], 1);
    let said = bench.run(&["release", "1"]).ok();
    assert_has(&said, &["released"]);
    assert_eq!(board.wait_for("release")["released"], true);
    bench.fails(&["release", "1"], &["there is no cut to release"]);
    let releases = board.seen().iter().filter(|e| e["event"] == "release");
    assert!(
        releases.filter(|e| e["cut_id"] != 1).count() == 0,
        "a wrong number went out"
    );

    bench.wait_for_event("cut", "fuel leak");
    bench.wait_for_event("cut confirmed", "number 1");
    bench.wait_for_event("released", "cut 1 released");
    daemon.stop(Signal::SIGTERM);
}

/// A pass counts for one start of one board, also for a daemon that is restarted; a person's cut breaks
/// the test off.
#[test]
fn guards_tested_on_the_board_arm_its_start() {
    let bench =
        Bench::with(|stand| stand.replace("[board]\n", "[board]\nself_test_max_age = \"1 h\"\n"));
    let (mut board, daemon) = bench.served(&[]);
    bench.wait_for_event("not armed", "have not passed a test");
    let broken_off = std::thread::scope(|scope| {
        let test = scope.spawn(|| bench.run(&["test-guards"]));
        bench.wait_for_event("cut", "self-test of the guards");
        bench.run(&["cut", "stop it"]).ok();
        test.join().unwrap()
    });
    broken_off.fails_with(&["broken off: cut by a person's command: stop it"]);
    bench.release_all_but_arming();
    board.order("turn 400");
    board.wait_for("spinning");
    board.is_to("still");
    // A busy machine may break it off, too: the board is heard too late.
    let passed = eventually("a self-test that passes", || {
        let ran = bench.run(&["test-guards"]);
        (ran.code == Some(0)).then_some(ran)
    });
    assert_has(&passed.ok(), &["the stand is armed", "leverarm release"]);
    bench.release_all();
    daemon.stop(Signal::SIGTERM);

    let daemon = bench.serve();
    bench.release_all();
    board.is_to("idle");
    board.order("restart");
    bench.wait_for_event("not armed", "before this start of it");
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn overspeed_cuts_end_to_end() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.connected(&["--tell-over", "1400"]);
    // The board's own limit is at 1470 rpm: the daemon has to be there first.
    board.order("spin 1460");
    let over = board.wait_for("over");
    let cut = board.wait_for("host_cut");
    assert_eq!(board.wait_for("board_cut")["cause"], 1);
    let taken_s = cut["t"].as_f64().unwrap() - over["t"].as_f64().unwrap();
    println!(
        "from the last tooth over the limit written to the cut received: {:.2} ms",
        1e3 * taken_s
    );
    assert!(taken_s < 1.0, "{taken_s} s");
    let tripped = bench.wait_for_event("guard tripped", "is above 1400 rpm");
    assert_eq!(
        (&tripped["severity"], &tripped["channel"]),
        (&"cut".into(), &"drum overspeed".into())
    );
    let value = tripped["data"]["value_si"].as_f64().unwrap();
    let limit = tripped["data"]["limit_si"].as_f64().unwrap();
    assert!(value > limit && value < 1.05 * limit, "{tripped}");
    assert_has(
        &bench.run(&["journal", "--severity", "cut"]).ok(),
        &["drum overspeed"],
    );
    // The guard lets go by itself, the cut does not.
    bench.wait_for_event("guard cleared", "within its limit");
    bench.wait_for_cut(1, "drum overspeed");
    board.order("state");
    assert_eq!(board.wait_for("state")["state"], 1);
    bench.run(&["release", "1"]).ok();
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn the_board_cuts_overspeed_by_itself() {
    // As if the daemon were too late: its cuts do not come through.
    let bench = Bench::new();
    let (mut board, daemon) = bench.connected(&["--ignores-cuts"]);
    board.order("spin 1600");
    let cut = board.wait_for("board_cut");
    assert_eq!((&cut["cause"], &cut["cut_id"]), (&2.into(), &1.into()));
    bench.wait_for_event("cut confirmed", "number 1 (overspeed, seen by the board)");
    bench.wait_for_cut(1, "drum overspeed");
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn the_boards_over_temperature_cut_is_shown() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&[]);
    let limits = board.wait_for("limits");
    // 150 degC at 0.0625 degC a count.
    assert_eq!(limits["temperatures"], serde_json::json!([[0, 2400]]));
    board.order("temperature 2402");
    assert_eq!(board.wait_for("board_cut")["cause"], 4);
    bench.wait_for_event("board cut", "over-temperature, seen by the board");
    let refused = bench.run(&["release", "1"]);
    assert_eq!(refused.code, Some(1), "still hot: {}", refused.out);
    board.order("temperature 2000");
    // The daemon's own guard has seen the heat too, which is a cut of its own. At the next samples
    // there is no reason left.
    bench.release_all();
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn over_temperature_cuts_through_a_board_without_limits() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.connected(&["--refuses-limits"]);
    board.order("temperature 2500");
    board.wait_for("host_cut");
    assert_eq!(board.wait_for("board_cut")["cause"], 1);
    let tripped = bench.wait_for_event("guard tripped", "is above 150");
    assert_eq!(tripped["channel"], "bearing too hot");
    bench.wait_for_cut(1, "bearing too hot");
    bench.fails(
        &["release", "1"],
        &["bearing too hot", "still sees a reason"],
    );
    bench.wait_for_event("limits refused", "look at its firmware version");
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn a_cut_that_the_board_ignores_is_told_loudly() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.connected(&["--ignores-cuts", "--refuses-limits"]);
    bench.fails(&["cut"], &["not confirmed", "emergency stop"]);
    bench.wait_for_event("cut unconfirmed", "emergency stop");
    for _ in 0..5 {
        board.wait_for("host_cut");
    }
    daemon.stop(Signal::SIGTERM);
}

/// Frozen, the daemon can't guard: the board notices and cuts. Thawed, it says so.
#[test]
fn a_frozen_daemon_has_no_heartbeat() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.connected(&[]);
    board.is_to("idle");
    daemon.signal(Signal::SIGSTOP);
    let cut = board.wait_for("board_cut");
    assert_eq!(cut["cause"], 3);
    // Not for long: its own guard "board silent" would trip after 1.5 s and ask for a cut first.
    daemon.signal(Signal::SIGCONT);
    bench.wait_for_event("board cut", "no heartbeat from the host, seen by the board");
    bench.release(1);
    board.pull();
    let pulls = bench.wait_for_pulls(1);
    assert_eq!(pulls[0]["state"], "stored", "{pulls:?}");
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn a_board_that_starts_cut_waits_for_a_person() {
    let bench = Bench::new();
    let (_board, daemon) = bench.connected(&["--start", "watchdog"]);
    bench.wait_for_event("board cut", "watchdog");
    bench.wait_for_cut(1, "reset by its watchdog");
    bench.fails(&["release", "2"], &["cut 1 is in force, not 2"]);
    bench.run(&["release", "1"]).ok();
    daemon.stop(Signal::SIGTERM);
    let without = Ran::of(&["release", "1", "-c", bench.stand().to_str().unwrap()]);
    without.fails_with(&["no daemon answers"]);
}
