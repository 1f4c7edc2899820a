//! What every store must do with grants and sessions.

use windrow_model::record::Digest;

use crate::access::Role;
use crate::store::Store;
use crate::store::access::{Grant, Granted, MAX_SESSIONS, NewGrant, NewSession};
use crate::store::sql::SqlStore;
use crate::testing::START_MS;

conformance!(
    a_grant_is_found_by_its_token_alone,
    the_first_administrator_is_the_first,
    revoking_a_grant_ends_its_sessions,
    a_session_is_kept_until_it_ends,
    a_grant_has_few_sessions_at_once,
);

fn grant(token: u8, role: Role) -> NewGrant {
    NewGrant {
        token_hash: Digest([token; 32]),
        role,
        label: format!("bench {token}"),
        site: Some("north".to_owned()),
        created_at_ms: START_MS,
        expires_at_ms: Some(START_MS + 100),
        only_as_first_admin: false,
    }
}

fn session(secret: u8, grant_id: i64, now_ms: i64) -> NewSession {
    NewSession {
        secret_hash: Digest([secret; 32]),
        grant_id,
        now_ms,
        ends_at_ms: now_ms + 1000,
        idle_since_ms: now_ms - 100,
    }
}

async fn made<S: Store>(store: &S, grant: NewGrant) -> i64 {
    match store.grant_create(grant).await.unwrap() {
        Granted::Made { grant_id } => grant_id,
        other => panic!("{other:?}"),
    }
}

async fn a_grant_is_found_by_its_token_alone<S: Store>(store: S) {
    let grant_id = made(&store, grant(1, Role::Technician)).await;
    let found = store.grant_of_token(Digest([1; 32])).await.unwrap().unwrap();
    let expected = Grant {
        grant_id,
        role: Role::Technician,
        label: "bench 1".to_owned(),
        site: Some("north".to_owned()),
        created_at_ms: START_MS,
        expires_at_ms: Some(START_MS + 100),
        revoked_at_ms: None,
    };
    assert_eq!(found, expected);
    assert!(found.is_good(START_MS + 99) && !found.is_good(START_MS + 100));
    assert!(store.grant_of_token(Digest([2; 32])).await.unwrap().is_none());
    assert_eq!(store.grant_list().await.unwrap(), [expected]);
    // One token is never two grants.
    assert!(store.grant_create(grant(1, Role::Admin)).await.is_err());
}

async fn the_first_administrator_is_the_first<S: Store>(store: S) {
    let first = |token| NewGrant { only_as_first_admin: true, ..grant(token, Role::Admin) };
    made(&store, grant(1, Role::Auditor)).await;
    made(&store, first(2)).await;
    assert_eq!(store.grant_create(first(3)).await.unwrap(), Granted::AdminExists);
    // Its grant has expired: nobody could let anybody in, so another first one is made.
    let late = NewGrant { created_at_ms: START_MS + 100, expires_at_ms: None, ..first(4) };
    let grant_id = made(&store, late).await;
    store.grant_revoke(grant_id, START_MS + 101).await.unwrap();
    made(&store, NewGrant { created_at_ms: START_MS + 102, ..first(5) }).await;
}

async fn revoking_a_grant_ends_its_sessions<S: Store>(store: S) {
    let grant_id = made(&store, grant(1, Role::Admin)).await;
    store.session_begin(session(7, grant_id, START_MS)).await.unwrap();
    let revoked = store.grant_revoke(grant_id, START_MS + 5).await.unwrap().unwrap();
    assert_eq!(revoked.revoked_at_ms, Some(START_MS + 5));
    assert!(!revoked.is_good(START_MS + 5));
    assert!(store.session_get(Digest([7; 32])).await.unwrap().is_none());
    let again = store.grant_revoke(grant_id, START_MS + 9).await.unwrap().unwrap();
    assert_eq!(again.revoked_at_ms, Some(START_MS + 5));
    assert!(store.grant_revoke(grant_id + 1, START_MS).await.unwrap().is_none());
}

async fn a_session_is_kept_until_it_ends<S: Store>(store: S) {
    let grant_id = made(&store, grant(1, Role::Admin)).await;
    store.session_begin(session(7, grant_id, START_MS)).await.unwrap();
    let found = store.session_get(Digest([7; 32])).await.unwrap().unwrap();
    assert_eq!(
        (found.grant.grant_id, found.seen_at_ms, found.ends_at_ms),
        (grant_id, START_MS, START_MS + 1000)
    );
    store.session_touch(Digest([7; 32]), START_MS + 50).await.unwrap();
    store.session_touch(Digest([7; 32]), START_MS + 40).await.unwrap();
    let seen = async || store.session_get(Digest([7; 32])).await.unwrap().map(|s| s.seen_at_ms);
    assert_eq!(seen().await, Some(START_MS + 50));
    // Another one begins; this one is idle by then.
    store.session_begin(session(8, grant_id, START_MS + 150)).await.unwrap();
    assert_eq!(seen().await, None);
    store.session_end(Digest([8; 32])).await.unwrap();
    store.session_end(Digest([8; 32])).await.unwrap();
    assert!(store.session_get(Digest([8; 32])).await.unwrap().is_none());
}

async fn a_grant_has_few_sessions_at_once<S: Store>(store: S) {
    let grant_id = made(&store, grant(1, Role::Admin)).await;
    let n_sessions = u8::try_from(MAX_SESSIONS).unwrap() + 1;
    for n in 0..n_sessions {
        store.session_begin(session(n, grant_id, START_MS + i64::from(n))).await.unwrap();
    }
    let is_there = async |n| store.session_get(Digest([n; 32])).await.unwrap().is_some();
    assert!(!is_there(0).await, "the oldest went");
    assert!(is_there(1).await && is_there(n_sessions - 1).await);
}
