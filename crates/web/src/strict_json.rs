//! JSON in which no member comes twice: two programs that read the same bytes must not read two things
//! (RFC 8259 section 4; RFC 7493 section 2.3).

use std::fmt;

use serde::de::{Deserialize, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

/// A JSON value without members that come twice.
pub struct Strict(pub Value);

impl<'de> Deserialize<'de> for Strict {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(StrictVisitor).map(Self)
    }
}

struct StrictVisitor;

impl<'de> Visitor<'de> for StrictVisitor {
    type Value = Value;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("JSON")
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E>(self, value: f64) -> Result<Value, E> {
        Ok(Number::from_f64(value).map_or(Value::Null, Value::Number))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
        let mut all = Vec::new();
        while let Some(Strict(item)) = items.next_element()? {
            all.push(item);
        }
        Ok(all.into())
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Value, A::Error> {
        let mut all = Map::new();
        while let Some((name, Strict(value))) = members.next_entry::<String, Strict>()? {
            if all.insert(name, value).is_some() {
                return Err(A::Error::custom("a member comes twice"));
            }
        }
        Ok(all.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_member_comes_once_at_every_depth() {
        let read = |text: &str| serde_json::from_str::<Strict>(text).map(|Strict(value)| value);
        let good = r#"{"a": [1, -2, 2.5, "x", null, true, {"b": {}}], "A": {"a": 1}}"#;
        assert_eq!(read(good).unwrap(), serde_json::from_str::<Value>(good).unwrap());
        for twice in
            [r#"{"a": 1, "a": 1}"#, r#"{"x": {"a": 1, "b": 2, "a": 3}}"#, r#"[{"a": 1, "\u0061": 2}]"#]
        {
            assert!(read(twice).is_err(), "{twice}");
        }
    }
}
