//! The journal: what happened on the stand, for the person who has to see to it.
//!
//! Every event is a row of the store and stays one. Folding happens twice, and loses no count: on
//! the way in a throttle keeps a fault that comes many times a second from flooding the store,
//! and on the way out [`fold`] shows repeats as one [`Entry`].

mod days;
mod evidence;
mod fold;
mod health;
mod query;
mod throttle;

pub use days::{Day, days};
pub use evidence::{AROUND_US, Evidence, EvidenceSample, EvidenceSeries, evidence, raw_bytes};
pub use fold::{Entry, FOLD_US, fold};
pub use health::{ChannelHealth, HealthDay, Trend, health};
pub use query::{channel_names, faults, newest};
pub use throttle::Throttle;
