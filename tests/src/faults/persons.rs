//! Cuts that persons asked for, and who has seen them.

/// The persons' side of the checks.
#[derive(Debug, Default)]
pub(super) struct Persons {
    /// Cuts that persons asked for since the daemon started.
    cuts: u32,
    /// How many of them were ended by a release of a person who had seen them.
    ended: u32,
    /// How many of them a release under way would end.
    releasing: u32,
    /// How many of them each person has seen.
    seen: [u32; 3],
    /// A cut that is not in the journal yet.
    pub(super) untold: Option<String>,
}

impl Persons {
    pub(super) fn cut(&mut self, reason: &str) {
        self.cuts += 1;
        self.untold = Some(reason.to_owned());
    }

    /// An event of a cut.
    pub(super) fn told(&mut self, message: &str) {
        self.untold
            .take_if(|reason| message.contains(reason.as_str()));
    }

    pub(super) fn looked(&mut self, who: usize) {
        if let Some(seen) = self.seen.get_mut(who) {
            *seen = self.cuts;
        }
    }

    /// A release of this person was accepted; whether they had seen all that it ends.
    pub(super) fn released(&mut self, who: usize) -> bool {
        self.releasing = self.cuts;
        self.seen.get(who) == Some(&self.cuts)
    }

    /// The engine may run again.
    pub(super) fn all_released(&mut self) {
        self.ended = self.cuts;
    }

    /// Whether a person's cut is in force that nobody's release is about to end.
    pub(super) fn has_cut(&self) -> bool {
        self.cuts > self.ended.max(self.releasing)
    }
}
