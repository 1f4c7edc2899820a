//! What an address asks for that its page does not know: said on the page, with what it may be, rather than passed over.

use super::layout::Notice;
use super::words;

/// Most names that are told; a fleet may have hundreds of sites.
const MAX_TOLD: usize = 12;
/// Longest piece of an address that is shown again, characters.
const MAX_SHOWN: usize = 60;

/// What of an address isn't known, in sentences.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Unknown(Vec<String>);

impl Unknown {
    /// A word before the `=` that the page doesn't take.
    pub fn key(&mut self, given: &str, known: &[&str]) {
        let given = shown(given);
        self.0.push(format!(
            "The address asks for “{given}”, which this page does not know: it changes nothing here. The page knows {}.",
            listed(known.iter().copied())
        ));
    }

    /// An order that the list doesn't have.
    pub fn order<'a>(&mut self, given: &str, known: impl Iterator<Item = &'a str>) {
        let given = shown(given);
        self.0.push(format!(
            "There is no order “{given}”: the list stands in its usual order. An order is one of {}.",
            listed(known)
        ));
    }

    /// A name that nothing in the list has, so that nothing fits.
    pub fn name<'a>(&mut self, what: &str, given: &str, known: impl Iterator<Item = &'a str>) {
        let (given, known) = (shown(given), listed(known));
        self.0.push(format!("There is no {what} “{given}” in this list, so no laptop fits."));
        if !known.is_empty() {
            self.0.push(format!("A {what} is one of {known}."));
        }
    }

    /// As the page says it first; `None` where all was known.
    pub fn notice(&self) -> Option<Notice> {
        (!self.0.is_empty()).then(|| Notice::Refused(self.0.join(" ")))
    }
}

fn shown(given: &str) -> String {
    given.chars().filter(|c| !c.is_control()).take(MAX_SHOWN).collect()
}

fn listed<'a>(names: impl Iterator<Item = &'a str>) -> String {
    words::first_of(names.filter(|name| !name.is_empty()), MAX_TOLD)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(unknown: &Unknown) -> String {
        match unknown.notice() {
            Some(Notice::Refused(words)) => words,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn it_names_what_may_be_asked_for_and_stays_short() {
        let mut unknown = Unknown::default();
        assert_eq!(unknown.notice(), None);
        let sites: Vec<String> = (1..=15).map(|n| format!("site {n}")).collect();
        unknown.name("site", &format!("x\n{}", "y".repeat(500)), sites.iter().map(String::as_str));
        let words = said(&unknown);
        assert!(
            words.starts_with(&format!(
                "There is no site “x{}” in this list, so no laptop fits.",
                "y".repeat(59)
            )),
            "{words}"
        );
        assert!(words.ends_with("site 11, site 12, and 3 more."), "{words}");
    }

    #[test]
    fn where_there_is_nothing_to_choose_it_names_nothing() {
        let mut unknown = Unknown::default();
        unknown.name("model", "x", std::iter::once(""));
        assert_eq!(said(&unknown), "There is no model “x” in this list, so no laptop fits.");
    }
}
