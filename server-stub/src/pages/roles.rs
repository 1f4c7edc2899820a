//! Roles: who has which grant; make one, revoke one. A token is shown once, when it is made.

use maud::{Markup, html};

use super::layout::{self, Reader};
use super::words;
use crate::access::{Role, Secret};
use crate::store::EpochMs;
use crate::store::access::Grant;

/// Revoked and expired grants that are still listed: the newest.
const MAX_ENDED: usize = 50;
/// Days that are offered for a grant's life.
const DAYS: [u32; 4] = [7, 30, 90, 365];

/// All that the page shows.
#[derive(Debug)]
pub struct View<'a> {
    /// All grants, the oldest first.
    pub grants: &'a [Grant],
    /// The grant by which the reader is signed in.
    pub own_grant_id: i64,
    /// Sites to choose from.
    pub sites: &'a [String],
    /// A token that was just made.
    pub made: Option<&'a Made>,
    /// Now.
    pub now_ms: EpochMs,
}

/// A grant that was just made.
#[derive(Debug)]
pub struct Made {
    /// Its number.
    pub grant_id: i64,
    /// For whom.
    pub label: String,
    /// What it may.
    pub role: Role,
    /// The one site that it is for; `None`: all.
    pub site: Option<String>,
    /// Until when it is good; `None`: until revoked.
    pub expires_at_ms: Option<EpochMs>,
    /// Its token.
    pub token: Secret,
}

/// The page's body.
pub fn body(view: &View<'_>, reader: &Reader) -> Markup {
    let (good, mut ended): (Vec<&Grant>, Vec<&Grant>) =
        view.grants.iter().partition(|g| g.is_good(view.now_ms));
    ended.reverse();
    html! {
        @if let Some(made) = view.made { (token(made)) }
        section aria-labelledby="good" {
            h2 #good { "Who has a grant" }
            table.stacked {
                caption { "A grant is a token with a role. The hub keeps no token, only its digest." }
                thead { tr {
                    th scope="col" { "Number" } th scope="col" { "For" } th scope="col" { "Role" } th scope="col" { "Site" }
                    th scope="col" { "Made" } th scope="col" { "Ends" } th scope="col" { "Revoke" }
                } }
                tbody { @for grant in good { (good_line(grant, view, reader)) } }
            }
        }
        (make(view, reader))
        @if !ended.is_empty() {
            section aria-labelledby="ended" {
                h2 #ended { "Ended" }
                table.stacked {
                    caption { "Revoked or expired, the newest first." }
                    thead { tr { th scope="col" { "Number" } th scope="col" { "For" } th scope="col" { "Role" } th scope="col" { "Site" } th scope="col" { "Ended" } } }
                    tbody {
                        @for g in ended.iter().take(MAX_ENDED) {
                            tr {
                                th scope="row" { (g.grant_id) }
                                td data-name="For" { (g.label) }
                                td data-name="Role" { (g.role.name()) }
                                td data-name="Site" { (site(g)) }
                                td data-name="Ended" { (ending(g)) }
                            }
                        }
                    }
                }
            }
        }
        section aria-labelledby="may" {
            h2 #may { "What each role may" }
            dl.list {
                div { dt { "admin" } dd { "everything" } }
                div { dt { "technician" } dd { "read, log visits, ask for checks, put off, hold" } }
                div { dt { "auditor" } dd { "read and export, change nothing" } }
            }
            p.soft { "With a site, a grant shows and changes the laptops of that site alone. Laptops have no grant: each proves itself by its own key." }
        }
    }
}

fn token(made: &Made) -> Markup {
    html! {
        section.made-token role="status" aria-labelledby="made" {
            h2 #made { "Grant " (made.grant_id) " for " (made.label) ", " (made.role.name()) }
            p { "Its token, shown this once. Copy it now and hand it over by a way that you trust:" }
            p { code.secret { (made.token.reveal()) } }
            p { "In a browser it is typed into the sign-in page; a program sends it as " code { "Authorization: Bearer TOKEN" } "." }
        }
    }
}

fn good_line(g: &Grant, view: &View<'_>, reader: &Reader) -> Markup {
    let is_own = g.grant_id == view.own_grant_id;
    html! {
        tr {
            th scope="row" { (g.grant_id) }
            td data-name="For" { (g.label) @if is_own { " " span.soft { "(you)" } } }
            td data-name="Role" { (g.role.name()) }
            td data-name="Site" { (site(g)) }
            td data-name="Made" { (words::day_of(g.created_at_ms)) }
            td data-name="Ends" { @match g.expires_at_ms { Some(end) => (words::day_of(end)), None => "when revoked" } }
            td data-name="Revoke" {
                @if is_own {
                    span.soft { "not by itself" }
                } @else if reader.may_change {
                    form method="post" action="/roles/revoke" {
                        (layout::form_token(reader))
                        input type="hidden" name="grant" value=(g.grant_id);
                        button.quiet type="submit" { "Revoke" span.hidden { " grant " (g.grant_id) " for " (g.label) } }
                    }
                }
            }
        }
    }
}

fn site(g: &Grant) -> Markup {
    html! { @match &g.site { Some(site) => (site), None => span.soft { "all" } } }
}

fn ending(g: &Grant) -> Markup {
    match (g.revoked_at_ms, g.expires_at_ms) {
        (Some(at), _) => html! { "revoked " (words::day_of(at)) },
        (None, Some(at)) => html! { "expired " (words::day_of(at)) },
        (None, None) => html! { "–" },
    }
}

fn make(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        section aria-labelledby="make" {
            h2 #make { "Make a grant" }
            form.form.no-print method="post" action="/roles" {
                (layout::form_token(reader))
                fieldset {
                    legend { "Role" }
                    @for role in Role::ALL {
                        label { input type="radio" name="role" value=(role.name()) required; " " (role.name()) }
                    }
                }
                div { label for="name" { "For whom, in your own word" } input #name type="text" name="name" maxlength="100" required autocomplete="off"; }
                div {
                    label for="site" { "Site" }
                    select #site name="site" {
                        option value="" { "all sites" }
                        @for site in view.sites { option value=(site) { (site) } }
                    }
                }
                div {
                    label for="days" { "Ends after" }
                    select #days name="days" {
                        option value="" { "no end, until revoked" }
                        @for days in DAYS { option value=(days) selected[days == 90] { (days) " days" } }
                    }
                }
                button type="submit" { "Make the grant" }
            }
        }
    }
}
