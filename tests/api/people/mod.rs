//! People: signing in, and being forgotten.

mod accounts;
mod erasure;
mod memberships;
mod sessions;
