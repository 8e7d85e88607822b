//! Simulated pulls with a known truth, for the accuracy bench and tests.
//!
//! The drum's equation of motion is integrated over angle, `d(omega²/2)/d theta = M/I`, with steps
//! that end exactly at each tooth, so that tooth times are exact to rounding.

use leverarm_filters::{speed_fit::FitOptions, teeth::Edge};

/// Shape of an engine's torque over speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Shape {
    /// A broad hump.
    Hump,
    /// A hump with a dip of 6 % around 5000 rpm.
    Dip,
    /// A hump with a rise of 5 % over 250 rpm around 5500 rpm.
    Step,
    /// Nearly flat.
    Flat,
}

/// A stand and a pull on it.
#[derive(Debug, Clone)]
pub(crate) struct Case {
    pub(crate) name: &'static str,
    pub inertia_kg_m2: f64,
    pub(crate) teeth: u32,
    pub(crate) pickup_on_engine: bool,
    pub(crate) ratio: f64,
    pub(crate) shape: Shape,
    pub(crate) from_rpm: f64,
    pub(crate) to_rpm: f64,
    pub(crate) duration_s: f64,
    pub(crate) ripple: [f64; 3],
    pub(crate) tick_s: f64,
    pub(crate) jitter_s: f64,
    pub(crate) tooth_error_share: f64,
    pub(crate) missing_probability: f64,
    pub(crate) double_probability: f64,
    pub(crate) dropout_s: Option<f64>,
}

/// The reference case; the others differ from it in what their names say.
pub(crate) fn reference() -> Case {
    Case {
        name: "reference",
        inertia_kg_m2: 3.2,
        teeth: 8,
        pickup_on_engine: false,
        ratio: 6.0,
        shape: Shape::Hump,
        from_rpm: 2800.0,
        to_rpm: 8200.0,
        duration_s: 2.4,
        ripple: [2.5, 0.0, 0.0],
        tick_s: 0.5e-6,
        jitter_s: 3e-6,
        tooth_error_share: 0.01,
        missing_probability: 0.0,
        double_probability: 0.0,
        dropout_s: None,
    }
}

/// All cases of the table.
pub(crate) fn table() -> Vec<Case> {
    let r = reference;
    vec![
        r(),
        Case {
            name: "coarse",
            tick_s: 4e-6,
            jitter_s: 20e-6,
            ..r()
        },
        Case {
            name: "harmonics",
            ripple: [2.0, 1.2, 0.6],
            ..r()
        },
        Case {
            name: "uneven_ratio",
            ratio: 5.87,
            ripple: [2.0, 1.2, 0.6],
            ..r()
        },
        Case {
            name: "one_tooth_drum",
            teeth: 1,
            ..r()
        },
        Case {
            name: "two_teeth_drum",
            teeth: 2,
            duration_s: 4.0,
            ..r()
        },
        Case {
            name: "four_teeth_small_drum",
            teeth: 4,
            inertia_kg_m2: 0.5,
            ratio: 3.1,
            duration_s: 1.5,
            ..r()
        },
        Case {
            name: "sixty_teeth",
            teeth: 60,
            tooth_error_share: 0.02,
            ..r()
        },
        Case {
            name: "engine_one_tooth",
            teeth: 1,
            pickup_on_engine: true,
            ..r()
        },
        Case {
            name: "engine_24_teeth",
            teeth: 24,
            pickup_on_engine: true,
            duration_s: 5.0,
            ..r()
        },
        Case {
            name: "short_pull",
            duration_s: 1.5,
            ..r()
        },
        Case {
            name: "long_pull",
            duration_s: 15.0,
            teeth: 16,
            ..r()
        },
        Case {
            name: "heavy_drum",
            inertia_kg_m2: 60.0,
            ratio: 4.2,
            duration_s: 12.0,
            ..r()
        },
        Case {
            name: "light_drum",
            inertia_kg_m2: 0.5,
            ratio: 2.4,
            duration_s: 2.0,
            teeth: 12,
            ..r()
        },
        Case {
            name: "dip",
            shape: Shape::Dip,
            ..r()
        },
        Case {
            name: "step",
            shape: Shape::Step,
            duration_s: 4.0,
            ..r()
        },
        Case {
            name: "flat",
            shape: Shape::Flat,
            duration_s: 6.0,
            ..r()
        },
        Case {
            name: "missing_double",
            missing_probability: 0.01,
            double_probability: 0.01,
            ..r()
        },
        Case {
            name: "dropout",
            dropout_s: Some(0.1),
            duration_s: 4.0,
            ..r()
        },
        // 200,000 teeth: 10 s at 20,000 teeth/s.
        Case {
            name: "full_rate",
            teeth: 64,
            pickup_on_engine: true,
            from_rpm: 16_000.0,
            to_rpm: 21_500.0,
            duration_s: 10.0,
            ..r()
        },
    ]
}

/// A simulated pull.
pub(crate) struct Pull {
    pub(crate) case: Case,
    pub(crate) edges: Vec<Edge>,
    pub(crate) tick_hz: f64,
    torque_scale: f64,
}

fn torque_shape(shape: Shape, x: f64, rpm: f64) -> f64 {
    // x runs from 0 to 1 over the pull's speed range.
    let hump = 0.72 + 0.28 * (-((x - 0.58) / 0.38).powi(2)).exp();
    match shape {
        Shape::Hump => hump,
        Shape::Dip => hump * (1.0 - 0.06 * (-((rpm - 5000.0) / 300.0).powi(2)).exp()),
        Shape::Step => hump * (1.0 + 0.025 * (1.0 + ((rpm - 5500.0) / 125.0).tanh())),
        Shape::Flat => 0.95 + 0.05 * x,
    }
}

fn normal(rng: &mut fastrand::Rng) -> f64 {
    let radius = (-2.0 * (1.0 - rng.f64()).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.f64()).cos()
}

const RPM: f64 = std::f64::consts::TAU / 60.0;

impl Pull {
    /// Simulates the case with the given seed.
    pub(crate) fn simulate(case: &Case, seed: u64) -> Self {
        let mut pull = Self {
            case: case.clone(),
            edges: Vec::new(),
            tick_hz: 1.0 / case.tick_s,
            torque_scale: 1.0,
        };
        // Mean torque so that the pull lasts as long as asked.
        let mut time = 0.0;
        let steps = 2000;
        for i in 0..steps {
            let rpm = case.from_rpm
                + (case.to_rpm - case.from_rpm) * (f64::from(i) + 0.5) / f64::from(steps);
            time += 1.0 / pull.torque_nm(rpm);
        }
        let span = (case.to_rpm - case.from_rpm) * RPM / case.ratio;
        pull.torque_scale =
            case.inertia_kg_m2 * span * time / f64::from(steps) / (case.ratio * case.duration_s);
        pull.run(seed);
        pull
    }

    /// Mean engine torque at a speed.
    pub(crate) fn torque_nm(&self, rpm: f64) -> f64 {
        let x = (rpm - self.case.from_rpm) / (self.case.to_rpm - self.case.from_rpm);
        self.torque_scale * torque_shape(self.case.shape, x, rpm)
    }

    /// Turns of the drum per turn of the wheel the pickup looks at.
    fn drum_per_wheel(&self) -> f64 {
        if self.case.pickup_on_engine {
            1.0 / self.case.ratio
        } else {
            1.0
        }
    }

    fn run(&mut self, seed: u64) {
        let case = self.case.clone();
        let mut rng = fastrand::Rng::with_seed(seed.wrapping_mul(0x9e37_79b9).wrapping_add(17));
        let teeth = case.teeth as usize;
        let pitch = std::f64::consts::TAU / f64::from(case.teeth);
        let errors: Vec<f64> = (0..teeth)
            .map(|_| {
                if teeth > 1 {
                    case.tooth_error_share * pitch * normal(&mut rng)
                } else {
                    0.0
                }
            })
            .collect();
        let phase = std::f64::consts::TAU * rng.f64();
        let per_wheel = self.drum_per_wheel();
        // State over the drum's angle: kinetic energy per inertia e = omega²/2, and time.
        let slope = |theta: f64, e: f64| {
            let omega = (2.0 * e).sqrt();
            let engine_angle = case.ratio * theta;
            let rpm = omega * case.ratio / RPM;
            let ripple: f64 = (1..=3_u8)
                .zip(case.ripple)
                .map(|(m, a)| a * (0.5 * f64::from(m) * engine_angle + f64::from(m) * phase).cos())
                .sum();
            (
                case.ratio * self.torque_nm(rpm) * (1.0 + ripple) / case.inertia_kg_m2,
                1.0 / omega,
            )
        };
        let (mut theta, mut e, mut t) =
            (0.0, 0.5 * (case.from_rpm * RPM / case.ratio).powi(2), 0.0);
        let start = rng.usize(..teeth);
        let mut number = 0;
        let mut edges = Vec::new();
        let mut k = 0_usize;
        let origin_s = 1.0 + rng.f64();
        let mut previous_tick = 0;
        let end_omega = case.to_rpm * RPM / case.ratio;
        let middle_s = case.duration_s * 0.55;
        while (2.0 * e).sqrt() < end_omega {
            let target = per_wheel * (pitch * k as f64 + errors[(start + k) % teeth] + 0.5 * pitch);
            let steps = (((target - theta) * case.ratio / 0.12).ceil()).max(1.0);
            let h = (target - theta) / steps;
            let mut i = 0.0;
            while i < steps {
                let (k1, q1) = slope(theta, e);
                let (k2, q2) = slope(theta + 0.5 * h, e + 0.5 * h * k1);
                let (k3, q3) = slope(theta + 0.5 * h, e + 0.5 * h * k2);
                let (k4, q4) = slope(theta + h, e + h * k3);
                e += h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
                t += h / 6.0 * (q1 + 2.0 * q2 + 2.0 * q3 + q4);
                theta += h;
                i += 1.0;
            }
            k += 1;
            let mut push = |at_s: f64| {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "small positive"
                )]
                let tick = ((origin_s + at_s) * self.tick_hz).floor() as u64;
                if tick > previous_tick {
                    edges.push(Edge { tick, number });
                    previous_tick = tick;
                    number += 1;
                }
            };
            let seen = t + case.jitter_s * normal(&mut rng);
            let dropped = case
                .dropout_s
                .is_some_and(|d| (middle_s..middle_s + d).contains(&t));
            if dropped || rng.f64() < case.missing_probability {
                continue;
            }
            push(seen);
            if rng.f64() < case.double_probability {
                push(seen + (0.1 + 0.3 * rng.f64()) * pitch * per_wheel / (2.0 * e).sqrt());
            }
        }
        self.edges = edges;
    }

    /// What the fit is told.
    pub(crate) fn options(&self) -> FitOptions {
        FitOptions {
            teeth_per_turn: self.case.teeth,
            cycles_per_turn: Some(0.5 * self.case.ratio * self.drum_per_wheel()),
            tick_s: self.case.tick_s,
            pattern: None,
        }
    }

    /// Wheel speed in rad/s at an engine speed.
    pub(crate) fn wheel_omega(&self, rpm: f64) -> f64 {
        rpm * RPM / (self.case.ratio * self.drum_per_wheel())
    }

    /// Wheel acceleration in rad/s² that the mean torque gives at an engine speed.
    pub(crate) fn alpha(&self, rpm: f64) -> f64 {
        self.torque_nm(rpm) * self.case.ratio / self.case.inertia_kg_m2 / self.drum_per_wheel()
    }

    fn range_rpm(&self) -> (f64, f64) {
        let span = self.case.to_rpm - self.case.from_rpm;
        (
            self.case.from_rpm + span * 400.0 / 5400.0,
            self.case.to_rpm - span * 200.0 / 5400.0,
        )
    }

    /// Speeds at which errors are taken: 3200 to 8000 rpm in the reference case.
    pub(crate) fn grid_rpm(&self) -> Vec<f64> {
        let (from, to) = self.range_rpm();
        (0..=96)
            .map(|i| from + (to - from) * f64::from(i) / 96.0)
            .collect()
    }

    /// Greatest wheel acceleration on the grid.
    pub(crate) fn alpha_peak(&self) -> f64 {
        self.grid_rpm()
            .into_iter()
            .map(|rpm| self.alpha(rpm))
            .fold(0.0, f64::max)
    }

    /// Rms error of accelerations on the grid in per cent of the peak; points the method declines to
    /// show don't count, but a method that shows less than three quarters has no result.
    pub(crate) fn error_pct(&self, alpha: &[Option<f64>]) -> f64 {
        let errors: Vec<f64> = self
            .grid_rpm()
            .into_iter()
            .zip(alpha)
            .filter_map(|(rpm, a)| a.map(|a| a - self.alpha(rpm)))
            .collect();
        if errors.len() * 4 < alpha.len() * 3 {
            return f64::NAN;
        }
        let mean_square = errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64;
        100.0 * mean_square.sqrt() / self.alpha_peak()
    }
}
