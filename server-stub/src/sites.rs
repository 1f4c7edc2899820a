//! Sites by their names: hours or a grant of a mistyped one would be for nobody, and nothing would tell.

use std::collections::BTreeSet;

use crate::pages::words;
use crate::store::{Store, StoreError};

/// Names of a refusal.
const MAX_NAMED: usize = 12;

/// Why sites cannot be meant: neither a laptop nor the scope list has one of the names. `None`: all are known, or none is
/// yet, as in a hub that just begins.
///
/// # Errors
/// If the store fails.
pub async fn unknown<'a, S: Store>(
    store: &S,
    asked: impl Iterator<Item = &'a str> + Send,
) -> Result<Option<String>, StoreError> {
    let asked: BTreeSet<&str> = asked.collect();
    if asked.is_empty() {
        return Ok(None);
    }
    let laptops = store.laptop_list().await?.into_iter().map(|l| l.site);
    let listed = store.scope_list().await?.into_iter().map(|e| e.site);
    let known: BTreeSet<String> = laptops.chain(listed).filter(|site| !site.is_empty()).collect();
    let missing: Vec<&str> = asked.into_iter().filter(|site| !known.contains(*site)).collect();
    Ok((!known.is_empty() && !missing.is_empty()).then(|| refusal(&missing, &known)))
}

fn refusal(missing: &[&str], known: &BTreeSet<String>) -> String {
    let quoted: Vec<String> = missing.iter().map(|site| format!("`{site}`")).collect();
    let nobody_is_at = words::first_of(quoted.iter().map(String::as_str), MAX_NAMED);
    let mut names: Vec<&str> = known.iter().map(String::as_str).collect();
    let are = if names.len() > MAX_NAMED {
        names.sort_by_cached_key(|name| missing.iter().map(|asked| n_slips(asked, name)).min());
        "the sites nearest in name are"
    } else {
        "the sites are"
    };
    let names = words::first_of(names, MAX_NAMED);
    format!("no laptop and no line of the scope list is at {nobody_is_at}; {are} {names}")
}

/// How many letters stand wrong, whether they are capitals or not.
fn n_slips(asked: &str, known: &str) -> usize {
    strsim::osa_distance(&asked.to_lowercase(), &known.to_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refusal_names_what_is_known_and_the_nearest_of_many() {
        let few: BTreeSet<String> = (1..=3).map(|n| format!("hall {n:02}")).collect();
        assert_eq!(
            refusal(&["Hall 1"], &few),
            "no laptop and no line of the scope list is at `Hall 1`; the sites are hall 01, hall 02, hall 03"
        );
        let many: BTreeSet<String> = (1..=40).map(|n| format!("hall {n:02}")).collect();
        let said = refusal(&["Hall 39x"], &many);
        assert!(said.contains("; the sites nearest in name are hall 39, "), "{said}");
        assert!(said.ends_with(", and 28 more"), "{said}");
    }
}
