//! What is printed: cards, letters, cutting sheets, schedules, statements. PDF with an embedded typeface and vector QR codes,
//! the same bytes each time.
//!
//! Places and sizes are in millimetres from the upper left corner; text sizes in points.

mod card;
mod error;
mod paper;
mod qr;
mod report;
mod sheet;

pub use crate::card::{CardFace, Letter, card_pdf, card_svg, letter_pdf};
pub use crate::error::PrintError;
pub use crate::report::{Report, Table, report_pdf};
pub use crate::sheet::{Sheet, sheet_pdf};
