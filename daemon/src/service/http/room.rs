//! Room for connections. A new one is always let in, since it may bring a person's cut: where there is
//! no room, the one that has done nothing for longest gives way, from whoever has most.
//!
//! This machine and the network have room of their own, so that nobody on the network can fill the
//! one of the person at the stand.

use std::net::{IpAddr, SocketAddr};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::Notify;

use super::access::network;

/// Connections at the same time from this machine, and as many more from the network.
const CONNECTIONS_MAX: usize = 128;
/// Of them, those from one address of the network: a browser opens six, and the tabs of one browser
/// share them.
const ADDRESS_MAX: usize = 24;

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
    /// When its last request began, or the last bytes of an answer went out.
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
    /// Lets a connection in. True when another had to give way.
    pub(super) fn enter(self: &Arc<Self>, origin: Origin, now_us: u64) -> (Taken, bool) {
        let mut places = self.places.lock().unwrap_or_else(PoisonError::into_inner);
        let (number, places) = &mut *places;
        let seen: Vec<(Origin, u64)> = places
            .iter()
            .map(|place| (place.origin, place.moved_us.load(Ordering::Relaxed)))
            .collect();
        let gives_way = gives_way(&seen, origin).map(|at| places.swap_remove(at));
        *number += 1;
        let place = Place {
            number: *number,
            origin,
            moved_us: Arc::new(AtomicU64::new(now_us)),
            leave: Arc::default(),
        };
        places.push(place.clone());
        if let Some(other) = &gives_way {
            other.leave.notify_one();
        }
        let room = Arc::clone(self);
        (Taken { room, place }, gives_way.is_some())
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
fn gives_way(places: &[(Origin, u64)], origin: Origin) -> Option<usize> {
    let same_kind = || {
        let all = places.iter().enumerate();
        all.filter(|(_, (other, _))| other.here == origin.here)
    };
    let of = |network: IpAddr| same_kind().filter(move |(_, (other, _))| other.network == network);
    let from = if !origin.here && of(origin.network).count() >= ADDRESS_MAX {
        origin.network
    } else if same_kind().count() >= CONNECTIONS_MAX {
        let networks = same_kind().map(|(_, (other, _))| other.network);
        networks.max_by_key(|network| of(*network).count())?
    } else {
        return None;
    };
    of(from)
        .min_by_key(|(_, (_, moved_us))| *moved_us)
        .map(|(at, _)| at)
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

    /// Lets so many in, each a moment after the other; says who is left.
    fn crowd(peers: impl Iterator<Item = Origin>) -> Vec<(Origin, u64)> {
        let mut places = Vec::new();
        for (at_us, origin) in (0..).zip(peers) {
            if let Some(at) = gives_way(&places, origin) {
                places.remove(at);
            }
            places.push((origin, at_us));
        }
        places
    }

    #[test]
    fn one_address_of_the_network_has_little_room() {
        let places = crowd(std::iter::repeat_n(from("192.168.0.9"), 200));
        assert_eq!(places.len(), ADDRESS_MAX);
        // The newest are left.
        assert_eq!(places[0].1, 200 - 24);
        assert_eq!(gives_way(&places, from("192.168.0.10")), None);
        assert_eq!(gives_way(&places, from("127.0.0.1")), None);
    }

    #[test]
    fn many_addresses_of_the_network_leave_this_machine_alone() {
        let of = |n: u32| Origin {
            here: false,
            network: IpAddr::V4(n.into()),
        };
        let mut places = crowd((0..10_000).map(|n| of(n % 600)));
        assert_eq!(places.len(), CONNECTIONS_MAX);
        assert_eq!(gives_way(&places, from("192.168.0.2")), None);
        places.extend(std::iter::repeat_n((from("127.0.0.1"), 0), 127));
        assert_eq!(gives_way(&places, from("127.0.0.1")), None);
        // Another person of the network is let in too.
        let at = gives_way(&places, from("192.168.0.3")).unwrap();
        assert!(!places[at].0.here);
    }

    #[test]
    fn who_has_most_gives_way_with_what_is_quiet_for_longest() {
        let greedy = from("127.0.0.1");
        let mut places: Vec<(Origin, u64)> = (100..226).map(|at_us| (greedy, at_us)).collect();
        places.extend([(from("127.0.0.2"), 1), (from("::1"), 2)]);
        places[7].1 = 50;
        assert_eq!(gives_way(&places, from("127.0.0.2")), Some(7));
        assert_eq!(gives_way(&places, greedy), Some(7));
    }

    #[test]
    fn a_place_is_given_back() {
        let room = Arc::new(Room::default());
        let origin = from("127.0.0.1");
        let mut taken: Vec<Taken> = (0..128).map(|at| room.enter(origin, at).0).collect();
        let (last, another_left) = room.enter(origin, 200);
        assert!(another_left);
        drop(last);
        // The one that gave way has no place to give back.
        drop(taken.remove(0));
        assert_eq!(room.places.lock().unwrap().1.len(), 127);
        assert!(!room.enter(origin, 201).1);
    }
}
