//! An absorber as the stand file describes it.

/// Air or water that cools it, where nothing else is known, K.
pub const COOL_K: f64 = 298.15;

/// What takes the power.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Discs in the field of coils.
    EddyCurrent,
    /// Water thrown between rotor and case.
    Water,
    /// A pump against a relief valve.
    Hydraulic,
    /// An electric machine on a load.
    Generator,
}

/// How the board's output reaches it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Output {
    /// A switched coil or valve.
    Pwm,
    /// A switched pin behind a filter, into a driver that takes a voltage.
    Analog,
    /// Pulses of 1 to 2 ms.
    Servo,
    /// Steps and direction.
    Stepper,
}

/// What it does when its power is gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WithoutPower {
    /// No load: the engine runs away unless it is cut.
    LetsGo,
    /// Stays where it was.
    Stays,
    /// Full load.
    Holds,
}

/// How it follows its output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Follows {
    /// A coil with resistance and inductance.
    Coil {
        /// Resistance, Ω.
        resistance_ohm: f64,
        /// Inductance over resistance, s.
        time_constant_s: f64,
        /// Supply voltage over what the coil needs for full current, ≥ 1.
        forcing: f64,
        /// Whether the driver can turn the supply round to take current out: fast decay.
        fast_decay: bool,
    },
    /// A valve.
    Valve {
        /// Time for its whole way, s.
        stroke_s: f64,
        /// Time constant of what it lets in or out, s.
        fill_s: f64,
    },
    /// Electronics that control the current themselves.
    Electronics {
        /// Time constant, s.
        time_constant_s: f64,
    },
}

impl Follows {
    /// Time after which a small change has reached 63 %, s, when the output is commanded as well as can be.
    #[must_use]
    pub fn lag_s(&self) -> f64 {
        match *self {
            Self::Coil {
                time_constant_s,
                forcing,
                ..
            } => time_constant_s / forcing.max(1.0),
            // A tenth of the stroke is a common change.
            Self::Valve { stroke_s, fill_s } => 0.1 * stroke_s + fill_s,
            Self::Electronics { time_constant_s } => time_constant_s,
        }
    }

    /// The same with another time constant of the coil, of what a valve lets in, or of the electronics, s.
    #[must_use]
    pub fn with_lag(self, lag_s: f64) -> Self {
        let mut it = self;
        match &mut it {
            Self::Coil {
                time_constant_s, ..
            }
            | Self::Electronics { time_constant_s } => *time_constant_s = lag_s,
            Self::Valve { fill_s, .. } => *fill_s = lag_s,
        }
        it
    }

    /// That time constant, s.
    #[must_use]
    pub fn time_constant_s(&self) -> f64 {
        match *self {
            Self::Coil {
                time_constant_s, ..
            }
            | Self::Electronics { time_constant_s } => time_constant_s,
            Self::Valve { fill_s, .. } => fill_s,
        }
    }

    /// Time from full load to a twentieth of it, s, the output closed at once.
    #[must_use]
    pub fn release_s(&self) -> f64 {
        const LEFT: f64 = 0.05;
        match *self {
            Self::Coil {
                time_constant_s,
                forcing,
                fast_decay,
                ..
            } => {
                let back = if fast_decay { forcing } else { 0.0 };
                time_constant_s * ((1.0 + back) / (LEFT + back)).ln()
            }
            Self::Valve { stroke_s, fill_s } => stroke_s - fill_s * LEFT.ln(),
            Self::Electronics { time_constant_s } => -time_constant_s * LEFT.ln(),
        }
    }
}

/// Its heat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Heat capacity of what gets hot, J/K.
    pub capacity_j_per_k: f64,
    /// Heat given to air or water per kelvin above it, W/K.
    pub cooling_w_per_k: f64,
    /// Share of the torque lost per kelvin, 1/K.
    pub fade_per_k: f64,
    /// Hottest allowed, K.
    pub temperature_max_k: f64,
}

impl Heat {
    /// Power that it takes for ever, W.
    #[must_use]
    pub fn lasting_w(&self, coolant_k: f64) -> f64 {
        self.cooling_w_per_k * (self.temperature_max_k - coolant_k).max(0.0)
    }

    /// Time from cold to hottest under a power, s; `None`: it never gets there. The closed form of
    /// C dT/dt = P − h (T − T₀).
    #[must_use]
    pub fn lasts_s(&self, power_w: f64, coolant_k: f64) -> Option<f64> {
        let room_k = (self.temperature_max_k - coolant_k).max(0.0);
        if self.cooling_w_per_k <= 0.0 {
            return (power_w > 0.0).then(|| self.capacity_j_per_k * room_k / power_w);
        }
        let end_k = power_w / self.cooling_w_per_k;
        (end_k > room_k)
            .then(|| -(1.0 - room_k / end_k).ln() * self.capacity_j_per_k / self.cooling_w_per_k)
    }

    /// Share of the cold torque left at a temperature.
    #[must_use]
    pub fn left(&self, temperature_k: f64, coolant_k: f64) -> f64 {
        (1.0 - self.fade_per_k * (temperature_k - coolant_k)).clamp(0.0, 1.0)
    }
}

/// An absorber.
#[derive(Clone, Debug, PartialEq)]
pub struct Absorber {
    /// What it is.
    pub kind: Kind,
    /// Speed of its shaft, rad/s, and its torque with full output and cold, N·m; speeds rise. Straight between the
    /// points, and to rest at no speed; beyond the last, level for a pump, by 1/ω for the others.
    pub full_torque: Vec<(f64, f64)>,
    /// Output and share of the full torque, both 0 to 1 and rising, with (0, 0) and (1, 1) at its ends.
    pub torque_of_output: Vec<(f64, f64)>,
    /// How it follows.
    pub follows: Follows,
    /// Its heat.
    pub heat: Heat,
    /// How the board reaches it.
    pub output: Output,
    /// What it does without power.
    pub without_power: WithoutPower,
}

impl Kind {
    /// Share of the full torque over output where the stand file gives none (common practice, no source): a coil's
    /// torque goes with the square of its current until the iron saturates; the others are straight.
    #[must_use]
    pub fn usual_torque_of_output(self) -> Vec<(f64, f64)> {
        match self {
            Self::EddyCurrent => (0..=8_u32)
                .map(|eighth| {
                    let current = f64::from(eighth) / 8.0;
                    let square = current * current;
                    (current, 1.6 * square / (1.0 + 0.6 * square))
                })
                .collect(),
            Self::Water | Self::Hydraulic | Self::Generator => vec![(0.0, 0.0), (1.0, 1.0)],
        }
    }

    /// Its name in the stand file.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::EddyCurrent => "eddy current",
            Self::Water => "water",
            Self::Hydraulic => "hydraulic",
            Self::Generator => "generator",
        }
    }
}

impl Absorber {
    /// Torque with full output, cold, N·m, at its own speed, rad/s. Below the first point as the square of the speed for
    /// water, straight for the others.
    #[must_use]
    pub fn full_torque_nm(&self, speed_rad_per_s: f64) -> f64 {
        let (Some(first), Some(last)) = (self.full_torque.first(), self.full_torque.last()) else {
            return 0.0;
        };
        let speed = speed_rad_per_s.max(0.0);
        if speed <= first.0 {
            let share = speed / first.0;
            return match self.kind {
                Kind::Water => first.1 * share * share,
                Kind::EddyCurrent | Kind::Hydraulic | Kind::Generator => first.1 * share,
            };
        }
        if speed >= last.0 {
            return match self.kind {
                Kind::Hydraulic => last.1,
                // Less than it may have, where nothing is stated.
                Kind::EddyCurrent | Kind::Water | Kind::Generator => last.1 * last.0 / speed,
            };
        }
        between(&self.full_torque, speed)
    }

    /// Torque, N·m, at a speed, rad/s, a settled output, 0 to 1, and a share left by heat.
    #[must_use]
    pub fn torque_nm(&self, speed_rad_per_s: f64, output: f64, left: f64) -> f64 {
        let output = output.clamp(0.0, 1.0);
        self.full_torque_nm(speed_rad_per_s) * between(&self.torque_of_output, output) * left
    }

    /// Output, 0 to 1, that gives a share of the full torque.
    #[must_use]
    pub fn output_for(&self, share: f64) -> f64 {
        let turned: Vec<(f64, f64)> = self.torque_of_output.iter().map(|&(x, y)| (y, x)).collect();
        between(&turned, share.clamp(0.0, 1.0))
    }
}

/// Straight between points with rising places, level outside of them; 0 without any.
#[must_use]
pub fn between(points: &[(f64, f64)], at: f64) -> f64 {
    let next = points.partition_point(|point| point.0 <= at);
    match (
        next.checked_sub(1).and_then(|it| points.get(it)),
        points.get(next),
    ) {
        (Some(left), Some(right)) => {
            left.1 + (right.1 - left.1) * (at - left.0) / (right.0 - left.0)
        }
        (Some(only), None) | (None, Some(only)) => only.1,
        (None, None) => 0.0,
    }
}
