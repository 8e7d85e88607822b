//! `journal`.

use serde_json::json;

use super::{Failure, SeverityChoice, StoreArgument, curve_output, json_line, say};
use crate::clock::local_text;
use crate::store::{EventFilter, EventOrder, PullId, Severity};

pub(super) fn show(
    store: &StoreArgument,
    pull: Option<i64>,
    channel: Option<String>,
    severity: SeverityChoice,
    limit: u32,
    as_json: bool,
) -> Result<(), Failure> {
    let reader = store.open()?;
    let filter = EventFilter {
        pull: pull.map(PullId::new),
        channel,
        severity_at_least: match severity {
            SeverityChoice::Info => Severity::Info,
            SeverityChoice::Warning => Severity::Warning,
            SeverityChoice::Error => Severity::Error,
            SeverityChoice::Cut => Severity::Cut,
        },
        order: EventOrder::NewestFirst,
        limit,
        ..EventFilter::default()
    };
    let mut events = reader.events(&filter).map_err(Failure::of)?;
    events.reverse();
    if as_json {
        for event in &events {
            json_line(&json!({
                "id": event.id.get(),
                "wall_us": event.wall_us,
                "tick": event.tick,
                "pull": event.pull.map(PullId::get),
                "severity": event.severity.word(),
                "kind": event.kind,
                "channel": event.channel,
                "message": event.message,
                "data": event.data,
            }));
        }
        return Ok(());
    }
    if events.is_empty() {
        say("nothing in the journal");
        return Ok(());
    }
    let mut table = curve_output::table_of(&["when", "severity", "kind", "about", "pull", "what"]);
    for event in &events {
        table.add_row([
            local_text(event.wall_us),
            event.severity.to_string(),
            event.kind.clone(),
            event.channel.clone().unwrap_or_default(),
            event.pull.map(|p| p.to_string()).unwrap_or_default(),
            event.message.clone(),
        ]);
    }
    say(&table.to_string());
    Ok(())
}
