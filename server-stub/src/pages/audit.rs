//! The Audit page: coverage by site, exports, the ledger's head, and what a file that was dropped in says.

use chrono::{DateTime, NaiveDate};
use maud::{Markup, html};

use super::layout::{Reader, form_token};
use super::words;
use crate::coverage::CoverageCounts;
use crate::export::format::Format;
use crate::export::tables::Which;
use crate::ledger::head::SignedHead;
use crate::verify::Report;

/// All that the page shows.
#[derive(Debug)]
pub struct View<'a> {
    /// What rests on a judgement of the fleet; without one, why there is none, in short and with what becomes of it.
    pub judged: Result<Judged, (&'static str, &'static str)>,
    /// Whether exports may be had: they are of the whole fleet.
    pub may_export: bool,
    /// The ledger's head; `None`: none can be signed.
    pub head: Option<&'a SignedHead>,
    /// Largest file that may be verified here, MiB: packed, unpacked.
    pub limits_mib: (u64, u64),
}

/// What of the page rests on a judgement.
#[derive(Debug)]
pub struct Judged {
    /// Coverage by site, by name; an empty name: no site is known.
    pub sites: Vec<(String, CoverageCounts)>,
    /// As of when the fleet was last judged.
    pub as_of: NaiveDate,
}

/// The page.
pub fn body(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        @match &view.judged {
            Ok(judged) => (coverage(judged)),
            Err((why, then)) => (no_coverage(why, then)),
        }
        (exports(view))
        (ledger(view.head))
        (verification(view.limits_mib, reader))
    }
}

/// A column of the coverage table.
type Count = fn(&CoverageCounts) -> usize;

/// Where the coverage would stand.
fn no_coverage(why: &str, then: &str) -> Markup {
    html! {
        section aria-labelledby="coverage" {
            h2 #coverage { "Coverage by site" }
            p.said.refused role="alert" { (words::capital(why)) ": " (then) "." }
            p { "Coverage counts what a judgement tells of each laptop's checks. The ledger, the tables of what is stored, and the verification of a file are here all the same." }
        }
    }
}

fn coverage(judged: &Judged) -> Markup {
    let total = |of: Count| judged.sites.iter().map(|(_, c)| of(c)).sum::<usize>();
    let rows: [(&str, Count); 6] = [
        ("Should be checked", CoverageCounts::n_due),
        ("Checked in the last 30 days", |c| c.n_checked),
        ("Checked, but cannot tell", |c| c.n_cannot_tell),
        ("Not checked", CoverageCounts::n_not_checked),
        ("Excluded or not due", |c| c.n_excluded + c.n_not_due),
        ("Not in the list", |c| c.n_not_in_list),
    ];
    html! {
        section aria-labelledby="coverage" {
            h2 #coverage { "Coverage by site" }
            @if judged.sites.is_empty() {
                p.lead { "No laptop is listed, and none is known yet." }
                p.soft { "Coverage counts against a list of the laptops that should be checked; an administrator imports one with "
                    code { "windrow-hub scope import LIST.csv" } "." }
            } @else {
                table.stacked {
                    caption { "As the fleet was last judged, " (judged.as_of) ". Why a laptop wasn't checked stands in the coverage table below." }
                    thead { tr {
                        th scope="col" { "Site" }
                        @for (name, _) in rows { th.value scope="col" { (name) } }
                        th.value scope="col" { "Share checked" }
                    } }
                    tbody {
                        @for (site, counts) in &judged.sites {
                            tr {
                                th scope="row" { @if site.is_empty() { "no site known" } @else { (site) } }
                                @for (name, of) in rows { td.value data-name=(name) { (words::grouped(of(counts))) } }
                                td.value data-name="Share checked" { (share(counts.checked_share())) }
                            }
                        }
                        @if judged.sites.len() > 1 {
                            tr {
                                th scope="row" { b { "All sites" } }
                                @for (name, of) in rows { td.value data-name=(name) { b { (words::grouped(total(of))) } } }
                                td.value data-name="Share checked" { b { (share(share_of_all(&judged.sites))) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn share(share: Option<f64>) -> String {
    share.map_or_else(|| "–".to_owned(), words::percent)
}

fn share_of_all(sites: &[(String, CoverageCounts)]) -> Option<f64> {
    let n_due: usize = sites.iter().map(|(_, c)| c.n_due()).sum();
    let n_checked: usize = sites.iter().map(|(_, c)| c.n_checked + c.n_cannot_tell).sum();
    (n_due > 0).then(|| n_checked as f64 / n_due as f64)
}

fn exports(view: &View<'_>) -> Markup {
    html! {
        section aria-labelledby="exports" {
            h2 #exports { "Exports" }
            @if !view.may_export {
                p { "An export is of the whole fleet, and your grant is for one site." }
            } @else if view.judged.is_ok() {
                p {
                    "The audit export is a zip with every table below, the ledger's head, proofs and sums, sealed by the hub. "
                    "Anybody can verify it without the hub; with the records, the evidence itself is in it."
                }
                ul.downloads {
                    li { a href="/v1/exports/audit" download { "Audit export" } }
                    li { a href="/v1/exports/audit?with_records=true" download { "Audit export with the records" } }
                }
                (tables(&Which::ALL))
            } @else {
                p {
                    "The audit export and the fleet and coverage tables rest on a judgement, and come back with it. "
                    "These are as they are stored now."
                }
                (tables(&Which::ALL.into_iter().filter(|which| !which.is_judged()).collect::<Vec<_>>()))
            }
        }
    }
}

fn tables(which: &[Which]) -> Markup {
    html! {
        table.stacked.forms {
            caption { "Single tables. Only the audit export proves that a table is unaltered." }
            thead { tr { th scope="col" { "Table" } th scope="col" { "Holds" } th scope="col" { "Download as" } } }
            tbody { @for which in which { (table_row(*which)) } }
        }
    }
}

fn table_row(which: Which) -> Markup {
    let holds = match which {
        Which::Fleet => "one row a laptop, most urgent first",
        Which::Coverage => "one row a laptop that should be checked, and one that nobody listed",
        Which::Runs => "one row a check, with its place in the ledger",
        Which::Visits => "one row a visit's entry, corrections too",
    };
    html! {
        tr {
            th scope="row" { (words::capital(which.name())) }
            td data-name="Holds" { (holds) }
            td data-name="Download as" {
                @for format in Format::ALL {
                    @let name = format.name().to_uppercase();
                    a href={ "/v1/exports/" (which.name()) "?format=" (format.name()) } download
                        aria-label={ (name) ", " (which.name()) } { (name) }
                    " "
                }
            }
        }
    }
}

fn ledger(head: Option<&SignedHead>) -> Markup {
    html! {
        section aria-labelledby="ledger" {
            h2 #ledger { "Ledger" }
            @match head {
                Some(head) => {
                    p {
                        "Every record and every change of facts is a leaf of the ledger. Keep each head that you get: a later export "
                        "that doesn't extend it was cut, rewritten or forked."
                    }
                    dl.list.ledger-head {
                        div { dt { "Leaves" } dd { (words::grouped(head.tree_size as usize)) } }
                        div { dt { "First signed" } dd { (time(head.timestamp_ms)) " UTC" } }
                        div { dt { "Log id" } dd.digest { (head.log_id) } }
                        div { dt { "Root" } dd.digest { (head.root_hash) } }
                        div { dt { "Signed by" } dd.digest { (head.signer()) } }
                    }
                    p { a href="/v1/ledger/head" download="head.json" { "Signed head (JSON)" } }
                }
                None => p.said.refused role="alert" { "The hub cannot sign a head now; its log says why." },
            }
        }
    }
}

fn verification((packed, unpacked): (u64, u64), reader: &Reader) -> Markup {
    html! {
        section aria-labelledby="verify" {
            h2 #verify { "Verify a file" }
            @if reader.form_token.is_empty() {
                p { "Sign in with a browser to drop a file here, or run " code { "windrow-hub verify FILE" } "." }
            } @else {
                form.form method="post" action="/audit/verify" enctype="multipart/form-data" {
                    (form_token(reader))
                    div.drop {
                        label for="export" { "An audit export (zip): choose it, or drop it on the field" }
                        input #export type="file" name="export" accept=".zip,application/zip" required aria-describedby="bounds";
                        p.hint #bounds { "At most " (packed) " MiB, " (unpacked) " MiB unpacked. It is read, and not kept." }
                    }
                    div {
                        label for="head" { "A head from before, which it must extend (optional)" }
                        input #head type="file" name="head" accept=".json,application/json";
                    }
                    button type="submit" { "Verify" }
                }
                p.soft { "A hub that vouches for its own export proves little: verify on another machine too, with "
                    code { "windrow-hub verify FILE" } " or a program of your own." }
            }
        }
    }
}

/// What a verification found.
pub fn verified(report: &Report, name: &str) -> Markup {
    let is_good = report.findings.is_empty();
    let n_more = report.n_findings_untold;
    html! {
        p.headline.(if is_good { "no-visit" } else { "pull-now" }) role="status" {
            @if is_good { "Nothing in " b { (name) } " was altered." } @else { b { (name) } " is not as the hub gave it out." }
        }
        @if !is_good {
            table.stacked.findings {
                caption { "What doesn't hold." @if n_more > 0 { " And " (words::count(n_more, "more place", "more places")) "." } }
                thead { tr { th scope="col" { "File" } th.value scope="col" { "Line" } th scope="col" { "What" } } }
                tbody {
                    @for finding in &report.findings {
                        tr {
                            th scope="row" { code { (finding.file) } }
                            td.value data-name="Line" { @match finding.line { Some(line) => (words::grouped(line as usize)), None => "–" } }
                            td data-name="What" { (words::marked(&finding.what)) }
                        }
                    }
                }
            }
        }
        dl.list.ledger-head {
            div { dt { "Log id" } dd {
                span.digest { (or_dash(&report.log_id)) }
                span.hint { " Is it the one that you were told by another way?" }
            } }
            div { dt { "Head" } dd { (words::grouped(report.tree_size as usize)) " leaves, first signed " (time(report.signed_at_ms)) } }
            div { dt { "Checked" } dd {
                (words::count(report.n_files, "file", "files")) ", " (words::count(report.n_leaves, "leaf", "leaves")) ", "
                (words::count(report.n_events, "event", "events")) ", " (words::count(report.n_proofs, "proof", "proofs")) ", "
                (words::count(report.n_rows, "row", "rows")) ", " (words::count(report.n_records, "record", "records"))
            } }
            @if report.n_erased > 0 {
                div { dt { "Erased" } dd {
                    "the texts of " (words::count(report.n_erased, "entry", "entries")) ", on purpose and as the ledger says; their proofs hold"
                } }
            }
            div { dt { "Older head" } dd {
                @match report.old_tree_size {
                    Some(size) => { "held against one of " (words::count(size as usize, "leaf", "leaves")) },
                    None => "none was given: that the ledger was not cut or rewritten before is not shown",
                }
            } }
        }
        p { a href="/audit" { "Back to the audit page" } }
    }
}

fn or_dash(text: &str) -> &str {
    if text.is_empty() { "–" } else { text }
}

fn time(ms: u64) -> String {
    let time = DateTime::from_timestamp_millis(ms.cast_signed());
    time.map_or_else(|| "–".to_owned(), |t| t.format("%Y-%m-%d %H:%M").to_string())
}
