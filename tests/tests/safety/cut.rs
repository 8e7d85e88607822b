//! The cut, and who ends it.

use leverarm_live::{Arming, BoardStart, Command, CommandError, CutBy, CutLatch, LastTest, Passed};
use leverarm_software_stand::{Restart, StandModel};
use leverarm_tests::virtual_bench::VirtualBench;
use leverarm_vocabulary::EventKind;

/// The last guards cut nothing in a self-test: one warns, the others need a wheel that turns.
const STAND: &str = concat!(
    include_str!("drum.toml"),
    r#"
[[guard]]
name = "drum fast"
kind = "overspeed"
on = "drum speed"
limit = "1700 rpm"
action = "warn"

[pull]
start_speed = "3000 rpm"
end_speed = "9000 rpm"
"#
);

const HOUR: Arming = Arming {
    age_us_max: Some(3_600_000_000),
    simulated_is_exempt: false,
    last: LastTest::None,
};

/// A stand at rest with the ignition off, its board heard.
struct Bench {
    bench: VirtualBench,
    _folder: tempfile::TempDir,
}

impl Bench {
    fn new(stand: &str, arming: Arming) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let model = StandModel::pit_bike();
        let mut bench = VirtualBench::with_arming(folder.path(), stand, model, arming).unwrap();
        bench.stand().ignition(false);
        bench.wait(2.0).unwrap();
        Self {
            bench,
            _folder: folder,
        }
    }

    fn wait(&mut self, seconds: f64) {
        self.bench.wait(seconds).unwrap();
    }

    fn say(&mut self, command: &Command) -> Result<String, CommandError> {
        self.bench.command(command).unwrap()
    }

    fn cut(&mut self, reason: &str) {
        let reason = reason.to_owned();
        self.say(&Command::Cut { reason }).unwrap();
    }

    fn latch(&self) -> CutLatch {
        self.bench.core().cut_view().latch
    }

    fn newest(&self) -> u32 {
        self.bench.core().cut_view().cut_id.unwrap()
    }

    fn release_newest(&mut self) -> Result<String, CommandError> {
        let cut_id = self.newest();
        self.say(&Command::Release { cut_id })
    }

    fn turn_by_hand(&mut self) {
        self.bench.stand().turn_by_hand(2.0);
        self.wait(12.0);
    }

    /// What the journal says of the self-tests since the last call.
    fn verdicts(&mut self) -> Vec<String> {
        let events = self.bench.take_events().into_iter();
        let tests = events.filter(|event| event.kind == EventKind::GuardSelfTest);
        tests.map(|event| event.message).collect()
    }
}

#[test]
fn each_persons_cut_is_an_event_and_a_release_names_all() {
    let mut bench = Bench::new(STAND, Arming::default());
    bench.cut("first");
    bench.wait(0.5);
    let seen = bench.newest();
    bench.cut("second");
    let refused = bench.say(&Command::Release { cut_id: seen }).unwrap_err();
    let text = refused.to_string();
    assert!(matches!(refused, CommandError::CutSince { .. }), "{text}");
    assert!(text.contains("second") && !text.contains("first"), "{text}");
    bench.wait(0.5);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    let answer = bench.release_newest().unwrap();
    assert!(
        answer.contains("first") && answer.contains("second"),
        "{answer}"
    );
    bench.wait(0.5);
    assert_eq!(bench.latch(), CutLatch::Running);
    let events = bench.bench.take_events();
    let of = |kind: &str| events.iter().filter(|it| it.kind.word() == kind).count();
    assert_eq!((of("cut"), of("released")), (2, 1));
    let released = events
        .iter()
        .find(|it| it.kind == EventKind::Released)
        .unwrap();
    assert_eq!(released.message, "cuts 1, 2 released");
}

#[test]
fn a_cut_while_a_release_is_under_way_keeps_all_in_force() {
    let mut bench = Bench::new(STAND, Arming::default());
    bench.cut("first");
    bench.wait(0.5);
    bench.release_newest().unwrap();
    bench.cut("second");
    bench.wait(1.0);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    assert!(bench.say(&Command::Release { cut_id: 1 }).is_err());
    bench.release_newest().unwrap();
    bench.wait(0.5);
    assert_eq!(bench.latch(), CutLatch::Running);
}

#[test]
fn a_flood_of_cuts_keeps_persons_and_the_newest_and_counts_the_rest() {
    let mut bench = Bench::new(STAND, Arming::default());
    for number in 0..1_000 {
        bench.cut(&number.to_string());
    }
    bench.wait(0.5);
    let view = bench.bench.core().cut_view();
    assert!(view.cuts.len() <= 32, "{}", view.cuts.len());
    assert_eq!(
        view.cuts.len() + usize::try_from(view.cuts_more).unwrap(),
        1_000
    );
    assert_eq!(view.cuts.last().unwrap().number, 1_000);
    bench.release_newest().unwrap();
    bench.wait(0.5);
    assert_eq!(bench.latch(), CutLatch::Running);
}

#[test]
fn a_self_test_ends_cut_whatever_guard_is_last() {
    let last = STAND.replace("1700 rpm", "100 rpm");
    let fall = last.replace(
        r#"kind = "overspeed"
on = "drum speed"
limit = "100 rpm"
action = "warn""#,
        r#"kind = "below"
on = "drum speed"
limit = "100 rpm"
while = "pulling"
action = "cut""#,
    );
    assert_ne!(last, fall);
    for stand in [STAND, &fall] {
        let mut bench = Bench::new(stand, HOUR);
        bench.turn_by_hand();
        bench.say(&Command::SelfTest).unwrap();
        bench.wait(15.0);
        assert_eq!(bench.verdicts(), ["all 2 guards passed"]);
        assert!(bench.bench.core().is_armed());
        assert_eq!(bench.latch(), CutLatch::Confirmed);
        assert!(bench.bench.stand().truth().cut);
    }
}

#[test]
fn a_persons_cut_breaks_the_self_test_off_and_only_a_person_ends_it() {
    // At any moment of the test.
    for after_ms in [0_u32, 40, 90, 150, 300, 600, 1_000, 1_500] {
        let mut bench = Bench::new(STAND, HOUR);
        bench.turn_by_hand();
        bench.say(&Command::SelfTest).unwrap();
        bench.wait(f64::from(after_ms) * 1e-3);
        if bench.bench.core().is_armed() {
            continue; // over before
        }
        bench.cut("hand on the button");
        bench.wait(10.0);
        assert!(bench.bench.stand().truth().cut, "{after_ms} ms");
        assert!(!bench.bench.core().is_armed(), "{after_ms} ms");
        let verdicts = bench.verdicts();
        assert!(verdicts[0].contains("hand on the button"), "{verdicts:?}");
        // Nor does another test end it.
        let refused = bench.say(&Command::SelfTest).unwrap_err().to_string();
        assert!(refused.contains("hand on the button"), "{refused}");
        // A person has seen it: the stand stays cut, but may be tested.
        bench.release_newest().unwrap();
        bench.wait(1.0);
        assert!(bench.bench.stand().truth().cut);
        let cuts = bench.bench.core().cut_view().cuts;
        assert!(cuts.iter().all(|cut| cut.by == CutBy::NotArmed), "{cuts:?}");
        bench.say(&Command::SelfTest).unwrap();
        bench.wait(15.0);
        assert_eq!(bench.verdicts(), ["all 2 guards passed"]);
        bench.release_newest().unwrap();
        bench.wait(0.5);
        assert_eq!(bench.latch(), CutLatch::Running);
    }
}

#[test]
fn a_self_test_broken_off_disarms_also_after_an_earlier_pass() {
    let mut bench = Bench::new(STAND, HOUR);
    bench.turn_by_hand();
    bench.say(&Command::SelfTest).unwrap();
    bench.wait(15.0);
    bench.release_newest().unwrap();
    bench.wait(0.5);
    assert_eq!(bench.latch(), CutLatch::Running);
    bench.say(&Command::SelfTest).unwrap();
    bench.wait(0.3);
    bench.bench.stand().turn_by_hand(3.0);
    bench.wait(15.0);
    assert!(!bench.bench.core().is_armed());
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    assert_eq!(bench.release_newest().unwrap_err(), CommandError::NotArmed);
}

#[test]
fn a_link_that_is_lost_breaks_the_self_test_off() {
    let mut bench = Bench::new(STAND, HOUR);
    bench.turn_by_hand();
    bench.say(&Command::SelfTest).unwrap();
    bench.wait(0.3);
    // Nothing of the board is heard for a second.
    bench.bench.grow_delay(1.0);
    bench.wait(1.0);
    bench.bench.grow_delay(0.0);
    bench.wait(15.0);
    let verdicts = bench.verdicts();
    assert_eq!(verdicts.len(), 1, "{verdicts:?}");
    assert!(verdicts[0].contains("broken off"), "{verdicts:?}");
    assert!(!bench.bench.core().is_armed());
    assert!(bench.bench.stand().truth().cut);
}

/// Also where the stand file asks for no self-test, and over a new connection.
#[test]
fn a_failed_self_test_is_asked_for_again() {
    let unasked = Arming {
        age_us_max: None,
        ..HOUR
    };
    let mut bench = Bench::new(STAND, unasked);
    assert!(bench.bench.core().is_armed());
    bench.cut("before the test");
    bench.wait(0.5);
    bench.release_newest().unwrap();
    bench.wait(0.5);
    bench.say(&Command::SelfTest).unwrap();
    bench.wait(0.3);
    bench.cut("broken off");
    for restart in [None, Some(Restart::Reset)] {
        if let Some(restart) = restart {
            bench.bench.stand().restart_board(restart);
        }
        bench.wait(3.0);
        assert!(!bench.bench.core().is_armed(), "{restart:?}");
        assert!(bench.bench.stand().truth().cut, "{restart:?}");
    }
}

#[test]
fn a_pass_arms_one_start_of_one_board() {
    let mut bench = Bench::new(STAND, HOUR);
    bench.turn_by_hand();
    bench.say(&Command::SelfTest).unwrap();
    bench.wait(15.0);
    bench.release_newest().unwrap();
    bench.wait(0.5);
    assert!(bench.bench.core().is_armed());
    bench.bench.stand().restart_board(Restart::Reset);
    bench.wait(3.0);
    assert!(!bench.bench.core().is_armed());
    assert!(bench.bench.stand().truth().cut);
    // The new start has shown no teeth.
    bench.say(&Command::SelfTest).ok();
    bench.wait(15.0);
    assert!(!bench.bench.core().is_armed());
}

#[test]
fn a_pass_on_another_board_does_not_arm() {
    let board_id = StandModel::pit_bike().board.board_id;
    for (board_id, boot, armed) in [
        (board_id, 1, true),
        (board_id, 2, false),
        (board_id + 1, 1, false),
    ] {
        let last = LastTest::Passed(Passed {
            wall_us: 1_790_000_000_000_000,
            board: BoardStart { board_id, boot },
        });
        let bench = Bench::new(STAND, Arming { last, ..HOUR });
        assert_eq!(bench.bench.core().is_armed(), armed, "{board_id} {boot}");
    }
}

#[test]
fn a_board_that_says_it_is_simulated_needs_no_self_test() {
    let exempt = Arming {
        simulated_is_exempt: true,
        ..HOUR
    };
    assert!(Bench::new(STAND, exempt).bench.core().is_armed());
    assert!(!Bench::new(STAND, HOUR).bench.core().is_armed());
}

#[test]
fn a_self_test_without_a_tooth_does_not_pass() {
    let mut bench = Bench::new(STAND, HOUR);
    let said = bench.say(&Command::SelfTest).unwrap();
    assert!(said.contains("turn drum and engine by hand"), "{said}");
    bench.wait(20.0);
    assert!(!bench.bench.core().is_armed());
    let awaited = bench.bench.live().waiting_for;
    assert!(awaited.contains("pickup 0 (drum)"), "{awaited}");
    bench.turn_by_hand();
    bench.wait(15.0);
    assert_eq!(bench.verdicts(), ["all 2 guards passed"]);

    let mut bench = Bench::new(STAND, HOUR);
    bench.say(&Command::SelfTest).unwrap();
    bench.wait(185.0);
    let verdicts = bench.verdicts();
    assert!(
        verdicts[0].contains("no teeth came from pickup 0"),
        "{verdicts:?}"
    );
    assert!(!bench.bench.core().is_armed());
    assert!(bench.bench.stand().truth().cut);
}
