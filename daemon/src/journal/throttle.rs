//! Repeats on their way into the store: the first at once, the rest together once a second.

use serde_json::{Map, Value};

use super::count_of;
use crate::store::{NewEvent, Severity};

/// Repeats within so long become one row.
const HOLD_US: u64 = 1_000_000;

/// Holds back repeats of events, so that a fault that comes a thousand times a second costs the
/// store one row a second. Nothing is dropped: the row has the count.
#[derive(Debug, Default)]
pub(crate) struct Throttle {
    keys: Vec<Key>,
}

/// Events of one kind about one thing.
#[derive(Debug)]
struct Key {
    /// When one of them went to the store last.
    stored_us: u64,
    /// The last one that did: only what tells it apart is of interest.
    like: NewEvent,
    held: Option<NewEvent>,
}

fn is_repeat(one: &NewEvent, other: &NewEvent) -> bool {
    (one.connection, one.pull, one.severity) == (other.connection, other.pull, other.severity)
        && one.kind == other.kind
        && one.channel == other.channel
}

impl Throttle {
    /// Takes an event that happened at `now_us`; gives it back when it is to be stored now.
    pub(crate) fn push(&mut self, now_us: u64, event: NewEvent) -> Option<NewEvent> {
        // What cuts the engine is rare, and each of them matters.
        if event.severity == Severity::Cut {
            return Some(event);
        }
        let Some(key) = self
            .keys
            .iter_mut()
            .find(|key| is_repeat(&key.like, &event))
        else {
            self.keys.push(Key {
                stored_us: now_us,
                like: event.clone(),
                held: None,
            });
            return Some(event);
        };
        match &mut key.held {
            Some(held) => merge(held, &event),
            None => key.held = Some(event),
        }
        None
    }

    /// The events whose time has come.
    pub(crate) fn due(&mut self, now_us: u64) -> Vec<NewEvent> {
        self.release(
            |stored_us| now_us.saturating_sub(stored_us) >= HOLD_US,
            now_us,
        )
    }

    /// Everything that is held back.
    pub(crate) fn all(&mut self) -> Vec<NewEvent> {
        self.release(|_| true, u64::MAX)
    }

    fn release(&mut self, due: impl Fn(u64) -> bool, now_us: u64) -> Vec<NewEvent> {
        let mut released = Vec::new();
        self.keys.retain_mut(|key| {
            if !due(key.stored_us) {
                return true;
            }
            let held = key.held.take();
            let goes_on = held.is_some();
            key.stored_us = now_us;
            released.extend(held);
            goes_on
        });
        released
    }
}

/// Makes one event of two: what it says is the first one's, the count is the sum.
fn merge(held: &mut NewEvent, event: &NewEvent) {
    let count = count_of(&held.data).saturating_add(count_of(&event.data));
    let mut data = match std::mem::take(&mut held.data) {
        Value::Object(data) => data,
        Value::Null => Map::new(),
        other => Map::from_iter([("first".to_owned(), other)]),
    };
    data.insert("count".to_owned(), count.into());
    // The event may be one of several itself.
    let last = |key: &str, own: Value| event.data.get(key).cloned().unwrap_or(own);
    let last_wall_us = last("last_wall_us", event.wall_us.into());
    let last_mono_us = last("last_mono_us", event.mono_us.into());
    data.insert("last_wall_us".to_owned(), last_wall_us);
    data.insert("last_mono_us".to_owned(), last_mono_us);
    held.data = Value::Object(data);
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn event(mono_us: u64, kind: &str, data: Value) -> NewEvent {
        NewEvent {
            wall_us: mono_us.cast_signed(),
            mono_us,
            tick: None,
            connection: None,
            pull: None,
            severity: Severity::Warning,
            kind: kind.to_owned(),
            channel: None,
            message: format!("{kind} at {mono_us}"),
            data,
        }
    }

    #[test]
    fn a_flood_becomes_a_row_a_second_and_no_count_is_lost() {
        let mut throttle = Throttle::default();
        let mut stored = Vec::new();
        let mut happened = 0;
        for n in 0..5000_u64 {
            let now_us = n * 1000;
            let data = if n % 3 == 0 {
                json!({ "count": 2 })
            } else {
                Value::Null
            };
            happened += if n % 3 == 0 { 2 } else { 1 };
            stored.extend(throttle.push(now_us, event(now_us, "spike", data)));
            stored.extend(throttle.due(now_us));
        }
        stored.extend(throttle.all());
        assert!(stored.len() <= 7, "{}", stored.len());
        let counted: u64 = stored.iter().map(|event| count_of(&event.data)).sum();
        assert_eq!(counted, happened);
        assert_eq!(stored[0].mono_us, 0);
        // The row tells when its repeats began and ended.
        assert_eq!(stored[1].mono_us, 1000);
        assert_eq!(stored[1].data["last_mono_us"], 1_000_000);
    }

    #[test]
    fn single_events_pass_unchanged_and_others_do_not_wait_for_them() {
        let mut throttle = Throttle::default();
        let first = event(0, "a", json!([1]));
        assert_eq!(throttle.push(0, first.clone()), Some(first));
        let other = event(10, "b", Value::Null);
        assert_eq!(throttle.push(10, other.clone()), Some(other));
        let again = event(20, "a", json!([2]));
        assert_eq!(throttle.push(20, again.clone()), None);
        assert_eq!(throttle.due(999_999), Vec::new());
        assert_eq!(throttle.due(1_000_000), [again]);
        // Quiet for a second: forgotten.
        assert_eq!(throttle.due(2_000_000), Vec::new());
        assert!(throttle.keys.is_empty());
    }

    #[test]
    fn a_cut_is_never_held_back() {
        let mut throttle = Throttle::default();
        for n in 0..3 {
            let cut = NewEvent {
                severity: Severity::Cut,
                ..event(n, "cut", Value::Null)
            };
            assert_eq!(throttle.push(n, cut.clone()), Some(cut));
        }
    }
}
