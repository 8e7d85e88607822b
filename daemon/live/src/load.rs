//! The load of a brake stand, as far as the host has a say in it: settings, a person's orders, lists of steps. The loop is the
//! board's, and so is what happens when something fails: a host that comes back after it was gone says nothing before a
//! person does.

mod relay;

use std::collections::VecDeque;
use std::sync::Arc;

use leverarm_config::{ChannelId, Quantity, Signal};
use leverarm_load::absorber::Follows;
use leverarm_load::controller::Settings;
use leverarm_load::identify;
use leverarm_protocol::{
    Hello, LoadArm, LoadCommand, LoadDemand, LoadGains, LoadMap, LoadMode, LoadStatus, LoadWhy,
};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_torque::engine::Role;
use leverarm_torque::steadiness::{Held, Needs};
use leverarm_values::{CalibratedStand, LoadSettings};
use leverarm_vocabulary::load::{LoadOrder, Step, StepList};
use leverarm_vocabulary::{Event, EventKind, Now, Severity, payload};
use serde::Serialize;

use super::{Ending, Output};
use relay::{Next, Relay};

/// Settings and orders that the board has not taken are said again so often.
const REPEAT_US: u64 = 500_000;
/// Settings not in force after so long are told.
const PATIENCE_US: u64 = 2_000_000;
/// A word from the board older than this says nothing of now.
const STATUS_AGE_US_MAX: u64 = 500_000;
/// A list looks so often whether its step is steady, s.
const JUDGE_EVERY_S: f64 = 0.25;
/// The reference has reached its target within this share.
const REACHED: f64 = 1e-3;
/// The speed has, within this share.
const NEAR: f64 = 0.01;
/// Below this share of the last step's torque the throttle counts as closed.
const CLOSED_SHARE: f64 = 0.25;
/// The engine counts as pulling above this share of the greatest torque that is expected of it.
const PULLS_SHARE: f64 = 0.2;
/// An absorber has followed a demand after so long, its load cell with it, beside a valve's stroke and three of its lags, s.
const FOLLOWS_S: f64 = 0.3;
/// Demands kept: a board tells some twenty a second.
const DEMANDS_MAX: usize = 256;
/// A whole unit of the board's numbers.
const UNIT: f64 = 65_536.0;

/// A step of a list that is over.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StepDone {
    /// What was asked.
    pub step: Step,
    /// Speed of the engine, rpm.
    pub engine_rpm: f64,
    /// The absorber's torque, at the crank, N·m; none of a sweep, and where too little was read.
    pub torque_nm: Option<f64>,
    /// Half width of its 95 % interval, of scatter and drift, N·m.
    pub expanded_uncertainty_nm: Option<f64>,
    /// How long it took, s.
    pub seconds: f64,
    /// What was lacking when its time was over; none: it was steady.
    pub lacks: Option<String>,
}

/// A list of steps under way.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RunLive {
    /// What the list is called.
    pub name: Option<String>,
    /// How far the person is to hold the throttle open, 0 to 1; none: fully.
    pub throttle: Option<f64>,
    /// Which step, from 1; one more than there are when all are done.
    pub step: usize,
    /// How many there are.
    pub steps: usize,
    /// What is waited for, in words.
    pub waits_for: String,
    /// Those that are over.
    pub done: Vec<StepDone>,
}

/// A run for tuning under way.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TuningLive {
    /// What is waited for, in words.
    pub waits_for: String,
    /// Speed of the engine that it is tuned at, rpm.
    pub engine_rpm: f64,
    /// How often the output was switched,
    pub switches: u32,
    /// and has to be at least.
    pub switches_needed: u32,
}

/// Highest speed that may be ordered, over that at which a guard cuts: a step goes up to 2 % of itself beyond its end.
const BELOW_GUARD: f64 = 0.98;

/// The load as it is now. Speeds and torques are the engine's, at the crank.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct LoadLive {
    /// Why it can't be commanded, in words; none: it can.
    pub lacks: Option<String>,
    /// Whether a person armed it.
    pub armed: bool,
    /// What it was last told.
    pub order: Option<LoadOrder>,
    /// The board's mode: `off`, `speed`, `torque`, `road`, `output`.
    pub mode: &'static str,
    /// Demanded torque, N·m.
    pub demand_nm: Option<f64>,
    /// Output, as a share of what full load needs.
    pub output: Option<f64>,
    /// The speed that it is led along, rpm.
    pub reference_rpm: Option<f64>,
    /// The engine's torque as the loop sees it, N·m.
    pub engine_nm: Option<f64>,
    /// Whether more is asked for than the absorber has, or less than none.
    pub saturated: bool,
    /// Why there is none, in words.
    pub why: Option<String>,
    /// How often it swung, and was made softer.
    pub backed_off: u8,
    /// A list of steps under way.
    pub run: Option<RunLive>,
    /// The steps of the last list, once it is over.
    pub last_steps: Vec<StepDone>,
    /// A run for tuning under way.
    pub tuning: Option<TuningLive>,
    /// Why the last run for tuning was given up, in words; none: it was not.
    pub tuning_given_up: Option<String>,
}

/// Where a list is.
#[derive(Debug)]
enum Phase {
    /// Speed or torque is not there yet.
    Reaching,
    /// It is, and is read.
    Reading(Box<Held>),
    Sweeping,
    /// All steps are done: the throttle is to be closed.
    Closing {
        torque_nm: f64,
        closed_since: Option<u64>,
    },
}

#[derive(Debug)]
struct Run {
    list: StepList,
    at: usize,
    phase: Phase,
    step_tick: u64,
    judge_tick: u64,
    lacks: String,
    done: Vec<StepDone>,
}

/// What becomes of the stretch that a list is kept as.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum RunNews {
    /// What began.
    Begun(&'static str),
    /// All is done, or it was broken off for this reason.
    Over { words: String, ending: Ending },
}

#[derive(Debug)]
pub(super) struct LoadDesk {
    of: Arc<CalibratedStand>,
    /// Temperatures that have to settle, by their channel.
    temperatures: Vec<ChannelId>,
    rate_hz: Option<u16>,
    tick_hz: u32,
    wanted: Option<(LoadMap, LoadGains)>,
    /// What they come from.
    settings: Option<LoadSettings>,
    lacks: Option<String>,
    /// Calibrations changed while the load was armed: the board takes no settings before it is off.
    is_to_settle: bool,
    wanted_since_us: Option<u64>,
    refusal_told: bool,
    repeat_due_us: u64,
    status: Option<(u64, LoadStatus)>,
    /// Demands of the last time, newest last, N·m at the absorber with when they came.
    demands: VecDeque<(u64, f64)>,
    was_armed: bool,
    order: Option<LoadOrder>,
    to_say: Vec<LoadCommand>,
    run: Option<Run>,
    last_steps: Vec<StepDone>,
    relay: Option<Relay>,
    relay_given_up: Option<String>,
}

/// What a step came to.
#[derive(Debug, Default)]
struct StepEnd {
    /// Torque of the absorber and its expanded uncertainty.
    absorber_nm: Option<f64>,
    expanded_nm: Option<f64>,
    /// What it lacked to be steady.
    lacks: Option<String>,
}

impl StepEnd {
    fn lacking(what: &str) -> Self {
        Self {
            lacks: Some(what.to_owned()),
            ..Self::default()
        }
    }
}

impl LoadDesk {
    pub(super) fn new(of: Arc<CalibratedStand>) -> Self {
        let stand = of.stand();
        let temperatures = stand.channels.iter().enumerate().filter(|(_, channel)| {
            channel.quantity == Quantity::Temperature
                && !matches!(channel.role, Some(Role::ExhaustTemperature(_)))
        });
        let temperatures = temperatures.map(|(number, _)| ChannelId(number)).collect();
        Self {
            temperatures,
            of,
            rate_hz: None,
            tick_hz: 0,
            wanted: None,
            settings: None,
            lacks: Some(NO_BOARD.to_owned()),
            is_to_settle: false,
            wanted_since_us: None,
            refusal_told: false,
            repeat_due_us: 0,
            status: None,
            demands: VecDeque::new(),
            was_armed: false,
            order: None,
            to_say: Vec::new(),
            run: None,
            last_steps: Vec::new(),
            relay: None,
            relay_given_up: None,
        }
    }

    fn is_braked(&self) -> bool {
        self.of.stand().absorber.is_some()
    }

    /// Whether a list or a run for tuning is under way, and its stretch is being kept.
    pub(super) fn reads(&self) -> bool {
        let is_open = |run: &Run| !matches!(run.phase, Phase::Closing { .. });
        self.run.as_ref().is_some_and(is_open)
            || self.relay.as_ref().is_some_and(Relay::is_switching)
    }

    /// A connection begins: nothing of before holds.
    pub(super) fn begin(&mut self) {
        self.rate_hz = None;
        self.wanted = None;
        self.lacks = Some(NO_BOARD.to_owned());
        self.wanted_since_us = None;
        self.refusal_told = false;
        self.status = None;
        self.demands.clear();
        self.was_armed = false;
        self.order = None;
        self.to_say.clear();
        self.run = None;
        self.relay = None;
        self.is_to_settle = false;
    }

    /// The board said what it has.
    pub(super) fn board(
        &mut self,
        now: Now,
        tick: Option<u64>,
        hello: &Hello<'_>,
        out: &mut Output,
    ) {
        if !self.is_braked() {
            return;
        }
        self.rate_hz = hello.load_rate_hz();
        self.tick_hz = hello.tick_hz;
        self.settle_on_settings();
        if self.rate_hz.is_none() {
            let message = "the stand file has an absorber, but this board does not hold a load: it lists no loop; \
                           load can't be commanded from here";
            out.tell(Event::new(now, tick, EventKind::NoLoadLoop, message));
        } else if let Some(lacks) = &self.lacks {
            out.tell(Event::new(now, tick, EventKind::LoadRefused, lacks.clone()));
        }
    }

    /// Other calibrations are in force: the settings follow.
    pub(super) fn calibrated(&mut self, of: Arc<CalibratedStand>) {
        self.of = of;
        if self.was_armed {
            self.is_to_settle = true;
        } else if self.tick_hz > 0 && self.is_braked() {
            self.settle_on_settings();
        }
    }

    fn settle_on_settings(&mut self) {
        match self.settings() {
            Ok((settings, wanted)) => {
                self.lacks = None;
                self.settings = Some(settings);
                if self.wanted.as_ref() != Some(&wanted) {
                    self.wanted_since_us = None;
                    self.refusal_told = false;
                    self.repeat_due_us = 0;
                }
                self.wanted = Some(wanted);
            }
            Err(lacks) => {
                self.lacks = Some(lacks);
                self.settings = None;
                self.wanted = None;
            }
        }
    }

    fn settings(&self) -> Result<(LoadSettings, (LoadMap, LoadGains)), String> {
        let rate_hz = self
            .rate_hz
            .ok_or_else(|| "the board does not hold a load: it lists no loop".to_owned())?;
        let settings = self
            .of
            .load_settings(rate_hz, self.tick_hz)
            .map_err(|error| error.to_string())?;
        if !settings.made.fit() {
            return Err(
                "the stand file's absorber makes no settings that the board's loop can work with"
                    .to_owned(),
            );
        }
        let (mut map, mut gains) = load_messages(&settings.made, 0);
        // The number is of what is in them: the same settings are never sent to a board that has them.
        let number = number_of(&format!("{map:?}{gains:?}"));
        map.settings = number;
        gains.settings = number;
        Ok((settings, (map, gains)))
    }

    /// A torque in the stand's units.
    fn torque_text(&self, nm: f64, decimals: usize) -> String {
        self.of.stand().units.torque.text(nm, decimals)
    }

    fn words_of(&self, order: &LoadOrder) -> String {
        let rpm = |it: f64| it / RAD_PER_S_PER_RPM;
        match *order {
            LoadOrder::Off => "load off; it stays armed".to_owned(),
            LoadOrder::Speed {
                rad_per_s,
                rad_per_s2: None,
            } => format!("holding {:.0} rpm", rpm(rad_per_s)),
            LoadOrder::Speed {
                rad_per_s,
                rad_per_s2: Some(rate),
            } => format!(
                "going to {:.0} rpm at {:.0} rpm/s",
                rpm(rad_per_s),
                rpm(rate)
            ),
            LoadOrder::Torque { nm } => format!("holding {}", self.torque_text(nm, 2)),
            LoadOrder::Road { .. } => "holding like a road".to_owned(),
            LoadOrder::Output { share } => format!("output at {:.1} %", 100.0 * share),
        }
    }

    /// The absorber's torque over the load cell's force.
    fn lever_m(&self) -> Option<f64> {
        let cell = self.of.cell()?;
        let per_cell = if cell.on_engine { self.ratio() } else { 1.0 };
        Some(cell.arm_m.value() * per_cell)
    }

    fn ratio(&self) -> f64 {
        self.of.model().engine_per_drum.value()
    }

    /// The board's word, while it is fresh.
    fn fresh(&self, now: Now) -> Option<&LoadStatus> {
        let (at_us, status) = self.status.as_ref()?;
        (now.mono_us.saturating_sub(*at_us) <= STATUS_AGE_US_MAX).then_some(status)
    }

    /// The board's word about its load.
    pub(super) fn status(&mut self, now: Now, tick: u64, status: &LoadStatus, out: &mut Output) {
        if !self.is_braked() {
            return;
        }
        let demanded_nm = f64::from(status.torque) / UNIT;
        self.demands.push_back((now.mono_us, demanded_nm));
        let follows_s = self.follows_s();
        let is_old = |it: &(u64, f64)| {
            let age_us = now.mono_us.saturating_sub(it.0);
            age_us as f64 * 1e-6 > follows_s
        };
        // The newest of the old ones held until the first of the new.
        while self.demands.len() > DEMANDS_MAX || self.demands.get(1).is_some_and(is_old) {
            self.demands.pop_front();
        }
        let before = self.status.replace((now.mono_us, *status)).map(|it| it.1);
        let is_on = status.is_armed && status.why == LoadWhy::None;
        if is_on && !self.was_armed {
            let message = "load armed: it may be put on";
            out.tell(Event::new(now, Some(tick), EventKind::LoadArmed, message));
        }
        if self.was_armed && !is_on {
            self.order = None;
            let told = payload::LoadEnded {
                why: why_words(status.why).to_owned(),
                output: f64::from(status.output) / UNIT,
                torque_nm: f64::from(status.torque) / UNIT / self.ratio(),
                engine_rpm: f64::from(status.speed) / UNIT * self.ratio() / RAD_PER_S_PER_RPM,
            };
            let message = format!(
                "load ended at {:.0} rpm with {}: {}",
                told.engine_rpm,
                self.torque_text(told.torque_nm, 1),
                told.why
            );
            let severity = match status.why {
                LoadWhy::NotArmed | LoadWhy::NotSet => Severity::Info,
                LoadWhy::Cut => Severity::Warning,
                _ => Severity::Cut,
            };
            out.tell(Event::telling(now, Some(tick), &told, message).of(severity));
        }
        self.was_armed = is_on;
        if self.is_to_settle && !is_on {
            self.is_to_settle = false;
            self.settle_on_settings();
        }
        let swung = before.map_or(0, |it| it.backed_off);
        if status.backed_off > swung {
            let told = payload::LoadSwings {
                times: status.backed_off,
            };
            let message = format!(
                "the load swung about its target and was made softer, {} times since it was armed",
                status.backed_off
            );
            out.tell(Event::telling(now, Some(tick), &told, message));
        }
    }

    /// A demand has been followed after so long, even from closed to open.
    fn follows_s(&self) -> f64 {
        let it = self.settings.as_ref().map(|it| it.absorber.follows);
        FOLLOWS_S
            + match it {
                Some(Follows::Valve { stroke_s, fill_s }) => stroke_s + 3.0 * fill_s,
                Some(other) => 3.0 * other.lag_s(),
                None => 0.0,
            }
    }

    /// What the load cell has to show at least: the least that was demanded lately, so that a demand that has just risen does
    /// not count as lost. None while there is no load, and while the board's limit of torque or speed holds it back.
    pub(super) fn demanded_n(&self, now: Now) -> Option<f64> {
        let status = self.fresh(now)?;
        let is_led = matches!(
            status.mode,
            LoadMode::Speed | LoadMode::Torque | LoadMode::Road | LoadMode::Output
        );
        let holds = self.was_armed && is_led && !status.is_saturated;
        let stall = self.wanted.as_ref().map_or(0.0, |it| f64::from(it.1.stall));
        let lever_m = self.lever_m()?;
        let least_nm = self
            .demands
            .iter()
            .map(|it| it.1)
            .fold(f64::INFINITY, f64::min);
        let is_whole = f64::from(status.speed) > 1.5 * stall;
        (holds && is_whole && least_nm.is_finite()).then(|| least_nm / lever_m)
    }

    /// Why no load may be put on now, beside what the stand's own state says.
    fn lacks(&self, now: Now) -> Option<String> {
        if !self.is_braked() {
            return Some(
                "the stand file has no [absorber], so there is no load to command".to_owned(),
            );
        }
        if let Some(lacks) = &self.lacks {
            return Some(lacks.clone());
        }
        let Some(status) = self.fresh(now) else {
            return Some("the board tells nothing of its load".to_owned());
        };
        let number = self.wanted.as_ref().map(|it| it.0.settings);
        (number != Some(status.settings)).then(|| {
            "the board has not taken the stand file's settings for its load yet".to_owned()
        })
    }

    /// What is due to be said to the board.
    pub(super) fn due(&mut self, now: Now, tick: u64, out: &mut Output) -> Vec<LoadCommand> {
        let mut due = std::mem::take(&mut self.to_say);
        let Some(status) = self.fresh(now).copied() else {
            return due;
        };
        if now.mono_us < self.repeat_due_us {
            return due;
        }
        if let Some((map, gains)) = &self.wanted
            && map.settings != status.settings
        {
            self.repeat_due_us = now.mono_us + REPEAT_US;
            due.extend([LoadCommand::Map(*map), LoadCommand::Gains(*gains)]);
            let since_us = *self.wanted_since_us.get_or_insert(now.mono_us);
            if now.mono_us.saturating_sub(since_us) > PATIENCE_US && !self.refusal_told {
                self.refusal_told = true;
                let message = "the board does not take the stand file's settings for its load: it may be holding, or \
                               can't work with them";
                out.tell(Event::new(now, Some(tick), EventKind::LoadRefused, message));
            }
        } else if let Some(order) = self.order.filter(|_| status.is_armed) {
            // A lost order is as bad as a wrong one, and one said twice is one.
            self.repeat_due_us = now.mono_us + REPEAT_US;
            due.push(LoadCommand::Demand(self.demand(&order)));
        }
        due
    }

    fn demand(&self, order: &LoadOrder) -> LoadDemand {
        let ratio = self.ratio();
        let unit = |value: f64| counts(value * UNIT);
        match *order {
            LoadOrder::Off => LoadDemand::default(),
            LoadOrder::Speed {
                rad_per_s,
                rad_per_s2,
            } => LoadDemand {
                mode: LoadMode::Speed,
                target: unit(rad_per_s / ratio),
                rate: rad_per_s2.map_or(0, |rate| unit(rate / ratio).max(1)),
                square: 0,
            },
            LoadOrder::Torque { nm } => LoadDemand {
                mode: LoadMode::Torque,
                target: unit(nm * ratio),
                ..LoadDemand::default()
            },
            LoadOrder::Road { nm, nm_s, nm_s2 } => LoadDemand {
                mode: LoadMode::Road,
                target: unit(nm * ratio),
                rate: unit(nm_s * ratio.powi(2)),
                square: counts(nm_s2 * ratio.powi(3) * UNIT * UNIT),
            },
            LoadOrder::Output { share } => LoadDemand {
                mode: LoadMode::Output,
                target: unit(share),
                ..LoadDemand::default()
            },
        }
    }

    /// A person's word that load may be put on.
    pub(super) fn arm(&mut self, now: Now) -> Result<String, String> {
        if let Some(lacks) = self.lacks(now) {
            return Err(lacks);
        }
        if self.was_armed {
            return Err("the load is armed already".to_owned());
        }
        self.order = None;
        self.to_say
            .push(LoadCommand::Arm(LoadArm { is_armed: true }));
        Ok("load armed: now order a speed, a torque or a list of steps".to_owned())
    }

    /// Takes the load off. While the engine pulls that lets it run away.
    pub(super) fn release(&mut self, now: Now, though_it_pulls: bool) -> Result<String, String> {
        if !though_it_pulls {
            self.may_let_go(now)?;
        }
        self.order = None;
        self.to_say
            .push(LoadCommand::Arm(LoadArm { is_armed: false }));
        Ok("load released: arm it again before the next".to_owned())
    }

    fn may_let_go(&self, now: Now) -> Result<(), String> {
        let Some(status) = self.fresh(now).filter(|it| it.is_armed) else {
            return Ok(());
        };
        let engine_nm = f64::from(status.engine) / UNIT;
        let most_nm = self
            .wanted
            .as_ref()
            .map_or(0.0, |it| f64::from(it.1.engine_max) / UNIT);
        if status.mode != LoadMode::Off && engine_nm > PULLS_SHARE * most_nm {
            return Err(format!(
                "the engine pulls with {}: without load it would run away; close the throttle first",
                self.torque_text(engine_nm / self.ratio(), 1)
            ));
        }
        Ok(())
    }

    /// Whether an order may be given.
    fn may_order(&self, now: Now, order: &LoadOrder) -> Result<(), String> {
        if let Some(lacks) = self.lacks(now) {
            return Err(lacks);
        }
        if !self.was_armed {
            return Err(
                "the load is not armed: arm it first, a person's word is needed".to_owned(),
            );
        }
        order.check().map_err(|bad| bad.to_string())?;
        let stand = self.of.stand();
        match *order {
            LoadOrder::Speed { rad_per_s, .. } => {
                let stall = self
                    .wanted
                    .as_ref()
                    .map_or(0.0, |it| f64::from(it.1.stall) / UNIT);
                let lowest = 1.5 * stall * self.ratio();
                let highest = stand
                    .overspeed_cut_rad_per_s(leverarm_config::Shaft::Engine)
                    .map_or(f64::INFINITY, |cut| BELOW_GUARD * cut);
                if (lowest..highest).contains(&rad_per_s) {
                    return Ok(());
                }
                let rpm = |it: f64| it / RAD_PER_S_PER_RPM;
                Err(format!(
                    "speed: expected {:.0} rpm, above which all of the load is there, to {:.0} rpm, a little below where a guard cuts; \
                     found {:.0} rpm",
                    rpm(lowest),
                    rpm(highest),
                    rpm(rad_per_s)
                ))
            }
            LoadOrder::Off => self.may_let_go(now),
            LoadOrder::Torque { .. } | LoadOrder::Road { .. } | LoadOrder::Output { .. } => Ok(()),
        }
    }

    /// A person's order.
    pub(super) fn order(&mut self, now: Now, order: LoadOrder) -> Result<String, String> {
        self.may_order(now, &order)?;
        self.give(order);
        Ok(self.words_of(&order))
    }

    fn give(&mut self, order: LoadOrder) {
        self.order = Some(order);
        let demand = self.demand(&order);
        self.to_say.push(LoadCommand::Demand(demand));
    }

    /// A person's list of steps.
    pub(super) fn begin_run(
        &mut self,
        now: Now,
        tick: u64,
        list: StepList,
    ) -> Result<String, String> {
        list.check().map_err(|bad| bad.to_string())?;
        for (place, step) in list.steps.iter().enumerate() {
            self.may_order(now, &step.order())
                .map_err(|why| format!("step {}: {why}", place + 1))?;
        }
        let words = format!("list of {} steps begun", list.steps.len());
        self.last_steps.clear();
        self.relay = None;
        self.run = Some(Run {
            list,
            at: 0,
            phase: Phase::Reaching,
            step_tick: tick,
            judge_tick: tick,
            lacks: String::new(),
            done: Vec::new(),
        });
        self.begin_step(tick);
        Ok(words)
    }

    /// A person's word that the loop is to be tuned at a speed of the engine.
    pub(super) fn begin_tuning(
        &mut self,
        now: Now,
        tick: u64,
        rad_per_s: f64,
    ) -> Result<String, String> {
        let order = LoadOrder::speed(rad_per_s, None);
        if let Some(it) = &self.of.stand().absorber {
            identify::model_u(it.absorber.kind).map_err(|why| why.to_string())?;
        }
        self.may_order(now, &order)?;
        if self.is_to_settle {
            return Err("another calibration is in force since the load was armed: release it and arm it again first".to_owned());
        }
        let settings = self.settings.clone().ok_or(NO_BOARD)?;
        self.run = None;
        let target = rad_per_s / self.ratio();
        self.relay = Some(Relay::new(target, settings, tick, self.tick_hz));
        self.relay_given_up = None;
        self.give(order);
        Ok(format!(
            "tuning at {:.0} rpm: leave the throttle a quarter to a half open",
            rad_per_s / RAD_PER_S_PER_RPM
        ))
    }

    /// A run for tuning goes on.
    fn advance_relay(
        &mut self,
        now: Now,
        tick: u64,
        status: &LoadStatus,
        out: &mut Output,
    ) -> Option<RunNews> {
        let relay = self.relay.as_mut()?;
        let was_kept = relay.is_switching();
        let target_rad_per_s = relay.target_rad_per_s;
        let (switches, next) = (relay.switches, relay.advance(tick, status));
        let (words, severity) = match next {
            Next::Wait => return None,
            Next::Order(order) => {
                self.give(order);
                return None;
            }
            Next::Begin(order) => {
                self.give(order);
                return Some(RunNews::Begun(TUNING));
            }
            Next::Done => (
                format!("{TUNING}: the output was switched {switches} times"),
                Severity::Info,
            ),
            Next::GiveUp(why) => {
                let words = format!("{TUNING} was given up: {why}");
                self.relay_given_up = Some(why);
                (words, Severity::Warning)
            }
        };
        let rad_per_s = target_rad_per_s * self.ratio();
        let engine_rpm = rad_per_s / RAD_PER_S_PER_RPM;
        self.relay = None;
        let told = payload::LoadTuning {
            engine_rpm,
            switches,
        };
        out.tell(Event::telling(now, Some(tick), &told, words.clone()).of(severity));
        self.give(LoadOrder::speed(rad_per_s, None));
        was_kept.then_some(RunNews::Over {
            words,
            ending: Ending::Tuning,
        })
    }

    fn begin_step(&mut self, tick: u64) {
        let Some(run) = &mut self.run else { return };
        let Some(step) = run.list.steps.get(run.at) else {
            return;
        };
        run.phase = if step.is_sweep() {
            Phase::Sweeping
        } else {
            Phase::Reaching
        };
        run.step_tick = tick;
        let order = step.order();
        self.give(order);
    }

    /// The list ends for this reason, if one is under way.
    pub(super) fn break_off(&mut self, reason: &str) -> Option<RunNews> {
        let is_kept = self.reads();
        if let Some(relay) = self.relay.take() {
            self.relay_given_up = Some(reason.to_owned());
            return relay.is_switching().then(|| RunNews::Over {
                words: format!("{TUNING} was broken off: {reason}"),
                ending: Ending::Tuning,
            });
        }
        let run = self.run.take()?;
        let (done, steps) = (run.done.len(), run.list.steps.len());
        self.last_steps = run.done;
        is_kept.then(|| RunNews::Over {
            words: format!("list of steps broken off after {done} of {steps}: {reason}"),
            ending: Ending::Broken,
        })
    }

    fn held(&mut self) -> Option<&mut Held> {
        match &mut self.run.as_mut()?.phase {
            Phase::Reading(held) => Some(held),
            Phase::Reaching | Phase::Sweeping | Phase::Closing { .. } => None,
        }
    }

    fn seconds(&self, tick: u64) -> f64 {
        tick as f64 / f64::from(self.tick_hz.max(1))
    }

    /// The engine's speed over a whole turn.
    pub(super) fn speed(&mut self, tick: u64, engine_rad_per_s: f64) {
        let (ratio, time_s) = (self.ratio(), self.seconds(tick));
        if let Some(relay) = &mut self.relay {
            relay.speed(engine_rad_per_s / ratio);
        }
        if let Some(held) = self.held() {
            held.speed(time_s, engine_rad_per_s / ratio);
        }
    }

    /// A sample in SI.
    pub(super) fn sample(&mut self, tick: u64, signal: Signal, si: Option<f64>) {
        let Some(si) = si.filter(|_| self.run.is_some()) else {
            return;
        };
        let time_s = self.seconds(tick);
        match signal {
            Signal::LoadCell => {
                if let (Some(lever_m), Some(held)) = (self.lever_m(), self.held()) {
                    held.torque(time_s, si * lever_m);
                }
            }
            Signal::Channel(id) => {
                let place = self.temperatures.iter().position(|it| *it == id);
                if let (Some(place), Some(held)) = (place, self.held()) {
                    held.temperature(place, time_s, si);
                }
            }
            Signal::Speed(_) | Signal::Board => {}
        }
    }

    /// Time passed: the list goes on.
    pub(super) fn advance(
        &mut self,
        now: Now,
        tick: u64,
        is_cut: bool,
        out: &mut Output,
    ) -> Option<RunNews> {
        if self.run.is_none() && self.relay.is_none() {
            return None;
        }
        if is_cut {
            return self.break_off("the stand was cut");
        }
        let Some(status) = self.fresh(now).copied() else {
            if let Some(relay) = &self.relay {
                let rad_per_s = relay.target_rad_per_s * self.ratio();
                self.give(LoadOrder::speed(rad_per_s, None));
            }
            return self.break_off("the board told nothing of its load");
        };
        if !self.was_armed {
            return self.break_off(why_words(status.why));
        }
        if self.relay.is_some() {
            return self.advance_relay(now, tick, &status, out);
        }
        let run = self.run.as_ref()?;
        let since_s = self.seconds(tick.saturating_sub(run.step_tick));
        if self.seconds(tick.saturating_sub(run.judge_tick)) < JUDGE_EVERY_S {
            return None;
        }
        let step = run.list.steps.get(run.at).copied();
        let reached = step.is_some_and(|step| self.has_reached(&step, &status));
        let inertia_kg_m2 = self
            .wanted
            .as_ref()
            .map_or(0.0, |it| f64::from(it.1.inertia))
            / f64::from(1 << 20);
        let names = self.temperature_names();
        let run = self.run.as_mut()?;
        run.judge_tick = tick;
        let is_late = since_s > run.list.seconds_max;
        match &mut run.phase {
            Phase::Reaching if reached => {
                run.phase = Phase::Reading(Box::new(Held::new(names)));
                None
            }
            Phase::Reaching if is_late => {
                let end = StepEnd::lacking("not reached");
                self.end_step(now, tick, &status, end, out)
            }
            Phase::Reaching => {
                run.lacks = "speed or torque to be reached".to_owned();
                None
            }
            Phase::Reading(held) => {
                let judged = held.judge(&Needs {
                    torque_share: run.list.torque_share,
                    seconds_min: run.list.seconds_min,
                    inertia_kg_m2,
                    kelvin_per_s: run.list.kelvin_per_s,
                });
                run.lacks = judged.lacks.clone().unwrap_or_default();
                let end = StepEnd {
                    absorber_nm: judged.torque_nm.map(|it| it.mean),
                    expanded_nm: judged.expanded_uncertainty_nm.filter(|it| it.is_finite()),
                    lacks: judged.lacks,
                };
                if end.lacks.is_none() || is_late {
                    return self.end_step(now, tick, &status, end, out);
                }
                None
            }
            Phase::Sweeping => {
                run.lacks = "the sweep's end".to_owned();
                let is_lost = since_s > sweep_s_max(step.as_ref(), &status);
                if reached {
                    self.end_step(now, tick, &status, StepEnd::default(), out)
                } else if is_lost {
                    let end = StepEnd::lacking("the speed did not follow");
                    self.end_step(now, tick, &status, end, out)
                } else {
                    None
                }
            }
            Phase::Closing {
                torque_nm,
                closed_since,
            } => {
                run.lacks = "the throttle to be closed: the brake holds until then".to_owned();
                if f64::from(status.torque) / UNIT > CLOSED_SHARE * *torque_nm {
                    *closed_since = None;
                } else if tick.saturating_sub(*closed_since.get_or_insert(tick))
                    > u64::from(self.tick_hz) / 3
                {
                    self.last_steps = self.run.take()?.done;
                    self.give(LoadOrder::Off);
                }
                None
            }
        }
    }

    fn temperature_names(&self) -> Vec<String> {
        let name = |id: &ChannelId| self.of.stand().channel(*id).map(|it| it.name.clone());
        self.temperatures.iter().filter_map(name).collect()
    }

    /// Whether reference and speed, or the demand, are where a step wants them.
    fn has_reached(&self, step: &Step, status: &LoadStatus) -> bool {
        let is_near = |value: i32, target: f64, share: f64| {
            (f64::from(value) / UNIT - target).abs() <= share * target.abs()
        };
        let ratio = self.ratio();
        match *step {
            Step::Speed { rad_per_s } => {
                let target = rad_per_s / ratio;
                is_near(status.reference, target, REACHED) && is_near(status.speed, target, NEAR)
            }
            Step::Torque { nm } => is_near(status.torque, nm * ratio, NEAR),
            Step::Sweep { to_rad_per_s, .. } => {
                let target = to_rad_per_s / ratio;
                is_near(status.reference, target, REACHED)
                    && is_near(status.speed, target, 0.3 * NEAR)
            }
        }
    }

    /// A step is over: the next, or the end of the list.
    fn end_step(
        &mut self,
        now: Now,
        tick: u64,
        status: &LoadStatus,
        end: StepEnd,
        out: &mut Output,
    ) -> Option<RunNews> {
        let (ratio, seconds) = (self.ratio(), self.seconds(tick));
        let began_s = self
            .run
            .as_ref()
            .map_or(0.0, |run| self.seconds(run.step_tick));
        let run = self.run.as_mut()?;
        let step = *run.list.steps.get(run.at)?;
        let done = StepDone {
            step,
            engine_rpm: f64::from(status.speed) / UNIT * ratio / RAD_PER_S_PER_RPM,
            torque_nm: end.absorber_nm.map(|nm| nm / ratio),
            expanded_uncertainty_nm: end.expanded_nm.map(|nm| nm / ratio),
            seconds: seconds - began_s,
            lacks: end.lacks,
        };
        run.at += 1;
        let steps = run.list.steps.len();
        let told = payload::LoadStep {
            step: run.at,
            steps,
            engine_rpm: done.engine_rpm,
            torque_nm: done.torque_nm,
            expanded_uncertainty_nm: done.expanded_uncertainty_nm,
            seconds: done.seconds,
        };
        let (words, severity) = match &done.lacks {
            None => ("done".to_owned(), Severity::Info),
            Some(lacks) => (format!("left, not steady: {lacks}"), Severity::Warning),
        };
        let message = format!(
            "step {} of {steps} at {:.0} rpm {words}, after {:.1} s",
            run.at, done.engine_rpm, done.seconds
        );
        let about = format!("step {}", run.at);
        out.tell(
            Event::telling(now, Some(tick), &told, message)
                .about(about)
                .of(severity),
        );
        run.done.push(done);
        if run.at < steps {
            self.begin_step(tick);
            return None;
        }
        let unsteady = run.done.iter().filter(|it| it.lacks.is_some()).count();
        let mut words = format!("held by the stand's own load: {}", run.list.words());
        if unsteady > 0 {
            words += &format!(", {unsteady} of them not steady");
        }
        run.phase = Phase::Closing {
            torque_nm: f64::from(status.torque) / UNIT,
            closed_since: None,
        };
        // It is held where it is until the throttle is closed.
        let here = f64::from(status.reference) / UNIT * ratio;
        self.give(LoadOrder::speed(here, None));
        Some(RunNews::Over {
            words,
            ending: Ending::Whole,
        })
    }

    /// For people to look at; none on a stand without an absorber.
    pub(super) fn live(&self, now: Now) -> Option<LoadLive> {
        if !self.is_braked() {
            return None;
        }
        let ratio = self.ratio();
        let status = self.fresh(now);
        let unit = |of: fn(&LoadStatus) -> i32| status.map(|it| f64::from(of(it)) / UNIT);
        Some(LoadLive {
            lacks: self.lacks(now),
            armed: self.was_armed && status.is_some(),
            order: self.order,
            mode: status.map_or("off", |it| mode_word(it.mode)),
            demand_nm: unit(|it| it.torque).map(|nm| nm / ratio),
            output: unit(|it| it.output),
            reference_rpm: unit(|it| it.reference).map(|it| it * ratio / RAD_PER_S_PER_RPM),
            engine_nm: unit(|it| it.engine).map(|nm| nm / ratio),
            saturated: status.is_some_and(|it| it.is_saturated),
            why: status
                .filter(|it| it.why != LoadWhy::None)
                .map(|it| why_words(it.why).to_owned()),
            backed_off: status.map_or(0, |it| it.backed_off),
            run: self.run.as_ref().map(|run| RunLive {
                name: run.list.name.clone(),
                throttle: run.list.throttle,
                step: run.at + 1,
                steps: run.list.steps.len(),
                waits_for: run.lacks.clone(),
                done: run.done.clone(),
            }),
            last_steps: self.last_steps.clone(),
            tuning: self.relay.as_ref().map(|relay| TuningLive {
                waits_for: relay.waits_for(),
                engine_rpm: relay.target_rad_per_s * ratio / RAD_PER_S_PER_RPM,
                switches: relay.switches,
                switches_needed: relay::SWITCHES,
            }),
            tuning_given_up: self.relay_given_up.clone(),
        })
    }
}

/// What a kept run for tuning is called.
pub const TUNING: &str = "run for tuning the load";

const NO_BOARD: &str = "no board is connected";

/// A sweep that takes longer than half as long again as it should, and some seconds, does not follow.
fn sweep_s_max(step: Option<&Step>, status: &LoadStatus) -> f64 {
    let Some(Step::Sweep { rad_per_s2, .. }) = step else {
        return f64::INFINITY;
    };
    let span = f64::from(status.speed.max(status.reference)) / UNIT;
    // At most all the way from rest to twice where it is; the engine's rate is never less than the absorber's.
    10.0 + 1.5 * 4.0 * span / rad_per_s2
}

fn mode_word(mode: LoadMode) -> &'static str {
    match mode {
        LoadMode::Off => "off",
        LoadMode::Speed => "speed",
        LoadMode::Torque => "torque",
        LoadMode::Road => "road",
        LoadMode::Output => "output",
    }
}

/// Why there is no load, in words.
fn why_words(why: LoadWhy) -> &'static str {
    match why {
        LoadWhy::None => "there may be load",
        LoadWhy::NotArmed => "nobody armed it",
        LoadWhy::Cut => "the engine was cut",
        LoadWhy::SensorLost => "its pickup's teeth stopped coming",
        LoadWhy::TooHot => "a temperature is above its limit",
        LoadWhy::Saturated => "it could not hold the speed, which rose above what was ordered",
        LoadWhy::LoadLost => "the load was lost: current, torque or speed did not follow",
        LoadWhy::NotSet => "the board has no settings that it can work with",
        LoadWhy::Unknown(_) => "for a reason that this version does not know",
    }
}

/// FNV-1a, folded to 16 bits, never 0.
fn number_of(text: &str) -> u16 {
    let hash = text.bytes().fold(0x811c_9dc5_u32, |hash, byte| {
        (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193)
    });
    let [a, b, c, d] = hash.to_be_bytes();
    u16::from_be_bytes([a ^ c, b ^ d]).max(1)
}

/// The host's two messages for settings of this number; what does not fit its field is the most that it holds.
#[must_use]
pub fn load_messages(made: &Settings, number: u16) -> (LoadMap, LoadGains) {
    let long = |value: i64| u32::try_from(value.max(0)).unwrap_or(u32::MAX);
    let short = |value: i64| u16::try_from(value.max(0)).unwrap_or(u16::MAX);
    let signed = |value: i64| i32::try_from(value).unwrap_or(i32::MAX);
    let map = LoadMap {
        settings: number,
        speeds: made.map_speed.map(|it| short(it >> 12)),
        torques: made.map_torque.map(|it| short(it >> 12)),
        outputs: std::array::from_fn(|eighth| short(made.output_for[eighth + 1] >> 1)),
    };
    let gains = LoadGains {
        settings: number,
        teeth: short(made.teeth),
        window_teeth: short(made.window_teeth),
        inertia: long(made.inertia),
        firmness: short(made.firmness),
        hold: long(made.hold),
        approach: long(made.approach),
        lead: short(made.lead),
        lag: long(made.lag),
        slew: long(made.slew),
        output_min: signed(made.output_min),
        output_max: signed(made.output_max),
        stall: long(made.stall),
        speed_max: long(made.speed_max),
        engine_max: long(made.engine_max),
        torque_slew: long(made.torque_slew),
        follow: long(made.follow),
        follow_steps: short(made.follow_steps),
    };
    (map, gains)
}

fn counts(value: f64) -> i32 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "orders are within ranges, and a cast saturates"
    )]
    let counts = value.round() as i32;
    counts
}
