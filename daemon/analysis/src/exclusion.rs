//! Pulls that a person left out of comparisons, with the reason: events in the journal, so that who
//! changed their mind when stays on record. The pull itself stays as it is.

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::last_word::last_words;
use leverarm_store::{EventRecord, NewEvent, PullId, StoreError, StoreReader};
use leverarm_vocabulary::{Event, Now, payload};

/// Both kinds of events are about this, which the store has an index for.
const ABOUT: &str = "exclusions";

/// Why a pull takes no part, by a person's word.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Exclusion {
    /// Why.
    pub reason: String,
    /// Who said so; may be empty.
    pub by: String,
    /// When.
    pub wall_us: i64,
}

impl Exclusion {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        if self.by.is_empty() {
            format!("excluded: {}", self.reason)
        } else {
            format!("excluded by {}: {}", self.by, self.reason)
        }
    }
}

/// A person's word on a pull.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExclusionRequest {
    /// Why it is to be left out; none, which has to be said, to let it take part again.
    #[serde(deserialize_with = "Option::deserialize")]
    pub reason: Option<String>,
    /// Who says so.
    #[serde(default)]
    pub by: String,
}

/// The event that keeps that word.
#[must_use]
pub fn event(pull: PullId, request: &ExclusionRequest, now: Now) -> NewEvent {
    let by = if request.by.is_empty() {
        String::new()
    } else {
        format!(" by {}", request.by)
    };
    let by_whom = request.by.clone();
    let event = match &request.reason {
        Some(reason) => {
            let told = payload::PullExcluded {
                reason: reason.clone(),
                by: by_whom,
            };
            let message = format!("pull {pull} was excluded{by}: {reason}");
            Event::telling(now, None, &told, message)
        }
        None => {
            let told = payload::PullIncluded { by: by_whom };
            Event::telling(
                now,
                None,
                &told,
                format!("pull {pull} takes part again{by}"),
            )
        }
    };
    NewEvent {
        pull: Some(pull),
        ..event.about(ABOUT).into()
    }
}

/// The pulls that are excluded now.
///
/// # Errors
/// When the store can't be read.
pub fn exclusions(reader: &StoreReader) -> Result<BTreeMap<PullId, Exclusion>, StoreError> {
    of_events(&reader.events_about(ABOUT)?)
}

fn of_events(events: &[EventRecord]) -> Result<BTreeMap<PullId, Exclusion>, StoreError> {
    last_words(events, |event| {
        if let Some(said) = event.payload::<payload::PullExcluded>()? {
            return Ok(Some(Some(Exclusion {
                reason: said.reason,
                by: said.by,
                wall_us: event.wall_us,
            })));
        }
        let included = event.payload::<payload::PullIncluded>()?;
        Ok(included.map(|_taken_back| None))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stored::stored_as;
    use leverarm_store::EventId;

    fn stored(number: i64, pull: i64, reason: Option<&str>) -> EventRecord {
        let request = ExclusionRequest {
            reason: reason.map(str::to_owned),
            by: "the owner".to_owned(),
        };
        let now = Now::new(0, number);
        stored_as(
            event(PullId::new(pull), &request, now),
            EventId::new(number),
        )
    }

    #[test]
    fn the_last_word_holds() {
        let events = [
            stored(1, 5, Some("misfired")),
            stored(2, 6, Some("clutch slipped")),
            stored(3, 5, None),
            stored(4, 6, Some("clutch slipped from 4,000 rpm")),
        ];
        let now = of_events(&events).unwrap();
        assert_eq!(now.len(), 1);
        let word = &now[&PullId::new(6)];
        assert_eq!(
            word.words(),
            "excluded by the owner: clutch slipped from 4,000 rpm"
        );
    }
}
