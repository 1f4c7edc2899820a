//! The suite: one binary, a module a subject.
mod collection;
mod facts;
mod notices;
mod open_recordings;
mod postgres;
mod record_schema;
mod reference;
mod rounds;
mod safety;
mod self_check_page;
mod support;
mod tidy;
mod tls;
mod whole_path;
