//! The register: registrations with their locks and rules, and the key sections that they are of.

pub mod history;
pub mod locks;
pub mod registrations;
pub mod rules;
pub mod sections;
