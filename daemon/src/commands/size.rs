//! `size`.

use anyhow::{Context, bail};
use leverarm_config::display::{DisplayUnits, RPM};
use leverarm_config::units::{self, Kind};
use leverarm_torque::size::{Tube, WantedPull, permissible_unbalance};
use serde_json::json;

use super::terminal::Table;
use super::{Failure, UnitsChoice, curve_output, dialogue, json_line, say};

/// Outer diameters that are tried unless others are named: preferred numbers, and whole inches.
const DIAMETERS_SI: [&str; 5] = ["250 mm", "315 mm", "400 mm", "500 mm", "630 mm"];
const DIAMETERS_US: [&str; 5] = ["10 in", "12 in", "16 in", "20 in", "24 in"];

const WARNING: &str = "\
A sanity check, not a design approval. The stresses are those of flawless, uniform bodies; drums \
fail at welds, keyways, bolts and bearings, from fatigue. Drums, guards, anchoring, fuel, exhaust \
gas, noise and electrics belong to licensed engineers and local codes.";

#[derive(Debug, clap::Args)]
#[command(
    override_usage = "leverarm size [OPTIONS] --torque <TORQUE> --from <SPEED> --to <SPEED>\n\
                      \x20                    --ratio <NUMBER> --time <TIME>"
)]
pub(super) struct Arguments {
    /// Engine torque over the pull, on average, such as "11 N*m"
    #[arg(long, value_name = "TORQUE")]
    torque: String,
    /// Engine speed at the start of the pull
    #[arg(long, value_name = "SPEED")]
    from: String,
    /// Engine speed at its end
    #[arg(long, value_name = "SPEED")]
    to: String,
    /// Engine turns per drum turn
    #[arg(long, value_name = "NUMBER")]
    ratio: String,
    /// How long the pull should take, such as "6 s"
    #[arg(long, value_name = "TIME")]
    time: String,
    /// Inertia of everything that turns with the engine, about the crank
    #[arg(long, value_name = "INERTIA", default_value = "0 kg*m^2")]
    engine_inertia: String,
    /// Engine speed at which a guard would cut: the drum is judged there; the end of the pull when
    /// left out
    #[arg(long, value_name = "SPEED")]
    limit: Option<String>,
    /// Outer diameter of the drum; may be given several times
    #[arg(long = "diameter", value_name = "LENGTH")]
    diameters: Vec<String>,
    /// Wall of the drum, a tube
    #[arg(long, value_name = "LENGTH", default_value = "20 mm")]
    wall: String,
    /// Density of what it is made of: steel when left out
    #[arg(long, value_name = "DENSITY", default_value = "7850 kg/m^3")]
    density: String,
    /// Balance quality grade by ISO 21940-11, mm/s
    #[arg(long, value_name = "G", default_value_t = 6.3)]
    grade: f64,
    /// System of units to show
    #[arg(long, value_enum, default_value = "si")]
    units: UnitsChoice,
    /// JSON, in SI, instead of words
    #[arg(long)]
    json: bool,
}

fn quantity(argument: &str, text: &str, kind: &Kind) -> Result<f64, Failure> {
    dialogue::quantity(text, kind)
        .map(|measured| measured.value)
        .with_context(|| format!("--{argument} {text:?}"))
}

pub(super) fn run(arguments: &Arguments) -> Result<(), Failure> {
    let pull = WantedPull {
        torque_mean_nm: quantity("torque", &arguments.torque, &units::TORQUE)?,
        start_rad_per_s: quantity("from", &arguments.from, &units::ROTATION)?,
        end_rad_per_s: quantity("to", &arguments.to, &units::ROTATION)?,
        ratio: quantity("ratio", &arguments.ratio, &units::RATIO)?,
        duration_s: quantity("time", &arguments.time, &units::DURATION)?,
        engine_inertia_kg_m2: quantity(
            "engine-inertia",
            &arguments.engine_inertia,
            &units::INERTIA,
        )?,
    };
    let inertia_kg_m2 = pull.drum_inertia_kg_m2()?;
    let judged_rad_per_s = match &arguments.limit {
        Some(limit) => quantity("limit", limit, &units::ROTATION)?,
        None => pull.end_rad_per_s,
    };
    if judged_rad_per_s < pull.end_rad_per_s {
        bail!(
            "--limit {:?}: expected at least the end of the pull, {}",
            arguments.limit.as_deref().unwrap_or_default(),
            arguments.to
        );
    }
    let drum_rad_per_s = judged_rad_per_s / pull.ratio;
    let wall_m = quantity("wall", &arguments.wall, &units::LENGTH)?;
    let density = quantity("density", &arguments.density, &units::DENSITY)?;
    let us = arguments.units == UnitsChoice::Us;
    let standard = if us { DIAMETERS_US } else { DIAMETERS_SI };
    let diameters: Vec<&str> = match arguments.diameters.as_slice() {
        [] => standard.to_vec(),
        named => named.iter().map(String::as_str).collect(),
    };
    let tubes = diameters
        .into_iter()
        .map(|diameter| {
            let outer_m = quantity("diameter", diameter, &units::LENGTH)?;
            Tube::with_inertia(inertia_kg_m2, outer_m, wall_m, density).map_err(Failure::from)
        })
        .collect::<Result<Vec<Tube>, Failure>>()?;
    let sized = Sized {
        pull,
        inertia_kg_m2,
        drum_rad_per_s,
        wall_m,
        grade_mm_per_s: arguments.grade,
        tubes,
    };
    if arguments.json {
        sized.print_json()
    } else {
        let chosen = curve_output::units(DisplayUnits::SI, Some(arguments.units));
        sized.print(&chosen)
    }
}

/// A pull, the inertia it takes, and tubes that have it.
struct Sized {
    pull: WantedPull,
    inertia_kg_m2: f64,
    /// Speed at which the tubes are judged.
    drum_rad_per_s: f64,
    wall_m: f64,
    grade_mm_per_s: f64,
    tubes: Vec<Tube>,
}

impl Sized {
    fn energy_j(&self) -> f64 {
        leverarm_torque::inertia::stored_energy_j(self.inertia_kg_m2, self.drum_rad_per_s)
    }

    fn unbalance_kg_m(&self, tube: &Tube) -> Result<f64, Failure> {
        permissible_unbalance(
            tube.mass_kg(),
            self.drum_rad_per_s,
            1e-3 * self.grade_mm_per_s,
        )
        .map(|permissible| permissible.unbalance_kg_m)
        .map_err(Failure::from)
    }

    fn print(&self, units: &DisplayUnits) -> Result<(), Failure> {
        // A car of a tonne: something everybody has a feeling for.
        let car_m_per_s = (2.0 * self.energy_j() / 1000.0).sqrt();
        say(&format!(
            "inertia at the drum  {}\ndrum speed           {}\nstored energy        {}, as a car of {} at {}\n",
            units.inertia.text(self.inertia_kg_m2, 2),
            RPM.text(self.drum_rad_per_s, 0),
            units.energy.text(self.energy_j(), 0),
            units.mass.text(1000.0, 0),
            units.road_speed.text(car_m_per_s, 0),
        ));
        let (length, mass, speed) = (units.length, units.mass, units.rim_speed);
        let (stress, unbalance) = (units.stress, units.unbalance);
        let mut table = Table::new([
            &format!("outer {}", length.symbol),
            &format!("length {}", length.symbol),
            &format!("mass {}", mass.symbol),
            &format!("rim {}", speed.symbol),
            &format!("thin ring {}", stress.symbol),
            &format!("annular {}", stress.symbol),
            &format!("solid {}", stress.symbol),
            &format!("unbalance {}", unbalance.symbol),
        ]);
        for tube in &self.tubes {
            let at = tube.at(self.drum_rad_per_s);
            table.add_row([
                format!("{:.0}", length.number(tube.outer_diameter_m)),
                format!("{:.0}", length.number(tube.length_m)),
                format!("{:.0}", mass.number(tube.mass_kg())),
                format!("{:.0}", speed.number(at.rim_speed_m_per_s)),
                significant(stress.number(at.thin_ring_pa)),
                significant(stress.number(at.bore_hoop_pa)),
                significant(stress.number(at.solid_disc_pa)),
                significant(unbalance.number(self.unbalance_kg_m(tube)?)),
            ]);
        }
        table.align_right(0..8);
        say(&format!(
            "Tubes with a wall of {} that have it, without end plates and shaft, at that speed:\n\n{table}\n",
            units.length.text(
                self.wall_m,
                if units.length == DisplayUnits::SI.length {
                    0
                } else {
                    2
                }
            ),
        ));
        say(&format!(
            "thin ring, annular (hoop, at the bore), solid disc: Roark, Shigley; Poisson's ratio 0.3.\n\
             unbalance: permissible residual, ISO 21940-11, G {}; losses are left out, they make the \
             pull longer.\n\n{WARNING}",
            self.grade_mm_per_s
        ));
        Ok(())
    }

    fn print_json(&self) -> Result<(), Failure> {
        let drums = self.tubes.iter().map(|tube| {
            let at = tube.at(self.drum_rad_per_s);
            Ok(json!({
                "outer_diameter_m": tube.outer_diameter_m,
                "inner_diameter_m": tube.inner_diameter_m,
                "length_m": tube.length_m,
                "mass_kg": tube.mass_kg(),
                "rim_speed_m_per_s": at.rim_speed_m_per_s,
                "thin_ring_pa": at.thin_ring_pa,
                "annular_pa": at.bore_hoop_pa,
                "solid_disc_pa": at.solid_disc_pa,
                "unbalance_kg_m": self.unbalance_kg_m(tube)?,
            }))
        });
        json_line(&json!({
            "inertia_kg_m2": self.inertia_kg_m2,
            "drum_rad_per_s": self.drum_rad_per_s,
            "drum_end_rad_per_s": self.pull.drum_end_rad_per_s(),
            "energy_j": self.energy_j(),
            "balance_grade_mm_per_s": self.grade_mm_per_s,
            "drums": drums.collect::<Result<Vec<_>, Failure>>()?,
            "warning": WARNING,
        }));
        Ok(())
    }
}

/// To three significant digits, or as a whole number.
fn significant(value: f64) -> String {
    let decimals = match value.abs() {
        size if size >= 100.0 => 0,
        size if size >= 10.0 => 1,
        _ => 2,
    };
    format!("{value:.decimals$}")
}
