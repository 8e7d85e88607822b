//! Does the 95 % band of the torque cover the truth 95 % of the time?
//!
//! Per pull: draw what the stand truly is from what is stated about it (JCGM 101:2008, clause 5:
//! normal for stated standard uncertainties; where an uncertainty is of type A, the spread that is
//! stated scatters itself, as a standard deviation of so many degrees of freedom does), simulate the
//! pull, reduce it with the stated values, and count the points of the grid whose band holds the
//! true torque.
//!
//! Prints one line a stand: `stand=NAME coverage_pct=… pulls=… points=… expanded_pct=…
//! timing_share_pct=…`; the last two are the mean half-width in per cent of the torque and the
//! share of timing in its variance. `--timing-alone` adds stands on which nothing but the timing is
//! uncertain.

use std::io::{IsTerminal, Write};
use std::process::ExitCode;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use leverarm_tests::simulated_pull::{Brake, Pull, Shape, normal};
use leverarm_torque::air::{Air, Correction};
use leverarm_torque::curve::{CurvePoint, RAD_PER_S_PER_RPM, Source};
use leverarm_torque::reduce::{
    AirReadings, LoadCellModel, LossModel, RawPull, ReduceOptions, ReductionModel, WheelModel,
    reduce,
};
use leverarm_torque::uncertainty::{Assessed, Measured};

#[derive(Debug, Parser)]
#[command(about = "Coverage of the 95 % band of the torque over simulated pulls")]
struct Arguments {
    /// Pulls on each stand
    #[arg(long, default_value_t = 1000)]
    pulls: u32,
    /// Threads
    #[arg(long, default_value_t = 2)]
    jobs: u32,
    /// Only the stand of this name
    #[arg(long)]
    stand: Option<String>,
    /// First seed
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Also stands on which nothing but the timing is uncertain
    #[arg(long)]
    timing_alone: bool,
}

/// What is stated about a stand, and what its pulls are like.
#[derive(Debug, Clone)]
struct Stated {
    name: &'static str,
    pull: Pull,
    seconds: f64,
    /// Relative standard uncertainties.
    drum_inertia: f64,
    engine_inertia: f64,
    ratio: f64,
    losses: f64,
    /// Degrees of freedom of the losses' uncertainty; infinite: taken as known.
    losses_freedom: f64,
    losses_follow_inertia: bool,
    loss_drift: f64,
    /// Load cell: relative, with its degrees of freedom; N at most; counts; relative.
    scale: f64,
    scale_freedom: f64,
    shape_n: f64,
    zero_counts: f64,
    arm: f64,
    /// Pa, K, fraction.
    air: [f64; 3],
}

const AIR: [f64; 3] = [98_600.0, 297.0, 0.55];

fn pull() -> Pull {
    Pull {
        drum_inertia_kg_m2: 3.2,
        engine_inertia_kg_m2: 0.006,
        engine_per_drum: 6.0,
        losses: [0.8, 0.004, 2e-5],
        teeth: 8,
        on_engine: false,
        tooth_error_share: 0.01,
        jitter_s: 3e-6,
        tick_s: 0.5e-6,
        cycles_per_engine_turn: 0.5,
        ripple: [2.5, 0.0, 0.0],
        shape: Shape::Hump,
        torque_nm: 1.0,
        from_rpm: 2800.0,
        to_rpm: 8200.0,
        brake: None,
    }
}

fn stands() -> Vec<Stated> {
    let base = || Stated {
        name: "drum_8_teeth",
        pull: pull(),
        seconds: 3.0,
        drum_inertia: 0.005,
        engine_inertia: 0.04,
        ratio: 0.0,
        losses: 0.05,
        losses_freedom: f64::INFINITY,
        losses_follow_inertia: false,
        loss_drift: 0.03,
        scale: 0.0,
        scale_freedom: f64::INFINITY,
        shape_n: 0.0,
        zero_counts: 0.0,
        arm: 0.0,
        air: [100.0, 0.7, 0.04],
    };
    let brake = Brake {
        share: 0.8,
        newton_per_count: 2e-5,
        zero_counts: -12_000.0,
        arm_m: 0.305,
        shape_n: 0.0,
        noise_counts: 3000.0,
        rate_hz: 80.0,
    };
    vec![
        base(),
        // A light drum on a tyre; one ignition pulse a turn of a two-stroke, coarse timer.
        Stated {
            name: "light_drum_engine_pulse",
            pull: Pull {
                drum_inertia_kg_m2: 0.5,
                engine_inertia_kg_m2: 0.003,
                engine_per_drum: 2.4,
                losses: [0.3, 0.002, 1e-5],
                teeth: 1,
                on_engine: true,
                tooth_error_share: 0.0,
                jitter_s: 10e-6,
                tick_s: 4e-6,
                cycles_per_engine_turn: 1.0,
                ripple: [1.5, 0.5, 0.0],
                from_rpm: 4000.0,
                to_rpm: 11_000.0,
                ..pull()
            },
            seconds: 2.5,
            drum_inertia: 0.008,
            ratio: 0.003,
            losses: 0.08,
            ..base()
        },
        // Many teeth on a heavy drum, losses from few coast-downs with the same inertia.
        Stated {
            name: "heavy_drum_60_teeth",
            pull: Pull {
                drum_inertia_kg_m2: 60.0,
                engine_inertia_kg_m2: 0.02,
                engine_per_drum: 4.2,
                losses: [3.0, 0.03, 1e-4],
                teeth: 60,
                tooth_error_share: 0.02,
                shape: Shape::Dip,
                ripple: [2.0, 1.2, 0.6],
                ..pull()
            },
            seconds: 10.0,
            drum_inertia: 0.003,
            ratio: 0.001,
            losses: 0.08,
            losses_freedom: 6.0,
            losses_follow_inertia: true,
            ..base()
        },
        // A brake alone: sweeps against a load cell calibrated with six weights.
        Stated {
            name: "brake",
            pull: Pull {
                drum_inertia_kg_m2: 0.3,
                engine_inertia_kg_m2: 0.004,
                engine_per_drum: 2.25,
                losses: [0.4, 0.001, 0.0],
                teeth: 60,
                shape: Shape::Flat,
                ripple: [1.5, 0.0, 0.0],
                brake: Some(brake),
                ..pull()
            },
            seconds: 8.0,
            drum_inertia: 0.02,
            losses: 0.1,
            scale: 0.002,
            scale_freedom: 5.0,
            shape_n: 0.15,
            zero_counts: 2000.0,
            arm: 0.0016,
            ..base()
        },
        // Drum and brake share the load.
        Stated {
            name: "drum_and_brake",
            pull: Pull {
                drum_inertia_kg_m2: 1.2,
                engine_per_drum: 5.5,
                teeth: 16,
                brake: Some(Brake {
                    share: 0.5,
                    newton_per_count: 1e-4,
                    noise_counts: 600.0,
                    ..brake
                }),
                ..pull()
            },
            seconds: 5.0,
            ratio: 0.002,
            scale: 0.003,
            scale_freedom: 8.0,
            shape_n: 0.3,
            zero_counts: 1000.0,
            arm: 0.002,
            ..base()
        },
    ]
}

/// The same stands with everything but the timing known exactly.
fn timing_alone() -> Vec<Stated> {
    let names = ["timing_8_teeth", "timing_engine_pulse", "timing_60_teeth"];
    stands()
        .into_iter()
        .zip(names)
        .map(|(stated, name)| Stated {
            name,
            drum_inertia: 0.0,
            engine_inertia: 0.0,
            ratio: 0.0,
            losses: 0.0,
            losses_freedom: f64::INFINITY,
            loss_drift: 0.0,
            air: [0.0; 3],
            ..stated
        })
        .collect()
}

/// The deviation from the stated value, and the spread that is stated for it.
struct Drawn {
    deviation: f64,
    stated: f64,
}

/// A deviation of so many standard uncertainties; of type A, with the scatter of the stated spread.
fn draw(rng: &mut fastrand::Rng, standard_uncertainty: f64, freedom: f64) -> Drawn {
    let stated = if freedom.is_finite() {
        // χ²/ν from squares of normals; ν is whole here.
        let mut squares = 0.0;
        let mut count = 0.0;
        while count < freedom {
            squares += normal(rng).powi(2);
            count += 1.0;
        }
        standard_uncertainty * (squares / count).sqrt()
    } else {
        standard_uncertainty
    };
    Drawn {
        deviation: standard_uncertainty * normal(rng),
        stated,
    }
}

fn assessed(value: f64, standard_uncertainty: f64, freedom: f64) -> Assessed {
    let measured = Measured::new(value, standard_uncertainty);
    if freedom.is_finite() {
        Assessed::type_a(measured, freedom)
    } else {
        measured.into()
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    covered: u64,
    points: u64,
    failed: u64,
    expanded: f64,
    timing: f64,
    /// Error over standard uncertainty, squared.
    pull_ratio: f64,
}

impl Stated {
    fn model(&self) -> ReductionModel {
        let p = &self.pull;
        ReductionModel {
            drum_inertia_kg_m2: Some(
                Measured::new(
                    p.drum_inertia_kg_m2,
                    self.drum_inertia * p.drum_inertia_kg_m2,
                )
                .into(),
            ),
            engine_inertia_kg_m2: Measured::new(
                p.engine_inertia_kg_m2,
                self.engine_inertia * p.engine_inertia_kg_m2,
            )
            .into(),
            losses: LossModel {
                degrees_of_freedom: self.losses_freedom,
                follow_inertia: self.losses_follow_inertia,
                repeatability: Measured::new(0.0, self.loss_drift).into(),
                ..LossModel::stated(p.losses, self.losses)
            },
            tyre_slip: Measured::exact(0.0).into(),
            engine_per_drum: Measured::new(p.engine_per_drum, self.ratio * p.engine_per_drum)
                .into(),
            wheel: WheelModel {
                teeth_per_turn: p.teeth,
                missing_teeth: 0,
                on_engine: p.on_engine,
                tooth_errors: None,
            },
            second_wheel: None,
            load_cell: p.brake.map(|brake| LoadCellModel {
                newton_per_count: Measured::exact(brake.newton_per_count).into(),
                newton_per_count_squared: 0.0,
                bend_about_counts: 0.0,
                shape_half_width_n: self.shape_n,
                zero_counts: Measured::new(brake.zero_counts, self.zero_counts).into(),
                arm_m: Measured::new(brake.arm_m, self.arm * brake.arm_m).into(),
                sign: 1.0,
                on_engine: false,
                range_counts: None,
                calibrated_counts: None,
            }),
            cycles_per_engine_turn: p.cycles_per_engine_turn,
        }
    }

    /// One pull: the truth drawn, simulated, reduced and compared.
    fn run(&self, seed: u64, tally: &mut Tally) {
        let mut rng = fastrand::Rng::with_seed(seed);
        let mut truth = self.pull.clone().lasting(self.seconds);
        let mut model = self.model();
        let known = f64::INFINITY;
        let relative = |rng: &mut fastrand::Rng, u: f64| 1.0 + draw(rng, u, known).deviation;
        let inertia = relative(&mut rng, self.drum_inertia);
        truth.drum_inertia_kg_m2 *= inertia;
        truth.engine_inertia_kg_m2 *= relative(&mut rng, self.engine_inertia);
        truth.engine_per_drum *= relative(&mut rng, self.ratio);
        let loss = draw(&mut rng, self.losses, self.losses_freedom);
        let drift = draw(&mut rng, self.loss_drift, known).deviation;
        let with_inertia = if self.losses_follow_inertia {
            inertia
        } else {
            1.0
        };
        truth.losses = truth
            .losses
            .map(|c| c * with_inertia * (1.0 + loss.deviation) * (1.0 + drift));
        model.losses.covariance = LossModel::stated(self.pull.losses, loss.stated).covariance;
        if let (Some(brake), Some(cell)) = (&mut truth.brake, &mut model.load_cell) {
            let scale = draw(&mut rng, self.scale, self.scale_freedom);
            let value = brake.newton_per_count;
            cell.newton_per_count = assessed(value, scale.stated * value, self.scale_freedom);
            // What is hung on is known: the scale that was found deviates from the true one.
            brake.newton_per_count /= 1.0 + scale.deviation;
            brake.arm_m *= relative(&mut rng, self.arm);
            brake.zero_counts += draw(&mut rng, self.zero_counts, known).deviation;
            brake.shape_n = self.shape_n * (2.0 * rng.f64() - 1.0);
        }
        let air = self.air.map(|u| draw(&mut rng, u, known).deviation);
        let [pressure, temperature, humidity] = AIR;
        let Ok(true_air) = Air::new(
            pressure + air[0],
            temperature + air[1],
            (humidity + air[2]).clamp(0.0, 1.0),
        ) else {
            tally.failed += 1;
            return;
        };
        let correction = Correction::Iso1585SparkIgnition;
        let factor = correction.factor(&true_air).factor;
        let options = ReduceOptions {
            start_rad_per_s: truth.from_rpm * RAD_PER_S_PER_RPM,
            step_rpm: 100.0,
            from_rpm: None,
            to_rpm: None,
            correction,
            air: AirReadings {
                pressure_pa: Measured::new(pressure, self.air[0]),
                temperature_k: Measured::new(temperature, self.air[1]),
                relative_humidity: Measured::new(humidity, self.air[2]),
            },
        };
        let seen = truth.simulate(rng.u64(..));
        let raw = RawPull {
            tick_hz: 1.0 / truth.tick_s,
            edges: &seen.edges,
            second_edges: &[],
            force: &seen.force,
        };
        let curve = match reduce(&raw, &model, &options) {
            Ok(curve) => curve,
            Err(error) => {
                drop(writeln!(
                    std::io::stderr(),
                    "{} seed {seed}: {error}",
                    self.name
                ));
                tally.failed += 1;
                return;
            }
        };
        for point in curve.points.iter().filter(|p| p.trustworthy) {
            tally.take(point, truth.mean_torque_nm(point.rpm) * factor);
        }
    }
}

impl Tally {
    fn take(&mut self, point: &CurvePoint, true_nm: f64) {
        let error = (point.torque_nm - true_nm).abs();
        self.points += 1;
        self.covered += u64::from(error <= point.expanded_uncertainty_nm());
        self.expanded += point.expanded_uncertainty_nm() / point.torque_nm;
        let all = point.standard_uncertainty_nm(|_| true);
        self.timing += (point.standard_uncertainty_nm(|s| s == Source::Timing) / all).powi(2);
        self.pull_ratio += (error / all).powi(2);
    }

    fn add(mut self, other: &Self) -> Self {
        self.covered += other.covered;
        self.points += other.points;
        self.failed += other.failed;
        self.expanded += other.expanded;
        self.timing += other.timing;
        self.pull_ratio += other.pull_ratio;
        self
    }
}

fn measure(stated: &Stated, arguments: &Arguments) -> Tally {
    let bar = if std::io::stderr().is_terminal() {
        ProgressBar::new(u64::from(arguments.pulls))
    } else {
        ProgressBar::hidden()
    };
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos} of {len} pulls  {msg}  {eta}") {
        bar.set_style(style);
    }
    bar.set_message(stated.name);
    bar.enable_steady_tick(Duration::from_millis(250));
    let next = AtomicU32::new(0);
    let work = || {
        let mut tally = Tally::default();
        loop {
            let pull = next.fetch_add(1, Ordering::Relaxed);
            if pull >= arguments.pulls {
                return tally;
            }
            let seed = arguments.seed.wrapping_mul(1_000_003);
            stated.run(seed.wrapping_add(u64::from(pull)), &mut tally);
            bar.inc(1);
        }
    };
    let tally = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..arguments.jobs.max(1))
            .map(|_| scope.spawn(work))
            .collect();
        threads
            .into_iter()
            .filter_map(|thread| thread.join().ok())
            .fold(Tally::default(), |sum, tally| sum.add(&tally))
    });
    bar.finish_and_clear();
    tally
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let mut chosen = stands();
    if arguments.timing_alone {
        chosen.extend(timing_alone());
    }
    if let Some(name) = &arguments.stand {
        chosen.retain(|stated| stated.name == name);
    }
    let mut good = !chosen.is_empty();
    for stated in &chosen {
        let tally = measure(stated, &arguments);
        let points = (tally.points as f64).max(1.0);
        let coverage = 100.0 * tally.covered as f64 / points;
        let line = format!(
            "stand={} coverage_pct={coverage:.2} pulls={} points={} failed={} expanded_pct={:.3} timing_share_pct={:.1} error_over_u={:.3}",
            stated.name,
            arguments.pulls,
            tally.points,
            tally.failed,
            100.0 * tally.expanded / points,
            100.0 * tally.timing / points,
            (tally.pull_ratio / points).sqrt(),
        );
        good &= writeln!(std::io::stdout(), "{line}").is_ok() && tally.failed == 0;
        if !stated.name.starts_with("timing") {
            good &= (93.0..=97.0).contains(&coverage);
        }
    }
    if good {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
