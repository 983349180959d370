//! Who has a right at a registration, what holds everything up, and what people are told.

pub mod authorities;
pub mod holds;
pub mod notices;
pub mod offers;
