//! Rounding a list of amounts to what can be weighed or counted, without losing the total.
//!
//! Every amount is first rounded down to a multiple of its unit. What is then missing from the total is given back, one unit each,
//! in the order of the largest remainders (as a share of the unit), as long as that brings the total nearer. With one unit for all
//! this is the method of largest remainders (Hamilton); the total comes out as the exact total rounded to the unit.
//!
//! What holds of the answer:
//! - no amount is off by a whole unit or more;
//! - the total is off by at most half of the largest unit, unless limits or amounts below one unit stand in the way, and then
//!   the answer says by how much;
//! - no amount that was within its limit comes out above it;
//! - nothing vanishes: what is above zero comes out above zero, or the answer is an error.
//!
//! ```
//! use fangwright_amount::Rational;
//! use fangwright_dispense::{Share, round_list};
//! let r = |s: &str| s.parse::<Rational>().unwrap();
//! let shares: Vec<Share> = ["3.34", "3.33", "3.33"].map(|g| Share::of(r(g), r("0.1"))).to_vec();
//! let rounded = round_list(&shares).unwrap();
//! assert_eq!(rounded.parts, [r("3.4"), r("3.3"), r("3.3")]);
//! assert_eq!(rounded.off, r("0"));
//! ```

use fangwright_amount::Rational;
use schemars::JsonSchema;
use serde::Serialize;

/// One amount to be rounded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Share {
    /// The exact amount.
    pub exact: Rational,
    /// It has to come out as a multiple of this.
    pub unit: Rational,
    /// It must not come out above this.
    pub most: Option<Rational>,
}

impl Share {
    /// An amount without a limit.
    pub fn of(exact: Rational, unit: Rational) -> Share {
        Share { exact, unit, most: None }
    }
}

/// What a list of amounts was rounded to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Rounded {
    /// The amounts, in the order they were given.
    pub parts: Vec<Rational>,
    /// Their sum.
    pub total: Rational,
    /// The exact total less that sum.
    pub off: Rational,
    /// Indices of amounts that a limit kept from being rounded up.
    pub held: Vec<usize>,
    /// Indices of amounts below one unit that were raised to it.
    pub raised: Vec<usize>,
}

/// Why a list cannot be rounded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RoundError {
    /// A unit of nothing or less.
    #[error("a step of {0} cannot be weighed; give one above zero")]
    Unit(Rational),
    /// An amount below zero.
    #[error("an amount of {0} cannot be weighed; it is below zero")]
    Negative(Rational),
    /// Less than one unit, and one unit is above its limit.
    #[error(
        "entry {index}: {exact} is less than one step of {unit}, and a whole step would be above its limit of {most}; use a finer scale"
    )]
    Vanishes {
        /// Which, from 0.
        index: usize,
        /// The exact amount.
        exact: Rational,
        /// The unit.
        unit: Rational,
        /// The limit.
        most: Rational,
    },
    /// The numbers do not fit.
    #[error("the amounts are too large to be added exactly")]
    TooLarge,
}

/// Rounds a list; see the head of this module for the method and for what holds.
///
/// # Errors
/// A unit that is not above zero, an amount below zero, an amount that would vanish, or numbers too large.
pub fn round_list(shares: &[Share]) -> Result<Rounded, RoundError> {
    let large = || RoundError::TooLarge;
    let mut parts = Vec::with_capacity(shares.len());
    let mut rest: Vec<(usize, Rational)> = Vec::new();
    let (mut held, mut raised) = (Vec::new(), Vec::new());
    let mut off = Rational::ZERO;
    for (index, s) in shares.iter().enumerate() {
        if !s.unit.is_positive() {
            return Err(RoundError::Unit(s.unit));
        }
        if s.exact < Rational::ZERO {
            return Err(RoundError::Negative(s.exact));
        }
        let units = s.exact.over(s.unit).ok_or_else(large)?;
        let mut whole = Rational::from(units.floor());
        let remainder = units.minus(whole).ok_or_else(large)?;
        let next = whole.plus(Rational::ONE).and_then(|w| w.times(s.unit)).ok_or_else(large)?;
        let fits = s.most.is_none_or(|most| next <= most);
        if whole.is_zero() && s.exact.is_positive() {
            if let (Some(most), false) = (s.most, fits) {
                return Err(RoundError::Vanishes { index, exact: s.exact, unit: s.unit, most });
            }
            whole = Rational::ONE;
            raised.push(index);
        } else if remainder.is_positive() {
            if fits {
                rest.push((index, remainder));
            } else {
                held.push(index);
            }
        }
        let part = whole.times(s.unit).ok_or_else(large)?;
        off = off.plus(s.exact).and_then(|o| o.minus(part)).ok_or_else(large)?;
        parts.push(part);
    }
    rest.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    for (index, _) in rest {
        let unit = shares[index].unit;
        let after = off.minus(unit).ok_or_else(large)?;
        // At a tie it goes up, so that one unit for all rounds the total half up.
        if after.abs() <= off.abs() && off.is_positive() {
            parts[index] = parts[index].plus(unit).ok_or_else(large)?;
            off = after;
        }
    }
    let total = parts.iter().try_fold(Rational::ZERO, |sum, p| sum.plus(*p)).ok_or_else(large)?;
    Ok(Rounded { parts, total, off, held, raised })
}
