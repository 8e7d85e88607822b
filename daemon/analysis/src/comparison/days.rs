//! Check pulls: the days of one setup on a control chart, in words, a table and JSON.

use std::sync::LazyLock;

use leverarm_config::Stand;
use leverarm_config::display::DisplayUnits;
use leverarm_store::{ContentHash, SetupRecord, StoreReader};
use leverarm_torque::comparison::words::{counted, decimals_for, signed};
use leverarm_torque::comparison::{Estimate, SESSION_PAUSE_S};
use leverarm_torque::control_chart::{Alarm, Chart, CheckPull, DAYS_BEFORE_MIN, Judged, SCHEME};
use serde_json::{Value, json};

use super::report::Rows;
use super::{
    Aside, CompareError, CurveFiles, LeftOut, in_words, named_setups, pulls_as_made, reduce_all,
    same_for_all, seconds,
};
use crate::local_time::local_text;
use crate::mounting;
use crate::reduction::CurveChoice;

/// Days until an alarm on average, after a change by none, one and two standard deviations of a day.
static RUN_LENGTHS: LazyLock<[f64; 3]> =
    LazyLock::new(|| [0.0, 1.0, 2.0].map(|shift| SCHEME.run_length(shift)));

/// The chart of a setup with what it was made from.
#[derive(Debug, Clone)]
pub struct StoredDays {
    /// The statistics; values are average torques in N·m.
    pub chart: Chart,
    /// The stand, as it was with the newest pull.
    pub stand: Stand,
    /// The setup.
    pub setup: SetupRecord,
    /// The speeds averaged over.
    pub range_rpm: (f64, f64),
    /// Pulls that took part.
    pub pulls: usize,
    /// The date of each day where the stand is, and the calibrations in force, by its first pull.
    facts: Vec<(String, ContentHash)>,
    /// Pulls that don't cover the speeds, or have no curve.
    left_out: Vec<LeftOut>,
}

/// The days of a setup, by name, or else of the one that was tested in most sessions. Without a range all
/// speeds count that every pull has.
///
/// # Errors
/// See [`CompareError`].
pub fn days_of_setup(
    reader: &StoreReader,
    name: Option<&str>,
    range_rpm: Option<(f64, f64)>,
    choice: CurveChoice,
) -> Result<StoredDays, CompareError> {
    let all = pulls_as_made(reader)?;
    let builds = mounting::builds(reader, &all)?;
    let aside = Aside::of(reader)?;
    let mut records: Vec<_> = all
        .into_iter()
        .filter(|pull| aside.reason(pull).is_none())
        .collect();
    records.sort_by_key(|pull| (pull.started_wall_us, pull.id));
    let setup = match name {
        Some(name) => named_setups(reader, &[name.to_owned()])?.into_iter().next(),
        None => {
            let sessions = |setup: &SetupRecord| {
                let own = records.iter().filter(|pull| pull.setup == Some(setup.id));
                let times: Vec<f64> = own.map(|pull| seconds(pull.started_wall_us)).collect();
                let pauses = times.windows(2).filter(|t| t[1] - t[0] > SESSION_PAUSE_S);
                times.len().min(1) + pauses.count()
            };
            // Of equals the one that was there first.
            let setups = reader.setups()?.into_iter().rev();
            setups.max_by_key(sessions)
        }
    };
    let Some(setup) = setup else {
        return Err(CompareError::none_but(&[]));
    };
    records.retain(|pull| pull.setup == Some(setup.id));
    let (stand, choice) = same_for_all(reader, &records, &[], choice)?;
    let files = CurveFiles::new(reader, choice, false)?;
    let curves = reduce_all(reader, &records, &files, |_, _| {})?;
    let mut left_out = Vec::new();
    let mut reduced = Vec::new();
    for (pull, curve) in records.into_iter().zip(curves) {
        match curve {
            Ok((curve, _)) if curve.rpm.len() > 1 => reduced.push((pull, curve)),
            Ok(_) => {
                let reason = "one trustworthy point only".to_owned();
                left_out.push(LeftOut { pull, reason });
            }
            Err(error) => left_out.push(LeftOut::without_curve(pull, &error)),
        }
    }
    if reduced.is_empty() {
        return Err(CompareError::none_but(&left_out));
    }
    let ends = |rpm: &[f64]| Some((*rpm.first()?, *rpm.last()?));
    let common = reduced.iter().filter_map(|(_, curve)| ends(&curve.rpm));
    let common = common.fold((f64::NEG_INFINITY, f64::INFINITY), |(low, high), own| {
        (own.0.max(low), own.1.min(high))
    });
    let (low_rpm, high_rpm) = range_rpm.unwrap_or(common);
    let mut pulls = Vec::new();
    let mut facts = Vec::new();
    let wanted = format!("no torque from {low_rpm:.0} to {high_rpm:.0} rpm");
    for (record, curve) in reduced {
        let covers = ends(&curve.rpm).is_some_and(|(low, high)| low <= low_rpm && high_rpm <= high);
        let average = average_torque_nm(&curve.rpm, &curve.torque_nm, (low_rpm, high_rpm));
        let (true, Some(value)) = (covers, average) else {
            let (pull, reason) = (record, wanted.clone());
            left_out.push(LeftOut { pull, reason });
            continue;
        };
        let time_s = seconds(record.started_wall_us);
        let last = pulls.last().map(|pull: &CheckPull| pull.time_s);
        if last.is_none_or(|last| time_s - last > SESSION_PAUSE_S) {
            let text = local_text(record.started_wall_us);
            let (date, _) = text.split_once(' ').unwrap_or((text.as_str(), ""));
            facts.push((date.to_owned(), record.calibration));
        }
        pulls.push(CheckPull {
            time_s,
            build: builds.get(&record.id).copied().unwrap_or(0),
            value,
        });
    }
    if pulls.is_empty() {
        return Err(CompareError::none_but(&left_out));
    }
    Ok(StoredDays {
        chart: Chart::new(&pulls),
        stand,
        setup,
        range_rpm: (low_rpm, high_rpm),
        pulls: pulls.len(),
        facts,
        left_out,
    })
}

/// Average over a range that the curve covers; none when the range holds fewer than two of its speeds.
fn average_torque_nm(rpm: &[f64], torque_nm: &[f64], (low, high): (f64, f64)) -> Option<f64> {
    let inside: Vec<(f64, f64)> = rpm
        .iter()
        .zip(torque_nm)
        .map(|(rpm, torque)| (*rpm, *torque))
        .filter(|(rpm, _)| (low..=high).contains(rpm))
        .collect();
    let (first, last) = (inside.first()?.0, inside.last()?.0);
    let area: f64 = inside
        .windows(2)
        .map(|pair| 0.5 * (pair[0].1 + pair[1].1) * (pair[1].0 - pair[0].0))
        .sum();
    (last > first).then(|| area / (last - first))
}

/// The chart on its way out, in the units it is shown in.
#[derive(Debug, Clone, Copy)]
pub struct DaysReport<'a> {
    /// The units.
    pub units: DisplayUnits,
    /// What is shown.
    pub found: &'a StoredDays,
}

impl DaysReport<'_> {
    fn mean_nm(&self) -> f64 {
        let days = &self.found.chart.days;
        days.iter().map(|judged| judged.day.value).sum::<f64>() / days.len().max(1) as f64
    }

    fn day(&self, index: usize) -> String {
        let facts = self.found.facts.get(index);
        facts.map_or_else(String::new, |(date, _)| date.clone())
    }

    /// What the charts say, the answer first.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        let (chart, units) = (&self.found.chart, &self.units);
        let mut lines = Vec::new();
        let missing = (DAYS_BEFORE_MIN + 1).saturating_sub(chart.days.len());
        let judged = chart.days.iter().any(|judged| judged.against.is_some());
        if let Some(change) = chart.change {
            let percent = 100.0 * change.difference / self.mean_nm();
            let difference = Estimate::new(
                units.torque.difference(change.difference),
                units.torque.difference(change.half_width),
            );
            let decimals = decimals_for(difference.half_width).max(1);
            let amount = format!(
                "{} ± {:.decimals$} {}",
                signed(difference.value, decimals),
                difference.half_width,
                units.torque.symbol
            );
            let (from, alarm) = (self.day(change.from), self.day(change.alarm));
            lines.push(if change.difference.abs() > change.half_width {
                let percent_decimals = decimals_for(percent.abs()).max(1);
                format!(
                    "the stand reads {:.percent_decimals$} % {} than before ({amount}), from {from} on; the alarm came on {alarm}",
                    percent.abs(),
                    if percent < 0.0 { "lower" } else { "higher" },
                )
            } else {
                format!(
                    "the stand may read otherwise than before, from {from} on: the alarm came on {alarm}, but the days since tell too little of how much ({amount})"
                )
            });
            let calibration = |day: usize| self.found.facts.get(day).map(|(_, hash)| hash);
            let before = change.from.checked_sub(1).and_then(calibration);
            lines.push(if before == calibration(change.from) {
                "no calibration changed on that day: look at engine, tyre or chain, losses, load cell and air (leverarm journal)".to_owned()
            } else {
                "other calibrations are in force since that day: see whether one of them explains it (leverarm calibrations)".to_owned()
            });
        } else if judged {
            let apart: Vec<String> = chart
                .days
                .iter()
                .zip(0..)
                .filter(|(judged, _)| alarm_of(judged).is_some())
                .map(|(_, index)| self.day(index))
                .collect();
            lines.push("nothing says that the stand reads otherwise than before".to_owned());
            if !apart.is_empty() {
                lines.push(format!(
                    "days out of control before the last: {}",
                    apart.join(", ")
                ));
            }
        } else {
            lines.push(format!(
                "can't tell yet: a day is judged by those before it; test {} on {missing} more {}",
                self.found.setup.name,
                if missing == 1 { "day" } else { "days" }
            ));
        }
        if let Some(against) = chart.days.iter().rev().find_map(|judged| judged.against) {
            lines.push(format!(
                "one standard deviation of a day is {:.2} % now; a change by as much shows after {:.0} days on average, by twice as much after {:.0}; a steady stand gives a false alarm once in {:.0} days",
                100.0 * against.half_width / against.centre / SCHEME.shewhart_limit,
                RUN_LENGTHS[1],
                RUN_LENGTHS[2],
                RUN_LENGTHS[0]
            ));
        }
        if !self.found.left_out.is_empty() {
            lines.push(in_words(&self.found.left_out));
        }
        lines
    }

    /// What the table is of.
    #[must_use]
    pub fn title(&self) -> String {
        format!(
            "{}: average torque from {:.0} to {:.0} rpm, {} on {}",
            self.found.setup.name,
            self.found.range_rpm.0,
            self.found.range_rpm.1,
            counted(self.found.pulls, "pull", "pulls"),
            counted(self.found.chart.days.len(), "day", "days")
        )
    }

    /// The days: their mean, what is expected of it by the days before, and both charts.
    #[must_use]
    pub fn table(&self) -> Rows {
        let unit = self.units.torque;
        let sizes = self
            .found
            .chart
            .days
            .iter()
            .filter_map(|judged| judged.against);
        let least = sizes
            .map(|against| against.half_width)
            .fold(f64::INFINITY, f64::min);
        let decimals = decimals_for(unit.difference(least)).max(2);
        let rows = self
            .found
            .chart
            .days
            .iter()
            .zip(0..)
            .map(|(judged, index)| {
                let day = &judged.day;
                let mut row = vec![
                    self.day(index),
                    day.pulls.to_string(),
                    day.builds.to_string(),
                    format!("{:.decimals$}", unit.number(day.value)),
                ];
                row.extend(judged.against.map_or_else(
                    || vec![String::new(); 4],
                    |against| {
                        let apart = match against.alarm {
                            Some(Alarm::Day) => "day apart",
                            Some(Alarm::Trend) => "trend",
                            None => "",
                        };
                        vec![
                            format!(
                                "{:.decimals$} ± {:.decimals$}",
                                unit.number(against.centre),
                                unit.difference(against.half_width)
                            ),
                            signed(against.deviation, 1),
                            format!("{} ± {:.2}", signed(against.ewma, 2), against.ewma_limit),
                            apart.to_owned(),
                        ]
                    },
                ));
                row
            });
        let mean = format!("mean\n{}", unit.symbol);
        let expected = format!("expected\n{}", unit.symbol);
        let headings = [
            "day",
            "pulls",
            "builds",
            &mean,
            &expected,
            "devi-\nation",
            "weighted\nmean",
            "alarm",
        ];
        Rows {
            rows: rows.collect(),
            headings: headings.map(str::to_owned).to_vec(),
            text_columns: 1,
        }
    }

    /// All of it.
    #[must_use]
    pub fn json(&self) -> Value {
        let chart = &self.found.chart;
        let days = chart.days.iter().zip(0..).map(|(judged, index)| {
            let day = &judged.day;
            json!({
                "day": self.day(index),
                "time_s": day.time_s,
                "pulls": day.pulls,
                "builds": day.builds,
                "average_torque_nm": day.value,
                "own_standard_deviation_nm": day.own_variance.sqrt(),
                "against": judged.against.map(|against| json!({
                    "centre_nm": against.centre,
                    "half_width_nm": against.half_width,
                    "deviation": against.deviation,
                    "ewma": against.ewma,
                    "ewma_limit": against.ewma_limit,
                    "alarm": against.alarm.map(|alarm| match alarm {
                        Alarm::Day => "day",
                        Alarm::Trend => "trend",
                    }),
                })),
            })
        });
        json!({
            "setup": self.found.setup.name,
            "range_rpm": [self.found.range_rpm.0, self.found.range_rpm.1],
            "scheme": {
                "shewhart_limit": SCHEME.shewhart_limit,
                "ewma_weight": SCHEME.weight,
                "ewma_limit": SCHEME.ewma_limit,
                "days_to_a_false_alarm": RUN_LENGTHS[0],
            },
            "pull_sd_nm": chart.pull_sd,
            "build_sd_nm": chart.build_sd,
            "days": days.collect::<Vec<_>>(),
            "change": chart.change.map(|change| json!({
                "from": self.day(change.from),
                "alarm": self.day(change.alarm),
                "difference_nm": change.difference,
                "half_width_nm": change.half_width,
            })),
            "left_out": self.found.left_out.iter().map(LeftOut::json).collect::<Vec<Value>>(),
            "words": self.words(),
        })
    }
}

fn alarm_of(judged: &Judged) -> Option<Alarm> {
    judged.against?.alarm
}

#[cfg(test)]
mod tests {
    use leverarm_store::SetupId;

    use super::*;

    /// Uniform from 0 to 1, then normal: a small generator of its own (Park and Miller's minimal standard,
    /// *Communications of the ACM* 31 (1988) 1192; sum of twelve).
    struct Chance(u64);

    impl Chance {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0 * 48_271 % 2_147_483_647;
            self.0 as f64 / 2_147_483_647.0
        }

        fn below(&mut self, count: u64) -> u32 {
            self.uniform();
            u32::try_from(self.0 % count).unwrap()
        }

        fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
        }
    }

    fn random(seed: u64, stand: &Stand) -> StoredDays {
        let mut chance = Chance(seed * 7919 + 1);
        let days = 1 + chance.below(20);
        let changed = chance.below(25);
        let step = 0.1 * chance.normal();
        let mut pulls = Vec::new();
        let mut facts = Vec::new();
        for day in 0..days {
            let of_day = 0.03 * chance.normal() + if day >= changed { step } else { 0.0 };
            // Calibrated again on some day.
            let calibration = ContentHash::of(if day * 2 > days { "new" } else { "old" });
            facts.push((format!("day {day}"), calibration));
            for number in 0..1 + day % 3 {
                pulls.push(CheckPull {
                    time_s: 86_400.0 * f64::from(day) + 600.0 * f64::from(number),
                    build: pulls.len() / 2,
                    value: 11.0 + of_day + 0.02 * chance.normal(),
                });
            }
        }
        StoredDays {
            chart: Chart::new(&pulls),
            stand: stand.clone(),
            setup: SetupRecord {
                id: SetupId::new(1),
                name: "main jet 105".to_owned(),
                created_wall_us: 0,
                notes: String::new(),
                parts: Value::Null,
            },
            range_rpm: (4000.0, 8000.0),
            pulls: pulls.len(),
            facts,
            left_out: Vec::new(),
        }
    }

    #[test]
    fn no_sentence_contradicts_the_chart() {
        let text = include_str!("../../../src/rehearsal/demo.toml");
        let stand = leverarm_config::parse("demo.toml", text).unwrap();
        let mut kinds = [0_u32; 5];
        for seed in 0..3000 {
            let found = random(seed, &stand);
            let report = DaysReport {
                units: DisplayUnits::SI,
                found: &found,
            };
            let (chart, words) = (&found.chart, report.words());
            let first = &words[0];
            let about = format!("seed {seed}: {words:?}");
            let table = report.table().rows;
            let alarms = |rows: &[Vec<String>]| rows.iter().filter(|r| !r[7].is_empty()).count();
            if let Some(change) = chart.change {
                let sure = change.difference.abs() > change.half_width;
                assert_eq!(first.contains("the stand reads"), sure, "{about}");
                assert_eq!(first.contains("the stand may read"), !sure, "{about}");
                if sure {
                    let word = if change.difference < 0.0 {
                        "lower"
                    } else {
                        "higher"
                    };
                    assert!(first.contains(&format!(" % {word} than before")), "{about}");
                    let percent = 100.0 * change.difference.abs() / 11.0;
                    let said = first.split(' ').nth(3).unwrap();
                    let said: f64 = said.parse().unwrap();
                    assert!((said - percent).abs() < 0.05 + 0.02 * percent, "{about}");
                    assert!(said > 0.0, "{about}");
                }
                assert!(
                    first.contains(&format!("from day {} on", change.from)),
                    "{about}"
                );
                assert!(
                    first.contains(&format!("alarm came on day {}", change.alarm)),
                    "{about}"
                );
                assert_eq!(alarms(&table[change.alarm..=change.alarm]), 1, "{about}");
                assert_eq!(alarms(&table[..change.from]) > 0, {
                    let before = &chart.days[..change.from];
                    before.iter().any(|day| alarm_of(day).is_some())
                });
                let same = found.facts[change.from].1 == found.facts[change.from - 1].1;
                assert_eq!(
                    words[1].starts_with("no calibration changed"),
                    same,
                    "{about}"
                );
                kinds[usize::from(sure)] += 1;
            } else if chart.days.iter().any(|day| day.against.is_some()) {
                assert_eq!(
                    first,
                    "nothing says that the stand reads otherwise than before"
                );
                let said = words
                    .iter()
                    .find(|line| line.starts_with("days out of control"));
                let named = said.map_or(0, |line| line.matches("day ").count());
                assert_eq!(named, alarms(&table), "{about}");
                kinds[2 + usize::from(named > 0)] += 1;
            } else {
                let missing = 3 - chart.days.len();
                assert!(first.contains(&format!("on {missing} more day")), "{about}");
                assert_eq!(alarms(&table), 0, "{about}");
                kinds[4] += 1;
            }
        }
        // All kinds were among them; a change that is not clear is rare.
        assert!(kinds[1..].iter().all(|count| *count > 30), "{kinds:?}");
    }
}
