//! Pulls that were filed under the wrong setup, and with which one they were made by a person's word:
//! events in the journal, so that the pull itself stays as it was recorded and the word can be taken
//! back. Whoever asks what a pull belongs to reads pulls here, not from the store itself.

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::last_word::last_words;
use leverarm_store::{EventRecord, NewEvent, PullId, PullRecord, StoreError, StoreReader};
use leverarm_vocabulary::{Event, Now, payload};

/// The events are about this, which the store has an index for.
const ABOUT: &str = "setup corrections";

/// What a pull was made with, by a person's word.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct SetupCorrection {
    /// The setup it was made with.
    pub setup: String,
    /// The setup it was filed under; none where there was none.
    pub recorded: Option<String>,
    /// Who said so; may be empty.
    pub by: String,
    /// When.
    pub wall_us: i64,
}

impl SetupCorrection {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        let recorded = self.recorded.as_deref().unwrap_or("no setup");
        if self.by.is_empty() {
            format!("setup corrected, was {recorded}")
        } else {
            format!("setup corrected by {}, was {recorded}", self.by)
        }
    }
}

/// A person's word on what a pull was made with.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SetupCorrectionRequest {
    /// The setup it was made with; none, which has to be said, to go back to what was recorded.
    #[serde(deserialize_with = "Option::deserialize")]
    pub setup: Option<String>,
    /// Who says so.
    #[serde(default)]
    pub by: String,
}

/// The event that keeps that word.
#[must_use]
pub fn event(pull: PullId, request: &SetupCorrectionRequest, now: Now) -> NewEvent {
    let by = if request.by.is_empty() {
        String::new()
    } else {
        format!(", says {}", request.by)
    };
    let message = match &request.setup {
        Some(setup) => format!("pull {pull} was made with {setup}{by}"),
        None => format!("pull {pull} has its recorded setup again{by}"),
    };
    let told = payload::SetupCorrected {
        setup: request.setup.clone(),
        by: request.by.clone(),
    };
    NewEvent {
        pull: Some(pull),
        ..Event::telling(now, None, &told, message)
            .about(ABOUT)
            .into()
    }
}

/// Every pull with the setup it was made with, oldest first.
///
/// # Errors
/// When the store can't be read.
pub fn pulls(reader: &StoreReader) -> Result<Vec<PullRecord>, StoreError> {
    let mut pulls = reader.pulls()?;
    correct(reader, &mut pulls)?;
    Ok(pulls)
}

/// One pull with the setup it was made with.
///
/// # Errors
/// [`StoreError::NotFound`], or when the store can't be read.
pub fn pull(reader: &StoreReader, id: PullId) -> Result<PullRecord, StoreError> {
    let mut pull = reader.pull(id)?;
    correct(reader, std::slice::from_mut(&mut pull))?;
    Ok(pull)
}

/// Puts the setups that a person named in place of those that were recorded, and says which those were.
///
/// # Errors
/// When the store can't be read.
pub fn correct(
    reader: &StoreReader,
    pulls: &mut [PullRecord],
) -> Result<BTreeMap<PullId, SetupCorrection>, StoreError> {
    let mut corrections = of_events(&reader.events_about(ABOUT)?)?;
    if corrections.is_empty() {
        return Ok(corrections);
    }
    let setups = reader.setups()?;
    for pull in pulls {
        let Some(correction) = corrections.get_mut(&pull.id) else {
            continue;
        };
        let Some(setup) = setups.iter().find(|it| it.name == correction.setup) else {
            continue;
        };
        correction.recorded = pull.setup_name.replace(setup.name.clone());
        pull.setup = Some(setup.id);
    }
    Ok(corrections)
}

fn of_events(events: &[EventRecord]) -> Result<BTreeMap<PullId, SetupCorrection>, StoreError> {
    last_words(events, |event| {
        let said = event.payload::<payload::SetupCorrected>()?;
        Ok(said.map(|said| {
            Some(SetupCorrection {
                setup: said.setup?,
                recorded: None,
                by: said.by,
                wall_us: event.wall_us,
            })
        }))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stored::stored_as;
    use leverarm_store::EventId;

    #[test]
    fn the_last_word_holds_and_can_be_taken_back() {
        let said = |number: i64, pull: i64, setup: Option<&str>| {
            let request = SetupCorrectionRequest {
                setup: setup.map(str::to_owned),
                by: "the owner".to_owned(),
            };
            let now = Now::new(0, number);
            stored_as(
                event(PullId::new(pull), &request, now),
                EventId::new(number),
            )
        };
        let events = [
            said(1, 5, Some("main jet 110")),
            said(2, 6, Some("main jet 105")),
            said(3, 5, None),
            said(4, 6, Some("main jet 110")),
        ];
        let now = of_events(&events).unwrap();
        assert_eq!(now.len(), 1);
        let word = &now[&PullId::new(6)];
        assert_eq!(word.setup, "main jet 110");
        assert_eq!(word.words(), "setup corrected by the owner, was no setup");
    }
}
