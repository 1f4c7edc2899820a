//! What is done at a laptop, step by step, for the work sheet. The maker's service manual comes before every step; the
//! cautions stand in `windrow_model::cautions`. Common practice, no source.

use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::trace::fleet::ServiceAction;

/// Heading of what comes before all else.
pub const FIRST: &str = "first";
/// Heading of what comes after all else.
pub const LAST: &str = "last";

/// Steps under a heading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct StepList {
    /// What they are for: `first`, what is to be done, `last`.
    pub heading: &'static str,
    /// What it takes.
    pub bring: Option<&'static str>,
    /// The steps, in their order.
    pub steps: &'static [&'static str],
}

/// All steps of a visit that does this; without actions it is looked at and checked.
pub fn lists(actions: &[ServiceAction]) -> Vec<StepList> {
    let actions = if actions.is_empty() { &[ServiceAction::None] } else { actions };
    let plain = |heading, steps| StepList { heading, bring: None, steps };
    let of = |action: &ServiceAction| StepList {
        heading: deed(*action),
        bring: Some(parts(*action)),
        steps: steps(*action),
    };
    std::iter::once(plain(FIRST, BEFORE))
        .chain(actions.iter().map(of))
        .chain(std::iter::once(plain(LAST, AFTER)))
        .collect()
}

/// What is to be done, in words.
pub const fn deed(action: ServiceAction) -> &'static str {
    match action {
        ServiceAction::Clean => "clean vents and fins",
        ServiceAction::Fan => "replace the fan",
        ServiceAction::Paste => "renew the paste",
        ServiceAction::None => "look and check",
    }
}

/// All that is to be done, in words.
pub fn deeds(actions: &[ServiceAction]) -> String {
    if actions.is_empty() {
        return deed(ServiceAction::None).to_owned();
    }
    actions.iter().map(|a| deed(*a)).collect::<Vec<_>>().join(", ")
}

/// What it takes, in words.
pub const fn parts(action: ServiceAction) -> &'static str {
    match action {
        ServiceAction::Clean => "canned air or a blower, a soft brush, lint-free cloths",
        ServiceAction::Fan => "a fan module that fits",
        ServiceAction::Paste => "paste, solvent, lint-free cloths; fresh pads where the maker uses them",
        ServiceAction::None => "nothing",
    }
}

/// Before anything is opened.
pub const BEFORE: &[&str] = &[
    "Compare the asset tag and the model with what is written here.",
    "Look at case and battery: if anything bulges, stop, leave it shut down, and report it.",
    "Shut it down, unplug the adapter, let it cool; then follow the maker's service manual.",
];

/// The steps of an action.
pub const fn steps(action: ServiceAction) -> &'static [&'static str] {
    match action {
        ServiceAction::Clean => &[
            "Look into the vents, and note whether lint is seen.",
            "Open it by the maker's manual and disconnect the battery where the manual says so.",
            "Hold the fan's blades still; blow from the fan's side outwards through the fins, in short bursts.",
            "Take off what is left with brush and cloth; look that the fan turns freely.",
        ],
        ServiceAction::Fan => &[
            "Open it by the maker's manual and disconnect the battery where the manual says so.",
            "Turn the fan by hand: note whether it grinds, wobbles or sticks.",
            "Replace the fan module; lay its cable as it lay before.",
        ],
        ServiceAction::Paste => &[
            "Open it by the maker's manual and disconnect the battery where the manual says so.",
            "Loosen the heat sink's screws in the order that the manual gives.",
            "Take the old paste off with solvent; look that pads are whole and lie where they lay.",
            "Apply paste as the manual says, and tighten the screws crosswise, in the manual's order.",
        ],
        ServiceAction::None => &["Look into the vents and listen to the fan; open nothing."],
    }
}

/// After the work.
pub const AFTER: &[&str] = &[
    "Close it, connect it, and start it.",
    "Log the visit by its code, tag or page: what was found, what was done, minutes, parts.",
    "Then, on a hard flat surface: run a check (`windrow check`), or ask for one from the laptop's page. Only a check after the log shows whether it helped.",
];

#[cfg(test)]
mod tests {
    use super::*;

    /// A check of the visit's own day counts only if it comes after the visit was logged.
    #[test]
    fn the_visit_is_logged_before_the_check_that_shows_its_effect() {
        let at = |words: &str| AFTER.iter().position(|step| step.contains(words)).expect(words);
        assert!(at("Log the visit") < at("run a check"));
    }

    /// The phone page shows the same steps.
    #[test]
    fn no_step_speaks_of_the_sheet_that_it_may_not_stand_on() {
        let all = lists(&[ServiceAction::Clean, ServiceAction::Fan, ServiceAction::Paste]);
        let steps = all.iter().flat_map(|list| list.steps);
        assert!(steps.copied().all(|step| !step.contains("sheet")));
    }
}
