//! The cautions that stand wherever someone is told to run the load or to open, clean or repair a laptop.
//!
//! One wording for the terminal, the page and the work sheet, so that none of them drops a line. Source: power, battery
//! and static are taught in certification courses for technicians; the rest is common practice, no source.

/// Before the load: said when a check is announced.
pub const LOAD: &[&str] = &[
    "Stand the laptop on a hard flat surface, never on a lap or a bed.",
    "Stop the check and shut the laptop down if it smells or swells.",
];

/// Before a service: shown with every advice to open, clean or repair.
pub const SERVICE: &[&str] = &[
    "Shut down (not sleep), unplug the adapter, and disconnect the battery first where the maker's manual says so.",
    "Never work on a swollen battery, nor press or charge it. Leave batteries and mains parts to qualified technicians.",
    "Discharge static: wrist strap, or touch bare grounded metal first.",
    "Let it cool: the heat sink can be hot enough to burn.",
    "Hold the fan's blades still when blowing, and keep the can upright, in short bursts, away from flames.",
    "Wear a dust mask and eye protection.",
    "Follow the maker's service manual, the warranty's terms and local rules. They come before anything said here.",
];

/// While an administrator holds a laptop back: said wherever a check of it is refused.
pub const HELD: &str = "Do not load, charge, press or open it. If the battery or the case bulges, or it smells: shut it down, unplug it, keep it away from what burns, and have a qualified person fetch it.";

/// What an unopened laptop's user may do without tools.
pub const USER: &str = "Without opening anything: keep the vents free and have a technician look at it; do not blow into the vents.";

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn said(list: &[&str], words: &[&str]) {
        let all = list.join(" ").to_lowercase();
        for w in words {
            assert!(all.contains(w), "no word of {w:?} in: {all}");
        }
    }

    #[test]
    fn every_hazard_is_named() {
        said(&[HELD], &["load", "charge", "press", "bulges", "unplug", "qualified"]);
        said(LOAD, &["hard flat surface", "lap", "bed", "smells", "swells"]);
        said(
            SERVICE,
            &[
                "shut down",
                "unplug",
                "disconnect the battery",
                "swollen",
                "static",
                "blades still",
                "upright",
                "dust mask",
                "eye protection",
                "hot",
                "service manual",
                "warranty",
                "local rules",
                "qualified",
                "mains",
            ],
        );
    }
}
