-- wall_us: microseconds since 1970-01-01T00:00:00Z. mono_us: the host's monotonic clock,
-- comparable only within one connection. tick: the board's unwrapped tick.

CREATE TABLE connections (
    id             INTEGER PRIMARY KEY AUTOINCREMENT,
    port           TEXT    NOT NULL,
    opened_wall_us INTEGER NOT NULL,
    opened_mono_us INTEGER NOT NULL,
    hello          BLOB,    -- the frame as received; it and the next three come together
    tick_hz        INTEGER,
    board_id       INTEGER, -- an unsigned 64-bit number, its bits kept
    boot           INTEGER,
    closed_wall_us INTEGER,
    closed_reason  TEXT
) STRICT;

-- hash: SHA-256 of the text, hexadecimal
CREATE TABLE stand_files (
    hash TEXT PRIMARY KEY,
    text TEXT NOT NULL
) STRICT;

CREATE TABLE calibrations (
    hash TEXT PRIMARY KEY,
    text TEXT NOT NULL
) STRICT;

CREATE TABLE setups (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    name            TEXT    NOT NULL UNIQUE,
    created_wall_us INTEGER NOT NULL,
    notes           TEXT    NOT NULL,
    parts           TEXT    NOT NULL -- JSON
) STRICT;

-- The bytes come last: the columns before them are read without them.
CREATE TABLE chunks (
    id            INTEGER PRIMARY KEY AUTOINCREMENT,
    connection_id INTEGER NOT NULL REFERENCES connections (id),
    seq           INTEGER NOT NULL,
    mono_us_first INTEGER NOT NULL,
    mono_us_last  INTEGER NOT NULL,
    wall_us_first INTEGER NOT NULL,
    tick_first    INTEGER,
    bytes_len     INTEGER NOT NULL,
    checksum      INTEGER NOT NULL, -- CRC-32 of the columns above and the bytes before compression
    zstd          BLOB    NOT NULL,
    UNIQUE (connection_id, seq)
) STRICT;

-- chunk_seq_first and chunk_seq_last are numbers in the connection, and no foreign keys: a chunk
-- that could not be stored must not take the pull with it.
CREATE TABLE pulls (
    id                INTEGER PRIMARY KEY AUTOINCREMENT,
    connection_id     INTEGER NOT NULL REFERENCES connections (id),
    setup_id          INTEGER REFERENCES setups (id),
    stand_hash        TEXT    NOT NULL REFERENCES stand_files (hash),
    calibration_hash  TEXT    NOT NULL REFERENCES calibrations (hash),
    state             TEXT    NOT NULL,
    started_wall_us   INTEGER NOT NULL,
    tick_first_wanted INTEGER NOT NULL,
    tick_start        INTEGER NOT NULL,
    tick_peak         INTEGER,
    tick_end          INTEGER,
    chunk_seq_first   INTEGER NOT NULL,
    chunk_seq_last    INTEGER,
    air               TEXT    NOT NULL, -- JSON
    reasons           TEXT    NOT NULL, -- JSON, a list of texts
    note              TEXT    NOT NULL
) STRICT;

CREATE TABLE events (
    id            INTEGER PRIMARY KEY AUTOINCREMENT,
    wall_us       INTEGER NOT NULL,
    mono_us       INTEGER NOT NULL,
    tick          INTEGER,
    connection_id INTEGER REFERENCES connections (id),
    pull_id       INTEGER REFERENCES pulls (id),
    severity      TEXT    NOT NULL,
    kind          TEXT    NOT NULL,
    channel       TEXT,
    message       TEXT    NOT NULL,
    data          TEXT    NOT NULL -- JSON
) STRICT;

CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;
