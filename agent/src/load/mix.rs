//! The load's fixed mix of instructions. Another mix is another reference: whoever changes a line here changes
//! [`VERSION`] too.
//!
//! One unit is some tens of microseconds of ordinary work: chained integer multiplications and rotations, chained
//! double-precision multiply-adds, and reads and writes that go through the first-level and second-level cache. No
//! wide vectors: their power differs most between processors, and no everyday program heats a laptop with them.

use std::hint::black_box;

/// Version of the mix, written into every record.
pub(super) const VERSION: &str = "mix-1";

/// Words that stay in the first-level cache: 16 KiB of at least 32.
const NEAR_WORDS: usize = 2 * 1024;
/// Words that stay in the second-level cache: 128 KiB of at least 256.
const FAR_WORDS: usize = 16 * 1024;
/// Rounds in a unit.
const ROUNDS: usize = 2_000;
/// Steps through the far words, in words: one line of 64 bytes and one word, so that neighbours are not fetched by luck.
const FAR_STRIDE: usize = 9;

/// What one thread works on.
pub(super) struct Bench {
    near: Vec<u64>,
    far: Vec<u64>,
    far_at: usize,
    whole: [u64; 4],
    real: [f64; 4],
}

impl Bench {
    pub(super) fn new(seed: u64) -> Self {
        let fill = |n: usize| (0..n as u64).map(|i| i.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ seed).collect();
        Self {
            near: fill(NEAR_WORDS),
            far: fill(FAR_WORDS),
            far_at: 0,
            whole: [seed | 1, seed ^ 0xA5A5, !seed, seed.rotate_left(17) | 1],
            real: [1.0, 1.25, 1.5, 1.75],
        }
    }

    /// One unit of work. The result is used as far as the compiler can see, so nothing of it is dropped.
    pub(super) fn unit(&mut self) {
        for round in 0..ROUNDS {
            self.integers(round);
            self.reals();
            self.memory(round);
        }
        black_box((&self.whole, &self.real, &self.near, &self.far));
    }

    #[inline]
    fn integers(&mut self, round: usize) {
        for (lane, w) in self.whole.iter_mut().enumerate() {
            *w ^= *w << 13;
            *w ^= *w >> 7;
            *w = w.wrapping_mul(0x2545_F491_4F6C_DD1D).rotate_left(11).wrapping_add((round + lane) as u64);
        }
    }

    #[inline]
    fn reals(&mut self) {
        // A contraction towards 2: it can neither overflow nor become denormal, whatever the length of the load.
        for x in &mut self.real {
            *x = black_box(*x) * 0.75 + 0.5;
            *x = (*x * *x + 4.0) / (*x + 2.0);
        }
    }

    #[inline]
    fn memory(&mut self, round: usize) {
        let near_at = (self.whole[0] as usize ^ round) % NEAR_WORDS;
        self.near[near_at] = self.near[near_at].wrapping_add(self.whole[1]);
        self.far_at = (self.far_at + FAR_STRIDE) % FAR_WORDS;
        self.far[self.far_at] ^= self.whole[2];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_real_numbers_stay_ordinary_for_ever() {
        let mut bench = Bench::new(7);
        (0..50).for_each(|_| bench.unit());
        assert!(bench.real.iter().all(|x| x.is_normal() && (1.0..4.0).contains(x)), "{:?}", bench.real);
    }

    #[test]
    fn the_same_seed_does_the_same_work() {
        let (mut a, mut b) = (Bench::new(3), Bench::new(3));
        a.unit();
        b.unit();
        assert_eq!(a.whole, b.whole);
        assert_eq!(a.far, b.far);
        assert_ne!(a.whole, Bench::new(3).whole, "a unit changes its state");
    }
}
