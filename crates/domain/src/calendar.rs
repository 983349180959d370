//! Days: first and last days are days of the UTC calendar, both included.

use serde::{Deserialize, Serialize};
use thiserror::Error;
use time::{Date, Duration, Month, OffsetDateTime, UtcOffset, Weekday};
use utoipa::ToSchema;

words! {
    /// How a number of days is counted.
    pub enum DayKind {
        /// Every day.
        Calendar = "calendar",
        /// Monday to Friday, the listed holidays apart.
        Working = "working",
    }
}

/// Years that a date from outside may have: what lies beyond is a slip, and no lock will see it.
const YEARS: std::ops::RangeInclusive<i32> = 1900..=2200;

/// Why a day or an instant was not taken.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum DayError {
    /// Not of its form.
    #[error("must be {0}")]
    Form(&'static str),
    /// Too far away.
    #[error("must be in the years 1900 to 2200")]
    Year,
}

/// A day that came from outside, in the years 1900 to 2200.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(try_from = "String", into = "String")]
#[schema(value_type = String, format = Date, examples("2026-11-02"))]
pub struct Day(pub Date);

impl TryFrom<String> for Day {
    type Error = DayError;

    fn try_from(text: String) -> Result<Self, DayError> {
        let form = time::macros::format_description!("[year]-[month]-[day]");
        let day = Date::parse(&text, form).map_err(|_| DayError::Form("a date such as 2026-11-02"))?;
        if text.len() == 10 && YEARS.contains(&day.year()) { Ok(Self(day)) } else { Err(DayError::Year) }
    }
}

impl From<Day> for String {
    fn from(day: Day) -> Self {
        day.0.to_string()
    }
}

/// An instant that came from outside, in the years 1900 to 2200, to the microsecond, in UTC.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize, ToSchema)]
#[serde(try_from = "String")]
#[schema(value_type = String, format = DateTime, examples("2026-11-02T09:30:00Z"))]
pub struct Moment(pub OffsetDateTime);

impl TryFrom<String> for Moment {
    type Error = DayError;

    fn try_from(text: String) -> Result<Self, DayError> {
        let form = &time::format_description::well_known::Rfc3339;
        let instant = OffsetDateTime::parse(&text, form)
            .map_err(|_| DayError::Form("an instant such as 2026-11-02T09:30:00Z"))?;
        if YEARS.contains(&instant.year()) {
            Ok(Self(microseconds(instant.to_offset(UtcOffset::UTC))))
        } else {
            Err(DayError::Year)
        }
    }
}

/// Cuts an instant to the microseconds that `PostgreSQL` keeps.
#[must_use]
pub fn microseconds(instant: OffsetDateTime) -> OffsetDateTime {
    let cut = instant.nanosecond() / 1_000 * 1_000;
    instant.replace_nanosecond(cut).unwrap_or(instant)
}

/// A number of days and how they are counted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DayCount {
    /// How many days.
    #[schema(minimum = 1, maximum = 3650)]
    pub days: u16,
    /// Which days count.
    #[serde(default = "calendar")]
    pub kind: DayKind,
    /// Days that are no working days besides Saturdays and Sundays.
    #[serde(default)]
    pub holidays: Vec<Day>,
}

fn calendar() -> DayKind {
    DayKind::Calendar
}

impl DayCount {
    /// The instant at which the count that began at `start` is over: the same time of day, so many
    /// days that count later.
    #[must_use]
    pub fn end(&self, start: OffsetDateTime) -> OffsetDateTime {
        match self.kind {
            DayKind::Calendar => start.saturating_add(Duration::days(i64::from(self.days))),
            DayKind::Working => {
                let mut end = start;
                let mut left = self.days;
                while left > 0 {
                    let Some(next) = end.checked_add(Duration::DAY) else { return end };
                    end = next;
                    if self.is_working(end.date()) {
                        left -= 1;
                    }
                }
                end
            }
        }
    }

    fn is_working(&self, day: Date) -> bool {
        !matches!(day.weekday(), Weekday::Saturday | Weekday::Sunday) && !self.holidays.contains(&Day(day))
    }
}

/// A first day and perhaps a last one, both included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Period {
    /// The first day.
    pub first_day: Date,
    /// The last day; without one it does not end by itself.
    #[serde(default)]
    pub last_day: Option<Date>,
}

/// What is wrong with a period whose last day comes before its first.
pub const BACKWARDS: &str = "must not be before first_day";

impl Period {
    /// Its last day comes before its first.
    #[must_use]
    pub fn is_backwards(&self) -> bool {
        self.last_day.is_some_and(|last| last < self.first_day)
    }

    /// Whether `day` is in it.
    #[must_use]
    pub fn covers(&self, day: Date) -> bool {
        self.first_day <= day && self.last_day.is_none_or(|last| day <= last)
    }

    /// Whether `inner` lies wholly in it.
    #[must_use]
    pub fn contains(&self, inner: &Self) -> bool {
        let ends_in_time = match (self.last_day, inner.last_day) {
            (None, _) => true,
            (Some(_), None) => false,
            (Some(outer), Some(inner)) => inner <= outer,
        };
        self.first_day <= inner.first_day && ends_in_time
    }
}

/// The same day so many months later; the last day of the month, where it has no such day.
#[must_use]
pub fn add_months(day: Date, months: u8) -> Date {
    let count = i32::from(u8::from(day.month())) - 1 + i32::from(months);
    let (year, month) = (day.year() + count / 12, u8::try_from(count % 12 + 1).unwrap_or(1));
    let month = Month::try_from(month).unwrap_or(Month::January);
    Date::from_calendar_date(year, month, day.day().min(month.length(year))).unwrap_or(Date::MAX)
}

/// The same day so many years later; 29 February becomes 28 February where there is none.
#[must_use]
pub fn add_years(day: Date, years: u16) -> Date {
    let year = day.year() + i32::from(years);
    day.replace_year(year)
        .or_else(|_| Date::from_calendar_date(year, Month::February, 28))
        .unwrap_or(Date::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use time::macros::{date, datetime};

    #[test]
    fn working_days_leave_out_weekends_and_holidays() {
        let friday = datetime!(2026-12-18 10:00 UTC);
        let count = |days, kind| DayCount { days, kind, holidays: vec![Day(date!(2026 - 12 - 25))] };
        assert_eq!(count(1, DayKind::Working).end(friday), datetime!(2026-12-21 10:00 UTC));
        assert_eq!(count(5, DayKind::Working).end(friday), datetime!(2026-12-28 10:00 UTC));
        assert_eq!(count(5, DayKind::Calendar).end(friday), datetime!(2026-12-23 10:00 UTC));
    }

    #[test]
    fn days_and_instants_from_outside_are_checked() {
        let day = |text: &str| Day::try_from(text.to_owned());
        assert_eq!(day("2026-11-02"), Ok(Day(date!(2026 - 11 - 02))));
        assert_eq!(day("1899-12-31"), Err(DayError::Year));
        for wrong in ["2026-02-30", "2026-1-2", "10000-01-01", "+10000-01-01", "", "tomorrow"] {
            assert!(day(wrong).is_err(), "{wrong}");
        }
        let moment = |text: &str| Moment::try_from(text.to_owned());
        assert_eq!(
            moment("2026-11-02T10:30:00.1234567+01:00"),
            Ok(Moment(datetime!(2026-11-02 09:30:00.123456 UTC)))
        );
        assert!(moment("9999-12-31T23:59:59-12:00").is_err());
        assert!(moment("2026-11-02").is_err());
    }

    #[test]
    fn a_period_includes_its_first_and_last_day() {
        let period = Period { first_day: date!(2026 - 01 - 10), last_day: Some(date!(2026 - 01 - 20)) };
        assert!(!period.covers(date!(2026 - 01 - 09)));
        assert!(period.covers(date!(2026 - 01 - 10)));
        assert!(period.covers(date!(2026 - 01 - 20)));
        assert!(!period.covers(date!(2026 - 01 - 21)));
        assert!(!period.contains(&Period { first_day: date!(2026 - 01 - 10), last_day: None }));
    }
}
