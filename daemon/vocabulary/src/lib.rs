//! Words that the live half, the store and what is made from it share, so that none of them has to
//! know another for a word.

mod cut;
mod event;
mod event_kind;
pub mod load;

pub use cut::{Cut, CutBy};
pub use event::{Event, Repeats};
pub use event_kind::{EventKind, Payload, RefusedPoint, payload};

/// Two clocks, read once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Now {
    /// Microseconds since the daemon started; never runs back.
    pub mono_us: u64,
    /// Microseconds since 1970, as the system's clock has it; may jump.
    pub wall_us: i64,
}

impl Now {
    /// What the two clocks show.
    #[must_use]
    pub const fn new(mono_us: u64, wall_us: i64) -> Self {
        Self { mono_us, wall_us }
    }
}

/// An enum of fixed words: the same word where it is shown, kept, and in JSON. Whoever uses it needs
/// `serde` with derive.
#[macro_export]
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$variant_doc:meta])* $variant:ident = $word:literal,)+ }) => {
        $(#[$doc])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord,
            ::serde::Serialize, ::serde::Deserialize,
        )]
        pub enum $name {
            $($(#[$variant_doc])* #[serde(rename = $word)] $variant,)+
        }

        impl $name {
            /// Every value, in order.
            pub const ALL: &[Self] = &[$(Self::$variant,)+];

            /// The word it is kept and shown as.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// The value with that word.
            #[must_use]
            pub fn of_word(word: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|it| it.word() == word)
            }
        }

        impl ::std::fmt::Display for $name {
            fn fmt(&self, f: &mut ::std::fmt::Formatter<'_>) -> ::std::fmt::Result {
                f.pad(self.word())
            }
        }
    };
}

words! {
    /// How much an event matters, least first.
    Severity {
        /// Good to know.
        Info = "info",
        /// Something to look at; nothing was lost.
        Warning = "warning",
        /// Something failed or data was lost.
        Error = "error",
        /// The stand was cut.
        Cut = "cut",
    }
}

/// Why a connection was closed that did not end before the daemon did.
pub const DAEMON_STOPPED: &str = "the daemon was stopped";
