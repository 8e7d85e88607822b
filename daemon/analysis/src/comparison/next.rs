//! What to test next: from what the store tells of two setups and of builds to the order that shows a
//! difference soonest.

use leverarm_config::display::DisplayUnit;
use leverarm_store::{SetupRecord, StoreReader};
use leverarm_torque::comparison::orders::{
    BUILDS_MAX, Cost, Judged, Order, Question, planned_build_sd, shows, soonest,
};
use leverarm_torque::comparison::two_sample::two_sided_factor;
use leverarm_torque::comparison::words::{counted, decimals_for};
use leverarm_torque::comparison::{Comparison, Memory, Options};
use serde_json::{Value, json};

use super::effects::tested_setups;
use super::report::Rows;
use super::{CompareError, EngineSide, SwapCost, compare_setups};
use crate::parts::part_differences;
use crate::reduction::CurveChoice;

/// Scatter of pulls and of builds where the store tells of none (common practice, no source).
const TYPICAL_SD: f64 = 0.003;
/// Difference asked for where nobody says, as a share.
const DIFFERENCE: f64 = 0.01;
/// Orders shown.
const SHOWN: usize = 5;

/// What to find out, and what it costs.
#[derive(Debug, Clone)]
pub struct NextTest<'a> {
    /// The two setups; they need not have been tested.
    pub setups: [&'a str; 2],
    /// What swapping parts costs.
    pub cost: &'a SwapCost,
    /// Minutes a pull takes, with cooling down after it.
    pub pull_min: f64,
    /// The list of steps that each test is; none: pulls.
    pub list: Option<&'a str>,
    /// How to compare; its difference to resolve is the one asked for.
    pub options: &'a Options,
}

/// The orders, with what they rest on.
#[derive(Debug, Clone)]
pub struct Advice {
    /// The two setups.
    pub setups: [String; 2],
    /// Mean torque that shares are of, N·m; none where nothing was tested.
    pub mean_nm: Option<f64>,
    /// The list of steps that each test is; none: pulls.
    pub list: Option<String>,
    /// What was asked, and what is known.
    pub question: Question,
    /// What shows now already, as a share; none where the difference is not told yet.
    pub shows_now: Option<f64>,
    /// Soonest first, one for each number of mountings.
    pub orders: Vec<(Order, Judged)>,
    /// What was taken for granted, in words.
    pub remarks: Vec<String>,
}

/// Which order of mountings shows a difference soonest.
///
/// # Errors
/// When the store can't be read, or what it holds can't be compared for a reason that more tests don't
/// mend.
pub fn next_test(
    reader: &StoreReader,
    asked: &NextTest<'_>,
    choice: CurveChoice,
) -> Result<Advice, CompareError> {
    let setups = asked.setups.map(str::to_owned);
    let tested = tested_setups(reader)?;
    let both = setups.iter().all(|name| tested.contains(name));
    // What builds and pulls scatter is told by all of the store, so any two setups serve.
    let pair: Vec<String> = if both {
        setups.to_vec()
    } else {
        tested.iter().take(2).cloned().collect()
    };
    let found = compare_setups(
        reader,
        &pair,
        choice,
        asked.options,
        EngineSide::LeftOut,
        |_, _| {},
    );
    let comparison = match found {
        Ok(found) => Some(found.comparison),
        Err(CompareError::Comparison { .. } | CompareError::NoPulls { .. }) => None,
        Err(error) => return Err(error),
    };
    let mean_nm = comparison.as_ref().and_then(mean_torque_nm);
    let mut remarks = Vec::new();
    let memory = comparison.as_ref().map(|c| c.memory.clone());
    let memory = memory.unwrap_or_default();
    let mut question = scatter(&memory, asked.options, &mut remarks);
    question.difference = match (asked.options.resolve_nm, mean_nm) {
        (Some(nm), Some(mean)) => nm / mean,
        (Some(_), None) => {
            remarks.push(
                "no torque is known yet, so the difference asked for is taken as 1 %".to_owned(),
            );
            DIFFERENCE
        }
        (None, _) => DIFFERENCE,
    };
    if both && let Some(comparison) = &comparison {
        question.known_error = known_error(comparison, question.known_left);
    }
    let cost = cost(reader, asked, &setups)?;
    Ok(Advice {
        shows_now: question
            .known_error
            .and_then(|error| shows(error, question.known_left, question.confidence)),
        orders: soonest(&question, &cost),
        setups,
        list: asked.list.map(str::to_owned),
        mean_nm,
        question,
        remarks,
    })
}

fn mean_torque_nm(comparison: &Comparison) -> Option<f64> {
    let first = comparison.setups.first()?;
    Some(first.figures.average_torque_nm.value).filter(|nm| *nm > 0.0)
}

/// What builds and pulls scatter by, and how well that is known.
fn scatter(memory: &Memory, options: &Options, remarks: &mut Vec<String>) -> Question {
    let mut or_typical = |what: &str, known: Option<f64>| {
        known.filter(|sd| *sd > 0.0).unwrap_or_else(|| {
            remarks.push(format!(
                "how much {what} scatter is not known here: taken as {:.1} %",
                100.0 * TYPICAL_SD
            ));
            TYPICAL_SD
        })
    };
    let typical = options
        .typical_build
        .filter(|_| memory.build_sd.is_none() || memory.is_typical);
    let build_sd = match typical {
        Some(typical) => typical.relative_sd,
        None => match memory.build_sd {
            // A scatter that few builds tell may be larger, and one that was found to be nothing too.
            Some(found) => planned_build_sd(
                found,
                memory.pull_sd.unwrap_or(0.0),
                memory.pulls as f64 / memory.builds.max(1) as f64,
                memory.repeated as f64,
            ),
            None => or_typical("builds", None),
        },
    };
    let pull_sd = or_typical("pulls", memory.pull_sd);
    if let Some(found) = memory.build_sd.filter(|_| typical.is_none()) {
        remarks.push(format!(
            "mountings were found to scatter by {:.2} %; {} tell that with some doubt, so {:.2} % is planned with, which they exceed once in five times",
            100.0 * found,
            match memory.repeated {
                1 => "1 repeat".to_owned(),
                count => format!("{count} repeats"),
            },
            100.0 * build_sd
        ));
    }
    Question {
        difference: DIFFERENCE,
        confidence: options.confidence,
        pull_sd,
        build_sd,
        known_error: None,
        known_left: memory.repeated as f64 + typical.map_or(0.0, |t| t.degrees_of_freedom),
    }
}

/// Standard error of the pair's average, as a share; none where the answer is kept back.
fn known_error(comparison: &Comparison, left: f64) -> Option<f64> {
    let pair = comparison.pairs.first()?;
    let mean = mean_torque_nm(comparison)?;
    let factor = two_sided_factor(1.0 - comparison.confidence, left.max(1.0));
    let error = pair.figures.average_torque_nm.half_width / factor / mean;
    (pair.ground.doubts.is_empty() && error > 0.0 && error.is_finite()).then_some(error)
}

/// Minutes by the parts that differ; one part where none is recorded.
fn cost(
    reader: &StoreReader,
    asked: &NextTest<'_>,
    setups: &[String; 2],
) -> Result<Cost, CompareError> {
    let all = reader.setups()?;
    let of_name = |name: &str| all.iter().find(|setup| setup.name == name);
    let pulls = reader.pulls()?;
    let last = pulls.iter().max_by_key(|pull| pull.started_wall_us);
    let on = last.and_then(|pull| all.iter().find(|setup| Some(setup.id) == pull.setup));
    let between = |from: Option<&SetupRecord>, to: Option<&SetupRecord>| -> f64 {
        let (Some(from), Some(to)) = (from, to) else {
            return asked.cost.each_min;
        };
        if from.id == to.id {
            return 0.0;
        }
        let differences = part_differences(&from.parts, &to.parts);
        if differences.is_empty() {
            return asked.cost.each_min;
        }
        differences
            .iter()
            .map(|part| asked.cost.minutes(&part.key))
            .sum()
    };
    let [first, second] = [0, 1].map(|i: usize| of_name(&setups[i]));
    Ok(Cost {
        begin_min: [between(on, first), between(on, second)],
        swap_min: between(first, second),
        pull_min: asked.pull_min,
    })
}

impl Advice {
    /// A share of torque as it is shown.
    fn share(&self, share: f64, unit: DisplayUnit) -> String {
        let Some(mean) = self.mean_nm else {
            return format!("{:.2} %", 100.0 * share);
        };
        let shown = unit.difference(share * mean);
        let decimals = decimals_for(shown).min(3);
        format!(
            "{shown:.decimals$} {} ({:.2} %)",
            unit.symbol,
            100.0 * share
        )
    }

    fn does(&self, judged: &Judged) -> bool {
        judged.shows.is_some_and(|s| s <= self.question.difference)
    }

    /// The advice first.
    #[must_use]
    pub fn words(&self, unit: DisplayUnit) -> Vec<String> {
        let [a, b] = &self.setups;
        let asked = self.share(self.question.difference, unit);
        let mut lines = Vec::new();
        if let Some(now) = self
            .shows_now
            .filter(|now| *now <= self.question.difference)
        {
            lines.push(format!(
                "nothing is left to test for this: a difference of {} would have shown already, 9 times out of 10",
                self.share(now, unit)
            ));
            return lines;
        }
        let Some((order, judged)) = self.orders.first() else {
            return lines;
        };
        if self.does(judged) {
            lines.push(format!(
                "soonest: {}, {} with each mounting, {:.0} min: a difference of {asked} then shows 9 times out of 10",
                order.letters(),
                pulls(order.pulls),
                judged.minutes
            ));
        } else {
            let shows = judged
                .shows
                .map_or_else(|| "nothing yet".to_owned(), |shows| self.share(shows, unit));
            lines.push(format!(
                "a difference of {asked} is more than one session of {BUILDS_MAX} mountings shows; nearest is {} with {} each: {shows}, in {:.0} min",
                order.letters(),
                pulls(order.pulls),
                judged.minutes
            ));
        }
        lines.push(format!("A is \"{a}\", B is \"{b}\""));
        if order.second.windows(2).any(|two| two[0] == two[1]) {
            lines.push(
                "the same letter twice: take it off and put it back on, and say so with `leverarm setup --again`"
                    .to_owned(),
            );
        }
        lines.push(format!("begin it with: {}", self.command(order)));
        lines
    }

    /// What begins this order as a plan.
    #[must_use]
    pub fn command(&self, order: &Order) -> String {
        let names = order.second.iter().map(|second| {
            let name = &self.setups[usize::from(*second)];
            format!(" \"{}\"", name.replace('"', "\\\""))
        });
        format!(
            "leverarm plan begin{} --pulls {}{}",
            names.collect::<String>(),
            order.pulls,
            self.list
                .as_ref()
                .map_or_else(String::new, |list| format!(" --list \"{list}\""))
        )
    }

    /// The soonest orders with each number of mountings.
    #[must_use]
    pub fn table(&self, unit: DisplayUnit) -> Rows {
        let rows = self.orders.iter().take(SHOWN).map(|(order, judged)| {
            vec![
                order.letters(),
                order.pulls.to_string(),
                format!("{:.0}", judged.minutes),
                judged
                    .shows
                    .map_or_else(|| "can't tell".to_owned(), |s| self.share(s, unit)),
                format!("{:.0} %", 100.0 * judged.bend.abs()),
            ]
        });
        Rows {
            rows: rows.collect(),
            headings: ["order", "pulls each", "minutes", "shows", "bend left"]
                .map(str::to_owned)
                .to_vec(),
            text_columns: 1,
        }
    }

    /// What the numbers rest on.
    #[must_use]
    pub fn ground_words(&self) -> Vec<String> {
        let known = &self.question;
        let mut lines = vec![format!(
            "reckoned with {:.2} % scatter of a pull and {:.2} % of a mounting (degrees of freedom: {:.0}); a straight drift leaves nothing, bend left is what a drift that sets in slowly leaves of itself",
            100.0 * known.pull_sd,
            100.0 * known.build_sd,
            known.known_left
        )];
        lines.extend(self.remarks.iter().cloned());
        lines
    }

    /// All of it; shares of the mean torque.
    #[must_use]
    pub fn json(&self) -> Value {
        let orders = self.orders.iter().map(|(order, judged)| {
            json!({
                "order": order.letters(),
                "pulls_each": order.pulls,
                "minutes": judged.minutes,
                "relative_shows": judged.shows,
                "relative_standard_error": judged.error,
                "degrees_of_freedom": judged.left,
                "bend_left": judged.bend,
                "resolves": self.does(judged),
                "command": self.command(order),
            })
        });
        json!({
            "a": self.setups[0],
            "b": self.setups[1],
            "mean_torque_nm": self.mean_nm,
            "relative_difference": self.question.difference,
            "pull_relative_sd": self.question.pull_sd,
            "build_relative_sd": self.question.build_sd,
            "known_relative_standard_error": self.question.known_error,
            "known_degrees_of_freedom": self.question.known_left,
            "relative_shows_now": self.shows_now,
            "orders": orders.collect::<Vec<_>>(),
            "remarks": self.remarks,
        })
    }
}

fn pulls(count: u32) -> String {
    counted(count as usize, "pull", "pulls")
}
