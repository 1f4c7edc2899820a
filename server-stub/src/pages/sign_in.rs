//! The way in.

use maud::{Markup, html};

use super::layout::{self, Content, Notice, Room};

/// The sign-in page; `to` is where one goes then, a path of this hub.
pub fn page(to: &str, complaint: Option<&str>) -> Markup {
    let body = html! {
        form.form method="post" action="/sign-in" {
            div {
                label for="token" { "Token" }
                input #token name="token" type="password" autocomplete="current-password" required maxlength="100";
                p.hint { "An administrator makes one with " code { "windrow-hub grant" } "." }
            }
            input type="hidden" name="to" value=(to);
            p { button type="submit" { "Sign in" } }
        }
        // A link from another site brings no cookie along; one from here does.
        p { a href=(to) { "I am signed in already" } }
    };
    let notice = complaint.map(|why| Notice::Refused(why.to_owned()));
    let content =
        Content { title: "Sign in", room: Room::Elsewhere, class: "sign-in", notice: notice.as_ref(), body };
    layout::page(&content, None)
}
