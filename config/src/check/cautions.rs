//! What looks wrong about a stand though it breaks no rule.

use std::f64::consts::PI;

use leverarm_torque::air::Validity;
use leverarm_torque::engine::Role;
use leverarm_torque::sensor::Law;
use leverarm_torque::uncertainty::Measured;

use super::{Caution, Summary};
use crate::display::RPM;
use crate::rule::{LimitOf, Rule, Side};
use crate::stand::{AirInput, Guard, GuardAction, Shaft, Signal, StandKind, WhenLost};

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
/// So few cylinders draw air in gulps with pauses between them.
const CYLINDERS_IN_GULPS: u8 = 2;
/// A vessel of so many times a cylinder's displacement makes a steady flow of gulps (common practice,
/// no source: some hundred times).
const SETTLING_PER_CYLINDER_MIN: f64 = 250.0;

impl Summary<'_> {
    pub(super) fn find_cautions(&self) -> Vec<Caution> {
        let mut cautions = Vec::new();
        self.limit_cautions(&mut cautions);
        self.speed_cautions(&mut cautions);
        self.sensor_cautions(&mut cautions);
        self.pulsation_cautions(&mut cautions);
        self.uncertainty_cautions(&mut cautions);
        self.absorber_cautions(&mut cautions);
        if !self.stand.page_address.ip().is_loopback() {
            cautions.push(Caution {
                key: "page.address",
                text: format!(
                    "{} lets other machines on the network open the page; 127.0.0.1 keeps it to \
                     this one",
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
            matches!(guard.rule, Rule::SensorLost | Rule::StaleData)
                && matches!(guard.signal, Signal::Speed(_))
                && guard.action == GuardAction::Cut
        };
        if !stand.guards.iter().any(loses_drum) {
            add(
                "guard",
                "no guard cuts when a pickup is lost, and without its pickup an overspeed can't \
                 be seen: add one with kind = \"sensor lost\", on = \"drum speed\""
                    .to_owned(),
            );
        }
        let stale_board =
            |guard: &Guard| guard.rule == Rule::StaleData && guard.signal == Signal::Board;
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
                "a tyre slips under load, so the engine is faster than the drum says: drive.tyre.slip \
                 counts and widens the band; a pickup on the engine shows it"
                    .to_owned(),
            );
        }
    }

    fn sensor_cautions(&self, cautions: &mut Vec<Caution>) {
        let stand = self.stand;
        let mut add = |key, text| cautions.push(Caution { key, text });
        for guard in &stand.guards {
            let sees_loss = guard.rule == Rule::SensorLost || guard.when_lost == WhenLost::Cut;
            if let Signal::Channel(id) = guard.signal
                && sees_loss
                && let Some(channel) = stand.channel(id)
                && matches!(channel.law, Law::Linear { .. })
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
            if let WhenLost::Warn(why) = &guard.when_lost {
                add(
                    "guard.when_lost",
                    format!(
                        "guard \"{}\" can't see its limit when its sensor is lost, and only warns \
                         then: {why}; nor does the board guard it by itself",
                        guard.name
                    ),
                );
            }
            if let Signal::Channel(id) = guard.signal
                && guard.rule.limit_of() == LimitOf::Signal
                && let Some(limit_si) = guard.limit_si
                && let Some(channel) = stand.channel(id)
                && let Some((min_si, max_si)) = channel.expected_si
                && match guard.rule.side() {
                    Side::Above => limit_si >= max_si,
                    Side::Below => limit_si <= min_si,
                }
            {
                add(
                    "guard.limit",
                    format!(
                        "guard \"{}\" can't act: its limit is outside of what \"{}\" is expected \
                         to give",
                        guard.name, channel.name
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
        if !losses.are_given() {
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

    /// ISO 5167-1 holds for steady flow and says so; ISO/TR 3313 is about flow that pulsates (both from
    /// memory). A thermal meter is as curved, and can't tell which way the air goes.
    fn pulsation_cautions(&self, cautions: &mut Vec<Caution>) {
        let engine = &self.stand.engine;
        let curved = self.stand.channels.iter().filter(|channel| {
            channel.role == Some(Role::AirFlow)
                && (channel.meter.is_some() || matches!(channel.law, Law::Thermal { .. }))
        });
        for channel in curved.filter(|_| engine.cylinders <= CYLINDERS_IN_GULPS) {
            let cylinder_m3 = engine
                .displacement_m3
                .map(|m3| m3 / f64::from(engine.cylinders));
            // In whole litres, so that what is said is enough; a rounding error is no litre.
            let wanted_l =
                cylinder_m3.map(|m3| (1e3 * SETTLING_PER_CYLINDER_MIN * m3 - 1e-6).ceil());
            let found_l = channel.settling_m3.map(|m3| 1e3 * m3 + 1e-6);
            let found = match (found_l, wanted_l) {
                (None, _) => String::new(),
                (Some(found_l), Some(wanted_l)) if found_l < wanted_l => {
                    format!("; {found_l:.0} L are little")
                }
                (Some(_), _) => continue,
            };
            let size = wanted_l.map_or_else(
                || "some hundred times the displacement".to_owned(),
                |litres| format!("{litres:.0} L or more"),
            );
            cautions.push(Caution {
                key: "channel.settling_volume",
                text: format!(
                    "an engine of so few cylinders breathes in gulps, and \"{}\" does not show the \
                     mean of a flow that pulsates: put a vessel between meter and engine, {size}, \
                     and state its volume{found}",
                    channel.name
                ),
            });
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
        let losses = stand.losses;
        let losses = losses
            .are_given()
            .then(|| Measured::new(losses.constant_nm, losses.relative_uncertainty));
        without("losses.uncertainty", "the losses", losses);
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
}
