//! What tests put in the store's place.

use leverarm_store::{EventId, EventRecord, NewEvent};

/// An event as the store gives it back.
pub(crate) fn stored_as(new: NewEvent, id: EventId) -> EventRecord {
    let event = new.event;
    EventRecord {
        data: event.data(),
        id,
        wall_us: event.now.wall_us,
        mono_us: event.now.mono_us,
        tick: event.tick,
        connection: new.connection,
        pull: new.pull,
        severity: event.severity,
        kind: event.kind.word().to_owned(),
        channel: event.channel,
        message: event.message,
        acknowledged: None,
    }
}
