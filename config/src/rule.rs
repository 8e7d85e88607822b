//! What trips a guard. A kind of guard is one row of this table; how a reading is judged by it stands in
//! `daemon/live/src/guards.rs`.

use crate::stand::Signal;

/// Which signals a rule can be about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum About {
    Speeds,
    Temperatures,
    Sensors,
    LoadCell,
    Anything,
}

impl About {
    /// In words, for who named another.
    pub(crate) const fn expected(self) -> &'static str {
        match self {
            Self::Speeds => "\"drum speed\" or \"engine speed\"",
            Self::Temperatures => "a channel that measures a temperature",
            Self::LoadCell => "\"load cell\"",
            Self::Sensors | Self::Anything => "a speed, the load cell or a channel",
        }
    }
}

/// What the limit of a rule is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitOf {
    /// The rule has none.
    Nothing,
    /// The signal, in its SI unit.
    Signal,
    /// The signal's rise, in its SI unit per second.
    Rise,
    /// The time since the last reading, s.
    Age,
}

/// On which side of its limit a rule trips.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Above it.
    Above,
    /// Below it.
    Below,
}

macro_rules! rules {
    ($($(#[$doc:meta])+ $variant:ident {
        word: $word:literal, about: $about:expr, limit_of: $limit_of:expr, bounds: $bounds:expr,
        side: $side:expr, when: $when:literal, tripped: $tripped:literal $(,)?
    })+) => {
        /// What trips a guard.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Rule {
            $($(#[$doc])+ $variant,)+
        }

        impl Rule {
            /// Words of the stand file.
            pub(crate) const WORDS: &[(&str, Self)] = &[$(($word, Self::$variant),)+];

            /// Its word in the stand file.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            pub(crate) const fn about(self) -> About {
                match self { $(Self::$variant => $about,)+ }
            }

            /// What its limit is of.
            #[must_use]
            pub const fn limit_of(self) -> LimitOf {
                match self { $(Self::$variant => $limit_of,)+ }
            }

            /// The least and the greatest limit, as written.
            pub(crate) const fn bounds(self) -> Option<(&'static str, &'static str)> {
                match self { $(Self::$variant => $bounds,)+ }
            }

            /// On which side of its limit it trips.
            #[must_use]
            pub const fn side(self) -> Side {
                match self { $(Self::$variant => $side,)+ }
            }

            /// When it trips: words with `{signal}` and `{limit}` in them.
            pub(crate) const fn when(self) -> &'static str {
                match self { $(Self::$variant => $when,)+ }
            }

            /// What it says when it trips: words with `{value}` and `{limit}` in them.
            pub(crate) const fn tripped(self) -> &'static str {
                match self { $(Self::$variant => $tripped,)+ }
            }
        }
    };
}

rules! {
    /// The shaft turns too fast. Has to be there with a cut, which holds always and at once.
    Overspeed {
        word: "overspeed", about: About::Speeds,
        limit_of: LimitOf::Signal, bounds: Some(("10 rpm", "30000 rpm")), side: Side::Above,
        when: "{signal} is above {limit}", tripped: "{value} is above {limit}",
    }
    /// The channel is too hot. The board guards it by itself, too, where it can.
    OverTemperature {
        word: "over-temperature", about: About::Temperatures,
        limit_of: LimitOf::Signal, bounds: Some(("-50 degC", "1400 degC")), side: Side::Above,
        when: "{signal} is above {limit}", tripped: "{value} is above {limit}",
    }
    /// The signal can't be true: outside what is expected, broken wire, no teeth while turning.
    SensorLost {
        word: "sensor lost", about: About::Sensors,
        limit_of: LimitOf::Nothing, bounds: None, side: Side::Above,
        when: "{signal} is lost", tripped: "the sensor is lost",
    }
    /// Nothing new came from the signal for longer than the limit.
    StaleData {
        word: "stale data", about: About::Anything,
        limit_of: LimitOf::Age, bounds: Some(("10 ms", "60 s")), side: Side::Above,
        when: "nothing new comes from {signal} for {limit}", tripped: "nothing new for {value}",
    }
    /// The signal is above the limit.
    Above {
        word: "above", about: About::Sensors,
        limit_of: LimitOf::Signal, bounds: None, side: Side::Above,
        when: "{signal} is above {limit}", tripped: "{value} is above {limit}",
    }
    /// The signal is below the limit.
    Below {
        word: "below", about: About::Sensors,
        limit_of: LimitOf::Signal, bounds: None, side: Side::Below,
        when: "{signal} is below {limit}", tripped: "{value} is below {limit}",
    }
    /// The load cell shows less than the board's load is told to hold, by more than the limit.
    LoadLost {
        word: "load lost", about: About::LoadCell,
        limit_of: LimitOf::Signal, bounds: None, side: Side::Above,
        when: "{signal} is more than {limit} below what the load is told to hold",
        tripped: "{value} less than the load was told to hold, more than {limit}",
    }
    /// The signal rises faster than the limit.
    RateOfRise {
        word: "rate of rise", about: About::Sensors,
        limit_of: LimitOf::Rise, bounds: None, side: Side::Above,
        when: "{signal} rises more than {limit} in a second",
        tripped: "rises by {value} in a second, more than {limit}",
    }
}

impl Rule {
    /// Whether a guard by it that cuts can't see when its sensor is lost: such a one cuts then, too, or
    /// says why not.
    pub(crate) fn is_blind_without(self, signal: Signal) -> bool {
        matches!(self.limit_of(), LimitOf::Signal | LimitOf::Rise)
            && matches!(signal, Signal::Channel(_) | Signal::LoadCell)
    }

    /// Whether its limit may go with the engine's speed.
    pub(crate) fn may_go_with_speed(self) -> bool {
        self.limit_of() == LimitOf::Signal && self.about() == About::Sensors
    }
}
