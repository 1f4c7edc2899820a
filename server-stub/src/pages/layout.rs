//! The frame around every page: head, navigation, notices, foot; and what a browser may do with it.

use std::sync::LazyLock;

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use sha2::{Digest as _, Sha256};
use windrow_model::{METHOD_VERSION, chart};

/// What a browser may do with a page: show it, take our own style sheet and mark, send forms back here. No script.
pub const POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; \
                          base-uri 'none'; frame-ancestors 'none'";

/// The style sheet.
pub static STYLE: LazyLock<String> = LazyLock::new(|| [chart::STYLE, include_str!("style.css")].concat());

/// The mark in the browser's tab: a pen's trace on chart paper.
pub const MARK: &str = concat!(
    r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" fill="#fdfbf4"/>"##,
    r##"<path d="M8 0V32M16 0V32M24 0V32M0 8H32M0 16H32M0 24H32" stroke="#dccfae"/>"##,
    r##"<path d="M2 26H8L13 8L18 7C21 16 24 22 30 24" fill="none" stroke="#a3301b" stroke-width="2.5"/></svg>"##
);

/// Address of the style sheet: its digest is in it, so that it may be kept for ever.
pub static STYLE_ADDRESS: LazyLock<String> =
    LazyLock::new(|| format!("/assets/windrow.css?{}", &hex::encode(Sha256::digest(STYLE.as_bytes()))[..16]));

/// Where the reader is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Room {
    /// The ranked laptops.
    ServiceList,
    /// References per model.
    Models,
    /// Technicians' days.
    Rounds,
    /// Coverage, exports, ledger.
    Audit,
    /// Scope list and placing.
    Places,
    /// Who may do what.
    Roles,
    /// None of these: sign-in, errors.
    Elsewhere,
}

impl Room {
    /// Those in the navigation, in its order.
    pub const ALL: [Self; 6] =
        [Self::ServiceList, Self::Rounds, Self::Models, Self::Places, Self::Audit, Self::Roles];

    /// As a person reads it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::ServiceList => "Service list",
            Self::Models => "Models",
            Self::Rounds => "Rounds",
            Self::Audit => "Audit",
            Self::Places => "Places",
            Self::Roles => "Roles",
            Self::Elsewhere => "",
        }
    }

    /// Its address.
    pub const fn address(self) -> &'static str {
        match self {
            Self::ServiceList | Self::Elsewhere => "/",
            Self::Models => "/models",
            Self::Rounds => "/rounds",
            Self::Audit => "/audit",
            Self::Places => "/places",
            Self::Roles => "/roles",
        }
    }
}

/// Who reads, as far as the frame shows it.
#[derive(Debug, Clone)]
pub struct Reader {
    /// What the token was granted to: a name that the administrator chose.
    pub name: String,
    /// Role in words.
    pub role: &'static str,
    /// Rooms that the role may enter.
    pub rooms: Vec<Room>,
    /// Whether changes may be made: then forms are shown.
    pub may_change: bool,
    /// Goes back with every form, so that no other site can send one.
    pub form_token: String,
}

/// Something to say at the head of a page: what a form did, or why it didn't.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// It was done.
    Done(String),
    /// It was not, and what to do.
    Refused(String),
}

/// A page without its frame.
#[derive(Debug)]
pub struct Content<'a> {
    /// Title, also of the first heading.
    pub title: &'a str,
    /// Where the reader is.
    pub room: Room,
    /// A class of the page's own, for its print form.
    pub class: &'static str,
    /// What to say first.
    pub notice: Option<&'a Notice>,
    /// All below the heading.
    pub body: Markup,
}

/// The page in its frame.
pub fn page(content: &Content<'_>, reader: Option<&Reader>) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="same-origin";
                title { (content.title) " – Windrow" }
                link rel="stylesheet" href=(*STYLE_ADDRESS);
                link rel="icon" href="/assets/mark.svg" type="image/svg+xml";
            }
            body class=(content.class) {
                a.skip href="#content" { "Skip to the content" }
                (head(content.room, reader))
                main #content tabindex="-1" {
                    h1 { (content.title) }
                    @if let Some(notice) = content.notice { (notice_line(notice)) }
                    (content.body)
                }
                footer.foot {
                    p { "Windrow " (env!("CARGO_PKG_VERSION")) ", method " (METHOD_VERSION) ". Times are UTC." }
                }
            }
        }
    }
}

fn head(room: Room, reader: Option<&Reader>) -> Markup {
    html! {
        header.head {
            p.brand { "Windrow" }
            @if let Some(reader) = reader {
                nav aria-label="Pages" {
                    ul {
                        @for to in Room::ALL.into_iter().filter(|r| reader.rooms.contains(r)) {
                            li { a href=(to.address()) aria-current=[(to == room).then_some("page")] { (to.name()) } }
                        }
                    }
                }
                form.sign-out method="post" action="/sign-out" {
                    (form_token(reader))
                    span { (reader.name) ", " (reader.role) }
                    button.quiet type="submit" { "Sign out" }
                }
            }
        }
    }
}

/// The field that proves that a form came from our own page.
pub fn form_token(reader: &Reader) -> Markup {
    html! { input type="hidden" name="csrf" value=(reader.form_token); }
}

fn notice_line(notice: &Notice) -> Markup {
    match notice {
        Notice::Done(words) => html! { p.said role="status" { (words) } },
        Notice::Refused(words) => html! { p.said.refused role="alert" { (words) } },
    }
}

/// A page as a response, with what a browser may do with it.
pub fn respond(status: StatusCode, page: Markup) -> Response {
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8")),
        (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY)),
        (header::REFERRER_POLICY, HeaderValue::from_static("same-origin")),
        (header::X_FRAME_OPTIONS, HeaderValue::from_static("DENY")),
    ];
    (status, headers, page.into_string()).into_response()
}
