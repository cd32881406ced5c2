//! What is known of the patient. What is not known is not guessed: rules that ask for it say so.

use std::fmt;

use fangwright_amount::Rational;
use fangwright_materia::records::{ChildMethod, ConditionKind};
use schemars::JsonSchema;
use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize};

use crate::rulebook::{Bits, Rulebook};
use crate::words::Drug;

/// An exact number, read from a JSON number (as the decimal that is written there) or a text such as `1/3`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, JsonSchema)]
#[serde(transparent)]
pub struct Exact(pub Rational);

impl Exact {
    /// The decimal that a double stands for: the shortest one that reads back as the same double.
    pub fn of_double(x: f64) -> Option<Exact> {
        let scaled = (x * 1000.0).round();
        if scaled.abs() < 1e12 && scaled / 1000.0 == x {
            return Rational::new(scaled as i128, 1000).map(Exact);
        }
        format!("{x}").parse().ok().map(Exact)
    }
}

impl<'de> Deserialize<'de> for Exact {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Exact, D::Error> {
        struct Number;
        impl Visitor<'_> for Number {
            type Value = Exact;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number, or a text such as `1/3`")
            }

            fn visit_u64<E: de::Error>(self, n: u64) -> Result<Exact, E> {
                Ok(Exact(Rational::from(i128::from(n))))
            }

            fn visit_i64<E: de::Error>(self, n: i64) -> Result<Exact, E> {
                Ok(Exact(Rational::from(i128::from(n))))
            }

            fn visit_f64<E: de::Error>(self, x: f64) -> Result<Exact, E> {
                Exact::of_double(x).ok_or_else(|| E::custom(format!("`{x}` has too many digits; use at most 15")))
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Exact, E> {
                text.parse().map(Exact).map_err(E::custom)
            }
        }
        d.deserialize_any(Number)
    }
}

/// What is known of the patient. A field that is absent is not known; an empty list says that there is none.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Patient {
    /// `34`, `8 months`, `3 weeks`.
    pub age: Option<String>,
    /// `female`, `male` or other.
    pub sex: Option<String>,
    /// Weight in kilograms.
    pub weight_kg: Option<Exact>,
    /// Height in centimetres.
    pub height_cm: Option<Exact>,
    /// Whether pregnant.
    pub pregnant: Option<bool>,
    /// Whether breast-feeding.
    pub breast_feeding: Option<bool>,
    /// All diseases and states: what is not in the list is not there.
    pub conditions: Option<Vec<String>>,
    /// Diseases and states that are known, where the list may not be whole.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<String>,
    /// Medicines by generic name or class.
    pub medicines: Option<Vec<String>>,
    /// Allergies.
    pub allergies: Option<Vec<String>>,
    /// Diets and beliefs.
    pub diets: Option<Vec<String>>,
    /// Days until an operation; 0 for none planned is not meant: leave it out and set `no_surgery`.
    pub surgery_in_days: Option<u32>,
    /// No operation is planned.
    pub no_surgery: bool,
    /// Whether under anti-doping rules.
    pub athlete: Option<bool>,
    /// Whether G6PD is known to be deficient.
    pub g6pd_deficient: Option<bool>,
    /// Whose law holds: ids of jurisdictions.
    pub laws: Vec<String>,
    /// Patterns the prescription is written for.
    pub patterns: Vec<String>,
    /// How a child's share is reckoned; chosen from what is known where absent.
    pub child_rule: Option<String>,
}

/// Something in what was said of the patient that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PatientError {
    /// Not an age.
    #[error("`{0}` is not an age; write years, or a number with months, weeks or days")]
    Age(String),
    /// Not a rule for children.
    #[error("`{0}` is no rule for children; the rules are surface, clark, young and ages")]
    ChildRule(String),
    /// A weight or height that nobody has.
    #[error("{0} is not a weight or height of a person; give kilograms and centimetres")]
    Size(String),
}

/// One medicine as it was typed, and what it means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Taking {
    pub(crate) typed: String,
    pub(crate) drugs: Vec<Drug>,
}

/// What is known of the patient, looked up.
#[derive(Debug, Clone, Default)]
pub struct Facts {
    pub(crate) conditions: Vec<u16>,
    /// Conditions with how they were typed.
    pub(crate) typed: Vec<(u16, String)>,
    pub(crate) medicines: Vec<Taking>,
    pub(crate) unknown_medicines: Vec<String>,
    pub(crate) unknown_conditions: Vec<String>,
    pub(crate) laws: Vec<u16>,
    pub(crate) unknown_laws: Vec<String>,
    pub(crate) laws_chosen: bool,
    /// Months.
    pub(crate) age: Option<Rational>,
    pub(crate) weight: Option<Rational>,
    pub(crate) height: Option<Rational>,
    pub(crate) child_rule: Option<ChildMethod>,
    /// Conditional rules that hold for this patient.
    pub(crate) active: Bits,
    /// Numbers of the questions in `Rulebook::asks` that are open.
    pub(crate) open: Vec<usize>,
    /// Rules that would want to know something that was not said.
    pub(crate) unsaid: Bits,
    pub(crate) medicines_known: bool,
    pub(crate) patterns: Vec<String>,
}

/// Months of an age as written.
fn months(text: &str) -> Option<Rational> {
    let text = text.trim().to_lowercase();
    let end = text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '/'))).unwrap_or(text.len());
    let number: Rational = text[..end].parse().ok()?;
    let month = |n: i128, d: i128| number.times(Rational::new(n, d)?);
    let months = match text[end..].trim() {
        "" | "y" | "yr" | "yrs" | "year" | "years" | "岁" => month(12, 1),
        "m" | "mo" | "month" | "months" | "个月" | "月" => month(1, 1),
        // A month has 30.4375 days.
        "w" | "wk" | "week" | "weeks" | "周" => month(112, 487),
        "d" | "day" | "days" | "天" => month(16, 487),
        _ => None,
    }?;
    (months <= Rational::from(130 * 12)).then_some(months)
}

impl Facts {
    /// Looks up what was said. Words that nothing is known of are kept: the check reports them.
    ///
    /// # Errors
    /// Where an age, a size or a rule for children is no such thing.
    pub fn new(book: &Rulebook, patient: &Patient) -> Result<Facts, PatientError> {
        let words = &book.words;
        let mut facts = Facts { active: book.law_always.clone(), ..Facts::default() };
        let mut said: Vec<(u16, String)> = Vec::new();
        let id = |id: &str| words.condition_ix(id).map(|c| (c, id.to_string()));
        facts.age = match &patient.age {
            Some(text) => Some(months(text).ok_or_else(|| PatientError::Age(text.clone()))?),
            None => None,
        };
        for (size, most) in [(patient.weight_kg, 700), (patient.height_cm, 300)] {
            if let Some(Exact(size)) = size
                && !(size.is_positive() && size <= Rational::from(most))
            {
                return Err(PatientError::Size(size.decimal(3)));
            }
        }
        facts.weight = patient.weight_kg.map(|w| w.0);
        facts.height = patient.height_cm.map(|h| h.0);
        facts.child_rule = match &patient.child_rule {
            Some(text) => Some(ChildMethod::from_word(text).ok_or_else(|| PatientError::ChildRule(text.clone()))?),
            None => None,
        };
        if let Some(age) = facts.age {
            let years = |n: i32| Rational::from(12 * n);
            let state = match age {
                a if a < years(1) => id("infant"),
                a if a < years(6) => id("young-child"),
                a if a < years(18) => id("child"),
                a if a >= years(65) => id("elderly"),
                _ => None,
            };
            said.extend(state);
        }
        let lists = [
            (&patient.conditions, None),
            (&patient.allergies, Some(ConditionKind::Allergy)),
            (&patient.diets, Some(ConditionKind::Diet)),
        ];
        for (list, kind) in lists.iter().map(|(list, kind)| (list.as_ref(), *kind)).chain([(Some(&patient.also), None)])
        {
            for word in list.into_iter().flatten() {
                match words.condition(word, kind) {
                    Some(c) => said.push((c, word.clone())),
                    None => facts.unknown_conditions.push(word.clone()),
                }
            }
        }
        for (yes, condition) in [
            (patient.pregnant, "pregnant"),
            (patient.breast_feeding, "breast-feeding"),
            (patient.athlete, "sport"),
            (patient.g6pd_deficient, "g6pd"),
        ] {
            if yes == Some(true) {
                said.extend(id(condition));
            }
        }
        // Two weeks before an operation is where the rules draw the line.
        if patient.surgery_in_days.is_some_and(|d| d <= 14) {
            said.extend(id("surgery-soon"));
        }
        for (c, typed) in &said {
            for implied in words.implied(*c) {
                if !facts.conditions.contains(implied) {
                    facts.conditions.push(*implied);
                    facts.typed.push((*implied, typed.clone()));
                }
            }
            facts.active.join(&book.by_condition[*c as usize]);
        }
        facts.medicines_known = patient.medicines.is_some();
        for typed in patient.medicines.iter().flatten() {
            match words.drug(typed) {
                Some(drugs) => {
                    for drug in &drugs {
                        facts.active.join(match drug {
                            Drug::Medicine(i) => &book.by_medicine[*i as usize],
                            Drug::Class(i) => &book.by_class[*i as usize],
                        });
                    }
                    facts.medicines.push(Taking { typed: typed.clone(), drugs });
                }
                None => facts.unknown_medicines.push(typed.clone()),
            }
        }
        facts.laws_chosen = !patient.laws.is_empty();
        for law in &patient.laws {
            match words.law_ix(law) {
                Some(l) => {
                    facts.laws.push(l);
                    facts.active.join(&book.by_law[l as usize]);
                }
                None => facts.unknown_laws.push(law.clone()),
            }
        }
        // A disease that was named is answered; so are the others once the list was asked for.
        let has = |c: &str| words.condition_ix(c).is_some_and(|c| facts.conditions.contains(&c));
        let male = patient.sex.as_deref().is_some_and(|s| s.to_lowercase().starts_with('m') || s == "男");
        // Before ten and from sixty on the question is not asked; common practice.
        let not_fertile = facts.age.is_some_and(|a| a < Rational::from(120) || a >= Rational::from(720)) || male;
        let listed = patient.conditions.is_some();
        facts.open = (0..book.asks.len())
            .filter(|i| {
                let answered = match book.asks[*i].0.as_str() {
                    "pregnancy" => patient.pregnant.is_some() || has("pregnant") || not_fertile,
                    "breast-feeding" => patient.breast_feeding.is_some() || has("breast-feeding") || not_fertile,
                    "allergies" => patient.allergies.is_some(),
                    "planned surgery" => patient.no_surgery || patient.surgery_in_days.is_some() || has("surgery-soon"),
                    "G6PD deficiency" => patient.g6pd_deficient.is_some() || has("g6pd"),
                    _ => listed,
                };
                !answered
            })
            .collect();
        facts.unsaid = Bits::sized(book.rules.len());
        for i in &facts.open {
            facts.unsaid.join(&book.asks[*i].1);
        }
        if !facts.medicines_known {
            facts.unsaid.join(&book.any_medicine);
        }
        facts.patterns = patient.patterns.clone();
        Ok(facts)
    }

    /// Whether the patient is under eighteen.
    pub(crate) fn is_child(&self) -> bool {
        self.age.is_some_and(|a| a < Rational::from(12 * 18))
    }

    /// The share of an adult dose by one method, rounded down to a thousandth where a root is in it.
    pub(crate) fn child_share(&self, method: ChildMethod) -> Option<Rational> {
        let share = match method {
            ChildMethod::Surface => {
                // Mosteller: square metres are the root of cm × kg / 3600; an adult has 1.73.
                let square = self.height?.times(self.weight?)?.over(Rational::from(3600))?;
                let scaled = square.times(Rational::from(1_000_000))?.floor();
                let root = num_integer::sqrt(u128::try_from(scaled).ok()?);
                Rational::new(i128::try_from(root).ok()?, 1000)?.over(Rational::new(173, 100)?)?
            }
            // 150 pounds are 68.0388555 kg exactly.
            ChildMethod::Clark => self.weight?.over(Rational::new(680_388_555, 10_000_000)?)?,
            ChildMethod::Young => {
                let years = self.age?.over(Rational::from(12))?;
                years.over(years.plus(Rational::from(12))?)?
            }
            ChildMethod::Ages => {
                let months = self.age?;
                let (n, d) = match months {
                    m if m < Rational::from(1) => (1, 6),
                    m if m < Rational::from(12) => (1, 3),
                    m if m < Rational::from(36) => (1, 2),
                    m if m < Rational::from(84) => (2, 3),
                    m if m < Rational::from(168) => (4, 5),
                    _ => (1, 1),
                };
                Rational::new(n, d)?
            }
        };
        Some(share.min(Rational::ONE))
    }

    /// Years, where an age is known.
    pub fn years(&self) -> Option<Rational> {
        self.age?.over(Rational::from(12))
    }

    /// The share of an adult dose by the rule that was asked for, or the first whose figures are known.
    pub fn share_of_adult(&self) -> Option<Rational> {
        self.child_method(ChildMethod::ALL).map(|(_, share)| share)
    }

    /// The method that is used: the one asked for, else the first of surface, weight and age that is known.
    pub(crate) fn child_method(&self, held: &[ChildMethod]) -> Option<(ChildMethod, Rational)> {
        let of = |m: ChildMethod| held.contains(&m).then(|| self.child_share(m)).flatten().map(|s| (m, s));
        match self.child_rule {
            Some(m) => of(m),
            None => ChildMethod::ALL.iter().find_map(|m| of(*m)),
        }
    }

    pub(crate) fn holds(&self, condition: u16) -> bool {
        self.conditions.contains(&condition)
    }
}
