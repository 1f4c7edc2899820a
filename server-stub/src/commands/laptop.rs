//! Which laptop a person means.

use crate::failure::Failure;
use crate::store::facts::FactStore;

/// The one laptop that is meant by an asset tag, a device id, or its beginning.
pub(super) async fn one_laptop(store: &impl FactStore, key: &str) -> Result<String, Failure> {
    let mut found = store.laptop_find(key.trim().to_owned()).await?;
    match (found.pop(), found.is_empty()) {
        (Some(one), true) => Ok(one),
        (None, _) => Err(no_laptop(key)),
        (Some(last), false) => {
            Err(Failure::new(format!("`{key}` means several laptops: `{last}`, `{}`", found.join("`, `")))
                .remedy("give more of the device id"))
        }
    }
}

pub(super) fn no_laptop(key: &str) -> Failure {
    Failure::new(format!("no laptop `{key}` has joined this hub or was imported"))
        .remedy("give its asset tag, or the device id from `windrow-hub rank --json`")
}
