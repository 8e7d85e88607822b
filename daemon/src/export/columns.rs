//! Columns of a pull: its reduced curve, and its raw samples.

use leverarm_config::{ChannelId, Signal, Stand};
use leverarm_torque::curve::{CurvePoint, Cycles};

use leverarm_torque::engine::Reading;

use super::{Column, Table};
use leverarm_analysis::engine::{EngineFigure, EnginePull};
use leverarm_analysis::reduction::ReducedPull;
use leverarm_analysis::replay::Recording;
use leverarm_store::PullRecord;

fn name_of(pull: &PullRecord, is_simulated: bool) -> String {
    format!(
        "pull {}, {}{}",
        pull.id,
        pull.setup_name.as_deref().unwrap_or("no setup"),
        if is_simulated { ", rehearsal" } else { "" }
    )
}

/// Pull and setup in every row, and 1 where the board was a simulated one.
fn belonging(pull: &PullRecord, is_simulated: bool, rows: usize) -> [Column; 3] {
    let setup = pull.setup_name.clone().unwrap_or_default();
    [
        Column::whole("pull", "1", vec![pull.id.get(); rows]),
        Column::texts("setup", vec![setup; rows]),
        Column::whole("simulated", "1", vec![i64::from(is_simulated); rows]),
    ]
}

/// The curve of a pull, a row for each engine speed, in the order of time; with `engine`, what it
/// tells of fuel, air and mixture and every channel beside it.
#[must_use]
pub fn reduced(reduced: &ReducedPull, engine: Option<&EnginePull>) -> Table {
    let mut points: Vec<&CurvePoint> = reduced.curve.points.iter().collect();
    points.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    let column = |name: &str, unit: &str, value: &dyn Fn(&CurvePoint) -> f64| {
        let values = points.iter().map(|point| value(point)).collect();
        Column::numbers(name, unit, values)
    };
    // A point that can't be trusted has no value here, as it has none on the page.
    let trusted = |value: &'static dyn Fn(&CurvePoint) -> f64| {
        move |p: &CurvePoint| if p.trustworthy { value(p) } else { f64::NAN }
    };
    let mut columns = vec![
        column("time", "s", &|p| p.time_s),
        column("rpm", "rpm", &|p| p.rpm),
        column("torque", "N·m", &trusted(&|p| p.torque_nm)),
        column("power", "W", &trusted(&CurvePoint::power_w)),
        column(
            "measured_torque",
            "N·m",
            &trusted(&|p| p.measured_torque_nm),
        ),
        column(
            "expanded_uncertainty",
            "N·m",
            &trusted(&CurvePoint::expanded_uncertainty_nm),
        ),
        column(
            "pull_to_pull_uncertainty",
            "N·m",
            &trusted(&CurvePoint::pull_to_pull_uncertainty_nm),
        ),
        column("resolution", "rpm", &|p| {
            p.resolution_rpm.unwrap_or(f64::NAN)
        }),
    ];
    let slips = points.iter().any(|point| point.slip_power_w.is_some());
    columns
        .extend(slips.then(|| column("slip_power", "W", &|p| p.slip_power_w.unwrap_or(f64::NAN))));
    // Of the pull as a whole, in every row.
    let cycles = reduced.curve.cycles.as_ref();
    let whole = |value: fn(&Cycles) -> f64| vec![cycles.map_or(f64::NAN, value); points.len()];
    columns.extend([
        Column::numbers("cycle_variation", "1", whole(|cycles| cycles.cov)),
        Column::numbers(
            "cycle_variation_expanded_uncertainty",
            "1",
            whole(Cycles::expanded_uncertainty),
        ),
        Column::numbers("misfired_cycles", "1", whole(Cycles::misfired)),
        Column::numbers("jolts", "1", whole(|cycles| cycles.jolts.len() as f64)),
    ]);
    columns.extend(reduced.curve.shuffle.iter().flat_map(|it| {
        let alike = |value: f64| vec![value; points.len()];
        let damping_ratio = it.damping_ratio.unwrap_or(f64::NAN);
        [
            Column::numbers("shuffle", "Hz", alike(it.frequency_hz)),
            Column::numbers("shuffle_damping_ratio", "1", alike(damping_ratio)),
        ]
    }));
    columns.extend(
        engine
            .into_iter()
            .flat_map(|engine| of_engine(engine, &points)),
    );
    let is_simulated = reduced.raw.is_simulated;
    columns.extend(belonging(&reduced.pull, is_simulated, points.len()));
    Table {
        name: name_of(&reduced.pull, is_simulated),
        start_wall_us: reduced.pull.started_wall_us,
        columns,
    }
}

/// Figures of the engine and channels, each with the half width of its 95 % interval.
fn of_engine(engine: &EnginePull, points: &[&CurvePoint]) -> Vec<Column> {
    let both = |name: &str, unit: &str, readings: Vec<Option<Reading>>| {
        let column = |of: fn(Reading) -> f64| -> Vec<f64> {
            let values = readings.iter().map(|reading| reading.map_or(f64::NAN, of));
            values.collect()
        };
        [
            Column::numbers(name, unit, column(|r| r.value)),
            Column::numbers(
                &format!("{name}_expanded_uncertainty"),
                unit,
                column(|r| r.expanded()),
            ),
        ]
    };
    let figures = EngineFigure::ALL.iter().flat_map(|figure| {
        let readings = engine.figure_at(figure, points);
        both(figure.name, figure.si_unit(), readings)
    });
    let channels = engine.channels.iter().flat_map(|channel| {
        let name = channel.name.replace(' ', "_");
        let readings = engine.channel_at(channel, points);
        both(&name, channel.quantity.si_unit(), readings)
    });
    figures.chain(channels).collect()
}

/// The raw samples of a pull, a table for each pickup and channel: counts as they came, and for
/// channels with a law of their own the SI value. Time is zero where the pull began.
#[must_use]
pub fn raw(pull: &PullRecord, stand: &Stand, recording: &Recording) -> Vec<Table> {
    let ticks = pull.tick_first_wanted..=pull.tick_end.unwrap_or(u64::MAX);
    let time_s = |tick: u64| {
        let since = tick.wrapping_sub(pull.tick_start).cast_signed();
        since as f64 / recording.tick_hz
    };
    let table = |channel: &str, times: Vec<f64>, counts: Vec<i64>, si: Option<Vec<f64>>, unit| {
        let rows = times.len();
        let values = si.unwrap_or_else(|| vec![f64::NAN; rows]);
        let unit: &str = unit;
        let mut columns = vec![
            Column::numbers("time", "s", times),
            Column::whole("counts", "1", counts),
            Column::numbers("value", unit, values),
            Column::texts("unit", vec![unit.to_owned(); rows]),
            Column::texts("channel", vec![channel.to_owned(); rows]),
        ];
        columns.extend(belonging(pull, recording.is_simulated, rows));
        Table {
            name: format!("{}: {channel}", name_of(pull, recording.is_simulated)),
            start_wall_us: pull.started_wall_us,
            columns,
        }
    };
    let mut tables = Vec::new();
    for pickup in recording.edges.iter().map(|(pickup, _)| *pickup) {
        let edges = recording.edges_within(pickup, ticks.clone());
        let times = edges.iter().map(|edge| time_s(edge.tick)).collect();
        let numbers = edges.iter().map(|edge| edge.number.cast_signed()).collect();
        tables.push(table(&format!("teeth_{pickup}"), times, numbers, None, "1"));
    }
    let mut sensor = |name: &str, signal: Signal, unit: &'static str| {
        let samples = recording.values_within(signal, ticks.clone()).iter();
        let there = samples.filter_map(|sample| Some((sample, sample.counts?)));
        let times = there.clone().map(|(sample, _)| time_s(sample.tick));
        let counts = there.clone().map(|(_, counts)| i64::from(counts));
        // What can't be right stays: a table of raw samples is where one looks for the reason.
        let values = there.map(|(sample, _)| sample.value.si().unwrap_or(f64::NAN));
        let (times, counts) = (times.collect(), counts.collect());
        tables.push(table(name, times, counts, Some(values.collect()), unit));
    };
    if let Some(cell) = &stand.load_cell {
        sensor(&format!("force_{}", cell.channel), Signal::LoadCell, "N");
    }
    for (index, channel) in stand.channels.iter().enumerate() {
        let name = channel.name.replace(' ', "_");
        sensor(
            &name,
            Signal::Channel(ChannelId(index)),
            channel.quantity.si_unit(),
        );
    }
    tables.retain(|table| !table.is_empty());
    tables
}
