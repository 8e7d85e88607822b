//! When parts were mounted: a change of setup mounts them, and a person may say that they took them off
//! and put them back on with the same setup. That word is an event in the journal, so older stores read
//! on, and older programs read newer ones.

use std::collections::BTreeMap;

use leverarm_store::{NewEvent, PullId, PullRecord, StoreError, StoreReader};
use leverarm_vocabulary::{Event, EventKind, Now, payload};

/// The events are about this, which the store has an index for.
const ABOUT: &str = "mountings";

/// The event that keeps it.
#[must_use]
pub fn event(setup: &str, now: Now) -> NewEvent {
    let message = format!("{setup} was taken off and put back on");
    let told = payload::MountedAgain {
        setup: setup.to_owned(),
    };
    Event::telling(now, None, &told, message)
        .about(ABOUT)
        .into()
}

/// The number of the mounting of each of these pulls, which are all of the store.
///
/// # Errors
/// When the store can't be read.
pub fn builds(
    reader: &StoreReader,
    pulls: &[PullRecord],
) -> Result<BTreeMap<PullId, usize>, StoreError> {
    let events = reader.events_about(ABOUT)?;
    let again: Vec<i64> = events
        .iter()
        .filter(|event| event.kind == EventKind::MountedAgain)
        .map(|event| event.wall_us)
        .collect();
    let mut in_time: Vec<&PullRecord> = pulls.iter().collect();
    in_time.sort_by_key(|pull| (pull.started_wall_us, pull.id));
    let mut build = 0;
    let mut last: Option<&PullRecord> = None;
    let numbered = in_time.into_iter().map(|pull| {
        let mounted = last.is_some_and(|last| {
            let between = last.started_wall_us..pull.started_wall_us;
            last.setup != pull.setup || again.iter().any(|at| between.contains(at))
        });
        build += usize::from(mounted);
        last = Some(pull);
        (pull.id, build)
    });
    Ok(numbered.collect())
}
