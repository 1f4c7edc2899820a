//! What a hub answered, and what follows from it.

use serde::Deserialize;

/// Longest refusal that is shown or kept, characters: it comes from outside.
const WORDS_MAX: usize = 500;

/// An HTTP answer.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Answer {
    /// Status code.
    pub status: u16,
    /// `Retry-After` in seconds, where it was given so.
    pub retry_after_s: Option<u64>,
    /// Body, cut at the client's limit.
    pub body: Vec<u8>,
}

/// What follows from an answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    /// It is durable there.
    Taken,
    /// Not now: try again, perhaps after a time that the hub names.
    Later {
        /// Why.
        why: String,
        /// Not before this many seconds.
        after_s: Option<u64>,
    },
    /// This device isn't known or allowed: no record of it will be taken.
    Denied {
        /// Why.
        why: String,
    },
    /// This document will never be taken.
    Refused {
        /// Why, with the field.
        why: String,
    },
    /// What answers there is no hub, or another version of it.
    NoHub {
        /// Why it is thought so.
        why: String,
    },
}

/// A problem document (RFC 9457) as far as it is used here.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(default)]
pub struct Problem {
    /// Short summary.
    pub title: Option<String>,
    /// This occurrence.
    pub detail: Option<String>,
    /// The field of the document.
    pub field: Option<String>,
    /// A name for programs.
    pub r#type: Option<String>,
}

/// Problem types that are about the device, not about the document: they end in these names.
const OF_THE_DEVICE: [&str; 2] = ["unknown_device", "revoked_device"];

impl Answer {
    /// What follows. The table of statuses stands here once.
    pub fn verdict(&self) -> Verdict {
        match self.status {
            200..=299 => Verdict::Taken,
            403 if self.is_about_document() => Verdict::Refused { why: self.words() },
            401 | 403 => Verdict::Denied { why: self.words() },
            408 | 425 | 429 | 500..=599 => Verdict::Later { why: self.words(), after_s: self.retry_after_s },
            400 | 409 | 410 | 413 | 415 | 422 => Verdict::Refused { why: self.words() },
            // A redirect is not followed: where a signed record goes is what was joined.
            300..=399 => Verdict::NoHub { why: format!("status {}: it points elsewhere", self.status) },
            other => Verdict::NoHub { why: format!("status {other}") },
        }
    }

    fn problem(&self) -> Problem {
        serde_json::from_slice(&self.body).unwrap_or_default()
    }

    /// A wrong signature is forbidden too, but concerns one record; a proxy's bare 403 concerns all of them.
    fn is_about_document(&self) -> bool {
        self.problem().r#type.is_some_and(|t| {
            t.starts_with("urn:windrow:problem:") && !OF_THE_DEVICE.iter().any(|name| t.ends_with(name))
        })
    }

    /// Whether it is the hub's problem of this name.
    pub fn is_problem(&self, code: &str) -> bool {
        let kind = self.problem().r#type;
        kind.is_some_and(|t| t.strip_prefix("urn:windrow:problem:") == Some(code))
    }

    /// The problem document in words, or the status.
    pub fn words(&self) -> String {
        let problem = self.problem();
        let said = problem.detail.or(problem.title);
        let words = match (problem.field, said) {
            (Some(field), Some(said)) => format!("`{field}`: {said}"),
            (Some(field), None) => format!("`{field}`"),
            (None, Some(said)) => said,
            (None, None) => return format!("status {}", self.status),
        };
        let printable: String = words.chars().filter(|c| !c.is_control()).take(WORDS_MAX).collect();
        format!("{printable} (status {})", self.status)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_problem_document_is_told_with_its_field_and_without_control_characters() {
        let body =
            br#"{"title":"refused","detail":"not hex\u001b[31m","field":"header.digest","status":422}"#;
        let answer = Answer { status: 422, body: body.to_vec(), ..Answer::default() };
        assert_eq!(
            answer.verdict(),
            Verdict::Refused { why: "`header.digest`: not hex[31m (status 422)".into() }
        );
    }

    #[test]
    fn a_wrong_signature_concerns_one_record_and_an_unknown_device_all() {
        let answer = |kind: &str| Answer {
            status: 403,
            body: format!(r#"{{"type":"urn:windrow:problem:{kind}"}}"#).into_bytes(),
            ..Answer::default()
        };
        assert!(matches!(answer("bad_signature").verdict(), Verdict::Refused { .. }));
        assert!(matches!(answer("unknown_device").verdict(), Verdict::Denied { .. }));
        assert!(matches!(answer("revoked_device").verdict(), Verdict::Denied { .. }));
    }

    #[test]
    fn every_status_leads_somewhere() {
        let verdict = |status| Answer { status, ..Answer::default() }.verdict();
        assert_eq!(verdict(201), Verdict::Taken);
        assert!(matches!(verdict(503), Verdict::Later { .. }));
        assert!(matches!(verdict(429), Verdict::Later { .. }));
        assert!(matches!(verdict(403), Verdict::Denied { .. }));
        assert!(matches!(verdict(301), Verdict::NoHub { .. }));
        assert!(matches!(verdict(404), Verdict::NoHub { .. }));
        for status in 0..=u16::MAX {
            let _ = verdict(status);
        }
    }
}
