//! People: signing in, and being forgotten.

mod erasure;
mod memberships;
mod sessions;
