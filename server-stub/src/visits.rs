//! What a visit's entry may say: the same at the command line and on the page.

use chrono::{Datelike, Days, NaiveDate, NaiveTime};

use crate::store::EpochMs;

/// Longest free text, bytes.
pub const MAX_TEXT_BYTES: usize = 2000;
/// Longest visit, minutes: a working day.
pub const MAX_MINUTES: u32 = 24 * 60;
/// Longest reason of a hold, a snooze or a wanted check, bytes.
const MAX_WHY_BYTES: usize = 400;
/// Earliest year of a visit: before it is a slip of the keyboard.
const MIN_YEAR: i32 = 2000;

/// Whether a visit can have been on that day.
///
/// # Errors
/// Why not, in words.
pub fn check_day(day: NaiveDate, today: NaiveDate) -> Result<(), String> {
    if day > today {
        return Err(format!("the visit's day `{day}` is in the future: today is {today} (UTC)"));
    }
    if day.year() < MIN_YEAR {
        return Err(format!("the visit's day `{day}` is before the year {MIN_YEAR}"));
    }
    Ok(())
}

/// Free text without control characters and of bounded length, trimmed.
///
/// # Errors
/// Why it is refused, in words.
pub fn text(text: &str) -> Result<String, String> {
    if text.chars().any(|c| c.is_control() && !matches!(c, '\n' | '\r' | '\t')) {
        return Err("control characters are not allowed".into());
    }
    if text.len() > MAX_TEXT_BYTES {
        return Err(format!("at most {MAX_TEXT_BYTES} bytes"));
    }
    Ok(text.trim().to_owned())
}

/// A line of free text: it stands in one cell of a table, so that line breaks and tabs become spaces.
///
/// # Errors
/// As of [`text`].
pub fn line(given: &str) -> Result<String, String> {
    Ok(text(given)?.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// The reason of a hold, a snooze or a wanted check.
///
/// # Errors
/// Why it is refused, in words.
pub fn reason(why: &str) -> Result<String, String> {
    let why = line(why)?;
    if why.len() > MAX_WHY_BYTES { Err(format!("at most {MAX_WHY_BYTES} bytes")) } else { Ok(why) }
}

/// The last millisecond of a day, UTC.
pub fn end_of_day_ms(day: NaiveDate) -> Option<EpochMs> {
    let next = day.checked_add_days(Days::new(1))?;
    Some(next.and_time(NaiveTime::MIN).and_utc().timestamp_millis() - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_in_the_future_or_long_ago_is_refused() {
        let today: NaiveDate = "2026-01-31".parse().unwrap();
        for (day, is_good) in
            [("2026-01-31", true), ("2026-02-01", false), ("2000-01-01", true), ("1999-12-31", false)]
        {
            assert_eq!(check_day(day.parse().unwrap(), today).is_ok(), is_good, "{day}");
        }
    }

    #[test]
    fn text_is_bounded_and_plain() {
        assert_eq!(text("  lint in the fins \n"), Ok("lint in the fins".to_owned()));
        assert!(text("a\u{7}b").is_err());
        assert_eq!(line("lint\r\nand\tdust "), Ok("lint and dust".to_owned()));
        assert!(line("a\u{7}b").is_err());
        assert!(text(&"x".repeat(MAX_TEXT_BYTES + 1)).is_err());
    }
}
