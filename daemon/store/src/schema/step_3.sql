-- What was calibrated when. The newest row's calibrations are in force; the text holds all parts,
-- not the changed one alone.
CREATE TABLE calibration_history (
    id               INTEGER PRIMARY KEY AUTOINCREMENT,
    wall_us          INTEGER NOT NULL,
    part             TEXT    NOT NULL,
    calibration_hash TEXT    NOT NULL REFERENCES calibrations (hash),
    summary          TEXT    NOT NULL
) STRICT;
