//! Posts what waits for one receiver, oldest first, until it is taken or given up.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::Notify;

use super::patience;
use super::post::{Poster, Refused};
use crate::clock::WallClock;
use crate::store::StoreError;
use crate::store::notices::{NoticeEnd, NoticeStore, WaitingNotice};

/// Pause after the store failed: no spinning.
const STORE_PAUSE: Duration = Duration::from_secs(10);

/// Posts until the store closes.
pub async fn run<S: NoticeStore>(
    store: S,
    clock: WallClock,
    receiver: String,
    poster: Poster,
    wake: Arc<Notify>,
) {
    loop {
        match step(&store, &clock, &receiver, &poster).await {
            Ok(Next::Nothing) => wake.notified().await,
            Ok(Next::After(wait)) => tokio::time::sleep(wait).await,
            Err(StoreError::Closing) => return,
            Err(e) => {
                tracing::error!(
                    receiver,
                    error = &e as &dyn std::error::Error,
                    "the store failed; the notice may be posted once more"
                );
                tokio::time::sleep(STORE_PAUSE).await;
            }
        }
    }
}

/// What to do after a step.
enum Next {
    /// Nothing waits.
    Nothing,
    /// Look again after this time.
    After(Duration),
}

async fn step<S: NoticeStore>(
    store: &S,
    clock: &WallClock,
    receiver: &str,
    poster: &Poster,
) -> Result<Next, StoreError> {
    let Some(notice) = store.notice_next(receiver.to_owned()).await? else { return Ok(Next::Nothing) };
    match poster.post(&notice.notice_id, &notice.body, clock.now().timestamp()).await {
        Ok(status) => {
            store.notice_end(notice.row, NoticeEnd::Sent, clock.now_ms()).await?;
            tracing::info!(
                receiver,
                notice_id = notice.notice_id,
                n_changes = notice.n_changes,
                status,
                "a notice was taken"
            );
            Ok(Next::After(Duration::ZERO))
        }
        Err(refused) => in_vain(store, clock, &notice, refused).await,
    }
}

async fn in_vain<S: NoticeStore>(
    store: &S,
    clock: &WallClock,
    notice: &WaitingNotice,
    Refused { why, retry_after }: Refused,
) -> Result<Next, StoreError> {
    let (receiver, notice_id) = (&notice.receiver, &notice.notice_id);
    let n_tries = notice.n_tries.saturating_add(1);
    if patience::is_over(notice.made_at_ms, clock.now_ms()) {
        store.notice_end(notice.row, NoticeEnd::GivenUp, clock.now_ms()).await?;
        tracing::error!(
            receiver,
            notice_id,
            n_changes = notice.n_changes,
            n_tries,
            why,
            "a notice was given up after three days; its changes are told to this receiver no more"
        );
        return Ok(Next::After(Duration::ZERO));
    }
    let wait = patience::wait(n_tries, retry_after, patience::draw());
    tracing::warn!(
        receiver,
        notice_id,
        n_tries,
        why,
        wait_s = wait.as_secs(),
        "a notice was not taken; it is tried again"
    );
    store.notice_tried(notice.row, clock.now_ms(), why).await?;
    Ok(Next::After(wait))
}
