//! A whole series on one sheet: every setup against the reference, and the way the engine took, step by
//! step, adding up.

use leverarm_config::display::DisplayUnit;
use leverarm_plot::{Axis, Panel, Plot, Range, Series};
use leverarm_torque::comparison::words::{self, decimals_for, signed};
use leverarm_torque::comparison::{Estimate, Figures, Pair};
use serde_json::{Value, json};

use super::Report;
use super::report::{Rows, part_words};

/// A series on its way out: a comparison of which the first setup is the reference and the others stand
/// in the order they were first tested in.
#[derive(Debug, Clone, Copy)]
pub struct SeriesReport<'a> {
    /// The comparison.
    pub report: &'a Report<'a>,
}

/// A step of the way: from one setup to the next one tested.
struct Step<'a> {
    pair: &'a Pair,
    /// From the reference to the end of this step; none where it is the pair itself.
    sum: &'a Pair,
}

impl SeriesReport<'_> {
    /// "4 setups against main jet 105".
    #[must_use]
    pub fn title(&self) -> String {
        let count = self.report.comparison().setups.len().saturating_sub(1);
        let what = if count == 1 { "setup" } else { "setups" };
        format!("{count} {what} against {}", self.report.name(0))
    }

    fn pair(&self, first: usize, second: usize) -> Option<&Pair> {
        let mut pairs = self.report.comparison().pairs.iter();
        pairs.find(|pair| pair.first == first && pair.second == second)
    }

    fn steps(&self) -> Vec<Step<'_>> {
        let count = self.report.comparison().setups.len();
        let step = |to: usize| {
            Some(Step {
                pair: self.pair(to.checked_sub(1)?, to)?,
                sum: self.pair(0, to)?,
            })
        };
        (1..count).filter_map(step).collect()
    }

    /// A difference with its half width: a star where it is more than scatter, brackets where it is kept
    /// back.
    fn cell(estimate: Estimate, unit: DisplayUnit, pair: &Pair) -> String {
        let half_width = unit.difference(estimate.half_width);
        let decimals = decimals_for(half_width).min(3);
        let value = signed(unit.difference(estimate.value), decimals);
        let text = format!("{value} ± {half_width:.decimals$}");
        if !pair.ground.doubts.is_empty() {
            return format!("({text})");
        }
        let sure = estimate.value.abs() > estimate.half_width;
        format!("{text}{}", if sure { "*" } else { " " })
    }

    /// What a figure of every setup is against the reference.
    #[must_use]
    pub fn table(&self) -> Rows {
        let comparison = self.report.comparison();
        let (torque, power) = (self.report.units.torque, self.report.units.power);
        type Of = Box<dyn Fn(&Figures) -> Option<Estimate>>;
        let mut columns: Vec<(String, DisplayUnit, Of)> = vec![(
            format!("average\n{}", torque.symbol),
            torque,
            Box::new(|f| Some(f.average_torque_nm)),
        )];
        let speeds = comparison.setups.first();
        let speeds = speeds.map_or(&[][..], |setup| &setup.figures.at_speeds);
        for (i, at) in speeds.iter().enumerate() {
            columns.push((
                format!("{:.0} rpm\n{}", at.rpm, torque.symbol),
                torque,
                Box::new(move |f| Some(f.at_speeds.get(i)?.torque_nm)),
            ));
        }
        // With two speeds or more beside it a terminal has no room for it.
        if speeds.len() < 2 {
            columns.push((
                format!("peak power\n{}", power.symbol),
                power,
                Box::new(|f| Some(f.peak_power_w)),
            ));
        }
        let mut headings = vec!["setup".to_owned()];
        headings.extend(columns.iter().map(|(heading, ..)| heading.clone()));
        let rows = self.report.first_pairs().into_iter().map(|pair| {
            let mut row = vec![self.report.name(pair.second).to_owned()];
            row.extend(columns.iter().map(|(_, unit, of)| {
                of(&pair.figures).map_or_else(String::new, |e| Self::cell(e, *unit, pair))
            }));
            row
        });
        Rows {
            rows: rows.collect(),
            headings,
            text_columns: 1,
        }
    }

    /// The way the engine took: what changed in each step, what it did on average, and the sum.
    #[must_use]
    pub fn way_table(&self) -> Rows {
        let unit = self.report.units.torque;
        let steps = self.steps();
        let rows = steps.iter().zip(1..).map(|(step, number)| {
            let Step { pair, sum } = step;
            let changed = self.changed(pair);
            vec![
                number.to_string(),
                self.report.name(pair.second).to_owned(),
                changed,
                Self::cell(pair.figures.average_torque_nm, unit, pair),
                Self::cell(sum.figures.average_torque_nm, unit, sum),
            ]
        });
        Rows {
            rows: rows.collect(),
            headings: vec![
                "step".to_owned(),
                "to".to_owned(),
                "what changed".to_owned(),
                format!("step\n{}", unit.symbol),
                format!("in all\n{}", unit.symbol),
            ],
            text_columns: 3,
        }
    }

    fn changed(&self, pair: &Pair) -> String {
        let differences = self.report.found.part_differences(pair.first, pair.second);
        let lines = part_words(&differences);
        if lines.is_empty() {
            return "no part recorded".to_owned();
        }
        let plain = lines.iter().map(|line| line.trim_start_matches("part: "));
        plain.collect::<Vec<_>>().join("; ")
    }

    /// What the tables mean.
    #[must_use]
    pub fn table_words(&self) -> String {
        let (low, high) = self.report.comparison().range_rpm;
        format!(
            "averages from {low:.0} to {high:.0} rpm. ± {:.0} % confidence, each figure by itself; * is more than scatter; in brackets what is kept back. Steps add up to what is under \"in all\", but for rounding; their half widths don't, because builds and days are shared",
            100.0 * self.report.comparison().confidence
        )
    }

    /// What each setup did against the reference, a line each.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        let comparison = self.report.comparison();
        let unit = self.report.torque_unit();
        let pairs = self.report.first_pairs().into_iter();
        pairs
            .map(|pair| words::differences(comparison, pair, unit))
            .collect()
    }

    /// The average after each step, as a stair with its band.
    #[must_use]
    pub fn way_plot(&self) -> Plot {
        let unit = self.report.units.torque;
        let mut points = vec![(0.0, 0.0), (0.5, 0.0)];
        let mut band = vec![(0.0, 0.0, 0.0), (0.5, 0.0, 0.0)];
        for (step, number) in self.steps().iter().zip(1_u32..) {
            let average = step.sum.figures.average_torque_nm;
            let value = unit.difference(average.value);
            let half = unit.difference(average.half_width);
            for end in [-0.5, 0.5] {
                let x = f64::from(number) + end;
                points.push((x, value));
                band.push((x, value - half, value + half));
            }
        }
        Plot {
            title: "The way the engine took".to_owned(),
            subtitle: format!("average torque against {}", self.report.name(0)),
            x: Axis {
                range: Range::Whole,
                ..Axis::new("Step", "")
            },
            panels: vec![Panel::of(
                Axis::new("Torque gained", unit.symbol).with_zero(),
                vec![Series {
                    label: "in all".to_owned(),
                    points,
                    band: Some(band),
                    style: 0,
                }],
            )],
            shades: Vec::new(),
            notes: vec![self.table_words()],
        }
    }

    /// All of it, in SI units and rpm.
    #[must_use]
    pub fn json(&self) -> Value {
        let comparison = self.report.comparison();
        let unit = self.report.torque_unit();
        let estimate = |e: Estimate| json!({ "value": e.value, "plus_minus": e.half_width });
        let setups = self.report.first_pairs().into_iter().map(|pair| {
            json!({
                "name": self.report.name(pair.second),
                "average_torque_nm": estimate(pair.figures.average_torque_nm),
                "peak_power_w": estimate(pair.figures.peak_power_w),
                "at_speeds": pair.figures.at_speeds.iter().map(|at| json!({
                    "rpm": at.rpm,
                    "torque_nm": estimate(at.torque_nm),
                    "power_w": estimate(at.power_w),
                })).collect::<Vec<_>>(),
                "difference_nm": pair.difference_nm,
                "band_nm": pair.band_nm,
                "withheld": !pair.ground.doubts.is_empty(),
                "words": words::differences(comparison, pair, unit),
            })
        });
        let steps = self.steps();
        let steps = steps.iter().map(|Step { pair, sum }| {
            json!({
                "from": self.report.name(pair.first),
                "to": self.report.name(pair.second),
                "changed": self.changed(pair),
                "average_torque_nm": estimate(pair.figures.average_torque_nm),
                "in_all_nm": estimate(sum.figures.average_torque_nm),
                "withheld": !pair.ground.doubts.is_empty(),
            })
        });
        json!({
            "reference": self.report.name(0),
            "rpm": comparison.rpm,
            "range_rpm": comparison.range_rpm,
            "confidence": comparison.confidence,
            "setups": setups.collect::<Vec<_>>(),
            "steps": steps.collect::<Vec<_>>(),
        })
    }
}
