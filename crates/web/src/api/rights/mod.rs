//! Who has a right at a registration, and what holds everything up.

pub mod authorities;
pub mod holds;
pub mod mandates;
