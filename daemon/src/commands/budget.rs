//! The uncertainty budget of one point of a curve, as a table and as JSON.

use anyhow::{anyhow, bail};
use leverarm_config::display::DisplayUnits;
use leverarm_torque::curve::{Curve, CurvePoint};
use leverarm_torque::uncertainty::{BudgetLine, Combined, CombinedUncertainty};
use serde_json::{Value, json};

use super::terminal::Table;
use super::{Failure, say};
use leverarm_analysis::comparison::Rows;

/// A point with its budget added up.
pub(super) struct PointBudget<'a> {
    point: &'a CurvePoint,
    lines: Vec<BudgetLine>,
    combined: Combined,
}

/// The budget at an engine speed: of the nearest point, or of the one at peak torque.
pub(super) fn at<'a>(curve: &'a Curve, rpm: Option<f64>) -> Result<PointBudget<'a>, Failure> {
    let wanted = rpm.or_else(|| curve.peak_torque.map(|peak| peak.rpm));
    let distance = |point: &CurvePoint| wanted.map_or(0.0, |rpm| (point.rpm - rpm).abs());
    let point = curve
        .points
        .iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)))
        .ok_or_else(|| anyhow!("the curve has no points, so there is no budget"))?;
    if let (Some(rpm), Some(first), Some(last)) = (rpm, curve.points.first(), curve.points.last())
        && !(first.rpm - 500.0..=last.rpm + 500.0).contains(&rpm)
    {
        bail!(
            "--rpm {rpm}: expected a speed of the curve, {:.0} to {:.0} rpm",
            first.rpm,
            last.rpm
        );
    }
    let budget = point.budget();
    Ok(PointBudget {
        combined: budget.evaluate(0.95)?,
        lines: budget.lines,
        point,
    })
}

/// A number with so many significant digits.
fn digits(value: f64, significant: i32) -> String {
    let magnitude = value.abs();
    if magnitude == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let exponent = exponent(value);
    let after_point = significant - 1 - exponent;
    if (-4..7).contains(&exponent) {
        let after_point = usize::try_from(after_point.max(0)).unwrap_or(0);
        format!("{value:.after_point$}")
    } else {
        let significant = usize::try_from(significant - 1).unwrap_or(0);
        format!("{value:.significant$e}")
    }
}

/// The exponent of a number other than zero.
fn exponent(value: f64) -> i32 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the exponent of a double is small"
    )]
    let exponent = value.abs().log10().floor() as i32;
    exponent
}

/// A value to the last of the two digits that its uncertainty is given with.
fn value_text(value: f64, uncertainty: f64) -> String {
    if uncertainty <= 0.0 || value == 0.0 {
        return digits(value, 5);
    }
    let significant = (exponent(value) - exponent(uncertainty)).clamp(0, 12) + 2;
    digits(value, significant)
}

/// With its unit, unless it is a pure number.
fn with_unit(number: &str, unit: &str) -> String {
    if unit == "1" {
        number.to_owned()
    } else {
        format!("{number} {unit}")
    }
}

fn sensitivity_unit(unit: &str) -> String {
    match unit {
        "1" => "N·m".to_owned(),
        "N·m" => "1".to_owned(),
        unit if unit.contains(['/', '·']) => format!("N·m/({unit})"),
        unit => format!("N·m/{unit}"),
    }
}

fn freedom(value: f64) -> String {
    if value < 1e5 {
        format!("{value:.0}")
    } else {
        "∞".to_owned()
    }
}

impl PointBudget<'_> {
    /// The torque with its expanded uncertainty.
    pub(super) fn total_words(&self, units: &DisplayUnits) -> String {
        let torque = units.torque;
        format!(
            "torque at {:.0} rpm: {} ± {} (95 %)",
            self.point.rpm,
            torque.text(self.point.torque_nm, 3),
            torque.text(self.combined.total.expanded_uncertainty, 3)
        )
    }

    /// A line a source.
    pub(super) fn rows(&self) -> Rows {
        let lines = self.lines.iter().zip(&self.combined.shares);
        let rows = lines.map(|(line, share)| {
            vec![
                line.source.clone(),
                with_unit(
                    &value_text(line.value, line.standard_uncertainty),
                    &line.unit,
                ),
                with_unit(&digits(line.standard_uncertainty, 2), &line.unit),
                line.evaluation.letter().to_owned(),
                freedom(line.degrees_of_freedom),
                with_unit(&digits(line.sensitivity, 3), &sensitivity_unit(&line.unit)),
                format!("{:.1} %", 100.0 * share),
                if line.common { "the same" } else { "differs" }.to_owned(),
            ]
        });
        Rows {
            headings: [
                "source",
                "value",
                "standard uncertainty",
                "type",
                "dof",
                "sensitivity",
                "share",
                "from pull to pull",
            ]
            .map(str::to_owned)
            .to_vec(),
            rows: rows.collect(),
            text_columns: 1,
        }
    }

    /// Prints it.
    pub(super) fn print(&self, units: &DisplayUnits) {
        let torque = units.torque;
        let rows = self.rows();
        let headings: Vec<&str> = rows.headings.iter().map(String::as_str).collect();
        let mut table = Table::new(headings.iter().copied());
        table.add_rows(&rows.rows);
        table.align_right([1, 2, 4, 5, 6]);
        say(&self.total_words(units));
        say(&table.to_string());
        let part = |name: &str, part: &CombinedUncertainty| {
            say(&format!(
                "{name}: standard uncertainty {}, {} degrees of freedom, k = {:.2}: ± {}",
                torque.text(part.standard_uncertainty, 4),
                freedom(part.degrees_of_freedom),
                part.coverage_factor,
                torque.text(part.expanded_uncertainty, 4),
            ));
        };
        part("in all", &self.combined.total);
        part(
            "the same in every pull on this stand",
            &self.combined.common,
        );
        part("differs from pull to pull", &self.combined.pull_to_pull);
    }

    /// As JSON.
    pub(super) fn json(&self) -> Value {
        let finite = |value: f64| value.is_finite().then_some(value);
        let part = |part: &CombinedUncertainty| {
            json!({
                "standard_uncertainty_nm": part.standard_uncertainty,
                "degrees_of_freedom": finite(part.degrees_of_freedom),
                "coverage_factor": part.coverage_factor,
                "expanded_uncertainty_nm": part.expanded_uncertainty,
            })
        };
        let lines: Vec<Value> = self
            .lines
            .iter()
            .zip(&self.combined.shares)
            .map(|(line, share)| {
                json!({
                    "source": line.source,
                    "value": line.value,
                    "unit": line.unit,
                    "standard_uncertainty": line.standard_uncertainty,
                    "type": line.evaluation.letter(),
                    "degrees_of_freedom": finite(line.degrees_of_freedom),
                    "sensitivity": line.sensitivity,
                    "contribution_nm": line.sensitivity * line.standard_uncertainty,
                    "share": share,
                    "common": line.common,
                })
            })
            .collect();
        json!({
            "rpm": self.point.rpm,
            "torque_nm": self.point.torque_nm,
            "lines": lines,
            "total": part(&self.combined.total),
            "common": part(&self.combined.common),
            "pull_to_pull": part(&self.combined.pull_to_pull),
        })
    }
}
