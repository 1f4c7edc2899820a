//! Posting to a hub that serves TLS: its certificate is believed by the authority that was named, and by nobody else's.

use serde_json::Value;

use crate::support::agent::Agent;
use crate::support::certificates::{Certificates, text};
use crate::support::hub::Hub;

fn said(agent: &Agent, code: i32, args: &[&str]) -> String {
    let output = agent.run(args);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(code), "{args:?}: {said}");
    said
}

#[test]
fn a_check_reaches_a_hub_over_tls_by_the_authority_that_was_named() {
    let certificates = Certificates::for_name("127.0.0.1");
    let hub = Hub::new();
    let serving = certificates.serve(&hub);
    assert!(serving.url.starts_with("https://"), "{}", serving.url);
    let agent = Agent::new();
    let invite = hub.invite(1);
    agent.run_to(0, &["join", &serving.url, "--invite", &invite, "--ca-file", &certificates.authority()]);
    // From here on the authority is remembered; its file may go.
    std::fs::remove_file(certificates.file("ca.pem")).expect("removed");
    let checked: Value =
        serde_json::from_str(&agent.run_to(0, &["check", "--emulate", "--json"])).expect("JSON");
    assert_eq!(checked["sent"]["n_sent"], 1, "{checked}");
    assert_eq!(hub.stored().0.len(), 1);
    // Plain HTTP at that port is no hub.
    let plain = format!("http://{}", serving.address);
    said(&agent, 5, &["check", "--emulate", "--hub", &plain]);
}

#[test]
fn an_unknown_certificate_is_refused_and_the_record_stays() {
    let certificates = Certificates::for_name("127.0.0.1");
    let hub = Hub::new();
    let serving = certificates.serve(&hub);
    let agent = Agent::new();
    let invite = hub.invite(1);
    // No authority named: the system's roots don't know this one. Another's certificate doesn't help.
    let lost_file = certificates.file("none.pem");
    let strangers = Certificates::for_name("127.0.0.1");
    for args in [
        vec!["join", &serving.url, "--invite", &invite],
        vec!["join", &serving.url, "--invite", &invite, "--ca-file", &strangers.authority()],
    ] {
        let said = said(&agent, 1, &args);
        assert!(said.contains("its certificate is not one that this machine trusts"), "{said}");
        assert!(said.contains("do this: ") && said.contains("--ca-file"), "{said}");
    }
    let lost = said(&agent, 2, &["join", &serving.url, "--invite", &invite, "--ca-file", &text(&lost_file)]);
    assert!(lost.contains("cannot read the authority's certificate"), "{lost}");

    let waits = said(&agent, 5, &["check", "--emulate", "--hub", &serving.url]);
    assert!(waits.contains("Not sent to https://127.0.0.1"), "{waits}");
    assert!(waits.contains("its certificate is not one that this machine trusts"), "{waits}");
    assert!(waits.contains("1 record waits in the spool."), "{waits}");
    assert_eq!(agent.records("spool").len(), 1);
    assert_eq!(hub.stored().0.len(), 0);
}

#[test]
fn a_certificate_for_another_name_is_refused() {
    let certificates = Certificates::for_name("hub.example");
    let hub = Hub::new();
    let serving = certificates.serve(&hub);
    let invite = hub.invite(1);
    let said = said(
        &Agent::new(),
        1,
        &["join", &serving.url, "--invite", &invite, "--ca-file", &certificates.authority()],
    );
    assert!(said.contains("its certificate is not one that this machine trusts"), "{said}");
}
