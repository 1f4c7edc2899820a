//! What the hub's tests share: laptops that sign, a real hub on a free port, and a plain HTTP client.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use chrono::DateTime;
use serde_json::Value;
use tempfile::TempDir;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use windrow_model::METHOD_VERSION;
use windrow_model::condition::standing::ModelStanding;
use windrow_model::emulate::{Faults, RunPlan, model_of, record_run};
use windrow_model::protocol::Protocol;
use windrow_model::record::wire::{
    Ambient, AmbientSource, Context, Emulation, Header, LoadMix, Model, Outcome, Platform, Provenance,
    WireTrace,
};
use windrow_model::record::{Digest, SignedRecord, SigningIdentity, chain};

use crate::access::{Role, Secret};
use crate::clock::WallClock;
use crate::costs::Costs;
use crate::http::{self, Hub, Limits, Listening};
use crate::ingest;
use crate::invite;
use crate::learning;
use crate::pages::showroom::Showroom;
use crate::scoring::ModelOf;
use crate::showing;
use crate::store::access::{AccessStore, Granted, NewGrant};
use crate::store::judgements::JudgementStore as _;
use crate::store::sql::SqlStore;
use crate::store::{NewInvite, RunFacts, Store};

/// 2026-01-31T08:00:00Z.
pub(crate) const START_MS: i64 = 1_769_846_400_000;
/// Longest wait for an answer: reached only when a test fails.
const PATIENCE: Duration = Duration::from_secs(30);

/// A laptop of the tests: it signs records in a chain.
pub(crate) struct Laptop {
    pub(crate) identity: SigningIdentity,
    sequence: u64,
    previous: Digest,
}

impl Laptop {
    pub(crate) fn new(seed: u8) -> Self {
        let device_id = format!("{seed:02x}").repeat(16);
        let identity = SigningIdentity::from_secret(&device_id, &[seed; 32]).unwrap();
        let previous = chain::root(&device_id, &identity.public_key());
        Self { identity, sequence: 0, previous }
    }

    pub(crate) fn device_id(&self) -> String {
        self.identity.device_id().to_owned()
    }

    /// The next record of the chain, of a short made-up trace.
    pub(crate) fn check(&mut self) -> SignedRecord {
        self.sequence += 1;
        let record = self.sign(self.sequence, self.previous, |_| ());
        self.previous = record.digest;
        record
    }

    /// The next record of the chain, of a whole emulated run in a room of known temperature.
    pub(crate) fn whole_check(&mut self, product: &str, plan: &RunPlan, started_at: &str) -> SignedRecord {
        self.sequence += 1;
        let mut header = header();
        header.sequence = self.sequence;
        header.previous_digest = self.previous.to_hex();
        started_at.clone_into(&mut header.started_at);
        header.context.ambient = Some(Ambient { value_c: 22.0, sd_k: 0.5, source: AmbientSource::Told });
        let record = self.identity.sign_record(header, emulated_trace(product, plan)).unwrap();
        self.previous = record.digest;
        record
    }

    /// A record at any place of the chain, with a change to its header.
    pub(crate) fn sign(
        &self,
        sequence: u64,
        previous: Digest,
        change: impl FnOnce(&mut Header),
    ) -> SignedRecord {
        let mut header = header();
        header.sequence = sequence;
        header.previous_digest = previous.to_hex();
        change(&mut header);
        self.identity.sign_record(header, short_trace(sequence)).unwrap()
    }
}

/// A trace that differs with `n` and says nothing of cooling.
fn short_trace(n: u64) -> WireTrace {
    let temperature = 41_000 + i64::try_from(n).unwrap();
    let columns = [
        ("load_pct", vec![Some(0), Some(10_000), Some(0)]),
        ("cpu_temp_c", vec![Some(temperature), Some(68_000), None]),
    ];
    WireTrace {
        time_ms: vec![0, 250, 500],
        phases: Vec::new(),
        columns: columns.into_iter().map(|(name, cells)| (name.to_owned(), cells)).collect(),
    }
}

/// The emulated laptop's whole run as a record carries it.
pub(crate) fn emulated_trace(product: &str, plan: &RunPlan) -> WireTrace {
    let mut trace = record_run(&model_of(product).unwrap(), plan);
    trace.drop_implausible();
    trace.to_wire().unwrap()
}

/// A monthly check of an emulated laptop as an imported run, without what some columns tell.
pub(crate) fn imported_check(unit: u64, month: u64, airflow: f64, without: &[&str]) -> RunFacts {
    let faults = Faults { airflow, ..Faults::NONE };
    let mut wire =
        emulated_trace("Tamsel 14", &RunPlan { faults, seed: 100 * unit + month, ..RunPlan::default() });
    wire.columns.retain(|column, _| !without.contains(&column.as_str()));
    let trace_json = serde_json::to_vec(&wire).unwrap();
    RunFacts {
        device_id: format!("unit-{unit}"),
        digest: Digest::of_parts(&[&unit.to_be_bytes(), &month.to_be_bytes()]),
        provenance: "imported",
        model_key: "Tamsel 14".to_owned(),
        model_name: "Tamsel 14".to_owned(),
        firmware: String::new(),
        site: "north".to_owned(),
        load_mix: "1".to_owned(),
        protocol: "standard".to_owned(),
        outcome: "complete".to_owned(),
        channels: ingest::channels_read(&wire),
        ambient_c: Some(22.0),
        ambient_sd_k: Some(1.0),
        on_ac: Some(true),
        tested_at_ms: START_MS + 30 * 86_400_000 * i64::try_from(month).unwrap(),
        received_at_ms: START_MS,
        trace_zstd: ingest::pack(&trace_json),
    }
}

/// Twelve laptops of a model, two checks each; those from 7 on are measured without power. 1 and 7 are clogged.
pub(crate) fn measured_in_two_ways() -> Vec<RunFacts> {
    let airflow = |unit| if unit % 6 == 1 { 0.45 } else { 1.0 };
    let without: fn(u64) -> &'static [&'static str] = |unit| if unit > 6 { NO_POWER } else { &[] };
    let of = |unit| [0, 1].map(|month| imported_check(unit, month, airflow(unit), without(unit)));
    (1..=12).flat_map(of).collect()
}

/// The column that a laptop without the right to read power doesn't have.
pub(crate) const NO_POWER: &[&str] = &["package_power_w"];

pub(crate) fn header() -> Header {
    Header {
        schema: String::new(),
        device_id: String::new(),
        key_id: String::new(),
        sequence: 1,
        previous_digest: String::new(),
        boot_id: "5f0c6a52-7d1e-4b0c-9a52-3c1f3f0e9b11".to_owned(),
        started_at: "2026-01-31T07:50:00Z".to_owned(),
        provenance: Provenance::Emulated,
        emulation: Some(Emulation { faults: String::new(), seed: 1, virtual_time: true }),
        model: Model {
            vendor: "Halden".to_owned(),
            product: "Fjordbook 14".to_owned(),
            sku: String::new(),
            cpu: "8-core 28 W".to_owned(),
            logical_cpus: 8,
            firmware: "1.07".to_owned(),
        },
        platform: Platform { os: "linux".into(), kernel: "6.12.0".into(), arch: "x86_64".into() },
        agent_version: "0.1.0".to_owned(),
        method_version: METHOD_VERSION.to_owned(),
        load_mix: LoadMix { version: "1".into(), target: "x86_64".into(), compiler: "1.95.0".into() },
        protocol: Protocol::STANDARD,
        outcome: Outcome::Complete,
        pre_checks: Vec::new(),
        context: Context { settled: true, ..Context::default() },
        sources: Vec::new(),
        limit: None,
        events: Vec::new(),
        metrics: None,
        trace_digest: String::new(),
        ext: serde_json::Map::new(),
        digest: String::new(),
        signature: String::new(),
    }
}

/// An invite and its token.
pub(crate) fn new_invite(uses: u32, expires_at_ms: i64) -> (String, NewInvite) {
    let token = invite::new_token().unwrap();
    let invite = NewInvite {
        token_hash: invite::hash(&token),
        site: "north".to_owned(),
        place: "floor 2".to_owned(),
        asset_tag: String::new(),
        uses,
        created_at_ms: START_MS,
        expires_at_ms,
    };
    (token, invite)
}

/// A clock that a test sets.
#[derive(Clone)]
pub(crate) struct TestClock(Arc<AtomicI64>);

impl TestClock {
    pub(crate) fn new() -> Self {
        Self(Arc::new(AtomicI64::new(START_MS)))
    }

    pub(crate) fn set(&self, ms: i64) {
        self.0.store(ms, Ordering::SeqCst);
    }

    pub(crate) fn wall(&self) -> WallClock {
        let ms = Arc::clone(&self.0);
        WallClock::new(move || DateTime::from_timestamp_millis(ms.load(Ordering::SeqCst)).unwrap())
    }
}

/// A real hub: a free port, a fresh database, the test's own clock.
pub(crate) struct TestHub {
    pub(crate) store: SqlStore,
    pub(crate) clock: TestClock,
    pub(crate) showroom: Arc<Showroom>,
    address: SocketAddr,
    stop: oneshot::Sender<()>,
    serving: JoinHandle<()>,
    folder: TempDir,
}

impl TestHub {
    pub(crate) async fn start(limits: Limits) -> Self {
        let folder = TempDir::new().unwrap();
        let store = SqlStore::open_file(&folder.path().join("hub.sqlite")).await.unwrap();
        Self::serve(store, folder, limits).await
    }

    /// A hub over a store that is there.
    pub(crate) async fn over(store: SqlStore, limits: Limits) -> Self {
        Self::serve(store, TempDir::new().unwrap(), limits).await
    }

    async fn serve(store: SqlStore, folder: TempDir, limits: Limits) -> Self {
        let clock = TestClock::new();
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let hub = Hub::new(store.clone(), clock.wall(), limits);
        let showroom = hub.showroom.clone();
        showing::refresh(&store, &clock.wall(), &showroom, &Costs::default()).await.unwrap();
        let (stop, stopped) = oneshot::channel();
        let serving =
            tokio::spawn(http::serve(Listening { listener, tls: None }, http::router(hub), limits, async {
                let _ = stopped.await;
            }));
        Self { store, clock, showroom, address, stop, serving, folder }
    }

    /// A judged hub with six emulated laptops of a model at `north`: the first with clogged vents, five healthy.
    pub(crate) async fn of_six(limits: Limits) -> (Self, Vec<Laptop>) {
        let hub = Self::start(limits).await;
        let mut laptops = Vec::new();
        for seed in 1..=6_u8 {
            let mut laptop = hub.joined(seed).await;
            let faults = if seed == 1 { Faults { airflow: 0.3, ..Faults::NONE } } else { Faults::NONE };
            let plan = RunPlan { faults, seed: u64::from(seed), ..RunPlan::default() };
            let record = laptop.whole_check("Marlow 15", &plan, "2026-01-31T07:50:00Z");
            let answer = hub.post_record(&record.bytes).await;
            assert_eq!(answer.status, 200, "{}", answer.body);
            laptops.push(laptop);
        }
        hub.refresh().await;
        (hub, laptops)
    }

    /// Judges the fleet anew for the pages.
    pub(crate) async fn refresh(&self) {
        showing::refresh(&self.store, &self.clock.wall(), &self.showroom, &Costs::default()).await.unwrap();
    }

    /// Has all fits be ones that were given up before their optimum, and judges the fleet by them.
    pub(crate) async fn unsettle_fits(&self) {
        let version = learning::version();
        for kept in self.store.standing_list(version.clone()).await.unwrap() {
            let of = ModelOf { provenance: kept.provenance, model_key: kept.model_key };
            let mut standing: ModelStanding = serde_json::from_slice(&kept.standing_json).unwrap();
            standing.fit.has_converged = false;
            let unsettled = learning::stored_standing(&of, &standing).unwrap();
            let mut evidence = self.store.evidence_list(version.clone(), 0, u32::MAX).await.unwrap();
            evidence.retain(|e| e.made.as_ref().is_some_and(|(digest, _)| *digest == kept.digest));
            evidence.iter_mut().filter_map(|e| e.made.as_mut()).for_each(|made| made.0 = unsettled.digest);
            self.store.judgement_put(version.clone(), vec![unsettled], evidence).await.unwrap();
        }
        self.refresh().await;
    }

    /// Tells it to stop and waits until it has.
    pub(crate) async fn stop(self) {
        self.stop.send(()).unwrap();
        tokio::time::timeout(PATIENCE, self.serving).await.expect("the hub stops").unwrap();
        self.store.store_close().await;
    }

    /// Its database file.
    pub(crate) fn database(&self) -> std::path::PathBuf {
        self.folder.path().join("hub.sqlite")
    }

    /// Tells it to stop and keeps its files.
    pub(crate) async fn stop_keeping(self) -> TempDir {
        self.stop.send(()).unwrap();
        tokio::time::timeout(PATIENCE, self.serving).await.expect("the hub stops").unwrap();
        self.store.store_close().await;
        self.folder
    }

    /// A grant's token.
    pub(crate) async fn grant(&self, role: Role, expires_at_ms: Option<i64>) -> String {
        self.granted(role, None, expires_at_ms).await
    }

    /// A token of a grant for one site.
    pub(crate) async fn grant_for(&self, role: Role, site: &str) -> String {
        self.granted(role, Some(site.to_owned()), None).await
    }

    async fn granted(&self, role: Role, site: Option<String>, expires_at_ms: Option<i64>) -> String {
        let token = Secret::new_token().unwrap();
        let grant = NewGrant {
            token_hash: token.hash(),
            role,
            label: role.name().to_owned(),
            site,
            created_at_ms: START_MS,
            expires_at_ms,
            only_as_first_admin: false,
        };
        let granted = self.store.grant_create(grant).await.unwrap();
        assert!(matches!(granted, Granted::Made { .. }), "{granted:?}");
        token.reveal().to_owned()
    }

    /// A laptop that has joined.
    pub(crate) async fn joined(&self, seed: u8) -> Laptop {
        let laptop = Laptop::new(seed);
        let (token, invite) = new_invite(1, START_MS + 1000);
        self.store.invite_create(invite).await.unwrap();
        let request = laptop.identity.enrolment_request(&token).unwrap();
        let answer = self.post("/v1/devices", &["Content-Type: application/json"], &request).await;
        assert_eq!(answer.status, 201, "{}", answer.body);
        laptop
    }

    /// A download: the head in lower case, and the body as its bytes.
    pub(crate) async fn download(&self, path: &str, header: &str) -> (String, Vec<u8>) {
        let mut stream = self.connect().await;
        let head = request_head("GET", path, &[header], 0).replace("HTTP/1.1", "HTTP/1.0");
        stream.write_all(head.as_bytes()).await.unwrap();
        let mut bytes = Vec::new();
        tokio::time::timeout(PATIENCE, stream.read_to_end(&mut bytes)).await.expect("an answer").unwrap();
        let end = bytes.windows(4).position(|w| w == b"\r\n\r\n").expect("a head");
        let body = bytes.split_off(end + 4);
        (String::from_utf8(bytes).unwrap().to_ascii_lowercase(), body)
    }

    pub(crate) async fn connect(&self) -> TcpStream {
        TcpStream::connect(self.address).await.unwrap()
    }

    pub(crate) async fn get(&self, path: &str) -> Answer {
        self.request("GET", path, &[], b"").await
    }

    pub(crate) async fn post(&self, path: &str, headers: &[&str], body: &[u8]) -> Answer {
        self.request("POST", path, headers, body).await
    }

    pub(crate) async fn post_record(&self, document: &[u8]) -> Answer {
        self.post("/v1/records", &["Content-Type: application/json"], document).await
    }

    pub(crate) async fn request(&self, method: &str, path: &str, headers: &[&str], body: &[u8]) -> Answer {
        let mut stream = self.connect().await;
        let head = request_head(method, path, headers, body.len());
        stream.write_all(&[head.as_bytes(), body].concat()).await.unwrap();
        read_answer(&mut stream).await
    }
}

pub(crate) fn request_head(method: &str, path: &str, headers: &[&str], n_bytes: usize) -> String {
    let mut head = format!(
        "{method} {path} HTTP/1.1\r\nHost: hub\r\nConnection: close\r\nContent-Length: {n_bytes}\r\n"
    );
    for header in headers {
        head.push_str(header);
        head.push_str("\r\n");
    }
    head + "\r\n"
}

/// An HTTP answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl Answer {
    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }

    /// Code of the problem document, which must be a whole one.
    #[track_caller]
    pub(crate) fn problem(&self) -> String {
        let json = self.json();
        assert!(self.head.contains("content-type: application/problem+json"), "{}", self.head);
        assert_eq!(json["status"], self.status, "{json}");
        assert!(json["title"].is_string() && json["detail"].is_string(), "{json}");
        let code = json["type"].as_str().and_then(|t| t.strip_prefix("urn:windrow:problem:"));
        code.unwrap_or_else(|| panic!("{json}")).to_owned()
    }
}

/// Reads until the hub closes.
pub(crate) async fn read_answer(stream: &mut TcpStream) -> Answer {
    let mut bytes = Vec::new();
    tokio::time::timeout(PATIENCE, stream.read_to_end(&mut bytes)).await.expect("an answer").unwrap();
    let text = String::from_utf8(bytes).unwrap();
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok());
    Answer {
        status: status.unwrap_or_else(|| panic!("no status: {text:?}")),
        head: head.to_ascii_lowercase(),
        body: body.to_owned(),
    }
}
