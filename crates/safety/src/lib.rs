//! Checks a prescription against what could hurt somebody.
//!
//! Every rule is a record of `data/safety/`; this crate knows no substance, medicine or disease by name. What cannot
//! be checked is a finding too, and nothing here ever says that a prescription is safe.
//!
//! ```
//! use fangwright_formula::{Conventions, read};
//! use fangwright_materia::Materia;
//! use fangwright_materia::records::Severity;
//! use fangwright_safety::{Case, Facts, Patient, Rulebook};
//!
//! let materia = Materia::embedded();
//! let book = Rulebook::new(&materia);
//! let rx = read(&materia, "丹参 15g, 川芎 9g, 红花 6g");
//! let case = Case::of_prescription(&materia, &rx, &Conventions::usual(&materia));
//! let patient = Patient { medicines: Some(vec!["warfarin".into()]), ..Patient::default() };
//! let facts = Facts::new(&book, &patient)?;
//! let report = book.check(&materia, &case, &facts, &[]);
//! assert!(report.stands());
//! assert_eq!(report.findings[0].severity, Severity::Grave);
//! assert_eq!(report.findings[0].topic, "bleeding");
//! // The patient's pregnancy was not asked about: that is said.
//! assert!(report.findings.iter().any(|f| f.severity == Severity::NotChecked));
//! # Ok::<(), fangwright_safety::PatientError>(())
//! ```

mod case;
mod input;
mod patient;
mod report;
mod rulebook;
mod scan;
mod words;

pub use case::{Case, Portion, Unread};
pub use input::{CaseError, CaseInput, Head, Line, Names};
pub use patient::{Exact, Facts, Patient, PatientError};
pub use report::{Finding, Fire, Looked, Override, Refused, Report};
pub use rulebook::Rulebook;
pub use scan::{Hit, Scratch};
