//! A table: columns with their kinds, and rows of typed cells.

use std::io;

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};

/// What stands in a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Words.
    Text,
    /// A count or a rank.
    Integer,
    /// A quantity; its unit ends the column's name.
    Number,
    /// A day.
    Date,
    /// A point in time, UTC.
    Time,
}

impl Kind {
    /// Its name in the export's description.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Integer => "integer",
            Self::Number => "number",
            Self::Date => "date",
            Self::Time => "time",
        }
    }

    /// The kind of a column of the fleet and runs tables, by the rules that their names follow: `_on` is a day, `_at` a
    /// time, a unit or a share a number.
    pub fn of_column(name: &str) -> Self {
        const INTEGERS: [&str; 7] =
            ["rank", "runs", "leaf_idx", "visit_id", "minutes", "corrects", "corrected_by"];
        const NUMBER_ENDS: [&str; 11] =
            ["_c", "_k", "_s", "_rpm", "_w", "_share", "_low", "_high", "_factor", "_fraction", "_benefit"];
        if INTEGERS.contains(&name) {
            Self::Integer
        } else if name.ends_with("_on") {
            Self::Date
        } else if name.ends_with("_at") {
            Self::Time
        } else if name.starts_with("p_") || NUMBER_ENDS.iter().any(|end| name.ends_with(end)) {
            Self::Number
        } else {
            Self::Text
        }
    }
}

/// A column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// Its name: a promise to other programs.
    pub name: &'static str,
    /// What stands in it.
    pub kind: Kind,
}

/// A cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Not known, not read, or not determinable.
    Empty,
    /// Words.
    Text(String),
    /// A count.
    Integer(i64),
    /// A quantity.
    Number(f64),
    /// A day.
    Date(NaiveDate),
    /// A point in time.
    Time(DateTime<Utc>),
}

impl Cell {
    /// Words; none are an empty cell.
    pub fn text(text: impl Into<String>) -> Self {
        let text = text.into();
        if text.is_empty() { Self::Empty } else { Self::Text(text) }
    }

    /// A quantity that may be absent; one that isn't finite is absent.
    pub fn number(value: Option<f64>) -> Self {
        value.filter(|v| v.is_finite()).map_or(Self::Empty, Self::Number)
    }

    /// A day that may be absent.
    pub fn date(day: Option<NaiveDate>) -> Self {
        day.map_or(Self::Empty, Self::Date)
    }

    /// A count that may be absent.
    pub fn integer(n: Option<i64>) -> Self {
        n.map_or(Self::Empty, Self::Integer)
    }

    /// A point in time, milliseconds since the Unix epoch.
    pub fn time_ms(ms: i64) -> Self {
        DateTime::from_timestamp_millis(ms).map_or(Self::Empty, Self::Time)
    }

    /// As it stands in CSV and, unquoted, in JSON; empty for an empty one.
    pub fn plain(&self) -> String {
        match self {
            Self::Empty => String::new(),
            Self::Text(text) => text.clone(),
            Self::Integer(n) => n.to_string(),
            // The shortest digits that read back as the same number.
            Self::Number(v) => format!("{v}"),
            Self::Date(day) => day.to_string(),
            Self::Time(time) => time.to_rfc3339_opts(SecondsFormat::AutoSi, true),
        }
    }

    /// A cell of this kind from a JSON value, for rows that serialise themselves.
    pub fn of_json(value: &serde_json::Value, kind: Kind) -> Self {
        use serde_json::Value;
        match (value, kind) {
            (Value::Number(n), Kind::Integer) => n.as_i64().map_or(Self::Empty, Self::Integer),
            (Value::Number(n), _) => Self::number(n.as_f64()),
            (Value::String(s), Kind::Date) => s.parse().map_or_else(|_| Self::text(s), Self::Date),
            (Value::String(s), Kind::Time) => {
                DateTime::parse_from_rfc3339(s).map_or_else(|_| Self::text(s), |t| Self::Time(t.to_utc()))
            }
            (Value::String(s), _) => Self::text(s),
            (Value::Bool(b), _) => Self::text(b.to_string()),
            _ => Self::Empty,
        }
    }
}

/// Where a table's rows come from.
pub trait Table {
    /// Its name, and its files' without the ending.
    fn name(&self) -> &'static str;
    /// Its columns.
    fn columns(&self) -> &[Column];
    /// Its rows from the start, each with a cell a column. After an error there are no more.
    fn rows(&self) -> Rows<'_>;
}

/// What writes a table's rows in a form, one after the other.
pub trait RowWriter {
    /// The next row.
    ///
    /// # Errors
    /// Where it cannot be written.
    fn row(&mut self, row: &[Cell]) -> io::Result<()>;
    /// There are no more.
    ///
    /// # Errors
    /// Where it cannot be written.
    fn end(&mut self) -> io::Result<()>;
}

/// A table's rows as they are read.
pub type Rows<'a> = Box<dyn Iterator<Item = io::Result<Vec<Cell>>> + 'a>;

/// A JSON Schema (draft 2020-12) of the table's JSON form.
pub fn json_schema(table: &dyn Table) -> serde_json::Value {
    let property = |column: &Column| {
        let mut types = match column.kind {
            Kind::Integer => serde_json::json!({"type": ["integer", "null"]}),
            Kind::Number => serde_json::json!({"type": ["number", "null"]}),
            Kind::Text => serde_json::json!({"type": ["string", "null"]}),
            Kind::Date => serde_json::json!({"type": ["string", "null"], "format": "date"}),
            Kind::Time => serde_json::json!({"type": ["string", "null"], "format": "date-time"}),
        };
        types["title"] = column.name.into();
        (column.name.to_owned(), types)
    };
    let properties: serde_json::Map<String, serde_json::Value> =
        table.columns().iter().map(property).collect();
    let names: Vec<&str> = table.columns().iter().map(|c| c.name).collect();
    serde_json::json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": table.name(),
        "type": "array",
        "items": {"type": "object", "properties": properties, "required": names, "additionalProperties": false},
    })
}
