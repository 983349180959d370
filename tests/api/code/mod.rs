//! What the code says of itself: its layers, its words, and what is made from it.

mod document;
mod layering;
mod words;
