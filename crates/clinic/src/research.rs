//! De-identified rows of the record: tables for research ([`csv()`], [`parquet()`]) and one case for a student ([`practice_case`]).
//!
//! # The tables
//! One row a line, long format, sorted by case. An empty cell (null in Parquet) says that nothing is on file, or that it was blanked.
//!
//! - `visits`: `case`, `visit` (number within the case), `date` (shifted), `age` (band at the visit), `sex`, `findings`, `absent`,
//!   `patterns` (ids joined by a space; patterns with the leading one first), `day` (days since the first visit).
//! - `prescriptions`: `case`, `visit`, `prescription` (number within the case), `parent` (number of the one it takes the place of),
//!   `version` (1, or one more than the parent's), `state`, `date`, `formula`, `substance`, `grams` (a day, exact: a decimal, or a
//!   fraction such as `1/3` where no decimal ends), `grams_number` (the nearest double), `form`, `days`. One row a substance.
//! - `outcomes`: `case`, `measure` (number within the case), `least`, `most`, `better`, `unit`, `date`, `value`. One row a reading.
//!
//! # What is done
//! - Only persons whose latest answer on `research` is yes are in it. Of two answers of one day the no counts.
//! - Cases are HMAC-SHA256 (RFC 2104) of the person's id under the caller's key, and stand in the order of these, not of the record:
//!   otherwise the order of registration would tell the dates. The key is written nowhere.
//! - All days of a person are moved by one number of days, 30 to 365 back or forth, drawn from the key; intervals stay.
//! - No names, numbers, addresses, free text, accounts, record ids, attachments, times of day. A word is written only if it is an id of
//!   the [`Vocabulary`], a word of an enumeration of the model, or one of a few [`UNITS`]; any other is `other`.
//! - An id (or unit) that fewer than `k` persons have in its column becomes `other`.
//! - Age is in bands of five years (`0` for under one year, `90+`). Where fewer than `k` persons have a band and sex, that band and its
//!   neighbour become one of ten years; is that too few, age is blanked; are still too few left with this sex and no age, sex is
//!   blanked in all rows of these persons, since one row would give away the other. This goes on until every pair of band and sex is
//!   of at least `k` persons or blank. With fewer than `k` persons in all nothing is written.
//!
//! # What this does and does not protect against
//! It guards against recognising a person by name, contact, number, date, or by age and sex, and keeps whoever has the file but not
//! the key from computing cases out of known ids. **It does not make the rows anonymous in law**: treat them as personal data, give
//! them away under an agreement, and do not publish them. In particular:
//!
//! - `k` holds for age and sex of a row, and for each id alone. A rare *combination* of findings, patterns or substances, a course of
//!   visits with rare intervals, a weight or value that nobody else has, may single a person out to somebody who knows of it.
//! - The number of days between two visits at which the band changes narrows down the birthday within the shifted calendar.
//! - Shifted dates hide the day, not the season of a long course, and not the day of the week from somebody who knows on which days the
//!   clinic is closed. Dates outside of the clinic's life bound the shift.
//! - Whoever has the key and the record can tell every case. A key that is used twice lets two exports be joined; two exports of
//!   nearly the same persons, whatever the keys, can be compared to find the one who came or left. Use a fresh random key each time,
//!   and throw it away unless the persons must be found again.
//! - What is common to a group is told of every member: if all of a band have a finding, it is known of each of them.
//! - `other` and blank cells tell that something rare is there.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::{self, Write as _};
use std::fs::{self, File};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{self, BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use fangwright_amount::Rational;
use fangwright_materia::Materia;
use fangwright_materia::records::Form;
use fangwright_safety::Exact;
use jiff::civil::{Date, date};
use jiff::{Span, Unit};
use parquet::basic::{Compression, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::parser::parse_message_type;
use rustc_hash::{FxHashMap, FxHashSet};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::model::{Better, Body, Consent, Kept, Person, Prescription, Sex, Visit, Whole};

/// The least number of persons in a cell where the caller has no other wish.
pub const USUAL_K: u32 = 5;

/// Units that are written as they are; any other is `other`.
pub const UNITS: &[&str] = &[
    "%", "°C", "°F", "/day", "/night", "/week", "/month", "h", "hours", "min", "minutes", "s", "days", "nights",
    "weeks", "times", "steps", "kg", "g", "mg", "m", "km", "cm", "mm", "l", "ml", "mmHg", "kPa", "bpm", "/min",
    "mmol/l", "µmol/l", "mg/dl", "g/l",
];

/// What stands in place of an id that is rare or not of the vocabulary.
pub const OTHER: &str = "other";

/// The row groups of a Parquet file hold at most this many rows.
const GROUP: usize = 50_000;

/// How often a person's record is looked at: to count, to take out what identifies, to write.
pub const PASSES: u64 = 3;

/// What a [`Source`] may fail with.
pub type SourceError = Box<dyn std::error::Error + Send + Sync>;

/// Gives every person of the record to the function it is called with, one after the other, and stops early where that says `Break`.
/// It is called twice and has to give the same both times: read from one snapshot.
pub type Source<'s> = dyn FnMut(&mut dyn FnMut(&Whole) -> ControlFlow<()>) -> Result<(), SourceError> + 's;

/// Is told how many looks at a person were taken, of at most [`PASSES`] for each; `Break` ends the export, and nothing is left of it.
pub type Progress<'p> = dyn FnMut(u64) -> ControlFlow<()> + 'p;

/// How to export.
#[derive(Clone)]
pub struct Options {
    /// At least so many persons in every cell; 2 or more.
    pub k: u32,
    /// Random; whoever has it can tell the cases.
    pub key: [u8; 32],
}

impl Options {
    /// The usual [`USUAL_K`] with this key.
    pub fn new(key: [u8; 32]) -> Options {
        Options { k: USUAL_K, key }
    }
}

impl fmt::Debug for Options {
    /// Without the key, so that no log holds it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Options").field("k", &self.k).finish_non_exhaustive()
    }
}

/// What was exported, and what was not. All are counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Summary {
    /// Persons in the tables.
    pub persons: u64,
    /// Persons left out, since their latest answer on research is no, or none is on file.
    pub left_out_no_consent: u64,
    /// Persons who consent, but have no visit, prescription line or reading.
    pub left_out_empty: u64,
    /// Rows of `visits`.
    pub visits: u64,
    /// Rows of `prescriptions`.
    pub prescriptions: u64,
    /// Rows of `outcomes`.
    pub outcomes: u64,
    /// Ids, counted once a column, that became `other` since too few persons have them.
    pub rare_ids: u64,
    /// Cells in which an id or unit became `other`, for whichever reason.
    pub other_cells: u64,
    /// Of these, cells with an id or unit that is not of the vocabulary.
    pub unknown_cells: u64,
    /// Visits whose band was widened to ten years.
    pub ages_widened: u64,
    /// Visits whose age is known and was blanked.
    pub ages_blanked: u64,
    /// Persons whose sex is known and was blanked.
    pub sexes_blanked: u64,
    /// Readings left out, since their measure is not on file.
    pub readings_without_measure: u64,
}

/// Why nothing was exported.
#[derive(Debug, thiserror::Error)]
pub enum ResearchError {
    /// `k` hides nobody.
    #[error("k is {0}, which hides nobody; give 2 or more, {USUAL_K} where nothing speaks against it")]
    SmallK(u32),
    /// Too few persons in all.
    #[error(
        "only {persons} persons with consent to research have rows, and at least {k} are needed; nothing was exported"
    )]
    TooFew {
        /// How many there are.
        persons: u64,
        /// How many are needed.
        k: u32,
    },
    /// A person came twice.
    #[error("the source gave person `{0}` twice, so that persons cannot be counted; give each once")]
    Twice(String),
    /// The two passes differ.
    #[error("the record was changed while it was being exported; export from one snapshot of it")]
    Changed,
    /// The caller ended it.
    #[error("the export was interrupted; nothing was written")]
    Interrupted,
    /// A day that cannot be moved.
    #[error("person `{person}`: {day} cannot be moved by up to a year; correct this date in the record")]
    Day {
        /// Id of the person.
        person: String,
        /// The day.
        day: Date,
    },
    /// A file of this name is there already.
    #[error("`{}` is there already, and would be of another export than the rest; give an empty folder", .0.display())]
    Standing(PathBuf),
    /// A file could not be read or written.
    #[error("`{}`: {source}; see that the folder may be written to and has room", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The Parquet writer refused.
    #[error("`{}` could not be written as Parquet: {source}", path.display())]
    Parquet {
        /// Which.
        path: PathBuf,
        /// Why.
        source: ParquetError,
    },
    /// The record could not be read.
    #[error("the record could not be read: {0}")]
    Source(SourceError),
}

fn at(path: &Path) -> impl FnOnce(io::Error) -> ResearchError {
    let path = path.to_path_buf();
    move |source| ResearchError::File { path, source }
}

// ---------------------------------------------------------------------------------------------------------------- keyed hashes

/// HMAC-SHA256 (RFC 2104).
fn hmac(key: &[u8], parts: &[&[u8]]) -> [u8; 32] {
    const BLOCK: usize = 64;
    let mut block = [0; BLOCK];
    if key.len() > BLOCK {
        block[..32].copy_from_slice(&Sha256::digest(key));
    } else {
        block[..key.len()].copy_from_slice(key);
    }
    let begin = |pad: u8| Sha256::new().chain_update(block.map(|b| b ^ pad));
    let inner = parts.iter().fold(begin(0x36), |h, part| h.chain_update(part)).finalize();
    begin(0x5c).chain_update(inner).finalize().into()
}

/// The pseudonym of a person, of 128 bits. `use_` keeps the uses of one key apart.
fn pseudonym(key: &[u8; 32], use_: &str, person: &str) -> [u8; 16] {
    let mut short = [0; 16];
    short.copy_from_slice(&hmac(key, &[use_.as_bytes(), &[0], person.as_bytes()])[..16]);
    short
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut out, byte| {
        let _ = write!(out, "{byte:02x}");
        out
    })
}

/// Days by which a person's dates are moved: 30 to 365, back or forth.
fn shift(key: &[u8; 32], person: &str) -> i32 {
    const LEAST: i32 = 30;
    const CHOICES: i32 = 365 - LEAST + 1;
    let number = pseudonym(key, "shift", person).iter().take(8).fold(0u64, |n, byte| (n << 8) | u64::from(*byte));
    // A remainder below 672, so that the cast loses nothing.
    let choice = (number % (2 * CHOICES as u64)) as i32;
    if choice < CHOICES { LEAST + choice } else { CHOICES - LEAST - choice }
}

fn days_between(from: Date, to: Date) -> Option<i32> {
    from.until((Unit::Day, to)).ok().map(|span| span.get_days())
}

/// Days since 1 January 1970, after moving.
fn moved(day: Date, by: i32) -> Option<i32> {
    days_between(date(1970, 1, 1), day.checked_add(Span::new().try_days(by).ok()?).ok()?)
}

// ------------------------------------------------------------------------------------------------------------------ vocabulary

/// A column of ids.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
enum Column {
    Finding,
    Absent,
    Pattern,
    Formula,
    Substance,
    Unit,
}

/// Number of an id in its list.
type Id = u32;

/// Where `other` is written.
const HIDDEN: Id = Id::MAX;

/// One sorted list of ids.
type Ids = Vec<String>;

/// The ids that may be written. What is not in it, say a name that was typed where an id belongs, becomes `other`.
#[derive(Debug, Clone)]
pub struct Vocabulary {
    findings: Ids,
    patterns: Ids,
    formulas: Ids,
    substances: Ids,
    units: Ids,
}

impl Vocabulary {
    /// All ids of the materia. A practice's own records may have telling ids (a family's formula): [`Materia::embedded`] has none of
    /// them, so that they become `other`.
    pub fn of(m: &Materia) -> Vocabulary {
        // Ids are joined by a space, so that none may hold one.
        let sorted = |ids: &mut dyn Iterator<Item = &String>| -> Ids {
            let set: BTreeSet<&String> = ids.filter(|id| !id.is_empty() && !id.contains(char::is_whitespace)).collect();
            set.into_iter().cloned().collect()
        };
        let library = m.library();
        let units: BTreeSet<&str> = UNITS.iter().copied().collect();
        Vocabulary {
            findings: sorted(&mut library.findings.keys()),
            patterns: sorted(&mut library.patterns.keys()),
            formulas: sorted(&mut library.formulas.iter().map(|f| &f.id)),
            substances: sorted(&mut library.substances.iter().map(|s| &s.id)),
            units: units.into_iter().map(String::from).collect(),
        }
    }

    fn ids(&self, column: Column) -> &Ids {
        match column {
            Column::Finding | Column::Absent => &self.findings,
            Column::Pattern => &self.patterns,
            Column::Formula => &self.formulas,
            Column::Substance => &self.substances,
            Column::Unit => &self.units,
        }
    }

    fn number(&self, column: Column, id: &str) -> Option<Id> {
        let place = self.ids(column).binary_search_by(|known| known.as_str().cmp(id)).ok()?;
        Id::try_from(place).ok()
    }

    fn word(&self, column: Column, id: Id) -> &str {
        usize::try_from(id).ok().and_then(|i| self.ids(column).get(i)).map_or(OTHER, String::as_str)
    }

    /// An id as it may be shown, without regard to how rare it is.
    fn shown(&self, column: Column, id: &str) -> String {
        self.word(column, self.number(column, id).unwrap_or(HIDDEN)).to_string()
    }

    fn all_shown(&self, column: Column, ids: &[String]) -> Vec<String> {
        let mut out: Vec<String> = Vec::with_capacity(ids.len());
        for id in ids {
            let id = self.shown(column, id);
            if !out.contains(&id) {
                out.push(id);
            }
        }
        out
    }
}

// ------------------------------------------------------------------------------------------------------------ what a person has

/// Whether the latest answer is yes. Of one day the no counts: in doubt nobody is exported.
pub fn agreed(consents: &[Consent], to: &str) -> bool {
    let of_this = consents.iter().filter(|c| c.to.trim().eq_ignore_ascii_case(to));
    of_this.max_by_key(|c| (c.on, !c.given)).is_some_and(|c| c.given)
}

/// Sorted by day; those of one day as they stand.
fn by_day<B: Body>(all: &[Kept<B>]) -> Vec<&Kept<B>> {
    let mut sorted: Vec<_> = all.iter().collect();
    sorted.sort_by_key(|kept| kept.record.day());
    sorted
}

/// Numbers from 1 for ids.
fn numbers<'a, B: 'a>(all: impl IntoIterator<Item = &'a Kept<B>>) -> FxHashMap<&'a str, u32> {
    all.into_iter().map(|kept| kept.id.as_str()).zip(1..).collect()
}

/// A five-year band: 0 is under one year, 1 is 1 to 4, 2 is 5 to 9 and so on, 19 is 90 and over.
type Band = u8;

const OLDEST: Band = 19;

fn band(years: i32) -> Option<Band> {
    match years {
        ..0 => None,
        0 => Some(0),
        1..90 => u8::try_from(years / 5 + 1).ok(),
        _ => Some(OLDEST),
    }
}

fn band_at(person: &Person, on: Date) -> Option<Band> {
    person.years(on).and_then(band)
}

/// The band of ten years around one of five; 9 is 90 and over.
fn ten(band: Band) -> u8 {
    band.saturating_sub(1) / 2
}

/// An age as far as it is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
enum Age {
    Five(Band),
    Ten(u8),
    Blank,
}

impl Age {
    fn word(self) -> Option<String> {
        let span = |low: u8, high: u8| Some(format!("{low}-{high}"));
        match self {
            Age::Blank => None,
            Age::Five(0) => Some("0".into()),
            Age::Five(1) => span(1, 4),
            Age::Five(OLDEST..) | Age::Ten(9..) => Some("90+".into()),
            Age::Five(band) => span((band - 1) * 5, (band - 1) * 5 + 4),
            Age::Ten(ten) => span(ten * 10, ten * 10 + 9),
        }
    }
}

/// Sex as a number that can be sorted; none where it is not told.
type SexKey = Option<u8>;

fn sex_key(sex: Option<Sex>) -> SexKey {
    sex.map(|s| match s {
        Sex::Female => 0,
        Sex::Male => 1,
        Sex::Other => 2,
    })
}

fn sex_of(key: SexKey) -> Option<Sex> {
    key.map(|k| match k {
        0 => Sex::Female,
        1 => Sex::Male,
        _ => Sex::Other,
    })
}

/// What is counted of a person.
#[derive(Debug, PartialEq, Eq, Hash)]
struct Facts {
    case: [u8; 16],
    sex: SexKey,
    bands: BTreeSet<Option<Band>>,
    marks: BTreeSet<(Column, Id)>,
    rows: [usize; 3],
}

impl Facts {
    fn of(words: &Vocabulary, key: &[u8; 32], whole: &Whole) -> Facts {
        let person = &whole.person.record;
        let mut marks = BTreeSet::new();
        let mut mark = |column: Column, ids: &mut dyn Iterator<Item = &String>| {
            marks.extend(ids.filter_map(|id| words.number(column, id)).map(|id| (column, id)));
        };
        for visit in whole.visits.iter().map(|v| &v.record) {
            mark(Column::Finding, &mut visit.findings.iter());
            mark(Column::Absent, &mut visit.absent.iter());
            mark(Column::Pattern, &mut visit.patterns.iter());
        }
        for rx in whole.prescriptions.iter().map(|p| &p.record) {
            // A formula is written in the rows of its lines: without lines nobody sees it.
            if !rx.items.is_empty() {
                mark(Column::Formula, &mut rx.formula.iter());
            }
            mark(Column::Substance, &mut rx.items.iter().filter_map(|line| line.substance.as_ref()));
        }
        let measures = numbers(&whole.measures);
        let read: FxHashSet<&str> = whole.readings.iter().map(|r| r.record.measure.as_str()).collect();
        let shown = whole.measures.iter().filter(|m| read.contains(m.id.as_str()));
        mark(Column::Unit, &mut shown.map(|m| &m.record.unit));
        Facts {
            case: pseudonym(key, "case", &whole.person.id),
            sex: sex_key(person.sex),
            bands: whole.visits.iter().map(|v| band_at(person, v.record.on)).collect(),
            marks,
            rows: [
                whole.visits.len(),
                whole.prescriptions.iter().map(|p| p.record.items.len()).sum(),
                whole.readings.iter().filter(|r| measures.contains_key(r.record.measure.as_str())).count(),
            ],
        }
    }

    fn has_rows(&self) -> bool {
        self.rows != [0; 3]
    }

    /// A number that differs where a fact differs, to see that both passes met the same. The sum over all does not ask for an order.
    fn print(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        self.hash(&mut hasher);
        hasher.finish()
    }
}

// --------------------------------------------------------------------------------------------------------------- what is hidden

/// Sex and bands of a person, while it is settled what is told of them.
struct Shape {
    known: SexKey,
    told: SexKey,
    bands: Vec<Option<Band>>,
}

/// What is told of whom.
#[derive(Default)]
struct Plan {
    shapes: FxHashMap<[u8; 16], Shape>,
    /// Bands of ten years, by sex, that stand for their two of five.
    widened: FxHashSet<(u8, SexKey)>,
    /// Bands of ten years, by sex, that are not told.
    blanked: FxHashSet<(u8, SexKey)>,
    /// How many persons have an id.
    marks: FxHashMap<(Column, Id), u32>,
    prints: u64,
    k: u32,
}

impl Plan {
    /// Counts a person; false if this one was counted before.
    fn count(&mut self, facts: &Facts) -> bool {
        let shape = Shape { known: facts.sex, told: facts.sex, bands: facts.bands.iter().copied().collect() };
        if self.shapes.insert(facts.case, shape).is_some() {
            return false;
        }
        for mark in &facts.marks {
            *self.marks.entry(*mark).or_default() += 1;
        }
        self.prints = self.prints.wrapping_add(facts.print());
        true
    }

    fn age(&self, band: Option<Band>, sex: SexKey) -> Age {
        match band {
            None => Age::Blank,
            Some(b) if self.blanked.contains(&(ten(b), sex)) => Age::Blank,
            Some(b) if self.widened.contains(&(ten(b), sex)) => Age::Ten(ten(b)),
            Some(b) => Age::Five(b),
        }
    }

    /// Pairs of age and sex that fewer than `k` persons have, but for those that tell nothing.
    fn too_small(&self) -> BTreeSet<(Age, SexKey)> {
        let mut persons: BTreeMap<(Age, SexKey), u32> = BTreeMap::new();
        for shape in self.shapes.values() {
            let told: BTreeSet<Age> = shape.bands.iter().map(|b| self.age(*b, shape.told)).collect();
            for age in told {
                *persons.entry((age, shape.told)).or_default() += 1;
            }
        }
        persons.retain(|pair, n| *n < self.k && *pair != (Age::Blank, None));
        persons.into_keys().collect()
    }

    /// Tells less and less until every pair has `k` persons. Each round tells less of somebody, so that it ends.
    fn settle(&mut self) {
        loop {
            let small = self.too_small();
            if small.is_empty() {
                return;
            }
            let mut wider = false;
            for (age, sex) in &small {
                wider |= match age {
                    Age::Five(band) => self.widened.insert((ten(*band), *sex)),
                    Age::Ten(ten) => self.blanked.insert((*ten, *sex)),
                    Age::Blank => false,
                };
            }
            // Sex goes last: blanked ages may still fill up the group without age.
            if !wider {
                self.blank_sexes(&small);
            }
        }
    }

    fn blank_sexes(&mut self, small: &BTreeSet<(Age, SexKey)>) {
        let met: Vec<[u8; 16]> = self
            .shapes
            .iter()
            .filter(|(_, s)| s.bands.iter().any(|b| small.contains(&(self.age(*b, s.told), s.told))))
            .map(|(case, _)| *case)
            .collect();
        for case in met {
            if let Some(shape) = self.shapes.get_mut(&case) {
                shape.told = None;
            }
        }
    }

    fn is_rare(&self, column: Column, id: Id) -> bool {
        self.marks.get(&(column, id)).is_none_or(|n| *n < self.k)
    }

    fn summary(&self) -> Summary {
        let blanked = self.shapes.values().filter(|s| s.told != s.known).count();
        let rare = self.marks.values().filter(|n| **n < self.k).count();
        Summary {
            persons: self.shapes.len() as u64,
            sexes_blanked: blanked as u64,
            rare_ids: rare as u64,
            ..Summary::default()
        }
    }
}

// ---------------------------------------------------------------------------------------------------------- rows of one person

/// A double by its bits: the text of a double need not read back as the same one.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct Double(u64);

impl Double {
    /// The nearest double: a researcher's program reckons with it, ours does not.
    fn of(number: Exact) -> Double {
        Double(number.0.for_drawing().to_bits())
    }

    fn get(self) -> f64 {
        f64::from_bits(self.0)
    }
}

/// Exactly: as a decimal where one ends, otherwise as a fraction.
fn exact(number: Rational) -> String {
    let ends = |places: &u32| {
        let scaled = 10i128.checked_pow(*places).and_then(|scale| number.times(Rational::from(scale)));
        scaled.is_some_and(Rational::is_whole)
    };
    match (0..=12).find(ends) {
        Some(places) => number.decimal(places),
        None => format!("{}/{}", number.numerator(), number.denominator()),
    }
}

#[derive(Serialize, Deserialize)]
struct VisitRow {
    date: i32,
    age: Age,
    findings: Vec<Id>,
    absent: Vec<Id>,
    patterns: Vec<Id>,
    day: i32,
}

#[derive(Serialize, Deserialize)]
struct RxRow {
    visit: Option<u32>,
    number: u32,
    parent: Option<u32>,
    version: u32,
    state: String,
    date: i32,
    formula: Option<Id>,
    form: Form,
    days: Option<u32>,
    lines: Vec<LineRow>,
}

/// A substance with its grams, as written and as a number.
type LineRow = (Option<Id>, Option<(String, Double)>);

#[derive(Serialize, Deserialize)]
struct OutcomeRow {
    measure: u32,
    least: Double,
    most: Option<Double>,
    better: Better,
    unit: Option<Id>,
    date: i32,
    value: Double,
}

/// All rows of a person, with nothing in them that may not be written.
#[derive(Serialize, Deserialize)]
struct Rows {
    sex: SexKey,
    visits: Vec<VisitRow>,
    prescriptions: Vec<RxRow>,
    outcomes: Vec<OutcomeRow>,
}

/// Makes rows, and counts what was hidden.
struct Hider<'a> {
    words: &'a Vocabulary,
    plan: &'a Plan,
    key: &'a [u8; 32],
    summary: Summary,
}

impl Hider<'_> {
    fn hide(&mut self, column: Column, id: &str) -> Id {
        let known = self.words.number(column, id);
        let shown = known.filter(|id| !self.plan.is_rare(column, *id));
        self.summary.unknown_cells += u64::from(known.is_none());
        self.summary.other_cells += u64::from(shown.is_none());
        shown.unwrap_or(HIDDEN)
    }

    /// Each once; as they stand.
    fn hide_all(&mut self, column: Column, ids: &[String]) -> Vec<Id> {
        let mut out = Vec::with_capacity(ids.len());
        for id in ids {
            let id = self.hide(column, id);
            if !out.contains(&id) {
                out.push(id);
            }
        }
        out
    }

    /// In the order of ids: the order in which findings were noted is nobody's business.
    fn hide_sorted(&mut self, column: Column, ids: &[String]) -> Vec<Id> {
        let mut out = self.hide_all(column, ids);
        out.sort_unstable();
        out
    }

    fn rows(&mut self, whole: &Whole, case: &[u8; 16]) -> Result<Rows, ResearchError> {
        let plan = self.plan;
        let shape = plan.shapes.get(case).ok_or(ResearchError::Changed)?;
        let by = shift(self.key, &whole.person.id);
        let day = |on: Date| {
            let cannot = || ResearchError::Day { person: whole.person.id.clone(), day: on };
            moved(on, by).ok_or_else(cannot)
        };
        Ok(Rows {
            sex: shape.told,
            visits: self.visits(whole, shape.told, &day)?,
            prescriptions: self.prescriptions(whole, &day)?,
            outcomes: self.outcomes(whole, &day)?,
        })
    }

    fn visits(
        &mut self,
        whole: &Whole,
        sex: SexKey,
        day: &dyn Fn(Date) -> Result<i32, ResearchError>,
    ) -> Result<Vec<VisitRow>, ResearchError> {
        let visits = by_day(&whole.visits);
        let Some(first) = visits.first().map(|v| day(v.record.on)).transpose()? else { return Ok(Vec::new()) };
        let mut rows = Vec::with_capacity(visits.len());
        for visit in visits.into_iter().map(|v| &v.record) {
            let band = band_at(&whole.person.record, visit.on);
            let age = self.plan.age(band, sex);
            self.summary.ages_widened += u64::from(matches!(age, Age::Ten(_)));
            self.summary.ages_blanked += u64::from(age == Age::Blank && band.is_some());
            let date = day(visit.on)?;
            rows.push(VisitRow {
                date,
                age,
                findings: self.hide_sorted(Column::Finding, &visit.findings),
                absent: self.hide_sorted(Column::Absent, &visit.absent),
                patterns: self.hide_all(Column::Pattern, &visit.patterns),
                day: date - first,
            });
        }
        Ok(rows)
    }

    fn prescriptions(
        &mut self,
        whole: &Whole,
        day: &dyn Fn(Date) -> Result<i32, ResearchError>,
    ) -> Result<Vec<RxRow>, ResearchError> {
        let visits = numbers(by_day(&whole.visits));
        let sorted = by_day(&whole.prescriptions);
        let family = Family::of(&sorted);
        let mut rows = Vec::with_capacity(sorted.len());
        for (kept, number) in sorted.iter().zip(1..) {
            let rx = &kept.record;
            // One cell for each row of the prescription, but one id: it is counted once.
            let formula = rx.formula.as_ref().filter(|_| !rx.items.is_empty());
            let formula = formula.map(|id| self.hide(Column::Formula, id));
            let mut lines = Vec::with_capacity(rx.items.len());
            for line in &rx.items {
                let substance = line.substance.as_ref().map(|id| self.hide(Column::Substance, id));
                lines.push((substance, line.grams.map(|g| (exact(g.0), Double::of(g)))));
            }
            rows.push(RxRow {
                visit: rx.visit.as_ref().and_then(|id| visits.get(id.as_str()).copied()),
                number,
                parent: family.parent(rx),
                version: family.version(rx),
                state: rx.state().to_string(),
                date: day(rx.on)?,
                formula,
                form: rx.form.unwrap_or(Form::Decoction),
                days: rx.days,
                lines,
            });
        }
        Ok(rows)
    }

    fn outcomes(
        &mut self,
        whole: &Whole,
        day: &dyn Fn(Date) -> Result<i32, ResearchError>,
    ) -> Result<Vec<OutcomeRow>, ResearchError> {
        let numbers = numbers(&whole.measures);
        let measures: FxHashMap<&str, _> = whole.measures.iter().map(|m| (m.id.as_str(), &m.record)).collect();
        let mut rows = Vec::with_capacity(whole.readings.len());
        for reading in by_day(&whole.readings).into_iter().map(|r| &r.record) {
            let id = reading.measure.as_str();
            let (Some(number), Some(measure)) = (numbers.get(id), measures.get(id)) else {
                self.summary.readings_without_measure += 1;
                continue;
            };
            rows.push(OutcomeRow {
                measure: *number,
                least: Double::of(measure.least),
                most: measure.most.map(Double::of),
                better: measure.better,
                unit: (!measure.unit.is_empty()).then(|| self.hide(Column::Unit, &measure.unit)),
                date: day(reading.on)?,
                value: Double::of(reading.value),
            });
        }
        rows.sort_by_key(|row| (row.measure, row.date));
        Ok(rows)
    }
}

/// Which prescription takes the place of which.
struct Family<'a> {
    number: FxHashMap<&'a str, u32>,
    parent: FxHashMap<&'a str, &'a str>,
}

impl<'a> Family<'a> {
    fn of(all: &[&'a Kept<Prescription>]) -> Family<'a> {
        let pair = |kept: &&'a Kept<Prescription>| Some((kept.id.as_str(), kept.record.parent.as_deref()?));
        Family { number: numbers(all.iter().copied()), parent: all.iter().filter_map(pair).collect() }
    }

    fn parent(&self, rx: &Prescription) -> Option<u32> {
        self.number.get(rx.parent.as_deref()?).copied()
    }

    /// 1, or one more than the parent's.
    fn version(&self, rx: &Prescription) -> u32 {
        let known = |id: &&str| self.number.contains_key(id);
        let first = rx.parent.as_deref().filter(known);
        let line = std::iter::successors(first, |id| self.parent.get(id).copied().filter(known));
        // A ring of parents is no line of descent; it is cut where it must close.
        1 + line.take(self.number.len()).zip(1..).last().map_or(0, |(_, n)| n)
    }
}

// ----------------------------------------------------------------------------------------------------------------------- tables

#[derive(Clone, Copy, PartialEq, Eq)]
enum Type {
    Text,
    Whole,
    Day,
    Double,
}

/// A table: its name, and its columns with whether a cell may be empty.
struct Table {
    name: &'static str,
    columns: &'static [(&'static str, Type, bool)],
}

const TABLES: [Table; 3] = [
    Table {
        name: "visits",
        columns: &[
            ("case", Type::Text, false),
            ("visit", Type::Whole, false),
            ("date", Type::Day, false),
            ("age", Type::Text, true),
            ("sex", Type::Text, true),
            ("findings", Type::Text, true),
            ("absent", Type::Text, true),
            ("patterns", Type::Text, true),
            ("day", Type::Whole, false),
        ],
    },
    Table {
        name: "prescriptions",
        columns: &[
            ("case", Type::Text, false),
            ("visit", Type::Whole, true),
            ("prescription", Type::Whole, false),
            ("parent", Type::Whole, true),
            ("version", Type::Whole, false),
            ("state", Type::Text, false),
            ("date", Type::Day, false),
            ("formula", Type::Text, true),
            ("substance", Type::Text, true),
            ("grams", Type::Text, true),
            ("grams_number", Type::Double, true),
            ("form", Type::Text, false),
            ("days", Type::Whole, true),
        ],
    },
    Table {
        name: "outcomes",
        columns: &[
            ("case", Type::Text, false),
            ("measure", Type::Whole, false),
            ("least", Type::Double, false),
            ("most", Type::Double, true),
            ("better", Type::Text, false),
            ("unit", Type::Text, true),
            ("date", Type::Day, false),
            ("value", Type::Double, false),
        ],
    },
];

const VISITS: usize = 0;
const PRESCRIPTIONS: usize = 1;
const OUTCOMES: usize = 2;

enum Cell<'a> {
    Empty,
    Text(&'a str),
    Whole(i64),
    Day(i32),
    Double(f64),
}

impl<'a> Cell<'a> {
    fn text(text: Option<&'a str>) -> Cell<'a> {
        text.filter(|t| !t.is_empty()).map_or(Cell::Empty, Cell::Text)
    }

    fn whole(number: Option<u32>) -> Cell<'a> {
        number.map_or(Cell::Empty, |n| Cell::Whole(n.into()))
    }

    fn double(number: Option<Double>) -> Cell<'a> {
        number.map_or(Cell::Empty, |n| Cell::Double(n.get()))
    }
}

/// Where rows go. A row has a cell for each column of its table.
trait Sink {
    fn row(&mut self, table: usize, cells: &[Cell<'_>]) -> Result<(), ResearchError>;
    /// Writes what is still held, and sees that the disk has it.
    fn close(self: Box<Self>) -> Result<(), ResearchError>;
}

fn number_of(row: usize) -> i64 {
    i64::try_from(row).map_or(i64::MAX, |n| n.saturating_add(1))
}

fn better_word(better: Better) -> &'static str {
    match better {
        Better::Less => "less",
        Better::More => "more",
    }
}

/// Gives the rows of a case to a sink.
fn put(
    words: &Vocabulary,
    case: &str,
    rows: &Rows,
    sink: &mut dyn Sink,
    summary: &mut Summary,
) -> Result<(), ResearchError> {
    let joined =
        |column: Column, ids: &[Id]| ids.iter().map(|id| words.word(column, *id)).collect::<Vec<_>>().join(" ");
    let sex = sex_of(rows.sex).map(Sex::word);
    for (i, row) in rows.visits.iter().enumerate() {
        let lists = [
            joined(Column::Finding, &row.findings),
            joined(Column::Absent, &row.absent),
            joined(Column::Pattern, &row.patterns),
        ];
        let age = row.age.word();
        let cells = [
            Cell::Text(case),
            Cell::Whole(number_of(i)),
            Cell::Day(row.date),
            Cell::text(age.as_deref()),
            Cell::text(sex),
            Cell::text(Some(&lists[0])),
            Cell::text(Some(&lists[1])),
            Cell::text(Some(&lists[2])),
            Cell::Whole(row.day.into()),
        ];
        sink.row(VISITS, &cells)?;
        summary.visits += 1;
    }
    for row in &rows.prescriptions {
        for (substance, grams) in &row.lines {
            let cells = [
                Cell::Text(case),
                Cell::whole(row.visit),
                Cell::Whole(row.number.into()),
                Cell::whole(row.parent),
                Cell::Whole(row.version.into()),
                Cell::Text(&row.state),
                Cell::Day(row.date),
                Cell::text(row.formula.map(|id| words.word(Column::Formula, id))),
                Cell::text(substance.map(|id| words.word(Column::Substance, id))),
                Cell::text(grams.as_ref().map(|(text, _)| text.as_str())),
                Cell::double(grams.as_ref().map(|(_, number)| *number)),
                Cell::Text(row.form.word()),
                Cell::whole(row.days),
            ];
            sink.row(PRESCRIPTIONS, &cells)?;
            summary.prescriptions += 1;
        }
    }
    for row in &rows.outcomes {
        let cells = [
            Cell::Text(case),
            Cell::Whole(row.measure.into()),
            Cell::Double(row.least.get()),
            Cell::double(row.most),
            Cell::Text(better_word(row.better)),
            Cell::text(row.unit.map(|id| words.word(Column::Unit, id))),
            Cell::Day(row.date),
            Cell::Double(row.value.get()),
        ];
        sink.row(OUTCOMES, &cells)?;
        summary.outcomes += 1;
    }
    Ok(())
}

// ------------------------------------------------------------------------------------------------------------------------ files

/// The files of an export while they are written. What is not kept at the end is taken away again.
struct Parts {
    dir: PathBuf,
    /// Whether the folder is new, and goes too.
    new: bool,
    /// Each as it is written and as it is to be called.
    files: Vec<(PathBuf, PathBuf)>,
    spill: PathBuf,
    kept: bool,
}

impl Parts {
    fn begin(dir: &Path, ending: &str) -> Result<Parts, ResearchError> {
        let named = |table: &Table| {
            let name = dir.join(format!("{}.{ending}", table.name));
            (dir.join(format!("{}.{ending}.part", table.name)), name)
        };
        let files: Vec<_> = TABLES.iter().map(named).collect();
        if let Some((_, standing)) = files.iter().find(|(_, name)| name.exists()) {
            return Err(ResearchError::Standing(standing.clone()));
        }
        let new = !dir.exists();
        fs::create_dir_all(dir).map_err(at(dir))?;
        Ok(Parts { dir: dir.to_path_buf(), new, files, spill: dir.join(format!("cases.{ending}.part")), kept: false })
    }

    fn keep(mut self) -> Result<(), ResearchError> {
        for (part, name) in &self.files {
            fs::rename(part, name).map_err(at(name))?;
        }
        self.kept = true;
        Ok(())
    }
}

impl Drop for Parts {
    /// What cannot be removed stays: there is nobody left to tell.
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.spill);
        if self.kept {
            return;
        }
        for (part, name) in &self.files {
            let _ = fs::remove_file(part);
            // None of these was there at the beginning, so that what is there now was renamed by us before a later one failed.
            let _ = fs::remove_file(name);
        }
        if self.new {
            let _ = fs::remove_dir(&self.dir);
        }
    }
}

struct CsvSink {
    files: Vec<(PathBuf, csv::Writer<File>)>,
}

impl CsvSink {
    fn new(parts: &Parts) -> Result<CsvSink, ResearchError> {
        let mut files = Vec::new();
        for (table, (path, _)) in TABLES.iter().zip(&parts.files) {
            let mut writer = csv::Writer::from_writer(File::create(path).map_err(at(path))?);
            let names = table.columns.iter().map(|(name, ..)| name);
            writer.write_record(names).map_err(|e| at(path)(e.into()))?;
            files.push((path.clone(), writer));
        }
        Ok(CsvSink { files })
    }
}

/// ISO 8601. Every day came out of a date, so that it goes back into one.
fn iso(day: i32) -> String {
    let span = Span::new().try_days(day);
    span.and_then(|s| date(1970, 1, 1).checked_add(s)).map_or_else(|_| String::new(), |d| d.to_string())
}

impl Sink for CsvSink {
    fn row(&mut self, table: usize, cells: &[Cell<'_>]) -> Result<(), ResearchError> {
        let (path, writer) = &mut self.files[table];
        let mut write = || -> csv::Result<()> {
            for cell in cells {
                match cell {
                    Cell::Empty => writer.write_field("")?,
                    Cell::Text(text) => writer.write_field(text)?,
                    Cell::Whole(number) => writer.write_field(number.to_string())?,
                    Cell::Day(day) => writer.write_field(iso(*day))?,
                    // The shortest decimal that reads back as the same double.
                    Cell::Double(number) => writer.write_field(number.to_string())?,
                }
            }
            writer.write_record(None::<&[u8]>)
        };
        write().map_err(|e| at(path)(e.into()))
    }

    fn close(self: Box<Self>) -> Result<(), ResearchError> {
        for (path, writer) in self.files {
            let file = writer.into_inner().map_err(|e| at(&path)(io::Error::other(e.to_string())))?;
            file.sync_all().map_err(at(&path))?;
        }
        Ok(())
    }
}

/// The values of a column, without the empty cells.
enum Values {
    /// All texts on end, and where each ends: a text of its own for each cell would take several times the room.
    Text(Vec<u8>, Vec<usize>),
    Whole(Vec<i64>),
    Day(Vec<i32>),
    Double(Vec<f64>),
}

struct Buffer {
    values: Values,
    /// For each row 1 if there is a value; nothing for a column without empty cells.
    levels: Option<Vec<i16>>,
}

impl Buffer {
    fn new(kind: Type, optional: bool) -> Buffer {
        let values = match kind {
            Type::Text => Values::Text(Vec::new(), Vec::new()),
            Type::Whole => Values::Whole(Vec::new()),
            Type::Day => Values::Day(Vec::new()),
            Type::Double => Values::Double(Vec::new()),
        };
        Buffer { values, levels: optional.then(Vec::new) }
    }

    /// False where the cell does not fit the column.
    fn push(&mut self, cell: &Cell<'_>) -> bool {
        match (&mut self.values, cell) {
            (_, Cell::Empty) => {
                let Some(levels) = &mut self.levels else { return false };
                levels.push(0);
                return true;
            }
            (Values::Text(bytes, ends), Cell::Text(text)) => {
                bytes.extend_from_slice(text.as_bytes());
                ends.push(bytes.len());
            }
            (Values::Whole(all), Cell::Whole(number)) => all.push(*number),
            (Values::Day(all), Cell::Day(day)) => all.push(*day),
            (Values::Double(all), Cell::Double(number)) => all.push(*number),
            _ => return false,
        }
        if let Some(levels) = &mut self.levels {
            levels.push(1);
        }
        true
    }

    /// Writes all values, and is empty afterwards.
    fn write(&mut self, column: &mut SerializedColumnWriter<'_>) -> Result<(), ParquetError> {
        let levels = self.levels.as_mut().map(std::mem::take);
        let levels = levels.as_deref();
        match &mut self.values {
            Values::Text(bytes, ends) => {
                let all = ByteArray::from(std::mem::take(bytes));
                let starts = std::iter::once(0).chain(ends.iter().copied());
                // Slices share the bytes.
                let texts: Vec<ByteArray> = starts.zip(ends.iter()).map(|(s, e)| all.slice(s, e - s)).collect();
                ends.clear();
                column.typed::<ByteArrayType>().write_batch(&texts, levels, None)?;
            }
            Values::Whole(all) => {
                column.typed::<Int64Type>().write_batch(&std::mem::take(all), levels, None)?;
            }
            Values::Day(all) => {
                column.typed::<Int32Type>().write_batch(&std::mem::take(all), levels, None)?;
            }
            Values::Double(all) => {
                column.typed::<DoubleType>().write_batch(&std::mem::take(all), levels, None)?;
            }
        }
        Ok(())
    }
}

struct ParquetTable {
    path: PathBuf,
    writer: SerializedFileWriter<File>,
    buffers: Vec<Buffer>,
    rows: usize,
}

/// The schema in Parquet's own words.
fn schema(table: &Table) -> String {
    let column = |(name, kind, optional): &(&str, Type, bool)| {
        let repetition = if *optional { "optional" } else { "required" };
        let kind = match kind {
            Type::Text => ("byte_array", " (UTF8)"),
            Type::Whole => ("int64", ""),
            Type::Day => ("int32", " (DATE)"),
            Type::Double => ("double", ""),
        };
        format!("{repetition} {} {name}{};", kind.0, kind.1)
    };
    let columns: Vec<String> = table.columns.iter().map(column).collect();
    format!("message {} {{ {} }}", table.name, columns.join(" "))
}

impl ParquetTable {
    fn new(table: &Table, path: &Path) -> Result<ParquetTable, ResearchError> {
        let file = File::create(path).map_err(at(path))?;
        let open = || {
            let level = ZstdLevel::try_new(3)?;
            let properties = WriterProperties::builder().set_compression(Compression::ZSTD(level)).build();
            SerializedFileWriter::new(file, Arc::new(parse_message_type(&schema(table))?), Arc::new(properties))
        };
        let writer = open().map_err(|source| ResearchError::Parquet { path: path.to_path_buf(), source })?;
        let buffers = table.columns.iter().map(|(_, kind, optional)| Buffer::new(*kind, *optional)).collect();
        Ok(ParquetTable { path: path.to_path_buf(), writer, buffers, rows: 0 })
    }

    fn failed(&self) -> impl FnOnce(ParquetError) -> ResearchError + use<> {
        let path = self.path.clone();
        move |source| ResearchError::Parquet { path, source }
    }

    fn flush(&mut self) -> Result<(), ParquetError> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        for buffer in &mut self.buffers {
            let Some(mut column) = group.next_column()? else { break };
            buffer.write(&mut column)?;
            column.close()?;
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }
}

struct ParquetSink {
    tables: Vec<ParquetTable>,
}

impl ParquetSink {
    fn new(parts: &Parts) -> Result<ParquetSink, ResearchError> {
        let open = TABLES.iter().zip(&parts.files).map(|(table, (path, _))| ParquetTable::new(table, path));
        Ok(ParquetSink { tables: open.collect::<Result<_, _>>()? })
    }
}

impl Sink for ParquetSink {
    fn row(&mut self, table: usize, cells: &[Cell<'_>]) -> Result<(), ResearchError> {
        let table = &mut self.tables[table];
        let fits = table.buffers.iter_mut().zip(cells).all(|(buffer, cell)| buffer.push(cell));
        if !fits {
            let source = ParquetError::General("a cell does not fit its column".into());
            return Err(table.failed()(source));
        }
        table.rows += 1;
        if table.rows >= GROUP {
            let failed = table.failed();
            table.flush().map_err(failed)?;
        }
        Ok(())
    }

    fn close(self: Box<Self>) -> Result<(), ResearchError> {
        for mut table in self.tables {
            let (failed, path) = (table.failed(), table.path.clone());
            let mut finish = || {
                table.flush()?;
                table.writer.finish().map(|_| ())
            };
            finish().map_err(failed)?;
            table.writer.inner().sync_all().map_err(at(&path))?;
        }
        Ok(())
    }
}

// ----------------------------------------------------------------------------------------------------------------------- export

/// Cases on disk, to be read back in the order of their pseudonyms; nothing in it identifies.
struct Spill {
    path: PathBuf,
    file: BufWriter<File>,
    length: u64,
    places: Vec<([u8; 16], u64, usize)>,
}

impl Spill {
    fn new(path: &Path) -> Result<Spill, ResearchError> {
        let file = File::options().read(true).write(true).create(true).truncate(true).open(path).map_err(at(path))?;
        Ok(Spill { path: path.to_path_buf(), file: BufWriter::new(file), length: 0, places: Vec::new() })
    }

    fn add(&mut self, case: [u8; 16], rows: &Rows) -> Result<(), ResearchError> {
        let bytes = serde_json::to_vec(rows).map_err(|e| at(&self.path)(e.into()))?;
        self.file.write_all(&bytes).map_err(at(&self.path))?;
        self.places.push((case, self.length, bytes.len()));
        self.length += bytes.len() as u64;
        Ok(())
    }

    fn each(mut self, mut put: impl FnMut(&str, &Rows) -> Result<(), ResearchError>) -> Result<(), ResearchError> {
        self.places.sort_unstable();
        let file = self.file.into_inner().map_err(|e| at(&self.path)(e.into_error()))?;
        let mut file = BufReader::new(file);
        let mut bytes = Vec::new();
        for (case, start, length) in self.places {
            bytes.resize(length, 0);
            file.seek(SeekFrom::Start(start)).map_err(at(&self.path))?;
            file.read_exact(&mut bytes).map_err(at(&self.path))?;
            let rows: Rows = serde_json::from_slice(&bytes).map_err(|e| at(&self.path)(e.into()))?;
            put(&hex(&case), &rows)?;
        }
        Ok(())
    }
}

/// Counts what was done, and asks whether to go on.
struct Clock<'p, 'q> {
    done: u64,
    progress: &'p mut Progress<'q>,
}

impl Clock<'_, '_> {
    fn tick(&mut self) -> Result<(), ResearchError> {
        self.done += 1;
        match (self.progress)(self.done) {
            ControlFlow::Continue(()) => Ok(()),
            ControlFlow::Break(()) => Err(ResearchError::Interrupted),
        }
    }
}

/// Runs through the source once, up to the first error. A source that does not heed `Break` changes nothing.
fn pass(
    source: &mut Source<'_>,
    clock: &mut Clock<'_, '_>,
    mut each: impl FnMut(&Whole) -> Result<(), ResearchError>,
) -> Result<(), ResearchError> {
    let mut outcome = Ok(());
    let read = source(&mut |whole| {
        if outcome.is_ok() {
            outcome = clock.tick().and_then(|()| each(whole));
        }
        if outcome.is_ok() { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    });
    outcome?;
    read.map_err(ResearchError::Source)
}

fn facts(words: &Vocabulary, options: &Options, whole: &Whole) -> Option<Facts> {
    agreed(&whole.person.record.consents, "research").then(|| Facts::of(words, &options.key, whole))
}

fn count(
    source: &mut Source<'_>,
    words: &Vocabulary,
    options: &Options,
    clock: &mut Clock<'_, '_>,
) -> Result<(Plan, Summary), ResearchError> {
    let mut plan = Plan { k: options.k, ..Plan::default() };
    let (mut refused, mut empty) = (0, 0);
    pass(source, clock, |whole| {
        match facts(words, options, whole) {
            None => refused += 1,
            Some(facts) if !facts.has_rows() => empty += 1,
            Some(facts) if plan.count(&facts) => {}
            Some(_) => return Err(ResearchError::Twice(whole.person.id.clone())),
        }
        Ok(())
    })?;
    let persons = plan.shapes.len() as u64;
    if persons < u64::from(options.k) {
        return Err(ResearchError::TooFew { persons, k: options.k });
    }
    plan.settle();
    let summary = Summary { left_out_no_consent: refused, left_out_empty: empty, ..plan.summary() };
    Ok((plan, summary))
}

fn hide(
    source: &mut Source<'_>,
    hider: &mut Hider<'_>,
    options: &Options,
    spill: &mut Spill,
    clock: &mut Clock<'_, '_>,
) -> Result<(), ResearchError> {
    let (words, mut prints) = (hider.words, 0u64);
    pass(source, clock, |whole| {
        let Some(facts) = facts(words, options, whole).filter(Facts::has_rows) else { return Ok(()) };
        prints = prints.wrapping_add(facts.print());
        let rows = hider.rows(whole, &facts.case)?;
        spill.add(facts.case, &rows)
    })?;
    let same = prints == hider.plan.prints && spill.places.len() == hider.plan.shapes.len();
    if same { Ok(()) } else { Err(ResearchError::Changed) }
}

fn export(
    source: &mut Source<'_>,
    words: &Vocabulary,
    parts: &Parts,
    options: &Options,
    open: impl FnOnce(&Parts) -> Result<Box<dyn Sink>, ResearchError>,
    progress: &mut Progress<'_>,
) -> Result<Summary, ResearchError> {
    let mut clock = Clock { done: 0, progress };
    let (plan, summary) = count(source, words, options, &mut clock)?;
    let mut spill = Spill::new(&parts.spill)?;
    let mut hider = Hider { words, plan: &plan, key: &options.key, summary };
    hide(source, &mut hider, options, &mut spill, &mut clock)?;
    let mut summary = hider.summary;
    let mut sink = open(parts)?;
    spill.each(|case, rows| {
        clock.tick()?;
        put(words, case, rows, sink.as_mut(), &mut summary)
    })?;
    sink.close()?;
    Ok(summary)
}

/// Writes `visits.csv`, `prescriptions.csv` and `outcomes.csv` into a folder: UTF-8, a header, RFC 4180. The folder is made if need be;
/// files of these names must not be there. They are written under other names (`.part`) and renamed at the end.
///
/// # Errors
/// See [`ResearchError`]; after any of them nothing of the export is left.
pub fn csv(
    source: &mut Source<'_>,
    vocabulary: &Vocabulary,
    dir: &Path,
    options: &Options,
    progress: &mut Progress<'_>,
) -> Result<Summary, ResearchError> {
    run(source, vocabulary, dir, options, "csv", |parts| Ok(Box::new(CsvSink::new(parts)?)), progress)
}

/// As [`csv()`], into `visits.parquet`, `prescriptions.parquet` and `outcomes.parquet`: texts as UTF-8, days as `DATE`, counts as `INT64`,
/// values as `DOUBLE`, compressed by zstd, in row groups of 50,000 rows. The rows are those of the CSV.
///
/// # Errors
/// See [`ResearchError`]; after any of them nothing of the export is left.
pub fn parquet(
    source: &mut Source<'_>,
    vocabulary: &Vocabulary,
    dir: &Path,
    options: &Options,
    progress: &mut Progress<'_>,
) -> Result<Summary, ResearchError> {
    run(source, vocabulary, dir, options, "parquet", |parts| Ok(Box::new(ParquetSink::new(parts)?)), progress)
}

fn run(
    source: &mut Source<'_>,
    words: &Vocabulary,
    dir: &Path,
    options: &Options,
    ending: &str,
    open: impl FnOnce(&Parts) -> Result<Box<dyn Sink>, ResearchError>,
    progress: &mut Progress<'_>,
) -> Result<Summary, ResearchError> {
    if options.k < 2 {
        return Err(ResearchError::SmallK(options.k));
    }
    let parts = Parts::begin(dir, ending)?;
    let summary = export(source, words, &parts, options, open, progress)?;
    parts.keep()?;
    Ok(summary)
}

// ---------------------------------------------------------------------------------------------------------------- practice case

/// One case for a student. Days are counted from the first visit; there is no date, no free text, and `other` stands for an id that is
/// not of the vocabulary. It is *one* person's course, without regard to how rare it is: look through it before it is given away.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PracticeCase {
    /// Pseudonym, in hexadecimal; another one than in the tables, even with the same key.
    pub case: String,
    /// Band of age at the first visit: `0`, `1-4`, `5-9` … `90+`.
    pub age: Option<String>,
    /// Sex.
    pub sex: Option<Sex>,
    /// Visits, the earliest first.
    pub visits: Vec<PracticeVisit>,
    /// Prescriptions, the earliest first.
    pub prescriptions: Vec<PracticePrescription>,
    /// What was measured.
    pub outcomes: Vec<PracticeOutcome>,
}

/// A visit of a practice case.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PracticeVisit {
    /// Days since the first visit.
    pub day: i32,
    /// Ids of findings.
    pub findings: Vec<String>,
    /// Ids of findings that are not there.
    pub absent: Vec<String>,
    /// Ids of patterns, the leading one first.
    pub patterns: Vec<String>,
}

/// A prescription of a practice case.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PracticePrescription {
    /// Days since the first visit.
    pub day: i32,
    /// Number of its visit, from 1.
    pub visit: Option<u32>,
    /// `draft`, `signed` or `withdrawn`.
    pub state: String,
    /// Id of the formula it is built on.
    pub formula: Option<String>,
    /// The form.
    pub form: Form,
    /// For how many days.
    pub days: Option<u32>,
    /// Its lines.
    pub lines: Vec<PracticeLine>,
}

/// A line of a prescription of a practice case.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PracticeLine {
    /// Id of the substance; none where the record has a name only.
    pub substance: Option<String>,
    /// Grams a day.
    pub grams: Option<Exact>,
}

/// A measure of a practice case.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PracticeOutcome {
    /// Its number, from 1.
    pub measure: u32,
    /// The least value.
    pub least: Exact,
    /// The greatest value.
    pub most: Option<Exact>,
    /// Which way is better.
    pub better: Better,
    /// The unit: one of [`UNITS`], `other`, or none for a scale.
    pub unit: Option<String>,
    /// Its values, the earliest first.
    pub values: Vec<PracticeValue>,
}

/// A value of a measure of a practice case.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PracticeValue {
    /// Days since the first visit.
    pub day: i32,
    /// The value.
    pub value: Exact,
}

/// One person's course as a case for a student; none unless the person's latest answer on `teaching` is yes and there is a visit.
pub fn practice_case(vocabulary: &Vocabulary, whole: &Whole, key: &[u8; 32]) -> Option<PracticeCase> {
    let person = &whole.person.record;
    if !agreed(&person.consents, "teaching") {
        return None;
    }
    let visits = by_day(&whole.visits);
    let first = visits.first()?.record.on;
    Some(PracticeCase {
        case: hex(&pseudonym(key, "practice case", &whole.person.id)),
        age: band_at(person, first).and_then(|band| Age::Five(band).word()),
        sex: person.sex,
        visits: visits.iter().map(|v| practice_visit(vocabulary, &v.record, first)).collect::<Option<_>>()?,
        prescriptions: practice_prescriptions(vocabulary, whole, first)?,
        outcomes: practice_outcomes(vocabulary, whole, first)?,
    })
}

fn practice_visit(words: &Vocabulary, visit: &Visit, first: Date) -> Option<PracticeVisit> {
    let sorted = |column: Column, ids: &[String]| {
        let mut ids = words.all_shown(column, ids);
        ids.sort_unstable();
        ids
    };
    Some(PracticeVisit {
        day: days_between(first, visit.on)?,
        findings: sorted(Column::Finding, &visit.findings),
        absent: sorted(Column::Absent, &visit.absent),
        patterns: words.all_shown(Column::Pattern, &visit.patterns),
    })
}

fn practice_prescriptions(words: &Vocabulary, whole: &Whole, first: Date) -> Option<Vec<PracticePrescription>> {
    let visits = numbers(by_day(&whole.visits));
    let one = |rx: &Prescription| {
        let line = |substance: &Option<String>, grams| PracticeLine {
            substance: substance.as_ref().map(|id| words.shown(Column::Substance, id)),
            grams,
        };
        Some(PracticePrescription {
            day: days_between(first, rx.on)?,
            visit: rx.visit.as_ref().and_then(|id| visits.get(id.as_str()).copied()),
            state: rx.state().to_string(),
            formula: rx.formula.as_ref().map(|id| words.shown(Column::Formula, id)),
            form: rx.form.unwrap_or(Form::Decoction),
            days: rx.days,
            lines: rx.items.iter().map(|l| line(&l.substance, l.grams)).collect(),
        })
    };
    by_day(&whole.prescriptions).into_iter().map(|p| one(&p.record)).collect()
}

fn practice_outcomes(words: &Vocabulary, whole: &Whole, first: Date) -> Option<Vec<PracticeOutcome>> {
    let readings = by_day(&whole.readings);
    let mut out = Vec::new();
    for (kept, number) in whole.measures.iter().zip(1..) {
        let of_this = readings.iter().map(|r| &r.record).filter(|r| r.measure == kept.id);
        let value = |on: Date, value: Exact| Some(PracticeValue { day: days_between(first, on)?, value });
        let values = of_this.map(|r| value(r.on, r.value)).collect::<Option<Vec<_>>>()?;
        if values.is_empty() {
            continue;
        }
        let measure = &kept.record;
        out.push(PracticeOutcome {
            measure: number,
            least: measure.least,
            most: measure.most,
            better: measure.better,
            unit: (!measure.unit.is_empty()).then(|| words.shown(Column::Unit, &measure.unit)),
            values,
        });
    }
    Some(out)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
mod tests {
    use super::*;

    #[test]
    fn hmac_gives_what_rfc_4231_says() {
        let hash = |key: &[u8], data: &[u8]| hex(&hmac(key, &[data]));
        assert_eq!(hash(&[0x0b; 20], b"Hi There"), "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7");
        assert_eq!(
            hash(b"Jefe", b"what do ya want for nothing?"),
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
        );
        assert_eq!(
            hash(&[0xaa; 131], b"Test Using Larger Than Block-Size Key - Hash Key First"),
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"
        );
    }

    #[test]
    fn a_shift_is_a_month_to_a_year_either_way() {
        let all: BTreeSet<i32> = (0..20_000).map(|n| shift(&[7; 32], &n.to_string())).collect();
        let wanted: BTreeSet<i32> = (30..=365).chain(-365..=-30).collect();
        assert_eq!(all, wanted);
    }

    #[test]
    fn bands_hold_their_years() {
        let words = |years: i32| {
            let b = band(years).unwrap();
            (Age::Five(b).word().unwrap(), Age::Ten(ten(b)).word().unwrap())
        };
        let pair = |five: &str, ten: &str| (five.to_string(), ten.to_string());
        assert_eq!(band(-1), None);
        assert_eq!(words(0), pair("0", "0-9"));
        assert_eq!(words(1), pair("1-4", "0-9"));
        assert_eq!(words(4), pair("1-4", "0-9"));
        assert_eq!(words(5), pair("5-9", "0-9"));
        assert_eq!(words(10), pair("10-14", "10-19"));
        assert_eq!(words(89), pair("85-89", "80-89"));
        assert_eq!(words(90), pair("90+", "90+"));
        assert_eq!(words(130), pair("90+", "90+"));
        for years in 1..90 {
            let (five, ten) = words(years);
            for span in [five, ten] {
                let (low, high) = span.split_once('-').unwrap();
                assert!((low.parse().unwrap()..=high.parse().unwrap()).contains(&years), "{years} in {span}");
            }
        }
    }

    #[test]
    fn a_number_is_written_exactly() {
        let written = |text: &str| exact(text.parse().unwrap());
        assert_eq!(written("9"), "9");
        assert_eq!(written("5 3/4"), "5.75");
        assert_eq!(written("-0.5"), "-0.5");
        assert_eq!(written("1/3"), "1/3");
        assert_eq!(written("31 1/4"), "31.25");
    }

    #[test]
    fn the_latest_answer_counts_and_no_on_the_same_day() {
        let answer = |to: &str, given, on| Consent { to: to.into(), given, on, note: String::new() };
        let (early, late) = (date(2020, 1, 1), date(2021, 1, 1));
        assert!(!agreed(&[], "research"));
        assert!(agreed(&[answer("research", true, late), answer("research", false, early)], "research"));
        assert!(!agreed(&[answer("research", true, early), answer("Research ", false, late)], "research"));
        assert!(!agreed(&[answer("research", false, late), answer("research", true, late)], "research"));
        assert!(!agreed(&[answer("research", true, late), answer("research", false, late)], "research"));
        assert!(!agreed(&[answer("teaching", true, late)], "research"));
    }

    #[test]
    fn every_column_has_its_list() {
        use Column::{Absent, Finding, Formula, Pattern, Substance, Unit};
        let words = Vocabulary::of(&Materia::embedded());
        for column in [Finding, Absent, Pattern, Formula, Substance, Unit] {
            assert!(words.ids(column).is_sorted(), "{column:?}");
            assert!(!words.ids(column).is_empty(), "{column:?}");
            assert_eq!(words.number(column, OTHER), None, "{column:?}");
        }
    }
}
