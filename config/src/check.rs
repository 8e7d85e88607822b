//! What a stand file amounts to, and what looks wrong about it: for `leverarm check FILE`.

use std::f64::consts::PI;
use std::fmt;

use leverarm_torque::air::{Air, CorrectionFactor, Validity};
use leverarm_torque::inertia::{rim_speed_m_per_s, stored_energy_j};
use leverarm_torque::sensor::Law;
use leverarm_torque::uncertainty::Measured;

use crate::display::{DisplayUnit, RPM};
use crate::stand::{
    AirInput, Drum, Guard, GuardAction, Pickup, Quantity, Shaft, Signal, Stand, StandKind, Watch,
};

/// Mass of the car that stored energy is likened to.
const CAR_KG: f64 = 1000.0;
/// A steel drum's rim should not run faster unless an engineer has said so (common practice, no
/// source).
const RIM_SPEED_M_PER_S_MAX: f64 = 60.0;
/// The protocol carries 20 000 teeth a second at 500 000 baud; this leaves room.
const TEETH_PER_S_MAX: f64 = 18_000.0;
/// Fewer teeth a second at the start of a pull give a coarse speed (our judgement).
const TEETH_PER_S_MIN: f64 = 10.0;
/// Part of the line that teeth may take, so that everything else gets through.
const LINE_USE_MAX: f64 = 0.8;
/// A limit further above the end of a pull protects little (our judgement).
const LIMIT_PER_END_MAX: f64 = 1.3;
/// One start bit, eight data bits, one stop bit.
const BITS_PER_BYTE: f64 = 10.0;
/// A teeth frame apart from its periods: head 8, pickup 1, first tooth 4, check 2, framing 2.
const TEETH_FRAME_BYTES: f64 = 17.0;
/// Bytes of one tooth period.
const TOOTH_BYTES: f64 = 2.0;
/// Tooth periods that fit into one frame.
const TEETH_PER_FRAME_MAX: f64 = 119.0;
/// A board sends its teeth at least about this often, full frame or not (our assumption).
const TEETH_FRAMES_PER_S_MIN: f64 = 50.0;

/// A stand with what follows from its numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary<'s> {
    /// The stand itself.
    pub stand: &'s Stand,
    /// When the first overspeed guard cuts.
    pub at_cut: Option<AtCut>,
    /// Teeth per second of each pickup at the cut.
    pub teeth_per_s: Vec<(Pickup, f64)>,
    /// Part of the serial line that these teeth take, 1 being all of it.
    pub line_use: f64,
    /// Engine torque that just reaches the smallest acceleration of a pull, N·m, without losses.
    pub least_pull_torque_nm: Option<f64>,
    /// Loss torque at the drum at the end of a pull, N·m.
    pub loss_at_end_nm: f64,
    /// The correction for the air in the file, when all of it is written there.
    pub correction: Option<CorrectionFactor>,
    /// What looks wrong though it breaks no rule.
    pub cautions: Vec<Caution>,
}

/// The stand at the moment of the first overspeed cut.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AtCut {
    /// Speed of the drum.
    pub drum_rad_per_s: f64,
    /// Speed of the engine.
    pub engine_rad_per_s: f64,
    /// Energy of the turning drum.
    pub stored_energy_j: Option<f64>,
    /// Speed at which a car of 1000 kg has that energy.
    pub car_speed_m_per_s: Option<f64>,
    /// Speed of the drum's outermost point.
    pub rim_speed_m_per_s: Option<f64>,
}

/// Something that looks wrong though it breaks no rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    /// The section or key it is about.
    pub key: &'static str,
    /// What it is and what would be better.
    pub text: String,
}

impl Stand {
    /// Works out what the stand's numbers amount to.
    #[must_use]
    pub fn summary(&self) -> Summary<'_> {
        let at_cut = self
            .overspeed_cut_rad_per_s(Shaft::Drum)
            .map(|drum_rad_per_s| {
                let drum = self.drum.as_ref();
                let energy =
                    drum.map(|drum| stored_energy_j(drum.inertia_kg_m2.value, drum_rad_per_s));
                let radius_m = drum.and_then(|drum| drum.outer_radius_m);
                AtCut {
                    drum_rad_per_s,
                    engine_rad_per_s: self.drive.speed_rad_per_s(
                        drum_rad_per_s,
                        Shaft::Drum,
                        Shaft::Engine,
                    ),
                    stored_energy_j: energy,
                    car_speed_m_per_s: energy.map(|joule| (2.0 * joule / CAR_KG).sqrt()),
                    rim_speed_m_per_s: radius_m.map(|m| rim_speed_m_per_s(m, drum_rad_per_s)),
                }
            });
        let teeth_per_s: Vec<(Pickup, f64)> = self
            .pickups
            .iter()
            .filter_map(|pickup| Some((*pickup, self.overspeed_cut_teeth_per_s(pickup)?)))
            .collect();
        let bytes_per_s: f64 = teeth_per_s
            .iter()
            .map(|(_, rate)| teeth_bytes_per_s(*rate))
            .sum();
        let ratio = self.drive.engine_per_drum.value;
        let drum_end_rad_per_s = self.pull.end_rad_per_s / ratio;
        let mut summary = Summary {
            stand: self,
            at_cut,
            teeth_per_s,
            line_use: bytes_per_s * BITS_PER_BYTE / f64::from(self.port.baud),
            least_pull_torque_nm: self.measuring_drum().map(|drum| {
                drum.inertia_kg_m2.value * self.pull.acceleration_min_rad_per_s2 / (ratio * ratio)
            }),
            loss_at_end_nm: self.losses.torque_nm(drum_end_rad_per_s),
            correction: self.entered_air().map(|air| self.correction.factor(&air)),
            cautions: Vec::new(),
        };
        summary.cautions = summary.find_cautions();
        summary
    }

    /// The drum, where torque is worked out from its inertia.
    fn measuring_drum(&self) -> Option<&Drum> {
        self.drum.as_ref().filter(|_| self.kind != StandKind::Brake)
    }

    /// The ambient air, when all of it is written in the file.
    #[must_use]
    pub fn entered_air(&self) -> Option<Air> {
        let entered = |input| match input {
            AirInput::Entered(Measured { value, .. }) => Some(value),
            AirInput::Channel(_) => None,
        };
        let pressure_pa = entered(self.air.pressure_pa)?;
        let temperature_k = entered(self.air.temperature_k)?;
        Air::new(
            pressure_pa,
            temperature_k,
            entered(self.air.relative_humidity)?,
        )
        .ok()
    }

    /// A guard in words: "cuts when the drum turns faster than 1420 rpm".
    #[must_use]
    pub fn guard_text(&self, guard: &Guard) -> String {
        let action = match guard.action {
            GuardAction::Cut => "cuts",
            GuardAction::Warn => "warns",
        };
        let when = match guard.watch {
            Watch::Overspeed {
                shaft,
                limit_rad_per_s,
            } => {
                format!(
                    "the {} turns faster than {}",
                    shaft.name(),
                    RPM.text(limit_rad_per_s, 0)
                )
            }
            Watch::OverTemperature { channel, limit_k } => {
                let signal = self.signal_text(Signal::Channel(channel));
                format!(
                    "{signal} is above {}",
                    self.units.temperature.text(limit_k, 0)
                )
            }
            Watch::SensorLost { signal } => format!("{} is lost", self.signal_text(signal)),
            Watch::StaleData { signal, age_ms_max } => {
                format!(
                    "nothing new comes from {} for {age_ms_max} ms",
                    self.signal_text(signal)
                )
            }
            Watch::Above { signal, limit_si } => {
                format!(
                    "{} is above {}",
                    self.signal_text(signal),
                    self.value(signal, limit_si)
                )
            }
            Watch::Below { signal, limit_si } => {
                format!(
                    "{} is below {}",
                    self.signal_text(signal),
                    self.value(signal, limit_si)
                )
            }
            Watch::RateOfRise {
                signal,
                limit_si_per_s,
            } => {
                let unit = self.unit(signal);
                let rate = number(unit.difference(limit_si_per_s));
                let rise = format!("{rate} {}", unit.symbol);
                format!(
                    "{} rises more than {} in a second",
                    self.signal_text(signal),
                    rise.trim()
                )
            }
        };
        match guard.debounce_ms {
            0 => format!("{action} when {when}"),
            ms => format!("{action} when {when}, for {ms} ms"),
        }
    }

    fn signal_text(&self, signal: Signal) -> String {
        match signal {
            Signal::Speed(shaft) => format!("the {}'s speed", shaft.name()),
            Signal::LoadCell => "the load cell".to_owned(),
            Signal::Board => "the board".to_owned(),
            Signal::Channel(id) => {
                let name = self
                    .channel(id)
                    .map_or("?", |channel| channel.name.as_str());
                format!("\"{name}\"")
            }
        }
    }

    fn unit(&self, signal: Signal) -> DisplayUnit {
        let quantity = match signal {
            Signal::Speed(_) => return RPM,
            Signal::LoadCell => Some(Quantity::Force),
            Signal::Board => None,
            Signal::Channel(id) => self.channel(id).map(|channel| channel.quantity),
        };
        quantity
            .unwrap_or(Quantity::Number)
            .display_unit(&self.units)
    }

    fn value(&self, signal: Signal, si: f64) -> String {
        let unit = self.unit(signal);
        format!("{} {}", number(unit.number(si)), unit.symbol)
            .trim_end()
            .to_owned()
    }
}

/// Bytes that a pickup's teeth take on the line.
fn teeth_bytes_per_s(teeth_per_s: f64) -> f64 {
    let frames_per_s = (teeth_per_s / TEETH_PER_FRAME_MAX).max(TEETH_FRAMES_PER_S_MIN);
    teeth_per_s * TOOTH_BYTES + frames_per_s * TEETH_FRAME_BYTES
}

/// A number without needless decimals.
fn number(value: f64) -> String {
    let rounded = (value * 1e3).round() / 1e3;
    // Keeps "-0" out.
    (rounded + 0.0).to_string()
}

impl Summary<'_> {
    fn find_cautions(&self) -> Vec<Caution> {
        let mut cautions = Vec::new();
        self.limit_cautions(&mut cautions);
        self.speed_cautions(&mut cautions);
        self.sensor_cautions(&mut cautions);
        self.uncertainty_cautions(&mut cautions);
        if !self.stand.page_address.ip().is_loopback() {
            cautions.push(Caution {
                key: "page.address",
                text: format!(
                    "{} can be reached from other machines, and the page asks for no password; \
                     127.0.0.1 keeps it to this one",
                    self.stand.page_address
                ),
            });
        }
        cautions
    }

    fn limit_cautions(&self, cautions: &mut Vec<Caution>) {
        let stand = self.stand;
        let mut add = |key, text| cautions.push(Caution { key, text });
        let Some(at_cut) = self.at_cut else { return };
        if let Some(rim) = at_cut
            .rim_speed_m_per_s
            .filter(|rim| *rim > RIM_SPEED_M_PER_S_MAX)
        {
            add(
                "guard",
                format!(
                    "the drum's rim reaches {} before the cut: above {} have a licensed engineer \
                     judge drum, shaft and guard first",
                    stand.units.rim_speed.text(rim, 0),
                    stand.units.rim_speed.text(RIM_SPEED_M_PER_S_MAX, 0),
                ),
            );
        }
        let end = stand.pull.end_rad_per_s;
        let cut = at_cut.engine_rad_per_s;
        let speeds = format!(
            "the overspeed cut acts at {} of the engine, a pull ends at {}",
            RPM.text(cut, 0),
            RPM.text(end, 0)
        );
        if end >= cut {
            add(
                "pull.end_speed",
                format!("{speeds}: every pull would be cut"),
            );
        } else if cut > end * LIMIT_PER_END_MAX {
            add(
                "guard",
                format!("{speeds}: so high a limit protects little"),
            );
        }
        let loses_drum = |guard: &Guard| {
            let watches = matches!(
                guard.watch,
                Watch::SensorLost {
                    signal: Signal::Speed(_)
                } | Watch::StaleData {
                    signal: Signal::Speed(_),
                    ..
                }
            );
            watches && guard.action == GuardAction::Cut
        };
        if !stand.guards.iter().any(loses_drum) {
            add(
                "guard",
                "no guard cuts when a pickup is lost, and without its pickup an overspeed can't \
                 be seen: add one with kind = \"sensor lost\", on = \"drum speed\""
                    .to_owned(),
            );
        }
        let stale_board = |guard: &Guard| {
            matches!(
                guard.watch,
                Watch::StaleData {
                    signal: Signal::Board,
                    ..
                }
            )
        };
        if !stand.guards.iter().any(stale_board) {
            add(
                "guard",
                "no guard watches for silence of the board: add one with kind = \"stale data\", \
                 on = \"board\""
                    .to_owned(),
            );
        }
    }

    fn speed_cautions(&self, cautions: &mut Vec<Caution>) {
        let stand = self.stand;
        let mut add = |key, text| cautions.push(Caution { key, text });
        for (pickup, rate) in &self.teeth_per_s {
            let shaft = pickup.shaft.name();
            if *rate > TEETH_PER_S_MAX {
                add(
                    "pickup.teeth",
                    format!(
                        "the {shaft}'s pickup gives {rate:.0} teeth a second at the cut, more \
                         than the {TEETH_PER_S_MAX:.0} that a board can be counted on for"
                    ),
                );
            }
            let start = stand.drive.speed_rad_per_s(
                stand.pull.start_rad_per_s,
                Shaft::Engine,
                pickup.shaft,
            );
            let at_start = start / (2.0 * PI) * f64::from(pickup.teeth);
            if at_start < TEETH_PER_S_MIN {
                add(
                    "pickup.teeth",
                    format!(
                        "the {shaft}'s pickup gives only {at_start:.1} teeth a second when a pull \
                         starts: the speed is coarse"
                    ),
                );
            }
        }
        if self.line_use > LINE_USE_MAX {
            add(
                "port.baud",
                format!(
                    "at the cut the teeth alone take {:.0} % of the line: a higher baud or fewer \
                     teeth",
                    self.line_use * 100.0
                ),
            );
        }
        let has_drum_pickup = stand
            .pickups
            .iter()
            .any(|pickup| pickup.shaft == Shaft::Drum);
        if !has_drum_pickup {
            add(
                "pickup",
                "no pickup is on the drum: its speed is worked out from the engine's, and in \
                 another gear, or with a slipping clutch, that is wrong"
                    .to_owned(),
            );
        }
        let has_engine_pickup = stand
            .pickups
            .iter()
            .any(|pickup| pickup.shaft == Shaft::Engine);
        if stand.drive.tyre.is_some() && !has_engine_pickup {
            add(
                "drive.tyre",
                "a tyre slips under load, so the ratio changes: a pickup on the engine shows it"
                    .to_owned(),
            );
        }
    }

    fn sensor_cautions(&self, cautions: &mut Vec<Caution>) {
        let stand = self.stand;
        let mut add = |key, text| cautions.push(Caution { key, text });
        for guard in &stand.guards {
            let Watch::SensorLost {
                signal: Signal::Channel(id),
            } = guard.watch
            else {
                continue;
            };
            if let Some(channel) = stand.channel(id)
                && matches!(channel.law, Law::Linear { .. } | Law::Quadratic { .. })
                && channel.expected_si.is_none()
            {
                add(
                    "channel.expected",
                    format!(
                        "without a range that \"{}\" is expected in, any count looks right: guard \
                         \"{}\" would not see a broken wire",
                        channel.name, guard.name
                    ),
                );
            }
        }
        if stand.kind == StandKind::Inertia && stand.load_cell.is_some() {
            add(
                "load_cell",
                "a stand of kind inertia doesn't use its load cell; kind = \"both\" does"
                    .to_owned(),
            );
        }
        if let Some(Validity::Outside(breaches)) = self
            .correction
            .as_ref()
            .map(|correction| &correction.validity)
        {
            for breach in breaches {
                add("air", format!("{}: {breach}", stand.correction));
            }
        }
        let losses = stand.losses;
        let to = stand.overspeed_cut_rad_per_s(Shaft::Drum).unwrap_or(0.0);
        let least = (0..=100)
            .map(|percent| losses.torque_nm(to * f64::from(percent) / 100.0))
            .fold(f64::INFINITY, f64::min);
        if losses == crate::Losses::default() {
            add(
                "losses",
                "no losses are given: curves leave out what bearings, chain and air take; a \
                 coast-down tells them"
                    .to_owned(),
            );
        } else if least < 0.0 {
            add(
                "losses",
                "the losses are negative within the speed range: fit the coast-down again"
                    .to_owned(),
            );
        }
    }

    fn uncertainty_cautions(&self, cautions: &mut Vec<Caution>) {
        let stand = self.stand;
        let mut without = |key, what: &str, measured: Option<Measured>| {
            if measured.is_some_and(|measured| measured.standard_uncertainty <= 0.0) {
                let text = format!("{what} comes without its uncertainty; curves take it as exact");
                cautions.push(Caution { key, text });
            }
        };
        without(
            "drum",
            "the inertia",
            stand.measuring_drum().map(|drum| drum.inertia_kg_m2),
        );
        let load_cell = stand.load_cell.as_ref();
        without("load_cell.arm", "the arm", load_cell.map(|cell| cell.arm_m));
        without(
            "load_cell.per_count",
            "the scale",
            load_cell.map(|cell| cell.newton_per_count),
        );
        let entered = |input| match input {
            AirInput::Entered(measured) => Some(measured),
            AirInput::Channel(_) => None,
        };
        without(
            "air.pressure",
            "the pressure",
            entered(stand.air.pressure_pa),
        );
        without(
            "air.temperature",
            "the air's temperature",
            entered(stand.air.temperature_k),
        );
        without(
            "air.humidity",
            "the humidity",
            entered(stand.air.relative_humidity),
        );
    }

    fn fmt_drum(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(drum) = &self.stand.drum else {
            return Ok(());
        };
        let units = &self.stand.units;
        let unit = units.inertia;
        writeln!(f, "Drum")?;
        for (name, piece) in &drum.pieces {
            let inertia = unit.difference(piece.inertia_kg_m2.value);
            let mass = units.mass.difference(piece.mass_kg.value);
            let (mass_unit, symbol) = (units.mass.symbol, unit.symbol);
            writeln!(
                f,
                "  {name:<28} {mass:9.2} {mass_unit}  {inertia:9.4} {symbol}"
            )?;
        }
        write!(
            f,
            "  inertia  {}",
            with_uncertainty(drum.inertia_kg_m2, unit)
        )?;
        match drum.inertia_kg_m2.relative_standard_uncertainty() {
            relative if relative > 0.0 => writeln!(f, " ({:.2} %)", relative * 100.0),
            _ => writeln!(f),
        }
    }

    fn fmt_drive(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let drive = &self.stand.drive;
        writeln!(f, "Drive")?;
        write!(
            f,
            "  {:.4} engine turns per drum turn",
            drive.engine_per_drum.value
        )?;
        let stages: Vec<String> = drive
            .stages
            .iter()
            .map(|stage| format!("{}/{}", stage.driven_teeth, stage.driving_teeth))
            .collect();
        if !stages.is_empty() {
            write!(f, " ({}", stages.join(" · "))?;
            f.write_str(if drive.tyre.is_some() {
                " · tyre)"
            } else {
                ")"
            })?;
        }
        writeln!(f)?;
        let units = &self.stand.units;
        writeln!(
            f,
            "  losses at the end of a pull {} at the drum",
            units.torque.text(self.loss_at_end_nm, 2)
        )
    }

    fn fmt_cut(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(at_cut) = &self.at_cut else {
            return Ok(());
        };
        let units = &self.stand.units;
        writeln!(f, "At the first overspeed cut")?;
        writeln!(
            f,
            "  drum {}, engine {}",
            RPM.text(at_cut.drum_rad_per_s, 0),
            RPM.text(at_cut.engine_rad_per_s, 0)
        )?;
        if let (Some(energy), Some(car)) = (at_cut.stored_energy_j, at_cut.car_speed_m_per_s) {
            writeln!(
                f,
                "  stored energy {}, as much as a car of {} at {}",
                units.energy.text(energy, 1),
                units.mass.text(CAR_KG, 0),
                units.road_speed.text(car, 0)
            )?;
        }
        if let Some(rim) = at_cut.rim_speed_m_per_s {
            writeln!(f, "  rim speed {}", units.rim_speed.text(rim, 1))?;
        }
        for (pickup, rate) in &self.teeth_per_s {
            writeln!(f, "  {} pickup {rate:.0} teeth/s", pickup.shaft.name())?;
        }
        writeln!(
            f,
            "  teeth take {:.1} % of {} baud",
            self.line_use * 100.0,
            self.stand.port.baud
        )
    }

    fn fmt_pull(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let pull = &self.stand.pull;
        writeln!(f, "A pull")?;
        write!(
            f,
            "  engine {} to {}, at least {:.0} rpm/s",
            RPM.text(pull.start_rad_per_s, 0),
            RPM.text(pull.end_rad_per_s, 0),
            RPM.number(pull.acceleration_min_rad_per_s2)
        )?;
        if let Some(torque) = self.least_pull_torque_nm {
            write!(
                f,
                " ({} at the engine)",
                self.stand.units.torque.text(torque, 2)
            )?;
        }
        writeln!(
            f,
            "\n  at least {} s long, with {} s before and {} s of coasting kept",
            number(pull.length_min_s),
            number(pull.pre_trigger_s),
            number(pull.coast_s)
        )
    }

    fn fmt_air(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let stand = self.stand;
        writeln!(f, "Air")?;
        let readings = [
            ("pressure", stand.air.pressure_pa, Quantity::Pressure),
            (
                "temperature",
                stand.air.temperature_k,
                Quantity::Temperature,
            ),
            ("humidity", stand.air.relative_humidity, Quantity::Fraction),
        ];
        for (name, input, quantity) in readings {
            let unit = quantity.display_unit(&stand.units);
            match input {
                AirInput::Entered(measured) => {
                    writeln!(f, "  {name} {}", with_uncertainty(measured, unit))?;
                }
                AirInput::Channel(id) => {
                    writeln!(
                        f,
                        "  {name} from {}",
                        self.stand.signal_text(Signal::Channel(id))
                    )?;
                }
            }
        }
        write!(f, "  correction {}", stand.correction)?;
        match &self.correction {
            Some(correction) => writeln!(f, ", factor {:.4}", correction.factor),
            None => writeln!(f),
        }
    }
}

/// `3.188 ± 0.026 kg·m²`, with two digits of the uncertainty.
fn with_uncertainty(measured: Measured, unit: DisplayUnit) -> String {
    let value = unit.number(measured.value);
    let uncertainty = unit.difference(measured.standard_uncertainty);
    if uncertainty <= 0.0 {
        return format!("{} {}", number(value), unit.symbol);
    }
    let decimals = (1.0 - uncertainty.log10().floor()).clamp(0.0, 9.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to 9"
    )]
    let decimals = decimals as usize;
    format!(
        "{value:.decimals$} ± {uncertainty:.decimals$} {}",
        unit.symbol
    )
}

impl fmt::Display for Summary<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let stand = self.stand;
        let kind = match stand.kind {
            StandKind::Inertia => "inertia stand",
            StandKind::Brake => "brake stand",
            StandKind::Both => "inertia and brake stand",
        };
        writeln!(f, "{} ({kind})", stand.name)?;
        if !stand.engine.name.is_empty() {
            writeln!(f, "engine: {}", stand.engine.name)?;
        }
        writeln!(f)?;
        self.fmt_drum(f)?;
        self.fmt_drive(f)?;
        self.fmt_cut(f)?;
        self.fmt_pull(f)?;
        self.fmt_air(f)?;
        writeln!(f, "Guards")?;
        for guard in &stand.guards {
            writeln!(f, "  {}: {}", guard.name, stand.guard_text(guard))?;
        }
        writeln!(
            f,
            "  the board cuts by itself after {} ms without the computer",
            stand.board.heartbeat_timeout_ms
        )?;
        writeln!(f, "  power is shown in {}", stand.units.power.meaning)?;
        match self.cautions.len() {
            0 => writeln!(f, "\nNothing looks wrong.")?,
            _ => writeln!(f, "\nCautions")?,
        }
        for Caution { key, text } in &self.cautions {
            writeln!(f, "  {key}: {text}")?;
        }
        f.write_str(
            "\nThese cuts are software and never the emergency stop: keep one that works without \
             a computer,\nstay out of the drum's plane, and follow local codes.\n",
        )
    }
}
