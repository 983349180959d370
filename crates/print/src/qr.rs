//! The modules of a QR code (ISO/IEC 18004), level M.

use qrcode::{Color, EcLevel, QrCode};

use crate::error::PrintError;

/// Dark modules side by side, in modules.
pub(super) struct Run {
    pub(super) x: f32,
    pub(super) y: f32,
    pub(super) length: f32,
}

/// A QR code as rows of dark and light modules.
pub(super) struct Modules {
    rows: Vec<Vec<bool>>,
}

/// A count of modules: there are 177 at most in a row.
fn small(count: usize) -> f32 {
    f32::from(u16::try_from(count).unwrap_or(u16::MAX))
}

impl Modules {
    pub(super) fn of(text: &str) -> Result<Self, PrintError> {
        let code = QrCode::with_error_correction_level(text, EcLevel::M)
            .map_err(|error| PrintError(error.to_string()))?;
        let width = code.width();
        let dark: Vec<bool> = code.into_colors().into_iter().map(|color| color == Color::Dark).collect();
        Ok(Self { rows: dark.chunks(width).map(<[bool]>::to_vec).collect() })
    }

    pub(super) fn width_f32(&self) -> f32 {
        small(self.rows.len())
    }

    /// Dark modules, row by row, those side by side as one.
    pub(super) fn dark_runs(&self) -> Vec<Run> {
        let mut runs = Vec::new();
        for (y, row) in self.rows.iter().enumerate() {
            let mut x = 0;
            for run in row.chunk_by(|a, b| a == b) {
                if run.first() == Some(&true) {
                    runs.push(Run { x: small(x), y: small(y), length: small(run.len()) });
                }
                x += run.len();
            }
        }
        runs
    }
}
