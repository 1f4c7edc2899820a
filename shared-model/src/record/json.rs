//! Bytes to a JSON value, strictly: duplicate names, depth, lengths and numbers are checked while reading, so that
//! nothing large or ambiguous is ever built. `serde_json` alone keeps the last of duplicate names.

use std::cell::RefCell;
use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

use super::limits::{MAX_DEPTH, MAX_FIELDS, MAX_NAME_BYTES, MAX_NUMBER, MAX_SAMPLES, MAX_STRING_BYTES};
use super::{Refusal, RefusalCode};

/// Name of the whole document in a refusal.
pub(super) const WHOLE: &str = "document";

/// Longest part of a foreign name or message that is quoted back.
const MAX_QUOTED_CHARS: usize = 160;

/// Reads a document of at most `max_bytes`.
pub(super) fn read(bytes: &[u8], max_bytes: usize) -> Result<Value, Refusal> {
    if bytes.len() > max_bytes {
        let why = format!("{} bytes, at most {max_bytes} are read", bytes.len());
        return Err(Refusal::new(RefusalCode::TooLarge, WHOLE, why));
    }
    let first_refusal = RefCell::new(None);
    let mut json = serde_json::Deserializer::from_slice(bytes);
    let place = Place { at: &At::Whole, depth: 0, refusal: &first_refusal };
    let read = place.deserialize(&mut json).and_then(|value| json.end().map(|()| value));
    read.map_err(|e| {
        let refusal = first_refusal.into_inner();
        let whole = || Refusal::new(RefusalCode::Syntax, WHOLE, String::new());
        let mut refusal = refusal.unwrap_or_else(whole);
        if refusal.code == RefusalCode::Syntax {
            refusal.why = quotable(&e.to_string());
        }
        refusal
    })
}

/// A foreign text cut to what a message can bear, control characters shown as escapes.
pub(super) fn quotable(text: &str) -> String {
    let mut shown = String::new();
    for c in text.chars().take(MAX_QUOTED_CHARS) {
        if c.is_control() { shown.extend(c.escape_unicode()) } else { shown.push(c) }
    }
    shown
}

/// A place in the document, a list on the stack from the innermost outwards.
#[derive(Clone, Copy)]
enum At<'a> {
    Whole,
    Field(&'a At<'a>, &'a str),
    Element(&'a At<'a>, usize),
}

impl At<'_> {
    fn path(&self) -> String {
        match *self {
            Self::Whole => WHOLE.to_owned(),
            Self::Field(Self::Whole, name) => quotable(name),
            Self::Field(outer, name) => format!("{}.{}", outer.path(), quotable(name)),
            Self::Element(outer, idx) => format!("{}[{idx}]", outer.path()),
        }
    }
}

/// Reads the value at one place.
#[derive(Clone, Copy)]
struct Place<'a> {
    at: &'a At<'a>,
    depth: usize,
    refusal: &'a RefCell<Option<Refusal>>,
}

impl Place<'_> {
    fn refuse<E: Error>(&self, code: RefusalCode, why: impl Into<String>) -> E {
        self.note(code, why);
        E::custom("refused")
    }

    /// Keeps the innermost refusal: errors come out from the inside.
    fn note(&self, code: RefusalCode, why: impl Into<String>) {
        let mut kept = self.refusal.borrow_mut();
        if kept.is_none() {
            *kept = Some(Refusal::new(code, self.at.path(), why));
        }
    }

    fn check_depth<E: Error>(&self) -> Result<(), E> {
        if self.depth >= MAX_DEPTH {
            return Err(self.refuse(RefusalCode::TooDeep, format!("nested deeper than {MAX_DEPTH}")));
        }
        Ok(())
    }

    fn text<E: Error>(&self, text: &str) -> Result<Value, E> {
        if text.len() > MAX_STRING_BYTES {
            let why = format!("{} bytes, at most {MAX_STRING_BYTES}", text.len());
            return Err(self.refuse(RefusalCode::TextTooLong, why));
        }
        if text.chars().any(char::is_control) {
            return Err(self.refuse(RefusalCode::BadText, "control characters in a text"));
        }
        Ok(Value::String(text.to_owned()))
    }

    fn number<E: Error>(&self, magnitude: f64, number: Option<Number>) -> Result<Value, E> {
        match number {
            Some(number) if magnitude.abs() <= MAX_NUMBER => Ok(Value::Number(number)),
            _ => Err(self.refuse(RefusalCode::NumberTooLarge, "beyond ±(2^53 − 1)")),
        }
    }
}

impl<'de> DeserializeSeed<'de> for Place<'_> {
    type Value = Value;
    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<Value, D::Error> {
        // A syntax error has no place of its own; the innermost value that was being read is it.
        json.deserialize_any(self).inspect_err(|_| self.note(RefusalCode::Syntax, ""))
    }
}

impl<'de> Visitor<'de> for Place<'_> {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }

    fn visit_unit<E: Error>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E: Error>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_u64<E: Error>(self, value: u64) -> Result<Value, E> {
        self.number(value as f64, Some(value.into()))
    }

    fn visit_i64<E: Error>(self, value: i64) -> Result<Value, E> {
        self.number(value as f64, Some(value.into()))
    }

    fn visit_f64<E: Error>(self, value: f64) -> Result<Value, E> {
        self.number(value, Number::from_f64(value))
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Value, E> {
        self.text(text)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        self.check_depth()?;
        let mut values = Vec::new();
        loop {
            let at = At::Element(self.at, values.len());
            let place = Place { at: &at, depth: self.depth + 1, refusal: self.refusal };
            let Some(value) = seq.next_element_seed(place)? else { return Ok(Value::Array(values)) };
            if values.len() == MAX_SAMPLES {
                let why = format!("more than {MAX_SAMPLES} elements");
                return Err(self.refuse(RefusalCode::TooMany, why));
            }
            values.push(value);
        }
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        self.check_depth()?;
        let mut fields = Map::new();
        while let Some(name) = map.next_key::<String>()? {
            let at = At::Field(self.at, &name);
            let place = Place { at: &at, depth: self.depth + 1, refusal: self.refusal };
            place.check_name(&name, &fields)?;
            let value = map.next_value_seed(place)?;
            fields.insert(name, value);
        }
        Ok(Value::Object(fields))
    }
}

impl Place<'_> {
    /// Checks the name of the field at this place against those before it.
    fn check_name<E: Error>(&self, name: &str, before: &Map<String, Value>) -> Result<(), E> {
        if before.contains_key(name) {
            return Err(self.refuse(RefusalCode::DuplicateField, "the same name twice in one object"));
        }
        if name.len() > MAX_NAME_BYTES {
            let why = format!("a name of {} bytes, at most {MAX_NAME_BYTES}", name.len());
            return Err(self.refuse(RefusalCode::TextTooLong, why));
        }
        if name.chars().any(char::is_control) {
            return Err(self.refuse(RefusalCode::BadText, "control characters in a name"));
        }
        if before.len() == MAX_FIELDS {
            return Err(self.refuse(RefusalCode::TooMany, format!("more than {MAX_FIELDS} fields")));
        }
        Ok(())
    }
}
