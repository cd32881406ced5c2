//! Pharmacy arithmetic that is used here and taught in courses: alligation and dilution, exactly.
//!
//! ```
//! use fangwright_amount::Rational;
//! use fangwright_dispense::arithmetic::{alligation, dilution};
//! let r = |n: i32| Rational::from(n);
//! // 1000 ml of 70 per cent from 95 and 50 per cent.
//! let (strong, weak) = alligation(r(95), r(50), r(70), r(1000)).unwrap();
//! assert_eq!(strong, Rational::new(4000, 9).unwrap());
//! assert_eq!(weak, Rational::new(5000, 9).unwrap());
//! // 500 ml of 60 per cent from 95 per cent spirit: so much of it, made up with water.
//! assert_eq!(dilution(r(95), r(60), r(500)).unwrap(), Rational::new(6000, 19).unwrap());
//! ```

use fangwright_amount::Rational;

/// Why it cannot be mixed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MixError {
    /// The wish is not between the two.
    #[error("{want} per cent cannot be mixed from {strong} and {weak} per cent; it has to lie between them")]
    OutOfReach {
        /// The stronger.
        strong: Rational,
        /// The weaker.
        weak: Rational,
        /// What is wanted.
        want: Rational,
    },
    /// Numbers too large.
    #[error("the amounts are too large to be reckoned exactly")]
    TooLarge,
}

/// Alligation alternate: how much of the stronger and of the weaker make `total` of the wanted strength. Volumes are taken to add up,
/// as the rule does; alcohol and water lose a few per cent when mixed.
///
/// # Errors
/// If what is wanted does not lie between the two.
pub fn alligation(
    strong: Rational,
    weak: Rational,
    want: Rational,
    total: Rational,
) -> Result<(Rational, Rational), MixError> {
    if !(weak <= want && want <= strong) || strong == weak {
        return Err(MixError::OutOfReach { strong, weak, want });
    }
    let share = want.minus(weak).and_then(|up| up.over(strong.minus(weak)?)).ok_or(MixError::TooLarge)?;
    let of_strong = total.times(share).ok_or(MixError::TooLarge)?;
    let of_weak = total.minus(of_strong).ok_or(MixError::TooLarge)?;
    Ok((of_strong, of_weak))
}

/// How much of a stronger liquid makes `total` of a weaker, filled up with what has none of it: `C1 V1 = C2 V2`.
///
/// # Errors
/// If more is wanted than is there.
pub fn dilution(have: Rational, want: Rational, total: Rational) -> Result<Rational, MixError> {
    alligation(have, Rational::ZERO, want, total).map(|(strong, _)| strong)
}
