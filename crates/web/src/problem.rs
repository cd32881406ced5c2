//! What went wrong, as a problem document (RFC 9457).

use fangwright_clinic::accounts::AccountError;
use fangwright_clinic::model::SignedFinding;
use fangwright_clinic::{ClinicError, StoreError};
use schemars::JsonSchema;
use serde::Serialize;

/// A problem document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Problem {
    /// HTTP status.
    #[schemars(range(min = 400, max = 599))]
    pub status: u16,
    /// A stable word for the kind of problem.
    pub title: String,
    /// What is wrong, where, and what to do.
    pub detail: String,
    /// What of the safety check stands against it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<SignedFinding>,
    /// Seconds to wait.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wait: Option<u64>,
    /// The methods that are for an address; they stand in a header.
    #[serde(skip)]
    pub allow: Vec<&'static str>,
}

impl Problem {
    /// A problem.
    pub fn new(status: u16, title: &str, detail: impl Into<String>) -> Problem {
        Problem {
            status,
            title: title.into(),
            detail: detail.into(),
            findings: Vec::new(),
            wait: None,
            allow: Vec::new(),
        }
    }

    /// There is no such thing.
    pub fn not_found(what: &str, id: &str) -> Problem {
        Problem::new(404, "not-found", format!("there is no {what} `{id}`"))
    }

    /// It cannot be read.
    pub fn bad(detail: impl Into<String>) -> Problem {
        Problem::new(400, "not-understood", detail)
    }
}

impl From<StoreError> for Problem {
    fn from(e: StoreError) -> Problem {
        let text = e.to_string();
        match e {
            StoreError::Busy(_) | StoreError::Away(_) | StoreError::Closed => Problem::new(503, "store-busy", text),
            StoreError::Full(_) => Problem::new(507, "disk-full", text),
            StoreError::ReadOnly(_) => Problem::new(507, "read-only", text),
            StoreError::Taken(_) => Problem::new(409, "taken", text),
            _ => Problem::new(500, "store-failed", text),
        }
    }
}

impl From<ClinicError> for Problem {
    fn from(e: ClinicError) -> Problem {
        let text = e.to_string();
        match e {
            ClinicError::Store(e) => e.into(),
            ClinicError::NotFound { .. } => Problem::new(404, "not-found", text),
            ClinicError::Changed { .. } => Problem::new(409, "changed", text),
            ClinicError::Signed { .. } => Problem::new(409, "signed", text),
            ClinicError::NotSigned { .. } => Problem::new(409, "not-signed", text),
            ClinicError::Stands { findings } => Problem { findings, ..Problem::new(422, "finding-stands", text) },
            ClinicError::Erased { .. } => Problem::new(410, "erased", text),
            ClinicError::Stock(_) => Problem::new(409, "stock", text),
            ClinicError::Unreadable { .. } => Problem::new(500, "unreadable", text),
            ClinicError::Fault(_) | ClinicError::Case(_) | ClinicError::Patient(_) | ClinicError::Plan(_) => {
                Problem::new(422, "not-sensible", text)
            }
        }
    }
}

impl From<AccountError> for Problem {
    fn from(e: AccountError) -> Problem {
        let text = e.to_string();
        match e {
            AccountError::Store(e) => e.into(),
            AccountError::Refused => Problem::new(401, "refused", text),
            AccountError::CodeWanted => Problem::new(401, "code-wanted", text),
            AccountError::CodeRefused => Problem::new(401, "code-refused", text),
            AccountError::TooMany { seconds } => {
                Problem { wait: Some(seconds), ..Problem::new(429, "too-many-tries", text) }
            }
            AccountError::NotFound(_) => Problem::new(404, "not-found", text),
            AccountError::Taken(_) => Problem::new(409, "taken", text),
            AccountError::NothingToConfirm => Problem::new(409, "nothing-to-confirm", text),
            AccountError::BadId(_) | AccountError::Password(_) => Problem::new(422, "not-sensible", text),
        }
    }
}
