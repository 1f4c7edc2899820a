//! Dates, numbers and chances as the pages write them.

use chrono::{DateTime, NaiveDate, Utc};
use maud::{Markup, html};

use crate::scoring::Band;
use crate::store::EpochMs;

/// In place of a text that was erased on purpose.
pub const ERASED: &str = "erased";

/// A day in words: `12 Nov 2026`.
pub fn day(day: NaiveDate) -> Markup {
    html! { time datetime=(day.to_string()) { (day.format("%-d %b %Y")) } }
}

/// The day of a time, UTC.
pub fn day_of(ms: EpochMs) -> Markup {
    date(ms).map_or_else(|| html! { "an unknown day" }, day)
}

/// A time to the minute, UTC.
pub fn minute_of(ms: EpochMs) -> Markup {
    let Some(time) = DateTime::<Utc>::from_timestamp_millis(ms) else {
        return html! { "an unknown time" };
    };
    html! {
        time datetime=(time.format("%Y-%m-%dT%H:%M:%SZ")) { (time.format("%-d %b %Y %H:%M UTC")) }
    }
}

/// Calendar day, UTC.
pub fn date(ms: EpochMs) -> Option<NaiveDate> {
    DateTime::<Utc>::from_timestamp_millis(ms).map(|t| t.date_naive())
}

/// The most that is said of an answer.
const MOST_SURE: f64 = 0.999;

/// A probability as a whole percentage; what rounds to an end says on which side of it it lies.
pub fn percent(p: f64) -> String {
    match p * 100.0 {
        p if p > 0.0 && p < 0.5 => "under 1 %".to_owned(),
        p if (99.5..100.0).contains(&p) => "over 99 %".to_owned(),
        p => format!("{p:.0} %"),
    }
}

/// How sure an answer is: what is judged from runs is never certain, however small the doubt.
pub fn sure(confidence: f64) -> String {
    format!("{} sure", percent(confidence.min(MOST_SURE)))
}

/// A count with its noun: `1 laptop`, `3 laptops`.
pub fn count(n: usize, one: &str, many: &str) -> String {
    format!("{} {}", grouped(n), if n == 1 { one } else { many })
}

/// The first names of a list, and how many more there are: `north, south, and 3 more`.
pub fn first_of<'a>(names: impl IntoIterator<Item = &'a str>, n_told: usize) -> String {
    let mut names = names.into_iter();
    let told: Vec<&str> = names.by_ref().take(n_told).collect();
    match names.count() {
        0 => told.join(", "),
        n_more => format!("{}, and {} more", told.join(", "), grouped(n_more)),
    }
}

/// A count with its digits in threes.
pub fn grouped(n: usize) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (idx, digit) in digits.chars().enumerate() {
        if idx > 0 && (digits.len() - idx).is_multiple_of(3) {
            // A narrow space that no line breaks at.
            out.push('\u{202f}');
        }
        out.push(digit);
    }
    out
}

/// A metric's name as a person reads it, and its unit.
pub fn metric(name: &str) -> (&str, &'static str) {
    match name {
        "airflow_fraction" => ("airflow, share of as-new", ""),
        "fan_factor" => ("fan speed, share of what is due", ""),
        "contact_factor" => ("contact resistance, multiple of as-new", ""),
        "fan_stood_at_c" => ("the fan stood still at", "°C"),
        "recovery_slow_half_s" => ("half of the slow recovery", "s"),
        "g_air_w_per_k" => ("heat taken away by the air", "W/K"),
        "fan_gain_rpm_per_k" => ("fan speed gained per kelvin", "rpm/K"),
        "fan_max_rpm" => ("highest sustained fan speed", "rpm"),
        "fan_delay_s" => ("fan's first answer after", "s"),
        "r_contact_k_per_w" => ("contact resistance", "K/W"),
        "rise_rate_early_k_per_s" => ("rise rate in the first seconds", "K/s"),
        "throttled_load_share" => ("throttled share of the load", ""),
        other => (other, ""),
    }
}

/// An amount of money, to the unit.
pub fn money(amount: f64, currency: &str) -> String {
    let sign = if amount < 0.0 { "−" } else { "" };
    format!("{sign}{} {currency}", grouped(amount.abs().round() as usize))
}

/// Words with `code` in back-ticks.
pub fn marked(words: &str) -> Markup {
    html! {
        @for (n, part) in words.split('`').enumerate() {
            @if n % 2 == 1 { code { (part) } } @else { (part) }
        }
    }
}

/// A reason as a sentence, without the evidence in brackets: for where the evidence is listed below it.
pub fn claim(reason: &str, evidence: &[String]) -> String {
    let listed = format!(" ({})", evidence.join("; "));
    sentence(reason.strip_suffix(&listed).unwrap_or(reason))
}

/// With a capital and a full stop.
pub fn sentence(words: &str) -> String {
    let mut chars = words.chars();
    let stop = if words.ends_with(['.', '!', '?']) { "" } else { "." };
    chars.next().map_or_else(String::new, |first| format!("{}{}{stop}", first.to_uppercase(), chars.as_str()))
}

/// With a capital.
pub fn capital(words: &str) -> String {
    let mut chars = words.chars();
    chars.next().map_or_else(String::new, |first| format!("{}{}", first.to_uppercase(), chars.as_str()))
}

/// CSS class of a band, and its value in addresses.
pub const fn band_class(band: Band) -> &'static str {
    match band {
        Band::PullNow => "pull-now",
        Band::WithinSevenDays => "within-7-days",
        Band::NextRound => "next-round",
        Band::Retest => "retest",
        Band::NoVisit => "no-visit",
    }
}

/// All bands, most urgent first.
pub const BANDS: [Band; 5] =
    [Band::PullNow, Band::WithinSevenDays, Band::NextRound, Band::Retest, Band::NoVisit];

/// A band with its mark: the mark's shape tells it without colour, the word without the mark.
pub fn band(band: Band) -> Markup {
    let class = band_class(band);
    // The pen's mark on the paper's edge: the fuller, the more urgent; a gap where nothing can be told.
    let d = match band {
        Band::PullNow => "M1 1H13V13H1Z",
        Band::WithinSevenDays => "M1 7H13V13H1Z M1 1H13",
        Band::NextRound => "M1 11H13V13H1Z",
        Band::Retest => "M1 1H5 M9 1H13 M1 13H5 M9 13H13",
        Band::NoVisit => "M1 13H13",
    };
    html! {
        span class={ "band " (class) } {
            svg.band-mark viewBox="0 0 14 14" width="14" height="14" aria-hidden="true" focusable="false" { path d=(d) {} }
            (band.words())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_and_chances_read_well() {
        assert_eq!(grouped(7), "7");
        assert_eq!(grouped(1234567), "1\u{202f}234\u{202f}567");
        assert_eq!(count(1, "laptop", "laptops"), "1 laptop");
        assert_eq!((percent(0.0), percent(0.003), percent(0.996), percent(1.0)).0, "0 %");
        assert_eq!(percent(0.003), "under 1 %");
        assert_eq!(percent(0.996), "over 99 %");
        assert_eq!((sure(1.0), sure(0.87)), ("over 99 % sure".to_owned(), "87 % sure".to_owned()));
        assert_eq!(percent(1.0), "100 %");
    }

    #[test]
    fn a_long_list_is_cut_and_says_so() {
        assert_eq!(first_of(["a", "b"], 2), "a, b");
        assert_eq!(first_of(["a", "b", "c"], 2), "a, b, and 1 more");
        assert_eq!(first_of(None, 2), "");
    }

    #[test]
    fn a_sentence_gets_its_capital_and_one_stop() {
        assert_eq!(sentence("nothing seen"), "Nothing seen.");
        assert_eq!(sentence("It is so."), "It is so.");
        assert_eq!(sentence(""), "");
    }

    #[test]
    fn a_claim_leaves_out_the_evidence_that_is_listed() {
        let listed = ["it stood at 99 °C".to_owned(), "0 rpm".to_owned()];
        let reason = "a fan stood still (at last) (it stood at 99 °C; 0 rpm)";
        assert_eq!(claim(reason, &listed), "A fan stood still (at last).");
        assert_eq!(claim(reason, &listed[..1]), sentence(reason));
        assert_eq!(claim("nothing seen", &[]), "Nothing seen.");
    }
}
