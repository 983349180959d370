//! The trade in pure code: values, rules, states and arithmetic.
//!
//! Nothing here knows of SQL, HTTP, tasks, clocks or randomness; `now` is always a value that is
//! handed in. Start with [`rules`], then [`decision`], which is the heart.

#![deny(missing_docs)]

#[macro_use]
mod words;

pub mod audit;
pub mod bitting;
pub mod blanks;
pub mod calendar;
pub mod copy_request;
pub mod count;
pub mod decision;
pub mod differs;
pub mod entry;
pub mod ids;
pub mod key;
pub mod log;
pub mod losses;
pub mod number;
pub mod opening;
pub mod records;
pub mod register;
pub mod rekey;
pub mod review;
pub mod rights;
pub mod rules;
pub mod signals;
pub mod signature;
pub mod site;
pub mod text;
