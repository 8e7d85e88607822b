//! What pickups that are broken hide from every software, by name: the fewer the better.

use leverarm_config::{Shaft, Stand};

use super::plan::{FaultKind, Plan};

/// Pitches at a steady count until a speed is known.
const PITCHES_KNOWN: f64 = 16.0;
/// Pitches until a speed that falls by a whole factor is told.
const PITCHES_TO_FALL: u64 = 14;
/// Teeth that end are told after 100 ms and the debounce of 200 ms.
const LOST_US: u64 = 330_000;

/// What the drum's pickup shows, and whether software can know that it is wrong.
#[derive(Debug)]
pub(super) struct Sight {
    teeth: u16,
    blind_rad_per_s: f64,
    reads_engine: bool,
    /// The input of the drum's pickup gets no tooth, or every second one, or another wheel's.
    is_dead: bool,
    misses_from_rad_per_s: f64,
    is_swapped: bool,
    engine_is_wrong: bool,
    counts_double: bool,
    teeth_gone: u64,
    /// Interference makes edges on the drum's line, with or without its pickup.
    has_interference: bool,
    /// Since when the drum has turned fast enough, with a sound link, to be known.
    known_since_us: Option<u64>,
    /// The wrong count was there before the speed was known.
    from_first_tooth: bool,
}

impl Sight {
    pub(super) fn new(plan: &Plan, stand: &Stand) -> Self {
        let drum = stand.speed_pickup(Shaft::Drum);
        let teeth = plan.model.pickups.first().map_or(1, |pickup| pickup.teeth);
        Self {
            teeth,
            blind_rad_per_s: drum.map_or(0.0, |pickup| stand.blind_below_rad_per_s(pickup)),
            reads_engine: plan.reads_engine,
            is_dead: false,
            misses_from_rad_per_s: f64::INFINITY,
            is_swapped: false,
            engine_is_wrong: false,
            counts_double: false,
            teeth_gone: 0,
            has_interference: (plan.model.pickups.first())
                .is_some_and(|pickup| pickup.interference.bursts_per_s > 0.0),
            known_since_us: None,
            from_first_tooth: false,
        }
    }

    pub(super) fn began(&mut self, kind: FaultKind) {
        match kind {
            FaultKind::PickupBroken { pickup: 0, fault } => {
                self.is_dead |= fault.is_dead;
                self.misses_from_rad_per_s = fault.every_second_from_rad_per_s;
                self.counts_double |= fault.both_flanks;
                self.teeth_gone |= fault.teeth_gone;
            }
            FaultKind::PickupBroken { .. } => self.engine_is_wrong = true,
            FaultKind::PickupsSwapped => self.is_swapped = true,
            _ => {}
        }
    }

    /// Looks at the true speed.
    pub(super) fn look(&mut self, now_us: u64, drum_rad_per_s: f64, is_heard: bool) {
        let pitch_rad = std::f64::consts::TAU / f64::from(self.teeth);
        let misses = drum_rad_per_s >= self.misses_from_rad_per_s;
        if drum_rad_per_s < 1.3 * self.blind_rad_per_s || !is_heard {
            self.known_since_us = None;
        } else if !(self.is_dead || misses || self.is_swapped) {
            self.known_since_us.get_or_insert(now_us);
        }
        let known_s = self.known_since_us.map_or(0.0, |since_us| {
            now_us.saturating_sub(since_us) as f64 * 1e-6
        });
        self.from_first_tooth = known_s * drum_rad_per_s < PITCHES_KNOWN * pitch_rad;
    }

    /// Whether any pickup is broken.
    pub(super) fn is_wrong(&self) -> bool {
        self.hides() || self.engine_is_wrong || self.counts_double || self.teeth_gone != 0
    }

    /// Whether the drum may be faster than its pickup says.
    fn hides(&self) -> bool {
        self.is_dead || self.is_swapped || self.misses_from_rad_per_s.is_finite()
    }

    /// Whether the board's own rule can hold.
    pub(super) fn board_sees(&self) -> bool {
        !self.hides() && self.teeth_gone == 0
    }

    /// How much longer than the stated reaction it may take to see that a pickup is broken.
    pub(super) fn longer_us(&self, pitch_us: u64) -> u64 {
        if self.hides() {
            LOST_US + PITCHES_TO_FALL * pitch_us
        } else {
            0
        }
    }

    /// Why no software can know that the drum is too fast, if none can.
    pub(super) fn hidden(&self) -> Option<&'static str> {
        if self.hides() && self.engine_is_wrong && self.reads_engine {
            return Some("both pickups broken");
        }
        let alone = !self.reads_engine && self.from_first_tooth;
        match () {
            // An edge that comes late is like a tooth of a drum that brakes.
            () if self.is_dead && self.has_interference && !self.reads_engine => {
                Some("the only pickup, dead, with interference in its place")
            }
            () if self.no_neighbours() => Some("no two neighbouring teeth left"),
            () if !alone => None,
            () if self.is_dead => Some("the only pickup, dead before it was fast enough"),
            () if self.is_swapped => Some("the only pickup, swapped from its first tooth on"),
            () if self.misses_from_rad_per_s.is_finite() => {
                Some("the only pickup, missing teeth from its first one on")
            }
            () => None,
        }
    }

    /// Whether the teeth that are left look like those of a wheel with fewer.
    fn no_neighbours(&self) -> bool {
        let teeth = u32::from(self.teeth);
        let is_there = |tooth: u32| self.teeth_gone >> (tooth % teeth).min(63) & 1 == 0;
        self.teeth_gone != 0
            && !(0..teeth).any(|tooth| is_there(tooth) && is_there(tooth + 1) && teeth > 1)
    }
}
