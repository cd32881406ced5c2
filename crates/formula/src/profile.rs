//! Nature, flavours, channels and tendency of a whole mix, weighed by dose: a teaching aid with its arithmetic.

use std::collections::BTreeMap;

use fangwright_amount::Rational;
use fangwright_materia::records::{Channel, Taste, Tendency};
use fangwright_materia::{Materia, SubstanceIx};
use schemars::JsonSchema;
use serde::Serialize;

use crate::mix::Mix;

/// One line of the arithmetic.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ProfileLine {
    /// The substance.
    pub substance: SubstanceIx,
    /// Its dose, where known.
    pub grams: Option<Rational>,
    /// Middle of its usual daily range, where known.
    pub usual: Option<Rational>,
    /// Dose over usual dose; 1 where either is unknown.
    pub weight: Rational,
    /// Nature on our scale from −4 (very cold) to 4 (very hot).
    pub nature: i64,
    /// Upward share: 1 rising or floating, −1 falling or sinking, 0 mixed.
    pub upward: i64,
}

/// The profile of a mix. A teaching aid of our own, not a measurement.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Profile {
    /// The arithmetic, one line a substance.
    pub lines: Vec<ProfileLine>,
    /// Sum of the weights.
    pub total: Rational,
    /// Weighted mean of nature, −4 … 4.
    pub nature: Rational,
    /// Weighted mean of the upward share, −1 … 1.
    pub upward: Rational,
    /// Share of the whole weight by tendency; a mixed substance gives half to each.
    pub tendency: BTreeMap<String, Rational>,
    /// Share of the whole weight that has this flavour; a slight one counts half. They need not add up to one.
    pub flavours: BTreeMap<String, Rational>,
    /// Share of the whole weight that enters this channel. They need not add up to one.
    pub channels: BTreeMap<String, Rational>,
}

impl Profile {
    /// Weighs a mix. `None` if it is empty or the numbers grow too large to hold exactly.
    pub fn of(m: &Materia, mix: &Mix) -> Option<Profile> {
        let mut lines = Vec::new();
        let half = Rational::new(1, 2)?;
        let mut total = Rational::ZERO;
        let (mut nature, mut upward) = (Rational::ZERO, Rational::ZERO);
        let mut tendency: BTreeMap<String, Rational> = BTreeMap::new();
        let mut flavours: BTreeMap<String, Rational> = BTreeMap::new();
        let mut channels: BTreeMap<String, Rational> = BTreeMap::new();
        for word in Tendency::ALL {
            tendency.insert(word.to_string(), Rational::ZERO);
        }
        for word in Taste::ALL {
            flavours.insert(word.to_string(), Rational::ZERO);
        }
        for word in Channel::ALL {
            channels.insert(word.to_string(), Rational::ZERO);
        }
        for part in &mix.parts {
            let s = m.substance(part.substance);
            let usual = s.dose.usual().and_then(|r| r.middle());
            let weight = match (part.grams, usual) {
                (Some(g), Some(u)) => g.over(u)?,
                _ => Rational::ONE,
            };
            let up = s.tendency.iter().map(|t| if t.is_upward() { 1 } else { -1 }).sum::<i64>().signum();
            let degree = s.nature.degree();
            total = total.plus(weight)?;
            nature = nature.plus(weight.times(Rational::from(degree))?)?;
            upward = upward.plus(weight.times(Rational::from(i128::from(up)))?)?;
            let share = weight.over(Rational::from(s.tendency.len().max(1) as i128))?;
            for t in &s.tendency {
                let slot = tendency.entry(t.to_string()).or_default();
                *slot = slot.plus(share)?;
            }
            for f in &s.flavours {
                let slot = flavours.entry(f.taste.to_string()).or_default();
                *slot = slot.plus(if f.slight { weight.times(half)? } else { weight })?;
            }
            for c in &s.channels {
                let slot = channels.entry(c.to_string()).or_default();
                *slot = slot.plus(weight)?;
            }
            lines.push(ProfileLine {
                substance: part.substance,
                grams: part.grams,
                usual,
                weight,
                nature: degree as i64,
                upward: up,
            });
        }
        for map in [&mut tendency, &mut flavours, &mut channels] {
            for value in map.values_mut() {
                *value = value.over(total)?;
            }
        }
        Some(Profile {
            nature: nature.over(total)?,
            upward: upward.over(total)?,
            lines,
            total,
            tendency,
            flavours,
            channels,
        })
    }
}
