//! Callers who try what is not theirs, ask twice, ask at once, or send nonsense.

mod access_matrix;
mod attacks;
mod bad_input;
mod crowding;
mod races;
mod repeats;
