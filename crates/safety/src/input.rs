//! A prescription as data: one JSON object, as `check --case` and each line of a batch has it.

use std::borrow::Cow;

use fangwright_materia::records::{Form, Pot};
use fangwright_materia::{Materia, Resolution, SubstanceIx};
use rustc_hash::FxHashMap;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::case::{Case, Portion, Unread};
use crate::patient::{Exact, Patient};
use crate::report::Override;

/// One line of a prescription given as data.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Line<'a> {
    /// A name in any script; or give `substance`.
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    pub name: Cow<'a, str>,
    /// The id of a substance, where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub substance: Option<String>,
    /// Grams a day.
    #[serde(default)]
    pub grams: Option<Exact>,
    /// What is written on handling: `cook first`, `add last` …
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pot: Vec<Pot>,
}

/// A prescription with what is known of the patient and what the practitioner has set aside.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CaseInput<'a> {
    /// Whatever it is called.
    #[serde(borrow, default, skip_serializing_if = "Option::is_none")]
    pub id: Option<Cow<'a, str>>,
    /// The prescription as text; or give `items`.
    #[serde(borrow, default, skip_serializing_if = "Option::is_none")]
    pub prescription: Option<Cow<'a, str>>,
    /// Its lines; or give `prescription`.
    #[serde(borrow, default, skip_serializing_if = "Vec::is_empty")]
    pub items: Vec<Line<'a>>,
    /// The form; a decoction where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub form: Option<Form>,
    /// For granules: grams of raw drug in one gram.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub granule_ratio: Option<Exact>,
    /// For how many days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days: Option<u32>,
    /// What is known of the patient.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patient: Option<Patient>,
    /// What the practitioner has set aside.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub overrides: Vec<Override>,
}

/// Why a prescription given as data cannot be checked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CaseError {
    /// Neither text nor lines.
    #[error("there is no prescription; give `prescription` as text or `items` as a list of name and grams")]
    Empty,
    /// Both text and lines.
    #[error("both `prescription` and `items` are given; give one of them")]
    Both,
    /// A weight that is no weight.
    #[error("`{name}` has {grams} g; a weight is more than nothing")]
    Weight {
        /// Name of the line.
        name: String,
        /// What was given.
        grams: String,
    },
    /// An id that no record has.
    #[error("no substance has the id `{0}`; give its `name` instead, or `fangwright name` finds the id")]
    NoSuchId(String),
    /// A ratio that is no ratio.
    #[error("a granule ratio of {0} makes no sense; write 5 for 5 to 1")]
    Ratio(String),
}

fn weight(name: &str, grams: Option<Exact>) -> Result<(), CaseError> {
    match grams {
        Some(Exact(g)) if !g.is_positive() => Err(CaseError::Weight { name: name.into(), grams: g.decimal(3) }),
        _ => Ok(()),
    }
}

/// A name looked up before.
#[derive(Debug, Clone)]
enum Met {
    Known(SubstanceIx),
    Unread(Unread),
}

/// Names that were looked up before: in a large batch the same few hundred come again and again.
#[derive(Debug, Default)]
pub struct Names {
    met: FxHashMap<Box<str>, Met>,
}

/// So that a file of nothing but unknown names does not fill the memory.
const MOST_NAMES: usize = 50_000;

impl Names {
    /// Fills `case` with the lines of a prescription.
    ///
    /// # Errors
    /// Where a weight or the ratio is none.
    pub fn fill(&mut self, m: &Materia, input: &CaseInput<'_>, case: &mut Case) -> Result<(), CaseError> {
        if let Some(Exact(ratio)) = input.granule_ratio
            && !ratio.is_positive()
        {
            return Err(CaseError::Ratio(ratio.decimal(3)));
        }
        case.portions.clear();
        case.unread.clear();
        case.written.clear();
        case.form = input.form;
        case.ratio = input.granule_ratio.map(|r| r.0);
        case.days = input.days;
        for (line, item) in (0..).zip(&input.items) {
            match &item.substance {
                None => self.add(m, &item.name, item.grams, &item.pot, line, case)?,
                Some(id) => {
                    let known = m.substance_by_id(id).ok_or_else(|| CaseError::NoSuchId(id.clone()))?;
                    weight(id, item.grams)?;
                    case.portions.push(Portion::new(known, item.grams.map(|g| g.0), &item.pot, line));
                }
            }
        }
        Ok(())
    }

    /// Adds one line to `case`.
    ///
    /// # Errors
    /// Where the weight is none.
    pub fn add(
        &mut self,
        m: &Materia,
        name: &str,
        grams: Option<Exact>,
        pot: &[Pot],
        line: u32,
        case: &mut Case,
    ) -> Result<(), CaseError> {
        weight(name, grams)?;
        let met = match self.met.get(name) {
            Some(met) => met,
            None => {
                if self.met.len() >= MOST_NAMES {
                    self.met.clear();
                }
                let met = match m.resolve(name) {
                    Resolution::Known { substance, .. } => Met::Known(substance),
                    other => Met::Unread(Unread::of(m, name, &other, 0)),
                };
                self.met.entry(name.into()).or_insert(met)
            }
        };
        match met {
            Met::Known(substance) => {
                case.portions.push(Portion::new(*substance, grams.map(|g| g.0), pot, line));
            }
            Met::Unread(unread) => case.unread.push(Unread { line, ..unread.clone() }),
        }
        Ok(())
    }
}

impl CaseInput<'_> {
    /// The same, holding its own texts.
    pub fn into_owned(self) -> CaseInput<'static> {
        let own = |text: Cow<'_, str>| Cow::Owned(text.into_owned());
        CaseInput {
            id: self.id.map(own),
            prescription: self.prescription.map(own),
            items: self.items.into_iter().map(|l| Line { name: own(l.name), ..l }).collect(),
            form: self.form,
            granule_ratio: self.granule_ratio,
            days: self.days,
            patient: self.patient,
            overrides: self.overrides,
        }
    }

    /// Whether it is given as lines; an error where it is given as neither or both.
    ///
    /// # Errors
    /// See there.
    pub fn as_lines(&self) -> Result<bool, CaseError> {
        match (&self.prescription, self.items.is_empty()) {
            (Some(_), true) => Ok(false),
            (None, false) => Ok(true),
            (None, true) => Err(CaseError::Empty),
            (Some(_), false) => Err(CaseError::Both),
        }
    }
}
