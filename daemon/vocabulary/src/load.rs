//! What a person asks of the load of a brake stand.
//!
//! Speeds and torques are the engine's, at the crank; the drive ratio makes the absorber's of them.
//!
//! ```
//! use leverarm_vocabulary::load::{Step, StepList};
//!
//! let list: StepList = serde_json::from_str(
//!     r#"{ "steps": [{ "speed": { "rad_per_s": 400.0 } }, { "sweep": { "to_rad_per_s": 600.0, "rad_per_s2": 20.0 } }] }"#,
//! )?;
//! assert_eq!(list.steps[0], Step::Speed { rad_per_s: 400.0 });
//! assert!(list.check().is_ok());
//! // A sweep has to be the last: what comes after it is another list.
//! let turned = StepList { steps: list.steps.into_iter().rev().collect(), ..list };
//! assert!(turned.check().is_err());
//! # Ok::<(), serde_json::Error>(())
//! ```

use serde::{Deserialize, Serialize};

use crate::EventKind;
use crate::event_kind::Payload;

/// What the event that tells a list is about.
pub const LIST_ABOUT: &str = "load list";
/// Longest name of a list.
pub const NAME_CHARS_MAX: usize = 100;
/// Most steps of a list.
pub const STEPS_MAX: usize = 100;
/// Fastest engine speed that can be asked for, rad/s.
const RAD_PER_S_MAX: f64 = 3_000.0;
/// Greatest torque that can be asked for, N·m at the crank.
const NM_MAX: f64 = 10_000.0;
const RAD_PER_S_PER_RPM: f64 = std::f64::consts::TAU / 60.0;
/// The way to a step, and settling there, s (common practice, no source).
const WAY_S: f64 = 2.0;

/// What the load is to do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum LoadOrder {
    /// No load; it stays armed.
    #[default]
    Off,
    /// Hold a speed.
    Speed {
        /// Of the engine, rad/s.
        rad_per_s: f64,
        /// How fast it is to get there, rad/s²; as fast as it goes when absent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        rad_per_s2: Option<f64>,
    },
    /// Hold a torque.
    Torque {
        /// Of the absorber, at the crank, N·m.
        nm: f64,
    },
    /// A road's torque: c₀ + c₁ ω + c₂ ω², with torque and speed at the crank.
    Road {
        /// c₀, N·m.
        nm: f64,
        /// c₁, N·m per rad/s.
        nm_s: f64,
        /// c₂, N·m per (rad/s)².
        nm_s2: f64,
    },
    /// An output, for identification at low load.
    Output {
        /// Share of what full load needs, 0 to 1.
        share: f64,
    },
}

/// What a list of steps does next.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Step {
    /// Hold a speed until it is steady.
    Speed {
        /// Of the engine, rad/s.
        rad_per_s: f64,
    },
    /// Hold a torque until it is steady.
    Torque {
        /// Of the absorber, at the crank, N·m.
        nm: f64,
    },
    /// Go to a speed at a rate, up or down. The last of a list.
    Sweep {
        /// Of the engine, rad/s.
        to_rad_per_s: f64,
        /// How fast, rad/s², above 0.
        rad_per_s2: f64,
    },
}

/// Steps, one after the other, each for as long as its reading needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StepList {
    /// What it is called, so that a test plan can ask for it; none: it has no name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// How far the person holds the throttle open meanwhile, above 0 to 1; none: fully.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub throttle: Option<f64>,
    /// 1 to [`STEPS_MAX`].
    pub steps: Vec<Step>,
    /// Half width of the torque's 95 % interval at a step, by scatter and drift, as a share of it.
    #[serde(default = "usual_torque_share")]
    pub torque_share: f64,
    /// Shortest time that a step is read, s.
    #[serde(default = "usual_seconds_min")]
    pub seconds_min: f64,
    /// A step that is not steady by then is left, and told, s.
    #[serde(default = "usual_seconds_max")]
    pub seconds_max: f64,
    /// Fastest change of a temperature at a steady step, K/s; exhaust gas is not looked at. None: not looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kelvin_per_s: Option<f64>,
}

const fn usual_torque_share() -> f64 {
    0.005
}

const fn usual_seconds_min() -> f64 {
    2.5
}

const fn usual_seconds_max() -> f64 {
    60.0
}

/// Something that can't be asked of a load.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}: expected {expected}, found {found}")]
pub struct BadLoad {
    /// Where.
    pub what: String,
    /// What would do.
    pub expected: String,
    /// What was given.
    pub found: String,
}

fn within(what: &str, value: f64, low: f64, high: f64, unit: &str) -> Result<(), BadLoad> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(BadLoad {
        what: what.to_owned(),
        expected: format!("{low} to {high}{unit}"),
        found: format!("{value}{unit}"),
    })
}

impl LoadOrder {
    /// To hold a speed, rad/s, and how fast to get there, rad/s².
    #[must_use]
    pub const fn speed(rad_per_s: f64, rad_per_s2: Option<f64>) -> Self {
        Self::Speed {
            rad_per_s,
            rad_per_s2,
        }
    }

    /// Whether it can be asked of any load.
    ///
    /// # Errors
    /// What is outside its range.
    pub fn check(&self) -> Result<(), BadLoad> {
        match *self {
            Self::Off => Ok(()),
            Self::Speed {
                rad_per_s,
                rad_per_s2,
            } => {
                within("speed", rad_per_s, 1.0, RAD_PER_S_MAX, " rad/s")?;
                rad_per_s2.map_or(Ok(()), |rate| within("rate", rate, 0.1, 1e4, " rad/s²"))
            }
            Self::Torque { nm } => within("torque", nm, 0.0, NM_MAX, " N·m"),
            Self::Road { nm, nm_s, nm_s2 } => {
                within("road, constant", nm, -NM_MAX, NM_MAX, " N·m")?;
                within("road, linear", nm_s, -100.0, 100.0, " N·m/(rad/s)")?;
                within("road, quadratic", nm_s2, -0.4, 0.4, " N·m/(rad/s)²")
            }
            Self::Output { share } => within("output", share, 0.0, 1.0, ""),
        }
    }
}

impl Step {
    /// What the load does meanwhile.
    #[must_use]
    pub fn order(&self) -> LoadOrder {
        match *self {
            Self::Speed { rad_per_s } => LoadOrder::speed(rad_per_s, None),
            Self::Torque { nm } => LoadOrder::Torque { nm },
            Self::Sweep {
                to_rad_per_s,
                rad_per_s2,
            } => LoadOrder::speed(to_rad_per_s, Some(rad_per_s2)),
        }
    }

    /// Whether it is a sweep.
    #[must_use]
    pub const fn is_sweep(&self) -> bool {
        matches!(self, Self::Sweep { .. })
    }
}

impl Default for StepList {
    fn default() -> Self {
        Self {
            name: None,
            throttle: None,
            steps: Vec::new(),
            torque_share: usual_torque_share(),
            seconds_min: usual_seconds_min(),
            seconds_max: usual_seconds_max(),
            kelvin_per_s: None,
        }
    }
}

impl StepList {
    /// From one engine speed to another at a rate.
    #[must_use]
    pub fn sweep(from_rad_per_s: f64, to_rad_per_s: f64, rad_per_s2: f64) -> Self {
        let first = Step::Speed {
            rad_per_s: from_rad_per_s,
        };
        let sweep = Step::Sweep {
            to_rad_per_s,
            rad_per_s2,
        };
        Self {
            steps: vec![first, sweep],
            ..Self::default()
        }
    }

    /// Whether it can be run on any load.
    ///
    /// # Errors
    /// What is outside its range, or a sweep that is not the last step.
    pub fn check(&self) -> Result<(), BadLoad> {
        if let Some(name) = &self.name {
            let is_plain = !name.trim().is_empty() && !name.chars().any(char::is_control);
            if !is_plain || name.chars().count() > NAME_CHARS_MAX {
                return Err(BadLoad {
                    what: "name".to_owned(),
                    expected: format!("1 to {NAME_CHARS_MAX} characters in a line"),
                    found: format!("{name:?}"),
                });
            }
        }
        if let Some(share) = self.throttle {
            within("throttle", share, 0.01, 1.0, "")?;
        }
        within("steps", self.steps.len() as f64, 1.0, STEPS_MAX as f64, "")?;
        within("torque_share", self.torque_share, 0.0005, 0.1, "")?;
        within("seconds_min", self.seconds_min, 2.5, 600.0, " s")?;
        within(
            "seconds_max",
            self.seconds_max,
            self.seconds_min,
            1_800.0,
            " s",
        )?;
        if let Some(rate) = self.kelvin_per_s {
            within("kelvin_per_s", rate, 0.001, 10.0, " K/s")?;
        }
        for (place, step) in self.steps.iter().enumerate() {
            let at = format!("step {}", place + 1);
            step.order().check().map_err(|bad| BadLoad {
                what: format!("{at}: {}", bad.what),
                ..bad
            })?;
            if step.is_sweep() && place + 1 < self.steps.len() {
                return Err(BadLoad {
                    what: at,
                    expected: "a sweep as the last step: what comes after it is another list"
                        .to_owned(),
                    found: "a sweep before others".to_owned(),
                });
            }
        }
        Ok(())
    }
}

impl StepList {
    /// The speeds or torques in short: "6 steps, 3500 to 8500 rpm", "sweep, 8500 to 3500 rpm at 300 rpm/s".
    #[must_use]
    pub fn words(&self) -> String {
        let held: Vec<(f64, &str)> = self
            .steps
            .iter()
            .filter_map(|step| match *step {
                Step::Speed { rad_per_s } => Some((rad_per_s / RAD_PER_S_PER_RPM, "rpm")),
                Step::Torque { nm } => Some((nm, "N·m")),
                Step::Sweep { .. } => None,
            })
            .collect();
        let mut words = match (self.steps.last(), held.as_slice()) {
            (
                Some(Step::Sweep {
                    to_rad_per_s,
                    rad_per_s2,
                }),
                [.., (from, unit)],
            ) => format!(
                "sweep, {from:.0}{} to {:.0} rpm at {:.0} rpm/s",
                if *unit == "rpm" { "" } else { " N·m" },
                to_rad_per_s / RAD_PER_S_PER_RPM,
                rad_per_s2 / RAD_PER_S_PER_RPM,
            ),
            (Some(Step::Sweep { to_rad_per_s, .. }), []) => {
                format!("sweep to {:.0} rpm", to_rad_per_s / RAD_PER_S_PER_RPM)
            }
            (_, [(only, unit)]) => format!("1 step, {only:.0} {unit}"),
            (_, [(first, one), .., (last, unit)]) if one == unit => {
                format!("{} steps, {first:.0} to {last:.0} {unit}", held.len())
            }
            (_, held) => format!("{} steps", held.len()),
        };
        if let Some(share) = self.throttle {
            words += &format!(", throttle at {:.0} %", 100.0 * share);
        }
        words
    }

    /// About how long it takes, s: each step its shortest time and the way there, a sweep its way at its rate.
    #[must_use]
    pub fn usual_seconds(&self) -> f64 {
        let mut before = None;
        let mut seconds = 0.0;
        for step in &self.steps {
            match *step {
                Step::Speed { rad_per_s } => {
                    seconds += self.seconds_min + WAY_S;
                    before = Some(rad_per_s);
                }
                Step::Torque { .. } => seconds += self.seconds_min + WAY_S,
                Step::Sweep {
                    to_rad_per_s,
                    rad_per_s2,
                } => seconds += (to_rad_per_s - before.unwrap_or(0.0)).abs() / rad_per_s2,
            }
        }
        seconds
    }
}

/// The list that a pull is read by, told when it begins.
impl Payload for StepList {
    const KIND: EventKind = EventKind::LoadList;
}

/// A person's word about the load.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum LoadWord {
    /// Load may be put on.
    Arm,
    /// Load is taken off, and may not be put on.
    Release {
        /// Also while the engine pulls: it will speed up.
        #[serde(default)]
        though_it_pulls: bool,
    },
    /// Do this.
    Order(LoadOrder),
    /// Run a list of steps, kept as a pull.
    Steps(StepList),
    /// Hold a speed at low load, and switch the output to and fro, so that the loop can be tuned; kept as a pull.
    Tune {
        /// Of the engine, rad/s.
        rad_per_s: f64,
    },
}
