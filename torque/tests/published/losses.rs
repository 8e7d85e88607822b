//! Coast-down against the closed solution of its own equation of motion.

use leverarm_torque::calibration::losses::{
    AccelerationSample, LossError, Losses, SpeedSample, Terms,
};
use leverarm_torque::uncertainty::Measured;

use crate::common::{Noise, close, close_rel};

const INERTIA: Measured = Measured::new(2.35, 0.0235);
const C: [f64; 3] = [0.5, 0.002, 2e-5];

fn loss_nm(omega: f64) -> f64 {
    C[0] + omega * (C[1] + omega * C[2])
}

/// Time to coast from one speed to another: ∫ −I dω/(c₀ + c₁ω + c₂ω²), with
/// ∫ dx/(x² + D²) = atan(x/D)/D (any table of integrals) and x = ω + c₁/2c₂.
fn coasting_time_s(from: f64, to: f64) -> f64 {
    let shift = C[1] / (2.0 * C[2]);
    let d = (C[0] / C[2] - shift * shift).sqrt();
    let atan = |omega: f64| ((omega + shift) / d).atan();
    INERTIA.value / (C[2] * d) * (atan(from) - atan(to))
}

fn grid(from: f64, to: f64, count: u32) -> impl Iterator<Item = f64> {
    (0..count).map(move |i| from + (to - from) * f64::from(i) / f64::from(count - 1))
}

/// Speeds evenly spread from 300 down to 50 rad/s, at their exact times.
fn speeds(count: u32, mut noise: impl FnMut() -> f64) -> Vec<SpeedSample> {
    grid(300.0, 50.0, count)
        .map(|omega| SpeedSample {
            time_s: coasting_time_s(300.0, omega),
            omega_rad_per_s: omega + noise(),
        })
        .collect()
}

fn accelerations(
    from: f64,
    to: f64,
    count: u32,
    mut noise: impl FnMut() -> f64,
) -> Vec<AccelerationSample> {
    grid(from, to, count)
        .map(|omega| AccelerationSample {
            omega_rad_per_s: omega,
            alpha_rad_per_s2: -loss_nm(omega) / INERTIA.value + noise(),
        })
        .collect()
}

fn from_accelerations(samples: &[AccelerationSample], terms: Terms) -> Result<Losses, LossError> {
    Losses::from_accelerations(samples, INERTIA, terms, None)
}

#[test]
fn exact_accelerations_give_the_losses_back() {
    let losses =
        from_accelerations(&accelerations(300.0, 50.0, 50, || 0.0), Terms::Quadratic).unwrap();
    for (found, expected) in losses.coefficients().iter().zip(C) {
        close_rel("coefficient", *found, expected, 1e-9);
    }
    for omega in [50.0, 123.0, 300.0, 400.0] {
        close_rel("torque", losses.torque_nm(omega), loss_nm(omega), 1e-10);
        // Nothing scattered: what is left is the inertia's 1 %.
        close_rel(
            "u",
            losses.torque(omega).relative_standard_uncertainty(),
            0.01,
            1e-6,
        );
    }
    assert_eq!(losses.omega_range_rad_per_s(), (50.0, 300.0));
}

#[test]
fn exact_speeds_give_the_losses_back() {
    let losses =
        Losses::from_speeds(&speeds(2_000, || 0.0), INERTIA, Terms::Quadratic, None).unwrap();
    for omega in [50.0, 123.0, 300.0] {
        close_rel("torque", losses.torque_nm(omega), loss_nm(omega), 1e-5);
    }
}

#[test]
fn a_heavy_drum_coasts_longer() {
    // A million times the inertia takes a million times as long and loses the same torque.
    let slow: Vec<SpeedSample> = speeds(2_000, || 0.0)
        .into_iter()
        .map(|s| SpeedSample {
            time_s: 1e6 * s.time_s,
            ..s
        })
        .collect();
    let heavy = Measured::exact(1e6 * INERTIA.value);
    let losses = Losses::from_speeds(&slow, heavy, Terms::Quadratic, None).unwrap();
    close_rel("torque", losses.torque_nm(123.0), loss_nm(123.0), 1e-5);
}

#[test]
fn fewer_terms() {
    // Constant friction: the speed falls along a straight line, by 3 rad/s each second.
    let straight: Vec<SpeedSample> = (0..100_u32)
        .map(f64::from)
        .map(|i| SpeedSample {
            time_s: 0.5 * i,
            omega_rad_per_s: 200.0 - 1.5 * i,
        })
        .collect();
    let losses = Losses::from_speeds(&straight, INERTIA, Terms::Constant, None).unwrap();
    close_rel("c0", losses.coefficients()[0], 3.0 * INERTIA.value, 1e-9);
    assert_eq!(losses.coefficients()[1..], [0.0, 0.0]);
    // Constant and viscous: (ω + c₀/c₁) decays exponentially with I/c₁.
    let (c0, c1) = (0.4, 0.047);
    let decay: Vec<SpeedSample> = (0..1000_u32)
        .map(f64::from)
        .map(|i| {
            let time_s = 0.05 * i;
            let omega = (200.0 + c0 / c1) * (-c1 / INERTIA.value * time_s).exp() - c0 / c1;
            SpeedSample {
                time_s,
                omega_rad_per_s: omega,
            }
        })
        .collect();
    let losses = Losses::from_speeds(&decay, INERTIA, Terms::Linear, None).unwrap();
    close_rel("c0", losses.coefficients()[0], c0, 1e-4);
    close_rel("c1", losses.coefficients()[1], c1, 1e-5);
    assert_eq!(losses.terms(), Terms::Linear);
}

/// At each speed, how often the true loss is within the scatter's own 95 % interval, of 400 coast-downs.
fn coverage<const N: usize>(omegas: [f64; N], fit: impl Fn(u64) -> Losses) -> [u32; N] {
    let mut covered = [0; N];
    for seed in 0..400 {
        let losses = fit(seed);
        for (covered, omega) in covered.iter_mut().zip(omegas) {
            let t = losses.band_nm(omega) / losses.torque(omega).standard_uncertainty;
            let half_width = t * losses.fit_standard_uncertainty_nm(omega);
            let off = (losses.torque_nm(omega) - loss_nm(omega)).abs();
            *covered += u32::from(off <= half_width);
        }
    }
    covered
}

/// 95 % of 400 less and plus three standard deviations of the binomial.
const COVERED: std::ops::RangeInclusive<u32> = 367..=393;

#[test]
fn the_band_covers_the_truth() {
    let omegas = [60.0, 150.0, 300.0];
    let covered = coverage(omegas, |seed| {
        let mut noise = Noise::new(seed);
        let samples = accelerations(300.0, 50.0, 200, || 0.05 * noise.normal());
        from_accelerations(&samples, Terms::Quadratic).unwrap()
    });
    assert!(
        covered.iter().all(|covered| COVERED.contains(covered)),
        "accelerations at {omegas:?}: {covered:?} of 400"
    );
    let covered = coverage(omegas, |seed| {
        let mut noise = Noise::new(seed);
        let samples = speeds(500, || 0.1 * noise.normal());
        Losses::from_speeds(&samples, INERTIA, Terms::Quadratic, None).unwrap()
    });
    // A drag that wanders by less than the noise would show can't be ruled out.
    assert!(
        covered.iter().all(|covered| covered >= COVERED.start()),
        "speeds at {omegas:?}: {covered:?} of 400"
    );
}

/// Coasts of a drum whose drag wanders by 3 %, over `time_s` (common practice, no source): what it takes stays taken, and the
/// residuals of the speeds are its running sum.
fn wandering(seed: u64, time_s: f64) -> Vec<SpeedSample> {
    let mut noise = Noise::new(seed);
    let (dt, mut share, mut omega) = (0.05, 0.03 * noise.normal(), 300.0);
    let kept = f64::exp(-dt / time_s);
    let mut samples = Vec::new();
    for step in 0..9_000_u32 {
        if step % 10 == 0 {
            samples.push(SpeedSample {
                time_s: dt * f64::from(step),
                omega_rad_per_s: omega + 0.003 * noise.normal(),
            });
        }
        let middle = omega - 0.5 * dt * loss_nm(omega) / INERTIA.value;
        omega -= dt * loss_nm(middle) * (1.0 + share) / INERTIA.value;
        share = kept * share + 0.03 * (1.0 - kept * kept).sqrt() * noise.normal();
    }
    samples
}

/// The band holds, and is not much wider than it has to be: of errors alone it would be 1.96 times their rms.
#[test]
fn the_band_covers_the_truth_where_the_drag_wanders() {
    let omega = 150.0;
    for time_s in [1.0, 10.0] {
        let (mut covered, mut squares, mut widths) = (0, 0.0, 0.0);
        for seed in 0..200 {
            let samples = wandering(seed, time_s);
            let losses = Losses::from_speeds(&samples, INERTIA, Terms::Quadratic, None).unwrap();
            let u = losses.fit_standard_uncertainty_nm(omega);
            let half_width = u * losses.band_nm(omega) / losses.torque(omega).standard_uncertainty;
            let error = losses.torque_nm(omega) - loss_nm(omega);
            covered += u32::from(error.abs() <= half_width);
            squares += error * error / 200.0;
            widths += half_width / 200.0;
        }
        // 95 % of 200 less three standard deviations of the binomial.
        assert!(covered >= 180, "{time_s} s: {covered} of 200");
        let factor = widths / squares.sqrt();
        assert!((1.8..4.0).contains(&factor), "{time_s} s: {factor}");
    }
}

#[test]
fn smoothed_samples_count_for_fewer() {
    // Noise averaged over 8 neighbours: taken as independent, the band would cover far less.
    let smoothed = |seed| {
        let mut noise = Noise::new(seed);
        let raw: Vec<f64> = (0..407).map(|_| 0.1 * noise.normal()).collect();
        let mut averages = raw.windows(8).map(|w| w.iter().sum::<f64>() / 8.0);
        let samples = accelerations(300.0, 50.0, 400, || averages.next().unwrap());
        from_accelerations(&samples, Terms::Quadratic).unwrap()
    };
    let [covered] = coverage([150.0], smoothed);
    assert!(covered >= *COVERED.start(), "{covered} of 400");
    let losses = smoothed(1);
    assert!(
        losses.degrees_of_freedom() < 60.0,
        "{}",
        losses.degrees_of_freedom()
    );
}

#[test]
fn a_narrow_range_of_speed_is_refused() {
    let mut noise = Noise::new(7);
    let samples = accelerations(210.0, 200.0, 100, || 0.02 * noise.normal());
    let error = from_accelerations(&samples, Terms::Quadratic).unwrap_err();
    assert!(
        matches!(error, LossError::NotIdentifiable { .. }),
        "{error}"
    );
    assert!(
        error
            .to_string()
            .contains("coast over a wider range of speed"),
        "{error}"
    );
    // One number is all it can give, and that it does.
    let constant = from_accelerations(&samples, Terms::Constant).unwrap();
    close("mean loss", constant.torque_nm(205.0), loss_nm(205.0), 0.03);
    // A single speed does not even allow the arithmetic.
    let one_speed = vec![samples[0]; 50];
    let error = from_accelerations(&one_speed, Terms::Linear).unwrap_err();
    assert!(matches!(error, LossError::Fit(_)), "{error}");
}

#[test]
fn a_driven_drum_is_refused() {
    // Speeding up while "coasting", or a sign mixed up.
    let rising: Vec<AccelerationSample> = accelerations(300.0, 50.0, 50, || 0.0)
        .iter()
        .map(|s| AccelerationSample {
            alpha_rad_per_s2: -s.alpha_rad_per_s2,
            ..*s
        })
        .collect();
    let error = from_accelerations(&rising, Terms::Quadratic).unwrap_err();
    assert!(matches!(error, LossError::Negative { .. }), "{error}");
    // An idling engine that still pulls at low speed, braked above.
    let mixed: Vec<AccelerationSample> = grid(50.0, 300.0, 100)
        .map(|omega| AccelerationSample {
            omega_rad_per_s: omega,
            alpha_rad_per_s2: -0.01 * (omega - 80.0),
        })
        .collect();
    let error = from_accelerations(&mixed, Terms::Linear).unwrap_err();
    let LossError::Negative {
        omega_rad_per_s, ..
    } = error
    else {
        panic!("{error}")
    };
    close("where", omega_rad_per_s, 50.0, 0.0);
}

#[test]
fn a_model_that_does_not_follow_is_widened() {
    // A clutch that lets go half-way: two levels of loss, fitted by one curve.
    let samples: Vec<AccelerationSample> = grid(300.0, 50.0, 200)
        .map(|omega| AccelerationSample {
            omega_rad_per_s: omega,
            alpha_rad_per_s2: if omega > 180.0 { -3.0 } else { -1.0 },
        })
        .collect();
    let error = from_accelerations(&samples, Terms::Quadratic).unwrap_err();
    assert!(
        matches!(error, LossError::NotIdentifiable { .. }),
        "{error}"
    );
    // Its mean is still a mean, with a band as wide as the two levels are apart. Taken as 200
    // independent samples it would be a twentieth of that.
    let losses = from_accelerations(&samples, Terms::Constant).unwrap();
    assert!(
        losses.band_nm(180.0) > INERTIA.value,
        "{}",
        losses.band_nm(180.0)
    );
}

#[test]
fn bad_samples_are_named() {
    let good = speeds(50, || 0.0);
    let fit = |samples: &[SpeedSample], inertia| {
        Losses::from_speeds(samples, inertia, Terms::Quadratic, None).unwrap_err()
    };
    let mut stopped = good.clone();
    stopped[49].omega_rad_per_s = 0.0;
    assert_eq!(fit(&stopped, INERTIA), LossError::NotTurning { found: 0.0 });
    let mut back = good.clone();
    back[1].time_s = 0.0;
    assert_eq!(
        fit(&back, INERTIA),
        LossError::TimeNotRising {
            before: 0.0,
            found: 0.0
        }
    );
    assert_eq!(
        fit(&good, Measured::exact(0.0)),
        LossError::BadInertia { found: 0.0 }
    );
    assert!(matches!(fit(&good[..4], INERTIA), LossError::Fit(_)));
    assert!(matches!(fit(&[], INERTIA), LossError::Fit(_)));
}

#[test]
fn changed_bearings_are_flagged() {
    let coast = |seed, factor: f64, kelvin| {
        let mut noise = Noise::new(seed);
        let samples: Vec<AccelerationSample> =
            accelerations(300.0, 50.0, 300, || 0.05 * noise.normal())
                .iter()
                .map(|s| AccelerationSample {
                    alpha_rad_per_s2: s.alpha_rad_per_s2
                        - (factor - 1.0) * loss_nm(s.omega_rad_per_s) / INERTIA.value,
                    ..*s
                })
                .collect();
        Losses::from_accelerations(&samples, INERTIA, Terms::Quadratic, Some(kelvin)).unwrap()
    };
    let earlier = coast(1, 1.0, 300.0);
    let worn = coast(2, 1.3, 302.0).change_since(&earlier).unwrap();
    assert!(worn.changed, "{worn:?}");
    assert!(worn.difference_nm > 0.0);
    assert_eq!(worn.temperature_note(), None);
    let warm = coast(3, 1.0, 320.0).change_since(&earlier).unwrap();
    assert!(warm.temperature_note().unwrap().contains("+20 K"));
    // Unchanged bearings are called changed about once in twenty, though the clearest difference
    // anywhere along the curve is looked at.
    let flagged: u32 = (100..500)
        .map(|seed| {
            let change = coast(seed, 1.0, 300.0).change_since(&coast(seed + 1000, 1.0, 300.0));
            u32::from(change.unwrap().changed)
        })
        .sum();
    assert!((4..=33).contains(&flagged), "{flagged} of 400");
    // No speed in common.
    let mut noise = Noise::new(5);
    let low = accelerations(45.0, 10.0, 200, || 0.002 * noise.normal());
    let low = from_accelerations(&low, Terms::Linear).unwrap();
    assert_eq!(low.change_since(&earlier), None);
}

#[test]
fn temperature_unknown_is_said() {
    let losses =
        from_accelerations(&accelerations(300.0, 50.0, 50, || 0.0), Terms::Quadratic).unwrap();
    let change = losses.change_since(&losses).unwrap();
    assert!(!change.changed, "{change:?}");
    assert!(change.temperature_note().unwrap().contains("not recorded"));
}
