//! The hub's side: a real hub on a fresh file and a free port.

use std::io::Write;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use anyhow::{Context, Result, bail};
use chrono::NaiveDate;
use clap::Parser;
use serde::Deserialize;
use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use windrow_hub::clock::WallClock;
use windrow_hub::commands::Line;
use windrow_hub::exit::Exit;
use windrow_hub::http::{self, Hub, Listening};
use windrow_hub::invite;
use windrow_hub::measure;
use windrow_hub::output::Output;
use windrow_hub::store::sql::SqlStore;
use windrow_hub::store::{NewInvite, Store};

use super::compare::Ranked;
use super::scenario::{Planted, Repair};

/// How long an invite of the demo is good, ms.
const INVITE_MS: i64 = 24 * 3600 * 1000;

/// A running hub.
#[derive(Debug)]
pub struct RunningHub {
    runtime: Runtime,
    store: SqlStore,
    clock: WallClock,
    address: SocketAddr,
    stop: Option<oneshot::Sender<()>>,
    served: Option<JoinHandle<()>>,
}

impl RunningHub {
    /// Starts a hub over a database file.
    ///
    /// # Errors
    /// If the file cannot be made or no port is free.
    pub fn start(database: &Path) -> Result<Self> {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
        let clock = WallClock::system();
        let (store, listener) = runtime.block_on(async {
            let store = SqlStore::open_file(database).await?;
            let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
            anyhow::Ok((store, listener))
        })?;
        let address = listener.local_addr()?;
        let limits = http::Limits::default();
        let hub = Hub::new(store.clone(), clock.clone(), limits);
        let wake = Arc::clone(&hub.measure);
        runtime.spawn(measure::run(store.clone(), clock.clone(), wake));
        let router = http::router(hub);
        let (stop, stopped) = oneshot::channel::<()>();
        let served =
            runtime.spawn(http::serve(Listening { listener, tls: None }, router, limits, async move {
                let _ = stopped.await;
            }));
        Ok(Self { runtime, store, clock, address, stop: Some(stop), served: Some(served) })
    }

    /// Its address.
    pub fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// An invite for `uses` laptops of a site.
    ///
    /// # Errors
    /// If it cannot be stored.
    pub fn invite(&self, site: &str, asset_tag: &str, uses: u32) -> Result<String> {
        let token = invite::new_token()?;
        let now_ms = self.clock.now_ms();
        let new = NewInvite {
            token_hash: invite::hash(&token),
            site: site.to_owned(),
            place: String::new(),
            asset_tag: asset_tag.to_owned(),
            uses,
            created_at_ms: now_ms,
            expires_at_ms: now_ms + INVITE_MS,
        };
        self.runtime.block_on(self.store.invite_create(new))?;
        Ok(token)
    }

    /// Stops serving and computes whatever metrics are still due.
    ///
    /// # Errors
    /// If the store fails.
    pub fn finish(mut self) -> Result<()> {
        if let Some(stop) = self.stop.take() {
            let _ = stop.send(());
        }
        if let Some(served) = self.served.take() {
            self.runtime.block_on(served).context("the hub's server ended badly")?;
        }
        self.runtime.block_on(measure::measure_due(&self.store, &self.clock, |_| ()))?;
        Ok(())
    }
}

/// The hub's own command line, run in this process: what an administrator would type.
fn command(words: &[&str], database: &Path, output: &mut Output) -> Result<()> {
    let database = database.to_str().context("the folder's name isn't UTF-8")?;
    let line = ["windrow-hub", "--database", database].into_iter().chain(words.iter().copied());
    let line = Line::try_parse_from(line)?;
    match windrow_hub::commands::run(line, WallClock::system(), output) {
        Exit::Done => Ok(()),
        other => bail!("the hub's command `{}` ended with {other:?}", words.join(" ")),
    }
}

/// Imports the list of what should be checked.
///
/// # Errors
/// If the list is refused.
pub fn import_assets(database: &Path, list: &Path) -> Result<()> {
    let list = list.to_str().context("the folder's name isn't UTF-8")?;
    quietly(&["scope", "import", list], database)
}

/// Logs what somebody did at a laptop.
///
/// # Errors
/// If the entry is refused.
pub fn log_visit(database: &Path, asset_tag: &str, repair: &Repair, on: NaiveDate) -> Result<()> {
    let (minutes, on) = (repair.minutes.to_string(), on.to_string());
    let words = [
        "visit",
        "log",
        asset_tag,
        "--action",
        repair.action,
        "--minutes",
        minutes.as_str(),
        "--on",
        on.as_str(),
    ];
    quietly(&words, database)
}

/// A command whose words nobody reads unless it fails.
fn quietly(words: &[&str], database: &Path) -> Result<()> {
    let said = Printed::default();
    let mut output = Output::to(Box::new(said.clone()), Box::new(said.clone()), None);
    command(words, database, &mut output).with_context(|| String::from_utf8_lossy(&said.take()).into_owned())
}

/// Prints the head of the rank as an administrator sees it.
///
/// # Errors
/// If the command fails.
pub fn print_rank(database: &Path, n_rows: usize) -> Result<()> {
    command(&["rank", "--limit", &n_rows.to_string()], database, &mut Output::of_process())
}

/// The whole rank, worst first.
///
/// # Errors
/// If the command fails or prints what this doesn't understand.
pub fn rank(database: &Path) -> Result<Vec<Ranked>> {
    let printed = Printed::default();
    let mut output = Output::to(Box::new(printed.clone()), Box::new(std::io::stderr()), None);
    command(&["--json", "rank"], database, &mut output)?;
    let fleet: Fleet = serde_json::from_slice(&printed.take()).context("the rank as JSON")?;
    Ok(fleet.laptops.into_iter().map(ranked).collect())
}

#[derive(Deserialize)]
struct Fleet {
    laptops: Vec<Laptop>,
}

#[derive(Deserialize)]
struct Laptop {
    device_id: String,
    band: String,
    reason_code: String,
}

fn ranked(laptop: Laptop) -> Ranked {
    let suspected = match laptop.reason_code.as_str() {
        "clogged" => Some(Planted::Vents),
        "fan_weak" | "fan_stopped" => Some(Planted::Fan),
        "contact" => Some(Planted::Contact),
        _ => None,
    };
    let cannot_tell =
        matches!(laptop.reason_code.as_str(), "cannot_tell" | "no_good_run") || laptop.band == "retest";
    Ranked { device_id: laptop.device_id, suspected, cannot_tell }
}

/// Keeps what is printed.
#[derive(Debug, Clone, Default)]
struct Printed(Arc<Mutex<Vec<u8>>>);

impl Printed {
    fn take(&self) -> Vec<u8> {
        std::mem::take(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Write for Printed {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}
