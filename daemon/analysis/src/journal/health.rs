//! Which sensor is getting worse.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;
use statrs::distribution::{Binomial, DiscreteCDF};

use super::Entry;
use super::days::date;
use leverarm_store::ConnectionRecord;
use leverarm_vocabulary::Severity;

/// A trend counts when chance alone would bring it about less often than this.
const CHANCE_MAX: f64 = 0.01;
const US_PER_H: f64 = 3.6e9;

/// One day of a channel.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct HealthDay {
    /// Hours during which a board was connected.
    pub hours: f64,
    /// Warnings and errors about the channel; repeats within a minute are one.
    pub faults: u64,
    /// Occurrences, repeats counted.
    pub occurrences: u64,
}

/// Where it goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Trend {
    /// No fault ever.
    Healthy,
    /// Faults, at a rate that has not changed beyond chance.
    Steady,
    /// More faults an hour in the later half of the time than in the earlier.
    Worse,
    /// Fewer.
    Better,
}

/// History of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelHealth {
    /// Its name.
    pub channel: String,
    /// Day by day, days with a connection only.
    pub days: BTreeMap<Date, HealthDay>,
    /// Where it goes.
    pub trend: Trend,
    /// Faults an hour in the earlier and in the later half of the days.
    pub faults_per_h: (f64, f64),
}

/// Faults by channel and day, and whether there are more of them lately. `channels` are listed even
/// without a fault. A connection that was never closed counts up to `now_wall_us` if it is the last
/// one, else not at all.
#[must_use]
pub fn health(
    channels: &[String],
    entries: &[Entry],
    connections: &[ConnectionRecord],
    zone: &TimeZone,
    now_wall_us: i64,
) -> Vec<ChannelHealth> {
    let mut hours: BTreeMap<Date, f64> = BTreeMap::new();
    for (index, connection) in connections.iter().enumerate() {
        let is_last = index + 1 == connections.len();
        let open_until = (is_last && connection.closed_reason.is_none()).then_some(now_wall_us);
        let Some(until_us) = connection.closed_wall_us.or(open_until) else {
            continue;
        };
        let us = until_us.saturating_sub(connection.opened_wall_us).max(0);
        // A connection past midnight counts for the day it began.
        if let Some(date) = date(connection.opened_wall_us, zone) {
            *hours.entry(date).or_default() += us as f64 / US_PER_H;
        }
    }
    let mut names: Vec<String> = channels.to_vec();
    let faults = || {
        entries.iter().filter(|entry| {
            entry.first.severity >= Severity::Warning && entry.first.channel.is_some()
        })
    };
    for name in faults().filter_map(|entry| entry.first.channel.as_ref()) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    names
        .into_iter()
        .map(|name| {
            let mut days: BTreeMap<Date, HealthDay> = hours
                .iter()
                .map(|(date, hours)| {
                    let day = HealthDay {
                        hours: *hours,
                        ..HealthDay::default()
                    };
                    (*date, day)
                })
                .collect();
            for entry in faults().filter(|entry| entry.first.channel.as_ref() == Some(&name)) {
                if let Some(date) = date(entry.first.wall_us, zone) {
                    let day = days.entry(date).or_default();
                    day.faults += 1;
                    day.occurrences += entry.count;
                }
            }
            let (trend, faults_per_h) = trend(&days);
            ChannelHealth {
                channel: name,
                days,
                trend,
                faults_per_h,
            }
        })
        .collect()
}

/// Compares the fault rates of the two halves of the running time. Were the rate the same, each
/// fault would fall into the later half with the probability of that half's share of the hours: the
/// exact conditional test of two Poisson rates (Przyborowski and Wilenski 1940; from memory).
fn trend(days: &BTreeMap<Date, HealthDay>) -> (Trend, (f64, f64)) {
    let total_h: f64 = days.values().map(|day| day.hours).sum();
    let total: u64 = days.values().map(|day| day.faults).sum();
    if total == 0 {
        return (Trend::Healthy, (0.0, 0.0));
    }
    // Whole days, as near to half of the hours as they come.
    let mut split = (0.0, 0);
    let mut so_far = split;
    for day in days.values() {
        so_far = (so_far.0 + day.hours, so_far.1 + day.faults);
        if (so_far.0 - 0.5 * total_h).abs() < (split.0 - 0.5 * total_h).abs() {
            split = so_far;
        }
    }
    let (earlier_h, earlier) = split;
    let (later_h, later) = (total_h - earlier_h, total - earlier);
    let rate = |faults: u64, hours: f64| {
        if hours > 0.0 {
            faults as f64 / hours
        } else {
            0.0
        }
    };
    let rates = (rate(earlier, earlier_h), rate(later, later_h));
    if earlier_h <= 0.0 || later_h <= 0.0 {
        return (Trend::Steady, rates);
    }
    let Ok(chance) = Binomial::new(later_h / total_h, total) else {
        return (Trend::Steady, rates);
    };
    let at_least = later.checked_sub(1).map_or(1.0, |fewer| chance.sf(fewer));
    let at_most = chance.cdf(later);
    let trend = if at_least < CHANCE_MAX {
        Trend::Worse
    } else if at_most < CHANCE_MAX {
        Trend::Better
    } else {
        Trend::Steady
    };
    (trend, rates)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn days(of: &[(f64, u64)]) -> BTreeMap<Date, HealthDay> {
        of.iter()
            .zip(1..)
            .map(|((hours, faults), day)| {
                let day_of = HealthDay {
                    hours: *hours,
                    faults: *faults,
                    occurrences: *faults,
                };
                (Date::constant(2026, 11, day), day_of)
            })
            .collect()
    }

    #[test]
    fn chance_is_told_from_change() {
        for (of, expected) in [
            (&[(2.0, 0), (2.0, 0)][..], Trend::Healthy),
            // 7 of 7 in one half: chance (1/2)^7 = 0.0078, 6 of 6: 0.0156.
            (&[(2.0, 0), (2.0, 7)], Trend::Worse),
            (&[(2.0, 0), (2.0, 6)], Trend::Steady),
            (&[(2.0, 7), (2.0, 0)], Trend::Better),
            // Twice the hours, twice the faults.
            (&[(2.0, 10), (2.0, 10), (8.0, 40)], Trend::Steady),
            // One day only: nothing to compare with.
            (&[(3.0, 50)], Trend::Steady),
        ] {
            let (trend, _) = trend(&days(of));
            assert_eq!(trend, expected, "{of:?}");
        }
    }

    /// 10 faults in 5 h, then 30 in 5 h. P(X ≥ 30 | n = 40, p = 1/2) = 0.00111 (sum of binomial
    /// coefficients 40 over 30 to 40, over 2^40: 1221246132 / 1099511627776).
    #[test]
    fn the_test_is_the_exact_one() {
        let chance = Binomial::new(0.5, 40).unwrap().sf(29);
        assert!(
            (chance - 1_221_246_132.0 / 1_099_511_627_776.0).abs() < 1e-9,
            "{chance}"
        );
        let (trend, rates) = trend(&days(&[(5.0, 10), (5.0, 30)]));
        assert_eq!((trend, rates), (Trend::Worse, (2.0, 6.0)));
    }
}
