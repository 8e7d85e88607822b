//! Cuts, as the live half holds them and the journal keeps them.

use serde::{Deserialize, Serialize};

/// Who asked for a cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CutBy {
    /// A person. No program ends it.
    Person,
    /// A guard of the stand file.
    Guard,
    /// The board by itself, or on another host's command.
    Board,
    /// The board, which was cut when it was first heard, for no more than its start or a host that
    /// went away.
    BoardStart,
    /// The self-test of the guards.
    SelfTest,
    /// The stand is not armed.
    NotArmed,
    /// The daemon, which was asked to stop.
    Stop,
}

impl CutBy {
    /// Whether a self-test that a person asked for may end it.
    #[must_use]
    pub const fn is_for_self_test(self) -> bool {
        matches!(self, Self::BoardStart | Self::SelfTest | Self::NotArmed)
    }
}

/// A cut that has not been released.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cut {
    /// The daemon's number for it, from 1 since the daemon started.
    pub number: u32,
    /// Who asked for it.
    pub by: CutBy,
    /// Why, in words.
    pub cause: String,
    /// When it was asked for, microseconds since 1970.
    pub since_wall_us: i64,
}
