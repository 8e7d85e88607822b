//! Rehearsal: the software stand behind a pseudo-terminal, in real time. The daemon opens it by its
//! path like any board, and can't tell the difference.

mod model;
mod person;

use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel};
use std::time::Duration;

use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::pty::{OpenptyResult, openpty};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};

use crate::clock::Clock;
use leverarm_software_stand::{
    Engine, ModelError, RiderEvent, RiderScript, SoftwareStand, StandModel,
};

pub use model::{BRAKING_S, coasting, engine_of, model_of, run_out_s, script_of};
pub use person::{PART, Throttle, ready};

/// The stand file of the demo.
pub const DEMO_STAND: &str = include_str!("demo.toml");
/// The same of the demo on a brake.
pub const DEMO_BRAKE: &str = include_str!("demo_brake.toml");

/// The simulated stand looks at its port so often.
const STEP: Duration = Duration::from_millis(1);
const ORDERS_MAX: usize = 16;
const EVENTS_MAX: usize = 256;

/// Why a rehearsal can't start.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The system gave no pseudo-terminal.
    #[error("no pseudo-terminal: {0}")]
    Pty(#[from] nix::Error),
    /// The stand can't be simulated.
    #[error("the stand can't be simulated: {0}")]
    Model(#[from] ModelError),
    /// No thread.
    #[error("the rehearsal's thread could not be started: {0}")]
    Thread(#[source] std::io::Error),
    /// The rehearsal is over.
    #[error("the rehearsal is over")]
    Over,
}

/// What the person at the simulated stand is told to do.
#[derive(Debug, Clone)]
enum Order {
    Fit(Box<Engine>),
    Ride(RiderScript),
    OpenThrottle(f64),
    SwitchOff,
    TurnByHand,
    RunAway,
}

/// A simulated stand that runs in real time behind a pseudo-terminal.
#[derive(Debug)]
pub struct Rehearsal {
    path: PathBuf,
    orders: SyncSender<Order>,
    events: Receiver<RiderEvent>,
    /// Its bits.
    drum_peak: Arc<AtomicU64>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Rehearsal {
    /// Starts the stand. It runs until it is dropped.
    ///
    /// # Errors
    /// [`RehearsalError`].
    pub fn start(model: StandModel, seed: u64) -> Result<Self, RehearsalError> {
        let stand = SoftwareStand::new(model, seed)?;
        let OpenptyResult { master, slave } = openpty(None, None)?;
        let mut raw = tcgetattr(&slave)?;
        cfmakeraw(&mut raw);
        tcsetattr(&slave, SetArg::TCSANOW, &raw)?;
        fcntl(&master, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))?;
        let path = nix::unistd::ttyname(&slave)?;
        let (orders, ordered) = sync_channel(ORDERS_MAX);
        let (happened, events) = sync_channel(EVENTS_MAX);
        let drum_peak = Arc::new(AtomicU64::new(0));
        let shell = Shell {
            drum_peak: Arc::clone(&drum_peak),
            stand,
            port: std::fs::File::from(master),
            ordered,
            happened,
            unsent: Vec::new(),
        };
        let thread = std::thread::Builder::new()
            .name("software stand".to_owned())
            // The slave end stays open here, so that the port survives a daemon that comes and goes.
            .spawn(move || {
                shell.run();
                drop(slave);
            })
            .map_err(RehearsalError::Thread)?;
        Ok(Self {
            path,
            orders,
            events,
            drum_peak,
            thread: Some(thread),
        })
    }

    /// Path of the port to open.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Bolts another engine, or the same with another part, onto the stand.
    ///
    /// # Errors
    /// When the rehearsal is over.
    pub fn fit(&self, engine: Engine) -> Result<(), RehearsalError> {
        self.orders
            .send(Order::Fit(Box::new(engine)))
            .map_err(|_closed| RehearsalError::Over)
    }

    /// Lets the simulated person make pulls.
    ///
    /// # Errors
    /// When the rehearsal is over.
    pub fn ride(&self, script: RiderScript) -> Result<(), RehearsalError> {
        self.orders
            .send(Order::Ride(script))
            .map_err(|_closed| RehearsalError::Over)
    }

    /// Opens the throttle so far, 0 to 1, and leaves it so, against a load that holds.
    ///
    /// # Errors
    /// When the rehearsal is over.
    pub fn open_throttle(&self, opening: f64) -> Result<(), RehearsalError> {
        self.orders
            .send(Order::OpenThrottle(opening))
            .map_err(|_closed| RehearsalError::Over)
    }

    /// Switches the ignition off, so that everything comes to a standstill.
    ///
    /// # Errors
    /// When the rehearsal is over.
    pub fn switch_off(&self) -> Result<(), RehearsalError> {
        self.orders
            .send(Order::SwitchOff)
            .map_err(|_closed| RehearsalError::Over)
    }

    /// Lets the simulated person turn the drum by hand, three times round.
    ///
    /// # Errors
    /// When the rehearsal is over.
    pub fn turn_by_hand(&self) -> Result<(), RehearsalError> {
        self.orders
            .send(Order::TurnByHand)
            .map_err(|_closed| RehearsalError::Over)
    }

    /// Opens the throttle and leaves it open, with nobody there.
    ///
    /// # Errors
    /// When the rehearsal is over.
    pub fn run_away(&self) -> Result<(), RehearsalError> {
        self.orders
            .send(Order::RunAway)
            .map_err(|_closed| RehearsalError::Over)
    }

    /// The greatest speed that the simulated drum has had.
    #[must_use]
    pub fn drum_peak_rad_per_s(&self) -> f64 {
        f64::from_bits(self.drum_peak.load(Ordering::Relaxed))
    }

    /// What the simulated person did since the last call.
    pub fn events(&self) -> Vec<RiderEvent> {
        self.events.try_iter().collect()
    }
}

impl Drop for Rehearsal {
    fn drop(&mut self) {
        // Without orders the thread ends by itself at its next step.
        let (closed, _) = sync_channel(0);
        self.orders = closed;
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the software stand ended in a panic");
        }
    }
}

struct Shell {
    stand: SoftwareStand,
    port: std::fs::File,
    ordered: Receiver<Order>,
    happened: SyncSender<RiderEvent>,
    drum_peak: Arc<AtomicU64>,
    unsent: Vec<u8>,
}

/// Bytes that wait for a host that does not read; a real board's are lost on the wire just so.
const UNSENT_MAX: usize = 4096;

impl Shell {
    fn run(mut self) {
        let clock = Clock::start();
        let mut buffer = [0; 1024];
        loop {
            loop {
                match self.ordered.try_recv() {
                    Ok(Order::Fit(engine)) => {
                        if let Err(error) = self.stand.fit(*engine) {
                            tracing::error!(%error, "the engine can't be fitted");
                        }
                    }
                    Ok(Order::Ride(script)) => self.stand.ride(Some(script)),
                    Ok(Order::OpenThrottle(opening)) => {
                        self.stand.ride(None);
                        self.stand.throttle(opening);
                    }
                    Ok(Order::SwitchOff) => {
                        self.stand.ride(None);
                        self.stand.ignition(false);
                    }
                    Ok(Order::TurnByHand) => self.stand.turn_by_hand(3.0),
                    Ok(Order::RunAway) => {
                        self.stand.ride(None);
                        self.stand.ignition(true);
                        self.stand.clutch(true);
                        self.stand.throttle(1.0);
                    }
                    Err(TryRecvError::Empty) => break,
                    Err(TryRecvError::Disconnected) => return,
                }
            }
            loop {
                match self.port.read(&mut buffer) {
                    Ok(0) => break,
                    Ok(bytes) => self.stand.receive(&buffer[..bytes]),
                    Err(error) if error.kind() == ErrorKind::Interrupted => {}
                    Err(_would_block) => break,
                }
            }
            self.stand.advance(clock.now().mono_us, &mut self.unsent);
            self.send();
            let drum_rad_per_s = self.stand.truth().omega_drum_rad_per_s;
            if drum_rad_per_s > f64::from_bits(self.drum_peak.load(Ordering::Relaxed)) {
                self.drum_peak
                    .store(drum_rad_per_s.to_bits(), Ordering::Relaxed);
            }
            for event in self.stand.take_events() {
                // A listener that does not fetch events misses them; the stand goes on.
                if self.happened.try_send(event).is_err() {
                    tracing::debug!("an event of the simulated person was not fetched");
                }
            }
            std::thread::sleep(STEP);
        }
    }

    fn send(&mut self) {
        while !self.unsent.is_empty() {
            match self.port.write(&self.unsent) {
                Ok(0) => break,
                Ok(bytes) => drop(self.unsent.drain(..bytes)),
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(_would_block) => break,
            }
        }
        if self.unsent.len() > UNSENT_MAX {
            let excess = self.unsent.len() - UNSENT_MAX;
            self.unsent.drain(..excess);
        }
    }
}
