//! Repeats on their way into the store: the first at once, the rest together once a second.

use leverarm_store::NewEvent;
use leverarm_vocabulary::{CutBy, Event, EventKind, Repeats, Severity, payload};
use serde::Deserialize;

/// Repeats within so long become one row.
const HOLD_US: u64 = 1_000_000;
/// So many cuts alike, each within a second of the one before, are told one by one.
const CUTS_TOLD: u32 = 8;

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
    let (first, second) = (&one.event, &other.event);
    (one.connection, one.pull) == (other.connection, other.pull)
        && (first.severity, first.kind) == (second.severity, second.kind)
        && first.channel == second.channel
}

/// What a flapping board or guard tells again and again. Other cuts are a person's, or come once.
fn can_flap(event: &Event) -> bool {
    match event.kind {
        EventKind::BoardCut | EventKind::CutConfirmed | EventKind::GuardTripped => true,
        EventKind::Cut => payload::Cut::deserialize(&event.payload)
            .is_ok_and(|cut| matches!(cut.by, CutBy::Board | CutBy::Guard)),
        _ => event.severity != Severity::Cut,
    }
}

impl Throttle {
    /// Takes an event that happened at `now_us`; gives it back when it is to be stored now.
    pub fn push(&mut self, now_us: u64, event: NewEvent) -> Option<NewEvent> {
        if !can_flap(&event.event) {
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
        if event.event.severity == Severity::Cut && key.told < CUTS_TOLD {
            key.told += 1;
            key.stored_us = now_us;
            return Some(event);
        }
        match &mut key.held {
            Some(held) => merge(&mut held.event, event.event),
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
fn merge(held: &mut Event, event: Event) {
    let count = held.count().saturating_add(event.count());
    // The event may be one of several itself.
    let last = event.repeats.unwrap_or_default();
    // Which cut, and why, is in the words.
    let words = (event.severity == Severity::Cut).then_some(event.message);
    held.repeats = Some(Repeats {
        count,
        last_wall_us: last.last_wall_us.or(Some(event.now.wall_us)),
        last_mono_us: last.last_mono_us.or(Some(event.now.mono_us)),
        last_message: last.last_message.or(words),
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use leverarm_vocabulary::Now;

    fn now(mono_us: u64) -> Now {
        Now::new(mono_us, mono_us.cast_signed())
    }

    fn event(mono_us: u64, kind: EventKind, count: u64) -> NewEvent {
        let message = format!("{kind} at {mono_us}");
        let event = Event::new(now(mono_us), None, kind, message);
        match count {
            1 => event.into(),
            count => event.repeated(Repeats::times(count)).into(),
        }
    }

    fn cut(mono_us: u64, by: CutBy, words: &str) -> NewEvent {
        let told = payload::Cut { cut: 1, by };
        Event::telling(now(mono_us), None, &told, words).into()
    }

    #[test]
    fn a_flood_becomes_a_row_a_second_and_no_count_is_lost() {
        let mut throttle = Throttle::default();
        let mut stored = Vec::new();
        let mut happened = 0;
        for n in 0..5000_u64 {
            let now_us = n * 1000;
            let count = if n % 3 == 0 { 2 } else { 1 };
            happened += count;
            stored.extend(throttle.push(now_us, event(now_us, EventKind::NoiseSpike, count)));
            stored.extend(throttle.due(now_us));
        }
        stored.extend(throttle.all());
        assert!(stored.len() <= 7, "{}", stored.len());
        let counted: u64 = stored.iter().map(|event| event.event.count()).sum();
        assert_eq!(counted, happened);
        assert_eq!(stored[0].event.now.mono_us, 0);
        // The row tells when its repeats began and ended.
        assert_eq!(stored[1].event.now.mono_us, 1000);
        let repeats = stored[1].event.repeats.as_ref().unwrap();
        assert_eq!(repeats.last_mono_us, Some(1_000_000));
    }

    #[test]
    fn single_events_pass_unchanged_and_others_do_not_wait_for_them() {
        let mut throttle = Throttle::default();
        let first = event(0, EventKind::FramesLost, 1);
        assert_eq!(throttle.push(0, first.clone()), Some(first));
        let other = event(10, EventKind::FramesLate, 1);
        assert_eq!(throttle.push(10, other.clone()), Some(other));
        let again = event(20, EventKind::FramesLost, 1);
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
            let cut = cut(n, CutBy::Person, "cut requested: smoke");
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
            let cut = if n % 2 == 1 {
                cut(now_us, CutBy::Board, "the board runs although it was cut")
            } else {
                let words = "the board confirms the cut as number 3";
                Event::new(now(now_us), None, EventKind::CutConfirmed, words).into()
            };
            let at_once = throttle.push(now_us, cut);
            assert_eq!(at_once.is_some(), n < 2 * u64::from(CUTS_TOLD), "{n}");
            stored.extend(at_once);
            stored.extend(throttle.due(now_us));
        }
        stored.extend(throttle.all());
        assert!(stored.len() <= 2 * 8 + 2 * 4, "{}", stored.len());
        let counted: u64 = stored.iter().map(|event| event.event.count()).sum();
        assert_eq!(counted, 840);
        let last = stored.last().unwrap();
        let repeats = last.event.repeats.as_ref().unwrap();
        assert_eq!(repeats.last_mono_us, Some(839 * 3571));
        assert!(repeats.last_message.is_some());
    }
}
