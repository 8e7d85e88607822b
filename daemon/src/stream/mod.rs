//! Streaming to time-series servers.
//!
//! A destination is a reader of the store with a cursor: points are made again from stored bytes,
//! so a server may be away for a week. Nothing here can hold up the guard thread or the recorder:
//! each destination has its own thread, reads the store, and asks the recorder for two things only,
//! to keep its cursor and its events. What it does next is decided in the module `destination`, without
//! a socket or a clock, so that it can be run in virtual time.

mod client;
mod courier;
mod destination;
mod feed;
mod points;
mod run;
mod windows;

pub use client::ClientError;
pub use courier::{Answer, Progress};
pub use destination::{Destination, Save, SaveOutcome, Want};
pub use feed::{Batch, Feed, Range, pull_points};
pub use run::{SaveForStream, Sender, Sent, Streamer, StreamerNeeds, send_all};
