//! What the simulated engine, drive and pickups of a rehearsal do that ideal ones don't.

use anyhow::Context;
use leverarm_config::Stand;
use leverarm_config::units::{self, Kind};
use leverarm_software_stand::{CycleVariation, Drive, Interference, StandModel};

use super::{Failure, dialogue};

/// Where only play or slip is asked for, the drive swings so fast, Hz, and this damped: a chain's (common
/// practice, no source).
const SWING_HZ: f64 = 20.0;
const DAMPING_RATIO: f64 = 0.05;
/// A spark's edges come so late after it on average, s, and so far after the top of the stroke, rad.
const SPARK_S: f64 = 40e-6;
const SPARK_AT_RAD: f64 = 0.3;

#[derive(Debug, Default, clap::Args)]
#[command(next_help_heading = "What the simulated stand does")]
pub(super) struct Arguments {
    /// How much the work of the engine's cycles varies: standard deviation over mean; 1.5 % when left out
    #[arg(long, value_name = "PERCENT")]
    variation: Option<String>,
    /// Share of the engine's cycles that do not burn
    #[arg(long, value_name = "PERCENT")]
    misfires: Option<String>,
    /// Engine and drum swing against each other on a drive that gives, such as "12 Hz"
    #[arg(long, value_name = "FREQUENCY")]
    swing: Option<String>,
    /// Damping ratio of that
    #[arg(long, value_name = "NUMBER")]
    damping: Option<String>,
    /// Play of the drive at the drum, such as "0.03 rad"
    #[arg(long, value_name = "ANGLE")]
    lash: Option<String>,
    /// Slip of the tyre at the engine's greatest torque; the stand file's where that has a tyre
    #[arg(long, value_name = "PERCENT")]
    slip: Option<String>,
    /// Torque at the crank above which the clutch slips, such as "8 N*m"
    #[arg(long, value_name = "TORQUE")]
    clutch: Option<String>,
    /// Share of the sparks that make an edge on the pickups' cables
    #[arg(long, value_name = "PERCENT")]
    sparks: Option<String>,
}

impl Arguments {
    /// Makes the simulated stand so.
    pub(super) fn put_into(&self, model: &mut StandModel, stand: &Stand) -> Result<(), Failure> {
        let share = |argument, text: &Option<String>, most| {
            let read = |text: &String| percent(argument, text, most);
            text.as_ref().map(read).transpose()
        };
        let healthy = CycleVariation::HEALTHY;
        model.engine.cycles = CycleVariation {
            cov: share("variation", &self.variation, 50.0)?.unwrap_or(healthy.cov),
            misfire_probability: share("misfires", &self.misfires, 100.0)?.unwrap_or(0.0),
            ..healthy
        };
        let of = |argument, text: &Option<String>, kind, range| {
            let read = |text: &String| quantity(argument, text, kind, range);
            text.as_ref().map(read).transpose()
        };
        let swing_hz = of("swing", &self.swing, &units::FREQUENCY, (1.0, 100.0))?;
        let damping_ratio = of("damping", &self.damping, &units::RATIO, (0.0, 1.0))?;
        let lash_rad = of("lash", &self.lash, &units::ANGLE, (0.0, 0.5))?;
        let stated = stand.drive.tyre.map(|tyre| tyre.slip.value);
        let slip = share("slip", &self.slip, 20.0)?.or(stated);
        if swing_hz.or(damping_ratio).or(lash_rad).or(slip).is_some() {
            let engine_kg_m2 = model.ratio * model.ratio * model.engine.inertia_kg_m2;
            // The engine's own inertia takes part of its torque.
            let drum_share = model.drum.inertia_kg_m2 / model.locked_inertia_kg_m2();
            let crank_nm = model.engine.full_throttle.peak().torque_nm / model.air.torque_divisor;
            let drum_nm = drum_share * model.ratio * crank_nm;
            model.drive = Some(Drive {
                lash_rad: lash_rad.unwrap_or(0.0),
                slip_per_nm: slip.unwrap_or(0.0) / drum_nm,
                ..Drive::swinging(
                    swing_hz.unwrap_or(SWING_HZ),
                    damping_ratio.unwrap_or(DAMPING_RATIO),
                    (model.drum.inertia_kg_m2, engine_kg_m2),
                )
            });
        }
        if let Some(nm) = of("clutch", &self.clutch, &units::TORQUE, (0.1, 1e4))? {
            (model.clutch_torque_nm, model.clutch_holds_nm) = (nm, nm);
        }
        let spark_probability = share("sparks", &self.sparks, 100.0)?.unwrap_or(0.0);
        for pickup in &mut model.pickups {
            pickup.interference = Interference {
                edges: 1,
                spacing_s: SPARK_S,
                spark_probability,
                spark_at_rad: SPARK_AT_RAD,
                ..Interference::default()
            };
        }
        Ok(())
    }
}

/// What the simulated engine's cycles do: a share that was meant as per cent, or not, shows.
pub(super) fn words(model: &StandModel) -> String {
    let CycleVariation {
        cov,
        misfire_probability,
        ..
    } = model.engine.cycles;
    let percent = |share: f64| (1e6 * share).round() / 1e4;
    let (cov, misfires) = (percent(cov), percent(misfire_probability));
    format!(
        "the work of the simulated engine's cycles varies by {cov} %, and {misfires} % of them do not burn"
    )
}

fn quantity(
    argument: &str,
    text: &str,
    kind: &Kind,
    (least, most): (f64, f64),
) -> Result<f64, Failure> {
    let read = dialogue::quantity(text, kind).with_context(|| format!("--{argument} {text:?}"))?;
    let within = (least..=most).contains(&read.value);
    within
        .then_some(read.value)
        .with_context(|| format!("--{argument} {text:?}: expected {least} to {most}, in SI units"))
}

/// A share, written with or without its sign.
fn percent(argument: &str, text: &str, most: f64) -> Result<f64, Failure> {
    let number = text.trim().trim_end_matches('%').trim_end();
    let read = number.parse().ok().filter(|it| (0.0..=most).contains(it));
    let share = read.map(|percent: f64| 0.01 * percent);
    share.with_context(|| format!("--{argument} {text:?}: expected 0 to {most} %"))
}
