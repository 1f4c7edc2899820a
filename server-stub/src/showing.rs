//! Keeps what the pages show up to date: judges the fleet anew when something came in, and each hour in any case. What
//! changed since is told to whoever wants to hear of it.

use std::sync::Arc;
use std::time::{Duration, Instant};

use windrow_model::trace::Trace;

use crate::clock::WallClock;
use crate::costs::Costs;
use crate::costs::in_force::{InForce, Source};
use crate::meters::Meters;
use crate::notices::teller::Teller;
use crate::pages::changes::{Changes, Then};
use crate::pages::fill::Shown;
use crate::pages::peers::{self, Bands};
use crate::pages::showroom::Showroom;
use crate::scoring::Standing;
use crate::store::{Store, StoreError};
use crate::{facts, judgement, measure};

/// How often is looked whether something came in.
const LOOK_EVERY: Duration = Duration::from_secs(3);
/// Without anything new: due dates and ages go on all the same.
const ANEW_AFTER: Duration = Duration::from_hours(1);
/// What is told as having changed, changed within a week.
const WEEK_MS: i64 = 7 * 86_400_000;
/// After a judgement this many times its own length of rest, so that judging never takes the cores from collecting.
const REST_TIMES: u32 = 4;

/// What a judgement was made of: runs, facts, and where the costs came from.
type Stamp = (i64, u64, Source);

/// Judges and shows until the store closes.
pub async fn run<S: Store>(
    store: S,
    clock: WallClock,
    showroom: Arc<Showroom>,
    costs: Arc<InForce>,
    meters: Arc<Meters>,
    teller: Teller,
) {
    let mut last: Option<(Instant, Stamp)> = None;
    loop {
        let began = Instant::now();
        match step(&store, &clock, &showroom, &costs, &teller, &mut last).await {
            Ok(Some(rest)) => {
                meters.judged(began.elapsed());
                tokio::time::sleep(rest).await;
            }
            Ok(None) => tokio::time::sleep(LOOK_EVERY).await,
            Err(StoreError::Closing) => return,
            Err(e) => {
                showroom.fail();
                tracing::error!(
                    error = &e as &dyn std::error::Error,
                    "the fleet could not be judged; it is shown as it was"
                );
                tokio::time::sleep(LOOK_EVERY * REST_TIMES).await;
            }
        }
    }
}

/// Judges if there is a reason to, and says how long to rest after that.
async fn step<S: Store>(
    store: &S,
    clock: &WallClock,
    showroom: &Showroom,
    costs: &InForce,
    teller: &Teller,
    last: &mut Option<(Instant, Stamp)>,
) -> Result<Option<Duration>, StoreError> {
    costs.refresh(store).await?;
    let (costs, source) = costs.now();
    let stamp = (store.run_last().await?, store.ledger_size().await?, source);
    if last.is_some_and(|(at, known)| known == stamp && at.elapsed() < ANEW_AFTER) {
        return Ok(None);
    }
    let began = Instant::now();
    let shown = refresh(store, clock, showroom, &costs).await?;
    // Before this judgement counts as done: if the store fails here, it is done again soon.
    teller.note(store, &shown.standings, shown.fleet.as_of_ms).await?;
    *last = Some((began, stamp));
    tracing::debug!(took_ms = began.elapsed().as_millis(), "judged the fleet for the pages");
    Ok(Some(LOOK_EVERY.max(began.elapsed() * REST_TIMES)))
}

/// Judges the fleet as of now, shows it, and gives it back.
///
/// # Errors
/// If the store fails.
pub async fn refresh<S: Store>(
    store: &S,
    clock: &WallClock,
    showroom: &Showroom,
    costs: &Costs,
) -> Result<Arc<Shown>, StoreError> {
    let judged = judgement::judged_fleet(store, clock, clock.now_ms(), costs).await?;
    let shown = tokio::task::spawn_blocking(move || Shown::new(judged));
    let shown = Arc::new(shown.await.map_err(|_| StoreError::Closing)?);
    showroom.show(Arc::clone(&shown));
    let bands = bands(store, &shown.standings).await?;
    showroom.lay(bands);
    showroom.tell(changes(store, clock, &shown, costs).await?);
    Ok(shown)
}

/// What changed since a week ago, by judging the fleet as of then with the same fits.
async fn changes<S: Store>(
    store: &S,
    clock: &WallClock,
    shown: &Arc<Shown>,
    costs: &Costs,
) -> Result<Changes, StoreError> {
    let since_ms = shown.fleet.as_of_ms - WEEK_MS;
    let bands = judgement::judged_bands(store, clock, since_ms, costs).await?;
    let visits = facts::visits(store, None).await?;
    let shown = Arc::clone(shown);
    let worked_out = tokio::task::spawn_blocking(move || {
        let then = Then::new(since_ms, bands);
        let recent = visits.iter().filter(|v| v.counts() && v.logged_at_ms > since_ms);
        Changes::between(&then, &shown.fleet, recent.map(|v| v.device_id.as_str()))
    });
    worked_out.await.map_err(|_| StoreError::Closing)
}

/// Where the runs of each kind lie.
async fn bands<S: Store>(store: &S, standings: &[Standing]) -> Result<Bands, StoreError> {
    let mut bands = Bands::new();
    for (kind, digests) in peers::to_read(standings) {
        let mut packed = Vec::new();
        for digest in digests {
            packed.extend(store.run_get(digest).await?.map(|run| run.trace_zstd));
        }
        let band = tokio::task::spawn_blocking(move || {
            let traces: Vec<Trace> = packed.iter().filter_map(|p| measure::unpack(p).ok()).collect();
            peers::band(&traces)
        });
        if let Some(peers) = band.await.map_err(|_| StoreError::Closing)? {
            bands.insert(kind, peers);
        }
    }
    Ok(bands)
}
