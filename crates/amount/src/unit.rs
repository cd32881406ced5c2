use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A unit that books and prescriptions use. What it weighs is data, not code: see [`Convention`](crate::Convention).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are the trade's own; data/measures/units.toml explains each")]
pub enum Unit {
    Kilogram,
    Gram,
    Milligram,
    Milliliter,
    Jin,
    Liang,
    Qian,
    Fen,
    Li,
    Zhu,
    Dou,
    Sheng,
    Ge,
    Piece,
    Part,
    Fangcunbi,
    Qianbi,
    Handful,
    Egg,
    Bullet,
    Chi,
    Sheet,
    Stem,
    Cup,
    Pill,
    Spoon,
}

/// What kind of thing a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measures {
    /// Grams and their multiples.
    MetricWeight,
    /// Jin, liang, qian, fen, li, zhu: weight by a convention of its era.
    Weight,
    /// Dou, sheng, ge, and millilitres: volume.
    Volume,
    /// Counted things, spoons, lengths: no weight but through data on the substance.
    Count,
    /// A proportion of the whole.
    Proportion,
}

impl Unit {
    /// Every unit, in the order of this file.
    pub const ALL: [Unit; 26] = [
        Unit::Kilogram,
        Unit::Gram,
        Unit::Milligram,
        Unit::Milliliter,
        Unit::Jin,
        Unit::Liang,
        Unit::Qian,
        Unit::Fen,
        Unit::Li,
        Unit::Zhu,
        Unit::Dou,
        Unit::Sheng,
        Unit::Ge,
        Unit::Piece,
        Unit::Part,
        Unit::Fangcunbi,
        Unit::Qianbi,
        Unit::Handful,
        Unit::Egg,
        Unit::Bullet,
        Unit::Chi,
        Unit::Sheet,
        Unit::Stem,
        Unit::Cup,
        Unit::Pill,
        Unit::Spoon,
    ];

    /// What this unit measures.
    pub fn measures(self) -> Measures {
        match self {
            Unit::Kilogram | Unit::Gram | Unit::Milligram => Measures::MetricWeight,
            Unit::Jin | Unit::Liang | Unit::Qian | Unit::Fen | Unit::Li | Unit::Zhu => Measures::Weight,
            Unit::Dou | Unit::Sheng | Unit::Ge | Unit::Milliliter => Measures::Volume,
            Unit::Part => Measures::Proportion,
            _ => Measures::Count,
        }
    }

    /// The word the data files and the output use.
    pub fn word(self) -> &'static str {
        match self {
            Unit::Kilogram => "kg",
            Unit::Gram => "g",
            Unit::Milligram => "mg",
            Unit::Milliliter => "ml",
            Unit::Jin => "jin",
            Unit::Liang => "liang",
            Unit::Qian => "qian",
            Unit::Fen => "fen",
            Unit::Li => "li",
            Unit::Zhu => "zhu",
            Unit::Dou => "dou",
            Unit::Sheng => "sheng",
            Unit::Ge => "ge",
            Unit::Piece => "piece",
            Unit::Part => "part",
            Unit::Fangcunbi => "fangcunbi",
            Unit::Qianbi => "qianbi",
            Unit::Handful => "handful",
            Unit::Egg => "egg",
            Unit::Bullet => "bullet",
            Unit::Chi => "chi",
            Unit::Sheet => "sheet",
            Unit::Stem => "stem",
            Unit::Cup => "cup",
            Unit::Pill => "pill",
            Unit::Spoon => "spoon",
        }
    }

    /// The unit whose [`word`](Unit::word) this is.
    pub fn from_word(word: &str) -> Option<Unit> {
        Unit::ALL.into_iter().find(|u| u.word() == word)
    }
}
