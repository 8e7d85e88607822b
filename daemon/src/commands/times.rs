//! Times as a person gives them.

use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

/// Microseconds since 1970 of "2026-11-25", "2026-11-25 14:30", "2026-11-25T13:30:00Z", or of a time
/// ago such as "2h" or "3 days".
pub(super) fn wall_us(text: &str, now_wall_us: i64, zone: &TimeZone) -> Result<i64, String> {
    let text = text.trim();
    let local = |at: DateTime| at.to_zoned_datetime(zone.clone()).ok();
    let now = || {
        Some(
            Timestamp::from_microsecond(now_wall_us)
                .ok()?
                .to_zoned_datetime(zone.clone()),
        )
    };
    let ago = |span: Span| now()?.checked_sub(span.abs()).ok();
    let at = text
        .parse::<Timestamp>()
        .ok()
        .or_else(|| Some(local(text.parse().ok()?)?.timestamp()))
        .or_else(|| Some(ago(text.parse().ok()?)?.timestamp()));
    at.map(Timestamp::as_microsecond).ok_or_else(|| {
        format!("{text:?} is no time: give a date such as \"2026-11-25\" or \"2026-11-25 14:30\", or a time ago such as \"2h\" or \"3 days\"")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_and_times_ago() {
        let zone = TimeZone::fixed(jiff::tz::offset(1));
        // 2026-11-25T12:00:00Z
        let now = 1_795_608_000_000_000;
        let hour = 3_600_000_000;
        for (text, expected) in [
            ("2026-11-25T12:00:00Z", now),
            ("2026-11-25 13:00", now),
            ("2026-11-25", now - 13 * hour),
            ("2h", now - 2 * hour),
            ("90 min", now - 3 * hour / 2),
            ("3 days", now - 72 * hour),
        ] {
            assert_eq!(wall_us(text, now, &zone), Ok(expected), "{text}");
        }
        for text in ["", "yesterday", "25.11.2026", "-"] {
            assert!(wall_us(text, now, &zone).is_err(), "{text}");
        }
    }
}
