//! What a formula or a prescription comes to: substances with grams, and how old measures are weighed.

use std::collections::BTreeMap;

use fangwright_amount::{Amount, Convention, Era, Measures, Rational, Unit};
use fangwright_materia::records::Role;
use fangwright_materia::{FormulaIx, Materia, SubstanceIx};
use schemars::JsonSchema;
use serde::Serialize;

use crate::reader::Prescription;

/// The conventions in force, one an era.
#[derive(Debug, Clone)]
pub struct Conventions {
    held: BTreeMap<&'static str, Convention>,
    /// The era in whose measures prescriptions are written that say `liang` or `sheng`.
    pub written: Era,
}

/// Why an amount has no weight in grams.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WeighError {
    /// Nothing in the data says what one weighs.
    #[error("nothing in the data says what one {unit} of {substance} weighs; add a line to measures/pieces.toml in your own folder", unit = unit.word())]
    NoPieceWeight {
        /// Name of the substance.
        substance: String,
        /// The unit.
        unit: Unit,
    },
    /// Parts of a whole have no weight before the whole has one.
    #[error("parts have no weight until the whole has one")]
    Parts,
    /// The convention cannot weigh it.
    #[error(transparent)]
    Conversion(#[from] fangwright_amount::ConversionError),
    /// No convention for that era.
    #[error("no convention is known for the era {0:?}; see `measure --list`")]
    NoConvention(Era),
}

/// There is no convention with that id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("there is no convention `{asked}`; the conventions are {known}")]
pub struct UnknownConvention {
    /// What was asked for.
    pub asked: String,
    /// All ids.
    pub known: String,
}

fn era_word(era: Era) -> &'static str {
    match era {
        Era::Han => "han",
        Era::Tang => "tang",
        Era::Song => "song",
        Era::Yuan => "yuan",
        Era::Ming => "ming",
        Era::Qing => "qing",
        Era::Modern => "modern",
    }
}

impl Conventions {
    /// The first convention of the data for each era; for the modern one the rule of 1979.
    pub fn usual(m: &Materia) -> Conventions {
        let mut map = BTreeMap::new();
        for c in &m.library().conventions {
            map.entry(era_word(c.era)).or_insert_with(|| c.clone());
        }
        Conventions { held: map, written: Era::Modern }
    }

    /// Puts the convention with this id in force for its era.
    ///
    /// # Errors
    /// If there is none.
    pub fn choose(&mut self, m: &Materia, id: &str) -> Result<(), UnknownConvention> {
        let all = &m.library().conventions;
        let Some(c) = all.iter().find(|c| c.id == id) else {
            let known = all.iter().map(|c| c.id.as_str()).collect::<Vec<_>>().join(", ");
            return Err(UnknownConvention { asked: id.into(), known });
        };
        self.held.insert(era_word(c.era), c.clone());
        Ok(())
    }

    /// The convention in force for an era.
    pub fn of(&self, era: Era) -> Option<&Convention> {
        self.held.get(era_word(era))
    }

    /// Grams of `amount` of this substance, in the measures of `era`.
    ///
    /// # Errors
    /// Where the data does not say; it is never guessed.
    pub fn weigh(
        &self,
        m: &Materia,
        substance: SubstanceIx,
        amount: &Amount,
        era: Era,
    ) -> Result<Rational, WeighError> {
        let convention = self.of(era).ok_or(WeighError::NoConvention(era))?;
        let mut sum = Rational::ZERO;
        let large = || WeighError::Conversion(fangwright_amount::ConversionError::TooLarge);
        for &(number, unit) in &amount.0 {
            let grams = match unit.measures() {
                Measures::MetricWeight | Measures::Weight => convention.grams(&Amount::of(number, unit))?,
                Measures::Proportion => return Err(WeighError::Parts),
                Measures::Volume | Measures::Count => {
                    let (factor, unit_held) = match Era::in_sheng(unit) {
                        Some(sheng) => (sheng, Unit::Sheng),
                        None => (Rational::ONE, unit),
                    };
                    let one = piece_weight(m, substance, unit_held, unit, era).ok_or_else(|| {
                        WeighError::NoPieceWeight { substance: m.substance(substance).pinyin.clone(), unit }
                    })?;
                    let one = if one.1 == unit { one.0 } else { one.0.times(factor).ok_or_else(large)? };
                    one.times(number).ok_or_else(large)?
                }
            };
            sum = sum.plus(grams).ok_or_else(large)?;
        }
        Ok(sum)
    }
}

/// What one `unit` weighs, for the substance or its raw form, with the unit that the data has.
fn piece_weight(m: &Materia, s: SubstanceIx, held: Unit, unit: Unit, era: Era) -> Option<(Rational, Unit)> {
    let ids = [m.substance(s).id.as_str(), m.substance(m.raw_form(s)).id.as_str()];
    for id in ids {
        for u in [unit, held] {
            let found = m
                .library()
                .pieces
                .iter()
                .find(|p| p.substance == id && p.unit == u && (p.era.is_none() || p.era == Some(era)));
            if let Some(p) = found {
                return Some((p.grams, u));
            }
        }
    }
    None
}

/// One substance in a mix.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Part {
    /// Which.
    pub substance: SubstanceIx,
    /// Grams a day, where they are known.
    pub grams: Option<Rational>,
    /// Its office, where it comes from a formula.
    pub role: Option<Role>,
}

/// Substances with grams: what a formula or a prescription comes to.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, JsonSchema)]
pub struct Mix {
    /// The formula it is, where it is one of the collection.
    pub formula: Option<FormulaIx>,
    /// What is in it, each substance once.
    pub parts: Vec<Part>,
}

impl Mix {
    /// A formula of the collection, in its modern grams.
    pub fn of_formula(m: &Materia, ix: FormulaIx) -> Mix {
        let parts = m
            .formula(ix)
            .ingredients
            .iter()
            .filter_map(|i| {
                Some(Part { substance: m.substance_by_id(&i.substance)?, grams: i.grams, role: Some(i.role) })
            })
            .collect();
        Mix { formula: Some(ix), parts }
    }

    /// A prescription as read; what has no settled name is left aside (the reader has said so). The same substance
    /// twice counts once, with both amounts.
    pub fn of_prescription(m: &Materia, rx: &Prescription, conventions: &Conventions) -> Mix {
        let mut parts: Vec<Part> = Vec::new();
        for item in &rx.items {
            let Some(substance) = item.means.settled() else { continue };
            let grams = item.amount.as_ref().and_then(|w| {
                let low = conventions.weigh(m, substance, &w.amount, conventions.written).ok()?;
                match &w.upto {
                    None => Some(low),
                    Some(high) => {
                        let high = conventions.weigh(m, substance, high, conventions.written).ok()?;
                        low.plus(high)?.over(Rational::from(2))
                    }
                }
            });
            match parts.iter_mut().find(|p| p.substance == substance) {
                Some(part) => {
                    part.grams = match (part.grams, grams) {
                        (Some(a), Some(b)) => a.plus(b),
                        (a, b) => a.or(b),
                    };
                }
                None => parts.push(Part { substance, grams, role: None }),
            }
        }
        Mix { formula: None, parts }
    }

    /// The substances, in order.
    pub fn substances(&self) -> Vec<SubstanceIx> {
        self.parts.iter().map(|p| p.substance).collect()
    }

    /// Grams of a substance in it.
    pub fn grams(&self, s: SubstanceIx) -> Option<Rational> {
        self.parts.iter().find(|p| p.substance == s)?.grams
    }
}

/// Name for people: pinyin and hanzi.
pub fn label(m: &Materia, s: SubstanceIx) -> String {
    let s = m.substance(s);
    let own = if s.place.own { " [own]" } else { "" };
    format!("{} {}{own}", s.pinyin, s.hanzi)
}

/// Name for people: pinyin and hanzi.
pub fn formula_label(m: &Materia, f: FormulaIx) -> String {
    let f = m.formula(f);
    let own = if f.place.own { " [own]" } else { "" };
    format!("{} {}{own}", f.pinyin, f.hanzi)
}
