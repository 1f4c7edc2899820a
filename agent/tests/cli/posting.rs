//! From the spool to a hub: patience, refusals, and nothing lost.

use std::collections::VecDeque;
use std::process::Stdio;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};

use windrow::post::{Answer, Patience, SendReport, Transport, TransportError, Wait, send_all};
use windrow_model::record::ReceivedRecord;
use windrow_model::record::enrol::EnrolmentRequest;

use crate::fake_hub::{FakeHub, STORED, Script};
use crate::runner::{Runner, Said};

/// A hub of this process, and a clock that only counts.
#[derive(Default)]
struct Scripted {
    answers: VecDeque<Result<Answer, TransportError>>,
    bodies: Vec<Vec<u8>>,
}

impl Transport for Scripted {
    fn post(&mut self, endpoint: &str, body: &[u8]) -> Result<Answer, TransportError> {
        assert_eq!(endpoint, "v1/records");
        self.bodies.push(body.to_vec());
        self.answers.pop_front().expect("more was asked than scripted")
    }
}

#[derive(Default)]
struct Counting {
    waited_s: Vec<f64>,
}

impl Wait for Counting {
    fn wait(&mut self, time: Duration) {
        self.waited_s.push(time.as_secs_f64());
    }

    fn draw(&mut self) -> f64 {
        0.5
    }
}

fn answered(status: u16) -> Answer {
    Answer { status, ..Answer::default() }
}

fn send(runner: &Runner, answers: Vec<Result<Answer, TransportError>>) -> (SendReport, Scripted, Vec<f64>) {
    let mut hub = Scripted { answers: answers.into(), bodies: Vec::new() };
    let mut wait = Counting::default();
    let report = send_all(&runner.spool(), &mut hub, &mut wait, Patience::SEND).unwrap();
    (report, hub, wait.waited_s)
}

#[test]
fn an_outage_is_waited_out_and_the_same_bytes_go_again() {
    let runner = Runner::new();
    runner.records(1);
    let busy = Ok(Answer { status: 503, retry_after_s: Some(9), body: Vec::new() });
    let (report, hub, waited_s) =
        send(&runner, vec![Err(TransportError::NoAnswer("cut".into())), busy, Ok(answered(200))]);
    assert_eq!((report.n_sent, report.n_waiting), (1, 0));
    assert_eq!(waited_s, [0.5, 10.0]);
    assert!(hub.bodies.windows(2).all(|w| w[0] == w[1]));
    assert_eq!(runner.spool().past().unwrap().len(), 1);
}

#[test]
fn a_record_refused_for_good_is_set_aside_and_the_rest_goes_on() {
    let runner = Runner::new();
    runner.records(3);
    let body = br#"{"type":"urn:windrow:problem:bad_signature","detail":"not this key's","field":"header.signature"}"#;
    let refused = Ok(Answer { status: 403, retry_after_s: None, body: body.to_vec() });
    let (report, _, _) = send(&runner, vec![Ok(answered(201)), refused, Ok(answered(201))]);
    assert_eq!((report.n_sent, report.n_waiting, report.set_aside.len()), (2, 0, 1));
    assert!(report.set_aside[0].why.contains("`header.signature`"));
    let reason = report.set_aside[0].path.with_extension("reason.txt");
    assert!(std::fs::read_to_string(reason).unwrap().contains("not this key's"));
    // The set-aside record is still a link: the next one follows the third.
    runner.records(1);
    assert_eq!(runner.spool().waiting().unwrap()[0].name.sequence, 4);
}

#[test]
fn an_unknown_device_stops_it_and_everything_stays() {
    let runner = Runner::new();
    runner.records(2);
    let (report, hub, _) = send(&runner, vec![Ok(answered(401))]);
    assert_eq!((report.n_sent, report.n_waiting, hub.bodies.len()), (0, 2, 1));
    assert!(report.advice.unwrap().contains("windrow join"));
}

#[test]
fn patience_ends_and_everything_stays() {
    let runner = Runner::new();
    runner.records(1);
    let (report, hub, waited_s) = send(&runner, (0..8).map(|_| Ok(answered(500))).collect());
    assert_eq!((report.n_sent, report.n_waiting, hub.bodies.len()), (0, 1, 8));
    assert_eq!(waited_s.len(), 7);
    let long = Ok(Answer { status: 429, retry_after_s: Some(86_400), body: Vec::new() });
    let (report, _, waited_s) = send(&runner, vec![long]);
    assert!(waited_s.is_empty(), "a day is not waited for");
    assert!(report.gave_up.unwrap().contains("86400 s"));
}

#[test]
fn join_check_and_send_over_real_http() {
    let runner = Runner::new();
    // A joined hub is asked for the model's reference before the verdict; this one has none.
    let no_reference = Script::Answer(404, "", r#"{"type":"urn:windrow:problem:no_reference_yet"}"#);
    let hub = FakeHub::new(vec![Script::Answer(201, "", "{}"), no_reference, STORED, STORED]);
    let said = runner.expect(&["join", &hub.url, "--invite", "7QKX-TEST"], 0);
    assert!(said.stdout.starts_with("Joined http://127.0.0.1"), "{}", said.stdout);
    let enrolment = hub.asked();
    assert_eq!(enrolment.path, "/v1/devices");
    let enrolled = EnrolmentRequest::parse_and_verify(&enrolment.body).unwrap();
    assert_eq!(enrolled.invite, "7QKX-TEST");

    runner.expect(&["check", "--emulate", "--keep"], 0);
    let said = runner.expect(&["check", "--emulate", "--seed", "2"], 0);
    assert!(said.stderr.contains("Sent 2 records to http://127.0.0.1"), "{}", said.stderr);
    let asked_of_it = hub.all_asked();
    let (reference, records) = asked_of_it.split_first().unwrap();
    assert!(
        reference.path.starts_with("/v1/models/") && reference.path.ends_with("/reference"),
        "{reference:?}"
    );
    for (n, asked) in records.iter().enumerate() {
        assert_eq!(asked.path, "/v1/records");
        let verified = ReceivedRecord::parse(&asked.body).unwrap();
        let header = &verified.record().header;
        assert_eq!((header.sequence, header.device_id.as_str()), (n as u64 + 1, enrolled.device_id.as_str()));
        verified.verify(&enrolled.public_key).unwrap();
    }
    assert!(runner.snapshot(&["past"]).contains("sent"));
    assert!(runner.expect(&["send"], 0).stdout.contains("Nothing waits."));
}

#[test]
fn a_hub_that_refuses_the_invite_is_not_remembered() {
    let runner = Runner::new();
    let problem =
        r#"{"type":"urn:windrow:problem:invite_used","detail":"this invite was used","field":"invite"}"#;
    let hub = FakeHub::new(vec![Script::Answer(403, "Content-Type: application/problem+json\r\n", problem)]);
    let said = runner.expect(&["join", &hub.url, "--invite", "7QKX-TEST"], 1);
    assert!(
        said.stderr.contains("this invite was used") && said.stderr.contains("do this: ask"),
        "{}",
        said.stderr
    );
    assert!(!runner.state().file("hub.json").exists());
}

/// Sends the signal once the hub has been asked, and never answers.
#[track_caller]
fn stopped_while_posting(runner: &Runner, args: &[&str], hub: &FakeHub, signal: Signal) -> Said {
    let child = runner.command(args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    hub.asked();
    kill_process(Pid::from_raw(child.id().cast_signed()).unwrap(), signal).unwrap();
    Said::of(&child.wait_with_output().unwrap(), runner.folder())
}

#[test]
fn a_signal_ends_the_post_and_the_record_waits() {
    let runner = Runner::new();
    let hub = FakeHub::new(vec![Script::Silence, Script::Silence]);
    let args = ["check", "--emulate", "--hub", &hub.url];
    let said = stopped_while_posting(&runner, &args, &hub, Signal::INT);
    assert_eq!(said.code, Some(5), "{}", said.whole());
    assert!(said.stdout.contains("Verdict:"), "{}", said.whole());
    for words in
        ["Not sent to ", ": you stopped it", "1 record waits in the spool.", "do this: run `windrow send`"]
    {
        assert!(said.stderr.contains(words), "{words}: {}", said.whole());
    }
    assert_eq!(runner.spool().waiting().unwrap().len(), 1);
    let said = stopped_while_posting(&runner, &["send", "--hub", &hub.url], &hub, Signal::TERM);
    assert_eq!(said.code, Some(5), "{}", said.whole());
    assert!(said.stderr.contains("the system asked the program to end"), "{}", said.whole());
    assert_eq!(runner.spool().waiting().unwrap().len(), 1);
}

#[test]
fn a_hub_that_wants_another_check_is_heard() {
    let runner = Runner::new();
    let body = r#"{"results":[],"check_wanted_by":"2027-03-01T00:00:00Z"}"#;
    let hub = FakeHub::new(vec![Script::Answer(200, "", body)]);
    let said = runner.expect(&["check", "--emulate", "--hub", &hub.url], 0);
    assert!(said.stderr.contains("The hub wants a check by"), "{}", said.stderr);
    // It is kept, and told again where one looks at checks.
    for args in [&["past"][..], &["schedule"], &["check", "--emulate", "--keep", "--yes"]] {
        let said = runner.expect(args, 0);
        let words = said.whole().split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains("wants a check by [DATE] [CLOCK] UTC"), "{args:?}: {words}");
    }
    // An emulated check doesn't answer it; the hub's next acknowledgement may take it back.
    let hub = FakeHub::new(vec![STORED]);
    runner.expect(&["send", "--hub", &hub.url], 0);
    assert!(!runner.expect(&["past"], 0).whole().contains("wants a check"));
}
