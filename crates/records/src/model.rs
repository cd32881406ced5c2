use std::collections::BTreeMap;

use fangwright_amount::{Amount, Convention, Range, Rational, Unit};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

macro_rules! words {
    ($(#[$meta:meta])* $name:ident { $($variant:ident = $word:literal),* $(,)? }) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        #[expect(missing_docs, reason = "the trade's own words; see data/README.md")]
        pub enum $name { $(#[serde(rename = $word)] $variant),* }

        impl $name {
            /// Every value, in order.
            pub const ALL: &'static [$name] = &[$($name::$variant),*];

            /// The word used in the data files and in output.
            pub fn word(self) -> &'static str {
                match self { $($name::$variant => $word),* }
            }

            /// The value whose word this is.
            pub fn from_word(word: &str) -> Option<$name> {
                Self::ALL.iter().copied().find(|v| v.word() == word)
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.word())
            }
        }
    };
}

words! {
    /// What sort of thing a substance is.
    Kind { Plant = "plant", Fungus = "fungus", Animal = "animal", Mineral = "mineral", Other = "other" }
}
words! {
    /// Nature, from very cold to very hot.
    Nature {
        VeryCold = "very cold", Cold = "cold", SlightlyCold = "slightly cold", Cool = "cool",
        Neutral = "neutral", SlightlyWarm = "slightly warm", Warm = "warm", Hot = "hot", VeryHot = "very hot",
    }
}
words! {
    /// The taste, as the trade uses the word.
    Taste {
        Acrid = "acrid", Sweet = "sweet", Sour = "sour", Bitter = "bitter", Salty = "salty",
        Bland = "bland", Astringent = "astringent",
    }
}
words! {
    /// A channel (meridian) that a substance enters.
    Channel {
        Lung = "lung", LargeIntestine = "large intestine", Stomach = "stomach", Spleen = "spleen", Heart = "heart",
        SmallIntestine = "small intestine", Bladder = "bladder", Kidney = "kidney", Pericardium = "pericardium",
        TripleBurner = "triple burner", Gallbladder = "gallbladder", Liver = "liver",
    }
}
words! {
    /// Where a substance moves: rising and floating go up and out, falling and sinking down and in.
    Tendency { Rising = "rising", Floating = "floating", Falling = "falling", Sinking = "sinking" }
}
words! {
    /// Toxicity as the pharmacopoeia grades it; `None` means that no grade is stated.
    Toxicity { None = "none", Slight = "slight", Toxic = "toxic", High = "high" }
}
words! {
    /// What the pharmacopoeia says of pregnancy. `NotListed` is not "safe": nothing is stated.
    Pregnancy { Forbidden = "forbidden", Avoid = "avoid", Caution = "caution", NotListed = "not listed" }
}
words! {
    /// Special handling in the pot.
    Pot {
        CookFirst = "cook first", AddLast = "add last", Wrap = "wrap", CookApart = "cook apart", MeltIn = "melt in",
        TakeWithLiquid = "take with liquid", NotDecocted = "not decocted", ExternalOnly = "external only",
    }
}
words! {
    /// How a processed form is made from its parent.
    Process {
        HoneyFried = "honey-fried", WineFried = "wine-fried", WineSteamed = "wine-steamed",
        VinegarProcessed = "vinegar-processed", SaltFried = "salt-fried", GingerProcessed = "ginger-processed",
        AlumProcessed = "alum-processed", BranFried = "bran-fried", EarthFried = "earth-fried",
        RiceFried = "rice-fried", DryFried = "dry-fried", Scorched = "scorched", Charred = "charred",
        Calcined = "calcined", Roasted = "roasted", Steamed = "steamed", Prepared = "prepared",
        WaterGround = "water-ground", Defatted = "defatted", Blanched = "blanched", SandFried = "sand-fried",
        Fermented = "fermented", Juice = "juice",
    }
}
words! {
    /// The office of an ingredient in its formula.
    Role { Chief = "chief", Deputy = "deputy", Assistant = "assistant", Envoy = "envoy" }
}
words! {
    /// The form a formula is taken in.
    Form {
        Decoction = "decoction", Powder = "powder", Draft = "draft", Pill = "pill", Paste = "paste", Wine = "wine",
        External = "external", Granules = "granules",
    }
}
words! {
    /// Whether a value was looked up for this record or remembered.
    How { Read = "read", Memory = "memory" }
}
words! {
    /// The side an action or pattern leans to.
    Lean { Cold = "cold", Hot = "hot" }
}
words! {
    /// What the second, independent pass found.
    Review { Agreed = "agreed", Mended = "mended" }
}

impl Nature {
    /// From −4 (very cold) to +4 (very hot); a teaching scale of our own.
    pub fn degree(self) -> i128 {
        self as i128 - 4
    }
}

impl Tendency {
    /// Whether this goes up or out.
    pub fn is_upward(self) -> bool {
        matches!(self, Tendency::Rising | Tendency::Floating)
    }
}

/// A taste, full or slight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Flavour {
    /// Which taste.
    pub taste: Taste,
    /// Whether the books say "slightly".
    pub slight: bool,
}

impl std::fmt::Display for Flavour {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{}", if self.slight { "slightly " } else { "" }, self.taste)
    }
}

/// Where a record stands, and whose it is.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Place {
    /// The data file.
    pub file: String,
    /// Line of the record, from 1.
    pub line: u32,
    /// Whether it is the practitioner's own.
    pub own: bool,
}

/// Where a value is from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Provenance {
    /// Id in `sources.toml`.
    pub source: String,
    /// Clause, chapter or entry, where one is named.
    #[serde(default, alias = "where")]
    pub at: String,
    /// Looked up or remembered.
    pub how: How,
    /// Which fields it covers; empty for all.
    #[serde(default)]
    pub fields: Vec<String>,
}

/// Grams a day by form.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Dose {
    /// Raw, for decoction.
    pub decoction: Option<Range>,
    /// Taken as powder.
    pub powder: Option<Range>,
    /// Taken in pills.
    pub pill: Option<Range>,
    /// Used on the outside of the body.
    pub external: bool,
}

impl Dose {
    /// The range for what is swallowed as powder or as pills: that form's own, else the other's; `None` for other forms.
    pub fn swallowed(&self, form: Form) -> Option<Range> {
        match form {
            Form::Powder => self.powder.or(self.pill),
            Form::Pill => self.pill.or(self.powder),
            _ => None,
        }
    }

    /// The range to judge an ordinary prescription by: decoction, else pill, else powder.
    pub fn usual(&self) -> Option<Range> {
        self.decoction.or(self.pill).or(self.powder)
    }
}

/// One substance of the materia medica.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Substance {
    /// Stable id.
    pub id: String,
    /// Simplified name.
    pub hanzi: String,
    /// Traditional name.
    pub traditional: String,
    /// Pinyin with tones, a space between syllables.
    pub pinyin: String,
    /// Pharmaceutical Latin.
    pub latin: String,
    /// English name.
    pub english: String,
    /// Plant, animal …
    pub kind: Kind,
    /// Scientific names of the source.
    pub species: Vec<String>,
    /// Family of the source.
    pub family: String,
    /// Part used.
    pub part: String,
    /// Shelf, in `vocabulary/categories.toml`.
    pub category: String,
    /// Names in old books.
    pub old: Vec<String>,
    /// Regional names.
    pub regional: Vec<String>,
    /// Names in trade.
    pub trade: Vec<String>,
    /// Nature.
    pub nature: Nature,
    /// Flavours, the leading one first.
    pub flavours: Vec<Flavour>,
    /// Channels entered.
    pub channels: Vec<Channel>,
    /// One tendency, or two for a mixed one.
    pub tendency: Vec<Tendency>,
    /// Action ids, most important first.
    pub actions: Vec<String>,
    /// Dose ranges.
    pub dose: Dose,
    /// Pharmacopoeia grade.
    pub toxicity: Toxicity,
    /// Pharmacopoeia class.
    pub pregnancy: Pregnancy,
    /// Special handling.
    pub pot: Vec<Pot>,
    /// For a processed form, the substance it is made from.
    pub parent: Option<String>,
    /// For a processed form, how.
    pub process: Option<Process>,
    /// What practice puts in its place.
    pub swap: Vec<String>,
    /// A plain sentence worth reading, such as a withdrawal from trade.
    pub note: Option<String>,
    /// Where the values are from.
    pub provenance: Vec<Provenance>,
    /// What the second pass found.
    pub review: Option<Review>,
    /// File and line.
    pub place: Place,
}

/// One ingredient of a formula.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Ingredient {
    /// Substance id.
    pub substance: String,
    /// The name as the book writes it.
    pub written: String,
    /// Preparation as the book writes it.
    pub prep: String,
    /// Amount in the book's units.
    pub amount: Option<Amount>,
    /// Modern grams a day.
    pub grams: Option<Rational>,
    /// Office.
    pub role: Role,
}

/// A formula defined as a change of one, or the sum of several.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Formula ids.
    pub from: Vec<String>,
    /// Substance ids brought in.
    pub add: Vec<String>,
    /// Substance ids taken out.
    pub remove: Vec<String>,
    /// Substance ids given in another amount.
    pub redose: Vec<String>,
    /// Who says so.
    pub said: String,
}

/// One formula.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Formula {
    /// Stable id.
    pub id: String,
    /// Simplified name.
    pub hanzi: String,
    /// Traditional name.
    pub traditional: String,
    /// Pinyin with tones.
    pub pinyin: String,
    /// English name.
    pub english: String,
    /// Other names.
    pub aliases: Vec<String>,
    /// Decoction, pill …
    pub form: Form,
    /// Shelf, in `vocabulary/categories.toml`.
    pub category: String,
    /// Source of name, composition, amounts and preparation.
    pub source: Provenance,
    /// Year of that source.
    pub year: i32,
    /// Whose measures the amounts are in.
    pub measures: fangwright_amount::Era,
    /// What is in it.
    pub ingredients: Vec<Ingredient>,
    /// Action ids, most important first.
    pub actions: Vec<String>,
    /// Pattern ids.
    pub patterns: Vec<String>,
    /// Key findings.
    pub findings: Vec<String>,
    /// Tongue.
    pub tongue: Vec<String>,
    /// Pulse.
    pub pulse: Vec<String>,
    /// When not, and what to watch.
    pub cautions: Vec<String>,
    /// Definition as a change, where a source gives one.
    pub change: Option<Change>,
    /// Sources of the rest; empty means common practice from memory.
    pub provenance: Vec<Provenance>,
    /// What the second pass found.
    pub review: Option<Review>,
    /// A plain sentence worth reading.
    pub note: Option<String>,
    /// File and line.
    pub place: Place,
}

/// A name that stands for several substances, which only a person can settle.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Ambiguous {
    /// The bare name, simplified.
    pub name: String,
    /// Other spellings of it.
    pub also: Vec<String>,
    /// Its pinyin with tones.
    pub pinyin: String,
    /// Substance ids it may mean.
    pub candidates: Vec<String>,
    /// What tells them apart.
    pub tells: String,
    /// What a wrong guess can do, where it can do harm.
    pub hazard: String,
    /// File and line.
    pub place: Place,
}

/// A controlled term for what a substance or formula does.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Action {
    /// Chinese term.
    pub zh: String,
    /// English term.
    pub en: String,
    /// Where the action moves.
    pub direction: Option<Tendency>,
    /// Whether it cools or warms.
    pub leans: Option<Lean>,
}

/// Chinese and English label of a shelf.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Label {
    /// Chinese.
    pub zh: String,
    /// English.
    pub en: String,
}

/// A book, standard or practice that values rest on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// Title.
    pub title: String,
    /// Author or body.
    pub author: String,
    /// Year.
    pub year: i32,
    /// classic, pharmacopoeia, standard or practice.
    pub kind: String,
}

/// What one of a counted or measured thing weighs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PieceWeight {
    /// Substance id.
    pub substance: String,
    /// piece, sheng, handful …
    pub unit: Unit,
    /// For units of volume: the era whose measure it is.
    pub era: Option<fangwright_amount::Era>,
    /// Grams in one.
    pub grams: Rational,
    /// Where from.
    pub source: String,
    /// Looked up or remembered.
    pub how: How,
}

/// The arithmetic of `trace` and of the family; whole numbers, smaller is nearer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Costs {
    /// Each ingredient that no base explains.
    pub add: u32,
    /// The chief of a base left out, for each base it is left out of.
    pub remove_chief: u32,
    /// A deputy left out.
    pub remove_deputy: u32,
    /// An assistant left out.
    pub remove_assistant: u32,
    /// An envoy left out.
    pub remove_envoy: u32,
    /// Each ingredient taken in another processed form.
    pub other_form: u32,
    /// Each ingredient replaced by what practice puts in its place.
    pub swap: u32,
    /// In a family: the chief of the elder formula serves as an envoy in the younger.
    pub demoted_chief: u32,
    /// Each base after the first.
    pub further_base: u32,
    /// A base must keep at least this many of its ingredients …
    pub keep_at_least: u32,
    /// … and this share of them, in percent.
    pub keep_percent: u32,
}

impl Costs {
    /// How many of its `size` ingredients a base must keep.
    pub fn must_keep(&self, size: usize) -> usize {
        (size * self.keep_percent as usize).div_ceil(100).max(size.min(self.keep_at_least as usize))
    }

    /// Points for leaving out an ingredient of this office.
    pub fn remove(&self, role: Role) -> u32 {
        match role {
            Role::Chief => self.remove_chief,
            Role::Deputy => self.remove_deputy,
            Role::Assistant => self.remove_assistant,
            Role::Envoy => self.remove_envoy,
        }
    }
}

/// The objective of a change: whole numbers, smaller is better; a weighing of our own, on display with each proposal.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Modifying {
    /// Each ingredient that comes in.
    pub add: i32,
    /// The most that custom takes off from that.
    pub customary: i32,
    /// Added where fewer than three formulas of the collection have it.
    pub unheard: i32,
    /// The chief of the base goes out.
    pub remove_chief: i32,
    /// A deputy.
    pub remove_deputy: i32,
    /// An assistant.
    pub remove_assistant: i32,
    /// An envoy.
    pub remove_envoy: i32,
    /// Another dose.
    pub redose: i32,
    /// An ingredient that moves the wrong way.
    pub against_movement: i32,
    /// One that is on the wrong side by nature.
    pub against_nature: i32,
    /// One whose first or second action does harm in the pattern.
    pub unwanted_action: i32,
    /// Added where a safety rule asks for caution with this patient.
    pub caution: i32,
    /// A need is covered from this strength on: 3 is one substance of which it is the first action.
    pub strength_needed: i32,
    /// Most ingredients, unless the wish says otherwise.
    pub most_ingredients: u32,
}

/// Words that stand beside a name without changing which plant is meant.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Words {
    /// Words for each process.
    pub process: BTreeMap<String, Vec<String>>,
    /// Words for the raw state.
    pub raw: Vec<String>,
    /// Words for a place of origin.
    pub origin: Vec<String>,
    /// Words for quality, cut and freshness.
    pub quality: Vec<String>,
    /// Words for preparation that may stand in brackets.
    pub preparation: Vec<String>,
    /// Words for handling in the pot, with what they mean.
    pub pot: BTreeMap<String, Vec<String>>,
    /// Spellings of single characters that old prints use: variant → standard simplified.
    pub variants: BTreeMap<String, String>,
    /// Other readings of a character, in pinyin without tones.
    pub readings: BTreeMap<String, Vec<String>>,
    /// Words that say how many doses or packs.
    pub doses: Vec<String>,
    /// Words that say how many days.
    pub days: Vec<String>,
    /// Words before one amount for all that went before.
    pub each: Vec<String>,
    /// Words for equal parts.
    pub equal: Vec<String>,
    /// Words that bring something in.
    pub plus: Vec<String>,
    /// Words that take something out.
    pub minus: Vec<String>,
    /// Words that begin a direction for cooking or taking.
    pub directions: Vec<String>,
    /// Words that deny the finding behind them.
    #[serde(default)]
    pub negations: Vec<String>,
    /// Those of them that reach over a few words (`no thoughts of …`).
    #[serde(default)]
    pub reaching: Vec<String>,
    /// Those that hold for a whole sentence (`denies …`).
    #[serde(default)]
    pub denying: Vec<String>,
    /// Phrases that begin with one of those and deny nothing that follows.
    #[serde(default)]
    pub no_denials: Vec<String>,
    /// Characters behind which qualities follow without them: pulse, tongue, coating.
    #[serde(default)]
    pub heads: Vec<String>,
    /// Words between findings that say nothing.
    #[serde(default)]
    pub fillers: Vec<String>,
    /// Phrases that say several findings at once, and which.
    #[serde(default)]
    pub joined: BTreeMap<String, Vec<String>>,
    /// Phrases that are no finding though parts of them look like one: diseases, causes, places.
    #[serde(default)]
    pub not_findings: Vec<String>,
    /// Parts of the body that old books join before what is wrong there: 头目昏痛.
    #[serde(default)]
    pub sites: Vec<String>,
}

/// The arithmetic of patterns: whole numbers, a teaching aid of our own.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Judging {
    /// A cardinal finding is there.
    pub cardinal: i32,
    /// A usual one.
    pub usual: i32,
    /// A possible one.
    pub possible: i32,
    /// One that speaks against the pattern.
    pub contrary: i32,
    /// A cardinal finding was asked for and is not there.
    pub cardinal_absent: i32,
    /// A usual one.
    pub usual_absent: i32,
    /// One that would speak against it is not there.
    pub contrary_absent: i32,
    /// The most that a finding counts that another brings with it.
    pub implied: i32,
    /// A finding that at most so many patterns name is rare …
    pub rare: usize,
    /// … and counts so many times.
    pub times_rare: i32,
    /// The same, a step less.
    pub uncommon: usize,
    /// See there.
    pub times_uncommon: i32,
    /// Each pattern of a set after the first.
    pub further_pattern: i32,
    /// Each finding that a set does not explain.
    pub unexplained: i32,
    /// Points that make a pattern twice as likely, for choosing the next question.
    pub points_for_double: i32,
    /// A finding by which a formula is recognised is there; rarity counts.
    pub formula_key: i32,
    /// A further finding it is given for is there; rarity counts.
    pub formula_may: i32,
    /// One for which only one of two readers gives it; rarity counts.
    pub formula_seldom: i32,
    /// A finding that forbids it is there.
    pub formula_not: i32,
    /// A key finding is not mentioned.
    pub formula_missing: i32,
    /// A key finding was asked for and is not there.
    pub formula_absent: i32,
    /// A finding contradicts a key finding.
    pub formula_contrary: i32,
    /// For a plain finding of which the formula names a narrower kind, times its rarity.
    pub formula_wider: i32,
    /// A finding that the formula's record does not have.
    pub formula_unexplained: i32,
    /// A finding counts once more each time the formulas that name it are halved, less this often.
    pub formula_common: i32,
    /// Each doubling of the number of formulas that are built on it.
    pub formula_base: i32,
    /// Percent of the points of its best pattern that a formula gets.
    pub formula_pattern_percent: i32,
}

/// Everything under `data/`, and a practitioner's own folder over it.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Library {
    /// Source id → source.
    pub sources: BTreeMap<String, Source>,
    /// Action id → action.
    pub actions: BTreeMap<String, Action>,
    /// Pattern id → pattern.
    pub patterns: BTreeMap<String, crate::patterns::Pattern>,
    /// Finding id → finding.
    pub findings: crate::later::Later<BTreeMap<String, crate::patterns::Finding>>,
    /// Formula id → what it is given for.
    pub signs: crate::later::Later<BTreeMap<String, crate::patterns::Signs>>,
    /// The pot, forms, vessels and printed words.
    pub dispensing: crate::later::Later<crate::dispensing::Dispensing>,
    /// Groups of words that red flags are made of.
    pub wordings: crate::later::Later<BTreeMap<String, Vec<String>>>,
    /// Red flags.
    pub flags: crate::later::Later<Vec<crate::patterns::Flag>>,
    /// Shelves of substances.
    pub substance_shelves: BTreeMap<String, Label>,
    /// Shelves of formulas.
    pub formula_shelves: BTreeMap<String, Label>,
    /// All substances.
    pub substances: Vec<Substance>,
    /// All formulas.
    pub formulas: Vec<Formula>,
    /// Names only a person can settle.
    pub ambiguous: Vec<Ambiguous>,
    /// What old units weigh.
    pub conventions: Vec<Convention>,
    /// What pieces and volumes weigh.
    pub pieces: Vec<PieceWeight>,
    /// Spellings of units: as typed → unit.
    pub unit_spellings: Vec<(String, Unit)>,
    /// Costs of a trace.
    pub costs: Option<Costs>,
    /// Arithmetic of patterns.
    pub judging: Option<Judging>,
    /// Objective of changes.
    pub modifying: Option<Modifying>,
    /// Words beside names.
    pub words: Words,
    /// Traditional characters, each with the simplified one.
    pub traditional: Vec<(char, char)>,
    /// Safety rules and what they speak of.
    pub safety: crate::later::Later<crate::rules::SafetyData>,
}
