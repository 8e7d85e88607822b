//! `pulls`, `show` and `reduce`.

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
use super::{CurveArguments, Failure, StoreArgument, json_line, read_stand, say};
use leverarm_analysis::engine::engine_pull;
use leverarm_analysis::exclusion::{Exclusion, exclusions};
use leverarm_analysis::in_force;
use leverarm_analysis::local_time::local_text;
use leverarm_analysis::reduction::{CurveChoice, reduce_log, reduce_pull, reduce_recorded};
use leverarm_analysis::setup_correction::{self, SetupCorrection};
use leverarm_plot::{self as plot, Plot, Size, Theme};
use leverarm_store::{PullId, PullState, StoreReader};
use leverarm_values::calibration::Calibration;

pub(super) fn list(store: &StoreArgument, as_json: bool) -> Result<(), Failure> {
    let reader = store.open()?;
    let mut pulls = reader.pulls().map_err(Failure::of)?;
    let corrected = setup_correction::correct(&reader, &mut pulls).map_err(Failure::of)?;
    let excluded = exclusions(&reader).map_err(Failure::of)?;
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
        let reduced = match pull.state {
            PullState::Running => None,
            _ => reduce_pull(&reader, pull.id, CurveChoice::default()).ok(),
        };
        let setup = pull.setup_name.clone();
        if as_json {
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
            }));
            continue;
        }
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
        let state = (pull.state != PullState::Stored).then(|| pull.state.to_string());
        let said: Vec<String> = std::iter::once(setup.unwrap_or_else(|| "(no setup)".to_owned()))
            .chain(state)
            .chain(pull.reasons.iter().chain([&pull.note]).cloned())
            .chain(excluded.get(&pull.id).map(Exclusion::words))
            .chain(corrected.get(&pull.id).map(SetupCorrection::words))
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
    if as_json {
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
    let inside = if curve.factor.within_valid_range() {
        ""
    } else {
        ", outside its valid range"
    };
    format!(
        "air {}, {}, {:.0} % humidity; {correction}: factor {:.4}{inside}",
        pressure_text(units.pressure, air.pressure_pa.value),
        units.temperature.text(air.temperature_k.value, 1),
        100.0 * air.relative_humidity.value,
        curve.factor.factor,
    )
}

/// What `show` was asked.
pub(super) struct Show {
    pub(super) pull: i64,
    pub(super) store: StoreArgument,
    pub(super) choice: CurveArguments,
    pub(super) json: bool,
    pub(super) plot: Option<PathBuf>,
    pub(super) dark: bool,
    pub(super) budget: bool,
    pub(super) engine: bool,
    pub(super) rpm: Option<f64>,
}

pub(super) fn show(asked: &Show) -> Result<(), Failure> {
    let (pull, choice) = (asked.pull, &asked.choice);
    let reader = asked.store.open()?;
    let (reduced, recording) =
        reduce_recorded(&reader, PullId::new(pull), choice.choice()?).map_err(Failure::of)?;
    let engine_side = asked.engine.then(|| engine_pull(&reduced, &recording));
    let budget = asked
        .budget
        .then(|| budget::at(&reduced.curve, asked.rpm))
        .transpose()?;
    let plot_file = asked.plot.as_deref();
    let units = curve_output::units(reduced.stand.units, choice.units);
    let setup = reduced
        .pull
        .setup_name
        .clone()
        .unwrap_or_else(|| "no setup".to_owned());
    let air = air_text(&reduced.air, &reduced.correction, &reduced.curve, &units);
    if let Some(file) = plot_file {
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
        let theme = if asked.dark {
            Theme::Dark
        } else {
            Theme::Light
        };
        let plot = match &engine_side {
            Some(engine_side) => engine::plot(engine_side, &title, &subtitle, notes),
            None => curve_output::plot(&title, &subtitle, &named, &units, notes),
        };
        write_plot(&plot, file, theme)?;
    }
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
    if let Some(file) = plot_file {
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

pub(super) fn write_plot(plot: &Plot, file: &Path, theme: Theme) -> Result<(), Failure> {
    let ending = file.extension().map(|e| e.to_string_lossy().to_lowercase());
    let bytes = match ending.as_deref() {
        Some("svg") => {
            let size = Size::new(PLOT_PX.0, PLOT_PX.1).map_err(Failure::of)?;
            plot::svg(plot, size, theme).into_bytes()
        }
        Some("png") => plot::png(plot, PLOT_PX.0, PLOT_PX.1, theme).map_err(Failure::of)?,
        found => {
            return Err(Failure(format!(
                "{}: a plot's file ends in .svg or .png, found {}",
                file.display(),
                found.unwrap_or("no ending")
            )));
        }
    };
    std::fs::write(file, bytes).map_err(|error| Failure(format!("{}: {error}", file.display())))
}

pub(super) fn reduce(
    log: &Path,
    file: &Path,
    calibrations: Option<&Path>,
    choice: &CurveArguments,
    as_json: bool,
) -> Result<(), Failure> {
    let read = read_stand(file)?;
    let calibration = match calibrations {
        Some(file) => read_calibration(file)?,
        None if choice.recalibrated => {
            let reader = StoreReader::open(&read.store_folder).map_err(Failure::of)?;
            in_force::newest_calibration(&reader)
                .map_err(Failure::of)?
                .0
        }
        None => Calibration::default(),
    };
    let bytes =
        std::fs::read(log).map_err(|error| Failure(format!("{}: {error}", log.display())))?;
    let curve =
        reduce_log(&read.stand, &calibration, &bytes, choice.choice()?).map_err(Failure::of)?;
    if as_json {
        json_line(&curve_output::json(&curve));
    } else {
        print_curve(&curve, &curve_output::units(read.stand.units, choice.units));
    }
    Ok(())
}

pub(super) fn read_calibration(file: &Path) -> Result<Calibration, Failure> {
    let shown = file.display();
    let text =
        std::fs::read_to_string(file).map_err(|error| Failure(format!("{shown}: {error}")))?;
    serde_json::from_str(&text).map_err(|error| Failure(format!("{shown}: {error}")))
}
