//! Things that come in swarms, such as damaged bytes and missed teeth: the journal hears of each
//! kind once a second, with a count.

use super::{Event, Now, Output};
use leverarm_vocabulary::{EventKind, Repeats};

const FOLD_US: u64 = 1_000_000;

/// What a swarm is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum About {
    Link,
    Pickup(u8),
}

/// One kind since the last event about it.
#[derive(Debug)]
struct Swarm {
    about: About,
    kind: EventKind,
    /// The first of them, in words.
    first: String,
    count: u64,
    /// When the first of them was, on the computer's clocks and on the board's.
    when: (Now, Option<u64>),
    /// When the last of them was.
    last: Now,
}

/// There are no more of these than kinds times pickups.
#[derive(Debug, Default)]
pub(super) struct Swarms {
    swarms: Vec<Swarm>,
}

impl Swarms {
    pub(super) fn add(
        &mut self,
        when: (Now, Option<u64>),
        about: About,
        kind: EventKind,
        count: u64,
        first: impl FnOnce() -> String,
    ) {
        let mut swarms = self.swarms.iter_mut();
        match swarms.find(|swarm| swarm.kind == kind && swarm.about == about) {
            Some(swarm) => {
                swarm.count = swarm.count.saturating_add(count);
                swarm.last = when.0;
            }
            None => self.swarms.push(Swarm {
                about,
                kind,
                first: first(),
                count,
                when,
                last: when.0,
            }),
        }
    }

    /// Tells of the swarms that are old enough, or of all. The event's time is that of the first.
    pub(super) fn tell(&mut self, now: Now, all: bool, out: &mut Output) {
        let is_due =
            |swarm: &mut Swarm| all || now.mono_us.saturating_sub(swarm.when.0.mono_us) >= FOLD_US;
        for swarm in self.swarms.extract_if(.., is_due) {
            let Swarm {
                kind,
                count,
                first,
                when: (now, tick),
                last,
                ..
            } = swarm;
            let about = match swarm.about {
                About::Link => "link".to_owned(),
                About::Pickup(number) => format!("pickup {number}"),
            };
            let repeats = Repeats {
                last_mono_us: Some(last.mono_us),
                last_wall_us: Some(last.wall_us),
                ..Repeats::times(count)
            };
            let event = Event::new(now, tick, kind, format!("{kind} ({count}): {first}"));
            out.tell(event.about(about).repeated(repeats));
        }
    }
}
