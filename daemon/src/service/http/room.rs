//! Room for connections. A new one is always let in, since it may bring a person's cut, and has a moment
//! to say what it wants: where there is no room, the one that has done nothing for longest gives way,
//! from whoever has most.
//!
//! This machine and the network have room of their own, so that nobody on the network can fill the
//! one of the person at the stand.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::Notify;

use super::access::network;

/// Connections at the same time from this machine, and as many more from the network.
const CONNECTIONS: Bound = Bound {
    usual: 128,
    hasty: 768,
};
/// Of them, those from one address of the network: a browser opens six, and the tabs of one browser
/// share them.
const OF_ADDRESS: Bound = Bound {
    usual: 24,
    hasty: 512,
};
/// Open files that a daemon with so many connections needs, and then some.
pub(super) const FILES: u64 = 4096;
/// A connection that has done nothing for so long may have to give way.
const QUIET_US: u64 = 200_000;

/// How many there may be.
struct Bound {
    /// From here on, those that are quiet give way.
    usual: usize,
    /// From here on, the quietest does, however short its time was: all come and go in haste.
    hasty: usize,
}

/// Where a connection comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Origin {
    /// From this machine itself.
    pub(super) here: bool,
    /// The address, or for IPv6 the network that one household has.
    pub(super) network: IpAddr,
}

impl Origin {
    /// `own` is this machine's end of the connection: only this machine can have the same address at
    /// the other end.
    pub(super) fn of(peer: SocketAddr, own: Option<SocketAddr>) -> Self {
        let peer = peer.ip().to_canonical();
        let same = own.is_some_and(|own| own.ip().to_canonical() == peer);
        Self {
            here: peer.is_loopback() || same,
            network: network(peer),
        }
    }
}

/// A place that is taken.
#[derive(Debug, Clone)]
struct Place {
    number: u64,
    origin: Origin,
    /// When its last request began, or the last bytes of an answer went out; later than now while it must not
    /// give way.
    moved_us: Arc<AtomicU64>,
    leave: Arc<Notify>,
}

/// All places.
#[derive(Debug, Default)]
pub(super) struct Room {
    places: Mutex<(u64, Vec<Place>)>,
}

/// A connection's place; given back when dropped.
#[derive(Debug)]
pub(super) struct Taken {
    room: Arc<Room>,
    place: Place,
}

impl Room {
    /// Lets a connection in, and says how many had to give way.
    pub(super) fn enter(self: &Arc<Self>, origin: Origin, now_us: u64) -> (Taken, usize) {
        let mut places = self.places.lock().unwrap_or_else(PoisonError::into_inner);
        let (number, places) = &mut *places;
        let before = places.len();
        loop {
            let seen: Vec<(Origin, u64)> = places
                .iter()
                .map(|place| (place.origin, place.moved_us.load(Ordering::Relaxed)))
                .collect();
            let Some(at) = gives_way(&seen, origin, now_us) else {
                break;
            };
            places.swap_remove(at).leave.notify_one();
        }
        let others_left = before - places.len();
        *number += 1;
        let place = Place {
            number: *number,
            origin,
            moved_us: Arc::new(AtomicU64::new(now_us)),
            leave: Arc::default(),
        };
        places.push(place.clone());
        let room = Arc::clone(self);
        (Taken { room, place }, others_left)
    }
}

impl Taken {
    /// Where to note that the connection does something.
    pub(super) fn moved_us(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.place.moved_us)
    }

    /// Resolves when another connection needs the place.
    pub(super) async fn wanted(&self) {
        self.place.leave.notified().await;
    }
}

impl Drop for Taken {
    fn drop(&mut self) {
        let mut places = self
            .room
            .places
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        places.1.retain(|place| place.number != self.place.number);
    }
}

/// Which of the places, each with when it last moved, has to give way to one more connection.
fn gives_way(places: &[(Origin, u64)], origin: Origin, now_us: u64) -> Option<usize> {
    let same_kind = || {
        let all = places.iter().enumerate();
        all.filter(|(_, (other, _))| other.here == origin.here)
    };
    let of = |network: IpAddr| same_kind().filter(move |(_, (other, _))| other.network == network);
    let quietest = |network: IpAddr, count: usize, bound: &Bound| {
        let (at, (_, moved_us)) = of(network).min_by_key(|(_, (_, moved_us))| *moved_us)?;
        let quiet = now_us.saturating_sub(*moved_us) >= QUIET_US;
        (count >= bound.hasty || count >= bound.usual && quiet).then_some(at)
    };
    let own = of(origin.network).count();
    let of_own = (!origin.here)
        .then(|| quietest(origin.network, own, &OF_ADDRESS))
        .flatten();
    of_own.or_else(|| {
        let all = same_kind().count();
        if all < CONNECTIONS.usual {
            return None;
        }
        let mut counts: HashMap<IpAddr, usize> = HashMap::new();
        for (_, (other, _)) in same_kind() {
            *counts.entry(other.network).or_default() += 1;
        }
        let (most, _) = counts.into_iter().max_by_key(|(_, count)| *count)?;
        quietest(most, all, &CONNECTIONS)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(peer: &str) -> Origin {
        Origin::of(
            SocketAddr::new(peer.parse().unwrap(), 50_000),
            Some("192.168.0.2:7340".parse().unwrap()),
        )
    }

    #[test]
    fn this_machine_is_known_by_its_addresses() {
        for here in [
            "127.0.0.1",
            "127.8.0.1",
            "::1",
            "::ffff:127.0.0.1",
            "192.168.0.2",
        ] {
            assert!(from(here).here, "{here}");
        }
        for far in [
            "192.168.0.3",
            "::ffff:192.168.0.3",
            "fe80::1",
            "2001:db8::1",
        ] {
            assert!(!from(far).here, "{far}");
        }
        assert_eq!(from("::ffff:192.168.0.3"), from("192.168.0.3"));
    }

    /// Lets so many in, so far apart; says who is left.
    fn crowd(peers: impl Iterator<Item = Origin>, apart_us: u64) -> Vec<(Origin, u64)> {
        let mut places = Vec::new();
        for (number, origin) in (0..).zip(peers) {
            let now_us = number * apart_us;
            while let Some(at) = gives_way(&places, origin, now_us) {
                places.remove(at);
            }
            places.push((origin, now_us));
        }
        places
    }

    #[test]
    fn one_address_of_the_network_has_little_room() {
        let places = crowd(std::iter::repeat_n(from("192.168.0.9"), 200), QUIET_US);
        assert_eq!(places.len(), 24);
        // The newest are left.
        assert_eq!(places[0].1, (200 - 24) * QUIET_US);
        let now_us = 200 * QUIET_US;
        assert_eq!(gives_way(&places, from("192.168.0.10"), now_us), None);
        assert_eq!(gives_way(&places, from("127.0.0.1"), now_us), None);
    }

    #[test]
    fn who_comes_in_a_crowd_has_time_to_say_what_it_wants() {
        // No more than come within the time.
        let places = crowd(std::iter::repeat_n(from("192.168.0.9"), 2000), 1000);
        assert_eq!(places.len(), 200);
        let places = crowd(std::iter::repeat_n(from("192.168.0.9"), 2000), 1);
        assert_eq!(places.len(), 512);
        let places = crowd(std::iter::repeat_n(from("127.0.0.1"), 2000), 1);
        assert_eq!(places.len(), 768);
        // Afterwards it is as before.
        let mut places: Vec<_> = places.into_iter().map(|(of, _)| (of, 0)).collect();
        while let Some(at) = gives_way(&places, from("127.0.0.1"), QUIET_US) {
            places.remove(at);
        }
        assert_eq!(places.len(), 127);
    }

    #[test]
    fn many_addresses_of_the_network_leave_this_machine_alone() {
        let of = |n: u32| Origin {
            here: false,
            network: IpAddr::V4(n.into()),
        };
        let mut places = crowd((0..10_000).map(|n| of(n % 600)), QUIET_US);
        let now_us = 10_000 * QUIET_US;
        assert_eq!(places.len(), 128);
        assert_eq!(gives_way(&places, from("192.168.0.2"), now_us), None);
        places.extend(std::iter::repeat_n((from("127.0.0.1"), 0), 127));
        assert_eq!(gives_way(&places, from("127.0.0.1"), now_us), None);
        // Another person of the network is let in too.
        let at = gives_way(&places, from("192.168.0.3"), now_us).unwrap();
        assert!(!places[at].0.here);
    }

    #[test]
    fn who_has_most_gives_way_with_what_is_quiet_for_longest() {
        let greedy = from("127.0.0.1");
        let mut places: Vec<(Origin, u64)> = (100..226).map(|at_us| (greedy, at_us)).collect();
        places.extend([(from("127.0.0.2"), 1), (from("::1"), 2)]);
        places[7].1 = 50;
        for origin in [from("127.0.0.2"), greedy] {
            assert_eq!(gives_way(&places, origin, QUIET_US + 50), Some(7));
            assert_eq!(gives_way(&places, origin, QUIET_US + 49), None);
        }
    }

    #[test]
    fn a_place_stamped_ahead_does_not_give_way() {
        let origin = from("127.0.0.1");
        let mut places: Vec<(Origin, u64)> = (1..=128).map(|at_us| (origin, at_us)).collect();
        let now_us = 2 * QUIET_US;
        assert_eq!(gives_way(&places, origin, now_us), Some(0));
        places[0].1 = now_us + 1;
        assert_eq!(gives_way(&places, origin, now_us), Some(1));
        // Nor where all come and go in haste.
        places.extend((0..700).map(|_| (origin, now_us)));
        assert_ne!(gives_way(&places, origin, now_us), Some(0));
        // Where all are, there is room up to the last.
        for place in &mut places {
            place.1 = now_us + 1;
        }
        places.truncate(767);
        assert_eq!(gives_way(&places, origin, now_us), None);
    }

    #[test]
    fn a_place_is_given_back() {
        let room = Arc::new(Room::default());
        let origin = from("127.0.0.1");
        let mut taken: Vec<Taken> = (0..128).map(|at| room.enter(origin, at).0).collect();
        let (last, others_left) = room.enter(origin, QUIET_US + 5);
        assert_eq!(others_left, 1);
        drop(last);
        // The one that gave way has no place to give back.
        drop(taken.remove(0));
        assert_eq!(room.places.lock().unwrap().1.len(), 127);
        assert_eq!(room.enter(origin, QUIET_US + 6).1, 0);
    }
}
