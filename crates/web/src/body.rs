//! Request bodies: every wrong field at once, unknown fields refused.
//!
//! A body is declared once; the declaration gives the struct, its reading and its description:
//!
//! ```text
//! body! {
//!     /// What a lock is.
//!     pub struct LockBody {
//!         /// What is written on its line in the schedule.
//!         label: Label,
//!         /// On which side the door hangs.
//!         hand: Option<Hand>,
//!     }
//! }
//! ```

use serde::de::DeserializeOwned;
use serde_json::{Map, Value};
use utoipa::openapi::{RefOr, Schema};

use application::FieldProblem;

/// The fields of a body, taken out one by one; what is wrong is collected.
pub struct Fields {
    fields: Map<String, Value>,
    problems: Vec<FieldProblem>,
}

impl Fields {
    /// Of an object.
    pub fn new(fields: Map<String, Value>) -> Self {
        Self { fields, problems: Vec::new() }
    }

    /// Takes a field; an absent one is read as `null`, so that only an `Option` may be absent.
    pub fn take<T: DeserializeOwned>(&mut self, name: &str) -> Option<T> {
        let found = self.fields.remove(name);
        let absent = found.is_none();
        match serde_path_to_error::deserialize::<_, T>(found.unwrap_or(Value::Null)) {
            Ok(value) => Some(value),
            Err(_) if absent => {
                self.problems.push(FieldProblem::new(format!("/{name}"), "is required"));
                None
            }
            Err(error) => {
                let pointer = pointer(name, error.path());
                self.problems.push(FieldProblem::new(pointer, sentence(&error.inner().to_string())));
                None
            }
        }
    }

    /// What was wrong, unknown fields too; nothing, when the body was read.
    pub fn finish(self) -> Vec<FieldProblem> {
        let mut problems = self.problems;
        for name in self.fields.keys() {
            problems.push(FieldProblem::new(format!("/{}", escaped(name)), "is not a field of this request"));
        }
        problems
    }
}

/// RFC 6901 s. 3.
fn escaped(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}

fn pointer(name: &str, path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    let mut pointer = format!("/{name}");
    for segment in path {
        match segment {
            Segment::Seq { index } => pointer = format!("{pointer}/{index}"),
            Segment::Map { key } => pointer = format!("{pointer}/{}", escaped(key)),
            Segment::Enum { .. } | Segment::Unknown => {}
        }
    }
    pointer
}

/// What serde says, without the value that was sent, which may be anything, and without Rust's words.
fn sentence(message: &str) -> String {
    let message = message.split(" at line ").next().unwrap_or(message);
    if let Some(name) = message.strip_prefix("unknown field `").and_then(|rest| rest.split('`').next()) {
        return format!("has a field {name:?} that is not known");
    }
    let Some((_, expected)) = message.split_once(", expected ") else { return message.to_owned() };
    let number = expected.strip_prefix(['u', 'i']).is_some_and(|bits| bits.parse::<u8>().is_ok());
    match expected {
        _ if number => "must be a whole number in range".to_owned(),
        "a formatted UUID string" => "must be a UUID".to_owned(),
        "a sequence" => "must be a list".to_owned(),
        _ if expected.starts_with("struct ") => "must be an object".to_owned(),
        _ => match expected.strip_prefix("one of ") {
            Some(words) => format!("must be one of {}", words.replace('`', "")),
            None => format!("must be {}", expected.replace('`', "")),
        },
    }
}

/// Schemas by their names.
pub type Schemas = Vec<(String, RefOr<Schema>)>;

/// A body that is read from its fields.
pub trait FromFields: Sized {
    /// Takes every field, so that every wrong one is told.
    fn from_fields(fields: &mut Fields) -> Option<Self>;

    /// Adds what it is described by, and gives its name there; none, where nothing is sent.
    fn described(_: &mut Schemas) -> Option<String> {
        None
    }
}

/// A body without fields.
pub struct EmptyBody;

impl FromFields for EmptyBody {
    fn from_fields(_: &mut Fields) -> Option<Self> {
        Some(Self)
    }
}

macro_rules! body {
    ($( $(#[$meta:meta])* pub struct $name:ident { $( $(#[$field_meta:meta])* $field:ident: $type:ty, )+ } )+) => { $(
        $(#[$meta])*
        #[derive(utoipa::ToSchema)]
        pub struct $name {
            $( $(#[$field_meta])* pub $field: $type, )+
        }

        impl $crate::body::FromFields for $name {
            fn from_fields(fields: &mut $crate::body::Fields) -> Option<Self> {
                $( let $field = fields.take(stringify!($field)); )+
                Some(Self { $( $field: $field? ),+ })
            }

            fn described(schemas: &mut $crate::body::Schemas) -> Option<String> {
                let name = <Self as utoipa::ToSchema>::name().into_owned();
                schemas.push((name.clone(), <Self as utoipa::PartialSchema>::schema()));
                <Self as utoipa::ToSchema>::schemas(schemas);
                Some(name)
            }
        }
    )+ };
}
