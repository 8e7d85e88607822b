//! Plans in the store: events in the journal, so that who began, left and resumed one when stays on
//! record. Where a plan stands is worked out from the pulls, never stored.

use std::collections::HashMap;

use leverarm_config::Stand;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::{Made, Plan, Standing, Window};
use crate::exclusion::exclusions;
use crate::setup_correction::pulls;
use leverarm_store::{
    EventRecord, NewEvent, PullId, PullRecord, PullState, StoreError, StoreReader,
};
use leverarm_vocabulary::load::{LIST_ABOUT, StepList};
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
            let order: Vec<String> = plan
                .blocks
                .iter()
                .map(|block| match &block.list {
                    Some(list) => format!("{} by \"{list}\"", block.setup),
                    None => block.setup.clone(),
                })
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
    pub fn json(
        &self,
        standing: &Standing,
        lengths: &[ListLength],
        not_ready: &impl Serialize,
    ) -> Value {
        let lists = self.plan.lists.iter().zip(lengths);
        let list = |(list, length): (&StepList, &ListLength)| {
            json!({
                "name": list.name,
                "words": list.words(),
                "seconds": length.seconds,
                "kept_tests": length.tests,
            })
        };
        json!({
            "plan": self.plan,
            "begun_wall_us": self.begun_wall_us,
            "left": self.is_left,
            "lists": lists.map(list).collect::<Vec<_>>(),
            "seconds_of_lists_left": self.seconds_of_lists_left(standing, lengths),
            "made": standing.made,
            "beside": standing.beside,
            "next": standing.next,
            "not_ready": not_ready,
        })
    }

    /// What the tests by lists that are still to be made take, s.
    #[must_use]
    pub fn seconds_of_lists_left(&self, standing: &Standing, lengths: &[ListLength]) -> f64 {
        let seconds = |name: &String| {
            let mut lists = self.plan.lists.iter().zip(lengths);
            let found = lists.find(|(list, _)| list.name.as_ref() == Some(name));
            found.map_or(0.0, |(_, length)| length.seconds)
        };
        let blocks = self.plan.blocks.iter().zip(&standing.made);
        blocks
            .map(|(block, made)| {
                let left = f64::from(block.pulls.saturating_sub(*made));
                block.list.as_ref().map_or(0.0, |name| left * seconds(name))
            })
            .sum()
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
    let mut lists = lists_read(reader)?;
    let made = pulls(reader)?.into_iter().filter(|pull| {
        pull.started_wall_us >= plan.begun_wall_us
            && pull.state.has_curve()
            && !plan.is_away(pull.started_wall_us)
    });
    Ok(made
        .map(|pull| Made {
            counts: pull.state == PullState::Stored && !excluded.contains_key(&pull.id),
            list: lists.remove(&pull.id).and_then(|list| list.name),
            setup: pull.setup_name,
        })
        .collect())
}

/// The lists that pulls were read by.
///
/// # Errors
/// When the store can't be read.
pub fn lists_read(reader: &StoreReader) -> Result<HashMap<PullId, StepList>, StoreError> {
    let mut lists = HashMap::new();
    for event in reader.events_about(LIST_ABOUT)? {
        if let (Some(pull), Some(list)) = (event.pull, event.payload::<StepList>()?) {
            lists.insert(pull, list);
        }
    }
    Ok(lists)
}

/// The pulls that were read at part throttle, each with its opening: they are of a map, and no full-throttle curve.
///
/// # Errors
/// When the store can't be read.
pub fn part_throttle(reader: &StoreReader) -> Result<HashMap<PullId, f64>, StoreError> {
    let lists = lists_read(reader)?.into_iter();
    Ok(lists
        .filter_map(|(pull, list)| Some((pull, list.throttle.filter(|it| *it < 1.0)?)))
        .collect())
}

/// The newest list of this name that a plan has or a pull was read by.
///
/// # Errors
/// When the store can't be read.
pub fn known_list(reader: &StoreReader, name: &str) -> Result<Option<StepList>, StoreError> {
    let planned = all(reader)?;
    let planned = planned.iter().rev().find_map(|it| it.plan.list(name));
    if let Some(list) = planned {
        return Ok(Some(list.clone()));
    }
    let mut read: Vec<(PullId, StepList)> = lists_read(reader)?.into_iter().collect();
    read.sort_by_key(|(pull, _)| *pull);
    let is_named = |list: &StepList| list.name.as_deref() == Some(name);
    Ok(read.into_iter().rev().map(|it| it.1).find(is_named))
}

/// How long a test by a list takes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ListLength {
    /// From its first step to the end of its last, s.
    pub seconds: f64,
    /// How many kept tests say so (their median); 0: worked out from its steps.
    pub tests: usize,
}

impl ListLength {
    /// In words: "0.8 min each, as 3 kept tests took".
    #[must_use]
    pub fn words(&self) -> String {
        let minutes = self.seconds / 60.0;
        match self.tests {
            0 => format!("about {minutes:.1} min each"),
            1 => format!("{minutes:.1} min each, as the kept test took"),
            tests => format!("{minutes:.1} min each, as {tests} kept tests took"),
        }
    }
}

/// The length of each of these lists, from the tests that were kept of it where there are any.
///
/// # Errors
/// When the store can't be read.
pub fn list_lengths(
    reader: &StoreReader,
    lists: &[StepList],
) -> Result<Vec<ListLength>, StoreError> {
    // The page asks for it every few seconds, of stores with many pulls.
    if lists.is_empty() {
        return Ok(Vec::new());
    }
    let read = lists_read(reader)?;
    let mut kept: HashMap<&str, Vec<f64>> = HashMap::new();
    for pull in reader.pulls()? {
        let name = read.get(&pull.id).and_then(|list| list.name.as_deref());
        let is_asked = |name: &&str| lists.iter().any(|list| list.name.as_deref() == Some(name));
        if let Some(name) = name.filter(is_asked)
            && let Some(seconds) = seconds_of(reader, &pull)?
        {
            kept.entry(name).or_default().push(seconds);
        }
    }
    Ok(lists
        .iter()
        .map(|list| {
            let name = list.name.as_deref().unwrap_or_default();
            let mut seconds = kept.remove(name).unwrap_or_default();
            seconds.sort_by(f64::total_cmp);
            ListLength {
                tests: seconds.len(),
                seconds: seconds
                    .get(seconds.len() / 2)
                    .copied()
                    .unwrap_or_else(|| list.usual_seconds()),
            }
        })
        .collect())
}

/// How long a whole pull took.
fn seconds_of(reader: &StoreReader, pull: &PullRecord) -> Result<Option<f64>, StoreError> {
    let Some(end) = pull.tick_end.filter(|_| pull.state == PullState::Stored) else {
        return Ok(None);
    };
    let hello = reader.connection(pull.connection)?.hello;
    Ok(hello
        .map(|hello| end.saturating_sub(pull.tick_start) as f64 / f64::from(hello.tick_hz.max(1))))
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
                list: None,
            }],
            lists: Vec::new(),
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
        let now = Now::new(0, wall_us);
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
