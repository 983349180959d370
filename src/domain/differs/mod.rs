//! The differs of a key section: which combinations of lever heights there can be, how many, one
//! drawn at random, and how far two of them are apart.
//!
//! [`geometry`] is what a section is made to, as data; [`space`] counts and numbers its differs
//! without listing them; [`standards`] says what published standards ask of it.

pub mod geometry;
pub mod space;
pub mod standards;

#[cfg(test)]
mod tests;
