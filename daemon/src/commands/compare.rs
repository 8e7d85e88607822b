//! `compare`: what a change did, as words, tables, plots and JSON.

use std::path::PathBuf;

use comfy_table::Table;
use indicatif::{ProgressBar, ProgressStyle};
use leverarm_config::display::{DisplayUnit, DisplayUnits};
use leverarm_config::units;
use leverarm_torque::comparison::words::{self, TorqueUnit};
use leverarm_torque::comparison::{
    Comparison, DriftAxis, Estimate, Extreme, Figures, Options, Pair, REPEATABILITY_FACTOR, Setup,
};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use serde_json::{Value, json};

use super::curve_output::{self, align_right, table_of};
use super::engine::WhyReport;
use super::pulls::{air_text, write_plot};
use super::{CurveArguments, Failure, StoreArgument, json_line, say};
use crate::comparison::{PartDifference, StoredComparison, compare_setups, confounded_by};
use crate::engine::why;
use crate::plot::{self, Axis, Mark, Panel, Plot, Range, Series, Theme};

/// Rows of the speed table in the terminal, about; JSON has every speed.
const TABLE_ROWS: usize = 28;
/// Setups up to which every pair is told in the terminal; with more, only those with the first.
const ALL_PAIRS_SETUPS: usize = 3;
/// Size of a plot in the terminal.
const PLOT_COLUMNS: usize = 96;
const PLOT_ROWS: usize = 34;

/// What to compare, and how.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct CompareArguments {
    /// Names of the setups; the others are compared with the first
    #[arg(required = true, num_args = 2.., value_name = "SETUP")]
    setups: Vec<String>,
    #[command(flatten)]
    store: StoreArgument,
    #[command(flatten)]
    choice: CurveArguments,
    /// A difference too small to matter, such as "0.2 N*m": are they equal but for that?
    #[arg(long, value_name = "TORQUE")]
    margin: Option<String>,
    /// A difference to resolve, such as "0.1 N*m": how many more pulls does it take?
    #[arg(long, value_name = "TORQUE")]
    resolve: Option<String>,
    /// Range of engine speed for averages and equality, such as 5000-7000
    #[arg(long, value_name = "RPM-RPM", value_parser = range)]
    range: Option<(f64, f64)>,
    /// Engine speeds at which to give torque and power, such as 5000,7000
    #[arg(long, value_name = "RPM", value_delimiter = ',')]
    at: Vec<f64>,
    /// Drift over the test: along the order of the pulls, along time, or left in
    #[arg(long, value_enum, default_value_t = DriftChoice::Order)]
    drift: DriftChoice,
    /// Say why they differ: how much of it is air, mixture, or neither; a plot shows that
    #[arg(long)]
    why: bool,
    /// JSON instead of tables
    #[arg(long)]
    json: bool,
    /// Write a plot: the file's ending, .svg or .png, says which kind
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Light lines on dark ground
    #[arg(long)]
    dark: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum DriftChoice {
    /// Taken out along the order of the pulls, where a return shows it
    Order,
    /// Taken out along time, where a return shows it
    Time,
    /// Stated and left in
    Keep,
}

fn range(text: &str) -> Result<(f64, f64), String> {
    let bad = || format!("expected two engine speeds in rpm, such as 5000-7000, found \"{text}\"");
    let (low, high) = text.split_once('-').ok_or_else(bad)?;
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|x| x.is_finite());
    number(low).zip(number(high)).ok_or_else(bad)
}

impl CompareArguments {
    fn options(&self) -> Result<Options, Failure> {
        let torque = |name: &str, text: Option<&String>| {
            text.map(|text| units::quantity(text, &units::TORQUE))
                .transpose()
                .map_err(|error| Failure(format!("--{name}: {error}")))
        };
        Ok(Options {
            margin_nm: torque("margin", self.margin.as_ref())?,
            resolve_nm: torque("resolve", self.resolve.as_ref())?,
            range_rpm: self.range,
            speeds_rpm: self.at.clone(),
            drift_axis: match self.drift {
                DriftChoice::Time => DriftAxis::Time,
                DriftChoice::Order | DriftChoice::Keep => DriftAxis::Order,
            },
            remove_drift: self.drift != DriftChoice::Keep,
            ..Options::default()
        })
    }
}

pub(super) fn run(arguments: &CompareArguments) -> Result<(), Failure> {
    let reader = arguments.store.open()?;
    let bar = progress();
    let found = compare_setups(
        &reader,
        &arguments.setups,
        arguments.choice.choice()?,
        &arguments.options()?,
        |done, of| {
            bar.set_length(of as u64);
            bar.set_position(done as u64);
        },
    );
    bar.finish_and_clear();
    let found = found.map_err(Failure::of)?;
    let Some(newest) = found.pulls.last() else {
        return Err(Failure::new("no pull took part"));
    };
    let report = Report {
        units: curve_output::units(newest.stand.units, arguments.choice.units),
        air: air_text(&newest.air, &newest.correction, &newest.curve),
        comparison: &found.comparison,
        found: &found,
    };
    let why = arguments
        .why
        .then(|| {
            Ok::<_, Failure>(WhyReport {
                found: &found,
                whys: why(&reader, &found).map_err(Failure::of)?,
                units: report.units,
            })
        })
        .transpose()?;
    if let Some(file) = &arguments.plot {
        let theme = if arguments.dark {
            Theme::Dark
        } else {
            Theme::Light
        };
        let plot = report.plot();
        let reasons = why
            .as_ref()
            .and_then(|why| why.plot(&plot.title, &plot.subtitle));
        write_plot(&reasons.unwrap_or(plot), file, theme)?;
    }
    if arguments.json {
        let mut object = report.json();
        if let Some(why) = &why {
            why.add_to(&mut object);
        }
        json_line(&object);
    } else {
        report.print();
        if let Some(why) = &why {
            why.print();
        }
        if let Some(file) = &arguments.plot {
            say(&format!("plot: {}", file.display()));
        }
    }
    Ok(())
}

/// Drawn on stderr, and only where that is a terminal.
fn progress() -> ProgressBar {
    let bar = ProgressBar::new(0);
    match ProgressStyle::with_template("{bar:30} pull {pos} of {len} reduced, {eta} left") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

/// A comparison on its way out.
struct Report<'a> {
    units: DisplayUnits,
    air: String,
    comparison: &'a Comparison,
    found: &'a StoredComparison,
}

impl Report<'_> {
    fn torque_unit(&self) -> TorqueUnit<'static> {
        TorqueUnit {
            symbol: self.units.torque.symbol,
            nm: self.units.torque.si_per_unit,
        }
    }

    fn name(&self, setup: usize) -> &str {
        let setup = self.comparison.setups.get(setup);
        setup.map_or("?", |setup| setup.name.as_str())
    }

    /// The pairs to tell in the terminal.
    fn told_pairs(&self) -> impl Iterator<Item = &Pair> {
        let all = self.comparison.setups.len() <= ALL_PAIRS_SETUPS;
        let pairs = self.comparison.pairs.iter();
        pairs.filter(move |pair| all || pair.first == 0)
    }

    /// The pairs with the first setup.
    fn first_pairs(&self) -> Vec<&Pair> {
        let pairs = self.comparison.pairs.iter();
        pairs.filter(|pair| pair.first == 0).collect()
    }

    /// Heading of a difference: with two setups there is no doubt of what.
    fn difference_name(&self, pair: &Pair) -> String {
        if self.comparison.setups.len() == 2 {
            "difference".to_owned()
        } else {
            format!("{} less {}", self.name(pair.second), self.name(pair.first))
        }
    }

    fn print(&self) {
        for setup in &self.comparison.setups {
            say(&format!(
                "{}: {} pulls ({})",
                setup.name,
                setup.pulls.len(),
                setup.pulls.join(", ")
            ));
        }
        for left in &self.found.left_out {
            say(&format!(
                "left out: pull {}, {}: {}",
                left.pull.id,
                left.pull.setup_name.as_deref().unwrap_or("no setup"),
                left.reason
            ));
        }
        say(&self.air);
        say("");
        say(&self.speed_table().to_string());
        say("");
        say(&plot::text(&self.plot(), PLOT_COLUMNS, PLOT_ROWS));
        say(&self.figure_table().to_string());
        say("");
        for pair in self.told_pairs() {
            self.print_pair(pair);
        }
        for line in words::scatter(self.comparison) {
            say(&line);
        }
        say(&format!(
            "±: {:.0} %, from the scatter of the pulls, in the table over rpm for all speeds at once; * is more than that",
            100.0 * self.comparison.confidence
        ));
        for remark in self.comparison.remarks.iter().chain(&self.found.remarks) {
            say(&format!("remark: {remark}"));
        }
    }

    fn print_pair(&self, pair: &Pair) {
        let unit = self.torque_unit();
        say(&format!(
            "{} against {}",
            self.name(pair.second),
            self.name(pair.first)
        ));
        say(&format!(
            "  {}",
            words::differences(self.comparison, pair, unit)
        ));
        let [gain_nm, gain_w] = &pair.greatest_gain;
        let [loss_nm, loss_w] = &pair.greatest_loss;
        for (word, nm, w) in [
            ("greatest gain", gain_nm, gain_w),
            ("greatest loss", loss_nm, loss_w),
        ] {
            say(&format!(
                "  {}, {}",
                words::extreme(word, nm, unit),
                self.power_extreme(w)
            ));
        }
        if let Some(text) = words::equivalence(pair, unit) {
            say(&format!("  {text}"));
        }
        say(&format!("  {}", words::further_pulls(pair, unit)));
        let differences = self.found.part_differences(pair.first, pair.second);
        for line in parts_in_words(&differences) {
            say(&format!("  {line}"));
        }
        say("");
    }

    fn power_extreme(&self, extreme: &Extreme) -> String {
        let power = self.units.power;
        let band = power.difference(extreme.difference.half_width);
        let decimals = words::decimals_for(band);
        format!(
            "{:+.decimals$} {} ± {band:.decimals$} at {:.0} rpm",
            power.difference(extreme.difference.value),
            power.symbol,
            extreme.rpm
        )
    }

    /// Torque and power of every setup at about thirty speeds, and the differences from the first.
    fn speed_table(&self) -> Table {
        let comparison = self.comparison;
        let (torque, power) = (self.units.torque, self.units.power);
        let pairs = self.first_pairs();
        let mut headings = vec!["rpm".to_owned()];
        for setup in &comparison.setups {
            headings.push(format!("{}\n{}", setup.name, torque.symbol));
        }
        for pair in &pairs {
            headings.push(format!(
                "{}\n{} ",
                self.difference_name(pair),
                torque.symbol
            ));
            headings.push("\n±".to_owned());
            headings.push(format!("\n{}", power.symbol));
        }
        let headings: Vec<&str> = headings.iter().map(String::as_str).collect();
        let mut table = table_of(&headings);
        let stride = comparison.rpm.len().div_ceil(TABLE_ROWS).max(1);
        for (i, rpm) in comparison.rpm.iter().enumerate().step_by(stride) {
            let value = |values: &[f64]| values.get(i).copied().unwrap_or(f64::NAN);
            let mut row = vec![format!("{rpm:.0}")];
            for setup in &comparison.setups {
                row.push(format!("{:.2}", torque.number(value(&setup.mean_nm))));
            }
            for pair in &pairs {
                let (difference, band) = (value(&pair.difference_nm), value(&pair.band_nm));
                let omega = rpm * RAD_PER_S_PER_RPM;
                let sure = if difference.abs() > band { '*' } else { ' ' };
                row.push(format!("{:+.2}{sure}", torque.difference(difference)));
                row.push(format!("{:.2}", torque.difference(band)));
                row.push(format!("{:+.3}", power.difference(difference * omega)));
            }
            table.add_row(row);
        }
        align_right(&mut table, 0..headings.len());
        table
    }

    /// The figures of every setup, and their differences from the first.
    fn figure_table(&self) -> Table {
        let mut headings = vec![String::new()];
        headings.extend(self.comparison.setups.iter().map(|s| s.name.clone()));
        let pairs = self.first_pairs();
        for pair in &pairs {
            headings.push(self.difference_name(pair));
        }
        let headings: Vec<&str> = headings.iter().map(String::as_str).collect();
        let mut table = table_of(&headings);
        for figure in self.shown_figures() {
            if figure.name.starts_with("average torque") {
                self.add_totals(&mut table, pairs.len());
            }
            let mut row = vec![figure.name.clone()];
            for setup in &self.comparison.setups {
                let sign = if (figure.marked)(setup) {
                    figure.mark
                } else {
                    ""
                };
                row.push(format!(
                    "{sign}{}",
                    figure.text((figure.of)(&setup.figures), false)
                ));
            }
            for pair in &pairs {
                row.push(figure.text((figure.of)(&pair.figures), true));
            }
            table.add_row(row);
        }
        align_right(&mut table, 1..headings.len());
        table
    }

    /// Uncertainty of the peaks against other stands: for the setups alone, since it cancels between
    /// them.
    fn add_totals(&self, table: &mut Table, pairs: usize) {
        let (torque, power) = (self.units.torque, self.units.power);
        let rows = [
            ("peak torque, all sources", torque),
            ("peak power, all sources", power),
        ];
        for (i, (name, unit)) in rows.into_iter().enumerate() {
            let mut row = vec![name.to_owned()];
            for setup in &self.comparison.setups {
                let half_width = setup.peak_total_half_width.get(i).copied();
                let half_width = unit.difference(half_width.unwrap_or(f64::NAN));
                let decimals = words::decimals_for(half_width).min(3);
                row.push(format!("± {half_width:.decimals$} {}", unit.symbol));
            }
            row.extend(std::iter::repeat_n("cancels".to_owned(), pairs));
            table.add_row(row);
        }
    }

    fn shown_figures(&self) -> Vec<ShownFigure> {
        let (low, high) = self.comparison.range_rpm;
        let range = format!("{low:.0} to {high:.0} rpm");
        let (torque, power) = (self.units.torque, self.units.power);
        let area = DisplayUnit {
            symbol: "",
            ..torque
        };
        let mut shown = vec![
            ShownFigure::new("peak torque", torque, |f| f.peak_torque_nm)
                .marked("at the end: ", |s| s.limits.torque_peak_at_end),
            ShownFigure::new("  at", RPM, |f| f.peak_torque_rpm),
            ShownFigure::new("peak power", power, |f| f.peak_power_w)
                .marked("at the end: ", |s| s.limits.power_peak_at_end),
            ShownFigure::new("  at", RPM, |f| f.peak_power_rpm),
            ShownFigure::new(&format!("average torque, {range}"), torque, |f| {
                f.average_torque_nm
            }),
            ShownFigure::new(&format!("average power, {range}"), power, |f| {
                f.average_power_w
            }),
            ShownFigure::new(
                &format!("area under torque, {}·rpm", torque.symbol),
                area,
                |f| f.area_nm_rpm,
            ),
            ShownFigure::new("width above 90 % of peak torque", RPM, |f| {
                f.torque_width_rpm
            })
            .marked("> ", |s| s.limits.torque_width_at_least),
            ShownFigure::new("width above 90 % of peak power", RPM, |f| f.power_width_rpm)
                .marked("> ", |s| s.limits.power_width_at_least),
        ];
        let speeds = self.comparison.setups.first();
        let speeds = speeds.map_or(&[][..], |setup| &setup.figures.at_speeds);
        for (i, at) in speeds.iter().enumerate() {
            let none = Estimate {
                value: f64::NAN,
                half_width: f64::NAN,
            };
            let name = format!("torque at {:.0} rpm", at.rpm);
            shown.push(ShownFigure::new(&name, torque, move |f| {
                f.at_speeds.get(i).map_or(none, |at| at.torque_nm)
            }));
            let name = format!("power at {:.0} rpm", at.rpm);
            shown.push(ShownFigure::new(&name, power, move |f| {
                f.at_speeds.get(i).map_or(none, |at| at.power_w)
            }));
        }
        shown
    }

    /// Torque of every setup above, differences from the first below.
    fn plot(&self) -> Plot {
        let comparison = self.comparison;
        let unit = self.units.torque;
        let axis = |label: &str, range: Range| Axis {
            label: label.to_owned(),
            unit: unit.symbol.to_owned(),
            range,
        };
        let series = |label: String, style: usize, values: &[f64], band: &[f64]| {
            let shown = |si: f64| unit.difference(si);
            let points = broken(&comparison.rpm, values);
            let bands = comparison.rpm.iter().zip(values.iter().zip(band));
            Series {
                label,
                points: points.into_iter().map(|(x, y)| (x, shown(y))).collect(),
                band: Some(
                    bands
                        .map(|(x, (y, b))| (*x, shown(y - b), shown(y + b)))
                        .collect(),
                ),
                style,
            }
        };
        let torque = Panel {
            y: axis("Torque", Range::Auto),
            series: comparison
                .setups
                .iter()
                .enumerate()
                .map(|(style, setup)| {
                    series(
                        format!("{}, mean of {}", setup.name, setup.pulls.len()),
                        style,
                        &setup.mean_nm,
                        &setup.band_nm,
                    )
                })
                .collect(),
            ..Panel::default()
        };
        let pairs = self.first_pairs();
        let crossings = pairs.iter().flat_map(|pair| &pair.crossovers);
        let difference = Panel {
            y: axis("Difference", Range::IncludeZero),
            series: pairs
                .iter()
                .map(|pair| {
                    series(
                        format!("{} less {}", self.name(pair.second), self.name(0)),
                        pair.second,
                        &pair.difference_nm,
                        &pair.band_nm,
                    )
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
        };
        let names: Vec<&str> = comparison.setups.iter().map(|s| s.name.as_str()).collect();
        let newest = self.found.pulls.last();
        Plot {
            title: match names.as_slice() {
                [first, others @ ..] => format!("{} against {first}", others.join(", ")),
                [] => String::new(),
            },
            subtitle: newest.map_or_else(String::new, |pull| pull.stand.name.clone()),
            x: Axis {
                label: "Engine speed".to_owned(),
                unit: "rpm".to_owned(),
                ..Axis::default()
            },
            panels: vec![torque, difference],
            shades: Vec::new(),
            notes: vec![
                self.air.clone(),
                format!(
                    "bands: {:.0} % for all speeds at once, from the scatter of the pulls",
                    100.0 * comparison.confidence
                ),
            ],
        }
    }

    fn json(&self) -> Value {
        let comparison = self.comparison;
        let pairs: Vec<Value> = comparison.pairs.iter().map(|p| self.pair_json(p)).collect();
        let setups: Vec<Value> = comparison
            .setups
            .iter()
            .zip(&self.found.setups)
            .map(|(setup, record)| {
                let mut object = self.setup_json(setup);
                object["parts"] = record.parts.clone();
                object["notes"] = json!(record.notes);
                object
            })
            .collect();
        let relative_sd = comparison.repeatability.relative_sd;
        // The first pair's fields are at the top too: most tests have one pair.
        let mut object = pairs.first().cloned().unwrap_or_else(|| json!({}));
        let whole = json!({
            "rpm": comparison.rpm,
            "range_rpm": comparison.range_rpm,
            "confidence": comparison.confidence,
            "critical_value": comparison.critical_value,
            "setups": setups,
            "repeatability": {
                "sd_nm": comparison.repeatability.sd_nm,
                "relative_sd": relative_sd,
                "relative_limit": REPEATABILITY_FACTOR * relative_sd,
                "degrees_of_freedom": comparison.repeatability.degrees_of_freedom,
            },
            "drift": comparison.drift.map(|drift| json!({
                "along": match drift.axis {
                    DriftAxis::Order => "pulls",
                    DriftAxis::Time => "hours",
                },
                "relative_per_unit": estimate_json(drift.relative_per_unit),
                "relative_in_all": drift.relative_in_all,
                "p_value": drift.p_value,
                "returned": drift.returned,
                "removed": drift.removed,
            })),
            "first_pulls": comparison.first_pulls.map(|first| json!({
                "count": first.count,
                "relative": estimate_json(first.relative),
                "p_value": first.p_value,
            })),
            "pairs": pairs,
            "left_out": self.found.left_out.iter().map(|left| json!({
                "pull": left.pull.id.get(),
                "setup": left.pull.setup_name,
                "reason": left.reason,
            })).collect::<Vec<Value>>(),
            "correction": self.found.pulls.last().map(|pull| pull.correction.key()),
            "remarks": comparison.remarks.iter().chain(&self.found.remarks).collect::<Vec<_>>(),
        });
        if let (Some(object), Value::Object(whole)) = (object.as_object_mut(), whole) {
            object.extend(whole);
        }
        object
    }

    fn setup_json(&self, setup: &Setup) -> Value {
        json!({
            "name": setup.name,
            "pulls": setup.pulls,
            "mean_nm": setup.mean_nm,
            "band_nm": setup.band_nm,
            "mean_w": self.powers(&setup.mean_nm),
            "band_w": self.powers(&setup.band_nm),
            "systematic_standard_uncertainty_nm": setup.systematic_nm,
            "peak_torque_total_plus_minus_nm": setup.peak_total_half_width[0],
            "peak_power_total_plus_minus_w": setup.peak_total_half_width[1],
            "relative_sd": setup.relative_sd,
            "figures": figures_json(&setup.figures),
            "torque_peak_at_end": setup.limits.torque_peak_at_end,
            "power_peak_at_end": setup.limits.power_peak_at_end,
            "torque_width_at_least": setup.limits.torque_width_at_least,
            "power_width_at_least": setup.limits.power_width_at_least,
        })
    }

    fn pair_json(&self, pair: &Pair) -> Value {
        let differences = self.found.part_differences(pair.first, pair.second);
        let regions: Vec<Value> = pair
            .regions
            .iter()
            .map(|region| {
                json!({
                    "from_rpm": region.from_rpm,
                    "to_rpm": region.to_rpm,
                    "verdict": region.verdict.word(),
                    "low_nm": region.low_nm,
                    "high_nm": region.high_nm,
                    "possible_nm": region.possible_nm,
                    "detectable_nm": region.detectable_nm,
                    "within_margin": region.within_margin,
                })
            })
            .collect();
        let extremes = |[nm, w]: &[Extreme; 2]| {
            json!({
                "torque_nm": extreme_json(nm),
                "power_w": extreme_json(w),
            })
        };
        json!({
            "first": self.name(pair.first),
            "second": self.name(pair.second),
            "difference_nm": pair.difference_nm,
            "band_nm": pair.band_nm,
            "pointwise_nm": pair.pointwise_nm,
            "difference_w": self.powers(&pair.difference_nm),
            "band_w": self.powers(&pair.band_nm),
            "p_value": pair.p_value,
            "regions": regions,
            "crossovers": pair.crossovers.iter().map(|crossing| json!({
                "rpm": crossing.rpm,
                "plus_minus_rpm": crossing.plus_minus_rpm,
            })).collect::<Vec<Value>>(),
            "detectable_nm": pair.detectable_nm,
            "detectable_by_rpm_nm": pair.detectable_by_rpm_nm,
            "greatest_gain": extremes(&pair.greatest_gain),
            "greatest_loss": extremes(&pair.greatest_loss),
            "figures": figures_json(&pair.figures),
            "welch_average_nm": pair.welch_average_nm.map(|welch| json!({
                "difference": welch.value,
                "standard_error": welch.standard_error,
                "degrees_of_freedom": welch.degrees_of_freedom,
                "p_value": welch.p_value(),
            })),
            "equivalence": pair.equivalence.map(|found| json!({
                "margin_nm": found.margin_nm,
                "range_rpm": found.range_rpm,
                "p_value": found.p_value,
                "equivalent": found.equivalent,
            })),
            "further_pulls": {
                "difference_nm": pair.further_pulls.difference_nm,
                "each": pair.further_pulls.each,
            },
            "confounded_by": confounded_by(&differences),
            "part_differences": differences.iter().map(|part| json!({
                "part": part.key,
                "first": part.first,
                "second": part.second,
            })).collect::<Vec<Value>>(),
            "words": words::differences(self.comparison, pair, self.torque_unit()),
        })
    }

    fn powers(&self, torque_nm: &[f64]) -> Vec<f64> {
        let speeds = self.comparison.rpm.iter().zip(torque_nm);
        speeds
            .map(|(rpm, nm)| rpm * RAD_PER_S_PER_RPM * nm)
            .collect()
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

/// Differences of parts, one a line; first of all when there are too many to tell what did it.
fn parts_in_words(differences: &[PartDifference]) -> Vec<String> {
    let shown = |value: &Option<Value>| match value {
        None => "not recorded".to_owned(),
        Some(Value::String(text)) => text.clone(),
        Some(other) => other.to_string(),
    };
    let confounded = confounded_by(differences);
    let mut lines = Vec::new();
    if !confounded.is_empty() {
        lines.push(format!(
            "CONFOUNDED: {} parts differ ({}), so this test can't say which of them did it",
            confounded.len(),
            confounded.join(", ")
        ));
    }
    lines.extend(differences.iter().map(|part| {
        format!(
            "part: {}, {} against {}",
            part.key,
            shown(&part.second),
            shown(&part.first)
        )
    }));
    lines
}

/// A figure as a row of the table.
struct ShownFigure {
    name: String,
    unit: DisplayUnit,
    of: Box<dyn Fn(&Figures) -> Estimate>,
    decimals_max: usize,
    mark: &'static str,
    marked: fn(&Setup) -> bool,
}

/// Engine speeds are in rpm throughout.
const RPM: DisplayUnit = DisplayUnit {
    symbol: "rpm",
    meaning: "revolutions per minute",
    si_per_unit: 1.0,
    zero_si: 0.0,
};

impl ShownFigure {
    fn new(name: &str, unit: DisplayUnit, of: impl Fn(&Figures) -> Estimate + 'static) -> Self {
        Self {
            name: name.to_owned(),
            unit,
            of: Box::new(of),
            // A tenth of a turn a minute is nothing that anyone could use.
            decimals_max: if unit == RPM { 0 } else { 3 },
            mark: "",
            marked: |_| false,
        }
    }

    fn marked(self, mark: &'static str, marked: fn(&Setup) -> bool) -> Self {
        Self {
            mark,
            marked,
            ..self
        }
    }

    fn text(&self, estimate: Estimate, signed: bool) -> String {
        let value = self.unit.difference(estimate.value);
        let half_width = self.unit.difference(estimate.half_width);
        let decimals = words::decimals_for(half_width).min(self.decimals_max);
        let value = if signed {
            format!("{value:+.decimals$}")
        } else {
            format!("{value:.decimals$}")
        };
        format!("{value} ± {half_width:.decimals$} {}", self.unit.symbol)
            .trim_end()
            .to_owned()
    }
}

fn estimate_json(estimate: Estimate) -> Value {
    json!({ "value": estimate.value, "plus_minus": estimate.half_width })
}

fn extreme_json(extreme: &Extreme) -> Value {
    json!({
        "rpm": extreme.rpm,
        "value": extreme.difference.value,
        "plus_minus": extreme.difference.half_width,
    })
}

fn figures_json(figures: &Figures) -> Value {
    json!({
        "peak_torque_nm": estimate_json(figures.peak_torque_nm),
        "peak_torque_rpm": estimate_json(figures.peak_torque_rpm),
        "peak_power_w": estimate_json(figures.peak_power_w),
        "peak_power_rpm": estimate_json(figures.peak_power_rpm),
        "average_torque_nm": estimate_json(figures.average_torque_nm),
        "average_power_w": estimate_json(figures.average_power_w),
        "area_nm_rpm": estimate_json(figures.area_nm_rpm),
        "torque_width_rpm": estimate_json(figures.torque_width_rpm),
        "power_width_rpm": estimate_json(figures.power_width_rpm),
        "at_speeds": figures.at_speeds.iter().map(|at| json!({
            "rpm": at.rpm,
            "torque_nm": estimate_json(at.torque_nm),
            "power_w": estimate_json(at.power_w),
        })).collect::<Vec<Value>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_two_speeds() {
        assert_eq!(range("5000-7000"), Ok((5000.0, 7000.0)));
        assert_eq!(range("5000 - 7000.5"), Ok((5000.0, 7000.5)));
        for bad in ["5000", "5000-", "a-b", "nan-7000", ""] {
            let error = range(bad).unwrap_err();
            assert!(
                error.contains("5000-7000") && error.contains(bad),
                "{error}"
            );
        }
    }

    #[test]
    fn lines_break_where_speeds_lack() {
        let points = broken(&[100.0, 200.0, 500.0, 600.0], &[1.0; 4]);
        assert_eq!(points.len(), 5);
        assert!(points[2].0.is_nan());
    }
}
