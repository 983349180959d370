//! Bitting: the heights of the levers that a key lifts, a secret.
//!
//! Positions are counted from the bow of the key to its tip (common practice). The geometry of a
//! section says which heights there are; here is only the form.

use thiserror::Error;

/// Why a list of heights is none. It does not say which: heights are secret.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("must be a list of 2 to 16 heights, whole numbers from 0 to 30")]
pub struct BittingError;

/// The heights of one differ. Has no `Debug`, and is written nowhere but on a cutting sheet.
#[derive(Clone, PartialEq, Eq)]
pub struct Bitting(Vec<u8>);

impl Bitting {
    /// Heights from bow to tip.
    ///
    /// # Errors
    /// When there are too few or too many, or one is out of range.
    pub fn new(heights: Vec<u8>) -> Result<Self, BittingError> {
        let fits = (2..=16).contains(&heights.len()) && heights.iter().all(|height| *height <= 30);
        if fits { Ok(Self(heights)) } else { Err(BittingError) }
    }

    /// The heights.
    #[must_use]
    pub fn heights(&self) -> &[u8] {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heights_have_a_form_and_what_has_not_is_not_repeated() {
        assert_eq!(Bitting::new(vec![0, 30]).map(|bitting| bitting.heights().to_vec()), Ok(vec![0, 30]));
        for wrong in [vec![], vec![1], vec![1; 17], vec![1, 31]] {
            let error = Bitting::new(wrong).err().map(|error| error.to_string());
            assert_eq!(
                error.as_deref(),
                Some("must be a list of 2 to 16 heights, whole numbers from 0 to 30")
            );
        }
    }
}
