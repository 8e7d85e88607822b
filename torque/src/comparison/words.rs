//! A comparison in plain sentences.
//!
//! ```
//! use leverarm_torque::comparison::Estimate;
//! use leverarm_torque::comparison::words::TorqueUnit;
//!
//! let difference = Estimate::new(0.312, 0.081);
//! assert_eq!(TorqueUnit::NEWTON_METRE.estimate(difference), "+0.31 ± 0.08 N·m");
//! ```

use super::{
    Bend, Comparison, Crossover, Doubt, DriftAxis, Estimate, Extreme, Likeness, Pair,
    REPEATED_BUILDS_MIN, Region, Verdict,
};

/// The unit torque is shown in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TorqueUnit<'a> {
    /// Its symbol.
    pub symbol: &'a str,
    /// N·m in one.
    pub nm: f64,
}

impl TorqueUnit<'_> {
    /// N·m itself.
    pub const NEWTON_METRE: TorqueUnit<'static> = TorqueUnit {
        symbol: "N·m",
        nm: 1.0,
    };

    fn number(&self, nm: f64, decimals: usize) -> String {
        format!("{:.decimals$}", nm / self.nm)
    }

    fn text(&self, nm: f64, decimals: usize) -> String {
        format!("{} {}", self.number(nm, decimals), self.symbol)
    }

    /// A difference with its band, such as "+0.31 ± 0.08 N·m".
    #[must_use]
    pub fn estimate(&self, difference: Estimate) -> String {
        let decimals = decimals_for(difference.half_width / self.nm).max(1);
        format!(
            "{} ± {}",
            signed(difference.value / self.nm, decimals),
            self.text(difference.half_width, decimals)
        )
    }
}

/// Decimals with which a value of this size shows two digits when it begins with a 1 or 2, else one.
#[must_use]
pub fn decimals_for(size: f64) -> usize {
    let size = size.abs();
    let mut decimals = 0;
    while decimals < 4 && size > 0.0 && size * 10_f64.powi(decimals) < 3.0 {
        decimals += 1;
    }
    usize::try_from(decimals).unwrap_or(0)
}

/// With its sign, but for what is nothing as shown.
#[must_use]
pub fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{value:+.decimals$}");
    if text.contains(|c: char| ('1'..='9').contains(&c)) || !value.is_finite() {
        text
    } else {
        format!("{:.decimals$}", 0.0)
    }
}

/// "1 pull", "2 pulls".
#[must_use]
pub fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// Ranges without a sure difference that are narrower than this between two alike are said in passing,
/// in steps of the speeds.
const SLIVER_STEPS: f64 = 4.0;

/// Something said of a pair, with the numbers it rests on.
#[derive(Debug, Clone, PartialEq)]
pub enum Statement {
    /// The answer is kept back, and why.
    Withheld(Doubt),
    /// The average over the range.
    Average {
        /// Difference, N·m.
        difference: Estimate,
        /// What it says; [`Verdict::CannotTell`] gives the number only.
        verdict: Verdict,
    },
    /// At a speed that was asked for.
    At {
        /// The speed.
        rpm: f64,
        /// Difference, N·m.
        difference: Estimate,
        /// What it says.
        verdict: Verdict,
    },
    /// A range of speeds with one verdict.
    Range {
        /// The regions in it, of which those between the first and the last may be narrow ones without a
        /// sure difference.
        regions: Vec<Region>,
    },
    /// A crossing.
    Crossing(Crossover),
}

/// The average torque difference over the range, and what it says.
#[must_use]
pub fn average(pair: &Pair) -> (Estimate, Verdict) {
    let difference = pair.figures.average_torque_nm;
    (difference, verdict(pair, difference))
}

fn verdict(pair: &Pair, difference: Estimate) -> Verdict {
    if !pair.ground.doubts.is_empty() {
        Verdict::CannotTell
    } else if difference.value > difference.half_width {
        Verdict::Higher
    } else if difference.value < -difference.half_width {
        Verdict::Lower
    } else {
        Verdict::NoMeasurableDifference
    }
}

/// What the second setup of a pair does against the first, the answer to the question first: what keeps
/// it back, the average over the range, the speeds asked for, then ranges and crossings.
#[must_use]
pub fn statements(pair: &Pair) -> Vec<Statement> {
    let doubts = &pair.ground.doubts;
    let mut said: Vec<Statement> = doubts.iter().map(|d| Statement::Withheld(*d)).collect();
    let (difference, found) = average(pair);
    said.push(Statement::Average {
        difference,
        verdict: found,
    });
    said.extend(pair.figures.at_speeds.iter().map(|at| Statement::At {
        rpm: at.rpm,
        difference: at.torque_nm,
        verdict: verdict(pair, at.torque_nm),
    }));
    if doubts.is_empty() {
        let ranges = ranges(pair);
        said.extend(
            ranges
                .into_iter()
                .map(|regions| Statement::Range { regions }),
        );
        said.extend(pair.crossovers.iter().map(|c| Statement::Crossing(*c)));
    }
    said
}

/// Regions, joined over narrow ones without a sure difference; sure ones first.
fn ranges(pair: &Pair) -> Vec<Vec<Region>> {
    let narrow = SLIVER_STEPS * pair.step_rpm;
    let mut joined: Vec<Vec<Region>> = Vec::new();
    let mut rest = pair.regions.as_slice();
    while let [first, others @ ..] = rest {
        let mut own = vec![first.clone()];
        rest = others;
        while first.verdict.is_sure()
            && let [between, next, after @ ..] = rest
            && !between.verdict.is_sure()
            && next.verdict == first.verdict
            && between.to_rpm - between.from_rpm < narrow
            && own
                .last()
                .is_some_and(|last| last.to_rpm >= between.from_rpm)
            && between.to_rpm >= next.from_rpm
        {
            own.extend([between.clone(), next.clone()]);
            rest = after;
        }
        joined.push(own);
    }
    let sure = |own: &Vec<Region>| own.first().is_some_and(|r| r.verdict.is_sure());
    let (mut first, second): (Vec<_>, Vec<_>) = joined.into_iter().partition(sure);
    first.extend(second);
    first
}

/// The statements as one paragraph.
#[must_use]
pub fn differences(comparison: &Comparison, pair: &Pair, unit: TorqueUnit<'_>) -> String {
    let mut sentences: Vec<String> = Vec::new();
    let mut open = Vec::new();
    for statement in statements(pair) {
        match statement {
            // Of ranges without a sure difference several may be said at once.
            Statement::Range { regions } if !regions[0].verdict.is_sure() => open.extend(regions),
            other => sentences.push(sentence(comparison, pair, &other, unit)),
        }
    }
    let decimals = decimals_of(pair, unit);
    let at = sentences.len() - pair.crossovers.len().min(sentences.len());
    let groups = grouped(comparison, &open.iter().collect::<Vec<_>>(), decimals, unit);
    let said = groups
        .into_iter()
        .map(|(text, places)| format!("{} {text}", listed(&places)));
    sentences.splice(at..at, said);
    sentences.join("; ") + "."
}

fn decimals_of(pair: &Pair, unit: TorqueUnit<'_>) -> usize {
    let smallest = pair.band_nm.iter().copied().fold(f64::INFINITY, f64::min);
    decimals_for(smallest / unit.nm)
}

/// A statement in words.
#[must_use]
pub fn sentence(
    comparison: &Comparison,
    pair: &Pair,
    statement: &Statement,
    unit: TorqueUnit<'_>,
) -> String {
    let name = |setup: usize| {
        let setup = comparison.setups.get(setup);
        setup.map_or("?", |s| s.name.as_str())
    };
    let (first, second) = (name(pair.first), name(pair.second));
    let number = |difference: &Estimate, verdict: Verdict| {
        let amount = unit.estimate(*difference);
        match verdict {
            Verdict::Higher | Verdict::Lower => format!("{}, {amount}", verdict.word()),
            Verdict::NoMeasurableDifference => format!("no measurable difference, {amount}"),
            Verdict::CannotTell => format!("{amount} from the plain numbers"),
        }
    };
    match statement {
        Statement::Withheld(doubt) => {
            format!("can't tell {second} from {first}: {}", doubt_words(*doubt))
        }
        Statement::Average {
            difference,
            verdict,
        } => format!(
            "{second} against {first}, average torque from {} to {} rpm: {}",
            tens(comparison.range_rpm.0),
            tens(comparison.range_rpm.1),
            number(difference, *verdict)
        ),
        Statement::At {
            rpm,
            difference,
            verdict,
        } => {
            format!("at {rpm:.0} rpm: {}", number(difference, *verdict))
        }
        Statement::Crossing(crossover) => crossing(crossover),
        Statement::Range { regions } => {
            let decimals = decimals_of(pair, unit);
            let Some(whole) = span(regions) else {
                return String::new();
            };
            if !whole.verdict.is_sure() {
                let groups = grouped(comparison, &[&whole], decimals, unit);
                return groups
                    .iter()
                    .map(|(text, places)| format!("{} {text}", listed(places)))
                    .collect();
            }
            let (least, most) = match whole.verdict {
                Verdict::Lower => (-whole.high_nm, -whole.low_nm),
                _ => (whole.low_nm, whole.high_nm),
            };
            let gaps = if regions.len() > 1 {
                ", but for narrow gaps where it is not sure,"
            } else {
                ""
            };
            format!(
                "{second} is {} {}{gaps} by {}",
                whole.verdict.word(),
                place(comparison, &whole),
                amount(least, most, decimals, unit)
            )
        }
    }
}

/// Regions as one, with the numbers of all of them.
fn span(regions: &[Region]) -> Option<Region> {
    let (first, last) = (regions.first()?, regions.last()?);
    let least = |of: &dyn Fn(&Region) -> f64| regions.iter().map(of).fold(f64::INFINITY, f64::min);
    let most = |of: &dyn Fn(&Region) -> f64| regions.iter().map(of).fold(-f64::INFINITY, f64::max);
    Some(Region {
        to_rpm: last.to_rpm,
        low_nm: least(&|r| r.low_nm),
        high_nm: most(&|r| r.high_nm),
        possible_nm: (least(&|r| r.possible_nm.0), most(&|r| r.possible_nm.1)),
        detectable_nm: most(&|r| r.detectable_nm),
        ..first.clone()
    })
}

fn doubt_words(doubt: Doubt) -> String {
    match doubt {
        Doubt::NoReturn => "neither was tested again after the other, so drift can't be told from the change; go back to the first at the end".to_owned(),
        Doubt::ReturnsDiffer => "the first setup reads otherwise when it is back, by more than this stand is known to do, so something else changed in between; find out what, or test again".to_owned(),
        Doubt::NotLinked => "nothing links them: they were never tested in one session, nor both in sessions with a third; test both on one day".to_owned(),
        Doubt::BuildScatterUnknown { repeated } => {
            let missing = REPEATED_BUILDS_MIN.saturating_sub(repeated);
            format!(
                "how much putting a part back moves the torque is not known here; take the part off and put it back {missing} more {} with a few pulls each, in this or another session, or enter a typical value",
                if missing == 1 { "time" } else { "times" }
            )
        }
    }
}

/// What is said of ranges without a measurable difference, with all places it is said of.
fn grouped(
    comparison: &Comparison,
    regions: &[&Region],
    decimals: usize,
    unit: TorqueUnit<'_>,
) -> Vec<(String, Vec<String>)> {
    let mut groups: Vec<(String, Vec<String>)> = Vec::new();
    for region in regions {
        let within = match region.within_margin {
            Some(true) => "; equal within the margin",
            Some(false) => "; not shown to be equal within the margin",
            None => "",
        };
        let text = format!(
            "no measurable difference (anything over {} would have shown{within})",
            unit.text(region.detectable_nm, decimals)
        );
        let place = place(comparison, region);
        match groups.iter_mut().find(|(said, _)| *said == text) {
            Some((_, places)) => places.push(place),
            None => groups.push((text, vec![place])),
        }
    }
    groups
}

/// "a", "a and b", "a, b and c".
fn listed(items: &[String]) -> String {
    match items {
        [most @ .., last] if !most.is_empty() => format!("{} and {last}", most.join(", ")),
        _ => items.concat(),
    }
}

fn amount(least: f64, most: f64, decimals: usize, unit: TorqueUnit<'_>) -> String {
    let (least, most) = (unit.number(least, decimals), unit.text(most, decimals));
    if most.starts_with(&format!("{least} ")) {
        most
    } else {
        format!("{least} to {most}")
    }
}

fn place(comparison: &Comparison, region: &Region) -> String {
    let starts = comparison
        .rpm
        .first()
        .is_some_and(|x| *x >= region.from_rpm);
    let ends = comparison.rpm.last().is_some_and(|x| *x <= region.to_rpm);
    let (from, to) = (tens(region.from_rpm), tens(region.to_rpm));
    match (starts, ends) {
        (true, true) => format!("everywhere from {from} to {to} rpm"),
        (true, false) => format!("below {to} rpm"),
        (false, true) => format!("above {from} rpm"),
        (false, false) => format!("from {from} to {to} rpm"),
    }
}

/// A speed in rpm, to tens.
#[must_use]
pub fn tens(rpm: f64) -> String {
    format!("{:.0}", 10.0 * (rpm / 10.0).round())
}

fn crossing(crossover: &Crossover) -> String {
    format!(
        "crossover at {} ± {} rpm",
        tens(crossover.rpm),
        tens(crossover.plus_minus_rpm.max(10.0))
    )
}

/// Where the second setup gains most: torque with its band.
#[must_use]
pub fn extreme(word: &str, extreme: &Extreme, unit: TorqueUnit<'_>) -> String {
    let decimals = decimals_for(extreme.difference.half_width / unit.nm);
    format!(
        "{word} {} {} ± {} at {} rpm",
        signed(extreme.difference.value / unit.nm, decimals),
        unit.symbol,
        unit.number(extreme.difference.half_width, decimals),
        tens(extreme.rpm)
    )
}

/// Equivalence over the range, where a margin was given.
#[must_use]
pub fn equivalence(pair: &Pair, unit: TorqueUnit<'_>) -> Option<String> {
    let found = pair.equivalence?;
    let verdict = if found.equivalent {
        "equal within"
    } else {
        "not shown to be equal within"
    };
    Some(format!(
        "{verdict} ± {} from {} to {} rpm (two one-sided tests at every speed, p = {:.3})",
        unit.text(found.margin_nm, decimals_for(found.margin_nm / unit.nm)),
        tens(found.range_rpm.0),
        tens(found.range_rpm.1),
        found.p_value
    ))
}

/// What more mountings would bring, where that can be worked out.
#[must_use]
pub fn further_builds(pair: &Pair, unit: TorqueUnit<'_>) -> Option<String> {
    let asked = pair.further_builds?;
    let mut difference = unit.text(
        asked.difference_nm,
        decimals_for(asked.difference_nm / unit.nm),
    );
    if !asked.is_asked {
        difference.push_str(", half of what shows now,");
    }
    let ground = "from the scatter of builds and pulls found so far";
    Some(match asked.each {
        Some(0) => format!("a difference of {difference} would show already (9 times out of 10)"),
        Some(each) => format!(
            "for a difference of {difference} to show (9 times out of 10), mount each {} more, by turns, with {} each time ({ground})",
            if each == 1 {
                "once".to_owned()
            } else {
                format!("{each} times")
            },
            counted(super::whole(asked.pulls), "pull", "pulls")
        ),
        None => format!(
            "a difference of {difference} is out of reach of any sensible number of tests ({ground})"
        ),
    })
}

/// What is known of builds and days.
fn memory(comparison: &Comparison) -> String {
    let memory = &comparison.memory;
    let counts = format!(
        "{} in {}",
        counted(memory.builds, "build", "builds"),
        counted(memory.sessions, "session", "sessions")
    );
    let percent = |sd: f64| format!("{:.2} %", 100.0 * sd);
    match memory.build_sd {
        None => format!(
            "builds: {counts}, {} of them repeats; how much putting parts back moves the torque is not known",
            memory.repeated
        ),
        Some(build) => {
            let day = memory
                .day_sd
                .map_or_else(String::new, |day| format!(", a day by {}", percent(day)));
            let typical = if memory.is_typical {
                " (a typical value that was entered, not this stand's own)"
            } else {
                ""
            };
            format!(
                "builds: {counts}, {} of them repeats; putting parts back moves the torque by {} (standard deviation){typical}{day}",
                memory.repeated,
                percent(build)
            )
        }
    }
}

/// Repeatability and drift.
#[must_use]
pub fn scatter(comparison: &Comparison) -> Vec<String> {
    let repeatability = comparison.repeatability.as_ref().map_or_else(
        || "repeatability: not known, too few pulls with nothing changed between them".to_owned(),
        |found| {
            let s = 100.0 * found.relative_sd;
            format!(
                "repeatability: standard deviation {s:.2} % of torque ({}); two single pulls with nothing changed between them differ by less than {:.2} %, 19 times out of 20",
                counted(found.degrees_of_freedom, "degree of freedom", "degrees of freedom"),
                super::REPEATABILITY_FACTOR * s
            )
        },
    );
    let mut lines = vec![repeatability, memory(comparison)];
    if let Some(drift) = &comparison.drift {
        let unit = match drift.axis {
            DriftAxis::Order => "pull",
            DriftAxis::Time => "hour",
        };
        let fate = if drift.by_session {
            "what each session has of it, along its pulls, is taken out"
        } else if drift.removed {
            "taken out"
        } else if drift.returned {
            "left in"
        } else {
            "left in: nothing was tested again to tell it from the change"
        };
        lines.push(format!(
            "drift: {} ± {:.3} % a {unit}, {} % in all; {fate}",
            signed(100.0 * drift.relative_per_unit.value, 3),
            100.0 * drift.relative_per_unit.half_width,
            signed(100.0 * drift.relative_in_all, 2),
        ));
        lines.extend(drift.bend.map(|bend| bend_words(comparison, bend)));
    }
    lines.extend(
        comparison
            .likeness
            .map(|found| likeness_words(comparison, found)),
    );
    lines
}

/// Probability by chance below which a bend or likeness is called one.
const ALARM: f64 = 0.05;

/// Whether the bands allow for what is said.
fn allowance(comparison: &Comparison) -> &'static str {
    if comparison.memory.build_sd.is_some() {
        "the bands allow for it"
    } else {
        "the plain numbers do not allow for it"
    }
}

fn bend_words(comparison: &Comparison, bend: Bend) -> String {
    let p = bend.p_value;
    if p >= ALARM {
        return format!(
            "the drift is as straight as the pulls can tell (bend by chance: p = {p:.2})"
        );
    }
    format!(
        "the drift bends: the middle of the test reads {} ± {:.2} % against a straight line between its ends (p = {p:.3}); {}",
        signed(100.0 * bend.relative.value, 2),
        100.0 * bend.relative.half_width,
        allowance(comparison)
    )
}

fn likeness_words(comparison: &Comparison, found: Likeness) -> String {
    let p = found.p_value;
    if p >= ALARM {
        return format!("neighbouring pulls are no more alike than chance makes them (p = {p:.2})");
    }
    format!(
        "neighbouring pulls are alike (correlation {:+.1}, p = {p:.3}); {}",
        found.correlation,
        allowance(comparison)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_follow_the_size() {
        for (size, decimals) in [
            (0.3, 1),
            (0.29, 2),
            (0.05, 2),
            (0.012, 3),
            (4.0, 0),
            (0.0, 0),
        ] {
            assert_eq!(decimals_for(size), decimals, "{size}");
        }
    }

    #[test]
    fn nothing_has_no_sign() {
        let unit = TorqueUnit::NEWTON_METRE;
        let said = |value| unit.estimate(Estimate::new(value, 0.4));
        assert_eq!(said(-0.04), "0.0 ± 0.4 N·m");
        assert_eq!(said(-0.05001), "-0.1 ± 0.4 N·m");
    }

    #[test]
    fn equal_ends_are_said_once() {
        let unit = TorqueUnit::NEWTON_METRE;
        assert_eq!(amount(0.41, 1.08, 1, unit), "0.4 to 1.1 N·m");
        assert_eq!(amount(0.41, 0.44, 1, unit), "0.4 N·m");
    }
}
