//! The load's loop on the board: what the host's messages make of it, and what it tells.

use leverarm_load::controller::{Controller, Demand, Mode, Outputs, Settings, Why};
use leverarm_protocol::{
    LoadCommand, LoadDemand, LoadGains, LoadMap, LoadMode, LoadStatus, LoadWhy,
};

/// The loop, and what has come of its settings.
#[derive(Clone, Debug)]
pub(super) struct Load {
    initial: Settings,
    pub(super) controller: Controller,
    pub(super) latest: Outputs,
    rate_hz: u16,
    tick_hz: u32,
    map: Option<LoadMap>,
    gains: Option<LoadGains>,
    settings: u16,
    demand: LoadDemand,
}

impl Load {
    pub(super) fn new(settings: Settings, rate_hz: u16, tick_hz: u32) -> Self {
        Self {
            controller: Controller::new(settings.clone()),
            initial: settings,
            latest: Outputs::default(),
            rate_hz,
            tick_hz,
            map: None,
            gains: None,
            settings: 0,
            demand: LoadDemand::default(),
        }
    }

    /// As after a start.
    pub(super) fn restart(&mut self) {
        *self = Self::new(self.initial.clone(), self.rate_hz, self.tick_hz);
    }

    pub(super) fn obey(&mut self, command: LoadCommand) {
        match command {
            LoadCommand::Map(map) => self.map = Some(map),
            LoadCommand::Gains(gains) => self.gains = Some(gains),
            LoadCommand::Demand(demand) => {
                self.demand = demand;
                self.controller.demand(Demand {
                    mode: mode(demand.mode),
                    target: i64::from(demand.target),
                    rate: i64::from(demand.rate),
                    square: i64::from(demand.square),
                });
            }
            LoadCommand::Arm(arm) if arm.is_armed => {
                self.demand = LoadDemand::default();
                self.controller.arm();
            }
            LoadCommand::Arm(_) => {
                self.demand = LoadDemand::default();
                self.controller.disarm();
            }
        }
        self.take_settings();
    }

    /// Takes settings that are whole and new, as long as there is no load.
    fn take_settings(&mut self) {
        let (Some(map), Some(gains)) = (&self.map, &self.gains) else {
            return;
        };
        let is_new =
            map.settings == gains.settings && map.settings != self.settings && map.settings != 0;
        if !is_new || self.latest.holds {
            return;
        }
        let settings = settings(map, gains, self.rate_hz, self.tick_hz);
        if settings.fit() {
            self.settings = map.settings;
            self.controller = Controller::new(settings);
        }
    }

    pub(super) fn status(&self) -> LoadStatus {
        let whole = |value: i64| {
            let most = i64::from(i32::MAX);
            i32::try_from(value.clamp(-most, most)).unwrap_or(i32::MAX)
        };
        LoadStatus {
            settings: self.settings,
            mode: self.demand.mode,
            is_armed: self.controller.is_armed(),
            is_saturated: self.latest.saturated,
            why: match self.latest.why {
                Why::None => LoadWhy::None,
                Why::NotArmed => LoadWhy::NotArmed,
                Why::Cut => LoadWhy::Cut,
                Why::SensorLost => LoadWhy::SensorLost,
                Why::TooHot => LoadWhy::TooHot,
                Why::Saturated => LoadWhy::Saturated,
                Why::LoadLost => LoadWhy::LoadLost,
            },
            backed_off: self.latest.backed_off,
            output: whole(self.latest.output),
            torque: whole(self.latest.torque),
            speed: whole(self.latest.speed),
            reference: whole(self.latest.reference),
            engine: whole(self.latest.engine),
        }
    }
}

fn mode(mode: LoadMode) -> Mode {
    match mode {
        LoadMode::Off => Mode::Off,
        LoadMode::Speed => Mode::Speed,
        LoadMode::Torque => Mode::Torque,
        LoadMode::Road => Mode::Road,
        LoadMode::Output => Mode::Output,
    }
}

/// What the host's two messages and the board's own rates make.
fn settings(map: &LoadMap, gains: &LoadGains, rate_hz: u16, tick_hz: u32) -> Settings {
    let mut output_for = [0; 9];
    for (output, stated) in output_for.iter_mut().skip(1).zip(map.outputs) {
        *output = 2 * i64::from(stated);
    }
    Settings {
        rate_hz: i64::from(rate_hz),
        tick_hz: i64::from(tick_hz),
        teeth: i64::from(gains.teeth),
        window_teeth: i64::from(gains.window_teeth),
        inertia: i64::from(gains.inertia),
        firmness: i64::from(gains.firmness),
        hold: i64::from(gains.hold),
        approach: i64::from(gains.approach),
        lead: i64::from(gains.lead),
        lag: i64::from(gains.lag),
        slew: i64::from(gains.slew),
        output_min: i64::from(gains.output_min),
        output_max: i64::from(gains.output_max),
        map_speed: map.speeds.map(|speed| i64::from(speed) << 12),
        map_torque: map.torques.map(|torque| i64::from(torque) << 12),
        output_for,
        stall: i64::from(gains.stall),
        speed_max: i64::from(gains.speed_max),
        engine_max: i64::from(gains.engine_max),
        torque_slew: i64::from(gains.torque_slew),
        follow: i64::from(gains.follow),
        follow_steps: i64::from(gains.follow_steps),
    }
}
