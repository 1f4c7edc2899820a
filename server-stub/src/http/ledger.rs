//! `GET /v1/ledger/head` and `GET /v1/ledger/proof`.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use windrow_model::record::Digest;

use super::openapi::Operation;
use super::{Hub, Problem};
use crate::http::asked::{BAD_QUERY, Query, bad_query};
use crate::ledger::head::SignedHead;
use crate::ledger::signing::{self, HeadError};
use crate::store::{Leaf, Store};

/// What may be asked of the proofs: one of `record` and `leaf_idx` for an inclusion, `old_size` for a consistency.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Digest of a record or an imported run, hex.
    record: Option<String>,
    /// A leaf by its place, from 0.
    leaf_idx: Option<u64>,
    /// Size of an older head that the present one must extend.
    old_size: Option<u64>,
    /// Of which head; the present size where it isn't given.
    tree_size: Option<u64>,
}

/// A leaf as it is told.
#[derive(Debug, Serialize, JsonSchema)]
#[schemars(rename = "Leaf")]
pub(super) struct ToldLeaf {
    /// Its place, from 0.
    leaf_idx: u64,
    /// `record`, `imported_run`, or the name of an event.
    kind: String,
    /// Of what it stands for, hex.
    digest: String,
    /// When that was received or done, milliseconds since the Unix epoch.
    timestamp_ms: u64,
    /// Its hash (RFC 9162), hex.
    leaf_hash: String,
}

/// A proof as it is told.
#[derive(Debug, Serialize, JsonSchema)]
#[serde(untagged)]
pub(super) enum Proof {
    /// That a leaf is in the tree of `tree_size` leaves (RFC 9162, section 2.1.3).
    Inclusion { tree_size: u64, leaf: ToldLeaf, path: Vec<String> },
    /// That the tree of `tree_size` leaves begins with that of `old_size` (RFC 9162, section 2.1.4).
    Consistency { old_size: u64, tree_size: u64, path: Vec<String> },
}

/// What the document says of these routes.
pub(super) fn operations() -> Vec<Operation> {
    let proof = Operation::new("GET", "/v1/ledger/proof", "An inclusion or consistency proof");
    vec![
        Operation::new("GET", "/v1/ledger/head", "The ledger's signed head")
            .answer::<SignedHead>(200, "the head of the present size")
            .problem(StatusCode::SERVICE_UNAVAILABLE, "no_head_key"),
        proof
            .question::<Asked>()
            .answer::<Proof>(200, "the proof")
            .problem(StatusCode::BAD_REQUEST, BAD_QUERY)
            .problem(StatusCode::NOT_FOUND, "no_such_leaf"),
    ]
}

pub(super) async fn head<S: Store>(State(hub): State<Hub<S>>) -> Result<Json<SignedHead>, Problem> {
    let head = signing::head_now(&hub.store, hub.clock.now_ms()).await;
    head.map(Json).map_err(|e| no_head(&e))
}

/// The problem of a head that cannot be signed.
pub(super) fn no_head(error: &HeadError) -> Problem {
    match error {
        HeadError::Store(e) => Problem::of_store(e),
        HeadError::Key(e) => {
            tracing::error!(
                error = e as &dyn std::error::Error,
                remedy = e.remedy(),
                "no head can be signed"
            );
            let detail = "the hub's head key cannot be used; its log says why";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, "no_head_key", "no signed head", detail)
        }
    }
}

pub(super) async fn proof<S: Store>(
    State(hub): State<Hub<S>>,
    Query(asked): Query<Asked>,
) -> Result<Json<Proof>, Problem> {
    let store = &hub.store;
    let size_now = store.ledger_size().await.map_err(|e| Problem::of_store(&e))?;
    let tree_size = asked.tree_size.unwrap_or(size_now);
    if tree_size > size_now {
        return Err(
            bad_query(format!("the ledger has {size_now} leaves, not yet {tree_size}")).about("tree_size")
        );
    }
    match (&asked.record, asked.leaf_idx, asked.old_size) {
        (Some(record), None, None) => {
            let digest =
                Digest::from_hex(record, "record").map_err(|e| bad_query(e.to_string()).about("record"))?;
            let leaf = store.ledger_leaf_of_run(digest).await.map_err(|e| Problem::of_store(&e))?;
            inclusion(store, leaf, tree_size).await
        }
        (None, Some(leaf_idx), None) => {
            let leaf = store.ledger_list(leaf_idx, 1).await.map_err(|e| Problem::of_store(&e))?.pop();
            inclusion(store, leaf.filter(|l| l.leaf_idx == leaf_idx), tree_size).await
        }
        (None, None, Some(old_size)) => consistency(store, old_size, tree_size).await,
        _ => Err(bad_query("give one of `record`, `leaf_idx` and `old_size`".to_owned())),
    }
}

async fn inclusion<S: Store>(store: &S, leaf: Option<Leaf>, tree_size: u64) -> Result<Json<Proof>, Problem> {
    let Some(leaf) = leaf else { return Err(no_leaf(tree_size)) };
    let path =
        signing::inclusion(store, leaf.leaf_idx, tree_size).await.map_err(|e| Problem::of_store(&e))?;
    let path = path.ok_or_else(|| no_leaf(tree_size))?;
    let leaf = ToldLeaf {
        leaf_idx: leaf.leaf_idx,
        kind: leaf.kind,
        digest: leaf.digest.to_hex(),
        timestamp_ms: leaf.at_ms.unsigned_abs(),
        leaf_hash: leaf.leaf_hash.to_hex(),
    };
    Ok(Json(Proof::Inclusion { tree_size, leaf, path: hex(&path) }))
}

async fn consistency<S: Store>(store: &S, old_size: u64, tree_size: u64) -> Result<Json<Proof>, Problem> {
    let path = signing::consistency(store, old_size, tree_size).await.map_err(|e| Problem::of_store(&e))?;
    let larger =
        || bad_query(format!("{old_size} is larger than the tree size {tree_size}")).about("old_size");
    Ok(Json(Proof::Consistency { old_size, tree_size, path: hex(&path.ok_or_else(larger)?) }))
}

fn hex(path: &[Digest]) -> Vec<String> {
    path.iter().map(|d| d.to_hex()).collect()
}

fn no_leaf(tree_size: u64) -> Problem {
    let detail = format!("no such leaf among the first {tree_size} of the ledger");
    Problem::new(StatusCode::NOT_FOUND, "no_such_leaf", "no such leaf", detail)
}
