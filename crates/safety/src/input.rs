//! A prescription as data: one JSON object, as `check --case` and each line of a batch has it.

use std::borrow::Cow;
use std::fmt;

use fangwright_materia::records::{Form, Pot};
use fangwright_materia::{Materia, Resolution, SubstanceIx};
use rustc_hash::FxHashMap;
use schemars::JsonSchema;
use serde::de::{self, DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
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
    /// A line that names nothing.
    #[error("line {0} of the prescription has no name; give `name` or `substance`")]
    NoName(u32),
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
        ratio(input.granule_ratio)?;
        clear(case);
        case.form = input.form;
        case.ratio = input.granule_ratio.map(|r| r.0);
        case.days = input.days;
        for (line, item) in (0..).zip(&input.items) {
            match &item.substance {
                None if item.name.is_empty() => return Err(CaseError::NoName(line + 1)),
                None => self.add(m, &item.name, item.grams, &item.pot, line, case)?,
                Some(id) => by_id(m, id, item.grams, &item.pot, line, case)?,
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

/// What of a [`CaseInput`] does not go into a [`Case`].
#[derive(Debug, Clone, Default)]
pub struct Head<'a> {
    /// Whatever it is called.
    pub id: Option<Cow<'a, str>>,
    /// The prescription as text, still to be read; else the case is filled.
    pub prescription: Option<Cow<'a, str>>,
    /// The form.
    pub form: Option<Form>,
    /// For granules: grams of raw drug in one gram.
    pub granule_ratio: Option<Exact>,
    /// For how many days.
    pub days: Option<u32>,
    /// What is known of the patient.
    pub patient: Option<Patient>,
}

/// A text, borrowed where it needs no unescaping.
struct Text;

impl<'de> DeserializeSeed<'de> for Text {
    type Value = Cow<'de, str>;

    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Cow<'de, str>, D::Error> {
        d.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for Text {
    type Value = Cow<'de, str>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a text")
    }

    fn visit_borrowed_str<E: de::Error>(self, text: &'de str) -> Result<Cow<'de, str>, E> {
        Ok(Cow::Borrowed(text))
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Cow<'de, str>, E> {
        Ok(Cow::Owned(text.into()))
    }
}

/// Reads a [`CaseInput`] line by line into a case, with nothing kept between: a batch spends its time here.
struct Sink<'s> {
    names: &'s mut Names,
    m: &'s Materia,
    case: &'s mut Case,
}

impl<'de> Visitor<'de> for Sink<'_> {
    type Value = Head<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a prescription as an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Head<'de>, A::Error> {
        const FIELDS: [&str; 8] =
            ["id", "prescription", "items", "form", "granule_ratio", "days", "patient", "overrides"];
        let mut head = Head::default();
        let mut lines = 0;
        while let Some(key) = map.next_key_seed(Text)? {
            match key.as_ref() {
                "id" => head.id = Some(map.next_value_seed(Text)?),
                "prescription" => head.prescription = Some(map.next_value_seed(Text)?),
                "items" if lines > 0 => return Err(de::Error::duplicate_field("items")),
                "items" => {
                    lines = map.next_value_seed(Items { names: self.names, m: self.m, case: self.case })?;
                }
                "form" => head.form = map.next_value()?,
                "granule_ratio" => head.granule_ratio = map.next_value()?,
                "days" => head.days = map.next_value()?,
                "patient" => head.patient = map.next_value()?,
                // Nothing is set aside in a batch: it shows what fires.
                "overrides" => drop(map.next_value::<Vec<Override>>()?),
                other => return Err(de::Error::unknown_field(other, &FIELDS)),
            }
        }
        frame(&head, lines > 0, self.case).map_err(de::Error::custom)?;
        Ok(head)
    }
}

struct Items<'s> {
    names: &'s mut Names,
    m: &'s Materia,
    case: &'s mut Case,
}

impl<'de> DeserializeSeed<'de> for Items<'_> {
    type Value = u32;

    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<u32, D::Error> {
        d.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for Items<'_> {
    type Value = u32;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of name and grams")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<u32, A::Error> {
        let mut line = 0;
        let Items { names, m, case } = self;
        while let Some(()) = list.next_element_seed(Item { names: &mut *names, m, case: &mut *case, line })? {
            line += 1;
        }
        Ok(line)
    }
}

struct Item<'s> {
    names: &'s mut Names,
    m: &'s Materia,
    case: &'s mut Case,
    line: u32,
}

impl<'de> DeserializeSeed<'de> for Item<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<(), D::Error> {
        d.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for Item<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a line of a prescription as an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let (mut name, mut substance, mut grams): (Option<Cow<'de, str>>, Option<Cow<'de, str>>, _) =
            (None, None, None);
        let mut pot: Vec<Pot> = Vec::new();
        while let Some(key) = map.next_key_seed(Text)? {
            match key.as_ref() {
                "name" => name = Some(map.next_value_seed(Text)?),
                "substance" => substance = Some(map.next_value_seed(Text)?),
                "grams" => grams = map.next_value::<Option<Exact>>()?,
                "pot" => pot = map.next_value()?,
                other => return Err(de::Error::unknown_field(other, &["name", "substance", "grams", "pot"])),
            }
        }
        let done = match (&substance, &name) {
            (Some(id), _) => by_id(self.m, id, grams, &pot, self.line, self.case),
            (None, Some(name)) => self.names.add(self.m, name, grams, &pot, self.line, self.case),
            (None, None) => Err(CaseError::NoName(self.line + 1)),
        };
        done.map_err(de::Error::custom)
    }
}

impl Names {
    /// Begins a case whose lines are then added one by one.
    ///
    /// # Errors
    /// Where neither or both of text and lines are there, or the ratio is none.
    pub fn begin(&mut self, head: &Head<'_>, lines: bool, case: &mut Case) -> Result<(), CaseError> {
        clear(case);
        frame(head, lines, case)
    }

    /// Reads one [`CaseInput`] into `case`.
    ///
    /// # Errors
    /// Where it has another shape, or is none.
    pub fn read<'de, D: Deserializer<'de>>(
        &mut self,
        m: &Materia,
        d: D,
        case: &mut Case,
    ) -> Result<Head<'de>, D::Error> {
        clear(case);
        d.deserialize_map(Sink { names: self, m, case })
    }
}

/// Puts all but the lines into the case.
fn frame(head: &Head<'_>, lines: bool, case: &mut Case) -> Result<(), CaseError> {
    check_lines(head.prescription.is_some(), lines)?;
    ratio(head.granule_ratio)?;
    case.form = head.form;
    case.ratio = head.granule_ratio.map(|r| r.0);
    case.days = head.days;
    Ok(())
}

fn clear(case: &mut Case) {
    case.portions.clear();
    case.unread.clear();
    case.written.clear();
}

fn by_id(
    m: &Materia,
    id: &str,
    grams: Option<Exact>,
    pot: &[Pot],
    line: u32,
    case: &mut Case,
) -> Result<(), CaseError> {
    let known = m.substance_by_id(id).ok_or_else(|| CaseError::NoSuchId(id.into()))?;
    weight(id, grams)?;
    case.portions.push(Portion::new(known, grams.map(|g| g.0), pot, line));
    Ok(())
}

fn ratio(given: Option<Exact>) -> Result<(), CaseError> {
    match given {
        Some(Exact(ratio)) if !ratio.is_positive() => Err(CaseError::Ratio(ratio.decimal(3))),
        _ => Ok(()),
    }
}

/// One of text and lines has to be given.
fn check_lines(text: bool, lines: bool) -> Result<(), CaseError> {
    match (text, lines) {
        (true, true) => Err(CaseError::Both),
        (false, false) => Err(CaseError::Empty),
        _ => Ok(()),
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
        check_lines(self.prescription.is_some(), !self.items.is_empty())?;
        Ok(self.prescription.is_none())
    }
}
