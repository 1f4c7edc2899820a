//! What a page shows and a program asks for, read from the store once for both: `pages` writes it as a page, `api` as JSON.

pub(super) mod laptop;
pub(super) mod model;
