//! What is doubtful about a pull, as reasons in words. Nothing here leaves a pull out: a person does.

use leverarm_config::display::{DisplayUnit, DisplayUnits};

use super::ComparedPull;
use super::curves::PullCurve;
use crate::plan::Window;

/// A sweep rate this far from the middle one makes another inertia torque, and another engine: wall
/// temperatures lag, the mixture does. Common practice, no source.
const SWEEP_SHARE: f64 = 0.1;
/// A start this much hotter or colder than the middle one, K. Common practice, no source.
const START_K: f64 = 10.0;
/// A load cell's zero that moved by this share of the peak torque.
const ZERO_SHARE: f64 = 0.005;

/// Reasons for each pull, in their order. `windows` are those of the test plan each pull was made
/// under; where there are none, the pulls are held against each other.
pub(super) fn reasons(
    pulls: &[ComparedPull],
    windows: &[Vec<Window>],
    units: &DisplayUnits,
) -> Vec<Vec<String>> {
    let curves: Vec<&PullCurve> = pulls.iter().map(|pull| &pull.curve).collect();
    let sweep = median(curves.iter().map(|curve| curve.sweep_rpm_per_s.abs()));
    let zero = median(curves.iter().filter_map(|curve| curve.zero_nm));
    let none = Vec::new();
    curves
        .iter()
        .enumerate()
        .map(|(i, curve)| {
            let own = pulls.get(i).map_or(&[][..], |pull| &pull.pull.reasons);
            let mut reasons = own.to_vec();
            if curve.raw.link_faults > 0 {
                reasons.push(format!(
                    "{} frames lost or damaged on the way",
                    curve.raw.link_faults
                ));
            }
            let windows = windows.get(i).unwrap_or(&none);
            reasons.extend(starts(curve, &curves, windows, units.temperature));
            if !curve.air_factor_within_range {
                reasons.push(format!(
                    "air correction {:.4} is outside its valid range",
                    curve.air_factor
                ));
            }
            if let Some(sweep) = sweep.filter(|sweep| *sweep > 0.0) {
                let own = curve.sweep_rpm_per_s;
                let down = curves.iter().filter(|it| it.sweep_rpm_per_s < 0.0).count();
                let is_rarer = if own < 0.0 {
                    2 * down <= curves.len()
                } else {
                    2 * down > curves.len()
                };
                if own != 0.0 && is_rarer && down > 0 {
                    let (one, others) = if own < 0.0 {
                        ("down", "up")
                    } else {
                        ("up", "down")
                    };
                    reasons.push(format!("swept {one}, others {others}"));
                }
                let off = own.abs() / sweep - 1.0;
                if off.abs() > SWEEP_SHARE {
                    reasons.push(format!(
                        "sweep rate {:.0} rpm/s, {:+.0} % from the others",
                        curve.sweep_rpm_per_s,
                        100.0 * off
                    ));
                }
            }
            if let (Some(own), Some(zero), Some((_, peak))) =
                (curve.zero_nm, zero, curve.peak_torque)
                && (own - zero).abs() > ZERO_SHARE * peak
            {
                let (off, unit) = (units.torque.difference(own - zero), units.torque.symbol);
                reasons.push(format!("load cell zero {off:+.2} {unit} from the others"));
            }
            reasons.extend(
                curve
                    .remarks
                    .iter()
                    .filter(|remark| remark.starts_with("slip:"))
                    .cloned(),
            );
            reasons
        })
        .collect()
}

/// Temperatures at the start, against the windows or the other pulls.
fn starts(
    curve: &PullCurve,
    all: &[&PullCurve],
    windows: &[Window],
    unit: DisplayUnit,
) -> Vec<String> {
    let starts = curve.raw.start_temperatures_k.iter();
    starts
        .filter_map(|(channel, start)| {
            let shown = format!("started with {channel} at {}", unit.text(*start, 0));
            if let Some(window) = windows.iter().find(|window| window.channel == *channel) {
                let inside = (window.low_si..=window.high_si).contains(start);
                return (!inside).then(|| {
                    format!(
                        "{shown}, outside {:.0} to {}",
                        unit.number(window.low_si),
                        unit.text(window.high_si, 0)
                    )
                });
            }
            let others = all.iter().flat_map(|other| &other.raw.start_temperatures_k);
            let middle = median(others.filter(|(name, _)| name == channel).map(|(_, k)| *k))?;
            let off = start - middle;
            (off.abs() > START_K).then(|| {
                let (off, symbol) = (unit.difference(off), unit.symbol);
                format!("{shown}, {off:+.0} {symbol} from the others")
            })
        })
        .collect()
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}
