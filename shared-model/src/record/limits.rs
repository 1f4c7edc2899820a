//! A limit on everything in a document. Each says why it stands where it stands; past it the document is refused
//! with the field's name.

/// Largest document, bytes. A standard check of 2,100 samples and all channels is about 0.2 MB.
pub const MAX_DOCUMENT_BYTES: usize = 4 * 1024 * 1024;
/// Largest enrolment request, bytes. Five short strings.
pub const MAX_ENROLMENT_BYTES: usize = 4 * 1024;
/// Deepest nesting of objects and arrays. The record itself needs 4; the rest is room for `ext`.
pub const MAX_DEPTH: usize = 16;
/// Longest string, bytes of UTF-8. The longest of ours is an event told in words.
pub const MAX_STRING_BYTES: usize = 1024;
/// Longest name of a field, bytes of UTF-8.
pub const MAX_NAME_BYTES: usize = 64;
/// Most fields of one object. The metrics have 24.
pub const MAX_FIELDS: usize = 128;
/// Largest magnitude of any number: beyond it a double cannot hold each integer, and the canonical form of RFC 8785
/// (section 3.2.2.3, after RFC 7493 section 2.2) would no longer say what was written.
pub const MAX_NUMBER: f64 = 9_007_199_254_740_991.0;
/// Most samples of a trace: 83 minutes at 4 Hz, ten times the longest standard check.
pub const MAX_SAMPLES: usize = 20_000;
/// Furthest sample or event from the run's zero, ms. A week: a laptop that slept over a holiday in mid-check.
pub const MAX_TIME_MS: i64 = 7 * 24 * 3600 * 1000;
/// Most pre-checks. There are 12 kinds, and each is made once.
pub const MAX_PRE_CHECKS: usize = 32;
/// Most sources: one per channel and some to spare.
pub const MAX_SOURCES: usize = 32;
/// Most events: a gap every few seconds of a long run.
pub const MAX_EVENTS: usize = 512;
/// Most power limits: three constraints on each of a few zones.
pub const MAX_POWER_LIMITS: usize = 16;
/// Most entries under `metrics.quality`.
pub const MAX_QUALITY: usize = 64;
/// Largest canonical form of `ext`, bytes: it is signed header, kept for ever, so it stays small.
pub const MAX_EXT_BYTES: usize = 16 * 1024;
/// Longest phase that a protocol may ask for, s.
pub const MAX_PHASE_S: f64 = 3600.0;
/// Fastest sampling, Hz. No laptop sensor is worth more.
pub const MAX_SAMPLE_HZ: f64 = 100.0;
/// Most logical CPUs.
pub const MAX_LOGICAL_CPUS: u32 = 4096;
/// Longest short text (vendor, product, versions, boot id, ...), bytes.
pub const MAX_SHORT_TEXT_BYTES: usize = 256;
/// Longest invite, bytes.
pub const MAX_INVITE_BYTES: usize = 256;
