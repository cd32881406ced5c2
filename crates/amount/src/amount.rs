use std::fmt;
use std::str::FromStr;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{NumberError, Rational, Unit};

/// One amount as it is written: a number and a unit, or several that add up (`1 liang 16 zhu`).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema, Default)]
pub struct Amount(pub Vec<(Rational, Unit)>);

/// From least to most, both included; equal for a single value. In grams a day where nothing else is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Range {
    /// The lower end.
    pub least: Rational,
    /// The upper end.
    pub most: Rational,
}

/// Why a text is not an amount.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AmountError {
    /// The number part is wrong.
    #[error(transparent)]
    Number(#[from] NumberError),
    /// The unit is not one we know.
    #[error("`{0}` is not a unit; the units are {units}", units = unit_list())]
    Unit(String),
    /// A number without a unit after it.
    #[error("`{0}` has no unit; write one after the number, such as `3 liang`")]
    NoUnit(String),
    /// A range whose ends are the wrong way round.
    #[error("`{0}` runs from more to less; write the smaller number first")]
    Backwards(String),
    /// An amount that is nothing or less.
    #[error("`{0}` is not more than nothing; an amount has to be above zero")]
    NotPositive(String),
}

fn unit_list() -> String {
    Unit::ALL.map(Unit::word).join(", ")
}

impl Amount {
    /// A single number of a unit.
    pub fn of(number: Rational, unit: Unit) -> Amount {
        Amount(vec![(number, unit)])
    }

    /// This amount taken `factor` times; `None` if it grows too large to hold.
    pub fn scaled(&self, factor: Rational) -> Option<Amount> {
        self.0.iter().map(|&(n, u)| Some((n.times(factor)?, u))).collect::<Option<Vec<_>>>().map(Amount)
    }
}

impl FromStr for Amount {
    type Err = AmountError;

    fn from_str(text: &str) -> Result<Self, AmountError> {
        let mut parts = Vec::new();
        let mut number = String::new();
        for word in text.split_whitespace() {
            if word.starts_with(|c: char| c.is_ascii_digit() || c == '.' || c == '-') {
                if !number.is_empty() {
                    number.push(' ');
                }
                number.push_str(word);
            } else {
                let unit = Unit::from_word(word).ok_or_else(|| AmountError::Unit(word.into()))?;
                let value: Rational = number.parse()?;
                if !value.is_positive() {
                    return Err(AmountError::NotPositive(text.into()));
                }
                number.clear();
                parts.push((value, unit));
            }
        }
        if !number.is_empty() || parts.is_empty() {
            return Err(AmountError::NoUnit(text.into()));
        }
        Ok(Amount(parts))
    }
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, (number, unit)) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str(" ")?;
            }
            write!(f, "{number} {}", unit.word())?;
        }
        Ok(())
    }
}

impl Range {
    /// Halfway between the ends.
    pub fn middle(self) -> Option<Rational> {
        self.least.plus(self.most)?.over(Rational::from(2))
    }

    /// Whether `value` lies between the ends.
    pub fn holds(self, value: Rational) -> bool {
        self.least <= value && value <= self.most
    }
}

impl FromStr for Range {
    type Err = AmountError;

    /// Reads `9-30 g` or `15 g`.
    fn from_str(text: &str) -> Result<Self, AmountError> {
        let Some(numbers) = text.strip_suffix(" g") else {
            return Err(AmountError::NoUnit(text.into()));
        };
        let (least, most) = numbers.split_once('-').unwrap_or((numbers, numbers));
        let range = Range { least: least.parse()?, most: most.parse()? };
        if !range.least.is_positive() {
            return Err(AmountError::NotPositive(text.into()));
        }
        if range.least > range.most {
            return Err(AmountError::Backwards(text.into()));
        }
        Ok(range)
    }
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.least == self.most {
            write!(f, "{} g", self.least.decimal(3))
        } else {
            write!(f, "{}–{} g", self.least.decimal(3), self.most.decimal(3))
        }
    }
}
