//! Addresses, questions and JSON that cannot be read: refused as a [`Problem`], in our own words.
//!
//! The libraries that read them speak to programmers ("invalid type: string, expected u32"). Their sentences have the few
//! forms that `serde::de::Error` gives them; here each is said as a person would.

use axum::extract::FromRequestParts;
use axum::extract::rejection::QueryRejection;
use axum::http::request::Parts;
use axum::http::{StatusCode, Uri};
use serde::de::DeserializeOwned;
use serde_json::error::Category;

use super::Problem;

/// Code of a question that isn't understood.
pub(super) const BAD_QUERY: &str = "bad_query";

/// What stands in the address between its slashes.
pub(super) struct Path<T>(pub(super) T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for Path<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let read = axum::extract::Path::<T>::from_request_parts(parts, state).await;
        read.map(|axum::extract::Path(read)| Self(read)).map_err(|_| unreadable(&parts.uri))
    }
}

fn unreadable(address: &Uri) -> Problem {
    let detail = format!(
        "`{}` cannot be read as an address of this hub; type it again, or follow a link",
        address.path()
    );
    Problem::new(StatusCode::NOT_FOUND, "not_found", "nothing at this address", detail)
}

/// What stands after the `?`.
pub(super) struct Query<T>(pub(super) T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for Query<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        question(axum::extract::Query::<T>::from_request_parts(parts, state).await).map(Self)
    }
}

/// What a question asks for.
///
/// # Errors
/// What of it isn't understood.
fn question<T>(asked: Result<axum::extract::Query<T>, QueryRejection>) -> Result<T, Problem> {
    asked.map(|axum::extract::Query(asked)| asked).map_err(|e| {
        let said = e.body_text();
        bad_query(plain(said.strip_prefix("Failed to deserialize query string: ").unwrap_or(&said)))
    })
}

pub(super) fn bad_query(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, BAD_QUERY, "question not understood", detail)
}

/// JSON of a known shape.
///
/// # Errors
/// Where it breaks off, isn't JSON, or what of it has another shape, in words.
pub(super) fn json<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, String> {
    serde_json::from_slice(bytes).map_err(|e| {
        let place = format!("line {}, column {}", e.line(), e.column());
        match e.classify() {
            _ if bytes.trim_ascii().is_empty() => "nothing was sent; send a JSON document".to_owned(),
            Category::Eof | Category::Io => format!("the JSON breaks off at {place}"),
            Category::Syntax => format!("this is not JSON at {place}"),
            Category::Data => {
                let said = e.to_string();
                let said = said.rsplit_once(" at line ").map_or(said.as_str(), |(said, _)| said);
                format!("{place}: {}", plain(said))
            }
        }
    })
}

/// What a reading library says, in our own words; what our own readers say stands as it is.
fn plain(said: &str) -> String {
    let (path, said) = match said.split_once(": ") {
        // Where in the question, which our own words name in front.
        Some((path, rest)) if is_name(path) => (Some(path), rest),
        _ => (None, said),
    };
    let about = |what: String| path.map_or_else(|| what.clone(), |path| format!("`{path}`: {what}"));
    let forms = [
        ("unknown field ", "is not known here"),
        ("missing field ", "is missing"),
        ("duplicate field ", "stands there more than once"),
        ("unknown variant ", "is not known here"),
    ];
    for (theirs, ours) in forms {
        let Some(rest) = said.strip_prefix(theirs) else { continue };
        let (name, others) = rest.split_once(", ").unwrap_or((rest, ""));
        let may_be = others.strip_prefix("expected ").map(|o| o.strip_prefix("one of ").unwrap_or(o));
        let may_be = may_be.map(|names| format!("; it may be {names}")).unwrap_or_default();
        // A field that isn't known is where the question breaks: it needn't be named twice.
        return if path.is_some_and(|path| name == format!("`{path}`")) {
            format!("{name} {ours}{may_be}")
        } else {
            about(format!("{name} {ours}{may_be}"))
        };
    }
    for (theirs, middle) in
        [("invalid type: ", "stands"), ("invalid value: ", "stands"), ("invalid length ", "is the length")]
    {
        let Some((given, wanted)) = said.strip_prefix(theirs).and_then(|rest| rest.split_once(", expected "))
        else {
            continue;
        };
        return about(format!("{} {middle} where {} is wanted", kind(given), kind(wanted)));
    }
    about(match said {
        "invalid digit found in string" | "cannot parse integer from empty string" => {
            "give a whole number".to_owned()
        }
        "number too large to fit in target type" | "number too small to fit in target type" => {
            "the number is out of range".to_owned()
        }
        "invalid float literal" | "cannot parse float from empty string" => "give a number".to_owned(),
        "provided string was not `true` or `false`" => "give `true` or `false`".to_owned(),
        _ if said.starts_with("data did not match any variant") => {
            "it has none of the shapes that this address takes; see `/openapi.json`".to_owned()
        }
        said => said.to_owned(),
    })
}

fn is_name(text: &str) -> bool {
    !text.is_empty()
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'.' | b'[' | b']' | b'-'))
}

/// A kind of value, as a person calls it.
fn kind(theirs: &str) -> String {
    let is_integer =
        matches!(theirs, "u8" | "u16" | "u32" | "u64" | "usize" | "i8" | "i16" | "i32" | "i64" | "isize");
    match theirs {
        _ if is_integer => "a whole number".to_owned(),
        "f32" | "f64" => "a number".to_owned(),
        "a string" | "string" | "a borrowed string" => "text".to_owned(),
        "a boolean" => "`true` or `false`".to_owned(),
        "null" => "nothing (`null`)".to_owned(),
        "map" => "an object".to_owned(),
        "a sequence" | "sequence" => "a list".to_owned(),
        _ if theirs.starts_with("struct ") || theirs.starts_with("internally tagged enum ") => {
            "an object".to_owned()
        }
        _ => {
            // `string "x"`, `integer `7``, `boolean `true``, `floating point `1.5``.
            let rest = |kind: &str| theirs.strip_prefix(kind).map(|value| value.trim_matches('`').to_owned());
            rest("string ")
                .map(|value| format!("the text {value}"))
                .or_else(|| rest("integer ").map(|value| format!("the number {value}")))
                .or_else(|| rest("floating point ").map(|value| format!("the number {value}")))
                .or_else(|| rest("boolean ").map(|value| format!("`{value}`")))
                .unwrap_or_else(|| theirs.to_owned())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Wanted {
        #[allow(dead_code, reason = "only read")]
        hours: Option<f64>,
        #[allow(dead_code, reason = "only read")]
        limit: u32,
        #[allow(dead_code, reason = "only read")]
        whole: Option<bool>,
        #[allow(dead_code, reason = "only read")]
        form: Option<Form>,
    }

    #[derive(Debug, serde::Deserialize)]
    #[serde(rename_all = "snake_case")]
    enum Form {
        Csv,
        Json,
    }

    #[test]
    fn a_question_is_refused_in_our_words() {
        for (asked, said) in [
            ("limit=x", "`limit`: give a whole number"),
            ("limit=", "`limit`: give a whole number"),
            ("limit=99999999999", "`limit`: the number is out of range"),
            ("limit=1&hours=x", "`hours`: give a number"),
            ("limit=1&whole=yes", "`whole`: give `true` or `false`"),
            ("limit=1&form=pdf", "`form`: `pdf` is not known here; it may be `csv` or `json`"),
            ("limit=1&colour=red", "`colour` is not known here; it may be `hours`, `limit`, `whole`, `form`"),
            ("", "`limit` is missing"),
            ("limit=1&limit=2", "`limit` stands there more than once"),
        ] {
            let address: Uri = format!("/v1/fleet?{asked}").parse().unwrap();
            let refused = question(axum::extract::Query::<Wanted>::try_from_uri(&address)).unwrap_err();
            assert_eq!(refused.detail(), said, "{asked}");
        }
    }

    #[test]
    fn json_is_refused_in_our_words_with_its_place() {
        for (sent, said) in [
            ("", "nothing was sent; send a JSON document"),
            ("{\"limit\": 1", "the JSON breaks off at line 1, column 11"),
            ("{limit: 1}", "this is not JSON at line 1, column 2"),
            (
                "{\n\"limit\": \"x\"}",
                "line 2, column 12: the text \"x\" stands where a whole number is wanted",
            ),
            ("{\"limit\": -1}", "line 1, column 12: the number -1 stands where a whole number is wanted"),
            ("[]", "line 1, column 2: 0 is the length where an object is wanted"),
            ("7", "line 1, column 1: the number 7 stands where an object is wanted"),
            (
                "{\"limit\": null}",
                "line 1, column 14: nothing (`null`) stands where a whole number is wanted",
            ),
            ("{}", "line 1, column 2: `limit` is missing"),
        ] {
            assert_eq!(json::<Wanted>(sent.as_bytes()).unwrap_err(), said, "{sent}");
        }
    }
}
