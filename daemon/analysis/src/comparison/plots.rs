//! The pictures of a comparison.

use leverarm_config::display::DisplayUnit;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use super::Report;
use leverarm_plot::{Axis, Mark, Panel, Plot, Range, Series};

/// Torque or power: what a panel shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shown {
    Torque,
    Power,
}

impl Shown {
    /// SI value of this at a torque and a speed.
    fn si(self, rpm: f64, torque_nm: f64) -> f64 {
        match self {
            Self::Torque => torque_nm,
            Self::Power => torque_nm * rpm * RAD_PER_S_PER_RPM,
        }
    }

    const fn name(self) -> &'static str {
        match self {
            Self::Torque => "Torque",
            Self::Power => "Power",
        }
    }
}

impl Report<'_> {
    /// Torque of every setup above, differences from the first below.
    #[must_use]
    pub fn plot(&self) -> Plot {
        self.stacked(vec![
            self.curves(Shown::Torque),
            self.differences(Shown::Torque),
        ])
    }

    /// Torque above, power below.
    #[must_use]
    pub fn curves_plot(&self) -> Plot {
        self.stacked(vec![self.curves(Shown::Torque), self.curves(Shown::Power)])
    }

    /// Differences of torque above, of power below.
    #[must_use]
    pub fn differences_plot(&self) -> Plot {
        self.stacked(vec![
            self.differences(Shown::Torque),
            self.differences(Shown::Power),
        ])
    }

    fn stacked(&self, panels: Vec<Panel>) -> Plot {
        let mut notes = self.conditions();
        notes.push(format!(
            "bands: {:.0} % for all speeds at once, from the scatter of the pulls",
            100.0 * self.comparison().confidence
        ));
        notes.extend(self.overlays.iter().map(|overlay| overlay.mark()));
        Plot {
            title: self.title(),
            subtitle: format!("{}, {}", self.found.stand.name, self.when()),
            x: Axis::new("Engine speed", "rpm"),
            panels,
            shades: Vec::new(),
            notes,
        }
    }

    fn unit(&self, shown: Shown) -> DisplayUnit {
        match shown {
            Shown::Torque => self.units.torque,
            Shown::Power => self.units.power,
        }
    }

    fn curves(&self, shown: Shown) -> Panel {
        let setups = self.comparison().setups.iter().enumerate();
        let mut series: Vec<Series> = setups
            .map(|(style, setup)| {
                let label = format!("{}, mean of {}", setup.name, setup.pulls.len());
                self.series(shown, label, style, (&setup.mean_nm, &setup.band_nm))
            })
            .collect();
        let unit = self.unit(shown);
        series.extend(
            self.overlays
                .iter()
                .zip(series.len()..)
                .map(|(overlay, style)| {
                    let points = overlay.points.iter();
                    Series::line(
                        overlay.name.clone(),
                        points
                            .map(|(rpm, nm)| (*rpm, unit.difference(shown.si(*rpm, *nm))))
                            .collect(),
                        style,
                    )
                }),
        );
        Panel::of(self.axis(shown, "", Range::Auto), series)
    }

    fn differences(&self, shown: Shown) -> Panel {
        let pairs = self.first_pairs();
        let crossings = pairs.iter().flat_map(|pair| &pair.crossovers);
        Panel {
            y: self.axis(shown, " difference", Range::IncludeZero),
            series: pairs
                .iter()
                .map(|pair| {
                    let label = format!("{} less {}", self.name(pair.second), self.name(0));
                    let values = (pair.difference_nm.as_slice(), pair.band_nm.as_slice());
                    self.series(shown, label, pair.second, values)
                })
                .collect(),
            marks: crossings
                .map(|crossing| Mark::Vertical {
                    x: crossing.rpm,
                    label: format!(
                        "crossover {:.0} ± {:.0} rpm",
                        crossing.rpm, crossing.plus_minus_rpm
                    ),
                })
                .chain([Mark::Horizontal {
                    y: 0.0,
                    label: String::new(),
                }])
                .collect(),
            ..Panel::default()
        }
    }

    fn axis(&self, shown: Shown, suffix: &str, range: Range) -> Axis {
        Axis {
            label: format!("{}{suffix}", shown.name()),
            unit: self.unit(shown).symbol.to_owned(),
            range,
        }
    }

    fn series(
        &self,
        shown: Shown,
        label: String,
        style: usize,
        (values_nm, band_nm): (&[f64], &[f64]),
    ) -> Series {
        let rpm = &self.comparison().rpm;
        let unit = self.unit(shown);
        let number = |rpm: f64, nm: f64| unit.difference(shown.si(rpm, nm));
        let points = broken(rpm, values_nm).into_iter();
        let bands = rpm.iter().zip(values_nm.iter().zip(band_nm));
        Series {
            label,
            points: points.map(|(x, y)| (x, number(x, y))).collect(),
            band: Some(
                bands
                    .map(|(x, (y, b))| (*x, number(*x, y - b), number(*x, y + b)))
                    .collect(),
            ),
            style,
        }
    }
}

/// Points with a break wherever speeds are lacking.
fn broken(rpm: &[f64], values: &[f64]) -> Vec<(f64, f64)> {
    let steps = rpm.windows(2).filter_map(|pair| match pair {
        [a, b] => Some(b - a),
        _ => None,
    });
    let step = steps.fold(f64::INFINITY, f64::min);
    let mut points: Vec<(f64, f64)> = Vec::with_capacity(rpm.len());
    for (x, y) in rpm.iter().zip(values) {
        if points.last().is_some_and(|(last, _)| x - last > 1.5 * step) {
            points.push((f64::NAN, f64::NAN));
        }
        points.push((*x, *y));
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_where_speeds_lack() {
        let points = broken(&[100.0, 200.0, 500.0, 600.0], &[1.0; 4]);
        assert_eq!(points.len(), 5);
        assert!(points[2].0.is_nan());
    }
}
