//! A signature as it was drawn: strokes on a field, kept as evidence of a hand-over.
//!
//! What goes into the log is a commitment to its hash:
//!
//! ```text
//! base64url(SHA-256(the strokes as compact JSON: [[[x,y,ms],…],…]))
//! ```

use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

/// The most points of all strokes together.
const MOST_POINTS: usize = 8000;

/// Why strokes are no signature.
#[derive(Debug, Error, PartialEq, Eq)]
#[error(
    "must be one to 200 strokes of points [x, y, milliseconds], 8000 points in all, with x and y to 10000"
)]
pub struct SignatureError;

/// A signature. It is personal, and has no `Debug`.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(try_from = "Vec<Vec<[u32; 3]>>", into = "Vec<Vec<[u32; 3]>>")]
#[schema(value_type = Vec<Vec<Vec<u32>>>, min_items = 1, max_items = 200)]
pub struct Signature(Vec<Vec<[u32; 3]>>);

impl TryFrom<Vec<Vec<[u32; 3]>>> for Signature {
    type Error = SignatureError;

    fn try_from(strokes: Vec<Vec<[u32; 3]>>) -> Result<Self, SignatureError> {
        let points: usize = strokes.iter().map(Vec::len).sum();
        let inside = strokes.iter().flatten().all(|[x, y, _]| *x <= 10_000 && *y <= 10_000);
        let fits = (1..=200).contains(&strokes.len())
            && strokes.iter().all(|stroke| !stroke.is_empty())
            // A single dot is no signature.
            && (2..=MOST_POINTS).contains(&points)
            && inside;
        if fits { Ok(Self(strokes)) } else { Err(SignatureError) }
    }
}

impl From<Signature> for Vec<Vec<[u32; 3]>> {
    fn from(signature: Signature) -> Self {
        signature.0
    }
}

impl Signature {
    /// The strokes, as they are kept and hashed.
    #[must_use]
    pub fn json(&self) -> String {
        let point = |point: &[u32; 3]| serde_json::Value::from(point.to_vec());
        let stroke = |stroke: &Vec<[u32; 3]>| stroke.iter().map(point).collect::<serde_json::Value>();
        self.0.iter().map(stroke).collect::<serde_json::Value>().to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strokes_are_kept_as_they_were_drawn() {
        let signature =
            Signature::try_from(vec![vec![[0, 0, 0], [10_000, 5, 16]], vec![[7, 7, 300]]]).unwrap();
        assert_eq!(signature.json(), "[[[0,0,0],[10000,5,16]],[[7,7,300]]]");
        // Python: base64.urlsafe_b64encode(hashlib.sha256(b"[[[0,0,0],…").digest())
        assert_eq!(
            crate::disclosures::commitment(&signature.json()),
            "o7fN_bT5-s5JqsjUqtDPu0YST_ayWgbcbwIBr3QoVuc"
        );
        for wrong in [
            vec![],
            vec![vec![]],
            vec![vec![[1, 1, 1]]],
            vec![vec![[10_001, 0, 0]; 2]],
            vec![vec![[0; 3]; 8001]],
        ] {
            assert_eq!(Signature::try_from(wrong).err(), Some(SignatureError));
        }
    }
}
