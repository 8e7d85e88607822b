//! Plans in the store: events in the journal, so that who began, left and resumed one when stays on
//! record. Where a plan stands is worked out from the pulls, never stored.

use leverarm_config::Stand;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::{Made, Plan, Standing, Window};
use crate::exclusion::exclusions;
use crate::setup_correction::pulls;
use leverarm_store::{EventRecord, NewEvent, PullState, StoreError, StoreReader};
use leverarm_vocabulary::{Event, EventKind, Now, Payload, payload};

const ABOUT: &str = "plan";

/// What a person says about plans.
#[derive(Debug, Clone, PartialEq)]
pub enum Word {
    /// This one begins; another one under way ends.
    Begin(Plan),
    /// The plan is left for now.
    Leave,
    /// It goes on.
    Resume,
}

/// The event that keeps that word. `by` may be empty.
#[must_use]
pub fn event(word: &Word, by: &str, now: Now) -> NewEvent {
    let who = if by.is_empty() {
        String::new()
    } else {
        format!(" by {by}")
    };
    let by = by.to_owned();
    let event = match word {
        Word::Begin(plan) => {
            let order: Vec<&str> = plan
                .blocks
                .iter()
                .map(|block| block.setup.as_str())
                .collect();
            let message = format!("a test plan was begun{who}: {}", order.join(", "));
            let plan = plan.clone();
            Event::telling(now, None, &PlanBegun { plan, by }, message)
        }
        Word::Leave => {
            let message = format!("the test plan was left{who}");
            Event::telling(now, None, &payload::PlanLeft { by }, message)
        }
        Word::Resume => {
            let message = format!("the test plan was resumed{who}");
            Event::telling(now, None, &payload::PlanResumed { by }, message)
        }
    };
    event.about(ABOUT).into()
}

/// What the journal keeps of a plan that begins.
#[derive(Debug, Serialize, Deserialize)]
struct PlanBegun {
    plan: Plan,
    by: String,
}

impl Payload for PlanBegun {
    const KIND: EventKind = EventKind::PlanBegun;
}

/// The plan of the newest beginning.
#[derive(Debug, Clone, PartialEq)]
pub struct CurrentPlan {
    /// The plan.
    pub plan: Plan,
    /// When it was begun.
    pub begun_wall_us: i64,
    /// Whether it is left for now.
    pub is_left: bool,
    /// Stretches in which it was left: from when, to when or still.
    pub away: Vec<(i64, Option<i64>)>,
}

impl CurrentPlan {
    /// Where it stands, for programs. `not_ready` is what is to be waited for, as far as it is known.
    #[must_use]
    pub fn json(&self, standing: &Standing, not_ready: &impl Serialize) -> Value {
        json!({
            "plan": self.plan,
            "begun_wall_us": self.begun_wall_us,
            "left": self.is_left,
            "made": standing.made,
            "beside": standing.beside,
            "next": standing.next,
            "not_ready": not_ready,
        })
    }

    fn is_away(&self, wall_us: i64) -> bool {
        let away = self.away.iter();
        away.into_iter()
            .any(|(from, to)| wall_us >= *from && to.is_none_or(|to| wall_us < to))
    }
}

/// The plan there is; none before the first.
///
/// # Errors
/// When the store can't be read.
pub fn current(reader: &StoreReader) -> Result<Option<CurrentPlan>, StoreError> {
    Ok(all(reader)?.pop())
}

/// All plans, oldest first.
fn all(reader: &StoreReader) -> Result<Vec<CurrentPlan>, StoreError> {
    let events = reader.events_about(ABOUT)?;
    of_events(&events)
}

fn of_events(events: &[EventRecord]) -> Result<Vec<CurrentPlan>, StoreError> {
    let mut plans: Vec<CurrentPlan> = Vec::new();
    for event in events {
        if let Some(begun) = event.payload::<PlanBegun>()? {
            plans.push(CurrentPlan {
                plan: begun.plan,
                begun_wall_us: event.wall_us,
                is_left: false,
                away: Vec::new(),
            });
            continue;
        }
        let Some(plan) = plans.last_mut() else {
            continue;
        };
        if event.kind == EventKind::PlanLeft && !plan.is_left {
            plan.is_left = true;
            plan.away.push((event.wall_us, None));
        } else if event.kind == EventKind::PlanResumed && plan.is_left {
            plan.is_left = false;
            if let Some((_, to)) = plan.away.last_mut() {
                *to = Some(event.wall_us);
            }
        }
    }
    Ok(plans)
}

/// The pulls made under a plan, in order: none while it was left.
///
/// # Errors
/// When the store can't be read.
pub fn made_since(reader: &StoreReader, plan: &CurrentPlan) -> Result<Vec<Made>, StoreError> {
    let excluded = exclusions(reader)?;
    let made = pulls(reader)?.into_iter().filter(|pull| {
        pull.started_wall_us >= plan.begun_wall_us
            && pull.state != PullState::Running
            && !plan.is_away(pull.started_wall_us)
    });
    Ok(made
        .map(|pull| Made {
            counts: pull.state == PullState::Stored && !excluded.contains_key(&pull.id),
            setup: pull.setup_name,
        })
        .collect())
}

/// The windows that held when pulls at these times were made, by the plans.
///
/// # Errors
/// When the store can't be read.
pub fn windows_at(
    reader: &StoreReader,
    wall_us: impl Iterator<Item = i64>,
) -> Result<Vec<Vec<Window>>, StoreError> {
    let plans = all(reader)?;
    let windows = |wall_us: i64| {
        let newest = plans
            .iter()
            .rev()
            .find(|plan| plan.begun_wall_us <= wall_us);
        newest
            .filter(|plan| !plan.is_away(wall_us))
            .map_or_else(Vec::new, |plan| plan.plan.windows.clone())
    };
    Ok(wall_us.map(windows).collect())
}

/// Writes a channel's SI value in the units of a stand.
pub fn shown_in(stand: &Stand) -> impl Fn(&str, f64) -> String + use<'_> {
    |name, si| match stand.channel_named(name) {
        Some((_, channel)) => channel.quantity.display_unit(&stand.units).text(si, 0),
        None => format!("{si}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Block;
    use crate::stored::stored_as;
    use leverarm_store::EventId;

    fn plan(setup: &str) -> Plan {
        Plan {
            blocks: vec![Block {
                setup: setup.to_owned(),
                pulls: 2,
            }],
            windows: vec![Window {
                channel: "oil".to_owned(),
                low_si: 340.0,
                high_si: 360.0,
            }],
            fuel: "5 l of petrol".to_owned(),
            by: "the owner".to_owned(),
        }
    }

    fn kept(wall_us: i64, word: &Word) -> EventRecord {
        let now = Now {
            mono_us: 0,
            wall_us,
        };
        stored_as(event(word, "the owner", now), EventId::new(wall_us))
    }

    #[test]
    fn a_plan_is_left_and_resumed_and_another_takes_its_place() {
        let events = [
            kept(1, &Word::Begin(plan("A"))),
            kept(5, &Word::Leave),
            kept(6, &Word::Leave),
            kept(9, &Word::Resume),
            kept(20, &Word::Begin(plan("B"))),
            kept(25, &Word::Leave),
        ];
        let plans = of_events(&events).unwrap();
        assert_eq!(plans.len(), 2);
        assert_eq!(plans[0].plan, plan("A"));
        assert_eq!(plans[0].away, [(5, Some(9))]);
        let away: Vec<bool> = [4, 5, 8, 9].map(|at| plans[0].is_away(at)).to_vec();
        assert_eq!(away, [false, true, true, false]);
        assert!(plans[1].is_left && plans[1].is_away(1000));
        assert_eq!(plans[1].plan.blocks[0].setup, "B");
        assert!(events[0].message.contains("begun by the owner: A"));
    }

    /// Left out in silence, the pulls of that plan would count as made under the one before.
    #[test]
    fn a_plan_that_cannot_be_read_is_an_error() {
        let mut event = kept(1, &Word::Begin(plan("A")));
        event.data["plan"]["blocks"] = serde_json::json!("three");
        let error = of_events(&[event]).unwrap_err().to_string();
        assert!(error.contains("event 1 (plan begun)"), "{error}");
    }
}
