//! The integration tests: one binary. They need a `PostgreSQL` in `DATABASE_URL`, as a role that may
//! make databases; `scripts/test` brings one up.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::pedantic,
    reason = "a test fails where something is not as it says; the lints that teach style are for the program"
)]

mod access_matrix;
mod answers;
mod attacks;
mod audits;
mod authorities;
mod bad_input;
mod bitting;
mod blanks;
mod cards;
mod constraints;
mod copies;
mod counter_days;
mod differs;
mod document;
mod erasure;
mod harness;
mod keying;
mod layering;
mod log;
mod policies;
mod processes;
mod races;
mod register_csv;
mod rekeys;
mod sequences;
mod sessions;
mod sites;
mod statements;
mod tasks;
mod words;
