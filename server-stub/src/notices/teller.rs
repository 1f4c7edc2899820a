//! From a judged fleet to notices that wait: compares with what each receiver was told, and keeps both together.

use std::sync::Arc;

use tokio::sync::Notify;

use super::document::{self, News};
use super::{MAX_CHANGES, MAX_WAITING};
use crate::scoring::Standing;
use crate::store::notices::NoticeStore;
use crate::store::{EpochMs, StoreError};

/// Laptops of a beginning in one write, so that records don't wait long behind it.
const BEGIN_WITH: usize = 10_000;

/// Whom it tells: a name, and what wakes whoever posts to it.
pub type Told = (String, Arc<Notify>);

/// Tells receivers of what changed between two judgements.
#[derive(Debug, Default)]
pub struct Teller {
    receivers: Vec<Told>,
}

impl Teller {
    /// For these receivers.
    pub fn new(receivers: Vec<Told>) -> Self {
        Self { receivers }
    }

    /// Compares a judgement with what each receiver was told, and lets notices wait for what changed.
    ///
    /// # Errors
    /// If the store fails. What was not written then is found again by the next judgement.
    pub async fn note<S: NoticeStore>(
        &self,
        store: &S,
        standings: &[Standing],
        judged_at_ms: EpochMs,
    ) -> Result<(), StoreError> {
        for (receiver, wake) in &self.receivers {
            match store.notice_told_list(receiver.clone()).await? {
                Some(told) => {
                    let news = News::between(&told, standings, judged_at_ms);
                    drop(told);
                    tell(store, receiver, news, judged_at_ms).await?;
                    wake.notify_one();
                }
                // With an empty fleet a beginning would have no end: the first import would be all news.
                None if standings.is_empty() => {}
                None => begin(store, receiver, standings, judged_at_ms).await?,
            }
        }
        Ok(())
    }
}

/// A new receiver begins with the fleet as it stands.
async fn begin<S: NoticeStore>(
    store: &S,
    receiver: &str,
    standings: &[Standing],
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    for some in standings.chunks(BEGIN_WITH) {
        let told = some.iter().map(document::told_band).collect();
        store.notice_told_put(receiver.to_owned(), told).await?;
    }
    // Last: a beginning that was cut off begins again.
    store.notice_begin(receiver.to_owned(), now_ms).await?;
    tracing::info!(
        receiver,
        n_laptops = standings.len(),
        "a new receiver is told of band changes from now on"
    );
    Ok(())
}

async fn tell<S: NoticeStore>(
    store: &S,
    receiver: &str,
    news: News,
    judged_at_ms: EpochMs,
) -> Result<(), StoreError> {
    for some in news.silent.chunks(BEGIN_WITH) {
        store.notice_told_put(receiver.to_owned(), some.to_vec()).await?;
    }
    let n_changes = news.changes.len();
    for (n_before, notice) in document::notices(news.changes, judged_at_ms).enumerate() {
        if !store.notice_put(receiver.to_owned(), notice).await? {
            let n_left = n_changes - n_before * MAX_CHANGES;
            tracing::warn!(
                receiver,
                n_changes = n_left,
                n_waiting = MAX_WAITING,
                "as many notices wait as may; these changes are told once there is room, as they stand then"
            );
            break;
        }
    }
    Ok(())
}
