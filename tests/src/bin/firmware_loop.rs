//! The daemon's core and the reference firmware together, in virtual time.
//!
//! The core is the real one; the board is the real firmware on a simulated chip, a program of its
//! own that is driven through pipes (`tests/firmware/simulator`). Nothing here reads a clock, so
//! every run is the same.
//!
//! Usage: `firmware_loop SIMULATOR FIRMWARE.bin TEXT_BOARD STAND.toml`

#![expect(
    clippy::print_stdout,
    clippy::expect_used,
    reason = "a test program: it prints its results and may stop"
)]

use std::process::ExitCode;

use leverarm_live::{Command, Core, CutLatch, Now, Output, Record};
use leverarm_tests::simulated_board::{Board, CYCLES_PER_US};
use leverarm_tests::{Scenario, run_scenarios, scenarios, whole};

/// Programs and files, as in the usage.
type Arguments = [String; 4];

const CYCLES_PER_S: u64 = 1_000_000 * CYCLES_PER_US;
const TEETH: f64 = 60.0;

/// The daemon's core around the board: what the thread that owns the port does, without a thread
/// and without a port.
struct Loop {
    board: Board,
    core: Core,
    cycle: u64,
    core_runs: bool,
    records: Vec<Record>,
    /// Where the drum is, in teeth, and when the next one passes.
    next_tooth: Option<f64>,
}

/// Longest step: what the daemon's reading of a port would take together.
const STEP_CYCLES: u64 = 1000 * CYCLES_PER_US;

impl Loop {
    fn start(arguments: &Arguments) -> Self {
        let [simulator, firmware, _, _] = arguments;
        let mut board = Board::start(simulator, &[firmware, "500000"]);
        board.command("thermocouple 01900190"); // 25 degrees Celsius both
        Self::with(board, arguments)
    }

    /// The text sketch instead of the reference firmware.
    fn with_text_board(arguments: &Arguments) -> Self {
        let [_, _, text_board, _] = arguments;
        Self::with(Board::start(text_board, &[]), arguments)
    }

    fn with(board: Board, [.., stand_file]: &Arguments) -> Self {
        let text = std::fs::read_to_string(stand_file).expect("the stand file");
        let stand = leverarm_config::parse(stand_file, &text).expect("a sound stand file");
        let mut this = Self {
            board,
            core: Core::new(stand),
            cycle: 0,
            core_runs: true,
            records: Vec::new(),
            next_tooth: None,
        };
        let mut out = Output::default();
        let now = this.now();
        this.core.port_opened(now, "simulated", &mut out);
        this.act(out);
        this
    }

    fn now(&self) -> Now {
        let mono_us = self.cycle / CYCLES_PER_US;
        Now::new(mono_us, mono_us.cast_signed())
    }

    fn act(&mut self, out: Output) {
        if !out.write.is_empty() {
            let hex: String = out.write.iter().map(|byte| format!("{byte:02x}")).collect();
            let at = self.cycle;
            self.board.command(&format!("receive {at} {hex}"));
        }
        self.records.extend(out.records);
    }

    /// Runs on for a time with the drum at a speed that changes evenly, revolutions per minute.
    fn run(&mut self, seconds: f64, rpm: std::ops::RangeInclusive<f64>) {
        let start = self.cycle;
        let cycles = seconds * CYCLES_PER_S as f64;
        let end = start + whole(cycles);
        while self.cycle < end {
            self.step(|at| {
                let share = ((at - start as f64) / cycles).clamp(0.0, 1.0);
                rpm.start() + share * (rpm.end() - rpm.start())
            });
        }
    }

    fn step(&mut self, rpm_at: impl Fn(f64) -> f64) {
        let until = self.cycle + STEP_CYCLES;
        let mut edges = String::new();
        let mut at = self.next_tooth.unwrap_or(self.cycle as f64 + 1000.0);
        while at < until as f64 {
            let rpm = rpm_at(at);
            if rpm < 1.0 {
                at = until as f64;
                break;
            }
            edges += &format!(" {at:.0}");
            at += CYCLES_PER_S as f64 * 60.0 / (rpm * TEETH);
        }
        self.next_tooth = Some(at);
        if !edges.is_empty() {
            self.board.command(&format!("edges 0{edges}"));
        }
        self.board.command(&format!("run {until}"));
        self.cycle = until;
        if !self.core_runs {
            self.board.sent.clear();
            return;
        }
        // A frame that ends a little after the step is read in the next one.
        let (come, coming) = std::mem::take(&mut self.board.sent)
            .into_iter()
            .partition::<Vec<_>, _>(|&(at, _)| at <= until);
        self.board.sent = coming;
        let now = self.now();
        let mut out = Output::default();
        for (_, bytes) in come {
            self.core.feed(now, &bytes, &mut out);
        }
        if now.mono_us >= self.core.wake_us() {
            self.core.tick(now, &mut out);
        }
        self.act(out);
    }

    fn command(&mut self, command: &Command) -> Result<String, leverarm_live::CommandError> {
        let mut out = Output::default();
        let result = self.core.command(self.now(), command, &mut out);
        self.act(out);
        result
    }

    /// Releases the cut in force, as a person does who has looked at it.
    fn release(&mut self, rpm: f64) {
        let view = self.core.cut_view();
        assert_eq!(view.latch, CutLatch::Confirmed, "{view:?}");
        let cut_id = view.cut_id.expect("a number");
        self.command(&Command::Release { cut_id })
            .expect("nothing against it");
        self.run(0.1, rpm..=rpm);
        assert_eq!(self.core.cut_view().latch, CutLatch::Running);
        assert!(self.board.lets_run());
    }

    /// A loop whose board is connected, guarded, released and turning.
    fn turning(arguments: &Arguments, rpm: f64) -> Self {
        let mut this = Self::start(arguments);
        this.run(0.3, 0.0..=0.0);
        this.release(0.0);
        this.run(0.5, rpm / 4.0..=rpm);
        this.run(0.3, rpm..=rpm);
        assert!(this.board.lets_run(), "{:?}", this.events());
        this
    }

    fn events(&self) -> Vec<&str> {
        let events = self.records.iter().filter_map(|record| match record {
            Record::Event(event) => Some(event.message.as_str()),
            _ => None,
        });
        events.collect()
    }

    fn cause(&self) -> String {
        self.core.cut_view().cause.unwrap_or_default()
    }

    /// No byte was lost or damaged on the way.
    fn assert_clean(&self) {
        let counters = self.core.counters();
        assert_eq!(counters.frames_damaged(), 0, "{counters:?}");
        assert_eq!(counters.frames_lost, 0, "{counters:?}");
    }
}

fn ms(cycles: u64) -> f64 {
    cycles as f64 / (1000 * CYCLES_PER_US) as f64
}

/// The board starts cut; the core finds it, guards it, and a person releases it.
fn a_person_releases_the_first_cut(arguments: &Arguments) -> String {
    let mut run = Loop::start(arguments);
    run.run(0.3, 0.0..=0.0);
    assert!(!run.board.lets_run());
    let live = run.core.live(run.now());
    assert!(live.connected && live.fit, "{live:?}");
    assert!(
        !run.events()
            .iter()
            .any(|e| e.contains("does not take the limits"))
    );
    run.release(0.0);
    run.run(3.0, 0.0..=0.0);
    assert!(run.board.lets_run(), "{:?}", run.events());
    run.assert_clean();
    String::new()
}

/// The drum passes the daemon's limit, below the board's own: the daemon's cut reaches the pin.
fn the_daemons_overspeed_cut_reaches_the_pin(arguments: &Arguments) -> String {
    let mut run = Loop::turning(arguments, 1600.0);
    // 1,780 rpm is passed after 0.9 s; the board's own limit is 5 % higher.
    let start = run.cycle;
    run.run(1.2, 1600.0..=1800.0 + 40.0);
    let cut = run.board.cut_at(start).expect("a cut");
    let cause = run.cause();
    assert!(cause.contains("drum overspeed"), "{cause}");
    run.run(0.05, 1840.0..=1840.0);
    assert_eq!(run.core.cut_view().latch, CutLatch::Confirmed);
    // The first tooth period that was above the limit.
    let limit_cycles = CYCLES_PER_S as f64 * 60.0 / (1780.0 * TEETH);
    let edges = run.board.edges.windows(2);
    let passed = edges
        .filter(|pair| pair[0] >= start && ((pair[1] - pair[0]) as f64) < limit_cycles)
        .map(|pair| pair[1])
        .next()
        .expect("the limit was passed");
    let took = ms(cut - passed);
    assert!(took < 60.0, "{took} ms");
    run.assert_clean();
    format!("{took:.1} ms from the first tooth above the limit")
}

/// A speed that jumps over both limits at once: the board does not wait for the daemon.
fn the_board_cuts_first_when_it_is_faster(arguments: &Arguments) -> String {
    let mut run = Loop::turning(arguments, 1600.0);
    let start = run.cycle;
    run.run(0.1, 1950.0..=1950.0);
    let cut = run.board.cut_at(start).expect("a cut");
    let first = run.board.edges.iter().find(|&&edge| edge > start);
    let took = ms(cut - first.expect("an edge"));
    assert!(took < 4.0, "three periods of 0.5 ms: {took} ms");
    assert_eq!(run.core.cut_view().latch, CutLatch::Confirmed);
    run.run(1.0, 1950.0..=300.0);
    run.release(300.0);
    run.assert_clean();
    format!("{took:.1} ms after the drum jumped over both limits")
}

/// A person's cut, and nobody but a person ends it.
fn a_persons_cut_reaches_the_pin(arguments: &Arguments) -> String {
    let mut run = Loop::turning(arguments, 1500.0);
    let at = run.cycle;
    let reason = "by hand".to_owned();
    run.command(&Command::Cut { reason })
        .expect("always possible");
    run.run(0.1, 1500.0..=1500.0);
    let took = ms(run.board.cut_at(at).expect("a cut") - at);
    assert!(took < 2.0, "{took} ms");
    run.run(2.0, 1500.0..=200.0);
    assert!(!run.board.lets_run());
    run.release(200.0);
    run.assert_clean();
    format!("{took:.2} ms from the command")
}

/// Whatever stops the daemon, its heartbeat stops with it.
fn the_board_cuts_when_the_daemon_stops(arguments: &Arguments) -> String {
    let mut run = Loop::turning(arguments, 1500.0);
    run.core_runs = false;
    let at = run.cycle;
    run.run(0.5, 1500.0..=1500.0);
    let took = ms(run.board.cut_at(at).expect("a cut") - at);
    assert!((200.0..=252.0).contains(&took), "{took} ms");
    format!("{took:.1} ms")
}

/// A store that falls behind could lose a pull: not fit to guard.
fn the_board_cuts_when_the_store_falls_behind(arguments: &Arguments) -> String {
    let mut run = Loop::turning(arguments, 1500.0);
    let mut out = Output::default();
    run.core.store_keeps_up(false, run.now(), &mut out);
    run.act(out);
    let at = run.cycle;
    run.run(0.5, 1500.0..=1500.0);
    let took = ms(run.board.cut_at(at).expect("a cut") - at);
    assert!((200.0..=302.0).contains(&took), "{took} ms");
    assert!(run.cause().contains("heartbeat"), "{}", run.cause());
    String::new()
}

/// The board's supply dips in a pull: cut, noticed, and guarded again before a release.
fn a_brown_out_is_a_cut_and_a_new_connection(arguments: &Arguments) -> String {
    let mut run = Loop::turning(arguments, 1500.0);
    let at = run.cycle;
    run.board.command("reset 4");
    // Between two instructions: the one under way may end a little after the cycle asked for.
    let reset = run.board.resets.last().copied();
    assert!(reset.is_some_and(|reset| (at..at + 4).contains(&reset)));
    run.run(0.4, 1500.0..=1400.0);
    assert_eq!(run.board.cut_at(at), reset);
    assert!(!run.board.lets_run());
    assert!(
        run.events().contains(&"the board restarted"),
        "{:?}",
        run.events()
    );
    run.run(0.6, 1400.0..=300.0);
    let live = run.core.live(run.now());
    assert!(live.connected && live.fit, "{live:?}");
    assert_eq!(run.core.cut_view().latch, CutLatch::Confirmed);
    run.release(300.0);
    String::new()
}

/// A hot cylinder head is cut by the board and seen by the daemon, or the other way round.
fn over_temperature_cuts(arguments: &Arguments) -> String {
    let mut run = Loop::turning(arguments, 1500.0);
    run.board.command("thermocouple 0e740190"); // 231.25 degrees
    let at = run.cycle;
    run.run(0.4, 1500.0..=1500.0);
    let took = ms(run.board.cut_at(at).expect("a cut") - at);
    assert!(took < 150.0, "{took} ms");
    let cut_id = run.core.cut_view().cut_id.expect("a number");
    // Not released while it is hot, neither by the daemon nor by the board, nor as soon as a single
    // sample is cool: the daemon wants to have seen half a second of them, ten a second.
    assert!(run.command(&Command::Release { cut_id }).is_err());
    run.board.command("thermocouple 01900190");
    run.run(0.3, 1500.0..=1300.0);
    assert!(run.command(&Command::Release { cut_id }).is_err());
    run.run(0.5, 1300.0..=1000.0);
    run.release(1000.0);
    String::new()
}

/// A board that speaks lines: found out, guarded, its teeth the same samples, cut on command and
/// without a heartbeat.
fn a_board_that_speaks_lines_is_guarded_too(arguments: &Arguments) -> String {
    let mut run = Loop::with_text_board(arguments);
    run.run(0.5, 0.0..=0.0);
    let live = run.core.live(run.now());
    assert!(live.connected && live.fit, "{live:?}");
    run.release(0.0);
    run.run(1.0, 40.0..=200.0);
    run.run(1.0, 200.0..=200.0);
    let drum_rpm = run.core.live(run.now()).drum_rpm.expect("a speed");
    assert!((drum_rpm - 200.0).abs() < 2.0, "{drum_rpm}");
    let at = run.cycle;
    let reason = "by hand".to_owned();
    run.command(&Command::Cut { reason })
        .expect("always possible");
    run.run(0.2, 200.0..=150.0);
    let took = ms(run.board.cut_at(at).expect("a cut") - at);
    assert!(took < 5.0, "{took} ms");
    run.release(150.0);
    run.core_runs = false;
    let at = run.cycle;
    run.run(0.5, 150.0..=150.0);
    let lost = ms(run.board.cut_at(at).expect("a cut") - at);
    assert!((200.0..=255.0).contains(&lost), "{lost} ms");
    format!("cut {took:.1} ms from the command, {lost:.0} ms after the daemon stops")
}

const SCENARIOS: &[(&str, Scenario<Arguments>)] = scenarios![
    a_person_releases_the_first_cut,
    the_daemons_overspeed_cut_reaches_the_pin,
    the_board_cuts_first_when_it_is_faster,
    a_persons_cut_reaches_the_pin,
    the_board_cuts_when_the_daemon_stops,
    the_board_cuts_when_the_store_falls_behind,
    a_brown_out_is_a_cut_and_a_new_connection,
    over_temperature_cuts,
    a_board_that_speaks_lines_is_guarded_too,
];

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let Ok(arguments) = Arguments::try_from(arguments) else {
        println!("usage: firmware_loop SIMULATOR FIRMWARE.bin TEXT_BOARD STAND.toml");
        return ExitCode::FAILURE;
    };
    run_scenarios(SCENARIOS, &[], &arguments)
}
