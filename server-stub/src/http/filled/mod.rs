//! What a page shows and a program asks for, read from the store once for both, and what either may do: `pages` writes it
//! as a page and reads forms, `api` writes and reads JSON.

pub(super) mod audit;
mod denied;
pub(super) mod grants;
pub(super) mod laptop;
pub(super) mod marks;
pub(super) mod model;
pub(super) mod rounds;
pub(super) mod scope;
pub(super) mod visits;

pub(super) use denied::Denied;
