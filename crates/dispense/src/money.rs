//! Money: exact until it is rounded to the smallest coin, once, where it says so.

use std::fmt;
use std::str::FromStr;

use fangwright_amount::Rational;
use iso_currency::Currency;
use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A currency of ISO 4217.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Coin(Currency);

/// An amount of money in one currency. Exact; [`Money::rounded`] goes to the smallest coin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Money {
    /// How much, in units of the currency.
    pub amount: Rational,
    /// Which.
    pub coin: Coin,
}

/// Why money cannot be read or reckoned with.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MoneyError {
    /// Not a code of ISO 4217.
    #[error("`{0}` is no currency; write a code of ISO 4217 such as EUR, USD, GBP, CNY")]
    Currency(String),
    /// Not a number.
    #[error("`{0}` is no price; write a number and a currency, such as `0.35 EUR`")]
    Number(String),
    /// Below zero.
    #[error("a price of {0} is below zero")]
    Negative(Rational),
    /// Two currencies in one sum.
    #[error("{one} and {other} cannot be added; give all prices in one currency")]
    Mixed {
        /// The code of the first.
        one: String,
        /// The code of the second.
        other: String,
    },
    /// The numbers do not fit.
    #[error("the prices are too large to be added exactly")]
    TooLarge,
}

impl Coin {
    /// The three letters.
    pub fn code(self) -> &'static str {
        self.0.code()
    }

    /// Digits after the point; 2 where the standard gives none.
    pub fn digits(self) -> u32 {
        self.0.exponent().map_or(2, u32::from)
    }
}

impl FromStr for Coin {
    type Err = MoneyError;

    fn from_str(text: &str) -> Result<Coin, MoneyError> {
        Currency::from_code(&text.trim().to_uppercase()).map(Coin).ok_or_else(|| MoneyError::Currency(text.into()))
    }
}

impl Money {
    /// No money.
    pub fn zero(coin: Coin) -> Money {
        Money { amount: Rational::ZERO, coin }
    }

    /// Checked sum.
    ///
    /// # Errors
    /// Another currency, or numbers too large.
    pub fn plus(self, other: Money) -> Result<Money, MoneyError> {
        if self.coin != other.coin {
            return Err(MoneyError::Mixed { one: self.coin.code().into(), other: other.coin.code().into() });
        }
        let amount = self.amount.plus(other.amount).ok_or(MoneyError::TooLarge)?;
        Ok(Money { amount, coin: self.coin })
    }

    /// So many times.
    ///
    /// # Errors
    /// Numbers too large.
    pub fn times(self, factor: Rational) -> Result<Money, MoneyError> {
        Ok(Money { amount: self.amount.times(factor).ok_or(MoneyError::TooLarge)?, coin: self.coin })
    }

    /// To the smallest coin, halves away from zero.
    ///
    /// # Errors
    /// Numbers too large.
    pub fn rounded(self) -> Result<Money, MoneyError> {
        let scale = Rational::from(10i128.pow(self.coin.digits()));
        let coins = Rational::from(self.amount.times(scale).ok_or(MoneyError::TooLarge)?.round());
        Ok(Money { amount: coins.over(scale).ok_or(MoneyError::TooLarge)?, coin: self.coin })
    }
}

impl fmt::Display for Money {
    /// All digits of the currency, then the code: `12.30 EUR`; more digits where it is not rounded.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = self.coin.digits() as usize;
        let text = self.amount.decimal(6);
        let (whole, part) = text.split_once('.').unwrap_or((&text, ""));
        if digits == 0 && part.is_empty() {
            write!(f, "{whole} {}", self.coin.code())
        } else {
            write!(f, "{whole}.{part:0<digits$} {}", self.coin.code())
        }
    }
}

impl FromStr for Money {
    type Err = MoneyError;

    /// `12.30 EUR` or `EUR 12.30`; never below zero.
    fn from_str(text: &str) -> Result<Money, MoneyError> {
        let mut words = text.split_whitespace();
        let (Some(a), Some(b), None) = (words.next(), words.next(), words.next()) else {
            return Err(MoneyError::Number(text.into()));
        };
        let (number, code) =
            if a.starts_with(|c: char| c.is_ascii_digit() || "-+.".contains(c)) { (a, b) } else { (b, a) };
        let amount: Rational = number.parse().map_err(|_| MoneyError::Number(text.into()))?;
        if amount < Rational::ZERO {
            return Err(MoneyError::Negative(amount));
        }
        Ok(Money { amount, coin: code.parse()? })
    }
}

impl Serialize for Money {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(&format_args!("{} {}", self.amount, self.coin.code()))
    }
}

impl<'de> Deserialize<'de> for Money {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Money, D::Error> {
        // What was written by `Serialize` may be a mixed number, `1 1/3 EUR`.
        let text = String::deserialize(d)?;
        let read = match text.trim().rsplit_once(' ') {
            Some((number, code)) if code.len() == 3 && code.bytes().all(|b| b.is_ascii_alphabetic()) => {
                number.parse::<Rational>().map_err(|_| MoneyError::Number(text.clone())).and_then(|amount| {
                    if amount < Rational::ZERO {
                        return Err(MoneyError::Negative(amount));
                    }
                    Ok(Money { amount, coin: code.parse()? })
                })
            }
            _ => text.parse(),
        };
        read.map_err(serde::de::Error::custom)
    }
}

impl JsonSchema for Money {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Money".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "description": "A number and a currency code of ISO 4217: `12.30 EUR`." })
    }
}
