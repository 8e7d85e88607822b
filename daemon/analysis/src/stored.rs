//! What tests put in the store's place.

use leverarm_store::{EventId, EventRecord, NewEvent};

/// An event as the store gives it back.
pub(crate) fn stored_as(new: NewEvent, id: EventId) -> EventRecord {
    EventRecord {
        id,
        wall_us: new.wall_us,
        mono_us: new.mono_us,
        tick: new.tick,
        connection: new.connection,
        pull: new.pull,
        severity: new.severity,
        kind: new.kind.word().to_owned(),
        channel: new.channel,
        message: new.message,
        data: new.data,
        acknowledged: None,
    }
}
