//! What became of the lines of an import.

use std::str::FromStr;

use serde::Serialize;
use utoipa::ToSchema;

/// What became of a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct LineReport {
    /// Its number in the file; the header is line 1.
    pub line: u64,
    /// Its kind, as it was written.
    pub record: String,
    /// `in`, `wrong`, or `held_back` where other lines were wrong.
    #[schema(pattern = "^(in|wrong|held_back)$")]
    pub outcome: String,
    /// Why, for each wrong column.
    pub problems: Vec<ColumnProblem>,
}

/// A wrong column.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ColumnProblem {
    /// The column; empty where it is the line as a whole.
    pub column: String,
    /// What is wrong.
    pub detail: String,
}

/// What became of an import.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ImportReport {
    /// Everything came in; else nothing did.
    pub imported: bool,
    /// Each line.
    pub lines: Vec<LineReport>,
}

/// The columns of a line, read one by one; what is wrong is collected.
pub(super) struct Columns {
    pub problems: Vec<ColumnProblem>,
}

impl Columns {
    pub fn say(&mut self, column: &str, detail: impl Into<String>) {
        self.problems.push(ColumnProblem { column: column.to_owned(), detail: detail.into() });
    }

    pub fn read<T, E: ToString>(
        &mut self,
        column: &str,
        text: &str,
        parse: impl FnOnce(&str) -> Result<T, E>,
    ) -> Option<T> {
        match parse(text) {
            Ok(value) => Some(value),
            Err(error) => {
                self.say(column, error.to_string());
                None
            }
        }
    }

    pub fn optional<T, E: ToString>(
        &mut self,
        column: &str,
        text: &str,
        parse: impl FnOnce(&str) -> Result<T, E>,
    ) -> Option<T> {
        if text.trim().is_empty() { None } else { self.read(column, text, parse) }
    }

    pub fn word<T: FromStr<Err: ToString>>(&mut self, column: &str, text: &str) -> Option<T> {
        self.read(column, text, T::from_str)
    }

    pub fn yes_or_no(&mut self, column: &str, text: &str) -> Option<bool> {
        self.read(column, text, |text| match text {
            "yes" => Ok(true),
            "no" | "" => Ok(false),
            _ => Err("must be yes or no"),
        })
    }
}
