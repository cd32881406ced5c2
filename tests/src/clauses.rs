//! Clauses of old books that name a formula for findings, as the ranking sees them.

use std::collections::BTreeMap;

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

    /// Its findings in the words of the vocabulary, as a reader coded each phrase who saw neither clause nor formula
    /// (`clause-words.tsv`; `!` for what is said not to be there).
    ///
    /// # Panics
    /// If a phrase was not coded, or as something that the vocabulary lacks.
    pub fn coded(&self, terms: &Terms, words: &BTreeMap<String, String>) -> Presentation {
        let mut p = Presentation::default();
        let each = self.found.iter().map(|t| (t, true)).chain(self.absent.iter().map(|t| (t, false)));
        for (text, there) in each {
            let code = words.get(text).unwrap_or_else(|| panic!("`{text}` is not coded"));
            for id in code.split('+').filter(|id| *id != "-") {
                let (id, said) = id.strip_prefix('!').map_or((id, true), |id| (id, false));
                let finding = terms.by_id(id).unwrap_or_else(|| panic!("`{text}`: no finding `{id}`"));
                if said == there { &mut p.present } else { &mut p.absent }.push(finding);
            }
        }
        for list in [&mut p.present, &mut p.absent] {
            list.sort_unstable();
            list.dedup();
        }
        p
    }

    /// Its findings as the program reads the words of the book, and the phrases that were not wholly read.
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

/// The coding of every phrase.
///
/// # Panics
/// If the table is not there.
pub fn words() -> BTreeMap<String, String> {
    let text = std::fs::read_to_string(crate::reference().join("clause-words.tsv")).expect("the coding is there");
    text.lines().filter_map(|l| l.split_once('\t')).map(|(a, b)| (a.into(), b.into())).collect()
}
