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
    /// Edges that are no teeth, anywhere between two teeth, per tooth.
    pub(crate) false_probability: f64,
    pub(crate) dropout_s: Option<f64>,
    pub(crate) engine: Engine,
    pub(crate) shuffle: Option<Shuffle>,
}

/// How unlike each other the working cycles of a real engine are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Engine {
    /// Cylinders, firing evenly over two crank turns.
    pub(crate) cylinders: u32,
    /// Standard deviation of the work of one cylinder's cycle over its mean (the COV of imep that
    /// engine makers state).
    pub(crate) cycle_cov: f64,
    /// Correlation of a cylinder's cycle with its next.
    pub(crate) cycle_correlation: f64,
    /// Share of cycles that do not burn.
    pub(crate) misfire_probability: f64,
    /// Work of a cycle that does not burn, over that of one that does: minus the friction.
    pub(crate) misfire_work: f64,
}

/// No two cycles differ.
pub(crate) const SMOOTH: Engine = Engine {
    cylinders: 1,
    cycle_cov: 0.0,
    cycle_correlation: 0.0,
    misfire_probability: 0.0,
    misfire_work: -0.15,
};

/// Drum and engine as two inertias with a spring between them, rung by the opening throttle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Shuffle {
    pub(crate) frequency_hz: f64,
    pub(crate) damping_ratio: f64,
    /// The engine's inertia seen at the drum over the sum of both.
    pub(crate) engine_share: f64,
    /// Swing of the drum's acceleration at the start over the mean acceleration.
    pub(crate) swing: f64,
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
        false_probability: 0.0,
        dropout_s: None,
        engine: SMOOTH,
        shuffle: None,
    }
}

/// A pull of 6.5 s by an engine whose cycles vary by `cycle_cov`.
pub(crate) fn varying(name: &'static str, cycle_cov: f64) -> Case {
    Case {
        name,
        from_rpm: 3000.0,
        to_rpm: 8900.0,
        duration_s: 6.5,
        engine: Engine {
            cycle_cov,
            ..SMOOTH
        },
        ..reference()
    }
}

/// What a real engine, drive and pickup add.
pub(crate) fn real_world() -> Vec<Case> {
    vec![
        varying("cycles_1pct", 0.01),
        varying("cycles_2pct", 0.02),
        varying("cycles_4pct", 0.04),
        Case {
            engine: Engine {
                cycle_correlation: 0.4,
                cycle_cov: 0.015,
                ..SMOOTH
            },
            ..varying("cycles_correlated", 0.0)
        },
        Case {
            teeth: 60,
            ..varying("cycles_60_teeth", 0.02)
        },
        Case {
            teeth: 1,
            pickup_on_engine: true,
            duration_s: 4.0,
            ..varying("cycles_engine_one_tooth", 0.03)
        },
        Case {
            engine: Engine {
                cylinders: 4,
                cycle_cov: 0.02,
                ..SMOOTH
            },
            teeth: 3,
            ratio: 4.3,
            duration_s: 9.0,
            ripple: [1.2, 0.3, 0.0],
            ..varying("cycles_four_cylinders", 0.0)
        },
        Case {
            duration_s: 2.2,
            shape: Shape::Dip,
            ..varying("cycles_short_dip", 0.015)
        },
        Case {
            engine: Engine {
                cycle_cov: 0.015,
                misfire_probability: 0.01,
                ..SMOOTH
            },
            ..varying("misfire_1pct", 0.0)
        },
        Case {
            engine: Engine {
                cycle_cov: 0.02,
                misfire_probability: 0.03,
                ..SMOOTH
            },
            teeth: 24,
            duration_s: 5.0,
            ..varying("misfire_3pct", 0.0)
        },
        Case {
            shuffle: Some(Shuffle {
                frequency_hz: 8.0,
                damping_ratio: 0.02,
                engine_share: 0.1,
                swing: 0.5,
            }),
            ..varying("shuffle_8hz", 0.015)
        },
        Case {
            shuffle: Some(Shuffle {
                frequency_hz: 25.0,
                damping_ratio: 0.02,
                engine_share: 0.1,
                swing: 0.5,
            }),
            ..varying("shuffle_25hz", 0.015)
        },
        Case {
            teeth: 60,
            false_probability: 1.0 / 200.0,
            missing_probability: 1.0 / 500.0,
            ..varying("edges_60_teeth", 0.015)
        },
        Case {
            false_probability: 1.0 / 300.0,
            missing_probability: 1.0 / 500.0,
            ..varying("edges_8_teeth", 0.015)
        },
    ]
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

/// A stand that nobody tuned anything to, with an engine and a pickup as they come.
pub(crate) fn any_stand(seed: u64) -> Case {
    let mut rng = fastrand::Rng::with_seed(seed.wrapping_mul(0x5851_f42d).wrapping_add(7));
    let pickup_on_engine = rng.f64() < 0.25;
    let between = |rng: &mut fastrand::Rng, a: f64, b: f64| a * (b / a).powf(rng.f64());
    let from_rpm = between(&mut rng, 1800.0, 5000.0);
    let cylinders = *rng.choice([1, 1, 1, 2, 4].iter()).unwrap_or(&1);
    let sometimes = |rng: &mut fastrand::Rng, share: f64, value: f64| {
        if rng.f64() < share { value } else { 0.0 }
    };
    Case {
        name: "any_stand",
        inertia_kg_m2: between(&mut rng, 0.3, 60.0),
        teeth: if pickup_on_engine {
            *rng.choice([1, 2, 12, 24, 36].iter()).unwrap_or(&1)
        } else {
            *rng.choice([3, 4, 6, 8, 12, 20, 36, 60].iter())
                .unwrap_or(&8)
        },
        pickup_on_engine,
        ratio: between(&mut rng, 1.7, 9.0),
        shape: *rng
            .choice([Shape::Hump, Shape::Dip, Shape::Flat, Shape::Hump].iter())
            .unwrap_or(&Shape::Hump),
        from_rpm,
        to_rpm: from_rpm * between(&mut rng, 1.7, 3.2),
        duration_s: between(&mut rng, 2.0, 10.0),
        ripple: match cylinders {
            1 => [
                between(&mut rng, 1.5, 2.8),
                between(&mut rng, 0.3, 1.2),
                0.3,
            ],
            2 => [1.5, 0.4, 0.0],
            _ => [1.0, 0.2, 0.0],
        },
        tick_s: *rng
            .choice([0.0625e-6, 0.5e-6, 1e-6, 4e-6].iter())
            .unwrap_or(&1e-6),
        jitter_s: between(&mut rng, 0.5e-6, 15e-6),
        tooth_error_share: between(&mut rng, 0.002, 0.025),
        missing_probability: sometimes(&mut rng, 0.3, 0.001),
        false_probability: sometimes(&mut rng, 0.3, 0.003),
        engine: Engine {
            cylinders,
            cycle_cov: between(&mut rng, 0.006, 0.045),
            cycle_correlation: if rng.f64() < 0.3 {
                0.7 * rng.f64() - 0.3
            } else {
                0.0
            },
            misfire_probability: sometimes(&mut rng, 0.25, 0.008),
            misfire_work: -0.1 - 0.15 * rng.f64(),
        },
        shuffle: (rng.f64() < 0.2).then(|| Shuffle {
            frequency_hz: between(&mut rng, 6.0, 30.0),
            damping_ratio: between(&mut rng, 0.02, 0.12),
            engine_share: 0.1,
            swing: 0.5 * rng.f64(),
        }),
        ..reference()
    }
}

/// A simulated pull.
pub(crate) struct Pull {
    pub(crate) case: Case,
    pub(crate) edges: Vec<Edge>,
    pub(crate) tick_hz: f64,
    /// When cycles did not burn, in s from the start of the rise.
    pub(crate) misfires: Vec<f64>,
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

/// Rigid drive's angle, half its speed squared, time, and the drive's twist seen at the drum.
#[derive(Debug, Clone, Copy)]
struct State {
    theta: f64,
    energy: f64,
    time_s: f64,
    twist: f64,
    twist_rate: f64,
}

impl State {
    fn moved(&self, h: f64, slope: &[f64; 4]) -> Self {
        Self {
            theta: self.theta + h,
            energy: self.energy + h * slope[0],
            time_s: self.time_s + h * slope[1],
            twist: self.twist + h * slope[2],
            twist_rate: self.twist_rate + h * slope[3],
        }
    }
}

impl Shuffle {
    fn natural_rad_per_s(&self) -> f64 {
        std::f64::consts::TAU * self.frequency_hz
    }

    /// Twist at rest under the torque that gives the whole drive this acceleration.
    fn settled(&self, alpha: f64) -> f64 {
        alpha / (self.engine_share * self.natural_rad_per_s().powi(2))
    }
}

/// The work of each working cycle over its mean, drawn as the engine gets there.
struct Cycles {
    engine: Engine,
    rng: fastrand::Rng,
    drawn: Vec<f64>,
    scatter: Vec<f64>,
    misfires: Vec<f64>,
}

impl Cycles {
    fn new(engine: Engine, rng: fastrand::Rng) -> Self {
        Self {
            engine,
            rng,
            drawn: Vec::new(),
            scatter: Vec::new(),
            misfires: Vec::new(),
        }
    }

    fn work(&mut self, engine_angle: f64, time_s: f64) -> f64 {
        let firings = f64::from(self.engine.cylinders) / (2.0 * std::f64::consts::TAU);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "small positive"
        )]
        let cycle = (engine_angle * firings).max(0.0).floor() as usize;
        while self.drawn.len() <= cycle {
            let before = self.drawn.len().checked_sub(self.engine.cylinders as usize);
            let rho = self.engine.cycle_correlation;
            let fresh = normal(&mut self.rng);
            let scatter = match before {
                Some(at) => rho * self.scatter[at] + (1.0 - rho * rho).sqrt() * fresh,
                None => fresh,
            };
            self.scatter.push(scatter);
            if self.rng.f64() < self.engine.misfire_probability {
                self.misfires.push(time_s);
                self.drawn.push(self.engine.misfire_work);
            } else {
                self.drawn.push(1.0 + self.engine.cycle_cov * scatter);
            }
        }
        self.drawn[cycle]
    }
}

const RPM: f64 = std::f64::consts::TAU / 60.0;

impl Pull {
    /// Simulates the case with the given seed.
    pub(crate) fn simulate(case: &Case, seed: u64) -> Self {
        let mut pull = Self {
            case: case.clone(),
            edges: Vec::new(),
            tick_hz: 1.0 / case.tick_s,
            misfires: Vec::new(),
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
        let mut engine = Cycles::new(case.engine, fastrand::Rng::with_seed(!seed));
        let start = rng.usize(..teeth);
        let origin_s = 1.0 + rng.f64();
        let end_omega = case.to_rpm * RPM / case.ratio;
        let middle_s = case.duration_s * 0.55;
        let from_omega = case.from_rpm * RPM / case.ratio;
        let mut state = State {
            theta: 0.0,
            energy: 0.5 * from_omega * from_omega,
            time_s: 0.0,
            twist: 0.0,
            twist_rate: 0.0,
        };
        if let Some(shuffle) = case.shuffle {
            let alpha = case.ratio * self.torque_nm(case.from_rpm) / case.inertia_kg_m2;
            state.twist = (1.0 - shuffle.swing) * shuffle.settled(alpha);
        }
        let mut seen_s = Vec::new();
        let mut k = 0_usize;
        while (2.0 * state.energy).sqrt() < end_omega {
            let target = per_wheel * (pitch * k as f64 + errors[(start + k) % teeth] + 0.5 * pitch);
            k += 1;
            // The pickup sits on the drum's side of the spring, or on the engine's.
            let lag = case.shuffle.map_or(0.0, |s| {
                if case.pickup_on_engine {
                    s.engine_share - 1.0
                } else {
                    s.engine_share
                }
            });
            loop {
                let to = target + lag * state.twist;
                if (to - state.theta).abs() < 1e-10 {
                    break;
                }
                self.turn_to(&mut state, to, phase, &mut engine);
            }
            let t = state.time_s;
            let seen = t + case.jitter_s * normal(&mut rng);
            let dropped = case
                .dropout_s
                .is_some_and(|d| (middle_s..middle_s + d).contains(&t));
            if dropped || rng.f64() < case.missing_probability {
                continue;
            }
            seen_s.push(seen);
            let pitch_s = pitch * per_wheel / (2.0 * state.energy).sqrt();
            if rng.f64() < case.double_probability {
                seen_s.push(seen + (0.1 + 0.3 * rng.f64()) * pitch_s);
            }
            if rng.f64() < case.false_probability {
                seen_s.push(seen + (0.05 + 0.9 * rng.f64()) * pitch_s);
            }
        }
        self.misfires = engine.misfires;
        seen_s.sort_by(f64::total_cmp);
        let mut previous_tick = 0;
        for at_s in seen_s {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "small positive"
            )]
            let tick = ((origin_s + at_s) * self.tick_hz).floor() as u64;
            if tick > previous_tick {
                let number = self.edges.len() as u64;
                self.edges.push(Edge { tick, number });
                previous_tick = tick;
            }
        }
    }

    /// Change of the state with the rigid drive's angle, while the cycle does `work` of its mean.
    fn slope(&self, s: &State, phase: f64, work: f64) -> [f64; 4] {
        let case = &self.case;
        let omega = (2.0 * s.energy).sqrt();
        let engine_angle = case.ratio * s.theta;
        let rpm = omega * case.ratio / RPM;
        let firing = 0.5 * f64::from(case.engine.cylinders);
        let ripple: f64 = (1..=3_u8)
            .zip(case.ripple)
            .map(|(m, a)| a * (firing * f64::from(m) * engine_angle + f64::from(m) * phase).cos())
            .sum();
        // A cycle that does not burn has no pressure to swing with either.
        let swing = if work > 0.0 { 1.0 + ripple } else { 1.0 };
        let alpha = case.ratio * self.torque_nm(rpm) * work * swing / case.inertia_kg_m2;
        let twist = case.shuffle.map_or([0.0; 2], |shuffle| {
            let natural = shuffle.natural_rad_per_s();
            let pull = natural * natural * (shuffle.settled(alpha) - s.twist);
            let damped = pull - 2.0 * shuffle.damping_ratio * natural * s.twist_rate;
            [s.twist_rate / omega, damped / omega]
        });
        [alpha, 1.0 / omega, twist[0], twist[1]]
    }

    /// Turns the rigid drive to an angle: Runge–Kutta, a cycle's work held over each step.
    fn turn_to(&self, state: &mut State, theta: f64, phase: f64, engine: &mut Cycles) {
        let steps = ((theta - state.theta).abs() * self.case.ratio / 0.12).ceil();
        let h = (theta - state.theta) / steps.max(1.0);
        let mut i = 0.0;
        while i < steps {
            let work = engine.work((state.theta + 0.5 * h) * self.case.ratio, state.time_s);
            let k1 = self.slope(state, phase, work);
            let k2 = self.slope(&state.moved(0.5 * h, &k1), phase, work);
            let k3 = self.slope(&state.moved(0.5 * h, &k2), phase, work);
            let k4 = self.slope(&state.moved(h, &k3), phase, work);
            let mean: [f64; 4] =
                std::array::from_fn(|j| (k1[j] + 2.0 * k2[j] + 2.0 * k3[j] + k4[j]) / 6.0);
            *state = state.moved(h, &mean);
            i += 1.0;
        }
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
