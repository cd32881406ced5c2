//! Clauses of old books that name a formula for findings, as the ranking sees them.

use fangwright_materia::Materia;
use fangwright_pattern::{Presentation, Terms};
use serde::Deserialize;

/// A file of clauses.
#[derive(Debug, Deserialize)]
pub struct Clauses {
    /// All of them.
    pub clause: Vec<Clause>,
}

/// One clause.
#[derive(Debug, Deserialize)]
pub struct Clause {
    /// Its usual number, or its place in the file.
    pub number: u32,
    /// Findings, as the book writes them.
    pub found: Vec<String>,
    /// Findings that the book says are not there.
    #[serde(default)]
    pub absent: Vec<String>,
    formula: String,
    #[serde(default)]
    also: Vec<String>,
}

impl Clause {
    /// Whether the book names this formula.
    pub fn names(&self, formula: &str) -> bool {
        self.formula == formula || self.also.iter().any(|f| f == formula)
    }

    /// The formula that it names first.
    pub fn formula(&self) -> &str {
        &self.formula
    }

    /// Its findings, and the phrases that were not wholly read.
    pub fn presentation(&self, m: &Materia, terms: &Terms) -> (Presentation, Vec<&str>) {
        let mut p = Presentation::default();
        let mut unread = Vec::new();
        for text in &self.found {
            let noted = terms.read(m, text);
            if !noted.unread.is_empty() {
                unread.push(text.as_str());
            }
            p.present.extend(noted.present.iter().map(|x| x.0));
            p.absent.extend(noted.absent.iter().map(|x| x.0));
        }
        for text in &self.absent {
            p.absent.extend(terms.read(m, text).present.iter().map(|x| x.0));
        }
        p.present.sort_unstable();
        p.present.dedup();
        (p, unread)
    }
}
