//! Repeats on their way into the store: the first at once, the rest together once a second.

use serde_json::{Map, Value};

use super::count_of;
use leverarm_store::NewEvent;
use leverarm_vocabulary::{EventKind, Severity};

/// Repeats within so long become one row.
const HOLD_US: u64 = 1_000_000;
/// So many cuts alike, each within a second of the one before, are told one by one.
const CUTS_TOLD: u32 = 8;

/// Cuts that no person asked for.
const BOARD_AND_GUARD_KINDS: [EventKind; 3] = [
    EventKind::BoardCut,
    EventKind::CutConfirmed,
    EventKind::GuardTripped,
];
const BOARD_AND_GUARD_WORDS: [&str; 3] = [
    "the board runs although",
    "cut requested: guard \"",
    "cut requested again: guard \"",
];

/// Holds back repeats of events, so that a fault that comes a thousand times a second costs the
/// store one row a second. Nothing is dropped: the row has the count. Cuts are rare and each of them
/// matters, so the first few alike are told at once, and a flapping board's are folded after them. A
/// person's cut never waits.
#[derive(Debug, Default)]
pub struct Throttle {
    keys: Vec<Key>,
}

/// Events of one kind about one thing.
#[derive(Debug)]
struct Key {
    /// When one of them went to the store last.
    stored_us: u64,
    /// The last one that did: only what tells it apart is of interest.
    like: NewEvent,
    told: u32,
    held: Option<NewEvent>,
}

fn is_repeat(one: &NewEvent, other: &NewEvent) -> bool {
    (one.connection, one.pull, one.severity) == (other.connection, other.pull, other.severity)
        && one.kind == other.kind
        && one.channel == other.channel
}

/// The board's and the guards' own cuts have kinds of their own, or say whose they are.
fn is_persons_cut(event: &NewEvent) -> bool {
    event.severity == Severity::Cut
        && !BOARD_AND_GUARD_KINDS.contains(&event.kind)
        && !BOARD_AND_GUARD_WORDS
            .iter()
            .any(|words| event.message.starts_with(words))
}

impl Throttle {
    /// Takes an event that happened at `now_us`; gives it back when it is to be stored now.
    pub fn push(&mut self, now_us: u64, event: NewEvent) -> Option<NewEvent> {
        if is_persons_cut(&event) {
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
                told: 1,
                held: None,
            });
            return Some(event);
        };
        if event.severity == Severity::Cut && key.told < CUTS_TOLD {
            key.told += 1;
            key.stored_us = now_us;
            return Some(event);
        }
        match &mut key.held {
            Some(held) => merge(held, &event),
            None => key.held = Some(event),
        }
        None
    }

    /// The events whose time has come.
    pub fn due(&mut self, now_us: u64) -> Vec<NewEvent> {
        self.release(
            |stored_us| now_us.saturating_sub(stored_us) >= HOLD_US,
            now_us,
        )
    }

    /// Everything that is held back.
    pub fn all(&mut self) -> Vec<NewEvent> {
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
    // Which cut, and why, is in the words.
    if event.severity == Severity::Cut {
        let words = last("last_message", event.message.clone().into());
        data.insert("last_message".to_owned(), words);
    }
    held.data = Value::Object(data);
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn event(mono_us: u64, kind: EventKind, data: Value) -> NewEvent {
        NewEvent {
            wall_us: mono_us.cast_signed(),
            mono_us,
            tick: None,
            connection: None,
            pull: None,
            severity: Severity::Warning,
            kind,
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
            stored.extend(throttle.push(now_us, event(now_us, EventKind::NoiseSpike, data)));
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
        let first = event(0, EventKind::FramesLost, json!([1]));
        assert_eq!(throttle.push(0, first.clone()), Some(first));
        let other = event(10, EventKind::FramesLate, Value::Null);
        assert_eq!(throttle.push(10, other.clone()), Some(other));
        let again = event(20, EventKind::FramesLost, json!([2]));
        assert_eq!(throttle.push(20, again.clone()), None);
        assert_eq!(throttle.due(999_999), Vec::new());
        assert_eq!(throttle.due(1_000_000), [again]);
        // Quiet for a second: forgotten.
        assert_eq!(throttle.due(2_000_000), Vec::new());
        assert!(throttle.keys.is_empty());
    }

    #[test]
    fn a_persons_cut_is_never_held_back() {
        let mut throttle = Throttle::default();
        for n in 0..300 {
            let cut = NewEvent {
                severity: Severity::Cut,
                message: "cut requested: smoke".to_owned(),
                ..event(n, EventKind::Cut, Value::Null)
            };
            assert_eq!(throttle.push(n, cut.clone()), Some(cut));
        }
    }

    /// 280 cuts a second of each kind, as from a board that forgets its cut with each status.
    #[test]
    fn a_flapping_boards_cuts_are_told_at_once_and_then_counted() {
        let mut throttle = Throttle::default();
        let mut stored = Vec::new();
        for n in 0..840_u64 {
            let now_us = n * 3571;
            let (kind, words) = [
                (
                    EventKind::CutConfirmed,
                    "the board confirms the cut as number 3",
                ),
                (
                    EventKind::Cut,
                    "the board runs although the cut was not released",
                ),
            ][usize::from(n % 2 == 1)];
            let cut = NewEvent {
                severity: Severity::Cut,
                message: words.to_owned(),
                ..event(now_us, kind, Value::Null)
            };
            let at_once = throttle.push(now_us, cut);
            assert_eq!(at_once.is_some(), n < 2 * u64::from(CUTS_TOLD), "{n}");
            stored.extend(at_once);
            stored.extend(throttle.due(now_us));
        }
        stored.extend(throttle.all());
        assert!(stored.len() <= 2 * 8 + 2 * 4, "{}", stored.len());
        let counted: u64 = stored.iter().map(|event| count_of(&event.data)).sum();
        assert_eq!(counted, 840);
        let last = stored.last().unwrap();
        assert_eq!(last.data["last_mono_us"], 839 * 3571);
    }
}
