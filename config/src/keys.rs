//! Every key that a stand file can have. The table in this crate's README lists the same.

/// Sections with their keys, a blank between them; the first is the file itself, whose keys are the sections.
pub const KEYS: &[(&str, &str)] = &[
    (
        "",
        "stand engine intake port board drum pickup drive losses load_cell absorber channel guard \
         pull air curve display store page stream",
    ),
    ("stand", "name kind version"),
    (
        "engine",
        "name displacement bore stroke cylinders compression_ratio inertia strokes fuel \
         fuel_density stoichiometric_ratio heating_value",
    ),
    ("intake", "flow test_depression"),
    ("port", "path baud real_time"),
    (
        "board",
        "heartbeat_timeout short_periods_to_cut self_test_max_age",
    ),
    ("drum", "inertia outer_diameter brake_torque piece"),
    (
        "drum.piece",
        "name shape diameter outer_diameter inner_diameter length width height thickness density \
         mass offset count removed",
    ),
    ("pickup", "channel on teeth missing"),
    ("drive", "ratio stages other_gears tyre"),
    ("drive.tyre", "rolling_circumference drum_diameter slip"),
    (
        "losses",
        "constant linear quadratic uncertainty repeatability bearing_channel",
    ),
    (
        "load_cell",
        "channel per_count gravity zero_counts arm sign on range_counts",
    ),
    (
        "absorber",
        "kind full_torque torque_of_output engine_torque stall_speed output without_power \
         time_constant coil_resistance forcing fast_decay stroke heat_capacity lasting_power \
         temperature_max fade",
    ),
    (
        "channel",
        "name source law per_count at_zero cold_junction beta r25 steinhart_hart fixed_resistor \
         full_scale_counts ntc_side per_pulse at_rest known_flow at_known_flow exponent bore pipe \
         taps discharge_coefficient measures cylinder delay pipe_volume settling_volume expected \
         uncertainty",
    ),
    (
        "guard",
        "name kind on limit limit_by_speed while action debounce when_lost",
    ),
    (
        "pull",
        "start_speed end_speed acceleration_min pre_trigger coast length_min",
    ),
    (
        "air",
        "pressure pressure_channel temperature temperature_channel humidity humidity_channel \
         correction",
    ),
    ("curve", "step from to"),
    ("display", "units power"),
    ("store", "folder"),
    ("page", "address"),
    (
        "stream",
        "name kind url org bucket token_env token_file database user password_env password_file \
         rate stand",
    ),
];

/// The keys of one section.
pub(crate) fn of(section: &str) -> Vec<&'static str> {
    let found = KEYS.iter().find(|(name, _)| *name == section);
    found.map_or_else(Vec::new, |(_, keys)| keys.split(' ').collect())
}
