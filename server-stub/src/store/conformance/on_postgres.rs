//! The suite over PostgreSQL, on a throw-away server; each case on a copy of a database that was migrated once. And what
//! a server does that a file doesn't.

use std::path::PathBuf;

use tempfile::TempDir;
use windrow_model::record::Digest;
use windrow_test_postgres::Cluster;

use super::{
    RUN_WITHOUT_LEAF, access, facts, judgements, lists_a_run_without_a_leaf, notices, record, root, rounds,
};
use crate::store::server::{IfEmpty, Server};
use crate::store::sql::SqlStore;
use crate::store::{LedgerStore as _, Store as _, StoreError};
use crate::testing::Laptop;

/// A server with the migrated database `template`.
pub(super) struct Bench {
    cluster: Cluster,
    folder: TempDir,
}

fn say_left_out(why: &str) {
    eprintln!("left out: the store on PostgreSQL: {why}");
}

impl Bench {
    /// `None`: there is no server here, and it was said.
    pub(super) async fn start() -> Option<Self> {
        match Cluster::start() {
            Ok(cluster) => {
                let bench = Self { cluster, folder: TempDir::new().unwrap() };
                bench.cluster.create("template", None);
                bench.open("template", IfEmpty::Make).await.unwrap().store_close().await;
                Some(bench)
            }
            Err(why) => {
                say_left_out(&why);
                None
            }
        }
    }

    fn head_key(&self, database: &str) -> PathBuf {
        self.folder.path().join(format!("{database}.head-key"))
    }

    async fn open(&self, database: &str, if_empty: IfEmpty) -> Result<SqlStore, StoreError> {
        let server = Server::parse(&self.cluster.address(database)).unwrap();
        SqlStore::open_server(&server, self.head_key(database), if_empty).await
    }

    /// A store on a fresh copy of the migrated database.
    pub(super) async fn fresh(&self, database: &str) -> SqlStore {
        self.cluster.create(database, Some("template"));
        self.open(database, IfEmpty::Refuse).await.unwrap()
    }
}

#[tokio::test]
async fn the_whole_suite_holds() {
    let Some(bench) = Bench::start().await else { return };
    let cases = [
        super::cases(),
        access::cases(),
        facts::cases(),
        judgements::cases(),
        notices::cases(),
        rounds::cases(),
    ]
    .concat();
    let mut failed = Vec::new();
    for (n, (name, case)) in cases.iter().enumerate() {
        let store = bench.fresh(&format!("case_{n}")).await;
        // Its panic is printed, with its place.
        if tokio::spawn(case(store.clone())).await.is_err() {
            failed.push(name);
        }
        store.store_close().await;
    }
    assert!(failed.is_empty(), "of {} cases failed: {failed:#?}", cases.len());
}

#[tokio::test]
async fn a_server_is_more_than_a_file() {
    let Some(bench) = Bench::start().await else { return };
    two_processes_write_one_ledger(&bench).await;
    a_run_without_a_leaf_is_listed(&bench).await;
    what_was_acknowledged_outlives_the_connections(&bench).await;
    an_empty_database_is_no_empty_fleet(&bench).await;
    a_server_that_does_not_keep_its_promises_is_refused(&bench).await;
}

async fn two_processes_write_one_ledger(bench: &Bench) {
    const N: u8 = 120;
    let stores = [bench.fresh("two").await, bench.open("two", IfEmpty::Refuse).await.unwrap()];
    let mut appends = tokio::task::JoinSet::new();
    for n in 1..=N {
        let store = stores[usize::from(n % 2)].clone();
        let new = record(&Laptop::new(n), 1, n, root(&Laptop::new(n)));
        appends.spawn(async move { store.record_append_batch(vec![new]).await.unwrap() });
    }
    appends.join_all().await;
    let leaves = stores[0].ledger_list(0, 1000).await.unwrap();
    assert_eq!(leaves.iter().map(|l| l.leaf_idx).collect::<Vec<_>>(), (0..u64::from(N)).collect::<Vec<_>>());
    for store in stores {
        store.store_close().await;
    }
}

async fn a_run_without_a_leaf_is_listed(bench: &Bench) {
    let store = bench.fresh("leafless").await;
    let put = async || drop(bench.cluster.tell("leafless", RUN_WITHOUT_LEAF));
    lists_a_run_without_a_leaf(&store, put).await;
    store.store_close().await;
}

async fn what_was_acknowledged_outlives_the_connections(bench: &Bench) {
    let store = bench.fresh("cut").await;
    let laptop = Laptop::new(1);
    store.record_append_batch(vec![record(&laptop, 1, 1, root(&laptop))]).await.unwrap();
    // As a server that is started again, or a network that is cut.
    let cut = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = 'cut'";
    bench.cluster.tell("postgres", cut);
    store.record_append_batch(vec![record(&laptop, 2, 2, Digest([1; 32]))]).await.unwrap();
    assert_eq!(store.ledger_size().await.unwrap(), 2);
    store.store_close().await;
}

async fn an_empty_database_is_no_empty_fleet(bench: &Bench) {
    bench.cluster.create("nothing", None);
    let refused = bench.open("nothing", IfEmpty::Refuse).await.unwrap_err();
    assert!(matches!(refused, StoreError::Empty { .. }), "{refused}");
    let refused = bench.open("nowhere", IfEmpty::Make).await.unwrap_err();
    assert!(matches!(&refused, StoreError::Reach { why, .. } if why.contains("nowhere")), "{refused}");
}

async fn a_server_that_does_not_keep_its_promises_is_refused(bench: &Bench) {
    bench.fresh("promises").await.store_close().await;
    // The hub's own sessions ask for it again.
    bench.cluster.tell("postgres", "ALTER DATABASE promises SET synchronous_commit = off");
    bench.open("promises", IfEmpty::Refuse).await.unwrap().store_close().await;
    bench.cluster.tell("postgres", "ALTER DATABASE promises SET default_transaction_read_only = on");
    let refused = bench.open("promises", IfEmpty::Refuse).await.unwrap_err();
    let is_told = matches!(&refused, StoreError::Setting { setting: "transaction_read_only", .. });
    assert!(is_told, "{refused}");
}
