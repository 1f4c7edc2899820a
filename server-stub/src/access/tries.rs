//! Failed tries by address: a few, then a wait. 256 bits cannot be guessed; this bounds what guessing costs the hub.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};

use crate::store::EpochMs;

/// Failed tries that an address has before it must wait.
const MAX_FAILED: u32 = 10;
/// One try comes back every so often.
const ONE_BACK_MS: i64 = 6_000;
/// Addresses that are remembered. At the limit those that owe least are forgotten first.
const MAX_ADDRESSES: usize = 4096;

/// What each address owes. IPv6 counts by its /64, since a host there has as many addresses as it likes.
#[derive(Debug, Default)]
pub struct Tries {
    owed: Mutex<HashMap<u128, Owed>>,
}

#[derive(Debug, Clone, Copy)]
struct Owed {
    n_failed: u32,
    since_ms: EpochMs,
}

impl Owed {
    /// What is left of it at a time: one comes back every [`ONE_BACK_MS`]. A clock that steps back forgives nothing.
    fn at(self, now_ms: EpochMs) -> Self {
        let n_back = now_ms.saturating_sub(self.since_ms).max(0) / ONE_BACK_MS;
        let n_failed = self.n_failed.saturating_sub(u32::try_from(n_back).unwrap_or(u32::MAX));
        Self { n_failed, since_ms: self.since_ms.saturating_add(n_back.saturating_mul(ONE_BACK_MS)) }
    }
}

impl Tries {
    /// Seconds that an address must wait before its next try; `None`: it may.
    pub fn wait_s(&self, address: IpAddr, now_ms: EpochMs) -> Option<u32> {
        let owed = self.owed.lock().unwrap_or_else(PoisonError::into_inner);
        let owed = owed.get(&key(address))?.at(now_ms);
        let wait_ms = owed.since_ms.saturating_add(ONE_BACK_MS).saturating_sub(now_ms);
        let wait_s = u32::try_from(wait_ms.max(0) / 1000 + 1).unwrap_or(u32::MAX);
        (owed.n_failed >= MAX_FAILED).then_some(wait_s)
    }

    /// Counts a failed try.
    pub fn failed(&self, address: IpAddr, now_ms: EpochMs) {
        let mut owed = self.owed.lock().unwrap_or_else(PoisonError::into_inner);
        let fresh = Owed { n_failed: 0, since_ms: now_ms };
        let mut own = owed.get(&key(address)).map_or(fresh, |o| o.at(now_ms));
        if own.n_failed == 0 {
            own = fresh;
        }
        own.n_failed = (own.n_failed + 1).min(MAX_FAILED);
        if owed.len() >= MAX_ADDRESSES && !owed.contains_key(&key(address)) {
            make_room(&mut owed, now_ms);
        }
        owed.insert(key(address), own);
    }
}

fn make_room(owed: &mut HashMap<u128, Owed>, now_ms: EpochMs) {
    owed.retain(|_, o| o.at(now_ms).n_failed > 0);
    if owed.len() >= MAX_ADDRESSES {
        let least = owed.iter().min_by_key(|(_, o)| o.at(now_ms).n_failed).map(|(&key, _)| key);
        least.and_then(|key| owed.remove(&key));
    }
}

fn key(address: IpAddr) -> u128 {
    match address.to_canonical() {
        IpAddr::V4(v4) => v4.to_ipv6_mapped().to_bits(),
        IpAddr::V6(v6) => v6.to_bits() & !u128::from(u64::MAX),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn after_some_failed_tries_an_address_waits_and_others_do_not() {
        let (tries, now_ms) = (Tries::default(), 1_000_000);
        let (one, other): (IpAddr, IpAddr) = ("192.0.2.1".parse().unwrap(), "192.0.2.2".parse().unwrap());
        for _ in 0..MAX_FAILED {
            assert_eq!(tries.wait_s(one, now_ms), None);
            tries.failed(one, now_ms);
        }
        assert_eq!((tries.wait_s(one, now_ms), tries.wait_s(other, now_ms)), (Some(7), None));
        assert_eq!(tries.wait_s(one, now_ms - 500), Some(7), "a clock that steps back");
        assert_eq!(tries.wait_s(one, now_ms + ONE_BACK_MS - 1), Some(1));
        assert_eq!(tries.wait_s(one, now_ms + ONE_BACK_MS), None);
        tries.failed(one, now_ms + ONE_BACK_MS);
        assert!(tries.wait_s(one, now_ms + ONE_BACK_MS).is_some());
    }

    #[test]
    fn a_host_with_many_addresses_is_one_and_memory_is_bounded() {
        let tries = Tries::default();
        for n in 0..u128::from(MAX_FAILED) {
            tries.failed(std::net::Ipv6Addr::from_bits((0x2001_0db8 << 96) | n).into(), 0);
        }
        assert!(tries.wait_s("2001:db8::ffff".parse().unwrap(), 0).is_some());
        assert!(tries.wait_s("2001:db8:0:1::1".parse().unwrap(), 0).is_none());
        for n in 0..10_000_u32 {
            tries.failed(std::net::Ipv4Addr::from_bits(n).into(), 0);
        }
        assert!(tries.owed.lock().unwrap().len() <= MAX_ADDRESSES);
        assert!(tries.wait_s("2001:db8::1".parse().unwrap(), 0).is_some(), "who owes most is remembered");
    }
}
