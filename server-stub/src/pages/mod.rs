//! The pages: server-rendered, usable without script, one family with the page that the agent keeps.
//!
//! A page is a pure function of a view; [`fleet`] and its like hold views, handlers fill them. Nothing here knows SQL,
//! and nothing judges: words and numbers come from the judgement, only the frame is ours.
//!
//! No script, no outside resource, no inline style: the policy in [`layout::POLICY`] forbids them.

pub mod act;
pub mod audit;
pub mod behind;
pub mod changes;
pub mod fill;
pub mod fleet;
pub mod gauge;
pub mod history;
pub mod laptop;
pub mod layout;
pub mod models;
pub mod peers;
pub mod places;
pub mod query;
pub mod reading;
pub mod roles;
pub mod round_costs;
pub mod round_laptop;
pub mod rounds;
pub mod service_list;
pub mod sheet;
pub mod showroom;
pub mod sign_in;
pub mod unknown;
pub mod words;

#[cfg(test)]
mod sample;
