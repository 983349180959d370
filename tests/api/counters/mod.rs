//! Counters: their days, and their accounts of blanks.

mod blanks;
mod days;
