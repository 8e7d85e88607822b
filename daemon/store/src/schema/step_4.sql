-- The stand file in force while a connection lasted: its counts mean nothing without it. Unknown
-- for connections of earlier versions.
ALTER TABLE connections ADD COLUMN stand_hash TEXT REFERENCES stand_files (hash);

-- Events that a person has looked at. A second look replaces the first.
CREATE TABLE acknowledgements (
    event_id INTEGER PRIMARY KEY REFERENCES events (id),
    wall_us  INTEGER NOT NULL,
    note     TEXT    NOT NULL
) STRICT;

-- How far each reader that feeds something elsewhere has come: numbers of the last chunk, event and
-- pull that arrived there. No foreign keys: 0 stands before the first.
CREATE TABLE cursors (
    destination TEXT    PRIMARY KEY,
    chunk_id    INTEGER NOT NULL,
    event_id    INTEGER NOT NULL,
    pull_id     INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE INDEX events_by_wall ON events (wall_us);
CREATE INDEX events_by_channel ON events (channel) WHERE channel IS NOT NULL;
