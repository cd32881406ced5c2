//! Exact amounts of medicine.
//!
//! A [`Rational`] is an exact number, a [`Unit`] is a type, an [`Amount`] is one or more of them as a book writes
//! it (`1 liang 16 zhu`), and a [`Convention`] says what the old units weigh. Conversion only ever happens through
//! a convention that the caller names, so that it can be printed beside the result.
//!
//! ```
//! use fangwright_amount::{Amount, Convention, Rational};
//! let han = Convention::new("han-13.8", "han", "13.8".parse()?);
//! let amount: Amount = "1 liang 16 zhu".parse()?;
//! // 40 zhu of 24 to the liang, at 13.8 g the liang
//! assert_eq!(han.grams(&amount)?, Rational::from(23));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod amount;
mod convention;
mod rational;
mod unit;

pub use amount::{Amount, AmountError, Range};
pub use convention::{Convention, ConversionError, Era};
pub use rational::{NumberError, Rational};
pub use unit::{Measures, Unit};
