//! Texts that many things share, each held once: of a large fleet they are most of what would be held.

use std::collections::HashSet;
use std::sync::Arc;

/// The texts so far.
#[derive(Debug, Default)]
pub struct Texts(HashSet<Arc<str>>);

impl Texts {
    /// This text, held once.
    pub fn held(&mut self, text: &str) -> Arc<str> {
        if let Some(held) = self.0.get(text) {
            return Arc::clone(held);
        }
        let held: Arc<str> = text.into();
        self.0.insert(Arc::clone(&held));
        held
    }
}
