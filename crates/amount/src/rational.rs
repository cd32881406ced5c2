use std::fmt;
use std::str::FromStr;

use num_rational::Ratio;
use num_traits::{CheckedAdd, CheckedDiv, CheckedMul, CheckedSub, Signed, Zero};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An exact fraction. Nothing in a prescription is a float until it is shown.
///
/// All arithmetic is checked: a result that does not fit into 128 bits is `None`, never a wrong number.
///
/// ```
/// use fangwright_amount::Rational;
/// let third: Rational = "1/3".parse()?;
/// let three = Rational::from(3);
/// assert_eq!(third.times(three), Some(Rational::from(1)));
/// assert_eq!("5 3/4".parse::<Rational>()?.to_string(), "5 3/4");
/// assert_eq!("1.5".parse::<Rational>()?, "3/2".parse()?);
/// # Ok::<(), fangwright_amount::NumberError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Rational(Ratio<i128>);

/// The parts of a fraction where both fit into 63 bits, as those of doses do: sums of these need no wide arithmetic.
type Narrow = (i64, i64);

fn narrow(value: Ratio<i128>) -> Option<Narrow> {
    Some((i64::try_from(*value.numer()).ok()?, i64::try_from(*value.denom()).ok()?))
}

/// Reduced; the denominator is above zero.
fn reduced(numerator: i64, denominator: i64) -> Ratio<i128> {
    let common = num_integer::gcd(numerator.unsigned_abs(), denominator.unsigned_abs()).max(1);
    let common = i128::from(common);
    Ratio::new_raw(i128::from(numerator) / common, i128::from(denominator) / common)
}

impl PartialOrd for Rational {
    fn partial_cmp(&self, other: &Rational) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Rational {
    fn cmp(&self, other: &Rational) -> std::cmp::Ordering {
        match (narrow(self.0), narrow(other.0)) {
            (Some((a, b)), Some((c, d))) => (i128::from(a) * i128::from(d)).cmp(&(i128::from(c) * i128::from(b))),
            _ => self.0.cmp(&other.0),
        }
    }
}

/// Why a text is not a number.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NumberError {
    /// Nothing there to read.
    #[error("there is no number here; write a whole number, a decimal (1.5) or a fraction (1/3)")]
    Empty,
    /// Something other than digits, one point or one stroke.
    #[error("`{0}` is not a number; write a whole number, a decimal (1.5) or a fraction (1/3)")]
    NotANumber(String),
    /// A fraction over zero.
    #[error("`{0}` divides by zero; give a denominator of at least 1")]
    ZeroDenominator(String),
    /// More digits than any dose has.
    #[error("`{0}` has more digits than can be held exactly; use at most 15")]
    TooLong(String),
}

impl Rational {
    /// Zero.
    pub const ZERO: Rational = Rational(Ratio::new_raw(0, 1));
    /// One.
    pub const ONE: Rational = Rational(Ratio::new_raw(1, 1));

    /// `numerator / denominator`; `None` if the denominator is zero.
    pub fn new(numerator: i128, denominator: i128) -> Option<Rational> {
        if let (Ok(n), Ok(d)) = (i64::try_from(numerator), i64::try_from(denominator))
            && d > 0
        {
            return Some(Rational(reduced(n, d)));
        }
        (denominator != 0).then(|| Rational(Ratio::new(numerator, denominator)))
    }

    /// The numerator of the reduced fraction.
    pub fn numerator(self) -> i128 {
        *self.0.numer()
    }

    /// The denominator of the reduced fraction, always positive.
    pub fn denominator(self) -> i128 {
        *self.0.denom()
    }

    /// Checked sum.
    pub fn plus(self, other: Rational) -> Option<Rational> {
        if let (Some((a, b)), Some((c, d))) = (narrow(self.0), narrow(other.0))
            && let (Some(left), Some(right), Some(bottom)) = (a.checked_mul(d), c.checked_mul(b), b.checked_mul(d))
            && let Some(top) = left.checked_add(right)
        {
            return Some(Rational(reduced(top, bottom)));
        }
        self.0.checked_add(&other.0).map(Rational)
    }

    /// Checked difference.
    pub fn minus(self, other: Rational) -> Option<Rational> {
        self.0.checked_sub(&other.0).map(Rational)
    }

    /// Checked product.
    pub fn times(self, other: Rational) -> Option<Rational> {
        if let (Some((a, b)), Some((c, d))) = (narrow(self.0), narrow(other.0))
            && let (Some(top), Some(bottom)) = (a.checked_mul(c), b.checked_mul(d))
        {
            return Some(Rational(reduced(top, bottom)));
        }
        self.0.checked_mul(&other.0).map(Rational)
    }

    /// Checked quotient; `None` for a zero divisor too.
    pub fn over(self, other: Rational) -> Option<Rational> {
        if other.0.is_zero() { None } else { self.0.checked_div(&other.0).map(Rational) }
    }

    /// Whether this is zero.
    pub fn is_zero(self) -> bool {
        self.0.is_zero()
    }

    /// Whether this is greater than zero.
    pub fn is_positive(self) -> bool {
        self.0.is_positive()
    }

    /// Without its sign.
    pub fn abs(self) -> Rational {
        Rational(self.0.abs())
    }

    /// The largest whole number not above this.
    pub fn floor(self) -> i128 {
        self.0.floor().to_integer()
    }

    /// The nearest whole number, halves away from zero.
    pub fn round(self) -> i128 {
        self.0.round().to_integer()
    }

    /// Whether this is a whole number.
    pub fn is_whole(self) -> bool {
        self.0.is_integer()
    }

    /// For drawing only: nothing is computed with the float.
    pub fn for_drawing(self) -> f64 {
        self.numerator() as f64 / self.denominator() as f64
    }

    /// As a decimal with at most `places` digits after the point, trailing zeros left out.
    /// Rounded half away from zero; only for showing.
    pub fn decimal(self, places: u32) -> String {
        let scale = 10i128.pow(places.min(12));
        let Some(scaled) = self.times(Rational::from(scale)) else { return self.to_string() };
        let n = scaled.round();
        let (whole, rest) = (n.abs() / scale, n.abs() % scale);
        let sign = if n < 0 { "-" } else { "" };
        if rest == 0 {
            return format!("{sign}{whole}");
        }
        let digits = format!("{rest:0width$}", width = places.min(12) as usize);
        format!("{sign}{whole}.{}", digits.trim_end_matches('0'))
    }
}

impl From<i128> for Rational {
    fn from(n: i128) -> Self {
        Rational(Ratio::from_integer(n))
    }
}

impl From<i32> for Rational {
    fn from(n: i32) -> Self {
        Rational::from(i128::from(n))
    }
}

impl fmt::Display for Rational {
    /// Whole numbers plain, others as a mixed fraction: `5 3/4`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_whole() {
            return write!(f, "{}", self.numerator());
        }
        let whole = self.numerator().abs() / self.denominator();
        let rest = self.numerator().abs() % self.denominator();
        let sign = if self.numerator() < 0 { "-" } else { "" };
        if whole == 0 {
            write!(f, "{sign}{rest}/{}", self.denominator())
        } else {
            write!(f, "{sign}{whole} {rest}/{}", self.denominator())
        }
    }
}

impl fmt::Debug for Rational {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

fn whole(text: &str) -> Result<i128, NumberError> {
    if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
        return Err(NumberError::NotANumber(text.into()));
    }
    if text.len() > 15 {
        return Err(NumberError::TooLong(text.into()));
    }
    text.parse().map_err(|_| NumberError::TooLong(text.into()))
}

impl FromStr for Rational {
    type Err = NumberError;

    fn from_str(text: &str) -> Result<Self, NumberError> {
        let text = text.trim();
        if text.is_empty() {
            return Err(NumberError::Empty);
        }
        if let Some(rest) = text.strip_prefix('-') {
            let value: Rational = rest.parse()?;
            return Ok(Rational(-value.0));
        }
        if let Some((whole_part, fraction)) = text.split_once(' ')
            && fraction.contains('/')
        {
            let fraction: Rational = fraction.parse()?;
            let sum = Rational::from(whole(whole_part)?).plus(fraction);
            return sum.ok_or_else(|| NumberError::TooLong(text.into()));
        }
        if let Some((top, bottom)) = text.split_once('/') {
            let (top, bottom) = (whole(top.trim())?, whole(bottom.trim())?);
            return Rational::new(top, bottom).ok_or_else(|| NumberError::ZeroDenominator(text.into()));
        }
        if let Some((int, decimals)) = text.split_once('.') {
            if decimals.is_empty() || int.len() + decimals.len() > 15 {
                let error = if decimals.is_empty() { NumberError::NotANumber } else { NumberError::TooLong };
                return Err(error(text.into()));
            }
            let int = if int.is_empty() { 0 } else { whole(int)? };
            let scale = 10i128.pow(decimals.len() as u32);
            return Rational::new(int * scale + whole(decimals)?, scale)
                .ok_or_else(|| NumberError::NotANumber(text.into()));
        }
        Ok(Rational::from(whole(text).map_err(|e| match e {
            NumberError::NotANumber(_) => NumberError::NotANumber(text.into()),
            other => other,
        })?))
    }
}

impl Serialize for Rational {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        if s.is_human_readable() { s.collect_str(self) } else { (self.numerator(), self.denominator()).serialize(s) }
    }
}

impl<'de> Deserialize<'de> for Rational {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        use serde::de::Error;
        if d.is_human_readable() {
            String::deserialize(d)?.parse().map_err(D::Error::custom)
        } else {
            let (n, m) = <(i128, i128)>::deserialize(d)?;
            Rational::new(n, m).ok_or_else(|| D::Error::custom("zero denominator"))
        }
    }
}

impl schemars::JsonSchema for Rational {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Rational".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string",
            "description": "an exact number: whole (`9`), fraction (`1/3`) or mixed (`5 3/4`)",
            "pattern": "^-?([0-9]+|[0-9]+/[0-9]+|[0-9]+ [0-9]+/[0-9]+)$"
        })
    }
}
