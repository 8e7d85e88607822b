//! Streaming to time-series servers.
//!
//! A destination is a reader of the store with a cursor: points are made again from stored bytes,
//! so a server may be away for a week. Nothing here can hold up the guard thread or the recorder:
//! each destination has its own thread, reads the store, and asks the recorder for two things only,
//! to keep its cursor and its events.

mod client;
mod courier;
mod feed;
mod points;
mod run;
pub(crate) mod samples;
mod windows;

pub use client::ClientError;
pub use feed::{Batch, Feed, Range, pull_points};
pub use run::{Progress, Refused, Sender, Streamer, StreamerParts};
