//! When a counter is open, by the clock of its place.

use serde::{Deserialize, Serialize};
use thiserror::Error;
use time::Time;
use utoipa::ToSchema;

time::serde::format_description!(pub(crate) clock, Time, "[hour]:[minute]");

/// Why hours are none.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("must be a weekday from 1 (Monday) to 7, and a time at which it closes after one at which it opens")]
pub struct HoursError;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OpeningText {
    weekday: u8,
    #[serde(with = "clock")]
    opens: Time,
    #[serde(with = "clock")]
    closes: Time,
}

/// A stretch of a weekday in which a counter is open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(try_from = "OpeningText")]
pub struct OpeningHours {
    /// ISO 8601: 1 is Monday.
    #[schema(minimum = 1, maximum = 7)]
    pub weekday: u8,
    /// When the counter opens.
    #[serde(with = "clock")]
    #[schema(value_type = String, pattern = "^[0-2][0-9]:[0-5][0-9]$", examples("09:00"))]
    pub opens: Time,
    /// When it closes.
    #[serde(with = "clock")]
    #[schema(value_type = String, pattern = "^[0-2][0-9]:[0-5][0-9]$", examples("17:30"))]
    pub closes: Time,
}

impl TryFrom<OpeningText> for OpeningHours {
    type Error = HoursError;

    fn try_from(hours: OpeningText) -> Result<Self, HoursError> {
        let OpeningText { weekday, opens, closes } = hours;
        if (1..=7).contains(&weekday) && opens < closes {
            Ok(Self { weekday, opens, closes })
        } else {
            Err(HoursError)
        }
    }
}
