//! A person's word on a pull, kept as events: the last one holds.

use std::collections::BTreeMap;

use leverarm_store::{EventRecord, PullId, StoreError};

/// What holds for each pull after all events, oldest first. `said` reads one: a word, `Some(None)` where
/// the word before is taken back, `None` where it says nothing of it.
pub(crate) fn last_words<T>(
    events: &[EventRecord],
    said: impl Fn(&EventRecord) -> Result<Option<Option<T>>, StoreError>,
) -> Result<BTreeMap<PullId, T>, StoreError> {
    let mut words = BTreeMap::new();
    for event in events {
        let (Some(pull), Some(word)) = (event.pull, said(event)?) else {
            continue;
        };
        match word {
            Some(word) => words.insert(pull, word),
            None => words.remove(&pull),
        };
    }
    Ok(words)
}
