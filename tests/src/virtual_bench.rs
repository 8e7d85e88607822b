//! The whole job in virtual time: software stand, live core and a real store, without a port, a
//! thread or a clock. What takes a person minutes takes seconds here.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::Arc;

use leverarm::service::{Belongs, RecordKeeper};
use leverarm_config::{ConfigErrors, Stand};
use leverarm_live::{Arming, Command, CommandError, Core, Event, Live, Now, Output, Record};
use leverarm_software_stand::{
    Engine, ModelError, RiderEvent, RiderScript, SoftwareStand, StandModel,
};
use leverarm_store::{NewSetup, Store, StoreError};
use leverarm_values::CalibratedStand;
use leverarm_values::calibration::Calibration;
use leverarm_vocabulary::EventKind;
use serde_json::Value;

use crate::whole;

/// A port is looked at so often, unless a test says otherwise.
const STEP_US: u64 = 1_000;
const WALL_US: i64 = 1_790_000_000_000_000;

/// Why a bench could not go on.
#[derive(Debug)]
pub enum BenchError {
    /// The store refused.
    Store(StoreError),
    /// The stand file.
    Config(ConfigErrors),
    /// The model.
    Model(ModelError),
    /// The rider did not get through.
    Late {
        /// Why it is cut, if it is.
        cut: Option<String>,
    },
}

impl From<StoreError> for BenchError {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl From<ConfigErrors> for BenchError {
    fn from(error: ConfigErrors) -> Self {
        Self::Config(error)
    }
}

impl From<ModelError> for BenchError {
    fn from(error: ModelError) -> Self {
        Self::Model(error)
    }
}

/// A stand with a store.
#[derive(Debug)]
pub struct VirtualBench {
    stand_file: Stand,
    stand: SoftwareStand,
    core: Core,
    now_us: u64,
    step_us: u64,
    to_board: Vec<u8>,
    /// Bytes on their way from the board, with the time when they come.
    on_way: VecDeque<(u64, Vec<u8>)>,
    /// Delay of the line, µs, and by how much it grows each second.
    delay_us: f64,
    delay_growth: f64,
    store: Store,
    keeper: RecordKeeper,
    events: Vec<Event>,
}

impl VirtualBench {
    /// A stand file, the stand it is for, and a new store.
    ///
    /// # Errors
    /// What is wrong with any of them.
    pub fn new(folder: &Path, stand_text: &str, model: StandModel) -> Result<Self, BenchError> {
        Self::with_arming(folder, stand_text, model, Arming::default())
    }

    /// The same, with what has to have passed before the stand is armed.
    ///
    /// # Errors
    /// What is wrong with any of them.
    pub fn with_arming(
        folder: &Path,
        stand_text: &str,
        model: StandModel,
        arming: Arming,
    ) -> Result<Self, BenchError> {
        let stand_file = leverarm_config::parse("stand.toml", stand_text)?;
        let mut store = Store::open(folder)?;
        let belongs = Belongs::new(store.put_stand(stand_text)?, store.put_calibration("{}")?);
        let mut bench = Self {
            stand: SoftwareStand::new(model, 5)?,
            core: Core::new(stand_file.clone()).with_arming(arming),
            stand_file,
            now_us: 0,
            step_us: STEP_US,
            to_board: Vec::new(),
            on_way: VecDeque::new(),
            delay_us: 0.0,
            delay_growth: 0.0,
            store,
            keeper: RecordKeeper::new(belongs),
            events: Vec::new(),
        };
        bench.call(|core, now, out| core.port_opened(now, "simulated", out))?;
        Ok(bench)
    }

    /// The stand file.
    #[must_use]
    pub fn stand_file(&self) -> &Stand {
        &self.stand_file
    }

    /// Bolts a setup on: the next pulls belong to it.
    ///
    /// # Errors
    /// When store or stand refuse it.
    pub fn fit(&mut self, name: &str, parts: Value, engine: Engine) -> Result<(), BenchError> {
        self.stand.fit(engine)?;
        let known = self.store.reader()?.setups()?;
        self.keeper.belongs.setup = Some(match known.iter().find(|setup| setup.name == name) {
            Some(known) => known.id,
            None => self.store.add_setup(&NewSetup {
                name: name.to_owned(),
                created_wall_us: self.now().wall_us,
                notes: String::new(),
                parts,
            })?,
        });
        Ok(())
    }

    /// Puts calibrations in force for what is live.
    pub fn calibrate(&mut self, calibration: &Calibration) {
        let of = CalibratedStand::new(self.stand_file.clone(), calibration);
        self.core.calibrated(Arc::new(of));
    }

    /// Lets the simulated person ride until they are done.
    ///
    /// # Errors
    /// When they are not after so many seconds, or the store refuses.
    pub fn ride(&mut self, script: RiderScript, seconds_max: u64) -> Result<(), BenchError> {
        self.stand.ride(Some(script));
        let until_us = self.now_us + seconds_max * 1_000_000;
        while self.now_us < until_us {
            self.step()?;
            let done = |event: &RiderEvent| matches!(event, RiderEvent::Done { .. });
            if self.stand.take_events().iter().any(done) {
                return Ok(());
            }
        }
        let cut = self.core.cut_view().cause;
        Err(BenchError::Late { cut })
    }

    /// Lets the stand be for some time.
    ///
    /// # Errors
    /// When the store refuses.
    pub fn wait(&mut self, seconds: f64) -> Result<(), BenchError> {
        let until_s = self.now_us as f64 * 1e-6 + seconds;
        while (self.now_us as f64) * 1e-6 < until_s {
            self.step()?;
        }
        Ok(())
    }

    /// From now on the port is looked at so often: seldom is quicker to run.
    pub fn look_every(&mut self, step_us: u64) {
        self.step_us = step_us;
    }

    /// The simulated stand, for a hand on its controls.
    pub fn stand(&mut self) -> &mut SoftwareStand {
        &mut self.stand
    }

    /// From now on what the board sends takes longer each second by so many seconds, as over a bridge
    /// that buffers; 0: no longer.
    pub fn grow_delay(&mut self, s_per_s: f64) {
        self.delay_growth = s_per_s;
    }

    /// A person's command.
    ///
    /// # Errors
    /// When the store refuses; inside, why the core does.
    pub fn command(
        &mut self,
        command: &Command,
    ) -> Result<Result<String, CommandError>, BenchError> {
        let mut said = Ok(String::new());
        self.call(|core, now, out| said = core.command(now, command, out))?;
        Ok(said)
    }

    /// The core under test.
    #[must_use]
    pub fn core(&self) -> &Core {
        &self.core
    }

    /// What a person sees now.
    #[must_use]
    pub fn live(&self) -> Live {
        self.core.live(self.now())
    }

    /// What went into the journal since the last call.
    pub fn take_events(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.events)
    }

    /// Ends the run: what waits is stored.
    ///
    /// # Errors
    /// When the store refuses.
    pub fn finish(mut self) -> Result<(), BenchError> {
        self.call(Core::shut_down)
    }

    fn now(&self) -> Now {
        Now::new(self.now_us, WALL_US + self.now_us.cast_signed())
    }

    fn step(&mut self) -> Result<(), BenchError> {
        self.now_us += self.step_us;
        let commands = std::mem::take(&mut self.to_board);
        if !commands.is_empty() {
            self.stand.receive(&commands);
        }
        let mut bytes = Vec::new();
        self.stand.advance(self.now_us, &mut bytes);
        self.delay_us += self.delay_growth * self.step_us as f64;
        let comes_us = self.now_us + whole(self.delay_us);
        if !bytes.is_empty() {
            self.on_way
                .push_back((comes_us, std::mem::take(&mut bytes)));
        }
        let come = self.on_way.partition_point(|(us, _)| *us <= self.now_us);
        for (_, come) in self.on_way.drain(..come) {
            bytes.extend(come);
        }
        if !bytes.is_empty() {
            self.call(|core, now, out| core.feed(now, &bytes, out))?;
        }
        if self.now_us >= self.core.wake_us() {
            self.call(Core::tick)?;
        }
        Ok(())
    }

    fn call(&mut self, call: impl FnOnce(&mut Core, Now, &mut Output)) -> Result<(), BenchError> {
        let mut out = Output::default();
        let now = self.now();
        call(&mut self.core, now, &mut out);
        self.to_board.extend(out.write);
        for record in out.records {
            self.record(record)?;
        }
        Ok(())
    }

    fn record(&mut self, record: Record) -> Result<(), BenchError> {
        self.keeper.keep(&mut self.store, &record)?;
        if let Record::Event(event) = record {
            // What tells of a pull is kept with it, as the recorder does.
            if event.kind == EventKind::LoadList {
                self.store.add_event(&self.keeper.event(event.clone()))?;
            }
            self.events.push(event);
        }
        Ok(())
    }
}
