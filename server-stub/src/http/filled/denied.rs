//! Why something is not done: the same words for a form and for a program, each under the codes of its own.

use std::borrow::Cow;

use axum::http::StatusCode;

use crate::http::{BAD_BODY, BAD_FORM, NOT_NOW, Problem};
use crate::store::StoreError;

/// Why something is not done.
#[derive(Debug)]
pub(in crate::http) enum Denied {
    /// What was given cannot be taken.
    Bad {
        /// Which field of it.
        field: &'static str,
        /// What is wrong, in words.
        what: String,
    },
    /// Not as things stand.
    NotNow {
        /// What a program may branch on.
        code: &'static str,
        /// Which field it is about.
        field: Option<&'static str>,
        /// Why, in words.
        what: String,
    },
    /// A field names something that isn't there.
    Unknown {
        /// What a program may branch on.
        code: &'static str,
        /// Which field.
        field: &'static str,
        /// What, in words.
        what: Cow<'static, str>,
    },
    /// There is none, or it is not theirs to see.
    NoSuch {
        /// What a program may branch on.
        code: &'static str,
        /// What, in a word or two.
        what: &'static str,
    },
    /// Another problem, the same for both.
    Other(Problem),
}

impl Denied {
    pub(in crate::http) fn bad(field: &'static str, what: impl Into<String>) -> Self {
        Self::Bad { field, what: what.into() }
    }

    pub(in crate::http) fn not_now(code: &'static str, what: impl Into<String>) -> Self {
        Self::NotNow { code, field: None, what: what.into() }
    }

    /// As a form is told.
    pub(in crate::http) fn on_page(self) -> Problem {
        match self {
            Self::Bad { what, .. } => bad_form(what),
            Self::Unknown { what, .. } => bad_form(what.into_owned()),
            Self::NotNow { what, .. } => {
                Problem::new(StatusCode::CONFLICT, NOT_NOW, "not possible as things stand", what)
            }
            Self::NoSuch { what, .. } => {
                let detail = format!("there is no such {what}, or it is not yours to see");
                Problem::new(StatusCode::NOT_FOUND, "not_found", "no such page", detail)
            }
            Self::Other(problem) => problem,
        }
    }

    /// As a program is told.
    pub(in crate::http) fn in_api(self) -> Problem {
        match self {
            Self::Bad { field, what } => {
                let title = "what was sent cannot be taken";
                Problem::new(StatusCode::UNPROCESSABLE_ENTITY, BAD_BODY, title, what).about(field)
            }
            Self::NotNow { code, field, what } => {
                let problem = Problem::new(StatusCode::CONFLICT, code, "not possible as things stand", what);
                match field {
                    Some(field) => problem.about(field),
                    None => problem,
                }
            }
            Self::Unknown { code, field, what } => {
                Problem::new(StatusCode::NOT_FOUND, code, "no such thing", what).about(field)
            }
            Self::NoSuch { code, what } => {
                let detail = format!("there is no such {what}, or it is not yours to see");
                Problem::new(StatusCode::NOT_FOUND, code, "no such thing", detail)
            }
            Self::Other(problem) => problem,
        }
    }
}

fn bad_form(what: String) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, BAD_FORM, "the form cannot be taken", what)
}

impl From<StoreError> for Denied {
    fn from(error: StoreError) -> Self {
        Self::Other(Problem::of_store(&error))
    }
}

impl From<Problem> for Denied {
    fn from(problem: Problem) -> Self {
        Self::Other(problem)
    }
}
