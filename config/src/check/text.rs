//! A summary as text.

use std::fmt;

use leverarm_load::absorber::WithoutPower;
use leverarm_load::reach::Reach;
use leverarm_torque::uncertainty::Measured;

use super::absorber::ranges;
use super::{CAR_KG, Caution, Summary};
use crate::bounds::Reaction;
use crate::display::{DisplayUnit, MILLISECOND, RPM};
use crate::rule::LimitOf;
use crate::stand::{
    AirInput, Guard, GuardAction, Pickup, Quantity, Signal, Stand, StandKind, WhenLost,
};

impl Stand {
    /// A guard in words: "cuts when the drum's speed is above 1420 rpm".
    #[must_use]
    pub fn guard_text(&self, guard: &Guard) -> String {
        let action = match guard.action {
            GuardAction::Cut => "cuts",
            GuardAction::Warn => "warns",
        };
        let when = guard
            .rule
            .when()
            .replace("{signal}", &self.signal_text(guard.signal))
            .replace("{limit}", &self.limit_text(guard));
        let pulling = if guard.while_pulling {
            " during a pull"
        } else {
            ""
        };
        let lasting = match guard.debounce_ms {
            0 => String::new(),
            ms => format!(", for {ms} ms"),
        };
        let lost = match &guard.when_lost {
            WhenLost::Nothing => String::new(),
            WhenLost::Cut => ", and when it is lost".to_owned(),
            WhenLost::Warn(why) => format!("; only warns when it is lost ({why})"),
        };
        format!("{action} when {when}{pulling}{lasting}{lost}")
    }

    /// How late an overspeed guard is at most, with all teeth and with one gone.
    fn reaction_text(&self, guard: &Guard) -> Option<String> {
        let whole = self.overspeed_reaction(guard, 0)?;
        let gone = self.overspeed_reaction(guard, 1)?;
        let text = |reaction: Reaction| {
            let gained = reaction
                .gained_rad_per_s
                .map_or_else(String::new, |gained| {
                    format!(" and at most {}", RPM.text(gained, 0))
                });
            format!("{:.0} ms{gained}", 1e3 * reaction.seconds)
        };
        Some(format!(
            "sees it within {} above its limit; with a tooth gone {}",
            text(whole),
            text(gone)
        ))
    }

    /// What a guard says that trips at a value with the limit that holds just then, both of what
    /// [`Rule::limit_of`](crate::Rule::limit_of) says: "150.5 °C is above 150 °C".
    #[must_use]
    pub fn tripped_text(&self, guard: &Guard, value_si: f64, limit_si: f64) -> String {
        let unit = self.limit_unit(guard);
        let value = unit.number(value_si);
        let decimals = match value.abs() {
            1000.0.. => 0,
            10.0.. => 1,
            _ => 3,
        };
        let words = guard.rule.tripped();
        words
            .replace("{value}", &with_unit(format!("{value:.decimals$}"), unit))
            .replace("{limit}", &value_text(unit, limit_si))
    }

    /// A limit, or the limits over engine speed.
    fn limit_text(&self, guard: &Guard) -> String {
        let unit = self.limit_unit(guard);
        if guard.limit_by_speed.is_empty() {
            let limit_si = guard.limit_si;
            return limit_si.map_or_else(String::new, |limit_si| value_text(unit, limit_si));
        }
        let points = guard.limit_by_speed.iter();
        let each: Vec<String> = points
            .map(|(speed, si)| format!("{} at {}", value_text(unit, *si), RPM.text(*speed, 0)))
            .collect();
        each.join(", ")
    }

    fn limit_unit(&self, guard: &Guard) -> DisplayUnit {
        let unit = self.unit(guard.signal);
        match guard.rule.limit_of() {
            LimitOf::Age => MILLISECOND,
            LimitOf::Rise => DisplayUnit {
                zero_si: 0.0,
                ..unit
            },
            LimitOf::Signal | LimitOf::Nothing => unit,
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
}

/// A value without needless decimals, and its unit.
fn value_text(unit: DisplayUnit, si: f64) -> String {
    with_unit(number(unit.number(si)), unit)
}

fn with_unit(number: String, unit: DisplayUnit) -> String {
    format!("{number} {}", unit.symbol).trim_end().to_owned()
}

/// A number without needless decimals.
fn number(value: f64) -> String {
    let rounded = (value * 1e3).round() / 1e3;
    // Keeps "-0" out.
    (rounded + 0.0).to_string()
}

impl Summary<'_> {
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

    fn fmt_pickups(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "Pickups")?;
        for pickup in &self.stand.pickups {
            let Pickup {
                channel,
                shaft,
                teeth,
                missing,
            } = pickup;
            let noun = if *teeth == 1 { "tooth" } else { "teeth" };
            let left_out = match missing {
                0 => String::new(),
                some => format!(", {some} of them left out"),
            };
            writeln!(
                f,
                "  pickup {channel}, {} with {teeth} {noun}{left_out}: blind below {}: slower than that, \
                 teeth may be lost unseen",
                shaft.name(),
                RPM.text(self.stand.blind_below_rad_per_s(pickup), 0)
            )?;
        }
        if self.stand.pickups.len() == 1 {
            writeln!(
                f,
                "  one pickup can't be compared with another: counting every second tooth from the \
                 start looks like half the speed. Turn the shaft by hand and count, or put a second \
                 pickup on the other shaft"
            )?;
        }
        Ok(())
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

    fn fmt_absorber(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (Some(found), Some(stated)) = (&self.absorber, &self.stand.absorber) else {
            return Ok(());
        };
        let units = &self.stand.units;
        let without = match stated.absorber.without_power {
            WithoutPower::LetsGo => "lets go",
            WithoutPower::Stays => "stays where it is",
            WithoutPower::Holds => "holds",
        };
        writeln!(f, "Absorber")?;
        writeln!(
            f,
            "  {}; without power it {without}",
            stated.absorber.kind.name()
        )?;
        if let Some((cold, hot)) = &found.reach {
            let words = |reach: &Reach| match reach.holds.as_slice() {
                [] => "nowhere".to_owned(),
                some => ranges(some),
            };
            writeln!(
                f,
                "  holds the engine {} cold, {} hot",
                words(cold),
                words(hot)
            )?;
        }
        writeln!(
            f,
            "  follows with a time constant of {:.0} ms, lets go in {:.0} ms",
            1e3 * found.lag_s,
            1e3 * found.release_s
        )?;
        write!(
            f,
            "  takes {} for ever",
            units.power.text(found.lasting_w, 1)
        )?;
        match (found.lasts_s, &found.reach) {
            (Some(lasts_s), Some((cold, _))) => writeln!(
                f,
                "; the engine's {} makes it too hot in {lasts_s:.0} s",
                units.power.text(cold.power_w, 1)
            )?,
            _ => writeln!(f)?,
        }
        let Some(at) = &found.loop_at else {
            return Ok(());
        };
        write!(
            f,
            "  loop at {}: {:.0} ms late, gain {:.3} N·m/(rad/s) and integral time {:.2} s at the absorber",
            RPM.text(at.engine_rad_per_s, 0),
            1e3 * at.plant.delay_s,
            at.gains.proportional,
            at.gains.integral_s
        )?;
        if let Some(margins) = &at.margins {
            write!(
                f,
                "\n  which leave a gain margin of {:.1} and a phase margin of {:.0}°",
                margins.gain,
                margins.phase_rad.to_degrees()
            )?;
        }
        writeln!(f)?;
        if let Some(share) = at.runs_away_per_s {
            let gained = RPM.text(share * at.engine_rad_per_s, 0);
            writeln!(f, "  without load the engine gains {gained} in a second")?;
        }
        Ok(())
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
            Some(correction) => writeln!(f, ", factor {:.4}", correction.factor)?,
            None => writeln!(f)?,
        }
        match stand.correction.range_words() {
            Some(words) => writeln!(f, "    its range: {words}"),
            None => Ok(()),
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
        self.fmt_pickups(f)?;
        self.fmt_pull(f)?;
        self.fmt_absorber(f)?;
        self.fmt_air(f)?;
        writeln!(f, "Guards")?;
        for guard in &stand.guards {
            writeln!(f, "  {}: {}", guard.name, stand.guard_text(guard))?;
            if let Some(text) = stand.reaction_text(guard) {
                writeln!(f, "    {text}")?;
            }
        }
        writeln!(
            f,
            "  the board cuts by itself after {} ms without the computer",
            stand.board.heartbeat_timeout_ms
        )?;
        writeln!(f, "  power is shown in {}", stand.units.power.meaning)?;
        for stream in &stand.streams {
            let rate = number(stream.rate_hz);
            writeln!(
                f,
                "  values go to \"{}\" at {}, {rate} points a second each",
                stream.name, stream.url
            )?;
        }
        match self.cautions.len() {
            0 => writeln!(f, "\nNothing looks wrong.")?,
            _ => writeln!(f, "\nCautions")?,
        }
        for Caution { key, text } in &self.cautions {
            writeln!(f, "  {key}: {text}")?;
        }
        f.write_str(
            "\nThese cuts are software and never the emergency stop: keep one that works without \
             a computer, stay out of the drum's plane, and follow local codes.\n",
        )
    }
}
