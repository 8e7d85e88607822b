//! What was stored against what the board sent.

use std::path::Path;

use leverarm_store::{ChunkRange, ConnectionId, StoreReader};

/// Bytes of a connection as stored, asserting that no chunk is lacking or damaged.
pub(crate) fn stored_bytes(store: &Path, connection: ConnectionId) -> Vec<u8> {
    let reader = StoreReader::open(store).unwrap();
    let mut bytes = Vec::new();
    for chunk in reader.chunks(connection, &ChunkRange::All).unwrap() {
        bytes.extend_from_slice(&chunk.unwrap().bytes);
    }
    bytes
}

/// Bytes of all connections, one list each, oldest first.
pub(crate) fn stored_connections(store: &Path) -> Vec<Vec<u8>> {
    let reader = StoreReader::open(store).unwrap();
    let mut connections = reader.connections().unwrap();
    connections.sort_by_key(|connection| connection.id);
    connections
        .iter()
        .map(|connection| stored_bytes(store, connection.id))
        .collect()
}

/// Where the stored bytes are among those that were sent, as start and end.
pub(crate) fn place(stored: &[u8], sent: &[u8]) -> (usize, usize) {
    let start = sent
        .windows(stored.len())
        .position(|window| window == stored)
        .unwrap_or_else(|| {
            panic!(
                "the {} bytes stored are no unbroken stretch of the {} bytes sent",
                stored.len(),
                sent.len()
            )
        });
    (start, start + stored.len())
}
