//! Events of the journal.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::event_kind::Payload;
use crate::{EventKind, Now, Severity};

/// What happened, for the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// When.
    pub now: Now,
    /// Board tick, where the event has one.
    pub tick: Option<u64>,
    /// How much it matters.
    pub severity: Severity,
    /// What kind of event.
    pub kind: EventKind,
    /// Channel, guard or other part that it is about.
    pub channel: Option<String>,
    /// In words.
    pub message: String,
    /// What its kind adds, a [`Payload`]; `Null` without.
    pub payload: Value,
    /// How often it happened, where it stands for several.
    pub repeats: Option<Repeats>,
}

impl Event {
    /// An event as severe as its kind is as a rule, about nothing in particular.
    #[must_use]
    pub fn new(now: Now, tick: Option<u64>, kind: EventKind, message: impl Into<String>) -> Self {
        Self {
            now,
            tick,
            severity: kind.severity(),
            kind,
            channel: None,
            message: message.into(),
            payload: Value::Null,
            repeats: None,
        }
    }

    /// The same of the kind that tells this.
    #[must_use]
    pub fn telling<P: Payload>(
        now: Now,
        tick: Option<u64>,
        payload: &P,
        message: impl Into<String>,
    ) -> Self {
        Self {
            payload: json!(payload),
            ..Self::new(now, tick, P::KIND, message)
        }
    }

    /// The channel or guard that it is about.
    #[must_use]
    pub fn about(self, channel: impl Into<String>) -> Self {
        Self {
            channel: Some(channel.into()),
            ..self
        }
    }

    /// As severe as this.
    #[must_use]
    pub fn of(self, severity: Severity) -> Self {
        Self { severity, ..self }
    }

    /// Standing for so many.
    #[must_use]
    pub fn repeated(self, repeats: Repeats) -> Self {
        Self {
            repeats: Some(repeats),
            ..self
        }
    }

    /// How many occurrences it stands for.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.repeats.as_ref().map_or(1, |repeats| repeats.count)
    }

    /// Payload and repeats as one map, as they are stored; `Null` where there is neither.
    #[must_use]
    pub fn data(&self) -> Value {
        let mut data = self.payload.clone();
        if let Value::Object(repeats) = json!(self.repeats) {
            match &mut data {
                Value::Object(data) => data.extend(repeats),
                _ => data = Value::Object(repeats),
            }
        }
        data
    }
}

/// How often an event happened, and when last. Stored beside the payload.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Repeats {
    /// How many occurrences it stands for; at least 1.
    pub count: u64,
    /// When the last of them was, wall clock.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_wall_us: Option<i64>,
    /// When the last of them was, monotonic clock.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_mono_us: Option<u64>,
    /// The words of the last of them, where they differ in what matters.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_message: Option<String>,
}

impl Default for Repeats {
    fn default() -> Self {
        Self::times(1)
    }
}

impl Repeats {
    /// So many, of which no more is known.
    #[must_use]
    pub const fn times(count: u64) -> Self {
        Self {
            count,
            last_wall_us: None,
            last_mono_us: None,
            last_message: None,
        }
    }

    /// What is stored with an event of whatever version; once, where it says nothing of repeats.
    #[must_use]
    pub fn of(data: &Value) -> Self {
        let mut repeats = Self::deserialize(data).unwrap_or_default();
        repeats.count = repeats.count.max(1);
        repeats
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event_kind::payload::NoiseSpike;

    /// As programs before this one stored them: payload and repeats in one map.
    #[test]
    fn payload_and_repeats_share_the_stored_map() {
        let now = Now::new(1, 2);
        let spike = NoiseSpike { counts: 12.5 };
        let event = Event::telling(now, None, &spike, "far off").repeated(Repeats {
            last_mono_us: Some(9),
            ..Repeats::times(4)
        });
        assert_eq!(event.kind, EventKind::NoiseSpike);
        let data = event.data();
        assert_eq!(
            data,
            json!({ "counts": 12.5, "count": 4, "last_mono_us": 9 })
        );
        assert_eq!(NoiseSpike::deserialize(&data).unwrap(), spike);
        assert_eq!(Repeats::of(&data), event.repeats.unwrap());
        let plain = Event::new(now, None, EventKind::Board, "a board");
        assert_eq!(
            (plain.data(), Repeats::of(&Value::Null).count),
            (Value::Null, 1)
        );
    }
}
