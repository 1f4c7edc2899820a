//! The processor's widest vector registers, for the filters' inner loops.
//!
//! The loops are written once over [`Simd`] and chosen when the program runs. They multiply and add in separate steps,
//! never fused, and sum lanes in one order: so a laptop's condition has the same digits on every processor.

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]

use pulp::{Simd, bytemuck};

/// As many numbers as a register has lanes.
#[inline(always)]
pub(super) fn load<S: Simd>(_: S, from: &[f32]) -> S::f32s {
    bytemuck::pod_read_unaligned(bytemuck::cast_slice(from))
}

/// The lanes of a register, to where there is room for just as many.
#[inline(always)]
pub(super) fn store<S: Simd>(_: S, lanes: S::f32s, to: &mut [f32]) {
    to.copy_from_slice(bytemuck::cast_slice(&[lanes]));
}
