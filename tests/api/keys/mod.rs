//! Keys: audits, and statements.

mod audits;
mod statements;
