//! What is hashed, sealed and signed: passwords and PINs, secrets at rest, and tokens that others read.

pub mod passwords;
pub mod tokens;
pub mod vault;
