//! Why a document is refused.

use std::fmt;

/// A refused document: which field, a code for a program and words for a person.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("refused at `{field}`: {why} ({code})")]
pub struct Refusal {
    /// For a program.
    pub code: RefusalCode,
    /// Where, for example `header.sequence` or `trace.columns.cpu_temp_c[17]`; `document` for the whole.
    pub field: String,
    /// For a person.
    pub why: String,
}

impl Refusal {
    /// A refusal of the field at `field`.
    pub fn new(code: RefusalCode, field: impl Into<String>, why: impl Into<String>) -> Self {
        Self { code, field: field.into(), why: why.into() }
    }
}

/// The reasons on which a program may branch. The names are part of the HTTP answers and don't change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[non_exhaustive]
pub enum RefusalCode {
    /// More bytes than a document may have.
    TooLarge,
    /// Not JSON.
    Syntax,
    /// Nested too deep.
    TooDeep,
    /// The same name twice in one object.
    DuplicateField,
    /// A name that the schema doesn't have, outside `ext`.
    UnknownField,
    /// A name that the schema needs.
    MissingField,
    /// Another type than the schema says, or a word that it doesn't list.
    WrongType,
    /// Beyond ±(2^53 − 1).
    NumberTooLarge,
    /// A string or a name that is too long.
    TextTooLong,
    /// Control characters in a string, or nothing where there must be something.
    BadText,
    /// More elements than there may be.
    TooMany,
    /// Not hex of the right length, or not a time.
    BadFormat,
    /// A column that is longer or shorter than the time.
    WrongLength,
    /// Time that stands still or steps back.
    NotIncreasing,
    /// A value that cannot be true in this unit.
    OutOfRange,
    /// Phases out of order or outside the trace.
    BadPhases,
    /// Two fields that contradict one another.
    Contradiction,
    /// A schema that isn't accepted here.
    UnsupportedSchema,
    /// The trace isn't the one that was signed.
    TraceDigestMismatch,
    /// The header isn't the one that was signed.
    DigestMismatch,
    /// Signed under another key than the device's.
    KeyIdMismatch,
    /// A key that proves nothing.
    WeakKey,
    /// Not this key's signature over this digest.
    BadSignature,
}

impl RefusalCode {
    /// All of them.
    pub const ALL: [Self; 23] = [
        Self::TooLarge,
        Self::Syntax,
        Self::TooDeep,
        Self::DuplicateField,
        Self::UnknownField,
        Self::MissingField,
        Self::WrongType,
        Self::NumberTooLarge,
        Self::TextTooLong,
        Self::BadText,
        Self::TooMany,
        Self::BadFormat,
        Self::WrongLength,
        Self::NotIncreasing,
        Self::OutOfRange,
        Self::BadPhases,
        Self::Contradiction,
        Self::UnsupportedSchema,
        Self::TraceDigestMismatch,
        Self::DigestMismatch,
        Self::KeyIdMismatch,
        Self::WeakKey,
        Self::BadSignature,
    ];

    /// Its name for programs.
    pub const fn name(self) -> &'static str {
        match self {
            Self::TooLarge => "too_large",
            Self::Syntax => "syntax",
            Self::TooDeep => "too_deep",
            Self::DuplicateField => "duplicate_field",
            Self::UnknownField => "unknown_field",
            Self::MissingField => "missing_field",
            Self::WrongType => "wrong_type",
            Self::NumberTooLarge => "number_too_large",
            Self::TextTooLong => "text_too_long",
            Self::BadText => "bad_text",
            Self::TooMany => "too_many",
            Self::BadFormat => "bad_format",
            Self::WrongLength => "wrong_length",
            Self::NotIncreasing => "not_increasing",
            Self::OutOfRange => "out_of_range",
            Self::BadPhases => "bad_phases",
            Self::Contradiction => "contradiction",
            Self::UnsupportedSchema => "unsupported_schema",
            Self::TraceDigestMismatch => "trace_digest_mismatch",
            Self::DigestMismatch => "digest_mismatch",
            Self::KeyIdMismatch => "key_id_mismatch",
            Self::WeakKey => "weak_key",
            Self::BadSignature => "bad_signature",
        }
    }
}

impl fmt::Display for RefusalCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
