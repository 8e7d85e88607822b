//! Times for people.

/// A wall time as local date and time, for people.
#[must_use]
pub fn local_text(wall_us: i64) -> String {
    jiff::Timestamp::from_microsecond(wall_us).map_or_else(
        |_| format!("{wall_us} us"),
        |at| {
            at.to_zoned_datetime(jiff::tz::TimeZone::system())
                .strftime("%Y-%m-%d %H:%M:%S")
                .to_string()
        },
    )
}
