//! A curve as a table, JSON and a plot.

use leverarm_analysis::comparison::Rows;
use leverarm_config::display::DisplayUnits;
use leverarm_torque::curve::{Curve, CurvePoint, How, Peak, RatioCheck};
use serde_json::{Value, json};

use super::UnitsChoice;
use super::terminal::Table;
use leverarm_analysis::reduction::CyclesBody;
use leverarm_plot::{Axis, Mark, Panel, Plot, Series};

pub(super) fn units(of_stand: DisplayUnits, choice: Option<UnitsChoice>) -> DisplayUnits {
    match choice {
        None => of_stand,
        Some(UnitsChoice::Si) => DisplayUnits::SI,
        Some(UnitsChoice::Us) => DisplayUnits::US,
    }
}

/// Torque and power over engine speed, each with its expanded uncertainty, and the width of the smallest
/// feature that shows there.
pub(super) fn table(curve: &Curve, units: &DisplayUnits) -> Table {
    let torque = units.torque;
    let power = units.power;
    let mut table = Table::new([
        "rpm",
        &format!("torque {}", torque.symbol),
        "± 95 %",
        &format!("power {}", power.symbol),
        "± 95 %",
        "feature rpm",
        "",
    ]);
    for point in &curve.points {
        let expanded = point.expanded_uncertainty_nm();
        let share = if point.torque_nm.abs() > 0.0 {
            expanded / point.torque_nm.abs()
        } else {
            0.0
        };
        table.add_row([
            format!("{:.0}", point.rpm),
            format!("{:.2}", torque.number(point.torque_nm)),
            format!("{:.2}", torque.difference(expanded)),
            format!("{:.2}", power.number(point.power_w())),
            format!("{:.2}", power.difference(share * point.power_w().abs())),
            point
                .resolution_rpm
                .map_or_else(String::new, |width| format!("{width:.0}")),
            said_of(point, units),
        ]);
    }
    table.align_right(0..6);
    table
}

/// What sets a point apart, in words.
fn said_of(point: &CurvePoint, units: &DisplayUnits) -> String {
    let mut said = Vec::new();
    if !point.trustworthy {
        said.push("not trustworthy".to_owned());
    }
    if let Some(check) = point.ratio_check.filter(RatioCheck::is_off) {
        said.push(format!("ratio {:+.1} %", 100.0 * check.deviation));
        if let Some(watt) = point.slip_power_w {
            said.push(format!("slip takes {}", units.power.text(watt, 2)));
        }
    }
    if let How::Steady { seconds } = point.how {
        said.push(format!("held {seconds:.1} s"));
    }
    said.join(", ")
}

pub(super) fn peak_text(peak: Option<Peak>, unit: leverarm_config::display::DisplayUnit) -> String {
    peak.map_or_else(
        || "none".to_owned(),
        |peak| format!("{} at {:.0} rpm", unit.text(peak.value, 2), peak.rpm),
    )
}

/// Arrays over the grid; values that are not trustworthy are null.
pub(super) fn json(curve: &Curve) -> Value {
    let shown = |value: f64, trustworthy: bool| {
        if trustworthy {
            json!(value)
        } else {
            Value::Null
        }
    };
    let column = |f: &dyn Fn(&CurvePoint) -> f64| -> Vec<Value> {
        curve
            .points
            .iter()
            .map(|p| shown(f(p), p.trustworthy))
            .collect()
    };
    let rpm: Vec<f64> = curve.points.iter().map(|p| p.rpm).collect();
    let peak = |peak: Option<Peak>| peak.map(|p| (p.value, p.rpm)).unzip();
    let (peak_torque_nm, peak_torque_rpm) = peak(curve.peak_torque);
    let (peak_power_w, peak_power_rpm) = peak(curve.peak_power);
    json!({
        "rpm": rpm,
        "torque_nm": column(&|p| p.torque_nm),
        "power_w": column(&CurvePoint::power_w),
        "measured_torque_nm": column(&|p| p.measured_torque_nm),
        "expanded_uncertainty_nm": column(&CurvePoint::expanded_uncertainty_nm),
        "pull_to_pull_uncertainty_nm":
            column(&CurvePoint::pull_to_pull_uncertainty_nm),
        "slipping": curve.points.iter().map(CurvePoint::is_slipping).collect::<Vec<bool>>(),
        "ratio_deviation": curve.points.iter()
            .map(|p| p.ratio_check.map(|check| check.deviation)).collect::<Vec<Option<f64>>>(),
        "slip_power_w": curve.points.iter().map(|p| p.slip_power_w).collect::<Vec<Option<f64>>>(),
        "held_s": curve.points.iter().map(|p| match p.how {
            How::Steady { seconds } => Some(seconds),
            How::Sweep => None,
        }).collect::<Vec<Option<f64>>>(),
        "trustworthy": curve.points.iter().map(|p| p.trustworthy).collect::<Vec<bool>>(),
        "peak_torque_nm": peak_torque_nm,
        "peak_torque_rpm": peak_torque_rpm,
        "peak_power_w": peak_power_w,
        "peak_power_rpm": peak_power_rpm,
        "air_factor": curve.factor.factor,
        "air_factor_within_range": curve.factor.is_in_range(),
        "resolution_rpm": curve.points.iter().map(|p| p.resolution_rpm).collect::<Vec<Option<f64>>>(),
        "cycles": curve.cycles.as_ref().map(CyclesBody::from),
        "shuffle": curve.shuffle,
        "timing_noise_s": curve.timing_noise_s,
        "sweep_rpm_per_s": curve.sweep_rpm_per_s,
        "remarks": curve.remarks,
    })
}

/// A curve with its name, for a plot.
pub(super) struct Named<'a> {
    pub(super) label: String,
    pub(super) curve: &'a Curve,
    pub(super) style: usize,
    /// Whether to draw band and peak.
    pub(super) detailed: bool,
}

/// Torque above, power below, over engine speed.
pub(super) fn plot(
    title: &str,
    subtitle: &str,
    curves: &[Named<'_>],
    units: &DisplayUnits,
    notes: Vec<String>,
) -> Plot {
    let mut torque = Panel {
        y: Axis::new("Torque", units.torque.symbol),
        ..Panel::default()
    };
    let mut power = Panel {
        y: Axis::new("Power", units.power.symbol),
        ..Panel::default()
    };
    for named in curves {
        let mut series = (Vec::new(), Vec::new());
        let mut bands = (Vec::new(), Vec::new());
        for point in &named.curve.points {
            let hide = |value: f64| if point.trustworthy { value } else { f64::NAN };
            let nm = hide(units.torque.number(point.torque_nm));
            let w = hide(units.power.number(point.power_w()));
            let share = point.expanded_uncertainty_nm() / point.torque_nm.abs().max(1e-9);
            series.0.push((point.rpm, nm));
            series.1.push((point.rpm, w));
            bands
                .0
                .push((point.rpm, nm - share * nm.abs(), nm + share * nm.abs()));
            bands
                .1
                .push((point.rpm, w - share * w.abs(), w + share * w.abs()));
        }
        let band = |band: Vec<(f64, f64, f64)>| named.detailed.then_some(band);
        let style = named.style;
        torque.series.push(Series {
            label: named.label.clone(),
            points: series.0,
            band: band(bands.0),
            style,
        });
        power.series.push(Series {
            label: named.label.clone(),
            points: series.1,
            band: band(bands.1),
            style,
        });
        if named.detailed {
            let mark = |peak: Peak, unit: leverarm_config::display::DisplayUnit| Mark::Peak {
                x: peak.rpm,
                y: unit.number(peak.value),
                label: format!("{} at {:.0} rpm", unit.text(peak.value, 2), peak.rpm),
                style,
            };
            torque
                .marks
                .extend(named.curve.peak_torque.map(|p| mark(p, units.torque)));
            power
                .marks
                .extend(named.curve.peak_power.map(|p| mark(p, units.power)));
        }
    }
    Plot {
        title: title.to_owned(),
        subtitle: subtitle.to_owned(),
        x: Axis::new("Engine speed", "rpm"),
        panels: vec![torque, power],
        shades: Vec::new(),
        notes,
    }
}

pub(super) fn terminal_table(rows: &Rows) -> Table {
    let mut table = Table::new(&rows.headings);
    table.add_rows(&rows.rows);
    table.align_right(rows.text_columns..rows.headings.len());
    table
}
