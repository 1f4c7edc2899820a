//! What one route takes and answers, said by the room that serves it.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::http::StatusCode;
use schemars::JsonSchema;
use serde_json::{Value, json};

use super::schemas::Schemas;
use super::told_authority;
use crate::export::tables::Which;
use crate::http::Authority;
use crate::http::exports;
use crate::http::problem::Document;

/// Makes a schema once the document is put together.
type Schema = Arc<dyn Fn(&mut Schemas) -> Value + Send + Sync>;

/// A parameter in the path or after the `?`.
#[derive(Clone)]
struct Parameter {
    name: String,
    place: &'static str,
    is_required: bool,
    schema: Value,
}

/// An answer that isn't a problem.
#[derive(Clone)]
struct Answer {
    what: &'static str,
    forms: Vec<(&'static str, Schema)>,
}

/// What a route takes and answers. What every route answers besides is added by the document.
#[derive(Clone)]
pub(crate) struct Operation {
    method: &'static str,
    path: &'static str,
    summary: &'static str,
    parameters: Vec<Parameter>,
    bodies: Vec<(&'static str, Schema)>,
    answers: BTreeMap<u16, Answer>,
    problems: BTreeMap<u16, Vec<&'static str>>,
}

impl Operation {
    /// Of a route as the list of routes has it. The places in its path are described by their names.
    pub(crate) fn new(method: &'static str, path: &'static str, summary: &'static str) -> Self {
        Self {
            method,
            path,
            summary,
            parameters: places(path),
            bodies: Vec::new(),
            answers: BTreeMap::new(),
            problems: BTreeMap::new(),
        }
    }

    /// What may stand after the `?`: the fields of the type that the handler reads it into.
    pub(crate) fn question<T: JsonSchema + 'static>(mut self) -> Self {
        let fields = Schemas::question::<T>().into_iter();
        self.parameters.extend(fields.map(|(name, is_required, schema)| Parameter {
            name,
            place: "query",
            is_required,
            schema,
        }));
        self
    }

    /// A body of JSON.
    pub(crate) fn body<T: JsonSchema + 'static>(mut self) -> Self {
        self.bodies.push(("application/json", Arc::new(Schemas::asked::<T>)));
        self
    }

    /// A body of another form, or whose schema isn't that of one type.
    pub(crate) fn body_as(
        mut self,
        form: &'static str,
        schema: impl Fn(&mut Schemas) -> Value + Send + Sync + 'static,
    ) -> Self {
        self.bodies.push((form, Arc::new(schema)));
        self
    }

    /// An answer of JSON.
    pub(crate) fn answer<T: JsonSchema + 'static>(mut self, status: u16, what: &'static str) -> Self {
        let forms = vec![("application/json", Arc::new(Schemas::answered::<T>) as Schema)];
        self.answers.insert(status, Answer { what, forms });
        self
    }

    /// An answer of another form; given twice for a status it may have either.
    pub(crate) fn answer_as(
        mut self,
        status: u16,
        what: &'static str,
        form: &'static str,
        schema: Value,
    ) -> Self {
        let answer = self.answers.entry(status).or_insert_with(|| Answer { what, forms: Vec::new() });
        answer.forms.push((form, Arc::new(move |_: &mut Schemas| schema.clone())));
        self
    }

    /// A problem that the handler may answer, by its code.
    pub(crate) fn problem(mut self, status: StatusCode, code: &'static str) -> Self {
        self.problems.entry(status.as_u16()).or_default().push(code);
        self
    }

    /// The problems of a body that breaks our limits.
    pub(crate) fn limited_body(self) -> Self {
        self.problem(StatusCode::BAD_REQUEST, "body_broken")
            .problem(StatusCode::REQUEST_TIMEOUT, "body_too_slow")
            .problem(StatusCode::PAYLOAD_TOO_LARGE, "body_too_large")
            .problem(StatusCode::UNSUPPORTED_MEDIA_TYPE, "unsupported_encoding")
    }

    /// Method and path.
    pub(crate) const fn route(&self) -> (&'static str, &'static str) {
        (self.method, self.path)
    }

    /// As the document tells it.
    pub(crate) fn told(&self, authority: Authority, schemas: &mut Schemas) -> Value {
        let (who, security) = told_authority(authority);
        let mut told = json!({
            "operationId": self.id(),
            "summary": self.summary,
            "description": who,
            "security": security,
            "responses": self.responses(authority, schemas),
        });
        if !self.parameters.is_empty() {
            told["parameters"] = self.parameters.iter().map(Parameter::told).collect();
        }
        if !self.bodies.is_empty() {
            told["requestBody"] = json!({"required": true, "content": content(&self.bodies, schemas)});
        }
        told
    }

    /// `get_v1_ledger_head` of `GET /v1/ledger/head`.
    fn id(&self) -> String {
        let path: String =
            self.path.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '_' }).collect();
        let words: Vec<&str> = path.split('_').filter(|word| !word.is_empty()).collect();
        format!("{}_{}", self.method.to_ascii_lowercase(), words.join("_"))
    }

    fn responses(&self, authority: Authority, schemas: &mut Schemas) -> Value {
        let mut responses = json!({});
        for (status, answer) in &self.answers {
            let content = content(&answer.forms, schemas);
            responses[status.to_string()] = json!({"description": answer.what, "content": content});
        }
        let mut problems = self.problems.clone();
        for (status, code) in problems_of_layers(self.path, authority) {
            problems.entry(status.as_u16()).or_default().push(code);
        }
        for (status, mut codes) in problems {
            codes.sort_unstable();
            codes.dedup();
            responses[status.to_string()] = told_problem(status, &codes, schemas);
        }
        responses
    }
}

/// The places of a path: `{device_id}` and the like.
fn places(path: &str) -> Vec<Parameter> {
    let names = path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'));
    let told = names.map(|name| Parameter {
        name: name.to_owned(),
        place: "path",
        is_required: true,
        schema: place_schema(name),
    });
    told.collect()
}

/// What may stand at a place of a path.
fn place_schema(name: &str) -> Value {
    match name {
        // Imported laptops bring ids of their own; asset tags are taken too.
        "device_id" => {
            json!({"type": "string", "minLength": 1, "description": "the laptop: device id, its first 8 characters or more, or asset tag"})
        }
        "digest" => json!({"type": "string", "pattern": "^[0-9a-f]{64}$", "description": "SHA-256, hex"}),
        "grant_id" => json!({"type": "integer", "minimum": 1, "description": "the grant's number"}),
        "kind" => {
            let kinds = Which::ALL.into_iter().map(Which::name).chain([exports::AUDIT]);
            json!({"type": "string", "enum": kinds.collect::<Vec<_>>()})
        }
        _ => json!({"type": "string", "minLength": 1}),
    }
}

impl Parameter {
    fn told(&self) -> Value {
        let mut schema = self.schema.clone();
        let description = schema.as_object_mut().and_then(|s| s.remove("description"));
        let mut told = json!({
            "name": self.name, "in": self.place, "required": self.is_required, "schema": schema,
        });
        if let Some(description) = description {
            told["description"] = description;
        }
        told
    }
}

fn content(forms: &[(&'static str, Schema)], schemas: &mut Schemas) -> Value {
    let mut content = json!({});
    for (form, schema) in forms {
        content[*form] = json!({"schema": schema(schemas)});
    }
    content
}

/// What the gate and the other layers around a handler may answer in its place.
fn problems_of_layers(path: &str, authority: Authority) -> Vec<(StatusCode, &'static str)> {
    let mut problems = vec![(StatusCode::INTERNAL_SERVER_ERROR, "internal")];
    if path != "/healthz" {
        problems.push((StatusCode::SERVICE_UNAVAILABLE, "overloaded"));
    }
    if matches!(authority, Authority::DeviceOrPeople(_)) {
        problems.extend([
            (StatusCode::BAD_REQUEST, "bad_format"),
            (StatusCode::UNAUTHORIZED, "stale_request"),
            (StatusCode::FORBIDDEN, "bad_signature"),
            (StatusCode::FORBIDDEN, "unknown_device"),
            (StatusCode::FORBIDDEN, "revoked_device"),
        ]);
    }
    if matches!(authority, Authority::People(_) | Authority::DeviceOrPeople(_)) {
        problems.extend([
            (StatusCode::UNAUTHORIZED, "sign_in_needed"),
            (StatusCode::UNAUTHORIZED, "bad_token"),
            (StatusCode::FORBIDDEN, "role_forbids"),
            (StatusCode::FORBIDDEN, "forged_change"),
            (StatusCode::TOO_MANY_REQUESTS, "too_many_tries"),
        ]);
    }
    problems
}

fn told_problem(status: u16, codes: &[&str], schemas: &mut Schemas) -> Value {
    let codes: Vec<String> = codes.iter().map(|code| format!("`{code}`")).collect();
    let mut told = json!({
        "description": format!("Problem: {}", codes.join(", ")),
        "content": {"application/problem+json": {"schema": schemas.answered::<Document<'static>>()}},
    });
    if status == 503 || status == 429 {
        let seconds = json!({"type": "integer", "minimum": 0});
        let what = "seconds after which to come again";
        told["headers"] = json!({"Retry-After": {"description": what, "schema": seconds}});
    }
    told
}
