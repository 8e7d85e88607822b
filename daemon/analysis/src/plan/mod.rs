//! Test plans: which setup is to be tested next, how many pulls it still lacks, and what the stand has
//! to wait for. Pure: the pulls made and the conditions of now are passed in.
//!
//! A plan never stands in the way: pulls beside it, with it left, or without any are all the same to
//! the store. It only says what is next.

mod kept;

use leverarm_vocabulary::load::{BadLoad, StepList};
use serde::{Deserialize, Serialize};

pub use kept::{
    CurrentPlan, ListLength, Word, current, event, known_list, list_lengths, lists_read,
    made_since, part_throttle, shown_in, windows_at,
};

/// Most blocks of a plan.
pub const BLOCKS_MAX: usize = 100;
/// Most pulls of a block.
pub const PULLS_MAX: u32 = 50;
/// Most lists of a plan.
pub const LISTS_MAX: usize = 10;

/// A test plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// The setups in the order they are to be tested, each with a number of pulls.
    pub blocks: Vec<Block>,
    /// The lists of steps that blocks name, on a stand whose load is led.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lists: Vec<StepList>,
    /// What the stand waits for before each pull.
    #[serde(default)]
    pub windows: Vec<Window>,
    /// What fuel is to be in the tank, and how much; may be empty.
    #[serde(default)]
    pub fuel: String,
    /// Who made the plan; may be empty.
    #[serde(default)]
    pub by: String,
}

/// Some pulls with one setup, one after the other.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Block {
    /// The setup's name.
    pub setup: String,
    /// How many pulls.
    pub pulls: u32,
    /// The list of steps that each of them is; none: full-throttle pulls.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub list: Option<String>,
}

/// A channel's range in which a pull is to start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Window {
    /// Channel of the stand file, such as the oil's or the intake air's temperature.
    pub channel: String,
    /// Lowest value, SI.
    pub low_si: f64,
    /// Highest value, SI.
    pub high_si: f64,
}

/// Why a plan is none.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// Too few or too many blocks.
    #[error("a plan has 1 to {BLOCKS_MAX} setups in a row, found {0}")]
    Blocks(usize),
    /// Too few or too many pulls.
    #[error("a plan makes 1 to {PULLS_MAX} pulls with each setup, found {0}")]
    Pulls(u32),
    /// A name that is none.
    #[error("a setup of the plan has no name")]
    NoName,
    /// Too many lists.
    #[error("a plan has at most {LISTS_MAX} lists of steps, found {0}")]
    Lists(usize),
    /// A list that no load can run.
    #[error("list \"{name}\": {bad}")]
    List {
        /// Its name.
        name: String,
        /// What is wrong with it.
        bad: BadLoad,
    },
    /// A list without a name, or one that another has too.
    #[error("each list of a plan has a name of its own, found {0:?}")]
    ListName(String),
    /// A block that asks for a list that the plan does not have.
    #[error("\"{setup}\" is to be tested by the list \"{list}\", which the plan does not have")]
    NoList {
        /// The block's setup.
        setup: String,
        /// The list.
        list: String,
    },
    /// A window that is empty.
    #[error(
        "{channel}: expected a lowest value not above the highest, found {low_si} and {high_si} in SI"
    )]
    Window {
        /// The channel.
        channel: String,
        /// Found.
        low_si: f64,
        /// Found.
        high_si: f64,
    },
}

/// The same pulls with each setup, in blocks that hold every setup once, each block in an order of
/// its own: drift and order fall on all setups alike.
#[must_use]
pub fn randomised(setups: &[String], pulls: u32, blocks: u32, seed: u64) -> Vec<Block> {
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let mut order = Vec::new();
    for _ in 0..blocks {
        let mut block: Vec<&String> = setups.iter().collect();
        // Fisher and Yates.
        for last in (1..block.len()).rev() {
            let range = last as u64 + 1;
            let other = usize::try_from(chance.next_u64() % range).unwrap_or(0);
            block.swap(last, other);
        }
        order.extend(block.into_iter().cloned());
    }
    let block = |setup| Block {
        setup,
        pulls,
        list: None,
    };
    order.into_iter().map(block).collect()
}

/// A pull made since the plan was begun.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Made {
    /// Its setup.
    pub setup: Option<String>,
    /// The named list of steps that it was read by.
    pub list: Option<String>,
    /// Whether it is whole and nobody excluded it.
    pub counts: bool,
}

/// What is next.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Next {
    /// A pull.
    Pull {
        /// Number of the block, from 1.
        block: usize,
        /// Blocks in all.
        blocks: usize,
        /// With this setup.
        setup: String,
        /// Number of the pull in the block, from 1.
        pull: u32,
        /// Pulls in the block.
        pulls: u32,
        /// The list of steps that it is.
        #[serde(skip_serializing_if = "Option::is_none")]
        list: Option<String>,
        /// Whether the block before it was left short.
        is_second_round: bool,
    },
    /// All pulls are made.
    Done,
}

/// Where a plan stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Standing {
    /// Pulls that count, of each block.
    pub made: Vec<u32>,
    /// Pulls of setups that were not next.
    pub beside: u32,
    /// What is next.
    pub next: Next,
}

/// Conditions of now.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Conditions {
    /// Setup that the next pull belongs to.
    pub setup: Option<String>,
    /// Value of each channel, SI; none where the sensor is lost.
    pub channels: Vec<(String, Option<f64>)>,
}

impl Block {
    /// Whether a pull is one of those that it asks for.
    fn is_of(&self, pull: &Made) -> bool {
        pull.setup.as_ref() == Some(&self.setup) && pull.list == self.list
    }

    /// What it makes, in words: "3 pulls", "1 test \"six speeds\"".
    #[must_use]
    pub fn count_words(&self) -> String {
        let (one, many) = match self.list {
            Some(_) => ("test", "tests"),
            None => ("pull", "pulls"),
        };
        let what = if self.pulls == 1 { one } else { many };
        match &self.list {
            Some(list) => format!("{} {what} by \"{list}\"", self.pulls),
            None => format!("{} {what}", self.pulls),
        }
    }
}

impl Window {
    /// Between two values, whichever is named first.
    #[must_use]
    pub fn between(channel: String, one_si: f64, other_si: f64) -> Self {
        Self {
            channel,
            low_si: one_si.min(other_si),
            high_si: one_si.max(other_si),
        }
    }
}

impl Plan {
    /// Checks what a person wrote.
    ///
    /// # Errors
    /// See [`PlanError`].
    pub fn check(&self) -> Result<(), PlanError> {
        if !(1..=BLOCKS_MAX).contains(&self.blocks.len()) {
            return Err(PlanError::Blocks(self.blocks.len()));
        }
        for block in &self.blocks {
            if block.setup.trim().is_empty() {
                return Err(PlanError::NoName);
            }
            if !(1..=PULLS_MAX).contains(&block.pulls) {
                return Err(PlanError::Pulls(block.pulls));
            }
        }
        if self.lists.len() > LISTS_MAX {
            return Err(PlanError::Lists(self.lists.len()));
        }
        for (place, list) in self.lists.iter().enumerate() {
            let name = list.name.clone().unwrap_or_default();
            let before = self.lists.iter().take(place);
            if name.trim().is_empty() || before.into_iter().any(|other| other.name == list.name) {
                return Err(PlanError::ListName(name));
            }
            list.check().map_err(|bad| PlanError::List { name, bad })?;
        }
        for block in &self.blocks {
            if let Some(name) = &block.list
                && self.list(name).is_none()
            {
                return Err(PlanError::NoList {
                    setup: block.setup.clone(),
                    list: name.clone(),
                });
            }
        }
        for window in &self.windows {
            let (low_si, high_si) = (window.low_si, window.high_si);
            if !(low_si <= high_si && low_si.is_finite() && high_si.is_finite()) {
                return Err(PlanError::Window {
                    channel: window.channel.clone(),
                    low_si,
                    high_si,
                });
            }
        }
        Ok(())
    }

    /// The list of this name.
    #[must_use]
    pub fn list(&self, name: &str) -> Option<&StepList> {
        self.lists
            .iter()
            .find(|list| list.name.as_deref() == Some(name))
    }

    /// Where the plan stands after these pulls, in the order they were made.
    ///
    /// A pull with the setup of the present block counts for it. One with a later block's setup means
    /// that the person went on, and what was left short comes again at the end: nothing is taken back
    /// off the engine because of a list.
    #[must_use]
    pub fn standing(&self, pulls: &[Made]) -> Standing {
        let mut made = vec![0; self.blocks.len()];
        let mut beside = 0;
        let mut present = 0;
        for pull in pulls {
            let open = |at: usize, made: &[u32]| {
                self.blocks
                    .get(at)
                    .is_some_and(|block| block.is_of(pull) && made[at] < block.pulls)
            };
            // One more with the setup that is on anyway is no step to a later block.
            let is_on = self
                .blocks
                .get(present)
                .is_some_and(|block| block.is_of(pull));
            let ahead = if is_on {
                present..present + 1
            } else {
                present..self.blocks.len()
            };
            let mut ahead = ahead.filter(|at| open(*at, &made));
            // With nothing ahead, a pull fills what was left short.
            let any = ahead
                .next()
                .or_else(|| (0..present).find(|at| open(*at, &made)));
            let Some(at) = any else {
                beside += 1;
                continue;
            };
            present = present.max(at);
            if pull.counts {
                made[at] += 1;
            }
        }
        let is_short = |at: &usize| made[*at] < self.blocks[*at].pulls;
        let ahead = (present..self.blocks.len()).find(is_short);
        let behind = (0..present).find(is_short);
        let next = ahead.or(behind).map_or(Next::Done, |at| Next::Pull {
            block: at + 1,
            blocks: self.blocks.len(),
            setup: self.blocks[at].setup.clone(),
            pull: made[at] + 1,
            pulls: self.blocks[at].pulls,
            list: self.blocks[at].list.clone(),
            is_second_round: ahead.is_none(),
        });
        Standing { made, beside, next }
    }

    /// What the next pull has to wait for; empty when the stand is ready. `shown` writes a channel's
    /// SI value in the stand's units.
    #[must_use]
    pub fn not_ready(
        &self,
        next: &Next,
        now: &Conditions,
        shown: impl Fn(&str, f64) -> String,
    ) -> Vec<String> {
        let Next::Pull { setup, .. } = next else {
            return Vec::new();
        };
        let mut waits = Vec::new();
        match &now.setup {
            Some(in_force) if in_force == setup => {}
            Some(in_force) => waits.push(format!(
                "change from \"{in_force}\" to \"{setup}\", then name it: leverarm setup \"{setup}\""
            )),
            None => waits.push(format!(
                "put on \"{setup}\", then name it: leverarm setup \"{setup}\""
            )),
        }
        for window in &self.windows {
            let name = &window.channel;
            let range = format!(
                "{} to {}",
                shown(name, window.low_si),
                shown(name, window.high_si)
            );
            let found = now.channels.iter().find(|(channel, _)| channel == name);
            match found {
                None => waits.push(format!(
                    "the stand has no channel \"{name}\", which the plan waits for"
                )),
                Some((_, None)) => waits.push(format!("{name}: no value; expected {range}")),
                Some((_, Some(value))) if *value < window.low_si => {
                    waits.push(format!(
                        "{name} is at {}: wait until it rises to {range}",
                        shown(name, *value)
                    ));
                }
                Some((_, Some(value))) if *value > window.high_si => {
                    waits.push(format!(
                        "{name} is at {}: wait until it falls to {range}",
                        shown(name, *value)
                    ));
                }
                Some(_) => {}
            }
        }
        waits
    }
}

impl Next {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Pull {
                block,
                blocks,
                setup,
                pull,
                pulls,
                list,
                is_second_round,
            } => {
                let what = match list {
                    Some(list) => format!("test {pull} of {pulls} by the list \"{list}\""),
                    None => format!("pull {pull} of {pulls}"),
                };
                let short = if *is_second_round {
                    ", left short before"
                } else {
                    ""
                };
                format!("next: {what} with \"{setup}\" (block {block} of {blocks}{short})")
            }
            Self::Done => "the plan is done: all its pulls are made".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(order: &[&str], pulls: u32) -> Plan {
        let block = |setup: &&str| Block {
            setup: (*setup).to_owned(),
            pulls,
            list: None,
        };
        Plan {
            blocks: order.iter().map(block).collect(),
            lists: Vec::new(),
            windows: Vec::new(),
            fuel: String::new(),
            by: String::new(),
        }
    }

    fn made(setups: &str) -> Vec<Made> {
        // A capital letter is a pull that counts, a small one does not.
        let pull = |letter: char| Made {
            setup: Some(letter.to_ascii_uppercase().to_string()),
            list: None,
            counts: letter.is_ascii_uppercase(),
        };
        setups.chars().map(pull).collect()
    }

    fn next(plan: &Plan, setups: &str) -> (usize, u32) {
        match plan.standing(&made(setups)).next {
            Next::Pull { block, pull, .. } => (block, pull),
            Next::Done => (0, 0),
        }
    }

    #[test]
    fn a_b_a_is_walked_through() {
        let plan = plan(&["A", "B", "A"], 2);
        for (setups, expected) in [
            ("", (1, 1)),
            ("A", (1, 2)),
            ("AA", (2, 1)),
            ("AAB", (2, 2)),
            ("AABB", (3, 1)),
            ("AABBAA", (0, 0)),
            // A pull given up is made again.
            ("Aa", (1, 2)),
            ("AABb", (2, 2)),
            // Neither a setup of no block nor one pull more is a step.
            ("AAC", (2, 1)),
            ("AAA", (2, 1)),
            // Going on leaves a block short; it comes again at the end.
            ("AABA", (3, 2)),
            ("AABAA", (2, 2)),
            ("AABAAB", (0, 0)),
        ] {
            assert_eq!(next(&plan, setups), expected, "{setups}");
        }
        assert_eq!(plan.standing(&made("AACA")).beside, 2);
    }

    /// Only a test by the list that a block names counts for it; a full-throttle pull is beside it.
    #[test]
    fn a_block_may_be_a_list_of_steps() {
        let list = StepList {
            name: Some("six speeds".to_owned()),
            steps: vec![leverarm_vocabulary::load::Step::Speed { rad_per_s: 400.0 }],
            ..StepList::default()
        };
        let mut plan = plan(&["A", "A"], 1);
        plan.lists = vec![list.clone()];
        plan.blocks[0].list = list.name.clone();
        assert_eq!(plan.check(), Ok(()));
        let by = |list: Option<&str>| Made {
            list: list.map(str::to_owned),
            ..made("A")[0].clone()
        };
        let next = |pulls: &[Made]| plan.standing(pulls).next.words();
        assert!(
            next(&[]).contains("test 1 of 1 by the list \"six speeds\" with \"A\" (block 1 of 2")
        );
        // A pull goes on to the second block, and the list comes again at the end.
        assert!(next(&[by(None)]).contains("block 1 of 2, left short before"));
        assert!(next(&[by(Some("another"))]).contains("block 1 of 2)"));
        assert!(next(&[by(Some("six speeds"))]).contains("pull 1 of 1"));
        let both = [by(Some("six speeds")), by(None)];
        assert_eq!(plan.standing(&both).next, Next::Done);

        let mut unknown = plan.clone();
        unknown.blocks[1].list = Some("none".to_owned());
        let error = unknown.check().unwrap_err().to_string();
        assert!(
            error.contains("\"none\", which the plan does not have"),
            "{error}"
        );
        let mut twice = plan.clone();
        twice.lists.push(list);
        assert!(matches!(twice.check(), Err(PlanError::ListName(_))));
        let mut empty = plan.clone();
        empty.lists[0].steps.clear();
        let error = empty.check().unwrap_err().to_string();
        assert!(error.starts_with("list \"six speeds\": steps"), "{error}");
        // What was kept before there were lists is read as it was.
        let old: Plan = serde_json::from_str(r#"{"blocks":[{"setup":"A","pulls":2}]}"#).unwrap();
        assert_eq!(old.blocks[0].list, None);
        assert_eq!(
            serde_json::to_value(&old.blocks).unwrap(),
            serde_json::json!([{ "setup": "A", "pulls": 2 }])
        );
    }

    #[test]
    fn each_random_block_holds_every_setup_once() {
        let setups = ["A", "B", "C"].map(str::to_owned);
        let blocks = randomised(&setups, 2, 20, 7);
        assert_eq!(blocks.len(), 60);
        let mut orders = std::collections::BTreeSet::new();
        for block in blocks.chunks(3) {
            let names: Vec<&str> = block.iter().map(|b| b.setup.as_str()).collect();
            let mut sorted = names.clone();
            sorted.sort_unstable();
            assert_eq!(sorted, ["A", "B", "C"]);
            orders.insert(names.concat());
        }
        assert!(orders.len() > 3, "{orders:?}");
        assert_eq!(blocks, randomised(&setups, 2, 20, 7));
    }

    #[test]
    fn the_stand_waits_for_setup_and_windows() {
        let mut plan = plan(&["A", "B"], 1);
        plan.windows = vec![Window {
            channel: "oil".to_owned(),
            low_si: 343.15,
            high_si: 363.15,
        }];
        let next = plan.standing(&[]).next;
        let wait = |setup: Option<&str>, oil: Option<f64>| {
            let now = Conditions {
                setup: setup.map(str::to_owned),
                channels: vec![("oil".to_owned(), oil)],
            };
            plan.not_ready(&next, &now, |_, si| format!("{:.0} °C", si - 273.15))
        };
        assert!(wait(Some("A"), Some(350.0)).is_empty());
        assert_eq!(
            wait(Some("A"), Some(335.15)),
            ["oil is at 62 °C: wait until it rises to 70 °C to 90 °C"]
        );
        assert!(wait(Some("A"), Some(370.0))[0].contains("falls"));
        assert!(wait(Some("A"), None)[0].contains("no value"));
        assert!(wait(Some("B"), Some(350.0))[0].contains("change from \"B\" to \"A\""));
        assert_eq!(wait(None, None).len(), 2);
    }

    #[test]
    fn a_plan_that_can_not_be_is_refused() {
        assert_eq!(plan(&[], 1).check(), Err(PlanError::Blocks(0)));
        assert_eq!(plan(&["A"], 0).check(), Err(PlanError::Pulls(0)));
        assert_eq!(plan(&[" "], 1).check(), Err(PlanError::NoName));
        let mut bad = plan(&["A"], 1);
        bad.windows = vec![Window {
            channel: "oil".to_owned(),
            low_si: 300.0,
            high_si: f64::NAN,
        }];
        assert!(matches!(bad.check(), Err(PlanError::Window { .. })));
    }
}
