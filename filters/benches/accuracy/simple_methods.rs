//! What one would try first, for comparison: tooth-by-tooth differences with a low-pass, and a
//! fixed-window Savitzky–Golay derivative of the tooth-by-tooth speed.

use leverarm_filters::{live, savgol, teeth::ToothTrain};

use crate::pull_model::Pull;

fn speeds(train: &ToothTrain, teeth: u32) -> Vec<(f64, f64)> {
    let pitch = std::f64::consts::TAU / f64::from(teeth);
    (1..train.time_s.len())
        .map(|k| {
            let step = (train.index[k] - train.index[k - 1]) as f64;
            let dt = train.time_s[k] - train.time_s[k - 1];
            (
                0.5 * (train.time_s[k] + train.time_s[k - 1]),
                pitch * step / dt,
            )
        })
        .collect()
}

/// (omega, alpha) by differences of the tooth-by-tooth speed, low-passed at 3 Hz without phase shift.
pub(crate) fn two_point(train: &ToothTrain, teeth: u32) -> Vec<(f64, f64)> {
    let speeds = speeds(train, teeth);
    let alpha: Vec<f64> = speeds
        .windows(2)
        .map(|w| (w[1].1 - w[0].1) / (w[1].0 - w[0].0))
        .collect();
    let omega: Vec<f64> = speeds.windows(2).map(|w| 0.5 * (w[0].1 + w[1].1)).collect();
    let rate = alpha.len() as f64 / (speeds[speeds.len() - 1].0 - speeds[0].0);
    let smooth = |x: &[f64]| live::zero_phase_low_pass(x, 3.0, rate).unwrap_or_else(|_| x.to_vec());
    smooth(&omega).into_iter().zip(smooth(&alpha)).collect()
}

/// (omega, alpha) by a quadratic Savitzky–Golay derivative over a tenth of the samples.
pub(crate) fn savgol(train: &ToothTrain, teeth: u32) -> Vec<(f64, f64)> {
    let speeds = speeds(train, teeth);
    let half = (speeds.len() / 20).max(3);
    let values: Vec<f64> = speeds.iter().map(|s| s.1).collect();
    let smooth = savgol::coefficients(half, 2, 0);
    let slope = savgol::coefficients(half, 2, 1);
    (half..speeds.len() - half)
        .map(|k| {
            let window = &values[k - half..=k + half];
            let dot = |c: &[f64]| c.iter().zip(window).map(|(c, v)| c * v).sum::<f64>();
            let per_sample = (speeds[k + half].0 - speeds[k - half].0) / (2 * half) as f64;
            (dot(&smooth), dot(&slope) / per_sample)
        })
        .collect()
}

/// Values of a method on the pull's grid of speeds, by interpolation.
pub(crate) fn on_grid(samples: &[(f64, f64)], pull: &Pull) -> Vec<Option<f64>> {
    let mut sorted: Vec<(f64, f64)> = samples.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    pull.grid_rpm()
        .into_iter()
        .map(|rpm| {
            let omega = pull.wheel_omega(rpm);
            let above = sorted.partition_point(|s| s.0 < omega);
            let (a, b) = (sorted.get(above.checked_sub(1)?)?, sorted.get(above)?);
            Some(a.1 + (b.1 - a.1) * (omega - a.0) / (b.0 - a.0))
        })
        .collect()
}
