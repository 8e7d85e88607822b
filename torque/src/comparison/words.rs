//! A comparison in plain sentences.

use super::{Comparison, Crossover, DriftAxis, Extreme, Pair, Region, Verdict};

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

/// What the second setup of a pair does against the first: ranges where it is higher or lower,
/// ranges without a measurable difference, crossings.
#[must_use]
pub fn differences(comparison: &Comparison, pair: &Pair, unit: TorqueUnit<'_>) -> String {
    let name = |setup: usize| {
        comparison
            .setups
            .get(setup)
            .map_or("?", |s| s.name.as_str())
    };
    let smallest = pair.band_nm.iter().copied().fold(f64::INFINITY, f64::min);
    let decimals = decimals_for(smallest / unit.nm);
    let (decided, open): (Vec<&Region>, Vec<&Region>) = pair
        .regions
        .iter()
        .partition(|region| region.verdict != Verdict::NoMeasurableDifference);
    let mut sentences = Vec::new();
    for region in &decided {
        let (least, most) = match region.verdict {
            Verdict::Lower => (-region.high_nm, -region.low_nm),
            _ => (region.low_nm, region.high_nm),
        };
        let subject = if sentences.is_empty() {
            format!("{} is ", name(pair.second))
        } else {
            String::new()
        };
        sentences.push(format!(
            "{subject}{} {} by {}",
            region.verdict.word(),
            place(comparison, region),
            amount(least, most, decimals, unit)
        ));
    }
    for (text, places) in grouped(comparison, &open, decimals, unit) {
        let subject = if decided.is_empty() && sentences.is_empty() {
            format!("{} against {}: ", name(pair.second), name(pair.first))
        } else {
            String::new()
        };
        sentences.push(format!("{subject}{} {text}", listed(&places)));
    }
    sentences.extend(pair.crossovers.iter().map(crossing));
    sentences.join("; ") + "."
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

fn tens(rpm: f64) -> String {
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
        "{word} {:+.decimals$} {} ± {} at {} rpm",
        extreme.difference.value / unit.nm,
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

/// What more pulls would bring.
#[must_use]
pub fn further_pulls(pair: &Pair, unit: TorqueUnit<'_>) -> String {
    let asked = pair.further_pulls;
    let difference = unit.text(
        asked.difference_nm,
        decimals_for(asked.difference_nm / unit.nm),
    );
    match asked.each {
        Some(0) => format!("a difference of {difference} would show already (9 times out of 10)"),
        Some(1) => format!("for a difference of {difference} to show, make 1 more pull with each"),
        Some(each) => {
            format!("for a difference of {difference} to show, make {each} more pulls with each")
        }
        None => {
            format!("a difference of {difference} is out of reach of any sensible number of pulls")
        }
    }
}

/// Repeatability and drift.
#[must_use]
pub fn scatter(comparison: &Comparison) -> Vec<String> {
    let repeatability = &comparison.repeatability;
    let s = 100.0 * repeatability.relative_sd;
    let mut lines = vec![format!(
        "repeatability: standard deviation {s:.2} % of torque ({} degrees of freedom); two single pulls differ by less than {:.2} %, 19 times out of 20",
        repeatability.degrees_of_freedom,
        super::REPEATABILITY_FACTOR * s
    )];
    if let Some(drift) = &comparison.drift {
        let unit = match drift.axis {
            DriftAxis::Order => "pull",
            DriftAxis::Time => "hour",
        };
        let fate = match (drift.removed, drift.returned) {
            (true, _) => "taken out",
            (false, true) => "left in",
            (false, false) => "left in: nothing was tested again to tell it from the change",
        };
        lines.push(format!(
            "drift: {:+.3} ± {:.3} % a {unit}, {:+.2} % in all; {fate}",
            100.0 * drift.relative_per_unit.value,
            100.0 * drift.relative_per_unit.half_width,
            100.0 * drift.relative_in_all,
        ));
    }
    lines
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
    fn equal_ends_are_said_once() {
        let unit = TorqueUnit::NEWTON_METRE;
        assert_eq!(amount(0.41, 1.08, 1, unit), "0.4 to 1.1 N·m");
        assert_eq!(amount(0.41, 0.44, 1, unit), "0.4 N·m");
    }
}
