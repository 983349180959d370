//! The integration tests: one binary. They need a `PostgreSQL` in `DATABASE_URL`, as a role that may
//! make databases; `scripts/test` brings one up.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::pedantic,
    reason = "a test fails where something is not as it says; the lints that teach style are for the program"
)]
#![warn(clippy::too_many_lines)]

mod cards;
mod check;
mod code;
mod copies;
mod counters;
mod differs;
mod harness;
mod keys;
mod log;
mod misuse;
mod offers;
mod people;
mod processes;
mod register;
mod rekeys;
mod rights;
mod sites;
mod tasks;
