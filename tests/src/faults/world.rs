//! One simulation: stand, line, host and person, a millisecond at a time.

use std::collections::BTreeMap;

use leverarm_live::{Command, CommandError, Core, CutLatch, Now, Output, Record};
use leverarm_software_stand::{Relay, Restart, RiderScript, SoftwareStand, TemperatureSource};
use sha2::{Digest, Sha256};

use super::Outcome;
use super::chance::{Chance, Stream};
use super::checks::{Around, Checks};
use super::link::{Down, Up};
use super::plan::{Fault, FaultKind, Plan, temperature_channel};
use super::store::Queue;
use crate::whole;

pub(super) const STEP_US: u64 = 1_000;
pub(super) const STAND: &str = include_str!("stand.toml");
const WALL_US: i64 = 1_790_000_000_000_000;
/// Bytes come to the core in so many pieces at most.
const PIECES_MAX: u64 = 4;
/// How often a sleepy loop falls asleep.
const SLEEPS_SHARE: f64 = 0.1;
/// How often one of two who quarrel does something.
const DEEDS_SHARE: f64 = 0.004;
/// The person who releases a cut after a look at it, beside those two.
const CAREFUL: usize = 2;
/// A person looks at a cut for so long before releasing it, s.
const LOOKS_S: (f64, f64) = (0.3, 2.5);

pub(super) struct World {
    seed: u64,
    plan: Plan,
    now_us: u64,
    active: Vec<FaultKind>,
    stand: SoftwareStand,
    board_started_us: u64,
    down: Down,
    up: Up,
    core: Core,
    host: Host,
    person: Person,
    /// The newest cut that each of two has seen.
    quarrel: [Option<u32>; 2],
    cuts_asked: u32,
    queue: Queue,
    checks: Checks,
    trace: Sha256,
    journal: Vec<String>,
}

/// The loop around the core, and its clocks.
struct Host {
    chance: Chance,
    is_open: bool,
    sleeps_until_us: u64,
    turned_us: u64,
    wall_jump_us: i64,
}

struct Person {
    chance: Chance,
    releases_at_us: Option<u64>,
    is_runaway: bool,
}

impl World {
    pub(super) fn new(seed: u64) -> Result<Self, Box<dyn std::error::Error>> {
        let plan = Plan::new(seed);
        let mut stand_file = leverarm_config::parse("stand.toml", STAND)?;
        plan.fit(&mut stand_file);
        let mut stand = SoftwareStand::new(plan.model.clone(), seed)?;
        stand.ride(Some(plan.script));
        let channels = (
            temperature_channel(&plan.model, TemperatureSource::Head),
            temperature_channel(&plan.model, TemperatureSource::Air),
        );
        let queue = if plan.real_store {
            Queue::with_store(seed, &stand_file)?
        } else {
            Queue::new()
        };
        Ok(Self {
            seed,
            now_us: 0,
            active: Vec::new(),
            stand,
            board_started_us: u64::from(plan.model.board.start_ms) * 1_000,
            down: Down::new(seed, plan.latency_us, plan.tick_offset, channels),
            up: Up::new(seed, plan.latency_us, plan.model.board.baud),
            checks: Checks::new(&plan, &stand_file),
            core: Core::new(stand_file),
            host: Host {
                chance: Chance::new(seed, Stream::Host),
                is_open: false,
                sleeps_until_us: 0,
                turned_us: 0,
                wall_jump_us: 0,
            },
            person: Person {
                chance: Chance::new(seed, Stream::Person),
                releases_at_us: None,
                is_runaway: false,
            },
            quarrel: [None; 2],
            cuts_asked: 0,
            queue,
            trace: Sha256::new(),
            journal: Vec::new(),
            plan,
        })
    }

    pub(super) fn run(mut self) -> Result<Outcome, Box<dyn std::error::Error>> {
        let mut bytes = Vec::new();
        while self.now_us < self.plan.length_us && self.checks.is_worth_going_on() {
            self.now_us += STEP_US;
            self.begin_and_end_faults()?;
            self.act();
            if self.active.contains(&FaultKind::Quarrel) {
                self.quarrel();
            }
            let commands = self.up.deliver(self.now_us);
            if !commands.is_empty() {
                self.stand.receive(&commands);
            }
            bytes.clear();
            self.stand.advance(self.now_us, &mut bytes);
            self.down.delay(self.now_us, &self.active);
            self.down.send(self.now_us, &bytes, &self.active);
            for injected in self.down.take_injected() {
                self.checks.injected(self.now_us, injected, &self.active);
            }
            if self.now_us >= self.host.sleeps_until_us {
                self.host_turn()?;
            }
            self.look();
        }
        // As the daemon does it: a test that is under way ends cut.
        if self.checks.is_testing() {
            self.cut_by_person();
        }
        let mut out = Output::default();
        self.core.shut_down(self.now(), &mut out);
        self.handle(out);
        self.checks.finish(self.now_us);
        let now = self.now();
        let (wrong, points) = self.queue.finish(now)?;
        let (failures, mut counts) = self.checks.into_results(wrong);
        counts.insert("points on a server".to_owned(), points);
        Ok(Outcome {
            seed: self.seed,
            failures,
            journal: self.journal,
            simulated_s: self.now_us as f64 * 1e-6,
            trace: self.trace.finalize().into(),
            counts,
        })
    }

    fn now(&self) -> Now {
        let host_us = whole((self.now_us as f64 * (1.0 + self.plan.drift)).round());
        Now::new(
            self.plan.mono_start_us + host_us,
            WALL_US + host_us.cast_signed() + self.host.wall_jump_us,
        )
    }

    fn begin_and_end_faults(&mut self) -> Result<(), Box<dyn std::error::Error>> {
        let now_us = self.now_us;
        let faults = self.plan.faults.iter();
        let is_active = |fault: &&Fault| (fault.from_us..fault.until_us).contains(&now_us);
        self.active = faults.clone().filter(is_active).map(|it| it.kind).collect();
        let is_new = |fault: &&Fault| fault.from_us / STEP_US == now_us / STEP_US;
        for fault in faults.filter(is_new).copied().collect::<Vec<_>>() {
            self.checks.began(now_us, fault);
            match fault.kind {
                FaultKind::Garbage { bytes } => self.down.garbage(now_us, bytes),
                FaultKind::Restart(restart) => self.restart(restart),
                FaultKind::PortLost { restart: true } => self.restart(Restart::Reset),
                FaultKind::PickupBroken { pickup, fault } => {
                    self.stand.pickup_fault(pickup, fault);
                }
                FaultKind::PickupsSwapped => self.stand.swap_pickups(0, 1),
                FaultKind::RelayWelded => self.stand.relay(Relay::Welded),
                FaultKind::WallJump { us } => self.host.wall_jump_us += us,
                FaultKind::Killed { us } => self.kill(us)?,
                FaultKind::PersonCuts => {
                    self.cut_by_person();
                }
                FaultKind::BogusRelease => {
                    let cut_id = self.core.cut_view().cut_id.unwrap_or(7).wrapping_add(1);
                    let result = self.command(CAREFUL, &Command::Release { cut_id });
                    self.checks.bogus_release(now_us, &result);
                }
                FaultKind::Runaway if self.core.cut_view().latch == CutLatch::Running => {
                    self.person.is_runaway = true;
                    self.take_rider_events();
                    self.stand.ride(None);
                    self.stand.ignition(true);
                    self.stand.clutch(true);
                    self.stand.throttle(1.0);
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// The daemon is gone without a word, and another one starts a little later.
    fn kill(&mut self, us: u64) -> Result<(), Box<dyn std::error::Error>> {
        self.core = Core::new(self.core.stand().clone());
        self.queue.killed()?;
        self.up.closed();
        self.host.is_open = false;
        self.host.sleeps_until_us = self.now_us + us;
        self.person.releases_at_us = None;
        self.quarrel = [None; 2];
        self.checks.killed(self.now_us, us);
        Ok(())
    }

    fn restart(&mut self, restart: Restart) {
        self.down.broken_off(self.now_us);
        self.stand.restart_board(restart);
        self.board_started_us = self.now_us + u64::from(self.plan.model.board.start_ms) * 1_000;
        self.checks.restarted(self.now_us, self.host.is_open);
    }

    /// What the person does: stops after a runaway, releases a cut after a look at it.
    fn act(&mut self) {
        let view = self.core.cut_view();
        // Whose relay is welded hears the engine go on, until the page says what to do.
        let is_stopped = self.stand.truth().cut
            && (!self.active.contains(&FaultKind::RelayWelded) || self.checks.is_alarmed());
        if self.person.is_runaway && is_stopped {
            self.person.is_runaway = false;
            let script = RiderScript {
                pulls: 2,
                ..self.plan.script
            };
            self.stand.ride(Some(script));
        }
        let Some(cut_id) = view.cut_id.filter(|_| view.latch == CutLatch::Confirmed) else {
            self.person.releases_at_us = None;
            return;
        };
        let (low, high) = LOOKS_S;
        let looks_us = whole(1e6 * self.person.chance.between(low, high));
        let at_us = *self
            .person
            .releases_at_us
            .get_or_insert(self.now_us + looks_us);
        if self.now_us >= at_us && self.now_us >= self.host.sleeps_until_us {
            self.person.releases_at_us = Some(self.now_us + looks_us);
            self.checks.looked(CAREFUL);
            let _said = self.command(CAREFUL, &Command::Release { cut_id });
        }
    }

    /// A person cuts, with a reason that no other cut has.
    fn cut_by_person(&mut self) {
        self.cuts_asked += 1;
        let reason = format!("a person, time {};", self.cuts_asked);
        let _said = self.command(CAREFUL, &Command::Cut { reason });
    }

    /// What two who do not talk to each other do.
    fn quarrel(&mut self) {
        let chance = &mut self.person.chance;
        if self.now_us < self.host.sleeps_until_us || !chance.happens(DEEDS_SHARE) {
            return;
        }
        let who = usize::try_from(chance.below(2)).unwrap_or(0);
        match chance.below(8) {
            0..=2 => {
                if let Some(cut_id) = self.core.cut_view().cut_id {
                    self.quarrel[who] = Some(cut_id);
                    self.checks.looked(who);
                }
            }
            3 | 4 => {
                if let Some(cut_id) = self.quarrel[who] {
                    let _said = self.command(who, &Command::Release { cut_id });
                }
            }
            5 => {
                let _said = self.command(who, &Command::SelfTest);
            }
            _ => self.cut_by_person(),
        }
    }

    fn command(&mut self, who: usize, command: &Command) -> Result<String, CommandError> {
        let mut out = Output::default();
        let result = self.core.command(self.now(), command, &mut out);
        let is_armed = self.core.is_armed();
        self.checks
            .commanded(self.now_us, who, command, &result, is_armed);
        self.handle(out);
        self.checks.obeyed(self.now_us);
        result
    }

    /// The loop around the core: first what came, then what is due.
    fn host_turn(&mut self) -> Result<(), Box<dyn std::error::Error>> {
        let is_gone = self
            .active
            .iter()
            .any(|kind| matches!(kind, FaultKind::PortLost { .. }));
        let came = self.down.deliver(self.now_us, &self.active);
        if is_gone && self.host.is_open {
            self.host.is_open = false;
            self.up.closed();
            self.checks.closed(self.now_us);
            self.call(|core, now, out| core.port_lost(now, "unplugged", out));
        } else if !is_gone && !self.host.is_open {
            self.host.is_open = true;
            self.down.opened();
            self.checks.opened(self.now_us);
            self.call(|core, now, out| core.port_opened(now, "/dev/simulated", out));
        } else if self.host.is_open {
            self.feed(&came);
        }
        let now = self.now();
        if let Some(keeps_up) = self.queue.step(self.now_us / STEP_US, now, &self.active)? {
            self.call(|core, now, out| core.store_keeps_up(keeps_up, now, out));
        }
        if self.now().mono_us >= self.core.wake_us() {
            self.call(|core, now, out| core.tick(now, out));
        }
        let around = self.around();
        self.checks.turned(&around, &self.core);
        self.host.turned_us = self.now_us;
        for fault in &self.active {
            if let FaultKind::LateLoop { us_max } = *fault
                && self.host.chance.happens(SLEEPS_SHARE)
            {
                self.host.sleeps_until_us = self.now_us + self.host.chance.whole(20_000, us_max);
            }
        }
        Ok(())
    }

    /// Bytes come in pieces, cut anywhere.
    fn feed(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        for _ in 0..self.host.chance.below(PIECES_MAX) {
            let cut = self.host.chance.below(rest.len() as u64 + 1);
            let (piece, later) = rest.split_at(usize::try_from(cut).unwrap_or(0));
            self.feed_piece(piece);
            rest = later;
        }
        self.feed_piece(rest);
    }

    fn feed_piece(&mut self, piece: &[u8]) {
        if !piece.is_empty() {
            self.checks.fed(self.now_us, piece);
            self.call(|core, now, out| core.feed(now, piece, out));
        }
    }

    fn call(&mut self, call: impl FnOnce(&mut Core, Now, &mut Output)) {
        let mut out = Output::default();
        let now = self.now();
        call(&mut self.core, now, &mut out);
        self.handle(out);
    }

    /// Passes on what the core wants done.
    fn handle(&mut self, out: Output) {
        self.trace.update(self.now_us.to_le_bytes());
        self.trace.update(&out.write);
        let around = self.around();
        for record in &out.records {
            self.hash(record);
            self.checks.recorded(&around, record);
        }
        self.checks.said(&around, &out, &self.core);
        for record in out.records {
            self.queue.push(record);
        }
        if self.host.is_open && self.up.send(self.now_us, &out.write, &self.active) {
            self.checks.commands_damaged(self.now_us);
        }
    }

    fn hash(&mut self, record: &Record) {
        match record {
            Record::Chunk(chunk) => {
                self.trace.update(chunk.seq.to_le_bytes());
                self.trace.update(&chunk.bytes);
            }
            other => {
                let text = format!("{other:?}");
                self.trace.update(&text);
                let seconds = self.now_us as f64 * 1e-6;
                self.journal.push(format!("{seconds:.3} s: {text}"));
            }
        }
    }

    fn around(&self) -> Around {
        Around {
            now_us: self.now_us,
            mono_start_us: self.plan.mono_start_us,
            drift: self.plan.drift,
            board_started_us: self.board_started_us,
            turned_us: self.host.turned_us,
            is_open: self.host.is_open,
            store_behind: self.queue.is_behind(),
            store_waiting: self.queue.len(),
        }
    }

    /// Looks at what is true.
    fn look(&mut self) {
        let truth = self.stand.truth();
        let asleep = self.now_us < self.host.sleeps_until_us;
        let limits = self.down.limits();
        let delay_us = self.down.delay_us();
        self.checks.truth(
            self.now_us,
            &truth,
            limits,
            (asleep, delay_us),
            &self.active,
        );
        if self.now_us.is_multiple_of(100 * STEP_US) {
            self.take_rider_events();
        }
    }

    fn take_rider_events(&mut self) {
        for event in self.stand.take_events() {
            self.checks.rode(event);
        }
    }
}

/// So many times each thing happened.
pub(super) type Counts = BTreeMap<String, u64>;
