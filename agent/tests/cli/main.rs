//! The agent as a user meets it: the real binary, its words, its exit codes and what it leaves on disk.

mod crash;
mod errors;
mod fake_hub;
mod full_disk;
mod own_past;
mod posting;
mod runner;
mod schedule;
mod words;
