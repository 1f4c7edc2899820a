//! What things cost: the one file, to be read and changed.

use maud::{Markup, html};

use super::layout::{Reader, form_token};
use super::words;
use crate::costs::in_force::Source;

/// What the page shows.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The file's text, as it stands or as it was typed.
    pub toml: &'a str,
    /// Whose costs count now.
    pub source: Source,
    /// Whether the reader may set them.
    pub may_set: bool,
}

/// The page, without its frame.
pub fn body(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        p.lead { "Minutes, money, trips, spare units and days off that rounds are planned with and visits are weighed by." }
        p { (counts(view.source)) }
        @if view.may_set && view.source != Source::File {
            form.form.wide method="post" action="/rounds/costs" {
                (form_token(reader))
                div {
                    label for="costs" { "Costs, as TOML" }
                    textarea.file #costs name="costs" rows=(rows(view.toml)) spellcheck="false" autocomplete="off" required aria-describedby="costs-hint" { (view.toml) }
                    p.hint #costs-hint { "A line that is left out has its default; each says what it means. The same file goes by " code { "windrow-hub rounds costs --set costs.toml" } "." }
                }
                p { button type="submit" { "Set these costs" } }
            }
        } @else if view.source != Source::File {
            pre.file tabindex="0" aria-label="Costs, as TOML" { (view.toml) }
        }
        p { a href="/rounds" { "Back to the rounds" } }
    }
}

fn counts(source: Source) -> Markup {
    html! {
        @match source {
            Source::File => { "The hub was started with " code { "--costs" } ": that file counts, and it is changed there." },
            Source::Set { at_ms, .. } => { "Set " (words::minute_of(at_ms)) "; the next plan and the next judgement go by them." },
            Source::Defaults => { "Nobody has set any: these are the defaults, our choice and no source. Put in what holds for you." },
        }
    }
}

fn rows(toml: &str) -> usize {
    toml.lines().count().clamp(12, 40) + 1
}
