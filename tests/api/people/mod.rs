//! People: signing in, and being forgotten.

mod erasure;
mod sessions;
