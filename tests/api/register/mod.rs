//! The register: what the database holds to, and a register in and out as CSV.

mod constraints;
mod csv;
