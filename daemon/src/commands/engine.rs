//! The engine's side of a pull and of a comparison: tables, words, plots and JSON.

use leverarm_config::display::{DisplayUnit, DisplayUnits};
use leverarm_config::units;
use leverarm_torque::comparison::Estimate;
use leverarm_torque::comparison::words::{decimals_for, tens};
use leverarm_torque::engine::{
    Cause, EnginePoint, LimitReport, MixtureCurve, Origin, Reading, RegionShares, Role,
    STANDARD_DRY_PA, STANDARD_K, Shares, TEST_DEPRESSIONS_PA,
};
use serde_json::{Value, json};

use super::curve_output::terminal_table;
use super::say;
use super::terminal::Table;
use crate::sheet::{PairReasons, SheetReasons};
use leverarm_analysis::comparison::{Report, Rows, StoredComparison};
use leverarm_analysis::comparison::{Why, why};
use leverarm_analysis::engine::{EngineFigure, EnginePull};
use leverarm_plot::{Axis, Mark, Panel, Plot, Series};

/// Rows of a table in the terminal, about.
const TABLE_ROWS: usize = 28;
/// Prints what a pull tells of the engine.
pub(super) fn print(pull: &EnginePull, units: &DisplayUnits) {
    say(&table(&pull.points, units).to_string());
    say(&format!(
        "± 95 %, sensors included; air, std: at {} dry and {} with the same filling",
        units.engine_pressure.text(STANDARD_DRY_PA, 1),
        units.temperature.text(STANDARD_K, 0)
    ));
    if let Some(top) = pull.points.last().filter(|p| !p.others.is_empty()) {
        let others = others_text(top, units).join(", ");
        say(&format!("at {:.0} rpm: {others}", top.rpm));
    }
    if let Some(friction) = &pull.friction {
        let (low, high) = friction.omega_range_rad_per_s;
        let at = |omega: f64| {
            format!(
                "{} at {:.0} rpm",
                units.torque.text(friction.torque_nm(omega).value, 2),
                omega / units::RPM_RAD_PER_S
            )
        };
        say(&format!(
            "friction and pumping, from the coast-down with the clutch in: {}, {} (± {})",
            at(low),
            at(high),
            units.torque.text(2.0 * friction.standard_uncertainty_nm, 2)
        ));
    }
    for line in limit_words(&pull.limits, units) {
        say(&line);
    }
}

/// A figure as a column: its unit, its readings, and decimals that its uncertainty is worth.
struct FigureColumn {
    figure: &'static EngineFigure,
    unit: DisplayUnit,
    decimals: usize,
}

impl FigureColumn {
    /// None where the pull has no value of it.
    fn of(
        figure: &'static EngineFigure,
        points: &[EnginePoint],
        units: &DisplayUnits,
    ) -> Option<Self> {
        let unit = figure.kind.unit(units);
        let readings: Vec<Reading> = points.iter().filter_map(figure.get).collect();
        let halves = readings.iter().map(|r| unit.difference(r.expanded()));
        let least = halves.reduce(f64::min)?;
        Some(Self {
            figure,
            unit,
            decimals: decimals_for(least),
        })
    }

    fn heading(&self) -> String {
        format!("{}\n{}", self.figure.heading, self.unit.symbol)
    }

    /// Value and half width of its 95 % interval.
    fn cells(&self, point: &EnginePoint) -> [String; 2] {
        let decimals = self.decimals;
        (self.figure.get)(point).map_or_else(Default::default, |reading| {
            let (value, half) = (reading.value, reading.expanded());
            [self.unit.number(value), self.unit.difference(half)]
                .map(|number| format!("{number:.decimals$}"))
        })
    }
}

fn table(points: &[EnginePoint], units: &DisplayUnits) -> Table {
    let measured: Vec<FigureColumn> = EngineFigure::ALL
        .iter()
        .filter_map(|figure| FigureColumn::of(figure, points, units))
        .collect();
    let mut headings = vec!["rpm".to_owned()];
    for column in &measured {
        headings.push(column.heading());
        headings.push("\n±".to_owned());
    }
    headings.push(String::new());
    let names: Vec<&str> = headings.iter().map(String::as_str).collect();
    let mut table = Table::new(names.iter().copied());
    let stride = points.len().div_ceil(TABLE_ROWS).max(1);
    for point in points.iter().step_by(stride) {
        let mut row = vec![format!("{:.0}", point.rpm)];
        row.extend(measured.iter().flat_map(|column| column.cells(point)));
        row.push(match point.lambda_disagrees() {
            Some(true) => "lambda disagrees".to_owned(),
            _ => String::new(),
        });
        table.add_row(row);
    }
    table.align_right(0..names.len().saturating_sub(1));
    table
}

/// What limits a pull, in sentences; what to measure next comes last.
pub(super) fn limit_words(report: &LimitReport, units: &DisplayUnits) -> Vec<String> {
    let unit = units.engine_pressure;
    let shown = |pa: f64| unit.text(pa, if unit.number(pa) < 1.0 { 3 } else { 2 });
    let percent = |r: Reading| format!("{:.0} ± {:.0} %", 100.0 * r.value, 100.0 * r.expanded());
    let fine = |r: Reading| format!("{:.1} ± {:.1} %", 100.0 * r.value, 100.0 * r.expanded());
    let mut lines = Vec::new();
    if let Some(filling) = &report.filling {
        let fall = filling.falls_off_rpm.map_or_else(
            || "it does not fall off up to the top".to_owned(),
            |rpm| {
                let by = report.restriction.and_then(|r| Some((r.falls_off_pa?, r)));
                let depression = by.map_or_else(String::new, |(at, r)| {
                    format!(
                        ", where the depression is {} ({} at its best) and rises to {}",
                        shown(at.value),
                        shown(r.best_pa.value),
                        shown(r.top_pa.value)
                    )
                });
                format!("it falls off from {rpm:.0} rpm on{depression}")
            },
        );
        lines.push(format!(
            "filling: VE is greatest at {:.0} rpm with {}; {fall}; at {:.0} rpm it is lower by {} of that",
            filling.best_rpm,
            fine(filling.best),
            filling.top_rpm,
            fine(filling.shortfall)
        ));
    }
    if let Some(restriction) = &report.restriction {
        let share = restriction.share_of_shortfall.map_or_else(String::new, |share| {
            format!(
                "; the rise of depression explains {} of the shortfall, the rest is valves, timing and pipes",
                percent(share)
            )
        });
        lines.push(format!(
            "intake: {} of depression at the top cost {} of the air{share}",
            shown(restriction.top_pa.value),
            fine(restriction.cost_at_top)
        ));
    }
    if let Some(device) = &report.device {
        let flow = units.volume_flow;
        let [at_first, at_second] = device.capacity_m3_per_s;
        let [load_first, load_second] = device.load;
        let [first_pa, second_pa] = TEST_DEPRESSIONS_PA;
        lines.push(format!(
            "metering device: passes {} at 1.5 inHg ({}) and {} at 3 inHg ({}); the engine draws {}, which is {:.0} % and {:.0} % of that",
            flow.text(at_first, 0),
            shown(first_pa),
            flow.text(at_second, 0),
            shown(second_pa),
            flow.text(device.flow_m3_per_s.value, 0),
            100.0 * load_first,
            100.0 * load_second
        ));
        let share = device
            .share_of_depression
            .map_or_else(String::new, |share| {
                format!(
                    ", {} of the depression measured: the rest is filter, box and pipes",
                    percent(share)
                )
            });
        lines.push(format!(
            "by its rating it needs {} for that flow{share}",
            shown(device.needed_pa.value)
        ));
    }
    if let (Some(first), Some(last)) = (
        report.lambda_disagrees_rpm.first(),
        report.lambda_disagrees_rpm.last(),
    ) {
        lines.push(format!(
            "LAMBDA DISAGREES: sensor and flows differ by more than their uncertainty at {} speeds from {first:.0} to {last:.0} rpm; a leak, a misfire or a meter may be the reason",
            report.lambda_disagrees_rpm.len()
        ));
    }
    lines.extend(
        report
            .missing
            .iter()
            .map(|missing| format!("next: {}", missing.advice())),
    );
    lines
}

fn reading_json(reading: Reading) -> Value {
    json!({ "value": reading.value, "plus_minus": reading.expanded() })
}

fn limits_json(report: &LimitReport) -> Value {
    json!({
        "filling": report.filling.map(|f| json!({
            "best_rpm": f.best_rpm,
            "best": reading_json(f.best),
            "top_rpm": f.top_rpm,
            "top": reading_json(f.top),
            "shortfall": reading_json(f.shortfall),
            "falls_off_rpm": f.falls_off_rpm,
        })),
        "restriction": report.restriction.map(|r| json!({
            "depression_at_best_pa": reading_json(r.best_pa),
            "depression_at_fall_off_pa": r.falls_off_pa.map(reading_json),
            "depression_at_top_pa": reading_json(r.top_pa),
            "cost_at_top": reading_json(r.cost_at_top),
            "share_of_shortfall": r.share_of_shortfall.map(reading_json),
        })),
        "device": report.device.map(|d| json!({
            "test_depressions_pa": TEST_DEPRESSIONS_PA,
            "capacity_m3_per_s": d.capacity_m3_per_s,
            "flow_m3_per_s": reading_json(d.flow_m3_per_s),
            "load": d.load,
            "needed_pa": reading_json(d.needed_pa),
            "share_of_depression": d.share_of_depression.map(reading_json),
        })),
        "lambda_disagrees_rpm": report.lambda_disagrees_rpm,
        "missing": report.missing.iter().map(|m| json!({
            "what": m.key(),
            "advice": m.advice(),
        })).collect::<Vec<Value>>(),
    })
}

/// A pull's figures of the engine over its speeds, all channels, and what limits it. Figures have
/// their unit at the end of their key; `*_plus_minus` is the half width of the 95 % interval.
pub(super) fn json(pull: &EnginePull) -> Value {
    let points = &pull.points;
    let mut object = json!({
        "rpm": points.iter().map(|p| p.rpm).collect::<Vec<f64>>(),
        "mean_piston_speed_m_per_s":
            points.iter().map(|p| p.piston_speed_m_per_s).collect::<Vec<Option<f64>>>(),
        "lambda_disagrees":
            points.iter().map(EnginePoint::lambda_disagrees).collect::<Vec<Option<bool>>>(),
        "air_from_fuel": points.iter().any(|p| p.air_from_fuel),
        "friction": pull.friction.map(|f| json!({
            "constant_nm": f.coefficients.first(),
            "per_rad_per_s_nm": f.coefficients.get(1),
            "plus_minus_nm": 2.0 * f.standard_uncertainty_nm,
        })),
        "channels": pull.channels.iter().map(|channel| json!({
            "name": channel.name,
            "unit": channel.quantity.si_unit(),
            "values": channel.values.iter().map(|r| r.map(|r| r.value)).collect::<Vec<_>>(),
            "plus_minus":
                channel.values.iter().map(|r| r.map(|r| r.expanded())).collect::<Vec<_>>(),
        })).collect::<Vec<Value>>(),
        "limits": limits_json(&pull.limits),
    });
    for figure in EngineFigure::ALL {
        let each: Vec<Option<Reading>> = points.iter().map(figure.get).collect();
        let values: Vec<Option<f64>> = each.iter().map(|r| r.map(|r| r.value)).collect();
        let half: Vec<Option<f64>> = each.iter().map(|r| r.map(|r| r.expanded())).collect();
        let key = figure.key("");
        object[format!("{key}_plus_minus")] = json!(half);
        object[key] = json!(values);
    }
    object
}

/// Filling, and what it would be without the intake's depression; mixture below.
pub(super) fn plot(
    pull: &EnginePull,
    units: &DisplayUnits,
    title: &str,
    subtitle: &str,
    notes: Vec<String>,
) -> Plot {
    let pressure = units.engine_pressure;
    let series = |label: &str,
                  style: usize,
                  get: &dyn Fn(&EnginePoint) -> Option<Reading>,
                  scale: f64| { readings(&pull.points, label, style, get, scale) };
    let ve = panel(
        "VE",
        "%",
        vec![series("VE", 0, &|p| p.volumetric_efficiency, 100.0)],
    );
    let lambda = panel(
        "Lambda",
        "",
        vec![
            series("sensor", 0, &|p| p.lambda, 1.0),
            series("flows", 1, &|p| p.lambda_of_flows, 1.0),
        ],
    );
    let depression = panel(
        "Depression",
        pressure.symbol,
        vec![series(
            "intake",
            2,
            &|p| p.depression_pa,
            pressure.number(1.0),
        )],
    );
    Plot {
        title: title.to_owned(),
        subtitle: subtitle.to_owned(),
        x: speed_axis(),
        panels: [ve, lambda, depression]
            .into_iter()
            .filter(|panel| panel.series.iter().any(has_points))
            .collect(),
        shades: Vec::new(),
        notes,
    }
}

fn has_points(series: &Series) -> bool {
    series.points.iter().any(|(_, y)| y.is_finite())
}

fn speed_axis() -> Axis {
    Axis::new("Engine speed", "rpm")
}

fn panel(label: &str, unit: &str, series: Vec<Series>) -> Panel {
    Panel::of(
        Axis::new(label, unit),
        series.into_iter().filter(has_points).collect(),
    )
}

fn readings(
    points: &[EnginePoint],
    label: &str,
    style: usize,
    get: &dyn Fn(&EnginePoint) -> Option<Reading>,
    scale: f64,
) -> Series {
    let at = |p: &EnginePoint| {
        let (value, half) = get(p).map_or((f64::NAN, f64::NAN), |r| (r.value, r.expanded()));
        (p.rpm, scale * value, scale * half)
    };
    let all: Vec<(f64, f64, f64)> = points.iter().map(at).collect();
    Series {
        label: label.to_owned(),
        points: all.iter().map(|(x, y, _)| (*x, *y)).collect(),
        band: Some(all.iter().map(|(x, y, b)| (*x, y - b, y + b)).collect()),
        style,
    }
}

// ------------------------------------------------------------------------------------- why

const fn cause_word(cause: Cause) -> &'static str {
    match cause {
        Cause::NoDifference => "no difference",
        Cause::Named(part) => part.word(),
        Cause::Open => "open",
    }
}

/// Why the setups of a comparison differ, pair by pair.
pub(super) struct WhyReport<'a> {
    found: &'a StoredComparison,
    whys: Vec<Why>,
    units: DisplayUnits,
}

impl<'a> WhyReport<'a> {
    /// Works it out, where the comparison looked at the engine.
    pub(super) fn of(report: &Report<'a>) -> Self {
        Self {
            found: report.found,
            whys: why(report.found),
            units: report.units,
        }
    }

    fn name(&self, setup: usize) -> &str {
        let setup = self.found.comparison.setups.get(setup);
        setup.map_or("?", |setup| setup.name.as_str())
    }

    pub(super) fn print(&self) {
        for why in &self.whys {
            say("");
            say(&format!(
                "why: {} against {}",
                self.name(why.second),
                self.name(why.first)
            ));
            if let Ok(found) = &why.attribution {
                say(&terminal_table(&self.table(&found.regions)).to_string());
            }
            for line in self.words(why) {
                say(&format!("  {line}"));
            }
        }
    }

    fn table(&self, regions: &[RegionShares]) -> Rows {
        let unit = self.units.torque;
        let text = |estimate: Option<Estimate>| {
            estimate.map_or_else(|| "not measured".to_owned(), |e| self.torque_text(e))
        };
        let row = |region: &RegionShares| {
            let parts = &region.parts;
            vec![
                format!("{}-{}", tens(region.from_rpm), tens(region.to_rpm)),
                cause_word(parts.cause()).to_owned(),
                text(Some(parts.total)),
                text(parts.air),
                text(parts.mixture),
                text(Some(parts.rest)),
            ]
        };
        Rows {
            headings: vec![
                "rpm".to_owned(),
                "cause".to_owned(),
                format!("difference {}", unit.symbol),
                "air".to_owned(),
                "mixture".to_owned(),
                "rest".to_owned(),
            ],
            rows: regions.iter().map(row).collect(),
            text_columns: 2,
        }
    }

    /// What a sheet says of it: title and lines of each pair, the parts of each range, the plot of each.
    pub(super) fn on_sheet(&self) -> SheetReasons {
        let pairs = self.whys.iter().map(|why| {
            let title = format!("{} against {}", self.name(why.second), self.name(why.first));
            let regions = why.attribution.as_ref().ok().map(|found| &found.regions);
            let rows = regions.map(|regions| self.table(regions));
            // What to measure next is for who tests, not for who reads.
            let mut lines = self.words(why);
            lines.retain(|line| !line.starts_with("next: "));
            PairReasons {
                title,
                ranges: rows,
                lines,
                plot: self.plot_of(why, "", ""),
            }
        });
        SheetReasons {
            pairs: pairs.collect(),
        }
    }

    fn torque_text(&self, estimate: Estimate) -> String {
        let unit = self.units.torque;
        let half = unit.difference(estimate.half_width);
        let decimals = decimals_for(half).min(3);
        format!(
            "{:+.decimals$} ± {half:.decimals$}",
            unit.difference(estimate.value)
        )
    }

    fn words(&self, why: &Why) -> Vec<String> {
        let mut lines = Vec::new();
        match &why.attribution {
            Err(error) => lines.push(format!("no attribution: {error}")),
            Ok(found) => {
                if why.withheld {
                    lines.push("the answer is kept back: this is of the plain numbers".to_owned());
                }
                let place = why.main_range();
                if let Some(region) = place.and_then(|place| found.regions.get(place)) {
                    lines.push(self.sentence(region));
                    lines.extend(region_details(region));
                }
                let (rich, lean) = MixtureCurve::LAMBDA;
                lines.push(format!(
                    "air: what a change of volumetric efficiency does; mixture: what a change of \
                     lambda does to the work of a mass of air, known for lambda {rich} to {lean}; \
                     rest: neither, with what putting parts back moves. ± 95 %, as pulls scatter alone"
                ));
            }
        }
        if !why.friction_measured {
            lines.push(
                "friction is estimated from the piston speed, within 30 %, and is part of the \
                 uncertainty"
                    .to_owned(),
            );
        }
        let [first, second] = &why.limits;
        for (setup, report) in [(why.first, first), (why.second, second)] {
            let own = LimitReport {
                missing: Vec::new(),
                ..report.clone()
            };
            for line in limit_words(&own, &self.units) {
                lines.push(format!("{}: {line}", self.name(setup)));
            }
        }
        lines.extend(why.missing.iter().map(|m| format!("next: {}", m.advice())));
        lines
    }

    fn sentence(&self, region: &RegionShares) -> String {
        let parts = &region.parts;
        let place = format!(
            "from {} to {} rpm",
            tens(region.from_rpm),
            tens(region.to_rpm)
        );
        let total = format!(
            "{} {}",
            self.torque_text(parts.total),
            self.units.torque.symbol
        );
        match parts.cause() {
            Cause::NoDifference => {
                format!(
                    "no measurable difference {place} ({total}), so there is nothing to explain"
                )
            }
            Cause::Named(part) => {
                let share = parts.share(part).map_or_else(String::new, |share| {
                    format!(
                        " makes {:.0} ± {:.0} % of it",
                        100.0 * share.value,
                        100.0 * share.half_width
                    )
                });
                format!("the difference {place} is {total}: {}{share}", named(part))
            }
            Cause::Open => format!(
                "the difference {place} is {total}; no single part stands out of its uncertainty"
            ),
        }
    }

    /// Puts it into a comparison's JSON: "why" of the first pair at the top, and of each pair in it.
    pub(super) fn add_to(&self, comparison: &mut Value) {
        let each = self.json();
        if let Some(first) = each.first() {
            comparison["why"] = first.clone();
        }
        let pairs = comparison.get_mut("pairs").and_then(Value::as_array_mut);
        for (pair, why) in pairs.into_iter().flatten().zip(each) {
            pair["why"] = why;
        }
    }

    fn json(&self) -> Vec<Value> {
        let each = self.whys.iter().map(|why| {
            let main = why.main_range();
            let found = why.attribution.as_ref().ok();
            let region = found.and_then(|found| found.regions.get(main?));
            let cause = region.map(|region| region.parts.cause());
            let share = region.and_then(|region| match region.parts.cause() {
                Cause::Named(part) => region.parts.share(part),
                Cause::NoDifference | Cause::Open => None,
            });
            let over_speed = |part: Origin| {
                found.map(|found| {
                    let each = found.parts.iter();
                    each.map(|parts| parts.part(part).map(|e| e.value))
                        .collect::<Vec<Option<f64>>>()
                })
            };
            json!({
                "first": self.name(why.first),
                "second": self.name(why.second),
                "cause": cause.map(cause_word),
                "share": share.map(|s| s.value),
                "share_plus_minus": share.map(|s| s.half_width),
                "range_rpm": region.map(|r| [r.from_rpm, r.to_rpm]),
                "parts": region.map(|r| parts_json(&r.parts)),
                "ranges": found.map(|found| found.regions.iter().map(|r| json!({
                    "from_rpm": r.from_rpm,
                    "to_rpm": r.to_rpm,
                    "cause": cause_word(r.parts.cause()),
                    "parts": parts_json(&r.parts),
                    "lambda": r.lambda,
                    "volumetric_efficiency": r.volumetric_efficiency,
                })).collect::<Vec<Value>>()),
                "rpm": found.map(|found| found.rpm.clone()),
                "air_nm": over_speed(Origin::Air),
                "mixture_nm": over_speed(Origin::Mixture),
                "rest_nm": over_speed(Origin::Rest),
                "friction_measured": why.friction_measured,
                "limits": why.limits.iter().map(limits_json).collect::<Vec<Value>>(),
                "missing": why.missing.iter().map(|m| m.key()).collect::<Vec<_>>(),
                "words": self.words(why),
            })
        });
        each.collect()
    }

    /// That of the first pair.
    pub(super) fn plot(&self, title: &str, subtitle: &str) -> Option<Plot> {
        self.plot_of(self.whys.first()?, title, subtitle)
    }

    /// Parts of the difference over speed, and the filling or mixture of both setups.
    fn plot_of(&self, why: &Why, title: &str, subtitle: &str) -> Option<Plot> {
        let found = why.attribution.as_ref().ok()?;
        let unit = self.units.torque;
        let line = |label: &str, style: usize, get: &dyn Fn(&Shares) -> Option<Estimate>| {
            let at = |(rpm, parts): (&f64, &Shares)| {
                let nan = Estimate::new(f64::NAN, f64::NAN);
                let e = get(parts).unwrap_or(nan);
                (
                    *rpm,
                    unit.difference(e.value),
                    unit.difference(e.half_width),
                )
            };
            let all: Vec<(f64, f64, f64)> = found.rpm.iter().zip(&found.parts).map(at).collect();
            Series {
                label: label.to_owned(),
                points: all.iter().map(|(x, y, _)| (*x, *y)).collect(),
                band: Some(all.iter().map(|(x, y, b)| (*x, y - b, y + b)).collect()),
                style,
            }
        };
        let mut parts = panel(
            "Difference",
            unit.symbol,
            vec![
                line("all", 0, &|p| Some(p.total)),
                line("air", 1, &|p| p.air),
                line("mixture", 2, &|p| p.mixture),
                line("rest", 3, &|p| Some(p.rest)),
            ],
        );
        parts.marks.push(Mark::Horizontal {
            y: 0.0,
            label: String::new(),
        });
        let [first, second] = &why.points;
        let both = |get: &dyn Fn(&EnginePoint) -> Option<Reading>, scale: f64| {
            vec![
                readings(first, self.name(why.first), 0, get, scale),
                readings(second, self.name(why.second), 1, get, scale),
            ]
        };
        let ve = panel("VE", "%", both(&|p| p.volumetric_efficiency, 100.0));
        let lambda = panel("Lambda", "", both(&EnginePoint::best_lambda, 1.0));
        Some(Plot {
            title: title.to_owned(),
            subtitle: subtitle.to_owned(),
            x: speed_axis(),
            panels: [parts, lambda, ve]
                .into_iter()
                .filter(|panel| !panel.series.is_empty())
                .collect(),
            shades: Vec::new(),
            notes: vec!["bands: 95 % at each speed by itself".to_owned()],
        })
    }
}

fn named(part: Origin) -> &'static str {
    match part {
        Origin::Air => "the air drawn in",
        Origin::Mixture => "the mixture",
        Origin::Rest => "neither air nor mixture, but the rest (ignition, compression, friction)",
    }
}

/// Filling and mixture of both, where measured.
fn region_details(region: &RegionShares) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some([first, second]) = region.lambda {
        lines.push(format!("lambda there: {first:.3}, then {second:.3}"));
    }
    if let Some([first, second]) = region.volumetric_efficiency {
        lines.push(format!(
            "VE there: {:.1} %, then {:.1} %",
            100.0 * first,
            100.0 * second
        ));
    }
    lines
}

fn parts_json(parts: &Shares) -> Value {
    let estimate = |e: Estimate| json!({ "value": e.value, "plus_minus": e.half_width });
    let part = |part: Origin| {
        parts.part(part).map(|found| {
            let share = parts.share(part);
            json!({
                "nm": estimate(found),
                "share": share.map(|s| s.value),
                "share_plus_minus": share.map(|s| s.half_width),
            })
        })
    };
    json!({
        "total_nm": estimate(parts.total),
        "air": part(Origin::Air),
        "mixture": part(Origin::Mixture),
        "rest": part(Origin::Rest),
    })
}

/// Readings of the other roles at a speed, for tables.
fn others_text(point: &EnginePoint, units: &DisplayUnits) -> Vec<String> {
    let shown = |role: Role, r: Reading| match role {
        Role::ExhaustTemperature(cylinder) => {
            // A number before it would read as its thousands.
            let of = match cylinder {
                1 => String::new(),
                other => format!(" of cylinder {other}:"),
            };
            format!("exhaust{of} {}", units.temperature.text(r.value, 0))
        }
        Role::OilTemperature | Role::CoolantTemperature => {
            format!("{} {}", role.word(), units.temperature.text(r.value, 0))
        }
        Role::Throttle => format!("throttle {:.0} %", 100.0 * r.value),
        Role::Battery => format!("battery {:.1} V", r.value),
        _ => format!("{} {}", role.word(), units.pressure.text(r.value, 0)),
    };
    let others = point.others.iter();
    others
        .map(|(role, reading)| shown(*role, *reading))
        .collect()
}
