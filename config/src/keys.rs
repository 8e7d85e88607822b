//! Every key that a stand file can have. The table in this crate's README lists the same.

/// Sections with their keys; the first is the file itself, whose keys are the sections.
pub const KEYS: &[(&str, &[&str])] = &[
    (
        "",
        &[
            "stand",
            "engine",
            "port",
            "board",
            "drum",
            "pickup",
            "drive",
            "losses",
            "load_cell",
            "channel",
            "guard",
            "pull",
            "air",
            "curve",
            "display",
            "store",
            "page",
        ],
    ),
    ("stand", &["name", "kind"]),
    ("engine", &["name", "displacement", "inertia", "strokes"]),
    ("port", &["path", "baud"]),
    ("board", &["heartbeat_timeout", "short_periods_to_cut"]),
    ("drum", &["inertia", "outer_diameter", "piece"]),
    (
        "drum.piece",
        &[
            "name",
            "shape",
            "diameter",
            "outer_diameter",
            "inner_diameter",
            "length",
            "width",
            "height",
            "thickness",
            "density",
            "mass",
            "offset",
            "count",
            "removed",
        ],
    ),
    ("pickup", &["channel", "on", "teeth"]),
    ("drive", &["ratio", "stages", "tyre"]),
    ("drive.tyre", &["rolling_circumference", "drum_diameter"]),
    (
        "losses",
        &[
            "constant",
            "linear",
            "quadratic",
            "uncertainty",
            "repeatability",
            "bearing_channel",
        ],
    ),
    (
        "load_cell",
        &[
            "channel",
            "per_count",
            "gravity",
            "zero_counts",
            "arm",
            "sign",
            "on",
            "range_counts",
        ],
    ),
    (
        "channel",
        &[
            "name",
            "source",
            "law",
            "per_count",
            "at_zero",
            "cold_junction",
            "beta",
            "r25",
            "steinhart_hart",
            "fixed_resistor",
            "full_scale_counts",
            "ntc_side",
            "expected",
            "uncertainty",
        ],
    ),
    (
        "guard",
        &["name", "kind", "on", "limit", "action", "debounce"],
    ),
    (
        "pull",
        &[
            "start_speed",
            "end_speed",
            "acceleration_min",
            "pre_trigger",
            "coast",
            "length_min",
        ],
    ),
    (
        "air",
        &[
            "pressure",
            "pressure_channel",
            "temperature",
            "temperature_channel",
            "humidity",
            "humidity_channel",
            "correction",
        ],
    ),
    ("curve", &["step", "from", "to"]),
    ("display", &["units", "power"]),
    ("store", &["folder"]),
    ("page", &["address"]),
];

/// The keys of one section.
pub(crate) fn of(section: &str) -> &'static [&'static str] {
    KEYS.iter()
        .find(|(name, _)| *name == section)
        .map_or(&[], |(_, keys)| keys)
}
