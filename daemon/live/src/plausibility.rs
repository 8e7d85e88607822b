//! Whether pickups tell the truth: no stand of these numbers can move as a lying one says.
//!
//! - Teeth that are a whole number of pitches apart from one to the next, at a speed that nothing
//!   stops within a pitch: every second one is missed, or more.
//! - A drum that gains or loses speed faster than any engine of this displacement, or any brake,
//!   could make it.
//! - Two pickups that keep the same ratio while their speeds change, so that the drive is rigid, and
//!   it is a multiple or a part of the stated one, or what two swapped plugs make of it, and no other
//!   gear's. A clutch
//!   that slips or is open, a free wheel, a gear box on its way and a tyre keep no such ratio.
//! - A shaft that shows nothing while the other pulls.
//!
//! Pure: ticks go in, verdicts come out. What a pickup shows from its first tooth on in the same
//! proportion, alone, can't be told from a slower shaft.

use std::f64::consts::TAU;

use leverarm_config::{Guard, GuardAction, Pickup, PullRules, Shaft, Signal, Stand};
use leverarm_filters::teeth::ToothKind;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use super::guards::Verdict;
use super::wheel::{Change, SeenTooth, WheelTurn};

/// A drive is rigid while its ratio wanders by no more than this share: ripple and shuffle.
const RIGID_SHARE: f64 = 0.03;
/// It has to be rigid for so long, s, while its speeds change by at least this share.
const RIGID_S: f64 = 0.4;
const RIGID_CHANGE: f64 = 0.1;
/// Share by which slip of a tyre and an inexact ratio may be off.
const SLIP_SHARE: f64 = 0.06;
/// Multiples of the stated ratio that no clutch holds: every second or third tooth, on either side.
const MULTIPLES: [f64; 4] = [2.0, 3.0, 1.0 / 2.0, 1.0 / 3.0];
/// Speeds of two pickups are compared within this time, s.
const COMPARED_S: f64 = 0.3;
/// A lower gear than that of the ratio drives the drum harder; this much where none is stated.
const GEARS: f64 = 2.0;
/// Share of a speed over whole turns that may be an error of the teeth, and of one over two pitches.
const SPEED_SHARE: f64 = 0.1;
const TOOTH_SHARE: f64 = 0.3;
/// An engine pickup that is silent for so long, s, under a drum that is driven, is dead.
const ENGINE_SILENT_S: f64 = 0.3;
/// A drum's pickup that is silent for so long under an engine that pulls is dead, s. Revs in neutral
/// are quicker.
const DRUM_SILENT_S: f64 = 0.7;
/// An engine this much faster than the drum in any gear is not driving it.
const FREE: f64 = 1.3;
/// A drum whose newest pitch is shorter than the one before by more than this share is being driven.
const TAKES_UP_SHARE: f64 = 0.15;
/// A drum that an engine's clutch takes along shows it within so many of its pitches at the speed that
/// the engine then has, and no later than this, s.
const TAKES_UP_PITCHES: f64 = 1.5;
const TAKES_UP_S: f64 = 0.5;
/// Teeth that fell and then rise by so much are not those of an engine that was dragged down.
const RISEN: f64 = 1.3;

/// A pickup with what it showed last.
#[derive(Debug)]
struct Watched {
    pickup: Pickup,
    /// Whether a guard that cuts looks at it.
    cuts: bool,
    /// Its last tooth, s of the board's time, and the tooth's number on the wheel.
    tooth_s: Option<f64>,
    tooth_index: i64,
    /// Its last two pitches, the newer first, s.
    pitches_s: [f64; 2],
    /// Since when it turns.
    began_s: Option<f64>,
    turn: Option<WheelTurn>,
    /// A turn that does not fit the one before; another one has to confirm it.
    doubted: bool,
    /// Since when its shaft pulls, s.
    pulls_since_s: Option<f64>,
}

impl Watched {
    fn takes(&mut self, at_s: f64, seen: &SeenTooth) {
        let index = seen.tooth.index;
        match (seen.tooth.kind, self.tooth_s) {
            (ToothKind::First, _) | (_, None) => {
                self.began_s = Some(at_s);
                self.pitches_s = [f64::INFINITY; 2];
            }
            (_, Some(before)) => {
                let pitches = (index - self.tooth_index).max(1) as f64;
                self.pitches_s = [(at_s - before) / pitches, self.pitches_s[0]];
            }
        }
        (self.tooth_s, self.tooth_index) = (Some(at_s), index);
    }

    /// Speed by its last pitch, or less where no tooth came for longer than gone teeth explain.
    fn rad_per_s(&self, at_s: f64) -> f64 {
        let since_s = self.tooth_s.map_or(f64::INFINITY, |tooth| at_s - tooth);
        let pitch_rad = TAU / f64::from(self.pickup.teeth.max(1));
        pitch_rad / self.pitches_s[0].max(since_s / 3.0)
    }

    /// Whether it began to turn, or to turn faster, since then.
    fn takes_up(&self, since_s: f64) -> bool {
        let is_since = |at: Option<f64>| at.is_some_and(|at| at >= since_s);
        let [newer, older] = self.pitches_s;
        is_since(self.began_s) || is_since(self.tooth_s) && newer < (1.0 - TAKES_UP_SHARE) * older
    }
}

/// Teeth of an engine that fell in a step while it did not drive the drum. A clutch that is let in at
/// once drags an engine down within a turn, and takes the drum along: that is waited for.
#[derive(Debug)]
struct Fall {
    channel: u8,
    to_rad_per_s: f64,
    /// From when on a drum that is taken along began to turn, and how long it has time for that, s.
    since_s: f64,
    until_s: f64,
    message: String,
}

/// A stretch with the same ratio.
#[derive(Clone, Copy, Debug)]
struct Rigid {
    at_s: f64,
    ratio: f64,
    drum_rad_per_s: f64,
}

#[derive(Debug)]
struct Lie {
    name: String,
    action: GuardAction,
    pickups: Vec<u8>,
}

#[derive(Debug)]
pub(super) struct Plausibility {
    watched: Vec<Watched>,
    rules: PullRules,
    engine_per_drum: f64,
    /// Greatest gain and loss of the drum's speed, rad/s².
    drum_gain: Option<f64>,
    drum_loss: f64,
    /// What the ratio is over the stated one when the plugs are swapped.
    swapped: Option<f64>,
    /// What it is in other gears.
    gears: Vec<f64>,
    rigid: Option<Rigid>,
    fall: Option<Fall>,
    lie: Option<Lie>,
}

impl Plausibility {
    pub(super) fn new(stand: &Stand) -> Self {
        let watched = |pickup: &Pickup| Watched {
            pickup: *pickup,
            cuts: stand.guards.iter().any(|guard| feeds(stand, pickup, guard)),
            tooth_s: None,
            tooth_index: 0,
            pitches_s: [f64::INFINITY; 2],
            began_s: None,
            turn: None,
            doubted: false,
            pulls_since_s: None,
        };
        let ratio = stand.drive.engine_per_drum.value;
        let teeth = |shaft| {
            let mut pickups = stand.pickups.iter();
            let pickup = pickups.find(|pickup| pickup.shaft == shaft)?;
            Some(f64::from(pickup.teeth.max(1)))
        };
        let swapped = teeth(Shaft::Drum).zip(teeth(Shaft::Engine));
        let swapped = swapped.map(|(drum, engine)| (drum / engine / ratio).powi(2));
        let gain = stand.drum_gain_bound_rad_per_s2();
        let gears = stand.drive.other_gears.iter();
        Self {
            watched: stand.pickups.iter().map(watched).collect(),
            rules: stand.pull,
            engine_per_drum: ratio,
            drum_gain: gain.map(|gain| GEARS.max(stand.lowest_gear()) * gain),
            drum_loss: stand.stop_bound_rad_per_s2(Shaft::Drum),
            swapped,
            gears: gears.map(|gear| gear / ratio).collect(),
            rigid: None,
            fall: None,
            lie: None,
        }
    }

    /// Ticks begin again. A lie stays one until its pickup begins again.
    pub(super) fn begin(&mut self) {
        self.rigid = None;
        self.fall = None;
        for watched in &mut self.watched {
            watched.tooth_s = None;
            watched.began_s = None;
            watched.turn = None;
            watched.doubted = false;
            watched.pulls_since_s = None;
        }
    }

    /// What is in the way of a release.
    pub(super) fn tripped_cut(&self) -> Option<&str> {
        let lie = self.lie.as_ref();
        lie.filter(|lie| lie.action == GuardAction::Cut)
            .map(|lie| lie.name.as_str())
    }

    /// Takes a tooth of a pickup, at `at_s` of the board's time.
    pub(super) fn tooth(&mut self, channel: u8, at_s: f64, seen: &SeenTooth) -> Vec<Verdict> {
        let mut verdicts = Vec::new();
        if seen.tooth.kind == ToothKind::First {
            verdicts.extend(self.began_anew(channel));
        }
        if seen.tooth.kind == ToothKind::Extra {
            return verdicts;
        }
        let Some(index) = self
            .watched
            .iter()
            .position(|watched| watched.pickup.channel == channel)
        else {
            return verdicts;
        };
        self.watched[index].takes(at_s, seen);
        let shaft = self.watched[index].pickup.shaft;
        let found = self
            .fell(index, at_s, seen)
            .or_else(|| {
                let change = seen.change.filter(|_| shaft == Shaft::Drum)?;
                let why = self.leap_text(&change, TOOTH_SHARE)?;
                Some((vec![channel], why, change.to_rad_per_s))
            })
            .or_else(|| self.turned(index, at_s, seen.turn?));
        if let Some((pickups, message, value_si)) = found {
            verdicts.extend(self.lies(pickups, message, value_si));
        }
        verdicts
    }

    /// Teeth that fell in a step: who lies, why, and the value that shows it.
    fn fell(
        &mut self,
        index: usize,
        at_s: f64,
        seen: &SeenTooth,
    ) -> Option<(Vec<u8>, String, f64)> {
        let Pickup { channel, shaft, .. } = self.watched.get(index)?.pickup;
        if seen.tooth.kind == ToothKind::First {
            self.fall.take_if(|fall| fall.channel == channel);
        }
        if let Some(change) = seen.fell {
            let message = missed_text(shaft, &change);
            let Some(until_s) = self.may_drag(shaft, at_s, &change) else {
                return Some((vec![channel], message, change.to_rad_per_s));
            };
            self.fall = Some(Fall {
                channel,
                to_rad_per_s: change.to_rad_per_s,
                since_s: at_s - change.seconds - TAKES_UP_S,
                until_s,
                message,
            });
        }
        let drum = self
            .watched
            .iter()
            .find(|it| it.pickup.shaft == Shaft::Drum)?;
        self.fall.take_if(|fall| drum.takes_up(fall.since_s));
        let speed = self.watched.get(index)?.rad_per_s(at_s);
        let is_lie = |fall: &mut Fall| {
            fall.channel == channel && (at_s > fall.until_s || speed > RISEN * fall.to_rad_per_s)
        };
        let fall = self.fall.take_if(is_lie)?;
        Some((vec![channel], fall.message, fall.to_rad_per_s))
    }

    /// Until when a clutch may be what drags an engine down so; `None` where there is none to drag it.
    fn may_drag(&self, shaft: Shaft, at_s: f64, change: &Change) -> Option<f64> {
        if shaft != Shaft::Engine {
            return None;
        }
        let drum = self
            .watched
            .iter()
            .find(|it| it.pickup.shaft == Shaft::Drum)?;
        let highest = self.gears.iter().copied().fold(1.0, f64::max);
        let driving = drum.rad_per_s(at_s) * self.engine_per_drum * highest;
        if change.from_rad_per_s < FREE * driving {
            return None;
        }
        let pitch_rad = TAU / f64::from(drum.pickup.teeth.max(1));
        let pitch_s = pitch_rad * self.engine_per_drum * highest / change.to_rad_per_s;
        Some(at_s + (TAKES_UP_PITCHES * pitch_s).min(TAKES_UP_S))
    }

    /// Takes a whole turn: who lies, why, and the value that shows it.
    fn turned(
        &mut self,
        index: usize,
        at_s: f64,
        turn: WheelTurn,
    ) -> Option<(Vec<u8>, String, f64)> {
        let watched = self.watched.get_mut(index)?;
        let Pickup { channel, shaft, .. } = watched.pickup;
        let before = watched.turn.replace(turn);
        let pulls = self.rules.start_rad_per_s / self.engine_per_shaft(shaft) <= turn.rad_per_s
            && self.rules.acceleration_min_rad_per_s2 / self.engine_per_shaft(shaft)
                <= turn.rad_per_s2;
        if shaft == Shaft::Drum
            && let Some(before) = before
            && let Some(message) = self.leap(index, &before, &turn)
        {
            return Some((vec![channel], message, turn.rad_per_s));
        }
        self.silent_other(index, at_s, &turn, pulls)
            .or_else(|| self.ratio_lies(&turn, shaft))
    }

    fn engine_per_shaft(&self, shaft: Shaft) -> f64 {
        match shaft {
            Shaft::Drum => self.engine_per_drum,
            Shaft::Engine => 1.0,
        }
    }

    /// A drum that is faster or slower than it can be after the turn before.
    fn leap(&mut self, index: usize, before: &WheelTurn, turn: &WheelTurn) -> Option<String> {
        let change = Change {
            from_rad_per_s: before.rad_per_s,
            to_rad_per_s: turn.rad_per_s,
            seconds: turn.at_s - before.at_s,
        };
        let why = self.leap_text(&change, SPEED_SHARE);
        let watched = self.watched.get_mut(index)?;
        let was_doubted = std::mem::replace(&mut watched.doubted, why.is_some());
        if why.is_some() && !was_doubted {
            watched.turn = Some(*before); // the next one is compared with what was sure
            return None;
        }
        watched.doubted = false;
        why
    }

    /// Why a drum can't have changed its speed like this, known to a share; `None` where it can.
    fn leap_text(&self, change: &Change, error_share: f64) -> Option<String> {
        let Change {
            from_rad_per_s: from,
            to_rad_per_s: to,
            seconds,
        } = *change;
        let error = error_share * to.max(from);
        let is_above = self
            .drum_gain
            .is_some_and(|gain| to - from > gain * seconds + error);
        let is_below = from - to > self.drum_loss * seconds + error;
        let bound = if is_above {
            "than any engine of this displacement drives it"
        } else if is_below {
            "than losses and any brake stop it"
        } else {
            return None;
        };
        Some(format!(
            "the drum went from {:.0} to {:.0} rpm within {:.0} ms, more {bound}: teeth are missed, \
             or counted twice",
            from / RAD_PER_S_PER_RPM,
            to / RAD_PER_S_PER_RPM,
            1e3 * seconds
        ))
    }

    /// A shaft that shows nothing while the other one pulls.
    fn silent_other(
        &mut self,
        index: usize,
        at_s: f64,
        turn: &WheelTurn,
        pulls: bool,
    ) -> Option<(Vec<u8>, String, f64)> {
        let engine_per_drum = self.engine_per_drum;
        let gain = self.drum_gain;
        let watched = self.watched.get_mut(index)?;
        let shaft = watched.pickup.shaft;
        // An engine that rises faster than it could with the drum runs free.
        let is_free = shaft == Shaft::Engine
            && gain.is_some_and(|gain| turn.rad_per_s2 > gain * engine_per_drum);
        if !pulls || is_free {
            watched.pulls_since_s = None;
            return None;
        }
        let since_s = *watched.pulls_since_s.get_or_insert(turn.at_s);
        let silent_s = match shaft {
            Shaft::Drum => ENGINE_SILENT_S,
            Shaft::Engine => DRUM_SILENT_S,
        };
        let other = self.watched.iter().find(|it| it.pickup.shaft != shaft)?;
        let silent = other.tooth_s.is_none_or(|tooth| at_s - tooth > silent_s);
        if !silent || at_s - since_s < silent_s {
            return None;
        }
        let message = format!(
            "no teeth of the {} while the {} pulls through {:.0} rpm: its pickup is dead; turn it \
             by hand until its teeth are seen",
            other.pickup.shaft.name(),
            shaft.name(),
            turn.rad_per_s / RAD_PER_S_PER_RPM
        );
        Some((vec![other.pickup.channel], message, 0.0))
    }

    /// Two speeds that keep a ratio which is not the stated one.
    fn ratio_lies(&mut self, turn: &WheelTurn, shaft: Shaft) -> Option<(Vec<u8>, String, f64)> {
        if shaft != Shaft::Drum {
            return None;
        }
        let engine = self.watched.iter().find(|it| it.pickup.shaft != shaft)?;
        let engine_turn = engine.turn?;
        let channels = self.watched.iter().map(|it| it.pickup.channel).collect();
        let later_s = turn.at_s - engine_turn.at_s;
        if later_s.abs() > COMPARED_S {
            self.rigid = None;
            return None;
        }
        let engine_rad_per_s = engine_turn.rad_per_s + later_s * engine_turn.rad_per_s2;
        let ratio = engine_rad_per_s / (turn.rad_per_s * self.engine_per_drum);
        let is_near = |wrong: f64| (ratio / wrong - 1.0).abs() < SLIP_SHARE;
        let is_swapped = self.swapped.is_some_and(is_near);
        let is_gear = is_near(1.0) || self.gears.iter().copied().any(is_near);
        if is_gear || !(is_swapped || MULTIPLES.into_iter().any(is_near)) {
            self.rigid = None;
            return None;
        }
        let now = Rigid {
            at_s: turn.at_s,
            ratio,
            drum_rad_per_s: turn.rad_per_s,
        };
        let since = *self.rigid.get_or_insert(now);
        if (ratio / since.ratio - 1.0).abs() > RIGID_SHARE {
            self.rigid = Some(now);
            return None;
        }
        // Only a drum that gains is driven by the engine: with the clutch out both may slow down alike.
        let change = (turn.rad_per_s / since.drum_rad_per_s).ln();
        if turn.at_s - since.at_s < RIGID_S || change < RIGID_CHANGE {
            return None;
        }
        self.rigid = None;
        let swapped = if is_swapped {
            ", the plugs of the two are swapped"
        } else {
            ""
        };
        let message = format!(
            "the engine's {:.0} rpm are {ratio:.2} times what the drum's {:.0} rpm and the ratio \
             {:.3} make, and stay so: a pickup misses teeth or counts them twice{swapped}, or \
             another gear is in that drive.other_gears does not name",
            engine_rad_per_s / RAD_PER_S_PER_RPM,
            turn.rad_per_s / RAD_PER_S_PER_RPM,
            self.engine_per_drum,
        );
        Some((channels, message, ratio))
    }

    fn lies(&mut self, pickups: Vec<u8>, message: String, value_si: f64) -> Option<Verdict> {
        if self.lie.is_some() {
            return None;
        }
        let mut watched = self.watched.iter();
        let cuts = watched.any(|it| it.cuts && pickups.contains(&it.pickup.channel));
        let action = if cuts {
            GuardAction::Cut
        } else {
            GuardAction::Warn
        };
        let name = match pickups.as_slice() {
            [channel] => format!("pickup {channel}"),
            _ => "pickups".to_owned(),
        };
        self.lie = Some(Lie {
            name: name.clone(),
            action,
            pickups,
        });
        Some(Verdict {
            name,
            action,
            tripped: true,
            message,
            value_si: Some(value_si),
            limit_si: None,
            forced: false,
        })
    }

    /// A pickup that shows the first tooth after a standstill is believed again.
    fn began_anew(&mut self, channel: u8) -> Option<Verdict> {
        let lie = self.lie.take_if(|lie| lie.pickups.contains(&channel))?;
        Some(Verdict {
            name: lie.name,
            action: lie.action,
            tripped: false,
            message: "its teeth are numbered from the start again".to_owned(),
            value_si: None,
            limit_si: None,
            forced: false,
        })
    }
}

/// Whether a guard cuts by a speed that comes from this pickup.
fn feeds(stand: &Stand, pickup: &Pickup, guard: &Guard) -> bool {
    let is_source = |shaft| stand.speed_pickup(shaft) == Some(pickup);
    let looks = match guard.signal {
        Signal::Speed(shaft) => is_source(shaft),
        Signal::LoadCell | Signal::Channel(_) | Signal::Board => {
            !guard.limit_by_speed.is_empty() && is_source(Shaft::Engine)
        }
    };
    guard.action == GuardAction::Cut && looks
}

fn missed_text(shaft: Shaft, change: &Change) -> String {
    let (from, to) = (change.from_rad_per_s, change.to_rad_per_s);
    format!(
        "the {}'s teeth say {:.0} rpm, and {:.0} rpm just before: no shaft slows down in such a step, \
         the pickup misses all but one in {:.0} teeth",
        shaft.name(),
        to / RAD_PER_S_PER_RPM,
        from / RAD_PER_S_PER_RPM,
        from / to.max(f64::MIN_POSITIVE)
    )
}
