//! `pulls`, `show` and `reduce`.

use anyhow::{Context, bail};
use std::path::{Path, PathBuf};

use leverarm_config::display::{DisplayUnit, DisplayUnits};
use leverarm_torque::air::Correction;
use leverarm_torque::curve::Curve;
use leverarm_torque::reduce::AirReadings;
use serde_json::json;

use super::budget;
use super::curve_output::{self, Named};
use super::engine;
use super::terminal::{Table, bar_of_pulls};
use super::{
    CurveArguments, CurvesArguments, Failure, StandArgument, StoreArgument, json_line, parse_stand,
    pull_number, read_stand, say,
};
use leverarm_analysis::engine::engine_pull;
use leverarm_analysis::exclusion::{Exclusion, exclusions};
use leverarm_analysis::in_force;
use leverarm_analysis::local_time::local_text;
use leverarm_analysis::other_way::other_way;
use leverarm_analysis::reduction::{
    CurveChoice, CyclesBody, reduce_log, reduce_pull, reduce_recorded,
};
use leverarm_analysis::setup_correction::{self, SetupCorrection};
use leverarm_plot::{self as plot, Plot, Size, Theme};
use leverarm_store::{PullId, PullState, StoreReader};
use leverarm_values::calibration::Calibration;

#[derive(Debug, clap::Args)]
pub(super) struct ListArguments {
    #[command(flatten)]
    store: StoreArgument,
    /// JSON instead of a table
    #[arg(long)]
    json: bool,
}

pub(super) fn list(asked: &ListArguments) -> Result<(), Failure> {
    let reader = asked.store.open()?;
    let mut pulls = reader.pulls()?;
    let corrected = setup_correction::correct(&reader, &mut pulls)?;
    let excluded = exclusions(&reader)?;
    let mut table = Table::new([
        "pull",
        "when",
        "peak torque\nat rpm",
        "peak power\nat rpm",
        "setup, and what is to be said",
    ]);
    table.align_right(0..2);
    let mut rows = Vec::new();
    let bar = bar_of_pulls(pulls.len());
    for pull in &pulls {
        bar.inc(1);
        let reduced = pull
            .state
            .has_curve()
            .then(|| reduce_pull(&reader, pull.id, CurveChoice::default()).ok())
            .flatten();
        let setup = pull.setup_name.clone();
        if asked.json {
            rows.push(json!({
                "id": pull.id.get(),
                "setup": setup,
                "state": pull.state.word(),
                "started_wall_us": pull.started_wall_us,
                "reasons": pull.reasons,
                "note": pull.note,
                "excluded": excluded.get(&pull.id),
                "setup_corrected": corrected.get(&pull.id),
                "peak_torque_nm": reduced.as_ref().and_then(|r| r.curve.peak_torque).map(|p| p.value),
                "peak_torque_rpm": reduced.as_ref().and_then(|r| r.curve.peak_torque).map(|p| p.rpm),
                "peak_power_w": reduced.as_ref().and_then(|r| r.curve.peak_power).map(|p| p.value),
                "peak_power_rpm": reduced.as_ref().and_then(|r| r.curve.peak_power).map(|p| p.rpm),
                "air_factor": reduced.as_ref().map(|r| r.curve.factor.factor),
                "cycles": reduced.as_ref().and_then(|r| r.curve.cycles.as_ref()).map(CyclesBody::from),
                "shuffle": reduced.as_ref().and_then(|r| r.curve.shuffle),
            }));
            continue;
        }
        let has_peak = reduced
            .as_ref()
            .is_some_and(|r| r.curve.peak_torque.is_some());
        let why = (pull.state.has_curve() && !has_peak)
            .then(|| format!("`leverarm show {}` says why", pull.id));
        let misfires = reduced
            .as_ref()
            .and_then(|r| r.curve.cycles.as_ref())
            .filter(|cycles| !cycles.misfires.is_empty())
            .map(|cycles| format!("misfires: {} cycles", cycles.misfire_words()));
        let (torque, power) = reduced.map_or_else(
            || ("no curve".to_owned(), String::new()),
            |r| {
                let units = r.stand.units;
                (
                    curve_output::peak_text(r.curve.peak_torque, units.torque),
                    curve_output::peak_text(r.curve.peak_power, units.power),
                )
            },
        );
        let without_rpm = |peak: &str| peak.trim_end_matches(" rpm").to_owned();
        // What a run for tuning is, its reason says.
        let is_told = !matches!(pull.state, PullState::Stored | PullState::Tuning);
        let state = is_told.then(|| pull.state.to_string());
        let said: Vec<String> = std::iter::once(setup.unwrap_or_else(|| "(no setup)".to_owned()))
            .chain(state)
            .chain(pull.reasons.iter().chain([&pull.note]).cloned())
            .chain(excluded.get(&pull.id).map(Exclusion::words))
            .chain(corrected.get(&pull.id).map(SetupCorrection::words))
            .chain(misfires)
            .chain(why)
            .filter(|text| !text.is_empty())
            .collect();
        table.add_row([
            pull.id.to_string(),
            local_text(pull.started_wall_us),
            without_rpm(&torque),
            without_rpm(&power),
            said.join("; "),
        ]);
    }
    bar.finish_and_clear();
    if asked.json {
        json_line(&json!({ "pulls": rows }));
    } else if pulls.is_empty() {
        say("no pulls yet");
    } else {
        say(&table.to_string());
    }
    Ok(())
}

/// To a tenth of a hectopascal, in whatever unit.
fn pressure_text(unit: DisplayUnit, pa: f64) -> String {
    let decimals = if unit.si_per_unit > 1000.0 { 2 } else { 1 };
    unit.text(pa, decimals)
}

/// What a curve was corrected with, in one line.
pub(super) fn air_text(
    air: &AirReadings,
    correction: &Correction,
    curve: &Curve,
    units: &DisplayUnits,
) -> String {
    let inside = match curve.factor.is_in_range() {
        Some(true) => "",
        Some(false) => ", outside its valid range",
        None => "; its range is not known",
    };
    format!(
        "air {}, {}, {:.0} % humidity; {correction}: factor {:.4}{inside}",
        pressure_text(units.pressure, air.pressure_pa.value),
        units.temperature.text(air.temperature_k.value, 1),
        100.0 * air.relative_humidity.value,
        curve.factor.factor,
    )
}

#[derive(Debug, Clone, clap::Args)]
pub(super) struct ShowArguments {
    /// Number of the pull
    #[arg(value_parser = pull_number)]
    pull: i64,
    #[command(flatten)]
    curves: CurvesArguments,
    /// JSON instead of a table
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    plot: PlotArguments,
    /// Show what the uncertainty is made of, at one speed
    #[arg(long)]
    budget: bool,
    /// Show fuel, air, mixture, and what limits the power
    #[arg(long, conflicts_with = "budget")]
    engine: bool,
    /// Engine speed of the budget, rpm; that of the peak torque when left out
    #[arg(long, value_name = "RPM", requires = "budget")]
    rpm: Option<f64>,
}

pub(super) fn show(asked: &ShowArguments) -> Result<(), Failure> {
    let (pull, units) = (asked.pull, asked.curves.choice.units);
    let (reader, choice) = asked.curves.open()?;
    let (mut reduced, recording) = reduce_recorded(&reader, PullId::new(pull), choice)?;
    if let Some(other) = other_way(&reader, &reduced, choice)? {
        let words = other.words(curve_output::units(reduced.stand.units, units).torque);
        reduced.curve.remarks.push(words);
    }
    let engine_side = asked.engine.then(|| engine_pull(&reduced, &recording));
    let budget = asked
        .budget
        .then(|| budget::at(&reduced.curve, asked.rpm))
        .transpose()?;
    let units = curve_output::units(reduced.stand.units, units);
    let setup = reduced
        .pull
        .setup_name
        .clone()
        .unwrap_or_else(|| "no setup".to_owned());
    let air = air_text(&reduced.air, &reduced.correction, &reduced.curve, &units);
    asked.plot.write(|| {
        let named = [Named {
            label: setup.clone(),
            curve: &reduced.curve,
            style: 0,
            detailed: true,
        }];
        let notes = vec![
            air.clone(),
            "band: 95 %, all sources of uncertainty".to_owned(),
        ];
        let title = format!("Pull {pull}: {setup}");
        let subtitle = format!(
            "{}, {}",
            reduced.stand.name,
            local_text(reduced.pull.started_wall_us)
        );
        match &engine_side {
            Some(engine_side) => engine::plot(engine_side, &units, &title, &subtitle, notes),
            None => curve_output::plot(&title, &subtitle, &named, &units, notes),
        }
    })?;
    if asked.json {
        let mut object = curve_output::json(&reduced.curve);
        object["rehearsal"] = json!(reduced.raw.is_simulated);
        if let Some(budget) = &budget {
            object["budget"] = budget.json();
        }
        if let Some(engine_side) = &engine_side {
            object["engine"] = engine::json(engine_side);
        }
        object["id"] = json!(pull);
        object["setup"] = json!(reduced.pull.setup_name);
        object["state"] = json!(reduced.pull.state.word());
        object["correction"] = json!(reduced.correction.key());
        object["air"] = json!({
            "pressure_pa": reduced.air.pressure_pa.value,
            "temperature_k": reduced.air.temperature_k.value,
            "relative_humidity": reduced.air.relative_humidity.value,
        });
        json_line(&object);
        return Ok(());
    }
    say(&format!(
        "pull {pull}  {setup}  {}  {}",
        reduced.pull.state,
        local_text(reduced.pull.started_wall_us)
    ));
    say(&air);
    match (&budget, &engine_side) {
        (_, Some(engine_side)) => {
            engine::print(engine_side, &units);
            print_remarks(&reduced.curve);
        }
        (Some(budget), None) => {
            budget.print(&units);
            print_remarks(&reduced.curve);
        }
        (None, None) => print_curve(&reduced.curve, &units),
    }
    if let Some(file) = &asked.plot.plot {
        say(&format!("plot: {}", file.display()));
    }
    Ok(())
}

fn print_curve(curve: &Curve, units: &DisplayUnits) {
    say(&curve_output::table(curve, units).to_string());
    say(&format!(
        "peak torque {}",
        curve_output::peak_text(curve.peak_torque, units.torque)
    ));
    say(&format!(
        "peak power  {}",
        curve_output::peak_text(curve.peak_power, units.power)
    ));
    for (what, words) in curve.engine_words() {
        say(&format!("{what}: {words}"));
    }
    print_remarks(curve);
}

fn print_remarks(curve: &Curve) {
    for remark in &curve.remarks {
        say(&format!("remark: {remark}"));
    }
}

/// Full high definition: a still for a video, or a page's width.
pub(super) const PLOT_PX: (u32, u32) = (1920, 1080);

/// A plot beside the words.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct PlotArguments {
    /// Write a plot: the file's ending, .svg or .png, says which kind
    #[arg(long, value_name = "FILE")]
    pub(super) plot: Option<PathBuf>,
    /// Light lines on dark ground
    #[arg(long)]
    dark: bool,
}

impl PlotArguments {
    /// Writes the plot, if one is wanted.
    pub(super) fn write(&self, plot: impl FnOnce() -> Plot) -> Result<(), Failure> {
        let theme = if self.dark { Theme::Dark } else { Theme::Light };
        match &self.plot {
            Some(file) => write_plot(&plot(), file, theme),
            None => Ok(()),
        }
    }
}

pub(super) fn write_plot(plot: &Plot, file: &Path, theme: Theme) -> Result<(), Failure> {
    let ending = file.extension().map(|e| e.to_string_lossy().to_lowercase());
    let bytes = match ending.as_deref() {
        Some("svg") => {
            let size = Size::new(PLOT_PX.0, PLOT_PX.1)?;
            plot::svg(plot, size, theme).into_bytes()
        }
        Some("png") => plot::png(plot, PLOT_PX.0, PLOT_PX.1, theme)?,
        found => {
            bail!(
                "{}: a plot's file ends in .svg or .png, found {}",
                file.display(),
                found.unwrap_or("no ending")
            );
        }
    };
    std::fs::write(file, bytes).with_context(|| file.display().to_string())
}

#[derive(Debug, Clone, clap::Args)]
pub(super) struct ReduceArguments {
    /// The bytes as they came from the port
    #[arg(long, value_name = "FILE")]
    board_log: PathBuf,
    #[command(flatten)]
    stand: StandArgument,
    #[command(flatten)]
    choice: CurveArguments,
    /// Calibrations to use, as `leverarm calibrations --json` prints them
    #[arg(long, value_name = "FILE")]
    calibrations: Option<PathBuf>,
    /// JSON instead of a table
    #[arg(long)]
    json: bool,
}

pub(super) fn reduce(asked: &ReduceArguments) -> Result<(), Failure> {
    let (log, choice) = (&asked.board_log, &asked.choice);
    let read = parse_stand(&asked.stand.file)?;
    let calibration = match &asked.calibrations {
        Some(file) => read_calibration(file)?,
        None if choice.recalibrated => {
            let reader = StoreReader::open(&read_stand(&asked.stand.file)?.store_folder)?;
            in_force::newest_calibration(&reader)?.0
        }
        None => Calibration::default(),
    };
    let bytes = std::fs::read(log).with_context(|| log.display().to_string())?;
    let curve = reduce_log(&read.stand, &calibration, &bytes, choice.choice()?)?;
    if asked.json {
        json_line(&curve_output::json(&curve));
    } else {
        print_curve(&curve, &curve_output::units(read.stand.units, choice.units));
    }
    Ok(())
}

pub(super) fn read_calibration(file: &Path) -> Result<Calibration, Failure> {
    let shown = file.display();
    let text = std::fs::read_to_string(file).with_context(|| format!("{shown}"))?;
    serde_json::from_str(&text).with_context(|| format!("{shown}"))
}
