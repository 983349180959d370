//! The integration tests: one binary. They need a PostgreSQL in `DATABASE_URL`, as a role that may
//! make databases; `scripts/test` brings one up.

mod access_matrix;
mod answers;
mod attacks;
mod authorities;
mod bad_input;
mod constraints;
mod copies;
mod document;
mod harness;
mod layering;
mod policies;
mod races;
mod register_csv;
mod sequences;
mod sessions;
mod tasks;
