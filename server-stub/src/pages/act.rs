//! Forms for one laptop or several: ask for a check, snooze, hold, let go.

use maud::{Markup, html};

/// What may be asked of the chosen laptops: one choice and what it needs.
pub fn fields(legend: &str) -> Markup {
    html! {
        fieldset.act {
            legend { (legend) }
            div.ways role="radiogroup" aria-label="What to do" {
                (way("ask", "Ask for a check", true))
                (way("snooze", "Snooze until the day below", false))
                (way("hold", "Hold", false))
                (way("release", "Let go of a hold or a snooze", false))
            }
            div.needs {
                div {
                    label for="until" { "Day (check wanted by, or snoozed until)" }
                    input #until type="date" name="until";
                }
                div {
                    label for="why" { "Reason (for a snooze or a hold)" }
                    input #why type="text" name="why" maxlength="200" list="whys" autocomplete="off";
                    datalist #whys {
                        option value="recall by the maker" {}
                        option value="bulging battery" {}
                        option value="its user is away" {}
                        option value="to be replaced soon" {}
                    }
                }
                button type="submit" { "Do it" }
            }
            p.soft { "A hold is shown wherever the laptop is, and reaches the laptop when its agent next asks the hub: it then refuses the load. A laptop that has never sent a record doesn't hear of it: tell its user. A bulging battery: shut it down, do not charge or press it, and hand it to a qualified technician." }
        }
    }
}

fn way(value: &str, words: &str, checked: bool) -> Markup {
    html! { label { input type="radio" name="act" value=(value) checked[checked]; " " (words) } }
}
