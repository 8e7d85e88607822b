//! Command line of the daemon.

fn main() {}
