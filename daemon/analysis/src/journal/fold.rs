//! Repeats on their way out: shown as one entry.

use serde::Serialize;

use leverarm_store::{Acknowledgement, ConnectionId, EventId, EventRecord, PullId};
use leverarm_vocabulary::Severity;

/// Repeats that follow each other within this time are one entry.
pub const FOLD_US: i64 = 60_000_000;

/// An event with its repeats.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Entry {
    /// The first of them.
    #[serde(flatten)]
    pub first: EventRecord,
    /// Number of the last of them.
    pub last_id: EventId,
    /// When the last of them happened, wall clock.
    pub last_wall_us: i64,
    /// Occurrences, those that one row stands for included.
    pub count: u64,
}

impl Entry {
    fn of(event: EventRecord) -> Self {
        let repeats = event.repeats();
        Self {
            last_id: event.id,
            last_wall_us: repeats
                .last_wall_us
                .map_or(event.wall_us, |last| last.max(event.wall_us)),
            count: repeats.count,
            first: event,
        }
    }

    /// The note of a person who has looked at it.
    #[must_use]
    pub fn acknowledged(&self) -> Option<&Acknowledgement> {
        self.first.acknowledged.as_ref()
    }
}

/// What has to be the same for two events to be repeats.
type Key<'e> = (
    &'e str,
    Option<&'e str>,
    Severity,
    Option<ConnectionId>,
    Option<PullId>,
);

fn key(event: &EventRecord) -> Key<'_> {
    let EventRecord {
        kind,
        channel,
        severity,
        connection,
        pull,
        ..
    } = event;
    (kind, channel.as_deref(), *severity, *connection, *pull)
}

/// Folds events, oldest first, into entries in the order of their first events. A cut stands alone;
/// an acknowledged event closes its entry, so that what comes after the look is seen as new.
#[must_use]
pub fn fold(events: impl IntoIterator<Item = EventRecord>) -> Vec<Entry> {
    let mut entries: Vec<Entry> = Vec::new();
    // Entries that may still grow; few at any time.
    let mut open: Vec<usize> = Vec::new();
    for one in events.into_iter().map(Entry::of) {
        let event = &one.first;
        open.retain(|index| {
            entries
                .get(*index)
                .is_some_and(|entry| event.wall_us.saturating_sub(entry.last_wall_us) <= FOLD_US)
        });
        let found = open.iter().position(|index| {
            entries
                .get(*index)
                .is_some_and(|entry| key(&entry.first) == key(event))
        });
        let at = match found.and_then(|found| Some((found, *open.get(found)?))) {
            Some((found, index)) => {
                if let Some(entry) = entries.get_mut(index) {
                    entry.last_id = event.id;
                    entry.last_wall_us = entry.last_wall_us.max(one.last_wall_us);
                    entry.count = entry.count.saturating_add(one.count);
                    entry.first.acknowledged = event.acknowledged.clone();
                }
                if event.acknowledged.is_some() {
                    open.swap_remove(found);
                }
                continue;
            }
            None => entries.len(),
        };
        if event.severity != Severity::Cut && event.acknowledged.is_none() {
            open.push(at);
        }
        entries.push(one);
    }
    entries
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::json;

    pub(crate) fn event(id: i64, wall_us: i64, kind: &str) -> EventRecord {
        EventRecord {
            id: EventId::new(id),
            wall_us,
            mono_us: 0,
            tick: None,
            connection: None,
            pull: None,
            severity: Severity::Warning,
            kind: kind.to_owned(),
            channel: None,
            message: String::new(),
            data: serde_json::Value::Null,
            acknowledged: None,
        }
    }

    #[test]
    fn repeats_are_one_entry_with_a_count() {
        let second = 1_000_000;
        let mut folded = event(3, 20 * second, "spike");
        folded.data = json!({ "count": 40, "last_wall_us": 21 * second });
        let events = [
            event(1, 0, "spike"),
            event(2, 10 * second, "stuck"),
            folded,
            event(4, 81 * second, "spike"),
            event(5, 142 * second, "spike"),
        ];
        let entries = fold(events);
        let seen: Vec<(i64, i64, u64)> = entries
            .iter()
            .map(|e| (e.first.id.get(), e.last_id.get(), e.count))
            .collect();
        assert_eq!(seen, [(1, 4, 42), (2, 2, 1), (5, 5, 1)]);
        assert_eq!(entries[0].last_wall_us, 81 * second);
    }

    #[test]
    fn what_comes_after_a_look_is_new() {
        let mut looked = event(2, 2, "spike");
        looked.acknowledged = Some(Acknowledgement {
            wall_us: 3,
            note: "plug".to_owned(),
        });
        let entries = fold([event(1, 1, "spike"), looked.clone(), event(3, 4, "spike")]);
        assert_eq!(entries.len(), 2);
        assert_eq!((entries[0].count, entries[1].count), (2, 1));
        assert_eq!(entries[0].acknowledged(), looked.acknowledged.as_ref());
        assert_eq!(entries[1].acknowledged(), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

        /// Whatever comes, every occurrence is in one entry, and cuts stand alone.
        #[test]
        fn no_occurrence_is_lost(
            rows in proptest::collection::vec((0..90_000_000_i64, 0..3_u8, 0..4_usize, any::<bool>(), 1..9_u64), 0..60),
        ) {
            let mut wall_us = 0;
            let events: Vec<EventRecord> = rows
                .iter()
                .zip(1..)
                .map(|((step, kind, severity, looked, count), id)| {
                    wall_us += step;
                    EventRecord {
                        severity: Severity::ALL[*severity],
                        data: json!({ "count": count }),
                        acknowledged: looked.then(|| Acknowledgement { wall_us, note: String::new() }),
                        ..event(id, wall_us, &kind.to_string())
                    }
                })
                .collect();
            let entries = fold(events.clone());
            let counted: u64 = entries.iter().map(|entry| entry.count).sum();
            prop_assert_eq!(counted, rows.iter().map(|row| row.4).sum::<u64>());
            let cuts = |severity: &Severity| *severity == Severity::Cut;
            prop_assert_eq!(
                entries.iter().filter(|entry| cuts(&entry.first.severity)).count(),
                events.iter().filter(|event| cuts(&event.severity)).count()
            );
        }
    }
}
