//! What became of the lines of an import.

use std::str::FromStr;

use serde::Serialize;
use serde::de::DeserializeOwned;
use utoipa::ToSchema;

use crate::ActError;
use crate::register::csv::export::plain;
use crate::register::locks::LockContent;
use domain::text::{Label, Reference, Slug};

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

impl LineReport {
    /// What became of a line.
    pub(crate) fn of(line: u64, record: String, problems: Vec<ColumnProblem>) -> Self {
        let outcome = if problems.is_empty() { "in" } else { "wrong" };
        Self { line, record, outcome: outcome.to_owned(), problems }
    }
}

impl ImportReport {
    /// Everything came in, or the lines that were right are held back.
    pub(crate) fn of(mut lines: Vec<LineReport>) -> Self {
        let imported = lines.iter().all(|line| line.problems.is_empty());
        if !imported {
            for line in lines.iter_mut().filter(|line| line.problems.is_empty()) {
                "held_back".clone_into(&mut line.outcome);
            }
        }
        Self { imported, lines }
    }
}

/// The lines of a file below its header, as far as each can be read.
///
/// # Errors
/// [`ActError::Invalid`] when it has another header, or too many lines.
pub(crate) fn lines_of<T: DeserializeOwned>(
    bytes: &[u8],
    most: usize,
) -> Result<Vec<Result<T, ColumnProblem>>, ActError> {
    let mut reader = csv::ReaderBuilder::new().flexible(false).from_reader(bytes);
    let mut lines = Vec::new();
    let headers = reader.headers().cloned().map_err(|error| ActError::invalid("", csv_sentence(&error)))?;
    for record in reader.records() {
        let record = record.and_then(|record| {
            record.iter().map(plain).collect::<csv::StringRecord>().deserialize::<T>(Some(&headers))
        });
        if lines.len() >= most {
            return Err(ActError::invalid("", format!("must have at most {most} lines")));
        }
        lines.push(match record {
            Ok(line) => Ok(line),
            Err(error) if matches!(error.kind(), csv::ErrorKind::Deserialize { .. }) && lines.is_empty() => {
                return Err(ActError::invalid("", format!("header: {}", csv_sentence(&error))));
            }
            Err(error) => Err(ColumnProblem { column: String::new(), detail: csv_sentence(&error) }),
        });
    }
    Ok(lines)
}

fn csv_sentence(error: &csv::Error) -> String {
    match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!("has {len} columns, not {expected_len}")
        }
        csv::ErrorKind::Utf8 { .. } => "is not UTF-8".to_owned(),
        csv::ErrorKind::Deserialize { err, .. } => err.kind().to_string(),
        _ => "cannot be read".to_owned(),
    }
}

/// The columns that say what a lock is.
pub(crate) struct LockColumns<'a> {
    pub label: &'a str,
    pub kind: &'a str,
    pub hand: &'a str,
    pub standard: &'a str,
    pub escape_route: &'a str,
    pub room_class: &'a str,
}

/// The columns of a line, read one by one; what is wrong is collected.
#[derive(Default)]
pub(crate) struct Columns {
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

    /// A lock; none, when any of its columns is wrong.
    pub fn lock(&mut self, columns: &LockColumns<'_>) -> Option<LockContent> {
        let before = self.problems.len();
        let label = self.read("label", columns.label, Label::parse);
        let kind = self.word("kind", columns.kind);
        let hand = self.optional("hand", columns.hand, FromStr::from_str);
        let standard = self.optional("standard", columns.standard, Reference::parse);
        let escape_route = self.yes_or_no("escape_route", columns.escape_route);
        let room_class = self.optional("room_class", columns.room_class, Slug::parse);
        let (label, kind, escape_route) = (label?, kind?, escape_route?);
        let right = self.problems.len() == before;
        right.then_some(LockContent { label, kind, hand, standard, escape_route, room_class })
    }

    pub fn yes_or_no(&mut self, column: &str, text: &str) -> Option<bool> {
        self.read(column, text, |text| match text {
            "yes" => Ok(true),
            "no" | "" => Ok(false),
            _ => Err("must be yes or no"),
        })
    }
}
