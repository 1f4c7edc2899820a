//! What came in after a laptop was judged: its page says so, lest an old verdict be read as the new one.

use maud::{Markup, html};

use crate::store::EpochMs;
use crate::store::facts::Visit;
use crate::store::runs::RunLine;

/// What the judgement that is shown doesn't know yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Behind {
    /// A visit was logged, corrected or withdrawn.
    pub has_visit: bool,
    /// A check came in.
    pub has_check: bool,
    /// The last try to judge anew failed.
    pub has_failed: bool,
}

impl Behind {
    /// Of a laptop that was judged as of a time, from its log and its runs; `None`: the judgement knows all of it.
    pub fn of(visits: &[Visit], runs: &[RunLine], as_of_ms: EpochMs, has_failed: bool) -> Option<Self> {
        let has_visit = visits.iter().any(|v| v.logged_at_ms >= as_of_ms);
        let has_check = runs.iter().any(|r| r.received_at_ms >= as_of_ms);
        (has_visit || has_check).then_some(Self { has_visit, has_check, has_failed })
    }
}

/// What the page says of it; `again` is the page's own address.
pub fn notice(behind: Option<Behind>, again: &str) -> Markup {
    let Some(behind) = behind else { return html! {} };
    let what = match (behind.has_visit, behind.has_check) {
        (true, true) => "A visit was logged and a check came in after this judgement",
        (true, false) => "A visit was logged after this judgement",
        (false, _) => "A check came in after this judgement",
    };
    html! {
        p.said.behind role="status" {
            b { (what) } ", so it may be out of date. "
            @if behind.has_failed {
                "The hub could not bring it up to date and tries again; its log says why. "
            } @else {
                "The hub is bringing it up to date: mostly within seconds, with many laptops within minutes. "
            }
            a.no-print href=(again) { "Look again" }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_says_what_came_in_and_whether_that_is_worked_on() {
        assert_eq!(notice(None, "/x").into_string(), "");
        let say = |has_visit, has_check, has_failed| {
            notice(Some(Behind { has_visit, has_check, has_failed }), "/x").into_string()
        };
        assert!(say(true, false, false).contains("A visit was logged after"));
        assert!(say(true, true, false).contains("A visit was logged and a check came in"));
        let failed = say(false, true, true);
        assert!(failed.contains("A check came in") && failed.contains("could not"), "{failed}");
    }
}
