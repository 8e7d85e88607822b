//! What each day brought.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::Entry;
use leverarm_store::{PullRecord, PullState};
use leverarm_vocabulary::{EventKind, Severity};

/// One day.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Day {
    /// Pulls that were stored whole.
    pub pulls: u64,
    /// Pulls that were aborted or interrupted.
    pub pulls_not_whole: u64,
    /// Cuts.
    pub cuts: u64,
    /// Errors, repeats as one.
    pub errors: u64,
    /// Warnings, repeats as one.
    pub warnings: u64,
    /// Errors and warnings that nobody has looked at.
    pub not_looked_at: u64,
    /// Kinds of errors and warnings with how often each occurred, the most frequent first.
    pub kinds: Vec<(String, u64)>,
}

/// The day of a wall time.
#[must_use]
pub(super) fn date(wall_us: i64, zone: &TimeZone) -> Option<Date> {
    let at = jiff::Timestamp::from_microsecond(wall_us).ok()?;
    Some(at.to_zoned_datetime(zone.clone()).date())
}

fn begins_a_cut(kind: &str) -> bool {
    EventKind::of_word(kind).is_some_and(EventKind::begins_a_cut)
}

/// Sums up entries and pulls by day of the given time zone. Days without either are left out.
#[must_use]
pub fn days(entries: &[Entry], pulls: &[PullRecord], zone: &TimeZone) -> BTreeMap<Date, Day> {
    let mut days: BTreeMap<Date, Day> = BTreeMap::new();
    for pull in pulls.iter().filter(|pull| pull.state.has_curve()) {
        let Some(date) = date(pull.started_wall_us, zone) else {
            continue;
        };
        let day = days.entry(date).or_default();
        match pull.state {
            PullState::Stored => day.pulls += 1,
            _ => day.pulls_not_whole += 1,
        }
    }
    for entry in entries {
        let Some(date) = date(entry.first.wall_us, zone) else {
            continue;
        };
        let day = days.entry(date).or_default();
        match entry.first.severity {
            Severity::Info => continue,
            Severity::Warning => day.warnings += 1,
            Severity::Error => day.errors += 1,
            // Its cause, its confirmation and its release are other entries.
            Severity::Cut if begins_a_cut(&entry.first.kind) => day.cuts += 1,
            Severity::Cut => {}
        }
        if entry.acknowledged().is_none() {
            day.not_looked_at += 1;
        }
        let kind = &entry.first.kind;
        match day.kinds.iter_mut().find(|(known, _)| known == kind) {
            Some((_, count)) => *count += entry.count,
            None => day.kinds.push((kind.clone(), entry.count)),
        }
    }
    for day in days.values_mut() {
        day.kinds
            .sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    }
    days
}
