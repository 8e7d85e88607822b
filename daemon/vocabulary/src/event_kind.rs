//! Kinds of events in the journal, each one row of a table: its word, how much it matters, what it tells
//! beside its words, and what to check first.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::cut::CutBy;
use crate::{Severity, words};

/// What events of one kind tell beside their words, for programs: written and read as this type.
/// Serializes as a map.
pub trait Payload: Serialize + DeserializeOwned {
    /// The kind of events that tell it.
    const KIND: EventKind;
}

/// A point that a time-series server refused.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefusedPoint {
    /// The point as it was sent.
    pub line: String,
    /// What the server said.
    pub reason: String,
}

/// What to check first after any cut.
const AFTER_A_CUT: &str = "The engine was cut. Find the cause before releasing: this event or the one before it names it, and the warnings before that show what led to it.";

macro_rules! event_kinds {
    ($($(#[$doc:meta])* $variant:ident $({ $($fields:tt)+ })? = $word:literal, $severity:ident $(, $advice:expr)?;)+) => {
        words! {
            /// What happened, in one word or two. The words are stored: one that was ever written
            /// stays as it is. Compares with the text of a stored event, which a newer version may
            /// have written, with a word that is none of these.
            EventKind { $($(#[$doc])* $variant = $word,)+ }
        }

        impl EventKind {
            /// How much it matters, as a rule: its row says when it may matter more or less.
            #[must_use]
            pub const fn severity(self) -> Severity {
                match self { $(Self::$variant => Severity::$severity,)+ }
            }

            /// What it means and what to look at first, in plain words. Common practice, no source.
            #[must_use]
            pub const fn advice(self) -> Option<&'static str> {
                match self { $(Self::$variant => event_kinds!(@advice $($advice)?),)+ }
            }
        }

        /// What events tell beside their words, by kind. The fields are stored: one that was ever
        /// written stays as it is.
        pub mod payload {
            use super::{CutBy, EventKind, Payload, RefusedPoint};
            use serde::{Deserialize, Serialize};

            $($(event_kinds!(@payload $variant, $word, $($fields)+);)?)+
        }
    };
    (@advice $advice:expr) => { Some($advice) };
    (@advice) => { None };
    (@payload $variant:ident, $word:literal, $($(#[$attribute:meta])* $field:ident: $type:ty,)+) => {
        #[doc = concat!("Of *", $word, "*.")]
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        pub struct $variant { $($(#[$attribute])* pub $field: $type,)+ }

        impl Payload for $variant {
            const KIND: EventKind = EventKind::$variant;
        }
    };
}

event_kinds! {
    /// A pickup did not see teeth.
    MissedTeeth = "missed teeth", Warning,
        "The pickup did not see teeth. Gap too wide or a loose pickup first, then dirt or a low tooth, then its plug.";
    /// Edges that are no teeth.
    ExtraEdges = "extra edges", Warning,
        "Edges that are no teeth. Ignition noise first: shield the pickup's cable, keep it away from the coil and the plug lead, ground it at one end; then a burr on a tooth.";
    /// Teeth early or late.
    IrregularTeeth = "irregular teeth", Info,
        "Teeth early or late. A few at the same place of a turn: a bent or unevenly cut wheel. Anywhere: a pickup that shakes, or the chain.";
    /// The speed no longer fitted; the count of teeth began again.
    ToothCountLost = "tooth count lost", Warning,
        "The speed jumped and the count began again. Look at the pickup's gap and cable; a wheel that slips on its shaft does it too.";
    /// Tooth times that the board could not record.
    CapturesLost = "captures lost", Error,
        "The board had no time for some teeth. Fewer teeth or a faster board; long cables with many edges of noise do it too.";
    /// Frames of the board that did not arrive.
    FramesLost = "frames lost", Error,
        "Data from the board did not arrive. The USB cable and its plugs first, then a hub without its own supply, then a computer too busy.";
    /// Frames of the board that came twice.
    FramesDoubled = "frames doubled", Warning,
        "The same data came twice. The firmware's version first.";
    /// Frames of the board out of order.
    FramesLate = "frames late", Warning,
        "Data came out of order. Harmless now and then; often: the firmware's version.";
    /// Bytes that changed on their way.
    DamagedBytes = "damaged bytes", Error,
        "Bytes changed on their way. Ignition noise on the serial cable first: shorten it, add a ferrite, route it away from the plug lead; then the ground between engine and board.";
    /// The first bytes after the port was opened, part of a frame.
    OpenedInMidFrame = "opened in mid-frame", Info;
    /// Messages that this version does not know.
    MessagesNotUnderstood = "messages not understood", Warning,
        "The board says something that this version does not know. Compare the firmware's version with the program's.";
    /// Board and program speak different versions.
    WrongProtocolVersion = "wrong protocol version", Error,
        "Board and program speak different versions. Update the older one.";
    /// Frames that came damaged to the board.
    BoardReceiveErrors = "board receive errors", Warning,
        "The board could not read what the computer sent. The cable towards the board, then the baud rate.";
    /// A board said what it is.
    Board = "board", Info;
    /// The board began again.
    BoardRestart = "board restart", Error,
        "The board restarted while it ran. Its supply first (a starter motor pulls it down), then the USB cable, then noise that trips its watchdog.";
    /// No status from the board; an info when it is heard again.
    BoardSilent = "board silent", Error,
        "No status from the board. Is it powered, is its cable in, does its light blink?";
    /// What the board sends comes late; an info when that is over.
    BoardLate = "board late", Error,
        "What the board sends comes late, and guards see it late. A network bridge or hub between board and computer first, then a computer too busy; a board whose clock is off by more than 1 % looks the same.";
    /// Nothing that speaks on the port.
    NoBoard = "no board", Error,
        "Nothing that speaks on this port. Its number in the stand file, power, cable, baud rate.";
    /// The port is gone.
    PortLost = "port lost", Error,
        "The port vanished. The USB plug first, then the hub, then the board's supply.";
    /// The board does not list an input of the stand file.
    InputMissing = "input missing", Warning,
        "The stand file names an input that the board does not have. The number in the file, then the board's wiring and firmware.";
    /// The board does not hold the limits of the stand file.
    LimitsRefused = "limits refused", Error,
        "The board does not hold the limits of the stand file and guards by its own alone. Firmware version, number of temperature limits. Do not run until it is seen to.";
    /// A stand that may not run before its guards were tested.
    NotArmed = "not armed", Error,
        "The stand stays cut until its guards are tested with this board: with everything at standstill, `leverarm test-guards`.";
    /// A self-test of the guards is over; an error when it failed.
    GuardSelfTest = "guard self-test", Info;
    /// Byte logs of an earlier session or another stand were taken into the store.
    Imported = "imported", Info;
    /// A guard saw its limit passed; a warning when it is not to cut.
    GuardTripped {
        /// What the guard saw, in SI; none where that is not known.
        value_si: Option<f64>,
        /// Its limit, in SI; none of a guard without a number.
        limit_si: Option<f64>,
    } = "guard tripped", Cut,
        "A limit of the stand file was passed. Look at the value itself before the sensor: it may be true.";
    /// A guard sees its value within the limit again.
    GuardCleared {
        /// What the guard saw, in SI; none where that is not known.
        value_si: Option<f64>,
        /// Its limit, in SI; none of a guard without a number.
        limit_si: Option<f64>,
    } = "guard cleared", Info;
    /// The daemon or a person cut.
    Cut {
        /// Its number.
        cut: u32,
        /// Who asked for it.
        by: CutBy,
    } = "cut", Cut, AFTER_A_CUT;
    /// The board cut by itself.
    BoardCut {
        /// Its number.
        cut: u32,
        /// The board, or its start.
        by: CutBy,
    } = "board cut", Cut, AFTER_A_CUT;
    /// The board says that it has cut.
    CutConfirmed = "cut confirmed", Cut, AFTER_A_CUT;
    /// The board does not say that it has cut.
    CutUnconfirmed = "cut unconfirmed", Cut, AFTER_A_CUT;
    /// Something drives on after a cut; an info when that is over.
    StillDriven {
        /// Acceleration of the drum.
        rad_per_s2: f64,
        /// Its standard uncertainty, rad/s².
        standard_uncertainty: f64,
        /// What it would be with nothing but losses.
        coasting_rad_per_s2: f64,
    } = "still driven", Cut,
        "The engine runs on after the cut: use the emergency stop, and shut the fuel. Then the relay's contacts (welded?), the kill wire and its ground, a plug that glows. Do not run before a cut stops the engine at idle.";
    /// The stand file has an absorber, and the board no loop that holds a load.
    NoLoadLoop = "no load loop", Warning,
        "This board can't hold a load. Its firmware and what it was built for; then the stand file, if the absorber is worked by hand.";
    /// The board does not take what its load is to be set to.
    LoadRefused = "load refused", Error,
        "The load can't be commanded. The message says what is lacking; the absorber's inertia, a pickup on its shaft at input 0 and the absorber's map are needed.";
    /// A person armed the load.
    LoadArmed = "load armed", Info;
    /// A load that was armed is over; how much that matters goes with why.
    LoadEnded {
        /// Why, in words.
        why: String,
        /// Output then, as a share of what full load needs.
        output: f64,
        /// Demanded torque then, at the crank.
        torque_nm: f64,
        /// The engine's speed then.
        engine_rpm: f64,
    } = "load ended", Cut,
        "The board gave up the load and cut the engine. Its message says why: current, water or oil, the coupling and the absorber's temperature first; then its pickup.";
    /// The load swung and was made softer.
    LoadSwings {
        /// How often since it was armed.
        times: u8,
    } = "load swings", Warning,
        "The load swung about its target, and the board made it softer. Play in chain or coupling, a valve that sticks, air in the water first; then tune it again.";
    /// A list of steps or a sweep begins, to be kept as a pull.
    LoadList = "load list", Info;
    /// A run with the output switched, for tuning, is over; a warning when it was given up.
    LoadTuning {
        /// The engine's speed.
        engine_rpm: f64,
        /// How often the output was switched.
        switches: u32,
    } = "load tuning", Info,
        "The run was given up, and the speed is held again. The message says why; most often the throttle was moved, or was open too far for low load.";
    /// A step of a list is over; a warning when it was not steady.
    LoadStep {
        /// Which, from 1.
        step: usize,
        /// How many there are.
        steps: usize,
        /// The engine's speed.
        engine_rpm: f64,
        /// The absorber's torque, at the crank, where it was read.
        torque_nm: Option<f64>,
        /// Half width of its 95 % interval, of scatter and drift.
        expanded_uncertainty_nm: Option<f64>,
        /// How long it took.
        seconds: f64,
    } = "load step", Info,
        "The step was left because its time was over. What it waited for is in the message: a throttle that moved, an engine that does not warm up, or more asked than the reading gives.";
    /// A cut is over.
    Released {
        /// Those that are over, oldest first.
        cuts: Vec<crate::Cut>,
        /// Further ones of which only the count was kept.
        #[serde(default)]
        more: u32,
    } = "released", Info;
    /// The board did not release its cut.
    ReleaseRefused = "release refused", Error,
        "The board still sees a reason to cut: its own limits, or a heartbeat that does not come. Look at the events before this one.";
    /// Single samples far off.
    NoiseSpike {
        /// How far off the first was, in counts.
        counts: f64,
    } = "noise spike", Warning,
        "Single samples far off. Ignition noise first: shield and route the sensor's cable; then a loose contact.";
    /// A value that does not move at all.
    SensorStuck {
        /// What it shows.
        counts: i32,
        /// Samples in a row.
        samples: u32,
    } = "sensor stuck", Warning,
        "The value does not move at all, not even by its own noise. A cable off, a converter that hangs, a sensor at its end stop.";
    /// A value at the end of what its input can show.
    SensorClipped {
        /// What it does not go beyond.
        counts: i32,
    } = "sensor clipped", Warning,
        "The value is at the end of what its input can show. A short or open circuit first, then a gain or range that is too small.";
    /// The board reports an open circuit.
    OpenThermocouple = "open thermocouple", Error,
        "The board reports an open circuit. The plug and its screws first, then the tip.";
    /// The board reads a sensor again.
    SensorBack = "sensor back", Info;
    /// The load cell does not show its zero without load.
    ZeroDrift {
        /// What it shows without load, in counts from its zero.
        counts: f64,
        /// The same as a force.
        newton: f64,
    } = "zero drift", Warning,
        "Without load the load cell no longer shows its zero. Something that leans on the arm first, then the temperature of the cell; tare, and look again cold and warm.";
    /// The computer let much of the board's patience pass.
    HeartbeatLate {
        /// Time since the one before.
        gap_ms: u64,
    } = "heartbeat late", Warning,
        "The computer was late to tell the board that all is well; the board cuts when it is later still. What else runs on this computer? Power saving off, no browser with many tabs on it.";
    /// The computer's clock was set.
    ClockJump {
        /// By how much, forwards positive.
        jump_ms: i64,
    } = "clock jump", Warning,
        "The computer's clock was set. Times before and after do not fit together; speeds and curves are not touched. Let it get its time before a session.";
    /// A record took long to store.
    StoreSlow {
        /// How long it took.
        took_ms: u64,
    } = "store slow", Warning,
        "The disk takes long. A worn memory card first, then a disk that is nearly full or shared.";
    /// The store does not keep up; an info when it does again.
    Store = "store", Error,
        "The store did not keep up, and heartbeats stopped. Room on the disk first, then its speed.";
    /// A file of the store is not where it was.
    StoreVanished {
        /// Where records go from now on.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        new_store: Option<String>,
        /// Whether that holds all that was stored before.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        whole: Option<bool>,
        /// How long the files were gone, once they are back.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        away_ms: Option<u64>,
    } = "store vanished", Error,
        "A file of the store was moved, deleted or replaced while the daemon wrote to it. Who or what did that? The message says where everything is.";
    /// Records that the store could not take.
    QueueOverflow = "queue overflow", Error,
        "More came than the store could take, and some of it is lost. Room on the disk and its speed.";
    /// A time-series server takes no points.
    StreamWaiting {
        /// Why it takes none.
        reason: String,
    } = "stream waiting", Warning,
        "The time-series server takes no points. They wait in the store. Is the server up, is the network, is the token right?";
    /// It takes points again.
    StreamResumed {
        /// How long it took none.
        away_s: u64,
    } = "stream resumed", Info;
    /// A time-series server refused single points.
    StreamSetAside {
        /// How many it refused.
        points: usize,
        /// The first of them.
        refused: Vec<RefusedPoint>,
    } = "stream set aside", Error,
        "The time-series server refuses single points. What it says is with the event. They can be sent again with `leverarm stream --since`.";
    /// Parts were taken off and put back on with the same setup.
    MountedAgain {
        /// Which.
        setup: String,
    } = "setup mounted again", Info;
    /// A person left a pull out.
    PullExcluded {
        /// Why.
        reason: String,
        /// Who said so; may be empty.
        by: String,
    } = "pull excluded", Info;
    /// A person let a pull take part again.
    PullIncluded {
        /// Who said so; may be empty.
        by: String,
    } = "pull included", Info;
    /// A person said which setup a pull was made with, or took that back.
    SetupCorrected {
        /// The setup it was made with; none to go back to what was recorded.
        setup: Option<String>,
        /// Who said so; may be empty.
        by: String,
    } = "setup corrected", Info;
    /// A person said something of a part. What is none stays as it was; an empty text or a 0 takes it back.
    PartDescribed {
        /// What part, such as "main jet".
        part: String,
        /// Which one, such as "105".
        value: String,
        /// From 1 to 5, the best.
        rating: Option<u8>,
        /// Free text.
        notes: Option<String>,
        /// Where it lies.
        place: Option<String>,
        /// Name of its picture's file.
        picture: Option<String>,
        /// Who said so; may be empty.
        by: String,
    } = "part described", Info;
    /// A test plan began.
    PlanBegun = "plan begun", Info;
    /// A test plan was left for now.
    PlanLeft {
        /// Who said so; may be empty.
        by: String,
    } = "plan left", Info;
    /// A test plan goes on.
    PlanResumed {
        /// Who said so; may be empty.
        by: String,
    } = "plan resumed", Info;
}

impl EventKind {
    /// Whether a cut begins with it, and is not only confirmed, missed or released.
    #[must_use]
    pub const fn begins_a_cut(self) -> bool {
        matches!(self, Self::Cut | Self::BoardCut)
    }
}

impl PartialEq<EventKind> for str {
    fn eq(&self, kind: &EventKind) -> bool {
        self == kind.word()
    }
}

impl PartialEq<EventKind> for String {
    fn eq(&self, kind: &EventKind) -> bool {
        self == kind.word()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_word_is_one_kind() {
        for kind in EventKind::ALL {
            assert_eq!(EventKind::of_word(kind.word()), Some(*kind));
        }
        assert_eq!(EventKind::of_word("of a later version"), None);
    }

    /// Whatever is worse than good to know comes with what to do about it.
    #[test]
    fn faults_have_advice() {
        for kind in EventKind::ALL {
            let needs_it = kind.severity() != Severity::Info;
            assert!(kind.advice().is_some() || !needs_it, "{kind}");
        }
    }
}
