//! What is to go wrong, and when: drawn from the seed before anything runs.

use leverarm_config::{Rule, Stand};
use leverarm_software_stand::{
    Interference, PickupFault, Restart, RiderScript, StandModel, TemperatureSource,
};

use super::chance::{Chance, Stream};

/// One in so many seeds has nothing wrong.
const FAULT_FREE_EVERY: u64 = 6;
/// So many have the real store, and a destination of points behind it.
const REAL_STORE_SHARE: f64 = 0.1;

/// A whole simulation before it runs.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    pub(super) model: StandModel,
    pub(super) script: RiderScript,
    pub(super) length_us: u64,
    /// Added to every tick on the wire, so that the counter wraps when the seed wants it.
    pub(super) tick_offset: u32,
    /// Where the host's monotonic clock begins.
    pub(super) mono_start_us: u64,
    /// Shortest and longest time a frame takes from the board's line to the host.
    pub(super) latency_us: (u64, u64),
    pub(super) faults: Vec<Fault>,
    /// Debounce of the stand file's guards against overspeed.
    pub(super) debounce_ms: u32,
    /// The host's clock is faster than the board's by this share.
    pub(super) drift: f64,
    /// The stand file has the engine's pickup too.
    pub(super) reads_engine: bool,
    /// The real store takes the chunks, and has to give them back; a time-series server gets its
    /// points.
    pub(super) real_store: bool,
}

/// Something that goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fault {
    pub(super) from_us: u64,
    pub(super) until_us: u64,
    pub(super) kind: FaultKind,
}

/// What goes wrong. A share is the probability for each byte or frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum FaultKind {
    /// Bytes to the host are lost.
    LoseBytes { share: f64 },
    /// Bits in bytes to the host are turned.
    CorruptBytes { share: f64 },
    /// Bytes to the host come twice.
    DoubleBytes { share: f64 },
    /// Bytes out of nowhere, once.
    Garbage { bytes: u64 },
    /// Whole frames to the host are lost.
    DropFrames { share: f64 },
    /// Whole frames come twice.
    DoubleFrames { share: f64 },
    /// Frames come after later ones.
    LateFrames { share: f64 },
    /// Everything to the host waits until the end.
    HoldBack,
    /// Bits in bytes to the board are turned.
    CorruptCommands { share: f64 },
    /// Bytes to the board are lost.
    LoseCommands { share: f64 },
    /// The board starts again.
    Restart(Restart),
    /// The port is gone until the end. The board may start again when it is opened.
    PortLost { restart: bool },
    /// The wall clock jumps, once.
    WallJump { us: i64 },
    /// The store takes nothing: its disk is full, gone, or fails a sync. The recorder tries until it
    /// takes the record.
    StoreStalled,
    /// The store takes a record now and then.
    StoreSlow,
    /// The daemon is killed, and started again after this time.
    Killed { us: u64 },
    /// The core's loop sleeps for up to so long, again and again.
    LateLoop { us_max: u64 },
    /// A person cuts.
    PersonCuts,
    /// Two persons, one at the page and one at the command line, cut, release what each has seen, and
    /// begin self-tests.
    Quarrel,
    /// A person names a cut that is not in force.
    BogusRelease,
    /// The throttle sticks open, until the stand is cut.
    Runaway,
    /// A pickup, by its place in the model, is broken, or its wheel is.
    PickupBroken { pickup: u8, fault: PickupFault },
    /// The plugs of the drum's and the engine's pickup are swapped.
    PickupsSwapped,
    /// The relay is welded: the board says that it has cut, and the engine fires on.
    RelayWelded,
    /// What the board says comes later, by a jump and more with each second.
    LinkDelayed {
        from_us: u64,
        jump_us: u64,
        s_per_s: f64,
    },
    /// The drum's pickup gives nothing.
    PickupOpen,
    /// The head's sensor is broken, as the board sees it.
    HeadOpen,
    /// The head's converter is at its end.
    HeadClipped,
    /// The air's sensor shows one value, too hot.
    AirHot,
    /// The air's sensor shows one value, believable.
    AirStuck,
    /// The lambda input is at its end.
    LambdaClipped,
    /// The load cell shows anything.
    ForceNoisy,
    /// The time-series server can't be reached.
    ServerDown,
    /// It answers after so long.
    ServerSlow { us: u64 },
    /// Requests break off on the way, or their answers do.
    ServerBreaks { share: f64 },
    /// It refuses whatever it is sent.
    ServerRefuses,
    /// It lets nobody in.
    ServerDenies,
}

impl FaultKind {
    /// Whether bytes or frames between board and host suffer.
    pub(super) fn is_of_link(self) -> bool {
        matches!(
            self,
            Self::LoseBytes { .. }
                | Self::CorruptBytes { .. }
                | Self::DoubleBytes { .. }
                | Self::Garbage { .. }
                | Self::DropFrames { .. }
                | Self::DoubleFrames { .. }
                | Self::LateFrames { .. }
                | Self::HoldBack
                | Self::CorruptCommands { .. }
                | Self::LoseCommands { .. }
                | Self::Restart(_)
                | Self::PortLost { .. }
        )
    }

    /// Whether it may end in a cut, or a pull that is not whole.
    pub(super) fn may_cut(self) -> bool {
        !matches!(
            self,
            Self::WallJump { .. }
                | Self::BogusRelease
                | Self::AirStuck
                | Self::LambdaClipped
                | Self::ForceNoisy
                | Self::ServerDown
                | Self::ServerSlow { .. }
                | Self::ServerBreaks { .. }
                | Self::ServerRefuses
                | Self::ServerDenies
        )
    }
}

impl Plan {
    pub(super) fn new(seed: u64) -> Self {
        let mut chance = Chance::new(seed, Stream::Plan);
        let mut model = StandModel::pit_bike();
        if chance.happens(0.2) {
            model.board.baud = 115_200;
        }
        model.board.status_hz = u16::try_from(chance.whole(10, 41)).unwrap_or(20);
        model.board.tick_hz =
            chance.one_of([1_000_000, 2_000_000, 2_000_000, 16_000_000, 50_000_000]);
        if model.board.baud < 500_000 {
            // At 50 MHz single slow teeth are more than it can carry.
            model.board.tick_hz = model.board.tick_hz.min(16_000_000);
        }
        let mut script = RiderScript::pit_bike(chance.whole(1, 6).try_into().unwrap_or(3));
        script.warm_k = model.engine.head.start_k - 1.0;
        script.hold_s = chance.between(0.2, 1.0);
        script.coast_s = chance.between(0.45, 1.5);
        script.opening_s = chance.between(0.02, 0.3);

        let is_fault_free = seed.is_multiple_of(FAULT_FREE_EVERY);
        let mut plan = Self {
            length_us: chance.whole(6, 25) * 1_000_000,
            tick_offset: 0,
            mono_start_us: chance.below(1 << 40),
            latency_us: (chance.below(2_000), chance.whole(2_000, 6_000)),
            faults: Vec::new(),
            debounce_ms: 0,
            drift: 0.0,
            reads_engine: chance.happens(0.5),
            real_store: chance.happens(REAL_STORE_SHARE),
            model,
            script,
        };
        let mut hazards = Chance::new(seed, Stream::Hazards);
        plan.vary_stand(&mut hazards);
        plan.wear_pickups(&mut chance, is_fault_free);
        plan.wrap_ticks(&mut chance);
        if !is_fault_free {
            // Half of them have a stand that lies, and little else that could cut first.
            let has_hazard = hazards.happens(0.5);
            let faults = if has_hazard {
                chance.below(2)
            } else {
                1 + chance.below(7)
            };
            for _ in 0..faults {
                plan.add_fault(&mut chance);
            }
            if has_hazard {
                plan.add_hazard(&mut hazards);
            }
            if plan.real_store {
                plan.add_server_faults(&mut Chance::new(seed, Stream::ServerPlan));
            }
            plan.faults.sort_by_key(|fault| fault.from_us);
        }
        plan
    }

    /// Makes a stand file one of this stand.
    pub(super) fn fit(&self, stand: &mut Stand) {
        if !self.reads_engine {
            stand.pickups.retain(|pickup| pickup.channel == 0);
        }
        for (pickup, wheel) in stand.pickups.iter_mut().zip(&self.model.pickups) {
            pickup.teeth = wheel.teeth;
        }
        for guard in &mut stand.guards {
            if guard.rule == Rule::Overspeed {
                guard.debounce_ms = self.debounce_ms;
            }
        }
    }

    /// Wheels, debounces and clocks as stands have them.
    fn vary_stand(&mut self, chance: &mut Chance) {
        if chance.happens(0.6) {
            // More teeth would fill a slow line.
            let most = if self.model.board.baud < 500_000 {
                16
            } else {
                60
            };
            if let Some(drum) = self.model.pickups.first_mut() {
                drum.teeth = u16::try_from(chance.whole(1, most + 1)).unwrap_or(8);
            }
        }
        if chance.happens(0.3) {
            self.debounce_ms = u32::try_from(chance.whole(1, 60)).unwrap_or(0);
        }
        if chance.happens(0.7) {
            self.drift = chance.between(-0.005, 0.005);
        }
    }

    /// A stand that does not say what is, and a throttle that sticks meanwhile.
    fn add_hazard(&mut self, chance: &mut Chance) {
        let last_us = self.length_us.saturating_sub(3_000_000);
        let from_us = if chance.happens(0.4) {
            1_000
        } else {
            chance.whole(500_000, last_us)
        };
        let kind = match chance.below(11) {
            0..=3 => {
                let pickup = u8::from(chance.happens(0.2));
                let teeth = self.model.pickups.get(usize::from(pickup));
                let teeth = u64::from(teeth.map_or(1, |pickup| pickup.teeth));
                FaultKind::PickupBroken {
                    pickup,
                    fault: broken(chance, teeth),
                }
            }
            4 => FaultKind::PickupsSwapped,
            5 => FaultKind::RelayWelded,
            6..=8 => FaultKind::Quarrel,
            _ => {
                let (jump_us, s_per_s) =
                    (chance.whole(200_000, 1_500_000), chance.between(0.05, 0.5));
                FaultKind::LinkDelayed {
                    from_us,
                    jump_us: chance.one_of([0, 0, jump_us]),
                    s_per_s: chance.one_of([0.0, 0.1, s_per_s]),
                }
            }
        };
        // Nobody changes plugs while the drum turns.
        let from_us = match kind {
            FaultKind::PickupsSwapped => 1_000,
            _ => from_us,
        };
        self.faults.push(Fault {
            from_us,
            until_us: self.length_us,
            kind,
        });
        if chance.happens(0.8) {
            let at_us = from_us + chance.whole(300_000, 2_500_000);
            self.faults.push(Fault {
                from_us: at_us,
                until_us: at_us,
                kind: FaultKind::Runaway,
            });
        }
    }

    /// Whether nothing in here may cut.
    pub(super) fn is_harmless(&self) -> bool {
        self.edges_in_a_burst() == 0 && !self.faults.iter().any(|fault| fault.kind.may_cut())
    }

    /// Teeth that are broken off the drum's wheel.
    pub(super) fn teeth_gone(&self) -> u8 {
        let gone = self.faults.iter().map(|fault| match fault.kind {
            FaultKind::PickupBroken { pickup: 0, fault } => fault.teeth_gone.count_ones(),
            _ => 0,
        });
        u8::try_from(gone.max().unwrap_or(0)).unwrap_or(u8::MAX)
    }

    /// How late the line may bring what the board says.
    pub(super) fn delay_us_max(&self) -> u64 {
        let is_late = |fault: &Fault| matches!(fault.kind, FaultKind::LinkDelayed { .. });
        if self.faults.iter().any(is_late) {
            3_000_000
        } else {
            0
        }
    }

    /// False edges that interference makes at once.
    pub(super) fn edges_in_a_burst(&self) -> u8 {
        let bursts = self.model.pickups.iter().map(|pickup| pickup.interference);
        bursts
            .filter(|it| it.bursts_per_s > 0.0)
            .map(|it| it.edges)
            .max()
            .unwrap_or(0)
    }

    /// Imperfect wheels and pickups, as a stand may have them for years.
    fn wear_pickups(&mut self, chance: &mut Chance, is_fault_free: bool) {
        let worn = chance.happens(0.5);
        // Two edges in neighbouring pitches are enough for a board to cut.
        let bursts = !is_fault_free && chance.happens(0.3);
        // Half of them are single edges, and frequent: these the core has to see through.
        let (edges, bursts_per_s) = if chance.happens(0.5) {
            (1, 5.0)
        } else {
            (u8::try_from(chance.whole(2, 8)).unwrap_or(2), 1.0)
        };
        for pickup in self.model.pickups.iter_mut().filter(|_| worn) {
            pickup.missed_probability = chance.between(0.0, 0.004);
            pickup.doubled_probability = chance.between(0.0, 0.02);
            // An edge that bounces does so within a tooth.
            let longest_s = 200e-6 * (8.0 / f64::from(pickup.teeth)).min(1.0);
            pickup.doubled_after_s = chance.between(6e-6, longest_s);
            if bursts {
                pickup.interference = Interference {
                    bursts_per_s: chance.between(0.0, bursts_per_s),
                    edges,
                    spacing_s: 60e-6,
                    ..Interference::default()
                };
            }
        }
    }

    /// In every second seed the tick counter wraps during the run.
    fn wrap_ticks(&mut self, chance: &mut Chance) {
        self.tick_offset = if chance.happens(0.5) {
            let wraps_at_us = chance.below(self.length_us);
            let ticks = wraps_at_us * u64::from(self.model.board.tick_hz) / 1_000_000;
            #[expect(clippy::cast_possible_truncation, reason = "a 32 bit counter")]
            let ticks = ticks as u32;
            ticks.wrapping_neg()
        } else {
            0
        };
    }

    fn add_fault(&mut self, chance: &mut Chance) {
        let from_us = chance.whole(500_000, self.length_us.saturating_sub(2_000_000));
        let for_us = |chance: &mut Chance, ms: (u64, u64)| 1_000 * chance.whole(ms.0, ms.1);
        let share = chance.between(0.0005, 0.02);
        let frames = chance.between(0.01, 0.25);
        let (kind, length_us) = match chance.below(27) {
            0 => (FaultKind::LoseBytes { share }, for_us(chance, (50, 2_000))),
            1 => (
                FaultKind::CorruptBytes { share },
                for_us(chance, (50, 2_000)),
            ),
            2 => (
                FaultKind::DoubleBytes { share },
                for_us(chance, (50, 2_000)),
            ),
            3 => (
                FaultKind::Garbage {
                    bytes: chance.whole(1, 2_000),
                },
                0,
            ),
            4 => (
                FaultKind::DropFrames { share: frames },
                for_us(chance, (50, 3_000)),
            ),
            5 => (
                FaultKind::DoubleFrames { share: frames },
                for_us(chance, (50, 3_000)),
            ),
            6 => (
                FaultKind::LateFrames { share: frames },
                for_us(chance, (50, 3_000)),
            ),
            7 => (FaultKind::HoldBack, for_us(chance, (20, 400))),
            8 => (
                FaultKind::CorruptCommands { share },
                for_us(chance, (500, 4_000)),
            ),
            9 => (
                FaultKind::LoseCommands { share },
                for_us(chance, (500, 4_000)),
            ),
            10 => (FaultKind::Restart(Restart::PowerOn), 0),
            11 => (FaultKind::Restart(Restart::Reset), 0),
            12 => (
                FaultKind::PortLost {
                    restart: chance.happens(0.3),
                },
                for_us(chance, (10, 3_000)),
            ),
            13 => {
                let us = chance.below(7_200_000_000).cast_signed() - 3_600_000_000;
                (FaultKind::WallJump { us }, 0)
            }
            14 => (FaultKind::StoreStalled, for_us(chance, (100, 5_000))),
            15 => (
                FaultKind::LateLoop {
                    us_max: for_us(chance, (20, 300)),
                },
                for_us(chance, (100, 4_000)),
            ),
            16 => (FaultKind::PersonCuts, 0),
            17 => (FaultKind::BogusRelease, 0),
            18 => (FaultKind::PickupOpen, for_us(chance, (20, 1_200))),
            19 => (FaultKind::HeadOpen, for_us(chance, (100, 2_000))),
            20 => (FaultKind::HeadClipped, for_us(chance, (100, 2_000))),
            21 => (FaultKind::AirHot, for_us(chance, (100, 2_000))),
            22 => (FaultKind::AirStuck, for_us(chance, (100, 5_000))),
            23 => (FaultKind::LambdaClipped, for_us(chance, (100, 5_000))),
            24 => (FaultKind::StoreSlow, for_us(chance, (500, 5_000))),
            25 => {
                let us = for_us(chance, (50, 2_000));
                (FaultKind::Killed { us }, 0)
            }
            _ => (FaultKind::ForceNoisy, for_us(chance, (100, 5_000))),
        };
        self.faults.push(Fault {
            from_us,
            until_us: from_us + length_us,
            kind,
        });
        // The throttle sticks where it hurts most: while something else is wrong.
        if chance.happens(0.3) {
            let at_us = (from_us + chance.below(2_000_000)).saturating_sub(1_500_000);
            self.faults.push(Fault {
                from_us: at_us.max(500_000),
                until_us: at_us.max(500_000),
                kind: FaultKind::Runaway,
            });
        }
    }

    fn add_server_faults(&mut self, chance: &mut Chance) {
        for _ in 0..chance.below(4) {
            let from_us = chance.below(self.length_us);
            let until_us = from_us + chance.whole(100_000, 20_000_000);
            let share = chance.one_of([0.5, 1.0]);
            let us = chance.whole(100_000, 8_000_000);
            let kind = chance.one_of([
                FaultKind::ServerDown,
                FaultKind::ServerSlow { us },
                FaultKind::ServerBreaks { share },
                FaultKind::ServerRefuses,
                FaultKind::ServerDenies,
            ]);
            self.faults.push(Fault {
                from_us,
                until_us,
                kind,
            });
        }
    }
}

/// One of the ways in which a pickup with a wheel of so many teeth breaks.
fn broken(chance: &mut Chance, teeth: u64) -> PickupFault {
    let whole = PickupFault::default();
    let one_tooth = 1 << chance.below(teeth.min(64));
    let another = 1 << chance.below(teeth.min(64));
    let from_rad_per_s = chance.between(60.0, 178.0);
    let from_rad_per_s = chance.one_of([0.0, from_rad_per_s]);
    match chance.below(5) {
        0 | 1 => PickupFault {
            every_second_from_rad_per_s: from_rad_per_s,
            ..whole
        },
        2 => PickupFault {
            both_flanks: true,
            ..whole
        },
        3 if teeth > 1 => PickupFault {
            teeth_gone: chance.one_of([one_tooth, one_tooth | another]),
            ..whole
        },
        _ => PickupFault {
            is_dead: true,
            ..whole
        },
    }
}

/// The temperature channels of the model, by what they measure.
pub(super) fn temperature_channel(model: &StandModel, source: TemperatureSource) -> Option<u8> {
    let place = model.temperatures.iter().position(|it| it.source == source);
    place.and_then(|place| u8::try_from(place).ok())
}
