//! `windrow-hub serve`: takes enrolments and records until it is told to stop.

use std::io::IsTerminal;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Serialize;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::Notify;
use tokio::task::JoinSet;

use super::{Outcome, Setting, block_on, print};
use crate::clock::WallClock;
use crate::costs::in_force::InForce;
use crate::database::{self, Database};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::http::{self, Hub, Limits, Listening};
use crate::notices::post::Poster;
use crate::notices::teller::Teller;
use crate::notices::{delivery, list};
use crate::output::Output;
use crate::store::Store;
use crate::store::notices::NoticeStore as _;
use crate::store::sql::SqlStore;
use crate::{costs, measure, showing, tls};

/// Arguments of `serve`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub serve
  windrow-hub serve --listen 0.0.0.0:7410 --tls-cert chain.pem --tls-key key.pem

Loopback is served in plain HTTP. Any other address needs a certificate. Port 0 takes a free port; the first line \
on stdout says which. It stops on SIGTERM or Ctrl-C, once requests under way are answered.")]
pub(super) struct Args {
    /// Address and port to listen on
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:7410")]
    listen: SocketAddr,
    /// Certificate chain, PEM
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    tls_cert: Option<PathBuf>,
    /// Key of the first certificate, PEM
    #[arg(long, value_name = "FILE", requires = "tls_cert")]
    tls_key: Option<PathBuf>,
    /// Serve plain HTTP beyond this machine: records and invites cross the network unencrypted
    #[arg(long, conflicts_with = "tls_cert")]
    plain_http_on_any_address: bool,
    /// What things cost, TOML, for the pages; what it leaves out has its default
    #[arg(long, value_name = "FILE")]
    costs: Option<PathBuf>,
    /// Whom to tell over HTTPS when a laptop's band changes, TOML
    #[arg(long, value_name = "FILE")]
    notify: Option<PathBuf>,
    /// Requests worked on at once; beyond it callers are told to come again
    #[arg(long, value_name = "N", default_value_t = Limits::default().max_concurrent as u32,
          value_parser = clap::value_parser!(u32).range(1..=1024))]
    max_concurrent: u32,
}

/// The first line on stdout under `--json`.
#[derive(Serialize)]
struct Ready<'a> {
    listening: SocketAddr,
    url: &'a str,
    database: String,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    let tls = match (&args.tls_cert, &args.tls_key) {
        (Some(certificate), Some(key)) => Some(tls::server_config(certificate, key)?),
        _ => None,
    };
    let is_allowed = args.listen.ip().is_loopback() || tls.is_some() || args.plain_http_on_any_address;
    if !is_allowed {
        let what = format!(
            "will not serve plain HTTP on `{}`: records would cross the network unencrypted",
            args.listen
        );
        return Err(Failure::new(what).remedy(
            "give `--tls-cert` and `--tls-key`; or listen on 127.0.0.1 behind a proxy that does TLS; or say `--plain-http-on-any-address`",
        ));
    }
    let database = setting.database()?;
    let costs = match args.costs.as_deref().map(costs::read).transpose()? {
        Some(costs) => InForce::of_file(costs),
        None => InForce::default(),
    };
    let posters = args.notify.as_deref().map(posters).transpose()?;
    start_log();
    block_on(async {
        let stop = stop_signal()?;
        let listener = TcpListener::bind(args.listen).await.map_err(|e| {
            Failure::new(format!("cannot listen on `{}`: {e}", args.listen)).remedy(
                "stop what listens there, or choose another port with `--listen`; port 0 takes a free one",
            )
        })?;
        // Only now: a port that is taken must not leave an empty database behind.
        let store = database::open_or_make(&database).await?;
        let listening = Listening { listener, tls };
        let address =
            listening.address().map_err(|e| Failure::new(format!("cannot tell the own address: {e}")))?;
        let limits = Limits { max_concurrent: args.max_concurrent as usize, ..Limits::default() };
        let hub = Hub::new(store.clone(), setting.clock.clone(), limits).with_costs(costs);
        hub.costs.refresh(&store).await?;
        let measuring = tokio::spawn(measure::run(store.clone(), hub.clock.clone(), hub.measure.clone()));
        let (clock, showroom, meters) = (hub.clock.clone(), hub.showroom.clone(), hub.meters.clone());
        let (teller, posting) = notices(&store, &clock, posters).await?;
        let shown = showing::run(store.clone(), clock, showroom, hub.costs.clone(), meters, teller);
        let showing = tokio::spawn(shown);
        announce(setting, &database, address, listening.tls.is_some(), output)?;
        http::serve(listening, http::router(hub), limits, stop).await;
        // A batch of metrics that is cut off here stays due, and is computed at the next start.
        measuring.abort();
        showing.abort();
        // A post that is cut off here may have been taken: it comes again with the same id.
        drop(posting);
        store.store_close().await;
        tracing::info!("stopped");
        Ok(Exit::Done)
    })
}

/// Those who are told, ready to be posted to.
fn posters(file: &Path) -> Result<Vec<(String, Poster)>, Failure> {
    let receivers = list::read(file)?;
    receivers.into_iter().map(|r| Ok((r.name.clone(), Poster::new(&r)?))).collect()
}

/// Takes up the receivers: what waits for them goes out, and those that are no longer listed are forgotten. Without a
/// list nothing changes: what waits goes on waiting.
async fn notices(
    store: &SqlStore,
    clock: &WallClock,
    posters: Option<Vec<(String, Poster)>>,
) -> Result<(Teller, JoinSet<()>), Failure> {
    let (mut told, mut posting) = (Vec::new(), JoinSet::new());
    let Some(posters) = posters else { return Ok((Teller::default(), posting)) };
    let names = posters.iter().map(|(name, _)| name.clone()).collect();
    for (receiver, n_waiting) in store.notice_receivers_keep(names).await? {
        tracing::warn!(receiver, n_waiting, "a receiver is no longer listed; what waited for it is dropped");
    }
    for (receiver, poster) in posters {
        let wake = Arc::new(Notify::new());
        told.push((receiver.clone(), Arc::clone(&wake)));
        posting.spawn(delivery::run(store.clone(), clock.clone(), receiver, poster, wake));
    }
    Ok((Teller::new(told), posting))
}

fn announce(
    setting: &Setting,
    database: &Database,
    address: SocketAddr,
    is_tls: bool,
    output: &mut Output,
) -> Result<(), Failure> {
    let scheme = if is_tls { "https" } else { "http" };
    let url = format!("{scheme}://{address}");
    tracing::info!(%url, database = %database, "listening");
    let line = if setting.json {
        let ready = Ready { listening: address, url: &url, database: database.to_string() };
        serde_json::to_string(&ready).map_err(|e| Failure::new(e.to_string()))?
    } else {
        format!("listening on {url}, database `{database}`; Ctrl-C stops it")
    };
    print(output, &line)
}

/// Done at the first SIGTERM or Ctrl-C. Taken before anything is announced, so that none is missed.
fn stop_signal() -> Result<impl Future<Output = ()> + Send, Failure> {
    let listen = |kind| signal(kind).map_err(|e| Failure::new(format!("cannot listen for signals: {e}")));
    let (mut terminate, mut interrupt) = (listen(SignalKind::terminate())?, listen(SignalKind::interrupt())?);
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => tracing::info!("told to stop by SIGTERM"),
            _ = interrupt.recv() => tracing::info!("told to stop by Ctrl-C"),
        }
    })
}

fn start_log() {
    let filter = tracing_subscriber::EnvFilter::try_from_env("WINDROW_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info,sqlx=warn"));
    let with_colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let log =
        tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_ansi(with_colour);
    // Set before in a test's process: then that one is used.
    let _ = log.try_init();
}
