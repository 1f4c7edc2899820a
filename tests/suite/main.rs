//! The suite: one binary, a module a subject.
mod open_recordings;
mod record_schema;
