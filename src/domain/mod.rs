//! The trade in pure code: values, rules, states and arithmetic.
//!
//! Nothing here knows of SQL, HTTP, tasks, clocks or randomness; `now` is always a value that is
//! handed in. Start with [`rules`], then [`decision`], which is the heart.

#![deny(missing_docs)]

#[macro_use]
mod words;

pub mod audit;
pub mod authority;
pub mod bitting;
pub mod blanks;
pub mod calendar;
pub mod card;
pub mod copy_request;
pub mod count;
pub mod counter;
pub mod decision;
pub mod differs;
pub mod entry;
pub mod hold;
pub mod ids;
pub mod key;
pub mod log;
pub mod losses;
pub mod notice;
pub mod number;
pub mod opening;
pub mod people;
pub mod register;
pub mod registration;
pub mod rekey;
pub mod review;
pub mod rights;
pub mod rules;
pub mod section;
pub mod signals;
pub mod signature;
pub mod site;
pub mod statement;
pub mod text;
