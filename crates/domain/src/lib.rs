//! The trade in pure code: values, rules, states and arithmetic.
//!
//! Nothing here knows of SQL, HTTP, tasks, clocks or randomness; `now` is always a value that is
//! handed in. Start with [`register::rules`], then [`copies::decision`], which is the heart.

#![deny(missing_docs)]

#[macro_use]
mod words;

#[cfg(feature = "postgres")]
mod columns;

pub mod calendar;
pub mod cards;
pub mod cautions;
pub mod copies;
pub mod count;
pub mod counters;
pub mod differs;
pub mod disclosures;
pub mod entry;
pub mod ids;
pub mod keys;
pub mod money;
pub mod numbers;
pub mod people;
pub mod register;
pub mod rekeys;
pub mod rights;
pub mod sites;
pub mod standing;
pub mod text;
