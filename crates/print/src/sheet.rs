//! The cutting sheet.

use crate::error::PrintError;
use crate::paper::{At, Look, bold, one_page, plain};

const A5: (f32, f32) = (148.0, 210.0);

/// What is on a cutting sheet.
pub struct Sheet<'a> {
    /// The registration's number, grouped.
    pub registration: &'a str,
    /// The key section.
    pub section: &'a str,
    /// The counter.
    pub counter: &'a str,
    /// The differ's number.
    pub differ: &'a str,
    /// From bow to tip.
    pub heights: &'a [u8],
    /// How many keys are still to be cut.
    pub left: u32,
    /// The entry of the log under which this look is recorded.
    pub entry: &'a str,
    /// When it was looked at.
    pub at: &'a str,
}

/// A cutting sheet on A5.
///
/// # Errors
/// When it cannot be made.
pub fn sheet_pdf(sheet: &Sheet<'_>) -> Result<Vec<u8>, PrintError> {
    one_page("Cutting sheet", A5, |drawing| {
        let column = |y| At { x: 14.0, y, width: 120.0 };
        let grey = |size| Look { grey: 90, ..plain(size) };
        let mut y = 12.0;
        y += drawing.text(column(y), bold(15.0), "Cutting sheet") + 3.0;
        for (name, value) in [
            ("Key section", sheet.section),
            ("Differ", sheet.differ),
            ("Registration", sheet.registration),
            ("Counter", sheet.counter),
        ] {
            drawing.text(column(y), grey(8.5), name);
            y += drawing.text(At { x: 44.0, y, width: 90.0 }, plain(10.0), value) + 1.0;
        }
        y += 6.0;
        y += drawing.text(column(y), bold(10.0), "Heights, from bow to tip") + 2.0;
        // Sixteen positions at most, eight in a row.
        for (row, heights) in sheet.heights.chunks(8).enumerate() {
            for (at, height) in heights.iter().enumerate() {
                let x = 14.0 + 15.0 * f32::from(u8::try_from(at).unwrap_or(0));
                drawing.frame((x, y), (15.0, 17.0));
                let cell = |dy| At { x, y: y + dy, width: 15.0 };
                let position = (row * 8 + at + 1).to_string();
                drawing.text(cell(1.0), Look { centred: true, ..grey(7.0) }, &position);
                drawing.text(cell(5.0), Look { centred: true, ..bold(17.0) }, &height.to_string());
            }
            y += 17.0;
        }
        y += 7.0;
        let stamp = format!("Keys still to be cut: {}. The numbers to stamp come with the cut.", sheet.left);
        y += drawing.text(column(y), plain(10.0), &stamp) + 2.0;
        y +=
            drawing.text(column(y), plain(10.0), "Neither key nor tag shows the differ or an address.") + 8.0;
        let recorded = format!(
            "This sheet is secret. Destroy it when the keys are cut. It was looked at on {}; the look is on \
             record as entry {}.",
            sheet.at, sheet.entry
        );
        drawing.text(column(y), grey(8.0), &recorded);
    })
}
