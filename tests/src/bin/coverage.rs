//! Does the 95 % band of the torque cover the truth 95 % of the time?
//!
//! Per pull: draw what the stand truly is from what is stated about it (JCGM 101:2008, clause 5:
//! normal for stated standard uncertainties; where an uncertainty is of type A, the spread that is
//! stated scatters itself, as a standard deviation of so many degrees of freedom does), simulate the
//! pull, reduce it with the stated values, and count the points of the grid whose band holds the
//! true torque.
//!
//! Engines are real ones: their cycles vary by 1.5 % or more, they misfire, drives swing and have play,
//! sparks leave edges among the teeth. On the stands of which only that is uncertain, all else is known
//! exactly, so that nothing hides it.
//!
//! Prints one line a stand: `stand=NAME coverage_pct=… bias_pct=… …`. `coverage_u_pct` is the standard
//! uncertainty of the coverage, from how it scatters over the pulls; `bias_pct` the worse of the mean
//! errors of peak torque and mean torque, `bias_u_pct` its standard uncertainty; `averaged_coverage_pct`
//! and `averaged_peak_bias_pct` are those of means of three pulls (the band of the mean is their root
//! mean square over the root of three); `expanded_pct` the mean half-width in per cent of the torque,
//! `timing_share_pct` the share of timing in its variance. `cycle_cov_off_pct` is by how much the variation
//! of the cycles' work reads too high, in per cent of it, `cycle_cov_covered_pct` how often its 95 %
//! interval holds the true one. `live_coverage_pct` is how often the live band, made as the wheel turns from
//! what is past alone, holds the acceleration that the mean torque gives, `live_expanded_pct` the middle of its half-width
//! over the pulls. `hidden` pulls show no point. `memory_mb` is the most memory that reducing one of the
//! pulls held at once. `--timing-alone` adds stands with engines
//! whose cycles are all alike.

use std::io::{IsTerminal, Write};
use std::process::ExitCode;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use leverarm_filters::causal::CausalSpeed;
use leverarm_filters::teeth::{Tooth, ToothKind, ToothTracker};
use leverarm_tests::simulated_pull::{
    Brake, Coil, Cycles, Drive, DriveLoss, Pull, Seen, Shape, Sparks, TrueLoss, normal,
};
use leverarm_torque::air::{Air, Correction};
use leverarm_torque::curve::{CurvePoint, RAD_PER_S_PER_RPM, Source};
use leverarm_torque::reduce::{
    AirReadings, LoadCellModel, LossModel, RawPull, ReduceError, ReduceOptions, ReductionModel,
    StandBounds, WheelModel, reduce,
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
    /// Only drives that swing, have play and pull unevenly, other ones for every three pulls
    #[arg(long)]
    drawn_drives: bool,
    /// Only stands on which everything that real engines, drives and pickups do is drawn at once, other ones for
    /// every three pulls
    #[arg(long, conflicts_with = "drawn_drives")]
    drawn: bool,
    /// A line for each pull, on the standard error
    #[arg(long)]
    each: bool,
}

/// What is stated about a stand, and what its pulls are like.
#[derive(Debug, Clone)]
struct Stated {
    name: &'static str,
    pull: Pull,
    seconds: f64,
    /// Draws another one of its kind.
    drawn: Option<fn(u64) -> Self>,
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
    /// Slip of a tyre at full throttle, and how much more or less it may be.
    slip: (f64, f64),
    /// Pa, K, fraction.
    air: [f64; 3],
}

const AIR: [f64; 3] = [98_600.0, 297.0, 0.55];

fn pull() -> Pull {
    Pull::of_drum(8)
}

fn stands() -> Vec<Stated> {
    let base = || Stated {
        name: "drum_8_teeth",
        pull: pull(),
        seconds: 3.0,
        drawn: None,
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
        slip: (0.0, 0.0),
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

/// Real engines, drives and pickups, on stands that are known exactly.
fn real_engines() -> Vec<Stated> {
    let known = |name, seconds, pull| {
        Stated {
            name,
            pull,
            seconds,
            ..stands().remove(0)
        }
        .known_exactly()
    };
    let varying = |cov| Pull {
        cycles: Cycles::varying(cov),
        ..pull()
    };
    let misfiring = |misfire_probability, misfire_run| Pull {
        cycles: Cycles {
            misfire_probability,
            misfire_run,
            ..Cycles::varying(0.015)
        },
        ..pull()
    };
    let driven = |frequency_hz, damping_ratio, lash_rad| Pull {
        drive: Some(Drive {
            frequency_hz,
            damping_ratio,
            lash_rad,
            sprocket_teeth: 0,
        }),
        ..pull()
    };
    let correlated = |correlation| Pull {
        cycles: Cycles {
            correlation,
            ..Cycles::varying(0.02)
        },
        ..pull()
    };
    let noisy = |teeth, probability, edges| Pull {
        teeth,
        sparks: Sparks {
            probability,
            edges,
            spacing_s: 40e-6,
            at: 0.3,
        },
        missed_probability: 0.001,
        ..pull()
    };
    vec![
        known("cycles_1pct", 6.5, varying(0.01)),
        known("cycles_2pct_short", 2.5, varying(0.02)),
        known("cycles_4pct", 6.5, varying(0.04)),
        known(
            "level_2pct",
            5.0,
            Pull {
                shape: Shape::Level,
                ..varying(0.02)
            },
        ),
        known("cycles_correlated", 5.0, correlated(0.4)),
        known("cycles_anticorrelated", 5.0, correlated(-0.3)),
        known(
            "four_cylinders_dip",
            7.0,
            Pull {
                cycles: Cycles {
                    cylinders: 4,
                    ..Cycles::varying(0.02)
                },
                ripple: [1.2, 0.3, 0.0],
                shape: Shape::Dip,
                teeth: 3,
                ..pull()
            },
        ),
        known(
            "two_stroke_ignition_pulse",
            4.0,
            Pull {
                cycles: Cycles::varying(0.03),
                cycles_per_engine_turn: 1.0,
                teeth: 1,
                on_engine: true,
                ..pull()
            },
        ),
        known(
            "pipe_two_stroke",
            10.0,
            Pull {
                cycles: Cycles::varying(0.03),
                cycles_per_engine_turn: 1.0,
                ripple: [2.0, 1.8, 1.2],
                reciprocating_share: 0.06,
                shape: Shape::Pipe,
                ..pull()
            },
        ),
        // Every tooth comes at the same place in the working cycle: its swing looks like motion.
        known("in_step_3_teeth", 5.0, Pull { teeth: 3, ..pull() }),
        known("in_step_1_tooth", 5.0, Pull { teeth: 1, ..pull() }),
        // One that comes once in three to four cycles, each time at another place in them.
        known(
            "one_tooth",
            6.5,
            Pull {
                teeth: 1,
                engine_per_drum: 7.5,
                ripple: [2.5, 1.5, 0.8],
                ..pull()
            },
        ),
        known("misfires", 6.5, misfiring(0.01, 1.0)),
        known("misfires_in_bursts", 6.5, misfiring(0.004, 2.5)),
        known("shuffle_8hz", 6.5, driven(8.0, 0.03, 0.0)),
        // Tooth errors may take a part of a swing that goes with the wheel, which turns 8 times a second as the pull begins.
        known(
            "shuffle_36_teeth",
            6.5,
            Pull {
                teeth: 36,
                ..driven(8.0, 0.05, 0.0)
            },
        ),
        known("shuffle_12hz_lash", 5.0, driven(12.0, 0.08, 0.02)),
        // The cycles' frequency begins beside the drive's own, and the teeth keep step with them.
        known(
            "shuffle_25hz",
            6.5,
            Pull {
                ripple: [1.2, 0.3, 0.1],
                ..driven(25.0, 0.02, 0.0)
            },
        ),
        // A single, with the harmonics of a real one, on a chain that slackens between its firings and knocks.
        known(
            "chain_with_play",
            6.5,
            Pull {
                cycles: Cycles::varying(0.02),
                ripple: [2.3, 2.1, 1.7],
                ..driven(160.0, 0.06, 0.03)
            },
        ),
        // A tight chain on a small sprocket: its links come by 117 to 342 times a second, and meet the drive's own frequency.
        known(
            "chain_polygon",
            6.5,
            Pull {
                ripple: [2.3, 2.1, 1.7],
                drive: Some(Drive {
                    frequency_hz: 160.0,
                    damping_ratio: 0.06,
                    lash_rad: 0.0,
                    sprocket_teeth: 15,
                }),
                ..pull()
            },
        ),
        // A tyre on the drum, whose slip no pickup sees: what the stand file takes where nothing is said of it.
        Stated {
            slip: (0.025, 0.015),
            ..known(
                "tyre_that_slips",
                6.5,
                Pull {
                    cycles: Cycles::varying(0.015),
                    ..pull()
                },
            )
        },
        known(
            "coil_8_teeth",
            5.0,
            Pull {
                engine_per_drum: 5.37, // the cycles' swing can't look like the teeth's
                coil: Some(Coil {
                    threshold: 0.3,
                    runout: 0.25,
                }),
                ..pull()
            },
        ),
        known("sparks_8_teeth", 5.0, noisy(8, 0.02, 1)),
        known("sparks_60_teeth", 5.0, noisy(60, 0.1, 3)),
    ]
}

/// The same stands with everything but the timing known exactly, and cycles that are all alike.
fn timing_alone() -> Vec<Stated> {
    let names = ["timing_8_teeth", "timing_engine_pulse", "timing_60_teeth"];
    stands()
        .into_iter()
        .zip(names)
        .map(|(stated, name)| {
            let pull = Pull {
                cycles: Cycles::ALIKE,
                ..stated.pull.clone()
            };
            Stated {
                name,
                pull,
                ..stated.known_exactly()
            }
        })
        .collect()
}

/// A drive that swings and has play, on a stand that is known exactly: 5 to 40 Hz, damping ratio 0.02
/// to 0.15, 0.01 to 0.05 rad or none (common practice, no source).
fn drawn_drive(seed: u64, on_engine: bool) -> Stated {
    let mut rng = fastrand::Rng::with_seed(seed.wrapping_mul(0xd134_2543_de82_ef95));
    let mut between = |a: f64, b: f64| a * (b / a).powf(rng.f64());
    let drive = Drive {
        frequency_hz: between(5.0, 40.0),
        damping_ratio: between(0.02, 0.15),
        lash_rad: between(0.01, 0.05),
        sprocket_teeth: 0,
    };
    let engine_per_drum = between(2.5, 8.0);
    let drum_inertia_kg_m2 = between(0.5, 20.0);
    let engine_share = between(0.03, 0.2);
    let cov = between(0.01, 0.035);
    let seconds = between(2.5, 9.0);
    let ripple = [between(1.5, 2.8), between(0.2, 1.0), 0.3];
    let from_rpm = between(2000.0, 4000.0);
    let to_rpm = from_rpm * between(2.0, 3.2);
    let lash_rad = if rng.bool() { drive.lash_rad } else { 0.0 };
    Stated {
        name: if on_engine {
            "drawn_drives_engine_pickup"
        } else {
            "drawn_drives"
        },
        seconds,
        drawn: Some(if on_engine {
            |seed| drawn_drive(seed, true)
        } else {
            |seed| drawn_drive(seed, false)
        }),
        pull: Pull {
            drum_inertia_kg_m2,
            engine_inertia_kg_m2: engine_share * drum_inertia_kg_m2 / engine_per_drum.powi(2),
            engine_per_drum,
            losses: [0.8, 0.004, 2e-5].map(|c| c * drum_inertia_kg_m2 / 3.2),
            teeth: *rng
                .choice(if on_engine {
                    &[1, 2, 12, 24]
                } else {
                    &[4, 8, 16, 36]
                })
                .unwrap_or(&8),
            on_engine,
            ripple,
            from_rpm,
            to_rpm,
            shape: *rng
                .choice(&[Shape::Hump, Shape::Dip, Shape::Flat])
                .unwrap_or(&Shape::Hump),
            cycles: Cycles::varying(cov),
            drive: Some(Drive { lash_rad, ..drive }),
            ..pull()
        },
        ..stands().remove(0)
    }
    .known_exactly()
}

/// A chain's stiff drive, of 60 to 250 Hz, with play or without, that a sprocket of 13 to 40 teeth pulls (common
/// practice, no source), on a stand that is known exactly.
fn drawn_chain(seed: u64) -> Stated {
    let mut stated = drawn_drive(seed, false);
    let mut rng = fastrand::Rng::with_seed(seed.wrapping_mul(0x9e6c_63d0_676a_9a99));
    let harmonics = [2.3, 2.1, 1.7].map(|most| most * (0.4 + 0.6 * rng.f64()));
    stated.pull.ripple = harmonics;
    if let Some(drive) = &mut stated.pull.drive {
        drive.frequency_hz = 60.0 * (250.0_f64 / 60.0).powf(rng.f64());
        drive.sprocket_teeth = rng.u32(13..=40);
    }
    Stated {
        name: "drawn_chains",
        drawn: Some(drawn_chain),
        ..stated
    }
}

/// Everything at once, at the magnitudes that are common (practice, no source): cycles that vary by 1 to 4 %
/// and are correlated by up to 0.5, misfires of 0.1 to 3 %, singly or in bursts, a drive that swings or a rigid
/// one, sparks in 1 of 1000 to 1 of 50 cycles, teeth that are missed or badly cut, a coarse timer, curves with
/// steep places.
fn drawn_stand(seed: u64, on_engine: bool) -> Stated {
    let mut stated = drawn_drive(seed, on_engine);
    let mut rng = fastrand::Rng::with_seed(seed.wrapping_mul(0x2545_f491_4f6c_dd1d));
    let mut between = |a: f64, b: f64| a * (b / a).powf(rng.f64());
    let mut cycles = Cycles {
        cylinders: 1,
        cov: between(0.01, 0.04),
        correlation: between(0.5, 1.5) - 1.0,
        misfire_probability: between(0.001, 0.03),
        misfire_run: between(1.0, 2.5),
    };
    let sparks = Sparks {
        probability: between(0.001, 0.02),
        edges: 1,
        spacing_s: between(20e-6, 200e-6),
        at: between(0.05, 0.95),
    };
    let pull = &mut stated.pull;
    pull.jitter_s = between(0.5e-6, 10e-6);
    pull.tick_s = between(0.1e-6, 4e-6);
    pull.tooth_error_share = between(0.002, 0.03);
    pull.missed_probability = between(0.0002, 0.002);
    let seldom = |rng: &mut fastrand::Rng| rng.u8(..3) == 0;
    if !seldom(&mut rng) {
        cycles.misfire_probability = 0.0;
    }
    if seldom(&mut rng) {
        cycles.cylinders = 2 * rng.u32(1..=2);
    }
    if seldom(&mut rng) {
        pull.sparks = Sparks {
            edges: rng.u32(1..=3),
            ..sparks
        };
    }
    if !seldom(&mut rng) {
        pull.missed_probability = 0.0;
    }
    if rng.bool() {
        pull.drive = None;
    }
    let mut one_of = |choices: &[u32]| *rng.choice(choices).unwrap_or(&8);
    pull.teeth = if on_engine {
        one_of(&[1, 1, 2, 4, 12, 24, 36])
    } else {
        one_of(&[1, 2, 3, 4, 6, 8, 12, 16, 36, 60])
    };
    pull.cycles_per_engine_turn = 0.5 * f64::from(one_of(&[1, 1, 2]));
    pull.shape = *rng
        .choice(&[
            Shape::Hump,
            Shape::Dip,
            Shape::Flat,
            Shape::Pipe,
            Shape::SteepEnd,
        ])
        .unwrap_or(&Shape::Hump);
    pull.cycles = cycles;
    pull.reciprocating_share = 0.02 + 0.08 * rng.f64();
    stated.name = if on_engine {
        "drawn_engine_pickup"
    } else {
        "drawn"
    };
    stated.drawn = Some(if on_engine {
        |seed| drawn_stand(seed, true)
    } else {
        |seed| drawn_stand(seed, false)
    });
    stated
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
    refused: u64,
    /// Pulls of which no point is shown.
    hidden: u64,
    /// Most memory that reducing a pull held at once.
    memory_bytes: u64,
    expanded: f64,
    timing: f64,
    /// Error over standard uncertainty, squared.
    pull_ratio: f64,
    coverage: Moments,
    peak: Moments,
    mean: Moments,
    averaged_coverage: Moments,
    averaged_peak: Moments,
    cycle_cov: Moments,
    cycle_cov_covered: Moments,
    live_coverage: Moments,
    live_expanded: Moments,
}

/// Sums of something in per cent over pulls.
#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    count: f64,
    sum: f64,
    squares: f64,
}

impl Moments {
    fn take(&mut self, value: f64) {
        self.count += 1.0;
        self.sum += value;
        self.squares += value * value;
    }

    fn add(self, other: Self) -> Self {
        Self {
            count: self.count + other.count,
            sum: self.sum + other.sum,
            squares: self.squares + other.squares,
        }
    }

    fn mean(&self) -> f64 {
        self.sum / self.count.max(1.0)
    }

    /// Standard uncertainty of the mean.
    fn uncertainty(&self) -> f64 {
        let variance = self.squares / self.count.max(1.0) - self.mean().powi(2);
        (variance.max(0.0) / (self.count - 1.0).max(1.0)).sqrt()
    }
}

/// What a pull shows beside what is true.
struct Shown {
    /// Engine speed, torque, half-width of its band, true torque.
    points: Vec<(f64, f64, f64, f64)>,
    peak_pct: Option<f64>,
}

/// Pulls that make a mean.
const AVERAGED: u32 = 3;

impl Stated {
    /// The same with all constants known exactly.
    fn known_exactly(self) -> Self {
        Self {
            drum_inertia: 0.0,
            engine_inertia: 0.0,
            ratio: 0.0,
            losses: 0.0,
            losses_freedom: f64::INFINITY,
            loss_drift: 0.0,
            air: [0.0; 3],
            ..self
        }
    }

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
            tyre_slip: Measured::within(self.slip.0, self.slip.1).into(),
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
            bounds: StandBounds::default(),
        }
    }

    /// What the drive takes in other pulls on it.
    fn knocks(&self, seed: u64) -> Vec<DriveLoss> {
        let pull = self.pull.clone().lasting(self.seconds);
        pull.losses_by_knocks(seed)
    }

    /// Pulls by an engine that stays the same, each compared with the truth, and their mean.
    fn run(&self, seed: u64, knocks: &[DriveLoss], each: bool, tally: &mut Tally) {
        let shown: Vec<Shown> = (0..u64::from(AVERAGED))
            .filter_map(|pull| self.pull(seed.wrapping_add(pull), knocks, each, tally))
            .collect();
        let peaks: Option<Vec<f64>> = shown.iter().map(|s| s.peak_pct).collect();
        if let Some(peaks) = peaks.filter(|p| p.len() == AVERAGED as usize) {
            tally
                .averaged_peak
                .take(peaks.iter().sum::<f64>() / f64::from(AVERAGED));
            tally.take_mean(&shown);
        }
    }

    /// One pull: the truth drawn, simulated, reduced and compared.
    fn pull(
        &self,
        seed: u64,
        knocks: &[DriveLoss],
        each: bool,
        tally: &mut Tally,
    ) -> Option<Shown> {
        // Seeds in a row give draws that lie evenly, which are no chance.
        let mut rng = fastrand::Rng::with_seed(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let mut truth = self.pull.clone().lasting(self.seconds);
        let mut model = self.model();
        let known = f64::INFINITY;
        let relative = |rng: &mut fastrand::Rng, u: f64| 1.0 + draw(rng, u, known).deviation;
        let inertia = relative(&mut rng, self.drum_inertia);
        truth.drum_inertia_kg_m2 *= inertia;
        truth.engine_inertia_kg_m2 *= relative(&mut rng, self.engine_inertia);
        truth.engine_per_drum *= relative(&mut rng, self.ratio);
        if self.slip.1 > 0.0 {
            // Of the standard uncertainty that limits stand for (JCGM 100:2008, 4.3.7), as all else: the band
            // would always hold what never leaves them.
            let u = self.slip.1 / 3.0_f64.sqrt();
            truth.tyre_slip = self.slip.0 + draw(&mut rng, u, known).deviation;
        }
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
            return None;
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
            holds_only: false,
        };
        let seen = truth.simulate(rng.u64(..));
        let raw = RawPull {
            tick_hz: 1.0 / truth.tick_s,
            edges: &seen.edges,
            second_edges: &[],
            force: &seen.force,
        };
        let mut reduced = None;
        let held = allocation_counter::measure(|| reduced = Some(reduce(&raw, &model, &options)));
        tally.memory_bytes = tally.memory_bytes.max(held.bytes_max);
        let curve = match reduced? {
            Ok(curve) => curve,
            // Said so in words: the rise was broken off for too long.
            Err(ReduceError::ShortRise { .. }) => {
                tally.refused += 1;
                return None;
            }
            Err(error) => {
                drop(writeln!(
                    std::io::stderr(),
                    "{} seed {seed}: {error}",
                    self.name
                ));
                tally.failed += 1;
                return None;
            }
        };
        // Of all cylinders together.
        let true_cov = truth.cycles.cov / f64::from(truth.cycles.cylinders).sqrt();
        if let Some(cycles) = curve.cycles.as_ref().filter(|_| true_cov > 0.0) {
            let off = cycles.cov - true_cov;
            tally.cycle_cov.take(100.0 * off / true_cov);
            let covers = off.abs() <= cycles.expanded_uncertainty();
            tally
                .cycle_cov_covered
                .take(if covers { 100.0 } else { 0.0 });
        }
        if let Some((covered_pct, expanded_pct)) = live(&truth, &seen) {
            tally.live_coverage.take(covered_pct);
            tally.live_expanded.take(expanded_pct);
        }
        let lost = TrueLoss {
            own: &seen.lost_in_drive,
            others: knocks,
        };
        let true_nm = |rpm: f64| truth.mean_torque_nm(rpm) * (1.0 - lost.share(rpm)) * factor;
        let points: Vec<(f64, f64, f64, f64)> = curve
            .points
            .iter()
            .filter(|p| p.trustworthy)
            .map(|p| {
                (
                    p.rpm,
                    p.torque_nm,
                    p.expanded_uncertainty_nm(),
                    true_nm(p.rpm),
                )
            })
            .collect();
        for point in curve.points.iter().filter(|p| p.trustworthy) {
            tally.take(point, true_nm(point.rpm));
        }
        let (Some(first), Some(last)) = (points.first(), points.last()) else {
            tally.hidden += 1;
            if each {
                drop(writeln!(
                    std::io::stderr(),
                    "seed={seed} memory_mb={:.1} hidden {:?} {:?}",
                    held.bytes_max as f64 / 1e6,
                    truth.drive,
                    curve.remarks
                ));
            }
            return None;
        };
        let covered = points.iter().filter(|p| (p.1 - p.3).abs() <= p.2).count();
        let means = points
            .iter()
            .fold((0.0, 0.0), |sum, p| (sum.0 + p.1, sum.1 + p.3));
        tally
            .coverage
            .take(100.0 * covered as f64 / points.len() as f64);
        tally.mean.take(100.0 * (means.0 / means.1 - 1.0));
        // A peak is one of the part that is shown.
        let mut top_nm = 0.0_f64;
        let shown = |rpm: f64| {
            let beside = points.iter().map(|p| (p.0 - rpm).abs());
            beside.fold(f64::INFINITY, f64::min) <= 0.5 * options.step_rpm
        };
        let mut rpm = first.0;
        while rpm <= last.0 {
            if shown(rpm) {
                top_nm = top_nm.max(true_nm(rpm));
            }
            rpm += 5.0;
        }
        let peak_pct = curve
            .peak_torque
            .map(|peak| 100.0 * (peak.value / top_nm - 1.0));
        if let Some(peak_pct) = peak_pct {
            tally.peak.take(peak_pct);
        }
        if each {
            let n = points.len() as f64;
            let off = points
                .iter()
                .map(|p| (p.1 / p.3 - 1.0).powi(2))
                .sum::<f64>()
                / n;
            let band = points.iter().map(|p| (p.2 / p.3).powi(2)).sum::<f64>() / n;
            drop(writeln!(
                std::io::stderr(),
                "seed={seed} memory_mb={:.1} covered_pct={:.0} shown={} of {} rms_pct={:.2} expanded_pct={:.2} peak_pct={:+.2} teeth={}{} seconds={:.1} ratio={:.1} from_rpm={:.0} to_rpm={:.0} cov={:.4} of {:.4} {:?} shuffle={} noise_us={:.1} ends={:.0} outside:{}",
                held.bytes_max as f64 / 1e6,
                100.0 * covered as f64 / n,
                points.len(),
                curve.points.len(),
                100.0 * off.sqrt(),
                100.0 * band.sqrt(),
                peak_pct.unwrap_or(f64::NAN),
                truth.teeth,
                if truth.on_engine { "e" } else { "" },
                self.seconds,
                truth.engine_per_drum,
                truth.from_rpm,
                truth.to_rpm,
                curve.cycles.as_ref().map_or(f64::NAN, |c| c.cov),
                truth.cycles.cov,
                truth.drive,
                curve.shuffle.map_or_else(
                    || "-".to_owned(),
                    |s| format!(
                        "{:.1}Hz/{:?}/{:.2}",
                        s.frequency_hz, s.damping_ratio, s.swing
                    )
                ),
                1e6 * curve.timing_noise_s.unwrap_or(f64::NAN),
                last.0,
                points
                    .iter()
                    .filter(|p| (p.1 - p.3).abs() > p.2)
                    .map(|p| format!(
                        " {:.0}:{:+.2}/{:.2}",
                        p.0,
                        100.0 * (p.1 / p.3 - 1.0),
                        100.0 * p.2 / p.3
                    ))
                    .collect::<String>(),
            ));
        }
        Some(Shown { points, peak_pct })
    }
}

/// Shortest time between marks of the live band, s, and turns of the engine's own wheel, as the daemon has
/// them.
const LIVE_MARK_S: f64 = 0.02;
const LIVE_ENGINE_TURNS: i64 = 2;

/// How often the live band holds the acceleration that the mean torque gives, %, and the middle of its
/// half width, % of that: from when the throttle has opened to just before it closes.
fn live(truth: &Pull, seen: &Seen) -> Option<(f64, f64)> {
    let tick_hz = 1.0 / truth.tick_s;
    let engine_per_wheel = if truth.on_engine {
        1.0
    } else {
        truth.engine_per_drum
    };
    let turns = if truth.on_engine {
        LIVE_ENGINE_TURNS
    } else {
        1
    };
    let pitch_rad = std::f64::consts::TAU / f64::from(truth.teeth);
    let mut tracker = ToothTracker::new(tick_hz, truth.teeth, 0.5);
    let mut bank = CausalSpeed::new(Some(truth.cycles_per_engine_turn * engine_per_wheel));
    let mut marked: Option<Tooth> = None;
    let (mut covered, mut widths) = (0.0, Vec::new());
    for edge in &seen.edges {
        let tooth = tracker.push(*edge);
        let place = (tooth.tick as f64 / tick_hz, pitch_rad * tooth.index as f64);
        let before = match (tooth.kind, marked) {
            (ToothKind::Extra, _) => continue,
            (ToothKind::First | ToothKind::Relocked, _) | (_, None) => {
                bank.begin(place.0, place.1);
                marked = Some(tooth);
                continue;
            }
            (_, Some(before)) => before,
        };
        let is_whole = (tooth.index - before.index) % (turns * i64::from(truth.teeth)) == 0;
        let seconds = (tooth.tick - before.tick) as f64 / tick_hz;
        if !is_whole || seconds < LIVE_MARK_S || matches!(tooth.kind, ToothKind::Irregular { .. }) {
            continue;
        }
        bank.mark(place.0, place.1);
        marked = Some(tooth);
        let Some(motion) = bank.motion() else {
            continue;
        };
        let rpm = motion.omega_rad_per_s * engine_per_wheel / RAD_PER_S_PER_RPM;
        if rpm >= LIVE_TO * truth.to_rpm {
            break;
        }
        if rpm > LIVE_FROM * truth.from_rpm {
            let lost = seen.lost_in_drive.share(rpm);
            let true_alpha = truth.wheel_alpha_rad_per_s2(rpm, lost);
            let half = 1.96 * motion.alpha_uncertainty_rad_per_s2;
            covered += f64::from(u8::from(
                (motion.alpha_rad_per_s2 - true_alpha).abs() <= half,
            ));
            widths.push(100.0 * half / true_alpha);
        }
    }
    widths.sort_by(f64::total_cmp);
    let middle = *widths.get(widths.len() / 2)?;
    Some((100.0 * covered / widths.len() as f64, middle))
}

/// Shares of the speeds at which the throttle opens and closes, between which the live band is looked at.
const LIVE_FROM: f64 = 1.08;
const LIVE_TO: f64 = 0.985;

impl Tally {
    /// How many points of a mean of pulls its band covers.
    fn take_mean(&mut self, shown: &[Shown]) {
        let (mut points, mut covered) = (0.0, 0.0);
        for (rpm, ..) in shown.iter().take(1).flat_map(|s| &s.points) {
            let same: Vec<&(f64, f64, f64, f64)> = shown
                .iter()
                .filter_map(|s| s.points.iter().find(|p| (p.0 - rpm).abs() < 1.0))
                .collect();
            if same.len() < shown.len() {
                continue;
            }
            let n = same.len() as f64;
            let off = same.iter().map(|p| p.1 - p.3).sum::<f64>() / n;
            let band = same.iter().map(|p| p.2 * p.2).sum::<f64>().sqrt() / n;
            points += 1.0;
            covered += f64::from(u8::from(off.abs() <= band));
        }
        if points > 0.0 {
            self.averaged_coverage.take(100.0 * covered / points);
        }
    }

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
        self.refused += other.refused;
        self.hidden += other.hidden;
        self.memory_bytes = self.memory_bytes.max(other.memory_bytes);
        self.expanded += other.expanded;
        self.timing += other.timing;
        self.pull_ratio += other.pull_ratio;
        self.coverage = self.coverage.add(other.coverage);
        self.peak = self.peak.add(other.peak);
        self.mean = self.mean.add(other.mean);
        self.averaged_coverage = self.averaged_coverage.add(other.averaged_coverage);
        self.averaged_peak = self.averaged_peak.add(other.averaged_peak);
        self.cycle_cov = self.cycle_cov.add(other.cycle_cov);
        self.cycle_cov_covered = self.cycle_cov_covered.add(other.cycle_cov_covered);
        self.live_coverage = self.live_coverage.add(other.live_coverage);
        self.live_expanded = self.live_expanded.add(other.live_expanded);
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
    let knocks = match stated.drawn {
        Some(_) => Vec::new(), // another for each stand
        None => stated.knocks(arguments.seed),
    };
    let next = AtomicU32::new(0);
    let work = || {
        let mut tally = Tally::default();
        loop {
            let pull = next.fetch_add(AVERAGED, Ordering::Relaxed);
            if pull >= arguments.pulls {
                return tally;
            }
            let seed = arguments
                .seed
                .wrapping_mul(1_000_003)
                .wrapping_add(u64::from(pull));
            match stated.drawn {
                Some(draw) => {
                    let drawn = draw(seed);
                    drawn.run(seed, &drawn.knocks(seed), arguments.each, &mut tally);
                }
                None => stated.run(seed, &knocks, arguments.each, &mut tally),
            }
            bar.inc(u64::from(AVERAGED));
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
    chosen.extend(real_engines());
    if arguments.timing_alone {
        chosen.extend(timing_alone());
    }
    if arguments.drawn_drives {
        chosen = vec![drawn_drive(0, false), drawn_drive(0, true), drawn_chain(0)];
    }
    if arguments.drawn {
        chosen = vec![drawn_stand(0, false), drawn_stand(0, true)];
    }
    if let Some(name) = &arguments.stand {
        chosen.retain(|stated| stated.name == name);
    }
    let mut good = !chosen.is_empty();
    for stated in &chosen {
        let tally = measure(stated, &arguments);
        let points = (tally.points as f64).max(1.0);
        let coverage = 100.0 * tally.covered as f64 / points;
        let bias = if tally.peak.mean().abs() > tally.mean.mean().abs() {
            tally.peak
        } else {
            tally.mean
        };
        let line = format!(
            "stand={} coverage_pct={coverage:.2} bias_pct={:+.3} coverage_u_pct={:.2} bias_u_pct={:.3} peak_bias_pct={:+.3} mean_bias_pct={:+.3} averaged_coverage_pct={:.1} averaged_peak_bias_pct={:+.3} cycle_cov_off_pct={:+.1} cycle_cov_covered_pct={:.1} live_coverage_pct={:.1} live_expanded_pct={:.2} pulls={} points={} failed={} refused={} hidden={} expanded_pct={:.3} timing_share_pct={:.1} error_over_u={:.3} memory_mb={:.1}",
            stated.name,
            bias.mean(),
            tally.coverage.uncertainty(),
            bias.uncertainty(),
            tally.peak.mean(),
            tally.mean.mean(),
            tally.averaged_coverage.mean(),
            tally.averaged_peak.mean(),
            tally.cycle_cov.mean(),
            tally.cycle_cov_covered.mean(),
            tally.live_coverage.mean(),
            tally.live_expanded.mean(),
            tally.coverage.count,
            tally.points,
            tally.failed,
            tally.refused,
            tally.hidden,
            100.0 * tally.expanded / points,
            100.0 * tally.timing / points,
            (tally.pull_ratio / points).sqrt(),
            tally.memory_bytes as f64 / 1e6,
        );
        good &= writeln!(std::io::stdout(), "{line}").is_ok()
            && tally.failed == 0
            && 50 * (tally.refused + tally.hidden) <= u64::from(arguments.pulls);
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
