//! Wardbook: a register of restricted keys as a service.
//!
//! Arrows point one way: `http -> application -> storage -> domain`. Start with [`domain`].

pub mod application;
pub mod archive;
pub mod domain;
pub mod http;
pub mod metrics;
pub mod outside;
pub mod passwords;
pub mod print;
pub mod storage;
pub mod tokens;
pub mod vault;
