use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{Amount, Measures, Rational, Unit};

/// How an era divides its units.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "dynasties, named as the trade names them")]
pub enum Era {
    Han,
    Tang,
    Song,
    Yuan,
    Ming,
    Qing,
    Modern,
}

impl Era {
    /// The era of this word: `han`, `tang`, `song`, `yuan`, `ming`, `qing`, `modern`.
    pub fn from_word(word: &str) -> Option<Era> {
        Some(match word {
            "han" => Era::Han,
            "tang" => Era::Tang,
            "song" => Era::Song,
            "yuan" => Era::Yuan,
            "ming" => Era::Ming,
            "qing" => Era::Qing,
            "modern" => Era::Modern,
            _ => return None,
        })
    }

    /// Units of weight of this era, heaviest first, with how many of the smallest one each holds.
    ///
    /// Han and Tang: 1 jin = 16 liang, 1 liang = 4 fen = 24 zhu. From Song: 1 liang = 10 qian = 100 fen = 1000 li.
    pub fn weights(self) -> &'static [(Unit, i128)] {
        match self {
            Era::Han | Era::Tang => &[(Unit::Jin, 384), (Unit::Liang, 24), (Unit::Fen, 6), (Unit::Zhu, 1)],
            _ => &[(Unit::Jin, 16_000), (Unit::Liang, 1_000), (Unit::Qian, 100), (Unit::Fen, 10), (Unit::Li, 1)],
        }
    }

    /// `unit` in liang of this era; `None` where the era does not divide its weights so.
    pub fn in_liang(self, unit: Unit) -> Option<Rational> {
        let table = self.weights();
        let held = |u| table.iter().find(|(v, _)| *v == u).map(|(_, n)| *n);
        Rational::new(held(unit)?, held(Unit::Liang)?)
    }

    /// `unit` in sheng: 1 dou = 10 sheng, 1 sheng = 10 ge in every era.
    pub fn in_sheng(unit: Unit) -> Option<Rational> {
        match unit {
            Unit::Dou => Rational::new(10, 1),
            Unit::Sheng => Rational::new(1, 1),
            Unit::Ge => Rational::new(1, 10),
            _ => None,
        }
    }

    /// Writes a weight given in liang with this era's own units, jin left aside as books do in formulas:
    /// 5/3 liang of Han is `1 liang 16 zhu`. A remainder below the smallest unit stays a fraction of it.
    pub fn spell_liang(self, liang: Rational) -> Option<Amount> {
        let (smallest, _) = *self.weights().last()?;
        let skip = |u: Unit| matches!(u, Unit::Jin) || (matches!(self, Era::Han | Era::Tang) && u == Unit::Fen);
        let mut rest = liang;
        let mut parts = Vec::new();
        for &(unit, _) in self.weights().iter().filter(|(u, _)| !skip(*u)) {
            let one = self.in_liang(unit)?;
            let many = rest.over(one)?;
            let take = if unit == smallest { many } else { Rational::from(many.floor()) };
            if take.is_positive() {
                parts.push((take, unit));
                rest = rest.minus(take.times(one)?)?;
            }
        }
        Some(Amount(parts))
    }
}

/// What an old unit weighs, by one school's reckoning. The caller chooses it, and it is printed with every result.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Convention {
    /// Stable id, such as `han-13.8`.
    pub id: String,
    /// The era whose units it weighs.
    pub era: Era,
    /// One line for people.
    pub name: String,
    /// Grams in one liang.
    pub liang: Rational,
    /// Millilitres in one sheng, where this convention says so.
    pub sheng: Option<Rational>,
    /// Where the figure is from.
    pub source: String,
    /// `read` or `memory`.
    pub how: String,
}

/// Why an amount has no weight.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ConversionError {
    /// The unit is no weight, and nothing here says what it weighs.
    #[error("`{0}` is no weight: say what one weighs for this substance in data/measures/pieces.toml", unit.word())]
    NotAWeight {
        /// The unit that could not be weighed.
        unit: Unit,
    },
    /// The era does not know that unit.
    #[error("`{}` is not a unit of that era ({era:?}); choose another convention", unit.word())]
    NotOfThisEra {
        /// The unit.
        unit: Unit,
        /// The era of the convention.
        era: Era,
    },
    /// Too large or too finely divided to hold.
    #[error("the amount is too large to be converted exactly")]
    TooLarge,
}

impl Convention {
    /// A convention with an id, the word of its era and the grams of one liang; for tests and examples.
    ///
    /// # Panics
    /// Never: an unknown era word is read as modern.
    pub fn new(id: &str, era: &str, liang: Rational) -> Convention {
        let era = Era::from_word(era).unwrap_or(Era::Modern);
        Convention {
            id: id.into(),
            era,
            name: id.into(),
            liang,
            sheng: None,
            source: String::new(),
            how: String::new(),
        }
    }

    /// The weight of `amount` in grams, by this convention alone.
    ///
    /// # Errors
    /// Where a unit is no weight, or not one of this era, or the number grows too large.
    pub fn grams(&self, amount: &Amount) -> Result<Rational, ConversionError> {
        let mut sum = Rational::ZERO;
        for &(number, unit) in &amount.0 {
            let one = match unit {
                Unit::Kilogram => Rational::from(1000),
                Unit::Gram => Rational::ONE,
                Unit::Milligram => Rational::new(1, 1000).ok_or(ConversionError::TooLarge)?,
                _ if unit.measures() == Measures::Weight => self
                    .era
                    .in_liang(unit)
                    .ok_or(ConversionError::NotOfThisEra { unit, era: self.era })?
                    .times(self.liang)
                    .ok_or(ConversionError::TooLarge)?,
                _ => return Err(ConversionError::NotAWeight { unit }),
            };
            let part = number.times(one).ok_or(ConversionError::TooLarge)?;
            sum = sum.plus(part).ok_or(ConversionError::TooLarge)?;
        }
        Ok(sum)
    }
}
