//! Sites by their names: hours or a grant of a mistyped one would be for nobody, and nothing would tell.

use std::collections::BTreeSet;

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
    let laptops = store.laptop_list().await?.into_iter().map(|l| l.site);
    let listed = store.scope_list().await?.into_iter().map(|e| e.site);
    let known: BTreeSet<String> = laptops.chain(listed).filter(|site| !site.is_empty()).collect();
    let missing: Vec<&str> = asked.into_iter().filter(|site| !known.contains(*site)).collect();
    Ok((!known.is_empty() && !missing.is_empty()).then(|| words(&missing, &known)))
}

fn words(missing: &[&str], known: &BTreeSet<String>) -> String {
    let missing: Vec<String> = missing.iter().take(MAX_NAMED).map(|site| format!("`{site}`")).collect();
    let mut names: Vec<&str> = known.iter().take(MAX_NAMED).map(String::as_str).collect();
    let more = format!("and {} more", known.len().saturating_sub(MAX_NAMED));
    if known.len() > MAX_NAMED {
        names.push(&more);
    }
    format!(
        "no laptop and no line of the scope list is at {}; the sites are {}",
        missing.join(", "),
        names.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refusal_names_what_is_known() {
        let known: BTreeSet<String> = (1..=14).map(|n| format!("hall {n:02}")).collect();
        let said = words(&["Hall 1"], &known);
        assert!(
            said.starts_with(
                "no laptop and no line of the scope list is at `Hall 1`; the sites are hall 01,"
            )
        );
        assert!(said.ends_with("hall 12, and 2 more"), "{said}");
    }
}
