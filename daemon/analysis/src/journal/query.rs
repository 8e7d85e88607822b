//! The journal as people and programs ask for it.

use leverarm_config::Stand;
use serde_json::{Value, json};

use super::{Entry, FOLD_US, fold};
use leverarm_store::{EventFilter, EventOrder, EventRecord, StoreError, StoreReader};
use leverarm_vocabulary::{EventKind, Severity};

/// Events read at one go.
const PAGE: u32 = 2000;

/// Every event that a filter lets through, oldest first.
fn all_events(
    reader: &StoreReader,
    mut filter: EventFilter,
) -> Result<Vec<EventRecord>, StoreError> {
    filter.order = EventOrder::default();
    filter.limit = PAGE;
    let mut events: Vec<EventRecord> = Vec::new();
    loop {
        let page = reader.events(&filter)?;
        let Some(last) = page.last() else {
            return Ok(events);
        };
        filter.after = Some(last.id);
        events.extend(page);
    }
}

/// The newest entries, oldest first: no more than `limit`. `unfolded` shows every event by itself.
///
/// # Errors
/// As the store's reading methods.
pub fn newest(
    reader: &StoreReader,
    filter: &EventFilter,
    limit: usize,
    unfolded: bool,
) -> Result<Vec<Entry>, StoreError> {
    let mut wanted = PAGE.max(u32::try_from(limit).unwrap_or(u32::MAX));
    loop {
        let newest = EventFilter {
            order: EventOrder::NewestFirst,
            limit: wanted,
            ..filter.clone()
        };
        let mut events = reader.events(&newest)?;
        events.reverse();
        let all = events.len() < wanted as usize;
        let oldest_us = events.first().map_or(i64::MIN, |event| event.wall_us);
        let mut entries = if unfolded {
            events.into_iter().flat_map(|event| fold([event])).collect()
        } else {
            fold(events)
        };
        // An entry near the oldest event may have begun before it: it is not whole.
        if !all && !unfolded {
            let whole_from = oldest_us.saturating_add(FOLD_US);
            entries.retain(|entry| entry.first.wall_us >= whole_from);
        }
        if all || entries.len() >= limit || wanted == u32::MAX {
            let excess = entries.len().saturating_sub(limit);
            return Ok(entries.split_off(excess));
        }
        wanted = wanted.saturating_mul(4);
    }
}

/// Warnings and worse since a wall time, folded, oldest first.
///
/// # Errors
/// As the store's reading methods.
pub fn faults(reader: &StoreReader, since_wall_us: Option<i64>) -> Result<Vec<Entry>, StoreError> {
    let filter = EventFilter {
        since_wall_us,
        severity_at_least: Severity::Warning,
        ..EventFilter::default()
    };
    Ok(fold(all_events(reader, filter)?))
}

/// The channels of a stand, as events name them.
#[must_use]
pub fn channel_names(stand: &Stand) -> Vec<String> {
    let pickups = stand
        .pickups
        .iter()
        .map(|pickup| format!("pickup {}", pickup.channel));
    let cell = stand.load_cell.as_ref().map(|_| "load cell".to_owned());
    let channels = stand.channels.iter().map(|channel| channel.name.clone());
    let rest = ["link", "clock", "store"].map(str::to_owned);
    pickups.chain(cell).chain(channels).chain(rest).collect()
}

impl Entry {
    /// As programs get it, with what to check first.
    #[must_use]
    pub fn json(&self) -> Value {
        let event = &self.first;
        json!({
            "id": event.id,
            "last_id": self.last_id,
            "count": self.count,
            "wall_us": event.wall_us,
            "last_wall_us": self.last_wall_us,
            "mono_us": event.mono_us,
            "tick": event.tick,
            "connection": event.connection,
            "pull": event.pull,
            "severity": event.severity.word(),
            "kind": event.kind,
            "channel": event.channel,
            "message": event.message,
            "data": event.data,
            "acknowledged": event.acknowledged,
            "check_first": EventKind::of_word(&event.kind).and_then(EventKind::advice),
        })
    }
}
