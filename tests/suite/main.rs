//! The suite: one binary, a module a subject.
mod record_schema;
